"""The cell over one piece of a block: its own alarms, its charge, its air.

The zones report their edges; here they are put in one order of time, with the edges of the
cell's own signals, and the machines that concern all zones are run over them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import tracks
from watchedpot.core.alarms import Delay
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.charges import Charge, state_event
from watchedpot.core.columns import CellColumns
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.rules import AlarmKind
from watchedpot.core.series import continue_series, level_edges
from watchedpot.core.tracks import Change, Track
from watchedpot.core.walk import Filed, ZoneEdge
from watchedpot.core.zone import alarm_event


class Watched(NamedTuple):
    """The cell after a piece, and what happened with the rows that show it."""

    state: CellState
    filed: list[Filed]


def watch(
    state: CellState,
    cell: CellColumns,
    piece: slice,
    edges: Iterable[ZoneEdge],
    plan: CellPlan,
) -> Watched:
    """The cell itself over a piece of a block, whose zones have been walked already.

    Parameters
    ----------
    state : CellState
        With the zones as they are after the piece, all else as before it.
    cell : CellColumns
        The block.
    piece : slice
        Rows ``start`` to ``stop`` of it, at least one.
    edges : iterable of ZoneEdge
        Of all zones, rows counted from 1 at the start of the piece.
    plan : CellPlan
        The cell.

    Returns
    -------
    Watched
        Rows count as in the edges.
    """
    walk = _Watch(state, cell, piece, plan)
    walk.run([*edges, *walk.air_edges()])
    return Watched(walk.close(), walk.filed)


def turned(state: CellState, plan: CellPlan, at: Instant) -> CellState:
    """The alarms of the cell with their undelayed conditions as they are from now on."""
    after = _turned(
        state.tracks,
        plan,
        at,
        is_unseen=bool(state.unseen_zones),
        is_before_ready=state.is_flowing and bool(set(state.unready_zones) - set(state.cold_zones)),
        is_spent=state.charge.is_spent,
        is_dark=bool(state.unseen_zones) or not state.is_flow_known,
    )
    return replace(state, tracks=tuple(after))


def _turned(
    before: Iterable[Track],
    plan: CellPlan,
    at: Instant,
    *,
    is_unseen: bool,
    is_before_ready: bool,
    is_spent: bool,
    is_dark: bool,
) -> list[Track]:
    """The alarms of the cell by the facts they are about.

    Dispensing before ready is proven by zones that are seen and a signal that is known: while
    it is dark its delays stand still. A zone that has cooled since it was ready has a cold alarm of
    its own: one cause, one alarm.
    """
    conditions = {
        AlarmKind.UNSEEN: is_unseen,
        AlarmKind.BEFORE_READY: is_before_ready,
        AlarmKind.POT_LIFE: is_spent,
    }
    after = []
    for track, alarm in zip(before, plan.alarms, strict=True):
        kind = alarm.rules.kind
        if kind is AlarmKind.BEFORE_READY and is_dark != track.delays[0].is_paused:
            track = tracks.pause(track) if is_dark else tracks.resume(track, alarm, at.mono_ns)  # noqa: PLW2901
        after.append(tracks.turn(track, alarm, at, (conditions[kind],)))
    return after


_OF_CHARGE = ("is_heated", "is_soaked", "is_near", "is_spent", "is_overheated")


class _Watch:
    """One pass over one piece; lives as long as the call, and so may change in place."""

    def __init__(self, state: CellState, cell: CellColumns, piece: slice, plan: CellPlan) -> None:
        self.before = state
        self.cell = cell
        self.plan = plan
        self.mono_ns = cell.block.mono_ns[piece]
        self.seen_ns = cell.block.seen_ns[piece]
        self.dispensing = cell.dispensing[piece]
        self.filed: list[Filed] = []
        self.row = 1
        self.unseen = set(state.unseen_zones)
        self.ready = set(state.ready_zones)
        self.unready = set(state.unready_zones)
        self.cold = set(state.cold_zones)
        self.charge = state.charge
        self.is_flowing = state.is_flowing
        self.is_moist = state.is_moist
        self.air = state.air
        self.tracks = list(state.tracks)
        self.is_flow_known = state.is_flow_known
        code = int(state.is_flowing) if state.is_flow_known else -1
        codes = np.concatenate((np.array([code], dtype=np.int8), self.dispensing))
        turns = np.flatnonzero(codes[1:] != codes[:-1])
        self.flow_rows = turns + 1
        self.flow_codes = self.dispensing[turns]
        self.flows_taken = 0
        self._dew_c: NDArray[np.float64] | None = None
        self._piece = piece

    def air_edges(self) -> list[ZoneEdge]:
        """The dispensing air becoming too moist, or dry again; seen a hold apart at most."""
        moist, dew_point = self.plan.moist, self.cell.dew_point(self._piece)
        if moist is None or dew_point is None:
            return []
        series = continue_series(
            self.air,
            self.mono_ns,
            dew_point.value,
            dew_point.is_good,
            max_gap_ns=self.plan.gate_hold_ns,
        )
        self.air = series.last
        self._dew_c = series.value
        return [
            ZoneEdge(edge.row, edge.at_ns, "", "is_moist", edge.is_on)
            for edge in level_edges(series, moist, is_beyond=self.is_moist)
        ]

    def run(self, edges: list[ZoneEdge]) -> None:
        """Visit the edges in order, and what is due between them."""
        if self.before.at is None:
            # The account opens with the first row: from then on not seeing is worth an alarm.
            self._turn(int(self.mono_ns[0]))
        edges.sort(key=lambda edge: (edge.row, edge.at_ns))
        for (row, at_ns), group in groupby(edges, key=lambda edge: (edge.row, edge.at_ns)):
            self._flow_before(row)
            self._advance(at_ns)
            self.row = row
            for edge in group:
                self._take(edge)
            self._flow_with(row, at_ns)
            self._turn(at_ns)
            self._advance(at_ns)
        self._flow_before(self.mono_ns.size + 1)
        self._advance(int(self.mono_ns[-1]))

    def _flow_before(self, row: int) -> None:
        """Melt that began or ceased to flow in the rows before one.

        It matters only while some zone is not ready or the alarm about that is not settled, and
        a cell in production turns it on and off for every part: the rest is passed over.
        """
        first, stop = self.flows_taken, int(np.searchsorted(self.flow_rows, row))
        if first == stop:
            return
        if not self.unready and self._is_settled():
            first = stop - 1
        for place in range(first, stop):
            at_ns = int(self.mono_ns[self.flow_rows[place] - 1])
            self._advance(at_ns)
            self.row = int(self.flow_rows[place])
            self._flow(place)
            self._turn(at_ns)
            self._advance(at_ns)
        self.flows_taken = stop

    def _is_settled(self) -> bool:
        """Whether the alarm about dispensing before ready is off and nothing of it is due."""
        return all(
            delay == Delay(raw_since=delay.raw_since, is_paused=delay.is_paused)
            for track, alarm in zip(self.tracks, self.plan.alarms, strict=True)
            for delay in track.delays
            if alarm.rules.kind is AlarmKind.BEFORE_READY
        )

    def _flow(self, place: int) -> None:
        """Melt flows, stands, or nobody knows; then what it did last is kept."""
        code = int(self.flow_codes[place])
        self.is_flow_known = code >= 0
        if self.is_flow_known:
            self.is_flowing = code > 0

    def _flow_with(self, row: int, at_ns: int) -> None:
        """Melt that began or ceased to flow at the same moment as an edge."""
        place = self.flows_taken
        if place == self.flow_rows.size or self.flow_rows[place] != row:
            return
        if self.mono_ns[row - 1] == at_ns:
            self._flow(place)
            self.flows_taken = place + 1

    def close(self) -> CellState:
        """State after the piece."""
        return replace(
            self.before,
            tracks=tuple(self.tracks),
            charge=self.charge,
            is_flowing=self.is_flowing,
            is_flow_known=self.is_flow_known,
            unseen_zones=tuple(sorted(self.unseen)),
            ready_zones=tuple(sorted(self.ready)),
            unready_zones=tuple(sorted(self.unready)),
            cold_zones=tuple(sorted(self.cold)),
            air=self.air,
            is_moist=self.is_moist,
        )

    def _take(self, edge: ZoneEdge) -> None:
        """One condition as it is from now on."""
        if edge.name == "is_seen":
            self._see(edge)
        elif edge.name == "is_ready":
            self._make_ready(edge)
        elif edge.name == "is_cold":
            (self.cold.add if edge.is_on else self.cold.discard)(edge.zone)
        elif edge.name == "is_moist":
            self._take_air(edge)
        elif edge.name == "is_overheated":
            self._overheat(edge)
        elif edge.name in _OF_CHARGE:
            self._take_life(edge)

    def _see(self, edge: ZoneEdge) -> None:
        """A zone comes into sight, ready or not, or is lost: then what it did is kept."""
        if not edge.is_on:
            self.unseen.add(edge.zone)
            return
        self.unseen.discard(edge.zone)
        if edge.zone not in self.ready:
            self.unready.add(edge.zone)

    def _make_ready(self, edge: ZoneEdge) -> None:
        """A zone stands ready, or does so no longer."""
        gained, lost = (self.ready, self.unready) if edge.is_on else (self.unready, self.ready)
        gained.add(edge.zone)
        lost.discard(edge.zone)
        # A reservoir without a core to wait for is warm throughout when it is ready.
        self._take_life(edge._replace(name="is_soaked"))

    def _take_air(self, edge: ZoneEdge) -> None:
        """A note about the dispensing air."""
        self.is_moist = edge.is_on
        kind = EventKind.AIR_MOIST if edge.is_on else EventKind.AIR_DRY
        dew_c = None if self._dew_c is None else float(self._dew_c[edge.row])
        limit_c = None if self.plan.moist is None else self.plan.moist.limit
        self._file(kind, edge.at_ns, ("dew_point_c", dew_c), ("limit_c", limit_c))

    def _overheat(self, edge: ZoneEdge) -> None:
        """A zone passed the material's ceiling; the charge is marked once, however often.

        Melt that is followed answers for itself: a hot nozzle spoils what it holds, not the tank.
        """
        if not edge.is_on or self.charge.is_overheated or edge.zone in self.plan.parts.followed:
            return
        self._file(
            EventKind.CHARGE_OVERHEATED,
            edge.at_ns,
            ("temp_c", edge.temp_c),
            ("ceiling_c", self._ceiling_c(edge.zone)),
            zone=edge.zone,
        )
        self._judge(edge, replace(self.charge, is_overheated=True))

    def _ceiling_c(self, name: str) -> float:
        """The material's limit in a zone."""
        return next(zone.ceiling.limit for zone in self.plan.zones if zone.rules.id == name)

    def _take_life(self, edge: ZoneEdge) -> None:
        """Something about the life of the charge; what it once was it stays."""
        if edge.is_on and edge.life is not None and not getattr(self.charge, edge.name):
            fact: dict[str, Any] = {edge.name: True}
            self._judge(edge, replace(self.charge, **fact))

    def _judge(self, edge: ZoneEdge, charge: Charge) -> None:
        """The charge with new facts, and an event where its state is another by them."""
        before, self.charge = self.charge, charge
        if self.charge.state is not before.state:
            at = self._instant(edge.at_ns)
            event = state_event(before.state, self.charge, at, edge.life, self.plan.rules)
            self.filed.append((self.row, event))

    def _turn(self, at_ns: int) -> None:
        """The alarms of the cell with their undelayed conditions as they are now."""
        self.tracks = _turned(
            self.tracks,
            self.plan,
            self._instant(at_ns),
            is_unseen=bool(self.unseen),
            is_before_ready=self.is_flowing and bool(self.unready - self.cold),
            is_dark=bool(self.unseen) or not self.is_flow_known,
            is_spent=self.charge.is_spent,
        )

    def _advance(self, until_ns: int) -> None:
        """Everything that is due at or before a moment."""
        for place, alarm in enumerate(self.plan.alarms):
            track, changes = tracks.advance(self.tracks[place], alarm, until_ns, self._instant)
            self.tracks[place] = track
            self.filed.extend(
                (self._row_at(change.at.mono_ns), self._alarm_event(change)) for change in changes
            )

    def _alarm_event(self, change: Change) -> Event:
        """Event of an alarm of the cell, with what it is about."""
        event = alarm_event(change, temp_c=None, limit=None)
        about: dict[AlarmKind, tuple[str, Detail]] = {
            AlarmKind.UNSEEN: ("zones", " ".join(sorted(self.unseen))),
            AlarmKind.BEFORE_READY: ("zones", " ".join(sorted(self.unready - self.cold))),
            AlarmKind.POT_LIFE: ("charge_id", self.charge.id),
        }
        return replace(event, details=(*event.details, about[change.plan.rules.kind]))

    def _row_at(self, at_ns: int) -> int:
        """The row that shows what is due at a moment, never one before the row under way."""
        return max(int(np.searchsorted(self.mono_ns, at_ns)) + 1, self.row)

    def _instant(self, at_ns: int) -> Instant:
        """A moment of the piece on both clocks."""
        row = self._row_at(at_ns) - 1
        return Instant(int(self.seen_ns[row] - (self.mono_ns[row] - at_ns)), at_ns)

    def _file(
        self, kind: EventKind, at_ns: int, *details: tuple[str, Detail], zone: str = ""
    ) -> None:
        """An event of the cell, or of a zone of it, under the row under way."""
        event = Event(kind, self._instant(at_ns), self.plan.rules.id, zone, details)
        self.filed.append((self.row, event))
