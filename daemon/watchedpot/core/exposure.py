"""Seconds and kelvin-seconds beyond an edge of the window, exact on straight lines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.series import Series
from watchedpot.core.snapshot import Activity, Exposure
from watchedpot.core.units import whole

ACTIVITIES = tuple(Activity)
"""Order of the activities in an account and of their codes in an array."""

_NOTHING = Exposure()

EMPTY_ACCOUNT = (_NOTHING,) * len(ACTIVITIES)
"""Nothing elapsed yet."""


def beyond(
    series: Series, edge_c: float, *, is_high: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Time and area beyond an edge in each step.

    Strictly beyond counts: a line that lies on the edge is inside the window. Where the line
    crosses the edge only the part beyond it counts, a triangle.

    Parameters
    ----------
    series : Series
        n + 1 rows, n steps.
    edge_c : float
        The edge. [degC]
    is_high : bool
        Whether beyond means above. [1]

    Returns
    -------
    time_ns : (n,) array
        Time beyond the edge; 0 in a blind step. [ns]
    area_nks : (n,) array
        Integral of the distance beyond the edge. [nano K s]

    Source
    ------
    Area of trapezium and triangle; the form of the temperature-time factor of ASTM C1074.

    Examples
    --------
    A rise from 90 to 110 in 10 s lies 5 s above 100, in a triangle of 10 K.

    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 10_000_000_000]), np.array([90.0, 110.0]),
    ...     np.array([True, True]), max_gap_ns=10_000_000_000)
    >>> time_ns, area_nks = beyond(series, 100.0, is_high=True)
    >>> time_ns.sum() / 1e9, area_nks.sum() / 1e9
    (np.float64(5.0), np.float64(25.0))
    """
    time_ns = np.zeros(series.step_ns.size, dtype=np.int64)
    if not series.may_pass(edge_c, is_high=is_high):
        return time_ns, time_ns
    area_nks = np.zeros_like(time_ns)
    depth = series.value - edge_c if is_high else edge_c - series.value
    is_out = depth > 0
    steps = np.flatnonzero((is_out[:-1] | is_out[1:]) & series.is_joined)
    if steps.size:
        start, end = depth[steps], depth[steps + 1]
        step_ns = series.step_ns[steps].astype(np.float64)
        height = np.maximum(start, 0.0) + np.maximum(end, 0.0)
        crosses = (start > 0) != (end > 0)
        out_ns = step_ns
        if crosses.any():
            out_ns = np.where(
                crosses, height / np.where(crosses, np.abs(end - start), 1.0) * step_ns, step_ns
            )
        time_ns[steps] = whole(out_ns)
        area_nks[steps] = whole(0.5 * height * out_ns)
    return time_ns, area_nks


def exposures(
    series: Series,
    activity: NDArray[np.int8],
    low: tuple[NDArray[np.int64], NDArray[np.int64]],
    high: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> tuple[Exposure, ...]:
    """Where the time of these steps went, split by activity.

    Parameters
    ----------
    series : Series
        n + 1 rows, n steps.
    activity : (n,) array
        Index into ``ACTIVITIES`` of each step, that of its first row. [1]
    low, high : pairs of (n,) arrays
        Time and area beyond each edge, as ``beyond`` gives them. [ns, nano K s]

    Returns
    -------
    tuple of Exposure
        One for each activity, in the order of ``ACTIVITIES``. [ns, nano K s]

    Source
    ------
    Definition: seen time is joined time, all other time is blind.

    Examples
    --------
    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 10]), np.array([99.0, 99.0]),
    ...     np.array([True, True]), max_gap_ns=10)
    >>> sides = beyond(series, 100.0, is_high=False), beyond(series, 110.0, is_high=True)
    >>> exposures(series, np.zeros(2, dtype=np.int8), *sides)[0].below_ns
    10
    """
    seen_ns = np.where(series.is_joined, series.step_ns, 0)
    columns = np.array((*low, *high, seen_ns, series.step_ns))
    parts = list(EMPTY_ACCOUNT)
    if (activity == activity[0]).all():
        parts[activity[0]] = _exposure(columns)
    else:
        for code in np.unique(activity).tolist():
            parts[code] = _exposure(columns[:, activity == code])
    return tuple(parts)


def _exposure(columns: NDArray[np.int64]) -> Exposure:
    """Sums of the columns of one activity."""
    below_ns, under_nks, above_ns, over_nks, seen_ns, elapsed_ns = columns.sum(axis=1).tolist()
    return Exposure(
        below_ns=below_ns,
        inside_ns=seen_ns - below_ns - above_ns,
        above_ns=above_ns,
        blind_ns=elapsed_ns - seen_ns,
        under_nks=under_nks,
        over_nks=over_nks,
    )


def add(account: Sequence[Exposure], part: Sequence[Exposure]) -> tuple[Exposure, ...]:
    """Sum of two accounts, activity by activity.

    Parameters
    ----------
    account, part : sequences of Exposure
        In the order of ``ACTIVITIES``. [ns, nano K s]

    Returns
    -------
    tuple of Exposure
        Exact, since all totals are integers. [ns, nano K s]

    Source
    ------
    Definition.

    Examples
    --------
    >>> add((Exposure(below_ns=1),), (Exposure(below_ns=2),))[0].below_ns
    3
    """
    return tuple(
        mine if new is _NOTHING else mine + new for mine, new in zip(account, part, strict=True)
    )


def total(account: Sequence[Exposure]) -> Exposure:
    """Sum over all activities.

    Parameters
    ----------
    account : sequence of Exposure
        Any number of parts. [ns, nano K s]

    Returns
    -------
    Exposure
        Their sum, exact. [ns, nano K s]

    Source
    ------
    Definition.

    Examples
    --------
    >>> total((Exposure(blind_ns=1), Exposure(blind_ns=2))).blind_ns
    3
    """
    return sum(account, start=Exposure())
