"""Rate laws and their mean along lines: printed factors, closed forms, exactness by any cut."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, localcontext
from functools import partial
from itertools import pairwise
from math import exp, inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import exp1

from watchedpot.core.rates import (
    PIECE_K,
    RATE_CAP,
    arrhenius,
    capped_from_c,
    mean_rate,
    mean_rate_within,
    share_between,
)
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K as R
from watchedpot.core.units import ZERO_C_KELVIN

SAME = settings(derandomize=True, deadline=None, database=None)

K_EV = 8.617333262e-5
"""Boltzmann constant [eV/K], CODATA 2018."""

HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1; printed value from memory"
QUALIFICATION = "JEDEC JESD47/JEP122, acceleration factor; printed value from memory"
LOADING_IEC = "IEC 60076-7, thermally upgraded paper; printed value from memory"
LOADING_IEEE = "IEEE C57.91-2011, eq. (2) and table I.1; printed value from memory"
EQUIVALENT_AGE = "ASTM C1074, Ea/R = 5000 K; value computed"
ADJUSTED_AGE = "EN 1992-1-1 eq. (B.10), formula from memory; value computed"
COMPUTED = "computed, no printed source"


@dataclass(frozen=True)
class Factor:
    """A factor of the law; temperatures in kelvin by the zero of the source, often 273 K."""

    ea_per_r_k: float
    ref_k: float
    temp_k: float
    value: float
    tolerance: float
    source: str


FACTORS = (
    Factor(0.5 / K_EV, 298.15, 398.15, 133.0, 0.6, HANDBOOK),
    Factor(1.0 / K_EV, 298.16, 398.16, 17597.0, 12.0, HANDBOOK),
    Factor(0.7 / K_EV, 328.0, 398.0, 77.9, 0.5, QUALIFICATION),
    Factor(0.7 / K_EV, 328.15, 398.15, 77.645, 0.001, COMPUTED),
    Factor(100e3 / 8.3145, 298.15, 283.15, 0.118009, 1e-6, COMPUTED),
    Factor(15000.0, 383.0, 353.0, 0.036, 5e-4, LOADING_IEC),
    Factor(15000.0, 383.0, 371.0, 0.282, 5e-4, LOADING_IEC),
    Factor(15000.0, 383.0, 373.0, 0.350, 5e-4, LOADING_IEEE),
    Factor(15000.0, 383.0, 383.0, 1.0, 1e-9, LOADING_IEEE),
    Factor(15000.0, 383.0, 389.0, 1.83, 5e-3, LOADING_IEC),
    Factor(15000.0, 383.0, 393.0, 2.71, 5e-3, LOADING_IEEE),
    Factor(15000.0, 383.0, 395.0, 3.29, 5e-3, LOADING_IEC),
    Factor(15000.0, 383.0, 403.0, 6.98, 5e-3, LOADING_IEEE),
    Factor(15000.0, 383.0, 407.0, 10.1, 0.05, LOADING_IEC),
    Factor(15000.0, 383.0, 413.0, 17.2, 5e-3, LOADING_IEEE),
    Factor(5000.0, 296.0, 283.0, 0.4603, 1e-4, EQUIVALENT_AGE),
    Factor(5000.0, 296.0, 296.0, 1.0, 1e-9, EQUIVALENT_AGE),
    Factor(5000.0, 296.0, 313.0, 2.5029, 1e-4, EQUIVALENT_AGE),
    Factor(4000.0, 4000.0 / 13.65, 283.0, 0.6161, 1e-4, ADJUSTED_AGE),
    Factor(4000.0, 4000.0 / 13.65, 293.0, 0.9981, 1e-4, ADJUSTED_AGE),
    Factor(4000.0, 4000.0 / 13.65, 303.0, 1.5662, 1e-4, ADJUSTED_AGE),
    Factor(4000.0, 4000.0 / 13.65, 313.0, 2.3880, 1e-4, ADJUSTED_AGE),
    Factor(4000.0, 4000.0 / 13.65, 333.0, 5.1448, 1e-4, ADJUSTED_AGE),
)
"""The second handbook value is of the older constants 8.617e-5 eV/K and 273.16 K."""

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

LINES = st.lists(
    st.tuples(st.floats(-270.0, 2500.0), st.floats(-270.0, 2500.0)), min_size=1, max_size=8
)
SMALL_LINES = st.lists(
    st.tuples(st.floats(20.0, 180.0), st.floats(-1.5, 1.5)), min_size=1, max_size=8
)


def rate_at(temp_c: float, *, ref_c: float = 110.0, ea_j_per_mol: float = 80e3) -> float:
    """The law at one temperature."""
    return float(arrhenius(np.array([temp_c]), ref_c=ref_c, ea_j_per_mol=ea_j_per_mol)[0])


def exact_mean(start_c: float, end_c: float, *, ref_c: float, ea_j_per_mol: float) -> float:
    """Mean of the uncapped law over a line: T exp(-a/T) - a E1(a/T) between its ends."""
    a = ea_j_per_mol / R
    ends = [temp_c + ZERO_C_KELVIN for temp_c in (start_c, end_c)]
    lower, upper = (t * exp(-a / t) - a * float(exp1(a / t)) for t in ends)
    return (upper - lower) / (end_c - start_c) * exp(a / (ref_c + ZERO_C_KELVIN))


def lines(*ends: tuple[float, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Starts and ends as columns."""
    start, end = np.array(ends).T
    return start.copy(), end.copy()


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


@pytest.mark.parametrize("factor", FACTORS, ids=lambda factor: factor.source)
def test_a_factor_from_outside_is_the_rate(factor: Factor) -> None:
    """Acceleration factors, ageing rates and maturity rates are one law with other constants."""
    found = rate_at(
        factor.temp_k - ZERO_C_KELVIN,
        ref_c=factor.ref_k - ZERO_C_KELVIN,
        ea_j_per_mol=factor.ea_per_r_k * R,
    )
    if factor.value > RATE_CAP:
        # The law is held at its cap: the same factor in two halves of the reciprocal scale.
        between_c = 2.0 / (1.0 / factor.ref_k + 1.0 / factor.temp_k) - ZERO_C_KELVIN
        half = rate_at(
            between_c, ref_c=factor.ref_k - ZERO_C_KELVIN, ea_j_per_mol=factor.ea_per_r_k * R
        )
        assert found == pytest.approx(RATE_CAP)
        found = half * half
    assert found == pytest.approx(factor.value, abs=factor.tolerance, rel=0)


@pytest.mark.parametrize(("temp_c", "life_h"), [(175.0, 5157.09), (145.0, 41348.35)])
def test_a_life_by_temperature_index_and_halving_interval(temp_c: float, life_h: float) -> None:
    """Life of 20000 h at 155 degC and half of it at 165 gives Ea, and Ea the life elsewhere.

    IEC 60216-1/-5, TI and HIC; values computed from the definition.
    """
    halving = 1.0 / (155.0 + ZERO_C_KELVIN) - 1.0 / (165.0 + ZERO_C_KELVIN)
    found_h = 20_000.0 / rate_at(temp_c, ref_c=155.0, ea_j_per_mol=R * log(2.0) / halving)
    assert found_h == pytest.approx(life_h, abs=0.01)


@pytest.mark.parametrize(("ref_c", "ea_kj_per_mol"), [(25.0, 52.949), (110.0, 86.813)])
def test_the_activation_energy_that_doubles_a_rate_in_ten_kelvin(
    ref_c: float, ea_kj_per_mol: float
) -> None:
    """A Q10 of 2 lies within 0.001 kJ/mol of the value: it is no one activation energy.

    Computed; textbooks have about 53 kJ/mol at room temperature.
    """
    below, above = (
        rate_at(ref_c + 10.0, ref_c=ref_c, ea_j_per_mol=1000.0 * (ea_kj_per_mol + off))
        for off in (-0.001, 0.001)
    )
    assert below < 2.0 < above


@pytest.mark.parametrize(("ref_c", "ea_j_per_mol"), [(110.0, 100e3), (60.0, 100e3), (110.0, 500e3)])
def test_a_rate_is_capped_from_where_it_reaches_the_cap(ref_c: float, ea_j_per_mol: float) -> None:
    """A thousandth of a kelvin below it is not."""
    capped_c = capped_from_c(ref_c=ref_c, ea_j_per_mol=ea_j_per_mol)
    below, at, above = (
        rate_at(capped_c + off, ref_c=ref_c, ea_j_per_mol=ea_j_per_mol) for off in (-1e-3, 0, 50.0)
    )
    assert below < RATE_CAP * (1.0 - 1e-5)
    assert at == pytest.approx(RATE_CAP, rel=1e-12)
    assert above == pytest.approx(RATE_CAP, rel=1e-12)


@pytest.mark.parametrize("ea_j_per_mol", [20e3, 1.0, 0.0, -80e3])
def test_a_rate_that_no_heat_brings_to_the_cap_is_never_capped(ea_j_per_mol: float) -> None:
    """What hardly speeds up with heat, or slows down."""
    assert capped_from_c(ref_c=110.0, ea_j_per_mol=ea_j_per_mol) == inf
    assert rate_at(2500.0, ea_j_per_mol=ea_j_per_mol) < RATE_CAP


@pytest.mark.parametrize(
    ("start", "end", "share"),
    [
        (90.0, 120.0, (1 / 3, 2 / 3)),
        (120.0, 90.0, (1 / 3, 2 / 3)),
        (102.0, 105.0, (0.0, 1.0)),
        (100.0, 110.0, (0.0, 1.0)),
        (80.0, 90.0, (1.0, 1.0)),
        (90.0, 80.0, (0.0, 0.0)),
        (120.0, 130.0, (0.0, 0.0)),
        (130.0, 120.0, (1.0, 1.0)),
        (95.0, 105.0, (0.5, 1.0)),
        (105.0, 115.0, (0.0, 0.5)),
        (105.0, 105.0, (0.0, 1.0)),
        (110.0, 110.0, (0.0, 1.0)),
        (100.0, 100.0, (0.0, 0.0)),
        (100.0, 100.0 + 1e-12, (0.0, 0.0)),
        (115.0, 115.0, (0.0, 0.0)),
    ],
)
def test_the_share_of_a_line_between_100_and_110(
    start: float, end: float, share: tuple[float, float]
) -> None:
    """Crossing it, inside it, beside it, and level on its edges."""
    first, last = share_between(*lines((start, end)), low=100.0, high=110.0)
    assert (first[0], last[0]) == pytest.approx(share, abs=1e-12)


def test_a_range_without_an_end_holds_every_line() -> None:
    """Rising, falling and level."""
    start, end = lines((90.0, 95.0), (95.0, 90.0), (90.0, 90.0))
    first, last = share_between(start, end, low=-inf, high=inf)
    assert (first.tolist(), last.tolist()) == ([0.0] * 3, [1.0] * 3)


def test_the_mean_over_a_level_line_is_the_rate_itself() -> None:
    """To the last digit or two."""
    start, end = lines((60.0, 60.0), (110.0, 110.0), (139.0, 139.0))
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=80e3)
    assert mean_rate(start, end, law) == pytest.approx(law(start), rel=4e-16)


@pytest.mark.parametrize("degree", range(6))
def test_the_mean_of_a_power_is_exact_up_to_the_fifth(degree: int) -> None:
    """Three points of Gauss and Legendre integrate a polynomial of degree 5; not of degree 6."""
    start, end = lines((0.0, 1.0))
    wanted = 1.0 / (degree + 1)
    assert mean_rate(start, end, lambda t: t**degree) == pytest.approx(wanted, rel=1e-15)
    assert mean_rate(start, end, lambda t: t**6)[0] != pytest.approx(1.0 / 7.0, rel=1e-3)


@pytest.mark.parametrize("ea_kj_per_mol", [20, 60, 80, 100, 120])
@pytest.mark.parametrize(
    ("start_c", "end_c"),
    [(20.0, 22.0), (40.0, 41.5), (100.0, 120.0), (23.0, 115.0), (140.0, 20.0), (110.0, 60.1)],
)
def test_the_mean_over_a_climb_is_the_closed_form(
    start_c: float, end_c: float, ea_kj_per_mol: int
) -> None:
    """To 1e-9 for any climb, up and down: with the exponential integral of SciPy."""
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=1000.0 * ea_kj_per_mol)
    found = mean_rate(*lines((start_c, end_c)), law)[0]
    wanted = exact_mean(start_c, end_c, ref_c=110.0, ea_j_per_mol=1000.0 * ea_kj_per_mol)
    assert found == pytest.approx(wanted, rel=1e-9)


def test_one_piece_is_not_enough_for_a_long_climb() -> None:
    """Three points over 92 K are off by more than a hundredth: pieces are what makes it exact."""
    nodes, weights = np.polynomial.legendre.leggauss(3)
    points = arrhenius(69.0 + 46.0 * nodes, ref_c=110.0, ea_j_per_mol=100e3)
    in_one = float((points * weights).sum()) / 2.0
    wanted = exact_mean(23.0, 115.0, ref_c=110.0, ea_j_per_mol=100e3)
    assert abs(in_one / wanted - 1.0) > 0.01


def test_the_mean_over_a_share_is_that_of_the_part() -> None:
    """The middle of a line is a line."""
    start, end = lines((100.0, 120.0), (120.0, 100.0))
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=80e3)
    first, last = np.array([0.25, 0.25]), np.array([0.75, 0.75])
    part = mean_rate(*lines((105.0, 115.0), (115.0, 105.0)), law)
    assert mean_rate(start, end, law, first=first, last=last) == pytest.approx(part, rel=1e-12)


@SAME
@given(st.one_of(LINES, SMALL_LINES.map(lambda rows: [(a, a + d) for a, d in rows])))
def test_a_line_has_the_same_mean_alone_and_among_others(
    ends: list[tuple[float, float]],
) -> None:
    """Bit by bit, whatever stands beside it."""
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=80e3)
    together = mean_rate(*lines(*ends), law)
    within = mean_rate_within(*lines(*ends), law, low=40.0, high=140.0)
    for place, line in enumerate(ends):
        assert mean_rate(*lines(line), law)[0] == together[place]
        assert mean_rate_within(*lines(line), law, low=40.0, high=140.0)[0] == within[place]


def test_a_line_has_the_same_mean_among_very_many() -> None:
    """Bit by bit, at every place of a block of five thousand."""
    steps = np.random.default_rng(5).normal(0.0, 1.0, 5001)
    temps_c = np.abs(100.0 + np.cumsum(steps))
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=80e3)
    together = mean_rate(temps_c[:-1], temps_c[1:], law)
    alone = [mean_rate(*lines((a, b)), law)[0] for a, b in pairwise(temps_c)]
    assert together.tolist() == alone
    assert (np.abs(steps) > PIECE_K).any()


@SAME
@given(LINES)
def test_two_laws_at_once_are_each_as_alone(ends: list[tuple[float, float]]) -> None:
    """Bit by bit, within a range and without."""
    energies = (60e3, 100e3)
    both = partial(arrhenius, ref_c=110.0, ea_j_per_mol=np.array([[[ea]] for ea in energies]))
    for place, ea in enumerate(energies):
        law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=ea)
        alone, among = mean_rate(*lines(*ends), law), mean_rate(*lines(*ends), both)
        assert among[place].tolist() == alone.tolist()
        alone, among = (
            mean_rate_within(*lines(*ends), each, low=40.0, high=140.0) for each in (law, both)
        )
        assert among[place].tolist() == alone.tolist()


def test_no_lines_have_no_mean() -> None:
    """An empty block is none to stumble over."""
    nothing = np.zeros(0)
    assert mean_rate_within(nothing, nothing, np.exp, low=0.0, high=1.0).size == 0


@pytest.mark.parametrize(
    ("start_c", "end_c", "below", "above"),
    [
        (120.0, 130.0, 0.0, 0.0),
        (110.0, 60.0, 0.4, 0.0),
        (60.0, 110.0, 0.4, 0.0),
        (130.0, 150.0, 0.0, 0.5),
        (40.0, 160.0, 1 / 3, 1 / 6),
        (150.0, 160.0, 0.0, 1.0),
        (60.0, 70.0, 1.0, 0.0),
    ],
)
def test_the_mean_within_a_range(start_c: float, end_c: float, below: float, above: float) -> None:
    """Nothing below 80 degC, the law up to 140, and above it the rate of 140."""
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=80e3)
    inside = 1.0 - below - above
    wanted = above * rate_at(140.0)
    if inside:
        ends = (float(np.clip(end, 80.0, 140.0)) for end in (start_c, end_c))
        wanted += inside * exact_mean(*ends, ref_c=110.0, ea_j_per_mol=80e3)
    found = mean_rate_within(*lines((start_c, end_c)), law, low=80.0, high=140.0)[0]
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-15)


@SAME
@given(LINES, st.floats(20e3, 200e3))
def test_the_mean_lies_between_the_rates_at_the_ends(
    ends: list[tuple[float, float]], ea_j_per_mol: float
) -> None:
    """For a rate that grows with temperature, over everything a thermometer can read."""
    start, end = lines(*ends)
    law = partial(arrhenius, ref_c=110.0, ea_j_per_mol=ea_j_per_mol)
    at_ends = np.array([law(start), law(end)])
    mean = mean_rate(start, end, law)
    assert (mean >= at_ends.min(axis=0) * (1.0 - 1e-9)).all()
    assert (mean <= at_ends.max(axis=0) * (1.0 + 1e-9)).all()
