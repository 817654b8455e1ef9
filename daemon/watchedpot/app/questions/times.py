"""Times as people say and read them, local with an offset, and as machines do, in UTC."""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from watchedpot.core.units import NANO

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_AGO = re.compile(r"(?P<number>\d+(?:\.\d+)?)(?P<unit>s|min|h|d)")
_UNITS_S = {"s": 1, "min": 60, "h": 3600, "d": 86_400}


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment as it was asked for: itself, or how long before the asking it was. [ns]."""

    utc_ns: int = 0
    ago_ns: int | None = None

    def ns(self, asked_ns: int) -> int:
        """The moment, for a question asked at another one. [ns]."""
        return self.utc_ns if self.ago_ns is None else asked_ns - self.ago_ns


def moment(text: str, tz: tzinfo | None = None) -> Moment:
    """Reader of an option: ISO 8601, local where it names no offset, or how long ago.

    Examples
    --------
    >>> moment("90min").ns(5_400_000_000_000)
    0
    >>> moment("1970-01-01T01:00+01:00").ns(7)
    0
    """
    ago = _AGO.fullmatch(text.strip())
    if ago is not None:
        return Moment(ago_ns=round(float(ago["number"]) * _UNITS_S[ago["unit"]] * NANO))
    try:
        at = datetime.fromisoformat(text.strip())
        if at.tzinfo is None:
            at = at.replace(tzinfo=tz) if tz is not None else at.astimezone()
        gone = at - _EPOCH
    except (ValueError, OverflowError, OSError) as exc:
        msg = f"expected a time such as 2026-11-25T06:00 or 8h, 90min, 2d, got {text!r}"
        raise argparse.ArgumentTypeError(msg) from exc
    return Moment(((gone.days * 86_400 + gone.seconds) * 1_000_000 + gone.microseconds) * 1000)


def iso(utc_ns: int) -> str:
    """A moment for machines, to the nanosecond.

    Examples
    --------
    >>> iso(1_000_000_001)
    '1970-01-01T00:00:01.000000001Z'
    """
    second, rest_ns = divmod(utc_ns, NANO)
    return f"{_EPOCH + timedelta(seconds=second):%Y-%m-%dT%H:%M:%S}.{rest_ns:09}Z"


def iso_or_none(utc_ns: int | None) -> str | None:
    """The same, of a moment that may not be known."""
    return None if utc_ns is None else iso(utc_ns)


def clock(utc_ns: int, tz: tzinfo | None = None) -> datetime:
    """A moment as the clock on the wall shows it; seconds are cut off, not rounded."""
    return (_EPOCH + timedelta(seconds=utc_ns // NANO)).astimezone(tz)


def local(utc_ns: int, tz: tzinfo | None = None) -> str:
    """A moment for people: date, time of day and offset.

    Examples
    --------
    >>> from datetime import timezone
    >>> local(0, timezone(timedelta(hours=1)))
    '1970-01-01 01:00:00 +01:00'
    """
    at = clock(utc_ns, tz)
    return f"{at:%Y-%m-%d %H:%M:%S} {offset(at)}"


def offset(at: datetime) -> str:
    """Offset of a local time.

    Examples
    --------
    >>> offset(_EPOCH)
    '+00:00'
    """
    return at.isoformat()[-6:]


def local_span(from_ns: int, to_ns: int, tz: tzinfo | None = None) -> str:
    """Two moments for people; what they share is told once.

    Examples
    --------
    >>> local_span(0, 61 * NANO, UTC)
    '1970-01-01 00:00:00 to 00:01:01 +00:00'
    >>> local_span(0, 86_400 * NANO, UTC)
    '1970-01-01 00:00:00 +00:00 to 1970-01-02 00:00:00 +00:00'
    """
    start, end = clock(from_ns, tz), clock(to_ns, tz)
    if (start.date(), start.utcoffset()) != (end.date(), end.utcoffset()):
        return f"{local(from_ns, tz)} to {local(to_ns, tz)}"
    if start == end:
        return local(from_ns, tz)
    return f"{start:%Y-%m-%d %H:%M:%S} to {end:%H:%M:%S} {offset(end)}"


def wall_ns(utc_ns: int, tz: tzinfo | None = None) -> int:
    """The moment at which clocks in UTC show what the clock here shows now. [ns]."""
    ahead = clock(utc_ns, tz).utcoffset() or timedelta()
    return utc_ns + round(ahead.total_seconds()) * NANO
