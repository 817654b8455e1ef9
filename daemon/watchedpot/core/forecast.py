"""When a zone leaves its window, if it goes on as it does: a first-order course through its bins.

The course is fitted to the newest bins as it is seen, with no word of heater or room: a reading
that nears some temperature exponentially loses the same share of its distance in equal times.
Where the bend is too slight to be told from the scatter the course is a straight line, which
is the stricter of the two.
"""

from __future__ import annotations

from math import hypot, inf, log, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.snapshot import LeavingSnapshot

LEAST_SAMPLES = 8
"""Fewer say nothing of a course. [1]"""

LONGEST_S = 1800.0
"""Further ahead nothing is said; common practice, no source. [s]"""

SIGNIFICANT = 6.0
"""How many times its own uncertainty a slope must be. [1]"""

LONGEST_TAU_S = 20_000.0
"""A longer time constant is a straight line for all that is seen of it. [s]"""


class Course(NamedTuple):
    """A first-order course: ``toward + (now - toward) * exp(-t / tau)``.

    Attributes
    ----------
    now_c, toward_c
        At the newest sample, and in the end. [degC]
    rate
        Slope now. [K/s]
    rate_error
        Uncertainty of the slope, one standard deviation. [K/s]
    time_constant_s
        [s]
    """

    now_c: float
    toward_c: float
    rate: float
    rate_error: float
    time_constant_s: float


def course(time_s: NDArray[np.float64], temp_c: NDArray[np.float64]) -> Course | None:
    """The first-order course that samples follow; None where they do not move enough to tell.

    Parameters
    ----------
    time_s : (n,) array
        Times, increasing. [s]
    temp_c : (n,) array
        Temperatures. [degC]

    Returns
    -------
    Course or None
        The time constant from the slopes of the two halves of the samples, the rest by least
        squares.

    Source
    ------
    Least squares; in a first-order course slopes fall by ``exp(-t / tau)`` (derivative of its
    closed form).

    Examples
    --------
    >>> time_s = np.arange(0.0, 60.0, 2.0)
    >>> found = course(time_s, 23.0 + 92.0 * np.exp(-time_s / 800.0))
    >>> round(found.rate, 3)
    -0.107
    """
    if time_s.size < LEAST_SAMPLES:
        return None
    back_s = time_s - time_s[-1]
    now_c, rate, rate_error = _line(back_s, temp_c)
    if abs(rate) < SIGNIFICANT * rate_error:
        return None
    tau_s = _time_constant_s(back_s, temp_c)
    if tau_s is None:
        return Course(now_c, now_c + rate * LONGEST_TAU_S, rate, rate_error, LONGEST_TAU_S)
    shape = np.exp(-back_s / tau_s)
    steepness, toward_c = np.polyfit(shape, temp_c, 1).tolist()
    bent = -steepness / tau_s
    return Course(toward_c + steepness, toward_c, bent, rate_error, tau_s)


def _time_constant_s(back_s: NDArray[np.float64], temp_c: NDArray[np.float64]) -> float | None:
    """By how much the slope fell from the first half to the second; None where that is noise."""
    half = back_s.size // 2
    first, second = slice(0, half), slice(back_s.size - half, back_s.size)
    _, before, before_error = _line(back_s[first], temp_c[first])
    _, after, after_error = _line(back_s[second], temp_c[second])
    apart_s = float(back_s[second].mean() - back_s[first].mean())
    is_bent = abs(before) - abs(after) > 3.0 * hypot(before_error, after_error)
    if before * after <= 0.0 or not is_bent:
        return None
    tau_s = apart_s / log(before / after)
    return tau_s if tau_s < LONGEST_TAU_S else None


def _line(time_s: NDArray[np.float64], temp_c: NDArray[np.float64]) -> tuple[float, float, float]:
    """Value at time 0 [degC], slope and the slope's standard deviation [K/s]."""
    off_s = time_s - time_s.mean()
    spread = float(off_s @ off_s)
    rate = float(off_s @ temp_c) / spread
    mean_c = float(temp_c.mean())
    left = temp_c - mean_c - rate * off_s
    # Readings are rounded: the scatter is never taken for less than a hundredth of a kelvin.
    variance = max(float(left @ left) / (time_s.size - 2), 1e-4)
    return mean_c - rate * float(time_s.mean()), rate, sqrt(variance / spread)


def crossing_s(found: Course, limit_c: float, *, rate: float) -> float:
    """How long a course takes to a limit; infinite if it never gets there.

    Parameters
    ----------
    found : Course
        The course.
    limit_c : float
        The limit. [degC]
    rate : float
        Slope now, in place of that of the course. [K/s]

    Returns
    -------
    float
        From the newest sample on. [s]

    Source
    ------
    Closed form of the first-order response.

    Examples
    --------
    >>> found = Course(118.0, 18.0, -0.1, 0.0, 1000.0)
    >>> round(crossing_s(found, 115.0, rate=-0.1), 1)
    30.5
    """
    away_k, gone_k = rate * found.time_constant_s, limit_c - found.now_c
    if away_k == 0.0 or gone_k / away_k >= 1.0 or gone_k / away_k < 0.0:
        return inf
    return -found.time_constant_s * log(1.0 - gone_k / away_k)


def leaving(
    time_s: NDArray[np.float64],
    temp_c: NDArray[np.float64],
    *,
    low_c: float,
    high_c: float,
) -> LeavingSnapshot | None:
    """When a zone leaves its window; None unless it is inside and on its way out.

    Parameters
    ----------
    time_s, temp_c : (n,) arrays
        The newest samples. [s, degC]
    low_c, high_c : float
        The window. [degC]

    Returns
    -------
    LeavingSnapshot or None
        The range is that of the slope plus and minus twice its uncertainty; its late end is at
        most ``LONGEST_S``.

    Source
    ------
    Closed form of the first-order response.

    Examples
    --------
    >>> time_s = np.arange(0.0, 30.0, 2.0)
    >>> round(leaving(time_s, 120.0 - 0.1 * time_s, low_c=115.0, high_c=126.0).in_s)
    22
    """
    found = course(time_s, temp_c)
    if found is None or not low_c <= found.now_c <= high_c:
        return None
    edge, limit_c = ("low", low_c) if found.rate < 0.0 else ("high", high_c)
    in_s = crossing_s(found, limit_c, rate=found.rate)
    if in_s > LONGEST_S:
        return None
    spread = 2.0 * found.rate_error
    ends_s = [crossing_s(found, limit_c, rate=found.rate + sign * spread) for sign in (-1.0, 1.0)]
    return LeavingSnapshot(
        edge=edge,
        in_s=in_s,
        earliest_s=min(in_s, *ends_s),
        latest_s=min(max(in_s, *ends_s), LONGEST_S),
        toward_c=found.toward_c,
        time_constant_s=found.time_constant_s,
    )
