"""How fast recorded readings go through the core again."""

from __future__ import annotations

import statistics

import pytest

from bench.cells import DAY_S, Readings, cell, readings, spine
from bench.figures import Figures, cpu_s
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import Event, EventKind
from watchedpot.outputs.ledger import codec

pytestmark = [pytest.mark.bench, pytest.mark.timeout(180)]

SIZES = (600, 3600, 16_384, 86_400)
DAYS = 7
ROUNDS = 3


def replayed(week: Readings, plan: CellPlan, size: int) -> tuple[CellState, list[Event]]:
    """State and events after all rows, in blocks of one size."""
    state, events = engine.start(plan), list[Event]()
    for first in range(0, len(week.block), size):
        state, new = engine.step(state, week.block.rows(first, first + size), plan)
        events += new
    return state, events


def timed(week: Readings, plan: CellPlan, size: int) -> tuple[float, tuple[CellState, list[Event]]]:
    """Median time of a replay [s], and its result."""
    results: list[tuple[CellState, list[Event]]] = []
    taken_s = [cpu_s(lambda: results.append(replayed(week, plan, size))) for _ in range(ROUNDS)]
    return statistics.median(taken_s), results[-1]


def ended(events: list[Event], zone: str) -> int:
    """Excursions of a zone that came to their end."""
    return sum(event.kind is EventKind.EXCURSION_ENDED and event.zone == zone for event in events)


def test_a_week_of_one_cell(figures: Figures) -> None:
    """A week goes through in any blocks with the same result, and every dip in it is found."""
    rules = cell()
    plan, week = engine.plan_cell(rules), readings(rules, DAYS)
    samples = len(week.block) * len(rules.zones)
    results = []
    for size in SIZES:
        taken_s = []
        for _ in range(ROUNDS):
            taken_s.append(cpu_s(lambda size=size: results.append(replayed(week, plan, size))))  # type: ignore[misc]
            del results[1:-1]
        week_s = statistics.median(taken_s)
        assert results[-1] == results[0], size
        name = f"replay in blocks of {size}"
        figures.reach(f"{name}, per second", samples / week_s / 1e6, "M zone-samples", target=3.0)
        figures.keep(f"{name}, a cell-week", week_s, "s", below=1.0)
    state, events = results[0]
    for zone in state.zones:
        assert zone.readings[0] == DAYS * DAY_S
        assert ended(events, zone.id) == week.dips > 0


def test_what_everything_costs(figures: Figures) -> None:
    """A week judged by its sensors alone, and with age, core, tip and air: the same excursions."""
    rules = cell()
    week = readings(rules, DAYS)
    plans = {"alone": engine.plan_cell(spine(rules)), "everything": engine.plan_cell(rules)}
    for size in (3600, 86_400):
        taken_s, found = {}, {}
        for name, plan in plans.items():
            taken_s[name], found[name] = timed(week, plan, size)
        ratio = taken_s["alone"] / taken_s["everything"]
        figures.add(f"sensors alone over everything, blocks of {size}", ratio, "of the time")
        (_, plain), (state, events) = found["alone"], found["everything"]
        for zone in rules.zones[:2]:
            assert ended(events, zone.id) == ended(plain, zone.id) > 0
        assert state.zones[0].dose.low_ns > 0
        assert state.zones[0].core is not None


def test_reading_it_back(figures: Figures) -> None:
    """A day out of recorded blocks gives the state that it gave before it was recorded."""
    rules = cell()
    plan, day = engine.plan_cell(rules), readings(rules, 1, jitter=True, stamps=True)
    size = 600
    payloads = [
        codec.encode(day.block.rows(first, first + size)) for first in range(0, DAY_S, size)
    ]

    def read_back() -> CellState:
        state = engine.start(plan)
        for payload in payloads:
            block = codec.decode(payload, source=rules.id, channels=day.block.channels)
            state, _ = engine.step(state, block, plan)
        return state

    states: list[CellState] = []
    taken_s = statistics.median(cpu_s(lambda: states.append(read_back())) for _ in range(ROUNDS))
    assert states[-1] == replayed(day, plan, DAY_S)[0]
    rate = DAY_S * len(rules.zones) / taken_s / 1e6
    figures.add("replay out of recorded blocks of 600, per second", rate, "M zone-samples")
