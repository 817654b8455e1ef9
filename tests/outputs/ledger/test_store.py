"""The file: schema, versions, and who may open it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from outputs.ledger.samples import batch, recording
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import store, verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Ledger of one batch, closed."""
    file = tmp_path / "cell lens_4?.ledger"
    with recording(file) as recorder:
        recorder.write([batch(1)])
    return file


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """Any program's connection to that ledger."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        yield connection


def test_a_new_ledger_is_durable_at_each_commit(tmp_path: Path) -> None:
    """The write-ahead log is on, and a commit returns after the disk has it."""
    with closing(store.connect_writer(tmp_path / "new.ledger")) as connection:
        store.prepare(connection, tmp_path / "new.ledger")
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL, SQLite's docs
        assert store.Heads.read(connection) == store.Heads()


def test_an_unfinished_creation_leaves_a_file_that_can_be_created(tmp_path: Path) -> None:
    """Tables appear all at once, so an empty file is all that a kill can leave."""
    file = tmp_path / "new.ledger"
    file.touch()
    with recording(file) as recorder:
        assert recorder.write([batch(1)]).rows == 1


def test_a_newer_ledger_is_left_alone(path: Path, raw: sqlite3.Connection) -> None:
    """A version that we do not know is neither written nor read."""
    raw.execute("UPDATE meta SET value = 3 WHERE key = 'schema_version'")
    sentence = (
        f"ledger {path}: expected schema version 2 or older, got 3; it was left as it is;"
        " start the version of watchedpot that wrote it, or name another file"
    )
    with pytest.raises(LedgerError) as caught, recording(path):
        pass
    assert str(caught.value) == sentence
    with pytest.raises(LedgerError) as caught, store.reading(path):
        pass
    assert str(caught.value) == sentence


def test_an_older_ledger_is_migrated(
    path: Path, raw: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step from its version to ours is made once, in order."""
    monkeypatch.setattr(store, "SCHEMA_VERSION", 4)
    monkeypatch.setattr(
        store,
        "MIGRATIONS",
        {
            2: ("CREATE TABLE notes (id INTEGER)",),
            3: ("ALTER TABLE notes ADD COLUMN text TEXT", "INSERT INTO notes VALUES (1, 'b')"),
        },
    )
    for _ in range(2):
        with recording(path):
            pass
    assert raw.execute("SELECT * FROM notes").fetchall() == [(1, "b")]
    version = raw.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
    assert version == (4,)


def test_another_database_is_left_alone(tmp_path: Path) -> None:
    """A SQLite file of somebody else gets no tables of ours."""
    file = tmp_path / "other.db"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE orders (id INTEGER)")
    with pytest.raises(LedgerError) as caught, recording(file):
        pass
    assert str(caught.value) == (
        f"ledger {file}: expected a ledger, got a SQLite file without a schema version;"
        " it was left as it is; name another file"
    )
    with closing(sqlite3.connect(file)) as connection:
        tables = connection.execute("SELECT name FROM sqlite_schema").fetchall()
    assert tables == [("orders",)]


def test_a_file_that_is_no_database_is_not_written_to(tmp_path: Path) -> None:
    """Opening it as a ledger is an error, and it keeps its bytes."""
    file = tmp_path / "notes.txt"
    file.write_text("not a database, but a text that is long enough to look into" * 20)
    before = file.read_bytes()
    with pytest.raises(sqlite3.DatabaseError, match="file is not a database"):
        store.connect_writer(file)
    assert file.read_bytes() == before


def test_a_lock_is_not_taken_for_another_file(path: Path) -> None:
    """An error while the version is read stays what it is."""
    with (
        closing(sqlite3.connect(path, isolation_level=None)) as alone,
        closing(sqlite3.connect(path, isolation_level=None, timeout=0.0)) as reader,
    ):
        alone.execute("PRAGMA locking_mode = EXCLUSIVE")
        alone.execute("BEGIN IMMEDIATE")
        with pytest.raises(sqlite3.OperationalError, match="database is locked"):
            store.schema_version(reader, path)


def test_a_file_that_is_no_database_is_an_error_of_ours(tmp_path: Path) -> None:
    """The sentence says what SQLite found."""
    file = tmp_path / "notes.txt"
    file.write_text("not a database, but a text that is long enough to look into" * 20)
    with pytest.raises(LedgerError, match="file is not a database"), store.reading(file):
        pass


def test_reading_creates_nothing(tmp_path: Path) -> None:
    """A name mistyped is an error, not a new ledger."""
    file = tmp_path / "mistyped.ledger"
    with pytest.raises(LedgerError, match="unable to open database file"), store.reading(file):
        pass
    assert not file.exists()


def test_reading_cannot_write(path: Path) -> None:
    """A reader's connection refuses to change the ledger."""
    with (
        pytest.raises(LedgerError, match="readonly database"),
        store.reading(path) as connection,
    ):
        connection.execute("DELETE FROM events")


def test_a_ledger_in_use_is_read_as_it_was_at_the_beginning(path: Path) -> None:
    """A commit made meanwhile is not seen, and is not held up."""
    with recording(path) as recorder:
        recorder.write([batch(2)])
        with store.reading(path) as connection:
            before = store.Heads.read(connection).rows
            recorder.write([batch(3)])
            assert store.Heads.read(connection).rows == before == 2
    with store.reading(path) as connection:
        assert store.Heads.read(connection).rows == 3


def test_a_ledger_is_read_where_nothing_can_be_created(path: Path) -> None:
    """On a read-only medium SQLite cannot set up shared memory; a closed ledger needs none."""
    path.with_name(f"{path.name}-wal").mkdir()  # stands in the way like a missing right
    with closing(sqlite3.connect(path)) as plain, pytest.raises(sqlite3.OperationalError):
        plain.execute("SELECT * FROM meta")
    with store.reading(path) as connection:
        assert store.Heads.read(connection).rows == 1


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ("DELETE FROM meta WHERE key = 'rows'", "None"),
        ("UPDATE meta SET value = 'many' WHERE key = 'rows'", "'many'"),
    ],
)
def test_a_damaged_figure_is_named(
    path: Path, raw: sqlite3.Connection, change: str, found: str
) -> None:
    """A figure that is gone or is no number raises an error of ours."""
    raw.execute(change)
    with pytest.raises(LedgerError) as caught, store.reading(path) as connection:
        store.Heads.read(connection)
    assert str(caught.value) == (
        f"ledger, meta row rows: expected a value of type int, got {found};"
        " restore the ledger from a copy, or begin a new one"
    )


def test_a_ledger_is_claimed_by_one_writer_at_a_time(tmp_path: Path) -> None:
    """The second one learns that there is a first, and may have it once the first has closed."""
    path = tmp_path / "plant.ledger"
    with store.claim(path), pytest.raises(LedgerError, match="another process is writing it;"):
        store.claim(path)
    store.claim(path).close()


def test_a_claim_in_a_missing_folder_says_so(tmp_path: Path) -> None:
    """The path is at fault, not the ledger."""
    with pytest.raises(LedgerError, match="its folder cannot be used"):
        store.claim(tmp_path / "nowhere" / "plant.ledger")


def test_a_file_that_was_cut_off_says_where_it_ends(path: Path, raw: sqlite3.Connection) -> None:
    """By its own header; one that never was a ledger says nothing of the kind."""
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    raw.close()
    size = path.stat().st_size
    with path.open("r+b") as stream:
        stream.truncate(size // 2)
    with pytest.raises(LedgerError, match=f"it ends at byte {size // 2} of {size}"):
        verify(path)
    missing = store.unreadable(path.with_name("none"), sqlite3.OperationalError("no such file"))
    assert "ends at byte" not in str(missing)
