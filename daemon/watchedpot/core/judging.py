"""One piece of a block through the parts: steps get their marks, counts cut them into parts.

Columns first: what each step lays on the part under way, in each zone and in the cell. Then the
few rows that matter are visited in order: where parts are counted, a slug of melt is full,
a part is joined, or a zone has been lost from sight for too long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.columns import CellColumns
from watchedpot.core.counting import Count, Counter, Jump, count, whole_numbers
from watchedpot.core.doubts import LATER, Doubt, Turn, begun, doubted, doubts_of, followed_places
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.parts import (
    BIT,
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
from watchedpot.core.steps import Bools, Chills, Ints, Met, Steps, part_steps
from watchedpot.core.units import NANO, ns
from watchedpot.core.walk import Filed, ZoneEdge, ZoneTrace

_VERDICTS = tuple(Verdict)
_OF_CHARGE = {
    "is_spent": PartRule.SPENT_CHARGE,
    "is_overheated": PartRule.OVERHEATED_CHARGE,
}
"""Rules about the charge by the edge from which they hold."""


class Walked(NamedTuple):
    """What the zones were over a piece of a block.

    Attributes
    ----------
    traces
        Of each zone; None for those that the block says nothing of.
    edges
        Of all zones, rows counted from 1 at the start of the piece.
    turns
        Where findings begin or cease to speak against parts.
    """

    traces: Sequence[ZoneTrace | None]
    edges: Sequence[ZoneEdge]
    turns: Sequence[Turn] = ()


class Judged(NamedTuple):
    """The parts after a piece, what happened with the rows that show it, and the last count.

    A count says that melt has flowed, even if it was too short to be seen; None without one. [ns]
    """

    parts: Parts
    filed: list[Filed]
    counted_ns: int | None


def judge(
    state: CellState,
    cell: CellColumns,
    piece: slice,
    walked: Walked,
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
    walked : Walked
        The zones over the piece, and what is found of them.
    plan : CellPlan
        The cell.

    Returns
    -------
    Judged
        Rows count from 1 at the start of the piece.
    """
    rules = plan.rules
    if rules.parts is None and rules.part_id is None:
        return Judged(state.parts, [], None)
    walk = _Judging(state, cell, piece, walked, plan)
    walk.run()
    counted_ns = int(walk.mono_ns[walk.certain[-1]]) if walk.certain else None
    return Judged(walk.close(), walk.filed, counted_ns)


class _Moment(NamedTuple):
    """A row that matters; those of one row come in the order of their rank."""

    row: int
    rank: int
    what: Any


LOOKED_BACK, LOOKED_BACK_NS = 64, ns(600.0)
"""Parts that a finding may speak against that is told after they were judged, and for how long:
a reading that stands still is told after minutes; our choice. [1, ns]"""

LONGEST_WAIT_NS = ns(600.0)
"""Pause after which no part is joined any more that was made before it: our choice. [ns]"""


def _size(event: Event) -> int:
    """Parts that a judgement is about."""
    return int(event.detail("last") or 0) + 1 - int(event.detail("first") or 0)


class _Left(NamedTuple):
    """Some melt that left until a row, counted from 0."""

    row: int
    slug: Slug


class _Judging:
    """One pass over one piece; lives as long as the call, and so may change in place."""

    def __init__(
        self,
        state: CellState,
        cell: CellColumns,
        piece: slice,
        walked: Walked,
        plan: CellPlan,
    ) -> None:
        self.before = state
        self.cell = cell
        self.piece = piece
        self.traces = walked.traces
        self.edges = walked.edges
        self.turns = walked.turns
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
        self.by_row: dict[int, list[Count]] = {}
        for counted in self.counts:
            self.by_row.setdefault(counted.row, []).append(counted)
        self.rows = sorted(self.by_row)
        self.certain = [
            row for row in self.rows if any(each.is_certain for each in self.by_row[row])
        ]
        # A step may have melt flowing if either end may; the one that shows a count ends a part.
        self.may_flow = (self.flow[1:] != 0) | (self.flow[:-1] != 0)
        self.may_flow[self.rows] = True
        self.doubts: tuple[Doubt, ...] = doubts_of(state.diagnosis.findings, plan.rules.id)
        self.suspected = self._suspected()
        self.steps = self._steps(None)
        self.blind_us = list(state.parts.blind_us)

    def _steps(self, is_unsaid: Bools | None) -> Steps:
        """What the steps lay on the part under way."""
        return part_steps(
            self.traces,
            self.may_flow,
            self.plan.parts,
            doubted=self.before.failed_checks,
            chills=Chills(self.parts.chilled_ns, self._wiped_ns()),
            suspected=self.suspected,
            is_unsaid=is_unsaid,
        )

    def _suspected(self) -> dict[int, Ints]:
        """Marks of findings on the steps of zones whose melt is followed."""
        if not self.doubts and not self.turns:
            return {}
        found: dict[int, Ints] = {}
        doubts, first = self.doubts, 0
        for row, after in (*self.turns, Turn(self.size, ())):
            for doubt in doubts:
                for place in followed_places(doubt, self.plan.parts):
                    marks = found.setdefault(place, np.zeros(self.size, dtype=np.int64))
                    marks[first:row] |= BIT[doubt.rule]
            doubts, first = after, row
        return found

    def _wiped_ns(self) -> Ints:
        """Rows that show the nozzle being wiped. [ns]."""
        columns = self.cell.columns(self.plan.rules.wiped, self.piece)
        if columns is None:
            return self.mono_ns[:0]
        return self.mono_ns[columns.is_good & (columns.value > 0.0)]

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
        rows, named = whole_numbers(columns.value, columns.is_good)
        if not rows.size:
            return counter, [], []
        before = named[0] if counter.value is None else counter.value
        earlier = np.concatenate(([before], named[:-1]))
        made = np.flatnonzero((named != earlier) & (earlier > 0))
        counts = [
            Count(int(rows[place]), int(earlier[place]), int(earlier[place]), counter.epoch)
            for place in made.tolist()
        ]
        counter = replace(counter, value=int(named[-1]), seen_ns=int(self.mono_ns[rows[-1]]))
        return counter, counts, []

    def _cell_marks(self, spans: Sequence[tuple[int, int]]) -> list[int]:
        """The rules of the cell that speak against the melt of each span."""
        if not self.may_flow.any():
            return [0] * len(spans)
        charge, marks = self.before.charge, np.zeros(self.size, dtype=np.int64)
        ages = self.plan.parts.pot_life_s is not None
        for rule, is_so in (
            (PartRule.UNKNOWN_AGE, not charge.is_age_known and ages),
            (PartRule.DOUBTED_CHARGE, charge.is_doubted),
            (PartRule.UNFIT_CHARGE, bool(charge.unfit)),
            (PartRule.SPENT_CHARGE, charge.is_spent),
            (PartRule.OVERHEATED_CHARGE, charge.is_overheated),
        ):
            if is_so:
                marks |= BIT[rule]
        for edge in self.edges:
            is_followed = edge.zone in self.plan.parts.followed
            if edge.is_on and edge.name in _OF_CHARGE and not is_followed:
                marks[edge.row - 1 :] |= BIT[_OF_CHARGE[edge.name]]
        if charge.expires_utc_ns is not None:
            late = self.cell.block.seen_ns[self.piece] > charge.expires_utc_ns
            marks[late] |= BIT[PartRule.UNFIT_CHARGE]
        marks[self._after_idle()] |= BIT[PartRule.AFTER_IDLE]
        marks[~self.may_flow] = 0
        return [int(np.bitwise_or.reduce(marks[first:stop])) for first, stop in spans]

    def _after_idle(self) -> Bools:
        """Rows where melt flows that has stood in the nozzle for too long.

        A row that counts a part for certain says that melt has flowed, however short.
        """
        flows = self.flow[1:] > 0
        has_flowed = flows.copy()
        has_flowed[self.certain] = True
        if not has_flowed.any() or self.plan.rules.dispensing is None:
            return np.zeros(self.size, dtype=np.bool_)
        longest_ns = ns(self.plan.rules.purge_after_idle_s)
        long_ago = int(self.mono_ns[0]) - longest_ns - 1
        fresh_ns = long_ago if self.before.fresh_ns is None else self.before.fresh_ns
        flowed = np.maximum.accumulate(
            np.concatenate(
                ([fresh_ns], np.where(has_flowed, self.mono_ns, min(fresh_ns, long_ago)))
            )
        )
        stale: Bools = has_flowed & (self.mono_ns - flowed[:-1] > longest_ns)
        return stale

    def run(self) -> None:
        """Visit the rows that matter, in order, and add up the steps between them."""
        moments = [_Moment(jump.row, 0, jump) for jump in self.jumps]
        moments += [_Moment(turn.row, 1, turn) for turn in self.turns]
        moments += [_Moment(row, 2, None) for row in self.rows]
        moments += [_Moment(row, 3, joined) for row, joined in self._joinings()]
        moments += [_Moment(row, 4, zones) for row, zones in self._losses()]
        moments.sort(key=lambda moment: moment[:2])
        spans = self._spans()
        met = self.steps.met(spans) if spans else []
        marks = self._cell_marks(spans)
        slugged = self._slugged(spans, met)
        ages_s = self._ages_s() if self.rows else []
        part = self._carried()
        n = 0
        for moment in moments:
            if isinstance(moment.what, Jump):
                self._jump(moment.what)
            elif moment.rank == 1:
                self._advance_slugs(slugged, moment.row)
                self._turn(moment.row, moment.what.doubts)
            elif moment.rank == 2:
                self._advance_slugs(slugged, moment.row)
                part = self._grown(part, spans[n], met[n], marks[n])
                self._count(part, moment.row, ages_s[n])
                n += 1
                part = self._begun(moment.row)
            elif moment.rank == 3:
                self._join(moment.row, moment.what)
            else:
                self._lose(moment.row, moment.what)
        self._advance_slugs(slugged, self.size)
        self.part = self._grown(part, spans[n], met[n], marks[n]) if n < len(spans) else part
        self.part = replace(self.part, part_id=self._part_id(self.size))

    def _carried(self) -> OpenPart:
        """The part under way when the piece begins."""
        part, zones = self.parts.under_way, self.plan.parts.zones
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

    def _grown(self, part: OpenPart, span: tuple[int, int], met: Met, marks: int) -> OpenPart:
        """The part under way with some more steps."""
        first, stop = span
        flow = self.flow[first + 1 : stop + 1]
        begun = part.begun
        if begun is None and flow.any():
            begun = self._since(first + int(np.argmax(flow != 0)))
        return OpenPart(
            part.since,
            tuple(a + b for a, b in zip(part.zones, met.zones, strict=True)),
            tuple(a | b for a, b in zip(part.standing, met.standing, strict=True)),
            part.marks | marks,
            begun,
            part.flowed_us + int(self.flowed_us[stop] - self.flowed_us[first]),
            part.flowed_before_us,
            part.part_id,
        )

    def _since(self, row: int) -> Instant:
        """When melt began to flow that a row shows, or that it does not show to stand.

        Where nobody saw it, it may have been as early as the row before.
        """
        at = self.cell.instant(self.piece.start + row)
        if self.flow[row + 1] > 0:
            return at
        earlier_ns = (
            int(self.mono_ns[row - 1])
            if row
            else dict(self.before.rows).get(self.cell.block.source, at.mono_ns)
        )
        return Instant(at.utc_ns - (at.mono_ns - earlier_ns), earlier_ns)

    def _count(self, part: OpenPart, row: int, age_s: float | None) -> None:
        """The parts that a row counts, judged."""
        plan, at = self.plan.parts, self.cell.instant(self.piece.start + row)
        # While melt flows at the count, the id may be that of the next part already.
        part_id = self._part_id(row + 1 if self.flow[row + 1] == 0 else row)
        part = part if part_id == part.part_id else replace(part, part_id=part_id)
        for counted in self.by_row[row]:
            if not counted.is_certain and part.begun is None:
                continue  # nothing was dispensed, so nothing was made
            if self.plan.rules.parts is None:
                part = replace(part, part_id=counted.first)
            made = Made(
                counted,
                at,
                part,
                int(self.flowed_us[row + 1]),
                self.before.charge.id,
                age_s,
                *self._inspected(row),
            )
            event = judged(made, self.slugs, plan)
            if self.doubts:
                event = doubted(event, self.doubts, "", plan) or event
            self._file(row, event, counted.last + 1 - counted.first)

    def _file(self, row: int, event: Event, count: int) -> None:
        """A part judged for the first time."""
        self.filed.append((row + 1, event))
        self.judged[_VERDICTS.index(Verdict(str(event.detail("verdict"))))] += count
        self._queue(row, event, count)

    def _queue(self, row: int, event: Event, count: int) -> None:
        """The part waits to be joined, behind those before it.

        Those that still wait after a long pause were joined too late, or nobody saw it: they are
        taken out, so that a joining that was missed does not shift all that follow.
        """
        if self.recent and event.at.mono_ns - self.recent[-1].at.mono_ns > LONGEST_WAIT_NS:
            self._join(row, self.unjoined)
        self.recent.append(event)
        if self.plan.rules.joined is not None:
            self.unjoined = min(self.unjoined + count, UNJOINED)
        keeps = max(self.plan.parts.before_loss, self._waiting(), self._may_be_doubted())
        del self.recent[: max(0, len(self.recent) - keeps)]

    def _waiting(self) -> int:
        """How many of the newest judgements are about parts that wait to be joined."""
        left, events = self.unjoined, 0
        for event in reversed(self.recent):
            if left <= 0:
                break
            left -= _size(event)
            events += 1
        return events

    def _may_be_doubted(self) -> int:
        """How many of the newest judgements a finding may still speak against."""
        if not self.plan.parts.has_doubts:
            return 0
        oldest_ns = self.recent[-1].at.mono_ns - LOOKED_BACK_NS
        young = sum(event.at.mono_ns >= oldest_ns for event in self.recent)
        return min(young, LOOKED_BACK)

    def _part_id(self, stop: int) -> int | None:
        """The newest id that was named before a row."""
        columns = self.cell.columns(self.plan.rules.part_id, self.piece)
        if columns is None:
            return self.parts.under_way.part_id
        _, named = whole_numbers(columns.value[:stop], columns.is_good[:stop])
        named = named[named > 0]
        return int(named[-1]) if named.size else self.parts.under_way.part_id

    def _ages_s(self) -> list[float | None]:
        """The age of the charge at each row that counts, by the stricter bound."""
        place, zone = self.plan.reservoir, self.plan.charge_zone
        if place is None or zone is None or zone.rules.material.ageing is None:
            return [None] * len(self.rows)
        aged, trace = self.before.zones[place].dose, self.traces[place]
        oldest_ns = np.full(self.size, max(aged.low_ns, aged.high_ns))
        if trace is not None and trace.low_ns.size:
            oldest_ns = np.maximum(
                aged.low_ns + np.cumsum(trace.low_ns), aged.high_ns + np.cumsum(trace.high_ns)
            )
        return [age_ns / NANO for age_ns in oldest_ns[self.rows].tolist()]

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
        rows, read = whole_numbers(columns.value, columns.is_good)
        if not rows.size:
            return []
        before = read[0] if self.joined is None else self.joined
        grown = read - np.concatenate(([before], read[:-1]))
        self.joined = int(read[-1])
        return [(int(rows[n]), int(grown[n])) for n in np.flatnonzero(grown > 0).tolist()]

    def _join(self, row: int, joined: int) -> None:
        """The parts that have waited longest are joined, some of them too late."""
        plan, at = self.plan.parts, self.cell.instant(self.piece.start + row)
        for _ in range(min(joined, self.unjoined)):
            place = len(self.recent) - self._waiting()
            self.unjoined -= 1
            event = self.recent[place]
            began_ns = event.at.utc_ns - int(event.detail("begun_utc_ns") or 0)
            joined_s = (at.mono_ns - event.at.mono_ns + began_ns) / NANO
            if plan.open_time_s is not None and joined_s > plan.open_time_s:
                against = [(PartRule.OPEN_TIME, "")]
                late = judged_again(event, against, "joined late", plan, joined_s=joined_s)
                self._replace(row, place, late)

    def _replace(self, row: int, place: int, event: Event | None) -> None:
        """A part judged once more, if that changed anything."""
        if event is not None:
            self.recent[place] = event
            self.filed.append((row + 1, event))

    def _losses(self) -> list[tuple[int, list[str]]]:
        """Rows by which zones have been lost from sight for too long, and which."""
        losses: dict[int, list[str]] = {}
        for place, trace in enumerate(self.traces):
            if trace is None:
                continue
            joined = trace.series.is_joined
            if joined.all():
                self.blind_us[place] = 0
                continue
            blind_us = np.cumsum(np.where(joined, 0, trace.series.step_ns // 1000))
            blind_us += self.blind_us[place]
            blind_us -= np.maximum.accumulate(np.where(joined, blind_us, 0))
            earlier_us = np.concatenate(([self.blind_us[place]], blind_us[:-1]))
            limit_us = self.plan.parts.blind_us
            for row in np.flatnonzero((blind_us > limit_us) & (earlier_us <= limit_us)).tolist():
                if self._was_producing(row, int(blind_us[row])):
                    losses.setdefault(row, []).append(self.plan.parts.zones[place])
            self.blind_us[place] = int(blind_us[-1])
        return list(losses.items())

    def _was_producing(self, row: int, blind_us: int) -> bool:
        """Whether the cell was in production when it was lost from sight."""
        lost_ns = int(self.mono_ns[row]) - 1000 * blind_us
        flowed = self.mono_ns[: row + 1][self.flow[1 : row + 2] > 0]
        newest_ns = int(flowed[-1]) if flowed.size else self.before.last_dispensing_ns
        return newest_ns is not None and lost_ns - newest_ns <= self.plan.production_hold_ns

    def _lose(self, row: int, zones: Sequence[str]) -> None:
        """The newest parts before a loss of readings are doubted with it."""
        first = max(0, len(self.recent) - self.plan.parts.before_loss)
        against = [(PartRule.BEFORE_LOSS, zone) for zone in zones]
        for place in range(first, len(self.recent)):
            event = self.recent[place]
            doubted = judged_again(event, against, "readings lost", self.plan.parts)
            self._replace(row, place, doubted)

    def _turn(self, row: int, doubts: tuple[Doubt, ...]) -> None:
        """Findings begin or cease to speak against parts, also those made since their onset."""
        new, self.doubts = begun(self.doubts, doubts), doubts
        for doubt in new:
            self._mark_slugs(row, doubt)
        for place, event in enumerate(self.recent):
            self._replace(row, place, doubted(event, new, LATER, self.plan.parts))

    def _mark_slugs(self, row: int, doubt: Doubt) -> None:
        """Melt that may have left since the onset: no more of it than had time passed flowing."""
        places = followed_places(doubt, self.plan.parts)
        if not places:
            return
        since_us = (int(self.mono_ns[row]) - doubt.onset_ns) // 1000
        first = (int(self.flowed_us[row + 1]) - since_us) // self.plan.parts.slug_us
        for nth, slug in enumerate(self.slugs):
            if slug.place >= first:
                zones = tuple(
                    replace(tally, marks=tally.marks | BIT[doubt.rule])
                    if place in places
                    else tally
                    for place, tally in enumerate(slug.zones)
                )
                self.slugs[nth] = Slug(slug.place, zones)

    def _slugged(self, spans: Sequence[tuple[int, int]], met: Sequence[Met]) -> list[_Left]:
        """Melt that left in the piece, cut at slugs and at counts, the newest first."""
        slug_us = self.plan.parts.slug_us
        if not slug_us:
            return []
        places = self.flowed_us[1:] // slug_us
        # Melt on its way is counted while it is said to flow: a zone that is seen, say cold in
        # the morning, shows in no part because for a moment nobody said that melt stood.
        is_unsaid = (self.flow[1:] < 0) | (self.flow[:-1] < 0)
        is_unsaid &= (self.flow[1:] <= 0) & (self.flow[:-1] <= 0)
        is_said = not is_unsaid.any()
        steps = self.steps if is_said else self._steps(is_unsaid)
        if is_said and len(spans) == 1 and places[0] == places[-1] and not self.turns:
            return [_Left(self.size - 1, Slug(int(places[0]), met[0].zones))]
        ends = np.concatenate((places[1:] != places[:-1], [True]))
        ends[self.rows] = True
        ends[[turn.row for turn in self.turns]] = True
        stops = (np.flatnonzero(ends) + 1).tolist()
        cuts = list(pairwise([0, *stops]))
        return [
            _Left(stop - 1, Slug(int(places[stop - 1]), left.zones))
            for (_, stop), left in zip(cuts, steps.met(cuts), strict=True)
        ][::-1]

    def _advance_slugs(self, slugged: list[_Left], row: int) -> None:
        """Melt that left until a row."""
        while slugged and slugged[-1].row <= row:
            new = slugged.pop().slug
            if self.slugs and self.slugs[-1].place == new.place:
                grown = zip(self.slugs[-1].zones, new.zones, strict=True)
                new = Slug(new.place, tuple(a + b for a, b in grown))
                self.slugs.pop()
            self.slugs.append(new)

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
            self.steps.chilled_ns,
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
