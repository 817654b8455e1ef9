"""Why the temperature moves: bins, signs, suspicions and findings of a cell, block by block.

Each source goes at its own pace: what its rows finish is looked at with the newest signs of the
zones of other sources. Figures and signs are computed for all bins of a block at once; rules and
findings are visited only where a sign changed, or where an open finding is to be looked at again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from watchedpot.core import findings as machine
from watchedpot.core.bins import BIN_NS, Binned, Bins, CellInput, OpenBin, ZoneInput, fill_bins
from watchedpot.core.causes import ACTIONS
from watchedpot.core.doubts import Turn, doubts_of
from watchedpot.core.findings import (
    KEPT_ENDED,
    RANKS,
    Finding,
    Stage,
    Subject,
    Suspicion,
    finding_event,
)
from watchedpot.core.learned import (
    Learned,
    ZoneFacts,
    first_learned,
    gathered,
    round_bins,
    rounded_off,
    zone_figures,
)
from watchedpot.core.model import Event, EventKind, Instant
from watchedpot.core.rules import CellRules
from watchedpot.core.signs import KEPT, KINDS, Carried, Seen, Sign, look
from watchedpot.core.snapshot import Candidate, Cause, Severity
from watchedpot.core.suspicions import TOGETHER, TRIGGERS, ZoneMoment, suspicions
from watchedpot.core.units import NANO

AGAIN_BINS, LATER_BINS = 5, 30
"""After so many bins an open finding is looked at again: a young one, and an old one. [1]"""

YOUNG_NS = 600 * NANO
"""Until then a finding is young. [ns]"""

JUMP_NS = NANO
"""A step of the clock against the other that is worth a note. [ns]"""

WAY_BACK_NS = 300 * NANO
"""So long after something serious is over a zone may overshoot on its way back. [ns]"""

LAGS = {kind: figures.lag_s for kind, figures in KINDS.items()}

_EXPLAINED = frozenset({Cause.DRAFT, Cause.PART_OF_HEAT, Cause.OVERSHOOT, Cause.HANDLING})
"""What a zone next to one in trouble may show."""

_ANY = TRIGGERS[Subject.HEAT] | TRIGGERS[Subject.DATA] | TRIGGERS[Subject.COURSE] | TOGETHER
_BLINDING = (
    Sign.SENSOR.bit
    | Sign.UNREADABLE.bit
    | Sign.ZEROED.bit
    | Sign.SILENT.bit
    | Sign.STOPPED.bit
    | Sign.MISREAD.bit
    | Sign.REPEATED.bit
)


@dataclass(frozen=True, slots=True)
class SourceWatch:
    """What is carried of one source and of the zones that it serves.

    Attributes
    ----------
    round_end
        First bin behind the round of learning under way.
    due
        Bin at which open findings are to be looked at again, None without any.
    index
        The newest finished bin.
    """

    source: str
    zones: tuple[str, ...]
    under_way: OpenBin
    carried: tuple[Carried, ...]
    round_end: int
    due: int | None = None
    index: int = 0


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All that is carried of the causes of a cell.

    Attributes
    ----------
    findings
        Open ones in the order of their opening, then the newest ended ones.
    count
        Findings since the account began.
    """

    sources: tuple[SourceWatch, ...] = ()
    learned: tuple[Learned, ...] = ()
    findings: tuple[Finding, ...] = ()
    ended: tuple[Finding, ...] = ()
    count: int = 0


@dataclass(frozen=True, slots=True)
class ZoneRole:
    """What is planned for a zone: what the configuration says, whether a setpoint is read."""

    zone: str
    facts: ZoneFacts
    has_setpoint: bool


@dataclass(frozen=True, slots=True)
class DiagnosisPlan:
    """What the rules of a cell come to for its causes, computed once; no role: none is sought."""

    cell: str
    roles: tuple[ZoneRole, ...]

    def role(self, zone: str) -> ZoneRole:
        """What is planned for a zone."""
        return next(role for role in self.roles if role.zone == zone)


def plan_diagnosis(rules: CellRules) -> DiagnosisPlan:
    """The plan of one cell."""
    return DiagnosisPlan(
        rules.id,
        tuple(
            ZoneRole(
                zone.id,
                ZoneFacts(
                    kind=zone.kind,
                    usual_c=0.5 * (zone.low_c + zone.high_c)
                    if zone.setpoint_c is None
                    else zone.setpoint_c,
                    low_c=zone.low_c,
                    high_c=zone.high_c,
                    off_c=zone.off_below_c,
                    has_output=zone.output is not None,
                    is_wipe_told=rules.wiped is not None,
                ),
                zone.setpoint is not None,
            )
            for zone in (rules.zones if rules.finds_causes else ())
        ),
    )


def start_diagnosis(plan: DiagnosisPlan) -> Diagnosis:
    """Nothing seen, nothing learned."""
    return Diagnosis(
        learned=tuple(first_learned(role.zone, role.facts.kind) for role in plan.roles)
    )


def adopted_diagnosis(state: Diagnosis, plan: DiagnosisPlan) -> Diagnosis:
    """The same under another configuration: what is still configured goes on, matched by name.

    What was carried of other signs than these, by another version, begins anew.
    """
    names = [role.zone for role in plan.roles]
    known = {zone.zone: zone for zone in state.learned}
    fresh = start_diagnosis(plan)
    return replace(
        state,
        sources=tuple(
            one
            for one in state.sources
            if all(zone in names for zone in one.zones)
            and all(len(zone.held) == len(Sign) for zone in one.carried)
        ),
        learned=tuple(known.get(zone.zone, zone) for zone in fresh.learned),
        findings=tuple(f for f in state.findings if all(zone in names for zone in f.zones)),
    )


class Told(NamedTuple):
    """Something that a finding did, with the row of the block that shows it, from 0."""

    row: int
    event: Event


class Diagnosed(NamedTuple):
    """The causes after a block, what is to be told, and where doubts about parts are others."""

    state: Diagnosis
    told: list[Told]
    turns: list[Turn]


def diagnose(
    state: Diagnosis,
    source: str,
    cell: CellInput,
    zones: dict[str, ZoneInput],
    *,
    plan: DiagnosisPlan,
    alarms_at: Callable[[int], tuple[tuple[str, str], ...]],
) -> Diagnosed:
    """A block of rows of one source through the causes of its cell.

    Parameters
    ----------
    state, plan
        Before, and the cell.
    cell, zones
        n >= 1 rows; the zones whose temperature the source serves, at least one, in the order of
        the plan.
    alarms_at
        Names and zones of the alarms that are on after a row, counted from 0.
    """
    names = tuple(zones)
    watch = next((one for one in state.sources if one.zones == names), None)
    binned = fill_bins(watch.under_way if watch else None, cell, list(zones.values()))
    if watch is not None and not len(binned.bins):
        # As after most rows of a live cell: nothing to look at.
        after = replace(watch, under_way=binned.under_way)
        sources = tuple(after if one is watch else one for one in state.sources)
        return Diagnosed(replace(state, sources=sources), [], [])
    return _Pass(state, source, cell, names, plan=plan, alarms_at=alarms_at).run(watch, binned)


class _Pass:
    """One pass over one block; lives as long as the call, and so may change in place."""

    def __init__(
        self,
        state: Diagnosis,
        source: str,
        cell: CellInput,
        names: tuple[str, ...],
        *,
        plan: DiagnosisPlan,
        alarms_at: Callable[[int], tuple[tuple[str, str], ...]],
    ) -> None:
        self.plan = plan
        self.cell = cell
        self.alarms_at = alarms_at
        self.names = names
        self.roles = [plan.role(name) for name in names]
        self.state = state
        self.others = [one for one in state.sources if not set(one.zones) & set(names)]
        self.source = source
        known = {zone.zone: zone for zone in state.learned}
        self.learned = [known[name] for name in self.names]
        self.findings = list(state.findings)
        self.ended = list(state.ended)
        self.count = state.count
        self.told: list[Told] = []
        self.doubts = doubts_of(self.findings, plan.cell)
        self.turns: list[Turn] = []

    def run(self, watch: SourceWatch | None, binned: Binned) -> Diagnosed:
        """All bins that the block finished."""
        if watch is None:
            carried = (Carried(),) * len(self.names)
            first = int(self.cell.mono_ns[0]) // BIN_NS
            watch = SourceWatch(
                self.source, self.names, binned.under_way, carried, self._round_end(first)
            )
        self.carried, self.round_end, self.due = watch.carried, watch.round_end, watch.due
        bins, start = binned.bins, 0
        while start < len(bins):
            if bins.index[start] >= self.round_end:
                self._end_round(int(bins.index[start]))
            stop = int(np.searchsorted(bins.index, self.round_end))
            self._chunk(bins if stop - start == len(bins) else bins.part(start, stop))
            start = stop
        newest = int(bins.index[-1]) if len(bins) else watch.index
        watch = replace(
            watch,
            under_way=binned.under_way,
            carried=self.carried,
            round_end=self.round_end,
            due=self.due,
            index=newest,
        )
        learned = {zone.zone: zone for zone in (*self.state.learned, *self.learned)}
        sources = sorted((*self.others, watch), key=lambda one: one.zones)
        return Diagnosed(
            replace(
                self.state,
                sources=tuple(sources),
                learned=tuple(learned[zone.zone] for zone in self.state.learned),
                findings=tuple(self.findings),
                ended=tuple(self.ended),
                count=self.count,
            ),
            self.told,
            self.turns,
        )

    def _round_end(self, index: int) -> int:
        """First bin behind the round that a bin lies in."""
        length = round_bins(min(zone.rounds for zone in self.learned))
        return (index // length + 1) * length

    def _end_round(self, index: int) -> None:
        """A round of learning is over."""
        kinds = [role.facts.kind for role in self.roles]
        self.learned = [
            rounded_off(zone, kind) for zone, kind in zip(self.learned, kinds, strict=True)
        ]
        for finding in self.findings:
            self._disturb(finding)
        self.round_end = self._round_end(index)

    def _disturb(self, finding: Finding) -> None:
        """Nothing is learned of a zone while something is wrong with it."""
        if finding.subject is Subject.COURSE:
            return
        self.learned = [
            replace(zone, is_disturbed=True) if zone.zone in finding.zones else zone
            for zone in self.learned
        ]

    def _chunk(self, bins: Bins) -> None:
        """Some bins of one round of learning, at least one."""
        figures = zone_figures(self.learned, [role.facts for role in self.roles])
        masks = np.array([[zone.mask] for zone in self.carried], dtype=np.int64)
        seen = look(self.carried, bins, figures)
        before = np.concatenate((masks, seen.mask[:, :-1]), axis=1)
        is_changed = (((seen.mask ^ before) & _ANY) != 0).any(axis=0)
        is_changed |= bins.jump_ns > JUMP_NS
        self._visits(bins, seen, np.flatnonzero(is_changed).tolist())
        self.carried = seen.carried
        after = gathered([zone.gathered for zone in self.learned], bins, seen)
        self.learned = [
            replace(zone, gathered=new) for zone, new in zip(self.learned, after, strict=True)
        ]

    def _visits(self, bins: Bins, seen: Seen, changed: list[int]) -> None:
        """The bins at which a sign changed, and those that are due."""
        place, size = 0, len(bins)
        queue = iter((*changed, size))
        following = next(queue)
        while True:
            due = size
            if self.due is not None:
                due = max(int(np.searchsorted(bins.index, self.due)), place)
            place = min(following, due)
            if place >= size:
                return
            if place == following:
                following = next(queue)
            self._visit(bins, seen, place)
            place += 1

    def _visit(self, bins: Bins, seen: Seen, place: int) -> None:
        """Rules and findings at one bin."""
        index, row = int(bins.index[place]), int(bins.row[place])
        at = Instant(int(self.cell.seen_ns[row]), int(self.cell.mono_ns[row]))
        moments = self._moments(seen, place)
        favoured = {
            (finding.subject, zone): finding.cause
            for finding in self.findings
            for zone in finding.zones
        }
        found = suspicions(moments, index, favoured)
        if bins.jump_ns[place] > JUMP_NS:
            found.append(_clock(bins, place))
        self._take(found, moments, index, at, row)
        self._turn_doubts(row)
        self._plan_next(index, at)

    def _turn_doubts(self, row: int) -> None:
        """What the findings say against parts, where that is something else now."""
        doubts = doubts_of(self.findings, self.plan.cell)
        if doubts != self.doubts:
            self.doubts = doubts
            self.turns.append(Turn(row, doubts))

    def _moments(self, seen: Seen, place: int) -> list[ZoneMoment]:
        """Every zone of the cell at one bin."""
        of_ours = {name: zone for zone, name in enumerate(self.names)}
        masks = {
            name: carried.mask
            for other in self.others
            for name, carried in zip(other.zones, other.carried, strict=True)
        }
        moments = []
        for role in self.plan.roles:
            zone = of_ours.get(role.zone)
            if zone is not None:
                span = slice(place + 1, place + 1 + KEPT)
                moments.append(
                    ZoneMoment(
                        role.zone,
                        int(seen.mask[zone, place]),
                        seen.figures.at(zone, place),
                        seen.temp_mk[zone, span],
                        seen.outputs[zone, span],
                        LAGS[role.facts.kind],
                        role.has_setpoint,
                    )
                )
            elif role.zone in masks:
                nothing = np.zeros(0, dtype=np.int64)
                moments.append(
                    ZoneMoment(
                        role.zone,
                        masks[role.zone],
                        {},
                        nothing,
                        nothing,
                        0.0,
                        role.has_setpoint,
                    )
                )
        return moments

    def _take(
        self,
        found: list[Suspicion],
        moments: list[ZoneMoment],
        index: int,
        at: Instant,
        row: int,
    ) -> None:
        """The findings after what is suspected at one bin."""
        found = sorted(found, key=lambda one: RANKS[one.severity])
        matched: set[int] = set()
        for suspicion in found:
            place = self._home(suspicion)
            if place is None:
                if self._is_explained(suspicion, at):
                    continue
                self.count += 1
                finding = machine.opened(suspicion, self.count, at)
                self.findings.append(finding)
                matched.add(finding.number)
                self._tell(finding, EventKind.FINDING_OPENED, at, row)
                continue
            finding = self.findings[place]
            if finding.number in matched or _is_aftermath(finding, suspicion):
                continue
            matched.add(finding.number)
            finding, kind = machine.shown(finding, suspicion, index, at)
            self.findings[place] = finding
            if kind is not None:
                self._tell(finding, kind, at, row)
            if finding.cause is suspicion.cause:
                self._take_in(finding, suspicion, at, row)
        self._fade(matched, moments, at, row)

    def _take_in(self, finding: Finding, suspicion: Suspicion, at: Instant, row: int) -> None:
        """What was told of single zones of a wider cause is part of it from now on."""
        for other in list(self.findings):
            is_part = other.subject is finding.subject and set(other.zones) <= set(suspicion.zones)
            if other.number != finding.number and is_part and not other.is_sticky:
                ended = replace(other, stage=Stage.ENDED, ended=at)
                self.findings.remove(other)
                self.ended = [ended, *self.ended][:KEPT_ENDED]
                self._tell(ended, EventKind.FINDING_ENDED, at, row)

    def _home(self, suspicion: Suspicion) -> int | None:
        """Place of the open finding that a suspicion belongs to."""
        for place, finding in enumerate(self.findings):
            is_ours = finding.subject is suspicion.subject
            if is_ours and (
                not suspicion.zones
                or set(finding.zones) & set(suspicion.zones)
                or (finding.subject is Subject.COURSE and finding.cause is suspicion.cause)
            ):
                return place
        return None

    def _is_explained(self, suspicion: Suspicion, at: Instant) -> bool:
        """Whether something lesser is explained by what is, or was just now, wrong nearby."""
        if suspicion.subject is not Subject.HEAT or suspicion.cause not in _EXPLAINED:
            return False
        worst = RANKS[Severity.HOLD]
        if suspicion.cause is Cause.OVERSHOOT and any(
            set(finding.zones) & set(suspicion.zones)
            and RANKS[finding.severity] <= worst
            and finding.ended is not None
            and at.mono_ns - finding.ended.mono_ns <= WAY_BACK_NS
            for finding in self.ended
        ):
            return True
        return any(
            finding.subject is Subject.HEAT and RANKS[finding.severity] <= worst
            for finding in self.findings
        )

    def _fade(self, matched: set[int], moments: list[ZoneMoment], at: Instant, row: int) -> None:
        """Findings of which nothing shows."""
        masks = {moment.zone: moment.mask for moment in moments if moment.figures}
        kept = []
        for finding in self.findings:
            ours = [masks[zone] for zone in finding.zones if zone in masks]
            if finding.number in matched or (finding.zones and not ours):
                kept.append(finding)
                continue
            is_heat = finding.subject is Subject.HEAT
            after, kind = machine.unshown(
                finding,
                at,
                is_blind=is_heat and any(mask & _BLINDING for mask in ours),
                is_off=bool(ours) and all(mask & Sign.OFF.bit for mask in ours),
                is_put_back=any(mask & Sign.LEAPT.bit for mask in ours),
            )
            if kind is None:
                kept.append(after)
                continue
            self._tell(after, kind, at, row)
            self.ended = [after, *self.ended][:KEPT_ENDED]
        self.findings = kept

    def _tell(self, finding: Finding, kind: EventKind, at: Instant, row: int) -> None:
        """An event of a finding."""
        self._disturb(finding)
        event = finding_event(
            finding,
            kind,
            at,
            cell=self.plan.cell,
            alarms=explained(finding, self.alarms_at(row)),
            action=ACTIONS[finding.cause],
        )
        self.told.append(Told(row, event))

    def _plan_next(self, index: int, at: Instant) -> None:
        """When open findings are to be looked at again."""
        due = []
        for finding in self.findings:
            if finding.stage is Stage.FADING or finding.rival is not None:
                due.append(index + 1)
            elif finding.subject is not Subject.COURSE:
                is_young = at.mono_ns - finding.told.mono_ns < YOUNG_NS
                due.append(index + (AGAIN_BINS if is_young else LATER_BINS))
        self.due = min(due, default=None)


def _is_aftermath(finding: Finding, suspicion: Suspicion) -> bool:
    """Whether what shows is no more than what is left of something serious that goes by."""
    is_serious = RANKS[finding.severity] <= RANKS[Severity.HOLD]
    is_other = suspicion.cause is not finding.cause
    return is_serious and is_other and suspicion.severity is Severity.NOTE


def _clock(bins: Bins, place: int) -> Suspicion:
    """The computer's clock was set."""
    jump_s = int(bins.jump_ns[place]) / NANO
    text = f"the time of day moved by {jump_s:.0f} s against the clock that never steps"
    return Suspicion(
        Subject.CLOCK,
        (),
        (Candidate(Cause.CLOCK, 0.95, (text,)),),
        Severity.NOTE,
        int(bins.index[place]) * BIN_NS,
        f"a step of {jump_s:.0f} s",
        (),
    )


def explained(finding: Finding, alarms: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    """Names of the alarms that a finding explains: of its zones, for lost data also the cell's."""
    if finding.subject in {Subject.COURSE, Subject.CLOCK}:
        return ()
    zones = {*finding.zones, *([""] if finding.subject is Subject.DATA else [])}
    return tuple(name for name, zone in alarms if zone in zones)
