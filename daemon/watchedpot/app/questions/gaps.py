"""Gaps of the record: when nothing, or a part of the cell, was watched."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import tzinfo
from enum import StrEnum
from pathlib import Path

from watchedpot.app.questions.times import iso, iso_or_none, local_span
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import AlarmKind
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedEvent
from watchedpot.outputs.wording import duration


class GapKind(StrEnum):
    """Why something was not watched, or not recorded."""

    NOT_RUNNING = "daemon_not_running"
    SOURCE = "source_not_read"
    ZONE = "zone_not_seen"
    DROPPED = "readings_dropped"
    UNRECORDED = "ledger_not_written"


@dataclass(frozen=True, slots=True)
class Gap:
    """One of them.

    Attributes
    ----------
    of
        Source, or cell and zone; empty for all.
    to_ns
        None while it lasts. [ns]
    is_clean
        Whether the daemon had said that it stops; true of the other kinds.
    """

    kind: GapKind
    of: str
    from_ns: int
    to_ns: int | None
    is_clean: bool = True

    def duration_s(self, until_ns: int) -> float:
        """How long it is, up to a moment. [s]."""
        end_ns = until_ns if self.to_ns is None else min(self.to_ns, until_ns)
        return max(0, end_ns - self.from_ns) / NANO

    def within(self, since_ns: int, until_ns: int) -> bool:
        """Whether some of it lies in a span."""
        return self.from_ns < until_ns and (self.to_ns is None or self.to_ns >= since_ns)

    def name(self, until_ns: int) -> str:
        """What it is, and how long."""
        what = {
            GapKind.NOT_RUNNING: "daemon not running",
            GapKind.SOURCE: f"source {self.of} not read",
            GapKind.ZONE: f"{self.of} not seen",
            GapKind.DROPPED: f"readings {f'of {self.of} ' if self.of else ''}lost to a full queue",
            GapKind.UNRECORDED: "ledger not written",
        }[self.kind]
        if self.kind is GapKind.DROPPED:
            return what
        ended = "" if self.is_clean else " (it had ended unannounced)"
        lasts = ", still so at the end" if self.to_ns is None else ""
        return f"{what}{ended} for {duration(self.duration_s(until_ns))}{lasts}"

    def words(self, until_ns: int, tz: tzinfo | None = None) -> str:
        """The same with its time."""
        end_ns = until_ns if self.to_ns is None else self.to_ns
        return f"{self.name(until_ns)}, {local_span(self.from_ns, end_ns, tz)}"

    def plain(self, until_ns: int) -> dict[str, object]:
        """The gap for programs."""
        return {
            "kind": self.kind.value,
            "of": self.of,
            "from": iso(self.from_ns),
            "to": iso_or_none(self.to_ns),
            "duration_s": self.duration_s(until_ns),
        }


def find_gaps(
    events: Iterable[RecordedEvent], ended_ns: Callable[[int, int], int]
) -> Iterator[Gap]:
    """Gaps in the order in which they were over, those that last at the end.

    Parameters
    ----------
    events
        From the beginning of the record, in its order.
    ended_ns
        Newest moment recorded by the runs before one, given the run and its beginning; asked only
        where the daemon had not said that it stops.
    """
    stopped: tuple[int, int] | None = None
    under_way: dict[tuple[GapKind, str], Gap] = {}
    run = 0
    for recorded in events:
        event, at_ns = recorded.event, recorded.event.at.utc_ns
        if event.kind is EventKind.DAEMON_STOPPED:
            stopped = recorded.run, at_ns
        elif event.kind is EventKind.DAEMON_STARTED:
            if run and recorded.run != run:
                is_clean = stopped is not None and stopped[0] == run
                from_ns = stopped[1] if stopped and is_clean else ended_ns(recorded.run, at_ns)
                yield Gap(GapKind.NOT_RUNNING, "", min(from_ns, at_ns), at_ns, is_clean)
        elif event.kind is EventKind.READINGS_DROPPED:
            yield Gap(GapKind.DROPPED, str(event.detail("source") or ""), at_ns, at_ns)
        else:
            yield from _turned(event, under_way)
        run = recorded.run
    yield from under_way.values()


def _turned(event: Event, under_way: dict[tuple[GapKind, str], Gap]) -> Iterator[Gap]:
    """A gap that begins is noted, one that is over is told."""
    at_ns = event.at.utc_ns
    if event.kind in {EventKind.SOURCE_LOST, EventKind.SOURCE_UP}:
        key = GapKind.SOURCE, str(event.detail("source") or "")
        is_on = event.kind is EventKind.SOURCE_LOST
    elif event.kind in {EventKind.LEDGER_FAILED, EventKind.LEDGER_RECOVERED}:
        key, is_on = (GapKind.UNRECORDED, ""), event.kind is EventKind.LEDGER_FAILED
    elif event.kind is EventKind.ALARM_CHANGED and event.detail("alarm") == AlarmKind.UNSEEN:
        key = GapKind.ZONE, " ".join(part for part in (event.cell, event.zone) if part)
        is_on = bool(event.detail("stage"))
        onset = event.detail("onset_utc_ns")
        at_ns = onset if is_on and isinstance(onset, int) else at_ns
    else:
        return
    if is_on:
        under_way.setdefault(key, Gap(*key, at_ns, None))
    elif key in under_way:
        yield replace(under_way.pop(key), to_ns=at_ns)


def total_s(gaps: Iterable[Gap], since_ns: int, until_ns: int) -> float:
    """Time within a span that lies in some gap, counted once. [s]."""
    spans = sorted(
        (max(gap.from_ns, since_ns), min(until_ns if gap.to_ns is None else gap.to_ns, until_ns))
        for gap in gaps
    )
    total_ns, reached_ns = 0, since_ns
    for from_ns, to_ns in spans:
        total_ns += max(0, to_ns - max(from_ns, reached_ns))
        reached_ns = max(reached_ns, to_ns)
    return total_ns / NANO


def gaps_of(
    path: Path, *, cell: str | None, sources: frozenset[str], since_ns: int, until_ns: int
) -> tuple[Gap, ...]:
    """Gaps of a ledger in a span that concern a cell, or all, in order of time."""

    def concerns(gap: Gap) -> bool:
        if cell is None or not gap.of:
            return True
        if gap.kind is GapKind.ZONE:
            return gap.of.split()[0] == cell
        return gap.of in sources

    found = find_gaps(
        ledger.events(path, until_ns=until_ns),
        lambda run, at_ns: ledger.newest_ns(path, before_run=run, until_ns=at_ns) or at_ns,
    )
    return tuple(
        sorted(
            (gap for gap in found if gap.within(since_ns, until_ns) and concerns(gap)),
            key=lambda gap: gap.from_ns,
        )
    )


def covered_ns(
    path: Path, *, begin_ns: int, asked_ns: int, since_ns: int | None, until_ns: int | None
) -> tuple[int, int, int]:
    """Begin and end of what a record can tell of a span, and its own end. [ns].

    Nothing is claimed of what came after it.

    Parameters
    ----------
    begin_ns
        Where the record begins; a span may be asked for that begins earlier. [ns]
    since_ns, until_ns
        The span; None for no bound. [ns]
    """
    newest = ledger.newest_ns(path)
    end_ns = (asked_ns if newest is None else newest) + 1
    from_ns = begin_ns if since_ns is None else max(since_ns, begin_ns)
    to_ns = end_ns if until_ns is None else min(until_ns, end_ns)
    return from_ns, max(from_ns, to_ns), end_ns
