"""What people left in the folder, taken by the daemon: none is lost and none is taken twice.

An entry's file stays until the record has it. Three things can come in between. The daemon is
killed: at its next start it looks up in the record which of the waiting entries are there, by
their ids. The ledger cannot be written: the entry is judged but not answered, until it is there.
What was to be recorded fell out of the full queue meanwhile: it is recorded once more, not judged
once more. What cannot be done now is tried again at the next look, and said once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

import structlog

from watchedpot.app import log
from watchedpot.app.entry import spool
from watchedpot.core.model import Entry, EntryKind, Event, EventKind
from watchedpot.errors import WatchedpotError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Ledger, Receipt
from watchedpot.outputs.wording import sentence

ENTRIES_PER_LOOK = 100
"""Entries taken in one look [1]; the others wait for the next one."""

COMMIT_S = 5.0
"""Longest wait for one commit, before the next entry has its turn, in real time. [s]"""

Enter: TypeAlias = Callable[[Entry], Awaitable[tuple[tuple[Event, ...], Receipt]]]
"""Judges an entry; its events, never none, and the receipt of their record."""

Record: TypeAlias = Callable[[tuple[Event, ...]], Receipt]
"""Records events that were judged before."""


@dataclass(frozen=True, slots=True)
class _Judged:
    """An entry that is not answered yet; without a receipt it is in the record for certain."""

    events: tuple[Event, ...]
    receipt: Receipt | None = None

    @property
    def is_recorded(self) -> bool:
        return self.receipt is None or (self.receipt.done() and self.receipt.result())

    @property
    def answer(self) -> spool.Answer:
        is_taken = all(event.kind is not EventKind.ENTRY_REFUSED for event in self.events)
        return spool.Answer(is_taken, "; ".join(map(sentence, self.events)))


class Intake:
    """The way of entries from their folder into the record.

    Parameters
    ----------
    folder
        Where they wait.
    path, record
        The ledger's file, and its writer.
    enter, again
        How an entry is judged and recorded, and how its events are recorded once more.
    """

    def __init__(
        self, folder: Path, *, path: Path, record: Ledger, enter: Enter, again: Record
    ) -> None:
        self._folder = folder
        self._path = path
        self._record = record
        self._enter = enter
        self._again = again
        self._judged: dict[str, _Judged] = {}
        self._is_ready = False
        self._problem = ""
        self._log = structlog.get_logger("watchedpot")

    async def look(self) -> bool:
        """Take what waits; whether a reference check was among it.

        Waits for the disk in a thread and for each commit at most ``COMMIT_S``; cancelling loses
        nothing.
        """
        has_checked = False
        problem = ""
        try:
            await self._prepare()
            waiting = await asyncio.to_thread(spool.waiting, self._folder)
            for path in waiting[:ENTRIES_PER_LOOK]:
                try:
                    kind = await self._take(path)
                except OSError as exc:
                    problem = f"{path.name}: {exc.strerror}"
                else:
                    has_checked |= kind is EntryKind.CHECK
        except (OSError, WatchedpotError) as exc:
            problem = str(exc)
        if problem and problem != self._problem:
            self._log.error(log.ENTRIES_FAILED, problem=problem)
        self._problem = problem
        return has_checked

    async def _prepare(self) -> None:
        """Before the first entry: what an earlier run recorded but did not live to answer."""
        if self._is_ready:
            return
        await asyncio.to_thread(spool.prepare, self._folder)
        names = {path.stem for path in await asyncio.to_thread(spool.waiting, self._folder)}
        found = await asyncio.to_thread(self._found, names)
        self._judged.update((name, _Judged((event,))) for name, event in found.items())
        self._is_ready = True

    def _found(self, names: Collection[str]) -> dict[str, Event]:
        """The recorded events of some entries."""
        if not names:
            return {}
        recorded = (one.event for one in ledger.events(self._path))
        return {
            str(event.detail("id")): event
            for event in recorded
            if event.kind in (EventKind.ENTERED, EventKind.ENTRY_REFUSED)
            and event.detail("id") in names
        }

    async def _take(self, path: Path) -> EntryKind | None:
        """One entry as far as it can be brought now; its kind when it is done with."""
        entry = await asyncio.to_thread(spool.read, path)
        if entry is None:
            self._log.error(log.ENTRY_UNREADABLE, file=path.name)
            return None
        if entry.id not in self._judged:
            events, receipt = await self._enter(entry)
            self._judged[entry.id] = _Judged(events, receipt)
            await self._record.committed(receipt, timeout_s=COMMIT_S)
        elif not self._judged[entry.id].is_recorded:
            await self._recover(entry.id)
        judged = self._judged[entry.id]
        if not judged.is_recorded:
            return None
        await asyncio.to_thread(spool.answer, self._folder, entry.id, judged.answer)
        del self._judged[entry.id]
        return entry.kind

    async def _recover(self, name: str) -> None:
        """What could not be recorded at once: whether it is there by now, or has to be again."""
        status = self._record.status()
        judged = self._judged[name]
        is_on_its_way = judged.receipt is not None and not judged.receipt.done()
        if is_on_its_way or status.pending or not status.is_writing:
            return
        if name in await asyncio.to_thread(self._found, {name}):
            self._judged[name] = replace(judged, receipt=None)
        else:
            receipt = self._again(judged.events)
            self._judged[name] = replace(judged, receipt=receipt)
            await self._record.committed(receipt, timeout_s=COMMIT_S)
