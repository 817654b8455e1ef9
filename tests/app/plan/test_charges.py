"""Charges and their use: the essential lines of the answers, and what is said where rules lack."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from app.plan.plant import (
    HOUSING_7,
    LENS_4,
    NOZZLE,
    charged,
    is_printable,
    row,
    told,
    unknown,
    words,
)
from watchedpot.app import plan
from watchedpot.app.plan import Answer, Use
from watchedpot.app.plan.charges import MOST_ROWS
from watchedpot.core.rules import CellRules
from watchedpot.core.supply import Ending, Stay, TankAge
from watchedpot.errors import ConfigError

HOUR_S = 3600.0


def shift(cell: CellRules, **changes: Any) -> Answer:
    """The answer to a shift of eight hours with a fresh, full charge, dispensing all the time."""
    options = {
        "shift_s": 8 * HOUR_S,
        "age_s": 0.0,
        "life_used": 0.0,
        "left_share": 1.0,
        "use": Use(None, duty=1.0),
    }
    return plan.shift(cell, **{**options, **changes})


def size(cell: CellRules, **changes: Any) -> Answer:
    """The answer for the usual containers in a cell that runs day and night at 4 mg/s."""
    options = {
        "sizes": "10,30,55,300",
        "day_s": 24 * HOUR_S,
        "use": Use(4e-6, duty=1.0),
        "lag_s": 180.0,
    }
    return plan.size(cell, **{**options, **changes})


def stays(answer: Answer) -> tuple[Stay, ...]:
    """The charges of a shift."""
    found = answer.facts["stays"]
    assert isinstance(found, tuple)
    return found


def test_a_shift_that_empties_its_charges() -> None:
    """33 g at 4 mg/s are empty after 2.3 h, and so are the next two; nothing is thrown away.

    Source: common practice, no source; 30 cc at 4 mg/s last 2.3 h.
    """
    answer = shift(LENS_4)
    assert answer.title == "lens_4 syringe: which changes in a shift of 8 h?"
    assert "Use: 4 mg/s while dispensing, 100 % of the time: 4 mg/s." in words(answer)
    assert row(answer, "1  ") == "0:00 2:20 empty 0 g (0 %)"
    assert " still in use " in row(answer, "4  ")
    assert "3 changes in the shift; nothing is thrown away." in answer.lines
    assert sum(line.endswith(" empty") for line in answer.lines) == 3
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_a_shift_that_meets_the_pot_life() -> None:
    """A charge three hours old, at a tenth of the use, is spent after five with 78 % in it.

    Source: by hand; 8 h - 3 h = 5 h, 5 h x 0.4 mg/s = 7.2 g of 33 g.
    """
    answer = shift(LENS_4, age_s=3 * HOUR_S, use=Use(None, duty=0.1))
    assert row(answer, "1  ") == "0:00 5:00 spent 26 g (78 %)"
    assert "1 change in the shift; 26 g thrown away as spent." in answer.lines
    assert "the one in use is spent after 5 h (38 % of its pot life gone)" in words(answer)
    (bar,) = (line for line in answer.lines if line.startswith("     2 |"))
    assert bar.lstrip(" 2|").startswith("~")


def test_an_age_can_be_told_as_a_share() -> None:
    """Three hours of eight are 37.5 %."""
    use = Use(None, duty=0.1)
    by_hours = shift(LENS_4, age_s=3 * HOUR_S, use=use)
    assert shift(LENS_4, life_used=0.375, use=use) == by_hours


def test_a_charge_that_is_half_empty_goes_in_half_the_time() -> None:
    """What it still holds is told as a share of a full one.

    Source: by hand; 16.5 g at 4 mg/s are 4125 s.
    """
    assert stays(shift(LENS_4, left_share=0.5))[0].out_s == pytest.approx(4125.0)


def test_more_charges_than_can_be_shown_are_counted() -> None:
    """The table and the picture stop, the sum does not."""
    answer = shift(LENS_4, use=Use(100e-6, duty=1.0))
    count = len(stays(answer))
    assert count > MOST_ROWS
    assert f"and {count - MOST_ROWS} more" in answer.lines
    assert f"{count - 1} changes in the shift; nothing is thrown away." in answer.lines


def test_a_shift_without_a_pot_life_goes_by_mass() -> None:
    """That no age is known is said."""
    answer = shift(unknown(LENS_4, "syringe", "ageing"))
    assert answer.missing == ("the material demo_silicone has no [materials.ageing]: no age",)
    assert stays(answer)[0].ending is Ending.EMPTY


def test_a_shift_without_a_mass_goes_by_the_pot_life() -> None:
    """That nothing is known of emptying is said, and what is thrown away has no mass."""
    answer = shift(charged(LENS_4, fill_kg=None), age_s=3 * HOUR_S)
    assert answer.missing == ("[cells.charge] has no fill_g: not when a charge is empty",)
    assert row(answer, "1  ") == "0:00 5:00 spent -"
    assert "1 change in the shift; what is left thrown away as spent." in answer.lines


def test_a_shift_without_use_goes_by_the_pot_life() -> None:
    """That no use is known is said, with the option that tells it."""
    answer = shift(charged(LENS_4, flow_kg_per_s=None), age_s=3 * HOUR_S)
    assert answer.missing == ("[cells.charge] has no flow_mg_per_s: say it with --use-mg-per-s",)
    assert row(answer, "1  ") == "0:00 5:00 spent 33 g (100 %)"


def test_a_shift_of_which_nothing_is_known_has_no_answer() -> None:
    """Neither pot life nor mass: only that is said."""
    answer = shift(charged(unknown(LENS_4, "syringe", "ageing"), fill_kg=None))
    assert answer.lines == ()
    assert len(answer.missing) == 2


def test_a_tank_that_is_fed_ages_towards_its_residence() -> None:
    """Half a kilogram at 30 mg/s stays 4.6 h: it settles at 58 % of a pot life of 8 h.

    Source: by hand; 0.5 kg / 30 mg/s = 4.63 h, 4.63 (1 - exp(-8/4.63)) = 3.81 h = 48 %.
    """
    answer = shift(HOUSING_7)
    assert answer.title == "housing_7 tank: how old does the melt become in a shift of 8 h?"
    assert "100 g every 56 min; melt stays 4.6 h on average." in words(answer)
    assert "0 % of the pot life now, 48 % at the end of the shift" in words(answer)
    assert "It never passes the pot life. It settles at 58 % of it." in words(answer)
    assert any(line.endswith("- spent") for line in answer.lines)
    assert isinstance(answer.facts["tank"], TankAge)
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_a_tank_that_is_too_big_passes_the_pot_life() -> None:
    """At 3 mg/s it stays 46 h and would settle at 5.8 pot lives.

    Source: by hand; 46.3 h / 8 h, and 46.3 ln((46.3 - 3)/(46.3 - 8)) = 5.7 h.
    """
    answer = shift(HOUSING_7, age_s=3 * HOUR_S, use=Use(None, duty=0.1))
    said = "It passes the pot life after 5.7 h. It would settle at 5.8 times the pot life."
    assert said in words(answer)


@pytest.mark.parametrize("lack", ["ageing", "fill", "use"])
def test_a_tank_without_age_mass_or_use_has_no_answer(lack: str) -> None:
    """Each is needed, for a shift and for the filling; what is missing is said."""
    cell = {
        "ageing": unknown(HOUSING_7, "tank", "ageing"),
        "fill": charged(HOUSING_7, fill_kg=None),
        "use": charged(HOUSING_7, flow_kg_per_s=None),
    }[lack]
    for answer in (shift(cell), size(cell, use=Use(None, duty=1.0))):
        assert answer.lines == ()
        assert len(answer.missing) == 1


def test_a_tank_that_is_not_refilled_is_a_charge() -> None:
    """Without refill_g it is used up and changed as a whole."""
    answer = shift(charged(HOUSING_7, refill_kg=None))
    assert stays(answer)[0].ending is Ending.EMPTY


def test_the_big_pack_is_spent_two_thirds_full() -> None:
    """At 4 mg/s day and night 300 cc are spent after 8 h with 65 % left, more while they warm up.

    Source: common practice, no source; 330 g / 4 mg/s = 22.9 h, 1 - 8/22.9 = 0.65.
    """
    cold = charged(LENS_4, preheat_c=None)
    at_once = size(told(cold, "syringe", soak=None))
    assert row(at_once, "  300 cc") == "330 g 8 h spent 3.0 65 % 0 % 35 %"
    assert at_once.missing == ("the zone syringe has no [cells.zones.soak]: no time until warm",)
    answer = size(cold)
    assert row(answer, "  300 cc").startswith("330 g 8 h spent 3.0")
    assert 65 < int(row(answer, "  300 cc").split()[6]) < 75
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_the_best_container_is_marked_with_its_reason() -> None:
    """Small ones wait too often, the big one is thrown away; the picture shows both."""
    answer = size(charged(LENS_4, preheat_c=None))
    assert answer.title == "lens_4 syringe: which container?"
    assert [line[:4] for line in answer.lines if line.startswith("* ")] == ["* 55", "* 55"]
    assert "* 55 cc keeps most: 0 % of the adhesive is thrown away, 7 % of the time" in words(
        answer
    )
    assert answer.facts["best_cc"] == 55.0
    bars = {line[:7].strip(): line.split("|")[1:3] for line in answer.lines if line[7:9] == " |"}
    assert [bars[cc][0].count("#") for cc in ("10", "30", "55")] == [0, 0, 0]
    assert bars["300"][0].count("#") > 15
    assert bars["10"][1].count("#") > bars["55"][1].count("#")


def test_as_good_as_the_best_with_fewer_changes_is_better() -> None:
    """With preheated charges all small ones keep nearly all; the largest of them is taken."""
    answer = size(LENS_4, day_s=8 * HOUR_S)
    assert "* 55 cc keeps as good as the most (94 %) with the fewest changes" in words(answer)
    assert "The cell runs 8 h a day and is cold in between" in words(answer)


def test_a_container_of_ones_own_needs_its_radius() -> None:
    """It stands beside the content, and goes before the usual one."""
    answer = size(LENS_4, sizes="80:15,300:20")
    lots = answer.facts["lots"]
    assert isinstance(lots, list)
    assert [(lot["content_cc"], lot["radius_m"]) for lot in lots] == [(80.0, 0.015), (300.0, 0.02)]


@pytest.mark.parametrize(
    ("sizes", "fault"),
    [
        ("30,80", "expected one of 10, 30, 55, 300, or a radius as in 80:15, got '80'"),
        ("30,big", "expected cc, or cc:mm with the inner radius, got 'big'"),
        ("80:wide", "expected cc, or cc:mm with the inner radius, got '80:wide'"),
        ("-30:11", "expected cc, or cc:mm with the inner radius, got '-30:11'"),
        ("30:0", "expected cc, or cc:mm with the inner radius, got '30:0'"),
        ("nan:5", "expected cc, or cc:mm with the inner radius, got 'nan:5'"),
        ("", "expected cc, or cc:mm with the inner radius, got ''"),
    ],
)
def test_a_size_that_cannot_be_is_refused(sizes: str, fault: str) -> None:
    """The text that was given is shown with what was expected."""
    with pytest.raises(ConfigError) as caught:
        size(LENS_4, sizes=sizes)
    assert fault in str(caught.value)


def test_charges_that_are_spent_before_they_are_warm_are_no_choice() -> None:
    """With a pot life of minutes nothing is kept of any."""
    zone = LENS_4.zones[0]
    assert zone.material.ageing is not None
    hasty = replace(zone.material, ageing=replace(zone.material.ageing, pot_life_s=120.0))
    answer = size(charged(told(LENS_4, "syringe", material=hasty), preheat_c=None))
    assert "None of these: each is spent before it is warm." in answer.lines


def test_a_preheating_that_uses_up_the_pot_life_is_said() -> None:
    """There is no size to compare then."""
    answer = size(charged(LENS_4, preheat_s=40 * HOUR_S))
    assert answer.missing == ("the usual preheating alone uses up the pot life",)


@pytest.mark.parametrize("lack", ["density", "use"])
def test_without_density_or_use_there_is_no_size(lack: str) -> None:
    """A content is no mass without a density, and lasts for ever without use."""
    cell = unknown(LENS_4, "syringe", "thermal") if lack == "density" else LENS_4
    use = Use(4e-6, duty=1.0)
    if lack == "use":
        cell, use = charged(LENS_4, flow_kg_per_s=None), Use(None, duty=1.0)
    answer = size(cell, use=use)
    assert answer.lines == ()
    assert len(answer.missing) == 1


def test_without_a_pot_life_the_largest_waits_least() -> None:
    """Nothing is thrown away, and that no age is known is said."""
    answer = size(unknown(charged(LENS_4, preheat_c=None), "syringe", "ageing"), sizes="30,300")
    assert "a fresh charge is never spent" in words(answer)
    assert answer.missing == ("the material demo_silicone has no [materials.ageing]: no age",)


def test_how_full_a_tank_should_be() -> None:
    """Less in the tank is younger melt; the hose adds its delay.

    Source: by hand; 22 g in the hose at 4 mg/s are 92 min, exp(-(8 - 1.53)/34.7) = 83 %, and 5 %
    need (8 - 1.53) h / 3.0 x 4 mg/s = 31 g.
    """
    answer = size(HOUSING_7)
    assert answer.title == "housing_7 tank: how full should the tank be?"
    assert "the hose holds it for 92 min more" in words(answer)
    assert row(answer, "100 % ") == "500 g 34.7 h 4.3 pot lives 83 %"
    assert row(answer, "25 %  ") == "125 g 8.7 h 1.1 pot lives 47 %"
    assert "Only 31 g in it would keep that to 5 % at this use: the tank is too large for it." in (
        words(answer)
    )
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_a_tank_may_be_kept_lower_or_full() -> None:
    """At a larger use less in the tank would do, at a still larger one it can be full.

    Source: by hand; at 30 mg/s the hose takes 12 min, and 7.8 h / 3.0 x 30 mg/s = 281 g.
    """
    lower = words(size(HOUSING_7, use=Use(30e-6, duty=1.0)))
    assert (
        "Less in the tank is younger melt: 281 g in it would keep that to 5 % at this use." in lower
    )
    full = words(size(HOUSING_7, use=Use(100e-6, duty=1.0)))
    assert "Even when it is full, only under 1 % is delivered too old." in full


def test_a_hose_can_be_too_long_for_any_tank() -> None:
    """Where it alone holds the melt for longer than the pot life."""
    answer = size(HOUSING_7, use=Use(0.5e-6, duty=1.0))
    assert "The hose alone holds the melt for longer than its pot life." in answer.lines


def test_a_hose_of_which_nothing_is_known_is_said() -> None:
    """Its delay is left out, with the key that would tell it."""
    assert size(told(HOUSING_7, "hose", hold_up_m3=None)).missing == (
        "the zone hose has no hold_up_ml: no delay of the hose",
    )
    assert size(unknown(HOUSING_7, "hose", "thermal")).missing == (
        "the material demo_silicone has no [materials.thermal]: no density",
    )


@pytest.mark.parametrize("ask", [shift, size])
def test_a_cell_with_a_nozzle_only_has_no_charge(ask: object) -> None:
    """That is said of either question."""
    assert callable(ask)
    answer = ask(replace(LENS_4, zones=(NOZZLE,)))
    assert answer.missing == ("the cell has no tank, cartridge or syringe among its zones",)
