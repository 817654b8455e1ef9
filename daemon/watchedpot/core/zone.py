"""One heat zone: what is planned for it, what it carries, what resets it, what is shown of it.

How a block moves it on is in ``walk``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import exposure, tracks
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.excursions import (
    ExcursionTrack,
)
from watchedpot.core.model import Event, EventKind, Instant, Quality, Reason
from watchedpot.core.phases import Demand
from watchedpot.core.rules import AlarmKind, AlarmRules, ZoneKind, ZoneRules
from watchedpot.core.series import (
    Held,
    Level,
    Sample,
    level,
    newest_good,
)
from watchedpot.core.snapshot import Exposure, Phase, ZoneSnapshot
from watchedpot.core.tracks import AlarmPlan, Change, Track
from watchedpot.core.units import ns

DEFAULT_DEADBAND_K = 1.0
"""Deadband of an edge whose alarm is not configured; common practice, no source. [K]"""


@dataclass(frozen=True, slots=True)
class ZonePlan:
    """What a zone's rules come to, computed once."""

    rules: ZoneRules
    cell: str
    low: Level
    high: Level
    ceiling: Level
    touch: Level
    max_gap_ns: int
    alarms: tuple[AlarmPlan, ...]
    off_delay_ns: dict[str, int]  # of an excursion, by edge
    limit_ns: dict[AlarmKind, int]  # of a wear index, where its alarm is configured

    @property
    def is_nozzle(self) -> bool:
        """Whether material can build up here."""
        return self.rules.kind is ZoneKind.NOZZLE


def plan_zone(cell: str, rules: ZoneRules) -> ZonePlan:
    """The plan of one zone."""
    cold, hot, over = (
        rules.alarm(kind) for kind in (AlarmKind.COLD, AlarmKind.HOT, AlarmKind.OVER_CEILING)
    )
    return ZonePlan(
        rules,
        cell,
        low=level(rules.low_c, deadband=_deadband_k(cold), is_high=False),
        high=level(rules.high_c, deadband=_deadband_k(hot), is_high=True),
        ceiling=level(rules.material.ceiling_c, deadband=_deadband_k(over), is_high=True),
        touch=level(rules.off_below_c, deadband=DEFAULT_DEADBAND_K, is_high=True),
        max_gap_ns=ns(rules.max_gap_s),
        alarms=tuple(_alarm_plans(cell, rules)),
        off_delay_ns={
            "low": ns(cold.off_delay_s if cold else 0.0),
            "high": ns(hot.off_delay_s if hot else 0.0),
        },
        limit_ns={
            alarm.kind: ns(alarm.limit_s) for alarm in rules.alarms if alarm.limit_s is not None
        },
    )


def _deadband_k(rules: AlarmRules | None) -> float:
    return rules.deadband_k if rules else DEFAULT_DEADBAND_K


def _alarm_plans(cell: str, rules: ZoneRules) -> list[AlarmPlan]:
    """Alarms of a zone; the ceiling is the worse stage of hot where both are configured."""
    plans = []
    over = rules.alarm(AlarmKind.OVER_CEILING)
    for alarm in rules.alarms:
        if alarm.kind is AlarmKind.OVER_CEILING and rules.alarm(AlarmKind.HOT):
            continue
        worse = (over,) if over and alarm.kind is AlarmKind.HOT else ()
        name = f"{cell}/{rules.id}/{alarm.kind.value}"
        plans.append(AlarmPlan(name, cell, rules.id, (alarm, *worse)))
    return plans


@dataclass(frozen=True, slots=True)
class ZoneState:
    """All that a zone carries from block to block.

    Attributes
    ----------
    last, is_dispensing
        The newest row, and whether melt flowed then (None: not known).
    is_seen, is_below, is_above, is_over_ceiling, is_hot_to_touch
        Conditions as of the newest edge; kept, not cleared, while the zone is not seen.
    is_cold_in_production
        The undelayed cold condition: once production met a cold nozzle, stopping production
        does not make it warm.
    build_up_ns, degradation_ns
        The wear indexes. [ns]
    readings
        Count of rows by quality.
    """

    id: str
    tracks: tuple[Track, ...]
    last: Sample | None = None
    is_dispensing: bool | None = None
    demand: Demand = Demand.OFF
    phase: Phase = Phase.OFF
    is_seen: bool = False
    is_below: bool = False
    is_above: bool = False
    is_over_ceiling: bool = False
    is_hot_to_touch: bool = False
    is_in_production: bool = False
    is_cold_in_production: bool = False
    account: tuple[Exposure, ...] = exposure.EMPTY_ACCOUNT
    build_up_ns: int = 0
    degradation_ns: int = 0
    low: ExcursionTrack = field(default_factory=ExcursionTrack)
    high: ExcursionTrack = field(default_factory=ExcursionTrack)
    readings: tuple[int, ...] = (0,) * len(Quality)
    quality: Quality = Quality.MISSING
    reason: Reason = Reason.NOT_WATCHED
    status: int = 0
    last_good: Instant | None = None
    setpoint: Held | None = None
    output: Held | None = None


def start_zone(plan: ZonePlan) -> ZoneState:
    """A zone before its first reading: off, and so with its cold alarm suppressed by design."""
    return ZoneState(
        plan.rules.id,
        tuple(
            tracks.new_track(alarm, is_suppressed=alarm.rules.kind is AlarmKind.COLD)
            for alarm in plan.alarms
        ),
    )


def adopted_zone(state: ZoneState, plan: ZonePlan) -> ZoneState:
    """The zone under another configuration: its account goes on, and each alarm that still is."""
    known = {track.id: track for track in state.tracks}
    fresh = start_zone(plan).tracks
    kept = (
        known[track.id]
        if track.id in known and len(known[track.id].delays) == len(track.delays)
        else track
        for track in fresh
    )
    return replace(state, tracks=tuple(kept))


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """One channel's columns in a block, or what stands for a channel that is not there."""

    value: NDArray[np.float64]
    is_good: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class ZoneRows:
    """What a block says that concerns one zone, n rows.

    Attributes
    ----------
    mono_ns, seen_ns
        The time columns. [ns]
    temp_c, quality, reason, status
        Of the temperature channel.
    setpoint, output
        None where the block has no such channel.
    dispensing : (n,) int8
        1 melt flows, 0 it does not, -1 not known.
    is_in_production : (n,) bool
        Whether the cell counts as producing.
    parts : (n,) float64
        Part counter, nan where not known.
    """

    mono_ns: NDArray[np.int64]
    seen_ns: NDArray[np.int64]
    temp_c: NDArray[np.float64]
    quality: NDArray[np.uint8]
    reason: NDArray[np.uint8]
    status: NDArray[np.uint32]
    setpoint: Columns | None
    output: Columns | None
    dispensing: NDArray[np.int8]
    is_in_production: NDArray[np.bool_]
    parts: NDArray[np.float64]


def limit_of(change: Change, plan: ZonePlan) -> float | None:
    """The limit an alarm is about, at its present stage."""
    stage = change.plan.stages[max(change.after.stage, 1) - 1]
    limits_c = {
        AlarmKind.COLD: plan.low.limit,
        AlarmKind.HOT: plan.high.limit,
        AlarmKind.OVER_CEILING: plan.ceiling.limit,
    }
    return limits_c.get(stage.kind, stage.limit_s)


def alarm_event(change: Change, *, temp_c: float | None, limit: float | None) -> Event:
    """Event of something the alarm machine did."""
    plan = change.plan
    stage = plan.stages[max(change.after.stage, 1) - 1]
    return Event(
        EventKind.ALARM_CHANGED,
        change.at,
        plan.cell,
        plan.zone,
        (
            ("alarm", plan.rules.kind.value),
            ("from", change.before.value),
            ("to", change.after.state.value),
            ("input", change.cause.value),
            ("stage", change.after.stage),
            ("priority", stage.priority.value),
            ("temp_c", temp_c),
            ("limit", limit),
            ("onset_ns", change.onset.mono_ns),
            ("onset_utc_ns", change.onset.utc_ns),
            ("who", change.who),
            ("why", change.why),
            # What was asked of a person belongs to the record of having asked.
            *((("response", stage.response),) if change.cause in _CALLING else ()),
        ),
    )


def overheating_event(plan: ZonePlan, at: Instant, temp_c: float | None) -> Event:
    """Event of a charge that met more than its material bears."""
    details = (("temp_c", temp_c), ("ceiling_c", plan.ceiling.limit))
    return Event(EventKind.CHARGE_OVERHEATED, at, plan.cell, plan.rules.id, details)


_CALLING = (AlarmInput.ON, AlarmInput.WORSE, AlarmInput.RE_ALARM)


def newest_of(
    before: Held | None, mono_ns: NDArray[np.int64], columns: Columns | None
) -> Held | None:
    """The newest good value of an optional channel."""
    if columns is None:
        return before
    return newest_good(before, mono_ns, columns.value, columns.is_good)


def wiped_zone(
    state: ZoneState, plan: ZonePlan, at: Instant, who: str
) -> tuple[ZoneState, list[Event]]:
    """The zone after its nozzle was wiped or purged: nothing built up, its latch released."""
    if not plan.is_nozzle:
        return state, []
    event = Event(
        EventKind.WIPED,
        at,
        plan.cell,
        plan.rules.id,
        (("build_up_s", state.build_up_ns / 1e9), ("who", who)),
    )
    state, events = _reset_alarm(replace(state, build_up_ns=0), plan, AlarmKind.BUILD_UP, at, who)
    return state, [event, *events]


def recharged_zone(
    state: ZoneState, plan: ZonePlan, at: Instant, who: str
) -> tuple[ZoneState, list[Event]]:
    """The zone after another charge was loaded: its degradation went with the old one."""
    return _reset_alarm(replace(state, degradation_ns=0), plan, AlarmKind.DEGRADATION, at, who)


def _reset_alarm(
    state: ZoneState, plan: ZonePlan, kind: AlarmKind, at: Instant, who: str
) -> tuple[ZoneState, list[Event]]:
    """A wear alarm whose index was taken back: its condition ends at once, and its latch."""
    watched, changes = list(state.tracks), list[Change]()
    for place, alarm in enumerate(plan.alarms):
        if alarm.rules.kind is kind:
            track = tracks.turn(watched[place], alarm, at, (False,), at_once=True)
            # Taking the index back is no reading: it counts whether or not the zone is seen.
            track = replace(track, delays=tuple(replace(d, is_paused=False) for d in track.delays))
            track, off = tracks.advance(track, alarm, at.mono_ns, lambda _: at)
            track, reset = tracks.tell(track, alarm, AlarmInput.RESET, at, who=who)
            if not state.is_seen:
                track = tracks.pause(track)
            watched[place] = track
            changes += [*off, *reset]
    events = [alarm_event(change, temp_c=None, limit=limit_of(change, plan)) for change in changes]
    return replace(state, tracks=tuple(watched)), events


def noted_zone(
    state: ZoneState,
    mono_ns: NDArray[np.int64],
    setpoint: Columns | None,
    output: Columns | None,
) -> ZoneState:
    """The zone after rows of a source that serves its setpoint or output, not its temperature."""
    if setpoint is None and output is None:
        return state
    return replace(
        state,
        setpoint=newest_of(state.setpoint, mono_ns, setpoint),
        output=newest_of(state.output, mono_ns, output),
    )


def shown_c(state: ZoneState) -> float | None:
    """The newest reading in degC, None unless it is good."""
    return state.last.value if state.last is not None and state.last.is_good else None


def zone_snapshot(state: ZoneState, plan: ZonePlan) -> ZoneSnapshot:
    """The zone for the outputs."""
    rules, last = plan.rules, state.last
    now_ns = last.mono_ns if last is not None else 0
    return ZoneSnapshot(
        id=rules.id,
        kind=rules.kind,
        phase=state.phase if state.is_seen else Phase.UNKNOWN,
        temp_c=shown_c(state),
        quality=state.quality,
        reason=state.reason,
        status=state.status,
        last_good=state.last_good,
        setpoint_c=_fresh(state.setpoint, now_ns, plan.max_gap_ns),
        output_percent=_fresh(state.output, now_ns, plan.max_gap_ns),
        low_c=rules.low_c,
        high_c=rules.high_c,
        ceiling_c=rules.material.ceiling_c,
        stale_after_s=rules.stale_after_s,
        exposure=dict(zip(exposure.ACTIVITIES, state.account, strict=True)),
        build_up_ns=state.build_up_ns,
        degradation_ns=state.degradation_ns,
        readings=dict(zip(Quality, state.readings, strict=True)),
        excursions={"low": state.low.count, "high": state.high.count},
    )


def _fresh(held: Held | None, now_ns: int, limit_ns: int) -> float | None:
    """A held value that is young enough to be shown."""
    if held is None or now_ns - held.mono_ns > limit_ns:
        return None
    return held.value
