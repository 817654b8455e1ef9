"""What temperature does to nozzle and charge: cold-nozzle build-up, overheating degradation.

Both are integrals of an Arrhenius factor over the part of the line beyond an edge of the window.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.rates import (
    arrhenius,
    capped_from_c,
    mean_rate,
    mean_rate_within,
    share_between,
)
from watchedpot.core.series import Series
from watchedpot.core.units import whole


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
        law = partial(arrhenius, ref_c=low_c, ea_j_per_mol=-flow_ea_j_per_mol)
        first, last = share_between(start, end, low=-np.inf, high=low_c)
        rate = mean_rate(start, end, law, first=first, last=last)
        cold_ns = (last - first) * series.step_ns[steps]
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
        law = partial(arrhenius, ref_c=high_c, ea_j_per_mol=degradation_ea_j_per_mol)
        capped_c = capped_from_c(ref_c=high_c, ea_j_per_mol=degradation_ea_j_per_mol)
        hot = mean_rate_within(start, end, law, low=high_c, high=min(ceiling_c, capped_c))
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
