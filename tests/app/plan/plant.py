"""Two cells to ask about: a syringe told by its geometry, a tank told by a timer."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from watchedpot.app.plan.answer import Answer
from watchedpot.app.plan.drawing import WIDTH
from watchedpot.core.rules import (
    AgeingRules,
    CellRules,
    ChargeRules,
    Dosing,
    FinRules,
    MaterialRules,
    SoakRules,
    ThermalRules,
    TipRules,
    ZoneKind,
    ZoneRules,
)

SILICONE = MaterialRules(
    id="demo_silicone",
    ceiling_c=140.0,
    flow_ea_j_per_mol=50e3,
    degradation_ea_j_per_mol=90e3,
    source="demo: use your supplier's data sheet",
    is_demo=True,
    ageing=AgeingRules(pot_life_s=8 * 3600.0, ref_c=110.0),
    thermal=ThermalRules(1.15e-7, 0.98e-7, 1.32e-7, 0.19, 1100.0, 1500.0),
    viscosity_pa_s=10.0,
    viscosity_at_c=120.0,
)
SYRINGE = ZoneRules(
    id="syringe",
    kind=ZoneKind.SYRINGE,
    material=SILICONE,
    low_c=104.0,
    high_c=118.0,
    temperature="lens_4/syringe/temperature",
    setpoint_c=110.0,
    soak=SoakRules(ready_c=104.0, radius_m=11.3e-3, wall_w_per_m2_k=90.0),
)
NOZZLE = ZoneRules(
    id="nozzle",
    kind=ZoneKind.NOZZLE,
    material=SILICONE,
    low_c=115.0,
    high_c=126.0,
    temperature="lens_4/nozzle/temperature",
    setpoint_c=120.0,
    tip=TipRules(low_c=110.0, fin=FinRules(length_m=7e-3, outer_m=2.5e-3, bore_m=0.6e-3)),
)
LENS_4 = CellRules(
    id="lens_4",
    zones=(SYRINGE, NOZZLE),
    charge=ChargeRules(fill_kg=0.033, flow_kg_per_s=4e-6, preheat_c=100.0, preheat_s=1200.0),
)
TANK = replace(
    SYRINGE,
    id="tank",
    kind=ZoneKind.TANK,
    soak=SoakRules(ready_c=104.0, timer_s=2400.0),
)
HOSE = replace(SYRINGE, id="hose", kind=ZoneKind.HOSE, soak=None, hold_up_m3=20e-6)
HOUSING_7 = CellRules(
    id="housing_7",
    zones=(TANK, HOSE, replace(NOZZLE, tip=TipRules(low_c=110.0, offset_k=5.0))),
    charge=ChargeRules(fill_kg=0.5, refill_kg=0.1, flow_kg_per_s=30e-6, dosing=Dosing.VOLUMETRIC),
)


def told(cell: CellRules, zone_id: str, **changes: Any) -> CellRules:
    """The cell with something else said of one of its zones."""
    zones = (replace(zone, **changes) if zone.id == zone_id else zone for zone in cell.zones)
    return replace(cell, zones=tuple(zones))


def unknown(cell: CellRules, zone_id: str, *keys: str) -> CellRules:
    """The cell whose material, as one of its zones has it, lacks some keys."""
    zone = next(zone for zone in cell.zones if zone.id == zone_id)
    lacking = replace(zone.material, **dict.fromkeys(keys))  # type: ignore[arg-type]
    return told(cell, zone_id, material=lacking)


def charged(cell: CellRules, **changes: Any) -> CellRules:
    """The cell with something else said of its charges."""
    return replace(cell, charge=replace(cell.charge, **changes))


def row(answer: Answer, begin: str) -> str:
    """The first line of an answer that begins so, without the beginning, single-spaced."""
    line = next(line for line in answer.lines if line.startswith(begin))
    return " ".join(line.removeprefix(begin).split())


def words(answer: Answer) -> str:
    """The text as one line, so that where it was wrapped does not matter."""
    return " ".join(answer.text.split())


def is_printable(answer: Answer) -> bool:
    """Whether it is plain characters, no line too wide, and ends with its caution."""
    text = answer.text
    return (
        text.isascii()
        and max(map(len, text.splitlines())) <= WIDTH
        and text.endswith("your data sheet and a trial at the cell decide.")
    )
