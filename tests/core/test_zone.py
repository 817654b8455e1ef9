"""One heat zone: its plan, what resets it, what is shown of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.cells import (
    AGEING,
    AMBIENT,
    BUILD_UP,
    COLD,
    DEGRADATION,
    HIGH_C,
    HOT,
    LOW_C,
    POT_LIFE_S,
    SYRINGE,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    alarm,
    alarm_story,
    block,
    cell,
    hose,
    instant,
    line,
    nozzle,
    run,
    syringe,
    zone,
)
from watchedpot.core import engine
from watchedpot.core.dose import Dose
from watchedpot.core.engine import CellPlan
from watchedpot.core.exposure import EMPTY_ACCOUNT
from watchedpot.core.model import Event, EventKind, Quality, Reason
from watchedpot.core.rules import (
    AlarmKind,
    CellRules,
    ChargeRules,
    Dosing,
    Priority,
    SoakRules,
    TipRules,
    ZoneRules,
)
from watchedpot.core.series import Held, level
from watchedpot.core.snapshot import Activity, AlarmState, Phase, TipSnapshot, ZoneSnapshot
from watchedpot.core.units import NANO
from watchedpot.core.warming import Start
from watchedpot.core.zone import (
    Columns,
    ZonePlan,
    ZoneState,
    adopted_zone,
    cooled_zone,
    expected,
    held_wall_c,
    hold_up_of,
    newest_of,
    noted_zone,
    plan_zone,
    recharged_zone,
    start_zone,
    usual_c,
    wiped_zone,
    zone_snapshot,
)

COLD_START = Start(23.0)

WEAR = cell(
    zone(
        alarm(AlarmKind.BUILD_UP, limit_s=1.0, is_latching=True, deadband_k=0.0),
        alarm(AlarmKind.DEGRADATION, limit_s=3.0, is_latching=True, deadband_k=0.0),
    )
)


def planned(rules: ZoneRules) -> ZonePlan:
    """The plan of a zone in a cell of which nothing else is told."""
    return plan_zone(CellRules("lens_4", (rules,)), rules)


def snapshot_of(
    state: ZoneState, plan: ZonePlan, use_kg_per_s: float | None = None
) -> ZoneSnapshot:
    """The zone as it is shown, in a room of 23 degC."""
    return zone_snapshot(
        state, plan, ambient_c=23.0, use_kg_per_s=use_kg_per_s, charge=ChargeRules()
    )


def worn(temps_c: list[float]) -> ZoneState:
    """The nozzle after temperatures, a second each, while dispensing."""
    return run(WEAR, nozzle(temps_c))[0].zones[0]


def states(zone_state: ZoneState) -> list[AlarmState]:
    """States of a zone's alarms, as configured."""
    return [track.alarm.state for track in zone_state.tracks]


def test_a_plan_has_each_edge_with_the_deadband_of_its_alarm() -> None:
    """AL-16: each limit its own; one kelvin where no alarm is configured."""
    plan = planned(
        zone(
            alarm(AlarmKind.COLD, deadband_k=2.0, off_delay_s=7.0),
            alarm(AlarmKind.OVER_CEILING, deadband_k=3.0),
            max_gap_s=4.5,
        ),
    )
    assert plan.low == level(LOW_C, deadband=2.0, is_high=False)
    assert plan.high == level(HIGH_C, deadband=1.0, is_high=True)
    assert plan.ceiling == level(140.0, deadband=3.0, is_high=True)
    assert plan.touch == level(50.0, deadband=1.0, is_high=True)
    assert plan.max_gap_ns == 4_500_000_000
    assert plan.off_delay_ns == {"low": 7 * NANO, "high": 0}
    assert plan.is_nozzle
    assert not planned(hose()).is_nozzle


def test_the_ceiling_is_the_worse_stage_of_hot() -> None:
    """One alarm of two stages, whatever their order; alone it is an alarm of its own."""
    hot, over = alarm(AlarmKind.HOT), alarm(AlarmKind.OVER_CEILING)
    for alarms in ((hot, over), (over, hot)):
        (both,) = planned(zone(*alarms)).alarms
        assert (both.id, both.stages) == (HOT, (hot, over))
    (alone,) = planned(zone(over)).alarms
    assert (alone.id, alone.stages) == ("lens_4/nozzle/over_ceiling", (over,))


def test_a_zone_starts_off_and_its_cold_alarm_suppressed_by_design() -> None:
    """Nothing is known of it."""
    plan = planned(zone(alarm(AlarmKind.COLD), alarm(AlarmKind.HOT)))
    state = start_zone(plan)
    assert [track.id for track in state.tracks] == [COLD, HOT]
    assert states(state) == [AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.NORMAL]
    assert (state.phase, state.quality, state.reason) == (
        Phase.OFF,
        Quality.MISSING,
        Reason.NOT_WATCHED,
    )
    assert state.account == EMPTY_ACCOUNT


def test_a_wiped_nozzle_has_nothing_built_up_and_its_alarm_ends() -> None:
    """A second of cold melt for every second; the latch is released, the acknowledgement owed."""
    state = worn(line((0, 115.0), (2, 100.0), (20, 100.0)))
    assert states(state)[0] is AlarmState.UNACKNOWLEDGED
    wiped, events = wiped_zone(state, WEAR.zones[0], instant(21.0), "operator")
    assert wiped.build_up_ns == 0
    assert events[0].kind is EventKind.WIPED
    assert events[0].detail("build_up_s") == state.build_up_ns / NANO
    assert [e.detail("input") for e in events[1:]] == ["off", "reset"]
    assert states(wiped)[0] is AlarmState.RETURNED_UNACKNOWLEDGED
    assert wiped.account == state.account


def test_a_nozzle_wiped_without_an_alarm_only_says_so() -> None:
    """Nothing to reset."""
    _, events = wiped_zone(worn([115.0]), WEAR.zones[0], instant(1.0), "")
    assert [event.kind for event in events] == [EventKind.WIPED]


def test_a_nozzle_that_is_not_seen_can_be_wiped() -> None:
    """Taking an index back is no reading; the delays stay paused."""
    temps: list[float | None] = [*line((0, 115.0), (2, 100.0), (20, 100.0)), None]
    state = run(WEAR, nozzle(temps))[0].zones[0]
    assert not state.is_seen
    wiped, _ = wiped_zone(state, WEAR.zones[0], instant(22.0), "operator")
    assert states(wiped)[0] is AlarmState.RETURNED_UNACKNOWLEDGED
    assert all(delay.is_paused for track in wiped.tracks[:1] for delay in track.delays)


def test_only_a_nozzle_can_be_wiped() -> None:
    """Nothing builds up in a hose."""
    plan = planned(hose())
    assert wiped_zone(start_zone(plan), plan, instant(0.0), "") == (start_zone(plan), [])


def test_a_new_charge_takes_the_degradation_with_it() -> None:
    """Its alarm ends in the same way; what is built up on the nozzle stays."""
    state = worn(line((0, 100.0), (2, 130.0), (20, 130.0)))
    assert states(state)[1] is AlarmState.UNACKNOWLEDGED
    state = replace(state, build_up_ns=5)
    loaded, events = recharged_zone(
        state, WEAR.zones[0], instant(21.0), "operator", start=COLD_START, dose=Dose(7, 8)
    )
    assert (loaded.degradation_ns, loaded.build_up_ns) == (0, 5)
    assert [e.detail("input") for e in events] == ["off", "reset"]
    assert states(loaded)[1] is AlarmState.RETURNED_UNACKNOWLEDGED
    assert loaded.dose == Dose(), "the age of a charge is kept where it lies"


def test_a_wear_alarm_names_its_limit_in_seconds_and_a_temperature_alarm_in_degrees() -> None:
    """The limit that an event tells is the one of its stage."""
    plan = cell(
        zone(
            alarm(AlarmKind.COLD),
            alarm(AlarmKind.HOT),
            alarm(AlarmKind.OVER_CEILING),
            alarm(AlarmKind.BUILD_UP, limit_s=1.0),
            alarm(AlarmKind.DEGRADATION, limit_s=3.0),
        )
    )
    temps = line((0, 115.0), (2, 100.0), (20, 100.0), (24, 150.0), (40, 150.0))
    _, events = run(plan, nozzle(temps))
    limits = {
        (e.detail("alarm"), e.detail("stage")): e.detail("limit")
        for e in events
        if e.kind is EventKind.ALARM_CHANGED and e.detail("stage")
    }
    assert limits == {
        ("cold", 1): LOW_C,
        ("hot", 1): HIGH_C,
        ("hot", 2): 140.0,
        ("build_up", 1): 1.0,
        ("degradation", 1): 3.0,
    }


def test_the_ceiling_alone_names_the_ceiling() -> None:
    """As an alarm of its own."""
    plan = cell(zone(alarm(AlarmKind.OVER_CEILING, priority=Priority.CRITICAL)))
    _, events = run(plan, nozzle([115.0, 150.0]))
    (event,) = raised(events)
    assert (event.detail("limit"), event.detail("priority")) == (140.0, "critical")
    assert [to for _, to in alarm_story(events, AlarmKind.OVER_CEILING)] == ["unacknowledged"]


def raised(events: list[Event]) -> list[Event]:
    """Alarms that turned on."""
    return [e for e in events if e.detail("input") == "on"]


def test_an_adopted_zone_keeps_alarms_that_still_are_as_they_were() -> None:
    """By name, where their stages fit; the rest starts."""
    state = worn(line((0, 115.0), (2, 100.0), (20, 100.0)))
    plan = planned(zone(alarm(AlarmKind.HOT), alarm(AlarmKind.BUILD_UP, limit_s=9.0)))
    adopted = adopted_zone(state, plan)
    assert [track.id for track in adopted.tracks] == [HOT, BUILD_UP]
    assert adopted.tracks[1] == state.tracks[0]
    assert adopted.tracks[0] == start_zone(plan).tracks[0]
    assert replace(adopted, tracks=state.tracks) == state


def test_a_setpoint_without_a_temperature_is_noted() -> None:
    """And nothing else; a block with neither changes nothing."""
    state = worn([115.0])
    times = np.array([5 * NANO])
    column = Columns(np.array([116.0]), np.array([True]))
    assert noted_zone(state, times, None, None) is state
    assert noted_zone(state, times, column, None) == replace(state, setpoint=Held(5 * NANO, 116.0))
    assert noted_zone(state, times, None, column) == replace(state, output=Held(5 * NANO, 116.0))
    assert newest_of(state.setpoint, times, None) is state.setpoint


def shown(plan: CellPlan, temps_c: list[float | None]) -> tuple[ZoneState, ZonePlan]:
    """A zone after temperatures, with its plan."""
    return run(plan, nozzle(temps_c))[0].zones[0], plan.zones[0]


def test_the_snapshot_shows_a_number_only_while_it_is_good() -> None:
    """Otherwise none, with quality, reason and the time of the last good one."""
    good = snapshot_of(*shown(WEAR, [115.0, 115.5]))
    assert (good.temp_c, good.quality, good.phase) == (115.5, Quality.GOOD, Phase.READY)
    assert (good.setpoint_c, good.output_percent) == (115.0, None)
    bad = snapshot_of(*shown(WEAR, [115.0, None]))
    assert (bad.temp_c, bad.quality, bad.reason) == (None, Quality.BAD, Reason.STATUS)
    assert (bad.phase, bad.last_good) == (Phase.UNKNOWN, instant(0.0))
    assert bad.readings == dict.fromkeys(Quality, 0) | {Quality.GOOD: 1, Quality.BAD: 1}


def test_the_snapshot_of_a_zone_that_never_had_a_row_is_empty() -> None:
    """But for its rules."""
    empty = snapshot_of(engine.start(WEAR).zones[0], WEAR.zones[0])
    assert (empty.temp_c, empty.last_good, empty.setpoint_c) == (None, None, None)
    assert (empty.low_c, empty.high_c, empty.ceiling_c) == (LOW_C, HIGH_C, 140.0)
    assert set(empty.exposure) == set(Activity)
    assert empty.excursions == {"low": 0, "high": 0}


def test_the_snapshot_counts_excursions_and_wear() -> None:
    """Open and ended ones."""
    state, plan = shown(WEAR, [115.0, 105.0, 115.0, 125.0])
    snap = snapshot_of(state, plan)
    assert snap.excursions == {"low": 1, "high": 1}
    assert (snap.build_up_ns, snap.degradation_ns) == (state.build_up_ns, state.degradation_ns)
    assert snap.build_up_ns > 0


def test_alarms_of_wear_are_named_after_it() -> None:
    """Cell, zone, kind."""
    assert [plan.id for plan in WEAR.zones[0].alarms] == [BUILD_UP, DEGRADATION]


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_a_plan_names_every_kind_of_alarm(kind: AlarmKind) -> None:
    """By its own word."""
    (plan,) = planned(zone(alarm(kind))).alarms
    assert plan.id == f"lens_4/nozzle/{kind.value}"


# The charge in its container

WARM_S = 400
"""By then a charge that began with a warm wall is warm to its core. [s]"""


def soaked(plan: CellPlan, seconds: int = WARM_S) -> ZoneState:
    """The syringe after so many seconds at its setpoint."""
    rows = block({SYRINGE: [115.0] * (seconds + 1), SYRINGE_SETPOINT: 115.0})
    return run(plan, rows)[0].zones[0]


SOAKING = cell(syringe(alarm(AlarmKind.HOT), alarm(AlarmKind.COLD, off_delay_s=60.0)))


def test_a_plan_knows_when_a_life_is_near_its_end_and_where_a_dip_begins() -> None:
    """Of the charge in its reservoir only; three kelvin below the usual setpoint."""
    plan = planned(syringe())
    assert (plan.near_ns, plan.spent_ns) == (0.8 * POT_LIFE_S * NANO, POT_LIFE_S * NANO)
    assert plan.dip == level(112.0, deadband=2.0, is_high=False)
    assert plan.core is not None
    passing = planned(zone(material=AGEING))
    assert (passing.near_ns, passing.spent_ns) == (float("inf"), float("inf"))
    assert passing.dip is None
    assert passing.core is None


def test_a_nozzle_is_cold_at_its_tip_where_that_is_known() -> None:
    """Else at its block, with the deadband of its cold alarm either way."""
    known = planned(zone(alarm(AlarmKind.COLD, deadband_k=2.0), tip=TipRules(105.0, offset_k=5.0)))
    assert known.tip_low == level(105.0, deadband=2.0, is_high=False)
    assert planned(zone()).tip_low == planned(zone()).low


@pytest.mark.parametrize(
    ("told_c", "held_c"), [(None, 115.0), (113.0, 113.0), (85.0, 115.0), (0.0, 115.0)]
)
def test_a_wall_is_expected_at_a_setpoint_that_means_production(
    told_c: float | None, held_c: float
) -> None:
    """Else where it usually is held: the forecast is about production."""
    assert held_wall_c(told_c, syringe()) == held_c


def test_the_usual_temperature_is_the_setpoint_or_the_middle_of_the_window() -> None:
    """Whichever is told."""
    assert usual_c(syringe(setpoint_c=112.0)) == 112.0
    assert usual_c(syringe(setpoint_c=None)) == 115.0


def test_a_new_charge_brings_its_own_age_and_soaks_anew() -> None:
    """The cold alarm steps aside with it: a zone that soaks may be cold."""
    state, plan = soaked(SOAKING), SOAKING.zones[0]
    assert (state.phase, state.is_due) == (Phase.READY, True)
    loaded, events = recharged_zone(
        state, plan, instant(401.0), "operator", start=COLD_START, dose=Dose(7, 8)
    )
    assert loaded.dose == Dose(7, 8)
    assert (loaded.phase, loaded.is_due) == (Phase.SOAKING, False)
    assert loaded.core is not None
    assert not loaded.core.is_soaked
    moved, aside = events
    assert moved.kind is EventKind.PHASE_CHANGED
    assert loaded.phase_since == moved.at
    assert moved.detail("core_c") == pytest.approx(23.0, abs=1e-9)
    assert float(str(moved.detail("ready_in_s"))) > 100.0
    assert (aside.detail("alarm"), aside.detail("to")) == ("cold", "suppressed_by_design")
    assert aside.detail("temp_c") == 115.0


def test_a_charge_that_comes_warm_is_ready_at_once() -> None:
    """An hour in a warmer at the wall's own temperature."""
    state, plan = soaked(SOAKING), SOAKING.zones[0]
    warm = Start(23.0, preheat_c=115.0, preheat_s=3600.0, is_assumed=False)
    loaded, events = cooled_zone(state, plan, instant(401.0), start=warm)
    assert (loaded.phase, events) == (Phase.READY, [])
    assert loaded.core is not None
    assert loaded.core.is_soaked


def test_a_charge_that_nobody_waits_for_changes_no_phase() -> None:
    """Without a soak of its own, and where the zone is not yet warm itself."""
    bare = cell(syringe(soak=None))
    state = soaked(bare, 5)
    assert cooled_zone(state, bare.zones[0], instant(6.0), start=COLD_START) == (state, [])
    heating = run(SOAKING, block({SYRINGE: [60.0, 61.0], SYRINGE_SETPOINT: 115.0}))[0].zones[0]
    loaded, events = cooled_zone(heating, SOAKING.zones[0], instant(2.0), start=COLD_START)
    assert (loaded.phase, events) == (Phase.HEATING, [])


def test_a_charge_loaded_while_its_wall_is_not_seen_waits_for_the_wall() -> None:
    """The wall counts as no warmer than the charge until it is seen."""
    rows = block({SYRINGE: [*[115.0] * 401, None], SYRINGE_SETPOINT: 115.0})
    state = run(SOAKING, rows)[0].zones[0]
    loaded, _ = cooled_zone(state, SOAKING.zones[0], instant(402.0), start=COLD_START)
    assert loaded.core is not None
    assert loaded.core.model is not None
    assert loaded.core.model.wall_c == 23.0


def test_a_zone_without_a_core_expects_nothing() -> None:
    """A warm wall is all there is to wait for."""
    bare = cell(syringe(soak=None))
    told = expected(soaked(bare, 5), bare.zones[0])
    assert (told.core_c, told.ready_in_s) == (None, 0.0)


def test_the_snapshot_shows_the_core_while_its_wall_is_seen() -> None:
    """Between its slowest and its fastest estimate, with the time that is left."""
    core = snapshot_of(soaked(SOAKING, 60), SOAKING.zones[0]).core
    assert core is not None
    assert core.centre_low_c is not None
    assert core.centre_c is not None
    assert core.centre_high_c is not None
    assert core.mean_c is not None
    assert 23.0 < core.centre_low_c < core.centre_c < core.centre_high_c < core.mean_c < 115.0
    assert (core.ready_c, core.is_soaked, core.is_assumed) == (LOW_C, False, True)
    assert core.ready_in_s is not None
    assert 100.0 < core.ready_in_s < 200.0
    warm = snapshot_of(soaked(SOAKING), SOAKING.zones[0]).core
    assert warm is not None
    assert (warm.is_soaked, warm.ready_in_s) == (True, 0.0)
    rows = block({SYRINGE: [115.0, 115.0, None], SYRINGE_SETPOINT: 115.0})
    gone = snapshot_of(run(SOAKING, rows)[0].zones[0], SOAKING.zones[0]).core
    assert gone is not None
    assert (gone.centre_c, gone.mean_c, gone.centre_low_c) == (None, None, None)


def test_the_snapshot_of_a_timer_shows_time_and_no_temperature() -> None:
    """What it still asks for; nobody assumed how the charge came."""
    plan = cell(syringe(soak=SoakRules(ready_c=LOW_C, timer_s=100.0)))
    core = snapshot_of(soaked(plan, 40), plan.zones[0]).core
    assert core is not None
    assert (core.centre_c, core.is_assumed) == (None, False)
    assert core.ready_in_s == 60.0


def test_the_snapshot_before_the_first_row_knows_no_core() -> None:
    """Its start will be assumed."""
    core = snapshot_of(engine.start(SOAKING).zones[0], SOAKING.zones[0]).core
    assert core is not None
    assert (core.centre_c, core.ready_in_s, core.is_assumed) == (None, None, True)


# The tip


def tip_of(block_c: float | None, *, dosing: Dosing = Dosing.TIME_PRESSURE) -> TipSnapshot:
    """A measured tip five kelvin below its block."""
    plan = cell(zone(tip=TipRules(low_c=105.0, offset_k=5.0)), ambient=AMBIENT)
    state = run(plan, block({TEMPERATURE: [block_c], AMBIENT: 20.0}))[0].zones[0]
    shown_tip = zone_snapshot(
        state,
        plan.zones[0],
        ambient_c=20.0,
        use_kg_per_s=None,
        charge=ChargeRules(dosing=dosing),
    ).tip
    assert shown_tip is not None
    return shown_tip


def test_the_snapshot_shows_the_tip_and_what_its_viscosity_does() -> None:
    """At the usual block all ratios are 1; colder, the bead is thinner."""
    usual = tip_of(115.0)
    assert (usual.temp_c, usual.low_c, usual.is_measured) == (110.0, 105.0, True)
    assert usual.uncertainty_k is not None
    assert usual.uncertainty_k > 0.0
    assert (usual.viscosity_ratio, usual.flow_ratio, usual.width_ratio) == (1.0, 1.0, 1.0)
    cold = tip_of(105.0)
    assert cold.viscosity_ratio is not None
    assert cold.flow_ratio is not None
    assert cold.viscosity_ratio > 1.4
    assert cold.flow_ratio == pytest.approx(1.0 / cold.viscosity_ratio)
    assert cold.pressure_ratio == 1.0
    pumped = tip_of(105.0, dosing=Dosing.VOLUMETRIC)
    assert (pumped.flow_ratio, pumped.pressure_ratio) == (1.0, cold.viscosity_ratio)


def test_the_snapshot_shows_no_tip_without_its_block() -> None:
    """But for its limit."""
    gone = tip_of(None)
    assert (gone.temp_c, gone.uncertainty_k, gone.viscosity_ratio) == (None, None, None)
    assert (gone.low_c, gone.is_measured) == (105.0, True)
    assert snapshot_of(*shown(WEAR, [115.0])).tip is None


# Melt in a hose


def test_melt_takes_its_time_through_what_a_zone_holds() -> None:
    """75 ml of 1100 kg/m3 at 5 mg/s: 16500 s; nothing without a hold-up, a density or a use."""
    rules = hose(material=AGEING, hold_up_m3=75e-6)
    assert hold_up_of(rules) == pytest.approx(0.0825)
    plan = planned(rules)
    through = snapshot_of(start_zone(plan), plan, use_kg_per_s=5e-6).transport_delay_s
    assert through == pytest.approx(16_500.0)
    assert snapshot_of(start_zone(plan), plan).transport_delay_s is None
    assert hold_up_of(hose(hold_up_m3=75e-6)) is None
    bare = planned(hose(material=AGEING))
    assert snapshot_of(start_zone(bare), bare, use_kg_per_s=5e-6).transport_delay_s is None
