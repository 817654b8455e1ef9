"""Tank and hose: closed forms, textbook ages of mixed tanks, integrals and histories by scipy.

Textbook: O. Levenspiel, Chemical Reaction Engineering, 3rd ed. (1999). Its formulas for a mixed
tank and for a plug behind it, ch. 11 and 12, are from memory; the figures were computed apart
from this code, those of the washed-out share also by a residence-time library (rtdpy 0.6.1).
"""

from __future__ import annotations

from fractions import Fraction
from math import exp, inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from watchedpot.core.tank import (
    age_after_s,
    mean_residence_s,
    mixed_age,
    older_share,
    steady_age_s,
    transport_delay_s,
)

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=100)
MINUTE_S = 60.0
YEAR_NS = 365 * 86_400 * 10**9

AGES_NS = st.integers(0, 10 * YEAR_NS)
MASSES_KG = st.floats(1e-3, 100.0)


@pytest.mark.parametrize(
    ("residences", "washed_out"),
    [(1.0, 0.632121), (2.0, 0.864665), (3.0, 0.950213), (0.693147, 0.5)],
)
def test_the_washed_out_share_of_a_mixed_tank(residences: float, washed_out: float) -> None:
    """What is no older than a time is what came in since.

    Source: Levenspiel ch. 11-14, F = 1 - exp(-t/tau); rtdpy.Ncstr(n=1) agrees to 1e-3.
    """
    older = older_share(residences * 1800.0, residence_s=1800.0)
    assert 1.0 - older == pytest.approx(washed_out, abs=1e-6)


@pytest.mark.parametrize(("hose_ml", "older"), [(0.0, 0.135335), (50.0, 0.159880)])
def test_the_share_older_than_the_pot_life(hose_ml: float, older: float) -> None:
    """300 mL at 10 mL/min and a limit of an hour, without and with a hose behind the tank.

    Source: Levenspiel ch. 11 and 12, exp(-2) and exp(-55/30); mL stand for kg.
    """
    flow = 10.0 / MINUTE_S
    share = older_share(
        60.0 * MINUTE_S,
        residence_s=mean_residence_s(mass_kg=300.0, flow_kg_per_s=flow),
        delay_s=transport_delay_s(hold_up_kg=hose_ml, flow_kg_per_s=flow),
    )
    assert share == pytest.approx(older, abs=1e-6)


def test_the_mean_age_in_the_tank_is_the_mean_age_at_its_exit() -> None:
    """With a mean residence of 30 min both are 30 min.

    Source: Levenspiel ch. 11, perfect mixing; the exit's mean is the area under its older share.
    """
    residence_s = 30.0 * MINUTE_S
    leaving_s, _ = quad(lambda t: older_share(t, residence_s=residence_s), 0.0, 40 * residence_s)
    assert steady_age_s(1.0, residence_s=residence_s) == pytest.approx(residence_s, abs=1e-9)
    assert leaving_s == pytest.approx(residence_s, rel=1e-9)


def test_mean_and_variance_of_the_ages_that_leave() -> None:
    """For a mean residence of 1 both are 1.

    Source: Levenspiel; rtdpy.Ncstr(tau=1, n=1) gives 1 and 1 to 5e-3. Mean and second moment are
    areas under S and 2 t S, S the older share.
    """
    mean, _ = quad(lambda t: older_share(t, residence_s=1.0), 0.0, 60.0)
    second, _ = quad(lambda t: 2.0 * t * older_share(t, residence_s=1.0), 0.0, 60.0)
    assert mean == pytest.approx(1.0, abs=1e-9)
    assert second - mean**2 == pytest.approx(1.0, abs=1e-9)


def test_a_hose_adds_its_delay_to_every_age() -> None:
    """The mean age behind tank and hose is mean residence plus delay (sum of means)."""
    mean, _ = quad(
        lambda t: older_share(t, residence_s=1.0, delay_s=0.5), 0.0, 60.0, points=[0.5], limit=200
    )
    assert mean == pytest.approx(1.5, abs=1e-9)


def test_the_older_share_at_its_ends() -> None:
    """All is older than the delay or less, none than forever; without flow all is old."""
    assert older_share(5.0, residence_s=10.0, delay_s=5.0) == 1.0
    assert older_share(1.0, residence_s=10.0, delay_s=5.0) == 1.0
    assert older_share(0.0, residence_s=0.0) == 1.0
    assert older_share(1.0, residence_s=0.0) == 0.0
    assert older_share(6.0, residence_s=0.0, delay_s=5.0) == 0.0
    assert older_share(1e12, residence_s=1.0) == 0.0
    assert older_share(1e12, residence_s=inf) == 1.0
    assert older_share(1e12, residence_s=1.0, delay_s=inf) == 1.0


@pytest.mark.parametrize(
    ("hold_up_ml", "hours"),
    [(17.0, 1.0), (75.0, 4.6), (196.0, 12.0)],
    ids=["0.6 m x 6 mm", "1.5 m x 8 mm", "2.5 m x 10 mm"],
)
def test_hours_in_a_hose(hold_up_ml: float, hours: float) -> None:
    """Hoses of 6 to 10 mm at 5 mg/s hold the melt for one to twelve hours.

    Computed from bore and length, 1.1 g/mL; hours rounded to two digits, the last to whole ones.
    """
    delay_s = transport_delay_s(hold_up_kg=1.1e-3 * hold_up_ml, flow_kg_per_s=5e-6)
    assert delay_s / 3600.0 == pytest.approx(hours, rel=0.05)


@pytest.mark.parametrize(
    ("grams", "mg_per_s", "hours"),
    [(33.0, 2.0, 4.6), (33.0, 4.0, 2.3), (33.0, 8.0, 1.1), (330.0, 2.0, 46), (330.0, 8.0, 11)],
)
def test_hours_in_a_container(grams: float, mg_per_s: float, hours: float) -> None:
    """Grams over mean flow, for 30 cc and 300 cc at 1.1 g/mL."""
    residence_s = mean_residence_s(mass_kg=grams * 1e-3, flow_kg_per_s=mg_per_s * 1e-6)
    assert residence_s / 3600.0 == pytest.approx(hours, rel=0.05)


def test_nothing_arrives_without_flow() -> None:
    """Residence and delay are then infinite."""
    assert mean_residence_s(mass_kg=1.0, flow_kg_per_s=0.0) == inf
    assert transport_delay_s(hold_up_kg=0.1, flow_kg_per_s=0.0) == inf
    assert steady_age_s(1.0, residence_s=inf) == inf


def test_what_does_not_age_settles_at_nothing() -> None:
    """At rate 0 the steady age is 0, also without flow."""
    assert steady_age_s(0.0, residence_s=1800.0) == 0.0
    assert steady_age_s(0.0, residence_s=inf) == 0.0


@pytest.mark.parametrize(
    ("age", "mass", "added", "added_age", "mixed"),
    [
        (4_000, 3.0, 1.0, 0, 3_000),
        (4_000, 3.0, 1.0, 8_000, 5_000),
        (4_000, 3.0, 0.0, 0, 4_000),
        (4_000, 0.0, 1.0, 70, 70),
        (4_000, 0.0, 0.0, 70, 4_000),
        (0, 1.0, 1.0, 3, 2),
        (5 * 10**18, 1.0, 1e-30, 0, 5 * 10**18),
        (2**62 + 1, 0.0, 1.0, 0, 0),
        (0, 0.0, 1.0, 2**62 + 1, 2**62 + 1),
        (2**62 + 1, 1.0, 1.0, 1, 2**61 + 1),
    ],
)
def test_a_refill_mixes_by_mass(
    age: int, mass: float, added: float, added_age: int, mixed: int
) -> None:
    """By hand; an addition of nothing changes nothing, and only an empty tank is renewed."""
    found = mixed_age(age, mass_kg=mass, added_kg=added, added_age_ns=added_age)
    assert found == mixed


@given(age=AGES_NS, added_age=AGES_NS, mass=MASSES_KG, added=MASSES_KG)
@SAME
def test_a_mixture_lies_between_its_parts(
    age: int, added_age: int, mass: float, added: float
) -> None:
    """Never above the older, never below the younger, and by mass to the digits of a float.

    Against exact fractions; the share of the masses is a float, good to 16 digits.
    """
    found = mixed_age(age, mass_kg=mass, added_kg=added, added_age_ns=added_age)
    exact = (Fraction(mass) * age + Fraction(added) * added_age) / (
        Fraction(mass) + Fraction(added)
    )
    assert min(age, added_age) <= found <= max(age, added_age)
    assert abs(found - exact) <= Fraction(1, 2) + Fraction(4e-16) * abs(added_age - age)


@given(age=AGES_NS, mass=MASSES_KG, added=MASSES_KG)
@SAME
def test_a_fresh_refill_never_resets(age: int, mass: float, added: float) -> None:
    """What was there keeps its age times its share of the mass."""
    kept = mixed_age(age, mass_kg=mass, added_kg=added)
    assert kept == pytest.approx(age * mass / (mass + added), rel=1e-12, abs=0.6)


STEPS = st.lists(
    st.tuples(st.floats(0.0, 0.9), st.floats(0.0, 5.0), AGES_NS), min_size=1, max_size=20
)


@given(age=AGES_NS, mass=MASSES_KG, steps=STEPS)
@SAME
def test_mass_times_age_is_kept_over_any_refills(
    age: int, mass: float, steps: list[tuple[float, float, int]]
) -> None:
    """Drawing takes its part along, a refill brings its own: nothing is made, nothing is lost."""
    mass_age = Fraction(mass) * age
    kept = Fraction(mass)
    for drawn_share, added, added_age in steps:
        mass_age *= 1 - Fraction(drawn_share)
        kept *= 1 - Fraction(drawn_share)
        age = mixed_age(age, mass_kg=float(kept), added_kg=added, added_age_ns=added_age)
        mass_age += Fraction(added) * added_age
        kept += Fraction(added)
    assert age == pytest.approx(float(mass_age / kept), rel=1e-13, abs=20.0)


def test_an_age_settles_where_it_is_fed() -> None:
    """From any start the tank comes to the steady age; one residence is 63 % of the way."""
    times = {"rate": 1.7, "flow_kg_per_s": 1e-3, "mass_kg": 2.0}
    steady_s = steady_age_s(1.7, residence_s=2000.0)
    assert steady_s == pytest.approx(3400.0, rel=1e-15)
    for start_s in (0.0, steady_s, 9000.0):
        after_s = age_after_s(start_s, duration_s=2000.0, **times)
        assert after_s - steady_s == pytest.approx((start_s - steady_s) * exp(-1.0), abs=1e-9)
        assert age_after_s(start_s, duration_s=1e9, **times) == pytest.approx(steady_s, rel=1e-12)


def test_without_flow_a_tank_ages_by_the_clock() -> None:
    """Rate times time, and the limit of a vanishing flow is the same."""
    still_s = age_after_s(100.0, rate=2.0, duration_s=50.0, flow_kg_per_s=0.0, mass_kg=1.0)
    assert still_s == 200.0
    for flow in (1e-300, 1e-18, 1e-12):
        after_s = age_after_s(100.0, rate=2.0, duration_s=50.0, flow_kg_per_s=flow, mass_kg=1.0)
        assert after_s == pytest.approx(200.0, rel=1e-9)


def test_half_the_melt_is_renewed_in_half_a_life() -> None:
    """What does not age is only diluted: by half in tau ln 2."""
    after_s = age_after_s(
        800.0, rate=0.0, duration_s=1000.0 * log(2.0), flow_kg_per_s=1e-3, mass_kg=1.0
    )
    assert after_s == pytest.approx(400.0, rel=1e-12)


HISTORIES = {
    "start_s": st.floats(0.0, 1e6),
    "rate": st.floats(0.0, 10.0),
    "duration_s": st.floats(1.0, 1e5),
    "flow": st.floats(0.0, 1e-3),
    "mass": st.floats(0.05, 50.0),
}


@given(**HISTORIES)
@settings(SAME, max_examples=40)
def test_the_history_of_a_fed_tank(
    start_s: float, rate: float, duration_s: float, flow: float, mass: float
) -> None:
    """The balance d(age)/dt = rate - (flow/mass) age, integrated step by step by scipy."""
    solution = solve_ivp(
        lambda _, age: rate - flow / mass * age,
        (0.0, duration_s),
        [start_s],
        method="LSODA",
        rtol=1e-10,
        atol=1e-7,
    )
    after_s = age_after_s(
        start_s, rate=rate, duration_s=duration_s, flow_kg_per_s=flow, mass_kg=mass
    )
    assert after_s == pytest.approx(float(solution.y[0, -1]), rel=1e-6, abs=1e-4)


@given(**HISTORIES)
@settings(SAME, max_examples=40)
def test_a_time_may_be_cut_anywhere(
    start_s: float, rate: float, duration_s: float, flow: float, mass: float
) -> None:
    """Twice half the time is the whole time."""
    rules = {"rate": rate, "flow_kg_per_s": flow, "mass_kg": mass}
    whole_s = age_after_s(start_s, duration_s=duration_s, **rules)
    half_s = age_after_s(start_s, duration_s=0.5 * duration_s, **rules)
    again_s = age_after_s(half_s, duration_s=0.5 * duration_s, **rules)
    assert again_s == pytest.approx(whole_s, rel=1e-12, abs=1e-9)


@given(
    start_s=st.floats(0.0, 1e6),
    rate=st.floats(0.0, 10.0),
    residences=st.floats(0.01, 20.0),
    flow=st.floats(1e-7, 1e-3),
    mass=st.floats(0.05, 50.0),
)
@settings(SAME, max_examples=40)
def test_what_ages_and_what_leaves_add_up(
    start_s: float, rate: float, residences: float, flow: float, mass: float
) -> None:
    """Mass times age at the end is that at the start, plus ageing, less what the melt took away.

    What it took is the integral of flow times age, by Gauss-Legendre quadrature of 60 points.
    """
    rules = {"rate": rate, "flow_kg_per_s": flow, "mass_kg": mass}
    duration_s = residences * mass / flow
    nodes, weights = np.polynomial.legendre.leggauss(60)
    ages_s = [
        age_after_s(start_s, duration_s=0.5 * duration_s * (node + 1.0), **rules)
        for node in nodes.tolist()
    ]
    taken_kg_s = flow * 0.5 * duration_s * float(weights @ np.array(ages_s))
    left_kg_s = mass * age_after_s(start_s, duration_s=duration_s, **rules)
    brought_kg_s = mass * start_s + mass * rate * duration_s
    assert left_kg_s + taken_kg_s == pytest.approx(brought_kg_s, rel=1e-12, abs=1e-9)


def test_many_small_refills_are_a_steady_feed() -> None:
    """Topping up drop by drop, by mixing alone, comes to the same age as the fed tank.

    Three thousand steps of a thousandth of the tank are off by less than a thousandth.
    """
    age_ns = 0
    for _ in range(3000):
        aged_ns = age_ns + 10**9
        age_ns = mixed_age(aged_ns, mass_kg=0.999, added_kg=0.001)
    fed_s = age_after_s(0.0, rate=1.0, duration_s=3000.0, flow_kg_per_s=1e-3, mass_kg=1.0)
    assert age_ns / 1e9 == pytest.approx(fed_s, rel=1e-3)
