"""Order, gaps and edges: one channel's readings as a line that is broken where nothing is known.

Two neighbouring good readings at most ``max_gap`` apart are joined by a straight line. Every
other step is blind: no crossing is looked for in it and nothing is credited to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import Quality

_GOOD = int(Quality.GOOD)

LOWEST_C = -270.0
HIGHEST_C = 2500.0
"""Outside these no thermometer in use reads (IEC 60584-1 types reach from -270 to 2315 degC)."""


@dataclass(frozen=True, slots=True)
class Sample:
    """The newest row of a channel, carried from block to block.

    Attributes
    ----------
    value
        Its value, 0.0 unless good.
    """

    mono_ns: int
    value: float
    is_good: bool


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Rows of one channel, the carried sample first.

    Attributes
    ----------
    mono_ns : (n + 1,) int64
        Time of each row, increasing. [ns]
    value : (n + 1,) float64
        0.0 where not good.
    is_good : (n + 1,) bool
        Whether the row may be believed.
    step_ns : (n,) int64
        Time from each row to the next. [ns]
    is_joined : (n,) bool
        Whether the step is a straight line; blind otherwise.
    lowest, highest
        Range of ``value``, by which most limits are known at once to be out of reach.
    """

    mono_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    is_good: NDArray[np.bool_]
    step_ns: NDArray[np.int64]
    is_joined: NDArray[np.bool_]
    lowest: float
    highest: float

    def may_pass(self, limit: float, *, is_high: bool) -> bool:
        """Whether some value can lie strictly beyond a limit; only a no is certain."""
        return not (self.highest <= limit if is_high else self.lowest >= limit)

    @property
    def last(self) -> Sample:
        """The newest row."""
        return Sample(int(self.mono_ns[-1]), float(self.value[-1]), bool(self.is_good[-1]))


def believable(value: NDArray[np.float64], quality: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which temperatures count: good, finite, and within what any thermometer can read.

    Parameters
    ----------
    value : (n,) array
        Temperatures, nan where there is none. [degC]
    quality : (n,) array
        A ``Quality`` each. [1]

    Returns
    -------
    (n,) array of bool
        True where the reading may be used; nan and infinity never are. [1]

    Source
    ------
    Range of the thermocouples of IEC 60584-1, from memory.

    Examples
    --------
    >>> believable(np.array([120.0, 120.0, np.nan]), np.array([0, 2, 0], dtype=np.uint8)).tolist()
    [True, False, False]
    """
    # A comparison with nan is false, so nan and infinity fall out here.
    is_good: NDArray[np.bool_] = quality == _GOOD
    return is_good & (value >= LOWEST_C) & (value <= HIGHEST_C)


def continue_series(
    before: Sample | None,
    mono_ns: NDArray[np.int64],
    value: NDArray[np.float64],
    is_good: NDArray[np.bool_],
    *,
    max_gap_ns: int,
) -> Series:
    """New rows behind the carried one.

    Parameters
    ----------
    before : Sample or None
        The newest row so far; None for the first rows ever, whose account opens with them.
    mono_ns : (n,) array, n >= 1
        Times, increasing and later than ``before``. [ns]
    value : (n,) array
        Values. [any]
    is_good : (n,) array
        Which of them count. [1]
    max_gap_ns : int
        Longest step that is joined. [ns]

    Returns
    -------
    Series
        n + 1 rows and the n steps between them.

    Source
    ------
    Stricter than the simple bounds of OPC UA Part 13, which hold a good value up to a bad one.

    Examples
    --------
    >>> series = continue_series(None, np.array([0, 1]), np.array([1.0, 2.0]),
    ...     np.array([True, True]), max_gap_ns=1)
    >>> series.is_joined.tolist()
    [False, True]
    """
    first = before if before is not None else Sample(int(mono_ns[0]), 0.0, is_good=False)
    times = np.concatenate(([first.mono_ns], mono_ns))
    good = np.concatenate(([first.is_good], is_good))
    values = np.concatenate(([first.value], np.where(is_good, value, 0.0)))
    step_ns = times[1:] - times[:-1]
    return Series(
        times,
        values,
        good,
        step_ns,
        good[:-1] & good[1:] & (step_ns <= max_gap_ns),
        float(values.min()),
        float(values.max()),
    )


@dataclass(frozen=True, slots=True)
class Level:
    """A limit with a deadband on the way back.

    Attributes
    ----------
    limit, clear
        Strictly beyond ``limit`` is beyond; at or inside ``clear`` is back.
    is_high
        Whether beyond means above.
    """

    limit: float
    clear: float
    is_high: bool


def level(limit: float, *, deadband: float, is_high: bool) -> Level:
    """A limit that clears ``deadband`` inside of it.

    Parameters
    ----------
    limit : float
        Strictly beyond it is beyond. [any]
    deadband : float
        How far inside it clears. [same]
    is_high : bool
        Whether beyond means above. [1]

    Returns
    -------
    Level
        The limit and where it clears. [same]

    Source
    ------
    Definition of a deadband that acts on the return only: OPC 10000-9, annex B.

    Examples
    --------
    >>> level(115.0, deadband=1.0, is_high=False).clear
    116.0
    """
    return Level(limit, limit - deadband if is_high else limit + deadband, is_high)


@dataclass(frozen=True, slots=True)
class Edge:
    """A change of a condition.

    Attributes
    ----------
    at_ns
        When it happened on the straight line, or at the row where a gap lies before. [ns]
    row
        Index of the row that shows it.
    is_on
        Whether the condition began.
    """

    at_ns: int
    row: int
    is_on: bool


def _forward_filled(marks: NDArray[np.int8]) -> NDArray[np.int8]:
    """Each 0 replaced by the newest mark before it; the first mark is never 0."""
    newest = np.maximum.accumulate(np.where(marks != 0, np.arange(marks.size), 0))
    return marks[newest]


def level_edges(series: Series, level: Level, *, is_beyond: bool) -> tuple[Edge, ...]:
    """Crossings of a level with hysteresis, exact on the straight lines.

    Between ``limit`` and ``clear`` nothing changes, and a row that is not good changes nothing:
    not seeing is not being well.

    Parameters
    ----------
    series : Series
        n + 1 rows.
    level : Level
        The limit and where it clears.
    is_beyond : bool
        The condition at the first, carried row. [1]

    Returns
    -------
    tuple of Edge
        In time order; times rounded to whole ns. [ns]

    Source
    ------
    Deadband on the return only: OPC 10000-9 (Alarms and Conditions), annex B.

    Examples
    --------
    >>> series = continue_series(None, np.array([0, 10, 20]), np.array([90.0, 110.0, 98.0]),
    ...     np.array([True, True, True]), max_gap_ns=10)
    >>> [(e.at_ns, e.is_on) for e in level_edges(series, level(100.0, deadband=1.0, is_high=True),
    ...     is_beyond=False)]
    [(5, True), (19, False)]
    """
    if not is_beyond and not series.may_pass(level.limit, is_high=level.is_high):
        return ()
    if is_beyond and (
        series.lowest > level.clear if level.is_high else series.highest < level.clear
    ):
        return ()
    beyond, back = (
        (series.value > level.limit, series.value <= level.clear)
        if level.is_high
        else (series.value < level.limit, series.value >= level.clear)
    )
    beyond &= series.is_good
    back &= series.is_good
    marks = beyond.astype(np.int8) - back.astype(np.int8)
    marks[0] = 1 if is_beyond else -1
    held = _forward_filled(marks)
    rows = np.flatnonzero(held[1:] != held[:-1]) + 1
    return tuple(_edge(series, level, int(row), is_on=bool(held[row] > 0)) for row in rows)


def _edge(series: Series, level: Level, row: int, *, is_on: bool) -> Edge:
    """When the condition changed between a row and the one before."""
    after_ns = int(series.mono_ns[row])
    if not series.is_joined[row - 1]:
        return Edge(after_ns, row, is_on)
    before, after = float(series.value[row - 1]), float(series.value[row])
    crossed = level.limit if is_on else level.clear
    # A limit that was moved between the two rows may lie on neither side of the line.
    share = (after - crossed) / (after - before) if after != before else 0.0
    back_ns = round(min(max(share, 0.0), 1.0) * int(series.step_ns[row - 1]))
    return Edge(after_ns - back_ns, row, is_on)


def sight_edges(series: Series) -> tuple[Edge, ...]:
    """When the channel came into sight (on) and was lost (off).

    Sight ends at the last good row before a blind step, not when the step is noticed: nothing
    after the last good reading is credited.

    Parameters
    ----------
    series : Series
        n + 1 rows.

    Returns
    -------
    tuple of Edge
        In the order in which the rows show them. [ns]

    Source
    ------
    OPC 10000-13 credits nothing after the last good sample either (worked examples, tail).

    Examples
    --------
    >>> series = continue_series(None, np.array([0, 1, 2]), np.array([1.0, 1.0, 1.0]),
    ...     np.array([True, False, True]), max_gap_ns=5)
    >>> [(e.at_ns, e.row, e.is_on) for e in sight_edges(series)]
    [(0, 1, True), (0, 2, False), (2, 3, True)]
    """
    if series.is_joined.all():
        return ()
    edges = []
    for before in np.flatnonzero(~series.is_joined):
        row = int(before) + 1
        if series.is_good[row - 1]:
            edges.append(Edge(int(series.mono_ns[row - 1]), row, is_on=False))
        if series.is_good[row]:
            edges.append(Edge(int(series.mono_ns[row]), row, is_on=True))
    return tuple(edges)


@dataclass(frozen=True, slots=True)
class Held:
    """The newest good value of a signal that keeps its value between readings."""

    mono_ns: int
    value: float


def hold(
    before: Held | None,
    mono_ns: NDArray[np.int64],
    value: NDArray[np.float64],
    is_good: NDArray[np.bool_],
    *,
    limit_ns: int,
) -> NDArray[np.float64]:
    """Newest good value at each row, while it is young enough.

    Parameters
    ----------
    before : Held or None
        The newest good value before these rows.
    mono_ns, value, is_good : (n,) arrays
        The rows. [ns, any, 1]
    limit_ns : int
        Age at which a value no longer says anything. [ns]

    Returns
    -------
    (n,) array
        nan where nothing is known. [same]

    Source
    ------
    Stepped interpolation of OPC 10000-13, bounded in age.

    Examples
    --------
    >>> hold(None, np.array([0, 1, 9]), np.array([1.0, 0.0, 0.0]),
    ...     np.array([True, False, False]), limit_ns=5).tolist()
    [1.0, 1.0, nan]
    """
    if is_good.all():
        return value
    newest = np.maximum.accumulate(np.where(is_good, np.arange(mono_ns.size), -1))
    carried_ns, carried = (before.mono_ns, before.value) if before else (0, np.nan)
    known = newest >= 0
    at_ns = np.where(known, mono_ns[newest], carried_ns)
    held = np.where(known, value[newest], carried)
    return np.where(mono_ns - at_ns <= limit_ns, held, np.nan)


def newest_good(
    before: Held | None,
    mono_ns: NDArray[np.int64],
    value: NDArray[np.float64],
    is_good: NDArray[np.bool_],
) -> Held | None:
    """The newest good value after these rows.

    Parameters
    ----------
    before : Held or None
        The newest before them.
    mono_ns, value, is_good : (n,) arrays
        The rows. [ns, any, 1]

    Returns
    -------
    Held or None
        None while there was none.

    Source
    ------
    Definition.

    Examples
    --------
    >>> newest_good(None, np.array([3]), np.array([7.0]), np.array([True]))
    Held(mono_ns=3, value=7.0)
    """
    row = -1
    if not is_good[-1]:
        rows = np.flatnonzero(is_good)
        if not rows.size:
            return before
        row = int(rows[-1])
    return Held(int(mono_ns[row]), float(value[row]))
