"""One heat zone: its plan, what resets it, what is shown of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from support.cells import (
    BUILD_UP,
    COLD,
    DEGRADATION,
    HIGH_C,
    HOT,
    LOW_C,
    alarm,
    alarm_story,
    cell,
    hose,
    instant,
    line,
    nozzle,
    run,
    zone,
)
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan
from watchedpot.core.exposure import EMPTY_ACCOUNT
from watchedpot.core.model import Event, EventKind, Quality, Reason
from watchedpot.core.rules import AlarmKind, Priority
from watchedpot.core.series import Held, level
from watchedpot.core.snapshot import Activity, AlarmState, Phase
from watchedpot.core.units import NANO
from watchedpot.core.zone import (
    Columns,
    ZonePlan,
    ZoneState,
    adopted_zone,
    newest_of,
    noted_zone,
    plan_zone,
    recharged_zone,
    start_zone,
    wiped_zone,
    zone_snapshot,
)

WEAR = cell(
    zone(
        alarm(AlarmKind.BUILD_UP, limit_s=1.0, is_latching=True, deadband_k=0.0),
        alarm(AlarmKind.DEGRADATION, limit_s=3.0, is_latching=True, deadband_k=0.0),
    )
)


def worn(temps_c: list[float]) -> ZoneState:
    """The nozzle after temperatures, a second each, while dispensing."""
    return run(WEAR, nozzle(temps_c))[0].zones[0]


def states(zone_state: ZoneState) -> list[AlarmState]:
    """States of a zone's alarms, as configured."""
    return [track.alarm.state for track in zone_state.tracks]


def test_a_plan_has_each_edge_with_the_deadband_of_its_alarm() -> None:
    """AL-16: each limit its own; one kelvin where no alarm is configured."""
    plan = plan_zone(
        "lens_4",
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
    assert not plan_zone("lens_4", hose()).is_nozzle


def test_the_ceiling_is_the_worse_stage_of_hot() -> None:
    """One alarm of two stages, whatever their order; alone it is an alarm of its own."""
    hot, over = alarm(AlarmKind.HOT), alarm(AlarmKind.OVER_CEILING)
    for alarms in ((hot, over), (over, hot)):
        (both,) = plan_zone("lens_4", zone(*alarms)).alarms
        assert (both.id, both.stages) == (HOT, (hot, over))
    (alone,) = plan_zone("lens_4", zone(over)).alarms
    assert (alone.id, alone.stages) == ("lens_4/nozzle/over_ceiling", (over,))


def test_a_zone_starts_off_and_its_cold_alarm_suppressed_by_design() -> None:
    """Nothing is known of it."""
    plan = plan_zone("lens_4", zone(alarm(AlarmKind.COLD), alarm(AlarmKind.HOT)))
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
    plan = plan_zone("lens_4", hose())
    assert wiped_zone(start_zone(plan), plan, instant(0.0), "") == (start_zone(plan), [])


def test_a_new_charge_takes_the_degradation_with_it() -> None:
    """Its alarm ends in the same way; what is built up on the nozzle stays."""
    state = worn(line((0, 100.0), (2, 130.0), (20, 130.0)))
    assert states(state)[1] is AlarmState.UNACKNOWLEDGED
    state = replace(state, build_up_ns=5)
    loaded, events = recharged_zone(state, WEAR.zones[0], instant(21.0), "operator")
    assert (loaded.degradation_ns, loaded.build_up_ns) == (0, 5)
    assert [e.detail("input") for e in events] == ["off", "reset"]
    assert states(loaded)[1] is AlarmState.RETURNED_UNACKNOWLEDGED


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
    plan = plan_zone("lens_4", zone(alarm(AlarmKind.HOT), alarm(AlarmKind.BUILD_UP, limit_s=9.0)))
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
    good = zone_snapshot(*shown(WEAR, [115.0, 115.5]))
    assert (good.temp_c, good.quality, good.phase) == (115.5, Quality.GOOD, Phase.READY)
    assert (good.setpoint_c, good.output_percent) == (115.0, None)
    bad = zone_snapshot(*shown(WEAR, [115.0, None]))
    assert (bad.temp_c, bad.quality, bad.reason) == (None, Quality.BAD, Reason.STATUS)
    assert (bad.phase, bad.last_good) == (Phase.UNKNOWN, instant(0.0))
    assert bad.readings == dict.fromkeys(Quality, 0) | {Quality.GOOD: 1, Quality.BAD: 1}


def test_the_snapshot_of_a_zone_that_never_had_a_row_is_empty() -> None:
    """But for its rules."""
    empty = zone_snapshot(engine.start(WEAR).zones[0], WEAR.zones[0])
    assert (empty.temp_c, empty.last_good, empty.setpoint_c) == (None, None, None)
    assert (empty.low_c, empty.high_c, empty.ceiling_c) == (LOW_C, HIGH_C, 140.0)
    assert set(empty.exposure) == set(Activity)
    assert empty.excursions == {"low": 0, "high": 0}


def test_the_snapshot_counts_excursions_and_wear() -> None:
    """Open and ended ones."""
    state, plan = shown(WEAR, [115.0, 105.0, 115.0, 125.0])
    snap = zone_snapshot(state, plan)
    assert snap.excursions == {"low": 1, "high": 1}
    assert (snap.build_up_ns, snap.degradation_ns) == (state.build_up_ns, state.degradation_ns)
    assert snap.build_up_ns > 0


def test_alarms_of_wear_are_named_after_it() -> None:
    """Cell, zone, kind."""
    assert [plan.id for plan in WEAR.zones[0].alarms] == [BUILD_UP, DEGRADATION]


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_a_plan_names_every_kind_of_alarm(kind: AlarmKind) -> None:
    """By its own word."""
    (plan,) = plan_zone("lens_4", zone(alarm(kind))).alarms
    assert plan.id == f"lens_4/nozzle/{kind.value}"
