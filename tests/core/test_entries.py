"""What a person said: acknowledgements, wipes, charges, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import alarm, entry, instant, of_kind, run
from support.reservoir import (
    HELD_C,
    HOUR_S,
    charged_cell,
    outlet,
    reservoir,
    shift,
    shown,
    soaked,
)
from watchedpot.core.cell import CellPlan, CellState, start
from watchedpot.core.entries import (
    COLDEST_C,
    enter,
    entered,
    entry_of,
    part_ranges,
    wipe,
)
from watchedpot.core.model import (
    Check,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Loading,
    Storage,
)
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.tracks import Track
from watchedpot.core.units import NANO, ns
from watchedpot.outputs.ledger import dump_state, load_state
from watchedpot.outputs.ledger.chain import details_text

HOT, UNSEEN = "lens_4/nozzle/hot", "lens_4/unseen"
PLAN = charged_cell(
    reservoir(alarm(AlarmKind.HOT)),
    outlet(
        alarm(AlarmKind.COLD),
        alarm(AlarmKind.HOT, is_latching=True),
        alarm(AlarmKind.BUILD_UP, limit_s=5.0, is_latching=True),
    ),
)


def hot_cell() -> CellState:
    """A cell whose nozzle is too hot, and which has seen no syringe."""
    rows = shift(None, nozzle_c=[120.0, 130.0])
    return run(PLAN, rows)[0]


def said(kind: EntryKind, target: str, **changes: object) -> Entry:
    """What a person said at 5 s."""
    return replace(entry(kind, target, at_s=5.0), **changes)  # type: ignore[arg-type]


def answer(state: CellState, told: Entry, plan: CellPlan = PLAN) -> tuple[CellState, Event]:
    """The cell after one entry, and the one event that follows from it."""
    state, events = enter(state, told, plan)
    if len(events) > 1:
        assert events[0] == entered(told, plan.rules.id)
    return state, events[-1]


def refusal(state: CellState, told: Entry, plan: CellPlan = PLAN) -> object:
    """Why an entry was refused, which then changed nothing."""
    after, event = answer(state, told, plan)
    assert after == state
    assert (event.kind, event.at, event.cell, event.zone) == (
        EventKind.ENTRY_REFUSED,
        told.at,
        "lens_4",
        "",
    )
    assert event.details[:3] == (
        ("entry", told.kind.value),
        ("target", told.target),
        ("who", "operator"),
    )
    assert event.detail("id") == told.id
    return event.detail("why")


def track_of(state: CellState, name: str) -> Track:
    """An alarm of the cell or of its nozzle."""
    return next(track for track in (*state.tracks, *state.zones[1].tracks) if track.id == name)


def alarm_state(state: CellState, name: str) -> AlarmState:
    """State of an alarm of the cell or of its nozzle."""
    return track_of(state, name).alarm.state


@pytest.mark.parametrize("target", [HOT, UNSEEN])
def test_an_alarm_of_a_zone_or_of_the_cell_takes_what_a_person_says(target: str) -> None:
    """Acknowledged, with who and why; only that one alarm is another."""
    before = hot_cell()
    state, event = answer(before, said(EntryKind.ACKNOWLEDGE, target, why="seen"))
    assert alarm_state(state, target) is AlarmState.ACKNOWLEDGED
    other = {HOT: UNSEEN, UNSEEN: HOT}[target]
    assert alarm_state(state, other) is AlarmState.UNACKNOWLEDGED
    assert (event.kind, event.detail("to"), event.detail("who"), event.detail("why")) == (
        EventKind.ALARM_CHANGED,
        "acknowledged",
        "operator",
        "seen",
    )
    assert state.zones[0] == before.zones[0]


@pytest.mark.parametrize(
    ("first", "then", "between"),
    [
        (EntryKind.SHELVE, EntryKind.UNSHELVE, AlarmState.SHELVED),
        (EntryKind.TAKE_OUT_OF_SERVICE, EntryKind.RETURN_TO_SERVICE, AlarmState.OUT_OF_SERVICE),
    ],
)
def test_an_alarm_that_is_put_aside_comes_back(
    first: EntryKind, then: EntryKind, between: AlarmState
) -> None:
    """As it was, since its condition is still on."""
    state, _ = answer(hot_cell(), said(first, HOT, duration_s=60.0))
    assert alarm_state(state, HOT) is between
    state, _ = answer(state, said(then, HOT))
    assert alarm_state(state, HOT) is AlarmState.UNACKNOWLEDGED


def test_a_latched_alarm_can_be_reset() -> None:
    """Acknowledged and gone, it waits for that."""
    state, _ = answer(hot_cell(), said(EntryKind.ACKNOWLEDGE, HOT))
    state, _ = run(PLAN, shift(None, nozzle_c=[120.0, 120.0], start_s=6.0), state=state)
    assert alarm_state(state, HOT) is AlarmState.LATCHED_ACKNOWLEDGED
    state, _ = answer(state, said(EntryKind.RESET, HOT))
    assert alarm_state(state, HOT) is AlarmState.NORMAL


def test_a_shelving_ends_by_itself() -> None:
    """After the time it was asked for, which only a shelving has."""
    state, _ = answer(hot_cell(), said(EntryKind.SHELVE, HOT, duration_s=60.0))
    assert track_of(state, HOT).alarm.shelved_until == instant(65.0)
    state, _ = answer(hot_cell(), said(EntryKind.ACKNOWLEDGE, HOT, duration_s=60.0))
    assert track_of(state, HOT).alarm.shelved_until is None


LONGEST_S = 28_800.0
"""The usual bound of a shelving: a shift."""


@pytest.mark.parametrize("is_one_shot", [False, True])
@pytest.mark.parametrize("duration_s", [-1.0, LONGEST_S + 1.0, float("nan"), float("inf")])
@pytest.mark.parametrize("target", [HOT, UNSEEN])
def test_a_shelving_has_a_bound(target: str, duration_s: float, is_one_shot: bool) -> None:
    """Nothing is put aside for ever, or for no time; the sentence says how long it may be."""
    told = said(EntryKind.SHELVE, target, duration_s=duration_s, is_one_shot=is_one_shot)
    assert refusal(hot_cell(), told) == "this alarm is shelved for more than 0 and at most 480 min"
    shift_long = replace(told, duration_s=LONGEST_S)
    state, event = answer(hot_cell(), shift_long)
    assert alarm_state(state, target) is AlarmState.SHELVED
    assert event.detail("is_one_shot") is is_one_shot
    assert event.detail("shelved_until_utc_ns") == told.at.utc_ns + ns(LONGEST_S)


@pytest.mark.parametrize("target", [HOT, UNSEEN])
def test_only_one_shot_needs_no_duration(target: str) -> None:
    """It then ends at the bound at the latest; a timed one of no length is refused."""
    timed = said(EntryKind.SHELVE, target)
    assert str(refusal(hot_cell(), timed)).startswith("this alarm is shelved for more than 0")
    state, _ = answer(hot_cell(), replace(timed, is_one_shot=True))
    alarm_now = track_of(state, target).alarm
    assert alarm_now.shelved_until == Instant(timed.at.utc_ns + ns(LONGEST_S), ns(LONGEST_S + 5.0))
    assert alarm_now.is_one_shot


def test_the_bound_is_that_of_the_alarm_and_of_its_stricter_stage() -> None:
    """As configured, alarm by alarm."""
    plan = charged_cell(
        reservoir(),
        outlet(
            alarm(AlarmKind.HOT, max_shelving_s=3600.0),
            alarm(AlarmKind.OVER_CEILING, max_shelving_s=600.0),
            alarm(AlarmKind.COLD, max_shelving_s=120.0),
        ),
    )
    for target, longest_s in ((HOT, 600.0), ("lens_4/nozzle/cold", 120.0)):
        told = said(EntryKind.SHELVE, target, duration_s=longest_s + 0.1)
        why = f"this alarm is shelved for more than 0 and at most {longest_s / 60.0:g} min"
        assert refusal(start(plan), told, plan) == why
        state, _ = answer(start(plan), replace(told, duration_s=longest_s), plan)
        assert track_of(state, target).alarm.is_shelved


@pytest.mark.parametrize("kind", [EntryKind.SHELVE, EntryKind.TAKE_OUT_OF_SERVICE])
def test_who_puts_an_alarm_aside_says_why(kind: EntryKind) -> None:
    """A reason of blanks is none."""
    told = said(kind, HOT, duration_s=60.0, why="  ")
    assert refusal(hot_cell(), told) == "nobody says why it is to be put aside"


@pytest.mark.parametrize(
    ("kind", "is_like", "state"),
    [
        (EntryKind.SHELVE, EntryKind.SHELVE, "shelved"),
        (EntryKind.TAKE_OUT_OF_SERVICE, EntryKind.TAKE_OUT_OF_SERVICE, "out_of_service"),
        (EntryKind.ACKNOWLEDGE, EntryKind.UNSHELVE, "acknowledged"),
    ],
)
def test_what_is_so_already_is_refused(kind: EntryKind, is_like: EntryKind, state: str) -> None:
    """A shelving is not prolonged by another; what is not shelved is not taken off the shelf."""
    once, _ = answer(hot_cell(), said(kind, HOT, duration_s=60.0))
    assert refusal(once, said(is_like, HOT, duration_s=600.0)) == f"the alarm is {state}"


def test_a_shelving_hidden_by_maintenance_can_be_ended_and_not_prolonged() -> None:
    """From every state in which it is shelved, and only from those."""
    state, _ = answer(hot_cell(), said(EntryKind.SHELVE, HOT, duration_s=60.0))
    state, _ = answer(state, said(EntryKind.TAKE_OUT_OF_SERVICE, HOT))
    again = said(EntryKind.SHELVE, HOT, duration_s=600.0)
    assert refusal(state, again) == "the alarm is out_of_service"
    state, _ = answer(state, said(EntryKind.UNSHELVE, HOT))
    assert not track_of(state, HOT).alarm.is_shelved
    assert refusal(state, said(EntryKind.UNSHELVE, HOT)) == "the alarm is out_of_service"
    state, _ = answer(state, said(EntryKind.RETURN_TO_SERVICE, HOT))
    assert alarm_state(state, HOT) is AlarmState.UNACKNOWLEDGED


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    duration_s=st.floats(allow_nan=True, allow_infinity=True),
    is_one_shot=st.booleans(),
    target=st.sampled_from((HOT, UNSEEN)),
)
def test_no_shelving_outlasts_its_bound(duration_s: float, is_one_shot: bool, target: str) -> None:
    """Whatever is asked for: refused, or over by itself within the bound."""
    told = said(EntryKind.SHELVE, target, duration_s=duration_s, is_one_shot=is_one_shot)
    state, event = answer(hot_cell(), told)
    if event.kind is EventKind.ENTRY_REFUSED:
        assert not track_of(state, target).alarm.is_shelved
        return
    rows = shift(None, nozzle_c=[130.0, 130.0], start_s=5.0 + LONGEST_S - 1.0)
    state, _ = run(PLAN, rows, state=state)
    assert not track_of(state, target).alarm.is_shelved


@pytest.mark.parametrize(
    ("kind", "target", "why"),
    [
        (EntryKind.RESET, HOT, "the alarm is unacknowledged"),
        (EntryKind.RESET, "lens_4/nozzle/cold", "the alarm is normal"),
        (EntryKind.ACKNOWLEDGE, "lens_4/nozzle/degradation", "the cell has no such alarm"),
        (EntryKind.ACKNOWLEDGE, "lens_4/needle/hot", "the cell has no such alarm"),
        (EntryKind.ACKNOWLEDGE, "lens_4", "the cell has no such alarm"),
        (EntryKind.ACKNOWLEDGE, "housing_7/nozzle/hot", "the cell has no such thing"),
        (EntryKind.WIPED, "housing_7", "the cell has no such thing"),
        (EntryKind.WIPED, "lens_4/syringe", "the cell has no such thing"),
        (EntryKind.WIPED, "lens_4/needle", "the cell has no such thing"),
        (EntryKind.CHARGE_LOADED, "lens_4", "the charge has no id"),
        (EntryKind.CHARGE_KEPT, "lens_4/syringe", "the cell has no such thing"),
        (EntryKind.CHARGE_KEPT, "lens_4", "nobody doubts which charge it is"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_reason(
    kind: EntryKind, target: str, why: str
) -> None:
    """And changes nothing."""
    assert refusal(hot_cell(), said(kind, target)) == why


def test_a_charge_is_loaded_into_a_cell_and_not_into_a_zone() -> None:
    """By its id, whatever else is said of it."""
    told = said(EntryKind.CHARGE_LOADED, "lens_4/syringe", subject="b_2")
    assert refusal(hot_cell(), told) == "the cell has no such thing"
    told = said(EntryKind.CHARGE_LOADED, "lens_4", subject="b_2", loading=Loading(age_s=60.0))
    state, events = enter(hot_cell(), told, PLAN)
    assert events[1].kind is EventKind.CHARGE_CHANGED
    assert (state.charge.id, state.charge.loaded) == ("b_2", instant(5.0))


def test_the_answer_to_a_suspicion_is_taken_once() -> None:
    """Then nobody doubts any more."""
    state = hot_cell()
    doubted = replace(state, charge=replace(state.charge, is_doubted=True))
    kept, event = answer(doubted, said(EntryKind.CHARGE_KEPT, "lens_4"))
    assert (event.kind, event.detail("how"), event.detail("who")) == (
        EventKind.CHARGE_CHANGED,
        "kept",
        "operator",
    )
    assert kept == state
    again = refusal(kept, said(EntryKind.CHARGE_KEPT, "lens_4"))
    assert again == "nobody doubts which charge it is"


def two_nozzles() -> CellPlan:
    """A cell that lets go of melt in two places."""
    return charged_cell(reservoir(), outlet(), outlet(id="needle", temperature="lens_4/needle/t"))


@pytest.mark.parametrize(
    ("target", "wiped"),
    [("lens_4", ["nozzle", "needle"]), ("lens_4/needle", ["needle"])],
)
def test_a_wipe_is_of_the_named_nozzle_or_of_all(target: str, wiped: list[str]) -> None:
    """What is built up there goes, with who did it; melt counts as fresh from then on."""
    plan = two_nozzles()
    state = start(plan)
    zones = tuple(replace(zone, build_up_ns=NANO) for zone in state.zones)
    told = said(EntryKind.WIPED, target)
    after, events = enter(replace(state, zones=zones), told, plan)
    assert [event.zone for event in of_kind(events, EventKind.WIPED)] == wiped
    assert {event.detail("who") for event in events} == {"operator"}
    assert [zone.build_up_ns for zone in after.zones] == [
        0 if zone.id in wiped else NANO for zone in after.zones
    ]
    assert after.fresh_ns == ns(5.0)


def test_a_wipe_by_a_signal_has_nobody_who_did_it() -> None:
    """Of all nozzles."""
    plan = two_nozzles()
    _, events = wipe(start(plan), plan, instant(7.0))
    assert [(event.zone, event.detail("who"), event.at) for event in events] == [
        ("nozzle", "", instant(7.0)),
        ("needle", "", instant(7.0)),
    ]


def test_a_cell_without_a_nozzle_has_nothing_to_wipe() -> None:
    """Nor a zone of it."""
    plan = charged_cell(reservoir())
    told = said(EntryKind.WIPED, "lens_4")
    assert refusal(start(plan), told, plan) == "the cell has no such thing"


def test_melt_that_stood_for_a_break_is_purged_and_a_wipe_is_enough() -> None:
    """Idle for ten minutes: purge first; nothing else is an alarm, and the age went on.

    Common practice, no source: 45 min of lunch without setback are 0.75 h of age.
    """
    plan = charged_cell(charge=replace(PLAN.rules.charge, start_age_s=0.0))
    state = soaked(plan)
    begin_s = HOUR_S + 1.0
    state, _ = run(plan, shift(HELD_C, dispensing=1.0, start_s=begin_s, rows=60), state=state)
    aged = state.zones[0].dose
    assert shown(state, plan).advice.advice.value == "run"
    lunch = shift(HELD_C, start_s=begin_s + 60.0, rows=2700)
    state, events = run(plan, lunch.rows(0, 600), state=state)
    assert shown(state, plan).advice.advice.value == "run"
    state, later = run(plan, lunch.rows(600, 2700), state=state)
    told = shown(state, plan).advice
    assert (told.advice.value, told.why.value) == ("purge_first", "idle")
    assert not of_kind([*events, *later], EventKind.ALARM_CHANGED)
    assert state.zones[0].dose.low_ns - aged.low_ns == ns(2700.0)
    state, _ = run(plan, entry(EntryKind.WIPED, "lens_4", at_s=begin_s + 2760.0), state=state)
    assert shown(state, plan).advice.advice.value == "run"


CHECKED = "lens_4/nozzle"


def test_a_check_that_fails_doubts_its_zone_until_one_passes() -> None:
    """By more than the tolerance, to either side; a good check closes it."""
    state = hot_cell()
    for true_c, doubted in ((120.0, ("nozzle",)), (124.0, ()), (126.0, ("nozzle",)), (125.5, ())):
        told = said(EntryKind.CHECK, CHECKED, check=Check(true_c, read_c=124.5))
        state, event = answer(state, told)
        assert state.failed_checks == doubted
        assert (event.kind, event.zone) == (EventKind.ENTERED, "nozzle")
        assert (event.detail("true_c"), event.detail("read_c")) == (true_c, 124.5)


@pytest.mark.parametrize(
    "told",
    [
        said(EntryKind.CHECK, CHECKED),
        said(EntryKind.CHECK, CHECKED, check=Check(COLDEST_C - 1.0, 120.0)),
        said(EntryKind.CHECK, CHECKED, check=Check(120.0, float("nan"))),
        said(EntryKind.CHECK, "lens_4", check=Check(120.0, 120.0)),
        said(EntryKind.NOTE, "lens_4", why=" "),
        said(EntryKind.NOTE, "lens_4/oven", why="warm"),
        said(EntryKind.DISPOSITION, "lens_4", subject="7", word="sold"),
        said(EntryKind.DISPOSITION, "lens_4", subject="some", word="scrapped"),
        said(EntryKind.DISPOSITION, "lens_4", subject="9-7", word="scrapped"),
        said(EntryKind.MARK_ALARM, HOT, word="maybe"),
        said(EntryKind.MARK_ALARM, "lens_4/nozzle/sad", word="real"),
        said(EntryKind.MARK_ALARM, "press_1/nozzle/hot", word="real"),
        said(EntryKind.AGE_CORRECTED, "lens_4/nozzle"),
    ],
)
def test_what_cannot_be_is_refused(told: Entry) -> None:
    """And changes nothing."""
    assert refusal(hot_cell(), told)


@pytest.mark.parametrize(
    "told",
    [
        said(EntryKind.NOTE, "lens_4", why="door stood open"),
        said(EntryKind.NOTE, HOT, subject="see the log"),
        said(EntryKind.DISPOSITION, "lens_4", subject="7-9,12", word="scrapped", why="cut open"),
        said(EntryKind.MARK_ALARM, HOT, word="expected", why="new nozzle"),
    ],
)
def test_words_that_are_only_kept_change_nothing_but_the_record(told: Entry) -> None:
    """They are events with all that was said."""
    state = hot_cell()
    after, event = answer(state, told)
    assert after == state
    assert event == entered(told, "lens_4")


def test_a_purge_is_a_wipe_by_another_name() -> None:
    """Fresh melt, and no build-up left."""
    state, events = enter(hot_cell(), said(EntryKind.PURGED, CHECKED), PLAN)
    assert [event.kind for event in events] == [EventKind.ENTERED, EventKind.WIPED]
    assert state.fresh_ns == instant(5.0).mono_ns


def test_an_age_can_be_corrected_by_an_entry() -> None:
    """By the time it says."""
    told = said(EntryKind.AGE_CORRECTED, "lens_4", loading=Loading(age_s=60.0))
    before = hot_cell()
    state, _ = enter(before, told, PLAN)
    assert state.zones[0].dose.low_ns - before.zones[0].dose.low_ns == ns(60.0)


@pytest.mark.parametrize(
    "told",
    [
        said(EntryKind.WIPED, CHECKED, id="a1", said_utc_ns=7),
        said(EntryKind.SHELVE, HOT, duration_s=600.0, why="probe change"),
        said(EntryKind.CHECK, CHECKED, check=Check(120.0, 123.0)),
        said(EntryKind.CHARGE_LOADED, "lens_4", subject="44"),
        said(
            EntryKind.CHARGE_LOADED,
            "lens_4",
            subject="44",
            loading=Loading(
                age_s=60.0,
                preheat_c=100.0,
                preheat_s=1200.0,
                mass_kg=0.03,
                lot="L2031",
                expires_utc_ns=10,
                out_of_store_s=3600.0,
                storage=Storage(0.0, 24.5, 21.2, 86400.0),
            ),
        ),
    ],
)
def test_an_entry_reads_back_from_its_event(told: Entry) -> None:
    """So that a replay can make it again."""
    assert entry_of(entered(told, "lens_4")) == told


def test_an_entry_from_before_one_shot_shelving_reads_back() -> None:
    """Its event does not say it, so it was timed."""
    told = said(EntryKind.SHELVE, HOT, duration_s=60.0)
    event = entered(told, "lens_4")
    older = tuple(pair for pair in event.details if pair[0] != "is_one_shot")
    assert entry_of(replace(event, details=older)) == told


def test_ranges_of_parts_are_read() -> None:
    """Numbers, ranges, spaces; nothing else."""
    assert part_ranges("7") == ((7, 7),)
    assert part_ranges(" 7 - 9 ,12") == ((7, 9), (12, 12))
    for text in ("", "a", "7-", "9-7", "7;8", "-7"):
        assert part_ranges(text) == ()


@pytest.mark.parametrize(
    "loading",
    [
        Loading(age_s=float("nan")),
        Loading(age_s=-1.0),
        Loading(age_s=1e300),
        Loading(preheat_c=100.0, preheat_s=float("inf")),
        Loading(preheat_c=-300.0, preheat_s=60.0),
        Loading(mass_kg=0.0),
        Loading(mass_kg=float("nan"), is_refill=True),
        Loading(out_of_store_s=-1.0),
        Loading(expires_utc_ns=2**63),
        Loading(storage=Storage(float("nan"), 24.5, 21.2, 86400.0)),
        Loading(storage=Storage(0.0, 24.5, 21.2, 86400.0, blind_s=-1.0)),
    ],
)
def test_a_number_that_cannot_be_is_refused(loading: Loading) -> None:
    """By its name; nothing of the charge is taken."""
    told = said(EntryKind.CHARGE_LOADED, "lens_4", subject="44", loading=loading)
    assert str(refusal(hot_cell(), told)).startswith("expected ")


def test_somebody_says_it() -> None:
    """An entry without a name is refused: a charge would look as if the controller had named it."""
    told = said(EntryKind.CHARGE_LOADED, "lens_4", subject="44", who=" ")
    state, (event,) = enter(hot_cell(), told, PLAN)
    assert state == hot_cell()
    assert event.detail("why") == "nobody is named who says it"


HOT_CELL = hot_cell()
WHOLE = st.one_of(st.integers(), st.sampled_from([0, 10, 2**63 - 1]))
ODD = ("lens_4/syringe", "press_1", "", "/", "lens_4//")


def said_with(numbers: st.SearchStrategy[float], *targets: str) -> st.SearchStrategy[Entry]:
    """Anything that can be put into words and numbers."""
    return st.builds(
        Entry,
        kind=st.sampled_from(EntryKind),
        target=st.sampled_from(targets),
        at=st.just(instant(5.0)),
        who=st.sampled_from(["ann", "bob", ""]),
        why=st.text(max_size=3),
        subject=st.text(max_size=3) | st.sampled_from(["7-9", "b_2"]),
        duration_s=numbers,
        loading=st.none()
        | st.builds(
            Loading,
            age_s=st.none() | numbers,
            preheat_c=st.none() | numbers,
            preheat_s=numbers,
            mass_kg=st.none() | numbers,
            is_refill=st.booleans(),
            lot=st.text(max_size=3),
            expires_utc_ns=st.none() | WHOLE,
            out_of_store_s=st.none() | numbers,
            storage=st.none() | st.builds(Storage, numbers, numbers, numbers, numbers, numbers),
        ),
        check=st.none() | st.builds(Check, numbers, numbers),
        word=st.sampled_from(["", "real", "scrapped"]),
        id=st.just("a1"),
        said_utc_ns=st.integers(0, 2**63 - 1),
        is_one_shot=st.booleans(),
    )


SENSIBLE = said_with(st.floats(0.1, 300.0), "lens_4", "lens_4/nozzle", HOT)


@settings(max_examples=400, derandomize=True, deadline=None)
@given(said_with(st.floats(), "lens_4", HOT, UNSEEN, *ODD) | SENSIBLE | SENSIBLE)
def test_whatever_is_said_never_raises(told: Entry) -> None:
    """It is refused and changes nothing, or it is kept with all that was said, for good."""
    before = HOT_CELL
    state, events = enter(before, told, PLAN)
    assert {event.at for event in events} == {told.at}
    if events[0].kind is EventKind.ENTRY_REFUSED:
        assert (len(events), state) == (1, before)
    else:
        assert entry_of(recorded(events[0])) == told
    assert load_state(CellState, dump_state(state)) == state


def recorded(event: Event) -> Event:
    """The event as it comes back from a ledger."""
    return replace(event, details=tuple(json.loads(details_text(event)).items()))
