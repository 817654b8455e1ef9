"""Storage of a charge: printed conventions of the mean kinetic temperature, crossings, gaps."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchedpot.core.model import Loading, Storage
from watchedpot.core.rules import StorageRules
from watchedpot.core.storage import CONVENTIONAL_EA_J_PER_MOL, mean_kinetic_c, stored, unfit
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K as R
from watchedpot.errors import DataError

SAME = settings(derandomize=True, deadline=None, database=None)

USP = (
    "formula and dH = 83.144 kJ/mol of USP <1160>, uspbpep.com/usp29/v29240/usp29nf24s0_c1160.html;"
    " value computed"
)
COLD_CHAIN = "a public test suite asserts at least 8.0; value computed"


@dataclass(frozen=True)
class Kinetic:
    """Equal periods at these temperatures, and their mean kinetic temperature."""

    temps_c: tuple[float, ...]
    value_c: float
    tolerance_k: float
    source: str


KINETIC = (
    Kinetic((25.0, 25.0, 25.0), 25.0, 1e-9, USP),
    Kinetic((20.0, 30.0), 26.2599, 1e-4, USP),
    Kinetic((15.0, 25.0), 21.3004, 1e-4, USP),
    Kinetic((25.0, 25.0, 25.0, 40.0), 31.2751, 1e-4, USP),
    Kinetic((*[20.0] * 11, 40.0), 24.3830, 1e-4, USP),
    Kinetic((4.0, 4.0, 4.0, 4.0, 16.0), 8.1089, 1e-4, COLD_CHAIN),
    Kinetic((100.0, 120.0), 112.9363, 1e-4, USP),
)


def lay(
    *temps_c: float, at_s: list[float] | None = None, limit_c: float = 25.0, max_gap_s: float = 10.0
) -> Storage:
    """Account of readings, 10 s apart unless told."""
    times = at_s if at_s is not None else [10.0 * row for row in range(len(temps_c))]
    return stored(np.array(times), np.array(temps_c), limit_c=limit_c, max_gap_s=max_gap_s)


@pytest.mark.parametrize("case", KINETIC, ids=lambda case: f"{case.temps_c}: {case.source}")
def test_the_mean_kinetic_temperature_of_equal_periods(case: Kinetic) -> None:
    """Levels of equal length give the value of the conventional sum."""
    level_c = np.array(case.temps_c)
    found = mean_kinetic_c(level_c, level_c, np.ones(level_c.size))
    assert found == pytest.approx(case.value_c, abs=case.tolerance_k)


def test_the_mean_kinetic_temperature_weighs_by_time() -> None:
    """Three hours at 20 degC and one at 30 degC give 23.6445 degC.

    Value computed elsewhere; no printed source.
    """
    level_c = np.array([20.0, 30.0])
    found = mean_kinetic_c(level_c, level_c, np.array([3.0, 1.0]))
    assert found == pytest.approx(23.6445, abs=1e-4)


def test_it_is_not_the_harmonic_mean() -> None:
    """A formula in which the heat of activation cancels gives 24.9161 degC, ours 26.2599 degC.

    The wrong value was computed elsewhere, as a guard.
    """
    assert mean_kinetic_c(
        np.array([20.0, 30.0]), np.array([20.0, 30.0]), np.ones(2)
    ) != pytest.approx(24.9161, abs=1.0)


@SAME
@given(st.lists(st.floats(-40.0, 60.0), min_size=2, max_size=12))
def test_equally_spaced_readings_give_the_conventional_sum(temps_c: list[float]) -> None:
    """The first and last reading stand for half a step each, all others for a whole one."""
    found = lay(*temps_c).mean_kinetic_c
    dh_per_r_k = CONVENTIONAL_EA_J_PER_MOL / R
    rates = [exp(-dh_per_r_k / (temp_c + 273.15)) for temp_c in temps_c]
    mean = (sum(rates) - (rates[0] + rates[-1]) / 2.0) / (len(rates) - 1)
    assert found == pytest.approx(dh_per_r_k / -log(mean) - 273.15, abs=1e-8)


@SAME
@given(st.lists(st.floats(-40.0, 60.0), min_size=2, max_size=12))
def test_it_lies_between_mean_and_maximum(temps_c: list[float]) -> None:
    """Heat counts more than cold, and nothing counts more than the hottest moment."""
    found = lay(*temps_c)
    middles_c = (np.array(temps_c[:-1]) + np.array(temps_c[1:])) / 2.0
    assert middles_c.mean() - 1e-9 <= found.mean_kinetic_c <= found.max_c + 1e-9


def test_a_series_that_hardly_moves_decays_as_much_as_a_straight_line() -> None:
    """With steps of 1 K the mean of the ends lies at most 0.01 K above that of a fine line."""
    coarse = lay(*np.linspace(5.0, 25.0, 21))
    at_s = np.linspace(0.0, 200.0, 20_001)
    fine = stored(at_s, 5.0 + at_s / 10.0, limit_c=25.0, max_gap_s=1.0)
    assert 0.0 < coarse.mean_kinetic_c - fine.mean_kinetic_c < 0.01


def test_time_above_the_limit_is_exact_at_the_crossings() -> None:
    """Up through 25 degC at 5 s, down at 25 s of two lines between 20 and 30 degC."""
    found = lay(20.0, 30.0, 20.0)
    assert found.above_s == pytest.approx(10.0)
    assert found.max_c == 30.0
    assert (found.seen_s, found.blind_s) == (20.0, 0.0)


@pytest.mark.parametrize(("temp_c", "above_s"), [(25.0, 0.0), (25.001, 10.0), (24.999, 0.0)])
def test_only_strictly_above_counts(temp_c: float, above_s: float) -> None:
    """A level line on the limit is not above it."""
    assert lay(temp_c, temp_c).above_s == above_s


def test_a_gap_is_blind_and_counts_nothing() -> None:
    """Two minutes without readings between warm ones are blind, not warm, and weigh nothing."""
    found = lay(30.0, 30.0, 20.0, 20.0, at_s=[0.0, 10.0, 130.0, 140.0])
    assert (found.above_s, found.seen_s, found.blind_s) == (10.0, 20.0, 120.0)
    assert found.mean_kinetic_c == pytest.approx(26.2599, abs=1e-4)


@pytest.mark.parametrize("bad_c", [nan, -300.0, 3276.7])
def test_a_reading_that_is_none_breaks_the_line(bad_c: float) -> None:
    """Neither side of it is seen, and it is no maximum."""
    found = lay(20.0, 20.0, bad_c, 20.0)
    assert found == replace(found, above_s=0.0, max_c=20.0, seen_s=10.0, blind_s=20.0)


def test_a_lonely_good_reading_still_is_the_maximum() -> None:
    """A hot reading between gaps has no duration but was read."""
    found = lay(20.0, 20.0, nan, 40.0, nan)
    assert (found.max_c, found.above_s, found.blind_s) == (40.0, 0.0, 30.0)


@pytest.mark.parametrize(
    ("at_s", "temps_c", "said"),
    [
        ([0.0, 10.0], [nan, 20.0], "expected at least two readings at most 10 s apart"),
        ([0.0, 10.1], [20.0, 20.0], "expected at least two readings at most 10 s apart"),
        ([0.0, 0.0], [20.0, 20.0], "expected at least two readings"),
        ([0.0], [20.0], "expected at least two readings"),
        ([0.0, 10.0, 9.0], [20.0, 20.0, 20.0], "never go backwards"),
        ([0.0, nan], [20.0, 20.0], "never go backwards"),
        ([0.0, 10.0], [20.0], "of one length"),
    ],
)
def test_a_record_that_says_nothing_is_refused(
    at_s: list[float], temps_c: list[float], said: str
) -> None:
    """No seen step, times that step back, or arrays that do not fit."""
    with pytest.raises(DataError, match=said):
        lay(*temps_c, at_s=at_s)


RULES = StorageRules(25.0, above_max_s=60.0, mean_kinetic_max_c=22.0, out_of_store_max_s=600.0)
GOOD = Storage(above_s=60.0, max_c=26.0, mean_kinetic_c=22.0, seen_s=1e6)
FIT = Loading(expires_utc_ns=100, out_of_store_s=600.0, storage=GOOD)


def test_a_charge_at_its_limits_is_fit() -> None:
    """Only what passes a limit speaks against a charge."""
    assert unfit(FIT, RULES, at_utc_ns=99) == ()


@pytest.mark.parametrize(
    ("loading", "at_utc_ns", "reasons"),
    [
        (FIT, 100, ("expired",)),
        (replace(FIT, out_of_store_s=600.1), 0, ("out of store too long",)),
        (replace(FIT, storage=replace(GOOD, above_s=60.1)), 0, ("too warm in store",)),
        (
            replace(FIT, storage=replace(GOOD, above_s=0.0, blind_s=60.1)),
            0,
            ("gaps in the storage record too long",),
        ),
        (replace(FIT, storage=replace(GOOD, above_s=0.0, blind_s=60.0)), 0, ()),
        (
            replace(FIT, storage=replace(GOOD, above_s=61.0, blind_s=60.0)),
            0,
            ("too warm in store",),
        ),
        (
            replace(FIT, storage=replace(GOOD, mean_kinetic_c=22.1)),
            0,
            ("mean kinetic temperature",),
        ),
        (
            Loading(
                expires_utc_ns=1,
                out_of_store_s=1e4,
                storage=Storage(above_s=1e4, max_c=40.0, mean_kinetic_c=35.0, seen_s=1e5),
            ),
            2,
            (
                "expired",
                "out of store too long",
                "too warm in store",
                "mean kinetic temperature",
            ),
        ),
    ],
)
def test_each_broken_limit_is_a_reason(
    loading: Loading, at_utc_ns: int, reasons: tuple[str, ...]
) -> None:
    """They come in one order, each by itself and all together."""
    assert unfit(loading, RULES, at_utc_ns=at_utc_ns) == reasons


def test_a_charge_expires_without_rules_too() -> None:
    """Without storage rules only the date counts."""
    loading = Loading(expires_utc_ns=5, out_of_store_s=1e9, storage=replace(GOOD, above_s=1e9))
    assert unfit(loading, None, at_utc_ns=4) == ()
    assert unfit(loading, None, at_utc_ns=5) == ("expired",)


def test_what_was_not_told_or_not_limited_is_not_judged() -> None:
    """A charge of which nothing is known, and a material without limits, give no reason."""
    assert unfit(Loading(), RULES, at_utc_ns=10**18) == ()
    unlimited = StorageRules(25.0)
    hot = replace(GOOD, above_s=1e9, mean_kinetic_c=99.0)
    assert unfit(Loading(out_of_store_s=1e9, storage=hot), unlimited, at_utc_ns=0) == ()
