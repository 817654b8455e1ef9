"""The two cells are built as their names and windows promise."""

from __future__ import annotations

import pytest

from potsim.plants import (
    BUILDERS,
    PLANTS,
    POLYURETHANE,
    Factors,
    Plant,
    Wire,
    ZoneFactors,
    as_built,
    drawn,
    heavier,
)

plants = pytest.mark.parametrize("plant", PLANTS.values(), ids=list(PLANTS))


def test_the_cells_and_their_zones_have_their_names() -> None:
    """Names on the wire are part of the contract with every reader."""
    zones = {name: [zone.name for zone in plant.zones] for name, plant in PLANTS.items()}
    assert zones == {"lens_4": ["syringe", "nozzle"], "housing_7": ["tank", "hose", "nozzle"]}
    assert PLANTS["lens_4"].wire is Wire.OPCUA
    assert PLANTS["housing_7"].wire is Wire.MODBUS


@plants
def test_setpoints_stand_in_their_windows_and_setback_below(plant: Plant) -> None:
    """A window holds its setpoint; setback lies under it."""
    for zone in plant.zones:
        assert zone.setback_c < zone.window_low_c < zone.setpoint_c < zone.window_high_c
        assert zone.window_high_c < zone.limiter_c


@plants
def test_each_lump_holds_one_kind_of_thing(plant: Plant) -> None:
    """Metal, standing melt or charge, and only one of them."""
    for lump in plant.net.lumps:
        assert sum(map(bool, (lump.metal_j_per_k, lump.melt_kg, lump.charge_share))) == 1


@plants
def test_melt_stands_behind_the_reservoir_only(plant: Plant) -> None:
    """The reservoir holds the charge; every zone after it holds some melt on its way."""
    reservoir, *others = [zone.hold_up_kg for zone in plant.zones]
    assert reservoir == 0.0
    assert min(others) > 0.0
    parts = sum(others) / (plant.flow_kg_per_s * plant.cycle.dispense_s)
    assert 1.0 < parts < 400.0


@plants
def test_shares_are_whole(plant: Plant) -> None:
    """Charge and each heater are shared out completely."""
    lumps = plant.net.lumps
    assert sum(lump.charge_share for lump in lumps) == pytest.approx(1.0)
    for index in range(len(plant.zones)):
        shares = [lump.heater_share for lump in lumps if lump.zone == index]
        assert sum(shares) == pytest.approx(1.0)


@plants
def test_links_join_existing_lumps_and_reach_them_all(plant: Plant) -> None:
    """The network is in one piece."""
    reached = {0}
    for _ in plant.net.lumps:
        for link in plant.net.links:
            if {link.a, link.b} & reached:
                reached |= {link.a, link.b}
    assert reached == set(range(len(plant.net.lumps)))


@plants
def test_heaters_have_more_than_twice_the_power_to_hold(plant: Plant) -> None:
    """A zone can be heated up, not only held: its losses at setpoint take under 45 %."""
    for index, zone in enumerate(plant.zones):
        loss_w = sum(
            lump.loss_w_per_k * (zone.setpoint_c - 25.0)
            for lump in plant.net.lumps
            if lump.zone == index
        )
        assert loss_w < 0.45 * zone.heater_w


def wall_w_per_k(plant: Plant) -> float:
    """Conductance between the charge and the block that its zone's sensor touches."""
    (link,) = [
        link
        for link in plant.net.links
        if link.scales_with_fill and plant.net.sensor_lump[0] in {link.a, link.b}
    ]
    return link.w_per_k


@pytest.mark.parametrize("name", list(BUILDERS))
def test_factors_change_the_charge_and_nothing_else(name: str) -> None:
    """Conductances scale inside the charge, its wall, or its specific heat; all else stays."""
    told = PLANTS[name]
    thin = BUILDERS[name](Factors(conductivity=0.8))
    loose = BUILDERS[name](Factors(wall=0.8))
    heavy = BUILDERS[name](Factors(heat_capacity=1.2))
    ratios = [a.w_per_k / b.w_per_k for a, b in zip(thin.net.links, told.net.links, strict=True)]
    inner = [
        ratio
        for ratio, link in zip(ratios, told.net.links, strict=True)
        if link.scales_with_fill and told.net.sensor_lump[0] not in {link.a, link.b}
    ]
    assert inner
    assert inner == pytest.approx([0.8] * len(inner))
    assert sum(ratio != 1.0 for ratio in ratios) <= len(inner) + 1
    assert 0.8 <= wall_w_per_k(loose) / wall_w_per_k(told) < 0.85
    assert heavy.net.links == told.net.links
    assert heavy.net.melt.melt_j_per_kg_k == pytest.approx(1.2 * told.net.melt.melt_j_per_kg_k)
    for plant in (thin, loose, heavy):
        assert (plant.zones, plant.net.lumps) == (told.zones, told.net.lumps)


def test_a_heavier_melt_keeps_its_heat_of_fusion() -> None:
    """Half as much specific heat again leaves 50 kJ/kg to melt, and the derived points follow."""
    melt = heavier(POLYURETHANE, 1.5)
    sensible_j_per_kg = 1.5 * 0.5 * (1700.0 + 2000.0) * 20.0
    taken_j_per_kg = melt.enthalpy(70.0) - melt.enthalpy(50.0)
    assert taken_j_per_kg == pytest.approx(50e3 + sensible_j_per_kg)


@plants
def test_a_cell_as_told_is_built_as_told(plant: Plant) -> None:
    """Factors of 1 change nothing at all, and a spread of 0 draws nothing else."""
    assert as_built(plant, (ZoneFactors(),) * len(plant.zones)) == plant
    room, factors = drawn(plant.name, len(plant.zones), spread=0.0, seed=3)
    assert room == 1.0
    assert factors == [ZoneFactors()] * len(plant.zones)


@plants
def test_a_zone_as_built_changes_that_zone_only(plant: Plant) -> None:
    """Metal and losses of its own lumps are multiplied, its tip's too; no other lump's."""
    last = len(plant.zones) - 1
    factors = [ZoneFactors()] * last + [ZoneFactors(loss=1.3, capacity=0.7)]
    built = as_built(plant, tuple(factors))
    for told, made in zip(plant.net.lumps, built.net.lumps, strict=True):
        is_of_it = told.zone == last
        assert made.loss_w_per_k == told.loss_w_per_k * (1.3 if is_of_it else 1.0)
        assert made.metal_j_per_k == told.metal_j_per_k * (0.7 if is_of_it else 1.0)
        assert (made.melt_kg, made.charge_share) == (told.melt_kg, told.charge_share)
    assert built.zones == plant.zones


def test_two_cells_of_one_seed_are_built_differently() -> None:
    """The name of the cell is in the draw."""
    assert drawn("lens_4", 2, spread=0.3, seed=1) != drawn("housing_7", 2, spread=0.3, seed=1)
