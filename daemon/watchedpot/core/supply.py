"""How long charges last at a given use: over a shift, by container, and in a tank.

A charge is changed when it is empty or when its pot life is gone, whichever is first; a tank is
fed with as much fresh melt as is drawn and is never changed. All at the usual temperature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import inf, log

import numpy as np

from watchedpot.core import tank
from watchedpot.core.dose import Dose, empty_in_s, expires_in_s, held_dose
from watchedpot.core.rules import ZoneRules
from watchedpot.core.units import NANO
from watchedpot.core.zone import usual_c

DAY_S = 86_400.0
"""A cell that runs as long as this each day knows no cold mornings. [s]"""

CONTAINERS: Mapping[float, float] = {10.0: 7.8e-3, 30.0: 11.3e-3, 55.0: 13.0e-3, 300.0: 23.5e-3}
"""Usual containers: nominal content [cc] and inner radius [m]; common practice, no source."""

MOST_CHARGES = 200
"""Charges of one shift that are counted [1]: more says that use or shift is not meant so."""

_POINTS = 97
"""Moments at which the age of a tank is told over a shift [1]."""


class Ending(StrEnum):
    """How a charge ends its stay in a shift."""

    IN_USE = "in_use"  # it outlasts the shift
    SPENT = "spent"
    EMPTY = "empty"


@dataclass(frozen=True, slots=True)
class Stay:
    """One charge of a shift.

    Attributes
    ----------
    loaded_s, warm_s, out_s
        Since the shift began: when it became hot, came into use, and went out or the shift
        ended. [s]
    left_kg
        What it held then; None where the mass of a charge is not known. [kg]
    """

    loaded_s: float
    warm_s: float
    out_s: float
    ending: Ending
    left_kg: float | None


@dataclass(frozen=True, slots=True)
class TankAge:
    """The mean age of a tank over a shift, as equivalent time by the stricter bound.

    Attributes
    ----------
    residence_s
        Mean residence. [s]
    at_s, age_s
        Its course. [s]
    settles_s
        Where the age settles in the end. [s]
    spent_in_s
        When it passes the pot life; None for never. [s]
    """

    residence_s: float
    at_s: tuple[float, ...]
    age_s: tuple[float, ...]
    settles_s: float
    spent_in_s: float | None


@dataclass(frozen=True, slots=True)
class Lot:
    """One size of container at a given use.

    Attributes
    ----------
    stay_s
        Time in the hot cell until it is empty or spent. [s]
    is_spent
        Whether it is spent first.
    changes_per_day
        In the hours that the cell runs. [1]
    unused_share
        Of the mass: thrown away. [1]
    waiting_share
        Of the running time: for the warm-up after each change and each morning. [1]
    """

    stay_s: float
    is_spent: bool
    changes_per_day: float
    unused_share: float
    waiting_share: float

    @property
    def kept_share(self) -> float:
        """Used share of the mass times producing share of the time. [1]."""
        return (1.0 - self.unused_share) * (1.0 - self.waiting_share)


@dataclass(frozen=True, slots=True)
class TankFill:
    """A tank that is held at one filling.

    Attributes
    ----------
    residence_s
        Mean residence. [s]
    older_share
        Delivered melt that is older than the pot life at the tank's temperature. [1]
    settled_share
        Mean age of the tank over the pot life, by the stricter bound. [1]
    """

    residence_s: float
    older_share: float
    settled_share: float


def ageing_rates(zone: ZoneRules) -> tuple[float, float] | None:
    """Ageing per second at the usual temperature.

    Parameters
    ----------
    zone : ZoneRules
        Of the charge.

    Returns
    -------
    low, high : float or None
        By the low and by the high bound of the activation energy; None where the material has
        no pot life. [1]

    Source
    ------
    Arrhenius rate law, as ``held_dose``.

    Examples
    --------
    >>> from watchedpot.core.rules import AgeingRules, MaterialRules, ZoneKind
    >>> material = MaterialRules("demo", 140.0, 50e3, 80e3, "demo", ageing=AgeingRules(28800, 110))
    >>> zone = ZoneRules("syringe", ZoneKind.SYRINGE, material, 104.0, 118.0, "a", setpoint_c=110.0)
    >>> ageing_rates(zone)
    (1.0, 1.0)
    """
    ageing = zone.material.ageing
    if ageing is None:
        return None
    low_ns, high_ns = held_dose(usual_c(zone), NANO, ageing, ceiling_c=zone.material.ceiling_c)
    return low_ns / NANO, high_ns / NANO


def life_left_s(zone: ZoneRules, used: Dose) -> float | None:
    """Time until a charge is spent at the usual temperature, by the stricter bound.

    Parameters
    ----------
    zone : ZoneRules
        Of the charge.
    used : Dose
        What it has aged so far.

    Returns
    -------
    float or None
        Infinite where it does not age; None where the material has no pot life. [s]

    Source
    ------
    Arrhenius rate law, as ``expires_in_s``.

    Examples
    --------
    >>> from watchedpot.core.rules import AgeingRules, MaterialRules, ZoneKind
    >>> material = MaterialRules("demo", 140.0, 50e3, 80e3, "demo", ageing=AgeingRules(28800, 110))
    >>> zone = ZoneRules("syringe", ZoneKind.SYRINGE, material, 104.0, 118.0, "a", setpoint_c=110.0)
    >>> life_left_s(zone, Dose(3600 * NANO, 3600 * NANO)) / 3600.0
    7.0
    """
    ageing = zone.material.ageing
    if ageing is None:
        return None
    left_s = expires_in_s(used, usual_c(zone), ageing, ceiling_c=zone.material.ceiling_c)
    return inf if left_s is None else left_s


def stays(
    *,
    shift_s: float,
    first_life_s: float,
    life_s: float,
    first_kg: float | None,
    fill_kg: float | None,
    use_kg_per_s: float,
    wait_s: float,
) -> tuple[Stay, ...]:
    """The charges of a shift that begins with a warm one in use.

    Parameters
    ----------
    shift_s : float
        Length. [s]
    first_life_s, life_s : float
        Time until the one in use, and a fresh one from loading on, is spent; infinite for
        never. [s]
    first_kg, fill_kg : float or None
        What the one in use holds, and a full one; None where not known. [kg]
    use_kg_per_s : float
        Mean consumption while a charge is warm. [kg/s]
    wait_s : float
        From loading until warm. [s]

    Returns
    -------
    tuple of Stay
        In their order, ``MOST_CHARGES`` at most.

    Source
    ------
    Conservation of mass.

    Examples
    --------
    Ten grams at 2 mg/s are empty after 5000 s; the next one waits 600 s and is spent at 3000 s.

    >>> first, second = stays(shift_s=8000.0, first_life_s=6000.0, life_s=3000.0, first_kg=0.01,
    ...     fill_kg=0.01, use_kg_per_s=2e-6, wait_s=600.0)
    >>> first.out_s, str(first.ending), second.out_s, round(1e6 * second.left_kg)
    (5000.0, 'empty', 8000.0, 5200)
    """
    found = list[Stay]()
    loaded_s, warm_s, spent_s, mass_kg = 0.0, 0.0, first_life_s, first_kg
    while loaded_s < shift_s and len(found) < MOST_CHARGES:
        lasting_s = None
        if mass_kg is not None:
            lasting_s = empty_in_s(mass_kg=mass_kg, use_kg_per_s=use_kg_per_s)
        empty_s = inf if lasting_s is None else warm_s + lasting_s
        ending = Ending.SPENT if spent_s < empty_s else Ending.EMPTY
        if min(spent_s, empty_s) > shift_s:
            ending = Ending.IN_USE
        out_s = min(spent_s, empty_s, shift_s)
        used_kg = use_kg_per_s * max(out_s - warm_s, 0.0)
        left_kg = None if mass_kg is None else max(mass_kg - used_kg, 0.0)
        found.append(Stay(loaded_s, min(warm_s, out_s), out_s, ending, left_kg))
        loaded_s, warm_s, spent_s, mass_kg = out_s, out_s + wait_s, out_s + life_s, fill_kg
    return tuple(found)


def lot(
    *,
    fill_kg: float,
    life_s: float,
    use_kg_per_s: float,
    day_s: float,
    wait_s: float,
    morning_s: float,
) -> Lot:
    """What one size of container costs in adhesive and time, on a long average.

    With H hours a day, W of waiting at a change and M each morning, a stay of L contains
    L = W + M L/H + time in use; it ends when the use has emptied the charge, or with its pot
    life. The cell is cold between its days, and nothing ages then.

    Parameters
    ----------
    fill_kg : float
        Of a full one. [kg]
    life_s : float
        Hot time until a fresh one is spent, above 0; infinite for never. [s]
    use_kg_per_s : float
        Mean consumption while the charge is warm, above 0. [kg/s]
    day_s : float
        Hours that the cell runs each day; ``DAY_S`` for without a break. [s]
    wait_s, morning_s : float
        Waiting for a charge at a change, and in the morning. [s]

    Returns
    -------
    Lot
        Changes, waste and waiting.

    Source
    ------
    Conservation of mass and time; that a cold charge waits till it is warm is common practice.

    Examples
    --------
    A cartridge of 330 g at 4 mg/s would last 22.9 h, but is spent after 8 h: 65 % is left.

    >>> cartridge = lot(fill_kg=0.33, life_s=8 * 3600.0, use_kg_per_s=4e-6, day_s=DAY_S,
    ...     wait_s=0.0, morning_s=0.0)
    >>> cartridge.is_spent, round(cartridge.unused_share, 2), cartridge.changes_per_day
    (True, 0.65, 3.0)
    """
    warm_share = max(1.0 - morning_s / day_s, 0.0) if day_s < DAY_S else 1.0
    lasting_s = fill_kg / use_kg_per_s
    emptying_s = (wait_s + lasting_s) / warm_share if warm_share else inf
    stay_s = min(life_s, emptying_s)
    is_spent = life_s < emptying_s
    used_s = max(warm_share * life_s - wait_s, 0.0) if is_spent else lasting_s
    return Lot(
        stay_s=stay_s,
        is_spent=is_spent,
        changes_per_day=day_s / stay_s,
        unused_share=1.0 - used_s / lasting_s,
        waiting_share=1.0 - used_s / stay_s,
    )


def tank_age(
    age_s: float,
    *,
    rate: float,
    shift_s: float,
    mass_kg: float,
    use_kg_per_s: float,
    pot_life_s: float,
) -> TankAge:
    """The mean age of a tank over a shift, held at one filling.

    Parameters
    ----------
    age_s : float
        At the beginning, as equivalent time. [s]
    rate : float
        Ageing per second. [1]
    shift_s : float
        Length. [s]
    mass_kg : float
        In the tank, above 0. [kg]
    use_kg_per_s : float
        Mean consumption, as much is fed; above 0. [kg/s]
    pot_life_s : float
        At the reference temperature. [s]

    Returns
    -------
    TankAge
        Course, end, and the moment of being spent.

    Source
    ------
    Age balance of a well-mixed tank, as ``age_after_s``: exponential towards ``steady_age_s``.

    Examples
    --------
    One mean residence of 1000 s ages it to 632 s; half of the final age comes after 693 s.

    >>> course = tank_age(0.0, rate=1.0, shift_s=1000.0, mass_kg=1.0, use_kg_per_s=1e-3,
    ...     pot_life_s=500.0)
    >>> round(course.age_s[-1]), course.settles_s, round(course.spent_in_s)
    (632, 1000.0, 693)
    """
    residence_s = tank.mean_residence_s(mass_kg=mass_kg, flow_kg_per_s=use_kg_per_s)
    settles_s = tank.steady_age_s(rate, residence_s=residence_s)
    at_s = [float(moment) for moment in np.linspace(0.0, shift_s, _POINTS)]
    spent_in_s: float | None = None
    if age_s >= pot_life_s:
        spent_in_s = 0.0
    elif settles_s > pot_life_s:
        spent_in_s = residence_s * log((settles_s - age_s) / (settles_s - pot_life_s))
    return TankAge(
        residence_s=residence_s,
        at_s=tuple(at_s),
        age_s=tuple(
            tank.age_after_s(
                age_s, rate=rate, duration_s=moment, flow_kg_per_s=use_kg_per_s, mass_kg=mass_kg
            )
            for moment in at_s
        ),
        settles_s=settles_s,
        spent_in_s=spent_in_s,
    )


def tank_fill(
    *,
    mass_kg: float,
    use_kg_per_s: float,
    delay_s: float,
    life_s: float,
    rate: float,
    pot_life_s: float,
) -> TankFill:
    """How old the melt of a tank becomes that is held at one filling.

    Parameters
    ----------
    mass_kg : float
        In it. [kg]
    use_kg_per_s : float
        Mean consumption, as much is fed; above 0. [kg/s]
    delay_s : float
        Of the hose behind it, taken to age the melt like the tank. [s]
    life_s : float
        Time at the tank's temperature until melt is spent. [s]
    rate : float
        Ageing per second there. [1]
    pot_life_s : float
        At the reference temperature. [s]

    Returns
    -------
    TankFill
        Residence and ages.

    Source
    ------
    Mixed tank and plug in series, as ``older_share``.

    Examples
    --------
    300 g at 10 g/min stay 30 min; behind a hose of 5 min 16 % is delivered older than an hour.

    >>> fill = tank_fill(mass_kg=0.3, use_kg_per_s=1e-2 / 60.0, delay_s=300.0, life_s=3600.0,
    ...     rate=1.0, pot_life_s=3600.0)
    >>> round(fill.residence_s), round(fill.older_share, 2), round(fill.settled_share, 2)
    (1800, 0.16, 0.5)
    """
    residence_s = tank.mean_residence_s(mass_kg=mass_kg, flow_kg_per_s=use_kg_per_s)
    return TankFill(
        residence_s=residence_s,
        older_share=tank.older_share(life_s, residence_s=residence_s, delay_s=delay_s),
        settled_share=tank.steady_age_s(rate, residence_s=residence_s) / pot_life_s,
    )
