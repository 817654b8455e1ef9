"""How well a zone's temperature while dispensing fits its window, part by part.

The value of a part is the zone's mean while it was dispensed. Polls are never used one by one: a
heated block follows its past for minutes, so the spread between neighbouring polls says nothing
of the process and the indices would come out far too large.

sigma within comes from neighbours: the mean moving range of single parts / 1.128, or the mean
range of subgroups of consecutive parts / d2. sigma overall is the standard deviation (n - 1) of
all parts. Cp and Cpk are of the first, Pp and Ppk of the second; where they differ much the
process drifts between the neighbours. All of them suppose a stable, roughly normal process, so
the chart belongs beside them: points beyond its limits say that the indices promise too much.

Neighbours are only neighbours within a run: it ends at a part without a mean, at a longer pause,
and at each change of setpoint or charge. No range crosses such a break.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 and 6.3.2.2
(itl.nist.gov/div898/handbook/pmc). That fewer than 50 values say too little is from there too; the
share that must be seen and the longest pause within a run are choices of our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.units import ns
from watchedpot.errors import DataError

FEWEST = 50
"""Parts below which no index is given. [1]"""

LEAST_COVERAGE = 0.95
"""Mean coverage of the parts below which no index is given [1]; our own choice."""

LONGEST_PAUSE_S = 600.0
"""Time between two parts beyond which they are no neighbours [s]; our own choice."""

SINGLES = 1
"""Size of a subgroup that is one part."""

_D2 = (1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078)
_D4 = (3.267, 2.575, 2.282, 2.114, 2.004, 1.924, 1.864, 1.816, 1.777)
# Three decimals as in the printed tables (from memory; the tests compute them anew), so that a
# figure of ours can be checked by hand.

D2 = dict(enumerate(_D2, start=2))
"""Mean range of n normal values in units of their sigma, by n. [1]"""

D4 = dict(enumerate(_D4, start=2))
"""Upper limit of a range chart in units of the mean range, by n. [1]"""


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """One zone's values of single parts in order of time.

    A range of parts that cannot be told apart has no place here.

    Attributes
    ----------
    at_ns : (n,) int64
        When each part was made, in UTC. [ns]
    mean_c : (n,) float64
        The zone's mean while dispensing, nan where it was not seen. [degC]
    coverage : (n,) float64
        Share of the dispensing that was seen, nan as 0. [1]
    breaks_ns : (m,) int64
        Changes of setpoint or charge and whatever else begins a new run. [ns]
    """

    at_ns: NDArray[np.int64]
    mean_c: NDArray[np.float64]
    coverage: NDArray[np.float64]
    breaks_ns: NDArray[np.int64]

    def __post_init__(self) -> None:
        if not self.at_ns.shape == self.mean_c.shape == self.coverage.shape:
            raise DataError("capability", "expected times, means and coverages of one length")
        if np.any(np.diff(self.at_ns) < 0):
            raise DataError("capability", "expected parts in order of time")


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Points of a control chart: single parts, or means of subgroups.

    Attributes
    ----------
    at_ns, value_c : (k,) arrays
        When, and the value. [ns, degC]
    run : (k,) int64
        Number of the run each point is in; a line joins only points of one run.
    centre_c, lower_c, upper_c
        Mean of all parts and three standard errors to each side; None without neighbours. [degC]
    range_limit_k
        Upper limit of the ranges between neighbours; None without. [K]
    """

    at_ns: NDArray[np.int64]
    value_c: NDArray[np.float64]
    run: NDArray[np.int64]
    centre_c: float | None
    lower_c: float | None
    upper_c: float | None
    range_limit_k: float | None

    @property
    def beyond(self) -> int:
        """Points outside the limits."""
        if self.lower_c is None or self.upper_c is None:
            return 0
        return int(((self.value_c < self.lower_c) | (self.value_c > self.upper_c)).sum())


@dataclass(frozen=True, slots=True)
class Capability:
    """What the parts of one zone come to.

    Attributes
    ----------
    n
        Parts with a mean.
    coverage
        Mean over all parts, those without a mean as 0. [1]
    mean_c
        Of all parts; None without any. [degC]
    within_k, overall_k
        Sigma from neighbours, and of all parts; None where there are too few. [K]
    cp, cpk, pp, ppk
        None where withheld; Cp and Pp also where the window has one side only. [1]
    withheld
        Why there is no index; empty where there is.
    """

    n: int
    coverage: float
    mean_c: float | None
    within_k: float | None
    overall_k: float | None
    chart: Chart
    cp: float | None = None
    cpk: float | None = None
    pp: float | None = None
    ppk: float | None = None
    withheld: str = ""


def capability(
    parts: Parts,
    *,
    low_c: float | None,
    high_c: float | None,
    subgroup: int = SINGLES,
    longest_pause_s: float = LONGEST_PAUSE_S,
    fewest: int = FEWEST,
    least_coverage: float = LEAST_COVERAGE,
) -> Capability:
    """Spread, chart and indices of one zone.

    Parameters
    ----------
    parts
        Values of single parts.
    low_c, high_c
        The window; None for a side that does not exist. [degC]
    subgroup
        Parts in a subgroup, 1 to 10; an incomplete one at the end of a run gives no range. [1]
    longest_pause_s
        Longest time between neighbours. [s]
    fewest, least_coverage
        What it takes to give an index. [1]

    Returns
    -------
    Capability
        Mean, sigmas and chart are given with any number of parts.

    Raises
    ------
    DataError
        A subgroup for which there is no d2, or a window whose sides are not in order.

    Source
    ------
    NIST/SEMATECH e-Handbook, 6.1.6 (indices) and 6.3.2.2 (chart of individuals).
    """
    if subgroup != SINGLES and subgroup not in D2:
        raise DataError("capability", f"expected subgroups of 1 to {max(D2)} parts, got {subgroup}")
    if low_c is not None and high_c is not None and not low_c < high_c:
        raise DataError("capability", f"expected low < high, got {low_c:g} and {high_c:g} degC")
    is_seen = np.isfinite(parts.mean_c)
    run = _runs(parts, is_seen, longest_pause_s=longest_pause_s)[is_seen]
    at_ns, value_c = parts.at_ns[is_seen], parts.mean_c[is_seen]
    coverage = np.nan_to_num(np.where(is_seen, parts.coverage, 0.0))
    n = int(value_c.size)
    mean_c = float(value_c.mean()) if n else None
    mean_range_k = _mean_range_k(value_c, run, subgroup=subgroup)
    within_k = None if mean_range_k is None else mean_range_k / D2[max(subgroup, 2)]
    overall_k = float(value_c.std(ddof=1)) if n > 1 else None
    found = Capability(
        n,
        float(coverage.mean()) if coverage.size else 0.0,
        mean_c,
        within_k,
        overall_k,
        _chart(at_ns, value_c, run, mean_c, mean_range_k, subgroup=subgroup),
    )
    withheld = _withheld(
        found,
        has_window=low_c is not None or high_c is not None,
        fewest=fewest,
        least_coverage=least_coverage,
    )
    return _with_indices(found, low_c=low_c, high_c=high_c, withheld=withheld)


def _runs(parts: Parts, is_seen: NDArray[np.bool_], *, longest_pause_s: float) -> NDArray[np.int64]:
    """Number of the run that each part is in."""
    epoch = np.searchsorted(np.sort(parts.breaks_ns), parts.at_ns, side="right")
    is_neighbour = (
        is_seen[:-1]
        & is_seen[1:]
        & (np.diff(parts.at_ns) <= ns(longest_pause_s))
        & (np.diff(epoch) == 0)
    )
    return np.cumsum(np.concatenate(([False], ~is_neighbour))[: parts.at_ns.size], dtype=np.int64)


def _groups(run: NDArray[np.int64], subgroup: int) -> NDArray[np.int64]:
    """Places of the parts of each complete subgroup, a row each."""
    _, first, place, length = np.unique(
        run, return_index=True, return_inverse=True, return_counts=True
    )
    position = np.arange(run.size) - first[place]
    is_first = (position % subgroup == 0) & (position + subgroup <= length[place])
    return np.flatnonzero(is_first)[:, np.newaxis] + np.arange(subgroup)


def _mean_range_k(
    value_c: NDArray[np.float64], run: NDArray[np.int64], *, subgroup: int
) -> float | None:
    """Mean range of neighbours within a run."""
    if subgroup == SINGLES:
        ranges_k = np.abs(np.diff(value_c))[np.diff(run) == 0]
    else:
        ranges_k = np.ptp(value_c[_groups(run, subgroup)], axis=1)
    return float(ranges_k.mean()) if ranges_k.size else None


def _chart(
    at_ns: NDArray[np.int64],
    value_c: NDArray[np.float64],
    run: NDArray[np.int64],
    mean_c: float | None,
    mean_range_k: float | None,
    *,
    subgroup: int,
) -> Chart:
    """Points with their limits."""
    groups = _groups(run, subgroup)
    points = at_ns[groups[:, 0]], value_c[groups].mean(axis=1), run[groups[:, 0]]
    if mean_c is None or mean_range_k is None:
        return Chart(*points, mean_c, None, None, None)
    size = max(subgroup, 2)
    reach_k = 3.0 * mean_range_k / D2[size] / sqrt(subgroup)
    return Chart(*points, mean_c, mean_c - reach_k, mean_c + reach_k, D4[size] * mean_range_k)


def _withheld(found: Capability, *, has_window: bool, fewest: int, least_coverage: float) -> str:
    """Why no index is given, the gravest reason; empty if one is."""
    if not has_window:
        return "the zone has no window"
    if found.n < fewest:
        return f"{found.n} parts, fewer than {fewest}"
    if found.coverage < least_coverage:
        seen = f"{100.0 * found.coverage:.1f} %"
        return f"{seen} of the dispensing seen, less than {100.0 * least_coverage:g} %"
    if not found.within_k or not found.overall_k:
        return "neighbouring parts do not differ, or there are none"
    return ""


def _with_indices(
    found: Capability, *, low_c: float | None, high_c: float | None, withheld: str
) -> Capability:
    """The same with its indices, or with the reason for none."""
    cp = cpk = pp = ppk = None
    if not withheld and found.mean_c is not None and found.within_k and found.overall_k:
        cp, cpk = indices(found.mean_c, found.within_k, low_c=low_c, high_c=high_c)
        pp, ppk = indices(found.mean_c, found.overall_k, low_c=low_c, high_c=high_c)
    return Capability(
        *(found.n, found.coverage, found.mean_c, found.within_k, found.overall_k, found.chart),
        *(cp, cpk, pp, ppk, withheld),
    )


def indices(
    mean_c: float, sigma_k: float, *, low_c: float | None, high_c: float | None
) -> tuple[float | None, float | None]:
    """Width of the window over the spread, and distance of its nearer side over half of it.

    Parameters
    ----------
    mean_c, sigma_k
        Of the process; sigma above 0. [degC, K]
    low_c, high_c
        The window; None for a side that does not exist. [degC]

    Returns
    -------
    width, nearer
        Cp and Cpk for sigma within, Pp and Ppk for sigma overall. The width is None with one
        side only; the nearer is negative for a mean outside. [1]

    Source
    ------
    NIST/SEMATECH e-Handbook, 6.1.6.
    """
    sides_k = []
    if low_c is not None:
        sides_k.append(mean_c - low_c)
    if high_c is not None:
        sides_k.append(high_c - mean_c)
    nearer = min(sides_k) / (3.0 * sigma_k) if sides_k else None
    width = sum(sides_k) / (6.0 * sigma_k) if len(sides_k) == 2 else None
    return width, nearer
