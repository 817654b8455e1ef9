"""Whether misses follow what the parts met."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.inspection import FEWEST_MISSES, Comparison, Quantity


def compared(passed: list[float], missed: list[float]) -> Comparison:
    """A comparison by temperature."""
    return Comparison(Quantity.TEMP, "nozzle", np.array(passed), np.array(missed))


@pytest.mark.parametrize(
    ("passed", "missed", "r"),
    [
        ([1.0, 2.0, 3.0, 4.0, 5.0], [6.0, 7.0, 8.0, 9.0, 10.0], 1.0),
        ([6.0, 7.0, 8.0, 9.0, 10.0], [1.0, 2.0, 3.0, 4.0, 5.0], -1.0),
        ([1.0] * 5, [1.0] * 5, 0.0),
        ([1.0, 2.0, 3.0, 4.0, 5.0], [3.0] * 5, 0.0),
    ],
)
def test_the_correlation_is_one_where_all_lie_on_one_side(
    passed: list[float], missed: list[float], r: float
) -> None:
    """By its definition, ties counting half."""
    assert compared(passed, missed).rank_biserial == r


def test_the_correlation_is_that_of_the_rank_sum_test() -> None:
    """2 U / (n1 n2) - 1 with U of SciPy's mannwhitneyu, on rounded values with many ties."""
    rng = np.random.default_rng(5)
    passed, missed = np.round(rng.normal(120.0, 1.0, 200), 1), np.round(rng.normal(119, 1, 17), 1)
    u = stats.mannwhitneyu(missed, passed).statistic
    expected = 2.0 * u / (passed.size * missed.size) - 1.0
    assert compared(passed.tolist(), missed.tolist()).rank_biserial == pytest.approx(expected)


def test_too_few_misses_give_no_correlation() -> None:
    """One less than enough of either kind."""
    few, many = [1.0] * (FEWEST_MISSES - 1), [1.0] * 50
    assert compared(many, few).rank_biserial is None
    assert compared(few, many).rank_biserial is None
    assert compared(many, [*few, 1.0]).rank_biserial is not None


def test_the_sample_has_three_misses_that_were_cold(facts: Facts) -> None:
    """48 inspected parts; the cold ones missed."""
    found = facts.inspection
    assert found is not None
    assert (found.passed, found.missed) == (45, 3)
    nozzle = next(c for c in found.comparisons if c.zone == "nozzle")
    assert nozzle.missed.tolist() == [112.0] * 3
    assert nozzle.passed.mean() == pytest.approx(120.0 + 0.2 * 23 / 45, abs=1e-9)


def test_the_pause_before_a_part_is_from_end_to_begin(facts: Facts) -> None:
    """Beads of 8 s every 20 s leave 12 s; the first part has no pause before it."""
    assert facts.inspection is not None
    idle = next(c for c in facts.inspection.comparisons if c.quantity is Quantity.IDLE)
    values = np.concatenate((idle.passed, idle.missed))
    assert set(values.tolist()) == {12.0}
    assert values.size == 47
