"""The way out of a window, against the closed form of the first-order response."""

from __future__ import annotations

from math import inf, log

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from watchedpot.core.forecast import LONGEST_S, Course, course, crossing_s, leaving

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=60)
TIME_S = np.arange(0.0, 32.0, 2.0)


def cooling(start_c: float, room_c: float, tau_s: float) -> NDArray[np.float64]:
    """Newton's law of cooling in closed form."""
    temp_c: NDArray[np.float64] = room_c + (start_c - room_c) * np.exp(-TIME_S / tau_s)
    return temp_c


@SAME
@given(
    start_c=st.floats(116.0, 124.0),
    room_c=st.floats(10.0, 60.0),
    tau_s=st.floats(150.0, 1500.0),
)
def test_the_way_out_is_that_of_newtons_law(start_c: float, room_c: float, tau_s: float) -> None:
    """Exact samples of a cooling zone give the time at which the closed form crosses the edge.

    Source: first-order response, t = tau ln((T0 - Tr) / (T - Tr)) (analysis).
    """
    temp_c = cooling(start_c, room_c, tau_s)
    out = leaving(TIME_S, temp_c, low_c=115.0, high_c=126.0)
    if temp_c[-1] < 115.0:
        assert out is None
        return
    expected_s = tau_s * log((temp_c[-1] - room_c) / (115.0 - room_c))
    assert out is not None
    assert out.edge == "low"
    assert out.in_s == pytest.approx(expected_s, rel=0.12, abs=1.0)
    assert out.earliest_s <= out.in_s <= out.latest_s


@SAME
@given(seed=st.integers(0, 10**6), tau_s=st.floats(300.0, 1200.0))
def test_the_range_holds_the_truth_for_noisy_samples(seed: int, tau_s: float) -> None:
    """With the scatter of rounded readings the truth lies in, or within 5 s of, the range.

    Source: the same closed form (analysis).
    """
    noise_k = np.random.default_rng(seed).normal(0.0, 0.03, TIME_S.size)
    temp_c = cooling(121.0, 23.0, tau_s)
    assume(temp_c[-1] > 115.3)
    noisy_c = np.array(temp_c + noise_k, dtype=np.float64)
    out = leaving(TIME_S, noisy_c, low_c=115.0, high_c=126.0)
    expected_s = tau_s * log((temp_c[-1] - 23.0) / (115.0 - 23.0))
    assert out is not None
    slack_s = 5.0 + 0.15 * expected_s
    assert out.earliest_s - slack_s <= expected_s <= out.latest_s + slack_s


def test_a_rise_leaves_at_the_upper_edge() -> None:
    """A zone that rises 0.2 K/s from 120 degC is above 126 degC after some 15 s more."""
    out = leaving(TIME_S, 117.0 + 0.2 * TIME_S, low_c=115.0, high_c=126.0)
    assert out is not None
    assert (out.edge, round(out.in_s)) == ("high", 15)


def test_noise_is_no_way_out() -> None:
    """Readings that only tremble lead nowhere."""
    temp_c = np.array([120.0, 120.1] * (TIME_S.size // 2))
    assert leaving(TIME_S, temp_c, low_c=115.0, high_c=126.0) is None


@pytest.mark.parametrize("start_c", [114.0, 129.0])
def test_outside_nothing_is_said(start_c: float) -> None:
    """A zone that has left its window is no longer leaving it."""
    assert leaving(TIME_S, start_c - 0.05 * TIME_S, low_c=115.0, high_c=126.0) is None


def test_a_course_that_ends_inside_leads_nowhere() -> None:
    """A zone that nears 118 degC never passes 115."""
    temp_c: NDArray[np.float64] = 118.0 + 5.0 * np.exp(-TIME_S / 12.0)
    assert leaving(TIME_S, temp_c, low_c=115.0, high_c=126.0) is None


def test_far_ahead_nothing_is_said() -> None:
    """A slow drift that would take longer than half an hour is no forecast."""
    out = leaving(TIME_S, 125.0 - 0.004 * TIME_S, low_c=115.0, high_c=126.0)
    assert out is None or out.in_s <= LONGEST_S


def test_a_few_samples_say_nothing() -> None:
    """Seven samples are no course."""
    assert course(TIME_S[:7], 120.0 - 0.1 * TIME_S[:7]) is None


def test_a_limit_behind_is_never_reached() -> None:
    """A course away from a limit, or one that stands, takes for ever."""
    found = Course(120.0, 20.0, -0.1, 0.0, 1000.0)
    assert crossing_s(found, 126.0, rate=-0.1) == inf
    assert crossing_s(found, 115.0, rate=0.0) == inf
    assert crossing_s(found, 10.0, rate=-0.1) == inf


def test_a_bend_against_the_line_is_not_believed() -> None:
    """Samples that fall and turn up at their end are taken as a line that falls."""
    temp_c = 120.0 - 0.3 * TIME_S + 0.0052 * TIME_S**2
    found = course(TIME_S, temp_c)
    assert found is not None
    assert found.rate < 0.0
