"""What was concluded of one run, held against what was expected of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from scenarios.expect import SEVERITIES, SOUND, SOUNDING, Expected, Must, MustNot
from support.made import Played, Truth, faults, reasons, suspect
from watchedpot.core.model import Event, EventKind
from watchedpot.core.parts import rules_of
from watchedpot.core.rules import PartRule
from watchedpot.core.snapshot import Phase, Severity
from watchedpot.core.units import NANO

ONSET_S = 10.0
"""A begin that is named further off than this from the truth is not named. [s]"""

NEIGHBOUR_S = 2.0
"""Two polls: a part this near to one that was wrong may be held back with it. [s]"""

UNSEEN = {PartRule.BLIND, PartRule.BEFORE_LOSS, PartRule.UNCOUNTED, PartRule.LOST_READINGS}
BY_STATE = {
    *(PartRule.BEFORE_READY, PartRule.OVERHEATED_CHARGE, PartRule.DOUBTED_CHARGE),
    *(PartRule.TIP_SETTLING, PartRule.OVER_CEILING),
}
"""Rules about what can be known only later or only in part: their parts are not too many."""

TELLINGS = (EventKind.FINDING_OPENED, EventKind.FINDING_CHANGED)


@dataclass(frozen=True, slots=True)
class Telling:
    """What was said of a finding at a time, until it was said otherwise. [s]."""

    at_s: float
    until_s: float
    onset_s: float
    cause: str
    severity: str
    zones: tuple[str, ...]
    listed: frozenset[str]


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding from its first telling to its end."""

    id: str
    tellings: tuple[Telling, ...]

    @property
    def is_sounding(self) -> bool:
        """Whether it ever asked for a person."""
        return any(telling.severity in SOUND for telling in self.tellings)


@dataclass(frozen=True, slots=True)
class Reached:
    """Whether and when something was concluded.

    Attributes
    ----------
    after_s
        Since the onset; None where it was not concluded. [s]
    onset_off_s
        The begin that was named less the true one; None where none is compared. [s]
    """

    what: str
    after_s: float | None
    onset_off_s: float | None = None

    @property
    def is_met(self) -> bool:
        """Concluded in time, with its begin named."""
        if self.after_s is None:
            return False
        return self.onset_off_s is None or abs(self.onset_off_s) <= ONSET_S


@dataclass(slots=True)
class Outcome:
    """One run, judged.

    Attributes
    ----------
    wrong_critical, wrong_other
        What was concluded and must not be.
    parts, parts_wrong
        Made, and really wrong among them. [1]
    missed, too_many
        Parts let through that were wrong, and held back without a reason.
    """

    scenario: str
    cell: str
    seed: int
    reached: list[Reached] = field(default_factory=list)
    wrong_critical: list[str] = field(default_factory=list)
    wrong_other: list[str] = field(default_factory=list)
    parts: int = 0
    parts_wrong: int = 0
    missed: list[str] = field(default_factory=list)
    too_many: list[str] = field(default_factory=list)


def findings_of(events: Sequence[Event], *, zero_utc_ns: int | None = None) -> list[Finding]:
    """Every finding that was told.

    Parameters
    ----------
    events
        In the order told.
    zero_utc_ns
        When the scenario began; None where the events' monotonic clock began with it. [ns]
    """

    def seconds(mono_ns: int, utc_ns: int) -> float:
        return (mono_ns if zero_utc_ns is None else utc_ns - zero_utc_ns) / NANO

    told: dict[str, list[Event]] = {}
    ended_s: dict[str, float] = {}
    for event in events:
        name = str(event.detail("finding"))
        if event.kind in TELLINGS:
            told.setdefault(name, []).append(event)
        elif event.kind is EventKind.FINDING_ENDED:
            ended_s[name] = seconds(event.at.mono_ns, event.at.utc_ns)
    found = []
    for name, ones in told.items():
        starts = [seconds(event.at.mono_ns, event.at.utc_ns) for event in ones]
        ends = [*starts[1:], ended_s.get(name, float("inf"))]
        found.append(
            Finding(
                name,
                tuple(
                    Telling(
                        at_s,
                        until_s,
                        seconds(
                            int(event.detail("onset_ns") or 0),
                            int(event.detail("onset_utc_ns") or 0),
                        ),
                        str(event.detail("cause")),
                        str(event.detail("severity")),
                        _zones(event),
                        _listed(event),
                    )
                    for event, at_s, until_s in zip(ones, starts, ends, strict=True)
                ),
            )
        )
    return found


def _seconds(event: Event, zero_utc_ns: int | None) -> float:
    """When an event happened, on the scenario's clock. [s]."""
    return (event.at.mono_ns if zero_utc_ns is None else event.at.utc_ns - zero_utc_ns) / NANO


def _zones(event: Event) -> tuple[str, ...]:
    """Its zones, that where it shows most first; the empty one for the cell as a whole."""
    others = (zone.strip() for zone in str(event.detail("zones") or "").split(","))
    return (event.zone, *(zone for zone in others if zone and zone != event.zone))


def _listed(event: Event) -> frozenset[str]:
    """Causes beside the likeliest: ``draft 0.10, part_of_heat 0.05``."""
    words = (one.split() for one in str(event.detail("others") or "").split(","))
    return frozenset(word[0] for word in words if word)


def reached(must: Must, findings: Sequence[Finding]) -> Reached:
    """When a conclusion was reached first, with its begin named best."""
    fits = [
        Reached(
            str(must),
            round(max(telling.at_s - must.onset_s, must.from_s), 3),
            round(telling.onset_s - must.onset_s, 3) if must.has_onset else None,
        )
        for finding in findings
        for telling in finding.tellings
        if _fits(must, telling)
    ]
    named = [fit for fit in fits if fit.is_met]
    return min(named or fits, key=lambda fit: fit.after_s or 0.0, default=Reached(str(must), None))


def _fits(must: Must, telling: Telling) -> bool:
    since_s, until_s = must.onset_s + must.from_s, must.onset_s + must.by_s
    # Told before the onset it was no conclusion from it; told before from_s it may still stand.
    if not must.onset_s <= telling.at_s <= until_s or telling.until_s < since_s:
        return False
    causes = {telling.cause} | (telling.listed if must.is_listed else set())
    return (
        not causes.isdisjoint(must.causes)
        and (must.zone is None or must.zone in telling.zones)
        and (not must.severities or telling.severity in must.severities)
    )


def violates(wrong: MustNot, telling: Telling, onset_s: float) -> bool:
    """Whether what was told is what must not be."""
    if wrong.what == SOUNDING:
        is_it = telling.severity in SOUND
    elif wrong.what in SEVERITIES:
        is_it = telling.severity == wrong.what
    else:
        is_it = telling.cause == wrong.what
    if wrong.zone is not None:
        is_it = is_it and wrong.zone in telling.zones
    is_late = wrong.from_s is None or telling.until_s > onset_s + wrong.from_s
    is_early = wrong.until_s is None or telling.at_s < onset_s + wrong.until_s
    return is_it and is_late and is_early


def _stray_criticals(expected: Expected, findings: Sequence[Finding]) -> Iterator[str]:
    """Critical tellings that nothing asked for."""
    may_be = {
        cause
        for must in expected.must
        if not must.severities or Severity.CRITICAL in must.severities
        for cause in must.causes
    }
    for finding in findings:
        causes = {t.cause for t in finding.tellings if t.severity == Severity.CRITICAL} - may_be
        yield from (f"critical {cause}" for cause in sorted(causes))


def conclude(outcome: Outcome, expected: Expected, findings: Sequence[Finding]) -> None:
    """Hold the findings of a run against what was expected."""
    outcome.reached += [reached(must, findings) for must in expected.must]
    tellings = [telling for finding in findings for telling in finding.tellings]
    for wrongs, into in (
        (expected.never, outcome.wrong_critical),
        (expected.must_not, outcome.wrong_other),
    ):
        into += [
            str(wrong)
            for wrong in wrongs
            if any(violates(wrong, telling, expected.onset_s) for telling in tellings)
        ]
    outcome.wrong_critical += _stray_criticals(expected, findings)
    sounding = sum(finding.is_sounding for finding in findings)
    if expected.sounding_at_most is not None and sounding > expected.sounding_at_most:
        outcome.wrong_other.append(f"{sounding} findings sound")


def conclude_advice(
    outcome: Outcome, expected: Expected, advice: Sequence[tuple[float, str]], *, slack_s: float
) -> None:
    """Hold the advice of a run against what was expected.

    Parameters
    ----------
    advice
        Each with when it began to be given. [s]
    slack_s
        How far apart the looks at it were. [s]
    """
    ends = [at_s for at_s, _ in advice[1:]] + [float("inf")]
    for one in expected.advice:
        since_s, until_s = expected.onset_s + one.from_s, expected.onset_s + one.by_s + slack_s
        times = [
            max(at_s - expected.onset_s, one.from_s)
            for (at_s, word), end_s in zip(advice, ends, strict=True)
            if word in one.words and at_s <= until_s and end_s > since_s
        ]
        outcome.reached.append(Reached(str(one), min(times, default=None)))


def conclude_charge(
    outcome: Outcome, expected: Expected, events: Sequence[Event], *, zero_utc_ns: int | None = None
) -> None:
    """Hold the states that the charge entered against what was expected."""
    entered = [
        (_seconds(event, zero_utc_ns) - expected.onset_s, event.detail("to"))
        for event in events
        if event.kind is EventKind.CHARGE_STATE_CHANGED
    ]
    for one in expected.charge:
        times = [at_s for at_s, to in entered if to == one.to and one.from_s <= at_s <= one.by_s]
        outcome.reached.append(Reached(str(one), min(times, default=None)))


def conclude_phases(outcome: Outcome, expected: Expected, ready: Sequence[Ready]) -> None:
    """Hold the times at which zones were called ready against what was expected."""
    for wrong in expected.not_ready:
        since_s, until_s = expected.onset_s + wrong.from_s, expected.onset_s + wrong.until_s
        if any(
            one.zone == wrong.zone and one.at_s < until_s and one.until_s > since_s for one in ready
        ):
            outcome.wrong_other.append(f"ready@{wrong.zone}")


@dataclass(frozen=True, slots=True)
class Ready:
    """A stretch in which a zone was called ready. [s]."""

    zone: str
    at_s: float
    until_s: float


def ready_of(events: Sequence[Event], *, zero_utc_ns: int | None = None) -> list[Ready]:
    """When each zone was called ready; see `findings_of` for the zero."""
    found: list[Ready] = []
    since: dict[str, float] = {}
    for event in events:
        if event.kind is not EventKind.PHASE_CHANGED:
            continue
        at_s = _seconds(event, zero_utc_ns)
        if event.zone in since:
            found.append(Ready(event.zone, since.pop(event.zone), at_s))
        if event.detail("to") == Phase.READY.value:
            since[event.zone] = at_s
    return found + [Ready(zone, at_s, float("inf")) for zone, at_s in since.items()]


def conclude_parts(
    outcome: Outcome, expected: Expected, played: Played, *, zero_ns: int = 0
) -> None:
    """Hold what was said of each part against what was true of it, and what was expected.

    Parameters
    ----------
    zero_ns
        When the scenario began, on the clock of the parts. [ns]
    """
    newest = played.newest()
    wrongs = [faults(part, played) if expected.is_truth_known else set() for part in played.truth]
    judged = [_judgement(part, played, newest) for part in played.truth]
    held = [
        bool(w) or (e is not None and bool(reasons(e) & UNSEEN))
        for w, e in zip(wrongs, judged, strict=True)
    ]
    outcome.parts, outcome.parts_wrong = len(wrongs), sum(map(bool, wrongs))
    for n, (part, wrong, event) in enumerate(zip(played.truth, wrongs, judged, strict=True)):
        after_s = (part.ended_ns - zero_ns) / NANO - expected.onset_s
        is_held = event is not None and suspect(event)
        name = f"part {part.number} at {after_s:+.0f} s"
        if event is None:
            outcome.missed.append(f"{name}: not judged")
        elif not is_held and (wrong or _within(after_s, expected.suspect)):
            outcome.missed.append(f"{name}: {', '.join(sorted(wrong)) or 'doubtful'}")
        elif is_held and _within(after_s, expected.clear):
            outcome.too_many.append(f"{name}: {event.detail('rules')}")
        elif is_held and expected.is_truth_known and not wrong:
            is_beside = any(
                held[m]
                for m, other in enumerate(played.truth)
                if abs(m - n) <= 1 or abs(other.ended_ns - part.ended_ns) <= NEIGHBOUR_S * NANO
            )
            if not (is_beside or _within(after_s, expected.suspect) or _has_reason(event)):
                outcome.too_many.append(f"{name}: {event.detail('rules')}")


def _judgement(part: Truth, played: Played, newest: dict[tuple[int, int], Event]) -> Event | None:
    """The newest that was said of a part, unless it was held back before: that stays said."""
    first = played.judgement_of(part)
    if first is None or suspect(first):
        return first
    key = (int(first.detail("epoch") or 0), int(first.detail("last") or 0))
    return newest.get(key, first)


def _has_reason(event: Event) -> bool:
    """Whether a part that was right is held back for what could not be known of it."""
    against = reasons(event)
    return bool(against & (UNSEEN | BY_STATE)) or any(
        zone not in {"", "nozzle"} and rule is PartRule.OUTSIDE_WINDOW
        for rule, zone in rules_of(str(event.detail("rules")))
    )


def _within(at_s: float, spans: Sequence[tuple[float, float]]) -> bool:
    return any(since_s <= at_s <= until_s for since_s, until_s in spans)
