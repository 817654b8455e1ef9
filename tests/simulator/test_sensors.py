"""Sensors: lag, noise, steps and each fault."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from potsim.sensors import (
    HEALTHY,
    UPSCALE_C,
    Break,
    Reading,
    SensorFaults,
    SensorParams,
    SensorState,
    observe,
    quantise,
)

PARAMS = SensorParams(lag_s=4.0, noise_k=0.0, resolution_k=0.1)


def readings(
    faults: SensorFaults,
    block_c: list[float],
    *,
    params: SensorParams = PARAMS,
    noise: list[float] | None = None,
) -> list[Reading]:
    """Readings of a sensor at rest at 100 degC, half a second apart."""
    state = SensorState(100.0)
    seen = []
    for i, c in enumerate(block_c):
        state, reading = observe(
            state,
            faults,
            params,
            block_c=c,
            ambient_c=25.0,
            noise=0.0 if noise is None else noise[i],
            dt_s=0.5,
        )
        seen.append(reading)
    return seen


def test_one_lag_after_a_step_63_percent_are_seen() -> None:
    """A first-order lag of 4 s shows 1 - exp(-1) of a step after 4 s."""
    last = readings(HEALTHY, [110.0] * 8)[-1]
    assert last.sensor_c == pytest.approx(100.0 + 10.0 * (1.0 - math.exp(-1.0)))


def test_a_healthy_reading_is_the_same_for_controller_and_wire() -> None:
    """Both get the quantised value."""
    last = readings(HEALTHY, [103.217] * 200)[-1]
    assert last.seen_c == last.shown_c == 103.2
    assert last.broken is None


def test_noise_has_the_width_it_was_given() -> None:
    """2000 readings with a width of 0.06 K scatter by 0.06 K within a tenth."""
    noise = np.random.default_rng(1).standard_normal(2000).tolist()
    params = SensorParams(lag_s=4.0, noise_k=0.06, resolution_k=0.1)
    seen = readings(HEALTHY, [100.0] * 2000, params=params, noise=noise)
    assert np.std([r.sensor_c for r in seen]) == pytest.approx(0.06, rel=0.1)


@given(st.floats(-200.0, 2000.0), st.sampled_from([0.1, 0.25, 0.5, 1.0]))
def test_quantising_moves_by_half_a_step_at_most(value: float, step: float) -> None:
    """The result is a whole number of steps and the nearest one."""
    rounded = quantise(value, step)
    assert abs(rounded - value) <= 0.5 * step + 1e-6
    assert rounded / step == pytest.approx(round(rounded / step), abs=1e-3)


def test_a_coarse_sensor_shows_whole_kelvins() -> None:
    """The fault's step takes the place of the healthy one."""
    assert readings(SensorFaults(resolution_k=1.0), [103.4] * 200)[-1].shown_c == 103.0


def test_a_frozen_input_stands_still_for_the_controller_too() -> None:
    """The first reading less the offset stays, whatever the block does."""
    faults = SensorFaults(is_frozen=True, frozen_offset_k=-0.2)
    seen = readings(faults, [100.0, 120.0, 140.0])
    assert [r.seen_c for r in seen] == [99.8] * 3
    assert [r.shown_c for r in seen] == [99.8] * 3
    assert seen[-1].sensor_c > 101.0


def test_a_value_frozen_on_the_wire_hides_nothing_from_the_controller() -> None:
    """The wire stands still while the controller goes on seeing the block."""
    seen = readings(SensorFaults(is_frozen_on_wire=True), [100.0] + [140.0] * 20)
    assert {r.shown_c for r in seen} == {100.0}
    assert seen[-1].seen_c > 130.0


def test_drift_grows_with_time_and_ends_with_the_fault() -> None:
    """36 K/h are 0.01 K per second; a repaired sensor has none."""
    state = SensorState(100.0)
    faults = SensorFaults(drift_k_per_h=-36.0)
    for _ in range(200):
        state, reading = observe(
            state, faults, PARAMS, block_c=100.0, ambient_c=25.0, noise=0.0, dt_s=0.5
        )
    assert reading.sensor_c == pytest.approx(99.0)
    _, repaired = observe(
        state, HEALTHY, PARAMS, block_c=100.0, ambient_c=25.0, noise=0.0, dt_s=0.5
    )
    assert repaired.sensor_c == pytest.approx(100.0)


def test_a_slipped_sensor_sees_part_of_the_excess_over_the_room() -> None:
    """95 % coupling at 120 degC in a room of 25 degC settles at 115.25 degC."""
    last = readings(SensorFaults(coupling=0.95), [120.0] * 200)[-1]
    assert last.sensor_c == pytest.approx(115.25)


def test_a_fallen_sensor_decays_to_the_room_whatever_the_block_does() -> None:
    """After one time constant of 20 s it has come 63 % of the way to 35 degC."""
    last = readings(SensorFaults(fallen_to_c=35.0), [160.0] * 40)[-1]
    assert last.sensor_c == pytest.approx(35.0 + 65.0 * math.exp(-1.0))


@pytest.mark.parametrize("code", list(Break))
def test_the_controller_gets_no_number_from_an_open_sensor(code: Break) -> None:
    """However the break shows on the wire, the controller sees nan and the code is kept."""
    reading = readings(SensorFaults(broken=code), [120.0])[0]
    assert math.isnan(reading.seen_c)
    assert reading.broken is code
    if code is Break.UPSCALE:
        assert reading.shown_c == UPSCALE_C
    else:
        assert math.isnan(reading.shown_c)


def test_leads_exchanged_at_one_end_mirror_the_reading() -> None:
    """Terminal at 30, block at 100 degC: -40; ten kelvins more read ten less."""
    faults = SensorFaults(mirror_c=30.0)
    assert readings(faults, [100.0])[-1].seen_c == pytest.approx(-40.0)
    assert readings(faults, [110.0] * 200)[-1].seen_c == pytest.approx(-50.0)


def test_leads_exchanged_at_both_ends_lack_twice_the_share() -> None:
    """Head 16 % of the way from 25 to 100 degC, so 24 K are missing; cold, nothing is."""
    faults = SensorFaults(reversed_share=0.16)
    assert readings(faults, [100.0])[-1].seen_c == pytest.approx(76.0)
    assert readings(faults, [25.0] * 200)[-1].seen_c == pytest.approx(25.0, abs=0.05)


def test_a_scale_and_a_spike_are_on_the_wire_only() -> None:
    """The controller keeps its own number; a spike hides even a wrong scale."""
    scaled = readings(SensorFaults(wire_factor=1.8, wire_offset_k=32.0), [100.0])[-1]
    assert (scaled.seen_c, scaled.shown_c) == (100.0, 212.0)
    spike = readings(SensorFaults(wire_factor=10.0, spike_c=-32768.0), [100.0])[-1]
    assert (spike.seen_c, spike.shown_c) == (100.0, -32768.0)
