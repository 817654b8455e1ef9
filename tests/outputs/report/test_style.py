"""Quantities in metric and imperial units, times on a local clock."""

from __future__ import annotations

from datetime import timedelta, timezone

import numpy as np
import pytest

from watchedpot.outputs.report.style import Style, percent, span, words

METRIC = Style(tz=timezone(timedelta(hours=1)))
IMPERIAL = Style(is_imperial=True, tz=timezone(timedelta(hours=-5)))
SIX_NS = 1_795_586_400_000_000_000
"""2026-11-25T06:00 UTC."""


@pytest.mark.parametrize(
    ("temp_c", "metric", "imperial"),
    [(0.0, "0.0 °C", "32.0 °F"), (100.0, "100.0 °C", "212.0 °F"), (-40.0, "-40.0 °C", "-40.0 °F")],
)
def test_a_temperature_has_the_offset_of_its_scale(
    temp_c: float, metric: str, imperial: str
) -> None:
    """Fixed points: NIST SP 811, B.8."""
    assert (METRIC.temp(temp_c), IMPERIAL.temp(temp_c)) == (metric, imperial)


def test_a_difference_has_no_offset() -> None:
    """5 K are 9 degF, not 41; the same for its integral over time."""
    assert (METRIC.difference(5.0), IMPERIAL.difference(5.0)) == ("5.0 K", "9.0 °F")
    assert (METRIC.exposure(100.0), IMPERIAL.exposure(100.0)) == ("100 K s", "180 °F s")


def test_lengths_and_masses_are_converted_exactly() -> None:
    """25.4 mm are an inch, 28.349523125 g are an ounce: NIST SP 811, B.8."""
    assert (METRIC.length(25.4), IMPERIAL.length(25.4)) == ("25.40 mm", "1.0000 in")
    assert (METRIC.mass(0.028349523125), IMPERIAL.mass(0.028349523125)) == ("28.3 g", "1.00 oz")


def test_an_array_converts_like_its_values() -> None:
    """Pictures and tables show the same."""
    temp_c = np.array([0.0, 118.0])
    assert METRIC.temp_numbers(temp_c).tolist() == [0.0, 118.0]
    assert IMPERIAL.temp_numbers(temp_c).tolist() == [IMPERIAL.temp_number(0.0), 244.4]


def test_what_is_not_known_is_a_dash() -> None:
    """No value, no unit."""
    shown = {
        METRIC.temp(None),
        METRIC.difference(None),
        METRIC.exposure(None),
        METRIC.length(None),
        METRIC.mass(None),
        METRIC.moment(None),
        METRIC.time(None),
        span(None),
        percent(None),
    }
    assert shown == {"\N{EN DASH}"}


def test_times_are_local_with_their_offset() -> None:
    """One moment on two clocks."""
    assert METRIC.moment(SIX_NS) == "2026-11-25 07:00:00+01:00"
    assert IMPERIAL.moment(SIX_NS) == "2026-11-25 01:00:00-05:00"
    assert METRIC.time(SIX_NS) == "07:00:00"
    assert Style(tz=METRIC.tz, is_dated=True).time(SIX_NS) == "11-25 07:00:00"


@pytest.mark.parametrize(
    ("duration_s", "shown"),
    [(12.0, "12.0 s"), (90.0, "1 min 30 s"), (172_800.0, "2 d 00 h"), (183_600.0, "2 d 03 h")],
)
def test_a_duration_has_its_two_largest_units(duration_s: float, shown: str) -> None:
    """Days from two on."""
    assert span(duration_s) == shown


def test_almost_all_is_not_all() -> None:
    """Only the whole is shown as 100 %."""
    assert [percent(share) for share in (1.0, 0.99999, 0.9994, 0.0)] == [
        *("100 %", "99.9 %", "99.9 %", "0.0 %")
    ]
    assert percent(0.999999, digits=2) == "99.99 %"


def test_names_are_read_as_words() -> None:
    """Without underscores."""
    assert words("near_limit") == "near limit"
