"""From signs to suspicions: the zones of one moment together, and since when it goes on.

Each zone is ranked alone; then what several zones show at once is one thing with one cause: all
heat lost, a lower supply, a restarted controller, two sensors that were swapped. And what a
neighbour does to a zone that is itself in order is laid to the neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import isfinite
from typing import NamedTuple

import numpy as np

from watchedpot.core.bins import BIN_NS, BIN_S, NO_OUTPUT, NONE_MK, Ints
from watchedpot.core.causes import (
    COURSE_RULES,
    DATA_RULES,
    HEAT_RULES,
    NO_OUTPUT_TEXT,
    NO_SETPOINT_TEXT,
    ONE_ZONE_TEXT,
    Rule,
    mask_of,
    numbers,
    rank,
)
from watchedpot.core.findings import RANKS, Subject, Suspicion
from watchedpot.core.signs import KEPT, Sign
from watchedpot.core.snapshot import Candidate, Cause, Severity

TOLERANCE_MK = 150
"""This far from where it stood a reading has left; common practice, no source. [mK]"""

TOGETHER_NS = 45 * BIN_NS // BIN_S
"""Zones that began within so long began together; common practice, no source. [ns]"""

MOST_SAG = 1.6
"""Output by which a supply is low, at most: a fifth less voltage is a third less power (ohmic
law), and beyond that it is not low but lost. [1]"""

PLAIN = 0.1
"""Slope of the missing heat over its scatter from which its beginning shows: a tenth of the
scatter a second is three times it within half a minute; derived. [1/s]"""

FAR_HOT_K = 8.0
"""Further above its setpoint than a loop overshoots without a change of it; common practice: up
to 7 K after a step of 30 K without anti-wind-up (process notes, computed there). [K]"""

MOST_EXTRA = 2.0
"""Loss beyond the usual in the strongest draft, as a share of it: the film coefficient of a bare
nozzle goes up by no more than three times (process notes, computed there). [1]"""

TRIGGERS = {
    subject: mask_of({sign for rule in rules for sign in rule.needs})
    for subject, rules in (
        (Subject.HEAT, HEAT_RULES),
        (Subject.DATA, DATA_RULES),
        (Subject.COURSE, COURSE_RULES),
    )
}
TOGETHER = mask_of((Sign.FIFTH_MORE, Sign.FALLS))
"""Signs that say something only of several zones."""

_TABLES: dict[Subject, tuple[Rule, ...]] = {
    Subject.HEAT: HEAT_RULES,
    Subject.DATA: DATA_RULES,
    Subject.COURSE: COURSE_RULES,
}
_MEANT = mask_of((Sign.OFF, Sign.SETBACK, Sign.STEPPED))
_FELL = mask_of((Sign.FALLEN, Sign.DIPPED))
_TAKES_MORE = mask_of((Sign.FIFTH_MORE, Sign.MORE))


@cache
def _bits(signs: tuple[Sign, ...]) -> int:
    """Signs as bits, put together once for each set that is asked for."""
    return mask_of(signs)


@dataclass(frozen=True, slots=True, eq=False)
class ZoneMoment:
    """What is known of one zone at one moment.

    Attributes
    ----------
    figures
        By name; empty for a zone of another source.
    temps_mk, outputs
        The newest bins, this one last. [mK, 0.01 %]
    lag_s
        Until heat shows. [s]
    has_setpoint
        Whether its setpoint is read.
    """

    zone: str
    mask: int
    figures: dict[str, float]
    temps_mk: Ints
    outputs: Ints
    lag_s: float
    has_setpoint: bool

    def has(self, *signs: Sign) -> bool:
        """Whether all of these signs are on."""
        needed = _bits(signs)
        return self.mask & needed == needed

    def has_any(self, mask: int) -> bool:
        """Whether one of a mask is on."""
        return bool(self.mask & mask)


class _Found(NamedTuple):
    """A suspicion of one zone, before the zones are looked at together."""

    moment: ZoneMoment
    suspicion: Suspicion


def suspicions(
    moments: list[ZoneMoment],
    index: int,
    favoured: dict[tuple[Subject, str], Cause],
) -> list[Suspicion]:
    """All that is to be suspected at one moment, one for each thing at work.

    Parameters
    ----------
    moments
        Every zone of the cell; those of other sources by their signs only.
    index
        The bin. [1]
    favoured
        What an open finding of a subject takes a zone for.
    """
    heat: list[Suspicion] = []
    for moment in moments:
        if moment.figures and moment.mask & TRIGGERS[Subject.HEAT]:
            found = _of_zone(Subject.HEAT, moment, index, favoured, len(moments))
            heat += found
    return [
        *_of_cell(moments, [*heat, *_low_setpoints(moments, index)], index, favoured),
        *_together(moments, Subject.DATA, index, favoured),
        *_together(moments, Subject.COURSE, index, favoured),
    ]


def _of_zone(
    subject: Subject,
    moment: ZoneMoment,
    index: int,
    favoured: dict[tuple[Subject, str], Cause],
    zones: int,
) -> list[Suspicion]:
    """What is to be suspected of one zone alone; at most one thing."""
    ranked = rank(
        _TABLES[subject], moment.mask, moment.figures, favoured.get((subject, moment.zone))
    )
    if ranked is None:
        return []
    cause = ranked.candidates[0].cause
    return [
        Suspicion(
            subject,
            (moment.zone,),
            ranked.candidates,
            ranked.severity,
            _onset_ns(cause, moment, index),
            numbers(moment.figures, has_output=moment.has(Sign.OUTPUT_READ)),
            _open_questions(moment, zones) if subject is Subject.HEAT else (),
            _extra_percent(moment.figures) if cause is Cause.DRAFT else 0,
        )
    ]


def _extra_percent(figures: dict[str, float]) -> int:
    """Heat that a zone loses beyond the usual, as a share of that, within what a draft can do.

    What is given and does not arrive is lost; at rest that is the output beyond the usual. [%].
    """
    lost, need = figures["long_output"] - figures["long_arrives"], figures["need"]
    share = lost / need if need > 0.0 else 0.0
    return round(100.0 * min(max(share, 0.0), MOST_EXTRA)) if isfinite(share) else 0


def _open_questions(moment: ZoneMoment, zones: int) -> tuple[str, ...]:
    """What cannot be told apart for want of a signal."""
    questions = []
    if not moment.has(Sign.OUTPUT_READ):
        questions.append(NO_OUTPUT_TEXT)
    if not moment.has_setpoint:
        questions.append(NO_SETPOINT_TEXT)
    if zones == 1:
        questions.append(ONE_ZONE_TEXT)
    return tuple(questions)


def _low_setpoints(moments: list[ZoneMoment], index: int) -> list[Suspicion]:
    """Zones whose setpoint is below their window while the others' are not and parts are made.

    A setback lowers all of them, and waits until nothing is dispensed.
    """
    works = mask_of((Sign.OFF, Sign.SETBACK))
    if all(moment.has_any(works) for moment in moments):
        return []
    return [
        Suspicion(
            Subject.HEAT,
            (moment.zone,),
            (
                Candidate(
                    Cause.WRONG_SETPOINT,
                    0.8,
                    (
                        f"its setpoint of {moment.figures['setpoint_c']:.1f} degC lies below its "
                        "window while parts are made",
                    ),
                ),
                Candidate(Cause.SETBACK, 0.1, (), ("the other zones keep theirs",)),
            ),
            Severity.HOLD,
            _onset_ns(Cause.WRONG_SETPOINT, moment, index),
            numbers(moment.figures, has_output=moment.has(Sign.OUTPUT_READ)),
            (),
        )
        for moment in moments
        if moment.figures and moment.has(Sign.SETBACK, Sign.FLOWING, Sign.PRODUCING)
    ]


def _together(
    moments: list[ZoneMoment],
    subject: Subject,
    index: int,
    favoured: dict[tuple[Subject, str], Cause],
) -> list[Suspicion]:
    """Zones with the same likeliest cause as one suspicion each."""
    merged: dict[Cause, Suspicion] = {}
    alike = [moment for moment in moments if moment.figures]
    for moment in alike:
        if not moment.mask & TRIGGERS[subject]:
            continue
        for found in _of_zone(subject, moment, index, favoured, len(moments)):
            suspicion = found
            is_all = len(alike) > 1 and all(other.has(Sign.ZEROED) for other in alike)
            if is_all and subject is Subject.DATA:
                text = "every zone sends the code for no sensor at once"
                suspicion = replace(
                    found,
                    candidates=(
                        Candidate(Cause.PLC_RESTART, 0.9, (text,)),
                        Candidate(Cause.SENSOR_BREAK, 0.04, (), ("several at once",)),
                    ),
                    severity=Severity.SOON,
                )
            before = merged.get(suspicion.cause)
            merged[suspicion.cause] = suspicion if before is None else _joined(before, suspicion)
    return list(merged.values())


def _joined(first: Suspicion, second: Suspicion) -> Suspicion:
    """Two suspicions of one cause as one; the worse speaks."""
    if RANKS[second.severity] < RANKS[first.severity]:
        first, second = second, first
    return replace(
        first,
        zones=(*first.zones, *second.zones),
        # What stood still already may have rested: the last to move tells when it began.
        onset_ns=(max if first.cause in _OF_STILL else min)(first.onset_ns, second.onset_ns),
        not_ruled_out=tuple(dict.fromkeys((*first.not_ruled_out, *second.not_ruled_out))),
    )


def _of_cell(
    moments: list[ZoneMoment],
    heat: list[Suspicion],
    index: int,
    favoured: dict[tuple[Subject, str], Cause],
) -> list[Suspicion]:
    """What zones show together in place of what each shows alone."""
    found = None
    for look in (_all_lost, _supply_low, _crossed, _all_still):
        found = look(moments, index)
        if found is not None:
            break
    else:
        found = _cooled_together(moments, index, favoured)
    if found is None:
        return _without_neighbours(_without_refills(heat, moments))
    taken = set(found.zones)
    rest = [one for one in heat if not taken & set(one.zones)]
    # What can wait is part of what they have in common.
    least = min(RANKS[found.severity], RANKS[Severity.SOON])
    worse = [one for one in heat if taken & set(one.zones) and RANKS[one.severity] < least]
    return [found, *rest, *worse]


def _wanted(moments: list[ZoneMoment]) -> list[ZoneMoment]:
    """Zones that are to be warm."""
    return [moment for moment in moments if not moment.mask & _MEANT]


def _all_lost(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """Every zone loses its heat, and they began together."""
    zones = _wanted(moments)
    if len(zones) < 2 or any(zone.has_any(_FELL) for zone in zones):
        return None
    loses = [zone for zone in zones if zone.has(Sign.LITTLE, Sign.ASKS) or _is_cut(zone)]
    is_all = all(_is_as_unheated(zone) for zone in zones)
    # Once one of them plainly gets nothing, the others need not be as plain.
    is_plain = any(zone.has(Sign.STARVED) for zone in zones) and all(
        _is_as_unheated(zone) or zone.has(Sign.LITTLE) for zone in zones
    )
    if not loses or not (is_all or is_plain) or any(zone.has(Sign.CHARGED) for zone in zones):
        return None
    seen = [zone for zone in zones if zone.figures]
    onsets_ns = [_onset_ns(Cause.NO_HEAT, zone, index) for zone in seen]
    if not seen or max(onsets_ns) - min(onsets_ns) > TOGETHER_NS:
        return None
    first = min(seen, key=lambda zone: zone.figures["off_k"])
    names = (first.zone, *(zone.zone for zone in zones if zone is not first))
    certainty = 0.85 if first.has(Sign.OUTPUT_READ) else 0.6
    return Suspicion(
        Subject.HEAT,
        names,
        (
            Candidate(
                Cause.ALL_HEAT_LOST,
                certainty,
                (f"all {len(zones)} zones cool together, as without heat",),
            ),
            Candidate(Cause.NO_HEAT, 0.06, (), ("several heaters do not fail in the same moment",)),
        ),
        Severity.HOLD,
        min(onsets_ns),
        numbers(first.figures, has_output=first.has(Sign.OUTPUT_READ)),
        _open_questions(first, len(moments)),
    )


def _is_as_unheated(zone: ZoneMoment) -> bool:
    """Whether it falls as without heat, or hardly any arrives."""
    return zone.has(Sign.FALLS, Sign.COOLS) or zone.has(Sign.STARVED)


def _is_cut(zone: ZoneMoment) -> bool:
    """Whether it cools and its controller asks for nothing."""
    return zone.has(Sign.COOLS, Sign.NONE_ASKED, Sign.LOW)


def _supply_low(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """Every zone takes more output than it did, by one and the same ratio.

    A slow one need not show it as plainly as two others do.
    """
    zones = [zone for zone in _wanted(moments) if zone.figures]
    if len(zones) < 2 or len(zones) < len(_wanted(moments)):
        return None
    plain = [zone for zone in zones if zone.has_any(_TAKES_MORE)]
    if len(plain) < 2:
        return None
    ratios = [zone.figures["long_output"] / max(zone.figures["need"], 1.0) for zone in zones]
    if not all(map(isfinite, ratios)) or max(ratios) - min(ratios) > 0.14 or min(ratios) < 1.05:
        return None
    mean = sum(ratios) / len(ratios)
    if mean > MOST_SAG:
        return None
    return Suspicion(
        Subject.HEAT,
        tuple(zone.zone for zone in zones),
        (
            Candidate(
                Cause.SUPPLY_LOW,
                0.65,
                (f"every zone takes {mean:.2f} times its usual output, and no more heat is lost",),
            ),
            Candidate(Cause.DRAFT, 0.2, ("a colder room does the same",), ("every zone is alike",)),
        ),
        Severity.SOON,
        _balance_onset_ns(plain, index),
        numbers(zones[0].figures, has_output=True),
        (),
    )


def _crossed(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """One zone is cold at full output while another is hot with none."""
    cold = [z for z in moments if z.figures and _is_unmoved(z)]
    hot = [z for z in moments if _is_unasked(z)]
    if not cold or not hot:
        return None
    return Suspicion(
        Subject.HEAT,
        (cold[0].zone, hot[0].zone),
        (
            Candidate(
                Cause.ZONES_CROSSED,
                0.55,
                (f"{cold[0].zone} is cold at full output, {hot[0].zone} hot with none",),
            ),
            Candidate(Cause.SENSOR_LOW, 0.2, ("its heater gives heat that it does not show",)),
            Candidate(Cause.NO_HEAT, 0.15, ("it does not rise",)),
        ),
        # Heat flows where nobody asks for it, whatever the reason.
        Severity.CRITICAL,
        _onset_ns(Cause.ZONES_CROSSED, cold[0], index),
        numbers(cold[0].figures, has_output=True),
        (),
    )


def _is_unasked(zone: ZoneMoment) -> bool:
    """Whether it has heat that nobody asks for, and more than stored heat explains."""
    is_far = zone.has(Sign.HIGH, Sign.NONE_ASKED) and zone.figures.get("off_k", 0.0) > FAR_HOT_K
    return zone.has(Sign.UNASKED) or is_far


def _cooled_together(
    moments: list[ZoneMoment], index: int, favoured: dict[tuple[Subject, str], Cause]
) -> Suspicion | None:
    """Zones that began to lose more heat in the same moment: the air is what they share.

    What is put into a reservoir reaches the other zones with the melt, minutes later. When they
    began is asked only until it was told: later it lies further back than what is kept.
    """
    zones = [zone for zone in _wanted(moments) if zone.figures and _loses_more(zone)]
    if len(zones) < 2:
        return None
    onsets_ns = [_onset_ns(Cause.DRAFT, zone, index) for zone in zones]
    is_told = all(favoured.get((Subject.HEAT, zone.zone)) is Cause.DRAFT for zone in zones)
    if not is_told and max(onsets_ns) - min(onsets_ns) > TOGETHER_NS:
        return None
    first = min(zones, key=lambda zone: zone.figures["off_k"])
    return Suspicion(
        Subject.HEAT,
        (first.zone, *(zone.zone for zone in zones if zone is not first)),
        (
            Candidate(
                Cause.DRAFT,
                0.6,
                (f"{len(zones)} zones lose more heat than usual since the same moment",),
            ),
            Candidate(Cause.SUPPLY_LOW, 0.2, ("every output is up",)),
        ),
        Severity.NOTE,
        min(onsets_ns),
        numbers(first.figures, has_output=first.has(Sign.OUTPUT_READ)),
        _open_questions(first, len(moments)),
    )


_OTHERWISE = mask_of(
    (Sign.FALLEN, Sign.DIPPED, Sign.CHARGED, Sign.SOAKS, Sign.STARVED, Sign.COOLS, Sign.FULL)
)
"""What more than a draft may be the reason of, or something else than one."""


def _loses_more(zone: ZoneMoment) -> bool:
    """Whether more heat leaves it than usual, and it still gets some."""
    is_more = zone.has(Sign.LITTLE) or zone.has(Sign.FALLS, Sign.ASKS) or zone.has(Sign.MORE)
    return is_more and not zone.has_any(_OTHERWISE)


def _all_still(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """Every reading stands still, whatever the outputs do."""
    zones = [zone for zone in moments if zone.figures and not zone.has(Sign.OFF)]
    if len(zones) < 2 or not all(zone.has(Sign.STILL) for zone in zones):
        return None
    if all(zone.has(Sign.ALL_STILL) for zone in zones):
        return None  # told as a matter of the data
    if any(zone.has(Sign.DRIVEN) and not zone.has(Sign.TREMBLES) for zone in zones):
        return None
    still_s = min(zone.figures["still_s"] for zone in zones)
    return Suspicion(
        Subject.HEAT,
        tuple(zone.zone for zone in zones),
        (
            Candidate(Cause.FROZEN_IN_DATA, 0.7, (f"no reading has moved for {still_s:.0f} s",)),
            Candidate(Cause.FROZEN_AT_CONTROLLER, 0.2, (), ("every zone stands still at once",)),
        ),
        Severity.HOLD,
        max(_onset_ns(Cause.FROZEN_IN_DATA, zone, index) for zone in zones),
        numbers(zones[0].figures, has_output=zones[0].has(Sign.OUTPUT_READ)),
        (),
    )


def _is_unmoved(zone: ZoneMoment) -> bool:
    """Whether it is cold, at full output, and does not get warmer."""
    is_still_cold = zone.has(Sign.LOW, Sign.FULL) and zone.figures["short_rate"] <= 0.01
    return is_still_cold and not zone.has(Sign.FALLEN)


def _without_refills(heat: list[Suspicion], moments: list[ZoneMoment]) -> list[Suspicion]:
    """While other zones cool too it is no refill: that reaches them minutes later."""
    cooling = {moment.zone for moment in _wanted(moments) if moment.has(Sign.LITTLE, Sign.FALLS)}
    return [one for one in heat if one.cause is not Cause.REFILL or not cooling - set(one.zones)]


_OF_A_NEIGHBOUR = frozenset({Cause.DRAFT, Cause.PART_OF_HEAT, Cause.OVERSHOOT, Cause.UNKNOWN})


def _without_neighbours(heat: list[Suspicion]) -> list[Suspicion]:
    """A zone next to one in trouble works harder: that is laid to the one in trouble."""
    worse = [one for one in heat if RANKS[one.severity] <= RANKS[Severity.HOLD]]
    if not worse:
        return heat
    return [one for one in heat if one in worse or one.cause not in _OF_A_NEIGHBOUR]


_AT_ONCE = frozenset(
    {
        Cause.WRONG_SETPOINT,
        Cause.OVERSHOOT,
        Cause.COLD_START,
        Cause.SETBACK,
        Cause.CYCLING,
        Cause.CLOCK,
    }
)
_OF_DATA = frozenset({Cause.SENSOR_BREAK, Cause.LINK, Cause.PLC_RESTART, Cause.SCALE_OR_UNIT})
_OF_STILL = frozenset({Cause.FROZEN_AT_CONTROLLER, Cause.FROZEN_IN_DATA})
_SUDDEN = frozenset({Cause.SENSOR_LOW, Cause.SENSOR_SLIPPED, Cause.HANDLING})


def _onset_ns(cause: Cause, moment: ZoneMoment, index: int) -> int:
    """When it began, from what is kept of the past. [ns]."""
    end = moment.temps_mk.size
    begin_ns = (index + 1 - end) * BIN_NS  # of the first bin that is kept
    if cause in _AT_ONCE:
        return index * BIN_NS
    if cause in _OF_STILL and moment.figures.get("still_s", 0.0) > 0.0:
        return (index + 1) * BIN_NS - round(moment.figures["still_s"]) * (BIN_NS // BIN_S)
    is_known = moment.temps_mk != NONE_MK
    if cause in _OF_STILL and not is_known[-1]:
        return begin_ns + _stood(moment) * BIN_NS
    if cause in _OF_DATA and not is_known[-1]:
        known = np.flatnonzero(is_known)
        first = int(known[-1]) + 1 if known.size else end - 1
        flawed_s = moment.figures.get("flawed_s", 0.0) if cause is Cause.SENSOR_BREAK else 0.0
        flawed_ns = (index + 1) * BIN_NS - round(flawed_s) * (BIN_NS // BIN_S)
        return min(begin_ns + first * BIN_NS, flawed_ns)
    left = _left(moment.temps_mk[is_known])
    if left is None:
        return _output_onset_ns(moment, index)
    place = int(np.flatnonzero(is_known)[left])
    lag_ns = 0 if cause in _SUDDEN else round(0.35 * moment.lag_s * BIN_NS / BIN_S)
    return max(begin_ns + place * BIN_NS - lag_ns, begin_ns)


def _stood(moment: ZoneMoment) -> int:
    """Place from which on neither reading nor output moved, as far as they were known."""
    stood = 0
    for column, none in ((moment.temps_mk, NONE_MK), (moment.outputs, NO_OUTPUT)):
        known = np.flatnonzero(column != none)
        if known.size:
            moved = np.flatnonzero(np.diff(column[known]))
            stood = max(stood, int(known[moved[-1] + 1]) if moved.size else 0)
    return stood


def _left(temps_mk: Ints) -> int | None:
    """Place at which a reading left where it stood before; None if it is still there."""
    if temps_mk.size < 4:
        return None
    before = temps_mk[: max(temps_mk.size // 3, 4)]
    level_mk = float(np.median(before))
    away = np.abs(temps_mk - level_mk) > TOLERANCE_MK
    if not away[-1]:
        # It is back by now: the beginning of the last stretch away.
        places = np.flatnonzero(away)
        if not places.size:
            return None
        stays = np.flatnonzero(~away[: int(places[-1])])
        return int(stays[-1]) + 1 if stays.size else int(places[0])
    stays = np.flatnonzero(~away)
    return int(stays[-1]) + 1 if stays.size else 0


def _balance_onset_ns(zones: list[ZoneMoment], index: int) -> int:
    """When zones began to get less heat than they are given, the plainest of them. [ns].

    Output less need, summed, less the heat that went into the temperature, stays level while all
    that is asked for arrives, and climbs from the moment on from which a part of it does not. A
    sum has little noise, so the knee of a level and a slope shows what neither reading nor output
    does. Source: energy balance of a first-order zone; least squares (analysis).
    """
    knees = [(*_knee(zone), zone) for zone in zones]
    clearness, place, zone = max(knees, key=lambda knee: knee[:2])
    if clearness < PLAIN:
        return min(_onset_ns(Cause.SUPPLY_LOW, one, index) for one in zones)
    return (index + 1 - zone.temps_mk.size + place) * BIN_NS


def _knee(zone: ZoneMoment) -> tuple[float, int]:
    """How clear the knee of the heat that is missing is, and its bin; (0, 0) without one."""
    f = zone.figures
    above_k, size = f["temp_c"] - f["room_c"], zone.temps_mk.size
    is_known = (zone.temps_mk != NONE_MK) & (zone.outputs != NO_OUTPUT)
    if size < KEPT or not is_known.all() or not above_k > 1.0 or not f["need"] > 0.0:
        return 0.0, 0
    temp_c, rate = zone.temps_mk / 1000.0, f["cooling"] / f["need"]
    need = f["need"] / above_k * (temp_c - f["room_c"])
    missing = BIN_S * np.cumsum(zone.outputs / 100.0 - need) - temp_c / rate
    missing -= missing.mean()
    time_s = BIN_S * np.arange(size)
    slopes = np.maximum(time_s - time_s[4:-4, None], 0.0)
    slopes -= slopes.mean(axis=1, keepdims=True)
    shared = (slopes * missing).sum(axis=1)
    spread = (slopes * slopes).sum(axis=1)
    explained = np.where(shared > 0.0, shared * shared / spread, 0.0)
    best = int(np.argmax(explained))
    rest = max(float((missing * missing).sum()) - float(explained[best]), 1e-9)
    return float(shared[best] / spread[best]) / (rest / size) ** 0.5, best + 4


def _output_onset_ns(moment: ZoneMoment, index: int) -> int:
    """When the output left where it stood, for what the reading does not show. [ns]."""
    begin_ns = (index + 1 - moment.outputs.size) * BIN_NS
    known = moment.outputs[moment.outputs != NO_OUTPUT]
    if known.size < KEPT // 2:
        return index * BIN_NS
    level = float(np.median(known[: known.size // 3]))
    away = np.abs(known - level) > 0.15 * max(level, 500.0)
    stays = np.flatnonzero(~away)
    first = int(stays[-1]) + 1 if stays.size and away[-1] else int(known.size) - KEPT // 4
    missing = int(moment.outputs.size - known.size)
    return begin_ns + (missing + min(first, int(known.size) - 1)) * BIN_NS
