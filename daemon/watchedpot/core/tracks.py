"""One alarm from its undelayed conditions to its state: delays, stages, due times.

An alarm has one stage, or two of which the second is worse (hot, over the ceiling). Each stage
has its own delay; the alarm machine sees only the highest stage that counts as on.
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


@dataclass(frozen=True, slots=True)
class Track:
    """One alarm as it stands, with the delays of its stages."""

    id: str
    alarm: Alarm
    delays: tuple[Delay, ...]


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
    return Track(plan.id, alarm, tuple(Delay() for _ in plan.stages))


def next_due_ns(track: Track) -> int | None:
    """When something happens by itself; None if nothing will."""
    dues = [d.due_ns for d in track.delays if d.due_ns is not None and not d.is_paused]
    alarm = track.alarm
    dues += [due for due in (alarm.shelved_until_ns, alarm.re_alarm_due_ns) if due is not None]
    return min(dues, default=None)


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
    if alarm.shelved_until_ns is not None and alarm.shelved_until_ns <= due_ns:
        return tell(track, plan, AlarmInput.UNSHELVE, at)
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
    return tell(track, plan, cause, at, stage=stage)


def tell(
    track: Track,
    plan: AlarmPlan,
    cause: AlarmInput,
    at: Instant,
    *,
    stage: int | None = None,
    who: str = "",
    why: str = "",
    shelved_until_ns: int | None = None,
) -> tuple[Track, tuple[Change, ...]]:
    """An input to the alarm machine; no change at all where it is refused."""
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
    after = _with_due_times(before, after, plan, at, shelved_until_ns=shelved_until_ns)
    onset = track.delays[max(after.stage, 1) - 1].raw_since or at
    change = Change(plan, at, cause, before.state, after, onset, who, why)
    return replace(track, alarm=after), (change,)


def _with_due_times(
    before: Alarm, after: Alarm, plan: AlarmPlan, at: Instant, *, shelved_until_ns: int | None
) -> Alarm:
    """Due times as the new state needs them."""
    re_alarm_due_ns = after.re_alarm_due_ns
    if after.state is not before.state:
        re_alarm_s = plan.rules.re_alarm_s
        is_due = after.state is AlarmState.ACKNOWLEDGED and re_alarm_s is not None
        re_alarm_due_ns = at.mono_ns + ns(re_alarm_s or 0.0) if is_due else None
    until_ns = shelved_until_ns if shelved_until_ns is not None else after.shelved_until_ns
    return replace(
        after,
        re_alarm_due_ns=re_alarm_due_ns,
        shelved_until_ns=until_ns if after.is_shelved else None,
    )


def alarm_snapshot(track: Track, plan: AlarmPlan) -> AlarmSnapshot:
    """The alarm for the outputs; texts are those of its present stage."""
    alarm = track.alarm
    rules = plan.stages[max(alarm.stage, 1) - 1]
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
    )
