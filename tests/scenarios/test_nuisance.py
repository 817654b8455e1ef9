"""How often a healthy cell is said to be ill: thirty days of each, straight through the engine.

Six plants of five days each. Every day has three shifts with breaks kept hot and set back, wipes,
a new charge or a refill, and a room that is coolest at night and that somebody airs now and then.
Some zones of some plants are read in halves or wholes of a kelvin. Every zone and the room differ
by up to 30 % from what the daemon was told. Nothing is wrong on any of these days.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from potsim.plants import PLANTS
from potsim.scenarios import parse
from scenarios.expect import SOUND
from scenarios.score import Finding, findings_of
from scenarios.straight import concluded, told
from watchedpot.core.model import Event, EventKind, Instant
from watchedpot.core.snapshot import AlarmState, Severity

HOUR_S = 3600.0
SHIFT_S = 8 * HOUR_S
DAY_S = 24 * HOUR_S
PLANTS_DRAWN, DAYS_EACH = 6, 5

MOST_SOUNDING_PER_SHIFT = 2.0
"""Target of common practice for one small cell. [1]"""

SWING_K = 4.0
AIRED_K = 5.0


def shift(cell: str, rng: np.random.Generator) -> list[tuple[float, str, str]]:
    """Orders of one shift, each with its time. [s]."""

    def about(at_s: float) -> float:
        return round(at_s + float(rng.uniform(-300.0, 300.0)))

    new_c = {"lens_4": rng.uniform(85.0, 105.0), "housing_7": rng.uniform(60.0, 105.0)}[cell]
    change = f"charge_c = {new_c:.1f}"
    if cell == "housing_7":
        change += f"\ncharge_kg = {rng.uniform(0.15, 0.4):.2f}"
    orders = [(about(1200.0), "run", "")]
    orders += [(about(at_s), "wipe", "") for at_s in range(2400, 28_000, 2400)]
    begin_s = about(7200.0)
    orders += [(begin_s, "stop", ""), (begin_s + 2100.0, "run", "")]
    begin_s = about(13_500.0)
    orders += [(begin_s, "change_charge", change), (begin_s + 200.0, "recover", "")]
    orders += [(begin_s + 2400.0, "run", "")]
    begin_s = about(20_400.0)
    orders += [(begin_s, "stop", ""), (begin_s + 1.0, "recover", ""), (begin_s + 900.0, "run", "")]
    return sorted([*orders, (28_500.0, "stop", "")])


def days(cell: str, seed: int, until_s: float) -> str:
    """Scenario of a plant for some days."""
    rng = np.random.default_rng([seed, 30])
    steps: list[tuple[float, str, str]] = []
    for first_s in np.arange(0.0, until_s, SHIFT_S).tolist():
        steps += [(first_s + at_s, order, more) for at_s, order, more in shift(cell, rng)]
    room_c = float(rng.uniform(20.0, 26.0))
    for at_s in np.arange(1800.0, until_s, 1800.0).tolist():
        swing_k = SWING_K * math.sin(2.0 * math.pi * (at_s / DAY_S - 0.3))
        aired_k = AIRED_K if rng.random() < 0.06 else 0.0
        steps.append((at_s, "ambient", f"ambient_c = {room_c + swing_k - aired_k:.1f}"))
    zones = [zone.name for zone in PLANTS[cell].zones]
    # How finely a zone is read belongs to its wiring: it is the same on every day.
    steps_k = rng.choice([0.1, 0.5, 1.0], size=len(zones), p=[0.6, 0.2, 0.2]).tolist()
    lines = [
        'title = "Days on which nothing is wrong"',
        "scan_s = 1.0",
        f"end_s = {until_s}",
        f"[cells.{cell}]",
        "parts = 40",
        "charge_id = 52",
        f"ambient_c = {room_c:.1f}",
        "spread = 0.3",
        f"plant_seed = {seed}",
        *(f"zones.{z}.resolution_k = {step_k}" for z, step_k in zip(zones, steps_k, strict=True)),
    ]
    for at_s, order, more in sorted(steps):
        if at_s < until_s - 1.0:
            lines += [f"[[cells.{cell}.plan]]", f"at_s = {at_s}", f'do = "{order}"', more]
    return "\n".join(lines)


def lived(cell: str, seed: int, until_s: float) -> tuple[list[Finding], list[Event]]:
    """What is told of a plant in some days, and every event."""
    rules, sources = told()
    scenario = parse(days(cell, seed, until_s), "days")
    events = concluded(
        scenario, cell, rules=rules[cell], source=sources[cell], seed=seed, rows_each=600
    )
    return findings_of(events), events


def counted(findings: list[Finding]) -> tuple[Counter[str], Counter[str]]:
    """Findings by the worst severity that each had, and the sounding ones by their causes."""
    order = [severity.value for severity in Severity]
    severities: Counter[str] = Counter()
    causes: Counter[str] = Counter()
    for finding in findings:
        worst = min((telling.severity for telling in finding.tellings), key=order.index)
        severities[worst] += 1
        if worst in SOUND:
            causes[" -> ".join(dict.fromkeys(t.cause for t in finding.tellings))] += 1
    return severities, causes


def calls(events: list[Event]) -> int:
    """How often an alarm of any kind called somebody. [1]."""
    return sum(
        event.kind is EventKind.ALARM_CHANGED
        and event.detail("to") == AlarmState.UNACKNOWLEDGED
        and event.detail("from") != AlarmState.UNACKNOWLEDGED
        for event in events
    )


def _check(cell: str, lives: list[tuple[list[Finding], list[Event]]], shifts: float) -> None:
    findings = [finding for found, _ in lives for finding in found]
    severities, causes = counted(findings)
    per_shift = {word: round(count / shifts, 3) for word, count in severities.items()}
    called = sum(calls(events) for _, events in lives)
    print(
        f"\n{cell}: {shifts:g} shifts, findings per shift {per_shift}, sounding by cause"
        f" {dict(causes)}; alarms {called / shifts:.2f} per shift"
    )
    assert any(event.kind is EventKind.PART_MADE for _, events in lives for event in events)
    assert severities[Severity.CRITICAL] == 0
    assert sum(severities[word] for word in SOUND) <= MOST_SOUNDING_PER_SHIFT * shifts


@pytest.mark.timeout(120)
@pytest.mark.parametrize("cell", PLANTS)
def test_a_healthy_shift_is_quiet(cell: str) -> None:
    """At most two findings of eight hours ask for a person, none at once."""
    _check(cell, [lived(cell, 3, SHIFT_S)], 1.0)


@pytest.mark.soak
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("cell", PLANTS)
def test_thirty_healthy_days_are_quiet(cell: str) -> None:
    """The same on the mean of ninety shifts of six plants, and not one critical finding."""
    lives = [lived(cell, seed, DAYS_EACH * DAY_S) for seed in range(1, PLANTS_DRAWN + 1)]
    _check(cell, lives, PLANTS_DRAWN * DAYS_EACH * 3.0)


def test_a_finding_counts_by_the_worst_that_was_said_of_it() -> None:
    """One that began as a note and became a hold is a hold, once, with both its causes."""
    first, later = EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED
    one = [
        _told(first, "draft", "note"),
        _told(later, "no_heat", "hold"),
        _told(later, "no_heat", "soon"),
    ]
    severities, causes = counted(findings_of(one))
    assert severities == {"hold": 1}
    assert causes == {"draft -> no_heat": 1}


def _told(kind: EventKind, cause: str, severity: str) -> Event:
    details = (("finding", "lens_4/1"), ("cause", cause), ("severity", severity))
    return Event(kind, Instant(0, 0), "lens_4", "nozzle", details)
