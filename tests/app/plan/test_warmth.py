"""Warmth of a charge: the essential lines of the answers, and what is said where rules lack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from app.plan.plant import (
    HOUSING_7,
    LENS_4,
    NOZZLE,
    SILICONE,
    is_printable,
    row,
    told,
    unknown,
    words,
)
from watchedpot.app import plan
from watchedpot.app.plan import Answer
from watchedpot.core.rules import AgeingRules, CellRules
from watchedpot.core.whatif import Pause, WarmUp
from watchedpot.errors import ConfigError

LAG_S = 180.0


def ready(
    cell: CellRules,
    *,
    start_c: float | None = None,
    preheat: tuple[float, float] | None = None,
    lag_s: float = LAG_S,
) -> Answer:
    """The answer with the usual options."""
    return plan.ready(cell, start_c=start_c, preheat=preheat, lag_s=lag_s)


def setback(
    cell: CellRules,
    *,
    break_min: float = 45.0,
    setbacks_c: Sequence[float] = (),
    lag_s: float = LAG_S,
) -> Answer:
    """The answer with the usual options."""
    return plan.setback(cell, break_s=60.0 * break_min, setbacks_c=setbacks_c, lag_s=lag_s)


def warm_ups(answer: Answer) -> dict[str, WarmUp]:
    """The facts of an answer by the names of the charges."""
    cases = answer.facts["cases"]
    assert isinstance(cases, list)
    return {case["name"]: case["warm"] for case in cases}


def pauses(answer: Answer) -> list[Pause]:
    """The facts of an answer, without a setback first."""
    cases = answer.facts["cases"]
    assert isinstance(cases, list)
    return cases


def test_a_warm_up_of_a_syringe() -> None:
    """Four charges with three estimates each and what to allow, and a picture of the first.

    Source of 15 to 30 min for 30 cc: common practice, no source.
    """
    answer = ready(LENS_4)
    assert answer.title == "lens_4 syringe: when is a charge warm to the core?"
    assert row(answer, "charge") == "slowest best fastest allow"
    assert row(answer, "from 23 degC, with its zone") == "19 min 17 min 16 min 20 min"
    assert row(answer, "from 23 degC, in a hot zone") == "15 min 13 min 11 min 20 min"
    warmer = "20 min at 100 degC before, in a hot zone"
    assert row(answer, warmer) == "4 min 3 min 3 min 5 min"
    assert "has 102 degC, in a container of 11.3 mm inner radius." in words(answer)
    assert sum("- ready 102" in line for line in answer.lines) == 1
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_the_rows_are_what_the_core_computed() -> None:
    """The slowest estimate is the last, and what to allow is no less."""
    for name, warm in warm_ups(ready(LENS_4)).items():
        assert warm.slow_s is not None, name
        assert warm.best_s is not None, name
        assert warm.slow_s > warm.best_s


def test_a_person_can_tell_start_and_warmer() -> None:
    """They go before what is configured; a warmer costs its time but shortens the wait."""
    answer = ready(LENS_4, start_c=5.0, preheat=(80.0, 1800.0), lag_s=0.0)
    warm = warm_ups(answer)
    assert list(warm) == ["from 5 degC, in a hot zone", "30 min at 80 degC before, in a hot zone"]
    colder, warmer = (case.slow_s for case in warm.values())
    assert colder is not None
    assert warmer is not None
    assert colder > warmer
    assert "time constant" not in answer.text


def test_without_a_warmer_only_cold_charges_are_told() -> None:
    """Nothing is said of a preheating that is not usual."""
    cell = replace(LENS_4, charge=replace(LENS_4.charge, preheat_c=None))
    assert list(warm_ups(ready(cell))) == [
        "from 23 degC, with its zone",
        "from 23 degC, in a hot zone",
    ]


def test_a_warmer_above_the_ceiling_is_refused() -> None:
    """A charge that would come overheated is no answer."""
    with pytest.raises(ConfigError, match=r"at most the ceiling of 140 degC, got 150"):
        ready(LENS_4, preheat=(150.0, 600.0))


def test_a_tank_is_ready_by_its_timer() -> None:
    """One time instead of three, a bar instead of a curve, and preheating changes nothing.

    Source: 180 s x ln(87/6) = 8 min until 104 degC, then 40 min.
    """
    answer = ready(HOUSING_7, preheat=(80.0, 600.0))
    assert row(answer, "from 23 degC, with its zone") == "48 min 50 min"
    assert row(answer, "from 23 degC, in a hot zone") == "40 min 40 min"
    assert "Ready by a timer: 40 min in the window." in words(answer)
    (bar,) = (line for line in answer.lines if line.startswith("  tank |~"))
    assert bar.count("=") == pytest.approx(5 * bar.count("~"), abs=5)
    assert is_printable(answer)


def test_a_core_that_never_warms_is_said() -> None:
    """A setpoint below what the core must reach gives no time, by model or by timer."""
    cold = {"setpoint_c": 101.0}
    assert row(ready(told(LENS_4, "syringe", **cold)), "from 23 degC, with its zone").startswith(
        "over a day over a day"
    )
    answer = ready(told(HOUSING_7, "tank", **cold))
    assert row(answer, "from 23 degC, with its zone") == "over a day over a day"
    assert not any("~" in line for line in answer.lines)


def test_without_soak_rules_there_is_no_warm_up() -> None:
    """The answer says which table is missing, and nothing else."""
    answer = ready(told(LENS_4, "syringe", soak=None))
    assert answer.lines == ()
    assert answer.missing == (
        "the zone syringe has no [cells.zones.soak]: a warm wall counts as a warm core",
    )


@pytest.mark.parametrize("ask", [ready, setback])
def test_a_cell_with_a_nozzle_only_has_no_charge(ask: object) -> None:
    """That is said of either question."""
    assert callable(ask)
    answer = ask(replace(LENS_4, zones=(NOZZLE,)))
    assert answer.missing == ("the cell has no tank, cartridge or syringe among its zones",)
    assert is_printable(answer)


def test_a_break_shows_which_setback_pays() -> None:
    """Ages by both bounds, the stricter first; core, waiting, and what it comes to.

    Source of 45 min, 0.08 to 0.20 h and 0.75 h for 45 min: time x Arrhenius factor; at 90 degC
    0.35 x 45 = 16 min and more on the way down.
    """
    answer = setback(LENS_4)
    assert answer.title == "lens_4 syringe: what does a setback save in a break of 45 min?"
    assert row(answer, "a  none, 110 degC") == "45 min (45 min) 45 min - 110 degC 0 min"
    assert row(answer, "b  90 degC") == "17 min (10 min) 26 min 19 min 90 degC 11 min"
    assert row(answer, "c  70 degC") == "7 min (2 min) 17 min 28 min 70 degC 15 min"
    assert (
        "70 degC saves 28 min, 6 % of the pot life, for 15 min of waiting: it pays by time alone, "
        "best of these. Nobody waits if 110 degC is set again 15 min before the break ends."
    ) in words(answer)
    assert any(line.endswith("ready 102") for line in answer.lines)
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_a_setback_that_saves_less_than_it_makes_wait_does_not_pay() -> None:
    """Where the charge ages at half its rate anyway; and in so short a break nothing else helps."""
    material = replace(SILICONE, ageing=AgeingRules(pot_life_s=24 * 3600.0, ref_c=120.0))
    cell = told(LENS_4, "syringe", material=material)
    answer = setback(cell, break_min=30.0)
    assert "by time alone it does not pay, nor does any other of these." in words(answer)
    assert "Nobody waits" in words(answer)
    assert "Nobody waits" not in words(setback(cell, break_min=15.0))


def test_a_setback_that_saves_nothing_is_said() -> None:
    """A tank that owes its whole timer ages longer on the way back than it saved."""
    answer = setback(HOUSING_7)
    assert "None of these saves pot life" in words(answer)
    assert row(answer, "b  90 degC").endswith(" 44 min")


def test_a_tank_has_bars_instead_of_a_core() -> None:
    """Age above, waiting below, for each setback."""
    answer = setback(HOUSING_7, setbacks_c=(80.0,))
    bars = [line for line in answer.lines if "|" in line]
    assert [line[:8] for line in bars] == ["     a |", "       |", "     b |", "       |"]
    assert bars[0].count("#") > bars[2].count("#") > 0
    assert (bars[1].count("~"), bars[3].count("~") > 0) == (0, True)
    assert is_printable(answer)


def test_setbacks_are_as_many_as_are_told() -> None:
    """Each has a letter of its own, in the table and in the picture."""
    answer = setback(LENS_4, setbacks_c=(100.0, 90.0, 80.0), lag_s=0.0)
    assert [pause.setback_c for pause in pauses(answer)] == [None, 100.0, 90.0, 80.0]
    assert row(answer, "d  80 degC")
    assert any(line.startswith("a, b, c, d core") for line in answer.lines)
    assert "falls and rises at once" in words(answer)


def test_a_setback_above_the_setpoint_is_refused() -> None:
    """That would be no setback."""
    with pytest.raises(ConfigError, match=r"expected less than the usual 110 degC, got 120"):
        setback(LENS_4, setbacks_c=(90.0, 120.0))


def test_without_a_pot_life_a_break_has_no_age() -> None:
    """The core and the waiting are still told; the age and the verdict are not."""
    answer = setback(unknown(LENS_4, "syringe", "ageing"))
    assert answer.missing == ("the material demo_silicone has no [materials.ageing]: no age",)
    assert row(answer, "c  70 degC") == "- - - 70 degC 15 min"
    assert "pays" not in words(answer)
    tank = setback(unknown(HOUSING_7, "tank", "ageing"))
    assert not any("#" in line for line in tank.lines if "|" in line)


def test_without_soak_rules_a_break_waits_for_the_sensor() -> None:
    """That is said; the ages are still told.

    Source: 180 s x ln(40/6) = 6 min from 70 to 104 degC.
    """
    answer = setback(told(LENS_4, "syringe", soak=None))
    assert answer.missing == (
        "the zone syringe has no [cells.zones.soak]: ready as soon as its sensor is",
    )
    assert row(answer, "c  70 degC").endswith("- 6 min")


def test_a_core_that_never_recovers_has_no_verdict() -> None:
    """A setpoint below what the core must reach leaves nothing to compare."""
    answer = setback(told(LENS_4, "syringe", setpoint_c=101.0))
    assert row(answer, "c  61 degC").endswith("over a day")
    assert "pays" not in words(answer)
