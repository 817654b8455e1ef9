"""How long charges last: balances of mass and time, a cell followed day by day, mixed tanks."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from watchedpot.core.dose import Dose
from watchedpot.core.rules import AgeingRules, MaterialRules, ZoneKind, ZoneRules
from watchedpot.core.supply import (
    CONTAINERS,
    DAY_S,
    MOST_CHARGES,
    Ending,
    Lot,
    ageing_rates,
    life_left_s,
    lot,
    stays,
    tank_age,
    tank_fill,
)
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, kelvin, ns

HOUR_S = 3600.0
MINUTE_S = 60.0
SAME = settings(derandomize=True, deadline=None, database=None, max_examples=60)

MATERIAL = MaterialRules(
    id="demo_silicone",
    ceiling_c=140.0,
    flow_ea_j_per_mol=50e3,
    degradation_ea_j_per_mol=80e3,
    source="demo: use your supplier's data sheet",
    ageing=AgeingRules(pot_life_s=8 * HOUR_S, ref_c=110.0),
)
SYRINGE = ZoneRules(
    id="syringe",
    kind=ZoneKind.SYRINGE,
    material=MATERIAL,
    low_c=104.0,
    high_c=118.0,
    temperature="lens_4/syringe/temperature",
    setpoint_c=110.0,
)
BARE = replace(SYRINGE, material=replace(MATERIAL, ageing=None))


def factor(temp_c: float, ea_j_per_mol: float) -> float:
    """Ageing at a temperature over that at 110 degC."""
    per_kelvin = 1.0 / kelvin(110.0) - 1.0 / kelvin(temp_c)
    return exp(ea_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * per_kelvin)


def test_ageing_at_the_usual_temperature() -> None:
    """By both bounds of the activation energy; nothing where there is no pot life.

    Source: Arrhenius, by hand; 1.61 and 2.22 at 120 degC for 60 and 100 kJ/mol.
    """
    rates = ageing_rates(replace(SYRINGE, setpoint_c=120.0))
    assert rates == pytest.approx((factor(120.0, 60e3), factor(120.0, 100e3)), rel=1e-6)
    assert rates == pytest.approx((1.61, 2.22), abs=0.01)
    assert ageing_rates(BARE) is None


@pytest.mark.parametrize(
    ("setpoint_c", "used_h", "left_h"),
    [
        (110.0, 0.0, 8.0),
        (110.0, 3.0, 5.0),
        (110.0, 9.0, 0.0),
        (120.0, 0.0, 8.0 / factor(120.0, 100e3)),
        (100.0, 4.0, 4.0 / factor(100.0, 60e3)),
        (30.0, 0.0, inf),
    ],
)
def test_the_life_that_is_left(setpoint_c: float, used_h: float, left_h: float) -> None:
    """By the stricter bound: the high one above the reference, the low one below it.

    Source: closed form, pot life less age over exp(Ea/R (1/Tref - 1/T)).
    """
    zone = replace(SYRINGE, setpoint_c=setpoint_c)
    left_s = life_left_s(zone, Dose(ns(used_h * HOUR_S), ns(used_h * HOUR_S)))
    assert left_s is not None
    assert left_s / HOUR_S == pytest.approx(left_h, rel=1e-6)


def test_without_a_pot_life_nothing_is_left_to_say() -> None:
    """That is not the same as never being spent."""
    assert life_left_s(BARE, Dose()) is None


def test_a_shift_of_charges_that_are_emptied() -> None:
    """Thirty grams at 4 mg/s last 7500 s; each fresh one first waits 1500 s.

    Source: by hand. 0 to 7500, 7500 (9000) to 16500, 16500 (18000) to the end at 20000.
    """
    first, second, third = stays(
        shift_s=20_000.0,
        first_life_s=inf,
        life_s=inf,
        first_kg=0.03,
        fill_kg=0.03,
        use_kg_per_s=4e-6,
        wait_s=1500.0,
    )
    assert (first.loaded_s, first.warm_s, first.out_s) == pytest.approx((0.0, 0.0, 7500.0))
    assert (second.loaded_s, second.warm_s, second.out_s) == pytest.approx((7500, 9000, 16_500))
    assert (third.loaded_s, third.warm_s, third.out_s) == pytest.approx((16_500, 18_000, 20_000))
    assert [stay.ending for stay in (first, second, third)] == [
        Ending.EMPTY,
        Ending.EMPTY,
        Ending.IN_USE,
    ]
    assert [stay.left_kg for stay in (first, second, third)] == pytest.approx([0.0, 0.0, 0.022])


def test_a_big_pack_at_a_small_use_is_spent_two_thirds_full() -> None:
    """330 g at 4 mg/s would last 22.9 h and are spent after 8: 65 % are thrown away.

    Source: common practice, no source; 0.33 kg / 4 mg/s = 22.9 h, 1 - 8 / 22.9 = 0.65.
    """
    first, second = stays(
        shift_s=12 * HOUR_S,
        first_life_s=8 * HOUR_S,
        life_s=8 * HOUR_S,
        first_kg=0.33,
        fill_kg=0.33,
        use_kg_per_s=4e-6,
        wait_s=0.0,
    )
    assert (first.out_s, first.ending) == (8 * HOUR_S, Ending.SPENT)
    assert first.left_kg is not None
    assert first.left_kg / 0.33 == pytest.approx(0.65, abs=0.005)
    assert (second.out_s, second.ending) == (12 * HOUR_S, Ending.IN_USE)
    cartridge = lot(
        fill_kg=0.33,
        life_s=8 * HOUR_S,
        use_kg_per_s=4e-6,
        day_s=DAY_S,
        wait_s=0.0,
        morning_s=0.0,
    )
    assert cartridge.unused_share == pytest.approx(0.65, abs=0.005)
    assert cartridge.is_spent


def test_an_aged_charge_goes_first() -> None:
    """What is left of the life of the charge in use decides of the first change only."""
    first, second, *_ = stays(
        shift_s=10 * HOUR_S,
        first_life_s=2 * HOUR_S,
        life_s=5 * HOUR_S,
        first_kg=1.0,
        fill_kg=1.0,
        use_kg_per_s=1e-6,
        wait_s=600.0,
    )
    assert (first.out_s, second.out_s) == (2 * HOUR_S, 7 * HOUR_S)


def test_a_charge_that_is_spent_already_is_changed_at_once() -> None:
    """It keeps all that it holds."""
    first, second = stays(
        shift_s=HOUR_S,
        first_life_s=0.0,
        life_s=inf,
        first_kg=0.02,
        fill_kg=0.03,
        use_kg_per_s=1e-6,
        wait_s=600.0,
    )
    assert (first.out_s, first.ending, first.left_kg) == (0.0, Ending.SPENT, 0.02)
    assert (second.loaded_s, second.warm_s) == (0.0, 600.0)


def test_without_a_mass_only_the_pot_life_ends_a_charge() -> None:
    """Nothing is said of what is left."""
    first, second = stays(
        shift_s=10 * HOUR_S,
        first_life_s=8 * HOUR_S,
        life_s=8 * HOUR_S,
        first_kg=None,
        fill_kg=None,
        use_kg_per_s=4e-6,
        wait_s=600.0,
    )
    assert (first.ending, first.left_kg) == (Ending.SPENT, None)
    assert (second.ending, second.left_kg) == (Ending.IN_USE, None)


def test_without_use_a_charge_is_never_empty() -> None:
    """It stays until the shift ends, and keeps its mass."""
    (only,) = stays(
        shift_s=HOUR_S,
        first_life_s=inf,
        life_s=inf,
        first_kg=0.03,
        fill_kg=0.03,
        use_kg_per_s=0.0,
        wait_s=600.0,
    )
    assert (only.ending, only.left_kg) == (Ending.IN_USE, 0.03)


def test_a_shift_of_nonsense_ends() -> None:
    """Charges that are spent faster than they warm are counted to a limit."""
    found = stays(
        shift_s=8 * HOUR_S,
        first_life_s=1.0,
        life_s=1.0,
        first_kg=0.03,
        fill_kg=0.03,
        use_kg_per_s=4e-6,
        wait_s=600.0,
    )
    assert len(found) == MOST_CHARGES
    assert found[-1].left_kg == 0.03


@SAME
@given(
    st.floats(HOUR_S, DAY_S),
    st.floats(600.0, DAY_S),
    st.floats(0.005, 0.5),
    st.floats(1e-6, 2e-5),
    st.floats(0.0, 3000.0),
)
def test_the_charges_of_a_shift_leave_no_time_and_no_mass_out(
    shift_s: float, life_s: float, fill_kg: float, use_kg_per_s: float, wait_s: float
) -> None:
    """They follow one another to the end, and what is missing of each was used while warm."""
    found = stays(
        shift_s=shift_s,
        first_life_s=life_s,
        life_s=life_s,
        first_kg=fill_kg,
        fill_kg=fill_kg,
        use_kg_per_s=use_kg_per_s,
        wait_s=wait_s,
    )
    assert [stay.loaded_s for stay in found] == [0.0, *(stay.out_s for stay in found[:-1])]
    assert found[-1].out_s == shift_s or len(found) == MOST_CHARGES
    for stay in found:
        assert stay.loaded_s <= stay.warm_s <= stay.out_s
        assert stay.left_kg is not None
        used_kg = use_kg_per_s * (stay.out_s - stay.warm_s)
        assert fill_kg - stay.left_kg == pytest.approx(used_kg, abs=1e-9)


def test_the_usual_containers_hold_what_they_are_called() -> None:
    """Each is longer than wide and not a needle: content over the area of its radius.

    Source: by hand; lengths of 5 to 18 cm are common practice, no source.
    """
    for content_cc, radius_m in CONTAINERS.items():
        length_m = content_cc * 1e-6 / (3.14159 * radius_m**2)
        assert 0.05 < length_m < 0.18, content_cc


def followed(
    *,
    fill_kg: float,
    life_s: float,
    use_kg_per_s: float,
    day_s: float,
    wait_s: float,
    morning_s: float,
    days: int,
) -> tuple[float, float, float]:
    """Changes a day, unused share and waiting share of a cell followed minute by minute."""
    changes, thrown_kg, waited_s = 0, 0.0, 0.0
    mass_kg, hot_s, owed_s = fill_kg, 0.0, 0.0
    for _ in range(days):
        owed_s += morning_s
        for _ in range(round(day_s / MINUTE_S)):
            hot_s += MINUTE_S
            waiting_s = min(owed_s, MINUTE_S)
            owed_s -= waiting_s
            waited_s += waiting_s
            mass_kg -= use_kg_per_s * (MINUTE_S - waiting_s)
            if mass_kg <= 0.0 or hot_s >= life_s:
                changes += 1
                thrown_kg += max(mass_kg, 0.0)
                mass_kg, hot_s, owed_s = fill_kg, 0.0, owed_s + wait_s
    return changes / days, thrown_kg / (changes * fill_kg), waited_s / (days * day_s)


@pytest.mark.parametrize(
    ("fill_kg", "life_h", "day_h", "wait_min", "morning_min"),
    [
        (0.011, 38.0, 8.0, 4.0, 15.0),
        (0.033, 8.0, 16.0, 20.0, 25.0),
        (0.33, 8.0, 8.0, 60.0, 90.0),
        (0.33, 30.0, 8.0, 60.0, 90.0),
        (0.33, 8.0, 24.0, 60.0, 0.0),
    ],
)
def test_averages_are_those_of_a_cell_followed_for_a_year(
    fill_kg: float, life_h: float, day_h: float, wait_min: float, morning_min: float
) -> None:
    """Changes, waste and waiting are what a year comes to, minute by minute.

    Source: the same rules followed step by step.
    """
    given_numbers = {
        "fill_kg": fill_kg,
        "life_s": life_h * HOUR_S,
        "use_kg_per_s": 4e-6,
        "day_s": day_h * HOUR_S,
        "wait_s": wait_min * MINUTE_S,
        "morning_s": morning_min * MINUTE_S,
    }
    changes, unused, waiting = followed(**given_numbers, days=365)
    average = lot(**given_numbers)
    assert average.changes_per_day == pytest.approx(changes, rel=0.02)
    assert average.unused_share == pytest.approx(unused, abs=0.02)
    assert average.waiting_share == pytest.approx(waiting, abs=0.01)


@SAME
@given(
    st.floats(0.005, 0.5),
    st.floats(HOUR_S, 50 * HOUR_S),
    st.floats(1e-6, 2e-5),
    st.floats(4 * HOUR_S, DAY_S),
    st.tuples(st.floats(0.0, 2 * HOUR_S), st.floats(0.0, 2 * HOUR_S)),
)
def test_what_a_lot_uses_is_what_its_charges_give(
    fill_kg: float,
    life_s: float,
    use_kg_per_s: float,
    day_s: float,
    waits_s: tuple[float, float],
) -> None:
    """A day's use while producing is a day's charges less what is thrown away."""
    wait_s, morning_s = waits_s
    one = lot(
        fill_kg=fill_kg,
        life_s=life_s,
        use_kg_per_s=use_kg_per_s,
        day_s=day_s,
        wait_s=wait_s,
        morning_s=morning_s,
    )
    used_kg = use_kg_per_s * day_s * (1.0 - one.waiting_share)
    given_kg = one.changes_per_day * fill_kg * (1.0 - one.unused_share)
    assert used_kg == pytest.approx(given_kg, rel=1e-9, abs=1e-12)
    assert -1e-12 <= one.unused_share <= 1.0
    assert 0.0 <= one.waiting_share <= 1.0
    assert one.stay_s <= life_s
    assert one.kept_share == (1.0 - one.unused_share) * (1.0 - one.waiting_share)


def test_a_charge_that_is_spent_before_it_is_warm_gives_nothing() -> None:
    """All of it is thrown away, and all of the time waits."""
    one = lot(
        fill_kg=0.33,
        life_s=HOUR_S,
        use_kg_per_s=4e-6,
        day_s=8 * HOUR_S,
        wait_s=2 * HOUR_S,
        morning_s=0.0,
    )
    assert one == Lot(HOUR_S, True, 8.0, 1.0, 1.0)
    assert one.kept_share == 0.0


def test_a_morning_longer_than_the_day_leaves_nothing() -> None:
    """A charge that never ages is then never empty either."""
    one = lot(
        fill_kg=0.33,
        life_s=inf,
        use_kg_per_s=4e-6,
        day_s=HOUR_S,
        wait_s=0.0,
        morning_s=2 * HOUR_S,
    )
    assert (one.stay_s, one.changes_per_day, one.waiting_share) == (inf, 0.0, 1.0)


@pytest.mark.parametrize(
    ("age_h", "use_kg_per_s", "spent_h"),
    [(0.0, 1e-4, 4.718), (4.0, 1e-4, 0.0), (0.0, 1e-3, None), (0.0, 1e-5, 4.059)],
)
def test_how_a_tank_ages_over_a_shift(
    age_h: float, use_kg_per_s: float, spent_h: float | None
) -> None:
    """Course and settling are those of the age balance, and so is the moment of being spent.

    Source: d(age)/dt = 1 - age/tau by scipy's solver. The moments by hand, tau ln(tau/(tau - 4 h))
    with tau = 5 kg over the use.
    """
    course = tank_age(
        age_h * HOUR_S,
        rate=1.0,
        shift_s=8 * HOUR_S,
        mass_kg=5.0,
        use_kg_per_s=use_kg_per_s,
        pot_life_s=4 * HOUR_S,
    )
    tau_s = 5.0 / use_kg_per_s
    assert course.residence_s == course.settles_s == pytest.approx(tau_s)
    solved = solve_ivp(
        lambda _, age_s: 1.0 - age_s / tau_s,
        (0.0, 8 * HOUR_S),
        [age_h * HOUR_S],
        t_eval=course.at_s,
        rtol=1e-9,
        atol=1e-6,
    )
    assert course.age_s == pytest.approx(solved.y[0].tolist(), rel=1e-6, abs=1e-3)
    if spent_h is None:
        assert course.spent_in_s is None
    else:
        assert course.spent_in_s is not None
        assert course.spent_in_s / HOUR_S == pytest.approx(spent_h, abs=0.001)


@pytest.mark.parametrize(("delay_s", "older"), [(0.0, 0.135335), (300.0, 0.159880)])
def test_how_much_of_a_tanks_melt_is_too_old(delay_s: float, older: float) -> None:
    """300 g at 10 g/min and a limit of an hour, without and with a hose behind.

    Source: O. Levenspiel, Chemical Reaction Engineering, 3rd ed. (1999), ch. 11 and 12, from
    memory: exp(-2) and exp(-55/30).
    """
    fill = tank_fill(
        mass_kg=0.3,
        use_kg_per_s=0.01 / MINUTE_S,
        delay_s=delay_s,
        life_s=HOUR_S,
        rate=2.0,
        pot_life_s=2 * HOUR_S,
    )
    assert fill.older_share == pytest.approx(older, abs=1e-6)
    assert fill.residence_s == pytest.approx(1800.0)
    assert fill.settled_share == pytest.approx(0.5)
