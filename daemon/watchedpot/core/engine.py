"""One cell as one pure function: ``step(state, batch, plan) -> (state, events)``.

A batch is a block of readings of one source, or what a person said. The engine takes the cell's
own signals (dispensing, parts, charge, wiped) out of the block, cuts the block where one of them
resets an index, runs every zone over each piece, and puts the events in one order: that of the
rows that show them, so that no cutting of a series can reorder them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import tracks
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.model import (
    Block,
    Detail,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Quality,
    Reason,
)
from watchedpot.core.rules import AlarmKind, CellRules
from watchedpot.core.series import Edge, Held, hold
from watchedpot.core.snapshot import CellSnapshot
from watchedpot.core.tracks import AlarmPlan, Change, Track
from watchedpot.core.units import ns
from watchedpot.core.walk import Filed, step_zone
from watchedpot.core.zone import (
    Columns,
    ZonePlan,
    ZoneRows,
    ZoneState,
    adopted_zone,
    alarm_event,
    newest_of,
    noted_zone,
    overheating_event,
    plan_zone,
    recharged_zone,
    shown_c,
    start_zone,
    wiped_zone,
    zone_snapshot,
)

_T = TypeVar("_T")

LONGEST_SHELVING_S = 86_400.0
"""Longest time an alarm can be put aside [s]: a day, so that each shift or its next one sees it."""

# Looked up once: these stand on the path of every row.
_GOOD = int(Quality.GOOD)
_WORST_QUALITY = int(max(Quality))
_LAST_REASON = int(max(Reason))
_WHOLE = slice(None)


@dataclass(frozen=True, slots=True)
class CellPlan:
    """What a cell's rules come to, computed once."""

    rules: CellRules
    zones: tuple[ZonePlan, ...]
    unseen: AlarmPlan | None
    production_hold_ns: int
    gate_hold_ns: int


def plan_cell(rules: CellRules) -> CellPlan:
    """The plan of one cell."""
    unseen = rules.alarm(AlarmKind.UNSEEN)
    name = f"{rules.id}/{AlarmKind.UNSEEN.value}"
    return CellPlan(
        rules,
        tuple(plan_zone(rules.id, zone) for zone in rules.zones),
        AlarmPlan(name, rules.id, "", (unseen,)) if unseen else None,
        ns(rules.production_hold_s),
        ns(rules.gate_hold_s),
    )


@dataclass(frozen=True, slots=True)
class Gates:
    """The newest good value of each of the cell's own signals."""

    dispensing: Held | None = None
    parts: Held | None = None
    charge_id: Held | None = None
    wiped: Held | None = None
    ambient: Held | None = None


@dataclass(frozen=True, slots=True)
class CellState:
    """All that a cell carries from batch to batch; a value, never changed in place.

    Attributes
    ----------
    at
        The newest row.
    rows
        Monotonic time of the newest row of each source, by name. [ns]
    named_charge
        The charge that the controller last named; a person may have said another since.
    last_dispensing_ns
        The newest row that showed melt flowing, None if none did. [ns]
    is_in_production
        None while it is not known.
    unseen_zones
        Names of the zones that are not seen.
    """

    zones: tuple[ZoneState, ...]
    unseen: Track | None
    at: Instant | None = None
    rows: tuple[tuple[str, int], ...] = ()
    gates: Gates = field(default_factory=Gates)
    last_dispensing_ns: int | None = None
    is_in_production: bool | None = None
    charge_id: str | None = None
    named_charge: str | None = None
    is_overheated: bool = False
    unseen_zones: tuple[str, ...] = ()
    ignored_rows: int = 0


def start(plan: CellPlan) -> CellState:
    """The cell before its first reading: nothing is known, every zone unseen."""
    return CellState(
        zones=tuple(start_zone(zone) for zone in plan.zones),
        unseen=tracks.new_track(plan.unseen) if plan.unseen else None,
        unseen_zones=tuple(zone.rules.id for zone in plan.zones),
    )


def adopt(state: CellState, plan: CellPlan) -> CellState:
    """A recorded state under the present configuration, matched by name.

    What the configuration still has goes on; what is new starts; what is gone is forgotten.
    """
    known = {zone.id: zone for zone in state.zones}
    fresh = start(plan)
    zones = tuple(
        adopted_zone(known[zone.id], zone_plan) if zone.id in known else zone
        for zone, zone_plan in zip(fresh.zones, plan.zones, strict=True)
    )
    names = {zone.id for zone in zones}
    seen = (names & known.keys()) - set(state.unseen_zones)
    return replace(
        state,
        zones=zones,
        unseen=fresh.unseen if state.unseen is None or fresh.unseen is None else state.unseen,
        unseen_zones=tuple(sorted(names - seen)),
    )


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
        return _enter(state, batch, plan)
    before = dict(state.rows).get(batch.source)
    block = _fresh_rows(batch, before)
    if len(block) < len(batch):
        state = replace(state, ignored_rows=state.ignored_rows + len(batch) - len(block))
    if not len(block):
        return state, ()
    events: list[Event] = []
    cell = _CellColumns(state, block, plan)
    first = 0
    for last in cell.cuts():
        state, new = _run_piece(state, cell, first, last + 1, plan)
        events += new
        state, new = _run_signals(state, cell, last, plan)
        events += new
        first = last + 1
    if first < len(block):
        state, new = _run_piece(state, cell, first, len(block), plan)
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


class _CellColumns:
    """The cell's own signals over one block; lives as long as the call."""

    def __init__(self, state: CellState, block: Block, plan: CellPlan) -> None:
        self.block = block
        self.plan = plan
        self.places = {name: n for n, name in enumerate(block.channels)}
        self.quality = np.minimum(block.quality, _WORST_QUALITY)
        self.reason = np.minimum(block.reason, _LAST_REASON)
        self.is_good = (block.quality == _GOOD) & np.isfinite(block.value)
        rules, gates = plan.rules, state.gates
        # Without the signal melt is never known to flow, nor is it ever in doubt.
        unknown = 0 if rules.dispensing is None else -1
        flows = self._held(rules.dispensing, gates.dispensing)
        self.dispensing = np.where(np.isnan(flows), unknown, flows > 0).astype(np.int8)
        self.parts = self._held(rules.parts, gates.parts)
        self.wipes = self._wipe_rows(gates.wiped)
        self.charges = self._charge_rows(state.named_charge)
        self.in_production = self._in_production(state.last_dispensing_ns)

    def columns(self, name: str | None, piece: slice = _WHOLE) -> Columns | None:
        """Value and goodness of one channel, None where the block has no such channel."""
        place = self.places.get(name or "")
        if place is None:
            return None
        return Columns(self.block.value[piece, place], self.is_good[piece, place])

    def _held(self, name: str | None, before: Held | None) -> NDArray[np.float64]:
        """Newest good value of a signal at each row, nan where none is known."""
        mono_ns = self.block.mono_ns
        columns = self.columns(name)
        if columns is None:
            nothing = np.zeros(mono_ns.size, dtype=np.bool_)
            columns = Columns(np.zeros(mono_ns.size), nothing)
        return hold(
            before, mono_ns, columns.value, columns.is_good, limit_ns=self.plan.gate_hold_ns
        )

    def _in_production(self, before_ns: int | None) -> NDArray[np.bool_]:
        """Whether melt flowed no longer ago than the hold, at each row."""
        mono_ns = self.block.mono_ns
        if self.plan.rules.dispensing is None:
            return np.ones(mono_ns.size, dtype=np.bool_)
        long_ago = int(mono_ns[0]) - self.plan.production_hold_ns - 1
        flowed = np.where(self.dispensing > 0, mono_ns, long_ago)
        flowed[0] = max(int(flowed[0]), long_ago if before_ns is None else before_ns)
        return mono_ns - np.maximum.accumulate(flowed) <= self.plan.production_hold_ns

    def cuts(self) -> list[int]:
        """Rows behind which something is reset, in order."""
        return sorted({*self.wipes, *self.charges})

    def _good_rows(self, name: str | None) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Rows with a good value of a signal, and these values."""
        columns = self.columns(name)
        if columns is None:
            return np.empty(0, dtype=np.int64), np.empty(0)
        rows = np.flatnonzero(columns.is_good)
        return rows, columns.value[rows]

    def _wipe_rows(self, before: Held | None) -> frozenset[int]:
        """Rows where a wipe begins: seen not to be, then seen to be; a gap begins nothing."""
        rows, value = self._good_rows(self.plan.rules.wiped)
        if not (value > 0).any():
            return frozenset()
        is_wiped = np.concatenate(([before is None or before.value > 0], value > 0))
        return frozenset(rows[is_wiped[1:] & ~is_wiped[:-1]].tolist())

    def _charge_rows(self, before: str | None) -> dict[int, str]:
        """Rows where another charge is named; 0 is no name (a controller that restarts)."""
        rows, value = self._good_rows(self.plan.rules.charge_id)
        rows, value = rows[value >= 1], np.floor(value[value >= 1])
        if not rows.size or (charge_name(value[0]) == before and (value == value[0]).all()):
            return {}
        changes = np.concatenate(([charge_name(value[0]) != before], value[1:] != value[:-1]))
        return {
            row: charge_name(number)
            for row, number in zip(rows[changes].tolist(), value[changes].tolist(), strict=True)
        }

    def instant(self, row: int) -> Instant:
        """The moment of a row."""
        return Instant(int(self.block.seen_ns[row]), int(self.block.mono_ns[row]))


def charge_name(number: float) -> str:
    """Name of a charge from the number a controller gives it."""
    return str(int(number))


def _run_piece(
    state: CellState, cell: _CellColumns, first: int, stop: int, plan: CellPlan
) -> tuple[CellState, list[Event]]:
    """Rows ``first`` to ``stop`` through the zones."""
    piece = slice(first, stop)
    filed, sights = _production(state, cell, piece, plan), list[tuple[str, tuple[Edge, ...]]]()
    zones = []
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        rows = _zone_rows(cell, piece, zone_plan)
        if rows is None:
            mono_ns = cell.block.mono_ns[piece]
            setpoint = cell.columns(zone_plan.rules.setpoint, piece)
            output = cell.columns(zone_plan.rules.output, piece)
            zones.append(noted_zone(zone, mono_ns, setpoint, output))
            continue
        zone, new, sight = step_zone(zone, rows, zone_plan)  # noqa: PLW2901
        zones.append(zone)
        filed += new
        sights.append((zone_plan.rules.id, sight))
    unseen, unseen_zones, new = _watch_sight(state, cell, piece, sights, plan)
    filed += new
    filed.sort(key=lambda pair: pair[0])
    at = cell.instant(stop - 1)
    newest = at if state.at is None or at.mono_ns >= state.at.mono_ns else state.at
    flowed = cell.block.mono_ns[piece][cell.dispensing[piece] > 0]
    last_flowed = state.last_dispensing_ns
    if flowed.size and (last_flowed is None or flowed[-1] > last_flowed):
        last_flowed = int(flowed[-1])
    is_known = plan.rules.dispensing is not None
    state = replace(
        state,
        zones=tuple(zones),
        unseen=unseen,
        at=newest,
        rows=tuple(sorted((dict(state.rows) | {cell.block.source: at.mono_ns}).items())),
        gates=_newest_gates(state.gates, cell, piece, plan),
        last_dispensing_ns=last_flowed,
        is_in_production=bool(cell.in_production[stop - 1]) if is_known else None,
        unseen_zones=unseen_zones,
    )
    return _first_overheating(state, [event for _, event in filed])


def _zone_rows(cell: _CellColumns, piece: slice, plan: ZonePlan) -> ZoneRows | None:
    """What a piece says of one zone, None if nothing of its temperature."""
    place = cell.places.get(plan.rules.temperature)
    if place is None:
        return None
    block = cell.block
    return ZoneRows(
        mono_ns=block.mono_ns[piece],
        seen_ns=block.seen_ns[piece],
        temp_c=block.value[piece, place],
        quality=cell.quality[piece, place],
        reason=cell.reason[piece, place],
        status=block.status[piece, place],
        setpoint=cell.columns(plan.rules.setpoint, piece),
        output=cell.columns(plan.rules.output, piece),
        dispensing=cell.dispensing[piece],
        is_in_production=cell.in_production[piece],
        parts=cell.parts[piece],
    )


def _production(state: CellState, cell: _CellColumns, piece: slice, plan: CellPlan) -> list[Filed]:
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


def _newest_gates(before: Gates, cell: _CellColumns, piece: slice, plan: CellPlan) -> Gates:
    """The cell's own signals as of the end of a piece."""
    mono_ns, rules = cell.block.mono_ns[piece], plan.rules
    return Gates(
        newest_of(before.dispensing, mono_ns, cell.columns(rules.dispensing, piece)),
        newest_of(before.parts, mono_ns, cell.columns(rules.parts, piece)),
        newest_of(before.charge_id, mono_ns, cell.columns(rules.charge_id, piece)),
        newest_of(before.wiped, mono_ns, cell.columns(rules.wiped, piece)),
        newest_of(before.ambient, mono_ns, cell.columns(rules.ambient, piece)),
    )


def _watch_sight(
    state: CellState,
    cell: _CellColumns,
    piece: slice,
    sights: list[tuple[str, tuple[Edge, ...]]],
    plan: CellPlan,
) -> tuple[Track | None, tuple[str, ...], list[Filed]]:
    """The alarm of the cell that some zone is not seen: one for all zones, for one cause."""
    mono_ns = cell.block.mono_ns[piece]
    unseen, track, filed = set(state.unseen_zones), state.unseen, list[Filed]()
    if state.at is None and track is not None and plan.unseen is not None:
        # The account opens with the first row: from then on not seeing is worth an alarm.
        track = tracks.turn(track, plan.unseen, cell.instant(piece.start), (True,))
    edges = sorted(
        ((edge.row, edge.at_ns, zone, edge.is_on) for zone, sight in sights for edge in sight),
        key=lambda edge: edge[:2],
    )
    shown_by = 1

    def row_at(at_ns: int) -> int:
        return max(int(np.searchsorted(mono_ns, at_ns)) + 1, shown_by)

    def instant(at_ns: int) -> Instant:
        row = piece.start + row_at(at_ns) - 1
        block = cell.block
        return Instant(int(block.seen_ns[row] - (block.mono_ns[row] - at_ns)), at_ns)

    def advance(track: Track, alarm: AlarmPlan, until_ns: int) -> Track:
        track, changes = tracks.advance(track, alarm, until_ns, instant)
        filed.extend((row_at(c.at.mono_ns), _unseen_event(c, unseen)) for c in changes)
        return track

    for row, at_ns, zone, is_on in edges:
        if track is not None and plan.unseen is not None:
            track = advance(track, plan.unseen, at_ns)
        shown_by = row
        unseen = unseen - {zone} if is_on else unseen | {zone}
        if track is not None and plan.unseen is not None:
            track = tracks.turn(track, plan.unseen, instant(at_ns), (bool(unseen),))
            track = advance(track, plan.unseen, at_ns)
    if track is not None and plan.unseen is not None:
        track = advance(track, plan.unseen, int(mono_ns[-1]))
    return track, tuple(sorted(unseen)), filed


def _unseen_event(change: Change, unseen: set[str]) -> Event:
    """Event of the alarm that some zone is not seen, with the zones by name."""
    event = alarm_event(change, temp_c=None, limit=None)
    return replace(event, details=(*event.details, ("zones", " ".join(sorted(unseen)))))


def _first_overheating(state: CellState, events: list[Event]) -> tuple[CellState, list[Event]]:
    """A charge is marked overheated once, however often a zone passes the ceiling."""
    if not events:
        return state, events
    kept = []
    is_overheated = state.is_overheated
    for event in events:
        if event.kind is EventKind.CHARGE_OVERHEATED:
            if is_overheated:
                continue
            is_overheated = True
        kept.append(event)
    return replace(state, is_overheated=is_overheated), kept


def _run_signals(
    state: CellState, cell: _CellColumns, row: int, plan: CellPlan
) -> tuple[CellState, list[Event]]:
    """What the signals of one row reset."""
    events: list[Event] = []
    at = cell.instant(row)
    if row in cell.wipes:
        state, events = _wipe(state, plan, at, zone="", who="")
    if row in cell.charges:
        state = replace(state, named_charge=cell.charges[row])
        state, new = _load(state, plan, at, cell.charges[row], who="")
        events += new
    return state, events


def _wipe(
    state: CellState, plan: CellPlan, at: Instant, *, zone: str, who: str
) -> tuple[CellState, list[Event]]:
    """Nozzles wiped or purged: the named one, or all of the cell."""
    zones, events = list(state.zones), list[Event]()
    for place, zone_plan in enumerate(plan.zones):
        if zone in ("", zone_plan.rules.id):
            zones[place], new = wiped_zone(zones[place], zone_plan, at, who)
            events += new
    return replace(state, zones=tuple(zones)), events


def _load(
    state: CellState, plan: CellPlan, at: Instant, charge_id: str, *, who: str
) -> tuple[CellState, list[Event]]:
    """Another charge: what belonged to the old one ends."""
    details: tuple[tuple[str, Detail], ...] = (
        ("charge_id", charge_id),
        ("previous", state.charge_id),
        ("who", who),
    )
    events = [Event(EventKind.CHARGE_CHANGED, at, plan.rules.id, "", details)]
    zones = []
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        zone, new = recharged_zone(zone, zone_plan, at, who)  # noqa: PLW2901
        zones.append(zone)
        events += new
    state = replace(state, zones=tuple(zones), charge_id=charge_id, is_overheated=False)
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        if zone.is_over_ceiling and not state.is_overheated:
            # It went into heat that is there already; no crossing will show it.
            state = replace(state, is_overheated=True)
            events.append(overheating_event(zone_plan, at, shown_c(zone)))
    return state, events


_TO_ALARM = {
    EntryKind.ACKNOWLEDGE: AlarmInput.ACKNOWLEDGE,
    EntryKind.RESET: AlarmInput.RESET,
    EntryKind.SHELVE: AlarmInput.SHELVE,
    EntryKind.UNSHELVE: AlarmInput.UNSHELVE,
    EntryKind.TAKE_OUT_OF_SERVICE: AlarmInput.TAKE_OUT_OF_SERVICE,
    EntryKind.RETURN_TO_SERVICE: AlarmInput.RETURN_TO_SERVICE,
}


def _enter(state: CellState, entry: Entry, plan: CellPlan) -> tuple[CellState, tuple[Event, ...]]:
    """What a person said."""
    cell, _, rest = entry.target.partition("/")
    if cell == plan.rules.id:
        if entry.kind is EntryKind.WIPED and _has_nozzle(plan, rest):
            state, events = _wipe(state, plan, entry.at, zone=rest, who=entry.who)
            return state, tuple(events)
        if entry.kind is EntryKind.CHARGE_LOADED and not rest and entry.subject:
            state, events = _load(state, plan, entry.at, entry.subject, who=entry.who)
            return state, tuple(events)
        if entry.kind in _TO_ALARM:
            return _tell_alarm(state, entry, plan)
    return state, (_refused(entry, plan, "the cell has no such thing"),)


def _has_nozzle(plan: CellPlan, zone: str) -> bool:
    """Whether the named zone is a nozzle; without a name, whether the cell has one."""
    return any(zone_plan.is_nozzle and zone in ("", zone_plan.rules.id) for zone_plan in plan.zones)


def _tell_alarm(
    state: CellState, entry: Entry, plan: CellPlan
) -> tuple[CellState, tuple[Event, ...]]:
    """A person's input to one alarm."""
    if plan.unseen is not None and state.unseen is not None and plan.unseen.id == entry.target:
        track, event = _told(state.unseen, plan.unseen, entry, plan)
        return replace(state, unseen=track), (event,)
    for place, zone_plan in enumerate(plan.zones):
        for spot, alarm in enumerate(zone_plan.alarms):
            if alarm.id == entry.target:
                zone = state.zones[place]
                track, event = _told(zone.tracks[spot], alarm, entry, plan)
                zone = replace(zone, tracks=_replaced(zone.tracks, spot, track))
                return replace(state, zones=_replaced(state.zones, place, zone)), (event,)
    return state, (_refused(entry, plan, "the cell has no such alarm"),)


def _told(track: Track, alarm: AlarmPlan, entry: Entry, plan: CellPlan) -> tuple[Track, Event]:
    """One alarm after a person's input, and the event that says who."""
    cause = _TO_ALARM[entry.kind]
    is_shelving = cause is AlarmInput.SHELVE
    if is_shelving and not 0.0 < entry.duration_s <= LONGEST_SHELVING_S:
        return track, _refused(entry, plan, f"shelving takes up to {LONGEST_SHELVING_S:g} s")
    track, changes = tracks.tell(
        track,
        alarm,
        cause,
        entry.at,
        who=entry.who,
        why=entry.why,
        shelved_until_ns=entry.at.mono_ns + ns(entry.duration_s) if is_shelving else None,
    )
    if not changes:
        return track, _refused(entry, plan, f"the alarm is {track.alarm.state.value}")
    return track, alarm_event(changes[0], temp_c=None, limit=None)


def _refused(entry: Entry, plan: CellPlan, why: str) -> Event:
    """Event of an entry that makes no sense here."""
    details = (
        ("entry", entry.kind.value),
        ("target", entry.target),
        ("who", entry.who),
        ("why", why),
    )
    return Event(EventKind.ENTRY_REFUSED, entry.at, plan.rules.id, "", details)


def _replaced(items: Iterable[_T], place: int, item: _T) -> tuple[_T, ...]:
    """The items with one of them exchanged."""
    return tuple(item if n == place else old for n, old in enumerate(items))


def snapshot(state: CellState, plan: CellPlan) -> CellSnapshot | None:
    """The cell for the outputs; None before its first row."""
    if state.at is None:
        return None
    now_ns = state.at.mono_ns
    alarms = [
        tracks.alarm_snapshot(track, alarm)
        for zone, zone_plan in zip(state.zones, plan.zones, strict=True)
        for track, alarm in zip(zone.tracks, zone_plan.alarms, strict=True)
    ]
    if state.unseen is not None and plan.unseen is not None:
        alarms.append(tracks.alarm_snapshot(state.unseen, plan.unseen))
    flows, parts, ambient = (
        None if held is None or now_ns - held.mono_ns > plan.gate_hold_ns else held.value
        for held in (state.gates.dispensing, state.gates.parts, state.gates.ambient)
    )
    return CellSnapshot(
        id=plan.rules.id,
        at=state.at,
        zones=tuple(map(zone_snapshot, state.zones, plan.zones)),
        alarms=tuple(alarms),
        is_dispensing=None if flows is None else flows > 0,
        is_in_production=state.is_in_production,
        parts=None if parts is None else int(parts),
        charge_id=state.charge_id,
        is_overheated=state.is_overheated,
        ambient_c=ambient,
        ignored_rows=state.ignored_rows,
    )
