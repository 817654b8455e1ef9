"""Entries on their way from a command to the daemon."""

from __future__ import annotations

from pathlib import Path

import pytest

from watchedpot.app.entry import spool
from watchedpot.core.model import Check, Entry, EntryKind, Instant, Loading, Storage
from watchedpot.errors import LedgerError

NOTE = Entry(EntryKind.NOTE, "lens_4", Instant(0, 0), "ann", "door stood open")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of a ledger's entries, which is made when it is needed."""
    return spool.folder_of(tmp_path / "cell.ledger")


@pytest.mark.parametrize(
    "entry",
    [
        NOTE,
        Entry(EntryKind.CHECK, "lens_4/nozzle", Instant(0, 0), "ann", check=Check(120.0, 123.0)),
        Entry(
            EntryKind.CHARGE_LOADED,
            "lens_4",
            Instant(0, 0),
            "ann",
            subject="44",
            loading=Loading(age_s=0.0, lot="L1", storage=Storage(0.0, 24.0, 20.0, 3600.0)),
        ),
    ],
)
def test_an_entry_arrives_as_it_was_left(folder: Path, entry: Entry) -> None:
    """All of it, with an id and the time when it was said."""
    left = spool.put(folder, entry, said_utc_ns=7)
    (path,) = spool.waiting(folder)
    assert spool.read(path) == left
    assert left.id
    assert left.said_utc_ns == 7


def test_entries_wait_in_the_order_in_which_they_were_said(folder: Path) -> None:
    """By their time, not by chance."""
    ids = [spool.put(folder, NOTE, said_utc_ns=at).id for at in (5, 70, 600)]
    assert [path.stem for path in spool.waiting(folder)] == ids


def test_an_answered_entry_is_gone_and_its_answer_is_taken_once(folder: Path) -> None:
    """First the answer, then the removal: a kill between them leaves the entry to be answered."""
    left = spool.put(folder, NOTE, said_utc_ns=7)
    assert spool.take_answer(folder, left.id) is None
    spool.answer(folder, left.id, spool.Answer(is_taken=True, sentence="taken"))
    assert spool.waiting(folder) == []
    assert spool.take_answer(folder, left.id) == spool.Answer(is_taken=True, sentence="taken")
    assert spool.take_answer(folder, left.id) is None


def test_answers_that_nobody_waited_for_are_forgotten(folder: Path) -> None:
    """The folder does not grow."""
    left = spool.put(folder, NOTE, said_utc_ns=7)
    spool.answer(folder, left.id, spool.Answer(is_taken=True, sentence="taken"))
    spool.forget_answers(folder)
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"{}", b"no entry", b'{"kind": "note"}'])
def test_a_file_that_is_no_entry_is_set_aside(folder: Path, content: bytes) -> None:
    """It neither stops the others nor comes again."""
    folder.mkdir()
    (folder / "odd.entry").write_bytes(content)
    (path,) = spool.waiting(folder)
    assert spool.read(path) is None
    assert spool.waiting(folder) == []
    assert (folder / "odd.unreadable").is_file()


def test_a_name_decides_the_id(folder: Path) -> None:
    """A copied file is another entry only under another name."""
    left = spool.put(folder, NOTE, said_utc_ns=7)
    (path,) = spool.waiting(folder)
    copy = path.with_name("copy.entry")
    copy.write_bytes(path.read_bytes())
    found = spool.read(copy)
    assert found is not None
    assert (found.id, found.why) == ("copy", left.why)


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    """What was to be entered is not."""
    (tmp_path / "file").write_text("")
    with pytest.raises(LedgerError, match="the entry cannot be left there"):
        spool.put(tmp_path / "file" / "x.entries", NOTE, said_utc_ns=7)


def test_no_folder_holds_no_entries(folder: Path) -> None:
    """Before the first entry there is none."""
    assert spool.waiting(folder) == []
    spool.forget_answers(folder)
