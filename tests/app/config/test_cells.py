"""Cells and zones: their temperatures in order, and what is missing is said."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.config.plant import AGEING, COLD, Plant, cell
from watchedpot.core.rules import AlarmKind, MaterialRules, ZoneKind

SYRINGE = "plant.toml, cells.lens_4.zones.syringe"
NOZZLE = "plant.toml, cells.lens_4.zones.nozzle"


def test_rules_are_in_the_units_of_the_formulas(plant: Plant) -> None:
    """Energies come in J/mol; gaps and ages default to three polls."""
    (cell,) = plant.load().cells
    syringe, nozzle = cell.zones
    material = MaterialRules(
        "demo_silicone", 140.0, 50e3, 90e3, "demo: use your supplier's data sheet"
    )
    assert (cell.id, cell.dispensing, cell.parts) == ("lens_4", "lens_4/dispensing", "lens_4/parts")
    assert (cell.charge_id, cell.wiped, cell.ambient) == (None, None, None)
    assert (cell.production_hold_s, cell.gate_hold_s) == (60.0, 3.0)
    assert (syringe.kind, syringe.material) == (ZoneKind.SYRINGE, material)
    assert (syringe.low_c, syringe.high_c, syringe.off_below_c) == (104.0, 118.0, 50.0)
    assert (syringe.max_gap_s, syringe.stale_after_s) == (3.0, 3.0)
    assert syringe.temperature == "lens_4/syringe/temperature"
    assert (nozzle.setpoint, nozzle.output) == (None, "lens_4/nozzle/output")
    assert (syringe.setpoint_c, nozzle.setpoint_c) == (None, 120.0)


def test_slow_polls_lengthen_gaps_and_ages_the_ages_to_ten_seconds_at_most(plant: Plant) -> None:
    """Three polls of 5 s make a gap of 15 s, but no reading stands for now after 10 s."""
    plant.change(("port = 15020", "port = 15020\npoll_period_s = 5.0"))
    (cell,) = plant.load().cells
    assert (cell.zones[0].max_gap_s, cell.zones[0].stale_after_s) == (15.0, 10.0)
    assert cell.gate_hold_s == 10.0
    assert (cell.zones[1].max_gap_s, cell.zones[1].stale_after_s) == (3.0, 3.0)


def test_a_room_and_a_pause_are_those_of_the_cell(plant: Plant) -> None:
    """23 degC and ten minutes, unless told otherwise."""
    (usual,) = plant.load().cells
    assert (usual.ambient_c, usual.purge_after_idle_s) == (23.0, 600.0)
    plant.change(cell("ambient_c = 18.5", "purge_after_idle_min = 2.5"))
    (told,) = plant.load().cells
    assert (told.ambient_c, told.purge_after_idle_s) == (18.5, 150.0)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "ceiling_c = 140.0",
            "ceiling_c = 126.0",
            f"{NOZZLE}: window_high_c = 126.0 degC is not below ceiling_c = 126.0 degC of material "
            "demo_silicone; nothing was started; correct one of the two",
        ),
        (
            "setpoint_c = 120.0",
            "setpoint_c = 126.0",
            f"{NOZZLE}.setpoint_c: expected a value inside the window, 115.0 to 126.0 degC, got "
            "126.0 degC; nothing was started; correct the window or the setpoint",
        ),
        (
            "setpoint_c = 120.0",
            "setpoint_c = 120.0\noff_below_c = 115.0",
            f"{NOZZLE}: off_below_c = 115.0 degC is not below window_low_c = 115.0 degC; "
            "nothing was started; a zone in its window would count as off",
        ),
        (
            "[[cells]]",
            f"{AGEING}stops_below_c = 108.0\n[[cells]]",
            f"{SYRINGE}: window_low_c = 104.0 degC is not above stops_below_c = 108.0 degC of "
            "material demo_silicone; nothing was started; a charge in its window would not age",
        ),
        (
            "setpoint_c = 120.0",
            "setpoint_c = 120.0\nmax_gap_s = 1.0",
            f"{NOZZLE}.max_gap_s: expected more than poll_period_s = 1.0 s of the source, got "
            "1.0 s; nothing was started; shorter than two polls nothing would ever be seen; "
            "3 polls are usual",
        ),
        (
            "setpoint_c = 120.0",
            "setpoint_c = 120.0\nstale_after_s = 0.5",
            f"{NOZZLE}.stale_after_s: expected more than poll_period_s = 1.0 s of the source, got "
            "0.5 s; nothing was started; shorter than two polls nothing would ever be seen; "
            "3 polls are usual",
        ),
        (
            "plausible = [-10.0, 290.0]",
            "plausible = [-10.0, 140.0]",
            f"{NOZZLE}.channels.temperature.plausible: expected a range beyond window_low_c = "
            "115.0 degC and ceiling_c = 140.0 degC, got -10 to 140 degC; nothing was started; "
            "a reading outside it is not believed and could not alarm",
        ),
        (
            "plausible = [-10.0, 290.0]",
            "plausible = {}",
            f"{NOZZLE}.channels.temperature.plausible: expected a list, got a table; "
            "nothing was started; lowest and highest value that the sensor can return; "
            "wider than any window [unit]",
        ),
        (
            'kind = "nozzle"\nmaterial = "demo_silicone"',
            'kind = "nozzle"\nmaterial = "demo_silicon"',
            f'{NOZZLE}.material: expected the id of a material, got "demo_silicon"; '
            "nothing was started; did you mean demo_silicone?",
        ),
        (
            'id = "syringe"',
            'id = "nozzle"',
            f"{NOZZLE}: expected an id of its own, 2 zones have it; nothing was started; "
            "rename all but one",
        ),
    ],
)
def test_a_zone_that_contradicts_itself_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """Each refusal gives what contradicts what."""
    assert sentence in plant.faults((old, new))


def test_zones_stand_in_the_direction_of_flow(plant: Plant) -> None:
    """A nozzle before its syringe is refused."""
    assert plant.fault(
        ('kind = "syringe"', 'kind = "hose"'), ('kind = "nozzle"', 'kind = "tank"')
    ) == (
        "plant.toml, cells.lens_4.zones: expected zones in the direction of flow, got syringe "
        "(hose) before nozzle (tank); nothing was started; "
        "tank, cartridge or syringe first, then hoses, then nozzles"
    )


def test_a_zone_needs_a_temperature(plant: Plant) -> None:
    """Without it there is nothing to watch."""
    assert plant.fault(
        ("[cells.zones.channels.temperature]", "[cells.zones.channels.setpoint]")
    ) == (
        "plant.toml, cells.lens_4.zones.syringe.channels.temperature: expected a channel, got "
        "none; nothing was started; a zone is its temperature"
    )


def test_a_cell_needs_a_zone(plant: Plant) -> None:
    """A cell without zones is refused."""
    assert plant.fault(more='[[cells]]\nid = "lens_5"') == (
        "plant.toml, cells.lens_5.zones: expected at least one zone, got none; nothing was started"
    )


def test_what_cannot_be_claimed_is_noted(plant: Plant) -> None:
    """Each missing signal is named with what it costs, and a demo material as such."""
    plant.change(
        ("degradation_activation_kj_per_mol", "demo = true\ndegradation_activation_kj_per_mol")
    )
    assert plant.load().notices == (
        "cells.lens_4.zones.syringe: no setpoint channel, setback cannot be told from cooling",
        "cells.lens_4.zones.syringe: no output channel, whether the heater is driven is not known",
        "materials.demo_silicone: demo material, use your supplier's data sheet",
        "cells.lens_4.zones.syringe: no soak table, warm at the sensor counts as warm to the core",
        "cells.lens_4.zones.nozzle: no setpoint channel, setback cannot be told from cooling",
        "cells.lens_4.zones.nozzle: no tip table, only its block is judged",
        "cells.lens_4: no charge_id channel, a new charge is known only when a person enters it",
        "cells.lens_4: no wiped channel, wiping is known only when a person enters it",
        "cells.lens_4: no heartbeat channel, a controller whose program stands still looks like "
        "one at rest",
        "materials.demo_silicone: no ageing table, the age of a charge is not known",
    )


def test_a_cell_without_dispensing_or_alarms_is_noted(plant: Plant) -> None:
    """It is watched all the same."""
    plant.change(("channels.dispensing", "channels.wiped"), (COLD, ""))
    notices = plant.load().notices
    assert (
        "cells.lens_4: no dispensing channel, dispensing cold cannot be told from standing cold"
        in notices
    )
    assert "cells.lens_4: no alarm is configured, nothing will be raised" in notices


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50, deadline=None
)
@given(low_c=st.floats(60.0, 200.0), width_k=st.floats(3.0, 50.0), above_k=st.floats(0.5, 50.0))
def test_any_window_in_order_arrives_as_written(
    plant: Plant, low_c: float, width_k: float, above_k: float
) -> None:
    """Edges and ceiling reach the rules unchanged, to the last bit."""
    high_c = low_c + width_k
    ceiling_c = high_c + above_k
    plant.change(
        ("ceiling_c = 140.0", f"ceiling_c = {max(ceiling_c, 126.5)!r}"),
        ("window_low_c = 104.0", f"window_low_c = {low_c!r}"),
        ("window_high_c = 118.0", f"window_high_c = {high_c!r}"),
        ("plausible = [-20.0, 300.0]", "plausible = [-20.0, 400.0]"),
        ("plausible = [-10.0, 290.0]", "plausible = [-20.0, 400.0]"),
    )
    zone = plant.load().cells[0].zones[0]
    assert (zone.low_c, zone.high_c) == (low_c, high_c)
    assert zone.material.ceiling_c == max(ceiling_c, 126.5)
    assert zone.alarm(AlarmKind.COLD) is not None
