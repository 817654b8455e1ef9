"""One piece of a block through the parts: steps get their marks, counts cut them into parts.

Columns first: what each step lays on the part under way, in each zone and in the cell. Then the
few rows that matter are visited in order: where parts are counted, a slug of melt is full,
a part is joined, or a zone has been lost from sight for too long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.columns import CellColumns
from watchedpot.core.counting import Count, Counter, Jump, count
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.parts import (
    BIT,
    NONE_MK,
    UNJOINED,
    Made,
    OpenPart,
    Parts,
    Slug,
    Tally,
    judged,
    judged_again,
)
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.core.series import Series
from watchedpot.core.snapshot import Phase
from watchedpot.core.units import NANO, ns
from watchedpot.core.walk import Filed, ZoneEdge, ZoneTrace
from watchedpot.core.zone import ZonePlan

Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]

_VERDICTS = tuple(Verdict)
_CEILING = BIT[PartRule.OVER_CEILING]


class Judged(NamedTuple):
    """The parts after a piece, and what happened with the rows that show it."""

    parts: Parts
    filed: list[Filed]


def judge(
    state: CellState,
    cell: CellColumns,
    piece: slice,
    traces: Sequence[ZoneTrace | None],
    edges: Sequence[ZoneEdge],
    plan: CellPlan,
) -> Judged:
    """The parts of a cell over a piece of a block.

    Parameters
    ----------
    state : CellState
        Before the piece.
    cell : CellColumns
        The block.
    piece : slice
        Rows ``start`` to ``stop`` of it, at least one.
    traces : sequence
        What each zone was over the piece; None for zones that the block says nothing of.
    edges : sequence of ZoneEdge
        Of all zones, rows counted from 1 at the start of the piece.
    plan : CellPlan
        The cell.

    Returns
    -------
    Judged
        Rows count as in the edges.
    """
    rules = plan.rules
    if rules.parts is None and rules.part_id is None:
        return Judged(state.parts, [])
    walk = _Judging(state, cell, piece, traces, edges, plan)
    walk.run()
    return Judged(walk.close(), walk.filed)


class _Moment(NamedTuple):
    """A row that matters; those of one row come in the order of their rank."""

    row: int
    rank: int
    what: Any


@dataclass(slots=True)
class _ZoneSteps:
    """What the steps of one zone come to, n steps.

    Attributes
    ----------
    marks
        Of all steps.
    low_mk, high_mk, tip_low_mk, tip_high_mk, sum_mk_us, seen_us, blind_us
        As in ``Tally``, where melt may have flowed.
    """

    marks: Ints
    low_mk: Ints
    high_mk: Ints
    tip_low_mk: Ints
    tip_high_mk: Ints
    sum_mk_us: Ints
    seen_us: Ints
    blind_us: Ints
    flowing: Ints

    def tallies(self, bounds: list[int]) -> list[Tally]:
        """Tallies between pairs of bounds."""
        columns = (
            _reduced(np.bitwise_or, self.flowing, bounds),
            _reduced(np.minimum, self.low_mk, bounds),
            _reduced(np.maximum, self.high_mk, bounds),
            _reduced(np.minimum, self.tip_low_mk, bounds),
            _reduced(np.maximum, self.tip_high_mk, bounds),
            _reduced(np.add, self.sum_mk_us, bounds),
            _reduced(np.add, self.seen_us, bounds),
            _reduced(np.add, self.blind_us, bounds),
        )
        return [Tally(*row) for row in zip(*columns, strict=True)]


def _reduced(function: np.ufunc, steps: Ints, bounds: list[int]) -> list[int]:
    """A column reduced between pairs of bounds, of which none is empty."""
    padded = np.append(steps, steps[-1:])  # so that the end is a place like any other
    reduced: list[int] = function.reduceat(padded, bounds)[::2].tolist()
    return reduced


class _Judging:
    """One pass over one piece; lives as long as the call, and so may change in place."""

    def __init__(
        self,
        state: CellState,
        cell: CellColumns,
        piece: slice,
        traces: Sequence[ZoneTrace | None],
        edges: Sequence[ZoneEdge],
        plan: CellPlan,
    ) -> None:
        self.before = state
        self.cell = cell
        self.piece = piece
        self.traces = traces
        self.edges = edges
        self.plan = plan
        self.filed: list[Filed] = []
        self.mono_ns = cell.block.mono_ns[piece]
        self.size = self.mono_ns.size
        self.parts = state.parts
        self.slugs = list(state.parts.slugs)
        self.recent = list(state.parts.recent)
        self.unjoined = state.parts.unjoined
        self.joined = state.parts.joined
        self.judged = list(state.parts.judged)
        self.flow = self._flow()
        self.flowed_us = self._flowed_us()
        self.counter, self.counts, self.jumps = self._counted()
        self.rows = sorted({counted.row for counted in self.counts})
        # A step may have melt flowing if either end may; the one that shows a count ends a part.
        self.may_flow = (self.flow[1:] != 0) | (self.flow[:-1] != 0)
        self.may_flow[self.rows] = True
        self.zones = [
            None if trace is None else self._zone_steps(trace, zone, place)
            for place, (trace, zone) in enumerate(zip(traces, plan.zones, strict=True))
        ]
        self.blind_us = list(state.parts.blind_us)

    def _flow(self) -> NDArray[np.int8]:
        """Whether melt flowed at the row before the piece and at each row of it."""
        flow = self.cell.dispensing[self.piece]
        if self.plan.rules.dispensing is None:
            flow = np.ones_like(flow)
        return np.concatenate((np.array([self.parts.flow], dtype=np.int8), flow))

    def _flowed_us(self) -> Ints:
        """Dispensing time of the cell until the row before and until each row."""
        rules = self.plan.rules
        flowed = np.full(self.size + 1, self.parts.flowed_us)
        if (rules.dispensing or rules.parts or rules.part_id) not in self.cell.places:
            return flowed  # another source tells it
        source = self.cell.block.source
        first_ns = dict(self.before.rows).get(source, int(self.mono_ns[0]))
        times_ns = np.concatenate(([first_ns], self.mono_ns))
        step_us = (times_ns[1:] - times_ns[:-1]) // 1000
        flowed[1:] += np.cumsum(np.where(self.flow[:-1] > 0, step_us, 0))
        return flowed

    def _counted(self) -> tuple[Counter, list[Count], list[Jump]]:
        """The counter over the piece, and what it counted."""
        rules, counter = self.plan.rules, self.parts.counter
        if rules.parts is None:
            return self._identified(counter)
        columns = self.cell.columns(rules.parts, self.piece)
        if columns is None:
            return counter, [], []
        return count(
            counter,
            self.mono_ns,
            columns.value,
            columns.is_good,
            shortest_ns=self.plan.parts.shortest_ns,
            rolls_over_at=rules.judging.rolls_over_at,
        )

    def _identified(self, counter: Counter) -> tuple[Counter, list[Count], list[Jump]]:
        """Parts by their ids alone: one is made when another id, or none, is named."""
        columns = self.cell.columns(self.plan.rules.part_id, self.piece)
        if columns is None:
            return counter, [], []
        rows = np.flatnonzero(columns.is_good & (columns.value >= 0.0))
        if not rows.size:
            return counter, [], []
        named = columns.value[rows].astype(np.int64)
        before = named[0] if counter.value is None else counter.value
        earlier = np.concatenate(([before], named[:-1]))
        made = np.flatnonzero((named != earlier) & (earlier > 0))
        counts = [
            Count(int(rows[place]), int(earlier[place]), int(earlier[place]), counter.epoch)
            for place in made.tolist()
        ]
        counter = replace(counter, value=int(named[-1]), seen_ns=int(self.mono_ns[rows[-1]]))
        return counter, counts, []

    def _zone_steps(self, trace: ZoneTrace, zone: ZonePlan, place: int) -> _ZoneSteps:
        """What the steps of a zone lay on the part under way."""
        series, joined = trace.series, trace.series.is_joined
        step_us = series.step_ns // 1000
        seen = joined & self.may_flow
        wall = _Steps.of(series)
        tip = None if zone.tip is None else _Steps.of(trace.tip)
        marks = self._zone_marks(trace, zone, wall, tip)
        nothing = np.full(self.size, NONE_MK)
        means_mk = (wall.first_mk + wall.last_mk) // 2
        return _ZoneSteps(
            marks,
            np.where(seen, wall.low_mk, NONE_MK),
            np.where(seen, wall.high_mk, -NONE_MK),
            nothing if tip is None else np.where(seen, tip.low_mk, NONE_MK),
            -nothing if tip is None else np.where(seen, tip.high_mk, -NONE_MK),
            np.where(seen, means_mk * step_us, 0),
            np.where(seen, step_us, 0),
            np.where(self.may_flow & ~joined, step_us, 0),
            np.where(self.may_flow, marks & ~BIT[PartRule.BLIND], marks & _CEILING),
        )

    def _zone_marks(
        self, trace: ZoneTrace, zone: ZonePlan, wall: _Steps, tip: _Steps | None
    ) -> Ints:
        """The rules that speak against the melt of each step in one zone."""
        judging, joined = self.plan.rules.judging, trace.series.is_joined
        marks = np.zeros(self.size, dtype=np.int64)
        guard_c, near_c = judging.guard_k, judging.guard_k + judging.near_k
        rules = zone.rules
        edges = [(wall, rules.low_c, False), (wall, rules.high_c, True)]
        if tip is not None and rules.tip is not None:
            edges.append((tip, rules.tip.low_c, False))
        for steps, edge_c, is_high in edges:
            if steps.may_be_beyond(edge_c, near_c, is_high=is_high):
                near = joined & steps.beyond(edge_c, near_c, is_high=is_high)
                outside = joined & steps.beyond(edge_c, guard_c, is_high=is_high)
                marks |= np.where(outside, BIT[PartRule.OUTSIDE_WINDOW], 0)
                marks |= np.where(near & ~outside, BIT[PartRule.NEAR_EDGE], 0)
        ceiling_c = rules.material.ceiling_c
        if wall.may_be_beyond(ceiling_c, guard_c, is_high=True):
            over = joined & wall.beyond(ceiling_c, guard_c, is_high=True)
            marks |= np.where(over, _CEILING, 0)
        if not joined.all():
            marks |= np.where(joined, 0, BIT[PartRule.BLIND])
        is_ready = _ready(trace, self.size)
        if not is_ready.all():
            before_ready = ~(is_ready[:-1] & is_ready[1:])
            marks |= np.where(before_ready, BIT[PartRule.BEFORE_READY], 0)
        if rules.id in self.before.failed_checks:
            marks |= BIT[PartRule.SENSOR_DOUBT]
        return marks

    def _cell_marks(self) -> Ints:
        """The rules of the cell that speak against the melt of each step."""
        charge, marks = self.before.charge, np.zeros(self.size, dtype=np.int64)
        for rule, is_so, edge in (
            (PartRule.SPENT_CHARGE, charge.is_spent, "is_spent"),
            (PartRule.OVERHEATED_CHARGE, charge.is_overheated, "is_overheated"),
        ):
            first = 0 if is_so else self._first_row(edge)
            marks[first:] |= BIT[rule]
        if not charge.is_age_known:
            marks |= BIT[PartRule.UNKNOWN_AGE]
        if charge.is_doubted:
            marks |= BIT[PartRule.DOUBTED_CHARGE]
        if charge.unfit:
            marks |= BIT[PartRule.UNFIT_CHARGE]
        if charge.expires_utc_ns is not None:
            late = self.cell.block.seen_ns[self.piece] > charge.expires_utc_ns
            marks |= np.where(late, BIT[PartRule.UNFIT_CHARGE], 0)
        marks |= np.where(self._after_idle(), BIT[PartRule.AFTER_IDLE], 0)
        return np.where(self.may_flow, marks, 0)

    def _first_row(self, name: str) -> int:
        """The first row of an edge that comes on, behind the last row if there is none."""
        rows = [edge.row - 1 for edge in self.edges if edge.name == name and edge.is_on]
        return min(rows, default=self.size)

    def _after_idle(self) -> Bools:
        """Rows where melt flows that has stood in the nozzle for too long."""
        flows = self.flow[1:] > 0
        if not flows.any() or self.plan.rules.dispensing is None:
            return np.zeros(self.size, dtype=np.bool_)
        longest_ns = ns(self.plan.rules.purge_after_idle_s)
        long_ago = int(self.mono_ns[0]) - longest_ns - 1
        fresh_ns = long_ago if self.before.fresh_ns is None else self.before.fresh_ns
        flowed = np.maximum.accumulate(
            np.concatenate(([fresh_ns], np.where(flows, self.mono_ns, min(fresh_ns, long_ago))))
        )
        stale: Bools = flows & (self.mono_ns - flowed[:-1] > longest_ns)
        return stale

    def run(self) -> None:
        """Visit the rows that matter, in order, and add up the steps between them."""
        moments = [_Moment(jump.row, 0, jump) for jump in self.jumps]
        moments += [_Moment(row, 1, None) for row in self.rows]
        moments += [_Moment(row, 2, joined) for row, joined in self._joinings()]
        moments += [_Moment(row, 3, zone) for row, zone in self._losses()]
        moments.sort(key=lambda moment: moment[:2])
        spans = self._spans()
        tallied = self._tallied(spans)
        slugged = self._slugged()
        part = self._carried()
        n = 0
        for moment in moments:
            if isinstance(moment.what, Jump):
                self._jump(moment.what)
            elif moment.rank == 1:
                self._advance_slugs(slugged, moment.row)
                part = self._grown(part, spans[n], tallied[n])
                self._count(part, moment.row)
                n += 1
                part = self._begun(moment.row)
            elif moment.rank == 2:
                self._join(moment.row, moment.what)
            else:
                self._lose(moment.row, moment.what)
        self._advance_slugs(slugged, self.size)
        self.part = self._grown(part, spans[n], tallied[n]) if n < len(spans) else part
        self.part = replace(self.part, part_id=self._part_id(self.size))

    def _carried(self) -> OpenPart:
        """The part under way when the piece begins."""
        part, zones = self.parts.open, self.plan.parts.zones
        if part.since is not None:
            return part
        nothing = (Tally(),) * len(zones)
        return OpenPart(self.cell.instant(self.piece.start), nothing, (0,) * len(zones))

    def _begun(self, row: int) -> OpenPart:
        """The part that begins with a count."""
        zones = self.plan.parts.zones
        return OpenPart(
            self.cell.instant(self.piece.start + row),
            (Tally(),) * len(zones),
            (0,) * len(zones),
            flowed_before_us=int(self.flowed_us[row + 1]),
        )

    def _spans(self) -> list[tuple[int, int]]:
        """Steps of each part in the piece; a count with melt flowing belongs to the next too."""
        spans, first = [], 0
        for row in self.rows:
            spans.append((first, row + 1))
            first = row if self.flow[row + 1] != 0 else row + 1
        if first < self.size:
            spans.append((first, self.size))
        return spans

    def _tallied(self, spans: list[tuple[int, int]]) -> list[_Tallied]:
        """What each span comes to."""
        if not spans:
            return []
        bounds = [end for span in spans for end in span]
        nothing = [Tally()] * len(spans)
        zones = [nothing if zone is None else zone.tallies(bounds) for zone in self.zones]
        standing = [
            [0] * len(spans) if zone is None else _reduced(np.bitwise_or, zone.marks, bounds)
            for zone in self.zones
        ]
        marks = _reduced(np.bitwise_or, self._cell_marks(), bounds)
        return [
            _Tallied(of_zones, of_standing, of_cell)
            for of_zones, of_standing, of_cell in zip(
                zip(*zones, strict=True), zip(*standing, strict=True), marks, strict=True
            )
        ]

    def _grown(self, part: OpenPart, span: tuple[int, int], tallied: _Tallied) -> OpenPart:
        """The part under way with some more steps."""
        first, stop = span
        flow = self.flow[first + 1 : stop + 1]
        begun = part.begun
        if begun is None and (flow > 0).any():
            row = first + int(np.argmax(flow > 0))
            begun = self.cell.instant(self.piece.start + row)
        return OpenPart(
            part.since,
            tuple(a + b for a, b in zip(part.zones, tallied.zones, strict=True)),
            tuple(a | b for a, b in zip(part.standing, tallied.standing, strict=True)),
            part.marks | tallied.marks,
            begun,
            part.may_have_flowed or bool(flow.any()),
            part.flowed_us + int(self.flowed_us[stop] - self.flowed_us[first]),
            part.flowed_before_us,
            part.part_id,
        )

    def _count(self, part: OpenPart, row: int) -> None:
        """The parts that a row counts, judged."""
        plan, at = self.plan.parts, self.cell.instant(self.piece.start + row)
        # While melt flows at the count, the id may be that of the next part already.
        part = replace(part, part_id=self._part_id(row + 1 if self.flow[row + 1] == 0 else row))
        for counted in self.counts:
            if counted.row != row:
                continue
            if not counted.is_certain and not part.may_have_flowed:
                continue  # nothing was dispensed, so nothing was made
            if self.plan.rules.parts is None:
                part = replace(part, part_id=counted.first)
            made = Made(
                counted,
                at,
                part,
                int(self.flowed_us[row + 1]),
                self.before.charge.id,
                self._age_s(row),
                *self._inspected(row),
            )
            self._file(row, judged(made, self.slugs, plan), counted.last + 1 - counted.first)

    def _file(self, row: int, event: Event, count: int) -> None:
        """A part judged for the first time."""
        self.filed.append((row + 1, event))
        self.judged[_VERDICTS.index(Verdict(str(event.detail("verdict"))))] += count
        self.recent.append(event)
        is_joined = self.plan.rules.joined is not None
        self.unjoined = min(self.unjoined + 1, UNJOINED) if is_joined else 0
        keeps = max(self.plan.parts.before_loss, self.unjoined)
        del self.recent[: max(0, len(self.recent) - keeps)]

    def _part_id(self, stop: int) -> int | None:
        """The newest id that was named before a row."""
        columns = self.cell.columns(self.plan.rules.part_id, self.piece)
        if columns is None:
            return self.parts.open.part_id
        rows = np.flatnonzero(columns.is_good[:stop] & (columns.value[:stop] >= 1.0))
        return int(columns.value[rows[-1]]) if rows.size else self.parts.open.part_id

    def _age_s(self, row: int) -> float | None:
        """The age of the charge at a row, by the stricter bound."""
        place, zone = self.plan.reservoir, self.plan.charge_zone
        if place is None or zone is None or zone.rules.material.ageing is None:
            return None
        aged, trace = self.before.zones[place].dose, self.traces[place]
        low_ns, high_ns = aged.low_ns, aged.high_ns
        if trace is not None and trace.low_ns.size:
            low_ns += int(trace.low_ns[: row + 1].sum())
            high_ns += int(trace.high_ns[: row + 1].sum())
        return max(low_ns, high_ns) / NANO

    def _inspected(self, row: int) -> tuple[int | None, float | None]:
        """The result and the bead's width as they stand when a part is counted."""
        found = []
        for name in (self.plan.rules.inspection, self.plan.rules.bead_width):
            columns = self.cell.columns(name, self.piece)
            good = columns is not None and bool(columns.is_good[row])
            found.append(float(columns.value[row]) if columns is not None and good else None)
        passed, width_mm = found
        return None if passed is None else int(passed > 0), width_mm

    def _jump(self, jump: Jump) -> None:
        """A move of the counter that parts do not explain alone."""
        details: tuple[tuple[str, Detail], ...] = (
            ("before", jump.before),
            ("after", jump.after),
            ("epoch", jump.epoch),
            ("what", jump.what),
            ("uncounted", jump.uncounted),
        )
        at = self.cell.instant(self.piece.start + jump.row)
        self.filed.append(
            (jump.row + 1, Event(EventKind.COUNTER_JUMPED, at, self.plan.rules.id, "", details))
        )

    def _joinings(self) -> list[tuple[int, int]]:
        """Rows that show parts joined, and how many."""
        columns = self.cell.columns(self.plan.rules.joined, self.piece)
        if columns is None:
            return []
        rows = np.flatnonzero(columns.is_good & (columns.value >= 0.0))
        if not rows.size:
            return []
        read = columns.value[rows].astype(np.int64)
        before = read[0] if self.joined is None else self.joined
        grown = read - np.concatenate(([before], read[:-1]))
        self.joined = int(read[-1])
        return [(int(rows[n]), int(grown[n])) for n in np.flatnonzero(grown > 0).tolist()]

    def _join(self, row: int, joined: int) -> None:
        """The parts that have waited longest are joined, some of them too late."""
        plan, at = self.plan.parts, self.cell.instant(self.piece.start + row)
        for _ in range(min(joined, self.unjoined)):
            place = len(self.recent) - self.unjoined
            self.unjoined -= 1
            event = self.recent[place]
            joined_s = (at.utc_ns - int(event.detail("begun_utc_ns") or 0)) / NANO
            if plan.open_time_s is not None and joined_s > plan.open_time_s:
                late = judged_again(
                    event, PartRule.OPEN_TIME, "", "joined late", plan, joined_s=joined_s
                )
                self._replace(row, place, late)

    def _replace(self, row: int, place: int, event: Event | None) -> None:
        """A part judged once more, if that changed anything."""
        if event is not None:
            self.recent[place] = event
            self.filed.append((row + 1, event))

    def _losses(self) -> list[tuple[int, int]]:
        """Rows by which a zone has been lost from sight for too long, and the zone's place."""
        losses = []
        for place, trace in enumerate(self.traces):
            if trace is None:
                continue
            joined = trace.series.is_joined
            if joined.all():
                self.blind_us[place] = 0
                continue
            blind_us = np.cumsum(np.where(joined, 0, trace.series.step_ns // 1000))
            blind_us += self.blind_us[place]
            seen_us = np.maximum.accumulate(np.where(joined, blind_us, 0))
            blind_us -= seen_us
            earlier_us = np.concatenate(([self.blind_us[place]], blind_us[:-1]))
            limit_us = self.plan.parts.blind_us
            losses += [
                (row, place)
                for row in np.flatnonzero((blind_us > limit_us) & (earlier_us <= limit_us)).tolist()
                if self._was_producing(row, int(blind_us[row]))
            ]
            self.blind_us[place] = int(blind_us[-1])
        return losses

    def _was_producing(self, row: int, blind_us: int) -> bool:
        """Whether the cell was in production when it was lost from sight."""
        if self.plan.rules.dispensing is None:
            return True
        lost_ns = int(self.mono_ns[row]) - 1000 * blind_us
        flowed = self.mono_ns[: row + 1][self.flow[1 : row + 2] > 0]
        newest_ns = int(flowed[-1]) if flowed.size else self.before.last_dispensing_ns
        return newest_ns is not None and lost_ns - newest_ns <= self.plan.production_hold_ns

    def _lose(self, row: int, place: int) -> None:
        """The newest parts before a loss of readings are doubted with it."""
        zone = self.plan.parts.zones[place]
        first = max(0, len(self.recent) - self.plan.parts.before_loss)
        for n in range(first, len(self.recent)):
            doubted = judged_again(
                self.recent[n], PartRule.BEFORE_LOSS, zone, "readings lost", self.plan.parts
            )
            self._replace(row, n, doubted)

    def _slugged(self) -> list[tuple[int, int, tuple[Tally, ...]]]:
        """Steps of each slug of melt, cut at counts: the last row, the slug's place, the zones."""
        slug_us = self.plan.parts.slug_us
        if not slug_us:
            return []
        places = self.flowed_us[1:] // slug_us
        ends = np.concatenate((places[1:] != places[:-1], [True]))
        ends[self.rows] = True
        stops = np.flatnonzero(ends) + 1
        bounds = np.stack((np.concatenate(([0], stops[:-1])), stops), axis=1).ravel().tolist()
        nothing = [Tally()] * stops.size
        zones = [nothing if zone is None else zone.tallies(bounds) for zone in self.zones]
        return [
            (stop - 1, int(places[stop - 1]), tallies)
            for stop, tallies in zip(stops.tolist(), zip(*zones, strict=True), strict=True)
        ][::-1]

    def _advance_slugs(self, slugged: list[tuple[int, int, tuple[Tally, ...]]], row: int) -> None:
        """Melt that left until a row."""
        while slugged and slugged[-1][0] <= row:
            _, place, zones = slugged.pop()
            if self.slugs and self.slugs[-1].place == place:
                grown = zip(self.slugs[-1].zones, zones, strict=True)
                self.slugs[-1] = Slug(place, tuple(a + b for a, b in grown))
            else:
                self.slugs.append(Slug(place, zones))

    def close(self) -> Parts:
        """The parts after the piece."""
        return Parts(
            self.plan.parts.zones,
            self.counter,
            self.part,
            int(self.flow[-1]),
            int(self.flowed_us[-1]),
            self._kept_slugs(),
            tuple(self.recent),
            self.unjoined,
            self.joined,
            tuple(self.blind_us),
            tuple(self.judged),
        )

    def _kept_slugs(self) -> tuple[Slug, ...]:
        """Slugs whose melt can still arrive in a part that is not counted."""
        ways = [way for way in self.plan.parts.transits if way is not None]
        if not ways:
            return ()
        from_us = min(way.reach(self.part.flowed_before_us, 0)[0] for way in ways)
        first = from_us // self.plan.parts.slug_us
        return tuple(slug for slug in self.slugs if slug.place >= first)


class _Tallied(NamedTuple):
    """What a span of steps comes to."""

    zones: tuple[Tally, ...]
    standing: tuple[int, ...]
    marks: int


class _Steps(NamedTuple):
    """Temperatures at both ends of each step, in mK, which add up exactly in any order."""

    first_mk: Ints
    last_mk: Ints
    low_mk: Ints
    high_mk: Ints
    lowest_c: float
    highest_c: float

    @classmethod
    def of(cls, series: Series) -> _Steps:
        """Steps of a series; those that are not joined mean nothing."""
        temp_mk = np.rint(series.value * 1000.0).astype(np.int64)
        first_mk, last_mk = temp_mk[:-1], temp_mk[1:]
        return cls(
            first_mk,
            last_mk,
            np.minimum(first_mk, last_mk),
            np.maximum(first_mk, last_mk),
            series.lowest,
            series.highest,
        )

    def may_be_beyond(self, edge_c: float, margin_k: float, *, is_high: bool) -> bool:
        """Whether some step can be within a margin of an edge, or beyond it."""
        margin_k += 0.001
        if is_high:
            return self.highest_c > edge_c - margin_k
        return self.lowest_c < edge_c + margin_k

    def beyond(self, edge_c: float, margin_k: float, *, is_high: bool) -> Bools:
        """Which steps are within a margin of an edge, or beyond it."""
        if is_high:
            over: Bools = self.high_mk > round((edge_c - margin_k) * 1000.0)
            return over
        under: Bools = self.low_mk < round((edge_c + margin_k) * 1000.0)
        return under


def _ready(trace: ZoneTrace, size: int) -> Bools:
    """Whether the zone stood ready at the row before and at each row; unseen is no no."""
    is_ready = np.ones(size + 1, dtype=np.bool_)
    for row, phase in trace.phases:
        is_ready[row:] = phase in {Phase.READY, Phase.UNKNOWN}
    return is_ready
