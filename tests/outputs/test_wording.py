"""One plain sentence for each event."""

from __future__ import annotations

import doctest
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.alarms import AlarmInput
from watchedpot.core.findings import Finding, Stage, Subject, finding_event
from watchedpot.core.model import Detail, Event, EventKind, Instant, Reason
from watchedpot.core.rules import AlarmKind, PartRule
from watchedpot.core.snapshot import (
    AlarmState,
    Candidate,
    Cause,
    ChargeState,
    FindingSnapshot,
    Phase,
    Severity,
)
from watchedpot.outputs import wording
from watchedpot.outputs.wording import (
    ahead,
    duration,
    finding_sentence,
    not_believed,
    plain,
    seen_of,
    sentence,
    time_of_day,
    to_check,
)

NOON_NS = 1_762_000_000_000_000_000 // 86_400_000_000_000 * 86_400_000_000_000 + 43_200_000_000_000
ONSET_NS = NOON_NS - 6_328_000_000_000  # 10:14:32


def said(kind: EventKind, cell: str = "", zone: str = "", /, **details: Detail) -> str:
    """Sentence of an event at noon; a trailing underscore makes a name of a keyword."""
    pairs = tuple((name.rstrip("_"), value) for name, value in details.items())
    return sentence(Event(kind, Instant(NOON_NS, 0), cell, zone, pairs))


def alarm(kind: AlarmKind, to: AlarmState, cause: AlarmInput, /, **details: Detail) -> str:
    """Sentence of a change of an alarm of the nozzle, on since 10:14:32 unless said."""
    given_details: dict[str, Detail] = {
        "alarm": kind.value,
        "to": to.value,
        "input": cause.value,
        "stage": 1,
        "onset_utc_ns": ONSET_NS,
    }
    return said(EventKind.ALARM_CHANGED, "lens_4", "nozzle", **(given_details | details))


UNACKNOWLEDGED = AlarmState.UNACKNOWLEDGED
ON = AlarmInput.ON


@pytest.mark.parametrize(
    ("kind", "details", "expected"),
    [
        (
            AlarmKind.COLD,
            {"temp_c": 114.3, "limit": 115.0, "response": "Hold dispensing."},
            "lens_4 nozzle cold: 114.3 degC, below 115.0 degC since 10:14:32. Hold dispensing.",
        ),
        (
            AlarmKind.HOT,
            {"temp_c": 127.0, "limit": 126.0},
            "lens_4 nozzle hot: 127.0 degC, above 126.0 degC since 10:14:32",
        ),
        (
            AlarmKind.HOT,
            {"temp_c": 131.25, "limit": 130.0, "stage": 2, "input": "worse"},
            "lens_4 nozzle over the material's limit: worse, 131.2 degC, "
            "above the material's limit of 130.0 degC since 10:14:32",
        ),
        (
            AlarmKind.BUILD_UP,
            {"limit": 120.0},
            "lens_4 nozzle build-up: index at or above its limit of 2 min 00 s since 10:14:32",
        ),
        (
            AlarmKind.DEGRADATION,
            {"limit": None},
            "lens_4 nozzle degradation: index at or above its limit since 10:14:32",
        ),
        (AlarmKind.UNSEEN, {}, "lens_4 nozzle not seen: no good reading since 10:14:32"),
        (
            AlarmKind.UNSEEN,
            {"limit": 10.0},
            "lens_4 nozzle not seen: no good reading for more than 10.0 s since 10:14:32",
        ),
        (
            AlarmKind.COLD,
            {"input": "re_alarm", "limit": 115.0, "onset_utc_ns": None},
            "lens_4 nozzle cold: still on, below 115.0 degC",
        ),
        (
            AlarmKind.BEFORE_READY,
            {"temp_c": None, "limit": None, "zones": "syringe nozzle", "response": "Wait."},
            "lens_4 nozzle dispensing before ready: syringe, nozzle not ready, dispensing since "
            "10:14:32. Wait.",
        ),
        (
            AlarmKind.BEFORE_READY,
            {"onset_utc_ns": None},
            "lens_4 nozzle dispensing before ready: a zone not ready, dispensing",
        ),
        (
            AlarmKind.POT_LIFE,
            {"charge_id": "41", "life_used": 1.004, "response": "Change the charge."},
            "lens_4 nozzle pot life: charge 41 used up since 10:14:32, 100 % used. "
            "Change the charge.",
        ),
        (AlarmKind.POT_LIFE, {}, "lens_4 nozzle pot life: used up since 10:14:32"),
    ],
)
def test_a_raised_alarm_says_what_is_with_its_numbers(
    kind: AlarmKind, details: dict[str, Detail], expected: str
) -> None:
    """Place, alarm, reading, limit, since when, then the response where it is given."""
    assert alarm(kind, UNACKNOWLEDGED, ON, **details) == expected


@pytest.mark.parametrize(
    ("to", "cause", "details", "expected"),
    [
        (AlarmState.NORMAL, AlarmInput.OFF, {}, "lens_4 nozzle cold: normal again, 116.1 degC"),
        (
            AlarmState.RETURNED_UNACKNOWLEDGED,
            AlarmInput.OFF,
            {},
            "lens_4 nozzle cold: back to normal, not yet acknowledged, 116.1 degC",
        ),
        (
            AlarmState.LATCHED_UNACKNOWLEDGED,
            AlarmInput.OFF,
            {},
            "lens_4 nozzle cold: condition over, to be acknowledged and reset, 116.1 degC",
        ),
        (
            AlarmState.ACKNOWLEDGED,
            AlarmInput.ACKNOWLEDGE,
            {"who": "shift lead", "why": "heater ordered", "stage": 1, "limit": 118.0},
            "lens_4 nozzle cold: acknowledged by shift lead: heater ordered; "
            "116.1 degC, below 118.0 degC since 10:14:32",
        ),
        (
            AlarmState.LATCHED_ACKNOWLEDGED,
            AlarmInput.ACKNOWLEDGE,
            {"who": "shift lead"},
            "lens_4 nozzle cold: acknowledged by shift lead; condition over, to be reset",
        ),
        (
            AlarmState.NORMAL,
            AlarmInput.RESET,
            {"who": "shift lead", "why": ""},
            "lens_4 nozzle cold: reset by shift lead; normal again",
        ),
        (
            AlarmState.SHELVED,
            AlarmInput.SHELVE,
            {"why": "trial"},
            "lens_4 nozzle cold: shelved: trial",
        ),
        (
            AlarmState.SHELVED,
            AlarmInput.SHELVE,
            {"who": "ann", "why": "trial", "shelved_until_utc_ns": 36_872_900_000_000},
            "lens_4 nozzle cold: shelved by ann: trial; until 10:14:32",
        ),
        (
            AlarmState.SHELVED,
            AlarmInput.SHELVE,
            {"why": "trial", "shelved_until_utc_ns": 36_872_900_000_000, "is_one_shot": True},
            "lens_4 nozzle cold: shelved: trial; until it is over, at the latest 10:14:32",
        ),
        (
            AlarmState.SUPPRESSED_BY_DESIGN,
            AlarmInput.SUPPRESS,
            {"why": "the setpoint was changed"},
            "lens_4 nozzle cold: suppressed for a while, the setpoint was changed",
        ),
        (
            AlarmState.UNACKNOWLEDGED,
            AlarmInput.UNSHELVE,
            {"stage": 1, "limit": 118.0},
            "lens_4 nozzle cold: taken off the shelf; not acknowledged; "
            "116.1 degC, below 118.0 degC since 10:14:32",
        ),
        (
            AlarmState.SUPPRESSED_BY_DESIGN,
            AlarmInput.SUPPRESS,
            {"temp_c": None},
            "lens_4 nozzle cold: suppressed while the zone is not in production",
        ),
        (
            AlarmState.OUT_OF_SERVICE,
            AlarmInput.TAKE_OUT_OF_SERVICE,
            {},
            "lens_4 nozzle cold: taken out of service",
        ),
    ],
)
def test_a_changed_alarm_says_its_state_and_who_changed_it(
    to: AlarmState, cause: AlarmInput, details: dict[str, Detail], expected: str
) -> None:
    """What a person did comes with name and reason, what remains to be done is said."""
    base: dict[str, Detail] = {"stage": 0, "temp_c": 116.1}
    assert alarm(AlarmKind.COLD, to, cause, **(base | details)) == expected


SOAKING: dict[str, Detail] = {
    "from_": "heating",
    "to": "soaking",
    "temp_c": 109.8,
    "core_c": 71.2,
    "ready_c": 105.0,
    "ready_in_s": 720.0,
}
NEAR_LIMIT: dict[str, Detail] = {
    "charge_id": "41",
    "from_": "in_life",
    "to": "near_limit",
    "life_used": 0.8,
    "expires_in_s": 5400.0,
    "empty_in_s": 10_800.0,
    "left_at_expiry": 0.35,
}
EXCURSION: dict[str, Detail] = {
    "edge": "low",
    "limit_c": 115.0,
    "onset_utc_ns": ONSET_NS,
    "duration_s": 185.0,
    "peak_c": 108.2,
    "exposure_ks": 640.5,
    "dispensing_s": 40.0,
    "blind_s": 2.0,
    "parts_from": 41876,
    "parts_to": 41878,
    "ended_by": "return",
}


@pytest.mark.parametrize(
    ("kind", "details", "expected"),
    [
        (
            EventKind.PHASE_CHANGED,
            {"from_": "heating", "to": "ready", "temp_c": 118.0},
            "lens_4 nozzle: heating to ready at 118.0 degC",
        ),
        (
            EventKind.PHASE_CHANGED,
            SOAKING,
            "lens_4 nozzle: soaking; the wall is warm at 109.8 degC, the core about 71 degC; "
            "ready about 12:12 if the heat stays on",
        ),
        (
            EventKind.PHASE_CHANGED,
            SOAKING | {"core_c": None, "ready_in_s": None},
            "lens_4 nozzle: soaking; the wall is warm at 109.8 degC",
        ),
        (
            EventKind.PHASE_CHANGED,
            SOAKING | {"from_": "setback", "to": "recovering", "temp_c": 92.0, "core_c": 90.6},
            "lens_4 nozzle: setback to recovering at 92.0 degC, the core about 91 degC; "
            "ready about 12:12 if the heat stays on",
        ),
        (
            EventKind.PHASE_CHANGED,
            SOAKING | {"from_": "ready", "to": "setback", "core_c": 108.5},
            "lens_4 nozzle: ready to setback at 109.8 degC, the core about 108 degC",
        ),
        (
            EventKind.PHASE_CHANGED,
            SOAKING | {"from_": "soaking", "to": "ready", "core_c": 105.0, "ready_in_s": 0.0},
            "lens_4 nozzle: soaking to ready at 109.8 degC, the core about 105 degC",
        ),
        (
            EventKind.PHASE_CHANGED,
            {"from_": "ready", "to": "unknown", "temp_c": float("nan")},
            "lens_4 nozzle: ready to unknown",
        ),
        (
            EventKind.EXCURSION_OPENED,
            {"edge": "high", "limit_c": 126.0, "parts": 7},
            "lens_4 nozzle: above 126.0 degC since 12:00:00; part 7 onwards to be looked at",
        ),
        (
            EventKind.EXCURSION_ENDED,
            EXCURSION,
            "lens_4 nozzle: below 115.0 degC for 3 min 05 s from 10:14:32, furthest 108.2 degC, "
            "640.5 K s, 40.0 s of it dispensing, 2.0 s of it not seen; "
            "2 parts (41877 to 41878); back in the window",
        ),
        (
            EventKind.EXCURSION_ENDED,
            EXCURSION | {"parts_to": 41877, "ended_by": "phase", "peak_c": None},
            "lens_4 nozzle: below 115.0 degC for 3 min 05 s from 10:14:32, "
            "640.5 K s, 40.0 s of it dispensing, 2.0 s of it not seen; "
            "1 part (41877 to 41877); no longer counted, the zone left production",
        ),
        (
            EventKind.EXCURSION_ENDED,
            {"edge": "low", "parts_from": 9, "parts_to": 9},
            "lens_4 nozzle: below the window; no part counted",
        ),
        (
            EventKind.CHARGE_OVERHEATED,
            {"temp_c": 131.0, "ceiling_c": 130.0},
            "lens_4 nozzle: charge overheated, 131.0 degC, "
            "above the material's limit of 130.0 degC",
        ),
        (
            EventKind.CHARGE_SUSPECTED,
            {"drop_k": 14.25, "duration_s": 40.0, "charge_id": "41"},
            "lens_4 nozzle: cooled by 14.2 K or more for 40.0 s, as if another charge had been "
            "loaded after 41; say whether it was; until then the old age is kept and counts as "
            "not known",
        ),
        (
            EventKind.WIPED,
            {"build_up_s": 130.0, "who": "operator"},
            "lens_4 nozzle: nozzle wiped or purged by operator; build-up index was 2 min 10 s",
        ),
    ],
)
def test_events_of_a_zone(kind: EventKind, details: dict[str, Detail], expected: str) -> None:
    """Zone first, then what happened, then the numbers."""
    assert said(kind, "lens_4", "nozzle", **details) == expected


@pytest.mark.parametrize(
    ("kind", "details", "expected"),
    [
        (EventKind.PRODUCTION_STARTED, {"parts": 41}, "lens_4: production started at part 41"),
        (EventKind.PRODUCTION_STOPPED, {}, "lens_4: production stopped"),
        (
            EventKind.CHARGE_CHANGED,
            {"charge_id": "c2", "previous": "c1", "who": "operator"},
            "lens_4: charge c2 loaded after c1 by operator",
        ),
        (EventKind.CHARGE_CHANGED, {"charge_id": None}, "lens_4: charge no longer known"),
        (
            EventKind.CHARGE_CHANGED,
            {
                "charge_id": "42",
                "previous": "41",
                "who": "operator",
                "how": "entry",
                "age_s": 1200.0,
                "start_c": 59.8,
            },
            "lens_4: charge 42 loaded after 41 by operator; counts as aged by 20 min 00 s; "
            "its core is taken to begin at 60 degC",
        ),
        (
            EventKind.CHARGE_CHANGED,
            {"charge_id": None, "previous": None, "how": "entry", "age_s": 0.0, "start_c": 23.0},
            "lens_4: another charge loaded; counts as new; its core is taken to begin at 23 degC",
        ),
        (
            EventKind.CHARGE_CHANGED,
            {"charge_id": "7", "previous": "7", "how": "refill", "age_s": 3000.0, "start_c": None},
            "lens_4: tank refilled, charge 7; counts as aged by 50 min 00 s",
        ),
        (
            EventKind.CHARGE_CHANGED,
            {"charge_id": "41", "previous": None, "who": "", "how": "found", "age_s": None},
            "lens_4: charge 41 found in place, when it was loaded is not known",
        ),
        (
            EventKind.CHARGE_CHANGED,
            {"charge_id": "41", "previous": "41", "who": "operator", "how": "kept"},
            "lens_4: charge 41 is still the one before, as said by operator",
        ),
        (
            EventKind.CHARGE_STATE_CHANGED,
            NEAR_LIMIT,
            "lens_4 charge 41: near the end of its pot life, 80 % used; "
            "at this temperature spent about 13:30, with about 35 % left; prepare the next one",
        ),
        (
            EventKind.CHARGE_STATE_CHANGED,
            NEAR_LIMIT | {"empty_in_s": 1800.0, "left_at_expiry": 0.0},
            "lens_4 charge 41: near the end of its pot life, 80 % used; "
            "empty about 12:30, before its pot life is gone; prepare the next one",
        ),
        (
            EventKind.CHARGE_STATE_CHANGED,
            NEAR_LIMIT | {"to": "spent", "life_used": 1.0, "expires_in_s": 0.0},
            "lens_4 charge 41: its pot life is gone, 100 % used; change it",
        ),
        (
            EventKind.CHARGE_STATE_CHANGED,
            {"to": "age_unknown", "reason": "not watched", "life_used": None},
            "lens_4 charge: its age is not known, not watched; "
            "say when it was loaded, or change it",
        ),
        (
            EventKind.CHARGE_STATE_CHANGED,
            {"charge_id": "41", "from_": "loaded", "to": "warming", "life_used": 0.0},
            "lens_4 charge 41: warming up, 0 % used",
        ),
        (
            EventKind.AIR_MOIST,
            {"dew_point_c": -12.0, "limit_c": -20.0},
            "lens_4: dispensing air is moist, pressure dew point -12.0 degC, above -20.0 degC; "
            "have the air dryer checked",
        ),
        (
            EventKind.AIR_DRY,
            {"dew_point_c": -21.5, "limit_c": -20.0},
            "lens_4: dispensing air is dry again, pressure dew point -21.5 degC, limit -20.0 degC",
        ),
        (
            EventKind.ENTRY_REFUSED,
            {"entry": "return_to_service", "target": "lens_4/nozzle/cold", "why": "in service"},
            "lens_4: return to service for lens_4/nozzle/cold not taken: in service",
        ),
    ],
)
def test_events_of_a_cell(kind: EventKind, details: dict[str, Detail], expected: str) -> None:
    """Cell first, then what happened."""
    assert said(kind, "lens_4", **details) == expected


@pytest.mark.parametrize(
    ("kind", "details", "expected"),
    [
        (EventKind.SOURCE_UP, {"source": "press"}, "source press: answers"),
        (
            EventKind.SOURCE_LOST,
            {"source": "press", "problem": "no answer within 2.0 s"},
            "source press: not read since 12:00:00, no answer within 2.0 s",
        ),
        (
            EventKind.DAEMON_STARTED,
            {"version": "0.1.0", "revision": "3f2a"},
            "daemon started: version 0.1.0, configuration 3f2a",
        ),
        (EventKind.DAEMON_STARTED, {}, "daemon started"),
        (EventKind.DAEMON_STOPPED, {}, "daemon stopped; nothing is watched from now on"),
        (
            EventKind.CONFIGURATION_CHANGED,
            {"revision": "3f2b"},
            "configuration changed: configuration 3f2b",
        ),
        (
            EventKind.CONFIGURATION_CHANGED,
            {"problem": "the account begins anew"},
            "configuration changed: the account begins anew",
        ),
        (
            EventKind.READINGS_DROPPED,
            {"source": "press", "rows": 4},
            "daemon: 4 rows of readings of press lost to a full queue; "
            "that time counts as not seen",
        ),
        (
            EventKind.LEDGER_FAILED,
            {"problem": "disk full"},
            "ledger: cannot be written since 12:00:00, disk full; "
            "judging and alarms go on, the record waits",
        ),
        (EventKind.LEDGER_RECOVERED, {"rows": 3}, "ledger: written again; 3 rows were lost"),
        (
            EventKind.RECORD_TRIMMED,
            {"blocks": 2, "rows": 900, "until_utc_ns": NOON_NS - 7_500_000_000_000},
            "ledger: 900 rows of recorded readings older than 2 h 05 min "
            "removed to stay within its bounds",
        ),
    ],
)
def test_events_of_the_daemon(kind: EventKind, details: dict[str, Detail], expected: str) -> None:
    """What runs the watching is told apart from what is watched."""
    assert said(kind, **details) == expected


@pytest.mark.parametrize("kind", EventKind)
def test_an_event_without_details_still_has_a_sentence(kind: EventKind) -> None:
    """Nothing that is missing leaves a hole, a None or a stray separator."""
    for place in ((), ("lens_4",), ("lens_4", "nozzle")):
        text = said(kind, *place)
        assert text
        assert "None" not in text
        assert not re.search(r"[:;,]$|  | [;:,]|: ;|\{|\}", text)


DETAILS = st.sampled_from(
    [
        "from",
        "to",
        "temp_c",
        "parts",
        "edge",
        "limit_c",
        "onset_utc_ns",
        "duration_s",
        "peak_c",
        "exposure_ks",
        "dispensing_s",
        "blind_s",
        "parts_from",
        "parts_to",
        "ended_by",
        "alarm",
        "input",
        "stage",
        "priority",
        "limit",
        "who",
        "why",
        "charge_id",
        "previous",
        "ceiling_c",
        "build_up_s",
        "entry",
        "target",
        "source",
        "problem",
        "version",
        "revision",
        "rows",
        "until_utc_ns",
        "response",
        "zones",
        "core_c",
        "ready_c",
        "ready_in_s",
        "how",
        "age_s",
        "start_c",
        "life_used",
        "expires_in_s",
        "empty_in_s",
        "left_at_expiry",
        "reason",
        "drop_k",
        "dew_point_c",
    ]
)
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([*AlarmKind, *AlarmState, *Phase, *ChargeState]),
    st.sampled_from(
        ["{}", "{0}", "%s", "low", "return", "refill", "found", "kept", "two\nlines", "\x1b[2J"]
    ),
)


@given(kind=st.sampled_from(EventKind), details=st.dictionaries(DETAILS, VALUES, max_size=8))
def test_no_detail_of_any_type_stops_a_sentence(
    kind: EventKind, details: dict[str, Detail]
) -> None:
    """Every event can be told, on one line, whatever stands in its details."""
    event = Event(kind, Instant(NOON_NS, 0), "lens_4", "nozzle", tuple(details.items()))
    assert sentence(event).isprintable()


def test_the_words_stay_calm() -> None:
    """No sentence of any event or state blames, shouts, or speaks of failing."""
    told = [said(kind, "lens_4", "nozzle") for kind in EventKind]
    told += [
        alarm(kind, to, cause, stage=stage)
        for kind in AlarmKind
        for to in AlarmState
        for cause in AlarmInput
        for stage in (0, 1, 2)
    ]
    told += [said(EventKind.CHARGE_STATE_CHANGED, "lens_4", to=state) for state in ChargeState]
    loud = re.compile(r"fail|invalid|fault|mistake|forgot|please|!|bypass", re.IGNORECASE)
    assert [text for text in told if loud.search(text)] == []


def test_time_of_day_is_cut_to_the_second() -> None:
    """The last nanosecond of a second still belongs to it; a day later reads the same."""
    assert time_of_day(ONSET_NS + 999_999_999) == "10:14:32"
    assert time_of_day(ONSET_NS + 86_400_000_000_000) == "10:14:32"
    assert time_of_day(0) == "00:00:00"


@pytest.mark.parametrize(
    ("duration_s", "expected"),
    [
        (0.0, "0.0 s"),
        (59.94, "59.9 s"),
        (59.96, "60.0 s"),
        (60.0, "1 min 00 s"),
        (3599.6, "1 h 00 min"),
        (90_000.0, "25 h 00 min"),
    ],
)
def test_a_duration_is_told_in_two_units_at_most(duration_s: float, expected: str) -> None:
    """Seconds, minutes and seconds, hours and minutes; rounded before the unit is chosen."""
    assert duration(duration_s) == expected


def test_every_state_of_a_charge_is_told_apart() -> None:
    """No two states of a charge have one sentence."""
    states = (*ChargeState, "another")
    told = {said(EventKind.CHARGE_STATE_CHANGED, "lens_4", to=state) for state in states}
    assert len(told) == len(states)


@pytest.mark.parametrize(
    ("in_s", "expected"),
    [
        (-5.0, "about 12:00"),
        (59.9, "about 12:00"),
        (43_199.0, "about 23:59"),
        (43_200.0, "about 00:00 tomorrow"),
        (129_600.0, "in about 2 days"),
        (2_592_000.0, "in about 30 days"),
        (2_592_001.0, "not within 30 days"),
        (float("inf"), "not within 30 days"),
    ],
)
def test_a_forecast_names_the_day_where_it_is_another(in_s: float, expected: str) -> None:
    """To the minute today and tomorrow, then in days, and no promise beyond a month."""
    assert ahead(NOON_NS, in_s) == expected


def test_text_of_others_cannot_begin_a_line() -> None:
    """Line ends, tabs and what steers a terminal become single spaces."""
    assert plain(" a\r\nb\tc\u2028d\x1b[2J\u202ee ") == "a b c d [2J e"


def test_the_examples_run() -> None:
    """Each example in a docstring gives what it says."""
    result = doctest.testmod(wording)
    assert result.attempted > 0
    assert result.failed == 0


def told_of(kind: EventKind, in_zone: str = "", /, **details: Detail) -> str:
    """Sentence of an event of lens_4."""
    return sentence(Event(kind, Instant(0, 0), "lens_4", in_zone, tuple(details.items())))


def test_a_judged_part_says_what_speaks_against_it() -> None:
    """Number, verdict, rules with their zones and figures, and what is to be done with it."""
    rules = "outside_window:nozzle,spent_charge"
    met: dict[str, Detail] = {"nozzle_min_c": 112.31, "nozzle_max_c": 118.0, "life_used": 1.04}
    quarantined: dict[str, Detail] = {"verdict": "quarantine", "rules": rules}
    assert told_of(EventKind.PART_MADE, first=7, last=7, **quarantined, **met) == (
        "lens_4: part 7: quarantine: nozzle outside its window while dispensing"
        " (112.3 to 118.0 degC); pot life of the charge gone (104 % used);"
        " set it aside until somebody has decided"
    )
    unseen: dict[str, Detail] = {"verdict": "unknown", "rules": "blind:tank"}
    assert told_of(EventKind.PART_MADE, first=7, last=9, **unseen, because="readings lost") == (
        "lens_4: parts 7 to 9: unknown, judged again (readings lost):"
        " tank not seen while dispensing; set them aside until somebody has decided"
    )
    assert told_of(EventKind.PART_MADE, first=7, last=7, verdict="clear", rules="") == (
        "lens_4: part 7: clear"
    )


@pytest.mark.parametrize(
    ("rules", "met", "expected"),
    [
        ("near_edge:tank", {"tank_min_c": 115.0, "tank_max_c": 115.0}, " (115.0 degC)"),
        ("over_ceiling:tank", {"tank_min_c": 115.0, "tank_max_c": None}, ""),
        ("blind:tank", {"tank_coverage": 0.42}, " (42 % of it seen)"),
        ("open_time", {"joined_s": 75.0}, " (after 1 min 15 s)"),
        ("after_idle", {}, ""),
        (
            "slipped_sensor:nozzle",
            {"findings": "lens_4/3 sensor_slipped, lens_4/4 no_heat"},
            " (finding lens_4/3, sensor slipped)",
        ),
        ("untrue_reading:nozzle", {}, ""),
    ],
)
def test_the_figures_of_a_rule_stand_behind_it(
    rules: str, met: dict[str, Detail], expected: str
) -> None:
    """As far as the part has them."""
    rule, _, zone = rules.partition(":")
    told = told_of(
        EventKind.PART_MADE, first=7, last=7, verdict="clear_with_note", rules=rules, **met
    )
    assert told == f"lens_4: part 7: clear with note: {wording.rule_words(rule, zone)}{expected}"


def test_every_rule_has_words() -> None:
    """None is shown by its name; one that is not known still says something."""
    for rule in PartRule:
        assert "_" not in wording.rule_words(rule.value, "nozzle")
        assert wording.rule_words(rule.value, "nozzle") != rule.value.replace("_", " ") + " nozzle"
    assert wording.rule_words("too_green", "nozzle") == "too green nozzle"


def test_a_counter_says_how_it_moved() -> None:
    """Reset, rollover, back, jump."""
    assert told_of(EventKind.COUNTER_JUMPED, what="reset", before=500, after=0) == (
        "lens_4: part counter was reset from 500 to 0"
    )
    assert told_of(EventKind.COUNTER_JUMPED, what="jump", uncounted=3).endswith(
        "jumped; uncounted parts: 3, find them and set them aside"
    )
    assert "is back" in told_of(EventKind.COUNTER_JUMPED, what="restart")
    assert "moved" in told_of(EventKind.COUNTER_JUMPED, what="odd")


def test_what_people_entered_reads_as_they_said_it() -> None:
    """Check, decision, mark, note, charge."""
    who: dict[str, Detail] = {"who": "ann", "why": "weekly"}
    check: dict[str, Detail] = {"entry": "check", "true_c": 120.0, "read_c": 123.0}
    assert told_of(EventKind.ENTERED, "nozzle", **check, **who) == (
        "lens_4 nozzle: checked against a reference: 120.0 degC, it reads 3.0 K too high"
        " by ann: weekly"
    )
    assert "is right" in told_of(EventKind.ENTERED, "", **(check | {"read_c": 120.0}))
    assert told_of(EventKind.ENTERED, entry="disposition", subject="7-9", word="scrapped") == (
        "lens_4: parts 7-9 decided: scrapped"
    )
    mark = {"entry": "mark_alarm", "target": "lens_4/nozzle/hot", "word": "false"}
    assert told_of(EventKind.ENTERED, **mark) == "lens_4: alarm lens_4/nozzle/hot marked false"
    assert told_of(EventKind.ENTERED, entry="charge_loaded", subject="44", lot="L2031") == (
        "lens_4: charge 44 entered as loaded, lot L2031"
    )
    stored = {"out_of_store_s": 7200.0, "storage_max_c": 31.0, "storage_above_s": 3600.0}
    assert told_of(EventKind.ENTERED, entry="charge_loaded", subject="44", **stored) == (
        "lens_4: charge 44 entered as loaded, 2 h 00 min out of store, stored at up to 31.0 degC,"
        " 1 h 00 min of it above the limit"
    )
    assert told_of(EventKind.ENTERED, "nozzle", entry="purged", target="lens_4/nozzle", **who) == (
        "lens_4 nozzle: purged by ann: weekly"
    )
    assert "is right" in told_of(EventKind.ENTERED, "", **(check | {"read_c": 120.04}))


def test_what_was_asked_of_an_alarm_names_it() -> None:
    """Also one of the cell itself, and for how long."""
    asked: dict[str, Detail] = {"entry": "shelve", "target": "lens_4/pot_life", "who": "ann"}
    assert told_of(EventKind.ENTERED, **asked, duration_s=1800.0) == (
        "lens_4: shelve of lens_4/pot_life for 30 min 00 s by ann"
    )
    assert told_of(EventKind.ENTERED, **asked, duration_s=0.0, is_one_shot=True) == (
        "lens_4: shelve of lens_4/pot_life until it is over by ann"
    )
    asked["entry"] = "return_to_service"
    assert told_of(EventKind.ENTERED, **asked, duration_s=0.0) == (
        "lens_4: return to service of lens_4/pot_life by ann"
    )


def test_a_judging_again_says_why_and_what_came_of_it() -> None:
    """The error of the sensor and the parts."""
    told = told_of(EventKind.REJUDGED, zone="nozzle", error_k=3.0, parts=40, changed=12)
    assert told.startswith("lens_4: nozzle had read wrong by 3.0 K too high")
    assert "40 parts judged again" in told
    assert "12 of them otherwise than before" in told
    assert told.endswith("have the sensor checked by qualified people before it is relied on")
    assert "aged" not in told_of(EventKind.REJUDGED, age_before_s=60.0, age_after_s=60.0)
    older = told_of(EventKind.REJUDGED, age_before_s=60.0, age_after_s=75.0)
    assert "the charge counts as aged by 1 min 15 s" in older


def test_a_charge_that_is_not_fit_is_said_when_it_is_loaded() -> None:
    """Before a part is made with it."""
    told = told_of(EventKind.CHARGE_CHANGED, how="entry", charge_id="44", unfit="expired")
    assert "not fit for use: expired" in told
    assert "older than it was read" in told_of(EventKind.CHARGE_CHANGED, how="corrected")


@pytest.mark.parametrize("reason", [reason for reason in Reason if reason])
def test_every_reason_says_what_is_seen_and_what_to_check(reason: Reason) -> None:
    """One sentence each, in words of people, and no two seen alike."""
    words = not_believed(reason)
    assert words == f"{seen_of(reason)}; check {to_check(reason)}"
    assert words[0].islower()
    assert "_" not in words
    assert not re.search(r"[.!?]|invalid|failed to|please", words)
    assert [other for other in Reason if seen_of(other) == seen_of(reason)] == [reason]


def test_of_a_reading_that_is_believed_nothing_is_said() -> None:
    """There is nothing to check."""
    assert (not_believed(Reason.NONE), seen_of(Reason.NONE), to_check(Reason.NONE)) == ("", "", "")


FOUND: dict[str, Detail] = {
    "finding": "lens_4/3",
    "cause": Cause.NO_HEAT.value,
    "certainty": 0.84,
    "severity": Severity.HOLD.value,
    "zones": "nozzle, syringe",
    "numbers": "116.2 degC and falling 0.09 K/s, heater at 100 %",
    "speaks_for": "2 % of 100 % arrives",
    "against": "not draft: no air takes all that the heater gives",
    "not_ruled_out": "no other zone is read",
    "action": "Hold dispensing",
}
"""Details of a finding."""
FINDING = FindingSnapshot(
    "lens_4/3",
    Severity.HOLD,
    Instant(ONSET_NS, 0),
    Instant(NOON_NS, 0),
    (
        Candidate(Cause.NO_HEAT, 0.7, ("2 % of 100 % arrives",), ("it fell by 3 K at once",)),
        Candidate(Cause.SENSOR_LOW, 0.2, (), ("the fall is that of cooling, 0.10 K/s", "b")),
        Candidate(Cause.HANDLING, 0.05),
        Candidate(Cause.DRAFT, 0.03, (), ("the door is shut",)),
        Candidate(Cause.PART_OF_HEAT, 0.02, (), ("left out",)),
    ),
    ("the setpoint is not read",),
    ("nozzle", "syringe"),
    (),
    "116.2 degC",
    "Hold dispensing",
)


@pytest.mark.parametrize("kind", [EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED])
def test_a_finding_says_what_is_seen_why_and_what_to_do(kind: EventKind) -> None:
    """Place and figures, the likeliest cause and how sure, what speaks against others, the action.

    The order is that of the process notes: what, numbers, likely, against others, first action.
    """
    assert said(kind, "lens_4", "nozzle", **FOUND) == (
        "lens_4 nozzle, syringe: 116.2 degC and falling 0.09 K/s, heater at 100 %. "
        "Likely no power reaches its heater (84 %): 2 % of 100 % arrives. "
        "What speaks against: not draft: no air takes all that the heater gives. "
        "Not ruled out: no other zone is read. Hold dispensing"
    )


def test_a_finding_without_details_says_what_there_is() -> None:
    """A cause that is not known by name is nothing that is known; the zone stands for its zones."""
    told = said(EventKind.FINDING_OPENED, "lens_4", "nozzle", numbers="no reading", cause="spooks")
    assert told == "lens_4 nozzle: no reading. Likely nothing that is known"
    whole = said(EventKind.FINDING_OPENED, "lens_4", cause=Cause.CLOCK.value, numbers="a step")
    assert whole == "lens_4: a step. Likely the computer's clock was set"


def test_a_finding_that_is_over_says_what_it_was_and_how_long() -> None:
    """From its onset on, where that is given."""
    over = said(EventKind.FINDING_ENDED, "lens_4", "nozzle", **FOUND, lasted_s=150.0)
    assert over == "lens_4 nozzle, syringe: over after 2 min 30 s: no power reaches its heater"
    assert said(EventKind.FINDING_ENDED, "lens_4", cause="spooks") == (
        "lens_4: over: nothing that is known"
    )


def test_the_sentence_of_a_finding_weighs_the_likeliest_two_others() -> None:
    """The first thing against each of two others, in order of likelihood; units keep their case."""
    assert finding_sentence(FINDING) == (
        "nozzle, syringe: 116.2 degC. "
        "Likely no power reaches its heater (70 %): 2 % of 100 % arrives. "
        "What speaks against: it fell by 3 K at once; "
        "not sensor low: the fall is that of cooling, 0.10 K/s; not draft: the door is shut. "
        "Not ruled out: the setpoint is not read. Hold dispensing"
    )


def test_page_and_log_say_the_same_of_a_finding() -> None:
    """The log puts its cell before it."""
    finding = Finding(
        3,
        Subject.HEAT,
        Stage.OPEN,
        Cause.NO_HEAT,
        FINDING.severity,
        FINDING.onset,
        FINDING.told,
        FINDING.zones,
        FINDING.candidates,
        FINDING.numbers,
        FINDING.not_ruled_out,
    )
    event = finding_event(
        finding,
        EventKind.FINDING_OPENED,
        FINDING.told,
        cell="lens_4",
        alarms=(),
        action=FINDING.first_action,
    )
    assert sentence(event) == f"lens_4 {finding_sentence(FINDING)}"


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_has_words_of_its_own(cause: Cause) -> None:
    """One likely thing each, no two alike, in snapshot and event the same."""
    told = said(EventKind.FINDING_OPENED, "lens_4", numbers="a number", cause=cause.value)
    words = told.partition("Likely ")[2]
    alone = replace(FINDING, candidates=(Candidate(cause, 0.5),))
    assert f"Likely {words} (50 %). " in finding_sentence(alone)
    assert "_" not in words
    assert not re.search(r"invalid|failed to|please|!", words)
    others = [other for other in Cause if other is not cause]
    assert not any(
        told == said(EventKind.FINDING_OPENED, "lens_4", numbers="a number", cause=other.value)
        for other in others
    )


def test_a_finding_of_no_zone_is_one_of_the_cell() -> None:
    """What has no zone is told of the cell."""
    whole = replace(FINDING, zones=(), candidates=(Candidate(Cause.CLOCK, 0.95),))
    assert finding_sentence(whole).startswith("the cell: 116.2 degC. Likely the computer's clock")
