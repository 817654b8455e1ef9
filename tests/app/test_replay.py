"""A replay concludes what was concluded live, from whatever the record holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from support.cells import (
    BEFORE_READY,
    block,
    cell,
    entry,
    full_cell,
    instant,
    nozzle,
    tank_cell,
    thermal_cell,
    zone,
)
from support.replay import lines, record, recorded_lines
from support.strategies import DAY, only, told
from watchedpot.app.replay import Begin, Place, begin, recorded_plans, replay
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import (
    Block,
    Check,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Loading,
)
from watchedpot.core.rules import CellRules
from watchedpot.core.units import NANO, ns
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger, RecordedBlock, dump_state

CELLS = {"plain": full_cell(), "syringe": thermal_cell(), "tank": tank_cell()}
of_every_cell = pytest.mark.parametrize("which", CELLS)

HOUR_S = 3600.0


def rules_of(text: str) -> tuple[CellRules, ...]:
    """The rules of a configuration whose text is the name of a cell here."""
    return (CELLS[text].rules,)


def said(plan: CellPlan, at_s: Sequence[float]) -> list[Entry]:
    """One entry of each kind that changes a cell, at the given moments."""
    cell_id, first = plan.rules.id, plan.rules.zones[0].id
    return [
        entry(EntryKind.WIPED, cell_id, at_s=at_s[0], why="a drop"),
        entry(EntryKind.NOTE, cell_id, at_s=at_s[1], why="draught from the gate"),
        entry(EntryKind.CHECK, f"{cell_id}/{first}", at_s=at_s[2], check=Check(112.0, 115.0)),
        entry(
            EntryKind.CHARGE_LOADED,
            cell_id,
            at_s=at_s[3],
            subject="b_2",
            loading=Loading(age_s=40.0, lot="k 17"),
        ),
        entry(EntryKind.CHECK, f"{cell_id}/{first}", at_s=at_s[4], check=Check(115.0, 115.2)),
    ]


def in_time(rows: Block, entries: Sequence[Entry], *, rows_each: int) -> list[Block | Entry]:
    """Rows in pieces and entries in the order in which a daemon takes them."""
    pieces = [rows.rows(n, min(n + rows_each, len(rows))) for n in range(0, len(rows), rows_each)]
    order: list[tuple[int, int, Block | Entry]] = [
        (int(piece.mono_ns[-1]), 0, piece) for piece in pieces
    ]
    order += [(one.at.mono_ns, 1, one) for one in entries]
    return [item for _, _, item in sorted(order, key=lambda item: item[:2])]


def between(rows: Block, places: Sequence[int]) -> list[float]:
    """Moments shortly after some rows, in seconds."""
    return [(int(rows.mono_ns[n]) + 1) / NANO for n in places]


def ran(
    path: Path, plan: CellPlan, of_run: Mapping[int, CellPlan], **choices: object
) -> tuple[CellState, list[Event], int]:
    """A whole replay."""
    state, events, rows = None, list[Event](), 0
    for step in replay(path, plan.rules.id, of_run, **choices):  # type: ignore[arg-type]
        state, rows = step.state, rows + step.rows
        events += step.events
    assert state is not None
    return state, events, rows


def the_same(path: Path, plan: CellPlan, live: CellState, **choices: object) -> None:
    """A replay gives the state and all that was concluded live."""
    of_run = dict.fromkeys((run.id for run in ledger.runs(path)), plan)
    state, events, rows = ran(path, plan, of_run, **choices)
    assert rows > 0
    assert lines(events) == recorded_lines(path, plan.rules.id)
    assert dump_state(state) == dump_state(live)


@of_every_cell
def test_readings_and_entries_give_the_same_however_they_are_cut(
    tmp_path: Path, which: str
) -> None:
    """A day with all that can happen, recorded row by row, in steps of any length."""
    plan, path = CELLS[which], tmp_path / "ledger"
    rows = told(plan, DAY)
    entries = said(plan, between(rows, [20, 40, 41, 60, 90]))
    live = record(path, plan, in_time(rows, entries, rows_each=1))
    kinds = {recorded.event.kind for recorded in ledger.events(path)}
    assert EventKind.ENTERED in kinds
    assert list(ledger.part_events(path))
    for rows_each in (1, 7, 6000):
        the_same(path, plan, live, rows_each=rows_each)


def test_entries_before_between_and_after_all_rows_keep_their_places(tmp_path: Path) -> None:
    """Entries go in where they were said, also with no row after them, several at one moment."""
    plan, path = CELLS["syringe"], tmp_path / "ledger"
    rows = told(plan, DAY[:8])
    last_s = float(rows.mono_ns[-1]) / NANO
    entries = [
        entry(EntryKind.NOTE, "lens_4", at_s=0.0, why="first"),
        entry(EntryKind.WIPED, "lens_4", at_s=last_s + 1.0),
        entry(EntryKind.NOTE, "lens_4", at_s=last_s + 1.0, why="second"),
        entry(EntryKind.ACKNOWLEDGE, BEFORE_READY, at_s=last_s + 2.0),
    ]
    live = record(path, plan, in_time(rows, entries, rows_each=5))
    the_same(path, plan, live)


@of_every_cell
def test_runs_follow_each_other_as_they_did_live(tmp_path: Path, which: str) -> None:
    """Three runs, one without a row, each going on from the state that the one before left."""
    plan, path = CELLS[which], tmp_path / "ledger"
    rows = told(plan, DAY)
    record(path, plan, [rows.rows(0, 50)])
    note = entry(EntryKind.NOTE, plan.rules.id, at_s=between(rows, [49])[0], why="restart")
    record(path, plan, [note])
    live = record(path, plan, [rows.rows(n, n + 1) for n in range(50, len(rows))])
    the_same(path, plan, live)


def test_each_run_is_judged_by_its_own_configuration(tmp_path: Path) -> None:
    """A window that was changed between two runs holds from the second one on."""
    wide, path = cell(zone()), tmp_path / "ledger"
    narrow = cell(zone(low_c=114.0))
    texts = {"wide": (wide.rules,), "narrow": (narrow.rules,), "none": ()}
    record(path, wide, [nozzle([113.0] * 20)], config="wide")
    record(path, wide, [nozzle([113.0] * 5, start_s=20.0)], config="none")
    live = record(path, narrow, [nozzle([113.0] * 20, start_s=30.0)], config="narrow")
    of_run = recorded_plans(path, "lens_4", texts.__getitem__)
    assert of_run == {1: wide, 3: narrow}
    state, events, rows = ran(path, narrow, of_run)
    opened = [event for event in events if event.kind is EventKind.EXCURSION_OPENED]
    assert [event.at.mono_ns for event in opened] == [ns(30.0)]
    assert rows == 40
    assert state.zones[0].account != live.zones[0].account  # the run of no configuration is out


def test_an_account_that_began_anew_in_life_begins_anew(tmp_path: Path) -> None:
    """Where a state was lost the daemon says so, and the replay starts there like the daemon."""
    plan, path = CELLS["plain"], tmp_path / "ledger"
    rows = told(plan, DAY)
    record(path, plan, [rows.rows(0, 40)])
    lost = Event(EventKind.CONFIGURATION_CHANGED, instant(1.0), plan.rules.id)
    book = Ledger.open(path, now=lambda: instant(1.0), version="0.1.0", config="cell")
    book.append(Batch((rows.rows(40, 60),), (lost,)))
    assert book.stop()
    of_run = dict.fromkeys((1, 2), plan)
    state, _, _ = ran(path, plan, of_run)
    fresh, _, _ = ran(path, plan, {2: plan})
    assert state == fresh


def test_rows_of_two_sources_go_in_by_time(tmp_path: Path) -> None:
    """Blocks of hundreds of rows come source by source, the rows in turn as they were polled."""
    plan, path = CELLS["syringe"], tmp_path / "ledger"
    rows = told(plan, DAY)
    temperatures = [name for name in rows.channels if name.endswith("/temperature")]
    others = [name for name in rows.channels if name not in temperatures]
    parts = [
        only(rows.rows(n, n + 1), channels, source)
        for n in range(len(rows))
        for channels, source in ((temperatures, "heat"), (others, "plc"))
    ]
    stranger = block({"other/zone/temperature": [20.0] * 30}, source="other")
    entries = said(plan, between(rows, [20, 40, 41, 60, 90]))
    order: list[Block | Entry] = [*parts, stranger]
    for one in entries:
        place = next(
            n
            for n, item in enumerate(order)
            if isinstance(item, Block) and item.mono_ns[0] > one.at.mono_ns
        )
        order.insert(place, one)
    live = record(path, plan, order, rows_per_block=100)
    for rows_each in (1, 6000):
        the_same(path, plan, live, rows_each=rows_each)


def long_run(path: Path) -> tuple[CellPlan, CellState]:
    """Fifteen hours at a row a minute, with a pause in which nothing was recorded, two runs."""
    plan = CELLS["syringe"]
    channels = plan.rules.channels()
    rows = [
        block(
            {name: _signal(name, n) for name in channels},
            start_s=60.0 * n + (HOUR_S if n > 600 else 0.0),
        )
        for n in range(840)
    ]
    note = entry(EntryKind.WIPED, "lens_4", at_s=60.0 * 500 + 1.0)
    record(path, plan, [*rows[:501], note, *rows[501:601]], rows_per_block=50)
    return plan, record(path, plan, rows[601:], rows_per_block=50)


def _signal(name: str, n: int) -> float:
    return {
        "temperature": 115.0 + n % 3,
        "dispensing": n % 2,
        "parts": n // 4,
        "part_id": n // 4,
        "joined": n // 4,
        "setpoint": 115.0,
        "output": 30.0,
        "charge_id": 7.0 + n // 500,
        "ambient": 23.0,
        "dew_point": -40.0,
    }.get(name.rpartition("/")[2], 0.0)


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, CellPlan, CellState]:
    """A record with states kept in it."""
    path = tmp_path_factory.mktemp("long") / "ledger"
    return path, *long_run(path)


def test_a_replay_from_any_kept_state_ends_as_the_whole_one(
    long: tuple[Path, CellPlan, CellState],
) -> None:
    """Each checkpoint and what came later give the same end, and the events after it."""
    path, plan, live = long
    kept = list(ledger.checkpoints(path, cell="lens_4"))
    assert len(kept) >= 2
    of_run = dict.fromkeys((1, 2), plan)
    _, all_events, all_rows = ran(path, plan, of_run)
    for one in kept:
        since, notes = begin(path, "lens_4", until=Place(one.run, one.at.mono_ns))
        assert since is not None
        assert (since.run, since.at, notes) == (one.run, one.at, ())
        state, events, rows = ran(path, plan, of_run, since=since)
        assert dump_state(state) == dump_state(live)
        assert 0 < len(events) < len(all_events)
        assert lines(events) == lines(all_events[-len(events) :])
        assert 0 < rows < all_rows


def test_a_source_that_a_kept_state_has_not_seen_goes_in_whole(tmp_path: Path) -> None:
    """It answered for the first time after the state was kept."""
    plan, path = CELLS["plain"], tmp_path / "ledger"
    rows = told(plan, DAY)
    heat, plc = (
        only(rows, [name for name in rows.channels if name.endswith("/temperature") is is_heat], of)
        for of, is_heat in (("heat", True), ("plc", False))
    )
    first = heat.rows(0, 30)
    rest = [part.rows(n, n + 1) for n in range(30, len(rows)) for part in (heat, plc)]
    live = record(path, plan, [first, *rest])
    kept, _ = engine.step(engine.start(plan), first, plan)
    assert kept.at is not None
    state, _, seen = ran(path, plan, {1: plan}, since=Begin(1, kept.at, kept))
    assert seen == len(rest)
    assert dump_state(state) == dump_state(live)


def test_a_replay_ends_at_a_moment(long: tuple[Path, CellPlan, CellState]) -> None:
    """The row of that moment goes in, the entry of that moment does not."""
    path, plan, _ = long
    of_run = dict.fromkeys((1, 2), plan)
    at_ns = ns(60.0 * 500 + 1.0)
    for mono_ns, rows, entries in (
        (ns(60.0 * 500), 501, 0),
        (at_ns, 501, 0),
        (at_ns + 1, 501, 1),
    ):
        _, events, seen = ran(path, plan, of_run, until=Place(1, mono_ns))
        entered = [event for event in events if event.kind is EventKind.ENTERED]
        assert (seen, len(entered)) == (rows, entries)


def test_states_are_found_within_bounds(long: tuple[Path, CellPlan, CellState]) -> None:
    """The newest or the oldest one kept in a span of time, none where there is none."""
    path, _, _ = long
    kept = list(ledger.checkpoints(path, cell="lens_4"))
    end = Place(9, 0)
    newest, _ = begin(path, "lens_4", until=end)
    oldest, _ = begin(path, "lens_4", until=end, is_newest=False)
    later, _ = begin(path, "lens_4", until=end, since_ns=kept[0].at.utc_ns + 1, is_newest=False)
    assert [one and one.at for one in (newest, oldest, later)] == [
        kept[-1].at,
        kept[0].at,
        kept[1].at,
    ]
    assert begin(path, "lens_4", until=Place(0, 0)) == (None, ())


def test_a_state_of_another_version_is_passed_over_with_a_note(
    long: tuple[Path, CellPlan, CellState], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next older one serves, and the note says what was wrong."""
    path, plan, live = long
    kept = list(ledger.checkpoints(path, cell="lens_4"))
    spoilt = [*kept[:-1], replace(kept[-1], state=b'{"zones":[]}')]
    monkeypatch.setattr(ledger, "checkpoints", lambda _, **__: iter(spoilt))
    since, notes = begin(path, "lens_4", until=Place(9, 0))
    assert since is not None
    assert since.at == kept[-2].at
    assert len(notes) == 1
    assert "passed over" in notes[0]
    state, _, _ = ran(path, plan, dict.fromkeys((1, 2), plan), since=since)
    assert dump_state(state) == dump_state(live)


def test_readings_can_be_corrected_on_the_way(tmp_path: Path) -> None:
    """What the engine sees is what the correction makes of each block, and it knows the run."""
    plan, path = cell(zone()), tmp_path / "ledger"
    record(path, plan, [nozzle([115.0] * 20)])
    record(path, plan, [nozzle([115.0] * 20, start_s=30.0)])

    def correct(recorded: RecordedBlock) -> Block:
        change_k = -10.0 if recorded.run == 2 else 0.0
        rows = recorded.block
        return replace(rows, value=rows.value + np.array([change_k, 0.0, 0.0]))

    _, events, _ = ran(path, plan, {1: plan, 2: plan}, correct=correct)
    opened = [event.at for event in events if event.kind is EventKind.EXCURSION_OPENED]
    assert opened == [instant(30.0)]
    assert not list(ledger.excursions(path))


def test_a_beginning_knows_its_place() -> None:
    """The run and the monotonic moment until which it has seen everything."""
    plan = CELLS["plain"]
    one = Begin(3, Instant(17, 5), engine.start(plan))
    assert one.place == Place(3, 5) < Place(3, 6) < Place(4, 0)
