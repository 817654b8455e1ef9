"""One alarm from its conditions to its state: stages, due times, what is told."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


def test_each_stage_asks_again_after_its_own_time() -> None:
    """The time of the stage that was acknowledged."""
    rules = plan(
        alarm(AlarmKind.HOT, re_alarm_s=600.0), alarm(AlarmKind.OVER_CEILING, re_alarm_s=60.0)
    )
    track, _ = played(rules, (0.0, (True, True)), until_s=1.0)
    track, _ = tracks.tell(track, rules, AlarmInput.ACKNOWLEDGE, instant(5.0))
    assert tracks.next_due_ns(track) == 65 * NANO


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
        track, rules, AlarmInput.SHELVE, instant(5.0), shelved_until=instant(65.0)
    )
    track = tracks.turn(track, rules, instant(10.0), (is_on,))
    track, changes = tracks.advance(track, rules, 1000 * NANO, at)
    assert story(list(changes))[-1] == (65.0, "unshelve", after, int(is_on))
    assert track.alarm.shelved_until is None


def test_a_shelving_can_be_ended_early_and_then_has_no_end() -> None:
    """AL-48: at any time."""
    rules = plan(alarm(AlarmKind.HOT))
    track, _ = tracks.tell(
        tracks.new_track(rules), rules, AlarmInput.SHELVE, instant(5.0), shelved_until=instant(65.0)
    )
    track, _ = tracks.tell(track, rules, AlarmInput.UNSHELVE, instant(6.0))
    assert track.alarm.state is AlarmState.NORMAL
    assert tracks.next_due_ns(track) is None


def test_what_happens_while_put_aside_is_told_as_it_is_noted() -> None:
    """AL-05: an alarm that turns on while shelved is an event, in the same state."""
    rules = plan(alarm(AlarmKind.HOT))
    track, _ = tracks.tell(
        tracks.new_track(rules), rules, AlarmInput.SHELVE, instant(5.0), shelved_until=instant(65.0)
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
        shelved_until=instant(60.0),
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


# One shot, answers, suppression


def shelved(rules: AlarmPlan, track: Track, at_s: float, *, is_one_shot: bool) -> Track:
    """The alarm shelved, at the latest until 1000 s."""
    track, changes = tracks.tell(
        track,
        rules,
        AlarmInput.SHELVE,
        instant(at_s),
        who="anna",
        why="probe is being changed",
        shelved_until=instant(1000.0),
        is_one_shot=is_one_shot,
    )
    assert changes
    return track


def lived(
    rules: AlarmPlan, track: Track, *turns: tuple[float, tuple[bool, ...]], until_s: float
) -> tuple[Track, list[tuple[float, str, str, int]]]:
    """An alarm further on, and its story from then on."""
    changes = list[Change]()
    for at_s, raws in turns:
        track, new = tracks.advance(track, rules, instant(at_s).mono_ns, at)
        changes += new
        track = tracks.turn(track, rules, instant(at_s), raws)
    track, new = tracks.advance(track, rules, instant(until_s).mono_ns, at)
    return track, story([*changes, *new])


ONE_STAGE = plan(alarm(AlarmKind.HOT))


@pytest.mark.parametrize("is_active", [True, False])
def test_one_shot_covers_this_activation_or_the_next_and_no_other(is_active: bool) -> None:
    """AL-45: it clears itself as the alarm returns; the one after is shown."""
    track, _ = played(ONE_STAGE, (0.0, (is_active,)), until_s=1.0)
    track = shelved(ONE_STAGE, track, 2.0, is_one_shot=True)
    turns = ((10.0, (True,)), (20.0, (False,)), (30.0, (True,)))
    _, told = lived(ONE_STAGE, track, *turns, until_s=40.0)
    covered = [] if is_active else [(10.0, "on", "shelved", 1)]
    assert told == [
        *covered,
        (20.0, "off", "shelved", 0),
        (20.0, "unshelve", "normal", 0),
        (30.0, "on", "unacknowledged", 1),
    ]


def test_a_timed_shelving_outlives_any_number_of_activations() -> None:
    """AL-46: unaffected by transitions, over at its own time."""
    track = shelved(ONE_STAGE, tracks.new_track(ONE_STAGE), 2.0, is_one_shot=False)
    turns = [(10.0 * n, (n % 2 == 1,)) for n in range(1, 90)]
    track, told = lived(ONE_STAGE, track, *turns, until_s=999.0)
    assert {state for _, _, state, _ in told} == {"shelved"}
    _, told = lived(ONE_STAGE, track, until_s=1001.0)
    assert told == [(1000.0, "unshelve", "unacknowledged", 1)]


def test_one_shot_that_never_comes_ends_at_the_bound() -> None:
    """AL-47: the longest shelving bounds it too."""
    track = shelved(ONE_STAGE, tracks.new_track(ONE_STAGE), 2.0, is_one_shot=True)
    track, told = lived(ONE_STAGE, track, until_s=5000.0)
    assert told == [(1000.0, "unshelve", "normal", 0)]
    assert (track.alarm.shelved_until, track.alarm.is_one_shot) == (None, False)


def test_one_shot_leaves_a_latch() -> None:
    """Being over is not being reset."""
    rules = plan(alarm(AlarmKind.HOT, is_latching=True))
    track = shelved(rules, tracks.new_track(rules), 2.0, is_one_shot=True)
    _, told = lived(rules, track, (10.0, (True,)), (20.0, (False,)), until_s=30.0)
    assert told[-1] == (20.0, "unshelve", "latched_unacknowledged", 0)


def test_one_shot_behind_a_suppression_ends_with_the_activation_too() -> None:
    """And leaves the suppression."""
    track = shelved(ONE_STAGE, tracks.new_track(ONE_STAGE), 2.0, is_one_shot=True)
    track = tracks.turn(track, ONE_STAGE, instant(3.0), (True,))
    track, _ = tracks.advance(track, ONE_STAGE, 4 * NANO, at)
    track, _ = tracks.idle(track, ONE_STAGE, instant(5.0), is_idle=True)
    track, told = lived(ONE_STAGE, track, (10.0, (False,)), until_s=11.0)
    assert told[-1] == (10.0, "unshelve", "suppressed_by_design", 0)
    assert not track.alarm.is_shelved


@pytest.mark.parametrize("is_one_shot", [True, False])
@pytest.mark.parametrize("from_stage", [0, 1])
def test_a_worse_stage_ends_a_shelving(from_stage: int, is_one_shot: bool) -> None:
    """Who put hot aside has not put over the ceiling aside, whichever way it comes."""
    track, _ = played(TWO_STAGES, (0.0, (from_stage == 1, False)), until_s=20.0)
    track = shelved(TWO_STAGES, track, 21.0, is_one_shot=is_one_shot)
    track, told = lived(TWO_STAGES, track, (30.0, (True, True)), until_s=33.0)
    assert told[-1] == (32.0, "unshelve", "unacknowledged", 2)
    assert not track.alarm.is_shelved


def test_a_worst_stage_can_be_shelved_by_who_sees_it() -> None:
    """Until it eases and gets worse again."""
    track, _ = played(TWO_STAGES, (0.0, (True, True)), until_s=20.0)
    track = shelved(TWO_STAGES, track, 21.0, is_one_shot=False)
    turns = ((30.0, (True, False)), (50.0, (True, True)))
    _, told = lived(TWO_STAGES, track, *turns, until_s=60.0)
    assert told == [
        (35.0, "eased", "shelved", 1),
        (52.0, "worse", "shelved", 2),
        (52.0, "unshelve", "unacknowledged", 2),
    ]


def test_who_put_it_aside_and_why_is_shown_until_it_is_back() -> None:
    """And not on the alarm that comes out of it."""
    track, _ = played(ONE_STAGE, (0.0, (True,)), until_s=1.0)
    track = shelved(ONE_STAGE, track, 2.0, is_one_shot=True)
    shown = tracks.alarm_snapshot(track, ONE_STAGE)
    assert (shown.by, shown.because) == ("anna", "probe is being changed")
    assert (shown.shelved_until, shown.is_one_shot) == (instant(1000.0), True)
    track, _ = tracks.tell(track, ONE_STAGE, AlarmInput.ACKNOWLEDGE, instant(3.0), who="ben")
    assert tracks.alarm_snapshot(track, ONE_STAGE).by == "anna"
    track, _ = tracks.tell(track, ONE_STAGE, AlarmInput.UNSHELVE, instant(4.0), who="ben", why="x")
    back = tracks.alarm_snapshot(track, ONE_STAGE)
    assert (back.by, back.because, back.shelved_until, back.is_one_shot) == ("", "", None, False)


def test_who_acknowledged_is_shown_until_it_asks_again() -> None:
    """A re-alarm has not been answered by anybody."""
    rules = plan(alarm(AlarmKind.HOT, re_alarm_s=60.0))
    track, _ = played(rules, (0.0, (True,)), until_s=1.0)
    track, _ = tracks.tell(track, rules, AlarmInput.ACKNOWLEDGE, instant(5.0), who="ben")
    assert tracks.alarm_snapshot(track, rules).by == "ben"
    track, _ = tracks.advance(track, rules, 100 * NANO, at)
    assert tracks.alarm_snapshot(track, rules).by == ""


SETTLING = plan(alarm(AlarmKind.HOT, on_delay_s=10.0, setpoint_settle_s=60.0))


def test_a_changed_setpoint_suppresses_what_follows_for_its_time() -> None:
    """What is still so then surfaces then."""
    track, (change,) = tracks.settle(tracks.new_track(SETTLING), SETTLING, instant(5.0))
    assert (change.after.state.value, change.why) == (
        "suppressed_by_design",
        "the setpoint was changed",
    )
    _, told = lived(SETTLING, track, (20.0, (True,)), until_s=100.0)
    assert told == [
        (30.0, "on", "suppressed_by_design", 1),
        (65.0, "unsuppress", "unacknowledged", 1),
    ]


@pytest.mark.parametrize("at_s", [21.0, 40.0, 90.0])
def test_what_stands_already_is_not_suppressed_by_a_changed_setpoint(at_s: float) -> None:
    """Neither within its on-delay, nor on, nor returned and not acknowledged."""
    track, _ = played(SETTLING, (20.0, (True,)), until_s=at_s)
    if at_s == 90.0:
        track, _ = lived(SETTLING, track, (80.0, (False,)), until_s=at_s)
    assert tracks.settle(track, SETTLING, instant(at_s)) == (track, ())


def test_an_alarm_without_a_settling_is_never_suppressed_by_a_setpoint() -> None:
    """Zero is not at all."""
    track = tracks.new_track(ONE_STAGE)
    assert tracks.settle(track, ONE_STAGE, instant(5.0)) == (track, ())


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    changes_s=st.lists(st.floats(0.0, 500.0), max_size=20),
    onset_s=st.floats(0.0, 500.0),
)
def test_no_excursion_is_suppressed_for_longer_than_the_settling(
    changes_s: list[float], onset_s: float
) -> None:
    """However often the setpoint moves, before the excursion and while it lasts."""
    track, shown_s = tracks.new_track(SETTLING), None
    moments = sorted([(at_s, False) for at_s in changes_s] + [(onset_s, True)])
    for at_s, is_onset in moments:
        track, new = tracks.advance(track, SETTLING, instant(at_s).mono_ns, at)
        shown_s = shown_s or first_shown_s(new)
        if is_onset:
            track = tracks.turn(track, SETTLING, instant(at_s), (True,))
        else:
            track, _ = tracks.settle(track, SETTLING, instant(at_s))
    _, new = tracks.advance(track, SETTLING, instant(1000.0).mono_ns, at)
    shown_s = shown_s or first_shown_s(new)
    assert shown_s is not None
    assert onset_s + 10.0 <= shown_s + 1e-6 <= onset_s + 60.0 + 1e-3


def first_shown_s(changes: tuple[Change, ...]) -> float | None:
    """When people were first shown it."""
    shown = (c.at.mono_ns / NANO for c in changes if c.after.state is AlarmState.UNACKNOWLEDGED)
    return next(shown, None)


def test_two_reasons_to_suppress_end_one_by_one() -> None:
    """Not ready, and a changed setpoint."""
    track, _ = tracks.settle(tracks.new_track(SETTLING), SETTLING, instant(0.0))
    track, none = tracks.idle(track, SETTLING, instant(1.0), is_idle=True)
    track, told = lived(SETTLING, track, until_s=100.0)
    assert (none, told) == ((), [])
    track, _ = tracks.idle(track, SETTLING, instant(101.0), is_idle=False)
    assert track.alarm.state is AlarmState.NORMAL
