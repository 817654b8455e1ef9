"""Clocks of devices, and the stamps that they make."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.model import NO_TIME_NS, Instant, Reading
from watchedpot.core.units import NANO
from watchedpot.sources.skew import FUTURE_S, is_off, skew_s, without_future

NOW_NS = 1_767_268_800 * NANO
NOW = Instant(NOW_NS, 5)
HOUR_NS = 3600 * NANO


def test_the_skew_is_what_the_other_clock_is_ahead() -> None:
    """An hour ahead, a minute behind, and nothing where no clock is told."""
    assert skew_s(NOW_NS + HOUR_NS, NOW) == 3600.0
    assert skew_s(NOW_NS - 60 * NANO, NOW) == -60.0
    assert skew_s(NO_TIME_NS, NOW) is None


@pytest.mark.parametrize(
    ("ahead_s", "offset_s", "is_kept"),
    [
        (0.0, 0.0, True),
        (0.0, -7200.0, True),
        (0.0, FUTURE_S, True),
        (0.0, FUTURE_S + 0.001, False),
        (0.0, 7200.0, False),
        (7200.0, 7200.0, True),
        (7200.0, 7203.0, False),
        (-7200.0, 0.0, False),
        (-7200.0, -7200.0, True),
    ],
)
def test_a_stamp_ahead_of_its_own_clock_is_no_time(
    ahead_s: float, offset_s: float, is_kept: bool
) -> None:
    """What counts is the device's clock: a plant clock in summer time stamps rightly by itself."""
    stamp_ns = NOW_NS + round(offset_s * NANO)
    readings = {"cell/x": Reading(110.0, source_ns=stamp_ns, server_ns=7)}
    (kept,) = without_future(readings, NOW, ahead_s).values()
    assert kept == Reading(110.0, source_ns=stamp_ns if is_kept else NO_TIME_NS, server_ns=7)


@given(st.floats(-1e6, 1e6), st.integers(-(10**18), 10**18))
def test_no_stamp_that_is_kept_lies_in_the_future(ahead_s: float, offset_ns: int) -> None:
    """Whatever the clocks say; and only the source stamp is ever touched."""
    reading = Reading(110.0, source_ns=NOW_NS + offset_ns, server_ns=3)
    kept = without_future({"cell/x": reading}, NOW, ahead_s)["cell/x"]
    if kept.source_ns != NO_TIME_NS:
        assert kept.source_ns <= NOW_NS + (ahead_s + FUTURE_S) * NANO + 1000
    assert kept._replace(source_ns=0) == reading._replace(source_ns=0)


def test_a_clock_near_its_limit_does_not_flicker() -> None:
    """Off beyond 5 s either way, right again below 4 s."""
    assert [is_off(ahead, 5.0, was_off=False) for ahead in (5.0, 5.1, -5.1)] == [False, True, True]
    assert [is_off(ahead, 5.0, was_off=True) for ahead in (4.5, -4.5, 4.0)] == [True, True, False]
