"""How fast heat acts, and how much along a straight line.

A rate law gives a rate for each temperature. Its mean over a line is found by Gauss-Legendre
quadrature: 3 points for each 2 K of climb are good to 1e-9 above 20 degC up to 120 kJ/mol. Each
line stands for itself: what comes before or after it, or beside it in a block, moves nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from math import inf, log
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_C_KELVIN, kelvin

RateLaw: TypeAlias = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Rate at each temperature, element by element. [degC] to [1]

It is called with one row for each point of a line, (rows, n); several laws at once put an axis
of their own in front of these two."""

RATE_CAP = 1000.0
"""Largest rate counted [1]: a thousandfold viscosity is a solid, a thousandfold decay a char."""

LEVEL_K = 1e-9
"""Smaller changes within a step count as none [K]: dividing by them says nothing."""

PIECE_K = 2.0
"""Longest climb taken in one piece [K]: what a zone gains from one reading to the next."""

_LOG_CAP = log(RATE_CAP)

_NODES, _WEIGHTS = (
    column[:, np.newaxis]
    for column in 0.5 * (np.polynomial.legendre.leggauss(3) + np.array([[1], [0]]))
)

_AT_ONCE = 2048
"""Lines whose points stay in a processor's cache from one operation to the next."""


def arrhenius(
    temp_c: NDArray[np.float64], *, ref_c: float, ea_j_per_mol: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rate relative to the reference temperature, at most ``RATE_CAP``.

    exp(Ea/R (1/Tref - 1/T)): 1 at the reference, more above it.

    Parameters
    ----------
    temp_c : (n,) array
        Temperature, above -273.15. [degC]
    ref_c : float
        Where the rate is 1. [degC]
    ea_j_per_mol : float or array, shape of (laws, 1, 1)
        Activation energy, or one for each of several laws; negative for what slows down with
        heat, as viscosity. [J/mol]

    Returns
    -------
    (n,) array
        Relative rate, 0 to ``RATE_CAP``. [1]

    Source
    ------
    Arrhenius rate law; for viscosity the Andrade form of the same law.

    Examples
    --------
    At 80 kJ/mol ten kelvin above 110 degC count 1.7 to 1.9 fold.

    >>> float(arrhenius(np.array([120.0]), ref_c=110.0, ea_j_per_mol=80e3)[0].round(2))
    1.89
    """
    # In place: fresh memory for each operation would cost as much as the exponential.
    per_kelvin = temp_c + ZERO_C_KELVIN
    np.divide(1.0, per_kelvin, out=per_kelvin)
    np.subtract(1.0 / kelvin(ref_c), per_kelvin, out=per_kelvin)
    rate = ea_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * per_kelvin
    np.minimum(rate, _LOG_CAP, out=rate)
    return np.exp(rate, out=rate)


def capped_from_c(*, ref_c: float, ea_j_per_mol: float) -> float:
    """Temperature at which an Arrhenius rate reaches ``RATE_CAP``.

    Parameters
    ----------
    ref_c : float
        Where the rate is 1. [degC]
    ea_j_per_mol : float
        Activation energy. [J/mol]

    Returns
    -------
    float
        From here on the rate is the cap; infinity where no heat brings it there. [degC]

    Source
    ------
    The law of Arrhenius, solved for the temperature.

    Examples
    --------
    >>> round(capped_from_c(ref_c=110.0, ea_j_per_mol=100e3))
    218
    >>> capped_from_c(ref_c=110.0, ea_j_per_mol=10e3)
    inf
    """
    left_j_per_mol_k = ea_j_per_mol / kelvin(ref_c) - GAS_CONSTANT_J_PER_MOL_K * _LOG_CAP
    return ea_j_per_mol / left_j_per_mol_k - ZERO_C_KELVIN if left_j_per_mol_k > 0.0 else inf


def share_between(
    start: NDArray[np.float64], end: NDArray[np.float64], *, low: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where each line enters a range and leaves it.

    Strictly above ``low`` and up to ``high`` counts: a level line on ``low`` is outside.

    Parameters
    ----------
    start, end : (n,) arrays
        Ends of each line. [any]
    low, high : float
        The range, infinite where it has no end. [same]

    Returns
    -------
    first, last : (n,) arrays
        Fractions of the line from its start; equal where it misses the range. [1]

    Source
    ------
    Crossing of two straight lines.

    Examples
    --------
    >>> first, last = share_between(np.array([90.0]), np.array([110.0]), low=100.0, high=105.0)
    >>> first.tolist(), last.tolist()
    ([0.5], [0.75])
    """
    rise = end - start
    is_level = np.abs(rise) < LEVEL_K
    divisor = np.where(is_level, 1.0, rise)
    at_low, at_high = (low - start) / divisor, (high - start) / divisor
    # Not np.clip, which takes ten times as long for one line.
    first = np.minimum(np.maximum(np.minimum(at_low, at_high), 0.0), 1.0)
    last = np.minimum(np.maximum(np.maximum(at_low, at_high), 0.0), 1.0)
    is_within = (start > low) & (start <= high)
    return (
        np.where(is_level, 0.0, first),
        np.where(is_level, is_within.astype(np.float64), last),
    )


def mean_rate(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    law: RateLaw,
    *,
    first: NDArray[np.float64] | float = 0.0,
    last: NDArray[np.float64] | float = 1.0,
) -> NDArray[np.float64]:
    """Mean rate over a share of each line.

    A line that climbs or falls by more than ``PIECE_K`` is taken in equal pieces, as many as
    its own climb asks for. Where the law has a bend the piece around it is not exact.

    Parameters
    ----------
    start, end : (n,) arrays
        Temperature at both ends. [degC]
    law : RateLaw
        The rate at a temperature.
    first, last : (n,) arrays or float
        The share, as fractions of the line from its start; the whole line if not told. [1]

    Returns
    -------
    (n,) array
        Mean over the share, not over the line; (laws, n) for several laws. [1]

    Source
    ------
    Gauss-Legendre quadrature, 3 points: Abramowitz and Stegun, 25.4.29 (from memory).

    Examples
    --------
    Of a rate that grows with the temperature itself it is the rate in the middle.

    >>> mean_rate(np.array([90.0]), np.array([110.0]), lambda temp_c: temp_c).round(9).tolist()
    [100.0]
    """
    rise = end - start
    return _mean(start + rise * first, rise * (last - first), law)


def _mean(
    begin: NDArray[np.float64], climb: NDArray[np.float64], law: RateLaw
) -> NDArray[np.float64]:
    """Mean rate from ``begin`` over ``climb``."""
    if begin.size > _AT_ONCE:
        parts = [slice(at, at + _AT_ONCE) for at in range(0, begin.size, _AT_ONCE)]
        return np.concatenate([_mean(begin[part], climb[part], law) for part in parts], axis=-1)
    size = np.abs(climb)
    if (size <= PIECE_K).all():
        return _in_one_piece(begin, climb, law)
    pieces = np.maximum(np.ceil(size / PIECE_K), 1.0).astype(np.int64)
    line = np.repeat(np.arange(pieces.size), pieces)
    first = np.cumsum(pieces) - pieces
    width = climb / pieces
    rate = _in_one_piece(
        begin[line] + (np.arange(line.size) - first[line]) * width[line], width[line], law
    )
    mean: NDArray[np.float64] = np.add.reduceat(rate, first, axis=-1) / pieces
    return mean


def _in_one_piece(
    begin: NDArray[np.float64], climb: NDArray[np.float64], law: RateLaw
) -> NDArray[np.float64]:
    """The same of climbs that are short."""
    temp_c = climb * _NODES
    temp_c += begin
    rate = law(temp_c) * _WEIGHTS
    # Point by point: a matrix product may round differently for one line and for many.
    mean: NDArray[np.float64] = rate[..., 0, :] + rate[..., 1, :] + rate[..., 2, :]
    return mean


def mean_rate_within(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    law: RateLaw,
    *,
    low: float,
    high: float,
) -> NDArray[np.float64]:
    """Mean over each line of a rate that is none up to ``low`` and stays the same above ``high``.

    Parameters
    ----------
    start, end : (n,) arrays
        Temperature at both ends. [degC]
    law : RateLaw
        The rate between the two.
    low, high : float
        Where it begins, and where nothing more is extrapolated. [degC]

    Returns
    -------
    (n,) array
        Mean over the whole line; (laws, n) for several laws. [1]

    Source
    ------
    Definition.

    Examples
    --------
    A rise from 90 to 110 counts for a quarter between 100 and 105, and for a quarter above.

    >>> mean_rate_within(np.array([90.0]), np.array([110.0]), np.ones_like, low=100.0,
    ...     high=105.0).round(9).tolist()
    [0.5]
    """
    if ((start > low) & (start <= high) & (end > low) & (end <= high)).all():
        return mean_rate(start, end, law)
    first, last = share_between(start, end, low=low, high=high)
    mean = (last - first) * mean_rate(start, end, law, first=first, last=last)
    if start.max() > high or end.max() > high:
        first, last = share_between(start, end, low=high, high=inf)
        mean += (last - first) * law(np.array([[high]]))[..., 0, :]
    return mean
