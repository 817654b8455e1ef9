"""Order, gaps and edges of one channel's readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import series
from watchedpot.core.model import Quality
from watchedpot.core.series import (
    HIGHEST_C,
    LOWEST_C,
    Edge,
    Held,
    Sample,
    believable,
    continue_series,
    hold,
    level,
    level_edges,
    newest_good,
    sight_edges,
)
from watchedpot.core.units import NANO

SAME = settings(derandomize=True, deadline=None, database=None)
HIGH = level(100.0, deadband=5.0, is_high=True)
LOW = level(100.0, deadband=5.0, is_high=False)


def edges(
    temps_c: list[float | None], *, is_high: bool = True, is_beyond: bool = False
) -> list[Edge]:
    """Crossings of 100 degC, back at 95 (or 105 from below), a row a second."""
    found = level_edges(series(temps_c), HIGH if is_high else LOW, is_beyond=is_beyond)
    return list(found)


def seconds_of(found: list[Edge]) -> list[tuple[float, int, bool]]:
    """The edges in seconds; the first row of a series is its carried one."""
    return [(edge.at_ns / NANO, edge.row, edge.is_on) for edge in found]


@pytest.mark.parametrize("quality", list(Quality))
def test_only_good_counts(quality: Quality) -> None:
    """Uncertain is not good."""
    counted = believable(np.array([115.0]), np.array([quality], dtype=np.uint8))
    assert counted.tolist() == [quality is Quality.GOOD]


@pytest.mark.parametrize(
    ("value", "is_believed"),
    [
        (LOWEST_C, True),
        (np.nextafter(LOWEST_C, -np.inf), False),
        (HIGHEST_C, True),
        (np.nextafter(HIGHEST_C, np.inf), False),
        (np.nan, False),
        (np.inf, False),
        (-np.inf, False),
    ],
)
def test_only_what_a_thermometer_can_read_counts(value: float, is_believed: bool) -> None:
    """Both ends are still believed; nan and infinity never are."""
    assert believable(np.array([value]), np.zeros(1, np.uint8)).tolist() == [is_believed]


def test_a_step_is_joined_between_two_good_rows_near_enough() -> None:
    """The longest gap is still joined; one nanosecond more is not."""
    rows = series([1.0, 1.0, 1.0, None, 1.0], at_s=[0.0, 3.0, 6.000000001, 7.0, 8.0])
    assert rows.is_joined.tolist() == [False, True, False, False, False]
    assert rows.value.tolist() == [0.0, 1.0, 1.0, 1.0, 0.0, 1.0]


def test_the_first_row_ever_opens_the_account() -> None:
    """A step of no length before it, blind."""
    rows = series([1.0])
    assert (rows.step_ns.tolist(), rows.is_joined.tolist()) == ([0], [False])


def test_a_series_goes_on_from_the_carried_row() -> None:
    """As if both parts had come at once."""
    first = series([1.0, 2.0])
    assert first.last == Sample(NANO, 2.0, is_good=True)
    new = np.array([2 * NANO]), np.array([3.0]), np.array([True])
    rows = continue_series(first.last, *new, max_gap_ns=NANO)
    assert rows.is_joined.tolist() == [True]
    assert rows.value.tolist() == [2.0, 3.0]


def test_crossings_are_where_the_straight_line_crosses() -> None:
    """Out at the limit, back at the clear level."""
    assert seconds_of(edges([90.0, 110.0, 90.0])) == [(0.5, 2, True), (1.75, 3, False)]
    assert seconds_of(edges([110.0, 90.0, 110.0], is_high=False)) == [
        (0.5, 2, True),
        (1.75, 3, False),
    ]


def test_on_the_limit_is_not_beyond_and_on_the_clear_level_is_back() -> None:
    """Strictly beyond counts, both ends decided."""
    assert edges([90.0, 100.0, 100.0]) == []
    above = float(np.nextafter(100.0, 200.0))
    assert [edge.is_on for edge in edges([90.0, above])] == [True]
    assert seconds_of(edges([110.0, 95.0], is_beyond=True)) == [(1.0, 2, False)]
    assert edges([110.0, float(np.nextafter(95.0, 200.0))], is_beyond=True) == []


def test_the_deadband_acts_on_the_way_back_only() -> None:
    """AL-16: once beyond, a value between limit and clear level is still beyond."""
    assert len(edges([90.0, 101.0, 99.0, 101.0, 96.0, 101.0])) == 1
    assert len(edges([90.0, 99.0, 90.0, 99.0])) == 0


def test_a_row_that_is_not_good_changes_nothing() -> None:
    """Not seeing is not being well, and not being ill."""
    assert len(edges([110.0, None, None, 110.0])) == 1
    assert edges([90.0, None, None, 90.0]) == []


def test_behind_a_gap_the_crossing_is_the_row_itself() -> None:
    """Nothing is guessed into the blind step."""
    found = edges([90.0, None, 110.0])
    assert seconds_of(found) == [(2.0, 3, True)]


@SAME
@given(
    st.lists(
        st.one_of(st.none(), st.floats(80.0, 120.0), st.sampled_from((95.0, 100.0, 105.0))),
        min_size=1,
        max_size=20,
    ),
    st.booleans(),
    st.booleans(),
)
def test_edges_alternate_and_lie_in_the_step_before_their_row(
    temps_c: list[float | None], is_high: bool, is_beyond: bool
) -> None:
    """Against a loop over the rows, one decision at a time."""
    found = edges(temps_c, is_high=is_high, is_beyond=is_beyond)
    state, wanted = is_beyond, []
    for row, temp_c in enumerate(temps_c, start=1):
        if temp_c is None:
            continue
        out = temp_c > 100.0 if is_high else temp_c < 100.0
        back = temp_c <= 95.0 if is_high else temp_c >= 105.0
        if (out and not state) or (back and state):
            state = not state
            wanted.append((row, state))
    assert [(edge.row, edge.is_on) for edge in found] == wanted
    for edge in found:
        assert max(0, edge.row - 2) * NANO <= edge.at_ns <= (edge.row - 1) * NANO


def test_sight_ends_at_the_last_good_row() -> None:
    """Not where the loss is noticed; it begins at the first good row."""
    found = sight_edges(series([None, 1.0, 1.0, None, None, 1.0]))
    assert seconds_of(list(found)) == [(1.0, 2, True), (2.0, 4, False), (5.0, 6, True)]


def test_a_gap_between_good_rows_is_lost_and_regained_sight() -> None:
    """Both are shown by the row behind it."""
    found = sight_edges(series([1.0, 1.0, 1.0], at_s=[0.0, 1.0, 11.0]))
    assert seconds_of(list(found)) == [(0.0, 1, True), (1.0, 3, False), (11.0, 3, True)]


def test_unbroken_sight_has_no_edges() -> None:
    """Once seen."""
    before = Sample(0, 1.0, is_good=True)
    rows = continue_series(before, np.array([1]), np.array([1.0]), np.array([True]), max_gap_ns=1)
    assert sight_edges(rows) == ()


def held(
    before: Held | None, values: list[float | None], *, limit_ns: int = 2
) -> list[float | None]:
    """Held values of rows a nanosecond apart, None for nan."""
    is_good = np.array([value is not None for value in values])
    column = np.array([value or 0.0 for value in values])
    times = np.arange(len(values)) + 10
    found = hold(before, times, column, is_good, limit_ns=limit_ns)
    return [None if np.isnan(value) else float(value) for value in found]


def test_a_held_value_is_the_newest_good_one_while_it_is_young() -> None:
    """Its limit is still young."""
    assert held(None, [None, 1.0, None, None, None]) == [None, 1.0, 1.0, 1.0, None]
    assert held(None, [1.0, 2.0]) == [1.0, 2.0]


def test_a_carried_value_is_held_by_its_own_age() -> None:
    """As if its row stood in the same block."""
    assert held(Held(9, 5.0), [None, None, None]) == [5.0, 5.0, None]
    assert held(Held(9, 5.0), [None, 7.0, None]) == [5.0, 7.0, 7.0]
    assert held(Held(1, 5.0), [None]) == [None]


def test_the_newest_good_row_is_carried_on() -> None:
    """The old one where there is no new one."""
    times, values = np.array([3, 4, 5]), np.array([1.0, 2.0, 3.0])
    before = Held(1, 9.0)
    assert newest_good(before, times, values, np.array([True, True, False])) == Held(4, 2.0)
    assert newest_good(before, times, values, np.zeros(3, np.bool_)) is before
    assert newest_good(None, times, values, np.zeros(3, np.bool_)) is None
