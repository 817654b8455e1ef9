"""How a charge lay in store before it was loaded, and whether it is fit for use.

A logger's readings are joined as everywhere: two neighbouring good ones at most ``max_gap_s``
apart. The time above a limit is that of the straight line between them, exact at its crossings.

The mean kinetic temperature weighs each such step by its time and gives it the mean of the rates
at its two ends. The convention (USP <1079.2>, <1160>) averages the rates of readings that are
equally far apart; this is the same sum for loggers that are not. A straight line between the
readings would give a little less, since rates bend upwards: 0.01 K for steps of 1 K and 0.2 K
for steps of 5 K, so the stricter of the two is taken.
"""

from __future__ import annotations

from math import inf, log

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import Loading, Storage
from watchedpot.core.rates import arrhenius, share_between
from watchedpot.core.rules import StorageRules
from watchedpot.core.series import believable
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_C_KELVIN, kelvin
from watchedpot.errors import DataError

CONVENTIONAL_EA_J_PER_MOL = 83_144.0
"""Heat of activation where none is known [J/mol]: the convention of USP <1079.2> and <1160>."""


def stored(
    time_s: NDArray[np.float64],
    temp_c: NDArray[np.float64],
    *,
    limit_c: float,
    max_gap_s: float,
    ea_j_per_mol: float = CONVENTIONAL_EA_J_PER_MOL,
) -> Storage:
    """What a logger's record comes to.

    Parameters
    ----------
    time_s : (n,) array
        When each reading was taken, from any zero, never backwards. [s]
    temp_c : (n,) array
        The readings, nan where there is none. [degC]
    limit_c : float
        Time strictly above it counts. [degC]
    max_gap_s : float
        Longest step between two good readings that counts as seen. [s]
    ea_j_per_mol : float
        Heat of activation of the mean kinetic temperature, above 0. [J/mol]

    Returns
    -------
    Storage
        Seen and blind time add up to that from the first row to the last; the maximum is that of
        all good readings.

    Raises
    ------
    DataError
        Times that go backwards, arrays that do not fit, or no two good readings within the gap:
        of such a store nothing is known.

    Source
    ------
    Mean kinetic temperature: USP <1079.2> and <1160>; J. D. Haynes, J. Pharm. Sci. 60 (1971) 927.

    Examples
    --------
    Half of an even climb from 20 to 30 degC lies above 25 degC.

    >>> climb = stored(np.array([0.0, 3600.0]), np.array([20.0, 30.0]), limit_c=25.0,
    ...     max_gap_s=3600.0)
    >>> climb.above_s, climb.max_c, round(climb.mean_kinetic_c, 2)
    (1800.0, 30.0, 26.26)
    """
    step_s = _steps_s(time_s, temp_c)
    is_good = believable(temp_c, np.zeros(temp_c.shape, dtype=np.uint8))
    is_seen = is_good[:-1] & is_good[1:] & (step_s <= max_gap_s)
    start_c, end_c, seen_s = temp_c[:-1][is_seen], temp_c[1:][is_seen], step_s[is_seen]
    total_seen_s = float(seen_s.sum())
    if total_seen_s <= 0.0:
        raise DataError(
            "stored",
            f"expected at least two readings at most {max_gap_s:g} s apart, got none such",
            hint="a record with only gaps says nothing of the store",
        )
    first, last = share_between(start_c, end_c, low=limit_c, high=inf)
    mean_c = mean_kinetic_c(start_c, end_c, seen_s, ea_j_per_mol=ea_j_per_mol)
    return Storage(
        above_s=float(((last - first) * seen_s).sum()),
        max_c=float(temp_c[is_good].max()),
        mean_kinetic_c=mean_c,
        seen_s=total_seen_s,
        blind_s=float(step_s[~is_seen].sum()),
    )


def _steps_s(time_s: NDArray[np.float64], temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Time from each row to the next."""
    if time_s.ndim != 1 or time_s.shape != temp_c.shape:
        raise DataError(
            "stored",
            f"expected times and temperatures of one length, got {time_s.shape}, {temp_c.shape}",
        )
    step_s: NDArray[np.float64] = np.diff(time_s)
    if not np.all(step_s >= 0.0):
        raise DataError("stored", "expected finite times that never go backwards")
    return step_s


def mean_kinetic_c(
    start_c: NDArray[np.float64],
    end_c: NDArray[np.float64],
    step_s: NDArray[np.float64],
    *,
    ea_j_per_mol: float = CONVENTIONAL_EA_J_PER_MOL,
) -> float:
    """The one temperature at which as much would have decayed in the same time.

    Parameters
    ----------
    start_c, end_c : (n,) arrays
        Temperature at both ends of each step. [degC]
    step_s : (n,) array
        Length of each step, together above 0. [s]
    ea_j_per_mol : float
        Heat of activation, above 0. [J/mol]

    Returns
    -------
    float
        Never below the mean and never above the maximum; a constant gives itself. [degC]

    Source
    ------
    USP <1079.2> and <1160>; J. D. Haynes, J. Pharm. Sci. 60 (1971) 927. Weighted by time, each
    step with the mean of the rates at its ends.

    Examples
    --------
    Three hours at 20 degC and one at 30 degC.

    >>> level_c = np.array([20.0, 30.0])
    >>> round(mean_kinetic_c(level_c, level_c, np.array([10800.0, 3600.0])), 2)
    23.64
    """
    # Relative to the hottest end all rates are at most 1, so nothing overflows.
    ref_c = float(max(start_c.max(), end_c.max()))
    ends = arrhenius(np.stack((start_c, end_c)), ref_c=ref_c, ea_j_per_mol=ea_j_per_mol)
    mean_rate = float((ends.mean(axis=0) * step_s).sum() / step_s.sum())
    per_kelvin = 1.0 / kelvin(ref_c) - log(mean_rate) * GAS_CONSTANT_J_PER_MOL_K / ea_j_per_mol
    return 1.0 / per_kelvin - ZERO_C_KELVIN


def unfit(loading: Loading, rules: StorageRules | None, *, at_utc_ns: int) -> tuple[str, ...]:
    """Why a charge should not be used; what was not told is not judged.

    A gap of the logger may have been warm: gaps that would break the limit if they had been are
    a reason of their own.

    Parameters
    ----------
    loading : Loading
        What was told of the charge.
    rules : StorageRules or None
        How the material may be stored; None where only its expiry is limited.
    at_utc_ns : int
        The moment of judging; the moment of expiry is already too late. [ns]

    Returns
    -------
    tuple of str
        Reasons in plain words, in a fixed order; empty for a fit charge.

    Source
    ------
    The limits are those of the material's data sheet, as configured; what is just at a limit
    is fit.

    Examples
    --------
    >>> unfit(Loading(expires_utc_ns=5), None, at_utc_ns=5)
    ('expired',)
    """
    reasons = []
    if loading.expires_utc_ns is not None and at_utc_ns >= loading.expires_utc_ns:
        reasons.append("expired")
    if rules is not None:
        if _is_over(loading.out_of_store_s, rules.out_of_store_max_s):
            reasons.append("out of store too long")
        if loading.storage is not None:
            reasons += _badly_stored(loading.storage, rules)
    return tuple(reasons)


def _badly_stored(storage: Storage, rules: StorageRules) -> list[str]:
    """What speaks against a charge by its logger's record."""
    reasons = []
    if _is_over(storage.above_s, rules.above_max_s):
        reasons.append("too warm in store")
    elif _is_over(storage.above_s + storage.blind_s, rules.above_max_s):
        reasons.append("gaps in the storage record too long")
    if _is_over(storage.mean_kinetic_c, rules.mean_kinetic_max_c):
        reasons.append("mean kinetic temperature")
    return reasons


def _is_over(value: float | None, limit: float | None) -> bool:
    """Whether both are known and the limit is passed."""
    return value is not None and limit is not None and value > limit
