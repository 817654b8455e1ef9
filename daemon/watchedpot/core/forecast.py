"""When a zone leaves its window, if it goes on as it does: a first-order course through its bins.

The course is fitted to the newest bins as it is seen, with no word of heater or room: a reading
that nears some temperature exponentially loses the same share of its distance in equal times.
Where the bend is too slight to be told from the scatter the course is a straight line, which
is the stricter of the two.
"""

from __future__ import annotations

from math import inf, log, sqrt
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
        The curvature is that of a parabola through all samples at their end: for a first-order
        course slope and curvature are in the ratio of minus the time constant.

    Source
    ------
    Least squares; a first-order course obeys tau * T'' = -T' (its differential equation, once
    derived).

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
    line, line_error, scatter_k = _fit(back_s, temp_c, 1)
    if abs(line[1]) < SIGNIFICANT * line_error[1] or scatter_k == inf:
        return None
    bent, bent_error, _ = _fit(back_s, temp_c, 2)
    rate, curvature = bent[1], 2.0 * bent[2]
    tau_s = -rate / curvature if curvature else inf
    is_bent = abs(bent[2]) > 3.0 * bent_error[2] and 0.0 < tau_s < LONGEST_TAU_S
    if not is_bent or rate * line[1] <= 0.0:
        rate, tau_s = line[1], LONGEST_TAU_S
        return Course(line[0], line[0] + rate * tau_s, rate, line_error[1], tau_s)
    return Course(bent[0], bent[0] + rate * tau_s, rate, bent_error[1], tau_s)


def _fit(
    time_s: NDArray[np.float64], temp_c: NDArray[np.float64], degree: int
) -> tuple[list[float], list[float], float]:
    """Coefficients from the constant up, their standard deviations, and the scatter. [K]."""
    powers = np.stack([time_s**n for n in range(degree + 1)], axis=1)
    normal = powers.T @ powers
    inverse = np.linalg.pinv(normal)
    found = inverse @ (powers.T @ temp_c)
    left = temp_c - powers @ found
    # Samples are rounded: the scatter is never taken for less than a hundredth of a kelvin.
    variance = max(float(left @ left) / (time_s.size - degree - 1), 1e-4)
    errors = np.sqrt(np.maximum(variance * np.diag(inverse), 0.0))
    return found.tolist(), errors.tolist(), sqrt(variance)


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
