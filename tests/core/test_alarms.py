"""The alarm machine against the nine-state model of IEC 62682 and ISA-18.2, written down anew.

States and meanings are those of the standards; the exact arrows are from memory of their figure.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from support.cells import instant
from watchedpot.core.alarms import TABLE, Alarm, AlarmInput, Answer, Delay, react
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import NANO

NORMAL = AlarmState.NORMAL
UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED = AlarmState.ACKNOWLEDGED
RETURNED = AlarmState.RETURNED_UNACKNOWLEDGED
LATCHED = AlarmState.LATCHED_UNACKNOWLEDGED
LATCHED_ACKNOWLEDGED = AlarmState.LATCHED_ACKNOWLEDGED
SHELVED = AlarmState.SHELVED
SUPPRESSED = AlarmState.SUPPRESSED_BY_DESIGN
OUT_OF_SERVICE = AlarmState.OUT_OF_SERVICE

ASIDE = (SHELVED, SUPPRESSED, OUT_OF_SERVICE)
IN_VIEW = tuple(state for state in AlarmState if state not in ASIDE)
ACTIVE = (UNACKNOWLEDGED, ACKNOWLEDGED)

PEOPLE = (
    AlarmInput.ACKNOWLEDGE,
    AlarmInput.RESET,
    AlarmInput.SHELVE,
    AlarmInput.UNSHELVE,
    AlarmInput.TAKE_OUT_OF_SERVICE,
    AlarmInput.RETURN_TO_SERVICE,
)

MOVES: dict[AlarmInput, dict[AlarmState, AlarmState]] = {
    AlarmInput.ON: dict.fromkeys((NORMAL, RETURNED, LATCHED, LATCHED_ACKNOWLEDGED), UNACKNOWLEDGED),
    AlarmInput.WORSE: dict.fromkeys(
        (NORMAL, ACKNOWLEDGED, RETURNED, LATCHED, LATCHED_ACKNOWLEDGED), UNACKNOWLEDGED
    ),
    AlarmInput.EASED: {},
    AlarmInput.RE_ALARM: {ACKNOWLEDGED: UNACKNOWLEDGED},
    AlarmInput.ACKNOWLEDGE: {
        UNACKNOWLEDGED: ACKNOWLEDGED,
        RETURNED: NORMAL,
        LATCHED: LATCHED_ACKNOWLEDGED,
    },
    AlarmInput.RESET: {LATCHED: RETURNED, LATCHED_ACKNOWLEDGED: NORMAL},
    AlarmInput.SHELVE: dict.fromkeys(IN_VIEW, SHELVED),
    AlarmInput.SUPPRESS: dict.fromkeys((*IN_VIEW, SHELVED), SUPPRESSED),
    AlarmInput.TAKE_OUT_OF_SERVICE: dict.fromkeys((*IN_VIEW, SHELVED, SUPPRESSED), OUT_OF_SERVICE),
}
"""State after an input that moves, by state before, for an alarm that does not latch."""

REFUSED: dict[AlarmInput, tuple[AlarmState, ...]] = {
    AlarmInput.ACKNOWLEDGE: (NORMAL, ACKNOWLEDGED, LATCHED_ACKNOWLEDGED),
    AlarmInput.RESET: (NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED),
    AlarmInput.SHELVE: (SHELVED,),
    AlarmInput.UNSHELVE: (*IN_VIEW, SUPPRESSED, OUT_OF_SERVICE),
    AlarmInput.TAKE_OUT_OF_SERVICE: (OUT_OF_SERVICE,),
    AlarmInput.RETURN_TO_SERVICE: (*IN_VIEW, SHELVED, SUPPRESSED),
}
"""Where a person is told no, of alarms that are put aside by one thing at most."""


def in_state(state: AlarmState, *, stage: int, is_latched: bool = False) -> Alarm:
    """An alarm in a state, its flags as the state needs them."""
    return Alarm(
        state,
        stage=stage,
        is_latched=is_latched or state in {LATCHED, LATCHED_ACKNOWLEDGED},
        is_shelved=state is SHELVED,
        is_suppressed=state is SUPPRESSED,
        is_out_of_service=state is OUT_OF_SERVICE,
    )


def expected(
    state: AlarmState, cause: AlarmInput, *, stage: int, is_latching: bool
) -> AlarmState | None:
    """State that the model asks for, None where the input is refused; one thing aside at most."""
    if state in REFUSED.get(cause, ()):
        return None
    ends = {
        SHELVED: AlarmInput.UNSHELVE,
        SUPPRESSED: AlarmInput.UNSUPPRESS,
        OUT_OF_SERVICE: AlarmInput.RETURN_TO_SERVICE,
    }
    if ends.get(state) is cause:
        latched = LATCHED if is_latching else NORMAL
        return UNACKNOWLEDGED if stage else latched
    if cause is AlarmInput.OFF:
        if state is UNACKNOWLEDGED:
            return LATCHED if is_latching else RETURNED
        if state is ACKNOWLEDGED:
            return LATCHED_ACKNOWLEDGED if is_latching else NORMAL
        return state
    return MOVES.get(cause, {}).get(state, state)


@pytest.mark.parametrize("is_latching", [False, True])
@pytest.mark.parametrize(("state", "cause"), list(product(AlarmState, AlarmInput)))
def test_every_cell_of_the_table_is_as_expected(
    state: AlarmState, cause: AlarmInput, is_latching: bool
) -> None:
    """Nine states, thirteen inputs, latching or not, the condition on and off."""
    for stage in (0, 1):
        before = in_state(state, stage=stage, is_latched=is_latching and state in ASIDE)
        after = react(before, cause, instant(1.0), stage=stage, is_latching=is_latching)
        wanted = expected(state, cause, stage=stage, is_latching=is_latching)
        assert (None if after is None else after.state) is wanted


@pytest.mark.parametrize("is_one_shot", [False, True])
@pytest.mark.parametrize("cause", list(AlarmInput))
@pytest.mark.parametrize("state", [SUPPRESSED, OUT_OF_SERVICE])
def test_a_shelving_behind_another_thing_goes_on(
    state: AlarmState, cause: AlarmInput, is_one_shot: bool
) -> None:
    """Of all inputs only its own end takes it away; asked for again it is refused."""
    before = replace(in_state(state, stage=1), is_shelved=True, is_one_shot=is_one_shot)
    after = react(before, cause, instant(1.0), stage=1, is_latching=False)
    if cause is AlarmInput.SHELVE:
        assert after is None
    elif after is not None:
        assert after.is_shelved is (cause is not AlarmInput.UNSHELVE)
        ends = {SUPPRESSED: AlarmInput.UNSUPPRESS, OUT_OF_SERVICE: AlarmInput.RETURN_TO_SERVICE}
        takes_out = cause is AlarmInput.TAKE_OUT_OF_SERVICE
        aside = OUT_OF_SERVICE if takes_out else state
        assert after.state is (SHELVED if cause is ends[state] else aside)


def test_the_table_is_total() -> None:
    """Every state has an answer to every input; only a person is ever refused."""
    assert set(TABLE) == set(product(AlarmState, AlarmInput))
    refused = {cause for (_, cause), answer in TABLE.items() if answer is Answer.REFUSE}
    assert refused <= {*PEOPLE, AlarmInput.UNSUPPRESS}


@pytest.mark.parametrize(("state", "cause"), list(product(AlarmState, AlarmInput)))
def test_a_new_state_is_dated_and_the_same_state_keeps_its_date(
    state: AlarmState, cause: AlarmInput
) -> None:
    """``raised`` counts how often it became unacknowledged."""
    before = replace(in_state(state, stage=1), since=instant(1.0), raised=4)
    after = react(before, cause, instant(2.0), stage=1, is_latching=False)
    if after is None:
        return
    moved = after.state is not state
    assert after.since == (instant(2.0) if moved else instant(1.0))
    assert after.raised == 4 + (moved and after.state is UNACKNOWLEDGED)


@pytest.mark.parametrize("state", ASIDE)
def test_an_alarm_put_aside_stays_fully_functional(state: AlarmState) -> None:
    """AL-05: its condition is followed, so that the moment it surfaces is judged by it."""
    aside = in_state(state, stage=0)
    on = react(aside, AlarmInput.ON, instant(1.0), stage=1, is_latching=False)
    assert on is not None
    assert (on.state, on.stage) == (state, 1)
    off = react(on, AlarmInput.OFF, instant(2.0), stage=0, is_latching=False)
    assert off is not None
    assert (off.state, off.stage) == (state, 0)


def test_a_latched_alarm_does_not_clear_by_itself() -> None:
    """AL-06: neither the condition's end nor any later input but a reset brings it to normal."""
    alarm = in_state(UNACKNOWLEDGED, stage=1)
    for cause, stage, wanted in (
        (AlarmInput.OFF, 0, LATCHED),
        (AlarmInput.OFF, 0, LATCHED),
        (AlarmInput.ACKNOWLEDGE, 0, LATCHED_ACKNOWLEDGED),
        (AlarmInput.OFF, 0, LATCHED_ACKNOWLEDGED),
        (AlarmInput.EASED, 0, LATCHED_ACKNOWLEDGED),
        (AlarmInput.RESET, 0, NORMAL),
    ):
        after = react(alarm, cause, instant(1.0), stage=stage, is_latching=True)
        assert after is not None
        assert after.state is wanted
        alarm = after
    assert not alarm.is_latched


def test_a_latch_survives_being_put_aside() -> None:
    """Putting aside is not resetting; a reset given meanwhile is one."""
    latched = in_state(LATCHED, stage=0)
    shelved = react(latched, AlarmInput.SHELVE, instant(1.0), stage=0, is_latching=True)
    assert shelved is not None
    back = react(shelved, AlarmInput.UNSHELVE, instant(2.0), stage=0, is_latching=True)
    assert back is not None
    assert back.state is LATCHED
    reset = react(shelved, AlarmInput.RESET, instant(2.0), stage=0, is_latching=True)
    assert reset is not None
    back = react(reset, AlarmInput.UNSHELVE, instant(3.0), stage=0, is_latching=True)
    assert back is not None
    assert back.state is NORMAL


def test_a_reset_while_the_condition_holds_does_not_undo_the_latch() -> None:
    """The condition that is still there latches it again."""
    shelved = in_state(SHELVED, stage=1, is_latched=True)
    after = react(shelved, AlarmInput.RESET, instant(1.0), stage=1, is_latching=True)
    assert after is not None
    assert after.is_latched


@pytest.mark.parametrize("order", list(product((True, False), repeat=2)))
def test_three_flags_end_one_by_one_and_the_strongest_shows(order: tuple[bool, bool]) -> None:
    """AL-07: person, process and maintenance put aside on their own, in any order of ending."""
    alarm = in_state(UNACKNOWLEDGED, stage=1)
    for cause, wanted in (
        (AlarmInput.SHELVE, SHELVED),
        (AlarmInput.SUPPRESS, SUPPRESSED),
        (AlarmInput.TAKE_OUT_OF_SERVICE, OUT_OF_SERVICE),
    ):
        after = react(alarm, cause, instant(1.0), stage=1, is_latching=False)
        assert after is not None
        assert after.state is wanted
        alarm = after
    assert (alarm.is_shelved, alarm.is_suppressed, alarm.is_out_of_service) == (True, True, True)
    unshelve_first, unsuppress_first = order
    if unshelve_first:
        alarm = told(alarm, AlarmInput.UNSHELVE, OUT_OF_SERVICE)
    if unsuppress_first:
        alarm = told(alarm, AlarmInput.UNSUPPRESS, OUT_OF_SERVICE)
    left = {(True, True): UNACKNOWLEDGED, (False, True): SHELVED}.get(order, SUPPRESSED)
    alarm = told(alarm, AlarmInput.RETURN_TO_SERVICE, left)
    if not unsuppress_first:
        left = UNACKNOWLEDGED if unshelve_first else SHELVED
        alarm = told(alarm, AlarmInput.UNSUPPRESS, left)
    if not unshelve_first:
        told(alarm, AlarmInput.UNSHELVE, UNACKNOWLEDGED)


def told(alarm: Alarm, cause: AlarmInput, wanted: AlarmState) -> Alarm:
    """The alarm after an input that must lead to a state."""
    after = react(alarm, cause, instant(1.0), stage=alarm.stage, is_latching=False)
    assert after is not None
    assert after.state is wanted
    return after


# Delays


def turned(delay: Delay, at_s: float, *, is_raw: bool) -> Delay:
    """The condition turned, with an on-delay of 10 s and an off-delay of 20 s."""
    return delay.turned(instant(at_s), is_raw=is_raw, on_delay_ns=10 * NANO, off_delay_ns=20 * NANO)


def test_a_condition_counts_after_its_whole_on_delay() -> None:
    """AL-15: due ten seconds after the edge, not a nanosecond earlier."""
    delay = turned(Delay(), 5.0, is_raw=True)
    assert delay.due_ns == 15 * NANO
    assert not delay.due_by(15 * NANO - 1)
    assert delay.due_by(15 * NANO)
    assert delay.fired().is_on
    assert delay.fired().due_ns is None


def test_a_shorter_condition_raises_nothing() -> None:
    """AL-15: gone before its delay, nothing is due any more."""
    delay = turned(turned(Delay(), 5.0, is_raw=True), 14.9, is_raw=False)
    assert delay.due_ns is None
    assert not delay.due_by(10**18)


def test_a_short_return_holds_the_alarm_on() -> None:
    """AL-17: back on within the off-delay, nothing is due any more."""
    delay = turned(turned(Delay(), 5.0, is_raw=True).fired(), 30.0, is_raw=False)
    assert delay.due_ns == 50 * NANO
    delay = turned(delay, 40.0, is_raw=True)
    assert (delay.is_on, delay.due_ns) == (True, None)
    assert delay.raw_since == instant(40.0)


def test_a_condition_that_has_not_changed_changes_nothing() -> None:
    """The due time stays that of the edge."""
    delay = turned(Delay(), 5.0, is_raw=True)
    assert turned(delay, 7.0, is_raw=True) is delay


def test_nothing_is_due_while_the_signal_is_not_seen() -> None:
    """AL-10: neither on nor off."""
    on = turned(Delay(), 5.0, is_raw=True).paused()
    off = turned(turned(Delay(), 5.0, is_raw=True).fired(), 30.0, is_raw=False).paused()
    assert not on.due_by(10**18)
    assert not off.due_by(10**18)


def test_an_off_delay_starts_anew_when_the_signal_is_seen_again() -> None:
    """It must be seen off for the whole of it."""
    delay = turned(turned(Delay(), 5.0, is_raw=True).fired(), 30.0, is_raw=False)
    again = delay.paused().resumed(100 * NANO, off_delay_ns=20 * NANO)
    assert again.due_ns == 120 * NANO


def test_a_delay_with_nothing_due_resumes_with_nothing_due() -> None:
    """Sight alone makes nothing happen."""
    assert Delay().paused().resumed(100 * NANO, off_delay_ns=20 * NANO) == Delay()
