"""Units: conversions and rounding."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import constants

from watchedpot.core.units import (
    GAS_CONSTANT_J_PER_MOL_K,
    ZERO_C_KELVIN,
    kelvin,
    ns,
    seconds,
    whole,
)


def test_the_constants_are_those_of_the_si() -> None:
    """Against the CODATA table of SciPy."""
    assert pytest.approx(constants.R, rel=1e-12) == GAS_CONSTANT_J_PER_MOL_K
    assert constants.zero_Celsius == ZERO_C_KELVIN


@pytest.mark.parametrize(("temp_c", "temp_k"), [(0.0, 273.15), (-273.15, 0.0), (110.0, 383.15)])
def test_kelvin_is_a_shift_of_the_scale(temp_c: float, temp_k: float) -> None:
    """By definition of the degree Celsius."""
    assert kelvin(temp_c) == pytest.approx(temp_k, abs=1e-12)


@pytest.mark.parametrize(
    ("duration_s", "duration_ns"),
    [(0.0, 0), (1.5, 1_500_000_000), (-0.25, -250_000_000), (1e-9, 1), (4e-10, 0), (0.1, 10**8)],
)
def test_seconds_become_whole_nanoseconds(duration_s: float, duration_ns: int) -> None:
    """Rounded, not cut."""
    assert ns(duration_s) == duration_ns


def test_a_day_survives_the_way_there_and_back() -> None:
    """Seconds of nanoseconds of seconds are the same seconds."""
    assert seconds(ns(86_400.125)) == 86_400.125


def test_whole_rounds_half_to_even() -> None:
    """Neither up nor down in the mean; the type is that of all totals."""
    rounded = whole(np.array([0.5, 1.5, 2.5, -0.5, 1e15 + 0.25]))
    assert rounded.tolist() == [0, 2, 2, 0, 10**15]
    assert rounded.dtype == np.int64
