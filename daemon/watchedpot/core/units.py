"""Units and constants.

Totals are integers of a billionth of their unit (ns, nano kelvin-seconds): integers add up
exactly in any order, so the way a series was cut can never move a total or an event time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

GAS_CONSTANT_J_PER_MOL_K = 8.31446261815324
"""Molar gas constant [J/(mol K)]; exact in the SI since 2019 (BIPM, SI Brochure, 9th ed.)."""

ZERO_C_KELVIN = 273.15
"""0 degC on the kelvin scale [K]; by definition of the degree Celsius (SI Brochure, 2.3.1)."""

NANO = 1_000_000_000
"""Billionths in one."""


def kelvin(temp_c: float) -> float:
    """Absolute temperature.

    Parameters
    ----------
    temp_c : float
        Temperature. [degC]

    Returns
    -------
    float
        The same temperature. [K]

    Source
    ------
    Definition of the degree Celsius, SI Brochure 9th ed., 2.3.1.

    Examples
    --------
    >>> kelvin(0.0)
    273.15
    """
    return temp_c + ZERO_C_KELVIN


def ns(duration_s: float) -> int:
    """Duration in whole nanoseconds.

    Parameters
    ----------
    duration_s : float
        Duration. [s]

    Returns
    -------
    int
        The same duration, rounded. [ns]

    Source
    ------
    Definition of the SI prefix nano.

    Examples
    --------
    >>> ns(1.5)
    1500000000
    """
    return round(duration_s * NANO)


def seconds(duration_ns: int) -> float:
    """Duration in seconds.

    Parameters
    ----------
    duration_ns : int
        Duration. [ns]

    Returns
    -------
    float
        The same duration. [s]

    Source
    ------
    Definition of the SI prefix nano.

    Examples
    --------
    >>> seconds(1_500_000_000)
    1.5
    """
    return duration_ns / NANO


def whole(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Values rounded to integers, half to even.

    Parameters
    ----------
    values : (n,) array
        Any finite values below 9e18. [any]

    Returns
    -------
    (n,) array
        The same values as integers. [same]

    Source
    ------
    IEEE 754 round-half-even, as ``numpy.rint``.

    Examples
    --------
    >>> whole(np.array([0.4, 1.6])).tolist()
    [0, 2]
    """
    return np.rint(values).astype(np.int64)
