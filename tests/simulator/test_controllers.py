"""Loops and part cycle of the simulated cell."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potsim.controllers import (
    CycleParams,
    CycleState,
    Happening,
    Order,
    PidParams,
    PidState,
    cycle,
    interrupt,
    obey,
    pid,
    switch,
)

LOOP = PidParams(gain_per_k=8.0, integral_s=120.0, derivative_s=8.0, filter_s=2.0)
RHYTHM = CycleParams(setback_after_s=60.0, change_s=30.0)


class Floor:
    """Plays the part cycle scan by scan and keeps what happened with its time."""

    def __init__(self, state: CycleState | None = None) -> None:
        self.state = CycleState(parts=0) if state is None else state
        self.t_s = 0.0
        self.log: list[tuple[float, Happening]] = []
        self.dispensed_s = 0.0

    def tell(self, *orders: Order) -> None:
        """Give orders now."""
        self.state, happened = obey(self.state, orders)
        self.log += [(self.t_s, h) for h in happened]

    def play(self, seconds: float, *, is_near: bool = True) -> None:
        """Let time pass in scans of half a second."""
        for _ in range(round(seconds / 0.5)):
            self.t_s += 0.5
            self.state, happened = cycle(self.state, RHYTHM, is_near=is_near, dt_s=0.5)
            self.log += [(self.t_s, h) for h in happened]
            self.dispensed_s += 0.5 * self.state.is_dispensing

    def times(self, what: Happening) -> list[float]:
        """When something happened. [s]."""
        return [t_s for t_s, happening in self.log if happening is what]


@given(
    st.lists(st.one_of(st.floats(-50.0, 2000.0), st.just(math.nan)), min_size=1, max_size=60),
    st.floats(0.0, 250.0),
)
def test_output_and_integral_stay_between_0_and_100(seen_c: list[float], setpoint_c: float) -> None:
    """Whatever the readings, the output is a percentage and the integral cannot wind up."""
    state = PidState()
    for c in seen_c:
        state = pid(state, LOOP, seen_c=c, setpoint_c=setpoint_c, dt_s=0.5)
        assert 0.0 <= state.output <= 100.0
        assert 0.0 <= state.integral <= 100.0


def test_proportional_and_integral_parts_are_those_of_the_formula() -> None:
    """1 K below setpoint for 12 s at 8 %/K and 120 s: 8 % and another 0.8 %."""
    state = PidState()
    for _ in range(24):
        state = pid(state, LOOP, seen_c=119.0, setpoint_c=120.0, dt_s=0.5)
    assert state.output == pytest.approx(8.0 + 0.8)


def test_a_saturated_loop_does_not_wind_up() -> None:
    """An hour of full power far below setpoint leaves the integral where it was."""
    state = PidState(integral=22.0)
    for _ in range(7200):
        state = pid(state, LOOP, seen_c=50.0, setpoint_c=120.0, dt_s=0.5)
    assert state.output == 100.0
    assert state.integral == 22.0


def test_a_rising_reading_is_braked() -> None:
    """The derivative lowers the output while the reading climbs, at equal deviation."""
    rising = PidState(integral=20.0, filtered_c=118.0)
    resting = PidState(integral=20.0, filtered_c=119.0)
    fast = pid(rising, LOOP, seen_c=119.0, setpoint_c=120.0, dt_s=0.5)
    slow = pid(resting, LOOP, seen_c=119.0, setpoint_c=120.0, dt_s=0.5)
    assert fast.output < slow.output


def test_without_a_reading_the_output_is_0_and_the_integral_is_kept() -> None:
    """An open sensor switches off, and the return of the reading gives no kick."""
    state = pid(PidState(22.0, 120.0, 22.0), LOOP, seen_c=math.nan, setpoint_c=120.0, dt_s=0.5)
    assert state == PidState(22.0, None, 0.0)
    back = pid(state, LOOP, seen_c=120.0, setpoint_c=120.0, dt_s=0.5)
    assert back.output == pytest.approx(22.0)


def test_a_loop_in_manual_keeps_its_output() -> None:
    """Neither deviation nor a lost reading moves it."""
    state = PidState(22.0, 120.0, 31.0)
    for c in (90.0, math.nan, 150.0):
        state = pid(state, LOOP, seen_c=c, setpoint_c=120.0, dt_s=0.5, is_manual=True)
        assert state.output == 31.0


def test_parts_follow_every_20_seconds_with_8_of_dispensing() -> None:
    """Ten minutes after the first start there are 30 parts and 240 s of dispensing."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s)
    assert floor.state.is_dispensing
    floor.play(599.5)
    starts = floor.times(Happening.PART_STARTED)
    assert len(starts) == floor.state.parts == 30
    assert {later - earlier for earlier, later in pairwise(starts)} == {20.0}
    assert floor.dispensed_s == pytest.approx(240.0)


def test_a_narrow_counter_starts_over_at_nought() -> None:
    """65535 is followed by 0 where the counter has 16 bits, by 65536 where it has 32."""
    for bits, after in ((16, 0), (32, 65_536)):
        state = CycleState(parts=65_535, is_wanted=True, is_producing=True, part_s=7.5)
        rhythm = CycleParams(counter_bits=bits)
        state, happened = cycle(state, rhythm, is_near=True, dt_s=0.5)
        assert happened == (Happening.PART_FINISHED,)
        assert state.parts == after


def test_sums_of_scans_reach_their_times() -> None:
    """Eight scans of 0.1 s sum to less than 0.8 in binary, and still are a period of 0.8 s."""
    state, _ = obey(CycleState(parts=0, near_s=60.0), (Order.RUN,))
    rhythm = CycleParams(part_period_s=0.8, dispense_s=0.3)
    starts = []
    for scan in range(80):
        state, happened = cycle(state, rhythm, is_near=True, dt_s=0.1)
        starts += [scan] * (Happening.PART_STARTED in happened)
    assert sum([0.1] * 8) < 0.8
    assert {later - earlier for earlier, later in pairwise(starts)} == {8}
    assert state.parts == len(starts) == 10


def test_production_waits_for_the_zones_and_then_never_looks_again() -> None:
    """Zones that are not near hold the start back, and a cold nozzle later stops nothing."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(120.0, is_near=False)
    assert floor.state.parts == 0
    floor.play(30.0)
    floor.play(100.0, is_near=False)
    assert floor.state.parts >= 5
    assert floor.state.is_producing


def test_nothing_starts_without_an_order() -> None:
    """Warm zones alone make no part."""
    floor = Floor()
    floor.play(120.0)
    assert not floor.log


def test_stop_finishes_the_part_under_way() -> None:
    """A stop in the middle of dispensing lets the part end and starts no other."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s + 2.0)
    floor.tell(Order.STOP)
    floor.play(50.0)
    assert floor.times(Happening.PART_FINISHED) == [18.0]
    assert floor.times(Happening.PRODUCTION_OFF) == [18.0]
    assert floor.state.parts == 1


def test_a_charge_change_waits_for_the_part_takes_its_time_and_then_waits_for_run() -> None:
    """Changed 30 s after the pause began; parts only after the next run."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s + 2.0)
    floor.tell(Order.CHANGE_CHARGE)
    floor.play(55.0)
    (began_s,) = floor.times(Happening.CHARGE_CHANGE_STARTED)
    assert floor.times(Happening.CHARGE_CHANGED) == [began_s + 30.0]
    assert floor.state.parts == 1
    floor.tell(Order.RUN)
    floor.play(20.0)
    assert floor.state.is_producing


def test_a_wipe_waits_for_a_pause_and_holds_the_next_part() -> None:
    """Ordered while dispensing it begins when the part is done, and lasts five seconds."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s + 2.0)
    floor.tell(Order.WIPE)
    floor.play(6.0)
    assert floor.times(Happening.WIPED) == [18.0]
    assert floor.state.is_wiping
    floor.play(5.0)
    assert not floor.state.is_wiping


def test_a_cell_left_idle_goes_into_setback() -> None:
    """60 s after the last part the setpoints go down; run brings them back."""
    floor = Floor()
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s + 2.0)
    floor.tell(Order.STOP)
    floor.play(120.0)
    (off_s,) = floor.times(Happening.PRODUCTION_OFF)
    (on_s,) = floor.times(Happening.SETBACK_ON)
    assert on_s == pytest.approx(off_s + 60.0, abs=1.0)
    floor.tell(Order.RUN)
    assert floor.times(Happening.SETBACK_OFF) == [floor.t_s]


def test_a_cell_being_warmed_up_does_not_go_into_setback() -> None:
    """Neither before the first run nor after a recover."""
    floor = Floor()
    floor.play(300.0)
    floor.tell(Order.SETBACK, Order.RECOVER)
    floor.play(300.0)
    assert not floor.state.is_setback
    assert not floor.times(Happening.SETBACK_ON)


def test_setback_can_be_ordered() -> None:
    """The order takes the setpoints down at once."""
    floor = Floor()
    floor.tell(Order.SETBACK)
    assert floor.state.is_setback
    assert floor.times(Happening.SETBACK_ON) == [0.0]


def test_an_interrupted_part_is_lost_and_the_counter_kept() -> None:
    """What a restarting controller leaves: no part, the same count, the order still there."""
    floor = Floor(CycleState(parts=7))
    floor.tell(Order.RUN)
    floor.play(RHYTHM.start_hold_s + 2.0)
    state, happened = interrupt(floor.state)
    assert happened == (Happening.PART_ABORTED, Happening.PRODUCTION_OFF)
    assert state == replace(
        floor.state, is_producing=False, part_s=None, near_s=0.0, wipe_left_s=0.0
    )
    assert state.parts == 7
    assert state.is_wanted


def test_a_loop_that_switches_keeps_on_within_its_band() -> None:
    """On below, off above, and in between as it was; without a reading it is off."""
    outputs = []
    state = PidState(integral=20.0)
    for seen_c in (100.0, 98.9, 100.0, 101.0, 100.0, 99.0, math.nan, 100.0):
        state = switch(state, seen_c=seen_c, setpoint_c=100.0, band_k=1.0)
        outputs.append(state.output)
    assert outputs == [0.0, 100.0, 100.0, 0.0, 0.0, 100.0, 0.0, 0.0]
    assert state.integral == 20.0
