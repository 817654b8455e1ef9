"""One alarm from its undelayed conditions to its state: delays, stages, due times.

An alarm has one stage, or two of which the second is worse (hot, over the ceiling). Each stage
has its own delay; the alarm machine sees only the highest stage that counts as on.

Two things suppress it by design: its zone is not ready, for as long as that lasts; and the setpoint
was changed, for a time that is due and over whatever is seen by then.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from watchedpot.core.alarms import Alarm, AlarmInput, Delay, react
from watchedpot.core.model import Instant
from watchedpot.core.rules import AlarmRules
from watchedpot.core.snapshot import AlarmSnapshot, AlarmState
from watchedpot.core.units import ns

InstantOf: TypeAlias = Callable[[int], Instant]
"""The moment, on both clocks, of a time on the monotonic one."""


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    """One alarm as configured; ``stages`` from mild to worst."""

    id: str
    cell: str
    zone: str
    stages: tuple[AlarmRules, ...]

    @property
    def rules(self) -> AlarmRules:
        """Rules of the first stage, which name the alarm."""
        return self.stages[0]

    def at_stage(self, stage: int) -> AlarmRules:
        """Rules of a stage; those of the first while it is off."""
        return self.stages[max(stage, 1) - 1]


@dataclass(frozen=True, slots=True)
class Track:
    """One alarm as it stands, with the delays of its stages.

    Attributes
    ----------
    is_idle
        Whether nothing is asked of its zone that it could warn of.
    settled_due_ns
        When a change of the setpoint is over; None while there is none. [ns]
    """

    id: str
    alarm: Alarm
    delays: tuple[Delay, ...]
    is_idle: bool = False
    settled_due_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """Something the alarm machine did, on its way to become an event.

    Attributes
    ----------
    before
        State before; the same as after where an input was only noted.
    onset
        When the undelayed condition began; the moment itself where it never did.
    """

    plan: AlarmPlan
    at: Instant
    cause: AlarmInput
    before: AlarmState
    after: Alarm
    onset: Instant
    who: str = ""
    why: str = ""


def new_track(plan: AlarmPlan, *, is_suppressed: bool = False) -> Track:
    """An alarm before its first reading."""
    state = AlarmState.SUPPRESSED_BY_DESIGN if is_suppressed else AlarmState.NORMAL
    alarm = Alarm(state, is_suppressed=is_suppressed)
    return Track(plan.id, alarm, tuple(Delay() for _ in plan.stages), is_idle=is_suppressed)


def next_due_ns(track: Track) -> int | None:
    """When something happens by itself; None if nothing will."""
    dues = [d.due_ns for d in track.delays if d.due_ns is not None and not d.is_paused]
    others = (_unshelved_due_ns(track.alarm), track.alarm.re_alarm_due_ns, track.settled_due_ns)
    dues += [due for due in others if due is not None]
    return min(dues, default=None)


def _unshelved_due_ns(alarm: Alarm) -> int | None:
    """When a shelving is over; None where there is none."""
    return None if alarm.shelved_until is None else alarm.shelved_until.mono_ns


def turn(
    track: Track,
    plan: AlarmPlan,
    at: Instant,
    raws: Sequence[bool],
    *,
    at_once: bool = False,
) -> Track:
    """Undelayed conditions of the stages as they are from now on; ``at_once`` skips off-delays."""
    delays = tuple(
        delay.turned(
            at,
            is_raw=is_raw,
            on_delay_ns=ns(rules.on_delay_s),
            off_delay_ns=0 if at_once else ns(rules.off_delay_s),
        )
        for delay, rules, is_raw in zip(track.delays, plan.stages, raws, strict=True)
    )
    return track if delays == track.delays else replace(track, delays=delays)


def pause(track: Track) -> Track:
    """Signal lost."""
    return replace(track, delays=tuple(delay.paused() for delay in track.delays))


def resume(track: Track, plan: AlarmPlan, at_ns: int) -> Track:
    """Signal seen again."""
    delays = (
        delay.resumed(at_ns, off_delay_ns=ns(rules.off_delay_s))
        for delay, rules in zip(track.delays, plan.stages, strict=True)
    )
    return replace(track, delays=tuple(delays))


def idle(
    track: Track, plan: AlarmPlan, at: Instant, *, is_idle: bool
) -> tuple[Track, tuple[Change, ...]]:
    """Whether something is asked of the zone, as it is from now on."""
    if is_idle != track.is_idle:
        track = replace(track, is_idle=is_idle)
    return _suppressed(track, plan, at)


def settle(track: Track, plan: AlarmPlan, at: Instant) -> tuple[Track, tuple[Change, ...]]:
    """The setpoint was changed: what begins soon is part of that, what stands already is not.

    So no excursion is kept from people for longer than the settling, however often the setpoint
    moves.
    """
    settle_s = plan.rules.setpoint_settle_s
    stands = track.alarm.state in _ASKING or any(d.is_on or d.is_raw for d in track.delays)
    if not settle_s or stands:
        return track, ()
    track = replace(track, settled_due_ns=at.mono_ns + ns(settle_s))
    return _suppressed(track, plan, at, why="the setpoint was changed")


_ASKING = (
    *(AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED),
    *(AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED),
)
"""States in which a person is shown it."""


def settled(track: Track, plan: AlarmPlan, at: Instant) -> tuple[Track, tuple[Change, ...]]:
    """A change of the setpoint is over, or can no longer be what is going on."""
    if track.settled_due_ns is None:
        return track, ()
    return _suppressed(replace(track, settled_due_ns=None), plan, at)


def _suppressed(
    track: Track, plan: AlarmPlan, at: Instant, *, why: str = ""
) -> tuple[Track, tuple[Change, ...]]:
    """The alarm suppressed by design as long as there is a reason."""
    is_suppressed = track.is_idle or track.settled_due_ns is not None
    if is_suppressed == track.alarm.is_suppressed:
        return track, ()
    cause = AlarmInput.SUPPRESS if is_suppressed else AlarmInput.UNSUPPRESS
    return tell(track, plan, cause, at, why=why)


def advance(
    track: Track, plan: AlarmPlan, until_ns: int, instant: InstantOf
) -> tuple[Track, tuple[Change, ...]]:
    """Everything that is due at or before a moment, in order of time."""
    changes: tuple[Change, ...] = ()
    while (due_ns := next_due_ns(track)) is not None and due_ns <= until_ns:
        track, new = _fire(track, plan, due_ns, instant(due_ns))
        changes += new
    return track, changes


def _fire(
    track: Track, plan: AlarmPlan, due_ns: int, at: Instant
) -> tuple[Track, tuple[Change, ...]]:
    """What is due at one moment."""
    alarm = track.alarm
    unshelved_ns = _unshelved_due_ns(alarm)
    if unshelved_ns is not None and unshelved_ns <= due_ns:
        return tell(track, plan, AlarmInput.UNSHELVE, at)
    if track.settled_due_ns is not None and track.settled_due_ns <= due_ns:
        return settled(track, plan, at)
    if alarm.re_alarm_due_ns is not None and alarm.re_alarm_due_ns <= due_ns:
        return tell(track, plan, AlarmInput.RE_ALARM, at)
    delays = tuple(d.fired() if d.due_by(due_ns) else d for d in track.delays)
    stage = max((n for n, delay in enumerate(delays, start=1) if delay.is_on), default=0)
    track = replace(track, delays=delays)
    if stage == alarm.stage:
        return track, ()
    if alarm.stage == 0:
        cause = AlarmInput.ON
    elif stage == 0:
        cause = AlarmInput.OFF
    else:
        cause = AlarmInput.WORSE if stage > alarm.stage else AlarmInput.EASED
    track, changes = tell(track, plan, cause, at, stage=stage)
    is_worse = stage > max(alarm.stage, 1)
    if alarm.is_shelved and (is_worse or (stage == 0 and alarm.is_one_shot)):
        track, surfaced = tell(track, plan, AlarmInput.UNSHELVE, at)
        changes += surfaced
    return track, changes


def tell(
    track: Track,
    plan: AlarmPlan,
    cause: AlarmInput,
    at: Instant,
    *,
    stage: int | None = None,
    who: str = "",
    why: str = "",
    shelved_until: Instant | None = None,
    is_one_shot: bool = False,
) -> tuple[Track, tuple[Change, ...]]:
    """An input to the alarm machine; no change at all where it is refused.

    ``shelved_until`` and ``is_one_shot`` are those of SHELVE.
    """
    before = track.alarm
    after = react(
        before,
        cause,
        at,
        stage=before.stage if stage is None else stage,
        is_latching=plan.rules.is_latching,
    )
    if after is None:
        return track, ()
    if cause is AlarmInput.SHELVE:
        after = replace(after, shelved_until=shelved_until, is_one_shot=is_one_shot)
    if cause in _ANSWERS and after.state is not before.state:
        after = replace(after, by=who, because=why)
    after = _without_what_is_over(_with_re_alarm(before, after, plan, at))
    onset = track.delays[max(after.stage, 1) - 1].raw_since or at
    change = Change(plan, at, cause, before.state, after, onset, who, why)
    return replace(track, alarm=after), (change,)


_ANSWERS = (AlarmInput.ACKNOWLEDGE, AlarmInput.SHELVE, AlarmInput.TAKE_OUT_OF_SERVICE)


def _with_re_alarm(before: Alarm, after: Alarm, plan: AlarmPlan, at: Instant) -> Alarm:
    """The time after which an acknowledged alarm asks again, set as it is acknowledged."""
    if after.state is before.state:
        return after
    re_alarm_s = plan.at_stage(after.stage).re_alarm_s
    is_due = after.state is AlarmState.ACKNOWLEDGED and re_alarm_s is not None
    return replace(after, re_alarm_due_ns=at.mono_ns + ns(re_alarm_s or 0.0) if is_due else None)


def _without_what_is_over(alarm: Alarm) -> Alarm:
    """The alarm without the particulars of a shelving and of an answer that no longer hold."""
    if not alarm.is_shelved:
        alarm = replace(alarm, shelved_until=None, is_one_shot=False)
    return alarm if alarm.is_answered else replace(alarm, by="", because="")


def alarm_snapshot(track: Track, plan: AlarmPlan) -> AlarmSnapshot:
    """The alarm for the outputs; texts are those of its present stage."""
    alarm = track.alarm
    rules = plan.at_stage(alarm.stage)
    return AlarmSnapshot(
        id=plan.id,
        cell=plan.cell,
        zone=plan.zone,
        kind=plan.rules.kind,
        state=alarm.state,
        stage=alarm.stage,
        since=alarm.since,
        raised=alarm.raised,
        priority=rules.priority,
        cause=rules.cause,
        consequence=rules.consequence,
        response=rules.response,
        time_to_respond_s=rules.time_to_respond_s,
        limit_s=rules.limit_s,
        shelved_until=alarm.shelved_until,
        is_one_shot=alarm.is_one_shot,
        by=alarm.by,
        because=alarm.because,
    )
