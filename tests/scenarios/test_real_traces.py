"""Traces that nobody here made, replayed as zones: what is told of them, and what is believed.

- A laboratory heater: two small blocks beside each other, read once a second in steps of 0.32 K
  for a quarter of an hour. One is heated by a constant half of its power; the other is not heated
  at all and warms up by its neighbour.
- A temperature of a large machine, every five minutes for 78 days, that ends in a failure.
- The temperature of an office, every hour, as the room around a simulated cell.

Nothing in them is a dispense cell, so what may be told is bounded by what is known of each: where
a text is asserted the reason stands beside it, everything else is printed to be judged by people.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from potsim.scenarios import parse
from scenarios.expect import SOUND
from scenarios.score import TELLINGS, Finding, findings_of
from scenarios.straight import concluded, told
from support.cells import UTC_NS
from watchedpot.core import engine
from watchedpot.core.model import NO_TIME_NS, Block, Event
from watchedpot.core.rules import CellRules, ZoneKind
from watchedpot.core.snapshot import Cause, Severity
from watchedpot.core.units import NANO

HEATER = "github jckantor/TCLab, notebooks/step_test_data.csv (Apache-2.0), commit 196c74e5"
MACHINE = "Numenta Anomaly Benchmark 1.1, machine_temperature_system_failure.csv (MIT), ea702d75"
OFFICE = "the same benchmark, ambient_temperature_system_failure.csv (MIT), ea702d75"

NO_HEAT = {Cause.NO_HEAT, Cause.ALL_HEAT_LOST}


@dataclass(frozen=True, slots=True)
class Column:
    """One signal of a trace: its channel and its values, nan where there is none."""

    name: str
    values: NDArray[np.float64]


def rows(path: Path) -> list[dict[str, str]]:
    """Rows of a file."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def cell(*zones: tuple[str, float, float], step_s: float, has_output: bool) -> CellRules:
    """A cell of these zones (name, lowest and highest of the window) and of nothing else."""
    rules, _ = told()
    like = rules["lens_4"].zones[-1]
    made = tuple(
        replace(
            like,
            id=name,
            kind=ZoneKind.HOSE if n < len(zones) - 1 else ZoneKind.NOZZLE,
            low_c=low_c,
            high_c=high_c,
            temperature=f"lens_4/{name}/temperature",
            setpoint=None,
            output=f"lens_4/{name}/output" if has_output else None,
            setpoint_c=None,
            off_below_c=0.0,
            max_gap_s=3.0 * step_s,
            stale_after_s=3.0 * step_s,
            alarms=(),
            tip=None,
            hold_up_m3=None,
        )
        for n, (name, low_c, high_c) in enumerate(zones)
    )
    return CellRules("lens_4", made, finds_causes=True)


def replayed(rules: CellRules, t_s: NDArray[np.float64], columns: Sequence[Column]) -> list[Event]:
    """What the engine tells of a trace; times that do not increase are left out."""
    plan = engine.plan_cell(rules)
    is_next = increasing(t_s)
    mono_ns = np.round(t_s[is_next] * NANO).astype(np.int64)
    value = np.column_stack([column.values[is_next] for column in columns])
    block = Block(
        "lens_4",
        tuple(column.name for column in columns),
        mono_ns,
        mono_ns + UTC_NS,
        value,
        np.where(np.isnan(value), 2, 0).astype(np.uint8),
        np.where(np.isnan(value), 9, 0).astype(np.uint8),
        np.zeros(value.shape, dtype=np.uint32),
        np.full(value.shape, NO_TIME_NS, dtype=np.int64),
        np.full(value.shape, NO_TIME_NS, dtype=np.int64),
    )
    _, events = engine.step(engine.start(plan), block, plan)
    return list(events)


def increasing(t_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which times are later than all before them."""
    return np.concatenate([[True], t_s[1:] > np.maximum.accumulate(t_s)[:-1]])


def show(title: str, events: Sequence[Event]) -> None:
    """Print what is told, for people to judge."""
    print(f"\n{title}")
    for event in events:
        if event.kind in TELLINGS:
            hours, rest_s = divmod(event.at.mono_ns / NANO, 3600.0)
            print(
                f"  {hours:.0f} h {rest_s:6.1f} s {event.kind.value} {event.zone}:"
                f" {event.detail('severity')} {event.detail('cause')} {event.detail('certainty')}"
                f" ({event.detail('others')}); {event.detail('numbers')};"
                f" {event.detail('speaks_for')}; not ruled out: {event.detail('not_ruled_out')}"
            )


def causes(findings: Sequence[Finding], *severities: str) -> set[str]:
    """Causes that stood first at one of these severities."""
    return {
        telling.cause
        for finding in findings
        for telling in finding.tellings
        if telling.severity in severities
    }


def heater(datasets: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Times, the heated block and its neighbour. [s, degC, degC]."""
    path = datasets / "heater_step_test.csv"
    if not path.exists():
        pytest.skip(f"no {path.name}")
    read = rows(path)
    t_s, heated_c, beside_c = (
        np.array([float(row[key]) for row in read]) for key in ("Time", "T1", "T2")
    )
    return t_s, heated_c, beside_c


def test_a_block_heated_by_half_its_power_is_not_ill(datasets: Path) -> None:
    """It rises from 22 to 65 degC and settles: heat arrives, and nothing is stuck.

    Believed, since the power is known to have been on all the time, at the output that is told.
    """
    t_s, heated_c, _ = heater(datasets)
    rules = cell(("block", 20.0, 90.0), step_s=1.0, has_output=True)
    events = replayed(
        rules,
        t_s,
        [
            Column("lens_4/block/temperature", heated_c),
            Column("lens_4/block/output", np.full(t_s.size, 50.0)),
        ],
    )
    show(f"heated block ({HEATER})", events)
    assert causes(findings_of(events), *SOUND) == set()


def test_a_block_warmed_by_its_neighbour_is_not_stuck_on(datasets: Path) -> None:
    """Its output is 0 and it warms by 14 K in a quarter of an hour, at most 0.03 K/s.

    Believed, since the second heater was off; what it was warmed by is the trace beside it. That
    no heat of its own reaches it would be true, and may be told.
    """
    t_s, heated_c, beside_c = heater(datasets)
    rules = cell(("block", 20.0, 90.0), ("beside", 20.0, 90.0), step_s=1.0, has_output=True)
    events = replayed(
        rules,
        t_s,
        [
            Column("lens_4/block/temperature", heated_c),
            Column("lens_4/block/output", np.full(t_s.size, 50.0)),
            Column("lens_4/beside/temperature", beside_c),
            Column("lens_4/beside/output", np.zeros(t_s.size)),
        ],
    )
    show(f"two blocks, one heated ({HEATER})", events)
    found = findings_of(events)
    assert causes(found, Severity.CRITICAL) == set()
    assert Cause.STUCK_ON not in causes(found, *SOUND)


def test_a_real_reading_that_falls_to_the_room_is_the_sensors(datasets: Path) -> None:
    """The heated block, its last 100 s as if the sensor had fallen out: 40 K in 20 s constant.

    Only the fall is made up. Believed, since the block itself cannot cool faster than the same
    power heated it from the room's temperature, 0.2 K/s, while the reading falls by 2 K/s.
    """
    t_s, heated_c, _ = heater(datasets)
    is_fallen = t_s >= t_s[-1] - 100.0
    fallen_c = 23.0 + 42.0 * np.exp(-(t_s - (t_s[-1] - 100.0)) / 20.0)
    reading_c = np.where(is_fallen, np.round(fallen_c / 0.3223) * 0.3223, heated_c)
    output = np.where(t_s >= t_s[-1] - 95.0, 100.0, 50.0)
    rules = cell(("block", 20.0, 90.0), step_s=1.0, has_output=True)
    events = replayed(
        rules,
        t_s,
        [Column("lens_4/block/temperature", reading_c), Column("lens_4/block/output", output)],
    )
    show("heated block, its sensor as if fallen out", events)
    found = findings_of(events)
    assert causes(found, *SOUND) & {Cause.SENSOR_LOW, Cause.SENSOR_SLIPPED}
    assert causes(found, *SOUND).isdisjoint(NO_HEAT)


def machine(datasets: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and temperature of the machine. [s, its unit taken as degC]."""
    path = datasets / "machine_temperature.csv"
    if not path.exists():
        pytest.skip(f"no {path.name}")
    read = rows(path)
    stamps = [datetime.fromisoformat(row["timestamp"]).replace(tzinfo=UTC) for row in read]
    t_s = np.array([(stamp - stamps[0]).total_seconds() for stamp in stamps])
    return t_s, np.array([float(row["value"]) for row in read])


@pytest.mark.timeout(60)
def test_a_reading_every_five_minutes_gives_nothing_critical(datasets: Path) -> None:
    """Without output and setpoint, five minutes apart, no cause can be sure enough to cut heat.

    Believed, since between two readings a zone of this kind can heat up or cool down by itself by
    more than any two of them differ: at most 20 K, where 0.1 K/s would be 30 K.
    """
    t_s, machine_c = machine(datasets)
    rules = cell(("machine", 60.0, 100.0), step_s=300.0, has_output=False)
    events = replayed(rules, t_s, [Column("lens_4/machine/temperature", machine_c)])
    show(f"machine ({MACHINE})", events[:400])
    assert causes(findings_of(events), Severity.CRITICAL) == set()


def office(datasets: Path, hours: int) -> list[float]:
    """The office hour by hour, from degF. [degC]."""
    path = datasets / "ambient_temperature.csv"
    if not path.exists():
        pytest.skip(f"no {path.name}")
    return [(float(row["value"]) - 32.0) / 1.8 for row in rows(path)[:hours]]


def in_the_office(datasets: Path, cell_id: str, hours: int) -> list[Event]:
    """What is told of a healthy cell at work in that room, the steps between hours in four."""
    room_c = office(datasets, hours + 1)
    quarters_c = np.interp(np.arange(4 * hours) / 4.0, np.arange(hours + 1), room_c)
    plan = "".join(
        f'{{at_s = {900.0 * n}, do = "ambient", ambient_c = {c:.2f}}},\n'
        for n, c in enumerate(quarters_c.tolist())
        if n
    )
    text = f"""
title = "a cell in a real room"
scan_s = 1.0
end_s = {3600.0 * hours}
[cells.{cell_id}]
ambient_c = {room_c[0]:.2f}
parts = 100
plan = [{{at_s = 2100.0, do = "run"}},
{plan}]
"""
    rules, sources = told()
    return concluded(
        parse(text, "office"),
        cell_id,
        rules=rules[cell_id],
        source=sources[cell_id],
        seed=1,
        rows_each=600,
    )


@pytest.mark.timeout(120)
@pytest.mark.parametrize("cell_id", ["lens_4", "housing_7"])
def test_a_cell_in_a_real_room_is_not_ill(datasets: Path, cell_id: str) -> None:
    """Six hours of an office around a healthy cell ask for nobody.

    Believed, since the cell is the simulator's and nothing was done to it.
    """
    _check_office(in_the_office(datasets, cell_id, 6))


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("cell_id", ["lens_4", "housing_7"])
def test_a_cell_in_a_real_room_is_not_ill_for_a_week(datasets: Path, cell_id: str) -> None:
    """The same for 168 hours."""
    _check_office(in_the_office(datasets, cell_id, 168))


def _check_office(events: list[Event]) -> None:
    show(f"a cell in an office ({OFFICE})", events)
    assert causes(findings_of(events), *SOUND) == set()


def test_times_that_go_back_are_left_out() -> None:
    """The machine's clock was set back once; a row in its past would be no new row."""
    t_s = np.array([0.0, 300.0, 600.0, 300.0, 600.0, 900.0])
    assert increasing(t_s).tolist() == [True, True, True, False, False, True]
