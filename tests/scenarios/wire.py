"""A scenario over its protocol: simulator and daemon as programs of their own, then judged.

What a person says meanwhile and a clock that is set are played straight through the engine only.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from scenarios.run import SPREAD, Task, as_built, expected_of
from scenarios.score import (
    Outcome,
    conclude,
    conclude_advice,
    conclude_charge,
    conclude_parts,
    conclude_phases,
    findings_of,
    ready_of,
)
from support.cells import UTC_NS
from support.made import CORE, Played, Truth
from support.plant import Plant, alive
from watchedpot.core.model import EventKind
from watchedpot.core.rules import CellRules
from watchedpot.core.snapshot import Advice
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger

LOOK_S = 0.1
"""Between two looks at the advice, in real time. [s]"""
LEAD_S = 12.0
"""Both programs start in it, in real time. [s]"""


def played_over_wire(task: Task, *, spread: float = SPREAD, speed: float = 10.0) -> Outcome:
    """One run with three programs, judged by the ledger and by the simulator's own log."""
    name, cell, seed = task
    expected = expected_of(name)[cell]
    outcome = Outcome(name, cell, seed)
    text = as_built(name, seed, spread).replace("\nseed = ", f"\nseed = {seed}  # was ", 1)
    with tempfile.TemporaryDirectory() as folder:
        plant = Plant(Path(folder), text, speed=speed, lead_s=LEAD_S)
        with plant:
            advice = _live(plant, cell, expected.away, until_s=_end_s(text))
            rules = next(one for one in plant.configuration.cells if one.id == cell)
            events = plant.events(cell=cell)
            zero_ns = plant.start_ns
            conclude(outcome, expected, findings_of(events, zero_utc_ns=zero_ns))
            conclude_advice(outcome, expected, advice, slack_s=1.0 + 2.0 * LOOK_S * speed)
            conclude_charge(outcome, expected, events, zero_utc_ns=zero_ns)
            conclude_phases(outcome, expected, ready_of(events, zero_utc_ns=zero_ns))
            played = _played(plant, rules, until_ns=zero_ns + round((_end_s(text) - 4.0) * NANO))
            conclude_parts(outcome, expected, played, zero_ns=zero_ns - UTC_NS)
    return outcome


def _end_s(text: str) -> float:
    (line,) = (line for line in text.splitlines() if line.startswith("end_s"))
    return float(line.partition("=")[2])


def _live(
    plant: Plant, cell: str, away: tuple[tuple[float, float], ...], *, until_s: float
) -> list[tuple[float, str]]:
    """Run both programs to the end; the advice as it changed, with cell times. [s]."""
    cells = plant.start_cells(is_waiting=False)
    daemon = plant.start_daemon()
    advice: list[tuple[float, str]] = []
    left = list(away)
    while plant.cell_s() < until_s:
        plant.wait_until(plant.cell_s() + LOOK_S * plant.speed)
        if left and plant.cell_s() >= left[0][0]:
            daemon.kill()
            plant.programs.remove(daemon)
            plant.wait_until(left.pop(0)[1])
            daemon = plant.start_daemon()
        at_s = plant.cell_s()
        try:
            scrape = plant.metrics()
        except OSError:
            alive(daemon)  # says what it ended with
            raise
        for word in Advice:
            labels = {"cell": cell, "advice": word.value}
            is_given = scrape.values("watchedpot_cell_advice", **labels) == [1.0]
            if is_given and (not advice or advice[-1][1] != word.value):
                advice.append((at_s, word.value))
    # Its log is read afterwards and has to be whole.
    assert [daemon.stop(), cells.stop()] == [0, 0]
    return advice


def _played(plant: Plant, rules: CellRules, *, until_ns: int) -> Played:
    """The parts by the simulator's log, beside what the daemon recorded of them.

    Parts of the last seconds are left out: the daemon may not have come to them.
    """
    names = [zone.id for zone in rules.zones]
    at_ns, tip_c = plant.truth(rules.id, "tip_c")
    core_c = plant.truth(rules.id, "core_c")[1]
    blocks_c = [plant.truth(rules.id, f"{name}.block_c")[1] for name in names]
    is_flowing = plant.truth(rules.id, "dispensing")[1] > 0.0
    flowed_s = np.cumsum(is_flowing) * float(np.median(np.diff(at_ns))) / NANO
    made = []
    for row in plant.made(rules.id):
        begun_ns, ended_ns = int(row["begun_utc_ns"]), int(row["ended_utc_ns"])
        if ended_ns > until_ns:
            continue
        rows = (at_ns >= begun_ns) & (at_ns < ended_ns)
        part = Truth(
            int(row["number"]),
            begun_ns - UTC_NS,
            ended_ns - UTC_NS,
            ended_ns - UTC_NS,
            [float(tip_c[rows].min()), float(tip_c[rows].max())],
            [[float(c[rows].min()), float(c[rows].max())] for c in blocks_c],
            float(core_c[rows].min()),
            float(row["dose_s"]),
            float(row["idle_s"] or 1e6),
            (float(flowed_s[rows][0]), float(flowed_s[rows][-1])),
        )
        made.append(part)
    events = plant.events(cell=rules.id)
    judged = [one.event for one in ledger.part_events(plant.ledger, cell=rules.id)]
    return Played(
        rules,
        sorted(made, key=lambda part: part.number),
        judged,
        [event for event in events if event.kind is EventKind.COUNTER_JUMPED],
        events,
        {name: (flowed_s, c) for name, c in zip([*names, CORE], [*blocks_c, core_c], strict=True)},
    )
