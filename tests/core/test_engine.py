"""The engine's promises as properties, and what a cell does with its own signals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from support.cells import (
    AMBIENT,
    BUILD_UP,
    CHARGE_ID,
    COLD,
    DISPENSING,
    HIGH_C,
    HOSE,
    HOT,
    LOW_C,
    OUTPUT,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    UNSEEN,
    WIPED,
    alarm,
    alarm_story,
    block,
    cell,
    entry,
    full_cell,
    hose,
    instant,
    line,
    nozzle,
    of_kind,
    run,
    second,
    zone,
)
from support.strategies import chaos, cut, only, stories, without_sight
from watchedpot.core import engine, wear
from watchedpot.core.engine import CellState
from watchedpot.core.exposure import total
from watchedpot.core.model import (
    ARRAY_FIELDS,
    Block,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Quality,
    join_blocks,
)
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import Activity, AlarmState, Exposure, Phase
from watchedpot.core.units import NANO

FULL = full_cell()
SAME = settings(derandomize=True, deadline=None, database=None, max_examples=30)

OF_SECOND_SOURCE = (SETPOINT, DISPENSING, PARTS, CHARGE_ID, WIPED)
OF_FIRST_SOURCE = (TEMPERATURE, OUTPUT, AMBIENT, HOSE)


def two_sources(rows: Block) -> list[Block]:
    """The same rows as two sources serve them: temperatures here, the cell's signals there."""
    return [only(rows, OF_FIRST_SOURCE, "heat"), only(rows, OF_SECOND_SOURCE, "plc")]


def accounts(state: CellState) -> list[Exposure]:
    """Each zone's account over all activities."""
    return [total(zone_state.account) for zone_state in state.zones]


def signature(events: Sequence[Event]) -> str:
    """Events as text, so that equal means equal in every digit."""
    return "\n".join(map(repr, events))


# P1


@SAME
@given(st.lists(chaos(), min_size=1, max_size=4))
def test_no_sequence_of_readings_makes_it_raise(blocks: list[Block]) -> None:
    """P1: any quality, nan, order and repeats give a state that can be shown and recorded."""
    state, _ = run(FULL, *blocks)
    taken = sum(sum(zone_state.readings) for zone_state in state.zones) / len(state.zones)
    assert taken + state.ignored_rows == sum(map(len, blocks))
    shown = engine.snapshot(state, FULL)
    assert (shown is None) == (taken == 0)
    adapter = TypeAdapter(CellState)
    assert adapter.validate_json(adapter.dump_json(state)) == state


@SAME
@given(st.lists(chaos(), min_size=1, max_size=4))
def test_two_sources_in_any_order_never_make_it_raise(blocks: list[Block]) -> None:
    """P1: the same when two sources come in turn, each with times of its own."""
    state, _ = run(FULL, *(part for rows in blocks for part in two_sources(rows)))
    assert all(account.blind_ns >= 0 for account in accounts(state))


# P2


@SAME
@given(st.data())
def test_cutting_a_series_changes_nothing(data: st.DataObject) -> None:
    """P2: step(a + b) is step(a) then step(b), states and events to the last digit."""
    whole = data.draw(stories())
    pieces = data.draw(cut(whole))
    state, events = run(FULL, whole)
    again, pieced = run(FULL, *pieces)
    assert signature(pieced) == signature(events)
    assert again == state


@settings(SAME, max_examples=10)
@given(stories())
def test_row_by_row_is_the_same_as_at_once(whole: Block) -> None:
    """P2: live operation, a row a step, against a replay in one block."""
    state, events = run(FULL, whole)
    again, pieced = run(FULL, *(whole.rows(n, n + 1) for n in range(len(whole))))
    assert signature(pieced) == signature(events)
    assert again == state


@SAME
@given(st.data())
def test_cutting_chaos_changes_nothing(data: st.DataObject) -> None:
    """P2: it holds for rows without any sense, late and repeated ones among them."""
    whole = data.draw(chaos())
    pieces = data.draw(cut(whole))
    state, events = run(FULL, whole)
    again, pieced = run(FULL, *pieces)
    assert signature(pieced) == signature(events)
    assert again == state


@SAME
@given(st.data())
def test_cutting_one_of_two_sources_changes_nothing(data: st.DataObject) -> None:
    """P2: it holds source by source, whatever the other one told before."""
    whole = data.draw(stories())
    heat, plc = two_sources(whole)
    state, events = run(FULL, plc, heat)
    again, pieced = run(FULL, *data.draw(cut(plc)), *data.draw(cut(heat)))
    assert signature(pieced) == signature(events)
    assert again == state


def test_a_charge_number_with_a_fraction_is_the_same_charge_in_one_block_and_in_two() -> None:
    """P2: a controller that gives its charge number as 7.2 and 7.4 has loaded nothing."""
    plan = cell(zone(), charge_id=CHARGE_ID)
    rows = block({TEMPERATURE: [115.0, 115.0], CHARGE_ID: [7.2, 7.4]})
    _, at_once = run(plan, rows)
    _, in_two = run(plan, rows.rows(0, 1), rows.rows(1, 2))
    assert signature(at_once) == signature(in_two)


# P3 is a test of the whole daemon; P4 to P9 follow.


@SAME
@given(st.data())
def test_totals_never_fall_within_a_charge(data: st.DataObject) -> None:
    """P4: account and wear only grow until a charge is loaded or a nozzle wiped."""
    plan = engine.plan_cell(replace(FULL.rules, charge_id=None, wiped=None))
    state = engine.start(plan)
    for piece in data.draw(cut(data.draw(stories()))):
        before = state
        state, _ = engine.step(state, piece, plan)
        for old, new in zip(before.zones, state.zones, strict=True):
            assert new.build_up_ns >= old.build_up_ns
            assert new.degradation_ns >= old.degradation_ns
            for was, is_now in zip(old.account, new.account, strict=True):
                for name in (field.name for field in fields(Exposure)):
                    assert getattr(is_now, name) >= getattr(was, name)


@SAME
@given(st.lists(chaos(), min_size=1, max_size=3))
def test_no_reading_makes_a_total_anything_but_a_whole_number(blocks: list[Block]) -> None:
    """P4: nan and infinity on the wire leave every total an integer, none below zero."""
    state, _ = run(FULL, *blocks)
    for zone_state in state.zones:
        numbers = [zone_state.build_up_ns, zone_state.degradation_ns]
        numbers += [
            getattr(part, field.name) for part in zone_state.account for field in fields(Exposure)
        ]
        assert all(type(number) is int and number >= 0 for number in numbers)


@SAME
@given(st.data())
def test_totals_add_up_over_neighbouring_stretches(data: st.DataObject) -> None:
    """P5: over A then B is over A and B, split at a sample that both share."""
    plan = engine.plan_cell(replace(FULL.rules, charge_id=None, wiped=None))
    whole = data.draw(stories())
    at = data.draw(st.integers(1, len(whole)))
    together, _ = run(plan, whole)
    first, _ = run(plan, whole.rows(0, at))
    second_part, _ = run(plan, whole.rows(at - 1, len(whole)))
    sums = [a + b for a, b in zip(accounts(first), accounts(second_part), strict=True)]
    assert sums == accounts(together)
    assert (
        first.zones[0].degradation_ns + second_part.zones[0].degradation_ns
        == together.zones[0].degradation_ns
    )


_BETTER = {
    AlarmState.NORMAL.value,
    AlarmState.RETURNED_UNACKNOWLEDGED.value,
    AlarmState.LATCHED_UNACKNOWLEDGED.value,
    AlarmState.LATCHED_ACKNOWLEDGED.value,
    AlarmState.SUPPRESSED_BY_DESIGN.value,
}


@SAME
@given(stories(), st.integers(1, 40))
def test_readings_that_are_not_good_clear_and_complete_nothing(rows: Block, gone_s: int) -> None:
    """P6: while nothing good comes no zone's alarm gets better, no phase or excursion changes."""
    state, _ = run(FULL, rows)
    start_ns = int(rows.mono_ns[-1])
    silence = without_sight(
        block(dict.fromkeys(rows.channels, 0.0), start_s=start_ns / NANO + 1.0, rows=gone_s)
    )
    after, events = run(FULL, silence, state=state)
    assert not of_kind(events, EventKind.PHASE_CHANGED)
    assert not of_kind(events, EventKind.EXCURSION_ENDED)
    for event in of_kind(events, EventKind.ALARM_CHANGED):
        is_better = event.detail("to") in _BETTER and event.detail("from") != event.detail("to")
        assert not (event.zone and is_better)
        assert not (event.zone and event.detail("input") in {"off", "eased"})
    assert [z.phase for z in after.zones] == [z.phase for z in state.zones]
    assert [z.build_up_ns for z in after.zones] == [z.build_up_ns for z in state.zones]
    shown = engine.snapshot(after, FULL)
    assert shown is not None
    assert {zone_shown.phase for zone_shown in shown.zones} == {Phase.UNKNOWN}


@SAME
@given(st.data())
def test_every_elapsed_nanosecond_is_in_one_place(data: st.DataObject) -> None:
    """P7: below + inside + above + blind is the time from the first row to the newest."""
    whole = data.draw(stories())
    for state in (run(FULL, whole)[0], run(FULL, *data.draw(cut(whole)))[0]):
        for account in accounts(state):
            parts = account.below_ns, account.inside_ns, account.above_ns, account.blind_ns
            assert min(parts) >= 0
            assert sum(parts) == account.elapsed_ns == int(whole.mono_ns[-1] - whole.mono_ns[0])
            assert 0.0 <= account.coverage <= 1.0


@SAME
@given(stories())
def test_nothing_is_credited_after_the_last_sample(rows: Block) -> None:
    """P7: a long silence behind the last good row is blind, every nanosecond of it."""
    state, _ = run(FULL, rows)
    late = block({TEMPERATURE: None, HOSE: None}, start_s=int(rows.mono_ns[-1]) / NANO + 3600.0)
    after, _ = run(FULL, late, state=state)
    passed_ns = int(late.mono_ns[0] - rows.mono_ns[-1])
    for old, new in zip(accounts(state), accounts(after), strict=True):
        assert new.seen_ns == old.seen_ns
        assert new.blind_ns - old.blind_ns == passed_ns


@SAME
@given(
    st.lists(st.floats(120.0, 140.0), min_size=2, max_size=20),
    st.floats(0.1, 3.0),
)
def test_degradation_lies_between_its_rates_at_the_coldest_and_hottest(
    temps_c: list[float], period_s: float
) -> None:
    """P8: for lo <= T <= hi it is no less than rate(lo) t and no more than rate(hi) t."""
    state, _ = run(cell(zone()), nozzle(temps_c, period_s=period_s))
    rates = wear.arrhenius(np.array([min(temps_c), max(temps_c)]), ref_c=HIGH_C, ea_j_per_mol=80e3)
    account = accounts(state)[0]
    coldest, hottest = rates * account.seen_ns
    # A line that touches the edge from above has no time on it; each step rounds to 1 ns.
    assert state.zones[0].degradation_ns <= hottest + len(temps_c)
    if min(temps_c) > HIGH_C:
        assert state.zones[0].degradation_ns >= coldest - len(temps_c)


@SAME
@given(
    st.lists(st.floats(80.0, 109.9), min_size=2, max_size=20),
    st.floats(0.1, 3.0),
)
def test_build_up_lies_between_its_rates_at_the_warmest_and_coldest(
    temps_c: list[float], period_s: float
) -> None:
    """P8: the same for the viscosity excess of a cold nozzle."""
    state, _ = run(cell(zone()), nozzle(temps_c, period_s=period_s))
    warmest, coldest = (
        wear.arrhenius(np.array([max(temps_c), min(temps_c)]), ref_c=LOW_C, ea_j_per_mol=-50e3)
        - 1.0
    ) * accounts(state)[0].seen_ns
    assert warmest - len(temps_c) <= state.zones[0].build_up_ns <= coldest + len(temps_c)


@SAME
@given(st.lists(st.one_of(chaos(), stories()), min_size=1, max_size=3))
def test_step_changes_nothing_it_was_given(blocks: list[Block]) -> None:
    """P9: read-only arrays do, and the state before is the same afterwards."""
    state = engine.start(FULL)
    for rows in blocks:
        for name in ARRAY_FIELDS:
            getattr(rows, name).flags.writeable = False
        copies = {name: getattr(rows, name).copy() for name in ARRAY_FIELDS}
        before, looked = repr(state), hash(state)
        after, _ = engine.step(state, rows, FULL)
        assert repr(state) == before
        assert hash(state) == looked
        for name, copy in copies.items():
            np.testing.assert_array_equal(getattr(rows, name), copy)
        state = after


# What a cell does with its own signals


def test_late_and_repeated_rows_are_dropped_and_counted() -> None:
    """A row that is not later than all before it says nothing new, in one block or in two."""
    plan = cell(zone())
    late = nozzle([115.0, 150.0, 150.0, 115.0], at_s=[0.0, -1.0, 0.0, 1.0])
    state, events = run(plan, late, nozzle([150.0], at_s=[1.0]))
    assert state.ignored_rows == 3
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    assert accounts(state)[0] == Exposure(inside_ns=NANO)


def test_each_source_has_an_order_of_its_own() -> None:
    """A row is late only against rows of its own source."""
    plan = cell(zone())
    state, _ = run(
        plan,
        block({DISPENSING: [1.0]}, start_s=10.0, source="plc"),
        block({TEMPERATURE: [115.0, 115.0]}, start_s=5.0, source="heat"),
    )
    assert state.ignored_rows == 0
    assert dict(state.rows) == {"plc": 10 * NANO, "heat": 6 * NANO}


def test_an_empty_block_changes_nothing() -> None:
    """No rows, no state, no events; not even a cell that has begun."""
    plan = cell(zone())
    state, events = run(plan, nozzle([115.0]).rows(0, 0))
    assert state == engine.start(plan)
    assert not events
    assert engine.snapshot(state, plan) is None


def test_production_starts_with_the_melt_and_stops_a_hold_after_it() -> None:
    """Each is told once, with the parts counter of its row."""
    plan = cell(zone(), production_hold_s=5.0, parts=PARTS)
    flows = [0.0] * 3 + [1.0] * 4 + [0.0] * 10
    rows = block({TEMPERATURE: 115.0, DISPENSING: flows, PARTS: list(map(float, range(17)))})
    _, events = run(plan, rows)
    started = of_kind(events, EventKind.PRODUCTION_STARTED)
    stopped = of_kind(events, EventKind.PRODUCTION_STOPPED)
    assert [(second(e), e.detail("parts")) for e in started] == [(3.0, 3)]
    assert [(second(e), e.detail("parts")) for e in stopped] == [(12.0, 12)]


def test_production_that_stops_while_only_temperatures_come_is_told_all_the_same() -> None:
    """Every start has its stop, whichever source brings the row that ends the hold."""
    plan = cell(zone(), production_hold_s=5.0)
    _, events = run(
        plan,
        block({DISPENSING: [1.0]}, source="plc"),
        block({TEMPERATURE: [115.0] * 11}, start_s=0.5, source="heat"),
        block({DISPENSING: [0.0]}, start_s=12.0, source="plc"),
    )
    assert len(of_kind(events, EventKind.PRODUCTION_STARTED)) == 1
    assert len(of_kind(events, EventKind.PRODUCTION_STOPPED)) == 1


def test_a_cell_without_a_dispensing_signal_counts_as_producing() -> None:
    """A cold nozzle alarms there; whether production runs is shown as not known."""
    plan = cell(zone(alarm(AlarmKind.COLD)), dispensing=None)
    state, events = run(plan, block({TEMPERATURE: [115.0, 115.0, 105.0], SETPOINT: 115.0}))
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)][-1] == "unacknowledged"
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.is_in_production is None
    assert shown.is_dispensing is None
    assert state.zones[0].build_up_ns == 0
    ready = shown.zones[0].exposure[Activity.READY_IDLE]
    assert ready.elapsed_ns == 2 * NANO


def test_a_lost_dispensing_signal_is_believed_for_its_hold_and_then_unknown() -> None:
    """Behind the hold time goes to the activity that says so, and builds nothing up."""
    plan = cell(zone(), gate_hold_s=2.0)
    flows = [1.0, *[None] * 9]
    state, _ = run(plan, nozzle([105.0] * 10, dispensing=flows))
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.is_dispensing is None
    of = shown.zones[0].exposure
    assert of[Activity.DISPENSING].elapsed_ns == 3 * NANO
    assert of[Activity.UNKNOWN].elapsed_ns == 6 * NANO


def test_a_wipe_is_seen_where_the_signal_rises() -> None:
    """Build-up is taken back at that row and begins again behind it."""
    plan = cell(zone(), wiped=WIPED)
    rows = block(
        {TEMPERATURE: 105.0, SETPOINT: 115.0, DISPENSING: 1.0, WIPED: [0.0] * 5 + [1.0] * 6}
    )
    until_wipe, _ = run(plan, rows.rows(0, 5))
    state, events = run(plan, rows)
    (wiped,) = of_kind(events, EventKind.WIPED)
    assert second(wiped) == 5.0
    one_second_ns = until_wipe.zones[0].build_up_ns // 4
    assert state.zones[0].build_up_ns == 5 * one_second_ns
    assert wiped.detail("build_up_s") == pytest.approx(5 * one_second_ns / NANO, abs=1e-9)


@pytest.mark.parametrize("before", [[], [None]])
def test_a_wipe_signal_that_is_up_when_first_seen_is_no_wipe(before: list[float | None]) -> None:
    """A gap begins nothing: only seen down, then seen up, is a wipe."""
    plan = cell(zone(), wiped=WIPED)
    _, events = run(plan, block({TEMPERATURE: 115.0, WIPED: [*before, 1.0, 1.0]}))
    assert not of_kind(events, EventKind.WIPED)


def test_a_charge_change_takes_its_degradation_with_it() -> None:
    """0 is no name: a controller that restarts with the same charge has loaded nothing."""
    plan = cell(
        zone(alarm(AlarmKind.DEGRADATION, limit_s=3.0, is_latching=True)), charge_id=CHARGE_ID
    )
    charges = [7.0] * 10 + [0.0] * 3 + [7.0] * 3 + [8.0] * 2
    rows = block({TEMPERATURE: 121.0, SETPOINT: 115.0, CHARGE_ID: charges})
    state, events = run(plan, rows)
    changes = of_kind(events, EventKind.CHARGE_CHANGED)
    told = [(second(e), e.detail("charge_id"), e.detail("previous")) for e in changes]
    assert told == [(0.0, "7", None), (16.0, "8", "7")]
    assert state.charge_id == "8"
    assert state.zones[0].degradation_ns == pytest.approx(1.066 * NANO, rel=0.01)
    story = alarm_story(events, AlarmKind.DEGRADATION)
    assert [to for _, to in story] == [
        "unacknowledged",
        "latched_unacknowledged",
        "returned_unacknowledged",
    ]
    assert [at for at, _ in story][1:] == [16.0, 16.0]


def test_a_charge_is_marked_overheated_once_and_a_new_one_is_not() -> None:
    """However often the ceiling is passed; loading another charge takes the mark away."""
    plan = cell(zone())
    over = line((0, 115.0), (5, 145.0), (10, 115.0), (15, 145.0), (20, 115.0))
    state, events = run(plan, nozzle(over))
    marks = of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert [second(e) for e in marks] == [pytest.approx(25 / 6, abs=1e-9)]
    assert state.is_overheated
    load = entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=21.0, subject="b_2")
    state, events = run(plan, load, state=state)
    assert not state.is_overheated
    assert events[0].detail("charge_id") == "b_2"


def test_a_charge_loaded_while_the_zone_is_over_the_ceiling_is_overheated_too() -> None:
    """The new charge meets the same heat: the first good reading says so again."""
    plan = cell(zone())
    state, _ = run(plan, nozzle([115.0, 145.0, 145.0]))
    load = entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=2.5, subject="b_2")
    state, _ = run(plan, load, nozzle([145.0] * 5, start_s=3.0), state=state)
    assert state.charge_id == "b_2"
    assert state.is_overheated


# The alarm that a zone is not seen


def test_zones_not_seen_for_one_cause_are_one_alarm() -> None:
    """Both zones go with their source: one alarm of the cell, dated from the last good row."""
    unseen = alarm(AlarmKind.UNSEEN, on_delay_s=5.0, off_delay_s=2.0, deadband_k=0.0)
    plan = cell(zone(), hose(), alarms=(unseen,))
    temps = [115.0] * 11 + [None] * 10 + [115.0] * 5
    state, events = run(plan, block({TEMPERATURE: temps, HOSE: temps}))
    story = alarm_story(events, AlarmKind.UNSEEN)
    assert story == [(15.0, "unacknowledged"), (23.0, "returned_unacknowledged")]
    raised, cleared = of_kind(events, EventKind.ALARM_CHANGED)
    assert raised.detail("zones") == "hose nozzle"
    assert raised.detail("onset_ns") == 10 * NANO
    assert cleared.detail("zones") == ""
    assert state.unseen_zones == ()


def test_a_cell_that_never_sees_a_zone_alarms_from_its_first_row() -> None:
    """The account opens with the first row; nothing good after it is worth the alarm."""
    unseen = alarm(AlarmKind.UNSEEN, on_delay_s=5.0)
    _, events = run(cell(zone(), alarms=(unseen,)), nozzle([None] * 10))
    assert alarm_story(events, AlarmKind.UNSEEN) == [(5.0, "unacknowledged")]


def test_a_cell_without_that_alarm_still_knows_which_zones_it_does_not_see() -> None:
    """The names are kept for the day the alarm is configured."""
    state, events = run(cell(zone(), hose()), nozzle([115.0, None]))
    assert state.unseen_zones == ("hose", "nozzle")
    assert state.unseen is None
    assert not of_kind(events, EventKind.ALARM_CHANGED)


# What people say

WITH_ALARMS = cell(
    zone(
        alarm(AlarmKind.HOT, deadband_k=0.0),
        alarm(AlarmKind.BUILD_UP, limit_s=1.0, is_latching=True, deadband_k=0.0),
    ),
    hose(),
    alarms=(alarm(AlarmKind.UNSEEN),),
)


def hot_state() -> CellState:
    """A cell whose nozzle has alarmed hot and is still too hot."""
    return run(WITH_ALARMS, nozzle([115.0, 125.0, 125.0]))[0]


def hot_alarm(state: CellState) -> AlarmState:
    """State of the nozzle's hot alarm."""
    return state.zones[0].tracks[0].alarm.state


def test_an_acknowledgement_is_recorded_with_who_and_why() -> None:
    """A person's input comes back as the event of its alarm."""
    said = entry(EntryKind.ACKNOWLEDGE, HOT, at_s=3.0, why="fan is off")
    state, (event,) = run(WITH_ALARMS, said, state=hot_state())
    assert hot_alarm(state) is AlarmState.ACKNOWLEDGED
    assert event.kind is EventKind.ALARM_CHANGED
    assert (event.detail("who"), event.detail("why")) == ("operator", "fan is off")
    assert event.at == instant(3.0)


@pytest.mark.parametrize(
    ("kind", "after"),
    [
        (EntryKind.SHELVE, AlarmState.SHELVED),
        (EntryKind.TAKE_OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE),
    ],
)
def test_a_person_can_put_an_alarm_aside_and_take_it_back(
    kind: EntryKind, after: AlarmState
) -> None:
    """Taken back, the condition of that moment decides: still hot is unacknowledged."""
    back = {
        EntryKind.SHELVE: EntryKind.UNSHELVE,
        EntryKind.TAKE_OUT_OF_SERVICE: EntryKind.RETURN_TO_SERVICE,
    }[kind]
    aside, _ = run(WITH_ALARMS, entry(kind, HOT, at_s=3.0, duration_s=600.0), state=hot_state())
    assert hot_alarm(aside) is after
    again, _ = run(WITH_ALARMS, entry(back, HOT, at_s=4.0), state=aside)
    assert hot_alarm(again) is AlarmState.UNACKNOWLEDGED


def test_the_alarm_of_the_cell_takes_inputs_too() -> None:
    """It is named by cell and kind, without a zone."""
    said = entry(EntryKind.ACKNOWLEDGE, UNSEEN, at_s=3.0)
    state, (event,) = run(WITH_ALARMS, said, state=hot_state())
    assert state.unseen is not None
    assert state.unseen.alarm.state is AlarmState.ACKNOWLEDGED
    assert event.zone == ""


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (entry(EntryKind.ACKNOWLEDGE, BUILD_UP, at_s=3.0), "the alarm is normal"),
        (entry(EntryKind.SHELVE, HOT, at_s=3.0), "shelving takes up to 86400 s"),
        (entry(EntryKind.RESET, COLD, at_s=3.0), "the cell has no such alarm"),
        (entry(EntryKind.RESET, "housing_7/nozzle/hot", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.WIPED, "lens_4/hose", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.WIPED, "lens_4/tank", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=3.0), "the cell has no such thing"),
        (
            entry(EntryKind.CHARGE_LOADED, "lens_4/nozzle", at_s=3.0, subject="b"),
            "the cell has no such thing",
        ),
    ],
    ids=lambda value: value.kind.value if isinstance(value, Entry) else "",
)
def test_an_entry_that_makes_no_sense_is_refused_with_a_reason(said: Entry, why: str) -> None:
    """The state stays; the person is told by an event."""
    before = hot_state()
    state, (event,) = run(WITH_ALARMS, said, state=before)
    assert state == before
    assert event.kind is EventKind.ENTRY_REFUSED
    assert event.detail("why") == why
    assert (event.detail("entry"), event.detail("target")) == (said.kind.value, said.target)


def test_a_wipe_that_a_person_tells_takes_the_build_up_back() -> None:
    """Of the named nozzle, or of every nozzle of the cell; its latched alarm is reset."""
    rows = nozzle(line((0, 115.0), (2, 100.0), (30, 100.0)))
    full, _ = run(WITH_ALARMS, rows)
    assert full.zones[0].build_up_ns > NANO
    for target in ("lens_4", "lens_4/nozzle"):
        said = entry(EntryKind.WIPED, target, at_s=31.0)
        state, events = run(WITH_ALARMS, said, state=full)
        assert state.zones[0].build_up_ns == 0
        (wiped,) = of_kind(events, EventKind.WIPED)
        assert wiped.detail("who") == "operator"
        assert [to for _, to in alarm_story(events, AlarmKind.BUILD_UP)] == [
            "latched_unacknowledged",
            "returned_unacknowledged",
        ]


def test_a_wipe_in_a_cell_without_a_nozzle_is_refused() -> None:
    """Nothing was wiped, and the person learns it."""
    plan = cell(hose())
    _, events = run(plan, entry(EntryKind.WIPED, "lens_4", at_s=1.0))
    assert [event.kind for event in events] == [EventKind.ENTRY_REFUSED]


# Another configuration


def test_a_state_under_the_same_configuration_goes_on_unchanged() -> None:
    """Adopting what one has is the identity."""
    state = hot_state()
    assert engine.adopt(state, WITH_ALARMS) == state


def test_a_state_under_another_configuration_keeps_what_is_still_there() -> None:
    """Known zones and alarms go on, new ones start, others are forgotten."""
    state = hot_state()
    plan = cell(
        zone(alarm(AlarmKind.COLD), alarm(AlarmKind.HOT)),
        hose(id="tank"),
        alarms=(alarm(AlarmKind.UNSEEN),),
    )
    adopted = engine.adopt(state, plan)
    assert [z.id for z in adopted.zones] == ["nozzle", "tank"]
    assert adopted.zones[0].account == state.zones[0].account
    assert [track.id for track in adopted.zones[0].tracks] == [COLD, HOT]
    assert adopted.zones[0].tracks[1] == state.zones[0].tracks[0]
    assert adopted.unseen == state.unseen
    assert adopted.unseen_zones == ("tank",)
    assert adopted.zones[1] == engine.start(plan).zones[1]


def test_an_alarm_that_got_a_second_stage_starts_anew() -> None:
    """Its delays no longer fit."""
    plan = cell(zone(alarm(AlarmKind.HOT), alarm(AlarmKind.OVER_CEILING)))
    adopted = engine.adopt(hot_state(), plan)
    assert adopted.zones[0].tracks == engine.start(plan).zones[0].tracks
    assert adopted.unseen is None


def test_a_moved_window_dates_no_crossing_into_the_future() -> None:
    """The next row is judged by the new edges, though no line between the rows crosses them."""
    state, _ = run(cell(zone()), nozzle([115.0, 115.0], setpoint_c=118.0))
    plan = cell(zone(low_c=117.0))
    adopted = engine.adopt(state, plan)
    after, events = run(plan, nozzle([115.5, 115.5], start_s=2.0, setpoint_c=118.0), state=adopted)
    assert after.zones[0].is_below
    (opened,) = of_kind(events, EventKind.EXCURSION_OPENED)
    assert 1.0 <= second(opened) <= 2.0


def test_a_moved_window_over_a_level_line_does_not_raise() -> None:
    """The same when the temperature has not moved at all."""
    state, _ = run(cell(zone()), nozzle([115.0, 115.0]))
    plan = cell(zone(low_c=117.0))
    after, _ = run(plan, nozzle([115.0], start_s=2.0), state=engine.adopt(state, plan))
    assert after.zones[0].is_below


# What the outputs are shown


def test_the_snapshot_shows_each_signal_while_it_is_fresh() -> None:
    """Numbers of the newest row; the signals of the cell only within their hold."""
    plan = cell(
        zone(output=OUTPUT, alarms=(alarm(AlarmKind.HOT),)),
        parts=PARTS,
        ambient=AMBIENT,
        gate_hold_s=3.0,
        alarms=(alarm(AlarmKind.UNSEEN),),
    )
    signals = {TEMPERATURE: 115.5, SETPOINT: 115.0, OUTPUT: 22.0, DISPENSING: 1.0}
    rows = block({**signals, PARTS: 41.0, AMBIENT: 23.5}, rows=2)
    state, _ = run(plan, rows)
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert (shown.is_dispensing, shown.is_in_production) == (True, True)
    assert (shown.parts, shown.ambient_c, shown.at) == (41, 23.5, instant(1.0))
    zone_shown = shown.zones[0]
    assert (zone_shown.temp_c, zone_shown.setpoint_c, zone_shown.output_percent) == (
        115.5,
        115.0,
        22.0,
    )
    assert [a.id for a in shown.alarms] == [HOT, UNSEEN]
    late, _ = run(plan, block({TEMPERATURE: [115.5]}, start_s=10.0), state=state)
    shown = engine.snapshot(late, plan)
    assert shown is not None
    assert (shown.is_dispensing, shown.parts, shown.ambient_c) == (None, None, None)
    assert (shown.zones[0].setpoint_c, shown.zones[0].output_percent) == (None, None)


def test_a_setpoint_may_come_from_another_source_than_the_temperature() -> None:
    """It is noted when it comes and held for the rows of the other one."""
    plan = cell(zone())
    _, events = run(
        plan,
        block({SETPOINT: [115.0]}, source="plc"),
        block({TEMPERATURE: [60.0, 60.0]}, start_s=1.0, source="heat"),
    )
    changes = of_kind(events, EventKind.PHASE_CHANGED)
    assert [e.detail("to") for e in changes] == ["heating"]


def test_events_of_one_block_stand_in_the_order_of_the_rows_that_show_them() -> None:
    """Whatever zone or machine they come from."""
    rows = line((0, 25.0), (10, 115.0), (20, 145.0), (30, 105.0))
    block_of_all = block(
        {
            TEMPERATURE: rows,
            SETPOINT: 115.0,
            HOSE: rows[::-1],
            DISPENSING: [float(n % 2) for n in range(31)],
        }
    )
    _, events = run(FULL, block_of_all)
    assert len(events) > 10
    shown_by = [-(-e.at.mono_ns // NANO) for e in events]
    assert all(a <= b + 1 for a, b in pairwise(shown_by))


def test_joining_what_was_cut_is_the_whole_again() -> None:
    """The pieces that these tests cut are views of the same rows."""
    whole = nozzle(line((0, 100.0), (9, 118.0)))
    joined = join_blocks([whole.rows(0, 4), whole.rows(4, 10)])
    assert signature(run(FULL, joined)[1]) == signature(run(FULL, whole)[1])
    assert set(whole.quality.ravel().tolist()) == {Quality.GOOD}


# What a signal must not undo


def test_a_charge_that_a_person_loaded_stays_until_the_controller_names_another() -> None:
    """A controller that goes on showing its old number has not loaded the old charge again."""
    plan = cell(zone(), charge_id=CHARGE_ID)
    shown = {TEMPERATURE: 115.0, CHARGE_ID: 7.0}
    state, _ = run(
        plan,
        block(shown, rows=2),
        entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=1.5, subject="b_2"),
        block(shown, start_s=2.0, rows=2),
    )
    assert state.charge_id == "b_2"
    state, _ = run(plan, block(shown | {CHARGE_ID: 8.0}, start_s=4.0), state=state)
    assert state.charge_id == "8"


def test_the_time_of_a_cell_never_goes_back() -> None:
    """A source that is read later with earlier rows does not make the snapshot older."""
    plan = cell(zone())
    state, _ = run(
        plan,
        block({DISPENSING: [1.0]}, start_s=10.0, source="plc"),
        block({TEMPERATURE: [115.0]}, start_s=5.0, source="heat"),
    )
    assert state.at == instant(10.0)


@pytest.mark.parametrize("duration_s", [float("nan"), float("inf")])
def test_shelving_for_no_length_of_time_is_refused(duration_s: float) -> None:
    """Neither nan nor for ever; it is refused, not raised."""
    said = entry(EntryKind.SHELVE, HOT, at_s=3.0, duration_s=duration_s)
    _, (event,) = run(WITH_ALARMS, said, state=hot_state())
    assert event.kind is EventKind.ENTRY_REFUSED
