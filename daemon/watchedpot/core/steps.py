"""What each step of a block lays on the part under way: marks and figures of zones and cell.

All zones that the block says something of are rows of the same arrays, so that a block of one
row, as a live cell brings it, costs a few array operations and not a few for each zone.
Temperatures are whole millikelvin and times whole microseconds: sums of them are exact in any
order, so that no cutting of a series changes a part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.parts import BIT, NONE_MK, Limits, PartPlan, Tally
from watchedpot.core.rules import PartRule
from watchedpot.core.snapshot import Phase
from watchedpot.core.walk import ZoneTrace

Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]

ABSURD_C = 1e6
"""Further than any temperature in a cell. [degC]"""

_OUTSIDE = BIT[PartRule.OUTSIDE_WINDOW]
_SETTLING = BIT[PartRule.TIP_SETTLING]
_NEAR = BIT[PartRule.NEAR_EDGE]
_CEILING = BIT[PartRule.OVER_CEILING]
_READY = BIT[PartRule.BEFORE_READY]
_BLIND = BIT[PartRule.BLIND]
_DOUBT = BIT[PartRule.SENSOR_DOUBT]
_GOOD_PHASES = frozenset({Phase.READY, Phase.UNKNOWN})
"""Phases that say nothing against a part: not seeing is told by other rules."""


class Met(NamedTuple):
    """What some steps come to.

    Attributes
    ----------
    zones
        Where melt may have flowed, of each zone of the cell.
    standing
        Marks of each zone over all steps.
    """

    zones: tuple[Tally, ...]
    standing: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """The n steps of a block in the m zones that it says something of.

    Attributes
    ----------
    places
        Of these zones in the cell, of which there are ``count``.
    marks : (m, 2, n) int64
        Where melt may have flowed, and over all steps.
    lowest : (m, 4, n) int64
        Temperature, its negative, and the same of the tip. [mK]
    sums : (m, 3, n) int64
        Integral of the temperature, time seen, time not seen. [mK us, us, us]
    chilled_ns
        When a nozzle was last cold or being wiped; None if it never was. [ns]
    """

    places: tuple[int, ...]
    count: int
    marks: Ints
    lowest: Ints
    sums: Ints
    chilled_ns: int | None

    def met(self, spans: Sequence[tuple[int, int]]) -> list[Met]:
        """What spans of steps come to, none of them empty."""
        if not self.places:
            return [_nothing(self.count)] * len(spans)
        marks = _reduced(np.bitwise_or, self.marks, spans)
        lowest = _reduced(np.minimum, self.lowest, spans)
        sums = _reduced(np.add, self.sums, spans)
        return [self._one(*columns) for columns in zip(marks, lowest, sums, strict=True)]

    def _one(self, marks: list[list[int]], lowest: list[list[int]], sums: list[list[int]]) -> Met:
        zones, standing = [Tally()] * self.count, [0] * self.count
        for place, (of_flow, of_all), (low, high, tip_low, tip_high), (area, seen, blind) in zip(
            self.places, marks, lowest, sums, strict=True
        ):
            zones[place] = Tally(of_flow, low, -high, tip_low, -tip_high, area, seen, blind)
            standing[place] = of_all
        return Met(tuple(zones), tuple(standing))


class Chills(NamedTuple):
    """What cooled the tip of a nozzle from outside of the block.

    Attributes
    ----------
    before_ns
        When a nozzle was last cold or being wiped before the block, None if it never was. [ns]
    wiped_ns : (k,) int64
        Rows that show it being wiped. [ns]
    """

    before_ns: int | None
    wiped_ns: Ints


def _nothing(count: int) -> Met:
    return Met((Tally(),) * count, (0,) * count)


def _reduced(
    function: np.ufunc, columns: Ints, spans: Sequence[tuple[int, int]]
) -> list[list[list[int]]]:
    """Columns reduced over spans: a list of zones for each span, each a list of its columns."""
    size = columns.shape[-1]
    if len(spans) == 1 and spans[0] == (0, size):
        whole = columns[..., 0] if size == 1 else function.reduce(columns, axis=-1)
        return [whole.tolist()]
    bounds = [end for span in spans for end in span]
    # A place behind the end, so that the end is a bound like any other.
    padded = np.concatenate((columns, columns[..., -1:]), axis=-1)
    reduced = function.reduceat(padded, bounds, axis=-1)[..., ::2]
    by_span: list[list[list[int]]] = np.moveaxis(reduced, -1, 0).tolist()
    return by_span


def part_steps(
    traces: Sequence[ZoneTrace | None],
    may_flow: Bools,
    plan: PartPlan,
    *,
    doubted: Sequence[str],
    chills: Chills,
    suspected: Mapping[int, Ints] | None = None,
    is_unsaid: Bools | None = None,
) -> Steps:
    """What each step of a block lays on the part under way.

    Parameters
    ----------
    traces : sequence
        What each zone of the cell was over the block; None where the block says nothing of it.
    may_flow : (n,) array of bool
        Steps in which melt may have flowed. [1]
    plan : PartPlan
        The cell's.
    doubted : sequence of str
        Zones whose newest check has failed.
    chills : Chills
        When tips were cooled.
    suspected : mapping of int to (n,) int64, or None
        Marks that findings lay on the steps of zones, by their places in the cell.
    is_unsaid : (n,) array of bool or None
        Steps in which nobody said whether melt flowed, and in which for this once none is taken
        to have flowed; what was not seen of them still counts as that. [1]

    Returns
    -------
    Steps
        A step lays a mark if either of its ends does.
    """
    told = [(place, trace) for place, trace in enumerate(traces) if trace is not None]
    places = tuple(place for place, _ in told)
    if not told:
        empty = np.empty((0, 1, 0), dtype=np.int64)
        chilled_ns = max(chills.wiped_ns[-1:].tolist(), default=chills.before_ns)
        return Steps((), len(plan.zones), empty, empty, empty, chilled_ns)
    joined = np.array([trace.series.is_joined for _, trace in told])
    step_us = np.array([trace.series.step_ns for _, trace in told]) // 1000
    wall_mk = _millikelvin([trace.series.value for _, trace in told])
    low_mk, high_mk = _ends(wall_mk)
    has_tip = any(plan.limits[place].has_tip for place in places)
    tip_mk = _millikelvin([trace.tip.value for _, trace in told]) if has_tip else wall_mk
    tip_low_mk, tip_high_mk = _ends(tip_mk) if has_tip else (low_mk, high_mk)
    marks = _limit_marks(places, low_mk, high_mk, tip_low_mk, plan)
    if not joined.all():
        marks = np.where(joined, marks, _BLIND)
    for row, (place, trace) in enumerate(told):
        _mark_unready(marks[row], trace)
        if plan.zones[place] in doubted:
            marks[row] |= _DOUBT
        if suspected and place in suspected:
            marks[row] |= suspected[place]
    chilled_ns = chills.before_ns
    for row, (place, trace) in enumerate(told):
        if plan.is_nozzle[place]:
            is_cold = _is_cold(plan.limits[place], low_mk[row], tip_low_mk[row]) & joined[row]
            newest_ns = _mark_settling(marks[row], trace, is_cold, chills, plan.settle_ns)
            chilled_ns = newest_ns if chilled_ns is None else max(chilled_ns, newest_ns or 0)
    flow = may_flow if is_unsaid is None else may_flow & ~is_unsaid
    seen = joined & flow
    seen_us = step_us * seen
    lowest = np.where(
        seen[:, None], np.stack((low_mk, -high_mk, tip_low_mk, -tip_high_mk), axis=1), NONE_MK
    )
    for row, place in enumerate(places):
        if not plan.limits[place].has_tip:
            lowest[row, 2:] = NONE_MK
    means_mk = (wall_mk[:, :-1] + wall_mk[:, 1:]) // 2
    sums = np.stack((means_mk * seen_us, seen_us, step_us * (may_flow & ~joined)), axis=1)
    flowing = np.where(flow, marks & ~_BLIND, marks & _CEILING)
    return Steps(
        places, len(plan.zones), np.stack((flowing, marks), axis=1), lowest, sums, chilled_ns
    )


def _millikelvin(values: Sequence[NDArray[np.float64]]) -> Ints:
    """Temperatures as whole numbers."""
    # A tip beside an absurd reading of the room is absurd itself, and must still be a number.
    temp_c = np.fmax(np.fmin(np.array(values), ABSURD_C), -ABSURD_C)
    temp_mk: Ints = np.rint(temp_c * 1000.0).astype(np.int64)
    return temp_mk


def _ends(temp_mk: Ints) -> tuple[Ints, Ints]:
    """The lower and the higher end of each step."""
    first_mk, last_mk = temp_mk[:, :-1], temp_mk[:, 1:]
    return np.minimum(first_mk, last_mk), np.maximum(first_mk, last_mk)


def _limit_marks(
    places: Sequence[int], low_mk: Ints, high_mk: Ints, tip_low_mk: Ints, plan: PartPlan
) -> Ints:
    """Marks of temperatures at limits; those of steps that are not seen mean nothing."""
    marks = np.zeros(low_mk.shape, dtype=np.int64)
    for row, place in enumerate(places):
        limits = plan.limits[place]
        lowest, highest = int(low_mk[row].min()), int(high_mk[row].max())
        tip_lowest = int(tip_low_mk[row].min()) if limits.has_tip else NONE_MK
        if (
            lowest >= limits.near_low_mk
            and highest <= limits.near_high_mk
            and tip_lowest >= limits.near_tip_mk
        ):
            continue
        near = (low_mk[row] < limits.near_low_mk) | (high_mk[row] > limits.near_high_mk)
        outside = (low_mk[row] < limits.low_mk) | (high_mk[row] > limits.high_mk)
        if limits.has_tip:
            near |= tip_low_mk[row] < limits.near_tip_mk
            outside |= tip_low_mk[row] < limits.tip_mk
        marks[row] = np.where(outside, _OUTSIDE, np.where(near, _NEAR, 0))
        marks[row] |= np.where(high_mk[row] > limits.ceiling_mk, _CEILING, 0)
    return marks


def _mark_unready(marks: Ints, trace: ZoneTrace) -> None:
    """Mark the steps at either end of which a zone stood otherwise than ready."""
    if all(phase in _GOOD_PHASES for _, phase in trace.phases):
        return
    is_ready = np.ones(marks.size + 1, dtype=np.bool_)
    for row, phase in trace.phases:
        is_ready[row:] = phase in _GOOD_PHASES
    marks[~(is_ready[:-1] & is_ready[1:])] |= _READY


def _is_cold(limits: Limits, low_mk: Ints, tip_low_mk: Ints) -> Bools:
    """Steps in which a nozzle was colder than its window, or its tip than its limit."""
    cold: Bools = low_mk < limits.low_mk
    return cold | (tip_low_mk < limits.tip_mk) if limits.has_tip else cold


def _mark_settling(
    marks: Ints, trace: ZoneTrace, is_cold: Bools, chills: Chills, settle_ns: int
) -> int | None:
    """Mark the steps that begin shortly after a nozzle was cold or wiped; when that was last."""
    mono_ns = trace.series.mono_ns
    if chills.before_ns is None and not chills.wiped_ns.size and not is_cold.any():
        return None
    never_ns = int(mono_ns[0]) - settle_ns - 1
    first_ns = never_ns if chills.before_ns is None else chills.before_ns
    chilled = np.where(is_cold, mono_ns[1:], min(first_ns, never_ns))
    chilled[np.searchsorted(mono_ns[1:], chills.wiped_ns)] = chills.wiped_ns
    newest = np.maximum.accumulate(np.concatenate(([first_ns], chilled)))
    marks[mono_ns[:-1] - newest[:-1] < settle_ns] |= _SETTLING
    return int(newest[-1])
