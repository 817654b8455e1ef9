"""Cell time: the one formula shared with whoever reads the cell."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potsim.clock import NS_PER_S, CellClock, as_datetime, parse_start

START_NS = 1_800_000_000 * NS_PER_S


def clock_at(real_ns: int, speed: float) -> CellClock:
    """A clock whose real time stands still."""
    return CellClock(START_NS, speed, real_ns=lambda: real_ns)


@given(st.integers(-10 * NS_PER_S, 86_400 * NS_PER_S), st.floats(1.0, 600.0))
def test_cell_time_is_start_plus_real_time_since_times_speed(since_ns: int, speed: float) -> None:
    """Cell now = start + (real now - start) * speed, before the start too."""
    clock = clock_at(START_NS + since_ns, speed)
    assert clock.now_ns() - START_NS == pytest.approx(since_ns * speed, abs=100)


def test_at_speed_60_a_real_second_is_a_minute() -> None:
    """One second after the start a minute of cell time has passed."""
    assert clock_at(START_NS + NS_PER_S, 60.0).now_ns() == START_NS + 60 * NS_PER_S


def test_the_wait_for_a_cell_time_is_in_real_seconds() -> None:
    """A minute ahead at speed 60 is a second away; what has passed is not waited for."""
    clock = clock_at(START_NS, 60.0)
    assert clock.real_s_until(START_NS + 60 * NS_PER_S) == 1.0
    assert clock.real_s_until(START_NS - NS_PER_S) == 0.0


def test_a_start_keeps_its_microseconds() -> None:
    """Whole microseconds survive, which a float of seconds would round."""
    assert parse_start("2027-01-15T08:00:00.123457Z") == START_NS + 123_457_000
    assert parse_start("2027-01-15T09:00:00.123457+01:00") == START_NS + 123_457_000


@pytest.mark.parametrize("text", ["yesterday", "2027-01-15T08:00:00"])
def test_a_start_without_offset_or_form_is_refused(text: str) -> None:
    """A time that could be any place's is not taken."""
    with pytest.raises(ValueError, match=r"offset|isoformat"):
        parse_start(text)


@given(st.integers(0, 4_000_000_000 * NS_PER_S))
def test_a_datetime_goes_back_to_its_microsecond(ns: int) -> None:
    """Nothing below a microsecond is kept and nothing above is lost."""
    assert parse_start(as_datetime(ns).isoformat()) == ns - ns % 1000
