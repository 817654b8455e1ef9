"""From signs to suspicions: the zones of one moment together, and since when it goes on.

Each zone is ranked alone; then what several zones show at once is one thing with one cause: all
heat lost, a lower supply, a restarted controller, two sensors that were swapped. And what a
neighbour does to a zone that is itself in order is laid to the neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
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
        needed = mask_of(signs)
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
        *_of_cell(moments, heat, index),
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
        )
    ]


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


def _of_cell(moments: list[ZoneMoment], heat: list[Suspicion], index: int) -> list[Suspicion]:
    """What zones show together in place of what each shows alone."""
    for look in (_all_lost, _supply_low, _crossed, _all_still):
        found = look(moments, index)
        if found is not None:
            taken = set(found.zones)
            rest = [one for one in heat if not taken & set(one.zones)]
            worse = [
                one
                for one in heat
                if taken & set(one.zones) and RANKS[one.severity] < RANKS[found.severity]
            ]
            return [found, *rest, *worse]
    return _without_neighbours(heat)


def _wanted(moments: list[ZoneMoment]) -> list[ZoneMoment]:
    """Zones that are to be warm."""
    return [moment for moment in moments if not moment.mask & _MEANT]


def _all_lost(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """Every zone loses its heat, and they began together."""
    zones = _wanted(moments)
    if len(zones) < 2 or any(zone.has_any(mask_of((Sign.FALLEN, Sign.DIPPED))) for zone in zones):
        return None
    loses = [zone for zone in zones if zone.has(Sign.LITTLE, Sign.ASKS) or _is_cut(zone)]
    is_all = all(zone.has(Sign.FALLS, Sign.COOLS) or zone.has(Sign.STARVED) for zone in zones)
    if not loses or not is_all or any(zone.has(Sign.CHARGED) for zone in zones):
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


def _is_cut(zone: ZoneMoment) -> bool:
    """Whether it cools and its controller asks for nothing."""
    return zone.has(Sign.COOLS, Sign.NONE_ASKED, Sign.LOW)


def _supply_low(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """Every zone takes more output than it did, by one and the same ratio."""
    zones = [zone for zone in _wanted(moments) if zone.figures]
    if len(zones) < 2 or len(zones) < len(_wanted(moments)):
        return None
    if not all(zone.has_any(mask_of((Sign.FIFTH_MORE, Sign.MORE))) for zone in zones):
        return None
    ratios = [zone.figures["long_output"] / max(zone.figures["need"], 1.0) for zone in zones]
    if not all(map(isfinite, ratios)) or max(ratios) - min(ratios) > 0.14:
        return None
    mean = sum(ratios) / len(ratios)
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
        max(_output_onset_ns(zone, index) for zone in zones),
        numbers(zones[0].figures, has_output=True),
        (),
    )


def _crossed(moments: list[ZoneMoment], index: int) -> Suspicion | None:
    """One zone is cold at full output while another is hot with none."""
    cold = [z for z in moments if z.figures and _is_unmoved(z)]
    hot = [z for z in moments if z.has(Sign.UNASKED) or z.has(Sign.HIGH, Sign.NONE_ASKED)]
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
