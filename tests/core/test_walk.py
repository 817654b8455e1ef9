"""One block through one zone: delays on real series, gates, what is dated where."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import (
    DISPENSING,
    HOT,
    TEMPERATURE,
    UTC_NS,
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
    zone,
)
from watchedpot.core.exposure import total
from watchedpot.core.model import EntryKind, EventKind
from watchedpot.core.rules import AlarmKind
from watchedpot.core.series import Edge
from watchedpot.core.snapshot import AlarmState
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
    )
    after, filed, sight = step_zone(start_zone(plan), rows, plan)
    assert sight == (Edge(0, 1, is_on=True), Edge(NANO, 3, is_on=False))
    assert filed == []
    assert not after.is_seen
    assert after.readings == (2, 0, 0, 0, 1)
