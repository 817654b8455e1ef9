"""Whether it has happened before."""

from __future__ import annotations

import argparse

import pytest

from app.questions.plant import ZONE, alarm, told
from watchedpot.app.questions.like import (
    MOST_DAYS,
    Like,
    as_json,
    as_table,
    is_raised,
    like,
    recurrence,
    text,
)
from watchedpot.core.model import Event, EventKind

DAY_S, HOUR_S = 86_400.0, 3600.0


def cold(seconds: float) -> Event:
    """The alarm raised 15 s after the nozzle became cold."""
    return alarm(seconds + 15.0, "normal", "unacknowledged", "on", onset=seconds)


def dip(seconds: float, edge: str = "low", zone: str = "nozzle") -> Event:
    """The beginning of an excursion."""
    return told(EventKind.EXCURSION_OPENED, seconds, zone=zone, edge=edge)


def hot(cause: str, stage: int, before: str = "normal") -> Event:
    """A change of the alarm for a hot nozzle, whose second stage is the ceiling."""
    return alarm(1.0, before, "unacknowledged", cause, onset=0.0, alarm="hot", stage=stage)


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        ("cold", "cold alarm"),
        ("nozzle/over_ceiling", "over ceiling alarm of nozzle"),
        ("nozzle/low", "excursion of nozzle at the low edge"),
        ("excursion", "excursion"),
    ],
)
def test_what_is_looked_for_has_a_name(wanted: str, words: str) -> None:
    """An alarm or an edge, of one zone or of any."""
    assert like(wanted).words == words


@pytest.mark.parametrize("wanted", ["", "nozzle", "cold/nozzle", "nozzle/"])
def test_anything_else_cannot_be_looked_for(wanted: str) -> None:
    """The message names all that can."""
    with pytest.raises(argparse.ArgumentTypeError, match=r"expected one of cold, hot, .*excursion"):
        like(wanted)


@pytest.mark.parametrize(
    ("wanted", "event", "does_fit"),
    [
        (Like("cold"), cold(0.0), True),
        (Like("cold", "nozzle"), cold(0.0), True),
        (Like("cold", "tank"), cold(0.0), False),
        (Like("hot"), cold(0.0), False),
        (Like("cold"), alarm(1.0, "unacknowledged", "normal", "off", onset=0.0), False),
        (Like("cold"), alarm(1.0, "acknowledged", "unacknowledged", "re_alarm", onset=0.0), False),
        (Like("low"), dip(0.0), True),
        (Like("low"), dip(0.0, "high"), False),
        (Like("excursion"), dip(0.0, "high"), True),
        (Like("excursion", "tank"), dip(0.0), False),
        (Like("excursion"), cold(0.0), False),
        (Like("over_ceiling"), hot("on", 2), True),
        (Like("over_ceiling"), hot("worse", 2, "unacknowledged"), True),
        (Like("over_ceiling"), hot("on", 1), False),
        (Like("over_ceiling"), hot("re_alarm", 2, "acknowledged"), False),
        (Like("hot"), hot("on", 2), True),
    ],
)
def test_only_beginnings_count(wanted: Like, event: Event, does_fit: bool) -> None:
    """An alarm counts when it is raised from rest, an excursion when it opens."""
    assert wanted.fits(event) is does_fit


def test_an_alarm_that_stands_is_not_raised() -> None:
    """Being raised again after an acknowledgement is the same occurrence."""
    assert is_raised(cold(0.0))
    assert not is_raised(dip(0.0))
    assert not is_raised(alarm(1.0, "returned_unacknowledged", "unacknowledged", "on", onset=0.0))


def test_it_is_counted_by_day_and_hour() -> None:
    """Days and hours are those of the clock here, and the onset is what is dated.

    The tests' epoch is 2025-06-15 17:06:40 in this zone, a Sunday.
    """
    found = recurrence(
        [cold(0.0), cold(10.0), dip(5.0), cold(DAY_S), cold(7.0 * HOUR_S)], Like("cold"), ZONE
    )
    assert found.by_day == (("2025-06-15 Sun", 2), ("2025-06-16 Mon", 2))
    assert {hour: number for hour, number in enumerate(found.by_hour) if number} == {17: 3, 0: 1}
    assert text(found, ZONE).splitlines() == [
        "4 times: cold alarm, on 2 days, the newest 2025-06-16 17:06:40 +02:00. Most often from"
        " 17:00 to",
        "18:00: 3 of 4.",
        "",
        "By day",
        "  2025-06-15 Sun     2  ##",
        "  2025-06-16 Mon     2  ##",
        "",
        "By hour of the day (local, +02:00)",
        "  00:00              1  #",
        "  17:00              3  ###",
    ]


def test_what_never_happened_is_told() -> None:
    """No table is needed for that."""
    assert text(recurrence([cold(0.0)], Like("hot"), ZONE), ZONE) == "No hot alarm in this span."


def test_once_and_never_in_the_same_hour() -> None:
    """One time has no before; times in different hours have no usual one."""
    assert "It has not happened before" in text(recurrence([cold(0.0)], Like("cold"), ZONE), ZONE)
    twice = recurrence([cold(0.0), cold(HOUR_S)], Like("cold"), ZONE)
    assert "Never twice in the same hour" in text(twice, ZONE)


def test_many_days_are_summed_up() -> None:
    """The newest days are told, the others counted; bars stay within the line."""
    events = [cold(day * DAY_S + second) for day in range(MOST_DAYS + 2) for second in range(50)]
    lines = text(recurrence(events, Like("cold"), ZONE), ZONE).splitlines()
    assert "  and 2 days before that" in lines
    assert max(map(len, lines)) <= 100
    assert sum(line.count("#") == 40 for line in lines) == MOST_DAYS + 1


def test_it_is_told_to_programs() -> None:
    """Beginnings in UTC, counts by local day and hour."""
    found = recurrence([dip(0.0)], Like("low", "nozzle"), ZONE)
    told_ = as_json(found)
    assert {name: told_[name] for name in ("like", "zone", "count", "at", "by_day")} == {
        "like": "low",
        "zone": "nozzle",
        "count": 1,
        "at": ["2025-06-15T15:06:40.000000000Z"],
        "by_day": {"2025-06-15": 1},
    }
    assert told_["by_hour"] == [0] * 17 + [1] + [0] * 6
    assert as_json(recurrence([], Like("cold"), ZONE))["zone"] is None
    names, rows = as_table(found, ZONE)
    assert dict(zip(names, rows[0], strict=True))["at_local"] == "2025-06-15 17:06:40 +02:00"
