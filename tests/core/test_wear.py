"""Build-up and degradation: closed forms, quadrature by other means, computed tables."""

from __future__ import annotations

from decimal import Decimal, localcontext
from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from support.cells import series
from watchedpot.core.series import Sample, continue_series
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K as R
from watchedpot.core.units import NANO
from watchedpot.core.wear import RATE_CAP, arrhenius, build_up, degradation, reached

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


VISCOSITY_RATIOS = {
    100.0: (1.78, 2.27, 2.67, 3.71),
    110.0: (1.32, 1.49, 1.61, 1.89),
    115.0: (1.15, 1.22, 1.27, 1.37),
    118.0: (1.06, 1.08, 1.10, 1.13),
    122.0: (0.95, 0.93, 0.91, 0.88),
    130.0: (0.77, 0.68, 0.63, 0.54),
}
"""mu(T)/mu(120 degC) at 35, 50, 60, 80 kJ/mol: a table computed elsewhere from Andrade's law."""

DOSE_FACTORS = {
    60.0: (0.06, 0.02, 0.01),
    80.0: (0.20, 0.12, 0.07),
    90.0: (0.35, 0.25, 0.18),
    100.0: (0.60, 0.51, 0.43),
    105.0: (0.78, 0.72, 0.66),
    115.0: (1.27, 1.38, 1.50),
    120.0: (1.61, 1.89, 2.22),
    125.0: (2.03, 2.58, 3.26),
    130.0: (2.55, 3.48, 4.75),
    140.0: (3.93, 6.19, 9.77),
}
"""Rate relative to 110 degC at 60, 80, 100 kJ/mol: a table computed elsewhere from the law of
Arrhenius; that heat age doubles every 9 to 15 K at these temperatures is common practice."""


@pytest.mark.parametrize(
    ("temp_c", "ea_kj_per_mol", "ratio"),
    [
        (temp_c, ea, ratio)
        for temp_c, ratios in VISCOSITY_RATIOS.items()
        for ea, ratio in zip((35, 50, 60, 80), ratios, strict=True)
    ],
)
def test_viscosity_ratios_are_those_of_the_table(
    temp_c: float, ea_kj_per_mol: int, ratio: float
) -> None:
    """Within half a unit of the last printed digit."""
    found = arrhenius(np.array([temp_c]), ref_c=120.0, ea_j_per_mol=-1000.0 * ea_kj_per_mol)[0]
    assert found == pytest.approx(ratio, abs=0.0051)


@pytest.mark.parametrize(
    ("temp_c", "ea_kj_per_mol", "factor"),
    [
        (temp_c, ea, factor)
        for temp_c, factors in DOSE_FACTORS.items()
        for ea, factor in zip((60, 80, 100), factors, strict=True)
    ],
)
def test_dose_factors_are_those_of_the_table(
    temp_c: float, ea_kj_per_mol: int, factor: float
) -> None:
    """Within half a unit of the last printed digit."""
    found = arrhenius(np.array([temp_c]), ref_c=110.0, ea_j_per_mol=1000.0 * ea_kj_per_mol)[0]
    assert found == pytest.approx(factor, abs=0.0051)


def test_the_rate_at_the_reference_is_exactly_one() -> None:
    """Whatever the activation energy: both sides use the same zero of the kelvin scale."""
    for ea in (-80e3, 0.0, 80e3, 1e6):
        assert arrhenius(np.array([110.0]), ref_c=110.0, ea_j_per_mol=ea)[0] == 1.0


@pytest.mark.parametrize("temp_c", [25.0, 80.0, 111.0, 125.0, 139.0])
def test_the_rate_agrees_with_fifty_digits(temp_c: float) -> None:
    """Computed in decimal arithmetic of 50 digits, to 1e-13."""
    with localcontext() as context:
        context.prec = 50
        zero = Decimal("273.15")
        exponent = (
            Decimal(80000)
            / Decimal("8.31446261815324")
            * (1 / (Decimal(110) + zero) - 1 / (Decimal(str(temp_c)) + zero))
        )
        wanted = exponent.exp()
    found = arrhenius(np.array([temp_c]), ref_c=110.0, ea_j_per_mol=80e3)[0]
    assert found == pytest.approx(float(wanted), rel=1e-13)


@SAME
@given(st.floats(-270.0, 2500.0), st.floats(-500e3, 500e3), st.floats(20.0, 250.0))
def test_the_rate_never_exceeds_its_cap(temp_c: float, ea: float, ref_c: float) -> None:
    """Over everything a thermometer can read."""
    found = arrhenius(np.array([temp_c]), ref_c=ref_c, ea_j_per_mol=ea)[0]
    assert 0.0 <= found <= RATE_CAP * (1.0 + 1e-12)


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
