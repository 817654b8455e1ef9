"""Whether something has happened before: how often, on which days, at what time of day."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from watchedpot.app.questions.lines import beside, counted, prose
from watchedpot.app.questions.times import clock, iso, local, offset
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import AlarmState

EDGES = ("low", "high")
EXCURSION = "excursion"

MOST_DAYS = 31
"""Days told one by one, the newest ones. [1]"""

_BAR = 40
"""Columns of the longest bar. [1]"""

_STANDING = (
    AlarmState.ACKNOWLEDGED,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
)


@dataclass(frozen=True, slots=True)
class Like:
    """What is looked for.

    Attributes
    ----------
    what
        An ``AlarmKind``, an edge of the window (``low``, ``high``), or ``excursion`` for both.
    zone
        Empty for any.
    """

    what: str
    zone: str = ""

    @property
    def words(self) -> str:
        """The name of it."""
        of = f" of {self.zone}" if self.zone else ""
        if self.what in EDGES:
            return f"excursion{of} at the {self.what} edge"
        if self.what == EXCURSION:
            return f"excursion{of}"
        return f"{self.what.replace('_', ' ')} alarm{of}"

    def fits(self, event: Event) -> bool:
        """Whether an event is the beginning of one."""
        if self.zone and event.zone != self.zone:
            return False
        if self.what == EXCURSION or self.what in EDGES:
            is_edge = self.what == EXCURSION or event.detail("edge") == self.what
            return event.kind is EventKind.EXCURSION_OPENED and is_edge
        if self.what == AlarmKind.OVER_CEILING and event.detail("alarm") == AlarmKind.HOT:
            # The worse stage of the alarm for a hot zone, come to at once or from the first one.
            is_new = is_raised(event) or event.detail("input") == "worse"
            return event.detail("stage") == 2 and is_new
        return is_raised(event) and event.detail("alarm") == self.what


def is_raised(event: Event) -> bool:
    """Whether an event tells of an alarm that did not stand before."""
    return (
        event.kind is EventKind.ALARM_CHANGED
        and event.detail("to") == AlarmState.UNACKNOWLEDGED
        and event.detail("from") not in _STANDING
    )


def like(text: str) -> Like:
    """Reader of an option: ``cold``, ``nozzle/cold``, ``nozzle/low``, ``nozzle/excursion``.

    Examples
    --------
    >>> like("nozzle/cold")
    Like(what='cold', zone='nozzle')
    """
    zone, _, what = text.rpartition("/")
    known = (*(kind.value for kind in AlarmKind), *EDGES, EXCURSION)
    if what not in known:
        msg = f"expected one of {', '.join(known)}, perhaps after ZONE/, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return Like(what, zone)


@dataclass(frozen=True, slots=True)
class Recurrence:
    """When it happened.

    Attributes
    ----------
    at_ns
        Each beginning, in order of time. [ns]
    by_day
        How often on each day on which it did, local, in order. [1]
    by_hour
        How often in each hour of the day, local. [1]
    """

    like: Like
    at_ns: tuple[int, ...]
    by_day: tuple[tuple[str, int], ...]
    by_hour: tuple[int, ...]


def recurrence(events: Iterable[Event], wanted: Like, tz: tzinfo | None = None) -> Recurrence:
    """How often and when something happened."""
    at_ns = tuple(sorted(_onset_ns(event) for event in events if wanted.fits(event)))
    clocks = [clock(each, tz) for each in at_ns]
    hours = Counter(at.hour for at in clocks)
    days = Counter(f"{at:%Y-%m-%d %a}" for at in clocks)
    return Recurrence(wanted, at_ns, tuple(days.items()), tuple(hours[hour] for hour in range(24)))


def _onset_ns(event: Event) -> int:
    """When the condition began, which for an alarm is before it was raised."""
    onset_ns = event.detail("onset_utc_ns")
    return onset_ns if isinstance(onset_ns, int) else event.at.utc_ns


def text(found: Recurrence, tz: tzinfo | None = None) -> str:
    """The answer as it is printed."""
    count, name = len(found.at_ns), found.like.words
    if not count:
        return f"No {name} in this span."
    first = f"{counted(count, 'time')}: {name}, on {counted(len(found.by_day), 'day')}"
    newest = local(found.at_ns[-1], tz)
    most = max(found.by_hour)
    busiest = [hour for hour, number in enumerate(found.by_hour) if number == most]
    hours = ", ".join(f"{hour:02}:00 to {(hour + 1) % 24:02}:00" for hour in busiest)
    if count == 1:
        often = "It has not happened before in this span."
    elif most == 1:
        often = "Never twice in the same hour of the day."
    else:
        often = f"Most often from {hours}: {most} of {count}."
    lines = [*prose(f"{first}, the newest {newest}. {often}"), "", "By day"]
    lines += _bars(found.by_day[-MOST_DAYS:])
    if len(found.by_day) > MOST_DAYS:
        lines.append(f"  and {counted(len(found.by_day) - MOST_DAYS, 'day')} before that")
    lines += ["", f"By hour of the day (local, {offset(clock(found.at_ns[-1], tz))})"]
    lines += _bars(
        [(f"{hour:02}:00", number) for hour, number in enumerate(found.by_hour) if number]
    )
    return "\n".join(lines)


def _bars(counts: Sequence[tuple[str, int]]) -> list[str]:
    """A bar for each number; one for each where they are few."""
    most = max(number for _, number in counts)
    scale = min(1.0, _BAR / most)
    return [
        line
        for label, number in counts
        for line in beside(
            label, f"{number:>4}  {'#' * max(1, round(scale * number))}", column=18, indent=2
        )
    ]


def as_json(found: Recurrence) -> dict[str, object]:
    """The answer for programs.

    Keys: ``like``, ``zone``, ``count``, ``at`` (each beginning, UTC), ``by_day`` and ``by_hour``
    (local; 24 numbers from midnight on).
    """
    return {
        "like": found.like.what,
        "zone": found.like.zone or None,
        "count": len(found.at_ns),
        "at": [iso(each) for each in found.at_ns],
        "by_day": {day.split()[0]: number for day, number in found.by_day},
        "by_hour": list(found.by_hour),
    }


def as_table(found: Recurrence, tz: tzinfo | None = None) -> tuple[list[str], list[list[object]]]:
    """Names of the columns and one row for each time."""
    names = ["like", "zone", "at_utc", "at_local"]
    like_, zone = found.like.what, found.like.zone
    return names, [[like_, zone, iso(each), local(each, tz)] for each in found.at_ns]
