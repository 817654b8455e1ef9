"""Parts as ranges."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.questions.plant import instant_ns, recorded
from outputs.ledger.samples import at
from watchedpot.app.questions.ranges import (
    Extremes,
    Range,
    by_urgency,
    decision,
    merged,
    number_ranges,
    range_of,
    ranges_of,
)
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs.ledger import Disposition, RecordedPart, ZoneOfPart

LONG_AGO = instant_ns(-1e6)


def spans(found: list[Range]) -> list[tuple[int, int]]:
    """First and last of each."""
    return [(one.first, one.last) for one in found]


def decided(first: int, last: int, word: str = "scrapped", seconds: float = 1e6) -> Disposition:
    """A decision about some parts of lens_4."""
    return Disposition(1, at(seconds), "lens_4", first, last, word, "kim", "")


def test_consecutive_numbers_become_one_range() -> None:
    """A number that is missing parts two ranges."""
    parts = [recorded(number) for number in (1, 2, 3, 5, 6)]
    assert spans(ranges_of(parts, asked_ns=LONG_AGO)) == [(1, 3), (5, 6)]


def test_the_order_of_the_record_does_not_matter() -> None:
    """A part that was judged again later still stands among its neighbours."""
    parts = [recorded(number) for number in (1, 3, 4, 2)]
    assert spans(ranges_of(parts, asked_ns=LONG_AGO)) == [(1, 4)]


@pytest.mark.parametrize(
    "other",
    [
        {"verdict": Verdict.UNKNOWN},
        {"rules": ((PartRule.BLIND, "nozzle"),)},
        {"rules": ()},
        {"charge_id": "52"},
        {"cell": "housing_7"},
        {"epoch": 1},
        {"because": "check"},
        {"reworkable_until_utc_ns": None},
    ],
)
def test_parts_of_which_something_else_is_said_stay_apart(other: dict[str, Any]) -> None:
    """Verdict, rules, charge, cell, round of the counter, reason and rework must all agree."""
    parts = [recorded(1), recorded(2, **other), recorded(3)]
    found = ranges_of(parts, asked_ns=LONG_AGO)
    assert sorted(spans(found)) == [(1, 1), (2, 2), (3, 3)]


def test_the_order_of_rules_does_not_matter() -> None:
    """The same rules named the other way round are the same."""
    rules = ((PartRule.BLIND, "nozzle"), (PartRule.SPENT_CHARGE, ""))
    parts = [recorded(1, rules=rules), recorded(2, rules=rules[::-1])]
    assert spans(ranges_of(parts, asked_ns=LONG_AGO)) == [(1, 2)]


def test_a_range_has_the_worst_of_its_parts() -> None:
    """Extremes go over all parts, shares are the least, times are the first and the last."""
    parts = [
        recorded(2, last=4, coverage=0.9, joined_s=5.0, part_id=None),
        recorded(5, coverage=0.4, tip_min_c=109.0, tip_max_c=111.0, age_s=None, part_id=77),
    ]
    (one,) = ranges_of(parts, asked_ns=LONG_AGO)
    assert (one.first, one.last, one.count) == (2, 5, 4)
    assert (one.begun_ns, one.made_ns) == (instant_ns(12.0), instant_ns(50.0))
    assert one.zones["nozzle"].temp_c == Extremes(114.0, 123.0)
    assert one.age_s == Extremes(3602.0, 3602.0)
    assert one.tip_c == Extremes(109.0, 111.0)
    assert one.joined_s == Extremes(5.0, 5.0)
    assert one.part_ids == Extremes(77, 77)
    assert one.coverage == 0.4


def test_a_zone_that_only_some_parts_have_is_kept() -> None:
    """What the first part says of a zone is not lost where the next one does not know it."""
    parts = [recorded(1), recorded(2, zones={})]
    (one,) = ranges_of(parts, asked_ns=LONG_AGO)
    assert one.zones["nozzle"].temp_c == Extremes(113.0, 119.0)


def test_only_parts_in_time_can_be_reworked() -> None:
    """In the middle of a range the first are too late; the next to end counts."""
    parts = [recorded(number) for number in range(1, 6)]
    (one,) = ranges_of(parts, asked_ns=instant_ns(630.0))
    assert (one.in_time, one.reworkable) == (2, 2)
    assert one.in_time_ends_ns == instant_ns(640.0)
    assert one.ends_ns == instant_ns(650.0)


def test_the_moment_of_the_end_is_too_late() -> None:
    """At the very end nothing is left."""
    assert range_of(recorded(1), asked_ns=instant_ns(610.0)).in_time == 0
    assert range_of(recorded(1), asked_ns=instant_ns(610.0) - 1).in_time == 1


def test_what_was_decided_about_waits_no_longer() -> None:
    """Scrapped parts are not to be reworked; those that are held still are."""
    scrapped = range_of(recorded(1), asked_ns=LONG_AGO, decided=decided(1, 1))
    held = range_of(recorded(1), asked_ns=LONG_AGO, decided=decided(1, 1, "held"))
    assert (scrapped.is_settled, scrapped.reworkable, scrapped.in_time) == (True, 0, 1)
    assert (held.is_settled, held.reworkable) == (False, 1)


def test_the_newest_decision_about_a_part_counts() -> None:
    """It must be about all of its numbers, of its cell, and after it was made."""
    part = recorded(5, last=6)
    assert decision(part, [decided(1, 9, "held"), decided(5, 6, "released")]) == decided(
        5, 6, "released"
    )
    assert decision(part, []) is None
    assert decision(part, [decided(6, 9), decided(1, 5)]) is None
    assert decision(part, [decided(1, 9, seconds=49.0)]) is None
    assert decision(recorded(5, cell="housing_7"), [decided(1, 9)]) is None


def test_a_decision_about_some_parts_the_range() -> None:
    """Those decided about stand apart from their neighbours."""
    parts = [recorded(number) for number in range(1, 6)]
    found = ranges_of(parts, asked_ns=LONG_AGO, decided=[decided(2, 3)])
    assert spans(found) == [(1, 1), (2, 3), (4, 5)]


def test_the_most_urgent_come_first() -> None:
    """In time by their end, then without a known time, then too late, then settled."""
    asked_ns = instant_ns(900.0)
    late = recorded(10)
    soon, later = recorded(40), recorded(50)
    unknown = recorded(20, reworkable_until_utc_ns=None)
    settled = recorded(60)
    found = ranges_of(
        [late, unknown, later, soon, settled], asked_ns=asked_ns, decided=[decided(60, 60)]
    )
    assert [one.first for one in by_urgency(found)] == [40, 50, 20, 10, 60]


def test_numbers_are_told_without_holes() -> None:
    """Whatever is said of neighbours, their numbers are one range; cells and rounds are not."""
    parts = [
        recorded(1),
        recorded(2, verdict=Verdict.UNKNOWN),
        recorded(4),
        recorded(5, epoch=1),
        recorded(6, cell="housing_7"),
    ]
    found = number_ranges(ranges_of(parts, asked_ns=LONG_AGO))
    assert found == [("housing_7", 6, 6), ("lens_4", 1, 2), ("lens_4", 4, 4), ("lens_4", 5, 5)]


def test_revision_and_earlier_verdict_are_of_each_part() -> None:
    """They are looked up for each part, and ranges end where they change."""
    found = ranges_of(
        [recorded(1), recorded(2, run=2)],
        asked_ns=LONG_AGO,
        revision=lambda run: f"revision {run}",
        earlier=lambda part: Verdict.CLEAR if part.first == 1 else None,
    )
    assert [(one.said.revision, one.said.earlier) for one in found] == [
        ("revision 1", Verdict.CLEAR),
        ("revision 2", None),
    ]


def test_an_unknown_extreme_is_no_extreme() -> None:
    """None gives way to a number on either side."""
    assert Extremes() | Extremes(1.0, 2.0) == Extremes(1.0, 2.0) | Extremes() == Extremes(1.0, 2.0)
    assert Extremes() | Extremes() == Extremes()


def test_nothing_makes_no_range() -> None:
    """Without parts there is none."""
    assert list(merged([])) == []


PARTS = st.lists(
    st.tuples(
        st.integers(1, 30),
        st.sampled_from([Verdict.QUARANTINE, Verdict.UNKNOWN]),
        st.sampled_from(["51", "52"]),
    ),
    unique_by=lambda each: each[0],
    max_size=20,
)


@given(PARTS, st.integers(0, 900))
def test_no_part_is_lost_or_told_twice(given_parts: list[Any], second: int) -> None:
    """Ranges have exactly the numbers of the parts, each with its own verdict and charge."""
    parts: list[RecordedPart] = [
        recorded(
            number, verdict, charge_id=charge, zones={"nozzle": ZoneOfPart(1.0, 1.0, 1.0, 1.0)}
        )
        for number, verdict, charge in given_parts
    ]
    asked_ns = instant_ns(float(second))
    found = ranges_of(parts, asked_ns=asked_ns)
    told = [
        (number, one.said.verdict, one.said.charge_id)
        for one in found
        for number in range(one.first, one.last + 1)
    ]
    assert sorted(told) == sorted(given_parts)
    in_time = sum((part.reworkable_until_utc_ns or 0) > asked_ns for part in parts)
    assert sum(one.in_time for one in found) == in_time
    assert not any(after.follows(one) for one, after in pairwise(found))
