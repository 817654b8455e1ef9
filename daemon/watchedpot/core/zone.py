"""One heat zone: what is planned for it, what it carries, what resets it, what is shown of it.

How a block moves it on is in ``walk``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import exposure, soak, tank, tip, tracks, viscosity
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.dose import Dose
from watchedpot.core.excursions import (
    ExcursionTrack,
)
from watchedpot.core.model import Detail, Event, EventKind, Instant, Quality, Reason
from watchedpot.core.phases import TABLE, Demand, PhaseInput
from watchedpot.core.rules import (
    AlarmKind,
    AlarmRules,
    CellRules,
    ChargeRules,
    Dosing,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.series import (
    Held,
    Level,
    Sample,
    level,
    newest_good,
)
from watchedpot.core.snapshot import (
    Activity,
    CoreSnapshot,
    Exposure,
    LeavingSnapshot,
    Phase,
    TipSnapshot,
    ZoneSnapshot,
)
from watchedpot.core.tip import TipPlan
from watchedpot.core.tracks import AlarmPlan, Change, Track
from watchedpot.core.units import ns
from watchedpot.core.warming import (
    CorePlan,
    CoreState,
    Forecast,
    Start,
    adopted_core,
    forecast,
    loaded_core,
    plan_core,
    unknown_core,
)

DEFAULT_DEADBAND_K = 1.0
"""Deadband of an edge whose alarm is not configured; common practice, no source. [K]"""

DIP_K, DIP_BACK_K = 3.0, 1.0
"""A dip below the usual setpoint begins and ends here; common practice, no source. [K]"""

NEVER_NS = 2**62
"""Later than any moment and longer than any time. [ns]"""

_DISPENSING = exposure.ACTIVITIES.index(Activity.DISPENSING)


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
    core: CorePlan | None
    tip: TipPlan | None
    tip_low: Level  # where a nozzle is cold: of the tip where it is known, else of the block
    dip: Level | None
    near_ns: float  # shares of the pot life, infinite without one
    spent_ns: float
    ambient_c: float

    @property
    def is_nozzle(self) -> bool:
        """Whether material can build up here."""
        return self.rules.kind is ZoneKind.NOZZLE

    @property
    def is_pack(self) -> bool:
        """Whether a charge is changed here as a whole."""
        return self.rules.kind in {ZoneKind.SYRINGE, ZoneKind.CARTRIDGE}


def plan_zone(cell: CellRules, rules: ZoneRules) -> ZonePlan:
    """The plan of one zone."""
    cold, hot, over = (
        rules.alarm(kind) for kind in (AlarmKind.COLD, AlarmKind.HOT, AlarmKind.OVER_CEILING)
    )
    low = level(rules.low_c, deadband=_deadband_k(cold), is_high=False)
    ageing = rules.material.ageing if rules.is_reservoir else None
    life_ns = inf if ageing is None else float(ns(ageing.pot_life_s))
    return ZonePlan(
        rules,
        cell.id,
        low=low,
        high=level(rules.high_c, deadband=_deadband_k(hot), is_high=True),
        ceiling=level(rules.material.ceiling_c, deadband=_deadband_k(over), is_high=True),
        touch=level(rules.off_below_c, deadband=DEFAULT_DEADBAND_K, is_high=True),
        max_gap_ns=ns(rules.max_gap_s),
        alarms=tuple(_alarm_plans(cell.id, rules)),
        off_delay_ns={
            "low": ns(cold.off_delay_s if cold else 0.0),
            "high": ns(hot.off_delay_s if hot else 0.0),
        },
        limit_ns={
            alarm.kind: ns(alarm.limit_s) for alarm in rules.alarms if alarm.limit_s is not None
        },
        core=plan_core(rules),
        tip=tip_plan(cell, rules),
        tip_low=level(rules.tip.low_c, deadband=_deadband_k(cold), is_high=False)
        if rules.tip is not None
        else low,
        dip=_dip_level(rules),
        near_ns=cell.charge.near_share * life_ns,
        spent_ns=life_ns,
        ambient_c=cell.ambient_c,
    )


def tip_plan(cell: CellRules, rules: ZoneRules) -> TipPlan | None:
    """How the tip follows its block, None where only the block is known."""
    if rules.tip is None:
        return None
    return tip.plan_tip(
        rules.tip,
        thermal=rules.material.thermal,
        flow_kg_per_s=cell.charge.flow_kg_per_s,
        block_c=usual_c(rules),
        ambient_c=cell.ambient_c,
    )


def usual_c(rules: ZoneRules) -> float:
    """The usual temperature of a zone: its setpoint, or the middle of its window."""
    return 0.5 * (rules.low_c + rules.high_c) if rules.setpoint_c is None else rules.setpoint_c


def _dip_level(rules: ZoneRules) -> Level | None:
    """Where a dip begins and ends, None for a zone whose usual setpoint is not told."""
    if rules.setpoint_c is None:
        return None
    return level(rules.setpoint_c - DIP_K, deadband=DIP_K - DIP_BACK_K, is_high=False)


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
class Dip:
    """A stay below the usual setpoint under way in a zone that was ready.

    Attributes
    ----------
    since_ns
        The crossing. [ns]
    full_ns, flowed_ns
        Running totals then: heater at full output, melt flowing or not known to stand. [ns]
    """

    since_ns: int
    full_ns: int
    flowed_ns: int


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
    last_good_c
        The newest good temperature. [degC]
    dose
        Of the charge that lies here.
    core
        Of that charge; None where a warm wall counts as a warm charge.
    tip_c, is_tip_cold
        The tip at the newest row, 0.0 where not seen; whether it is below its limit. [degC]
    is_due
        Whether it has been ready since production was wanted of it and since its charge came:
        from then on being cold is an excursion.
    is_dipped, dip, dip_ended_ns
        Below the usual setpoint; since when, if it was ready then; end of the newest dip. [ns]
    full_ns, flowed_ns
        Running totals of a pack: heater at full output, melt flowing or not known to
        stand. [ns]
    phase_since
        When the phase was entered; None where that is not known.
    told_c
        The setpoint as it was last changed to, None before one was told. [degC]
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
    last_good_c: float | None = None
    dose: Dose = field(default_factory=Dose)
    core: CoreState | None = None
    tip_c: float = 0.0
    is_tip_cold: bool = False
    is_due: bool = False
    is_dipped: bool = False
    dip: Dip | None = None
    dip_ended_ns: int = -NEVER_NS
    full_ns: int = 0
    flowed_ns: int = 0
    phase_since: Instant | None = None
    told_c: float | None = None

    @property
    def dispensed_ns(self) -> int:
        """Time while dispensing since the account began. [ns]."""
        return self.account[_DISPENSING].elapsed_ns


def start_zone(plan: ZonePlan) -> ZoneState:
    """A zone before its first reading: off, and so with its cold alarm suppressed by design."""
    return ZoneState(
        plan.rules.id,
        tuple(
            tracks.new_track(alarm, is_suppressed=alarm.rules.kind is AlarmKind.COLD)
            for alarm in plan.alarms
        ),
        core=None if plan.core is None else unknown_core(plan.core),
    )


def adopted_zone(state: ZoneState, plan: ZonePlan) -> ZoneState:
    """The zone under another configuration: its account goes on, and each alarm that still is."""
    known = {track.id: track for track in state.tracks}
    fresh = start_zone(plan)
    kept = (
        known[track.id]
        if track.id in known and len(known[track.id].delays) == len(track.delays)
        else track
        for track in fresh.tracks
    )
    return replace(state, tracks=tuple(kept), core=adopted_core(state.core, plan.core))


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
    ambient_c : (n,) float64
        Room temperature, told or assumed. [degC]
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
    ambient_c: NDArray[np.float64]


def limit_of(change: Change, plan: ZonePlan) -> float | None:
    """The limit an alarm is about, at its present stage."""
    stage = change.plan.at_stage(change.after.stage)
    limits_c = {
        AlarmKind.COLD: plan.low.limit,
        AlarmKind.HOT: plan.high.limit,
        AlarmKind.OVER_CEILING: plan.ceiling.limit,
    }
    return limits_c.get(stage.kind, stage.limit_s)


def alarm_event(change: Change, *, temp_c: float | None, limit: float | None) -> Event:
    """Event of something the alarm machine did."""
    plan = change.plan
    stage = plan.at_stage(change.after.stage)
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
            *_shelving(change),
            # What was asked of a person belongs to the record of having asked.
            *((("response", stage.response),) if change.cause in _CALLING else ()),
        ),
    )


def _shelving(change: Change) -> tuple[tuple[str, Detail], ...]:
    """How long an alarm is shelved, of the event that begins it."""
    until = change.after.shelved_until
    if change.cause is not AlarmInput.SHELVE or until is None:
        return ()
    return (
        ("shelved_until_utc_ns", until.utc_ns),
        ("is_one_shot", change.after.is_one_shot),
    )


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
    state: ZoneState, plan: ZonePlan, at: Instant, who: str, *, start: Start, dose: Dose
) -> tuple[ZoneState, list[Event]]:
    """The zone after another charge was loaded: wear and age of the old one went with it."""
    state, events = _reset_alarm(
        replace(state, degradation_ns=0), plan, AlarmKind.DEGRADATION, at, who
    )
    if not plan.rules.is_reservoir:
        return state, events
    state, new = cooled_zone(replace(state, dose=dose), plan, at, start=start)
    return state, [*events, *new]


def cooled_zone(
    state: ZoneState, plan: ZonePlan, at: Instant, *, start: Start
) -> tuple[ZoneState, list[Event]]:
    """The reservoir with a charge as cold as it came: it soaks anew."""
    if plan.core is None:
        return state, []
    wall_c = shown_c(state)
    core = loaded_core(
        plan.core,
        start,
        mono_ns=at.mono_ns,
        wall_c=start.start_c if wall_c is None else wall_c,
    )
    state = replace(state, core=core)
    phase = state.phase if core.is_soaked else TABLE[state.phase, PhaseInput.CHARGED]
    if phase is state.phase:
        return state, []
    event = phase_event(plan, at, (state.phase, phase), temp_c=wall_c, told=expected(state, plan))
    soaking = replace(state, phase=phase, phase_since=at, is_due=False, is_cold_in_production=False)
    state, events = _set_aside(soaking, plan, at)
    return state, [event, *events]


def _set_aside(state: ZoneState, plan: ZonePlan, at: Instant) -> tuple[ZoneState, list[Event]]:
    """The zone with its cold alarm suppressed by design: it soaks, and may be cold."""
    watched, changes = list(state.tracks), list[Change]()
    for place, alarm in enumerate(plan.alarms):
        if alarm.rules.kind is AlarmKind.COLD:
            track = tracks.turn(watched[place], alarm, at, (False,), at_once=True)
            watched[place], changes_of = tracks.idle(track, alarm, at, is_idle=True)
            changes += changes_of
    events = [
        alarm_event(change, temp_c=shown_c(state), limit=limit_of(change, plan))
        for change in changes
    ]
    return replace(state, tracks=tuple(watched)), events


def expected(state: ZoneState, plan: ZonePlan) -> Forecast:
    """The core now, and when it is warm if the wall goes to its setpoint and stays there."""
    if plan.core is None or state.core is None:
        return Forecast(None, 0.0)
    told_c = None if state.setpoint is None else state.setpoint.value
    return forecast(state.core, plan.core, wall_c=held_wall_c(told_c, plan.rules))


def held_wall_c(told_c: float | None, rules: ZoneRules) -> float:
    """Where a wall will be held: at its setpoint where that means production, else as usual."""
    is_production = told_c is not None and told_c >= rules.low_c
    return told_c if is_production and told_c is not None else usual_c(rules)


def phase_event(
    plan: ZonePlan,
    at: Instant,
    change: tuple[Phase, Phase],
    *,
    temp_c: float | None,
    told: Forecast,
) -> Event:
    """Event of a zone that does something else from now on."""
    details: tuple[tuple[str, str | float | None], ...] = (
        ("from", change[0].value),
        ("to", change[1].value),
        ("temp_c", temp_c),
    )
    if plan.rules.soak is not None:
        details = (
            *details,
            ("core_c", told.core_c),
            ("ready_c", plan.rules.soak.ready_c),
            ("ready_in_s", told.ready_in_s),
        )
    return Event(EventKind.PHASE_CHANGED, at, plan.cell, plan.rules.id, details)


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


def zone_snapshot(
    state: ZoneState,
    plan: ZonePlan,
    *,
    ambient_c: float,
    use_kg_per_s: float | None,
    charge: ChargeRules,
    leaving: LeavingSnapshot | None = None,
) -> ZoneSnapshot:
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
        core=_core_snapshot(state, plan),
        tip=_tip_snapshot(state, plan, ambient_c=ambient_c, dosing=charge.dosing),
        transport_delay_s=_transport_delay_s(rules, use_kg_per_s),
        phase_since=state.phase_since if state.is_seen else state.last_good,
        leaving=leaving,
    )


def _core_snapshot(state: ZoneState, plan: ZonePlan) -> CoreSnapshot | None:
    """The core for the outputs; no temperature of it while the wall is not seen."""
    core, rules = state.core, plan.rules.soak
    if plan.core is None or core is None or rules is None:
        return None
    now = None
    if plan.core.model is not None and core.model is not None and state.is_seen:
        now = soak.now_c(core.model, plan.core.model)
    return CoreSnapshot(
        centre_c=now.best_c if now else None,
        mean_c=now.mean_c if now else None,
        centre_low_c=now.low_c if now else None,
        centre_high_c=now.high_c if now else None,
        ready_c=rules.ready_c,
        is_soaked=core.is_soaked,
        ready_in_s=0.0 if core.is_soaked else expected(state, plan).ready_in_s,
        is_assumed=plan.core.model is not None and (core.model is None or core.model.is_assumed),
    )


def _tip_snapshot(
    state: ZoneState, plan: ZonePlan, *, ambient_c: float, dosing: Dosing
) -> TipSnapshot | None:
    """The tip for the outputs, and what its viscosity makes of the bead."""
    rules, block_c = plan.rules, shown_c(state)
    if plan.tip is None or rules.tip is None:
        return None
    is_measured = rules.tip.fin is None
    if block_c is None:
        return TipSnapshot(None, None, rules.tip.low_c, is_measured, None, None, None, None)
    is_flowing = state.is_in_production
    usual_tip_c = float(
        tip.tip_temperature(
            np.array([usual_c(rules)]),
            ambient_c=np.array([plan.ambient_c]),
            is_flowing=np.array([is_flowing]),
            plan=plan.tip,
        )[0]
    )
    stiffness = viscosity.relative_viscosity(
        state.tip_c, ref_c=usual_tip_c, flow_ea_j_per_mol=rules.material.flow_ea_j_per_mol
    )
    flow = viscosity.flow_ratio(stiffness, dosing)
    return TipSnapshot(
        temp_c=state.tip_c,
        uncertainty_k=tip.tip_uncertainty(
            block_c, ambient_c=ambient_c, is_flowing=is_flowing, plan=plan.tip
        ),
        low_c=rules.tip.low_c,
        is_measured=is_measured,
        viscosity_ratio=stiffness,
        flow_ratio=flow,
        width_ratio=viscosity.width_ratio(flow),
        pressure_ratio=viscosity.pressure_ratio(stiffness, dosing),
    )


def _transport_delay_s(rules: ZoneRules, use_kg_per_s: float | None) -> float | None:
    """How long melt takes through a zone at the mean consumption."""
    hold_up_kg = hold_up_of(rules)
    if hold_up_kg is None or use_kg_per_s is None:
        return None
    return tank.transport_delay_s(hold_up_kg=hold_up_kg, flow_kg_per_s=use_kg_per_s)


def hold_up_of(rules: ZoneRules) -> float | None:
    """Mass of the melt that a hose or nozzle holds, in kg; None where it is not known."""
    thermal = rules.material.thermal
    if rules.hold_up_m3 is None or thermal is None:
        return None
    return rules.hold_up_m3 * thermal.density_kg_per_m3


def _fresh(held: Held | None, now_ns: int, limit_ns: int) -> float | None:
    """A held value that is young enough to be shown."""
    if held is None or now_ns - held.mono_ns > limit_ns:
        return None
    return held.value
