"""Entries taken from their folder: none lost, none twice, whatever fails in between."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from outputs.ledger.samples import at
from watchedpot.app import log
from watchedpot.app.entry import intake, spool
from watchedpot.app.entry.intake import Intake
from watchedpot.core.entries import entered, refused
from watchedpot.core.model import Entry, EntryKind, Event, EventKind, Instant
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger, Receipt

NOTE = Entry(EntryKind.NOTE, "lens_4", Instant(0, 0), "ann", "door stood open")


def receipt(*, is_durable: bool) -> Receipt:
    """Receipt of a commit that is over."""
    future: Receipt = Future()
    future.set_result(is_durable)
    return future


@dataclass
class Bench:
    """A ledger, its folder and what was judged, by a core that takes all but empty notes."""

    path: Path
    record: Ledger
    judged: list[str] = field(default_factory=list)
    logged: list[tuple[str, dict[str, object]]] = field(default_factory=list)
    is_lost: bool = False  # what is judged falls out of the queue
    is_late: bool = False  # it is recorded, but not when the receipt was asked for

    @property
    def folder(self) -> Path:
        """Where entries wait."""
        return spool.folder_of(self.path)

    def intake(self) -> Intake:
        """What a daemon has from its start."""
        made = Intake(
            self.folder, path=self.path, record=self.record, enter=self.enter, again=self.append
        )
        made._log = self
        return made

    def error(self, name: str, **told: object) -> None:
        """A line of the log."""
        self.logged.append((name, told))

    async def enter(self, entry: Entry) -> tuple[tuple[Event, ...], Receipt]:
        """Judge an entry."""
        self.judged.append(entry.id)
        entry = replace(entry, at=at(float(len(self.judged))))
        event = entered(entry, "lens_4") if entry.why else refused(entry, "lens_4", "empty")
        if self.is_lost:
            return (event,), receipt(is_durable=False)
        durable = self.append((event,))
        return (event,), receipt(is_durable=False) if self.is_late else durable

    def append(self, events: tuple[Event, ...]) -> Receipt:
        """Record events."""
        return self.record.append(Batch(events=events))

    def put(self, entry: Entry = NOTE, *, second: int = 7) -> str:
        """Leave an entry; its id."""
        return spool.put(self.folder, entry, said_utc_ns=second).id

    def recorded(self) -> list[object]:
        """Ids of what the record has, in order."""
        return [one.event.detail("id") for one in ledger.events(self.path)]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A new ledger."""
    path = tmp_path / "a.ledger"
    return Bench(path, Ledger.open(path, now=lambda: at(0.0), version="0", config="{}"))


def looked(taker: Intake, times: int = 1) -> list[bool]:
    """What some looks say; the ledger is still open after them."""

    async def look() -> list[bool]:
        return [await taker.look() for _ in range(times)]

    return asyncio.run(look())


def test_entries_are_judged_recorded_and_answered_in_order(bench: Bench) -> None:
    """Taken or refused, each once; a check is told."""
    names = [
        bench.put(second=1),
        bench.put(replace(NOTE, why=""), second=2),
        bench.put(replace(NOTE, kind=EntryKind.CHECK), second=3),
    ]
    taker = bench.intake()
    assert looked(taker, 2) == [True, False]
    assert bench.judged == bench.recorded() == names
    answers = [spool.take_answer(bench.folder, name) for name in names]
    assert [answer and answer.is_taken for answer in answers] == [True, False, True]
    assert answers[1] is not None
    assert answers[1].sentence == "lens_4: note for lens_4 not taken: empty"
    assert list(bench.folder.iterdir()) == []
    assert not taker._judged
    assert bench.record.stop()


def test_the_folder_is_made_for_those_who_will_enter(bench: Bench) -> None:
    """By the daemon, so that its owner decides about it."""
    assert looked(bench.intake()) == [False]
    assert bench.folder.is_dir()
    assert bench.record.stop()


@pytest.mark.parametrize("why", ["door stood open", ""])
def test_what_an_earlier_run_recorded_is_answered_and_not_judged_again(
    bench: Bench, why: str
) -> None:
    """A kill came between the record and the answer; that it was refused is remembered too."""
    name = bench.put(replace(NOTE, why=why))
    copy = (bench.folder / f"{name}.entry").read_bytes()
    looked(bench.intake())
    (bench.folder / f"{name}.entry").write_bytes(copy)
    looked(bench.intake())
    assert bench.judged == bench.recorded() == [name]
    answer = spool.take_answer(bench.folder, name)
    assert answer is not None
    assert answer.is_taken is bool(why)
    assert spool.waiting(bench.folder) == []
    assert bench.record.stop()


def test_what_is_not_durable_is_not_answered(bench: Bench) -> None:
    """The entry waits on, also at the next look, as long as the ledger cannot be written."""
    bench.is_lost = True
    name = bench.put()
    taker = bench.intake()
    bench.record.stop()  # from here on nothing can be written
    looked(taker, 3)
    assert spool.take_answer(bench.folder, name) is None
    assert [path.stem for path in spool.waiting(bench.folder)] == bench.judged == [name]


def test_what_became_durable_later_is_answered(bench: Bench) -> None:
    """The record has it by then, and has it once."""
    bench.is_late = True
    name = bench.put()
    taker = bench.intake()
    looked(taker)
    assert spool.take_answer(bench.folder, name) is None
    assert asyncio.run(bench.record.committed(bench.append(())))
    looked(taker)
    assert spool.take_answer(bench.folder, name) == spool.Answer(
        is_taken=True, sentence="lens_4: note by ann: door stood open"
    )
    assert bench.judged == bench.recorded() == [name]
    assert bench.record.stop()


def test_what_fell_out_of_the_queue_is_recorded_once_more(bench: Bench) -> None:
    """Not judged once more: the cell has it already."""
    bench.is_lost = True
    name = bench.put()
    taker = bench.intake()
    looked(taker, 2)
    assert bench.judged == bench.recorded() == [name]
    assert spool.take_answer(bench.folder, name) is not None
    assert bench.record.stop()


def test_a_file_that_is_no_entry_stops_none_of_the_others(bench: Bench) -> None:
    """It is set aside and said."""
    bench.folder.mkdir()
    (bench.folder / "0.entry").write_bytes(b"odd")
    name = bench.put()
    looked(bench.intake(), 2)
    assert bench.judged == [name]
    assert bench.logged == [(log.ENTRY_UNREADABLE, {"file": "0.entry"})]
    assert bench.record.stop()


def test_an_answer_that_cannot_be_left_is_tried_again_and_said_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk ends neither the daemon nor the entry."""
    name = bench.put()
    taker = bench.intake()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(spool, "answer", full)
        looked(taker, 3)
    assert bench.logged == [
        (log.ENTRIES_FAILED, {"problem": f"{name}.entry: No space left on device"})
    ]
    assert spool.take_answer(bench.folder, name) is None
    looked(taker)
    assert spool.take_answer(bench.folder, name) is not None
    assert bench.judged == bench.recorded() == [name]
    assert bench.record.stop()


def test_without_the_record_of_earlier_runs_nothing_is_taken(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It might be taken twice; once the record can be read it is."""
    name = bench.put()
    taker = bench.intake()
    with monkeypatch.context() as patched:
        patched.setattr(taker, "_path", bench.path.with_name("away"))
        looked(taker, 2)
    assert bench.judged == []
    assert [what for what, _ in bench.logged] == [log.ENTRIES_FAILED]
    looked(taker)
    assert bench.judged == [name]
    assert bench.record.stop()


def test_one_look_is_bounded(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest first; the others come with the next look."""
    monkeypatch.setattr(intake, "ENTRIES_PER_LOOK", 2)
    names = [bench.put(second=second) for second in (1, 2, 3)]
    taker = bench.intake()
    looked(taker)
    assert bench.judged == names[:2]
    looked(taker)
    assert bench.judged == names
    assert {one.event.kind for one in ledger.events(bench.path)} == {EventKind.ENTERED}
    assert bench.record.stop()
