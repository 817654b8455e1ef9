"""How an entry comes from a command to the daemon, which alone writes the ledger.

Beside the ledger lies a folder, ``<ledger>.entries``, with one file an entry, written whole and
renamed into place; names sort in the order in which they were written. The daemon takes each
file, records the entry, and when that is on the disk it leaves an answer and removes the file.
An entry carries an id: whatever is killed when, it is neither lost nor taken twice.

Who may write into the folder may enter; its permissions decide, and the daemon, which makes the
folder when it first starts, must be able to write there too. Whoever may look into it can read
what waits. The name given with an entry is recorded as said: it is no proof of who it was.
"""

from __future__ import annotations

import json
import os
import re
import secrets
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from watchedpot.core.model import Entry, Instant
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import dump_state, load_state

ANSWERS_KEPT = 100
"""Answers that nobody took away, of which more are forgotten [1]."""

LONGEST_BYTES = 64 * 1024
"""A file that is longer is no entry. [B]"""

_ENTRY, _ANSWER, _PART, _REFUSED = ".entry", ".answer", ".part", ".refused"
_ID = re.compile(r"\d{20}-[0-9a-f]{8}")


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of an entry, in a sentence."""

    is_taken: bool
    sentence: str


def folder_of(ledger: Path) -> Path:
    """The folder of a ledger's waiting entries."""
    return ledger.with_name(f"{ledger.name}.entries")


def put(folder: Path, entry: Entry, *, said_utc_ns: int) -> Entry:
    """Leave an entry for the daemon; it comes back with its id.

    Raises
    ------
    LedgerError
        The folder cannot be used, or the entry is no text that can be written.
    """
    # The time makes the names sort, the rest tells two of one moment apart.
    entry_id = f"{said_utc_ns:020d}-{secrets.token_hex(4)}"
    entry = replace(entry, id=entry_id, said_utc_ns=said_utc_ns, at=Instant(0, 0))
    try:
        text = dump_state(entry)
        if len(text) > LONGEST_BYTES:
            raise ValueError(f"it is longer than {LONGEST_BYTES} bytes")
        folder.mkdir(exist_ok=True)
        _write_whole(folder / f"{entry_id}{_ENTRY}", text)
    except (OSError, ValueError) as exc:
        problem = exc.strerror if isinstance(exc, OSError) else exc
        raise LedgerError(
            f"folder {folder}",
            f"the entry cannot be left there ({problem})",
            effect="nothing was entered",
            hint="check that you may write there",
        ) from exc
    return entry


def prepare(folder: Path) -> None:
    """Make the folder and forget answers that nobody waited for, as the daemon starts.

    Raises
    ------
    OSError
        The folder cannot be used.
    """
    folder.mkdir(exist_ok=True)
    for path in folder.glob(f"*{_ANSWER}"):
        path.unlink(missing_ok=True)


def waiting(folder: Path) -> list[Path]:
    """Files of the entries that wait, in the order in which they were left."""
    return sorted(folder.glob(f"*{_ENTRY}"))


def read(path: Path) -> Entry | None:
    """An entry from its file; one that cannot be read is set aside, and None.

    Raises
    ------
    OSError
        It cannot be set aside.
    """
    try:
        if not _ID.fullmatch(path.stem) or not path.is_file():
            raise LedgerError(path.name, "expected a file named like an entry")
        with path.open("rb") as stream:
            entry = load_state(Entry, stream.read(LONGEST_BYTES + 1))
    except (LedgerError, OSError):
        path.replace(path.with_suffix(_REFUSED))
        return None
    return replace(entry, id=path.stem)


def answer(folder: Path, entry_id: str, told: Answer) -> None:
    """Say what became of an entry, and take its file away: it is recorded by now.

    Raises
    ------
    OSError
        The folder cannot be written; the entry still waits.
    """
    text = json.dumps({"is_taken": told.is_taken, "sentence": told.sentence})
    for path in sorted(folder.glob(f"*{_ANSWER}"))[: -ANSWERS_KEPT + 1]:
        path.unlink(missing_ok=True)
    _write_whole(folder / f"{entry_id}{_ANSWER}", text.encode())
    (folder / f"{entry_id}{_ENTRY}").unlink(missing_ok=True)


def take_answer(folder: Path, entry_id: str) -> Answer | None:
    """The answer to an entry; None while there is none."""
    path = folder / f"{entry_id}{_ANSWER}"
    try:
        found = json.loads(path.read_bytes())
    except OSError:
        return None
    with suppress(OSError):  # who may not remove it leaves that to the daemon
        path.unlink()
    return Answer(found["is_taken"], found["sentence"])


def _write_whole(path: Path, content: bytes) -> None:
    """A file that is there as a whole or not at all, also after a power cut."""
    part = path.with_suffix(_PART)
    with part.open("wb") as stream:
        os.fchmod(stream.fileno(), 0o644)  # daemon and people may be different users
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
