"""Whether the parts that missed were made warmer, with older adhesive, or after longer pauses.

Nothing here proves a cause, and no significance is claimed: parts of one excursion are not
independent. What is given is how many there are, the two means, and how often a missed part had
the higher value than a passed one, as rank-biserial correlation (+1 always, -1 never, 0 as often
as not).

Source: the definition by Cureton (1956), r = 2 U / (n1 n2) - 1 with U of Mann and Whitney (1947),
from memory; fewer than five misses say nothing: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.units import NANO
from watchedpot.outputs.ledger import RecordedPart

FEWEST_MISSES = 5
"""Misses, and passes, below which no correlation is given [1]."""


class Quantity(StrEnum):
    """What a miss may follow."""

    TEMP = "temp"
    AGE = "age"
    IDLE = "idle"
    WIDTH = "width"


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Passed and missed parts by one quantity.

    Attributes
    ----------
    zone
        Of a temperature; empty for the others.
    passed, missed : arrays
        Values, those that are not known left out. [degC, s or mm]
    """

    quantity: Quantity
    zone: str
    passed: NDArray[np.float64]
    missed: NDArray[np.float64]

    @property
    def is_enough(self) -> bool:
        """Whether there are enough of both to compare."""
        return min(self.passed.size, self.missed.size) >= FEWEST_MISSES

    @property
    def rank_biserial(self) -> float | None:
        """How far the missed lie above the passed, -1 to 1; None where there are too few."""
        if not self.is_enough:
            return None
        in_order = np.sort(self.passed)
        below = np.searchsorted(in_order, self.missed, side="left")
        not_above = np.searchsorted(in_order, self.missed, side="right")
        u = float((below + not_above).sum()) / 2.0
        return 2.0 * u / (self.passed.size * self.missed.size) - 1.0


@dataclass(frozen=True, slots=True)
class Inspection:
    """Inspected parts and what they are compared by."""

    passed: int
    missed: int
    comparisons: tuple[Comparison, ...]


@dataclass(slots=True)
class Inspected:
    """Gathers the inspected among the parts that pass by."""

    zones: tuple[str, ...]
    is_passed: list[bool] = field(default_factory=list)
    values: list[list[float]] = field(default_factory=list)
    before_ns: int | None = None

    def watched(self, parts: Iterable[RecordedPart]) -> Iterable[RecordedPart]:
        """The same parts, looked at in passing."""
        for part in parts:
            self._take(part)
            yield part

    def _take(self, part: RecordedPart) -> None:
        idle_s = np.nan
        if self.before_ns is not None and part.begun_utc_ns >= self.before_ns:
            idle_s = (part.begun_utc_ns - self.before_ns) / NANO
        ended_ns = part.begun_utc_ns + round(part.dispensing_s * NANO)
        self.before_ns = max(ended_ns, self.before_ns or ended_ns)
        if part.inspection is None or part.count > 1:
            return
        means = (part.zones[name].mean_c if name in part.zones else None for name in self.zones)
        known = (*means, part.age_s, idle_s, part.bead_width_mm)
        self.is_passed.append(bool(part.inspection))
        self.values.append([np.nan if value is None else value for value in known])

    def found(self) -> Inspection | None:
        """What it comes to; None where no part was inspected."""
        if not self.is_passed:
            return None
        is_passed = np.array(self.is_passed)
        columns = np.array(self.values).T
        named = [(Quantity.TEMP, zone) for zone in self.zones]
        named += [(Quantity.AGE, ""), (Quantity.IDLE, ""), (Quantity.WIDTH, "")]
        comparisons = []
        for (quantity, zone), column in zip(named, columns, strict=True):
            is_known = np.isfinite(column)
            if is_known.any():
                passed, missed = column[is_known & is_passed], column[is_known & ~is_passed]
                comparisons.append(Comparison(quantity, zone, passed, missed))
        passed = int(is_passed.sum())
        return Inspection(passed, is_passed.size - passed, tuple(comparisons))
