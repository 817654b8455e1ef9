"""Kill the daemon at random moments and hold what it left against what it had.

    PYTHONPATH=daemon:simulator:tests python tests/integration/kill.py --kills 200

prints one line for each kill and the figures over all of them, and ends with 1 at the first kill
that lost or invented anything.
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import astuple, dataclass, field
from datetime import datetime
from itertools import groupby
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from support.plant import CELLS, SETTLING_S, Plant, Program, wait_for
from support.replay import recorded_lines, replay
from watchedpot.core.model import Block, Quality
from watchedpot.core.snapshot import Exposure
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import dump_state

SPEED = 20.0
LATEST_S = 2.0
"""Latest kill after the daemon has begun to watch, in real time [s]."""
STARTING_SHARE = 0.2
"""Share of kills that fall between the start of the process and its first line."""

Totals = dict[tuple[str, str], Exposure]


@dataclass(frozen=True, slots=True)
class Kill:
    """What one kill left.

    Attributes
    ----------
    watched_s
        How long the daemon had been watching, None if it had not begun. [s]
    lost_s
        From the newest recorded row, or from the begin of watching, to the kill, in real time. [s]
    verify_s
        How long proving the ledger took. [s]
    """

    watched_s: float | None
    lost_s: float
    verify_s: float


@dataclass
class Series:
    """Kills of one plant's daemon, one after the other."""

    plant: Plant
    rng: random.Random
    totals: Totals = field(default_factory=dict)
    kills: list[Kill] = field(default_factory=list)

    @property
    def commit_interval_s(self) -> float:
        """What may be lost, as configured [s]."""
        return self.plant.configuration.service.commit_interval_s

    def kill_once(self) -> Kill:
        """Start, kill, and check all that can be checked before the next start."""
        daemon = self.plant.start_daemon(is_waiting=False)
        if self.rng.random() < STARTING_SHARE:
            time.sleep(self.rng.uniform(0.0, LATEST_S))
        else:
            wait_for("the daemon to watch", lambda: began_at(daemon) is not None)
            time.sleep(self.rng.uniform(0.0, LATEST_S))
        killed_s = time.time()
        daemon.kill()
        began_s = began_at(daemon)
        began_to_verify_s = time.monotonic()
        if self.plant.ledger.exists():
            report = ledger.verify(self.plant.ledger)
            assert report.is_whole, report.sentences()
        verify_s = time.monotonic() - began_to_verify_s
        lost_s = 0.0
        if began_s is not None:
            lost_s = killed_s - max(began_s, self._newest_row_s())
        kill = Kill(None if began_s is None else killed_s - began_s, lost_s, verify_s)
        self.kills.append(kill)
        bound_s = self.commit_interval_s + 1.0 / self.plant.speed + SETTLING_S
        assert lost_s <= bound_s, f"{lost_s:.3f} s lost, more than {bound_s:.3f} s"
        self._check_totals()
        return kill

    def _newest_row_s(self) -> float:
        """Real time of the newest recorded row of any source, 0 if there is none."""
        newest = [
            int(block.seen_ns[-1])
            for cell in CELLS
            for block in self.plant.blocks(cell, from_ns=self.plant.cell_ns() - 600 * 10**9)
        ]
        start_ns = self.plant.start_ns
        return (
            max(((at - start_ns) / self.plant.speed + start_ns for at in newest), default=0) / 1e9
        )

    def _check_totals(self) -> None:
        """No total has become less."""
        if not self.plant.ledger.exists():
            return
        totals = totals_of(self.plant)
        for place, before in self.totals.items():
            assert place in totals, f"{place} has lost its account"
            shrunk = [
                (old, new)
                for old, new in zip(astuple(before), astuple(totals[place]), strict=True)
                if new < old
            ]
            assert not shrunk, (place, shrunk)
        self.totals = totals

    def check_record(self) -> list[float]:
        """Check the whole record; the gap of each restart in real seconds.

        Between the last row of a run and the first good row of the next nothing is seen, all
        time is accounted for, and the record judged again gives what was concluded.
        """
        gaps_s: list[float] = []
        states = self.plant.states()
        for rules in self.plant.configuration.cells:
            again = replay(self.plant.ledger, rules, rows_each=10**9)
            assert again.lines == recorded_lines(self.plant.ledger, rules.id)
            assert dump_state(again.state) == states[rules.id]
            recorded = list(ledger.blocks(self.plant.ledger, source=rules.id))
            rows_ns = np.concatenate([one.block.mono_ns for one in recorded])
            assert (np.diff(rows_ns) > 0).all()
            for zone in rules.zones:
                total = self.totals[rules.id, zone.id]
                assert total.elapsed_ns == int(rows_ns[-1]) - int(rows_ns[0])
            gaps_ns = list(gaps(recorded))
            least_blind_ns = sum(gaps_ns)
            for zone in rules.zones:
                assert self.totals[rules.id, zone.id].blind_ns >= least_blind_ns
            gaps_s += [gap_ns / 1e9 / self.plant.speed for gap_ns in gaps_ns]
        return gaps_s


def gaps(recorded: list[ledger.RecordedBlock]) -> Iterator[int]:
    """Cell time between the last row of each run and the first good one after it [ns]."""
    last_ns: int | None = None
    for _, group in groupby(recorded, key=lambda one: one.run):
        blocks = [one.block for one in group]
        at_ns = np.concatenate([block.mono_ns for block in blocks])
        is_good = np.concatenate([is_seen(block) for block in blocks])
        if is_good.any():
            if last_ns is not None:
                yield int(at_ns[int(np.argmax(is_good))]) - last_ns
            last_ns = int(at_ns[-1])


def is_seen(block: Block) -> NDArray[np.bool_]:
    """Rows in which every temperature is good; before the first part its id is not."""
    zones = [n for n, name in enumerate(block.channels) if name.endswith("/temperature")]
    seen: NDArray[np.bool_] = (block.quality[:, zones] == Quality.GOOD).all(axis=1)
    return seen


def began_at(daemon: Program) -> float | None:
    """When the daemon said that it began to watch, in real time [s]; None if it has not."""
    first, is_whole, _ = daemon.says().partition("\n")
    if not is_whole:
        return None
    return datetime.fromisoformat(json.loads(first)["timestamp"]).timestamp()


def totals_of(plant: Plant) -> Totals:
    """Recorded totals of every zone over all activities."""
    return {
        (cell, zone.id): sum(zone.account, start=Exposure())
        for cell in plant.states()
        for zone in plant.state(cell).zones
    }


def figures(series: Series, gaps_s: list[float]) -> str:
    """What was measured, for a person."""
    lost = [kill.lost_s for kill in series.kills if kill.watched_s is not None]
    verify = [kill.verify_s for kill in series.kills]
    cold = sum(kill.watched_s is None for kill in series.kills)
    return (
        f"{len(series.kills)} kills, {cold} of them before it watched; every ledger whole, no total"
        f" less, replay equal\nlost of the record: median {statistics.median(lost):.3f} s, worst"
        f" {max(lost):.3f} s (commit interval {series.commit_interval_s:g} s)\ngap between runs,"
        f" all blind: median {statistics.median(gaps_s):.2f} s, worst {max(gaps_s):.2f} s"
        f"\nverify: median {statistics.median(verify):.3f} s, worst {max(verify):.3f} s"
    )


def main() -> int:
    """Kill so many times; 0 only if nothing was lost or invented."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        Plant(Path(folder), "healthy_shift", speed=SPEED) as plant,
    ):
        plant.start_cells()
        series = Series(plant, random.Random(options.seed))
        try:
            for number in range(options.kills):
                kill = series.kill_once()
                watched = "not yet" if kill.watched_s is None else f"{kill.watched_s:.3f} s"
                print(f"{number + 1:4} watched {watched:>8}, lost {kill.lost_s:.3f} s", flush=True)
            print(figures(series, series.check_record()))
        except AssertionError as exc:
            print(f"WRONG: {exc}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
