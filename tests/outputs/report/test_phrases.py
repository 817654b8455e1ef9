"""Events in the words and units of a report."""

from __future__ import annotations

from datetime import UTC

import pytest

from outputs.report.sample import NASTY, alarm, entered, event
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.rules import AlarmKind, PartRule, Verdict
from watchedpot.core.snapshot import Activity
from watchedpot.outputs.report import phrases
from watchedpot.outputs.report.phrases import MOST_FLAGS, against, flagged, phrase
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)
IMPERIAL = Style(is_imperial=True, tz=UTC)


def told(kind: EventKind, zone: str = "nozzle", /, **details: Detail) -> str:
    """The phrase of an event."""
    return phrase(event(kind, 0, zone, **details), STYLE)


def test_everything_there_is_has_words() -> None:
    """Rules, verdicts, activities and alarms are all named."""
    assert set(phrases.RULES) == set(PartRule)
    assert set(phrases.VERDICTS) == set(phrases.MEANINGS) == set(Verdict)
    assert set(phrases.ACTIVITIES) == set(Activity)
    assert set(phrases.ALARMS) == {kind.value for kind in AlarmKind}


@pytest.mark.parametrize("kind", list(EventKind))
def test_every_kind_of_event_has_a_phrase(kind: EventKind) -> None:
    """Also one that carries nothing; parts are told by their table alone."""
    if kind is not EventKind.PART_MADE:
        assert phrase(event(kind, 0, "nozzle"), STYLE).strip()


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (event(EventKind.EXCURSION_OPENED, 0, "nozzle", edge="low", limit_c=115.0),
         "nozzle below 115.0 °C"),
        (alarm(0, "on", "normal", "unacknowledged"), "alarm nozzle cold: raised (high), 112.0 °C"),
        (alarm(0, "worse", "acknowledged", "unacknowledged", alarm="hot", stage=2, temp_c=None),
         "alarm nozzle over the material's limit: raised to its worse stage (high)"),
        (alarm(0, "off", "acknowledged", "normal", priority=None, temp_c=None),
         "alarm nozzle cold: normal"),
        (event(EventKind.FINDING_OPENED, 0, "nozzle", cause="no_heat", certainty=0.84,
               zones="nozzle", numbers="108.2 degC and falling 0.09 K/s"),
         "nozzle: no heat (84 %), 108.2 °C and falling 0.09 K/s"),
        (event(EventKind.FINDING_OPENED, 0, cause="supply_low"), "the cell: supply low"),
        (event(EventKind.CHARGE_CHANGED, 0, charge_id="42", how="entered", who="A"),
         "charge 42 loaded by A"),
        (event(EventKind.CHARGE_CHANGED, 0, charge_id=None, how="found"),
         "a charge found in place"),
        (event(EventKind.CHARGE_CHANGED, 0, charge_id="7", how="refill"), "refilled, charge 7"),
        (event(EventKind.CHARGE_STATE_CHANGED, 0, charge_id="7", to="near_limit"),
         "charge 7: near limit"),
        (event(EventKind.CHARGE_OVERHEATED, 0, "nozzle", temp_c=150.0),
         "nozzle: charge overheated, 150.0 °C"),
        (event(EventKind.CHARGE_SUSPECTED, 0, "syringe", drop_k=5.0, duration_s=90.0),
         "syringe cooled by 5.0 K or more for 1 min 30 s, as if another charge had been loaded"),
        (event(EventKind.WIPED, 0, "nozzle", who="A"), "nozzle wiped or purged by A"),
        (event(EventKind.COUNTER_JUMPED, 0, before=150, after=0, what="reset", uncounted=0),
         "part counter reset: 150 to 0"),
        (event(EventKind.COUNTER_JUMPED, 0, before=1, after=9, what="jump", uncounted=3),
         "part counter jump: 1 to 9, 3 parts cannot be attributed"),
        (entered("check", 0, "nozzle", true_c=119.5, read_c=120.1),
         "nozzle reference check: reference 119.5 °C, zone 120.1 °C by Q. Engineer"),
        (entered("disposition", 0, subject="1-2", word="released", why="test"),
         "decision about parts 1-2, released by Q. Engineer: test"),
        (entered("mark_alarm", 0, target="lens_4/nozzle/cold", word="real"),
         "alarm marked, real, lens_4/nozzle/cold by Q. Engineer"),
        (event(EventKind.REJUDGED, 0, "nozzle", error_k=2.0, parts=30, changed=4),
         "nozzle: 30 parts judged again, 4 with another verdict, the check found 2.0 K too high"),
        (event(EventKind.SOURCE_LOST, 0, source="lens_4", problem="no answer"),
         "source lens_4: not read any more, no answer"),
        (event(EventKind.CONFIGURATION_CHANGED, 0, revision="abc"), "configuration abc"),
        (event(EventKind.AIR_MOIST, 0, dew_point_c=-10.0),
         "dispensing air is moist, dew point -10.0 °C"),
        (event(EventKind.AIR_DRY, 0, dew_point_c=-40.0),
         "dispensing air is dry again, dew point -40.0 °C"),
    ],
)  # fmt: skip
def test_an_event_is_told_in_a_phrase(said: Event, expected: str) -> None:
    """Without its time, which stands beside it."""
    assert phrase(said, STYLE) == expected


def test_a_phrase_has_the_units_of_the_report() -> None:
    """Imperial differences have no offset."""
    opened = event(EventKind.EXCURSION_OPENED, 0, "nozzle", edge="high", limit_c=126.0)
    assert phrase(opened, IMPERIAL) == "nozzle above 258.8 °F"
    dipped = event(EventKind.CHARGE_SUSPECTED, 0, "syringe", drop_k=5.0, duration_s=90.0)
    assert "9.0 °F or more" in phrase(dipped, IMPERIAL)


def test_words_of_others_stay_on_one_line() -> None:
    """A note with line breaks and control characters."""
    said = entered("note", 0, why=f"a\n{NASTY}\x1b[2J", who="x\ty")
    assert "\n" not in phrase(said, STYLE)
    assert "\x1b" not in phrase(said, STYLE)
    assert told(EventKind.ENTERED, entry="note", why="w", who="p") == "note by p: w"


def test_reasons_name_their_zones() -> None:
    """Rules of the cell have none."""
    pairs = [(PartRule.BLIND, "nozzle"), (PartRule.SPENT_CHARGE, "")]
    assert against(pairs) == (
        "nozzle: not seen while dispensing; the pot life of the charge was gone"
    )


def test_numbers_are_numbers_only() -> None:
    """Words, truth values and nothing are none."""
    assert [phrases.real(value) for value in (1, 2.5, True, "3", None)] == [1.0, 2.5] + [None] * 3
    assert [phrases.whole(value) for value in (1, 2.5, True, "3", None)] == [1] + [None] * 4


def test_flags_are_for_what_matters() -> None:
    """Raised alarms, not their ends; checks and notes, not acknowledgements."""
    events = [
        alarm(1, "on", "normal", "unacknowledged"),
        alarm(2, "off", "unacknowledged", "returned_unacknowledged"),
        alarm(3, "on", "shelved", "shelved"),
        entered("note", 4),
        entered("acknowledge", 5),
        event(EventKind.CHARGE_STATE_CHANGED, 6, charge_id="1", to="spent"),
        event(EventKind.CHARGE_STATE_CHANGED, 7, charge_id="1", to="in_life"),
        event(EventKind.PRODUCTION_STARTED, 8),
        event(EventKind.WIPED, 0, "nozzle"),
    ]
    kept, others = flagged(events)
    assert kept == (events[8], events[0], events[3], events[5])
    assert others == 0


def test_a_finding_that_needs_nobody_has_no_flag() -> None:
    """A note is for the table; one that asks for something is in the picture."""
    note = event(EventKind.FINDING_OPENED, 1, "nozzle", severity="note")
    hold = event(EventKind.FINDING_OPENED, 2, "nozzle", severity="hold")
    assert flagged([note, hold]) == ((hold,), 0)


def test_of_many_events_the_gravest_are_flagged() -> None:
    """What is left out is counted."""
    wipes = [event(EventKind.WIPED, second, "nozzle") for second in range(MOST_FLAGS + 5)]
    opened = event(EventKind.EXCURSION_OPENED, 99, "nozzle", edge="low")
    kept, others = flagged([*wipes, opened])
    assert (len(kept), others) == (MOST_FLAGS, 6)
    assert opened in kept
