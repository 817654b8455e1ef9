"""What is trimmed, and what is kept because somebody still needs it."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from outputs.ledger.samples import alarm_changed, at, event, opcua_block, part, recording, row
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.rules import PartRule
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Retention, verify
from watchedpot.outputs.ledger.retention import EVIDENCE_NS
from watchedpot.outputs.ledger.store import connect_writer

STEP_S = 300
"""Seconds between two polls: a block of two of them spans five minutes."""


def filled(path: Path, *events: Event, now_s: float = 10_000.0, days: float = 0.01) -> None:
    """Twenty polls in ten blocks, with events, trimmed to a quarter of an hour."""
    with recording(path, now=lambda: at(now_s), rows_per_block=2) as recorder:
        for n in range(20):
            recorder.write([Batch(blocks=(row(n * STEP_S),), events=events if not n else ())])
    # Another run, whose beginning trims.
    with recording(
        path, now=lambda: at(now_s), rows_per_block=2, retention=Retention(age_days=days)
    ) as recorder:
        recorder.write([Batch(blocks=(row(9_000),))])


def seconds(path: Path) -> list[int]:
    """When the kept readings were received."""
    start_ns = at(0.0).utc_ns
    return [
        (int(seen_ns) - start_ns) // 10**9
        for one in ledger.blocks(path)
        for seen_ns in one.block.seen_ns
    ]


def test_what_nobody_needs_goes_with_its_age(tmp_path: Path) -> None:
    """Only the newest block and what came after it stay."""
    path = tmp_path / "cell.ledger"
    filled(path)
    assert seconds(path) == [18 * STEP_S, 19 * STEP_S, 9_000]
    assert verify(path).is_whole


def test_the_evidence_of_a_suspect_part_stays_until_somebody_decides(tmp_path: Path) -> None:
    """A quarter of an hour on both sides; the rows between are empty and still proven."""
    path = tmp_path / "cell.ledger"
    suspect = part(3000, PartRule.OUTSIDE_WINDOW)
    filled(path, suspect, part(1000))
    kept = seconds(path)
    assert {2400, 2700, 3000, 3300, 3600} <= set(kept)
    assert not set(kept) & {0, 300, 600, 900, 4800, 5100}
    report = verify(path)
    assert report.is_whole
    assert report.trimmed_rows > 0
    trimmed = [e.event for e in ledger.events(path) if e.event.kind is EventKind.RECORD_TRIMMED]
    assert trimmed[0].detail("held_blocks") == 3
    decided: dict[str, Detail] = {
        "entry": "disposition",
        "subject": "2999-3001",
        "word": "scrapped",
    }
    with recording(
        path, now=lambda: at(10_000.0), rows_per_block=2, retention=Retention(age_days=0.01)
    ) as recorder:
        recorder.write([Batch((row(9_300),), (event(EventKind.ENTERED, 9_300.0, **decided),))])
    with recording(
        path, now=lambda: at(10_000.0), rows_per_block=2, retention=Retention(age_days=0.01)
    ) as recorder:
        recorder.write([Batch(blocks=(row(9_600),))])
    assert 3000 not in seconds(path)
    assert verify(path).is_whole


def decide(path: Path, subject: str, word: str, *, at_s: float = 9_500.0) -> None:
    """Somebody decides about parts of lens_4; then a run begins, which trims."""
    decided: dict[str, Detail] = {"entry": "disposition", "subject": subject, "word": word}
    for second, events in ((at_s, (event(EventKind.ENTERED, at_s, **decided),)), (at_s + 1, ())):
        with recording(
            path, now=lambda: at(10_000.0), rows_per_block=2, retention=Retention(age_days=0.01)
        ) as recorder:
            recorder.write([Batch((row(round(second)),), events)])


def test_to_hold_a_part_is_no_decision_yet(tmp_path: Path) -> None:
    """Nor is a decision that somebody took back; the newest one counts."""
    path = tmp_path / "cell.ledger"
    filled(path, part(3000, PartRule.OUTSIDE_WINDOW))
    decide(path, "3000", "held")
    assert 3000 in seconds(path)
    decide(path, "2000-3000", "released", at_s=9_600.0)
    assert 3000 not in seconds(path)


def test_a_decision_about_a_number_is_about_its_newest_part(tmp_path: Path) -> None:
    """After a reset the number is given again: the evidence of the older part stays."""
    old = part(3000, PartRule.OUTSIDE_WINDOW)
    new = again(part(5100, PartRule.OUTSIDE_WINDOW), 3000)
    path = tmp_path / "both.ledger"
    filled(path, old, new)
    assert {3000, 5100} <= set(seconds(path))
    decide(path, "3000", "scrapped")
    assert 3000 in seconds(path)
    assert 4800 not in seconds(path)
    later = again(part(9_700), 3000)
    path = tmp_path / "later.ledger"
    filled(path, old, later)
    decide(path, "3000", "scrapped")  # before the number was given again
    assert 3000 not in seconds(path)


def test_a_number_may_be_given_again_within_a_range(tmp_path: Path) -> None:
    """Parts that cannot be told apart are one row, and it need not begin at the number."""
    old = part(3000, PartRule.OUTSIDE_WINDOW)
    several = again(part(5100, PartRule.BLIND), 2990, 3010)
    path = tmp_path / "cell.ledger"
    filled(path, old, several)
    decide(path, "2990-3010", "scrapped")
    assert 3000 in seconds(path)
    assert 4800 not in seconds(path)


def again(event: Event, first: int, last: int | None = None) -> Event:
    """A part under numbers that the counter gives for the second time."""
    numbers = {"first": first, "last": first if last is None else last, "epoch": 1}
    return replace(event, details=tuple((dict(event.details) | numbers).items()))


def test_a_decision_before_the_part_was_made_is_of_another_part(tmp_path: Path) -> None:
    """Its number was that of an earlier one, or a slip."""
    path = tmp_path / "cell.ledger"
    filled(path, part(3000, PartRule.OUTSIDE_WINDOW))
    decide(path, "3000", "scrapped", at_s=2_000.0)
    assert 3000 in seconds(path)


def test_parts_made_unseen_hold_all_the_time_since_they_may_have_begun(tmp_path: Path) -> None:
    """A range that was counted at the end of a loss reaches back to its beginning."""
    path = tmp_path / "cell.ledger"
    unseen = part(4800, PartRule.BLIND, last=4900)
    details = dict(unseen.details) | {"begun_utc_ns": at(2000.0).utc_ns}
    filled(path, replace(unseen, details=tuple(details.items())))
    kept = set(seconds(path))
    assert {1200, 2100, 3300, 4500, 5700} <= kept
    assert not kept & {0, 300, 600}


def test_a_suspicion_that_was_cleared_holds_nothing(tmp_path: Path) -> None:
    """The newest judgement counts."""
    path = tmp_path / "cell.ledger"
    filled(path, part(3000, PartRule.OUTSIDE_WINDOW), part(3000))
    assert 3000 not in seconds(path)


def test_what_is_still_going_on_holds_its_readings(tmp_path: Path) -> None:
    """The present charge, an open excursion, an alarm that is not back to normal."""
    loaded = event(EventKind.CHARGE_CHANGED, 3000.0, charge_id="42", how="signal")
    opened = event(EventKind.EXCURSION_OPENED, 3010.0, edge="low", onset_utc_ns=at(3000.0).utc_ns)
    for n, still in enumerate((loaded, opened, alarm_changed(3000.0))):
        path = tmp_path / f"{n}.ledger"
        filled(path, still)
        assert min(seconds(path)) == 3000
        assert verify(path).is_whole
    path = tmp_path / "back.ledger"
    filled(path, alarm_changed(3000.0), alarm_changed(3600.0, "normal"))
    assert min(seconds(path)) == 18 * STEP_S


def test_what_is_said_meanwhile_does_not_end_what_goes_on(tmp_path: Path) -> None:
    """To acknowledge an alarm, to refill, to keep or to correct a charge is no new beginning."""
    path = tmp_path / "alarm.ledger"
    filled(path, alarm_changed(3000.0), alarm_changed(4800.0, "acknowledged"))
    assert min(seconds(path)) == 3000
    for how in ("refill", "kept", "corrected"):
        path = tmp_path / f"{how}.ledger"
        found = event(EventKind.CHARGE_CHANGED, 3000.0, charge_id="42", how="found")
        later = event(EventKind.CHARGE_CHANGED, 4800.0, charge_id="42", how=how)
        filled(path, found, later)
        assert min(seconds(path)) == 3000
    path = tmp_path / "next.ledger"
    filled(path, found, event(EventKind.CHARGE_CHANGED, 4800.0, charge_id="43", how="entry"))
    assert min(seconds(path)) == 4800


def test_nothing_that_is_forgotten_holds_readings_for_ever(tmp_path: Path) -> None:
    """After two weeks an open alarm holds no more."""
    path = tmp_path / "cell.ledger"
    filled(path, alarm_changed(0.0), now_s=15 * 86_400.0, days=1.0)
    assert min(seconds(path)) == 18 * STEP_S


def told_of_trimming(path: Path) -> list[Event]:
    """What the record says of it."""
    return [one.event for one in ledger.events(path) if one.event.kind is EventKind.RECORD_TRIMMED]


def test_a_record_that_grows_beyond_its_limit_says_so_once(tmp_path: Path) -> None:
    """When all that could go is needed, and again only after it was within the limit."""
    path = tmp_path / "cell.ledger"
    loaded = event(EventKind.CHARGE_CHANGED, 0.0, charge_id="42", how="entry")
    tight = Retention(size_bytes=250_000)
    with recording(path, rows_per_block=50, retention=tight) as recorder:
        for n in range(60):
            block = opcua_block(50, first=50 * n, seed=n)
            recorder.write([Batch((block,), (loaded,) if not n else ())])
    (only,) = told_of_trimming(path)
    assert (only.detail("blocks"), only.detail("rows"), only.detail("until_utc_ns")) == (0, 0, None)
    assert only.detail("held_blocks") != 0
    assert isinstance(above := only.detail("above_bytes"), int)
    assert 0 < above < 30_000
    assert verify(path).trimmed_rows == 0
    fresh = event(EventKind.CHARGE_CHANGED, 3000.0, charge_id="43", how="entry")
    with recording(path, rows_per_block=50, retention=tight) as recorder:
        for n in range(60, 90):
            block = opcua_block(50, first=50 * n, seed=n)
            recorder.write([Batch((block,), (fresh,) if n == 60 else ())])
    is_above = [trimmed.detail("above_bytes") != 0 for trimmed in told_of_trimming(path)]
    assert is_above[:2] == [True, False]
    assert verify(path).is_whole


def test_a_long_backlog_is_trimmed_as_a_whole(tmp_path: Path) -> None:
    """More blocks than are looked at in one go, some of them held."""
    path = tmp_path / "cell.ledger"
    with recording(path, now=lambda: at(700_000.0), rows_per_block=1) as recorder:
        suspects = tuple(part(n, PartRule.OUTSIDE_WINDOW) for n in (30_000, 300_000))
        recorder.write([Batch((row(0),), suspects)])
        recorder.write([Batch((opcua_block(700, step=1000),))])
        for _ in range(90):
            recorder.write([Batch()])
    with recording(
        path, now=lambda: at(701_000.0), rows_per_block=1, retention=Retention(age_days=0.01)
    ) as recorder:
        recorder.write([Batch()])
    assert seconds(path) == [30_000, 300_000, 699_000]


def test_a_checkpoint_before_the_oldest_readings_stays(tmp_path: Path) -> None:
    """A replay of what is left begins there; older ones go."""
    path = tmp_path / "cell.ledger"

    def now() -> Instant:
        return at(200_000.0)

    with recording(path, now=now, rows_per_block=2) as recorder:
        for n in range(10):
            second = n * 20_000
            states = {"lens_4": b"%d" % n}
            recorder.write([Batch((row(second), row(second + 1)), (), states)])
    assert [one.state for one in ledger.checkpoints(path, cell="lens_4")] == [
        b"0",
        b"2",
        b"4",
        b"6",
        b"8",
    ]
    with recording(path, now=now, retention=Retention(age_days=1.0)) as recorder:
        recorder.write([Batch(blocks=(row(199_000),))])
    assert min(seconds(path)) == 120_000
    assert [one.state for one in ledger.checkpoints(path, cell="lens_4")] == [b"4", b"6", b"8"]
    assert verify(path).is_whole


def test_a_checkpoint_is_kept_when_a_charge_changes(tmp_path: Path) -> None:
    """Besides every six hours."""
    path = tmp_path / "cell.ledger"
    loaded = event(EventKind.CHARGE_CHANGED, 1.0, charge_id="42", how="signal")
    with recording(path) as recorder:
        recorder.write([Batch((row(0),), (), {"lens_4": b"0"})])
        recorder.write([Batch((row(1),), (loaded,), {"lens_4": b"1"})])
        recorder.write([Batch((row(2),), (), {"lens_4": b"2"})])
    assert [one.state for one in ledger.checkpoints(path, cell="lens_4")] == [b"0", b"1"]
    assert EVIDENCE_NS == 900 * 10**9


def checkpointed(path: Path) -> None:
    """Five checkpoints of lens_4 with two of housing_7 between them."""
    with recording(path) as recorder:
        for n in range(5):
            states = {"lens_4": b"%d" % n} | ({"housing_7": b"h%d" % n} if n in (1, 3) else {})
            recorder.write([Batch((row(n * 22_000),), (), states)])


def test_a_clock_that_was_once_ahead_does_not_make_a_checkpoint_of_each_state(
    tmp_path: Path,
) -> None:
    """The newest one counts, whatever time an earlier one bears."""
    path = tmp_path / "cell.ledger"
    with recording(path) as recorder:
        recorder.write([Batch((row(0),), (), {"lens_4": b"0"})])
        far = replace(at(1.0), utc_ns=at(10.0**6).utc_ns)
        recorder.write([Batch((), (Event(EventKind.WIPED, far),), {"lens_4": b"1"})])
        for n in range(2, 10):
            recorder.write([Batch((row(n),), (), {"lens_4": b"%d" % n})])
    assert [one.state for one in ledger.checkpoints(path, cell="lens_4")] == [b"0", b"1", b"2"]


@pytest.mark.parametrize(
    "column", ["seq", "cell", "run", "utc_ns", "mono_ns", "payload", "prev_hash", "hash"]
)
@pytest.mark.parametrize("seq", [1, 4, 7])
def test_any_value_of_a_checkpoint_changed_is_found(tmp_path: Path, column: str, seq: int) -> None:
    """The row is named, and no replay begins at it."""
    path = tmp_path / "cell.ledger"
    checkpointed(path)
    assert verify(path).is_whole
    with closing(connect_writer(path)) as raw:
        kind = raw.execute(f"SELECT typeof({column}) FROM checkpoints").fetchone()[0]
        changed = {
            "integer": f"{column} + 1000",
            "text": f"{column} || ' '",
            "blob": f"CAST({column} || x'00' AS BLOB)",
        }[kind]
        raw.execute("PRAGMA foreign_keys = OFF")
        raw.execute(f"UPDATE checkpoints SET {column} = {changed} WHERE seq = {seq}")
    fault = verify(path).faults[0]
    assert fault.table == "checkpoints"
    assert fault.row == str(seq) or column == "seq"
    assert len(list(ledger.checkpoints(path, cell="lens_4"))) == 4


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ("DELETE FROM checkpoints WHERE seq = 4", "checkpoints row 5: expected previous hash"),
        ("DELETE FROM checkpoints WHERE seq = 5", "checkpoints row 7: expected previous hash"),
        ("DELETE FROM checkpoints WHERE seq = 6", "checkpoints: expected 7 rows by meta, got 6"),
        ("DELETE FROM checkpoints WHERE seq = 7", "checkpoints: expected 7 rows by meta, got 6"),
        ("DELETE FROM checkpoints WHERE seq = 1", "checkpoints: expected 7 rows by meta, got 6"),
        (
            "INSERT INTO checkpoints SELECT 8, cell, run, utc_ns, mono_ns, payload, prev_hash, hash"
            " FROM checkpoints WHERE seq = 7",
            "checkpoints row 8: expected previous hash",
        ),
        (
            "UPDATE meta SET value = 8 WHERE key = 'checkpoints'",
            "checkpoints: expected 8 rows by meta, got 7",
        ),
    ],
)
def test_a_checkpoint_removed_or_put_in_is_found(tmp_path: Path, change: str, fault: str) -> None:
    """In the middle the next row of the cell is named, at an end the number of rows."""
    path = tmp_path / "cell.ledger"
    checkpointed(path)
    with closing(connect_writer(path)) as raw:
        raw.execute(change)
    assert verify(path).sentences()[1].startswith(fault)


def test_a_damaged_checkpoint_is_named_and_passed_over(tmp_path: Path) -> None:
    """A replay begins at the one before."""
    path = tmp_path / "cell.ledger"
    with recording(path) as recorder:
        recorder.write([Batch((row(0),), (), {"lens_4": b"0"})])
    raw = connect_writer(path)
    raw.execute("UPDATE checkpoints SET mono_ns = 7")
    raw.close()
    assert list(ledger.checkpoints(path, cell="lens_4")) == []
    assert "checkpoints row 1" in verify(path).sentences()[1]
