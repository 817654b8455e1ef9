"""Killed at any point of a commit, the ledger is whole and the next run goes on from it."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from outputs.ledger.samples import Now, batch
from watchedpot.outputs.ledger import reader
from watchedpot.outputs.ledger.verify import verify
from watchedpot.outputs.ledger.writer import Ledger

pytestmark = pytest.mark.integration

WRITER = """
import sqlite3, sys, threading
from pathlib import Path
from outputs.ledger.samples import Now, alarm_changed, batch
from watchedpot.outputs.ledger import store
from watchedpot.outputs.ledger.writer import Ledger

statement, when, from_second = sys.argv[2], sys.argv[3], int(sys.argv[4])
is_armed = threading.Event()


def stand():
    print("stands", flush=True)
    threading.Event().wait()


class Standing(sqlite3.Connection):
    def execute(self, sql, *parameters):
        is_here = is_armed.is_set() and sql.startswith(statement)
        if is_here and when == "before":
            stand()
        cursor = super().execute(sql, *parameters)
        if is_here and when == "after":
            stand()
        return cursor


def connect(path):
    connection = sqlite3.connect(
        path, isolation_level=None, check_same_thread=False, factory=Standing
    )
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    return connection


ledger = Ledger.open(
    Path(sys.argv[1]), now=Now(), version="0.1.0", config="", rows_per_block=5, connect=connect
)
for second in range(from_second, from_second + 14):
    assert ledger.append(batch(second, alarm_changed(second))).result(10)
    print("durable", second, flush=True)
is_armed.set()
ledger.append(batch(from_second + 14, alarm_changed(from_second + 14)))
threading.Event().wait()
"""


def killed_at(path: Path, statement: str, when: str, from_second: int) -> list[int]:
    """Start a writer, kill it when it stands at a statement; the seconds it called durable."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), statement, when, str(from_second)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": ":".join(sys.path)},
    ) as writer:
        assert writer.stdout is not None
        durable: list[int] = []
        for line in writer.stdout:
            if line == "stands\n":
                break
            durable.append(int(line.split()[1]))
        writer.send_signal(signal.SIGKILL)
    assert writer.returncode == -signal.SIGKILL
    assert len(durable) == 14
    return durable


@pytest.mark.parametrize(
    ("statement", "when", "is_kept"),
    [
        ("BEGIN IMMEDIATE", "after", False),
        ("INSERT INTO tail", "after", False),
        ("INSERT INTO events", "before", False),
        ("INSERT INTO blocks", "after", False),
        ("DELETE FROM tail", "after", False),
        ("INSERT OR REPLACE INTO states", "after", False),
        ("COMMIT", "before", False),
        ("COMMIT", "after", True),
    ],
)
def test_a_kill_leaves_whole_transactions(
    tmp_path: Path, statement: str, when: str, *, is_kept: bool
) -> None:
    """Totals, events and state agree; what was called durable is there; a next run goes on."""
    path = tmp_path / "cell.ledger"
    expected: list[int] = []
    for from_second in (0, 100):
        expected += killed_at(path, statement, when, from_second)
        if is_kept:
            expected.append(from_second + 14)
        assert verify(path).faults == ()
        seconds = [each.event.at.utc_ns // 10**9 % 1000 for each in reader.events(path)]
        assert seconds == expected
        assert sum(len(each.block) for each in reader.blocks(path)) == len(expected)

    ledger = Ledger.open(path, now=Now(), version="0.1.0", config="")
    assert json.loads(ledger.resume().states["lens_4"]) == {"seen_s": expected[-1]}
    receipt = ledger.append(batch(300))
    assert asyncio.run(ledger.close())
    assert receipt.result(0)
    assert verify(path).faults == ()
    assert [run.id for run in reader.runs(path)] == [1, 2, 3]
