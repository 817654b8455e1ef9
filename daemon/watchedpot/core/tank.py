"""Tank and hose: how ages mix when melt is added, how long melt stays, how late it arrives.

A tank is taken to be well mixed, a hose to move its melt as a plug. Real melt in a hose is a
laminar stream whose middle arrives after half the delay: the first new melt comes earlier.
"""

from __future__ import annotations

from fractions import Fraction
from math import exp, expm1, inf


def mixed_age(age_ns: int, *, mass_kg: float, added_kg: float, added_age_ns: int = 0) -> int:
    """Mean age after a refill: the mean of both by mass, never above the older.

    A refill makes the charge younger by its share and no more; only into an empty tank does the
    added melt bring its own age. A mass that is only estimated must keep its heel: what is
    thought empty is reset here.

    Parameters
    ----------
    age_ns : int
        Mean age, or dose, of what is there. [ns]
    mass_kg : float
        How much is there, 0 or more. [kg]
    added_kg : float
        How much is added, 0 or more. [kg]
    added_age_ns : int
        Its age, or dose. [ns]

    Returns
    -------
    int
        Mean age of the mixture, rounded. [ns]

    Source
    ------
    Mass balance of a well-mixed tank.

    Examples
    --------
    One kilogram fresh on three: a quarter younger.

    >>> mixed_age(4_000, mass_kg=3.0, added_kg=1.0)
    3000
    """
    if added_kg <= 0.0:
        return age_ns
    # A fraction: a float has too few digits for the nanoseconds of more than 104 days.
    share = Fraction(added_kg / (mass_kg + added_kg))
    return age_ns + round((added_age_ns - age_ns) * share)


def mean_residence_s(*, mass_kg: float, flow_kg_per_s: float) -> float:
    """Mean time that melt stays in a tank, whatever the mixing.

    tau = mass / flow.

    Parameters
    ----------
    mass_kg : float
        In the tank. [kg]
    flow_kg_per_s : float
        Through it. [kg/s]

    Returns
    -------
    float
        Mean residence; infinite without flow. [s]

    Source
    ------
    O. Levenspiel, Chemical Reaction Engineering, ch. 11.

    Examples
    --------
    >>> round(mean_residence_s(mass_kg=0.3, flow_kg_per_s=1e-5) / 3600.0, 2)
    8.33
    """
    return mass_kg / flow_kg_per_s if flow_kg_per_s > 0.0 else inf


def transport_delay_s(*, hold_up_kg: float, flow_kg_per_s: float) -> float:
    """Time that melt takes through a hose or nozzle, as a plug.

    Parameters
    ----------
    hold_up_kg : float
        What the hose holds. [kg]
    flow_kg_per_s : float
        Through it. [kg/s]

    Returns
    -------
    float
        Delay; infinite without flow. [s]

    Source
    ------
    Plug flow, O. Levenspiel, Chemical Reaction Engineering, ch. 11.

    Examples
    --------
    A hose of 75 g at 5 mg/s: more than four hours.

    >>> round(transport_delay_s(hold_up_kg=0.075, flow_kg_per_s=5e-6) / 3600.0, 2)
    4.17
    """
    return mean_residence_s(mass_kg=hold_up_kg, flow_kg_per_s=flow_kg_per_s)


def older_share(limit_s: float, *, residence_s: float, delay_s: float = 0.0) -> float:
    """Part of the delivered melt that is older than a limit.

    exp(-(limit - delay)/tau), at most 1: the ages that leave a well-mixed tank, each longer by
    the delay of the hose behind it.

    Parameters
    ----------
    limit_s : float
        Age. [s]
    residence_s : float
        Mean residence in the tank, 0 for none. [s]
    delay_s : float
        Of the hose. [s]

    Returns
    -------
    float
        Share older than the limit. [1]

    Source
    ------
    O. Levenspiel, Chemical Reaction Engineering, ch. 11 and 12: mixed tank and plug in series.

    Examples
    --------
    A limit of twice the mean residence still lets a seventh through.

    >>> round(older_share(3600.0, residence_s=1800.0), 3)
    0.135
    """
    in_tank_s = limit_s - delay_s
    if in_tank_s <= 0.0:
        return 1.0
    return exp(-in_tank_s / residence_s) if residence_s > 0.0 else 0.0


def steady_age_s(rate: float, *, residence_s: float) -> float:
    """Mean age at which a steadily fed tank settles.

    Where d(age)/dt = rate - age/tau is 0: rate x tau.

    Parameters
    ----------
    rate : float
        Ageing per second; 1 for plain time. [1]
    residence_s : float
        Mean residence; infinite without flow, when age grows without end. [s]

    Returns
    -------
    float
        Mean age, or dose, of tank and outflow alike; 0 where nothing ages. [s]

    Source
    ------
    Age balance of a well-mixed tank fed with fresh melt.

    Examples
    --------
    >>> steady_age_s(1.0, residence_s=1800.0)
    1800.0
    """
    return rate * residence_s if rate > 0.0 else 0.0


def age_after_s(
    age_s: float, *, rate: float, duration_s: float, flow_kg_per_s: float, mass_kg: float
) -> float:
    """Mean age of a tank after a time at constant rate, as much fresh melt fed as is drawn.

    The solution of d(age)/dt = rate - (flow/mass) age, exact for any time; without flow the
    charge simply ages.

    Parameters
    ----------
    age_s : float
        Mean age, or dose, at the start. [s]
    rate : float
        Ageing per second; 1 for plain time. [1]
    duration_s : float
        How long. [s]
    flow_kg_per_s : float
        In and out. [kg/s]
    mass_kg : float
        In the tank, above 0. [kg]

    Returns
    -------
    float
        Mean age, or dose, at the end. [s]

    Source
    ------
    Age balance of a well-mixed tank fed with fresh melt.

    Examples
    --------
    Fresh, for one mean residence: 63 % of the way to the steady age of 1000 s.

    >>> round(age_after_s(0.0, rate=1.0, duration_s=1000.0, flow_kg_per_s=1e-3, mass_kg=1.0))
    632
    """
    residences = duration_s * flow_kg_per_s / mass_kg
    if residences == 0.0:
        return age_s + rate * duration_s
    # expm1, since 1 - exp(-x) has no digits left for the x of one reading in a large tank
    return age_s * exp(-residences) - rate * duration_s * expm1(-residences) / residences
