"""Parts judged again, after a reference probe has shown that a zone read wrong.

A check that fails says that the zone reads wrong now, and the last good check that it did not
then. When the error came in between nobody knows: at once, just now, or little by little. So the
whole period from the last good check on is judged with the zone's readings corrected by the
error found, and each part gets the worse of two verdicts, the one as read and the one as
corrected; the truth lies between the two. The age of a charge is likewise the higher of both.
What an earlier check of the period added to that age is left out of the corrected one, which
contains it. A good check closes the period and changes nothing.

Nothing is overwritten. A part that comes out worse or older is judged once more, under its own
numbers and the rules of its own run: the new judgement is appended to the old ones and shows the
temperatures as corrected. From the corrected readings come only the rules that a temperature of
the zone decides; whatever else spoke against the part still does, and a verdict never becomes
better. A correction downwards that is as large as the dip of a fresh charge looks like one where
it begins: some parts more are then judged not to have been ready, never fewer.

A charge that was laid aside in the period keeps its age as read, if it comes back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple, Self

import numpy as np

from watchedpot.app.replay import (
    STEPPED_NS,
    Begin,
    Place,
    Replayed,
    Rules,
    begin,
    recorded_plans,
    replay,
)
from watchedpot.core.dose import Dose
from watchedpot.core.engine import CellPlan
from watchedpot.core.model import (
    Block,
    Check,
    Detail,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
)
from watchedpot.core.parts import PartPlan, worst
from watchedpot.core.parts import rules_of as part_rules
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.core.units import seconds
from watchedpot.errors import DataError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedBlock, RecordedEvent, RecordedPart

BECAUSE = EntryKind.CHECK.value
"""Why a part was judged again, as its event says."""

TRIFLE = 0.01
"""Share of the pot life by which an age must be higher to be worth another judgement [1]: ages
are shown in percent of the pot life."""

_OF_ZONE = frozenset(
    {
        PartRule.OUTSIDE_WINDOW,
        PartRule.OVER_CEILING,
        PartRule.NEAR_EDGE,
        PartRule.BEFORE_READY,
    }
)
_OF_CELL = frozenset({PartRule.SPENT_CHARGE, PartRule.OVERHEATED_CHARGE})
"""What a temperature decides."""

_VERDICTS = tuple(Verdict)


class BackTo(StrEnum):
    """Where the period that is judged again begins."""

    GOOD_CHECK = "last good check"
    BEGINNING = "beginning of the record"
    KEPT = "kept readings"  # those before were trimmed


@dataclass(frozen=True, slots=True)
class Rejudged:
    """What a failed check changes.

    Attributes
    ----------
    events
        To append to the record: the parts that are judged otherwise, oldest first, then what was
        done, as one event.
    parts, changed
        Parts in the period that the record has, and how many are judged otherwise. [1]
    unmatched
        Parts that the readings show and the record does not have, or not by the same count. [1]
    since, back_to
        Where the period begins; at the check itself where no readings are left to begin with.
    before, after
        Age of the charge in use at the check, as read and by the worse of both; None where it has
        no account. The core goes by the former. [ns]
    added_s
        By how much the core must take it for older, by the stricter bound, beyond what it has
        been told since the check. [s]
    charge_id
        Its name; another charge may have come since.
    is_overheated
        Whether it passed its ceiling as corrected, but not as read.
    notes
        On states in the ledger that cannot be read any more.
    """

    events: tuple[Event, ...]
    parts: int
    changed: int
    unmatched: int
    since: Instant
    back_to: BackTo
    before: Dose | None
    after: Dose | None
    added_s: float
    charge_id: str | None
    is_overheated: bool
    notes: tuple[str, ...]


def unanswered(path: Path, *, rules_of: Rules) -> tuple[RecordedEvent, ...]:
    """Failed checks in a ledger after which nothing was judged again, oldest first.

    Also those of an earlier run of the daemon, which may have ended in between.
    """
    checks, answered = list[RecordedEvent](), set[Detail]()
    for recorded in ledger.events(path):
        if recorded.event.kind is EventKind.REJUDGED:
            answered.add(recorded.event.detail("check_seq"))
        elif _is_check(recorded.event):
            checks.append(recorded)
    checks = [one for one in checks if one.seq not in answered]
    plans_of = {
        cell: recorded_plans(path, cell, rules_of) for cell in {one.event.cell for one in checks}
    }
    return tuple(one for one in checks if _has_failed(one, plans_of[one.event.cell]))


def rejudge(
    path: Path,
    check: RecordedEvent,
    *,
    at: Instant,
    rules_of: Rules,
) -> Rejudged:
    """Judge again what a failed check puts in doubt.

    Reads the ledger, may take seconds for each week that it goes back, and writes nothing.

    Parameters
    ----------
    check
        As recorded; it must have failed.
    at
        The present moment.
    rules_of
        The rules in the text of a recorded configuration.

    Raises
    ------
    DataError
        The event is no check, or it has not failed.
    WatchedpotError
        The ledger, or a configuration in it, cannot be read.
    """
    cell, zone = check.event.cell, check.event.zone
    of_run = recorded_plans(path, cell, rules_of)
    if not _is_check(check.event) or not _has_failed(check, of_run):
        raise DataError(f"event {check.seq}", "expected a failed check of a cell of that run")
    error_k, until = _check(check.event).error_k, _place(check)
    period = _period(path, check, of_run)
    judging = _Judging(zone, period.place, of_run)
    read: Begin | Replayed | None = None
    corrected: Begin | Replayed | None = None
    notes = period.notes
    if period.is_kept:
        newest, more = begin(path, cell, until=until)
        notes += tuple(note for note in more if note not in notes)
        as_read = replay(path, cell, of_run, since=newest, until=until)
        read = next(iter(deque(as_read, maxlen=1)), newest)
        since_ns = None if period.begin is None else period.begin.at.utc_ns - STEPPED_NS
        judging.known = _known(ledger.parts(path, cell=cell, since_ns=since_ns))
        corrected = period.begin
        for corrected in replay(
            path,
            cell,
            of_run,
            since=period.begin,
            until=until,
            correct=_correction(zone, error_k, of_run, period.place),
            is_taken=lambda place, entry: not _is_correction(entry) or place <= period.place,
        ):
            judging.take(corrected)
    told_s = _told_since_s(path, check)
    before, age = _dose(read, of_run), _dose(corrected, of_run)
    after = age if (_age_s(age) or 0.0) > (_age_s(before) or 0.0) else before
    details: tuple[tuple[str, Detail], ...] = (
        ("check_seq", check.seq),
        ("zone", zone),
        ("error_k", error_k),
        ("from_utc_ns", period.since.utc_ns),
        ("to_utc_ns", check.event.at.utc_ns),
        ("parts", judging.parts),
        ("changed", judging.changed),
        ("age_before_s", _age_s(before)),
        ("age_after_s", _age_s(after)),
        ("back_to", period.back_to.value),
    )
    return Rejudged(
        events=(*judging.told, Event(EventKind.REJUDGED, at, cell, zone, details)),
        parts=judging.parts,
        changed=judging.changed,
        unmatched=judging.unmatched,
        since=period.since,
        back_to=period.back_to,
        before=before,
        after=after,
        added_s=max(0.0, (_age_s(after) or 0.0) - (_age_s(before) or 0.0) - told_s),
        charge_id=None if read is None else read.state.charge.id,
        is_overheated=_is_overheated(corrected) and not _is_overheated(read),
        notes=notes,
    )


class _Period(NamedTuple):
    """What is judged again.

    Attributes
    ----------
    place
        Rows later than this are corrected.
    begin
        The state to begin with; None for the beginning of the record.
    is_kept
        Whether there are readings to begin with.
    """

    since: Instant
    back_to: BackTo
    place: Place
    begin: Begin | None
    notes: tuple[str, ...]
    is_kept: bool = True


def _period(path: Path, check: RecordedEvent, plans: Mapping[int, CellPlan]) -> _Period:
    """Back to the last good check of the zone, as far as there are readings."""
    cell, until = check.event.cell, _place(check)
    good, trimmed_ns = _history(path, check, plans)
    notes: tuple[str, ...] = ()
    if good is not None:
        place = _place(good)
        begun, notes = begin(path, cell, until=place, since_ns=trimmed_ns)
        if begun is not None or trimmed_ns is None:
            return _Period(good.event.at, BackTo.GOOD_CHECK, place, begun, notes)
    elif trimmed_ns is None:
        first = next(ledger.runs(path))
        return _Period(first.at, BackTo.BEGINNING, Place(0, 0), None, notes)
    oldest, more = begin(path, cell, until=until, since_ns=trimmed_ns, is_newest=False)
    notes += tuple(note for note in more if note not in notes)
    if oldest is None:
        return _Period(check.event.at, BackTo.KEPT, until, None, notes, is_kept=False)
    return _Period(oldest.at, BackTo.KEPT, oldest.place, oldest, notes)


def _history(
    path: Path, check: RecordedEvent, plans: Mapping[int, CellPlan]
) -> tuple[RecordedEvent | None, int | None]:
    """The last good check of the zone before a check, and until when readings were trimmed."""
    good, trimmed_ns = None, None
    for recorded in ledger.events(path):
        event = recorded.event
        until_utc_ns = event.detail("until_utc_ns")
        if event.kind is EventKind.RECORD_TRIMMED and until_utc_ns is not None:
            until_ns = int(until_utc_ns)
            trimmed_ns = until_ns if trimmed_ns is None else max(trimmed_ns, until_ns)
        elif recorded.seq < check.seq and _is_check(event) and _is_of_zone(event, check.event):
            good = recorded if _is_good(recorded, plans) else good
    return good, trimmed_ns


def _told_since_s(path: Path, check: RecordedEvent) -> float:
    """What was added to the age of the cell's charge after a check. [s]."""
    return sum(
        float(recorded.event.detail("age_s") or 0.0)
        for recorded in ledger.events(path, cell=check.event.cell)
        if recorded.seq > check.seq
        and recorded.event.detail("entry") == EntryKind.AGE_CORRECTED.value
    )


def _is_check(event: Event) -> bool:
    return event.kind is EventKind.ENTERED and event.detail("entry") == EntryKind.CHECK.value


def _is_of_zone(event: Event, other: Event) -> bool:
    return (event.cell, event.zone) == (other.cell, other.zone)


def _check(event: Event) -> Check:
    return Check(
        true_c=float(event.detail("true_c") or 0.0), read_c=float(event.detail("read_c") or 0.0)
    )


def _has_failed(check: RecordedEvent, plans: Mapping[int, CellPlan]) -> bool:
    """Whether a check found more than may be, by the rules of its run."""
    plan = plans.get(check.run)
    tolerance_k = 0.0 if plan is None else plan.rules.judging.check_tolerance_k
    return plan is not None and abs(_check(check.event).error_k) > tolerance_k


def _is_good(check: RecordedEvent, plans: Mapping[int, CellPlan]) -> bool:
    return check.run in plans and not _has_failed(check, plans)


def _is_correction(entry: Entry) -> bool:
    """Whether it adds an age that an earlier check found, which corrected readings show anyway."""
    return entry.kind is EntryKind.AGE_CORRECTED


def _place(recorded: RecordedEvent) -> Place:
    return Place(recorded.run, recorded.event.at.mono_ns)


def _correction(
    zone: str, error_k: float, plans: Mapping[int, CellPlan], after: Place
) -> Callable[[RecordedBlock], Block]:
    """What takes an error off the readings of a zone from a moment on."""

    def correct(recorded: RecordedBlock) -> Block:
        block, run = recorded.block, recorded.run
        zones = plans[run].rules.zones
        channel = next((one.temperature for one in zones if one.id == zone), None)
        if channel not in block.channels or run < after.run:
            return block
        first = 0
        if run == after.run:
            first = int(np.searchsorted(block.mono_ns, after.mono_ns, side="right"))
        value = block.value.copy()
        value[first:, block.channels.index(channel)] -= error_k
        return replace(block, value=value)

    return correct


class Known(NamedTuple):
    """What the newest judgement of a part says; a million of them fit into memory."""

    last: int
    verdict: Verdict
    rules: tuple[tuple[PartRule, str], ...]
    age_s: float | None
    is_ready: bool | None
    joined_s: float | None

    @classmethod
    def of(cls, part: RecordedPart) -> Self:
        """The same of a recorded part."""
        return cls(part.last, part.verdict, part.rules, part.age_s, part.is_ready, part.joined_s)


def _known(recorded: Iterable[RecordedPart]) -> dict[tuple[int, int], Known]:
    """The newest judgement of each part by epoch and number."""
    return {(part.epoch, part.first): Known.of(part) for part in recorded}


@dataclass(slots=True)
class _Judging:
    """Parts as corrected against parts as recorded, and what comes of it; lives for one call."""

    zone: str
    after: Place
    plans: Mapping[int, CellPlan]
    known: dict[tuple[int, int], Known] = field(default_factory=dict)
    told: list[Event] = field(default_factory=list)
    parts: int = 0
    changed: int = 0
    unmatched: int = 0

    def take(self, step: Replayed) -> None:
        """One step of the corrected replay.

        Only first judgements count: what comes later, a loss or a late joining, has nothing to
        do with the readings of the zone, and the record has it.
        """
        for event in step.events:
            is_new = event.kind is EventKind.PART_MADE and not event.detail("because")
            if is_new and (step.run, event.at.mono_ns) > self.after:
                self._judge(event, self.plans[step.run].parts)

    def _judge(self, event: Event, plan: PartPlan) -> None:
        first, last, epoch = (int(event.detail(name) or 0) for name in ("first", "last", "epoch"))
        known = self.known.get((epoch, first))
        if known is None or known.last != last:
            self.unmatched += last + 1 - first
            return
        self.parts += last + 1 - first
        again = judged_again(event, known, self.zone, plan)
        if again is not None:
            self.changed += last + 1 - first
            self.told.append(again)


def judged_again(event: Event, known: Known, zone: str, plan: PartPlan) -> Event | None:
    """The worse of a part as corrected and as it was judged; None where that is the latter."""
    corrected = [
        (rule, of_zone)
        for rule, of_zone in part_rules(str(event.detail("rules")))
        if rule in _OF_CELL or (rule in _OF_ZONE and of_zone == zone)
    ]
    against = list(dict.fromkeys((*known.rules, *corrected)))
    if (PartRule.OUTSIDE_WINDOW, zone) in against:
        # On the way there, which says nothing more.
        against = [pair for pair in against if pair != (PartRule.NEAR_EDGE, zone)]
    verdict = max(known.verdict, worst(corrected, plan), key=_VERDICTS.index)
    age_s, is_older = _older(event.detail("age_s"), known.age_s, plan)
    if not is_older and (verdict, tuple(against)) == (known.verdict, known.rules):
        return None
    told = dict(event.details) | {
        "age_s": age_s,
        "life_used": None if age_s is None or not plan.pot_life_s else age_s / plan.pot_life_s,
        "is_ready": False if event.detail("is_ready") is False else known.is_ready,
        "verdict": verdict.value,
        "rules": ",".join(f"{rule.value}:{name}" if name else rule.value for rule, name in against),
        "because": BECAUSE,
        "joined_s": known.joined_s,
    }
    return replace(event, details=tuple(told.items()))


def _older(corrected: Detail, known_s: float | None, plan: PartPlan) -> tuple[float | None, bool]:
    """The higher of two ages, and whether the corrected one is by more than a trifle."""
    if not isinstance(corrected, float) or known_s is None or plan.pot_life_s is None:
        return known_s, False
    return max(corrected, known_s), corrected - known_s > TRIFLE * plan.pot_life_s


def _dose(end: Begin | Replayed | None, plans: Mapping[int, CellPlan]) -> Dose | None:
    """Age of the charge in use."""
    plan = None if end is None else plans[end.run]
    zone = None if plan is None else plan.charge_zone
    if end is None or plan is None or plan.reservoir is None:
        return None
    return (
        None
        if zone is None or zone.rules.material.ageing is None
        else (end.state.zones[plan.reservoir].dose)
    )


def _age_s(dose: Dose | None) -> float | None:
    """Equivalent age by the stricter bound. [s]."""
    return None if dose is None else seconds(max(dose.low_ns, dose.high_ns))


def _is_overheated(end: Begin | Replayed | None) -> bool:
    return end is not None and end.state.charge.is_overheated
