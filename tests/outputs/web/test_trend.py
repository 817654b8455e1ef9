"""A long series as a short one: what stays."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from watchedpot.outputs.web.trend import FEWEST, _kept, kept_rows, spans

Column = NDArray[np.float64]

VALUES = st.one_of(
    st.just(math.nan), st.integers(-3, 3).map(float), st.floats(-50.0, 500.0, width=32)
)


@st.composite
def columns(draw: st.DrawFn) -> list[Column]:
    """Up to three columns of one length, with gaps, steps and repeats."""
    count = draw(st.integers(1, 400))
    many = st.lists(VALUES, min_size=count, max_size=count)
    return [np.array(draw(many)) for _ in range(draw(st.integers(1, 3)))]


@settings(max_examples=60)
@given(columns(), st.integers(FEWEST, 200))
def test_there_are_at_most_as_many_points_as_asked_for_in_order(
    series: list[Column], points: int
) -> None:
    """Rows increase, the first and the last are there, and few series stay whole."""
    kept = kept_rows(series, points=points)
    count = series[0].size
    assert kept.size <= points
    assert (np.diff(kept) > 0).all()
    assert (kept[0], kept[-1]) == (0, count - 1)
    if count <= points:
        assert kept.tolist() == list(range(count))


@settings(max_examples=60)
@given(columns(), st.integers(FEWEST, 200))
def test_every_extreme_of_the_whole_stays(series: list[Column], points: int) -> None:
    """The highest and the lowest of each column are among the points, and so is a gap."""
    kept = kept_rows(series, points=points)
    for column in series:
        short = column[kept]
        assert np.isnan(short).any() == np.isnan(column).any()
        if not np.isnan(column).all():
            assert np.nanmax(short) == np.nanmax(column)
            assert np.nanmin(short) == np.nanmin(column)


@settings(max_examples=60)
@given(columns(), st.integers(1, 12))
def test_every_stretch_keeps_its_own_extremes_and_gaps(series: list[Column], wanted: int) -> None:
    """Held against a plain loop over the stretches."""
    count = series[0].size
    stretches = min(wanted, count)
    kept = set(_kept(series, stretches).tolist())
    starts = [int(count * n / stretches) for n in range(stretches)] + [count]
    for first, stop in pairwise(starts):
        rows = range(first, stop)
        assert {first, stop - 1} <= kept
        for column in series:
            seen = [float(column[row]) for row in rows if not math.isnan(column[row])]
            told = [float(column[row]) for row in rows if row in kept]
            if seen:
                assert {min(seen), max(seen)} <= set(told)
            if len(seen) < len(rows):
                assert any(math.isnan(value) for value in told)


def test_a_spike_of_one_reading_in_a_day_is_drawn() -> None:
    """One second at 142 degC among 86,400 at 120: an average would hide it."""
    temp_c = np.full(86_400, 120.0)
    temp_c[50_000] = 142.0
    kept = kept_rows([temp_c], points=400)
    assert 50_000 in kept.tolist()
    assert kept.size <= 400


def test_as_many_stretches_as_fit_are_used() -> None:
    """A noisy line of one column uses most of what it may."""
    noisy = np.random.default_rng(1).normal(size=10_000)
    assert 390 <= kept_rows([noisy], points=400).size <= 400


def test_something_is_on_from_the_first_row_that_says_so_to_the_first_that_does_not() -> None:
    """One that is on at the end ends there; short pauses are not told."""
    at_s = np.arange(8.0)
    on = np.array([0, 1, 1, 0, 1, 0, 0, 1]) > 0
    assert spans(at_s, on, joined_s=0.5) == [(1.0, 3.0), (4.0, 5.0), (7.0, 7.0)]
    assert spans(at_s, on, joined_s=1.0) == [(1.0, 5.0), (7.0, 7.0)]
    assert spans(at_s[:0], on[:0], joined_s=1.0) == []
