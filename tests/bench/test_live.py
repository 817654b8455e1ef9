"""What watching costs from second to second, and how late polls come."""

from __future__ import annotations

import asyncio
import random
import statistics
import time
from contextlib import suppress

import pytest

from bench.cells import cell, readings
from bench.figures import Figures, percentile
from support.devices import Plant
from support.running import RealClock
from watchedpot.app.daemon import BlockQueue
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import Block, Reading, Reason, missing_row
from watchedpot.outputs.ledger import dump_state, load_state
from watchedpot.sources.base import Poller

pytestmark = [pytest.mark.bench, pytest.mark.timeout(120)]

CELLS = 100
SECONDS = 30
HOUR_S = 3600


def rows_of(block: Block, first: int) -> list[Block]:
    """Single rows, as they come from a poller."""
    return [block.rows(n, n + 1) for n in range(first, first + SECONDS)]


def test_row_by_row(figures: Figures) -> None:
    """A hundred cells of three zones, each at another time of the day, end as in one block."""
    rules = cell()
    plan, day = engine.plan_cell(rules), readings(rules, 1, jitter=True)
    starts = [n * 24 * HOUR_S // CELLS for n in range(CELLS)]
    starts = [min(start, len(day.block) - SECONDS) for start in starts]
    before = [warmed(plan, day.block, start) for start in starts]
    states = list(before)
    rows = [rows_of(day.block, start) for start in starts]
    steps_ns, dumps_ns = [], []
    for n in range(SECONDS):
        for place in range(CELLS):
            began_ns = time.process_time_ns()
            states[place], _ = engine.step(states[place], rows[place][n], plan)
            stepped_ns = time.process_time_ns()
            text = dump_state(states[place])
            dumps_ns.append(time.process_time_ns() - stepped_ns)
            steps_ns.append(stepped_ns - began_ns)
    for place, start in enumerate(starts):
        whole = day.block.rows(start, start + SECONDS)
        assert states[place] == engine.step(before[place], whole, plan)[0]
    assert load_state(CellState, text) == states[-1]

    step_share, dump_share = (sum(taken) / SECONDS / 1e9 for taken in (steps_ns, dumps_ns))
    share = 100 * (step_share + dump_share)
    figures.add("step of one row of 3 zones, median", statistics.median(steps_ns) / 1e3, "us")
    figures.add("step of one row of 3 zones, 99 of 100", percentile(steps_ns, 0.99) / 1e3, "us")
    figures.add("state of 3 zones as JSON, median", statistics.median(dumps_ns) / 1e3, "us")
    figures.add(f"{CELLS} cells of 3 zones at 1 Hz, of one core", share, "%")
    figures.keep("300 cells of 3 zones at 1 Hz, of one core", share * 300 / CELLS, "%", below=50.0)


def warmed(plan: CellPlan, block: Block, start: int) -> CellState:
    """State after the ten minutes before a row."""
    return engine.step(engine.start(plan), block.rows(max(0, start - 600), start), plan)[0]


def test_lateness(figures: Figures) -> None:
    """A hundred pollers, due at the same moments, with judging in the same loop, skip nothing."""
    plans = {f"cell_{n}": engine.plan_cell(cell(f"cell_{n}")) for n in range(CELLS)}
    states = {}
    for name, plan in plans.items():  # as the daemon does before its first poll
        row = missing_row(name, plan.rules.channels(), RealClock().now(), Reason.NOT_WATCHED)
        states[name], _ = engine.step(engine.start(plan), row, plan)
        dump_state(states[name])
    late_s: list[float] = []
    queue = BlockQueue(2 * CELLS)
    polls = 6

    def poller(name: str) -> Poller:
        channels = plans[name].rules.channels()
        device = Plant({channel: Reading(120.0) for channel in channels})

        def take(block: Block) -> None:
            late_s.append(made.status().lateness_s)
            queue.put(block)

        made = Poller(
            name,
            "scripted",
            channels,
            device.device,
            clock=RealClock(),
            poll_period_s=1.0,
            connect_bound_s=1.0,
            read_bound_s=1.0,
            reconnect_cap_s=1.0,
            emit=take,
            report=lambda *_, **__: None,
            rng=random.Random(1),
        )
        return made

    async def judge() -> None:
        while True:
            for block in await queue.take():
                states[block.source], _ = engine.step(
                    states[block.source], block, plans[block.source]
                )
                dump_state(states[block.source])

    async def watch() -> list[Poller]:
        pollers = [poller(name) for name in plans]
        tasks = [asyncio.ensure_future(work) for work in (judge(), *(p.run() for p in pollers))]
        await asyncio.sleep(polls + 0.9)
        for task in tasks:
            task.cancel()
        for task in tasks:
            with suppress(asyncio.CancelledError):
                await task
        return pollers

    pollers = asyncio.run(watch())
    assert not queue.dropped
    assert {p.status().polls for p in pollers} == {polls}
    assert sum(zone.readings[0] for state in states.values() for zone in state.zones) == (
        polls * CELLS * 3
    )
    late_ms = [1e3 * late for late in late_s]
    name = f"lateness of {CELLS} polls due at one moment"
    figures.add(f"{name}, median", statistics.median(late_ms), "ms")
    figures.keep(f"{name}, 99 of 100", percentile(late_ms, 0.99), "ms", below=50.0)
