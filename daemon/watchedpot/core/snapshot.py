"""Everything the outputs may know, at one instant: immutable, built by the engine."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AlarmKind, Priority, ZoneKind


class Phase(StrEnum):
    """What a zone is doing; UNKNOWN while it is not seen."""

    OFF = "off"
    HEATING = "heating"
    SOAKING = "soaking"
    READY = "ready"
    SETBACK = "setback"
    RECOVERING = "recovering"
    COOLING = "cooling"
    UNKNOWN = "unknown"


class Activity(StrEnum):
    """What the cell was doing with a zone: the split of all exposure."""

    DISPENSING = "dispensing"
    READY_IDLE = "ready_idle"
    HEATING = "heating"
    SETBACK = "setback"
    OFF = "off"
    UNKNOWN = "unknown"


class ChargeState(StrEnum):
    """How a charge stands."""

    LOADED = "loaded"
    WARMING = "warming"
    IN_LIFE = "in_life"
    NEAR_LIMIT = "near_limit"
    SPENT = "spent"
    OVERHEATED = "overheated"
    AGE_UNKNOWN = "age_unknown"


class Advice(StrEnum):
    """What to do with the cell now, worst first."""

    CUT_HEAT = "cut_heat"
    HOLD = "hold"
    CHECK_SENSOR = "check_sensor"
    CHECK_DATA = "check_data"
    CHANGE_CHARGE = "change_charge"
    WAIT = "wait"
    PURGE_FIRST = "purge_first"
    RUN = "run"


class Why(StrEnum):
    """The reason of an advice."""

    OVER_CEILING = "over_ceiling"
    ZONE_COLD = "zone_cold"
    ZONE_HOT = "zone_hot"
    READS_LOW = "reads_low"  # a zone is hotter than it reads
    HEAT_RUNS_ON = "heat_runs_on"  # power flows though none is asked for
    LOOP_BLIND = "loop_blind"  # the controller acts on a value that stands still
    NO_HEAT = "no_heat"
    WRONG_SETPOINT = "wrong_setpoint"
    FINDING = "finding"  # another one that asks for it
    BUILT_UP = "built_up"
    READING_DOUBTED = "reading_doubted"  # it may be several kelvin off
    DATA_DOUBTED = "data_doubted"  # what is read may not be what is
    READING_BAD = "reading_bad"  # the sensor says that it is broken, or reads what cannot be
    NOT_SEEN = "not_seen"  # no readings arrive
    AGE_UNKNOWN = "age_unknown"
    OVERHEATED = "overheated"
    SPENT = "spent"
    OFF = "off"
    COOLING = "cooling"
    HEATING = "heating"
    SOAKING = "soaking"
    SETBACK = "setback"
    RECOVERING = "recovering"
    IDLE = "idle"  # melt stood still in the nozzle
    NEW_CHARGE = "new_charge"
    ALL_WELL = "all_well"
    NEAR_LIMIT = "near_limit"  # of the pot life: run, but prepare the next charge


class AlarmState(StrEnum):
    """The nine states of IEC 62682 and ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


@dataclass(frozen=True, slots=True)
class Exposure:
    """Where the elapsed time of a zone went: below + inside + above + blind = elapsed, exactly.

    Attributes
    ----------
    below_ns, inside_ns, above_ns
        Seen time beyond the low edge, within the window, beyond the high edge. [ns]
    blind_ns
        Time without two neighbouring good readings. [ns]
    under_nks, over_nks
        Integral of the distance beyond the low, the high edge. [nano K s]
    """

    below_ns: int = 0
    inside_ns: int = 0
    above_ns: int = 0
    blind_ns: int = 0
    under_nks: int = 0
    over_nks: int = 0

    @property
    def seen_ns(self) -> int:
        """Time joined by a straight line between good readings, in ns."""
        return self.below_ns + self.inside_ns + self.above_ns

    @property
    def elapsed_ns(self) -> int:
        """All time since the account was opened, in ns."""
        return self.seen_ns + self.blind_ns

    @property
    def coverage(self) -> float:
        """Seen over elapsed time, 1 before any time has passed."""
        return self.seen_ns / self.elapsed_ns if self.elapsed_ns else 1.0

    def __add__(self, other: Exposure) -> Exposure:
        return Exposure(
            self.below_ns + other.below_ns,
            self.inside_ns + other.inside_ns,
            self.above_ns + other.above_ns,
            self.blind_ns + other.blind_ns,
            self.under_nks + other.under_nks,
            self.over_nks + other.over_nks,
        )


@dataclass(frozen=True, slots=True)
class CoreSnapshot:
    """The charge inside its container, by model or by timer.

    Attributes
    ----------
    centre_c, mean_c
        Best estimate of the axis and of the mean; None while not seen, or by timer. [degC]
    centre_low_c, centre_high_c
        The axis by the slowest and the fastest diffusivity. [degC]
    ready_c
        What the axis must reach. [degC]
    is_soaked
        Whether it has.
    ready_in_s
        Forecast, the wall staying at its setpoint; 0 when soaked, None where not known. [s]
    is_assumed
        Whether the start of the charge was assumed rather than known.
    """

    centre_c: float | None
    mean_c: float | None
    centre_low_c: float | None
    centre_high_c: float | None
    ready_c: float
    is_soaked: bool
    ready_in_s: float | None
    is_assumed: bool


@dataclass(frozen=True, slots=True)
class TipSnapshot:
    """The tip of a nozzle, estimated from its block.

    Attributes
    ----------
    temp_c, uncertainty_k
        None while the block is not seen. [degC, K]
    low_c
        Its limit. [degC]
    is_measured
        Whether an offset was measured at commissioning; else from geometry.
    viscosity_ratio
        Viscosity at the tip over that at the usual setpoint. [1]
    flow_ratio, width_ratio, pressure_ratio
        Melt flow, bead width and pressure over those at the usual setpoint: estimates. [1]
    """

    temp_c: float | None
    uncertainty_k: float | None
    low_c: float
    is_measured: bool
    viscosity_ratio: float | None
    flow_ratio: float | None
    width_ratio: float | None
    pressure_ratio: float | None


@dataclass(frozen=True, slots=True)
class ZoneSnapshot:
    """One heat zone.

    Attributes
    ----------
    temp_c, setpoint_c, output_percent
        Newest readings, None unless good. [degC, degC, %]
    last_good
        When a good temperature was last received, None if never.
    exposure
        One total for each activity.
    build_up_ns, degradation_ns
        The wear indexes. [ns]
    readings
        Count of readings received, by quality.
    core, tip
        None where the zone has none, or nothing is configured of it.
    transport_delay_s
        Time that melt takes through the zone at the charge's mean flow. [s]
    phase_since
        When the phase was entered, of a zone that is not seen the moment until which it was; None
        where that is not known.
    """

    id: str
    kind: ZoneKind
    phase: Phase
    temp_c: float | None
    quality: Quality
    reason: Reason
    status: int
    last_good: Instant | None
    setpoint_c: float | None
    output_percent: float | None
    low_c: float
    high_c: float
    ceiling_c: float
    stale_after_s: float
    exposure: dict[Activity, Exposure]
    build_up_ns: int
    degradation_ns: int
    readings: dict[Quality, int]
    excursions: dict[str, int]  # ended and open ones since the account began, by edge
    core: CoreSnapshot | None = None
    tip: TipSnapshot | None = None
    transport_delay_s: float | None = None
    phase_since: Instant | None = None
    leaving: LeavingSnapshot | None = None


@dataclass(frozen=True, slots=True)
class AlarmSnapshot:
    """One alarm.

    Attributes
    ----------
    id
        ``cell/zone/kind``, or ``cell/kind`` for an alarm of the cell.
    zone
        Empty for an alarm of the cell.
    stage
        0 while the condition is off, 1 on, 2 for the worse stage of an alarm that has two.
    since
        When the state was entered.
    raised
        How often it was raised since the account began.
    limit_s
        Limit of a wear index; None for other alarms. [s]
    shelved_until, is_one_shot
        When its shelving ends at the latest, None where it is not shelved; whether it ends before
        that as soon as the alarm is over.
    by, because
        Who acknowledged it or put it aside last, and why; empty where nobody did.
    """

    id: str
    cell: str
    zone: str
    kind: AlarmKind
    state: AlarmState
    stage: int
    since: Instant | None
    raised: int
    priority: Priority
    cause: str
    consequence: str
    response: str
    time_to_respond_s: float
    limit_s: float | None = None
    shelved_until: Instant | None = None
    is_one_shot: bool = False
    by: str = ""
    because: str = ""


class Cause(StrEnum):
    """Why a temperature, an output or the data behave as they do."""

    NO_HEAT = "no_heat"  # no power reaches the zone
    PART_OF_HEAT = "part_of_heat"  # one of several elements or phases is lost
    STUCK_ON = "stuck_on"  # power flows though none is asked for
    SENSOR_LOW = "sensor_low"  # fallen out, shorted, reversed: the zone is hotter than it reads
    SENSOR_SLIPPED = "sensor_slipped"  # lost part of its contact: somewhat hotter than it reads
    SENSOR_BREAK = "sensor_break"
    FROZEN_AT_CONTROLLER = "frozen_at_controller"  # the loop acts on a value that stands still
    FROZEN_IN_DATA = "frozen_in_data"  # only what we read stands still
    OVERSHOOT = "overshoot"
    WRONG_SETPOINT = "wrong_setpoint"
    DRAFT = "draft"  # more heat is lost to the air than usual
    SUPPLY_LOW = "supply_low"
    ALL_HEAT_LOST = "all_heat_lost"
    HANDLING = "handling"  # wiped, purged, touched
    CHARGE_CHANGE = "charge_change"
    REFILL = "refill"
    COLD_START = "cold_start"
    SETBACK = "setback"  # and the way back from it
    CYCLING = "cycling"  # on/off control, or the controller tunes itself
    ZONES_CROSSED = "zones_crossed"
    SCALE_OR_UNIT = "scale_or_unit"
    PLC_RESTART = "plc_restart"
    LINK = "link"
    CLOCK = "clock"
    UNKNOWN = "unknown"  # something moved, and nothing known explains it


class Severity(StrEnum):
    """How soon a person has to do something about a finding, the worst first."""

    CRITICAL = "critical"  # people, fire or charge at risk now
    HOLD = "hold"  # parts are being spoiled now
    SOON = "soon"  # minutes to hours
    NOTE = "note"  # for the report; nothing sounds


@dataclass(frozen=True, slots=True)
class Candidate:
    """One cause that could explain what was seen.

    Attributes
    ----------
    certainty
        0 to 1, of all candidates together at most 1. [1]
    speaks_for, speaks_against
        What was seen, in words with numbers.
    """

    cause: Cause
    certainty: float
    speaks_for: tuple[str, ...] = ()
    speaks_against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FindingSnapshot:
    """One physical cause at work, with all that it explains.

    Attributes
    ----------
    id
        ``cell/n``, counted since the account began.
    onset
        When it began, which is before it showed.
    candidates
        The likeliest first, at most five.
    not_ruled_out
        What could not be told apart, and what would tell it: a signal that is not there.
    zones, alarms
        What it explains; the zone where it shows most comes first.
    numbers
        Figures of the first zone: ``116.2 degC and falling 0.09 K/s, heater at 100 %``.
    ended
        None while it lasts.
    """

    id: str
    severity: Severity
    onset: Instant
    told: Instant
    candidates: tuple[Candidate, ...]
    not_ruled_out: tuple[str, ...]
    zones: tuple[str, ...]
    alarms: tuple[str, ...]
    numbers: str
    first_action: str
    ended: Instant | None = None


@dataclass(frozen=True, slots=True)
class LeavingSnapshot:
    """A zone on its way out of its window: when, if it goes on like this.

    Attributes
    ----------
    edge
        ``low`` or ``high``.
    in_s, earliest_s, latest_s
        From the newest row, with the range that the scatter of the samples leaves. [s]
    toward_c, time_constant_s
        The first-order course that the newest samples follow. [degC, s]
    """

    edge: str
    in_s: float
    earliest_s: float
    latest_s: float
    toward_c: float
    time_constant_s: float


@dataclass(frozen=True, slots=True)
class ChargeSnapshot:
    """The charge, its age and its outlook.

    Attributes
    ----------
    id
        None where nobody has named it.
    loaded
        When; None where it was there before the account began.
    dose_low_s, dose_high_s
        Equivalent time at the reference temperature, by the low and the high bound of the
        activation energy; None where the material has no pot life. [s]
    pot_life_s
        At the reference temperature. [s]
    life_used
        By the stricter bound, 1 when the pot life is gone. [1]
    estimated_share
        Part of the stricter dose that was charged for time that was not seen. [1]
    expires_in_s
        At the present temperature and the stricter bound; 0 when spent, None where the charge
        does not age. [s]
    mass_kg, empty_in_s
        What is left, and how long at the mean consumption since loading. [kg, s]
    left_at_expiry
        Share of a full charge that will be left when the pot life is gone. [1]
    residence_s, older_share
        Of a tank: mean residence, and share of the delivered melt older than the pot life at
        the present temperature. [s, 1]
    """

    id: str | None
    state: ChargeState
    loaded: Instant | None
    is_age_known: bool
    is_overheated: bool
    dose_low_s: float | None
    dose_high_s: float | None
    pot_life_s: float | None
    life_used: float | None
    estimated_share: float | None
    expires_in_s: float | None
    mass_kg: float | None
    empty_in_s: float | None
    left_at_expiry: float | None
    residence_s: float | None
    older_share: float | None


@dataclass(frozen=True, slots=True)
class AirSnapshot:
    """The dispensing air.

    Attributes
    ----------
    dew_point_c
        Pressure dew point at the line; None unless measured now. [degC]
    max_c
        Highest that the material bears. [degC]
    is_moist
        Whether it is above.
    """

    dew_point_c: float | None
    max_c: float
    is_moist: bool


@dataclass(frozen=True, slots=True)
class AdviceSnapshot:
    """What to do with the cell now, and why.

    Attributes
    ----------
    zone
        The zone it is about, empty for the cell or its charge.
    ready_in_s
        Forecast for WAIT; None where nothing can be said. [s]
    """

    advice: Advice
    why: Why
    zone: str = ""
    ready_in_s: float | None = None


@dataclass(frozen=True, slots=True)
class CellSnapshot:
    """One cell at the time of its newest row.

    Attributes
    ----------
    is_dispensing, is_in_production, parts
        None where it is not known.
    ignored_rows
        Rows that came late or twice and were dropped.
    judged
        Parts by their first verdict, in the order of ``Verdict``; empty where none are counted.
    idle_since
        When melt last flowed, which may be now; None where that is not known.
    findings
        Those that last, the worst first, then the newest ended ones; None where none are sought.
    """

    id: str
    at: Instant
    zones: tuple[ZoneSnapshot, ...]
    alarms: tuple[AlarmSnapshot, ...]
    is_dispensing: bool | None
    is_in_production: bool | None
    parts: int | None
    charge: ChargeSnapshot
    advice: AdviceSnapshot
    ambient_c: float | None
    ignored_rows: int
    air: AirSnapshot | None = None
    judged: tuple[int, ...] = ()
    idle_since: Instant | None = None
    findings: tuple[FindingSnapshot, ...] | None = None


class LinkState(StrEnum):
    """How the connection to a device stands, in words that people use."""

    CONNECTING = "connecting"  # no connection, and a new try at short intervals
    UP = "up"  # the newest poll was answered
    SILENT = "silent"  # connected, but nothing comes
    REFUSED = "refused"  # it answers, and says no
    WRONG_ANSWER = "wrong_answer"  # it answers, but not to what was asked
    NOT_TRUSTED = "not_trusted"  # it does not prove to be the one that is meant
    SLOT_TAKEN = "slot_taken"  # it has no connection or session left


@dataclass(frozen=True, slots=True)
class SourceSnapshot:
    """One connection to one device.

    Attributes
    ----------
    failures
        Polls that brought nothing, by reason.
    link, diagnosis
        How the connection stands, and what is wrong in a sentence; empty where nothing is.
    requests
        Requests sent so far, those for connecting not counted.
    rejected
        Readings that came and were not believed, by reason.
    certificate_expires_ns
        When the device's certificate, or ours to it, ends, whichever is first, in UTC;
        None without one. [ns]
    lateness_s
        How long after its due moment the newest poll was answered. [s]
    skew_s
        Server clock minus ours; None where the protocol gives no time. [s]
    """

    id: str
    protocol: str
    is_up: bool
    polls: int
    failures: dict[Reason, int]
    overruns: int
    connections: int
    last_answer: Instant | None
    lateness_s: float
    round_trip_s: float
    skew_s: float | None
    lateness_buckets: tuple[tuple[float, int], ...]  # upper bound [s], polls at or below it
    lateness_sum_s: float
    link: LinkState = LinkState.CONNECTING
    diagnosis: str = ""
    requests: int = 0
    rejected: dict[Reason, int] = field(default_factory=dict)
    certificate_expires_ns: int | None = None


@dataclass(frozen=True, slots=True)
class LedgerSnapshot:
    """Health of the record.

    Attributes
    ----------
    pending
        Batches waiting to be written; ``dropped`` counts those lost to a full queue.
    last_commit
        When the newest transaction was committed.
    """

    is_writing: bool
    commits: int
    failures: int
    events: int
    rows: int
    pending: int
    capacity: int
    dropped: int
    size_bytes: int
    last_commit: Instant | None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The whole daemon.

    Attributes
    ----------
    certificate_expires_ns
        When the certificate that the web server shows ends, in UTC; None without TLS. [ns]
    """

    at: Instant
    started: Instant
    version: str
    config_revision: str
    cells: tuple[CellSnapshot, ...]
    sources: tuple[SourceSnapshot, ...]
    ledger: LedgerSnapshot
    certificate_expires_ns: int | None = None
