"""One alarm from its conditions to its state: stages, due times, what is told."""

from __future__ import annotations

import pytest

from support.cells import alarm, entry, instant
from watchedpot.core import tracks
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.model import EntryKind, Instant
from watchedpot.core.rules import AlarmKind, AlarmRules
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.tracks import AlarmPlan, Change, Track
from watchedpot.core.units import NANO

UTC_NS = instant(0.0).utc_ns


def at(mono_ns: int) -> Instant:
    """The moment on both clocks."""
    return Instant(UTC_NS + mono_ns, mono_ns)


def plan(*stages: AlarmRules) -> AlarmPlan:
    """An alarm of the nozzle; one stage with 10 s on and 20 s off unless told."""
    usual = (alarm(AlarmKind.HOT, on_delay_s=10.0, off_delay_s=20.0),)
    return AlarmPlan("lens_4/nozzle/hot", "lens_4", "nozzle", stages or usual)


TWO_STAGES = plan(
    alarm(AlarmKind.HOT, on_delay_s=10.0, off_delay_s=20.0),
    alarm(AlarmKind.OVER_CEILING, on_delay_s=2.0, off_delay_s=5.0, response="switch it off"),
)


def played(
    rules: AlarmPlan, *turns: tuple[float, tuple[bool, ...]], until_s: float
) -> tuple[Track, list[Change]]:
    """Conditions as they turn, and everything that is due on the way."""
    track, changes = tracks.new_track(rules), list[Change]()
    for at_s, raws in turns:
        track, new = tracks.advance(track, rules, instant(at_s).mono_ns, at)
        changes += new
        track = tracks.turn(track, rules, instant(at_s), raws)
        track, new = tracks.advance(track, rules, instant(at_s).mono_ns, at)
        changes += new
    track, new = tracks.advance(track, rules, instant(until_s).mono_ns, at)
    return track, changes + list(new)


def story(changes: list[Change]) -> list[tuple[float, str, str, int]]:
    """When, why, to what, at which stage."""
    return [
        (c.at.mono_ns / NANO, c.cause.value, c.after.state.value, c.after.stage) for c in changes
    ]


def test_an_alarm_comes_after_its_on_delay_and_goes_after_its_off_delay() -> None:
    """Both dated by the due time, the onset by the edge."""
    _, changes = played(plan(), (5.0, (True,)), (40.0, (False,)), until_s=100.0)
    assert story(changes) == [
        (15.0, "on", "unacknowledged", 1),
        (60.0, "off", "returned_unacknowledged", 0),
    ]
    assert [c.onset for c in changes] == [instant(5.0), instant(5.0)]


def test_due_times_are_the_same_however_often_time_is_advanced() -> None:
    """A due time is absolute: no ticking."""
    _, changes = played(plan(), (5.0, (True,)), until_s=100.0)
    track, ticked = tracks.new_track(plan()), list[Change]()
    track = tracks.turn(track, plan(), instant(5.0), (True,))
    for tenth in range(50, 1000):
        track, new = tracks.advance(track, plan(), tenth * NANO // 10, at)
        ticked += new
    assert story(ticked) == story(changes)


def test_a_worse_stage_is_one_alarm_that_asks_anew() -> None:
    """Hot, acknowledged, over the ceiling: unacknowledged again, one alarm, two raises."""
    track, changes = played(TWO_STAGES, (0.0, (True, False)), until_s=20.0)
    track, new = tracks.tell(track, TWO_STAGES, AlarmInput.ACKNOWLEDGE, instant(20.0), who="a")
    changes += new
    track = tracks.turn(track, TWO_STAGES, instant(30.0), (True, True))
    track, new = tracks.advance(track, TWO_STAGES, 40 * NANO, at)
    changes += new
    track = tracks.turn(track, TWO_STAGES, instant(50.0), (True, False))
    track, new = tracks.advance(track, TWO_STAGES, 60 * NANO, at)
    changes += new
    assert story(changes) == [
        (10.0, "on", "unacknowledged", 1),
        (20.0, "acknowledge", "acknowledged", 1),
        (32.0, "worse", "unacknowledged", 2),
        (55.0, "eased", "unacknowledged", 1),
    ]
    assert changes[2].onset == instant(30.0)
    assert track.alarm.raised == 2


def test_the_worse_stage_may_come_first() -> None:
    """Its shorter delay is over first: on at stage 2 at once, and the mild one adds nothing."""
    _, changes = played(TWO_STAGES, (0.0, (True, True)), until_s=30.0)
    assert story(changes) == [(2.0, "on", "unacknowledged", 2)]


def test_both_stages_can_end_at_one_moment() -> None:
    """One change, from the worse stage to none."""
    rules = plan(alarm(AlarmKind.HOT), alarm(AlarmKind.OVER_CEILING))
    _, changes = played(rules, (1.0, (True, True)), (2.0, (False, False)), until_s=3.0)
    assert story(changes) == [
        (1.0, "on", "unacknowledged", 2),
        (2.0, "off", "returned_unacknowledged", 0),
    ]


def test_an_acknowledged_alarm_that_stays_on_asks_again() -> None:
    """AL-17: after its re-alarm time it is unacknowledged; each acknowledgement starts anew."""
    rules = plan(alarm(AlarmKind.HOT, re_alarm_s=60.0))
    track, changes = played(rules, (0.0, (True,)), until_s=1.0)
    track, new = tracks.tell(track, rules, AlarmInput.ACKNOWLEDGE, instant(5.0))
    changes += new
    track, new = tracks.advance(track, rules, 1000 * NANO, at)
    changes += new
    assert story(changes)[1:] == [
        (5.0, "acknowledge", "acknowledged", 1),
        (65.0, "re_alarm", "unacknowledged", 1),
    ]
    assert tracks.next_due_ns(track) is None


def test_an_acknowledged_alarm_that_ends_does_not_ask_again() -> None:
    """The due time goes with the state that set it."""
    rules = plan(alarm(AlarmKind.HOT, re_alarm_s=60.0))
    track, _ = played(rules, (0.0, (True,)), until_s=1.0)
    track, _ = tracks.tell(track, rules, AlarmInput.ACKNOWLEDGE, instant(5.0))
    track = tracks.turn(track, rules, instant(10.0), (False,))
    track, changes = tracks.advance(track, rules, 1000 * NANO, at)
    assert story(list(changes)) == [(10.0, "off", "normal", 0)]


@pytest.mark.parametrize(("is_on", "after"), [(True, "unacknowledged"), (False, "normal")])
def test_a_shelving_ends_by_itself(is_on: bool, after: str) -> None:
    """The condition of that moment decides what surfaces; nothing stays shelved for ever."""
    rules = plan(alarm(AlarmKind.HOT))
    track, _ = played(rules, (0.0, (True,)), until_s=1.0)
    track, _ = tracks.tell(
        track, rules, AlarmInput.SHELVE, instant(5.0), shelved_until_ns=65 * NANO
    )
    track = tracks.turn(track, rules, instant(10.0), (is_on,))
    track, changes = tracks.advance(track, rules, 1000 * NANO, at)
    assert story(list(changes))[-1] == (65.0, "unshelve", after, int(is_on))
    assert track.alarm.shelved_until_ns is None


def test_a_shelving_can_be_ended_early_and_then_has_no_end() -> None:
    """AL-48: at any time."""
    rules = plan(alarm(AlarmKind.HOT))
    track, _ = tracks.tell(
        tracks.new_track(rules), rules, AlarmInput.SHELVE, instant(5.0), shelved_until_ns=65 * NANO
    )
    track, _ = tracks.tell(track, rules, AlarmInput.UNSHELVE, instant(6.0))
    assert track.alarm.state is AlarmState.NORMAL
    assert tracks.next_due_ns(track) is None


def test_what_happens_while_put_aside_is_told_as_it_is_noted() -> None:
    """AL-05: an alarm that turns on while shelved is an event, in the same state."""
    rules = plan(alarm(AlarmKind.HOT))
    track, _ = tracks.tell(
        tracks.new_track(rules), rules, AlarmInput.SHELVE, instant(5.0), shelved_until_ns=65 * NANO
    )
    track = tracks.turn(track, rules, instant(10.0), (True,))
    _, changes = tracks.advance(track, rules, 20 * NANO, at)
    assert story(list(changes)) == [(10.0, "on", "shelved", 1)]


def test_an_input_that_is_refused_leaves_no_trace() -> None:
    """The very same track, no change."""
    track = tracks.new_track(plan())
    assert tracks.tell(track, plan(), AlarmInput.RESET, instant(1.0)) == (track, ())


def test_a_change_says_who_and_why() -> None:
    """As the person gave it."""
    said = entry(EntryKind.SHELVE, "lens_4/nozzle/hot", at_s=1.0, why="new heater")
    _, (change,) = tracks.tell(
        tracks.new_track(plan()),
        plan(),
        AlarmInput.SHELVE,
        said.at,
        who=said.who,
        why=said.why,
        shelved_until_ns=NANO * 60,
    )
    assert (change.who, change.why, change.before) == ("operator", "new heater", AlarmState.NORMAL)


def test_turning_at_once_skips_the_off_delay() -> None:
    """For conditions that are not measured to be gone but declared to be."""
    track, _ = played(plan(), (0.0, (True,)), until_s=20.0)
    track = tracks.turn(track, plan(), instant(30.0), (False,), at_once=True)
    _, changes = tracks.advance(track, plan(), 30 * NANO, at)
    assert story(list(changes)) == [(30.0, "off", "returned_unacknowledged", 0)]


def test_a_condition_as_it_was_leaves_the_same_track() -> None:
    """No edge, no copy."""
    track = tracks.new_track(plan())
    assert tracks.turn(track, plan(), instant(1.0), (False,)) is track


def test_an_alarm_under_suppression_starts_suppressed() -> None:
    """It surfaces by the condition of that moment."""
    track = tracks.new_track(plan(), is_suppressed=True)
    assert track.alarm.state is AlarmState.SUPPRESSED_BY_DESIGN
    track, _ = tracks.tell(track, plan(), AlarmInput.UNSUPPRESS, instant(1.0))
    assert track.alarm.state is AlarmState.NORMAL


def test_a_blind_stretch_starts_the_off_delay_anew() -> None:
    """Twenty seconds seen off, whatever was before the gap."""
    track, _ = played(plan(), (0.0, (True,)), (30.0, (False,)), until_s=45.0)
    track = tracks.pause(track)
    track, nothing = tracks.advance(track, plan(), 90 * NANO, at)
    assert nothing == ()
    track = tracks.resume(track, plan(), 100 * NANO)
    _, changes = tracks.advance(track, plan(), 200 * NANO, at)
    assert story(list(changes)) == [(120.0, "off", "returned_unacknowledged", 0)]


def test_nothing_comes_on_in_a_blind_stretch() -> None:
    """Seen on for 4 of 10 s, then not seen: not due, for however long."""
    track, _ = played(plan(), (0.0, (True,)), until_s=4.0)
    track = tracks.pause(track)
    assert tracks.next_due_ns(track) is None
    _, changes = tracks.advance(track, plan(), 10**18, at)
    assert changes == ()


def test_the_snapshot_has_the_texts_of_the_present_stage() -> None:
    """And the identity of the alarm."""
    track, _ = played(TWO_STAGES, (0.0, (True, True)), until_s=30.0)
    shown = tracks.alarm_snapshot(track, TWO_STAGES)
    assert (shown.id, shown.cell, shown.zone) == ("lens_4/nozzle/hot", "lens_4", "nozzle")
    assert shown.kind is AlarmKind.HOT
    assert (shown.state, shown.stage, shown.raised) == (AlarmState.UNACKNOWLEDGED, 2, 1)
    assert shown.since == instant(2.0)
    assert shown.response == "switch it off"
    calm = tracks.alarm_snapshot(tracks.new_track(TWO_STAGES), TWO_STAGES)
    assert (calm.stage, calm.since, calm.response) == (0, None, "a response")
