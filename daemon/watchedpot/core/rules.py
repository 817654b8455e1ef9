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
    BEFORE_READY = "before_ready"
    POT_LIFE = "pot_life"


class Dosing(StrEnum):
    """What the dispenser holds constant; the rest follows the viscosity."""

    TIME_PRESSURE = "time_pressure"  # pressure and time: flow falls as viscosity rises
    VOLUMETRIC = "volumetric"  # a pump's flow: pressure rises with viscosity


class PartRule(StrEnum):
    """What can speak against a part. The first group is about a zone, the second about the cell."""

    OUTSIDE_WINDOW = "outside_window"  # while dispensing; of a nozzle its tip, where it is known
    OVER_CEILING = "over_ceiling"
    TIP_SETTLING = "tip_settling"  # wiped or cold shortly before: its tip may still have been cold
    NEAR_EDGE = "near_edge"
    BEFORE_READY = "before_ready"
    BLIND = "blind"  # dispensed, or may have been, while nobody saw the zone
    LOST_READINGS = "lost_readings"  # the same, for a moment only
    SENSOR_DOUBT = "sensor_doubt"  # a reference check of the zone has failed
    BEFORE_LOSS = "before_loss"  # made shortly before readings were lost
    UNTRUE_READING = "untrue_reading"  # by a finding the reading says nothing of the zone
    SLIPPED_SENSOR = "slipped_sensor"  # by a finding it reads low, and nobody has checked it
    HEAT_AT_FAULT = "heat_at_fault"  # by a finding its heat fails or runs on
    TIP_IN_DRAFT = "tip_in_draft"  # by a finding, and colder than its limit by estimate

    SPENT_CHARGE = "spent_charge"
    OVERHEATED_CHARGE = "overheated_charge"
    UNKNOWN_AGE = "unknown_age"
    DOUBTED_CHARGE = "doubted_charge"  # it looks as if another one was loaded unsaid
    UNFIT_CHARGE = "unfit_charge"  # out of date, or stored too warm or too long
    AFTER_IDLE = "after_idle"  # the melt had stood in the nozzle too long, unpurged
    UNCOUNTED = "uncounted"  # several parts, or none for certain, behind one count
    OPEN_TIME = "open_time"  # joined too late


class Verdict(StrEnum):
    """What is concluded of a part, from good to bad; the last three are suspect."""

    CLEAR = "clear"
    NOTE = "clear_with_note"
    REVIEW = "review"
    UNKNOWN = "unknown"
    QUARANTINE = "quarantine"

    @property
    def is_suspect(self) -> bool:
        """Whether the part must not go on before somebody has decided about it."""
        return self in {Verdict.REVIEW, Verdict.UNKNOWN, Verdict.QUARANTINE}


VERDICTS: dict[PartRule, Verdict] = {
    PartRule.OUTSIDE_WINDOW: Verdict.QUARANTINE,
    PartRule.OVER_CEILING: Verdict.QUARANTINE,
    PartRule.TIP_SETTLING: Verdict.REVIEW,
    PartRule.NEAR_EDGE: Verdict.NOTE,
    PartRule.BEFORE_READY: Verdict.QUARANTINE,
    PartRule.BLIND: Verdict.UNKNOWN,
    PartRule.LOST_READINGS: Verdict.NOTE,
    PartRule.SENSOR_DOUBT: Verdict.REVIEW,
    PartRule.BEFORE_LOSS: Verdict.REVIEW,
    PartRule.UNTRUE_READING: Verdict.UNKNOWN,
    PartRule.SLIPPED_SENSOR: Verdict.REVIEW,
    PartRule.HEAT_AT_FAULT: Verdict.NOTE,
    PartRule.TIP_IN_DRAFT: Verdict.REVIEW,
    PartRule.SPENT_CHARGE: Verdict.REVIEW,
    PartRule.OVERHEATED_CHARGE: Verdict.QUARANTINE,
    PartRule.UNKNOWN_AGE: Verdict.NOTE,
    PartRule.DOUBTED_CHARGE: Verdict.REVIEW,
    PartRule.UNFIT_CHARGE: Verdict.REVIEW,
    PartRule.AFTER_IDLE: Verdict.REVIEW,
    PartRule.UNCOUNTED: Verdict.UNKNOWN,
    PartRule.OPEN_TIME: Verdict.REVIEW,
}
"""What each rule concludes where the configuration says nothing else; common practice."""


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
    max_shelving_s
        Longest time for which it can be shelved at once, until it is over included. [s]
    setpoint_settle_s
        Cold, hot: for how long after a change of the setpoint within the window a new excursion
        is taken for part of the change; 0 for not at all. [s]
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
    max_shelving_s: float = 28_800.0
    setpoint_settle_s: float = 0.0


@dataclass(frozen=True, slots=True)
class AgeingRules:
    """How an adhesive uses up its pot life.

    The activation energy is rarely known: both bounds are computed, the stricter is shown.

    Attributes
    ----------
    pot_life_s, ref_c
        Pot life, and the temperature it is stated at. [s, degC]
    ea_low_j_per_mol, ea_high_j_per_mol
        Bounds of the activation energy of ageing. [J/mol]
    stops_below_c
        Below this the charge does not age. [degC]
    """

    pot_life_s: float
    ref_c: float
    ea_low_j_per_mol: float = 60e3
    ea_high_j_per_mol: float = 100e3
    stops_below_c: float = 40.0


@dataclass(frozen=True, slots=True)
class ThermalRules:
    """How heat moves in an adhesive.

    Attributes
    ----------
    diffusivity_m2_per_s, diffusivity_low_m2_per_s, diffusivity_high_m2_per_s
        Thermal diffusivity: best value and range. [m2/s]
    conductivity_w_per_m_k
        Thermal conductivity. [W/(m K)]
    density_kg_per_m3
        Of the melt. [kg/m3]
    heat_capacity_j_per_kg_k
        Of the melt. [J/(kg K)]
    """

    diffusivity_m2_per_s: float
    diffusivity_low_m2_per_s: float
    diffusivity_high_m2_per_s: float
    conductivity_w_per_m_k: float
    density_kg_per_m3: float
    heat_capacity_j_per_kg_k: float


@dataclass(frozen=True, slots=True)
class StorageRules:
    """How a material may be stored before it is loaded; None for what is not limited.

    Attributes
    ----------
    limit_c
        Temperature above which time in store counts. [degC]
    above_max_s
        Longest time above it. [s]
    mean_kinetic_max_c
        Highest mean kinetic temperature. [degC]
    out_of_store_max_s
        Longest time outside the store before loading. [s]
    ea_j_per_mol
        Heat of activation of the mean kinetic temperature; the convention of USP <1079.2> is
        83.144 kJ/mol. [J/mol]
    """

    limit_c: float
    above_max_s: float | None = None
    mean_kinetic_max_c: float | None = None
    out_of_store_max_s: float | None = None
    ea_j_per_mol: float = 83_144.0


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
    ageing, thermal
        None where they are not known: then no age, no core temperature.
    viscosity_pa_s, viscosity_at_c
        One point of the viscosity; None where only its steepness is known. [Pa s, degC]
    dew_point_max_c
        Highest pressure dew point of the dispensing air; None for no limit. [degC]
    storage
        None where storage is not limited.
    open_time_s
        Longest time from dispensing to joining; None where not known. [s]
    rework_s, rework_caution
        How long after dispensing a part can still be taken apart and cleaned, None where not
        known [s], and what must be minded when doing it.
    """

    id: str
    ceiling_c: float
    flow_ea_j_per_mol: float
    degradation_ea_j_per_mol: float
    source: str
    is_demo: bool = False
    ageing: AgeingRules | None = None
    thermal: ThermalRules | None = None
    viscosity_pa_s: float | None = None
    viscosity_at_c: float | None = None
    dew_point_max_c: float | None = None
    storage: StorageRules | None = None
    open_time_s: float | None = None
    rework_s: float | None = None
    rework_caution: str = ""


@dataclass(frozen=True, slots=True)
class SoakRules:
    """When the core of a charge counts as warm.

    Attributes
    ----------
    ready_c
        The axis must have reached it. [degC]
    start_c
        Temperature of a charge of which nothing else is known. [degC]
    radius_m
        Inner radius of the container; None where unknown: then ``timer_s`` decides. [m]
    wall_w_per_m2_k
        Heat transfer coefficient from the sensor's metal to the adhesive: gap, container
        wall. [W/(m2 K)]
    timer_s
        The fallback: time in the window from cold; None where the radius is known. [s]
    tolerance_k
        Ready when even the slowest estimate is no further than this below ``ready_c``. [K]
    """

    ready_c: float
    start_c: float = 23.0
    radius_m: float | None = None
    wall_w_per_m2_k: float = 100.0
    timer_s: float | None = None
    tolerance_k: float = 2.0


@dataclass(frozen=True, slots=True)
class FinRules:
    """A bare needle or nozzle tip as a fin.

    Attributes
    ----------
    length_m, outer_m, bore_m
        Length outside the heated block, outer diameter, bore. [m]
    conductivity_w_per_m_k
        Of its metal; stainless steel about 16. [W/(m K)]
    emissivity
        Of its surface. [1]
    film_w_per_m2_k
        Coefficient to the air, radiation included; None: from free convection. [W/(m2 K)]
    """

    length_m: float
    outer_m: float
    bore_m: float
    conductivity_w_per_m_k: float = 16.0
    emissivity: float = 0.3
    film_w_per_m2_k: float | None = None


@dataclass(frozen=True, slots=True)
class TipRules:
    """How the tip is colder than its block: by its geometry, or by a measured offset.

    Attributes
    ----------
    low_c
        Lowest temperature of the tip at which the melt still flows as it should. [degC]
    fin
        Geometry; None where an offset was measured.
    offset_k
        Block minus tip as measured at commissioning, without flow; None with a fin. [K]
    """

    low_c: float
    fin: FinRules | None = None
    offset_k: float | None = None


@dataclass(frozen=True, slots=True)
class ZoneRules:
    """One heat zone.

    Attributes
    ----------
    low_c, high_c
        Edges of the window. [degC]
    setpoint_c
        The usual setpoint, inside the window; None where not told. [degC]
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
    soak
        Of a reservoir; None: warm at the wall counts as warm.
    tip
        Of a nozzle; None: only the block is known.
    hold_up_m3
        Melt that a hose or nozzle holds; None where not known. [m3]
    """

    id: str
    kind: ZoneKind
    material: MaterialRules
    low_c: float
    high_c: float
    temperature: str
    setpoint: str | None = None
    output: str | None = None
    setpoint_c: float | None = None
    off_below_c: float = 50.0
    max_gap_s: float = 3.0
    stale_after_s: float = 3.0
    alarms: tuple[AlarmRules, ...] = ()
    soak: SoakRules | None = None
    tip: TipRules | None = None
    hold_up_m3: float | None = None

    def alarm(self, kind: AlarmKind) -> AlarmRules | None:
        """The rules of one alarm, None where it is not configured."""
        return next((rules for rules in self.alarms if rules.kind is kind), None)

    @property
    def is_reservoir(self) -> bool:
        """Whether the charge lies here."""
        return self.kind in {ZoneKind.TANK, ZoneKind.CARTRIDGE, ZoneKind.SYRINGE}


@dataclass(frozen=True, slots=True)
class ChargeRules:
    """What is known of a cell's charges before they come.

    Attributes
    ----------
    fill_kg
        Mass of a full charge; None where not known: then no forecast of emptying. [kg]
    refill_kg
        Mass that one refill of a tank adds; None: a refill never makes the charge younger. [kg]
    flow_kg_per_s
        Mean melt flow while dispensing, by weighing; None where not known. [kg/s]
    dosing
        What the dispenser holds constant.
    preheat_c, preheat_s
        How charges are usually warmed before loading; None for cold. [degC, s]
    near_share
        Share of the pot life from which the charge is near its limit. [1]
    start_age_s
        Age, as equivalent time at the material's reference temperature, of the charge that is
        there when the account begins; None: not known. [s]
    """

    fill_kg: float | None = None
    refill_kg: float | None = None
    flow_kg_per_s: float | None = None
    dosing: Dosing = Dosing.TIME_PRESSURE
    preheat_c: float | None = None
    preheat_s: float = 0.0
    near_share: float = 0.8
    start_age_s: float | None = None


@dataclass(frozen=True, slots=True)
class AirRules:
    """The dispensing air, and where its moisture is measured.

    Attributes
    ----------
    line_pa
        Absolute pressure at which the air meets the adhesive. [Pa]
    measured_pa
        Absolute pressure at the humidity sensor. [Pa]
    """

    line_pa: float
    measured_pa: float


@dataclass(frozen=True, slots=True)
class PartRules:
    """How parts are counted and judged.

    Attributes
    ----------
    verdicts
        What each rule concludes where it is not as in ``VERDICTS``; CLEAR turns a rule off.
    guard_k
        Uncertainty of a reading: what lies this near an edge, or beyond it, counts as outside,
        after the decision rule of ISO 14253-1. [K]
    near_k
        A temperature nearer than this to where it counts as outside is noted. [K]
    blind_s
        Longest time without good readings while dispensing of one part that only casts doubt
        on it; beyond it the part is unknown. [s]
    before_loss
        Parts before a loss of readings that are doubted with it. [1]
    shortest_cycle_s
        Parts do not come faster; a counter that moves more than that has jumped. [s]
    rolls_over_at
        The counter's highest value plus one; None: 2**16 or 2**32, whichever fits. [1]
    tip_settle_s
        How long a nozzle's tip takes to follow its block, after it was cold or wiped; 20 to 30 s
        is common practice, no source. [s]
    check_tolerance_k
        A reference check that differs by more has failed. [K]
    """

    verdicts: tuple[tuple[PartRule, Verdict], ...] = ()
    guard_k: float = 0.5
    near_k: float = 1.0
    blind_s: float = 3.0
    before_loss: int = 1
    shortest_cycle_s: float = 1.0
    rolls_over_at: int | None = None
    tip_settle_s: float = 25.0
    check_tolerance_k: float = 1.0


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
    part_id, inspection, bead_width, joined
        Channel names: number of the part under way; whether the part passed (1) or failed (0)
        and its bead's width [mm], as they stand when the part is counted; counter of joined
        parts, or a signal that is true while one is joined.
    dew_point, air_temperature, air_humidity
        Channel names of the dispensing air's sensor: dew point, or the other two.
    ambient_c
        Room temperature where no channel tells it. [degC]
    purge_after_idle_s
        Longest pause after which the nozzle may dispense unpurged. [s]
    finds_causes
        Whether it is concluded what moves its temperatures.
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
    part_id: str | None = None
    inspection: str | None = None
    bead_width: str | None = None
    joined: str | None = None
    dew_point: str | None = None
    air_temperature: str | None = None
    air_humidity: str | None = None
    alarms: tuple[AlarmRules, ...] = field(default=())
    charge: ChargeRules = field(default_factory=ChargeRules)
    air: AirRules | None = None
    ambient_c: float = 23.0
    purge_after_idle_s: float = 600.0
    judging: PartRules = field(default_factory=PartRules)
    finds_causes: bool = False

    def alarm(self, kind: AlarmKind) -> AlarmRules | None:
        """The rules of one alarm of the cell itself, None where it is not configured."""
        return next((rules for rules in self.alarms if rules.kind is kind), None)

    @property
    def reservoir(self) -> ZoneRules | None:
        """The zone in which the charge lies, None where no zone is one."""
        return next((zone for zone in self.zones if zone.is_reservoir), None)

    def channels(self) -> tuple[str, ...]:
        """Every channel the cell uses, zones first, in flow order."""
        of_zones = (
            name for zone in self.zones for name in (zone.temperature, zone.setpoint, zone.output)
        )
        of_cell = (
            self.dispensing,
            self.parts,
            self.charge_id,
            self.wiped,
            self.ambient,
            self.part_id,
            self.inspection,
            self.bead_width,
            self.joined,
            self.dew_point,
            self.air_temperature,
            self.air_humidity,
        )
        return tuple(name for name in (*of_zones, *of_cell) if name is not None)
