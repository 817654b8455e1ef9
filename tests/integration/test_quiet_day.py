"""Twenty-four hours without a fault: how often people are called.

Simulator and engine run in this process, without sockets. A cold start with everything at room
temperature, then three shifts, each with two breaks in setback, wipes, and in each cell a new
charge or a refill: what a cell that is run well goes through in a day. Each seed is another plant:
room, noise, and how far conductivity and wall of the adhesive are from what the daemon was told.

The tank is not emptied in that day, so its melt does get older than its pot life of twelve hours,
and people are told so, rightly: with the refill that makes it younger once more, twice.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from support.made import play
from watchedpot.app.config import load
from watchedpot.core.model import Event, EventKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import NANO

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"

HOUR_S = 3600.0
SHIFT_S = 8 * HOUR_S
MOST_A_DAY = 2
"""Annunciated alarms of a day in which nothing is wrong. [1]"""

COLD_START_S = {"lens_4": 3600.0, "housing_7": 7200.0}
"""When the first part is made after a start at room temperature. [s]"""

LENS_SHIFT = (
    *((10.0, "change_charge", "charge_c = 98.7"), (31.0, "recover", ""), (1200.0, "run", "")),
    *((5400.0, "wipe", ""), (8000.0, "stop", ""), (9500.0, "recover", ""), (10400.0, "run", "")),
    *((14400.0, "change_charge", "charge_c = 98.7"), (16500.0, "recover", "")),
    *((17400.0, "run", ""), (20000.0, "wipe", ""), (22500.0, "stop", "")),
    *((23100.0, "run", ""), (28600.0, "stop", "")),
)
HOUSING_SHIFT = (
    *((10.0, "recover", ""), (900.0, "run", ""), (7600.0, "wipe", ""), (9200.0, "stop", "")),
    *((10700.0, "recover", ""), (11600.0, "run", "")),
    *((14400.0, "change_charge", "charge_c = 105.0\ncharge_kg = 0.3"), (15000.0, "run", "")),
    *((21600.0, "stop", ""), (23400.0, "recover", ""), (24600.0, "run", ""), (28600.0, "stop", "")),
)
SHIFTS = {"lens_4": LENS_SHIFT, "housing_7": HOUSING_SHIFT}
ZONES = {"lens_4": ("syringe", "nozzle"), "housing_7": ("tank", "hose", "nozzle")}


def day(cell: str, seed: int) -> str:
    """The scenario of a day."""
    rng = np.random.default_rng(seed)
    room_c, conductivity, wall = rng.uniform((19.0, 0.9, 0.9), (27.0, 1.1, 1.1))
    lines = [
        f'title = "A day of {cell}"',
        f"seed = {seed}",
        f"end_s = {3 * SHIFT_S}",
        f"[cells.{cell}]",
        "parts = 40",
        "charge_id = 52",
        f"ambient_c = {room_c:.1f}",
        f"charge_c = {room_c:.1f}",
        f"conductivity_factor = {conductivity:.3f}",
        f"wall_factor = {wall:.3f}",
        f"[cells.{cell}.zones]",
        *(f"{zone}.initial_c = {room_c:.1f}" for zone in ZONES[cell]),
    ]
    for shift in range(3):
        for at_s, order, more in SHIFTS[cell]:
            is_warming = shift == 0 and at_s < COLD_START_S[cell]
            if is_warming and order != "run":
                continue  # it is on and heats up with what is in it
            since_s = COLD_START_S[cell] if is_warming else shift * SHIFT_S + at_s
            lines += [f"[[cells.{cell}.plan]]", f"at_s = {since_s}", f'do = "{order}"', more]
    return "\n".join(lines)


def called(events: list[Event]) -> list[str]:
    """Each time people were called, with when and by what."""
    return [
        f"{event.at.mono_ns / NANO / HOUR_S:.2f} h {event.zone} {event.detail('alarm')}"
        f" ({event.detail('input')}) at {event.detail('temp_c')} degC"
        for event in events
        if event.kind is EventKind.ALARM_CHANGED
        and event.detail("to") == AlarmState.UNACKNOWLEDGED
        and event.detail("from") != AlarmState.UNACKNOWLEDGED
    ]


def live_through(cell: str, seed: int, until_s: float) -> list[str]:
    """Who was called in a day, or in the first of it."""
    rules = next(one for one in load(CONFIG).cells if one.id == cell)
    played = play(day(cell, seed), rules, seed=seed, until_s=until_s)
    calls = called(played.events)
    changes = [e for e in played.events if e.kind is EventKind.CHARGE_CHANGED]
    print(
        f"\n{cell} seed {seed}: {len(played.truth)} parts, {len(changes)} charges,"
        f" {len(calls)} calls {calls}"
    )
    assert played.truth, "nothing was made"
    return calls


@pytest.mark.timeout(120)
@pytest.mark.parametrize("cell", SHIFTS)
def test_a_cold_start_and_the_first_hours_call_nobody_more_than_twice(cell: str) -> None:
    """Warming up from room temperature, the first parts."""
    assert len(live_through(cell, 1, 2.5 * HOUR_S)) <= MOST_A_DAY


@pytest.mark.soak
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("cell", SHIFTS)
def test_a_day_without_a_fault_calls_nobody_more_than_twice(cell: str, seed: int) -> None:
    """Three shifts with warm-up, breaks, wipes, new charges."""
    assert len(live_through(cell, seed, 3 * SHIFT_S)) <= MOST_A_DAY
