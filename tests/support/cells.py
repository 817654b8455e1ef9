"""A small cell for tests of the core: its rules, and blocks of readings from plain numbers."""

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
    AlarmKind,
    AlarmRules,
    CellRules,
    MaterialRules,
    Priority,
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

COLD = "lens_4/nozzle/cold"
HOT = "lens_4/nozzle/hot"
BUILD_UP = "lens_4/nozzle/build_up"
DEGRADATION = "lens_4/nozzle/degradation"
UNSEEN = "lens_4/unseen"

LOW_C, HIGH_C, CEILING_C = 110.0, 120.0, 140.0

MATERIAL = MaterialRules(
    id="demo_silicone",
    ceiling_c=CEILING_C,
    flow_ea_j_per_mol=50e3,
    degradation_ea_j_per_mol=80e3,
    source="demo: use your supplier's data sheet",
    is_demo=True,
)

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


def cell(*zones: ZoneRules, **changes: Any) -> CellPlan:
    """The plan of a cell that tells whether it dispenses."""
    rules = CellRules(id="lens_4", zones=zones, dispensing=DISPENSING)
    return engine.plan_cell(replace(rules, **changes))


def full_cell() -> CellPlan:
    """A cell with every signal and every alarm, its delays a few seconds."""
    delays = {"on_delay_s": 2.0, "off_delay_s": 3.0}
    wear = {"is_latching": True, "deadband_k": 0.0}
    return cell(
        zone(
            alarm(AlarmKind.COLD, **delays, re_alarm_s=10.0),
            alarm(AlarmKind.HOT, **delays, is_latching=True),
            alarm(AlarmKind.OVER_CEILING, on_delay_s=0.5, off_delay_s=1.0, deadband_k=2.0),
            alarm(AlarmKind.BUILD_UP, limit_s=2.0, **wear),
            alarm(AlarmKind.DEGRADATION, limit_s=5.0, **wear),
            output=OUTPUT,
        ),
        hose(
            alarm(AlarmKind.COLD, **delays),
            alarm(AlarmKind.OVER_CEILING, **delays),
        ),
        production_hold_s=5.0,
        parts=PARTS,
        charge_id=CHARGE_ID,
        wiped=WIPED,
        ambient=AMBIENT,
        alarms=(alarm(AlarmKind.UNSEEN, on_delay_s=1.5, off_delay_s=1.0, deadband_k=0.0),),
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
    """What a person said."""
    return Entry(kind=kind, target=target, at=instant(at_s), who="operator", **changes)


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
