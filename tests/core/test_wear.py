"""Build-up and degradation: closed forms, quadrature by other means."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from support.cells import series
from watchedpot.core.rates import RATE_CAP
from watchedpot.core.series import Sample, continue_series
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K as R
from watchedpot.core.units import NANO
from watchedpot.core.wear import build_up, degradation, reached

SAME = settings(derandomize=True, deadline=None, database=None)
LOW_C, HIGH_C, CEILING_C = 110.0, 110.0, 140.0


def rate(temp_c: float, *, ref_c: float, ea_j_per_mol: float) -> float:
    """The law once more, by the math module, without a cap."""
    return exp(ea_j_per_mol / R * (1.0 / (ref_c + 273.15) - 1.0 / (temp_c + 273.15)))


def degraded_s(
    temps_c: list[float | None], *, ea_j_per_mol: float = 80e3, **times: object
) -> float:
    """Equivalent seconds at 110 degC, ceiling 140."""
    rows = series(temps_c, **times)  # type: ignore[arg-type]
    index_ns = degradation(
        rows, high_c=HIGH_C, ceiling_c=CEILING_C, degradation_ea_j_per_mol=ea_j_per_mol
    )
    return int(index_ns.sum()) / NANO


def built_up_s(
    temps_c: list[float | None], *, ea_j_per_mol: float = 50e3, **times: object
) -> float:
    """Viscosity-excess seconds below 110 degC, always dispensing."""
    rows = series(temps_c, **times)  # type: ignore[arg-type]
    flows = np.ones(rows.step_ns.size, dtype=np.bool_)
    index_ns = build_up(rows, flows, low_c=LOW_C, flow_ea_j_per_mol=ea_j_per_mol)
    return int(index_ns.sum()) / NANO


@pytest.mark.parametrize("temp_c", [110.5, 120.0, 139.9])
def test_isothermal_degradation_is_rate_times_time(temp_c: float) -> None:
    """Closed form, to a nanosecond a step."""
    wanted_s = 100.0 * rate(temp_c, ref_c=110.0, ea_j_per_mol=80e3)
    assert degraded_s([temp_c] * 101) == pytest.approx(wanted_s, abs=101e-9)


@pytest.mark.parametrize("temp_c", [80.0, 100.0, 109.9])
def test_isothermal_build_up_is_excess_times_time(temp_c: float) -> None:
    """Closed form, to a nanosecond a step."""
    wanted_s = 100.0 * (rate(temp_c, ref_c=110.0, ea_j_per_mol=-50e3) - 1.0)
    assert built_up_s([temp_c] * 101) == pytest.approx(wanted_s, abs=101e-9)


@pytest.mark.parametrize(("start_c", "end_c"), [(110.0, 130.0), (130.0, 111.0), (100.0, 120.0)])
def test_degradation_of_a_ramp_agrees_with_quad(start_c: float, end_c: float) -> None:
    """SciPy's adaptive quadrature over the part above the edge: 1e-9 for a step of 20 K."""
    wanted, _ = quad(
        lambda s: (
            rate(start_c + (end_c - start_c) * s, ref_c=110.0, ea_j_per_mol=80e3)
            * (start_c + (end_c - start_c) * s > 110.0)
        ),
        0.0,
        1.0,
        points=[0.5],
        epsabs=1e-12,
        epsrel=1e-12,
    )
    assert degraded_s([start_c, end_c]) == pytest.approx(wanted, rel=3e-9)


@pytest.mark.parametrize(("start_c", "end_c"), [(110.0, 90.0), (90.0, 109.0), (120.0, 100.0)])
def test_build_up_of_a_ramp_agrees_with_quad(start_c: float, end_c: float) -> None:
    """The same below the edge."""
    wanted, _ = quad(
        lambda s: max(
            rate(start_c + (end_c - start_c) * s, ref_c=110.0, ea_j_per_mol=-50e3) - 1.0, 0.0
        ),
        0.0,
        1.0,
        points=[0.5],
        epsabs=1e-12,
        epsrel=1e-12,
    )
    assert built_up_s([start_c, end_c]) == pytest.approx(wanted, rel=3e-9)


def test_above_the_ceiling_nothing_is_extrapolated() -> None:
    """The rate stays that of the ceiling; a ramp through it counts both parts."""
    at_ceiling = rate(140.0, ref_c=110.0, ea_j_per_mol=80e3)
    assert degraded_s([160.0, 160.0]) == pytest.approx(at_ceiling, abs=2e-9)
    below, _ = quad(lambda s: rate(130.0 + 20.0 * s, ref_c=110.0, ea_j_per_mol=80e3), 0.0, 0.5)
    assert degraded_s([130.0, 150.0]) == pytest.approx(below + 0.5 * at_ceiling, rel=1e-9)


@pytest.mark.parametrize("temps_c", [[110.0, 110.0], [100.0, 110.0], [120.0, None], [90.0, 90.0]])
def test_no_degradation_without_time_above_the_edge(temps_c: list[float | None]) -> None:
    """On the edge, up to it, unseen, below it."""
    assert degraded_s(temps_c) == 0.0


@pytest.mark.parametrize("temps_c", [[110.0, 110.0], [120.0, 110.0], [90.0, None], [130.0, 130.0]])
def test_no_build_up_without_time_below_the_edge(temps_c: list[float | None]) -> None:
    """On the edge, down to it, unseen, above it."""
    assert built_up_s(temps_c) == 0.0


def test_nothing_builds_up_in_a_series_that_is_warm_throughout() -> None:
    """The carried row is as warm as the new ones."""
    times, temps = np.array([NANO, 2 * NANO]), np.array([115.0, 110.0])
    rows = continue_series(
        Sample(0, 115.0, is_good=True), times, temps, np.array([True, True]), max_gap_ns=NANO
    )
    flows = np.ones(2, dtype=np.bool_)
    index_ns = build_up(rows, flows, low_c=LOW_C, flow_ea_j_per_mol=50e3)
    assert index_ns.tolist() == [0, 0]


def test_nothing_builds_up_while_no_melt_flows() -> None:
    """Only the steps that dispense count."""
    rows = series([100.0] * 4)
    flows = np.array([True, False, True, False])
    index_ns = build_up(rows, flows, low_c=LOW_C, flow_ea_j_per_mol=50e3)
    assert (index_ns > 0).tolist() == [False, False, True, False]


@SAME
@given(st.lists(st.floats(-270.0, 2500.0), min_size=2, max_size=10), st.floats(20e3, 200e3))
def test_wear_is_never_negative_and_never_above_the_cap(temps_c: list[float], ea: float) -> None:
    """Over everything a thermometer can read."""
    seconds = len(temps_c) - 1
    for index_s in (
        degraded_s(list(temps_c), ea_j_per_mol=ea),
        built_up_s(list(temps_c), ea_j_per_mol=ea),
    ):
        assert 0.0 <= index_s <= seconds * RATE_CAP + 1e-6


def test_an_almost_level_line_is_a_level_line() -> None:
    """Between two readings a subnormal apart nothing overflows."""
    tiny = 1e-320
    assert built_up_s([0.0, tiny]) == pytest.approx(built_up_s([0.0, 0.0]), rel=1e-9)


def test_a_limit_is_reached_within_its_step() -> None:
    """Evenly spread in it: half the growth, half the step."""
    rows = series([1.0, 1.0, 1.0])
    growth = np.array([0, 10, 20])
    assert reached(growth, rows, carried_ns=0, limit_ns=20) == (NANO + NANO // 2, 3)
    assert reached(growth, rows, carried_ns=5, limit_ns=20) == (NANO + NANO // 4, 3)
    assert reached(growth, rows, carried_ns=0, limit_ns=10) == (NANO, 2)


@pytest.mark.parametrize(("carried_ns", "limit_ns"), [(0, 31), (20, 20), (25, 20)])
def test_a_limit_is_not_reached_twice_or_too_early(carried_ns: int, limit_ns: int) -> None:
    """One more than there is; already there before."""
    growth = np.array([0, 10, 20])
    rows = series([1.0, 1.0, 1.0])
    assert reached(growth, rows, carried_ns=carried_ns, limit_ns=limit_ns) is None
