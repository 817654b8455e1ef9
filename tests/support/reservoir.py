"""A cell with a charge for tests of the core: a syringe or a tank, a nozzle, every signal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from support.cells import (
    AMBIENT,
    CHARGE_ID,
    DISPENSING,
    MATERIAL,
    PARTS,
    SETPOINT,
    SYRINGE,
    SYRINGE_OUTPUT,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    WIPED,
    Cells,
    alarm,
    block,
    run,
)
from watchedpot.core import engine
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.model import Block
from watchedpot.core.rules import (
    AgeingRules,
    AlarmKind,
    AlarmRules,
    CellRules,
    ChargeRules,
    MaterialRules,
    SoakRules,
    ThermalRules,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.snapshot import CellSnapshot

HOUR_S = 3600.0
POT_LIFE_S = 8.0 * HOUR_S
HELD_C, SETBACK_C, ROOM_C = 110.0, 85.0, 23.0
LOW_C, HIGH_C, CEILING_C = 104.0, 118.0, 130.0
NOZZLE_C = 120.0

AGEING = AgeingRules(pot_life_s=POT_LIFE_S, ref_c=HELD_C)
THERMAL = ThermalRules(
    diffusivity_m2_per_s=1.15e-7,
    diffusivity_low_m2_per_s=1.0e-7,
    diffusivity_high_m2_per_s=1.3e-7,
    conductivity_w_per_m_k=0.19,
    density_kg_per_m3=1100.0,
    heat_capacity_j_per_kg_k=1500.0,
)
AGED = replace(MATERIAL, ceiling_c=CEILING_C, ageing=AGEING, thermal=THERMAL)
SOAK = SoakRules(ready_c=106.0, start_c=ROOM_C, radius_m=0.0113, wall_w_per_m2_k=100.0)
TIMER = SoakRules(ready_c=106.0, timer_s=1200.0)
FLOW_KG_PER_S = 4e-6


def reservoir(*alarms: AlarmRules, **changes: Any) -> ZoneRules:
    """The heated sleeve of a 30 cc syringe, its charge followed by a model."""
    rules = ZoneRules(
        id="syringe",
        kind=ZoneKind.SYRINGE,
        material=AGED,
        low_c=LOW_C,
        high_c=HIGH_C,
        temperature=SYRINGE,
        setpoint=SYRINGE_SETPOINT,
        output=SYRINGE_OUTPUT,
        setpoint_c=HELD_C,
        alarms=alarms,
        soak=SOAK,
    )
    return replace(rules, **changes)


def outlet(*alarms: AlarmRules, **changes: Any) -> ZoneRules:
    """The nozzle behind it."""
    rules = ZoneRules(
        id="nozzle",
        kind=ZoneKind.NOZZLE,
        material=AGED,
        low_c=115.0,
        high_c=126.0,
        temperature=TEMPERATURE,
        setpoint=SETPOINT,
        setpoint_c=NOZZLE_C,
        alarms=alarms,
    )
    return replace(rules, **changes)


def charged_cell(
    *zones: ZoneRules,
    charge: ChargeRules | None = None,
    alarms: tuple[AlarmRules, ...] | None = None,
    **changes: Any,
) -> CellPlan:
    """A syringe and a nozzle, unless a test names other zones; its own alarms without delays."""
    if alarms is None:
        kinds = (AlarmKind.UNSEEN, AlarmKind.BEFORE_READY, AlarmKind.POT_LIFE)
        alarms = tuple(alarm(kind, deadband_k=0.0) for kind in kinds)
    rules = CellRules(
        id="lens_4",
        zones=zones or (reservoir(), outlet()),
        dispensing=DISPENSING,
        parts=PARTS,
        charge_id=CHARGE_ID,
        wiped=WIPED,
        ambient=AMBIENT,
        alarms=alarms,
        charge=charge or ChargeRules(fill_kg=0.033, flow_kg_per_s=FLOW_KG_PER_S),
    )
    return engine.plan_cell(replace(rules, **changes))


def tank(**changes: Any) -> ZoneRules:
    """A melt tank in place of the syringe, its soak by a timer."""
    return reservoir(kind=ZoneKind.TANK, soak=TIMER, **changes)


def material(**changes: Any) -> MaterialRules:
    """The aged material with something else of it."""
    return replace(AGED, **changes)


def shift(
    syringe_c: Cells,
    *,
    setpoint_c: Cells = HELD_C,
    output: Cells = 20.0,
    nozzle_c: Cells = NOZZLE_C,
    nozzle_setpoint_c: Cells = NOZZLE_C,
    dispensing: Cells = 0.0,
    charge: Cells = 0.0,
    wiped: Cells = 0.0,
    period_s: float = 1.0,
    **times: Any,
) -> Block:
    """Rows of both zones and of the cell's signals; one value stands for all rows."""
    columns: dict[str, Cells] = {
        SYRINGE: syringe_c,
        SYRINGE_SETPOINT: setpoint_c,
        SYRINGE_OUTPUT: output,
        TEMPERATURE: nozzle_c,
        SETPOINT: nozzle_setpoint_c,
        DISPENSING: dispensing,
        CHARGE_ID: charge,
        WIPED: wiped,
    }
    return block(columns, period_s=period_s, **times)


def parts(*of: tuple[int, float | None]) -> list[float | None]:
    """So many rows of each value."""
    return [value for count, value in of for _ in range(count)]


def soaked(plan: CellPlan, *, charge: Cells = 0.0, hours: float = 1.0) -> CellState:
    """The cell after its charge warmed up at its setpoint, idle: the account opened then."""
    rows = round(hours * HOUR_S) + 1
    return run(plan, shift(HELD_C, charge=charge, rows=rows))[0]


def shown(state: CellState, plan: CellPlan) -> CellSnapshot:
    """The cell as the outputs see it."""
    snapshot = engine.snapshot(state, plan)
    assert snapshot is not None
    return snapshot


def pieces(whole: Block, at: Sequence[int]) -> list[Block]:
    """The same rows cut before some of them."""
    edges = [0, *sorted(at), len(whole)]
    return [whole.rows(a, b) for a, b in pairwise(edges)]
