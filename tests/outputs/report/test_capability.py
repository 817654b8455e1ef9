"""Capability: published examples, constants computed anew, runs that end where they must."""

from __future__ import annotations

from math import inf, nan, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from watchedpot.core.units import NANO
from watchedpot.errors import DataError
from watchedpot.outputs.report.capability import (
    D2,
    D4,
    FEWEST,
    Capability,
    Parts,
    capability,
    indices,
)

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=50)

FLOW_RATES = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook, 6.3.2.2: itl.nist.gov/div898/handbook/pmc/section3/pmc322.htm."""

GOLDEN = (
    *(180.2, 179.9, 180.4, 180.1, 179.7, 180.0, 180.3, 179.8, 180.1, 180.5),
    *(179.9, 180.2, 180.0, 179.6, 180.3, 180.1, 179.9, 180.2, 180.4, 180.0),
)
"""Invented readings; their figures were computed independently of this program."""


def parts(
    *values_c: float,
    at_s: list[float] | None = None,
    breaks_s: tuple[float, ...] = (),
    coverage: float = 1.0,
) -> Parts:
    """Parts 10 s apart unless told."""
    times = at_s if at_s is not None else [10.0 * row for row in range(len(values_c))]
    return Parts(
        (np.array(times) * NANO).astype(np.int64),
        np.array(values_c, dtype=np.float64),
        np.full(len(values_c), coverage),
        (np.array(breaks_s) * NANO).astype(np.int64),
    )


def judged(
    given_parts: Parts,
    *,
    low_c: float | None = 178.0,
    high_c: float | None = 182.0,
    subgroup: int = 1,
    fewest: int = 2,
) -> Capability:
    """Capability of few parts."""
    return capability(given_parts, low_c=low_c, high_c=high_c, subgroup=subgroup, fewest=fewest)


@pytest.mark.parametrize("n", D2)
def test_d2_is_the_mean_range_of_normal_values(n: int) -> None:
    """The integral of Tippett gives the printed three decimals."""
    mean, _ = quad(lambda x: 1.0 - norm.cdf(x) ** n - norm.sf(x) ** n, -inf, inf)
    assert D2[n] == pytest.approx(mean, abs=5.01e-4)


@pytest.mark.parametrize("n", D4)
def test_d4_is_three_sigma_above_the_mean_range(n: int) -> None:
    """1 + 3 d3/d2, with d3 from the second moment of the range.

    Printed tables differ from each other by one in the third decimal.
    """
    mean, _ = quad(lambda x: 1.0 - norm.cdf(x) ** n - norm.sf(x) ** n, -inf, inf)
    grid, step = np.linspace(-8.0, 8.0, 1601, retstep=True)
    below, above = norm.cdf(grid), norm.sf(grid)
    between = np.clip(below[np.newaxis, :] - below[:, np.newaxis], 0.0, None)
    straddled = 1.0 - below[np.newaxis, :] ** n - above[:, np.newaxis] ** n + between**n
    half_square = step**2 * (np.triu(straddled, 1).sum() + straddled.diagonal().sum() / 2.0)
    deviation = sqrt(2.0 * half_square - mean**2)
    assert D4[n] == pytest.approx(1.0 + 3.0 * deviation / mean, abs=1e-3)


def test_the_published_chart_of_flow_rates() -> None:
    """Ten batches: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159.

    Source: NIST/SEMATECH e-Handbook, 6.3.2.2.
    """
    found = judged(parts(*FLOW_RATES), low_c=None, high_c=None)
    assert found.mean_c == pytest.approx(50.81, abs=1e-9)
    assert found.within_k == pytest.approx(1.8778 / 1.128, abs=5e-5)
    assert found.chart.upper_c == pytest.approx(55.8041, abs=5e-5)
    assert found.chart.lower_c == pytest.approx(45.8159, abs=5e-5)
    assert found.chart.beyond == 0


def test_the_published_example_of_the_indices() -> None:
    """Limits 8 and 20, mean 16, sigma 2: Cp 1.0, Cpk 0.6667.

    Source: NIST/SEMATECH e-Handbook, 6.1.6: itl.nist.gov/div898/handbook/pmc/section1/pmc16.htm.
    """
    width, nearer = indices(16.0, 2.0, low_c=8.0, high_c=20.0)
    assert width == 1.0
    assert nearer == pytest.approx(0.6667, abs=5e-5)


def test_twenty_parts_computed_elsewhere() -> None:
    """All figures of twenty invented parts agree with those computed independently."""
    found = judged(parts(*GOLDEN))
    assert found.mean_c == pytest.approx(180.08, abs=1e-9)
    assert found.within_k == pytest.approx(0.31728, abs=5e-6)
    assert found.overall_k == pytest.approx(0.23974, abs=5e-6)
    assert found.chart.upper_c == pytest.approx(181.032, abs=5e-4)
    assert found.chart.lower_c == pytest.approx(179.128, abs=5e-4)
    assert found.chart.range_limit_k == pytest.approx(1.1692, abs=5e-5)
    assert (found.cp, found.cpk) == pytest.approx((2.1012, 2.0171), abs=5e-5)
    assert (found.pp, found.ppk) == pytest.approx((2.7808, 2.6696), abs=5e-5)
    assert found.withheld == ""


@pytest.mark.parametrize(
    ("low_c", "high_c", "cpk", "ppk"),
    [(178.0, None, 2.1853, 2.8921), (None, 182.0, 2.0171, 2.6696)],
)
def test_a_window_with_one_side_has_one_distance_and_no_width(
    low_c: float | None, high_c: float | None, cpk: float, ppk: float
) -> None:
    """Only the side that exists is judged.

    Values: (180.08 - 178) and (182 - 180.08) over 3 sigma, by hand.
    """
    found = judged(parts(*GOLDEN), low_c=low_c, high_c=high_c)
    assert (found.cp, found.pp) == (None, None)
    assert (found.cpk, found.ppk) == pytest.approx((cpk, ppk), abs=1e-4)


def test_a_mean_outside_the_window_gives_a_negative_distance() -> None:
    """It is not cut at zero."""
    width, nearer = indices(21.0, 1.0, low_c=8.0, high_c=20.0)
    assert width == 2.0
    assert nearer == pytest.approx(-1.0 / 3.0)


def test_no_side_gives_nothing() -> None:
    """Without a window there is neither width nor distance."""
    assert indices(21.0, 1.0, low_c=None, high_c=None) == (None, None)


def test_subgroups_use_their_mean_range() -> None:
    """Three subgroups of two: ranges 2, 0 and 1, so sigma within is 1 / 1.128.

    By hand; the last part is alone and gives no range, but belongs to the mean.
    """
    found = judged(parts(100.0, 102.0, 101.0, 101.0, 101.0, 102.0, 100.0), subgroup=2)
    assert found.within_k == pytest.approx(1.0 / 1.128)
    assert found.chart.value_c.tolist() == [101.0, 101.0, 101.5]
    assert found.mean_c == pytest.approx(101.0)
    assert found.n == 7
    assert found.chart.upper_c == pytest.approx(101.0 + 3.0 / 1.128 / sqrt(2.0))


BROKEN = (100.0, 100.0, 200.0, 200.0)


@pytest.mark.parametrize(
    "given_parts",
    [
        parts(*BROKEN, at_s=[0.0, 10.0, 620.0, 630.0]),
        parts(*BROKEN, breaks_s=(15.0,)),
        parts(*BROKEN, breaks_s=(20.0,)),
        parts(100.0, 100.0, nan, 200.0, 200.0),
    ],
    ids=["a pause", "a change between", "a change with the part", "a part not seen"],
)
def test_no_range_crosses_a_break(given_parts: Parts) -> None:
    """The step from 100 to 200 is not one between neighbours, and no subgroup spans it."""
    assert judged(given_parts).within_k == 0.0
    assert judged(given_parts).chart.run.tolist() in ([0, 0, 1, 1], [0, 0, 2, 2])
    assert judged(given_parts, subgroup=2).within_k == 0.0
    assert judged(given_parts, subgroup=3).within_k is None


def test_without_a_break_the_step_counts() -> None:
    """The same four parts in one run have a mean moving range of 100/3."""
    assert judged(parts(*BROKEN)).within_k == pytest.approx(100.0 / 3.0 / 1.128)
    assert judged(parts(*BROKEN, at_s=[0.0, 10.0, 610.0, 620.0])).within_k is not None


def test_breaks_need_no_order() -> None:
    """Changes of setpoint and of charge are simply put together."""
    found = judged(parts(1.0, 1.0, 9.0, 9.0, 5.0, 5.0, breaks_s=(35.0, 15.0)))
    assert found.within_k == 0.0


ENOUGH = (*GOLDEN, *GOLDEN, *GOLDEN[:10])


def test_fifty_parts_are_enough_and_fewer_are_not() -> None:
    """Below the fewest all indices are withheld, with the reason; spread and chart are not."""
    enough = capability(parts(*ENOUGH), low_c=178.0, high_c=182.0)
    few = capability(parts(*ENOUGH[1:]), low_c=178.0, high_c=182.0)
    assert len(ENOUGH) == FEWEST
    assert enough.cpk is not None
    assert (few.cp, few.cpk, few.pp, few.ppk) == (None, None, None, None)
    assert few.withheld == "49 parts, fewer than 50"
    assert few.within_k is not None
    assert few.chart.upper_c is not None


def test_parts_hardly_seen_give_no_index() -> None:
    """Below 95 % coverage the indices are withheld; a part without a mean counts as not seen."""
    hidden = capability(parts(*ENOUGH, coverage=0.949), low_c=178.0, high_c=182.0)
    assert (hidden.cpk, hidden.ppk) == (None, None)
    assert hidden.withheld == "94.9 % of the dispensing seen, less than 95 %"
    assert capability(parts(*ENOUGH, coverage=0.951), low_c=178.0, high_c=182.0).cpk is not None
    lost = capability(parts(*ENOUGH, nan, nan, nan), low_c=178.0, high_c=182.0)
    assert lost.n == FEWEST
    assert lost.coverage == pytest.approx(50.0 / 53.0)
    assert lost.withheld.startswith("94.3 % of the dispensing seen")
    unknown = capability(parts(*ENOUGH, coverage=nan), low_c=178.0, high_c=182.0)
    assert unknown.coverage == 0.0


def test_a_zone_without_a_window_has_no_index() -> None:
    """Mean and spread are given all the same."""
    found = capability(parts(*ENOUGH), low_c=None, high_c=None)
    assert found.withheld == "the zone has no window"
    assert found.overall_k is not None
    assert found.cpk is None


def test_parts_that_do_not_differ_give_no_index() -> None:
    """A spread of zero would make every window infinitely wide."""
    found = judged(parts(*[180.0] * 60))
    assert (found.cpk, found.ppk) == (None, None)
    assert found.withheld == "neighbouring parts do not differ, or there are none"


@pytest.mark.parametrize("given_parts", [parts(), parts(nan), parts(nan, nan)])
def test_no_part_gives_no_figure(given_parts: Parts) -> None:
    """Nothing seen: no mean, no spread, an empty chart and the reason."""
    found = judged(given_parts)
    assert (found.n, found.coverage) == (0, 0.0)
    assert (found.mean_c, found.within_k, found.overall_k) == (None, None, None)
    assert found.chart.at_ns.size == 0
    assert found.chart.beyond == 0
    assert found.withheld == "0 parts, fewer than 2"


def test_points_beyond_the_limits_are_counted() -> None:
    """A part far from all others lies outside the limits of its neighbours."""
    values = [180.0, 180.1] * 30
    assert judged(parts(*values[:30], 185.0, *values)).chart.beyond == 1


@SAME
@given(
    st.lists(st.floats(100.0, 140.0), min_size=4, max_size=30),
    st.floats(-20.0, 20.0),
)
def test_moving_all_by_the_same_changes_no_index(values: list[float], by_k: float) -> None:
    """Temperatures and window moved together leave Cp, Cpk, Pp, Ppk."""
    before = judged(parts(*values), low_c=110.0, high_c=130.0)
    moved = judged(parts(*(v + by_k for v in values)), low_c=110.0 + by_k, high_c=130.0 + by_k)
    assume(not before.withheld and not moved.withheld)
    assume(min(before.within_k or 0.0, before.overall_k or 0.0) > 1e-3)
    assert (moved.cp, moved.cpk) == pytest.approx((before.cp, before.cpk), rel=1e-6, abs=1e-6)
    assert (moved.pp, moved.ppk) == pytest.approx((before.pp, before.ppk), rel=1e-6, abs=1e-6)
    assert before.cp is not None
    assert before.cpk is not None
    assert before.cpk <= before.cp + 1e-12


@pytest.mark.parametrize(
    ("subgroup", "low_c", "high_c", "said"),
    [
        (0, 178.0, 182.0, "expected subgroups of 1 to 10 parts, got 0"),
        (11, 178.0, 182.0, "expected subgroups of 1 to 10 parts, got 11"),
        (1, 182.0, 178.0, "expected low < high, got 182 and 178 degC"),
        (1, 180.0, 180.0, "expected low < high"),
    ],
)
def test_what_has_no_meaning_is_refused(
    subgroup: int, low_c: float, high_c: float, said: str
) -> None:
    """A subgroup without a d2, and a window whose sides are not in order."""
    with pytest.raises(DataError, match=said):
        judged(parts(*GOLDEN), subgroup=subgroup, low_c=low_c, high_c=high_c)


def test_parts_out_of_order_or_of_unequal_length_are_refused() -> None:
    """Neighbours are neighbours in time."""
    with pytest.raises(DataError, match="in order of time"):
        parts(1.0, 2.0, at_s=[1.0, 0.0])
    with pytest.raises(DataError, match="of one length"):
        parts(1.0, 2.0, at_s=[1.0])
