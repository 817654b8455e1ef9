"""What every answer is made of: words for numbers, what is missing, what JSON can say."""

from __future__ import annotations

import doctest
import json
from dataclasses import replace
from math import inf

import pytest

from app.plan.plant import HOUSING_7, LENS_4, SILICONE, SYRINGE, charged, told, unknown
from watchedpot.app.plan import answer
from watchedpot.app.plan.answer import (
    Answer,
    Known,
    Use,
    allowance_text,
    known,
    mass_text,
    nowhere,
    prose,
    share_text,
    spent_text,
    time_text,
)
from watchedpot.app.plan.drawing import WIDTH
from watchedpot.core.dose import Dose
from watchedpot.core.whatif import HORIZON_S, Wall


def lens_4(**changes: object) -> Known:
    """What is known of the syringe, its zone changed."""
    found = known(told(LENS_4, "syringe", **changes))
    assert found is not None
    return found


def test_the_examples_run() -> None:
    """Each gives what it says."""
    result = doctest.testmod(answer)
    assert result.failed == 0
    assert result.attempted > 0


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (None, "over a day"),
        (0.0, "0 min"),
        (59.9, "under 1 min"),
        (89.0, "1 min"),
        (7190.0, "120 min"),
        (7200.0, "2 h"),
        (82_560.0, "22.9 h"),
        (172_800.0, "2 days"),
    ],
)
def test_a_duration_has_no_more_digits_than_a_person_would_say(
    duration_s: float | None, text: str
) -> None:
    """Whole minutes, then tenths of hours, then whole days."""
    assert time_text(duration_s) == text


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (None, "over a day"),
        (1.0, "5 min"),
        (300.0, "5 min"),
        (301.0, "10 min"),
        (7201.0, "2 h 05 min"),
    ],
)
def test_what_to_allow_is_never_less(duration_s: float | None, text: str) -> None:
    """Durations are rounded up to five minutes."""
    assert allowance_text(duration_s) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"),
        (0.004, "under 1 %"),
        (0.5, "50 %"),
        (0.9999, "over 99 %"),
        (1.0, "100 %"),
        (1.93, "193 %"),
    ],
)
def test_a_share_is_nothing_or_all_only_when_it_is(share: float, text: str) -> None:
    """Rounding never makes something of nothing, or a rest disappear."""
    assert share_text(share) == text


@pytest.mark.parametrize(
    ("mass_kg", "text"),
    [(0.0, "0 g"), (0.0026, "2.6 g"), (0.0998, "100 g"), (0.33, "330 g"), (5.0, "5 kg")],
)
def test_a_mass_is_in_the_unit_of_its_scale(mass_kg: float, text: str) -> None:
    """Grams below a kilogram."""
    assert mass_text(mass_kg) == text


def test_a_life_without_end_is_not_a_number() -> None:
    """What never ages is never spent."""
    assert [spent_text(life_s) for life_s in (inf, 28_800.0, 0.0)] == [
        "never spent",
        "spent after 8 h",
        "spent already",
    ]


def test_prose_is_wrapped_between_numbers_and_units() -> None:
    """No line is too wide, and no number stands at an end without its unit."""
    lines = prose(*["It takes 4 min at 110 degC."] * 9)
    assert len(lines) > 1
    assert all(len(line) <= WIDTH and not line[-1].isdigit() for line in lines)
    assert " ".join(lines) == " ".join(["It takes 4 min at 110 degC."] * 9)


def test_an_answer_ends_with_what_is_missing_and_the_caution() -> None:
    """Title, lines, what is not known, caution; a part that was left out leaves no hole."""
    said = Answer("a b: what?", ("first", "", "", "last"), {}, ("the zone has no x", "no y"))
    assert said.text == (
        "a b: what?\n\nfirst\n\nlast\n\nNot known: the zone has no x.\nNot known: no y.\n\n"
        "An estimate, no safety device: your data sheet and a trial at the cell decide."
    )
    assert Answer("a", (), {}, ()).text.count("\n\n") == 1


def test_the_facts_are_plain() -> None:
    """Nouns become tables and what is without end becomes null, so that any program can read it."""
    said = Answer("a", (), {"walls": [Wall(1.0, 2.0)], "life_s": inf, "n": 3}, ("x",))
    plain = json.loads(json.dumps(said.plain, allow_nan=False))
    assert plain["walls"] == [{"start_c": 1.0, "end_c": 2.0, "lag_s": 0.0}]
    assert (plain["life_s"], plain["n"], plain["missing"]) == (None, 3, ["x"])
    assert "no safety device" in plain["caution"]


def test_a_cell_without_a_reservoir_has_no_charge_to_ask_about() -> None:
    """That is said, not raised."""
    cell = replace(LENS_4, zones=LENS_4.zones[1:])
    assert known(cell) is None
    assert nowhere(cell, "what?").missing == (
        "the cell has no tank, cartridge or syringe among its zones",
    )


def test_what_is_missing_is_said_once() -> None:
    """However often it is looked up, and with the key that would tell it."""
    found = known(charged(unknown(LENS_4, "syringe", "ageing"), fill_kg=None, flow_kg_per_s=None))
    assert found is not None
    for _ in range(2):
        assert found.ageing() is None
        assert found.fill_kg() is None
        assert found.use_kg_per_s(Use(None, duty=0.5)) is None
    assert found.missing == [
        "the material demo_silicone has no [materials.ageing]: no age",
        "[cells.charge] has no fill_g: not when a charge is empty",
        "[cells.charge] has no flow_mg_per_s: say it with --use-mg-per-s",
    ]


@pytest.mark.parametrize(("flow_kg_per_s", "mean_kg_per_s"), [(None, 1.6e-6), (10e-6, 4e-6)])
def test_the_mean_use_is_the_flow_while_dispensing_times_its_share(
    flow_kg_per_s: float | None, mean_kg_per_s: float
) -> None:
    """As configured, unless a person says otherwise."""
    mean = lens_4().use_kg_per_s(Use(flow_kg_per_s, duty=0.4))
    assert mean == pytest.approx(mean_kg_per_s)


def test_a_fresh_charge_brings_the_age_of_its_preheating() -> None:
    """Twenty minutes at 100 degC are 12 or 9 minutes at 110; without preheating there is none.

    Source: Arrhenius; factors 0.60 and 0.43 for 60 and 100 kJ/mol.
    """
    ageing = SILICONE.ageing
    assert ageing is not None
    fresh = lens_4().fresh(ageing)
    assert (fresh.low_ns / 6e10, fresh.high_ns / 6e10) == pytest.approx((12.1, 8.6), abs=0.1)
    cold = known(charged(LENS_4, preheat_c=None))
    assert cold is not None
    assert cold.fresh(ageing) == Dose()


def test_waiting_is_shorter_preheated_and_hot() -> None:
    """In the morning a cold charge warms up with its zone."""
    found = lens_4()
    assert 0.0 < found.wait_s(SYRINGE) < found.morning_s(SYRINGE, lag_s=180.0) < HORIZON_S
    assert found.missing == []


def test_a_zone_without_soak_rules_knows_no_waiting() -> None:
    """It is left out, and that is said."""
    found = lens_4(soak=None)
    assert found.wait_s(found.zone) == 0.0
    assert found.missing == ["the zone syringe has no [cells.zones.soak]: no time until warm"]


def test_a_charge_that_never_warms_is_counted_as_a_day() -> None:
    """And that is said."""
    found = lens_4(setpoint_c=None, low_c=90.0, high_c=100.0)
    assert found.wait_s(found.zone) == HORIZON_S
    assert found.missing == ["a charge is not warm within a day: one day is counted"]


def test_the_tank_is_the_reservoir_of_its_cell() -> None:
    """The first zone of a kind that holds a charge."""
    found = known(HOUSING_7)
    assert found is not None
    assert (found.zone.id, found.usual_c) == ("tank", 110.0)
