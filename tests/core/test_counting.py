"""Counting parts through everything a controller's counter does."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.counting import Count, Counted, Counter, Jump, count
from watchedpot.core.units import NANO

CYCLE_NS = 10 * NANO


def counted(
    *values: float | None,
    counter: Counter | None = None,
    period_s: int = 10,
    start_s: int = 0,
    rolls_over_at: int | None = None,
) -> Counted:
    """Readings a period apart through a counter; None is a bad one."""
    mono_ns = np.arange(start_s, start_s + period_s * len(values), period_s, dtype=np.int64) * NANO
    value = np.array([np.nan if one is None else one for one in values], dtype=np.float64)
    return count(
        counter or Counter(),
        mono_ns,
        value,
        np.isfinite(value),
        shortest_ns=CYCLE_NS,
        rolls_over_at=rolls_over_at,
    )


def numbers(found: Counted) -> list[tuple[int, int, int, bool]]:
    """First and last number, epoch and certainty of each count."""
    return [(one.first, one.last, one.epoch, one.is_certain) for one in found.counts]


def test_the_first_reading_counts_nothing() -> None:
    """What was made before anybody looked is not known."""
    found = counted(41870)
    assert found.counts == []
    assert found.counter.value == 41870


def test_each_number_is_a_part() -> None:
    """A counter that moves by one shows one part, with the row that shows it."""
    assert counted(7, 7, 8, 8, 9).counts == [Count(2, 8, 8, 0), Count(4, 9, 9, 0)]


def test_two_parts_in_one_poll_are_both_counted() -> None:
    """A move by two is a range of two where two can have been made."""
    assert numbers(counted(7, 9)) == [(8, 9, 0, True)]


def test_parts_made_while_nobody_could_read_are_counted_when_it_is_seen_again() -> None:
    """Bad readings hide nothing: the difference counts, as far as time allows it."""
    assert numbers(counted(7, None, None, None, 11)) == [(8, 11, 0, True)]


@pytest.mark.parametrize(("limit", "before"), [(2**16, 65534), (2**32, 4294967294)])
def test_a_rollover_counts_on(limit: int, before: int) -> None:
    """Numbers up to the highest belong to the old epoch, from 0 on to the new one."""
    found = counted(before, before + 1, 0, 1)
    assert numbers(found) == [(limit - 1, limit - 1, 0, True), (0, 0, 1, True), (1, 1, 1, True)]
    assert found.jumps == [Jump(2, limit - 1, 0, 1, "rollover")]


def test_a_rollover_over_several_parts_splits_the_range() -> None:
    """Parts on both sides of the rollover are counted."""
    assert numbers(counted(65534, None, 1)) == [(65535, 65535, 0, True), (0, 1, 1, True)]


def test_a_told_rollover_replaces_the_usual_ones() -> None:
    """A counter of four digits rolls over at 10000 and no longer at 65536."""
    assert numbers(counted(9999, 0, rolls_over_at=10_000)) == [(0, 0, 1, True)]
    assert counted(65535, 0, rolls_over_at=10_000).jumps[0].what == "reset"


def test_a_reset_begins_another_epoch_and_may_hide_a_part() -> None:
    """A part that ended with the reset has no number: the 0 stands for it, not certain."""
    found = counted(500, 0, 1)
    assert numbers(found) == [(0, 0, 1, False), (1, 1, 1, True)]
    assert found.jumps == [Jump(1, 500, 0, 1, "reset")]


def test_a_reset_that_counted_on_counts_no_more_than_can_be() -> None:
    """What the counter shows after a reset are parts only as far as there was time for them."""
    assert numbers(counted(500, None, 2)) == [(1, 2, 1, False)]
    assert numbers(counted(500, 30)) == [(29, 30, 1, False)]


def test_a_counter_that_was_only_away_goes_on() -> None:
    """A controller that restarts shows 0 for a while, and then what it remembers."""
    found = counted(500, 0, 0, 0, 500, 501)
    assert [jump.what for jump in found.jumps] == ["reset", "restart"]
    assert numbers(found) == [(0, 0, 1, False), (501, 501, 0, True)]


def test_parts_made_while_the_counter_was_away_are_counted_without_certainty() -> None:
    """They were made, but nobody saw which was made when."""
    found = counted(500, 0, 0, 0, 502)
    assert found.jumps[-1] == Jump(4, 0, 502, 0, "restart", 2)
    assert numbers(found)[-1] == (501, 502, 0, False)


def test_a_number_is_never_used_twice() -> None:
    """After a counter was away, the next reset begins an epoch of its own."""
    found = counted(500, 0, 0, 0, 500, 0)
    assert [(one.first, one.epoch) for one in found.counts] == [(0, 1), (0, 2)]


def test_a_counter_that_has_counted_since_its_reset_does_not_come_back() -> None:
    """Parts prove a reset; a later jump to the old number is a jump."""
    found = counted(500, 0, 1, 502)
    assert [jump.what for jump in found.jumps] == ["reset", "jump"]


def test_a_jump_counts_no_more_parts_than_can_have_been_made() -> None:
    """Somebody wrote 1000 into the counter: at most the newest two numbers can be parts."""
    found = counted(500, 1000)
    assert found.jumps == [Jump(1, 500, 1000, 0, "jump")]
    assert numbers(found) == [(999, 1000, 0, False)]


@pytest.mark.parametrize("absurd", [-1.0, 2.0**54, float("inf")])
def test_a_reading_that_no_counter_can_have_is_passed_over(absurd: float) -> None:
    """It is treated like one that is not good."""
    assert numbers(counted(7, absurd, 8)) == [(8, 8, 0, True)]


def test_only_bad_readings_change_nothing() -> None:
    """A counter that cannot be read stays as it was."""
    before = Counter(7, 0)
    assert counted(None, None, counter=before) == Counted(before, [], [])


moves = st.lists(
    st.one_of(
        st.integers(0, 2),
        st.just(None),
        st.sampled_from((-10_000, 700, 65535)),
    ),
    min_size=1,
    max_size=30,
)


def readings(steps: list[int | None]) -> list[float | None]:
    """Readings of a counter of 16 bits that moves by steps; None is a bad one."""
    now, shown = 65_530, list[float | None]()
    for step in steps:
        now = now if step is None else max(0, now + step) % 65_536
        shown.append(None if step is None else float(now))
    return shown


@given(moves, st.integers(0, 30))
def test_cutting_the_readings_changes_nothing(steps: list[int | None], cut: int) -> None:
    """Two blocks count what one does."""
    shown = readings(steps)
    whole, first = counted(*shown), counted(*shown[:cut])
    rest = counted(*shown[cut:], counter=first.counter, start_s=10 * min(cut, len(shown)))
    assert rest.counter == whole.counter
    assert numbers(first) + numbers(rest) == numbers(whole)


@given(moves)
def test_no_number_is_counted_twice_and_every_count_is_positive(steps: list[int | None]) -> None:
    """Within an epoch the ranges follow each other; a count holds at least one number."""
    found = counted(*readings(steps))
    assert all(one.last >= one.first >= 0 for one in found.counts)
    for epoch in {one.epoch for one in found.counts}:
        ranges = [one for one in found.counts if one.epoch == epoch]
        assert all(later.first > earlier.last for earlier, later in pairwise(ranges))


@given(st.lists(st.one_of(st.integers(0, 1), st.just(None)), min_size=1, max_size=40))
def test_counts_reconcile_with_what_was_made(steps: list[int | None]) -> None:
    """A counter that only counts is followed to the last part, through bad readings and over 0."""
    shown = readings(steps)
    seen = [n for n, value in enumerate(shown) if value is not None]
    made = sum(step or 0 for step in steps[seen[0] + 1 :]) if seen else 0
    assert sum(one.last + 1 - one.first for one in counted(*shown).counts) == made
