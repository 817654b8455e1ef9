"""The core of a charge: nodes, edges, blind stretches, forecasts, and a shift's interruptions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import alarm, alarm_story, block, line, of_kind, run, second
from support.reservoir import (
    HELD_C,
    HOUR_S,
    NOZZLE_C,
    ROOM_C,
    SETBACK_C,
    SOAK,
    TIMER,
    charged_cell,
    material,
    outlet,
    reservoir,
    shift,
    shown,
    soaked,
)
from watchedpot.core import soak, warming
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.model import Block, Event, EventKind, join_blocks
from watchedpot.core.rules import AlarmKind, ChargeRules, SoakRules
from watchedpot.core.series import Edge, Sample, Series, continue_series
from watchedpot.core.snapshot import Advice, Why
from watchedpot.core.soak import SoakState
from watchedpot.core.units import NANO, ns
from watchedpot.core.warming import (
    CorePlan,
    CoreState,
    Forecast,
    Start,
    adopted_core,
    follow,
    forecast,
    loaded_core,
    plan_core,
    unknown_core,
)

GAP_S = 15.0
SAME = settings(derandomize=True, deadline=None, database=None, max_examples=60)


def planned(rules: SoakRules = SOAK) -> CorePlan:
    """How the core of the cell's syringe is followed."""
    plan = plan_core(reservoir(soak=rules))
    assert plan is not None
    return plan


MODEL = planned()
CLOCK = planned(TIMER)
WARM_C, COLD_C = 104.0, 103.0


def wall(rows: Block, before: Sample | None = None) -> Series:
    """The wall by the readings of a block of one channel."""
    return continue_series(
        before, rows.mono_ns, rows.value[:, 0], rows.quality[:, 0] == 0, max_gap_ns=ns(GAP_S)
    )


def walls(temps_c: Sequence[float | None], period_s: float = 1.0, start_s: float = 0.0) -> Block:
    """Readings of a wall, one a period."""
    return block({"wall": temps_c}, period_s=period_s, start_s=start_s)


def followed(
    plan: CorePlan,
    rows: Block,
    cuts: Sequence[int] = (),
    state: CoreState | None = None,
    before: Sample | None = None,
) -> tuple[CoreState, list[tuple[int, bool]]]:
    """The core over readings of a wall in pieces: where it ends, and its edges on the clock."""
    state = state or unknown_core(plan)
    edges: list[tuple[int, bool]] = []
    places = [0, *sorted(cuts), len(rows)]
    for first, stop in pairwise(places):
        if first == stop:
            continue
        piece = wall(rows.rows(first, stop), before)
        step = follow(state, piece, plan, ROOM_C)
        for edge in step.edges:
            assert piece.mono_ns[edge.row] == edge.at_ns
        edges += [(edge.at_ns, edge.is_on) for edge in step.edges]
        state, before = step.state, piece.last
    return state, edges


def charge(temp_c: float, *, at_s: float = 0.0, wall_c: float = HELD_C) -> CoreState:
    """A charge of one temperature, said to be so, that meets its wall."""
    start = Start(temp_c, is_assumed=False)
    return loaded_core(MODEL, start, mono_ns=ns(at_s), wall_c=wall_c)


def axis_c(state: CoreState) -> float:
    """The coldest estimate of the axis, in degC."""
    assert MODEL.model is not None
    assert state.model is not None
    return soak.now_c(state.model, MODEL.model).low_c


def test_a_plan_has_a_model_where_geometry_and_heat_are_known() -> None:
    """Warm counts from the tolerance below what is asked, cold again a kelvin further down."""
    assert (MODEL.warm_c, MODEL.cold_c, MODEL.window_c) == (WARM_C, COLD_C, 104.0)
    assert MODEL.model is not None
    assert (CLOCK.model, CLOCK.timer_ns) == (None, ns(1200.0))
    unknown_heat = plan_core(reservoir(material=material(thermal=None)))
    assert unknown_heat is not None
    assert unknown_heat.model is None


def test_a_zone_without_soak_rules_has_no_core() -> None:
    """A warm wall counts as a warm charge there."""
    assert plan_core(outlet()) is None


def test_nothing_is_known_of_a_core_before_its_first_node() -> None:
    """A timer owes all of its time; a model waits for a wall."""
    assert unknown_core(MODEL) == CoreState(owed_ns=0)
    assert unknown_core(CLOCK) == CoreState(owed_ns=ns(1200.0))
    assert forecast(unknown_core(MODEL), MODEL, wall_c=HELD_C) == Forecast(None, None)


def test_a_charge_of_which_nothing_is_known_starts_cold_at_the_first_node() -> None:
    """All of it at the usual start, and marked as assumed."""
    state, edges = followed(MODEL, walls([HELD_C]))
    assert state.model is not None
    assert (state.model.mono_ns, state.model.is_assumed) == (0, True)
    assert axis_c(state) == pytest.approx(ROOM_C, abs=1e-9)
    assert (state.is_soaked, edges) == (False, [])


def test_a_hot_charge_that_is_found_at_its_first_node_is_warm_there() -> None:
    """Where charges usually come hot, the first node is already the edge."""
    start = follow(unknown_core(MODEL), wall(walls([HELD_C])), MODEL, HELD_C)
    assert start.edges == (Edge(0, 1, is_on=True),)
    assert start.state.is_soaked


def test_rows_within_one_cell_of_the_grid_move_nothing() -> None:
    """The core is where its newest node left it, and no edge is in them."""
    state, _ = followed(MODEL, walls([HELD_C]))
    step = follow(
        state, wall(walls([100.0] * 3, start_s=2.0), Sample(0, HELD_C, is_good=True)), MODEL, 0.0
    )
    assert (step.state, step.edges) == (state, ())
    assert step.state_at(ns(4.0), 3) == state


def test_the_core_becomes_warm_at_the_first_node_behind_the_forecast() -> None:
    """A wall held from cold: forecast and a long run of the model agree within a grid cell."""
    cold = charge(ROOM_C)
    ready_in_s = forecast(cold, MODEL, wall_c=HELD_C).ready_in_s
    assert ready_in_s is not None
    state, edges = followed(MODEL, walls([HELD_C] * 1200), state=cold)
    ((at_ns, is_on),) = edges
    assert (at_ns % warming.NODE_NS, is_on, state.is_soaked) == (0, True, True)
    assert 0.0 <= at_ns - ready_in_s * NANO < warming.NODE_NS
    # Common practice, no source: 30 cc in a thin gap take 20 to 30 min, in a good one 13 to 20.
    assert 13 * 60.0 < ready_in_s < 30 * 60.0


def test_a_forecast_is_that_of_the_conduction() -> None:
    """Best estimate of the axis now, and the time until even the slowest is warm."""
    assert MODEL.model is not None
    state, _ = followed(MODEL, walls([HELD_C] * 500), state=charge(ROOM_C))
    assert state.model is not None
    told = forecast(state, MODEL, wall_c=115.0)
    assert told.core_c == soak.now_c(state.model, MODEL.model).best_c
    assert told.ready_in_s == soak.ready_in_s(
        state.model, MODEL.model, wall_c=115.0, target_c=WARM_C
    )
    assert forecast(state, MODEL, wall_c=100.0).ready_in_s is None


def test_a_warm_core_is_ready_now_even_within_its_deadband() -> None:
    """Slightly colder than warm is still warm: no wait is told that nobody makes."""
    state = replace(charge(103.5, wall_c=103.5), is_soaked=True)
    assert forecast(state, MODEL, wall_c=HELD_C).ready_in_s == 0.0
    told = forecast(replace(state, is_soaked=False), MODEL, wall_c=HELD_C)
    assert told.ready_in_s is not None
    assert told.ready_in_s > 0.0


@pytest.mark.parametrize(("wall_c", "is_lost"), [(103.5, False), (102.5, True)])
def test_a_warm_core_is_cold_only_below_the_deadband(wall_c: float, *, is_lost: bool) -> None:
    """It comes to the wall in the end: between the two limits nothing changes."""
    state, edges = followed(MODEL, walls([wall_c] * 2000), state=charge(HELD_C))
    assert axis_c(state) == pytest.approx(wall_c, abs=0.1)
    assert [is_on for _, is_on in edges] == ([False] if is_lost else [])
    assert state.is_soaked is not is_lost


def test_a_cold_core_is_not_warm_within_the_deadband() -> None:
    """It has to reach the upper limit again."""
    state, edges = followed(MODEL, walls([103.5] * 2000), state=charge(ROOM_C))
    assert (state.is_soaked, edges) == (False, [])
    state, edges = followed(MODEL, walls([HELD_C] * 2000, start_s=2000.0), state=state)
    assert [is_on for _, is_on in edges] == [True]


@pytest.mark.parametrize("gap_s", [16.0, 600.0, 1e6])
def test_a_blind_stretch_warms_no_core(gap_s: float) -> None:
    """However long, between two hot readings: only what is seen behind it warms."""
    state, _ = followed(MODEL, walls([HELD_C] * 100), state=charge(ROOM_C))
    before_c = axis_c(state)
    times = [99.0, 99.0 + gap_s]
    rows = block({"wall": [HELD_C, HELD_C]}, at_s=times)
    state, edges = followed(MODEL, rows, state=state)
    assert state.model is not None
    assert state.model.mono_ns == ns(times[-1])
    assert axis_c(state) <= before_c + 1e-9
    assert edges == []


def test_a_blind_stretch_can_make_a_core_cold() -> None:
    """A wall that was off meanwhile is seen cold behind it."""
    rows = block({"wall": [HELD_C, 90.0, 90.0]}, at_s=[0.0, 3600.0, 3610.0])
    state, edges = followed(MODEL, rows, state=charge(HELD_C))
    assert edges == [(ns(3600.0), False)]
    assert not state.is_soaked


def test_readings_that_are_not_good_are_no_nodes() -> None:
    """The last good row before them and the first behind them are."""
    rows = walls([HELD_C] * 5 + [None] * 2000 + [HELD_C])
    state, _ = followed(MODEL, rows, state=charge(ROOM_C))
    seen, _ = followed(MODEL, walls([HELD_C] * 5), state=charge(ROOM_C))
    assert axis_c(state) == pytest.approx(axis_c(seen), abs=1.0)
    lost, _ = followed(MODEL, rows.rows(0, 6), state=charge(ROOM_C))
    assert lost.model is not None
    assert lost.model.mono_ns == ns(4.0)
    assert axis_c(state) <= axis_c(lost) + 1e-9


def test_a_timer_runs_in_the_window_and_owes_twice_the_time_out_of_it() -> None:
    """1200 s from cold: 500 s within, 100 s below, and 200 s are owed more.

    Common practice, no source: as much soak again as twice the time out of the window.
    """
    state, edges = followed(CLOCK, walls([HELD_C] * 501))
    assert state.owed_ns == ns(700.0)
    rows = walls([100.0] * 10 + [HELD_C] * 11, period_s=10.0, start_s=510.0)
    state, _ = followed(CLOCK, rows, state=state, before=Sample(ns(500.0), HELD_C, is_good=True))
    # Ten steps that end out of the window, and the one back into it, against ten within.
    assert state.owed_ns == ns(700.0 + 2 * 110.0 - 100.0)
    assert edges == []
    assert forecast(state, CLOCK, wall_c=HELD_C) == Forecast(None, 820.0)


def test_a_timer_never_owes_more_than_all_of_it() -> None:
    """Hours out of the window are a cold charge and no more."""
    warm = replace(unknown_core(CLOCK), is_soaked=True, owed_ns=0)
    state, edges = followed(CLOCK, walls([60.0] * 7200), state=warm)
    assert (state.owed_ns, state.is_soaked) == (ns(1200.0), False)
    assert [is_on for _, is_on in edges] == [False]
    state, edges = followed(CLOCK, walls([HELD_C] * 1300, start_s=7200.0), state=state)
    assert edges == [(ns(7200.0 + 1200.0), True)]
    assert (state.owed_ns, state.is_soaked) == (0, True)


@pytest.mark.parametrize(
    ("end_c", "owed_s"),
    [(HELD_C, 699.0), (100.0, 899.0)],
)
def test_a_timer_earns_nothing_unseen_and_loses_unless_it_ends_well(
    end_c: float, owed_s: float
) -> None:
    """A gap of 100 s between two warm readings is neither soak nor its loss."""
    state, _ = followed(CLOCK, walls([HELD_C] * 501))
    # The second from the newest node to the last row before the gap is seen.
    rows = block({"wall": [HELD_C, end_c]}, at_s=[501.0, 601.0])
    state, _ = followed(CLOCK, rows, state=state, before=Sample(ns(500.0), HELD_C, is_good=True))
    assert state.owed_ns == ns(owed_s)


def test_a_timer_of_no_time_is_over_with_the_first_reading() -> None:
    """Nothing is owed."""
    plan = planned(SoakRules(ready_c=106.0))
    assert loaded_core(plan, Start(ROOM_C), mono_ns=0, wall_c=ROOM_C).is_soaked
    _, edges = followed(plan, walls([ROOM_C]))
    assert edges == [(0, True)]


WALLS_C = (23.0, 60.0, 90.0, 102.0, 103.5, 104.0, 110.0, 118.0)
STEPS_S = (0.5, 1.0, 4.0, 9.0, 10.0, 15.0, 16.0, 300.0)


@st.composite
def histories(draw: st.DrawFn) -> Block:
    """Readings of a wall as they may come: stretches, gaps, rows that are not good."""
    now_s, times, temps = 0.0, list[float](), list[float | None]()
    for _ in range(draw(st.integers(1, 6))):
        temp_c, step_s = draw(st.sampled_from(WALLS_C)), draw(st.sampled_from(STEPS_S))
        is_seen = draw(st.sampled_from((True, True, True, False)))
        for _ in range(draw(st.integers(1, 40))):
            now_s += step_s
            times.append(now_s)
            temps.append(temp_c if is_seen else None)
    return block({"wall": temps}, at_s=times)


STATES = (None, charge(ROOM_C), charge(HELD_C), replace(charge(103.5), is_soaked=True))


@SAME
@given(
    st.sampled_from((MODEL, CLOCK)),
    histories(),
    st.lists(st.integers(0, 240), max_size=8),
    st.sampled_from(STATES),
)
def test_no_cut_of_a_series_changes_the_core(
    plan: CorePlan, rows: Block, cuts: list[int], state: CoreState | None
) -> None:
    """State and edges to the last digit, also when every row comes alone."""
    if plan is CLOCK:
        state = None
    whole = followed(plan, rows, state=state)
    assert followed(plan, rows, [c for c in cuts if c <= len(rows)], state) == whole
    assert followed(plan, rows, range(1, len(rows)), state) == whole


@SAME
@given(histories(), st.sampled_from(STATES[1:]), st.sampled_from((16.0, 300.0, 1e5)))
def test_no_history_ends_in_a_blind_stretch_that_warms(
    rows: Block, state: CoreState, gap_s: float
) -> None:
    """Whatever was before: behind the gap the axis is no warmer than where sight was lost."""
    end_s = int(rows.mono_ns[-1]) / NANO
    lost, _ = followed(MODEL, join_blocks([rows, walls([None], start_s=end_s + 1.0)]), state=state)
    hot = walls([118.0], start_s=end_s + gap_s)
    back, edges = followed(MODEL, join_blocks([rows, hot]), state=state)
    assert axis_c(back) <= axis_c(lost) + 1e-9
    assert (int(hot.mono_ns[0]), True) not in edges


@SAME
@given(st.sampled_from((MODEL, CLOCK)), st.data())
def test_the_core_at_a_row_is_what_the_rows_until_then_have_shown(
    plan: CorePlan, data: st.DataObject
) -> None:
    """However many rows came in the same block."""
    temps = data.draw(st.lists(st.sampled_from(WALLS_C), min_size=1, max_size=80))
    rows = walls(temps)
    step = follow(unknown_core(plan), wall(rows), plan, ROOM_C)
    row = data.draw(st.integers(1, len(rows)))
    then, _ = followed(plan, rows.rows(0, row))
    at = step.state_at(int(rows.mono_ns[row - 1]), row)
    assert (at.model, at.owed_ns) == (then.model, then.owed_ns)
    earlier = step.state_at(int(rows.mono_ns[row - 1]) - 1, row)
    before, _ = followed(plan, rows.rows(0, row - 1)) if row > 1 else (unknown_core(plan), [])
    assert (earlier.model, earlier.owed_ns) == (before.model, before.owed_ns)


def test_a_preheated_charge_is_warm_sooner() -> None:
    """Ten minutes at 100 degC before loading save most of the wait; a whole shift all of it."""
    waits = []
    for start in (
        Start(ROOM_C),
        Start(ROOM_C, preheat_c=100.0, preheat_s=600.0),
        Start(ROOM_C, preheat_c=HELD_C, preheat_s=8 * HOUR_S),
    ):
        state = loaded_core(MODEL, start, mono_ns=0, wall_c=HELD_C)
        waits.append(forecast(state, MODEL, wall_c=HELD_C).ready_in_s)
        assert state.is_soaked == (waits[-1] == 0.0)
    cold_s, part_s, hot_s = waits
    assert cold_s is not None
    assert part_s is not None
    assert 0.0 < part_s < 0.75 * cold_s
    assert hot_s == 0.0


def test_a_timer_knows_no_preheating() -> None:
    """It owes the whole soak, the safe side."""
    start = Start(ROOM_C, preheat_c=HELD_C, preheat_s=HOUR_S)
    state = loaded_core(CLOCK, start, mono_ns=0, wall_c=HELD_C)
    assert state == CoreState(owed_ns=ns(1200.0))


def test_only_what_was_said_of_a_charge_is_not_assumed() -> None:
    """Where its start is how charges usually come, the model says so."""
    for is_assumed in (True, False):
        start = Start(ROOM_C, is_assumed=is_assumed)
        state = loaded_core(MODEL, start, mono_ns=5, wall_c=HELD_C)
        assert state.model is not None
        assert state.model.is_assumed is is_assumed


def test_an_adopted_core_goes_on_where_the_new_plan_fits() -> None:
    """Geometry may be corrected, a timer made shorter; what cannot be continued starts anew."""
    running, _ = followed(MODEL, walls([HELD_C] * 500))
    wider = planned(replace(SOAK, radius_m=0.013))
    assert adopted_core(running, wider) is running
    assert adopted_core(running, None) is None
    assert adopted_core(None, MODEL) == unknown_core(MODEL)
    timed, _ = followed(CLOCK, walls([HELD_C] * 501))
    assert adopted_core(timed, CLOCK) == timed
    shorter = planned(replace(TIMER, timer_s=300.0))
    assert adopted_core(timed, shorter) == replace(timed, owed_ns=ns(300.0))
    assert adopted_core(timed, MODEL) == unknown_core(MODEL)
    other_modes = CoreState(model=SoakState(0, HELD_C, (HELD_C,), is_assumed=False))
    assert adopted_core(other_modes, MODEL) == unknown_core(MODEL)


def test_a_core_that_a_model_followed_is_no_warmer_by_a_timer() -> None:
    """Cold by the model means the whole soak; warm stays warm."""
    cold, _ = followed(MODEL, walls([HELD_C] * 500))
    assert adopted_core(cold, CLOCK) == unknown_core(CLOCK)
    warm, _ = followed(MODEL, walls([HELD_C] * 1200))
    adopted = adopted_core(warm, CLOCK)
    assert adopted is not None
    assert (adopted.is_soaked, adopted.owed_ns) == (True, 0)


def phases(events: Sequence[Event], zone: str = "syringe") -> list[tuple[float, str]]:
    """When a zone came into which phase."""
    return [
        (second(event), str(event.detail("to")))
        for event in of_kind(events, EventKind.PHASE_CHANGED, zone)
    ]


COLD = alarm(AlarmKind.COLD, on_delay_s=30.0, off_delay_s=30.0)


def interrupted_cell() -> CellPlan:
    """A cell that was told the age of its charge, and whose zones alarm cold."""
    return charged_cell(
        reservoir(COLD), outlet(COLD), charge=ChargeRules(start_age_s=0.0, fill_kg=0.033)
    )


def after(state: CellState, **columns: Any) -> Block:
    """Rows that follow, a second each."""
    assert state.at is not None
    return shift(start_s=state.at.mono_ns / NANO + 1.0, **columns)


def test_ten_minutes_without_heat_are_soaked_off_and_no_charge_is_suspected() -> None:
    """All heaters off and on again: recovering until the core is warm, the age counted on.

    Common practice, no source: sensors are back within two minutes, the core is not.
    """
    plan = interrupted_cell()
    state = soaked(plan)
    aged = state.zones[0].dose
    begin_s = HOUR_S + 1.0
    rows = after(
        state,
        syringe_c=line((0, 110.0), (600, 84.0), (720, 110.0), (3600, 110.0)),
        nozzle_c=line((0, 120.0), (600, 75.0), (720, 120.0), (3600, 120.0)),
        output=[100.0] * 800 + [20.0] * 2801,
    )
    off, events = run(plan, rows.rows(0, 600), state=state)
    told = shown(off, plan).advice
    assert (told.advice, told.why, told.zone) == (Advice.WAIT, Why.RECOVERING, "syringe")
    state, later = run(plan, rows.rows(600, 3601), state=off)
    events += later
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)
    assert not of_kind(events, EventKind.CHARGE_CHANGED)
    assert [to for _, to in phases(events)] == ["recovering", "ready"]
    (_, _), (ready_s, _) = phases(events)
    assert ready_s - begin_s > 720.0 + 5 * 60.0
    (*_, back) = of_kind(events, EventKind.PHASE_CHANGED, "syringe")
    assert float(str(back.detail("core_c"))) >= WARM_C
    assert not alarm_story(events, AlarmKind.COLD)
    off_s, all_s = ((one.zones[0].dose.low_ns - aged.low_ns) / NANO for one in (off, state))
    assert 100.0 < off_s < 600.0
    assert all_s == pytest.approx(off_s + 3000.0, abs=120.0)


def test_a_lunch_in_setback_is_no_alarm_and_ready_only_with_a_warm_core() -> None:
    """45 min at 100 and 85 degC: setback, recovering, and the sensors are back long before.

    Common practice, no source: the sensors within minutes, the core of 30 cc in 10 to 20 min;
    the age of such a break is 0.1 to 0.2 h.
    """
    plan = interrupted_cell()
    state = soaked(plan)
    aged = state.zones[0].dose
    begin_s = HOUR_S + 1.0
    lunch_s, back_s = 2700, 2850
    rows = after(
        state,
        syringe_c=line(
            (0, 110.0), (600, 86.0), (660, 85.0), (2700, 85.0), (2850, 110.0), (4500, 110.0)
        ),
        nozzle_c=line((0, 120.0), (240, 100.0), (2700, 100.0), (2790, 120.0), (4500, 120.0)),
        setpoint_c=[SETBACK_C] * lunch_s + [HELD_C] * 1801,
        nozzle_setpoint_c=[100.0] * lunch_s + [NOZZLE_C] * 1801,
        output=[0.0] * lunch_s + [100.0] * 150 + [20.0] * 1651,
    )
    rest, events = run(plan, rows.rows(0, lunch_s), state=state)
    assert (shown(rest, plan).advice.why, phases(events)) == (Why.SETBACK, [(begin_s, "setback")])
    state, later = run(plan, rows.rows(lunch_s, len(rows)), state=rest)
    events += later
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    assert {to for _, to in alarm_story(events, AlarmKind.COLD)} <= {
        "normal",
        "suppressed_by_design",
    }
    assert [to for _, to in phases(events)] == ["setback", "recovering", "ready"]
    ready_s = phases(events)[-1][0] - begin_s
    assert ready_s > back_s + 5 * 60.0
    assert ready_s - lunch_s < 20 * 60.0
    of_nozzle_s = phases(events, "nozzle")[-1][0] - begin_s
    assert of_nozzle_s < back_s
    least_h, most_h = sorted(
        (new - old) / NANO / HOUR_S
        for new, old in (
            (rest.zones[0].dose.low_ns, aged.low_ns),
            (rest.zones[0].dose.high_ns, aged.high_ns),
        )
    )
    assert 0.1 < least_h < 0.2 < most_h < 0.3
