"""What temperature does to nozzle and charge: cold-nozzle build-up, overheating degradation.

Both are integrals of an Arrhenius factor over the part of the line beyond an edge of the
window, by Gauss-Legendre quadrature: 5 points are exact to 1e-10 for a step of 20 K.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.series import Series
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_C_KELVIN, whole

RATE_CAP = 1000.0
"""Largest rate counted [1]: a thousandfold viscosity is a solid, a thousandfold decay a char."""

LEVEL_K = 1e-9
"""Smaller changes within a step count as none [K]: dividing by them says nothing."""

_NODES, _WEIGHTS = (
    column.tolist() for column in 0.5 * (np.polynomial.legendre.leggauss(5) + np.array([[1], [0]]))
)


def arrhenius(
    temp_c: NDArray[np.float64], *, ref_c: float, ea_j_per_mol: float
) -> NDArray[np.float64]:
    """Rate relative to the reference temperature, at most ``RATE_CAP``.

    exp(Ea/R (1/Tref - 1/T)): 1 at the reference, more above it.

    Parameters
    ----------
    temp_c : (n,) array
        Temperature, above -273.15. [degC]
    ref_c : float
        Where the rate is 1. [degC]
    ea_j_per_mol : float
        Activation energy; negative for what slows down with heat, as viscosity. [J/mol]

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
    per_kelvin = 1.0 / (ref_c + ZERO_C_KELVIN) - 1.0 / (temp_c + ZERO_C_KELVIN)
    exponent = ea_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * per_kelvin
    return np.exp(np.minimum(exponent, np.log(RATE_CAP)))


def _share_between(
    start: NDArray[np.float64], end: NDArray[np.float64], *, low: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fractions of each line where it enters and leaves the range; equal where it misses it."""
    rise = end - start
    is_level = np.abs(rise) < LEVEL_K
    divisor = np.where(is_level, 1.0, rise)
    at_low, at_high = (low - start) / divisor, (high - start) / divisor
    first = np.clip(np.minimum(at_low, at_high), 0.0, 1.0)
    last = np.clip(np.maximum(at_low, at_high), 0.0, 1.0)
    is_within = (start > low) & (start <= high)
    return (
        np.where(is_level, 0.0, first),
        np.where(is_level, is_within.astype(np.float64), last),
    )


def _mean_rate(
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    shares: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    ref_c: float,
    ea_j_per_mol: float,
) -> NDArray[np.float64]:
    """Mean Arrhenius rate of each line over a share of it."""
    first, last = shares
    mean = np.zeros_like(start)
    # Node by node: a matrix product may round differently for one step and for many.
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        temp_c = start + (end - start) * (first + (last - first) * node)
        mean += weight * arrhenius(temp_c, ref_c=ref_c, ea_j_per_mol=ea_j_per_mol)
    return mean


def build_up(
    series: Series,
    is_dispensing: NDArray[np.bool_],
    *,
    low_c: float,
    flow_ea_j_per_mol: float,
) -> NDArray[np.int64]:
    """Cold-nozzle build-up of each step: time integral of the viscosity excess.

    While dispensing below the low edge the melt is thicker than it may be by
    mu(T)/mu(low) - 1 = exp(Ef/R (1/T - 1/low)) - 1. A second at twice the allowed viscosity
    adds one second. It never heals by itself: what has built up stays until it is wiped.

    Parameters
    ----------
    series : Series
        n + 1 rows of the nozzle (or tip) temperature, n steps.
    is_dispensing : (n,) array
        Whether melt flows in each step. [1]
    low_c : float
        Low edge of the window. [degC]
    flow_ea_j_per_mol : float
        Activation energy of flow. [J/mol]

    Returns
    -------
    (n,) array
        Build-up of each step, 0 where blind, not dispensing or warm enough. [ns]

    Source
    ------
    Andrade's law of viscosity; that cold melt builds up on the nozzle is common practice, the
    index itself is this project's own.

    Examples
    --------
    Ten seconds 10 K below 120 degC at 50 kJ/mol: viscosity is 1.49 fold.

    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 10_000_000_000]), np.array([110.0, 110.0]),
    ...     np.array([True, True]), max_gap_ns=10_000_000_000)
    >>> index_ns = build_up(series, np.array([True, True]), low_c=120.0, flow_ea_j_per_mol=50e3)
    >>> round(int(index_ns.sum()) / 1e9, 1)
    4.9
    """
    index_ns = np.zeros(series.step_ns.size, dtype=np.int64)
    is_cold = series.value < low_c
    if not is_cold.any():
        return index_ns
    steps = np.flatnonzero((is_cold[:-1] | is_cold[1:]) & series.is_joined & is_dispensing)
    if steps.size:
        start, end = series.value[steps], series.value[steps + 1]
        shares = _share_between(start, end, low=-np.inf, high=low_c)
        rate = _mean_rate(start, end, shares, ref_c=low_c, ea_j_per_mol=-flow_ea_j_per_mol)
        cold_ns = (shares[1] - shares[0]) * series.step_ns[steps]
        index_ns[steps] = whole((rate - 1.0) * cold_ns)
    return index_ns


def degradation(
    series: Series, *, high_c: float, ceiling_c: float, degradation_ea_j_per_mol: float
) -> NDArray[np.int64]:
    """Overheating degradation of each step: equivalent time at the high edge.

    Integral of exp(Ed/R (1/high - 1/T)) over the time above the high edge. Above the ceiling
    nothing is extrapolated: the rate stays that of the ceiling, and the charge is marked
    overheated elsewhere.

    Parameters
    ----------
    series : Series
        n + 1 rows, n steps.
    high_c, ceiling_c : float
        High edge of the window, and the material's limit above it. [degC]
    degradation_ea_j_per_mol : float
        Activation energy of the damage. [J/mol]

    Returns
    -------
    (n,) array
        Equivalent time of each step, 0 where blind or not above. [ns]

    Source
    ------
    Arrhenius rate law; the form of the equivalent age of ASTM C1074.

    Examples
    --------
    A minute at 120 degC with the edge at 110 and 80 kJ/mol is 1.89 minutes at the edge.

    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 60_000_000_000]), np.array([120.0, 120.0]),
    ...     np.array([True, True]), max_gap_ns=60_000_000_000)
    >>> index_ns = degradation(series, high_c=110.0, ceiling_c=140.0,
    ...     degradation_ea_j_per_mol=80e3)
    >>> round(int(index_ns.sum()) / 60e9, 2)
    1.89
    """
    index_ns = np.zeros(series.step_ns.size, dtype=np.int64)
    is_hot = series.value > high_c
    if not is_hot.any():
        return index_ns
    steps = np.flatnonzero((is_hot[:-1] | is_hot[1:]) & series.is_joined)
    if steps.size:
        start, end = series.value[steps], series.value[steps + 1]
        law = {"ref_c": high_c, "ea_j_per_mol": degradation_ea_j_per_mol}
        shares = _share_between(start, end, low=high_c, high=ceiling_c)
        rate = _mean_rate(start, end, shares, **law)
        over = _share_between(start, end, low=ceiling_c, high=np.inf)
        rate_at_ceiling = arrhenius(np.array([ceiling_c]), **law)[0]
        hot = (shares[1] - shares[0]) * rate + (over[1] - over[0]) * rate_at_ceiling
        index_ns[steps] = whole(hot * series.step_ns[steps])
    return index_ns


def reached(
    index_ns: NDArray[np.int64], series: Series, *, carried_ns: int, limit_ns: int
) -> tuple[int, int] | None:
    """When an index that only grows passed its limit.

    Parameters
    ----------
    index_ns : (n,) array
        Growth of each step. [ns]
    series : Series
        The n + 1 rows of the same steps.
    carried_ns, limit_ns : int
        The index before these steps, and its limit. [ns]

    Returns
    -------
    (at_ns, row) or None
        The moment, taken as evenly spread within its step, and the row that shows it; None if
        it was not passed in these steps. [ns]

    Source
    ------
    Linear interpolation within one step.

    Examples
    --------
    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 10]), np.array([1.0, 1.0]),
    ...     np.array([True, True]), max_gap_ns=10)
    >>> reached(np.array([0, 4]), series, carried_ns=1, limit_ns=3)
    (5, 2)
    """
    if not carried_ns < limit_ns <= carried_ns + int(index_ns.sum()):
        return None
    grown_ns = np.cumsum(index_ns)
    step = int(np.searchsorted(grown_ns, limit_ns - carried_ns))
    short_ns = limit_ns - carried_ns - int(grown_ns[step] - index_ns[step])
    share = short_ns / int(index_ns[step])
    return int(series.mono_ns[step]) + round(share * int(series.step_ns[step])), step + 1
