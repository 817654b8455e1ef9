"""Account and age of a zone made again from readings, by other means than the core's.

Each line between two readings is cut where it crosses the edge and handed to SciPy's trapezium
rule, in floating seconds; the core computes with whole nanoseconds and triangles. The rate of
ageing is integrated over the temperature of each line by SciPy's adaptive quadrature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad, trapezoid

from watchedpot.core.model import Block, Quality
from watchedpot.core.rules import AgeingRules


@dataclass(frozen=True, slots=True)
class Readings:
    """One channel over a whole record.

    Attributes
    ----------
    mono_ns, utc_ns, value, is_good : (n,) arrays
        Time on both clocks, value and whether it may be believed. [ns, ns, degC, 1]
    """

    mono_ns: NDArray[np.int64]
    utc_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    is_good: NDArray[np.bool_]

    def joined(self, max_gap_s: float) -> NDArray[np.bool_]:
        """Which of the n - 1 steps are seen."""
        near: NDArray[np.bool_] = np.diff(self.mono_ns) <= round(max_gap_s * 1e9)
        return near & self.is_good[1:] & self.is_good[:-1]


def readings(blocks: Sequence[Block], channel: str) -> Readings:
    """The rows of one channel, in order."""
    place = blocks[0].channels.index(channel)
    return Readings(
        np.concatenate([block.mono_ns for block in blocks]),
        np.concatenate([block.seen_ns for block in blocks]),
        np.concatenate([block.value[:, place] for block in blocks]),
        np.concatenate([block.quality[:, place] for block in blocks]) == Quality.GOOD,
    )


def beyond(
    t_s: NDArray[np.float64], temp_c: NDArray[np.float64], edge_c: float, *, is_high: bool
) -> tuple[float, float]:
    """Seconds and kelvin-seconds of one unbroken line beyond an edge, in s and K s."""
    depth = temp_c - edge_c if is_high else edge_c - temp_c
    crossing = np.flatnonzero(depth[:-1] * depth[1:] < 0)
    share = depth[crossing] / (depth[crossing] - depth[crossing + 1])
    cut_s = t_s[crossing] + share * (t_s[crossing + 1] - t_s[crossing])
    t_s = np.insert(t_s, crossing + 1, cut_s)
    depth = np.clip(np.insert(depth, crossing + 1, 0.0), 0.0, None)
    is_out = depth[:-1] + depth[1:] > 0
    return float(np.diff(t_s)[is_out].sum()), float(trapezoid(depth, t_s))


@dataclass(frozen=True, slots=True)
class Account:
    """Where the time of a channel went, in s and K s."""

    below_s: float
    inside_s: float
    above_s: float
    blind_s: float
    under_ks: float
    over_ks: float


def account(seen: Readings, *, low_c: float, high_c: float, max_gap_s: float) -> Account:
    """The account of all readings of a channel."""
    is_joined = seen.joined(max_gap_s)
    step_s = np.diff(seen.mono_ns) / 1e9
    t_s = (seen.mono_ns - seen.mono_ns[0]) / 1e9
    below_s = above_s = under_ks = over_ks = 0.0
    breaks = np.flatnonzero(~is_joined)
    for first, last in zip(
        np.concatenate(([0], breaks + 1)), np.concatenate((breaks, [t_s.size - 1])), strict=True
    ):
        if last > first:
            line = t_s[first : last + 1], seen.value[first : last + 1]
            out_s, area_ks = beyond(*line, low_c, is_high=False)
            below_s, under_ks = below_s + out_s, under_ks + area_ks
            out_s, area_ks = beyond(*line, high_c, is_high=True)
            above_s, over_ks = above_s + out_s, over_ks + area_ks
    seen_s = float(step_s[is_joined].sum())
    return Account(
        below_s,
        seen_s - below_s - above_s,
        above_s,
        float(step_s[~is_joined].sum()),
        under_ks,
        over_ks,
    )


def dose_s(
    seen: Readings, told: Readings, rules: AgeingRules, *, ceiling_c: float, max_gap_s: float
) -> tuple[float, float]:
    """Age of a charge by either bound of the activation energy, from its first reading on, in s.

    A step that is not seen counts at the higher of the last reading and the setpoint.
    """
    totals = []
    for ea_j_per_mol in (rules.ea_low_j_per_mol, rules.ea_high_j_per_mol):

        def rate(temp_c: float, ea_j_per_mol: float = ea_j_per_mol) -> float:
            if not temp_c >= rules.stops_below_c:
                return 0.0
            reciprocal_k = 1 / (rules.ref_c + 273.15) - 1 / (min(temp_c, ceiling_c) + 273.15)
            return exp(ea_j_per_mol / 8.31446261815324 * reciprocal_k)

        def mean(start_c: float, end_c: float) -> float:
            low, high = sorted((start_c, end_c))
            if high - low < 1e-6:
                return rate(0.5 * (low + high))
            bends = [c for c in (rules.stops_below_c, ceiling_c) if low < c < high]
            area, _ = quad(rate, low, high, points=bends or None, epsabs=1e-12, epsrel=1e-12)
            return float(area) / (high - low)

        total_s = 0.0
        last_c = setpoint_c = -273.15
        is_joined = seen.joined(max_gap_s)
        for row, step_s in enumerate(np.diff(seen.mono_ns) / 1e9):
            if seen.is_good[row]:
                last_c = seen.value[row]
            for at in (row, row + 1):
                if told.is_good[at] and isfinite(told.value[at]):
                    setpoint_c = told.value[at]
            ends = (
                (last_c, seen.value[row + 1]) if is_joined[row] else (max(last_c, setpoint_c),) * 2
            )
            total_s += step_s * mean(*ends)
        totals.append(total_s)
    return totals[0], totals[1]
