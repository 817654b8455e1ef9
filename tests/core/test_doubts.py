"""What findings say against parts: of which causes, since when, until when, of which parts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.test_diagnosis import AT_S, GAP, LATEST, NOZZLE, PLAN, WATCHED, sets, story
from support.cells import AGEING, cell, entry, instant, of_kind, run, second, syringe, zone
from support.strategies import cut, only
from watchedpot.core import engine
from watchedpot.core.doubts import LATER, RULES, Doubt, begun, doubted, doubts_of, evidence
from watchedpot.core.findings import Finding, Subject, Suspicion, opened
from watchedpot.core.judging import LOOKED_BACK, LOOKED_BACK_NS
from watchedpot.core.model import Block, Check, Detail, EntryKind, Event, EventKind
from watchedpot.core.parts import plan_parts, rules_of
from watchedpot.core.rules import (
    CellRules,
    ChargeRules,
    FinRules,
    PartRule,
    PartRules,
    TipRules,
    Verdict,
)
from watchedpot.core.snapshot import Candidate, Cause, Severity
from watchedpot.core.units import NANO

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=8)
TIP = TipRules(low_c=110.0, offset_k=5.0)
PLAIN = plan_parts(CellRules("lens_4", (zone(tip=TIP),)))
ONSET_S = 90.0


def finding(cause: Cause, severity: Severity = Severity.HOLD, **changes: Any) -> Finding:
    """A finding of the nozzle, told ten seconds after its onset."""
    suspicion = Suspicion(
        Subject.HEAT,
        ("nozzle",),
        (Candidate(cause, 0.7),),
        severity,
        instant(ONSET_S).mono_ns,
        "",
        (),
        extra_percent=80,
    )
    return replace(opened(suspicion, 3, instant(ONSET_S + 10.0)), **changes)


def doubt(cause: Cause = Cause.SENSOR_LOW, **changes: Any) -> Doubt:
    """What a finding of a cause says."""
    (one,) = doubts_of([finding(cause)], "lens_4")
    return one._replace(**changes)


def part(at_s: float = 100.0, rules: str = "", **details: Detail) -> Event:
    """A part that was judged by its readings: a nozzle of 118 degC."""
    usual: dict[str, Detail] = {
        "first": 7,
        "last": 7,
        "verdict": "clear",
        "rules": rules,
        "because": "",
        "nozzle_min_c": 118.0,
    }
    told = tuple((usual | details).items())
    return Event(EventKind.PART_MADE, instant(at_s), "lens_4", "", told)


@pytest.mark.parametrize("cause", list(Cause))
def test_a_note_doubts_nothing_but_a_draft(cause: Cause) -> None:
    """A draft is never more than a note and leaves the tip cold all the same (process notes)."""
    noted = doubts_of([finding(cause, Severity.NOTE)], "lens_4")
    assert bool(noted) == (cause is Cause.DRAFT)
    told = doubts_of([finding(cause, Severity.SOON)], "lens_4")
    assert [one.rule for one in told] == ([RULES[cause]] if cause in RULES else [])


def test_causes_that_leave_the_reading_true_and_the_heat_held_doubt_nothing() -> None:
    """The loop is well: what the window says of a part stands."""
    well = {Cause.OVERSHOOT, Cause.HANDLING, Cause.SETBACK, Cause.SUPPLY_LOW, Cause.PART_OF_HEAT}
    lost = {Cause.LINK, Cause.SENSOR_BREAK, Cause.PLC_RESTART}  # told by what was not seen
    assert (well | lost) & RULES.keys() == set()


@pytest.mark.parametrize(
    ("cause", "verdict"),
    [
        (Cause.SENSOR_LOW, "unknown"),
        (Cause.FROZEN_AT_CONTROLLER, "unknown"),
        (Cause.FROZEN_IN_DATA, "unknown"),
        (Cause.SCALE_OR_UNIT, "unknown"),
        (Cause.ZONES_CROSSED, "unknown"),
        (Cause.SENSOR_SLIPPED, "review"),
        (Cause.NO_HEAT, "clear_with_note"),
        (Cause.ALL_HEAT_LOST, "clear_with_note"),
        (Cause.STUCK_ON, "clear_with_note"),
        (Cause.DRAFT, "review"),
    ],
)
def test_what_a_cause_concludes_of_a_clear_part(cause: Cause, verdict: str) -> None:
    """No data is unknown, a slip is reviewed until checked, a true reading in its window is noted.

    Source: parts of the scenarios in the process notes.
    """
    again = doubted(part(), [doubt(cause)], LATER, PLAIN)
    assert again is not None
    assert (again.detail("verdict"), again.detail("because")) == (verdict, "found later")
    assert again.detail("findings") == f"lens_4/3 {cause.value}"
    assert rules_of(str(again.detail("rules"))) == ((RULES[cause], "nozzle"),)


def test_a_part_that_ended_before_the_onset_is_not_meant() -> None:
    """The onset counts, not the telling."""
    assert doubted(part(ONSET_S - 1.0), [doubt()], LATER, PLAIN) is None
    assert doubted(part(ONSET_S), [doubt()], LATER, PLAIN) is not None


def test_a_slip_that_was_checked_doubts_no_more() -> None:
    """Whether the check failed is told by the check; what still shows otherwise goes on."""
    slipped = finding(Cause.SENSOR_SLIPPED, is_confirmed=True)
    frozen = finding(Cause.FROZEN_AT_CONTROLLER, is_confirmed=True)
    assert [one.cause for one in doubts_of([slipped, frozen], "lens_4")] == [frozen.cause]


def test_what_a_finding_says_is_said_once() -> None:
    """Of one rule and zone; another rule adds its finding to those before."""
    once = doubted(part(), [doubt()], "", PLAIN)
    assert once is not None
    assert once.detail("because") == ""
    assert doubted(once, [doubt(finding="lens_4/9")], LATER, PLAIN) is None
    twice = doubted(once, [doubt(Cause.NO_HEAT, finding="lens_4/9")], LATER, PLAIN)
    assert twice is not None
    assert twice.detail("findings") == "lens_4/3 sensor_low, lens_4/9 no_heat"
    assert twice.detail("verdict") == "unknown"


def test_a_rule_that_is_turned_off_doubts_nothing() -> None:
    """The configuration may say that a finding holds no part back."""
    off = PartRules(verdicts=((PartRule.UNTRUE_READING, Verdict.CLEAR),))
    told = plan_parts(CellRules("lens_4", (zone(),), judging=off))
    assert doubted(part(), [doubt()], LATER, told) is None


def test_zones_that_a_cell_does_not_have_are_passed_over() -> None:
    """After another configuration a finding may still name one."""
    assert doubted(part(), [doubt(zones=("hose",))], LATER, PLAIN) is None


@pytest.mark.parametrize(
    ("extra_percent", "is_cold"),
    [(0, False), (10, False), (20, True)],
)
def test_a_draft_takes_from_the_tip_in_proportion(extra_percent: int, *, is_cold: bool) -> None:
    """At 113 degC, 5 +- 1.5 K below its block: by a fifth more at 112 +- 1.8, and 110.5 counts.

    Source: a short fin, whose share grows in proportion to its loss (one-dimensional fin equation).
    """
    again = doubted(part(), [doubt(Cause.DRAFT, extra_percent=extra_percent)], LATER, PLAIN)
    assert (again is not None) == is_cold


@pytest.mark.parametrize(("extra_percent", "is_cold"), [(30, False), (100, True)])
def test_a_tip_told_by_its_geometry_is_less_certain_in_a_draft(
    extra_percent: int, *, is_cold: bool
) -> None:
    """Without flow it is 3.8 +- 0.9 K below its block, with 30 % more loss 5 +- 1.2 K.

    Source: (1 - 1/cosh(m L)) x 92 K of the fin, m L = 0.2929 at 16.5 W/(m2 K): 3.81 K, and 2.88 K
    at a quarter less of that coefficient, worked out apart from the daemon.
    """
    fin = FinRules(length_m=7e-3, outer_m=2.5e-3, bore_m=0.6e-3, film_w_per_m2_k=16.5)
    told = plan_parts(CellRules("lens_4", (zone(tip=TipRules(low_c=109.0, fin=fin)),)))
    assert told.limits[0].tip_still_mk == pytest.approx(3810, abs=5)
    assert told.limits[0].tip_spread_mk == pytest.approx(928, abs=5)
    again = doubted(part(), [doubt(Cause.DRAFT, extra_percent=extra_percent)], LATER, told)
    assert (again is not None) == is_cold


def test_where_no_tip_is_known_a_draft_says_nothing() -> None:
    """Neither without a limit of the tip, nor of a part whose block was not seen."""
    bare = plan_parts(CellRules("lens_4", (zone(),)))
    strong = doubt(Cause.DRAFT, extra_percent=200)
    assert doubted(part(), [strong], LATER, bare) is None
    assert doubted(part(nozzle_min_c=None), [strong], LATER, PLAIN) is None


def test_a_doubt_begins_where_it_becomes_wider() -> None:
    """Another zone or an earlier onset is news, another figure is none."""
    one = doubt(Cause.DRAFT)
    assert begun([], [one]) == [one]
    assert begun([one], [one._replace(extra_percent=10)]) == []
    wider = one._replace(zones=("nozzle", "hose"))
    assert begun([one], [wider]) == [wider]
    assert begun([one], []) == []


def test_the_evidence_is_told_by_rule() -> None:
    """Each rule names its own findings; words of another version are passed over."""
    text = "lens_4/3 sensor_low, lens_4/4 no_heat, lens_4/5 frozen_in_data, lens_4/6 gremlins"
    told = "finding lens_4/3, sensor low; finding lens_4/5, frozen in data"
    assert evidence(text, PartRule.UNTRUE_READING) == told
    assert evidence(text, PartRule.TIP_IN_DRAFT) == evidence("", PartRule.BLIND) == ""


def made(events: Sequence[Event]) -> list[Event]:
    """Judgements of parts."""
    return of_kind(events, EventKind.PART_MADE)


def newest(events: Sequence[Event]) -> dict[int, Event]:
    """The newest judgement of each part, by when it was counted after what happened. [s]."""
    return {round(second(event) - AT_S): event for event in made(events)}


HELD: Mapping[str, str] = {
    "the sensor slips": "review",
    "the input freezes": "unknown",
    "the served reading freezes": "unknown",
}


@pytest.mark.parametrize("title", HELD)
def test_every_part_since_the_onset_is_held(title: str) -> None:
    """Also those that were judged clear before it was told; those before the onset stay clear."""
    _, events = run(PLAN, story(LATEST[title][0], 300))
    verdicts = {at_s: e.detail("verdict") for at_s, e in newest(events).items()}
    assert {verdict for at_s, verdict in verdicts.items() if -200 < at_s < -5} == {"clear"}
    assert {verdict for at_s, verdict in verdicts.items() if at_s > 5} == {HELD[title]}
    again = [event for event in made(events) if event.detail("because") == LATER]
    assert again
    assert all(event.detail("findings") for event in again)


def test_a_dead_heater_leaves_a_note_until_the_window_decides() -> None:
    """Parts in the window get a note, those outside of it are quarantined (process notes)."""
    _, events = run(PLAN, story(LATEST["the nozzle heater opens"][0], 120))
    verdicts = [e.detail("verdict") for at_s, e in newest(events).items() if at_s > 5]
    assert verdicts == [*["clear_with_note"] * 2, *["quarantine"] * (len(verdicts) - 2)]


def test_the_finding_comes_before_what_it_says() -> None:
    """In the order of the record, with the row that told it."""
    _, events = run(PLAN, story(LATEST["the input freezes"][0], 200))
    first = next(event for event in made(events) if event.detail("because") == LATER)
    told = of_kind(events, EventKind.FINDING_OPENED)[0]
    assert events.index(told) < events.index(first)
    assert str(first.detail("findings")).startswith(str(told.detail("finding")))


def test_parts_after_the_end_of_a_finding_are_clear() -> None:
    """Once the reading has lived again for long enough."""
    moved = {
        0: sets("nozzle", is_shown_frozen=True),
        150: sets("nozzle", is_shown_frozen=False),
    }
    _, events = run(PLAN, story(moved, 500))
    (ended,) = of_kind(events, EventKind.FINDING_ENDED)
    end_s = second(ended) - AT_S
    after = [e.detail("verdict") for at_s, e in newest(events).items() if at_s > end_s]
    assert after
    assert set(after) == {"clear"}


def test_a_reference_check_ends_the_doubt_about_a_slip() -> None:
    """Parts that come after it are clear, and those before it stay held."""
    slipped = story(LATEST["the sensor slips"][0], 300)
    middle = AT_S + 200
    said = replace(
        entry(EntryKind.CHECK, "lens_4/nozzle", at_s=float(middle)),
        check=Check(true_c=115.2, read_c=115.0),
    )
    state, events = run(PLAN, slipped.rows(0, middle))
    state, _ = run(PLAN, said, state=state)
    _, more = run(PLAN, slipped.rows(middle, len(slipped)), state=state)
    assert {e.detail("verdict") for at_s, e in newest(events).items() if at_s > 5} == {"review"}
    assert {e.detail("verdict") for e in made(more)} == {"clear"}


def test_no_more_parts_are_looked_back_at_than_are_kept() -> None:
    """Their number and their age are bounded, whatever the onset."""
    quick = {"dispensing": lambda s: float(s % 5 < 2), "parts": lambda s: float(s // 5)}
    state, _ = run(PLAN, story({}, 300, signals=quick))
    assert len(state.parts.recent) == LOOKED_BACK
    slow = {"dispensing": lambda s: float(s % 50 < 8), "parts": lambda s: float(s // 50)}
    state, _ = run(PLAN, story({}, 800, signals=slow))
    ages_ns = [state.parts.recent[-1].at.mono_ns - e.at.mono_ns for e in state.parts.recent]
    assert max(ages_ns) == LOOKED_BACK_NS
    off = engine.plan_cell(replace(PLAN.rules, finds_causes=False))
    state, events = run(off, story(LATEST["the sensor slips"][0], 100))
    assert len(state.parts.recent) == 1
    assert {name for e in made(events) for name, _ in e.details} & {"findings"} == set()


TIPPED = cell(
    replace(NOZZLE, tip=TipRules(low_c=105.0, offset_k=5.0)), PLAN.rules.zones[1], **WATCHED
)


@pytest.mark.parametrize(("loss", "verdict"), [(1.3, "clear"), (1.75, "review")])
def test_a_strong_draft_holds_parts_and_a_mild_one_does_not(loss: float, verdict: str) -> None:
    """With loss x 1.3 the tip is 6.5 +- 2 K below its block of 115 degC, with x 1.75 8.8 +- 2.6 K.

    Source: the same proportion, of a block that the loop holds; 105.5 degC counts.
    """
    _, events = run(TIPPED, story({0: sets("nozzle", loss=loss)}, 400))
    assert Cause.DRAFT in {e.detail("cause") for e in of_kind(events, EventKind.FINDING_OPENED)}
    late = [e.detail("verdict") for at_s, e in newest(events).items() if at_s > 200]
    assert set(late) == {verdict}


@pytest.mark.parametrize("title", ["the sensor slips", "the input freezes", "a door opens"])
@SAME
@given(data=st.data())
def test_cutting_a_series_changes_no_doubt(title: str, data: st.DataObject) -> None:
    """P2: any pieces give the same judgements in the same order, and the same state."""
    whole = story(LATEST[title][0], 130)
    pieces = data.draw(cut(whole))
    state, events = run(TIPPED, whole)
    again, pieced = run(TIPPED, *pieces)
    assert list(map(repr, pieced)) == list(map(repr, events))
    assert again == state


HELD_S = 40.0
"""Dispensing time in which the melt of the nozzle is used up; eight seconds of twenty flow. [s]"""

FLOW_KG_PER_S, DENSITY_KG_PER_M3 = 1e-5, 1100.0
FED = cell(
    syringe(soak=None, **GAP),
    replace(NOZZLE, material=AGEING, hold_up_m3=HELD_S * FLOW_KG_PER_S / DENSITY_KG_PER_M3),
    charge=ChargeRules(flow_kg_per_s=FLOW_KG_PER_S, start_age_s=0.0),
    **WATCHED,
)
STOOD = {
    0: sets("syringe", is_shown_frozen=True),
    150: sets("syringe", is_shown_frozen=False),
}
"""A reading of the reservoir that stands still for two and a half minutes."""


def of_melt(events: Sequence[Event]) -> dict[int, bool]:
    """Whether the melt of each part is doubted, by when it was counted after what happened. [s]."""
    pair = (PartRule.UNTRUE_READING, "syringe")
    return {
        at_s: pair in rules_of(str(event.detail("rules"))) for at_s, event in newest(events).items()
    }


def test_melt_of_a_doubted_reservoir_is_doubted_when_it_arrives() -> None:
    """From half of the mean residence time on until three of them after the end of the finding.

    Source: laminar flow in a tube, whose fastest melt moves at twice the mean speed (Levenspiel,
    from memory), by dispensing time.
    """
    _, events = run(FED, story(STOOD, 900))
    (ended,) = of_kind(events, EventKind.FINDING_ENDED)
    end_s, wall_per_flow = second(ended) - AT_S, 20.0 / 8.0
    told = of_melt(events)
    first_s, last_s = 0.5 * HELD_S, end_s + 3.0 * HELD_S * wall_per_flow
    assert not any(is_doubted for at_s, is_doubted in told.items() if at_s < first_s)
    must_s = 0.5 * HELD_S * wall_per_flow + 20.0
    sure = [is_doubted for at_s, is_doubted in told.items() if must_s < at_s < last_s - 20.0]
    assert len(sure) > 15
    assert all(sure)
    # A slug is an eighth of the residence time that is followed, and all of it counts.
    late = [is_doubted for at_s, is_doubted in told.items() if at_s > last_s + 60.0]
    assert late
    assert not any(late)


def test_melt_that_is_doubted_names_the_finding_while_it_lasts() -> None:
    """When the finding is over the rule stands alone."""
    _, events = run(FED, story(STOOD, 400))
    (ended,) = of_kind(events, EventKind.FINDING_ENDED)
    for event in made(events):
        if (PartRule.UNTRUE_READING, "syringe") in rules_of(str(event.detail("rules"))):
            is_open = second(event) < second(ended)
            assert (event.detail("findings") == "lens_4/1 frozen_in_data") == is_open


@SAME
@given(data=st.data())
def test_cutting_a_series_changes_no_melt_on_its_way(data: st.DataObject) -> None:
    """P2: marks on melt are the same however the rows come."""
    whole = story(STOOD, 260)
    pieces = data.draw(cut(whole))
    state, events = run(FED, whole)
    again, pieced = run(FED, *pieces)
    assert any(of_melt(events).values())
    assert list(map(repr, pieced)) == list(map(repr, events))
    assert again == state


@pytest.mark.parametrize("flows_s", [7, 8])
def test_row_by_row_is_the_same_as_at_once(flows_s: int) -> None:
    """P2: live operation, a row a step, and a part that is broken off before it is told."""
    signals = {
        "dispensing": lambda s: float(s % 20 < flows_s and s < AT_S + 110),
        "parts": lambda s: float((min(s, AT_S + 99) + 2) // 20),
    }
    # Told while melt stands and a slug is half full, and over before it flows again.
    later = {at_s + 20: happening for at_s, happening in STOOD.items()}
    whole = story(later, 260, signals=signals)
    before, _ = run(FED, whole.rows(0, AT_S + 60))
    state, events = run(FED, whole.rows(AT_S + 60, len(whole)), state=before)
    rows = (whole.rows(n, n + 1) for n in range(AT_S + 60, len(whole)))
    again, pieced = run(FED, *rows, state=before)
    assert list(map(repr, pieced)) == list(map(repr, events))
    assert again == state


def test_a_counter_of_another_source_is_judged_by_the_same_findings() -> None:
    """The parts that one controller counts are doubted by what another one shows of the heat."""
    whole = story(LATEST["the input freezes"][0], 130)
    of_parts = ["lens_4/parts", "lens_4/dispensing"]
    rest = [name for name in whole.channels if name not in of_parts]
    rows = [
        only(whole.rows(n, n + 10), names, source)
        for n in range(0, len(whole), 10)
        for names, source in ((rest, "heat"), (of_parts, "plc"))
    ]
    _, events = run(PLAN, *shifted(rows))
    again = [event for event in made(events) if event.detail("because") == LATER]
    assert len(again) >= 3
    assert {e.detail("verdict") for at_s, e in newest(events).items() if at_s > 5} == {"unknown"}


def shifted(rows: Sequence[Block]) -> list[Block]:
    """Rows of the second source half a second after those of the first."""
    half_ns = NANO // 2
    return [
        replace(row, mono_ns=row.mono_ns + half_ns, seen_ns=row.seen_ns + half_ns)
        if row.source == "plc"
        else row
        for row in rows
    ]
