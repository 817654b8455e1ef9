"""One cell: what is planned for it, how it starts, how it goes on under another configuration."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import SYRINGE, alarm, block, of_kind, run
from support.reservoir import (
    AGEING,
    HELD_C,
    HOUR_S,
    NOZZLE_C,
    POT_LIFE_S,
    charged_cell,
    material,
    outlet,
    reservoir,
    shift,
    shown,
    soaked,
    tank,
)
from watchedpot.core.cell import CellPlan, CellState, adopt, start
from watchedpot.core.charges import Charge, Remembered
from watchedpot.core.dose import Dose
from watchedpot.core.model import EventKind
from watchedpot.core.rules import AirRules, AlarmKind, ChargeRules
from watchedpot.core.series import level
from watchedpot.core.snapshot import ChargeState
from watchedpot.core.units import NANO, ns
from watchedpot.core.zone import start_zone
from watchedpot.outputs.ledger.state import dump_state, load_state

AIR = AirRules(line_pa=8e5, measured_pa=1e5)


def test_a_plan_has_the_alarms_of_the_cell_that_are_configured() -> None:
    """In an order of their own, named after the cell."""
    rules = (alarm(AlarmKind.POT_LIFE), alarm(AlarmKind.UNSEEN))
    plan = charged_cell(alarms=rules)
    assert [one.id for one in plan.alarms] == ["lens_4/unseen", "lens_4/pot_life"]
    assert [(one.cell, one.zone, one.stages) for one in plan.alarms] == [
        ("lens_4", "", (rules[1],)),
        ("lens_4", "", (rules[0],)),
    ]
    assert charged_cell(alarms=()).alarms == ()


def test_a_plan_knows_where_the_charge_lies() -> None:
    """The first reservoir in flow order; a cell may have none."""
    plan = charged_cell(outlet(), reservoir())
    assert plan.reservoir == 1
    assert plan.charge_zone is plan.zones[1]
    bare = charged_cell(outlet())
    assert (bare.reservoir, bare.charge_zone) == (None, None)


def test_a_plan_has_its_holds_in_nanoseconds() -> None:
    """As configured."""
    plan = charged_cell(production_hold_s=60.0, gate_hold_s=2.5)
    assert (plan.production_hold_ns, plan.gate_hold_ns) == (60 * NANO, 2_500_000_000)


def test_moist_air_is_watched_where_air_and_limit_are_known() -> None:
    """With a deadband of two kelvin on the way back."""
    dry = reservoir(material=material(dew_point_max_c=-20.0))
    plan = charged_cell(dry, outlet(), air=AIR)
    assert plan.moist == level(-20.0, deadband=2.0, is_high=True)
    assert charged_cell(dry, outlet()).moist is None
    assert charged_cell(air=AIR).moist is None
    assert charged_cell(outlet(material=material(dew_point_max_c=-20.0)), air=AIR).moist is None


def test_a_cell_starts_with_nothing_known() -> None:
    """Every zone unseen, and a charge that nobody has named and whose age nobody has told."""
    plan = charged_cell()
    state = start(plan)
    assert state.zones == tuple(start_zone(zone) for zone in plan.zones)
    assert state.unseen_zones == ("syringe", "nozzle")
    assert (state.ready_zones, state.unready_zones, state.at) == ((), (), None)
    assert [track.id for track in state.tracks] == [one.id for one in plan.alarms]
    assert state.charge == Charge()
    assert state.charge.state is ChargeState.AGE_UNKNOWN


@pytest.mark.parametrize(
    ("age_s", "state"),
    [
        (0.0, ChargeState.LOADED),
        (0.5 * POT_LIFE_S, ChargeState.LOADED),
        (0.8 * POT_LIFE_S, ChargeState.NEAR_LIMIT),
        (POT_LIFE_S, ChargeState.SPENT),
    ],
)
def test_the_age_that_was_told_at_the_start_is_judged(age_s: float, state: ChargeState) -> None:
    """It counts as both bounds, and a charge may be spent before the account begins."""
    begun = start(charged_cell(charge=ChargeRules(start_age_s=age_s)))
    assert begun.zones[0].dose == Dose(low_ns=ns(age_s), high_ns=ns(age_s))
    assert begun.charge.is_age_known
    assert begun.charge.state is state


def test_an_age_without_a_reservoir_has_nowhere_to_lie() -> None:
    """It is known all the same."""
    begun = start(charged_cell(outlet(), charge=ChargeRules(start_age_s=60.0)))
    assert begun.charge.is_age_known
    assert begun.zones[0].dose == Dose()


def test_only_a_tank_is_taken_to_be_full_when_it_is_found() -> None:
    """It is kept so; a pack may be part-used."""
    charge = ChargeRules(fill_kg=5.0)
    assert start(charged_cell(tank(), outlet(), charge=charge)).charge.mass_kg == 5.0
    assert start(charged_cell(charge=charge)).charge.mass_kg is None
    assert start(charged_cell(outlet(), charge=charge)).charge.mass_kg is None


def running(plan: CellPlan) -> CellState:
    """A cell in the middle of its life: an hour at its setpoint, melt in the last minute."""
    state = soaked(plan, charge=7.0)
    rows = shift(HELD_C, charge=7.0, dispensing=1.0, start_s=HOUR_S + 1.0, rows=60)
    return run(plan, rows, state=state)[0]


def test_the_same_configuration_changes_nothing() -> None:
    """A restart alone is no event."""
    plan = charged_cell()
    state = replace(
        running(plan), shelf=(Remembered("6", Dose(1), is_age_known=True, is_overheated=False),)
    )
    assert adopt(state, plan) == state
    assert adopt(start(plan), plan) == replace(start(plan), unseen_zones=("nozzle", "syringe"))


def test_what_is_still_configured_goes_on_and_what_is_new_starts() -> None:
    """By name: zones, the cell's alarms, and what is known of each zone."""
    plan = charged_cell(alarms=(alarm(AlarmKind.UNSEEN), alarm(AlarmKind.POT_LIFE)))
    state = running(plan)
    other = charged_cell(
        reservoir(),
        outlet(id="needle"),
        alarms=(alarm(AlarmKind.POT_LIFE), alarm(AlarmKind.BEFORE_READY)),
    )
    adopted = adopt(state, other)
    assert adopted.zones == (state.zones[0], start_zone(other.zones[1]))
    assert [track.id for track in adopted.tracks] == ["lens_4/before_ready", "lens_4/pot_life"]
    assert adopted.tracks[1] == state.tracks[1]
    assert (adopted.ready_zones, adopted.unseen_zones) == (("syringe",), ("needle",))
    assert (adopted.charge, adopted.named_charge, adopted.at) == (state.charge, "7", state.at)


def test_a_zone_that_is_gone_holds_nobody_up() -> None:
    """What was known of it goes with it."""
    plan = charged_cell()
    state = replace(
        running(plan), unseen_zones=("nozzle",), ready_zones=("syringe",), unready_zones=("nozzle",)
    )
    adopted = adopt(state, charged_cell(reservoir()))
    assert (adopted.unseen_zones, adopted.ready_zones, adopted.unready_zones) == (
        (),
        ("syringe",),
        (),
    )
    kept = adopt(state, plan)
    assert (kept.unseen_zones, kept.unready_zones) == (("nozzle",), ("nozzle",))


def test_a_cold_alarm_that_is_gone_speaks_for_no_zone() -> None:
    """Whoever dispenses there now does so before it is ready."""
    plan = charged_cell(reservoir(alarm(AlarmKind.COLD)), outlet(alarm(AlarmKind.COLD)))
    state = replace(running(plan), cold_zones=("nozzle", "syringe"))
    assert adopt(state, plan).cold_zones == ("nozzle", "syringe")
    fewer = charged_cell(reservoir(alarm(AlarmKind.COLD)), outlet())
    assert adopt(state, fewer).cold_zones == ("syringe",)


@pytest.mark.parametrize(
    ("life_s", "state"),
    [
        (0.5 * HOUR_S, ChargeState.SPENT),
        (1.2 * HOUR_S, ChargeState.NEAR_LIMIT),
        (POT_LIFE_S, ChargeState.IN_LIFE),
    ],
)
def test_a_corrected_pot_life_is_judged_at_once(life_s: float, state: ChargeState) -> None:
    """By the dose so far: no crossing will show a limit that was moved below it."""
    old = charged_cell(charge=ChargeRules(start_age_s=0.0))
    shorter = replace(AGEING, pot_life_s=life_s)
    plan = charged_cell(
        reservoir(material=material(ageing=shorter)), outlet(), charge=old.rules.charge
    )
    assert adopt(running(old), plan).charge.state is state


def restarted(state: CellState, plan: CellPlan) -> CellState:
    """The cell as the next run of the daemon reads it back."""
    return adopt(load_state(CellState, dump_state(state)), plan)


def test_the_age_of_a_charge_survives_a_restart_and_the_gap_is_estimated() -> None:
    """Killed at four hours of dose, watched again twelve minutes later.

    Common practice, no source: the dose goes on from its stored value, what was not seen is
    charged as hot and marked; the age is neither 0 nor unknown.
    """
    plan = charged_cell(
        reservoir(max_gap_s=15.0), outlet(max_gap_s=15.0), charge=ChargeRules(start_age_s=0.0)
    )
    rows = round(4 * HOUR_S / 10.0) + 1
    before, _ = run(plan, shift(HELD_C, charge=7.0, period_s=10.0, rows=rows))
    assert before.zones[0].dose.low_ns == ns(4 * HOUR_S)
    found = restarted(before, plan)
    assert found == before
    begin_s = 4 * HOUR_S + 720.0
    nothing = block({SYRINGE: [None]}, start_s=begin_s - 5.0)
    state, _ = run(plan, nothing, state=found)
    state, events = run(
        plan, shift(HELD_C, charge=7.0, period_s=10.0, start_s=begin_s, rows=61), state=state
    )
    aged = state.zones[0].dose
    assert aged.low_ns == ns(4 * HOUR_S + 720.0 + 600.0)
    assert aged.low_blind_ns == aged.high_blind_ns == ns(720.0)
    assert not of_kind(events, EventKind.CHARGE_CHANGED)
    charge = shown(state, plan).charge
    assert (charge.id, charge.state, charge.is_age_known) == ("7", ChargeState.IN_LIFE, True)
    assert charge.estimated_share == pytest.approx(720.0 / (4 * HOUR_S + 1320.0))


CUTS = settings(derandomize=True, deadline=None, database=None, max_examples=25)


@CUTS
@given(
    st.lists(
        st.tuples(
            st.sampled_from((23.0, 60.0, 100.0, HELD_C, HELD_C, 119.0, 131.0, None)),
            st.sampled_from((0.0, 85.0, HELD_C)),
            st.sampled_from((0.0, 7.0, 8.0)),
            st.booleans(),
        ),
        min_size=2,
        max_size=8,
    ),
    st.integers(1, 100),
)
def test_a_state_that_was_written_and_read_back_goes_on_as_if_nothing_was(
    stretches: list[tuple[float | None, float, float, bool]], at: int
) -> None:
    """Every digit of it: the same rows behind it make the same events."""
    plan = charged_cell(reservoir(alarm(AlarmKind.COLD, on_delay_s=5.0)), outlet())
    columns = [
        [value for value in column for _ in range(15)] for column in zip(*stretches, strict=True)
    ]
    walls, setpoints, charges, flows = columns
    rows = shift(
        walls,
        setpoint_c=setpoints,
        charge=charges,
        dispensing=[float(flow) for flow in flows],
        nozzle_c=NOZZLE_C,
    )
    at = min(at, len(rows))
    first, events = run(plan, rows.rows(0, at))
    whole = run(plan, rows)
    again = restarted(first, plan)
    assert replace(again, unseen_zones=()) == replace(first, unseen_zones=())
    assert set(again.unseen_zones) == set(first.unseen_zones)
    state, later = run(plan, rows.rows(at, len(rows)), state=again)
    assert (state, [*events, *later]) == whole
