"""The charge: whose age it is, how it stands, what is left of it.

Theory of operation
-------------------
A charge has no table of transitions, because nothing it does depends on how it came to be as
it is: its state is a function of what is known of it, worst first.

    OVERHEATED    it met more than its material bears
    SPENT         its pot life is used up
    AGE_UNKNOWN   nobody has said how old it was, or another charge may lie there
    NEAR_LIMIT    most of its pot life is used up
    IN_LIFE       it has been warm to the core since it was loaded
    WARMING       its container is hot
    LOADED        none of these

An age that is not known is still counted from when the charge was first seen: a lower bound
that can prove a charge spent, but never fresh. A charge ends when another is loaded; it is
remembered for a while, and when its id comes back, so does its age. A refill of a tank is no
other charge: it mixes, and resets nothing.

Whether a charge was changed unsaid is never guessed: the suspicion makes the age unknown, keeps
the count, and waits for a person to say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from watchedpot.core import dose
from watchedpot.core.dose import Dose
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.rules import CellRules
from watchedpot.core.snapshot import ChargeState
from watchedpot.core.units import ns, seconds

REMEMBERED = 32
"""Charges whose age is kept after they were taken out [1]."""

LEAST_RECORD_NS = ns(600.0)
"""Time since loading before a mean consumption says something; common practice, no source. [ns]"""

LEAST_FILL = 0.02
"""Share of a full charge that always counts as left [1]: a forecast does not divide by nothing."""


@dataclass(frozen=True, slots=True)
class Charge:
    """What is known of a charge but its dose, which is kept with the zone it lies in.

    Attributes
    ----------
    loaded
        When; None where it was there before the account began.
    is_doubted
        Whether it looks as if another charge lies there, and nobody has said.
    is_heated, is_soaked
        Whether its container has been hot, and itself warm to the core, since it was loaded.
    is_near, is_spent
        Whether its dose has passed these shares of the pot life.
    mass_kg
        At loading, or after the newest refill; None where not known. [kg]
    flowed_ns, elapsed_ns
        Dispensing and total time of the reservoir's account at that moment. [ns]
    lot, expires_utc_ns
        As a person said them; empty and None where nobody did. [ns]
    unfit
        Why it should not have been loaded.
    """

    id: str | None = None
    loaded: Instant | None = None
    is_age_known: bool = False
    is_doubted: bool = False
    is_overheated: bool = False
    is_heated: bool = False
    is_soaked: bool = False
    is_near: bool = False
    is_spent: bool = False
    mass_kg: float | None = None
    flowed_ns: int = 0
    elapsed_ns: int = 0
    lot: str = ""
    expires_utc_ns: int | None = None
    unfit: tuple[str, ...] = ()

    @property
    def state(self) -> ChargeState:
        """How it stands: the worst of what is known."""
        ranks = (
            (self.is_overheated, ChargeState.OVERHEATED),
            (self.is_spent, ChargeState.SPENT),
            (self.is_doubted or not self.is_age_known, ChargeState.AGE_UNKNOWN),
            (self.is_near, ChargeState.NEAR_LIMIT),
            (self.is_soaked, ChargeState.IN_LIFE),
            (self.is_heated, ChargeState.WARMING),
        )
        return next((state for is_so, state in ranks if is_so), ChargeState.LOADED)


@dataclass(frozen=True, slots=True)
class Remembered:
    """A charge that was taken out, with its age."""

    id: str
    dose: Dose
    is_age_known: bool
    is_overheated: bool


def laid_aside(shelf: tuple[Remembered, ...], charge: Charge, aged: Dose) -> tuple[Remembered, ...]:
    """The remembered charges with one more, the oldest forgotten."""
    if charge.id is None:
        return shelf
    kept = tuple(known for known in shelf if known.id != charge.id)
    is_age_known = charge.is_age_known and not charge.is_doubted
    taken_out = Remembered(charge.id, aged, is_age_known, charge.is_overheated)
    return (*kept, taken_out)[-REMEMBERED:]


def recalled(shelf: tuple[Remembered, ...], charge_id: str) -> Remembered | None:
    """A remembered charge by its id."""
    return next((known for known in shelf if known.id == charge_id), None)


@dataclass(frozen=True, slots=True)
class Flowed:
    """How much the cell has used, as times of the reservoir's account.

    Attributes
    ----------
    flowed_ns, elapsed_ns
        Dispensing and total time since the account began. [ns]
    """

    flowed_ns: int = 0
    elapsed_ns: int = 0


def mass_left_kg(charge: Charge, now: Flowed, *, flow_kg_per_s: float | None) -> float | None:
    """Mass of the charge now, None where it or the flow is not known.

    Parameters
    ----------
    charge : Charge
        With its mass at loading.
    now : Flowed
        Times of the account.
    flow_kg_per_s : float or None
        Mean melt flow while dispensing. [kg/s]

    Returns
    -------
    float or None
        Never below ``LEAST_FILL`` of what was loaded. [kg]

    Source
    ------
    Conservation of mass.

    Examples
    --------
    A hundred seconds of 4 mg/s out of 33 g.

    >>> charge = Charge(mass_kg=0.033)
    >>> round(mass_left_kg(charge, Flowed(100 * 10**9, 10**12), flow_kg_per_s=4e-6), 6)
    0.0326
    """
    if charge.mass_kg is None or flow_kg_per_s is None:
        return None
    used_kg = flow_kg_per_s * seconds(now.flowed_ns - charge.flowed_ns)
    return max(charge.mass_kg - used_kg, LEAST_FILL * charge.mass_kg)


def use_kg_per_s(charge: Charge, now: Flowed, *, flow_kg_per_s: float | None) -> float | None:
    """Mean consumption since loading, pauses included.

    Parameters
    ----------
    charge : Charge
        With the times of the account at loading.
    now : Flowed
        Times of the account.
    flow_kg_per_s : float or None
        Mean melt flow while dispensing. [kg/s]

    Returns
    -------
    float or None
        None before ``LEAST_RECORD_NS``, and where nothing was dispensed. [kg/s]

    Source
    ------
    Definition of a mean.

    Examples
    --------
    Dispensing two fifths of the time at 4 mg/s.

    >>> use = use_kg_per_s(Charge(), Flowed(400 * 10**9, 1000 * 10**9), flow_kg_per_s=4e-6)
    >>> round(1e6 * use, 3)
    1.6
    """
    elapsed_ns = now.elapsed_ns - charge.elapsed_ns
    flowed_ns = now.flowed_ns - charge.flowed_ns
    if flow_kg_per_s is None or elapsed_ns < LEAST_RECORD_NS or flowed_ns <= 0:
        return None
    return flow_kg_per_s * flowed_ns / elapsed_ns


def weighed(charge: Charge, now: Flowed, mass_kg: float | None) -> Charge:
    """The charge with its mass as of now; consumption is counted from here."""
    return replace(charge, mass_kg=mass_kg, flowed_ns=now.flowed_ns, elapsed_ns=now.elapsed_ns)


def judged(charge: Charge, aged: Dose, *, near_ns: float, spent_ns: float) -> Charge:
    """The charge with its life judged by a dose that did not grow but was set."""
    most_ns = max(aged.low_ns, aged.high_ns)
    return replace(charge, is_near=most_ns >= near_ns, is_spent=most_ns >= spent_ns)


@dataclass(frozen=True, slots=True)
class Life:
    """The reservoir's account at one moment, as far as the life of its charge needs it.

    Attributes
    ----------
    temp_c
        Its reading, None unless good. [degC]
    """

    dose: Dose
    flowed: Flowed
    temp_c: float | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is left of a charge; None where it is not known.

    Attributes
    ----------
    life_used, expires_in_s
        Of the pot life, by the stricter bound, at the present temperature. [1, s]
    mass_kg, use_kg_per_s, empty_in_s
        What is left, and how long at the mean consumption. [kg, kg/s, s]
    left_at_expiry
        Share of a full charge that will be left when the pot life is gone. [1]
    """

    life_used: float | None = None
    expires_in_s: float | None = None
    mass_kg: float | None = None
    use_kg_per_s: float | None = None
    empty_in_s: float | None = None
    left_at_expiry: float | None = None


def outlook(charge: Charge, life: Life, rules: CellRules) -> Outlook:
    """What is left of a charge at a moment.

    Parameters
    ----------
    charge : Charge
        The charge.
    life : Life
        The reservoir's account at that moment.
    rules : CellRules
        Of a cell with a reservoir.

    Returns
    -------
    Outlook
        With None for all that the configuration or the readings do not tell.

    Source
    ------
    The functions of ``dose``; consumption is the mean since loading.
    """
    reservoir, usual = rules.reservoir, rules.charge
    if reservoir is None:
        return Outlook()
    flow_kg_per_s = usual.flow_kg_per_s
    mass_kg = mass_left_kg(charge, life.flowed, flow_kg_per_s=flow_kg_per_s)
    use = use_kg_per_s(charge, life.flowed, flow_kg_per_s=flow_kg_per_s)
    empty_in_s = (
        None
        if mass_kg is None or use is None
        else dose.empty_in_s(mass_kg=mass_kg, use_kg_per_s=use)
    )
    material = reservoir.material
    if material.ageing is None:
        return Outlook(None, None, mass_kg, use, empty_in_s, None)
    expires_in_s = None
    if life.temp_c is not None:
        expires_in_s = dose.expires_in_s(
            life.dose, life.temp_c, material.ageing, ceiling_c=material.ceiling_c
        )
    left = None
    if mass_kg is not None and use is not None and usual.fill_kg and expires_in_s is not None:
        left = dose.left_at_expiry(
            mass_kg=mass_kg,
            fill_kg=usual.fill_kg,
            use_kg_per_s=use,
            expires_in_s=expires_in_s,
        )
    used = dose.life_used(life.dose, material.ageing)
    return Outlook(used, expires_in_s, mass_kg, use, empty_in_s, left)


def state_event(
    before: ChargeState, charge: Charge, at: Instant, life: Life | None, rules: CellRules
) -> Event:
    """Event of a charge that stands otherwise from now on."""
    seen = Outlook() if life is None else outlook(charge, life, rules)
    details: tuple[tuple[str, Detail], ...] = (
        ("charge_id", charge.id),
        ("from", before.value),
        ("to", charge.state.value),
        ("life_used", seen.life_used),
        ("expires_in_s", seen.expires_in_s),
        ("empty_in_s", seen.empty_in_s),
        ("left_at_expiry", seen.left_at_expiry),
    )
    return Event(EventKind.CHARGE_STATE_CHANGED, at, rules.id, "", details)
