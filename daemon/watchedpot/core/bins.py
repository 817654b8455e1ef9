"""Rows into bins of two seconds: what a source said of its zones, small enough to be kept.

A bin is a stretch of the monotonic grid. It is finished by the first row behind it, of the same
source. All that is kept of it is whole numbers (mK, 0.01 %, ns), so that no cutting of a series
changes a bin. A stretch without rows is as many empty bins, up to ``LONGEST_GAP``: by then all
that was known is too old, and more of the same would say no more.

Of a bin whose rows lie further apart than heat can bring them, the row nearest to the bin before
speaks: a single wild value is no temperature.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import isfinite
from operator import add
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import Reason
from watchedpot.core.units import NANO, ns

Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]

BIN_S = 2
BIN_NS = BIN_S * NANO
"""Length of a bin: two rows at the usual poll of a second. [s, ns]"""

LONGEST_GAP = 16
"""Empty bins in a row that are kept. [1]"""

NONE_MK = -1_000_000
"""Stands where no temperature is known: below absolute zero. [mK]"""

NO_OUTPUT = -1
"""Stands where no heater output is known."""

RUN_BREAK_NS = ns(10.0)
"""A value that was not seen for so long begins a new run of equal values. [ns]"""

WILD_MK = 4000
"""Rows of one bin that differ by more are not joined by heat; common practice, no source. [mK]"""

BROKEN = np.isin(
    np.arange(len(Reason)),
    (Reason.STATUS, Reason.NULL, Reason.NOT_FINITE, Reason.FILL_VALUE, Reason.IMPLAUSIBLE),
)
"""Reasons that an open sensor gives, or a loose contact for a moment."""

_HIGHEST_C = 2500.0
_HIGHEST_OUTPUT = 200.0

_SUMS = ("rows", "good", "broken", "temp_mk", "outputs", "output", "flowing", "wiped", "charged")
_NEWEST = (
    *("setpoint_mk", "room_mk", "phase", "producing", "reason"),
    *("still_ns", "out_still_ns", "step_mk"),
)
_RANGES = ("lowest_mk", "highest_mk")
COLUMNS = (*_SUMS, *_NEWEST, *_RANGES)
_PLACE = {name: place for place, name in enumerate(COLUMNS)}
_FAR = 2**40  # beyond any temperature in mK


@dataclass(frozen=True, slots=True)
class Run:
    """A value and since when it is the same.

    Attributes
    ----------
    value
        In mK or 0.01 %; ``NONE_MK`` before the first.
    since_ns, seen_ns
        First and newest row that showed it. [ns]
    step
        Least difference between two values that followed each other, 0 before there was one.
    """

    value: int = NONE_MK
    since_ns: int = 0
    seen_ns: int = 0
    step: int = 0


@dataclass(frozen=True, slots=True)
class OpenBin:
    """The bin under way of one source.

    Attributes
    ----------
    index
        Its place on the grid.
    columns
        Of each zone, as in ``COLUMNS``.
    temps, outs
        Runs of equal values of each zone.
    skew_ns
        UTC minus monotonic time at the newest row. [ns]
    jump_ns
        The largest step of that within the bin. [ns]
    before_mk
        Temperature of each zone in the bin before. [mK]
    """

    index: int
    columns: tuple[tuple[int, ...], ...]
    temps: tuple[Run, ...]
    outs: tuple[Run, ...]
    skew_ns: int
    jump_ns: int
    before_mk: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ZoneInput:
    """What the rows of a block say of one zone, n of them.

    Attributes
    ----------
    temp_c, is_good : (n,)
        The reading. [degC]
    output : (n,)
        Heater output, nan where not known. [%]
    setpoint_c, room_c : (n,)
        nan where not known. [degC]
    phase : (n,)
        A code of ours.
    reason : (n,)
        Why a row is not good; of no account where it is.
    """

    temp_c: NDArray[np.float64]
    is_good: Bools
    output: NDArray[np.float64]
    setpoint_c: NDArray[np.float64]
    room_c: NDArray[np.float64]
    phase: NDArray[np.int8]
    reason: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class CellInput:
    """What the rows of a block say of the cell, n of them.

    Attributes
    ----------
    flowing, wiped, producing, charged : (n,) bool
        Whether melt flows, the tip is being wiped, the cell is in production, its charge is new.
    """

    mono_ns: Ints
    seen_ns: Ints
    flowing: Bools
    wiped: Bools
    producing: Bools
    charged: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Finished bins of m zones, k of them, in order.

    Attributes
    ----------
    index : (k,) int64
        Places on the grid.
    row : (k,) int64
        The row of the block that finished each, counted from 0.
    jump_ns : (k,) int64
        Largest step between the clocks in each. [ns]
    columns : dict of (m, k) int64
        As in ``COLUMNS``; ``temp_mk`` and ``output`` are means, ``NONE_MK`` and ``NO_OUTPUT``
        where nothing is known.
    """

    index: Ints
    row: Ints
    jump_ns: Ints
    columns: dict[str, Ints] = field(default_factory=dict)

    def __getattr__(self, name: str) -> Ints:
        try:
            return self.columns[name]
        except KeyError:
            raise AttributeError(name) from None

    def __len__(self) -> int:
        return int(self.index.size)

    def part(self, start: int, stop: int) -> Bins:
        """Some of them."""
        return Bins(
            self.index[start:stop],
            self.row[start:stop],
            self.jump_ns[start:stop],
            {name: column[:, start:stop] for name, column in self.columns.items()},
        )


class Binned(NamedTuple):
    """The bins that a block finished, and the one that it left under way."""

    bins: Bins
    under_way: OpenBin


def fill_bins(before: OpenBin | None, cell: CellInput, zones: list[ZoneInput]) -> Binned:
    """The rows of a block in bins.

    Parameters
    ----------
    before : OpenBin or None
        The bin under way before; None before the first row of this source.
    cell : CellInput
        n >= 1 rows, later than all before.
    zones : list of ZoneInput
        At least one zone, the same as in ``before``.
    """
    mono_ns = cell.mono_ns
    if before is not None and mono_ns.size == 1:
        return _fill_with_one(before, cell, zones)
    place = mono_ns // BIN_NS
    columns, temps, outs = _columns(before, cell, zones)
    skew_ns = cell.seen_ns - mono_ns
    first_ns = before.skew_ns if before is not None else int(skew_ns[0])
    jumps_ns = np.abs(np.diff(skew_ns, prepend=first_ns))
    starts = np.flatnonzero(np.concatenate(([True], place[1:] != place[:-1])))
    found = _reduced(columns, starts, mono_ns.size)
    jump_ns = np.maximum.reduceat(jumps_ns, starts)
    index, row = place[starts], starts
    if before is not None:
        carried = np.array(before.columns, dtype=np.int64)
        if before.index == index[0]:
            found[:, :, 0] = _merged(carried, found[:, :, 0])
            jump_ns[0] = max(int(jump_ns[0]), before.jump_ns)
        else:
            found = np.concatenate((carried[:, :, None], found), axis=2)
            index = np.concatenate(([before.index], index))
            # The bin before was finished by the first row.
            row = np.concatenate(([0], row))
            jump_ns = np.concatenate(([before.jump_ns], jump_ns))
    before_mk = (NONE_MK,) * len(zones) if before is None else before.before_mk
    bins = _spread(index, row, jump_ns, found, before_mk)
    if len(bins):
        before_mk = tuple(bins.temp_mk[:, -1].tolist())
    under_way = OpenBin(
        int(index[-1]),
        tuple(tuple(zone) for zone in found[:, :, -1].tolist()),
        tuple(temps),
        tuple(outs),
        int(skew_ns[-1]),
        int(jump_ns[-1]),
        before_mk,
    )
    return Binned(bins, under_way)


def _columns(
    before: OpenBin | None, cell: CellInput, zones: list[ZoneInput]
) -> tuple[Ints, list[Run], list[Run]]:
    """The rows as whole numbers (m, columns, n), and the runs of equal values behind them."""
    size = cell.mono_ns.size
    columns = np.empty((len(zones), len(COLUMNS), size), dtype=np.int64)
    temps, outs = list[Run](), list[Run]()
    flowing, wiped = cell.flowing, cell.wiped
    for place, zone in enumerate(zones):
        is_good = zone.is_good
        temp_mk = _milli(zone.temp_c, is_good)
        has_output = np.isfinite(zone.output)
        output = np.where(has_output, np.clip(zone.output, 0.0, _HIGHEST_OUTPUT), 0.0)
        output = np.rint(100.0 * output).astype(np.int64)
        still_ns, step_mk, run = _runs(
            before.temps[place] if before is not None else Run(), cell.mono_ns, temp_mk, is_good
        )
        temps.append(run)
        out_still_ns, _, run = _runs(
            before.outs[place] if before is not None else Run(), cell.mono_ns, output, has_output
        )
        outs.append(run)
        told = np.isfinite(zone.setpoint_c)
        known = np.isfinite(zone.room_c)
        for name, column in (
            ("rows", 1),
            ("good", is_good),
            ("broken", ~is_good & BROKEN[zone.reason]),
            ("temp_mk", np.where(is_good, temp_mk, 0)),
            ("outputs", has_output),
            ("output", output),
            ("flowing", flowing),
            ("wiped", wiped),
            ("charged", cell.charged),
            ("setpoint_mk", np.where(told, _milli(zone.setpoint_c, told), NONE_MK)),
            ("room_mk", np.where(known, _milli(zone.room_c, known), NONE_MK)),
            ("phase", zone.phase),
            ("producing", cell.producing),
            ("reason", np.where(is_good, 0, zone.reason)),
            ("still_ns", still_ns),
            ("out_still_ns", out_still_ns),
            ("step_mk", step_mk),
            ("lowest_mk", np.where(is_good, temp_mk, _FAR)),
            ("highest_mk", np.where(is_good, temp_mk, -_FAR)),
        ):
            columns[place, _PLACE[name]] = column
    return columns, temps, outs


def _milli(value: NDArray[np.float64], is_known: Bools) -> Ints:
    """Thousandths, whole; 0 where not known."""
    clipped = np.clip(np.where(is_known, value, 0.0), -_HIGHEST_C, _HIGHEST_C)
    return np.rint(1000.0 * clipped).astype(np.int64)


def _runs(before: Run, mono_ns: Ints, value: Ints, is_known: Bools) -> tuple[Ints, Ints, Run]:
    """Of each row how long its value is the same and the least step so far, and the run then.

    Both are 0 where no value, or no step, is known.
    """
    still_ns = np.zeros(mono_ns.size, dtype=np.int64)
    least = np.full(mono_ns.size, before.step, dtype=np.int64)
    rows = np.flatnonzero(is_known)
    if not rows.size:
        return still_ns, least, before
    at_ns, values = mono_ns[rows], value[rows]
    gaps_ns = np.diff(at_ns, prepend=before.seen_ns)
    steps = np.abs(np.diff(values, prepend=before.value))
    is_new = (steps != 0) | (gaps_ns > RUN_BREAK_NS)
    if before.value == NONE_MK:
        is_new[0], steps[0] = True, 0
    newest = np.maximum.accumulate(np.where(is_new, np.arange(rows.size), -1))
    since_ns = np.where(newest >= 0, at_ns[newest], before.since_ns)
    still_ns[rows] = at_ns - since_ns
    smallest = np.full(mono_ns.size + 1, _FAR, dtype=np.int64)
    smallest[0] = before.step or _FAR
    smallest[rows + 1] = np.where(steps > 0, steps, _FAR)
    smallest = np.minimum.accumulate(smallest)[1:]
    least = np.where(smallest < _FAR, smallest, 0)
    run = Run(int(values[-1]), int(since_ns[-1]), int(at_ns[-1]), int(least[-1]))
    return still_ns, least, run


def _fill_with_one(before: OpenBin, cell: CellInput, zones: list[ZoneInput]) -> Binned:
    """The same of a single row, as a live cell brings it: most of them finish no bin.

    Whole numbers without arrays take a tenth of the time.
    """
    mono_ns = int(cell.mono_ns[0])
    index, skew_ns = mono_ns // BIN_NS, int(cell.seen_ns[0]) - mono_ns
    jump_ns = abs(skew_ns - before.skew_ns)
    rows, temps, outs = list[tuple[int, ...]](), list[Run](), list[Run]()
    for zone, temp, out in zip(zones, before.temps, before.outs, strict=True):
        row, temp_after, out_after = _row(temp, out, mono_ns, cell, zone)
        rows.append(row)
        temps.append(temp_after)
        outs.append(out_after)
    before_mk = before.before_mk
    if index == before.index:
        bins = _no_bins(len(zones))
        rows = [_row_added(bin_, row) for bin_, row in zip(before.columns, rows, strict=True)]
        jump_ns = max(jump_ns, before.jump_ns)
    else:
        bins = (
            _finished(before)
            if index == before.index + 1
            else _spread(
                np.array([before.index, index], dtype=np.int64),
                np.zeros(2, dtype=np.int64),
                np.array([before.jump_ns, jump_ns], dtype=np.int64),
                np.array([before.columns, rows], dtype=np.int64).transpose(1, 2, 0),
                before_mk,
            )
        )
        before_mk = tuple(bins.temp_mk[:, -1].tolist())
    under_way = OpenBin(index, tuple(rows), tuple(temps), tuple(outs), skew_ns, jump_ns, before_mk)
    return Binned(bins, under_way)


def _finished(under_way: OpenBin) -> Bins:
    """A bin that the first row behind it finished, with no empty one in between."""
    means = [
        _with_means(*pair) for pair in zip(under_way.columns, under_way.before_mk, strict=True)
    ]
    values = np.array(means, dtype=np.int64)
    return Bins(
        np.array([under_way.index], dtype=np.int64),
        np.zeros(1, dtype=np.int64),
        np.array([under_way.jump_ns], dtype=np.int64),
        {name: values[:, place : place + 1] for name, place in _PLACE.items()},
    )


def _with_means(columns: tuple[int, ...], before_mk: int) -> tuple[int, ...]:
    """Sums of a zone as means, its wild values tamed."""
    rows, good, broken, temp_mk, outputs, output, *others = columns
    low_mk, high_mk = columns[-2:]
    temp_mk = temp_mk // good if good else NONE_MK
    if good and high_mk - low_mk > WILD_MK and before_mk != NONE_MK:
        temp_mk = min(max(before_mk, low_mk), high_mk)
    output = output // outputs if outputs else NO_OUTPUT
    return (rows, good, broken, temp_mk, outputs, output, *others)


def _row(
    temp: Run, out: Run, mono_ns: int, cell: CellInput, zone: ZoneInput
) -> tuple[tuple[int, ...], Run, Run]:
    """A single row of a zone as in ``COLUMNS``, and its runs of equal values."""
    is_good, output, reason = zone.is_good.item(0), zone.output.item(0), zone.reason.item(0)
    is_broken = not is_good and BROKEN.item(reason)
    setpoint_c, room_c = zone.setpoint_c.item(0), zone.room_c.item(0)
    temp_mk = _milli_of_one(zone.temp_c.item(0)) if is_good else 0
    has_output = isfinite(output)
    output = round(100.0 * min(max(output, 0.0), _HIGHEST_OUTPUT)) if has_output else 0
    temp = _run_after(temp, mono_ns, temp_mk) if is_good else temp
    out = _run_after(out, mono_ns, output) if has_output else out
    row = (
        *(1, int(is_good), int(is_broken), temp_mk, int(has_output), output),
        *(int(cell.flowing.item(0)), int(cell.wiped.item(0)), int(cell.charged.item(0))),
        _milli_of_one(setpoint_c) if isfinite(setpoint_c) else NONE_MK,
        _milli_of_one(room_c) if isfinite(room_c) else NONE_MK,
        *(zone.phase.item(0), int(cell.producing.item(0)), 0 if is_good else reason),
        mono_ns - temp.since_ns if is_good else 0,
        mono_ns - out.since_ns if has_output else 0,
        temp.step,
        temp_mk if is_good else _FAR,
        temp_mk if is_good else -_FAR,
    )
    return row, temp, out


def _milli_of_one(value: float) -> int:
    """Thousandths, whole."""
    return round(1000.0 * min(max(value, -_HIGHEST_C), _HIGHEST_C))


def _run_after(before: Run, now_ns: int, value: int) -> Run:
    """A run of equal values after one more."""
    moved, is_first = abs(value - before.value), before.value == NONE_MK
    if is_first or not moved:
        is_new, step = is_first or now_ns - before.seen_ns > RUN_BREAK_NS, before.step
    else:
        is_new, step = True, min(before.step or moved, moved)
    return Run(value, now_ns if is_new else before.since_ns, now_ns, step)


def _row_added(before: tuple[int, ...], row: tuple[int, ...]) -> tuple[int, ...]:
    """A bin under way with one more row."""
    sums, low, high = len(_SUMS), min(before[-2], row[-2]), max(before[-1], row[-1])
    return (*map(add, before[:sums], row[:sums]), *row[sums:-2], low, high)


@cache
def _no_bins(zones: int) -> Bins:
    """No finished bin."""
    none = np.zeros(0, dtype=np.int64)
    return Bins(none, none, none, {name: np.zeros((zones, 0), dtype=np.int64) for name in COLUMNS})


def _reduced(columns: Ints, starts: NDArray[np.intp], size: int) -> Ints:
    """Columns of rows as columns of bins (m, columns, bins)."""
    last = np.concatenate((starts[1:], [size])) - 1
    sums, newest = len(_SUMS), len(_SUMS) + len(_NEWEST)
    return np.concatenate(
        (
            np.add.reduceat(columns[:, :sums], starts, axis=2),
            columns[:, sums:newest][:, :, last],
            np.minimum.reduceat(columns[:, newest : newest + 1], starts, axis=2),
            np.maximum.reduceat(columns[:, newest + 1 :], starts, axis=2),
        ),
        axis=1,
    )


def _merged(before: Ints, after: Ints) -> Ints:
    """Two parts of one bin (m, columns) as one."""
    sums, newest = len(_SUMS), len(_SUMS) + len(_NEWEST)
    return np.concatenate(
        (
            before[:, :sums] + after[:, :sums],
            after[:, sums:newest],
            np.minimum(before[:, newest : newest + 1], after[:, newest : newest + 1]),
            np.maximum(before[:, newest + 1 :], after[:, newest + 1 :]),
        ),
        axis=1,
    )


def _spread(index: Ints, row: Ints, jump_ns: Ints, found: Ints, before_mk: tuple[int, ...]) -> Bins:
    """The finished bins with the empty ones behind them; the last one is under way."""
    behind = np.minimum(np.diff(index), LONGEST_GAP + 1)
    total = int(behind.sum())
    source = np.repeat(np.arange(index.size - 1), behind)
    nth = np.arange(total) - np.repeat(np.cumsum(behind) - behind, behind)
    is_empty = nth > 0
    columns = {name: found[:, place, source] for name, place in _PLACE.items()}
    for name in (*_SUMS, "reason"):
        columns[name] = np.where(is_empty, 0, columns[name])
    good, outputs = columns["good"], columns["outputs"]
    mean_mk = columns["temp_mk"] // np.maximum(good, 1)
    mean = columns["output"] // np.maximum(outputs, 1)
    columns["temp_mk"] = np.where(good > 0, mean_mk, NONE_MK)
    columns["output"] = np.where(outputs > 0, mean, NO_OUTPUT)
    for name in ("still_ns", "out_still_ns"):
        columns[name] = np.where(is_empty, 0, columns[name])
    is_wild = (columns["highest_mk"] - columns["lowest_mk"] > WILD_MK) & (good > 0)
    for zone, place in zip(*np.nonzero(is_wild), strict=True):
        _tame(columns, int(zone), int(place), before_mk)
    return Bins(
        index[source] + nth,
        row[1:][source],
        np.where(is_empty, 0, jump_ns[source]),
        columns,
    )


def _tame(columns: dict[str, Ints], zone: int, place: int, before_mk: tuple[int, ...]) -> None:
    """Let the row nearest to the bin before speak for a bin that heat cannot explain."""
    low, high = (int(columns[name][zone, place]) for name in _RANGES)
    before = int(columns["temp_mk"][zone, place - 1]) if place else before_mk[zone]
    if before != NONE_MK:
        columns["temp_mk"][zone, place] = min(max(before, low), high)
