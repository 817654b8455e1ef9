"""What is learned of a zone while nothing is wrong: its need of heat, its rates, its scatter.

Learning goes in rounds of the monotonic grid, short ones at first. A round gathers whole numbers
only, so that no cutting of a series changes what is learned; at its end the gathered means are
blended into what was known. A round in which a finding was open is thrown away: a fault must not
become the usual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from operator import add
from typing import NamedTuple

import numpy as np

from watchedpot.core.bins import BIN_S, NONE_MK, Bins
from watchedpot.core.rules import ZoneKind
from watchedpot.core.signs import COARSE_MK, KEPT, KINDS, PHASE_CODE, Seen, Sign, ZoneFigures
from watchedpot.core.snapshot import Phase
from watchedpot.core.units import NANO

FIRST_STILL_S = 30.0
"""Longest that a healthy reading of 0.1 K stands still before anything is learned; 17 to 24 s in
8 h were computed for a steady loop (process notes). [s]"""

FIRST_ALL_STILL_S, FIRST_ALL_STILL_BLIND_S = 7.0, 40.0
"""The same of all readings of a source, with and without heater outputs. [s]"""

STILL_TIMES, LEAST_STILL_S = 3.0, 90.0
ALL_STILL_TIMES, LEAST_ALL_STILL_S = 3.0, 20.0
"""How many times the longest healthy run is too long, and what is never too long; common
practice, no source. [1, s]"""

LONGEST_BLEND = 20
"""A mean over about so many rounds is kept. [1]"""

LEAST_BINS = 10
"""Bins that a round needs of something to learn it. [1]"""

_TROUBLE = 0
for _sign in (
    *(Sign.FALLS, Sign.DROPS, Sign.DIPPED, Sign.FALLEN, Sign.LEAPT, Sign.LITTLE, Sign.STARVED),
    *(
        Sign.NO_RISE,
        Sign.UNASKED,
        Sign.MORE,
        Sign.FIFTH_MORE,
        Sign.STEPPED,
        Sign.CHARGED,
        Sign.CYCLES,
        Sign.STILL,
    ),
    *(Sign.WIPED, Sign.HIGH, Sign.LOW, Sign.ALL_STILL, Sign.FULL_OF_LATE, Sign.SOAKS),
):
    _TROUBLE |= _sign.bit


_NOT_DRIVEN = Sign.DIPPED.bit | Sign.FALLEN.bit | Sign.CHARGED.bit | Sign.WIPED.bit


class Gathered(NamedTuple):
    """What a round has gathered so far, whole numbers.

    Attributes
    ----------
    rests, output, above_mk
        Bins at rest, and their sums of output and of temperature above the room. [1, 0.01 %, mK]
    drives, rate, spare
        Bins at full or no output, and their sums of slope and of output beyond the need, both
        without sign. [1, uK/s, 0.01 %]
    steps, scatter_mk
        Steps between bins at rest, and the sum of their sizes. [1, mK]
    still_ns, all_still_ns
        Longest completed runs of equal values. [ns]
    step_mk
        Least step of the reading so far, 0 before there was one. [mK]
    now_still_ns, now_all_ns
        The runs under way at the newest bin. [ns]
    """

    rests: int = 0
    output: int = 0
    above_mk: int = 0
    drives: int = 0
    rate: int = 0
    spare: int = 0
    steps: int = 0
    scatter_mk: int = 0
    still_ns: int = 0
    all_still_ns: int = 0
    step_mk: int = 0
    now_still_ns: int = 0
    now_all_ns: int = 0


@dataclass(frozen=True, slots=True)
class Learned:
    """What is known of a zone.

    Attributes
    ----------
    need_per_k, full_rate
        See ``signs``. [%/K, K/s]
    noise_k
        Scatter of a bin around its neighbours. [K]
    still_ns, all_still_ns
        Longest completed runs of equal values, of the zone and of all that its source serves. [ns]
    step_mk
        Least step of the reading so far, as of the newest round; 0 where not known. [mK]
    rounds, rested, driven
        Rounds so far, and those that brought a need and a rate.
    is_disturbed
        Whether a finding was open in the round under way.
    """

    zone: str
    need_per_k: float
    full_rate: float
    noise_k: float = 0.05
    still_ns: int = 0
    all_still_ns: int = 0
    step_mk: int = 0
    rounds: int = 0
    rested: int = 0
    driven: int = 0
    is_disturbed: bool = False
    gathered: Gathered = field(default_factory=Gathered)


def first_learned(zone: str, kind: ZoneKind) -> Learned:
    """What is taken for true of a zone of a kind before anything is learned of it."""
    return Learned(zone, KINDS[kind].need_per_k, KINDS[kind].full_rate)


def round_bins(rounds: int) -> int:
    """Length of the round after so many: one minute at first, then ten, then an hour. [1].

    Examples
    --------
    >>> [round_bins(n) * BIN_S for n in (0, 14, 15, 49, 50)]
    [60, 60, 600, 600, 3600]
    """
    minute = 60 // BIN_S
    if rounds < 15:
        return minute
    return 10 * minute if rounds < 50 else 60 * minute


def gathered(before: Sequence[Gathered], bins: Bins, seen: Seen) -> list[Gathered]:
    """What a round has gathered of each zone after some more bins."""
    f, mask = seen.figures, seen.mask
    temp_mk, out = bins.temp_mk, bins.output
    is_known = (temp_mk != NONE_MK) & (out >= 0)
    is_calm = is_known & ((mask & _TROUBLE) == 0)
    is_ready = bins.phase == PHASE_CODE[Phase.READY]
    is_rest = is_calm & is_ready & (np.abs(f.long_rate) < 0.012)
    above_mk = temp_mk - bins.room_mk
    rate, spare = f.long_rate, f.long_output - f.need
    is_driven = (
        is_known
        & np.isfinite(rate)
        & (np.abs(spare) >= 10.0)
        & ((f.long_output >= 95.0) | (f.long_output <= 1.0))
        & ((mask & _NOT_DRIVEN) == 0)
        & (rate * spare > 0.0)
    )
    past_mk = seen.temp_mk[:, KEPT - 1 : -1]
    is_step = is_rest & (past_mk != NONE_MK)
    sums = (
        is_rest.sum(axis=1),
        np.where(is_rest, out, 0).sum(axis=1),
        np.where(is_rest, above_mk, 0).sum(axis=1),
        is_driven.sum(axis=1),
        np.rint(1e6 * np.where(is_driven, np.abs(rate), 0.0)).sum(axis=1),
        np.rint(100.0 * np.where(is_driven, np.abs(spare), 0.0)).sum(axis=1),
        is_step.sum(axis=1),
        np.where(is_step, np.abs(temp_mk - past_mk), 0).sum(axis=1),
    )
    all_ns = np.minimum(bins.still_ns, bins.out_still_ns).min(axis=0)
    after = []
    for zone, added in enumerate(np.array(sums, dtype=np.int64).T.tolist()):
        was, still_ns = before[zone], bins.still_ns[zone]
        after.append(
            Gathered._make(
                (
                    *map(add, was[: len(added)], added),
                    max(was.still_ns, _ended(was.now_still_ns, still_ns)),
                    max(was.all_still_ns, _ended(was.now_all_ns, all_ns)),
                    int(bins.step_mk[zone, -1]),
                    int(still_ns[-1]),
                    int(all_ns[-1]),
                )
            )
        )
    return after


def _ended(before_ns: int, still_ns: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> int:
    """The longest run of equal values that came to its end. [ns].

    The newest run may be the beginning of a fault: it is not learned before it is over.
    """
    ended_ns = before_ns if still_ns[0] < before_ns else 0
    is_over = still_ns[1:] < still_ns[:-1]
    return max(ended_ns, int(still_ns[:-1][is_over].max())) if is_over.any() else ended_ns


def rounded_off(before: Learned, kind: ZoneKind) -> Learned:
    """What is known of a zone after a round."""
    new = before.gathered
    after = replace(
        before,
        gathered=Gathered(
            step_mk=new.step_mk, now_still_ns=new.now_still_ns, now_all_ns=new.now_all_ns
        ),
        is_disturbed=False,
        rounds=min(before.rounds + 1, 1_000_000),
        step_mk=new.step_mk,
    )
    if before.is_disturbed:
        return after
    usual = KINDS[kind]
    if new.rests >= LEAST_BINS and new.above_mk > 0:
        need = 10.0 * new.output / new.above_mk
        need = min(max(need, 0.2 * usual.need_per_k), 5.0 * usual.need_per_k)
        after = replace(
            after,
            need_per_k=_blend(before.need_per_k, need, before.rested),
            rested=min(before.rested + 1, LONGEST_BLEND),
        )
    if new.drives >= LEAST_BINS and new.spare > 0:
        rate = new.rate / new.spare / 100.0
        rate = min(max(rate, 0.2 * usual.full_rate), 4.0 * usual.full_rate)
        after = replace(
            after,
            full_rate=_blend(before.full_rate, rate, before.driven),
            driven=min(before.driven + 1, LONGEST_BLEND),
        )
    if new.steps >= LEAST_BINS:
        # The mean size of a step between equally scattered values is 1.13 times their deviation.
        noise_k = new.scatter_mk / new.steps / 1128.0
        after = replace(after, noise_k=_blend(before.noise_k, noise_k, before.rested))
    return replace(
        after,
        still_ns=max(before.still_ns, new.still_ns),
        all_still_ns=max(before.all_still_ns, new.all_still_ns),
    )


def _blend(before: float, new: float, count: int) -> float:
    """A running mean that forgets; the first value counts alone."""
    return before + (new - before) / (min(count, LONGEST_BLEND) + 1)


class ZoneFacts(NamedTuple):
    """What the configuration says of a zone, as the signs need it."""

    kind: ZoneKind
    usual_c: float
    low_c: float
    high_c: float
    off_c: float
    has_output: bool
    is_wipe_told: bool


class _Known(NamedTuple):
    """What figures are made of a zone; it changes only with a round of learning."""

    need_per_k: float
    full_rate: float
    noise_k: float
    still_ns: int
    all_still_ns: int
    step_mk: int
    rested: int
    driven: int


def zone_figures(zones: Sequence[Learned], facts: Sequence[ZoneFacts]) -> ZoneFigures:
    """What is known of the zones of one source, as columns."""
    return _zone_figures(
        tuple(
            _Known(
                zone.need_per_k,
                zone.full_rate,
                zone.noise_k,
                zone.still_ns,
                zone.all_still_ns,
                zone.step_mk,
                zone.rested,
                zone.driven,
            )
            for zone in zones
        ),
        tuple(facts),
    )


@lru_cache(maxsize=1024)
def _zone_figures(zones: tuple[_Known, ...], facts: tuple[ZoneFacts, ...]) -> ZoneFigures:
    """The same, made once between two rounds instead of once a bin."""
    is_coarse = [not 0 < step < COARSE_MK for step in (zone.step_mk for zone in zones)]

    def column(values: list[float]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        return np.array(values, dtype=np.float64)[:, None]

    still_s = [
        np.inf if coarse else max(FIRST_STILL_S, zone.still_ns / NANO)
        for zone, coarse in zip(zones, is_coarse, strict=True)
    ]
    return ZoneFigures(
        need_per_k=column([zone.need_per_k for zone in zones]),
        full_rate=column([zone.full_rate for zone in zones]),
        lag_s=column([KINDS[fact.kind].lag_s for fact in facts]),
        noise_k=column([zone.noise_k for zone in zones]),
        still_s=np.maximum(STILL_TIMES * column(still_s), LEAST_STILL_S),
        all_still_s=column([_all_still_s(zones, facts, is_coarse)] * len(zones)),
        usual_c=column([fact.usual_c for fact in facts]),
        low_c=column([fact.low_c for fact in facts]),
        high_c=column([fact.high_c for fact in facts]),
        off_c=column([fact.off_c for fact in facts]),
        is_learned=column([zone.rested for zone in zones]) > 0,
        is_driven=column([zone.driven for zone in zones]) > 0,
        has_output=column([fact.has_output for fact in facts]) > 0,
        is_wipe_told=column([fact.is_wipe_told for fact in facts]) > 0,
        is_pack=column([fact.kind in {ZoneKind.SYRINGE, ZoneKind.CARTRIDGE} for fact in facts]) > 0,
        is_tank=column([fact.kind is ZoneKind.TANK for fact in facts]) > 0,
        is_coarse=column([float(coarse) for coarse in is_coarse]) > 0,
    )


def _all_still_s(
    zones: Sequence[_Known], facts: Sequence[ZoneFacts], is_coarse: list[bool]
) -> float:
    """How long nothing that a source serves moves before that says something. [s].

    A quiet loop on a coarse reading at its setpoint rests to the last digit, reading and output.
    So a source needs readings that are not coarse, and one alone stands still now and then.
    """
    fine = len(is_coarse) - sum(is_coarse)
    if not fine:
        return float("inf")
    has_output = all(fact.has_output for fact in facts)
    first_s = FIRST_ALL_STILL_S if has_output else FIRST_ALL_STILL_BLIND_S
    longest_s = max(first_s, *(zone.all_still_ns / NANO for zone in zones))
    least_s = LEAST_ALL_STILL_S if fine > 1 else LEAST_STILL_S
    return max(ALL_STILL_TIMES * longest_s, least_s)
