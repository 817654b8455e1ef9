"""The rules: what they say of signs, and what they may never say."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchedpot.core.causes import (
    ACTIONS,
    COURSE_RULES,
    DATA_RULES,
    HEAT_RULES,
    MOST_CANDIDATES,
    Rule,
    mask_of,
    named,
    numbers,
    rank,
)
from watchedpot.core.signs import Sign
from watchedpot.core.snapshot import Cause, Severity

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=300)
RULES = (*HEAT_RULES, *DATA_RULES, *COURSE_RULES)
FIGURES = {
    "temp_c": 116.2,
    "setpoint_c": 120.0,
    "room_c": 23.0,
    "off_k": -3.8,
    "short_rate": -0.09,
    "long_rate": -0.09,
    "output": 100.0,
    "short_output": 99.0,
    "long_output": 90.0,
    "need": 22.0,
    "cooling": 0.1,
    "short_arrives": 2.0,
    "long_arrives": 2.0,
    "fallen_k": -0.5,
    "still_s": 1.0,
    "out_still_s": 1.0,
    "is_seen": 1.0,
}
TABLES = pytest.mark.parametrize("rules", [HEAT_RULES, DATA_RULES, COURSE_RULES])


def certainties(mask: int) -> dict[Cause, float]:
    """How sure each cause is by the signs of a mask."""
    found = rank(HEAT_RULES, mask, FIGURES)
    return {} if found is None else {c.cause: c.certainty for c in found.candidates}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: f"{rule.cause}-{mask_of(rule.needs):x}")
def test_each_row_speaks_where_its_signs_are(rule: Rule) -> None:
    """Every row lists its cause for its signs, with its text filled in, and not without them."""
    table = next(t for t in (HEAT_RULES, DATA_RULES, COURSE_RULES) if rule in t)
    mask = rule.need_mask | Sign.OUTPUT_READ.bit
    if rule.unless_mask & Sign.OUTPUT_READ.bit:
        mask = rule.need_mask
    alone = rank((rule,), mask, FIGURES)
    assert alone is not None
    assert alone.candidates[0].cause is rule.cause
    assert alone.severity is rule.severity
    assert not re.search(r"[{}]|nan", alone.candidates[0].speaks_for[0])
    assert rank((rule,), 0, FIGURES) is None
    for excluded in rule.unless:
        assert rank((rule,), mask | excluded.bit, FIGURES) is None
    assert rank(table, mask, FIGURES) is not None


@TABLES
@SAME
@given(mask=st.integers(0, 2 ** len(Sign) - 1))
def test_certainties_are_shares(rules: tuple[Rule, ...], mask: int) -> None:
    """Whatever the signs, at most five causes, the likeliest first, in all less than one."""
    found = rank(rules, mask, FIGURES)
    if found is None:
        return
    shares = [candidate.certainty for candidate in found.candidates]
    assert 1 <= len(shares) <= MOST_CANDIDATES
    assert shares == sorted(shares, reverse=True)
    assert 0.0 < sum(shares) < 1.0
    assert len({candidate.cause for candidate in found.candidates}) == len(shares)


@SAME
@given(mask=st.integers(0, 2 ** len(Sign) - 1))
def test_a_fall_that_no_zone_can_make_is_never_a_dead_heater(mask: int) -> None:
    """With the sign of a fallen sensor no set of other signs makes no heat the surer of the two."""
    mask = (mask | Sign.FALLEN.bit) & ~Sign.OFF.bit
    sure = certainties(mask)
    assert sure.get(Cause.NO_HEAT, 0.0) <= sure.get(Cause.SENSOR_LOW, 0.0)


@SAME
@given(mask=st.integers(0, 2 ** len(Sign) - 1))
def test_only_a_fall_like_natural_cooling_makes_a_dead_heater_surer(mask: int) -> None:
    """Without that match a reading that falls against output is rather a sensor than a heater."""
    falling = Sign.STARVED.bit | Sign.OUTPUT_READ.bit
    free = ~(Sign.COOLS.bit | Sign.OFF.bit | Sign.STARVED_LONG.bit)
    sure = certainties((mask & free) | falling)
    assert sure.get(Cause.NO_HEAT, 0.0) <= sure.get(Cause.SENSOR_LOW, 0.0) + 1e-9 or (
        # The list is cut to five: then neither may be in it.
        Cause.SENSOR_LOW not in sure and Cause.NO_HEAT not in sure
    )


def test_without_output_the_unknown_weighs_more() -> None:
    """The same signs are less sure where the heater output is not read."""
    mask = Sign.FALLEN.bit
    assert (
        certainties(mask)[Cause.SENSOR_LOW]
        < certainties(mask | Sign.OUTPUT_READ.bit)[Cause.SENSOR_LOW]
    )


def test_what_it_was_taken_for_weighs_more() -> None:
    """Of two causes that are as likely the one that was told stays."""
    mask = Sign.NO_RISE.bit | Sign.OUTPUT_READ.bit
    first = rank(HEAT_RULES, mask, FIGURES)
    kept = rank(HEAT_RULES, mask, FIGURES, Cause.NO_HEAT)
    assert first is not None
    assert kept is not None
    assert first.candidates[0].cause is Cause.SENSOR_LOW
    assert kept.candidates[0].cause is Cause.NO_HEAT


def test_what_speaks_against_is_told() -> None:
    """A sign that makes a cause less likely is among what speaks against it."""
    mask = mask_of((Sign.STARVED, Sign.COOLS, Sign.OUTPUT_READ))
    found = rank(HEAT_RULES, mask, FIGURES)
    assert found is not None
    sensor = next(c for c in found.candidates if c.cause is Cause.SENSOR_LOW)
    assert sensor.speaks_against == ("the fall matches natural cooling, 0.10 K/s",)


def test_a_dip_of_an_opened_reservoir_is_no_slipped_sensor() -> None:
    """What fell for longer than a sensor slips is a charge that was changed, also afterwards."""
    dip = (Sign.DIPPED, Sign.BACK, Sign.PRODUCING, Sign.PACK, Sign.OUTPUT_READ)
    slipped, opened = certainties(mask_of(dip)), certainties(mask_of((*dip, Sign.OPENED)))
    assert max(slipped, key=lambda cause: slipped[cause]) is Cause.SENSOR_SLIPPED
    assert max(opened, key=lambda cause: opened[cause]) is Cause.CHARGE_CHANGE
    assert opened[Cause.SENSOR_SLIPPED] < slipped[Cause.SENSOR_SLIPPED] / 3.0


def test_more_output_since_it_was_cold_may_be_the_sensor() -> None:
    """More output that came in operation is rather a draft, with one's return from the cold not."""
    more = (Sign.MORE, Sign.MORE_SETTLED, Sign.OUTPUT_READ)
    warm = rank(HEAT_RULES, mask_of(more), FIGURES)
    cold = rank(HEAT_RULES, mask_of((*more, Sign.COLD_BEFORE)), FIGURES, Cause.DRAFT)
    assert warm is not None
    assert cold is not None
    assert warm.candidates[0].cause is Cause.DRAFT
    assert (cold.candidates[0].cause, cold.severity) == (Cause.SENSOR_LOW, Severity.SOON)
    assert cold.candidates[1].cause is Cause.DRAFT


def test_what_comes_down_to_a_corrected_setpoint_has_not_overshot() -> None:
    """Above its setpoint because that was put right, it is on its way and nothing is wrong."""
    assert Cause.OVERSHOOT in certainties(mask_of((Sign.HIGH, Sign.OUTPUT_READ)))
    put_right = mask_of((Sign.HIGH, Sign.HOT_BEFORE, Sign.OUTPUT_READ))
    assert Cause.OVERSHOOT not in certainties(put_right)


def test_every_cause_has_a_first_action() -> None:
    """No cause is without something to do."""
    assert set(ACTIONS) == set(Cause)


@pytest.mark.parametrize("cause", Cause)
def test_no_action_asks_for_more_heat(cause: Cause) -> None:
    """Nobody is told to raise a setpoint or a temperature, least of all for a low reading."""
    assert not re.search(r"rais|increas|higher setpoint|turn up", ACTIONS[cause].lower())


@pytest.mark.parametrize("cause", [Cause.SENSOR_LOW, Cause.STUCK_ON])
def test_what_runs_away_is_isolated(cause: Cause) -> None:
    """The first action for heat that runs away is to isolate it and keep away."""
    assert re.search(r"solate the heater power", ACTIONS[cause])
    assert "keep away" in ACTIONS[cause]


def test_only_what_endangers_is_critical() -> None:
    """Critical are the causes by which a zone gets hotter than anyone sees or asks."""
    critical = {rule.cause for rule in RULES if rule.severity is Severity.CRITICAL}
    assert critical == {Cause.SENSOR_LOW, Cause.STUCK_ON, Cause.FROZEN_AT_CONTROLLER}


LOST = pytest.mark.parametrize("lost", [Sign.SENSOR, Sign.UNREADABLE])


def of_data(*signs: Sign) -> tuple[Cause, Severity]:
    """The likeliest cause of lost data, and how bad it is."""
    found = rank(DATA_RULES, mask_of((*signs, Sign.OUTPUT_READ)), FIGURES)
    assert found is not None
    return found.candidates[0].cause, found.severity


@LOST
def test_a_reading_that_is_lost_while_its_controller_pushes_may_run_away(lost: Sign) -> None:
    """No temperature and much output: heat flows and nobody sees it, which is critical."""
    assert of_data(lost, Sign.PUSHED, Sign.LIVE) == (Cause.SENSOR_LOW, Severity.CRITICAL)
    found = rank(DATA_RULES, mask_of((lost, Sign.PUSHED, Sign.OUTPUT_READ)), FIGURES)
    assert found is not None
    assert "answers with 99 % of output" in found.candidates[0].speaks_for[0]


@LOST
def test_a_reading_that_is_lost_while_its_controller_cuts_the_heat_is_broken(lost: Sign) -> None:
    """No temperature and no output: the zone cools, which is a hold and no more."""
    assert of_data(lost, Sign.NONE_ASKED) == (Cause.SENSOR_BREAK, Severity.HOLD)


@LOST
@pytest.mark.parametrize("meant", [Sign.HEATING, Sign.RECOVERING, Sign.STEPPED, Sign.OFF])
def test_much_output_that_is_meant_is_no_answer_to_a_lost_reading(lost: Sign, meant: Sign) -> None:
    """On its way up a zone gets much output anyhow: then nothing is critical."""
    cause, severity = of_data(lost, Sign.PUSHED, meant)
    assert (cause is Cause.SENSOR_LOW, severity) == (False, Severity.HOLD)


@pytest.mark.parametrize("way_up", [Sign.HEATING, Sign.RECOVERING, Sign.STEPPED])
def test_a_reading_out_of_range_on_the_way_up_is_rather_the_sensor(way_up: Sign) -> None:
    """Full output is usual there, whatever the controller reads: the scale is the next likely."""
    found = certainties_of_data(Sign.UNREADABLE, Sign.PUSHED, Sign.LIVE, way_up)
    assert list(found)[:2] == [Cause.SENSOR_BREAK, Cause.SCALE_OR_UNIT]
    assert found[Cause.SENSOR_BREAK] < 0.6


def certainties_of_data(*signs: Sign) -> dict[Cause, float]:
    """Each cause that the data rules list, the likeliest first."""
    found = rank(DATA_RULES, mask_of((*signs, Sign.OUTPUT_READ)), FIGURES)
    assert found is not None
    return {one.cause: one.certainty for one in found.candidates}


def test_a_reading_out_of_range_while_the_controller_goes_on_is_a_scale() -> None:
    """Its controller has another number: some output, and not much, is no run-away."""
    assert of_data(Sign.UNREADABLE, Sign.LIVE) == (Cause.SCALE_OR_UNIT, Severity.HOLD)


def test_numbers_are_words() -> None:
    """Temperature, slope and output as they stand, what is not known left out."""
    falling = "116.2 degC and falling 0.09 K/s, heater at 100 %"
    assert numbers(FIGURES, has_output=True) == falling
    assert numbers(FIGURES | {"short_rate": 0.2}, has_output=False) == (
        "116.2 degC and rising 0.20 K/s"
    )
    assert numbers(FIGURES | {"short_rate": float("nan")}, has_output=False) == "116.2 degC"
    assert numbers(FIGURES | {"is_seen": 0.0}, has_output=True) == "no reading"
    assert numbers(FIGURES | {"temp_c": float("nan")}, has_output=True) == "no reading"


def test_what_is_not_known_is_told_as_nothing() -> None:
    """A figure that is not known becomes 0 in a text, never nan."""
    words = named(dict.fromkeys(FIGURES, float("nan")))
    assert set(words.values()) == {0.0}
