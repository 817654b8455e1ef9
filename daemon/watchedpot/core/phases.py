"""The zone machine: what a zone is doing, so that heating up never alarms cold.

Theory of operation
-------------------
A zone is told by its setpoint what is wanted of it: nothing (OFF), a lower hold while idle
(SETBACK), or its window (PRODUCTION). Without a setpoint channel the reading itself stands in:
hot to the touch means that the window is wanted; then setback can't be told from cooling.

    OFF --production--> HEATING --warm--> SOAKING --soaked--> READY --setback--> SETBACK
     ^                                       ^                | ^                   |
     |                                       +----charged-----+ |               production
     +--cool-- COOLING <--off--(any)              warm, not soaked                  |
                                                              v | soaked            v
                                                             RECOVERING <-----------+

The sensor sits in metal and is warm long before the charge is. WARM means that the wall stands
in its window and the core does not follow yet; SOAKED that both are warm. A zone without a
charge of its own, or of which no soak is known, is soaked as soon as it is warm.

READY is left when something else is *wanted*; when another charge is loaded that is not warm
(CHARGED); when the zone falls out of its window while the cell stands (COLD); and when the wall
is back in its window and the core is not: that is what is left of a power cut. A zone that
falls out of its window in *production* stays READY: that is not another phase but an excursion,
and the reason for a cold alarm. HEATING, SOAKING and RECOVERING end only with a warm core.

What is wanted and where the temperature is are looked at only on rows whose temperature is
good: a restarting controller that shows zeros everywhere has said nothing. While a zone is not
seen its phase is *shown* as unknown; the machine keeps its state and goes on from there.

Decided against: leaving HEATING on a timer (a slow zone would alarm cold every morning), and
telling the phase from heater output (many cells do not give it).
"""

from __future__ import annotations

from enum import Enum

from watchedpot.core.snapshot import Phase


class Demand(Enum):
    """What is wanted of a zone."""

    OFF = "off"
    SETBACK = "setback"
    PRODUCTION = "production"


class PhaseInput(Enum):
    """What can move a zone from one phase to another."""

    WANT_OFF = "want_off"
    WANT_SETBACK = "want_setback"
    WANT_PRODUCTION = "want_production"
    WARM = "warm"  # seen in its window, or above it, with a core that is not warm
    SOAKED = "soaked"  # seen in its window, or above it, and warm to the core
    CHARGED = "charged"  # another charge, not warm to the core
    COLD = "cold"  # seen below its window while the cell stands
    COOL = "cool"  # seen below hot-to-the-touch


_WANTED = {
    Demand.OFF: PhaseInput.WANT_OFF,
    Demand.SETBACK: PhaseInput.WANT_SETBACK,
    Demand.PRODUCTION: PhaseInput.WANT_PRODUCTION,
}

_COLUMNS = tuple(PhaseInput)
_ROWS = {
    # want off, want setback, want production, warm, soaked, charged, cold, cool
    Phase.OFF: (
        Phase.OFF,
        Phase.SETBACK,
        Phase.HEATING,
        Phase.OFF,
        Phase.OFF,
        Phase.OFF,
        Phase.OFF,
        Phase.OFF,
    ),
    Phase.HEATING: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.HEATING,
        Phase.SOAKING,
        Phase.READY,
        Phase.HEATING,
        Phase.HEATING,
        Phase.HEATING,
    ),
    Phase.SOAKING: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.SOAKING,
        Phase.SOAKING,
        Phase.READY,
        Phase.SOAKING,
        Phase.SOAKING,
        Phase.SOAKING,
    ),
    Phase.READY: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.READY,
        Phase.RECOVERING,
        Phase.READY,
        Phase.SOAKING,
        Phase.RECOVERING,
        Phase.READY,
    ),
    Phase.SETBACK: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.RECOVERING,
        Phase.SETBACK,
        Phase.SETBACK,
        Phase.SETBACK,
        Phase.SETBACK,
        Phase.SETBACK,
    ),
    Phase.RECOVERING: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.RECOVERING,
        Phase.RECOVERING,
        Phase.READY,
        Phase.SOAKING,
        Phase.RECOVERING,
        Phase.RECOVERING,
    ),
    Phase.COOLING: (
        Phase.COOLING,
        Phase.SETBACK,
        Phase.HEATING,
        Phase.COOLING,
        Phase.COOLING,
        Phase.COOLING,
        Phase.COOLING,
        Phase.OFF,
    ),
}

TABLE: dict[tuple[Phase, PhaseInput], Phase] = {
    (phase, column): target
    for phase, targets in _ROWS.items()
    for column, target in zip(_COLUMNS, targets, strict=True)
}
"""Every phase x every input. UNKNOWN is not in it: it is how an unseen zone is shown."""


def next_phase(
    phase: Phase,
    demand: Demand,
    *,
    is_warm: bool,
    is_soaked: bool,
    is_standing: bool,
    is_cool: bool,
) -> Phase:
    """Phase after a good reading, run to its fixed point.

    Parameters
    ----------
    phase : Phase
        Before; not UNKNOWN.
    demand : Demand
        What is wanted of the zone now.
    is_warm, is_cool : bool
        Whether the reading is in (or above) the window, and below hot-to-the-touch.
    is_soaked : bool
        Whether the core is warm; true for a zone without a core to wait for.
    is_standing : bool
        Whether the cell is not in production.

    Examples
    --------
    >>> next_phase(Phase.OFF, Demand.PRODUCTION, is_warm=False, is_soaked=True, is_standing=True,
    ...     is_cool=True)
    <Phase.HEATING: 'heating'>
    """
    phase = TABLE[phase, _WANTED[demand]]
    if is_warm:
        phase = TABLE[phase, PhaseInput.SOAKED if is_soaked else PhaseInput.WARM]
    elif is_standing:
        phase = TABLE[phase, PhaseInput.COLD]
    if is_cool:
        phase = TABLE[phase, PhaseInput.COOL]
    return phase
