"""One cell as one pure function: ``step(state, batch, plan) -> (state, events)``.

A batch is a block of readings of one source, or what a person said. The engine takes the cell's
own signals (dispensing, parts, charge, wiped) out of the block, cuts the block where one of them
resets an index, runs every zone over each piece and then the cell itself, and puts the events in
one order: that of the rows that show them, so that no cutting of a series can reorder them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from watchedpot.core import dose, entries, inquiry, loads, readiness, tank, tracks
from watchedpot.core.cell import CellPlan, CellState, adopt, plan_cell, start
from watchedpot.core.charges import Outlook, outlook
from watchedpot.core.columns import CellColumns
from watchedpot.core.judging import Walked, judge
from watchedpot.core.model import Block, Detail, Entry, Event, EventKind, Instant
from watchedpot.core.rules import ZoneKind
from watchedpot.core.series import Held
from watchedpot.core.snapshot import AirSnapshot, CellSnapshot, ChargeSnapshot, ZoneSnapshot
from watchedpot.core.units import ns, seconds
from watchedpot.core.walk import Filed, ZoneEdge, ZoneTrace, step_zone
from watchedpot.core.watch import watch
from watchedpot.core.zone import hold_up_of, noted_zone, zone_snapshot

__all__ = ["CellPlan", "CellState", "adopt", "plan_cell", "snapshot", "start", "step"]


def step(
    state: CellState, batch: Block | Entry, plan: CellPlan
) -> tuple[CellState, tuple[Event, ...]]:
    """One batch through the cell.

    Any cut of a series of rows into blocks gives the same state and the same events. It never
    raises on what the wire may bring: any quality, nan, order, repeats.

    Parameters
    ----------
    state : CellState
        Before.
    batch : Block or Entry
        Rows of one source, or what a person said.
    plan : CellPlan
        The cell.

    Returns
    -------
    state : CellState
        After.
    events : tuple of Event
        In the order of the rows that show them.
    """
    if isinstance(batch, Entry):
        state, told = entries.enter(state, batch, plan)
        if any(event.kind is EventKind.ENTERED for event in told):
            state = inquiry.entered(state, batch)
        return state, tuple(told)
    block = _fresh_rows(batch, dict(state.rows).get(batch.source))
    if len(block) < len(batch):
        state = replace(state, ignored_rows=state.ignored_rows + len(batch) - len(block))
    if not len(block):
        return state, ()
    events: list[Event] = []
    cell = CellColumns(state, block, plan)
    first = 0
    for stop in (*(row + 1 for row in cell.cuts()), len(block)):
        while first < stop:
            piece = _run_piece(state, cell, slice(first, stop), plan)
            if piece.dip is not None and first + piece.dip.row < stop:
                # What follows may lie behind another charge, and says nothing about this dip.
                piece = _run_piece(state, cell, slice(first, first + piece.dip.row), plan)
            state, first = piece.state, piece.rows.stop
            events += [event for _, event in piece.filed]
            state, new = _run_signals(state, cell, piece, plan)
            events += new
    return state, tuple(events)


def _fresh_rows(block: Block, before_ns: int | None) -> Block:
    """The rows that are later than all before them; a repeat or a late row says nothing new."""
    mono_ns = block.mono_ns
    if not mono_ns.size:
        return block
    floor_ns = before_ns if before_ns is not None else int(mono_ns[0]) - 1
    newest = np.maximum.accumulate(np.concatenate(([floor_ns], mono_ns)))
    is_new = mono_ns > newest[:-1]
    return block if is_new.all() else block.select(is_new)


class _Piece(NamedTuple):
    """The cell after some rows of a block.

    Attributes
    ----------
    rows
        Which rows.
    filed
        Events with the rows that show them, counted from 1 in the piece, in order.
    dip
        The first dip of the reservoir that could be that of another charge, or that is laid to one.
    """

    rows: slice
    state: CellState
    filed: list[Filed]
    dip: ZoneEdge | None


def _run_piece(state: CellState, cell: CellColumns, piece: slice, plan: CellPlan) -> _Piece:
    """Some rows through the zones, then through the cell itself."""
    before = state
    filed, edges = _production(state, cell, piece, plan), list[ZoneEdge]()
    zones, traces = [], list[ZoneTrace | None]()
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        rows = cell.zone_rows(piece, zone_plan)
        if rows is None:
            mono_ns = cell.block.mono_ns[piece]
            setpoint = cell.columns(zone_plan.rules.setpoint, piece)
            output = cell.columns(zone_plan.rules.output, piece)
            zones.append(noted_zone(zone, mono_ns, setpoint, output))
            traces.append(None)
            continue
        after, new, told, trace = step_zone(zone, rows, zone_plan)
        zones.append(after)
        traces.append(trace)
        filed += new
        edges += told
    state = replace(state, zones=tuple(zones))
    watched = watch(state, cell, piece, edges, plan)
    filed += watched.filed
    # A part is judged by the findings as they are with the row that counts it.
    diagnosis, suspected, turns = inquiry.inquire(
        before, cell, piece, traces=traces, filed=filed, plan=plan
    )
    filed += suspected
    dips = [edge for edge in edges if edge.name == "is_dip"]
    dips += inquiry.unsaid_charges(before, filed, plan)
    dip = min(dips, key=lambda edge: edge.row, default=None)
    made = judge(before, cell, piece, Walked(traces, edges, turns), plan)
    filed += made.filed
    filed.sort(key=lambda pair: pair[0])
    known = replace(watched.state, parts=made.parts, diagnosis=diagnosis)
    after_piece = _closed(known, cell, piece, plan, made.counted_ns)
    return _Piece(piece, after_piece, filed, dip)


def _is_alone(dip: ZoneEdge, state: CellState) -> bool:
    """Whether no other zone dipped with the reservoir; a dip they share has another cause."""
    return not any(
        zone.id != dip.zone and (zone.is_dipped or zone.dip_ended_ns >= dip.since_ns)
        for zone in state.zones
    )


def _closed(
    state: CellState, cell: CellColumns, piece: slice, plan: CellPlan, counted_ns: int | None
) -> CellState:
    """The cell with its own signals as of the end of a piece."""
    at = cell.instant(piece.stop - 1)
    newest = at if state.at is None or at.mono_ns >= state.at.mono_ns else state.at
    flowed = cell.block.mono_ns[piece][cell.dispensing[piece] > 0]
    last_flowed, fresh_ns = state.last_dispensing_ns, state.fresh_ns
    if flowed.size and (last_flowed is None or flowed[-1] > last_flowed):
        last_flowed = int(flowed[-1])
    newest_ns = [*flowed[-1:].tolist(), *([] if counted_ns is None else [counted_ns])]
    fresh_ns = max(newest_ns, default=fresh_ns)
    named_ns = cell.newest_name(piece)
    is_known = plan.rules.dispensing is not None
    return replace(
        state,
        at=newest,
        rows=tuple(sorted((dict(state.rows) | {cell.block.source: at.mono_ns}).items())),
        gates=cell.gates(state.gates, piece),
        last_dispensing_ns=last_flowed,
        fresh_ns=fresh_ns,
        named_ns=state.named_ns if named_ns is None else named_ns,
        is_in_production=bool(cell.in_production[piece.stop - 1]) if is_known else None,
    )


def _production(state: CellState, cell: CellColumns, piece: slice, plan: CellPlan) -> list[Filed]:
    """Events of production starting and stopping, whichever source brings the row that shows it."""
    if plan.rules.dispensing is None:
        return []
    producing = cell.in_production[piece]
    before = np.concatenate(([bool(state.is_in_production)], producing[:-1]))
    filed = []
    for n in np.flatnonzero(producing != before).tolist():
        row = piece.start + n
        kind = EventKind.PRODUCTION_STARTED if producing[n] else EventKind.PRODUCTION_STOPPED
        parts = cell.parts[row]
        details: tuple[tuple[str, Detail], ...] = (
            ("parts", int(parts) if np.isfinite(parts) else None),
        )
        filed.append((n + 1, Event(kind, cell.instant(row), plan.rules.id, "", details)))
    return filed


def _run_signals(
    state: CellState, cell: CellColumns, piece: _Piece, plan: CellPlan
) -> tuple[CellState, list[Event]]:
    """What the signals of the last row of a piece reset, and what its zones made doubtful."""
    events: list[Event] = []
    row = piece.rows.stop - 1
    at = cell.instant(row)
    if piece.dip is not None and _is_alone(piece.dip, state):
        state, events = loads.suspect_change(state, plan, at, piece.dip)
    if row in cell.wipes:
        state, new = entries.wipe(state, plan, at)
        events += new
    if row in cell.charges:
        state, new = loads.name_charge(state, plan, at, cell.charges[row])
        events += new
    return state, events


def snapshot(state: CellState, plan: CellPlan) -> CellSnapshot | None:
    """The cell for the outputs; None before its first row."""
    if state.at is None:
        return None
    now_ns, rules = state.at.mono_ns, plan.rules
    alarms = [
        tracks.alarm_snapshot(track, alarm)
        for zone, zone_plan in zip(state.zones, plan.zones, strict=True)
        for track, alarm in zip(zone.tracks, zone_plan.alarms, strict=True)
    ]
    alarms += map(tracks.alarm_snapshot, state.tracks, plan.alarms)
    flows, parts, ambient_c = (
        None if held is None or now_ns - held.mono_ns > plan.gate_hold_ns else held.value
        for held in (state.gates.dispensing, state.gates.parts, state.gates.ambient)
    )
    life = loads.life_of(state, plan)
    left = Outlook() if life is None else outlook(state.charge, life, rules)
    ways_out = inquiry.leavings(state.diagnosis, plan)
    zones = tuple(
        zone_snapshot(
            zone,
            zone_plan,
            ambient_c=_ambient_c(state, plan),
            use_kg_per_s=left.use_kg_per_s,
            charge=rules.charge,
            leaving=ways_out.get(zone.id) if zone.is_seen else None,
        )
        for zone, zone_plan in zip(state.zones, plan.zones, strict=True)
    )
    charge = _charge_snapshot(state, plan, left, zones)
    findings = inquiry.finding_snapshots(state.diagnosis, alarms, plan)
    return CellSnapshot(
        id=rules.id,
        at=state.at,
        zones=zones,
        alarms=tuple(alarms),
        is_dispensing=None if flows is None else flows > 0,
        is_in_production=state.is_in_production,
        parts=None if parts is None else int(parts),
        charge=charge,
        advice=readiness.advice(
            zones,
            alarms,
            charge,
            is_stale_melt=_is_stale_melt(state, plan),
            is_new_charge=state.charge.loaded is not None and state.fresh_ns is None,
            findings=findings,
        ),
        ambient_c=ambient_c,
        ignored_rows=state.ignored_rows,
        air=_air_snapshot(state, plan),
        judged=state.parts.judged if rules.parts or rules.part_id else (),
        idle_since=_idle_since(state),
        findings=findings if plan.rules.finds_causes else None,
    )


def _idle_since(state: CellState) -> Instant | None:
    """When melt last flowed, by the UTC of the newest row."""
    if state.at is None or state.last_dispensing_ns is None:
        return None
    utc_ns = state.at.utc_ns + state.last_dispensing_ns - state.at.mono_ns
    return Instant(utc_ns, state.last_dispensing_ns)


def _ambient_c(state: CellState, plan: CellPlan) -> float:
    """Room temperature, told or assumed."""
    told: Held | None = state.gates.ambient
    return plan.rules.ambient_c if told is None else told.value


def _is_stale_melt(state: CellState, plan: CellPlan) -> bool:
    """Whether melt has stood in the nozzle for longer than it may."""
    if plan.rules.dispensing is None or state.at is None:
        return False
    longest_ns = ns(plan.rules.purge_after_idle_s)
    return state.fresh_ns is None or state.at.mono_ns - state.fresh_ns > longest_ns


def _charge_snapshot(
    state: CellState, plan: CellPlan, left: Outlook, zones: tuple[ZoneSnapshot, ...]
) -> ChargeSnapshot:
    """The charge for the outputs."""
    charge, zone = state.charge, plan.charge_zone
    ageing = None if zone is None else zone.rules.material.ageing
    aged = None
    if ageing is not None and plan.reservoir is not None:
        aged = state.zones[plan.reservoir].dose
    residence_s, older_share = _tank_figures(plan, left, zones)
    return ChargeSnapshot(
        id=charge.id,
        state=charge.state,
        loaded=charge.loaded,
        is_age_known=charge.is_age_known and not charge.is_doubted,
        is_overheated=charge.is_overheated,
        dose_low_s=None if aged is None else seconds(aged.low_ns),
        dose_high_s=None if aged is None else seconds(aged.high_ns),
        pot_life_s=None if ageing is None else ageing.pot_life_s,
        life_used=left.life_used,
        estimated_share=None if aged is None else dose.estimated_share(aged),
        expires_in_s=left.expires_in_s,
        mass_kg=left.mass_kg,
        empty_in_s=left.empty_in_s,
        left_at_expiry=left.left_at_expiry,
        residence_s=residence_s,
        older_share=older_share,
    )


def _tank_figures(
    plan: CellPlan, left: Outlook, zones: tuple[ZoneSnapshot, ...]
) -> tuple[float | None, float | None]:
    """Mean residence in a tank, and the share of delivered melt that is older than its pot life."""
    zone = plan.charge_zone
    if zone is None or zone.rules.kind is not ZoneKind.TANK or plan.reservoir is None:
        return None, None
    if left.mass_kg is None or left.use_kg_per_s is None:
        return None, None
    residence_s = tank.mean_residence_s(mass_kg=left.mass_kg, flow_kg_per_s=left.use_kg_per_s)
    material, temp_c = zone.rules.material, zones[plan.reservoir].temp_c
    if material.ageing is None or temp_c is None:
        return residence_s, None
    life_s = dose.expires_in_s(dose.Dose(), temp_c, material.ageing, ceiling_c=material.ceiling_c)
    if life_s is None:
        return residence_s, 0.0
    hold_up_kg = sum(hold_up_of(other.rules) or 0.0 for other in plan.zones)
    delay_s = tank.transport_delay_s(hold_up_kg=hold_up_kg, flow_kg_per_s=left.use_kg_per_s)
    return residence_s, tank.older_share(life_s, residence_s=residence_s, delay_s=delay_s)


def _air_snapshot(state: CellState, plan: CellPlan) -> AirSnapshot | None:
    """The dispensing air for the outputs."""
    if plan.moist is None or state.at is None:
        return None
    air = state.air
    is_now = air is not None and air.is_good and state.at.mono_ns - air.mono_ns <= plan.gate_hold_ns
    return AirSnapshot(
        air.value if air is not None and is_now else None, plan.moist.limit, state.is_moist
    )
