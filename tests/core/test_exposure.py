"""Time and area beyond an edge: closed forms, a fine grid, and the split by activity."""

from __future__ import annotations

from math import pi, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from support.cells import series
from watchedpot.core.exposure import ACTIVITIES, EMPTY_ACCOUNT, add, beyond, exposures, total
from watchedpot.core.snapshot import Activity, Exposure
from watchedpot.core.units import NANO

SAME = settings(derandomize=True, deadline=None, database=None)
TEMPS_C = st.lists(st.one_of(st.floats(60.0, 140.0), st.just(100.0)), min_size=2, max_size=12)


def sums(temps_c: list[float | None], *, is_high: bool = True) -> tuple[float, float]:
    """Seconds and kelvin-seconds beyond 100 degC, a row a second."""
    time_ns, area_nks = beyond(series(temps_c), 100.0, is_high=is_high)
    return int(time_ns.sum()) / NANO, int(area_nks.sum()) / NANO


def test_a_line_on_the_edge_is_inside() -> None:
    """Strictly beyond counts, from either side."""
    assert sums([100.0, 100.0, 100.0]) == (0.0, 0.0)
    assert sums([100.0, 100.0, 100.0], is_high=False) == (0.0, 0.0)


@pytest.mark.parametrize(("is_high", "sign"), [(True, 1.0), (False, -1.0)])
def test_a_crossing_counts_its_triangle(is_high: bool, sign: float) -> None:
    """From 10 K inside to 30 K outside in a second: 0.75 s in a triangle of 30 K."""
    time_s, area_ks = sums([100.0 - 10.0 * sign, 100.0 + 30.0 * sign], is_high=is_high)
    assert (time_s, area_ks) == (0.75, 11.25)


def test_a_line_beyond_counts_its_trapezium() -> None:
    """Two seconds between 10 and 30 K outside."""
    assert sums([110.0, 130.0, 110.0]) == (2.0, 40.0)


def test_a_touch_from_either_side_has_the_time_of_its_triangle_only() -> None:
    """From the inside none; from the outside all of it but a point."""
    assert sums([90.0, 100.0, 90.0]) == (0.0, 0.0)
    assert sums([110.0, 100.0, 110.0]) == (2.0, 10.0)


def test_a_blind_step_counts_nothing() -> None:
    """However far outside its neighbours are."""
    assert sums([130.0, None, 130.0]) == (0.0, 0.0)
    time_ns, _ = beyond(series([130.0, 130.0], at_s=[0.0, 3.1]), 100.0, is_high=True)
    assert int(time_ns.sum()) == 0


@SAME
@given(TEMPS_C, st.booleans())
def test_time_and_area_are_those_of_a_fine_grid(temps_c: list[float], is_high: bool) -> None:
    """SciPy's trapezium rule with 2000 points a second: within the kink's share of one cell.

    A crossing bends the line inside one grid cell h wide: the area is off by at most h times
    the depth reached in it, 60 * h * h here, a time by h.
    """
    h_s = 1.0 / 2000.0
    grid_s = np.linspace(0.0, len(temps_c) - 1.0, 2000 * (len(temps_c) - 1) + 1)
    depth = np.interp(grid_s, np.arange(len(temps_c)), temps_c) - 100.0
    depth = np.maximum(depth if is_high else -depth, 0.0)
    time_s, area_ks = sums(list(temps_c), is_high=is_high)
    steps = len(temps_c) - 1
    assert area_ks == pytest.approx(float(trapezoid(depth, grid_s)), abs=steps * 80.0 * h_s**2)
    is_out = depth > 0
    seen_s = float((is_out[:-1] | is_out[1:]).sum()) * h_s
    assert time_s == pytest.approx(seen_s, abs=steps * 2.0 * h_s)


@SAME
@given(TEMPS_C)
def test_below_and_above_never_exceed_the_time_there_is(temps_c: list[float]) -> None:
    """Step by step, with a point as window; the rest is on the edge."""
    rows = series(list(temps_c))
    low_ns, _ = beyond(rows, 100.0, is_high=False)
    high_ns, _ = beyond(rows, 100.0, is_high=True)
    assert (low_ns >= 0).all()
    assert (high_ns >= 0).all()
    assert (low_ns + high_ns <= rows.step_ns + 1).all()


@SAME
@given(TEMPS_C, st.floats(90.0, 100.0), st.floats(0.5, 10.0))
def test_inside_is_never_negative(temps_c: list[float], low_c: float, width_k: float) -> None:
    """Rounding of the two crossings of one step never adds up to more than the step."""
    rows = series(list(temps_c))
    sides = (
        beyond(rows, low_c, is_high=False),
        beyond(rows, low_c + width_k, is_high=True),
    )
    parts = exposures(rows, np.zeros(rows.step_ns.size, dtype=np.int8), *sides)
    assert parts[0].inside_ns >= 0


def test_a_sine_is_a_third_of_its_cycle_above_half_its_height() -> None:
    """Exact: 1/3 of the time, sqrt(3)/(2 pi) - 1/6 of area; dense lines converge to it."""
    n = 20_000
    temps = [100.0 - 0.5 + sin(2.0 * pi * k / n) for k in range(n + 1)]
    rows = series(list(temps), period_s=1.0)
    time_ns, area_nks = beyond(rows, 100.0, is_high=True)
    assert int(time_ns.sum()) / NANO / n == pytest.approx(1.0 / 3.0, abs=1e-6)
    assert int(area_nks.sum()) / NANO / n == pytest.approx(3**0.5 / (2 * pi) - 1 / 6, abs=1e-6)


def test_time_is_split_by_what_the_cell_was_doing() -> None:
    """Each step goes to its activity; the sum over all is the whole."""
    rows = series([90.0, 90.0, 110.0, 110.0, None, 110.0])
    activity = np.array([0, 0, 0, 1, 1, 3], dtype=np.int8)
    sides = beyond(rows, 95.0, is_high=False), beyond(rows, 105.0, is_high=True)
    parts = exposures(rows, activity, *sides)
    assert len(parts) == len(ACTIVITIES) == len(EMPTY_ACCOUNT)
    of = dict(zip(ACTIVITIES, parts, strict=True))
    assert of[Activity.DISPENSING] == Exposure(
        below_ns=NANO + NANO // 4,
        inside_ns=NANO // 2,
        above_ns=NANO // 4,
        under_nks=5 * NANO + 625_000_000,
        over_nks=625_000_000,
    )
    assert of[Activity.READY_IDLE] == Exposure(above_ns=NANO, blind_ns=NANO, over_nks=5 * NANO)
    assert of[Activity.SETBACK] == Exposure(blind_ns=NANO)
    assert of[Activity.OFF] == Exposure()
    assert total(parts).elapsed_ns == 5 * NANO


def test_accounts_add_activity_by_activity() -> None:
    """And nothing is added to nothing."""
    part = tuple(Exposure(below_ns=n) for n in range(6))
    assert [e.below_ns for e in add(part, part)] == [0, 2, 4, 6, 8, 10]
    assert add(EMPTY_ACCOUNT, EMPTY_ACCOUNT) == EMPTY_ACCOUNT
    assert total(part).below_ns == 15
