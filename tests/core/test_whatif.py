"""What would happen: held against the series of the cylinder, closed forms of lags and ages.

The oracle of the core is the series of Carslaw and Jaeger with scipy's Bessel functions, each
term followed through the lag of the wall in closed form; breaks are superposed from it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from math import exp, inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special
from scipy.integrate import quad
from scipy.optimize import brentq

from watchedpot.core.dose import Dose
from watchedpot.core.rules import (
    AgeingRules,
    CellRules,
    ChargeRules,
    FinRules,
    MaterialRules,
    SoakRules,
    ThermalRules,
    TipRules,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, kelvin
from watchedpot.core.warming import Start
from watchedpot.core.whatif import HORIZON_S, Pause, Wall, WarmUp, pause, tip_case, warm_up

MINUTE_S = 60.0
SLOW, BEST, FAST = 1.0e-7, 1.15e-7, 1.3e-7
MELT = ThermalRules(BEST, SLOW, FAST, 0.2, 1100.0, 1500.0)
AGEING = AgeingRules(pot_life_s=8 * 3600.0, ref_c=110.0)
MATERIAL = MaterialRules(
    id="demo_silicone",
    ceiling_c=140.0,
    flow_ea_j_per_mol=50e3,
    degradation_ea_j_per_mol=80e3,
    source="demo: use your supplier's data sheet",
    ageing=AGEING,
    thermal=MELT,
)
SYRINGE = ZoneRules(
    id="syringe",
    kind=ZoneKind.SYRINGE,
    material=MATERIAL,
    low_c=104.0,
    high_c=118.0,
    temperature="lens_4/syringe/temperature",
    setpoint_c=110.0,
    soak=SoakRules(ready_c=104.0, radius_m=0.011, wall_w_per_m2_k=200.0),
)
TANK = replace(SYRINGE, id="tank", kind=ZoneKind.TANK, soak=SoakRules(ready_c=104.0, timer_s=600.0))
NOZZLE = replace(
    SYRINGE,
    id="nozzle",
    kind=ZoneKind.NOZZLE,
    low_c=115.0,
    high_c=126.0,
    setpoint_c=120.0,
    soak=None,
    tip=TipRules(
        low_c=110.0,
        fin=FinRules(length_m=0.013, outer_m=1.27e-3, bore_m=0.838e-3, film_w_per_m2_k=20.0),
    ),
)
CELL = CellRules("lens_4", (SYRINGE, NOZZLE), charge=ChargeRules(flow_kg_per_s=10e-6))


def container(
    *, radius_m: float, wall_w_per_m2_k: float, ready_c: float, setpoint_c: float
) -> ZoneRules:
    """A zone that is ready without tolerance, its diffusivity known exactly."""
    material = replace(MATERIAL, thermal=replace(MELT, diffusivity_low_m2_per_s=BEST))
    soaking = SoakRules(
        ready_c=ready_c, radius_m=radius_m, wall_w_per_m2_k=wall_w_per_m2_k, tolerance_k=0.0
    )
    return replace(SYRINGE, material=material, setpoint_c=setpoint_c, soak=soaking)


def warmed(zone: ZoneRules, wall: Wall, start: Start) -> WarmUp:
    """The answer where there is one."""
    found = warm_up(zone, wall, start)
    assert found is not None
    return found


def found(moment_s: float | None) -> float:
    """A moment that was found."""
    assert moment_s is not None
    return moment_s


@cache
def terms(biot: float) -> tuple[tuple[float, float], ...]:
    """Squares of the roots of x J1(x) = Bi J0(x), and the shares of their terms on the axis."""
    zeros = [0.0, *special.jn_zeros(1, 60)]
    roots = [
        brentq(lambda x: x * special.j1(x) - biot * special.j0(x), low + 1e-9, high - 1e-9)
        for low, high in pairwise(zeros)
    ]
    return tuple(
        (
            x**2,
            2.0 * special.j1(x) / (x * (special.j0(x) ** 2 + special.j1(x) ** 2)),
        )
        for x in roots
    )


def risen(time_s: float, *, lag_s: float, diffusivity: float) -> float:
    """Share of a step of the wall's setpoint that the axis of the syringe has made."""
    if time_s <= 0.0:
        return 0.0
    slow = exp(-time_s / lag_s)
    share = 1.0 - slow
    for square, weight in terms(200.0 * 0.011 / 0.2):
        rate = square * diffusivity / 0.011**2
        share -= weight * (slow - exp(-rate * time_s)) / (rate * lag_s - 1.0)
    return share


def test_a_lag_has_gone_63_percent_after_its_time_constant() -> None:
    """A first-order lag: 1 - 1/e after one time constant, and nothing waits without a lag.

    Source: closed form.
    """
    wall = Wall(20.0, 120.0, lag_s=180.0)
    assert wall.at(np.array([0.0, 180.0])) == pytest.approx([20.0, 120.0 - 100.0 / exp(1.0)])
    assert Wall(20.0, 120.0).at(np.array([0.0, 5.0])).tolist() == [120.0, 120.0]


@pytest.mark.parametrize(
    ("temp_c", "expected_s"),
    [(70.0, 180.0 * log(2.0)), (20.0, 0.0), (10.0, 0.0), (120.0, inf), (130.0, inf)],
)
def test_when_a_wall_reaches_a_temperature(temp_c: float, expected_s: float) -> None:
    """Half of the way takes ln 2 time constants; the end itself is never reached.

    Source: closed form.
    """
    assert Wall(20.0, 120.0, lag_s=180.0).reaches_s(temp_c) == pytest.approx(expected_s)


@pytest.mark.parametrize(
    ("radius_m", "wall_w_per_m2_k", "lag_min", "expected_min", "within_min"),
    [
        (0.011, 200.0, 0.0, 12.4007, 0.002),
        (0.011, 500.0, 1.0, 12.4, 0.051),
        (0.011, 500.0, 3.0, 16.2, 0.051),
        (0.011, 500.0, 5.0, 21.2, 0.051),
        (0.025, 500.0, 1.0, 56.6, 0.051),
        (0.025, 500.0, 3.0, 58.9, 0.051),
        (0.025, 500.0, 5.0, 61.5, 0.051),
    ],
)
def test_when_the_axis_is_within_five_kelvin(
    radius_m: float,
    wall_w_per_m2_k: float,
    lag_min: float,
    expected_min: float,
    within_min: float,
) -> None:
    """From 23 degC to 115 behind a wall that goes to 120 degC, at once or with a lag.

    Source: no printed one; Bessel series and Duhamel's sum, made elsewhere.
    """
    zone = container(
        radius_m=radius_m, wall_w_per_m2_k=wall_w_per_m2_k, ready_c=115.0, setpoint_c=120.0
    )
    warm = warmed(zone, Wall(23.0, 120.0, lag_min * MINUTE_S), Start(23.0))
    assert found(warm.slow_s) / MINUTE_S == pytest.approx(expected_min, abs=within_min)


@pytest.mark.parametrize("lag_s", [60.0, 180.0, 600.0])
def test_slow_best_and_fast_are_the_three_diffusivities(lag_s: float) -> None:
    """Each estimate is the series at its own diffusivity; the slowest comes last.

    Source: series of Carslaw and Jaeger.
    """
    warm = warmed(SYRINGE, Wall(23.0, 110.0, lag_s), Start(23.0))
    for moment_s, diffusivity in (
        (warm.slow_s, SLOW),
        (warm.best_s, BEST),
        (warm.fast_s, FAST),
    ):
        share = risen(found(moment_s), lag_s=lag_s, diffusivity=diffusivity)
        assert 23.0 + 87.0 * share == pytest.approx(102.0, abs=0.02)
    assert found(warm.slow_s) > found(warm.best_s) > found(warm.fast_s)


@pytest.mark.parametrize(
    ("minutes", "axis_c", "more_min"), [(10.0, 103.5, 5.0), (15.0, 107.0, 5.0), (20.0, 115.7, 10.0)]
)
def test_a_preheated_charge_goes_on_from_where_it_is(
    minutes: float, axis_c: float, more_min: float
) -> None:
    """After a warmer at 100 degC the axis is as warm as it should be in the hot zone at 120.

    Source: no printed one; Bessel series made elsewhere, for a syringe of 11 mm behind
    100 W/(m2 K) at 1.0e-7 m2/s.
    """
    zone = container(radius_m=0.011, wall_w_per_m2_k=100.0, ready_c=axis_c, setpoint_c=120.0)
    zone = replace(
        zone,
        material=replace(
            MATERIAL,
            thermal=replace(MELT, diffusivity_m2_per_s=SLOW, diffusivity_high_m2_per_s=SLOW),
        ),
    )
    warm = warmed(zone, Wall(120.0, 120.0), Start(23.0, 100.0, minutes * MINUTE_S))
    assert found(warm.best_s) / MINUTE_S == pytest.approx(more_min, abs=0.1)


@pytest.mark.parametrize(
    ("content", "radius_m", "least_min", "most_min"),
    [("30 cc", 11.3e-3, 15.0, 30.0), ("300 cc", 23.5e-3, 45.0, 120.0)],
)
def test_warm_ups_are_as_long_as_they_are_in_practice(
    content: str, radius_m: float, least_min: float, most_min: float
) -> None:
    """A cold charge behind a thin gap takes as long as preheaters are set to.

    Source: common practice, no source.
    """
    zone = container(radius_m=radius_m, wall_w_per_m2_k=100.0, ready_c=105.0, setpoint_c=110.0)
    warm = warmed(zone, Wall(23.0, 110.0, 180.0), Start(23.0))
    assert least_min < found(warm.slow_s) / MINUTE_S < most_min, content


def test_the_history_tells_of_the_warm_up() -> None:
    """It begins with the charge as loaded and ends soon after it is warm."""
    warm = warmed(SYRINGE, Wall(23.0, 110.0, 180.0), Start(23.0))
    assert warm.history is not None
    history = warm.history
    assert (history.at_s[0], history.wall_c[0]) == (0.0, 23.0)
    assert history.low_c[0] == pytest.approx(23.0)
    assert history.low_c[-1] > 102.0
    assert found(warm.slow_s) < history.at_s[-1] < 1.2 * found(warm.slow_s)
    assert len({len(column) for column in (history.at_s, history.low_c, history.high_c)}) == 1


def test_a_charge_that_is_warm_needs_no_time() -> None:
    """Loaded at the temperature of its zone it is ready at once."""
    warm = warmed(SYRINGE, Wall(110.0, 110.0), Start(110.0))
    assert (warm.slow_s, warm.best_s, warm.fast_s) == (0.0, 0.0, 0.0)


def test_a_zone_that_is_too_cold_never_warms_its_charge() -> None:
    """With a wall below what the core must reach there is no moment, by no estimate."""
    warm = warmed(SYRINGE, Wall(23.0, 100.0, 180.0), Start(23.0))
    assert (warm.slow_s, warm.best_s, warm.fast_s) == (None, None, None)
    assert warm.history is not None
    assert warm.history.at_s[-1] >= HORIZON_S


def test_by_a_timer_the_wall_comes_first() -> None:
    """The time until the wall is in its window, then the timer, whatever the charge.

    Source: closed form; 81 of 87 K are gone after ln(87/6) time constants.
    """
    for start in (Start(23.0), Start(23.0, 100.0, 1200.0)):
        warm = warmed(TANK, Wall(23.0, 110.0, 180.0), start)
        assert warm.slow_s == pytest.approx(180.0 * log(87.0 / 6.0) + 600.0, abs=1e-6)
        assert (warm.best_s, warm.history) == (warm.slow_s, None)


def test_a_timer_never_starts_where_the_wall_stays_cold() -> None:
    """A wall that does not reach the window gives no moment."""
    assert warmed(TANK, Wall(23.0, 100.0, 180.0), Start(23.0)).slow_s is None


def test_without_soak_rules_there_is_no_answer() -> None:
    """A zone that counts a warm wall as a warm charge is not asked."""
    assert warm_up(replace(SYRINGE, soak=None), Wall(23.0, 110.0), Start(23.0)) is None


def factor(temp_c: float, ea_j_per_mol: float) -> float:
    """Ageing at a temperature over that at 110 degC."""
    per_kelvin = 1.0 / kelvin(110.0) - 1.0 / kelvin(temp_c)
    return exp(ea_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * per_kelvin)


def age_h(dose: Dose | None) -> tuple[float, float]:
    """A dose in hours, by the low and the high bound."""
    assert dose is not None
    return dose.low_ns / 3.6e12, dose.high_ns / 3.6e12


def test_a_break_at_the_reference_costs_its_own_length() -> None:
    """Without a setback 45 min are 0.75 h of age, and nobody waits.

    Source: definition of the dose.
    """
    idle = pause(SYRINGE, setback_c=None, break_s=2700.0, lag_s=180.0)
    assert age_h(idle.in_break) == pytest.approx((0.75, 0.75), abs=1e-9)
    assert idle.until_ready == idle.in_break
    assert idle.ready_in_s == 0.0
    assert idle.axis_c == pytest.approx(110.0)


def test_a_setback_costs_its_time_by_the_law_of_arrhenius() -> None:
    """A wall that is at once at 85 degC ages the charge 0.20 or 0.08 h in 45 min.

    Source: closed form, time x exp(Ea/R (1/Tref - 1/T)); 0.08 to 0.20 h is common practice too.
    The first 10 s are a ramp.
    """
    low_h, high_h = age_h(pause(SYRINGE, setback_c=85.0, break_s=2700.0, lag_s=0.0).in_break)
    assert low_h == pytest.approx(0.75 * factor(85.0, 60e3), abs=0.002)
    assert high_h == pytest.approx(0.75 * factor(85.0, 100e3), abs=0.002)
    assert (round(low_h, 2), round(high_h, 2)) == (0.20, 0.08)


def test_a_lagging_wall_ages_the_charge_on_its_way() -> None:
    """The age of a break is the integral over the wall as it falls.

    Source: the integral by scipy's quadrature; a wall straight for 10 s at a time is 2e-4 off.
    """
    of_break = pause(SYRINGE, setback_c=80.0, break_s=1800.0, lag_s=180.0)
    for age, ea_j_per_mol in zip(age_h(of_break.in_break), (60e3, 100e3), strict=True):
        expected_s, _ = quad(
            lambda at_s, ea=ea_j_per_mol: factor(80.0 + 30.0 * exp(-at_s / 180.0), ea),
            0.0,
            1800.0,
        )
        assert age == pytest.approx(expected_s / 3600.0, rel=5e-4)


@pytest.mark.parametrize("break_s", [300.0, 1800.0, 5400.0])
@pytest.mark.parametrize("lag_s", [60.0, 180.0])
def test_a_break_is_the_sum_of_a_step_down_and_a_step_up(break_s: float, lag_s: float) -> None:
    """The core at its end, and the moment of being warm again, by superposition of two steps.

    Source: linearity; series of Carslaw and Jaeger.
    """

    def axis_c(time_s: float, diffusivity: float) -> float:
        steps = [
            risen(since_s, lag_s=lag_s, diffusivity=diffusivity)
            for since_s in (time_s, time_s - break_s)
        ]
        return 110.0 - 30.0 * (steps[0] - steps[1])

    of_break = pause(SYRINGE, setback_c=80.0, break_s=break_s, lag_s=lag_s)
    assert of_break.axis_c == pytest.approx(axis_c(break_s, BEST), abs=0.02)
    moment_s = break_s + found(of_break.ready_in_s)
    coldest_c = min(axis_c(moment_s, diffusivity) for diffusivity in (SLOW, BEST, FAST))
    assert coldest_c == pytest.approx(102.0, abs=0.03)
    for later_s in (60.0, 300.0, 900.0):
        assert axis_c(moment_s + later_s, SLOW) > 102.0


def test_a_short_break_is_still_felt_after_it() -> None:
    """Four minutes at 60 degC: the core is colder a minute after their end than at it.

    Source: series of Carslaw and Jaeger, superposed.
    """
    of_break = pause(SYRINGE, setback_c=60.0, break_s=240.0, lag_s=10.0)

    def axis_c(time_s: float) -> float:
        since = (time_s, time_s - 240.0)
        down, up = (risen(at_s, lag_s=10.0, diffusivity=SLOW) for at_s in since)
        return 110.0 - 50.0 * (down - up)

    assert of_break.axis_c is not None
    assert of_break.axis_c > axis_c(240.0 + 60.0)
    assert axis_c(240.0 + found(of_break.ready_in_s)) == pytest.approx(102.0, abs=0.1)


def test_the_age_until_ready_adds_the_way_back() -> None:
    """After the break the charge ages on until the zone is ready.

    Source: the integral by scipy's quadrature.
    """
    of_break = pause(SYRINGE, setback_c=80.0, break_s=1800.0, lag_s=180.0)
    assert of_break.in_break is not None
    assert of_break.until_ready is not None
    bottom_c = 80.0 + 30.0 * exp(-10.0)
    expected_s, _ = quad(
        lambda at_s: factor(110.0 - (110.0 - bottom_c) * exp(-at_s / 180.0), 60e3),
        0.0,
        found(of_break.ready_in_s),
    )
    more_s = (of_break.until_ready.low_ns - of_break.in_break.low_ns) / 1e9
    assert more_s == pytest.approx(expected_s, rel=1e-3)


@settings(derandomize=True, deadline=None, database=None, max_examples=12)
@given(st.floats(40.0, 109.0), st.floats(60.0, 7200.0), st.floats(0.0, 600.0))
def test_a_setback_never_costs_pot_life(setback_c: float, break_s: float, lag_s: float) -> None:
    """Below its usual temperature a charge ages less than without a setback, by both bounds."""
    none = pause(SYRINGE, setback_c=None, break_s=break_s, lag_s=lag_s)
    some = pause(SYRINGE, setback_c=setback_c, break_s=break_s, lag_s=lag_s)
    assert none.in_break is not None
    assert some.in_break is not None
    assert some.in_break.low_ns <= none.in_break.low_ns
    assert some.in_break.high_ns <= some.in_break.low_ns
    assert found(some.ready_in_s) >= 0.0


def test_a_break_in_a_zone_with_a_timer_owes_twice_its_time_out_of_the_window() -> None:
    """Four minutes at 80 degC at once: eight are owed; after an hour it is the whole timer.

    Source: common practice, no source. The first 10 s are a ramp.
    """
    short = pause(TANK, setback_c=80.0, break_s=240.0, lag_s=0.0)
    assert found(short.ready_in_s) == pytest.approx(480.0, abs=21.0)
    long = pause(TANK, setback_c=80.0, break_s=3600.0, lag_s=0.0)
    assert long.ready_in_s == 600.0
    assert (long.axis_c, long.history) == (None, None)


def test_a_break_inside_the_window_is_no_wait() -> None:
    """A setback that leaves the wall in its window owes nothing, neither by timer nor by core."""
    assert pause(TANK, setback_c=105.0, break_s=600.0, lag_s=60.0).ready_in_s == 0.0
    assert pause(SYRINGE, setback_c=105.0, break_s=600.0, lag_s=60.0).ready_in_s == 0.0


def test_without_soak_rules_the_wall_alone_decides() -> None:
    """The wait is the time until the wall is back in its window.

    Source: closed form; 30 K below, 24 K of them to go.
    """
    of_break = pause(replace(SYRINGE, soak=None), setback_c=80.0, break_s=7200.0, lag_s=180.0)
    assert of_break.ready_in_s == pytest.approx(180.0 * log(30.0 / 6.0))


def test_without_a_pot_life_there_is_no_age() -> None:
    """The rest of the answer stands."""
    zone = replace(SYRINGE, material=replace(MATERIAL, ageing=None))
    of_break = pause(zone, setback_c=80.0, break_s=1800.0, lag_s=180.0)
    assert (of_break.in_break, of_break.until_ready) == (None, None)
    assert found(of_break.ready_in_s) > 0.0


def test_a_core_that_never_recovers_is_said() -> None:
    """Where the usual temperature itself is too cold there is no moment and no age until it."""
    zone = replace(SYRINGE, setpoint_c=None, low_c=100.0, high_c=103.0)
    of_break: Pause = pause(zone, setback_c=80.0, break_s=1800.0, lag_s=180.0)
    assert (of_break.ready_in_s, of_break.until_ready) == (None, None)
    assert of_break.in_break is not None


@pytest.mark.parametrize(
    ("block_c", "idle_c", "flowing_c"),
    [(120.0, 81.81, 114.952), (110.0, 110.0 - 87.0 * 0.39372, 110.0 - 87.0 * 0.052041)],
)
def test_a_tip_with_and_without_flow(block_c: float, idle_c: float, flowing_c: float) -> None:
    """An 18 gauge needle of 13 mm in a room of 23 degC, with 10 mg/s and without.

    Source: no printed one for the first row; fin equation, and a boundary-value solver for the
    flow, made elsewhere. The second row is the same share of a smaller difference.
    """
    case = tip_case(CELL, NOZZLE, block_c)
    assert case.idle_c == pytest.approx(idle_c, abs=0.01)
    assert case.flowing_c == pytest.approx(flowing_c, abs=0.01)
    assert case.idle_k is not None
    assert case.flowing_k is not None
    assert 0.0 < case.flowing_k < case.idle_k


def test_a_measured_offset_holds_in_every_case() -> None:
    """Idle and flowing tip are the same, by the offset."""
    nozzle = replace(NOZZLE, tip=TipRules(low_c=110.0, offset_k=5.0))
    case = tip_case(CELL, nozzle, 118.0)
    assert (case.idle_c, case.flowing_c, case.drop_pa) == (113.0, 113.0, None)


@pytest.mark.parametrize(
    ("block_c", "ratio"), [(100.0, 2.27), (110.0, 1.49), (115.0, 1.22), (120.0, 1.0), (130.0, 0.68)]
)
def test_a_colder_block_thickens_the_melt(block_c: float, ratio: float) -> None:
    """Flow falls as viscosity rises, the bead as the root of it, a pump's pressure rises with it.

    Source: closed form, exp(Ef/R (1/T - 1/Tref)) at 50 kJ/mol; law of Hagen and Poiseuille.
    """
    case = tip_case(CELL, replace(NOZZLE, tip=None), block_c)
    assert case.viscosity_ratio == pytest.approx(ratio, abs=0.005)
    assert case.flow_ratio == pytest.approx(1.0 / case.viscosity_ratio)
    assert case.width_ratio**2 == pytest.approx(case.flow_ratio)
    assert case.pressure_ratio == case.viscosity_ratio
    assert (case.idle_c, case.flowing_c, case.idle_k, case.flowing_k) == (None,) * 4


def test_ratios_are_of_the_tip_where_it_is_known() -> None:
    """The melt that leaves the tip is compared with that at the usual setpoint, not the blocks."""
    usual, colder = tip_case(CELL, NOZZLE, 120.0), tip_case(CELL, NOZZLE, 110.0)
    assert usual.viscosity_ratio == 1.0
    assert usual.flowing_c is not None
    assert colder.flowing_c is not None
    per_kelvin = 1.0 / kelvin(colder.flowing_c) - 1.0 / kelvin(usual.flowing_c)
    assert colder.viscosity_ratio == pytest.approx(
        exp(50e3 / GAS_CONSTANT_J_PER_MOL_K * per_kelvin)
    )


def test_the_pressure_through_a_tip() -> None:
    """10 mm3/s of 15 Pa s through 6 mm of 0.4 mm bore take 14 bar.

    Source: law of Hagen and Poiseuille, by hand: 128 x 15 x 0.006 x 1e-8 / (pi 0.0004^4).
    """
    material = replace(MATERIAL, viscosity_pa_s=15.0, viscosity_at_c=120.0)
    fin = FinRules(length_m=6e-3, outer_m=0.8e-3, bore_m=0.4e-3, film_w_per_m2_k=1e-9)
    nozzle = replace(NOZZLE, material=material, tip=TipRules(low_c=110.0, fin=fin))
    cell = replace(CELL, charge=ChargeRules(flow_kg_per_s=10e-9 * 1100.0))
    assert found(tip_case(cell, nozzle, 120.0).drop_pa) / 1e5 == pytest.approx(14.3, abs=0.05)


@pytest.mark.parametrize(
    "lack",
    [
        {"thermal": None},
        {"viscosity_pa_s": None},
        {"viscosity_at_c": None},
    ],
)
def test_without_viscosity_or_density_there_is_no_pressure(lack: dict[str, None]) -> None:
    """Whatever is not known of the material leaves the pressure out."""
    material = replace(MATERIAL, viscosity_pa_s=15.0, viscosity_at_c=120.0)
    known = tip_case(CELL, replace(NOZZLE, material=material), 120.0)
    assert known.drop_pa is not None
    lacking = replace(NOZZLE, material=replace(material, **lack))  # type: ignore[arg-type]
    assert tip_case(CELL, lacking, 120.0).drop_pa is None


def test_without_a_flow_there_is_no_pressure() -> None:
    """The flowing tip is then as cold as the idle one."""
    case = tip_case(replace(CELL, charge=ChargeRules()), NOZZLE, 120.0)
    assert case.drop_pa is None
    assert case.flowing_c == case.idle_c
