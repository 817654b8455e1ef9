"""A failed check judges the parts since the last good one again; nothing is overwritten."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import exp
from pathlib import Path
from typing import Any

import pytest

from support.cells import (
    AGEING,
    HOSE,
    PARTS,
    POT_LIFE_S,
    SYRINGE,
    TEMPERATURE,
    UTC_NS,
    Cells,
    block,
    cell,
    entry,
    hose,
    instant,
    syringe,
    zone,
)
from support.cells import DISPENSING as FLOWS
from support.replay import record
from watchedpot.app.rejudge import BackTo, Known, Rejudged, judged_again, rejudge, unanswered
from watchedpot.app.replay import Rules
from watchedpot.core.engine import CellPlan
from watchedpot.core.model import Block, Check, Detail, Entry, EntryKind, Event, EventKind, Loading
from watchedpot.core.rules import ChargeRules, PartRule, PartRules, Verdict
from watchedpot.core.units import ns
from watchedpot.errors import DataError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger, RecordedEvent, dump_state

CYCLE_S = 10
"""A part every ten seconds, dispensed in the first half of them."""

NOZZLE = cell(zone(low_c=115.0, high_c=125.0, setpoint=None), parts=PARTS)
WITH_HOSE = cell(hose(), zone(low_c=115.0, high_c=125.0, setpoint=None), parts=PARTS)
SYRINGE_ONLY = cell(
    syringe(setpoint=None, output=None, soak=None),
    parts=PARTS,
    charge=ChargeRules(start_age_s=0.0),
)
NOW = instant(5000.0)

OUTSIDE = ((PartRule.OUTSIDE_WINDOW, "nozzle"),)


def made(temps: dict[str, Cells], *, seconds: int, start_s: int = 0, counts: bool = True) -> Block:
    """Rows a second of a cell that makes a part every cycle."""
    times = range(start_s, start_s + seconds)
    signals: dict[str, Cells] = {FLOWS: [float(t % CYCLE_S < CYCLE_S // 2) for t in times]}
    if counts:
        signals[PARTS] = [float((t + CYCLE_S // 2) // CYCLE_S) for t in times]
    return block({**temps, **signals}, start_s=float(start_s))


def checked(at_s: float, *, true_c: float, read_c: float, target: str = "nozzle") -> Entry:
    """A zone compared with a reference probe."""
    check = Check(true_c=true_c, read_c=read_c)
    return entry(EntryKind.CHECK, f"lens_4/{target}", at_s=at_s, check=check)


def rules_of(*plans: CellPlan) -> Rules:
    """The rules of configurations whose texts are numbers here."""
    return lambda text: (plans[int(text)].rules,)


def judge_again(path: Path, *plans: CellPlan) -> Rejudged:
    """What the newest failed check changes."""
    told = rules_of(*plans)
    return rejudge(path, unanswered(path, rules_of=told)[-1], at=NOW, rules_of=told)


def append(path: Path, events: Sequence[Event]) -> None:
    """Put events at the end of a record, as another run."""
    book = Ledger.open(path, now=lambda: NOW, version="0.1.0", config="0")
    book.append(Batch((), tuple(events)))
    assert book.stop()


def checks(path: Path) -> list[RecordedEvent]:
    """All checks of a record."""
    return [one for one in ledger.events(path) if one.event.detail("entry") == "check"]


def first_of(events: Sequence[Event]) -> list[object]:
    """Numbers of the parts that are judged again."""
    return [event.detail("first") for event in events if event.kind is EventKind.PART_MADE]


def too_high(path: Path, *entries: Entry, plan: CellPlan = NOZZLE) -> None:
    """A nozzle that reads 116 for 300 s, and what people say of it; then one that is 3 K off."""
    temps: dict[str, Cells] = {zone.temperature: 116.0 for zone in plan.rules.zones}
    rows = made(temps, seconds=300)
    last = checked(299.5, true_c=113.0, read_c=116.0)
    at = [0, *sorted(int(one.at.mono_ns // 10**9) + 1 for one in entries), 300]
    pieces = [rows.rows(a, b) for a, b in pairwise(at)]
    said = [*sorted(entries, key=lambda one: one.at.mono_ns), last]
    batches = [item for pair in zip(pieces, said, strict=True) for item in pair]
    record(path, plan, batches, config="0")


def test_parts_near_the_edge_as_read_are_outside_as_corrected(tmp_path: Path) -> None:
    """Read at 116 with a window from 115, truly at 113: from a note to quarantine."""
    path = tmp_path / "ledger"
    too_high(path)
    found = judge_again(path, NOZZLE)
    *parts, summary = found.events
    assert first_of(parts) == list(range(1, 31))
    assert (found.parts, found.changed, found.unmatched) == (30, 30, 0)
    for event in parts:
        assert event.detail("verdict") == "quarantine"
        assert "outside_window:nozzle" in str(event.detail("rules")).split(",")
        assert "near_edge" not in str(event.detail("rules"))
        assert event.detail("because") == "check"
        assert event.detail("nozzle_max_c") == 113.0
    before = {one.event.detail("first"): one.event for one in ledger.part_events(path)}
    assert before[9].detail("verdict") == "clear_with_note"
    assert before[9].detail("nozzle_max_c") == 116.0
    assert [(e.at, e.cell, [name for name, _ in e.details]) for e in parts] == [
        (e.at, e.cell, [name for name, _ in e.details]) for e in before.values()
    ]
    assert summary == Event(
        EventKind.REJUDGED,
        NOW,
        "lens_4",
        "nozzle",
        (
            ("check_seq", checks(path)[-1].seq),
            ("zone", "nozzle"),
            ("error_k", 3.0),
            ("from_utc_ns", next(ledger.runs(path)).at.utc_ns),
            ("to_utc_ns", UTC_NS + ns(299.5)),
            ("parts", 30),
            ("changed", 30),
            ("age_before_s", None),
            ("age_after_s", None),
            ("back_to", "beginning of the record"),
        ),
    )
    assert found.back_to is BackTo.BEGINNING
    assert (found.before, found.after, found.added_s, found.notes) == (None, None, 0.0, ())


def test_the_last_good_check_of_the_zone_bounds_the_period(tmp_path: Path) -> None:
    """Neither an older good one, nor a failed one, nor one of another zone does."""
    path = tmp_path / "ledger"
    too_high(
        path,
        checked(50.5, true_c=116.2, read_c=116.0),
        checked(100.5, true_c=116.8, read_c=116.0),
        checked(150.5, true_c=113.5, read_c=116.0),
        checked(200.5, true_c=116.0, read_c=116.0, target="hose"),
        plan=WITH_HOSE,
    )
    found = judge_again(path, WITH_HOSE)
    assert first_of(found.events) == list(range(11, 31))
    assert (found.back_to, found.since) == (BackTo.GOOD_CHECK, instant(100.5))
    assert found.events[-1].detail("back_to") == "last good check"
    assert found.events[-1].detail("from_utc_ns") == UTC_NS + ns(100.5)


def test_both_judgements_are_kept_and_a_check_is_answered_once(tmp_path: Path) -> None:
    """What was judged again stands behind the first judgement, of which nothing is changed."""
    path = tmp_path / "ledger"
    too_high(path, checked(100.5, true_c=116.0, read_c=116.0))
    first = list(ledger.part_events(path))
    assert [one.seq for one in unanswered(path, rules_of=rules_of(NOZZLE))] == [
        checks(path)[-1].seq
    ]
    append(path, judge_again(path, NOZZLE).events)
    assert unanswered(path, rules_of=rules_of(NOZZLE)) == ()
    assert list(ledger.part_events(path))[: len(first)] == first
    every = list(ledger.parts(path, cell="lens_4", is_latest=False))
    latest = list(ledger.parts(path, cell="lens_4"))
    assert (len(every), len(latest)) == (50, 30)
    assert {part.judgement for part in latest if part.first > 10} == {2}
    assert sum(part.verdict is Verdict.QUARANTINE for part in latest) == 20
    again = rejudge(path, checks(path)[-1], at=NOW, rules_of=rules_of(NOZZLE))
    assert (again.parts, again.changed) == (20, 0)
    assert [event.kind for event in again.events] == [EventKind.REJUDGED]


def test_a_worse_check_is_added_to_what_an_earlier_one_said(tmp_path: Path) -> None:
    """A second check that fails goes back over the first one to the same good one."""
    path, tame = tmp_path / "ledger", cell(zone(low_c=113.8, setpoint=None), parts=PARTS)
    first = checked(150.5, true_c=114.8, read_c=116.0)
    too_high(path, checked(50.5, true_c=116.0, read_c=116.0), first, plan=tame)
    told = rules_of(tame)
    one, two = unanswered(path, rules_of=told)
    near = rejudge(path, one, at=NOW, rules_of=told)
    assert {event.detail("verdict") for event in near.events[:-1]} == {"clear_with_note"}
    assert first_of(near.events) == list(range(6, 16))
    append(path, near.events)
    far = rejudge(path, two, at=NOW, rules_of=told)
    assert {event.detail("verdict") for event in far.events[:-1]} == {"quarantine"}
    assert first_of(far.events) == list(range(6, 31))


def test_a_good_check_changes_nothing(tmp_path: Path) -> None:
    """A check within the tolerance has nothing to answer, and nothing is judged again for it."""
    path, told = tmp_path / "ledger", rules_of(NOZZLE)
    rows = made({TEMPERATURE: 116.0}, seconds=60)
    record(path, NOZZLE, [rows, checked(59.5, true_c=115.0, read_c=116.0)], config="0")
    assert unanswered(path, rules_of=told) == ()
    for one in ledger.events(path):
        with pytest.raises(DataError, match="a failed check"):
            rejudge(path, one, at=NOW, rules_of=told)


def rate(temp_c: float, *, ea_j_per_mol: float) -> float:
    """Arrhenius rate against 115 degC, by hand: R = 8.314462618 J/(mol K), CODATA 2018."""
    return exp(ea_j_per_mol / 8.314462618 * (1.0 / 388.15 - 1.0 / (temp_c + 273.15)))


def test_a_syringe_that_read_too_low_has_aged_faster(tmp_path: Path) -> None:
    """Truly at the reference, where age is elapsed time, and read 3 K colder.

    By hand: below the reference the low bound of the activation energy is the stricter one, and
    the first row begins the account.
    """
    path = tmp_path / "ledger"
    rows = made({SYRINGE: 112.0}, seconds=701)
    check = checked(700.5, true_c=115.0, read_c=112.0, target="syringe")
    live = record(path, SYRINGE_ONLY, [rows, check], config="0")
    found = judge_again(path, SYRINGE_ONLY)
    slow = rate(112.0, ea_j_per_mol=60e3)
    assert found.before == live.zones[0].dose
    assert found.charge_id == live.charge.id
    assert found.after is not None
    assert found.after.low_ns == found.after.high_ns == ns(700.0)
    details = dict(found.events[-1].details)
    assert details["age_before_s"] == pytest.approx(700.0 * slow, abs=1e-6)
    assert details["age_after_s"] == 700.0
    assert found.added_s == pytest.approx(700.0 * (1.0 - slow), abs=1e-6)
    for event in found.events[:-1]:
        counted_s = (event.at.utc_ns - UTC_NS) / 1e9
        assert event.detail("age_s") == pytest.approx(counted_s, abs=1e-6)
        assert event.detail("life_used") == pytest.approx(counted_s / POT_LIFE_S, abs=1e-9)
        # A trifle is left out: less than one percent of the pot life.
        assert counted_s * (1.0 - slow) > 0.01 * POT_LIFE_S
        is_spent = "spent_charge" in str(event.detail("rules"))
        assert is_spent == (counted_s > POT_LIFE_S)
    least_s = 0.01 * POT_LIFE_S / (1.0 - slow)
    numbers = [n for n in range(1, 71) if CYCLE_S * n - 5 > least_s]
    assert first_of(found.events) == numbers
    assert (found.parts, found.changed) == (70, len(numbers))


def test_an_age_that_an_earlier_check_added_counts_once(tmp_path: Path) -> None:
    """The first check added what it found to the age in use; the second one finds the rest."""
    path = tmp_path / "ledger"
    rows = made({SYRINGE: 112.0}, seconds=701)
    found = [checked(at_s, true_c=115.0, read_c=112.0, target="syringe") for at_s in (300.5, 700.5)]
    slow = rate(112.0, ea_j_per_mol=60e3)
    added_s = 300.0 * (1.0 - slow)
    corrected = entry(EntryKind.AGE_CORRECTED, "lens_4", at_s=310.5, loading=Loading(age_s=added_s))
    first, then, last = (rows.rows(a, b) for a, b in pairwise((0, 301, 311, 701)))
    batches: list[Block | Entry] = [first, found[0], then, corrected, last, found[1]]
    live = record(path, SYRINGE_ONLY, batches, config="0")
    again = judge_again(path, SYRINGE_ONLY)
    assert again.before == live.zones[0].dose
    assert again.events[-1].detail("age_after_s") == 700.0
    assert again.added_s == pytest.approx(400.0 * (1.0 - slow), abs=1e-6)


def test_what_was_added_since_the_check_is_not_added_again(tmp_path: Path) -> None:
    """Two checks waited; what the first one added after both is taken off what the second adds."""
    path = tmp_path / "ledger"
    rows = made({SYRINGE: 112.0}, seconds=701)
    check = checked(700.5, true_c=115.0, read_c=112.0, target="syringe")
    told = entry(EntryKind.AGE_CORRECTED, "lens_4", at_s=710.5, loading=Loading(age_s=30.0))
    record(path, SYRINGE_ONLY, [rows, check, told], config="0")
    again = judge_again(path, SYRINGE_ONLY)
    slow = rate(112.0, ea_j_per_mol=60e3)
    assert again.added_s == pytest.approx(700.0 * (1.0 - slow) - 30.0, abs=1e-6)


def test_an_age_as_read_stays_where_it_is_the_higher(tmp_path: Path) -> None:
    """A syringe that read 3 K too hot is no younger for that, its parts are cold all the same."""
    path = tmp_path / "ledger"
    rows = made({SYRINGE: 112.0}, seconds=201)
    check = checked(200.5, true_c=109.0, read_c=112.0, target="syringe")
    live = record(path, SYRINGE_ONLY, [rows, check], config="0")
    found = judge_again(path, SYRINGE_ONLY)
    assert found.before == found.after == live.zones[0].dose
    assert found.added_s == 0.0
    ages = {
        one.event.detail("first"): one.event.detail("age_s") for one in ledger.part_events(path)
    }
    assert len(found.events) == 21
    for event in found.events[:-1]:
        assert event.detail("age_s") == ages[event.detail("first")]
        assert event.detail("verdict") == "quarantine"


def test_a_charge_can_have_passed_its_ceiling_unseen(tmp_path: Path) -> None:
    """Read at 119, truly beyond 140: the charge in use is told of, and so are its parts."""
    path = tmp_path / "ledger"
    rows = made({SYRINGE: 119.0}, seconds=100)
    check = checked(99.5, true_c=141.0, read_c=119.0, target="syringe")
    record(path, SYRINGE_ONLY, [rows, check], config="0")
    found = judge_again(path, SYRINGE_ONLY)
    assert found.is_overheated
    rules = str(found.events[-2].detail("rules")).split(",")
    assert {"over_ceiling:syringe", "overheated_charge"} <= set(rules)


def test_a_cell_that_counts_no_parts_gets_its_age(tmp_path: Path) -> None:
    """Without a counter only the charge is judged again."""
    path = tmp_path / "ledger"
    plan = cell(syringe(setpoint=None, output=None, soak=None), charge=ChargeRules(start_age_s=0.0))
    rows = made({SYRINGE: 112.0}, seconds=201, counts=False)
    check = checked(200.5, true_c=115.0, read_c=112.0, target="syringe")
    record(path, plan, [rows, check], config="0")
    found = judge_again(path, plan)
    assert [event.kind for event in found.events] == [EventKind.REJUDGED]
    assert found.events[0].detail("age_after_s") == 200.0


def test_each_run_is_judged_by_its_own_rules(tmp_path: Path) -> None:
    """Before the restart outside the window asked for a review only; the error ran on."""
    path = tmp_path / "ledger"
    lenient = cell(
        zone(low_c=115.0, high_c=125.0, setpoint=None),
        parts=PARTS,
        judging=PartRules(verdicts=((PartRule.OUTSIDE_WINDOW, Verdict.REVIEW),)),
    )
    good, rows = checked(19.5, true_c=116.0, read_c=116.0), made({TEMPERATURE: 116.0}, seconds=100)
    record(path, lenient, [rows.rows(0, 20), good, rows.rows(20, 100)], config="0")
    check = checked(199.5, true_c=113.0, read_c=116.0)
    rest = made({TEMPERATURE: 116.0}, seconds=100, start_s=100)
    record(path, NOZZLE, [rest, check], config="1")
    found = judge_again(path, lenient, NOZZLE)
    verdicts = [str(event.detail("verdict")) for event in found.events[:-1]]
    assert verdicts == ["review"] * 8 + ["quarantine"] * 10
    assert (found.back_to, found.since) == (BackTo.GOOD_CHECK, good.at)


def trimmed(path: Path, until_s: float) -> None:
    """Say that readings were trimmed, which the record holds all the same."""
    details = (("blocks", 1), ("rows", 1), ("until_utc_ns", UTC_NS + ns(until_s)))
    append(path, [Event(EventKind.RECORD_TRIMMED, NOW, details=details)])


def keep(path: Path, monkeypatch: pytest.MonkeyPatch, rows: Block, *at_s: int) -> None:
    """Let the ledger hold the states of the nozzle after some rows, and no others."""
    kept = []
    for second in at_s:
        state = record(path.with_name(f"until_{second}"), NOZZLE, [rows.rows(0, second + 1)])
        kept.append(ledger.Checkpoint(1, instant(second), "lens_4", dump_state(state)))
    monkeypatch.setattr(ledger, "checkpoints", lambda _, **__: iter(kept))


def test_where_readings_were_trimmed_the_oldest_state_kept_after_it_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The period says that it goes back to the kept readings only."""
    path = tmp_path / "ledger"
    too_high(path, checked(20.5, true_c=116.0, read_c=116.0))
    trimmed(path, 90.0)
    keep(path, monkeypatch, made({TEMPERATURE: 116.0}, seconds=300), 60, 120, 240)
    found = judge_again(path, NOZZLE)
    assert (found.back_to, found.since) == (BackTo.KEPT, instant(120.0))
    assert first_of(found.events) == list(range(13, 31))


def test_a_good_check_after_the_trimming_still_bounds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a state before it is kept, the readings suffice."""
    path = tmp_path / "ledger"
    too_high(path, checked(200.5, true_c=116.0, read_c=116.0))
    trimmed(path, 90.0)
    keep(path, monkeypatch, made({TEMPERATURE: 116.0}, seconds=300), 60, 120, 240)
    found = judge_again(path, NOZZLE)
    assert (found.back_to, found.since) == (BackTo.GOOD_CHECK, instant(200.5))
    assert first_of(found.events) == list(range(21, 31))


def test_a_check_without_any_readings_left_is_answered_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing can be judged again, and the record says so."""
    path = tmp_path / "ledger"
    too_high(path)
    trimmed(path, 90.0)
    keep(path, monkeypatch, made({TEMPERATURE: 116.0}, seconds=300), 60)
    found = judge_again(path, NOZZLE)
    assert [event.kind for event in found.events] == [EventKind.REJUDGED]
    assert (found.parts, found.back_to, found.since) == (0, BackTo.KEPT, instant(299.5))


def test_states_that_cannot_be_read_are_noted_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The replay begins further back, and says why."""
    path = tmp_path / "ledger"
    too_high(path, checked(200.5, true_c=116.0, read_c=116.0))
    spoilt = ledger.Checkpoint(1, instant(100.0), "lens_4", b"{}")
    monkeypatch.setattr(ledger, "checkpoints", lambda _, **__: iter([spoilt]))
    found = judge_again(path, NOZZLE)
    assert first_of(found.events) == list(range(21, 31))
    assert len(found.notes) == 1


def test_parts_that_the_record_does_not_have_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A judgement that was lost, or that lies in a range there, is not made up."""
    path = tmp_path / "ledger"
    too_high(path)
    known = list(ledger.parts(path, cell="lens_4"))
    other = [replace(known[5], last=known[6].first), *known[7:]]
    monkeypatch.setattr(ledger, "parts", lambda _, **__: iter(other))
    found = judge_again(path, NOZZLE)
    assert (found.parts, found.changed, found.unmatched) == (23, 23, 7)


def _part(**details: Detail) -> Event:
    """A part as corrected, of the cell with a syringe or of the one with a nozzle."""
    told: dict[str, Detail] = {
        "age_s": 100.0,
        "life_used": 0.2,
        "is_ready": True,
        "verdict": "clear",
        "rules": "",
    }
    told |= {"because": "", "joined_s": None}
    return Event(EventKind.PART_MADE, NOW, "lens_4", "", tuple((told | details).items()))


CLEAR = Known(1, Verdict.CLEAR, (), 100.0, True, 12.0)


@pytest.mark.parametrize(
    ("corrected", "known", "expected"),
    [
        ({}, CLEAR, None),
        # A rule that turned up as corrected, and one that did not.
        (
            {"rules": "outside_window:nozzle", "verdict": "quarantine"},
            CLEAR._replace(verdict=Verdict.REVIEW, rules=((PartRule.AFTER_IDLE, ""),)),
            ("quarantine", "after_idle,outside_window:nozzle", 100.0, True),
        ),
        # A verdict never becomes better, and unknown is worse than a note.
        ({}, CLEAR._replace(verdict=Verdict.QUARANTINE, rules=OUTSIDE), None),
        (
            {"rules": "near_edge:nozzle"},
            CLEAR._replace(verdict=Verdict.UNKNOWN, rules=((PartRule.BLIND, "nozzle"),)),
            ("unknown", "blind:nozzle,near_edge:nozzle", 100.0, True),
        ),
        (
            {"rules": "over_ceiling:nozzle"},
            CLEAR._replace(verdict=Verdict.UNKNOWN, rules=((PartRule.BLIND, "nozzle"),)),
            ("quarantine", "blind:nozzle,over_ceiling:nozzle", 100.0, True),
        ),
        # Near the edge says nothing more of what is outside.
        (
            {"rules": "near_edge:nozzle"},
            CLEAR._replace(verdict=Verdict.QUARANTINE, rules=OUTSIDE),
            None,
        ),
        # Only what a temperature of the zone decides.
        ({"rules": "outside_window:hose,doubted_charge,unknown_age,uncounted"}, CLEAR, None),
        (
            {"rules": "before_ready:nozzle", "is_ready": False},
            CLEAR,
            ("quarantine", "before_ready:nozzle", 100.0, False),
        ),
        ({"rules": "spent_charge"}, CLEAR, ("review", "spent_charge", 100.0, True)),
        # Ages: the higher one, and a trifle is none.
        ({"age_s": 106.0}, CLEAR, None),
        ({"age_s": 106.1}, CLEAR, ("clear", "", 106.1, True)),
        ({"age_s": 90.0, "rules": "spent_charge"}, CLEAR, ("review", "spent_charge", 100.0, True)),
        ({"age_s": 300.0}, CLEAR._replace(age_s=None), None),
        ({"age_s": None}, CLEAR, None),
    ],
)
def test_a_part_gets_the_worse_of_both(
    corrected: dict[str, Any], known: Known, expected: tuple[str, str, float, bool] | None
) -> None:
    """Verdict, rules, age and readiness, each from the judgement in which it is worse."""
    plan = cell(syringe(), zone(material=AGEING), parts=PARTS).parts
    event = judged_again(_part(**corrected), known, "nozzle", plan)
    if expected is None:
        assert event is None
        return
    assert event is not None
    names = ("verdict", "rules", "age_s", "is_ready")
    assert tuple(event.detail(name) for name in names) == expected
    assert event.detail("joined_s") == 12.0
    assert event.detail("because") == "check"
    age_s = event.detail("age_s")
    assert isinstance(age_s, float)
    assert event.detail("life_used") == age_s / POT_LIFE_S


def test_a_check_of_a_zone_that_only_some_runs_have_corrects_those(tmp_path: Path) -> None:
    """Runs without the zone are judged as they were read."""
    path = tmp_path / "ledger"
    temps: dict[str, Cells] = {TEMPERATURE: 118.0, HOSE: 111.0}
    record(path, NOZZLE, [made({TEMPERATURE: 118.0}, seconds=100)], config="0")
    rest = made(temps, seconds=100, start_s=100)
    check = checked(199.5, true_c=108.0, read_c=111.0, target="hose")
    record(path, WITH_HOSE, [rest, check], config="1")
    found = judge_again(path, NOZZLE, WITH_HOSE)
    assert first_of(found.events) == list(range(11, 21))
    assert found.parts == 20
