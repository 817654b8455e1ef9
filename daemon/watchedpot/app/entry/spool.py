"""How an entry comes from a command to the daemon, which alone writes the ledger.

Beside the ledger lies a folder, ``<ledger>.entries``, with one file an entry, written whole and
renamed into place; names sort in the order in which they were written. The daemon takes each
file, records the entry, and when that is on the disk it leaves an answer and removes the file.
An entry carries an id: whatever is killed when, it is neither lost nor taken twice.

Who may write into the folder may enter; its permissions decide. The name given with an entry is
recorded as said: it is no proof of who it was.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from watchedpot.core.model import Entry, Instant
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import dump_state, load_state

_ENTRY, _ANSWER, _REFUSED = ".entry", ".answer", ".unreadable"


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
        The folder cannot be used.
    """
    # The time makes the names sort, the rest tells two of one moment apart.
    entry_id = f"{said_utc_ns:020d}-{secrets.token_hex(4)}"
    entry = replace(entry, id=entry_id, said_utc_ns=said_utc_ns, at=Instant(0, 0))
    try:
        folder.mkdir(exist_ok=True)
        _write_whole(folder / f"{entry_id}{_ENTRY}", dump_state(entry))
    except OSError as exc:
        raise LedgerError(
            f"folder {folder}",
            f"the entry cannot be left there ({exc.strerror})",
            effect="nothing was entered",
            hint="check that you may write there",
        ) from exc
    return entry


def waiting(folder: Path) -> list[Path]:
    """Files of the entries that wait, in the order in which they were left."""
    return sorted(folder.glob(f"*{_ENTRY}"))


def read(path: Path) -> Entry | None:
    """An entry from its file; one that cannot be read is set aside, and None."""
    try:
        entry = load_state(Entry, path.read_bytes())
    except (LedgerError, OSError):
        path.replace(path.with_suffix(_REFUSED))
        return None
    return entry if entry.id == path.stem else replace(entry, id=path.stem)


def answer(folder: Path, entry_id: str, told: Answer) -> None:
    """Say what became of an entry, and take its file away: it is recorded by now."""
    text = json.dumps({"is_taken": told.is_taken, "sentence": told.sentence})
    _write_whole(folder / f"{entry_id}{_ANSWER}", text.encode())
    (folder / f"{entry_id}{_ENTRY}").unlink(missing_ok=True)


def take_answer(folder: Path, entry_id: str) -> Answer | None:
    """The answer to an entry, once; None while there is none."""
    path = folder / f"{entry_id}{_ANSWER}"
    if not path.is_file():
        return None
    found = json.loads(path.read_bytes())
    path.unlink(missing_ok=True)
    return Answer(found["is_taken"], found["sentence"])


def forget_answers(folder: Path) -> None:
    """Answers that nobody waited for, as the daemon starts."""
    for path in _answers(folder):
        path.unlink(missing_ok=True)


def _answers(folder: Path) -> Iterator[Path]:
    return folder.glob(f"*{_ANSWER}")


def _write_whole(path: Path, content: bytes) -> None:
    """A file that is there as a whole or not at all, also after a power cut."""
    part = path.with_suffix(".part")
    with part.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    part.replace(path)
