"""Reading back."""

from __future__ import annotations

from pathlib import Path

import pytest

from outputs.ledger.samples import (
    SECOND_NS,
    UTC_NS,
    alarm_changed,
    at,
    event,
    opcua_block,
    recording,
    row,
    same,
)
from watchedpot.core.model import ARRAY_FIELDS, Block, Event, EventKind, join_blocks
from watchedpot.core.snapshot import ChargeState
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import reader
from watchedpot.outputs.ledger.record import Batch
from watchedpot.outputs.ledger.verify import verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a ledger will be."""
    return tmp_path / "cell.ledger"


def test_events_are_chosen_by_time_and_cell(path: Path) -> None:
    """The first moment is included, the last one is not; no choice gives all, as recorded."""
    given = [
        *(alarm_changed(second) for second in (1.0, 2.0, 3.0)),
        Event(EventKind.WIPED, at(2.5), "housing_7", "nozzle"),
        Event(EventKind.DAEMON_STOPPED, at(2.0)),
    ]
    with recording(path) as recorder:
        recorder.write([Batch(events=tuple(given))])
    assert [each.event for each in reader.events(path)] == given
    assert [each.seq for each in reader.events(path)] == [1, 2, 3, 4, 5]
    since_ns, until_ns = at(2.0).utc_ns, at(3.0).utc_ns
    found = reader.events(path, since_ns=since_ns, until_ns=until_ns)
    assert [each.seq for each in found] == [2, 4, 5]
    found = reader.events(path, since_ns=since_ns, until_ns=until_ns, cell="lens_4")
    assert [each.seq for each in found] == [2]
    assert [each.seq for each in reader.events(path, cell="")] == [5]


def test_every_kind_of_event_reads_back(path: Path) -> None:
    """Each kind comes back with its details in their order, the unknown ones as None."""
    given = [
        event(
            kind,
            float(second),
            charge_id="41",
            to=ChargeState.NEAR_LIMIT.value,
            life_used=0.1 + 0.2,
            expires_in_s=None,
            is_age_known=True,
            parts=7,
        )
        for second, kind in enumerate(EventKind)
        if kind is not EventKind.PART_MADE  # which has a table of its own
    ]
    with recording(path) as recorder:
        recorder.write([Batch(events=tuple(given))])
    assert [each.event for each in reader.events(path)] == given
    assert verify(path).is_whole


def test_transitions_are_chosen_by_time_and_cell(path: Path) -> None:
    """What the alarm was and became, and all the rest by name."""
    with recording(path) as recorder:
        recorder.write([Batch(events=(alarm_changed(1.0), alarm_changed(2.0, "acknowledged")))])
    (found,) = reader.alarm_transitions(path, since_ns=at(2.0).utc_ns, cell="lens_4")
    assert found == reader.AlarmTransition(
        *(2, 1, at(2.0), "lens_4", "nozzle", "cold", "normal", "acknowledged", 1),
        {"alarm": "cold", "from": "normal", "to": "acknowledged", "stage": 1, "priority": "high"},
    )
    assert not list(reader.alarm_transitions(path, cell="housing_7"))
    assert [each.seq for each in reader.alarm_transitions(path, until_ns=at(2.0).utc_ns)] == [1]


def test_an_excursion_is_found_by_any_part_of_it(path: Path) -> None:
    """One that began before the span and ended in it is found, and so is an open one."""
    given = (
        event(EventKind.EXCURSION_OPENED, 1.0, edge="low"),
        event(EventKind.EXCURSION_ENDED, 10.0, edge="low", peak_c=101.5),
        event(EventKind.EXCURSION_OPENED, 20.0, edge="high"),
    )
    with recording(path) as recorder:
        recorder.write([Batch(events=given)])
    first, second = reader.excursions(path)
    assert first == reader.RecordedExcursion(
        *(1, 1, "lens_4", "nozzle", "low", at(1.0), at(10.0)), {"edge": "low", "peak_c": 101.5}
    )
    assert second == reader.RecordedExcursion(
        *(3, 1, "lens_4", "nozzle", "high", at(20.0), None), {"edge": "high"}
    )
    assert list(reader.excursions(path, since_ns=at(5).utc_ns, until_ns=at(6).utc_ns)) == [first]
    assert list(reader.excursions(path, since_ns=at(30).utc_ns)) == [second]
    assert list(reader.excursions(path, until_ns=at(1).utc_ns)) == []
    assert list(reader.excursions(path, cell="housing_7")) == []


def test_readings_are_chosen_by_source_and_time(path: Path) -> None:
    """Rows received in the span, whether they are in a block or still in the tail."""
    given = opcua_block(25, channels=2)
    with recording(path, rows_per_block=10) as recorder:
        for second in range(25):
            recorder.write(
                [Batch((given.rows(second, second + 1), row(second, source="housing_7")))]
            )
    from_ns, to_ns = int(given.seen_ns[7]), int(given.seen_ns[22])
    chosen = reader.blocks(path, source="lens_4", from_ns=from_ns, to_ns=to_ns)
    found = [each.block for each in chosen]
    assert [len(block) for block in found] == [3, 10, 2]
    assert same(join_blocks(found), given.rows(7, 22))
    assert {each.block.source for each in reader.blocks(path)} == {"lens_4", "housing_7"}
    assert not list(reader.blocks(path, source="other"))
    assert not list(reader.blocks(path, from_ns=UTC_NS + 100 * SECOND_NS))


def test_blocks_of_all_sources_come_by_their_first_row(path: Path) -> None:
    """The tail of a slow source comes before a later block of a quick one."""
    quick = opcua_block(40, source="quick", channels=1)
    with recording(path, rows_per_block=10) as recorder:
        recorder.write([Batch((row(0, source="slow", channels=1),))])
        recorder.write([Batch((quick.rows(5, 15),))])
        recorder.write([Batch((quick.rows(15, 25),))])
    order = [(each.block.source, len(each.block)) for each in reader.blocks(path)]
    assert order == [("slow", 1), ("quick", 10), ("quick", 10)]


def test_a_stepped_clock_hides_no_rows(path: Path) -> None:
    """A block whose UTC times were set back is found by any of them at its ends."""
    block = opcua_block(10, channels=1)
    columns = {name: getattr(block, name) for name in ARRAY_FIELDS}
    columns["seen_ns"] = block.seen_ns.copy()
    columns["seen_ns"][5:] -= 3600 * SECOND_NS
    stepped = Block(block.source, block.channels, *columns.values())
    with recording(path, rows_per_block=10) as recorder:
        recorder.write([Batch((stepped,))])
    (before,) = reader.blocks(path, to_ns=UTC_NS)
    assert same(before.block, stepped.rows(5, 10))
    (after,) = reader.blocks(path, from_ns=UTC_NS)
    assert same(after.block, stepped.rows(0, 5))


def test_reading_what_is_no_ledger_raises_at_the_first_row(tmp_path: Path) -> None:
    """Each way of reading raises an error of ours."""
    for read in (
        reader.events,
        reader.blocks,
        reader.excursions,
        reader.alarm_transitions,
        reader.runs,
        reader.configurations,
    ):
        with pytest.raises(LedgerError):
            next(iter(read(tmp_path / "missing.ledger")))


@pytest.mark.parametrize(
    ("kind", "details"), [("of_the_future", "{}"), ("wiped", "[]"), ("wiped", "{")]
)
def test_an_event_that_does_not_read_back_is_named(kind: str, details: str) -> None:
    """A kind that this version does not know, or details of another form."""
    with pytest.raises(LedgerError, match="events row 5: it does not read back"):
        reader.recorded_event((5, 1, 0, 0, "", "", kind, details))


def test_the_newest_moment_is_that_of_a_row_or_an_event(path: Path) -> None:
    """Over all runs or those before one, up to the end or up to a moment; none is none."""
    with recording(path, rows_per_block=4) as recorder:
        assert reader.newest_ns(path) is None
        rows = tuple(row(second) for second in range(6))
        recorder.write([Batch(rows, (alarm_changed(3.0),))])
    last_ns = int(rows[-1].seen_ns.max())
    assert reader.newest_ns(path) == last_ns
    assert reader.newest_ns(path, before_run=1) is None
    with recording(path) as recorder:
        recorder.write([Batch(events=(alarm_changed(90.0),))])
    assert reader.newest_ns(path) == at(90.0).utc_ns
    assert reader.newest_ns(path, before_run=2) == last_ns
    assert reader.newest_ns(path, until_ns=at(50.0).utc_ns) == last_ns
    assert reader.newest_ns(path, until_ns=last_ns) == last_ns - 1  # within the last readings
    assert reader.newest_ns(path, until_ns=int(rows[0].seen_ns.min())) is None
