"""Everything the outputs may know, at one instant: immutable, built by the engine."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AlarmKind, Priority, ZoneKind


class Phase(StrEnum):
    """What a zone is doing; UNKNOWN while it is not seen."""

    OFF = "off"
    HEATING = "heating"
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


@dataclass(frozen=True, slots=True)
class CellSnapshot:
    """One cell at the time of its newest row.

    Attributes
    ----------
    is_dispensing, is_in_production, parts, charge_id
        None where it is not known.
    ignored_rows
        Rows that came late or twice and were dropped.
    """

    id: str
    at: Instant
    zones: tuple[ZoneSnapshot, ...]
    alarms: tuple[AlarmSnapshot, ...]
    is_dispensing: bool | None
    is_in_production: bool | None
    parts: int | None
    charge_id: str | None
    is_overheated: bool
    ambient_c: float | None
    ignored_rows: int


@dataclass(frozen=True, slots=True)
class SourceSnapshot:
    """One connection to one device.

    Attributes
    ----------
    failures
        Polls that brought nothing, by reason.
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
    """The whole daemon."""

    at: Instant
    started: Instant
    version: str
    config_revision: str
    cells: tuple[CellSnapshot, ...]
    sources: tuple[SourceSnapshot, ...]
    ledger: LedgerSnapshot
