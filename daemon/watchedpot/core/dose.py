"""Thermal dose: how much heat has aged a charge, and what is left of its pot life.

The dose is the time at the reference temperature that would have aged the charge as much. The
activation energy of ageing is rarely known: every dose is computed by its low and by its high
bound, and whichever used up more counts. An unseen minute is charged, never skipped.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import inf, nextafter

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.rates import (
    RateLaw,
    arrhenius,
    capped_from_c,
    mean_rate,
    mean_rate_within,
)
from watchedpot.core.rules import AgeingRules
from watchedpot.core.series import Series
from watchedpot.core.units import seconds, whole

_MOST_NS = 1e17
"""Most that one step adds [ns]: three years, so that no gap, however long, overflows a sum."""


@dataclass(frozen=True, slots=True)
class Dose:
    """Equivalent time at the reference temperature.

    Attributes
    ----------
    low_ns, high_ns
        By the low and by the high bound of the activation energy. [ns]
    low_blind_ns, high_blind_ns
        The part of each that was charged for time that was not seen. [ns]
    """

    low_ns: int = 0
    high_ns: int = 0
    low_blind_ns: int = 0
    high_blind_ns: int = 0

    def __add__(self, other: Dose) -> Dose:
        return Dose(
            self.low_ns + other.low_ns,
            self.high_ns + other.high_ns,
            self.low_blind_ns + other.low_blind_ns,
            self.high_blind_ns + other.high_blind_ns,
        )


def equivalent_time(series: Series, law: RateLaw) -> NDArray[np.int64]:
    """Time integral of a rate over each joined step.

    Parameters
    ----------
    series : Series
        n + 1 rows, n steps.
    law : RateLaw
        The rate at a temperature.

    Returns
    -------
    (n,) array
        Time at the temperature where the rate is 1; 0 in a blind step. [ns]

    Source
    ------
    Equivalent age of ASTM C1074, lethality of sterilisation, cumulative equivalent minutes: one
    integral, each with its own law.

    Examples
    --------
    Where every 10 K count double, ten seconds 20 K above the reference are forty.

    >>> from watchedpot.core.series import continue_series
    >>> series = continue_series(None, np.array([0, 10_000_000_000]), np.array([120.0, 120.0]),
    ...     np.array([True, True]), max_gap_ns=10_000_000_000)
    >>> int(equivalent_time(series, lambda temp_c: 2.0 ** ((temp_c - 100.0) / 10.0)).sum())
    40000000000
    """
    time_ns = np.zeros(series.step_ns.size, dtype=np.int64)
    steps = np.flatnonzero(series.is_joined)
    rate = mean_rate(series.value[steps], series.value[steps + 1], law)
    time_ns[steps] = whole(rate * series.step_ns[steps])
    return time_ns


def dose(
    series: Series, assumed_c: NDArray[np.float64], rules: AgeingRules, *, ceiling_c: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Dose of each step, by both bounds of the activation energy.

    Integral of exp(Ea/R (1/Tref - 1/T)). Below ``stops_below_c`` nothing ages; above the ceiling
    nothing is extrapolated: the rate stays that of the ceiling, and the charge is marked
    overheated elsewhere. A blind step is a level line at what is assumed of it.

    Parameters
    ----------
    series : Series
        n + 1 rows, n steps.
    assumed_c : (n,) array
        Temperature charged for a step if it is blind: the higher of last reading and setpoint.
        nan where nothing is known: then it counts nothing. [degC]
    rules : AgeingRules
        Of the material.
    ceiling_c : float
        The material's limit. [degC]

    Returns
    -------
    low_ns, high_ns : (n,) arrays
        By the low and by the high bound. [ns]

    Source
    ------
    Arrhenius rate law; the form of the equivalent age of ASTM C1074. That a gap is charged at
    the higher of last reading and setpoint is common practice.

    Examples
    --------
    A minute at the reference, then one that was not seen, ten kelvin hotter by its setpoint.

    >>> from watchedpot.core.series import continue_series
    >>> minute_ns = 60_000_000_000
    >>> series = continue_series(None, np.array([0, 1, 2]) * minute_ns,
    ...     np.array([110.0, 110.0, 0.0]), np.array([True, True, False]), max_gap_ns=minute_ns)
    >>> low_ns, high_ns = dose(series, np.array([np.nan, 110.0, 120.0]),
    ...     AgeingRules(pot_life_s=3600.0, ref_c=110.0), ceiling_c=140.0)
    >>> (low_ns / minute_ns).round(2).tolist(), (high_ns / minute_ns).round(2).tolist()
    ([0.0, 1.0, 1.61], [0.0, 1.0, 2.22])
    """
    start, end = series.value[:-1], series.value[1:]
    hottest_c = series.highest
    if not series.is_joined.all():
        # Held within what matters, so that nan and infinity are temperatures here.
        cold_c = rules.stops_below_c - 1.0
        held_c = np.fmin(np.fmax(assumed_c, cold_c), ceiling_c)
        start = np.where(series.is_joined, start, held_c)
        end = np.where(series.is_joined, end, held_c)
        hottest_c = max(hottest_c, float(held_c.max()))
    if hottest_c < rules.stops_below_c:
        nothing = np.zeros(series.step_ns.size, dtype=np.int64)
        return nothing, nothing
    rate = mean_rate_within(
        start,
        end,
        partial(arrhenius, ref_c=rules.ref_c, ea_j_per_mol=_bounds_j_per_mol(rules)),
        # A charge that rests exactly on the limit does age.
        low=nextafter(rules.stops_below_c, -inf),
        high=_most_c(rules, ceiling_c=ceiling_c),
    )
    low_ns, high_ns = whole(np.minimum(rate * series.step_ns, _MOST_NS))
    return low_ns, high_ns


def _bounds_j_per_mol(rules: AgeingRules) -> NDArray[np.float64]:
    """The activation energies as two laws at once."""
    return np.array([[[rules.ea_low_j_per_mol]], [[rules.ea_high_j_per_mol]]])


def _most_c(rules: AgeingRules, *, ceiling_c: float) -> float:
    """Temperature above which the rate of ageing is that of this one."""
    capped_c = capped_from_c(ref_c=rules.ref_c, ea_j_per_mol=rules.ea_high_j_per_mol)
    return min(ceiling_c, capped_c)


def _held_rates(temp_c: float, rules: AgeingRules, *, ceiling_c: float) -> tuple[float, float]:
    """Rate of ageing at a constant temperature by both bounds, 0 where it is not known."""
    if not temp_c >= rules.stops_below_c:
        return 0.0, 0.0
    held_c = np.array([min(temp_c, _most_c(rules, ceiling_c=ceiling_c))])
    energies = _bounds_j_per_mol(rules)
    low, high = arrhenius(held_c, ref_c=rules.ref_c, ea_j_per_mol=energies).ravel().tolist()
    return low, high


def held_dose(
    temp_c: float, duration_ns: int, rules: AgeingRules, *, ceiling_c: float
) -> tuple[int, int]:
    """Dose of a constant temperature: of a preheating, or of the time the account stood still.

    Parameters
    ----------
    temp_c : float
        Temperature; nan where nothing is known: then it counts nothing. [degC]
    duration_ns : int
        How long it was held. [ns]
    rules : AgeingRules
        Of the material.
    ceiling_c : float
        The material's limit. [degC]

    Returns
    -------
    low_ns, high_ns : int
        By the low and by the high bound of the activation energy. [ns]

    Source
    ------
    Arrhenius rate law.

    Examples
    --------
    An hour at the reference is an hour of dose, whatever the activation energy.

    >>> from watchedpot.core.units import ns
    >>> rules = AgeingRules(pot_life_s=8 * 3600.0, ref_c=110.0)
    >>> held_dose(110.0, ns(3600.0), rules, ceiling_c=140.0)
    (3600000000000, 3600000000000)

    Forty-five minutes at 85 degC instead are five to twelve.

    >>> low_ns, high_ns = held_dose(85.0, ns(45 * 60.0), rules, ceiling_c=140.0)
    >>> round(seconds(high_ns) / 60.0), round(seconds(low_ns) / 60.0)
    (5, 12)
    """
    low_ns, high_ns = (
        round(min(rate * duration_ns, _MOST_NS))
        for rate in _held_rates(temp_c, rules, ceiling_c=ceiling_c)
    )
    return low_ns, high_ns


def life_used(dose: Dose, rules: AgeingRules) -> float:
    """Share of the pot life that is gone, by the bound that used up more.

    Parameters
    ----------
    dose : Dose
        Of the charge.
    rules : AgeingRules
        Of its material.

    Returns
    -------
    float
        1 when the pot life is gone, more after it. [1]

    Source
    ------
    Definition.

    Examples
    --------
    >>> rules = AgeingRules(pot_life_s=4 * 3600.0, ref_c=110.0)
    >>> life_used(Dose(low_ns=3_600_000_000_000, high_ns=7_200_000_000_000), rules)
    0.5
    """
    return seconds(max(dose.low_ns, dose.high_ns)) / rules.pot_life_s


def estimated_share(dose: Dose) -> float:
    """Share of the stricter dose that was charged for time that was not seen.

    Parameters
    ----------
    dose : Dose
        Of the charge.

    Returns
    -------
    float
        0 without any dose; of two equal doses that of the one with more unseen time. [1]

    Source
    ------
    Definition.

    Examples
    --------
    >>> estimated_share(Dose(low_ns=4, high_ns=8, low_blind_ns=4, high_blind_ns=2))
    0.25
    """
    dose_ns, blind_ns = max((dose.low_ns, dose.low_blind_ns), (dose.high_ns, dose.high_blind_ns))
    return blind_ns / dose_ns if dose_ns else 0.0


def expires_in_s(
    dose: Dose, temp_c: float, rules: AgeingRules, *, ceiling_c: float
) -> float | None:
    """Time until the pot life is gone at a constant temperature, by whichever bound is first.

    Parameters
    ----------
    dose : Dose
        Of the charge so far.
    temp_c : float
        Temperature from now on; nan where nothing is known. [degC]
    rules : AgeingRules
        Of its material.
    ceiling_c : float
        The material's limit. [degC]

    Returns
    -------
    float or None
        0 when it is gone; None where the charge does not age. [s]

    Source
    ------
    Arrhenius rate law.

    Examples
    --------
    Half of eight hours used at the reference leaves four hours there, fewer where it is hotter.

    >>> from watchedpot.core.units import ns
    >>> rules = AgeingRules(pot_life_s=8 * 3600.0, ref_c=110.0)
    >>> half = Dose(low_ns=ns(4 * 3600.0), high_ns=ns(4 * 3600.0))
    >>> expires_in_s(half, 110.0, rules, ceiling_c=140.0) / 3600.0
    4.0
    >>> round(expires_in_s(half, 120.0, rules, ceiling_c=140.0) / 3600.0, 1)
    1.8
    """
    left_s = [rules.pot_life_s - seconds(used_ns) for used_ns in (dose.low_ns, dose.high_ns)]
    if min(left_s) <= 0.0:
        return 0.0
    rates = _held_rates(temp_c, rules, ceiling_c=ceiling_c)
    return min(
        (left / rate for left, rate in zip(left_s, rates, strict=True) if rate > 0.0),
        default=None,
    )


def empty_in_s(*, mass_kg: float, use_kg_per_s: float) -> float | None:
    """Time until a charge is used up.

    Parameters
    ----------
    mass_kg : float
        What is left. [kg]
    use_kg_per_s : float
        Mean consumption. [kg/s]

    Returns
    -------
    float or None
        None while nothing is consumed. [s]

    Source
    ------
    Definition.

    Examples
    --------
    Thirty grams at four milligrams a second last two hours.

    >>> round(empty_in_s(mass_kg=0.03, use_kg_per_s=4e-6) / 3600.0, 1)
    2.1
    """
    return mass_kg / use_kg_per_s if use_kg_per_s > 0.0 else None


def left_at_expiry(
    *, mass_kg: float, fill_kg: float, use_kg_per_s: float, expires_in_s: float
) -> float:
    """What will be left of a charge when its pot life is gone.

    Parameters
    ----------
    mass_kg, fill_kg : float
        What is left now, and what a full charge weighs. [kg]
    use_kg_per_s : float
        Mean consumption. [kg/s]
    expires_in_s : float
        Time until the pot life is gone. [s]

    Returns
    -------
    float
        Share of a full charge; 0 if it is used up before. [1]

    Source
    ------
    Definition.

    Examples
    --------
    Three hundred grams at four milligrams a second are still above half full after eight hours.

    >>> round(left_at_expiry(mass_kg=0.3, fill_kg=0.3, use_kg_per_s=4e-6,
    ...     expires_in_s=8 * 3600.0), 2)
    0.62
    """
    return max(mass_kg - use_kg_per_s * expires_in_s, 0.0) / fill_kg
