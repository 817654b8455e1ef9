"""What is learned of a server that takes too little at once, or keeps reads waiting."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from watchedpot.sources.patience import (
    CALM_POLLS,
    FIRST_PAUSE_S,
    LONGEST_PAUSE_S,
    Patience,
    patience_for,
)

NAMES = tuple(f"n{number}" for number in range(16))


def poll(patience: Patience, slow: Sequence[str], now_s: float) -> tuple[Patience, set[str]]:
    """One poll of a server that answers no group with a slow node in it; what was answered.

    As the device does it: a timeout uses the poll up.
    """
    answered: set[str] = set()
    for group in patience.groups:
        if set(group) & set(slow):
            patience = patience.timed_out(group, has_answered=bool(answered), now_s=now_s)
            return patience, answered
        answered |= set(group)
    return patience.all_answered(), answered


def test_all_is_read_together_at_first() -> None:
    """One group, no limit but the server's, nothing slow."""
    patience = patience_for(NAMES)
    assert patience.groups == (NAMES,)
    assert patience.fitting(100) == 100
    assert patience.due(0.0) is None


def test_a_request_that_was_too_large_is_halved_and_remembered() -> None:
    """150 nodes refused, then 75, then 37: at least one is left, and more is not tried again."""
    patience = patience_for(NAMES)
    sizes = []
    for size in (150, 75, 37, 1):
        patience = patience.too_many(size)
        sizes.append(patience.fitting(10_000))
    assert sizes == [75, 37, 18, 1]
    assert patience_for(NAMES).too_many(150).fitting(20) == 20


def test_one_slow_node_is_found_in_a_few_polls_and_the_others_are_read_on() -> None:
    """Of 16 nodes one is slow: halving finds it, and at most two polls bring nothing at all."""
    patience, empty, polls = patience_for(NAMES), 0, 0
    while not patience.slow:
        patience, answered = poll(patience, ["n5"], 0.0)
        empty += not answered
        polls += 1
        assert polls < 10
    assert list(patience.slow) == ["n5"]
    assert empty <= 2
    patience, answered = poll(patience, ["n5"], 1.0)
    assert answered == set(NAMES) - {"n5"}


@given(st.sets(st.sampled_from(NAMES), max_size=4), st.permutations(NAMES))
def test_every_node_that_is_not_slow_is_read_in_the_end(slow: set[str], names: list[str]) -> None:
    """Whatever nodes are slow, in whatever order: soon the rest is read whole, and only it."""
    patience = patience_for(names)
    for _ in range(80):
        patience, answered = poll(patience, sorted(slow), 0.0)
    assert answered == set(NAMES) - slow
    assert set(patience.slow) == slow


@given(
    st.lists(
        st.tuples(st.sampled_from(("time", "slow", "calm", "back", "large")), st.integers(0, 15)),
        max_size=60,
    )
)
def test_no_node_is_ever_forgotten_or_asked_for_twice(steps: list[tuple[str, int]]) -> None:
    """Groups and slow nodes together are always all nodes, each once."""
    patience = patience_for(NAMES)
    for number, (step, which) in enumerate(steps):
        group = patience.groups[which % len(patience.groups)] if patience.groups else ()
        if step == "time" and group:
            patience = patience.timed_out(group, has_answered=which % 2 == 0, now_s=float(number))
        elif step == "calm" and patience.groups:
            patience = patience.all_answered()
        elif step == "large":
            patience = patience.too_many(which)
        elif patience.slow:
            name = sorted(patience.slow)[which % len(patience.slow)]
            back = step == "back"
            patience = (
                patience.recovered(name) if back else patience.still_slow(name, now_s=float(number))
            )
        held = [node for one in patience.groups for node in one] + list(patience.slow)
        assert sorted(held) == sorted(NAMES)
        assert patience.fitting(5) >= 1


def test_a_silent_server_makes_no_node_slow() -> None:
    """Without an answer from any group nothing is known of a single node."""
    patience = patience_for(NAMES)
    for _ in range(50):
        patience, answered = poll(patience, NAMES, 0.0)
        assert not answered
    assert not patience.slow


def test_a_group_that_waited_is_asked_after_the_others() -> None:
    """Those that answered come first, so that one group can only spoil its own poll."""
    patience = patience_for(NAMES).timed_out(NAMES, has_answered=False, now_s=0.0)
    first, second = patience.groups
    assert patience.timed_out(first, has_answered=False, now_s=0.0).groups[0] == second


def test_pauses_of_a_slow_node_double_to_a_bound() -> None:
    """30 s, 60 s, ... and never longer than eight minutes."""
    patience = Patience(groups=(("a",), ("b",)))
    patience = patience.timed_out(("b",), has_answered=True, now_s=0.0)
    pauses, now_s = [], 0.0
    for _ in range(8):
        pauses.append(patience.slow["b"].due_s - now_s)
        now_s = patience.slow["b"].due_s
        assert patience.due(now_s - 0.01) is None
        assert patience.due(now_s) == "b"
        patience = patience.still_slow("b", now_s=now_s)
    assert pauses[:3] == [FIRST_PAUSE_S, 2 * FIRST_PAUSE_S, 4 * FIRST_PAUSE_S]
    assert max(pauses) == pauses[-1] == LONGEST_PAUSE_S


def test_a_node_that_is_back_stays_on_its_own_for_some_polls() -> None:
    """If it is slow again it costs nobody else a poll, and its pause is longer."""
    patience = Patience(groups=(("a",), ("b",)))
    patience = patience.timed_out(("b",), has_answered=True, now_s=0.0).recovered("b")
    assert patience.groups == (("a",), ("b",))
    again = patience.timed_out(("b",), has_answered=True, now_s=100.0)
    assert again.slow["b"].due_s == 100.0 + 2 * FIRST_PAUSE_S
    for _ in range(CALM_POLLS):
        assert len(patience.groups) == 2
        patience = patience.all_answered()
    assert patience.groups == (("a", "b"),)
    assert not patience.strikes
