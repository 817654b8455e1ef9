"""The file itself: connections, schema, and the figures that must agree with the rows."""

from __future__ import annotations

import fcntl
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path
from typing import IO

from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import projections
from watchedpot.outputs.ledger.chain import GENESIS

SCHEMA_VERSION = 2

BUSY_S = 1.0
"""How long one attempt waits for a lock, in real seconds; the writer tries again after it."""

JOURNAL_BYTES = 16_000_000
"""Size to which the write-ahead log is cut back once a reader no longer needs it."""

SCHEMA, PARTS_SCHEMA = (
    (files(__package__) / name).read_text(encoding="utf-8") for name in ("schema.sql", "parts.sql")
)


def _statements(script: str) -> tuple[str, ...]:
    """Statements of a script without semicolons elsewhere, its comments left out."""
    lines = (line.partition("--")[0].rstrip() for line in script.splitlines())
    return tuple(
        statement.strip() for statement in "\n".join(lines).split(";") if statement.strip()
    )


MIGRATIONS: dict[int, tuple[str, ...]] = {
    1: (
        *_statements(PARTS_SCHEMA + projections.ADDED_SCHEMA),
        "INSERT INTO charges SELECT seq, run, utc_ns, mono_ns, cell,"
        " json_extract(details, '$.charge_id'), json_extract(details, '$.how'), details"
        " FROM events WHERE kind = 'charge_changed'",
        "INSERT INTO meta VALUES ('parts', 0), ('parts_hash', zeroblob(32)), ('checkpoints', 0),"
        " ('is_held_told', 0)",
    ),
}
"""Statements that bring a ledger from a version to the next one."""


@dataclass(slots=True)
class Heads:
    """Where the chains end and how much there is; one row of ``meta`` each.

    Attributes
    ----------
    events, blocks, parts
        Sequence number of the newest row, and its hash.
    anchor
        Sequence number of the newest trimmed block, and its hash.
    rows, trimmed_rows
        Rows of readings ever recorded, and how many of them were trimmed.
    last_run, last_utc_ns, last_mono_ns
        Newest moment of a row or an event; run 0 while there is none.
    checkpoints
        How many there are.
    is_held_told
        1 after an event has said that readings still needed keep the file above its limit, until
        it is below.
    """

    events: int = 0
    events_hash: bytes = GENESIS
    blocks: int = 0
    blocks_hash: bytes = GENESIS
    anchor: int = 0
    anchor_hash: bytes = GENESIS
    rows: int = 0
    trimmed_rows: int = 0
    last_run: int = 0
    last_utc_ns: int = 0
    last_mono_ns: int = 0
    parts: int = 0
    parts_hash: bytes = GENESIS
    checkpoints: int = 0
    is_held_told: int = 0

    @staticmethod
    def read(connection: sqlite3.Connection) -> Heads:
        """Heads as the file has them.

        Raises
        ------
        LedgerError
            One is missing or is no number, no hash.
        """
        found = dict(connection.execute("SELECT key, value FROM meta"))
        if found.get("schema_version") == 1:  # read as it is, without parts
            found |= {"parts": 0, "parts_hash": GENESIS, "checkpoints": 0, "is_held_told": 0}
        heads = Heads()
        for name, due in asdict(heads).items():
            value = found.get(name)
            if type(value) is not type(due):
                raise LedgerError(
                    f"ledger, meta row {name}",
                    f"expected a value of type {type(due).__name__}, got {value!r}",
                    hint="restore the ledger from a copy, or begin a new one",
                )
            setattr(heads, name, value)
        return heads

    def write(self, connection: sqlite3.Connection) -> None:
        """Put the heads into the file, within the transaction that moved them."""
        connection.executemany(
            "UPDATE meta SET value = ?2 WHERE key = ?1 AND value IS NOT ?2", asdict(self).items()
        )


def claim(path: Path) -> IO[bytes]:
    """The sole right to write a ledger, held until the returned file is closed.

    It lies beside the ledger, since SQLite's own locks last for one transaction only; it ends
    with the process, however that ends. The file stays: removing it could take it from a
    process that has just opened it.

    Raises
    ------
    LedgerError
        Another process has it, or the folder cannot be used.
    """
    try:
        lock = path.with_name(f"{path.name}.lock").open("ab")
    except OSError as exc:
        raise LedgerError(
            f"ledger {path}",
            f"its folder cannot be used ({exc.strerror})",
            effect="nothing was started",
            hint="check the path and its permissions",
        ) from exc
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        lock.close()
        raise LedgerError(
            f"ledger {path}",
            "another process is writing it",
            effect="nothing was started",
            hint="stop the other one, or give this one a ledger of its own",
        ) from exc
    return lock


def has_parts(connection: sqlite3.Connection) -> bool:
    """Whether the ledger is of a version that records parts, and all that came with them."""
    (version,) = connection.execute(
        "SELECT value FROM meta WHERE key = 'schema_version'"
    ).fetchone()
    return bool(version > 1)


def connect_writer(path: Path) -> sqlite3.Connection:
    """Connection that writes; every commit is on the disk when it returns."""
    connection = sqlite3.connect(
        path, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {JOURNAL_BYTES}")
        connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Create the tables of a new ledger, migrate those of an older version.

    Raises
    ------
    LedgerError
        Another kind of file, or a ledger of a newer version.
    """
    if not connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
        connection.executescript(f"BEGIN IMMEDIATE; {SCHEMA} {PARTS_SCHEMA} {projections.SCHEMA}")
        connection.executemany(
            "INSERT INTO meta VALUES (?, ?)",
            {"schema_version": SCHEMA_VERSION, **asdict(Heads())}.items(),
        )
        connection.execute("COMMIT")
        return
    for version in range(schema_version(connection, path), SCHEMA_VERSION):
        connection.execute("BEGIN IMMEDIATE")
        for statement in (
            *MIGRATIONS[version],
            "UPDATE meta SET value = value + 1 WHERE key = 'schema_version'",
        ):
            connection.execute(statement)
        connection.execute("COMMIT")


def schema_version(connection: sqlite3.Connection, path: Path) -> int:
    """Version of a ledger's tables, at most ours.

    Raises
    ------
    LedgerError
        Another kind of file, or a ledger of a newer version.
    """
    try:
        row = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
    except sqlite3.OperationalError as exc:
        if "no such table" not in str(exc):
            raise
        row = None
    if row is None or not isinstance(row[0], int):
        raise LedgerError(
            f"ledger {path}",
            "expected a ledger, got a SQLite file without a schema version",
            effect="it was left as it is",
            hint="name another file",
        )
    if row[0] > SCHEMA_VERSION:
        raise LedgerError(
            f"ledger {path}",
            f"expected schema version {SCHEMA_VERSION} or older, got {row[0]}",
            effect="it was left as it is",
            hint="start the version of watchedpot that wrote it, or name another file",
        )
    return row[0]


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """One consistent view of a ledger, also of one in use; nothing can be written through it.

    While it is open the write-ahead log cannot be cut back, so it is not to be kept open idle.

    Raises
    ------
    LedgerError
        No such file, not a ledger, of another version, or it cannot be read.
    """
    try:
        connection = _connect_reader(path)
        try:
            connection.execute("BEGIN")
            schema_version(connection, path)
            yield connection
        finally:
            connection.close()
    except sqlite3.Error as exc:
        raise unreadable(path, exc) from exc


def _connect_reader(path: Path) -> sqlite3.Connection:
    uri = path.absolute().as_uri()
    connection = sqlite3.connect(f"{uri}?mode=ro", uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        if path.with_name(f"{path.name}-wal").is_file():
            raise
        # A ledger on a read-only medium: SQLite cannot set up its shared memory there, and
        # without a write-ahead log nobody is writing.
        connection = sqlite3.connect(f"{uri}?immutable=1", uri=True, isolation_level=None)
    except sqlite3.DatabaseError:
        connection.close()
        raise
    return connection


def unreadable(path: Path, exc: sqlite3.Error) -> LedgerError:
    """Error for a ledger that SQLite cannot open or read."""
    return LedgerError(
        f"ledger {path}",
        f"expected a readable SQLite file, got: {exc}{_cut_off(path)}",
        hint="check the path, the rights of the file and of its folder, and the disk",
    )


def _cut_off(path: Path) -> str:
    """Where a file ends that was longer, by its own header; empty if it was not.

    The size of a page stands at byte 16 of a SQLite file (1 for 65536), their number at byte 28.
    """
    try:
        with path.open("rb") as stream:
            header = stream.read(32)
        size = path.stat().st_size
    except OSError:
        return ""
    page = int.from_bytes(header[16:18], "big")
    due = (65_536 if page == 1 else page) * int.from_bytes(header[28:32], "big")
    is_sqlite = header.startswith(b"SQLite format 3")
    return f"; it ends at byte {size} of {due}" if is_sqlite and size < due else ""
