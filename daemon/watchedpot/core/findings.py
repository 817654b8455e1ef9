"""The finding machine: one physical cause, from when it shows until it is over for good.

Theory of operation
-------------------
What the rules suspect at one moment is a ``Suspicion``; a finding is what lasts of it. A
suspicion belongs to the open finding of its subject (heat, data, course or clock) that shares a
zone with it; where there is none it opens one.

                 shows                 gone
        OPEN <----------- FADING <------------- OPEN
                            |
                            | quiet for long enough, and seen to be
                            v
                          ENDED

A finding changes when something worse is the likeliest, at once; and when something else is the
likeliest, after that has held for ``RIVAL_BINS``. So it never changes more often than what is
seen does, and a critical cause is never hidden behind a lesser one that came first. What is left
of something serious, an overshoot after the power is back, is no other cause of it: meanwhile the
finding fades. Not seeing
is no quiet: a blind zone keeps its finding, and the quiet time stands still. A sensor that has
slipped shows for a minute and stays slipped, and one that fell out is no better once its loop has
driven the reading back: such a finding lasts until a reference check, or until the zone is off,
and nothing milder takes its place. So does that of two zones whose sensors are exchanged: they
swing to and fro, and each half of a swing looks like something else.

Decided against: a finding for each zone (a tripped supply would be three faults), and ending one
by a timer alone (not seeing is not being well).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

from watchedpot.core.bins import BIN_S
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.snapshot import Candidate, Cause, FindingSnapshot, Severity
from watchedpot.core.units import NANO


class Subject(StrEnum):
    """What a finding is about; a zone has at most one open finding of each."""

    HEAT = "heat"
    DATA = "data"
    COURSE = "course"
    CLOCK = "clock"


class Stage(StrEnum):
    """Where a finding stands."""

    OPEN = "open"
    FADING = "fading"
    ENDED = "ended"


class Move(StrEnum):
    """What can happen to a finding."""

    SHOWS = "shows"
    GONE = "gone"  # seen, and nothing of it shows
    BLIND = "blind"  # not seen
    QUIET = "quiet"  # gone for long enough


TABLE: dict[tuple[Stage, Move], Stage] = {
    (Stage.OPEN, Move.SHOWS): Stage.OPEN,
    (Stage.OPEN, Move.GONE): Stage.FADING,
    (Stage.OPEN, Move.BLIND): Stage.OPEN,
    (Stage.OPEN, Move.QUIET): Stage.OPEN,
    (Stage.FADING, Move.SHOWS): Stage.OPEN,
    (Stage.FADING, Move.GONE): Stage.FADING,
    (Stage.FADING, Move.BLIND): Stage.FADING,
    (Stage.FADING, Move.QUIET): Stage.ENDED,
    (Stage.ENDED, Move.SHOWS): Stage.ENDED,
    (Stage.ENDED, Move.GONE): Stage.ENDED,
    (Stage.ENDED, Move.BLIND): Stage.ENDED,
    (Stage.ENDED, Move.QUIET): Stage.ENDED,
}
"""Every stage x every move."""

QUIET_BINS = {Subject.HEAT: 45, Subject.DATA: 15, Subject.COURSE: 1, Subject.CLOCK: 30}
"""Seen bins without a sign after which a finding is over; common practice, no source. [1]"""

RIVAL_BINS, MILDER_BINS = 8, 20
"""For how many bins another cause must lead before it is told, and one that is less bad. [1]"""

KEPT_ENDED = 3
"""Ended findings that are still shown. [1]"""

RANKS = {severity: place for place, severity in enumerate(Severity)}
STICKY = frozenset({Cause.SENSOR_SLIPPED, Cause.ZONES_CROSSED})
"""What does not heal by itself, though it does not show all the time."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What the rules make of one moment.

    Attributes
    ----------
    extra_percent
        Of a draft: heat lost beyond the usual, as a share of that. [%]
    """

    subject: Subject
    zones: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    severity: Severity
    onset_ns: int
    numbers: str
    not_ruled_out: tuple[str, ...]
    extra_percent: int = 0

    @property
    def cause(self) -> Cause:
        """The likeliest."""
        return self.candidates[0].cause


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause at work.

    Attributes
    ----------
    number
        Counted since the account began.
    cause, severity
        As last told; the candidates are as last seen.
    quiet
        Seen bins without a sign of it. [1]
    rival, rival_since
        What else leads, and since which bin.
    is_confirmed
        Whether a person has looked at what does not show by itself any more, or a reading that
        had fallen out has leapt back.
    extra_percent
        As last seen, see ``Suspicion``. [%]
    """

    number: int
    subject: Subject
    stage: Stage
    cause: Cause
    severity: Severity
    onset: Instant
    told: Instant
    zones: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    numbers: str
    not_ruled_out: tuple[str, ...] = ()
    quiet: int = 0
    rival: Cause | None = None
    rival_since: int = 0
    is_confirmed: bool = False
    ended: Instant | None = None
    extra_percent: int = 0

    @property
    def is_sticky(self) -> bool:
        """Whether it lasts though nothing of it shows."""
        is_slip = self.cause in STICKY and self.severity is not Severity.NOTE
        is_out = self.cause is Cause.SENSOR_LOW and self.severity is Severity.CRITICAL
        return (is_slip or is_out) and not self.is_confirmed


class Moved(NamedTuple):
    """A finding after a moment, and what is to be told of it."""

    finding: Finding
    kind: EventKind | None


def opened(suspicion: Suspicion, number: int, told: Instant) -> Finding:
    """The finding that a suspicion opens."""
    return Finding(
        number,
        suspicion.subject,
        Stage.OPEN,
        suspicion.cause,
        suspicion.severity,
        _onset(suspicion, told),
        told,
        suspicion.zones,
        suspicion.candidates,
        suspicion.numbers,
        suspicion.not_ruled_out,
        extra_percent=suspicion.extra_percent,
    )


def _onset(suspicion: Suspicion, told: Instant) -> Instant:
    """When it began, on both clocks."""
    onset_ns = min(suspicion.onset_ns, told.mono_ns)
    return Instant(told.utc_ns - (told.mono_ns - onset_ns), onset_ns)


def shown(finding: Finding, suspicion: Suspicion, index: int, told: Instant) -> Moved:
    """The finding after a suspicion that belongs to it."""
    zones = suspicion.zones + tuple(z for z in finding.zones if z not in suspicion.zones)
    after = replace(finding, stage=TABLE[finding.stage, Move.SHOWS], quiet=0)
    is_worse = RANKS[suspicion.severity] < RANKS[finding.severity]
    is_milder = RANKS[suspicion.severity] > RANKS[finding.severity]
    is_same = suspicion.cause is finding.cause
    if is_same and not is_worse:
        return Moved(
            replace(
                after,
                zones=zones,
                candidates=suspicion.candidates,
                numbers=suspicion.numbers,
                not_ruled_out=suspicion.not_ruled_out,
                rival=None,
                extra_percent=suspicion.extra_percent,
            ),
            None,
        )
    is_part = is_milder or finding.cause is Cause.ZONES_CROSSED
    if finding.is_sticky and is_part and not is_worse:
        return Moved(replace(after, rival=None), None)
    since = finding.rival_since if finding.rival is suspicion.cause else index
    patience = MILDER_BINS if is_milder else RIVAL_BINS
    if not is_worse and index - since < patience:
        return Moved(replace(after, rival=suspicion.cause, rival_since=since), None)
    changed = replace(
        after,
        cause=suspicion.cause,
        severity=suspicion.severity,
        onset=min(finding.onset, _onset(suspicion, told), key=lambda one: one.mono_ns),
        told=told,
        zones=zones,
        candidates=suspicion.candidates,
        numbers=suspicion.numbers,
        not_ruled_out=suspicion.not_ruled_out,
        rival=None,
        is_confirmed=False,
        extra_percent=suspicion.extra_percent,
    )
    return Moved(changed, EventKind.FINDING_CHANGED)


def unshown(
    finding: Finding, told: Instant, *, is_blind: bool, is_off: bool, is_put_back: bool = False
) -> Moved:
    """The finding after a moment at which nothing of it showed.

    A reading that fell out and leapt back has its contact again; one that a loop has driven back
    is as false as before, and its zone the hotter for it.
    """
    if is_put_back and finding.cause is Cause.SENSOR_LOW:
        finding = replace(finding, is_confirmed=True)
    if finding.is_sticky and not is_off:
        return Moved(replace(finding, rival=None), None)
    if is_blind:
        return Moved(replace(finding, stage=TABLE[finding.stage, Move.BLIND], rival=None), None)
    stage = TABLE[finding.stage, Move.GONE]
    quiet = finding.quiet + 1
    after = replace(finding, stage=stage, quiet=quiet, rival=None)
    if quiet < QUIET_BINS[finding.subject]:
        return Moved(after, None)
    ended = replace(after, stage=TABLE[stage, Move.QUIET], ended=told)
    return Moved(ended, EventKind.FINDING_ENDED)


def finding_event(
    finding: Finding,
    kind: EventKind,
    at: Instant,
    *,
    cell: str,
    alarms: tuple[str, ...],
    action: str,
) -> Event:
    """Event of something a finding did."""
    likeliest, *others = finding.candidates
    if likeliest.cause is not finding.cause:
        named = [c for c in finding.candidates if c.cause is finding.cause]
        likeliest = named[0] if named else replace(likeliest, cause=finding.cause)
        others = [c for c in finding.candidates if c.cause is not finding.cause]
    details: tuple[tuple[str, Detail], ...] = (
        ("finding", f"{cell}/{finding.number}"),
        ("cause", finding.cause.value),
        ("certainty", round(likeliest.certainty, 2)),
        ("severity", finding.severity.value),
        ("onset_ns", finding.onset.mono_ns),
        ("onset_utc_ns", finding.onset.utc_ns),
        ("zones", ", ".join(finding.zones)),
        ("alarms", ", ".join(alarms)),
        ("numbers", finding.numbers),
        ("speaks_for", "; ".join(likeliest.speaks_for)),
        ("others", ", ".join(f"{c.cause.value} {c.certainty:.2f}" for c in others)),
        ("against", "; ".join(spoken_against(likeliest, others))),
        ("not_ruled_out", "; ".join(finding.not_ruled_out)),
        ("action", action),
    )
    if kind is EventKind.FINDING_ENDED:
        lasted_s = (at.mono_ns - finding.onset.mono_ns) / NANO
        details = (*details, ("lasted_s", lasted_s))
    zone = "" if finding.subject is Subject.CLOCK or not finding.zones else finding.zones[0]
    whole = (Cause.ALL_HEAT_LOST, Cause.SUPPLY_LOW, Cause.PLC_RESTART, Cause.CLOCK)
    return Event(kind, at, cell, "" if finding.cause in whole else zone, details)


def spoken_against(likeliest: Candidate, others: Sequence[Candidate]) -> list[str]:
    """What speaks against the likeliest cause, and first of all against two of the others.

    Examples
    --------
    >>> draft = Candidate(Cause.DRAFT, 0.1, (), ("the door is shut",))
    >>> spoken_against(Candidate(Cause.NO_HEAT, 0.8), [draft])
    ['not draft: the door is shut']
    """
    others_told = [f"not {words(c.cause)}: {t}" for c in others for t in c.speaks_against[:1]]
    return [*likeliest.speaks_against, *others_told[:2]]


def words(cause: Cause) -> str:
    """A cause to be read.

    Examples
    --------
    >>> words(Cause.SENSOR_LOW)
    'sensor low'
    """
    return cause.value.replace("_", " ")


def finding_snapshot(
    finding: Finding, *, cell: str, alarms: tuple[str, ...], action: str
) -> FindingSnapshot:
    """A finding for the outputs: the cause that was told comes first, whatever leads now."""
    told = [c for c in finding.candidates if c.cause is finding.cause]
    others = [c for c in finding.candidates if c.cause is not finding.cause]
    return FindingSnapshot(
        id=f"{cell}/{finding.number}",
        severity=finding.severity,
        onset=finding.onset,
        told=finding.told,
        candidates=(*told, *others),
        not_ruled_out=finding.not_ruled_out,
        zones=finding.zones,
        alarms=alarms,
        numbers=finding.numbers,
        first_action=action,
        ended=finding.ended,
    )


QUIET_S = {subject: bins * BIN_S for subject, bins in QUIET_BINS.items()}
