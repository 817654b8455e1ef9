"""What the interface answers, as it is described in ``/openapi.json``.

Times are UTC in ISO 8601, figures in base units by the end of their name, null is not known.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated, Literal, TypeAlias

from pydantic import BaseModel, ConfigDict, Field

from watchedpot.core.model import Instant
from watchedpot.core.snapshot import Cause, LinkState, Severity
from watchedpot.core.units import NANO

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS_NS = 1_000_000

Moment: TypeAlias = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
"""UTC to the millisecond: ``2026-11-25T08:51:24.123Z``."""

Number: TypeAlias = float | None

Level: TypeAlias = Literal["normal", "wait", "attention", "act", "unknown"]
Position: TypeAlias = Literal["below", "inside", "above", "over_ceiling", "unknown"]


def iso(utc_ns: int) -> str:
    """A moment to the millisecond.

    Examples
    --------
    >>> iso(1_000_000_999)
    '1970-01-01T00:00:01.000Z'
    """
    second, rest_ns = divmod(utc_ns, NANO)
    return f"{_EPOCH + timedelta(seconds=second):%Y-%m-%dT%H:%M:%S}.{rest_ns // _MS_NS:03}Z"


def iso_or_none(at: Instant | None) -> str | None:
    """The same, of a moment that may not be known."""
    return None if at is None else iso(at.utc_ns)


class Part(BaseModel):
    """A part of an answer."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class StandStill(Part):
    """A part of the daemon that does not advance, and for how long."""

    what: str
    for_s: float


class Health(Part):
    """Whether the daemon itself is well, whatever its devices do."""

    is_healthy: bool
    stands_still: tuple[StandStill, ...]


class NumberNow(Part):
    """The one number of a cell that matters now."""

    label: str
    text: str


class Charge(Part):
    """The charge, its age and its outlook."""

    id: str | None
    state: str
    sentence: str
    life_used: Number
    is_age_known: bool
    is_overheated: bool
    loaded: Moment | None
    expires_at: Moment | None
    empty_at: Moment | None
    left_at_expiry: Number
    mass_kg: Number
    pot_life_s: Number


class ExposureSums(Part):
    """Where the elapsed time of a zone went, whatever the cell was doing."""

    below_s: float
    inside_s: float
    above_s: float
    blind_s: float
    under_ks: float
    over_ks: float
    coverage: float


class Core(Part):
    """The charge inside its container: an estimate."""

    centre_c: Number
    mean_c: Number
    centre_low_c: Number
    centre_high_c: Number
    ready_c: float
    is_soaked: bool
    ready_at: Moment | None
    is_assumed: bool


class Tip(Part):
    """The tip of a nozzle: an estimate."""

    temp_c: Number
    uncertainty_k: Number
    low_c: float
    is_measured: bool
    sentence: str


class Leaving(Part):
    """A zone that is on its way out of its window: when, if it goes on like this."""

    edge: str
    at: Moment | None
    earliest: Moment | None
    latest: Moment | None
    toward_c: float
    time_constant_s: float


class Zone(Part):
    """One heat zone."""

    id: str
    kind: str
    phase: str
    phase_since: Moment | None
    temp_c: Number
    quality: str
    reason: str
    status: str
    last_good: Moment | None
    setpoint_c: Number
    output_percent: Number
    low_c: float
    high_c: float
    ceiling_c: float
    position: Position
    exposure: ExposureSums
    build_up_s: float
    degradation_s: float
    build_up_limit_s: Number
    degradation_limit_s: Number
    core: Core | None
    tip: Tip | None
    transport_delay_s: Number
    leaving: Leaving | None
    readings: dict[str, int]


class Alarm(Part):
    """One alarm, and what it asks of a person."""

    id: str
    cell: str
    zone: str
    kind: str
    state: str
    stage: int
    since: Moment | None
    raised: int
    priority: str
    title: str
    cause: str
    consequence: str
    response: str
    time_to_respond_s: float
    limit_s: Number
    is_put_aside: bool
    shelved_until: Moment | None
    is_one_shot: bool
    by: str | None
    because: str | None
    parts_since: int | None


class CandidateCause(Part):
    """One cause that could explain what was seen."""

    cause: Cause
    certainty: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


class Finding(Part):
    """One physical cause at work, with all that it explains; the likeliest candidate first."""

    id: str
    severity: Severity
    sentence: str
    onset: Moment
    told: Moment
    ended: Moment | None
    zones: tuple[str, ...]
    alarms: tuple[str, ...]
    numbers: str
    candidates: tuple[CandidateCause, ...]
    not_ruled_out: tuple[str, ...]
    first_action: str


class Cell(Part):
    """One cell; of one that is outdated nothing is told that was true before."""

    id: str
    at: Moment
    age_s: float
    is_outdated: bool
    word: str
    advice: str
    why: str
    zone: str
    reason: str
    sentence: str
    level: Level
    ready_at: Moment | None
    number: NumberNow
    is_dispensing: bool | None
    is_in_production: bool | None
    parts: int | None
    ambient_c: Number
    idle_since: Moment | None
    charge: Charge
    zones: tuple[Zone, ...]
    alarms: tuple[Alarm, ...]
    judged: dict[str, int]
    findings: tuple[Finding, ...] | None


class Source(Part):
    """One connection to one device."""

    id: str
    protocol: str
    is_up: bool
    link: LinkState
    diagnosis: str
    last_answer: Moment | None
    lateness_s: float
    round_trip_s: float
    polls: int
    requests: int
    failures: dict[str, int]
    rejected: dict[str, int]
    skew_s: Number
    certificate_expires: Moment | None


class Ledger(Part):
    """Health of the record."""

    is_writing: bool
    last_commit: Moment | None
    pending: int
    dropped: int
    size_bytes: int


class State(Part):
    """All that is known now."""

    at: Moment
    started: Moment
    version: str
    config_revision: str
    is_well: bool
    stands_still: tuple[StandStill, ...]
    speed: float
    cells: tuple[Cell, ...]
    sources: tuple[Source, ...]
    ledger: Ledger


class AlarmTimes(Part):
    """An alarm and a number of times."""

    alarm: str
    times: int


class Target(Part):
    """A figure with its target."""

    name: str
    value: float
    target: float
    is_met: bool


class Performance(Part):
    """How well the alarms served the people who got them, in a span of time."""

    since: Moment
    until: Moment
    observed_s: float
    is_long_enough: bool
    annunciated: int
    aside: int
    peak: int
    peak_at: Moment | None
    floods: int
    flood_share: float
    chattering: tuple[AlarmTimes, ...]
    fleeting: int
    stale: tuple[str, ...]
    top: tuple[AlarmTimes, ...]
    priorities: dict[str, int]
    acknowledged: int
    median_s: Number
    longest_s: Number
    marks: dict[str, int]
    figures: tuple[Target, ...]


class Alarms(Part):
    """Every alarm, and the figures of the last eight hours."""

    alarms: tuple[Alarm, ...]
    performance: Performance | None


class ZoneTrend(Part):
    """Readings of a zone on one time axis; null breaks the line."""

    id: str
    low_c: float
    high_c: float
    at_s: list[float]
    temp_c: list[Number]
    setpoint_c: list[Number]
    output_percent: list[Number]


class TrendPart(Part):
    """Parts of one count, in a trend."""

    at_s: float
    first: int
    last: int
    verdict: str


class TrendEvent(Part):
    """What happened, in a trend."""

    at_s: float
    kind: str
    sentence: str


class Trend(Part):
    """What a cell was read to do; ``_s`` counts from ``from``."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    cell: str
    since: Annotated[Moment, Field(alias="from")]
    until: Annotated[Moment, Field(alias="to")]
    zones: list[ZoneTrend]
    dispensing: list[tuple[float, float]]
    parts: list[TrendPart]
    events: list[TrendEvent]


class ZoneOfPart(Part):
    """What the melt of a part met in one zone."""

    min_c: Number
    mean_c: Number
    max_c: Number
    coverage: float


class MadePart(Part):
    """The newest judgement of a part, or of parts that cannot be told apart."""

    first: int
    last: int
    part_id: int | None
    counted: Moment
    begun: Moment
    verdict: str
    rules: list[str]
    charge_id: str | None
    reworkable_until: Moment | None
    zones: dict[str, ZoneOfPart]


class Parts(Part):
    """Parts, the newest first."""

    parts: list[MadePart]


class Happened(Part):
    """One event of the record."""

    at: Moment
    cell: str
    zone: str
    kind: str
    sentence: str
    details: dict[str, str | int | float | bool | None]


class Events(Part):
    """Events, the newest first."""

    events: list[Happened]


class Suspects(BaseModel):
    """Which parts are suspect and why: the same as ``watchedpot suspects --json`` prints."""

    model_config = ConfigDict(extra="allow")

    asked_at: str
    since: str
    until: str
    cell: str | None
    charge: str | None
    sentence: str
    judged: int
    verdicts: dict[str, int]
    suspect: int
    settled: int
    reworkable: int
    reworkable_until: str | None
    ranges: list[dict[str, object]]
    gaps: list[dict[str, object]]
    not_watched_s: float
    counter_jumps: list[dict[str, object]]
    uncounted: int
    rework: dict[str, dict[str, object]]
    caution: str


class Who(Part):
    """Whose token it is."""

    name: str


class Refusal(Part):
    """Why a request was not answered."""

    detail: str


class Answer(Part):
    """What became of what somebody said, in a sentence."""

    is_taken: bool
    sentence: str
