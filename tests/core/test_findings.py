"""The finding machine: every stage and move, what changes it and what does not."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from support.cells import instant
from watchedpot.core.findings import (
    MILDER_BINS,
    QUIET_BINS,
    RIVAL_BINS,
    TABLE,
    Finding,
    Move,
    Stage,
    Subject,
    Suspicion,
    finding_event,
    finding_snapshot,
    opened,
    shown,
    unshown,
)
from watchedpot.core.model import EventKind
from watchedpot.core.snapshot import Candidate, Cause, Severity

TOLD = instant(100.0)


def suspicion(
    cause: Cause = Cause.NO_HEAT, severity: Severity = Severity.HOLD, zone: str = "nozzle"
) -> Suspicion:
    """What the rules make of a moment."""
    candidates = (
        Candidate(cause, 0.7, ("it falls",)),
        Candidate(Cause.SENSOR_LOW, 0.2, (), ("the fall matches natural cooling",)),
    )
    onset_ns = instant(90.0).mono_ns
    return Suspicion(Subject.HEAT, (zone,), candidates, severity, onset_ns, "116.2 degC", ())


def finding(cause: Cause = Cause.NO_HEAT, severity: Severity = Severity.HOLD) -> Finding:
    """A finding that was just opened."""
    return opened(suspicion(cause, severity), 3, TOLD)


def test_the_table_is_total() -> None:
    """Every stage has an answer to every move."""
    assert set(TABLE) == set(product(Stage, Move))


@pytest.mark.parametrize("move", Move)
def test_what_is_over_stays_over(move: Move) -> None:
    """Nothing opens an ended finding again: what comes after is another one."""
    assert TABLE[Stage.ENDED, move] is Stage.ENDED


def test_only_quiet_ends_a_finding() -> None:
    """The one way to the end leads from fading through quiet."""
    ways = [pair for pair, stage in TABLE.items() if stage is Stage.ENDED]
    assert [pair for pair in ways if pair[0] is not Stage.ENDED] == [(Stage.FADING, Move.QUIET)]


def test_the_onset_is_on_both_clocks() -> None:
    """It began ten seconds before it was told, by UTC as well."""
    onset = finding().onset
    assert TOLD.mono_ns - onset.mono_ns == TOLD.utc_ns - onset.utc_ns == 10 * 10**9


def test_an_onset_is_never_after_it_was_told() -> None:
    """An onset that seems to lie ahead is that of the telling."""
    late = replace(suspicion(), onset_ns=instant(500.0).mono_ns)
    assert opened(late, 1, TOLD).onset == TOLD


def test_the_same_again_tells_nothing() -> None:
    """What shows as before updates the figures and makes no event."""
    again = replace(suspicion(), numbers="110.0 degC")
    after, kind = shown(finding(), again, 50, instant(120.0))
    assert kind is None
    assert (after.numbers, after.told) == ("110.0 degC", TOLD)


def test_something_worse_is_told_at_once() -> None:
    """A critical cause takes over in the same moment, and its zone comes first."""
    worse = suspicion(Cause.STUCK_ON, Severity.CRITICAL, zone="syringe")
    both = replace(worse, zones=("syringe", "nozzle"))
    after, kind = shown(finding(), both, 50, instant(120.0))
    assert kind is EventKind.FINDING_CHANGED
    assert (after.cause, after.severity) == (Cause.STUCK_ON, Severity.CRITICAL)
    assert after.zones == ("syringe", "nozzle")
    assert after.onset == finding().onset


@pytest.mark.parametrize(
    ("severity", "patience"), [(Severity.HOLD, RIVAL_BINS), (Severity.NOTE, MILDER_BINS)]
)
def test_another_cause_has_to_last(severity: Severity, patience: int) -> None:
    """Another cause that is no worse is told after it has led for long enough."""
    other, one = suspicion(Cause.PART_OF_HEAT, severity), finding()
    for index in range(patience):
        one, kind = shown(one, other, 1000 + index, instant(120.0))
        assert (kind, one.cause) == (None, Cause.NO_HEAT)
    one, kind = shown(one, other, 1000 + patience, instant(140.0))
    assert (kind, one.cause) == (EventKind.FINDING_CHANGED, Cause.PART_OF_HEAT)


def test_two_causes_that_take_turns_change_nothing() -> None:
    """A rival that is gone in between begins to wait anew."""
    one, other = finding(), suspicion(Cause.PART_OF_HEAT)
    for index in range(0, 60, 2):
        one, kind = shown(one, other, index, TOLD)
        assert kind is None
        one, kind = shown(one, suspicion(), index + 1, TOLD)
        assert kind is None


def test_it_ends_after_quiet_that_was_seen() -> None:
    """Blind moments do not count, a sign of it starts the count anew."""
    one, needed = finding(), QUIET_BINS[Subject.HEAT]
    for _ in range(needed - 1):
        one, kind = unshown(one, TOLD, is_blind=False, is_off=False)
        assert kind is None
    for _ in range(1000):
        one, kind = unshown(one, TOLD, is_blind=True, is_off=False)
        assert kind is None
    assert one.stage is Stage.FADING
    back, _ = shown(one, suspicion(), 5, TOLD)
    assert (back.stage, back.quiet) == (Stage.OPEN, 0)
    over, kind = unshown(one, instant(300.0), is_blind=False, is_off=False)
    assert kind is EventKind.FINDING_ENDED
    assert (over.stage, over.ended) == (Stage.ENDED, instant(300.0))


@pytest.mark.parametrize("how", ["checked", "off"])
@pytest.mark.parametrize(
    ("cause", "severity"),
    [(Cause.SENSOR_SLIPPED, Severity.SOON), (Cause.SENSOR_LOW, Severity.CRITICAL)],
)
def test_a_sensor_without_contact_waits_for_a_check(
    cause: Cause, severity: Severity, how: str
) -> None:
    """It does not fade until somebody has checked it, or its zone is off."""
    one = finding(cause, severity)
    for _ in range(500):
        one, kind = unshown(one, TOLD, is_blind=False, is_off=False)
        assert kind is None
    assert one.stage is Stage.OPEN
    checked = replace(one, is_confirmed=how == "checked")
    after, _ = unshown(checked, TOLD, is_blind=False, is_off=how == "off")
    assert after.stage is Stage.FADING


def test_a_sensor_that_is_put_back_needs_no_check() -> None:
    """A reading that fell out and leaps back fades as others do; one that slipped does not."""
    quiet = {"is_blind": False, "is_off": False}
    fallen = finding(Cause.SENSOR_LOW, Severity.CRITICAL)
    back, _ = unshown(fallen, TOLD, is_put_back=True, **quiet)
    assert back.stage is Stage.FADING
    after, _ = unshown(back, TOLD, **quiet)
    assert (after.stage, after.quiet) == (Stage.FADING, 2)
    slipped = finding(Cause.SENSOR_SLIPPED, Severity.SOON)
    assert unshown(slipped, TOLD, is_put_back=True, **quiet)[0].stage is Stage.OPEN


@pytest.mark.parametrize(
    ("cause", "severity", "other"),
    [
        (Cause.SENSOR_LOW, Severity.CRITICAL, suspicion(Cause.NO_HEAT, Severity.HOLD)),
        (Cause.SENSOR_SLIPPED, Severity.SOON, suspicion(Cause.DRAFT, Severity.NOTE)),
        (Cause.ZONES_CROSSED, Severity.CRITICAL, suspicion(Cause.NO_HEAT, Severity.HOLD)),
        (Cause.ZONES_CROSSED, Severity.CRITICAL, suspicion(Cause.STUCK_ON, Severity.CRITICAL)),
    ],
)
def test_what_does_not_heal_gives_way_to_nothing_milder(
    cause: Cause, severity: Severity, other: Suspicion
) -> None:
    """A slipped sensor gives way to no draft, exchanged ones to no half of their swing."""
    one = finding(cause, severity)
    for index in range(4 * MILDER_BINS):
        one, kind = shown(one, other, index, TOLD)
        assert (kind, one.cause) == (None, cause)
    checked = replace(one, is_confirmed=True)
    for index in range(4 * MILDER_BINS):
        checked, kind = shown(checked, other, index, TOLD)
        if kind is not None:
            break
    assert checked.cause is other.cause


def test_a_slipped_sensor_gives_way_to_what_is_worse() -> None:
    """A relay that welds on a zone whose sensor has slipped is told at once."""
    worse = suspicion(Cause.STUCK_ON, Severity.CRITICAL)
    after, kind = shown(finding(Cause.SENSOR_SLIPPED, Severity.SOON), worse, 50, TOLD)
    assert (kind, after.cause) == (EventKind.FINDING_CHANGED, Cause.STUCK_ON)


def test_an_event_tells_all_of_it_in_order() -> None:
    """The details of an event stand in the order in which readers rely on them."""
    event = finding_event(
        finding(), EventKind.FINDING_OPENED, TOLD, cell="lens_4", alarms=("a", "b"), action="Hold"
    )
    assert [name for name, _ in event.details] == [
        *("finding", "cause", "certainty", "severity", "onset_ns", "onset_utc_ns", "zones"),
        *("alarms", "numbers", "speaks_for", "others", "against", "not_ruled_out", "action"),
    ]
    assert event.detail("finding") == "lens_4/3"
    assert event.detail("certainty") == 0.7
    assert event.detail("others") == "sensor_low 0.20"
    assert event.detail("against") == "not sensor low: the fall matches natural cooling"
    assert event.detail("alarms") == "a, b"
    assert (event.cell, event.zone, event.at) == ("lens_4", "nozzle", TOLD)


def test_the_end_tells_how_long_it_lasted() -> None:
    """The last event has the time from the onset on."""
    event = finding_event(
        finding(), EventKind.FINDING_ENDED, instant(150.0), cell="lens_4", alarms=(), action=""
    )
    assert event.details[-1] == ("lasted_s", 60.0)


def test_a_cause_of_the_whole_cell_names_no_zone() -> None:
    """All heat lost is about the cell, not about the zone that shows it most."""
    one = finding(Cause.ALL_HEAT_LOST)
    event = finding_event(one, EventKind.FINDING_OPENED, TOLD, cell="lens_4", alarms=(), action="")
    assert event.zone == ""


@pytest.mark.parametrize("is_listed", [True, False])
def test_what_was_told_comes_first(is_listed: bool) -> None:
    """While a rival leads, event and snapshot still put the told cause first."""
    rival = Candidate(Cause.DRAFT, 0.6)
    told = Candidate(Cause.NO_HEAT, 0.3)
    one = replace(finding(), candidates=(rival, told) if is_listed else (rival,))
    event = finding_event(one, EventKind.FINDING_CHANGED, TOLD, cell="lens_4", alarms=(), action="")
    assert event.detail("cause") == Cause.NO_HEAT
    assert "draft" in str(event.detail("others"))
    shot = finding_snapshot(one, cell="lens_4", alarms=(), action="Hold")
    assert shot.candidates[0] == (told if is_listed else rival)
    assert (shot.id, shot.first_action) == ("lens_4/3", "Hold")
