"""What the record takes on the disk, and how long a commit takes."""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import pytest

from bench.cells import DAY_S, cell, readings
from bench.figures import Figures
from watchedpot.core import engine
from watchedpot.core.model import Instant
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger, dump_state

pytestmark = [pytest.mark.bench, pytest.mark.timeout(120)]

ROWS_PER_BATCH = 600
COMMITS = 200


def opened(path: Path) -> Ledger:
    """New ledger that commits at once."""
    return Ledger.open(
        path, now=lambda: Instant(0, 0), version="0", config="", commit_interval_s=0.0
    )


@pytest.mark.parametrize("kind", ["OPC UA", "Modbus"])
def test_a_day(figures: Figures, tmp_path: Path, kind: str) -> None:
    """A day of one cell, with all its signals, is in the file as it was read."""
    rules = cell()
    day = readings(rules, 1, jitter=True, stamps=kind == "OPC UA").block
    path = tmp_path / "ledger"
    book = opened(path)
    for first in range(0, DAY_S, ROWS_PER_BATCH):
        rows = day.rows(first, first + ROWS_PER_BATCH)
        assert book.append(Batch((rows,))).result(10.0)
    assert book.stop()
    assert sum(len(one.block) for one in ledger.blocks(path)) == DAY_S
    assert ledger.verify(path).is_whole
    size_mb = path.stat().st_size / len(rules.zones) / 1e6
    figures.keep(f"ledger of a zone-day, {kind}", size_mb, "MB", below=1.0)


def test_commits(figures: Figures, tmp_path: Path) -> None:
    """One row and the state after it, until they are on the disk."""
    rules = cell()
    plan, block = engine.plan_cell(rules), readings(rules, 1 / 24, jitter=True).block
    path = tmp_path / "ledger"
    book, state = opened(path), engine.start(plan)
    taken_s = []
    for n in range(COMMITS):
        row = block.rows(n, n + 1)
        state, events = engine.step(state, row, plan)
        batch = Batch((row,), events, {rules.id: dump_state(state)})
        began_s = time.perf_counter()
        assert book.append(batch).result(10.0)
        taken_s.append(time.perf_counter() - began_s)
    assert book.stop()
    assert sum(len(one.block) for one in ledger.blocks(path)) == COMMITS
    figures.add("commit of one row and one state, median", statistics.median(taken_s) * 1e3, "ms")
