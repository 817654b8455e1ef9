"""Alarms for people."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outputs.samples import make_alarm
from outputs.web.asking import at, make_cell, make_snapshot
from watchedpot.core.model import Mark
from watchedpot.core.rules import AlarmKind, Priority
from watchedpot.core.snapshot import AlarmSnapshot, AlarmState, Snapshot
from watchedpot.outputs.alarm_words import title
from watchedpot.outputs.report.performance import Activation, Marking, performance
from watchedpot.outputs.web import alarms
from watchedpot.outputs.web.alarms import SuspectsSince, alarm, is_standing


def make(kind: AlarmKind, *, stage: int = 1, zone: str = "nozzle") -> AlarmSnapshot:
    """An alarm of that kind."""
    return make_alarm("lens_4", zone, kind, AlarmState.UNACKNOWLEDGED, stage=stage, raised=1)


def test_an_alarm_is_told_with_all_that_it_asks_of_a_person() -> None:
    """Its title is the one that every output has."""
    one = make(AlarmKind.COLD)
    told = alarm(one, None)
    assert told.title == title(one) == "nozzle is too cold"
    assert (told.id, told.kind, told.state) == ("lens_4/nozzle/cold", "cold", "unacknowledged")
    assert (told.cause, told.consequence, told.response) == (
        "no heat reaches the nozzle",
        "parts with too little adhesive",
        "hold dispensing and check the heater",
    )
    assert (told.priority, told.time_to_respond_s, told.raised) == ("high", 60.0, 1)


@pytest.mark.parametrize("state", AlarmState)
def test_an_alarm_stands_in_any_state_but_normal(state: AlarmState) -> None:
    """Put aside are the shelved, the suppressed and those out of service."""
    one = replace(make(AlarmKind.COLD), state=state)
    assert is_standing(one) is (state is not AlarmState.NORMAL)
    aside = {"shelved", "suppressed_by_design", "out_of_service"}
    assert alarm(one, None).is_put_aside is (state.value in aside)


def test_who_put_it_aside_and_why_is_told() -> None:
    """And until when, or that it ends with the alarm."""
    shelved = replace(
        make(AlarmKind.COLD),
        state=AlarmState.SHELVED,
        shelved_until=at(3600.0),
        is_one_shot=True,
        by="anna",
        because="heater is being changed",
    )
    told = alarm(shelved, 3)
    assert told.shelved_until == "2025-11-01T13:26:40.000Z"
    assert (told.is_one_shot, told.by, told.because) == (True, "anna", "heater is being changed")
    assert told.parts_since == 3
    nobody = alarm(make(AlarmKind.COLD), None)
    assert (nobody.by, nobody.because, nobody.shelved_until) == (None, None, None)


def shown(raised: int, *judged: int) -> Snapshot:
    """A cell with so many alarms raised and parts judged."""
    one = replace(make(AlarmKind.COLD), raised=raised)
    cell = replace(make_cell("lens_4", newest_s=3599.0), alarms=(one,), judged=judged)
    return replace(make_snapshot(), cells=(cell,))


def test_suspect_parts_are_counted_since_an_alarm_was_raised() -> None:
    """From the state before it; a later raising begins anew; good parts do not count."""
    since = SuspectsSince()
    since.note(shown(0, 10, 0, 1, 1, 1))
    assert since.of("lens_4/nozzle/cold") is None
    since.note(shown(1, 11, 0, 2, 1, 1))
    assert since.of("lens_4/nozzle/cold") == 1
    since.note(shown(1, 15, 0, 2, 2, 3))
    assert since.of("lens_4/nozzle/cold") == 4
    since.note(shown(2, 15, 0, 2, 2, 3))
    assert since.of("lens_4/nozzle/cold") == 0


def test_of_an_alarm_raised_before_this_run_nothing_is_known() -> None:
    """Null is not zero."""
    since = SuspectsSince()
    since.note(shown(3, 10, 0, 1, 1, 1))
    since.note(shown(3, 10, 0, 5, 1, 1))
    assert since.of("lens_4/nozzle/cold") is None
    assert since.of("housing_7/unseen") is None


def test_the_figures_are_those_of_the_report() -> None:
    """One alarm in an hour, acknowledged after 30 s and found real."""
    hour_ns = 3_600_000_000_000
    found = performance(
        [
            Activation(
                "lens_4/nozzle/cold",
                hour_ns + 600_000_000_000,
                Priority.HIGH,
                acknowledged_ns=hour_ns + 630_000_000_000,
            )
        ],
        since_ns=hour_ns,
        until_ns=2 * hour_ns,
        markings=[Marking("lens_4/nozzle/cold", 2 * hour_ns - 1, Mark.REAL)],
    )
    told = alarms.performance(found)
    assert (told.annunciated, told.acknowledged, told.median_s) == (1, 1, 30.0)
    assert told.since == "1970-01-01T01:00:00.000Z"
    assert told.peak_at == "1970-01-01T01:10:00.000Z"
    assert told.priorities["high"] == 1
    assert told.marks == {"real": 1, "expected": 0, "false": 0}
    assert [one.model_dump() for one in told.top] == [{"alarm": "lens_4/nozzle/cold", "times": 1}]
    assert {one.name for one in told.figures} == {one.name for one in found.figures}
