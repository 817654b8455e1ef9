"""What was configured, as the core sees it: frozen, checked, in the units of the formulas.

``app.config`` builds these from files; nothing here is ever changed while running.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class ZoneKind(StrEnum):
    """What a heat zone is, in the direction of flow."""

    TANK = "tank"
    CARTRIDGE = "cartridge"
    SYRINGE = "syringe"
    HOSE = "hose"
    NOZZLE = "nozzle"


class AlarmKind(StrEnum):
    """What an alarm is about. OVER_CEILING is the worse stage of HOT, not an alarm beside it."""

    COLD = "cold"
    HOT = "hot"
    OVER_CEILING = "over_ceiling"
    BUILD_UP = "build_up"
    DEGRADATION = "degradation"
    UNSEEN = "unseen"


class Priority(StrEnum):
    """How soon a person must act, by consequence and time to respond."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class AlarmRules:
    """One alarm: when it is raised, and what it asks of a person.

    Attributes
    ----------
    on_delay_s, off_delay_s
        How long the condition must hold before it counts as on, as off. [s]
    deadband_k
        How far inside the limit the value must come back before it can clear. [K]
    limit_s
        Index at which a wear alarm (build-up, degradation) is raised; None for others. [s]
    re_alarm_s
        Acknowledged but still on after this long: unacknowledged again; None for never. [s]
    cause, consequence, response
        What it means and what to do; ``response`` is never empty, or it is not an alarm.
    time_to_respond_s
        How long acting still prevents the consequence. [s]
    is_latching
        Whether it stays after the condition is gone until it is reset.
    """

    kind: AlarmKind
    priority: Priority
    cause: str
    consequence: str
    response: str
    time_to_respond_s: float
    on_delay_s: float
    off_delay_s: float
    deadband_k: float = 0.0
    limit_s: float | None = None
    re_alarm_s: float | None = None
    is_latching: bool = False


@dataclass(frozen=True, slots=True)
class MaterialRules:
    """What the thermal account needs to know of an adhesive.

    Attributes
    ----------
    ceiling_c
        The material's limit; above it the charge counts as overheated at once. [degC]
    flow_ea_j_per_mol
        Activation energy of flow: how steeply viscosity rises when colder. [J/mol]
    degradation_ea_j_per_mol
        Activation energy of the damage above the window. [J/mol]
    source
        Where the numbers come from; demo materials say so here.
    """

    id: str
    ceiling_c: float
    flow_ea_j_per_mol: float
    degradation_ea_j_per_mol: float
    source: str
    is_demo: bool = False


@dataclass(frozen=True, slots=True)
class ZoneRules:
    """One heat zone.

    Attributes
    ----------
    low_c, high_c
        Edges of the window. [degC]
    off_below_c
        A setpoint (or, without one, a reading) below this means that the zone is off; a zone
        is hot to the touch above it. [degC]
    max_gap_s
        Longest step between two good readings that is joined by a straight line. [s]
    stale_after_s
        Age at which the last reading no longer says anything about now. [s]
    temperature, setpoint, output
        Channel names; None where there is none.
    alarms
        Of the zone, at most one of each kind.
    """

    id: str
    kind: ZoneKind
    material: MaterialRules
    low_c: float
    high_c: float
    temperature: str
    setpoint: str | None = None
    output: str | None = None
    off_below_c: float = 50.0
    max_gap_s: float = 3.0
    stale_after_s: float = 3.0
    alarms: tuple[AlarmRules, ...] = ()

    def alarm(self, kind: AlarmKind) -> AlarmRules | None:
        """The rules of one alarm, None where it is not configured."""
        return next((rules for rules in self.alarms if rules.kind is kind), None)


@dataclass(frozen=True, slots=True)
class CellRules:
    """One cell: its zones in flow order and its own signals.

    Attributes
    ----------
    production_hold_s
        How long after the last dispensing the cell still counts as in production. [s]
    gate_hold_s
        How long a known cell signal is believed after its last good reading. [s]
    dispensing, parts, charge_id, wiped, ambient
        Channel names; None where there is none.
    """

    id: str
    zones: tuple[ZoneRules, ...]
    production_hold_s: float = 60.0
    gate_hold_s: float = 3.0
    dispensing: str | None = None
    parts: str | None = None
    charge_id: str | None = None
    wiped: str | None = None
    ambient: str | None = None
    alarms: tuple[AlarmRules, ...] = field(default=())

    def alarm(self, kind: AlarmKind) -> AlarmRules | None:
        """The rules of one alarm of the cell itself, None where it is not configured."""
        return next((rules for rules in self.alarms if rules.kind is kind), None)

    def channels(self) -> tuple[str, ...]:
        """Every channel the cell uses, zones first, in flow order."""
        of_zones = (
            name for zone in self.zones for name in (zone.temperature, zone.setpoint, zone.output)
        )
        of_cell = (self.dispensing, self.parts, self.charge_id, self.wiped, self.ambient)
        return tuple(name for name in (*of_zones, *of_cell) if name is not None)
