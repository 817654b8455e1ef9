"""What it costs to ask why a temperature moves."""

from __future__ import annotations

import statistics
import time
from dataclasses import replace

import pytest

from bench.cells import DAY_S, cell, readings
from bench.figures import Figures, cpu_s
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import Block, Event, EventKind

pytestmark = [pytest.mark.bench, pytest.mark.timeout(180)]

ROUNDS = 3
WARM_S, LIVE_S = 3600, 600
OF_CAUSES = {
    *(EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED, EventKind.FINDING_ENDED),
    EventKind.PART_MADE,
}
"""What is told because causes are sought; a finding also speaks against parts."""


def plans() -> dict[bool, CellPlan]:
    """The same cell of three zones, with and without causes."""
    rules = cell()
    return {
        is_on: engine.plan_cell(replace(rules, finds_causes=is_on, dew_point=None, air=None))
        for is_on in (False, True)
    }


def without_causes(events: list[Event]) -> list[Event]:
    """What is told whether causes are sought or not."""
    return [event for event in events if event.kind not in OF_CAUSES]


def test_a_row_at_a_time(figures: Figures) -> None:
    """Live, with and without causes in turns: the other events are the same."""
    both = plans()
    day = readings(both[True].rules, 1, jitter=True).block
    states = {on: engine.step(engine.start(p), day.rows(0, WARM_S), p)[0] for on, p in both.items()}
    taken_ns: dict[bool, list[int]] = {False: [], True: []}
    told: dict[bool, list[Event]] = {False: [], True: []}
    for n in range(WARM_S, WARM_S + LIVE_S):
        row = day.rows(n, n + 1)
        for is_on, plan in both.items():
            began_ns = time.process_time_ns()
            states[is_on], events = engine.step(states[is_on], row, plan)
            taken_ns[is_on].append(time.process_time_ns() - began_ns)
            told[is_on] += events
    assert without_causes(told[True]) == without_causes(told[False])
    assert states[True].diagnosis.sources
    assert not states[False].diagnosis.sources

    mean_us = {on: statistics.mean(taken) / 1e3 for on, taken in taken_ns.items()}
    for is_on, taken in taken_ns.items():
        name = f"step of one row of 3 zones, {'with' if is_on else 'without'} causes"
        figures.add(f"{name}, median", statistics.median(taken) / 1e3, "us")
        figures.add(f"{name}, mean", mean_us[is_on], "us")
    more_us = mean_us[True] - mean_us[False]
    figures.keep("causes of 3 zones, a row, mean", more_us, "us", below=500.0)
    figures.add("share of the step spent on causes", 100.0 * more_us / mean_us[True], "%")


@pytest.mark.parametrize("size", [600, 3600, DAY_S])
def test_a_replay(figures: Figures, size: int) -> None:
    """Two days with and without causes in turns: the other events are the same."""
    both = plans()
    days = readings(both[True].rules, 2).block
    told: dict[bool, list[Event]] = {}

    def replay(is_on: bool) -> None:
        told[is_on] = replayed(days, both[is_on], size)[1]

    taken_s: dict[bool, list[float]] = {False: [], True: []}
    for _ in range(ROUNDS):
        for is_on in both:
            taken_s[is_on].append(cpu_s(lambda is_on=is_on: replay(is_on)))  # type: ignore[misc]
    assert without_causes(told[True]) == without_causes(told[False])
    assert told[True] != told[False]
    without_s, with_s = (statistics.median(taken_s[is_on]) for is_on in both)
    figures.keep(
        f"replay in blocks of {size}, with causes over without", with_s / without_s, "", below=1.5
    )


def replayed(days: Block, plan: CellPlan, size: int) -> tuple[CellState, list[Event]]:
    """State and events after all rows, in blocks of one size."""
    state, events = engine.start(plan), list[Event]()
    for first in range(0, len(days), size):
        state, new = engine.step(state, days.rows(first, first + size), plan)
        events += new
    return state, events
