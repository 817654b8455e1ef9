"""Another charge: found, named, entered, refilled, or only suspected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import (
    CHARGE_ID,
    SYRINGE,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    alarm,
    alarm_story,
    block,
    entry,
    full_cell,
    instant,
    line,
    of_kind,
    run,
    second,
    thermal_cell,
)
from support.reservoir import (
    AGEING,
    CEILING_C,
    HELD_C,
    HOUR_S,
    NOZZLE_C,
    POT_LIFE_S,
    ROOM_C,
    SOAK,
    charged_cell,
    material,
    outlet,
    parts,
    pieces,
    reservoir,
    shift,
    shown,
    soaked,
    tank,
)
from watchedpot.core import dose as doses
from watchedpot.core import engine
from watchedpot.core.cell import CellPlan, CellState, start
from watchedpot.core.charges import Flowed
from watchedpot.core.dose import Dose
from watchedpot.core.loads import (
    correct_age,
    life_of,
    replaced,
    suspect_change,
)
from watchedpot.core.model import Entry, EntryKind, Event, EventKind, Loading
from watchedpot.core.rules import AlarmKind, ChargeRules
from watchedpot.core.snapshot import Advice, ChargeState, Phase, Why
from watchedpot.core.units import NANO, ns
from watchedpot.core.walk import ZoneEdge

TOLD = ChargeRules(start_age_s=0.0, fill_kg=0.033, flow_kg_per_s=4e-6)
NOW_S = HOUR_S + 1.0


def loaded(charge_id: str, *, at_s: float = NOW_S, **of_loading: Any) -> Entry:
    """What a person says of a charge, in any detail or none."""
    loading = Loading(**of_loading) if of_loading else None
    return entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=at_s, subject=charge_id, loading=loading)


def aged(state: CellState) -> Dose:
    """The age of what lies in the reservoir."""
    return state.zones[0].dose


def held(temp_c: float, duration_s: float) -> Dose:
    """The age of a time at one temperature."""
    low_ns, high_ns = doses.held_dose(temp_c, ns(duration_s), AGEING, ceiling_c=CEILING_C)
    return Dose(low_ns=low_ns, high_ns=high_ns)


def changes(events: Sequence[Event]) -> list[tuple[object, object, object, object]]:
    """How each charge came: id, the one before, how, and who said it."""
    return [
        tuple(event.detail(name) for name in ("charge_id", "previous", "how", "who"))  # type: ignore[misc]
        for event in of_kind(events, EventKind.CHARGE_CHANGED)
    ]


def hours(count: float, plan: CellPlan, charge: float = 7.0) -> CellState:
    """The cell after a charge was at its setpoint for hours, named by the controller."""
    return soaked(plan, charge=charge, hours=count)


def test_one_item_of_a_row_is_exchanged() -> None:
    """All others stay."""
    assert replaced((1, 2, 3), 1, 5) == (1, 5, 3)
    assert replaced([1], 3, 5) == (1,)


def test_the_first_charge_that_a_controller_names_was_found() -> None:
    """It was there before: it gets its name, keeps its age, and does not soak anew."""
    plan = charged_cell(charge=TOLD)
    rows = shift(HELD_C, charge=parts((1800, 0.0), (1801, 7.0)))
    state, events = run(plan, rows)
    assert changes(events) == [("7", None, "found", "")]
    assert aged(state).low_ns == ns(HOUR_S)
    assert (state.charge.id, state.charge.loaded) == ("7", None)
    assert state.zones[0].phase is Phase.READY
    assert state.shelf == ()


def test_a_charge_of_unknown_age_stays_so_when_it_gets_a_name() -> None:
    """A name is no age; how long it was seen is the least that it can be."""
    plan = charged_cell()
    state = hours(1.0, plan)
    assert state.charge.state is ChargeState.AGE_UNKNOWN
    seen = shown(state, plan).charge
    assert (seen.is_age_known, seen.dose_low_s) == (False, HOUR_S)
    assert shown(state, plan).advice.why is Why.AGE_UNKNOWN


def test_another_name_is_another_charge() -> None:
    """Fresh by what is usual, cold, and all that the old one did went with it."""
    plan = charged_cell(
        reservoir(),
        outlet(alarm(AlarmKind.DEGRADATION, limit_s=5.0, is_latching=True)),
        charge=TOLD,
    )
    state = hours(1.0, plan)
    hot = shift(HELD_C, charge=7.0, nozzle_c=128.0, start_s=NOW_S, rows=60)
    state, _ = run(plan, hot, state=state)
    assert state.zones[1].degradation_ns > 0
    rows = shift(HELD_C, charge=8.0, nozzle_c=NOZZLE_C, start_s=NOW_S + 60.0, rows=1)
    state, events = run(plan, rows, state=state)
    assert changes(events) == [("8", "7", "signal", "")]
    assert (aged(state), state.charge.id, state.charge.is_age_known) == (Dose(), "8", True)
    assert state.charge.loaded == instant(NOW_S + 60.0)
    assert state.charge.mass_kg == TOLD.fill_kg
    assert state.zones[1].degradation_ns == 0
    assert [to for _, to in alarm_story(events, AlarmKind.DEGRADATION)] == [
        "latched_unacknowledged",
        "returned_unacknowledged",
    ]
    (phase,) = of_kind(events, EventKind.PHASE_CHANGED)
    assert (phase.zone, phase.detail("to")) == ("syringe", "soaking")
    core = shown(state, plan).zones[0].core
    assert core is not None
    assert core.centre_c == pytest.approx(ROOM_C)
    assert core.is_assumed
    assert shown(state, plan).advice.why is Why.SOAKING


def test_how_charges_usually_come_is_how_a_named_one_came() -> None:
    """Preheated for ten minutes at 100 degC: warmer, and that much older."""
    charge = replace(TOLD, preheat_c=100.0, preheat_s=600.0)
    plan = charged_cell(charge=charge)
    state = hours(1.0, plan)
    rows = shift(HELD_C, charge=8.0, start_s=NOW_S, rows=1)
    state, events = run(plan, rows, state=state)
    assert aged(state) == held(100.0, 600.0)
    (came,) = of_kind(events, EventKind.CHARGE_CHANGED)
    assert came.detail("start_c") == 100.0
    assert came.detail("age_s") == pytest.approx(held(100.0, 600.0).low_ns / NANO)
    core = shown(state, plan).zones[0].core
    assert core is not None
    assert core.centre_c is not None
    assert ROOM_C + 20.0 < core.centre_c < 100.0
    entered, _ = run(plan, loaded("8"), state=hours(1.0, plan))
    assert aged(entered) == aged(state)


def test_what_a_person_says_of_a_charge_counts() -> None:
    """Age, mass and warming; nothing of it is assumed then."""
    plan = charged_cell(charge=replace(TOLD, preheat_c=100.0, preheat_s=600.0))
    told = loaded("b_2", age_s=HOUR_S, mass_kg=0.02, preheat_c=90.0, preheat_s=1200.0)
    state, events = run(plan, told, state=hours(1.0, plan))
    assert changes(events) == [("b_2", "7", "entry", "operator")]
    assert aged(state) == Dose(ns(HOUR_S), ns(HOUR_S)) + held(90.0, 1200.0)
    assert state.charge.mass_kg == 0.02
    core = shown(state, plan).zones[0].core
    assert core is not None
    assert not core.is_assumed
    assert of_kind(events, EventKind.CHARGE_CHANGED)[0].detail("start_c") == 90.0
    cold, events = run(plan, loaded("b_3", age_s=60.0), state=state)
    assert aged(cold) == Dose(ns(60.0), ns(60.0))
    assert of_kind(events, EventKind.CHARGE_CHANGED)[0].detail("start_c") == ROOM_C


def test_a_charge_that_is_old_when_it_comes_is_judged_at_once() -> None:
    """Near its limit or over it, without any hot time in this cell."""
    plan = charged_cell(charge=TOLD)
    state = hours(1.0, plan)
    near, _ = run(plan, loaded("8", age_s=0.8 * POT_LIFE_S), state=state)
    assert near.charge.state is ChargeState.NEAR_LIMIT
    spent, events = run(plan, loaded("8", age_s=POT_LIFE_S), state=state)
    assert spent.charge.state is ChargeState.SPENT
    (change,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert (change.detail("from"), change.detail("to")) == ("in_life", "spent")
    _, events = run(plan, shift(HELD_C, charge=7.0, start_s=NOW_S + 1.0, rows=1), state=spent)
    assert [(second(e), e.detail("to")) for e in of_kind(events, EventKind.ALARM_CHANGED)] == [
        (NOW_S, "unacknowledged")
    ]


def test_a_charge_that_comes_hot_to_the_core_is_in_its_life_at_once() -> None:
    """It was in a warmer for hours, and its sleeve is hot: no soak is waited for."""
    plan = charged_cell(charge=TOLD)
    told = loaded("8", preheat_c=HELD_C, preheat_s=4 * HOUR_S)
    state, events = run(plan, told, state=hours(1.0, plan))
    assert state.charge.state is ChargeState.IN_LIFE
    assert not of_kind(events, EventKind.PHASE_CHANGED)
    assert state.ready_zones == ("nozzle", "syringe")
    assert aged(state) == held(HELD_C, 4 * HOUR_S)


@pytest.mark.parametrize(("wall_c", "state"), [(ROOM_C, "loaded"), (90.0, "warming")])
def test_a_charge_is_as_warm_as_what_it_comes_into(wall_c: float, state: str) -> None:
    """Loaded into a cold sleeve, or into one that is hot and below its window."""
    plan = charged_cell(charge=TOLD)
    before, _ = run(plan, shift([wall_c] * 5))
    told = loaded("8", at_s=5.0, preheat_c=HELD_C, preheat_s=4 * HOUR_S)
    after, _ = run(plan, told, state=before)
    assert after.charge.state.value == state


def test_the_name_of_a_charge_that_a_person_entered_is_no_other_charge() -> None:
    """Entered with its age, and shown by the controller a minute later: one charge, one age."""
    plan = charged_cell(charge=TOLD)
    state, _ = run(plan, loaded("8", age_s=3 * HOUR_S), state=hours(1.0, plan))
    rows = shift(HELD_C, charge=parts((60, 7.0), (60, 8.0)), start_s=NOW_S + 1.0)
    state, events = run(plan, rows, state=state)
    assert not changes(events)
    assert aged(state).low_ns > ns(3 * HOUR_S)
    assert (state.named_charge, state.charge.id) == ("8", "8")
    _, events = run(plan, shift(HELD_C, charge=9.0, start_s=NOW_S + 121.0, rows=1), state=state)
    assert changes(events) == [("9", "8", "signal", "")]


def test_a_name_that_a_person_gave_first_stays() -> None:
    """The controller's first name is not that of another charge."""
    plan = charged_cell(charge=TOLD)
    state, _ = run(plan, shift([HELD_C] * 5), loaded("b_2", at_s=5.0))
    state, events = run(plan, shift(HELD_C, charge=7.0, start_s=6.0, rows=5), state=state)
    assert not changes(events)
    assert (state.charge.id, state.named_charge) == ("b_2", "7")


def test_a_charge_that_is_entered_once_more_is_no_younger() -> None:
    """The same id lies there already: its age goes on, unless a person says another."""
    plan = charged_cell(charge=TOLD)
    state = hours(2.0, plan)
    again, events = run(plan, loaded("7", at_s=2 * HOUR_S + 1.0), state=state)
    assert changes(events) == [("7", "7", "entry", "operator")]
    assert aged(again) == aged(state)
    said, _ = run(plan, loaded("7", at_s=2 * HOUR_S + 1.0, age_s=60.0), state=state)
    assert aged(said) == Dose(ns(60.0), ns(60.0))


def back_and_forth(plan: CellPlan, state: CellState, **between: Any) -> tuple[CellState, CellState]:
    """The cell with another charge in place of 7 for a minute, and with 7 again."""
    rows = shift(HELD_C, charge=8.0, start_s=NOW_S, rows=60, **between)
    other, _ = run(plan, rows, state=state)
    back, _ = run(plan, shift(HELD_C, charge=7.0, start_s=NOW_S + 60.0, rows=1), state=other)
    return other, back


def test_a_charge_that_comes_back_gets_its_age_back() -> None:
    """As it was taken out; so does the one that it takes the place of."""
    plan = charged_cell(charge=TOLD)
    state = hours(1.0, plan)
    other, back = back_and_forth(plan, state)
    # To the row that names the other one the hour goes on.
    assert aged(back) == Dose(ns(HOUR_S + 1.0), ns(HOUR_S + 1.0))
    assert aged(other) == Dose(ns(59.0), ns(59.0))
    assert (back.charge.is_age_known, back.charge.id) == (True, "7")
    assert {known.id: known.dose.low_ns for known in back.shelf}["8"] == ns(60.0)


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        ({"is_age_known": False}, ChargeState.AGE_UNKNOWN),
        ({"is_doubted": True}, ChargeState.AGE_UNKNOWN),
        ({"is_overheated": True}, ChargeState.OVERHEATED),
    ],
)
def test_what_was_wrong_with_a_charge_is_wrong_when_it_comes_back(
    facts: dict[str, bool], state: ChargeState
) -> None:
    """Taking it out heals nothing."""
    plan = charged_cell(charge=TOLD)
    before = hours(1.0, plan)
    before = replace(before, charge=replace(before.charge, **facts))  # type: ignore[arg-type]
    other, back = back_and_forth(plan, before)
    assert other.charge.state is ChargeState.WARMING
    assert back.charge.state is state


def test_what_a_person_says_of_a_charge_that_comes_back_goes_before_what_is_remembered() -> None:
    """It may have been warm elsewhere meanwhile."""
    plan = charged_cell()
    other, _ = back_and_forth(plan, hours(1.0, plan))
    told = loaded("7", at_s=NOW_S + 60.0, age_s=2 * HOUR_S)
    back, _ = run(plan, told, state=other)
    assert aged(back) == Dose(ns(2 * HOUR_S), ns(2 * HOUR_S))
    assert back.charge.is_age_known


def test_a_charge_of_unknown_age_that_a_person_says_is_fresh_is_known() -> None:
    """It lies there already, and what is said of it counts: nothing, from then on."""
    plan = charged_cell()
    found, _ = run(plan, shift(HELD_C, charge=7.0, rows=60))
    assert found.charge.state is ChargeState.AGE_UNKNOWN
    assert aged(found).high_ns > 0
    said, _ = run(plan, loaded("7", at_s=60.0, age_s=0.0), state=found)
    assert said.charge.is_age_known
    assert aged(said) == Dose()


GAP_S = 720.0


def across_a_gap(
    plan: CellPlan, state: CellState, *, names: float, setpoint_c: float = HELD_C
) -> tuple[CellState, list[Event]]:
    """Twelve minutes in which nothing is read, and then a charge with a name."""
    begin_s = (0 if state.at is None else state.at.mono_ns) / NANO + GAP_S
    rows = shift(HELD_C, charge=names, setpoint_c=setpoint_c, start_s=begin_s, rows=1)
    return run(plan, rows, state=state)


@pytest.mark.parametrize("setpoint_c", [HELD_C, 120.0, 85.0])
def test_the_gap_between_two_names_is_the_age_of_the_new_charge(setpoint_c: float) -> None:
    """Nobody saw when it came: all of it counts, at the higher of last reading and setpoint.

    Common practice, no source. It is marked as estimated.
    """
    plan = charged_cell(charge=TOLD)
    state, events = across_a_gap(plan, hours(1.0, plan), names=8.0, setpoint_c=setpoint_c)
    gap = held(max(HELD_C, setpoint_c), GAP_S)
    assert aged(state) == Dose(gap.low_ns, gap.high_ns, gap.low_ns, gap.high_ns)
    assert shown(state, plan).charge.estimated_share == 1.0
    (came,) = of_kind(events, EventKind.CHARGE_CHANGED)
    assert came.detail("age_s") == max(gap.low_ns, gap.high_ns) / NANO


def test_a_gap_without_another_name_stays_the_age_of_the_charge_that_is_there() -> None:
    """It goes on with its gap, and no event says anything else."""
    plan = charged_cell(charge=TOLD)
    state, events = across_a_gap(plan, hours(1.0, plan), names=7.0)
    assert not changes(events)
    assert aged(state) == Dose(ns(HOUR_S + GAP_S), ns(HOUR_S + GAP_S), ns(GAP_S), ns(GAP_S))


def test_a_charge_that_comes_back_across_a_gap_is_older_by_it() -> None:
    """Its own age, and all that nobody saw."""
    plan = charged_cell(charge=TOLD)
    other, _ = run(plan, shift(HELD_C, charge=8.0, start_s=NOW_S, rows=60), state=hours(1.0, plan))
    back, _ = across_a_gap(plan, other, names=7.0)
    lived_ns = ns(HOUR_S + 1.0 + GAP_S)
    assert aged(back) == Dose(lived_ns, lived_ns, ns(GAP_S), ns(GAP_S))


def test_what_is_shorter_than_the_hold_of_a_signal_is_no_gap() -> None:
    """A name that was missed for a few polls."""
    plan = charged_cell(charge=TOLD, gate_hold_s=3.0)
    for missed, estimated_ns in ((2, 0), (3, ns(4.0))):
        rows = shift(HELD_C, charge=parts((5, 7.0), (missed, None), (1, 8.0)))
        state, _ = run(plan, rows)
        assert aged(state).low_ns == aged(state).low_blind_ns == estimated_ns


def test_a_gap_of_which_no_temperature_is_known_counts_nothing() -> None:
    """Neither a reading nor a setpoint ever came; nor does what never ages."""
    bare = charged_cell(reservoir(setpoint=None), charge=TOLD)
    rows = block({SYRINGE: [None, None], CHARGE_ID: [7.0, 8.0]}, at_s=[0.0, GAP_S])
    state, events = run(bare, rows)
    assert changes(events)[1] == ("8", "7", "signal", "")
    assert aged(state) == Dose()
    ageless = charged_cell(
        reservoir(material=material(ageing=None)),
        charge=replace(TOLD, preheat_c=100.0, preheat_s=600.0),
    )
    state, _ = run(ageless, shift([HELD_C] * 5, charge=7.0))
    state, _ = across_a_gap(ageless, state, names=8.0)
    assert aged(state) == Dose()
    by_setpoint = block(
        {SYRINGE: [None, None], SYRINGE_SETPOINT: HELD_C, CHARGE_ID: [7.0, 8.0]}, at_s=[0.0, GAP_S]
    )
    state, _ = run(charged_cell(charge=TOLD), by_setpoint)
    assert aged(state).low_blind_ns == ns(GAP_S)


def test_dispensing_that_goes_on_with_a_cold_charge_is_before_ready() -> None:
    """From the moment it came; nobody has to stop and start again to be told."""
    plan = charged_cell(charge=TOLD)
    state = hours(1.0, plan)
    rows = shift(HELD_C, charge=parts((10, 7.0), (10, 8.0)), dispensing=1.0, start_s=NOW_S)
    state, events = run(plan, rows, state=state)
    assert alarm_story(events, AlarmKind.BEFORE_READY) == [(NOW_S + 10.0, "unacknowledged")]
    (raised,) = of_kind(events, EventKind.ALARM_CHANGED, "")
    assert raised.detail("zones") == "syringe"
    assert (state.ready_zones, state.unready_zones) == (("nozzle",), ("syringe",))


def test_a_charge_that_comes_cold_takes_its_cold_alarm_aside() -> None:
    """What was on its way to an alarm is no alarm of a zone that soaks."""
    plan = charged_cell(
        reservoir(alarm(AlarmKind.COLD, on_delay_s=30.0, off_delay_s=10.0)), outlet(), charge=TOLD
    )
    state = hours(1.0, plan)
    rows = shift(
        parts((5, HELD_C), (60, 100.0)),
        charge=parts((15, 7.0), (50, 8.0)),
        dispensing=1.0,
        start_s=NOW_S,
    )
    state, events = run(plan, rows, state=state)
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == ["suppressed_by_design"]
    assert run(plan, *pieces(rows, range(1, 65)), state=hours(1.0, plan)) == (state, events)


def test_a_charge_that_comes_before_the_first_row_raises_nothing() -> None:
    """The account is not open, and every zone unseen."""
    plan = charged_cell(charge=TOLD)
    state, events = run(plan, loaded("8", at_s=-60.0))
    assert state.tracks == start(plan).tracks
    assert not of_kind(events, EventKind.ALARM_CHANGED)
    assert changes(events) == [("8", None, "entry", "operator")]


def test_a_new_charge_is_purged_before_anything_else() -> None:
    """What stands in the nozzle is the old one, and air."""
    plan = charged_cell(reservoir(soak=None), outlet(), charge=TOLD)
    state, _ = run(plan, shift(HELD_C, dispensing=1.0, rows=10), loaded("8", at_s=10.0))
    told = shown(state, plan).advice
    assert (told.advice, told.why) == (Advice.PURGE_FIRST, Why.NEW_CHARGE)
    state, _ = run(plan, entry(EntryKind.WIPED, "lens_4", at_s=11.0), state=state)
    assert shown(state, plan).advice.advice is Advice.RUN


def test_a_charge_that_goes_into_heat_beyond_its_ceiling_is_overheated_too() -> None:
    """Of any zone; no crossing will show it, and one event is enough."""
    plan = charged_cell(charge=TOLD)
    hot = shift(HELD_C, charge=7.0, nozzle_c=[NOZZLE_C, 135.0, 135.0])
    state, _ = run(plan, hot)
    assert state.charge.is_overheated
    state, events = run(plan, loaded("8", at_s=3.0), state=state)
    (mark,) = of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert (mark.zone, mark.detail("temp_c"), mark.detail("ceiling_c")) == (
        "nozzle",
        135.0,
        CEILING_C,
    )
    assert state.charge.state is ChargeState.OVERHEATED
    state, events = run(plan, loaded("7", at_s=4.0), state=state)
    assert state.charge.is_overheated
    assert not of_kind(events, EventKind.CHARGE_OVERHEATED)


def test_a_cell_without_a_reservoir_knows_a_charge_by_its_name_only() -> None:
    """No age, no mass left of a refill, no life; nothing is raised by it."""
    plan = charged_cell(outlet(), charge=replace(TOLD, refill_kg=0.01))
    state, _ = run(plan, block({TEMPERATURE: [NOZZLE_C] * 3, CHARGE_ID: [7.0, 7.0, 8.0]}))
    assert state.charge.id == "8"
    assert life_of(state, plan) is None
    state, events = run(plan, loaded("9", at_s=5.0, is_refill=True), state=state)
    assert changes(events) == [("9", "8", "refill", "operator")]
    assert state.charge.mass_kg == pytest.approx(0.043)
    edge = ZoneEdge(1, ns(4.0), "nozzle", "is_dip", is_on=True, since_ns=0)
    assert suspect_change(state, plan, instant(5.0), edge) == (state, [])


MELT = ChargeRules(start_age_s=4 * HOUR_S, fill_kg=5.0, refill_kg=1.0, flow_kg_per_s=1e-3)


def refilled(plan: CellPlan, state: CellState, **of_loading: Any) -> tuple[CellState, list[Event]]:
    """The tank after a person put more into it."""
    told = loaded("b_2", at_s=state_s(state), is_refill=True, **of_loading)
    return run(plan, told, state=state)


def state_s(state: CellState) -> float:
    """Second of the newest row."""
    return 0.0 if state.at is None else state.at.mono_ns / NANO


def tank_cell(charge: ChargeRules = MELT, **changes: Any) -> CellPlan:
    """A melt tank of 5 kg and a nozzle."""
    return charged_cell(tank(**changes), outlet(), charge=charge)


def test_a_refill_mixes_ages_by_mass_and_resets_nothing() -> None:
    """1 kg fresh into 5 kg of four hours: three hours and twenty minutes."""
    plan = tank_cell()
    state, _ = run(plan, shift([HELD_C]))
    state = replace(state, zones=(replace(state.zones[0], degradation_ns=ns(60.0)), state.zones[1]))
    after, events = refilled(plan, state)
    assert aged(after) == Dose(ns(4 * HOUR_S * 5 / 6), ns(4 * HOUR_S * 5 / 6))
    assert after.zones[0].degradation_ns == ns(50.0)
    assert after.charge.mass_kg == 6.0
    assert changes(events) == [("b_2", None, "refill", "operator")]
    (came,) = of_kind(events, EventKind.CHARGE_CHANGED)
    assert came.detail("age_s") == pytest.approx(4 * HOUR_S * 5 / 6)
    assert after.zones[0].core == state.zones[0].core
    assert after.zones[0].account == state.zones[0].account
    assert after.shelf == ()
    assert after.charge.loaded == instant(0.0)
    again, _ = refilled(plan, after)
    assert again.charge.loaded == after.charge.loaded


def test_a_controller_that_names_another_charge_of_a_tank_tells_a_refill() -> None:
    """Of the usual mass; what was dispensed since the last one is no longer there."""
    plan = tank_cell()
    state, _ = run(plan, shift(HELD_C, charge=7.0, dispensing=1.0, rows=1001))
    before = aged(state)
    named = shift(HELD_C, charge=8.0, dispensing=0.0, start_s=1001.0, rows=1)
    state, events = run(plan, named, state=state)
    assert changes(events) == [("8", "7", "refill", "")]
    # 5 kg less 1001 s at 1 g/s, and a second more of age.
    left_kg = 5.0 - 1.001
    assert state.charge.mass_kg == pytest.approx(left_kg + 1.0)
    mixed_ns = (before.low_ns + NANO) * left_kg / (left_kg + 1.0)
    assert aged(state).low_ns == pytest.approx(mixed_ns, abs=1000.0)


def test_a_refill_brings_what_a_person_says_of_it() -> None:
    """Its own mass, age and warming, and the part of the mixture that was estimated."""
    plan = tank_cell()
    state, _ = run(plan, shift([HELD_C]))
    zone = replace(state.zones[0], dose=Dose(600, 600, 300, 120))
    state = replace(state, zones=(zone, state.zones[1]))
    after, _ = refilled(plan, state, mass_kg=5.0, age_s=400e-9)
    assert aged(after) == Dose(500, 500, 150, 60)
    warm, _ = refilled(plan, state, mass_kg=5.0, preheat_c=100.0, preheat_s=600.0)
    brought = held(100.0, 600.0)
    assert aged(warm).low_ns == (600 + brought.low_ns + 1) // 2


@pytest.mark.parametrize(
    "charge",
    [
        replace(MELT, refill_kg=None),
        replace(MELT, fill_kg=None),
        replace(MELT, flow_kg_per_s=None),
    ],
)
def test_a_refill_of_unknown_size_makes_nothing_younger(charge: ChargeRules) -> None:
    """Where the mass of either part is not known the age stays."""
    plan = tank_cell(charge)
    state, _ = run(plan, shift([HELD_C]))
    after, events = refilled(plan, state)
    assert aged(after) == aged(state)
    assert after.charge.mass_kg == state.charge.mass_kg
    assert changes(events) == [("b_2", None, "refill", "operator")]


def test_a_refill_leaves_an_overheated_charge_overheated() -> None:
    """Good melt on top of it heals nothing, and its age may still be unknown."""
    plan = tank_cell(replace(MELT, start_age_s=None))
    state, _ = run(plan, shift(HELD_C, nozzle_c=[NOZZLE_C, 135.0]))
    after, _ = refilled(plan, state)
    assert after.charge.state is ChargeState.OVERHEATED
    assert not after.charge.is_age_known


def test_a_refill_can_bring_a_spent_tank_back_to_life_and_ends_its_alarm() -> None:
    """5 kg of 9 h and 5 kg fresh are 4.5 h: neither over nor near its limit."""
    plan = tank_cell(replace(MELT, start_age_s=9 * HOUR_S))
    state, _ = run(plan, shift([HELD_C] * 5))
    assert state.charge.state is ChargeState.SPENT
    after, events = refilled(plan, state, mass_kg=5.0)
    assert after.charge.state is ChargeState.WARMING
    (change,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert (change.detail("from"), change.detail("to")) == ("spent", "warming")
    _, events = run(plan, shift([HELD_C], start_s=5.0), state=after)
    assert alarm_story(events, AlarmKind.POT_LIFE) == [(4.0, "returned_unacknowledged")]


@settings(derandomize=True, deadline=None, database=None, max_examples=60)
@given(
    st.integers(0, 10**17),
    st.floats(0.0, 50.0),
    st.floats(1e-3, 50.0),
    st.integers(0, 10**6),
)
def test_no_refill_is_older_than_the_oldest_or_fresher_than_the_freshest(
    age_ns: int, added_kg: float, fill_kg: float, added_age_s: int
) -> None:
    """Whatever the masses, by both bounds and for the estimated part."""
    plan = tank_cell(replace(MELT, fill_kg=fill_kg))
    state = start(plan)
    zone = replace(state.zones[0], dose=Dose(age_ns, age_ns // 2, age_ns // 3, 0))
    state = replace(state, zones=(zone, state.zones[1]))
    after, _ = refilled(plan, state, mass_kg=added_kg, age_s=float(added_age_s))
    added_ns = ns(float(added_age_s))
    for name, brought_ns in (
        ("low_ns", added_ns),
        ("high_ns", added_ns),
        ("low_blind_ns", 0),
        ("high_blind_ns", 0),
    ):
        old_ns, new_ns = getattr(aged(state), name), getattr(aged(after), name)
        assert min(old_ns, brought_ns) <= new_ns <= max(old_ns, brought_ns)


def dipping(
    *, to_c: float = 104.0, output: float = 100.0, back_s: int = 360, dispensing: float = 0.0
) -> Any:
    """A minute down, three minutes there, two up again; the heater at its most for four.

    Common practice, no source: that is how an unheated charge in a hot sleeve looks.
    """
    wall = line((0, HELD_C), (60, to_c), (back_s - 120, to_c), (back_s, HELD_C), (900, HELD_C))
    full = [20.0] * 30 + [output] * 240 + [20.0] * 631
    return shift(wall, charge=7.0, output=full, dispensing=dispensing, start_s=NOW_S)


def test_a_charge_that_was_changed_unsaid_is_suspected_once() -> None:
    """A dip of 6 K, full output for four minutes, idle: age unknown, soaking anew, kept age.

    Common practice, no source: ask, never guess that it is fresh.
    """
    plan = charged_cell(charge=TOLD)
    before = hours(1.0, plan)
    rows = dipping()
    state, events = run(plan, rows, state=before)
    (suspicion,) = of_kind(events, EventKind.CHARGE_SUSPECTED)
    assert (suspicion.zone, suspicion.detail("charge_id")) == ("syringe", "7")
    # Below 107 degC from 30 s on, above 109 again at 340 s.
    assert suspicion.detail("duration_s") == pytest.approx(310.0, abs=1.0)
    (change,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert (change.detail("from"), change.detail("to")) == ("in_life", "age_unknown")
    assert [e.detail("to") for e in of_kind(events, EventKind.PHASE_CHANGED)] == ["soaking"]
    assert not changes(events)
    assert not of_kind(events, EventKind.ALARM_CHANGED)
    grown_ns = aged(state).low_ns - aged(before).low_ns
    assert ns(600.0) < grown_ns < ns(901.0)
    assert aged(state).low_blind_ns == 0
    seen = shown(state, plan)
    assert (seen.charge.state, seen.charge.is_age_known) == (ChargeState.AGE_UNKNOWN, False)
    assert seen.advice.why is Why.AGE_UNKNOWN
    assert state.unready_zones == ("syringe",)
    assert seen.zones[0].core is not None
    assert seen.zones[0].core.is_assumed
    wait_s = seen.zones[0].core.ready_in_s
    assert wait_s is not None
    assert wait_s > 300.0
    ready, _ = run(plan, shift(HELD_C, charge=7.0, start_s=NOW_S + 901.0, rows=1200), state=state)
    again, events = run(plan, later(dipping(), 2101.0), state=ready)
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)
    assert again.charge.is_doubted


def later(rows: Any, by_s: float) -> Any:
    """The same rows at another time."""
    return replace(rows, mono_ns=rows.mono_ns + ns(by_s), seen_ns=rows.seen_ns + ns(by_s))


def test_a_suspicion_is_the_same_however_the_rows_came() -> None:
    """In one block, row by row, or with more of another zone behind it."""
    plan = charged_cell(charge=TOLD)
    before = hours(1.0, plan)
    behind = parts((500, NOZZLE_C), (401, 110.0))
    wall = line((0, HELD_C), (60, 104.0), (240, 104.0), (360, HELD_C), (900, HELD_C))
    full = [20.0] * 30 + [100.0] * 240 + [20.0] * 631
    rows = shift(wall, charge=7.0, output=full, nozzle_c=behind, start_s=NOW_S)
    whole = run(plan, rows, state=before)
    assert len(of_kind(whole[1], EventKind.CHARGE_SUSPECTED)) == 1
    assert run(plan, *pieces(rows, [341, 450]), state=before) == whole
    assert run(plan, *pieces(rows, range(1, 901, 7)), state=before) == whole


def test_a_dip_that_another_zone_shares_is_no_suspicion() -> None:
    """It has another cause: the heat was off, or a door was open."""
    plan = charged_cell(charge=TOLD)
    before = hours(1.0, plan)
    rows = dipping()
    for nozzle_c, count in (
        (NOZZLE_C, 1),
        (line((0, NOZZLE_C), (60, 116.0), (240, 116.0), (360, NOZZLE_C), (900, NOZZLE_C)), 0),
        (line((0, NOZZLE_C), (60, 116.0), (100, NOZZLE_C), (900, NOZZLE_C)), 0),
        (line((0, NOZZLE_C), (60, 116.0), (900, 116.0)), 0),
    ):
        both = replace(rows, value=rows.value.copy())
        both.value[:, both.channels.index(TEMPERATURE)] = nozzle_c
        _, events = run(plan, both, state=before)
        assert len(of_kind(events, EventKind.CHARGE_SUSPECTED)) == count


@pytest.mark.parametrize(
    "changes_of",
    [{"output": 80.0}, {"dispensing": 1.0}, {"to_c": 107.5}],
    ids=["no full output", "melt flows", "not deep"],
)
def test_a_dip_of_another_kind_is_no_suspicion(changes_of: dict[str, float]) -> None:
    """A draft, cold melt drawn, or a ripple."""
    plan = charged_cell(charge=TOLD)
    _, events = run(plan, dipping(**changes_of), state=hours(1.0, plan))  # type: ignore[arg-type]
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)


def test_a_tank_that_dips_was_refilled_and_not_changed() -> None:
    """Cold melt on top of it looks the same."""
    plan = tank_cell(TOLD)
    _, events = run(plan, dipping(), state=hours(1.0, plan))
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)


def test_the_dip_of_a_charge_that_was_said_to_be_loaded_is_its_own() -> None:
    """Named just before it; minutes later another one is another charge."""
    plan = charged_cell(reservoir(soak=replace(SOAK, radius_m=0.002)), outlet(), charge=TOLD)
    before = hours(1.0, plan, charge=6.0)
    rows = shift(HELD_C, charge=7.0, start_s=NOW_S, rows=100)
    state, events = run(plan, rows, state=before)
    assert state.zones[0].phase is Phase.READY
    _, events = run(plan, later(dipping(), 100.0), state=state)
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)
    rest = shift(HELD_C, charge=7.0, start_s=NOW_S + 100.0, rows=300)
    state, _ = run(plan, rest, state=state)
    _, events = run(plan, later(dipping(), 400.0), state=state)
    assert len(of_kind(events, EventKind.CHARGE_SUSPECTED)) == 1


def suspected(plan: CellPlan) -> CellState:
    """The cell after a dip that nobody explained."""
    return run(plan, dipping(), state=hours(1.0, plan))[0]


def test_a_person_can_say_that_it_is_the_same_charge() -> None:
    """Then its age is known again; it goes on soaking all the same."""
    plan = charged_cell(charge=TOLD)
    state = suspected(plan)
    kept = entry(EntryKind.CHARGE_KEPT, "lens_4", at_s=NOW_S + 901.0)
    after, events = run(plan, kept, state=state)
    assert changes(events) == [("7", "7", "kept", "operator")]
    (change,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert (change.detail("from"), change.detail("to")) == ("age_unknown", "in_life")
    assert aged(after) == aged(state)
    assert after.zones == state.zones
    assert shown(after, plan).advice.why is Why.SOAKING


def test_a_person_or_the_controller_can_say_that_it_is_another() -> None:
    """The doubt goes with the charge it was about, whose age nobody knows any more."""
    plan = charged_cell(charge=TOLD)
    state = suspected(plan)
    entered, _ = run(plan, loaded("b_2", at_s=NOW_S + 901.0), state=state)
    rows = shift(HELD_C, charge=8.0, start_s=NOW_S + 901.0, rows=1)
    named, _ = run(plan, rows, state=state)
    for after in (entered, named):
        assert not after.charge.is_doubted
        assert after.charge.state is ChargeState.WARMING
        assert aged(after) == Dose()
        (old,) = after.shelf
        assert (old.id, old.is_age_known) == ("7", False)
        assert old.dose.low_ns >= aged(state).low_ns


def test_a_suspicion_of_a_charge_of_unknown_age_changes_no_state() -> None:
    """It is asked all the same; a spent one stays spent."""
    for charge, state_of in (
        (replace(TOLD, start_age_s=None), ChargeState.AGE_UNKNOWN),
        (replace(TOLD, start_age_s=POT_LIFE_S), ChargeState.SPENT),
    ):
        plan = charged_cell(charge=charge)
        state, events = run(plan, dipping(), state=hours(1.0, plan))
        assert len(of_kind(events, EventKind.CHARGE_SUSPECTED)) == 1
        assert not of_kind(events, EventKind.CHARGE_STATE_CHANGED)
        assert state.charge.state is state_of


def test_the_life_of_a_charge_is_that_of_its_reservoir() -> None:
    """Dose, times of the account, and the reading, which must be good."""
    plan = charged_cell(charge=TOLD)
    state, _ = run(plan, shift([HELD_C] * 11, dispensing=parts((4, 1.0), (7, 0.0))))
    life = life_of(state, plan)
    assert life is not None
    assert life.dose == aged(state)
    assert life.flowed == Flowed(ns(4.0), ns(10.0))
    assert life.temp_c == HELD_C
    lost, _ = run(plan, shift([None], start_s=11.0), state=state)
    life = life_of(lost, plan)
    assert life is not None
    assert life.temp_c is None


def labelled(plan: CellPlan, *loadings: tuple[str, Loading]) -> list[Event]:
    """Charge events of charges that a person loads one after the other."""
    state, events = engine.start(plan), list[Event]()
    for n, (charge_id, loading) in enumerate(loadings):
        said = entry(
            EntryKind.CHARGE_LOADED,
            plan.rules.id,
            at_s=100.0 * n + 1.0,
            subject=charge_id,
            loading=loading,
        )
        state, new = engine.step(state, said, plan)
        events += of_kind(new, EventKind.CHARGE_CHANGED)
    return events


def test_a_charge_carries_its_lot_and_its_date() -> None:
    """As a person said them; the same charge named again keeps them, another one does not."""
    date_ns = instant(1e6).utc_ns
    told = Loading(lot="L2031", expires_utc_ns=date_ns)
    first, again, other = labelled(
        thermal_cell(), ("44", told), ("44", Loading()), ("45", Loading())
    )
    assert (first.detail("lot"), first.detail("expires_utc_ns")) == ("L2031", date_ns)
    assert (again.detail("lot"), again.detail("expires_utc_ns")) == ("L2031", date_ns)
    assert (other.detail("lot"), other.detail("expires_utc_ns")) == ("", None)


def test_a_charge_past_its_date_is_not_fit() -> None:
    """It is said when it is loaded, before a part is made with it."""
    (event,) = labelled(thermal_cell(), ("44", Loading(expires_utc_ns=0)))
    assert event.detail("unfit") == "expired"


def test_a_refill_keeps_what_spoke_against_the_rest_and_the_earlier_date() -> None:
    """A mixture is no better than its parts."""
    late_ns, early_ns = instant(1e6).utc_ns, instant(1e5).utc_ns
    old, new = labelled(
        tank_cell(),
        ("44", Loading(expires_utc_ns=0)),
        ("45", Loading(is_refill=True, expires_utc_ns=late_ns, lot="L2032")),
    )
    assert (old.detail("unfit"), new.detail("unfit")) == ("expired", "expired")
    assert new.detail("expires_utc_ns") == 0
    assert new.detail("lot") == "L2032"
    _, refilled = labelled(
        tank_cell(),
        ("44", Loading(expires_utc_ns=early_ns, lot="L2031")),
        ("45", Loading(is_refill=True, expires_utc_ns=late_ns)),
    )
    assert (refilled.detail("expires_utc_ns"), refilled.detail("lot")) == (early_ns, "L2031")


def corrected(
    plan: CellPlan, state: CellState, added_s: float | None
) -> tuple[CellState, list[Event]]:
    """The charge in use, said to be older."""
    loading = None if added_s is None else Loading(age_s=added_s)
    said = entry(EntryKind.AGE_CORRECTED, plan.rules.id, at_s=9.0, loading=loading)
    state, events = correct_age(state, plan, said)
    return state, list(events)


def test_an_age_found_too_low_is_raised_for_the_charge_in_use() -> None:
    """Both bounds by the same time, and the charge is judged by it at once."""
    plan = thermal_cell()
    state, (told, *more) = corrected(plan, start(plan), 700.0)
    assert (told.detail("how"), told.detail("age_s")) == ("corrected", 730.0)
    assert state.zones[0].dose == Dose(low_ns=ns(730.0), high_ns=ns(730.0))
    assert state.charge.is_spent
    assert [event.kind for event in more] == [EventKind.CHARGE_STATE_CHANGED]


def test_an_age_is_never_lowered_by_a_correction() -> None:
    """Nothing to add changes nothing, and a cell without a charge has no age."""
    plan = thermal_cell()
    for added_s in (None, 0.0, -5.0):
        assert corrected(plan, start(plan), added_s) == (start(plan), [])
    other = full_cell()
    assert corrected(other, start(other), 5.0) == (start(other), [])
