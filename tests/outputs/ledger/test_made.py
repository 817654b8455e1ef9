"""Judged parts: written, read back, found, proven."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outputs.ledger.samples import PLAN, at, batch, event, part, recording
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.parts import judged_again
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.errors import LedgerError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, made, projections, verify
from watchedpot.outputs.ledger.made import SUSPECT, dispositions, part_events, parts, verdicts
from watchedpot.outputs.ledger.store import MIGRATIONS, SCHEMA, _statements, connect_writer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A ledger with ten parts, of which 4 was judged twice, and 8 to 9 are one range."""
    file = tmp_path / "cell.ledger"
    outside = part(5, PartRule.OUTSIDE_WINDOW)
    fourth = part(4)
    again = judged_again(fourth, [(PartRule.BEFORE_LOSS, "nozzle")], "readings lost", PLAN)
    assert again is not None
    made = [part(1), part(2), part(3), fourth, outside, part(6, PartRule.NEAR_EDGE), again]
    made += [part(7, charge="43"), part(8, PartRule.OVER_CEILING, last=9, charge="43")]
    with recording(file) as recorder:
        recorder.write([Batch(events=tuple(made[:5]))])
        recorder.write([Batch(events=(*made[5:], event(EventKind.WIPED, 9.0)))])
    return file


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that may do what nobody should."""
    connection = connect_writer(path)
    yield connection
    connection.close()


def test_a_part_reads_back_with_the_findings_against_it(tmp_path: Path) -> None:
    """Those before findings were told have none, in one table and one chain with those after."""
    file = tmp_path / "cell.ledger"
    rules = [(PartRule.UNTRUE_READING, "nozzle")]
    again = judged_again(part(2), rules, "found later", PLAN, findings="lens_4/1 sensor_low")
    assert again is not None
    with recording(file) as recorder:
        recorder.write([Batch(events=(part(1), part(2), again))])
    first, second = parts(file)
    assert (first.findings, second.findings) == ("", "lens_4/1 sensor_low")
    assert (second.verdict, second.because) == (Verdict.UNKNOWN, "found later")
    assert verify(file).is_whole


def test_parts_read_back_as_the_events_they_were(path: Path) -> None:
    """Same details, same order, same types; they are in no other table."""
    events = [recorded.event for recorded in part_events(path)]
    assert events[0] == part(1)
    assert [type(value) for _, value in events[0].details] == [
        type(value) for _, value in part(1).details
    ]
    assert [one.event.kind for one in ledger.events(path)] == [EventKind.WIPED]
    assert list(part_events(path, cell="housing_7")) == []


def test_the_newest_judgement_counts_and_all_are_kept(path: Path) -> None:
    """Part 4 was clear and is in review; both rows are there."""
    newest = {one.first: one for one in parts(path)}
    assert (newest[4].verdict, newest[4].judgement) == (Verdict.REVIEW, 2)
    assert newest[4].because == "readings lost"
    assert [one.verdict for one in parts(path, is_latest=False) if one.first == 4] == [
        Verdict.CLEAR,
        Verdict.REVIEW,
    ]


def test_parts_are_found_by_time_charge_and_suspicion(path: Path) -> None:
    """Each filter alone."""
    assert [one.first for one in parts(path, suspects_only=True)] == [5, 4, 8]
    assert [one.first for one in parts(path, charge="43")] == [7, 8]
    found = parts(path, since_ns=at(2.0).utc_ns, until_ns=at(4.0).utc_ns)
    assert [one.first for one in found] == [2, 3]
    assert list(parts(path, cell="housing_7")) == []


def test_a_part_has_its_figures(path: Path) -> None:
    """As the core gave them."""
    eighth = next(one for one in parts(path) if one.first == 8)
    assert (eighth.count, eighth.charge_id, eighth.age_s) == (2, "43", 3600.0)
    assert eighth.rules == ((PartRule.OVER_CEILING, "nozzle"),)
    assert (eighth.zones["nozzle"].min_c, eighth.zones["nozzle"].mean_c) == (115.0, 115.5)
    assert (eighth.inspection, eighth.bead_width_mm) == (1, 0.8)


def test_verdicts_count_parts_by_their_newest_judgement(path: Path) -> None:
    """A range counts with all its numbers, a judgement that was replaced not at all."""
    assert verdicts(path) == {
        "clear": 4,
        "clear_with_note": 1,
        "review": 1,
        "unknown": 0,
        "quarantine": 3,
    }
    assert sum(verdicts(path, cell="housing_7").values()) == 0


def test_decisions_about_parts_are_projected(path: Path, raw: sqlite3.Connection) -> None:
    """One row a range, from what a person entered."""
    details: dict[str, Detail] = {
        "entry": "disposition",
        "who": "quality",
        "why": "cut open",
        "subject": "5, 8-9",
        "word": "scrapped",
    }
    raw.close()
    with recording(path) as recorder:
        recorder.write([Batch(events=(event(EventKind.ENTERED, 20.0, **details),))])
    found = [(one.first, one.last, one.word, one.who) for one in dispositions(path)]
    assert found == [(5, 5, "scrapped", "quality"), (8, 9, "scrapped", "quality")]
    assert list(dispositions(path, cell="housing_7")) == []
    assert verify(path).is_whole


def test_a_whole_chain_of_parts_is_proven(path: Path) -> None:
    """With its end, to be noted elsewhere."""
    report = verify(path)
    assert report.is_whole
    assert report.parts == 9
    assert report.parts_hash in report.sentences()[-1]


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE parts SET verdict = 'clear' WHERE seq = 5", "parts row 5: expected hash"),
        (
            "UPDATE parts SET vals = replace(vals, 'quarantine', 'clear'), verdict = 'clear'"
            " WHERE seq = 5",
            "parts row 5: expected hash",
        ),
        ("DELETE FROM parts WHERE seq = 5", "parts row 5: expected the next row, got row 6"),
        ("DELETE FROM parts WHERE seq = 9", "parts row 9: expected 9 to be the newest row"),
        ("UPDATE parts SET judgement = 1 WHERE seq = 7", "parts row 7: expected hash"),
        ("UPDATE parts SET vals = '[' WHERE seq = 2", "parts row 2"),
        ("UPDATE parts SET first = 'x' WHERE seq = 2", "parts row 2: expected first of type"),
        ("UPDATE part_layouts SET items = '[]' WHERE id = 1", "parts row 1"),
        ("UPDATE meta SET value = zeroblob(32) WHERE key = 'parts_hash'", "meta row parts_hash"),
    ],
)
def test_each_place_that_was_tampered_with_is_named(
    path: Path, raw: sqlite3.Connection, statement: str, fault: str
) -> None:
    """Edited, deleted, cut off."""
    raw.execute(statement)
    assert any(fault in sentence for sentence in verify(path).sentences())


def test_a_part_that_does_not_read_back_is_an_error(path: Path, raw: sqlite3.Connection) -> None:
    """Other values than names, or no part at all."""
    raw.execute("UPDATE parts SET vals = '[1]' WHERE seq = 2")
    with pytest.raises(LedgerError, match="parts row 2: it does not read back"):
        list(part_events(path))
    raw.execute("UPDATE part_layouts SET items = '[[\"first\"]]' WHERE id = 1")
    raw.execute("UPDATE parts SET vals = '[]' WHERE seq = 1")
    with pytest.raises(LedgerError, match="parts row 1: it is no judged part: KeyError"):
        list(parts(path))
    raw.execute("UPDATE part_layouts SET items = '[[\"none\"]]' WHERE id = 1")
    with pytest.raises(LedgerError, match="part_layouts row 1: it does not read back: no layout"):
        list(parts(path))


NAMES = st.sampled_from(
    ["first", "last", "epoch", "verdict", "charge_id", "begun_utc_ns", "age_s", "nozzle_min_c"]
)
VALUES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8"), max_size=5)
)


@given(st.lists(st.dictionaries(NAMES, VALUES, max_size=6), max_size=6))
@settings(max_examples=40, deadline=None)
def test_whatever_a_part_says_reads_back_equal(told: list[dict[str, Detail]]) -> None:
    """Any details in any order, of any types and sizes; and the chain over them is whole."""
    given_events = [
        Event(EventKind.PART_MADE, at(second), "lens_4", "", tuple(details.items()))
        for second, details in enumerate(told)
    ]
    with TemporaryDirectory() as folder:
        file = Path(folder) / "cell.ledger"
        with recording(file) as recorder:
            recorder.write([Batch(events=tuple(given_events))])
        again = [recorded.event for recorded in part_events(file)]
        assert [repr(event) for event in again] == [repr(event) for event in given_events]
        assert verify(file).is_whole


@pytest.mark.parametrize("column", made.COLUMNS.split(", "))
@pytest.mark.parametrize("seq", [1, 5, 9], ids=["first", "middle", "newest"])
def test_any_value_of_a_part_changed_is_found(
    path: Path, raw: sqlite3.Connection, column: str, seq: int
) -> None:
    """The row is named, whichever of its columns it is."""
    kind = raw.execute(f"SELECT typeof({column}) FROM parts WHERE seq = {seq}").fetchone()[0]
    changed = {"integer": f"{column} + 1000", "text": f"{column} || ' '"}[kind]
    raw.execute("PRAGMA foreign_keys = OFF")
    raw.execute(f"UPDATE parts SET {column} = {changed} WHERE seq = {seq}")
    fault = verify(path).faults[0]
    assert (fault.table, fault.row) == ("parts", str(seq))


@pytest.mark.parametrize("seq", range(1, 10))
def test_a_part_removed_or_put_in_is_named(path: Path, raw: sqlite3.Connection, seq: int) -> None:
    """Every row from the first to the newest, and a copy of it at the end."""
    columns = made.COLUMNS.removeprefix("seq, ")
    raw.execute(f"INSERT INTO parts SELECT 10, {columns}, hash FROM parts WHERE seq = {seq}")
    assert (verify(path).faults[0].table, verify(path).faults[0].row) == ("parts", "10")
    raw.execute("DELETE FROM parts WHERE seq = 10")
    assert verify(path).is_whole
    raw.execute(f"DELETE FROM parts WHERE seq = {seq}")
    assert (verify(path).faults[0].table, verify(path).faults[0].row) == ("parts", str(seq))


def test_a_part_judged_three_times_counts_once(tmp_path: Path) -> None:
    """With its newest verdict; a range may replace the part it begins with."""
    file = tmp_path / "cell.ledger"
    judged = [
        part(4, PartRule.OUTSIDE_WINDOW),
        part(4, PartRule.NEAR_EDGE),
        part(4),
        part(4, last=6),
    ]
    with recording(file) as recorder:
        for one in judged:
            recorder.write([Batch(events=(one,))])
    assert [one.judgement for one in parts(file, is_latest=False)] == [1, 2, 3, 4]
    assert [(one.first, one.last, one.judgement) for one in parts(file)] == [(4, 6, 4)]
    assert {verdict: count for verdict, count in verdicts(file).items() if count} == {"clear": 3}


def v1(file: Path) -> sqlite3.Connection:
    """What the first version left of a ledger that was written by this one, without parts."""
    raw = connect_writer(file)
    for statement in _statements("".join(f"{one};" for one in MIGRATIONS[1])):
        if statement.startswith("CREATE TABLE"):
            raw.execute(f"DROP TABLE {statement.split()[2]}")
    raw.execute(
        "DELETE FROM meta WHERE key IN ('parts', 'parts_hash', 'checkpoints', 'is_held_told')"
    )
    raw.execute("UPDATE meta SET value = 1 WHERE key = 'schema_version'")
    return raw


def test_the_first_version_is_what_its_own_schema_makes(tmp_path: Path) -> None:
    """The tests' old ledgers have the tables and indices of the first version, and no others."""
    file = tmp_path / "old.ledger"
    with recording(file):
        pass
    shape = "SELECT type, name, sql FROM sqlite_schema ORDER BY name"
    with closing(v1(file)) as raw, closing(sqlite3.connect(":memory:")) as first:
        first.executescript(SCHEMA + projections.FIRST_SCHEMA)
        assert raw.execute(shape).fetchall() == first.execute(shape).fetchall()


def test_a_ledger_of_the_first_version_is_read_and_goes_on(tmp_path: Path) -> None:
    """Without parts as it is; the next run adds the tables, what they project, and its rows."""
    file = tmp_path / "old.ledger"
    told = event(EventKind.CHARGE_CHANGED, 1.0, charge_id="42", how="signal")
    with recording(file) as recorder:
        for second in range(25):
            recorder.write([batch(second, *((told,) if second == 1 else ()))])
    v1(file).close()
    assert verify(file).is_whole
    assert (list(parts(file)), list(part_events(file)), list(dispositions(file))) == ([], [], [])
    assert sum(verdicts(file).values()) == 0
    assert list(ledger.checkpoints(file, cell="lens_4")) == []
    assert sum(len(one.block) for one in ledger.blocks(file)) == 25
    with recording(file) as recorder:
        recorder.write([batch(25, part(1))])
    report = verify(file)
    assert (report.faults, report.rows, report.parts) == ((), 26, 1)
    assert len(list(parts(file))) == 1
    assert [one.event for one in ledger.events(file)] == [told]
    assert len(list(ledger.checkpoints(file, cell="lens_4"))) == 1
    with closing(connect_writer(file)) as raw:
        assert raw.execute("SELECT charge_id, how FROM charges").fetchall() == [("42", "signal")]


def test_the_suspect_verdicts_are_those_of_the_core() -> None:
    """The partial index of the schema names them once more."""
    assert set(SUSPECT) == {"review", "unknown", "quarantine"}
