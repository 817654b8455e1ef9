"""The totals of a run against an integration of the truth that shares no code with the core."""

from __future__ import annotations

from dataclasses import astuple
from functools import reduce
from operator import add

import numpy as np
import pytest
from numpy.typing import NDArray

from integration.conftest import OPEN_HEATER, TYPED_SETPOINT, FaultyRun
from support import account
from support.plant import CELLS, SETTLING_S, Plant
from watchedpot.core.model import EventKind
from watchedpot.core.rules import ZoneRules
from watchedpot.core.snapshot import Exposure

pytestmark = [pytest.mark.integration, pytest.mark.timeout(300)]

ZONES = [("lens_4", "syringe"), ("lens_4", "nozzle")] + [
    ("housing_7", zone) for zone in ("tank", "hose", "nozzle")
]
every_zone = pytest.mark.parametrize(("cell", "zone"), ZONES)
both_faults = pytest.mark.parametrize("fault", [OPEN_HEATER, TYPED_SETPOINT])
LONG_POLLS = 20
LONGEST_ANSWER_S = 2.5
"""Longer than any source waits for a whole answer, and then some. [s, real]"""


def rules_of(plant: Plant, cell: str, zone: str) -> ZoneRules:
    """Rules of a zone."""
    cells = plant.configuration.cells
    zones = next(rules for rules in cells if rules.id == cell).zones
    return next(rules for rules in zones if rules.id == zone)


def total_of(plant: Plant, cell: str, zone: str) -> Exposure:
    """Recorded totals of a zone over all activities."""
    state = next(state for state in plant.state(cell).zones if state.id == zone)
    return reduce(add, state.account)


@both_faults
@every_zone
def test_totals_are_those_of_the_readings(
    faulty_runs: dict[str, FaultyRun], fault: str, cell: str, zone: str
) -> None:
    """Seconds and kelvin-seconds equal SciPy's over the recorded instants, to rounding."""
    plant = faulty_runs[fault].plant
    rules = rules_of(plant, cell, zone)
    seen = account.readings(plant.blocks(cell), f"{cell}/{zone}/temperature")
    due = account.account(seen, low_c=rules.low_c, high_c=rules.high_c, max_gap_s=rules.max_gap_s)
    total = total_of(plant, cell, zone)
    found = [ns / 1e9 for ns in astuple(total)]
    expected = [due.below_s, due.inside_s, due.above_s, due.blind_s, due.under_ks, due.over_ks]
    # Each step is rounded to a whole ns once for each side, and floats carry 1e-12 of the sum.
    rounding_s = 1e-9 * seen.mono_ns.size + 1e-12 * sum(expected)
    assert found == pytest.approx(expected, rel=0.0, abs=rounding_s)
    worst = max(abs(a - b) for a, b in zip(found, expected, strict=True))
    print(f"\n{cell}/{zone}: {due}, furthest off {worst:.1e}")


@both_faults
@every_zone
def test_no_nanosecond_is_lost(
    faulty_runs: dict[str, FaultyRun], fault: str, cell: str, zone: str
) -> None:
    """Below, inside, above and blind are together the time from first to last row, exactly."""
    plant = faulty_runs[fault].plant
    blocks = plant.blocks(cell)
    total = total_of(plant, cell, zone)
    parts_ns = total.below_ns + total.inside_ns + total.above_ns + total.blind_ns
    assert parts_ns == int(blocks[-1].mono_ns[-1]) - int(blocks[0].mono_ns[0])


@both_faults
@pytest.mark.parametrize("cell", CELLS)
def test_readings_are_what_the_controller_showed(
    faulty_runs: dict[str, FaultyRun], fault: str, cell: str
) -> None:
    """Each recorded temperature was shown by the controller no longer ago than it may be.

    A busy machine may hold up an answer, never for longer than a source waits for one.
    """
    plant = faulty_runs[fault].plant
    for zone in (zone for owner, zone in ZONES if owner == cell):
        seen = account.readings(plant.blocks(cell), f"{cell}/{zone}/temperature")
        shown = plant.truth(cell, f"{zone}.shown_c")
        usual, longest = (
            older_than(seen, shown, round((1.0 + wait_s * plant.speed) * 1e9))
            for wait_s in (SETTLING_S, LONGEST_ANSWER_S)
        )
        assert seen.is_good.sum() > 500
        assert not longest, longest[:3]
        assert len(usual) <= 0.01 * seen.is_good.sum(), usual[:3]


def older_than(
    seen: account.Readings, shown: tuple[NDArray[np.int64], NDArray[np.float64]], late_ns: int
) -> list[tuple[int, float]]:
    """UTC [ns] and value [degC] of readings that were not shown within a time before them."""
    at_ns, shown_c = shown
    last = np.searchsorted(at_ns, seen.utc_ns, side="right")
    first = np.maximum(np.searchsorted(at_ns, seen.utc_ns - late_ns) - 1, 0)
    return [
        (int(seen.utc_ns[row]), float(seen.value[row]))
        for row in np.flatnonzero(seen.is_good)
        if np.abs(shown_c[first[row] : last[row]] - seen.value[row]).min(initial=np.inf) > 1e-4
    ]


@pytest.mark.parametrize(("fault", "edge"), [(OPEN_HEATER, "low"), (TYPED_SETPOINT, "high")])
@pytest.mark.parametrize("cell", CELLS)
def test_a_long_excursion_is_that_of_the_sensor(
    faulty_runs: dict[str, FaultyRun], fault: str, edge: str, cell: str
) -> None:
    """Exposure of an excursion is within 1 % of the integral over the sensor at every scan.

    The sensor column is unrounded and twice as dense as the polls. Where the record says that it
    did not see, nothing may be credited, so these steps are left out of the integral too.
    """
    plant = faulty_runs[fault].plant
    poll_s = plant.configuration.sources[0].poll_period_s
    ended = [
        event
        for event in plant.events(EventKind.EXCURSION_ENDED, cell=cell)
        if event.zone == "nozzle" and event.detail("edge") == edge
    ]
    rules = rules_of(plant, cell, "nozzle")
    limit_c = rules.low_c if edge == "low" else rules.high_c
    seen = account.readings(plant.blocks(cell), f"{cell}/nozzle/temperature")
    at_ns, sensor_c = plant.truth(cell, "nozzle.sensor_c")
    long = [
        event for event in ended if float(event.detail("duration_s") or 0) > LONG_POLLS * poll_s
    ]
    assert len(long) == 1
    for event in long:
        onset_ns = int(event.detail("onset_utc_ns") or 0)
        end_ns = onset_ns + round(float(event.detail("duration_s") or 0.0) * 1e9)
        due_ks = blind_s = 0.0
        for row, is_joined in enumerate(seen.joined(rules.max_gap_s)):
            first, last = np.clip(seen.utc_ns[row : row + 2], onset_ns, end_ns)
            if not is_joined:
                blind_s += (last - first) / 1e9
            elif last > first:
                inner = at_ns[(at_ns > first) & (at_ns < last)]
                times = np.concatenate(([first], inner, [last]))
                line_c = np.interp(times, at_ns, sensor_c)
                due_ks += account.beyond(
                    (times - first) / 1e9, line_c, limit_c, is_high=edge == "high"
                )[1]
        found_ks = float(event.detail("exposure_ks") or 0.0)
        print(
            f"\n{cell} {edge}: {event.detail('duration_s'):.1f} s, {found_ks:.1f} K s against"
            f" {due_ks:.1f} ({found_ks / due_ks - 1:+.3%}), {blind_s:.1f} s blind"
        )
        assert found_ks == pytest.approx(due_ks, rel=0.01)
