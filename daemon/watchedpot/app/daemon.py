"""The daemon: sources -> queue -> step -> ledger -> snapshot, in one task group.

Readings go one way. A poll becomes a block in a bounded queue; one task judges whatever waits,
hands readings, events and states to the ledger, and publishes a snapshot once the ledger has
them, so that nothing is shown that is not recorded. While the ledger cannot be written, judging
and serving go on and say so.
"""

from __future__ import annotations

import asyncio
import random
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TypedDict

import structlog

from watchedpot import __version__
from watchedpot.app import log
from watchedpot.app.clock import Clock, continued
from watchedpot.app.config import Configuration
from watchedpot.app.config.recorded import rules_of
from watchedpot.app.entry import spool
from watchedpot.app.entry.intake import COMMIT_S, Intake
from watchedpot.app.rejudge import Rejudged, rejudge, unanswered
from watchedpot.app.serving import Recorded, certificate_end_ns, certificate_of, doors_of
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.entries import refused
from watchedpot.core.model import (
    Block,
    Detail,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Loading,
    Reason,
    join_blocks,
    missing_row,
)
from watchedpot.core.rules import Verdict
from watchedpot.core.snapshot import CellSnapshot, Snapshot
from watchedpot.errors import LedgerError, WatchedpotError
from watchedpot.outputs.ledger import (
    Batch,
    Ledger,
    Receipt,
    Resumed,
    Retention,
    dump_state,
    load_state,
)
from watchedpot.outputs.metrics import Metrics
from watchedpot.outputs.web.actions import Outcome
from watchedpot.outputs.web.app import Newest, create_app
from watchedpot.outputs.web.server import WebServer
from watchedpot.outputs.wording import sentence
from watchedpot.sources import modbus, opcua
from watchedpot.sources.base import Judge, Poller, Report
from watchedpot.sources.belief import Belief
from watchedpot.sources.link import Links
from watchedpot.sources.wiring import ModbusSource, Source

SHUTDOWN_S = 5.0
"""Bound of each stage of the shutdown [s]."""

STAND_STILL_S = 30.0
"""How long polls, evaluation or commits may stand still in a healthy daemon, in real time [s]."""

EVENTS_PER_TURN = 200
"""Events handed over in one go: a thousand parts judged again must not stop the polls."""

LISTEN_S = 1.0
"""Time between two looks for entries of people, in real time [s]."""

BLOCKS_PER_TURN = 16
"""Blocks judged in one go: some ms, so that a poll that falls due is not late by more."""


class BlockQueue:
    """Blocks on their way from the pollers to the judge; full, it drops the oldest and counts."""

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        self.dropped: dict[str, int] = {}
        self._blocks: deque[Block] = deque()
        self._filled = asyncio.Event()

    def __len__(self) -> int:
        return len(self._blocks)

    def put(self, block: Block) -> None:
        """Add a block; never waits."""
        if len(self._blocks) >= self.capacity:
            lost = self._blocks.popleft()
            self.dropped[lost.source] = self.dropped.get(lost.source, 0) + len(lost)
        self._blocks.append(block)
        self._filled.set()

    async def take(self) -> list[Block]:
        """Wait until something is there, and take the oldest; cancelling loses nothing."""
        await self._filled.wait()
        return self.take_now()

    def take_now(self) -> list[Block]:
        """The oldest of what is there."""
        blocks = [self._blocks.popleft() for _ in range(min(len(self._blocks), BLOCKS_PER_TURN))]
        if not self._blocks:
            self._filled.clear()
        return blocks

    def take_dropped(self) -> dict[str, int]:
        """Rows dropped since the last call, by source."""
        dropped, self.dropped = self.dropped, {}
        return dropped


@dataclass(slots=True)
class _Cell:
    """One cell's plan, its state, which each batch replaces, and how that is shown."""

    plan: CellPlan
    state: CellState
    sources: frozenset[str]
    shown: CellSnapshot | None


class _Shared(TypedDict):
    """What pollers of both protocols are given."""

    clock: Clock
    emit: Callable[[Block], None]
    report: Report
    rng: random.Random
    judge: Judge


class Daemon:
    """One daemon for all cells of a configuration.

    Parameters
    ----------
    configuration
        What to read and how to judge it.
    clock
        Cell time.
    rng
        Jitter of the reconnecting; nothing that is judged depends on it.
    speed
        How fast cell time runs, for the health check, which is about real time. [1]
    """

    def __init__(
        self,
        configuration: Configuration,
        clock: Clock,
        rng: random.Random,
        *,
        speed: float = 1.0,
    ) -> None:
        self._configuration = configuration
        self._log = structlog.get_logger("watchedpot")
        service = configuration.service
        doors, certificate = doors_of(service, self._report_tokens), certificate_of(service)
        self._certificate_expires_ns = (
            None if certificate is None else certificate_end_ns(certificate)
        )
        self._clock = clock
        self._ledger = Ledger.open(
            service.ledger_path,
            now=self._now,
            version=__version__,
            config=configuration.text,
            commit_interval_s=service.commit_interval_s,
            retention=Retention(service.retention_days, round(service.retention_mb * 1e6)),
        )
        found = self._ledger.resume()
        self._clock = continued(clock, found.last)
        self._started = self._clock.now()
        self._pending: list[Event] = []
        self._cells = self._resumed_cells(found)
        self._note_start(found.config_revision)
        self._queue = BlockQueue(service.queue_capacity)
        self._links = Links()
        self._pollers = tuple(self._poller(source, rng) for source in configuration.sources)
        self._newest = Newest(
            self._new_snapshot(),
            self._clock.now,
            lambda: asyncio.get_running_loop().time(),
            cells=tuple(self._cells),
            stand_still_limit_s=STAND_STILL_S * speed,
            speed=speed,
        )
        self._is_recording = True
        app = create_app(
            self._newest,
            Metrics(lambda: self._snapshot, self._clock.now),
            record=Recorded(configuration, self._clock.now),
            enter=self._say,
            doors=doors,
        )
        self._web = WebServer(app, certificate=certificate)
        self._stop = asyncio.Event()
        self._has_check = False
        self._intake = Intake(
            spool.folder_of(service.ledger_path),
            path=service.ledger_path,
            record=self._ledger,
            enter=self._enter,
            again=lambda events: self._record([], list(events), ()),
        )

    @property
    def _snapshot(self) -> Snapshot:
        """What is shown now."""
        return self._newest.snapshot

    def stop(self) -> None:
        """Ask ``run`` to end; safe to call more than once."""
        self._stop.set()

    async def run(self) -> None:
        """Watch until stopped; every stage of the shutdown is bounded.

        Order of the shutdown: sources, what waits in the queue, the last commit, the web server.

        Raises
        ------
        WatchedpotError
            The web server's address cannot be bound.
        """
        service = self._configuration.service
        # The time since the last run, or since nothing, was not watched; the record says so. And
        # the first scrape has all its series, at worst with nothing known.
        self._take([self._not_watched(source) for source in self._configuration.sources])
        self._newest.publish(self._new_snapshot())
        try:
            async with asyncio.TaskGroup() as group:
                web = group.create_task(self._web.serve(service.host, service.port))
                judge = group.create_task(self._judge())
                pollers = [group.create_task(poller.run()) for poller in self._pollers]
                people = group.create_task(self._listen())
                pages = group.create_task(self._newest.live.run())
                await self._stop.wait()
                people.cancel()
                pages.cancel()
                self._newest.live.close()
                for poller in pollers:
                    poller.cancel()
                await asyncio.wait(pollers, timeout=SHUTDOWN_S)
                judge.cancel()
                await asyncio.wait([judge], timeout=SHUTDOWN_S)
                await self._close()
                self._web.stop()
                await asyncio.wait([web], timeout=SHUTDOWN_S)
        except BaseException:
            await self._ledger.close(timeout_s=SHUTDOWN_S)  # what was judged is still recorded
            raise

    def _not_watched(self, source: Source) -> Block:
        """Row of a source that says that nobody was reading it until now."""
        names = [channel.name for channel in source.channels]
        return missing_row(source.id, names, self._clock.now(), Reason.NOT_WATCHED)

    async def _close(self) -> None:
        """What still waits is judged, recorded and the ledger closed."""
        while len(self._queue):
            self._take(await self._queue.take())
        self._note(EventKind.DAEMON_STOPPED)
        self._take([])
        if not await self._ledger.close(timeout_s=SHUTDOWN_S):
            self._log.error(
                log.LEDGER_FAILED, problem=f"the end is missing: {self._ledger.failure}"
            )
        self._log.info(log.DAEMON_STOPPED)

    async def _judge(self) -> None:
        """Judge whatever waits, for ever."""
        while True:
            self._take(await self._queue.take())
            await asyncio.sleep(0)  # polls that are due meanwhile go first

    async def _listen(self) -> None:
        """Take what people entered, about once a second of real time, for ever."""
        await self._rejudge()  # what an earlier run did not live to do
        while True:
            if await self._intake.look() or self._has_check:
                self._has_check = False
                await self._rejudge()
            await asyncio.sleep(LISTEN_S)

    async def _rejudge(self) -> None:
        """Judge again what failed checks put in doubt, beside everything else, in a thread."""
        path = self._configuration.service.ledger_path
        try:
            for check in await asyncio.to_thread(unanswered, path, rules_of=rules_of):
                found = await asyncio.to_thread(
                    rejudge, path, check, at=self._clock.now(), rules_of=rules_of
                )
                for note in found.notes:
                    self._log.error(log.REJUDGING_FAILED, problem=note)
                await self._raise_age(check.event, found)
                for first in range(0, len(found.events), EVENTS_PER_TURN):
                    some = list(found.events[first : first + EVENTS_PER_TURN])
                    await self._ledger.committed(self._record([], some, ()), timeout_s=SHUTDOWN_S)
        except WatchedpotError as exc:
            self._log.error(log.REJUDGING_FAILED, problem=str(exc))

    async def _raise_age(self, check: Event, found: Rejudged) -> None:
        """The charge in use counts as old as the worse of both readings says."""
        await self._catch_up()
        cell = self._cells.get(check.cell)
        if cell is None or found.added_s <= 0.0 or cell.state.charge.id != found.charge_id:
            return
        said = Entry(
            EntryKind.AGE_CORRECTED,
            check.cell,
            self._clock.now(),
            str(check.detail("who")),
            f"check of {check.zone}",
            loading=Loading(age_s=found.added_s),
        )
        self._apply(said, cell)

    async def _catch_up(self) -> None:
        """Judge what was read until now, so that what is said now comes behind it."""
        while len(self._queue):
            self._take(self._queue.take_now())
            await asyncio.sleep(0)

    async def _enter(self, entry: Entry) -> tuple[tuple[Event, ...], Receipt]:
        """One entry through the core and on to the ledger, between two readings."""
        await self._catch_up()
        entry = replace(entry, at=self._clock.now())
        name = entry.target.partition("/")[0]
        cell = self._cells.get(name)
        if cell is not None:
            return self._apply(entry, cell)
        no_cell = refused(entry, "", f"expected a cell of {', '.join(self._cells)}")
        return (no_cell,), self._record([], [no_cell], ())

    async def _say(self, entry: Entry) -> Outcome:
        """The same for somebody who waits for the answer, at most as long as a commit may take."""
        if self._stop.is_set():
            told = "the daemon is stopping; nothing was entered"
            return Outcome(is_taken=False, is_recorded=False, sentence=told)
        said_ns = self._clock.now().utc_ns
        name = f"{said_ns:020d}-{secrets.token_hex(4)}"
        events, receipt = await self._enter(replace(entry, id=name, said_utc_ns=said_ns))
        is_taken = all(event.kind is not EventKind.ENTRY_REFUSED for event in events)
        told = "; ".join(map(sentence, events))
        if not await self._ledger.committed(receipt, timeout_s=COMMIT_S):
            told = f"not recorded, or not yet; see the events before saying it again: {told}"
            return Outcome(is_taken=is_taken, is_recorded=False, sentence=told)
        self._has_check |= is_taken and entry.kind is EntryKind.CHECK
        return Outcome(is_taken=is_taken, is_recorded=True, sentence=told)

    def _apply(self, entry: Entry, cell: _Cell) -> tuple[tuple[Event, ...], Receipt]:
        """What a person said, as of now: nothing that was read before may still wait."""
        cell.state, events = engine.step(cell.state, entry, cell.plan)
        return events, self._record([], list(events), (cell.plan.rules.id,))

    def _take(self, blocks: list[Block]) -> None:
        """One batch through the core and on to the ledger; publishes when it is durable."""
        for source, rows in self._queue.take_dropped().items():
            self._note(EventKind.READINGS_DROPPED, ("source", source), ("rows", rows))
        events = self._taken_notes()
        touched: dict[str, None] = {}
        for block in _joined(blocks):
            for name, cell in self._cells.items():
                if block.source in cell.sources:
                    cell.state, new = engine.step(cell.state, block, cell.plan)
                    events += new
                    touched[name] = None
        self._record(blocks, events, tuple(touched))

    def _record(
        self, blocks: list[Block], events: list[Event], touched: tuple[str, ...]
    ) -> Receipt:
        """Hand a batch to the ledger, and publish what is shown once it is recorded."""
        for event in events:
            self._log_event(event)
        states = {name: dump_state(self._cells[name].state) for name in touched}
        for name in touched:
            cell = self._cells[name]
            cell.shown = engine.snapshot(cell.state, cell.plan)
        receipt = self._ledger.append(Batch(tuple(blocks), tuple(events), states))
        self._publish_after(receipt)
        return receipt

    def _publish_after(self, receipt: Receipt) -> None:
        """Publish the present state once it is recorded, or once it is known that it is not."""
        snapshot = self._new_snapshot()
        loop = asyncio.get_running_loop()

        def publish(done: Receipt) -> None:
            if not loop.is_closed():
                loop.call_soon_threadsafe(self._publish, snapshot, done.result())

        receipt.add_done_callback(publish)

    def _publish(self, snapshot: Snapshot, is_recorded: bool) -> None:  # noqa: FBT001
        """Show a snapshot; the ledger's own health is always the newest."""
        newest = snapshot if snapshot.at.mono_ns >= self._snapshot.at.mono_ns else self._snapshot
        self._newest.publish(replace(newest, ledger=self._ledger.status()))
        problem = self._ledger.failure
        if is_recorded is self._is_recording or not (is_recorded or problem):
            return  # nothing new, or a batch dropped from a full queue, which the ledger tells
        self._is_recording = is_recorded
        if is_recorded:
            self._log.warning(log.LEDGER_RECOVERED)
        else:
            self._note(EventKind.LEDGER_FAILED, ("problem", problem))

    def _now(self) -> Instant:
        """The present moment on the clock as it is continued, which the ledger cannot know yet."""
        return self._clock.now()

    def _new_snapshot(self) -> Snapshot:
        """Everything the outputs may know now."""
        shown = (cell.shown for cell in self._cells.values())
        return Snapshot(
            at=self._clock.now(),
            started=self._started,
            version=__version__,
            config_revision=self._configuration.revision,
            cells=tuple(cell for cell in shown if cell is not None),
            sources=tuple(poller.status() for poller in self._pollers),
            ledger=self._ledger.status(),
            certificate_expires_ns=self._certificate_expires_ns,
        )

    def _resumed_cells(self, found: Resumed) -> dict[str, _Cell]:
        """Every configured cell, with the account that an earlier run left."""
        cells = {}
        for rules in self._configuration.cells:
            plan = engine.plan_cell(rules)
            state = engine.start(plan)
            try:
                if rules.id in found.damaged:
                    raise LedgerError(f"state of cell {rules.id}", "it is not what was written")
                if rules.id in found.states:
                    state = engine.adopt(load_state(CellState, found.states[rules.id]), plan)
            except LedgerError as exc:
                self._note(
                    EventKind.CONFIGURATION_CHANGED,
                    ("problem", f"{exc}; the account of the cell begins anew"),
                    cell=rules.id,
                )
            names = set(rules.channels())
            sources = frozenset(
                source.id
                for source in self._configuration.sources
                if names & {channel.name for channel in source.channels}
            )
            cells[rules.id] = _Cell(plan, state, sources, engine.snapshot(state, plan))
        return cells

    def _note_start(self, earlier_revision: str | None) -> None:
        """Say that a run begins, and whether it judges by other rules than the one before."""
        revision = self._configuration.revision
        self._note(EventKind.DAEMON_STARTED, ("version", __version__), ("revision", revision))
        if earlier_revision is not None and not earlier_revision.startswith(revision):
            self._note(
                EventKind.CONFIGURATION_CHANGED,
                ("revision", revision),
                ("previous", earlier_revision[: len(revision)]),
                ("files", ", ".join(str(file) for file in self._configuration.files)),
            )

    def _poller(self, source: Source, rng: random.Random) -> Poller:
        """The poller of one source."""
        shared = _Shared(
            clock=self._clock,
            emit=self._queue.put,
            report=partial(self._report, source.id),
            rng=rng,
            judge=Belief(source.channels),
        )
        if isinstance(source, ModbusSource):
            return modbus.poller(source, links=self._links, **shared)
        return opcua.poller(source, **shared)

    def _report_tokens(self, problem: str) -> None:
        """What is wrong with the file of those who may act."""
        self._log.error(log.TOKENS_FAILED, problem=problem)

    def _report(self, source: str, event_name: str, /, **fields: object) -> None:
        """What a poller has to say: to the log, and as an event where it is one."""
        kinds = {log.SOURCE_UP: EventKind.SOURCE_UP, log.SOURCE_LOST: EventKind.SOURCE_LOST}
        if event_name in kinds:
            reason, problem = fields.get("reason"), fields.get("text")
            told = (("reason", reason), ("problem", problem)) if reason else ()
            self._note(
                kinds[event_name],
                ("source", source),
                *((name, str(value)) for name, value in told),
            )
        elif event_name in log.SOURCE_WARNINGS:
            self._log.warning(event_name, **({"source": source} | fields))
        else:
            self._log.error(event_name, **({"source": source} | fields))

    def _note(self, kind: EventKind, *details: tuple[str, Detail], cell: str = "") -> None:
        """An event of the daemon itself, recorded with the next batch."""
        self._pending.append(Event(kind, self._clock.now(), cell, "", details))

    def _taken_notes(self) -> list[Event]:
        """Events of the daemon itself that wait."""
        notes, self._pending = self._pending, []
        return notes

    def _log_event(self, event: Event) -> None:
        """One line for one event; parts only where somebody has to decide about them."""
        if event.kind is EventKind.PART_MADE and event.detail("verdict") not in _SUSPECT:
            return
        speak: Callable[..., None] = (
            self._log.warning if event.kind in _WARNINGS else self._log.info
        )
        speak(
            log.EVENT,
            kind=event.kind.value,
            cell=event.cell,
            zone=event.zone,
            sentence=sentence(event),
        )


_SUSPECT = frozenset(verdict.value for verdict in Verdict if verdict.is_suspect)
_WARNINGS = frozenset(
    {
        EventKind.PART_MADE,
        EventKind.COUNTER_JUMPED,
        EventKind.ALARM_CHANGED,
        EventKind.CHARGE_OVERHEATED,
        EventKind.CHARGE_SUSPECTED,
        EventKind.AIR_MOIST,
        EventKind.SOURCE_LOST,
        EventKind.READINGS_DROPPED,
        EventKind.LEDGER_FAILED,
    }
)


def _joined(blocks: list[Block]) -> list[Block]:
    """Neighbouring blocks of one source as one block; the order of sources is kept."""
    runs: list[list[Block]] = []
    for block in blocks:
        if runs and (runs[-1][0].source, runs[-1][0].channels) == (block.source, block.channels):
            runs[-1].append(block)
        else:
            runs.append([block])
    return [run[0] if len(run) == 1 else join_blocks(run) for run in runs]
