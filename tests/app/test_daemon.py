"""The daemon on pollers that a test scripts: what it records, shows and says."""

from __future__ import annotations

import asyncio
import json
import random
import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import httpx
import pytest

from support.clock import START_UTC_NS, FakeClock
from support.running import free_port
from watchedpot.app import daemon as daemon_module
from watchedpot.app.config import Configuration, load
from watchedpot.app.daemon import BlockQueue, Daemon, _joined
from watchedpot.app.entry import spool
from watchedpot.core.entries import entry_of
from watchedpot.core.model import (
    Block,
    Check,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Loading,
    Quality,
    Reading,
    Reason,
    block_row,
)
from watchedpot.core.snapshot import Snapshot, SourceSnapshot
from watchedpot.errors import ConfigError, WatchedpotError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger
from watchedpot.outputs.web.health import health
from watchedpot.outputs.web.tokens import line_of
from watchedpot.sources import modbus, opcua
from watchedpot.sources.wiring import Source

DEMO = Path(__file__).parents[2] / "config" / "demo.toml"
S = 1_000_000_000


def row(source: str, second: float, **channels: float) -> Block:
    """Row of good readings, so long after the fake clock's start."""
    ns = round(second * S)
    names = {
        f"{source}/{name.replace('__', '/')}": Reading(value) for name, value in channels.items()
    }
    return block_row(source, Instant(START_UTC_NS + ns, ns), names)


def test_blocks_are_taken_in_order() -> None:
    """All that waits is taken at once, oldest first, and is then gone."""

    async def take() -> tuple[list[Block], int]:
        queue = BlockQueue(4)
        blocks = [row("lens_4", n, parts=n) for n in range(3)]
        for block in blocks:
            queue.put(block)
        taken = await queue.take()
        assert taken == blocks
        return taken, len(queue)

    taken, left = asyncio.run(take())
    assert (len(taken), left) == (3, 0)


def test_taking_waits_for_a_block() -> None:
    """An empty queue keeps its taker waiting until something comes."""

    async def take() -> list[Block]:
        queue = BlockQueue(4)
        taker = asyncio.create_task(queue.take())
        await asyncio.sleep(0)
        assert not taker.done()
        queue.put(row("lens_4", 1.0, parts=1))
        return await taker

    assert len(asyncio.run(take())) == 1


def test_a_full_queue_drops_the_oldest_and_counts() -> None:
    """Rows lost are counted by source, once."""
    queue = BlockQueue(2)
    blocks = [row("lens_4", n, parts=n) for n in range(3)] + [row("housing_7", 3, parts=1)]
    for block in blocks:
        queue.put(block)
    assert asyncio.run(queue.take()) == blocks[2:]
    assert queue.take_dropped() == {"lens_4": 2}
    assert queue.take_dropped() == {}


def test_a_cancelled_taker_loses_nothing() -> None:
    """What came while nobody took is there for the next one."""

    async def take() -> list[Block]:
        queue = BlockQueue(4)
        taker = asyncio.create_task(queue.take())
        await asyncio.sleep(0)
        queue.put(row("lens_4", 1.0, parts=1))
        taker.cancel()
        await asyncio.wait([taker])
        return await queue.take() if len(queue) else taker.result()

    assert len(asyncio.run(take())) == 1


def test_neighbouring_rows_of_a_source_become_one_block() -> None:
    """The order of sources stays, and rows of other channels stay apart."""
    blocks = [
        row("lens_4", 1, parts=1),
        row("lens_4", 2, parts=1),
        row("housing_7", 2, parts=1),
        row("lens_4", 3, parts=1),
        row("lens_4", 4, charge_id=1),
    ]
    joined = _joined(blocks)
    assert [(block.source, len(block)) for block in joined] == [
        ("lens_4", 2),
        ("housing_7", 1),
        ("lens_4", 1),
        ("lens_4", 1),
    ]
    assert joined[1] is blocks[2]


@dataclass
class ScriptedPoller:
    """Poller that emits what a test says."""

    source: Source
    emit: Callable[[Block], None]
    report: Callable[..., None]
    script: Callable[[ScriptedPoller], None]
    polls: int = 0

    async def run(self) -> None:
        """Run the script, then wait to be cancelled."""
        self.script(self)
        await asyncio.Event().wait()

    def status(self) -> SourceSnapshot:
        """A source that is up."""
        return SourceSnapshot(
            id=self.source.id,
            protocol="scripted",
            is_up=True,
            polls=self.polls,
            failures={},
            overruns=0,
            connections=1,
            last_answer=None,
            lateness_s=0.0,
            round_trip_s=0.0,
            skew_s=None,
            lateness_buckets=(),
            lateness_sum_s=0.0,
        )


def nothing(_: ScriptedPoller) -> None:
    """Script of a poller that never emits."""


@dataclass
class Bench:
    """What daemons of one test share: folder, clock, pollers."""

    configuration: Configuration
    clock: FakeClock = field(default_factory=FakeClock)
    script: Callable[[ScriptedPoller], None] = nothing
    pollers: list[ScriptedPoller] = field(default_factory=list)

    def daemon(self, **changes: object) -> Daemon:
        """A daemon under the configuration with some changes of its service."""
        service = replace(self.configuration.service, **changes)  # type: ignore[arg-type]
        configuration = replace(self.configuration, service=service)
        return Daemon(configuration, self.clock, random.Random(1))

    def poller(self, source: Source, **given: object) -> ScriptedPoller:
        """Poller of a source, as the rooms of the sources make it."""
        poller = ScriptedPoller(source, given["emit"], given["report"], self.script)  # type: ignore[arg-type]
        self.pollers.append(poller)
        return poller

    @property
    def path(self) -> Path:
        """File of the ledger."""
        return self.configuration.service.ledger_path

    def events(self) -> list[Event]:
        """All that is recorded."""
        return [recorded.event for recorded in ledger.events(self.path)]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The demonstration's configuration with a ledger and a port of its own."""
    configuration = load(DEMO)
    service = replace(
        configuration.service, ledger_path=tmp_path / "a.ledger", port=free_port(), queue_capacity=8
    )
    bench = Bench(replace(configuration, service=service))
    for room in (modbus, opcua):
        monkeypatch.setattr(room, "poller", bench.poller)
    return bench


def zone_rows(second: float) -> Block:
    """Row of both zones of lens_4, warm."""
    return row("lens_4", second, syringe__temperature=110.0, nozzle__temperature=120.0)


def watched(bench: Bench, blocks: Sequence[Block], **changes: object) -> Snapshot:
    """What a daemon shows at its end, after a run in which these blocks came in."""
    daemon = bench.daemon(**changes)

    def emit_and_stop(poller: ScriptedPoller) -> None:
        if poller.source.id == "lens_4":
            for block in blocks:
                poller.emit(block)
            daemon.stop()

    for poller in bench.pollers:
        poller.script = emit_and_stop
    bench.pollers.clear()
    asyncio.run(daemon.run())
    return daemon._new_snapshot()


def test_a_run_is_recorded_from_its_start_to_its_end(bench: Bench) -> None:
    """First that it started, then rows that nothing was watched before, then what came, its end."""
    watched(bench, [zone_rows(1.0), zone_rows(2.0)])
    kinds = [event.kind for event in bench.events()]
    assert (kinds[0], kinds[-1]) == (EventKind.DAEMON_STARTED, EventKind.DAEMON_STOPPED)
    rows = [one.block for one in ledger.blocks(bench.path, source="lens_4")]
    assert set(rows[0].reason.tolist()[0]) == {Reason.NOT_WATCHED}
    assert [len(block) for block in rows] == [1, 2]
    assert (rows[1].quality == Quality.GOOD).all()
    assert ledger.verify(bench.path).is_whole


def test_what_is_shown_is_what_the_core_says(bench: Bench) -> None:
    """Temperatures of the last row, one second seen, and the run's own names."""
    shown = watched(bench, [zone_rows(1.0), zone_rows(2.0)])
    cell = next(cell for cell in shown.cells if cell.id == "lens_4")
    assert [zone.temp_c for zone in cell.zones] == [110.0, 120.0]
    assert sum(exposure.seen_ns for exposure in cell.zones[0].exposure.values()) == S
    assert shown.config_revision == bench.configuration.revision
    assert [source.id for source in shown.sources] == ["lens_4", "housing_7"]


def test_the_first_scrape_has_every_cell(bench: Bench) -> None:
    """Before any source has answered: nothing is known, and that is shown."""
    daemon = bench.daemon()
    shown: list[Snapshot] = []

    def look_and_stop(_: ScriptedPoller) -> None:
        shown.append(daemon._snapshot)
        daemon.stop()

    for poller in bench.pollers:
        poller.script = look_and_stop
    asyncio.run(daemon.run())
    assert [cell.id for cell in shown[0].cells] == ["lens_4", "housing_7"]
    assert {zone.temp_c for cell in shown[0].cells for zone in cell.zones} == {None}


def test_a_daemon_stopped_before_it_runs_ends_at_once(bench: Bench) -> None:
    """A signal that comes early is not lost."""
    daemon = bench.daemon()
    daemon.stop()
    asyncio.run(daemon.run())
    assert bench.events()[-1].kind is EventKind.DAEMON_STOPPED


def test_a_second_run_goes_on_with_the_account(bench: Bench) -> None:
    """The time between two runs is blind, the rest stays, even if the computer began anew."""
    first = watched(bench, [zone_rows(1.0), zone_rows(2.0)])
    rebooted = FakeClock(start_utc_ns=START_UTC_NS + 100 * S)
    bench.clock = rebooted
    second = watched(bench, [])
    before, after = (
        next(cell for cell in shown.cells if cell.id == "lens_4").zones[0].exposure
        for shown in (first, second)
    )
    gone_ns = second.cells[0].at.mono_ns - first.cells[0].at.mono_ns
    assert gone_ns == 98 * S
    for name in ("seen_ns", "elapsed_ns"):
        old, new = (sum(getattr(one, name) for one in all_.values()) for all_ in (before, after))
        assert new - old == (0 if name == "seen_ns" else gone_ns)


def test_all_moments_of_a_later_run_are_of_one_clock(bench: Bench) -> None:
    """After a restart of the computer the commits are told on the continued clock too.

    Otherwise they would look older than the run and the daemon would call itself unwell.
    """
    bench.clock.advance(50_000.0)
    watched(bench, [])
    bench.clock = FakeClock(start_utc_ns=START_UTC_NS + 50_100 * S)
    daemon = bench.daemon()
    bench.clock.advance(60.0)

    async def record() -> Snapshot:
        block = zone_rows(0.0)
        at = daemon._clock.now()
        block.mono_ns[:], block.seen_ns[:] = at.mono_ns, at.utc_ns
        receipt = daemon._ledger.append(Batch((block,), daemon_events(daemon), {}))
        assert await daemon._ledger.committed(receipt)
        shown = daemon._new_snapshot()
        await daemon._ledger.close()
        return shown

    shown = asyncio.run(record())
    assert shown.ledger.last_commit is not None
    assert shown.started.mono_ns <= shown.ledger.last_commit.mono_ns <= shown.at.mono_ns
    assert not [
        still
        for still in health(shown, shown.at, limit_s=30.0).stands_still
        if still.what == "commit"
    ]


def daemon_events(daemon: Daemon) -> tuple[Event, ...]:
    """What the daemon itself has to record."""
    return tuple(daemon._taken_notes())


def notes(bench: Bench, daemon: Daemon) -> list[Event]:
    """What a new daemon has to record before its first row; it is then closed."""
    found = list(daemon_events(daemon))
    daemon._ledger.stop()
    assert bench.path.exists()
    return found


def test_another_configuration_is_noted(bench: Bench) -> None:
    """By both revisions, and only if it is another one."""
    watched(bench, [])
    assert [one.kind for one in notes(bench, bench.daemon())] == [EventKind.DAEMON_STARTED]
    bench.configuration = replace(bench.configuration, text="{}", revision="44136fa355b3")
    started, changed = notes(bench, bench.daemon())
    assert started.detail("revision") == changed.detail("revision") == "44136fa355b3"
    assert str(changed.detail("previous")) == load(DEMO).revision


def leave_state(bench: Bench, state: bytes) -> None:
    """A ledger whose cell lens_4 has this state."""
    left = Ledger.open(
        bench.path, now=bench.clock.now, version="1", config=bench.configuration.text
    )
    left.append(Batch((zone_rows(1.0),), (), {"lens_4": state}))
    assert left.stop()


def test_a_state_of_another_version_is_noted(bench: Bench) -> None:
    """The account of that cell begins anew, and the record says why."""
    leave_state(bench, b'{"zones":[]}')
    daemon = bench.daemon()
    assert daemon._cells["lens_4"].state.at is None
    changed = next(
        one for one in notes(bench, daemon) if one.kind is EventKind.CONFIGURATION_CHANGED
    )
    assert changed.cell == "lens_4"
    assert "does not read back" in str(changed.detail("problem"))
    assert "begins anew" in str(changed.detail("problem"))


def test_a_damaged_state_is_noted(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A cell whose state is not what was written begins anew, and not in silence."""
    leave_state(bench, b"{}")
    found = Ledger.resume

    def damaged(one: Ledger) -> ledger.Resumed:
        return replace(found(one), states={}, damaged=("lens_4",))

    monkeypatch.setattr(Ledger, "resume", damaged)
    changed = next(
        one for one in notes(bench, bench.daemon()) if one.kind is EventKind.CONFIGURATION_CHANGED
    )
    assert changed.cell == "lens_4"
    assert "not what was written" in str(changed.detail("problem"))


def test_rows_lost_to_a_full_queue_are_recorded(bench: Bench) -> None:
    """By source and number; the rest is judged."""
    watched(bench, [zone_rows(n) for n in range(1, 12)], queue_capacity=4)
    (dropped,) = [one for one in bench.events() if one.kind is EventKind.READINGS_DROPPED]
    assert dropped.detail("source") in ("lens_4", "housing_7")
    assert int(dropped.detail("rows") or 0) >= 1


def test_what_a_poller_reports_becomes_an_event(bench: Bench) -> None:
    """Lost with its reason, up without one; anything else goes to the log only."""
    daemon = bench.daemon()
    daemon._taken_notes()
    for poller in bench.pollers:
        poller.report("source_lost", source=poller.source.id, reason="no_answer", text="silence")
        poller.report("source_up", source=poller.source.id, connections=2)
        poller.report("poller_confused", text="a fault of the program")
    found = notes(bench, daemon)
    assert [(one.kind.value, one.details) for one in found[:2]] == [
        ("source_lost", (("source", "lens_4"), ("reason", "no_answer"), ("problem", "silence"))),
        ("source_up", (("source", "lens_4"),)),
    ]
    assert len(found) == 4


def test_an_older_snapshot_replaces_no_newer_one(bench: Bench) -> None:
    """Receipts that come out of order show nothing old, but the ledger's health is the newest."""
    daemon = bench.daemon()
    newest = daemon._snapshot
    bench.clock.advance(1.0)
    later = daemon._new_snapshot()
    daemon._publish(later, True)
    daemon._publish(newest, True)
    assert daemon._snapshot.at == later.at
    daemon._ledger.stop()
    daemon._publish(newest, True)
    assert not daemon._snapshot.ledger.is_writing


def test_a_failing_record_is_noted_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the first batch that is not recorded; again only after it was recorded in between."""
    daemon = bench.daemon()
    daemon._taken_notes()
    monkeypatch.setattr(type(daemon._ledger), "failure", "disk full")
    for is_recorded in (True, False, False, True, True, False):
        daemon._publish(daemon._snapshot, is_recorded)
    assert [one.kind for one in notes(bench, daemon)] == [EventKind.LEDGER_FAILED] * 2


def test_a_dropped_batch_is_no_failing_record(bench: Bench) -> None:
    """The ledger can be written; that the queue was full it tells itself."""
    daemon = bench.daemon()
    daemon._taken_notes()
    daemon._publish(daemon._snapshot, False)
    assert not daemon._pending


def test_a_taken_port_ends_the_run_and_closes_the_ledger(bench: Bench) -> None:
    """The reason comes out, and what was noted until then is recorded."""
    service = bench.configuration.service
    with socket.create_server((service.host, service.port)):
        daemon = bench.daemon()
        with pytest.raises(ExceptionGroup) as caught:
            asyncio.run(daemon.run())
    assert caught.group_contains(WatchedpotError, match="the port cannot be bound")
    assert not daemon._ledger.status().is_writing
    assert EventKind.DAEMON_STOPPED not in [one.kind for one in bench.events()]


def test_a_poller_that_breaks_ends_the_run(bench: Bench) -> None:
    """A fault of the program is not survived in silence."""

    def broken(_: ScriptedPoller) -> None:
        raise ZeroDivisionError

    bench.script = broken
    with pytest.raises(ExceptionGroup) as caught:
        asyncio.run(bench.daemon().run())
    assert caught.group_contains(ZeroDivisionError)


def test_an_end_that_cannot_be_recorded_is_said(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the last commit fails the log says so."""
    said: list[tuple[str, dict[str, object]]] = []
    daemon = bench.daemon()
    close = Ledger.close

    async def in_vain(one: Ledger, *, timeout_s: float = 5.0) -> bool:
        await close(one, timeout_s=timeout_s)
        return False

    monkeypatch.setattr(Ledger, "close", in_vain)
    monkeypatch.setattr(daemon._log, "error", lambda name, **told: said.append((name, told)))
    daemon.stop()
    asyncio.run(daemon.run())
    assert [name for name, _ in said] == ["ledger_failed"]
    assert "the end is missing" in str(said[0][1]["problem"])


def answered(bench: Bench, *entries: Entry, blocks: Sequence[Block] = ()) -> list[spool.Answer]:
    """What a daemon answers to entries that wait, before it is stopped."""
    folder = spool.folder_of(bench.path)
    said_ns = bench.clock.now().utc_ns
    ids = [spool.put(folder, one, said_utc_ns=said_ns + n).id for n, one in enumerate(entries)]
    daemon = bench.daemon()

    def emit(poller: ScriptedPoller) -> None:
        for block in blocks:
            if block.source == poller.source.id:
                poller.emit(block)

    for poller in bench.pollers:
        poller.script = emit
    bench.pollers.clear()

    async def run() -> list[spool.Answer]:
        running = asyncio.create_task(daemon.run())
        found: dict[str, spool.Answer] = {}
        async with asyncio.timeout(20.0):
            while len(found) < len(ids):
                for name in ids:
                    answer = spool.take_answer(folder, name)
                    if answer is not None:
                        found[name] = answer
                await asyncio.sleep(0)
        daemon.stop()
        await running
        return [found[name] for name in ids]

    return asyncio.run(run())


def entry(kind: EntryKind, target: str, **changes: object) -> Entry:
    """What somebody said."""
    told = Entry(kind, target, Instant(0, 0), "ann", "weekly")
    return replace(told, **changes)  # type: ignore[arg-type]


def test_what_people_enter_is_recorded_and_answered(bench: Bench) -> None:
    """Taken in order, in their words; the files are gone, the record is whole."""
    note = entry(EntryKind.NOTE, "lens_4")
    check = entry(EntryKind.CHECK, "lens_4/nozzle", check=Check(120.0, 120.2))
    answers = answered(bench, note, check)
    assert [answer.is_taken for answer in answers] == [True, True]
    assert "checked against a reference" in answers[1].sentence
    said = [event for event in bench.events() if event.kind is EventKind.ENTERED]
    assert [event.detail("entry") for event in said] == ["note", "check"]
    assert spool.waiting(spool.folder_of(bench.path)) == []
    assert ledger.verify(bench.path).is_whole


def test_what_makes_no_sense_is_refused_with_its_reason(bench: Bench) -> None:
    """By the core, or because there is no such cell."""
    answers = answered(
        bench,
        entry(EntryKind.NOTE, "press_1"),
        entry(EntryKind.MARK_ALARM, "lens_4/nozzle/cold", word="maybe"),
    )
    assert [answer.is_taken for answer in answers] == [False, False]
    assert "expected a cell of lens_4, housing_7" in answers[0].sentence
    assert "expected one of real, expected, false" in answers[1].sentence


def test_an_entry_that_was_recorded_before_a_kill_is_answered_and_not_taken_twice(
    bench: Bench,
) -> None:
    """Its id is in the record already."""
    folder = spool.folder_of(bench.path)
    answered(bench, entry(EntryKind.NOTE, "lens_4"))
    (said,) = [event for event in bench.events() if event.kind is EventKind.ENTERED]
    again = entry_of(said)
    path = folder / f"{again.id}.entry"
    path.write_bytes(ledger.dump_state(replace(again, at=Instant(0, 0))))
    bench.clock = FakeClock(start_utc_ns=START_UTC_NS + 100 * S)
    answered(bench, entry(EntryKind.NOTE, "housing_7"))
    said_now = [event for event in bench.events() if event.kind is EventKind.ENTERED]
    assert [event.detail("target") for event in said_now] == ["lens_4", "housing_7"]
    assert not path.exists()


def test_a_file_that_is_no_entry_is_set_aside(bench: Bench) -> None:
    """The others are taken all the same."""
    folder = spool.folder_of(bench.path)
    folder.mkdir()
    (folder / "0.entry").write_bytes(b"odd")
    (answer,) = answered(bench, entry(EntryKind.NOTE, "lens_4"))
    assert answer.is_taken
    assert (folder / "0.refused").is_file()


def test_no_number_that_somebody_enters_ends_the_daemon(bench: Bench) -> None:
    """It is refused like any other nonsense, and the next entry is taken."""
    loading = Loading(age_s=float("nan"))
    odd, fine = answered(
        bench,
        entry(EntryKind.CHARGE_LOADED, "lens_4", subject="44", loading=loading),
        entry(EntryKind.NOTE, "lens_4"),
    )
    assert (odd.is_taken, fine.is_taken) == (False, True)
    assert "expected age_s of 0 to" in odd.sentence


def test_an_entry_comes_behind_all_that_was_read_before_it(bench: Bench) -> None:
    """In the record, and in the core: a replay makes the same of it."""
    daemon = bench.daemon()
    rows = [zone_rows(float(second)) for second in range(1, 4)]
    for block in rows:
        daemon._queue.put(block)
    bench.clock.advance(3.5)

    async def enter() -> tuple[Event, ...]:
        events, receipt = await daemon._enter(entry(EntryKind.NOTE, "lens_4"))
        assert await daemon._ledger.committed(receipt)
        return events

    (said,) = asyncio.run(enter())
    state = daemon._cells["lens_4"].state
    assert state.at is not None
    assert state.at.mono_ns == rows[-1].mono_ns[-1] < said.at.mono_ns
    assert daemon._ledger.stop()
    assert bench.events()[-1] == said


def test_a_failed_check_judges_again(bench: Bench) -> None:
    """What was asked for is in the record when the daemon ends, even if no part is concerned."""
    rows = [zone_rows(float(second)) for second in range(1, 6)]
    check = entry(EntryKind.CHECK, "lens_4/nozzle", check=Check(124.0, 120.0))
    answered(bench, check, blocks=rows)
    bench.clock = FakeClock(start_utc_ns=START_UTC_NS + 100 * S)
    answered(bench, entry(EntryKind.NOTE, "lens_4"))
    rejudged = [event for event in bench.events() if event.kind is EventKind.REJUDGED]
    assert [event.detail("zone") for event in rejudged] == ["nozzle"]
    assert rejudged[0].detail("error_k") == -4.0


TOKEN = "anns-token"


def said_over_http(
    bench: Bench, tmp_path: Path, *bodies: Mapping[str, object]
) -> list[httpx.Response]:
    """What a daemon answers over its own port to what somebody with a token says."""
    tokens = tmp_path / "tokens"
    tokens.write_text(line_of("ann", TOKEN))
    daemon = bench.daemon(tokens_path=tokens)

    async def run() -> list[httpx.Response]:
        running = asyncio.create_task(daemon.run())
        async with asyncio.timeout(20.0):
            await daemon._web.is_bound.wait()
            url = f"http://127.0.0.1:{bench.configuration.service.port}"
            headers = {"authorization": f"Bearer {TOKEN}"}
            async with httpx.AsyncClient(base_url=url, headers=headers, timeout=10) as client:
                found = [await client.post("/api/v1/actions", json=body) for body in bodies]
            while daemon._has_check:  # noqa: ASYNC110 - the next look takes it
                await asyncio.sleep(0)
            daemon.stop()
            await running
        return found

    return asyncio.run(run())


@pytest.mark.integration
def test_an_action_over_http_is_in_the_record_under_the_name_of_its_token(
    bench: Bench, tmp_path: Path
) -> None:
    """Answered when it is there; refused with the core's reason; an id tells each from others."""
    note = {"kind": "note", "target": "lens_4", "why": "looked at the bead"}
    odd = {"kind": "mark_alarm", "target": "lens_4/nozzle/cold", "word": "maybe"}
    taken, refused, nowhere = said_over_http(
        bench, tmp_path, note, odd, note | {"target": "press_1"}
    )
    assert (taken.status_code, taken.json()["is_taken"]) == (200, True)
    assert "looked at the bead" in taken.json()["sentence"]
    assert (refused.status_code, refused.json()["is_taken"]) == (409, False)
    assert "expected one of real, expected, false" in refused.json()["sentence"]
    assert nowhere.status_code == 409
    said = [
        event
        for event in bench.events()
        if event.kind in (EventKind.ENTERED, EventKind.ENTRY_REFUSED)
    ]
    assert [(event.kind, event.detail("who")) for event in said] == [
        (EventKind.ENTERED, "ann"),
        (EventKind.ENTRY_REFUSED, "ann"),
        (EventKind.ENTRY_REFUSED, "ann"),
    ]
    assert len({event.detail("id") for event in said}) == 3
    assert int(said[0].detail("said_utc_ns") or 0) >= START_UTC_NS
    assert ledger.verify(bench.path).is_whole


@pytest.mark.integration
def test_a_failed_check_over_http_judges_again(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the next look, as one from the folder does."""
    monkeypatch.setattr(daemon_module, "LISTEN_S", 0.02)
    check = {"kind": "check", "target": "lens_4/nozzle", "check": {"true_c": 124, "read_c": 120}}
    (taken,) = said_over_http(bench, tmp_path, check)
    assert taken.status_code == 200
    bench.clock = FakeClock(start_utc_ns=START_UTC_NS + 100 * S)
    answered(bench, entry(EntryKind.NOTE, "lens_4"))
    rejudged = [event for event in bench.events() if event.kind is EventKind.REJUDGED]
    assert [event.detail("zone") for event in rejudged] == ["nozzle"]


@pytest.mark.integration
def test_an_action_that_is_not_recorded_is_not_called_taken(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503, and it says to look before saying it again."""

    async def never(*_: object, **__: object) -> bool:
        return False

    monkeypatch.setattr(Ledger, "committed", never)
    note = {"kind": "note", "target": "lens_4", "why": "x"}
    (answer,) = said_over_http(bench, tmp_path, note)
    assert (answer.status_code, answer.json()["is_taken"]) == (503, False)
    assert answer.json()["sentence"].startswith("not recorded, or not yet; see the events")


def test_a_daemon_that_is_stopping_takes_no_action(bench: Bench) -> None:
    """What it could no longer record it does not take."""
    daemon = bench.daemon()
    daemon.stop()
    outcome = asyncio.run(daemon._say(entry(EntryKind.NOTE, "lens_4")))
    assert (outcome.is_taken, outcome.is_recorded) == (False, False)
    assert "stopping" in outcome.sentence
    daemon._ledger.stop()
    assert EventKind.ENTERED not in [one.kind for one in bench.events()]


def test_a_daemon_for_other_computers_starts_only_with_tokens(bench: Bench) -> None:
    """Before the ledger is touched."""
    with pytest.raises(ConfigError, match="nobody has a token"):
        bench.daemon(host="0.0.0.0")
    assert not bench.path.exists()


@pytest.mark.integration
def test_a_page_that_listens_hears_the_state_and_holds_up_no_end(bench: Bench) -> None:
    """It is told what is published; when the daemon stops, its stream ends at once."""
    daemon = bench.daemon()

    async def run() -> tuple[list[str], float]:
        running = asyncio.create_task(daemon.run())
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(20.0):
            await daemon._web.is_bound.wait()
            url = f"http://127.0.0.1:{bench.configuration.service.port}/api/v1/live"
            async with (
                httpx.AsyncClient(timeout=10) as client,
                client.stream("GET", url) as stream,
            ):
                lines = stream.aiter_lines()
                found = [await anext(lines), await anext(lines)]
                daemon.stop()
                began_s = loop.time()
                found += [line async for line in lines]
            await running
        return found, loop.time() - began_s

    lines, took_s = asyncio.run(run())
    assert lines[0] == "event: state"
    shown = json.loads(lines[1].removeprefix("data: "))
    assert [cell["id"] for cell in shown["cells"]] == ["lens_4", "housing_7"]
    assert took_s < 2.0


def test_a_tokens_file_that_breaks_is_logged(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its problem."""
    said: list[tuple[str, dict[str, object]]] = []
    daemon = bench.daemon()
    monkeypatch.setattr(daemon._log, "error", lambda name, **told: said.append((name, told)))
    daemon._report_tokens("line 1: odd")
    daemon._ledger.stop()
    assert said == [("tokens_failed", {"problem": "line 1: odd"})]
