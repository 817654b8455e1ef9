"""Runs of both programs that several files judge from different sides."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field

import pytest

from support.plant import Plant, alive, cpu_s, joined_scenario

FAULT_AT_S = 300.0
"""When the fault of each of these scenarios begins [s]."""

WARM_START = (
    ("radius_mm = 11.3", "timer_min = 0.1 #"),
    ("wall_w_per_m2_k = 90.0", "#"),
    ("tolerance_k = 2.0", "#"),
    ("timer_min = 3.0", "timer_min = 0.1"),
)
"""For scenarios that begin warm, which the daemon cannot know: it waits for a few seconds only."""

OPEN_HEATER, TYPED_SETPOINT = "nozzle_heater_open", "setpoint_typo"


@dataclass
class FaultyRun:
    """Both cells with the same fault, over and recorded.

    Attributes
    ----------
    settling_s
        Granted to reading, judging, recording and serving beyond poll and on-delay, in real
        time. [s]
    wanted
        Alarms of the nozzle, each with its stage.
    shown_ns
        Cell time at which /metrics first showed an alarm at a stage, by cell, alarm and stage.
    """

    plant: Plant
    settling_s: float
    wanted: list[tuple[str, int]]
    shown_ns: dict[tuple[str, str, int], int] = field(default_factory=dict)

    def look(self) -> None:
        """Note what /metrics shows now."""
        missing = [
            (cell, alarm, stage)
            for cell in ("lens_4", "housing_7")
            for alarm, stage in self.wanted
            if (cell, alarm, stage) not in self.shown_ns
        ]
        if not missing or self.plant.cell_s() < FAULT_AT_S:
            return
        scrape = self.plant.metrics()
        at_ns = self.plant.cell_ns()
        for cell, alarm, stage in missing:
            labels = {"cell": cell, "heat_zone": "nozzle", "alarm": alarm}
            if scrape.total("watchedpot_alarm_stage", **labels) >= stage:
                self.shown_ns[cell, alarm, stage] = at_ns


@pytest.fixture(
    scope="session",
    params=[
        # Four busy programs on a shared machine wait for each other; the sharp run is the slow one.
        pytest.param((30.0, 1040.0, 1.0), id="x30"),
        pytest.param((10.0, 1400.0, 0.2), id="x10", marks=pytest.mark.soak),
    ],
)
def faulty_runs(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, FaultyRun]]:
    """The open heater and the typed setpoint, each over both protocols, side by side."""
    speed, until_s, settling_s = request.param
    stages = {
        OPEN_HEATER: [("cold", 1), ("build_up", 1)],
        TYPED_SETPOINT: [("hot", 1), ("hot", 2), ("degradation", 1)],
    }
    runs = {}
    with ExitStack() as stack:
        for name, wanted in stages.items():
            scenario = joined_scenario(f"{name}_opcua", f"{name}_modbus")
            folder = tmp_path_factory.mktemp(name)
            plant = stack.enter_context(
                Plant(folder, scenario, speed=speed, lead_s=12.0, changes=WARM_START)
            )
            runs[name] = FaultyRun(plant, settling_s, wanted)
        for run in runs.values():
            run.plant.start_cells(is_waiting=False)
        daemons = [run.plant.start_daemon() for run in runs.values()]
        began_s = max(run.plant.cell_s() for run in runs.values())
        assert began_s < FAULT_AT_S - 60.0, "this machine is too slow to be ready in time"
        while min(run.plant.cell_s() for run in runs.values()) < until_s:
            for run in runs.values():
                run.look()
                for program in run.plant.programs:
                    alive(program)
            time.sleep(0.02)
        used_s = [cpu_s(daemon) for daemon in daemons]
        assert [daemon.stop() for daemon in daemons] == [0, 0]
        print(f"\nspeed {speed:g}: daemons up at {began_s:.1f} s, processor time {used_s} s")
        yield runs
