"""The two cells of the demo plant: what they are built of and how they are tuned.

Both run invented materials; the numbers are round figures of common practice for machines of
this size, not those of any product.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from potsim.controllers import CycleParams, PidParams
from potsim.parts import Ageing, Bead
from potsim.physics import (
    Link,
    Lump,
    Melt,
    Network,
    chain,
    cylinder_links,
    ring_shares,
)
from potsim.sensors import SensorParams


class Wire(Enum):
    """Protocol over which a cell is served."""

    OPCUA = "opcua"
    MODBUS = "modbus"


@dataclass(frozen=True, slots=True)
class ZonePlant:
    """One heat zone with its heater, sensor and loop.

    Parameters
    ----------
    name : str
        As on the wire and in the truth log.
    heater_w : float
        Full power. [W]
    limiter_c : float
        The independent limiter ends heating for good above this true temperature. [degC]
    setpoint_c, setback_c : float
        In production and in setback. [degC]
    window_low_c, window_high_c : float
        Between these a part is good. [degC]
    sensor : SensorParams
        Healthy sensor.
    loop : PidParams
        Tuning.
    hold_up_kg : float
        Melt that stands in it between reservoir and tip. [kg]
    """

    name: str
    heater_w: float
    limiter_c: float
    setpoint_c: float
    setback_c: float
    window_low_c: float
    window_high_c: float
    sensor: SensorParams
    loop: PidParams
    hold_up_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Plant:
    """A whole cell.

    Parameters
    ----------
    name : str
        As on the wire and in file names.
    wire : Wire
        How it is served.
    zones : tuple of ZonePlant
        In flow order.
    net : Network
        Its heat.
    cycle : CycleParams
        Its rhythm.
    flow_kg_per_s : float
        Melt flow while dispensing. [kg/s]
    is_topped_up : bool
        A new charge is added to the old one instead of replacing it.
    ageing : Ageing
        Of the adhesive.
    bead : Bead
        Of the process.
    """

    name: str
    wire: Wire
    zones: tuple[ZonePlant, ...]
    net: Network
    cycle: CycleParams
    flow_kg_per_s: float
    is_topped_up: bool
    ageing: Ageing
    bead: Bead


@dataclass(frozen=True, slots=True)
class Factors:
    """How the charge of a cell differs from the round figures that everybody was told.

    Parameters
    ----------
    conductivity : float
        On the conductivity of the adhesive. [1]
    wall : float
        On the coefficient between block and adhesive. [1]
    heat_capacity : float
        On the specific heat of the adhesive, not on its heat of fusion. [1]
    """

    conductivity: float = 1.0
    wall: float = 1.0
    heat_capacity: float = 1.0


AS_TOLD = Factors()


@dataclass(frozen=True, slots=True)
class ZoneFactors:
    """How a zone as built differs from the round figures that everybody was told.

    Parameters
    ----------
    heater : float
        On the full power of its heater. [1]
    loss : float
        On every loss to the room, the tip's too. [1]
    capacity : float
        On the heat capacity of its metal. [1]
    lag : float
        On the lag of its sensor. [1]
    gain, times : float
        On the gain of its loop, and on its integral and derivative times. [1]
    """

    heater: float = 1.0
    loss: float = 1.0
    capacity: float = 1.0
    lag: float = 1.0
    gain: float = 1.0
    times: float = 1.0


ZONE_AS_TOLD = ZoneFactors()

SILICONE = Melt(solid_j_per_kg_k=1500.0, melt_j_per_kg_k=1500.0)
"""demo_silicone: softens, does not melt. Demo: use your supplier's data sheet."""

SILICONE_W_PER_M_K = 0.18
"""Conductivity of demo_silicone. [W/(m K)]"""

SYRINGE_WALL_W_PER_M2_K = 100.0
"""Between the block of lens_4 and its adhesive: gap and wall of the syringe. [W/(m2 K)]"""

POLYURETHANE = Melt(
    solid_j_per_kg_k=1700.0,
    melt_j_per_kg_k=2000.0,
    fusion_j_per_kg=50e3,
    fusion_from_c=50.0,
    fusion_to_c=70.0,
)
"""demo_polyurethane: semi-crystalline. Demo: use your supplier's data sheet."""


SILICONE_AGEING = Ageing(ea_j_per_mol=80e3, ref_c=120.0)
"""demo_silicone. Demo: use your supplier's data sheet."""

POLYURETHANE_AGEING = Ageing(ea_j_per_mol=80e3, ref_c=110.0)
"""demo_polyurethane. Demo: use your supplier's data sheet."""


def heavier(melt: Melt, factor: float) -> Melt:
    """An adhesive with another specific heat, solid and molten.

    Parameters
    ----------
    melt : Melt
        As told.
    factor : float
        On both specific heats. [1]

    Returns
    -------
    Melt
        With the same heat of fusion.
    """
    return replace(
        melt,
        solid_j_per_kg_k=factor * melt.solid_j_per_kg_k,
        melt_j_per_kg_k=factor * melt.melt_j_per_kg_k,
    )


def tip_lumps(*, zone: int, metal_j_per_k: float, loss_w_per_k: float) -> tuple[Lump, ...]:
    """Cut a tip into three equal lumps from base to end.

    Parameters
    ----------
    zone : int
        Zone of the nozzle.
    metal_j_per_k : float
        Heat capacity of the whole tip. [J/K]
    loss_w_per_k : float
        Loss of the whole tip to still air. [W/K]

    Returns
    -------
    tuple of Lump
        Three lumps.
    """
    third = Lump(zone, metal_j_per_k=metal_j_per_k / 3.0, loss_w_per_k=loss_w_per_k / 3.0)
    return (third, third, third)


def _lens_4(factors: Factors) -> Plant:
    rings = 20
    syringe, nozzle, melt, tip = 0, rings + 1, rings + 2, rings + 3
    lumps = (
        Lump(0, metal_j_per_k=400.0, loss_w_per_k=0.25, heater_share=1.0),
        *(Lump(0, charge_share=share) for share in ring_shares(rings)),
        Lump(1, metal_j_per_k=60.0, loss_w_per_k=0.06, heater_share=1.0),
        Lump(1, melt_kg=0.3e-3),
        *tip_lumps(zone=1, metal_j_per_k=3.0, loss_w_per_k=0.008),
    )
    links = (
        # 30 cc in an 11.3 mm bore: 74.8 mm long
        *cylinder_links(
            first_lump=1,
            wall_lump=syringe,
            rings=rings,
            radius_m=0.0113,
            length_m=0.0748,
            w_per_m_k=SILICONE_W_PER_M_K * factors.conductivity,
            wall_w_per_m2_k=SYRINGE_WALL_W_PER_M2_K * factors.wall,
        ),
        Link(syringe, nozzle, 0.02),
        Link(nozzle, melt, 0.3),
        # the end of the tip then stands about 5 K below a block of 120 degC in still air
        *chain((nozzle, tip, tip + 1, tip + 2), 0.30),
    )
    return Plant(
        name="lens_4",
        wire=Wire.OPCUA,
        zones=(
            ZonePlant(
                name="syringe",
                heater_w=120.0,
                limiter_c=200.0,
                setpoint_c=110.0,
                setback_c=85.0,
                window_low_c=104.0,
                window_high_c=118.0,
                sensor=SensorParams(lag_s=8.0, noise_k=0.06, resolution_k=0.1),
                loop=PidParams(gain_per_k=6.0, integral_s=300.0, derivative_s=15.0, filter_s=4.0),
            ),
            ZonePlant(
                name="nozzle",
                heater_w=30.0,
                limiter_c=200.0,
                setpoint_c=120.0,
                setback_c=100.0,
                window_low_c=115.0,
                window_high_c=126.0,
                sensor=SensorParams(lag_s=4.0, noise_k=0.06, resolution_k=0.1),
                loop=PidParams(gain_per_k=8.0, integral_s=120.0, derivative_s=8.0, filter_s=2.0),
                hold_up_kg=0.11e-3,  # 0.1 mL
            ),
        ),
        net=Network(
            lumps=lumps,
            links=links,
            path=(melt, tip, tip + 1, tip + 2),
            sensor_lump=(syringe, nozzle),
            core_lump=1,
            melt=heavier(SILICONE, factors.heat_capacity),
            full_charge_kg=0.033,
            wipe_w_per_k=0.12,
            max_flow_kg_per_s=50e-6,
        ),
        cycle=CycleParams(),
        flow_kg_per_s=4e-6,
        is_topped_up=False,
        ageing=SILICONE_AGEING,
        bead=Bead(),
    )


def _housing_7(factors: Factors) -> Plant:
    pieces = 5
    tank, shell, bulk = 0, 1, 2
    walls = tuple(range(3, 3 + pieces))
    melts = tuple(range(3 + pieces, 3 + 2 * pieces))
    nozzle = 3 + 2 * pieces
    nozzle_melt, tip = nozzle + 1, nozzle + 2
    lumps = (
        Lump(0, metal_j_per_k=2700.0, loss_w_per_k=2.5, heater_share=1.0),
        Lump(0, charge_share=0.25),
        Lump(0, charge_share=0.75),
        *(Lump(1, metal_j_per_k=50.0, loss_w_per_k=0.15, heater_share=1.0 / pieces) for _ in walls),
        # 1.5 m of 8 mm bore hold 75 mL
        *(Lump(1, melt_kg=0.083 / pieces) for _ in melts),
        Lump(2, metal_j_per_k=90.0, loss_w_per_k=0.09, heater_share=1.0),
        Lump(2, melt_kg=0.5e-3),
        *tip_lumps(zone=2, metal_j_per_k=4.0, loss_w_per_k=0.010),
    )
    links = (
        Link(tank, shell, 20.0 * factors.wall, scales_with_fill=True),
        Link(shell, bulk, 15.0 * factors.conductivity, scales_with_fill=True),
        Link(tank, walls[0], 0.05),
        *chain(walls, 0.02),
        *(Link(wall, melt, 0.75) for wall, melt in zip(walls, melts, strict=True)),
        Link(walls[-1], nozzle, 0.03),
        Link(nozzle, nozzle_melt, 0.4),
        *chain((nozzle, tip, tip + 1, tip + 2), 0.38),
    )
    return Plant(
        name="housing_7",
        wire=Wire.MODBUS,
        zones=(
            ZonePlant(
                name="tank",
                heater_w=1500.0,
                limiter_c=200.0,
                setpoint_c=110.0,
                setback_c=90.0,
                window_low_c=102.0,
                window_high_c=118.0,
                sensor=SensorParams(lag_s=20.0, noise_k=0.06, resolution_k=0.1),
                loop=PidParams(gain_per_k=4.0, integral_s=400.0, derivative_s=20.0, filter_s=5.0),
            ),
            ZonePlant(
                name="hose",
                heater_w=180.0,
                limiter_c=200.0,
                setpoint_c=115.0,
                setback_c=95.0,
                window_low_c=108.0,
                window_high_c=123.0,
                sensor=SensorParams(lag_s=15.0, noise_k=0.06, resolution_k=0.1),
                loop=PidParams(gain_per_k=4.0, integral_s=480.0, derivative_s=15.0, filter_s=4.0),
                hold_up_kg=0.083,  # 75 mL
            ),
            ZonePlant(
                name="nozzle",
                heater_w=45.0,
                limiter_c=200.0,
                setpoint_c=120.0,
                setback_c=100.0,
                window_low_c=115.0,
                window_high_c=126.0,
                sensor=SensorParams(lag_s=5.0, noise_k=0.06, resolution_k=0.1),
                loop=PidParams(gain_per_k=8.0, integral_s=120.0, derivative_s=8.0, filter_s=2.0),
                hold_up_kg=0.55e-3,  # 0.5 mL
            ),
        ),
        net=Network(
            lumps=lumps,
            links=links,
            path=(*melts, nozzle_melt, tip, tip + 1, tip + 2),
            sensor_lump=(tank, walls[pieces // 2], nozzle),
            core_lump=bulk,
            melt=heavier(POLYURETHANE, factors.heat_capacity),
            full_charge_kg=5.0,
            wipe_w_per_k=0.12,
            max_flow_kg_per_s=100e-6,
        ),
        cycle=CycleParams(),
        flow_kg_per_s=30e-6,
        is_topped_up=True,
        ageing=POLYURETHANE_AGEING,
        bead=Bead(),
    )


BUILDERS: dict[str, Callable[[Factors], Plant]] = {"lens_4": _lens_4, "housing_7": _housing_7}
"""How each cell is built, by name."""

PLANTS = {name: build(AS_TOLD) for name, build in BUILDERS.items()}
"""Every cell a scenario can hold, by name, as everybody was told."""


def as_built(plant: Plant, factors: tuple[ZoneFactors, ...]) -> Plant:
    """A cell whose zones differ from what everybody was told.

    Parameters
    ----------
    plant : Plant
        As told.
    factors : tuple of ZoneFactors
        Per zone, in flow order.

    Returns
    -------
    Plant
        With the same materials, setpoints and rhythm.
    """
    lumps = tuple(
        replace(
            lump,
            metal_j_per_k=factors[lump.zone].capacity * lump.metal_j_per_k,
            loss_w_per_k=factors[lump.zone].loss * lump.loss_w_per_k,
        )
        for lump in plant.net.lumps
    )
    zones = tuple(_zone_as_built(*pair) for pair in zip(plant.zones, factors, strict=True))
    return replace(plant, zones=zones, net=replace(plant.net, lumps=lumps))


def _zone_as_built(zone: ZonePlant, factors: ZoneFactors) -> ZonePlant:
    sensor, loop = zone.sensor, zone.loop
    return replace(
        zone,
        heater_w=factors.heater * zone.heater_w,
        sensor=replace(sensor, lag_s=factors.lag * sensor.lag_s),
        loop=replace(
            loop,
            gain_per_k=factors.gain * loop.gain_per_k,
            integral_s=factors.times * loop.integral_s,
            derivative_s=factors.times * loop.derivative_s,
        ),
    )


def drawn(plant: str, zones: int, *, spread: float, seed: int) -> tuple[float, list[ZoneFactors]]:
    """Factors of a cell as one of many that were built, evenly drawn.

    Parameters
    ----------
    plant : str
        Name of the cell: two cells of one seed differ.
    zones : int
        How many it has. [1]
    spread : float
        Each factor lies between 1 less this and 1 more this. [1]
    seed : int
        Of the draw; the noise of the sensors has a seed of its own. [1]

    Returns
    -------
    ambient : float
        On the temperature of the room in degC. [1]
    zones : list of ZoneFactors
        In flow order.
    """
    rng = np.random.default_rng([seed, *plant.encode(), *b" as built"])
    ambient, *rest = rng.uniform(1.0 - spread, 1.0 + spread, 1 + 6 * zones).tolist()
    return ambient, [ZoneFactors(*rest[6 * i : 6 * i + 6]) for i in range(zones)]
