"""Every series that there is to query: one scrape of a daemon, and what the rules record of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from deploy.queries import Served, with_recorded
from outputs.samples import make_alarm
from outputs.test_metrics import make_snapshot, scrape
from watchedpot.core.rules import AlarmKind, Priority
from watchedpot.core.snapshot import AlarmState

RULES = Path(__file__).parents[2] / "deploy" / "prometheus" / "rules.yml"


def served() -> Served:
    """Every series of one scrape with the values of its labels, and what is recorded of it."""
    snapshot = make_snapshot()
    cell = snapshot.cells[0]
    alarms = tuple(
        replace(
            make_alarm(cell.id, zone.id, kind, AlarmState.NORMAL, stage=0, raised=0),
            priority=priority,
            limit_s=30.0,
        )
        for zone in cell.zones
        for kind, priority in zip(
            (AlarmKind.COLD, AlarmKind.HOT, AlarmKind.BUILD_UP, AlarmKind.DEGRADATION),
            Priority,
            strict=True,
        )
    )
    text = scrape(replace(snapshot, cells=(replace(cell, alarms=alarms),)))
    found: dict[str, dict[str, frozenset[str]]] = {"up": {}}
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            labels = found.setdefault(sample.name, {})
            for label, value in sample.labels.items():
                labels[label] = labels.get(label, frozenset()) | {value}
    return with_recorded(found, RULES.read_text("utf-8"))
