"""Small cells for tests of the core: their rules, and blocks of readings from plain numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np

from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import (
    NO_TIME_NS,
    Block,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Quality,
    Reason,
)
from watchedpot.core.rules import (
    AgeingRules,
    AirRules,
    AlarmKind,
    AlarmRules,
    CellRules,
    ChargeRules,
    FinRules,
    MaterialRules,
    PartRules,
    Priority,
    SoakRules,
    ThermalRules,
    TipRules,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.series import Series, continue_series
from watchedpot.core.units import NANO, ns

UTC_NS = 1_767_225_600 * NANO
"""UTC at the zero of the monotonic clock: 2026-01-01T00:00. [ns]"""

TEMPERATURE = "lens_4/nozzle/temperature"
SETPOINT = "lens_4/nozzle/setpoint"
OUTPUT = "lens_4/nozzle/output"
HOSE = "lens_4/hose/temperature"
DISPENSING = "lens_4/dispensing"
PARTS = "lens_4/parts"
CHARGE_ID = "lens_4/charge_id"
WIPED = "lens_4/wiped"
AMBIENT = "lens_4/ambient"
DEW_POINT = "lens_4/dew_point"
SYRINGE = "lens_4/syringe/temperature"
SYRINGE_SETPOINT = "lens_4/syringe/setpoint"
SYRINGE_OUTPUT = "lens_4/syringe/output"
TANK = "housing_7/tank/temperature"
TANK_HOSE = "housing_7/hose/temperature"
TANK_NOZZLE = "housing_7/nozzle/temperature"

COLD = "lens_4/nozzle/cold"
HOT = "lens_4/nozzle/hot"
BUILD_UP = "lens_4/nozzle/build_up"
DEGRADATION = "lens_4/nozzle/degradation"
UNSEEN = "lens_4/unseen"
BEFORE_READY = "lens_4/before_ready"
POT_LIFE = "lens_4/pot_life"

LOW_C, HIGH_C, CEILING_C = 110.0, 120.0, 140.0
USUAL_C = 115.0
POT_LIFE_S = 600.0
GAP_S = 60.0
"""Longest joined step of a zone with a charge: soaking takes minutes, a story some dozen rows."""

MATERIAL = MaterialRules(
    id="demo_silicone",
    ceiling_c=CEILING_C,
    flow_ea_j_per_mol=50e3,
    degradation_ea_j_per_mol=80e3,
    source="demo: use your supplier's data sheet",
    is_demo=True,
)

AGEING = replace(
    MATERIAL,
    ageing=AgeingRules(pot_life_s=POT_LIFE_S, ref_c=USUAL_C),
    thermal=ThermalRules(
        diffusivity_m2_per_s=1.15e-7,
        diffusivity_low_m2_per_s=0.98e-7,
        diffusivity_high_m2_per_s=1.32e-7,
        conductivity_w_per_m_k=0.19,
        density_kg_per_m3=1100.0,
        heat_capacity_j_per_kg_k=1500.0,
    ),
    dew_point_max_c=-20.0,
    open_time_s=40.0,
    rework_s=600.0,
)
"""The same material with a pot life that ends within a story, and with all that warms its core."""

Cells: TypeAlias = Sequence[float | None] | float | None
"""A column of a block: a value a row, or one for all; None is a bad reading."""


def alarm(kind: AlarmKind, **changes: Any) -> AlarmRules:
    """An alarm without delays, with whatever a test changes of it."""
    rules = AlarmRules(
        kind=kind,
        priority=Priority.HIGH,
        cause="a cause",
        consequence="a consequence",
        response="a response",
        time_to_respond_s=60.0,
        on_delay_s=0.0,
        off_delay_s=0.0,
        deadband_k=1.0,
    )
    return replace(rules, **changes)


def zone(*alarms: AlarmRules, **changes: Any) -> ZoneRules:
    """The nozzle of the cell, with a setpoint channel."""
    rules = ZoneRules(
        id="nozzle",
        kind=ZoneKind.NOZZLE,
        material=MATERIAL,
        low_c=LOW_C,
        high_c=HIGH_C,
        temperature=TEMPERATURE,
        setpoint=SETPOINT,
        alarms=alarms,
    )
    return replace(rules, **changes)


def hose(*alarms: AlarmRules, **changes: Any) -> ZoneRules:
    """The hose before the nozzle, without a setpoint channel."""
    rules = zone(*alarms, id="hose", kind=ZoneKind.HOSE, temperature=HOSE, setpoint=None)
    return replace(rules, **changes)


def syringe(*alarms: AlarmRules, **changes: Any) -> ZoneRules:
    """A thin syringe before the nozzle: its axis is warm some three minutes after its wall."""
    rules = zone(
        *alarms,
        id="syringe",
        kind=ZoneKind.SYRINGE,
        material=AGEING,
        temperature=SYRINGE,
        setpoint=SYRINGE_SETPOINT,
        output=SYRINGE_OUTPUT,
        setpoint_c=USUAL_C,
        max_gap_s=GAP_S,
        soak=SoakRules(ready_c=LOW_C, radius_m=5e-3, wall_w_per_m2_k=200.0),
    )
    return replace(rules, **changes)


def cell(*zones: ZoneRules, **changes: Any) -> CellPlan:
    """The plan of a cell that tells whether it dispenses."""
    rules = CellRules(id="lens_4", zones=zones, dispensing=DISPENSING)
    return engine.plan_cell(replace(rules, **changes))


DELAYS: Mapping[str, Any] = {"on_delay_s": 2.0, "off_delay_s": 3.0, "setpoint_settle_s": 25.0}
WEAR: Mapping[str, Any] = {"is_latching": True, "deadband_k": 0.0}
OF_CELL = (
    alarm(AlarmKind.UNSEEN, on_delay_s=1.5, off_delay_s=1.0, deadband_k=0.0),
    alarm(AlarmKind.BEFORE_READY, off_delay_s=20.0, deadband_k=0.0),
    alarm(AlarmKind.POT_LIFE, on_delay_s=5.0, deadband_k=0.0, re_alarm_s=60.0),
)
"""Every alarm of a cell itself."""


def full_cell() -> CellPlan:
    """A cell without a charge of its own, its delays a few seconds."""
    return cell(
        zone(
            alarm(AlarmKind.COLD, **DELAYS, re_alarm_s=10.0),
            alarm(AlarmKind.HOT, **DELAYS, is_latching=True),
            alarm(AlarmKind.OVER_CEILING, on_delay_s=0.5, off_delay_s=1.0, deadband_k=2.0),
            alarm(AlarmKind.BUILD_UP, limit_s=2.0, **WEAR),
            alarm(AlarmKind.DEGRADATION, limit_s=5.0, **WEAR),
            output=OUTPUT,
        ),
        hose(
            alarm(AlarmKind.COLD, **DELAYS),
            alarm(AlarmKind.OVER_CEILING, **DELAYS),
        ),
        production_hold_s=5.0,
        parts=PARTS,
        charge_id=CHARGE_ID,
        wiped=WIPED,
        ambient=AMBIENT,
        alarms=OF_CELL,
    )


def thermal_cell() -> CellPlan:
    """A syringe whose core is followed by its model, a nozzle with a bare tip, moist air."""
    return cell(
        syringe(
            alarm(AlarmKind.COLD, **DELAYS, re_alarm_s=60.0),
            alarm(AlarmKind.HOT, **DELAYS),
            alarm(AlarmKind.OVER_CEILING, on_delay_s=0.5, off_delay_s=1.0, deadband_k=2.0),
            alarm(AlarmKind.DEGRADATION, limit_s=60.0, **WEAR),
        ),
        zone(
            alarm(AlarmKind.COLD, **DELAYS),
            alarm(AlarmKind.HOT, **DELAYS),
            alarm(AlarmKind.BUILD_UP, limit_s=10.0, **WEAR),
            material=AGEING,
            output=OUTPUT,
            setpoint_c=USUAL_C,
            max_gap_s=GAP_S,
            tip=TipRules(low_c=105.0, fin=FinRules(length_m=7e-3, outer_m=2.5e-3, bore_m=0.6e-3)),
        ),
        production_hold_s=15.0,
        gate_hold_s=20.0,
        parts=PARTS,
        part_id="lens_4/part_id",
        joined="lens_4/joined",
        inspection="lens_4/inspection",
        bead_width="lens_4/bead_width",
        judging=PartRules(before_loss=2, blind_s=15.0, shortest_cycle_s=5.0),
        charge_id=CHARGE_ID,
        wiped=WIPED,
        ambient=AMBIENT,
        dew_point=DEW_POINT,
        air=AirRules(line_pa=4e5, measured_pa=4e5),
        alarms=OF_CELL,
        charge=ChargeRules(
            fill_kg=0.033,
            flow_kg_per_s=4e-6,
            preheat_c=85.0,
            preheat_s=60.0,
            near_share=0.5,
            start_age_s=30.0,
        ),
    )


def tank_cell() -> CellPlan:
    """A tank that soaks by a timer and is refilled, a hose that holds melt, a measured tip."""
    joined: Mapping[str, Any] = {"material": AGEING, "max_gap_s": GAP_S}
    return cell(
        zone(
            alarm(AlarmKind.COLD, **DELAYS),
            alarm(AlarmKind.HOT, **DELAYS, is_latching=True),
            alarm(AlarmKind.OVER_CEILING, **DELAYS),
            alarm(AlarmKind.DEGRADATION, limit_s=60.0, **WEAR),
            id="tank",
            kind=ZoneKind.TANK,
            temperature=TANK,
            setpoint="housing_7/tank/setpoint",
            output="housing_7/tank/output",
            setpoint_c=USUAL_C,
            soak=SoakRules(ready_c=LOW_C, timer_s=120.0),
            **joined,
        ),
        hose(
            alarm(AlarmKind.COLD, **DELAYS),
            temperature=TANK_HOSE,
            hold_up_m3=75e-6,
            **joined,
        ),
        zone(
            alarm(AlarmKind.COLD, **DELAYS),
            alarm(AlarmKind.BUILD_UP, limit_s=10.0, **WEAR),
            temperature=TANK_NOZZLE,
            setpoint="housing_7/nozzle/setpoint",
            tip=TipRules(low_c=105.0, offset_k=5.0),
            **joined,
        ),
        id="housing_7",
        production_hold_s=15.0,
        gate_hold_s=20.0,
        dispensing="housing_7/dispensing",
        parts="housing_7/parts",
        charge_id="housing_7/charge_id",
        judging=PartRules(shortest_cycle_s=5.0, rolls_over_at=65536),
        wiped="housing_7/wiped",
        ambient="housing_7/ambient",
        air_temperature="housing_7/air_temperature",
        air_humidity="housing_7/air_humidity",
        air=AirRules(line_pa=4e5, measured_pa=1e5),
        alarms=OF_CELL,
        charge=ChargeRules(fill_kg=0.5, refill_kg=0.1, flow_kg_per_s=3e-5, start_age_s=60.0),
    )


def block(
    columns: Mapping[str, Cells],
    *,
    start_s: float = 0.0,
    period_s: float = 1.0,
    at_s: Sequence[float] | None = None,
    rows: int | None = None,
    source: str = "plc",
) -> Block:
    """Rows from plain numbers; as many as the longest column, or as told."""
    lengths = [len(cells) for cells in columns.values() if isinstance(cells, Sequence)]
    count = rows or (len(at_s) if at_s is not None else max(lengths, default=1))
    times_s = at_s if at_s is not None else [start_s + n * period_s for n in range(count)]
    mono_ns = np.array([ns(time_s) for time_s in times_s], dtype=np.int64)
    value = np.empty((count, len(columns)))
    for place, cells in enumerate(columns.values()):
        of_rows = cells if isinstance(cells, Sequence) else [cells] * count
        value[:, place] = [np.nan if number is None else number for number in of_rows]
    is_bad = np.isnan(value)
    shape = value.shape
    return Block(
        source=source,
        channels=tuple(columns),
        mono_ns=mono_ns,
        seen_ns=mono_ns + UTC_NS,
        value=value,
        quality=np.where(is_bad, Quality.BAD, Quality.GOOD).astype(np.uint8),
        reason=np.where(is_bad, Reason.STATUS, Reason.NONE).astype(np.uint8),
        status=np.zeros(shape, dtype=np.uint32),
        source_ns=np.full(shape, NO_TIME_NS, dtype=np.int64),
        server_ns=np.full(shape, NO_TIME_NS, dtype=np.int64),
    )


def nozzle(
    temps_c: Cells, *, dispensing: Cells = 1.0, setpoint_c: Cells = 115.0, **times: Any
) -> Block:
    """Rows of the nozzle and of the two signals that give its temperature a meaning."""
    return block({TEMPERATURE: temps_c, SETPOINT: setpoint_c, DISPENSING: dispensing}, **times)


def line(*points: tuple[float, float]) -> list[float]:
    """One value a second along straight lines through (second, value) points."""
    seconds, values = zip(*points, strict=True)
    return [float(v) for v in np.interp(np.arange(seconds[0], seconds[-1] + 1), seconds, values)]


def series(temps_c: Cells, *, max_gap_s: float = 3.0, **times: Any) -> Series:
    """A series from plain numbers."""
    rows = block({TEMPERATURE: temps_c}, **times)
    is_good = rows.quality[:, 0] == Quality.GOOD
    return continue_series(None, rows.mono_ns, rows.value[:, 0], is_good, max_gap_ns=ns(max_gap_s))


def run(
    plan: CellPlan, *batches: Block | Entry, state: CellState | None = None
) -> tuple[CellState, list[Event]]:
    """Batches one after the other through the cell."""
    state = state or engine.start(plan)
    events: list[Event] = []
    for batch in batches:
        state, new = engine.step(state, batch, plan)
        events += new
    return state, events


def entry(kind: EntryKind, target: str, *, at_s: float, **changes: Any) -> Entry:
    """What a person said, and why."""
    said = Entry(kind=kind, target=target, at=instant(at_s), who="operator", why="as agreed")
    return replace(said, **changes)


def instant(at_s: float) -> Instant:
    """A moment of the cell."""
    return Instant(UTC_NS + ns(at_s), ns(at_s))


def second(event: Event) -> float:
    """When it happened on the monotonic clock, in seconds."""
    return event.at.mono_ns / NANO


def of_kind(events: Sequence[Event], kind: EventKind, zone: str | None = None) -> list[Event]:
    """Events of one kind, of one zone if named."""
    return [e for e in events if e.kind is kind and zone in (None, e.zone)]


def alarm_story(events: Sequence[Event], kind: AlarmKind) -> list[tuple[float, str]]:
    """When one alarm came into which state; inputs that left the state are not told."""
    return [
        (second(event), str(event.detail("to")))
        for event in of_kind(events, EventKind.ALARM_CHANGED)
        if event.detail("alarm") == kind.value and event.detail("from") != event.detail("to")
    ]
