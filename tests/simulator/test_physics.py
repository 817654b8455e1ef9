"""Heat and melt: balances that close, closed forms, and figures worked out elsewhere."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import j0, j1

from potsim.physics import (
    MAX_DRAFT,
    MIN_FILL,
    Inputs,
    Link,
    Lump,
    Melt,
    Network,
    State,
    chain,
    charge_mean,
    cylinder_links,
    holding_power,
    initial_state,
    refill,
    replace_charge,
    ring_shares,
    temperatures,
    transition,
)
from potsim.plants import PLANTS, POLYURETHANE, SILICONE

LENS_4 = PLANTS["lens_4"]
HOUSING_7 = PLANTS["housing_7"]
RINGS = sum(lump.charge_share > 0.0 for lump in LENS_4.net.lumps)
BALANCE_TOLERANCE = 1e-9  # of the energy that was moved


def stored(state: State) -> float:
    """Energy in all lumps. [J]."""
    return sum(state.energy_j)


def still(net: Network, *, ambient_c: float = 25.0) -> Inputs:
    """Heaters off, nothing flows, still air."""
    zones = len(net.sensor_lump)
    return Inputs((0.0,) * zones, (1.0,) * zones, ambient_c)


def one_block(*, metal_j_per_k: float, loss_w_per_k: float) -> Network:
    """A bare block in a room."""
    return Network(
        lumps=(Lump(0, metal_j_per_k=metal_j_per_k, loss_w_per_k=loss_w_per_k, heater_share=1.0),),
        links=(),
        path=(),
        sensor_lump=(0,),
        core_lump=0,
        melt=SILICONE,
        full_charge_kg=1.0,
        wipe_w_per_k=0.0,
        max_flow_kg_per_s=0.0,
    )


def cylinder(
    *, rings: int, radius_m: float, w_per_m_k: float, wall_w_per_m2_k: float, kg: float
) -> Network:
    """A charge in a block so heavy that its temperature stands still."""
    return Network(
        lumps=(
            Lump(0, metal_j_per_k=1e12),
            *(Lump(0, charge_share=share) for share in ring_shares(rings)),
        ),
        links=cylinder_links(
            first_lump=1,
            wall_lump=0,
            rings=rings,
            radius_m=radius_m,
            length_m=1.0,
            w_per_m_k=w_per_m_k,
            wall_w_per_m2_k=wall_w_per_m2_k,
        ),
        path=(),
        sensor_lump=(0,),
        core_lump=1,
        melt=SILICONE,
        full_charge_kg=kg,
        wipe_w_per_k=0.0,
        max_flow_kg_per_s=0.0,
    )


@st.composite
def histories(draw: st.DrawFn) -> tuple[Network, State, list[tuple[Inputs, float]]]:
    """A cell, a start and a few steps of any length with any inputs."""
    plant = draw(st.sampled_from([LENS_4, HOUSING_7]))
    zones = len(plant.zones)
    start = initial_state(
        plant.net,
        zone_c=tuple(draw(st.floats(20.0, 160.0)) for _ in range(zones)),
        charge_c=draw(st.floats(20.0, 160.0)),
        charge_kg=plant.net.full_charge_kg * draw(st.floats(0.1, 1.0)),
    )
    steps = [
        (
            Inputs(
                heater_w=tuple(draw(st.floats(0.0, 200.0)) for _ in range(zones)),
                draft=tuple(draw(st.floats(1.0, MAX_DRAFT)) for _ in range(zones)),
                ambient_c=draw(st.floats(5.0, 40.0)),
                flow_kg_per_s=draw(st.sampled_from([0.0, 4e-6, 30e-6])),
                is_wiping=draw(st.booleans()),
            ),
            draw(st.sampled_from([0.1, 0.5, 3.0, 60.0])),
        )
        for _ in range(draw(st.integers(1, 5)))
    ]
    return plant.net, start, steps


@given(histories())
@settings(max_examples=40, deadline=None)
def test_what_goes_in_and_does_not_come_out_is_stored(
    history: tuple[Network, State, list[tuple[Inputs, float]]],
) -> None:
    """Stored energy rises by heaters and filled melt less losses and melt that left."""
    net, start, steps = history
    state = start
    for inputs, dt_s in steps:
        state = transition(state, inputs, dt_s, net)
    booked_j = state.heater_j - state.loss_j + state.melt_in_j - state.melt_out_j
    moved_j = stored(start) + state.heater_j + abs(state.loss_j) + state.melt_out_j
    assert stored(state) - stored(start) == pytest.approx(booked_j, abs=BALANCE_TOLERANCE * moved_j)


@given(histories())
@settings(max_examples=20, deadline=None)
def test_temperatures_that_are_known_need_not_be_worked_out(
    history: tuple[Network, State, list[tuple[Inputs, float]]],
) -> None:
    """A step from known temperatures is the same to the last bit, in any number of sub-steps."""
    net, state, steps = history
    for inputs, dt_s in steps:
        known = transition(state, inputs, dt_s, net, temp_c=temperatures(state, net))
        state = transition(state, inputs, dt_s, net)
        assert known == state


@given(histories())
@settings(max_examples=40, deadline=None)
def test_a_lumps_temperature_is_that_of_its_enthalpy(
    history: tuple[Network, State, list[tuple[Inputs, float]]],
) -> None:
    """Of a lump of melt, solid or molten, and of the charge alike."""
    net, state, _ = history
    temp_c = temperatures(state, net)
    kg = [lump.melt_kg + lump.charge_share * state.charge_kg for lump in net.lumps]
    for i, mass_kg in enumerate(kg):
        if mass_kg:
            assert temp_c[i] == net.melt.temperature(state.energy_j[i] / mass_kg)


@given(histories())
@settings(max_examples=40, deadline=None)
def test_no_lump_leaves_the_range_of_its_surroundings(
    history: tuple[Network, State, list[tuple[Inputs, float]]],
) -> None:
    """Without heat no lump gets hotter than the hottest or colder than the coldest thing."""
    net, start, steps = history
    ambients_c = [inputs.ambient_c for inputs, _ in steps]
    low_c = min(*temperatures(start, net), *ambients_c)
    high_c = max(*temperatures(start, net), *ambients_c)
    state = start
    for inputs, dt_s in steps:
        cold = replace(inputs, heater_w=(0.0,) * len(inputs.heater_w))
        state = transition(state, cold, dt_s, net)
        temp_c = temperatures(state, net)
        assert low_c - 1e-6 <= min(temp_c)
        assert max(temp_c) <= high_c + 1e-6


def test_a_bare_block_cools_exponentially() -> None:
    """After one time constant of 1000 s 36.8 % of the excess is left (exp(-1))."""
    net = one_block(metal_j_per_k=60.0, loss_w_per_k=0.06)
    state = initial_state(net, zone_c=(120.0,), charge_c=120.0, charge_kg=1.0)
    for _ in range(2000):
        state = transition(state, still(net, ambient_c=20.0), 0.5, net)
    assert temperatures(state, net)[0] == pytest.approx(20.0 + 100.0 * math.exp(-1.0), abs=0.02)


def test_a_heated_block_settles_where_loss_equals_power() -> None:
    """6 W against 0.06 W/K end 100 K above the room."""
    net = one_block(metal_j_per_k=60.0, loss_w_per_k=0.06)
    state = initial_state(net, zone_c=(20.0,), charge_c=20.0, charge_kg=1.0)
    for _ in range(2000):
        state = transition(state, Inputs((6.0,), (1.0,), 20.0), 10.0, net)
    assert temperatures(state, net)[0] == pytest.approx(120.0, abs=1e-3)


def test_a_long_step_is_cut_into_stable_ones() -> None:
    """One step of ten minutes ends where 1200 scans of half a second do."""
    plant = HOUSING_7
    inputs = Inputs((300.0, 60.0, 10.0), (1.0, 1.0, 1.0), 25.0, flow_kg_per_s=30e-6)
    start = initial_state(
        plant.net, zone_c=(100.0, 90.0, 80.0), charge_c=95.0, charge_kg=plant.net.full_charge_kg
    )
    coarse = transition(start, inputs, 600.0, plant.net)
    fine = start
    for _ in range(1200):
        fine = transition(fine, inputs, 0.5, plant.net)
    assert temperatures(coarse, plant.net) == pytest.approx(temperatures(fine, plant.net), abs=0.1)


@pytest.mark.parametrize(
    ("biot", "root", "amplitude"),
    # Cengel, Heat and Mass Transfer, Table 4-2 (one-term coefficients, cylinder)
    [(0.1, 0.4417, 1.0246), (1.0, 1.2558, 1.2071), (5.0, 1.9898, 1.5029), (10.0, 2.1795, 1.5677)],
)
def test_the_core_follows_the_one_term_solution(biot: float, root: float, amplitude: float) -> None:
    """Past Fourier number 0.2 the centre's excess is A1 exp(-root^2 Fo), within 0.3 % of the start.

    The innermost of the rings stands for a disc a twentieth of the radius wide.
    """
    radius_m, w_per_m_k, kg_per_m3 = 0.0113, 0.18, 1100.0
    net = cylinder(
        rings=RINGS,
        radius_m=radius_m,
        w_per_m_k=w_per_m_k,
        wall_w_per_m2_k=biot * w_per_m_k / radius_m,
        kg=kg_per_m3 * math.pi * radius_m**2,
    )
    m2_per_s = w_per_m_k / (kg_per_m3 * SILICONE.melt_j_per_kg_k)
    for fourier in (0.3, 0.6, 1.0):
        state = initial_state(net, zone_c=(120.0,), charge_c=20.0, charge_kg=net.full_charge_kg)
        steps = 600
        dt_s = fourier * radius_m**2 / m2_per_s / steps
        for _ in range(steps):
            state = transition(state, still(net), dt_s, net)
        core_c = temperatures(state, net)[1]
        expected_c = 120.0 - 100.0 * amplitude * math.exp(-(root**2) * fourier)
        assert core_c == pytest.approx(expected_c, abs=0.3)


def series(biot: float, fourier: float, terms: int = 40) -> tuple[float, float]:
    """Excess at the centre and in the mean, 1 at the start, by the Bessel series.

    Source: Carslaw and Jaeger, Conduction of Heat in Solids, 7.7 (cylinder, radiation at the
    surface); roots of x J1(x) = Bi J0(x) by bracketing.
    """
    zeros = [0.0, 3.8317, 7.0156]  # of J1
    while len(zeros) < terms + 1:
        zeros.append(zeros[-1] + math.pi)
    centre = mean = 0.0
    for left, right in pairwise(zeros):
        root = brentq(lambda x: x * j1(x) - biot * j0(x), left + 1e-9, right)
        amplitude = 2.0 * j1(root) / (root * (j0(root) ** 2 + j1(root) ** 2))
        decay = amplitude * math.exp(-(root**2) * fourier)
        centre += decay
        mean += decay * 2.0 * j1(root) / root
    return float(centre), float(mean)


def test_core_and_mean_follow_the_bessel_series() -> None:
    """A 30 cc charge with a wall coefficient warms as the full series says, early and late."""
    radius_m, w_per_m_k, wall, kg_per_m3 = 0.0113, 0.18, 100.0, 1100.0
    net = cylinder(
        rings=RINGS,
        radius_m=radius_m,
        w_per_m_k=w_per_m_k,
        wall_w_per_m2_k=wall,
        kg=kg_per_m3 * math.pi * radius_m**2,
    )
    m2_per_s = w_per_m_k / (kg_per_m3 * SILICONE.melt_j_per_kg_k)
    state = initial_state(net, zone_c=(110.0,), charge_c=23.0, charge_kg=net.full_charge_kg)
    for scan in range(1, 3601):
        state = transition(state, still(net), 0.5, net)
        if scan in {120, 240, 360, 600, 1200, 2400, 3600}:
            centre, mean = series(wall * radius_m / w_per_m_k, m2_per_s * 0.5 * scan / radius_m**2)
            temp_c = temperatures(state, net)
            assert temp_c[1] == pytest.approx(110.0 - 87.0 * centre, abs=0.06)
            assert charge_mean(temp_c, net) == pytest.approx(110.0 - 87.0 * mean, abs=0.08)


@given(
    st.builds(
        Melt,
        solid_j_per_kg_k=st.floats(1000.0, 3000.0),
        melt_j_per_kg_k=st.floats(1000.0, 3000.0),
        fusion_j_per_kg=st.floats(0.0, 100e3),
    ),
    st.floats(-10.0, 250.0),
)
def test_temperature_is_the_inverse_of_enthalpy(melt: Melt, temp_c: float) -> None:
    """Going to enthalpy and back changes nothing, in the melting range too."""
    assert melt.temperature(melt.enthalpy(temp_c)) == pytest.approx(temp_c, abs=1e-9)


def test_melting_takes_the_heat_of_fusion() -> None:
    """From 50 to 70 degC the demo polyurethane takes 50 kJ/kg beside its specific heat."""
    sensible_j_per_kg = 20.0 * 0.5 * (1700.0 + 2000.0)
    taken = POLYURETHANE.enthalpy(70.0) - POLYURETHANE.enthalpy(50.0)
    assert taken == pytest.approx(50e3 + sensible_j_per_kg)


def steady(zone_c: tuple[float, float], flow_kg_per_s: float = 0.0) -> list[float]:
    """Temperatures of lens_4 with both blocks held, after 27 minutes."""
    net = LENS_4.net
    held = replace(
        net,
        lumps=tuple(
            replace(lump, metal_j_per_k=1e12) if i in net.sensor_lump else lump
            for i, lump in enumerate(net.lumps)
        ),
    )
    state = initial_state(held, zone_c=zone_c, charge_c=zone_c[0], charge_kg=0.033)
    for _ in range(400):
        state = transition(state, replace(still(held), flow_kg_per_s=flow_kg_per_s), 4.0, held)
    return temperatures(state, held)


def test_the_tip_of_lens_4_stands_five_kelvin_below_its_block() -> None:
    """Block at 120 degC, still air of 25 degC: tip 115.2 degC (computed target of the cell)."""
    assert steady((110.0, 120.0))[LENS_4.net.path[-1]] == pytest.approx(115.2, abs=0.2)


def test_flow_warms_the_tip() -> None:
    """15 mg/s bring the tip about 0.6 K nearer to the block.

    Computed target: 0.8 K for a melt of 1.9 to 2.0 kJ/(kg K); this one carries three quarters.
    """
    tip = LENS_4.net.path[-1]
    gain_k = steady((110.0, 120.0), 15e-6)[tip] - steady((110.0, 120.0))[tip]
    assert gain_k == pytest.approx(0.75 * 0.8, rel=0.3)


def test_holding_power_holds() -> None:
    """A lens_4 block of 120 degC needs about 22 %, a syringe of 110 degC about 17.5 %."""
    syringe_w, nozzle_w = holding_power(LENS_4.net, zone_c=(110.0, 120.0), ambient_c=25.0)
    assert nozzle_w / 30.0 == pytest.approx(0.22, abs=0.01)
    assert syringe_w / 120.0 == pytest.approx(0.175, abs=0.005)


def test_a_new_syringe_replaces_mass_and_heat() -> None:
    """After the change the charge has its own mass and temperature, and both are booked."""
    net = LENS_4.net
    before = initial_state(net, zone_c=(110.0, 120.0), charge_c=110.0, charge_kg=0.01)
    after = replace_charge(before, net, charge_c=60.0, charge_kg=0.033)
    assert after.charge_kg == 0.033
    assert charge_mean(temperatures(after, net), net) == pytest.approx(60.0)
    assert after.melt_in_j - after.melt_out_j == pytest.approx(stored(after) - stored(before))


def test_a_top_up_mixes_by_heat() -> None:
    """1 kg of solid at 23 degC in 4 kg at 110 degC leaves the mean at the mixed enthalpy."""
    net = HOUSING_7.net
    before = initial_state(net, zone_c=(110.0, 115.0, 120.0), charge_c=110.0, charge_kg=4.0)
    after = refill(before, net, charge_c=23.0, charge_kg=1.0)
    mixed = (4.0 * net.melt.enthalpy(110.0) + net.melt.enthalpy(23.0)) / 5.0
    assert after.charge_kg == 5.0
    assert charge_mean(temperatures(after, net), net) == pytest.approx(net.melt.temperature(mixed))
    assert after.melt_in_j == pytest.approx(stored(after) - stored(before))


def test_dispensed_mass_leaves_the_reservoir_until_it_is_nearly_empty() -> None:
    """Ten seconds at 30 mg/s take 0.3 g; below the least fill nothing flows."""
    net = HOUSING_7.net
    flowing = replace(still(net), flow_kg_per_s=30e-6)
    full = initial_state(net, zone_c=(110.0, 115.0, 120.0), charge_c=110.0, charge_kg=5.0)
    assert transition(full, flowing, 10.0, net).charge_kg == pytest.approx(5.0 - 0.3e-3)
    empty_kg = 0.9 * MIN_FILL * net.full_charge_kg
    empty = initial_state(net, zone_c=(110.0, 115.0, 120.0), charge_c=110.0, charge_kg=empty_kg)
    assert transition(empty, flowing, 10.0, net).charge_kg == empty_kg


def test_ring_shares_sum_to_one() -> None:
    """However many rings, together they are the cylinder."""
    for rings in (1, 2, 12, 40):
        assert sum(ring_shares(rings)) == pytest.approx(1.0)


def test_a_chain_joins_neighbours() -> None:
    """Three lumps in a row have two equal links."""
    assert chain((4, 5, 9), 0.3) == (Link(4, 5, 0.3), Link(5, 9, 0.3))


def test_the_longest_step_is_below_the_quickest_time_constant() -> None:
    """A block of 60 J/K with 0.06 W/K and the strongest draft allows 0.8 * 60 / 0.6 s."""
    net = one_block(metal_j_per_k=60.0, loss_w_per_k=0.06)
    assert net.longest_step_s == pytest.approx(0.8 * 60.0 / (0.06 * MAX_DRAFT))
    assert np.isfinite(LENS_4.net.longest_step_s)
    assert LENS_4.net.longest_step_s > 0.5
