"""Times in and out."""

from __future__ import annotations

import argparse
from datetime import UTC, timedelta, timezone

import pytest

from watchedpot.app.questions import times
from watchedpot.core.units import NANO

ZONE = timezone(timedelta(hours=2))
HOUR_NS = 3600 * NANO


@pytest.mark.parametrize(
    ("text", "ns"),
    [
        ("1970-01-01T03:00", HOUR_NS),
        ("1970-01-01 03:00:00.5", HOUR_NS + NANO // 2),
        ("1970-01-01T03:00Z", 3 * HOUR_NS),
        ("1970-01-01T03:00-01:00", 4 * HOUR_NS),
        ("1970-01-01", -2 * HOUR_NS),
    ],
)
def test_a_time_without_offset_is_local(text: str, ns: int) -> None:
    """ISO 8601 is read as it stands, in the zone of the reader where it names none."""
    assert times.moment(text, ZONE).ns(0) == ns


@pytest.mark.usefixtures("_two_hours_ahead")
def test_the_zone_is_that_of_this_computer() -> None:
    """Without a zone the clock of this computer counts, for reading and for showing."""
    assert times.moment("1970-01-01T03:00").ns(0) == HOUR_NS
    assert times.local(HOUR_NS) == "1970-01-01 03:00:00 +02:00"


@pytest.mark.parametrize(
    ("text", "back_ns"),
    [("8h", 8 * HOUR_NS), ("90min", 90 * 60 * NANO), ("2d", 48 * HOUR_NS), ("1.5s", 3 * NANO // 2)],
)
def test_how_long_ago_counts_from_the_asking(text: str, back_ns: int) -> None:
    """A duration is a moment before the question."""
    assert times.moment(text, ZONE).ns(100 * HOUR_NS) == 100 * HOUR_NS - back_ns


@pytest.mark.parametrize("text", ["", "yesterday", "8", "8 h", "-8h", "2026-13-01"])
def test_other_text_is_no_time(text: str) -> None:
    """The message shows what is expected and what came."""
    with pytest.raises(argparse.ArgumentTypeError, match="2026-11-25T06:00 or 8h, 90min, 2d, got"):
        times.moment(text)


def test_machines_get_every_nanosecond() -> None:
    """UTC with nine digits, also before 1970."""
    assert times.iso(1_750_000_000_000_000_007) == "2025-06-15T15:06:40.000000007Z"
    assert times.iso(-1) == "1969-12-31T23:59:59.999999999Z"
    assert times.iso_or_none(0) == "1970-01-01T00:00:00.000000000Z"
    assert times.iso_or_none(None) is None


def test_a_span_tells_the_date_once() -> None:
    """Two moments of a day share it, those of two days and of two offsets do not."""
    assert times.local_span(0, NANO, ZONE) == "1970-01-01 02:00:00 to 02:00:01 +02:00"
    assert times.local_span(0, NANO // 2, ZONE) == "1970-01-01 02:00:00 +02:00"
    other = "1970-01-01 02:00:00 +02:00 to 1970-01-02 00:00:00 +02:00"
    assert times.local_span(0, 22 * HOUR_NS, ZONE) == other


def test_a_sentence_in_utc_can_show_the_wall_clock() -> None:
    """What is moved reads in UTC as the unmoved does here."""
    moved = times.wall_ns(HOUR_NS, ZONE)
    assert times.clock(moved, UTC).replace(tzinfo=None) == times.clock(HOUR_NS, ZONE).replace(
        tzinfo=None
    )
