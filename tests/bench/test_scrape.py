"""How long a scrape holds the interpreter."""

from __future__ import annotations

import statistics

import pytest
from prometheus_client.parser import text_string_to_metric_families

from bench.cells import cell, readings
from bench.figures import Figures, cpu_s
from watchedpot.core import engine
from watchedpot.core.model import Instant
from watchedpot.core.snapshot import CellSnapshot, LedgerSnapshot, Snapshot
from watchedpot.outputs.metrics import Metrics

pytestmark = [pytest.mark.bench, pytest.mark.timeout(120)]

ROUNDS = 9


def watched(name: str) -> CellSnapshot:
    """Cell after ten minutes."""
    rules = cell(name)
    plan = engine.plan_cell(rules)
    state, _ = engine.step(engine.start(plan), readings(rules, 600 / 86_400).block, plan)
    shown = engine.snapshot(state, plan)
    assert shown is not None
    return shown


@pytest.mark.parametrize("cells", [100, 300])
def test_many_zones(figures: Figures, cells: int) -> None:
    """Every zone of every cell is on the page."""
    shown = tuple(watched(f"cell_{n}") for n in range(cells))
    at: Instant = shown[0].at
    ledger = LedgerSnapshot(
        is_writing=True,
        commits=600,
        failures=0,
        events=17,
        rows=600 * cells,
        pending=0,
        capacity=1000,
        dropped=0,
        size_bytes=400_000,
        last_commit=at,
    )
    snapshot = Snapshot(at, at, "0", "0", shown, (), ledger)
    metrics = Metrics(lambda: snapshot, lambda: at)
    bodies: list[bytes] = []
    taken_s = [cpu_s(lambda: bodies.append(metrics.encode("")[0])) for _ in range(ROUNDS)]
    zones = sum(len(one.zones) for one in shown)
    families = {f.name: f for f in text_string_to_metric_families(bodies[-1].decode())}
    assert len(families["watchedpot_heat_zone_temperature_celsius"].samples) == zones
    name = f"scrape of {zones} zones"
    figures.keep(f"{name}, median", statistics.median(taken_s) * 1e3, "ms", below=50.0)
    figures.add(f"{name}, the first one", taken_s[0] * 1e3, "ms")
    figures.add(f"{name}, body", len(bodies[-1]) / 1e6, "MB")
