"""A long series as a short one that looks the same: extremes and gaps stay, order stays.

The rows are cut into stretches of equal number. Of each stretch the first and the last row stay,
for each column the rows of its lowest and its highest value, and the first row at which it has
none. A line drawn through what stays covers, at the width of a stretch, the same pixels as one
through all rows (the idea of min-max decimation, common practice); a gap of any length breaks it.
There are as many stretches as fit; nothing is averaged, so every point drawn was read.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FEWEST = 20
"""Fewest points that can be asked for. [1]"""


def kept_rows(columns: Sequence[NDArray[np.float64]], *, points: int) -> NDArray[np.intp]:
    """Rows that stay, increasing; all of them where there are no more than ``points``.

    Parameters
    ----------
    columns : sequence of (n,) float64
        At most three, of one length; nan is a gap.
    points
        Most rows that may stay, at least ``FEWEST``. [1]

    Returns
    -------
    (m,) intp
        With m at most ``points``.
    """
    count = columns[0].size
    if count <= points:
        return np.arange(count)
    most, least = points // 2, 1
    best = _kept(columns, least)
    while least < most:
        middle = (least + most + 1) // 2
        found = _kept(columns, middle)
        if found.size <= points:
            best, least = found, middle
        else:
            most = middle - 1
    return best


def _kept(columns: Sequence[NDArray[np.float64]], stretches: int) -> NDArray[np.intp]:
    """Rows that stay for a number of stretches, which is less than that of the rows."""
    count = columns[0].size
    starts = np.linspace(0, count, stretches, endpoint=False).astype(np.intp)
    lengths = np.diff(np.append(starts, count))
    stretch = np.repeat(np.arange(stretches), lengths)
    found = [starts, starts + lengths - 1]
    for column in columns:
        is_gap = np.isnan(column)
        for values in (
            np.where(is_gap, np.inf, column),
            np.where(is_gap, np.inf, -column),
            np.where(is_gap, 0.0, 1.0),
        ):
            lowest = np.minimum.reduceat(values, starts)
            rows = np.flatnonzero(values == lowest[stretch])
            found.append(rows[np.searchsorted(rows, starts)])
    return np.unique(np.concatenate(found))


def spans(
    at_s: NDArray[np.float64], is_on: NDArray[np.bool_], *, joined_s: float
) -> list[tuple[float, float]]:
    """When something was on, from the first row that says so to the first that does not.

    Parameters
    ----------
    at_s : (n,) float64
        Time of each row, increasing. [s]
    is_on : (n,) bool
        Whether it was on then.
    joined_s
        A pause that is not longer is not told: it could not be seen. [s]
    """
    edges = np.diff(np.concatenate(([False], is_on, [False])).astype(np.int8))
    begins, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    found: list[tuple[float, float]] = []
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        from_s, to_s = float(at_s[begin]), float(at_s[min(end, at_s.size - 1)])
        if found and from_s - found[-1][1] <= joined_s:
            found[-1] = (found[-1][0], to_s)
        else:
            found.append((from_s, to_s))
    return found
