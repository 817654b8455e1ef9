"""A piece of a block as the diagnosis needs it, and the findings for the outputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.bins import BIN_S, NONE_MK, CellInput, ZoneInput
from watchedpot.core.causes import ACTIONS
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.columns import CellColumns
from watchedpot.core.diagnosis import Diagnosed, Diagnosis, diagnose, explained
from watchedpot.core.doubts import Turn
from watchedpot.core.findings import RANKS, Finding, finding_snapshot
from watchedpot.core.forecast import leaving
from watchedpot.core.model import Entry, EntryKind, EventKind
from watchedpot.core.series import Held, hold
from watchedpot.core.signs import PHASE_CODE
from watchedpot.core.snapshot import AlarmSnapshot, Cause, FindingSnapshot, LeavingSnapshot
from watchedpot.core.units import ns
from watchedpot.core.walk import Filed, ZoneEdge, ZoneTrace
from watchedpot.core.zone import NEVER_NS, Columns, ZonePlan, ZoneState

NEW_CHARGE_NS = ns(10.0)
"""For so long after it was loaded a charge has just come. [ns]"""


def inquire(
    before: CellState,
    cell: CellColumns,
    piece: slice,
    *,
    traces: Sequence[ZoneTrace | None],
    filed: Sequence[Filed],
    plan: CellPlan,
) -> tuple[Diagnosis, list[Filed], list[Turn]]:
    """The causes after a piece of a block, what is told of them, and doubts about parts.

    Parameters
    ----------
    before
        The cell before the piece.
    traces
        What each zone was over it; None for those of which the block says nothing.
    filed
        All that happened in it so far, by which its alarms are known at each row.
    """
    if not plan.diagnosis.roles:
        return before.diagnosis, [], []
    zones = {
        zone.id: _zone_input(zone, zone_plan, trace, cell, piece)
        for zone, zone_plan, trace in zip(before.zones, plan.zones, traces, strict=True)
        if trace is not None
    }
    if not zones:
        return before.diagnosis, [], []
    found: Diagnosed = diagnose(
        before.diagnosis,
        cell.block.source,
        _cell_input(before, cell, piece, plan),
        zones,
        plan=plan.diagnosis,
        alarms_at=lambda row: _alarms_at(row, before, filed, plan),
    )
    return found.state, [(told.row + 1, told.event) for told in found.told], found.turns


def _cell_input(before: CellState, cell: CellColumns, piece: slice, plan: CellPlan) -> CellInput:
    """What the rows say of the cell."""
    mono_ns = cell.block.mono_ns[piece]
    wiped = cell.columns(plan.rules.wiped, piece)
    is_wiped = np.zeros(mono_ns.size, dtype=np.bool_)
    if wiped is not None:
        is_wiped = wiped.is_good & (wiped.value > 0)
    loaded = before.charge.loaded
    age_ns = mono_ns - (loaded.mono_ns if loaded is not None else -NEVER_NS)
    return CellInput(
        mono_ns,
        cell.block.seen_ns[piece],
        cell.dispensing[piece] > 0,
        is_wiped,
        cell.in_production[piece],
        (age_ns >= 0) & (age_ns <= NEW_CHARGE_NS),
    )


def _zone_input(
    zone: ZoneState, plan: ZonePlan, trace: ZoneTrace, cell: CellColumns, piece: slice
) -> ZoneInput:
    """What the rows say of a zone."""
    mono_ns, rules = cell.block.mono_ns[piece], plan.rules
    phase = np.empty(mono_ns.size + 1, dtype=np.int8)
    for row, entered in trace.phases:
        phase[row:] = PHASE_CODE[entered]
    is_good = trace.series.is_good[1:]
    return ZoneInput(
        trace.series.value[1:],
        is_good,
        _told(zone.output, mono_ns, cell.columns(rules.output, piece), plan.max_gap_ns),
        _told(zone.setpoint, mono_ns, cell.columns(rules.setpoint, piece), NEVER_NS),
        cell.ambient_c[piece],
        phase[1:],
        cell.reason[piece, cell.places[rules.temperature]],
    )


def _told(
    before: Held | None, mono_ns: NDArray[np.int64], columns: Columns | None, limit_ns: int
) -> NDArray[np.float64]:
    """The newest good value of a channel at each row, nan where none is known or young enough.

    A channel of another source stands as it was when that source last spoke, which may be later.
    """
    if columns is None:
        nothing = np.zeros(mono_ns.size, dtype=np.bool_)
        columns = Columns(np.zeros(mono_ns.size), nothing)
    return hold(before, mono_ns, columns.value, columns.is_good, limit_ns=limit_ns)


def _alarms_at(
    row: int, before: CellState, filed: Sequence[Filed], plan: CellPlan
) -> tuple[tuple[str, str], ...]:
    """Names and zones of the alarms that are on after a row of the piece, counted from 0."""
    stages = {track.id: track.alarm.stage for zone in before.zones for track in zone.tracks}
    stages |= {track.id: track.alarm.stage for track in before.tracks}
    for shown_by, event in filed:
        if event.kind is EventKind.ALARM_CHANGED and shown_by <= row + 1:
            name = "/".join(p for p in (event.cell, event.zone, str(event.detail("alarm"))) if p)
            stage = event.detail("stage")
            stages[name] = stage if isinstance(stage, int) else 0
    alarms = [alarm for zone in plan.zones for alarm in zone.alarms]
    return tuple(
        (alarm.id, alarm.zone) for alarm in (*alarms, *plan.alarms) if stages.get(alarm.id)
    )


def finding_snapshots(
    state: Diagnosis, alarms: Sequence[AlarmSnapshot], plan: CellPlan
) -> tuple[FindingSnapshot, ...]:
    """The findings for the outputs: those that last, the worst first, then the newest ended."""
    on = tuple((alarm.id, alarm.zone) for alarm in alarms if alarm.stage)
    lasting = sorted(state.findings, key=lambda one: (RANKS[one.severity], -one.number))
    return tuple(_snapshot(one, on, plan) for one in (*lasting, *state.ended))


def _snapshot(
    finding: Finding, alarms: tuple[tuple[str, str], ...], plan: CellPlan
) -> FindingSnapshot:
    """One finding; an ended one explains no alarm that is on now."""
    names = () if finding.ended is not None else explained(finding, alarms)
    return finding_snapshot(
        finding, cell=plan.rules.id, alarms=names, action=ACTIONS[finding.cause]
    )


def unsaid_charges(before: CellState, filed: Sequence[Filed], plan: CellPlan) -> list[ZoneEdge]:
    """Dips that a finding lays to another charge, when somebody must have said so.

    That is when production starts while it lasts, or when it is over: whoever loads a charge
    seldom says so before it is in.

    Parameters
    ----------
    before
        The cell before a piece.
    filed
        All that happened in the piece, with the rows that show it.
    """
    onsets_ns = {
        f"{plan.rules.id}/{one.number}": (one.zones[0], one.onset.mono_ns)
        for one in before.diagnosis.findings
        if one.cause is Cause.CHARGE_CHANGE
    }
    found = []
    for row, event in sorted(filed, key=lambda pair: pair[0]):
        name = str(event.detail("finding"))
        is_over = event.kind is EventKind.FINDING_ENDED and name in onsets_ns
        if is_over or (event.kind is EventKind.PRODUCTION_STARTED and onsets_ns):
            zone, onset_ns = onsets_ns.get(name) or next(iter(onsets_ns.values()))
            at_ns = event.at.mono_ns
            found.append(ZoneEdge(row, at_ns, zone, "is_unsaid", is_on=False, since_ns=onset_ns))
        if event.kind in _FINDING_TOLD:
            onsets_ns.pop(name, None)
            onset = event.detail("onset_ns")
            if event.detail("cause") == Cause.CHARGE_CHANGE and isinstance(onset, int):
                onsets_ns[name] = (event.zone, onset)
        elif is_over:
            del onsets_ns[name]
    return found


_FINDING_TOLD = frozenset({EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED})

LOOKED_BACK = 16
"""Bins through which the course of a zone is laid: half a minute. [1]"""


def leavings(state: Diagnosis, plan: CellPlan) -> dict[str, LeavingSnapshot]:
    """Zones on their way out of their windows, by name."""
    found = {}
    for watch in state.sources:
        for name, carried in zip(watch.zones, watch.carried, strict=True):
            rules = next((zone.rules for zone in plan.zones if zone.rules.id == name), None)
            temps_mk = np.array(carried.temp_mk[-LOOKED_BACK:], dtype=np.int64)
            is_known = temps_mk != NONE_MK
            if rules is None or not temps_mk.size or not is_known[-1]:
                continue
            time_s = np.flatnonzero(is_known).astype(np.float64) * BIN_S
            out = leaving(
                time_s, temps_mk[is_known] / 1000.0, low_c=rules.low_c, high_c=rules.high_c
            )
            if out is not None:
                found[name] = out
    return found


def entered(state: CellState, entry: Entry) -> CellState:
    """The cell after what a person said of it and that was taken.

    A reference check is what a slipped sensor asks for: after it the finding lasts only as long
    as it shows. Whether the check has failed is told by the check.
    """
    if entry.kind is not EntryKind.CHECK:
        return state
    zone = entry.target.rpartition("/")[2]
    findings = tuple(
        replace(one, is_confirmed=True) if zone in one.zones else one
        for one in state.diagnosis.findings
    )
    return replace(state, diagnosis=replace(state.diagnosis, findings=findings))
