"""What is trimmed, and what is kept because somebody still needs it."""

from __future__ import annotations

from pathlib import Path

from outputs.ledger.samples import alarm_changed, at, event, part, recording, row
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


def test_nothing_that_is_forgotten_holds_readings_for_ever(tmp_path: Path) -> None:
    """After two weeks an open alarm holds no more."""
    path = tmp_path / "cell.ledger"
    filled(path, alarm_changed(0.0), now_s=15 * 86_400.0, days=1.0)
    assert min(seconds(path)) == 18 * STEP_S


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
