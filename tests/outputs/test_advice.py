"""One line for what to do with a cell, one for its charge, one for each tip."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outputs.samples import CHARGE, CORE, NO_HEAT, TIP, make_cell
from watchedpot.core.model import Quality, Reason
from watchedpot.core.snapshot import (
    Advice,
    AdviceSnapshot,
    CellSnapshot,
    ChargeSnapshot,
    ChargeState,
    TipSnapshot,
    Why,
    ZoneSnapshot,
)
from watchedpot.outputs.advice import (
    advice_sentence,
    charge_sentence,
    outdated_sentence,
    tip_sentence,
    unknown_sentence,
)

NEWEST = "13:26:39"
"""Time of day of the newest row of the sample."""

SOAKING_CORE = replace(CORE, centre_c=71.2, is_soaked=False, ready_in_s=720.0)
COLD_TIP = replace(TIP, temp_c=98.4)


def advised(
    advice: Advice, why: Why, zone: str = "", *, ready_in_s: float | None = None
) -> CellSnapshot:
    """Cell with an advice."""
    return replace(make_cell(), advice=AdviceSnapshot(advice, why, zone, ready_in_s))


def with_zone(cell: CellSnapshot, zone: ZoneSnapshot) -> CellSnapshot:
    """Cell in which the zone of that name is another."""
    return replace(cell, zones=tuple(zone if z.id == zone.id else z for z in cell.zones))


SYRINGE, NOZZLE = make_cell().zones
DEAD = AdviceSnapshot(Advice.HOLD, Why.NO_HEAT, "nozzle")
NAMELESS = replace(CHARGE, id=None)


@pytest.mark.parametrize(
    ("advice", "why", "zone", "expected"),
    [
        (
            Advice.CUT_HEAT,
            Why.OVER_CEILING,
            replace(NOZZLE, temp_c=131.25),
            "CUT HEAT: nozzle is at 131.2 degC, above the material's limit of 130.0 degC; hold "
            "dispensing, switch the heat off at the cell's own controls and keep away",
        ),
        (
            Advice.HOLD,
            Why.ZONE_COLD,
            NOZZLE,
            "HOLD: nozzle is at 114.3 degC, below its window of 115.0 to 126.0 degC; "
            "hold dispensing",
        ),
        (
            Advice.HOLD,
            Why.ZONE_COLD,
            replace(NOZZLE, temp_c=116.0, tip=COLD_TIP),
            "HOLD: the tip of nozzle is about 98 degC, below 105.0 degC; hold dispensing",
        ),
        (
            Advice.HOLD,
            Why.ZONE_COLD,
            replace(NOZZLE, temp_c=110.0, tip=COLD_TIP),
            "HOLD: nozzle is at 110.0 degC, below its window of 115.0 to 126.0 degC; "
            "hold dispensing",
        ),
        (
            Advice.HOLD,
            Why.ZONE_HOT,
            replace(SYRINGE, temp_c=127.0),
            "HOLD: syringe is at 127.0 degC, above its window of 115.0 to 126.0 degC; "
            "hold dispensing",
        ),
        (
            Advice.HOLD,
            Why.BUILT_UP,
            NOZZLE,
            "HOLD: adhesive has built up on nozzle, index 2.8 s; hold dispensing, then stop the "
            "cell, make it safe and wipe or purge the tip by its own procedure",
        ),
        (
            Advice.CHECK_SENSOR,
            Why.READING_BAD,
            replace(NOZZLE, temp_c=None, quality=Quality.BAD, reason=Reason.FILL_VALUE),
            "CHECK SENSOR: the reading of nozzle cannot be believed: it is the code for no sensor; "
            "hold dispensing and have a qualified person check the sensor and its wiring",
        ),
        (
            Advice.CHECK_SENSOR,
            Why.READING_BAD,
            replace(NOZZLE, temp_c=None, quality=Quality.BAD, reason=Reason.TEN_TIMES_TOO_LARGE),
            "CHECK SENSOR: the reading of nozzle cannot be believed: it is ten times too large; "
            "hold dispensing and have a qualified person check the scale of the channel, and "
            "whether the program of the controller was changed",
        ),
        (
            Advice.CHECK_DATA,
            Why.NOT_SEEN,
            replace(NOZZLE, temp_c=None, quality=Quality.STALE, reason=Reason.NOT_MOVING),
            "CHECK DATA: nozzle is not seen since 13:26:39: it is old, since the heartbeat or the "
            "time of the controller stands still; hold dispensing and check whether the program "
            "of the controller runs",
        ),
        (
            Advice.CHECK_DATA,
            Why.NOT_SEEN,
            replace(NOZZLE, temp_c=None, quality=Quality.MISSING),
            "CHECK DATA: nozzle is not seen since 13:26:39; hold dispensing and check that the "
            "cell's controller runs and that its network cable is plugged in",
        ),
        (
            Advice.CHECK_DATA,
            Why.NOT_SEEN,
            replace(NOZZLE, temp_c=None, last_good=None),
            "CHECK DATA: nozzle was never seen; hold dispensing and check that the "
            "cell's controller runs and that its network cable is plugged in",
        ),
        (
            Advice.WAIT,
            Why.OFF,
            replace(SYRINGE, temp_c=24.0),
            "WAIT: syringe is off at 24.0 degC",
        ),
        (
            Advice.WAIT,
            Why.COOLING,
            replace(SYRINGE, temp_c=80.1),
            "WAIT: syringe is cooling at 80.1 degC; its surfaces are still hot",
        ),
        (
            Advice.WAIT,
            Why.SETBACK,
            replace(SYRINGE, temp_c=90.0),
            "WAIT: syringe is in setback at 90.0 degC",
        ),
        (
            Advice.WAIT,
            Why.HEATING,
            replace(SYRINGE, temp_c=80.1),
            "WAIT: syringe is heating at 80.1 degC, its window begins at 115.0 degC",
        ),
        (
            Advice.PURGE_FIRST,
            Why.IDLE,
            NOZZLE,
            "PURGE FIRST: melt stood still in nozzle; purge it by the cell's own procedure",
        ),
    ],
)
def test_an_advice_names_its_zone_and_its_numbers(
    advice: Advice, why: Why, zone: ZoneSnapshot, expected: str
) -> None:
    """Cell, word, zone, what is, what it should be, what to do."""
    cell = with_zone(advised(advice, why, zone.id), zone)
    assert advice_sentence(cell) == f"lens_4: {expected}"


@pytest.mark.parametrize(
    ("why", "expected"),
    [
        (
            Why.SOAKING,
            "syringe is soaking; its wall is warm at 120.2 degC, the core about 71 of 105 degC; "
            "ready about 13:38 if the heat stays on",
        ),
        (
            Why.RECOVERING,
            "syringe is recovering from setback at 120.2 degC, the core about 71 of 105 degC; "
            "ready about 13:38 if the heat stays on",
        ),
        (
            Why.HEATING,
            "syringe is heating at 120.2 degC, its window begins at 115.0 degC; "
            "ready about 13:38 if the heat stays on",
        ),
    ],
)
def test_a_wait_has_its_forecast(why: Why, expected: str) -> None:
    """How far the core is and when it will do, where that is known."""
    cell = advised(Advice.WAIT, why, "syringe", ready_in_s=720.0)
    warm = with_zone(cell, replace(SYRINGE, core=SOAKING_CORE))
    assert advice_sentence(warm) == f"lens_4: WAIT: {expected}"


def test_a_soak_by_timer_tells_no_core() -> None:
    """Where the core is not computed, only the wall and the forecast are told."""
    core = replace(SOAKING_CORE, centre_c=None)
    cell = advised(Advice.WAIT, Why.SOAKING, "syringe", ready_in_s=None)
    assert advice_sentence(with_zone(cell, replace(SYRINGE, core=core))) == (
        "lens_4: WAIT: syringe is soaking; its wall is warm at 120.2 degC"
    )


@pytest.mark.parametrize(
    ("advice", "why", "charge", "expected"),
    [
        (Advice.RUN, Why.ALL_WELL, CHARGE, "RUN: every zone is ready and in its window"),
        (
            Advice.RUN,
            Why.NEAR_LIMIT,
            replace(CHARGE, life_used=0.82),
            "RUN: charge charge_0042 has used 82 % of its pot life; prepare the next one",
        ),
        (
            Advice.CHANGE_CHARGE,
            Why.SPENT,
            replace(CHARGE, life_used=1.04),
            "CHANGE CHARGE: charge charge_0042 has used 104 % of its pot life; change it",
        ),
        (
            Advice.CHANGE_CHARGE,
            Why.SPENT,
            replace(NAMELESS, life_used=None),
            "CHANGE CHARGE: charge has used all or most of its pot life; change it",
        ),
        (
            Advice.CHANGE_CHARGE,
            Why.OVERHEATED,
            CHARGE,
            "CHANGE CHARGE: charge charge_0042 was overheated; change it, or use it only after it "
            "has been released",
        ),
        (
            Advice.CHECK_DATA,
            Why.AGE_UNKNOWN,
            CHARGE,
            "CHECK DATA: the age of charge charge_0042 is not known; say when it was loaded, or "
            "change it",
        ),
        (
            Advice.PURGE_FIRST,
            Why.NEW_CHARGE,
            CHARGE,
            "PURGE FIRST: charge charge_0042 is new; purge what is left of the one before by the "
            "cell's own procedure",
        ),
    ],
)
def test_an_advice_about_the_charge_names_it(
    advice: Advice, why: Why, charge: ChargeSnapshot, expected: str
) -> None:
    """The charge by its id where it has one, with the share of its pot life."""
    assert advice_sentence(replace(advised(advice, why), charge=charge)) == f"lens_4: {expected}"


@pytest.mark.parametrize("why", Why)
@pytest.mark.parametrize("zone", ["", "syringe", "nozzle", "a zone that is gone"])
def test_every_reason_stands_with_nothing_known(why: Why, zone: str) -> None:
    """Nothing that is missing leaves a hole, a None, a nan or a stray separator."""
    for number in (None, float("nan"), float("inf")):
        cell = advised(Advice.HOLD, why, zone, ready_in_s=number)
        zones = tuple(
            replace(
                each,
                temp_c=number,
                last_good=None,
                core=each.core and replace(each.core, centre_c=number),
                tip=each.tip and replace(each.tip, temp_c=number, uncertainty_k=number),
            )
            for each in cell.zones
        )
        charge = replace(NAMELESS, life_used=number)
        text = advice_sentence(replace(cell, zones=zones, charge=charge))
        assert text.startswith("lens_4: HOLD: ")
        assert not re.search(r"None|nan\b|inf\b|[:;,]$|  | [;:,]|[;,] ?[;,]|\{|\}", text)


@pytest.mark.parametrize(
    ("charge", "expected"),
    [
        (
            CHARGE,
            "lens_4 charge charge_0042: 35 % of its pot life used; at this temperature expires "
            "about 15:31; empty about 16:46 at the mean use; so about 34 % would be left",
        ),
        (
            replace(CHARGE, estimated_share=0.12, left_at_expiry=0.0),
            "lens_4 charge charge_0042: 35 % of its pot life used; at this temperature expires "
            "about 15:31; empty about 16:46 at the mean use; so none would be left; the age is an "
            "estimate, 12 % of it was not seen",
        ),
        (
            replace(CHARGE, expires_in_s=None, empty_in_s=None, left_at_expiry=None),
            "lens_4 charge charge_0042: 35 % of its pot life used; when it expires is not known; "
            "when it is empty is not known",
        ),
        (
            replace(CHARGE, life_used=1.02, expires_in_s=0.0, left_at_expiry=0.4),
            "lens_4 charge charge_0042: 102 % of its pot life used; its pot life is gone; "
            "empty about 16:46 at the mean use; about 40 % is left",
        ),
        (
            replace(CHARGE, is_age_known=False, is_overheated=True),
            "lens_4 charge charge_0042: age not known, counted as 35 % of its pot life; when it "
            "expires is not known; empty about 16:46 at the mean use; it was overheated, use it "
            "only after it has been released",
        ),
        (
            replace(
                NAMELESS,
                pot_life_s=None,
                life_used=None,
                expires_in_s=None,
                left_at_expiry=None,
                empty_in_s=None,
            ),
            "lens_4 charge: age not known; when it is empty is not known",
        ),
        (
            replace(CHARGE, residence_s=7500.0, older_share=0.04),
            "lens_4 charge charge_0042: 35 % of its pot life used; at this temperature expires "
            "about 15:31; empty about 16:46 at the mean use; so about 34 % would be left; "
            "melt stays about 2 h 05 min in the tank, about 4 % of it is older than its pot life "
            "when delivered",
        ),
    ],
    ids=["all known", "empty before", "no outlook", "spent", "age unknown", "no pot life", "tank"],
)
def test_a_charge_has_its_age_and_its_outlook(charge: ChargeSnapshot, expected: str) -> None:
    """What is used, when it expires, when it is empty, what would be left, what was not seen."""
    assert charge_sentence(replace(make_cell(), charge=charge)) == expected


def test_an_age_seen_as_a_whole_is_not_called_an_estimate() -> None:
    """A hundredth that was not seen is left out, more than that is said."""
    at_limit = replace(make_cell(), charge=replace(CHARGE, estimated_share=0.01))
    beyond = replace(make_cell(), charge=replace(CHARGE, estimated_share=0.011))
    assert "not seen" not in charge_sentence(at_limit)
    assert "the age is an estimate, 1 % of it was not seen" in charge_sentence(beyond)


@pytest.mark.parametrize(
    ("tip", "expected"),
    [
        (None, "lens_4 nozzle: block only, the tip itself is not known"),
        (TIP, "lens_4 nozzle: tip about 110 +- 1 degC (from geometry)"),
        (
            replace(TIP, temp_c=104.6, uncertainty_k=1.2, is_measured=True),
            "lens_4 nozzle: tip about 105 +- 2 degC (from a measured offset), "
            "below its limit of 105.0 degC",
        ),
        (
            replace(TIP, uncertainty_k=None),
            "lens_4 nozzle: tip about 110 degC (from geometry)",
        ),
        (
            replace(TIP, temp_c=None, uncertainty_k=None),
            "lens_4 nozzle: tip not known, its block is not seen",
        ),
    ],
)
def test_a_tip_says_how_it_is_known(tip: TipSnapshot | None, expected: str) -> None:
    """By geometry or a measured offset, never surer than one kelvin, or not at all."""
    assert tip_sentence(replace(NOZZLE, tip=tip), cell="lens_4") == expected


@pytest.mark.parametrize("advice", Advice)
def test_an_outdated_cell_is_to_be_checked_whatever_its_last_advice(advice: Advice) -> None:
    """The last advice is told as such where it was worse, and never to run."""
    text = outdated_sentence(advised(advice, Why.ALL_WELL))
    assert text.startswith(f"lens_4: CHECK DATA: nothing new since {NEWEST}; hold dispensing")
    is_worse = advice in (Advice.CUT_HEAT, Advice.HOLD, Advice.CHECK_SENSOR)
    assert ("the last advice was" in text) is is_worse
    assert "RUN" not in text


def test_a_cell_not_read_yet_is_to_be_checked() -> None:
    """Of a cell without a snapshot nothing is known."""
    assert unknown_sentence("housing_7") == (
        "housing_7: CHECK DATA: nothing is known of it yet; hold dispensing"
    )


def test_the_id_of_a_charge_cannot_forge_a_line() -> None:
    """Whatever a controller sends as a name stays within its line."""
    charge = replace(CHARGE, id="41\nlens_4: RUN: every zone is ready\x1b[2J\udc80")
    for text in (
        charge_sentence(replace(make_cell(), charge=charge)),
        advice_sentence(replace(advised(Advice.CHANGE_CHARGE, Why.SPENT), charge=charge)),
    ):
        assert text.isprintable()


MAYBE = st.none() | st.floats()


@given(
    charge=st.builds(
        ChargeSnapshot,
        id=st.none() | st.text(),
        state=st.sampled_from(ChargeState),
        loaded=st.none(),
        is_age_known=st.booleans(),
        is_overheated=st.booleans(),
        **dict.fromkeys(
            (
                *("dose_low_s", "dose_high_s", "pot_life_s", "life_used", "estimated_share"),
                *("expires_in_s", "mass_kg", "empty_in_s", "left_at_expiry"),
                *("residence_s", "older_share"),
            ),
            MAYBE,
        ),
    )
)
def test_no_charge_of_any_kind_stops_a_sentence(charge: ChargeSnapshot) -> None:
    """Every charge can be told on one line, whatever its figures are."""
    text = charge_sentence(replace(make_cell(), charge=charge))
    assert text.isprintable()
    assert "None" not in text.replace(charge.id or "no id", "")


def test_the_words_stay_calm_and_safe() -> None:
    """No line blames, shouts, or asks for more heat."""
    told = [
        advice_sentence(advised(advice, why, zone, ready_in_s=60.0))
        for advice in Advice
        for why in Why
        for zone in ("", "syringe", "nozzle")
    ]
    told += [outdated_sentence(advised(advice, Why.ALL_WELL)) for advice in Advice]
    told += [charge_sentence(make_cell()), unknown_sentence("lens_4")]
    loud = re.compile(
        r"fail|invalid|fault|mistake|forgot|please|!|bypass|rais|hotter|setpoint|reach",
        re.IGNORECASE,
    )
    assert [text for text in told if loud.search(text)] == []


def test_a_cause_is_told_in_short() -> None:
    """Where, what is likely and how sure, what to do first; the evidence stands beside it."""
    dead = replace(make_cell(), advice=DEAD, findings=(NO_HEAT,))
    told = "nozzle: likely no power reaches its heater (84 %). "
    assert advice_sentence(dead).endswith(told + NO_HEAT.first_action)
    over = replace(dead, findings=(replace(NO_HEAT, ended=NO_HEAT.told),))
    assert "something is wrong at nozzle" in advice_sentence(over)
