"""Scenarios: every bundled one is sound, and every fault of a file is told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from potsim.controllers import Order
from potsim.errors import ScenarioError
from potsim.plants import BUILDERS, PLANTS, Factors, ZoneFactors, as_built
from potsim.scenarios import CELL_FAULTS, FaultKind, bundled, load, parse

MINIMAL = """
title = "one quiet cell"
end_s = 60.0
[cells.lens_4]
"""

NEEDED = {
    "demo",
    "healthy_shift",
    "nozzle_heater_open_opcua",
    "nozzle_heater_open_modbus",
    "setpoint_typo_opcua",
    "setpoint_typo_modbus",
    "sensor_break",
    "plc_restart",
    "link_loss",
    "morning_syringe",
    "early_start",
    "lunch_setback",
    "power_cut",
    "unannounced_charge",
    "big_pack",
    "counter_reset",
    "counter_rollover",
    "counter_jump",
    "fast_parts",
    "late_joining",
    "spent_charge",
    "idle_no_purge",
    "tank_refill",
}


def problems(text: str) -> tuple[str, ...]:
    """What is wrong with a scenario."""
    with pytest.raises(ScenarioError) as caught:
        parse(text, "bad")
    return caught.value.problems


def test_every_scenario_of_the_package_is_there_and_sound() -> None:
    """Each bundled file parses, ends after its last entry and says what it shows."""
    assert set(bundled()) >= NEEDED
    for name in bundled():
        scenario = load(name)
        assert scenario.title
        for script in scenario.cells:
            entries = [step.at_s for step in script.plan] + [f.at_s for f in script.faults]
            assert max(entries, default=0.0) < scenario.end_s


def test_a_minimal_scenario_takes_the_plants_own_values() -> None:
    """Without keys a cell starts at its setpoints with a full charge."""
    scenario = parse(MINIMAL, "minimal")
    (script,) = scenario.cells
    assert (scenario.scan_s, scenario.log_every, scenario.seed) == (0.5, 1, 1)
    assert script.zone_c == (110.0, 120.0)
    assert (script.charge_c, script.charge_kg, script.ambient_c) == (110.0, 0.033, 25.0)


def test_keys_of_a_zone_change_that_zone_only() -> None:
    """Setpoint, start, noise and resolution are taken where they are given."""
    text = MINIMAL + "zones.nozzle = {setpoint_c = 125.0, noise_k = 0.0, resolution_k = 1.0}\n"
    (script,) = parse(text, "changed").cells
    syringe, nozzle = script.plant.zones
    assert (nozzle.setpoint_c, nozzle.sensor.noise_k, nozzle.sensor.resolution_k) == (125, 0, 1)
    assert script.zone_c == (110.0, 125.0)
    assert syringe.sensor.noise_k == 0.06


def test_a_cell_can_be_built_otherwise_than_told() -> None:
    """The factors of the charge reach the network, and nothing else of the cell changes."""
    text = MINIMAL + "conductivity_factor = 0.8\nwall_factor = 1.15\nheat_capacity_factor = 1.1\n"
    (script,) = parse(text, "otherwise").cells
    expected = BUILDERS["lens_4"](Factors(conductivity=0.8, wall=1.15, heat_capacity=1.1))
    assert script.plant == expected
    assert script.plant.net != PLANTS["lens_4"].net
    (usual,) = parse(MINIMAL, "usual").cells
    assert usual.plant == PLANTS["lens_4"]


def test_a_cell_can_be_one_of_many_that_were_built() -> None:
    """With a spread every zone and the room differ within it, by a seed of their own."""

    def built(seed: int) -> tuple[float, tuple[float, ...]]:
        (script,) = parse(MINIMAL + f"spread = 0.3\nplant_seed = {seed}\n", "built").cells
        return script.ambient_c / 25.0, tuple(
            zone.heater_w / told.heater_w
            for zone, told in zip(script.plant.zones, PLANTS["lens_4"].zones, strict=True)
        )

    assert built(1) == built(1)
    factors = [factor for seed in range(40) for factor in (built(seed)[0], *built(seed)[1])]
    assert len(set(factors)) == len(factors)
    assert 0.7 <= min(factors) < 0.75
    assert 1.25 < max(factors) <= 1.3


def test_factors_of_a_zone_are_those_of_the_file() -> None:
    """A named factor changes what it is of, in that zone only."""
    text = MINIMAL + (
        "zones.nozzle = {heater_factor = 0.9, loss_factor = 1.2, capacity_factor = 0.8, "
        "lag_factor = 1.3, gain_factor = 0.7, times_factor = 1.1}\n"
    )
    (script,) = parse(text, "built").cells
    nothing = ZoneFactors()
    nozzle = ZoneFactors(heater=0.9, loss=1.2, capacity=0.8, lag=1.3, gain=0.7, times=1.1)
    assert script.plant == as_built(PLANTS["lens_4"], (nothing, nozzle))


def test_what_is_expected_of_a_monitor_is_not_looked_at() -> None:
    """Anything may stand in the table expect, but it must be one."""
    text = 'title = "x"\nend_s = 5.0\n[expect.lens_4]\nanything = 3\n[cells.lens_4]\n'
    assert parse(text, "judged").cells
    assert problems('title = "x"\nend_s = 5.0\nexpect = 3\n[cells.lens_4]\n') == (
        "expect: expected a table, got 3",
    )


def test_rhythm_counter_and_age_are_those_of_the_file() -> None:
    """Short cycles, narrow counters, joining and the ages of charges are taken where given."""
    text = MINIMAL + (
        "part_period_s = 0.8\ndispense_s = 0.3\njoin_s = 4.0\ncounter_bits = 16\n"
        "charge_age_s = 900.0\n"
        'plan = [{at_s = 1.0, do = "change_charge", charge_age_s = 320.0}]\n'
    )
    (script,) = parse(text, "rhythm").cells
    rhythm = script.plant.cycle
    assert (rhythm.part_period_s, rhythm.dispense_s, rhythm.join_s) == (0.8, 0.3, 4.0)
    assert rhythm.counter_bits == 16
    assert (script.charge_age_s, script.plan[0].charge_age_s) == (900.0, 320.0)


def test_a_charge_change_is_announced_unless_said_otherwise() -> None:
    """Only a change with announced = false leaves the charge's number alone."""
    text = MINIMAL + (
        'plan = [{at_s = 1.0, do = "change_charge"}, '
        '{at_s = 9.0, do = "change_charge", announced = false}]\n'
    )
    (script,) = parse(text, "changes").cells
    assert [step.is_announced for step in script.plan] == [True, False]


def test_plan_and_faults_are_put_in_time_order() -> None:
    """The file may list them in any order."""
    text = MINIMAL + (
        'plan = [{at_s = 9.0, do = "stop"}, {at_s = 1.0, do = "run"}]\n'
        'faults = [{at_s = 5.0, what = "door"}, {at_s = 2.0, what = "counter_reset"}]\n'
    )
    (script,) = parse(text, "order").cells
    assert [step.order for step in script.plan] == [Order.RUN, Order.STOP]
    assert [fault.kind for fault in script.faults] == [FaultKind.COUNTER_RESET, FaultKind.DOOR]


@pytest.mark.parametrize("kind", list(FaultKind))
def test_every_kind_of_fault_can_be_written(kind: FaultKind) -> None:
    """With its required keys each kind parses, and the event log names it."""
    needed = {
        FaultKind.SENSOR_DRIFT: "k_per_h = -2.0",
        FaultKind.SETPOINT_TYPO: "setpoint_c = 150.0",
        FaultKind.SPIKE: "shows_c = 0.0",
        FaultKind.CLOCK_STEP: "by_s = 3600.0",
        FaultKind.COUNTER_JUMP: "by = -3",
        FaultKind.PLC_RESTART: "for_s = 20.0\ndrops_link = true",
    }.get(kind, "")
    zone = "" if kind in CELL_FAULTS else 'zone = "nozzle"'
    text = MINIMAL + (
        f'[[cells.lens_4.faults]]\nwhat = "{kind.value}"\nat_s = 10.0\n{zone}\n{needed}\n'
    )
    ((fault,),) = (script.faults for script in parse(text, "fault").cells)
    assert fault.kind is kind
    assert fault.detail.split()[0] == kind.value
    assert "," not in fault.detail


def test_all_faults_of_a_file_are_told_at_once() -> None:
    """Each problem names its key path, what was expected and what came."""
    found = problems(
        """
title = ""
end_s = -1
colour = "red"
[cells.lens_4]
parts = 256
counter_bits = 8
charge_id = 1.5
dispense_s = 30.0
conductivity_factor = 0.1
wall_factor = "thin"
zones.tank = {}
plan = [
  {at_s = 0.0, do = "fly"},
  {at_s = 0.0, do = "change_charge", announced = "softly"},
  {at_s = 0.0, do = "run", announced = false},
]
faults = [
  {what = "heater_open", at_s = 1.0, zone = "hose"},
  {what = "plc_restart", at_s = 1.0},
  {what = "counter_jump", at_s = 1.0, by = 0.5, for_s = 3.0},
  {what = "sensor_break", zone = "nozzle", code = "loud", for_s = "long"},
]
[cells.lens_5]
"""
    )
    assert found == (
        "title: expected a text, got ''",
        "end_s: expected a number from 1 to 2.592e+06, got -1",
        "colour: not a key here, known are cells, end_s, expect, log_every, scan_s, seed, title",
        "cells.lens_4.charge_id: expected a whole number, got 1.5",
        "cells.lens_4.conductivity_factor: expected a number from 0.2 to 5, got 0.1",
        "cells.lens_4.wall_factor: expected a number from 0.2 to 5, got 'thin'",
        "cells.lens_4.dispense_s: expected less than part_period_s, got 30.0",
        "cells.lens_4.parts: expected a number of 8 bits, got 256",
        "cells.lens_4.zones.tank: not a key here, known are nozzle, syringe",
        "cells.lens_4.plan[0].do: expected one of run, stop, change_charge, wipe, setback, "
        "recover, ambient, got 'fly'",
        "cells.lens_4.plan[1].announced: expected one of true, false, got 'softly'",
        "cells.lens_4.plan[2].announced: not a key here, known are at_s, do",
        "cells.lens_4.faults[0].zone: expected one of syringe, nozzle, got 'hose'",
        "cells.lens_4.faults[1].for_s: expected the length of the restart in seconds, got None",
        "cells.lens_4.faults[2].by: expected a whole number, got 0.5",
        "cells.lens_4.faults[2].for_s: not a key here, known are at_s, by, what",
        "cells.lens_4.faults[3].at_s: missing, expected a number from 0 to 2.592e+06",
        "cells.lens_4.faults[3].for_s: expected a number from 0.5 to 2.592e+06, got 'long'",
        "cells.lens_4.faults[3].code: expected one of status, upscale, nan, got 'loud'",
        "cells.lens_5: not a key here, known are housing_7, lens_4",
    )


def test_a_scenario_needs_a_cell() -> None:
    """A file without cells is refused."""
    assert problems('title = "empty"\nend_s = 5.0\n') == (
        "cells: missing, expected at least one of lens_4, housing_7",
    )


def test_tables_must_be_tables() -> None:
    """A value in the place of a table or a list of tables is told as such."""
    text = 'title = "x"\nend_s = 5.0\n[cells.lens_4]\nzones = 3\nplan = 4\nfaults = [5]\n'
    assert problems(text) == (
        "cells.lens_4.zones: expected a table, got 3",
        "cells.lens_4.plan: expected a list of tables, got 4",
        "cells.lens_4.faults: expected a list of tables, got [5]",
    )


def test_text_that_is_not_toml_is_told_with_its_line() -> None:
    """The parser's own place is passed on."""
    (problem,) = problems("title = \n")
    assert problem.startswith("not TOML: ")
    assert "line 1" in problem


def test_a_file_is_loaded_by_its_path(tmp_path: Path) -> None:
    """Anything that is not a bundled name is a path."""
    path = tmp_path / "mine.toml"
    path.write_text(MINIMAL, encoding="utf-8")
    assert load(str(path)).name == "mine"


def test_an_unknown_name_lists_the_known_ones(tmp_path: Path) -> None:
    """The message helps to the right name."""
    with pytest.raises(ScenarioError, match=r"neither a bundled name nor a file.*healthy_shift"):
        load(str(tmp_path / "nowhere.toml"))
