"""One block through one zone: delays on real series, gates, what is dated where."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import (
    AGEING,
    CEILING_C,
    DISPENSING,
    HOT,
    POT_LIFE_S,
    SYRINGE,
    SYRINGE_OUTPUT,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    UTC_NS,
    Cells,
    alarm,
    alarm_story,
    block,
    cell,
    entry,
    line,
    nozzle,
    of_kind,
    run,
    second,
    syringe,
    zone,
)
from watchedpot.core import engine
from watchedpot.core.dose import Dose, held_dose
from watchedpot.core.engine import CellPlan
from watchedpot.core.exposure import total
from watchedpot.core.model import Block, EntryKind, Event, EventKind
from watchedpot.core.rules import AlarmKind, ChargeRules, TipRules, ZoneKind
from watchedpot.core.snapshot import AlarmState, Phase
from watchedpot.core.units import NANO
from watchedpot.core.walk import step_zone
from watchedpot.core.zone import ZoneRows, start_zone

HOT_ALARM = cell(zone(alarm(AlarmKind.HOT, on_delay_s=10.0, off_delay_s=20.0, deadband_k=2.0)))
COLD_ALARM = cell(
    zone(alarm(AlarmKind.COLD, on_delay_s=10.0, off_delay_s=20.0)), production_hold_s=30.0
)


def steps(*parts: tuple[int, float | None]) -> list[float | None]:
    """So many seconds of each temperature."""
    return [temp_c for count, temp_c in parts for _ in range(count)]


def test_an_excursion_shorter_than_the_on_delay_raises_nothing() -> None:
    """AL-15: it is an excursion in the record, but no alarm."""
    _, events = run(HOT_ALARM, nozzle(steps((5, 115.0), (9, 125.0), (20, 115.0))))
    assert not alarm_story(events, AlarmKind.HOT)
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1


def test_an_alarm_is_dated_by_the_crossing_and_the_delays_not_by_the_rows() -> None:
    """Up through 120 at 4.5 s, down through 118 at 34.7 s, delays 10 and 20 s."""
    temps = steps((5, 115.0), (30, 125.0), (30, 115.0))
    _, events = run(HOT_ALARM, nozzle(temps))
    assert alarm_story(events, AlarmKind.HOT) == [
        (14.5, "unacknowledged"),
        (pytest.approx(34.7 + 20.0, abs=1e-9), "returned_unacknowledged"),
    ]


@settings(derandomize=True, deadline=None, database=None, max_examples=30)
@given(st.lists(st.integers(0, 65), max_size=8))
def test_delays_are_exact_under_any_chunking(at: list[int]) -> None:
    """The same two moments, however the rows came."""
    whole = nozzle(steps((5, 115.0), (30, 125.0), (30, 115.0)))
    edges = [0, *sorted(at), len(whole)]
    pieces = [whole.rows(a, b) for a, b in pairwise(edges)]
    _, events = run(HOT_ALARM, *pieces)
    assert [when for when, _ in alarm_story(events, AlarmKind.HOT)] == [14.5, 54.7]


def test_the_deadband_holds_an_alarm_whose_value_is_only_just_back() -> None:
    """AL-16: 119 is inside the window and not inside by 2 K."""
    _, events = run(HOT_ALARM, nozzle(steps((5, 115.0), (30, 125.0), (600, 119.0))))
    assert [to for _, to in alarm_story(events, AlarmKind.HOT)] == ["unacknowledged"]


def test_a_short_return_does_not_clear_an_alarm() -> None:
    """AL-17: back out within the off-delay, and only one alarm was raised."""
    temps = steps((5, 115.0), (30, 125.0), (15, 115.0), (10, 125.0), (40, 115.0))
    state, events = run(HOT_ALARM, nozzle(temps))
    assert [to for _, to in alarm_story(events, AlarmKind.HOT)] == [
        "unacknowledged",
        "returned_unacknowledged",
    ]
    assert state.zones[0].tracks[0].alarm.raised == 1


@pytest.mark.parametrize("aside", [EntryKind.SHELVE, EntryKind.TAKE_OUT_OF_SERVICE])
def test_an_excursion_while_put_aside_is_recorded_all_the_same(aside: EntryKind) -> None:
    """AL-05: in the events, in the account, in the alarm's own stage."""
    state, _ = run(
        HOT_ALARM, nozzle(steps((5, 115.0))), entry(aside, HOT, at_s=4.5, duration_s=3600.0)
    )
    state, events = run(HOT_ALARM, nozzle(steps((30, 125.0)), start_s=5.0), state=state)
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1
    assert total(state.zones[0].account).above_ns > 29 * NANO
    (noted,) = of_kind(events, EventKind.ALARM_CHANGED)
    assert (noted.detail("input"), noted.detail("from")) == ("on", noted.detail("to"))
    assert state.zones[0].tracks[0].alarm.stage == 1


def test_a_shelving_ends_between_two_rows_at_its_own_time() -> None:
    """Shelved at 4.5 s for 20.2 s: what is hot then is unacknowledged then."""
    state, _ = run(
        HOT_ALARM,
        nozzle(steps((5, 115.0))),
        entry(EntryKind.SHELVE, HOT, at_s=4.5, duration_s=20.2),
    )
    _, events = run(HOT_ALARM, nozzle(steps((30, 125.0)), start_s=5.0), state=state)
    assert alarm_story(events, AlarmKind.HOT) == [(24.7, "unacknowledged")]


def test_an_acknowledged_alarm_that_stays_asks_again() -> None:
    """AL-17: its re-alarm time after the acknowledgement."""
    plan = cell(zone(alarm(AlarmKind.HOT, re_alarm_s=10.5)))
    state, _ = run(
        plan, nozzle(steps((1, 115.0), (3, 125.0))), entry(EntryKind.ACKNOWLEDGE, HOT, at_s=3.5)
    )
    _, events = run(plan, nozzle(steps((30, 125.0)), start_s=4.0), state=state)
    assert alarm_story(events, AlarmKind.HOT) == [(14.0, "unacknowledged")]


def test_a_latched_alarm_is_still_there_an_hour_after_its_cause() -> None:
    """AL-06."""
    plan = cell(zone(alarm(AlarmKind.HOT, is_latching=True)))
    state, _ = run(plan, nozzle(steps((1, 115.0), (3, 125.0), (3600, 115.0))))
    assert state.zones[0].tracks[0].alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED


def test_a_blind_stretch_restarts_the_off_delay() -> None:
    """Seen well for 10 s, lost for 60 s, seen well again: twenty whole seconds from then."""
    temps = steps((5, 115.0), (30, 125.0), (10, 115.0), (60, None), (30, 115.0))
    _, events = run(HOT_ALARM, nozzle(temps))
    assert alarm_story(events, AlarmKind.HOT)[-1] == (125.0, "returned_unacknowledged")


def test_a_blind_stretch_neither_stops_an_on_delay_nor_lets_it_come_true() -> None:
    """Hot from 4.5 s, due at 14.5 s, not seen from 9 to 70 s: raised by the first good row.

    Had the blind minute stopped the delay, a link that loses every other reading would keep the
    alarm from ever being raised.
    """
    temps = steps((5, 115.0), (5, 125.0), (60, None), (30, 125.0))
    _, events = run(HOT_ALARM, nozzle(temps))
    assert alarm_story(events, AlarmKind.HOT) == [(70.0, "unacknowledged")]


def test_a_value_that_is_well_again_behind_a_blind_stretch_raises_nothing() -> None:
    """The condition had not held for its delay when it was last seen."""
    temps = steps((5, 115.0), (5, 125.0), (60, None), (30, 115.0))
    _, events = run(HOT_ALARM, nozzle(temps))
    assert not alarm_story(events, AlarmKind.HOT)


def test_a_cold_nozzle_alarms_only_in_production() -> None:
    """Cold while nobody dispenses: an excursion; the alarm comes with production."""
    flows = [0.0] * 60 + [1.0] * 30
    _, events = run(COLD_ALARM, nozzle(steps((5, 115.0), (85, 105.0)), dispensing=flows))
    assert alarm_story(events, AlarmKind.COLD)[1:] == [(70.0, "unacknowledged")]
    assert second(of_kind(events, EventKind.EXCURSION_OPENED)[0]) == 4.5


def test_stopping_production_does_not_make_a_nozzle_warm() -> None:
    """Once production met it cold, the alarm stays until it is warm."""
    flows = [1.0] * 30 + [0.0] * 200
    temps = steps((5, 115.0), (195, 105.0), (30, 115.0))
    _, events = run(COLD_ALARM, nozzle(temps, dispensing=flows))
    story = alarm_story(events, AlarmKind.COLD)
    assert [to for _, to in story] == ["normal", "unacknowledged", "returned_unacknowledged"]
    assert story[1:] == [
        (14.5, "unacknowledged"),
        (pytest.approx(199.6 + 20.0, abs=1e-9), "returned_unacknowledged"),
    ]


def test_the_cold_alarm_is_suppressed_by_design_outside_ready_and_surfaces_by_itself() -> None:
    """AL-07, AL-50: visible, set by the zone, ended by the zone."""
    temps = line((0, 25.0), (10, 115.0), (20, 115.0))
    setpoints = [115.0] * 16 + [85.0] * 5
    state, events = run(COLD_ALARM, nozzle(temps, setpoint_c=setpoints))
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == [
        "normal",
        "suppressed_by_design",
    ]
    inputs = [e.detail("input") for e in of_kind(events, EventKind.ALARM_CHANGED)]
    assert inputs == ["unsuppress", "suppress"]
    assert state.zones[0].tracks[0].alarm.is_suppressed


def test_setback_takes_a_cold_alarm_aside_and_its_condition_with_it() -> None:
    """Recovered, the alarm surfaces as normal: it is judged anew."""
    temps = steps((5, 115.0), (25, 105.0), (10, 105.0), (10, 115.0))
    setpoints = [115.0] * 30 + [85.0] * 5 + [115.0] * 15
    _, events = run(COLD_ALARM, nozzle(temps, setpoint_c=setpoints))
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == [
        "normal",
        "unacknowledged",
        "suppressed_by_design",
        "normal",
    ]


def test_a_worse_stage_is_one_alarm() -> None:
    """Hot and then over the ceiling: one alarm, raised twice; its priority and limit change."""
    plan = cell(
        zone(
            alarm(AlarmKind.HOT, on_delay_s=5.0, deadband_k=0.0),
            alarm(AlarmKind.OVER_CEILING, on_delay_s=1.0, deadband_k=0.0),
        )
    )
    state, _ = run(plan, nozzle(steps((1, 115.0), (10, 125.0))))
    state, _ = run(plan, entry(EntryKind.ACKNOWLEDGE, HOT, at_s=10.5), state=state)
    state, events = run(plan, nozzle(steps((10, 145.0), (10, 125.0)), start_s=11.0), state=state)
    (track,) = state.zones[0].tracks
    assert (track.alarm.raised, track.alarm.stage) == (2, 1)
    worse, eased = of_kind(events, EventKind.ALARM_CHANGED)
    assert (worse.detail("input"), worse.detail("stage"), worse.detail("limit")) == (
        "worse",
        2,
        140.0,
    )
    assert second(worse) == 11.75 - 1.0 + 1.0
    assert (eased.detail("input"), eased.detail("limit")) == ("eased", 120.0)


def test_build_up_alarms_where_its_index_reaches_the_limit() -> None:
    """2 s of viscosity excess at 100 degC: at 0.523 a second that is 3.83 s after the cold."""
    plan = cell(zone(alarm(AlarmKind.BUILD_UP, limit_s=2.0, deadband_k=0.0), setpoint=None))
    temps = steps((1, 115.0), (20, 100.0))
    state, events = run(plan, block({TEMPERATURE: temps, DISPENSING: 1.0}))
    ((when, to),) = alarm_story(events, AlarmKind.BUILD_UP)
    assert to == "unacknowledged"
    one_second_s = state.zones[0].build_up_ns / NANO
    first_s = one_second_s - 19.0 * 0.5230
    assert when == pytest.approx(1.0 + (2.0 - first_s) / 0.5230, abs=0.01)
    (event,) = of_kind(events, EventKind.ALARM_CHANGED)
    assert event.detail("onset_ns") == event.at.mono_ns


def test_degradation_alarms_once_and_again_only_when_hot_again() -> None:
    """The index stays at its limit; the alarm is about heat on a spent charge."""
    plan = cell(zone(alarm(AlarmKind.DEGRADATION, limit_s=5.0, deadband_k=0.0)))
    temps = steps((1, 115.0), (10, 125.0), (10, 115.0), (10, 125.0))
    state, events = run(plan, nozzle(temps))
    assert [to for _, to in alarm_story(events, AlarmKind.DEGRADATION)] == [
        "unacknowledged",
        "returned_unacknowledged",
        "unacknowledged",
    ]
    assert state.zones[0].degradation_ns > 5 * NANO


def test_an_alarm_without_a_limit_never_comes() -> None:
    """A wear alarm is about its limit."""
    plan = cell(zone(alarm(AlarmKind.DEGRADATION)))
    _, events = run(plan, nozzle(steps((1, 115.0), (1000, 139.0))))
    assert not alarm_story(events, AlarmKind.DEGRADATION)


def test_a_charge_is_marked_overheated_where_the_line_passes_the_ceiling() -> None:
    """Behind a gap at the row that shows it, with its temperature."""
    _, events = run(cell(zone()), nozzle([130.0, 150.0]))
    (mark,) = of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert (second(mark), mark.detail("temp_c"), mark.detail("ceiling_c")) == (0.5, 150.0, 140.0)
    _, events = run(cell(zone()), nozzle([None, 150.0]))
    (mark,) = of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert second(mark) == 1.0


def test_a_bad_reading_with_a_number_counts_for_nothing() -> None:
    """A fill value of 3276.7 under a bad status is no overheating."""
    rows = nozzle([115.0, 115.0, 115.0])
    rows.value[1, 0] = 3276.7
    rows.quality[1, 0] = 2
    state, events = run(cell(zone(alarm(AlarmKind.HOT))), rows)
    assert not of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert not alarm_story(events, AlarmKind.HOT)
    assert total(state.zones[0].account).blind_ns == 2 * NANO


def test_a_step_of_one_zone_says_when_it_was_seen() -> None:
    """In sight from the first row, lost at the second, which the third row shows."""
    plan = cell(zone()).zones[0]
    n = 3
    rows = ZoneRows(
        mono_ns=np.arange(n) * NANO,
        seen_ns=np.arange(n) * NANO + UTC_NS,
        temp_c=np.array([115.0, 115.0, np.nan]),
        quality=np.array([0, 0, 4], dtype=np.uint8),
        reason=np.zeros(n, dtype=np.uint8),
        status=np.zeros(n, dtype=np.uint32),
        setpoint=None,
        output=None,
        dispensing=np.zeros(n, dtype=np.int8),
        is_in_production=np.zeros(n, dtype=np.bool_),
        parts=np.full(n, np.nan),
        ambient_c=np.full(n, 23.0),
    )
    after, filed, edges, _ = step_zone(start_zone(plan), rows, plan)
    of_sight = [(e.at_ns, e.row, e.is_on) for e in edges if e.name == "is_seen"]
    assert of_sight == [(0, 1, True), (NANO, 3, False)]
    assert filed == []
    assert not after.is_seen
    assert after.readings == (2, 0, 0, 0, 1)


def test_a_phase_is_as_old_as_the_event_that_told_of_it() -> None:
    """To the nanosecond, in any cut; while the zone is not seen, as old as its last sight."""
    rows = nozzle([*line((0, 90.0), (59, 120.0)), None, None], dispensing=0.0)
    whole, events = run(COLD_ALARM, rows)
    moved = of_kind(events, EventKind.PHASE_CHANGED)[-1]
    assert moved.detail("to") == Phase.READY.value
    zone_state = whole.zones[0]
    assert zone_state.phase_since == moved.at
    assert run(COLD_ALARM, *(rows.rows(n, n + 1) for n in range(len(rows))))[0] == whole
    unseen = engine.snapshot(whole, COLD_ALARM)
    assert unseen is not None
    assert unseen.zones[0].phase is Phase.UNKNOWN
    assert unseen.zones[0].phase_since == zone_state.last_good
    seen = engine.snapshot(run(COLD_ALARM, rows.rows(0, 60))[0], COLD_ALARM)
    assert seen is not None
    assert seen.zones[0].phase_since == moved.at


def test_the_age_of_a_phase_from_before_the_account_is_not_known() -> None:
    """A zone that was off at the first row may have been so for a year."""
    found = engine.snapshot(run(COLD_ALARM, nozzle([23.0, 23.0], setpoint_c=0.0))[0], COLD_ALARM)
    assert found is not None
    assert (found.zones[0].phase, found.zones[0].phase_since) == (Phase.OFF, None)


# The tip, where it is known

TIPPED = cell(
    zone(
        alarm(AlarmKind.BUILD_UP, limit_s=2.0, deadband_k=0.0),
        tip=TipRules(low_c=105.0, offset_k=5.0),
    ),
    production_hold_s=600.0,
)


def test_melt_builds_up_on_a_cold_tip_not_on_a_cold_block() -> None:
    """A block of 111 degC with a tip 5 K below: above the tip's limit, and nothing builds up."""
    state, _ = run(TIPPED, nozzle(steps((20, 111.0))))
    assert state.zones[0].build_up_ns == 0
    state, _ = run(TIPPED, nozzle(steps((20, 109.0))))
    assert state.zones[0].build_up_ns > 0
    assert state.zones[0].tip_c == 104.0


def test_the_build_up_alarm_ends_where_the_tip_is_warm_again() -> None:
    """By a kelvin: 106 at the tip is 111 at the block, wherever the window of the block ends."""
    temps = line((0, 115.0), (10, 95.0), (20, 95.0), (40, 115.0))
    _, events = run(TIPPED, nozzle(temps))
    story = alarm_story(events, AlarmKind.BUILD_UP)
    assert [to for _, to in story] == ["unacknowledged", "returned_unacknowledged"]
    assert story[1][0] == 36.0


def test_a_tip_is_not_seen_where_its_block_is_not() -> None:
    """No number of it is kept, and none builds anything up."""
    state, _ = run(TIPPED, nozzle(steps((5, 109.0))))
    gone, _ = run(TIPPED, nozzle(steps((5, None)), start_s=5.0), state=state)
    assert gone.zones[0].tip_c == 0.0
    assert gone.zones[0].build_up_ns == state.zones[0].build_up_ns


# The age of a charge

AGED = cell(syringe(), charge=ChargeRules(near_share=0.5))


def syringe_rows(temps_c: Cells, *, setpoint_c: Cells = 115.0, **times: Any) -> Block:
    """Rows of the syringe that stands."""
    return block({SYRINGE: temps_c, SYRINGE_SETPOINT: setpoint_c, DISPENSING: 0.0}, **times)


def test_a_second_at_the_reference_is_a_second_of_age() -> None:
    """By either bound of the activation energy; the first row opens the account."""
    state, _ = run(AGED, syringe_rows(steps((101, 115.0))))
    assert state.zones[0].dose == Dose(100 * NANO, 100 * NANO)


def test_only_the_charge_in_the_reservoir_ages() -> None:
    """What passes through a nozzle of the same material has no age of its own."""
    plan = cell(zone(material=AGEING))
    state, _ = run(plan, nozzle(steps((101, 115.0))))
    assert state.zones[0].dose == Dose()


@pytest.mark.parametrize(
    ("setpoint_c", "assumed_c"), [(115.0, 115.0), (85.0, 100.0), (None, 100.0)]
)
def test_a_minute_that_was_not_seen_ages_at_the_higher_of_last_reading_and_setpoint(
    setpoint_c: float | None, assumed_c: float
) -> None:
    """It is charged, never skipped, and told as estimated."""
    told = [setpoint_c] * 61
    state, _ = run(AGED, syringe_rows(steps((1, 100.0), (60, None)), setpoint_c=told))
    ageing = AGEING.ageing
    assert ageing is not None
    low_ns, high_ns = held_dose(assumed_c, 60 * NANO, ageing, ceiling_c=CEILING_C)
    aged = state.zones[0].dose
    assert (aged.low_ns, aged.high_ns) == (aged.low_blind_ns, aged.high_blind_ns)
    assert aged.low_ns == pytest.approx(low_ns, abs=60)
    assert aged.high_ns == pytest.approx(high_ns, abs=60)


def test_a_setpoint_of_another_source_is_held_for_what_is_not_seen() -> None:
    """However old: nobody has said another one since."""
    state, _ = run(
        AGED,
        block({SYRINGE_SETPOINT: [115.0]}, source="plc"),
        block({SYRINGE: steps((1, 60.0), (60, None))}, start_s=1000.0, source="heat"),
    )
    assert state.zones[0].dose == Dose(60 * NANO, 60 * NANO, 60 * NANO, 60 * NANO)


def test_what_was_never_seen_and_never_told_has_no_age() -> None:
    """Nothing is known of it, and nothing is made up."""
    state, _ = run(AGED, syringe_rows(steps((60, None)), setpoint_c=None))
    assert state.zones[0].dose == Dose()


@pytest.mark.parametrize("period_s", [1.0, 7.0, 60.0])
def test_the_life_of_a_charge_is_dated_where_its_dose_passes_a_share(period_s: float) -> None:
    """Half of ten minutes at the reference, and all of them, whatever the rows."""
    state, events = run(AGED, syringe_rows(115.0, period_s=period_s, rows=int(660 / period_s) + 1))
    assert (state.charge.is_near, state.charge.is_spent) == (True, True)
    (spent,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert (spent.detail("from"), spent.detail("to")) == ("age_unknown", "spent")
    assert second(spent) == POT_LIFE_S


def test_the_stricter_bound_ends_the_life() -> None:
    """Above the reference the high activation energy, below it the low one."""
    for temp_c, bound in ((118.0, "high_ns"), (112.0, "low_ns")):
        state, events = run(AGED, syringe_rows(temp_c, rows=1200))
        (spent,) = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
        aged = state.zones[0].dose
        assert getattr(aged, bound) == max(aged.low_ns, aged.high_ns)
        rate = getattr(aged, bound) / (1199 * NANO)
        assert second(spent) == pytest.approx(POT_LIFE_S / rate, abs=1e-6)


def test_a_life_that_is_over_is_told_once() -> None:
    """Its dose goes on, in any number of blocks."""
    state, _ = run(AGED, syringe_rows(115.0, rows=700))
    after, events = run(AGED, syringe_rows(115.0, start_s=700.0, rows=700), state=state)
    assert after.zones[0].dose.low_ns > state.zones[0].dose.low_ns
    assert not of_kind(events, EventKind.CHARGE_STATE_CHANGED)


def test_a_forecast_without_a_setpoint_takes_the_usual_one() -> None:
    """The wall is expected where it usually is held."""
    told = [
        of_kind(events, EventKind.PHASE_CHANGED)[0].detail("ready_in_s")
        for plan, setpoint_c in ((cell(syringe(setpoint=None)), None), (AGED, 115.0))
        for _, events in [
            run(plan, syringe_rows(line((0, 60.0), (5, 61.0)), setpoint_c=setpoint_c))
        ]
    ]
    assert told[0] == told[1]
    assert isinstance(told[0], float)


# Another charge, as its wall shows it

PACK = cell(
    syringe(alarm(AlarmKind.COLD, on_delay_s=30.0, off_delay_s=30.0)), production_hold_s=10.0
)
LASTING = cell(syringe(soak=None, kind=ZoneKind.CARTRIDGE, max_gap_s=600.0))


def dip(
    plan: CellPlan,
    *,
    to_c: float = 111.0,
    low_s: int = 60,
    output: float = 100.0,
    flows: float | None = 0.0,
) -> list[Event]:
    """Suspicions after a soak of 400 s and a stay below the usual setpoint of so many seconds."""
    temps = line((0, 115.0), (400, 115.0), (410, to_c), (410 + low_s, to_c), (420 + low_s, 115.0))
    rows = len(temps)
    shown: dict[str, Cells] = {
        SYRINGE: temps,
        SYRINGE_SETPOINT: 115.0,
        SYRINGE_OUTPUT: [30.0] * 401 + [output] * (rows - 401),
        DISPENSING: [0.0] * 420 + [flows] * (rows - 420),
    }
    _, events = run(plan, block(shown))
    return of_kind(events, EventKind.CHARGE_SUSPECTED)


def test_a_dip_at_full_output_while_nothing_flows_looks_like_another_charge() -> None:
    """Told where the wall is back to within a kelvin of its setpoint, by the row that shows it."""
    (suspected,) = dip(PACK)
    assert second(suspected) == 478.0
    assert suspected.zone == "syringe"
    begun_s, over_s = 400.0 + 3.0 / 0.4, 470.0 + 3.0 / 0.4
    assert suspected.detail("duration_s") == pytest.approx(over_s - begun_s, abs=1e-6)


def test_a_dip_below_the_window_looks_like_another_charge_too() -> None:
    """The zone recovers meanwhile, since the cell stands; it had been ready before."""
    assert len(dip(PACK, to_c=100.0)) == 1


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({"low_s": 10}, "the heater was not long enough at its full output"),
        ({"output": 80.0}, "the heater was not at its full output"),
        ({"flows": 1.0}, "melt flowed"),
        ({"flows": None}, "nobody knows whether melt flowed"),
        ({"low_s": 1200}, "it lasted longer than a charge takes"),
        ({"to_c": 112.5}, "it was less than three kelvin"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_any_other_dip_has_another_cause(told: dict[str, Any], why: str) -> None:
    """Draught, consumption, a setpoint: each leaves the age of the charge alone."""
    assert dip(LASTING), "the same cell suspects what is told in no other way"
    assert not dip(LASTING, **told), why


def test_a_dip_of_a_zone_that_was_not_ready_is_no_sign() -> None:
    """While it soaks the wall may do what it likes; nor does a tank have charges to change."""
    temps = line((0, 115.0), (50, 115.0), (60, 111.0), (120, 111.0), (130, 115.0), (200, 115.0))
    shown: dict[str, Cells] = {
        SYRINGE: temps,
        SYRINGE_SETPOINT: 115.0,
        SYRINGE_OUTPUT: 100.0,
        DISPENSING: 0.0,
    }
    _, events = run(PACK, block(shown))
    assert not of_kind(events, EventKind.CHARGE_SUSPECTED)
    assert not dip(cell(syringe(soak=None, kind=ZoneKind.TANK)))


def test_a_zone_without_output_gives_no_sign() -> None:
    """Nobody sees how hard it heats."""
    assert not dip(cell(syringe(soak=None, output=None)))


# Cold, from once it was ready


def test_an_excursion_goes_on_while_the_zone_recovers() -> None:
    """Below the window in production, then standing: one excursion, one alarm, until it is warm."""
    plan = cell(
        zone(alarm(AlarmKind.COLD, on_delay_s=5.0, off_delay_s=5.0)), production_hold_s=10.0
    )
    temps = line((0, 115.0), (10, 105.0), (60, 105.0), (70, 115.0), (90, 115.0))
    flows = [1.0] * 21 + [0.0] * 70
    _, events = run(plan, nozzle(temps, dispensing=flows))
    moves = [str(e.detail("to")) for e in of_kind(events, EventKind.PHASE_CHANGED)]
    assert moves == ["ready", "recovering", "ready"]
    (opened,) = of_kind(events, EventKind.EXCURSION_OPENED)
    (ended,) = of_kind(events, EventKind.EXCURSION_ENDED)
    assert (second(opened), ended.detail("ended_by"), ended.detail("duration_s")) == (
        5.0,
        "return",
        61.0,
    )
    assert alarm_story(events, AlarmKind.COLD) == [
        (0.0, "normal"),
        (10.0, "unacknowledged"),
        (71.0, "returned_unacknowledged"),
    ]


def test_a_zone_that_recovers_from_setback_is_in_no_excursion() -> None:
    """It has not been ready since it was told to be warm again."""
    temps = line((0, 115.0), (10, 85.0), (20, 85.0), (29, 109.0))
    setpoints = [115.0, *[85.0] * 20, *[115.0] * 9]
    state, events = run(COLD_ALARM, nozzle(temps, setpoint_c=setpoints))
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    assert state.zones[0].tracks[0].alarm.is_suppressed


def test_an_excursion_that_is_not_seen_has_the_peak_it_had() -> None:
    """A whole block without a good reading moves nothing."""
    plan = cell(zone(alarm(AlarmKind.COLD)))
    state, _ = run(plan, nozzle(steps((2, 115.0), (2, 105.0))))
    gone, _ = run(plan, nozzle(steps((5, None)), start_s=4.0), state=state)
    assert gone.zones[0].low.current is not None
    assert gone.zones[0].low == replace(state.zones[0].low, delay=state.zones[0].low.delay.paused())


SETTLE_S = 60.0
SETTLING = cell(
    zone(
        alarm(AlarmKind.HOT, on_delay_s=10.0, setpoint_settle_s=SETTLE_S),
        alarm(AlarmKind.OVER_CEILING, on_delay_s=2.0),
        alarm(AlarmKind.COLD, on_delay_s=10.0, setpoint_settle_s=SETTLE_S),
    )
)


def changed_at_10(to_c: float, temps: Cells) -> list[Event]:
    """Events of a zone at 115 degC whose setpoint goes from there to another at 10 s."""
    setpoints = [115.0] * 10 + [to_c] * 190
    assert isinstance(temps, list)
    _, events = run(SETTLING, nozzle(temps, setpoint_c=setpoints))
    return events


@pytest.mark.parametrize(
    ("kind", "to_c", "beyond_c", "onset_s"),
    [(AlarmKind.HOT, 119.0, 125.0, 19.5), (AlarmKind.COLD, 111.0, 105.0, 19.5)],
)
def test_what_follows_a_changed_setpoint_is_suppressed_for_its_time(
    kind: AlarmKind, to_c: float, beyond_c: float, onset_s: float
) -> None:
    """It is recorded as an excursion all the same, and what lasts surfaces at the end."""
    events = changed_at_10(to_c, steps((20, 115.0), (180, beyond_c)))
    assert alarm_story(events, kind)[-2:] == [
        (10.0, "suppressed_by_design"),
        (10.0 + SETTLE_S, "unacknowledged"),
    ]
    (opened,) = of_kind(events, EventKind.EXCURSION_OPENED)
    assert second(opened) == pytest.approx(onset_s)


def test_an_overshoot_within_the_settling_calls_nobody() -> None:
    """Both alarms are in view again at its end."""
    events = changed_at_10(119.0, steps((20, 115.0), (30, 121.0), (150, 119.0)))
    for kind in (AlarmKind.HOT, AlarmKind.COLD):
        assert alarm_story(events, kind)[-2:] == [
            (10.0, "suppressed_by_design"),
            (10.0 + SETTLE_S, "normal"),
        ]


def test_a_ceiling_passed_ends_the_settling_at_once() -> None:
    """From 120 to 160 degC in 4 s: the ceiling of 140 is passed 2 s on, and its delay is 2 s."""
    temps = line((0, 115.0), (20, 115.0), (21, 120.0), (25, 160.0), (199, 160.0))
    events = changed_at_10(119.0, temps)
    assert alarm_story(events, AlarmKind.HOT) == [
        (10.0, "suppressed_by_design"),
        (23.0, "normal"),
        (25.0, "unacknowledged"),
    ]


@pytest.mark.parametrize(("to_c", "beyond_c"), [(125.0, 125.0), (115.9, 125.0)])
def test_a_setpoint_outside_the_window_or_hardly_moved_suppresses_nothing(
    to_c: float, beyond_c: float
) -> None:
    """The one is a mistake, the other no change."""
    events = changed_at_10(to_c, steps((20, 115.0), (180, beyond_c)))
    assert alarm_story(events, AlarmKind.HOT) == [(29.5, "unacknowledged")]


def test_small_moves_add_up_to_a_change() -> None:
    """0.6 K and 0.6 K are 1.2 K: held against the setpoint as it was last changed to."""
    setpoints = [115.0] * 10 + [115.6] * 10 + [116.2] * 180
    _, events = run(SETTLING, nozzle([115.0] * 200, setpoint_c=setpoints))
    assert alarm_story(events, AlarmKind.HOT) == [
        (20.0, "suppressed_by_design"),
        (20.0 + SETTLE_S, "normal"),
    ]


def test_an_excursion_that_stands_is_not_hidden_by_a_changed_setpoint() -> None:
    """Too hot for 4 s when the setpoint is put right: raised 10 s after the crossing."""
    events = changed_at_10(117.0, steps((6, 115.0), (194, 125.0)))
    assert alarm_story(events, AlarmKind.HOT) == [(15.5, "unacknowledged")]


def test_the_settling_ends_in_the_dark_too() -> None:
    """Not seeing hides no alarm for longer."""
    events = changed_at_10(119.0, steps((20, 115.0), (180, None)))
    assert alarm_story(events, AlarmKind.HOT)[-1] == (10.0 + SETTLE_S, "normal")
