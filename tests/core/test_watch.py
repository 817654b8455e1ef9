"""The cell itself over rows: its alarms, its charge, its air."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import (
    DEW_POINT,
    DISPENSING,
    SETPOINT,
    SYRINGE,
    SYRINGE_SETPOINT,
    TANK,
    TEMPERATURE,
    USUAL_C,
    Cells,
    alarm,
    alarm_story,
    block,
    cell,
    instant,
    line,
    nozzle,
    of_kind,
    run,
    second,
    tank_cell,
    zone,
)
from support.cells import POT_LIFE_S as TANK_LIFE_S
from support.reservoir import (
    CEILING_C,
    HELD_C,
    HOUR_S,
    NOZZLE_C,
    POT_LIFE_S,
    ROOM_C,
    charged_cell,
    material,
    outlet,
    parts,
    pieces,
    reservoir,
    shift,
    shown,
    soaked,
)
from watchedpot.core.cell import CellPlan, CellState, start
from watchedpot.core.charges import Flowed, Life
from watchedpot.core.columns import CellColumns
from watchedpot.core.dose import Dose
from watchedpot.core.model import Entry, EntryKind, Event, EventKind, Loading
from watchedpot.core.rules import AirRules, AlarmKind, AlarmRules, ChargeRules
from watchedpot.core.snapshot import Advice, AirSnapshot, ChargeState, Phase, Why
from watchedpot.core.units import NANO, ns
from watchedpot.core.walk import ZoneEdge
from watchedpot.core.watch import Watched, turned, watch

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=40)
UNSEEN, BEFORE_READY, POT_LIFE = range(3)
"""Places of the cell's alarms."""


def told(events: Sequence[Event], kind: AlarmKind) -> list[tuple[float, str, object]]:
    """When an alarm of the cell came into which state, and what it was about."""
    name = "charge_id" if kind is AlarmKind.POT_LIFE else "zones"
    return [
        (second(event), str(event.detail("to")), event.detail(name))
        for event in of_kind(events, EventKind.ALARM_CHANGED, "")
        if event.detail("alarm") == kind.value
    ]


def watched(
    edges: Sequence[ZoneEdge] = (),
    *,
    state: CellState | None = None,
    plan: CellPlan | None = None,
    rows: int = 6,
    flows: Cells = 0.0,
) -> Watched:
    """The cell over rows of a second each, by edges of its zones."""
    plan = plan or charged_cell()
    state = state or replace(start(plan), at=instant(-1.0), unseen_zones=())
    cell = CellColumns(state, block({DISPENSING: flows}, rows=rows), plan)
    return watch(state, cell, slice(0, rows), edges, plan)


def ready(row: int, at_s: float, *, is_on: bool, zone: str = "syringe") -> ZoneEdge:
    """A zone that stands ready, or no longer."""
    return ZoneEdge(row, ns(at_s), zone, "is_ready", is_on)


def filed(step: Watched) -> list[tuple[int, float, str]]:
    """Row, second and new state of each alarm event."""
    return [(row, second(event), str(event.detail("to"))) for row, event in step.filed]


WAITING: Mapping[str, Any] = {
    "at": instant(-1.0),
    "unseen_zones": (),
    "unready_zones": ("syringe",),
}


def test_dispensing_before_a_zone_is_ready_is_an_alarm_that_names_it() -> None:
    """On at the row that shows melt flowing, off when it stops or when the zone is ready."""
    state = replace(start(charged_cell()), **WAITING)
    step = watched(state=state, flows=[0.0, 0.0, 1.0, 1.0, 0.0, 0.0])
    assert filed(step) == [(3, 2.0, "unacknowledged"), (5, 4.0, "returned_unacknowledged")]
    assert step.filed[0][1].detail("zones") == "syringe"
    step = watched([ready(5, 3.5, is_on=True)], state=state, flows=[0.0, 0.0, 1.0, 1.0, 1.0, 1.0])
    assert filed(step) == [(3, 2.0, "unacknowledged"), (5, 3.5, "returned_unacknowledged")]
    assert step.filed[1][1].detail("zones") == ""
    assert (step.state.ready_zones, step.state.unready_zones) == (("syringe",), ())


@pytest.mark.parametrize(
    ("edges", "times"),
    [
        ([ready(3, 2.0, is_on=True)], []),
        ([ready(3, 1.5, is_on=True)], []),
        ([ready(2, 1.0, is_on=True), ready(3, 1.5, is_on=False)], [2.0]),
        ([ready(2, 1.0, is_on=True), ready(3, 2.0, is_on=False)], [2.0]),
        ([ready(2, 1.0, is_on=True), ready(5, 3.5, is_on=False)], [3.5]),
        ([ready(2, 0.5, is_on=True, zone="nozzle")], [2.0]),
    ],
)
def test_melt_and_readiness_of_one_row_are_taken_in_their_order(
    edges: list[ZoneEdge], times: list[float]
) -> None:
    """Melt flows from the row at 2 s: a zone that is ready by then raises nothing."""
    state = replace(start(charged_cell()), **WAITING)
    step = watched(edges, state=state, flows=[0.0, 0.0, 1.0, 1.0, 1.0, 1.0])
    assert [at_s for _, at_s, to in filed(step) if to == "unacknowledged"] == times
    assert step.state.is_flowing


def test_melt_that_stops_at_the_moment_a_zone_falls_out_of_ready_is_no_alarm() -> None:
    """As a controller does that goes to setback; a row later it would be one."""
    flows: Cells = [1.0, 1.0, 0.0, 0.0, 0.0, 0.0]
    assert filed(watched([ready(3, 2.0, is_on=False)], flows=flows)) == []
    assert filed(watched([ready(3, 1.5, is_on=False)], flows=flows)) == [
        (3, 1.5, "unacknowledged"),
        (3, 2.0, "returned_unacknowledged"),
    ]


def test_melt_that_comes_and_goes_while_all_is_ready_is_only_remembered() -> None:
    """Nothing is filed, and the newest of it is what a later edge meets."""
    flows: Cells = [0.0, 1.0, 0.0, 1.0, 0.0, 1.0]
    assert watched(flows=flows).state.is_flowing
    step = watched([ready(5, 3.5, is_on=False)], flows=flows)
    assert filed(step) == [
        (5, 3.5, "unacknowledged"),
        (5, 4.0, "returned_unacknowledged"),
        (6, 5.0, "unacknowledged"),
    ]
    step = watched([ready(5, 3.5, is_on=False)], flows=[0.0, 1.0, 0.0, 1.0, 1.0, 1.0])
    assert filed(step) == [(5, 3.5, "unacknowledged")]


def test_a_signal_that_is_lost_neither_starts_nor_stops_melt() -> None:
    """What was known last is kept, and the alarm waits until it is known again."""
    state = replace(start(charged_cell()), **WAITING, is_flowing=True, is_flow_known=True)
    step = watched([ready(3, 2.0, is_on=False)], state=state, flows=None)
    assert filed(step) == []
    assert step.state.is_flowing
    assert not step.state.is_flow_known


@SAME
@given(
    st.lists(st.sampled_from((0.0, 0.0, 1.0, None)), min_size=30, max_size=30),
    st.lists(st.sampled_from((ROOM_C, 95.0, HELD_C, HELD_C, None)), min_size=6, max_size=6),
    st.lists(st.integers(0, 30), max_size=5),
)
def test_no_cut_of_a_series_changes_what_the_cell_concludes(
    flows: list[float | None], temps_c: list[float | None], at: list[int]
) -> None:
    """Melt that starts and stops around zones that come and go."""
    delays: Mapping[str, Any] = {"on_delay_s": 2.0, "off_delay_s": 3.0, "deadband_k": 0.0}
    plan = charged_cell(
        reservoir(soak=None),
        outlet(),
        alarms=(
            alarm(AlarmKind.UNSEEN, **delays),
            alarm(AlarmKind.BEFORE_READY, **delays),
            alarm(AlarmKind.POT_LIFE, **delays),
        ),
        charge=ChargeRules(start_age_s=POT_LIFE_S - 10.0),
    )
    wall = [temp_c for temp_c in temps_c for _ in range(5)]
    rows = shift(wall, dispensing=flows, charge=parts((20, 7.0), (10, 8.0)))
    whole = run(plan, rows)
    assert run(plan, *pieces(rows, at)) == whole
    assert run(plan, *pieces(rows, range(1, 30))) == whole


def test_dispensing_two_minutes_after_the_sensors_is_before_ready() -> None:
    """A cold start: walls in their windows after 253 and 377 s, melt from 497 s on.

    Common practice, no source: the core of 30 cc takes 20 to 30 min. It is named, and its
    estimate shown; readings that are all in their windows do not make it ready.
    """
    plan = charged_cell(
        alarms=(alarm(AlarmKind.BEFORE_READY, on_delay_s=5.0, off_delay_s=10.0, deadband_k=0.0),),
        charge=ChargeRules(start_age_s=0.0),
    )
    rows = shift(
        line((0, ROOM_C), (377, 105.0), (450, HELD_C), (2400, HELD_C)),
        nozzle_c=line((0, ROOM_C), (253, 116.0), (300, NOZZLE_C), (2400, NOZZLE_C)),
        dispensing=parts((497, 0.0), (1904, 1.0)),
    )
    early, events = run(plan, rows.rows(0, 900))
    assert told(events, AlarmKind.BEFORE_READY) == [(502.0, "unacknowledged", "syringe")]
    seen = shown(early, plan)
    assert all(zone.temp_c is not None and zone.temp_c >= zone.low_c for zone in seen.zones)
    assert (seen.advice.advice, seen.advice.why) == (Advice.WAIT, Why.SOAKING)
    core = seen.zones[0].core
    assert core is not None
    assert core.centre_c is not None
    assert ROOM_C < core.centre_c < core.ready_c
    state, later = run(plan, rows.rows(900, 2401), state=early)
    ready_s = [
        second(event)
        for event in of_kind(later, EventKind.PHASE_CHANGED, "syringe")
        if event.detail("to") == "ready"
    ]
    assert len(ready_s) == 1
    assert 13 * 60.0 < ready_s[0] < 35 * 60.0
    assert told(later, AlarmKind.BEFORE_READY) == [
        (ready_s[0] + 10.0, "returned_unacknowledged", "")
    ]
    assert state.unready_zones == ()


def test_losing_sight_of_a_zone_does_not_make_it_ready() -> None:
    """The alarm stays while nothing is seen, and clears with the zone in sight and ready."""
    plan = charged_cell()
    warm = parts((10, HELD_C), (20, None), (1400, HELD_C))
    rows = shift(warm, dispensing=1.0)
    lost, events = run(plan, rows.rows(0, 30))
    assert told(events, AlarmKind.BEFORE_READY) == [(0.0, "unacknowledged", "syringe")]
    assert (lost.unseen_zones, lost.unready_zones) == (("syringe",), ("syringe",))
    seen, events = run(plan, rows.rows(30, len(rows)), state=lost)
    assert [to for _, to, _ in told(events, AlarmKind.BEFORE_READY)] == ["returned_unacknowledged"]
    assert (seen.unseen_zones, seen.ready_zones) == ((), ("nozzle", "syringe"))


def test_a_zone_that_was_ready_and_is_not_seen_is_no_dispensing_before_ready() -> None:
    """It is another alarm that says so: not seen."""
    plan = charged_cell()
    state = soaked(plan)
    blind = shift(parts((5, None), (5, HELD_C)), dispensing=1.0, start_s=HOUR_S + 1.0)
    state, events = run(plan, blind, state=state)
    assert not told(events, AlarmKind.BEFORE_READY)
    assert told(events, AlarmKind.UNSEEN) == [
        (HOUR_S, "unacknowledged", "syringe"),
        (HOUR_S + 6.0, "returned_unacknowledged", ""),
    ]
    assert state.unready_zones == ()


def test_an_account_that_opens_without_sight_is_worth_an_alarm() -> None:
    """From its first row on, with the zones that are not seen."""
    state, events = run(charged_cell(), shift(None, nozzle_c=parts((3, None), (3, NOZZLE_C))))
    assert told(events, AlarmKind.UNSEEN) == [(0.0, "unacknowledged", "nozzle syringe")]
    assert state.unseen_zones == ("syringe",)


def test_a_charge_whose_pot_life_is_over_is_an_alarm_until_another_comes() -> None:
    """It names the charge; the new one ends it at once, without any change of its wall."""
    age = ChargeRules(start_age_s=POT_LIFE_S - 1800.0)
    plan = charged_cell(charge=age)
    state, events = run(plan, shift(HELD_C, charge=7.0, rows=3601))
    assert told(events, AlarmKind.POT_LIFE) == [(1800.0, "unacknowledged", "7")]
    assert shown(state, plan).advice.why is Why.SPENT
    fresh = shift(HELD_C, charge=8.0, start_s=3601.0, rows=2)
    state, events = run(plan, fresh, state=state)
    assert told(events, AlarmKind.POT_LIFE) == [(3601.0, "returned_unacknowledged", "8")]
    assert state.charge.state is ChargeState.WARMING


def test_an_account_that_opens_with_a_spent_charge_says_so() -> None:
    """At its first row: what a person told of the age is believed."""
    plan = charged_cell(charge=ChargeRules(start_age_s=POT_LIFE_S))
    _, events = run(plan, shift([HELD_C]))
    assert told(events, AlarmKind.POT_LIFE) == [(0.0, "unacknowledged", None)]


def test_alarms_turn_by_what_is_known_of_the_cell() -> None:
    """Each by its own fact, dated by the moment that was told."""
    plan = charged_cell()
    state = replace(start(plan), unseen_zones=(), is_flow_known=True)
    state = turned(state, plan, instant(0.0))
    told_of: tuple[tuple[int, dict[str, Any]], ...] = (
        (UNSEEN, {"unseen_zones": ("nozzle",)}),
        (BEFORE_READY, {"is_flowing": True, "unready_zones": ("syringe",)}),
        (POT_LIFE, {"charge": replace(state.charge, is_spent=True)}),
    )
    for place, facts in told_of:
        after = turned(replace(state, **facts), plan, instant(5.0))
        raw = [track.delays[0].is_raw for track in after.tracks]
        assert raw == [n == place for n in range(3)]
        assert after.tracks[place].delays[0].due_ns == ns(5.0)
        assert after == replace(state, **facts, tracks=after.tracks)
    flowing = replace(state, is_flowing=True)
    waiting = replace(state, unready_zones=("syringe",))
    for one in (flowing, waiting):
        assert turned(one, plan, instant(5.0)).tracks == state.tracks


LIFE = Life(Dose(), Flowed(), HELD_C)


def fact(name: str, *, is_on: bool = True, life: Life | None = LIFE, row: int = 3) -> ZoneEdge:
    """Something about the charge in its reservoir."""
    return ZoneEdge(row, ns(row - 1.0), "syringe", name, is_on, 131.0, life)


@pytest.mark.parametrize("name", ["is_heated", "is_soaked", "is_near", "is_spent"])
def test_what_a_charge_once_was_it_stays(name: str) -> None:
    """A fact is told once; that it is no longer so is not told at all."""
    again = fact(name, row=5)
    step = watched([fact(name), fact(name, is_on=False, row=4), again])
    assert getattr(step.state.charge, name)
    events = [event for _, event in step.filed if event.kind is EventKind.CHARGE_STATE_CHANGED]
    assert len(events) == (name == "is_spent")  # all else is less than an age not known
    assert not getattr(watched([fact(name, is_on=False)]).state.charge, name)


def test_what_other_zones_do_is_nothing_of_the_charge() -> None:
    """A hot nozzle heats no charge, nor does a dip say more than the engine makes of it."""
    nozzle = fact("is_heated", life=None)
    assert watched([nozzle, fact("is_dip")]).state.charge == start(charged_cell()).charge


def test_a_reservoir_that_is_ready_is_warm_throughout() -> None:
    """Ready is only what is soaked, also where no core is followed."""
    assert watched([fact("is_ready")]).state.charge.is_soaked
    assert not watched([fact("is_ready", is_on=False)]).state.charge.is_soaked


def test_a_charge_is_marked_overheated_once_and_in_any_zone() -> None:
    """With the zone that did it, its reading and its ceiling."""
    plan = charged_cell()
    edges = [
        ZoneEdge(2, ns(0.5), "nozzle", "is_overheated", is_on=True, temp_c=131.0),
        ZoneEdge(3, ns(1.5), "nozzle", "is_overheated", is_on=False, temp_c=120.0),
        ZoneEdge(4, ns(2.5), "syringe", "is_overheated", is_on=True, temp_c=132.0, life=LIFE),
    ]
    step = watched(edges, plan=plan)
    (row, mark), (_, change) = step.filed
    assert (row, second(mark), mark.zone) == (2, 0.5, "nozzle")
    assert mark.details == (("temp_c", 131.0), ("ceiling_c", CEILING_C))
    assert (change.detail("from"), change.detail("to")) == ("age_unknown", "overheated")
    assert step.state.charge.is_overheated


def moist_cell(**changes: Any) -> CellPlan:
    """A cell whose material bears a pressure dew point of -20 degC."""
    return charged_cell(
        reservoir(material=material(dew_point_max_c=-20.0)),
        outlet(),
        dew_point=DEW_POINT,
        air=AirRules(line_pa=8e5, measured_pa=8e5),
        **changes,
    )


def air(dew_c: Cells, **times: Any) -> Any:
    """Rows of the air alone."""
    return block({DEW_POINT: dew_c}, **times)


def test_moist_air_is_noted_where_its_dew_point_passes_the_limit() -> None:
    """And dry again two kelvin below it, each once, dated on the straight line."""
    plan = moist_cell()
    state, events = run(plan, air([-30.0, -22.0, -18.0, -21.0, -19.0, -21.9, -23.9, -30.0]))
    notes = [event for event in events if event.kind in {EventKind.AIR_MOIST, EventKind.AIR_DRY}]
    assert [(second(event), event.kind) for event in notes] == [
        (1.5, EventKind.AIR_MOIST),
        (pytest.approx(5.05, abs=1e-9), EventKind.AIR_DRY),
    ]
    assert notes[0].details == (("dew_point_c", -18.0), ("limit_c", -20.0))
    assert notes[1].details == (("dew_point_c", -23.9), ("limit_c", -20.0))
    seen = shown(state, plan).air
    assert seen is not None
    assert seen.dew_point_c == pytest.approx(-30.0)
    assert (seen.max_c, seen.is_moist) == (-20.0, False)


def test_air_that_is_not_measured_does_not_dry() -> None:
    """What was moist stays so until it is seen dry; behind a gap that is at the row itself."""
    plan = moist_cell()
    state, _ = run(plan, air([-15.0, None, None]))
    assert state.is_moist
    assert shown(state, plan).air == AirSnapshot(None, -20.0, is_moist=True)
    state, events = run(plan, air([-40.0], start_s=60.0), state=state)
    assert [(second(event), event.kind) for event in events if event.kind is EventKind.AIR_DRY] == [
        (60.0, EventKind.AIR_DRY)
    ]
    assert not state.is_moist


def test_air_between_two_rows_far_apart_is_not_seen() -> None:
    """A crossing is dated on the line between them only within the hold of a signal."""
    for step_s, when_s in ((3.0, 1.5), (4.0, 4.0)):
        _, events = run(moist_cell(), air([-30.0, -10.0], period_s=step_s))
        (note,) = of_kind(events, EventKind.AIR_MOIST)
        assert second(note) == pytest.approx(when_s, abs=1e-6)


def test_air_of_another_source_is_noted_too() -> None:
    """Rows without a dew point leave it as it was."""
    plan = moist_cell()
    state, _ = run(plan, air([-15.0]))
    after, events = run(plan, shift(HELD_C, start_s=1.0, rows=3), state=state)
    assert (after.air, after.is_moist) == (state.air, True)
    assert not [event for event in events if event.kind is EventKind.AIR_DRY]


def test_air_without_a_limit_is_not_judged() -> None:
    """Where the material says nothing of it."""
    plan = charged_cell(dew_point=DEW_POINT, air=AirRules(line_pa=8e5, measured_pa=8e5))
    state, events = run(plan, air([-40.0, 10.0]))
    assert not [event for event in events if event.kind is EventKind.AIR_MOIST]
    assert (state.air, state.is_moist, shown(state, plan).air) == (None, False, None)


def test_events_of_the_cell_are_dated_on_both_clocks_by_the_row_that_shows_them() -> None:
    """Also one that is due between two rows whose UTC was set in between."""
    plan = charged_cell(
        alarms=(alarm(AlarmKind.UNSEEN, on_delay_s=0.4, deadband_k=0.0),),
    )
    rows = block(
        {SYRINGE: [None] * 3, SYRINGE_SETPOINT: HELD_C, TEMPERATURE: NOZZLE_C, SETPOINT: NOZZLE_C}
    )
    rows.seen_ns[1:] += 60 * NANO
    _, events = run(plan, rows)
    (raised,) = of_kind(events, EventKind.ALARM_CHANGED, "")
    assert raised.at.mono_ns == ns(0.4)
    assert raised.at.utc_ns == instant(60.4).utc_ns


def test_a_zone_that_falls_out_of_ready_is_not_ready_while_melt_flows() -> None:
    """Setback while dispensing: the alarm names the zone that was told to cool."""
    plan = charged_cell()
    state = soaked(plan)
    rows = shift(
        HELD_C,
        setpoint_c=parts((5, HELD_C), (5, 85.0)),
        dispensing=1.0,
        start_s=HOUR_S + 1.0,
    )
    state, events = run(plan, rows, state=state)
    assert told(events, AlarmKind.BEFORE_READY) == [(HOUR_S + 6.0, "unacknowledged", "syringe")]
    assert state.zones[0].phase is Phase.SETBACK
    assert alarm_story(events, AlarmKind.BEFORE_READY) == [(HOUR_S + 6.0, "unacknowledged")]


def minding(off_delay_s: float) -> CellPlan:
    """A nozzle whose cell minds dispensing before it is ready."""
    return cell(zone(), alarms=(alarm(AlarmKind.BEFORE_READY, off_delay_s=off_delay_s),))


def test_the_shots_of_a_production_are_one_alarm() -> None:
    """A part every four seconds into a setback: raised once, over five seconds after the last."""
    setpoints = [115.0] * 4 + [85.0] * 30
    flow = [1.0 if n % 4 < 2 and n < 20 else 0.0 for n in range(34)]
    rows = nozzle([115.0] * 34, setpoint_c=setpoints, dispensing=flow)
    state, events = run(minding(5.0), rows)
    assert alarm_story(events, AlarmKind.BEFORE_READY) == [
        (4.0, "unacknowledged"),
        (23.0, "returned_unacknowledged"),
    ]
    assert state.tracks[0].alarm.raised == 1


def delayed(raws: Sequence[bool], off_delay_s: float) -> list[tuple[float, str]]:
    """When an alarm of which nobody takes notice is raised or returns, from a fact a second.

    What is due at a second happens before what that second brings.
    """
    story, due_s, is_on = list[tuple[float, str]](), inf, False
    for at_s, is_raw in enumerate(raws):
        if due_s <= at_s:
            story.append((due_s, "returned_unacknowledged"))
            due_s, is_on = inf, False
        if is_raw:
            due_s = inf
            if not is_on:
                story.append((float(at_s), "unacknowledged"))
                is_on = True
        elif is_on:
            due_s = min(due_s, at_s + off_delay_s)
    return story


ROWS = st.lists(
    st.tuples(st.booleans(), st.sampled_from((0.0, 1.0, None))), min_size=1, max_size=40
)


@settings(derandomize=True, deadline=None, database=None, max_examples=60)
@given(ROWS, st.sampled_from((0.5, 2.0, 2.5)), st.lists(st.integers(0, 40), max_size=5))
def test_the_alarm_is_that_of_a_reckoning_second_by_second_under_any_cut(
    rows: list[tuple[bool, float | None]], off_delay_s: float, at: list[int]
) -> None:
    """Whenever melt flowed, as last known, into a zone that was not ready, and for the off-delay.

    A wall that is warm all the time is ready exactly while its setpoint says so.
    """
    plan = minding(off_delay_s)
    whole = nozzle(
        [115.0] * len(rows),
        setpoint_c=[115.0 if is_ready else 85.0 for is_ready, _ in rows],
        dispensing=[flow for _, flow in rows],
    )
    edges = sorted({0, len(whole), *(n for n in at if n < len(whole))})
    state, events = run(plan, *(whole.rows(a, b) for a, b in pairwise(edges)))
    is_flowing, raws = False, []
    for is_ready, flow in rows:
        is_flowing = is_flowing if flow is None else flow > 0
        raws.append(is_flowing and not is_ready)
    assert alarm_story(events, AlarmKind.BEFORE_READY) == delayed(raws, off_delay_s)
    assert (state, events) == run(plan, whole)


def test_each_state_of_a_charge_comes_with_the_outlook_of_its_moment() -> None:
    """Ten minutes of a tank at 3 g in 100 s: 482 g of 500 g are left when its life is over."""
    plan = tank_cell()
    charge = replace(plan.rules.charge, start_age_s=0.0)
    plan = cell(*plan.rules.zones, id="housing_7", dispensing="housing_7/dispensing", charge=charge)
    rows = block({TANK: USUAL_C, "housing_7/dispensing": 1.0}, rows=61, period_s=10.0)
    _, events = run(plan, rows)
    near, spent = of_kind(events, EventKind.CHARGE_STATE_CHANGED)[-2:]
    assert [near.detail(name) for name in ("from", "to")] == ["in_life", "near_limit"]
    assert near.detail("life_used") == pytest.approx(0.8, abs=1e-9)
    assert near.detail("expires_in_s") == pytest.approx(0.2 * TANK_LIFE_S, abs=1e-6)
    assert near.detail("empty_in_s") is None
    assert (second(spent), spent.detail("expires_in_s")) == (TANK_LIFE_S, 0.0)
    assert spent.detail("life_used") == pytest.approx(1.0, abs=1e-9)
    assert spent.detail("empty_in_s") == pytest.approx(0.482 / 3e-5, rel=1e-9)
    assert spent.detail("left_at_expiry") == pytest.approx(0.964, rel=1e-9)


def test_moist_air_is_noted_from_temperature_and_humidity() -> None:
    """Compressed fourfold, air of 25 degC and 60 % is wet; of 0.05 % it is dry."""
    humidity = [0.05, 0.05, 60.0, 60.0, 0.05]
    names = "housing_7/air_temperature", "housing_7/air_humidity"
    _, events = run(tank_cell(), block({names[0]: 25.0, names[1]: humidity}))
    notes = [event for event in events if event.kind is not EventKind.ALARM_CHANGED]
    assert [event.kind for event in notes] == [EventKind.AIR_MOIST, EventKind.AIR_DRY]
    assert 1.0 < second(notes[0]) < 2.0


def cooled_while_standing(*alarms: AlarmRules) -> list[Event]:
    """A nozzle that was ready, cools while the cell stands, and then dispenses at 105 degC."""
    plan = cell(
        zone(*alarms), alarms=(alarm(AlarmKind.BEFORE_READY, off_delay_s=10.0),), gate_hold_s=5.0
    )
    temps_c = [USUAL_C] * 20 + [105.0] * 60 + [USUAL_C] * 60
    dispensing = [0.0] * 40 + [1.0] * 100
    return run(plan, nozzle(temps_c, dispensing=dispensing))[1]


def test_a_zone_that_cooled_since_it_was_ready_is_one_alarm() -> None:
    """Dispensing then is met by its cold alarm; dispensing before ready says no more."""
    events = cooled_while_standing(alarm(AlarmKind.COLD, on_delay_s=10.0))
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)][-2:] == [
        "unacknowledged",
        "returned_unacknowledged",
    ]
    assert (50.0, "unacknowledged") in alarm_story(events, AlarmKind.COLD)
    assert not alarm_story(events, AlarmKind.BEFORE_READY)


def test_without_a_cold_alarm_it_is_dispensing_before_ready() -> None:
    """Something always speaks for a zone that is not ready."""
    events = cooled_while_standing()
    assert alarm_story(events, AlarmKind.BEFORE_READY)[0] == (40.0, "unacknowledged")


def test_another_charge_takes_a_zone_from_its_cold_alarm() -> None:
    """It soaks by design: dispensing then is before ready, at once."""
    plan = charged_cell(
        reservoir(alarm(AlarmKind.COLD, on_delay_s=10.0)),
        outlet(),
        alarms=(alarm(AlarmKind.BEFORE_READY),),
    )
    state = soaked(plan)
    zone_state = replace(state.zones[0], is_cold_in_production=True)
    state = replace(state, zones=(zone_state, *state.zones[1:]), cold_zones=("syringe",))
    told_of = Entry(
        EntryKind.CHARGE_LOADED,
        "lens_4",
        state.at or instant(0.0),
        "operator",
        subject="b_2",
        loading=Loading(),
    )
    state, _ = run(plan, told_of, state=state)
    assert state.cold_zones == ()
    assert not state.zones[0].is_cold_in_production
    assert "syringe" in state.unready_zones
