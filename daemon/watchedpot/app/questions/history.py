"""Everything that happened, in order of time: events, how long things took, what was changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from itertools import chain, pairwise
from pathlib import Path

from watchedpot.app.config.origins import file_of
from watchedpot.app.questions.gaps import Gap, GapKind, covered_ns, gaps_of, total_s
from watchedpot.app.questions.like import is_raised
from watchedpot.app.questions.lines import beside, counted, prose
from watchedpot.app.questions.settings import Settings, changes, shown
from watchedpot.app.questions.times import clock, iso, local, local_span, offset, wall_ns
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.wording import duration, plain, sentence, time_of_day

KINDS: dict[str, tuple[EventKind, ...]] = {
    "phase": (EventKind.PHASE_CHANGED,),
    "production": (EventKind.PRODUCTION_STARTED, EventKind.PRODUCTION_STOPPED),
    "excursion": (EventKind.EXCURSION_OPENED, EventKind.EXCURSION_ENDED),
    "alarm": (EventKind.ALARM_CHANGED,),
    "finding": (
        EventKind.FINDING_OPENED,
        EventKind.FINDING_CHANGED,
        EventKind.FINDING_ENDED,
    ),
    "charge": (
        EventKind.CHARGE_CHANGED,
        EventKind.CHARGE_STATE_CHANGED,
        EventKind.CHARGE_OVERHEATED,
        EventKind.CHARGE_SUSPECTED,
    ),
    "air": (EventKind.AIR_MOIST, EventKind.AIR_DRY),
    "wipe": (EventKind.WIPED,),
    "entry": (EventKind.ENTERED, EventKind.ENTRY_REFUSED),
    "counter": (EventKind.COUNTER_JUMPED,),
    "judging": (EventKind.PART_MADE, EventKind.REJUDGED),
    "configuration": (EventKind.CONFIGURATION_CHANGED,),
    "run": (EventKind.DAEMON_STARTED, EventKind.DAEMON_STOPPED),
    "gap": (
        EventKind.SOURCE_LOST,
        EventKind.SOURCE_UP,
        EventKind.READINGS_DROPPED,
        EventKind.LEDGER_FAILED,
        EventKind.LEDGER_RECOVERED,
        EventKind.RECORD_TRIMMED,
    ),
}
"""What can be asked for, and the events that it shows."""

_KIND_OF = {kind: name for name, kinds in KINDS.items() for kind in kinds}

_COLUMN = 24

_CHANGE, _GAP = "limit_changed", "gap"
"""What rows that are no event of the record call themselves."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked; empty ``kinds`` for all, None for no bound. [ns]."""

    asked_ns: int
    since_ns: int | None = None
    until_ns: int | None = None
    cell: str | None = None
    kinds: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that happened.

    Attributes
    ----------
    kind
        A name of ``KINDS``.
    what
        Kind of the event, or ``limit_changed``, or ``gap``.
    event
        None for a changed limit or a gap.
    after
        What is known of it besides, in words: how long it took.
    facts
        The same for programs: details of the event, and what was found out.
    """

    at_ns: int
    kind: str
    what: str
    cell: str = ""
    zone: str = ""
    event: Event | None = None
    after: str = ""
    facts: Mapping[str, object] = field(default_factory=dict)

    def words(self, tz: tzinfo | None = None) -> str:
        """One sentence, its times of day as clocks here show them."""
        if self.event is None:
            return self.after
        told = sentence(on_the_wall(self.event, tz))
        return f"{told} ({self.after})" if self.after else told


@dataclass(frozen=True, slots=True)
class History:
    """What happened in a span, in order of time. [ns]."""

    question: Question
    span_ns: tuple[int, int]
    rows: tuple[Row, ...]
    gaps: tuple[Gap, ...]


def on_the_wall(event: Event, tz: tzinfo | None = None) -> Event:
    """An event for a sentence read here: its times moved to local ones, no call to act."""

    def moved(name: str, value: Detail) -> Detail:
        return wall_ns(value, tz) if name.endswith("utc_ns") and isinstance(value, int) else value

    return replace(
        event,
        at=replace(event.at, utc_ns=wall_ns(event.at.utc_ns, tz)),
        details=tuple(
            (name, moved(name, value)) for name, value in event.details if name != "response"
        ),
    )


def ask(path: Path, question: Question) -> History:
    """Answer from a ledger, also from one in use."""
    settings = Settings.read(path)
    settings.check_cell(question.cell)
    from_ns, to_ns, _ = covered_ns(
        path,
        begin_ns=settings.runs[0].at.utc_ns if settings.runs else question.asked_ns,
        asked_ns=question.asked_ns,
        since_ns=question.since_ns,
        until_ns=question.until_ns,
    )
    span_ns = from_ns, to_ns
    sources = frozenset() if question.cell is None else settings.sources_of(question.cell)
    gaps = gaps_of(
        path, cell=question.cell, sources=sources, since_ns=span_ns[0], until_ns=span_ns[1]
    )
    events = [recorded.event for recorded in ledger.events(path, until_ns=question.until_ns)]
    rows = chain(
        event_rows(events), gap_rows(gaps, span_ns[1]), limit_rows(settings, changed_by(events))
    )
    return History(
        question,
        span_ns,
        tuple(sorted(chosen(rows, question, sources), key=lambda row: row.at_ns)),
        gaps,
    )


def chosen(rows: Iterable[Row], question: Question, sources: frozenset[str]) -> Iterator[Row]:
    """The rows that were asked for; what concerns all cells concerns each."""
    since_ns, until_ns, cell = question.since_ns, question.until_ns, question.cell
    for row in rows:
        source = row.facts.get("source")
        if (
            (since_ns is None or row.at_ns >= since_ns)
            and (until_ns is None or row.at_ns < until_ns)
            and (not question.kinds or row.kind in question.kinds)
            and (cell is None or row.cell in ("", cell))
            and (cell is None or source is None or source in sources)
        ):
            yield row


def event_rows(events: Sequence[Event]) -> Iterator[Row]:
    """Each event with what belongs to it: how long an alarm had stood, whether a stay has ended."""
    alarms: dict[tuple[str, str, Detail], dict[str, int]] = {}
    still_open = _still_open(events)
    for place, event in enumerate(events):
        took: dict[str, float] = {}
        if event.kind is EventKind.ALARM_CHANGED:
            key = event.cell, event.zone, event.detail("alarm")
            took = _took(event, alarms.setdefault(key, {}))
        told = [f"{duration(gone_s)} {_SINCE[name]}" for name, gone_s in took.items()]
        is_open = place in still_open
        yield Row(
            event.at.utc_ns,
            _KIND_OF[event.kind],
            event.kind.value,
            event.cell,
            event.zone,
            event,
            "still open at the end" if is_open else ", ".join(told),
            {**dict(event.details), **took, **({"is_open": True} if is_open else {})},
        )


def _still_open(events: Sequence[Event]) -> frozenset[int]:
    """Places of the excursions that have not ended."""
    opened: dict[tuple[str, str, Detail], int] = {}
    for place, event in enumerate(events):
        key = event.cell, event.zone, event.detail("edge")
        if event.kind is EventKind.EXCURSION_OPENED:
            opened[key] = place
        elif event.kind is EventKind.EXCURSION_ENDED:
            opened.pop(key, None)
    return frozenset(opened.values())


_SINCE = {
    "since_onset_s": "after it began",
    "since_raised_s": "after it was raised",
    "since_acknowledged_s": "after it was acknowledged",
}


def _took(event: Event, known: dict[str, int]) -> dict[str, float]:
    """How long it took to raise, acknowledge and clear an alarm; notes it for what follows."""
    at_ns, state, cause = event.at.utc_ns, event.detail("to"), event.detail("input")
    if state == AlarmState.UNACKNOWLEDGED and not known:
        known["since_raised_s"] = at_ns
        onset_ns = event.detail("onset_utc_ns")
        return {"since_onset_s": (at_ns - onset_ns) / NANO} if isinstance(onset_ns, int) else {}
    took = {name: (at_ns - then_ns) / NANO for name, then_ns in known.items()}
    if state in _OVER:
        known.clear()
    elif cause == "acknowledge":
        known["since_acknowledged_s"] = at_ns
    return took


_OVER = (AlarmState.NORMAL, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE)


def gap_rows(gaps: Iterable[Gap], until_ns: int) -> Iterator[Row]:
    """Gaps whose length no single event tells; they stand where they begin."""
    for gap in gaps:
        if gap.kind is not GapKind.DROPPED:
            facts = gap.plain(until_ns)
            cell, _, zone = gap.of.partition(" ") if gap.kind is GapKind.ZONE else ("", "", "")
            if gap.kind is GapKind.SOURCE:
                facts["source"] = gap.of
            yield Row(gap.from_ns, "gap", _GAP, cell, zone, None, gap.name(until_ns), facts)


def changed_by(events: Iterable[Event]) -> dict[int, str]:
    """Files that a configuration came from, by the moment they were told of."""
    return {
        event.at.utc_ns: plain(str(files))
        for event in events
        if event.kind in {EventKind.CONFIGURATION_CHANGED, EventKind.DAEMON_STARTED}
        and (files := event.detail("files") or event.detail("file")) is not None
    }


def limit_rows(settings: Settings, files: Mapping[int, str]) -> Iterator[Row]:
    """Each value of the configuration that a start of the daemon changed."""
    for place, (before, after) in enumerate(pairwise(settings.runs), start=2):
        if before.config_revision == after.config_revision:
            continue
        start_ns = after.at.utc_ns
        later = settings.runs[place : place + 1]
        told = (
            name
            for at_ns, name in files.items()
            if at_ns >= start_ns and not (later and at_ns >= later[0].at.utc_ns)
        )
        file = next(told, None)
        old, new = (settings.texts[run.config_revision] for run in (before, after))
        for change in changes(old, new):
            names = change.path.split(".")
            set_in = file_of(new, change.path) or file
            by = set_in or "a file whose name is not recorded"
            yield Row(
                start_ns,
                "configuration",
                _CHANGE,
                cell=names[1] if names[0] == "cells" and len(names) > 1 else "",
                zone=names[3] if names[2:3] == ["zones"] and len(names) > 3 else "",
                after=f"{change.path}: {shown(change.old)} to {shown(change.new)}, by {by}",
                facts={
                    "path": change.path,
                    "old": change.old,
                    "new": change.new,
                    "file": set_in,
                    "revision": after.config_revision,
                    "previous": before.config_revision,
                },
            )


def summary(history: History, tz: tzinfo | None = None) -> str:
    """What happened in one sentence."""
    events = [row.event for row in history.rows if row.event is not None]
    raised = [event for event in events if is_raised(event)]
    opened = [event for event in events if event.kind is EventKind.EXCURSION_OPENED]
    entered = [event for event in events if event.kind is EventKind.ENTERED]
    changed = [row for row in history.rows if row.what == _CHANGE]
    stops = [gap for gap in history.gaps if gap.kind is GapKind.NOT_RUNNING]
    told = ", ".join(
        counted(len(found), *noun)
        for found, noun in (
            (opened, ("excursion",)),
            (raised, ("alarm",)),
            (entered, ("entry", "entries")),
            (changed, ("changed limit",)),
            (stops, ("restart",)),
        )
        if found
    )
    blind_s = total_s(history.gaps, *history.span_ns)
    gaps = (
        f"{counted(len(history.gaps), 'gap')} of the record, {duration(blind_s)} in all"
        if history.gaps
        else "no gap of the record"
    )
    what = told or "nothing out of the ordinary"
    return f"{local_span(*history.span_ns, tz)}: {what}; {gaps}."


def text(history: History, tz: tzinfo | None = None) -> str:
    """The history as a table, a heading for each day."""
    lines = [*prose(summary(history, tz)), ""]
    day = ""
    for row in history.rows:
        at = clock(row.at_ns, tz)
        today = f"{at:%Y-%m-%d %a}, local time {offset(at)}"
        if today != day:
            lines += [*([""] if day else []), today]
            day = today
        label = f"{time_of_day(wall_ns(row.at_ns, tz))}  {row.kind}"
        lines += beside(label, row.words(tz), column=_COLUMN + 2, indent=2)
    return "\n".join(lines).rstrip()


def as_json(history: History, tz: tzinfo | None = None) -> dict[str, object]:
    """The history for programs.

    Keys: ``since``, ``until`` (UTC), ``cell``, ``summary``, ``gaps`` (``kind``, ``of``, ``from``,
    ``to``, ``duration_s``), ``not_watched_s``, and ``rows``, each with ``at`` (UTC), ``kind``,
    ``what``, ``cell``, ``zone``, ``words``, ``details`` (in base units).
    """
    return {
        "since": iso(history.span_ns[0]),
        "until": iso(history.span_ns[1]),
        "cell": history.question.cell,
        "summary": summary(history, tz),
        "gaps": [gap.plain(history.span_ns[1]) for gap in history.gaps],
        "not_watched_s": total_s(history.gaps, *history.span_ns),
        "rows": [
            {
                "at": iso(row.at_ns),
                "kind": row.kind,
                "what": row.what,
                "cell": row.cell,
                "zone": row.zone,
                "words": row.words(tz),
                "details": dict(row.facts),
            }
            for row in history.rows
        ],
    }


def as_table(history: History, tz: tzinfo | None = None) -> tuple[list[str], list[list[object]]]:
    """Names of the columns and one row for each thing; details as JSON."""
    names = ["at_utc", "at_local", "kind", "what", "cell", "zone", "words", "details"]
    return names, [
        [
            *(iso(row.at_ns), local(row.at_ns, tz), row.kind, row.what, row.cell, row.zone),
            *(row.words(tz), json.dumps(dict(row.facts))),
        ]
        for row in history.rows
    ]
