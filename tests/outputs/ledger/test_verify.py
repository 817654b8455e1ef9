"""Finding what was changed."""

from __future__ import annotations

import shutil
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from outputs.ledger.samples import (
    alarm_changed,
    at,
    batch,
    event,
    opcua_block,
    part,
    recording,
    row,
    state,
)
from watchedpot.core.model import EventKind
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec
from watchedpot.outputs.ledger.chain import GENESIS, row_hash
from watchedpot.outputs.ledger.links import Fault
from watchedpot.outputs.ledger.record import Batch
from watchedpot.outputs.ledger.store import reading
from watchedpot.outputs.ledger.verify import verify

COLUMNS = {
    "events": "seq run utc_ns mono_ns cell zone kind details prev_hash hash",
    "blocks": "seq run layout rows first_mono_ns last_mono_ns first_seen_ns last_seen_ns"
    " payload prev_hash hash",
    "tail": "run layout rows first_mono_ns last_mono_ns first_seen_ns last_seen_ns"
    " payload prev_hash hash",
}
ROW = {"events": 4, "blocks": 3, "tail": 3}
"""A row in the middle of each of these tables."""


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs of two sources with events, blocks, tails and states."""
    file = tmp_path_factory.mktemp("pristine") / "cell.ledger"
    for start in (0, 50):
        with recording(file, rows_per_block=10) as recorder:
            for second in range(start, start + 25):
                told = {
                    start + 3: (event(EventKind.EXCURSION_OPENED, second, edge="low"),),
                    start + 5: (alarm_changed(second),),
                    start + 9: (event(EventKind.EXCURSION_ENDED, second, edge="low"),),
                    start + 11: (alarm_changed(second, "acknowledged"),),
                }
                other = Batch((row(second, source="housing_7", channels=1),))
                recorder.write([batch(second, *told.get(second, ())), other])
    return file


@pytest.fixture
def path(pristine: Path, tmp_path: Path) -> Path:
    """A copy to be spoiled."""
    return Path(shutil.copy(pristine, tmp_path / "cell.ledger"))


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """What somebody could do to the file with a general tool."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def value(raw: sqlite3.Connection, query: str) -> object:
    """The one value that a query gives."""
    return raw.execute(query).fetchone()[0]


def test_a_ledger_as_written_is_whole(path: Path) -> None:
    """No fault, and the counts of what is there."""
    report = verify(path)
    assert report.faults == ()
    assert report.is_whole
    assert (report.events, report.blocks, report.rows, report.trimmed_rows) == (8, 10, 100, 0)


def test_the_report_reads_as_sentences(path: Path, raw: sqlite3.Connection) -> None:
    """What was checked and where the chains end; of a broken one, each fault."""
    events_hash = value(raw, "SELECT lower(hex(hash)) FROM events WHERE seq = 8")
    blocks_hash = value(raw, "SELECT lower(hex(hash)) FROM blocks WHERE seq = 10")
    assert verify(path).sentences() == (
        f"{path}: whole, until 2025-06-15T15:07:54+00:00",
        f"8 events, chain ends in {events_hash}",
        f"100 rows of readings; 10 blocks, chain ends in {blocks_hash}",
        f"0 judgements of parts, chain ends in {'00' * 32}",
    )
    raw.execute("DELETE FROM events WHERE seq = 4")
    assert verify(path).sentences()[:2] == (
        f"{path}: not whole",
        "events row 4: expected the next row, got row 5",
    )


def test_an_empty_ledger_is_whole(tmp_path: Path) -> None:
    """Before the first row there is nothing to break."""
    file = tmp_path / "new.ledger"
    with recording(file):
        pass
    assert verify(file).faults == ()
    assert verify(file).sentences()[0] == f"{file}: whole, nothing yet"


@pytest.mark.parametrize(
    ("table", "column"),
    [(table, column) for table, columns in COLUMNS.items() for column in columns.split()],
)
def test_any_value_changed_is_found(
    path: Path, raw: sqlite3.Connection, table: str, column: str
) -> None:
    """One value changed in the middle: the first fault names the table and the row."""
    seq = ROW[table]
    kind = value(raw, f"SELECT typeof({column}) FROM {table} WHERE seq = {seq}")
    changed = {
        "integer": f"{column} + 1",
        "text": f"{column} || ' '",
        "blob": f"CAST({column} || x'00' AS BLOB)",
    }[str(kind)]
    if column == "seq":
        changed = "seq + 1000"
    raw.execute(f"UPDATE {table} SET {column} = {changed} WHERE seq = {seq}")
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == (table, str(seq))
    assert fault.expected != fault.found


@pytest.mark.parametrize(
    ("table", "column"),
    [
        (table, column)
        for table, columns in COLUMNS.items()
        for column in columns.split()
        if column != "seq"  # SQLite itself keeps the type of a row's number
    ],
)
def test_any_value_of_another_type_is_found(
    path: Path, raw: sqlite3.Connection, table: str, column: str
) -> None:
    """SQLite takes a text for a number; here it is a fault of that row."""
    seq = ROW[table]
    kind = str(value(raw, f"SELECT typeof({column}) FROM {table} WHERE seq = {seq}"))
    other = {"integer": "'many'", "text": "x'00'", "blob": "'none'"}[kind]
    raw.execute(f"UPDATE {table} SET {column} = {other} WHERE seq = {seq}")
    (fault,) = verify(path).faults
    assert (fault.table, fault.row) == (table, str(seq))
    assert fault.expected == f"{column} of type {kind}"


@pytest.mark.parametrize("table", ["events", "blocks"])
@pytest.mark.parametrize("seq", [1, 4, -1], ids=["first", "middle", "newest"])
def test_a_row_removed_is_found(path: Path, raw: sqlite3.Connection, table: str, seq: int) -> None:
    """The row that is not there is named, the newest one too."""
    newest = value(raw, f"SELECT max(seq) FROM {table}")
    removed = newest if seq < 0 else seq
    raw.execute(f"DELETE FROM {table} WHERE seq = {removed}")
    fault = verify(path).faults[0]
    found = "no row" if seq < 0 else f"row {seq + 1}"
    assert (fault.table, fault.row, fault.found) == (table, str(removed), found)


def test_the_first_of_several_broken_rows_is_named(path: Path, raw: sqlite3.Connection) -> None:
    """What follows a broken row cannot be judged, so only the first one is reported."""
    raw.execute("UPDATE events SET zone = 'syringe' WHERE seq IN (3, 6)")
    faults = [fault for fault in verify(path).faults if fault.table == "events"]
    assert [fault.row for fault in faults] == ["3"]


def test_rows_put_in_between_are_found(path: Path, raw: sqlite3.Connection) -> None:
    """A copy of an event under a new number is no link of the chain."""
    raw.execute(
        "INSERT INTO events SELECT 9, run, utc_ns, mono_ns, cell, zone, kind, details, prev_hash,"
        " hash FROM events WHERE seq = 8"
    )
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == ("events", "9")


@pytest.mark.parametrize(
    ("removed", "table", "row"),
    [(1, "tail", "3"), (5, "tail", "7"), (9, "layouts", "1")],
    ids=["first", "middle", "newest"],
)
def test_a_row_of_the_tail_removed_is_found(
    path: Path, raw: sqlite3.Connection, removed: int, table: str, row: str
) -> None:
    """Readings not yet in a block are chained too; rows 1, 3, 5, 7, 9 are of lens_4."""
    raw.execute(f"DELETE FROM tail WHERE seq = {removed}")
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == (table, row)


@pytest.mark.parametrize(
    ("change", "table", "row"),
    [
        ("UPDATE configurations SET text = 'poll_period_s = 9.0'", "configurations", None),
        ("UPDATE runs SET configuration = 'other' WHERE id = 2", "runs", "2"),
        ("UPDATE layouts SET source = 'other' WHERE id = 1", "blocks", "1"),
        ('UPDATE layouts SET channels = \'["a","b"]\' WHERE id = 1', "blocks", "1"),
        ("UPDATE layouts SET tail_rows = 4 WHERE id = 2", "layouts", "2"),
        ("UPDATE layouts SET tail_hash = x'00' WHERE id = 2", "layouts", "2"),
        ("DELETE FROM layouts WHERE id = 1", "blocks", "1"),
        ("UPDATE alarm_transitions SET state = 'normal' WHERE seq = 4", "alarm_transitions", "4"),
        ("DELETE FROM alarm_transitions WHERE seq = 4", "alarm_transitions", "4"),
        ("UPDATE excursions SET ended_utc_ns = NULL WHERE seq = 5", "excursions", "5"),
        ("DELETE FROM excursions", "excursions", "1"),
        (
            "INSERT INTO excursions (seq, run, cell, zone, details) VALUES (99, 1, '', '', '')",
            "excursions",
            "99",
        ),
        ("UPDATE states SET payload = x'00'", "states", "lens_4"),
        ("UPDATE states SET hash = x'00'", "states", "lens_4"),
        ("UPDATE meta SET value = 7 WHERE key = 'events'", "events", "9"),
        ("UPDATE meta SET value = x'00' WHERE key = 'events_hash'", "meta", "events_hash"),
        ("UPDATE meta SET value = 11 WHERE key = 'blocks'", "blocks", "11"),
        ("UPDATE meta SET value = x'00' WHERE key = 'blocks_hash'", "meta", "blocks_hash"),
        ("UPDATE meta SET value = 1 WHERE key = 'anchor'", "blocks", "2"),
        ("UPDATE meta SET value = x'00' WHERE key = 'anchor_hash'", "blocks", "1"),
        ("UPDATE meta SET value = 99 WHERE key = 'rows'", "meta", "rows"),
        ("UPDATE meta SET value = 9 WHERE key = 'trimmed_rows'", "meta", "rows"),
        ("UPDATE meta SET value = 1 WHERE key = 'last_run'", "meta", "last_mono_ns"),
        ("UPDATE meta SET value = 1 WHERE key = 'last_mono_ns'", "meta", "last_mono_ns"),
    ],
)
def test_any_other_table_changed_is_found(
    path: Path, raw: sqlite3.Connection, change: str, table: str, row: str | None
) -> None:
    """Configurations, sources, projections, states and figures must agree with the rows."""
    raw.execute(change)
    fault = verify(path).faults[0]
    assert fault.table == table
    assert row is None or fault.row == row


def forge(raw: sqlite3.Connection, seq: int, **changes: object) -> None:
    """Change a block and make the chain good again from there on, as a skilled person could."""
    for name, content in changes.items():
        raw.execute(f"UPDATE blocks SET {name} = ? WHERE seq = ?", (content, seq))
    link = raw.execute("SELECT hash FROM blocks WHERE seq = ?", (seq - 1,)).fetchone()
    previous = link[0] if link else GENESIS
    for *fields, _ in raw.execute(
        "SELECT seq, run, source, channels, rows, first_mono_ns, last_mono_ns, first_seen_ns,"
        " last_seen_ns, payload, blocks.hash FROM blocks JOIN layouts ON layouts.id = layout"
        " WHERE seq >= ? ORDER BY seq",
        (seq,),
    ).fetchall():
        current = row_hash(previous, fields)
        raw.execute(
            "UPDATE blocks SET prev_hash = ?, hash = ? WHERE seq = ?",
            (previous, current, fields[0]),
        )
        previous = current
    raw.execute("UPDATE meta SET value = ? WHERE key = 'blocks_hash'", (previous,))


def test_a_chain_made_anew_proves_nothing_by_itself(path: Path, raw: sqlite3.Connection) -> None:
    """What a chain cannot show: only the end of it, noted in another place, tells of this."""
    noted = verify(path).blocks_hash
    payload = codec.encode(opcua_block(10, channels=2, seed=99))
    spans = opcua_block(10, channels=2, seed=99)
    forge(
        raw,
        1,
        payload=payload,
        first_mono_ns=int(spans.mono_ns[0]),
        last_mono_ns=int(spans.mono_ns[-1]),
        first_seen_ns=int(spans.seen_ns[0]),
        last_seen_ns=int(spans.seen_ns[-1]),
    )
    report = verify(path)
    assert report.faults == ()
    assert report.blocks_hash != noted


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"payload": b"none"}, "readings"),
        ({"rows": 9}, "9 rows, at least one"),
        ({"last_seen_ns": 7}, "times ["),
        ({"layout": 2}, "readings"),
    ],
    ids=lambda part: next(iter(part)) if isinstance(part, dict) else "",
)
def test_a_block_that_is_not_what_its_row_says_is_found(
    path: Path, raw: sqlite3.Connection, changes: dict[str, object], expected: str
) -> None:
    """Also where the chain was made good, the content is looked at."""
    forge(raw, 3, **changes)
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == ("blocks", "3")
    assert fault.expected.startswith(expected)


def test_readings_out_of_order_are_found(tmp_path: Path) -> None:
    """Within a block, and from one piece of a source to the next."""
    within, between = tmp_path / "within.ledger", tmp_path / "between.ledger"
    with recording(within, rows_per_block=2) as recorder:
        recorder.write([Batch((row(5), row(4)))])
    with recording(between, rows_per_block=2) as recorder:
        recorder.write([Batch((row(5), row(6)))])
        recorder.write([Batch((row(6),))])
    (fault, *_) = verify(within).faults
    assert (fault.table, fault.row) == ("blocks", "1")
    newest_ns = int(row(6).mono_ns[0])
    assert verify(between).faults == (
        Fault(
            "tail",
            "1",
            f"rows of source lens_4 after {newest_ns} ns monotonic",
            f"{newest_ns} ns",
        ),
    )


def test_a_state_newer_than_the_record_is_found(path: Path, raw: sqlite3.Connection) -> None:
    """A state with a good hash of its own, but of a moment that nothing else has seen."""
    payload = zlib.compress(state(999)["lens_4"])
    fields = ("lens_4", 2, at(999).utc_ns, at(999).mono_ns, payload)
    raw.execute(
        "UPDATE states SET run = ?2, utc_ns = ?3, mono_ns = ?4, payload = ?5, hash = ?6"
        " WHERE cell = ?1",
        (*fields, row_hash(GENESIS, fields)),
    )
    (fault,) = verify(path).faults
    assert (fault.table, fault.row) == ("states", "lens_4")
    assert fault.found == f"(2, {at(999).mono_ns})"


def test_an_event_of_an_unknown_kind_is_found(tmp_path: Path) -> None:
    """One that cannot be projected again is named, not raised."""
    file = tmp_path / "cell.ledger"
    with recording(file) as recorder:
        recorder.write([Batch(events=(alarm_changed(1.0),))])
    with closing(sqlite3.connect(file)) as raw, raw:
        raw.execute("UPDATE events SET details = '[]'")
    tables = [(fault.table, fault.expected) for fault in verify(file).faults]
    assert ("events", "an event") in tables


def test_bytes_damaged_on_the_disk_are_found(path: Path, raw: sqlite3.Connection) -> None:
    """SQLite tells of a page that is no page any more, and what can be judged still is."""
    page = int(str(value(raw, "SELECT rootpage FROM sqlite_schema WHERE name = 'blocks'"))) - 1
    raw.close()
    content = bytearray(path.read_bytes())
    content[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(content)
    found = [(fault.table, fault.row, fault.found) for fault in verify(path).faults]
    assert found[0][0] == "file"
    assert found[1:] == [("blocks", "1", "database disk image is malformed")]


def test_damaged_rows_in_the_middle_are_named(tmp_path: Path) -> None:
    """The first one that cannot be read, while other tables are still proven."""
    file = tmp_path / "cell.ledger"
    with recording(file) as recorder:
        for n in range(40):
            recorder.write([batch(n, *(part(10 * n + one) for one in range(10)))])
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        marked = raw.execute("SELECT vals, hash FROM parts WHERE seq = 200").fetchone()
    content = bytearray(file.read_bytes())
    page = content.index(marked[1]) // 4096
    content[4096 * page : 4096 * page + 8] = b"\xff" * 8
    file.write_bytes(content)
    faults = verify(file).faults
    assert (faults[0].table, faults[0].row) == ("file", "")
    (named,) = [fault for fault in faults if fault.row]
    assert named.table == "parts"
    assert 150 < int(named.row) <= 200


def test_a_ledger_in_use_is_verified(path: Path) -> None:
    """While it is written, and without holding that up."""
    with recording(path) as recorder:
        recorder.write([batch(200)])
        assert verify(path).faults == ()
        recorder.write([batch(201)])
        assert verify(path).faults == ()


def test_verifying_changes_nothing(path: Path) -> None:
    """The file has the same bytes after it."""
    before = path.read_bytes()
    verify(path)
    assert path.read_bytes() == before


def test_a_newer_ledger_is_not_judged(path: Path, raw: sqlite3.Connection) -> None:
    """Whether it is whole only its own version can say."""
    raw.execute("UPDATE meta SET value = 3 WHERE key = 'schema_version'")
    with pytest.raises(LedgerError, match="expected schema version 2 or older, got 3"):
        verify(path)


def test_a_trimmed_ledger_is_proven_from_its_anchor(path: Path, raw: sqlite3.Connection) -> None:
    """Blocks removed by hand like a retention would, but without its anchor, are found."""
    raw.execute("DELETE FROM blocks WHERE seq = 1")
    assert verify(path).faults[0].row == "1"
    with reading(path) as connection:
        assert connection.execute("SELECT min(seq) FROM blocks").fetchone() == (2,)
