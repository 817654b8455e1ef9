"""Proof of readings of which some in the middle were trimmed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from outputs.ledger.samples import at, part, recording, row
from watchedpot.core.rules import PartRule
from watchedpot.outputs.ledger import Batch, Retention, verify
from watchedpot.outputs.ledger.verify_readings import trimmed_digests

RETENTION = Retention(age_days=0.01)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Twenty blocks, of which an early and a later one are held by suspects, the rest trimmed."""
    file = tmp_path / "cell.ledger"
    with recording(file, now=lambda: at(60_000.0), rows_per_block=2) as recorder:
        suspects = tuple(part(n, PartRule.OUTSIDE_WINDOW) for n in (6_000, 30_000))
        for n in range(40):
            recorder.write([Batch((row(n * 1_500),), suspects if not n else ())])
    with recording(
        file, now=lambda: at(60_000.0), rows_per_block=2, retention=RETENTION
    ) as recorder:
        recorder.write([Batch((row(60_000),))])
    return file


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """What somebody could do to the file with a general tool."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def test_rows_without_their_readings_are_proven(path: Path, raw: sqlite3.Connection) -> None:
    """Those in between keep their rows, those before the first held one do not."""
    assert raw.execute("SELECT seq FROM blocks WHERE payload <> x''").fetchall() == [
        *((3,), (11,)),
        (20,),
    ]
    assert sorted(trimmed_digests(raw)) == [*range(4, 11), *range(12, 20)]
    report = verify(path)
    assert report.faults == ()
    assert (report.rows, report.trimmed_rows) == (41, 34)


@pytest.mark.parametrize(
    ("change", "row"),
    [
        ("UPDATE trimmed SET digest = zeroblob(32) WHERE seq = 5", "5"),
        ("DELETE FROM trimmed WHERE seq = 5", "5"),
        ("INSERT INTO trimmed VALUES (11, zeroblob(32))", "11"),
        ("UPDATE blocks SET payload = x'00' WHERE seq = 5", "5"),
        ("UPDATE blocks SET payload = x'' WHERE seq = 11", "11"),
        ("UPDATE blocks SET rows = 3 WHERE seq = 5", "5"),
        ("UPDATE blocks SET last_seen_ns = last_seen_ns + 1 WHERE seq = 5", "5"),
        ("DELETE FROM blocks WHERE seq = 5", "5"),
        ("DELETE FROM blocks WHERE seq <= 5", "3"),
    ],
)
def test_a_trimmed_row_changed_is_found(
    path: Path, raw: sqlite3.Connection, change: str, row: str
) -> None:
    """What it held is gone, what it said of it is not."""
    raw.execute(change)
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == ("blocks", row)
