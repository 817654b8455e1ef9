"""What the diagnosis is given of a cell, and what the outputs are given of the diagnosis."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core.test_diagnosis import (
    AT_S,
    GAP,
    LATEST,
    NOZZLE,
    PLAN,
    SIGNALS,
    WATCHED,
    sets,
    story,
    told,
)
from support.cells import (
    COLD,
    MATERIAL,
    OUTPUT,
    alarm,
    cell,
    entry,
    instant,
    of_kind,
    run,
    second,
    syringe,
    zone,
)
from support.strategies import only
from support.traces import nozzle_lump, traced
from watchedpot.core import engine, inquiry
from watchedpot.core.model import Check, EntryKind, Event, EventKind
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import Advice, Cause, Severity, Why
from watchedpot.core.units import NANO

ALARMED = cell(
    zone(alarm(AlarmKind.COLD), output=OUTPUT, **GAP),
    syringe(soak=None, material=MATERIAL, **GAP),
    **WATCHED,
)
DEAD = story(LATEST["the nozzle heater opens"][0], 120)
STANDING = {**SIGNALS, "dispensing": lambda _: 0.0}


def test_the_snapshot_has_what_was_told() -> None:
    """Id, zones, onset, figures and first action are those of the events."""
    state, events = run(PLAN, DEAD)
    shown = engine.snapshot(state, PLAN)
    assert shown is not None
    (finding,) = shown.findings or ()
    last = of_kind(events, EventKind.FINDING_CHANGED)[-1]
    assert finding.id == last.detail("finding") == "lens_4/1"
    assert finding.candidates[0].cause is Cause.NO_HEAT
    assert finding.onset.mono_ns == last.detail("onset_ns")
    assert finding.first_action == last.detail("action")
    assert finding.severity is Severity.HOLD
    assert finding.zones == ("nozzle",)


def test_the_alarm_of_its_zone_belongs_to_it() -> None:
    """The cold alarm that a dead heater raises is named by the finding, once it is on."""
    state, events = run(ALARMED, DEAD)
    found = of_kind(events, EventKind.FINDING_OPENED) + of_kind(events, EventKind.FINDING_CHANGED)
    raised = [e for e in of_kind(events, EventKind.ALARM_CHANGED) if e.detail("input") == "on"]
    assert raised
    for event in found:
        is_raised = second(raised[0]) <= second(event)
        assert event.detail("alarms") == (COLD if is_raised else "")
    shown = engine.snapshot(state, ALARMED)
    assert shown is not None
    (named,) = shown.findings or ()
    assert named.alarms == (COLD,)


@pytest.mark.parametrize(
    ("title", "advice", "why"),
    [
        ("the nozzle heater opens", Advice.HOLD, Why.NO_HEAT),
        ("the sensor falls out", Advice.CUT_HEAT, Why.READS_LOW),
        ("the nozzle relay welds", Advice.CUT_HEAT, Why.HEAT_RUNS_ON),
        ("the sensor slips", Advice.CHECK_SENSOR, Why.READING_DOUBTED),
    ],
)
def test_a_finding_drives_the_advice(title: str, advice: Advice, why: Why) -> None:
    """What is found of a zone is what the cell is advised."""
    plan = cell(replace(NOZZLE, high_c=130.0), PLAN.rules.zones[1], **WATCHED)
    state, _ = run(
        plan, story(LATEST[title][0], 100).rows(0, AT_S + (20 if "relay" in title else 95))
    )
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert (shown.advice.advice, shown.advice.why) == (advice, why)


def test_a_zone_that_will_leave_its_window_says_when() -> None:
    """A dead heater's zone leaves its window within 15 s of the forecast, then says nothing."""
    state, _ = run(PLAN, DEAD.rows(0, AT_S + 30))
    shown = engine.snapshot(state, PLAN)
    assert shown is not None
    leaving = next(zone.leaving for zone in shown.zones if zone.id == "nozzle")
    assert leaving is not None
    place = DEAD.channels.index("lens_4/nozzle/temperature")
    below = [n for n in range(AT_S, len(DEAD)) if DEAD.value[n, place] < 110.0]
    assert AT_S + 30 + leaving.in_s == pytest.approx(below[0], abs=15.0)
    assert leaving.edge == "low"
    assert next(zone.leaving for zone in shown.zones if zone.id == "syringe") is None
    state, _ = run(PLAN, DEAD)
    shown = engine.snapshot(state, PLAN)
    assert shown is not None
    assert next(zone.leaving for zone in shown.zones if zone.id == "nozzle") is None


def test_an_ended_finding_is_still_shown() -> None:
    """What is over stands behind what lasts, with its end and without alarms."""
    moved = {0: sets("nozzle", power=0.0), 120: sets("nozzle", power=1.0)}
    state, _ = run(PLAN, story(moved, 500))
    shown = engine.snapshot(state, PLAN)
    assert shown is not None
    ended = [finding for finding in shown.findings or () if finding.ended is not None]
    assert Cause.NO_HEAT in {finding.candidates[0].cause for finding in ended}
    assert all(finding.alarms == () for finding in ended)


@pytest.mark.parametrize("is_checked", [True, False])
def test_a_reference_check_settles_a_slipped_sensor(is_checked: bool) -> None:
    """After the check the finding ends by itself; another entry does not settle it."""
    slipped = story(LATEST["the sensor slips"][0], 900)
    state, _ = run(PLAN, slipped.rows(0, AT_S + 400))
    at_s = float(AT_S + 400)
    said = entry(EntryKind.NOTE, "lens_4/nozzle", at_s=at_s)
    if is_checked:
        said = replace(said, kind=EntryKind.CHECK, check=Check(true_c=115.2, read_c=115.0))
    state, told_of = run(PLAN, replace(said, at=instant(at_s)), state=state)
    assert of_kind(told_of, EventKind.ENTERED)
    state, events = run(PLAN, slipped.rows(AT_S + 400, len(slipped)), state=state)
    assert bool(of_kind(events, EventKind.FINDING_ENDED)) == is_checked


def test_a_cell_that_does_not_ask_finds_nothing() -> None:
    """Where a cell does without causes nothing is sought, told or shown."""
    plan = cell(*PLAN.rules.zones, **{**WATCHED, "finds_causes": False})
    state, events = run(plan, DEAD)
    assert [event for event in events if event.detail("finding")] == []
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.findings is None
    assert state.diagnosis == engine.start(plan).diagnosis


def test_a_block_without_a_temperature_changes_nothing() -> None:
    """Rows of the cell's own signals alone are nothing to the diagnosis."""
    state, _ = run(PLAN, DEAD)
    signals = only(traced({"nozzle": nozzle_lump()}, 5, {}, signals=SIGNALS), ["lens_4/parts"], "x")
    after, _ = run(PLAN, signals, state=state)
    assert after.diagnosis == state.diagnosis


def test_an_output_of_another_source_is_used() -> None:
    """A heater output that another controller serves counts as if it were of the same."""
    rest = [name for name in DEAD.channels if name != OUTPUT]
    parts = [
        only(DEAD.rows(n, n + 1), names, source)
        for n in range(len(DEAD))
        for names, source in (([OUTPUT], "drive"), (rest, "plc"))
    ]
    _, events = run(PLAN, *parts)
    opened = of_kind(events, EventKind.FINDING_OPENED)
    assert opened
    assert opened[0].detail("not_ruled_out") == ""
    assert "heater at" in str(opened[0].detail("numbers"))
    assert [e.detail("cause") for e in told(DEAD)][-1] == Cause.NO_HEAT


def happened(kind: EventKind, at_s: float, cause: Cause | None = None) -> Event:
    """An event of a finding, or of production."""
    told = (("finding", "lens_4/1"), ("cause", str(cause)), ("onset_ns", round(40 * NANO)))
    return Event(kind, instant(at_s), "lens_4", "syringe", told if cause is not None else ())


OPENED = (2, happened(EventKind.FINDING_OPENED, 50.0, Cause.CHARGE_CHANGE))
CHANGED = (5, happened(EventKind.FINDING_CHANGED, 60.0, Cause.DRAFT))
ENDED = (9, happened(EventKind.FINDING_ENDED, 90.0, Cause.CHARGE_CHANGE))
STARTED = (7, happened(EventKind.PRODUCTION_STARTED, 70.0))


@pytest.mark.parametrize(
    ("filed", "rows"),
    [
        ([OPENED], []),
        ([STARTED], []),
        ([OPENED, STARTED], [7]),
        ([OPENED, ENDED], [9]),
        ([OPENED, STARTED, ENDED], [7, 9]),
        ([OPENED, CHANGED, STARTED], []),
        ([ENDED, STARTED, OPENED], [7, 9]),
    ],
)
def test_a_charge_that_nobody_named_is_asked_for_in_time(
    filed: list[tuple[int, Event]], rows: list[int]
) -> None:
    """When production starts or the finding is over, in whatever order they were filed."""
    state = engine.start(PLAN)
    edges = inquiry.unsaid_charges(state, filed, PLAN)
    assert [edge.row for edge in edges] == rows
    assert {(edge.zone, edge.since_ns) for edge in edges} <= {("syringe", 40 * NANO)}


def test_a_finding_of_the_piece_before_counts() -> None:
    """It was told in one piece, and production starts in the next."""
    fallen = story({0: sets("syringe", extra_w=-60.0)}, 60, signals=STANDING)
    state, events = run(PLAN, fallen)
    (opened,) = of_kind(events, EventKind.FINDING_OPENED)
    assert opened.detail("cause") == Cause.CHARGE_CHANGE
    (edge,) = inquiry.unsaid_charges(state, [STARTED], PLAN)
    assert (edge.row, edge.zone) == (7, "syringe")
    assert edge.since_ns == opened.detail("onset_ns")
