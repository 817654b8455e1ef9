"""Entries on their way from a command to the daemon."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from watchedpot.app.entry import spool
from watchedpot.core.model import Check, Entry, EntryKind, Instant, Loading, Storage
from watchedpot.errors import LedgerError

NOTE = Entry(EntryKind.NOTE, "lens_4", Instant(0, 0), "ann", "door stood open")
ID = f"{7:020d}-00c0ffee"


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


def test_another_user_can_read_what_was_left(folder: Path) -> None:
    """The daemon may run as one; who may look into the folder is decided by the folder."""
    before = os.umask(0o077)
    try:
        spool.put(folder, NOTE, said_utc_ns=7)
    finally:
        os.umask(before)
    (path,) = spool.waiting(folder)
    assert path.stat().st_mode & 0o777 == 0o644


def test_an_answered_entry_is_gone_and_its_answer_is_taken_once(folder: Path) -> None:
    """First the answer, then the removal: a kill between them leaves the entry to be answered."""
    left = spool.put(folder, NOTE, said_utc_ns=7)
    assert spool.take_answer(folder, left.id) is None
    spool.answer(folder, left.id, spool.Answer(is_taken=True, sentence="taken"))
    assert spool.waiting(folder) == []
    assert spool.take_answer(folder, left.id) == spool.Answer(is_taken=True, sentence="taken")
    assert spool.take_answer(folder, left.id) is None


def test_answers_that_nobody_waited_for_are_forgotten(folder: Path) -> None:
    """The folder is there when the daemon starts, and does not grow."""
    spool.prepare(folder)
    left = spool.put(folder, NOTE, said_utc_ns=7)
    spool.answer(folder, left.id, spool.Answer(is_taken=True, sentence="taken"))
    spool.prepare(folder)
    assert list(folder.iterdir()) == []


def test_only_the_newest_answers_are_kept(folder: Path) -> None:
    """While the daemon runs as well: whoever never waits fills no disk."""
    spool.prepare(folder)
    names = [f"{at:020d}-00000000" for at in range(spool.ANSWERS_KEPT + 3)]
    for name in names:
        spool.answer(folder, name, spool.Answer(is_taken=True, sentence="taken"))
    assert sorted(path.stem for path in folder.iterdir()) == names[3:]


@pytest.mark.parametrize(
    "content",
    [b"", b"{}", b"no entry", b'{"kind": "note"}', b" " * (spool.LONGEST_BYTES + 1), b'"\\ud800"'],
)
def test_a_file_that_is_no_entry_is_set_aside(folder: Path, content: bytes) -> None:
    """It neither stops the others nor comes again."""
    folder.mkdir()
    (folder / f"{ID}.entry").write_bytes(content)
    (path,) = spool.waiting(folder)
    assert spool.read(path) is None
    assert spool.waiting(folder) == []
    assert (folder / f"{ID}.refused").is_file()


def test_what_only_looks_like_an_entry_is_set_aside(folder: Path) -> None:
    """A pipe, on which a reader would wait for ever, a folder, a name of another form."""
    folder.mkdir()
    os.mkfifo(folder / f"{ID}.entry")
    (folder / f"{ID[:-1]}a.entry").mkdir()
    left = spool.put(folder, NOTE, said_utc_ns=7)
    (path,) = [path for path in spool.waiting(folder) if path.stem == left.id]
    path.rename(path.with_name("odd.entry"))
    assert [spool.read(path) for path in spool.waiting(folder)] == [None, None, None]
    assert spool.waiting(folder) == []


def test_a_name_decides_the_id(folder: Path) -> None:
    """A copied file is another entry only under another name."""
    left = spool.put(folder, NOTE, said_utc_ns=7)
    (path,) = spool.waiting(folder)
    copy = path.with_name(f"{ID}.entry")
    copy.write_bytes(path.read_bytes())
    found = spool.read(copy)
    assert found is not None
    assert (found.id, found.why) == (ID, left.why)


def test_a_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    """What was to be entered is not."""
    (tmp_path / "file").write_text("")
    with pytest.raises(LedgerError, match="the entry cannot be left there"):
        spool.put(tmp_path / "file" / "x.entries", NOTE, said_utc_ns=7)


@pytest.mark.parametrize("why", ["\udcff", "x" * spool.LONGEST_BYTES])
def test_a_text_that_cannot_be_left_is_said(folder: Path, why: str) -> None:
    """Bytes of a terminal that are no text, or too many of them."""
    told = Entry(EntryKind.NOTE, "lens_4", Instant(0, 0), "ann", why)
    with pytest.raises(LedgerError, match="nothing was entered"):
        spool.put(folder, told, said_utc_ns=7)
    assert not folder.exists()


def test_no_folder_holds_no_entries(folder: Path) -> None:
    """Before the first entry there is none."""
    assert spool.waiting(folder) == []
    assert spool.take_answer(folder, ID) is None
