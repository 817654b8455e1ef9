"""How well the alarms serve the people who get them: rates, floods, nuisance, what people say.

Only what was shown to people counts (annunciated): an activation that stayed shelved, suppressed
by design or out of service is counted apart. A re-alarm and a worse stage are no new alarm.

The framework is that of IEC 62682 and ISA-18.2; the texts are not free, so the figures are from
secondary sources or from memory and are defaults to judge by, no claim of conformance:

- at most one alarm in 10 minutes on the long average, at most ten in the first ten minutes after
  an upset: HSE Chemicals Sheet No 6, which cites EEMUA 191 (read in a mirror);
- a flood begins with more than ten in ten minutes (university course text) and ends with fewer
  than five, in under about 1 % of the time (a practitioner's page);
- chattering from three activations in a minute (a book chapter; another source says more than
  three); stale after a day (secondary source); fewer than five stale on any day (from memory);
- four fifths of the annunciated alarms of low, 15 % of medium, 5 % of high priority (secondary
  source); at least 30 days before judging (trade press);
- fleeting: the idea from a practitioner's page, its 10 s and its minute are our own.

The ten most frequent alarms are listed but not judged: a cell has hardly more than ten, so their
share is near one whatever it does.

Ten-minute bins lie on the clock (UTC): 10:00 to 10:10. A window that slides would count otherwise.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import TypeVar

from watchedpot.core.alarms import AlarmInput
from watchedpot.core.model import Event, EventKind, Mark
from watchedpot.core.rules import Priority
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import ns, seconds
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import AlarmTransition

BIN_S = 600.0
FLOOD_ABOVE = 10
FLOOD_ENDS_BELOW = 5
CHATTER_TIMES = 3
CHATTER_S = 60.0
FLEETING_S = 10.0
NOT_BACK_S = 60.0
STALE_S = 86_400.0
TOP = 10
LONG_ENOUGH_S = 30 * 86_400.0

TARGET_PER_BIN = 1.0
TARGET_PEAK = 10
TARGET_FLOOD_SHARE = 0.01
TARGET_STALE = 5
TARGET_SHARES: Mapping[str, float] = {"low": 0.80, "medium": 0.15, "high": 0.05}
"""Of the annunciated alarms; critical ones belong to the high. [1]"""

_WORST_FIRST = tuple(Priority)


@dataclass(frozen=True, slots=True)
class Activation:
    """One stay of an alarm's condition, after its delays.

    Attributes
    ----------
    alarm
        ``cell/zone/kind`` or ``cell/kind``, as in entries.
    raised_ns
        When it was first shown to people; when it began where it never was. In UTC. [ns]
    priority
        The highest it had.
    cleared_ns
        When the condition counted as off; None while it is on. [ns]
    acknowledged_ns
        When somebody first acknowledged it; None where nobody did. [ns]
    is_aside
        Whether it was shelved, suppressed or out of service all the time.
    """

    alarm: str
    raised_ns: int
    priority: Priority = Priority.LOW
    cleared_ns: int | None = None
    acknowledged_ns: int | None = None
    is_aside: bool = False


@dataclass(frozen=True, slots=True)
class Marking:
    """What a person found the newest activation of an alarm at that moment to be."""

    alarm: str
    at_ns: int
    mark: Mark


@dataclass(frozen=True, slots=True)
class Flood:
    """Neighbouring bins with more alarms than anybody can work on.

    Attributes
    ----------
    start_ns, stop_ns
        Begin of its first bin and end of its last, in UTC. [ns]
    alarms, peak
        In all of its bins, and in the fullest.
    """

    start_ns: int
    stop_ns: int
    alarms: int
    peak: int


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its target; a bare number is met when it is not passed."""

    name: str
    value: float
    target: float
    is_met: bool


@dataclass(frozen=True, slots=True)
class Performance:
    """The figures of a span.

    Attributes
    ----------
    since_ns, until_ns
        The span, in UTC. [ns]
    observed_s
        How much of it the record covers; rates are per observed time. [s]
    annunciated, aside
        Activations shown to people, and those put aside all the time.
    peak, peak_ns
        Alarms in the fullest bin and when it began; None without any. [1, ns]
    floods
        In order of time.
    flood_share
        Time in flood over observed time. [1]
    chattering
        Alarms that chattered, with the activations that were part of it.
    fleeting
        Activations gone within 10 s, not acknowledged by then, not back within a minute.
    stale
        Those that stood longer than a day at some moment of the span, also if raised before it.
    top
        The most frequent alarms with their number.
    top_share
        Their share of all. [1]
    priorities
        Activations by priority, all four named.
    acknowledged, median_s, longest_s
        How many were acknowledged and after what time; None without any. [1, s, s]
    marks
        Activations by what people found them to be, all three named.
    """

    since_ns: int
    until_ns: int
    observed_s: float
    annunciated: int
    aside: int
    peak: int
    peak_ns: int | None
    floods: tuple[Flood, ...]
    flood_share: float
    chattering: tuple[tuple[str, int], ...]
    fleeting: int
    stale: tuple[Activation, ...]
    top: tuple[tuple[str, int], ...]
    top_share: float
    priorities: tuple[tuple[Priority, int], ...]
    acknowledged: int
    median_s: float | None
    longest_s: float | None
    marks: tuple[tuple[Mark, int], ...]

    @property
    def is_long_enough(self) -> bool:
        """Whether the observation is long enough to judge by the targets."""
        return self.observed_s >= LONG_ENOUGH_S

    def per(self, duration_s: float) -> float:
        """Annunciated alarms in a time of this length, on the average. [1]."""
        return self.annunciated * duration_s / self.observed_s if self.observed_s else 0.0

    @property
    def stale_at_once(self) -> int:
        """The largest number of alarms that were stale at the same time."""
        return max(
            (
                sum(
                    other.raised_ns <= item.raised_ns
                    and (
                        other.cleared_ns is None or other.cleared_ns > item.raised_ns + ns(STALE_S)
                    )
                    for other in self.stale
                )
                for item in self.stale
            ),
            default=0,
        )

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Figures that have a target, each with whether it is met."""
        share = self.flood_share
        rate = self.per(BIN_S)
        stale = self.stale_at_once
        return (
            Figure("per_ten_minutes", rate, TARGET_PER_BIN, rate <= TARGET_PER_BIN),
            Figure("peak_in_ten_minutes", self.peak, TARGET_PEAK, self.peak <= TARGET_PEAK),
            Figure("flood_share", share, TARGET_FLOOD_SHARE, share < TARGET_FLOOD_SHARE),
            Figure("stale", stale, TARGET_STALE, stale < TARGET_STALE),
        )


def activations(transitions: Iterable[AlarmTransition]) -> tuple[Activation, ...]:
    """Activations from recorded changes of alarms.

    An activation that began before the first of the rows is left out, so give them from well
    before the span. One whose end was never recorded, as by a restart without its state, ends
    with the next activation of the same alarm at the latest.

    Parameters
    ----------
    transitions
        In the order of their record.

    Returns
    -------
    tuple of Activation
        In the order in which they began.
    """
    found: list[Activation] = []
    newest: dict[str, int] = {}
    for row in transitions:
        alarm = "/".join(part for part in (row.cell, row.zone, str(row.alarm)) if part)
        place = newest.get(alarm)
        if row.details["input"] == AlarmInput.ON.value:
            if place is not None and found[place].cleared_ns is None:
                found[place] = replace(found[place], cleared_ns=row.at.utc_ns)
            newest[alarm] = len(found)
            found.append(
                Activation(
                    alarm, row.at.utc_ns, _priority(row), is_aside=row.state not in _SHOWN_AS_NEW
                )
            )
        elif place is not None:
            found[place] = _changed(found[place], row)
    return tuple(found)


_SHOWN_AS_NEW = (AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)


def _priority(row: AlarmTransition) -> Priority:
    return Priority(str(row.details["priority"]))


def _changed(before: Activation, row: AlarmTransition) -> Activation:
    """The newest activation of an alarm after a row that begins no new one."""
    after = before
    if row.stage:
        worst = min(before.priority, _priority(row), key=_WORST_FIRST.index)
        after = replace(after, priority=worst)
    elif before.cleared_ns is None:
        after = replace(after, cleared_ns=row.at.utc_ns)
    is_acknowledged = row.details["input"] == AlarmInput.ACKNOWLEDGE.value
    if before.acknowledged_ns is None and is_acknowledged:
        after = replace(after, acknowledged_ns=row.at.utc_ns)
    if before.is_aside and row.state in _SHOWN_AS_NEW:
        after = replace(after, raised_ns=row.at.utc_ns, acknowledged_ns=None, is_aside=False)
    return after


def performance(
    given: Sequence[Activation],
    *,
    since_ns: int,
    until_ns: int,
    observed_s: float | None = None,
    markings: Iterable[Marking] = (),
) -> Performance:
    """Figures of the activations raised within a span.

    Parameters
    ----------
    given
        Activations, also from before the span: the stale ones among them count.
    since_ns, until_ns
        The span in UTC, its end not included. [ns]
    observed_s
        How much of it the record covers; None for all of it. [s]
    markings
        What people said; a later one replaces an earlier one of the same activation.

    Returns
    -------
    Performance
        What ended after the span counts as standing at its end.
    """
    in_order = sorted(given, key=lambda item: item.raised_ns)
    inside = [item for item in in_order if since_ns <= item.raised_ns < until_ns]
    shown = [item for item in inside if not item.is_aside]
    seen_s = seconds(until_ns - since_ns) if observed_s is None else observed_s
    counts = Counter(item.raised_ns // ns(BIN_S) for item in shown)
    fullest = max(sorted(counts), key=lambda number: counts[number], default=None)
    floods = _floods(counts)
    flood_s = sum(seconds(flood.stop_ns - flood.start_ns) for flood in floods)
    top = Counter(item.alarm for item in shown).most_common(TOP)
    waits_s = [
        seconds(item.acknowledged_ns - item.raised_ns)
        for item in shown
        if item.acknowledged_ns is not None
    ]
    return Performance(
        since_ns,
        until_ns,
        seen_s,
        annunciated=len(shown),
        aside=len(inside) - len(shown),
        peak=0 if fullest is None else counts[fullest],
        peak_ns=None if fullest is None else fullest * ns(BIN_S),
        floods=floods,
        flood_share=min(flood_s / seen_s, 1.0) if seen_s else 0.0,
        chattering=_chattering(shown),
        fleeting=_fleeting(in_order, since_ns, until_ns),
        stale=tuple(item for item in in_order if _is_stale(item, since_ns, until_ns)),
        top=tuple(top),
        top_share=sum(times for _, times in top) / len(shown) if shown else 0.0,
        priorities=_tally(Priority, (item.priority for item in shown)),
        acknowledged=len(waits_s),
        median_s=median(waits_s) if waits_s else None,
        longest_s=max(waits_s, default=None),
        marks=_tally(Mark, _marks(in_order, markings, since_ns, until_ns)),
    )


def performance_of(path: Path, *, since_ns: int, until_ns: int) -> Performance:
    """Figures of all alarms of a ledger: those of one person who gets them all.

    What stands since more than 30 days before the span is left out.

    Parameters
    ----------
    since_ns, until_ns
        The span in UTC, its end not included. [ns]

    Raises
    ------
    LedgerError
        The ledger cannot be read.
    """
    before_ns = since_ns - ns(LONG_ENOUGH_S)
    found = activations(ledger.alarm_transitions(path, since_ns=before_ns, until_ns=until_ns))
    entered = (recorded.event for recorded in ledger.events(path, since_ns=since_ns))
    return performance(
        found,
        since_ns=since_ns,
        until_ns=until_ns,
        observed_s=_watched_s(path, since_ns, until_ns),
        markings=marked(entered),
    )


def _watched_s(path: Path, since_ns: int, until_ns: int) -> float:
    """For how much of a span the daemon ran, each time until the newest that it recorded. [s]."""
    runs = list(ledger.runs(path))
    ends_ns = [ledger.newest_ns(path, before_run=run.id) for run in runs[1:]]
    ends_ns.append(ledger.newest_ns(path))
    return sum(
        seconds(max(0, min(end_ns, until_ns) - max(run.at.utc_ns, since_ns)))
        for run, end_ns in zip(runs, ends_ns, strict=False)
        if end_ns is not None
    )


def marked(events: Iterable[Event]) -> tuple[Marking, ...]:
    """What people found alarms to be, from the events of what they entered."""
    return tuple(
        Marking(str(event.detail("target")), event.at.utc_ns, Mark(str(event.detail("word"))))
        for event in events
        if event.kind is EventKind.ENTERED
        and event.detail("entry") == "mark_alarm"
        and event.detail("word") in set(Mark)
    )


_Word = TypeVar("_Word", bound=StrEnum)


def _tally(words: type[_Word], said: Iterable[_Word]) -> tuple[tuple[_Word, int], ...]:
    """How often each word was said, all of them named."""
    counts = Counter(said)
    return tuple((word, counts[word]) for word in words)


def _floods(counts: Mapping[int, int]) -> tuple[Flood, ...]:
    """Runs of neighbouring bins that begin above the one number and stay at or above the other."""
    runs: list[list[int]] = []
    for number in sorted(counts):
        goes_on = bool(runs) and runs[-1][-1] == number - 1
        if goes_on and counts[number] >= FLOOD_ENDS_BELOW:
            runs[-1].append(number)
        elif counts[number] > FLOOD_ABOVE:
            runs.append([number])
    bin_ns = ns(BIN_S)
    return tuple(
        Flood(
            run[0] * bin_ns,
            (run[-1] + 1) * bin_ns,
            sum(counts[number] for number in run),
            max(counts[number] for number in run),
        )
        for run in runs
    )


def _chattering(shown: Sequence[Activation]) -> tuple[tuple[str, int], ...]:
    """Alarms with enough activations within a minute, both ends included; the most first."""
    times: dict[str, list[int]] = defaultdict(list)
    for item in shown:
        times[item.alarm].append(item.raised_ns)
    counts = Counter[str]()
    for alarm, raised_ns in times.items():
        involved = set[int]()
        for first in range(len(raised_ns) - CHATTER_TIMES + 1):
            last = first + CHATTER_TIMES - 1
            if raised_ns[last] - raised_ns[first] <= ns(CHATTER_S):
                involved.update(range(first, last + 1))
        counts[alarm] += len(involved)
    return tuple((alarm, number) for alarm, number in counts.most_common() if number)


def _fleeting(in_order: Sequence[Activation], since_ns: int, until_ns: int) -> int:
    """How many came and went before anybody could do anything, and stayed away."""
    by_alarm: dict[str, list[Activation | None]] = defaultdict(list)
    for item in in_order:
        by_alarm[item.alarm].append(item)
    return sum(
        since_ns <= item.raised_ns < until_ns and _is_fleeting(item, after)
        for items in by_alarm.values()
        for item, after in pairwise((*items, None))
        if item is not None
    )


def _is_fleeting(item: Activation, after: Activation | None) -> bool:
    """Whether nobody had a chance; ``after`` is the next activation of the same alarm."""
    if item.is_aside or item.cleared_ns is None:
        return False
    if not 0 <= item.cleared_ns - item.raised_ns <= ns(FLEETING_S):
        return False
    if item.acknowledged_ns is not None and item.acknowledged_ns <= item.cleared_ns:
        return False
    return after is None or after.raised_ns - item.cleared_ns > ns(NOT_BACK_S)


def _is_stale(item: Activation, since_ns: int, until_ns: int) -> bool:
    """Whether it stood for more than a day, and still at some moment of the span."""
    end_ns = until_ns if item.cleared_ns is None else min(item.cleared_ns, until_ns)
    return not item.is_aside and end_ns >= since_ns and end_ns - item.raised_ns > ns(STALE_S)


def _marks(
    in_order: Sequence[Activation], markings: Iterable[Marking], since_ns: int, until_ns: int
) -> Iterable[Mark]:
    """The newest word on each activation of the span."""
    raised: dict[str, list[Activation]] = defaultdict(list)
    for item in in_order:
        raised[item.alarm].append(item)
    newest: dict[tuple[str, int], Mark] = {}
    for marking in sorted(markings, key=lambda marking: marking.at_ns):
        items = raised[marking.alarm]
        place = bisect_right(items, marking.at_ns, key=lambda item: item.raised_ns) - 1
        if place >= 0 and since_ns <= items[place].raised_ns < until_ns:
            newest[marking.alarm, place] = marking.mark
    return newest.values()
