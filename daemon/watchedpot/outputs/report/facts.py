"""Everything a report says, gathered from the ledger before a word of it is written.

What is here knows nothing of HTML, of units other than the base ones, and of time zones.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import CellRules, ZoneRules
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.report.activity import split_s
from watchedpot.outputs.report.capability import Capability, Parts, capability
from watchedpot.outputs.report.charges import Charge, charges
from watchedpot.outputs.report.inspection import Inspected, Inspection
from watchedpot.outputs.report.performance import (
    Activation,
    Marking,
    Performance,
    activations,
    marked,
    performance,
)
from watchedpot.outputs.report.readings import Readings, Trace, read
from watchedpot.outputs.report.revisions import (
    LimitChange,
    Revision,
    Window,
    in_force,
    rules_of,
    windows,
)
from watchedpot.outputs.report.verdicts import Made, OfParts, made

_OF_CHARGES = frozenset(
    {
        EventKind.CHARGE_CHANGED,
        EventKind.CHARGE_STATE_CHANGED,
        EventKind.CHARGE_OVERHEATED,
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """What is told of one zone.

    Attributes
    ----------
    windows
        In order of time; the last is in force at the end.
    coverage, blind_s
        Seen share, and time without readings. [1, s]
    split_s
        Time of each activity in the order of ``ACTIVITIES``. [s]
    """

    rules: ZoneRules
    windows: tuple[Window, ...]
    trace: Trace
    coverage: float
    blind_s: float
    split_s: tuple[float, ...]
    parts: OfParts
    capability: Capability


@dataclass(frozen=True, slots=True)
class Check:
    """A zone's sensor compared with a reference probe.

    Attributes
    ----------
    is_good
        Whether it was within the tolerance in force then.
    """

    at_ns: int
    zone: str
    true_c: float
    read_c: float
    tolerance_k: float
    who: str
    why: str

    @property
    def error_k(self) -> float:
        """By how much the zone read too high. [K]."""
        return self.read_c - self.true_c

    @property
    def is_good(self) -> bool:
        """Whether it read true enough."""
        return abs(self.error_k) <= self.tolerance_k


@dataclass(frozen=True, slots=True)
class Alarm:
    """One activation with what its events said, and what people found it to be."""

    activation: Activation
    zone: str
    kind: str
    response: str
    who: str
    mark: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause at work.

    Attributes
    ----------
    told
        The event that last said what it is.
    ended
        The event of its end, None while it lasts.
    """

    told: Event
    ended: Event | None


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything one report says.

    Attributes
    ----------
    from_ns, to_ns
        The span. [ns]
    made_ns, version
        When the report is made and by which version. [ns]
    revisions
        Rules in force in the span, oldest first; at least one.
    made
        The parts.
    is_counted
        Whether the cell counts parts at all.
    decided
        Decisions about parts of the cell, of any time.
    entries
        What people said in the span.
    checks, last_check_ns
        In the span, and the newest before its end of any time; None without. [ns]
    wipes
        Wipes and purges.
    jumps, rejudged
        Jumps of the counter, and what was judged again.
    unmarked
        Events that are neither of parts nor of zones' phases.
    chain
        What verifying the ledger showed.
    """

    cell: str
    from_ns: int
    to_ns: int
    made_ns: int
    version: str
    revisions: tuple[Revision, ...]
    readings: Readings
    zones: tuple[Zone, ...]
    made: Made
    is_counted: bool
    decided: tuple[ledger.Disposition, ...]
    charges: tuple[Charge, ...]
    excursions: tuple[ledger.RecordedExcursion, ...]
    alarms: tuple[Alarm, ...]
    findings: tuple[Finding, ...]
    performance: Performance
    entries: tuple[Event, ...]
    changes: tuple[LimitChange, ...]
    checks: tuple[Check, ...]
    last_check_ns: int | None
    wipes: tuple[Event, ...]
    jumps: tuple[Event, ...]
    rejudged: tuple[Event, ...]
    unmarked: tuple[Event, ...]
    inspection: Inspection | None
    chain: ledger.Report

    @property
    def rules(self) -> CellRules:
        """Rules in force at the end."""
        return self.revisions[-1].rules

    @property
    def span_s(self) -> float:
        """Length of the span. [s]."""
        return (self.to_ns - self.from_ns) / NANO


def gather(
    path: Path,
    chain: ledger.Report,
    *,
    cell: str,
    from_ns: int,
    to_ns: int,
    made_ns: int,
    version: str,
    changes: Iterable[LimitChange] = (),
) -> Facts:
    """Facts of one cell in a span.

    Parameters
    ----------
    chain
        What verifying the ledger showed.
    changes
        Of the configuration, at any time.

    Raises
    ------
    LedgerError
        The ledger cannot be read, or the cell is not in its configuration.
    """
    revisions = in_force(rules_of(path, cell), from_ns, to_ns)
    rules = revisions[-1].rules
    told = _told(path, cell, from_ns, to_ns)
    readings = read(path, rules.zones, dispensing=rules.dispensing, from_ns=from_ns, to_ns=to_ns)
    decided = tuple(ledger.dispositions(path, cell=cell))
    names = tuple(zone.id for zone in rules.zones)
    inspected = Inspected(names)
    parts = ledger.parts(path, since_ns=from_ns, until_ns=to_ns, cell=cell)
    of_parts = made(inspected.watched(parts), names, decided)
    of_charges = charges(told.of_charges, told.entered, of_parts, from_ns=from_ns, to_ns=to_ns)
    breaks_ns = (
        *(charge.loaded_ns for charge in of_charges),
        *(revision.from_ns for revision in revisions),
    )
    zones = tuple(
        _zone(
            zone,
            readings,
            of_parts,
            told,
            revisions=revisions,
            breaks_ns=breaks_ns,
            span_ns=(from_ns, to_ns),
        )
        for zone in rules.zones
    )
    marks = marked(told.entered)
    given = activations(ledger.alarm_transitions(path, until_ns=to_ns, cell=cell))
    seen_s = (to_ns - from_ns) / NANO - min((zone.blind_s for zone in zones), default=0.0)
    checks = tuple(_checks(told.entered, revisions, to_ns))
    return Facts(
        *(cell, from_ns, to_ns, made_ns, version),
        revisions=revisions,
        readings=readings,
        zones=zones,
        made=of_parts,
        is_counted=rules.parts is not None,
        decided=decided,
        charges=of_charges,
        excursions=tuple(ledger.excursions(path, since_ns=from_ns, until_ns=to_ns, cell=cell)),
        alarms=_alarms(given, told.inside, marks, from_ns, to_ns),
        findings=_findings(told.inside),
        performance=performance(
            given, since_ns=from_ns, until_ns=to_ns, observed_s=seen_s, markings=marks
        ),
        entries=_of_kind(told.inside, EventKind.ENTERED),
        changes=tuple(change for change in changes if from_ns <= change.at_ns < to_ns),
        checks=tuple(check for check in checks if check.at_ns >= from_ns),
        last_check_ns=checks[-1].at_ns if checks else None,
        wipes=_of_kind(told.inside, EventKind.WIPED),
        jumps=_of_kind(told.inside, EventKind.COUNTER_JUMPED),
        rejudged=_of_kind(told.inside, EventKind.REJUDGED),
        unmarked=tuple(event for event in told.inside if event.kind is not EventKind.PHASE_CHANGED),
        inspection=inspected.found(),
        chain=chain,
    )


@dataclass(slots=True)
class _Told:
    """Events that a report needs, sorted in one pass over all of them."""

    inside: list[Event] = field(default_factory=list)
    entered: list[Event] = field(default_factory=list)
    of_charges: list[Event] = field(default_factory=list)
    phase_before: dict[str, Event] = field(default_factory=dict)


def _told(path: Path, cell: str, from_ns: int, to_ns: int) -> _Told:
    told = _Told()
    for recorded in ledger.events(path):
        event = recorded.event
        if event.cell not in ("", cell):
            continue
        if event.kind is EventKind.ENTERED:
            told.entered.append(event)
        if event.kind in _OF_CHARGES:
            told.of_charges.append(event)
        if event.kind is EventKind.PHASE_CHANGED and event.at.utc_ns < from_ns:
            told.phase_before[event.zone] = event
        if from_ns <= event.at.utc_ns < to_ns and event.kind is not EventKind.PART_MADE:
            told.inside.append(event)
    return told


def _of_kind(events: Iterable[Event], kind: EventKind) -> tuple[Event, ...]:
    found = (event for event in events if event.kind is kind)
    return tuple(sorted(found, key=lambda event: event.at.utc_ns))


def _findings(events: Iterable[Event]) -> tuple[Finding, ...]:
    """What was found in a span, by onset; of one that began before it only what was said within."""
    found: dict[str, Finding] = {}
    for event in sorted(events, key=lambda event: event.at.utc_ns):
        name = str(event.detail("finding"))
        if event.kind in (EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED):
            found[name] = Finding(event, None)
        elif event.kind is EventKind.FINDING_ENDED:
            found[name] = Finding(found[name].told if name in found else event, event)
    return tuple(sorted(found.values(), key=lambda each: onset_ns(each.told)))


def onset_ns(told: Event) -> int:
    """When a finding began, in UTC; when it was told where that is not said. [ns]."""
    began_ns = told.detail("onset_utc_ns")
    return began_ns if isinstance(began_ns, int) else told.at.utc_ns


def _zone(
    rules: ZoneRules,
    readings: Readings,
    of_parts: Made,
    told: _Told,
    *,
    revisions: Sequence[Revision],
    breaks_ns: Sequence[int],
    span_ns: tuple[int, int],
) -> Zone:
    trace = readings.traces[rules.id]
    held = tuple(windows(rules.id, revisions, span_ns))
    parts = of_parts.zones[rules.id]
    elapsed_s = (span_ns[1] - span_ns[0]) / NANO
    return Zone(
        rules,
        held,
        trace,
        coverage=1.0 - trace.gaps.total_s / elapsed_s,
        blind_s=trace.gaps.total_s,
        split_s=split_s(rules.id, readings, told.inside, told.phase_before, span_ns),
        parts=parts,
        capability=capability(
            Parts(
                parts.at_ns,
                parts.mean_c,
                parts.coverage,
                np.concatenate((np.array(breaks_ns, dtype=np.int64), trace.setpoint_ns)),
            ),
            low_c=rules.low_c,
            high_c=rules.high_c,
        ),
    )


def _alarms(
    given: Sequence[Activation],
    inside: Sequence[Event],
    marks: Sequence[Marking],
    from_ns: int,
    to_ns: int,
) -> tuple[Alarm, ...]:
    """Activations of the span with what was asked, who answered and what it was found to be."""
    changed = _of_kind(inside, EventKind.ALARM_CHANGED)
    found = []
    for place, one in enumerate(given):
        if not from_ns <= one.raised_ns < to_ns:
            continue
        later = [each.raised_ns for each in given[place + 1 :] if each.alarm == one.alarm]
        next_ns = min(later, default=2**63 - 1)
        place_of = one.alarm.split("/")
        of = [
            event
            for event in changed
            if event.detail("alarm") == place_of[-1]
            and "/".join(part for part in (event.cell, event.zone) if part)
            == "/".join(place_of[:-1])
            and one.raised_ns <= event.at.utc_ns < next_ns
        ]
        said = [mark for mark in marks if mark.alarm == one.alarm]
        found.append(
            Alarm(
                one,
                zone=place_of[1] if len(place_of) > 2 else "",
                kind=place_of[-1],
                response=next((str(e.detail("response")) for e in of if e.detail("response")), ""),
                who=next(
                    (str(e.detail("who")) for e in of if e.detail("input") == "acknowledge"), ""
                ),
                mark=next(
                    (
                        mark.mark.value
                        for mark in reversed(said)
                        if one.raised_ns <= mark.at_ns < next_ns
                    ),
                    "",
                ),
            )
        )
    return tuple(found)


def _checks(entered: Iterable[Event], revisions: Sequence[Revision], to_ns: int) -> Iterable[Check]:
    """Reference checks up to the end of the span, each with the tolerance in force."""
    for event in entered:
        true_c, read_c = event.detail("true_c"), event.detail("read_c")
        if event.detail("entry") != "check" or event.at.utc_ns >= to_ns:
            continue
        if isinstance(true_c, int | float) and isinstance(read_c, int | float):
            held = [each for each in revisions if each.from_ns <= event.at.utc_ns]
            judging = (held or list(revisions))[-1 if held else 0].rules.judging
            yield Check(
                event.at.utc_ns,
                event.zone,
                true_c,
                read_c,
                judging.check_tolerance_k,
                str(event.detail("who") or ""),
                str(event.detail("why") or ""),
            )
