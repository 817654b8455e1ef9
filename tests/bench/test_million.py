"""A million parts and twelve weeks of readings: what the record takes, and how fast it answers."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from bench.cells import DAY_S, cell, readings
from bench.figures import Figures
from outputs.ledger.samples import part
from watchedpot.app.config import load
from watchedpot.core.model import Block, Event, Instant
from watchedpot.core.rules import PartRule
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]

DAYS = 84
PARTS = 1_000_000
PER_DAY = -(-PARTS // DAYS)
SUSPECT_EVERY = 2_000
UTC_NS = 1_767_225_600 * NANO
CONFIG = Path(__file__).parents[2] / "config" / "lens_4.toml"


def parts_of(day: int) -> list[Event]:
    """The parts of one day, one in two thousand outside its window."""
    made = []
    step_ns = DAY_S * NANO // PER_DAY
    for n in range(PER_DAY):
        number = day * PER_DAY + n
        is_bad = number % SUSPECT_EVERY == 0
        event = part(number, PartRule.OUTSIDE_WINDOW) if is_bad else part(number)
        at_ns = day * DAY_S * NANO + n * step_ns
        details = tuple(
            (name, UTC_NS + at_ns - 8 * NANO if name == "begun_utc_ns" else value)
            for name, value in event.details
        )
        made.append(replace(event, at=Instant(UTC_NS + at_ns, at_ns), details=details))
    return made


def later(block: Block, day: int) -> Block:
    """A day's readings on a later day."""
    shift_ns = day * DAY_S * NANO
    return replace(
        block,
        mono_ns=block.mono_ns + shift_ns,
        seen_ns=block.mono_ns - block.mono_ns[0] + UTC_NS + shift_ns,
    )


def seconds(*arguments: str) -> float:
    """How long a command takes, its start included."""
    began_s = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "watchedpot", *arguments], capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode()[-500:]
    return time.perf_counter() - began_s


def test_a_million_parts(figures: Figures, tmp_path: Path) -> None:
    """Written as a daemon writes them, but faster; then asked as a quality engineer asks."""
    path = tmp_path / "year.ledger"
    day = readings(cell(), 1, jitter=True, stamps=True).block
    book = Ledger.open(
        path,
        now=lambda: Instant(UTC_NS, 0),
        version="0",
        config=load(CONFIG).text,
        commit_interval_s=0.0,
    )
    for number in range(DAYS):
        rows, made = later(day, number), parts_of(number)
        for first in range(0, DAY_S, 6 * 600):
            share = slice(first * PER_DAY // DAY_S, (first + 6 * 600) * PER_DAY // DAY_S)
            batch = Batch((rows.rows(first, first + 6 * 600),), tuple(made[share]))
            assert book.append(batch).result(60.0)
    assert book.stop(timeout_s=60.0)
    size = path.stat().st_size
    counted = ledger.verdicts(path)
    assert sum(counted.values()) == DAYS * PER_DAY
    figures.keep("12 weeks at 1 Hz and a million parts", size / 1e6, "MB", below=900.0)
    began_s = time.perf_counter()
    suspects = list(ledger.parts(path, suspects_only=True))
    figures.keep("their suspects, read", time.perf_counter() - began_s, "s", below=2.0)
    assert len(suspects) == -(-DAYS * PER_DAY // SUSPECT_EVERY)
    began_s = time.perf_counter()
    ledger.verdicts(path)
    figures.keep("their verdicts, counted", time.perf_counter() - began_s, "s", below=2.0)
    figures.keep("watchedpot suspects", seconds("suspects", str(path)), "s", below=20.0)
    report_s = seconds("report", str(path), "--shift", "-o", str(tmp_path / "shift.html"))
    figures.keep("watchedpot report of a shift", report_s, "s", below=20.0)
    figures.keep("watchedpot verify", seconds("verify", str(path)), "s", below=120.0)
