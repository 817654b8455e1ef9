"""What reaches the engine without sockets is what the protocols would have brought."""

from __future__ import annotations

import pytest

from potsim.plants import PLANTS
from potsim.scenarios import parse
from potsim.world import World
from scenarios.expect import Advised, Expected
from scenarios.straight import concluded, reader, told, watch
from watchedpot.core.model import Event, EventKind, Quality, Reading, Reason
from watchedpot.core.snapshot import Advice, Cause
from watchedpot.core.units import NANO

cells = pytest.mark.parametrize("cell", PLANTS)

RESOLUTION = {"lens_4": 1e-5, "housing_7": 0.05}
"""A Float on OPC UA; tenths in the registers of tank and hose."""


def text(cell: str, faults: str = "", end_s: float = 120.0) -> str:
    """A cell at work with a fault or none."""
    return f"""
title = "short"
end_s = {end_s}
[cells.{cell}]
parts = 500
charge_id = 61
plan = [{{at_s = 1.0, do = "run"}}]
faults = [{faults}]
"""


def read(cell: str, faults: str, seconds: float) -> tuple[World, dict[str, Reading]]:
    """A world after some time, and what a poll of its cell brings then."""
    world = World(parse(text(cell, faults), "short"), start_ns=0)
    for _ in range(round(2.0 * seconds)):
        world.scan()
    plant = world.cells[cell].plant
    _, sources = told()
    names = tuple(zone.name for zone in plant.zones)
    return world, reader(sources[cell], names)(world.cells[cell].panel)


@cells
def test_every_channel_brings_what_the_cell_shows(cell: str) -> None:
    """Each value of a healthy cell is good and that of the panel, to the wire's resolution."""
    world, readings = read(cell, "", 60.0)
    panel = world.cells[cell].panel
    assert {reading.quality for reading in readings.values()} == {Quality.GOOD}
    rules, _ = told()
    assert set(readings) >= set(rules[cell].channels())
    tolerance = RESOLUTION[cell]
    for zone, shown in zip(world.cells[cell].plant.zones, panel.zones, strict=True):
        for signal, value in (
            ("temperature", shown.shown_c),
            ("setpoint", shown.setpoint_c),
            ("output", shown.output),
        ):
            name = f"{cell}/{zone.name}/{signal}"
            assert readings[name].value == pytest.approx(value, abs=max(tolerance, 1e-5 * value))
    # ordered at 1 s, near its setpoints for 10 s, then 8 s every 20 s: ended at 19, 39 and 59 s
    assert readings[f"{cell}/parts"].value == panel.parts == 503
    assert readings[f"{cell}/charge_id"].value == 61
    assert readings[f"{cell}/bead_width"].value == pytest.approx(panel.bead_width_mm, abs=1e-6)
    assert readings[f"{cell}/dispensing"].value == float(panel.is_dispensing)


@cells
@pytest.mark.parametrize("code", ["status", "upscale", "nan"])
def test_an_open_sensor_brings_no_number(cell: str, code: str) -> None:
    """Whichever way the break shows on this protocol."""
    fault = f'{{what = "sensor_break", zone = "nozzle", at_s = 10.0, code = "{code}"}}'
    _, readings = read(cell, fault, 20.0)
    broken = readings[f"{cell}/nozzle/temperature"]
    assert broken.quality is Quality.BAD
    assert broken.value != broken.value
    expected = {
        ("lens_4", "status"): Reason.STATUS,
        ("lens_4", "nan"): Reason.NOT_FINITE,
        ("housing_7", "status"): Reason.NOT_FINITE,
        ("housing_7", "nan"): Reason.NOT_FINITE,
    }.get((cell, code), Reason.IMPLAUSIBLE)
    assert broken.reason is expected


@cells
def test_zeros_of_a_restarting_controller_are_no_temperatures(cell: str) -> None:
    """They are its fill value."""
    _, readings = read(cell, '{what = "plc_restart", at_s = 10.0, for_s = 40.0}', 20.0)
    for zone in PLANTS[cell].zones:
        assert readings[f"{cell}/{zone.name}/temperature"].reason is Reason.FILL_VALUE


def plain(events: list[Event]) -> list[tuple[EventKind, int, str]]:
    """Events without their figures."""
    return [(event.kind, event.at.mono_ns, event.zone) for event in events]


@cells
def test_how_many_rows_are_judged_at_a_time_makes_no_difference(cell: str) -> None:
    """One row each and a minute each tell the same."""
    rules, sources = told()
    scenario = parse(text(cell, '{what = "heater_open", zone = "nozzle", at_s = 30.0}'), "short")
    runs = [
        concluded(
            scenario, cell, rules=rules[cell], source=sources[cell], seed=1, rows_each=rows_each
        )
        for rows_each in (1, 60)
    ]
    assert runs[0] == runs[1]
    assert runs[0]


def test_a_monitor_that_is_away_sees_nothing_meanwhile() -> None:
    """Nothing happens at a time at which it was away, and it says that it was."""
    rules, sources = told()
    expected = Expected("made up", 30.0, away=((40.0, 90.0),))
    seen = watch(
        parse(text("lens_4", '{what = "door", at_s = 30.0}', 200.0), "short"),
        "lens_4",
        expected,
        rules=rules["lens_4"],
        source=sources["lens_4"],
        seed=1,
    )
    rows_s = {event.at.mono_ns / NANO for event in seen.events if event.kind is EventKind.PART_MADE}
    assert rows_s
    assert not any(41.0 < at_s < 90.0 for at_s in rows_s)
    assert len(seen.played.truth) > 5


def test_a_clock_that_is_set_moves_utc_only() -> None:
    """An hour on at 60 s: later events stand an hour later in UTC, and nowhere else."""
    rules, sources = told()
    runs = [
        watch(
            parse(text("lens_4", "", 200.0), "short"),
            "lens_4",
            Expected("made up", 30.0, utc_steps=steps),
            rules=rules["lens_4"],
            source=sources["lens_4"],
            seed=1,
        )
        for steps in ((), ((60.0, 3600.0),))
    ]
    usual, stepped = (run.played.parts for run in runs)
    assert [e.at for e in usual] == [e.at for e in stepped]
    moved = [
        after.at.utc_ns - before.at.utc_ns
        for before, after in zip(
            *([e for e in run.events if e.kind is EventKind.PART_MADE] for run in runs),
            strict=True,
        )
    ]
    assert set(moved) == {0, 3600 * NANO}


def test_advice_is_looked_at_with_every_row_only_where_it_is_awaited() -> None:
    """A mistyped setpoint tells the same either way; its advice is timed where one is expected."""
    rules, sources = told()
    fault = '{what = "setpoint_typo", zone = "nozzle", at_s = 60.0, setpoint_c = 150.0}'
    scenario = parse(text("lens_4", fault, 130.0), "short")
    awaited = (Advised(frozenset({Advice.HOLD.value}), 40.0),)
    with_advice, without = (
        watch(
            scenario,
            "lens_4",
            Expected("made up", 60.0, advice=advice),
            rules=rules["lens_4"],
            source=sources["lens_4"],
            seed=1,
        )
        for advice in (awaited, ())
    )
    assert with_advice.events == without.events
    found_s = min(e.at.mono_ns for e in without.events if e.kind is EventKind.FINDING_OPENED) / NANO
    (hold_s,) = (at_s for at_s, word in with_advice.advice if word == Advice.HOLD.value)
    assert 60.0 < found_s <= hold_s <= found_s + 2.0
    assert [at_s for at_s, _ in without.advice] == [129.5]


def test_a_lost_link_and_what_was_read_before_it_are_judged_together() -> None:
    """Rows that could not be read have the channels of the others, as from a poller."""
    rules, sources = told()
    scenario = parse(text("housing_7", '{what = "link_loss", at_s = 60.0}', 130.0), "short")
    told_of = [
        concluded(
            scenario,
            "housing_7",
            rules=rules["housing_7"],
            source=sources["housing_7"],
            seed=1,
            rows_each=rows_each,
        )
        for rows_each in (1, 300)
    ]
    assert told_of[0] == told_of[1]
    assert Cause.LINK in {event.detail("cause") for event in told_of[0]}
