"""Figures of the benches: what was measured, beside what was hoped for."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number.

    Attributes
    ----------
    target
        None for a figure that is only of interest.
    is_floor
        Whether the target is to be reached or more; else to be kept below.
    """

    what: str
    value: float
    unit: str
    target: float | None = None
    is_floor: bool = False

    def columns(self) -> tuple[str, str, str, str]:
        """Texts of one line of the table."""
        if self.target is None:
            return self.what, f"{self.value:.4g} {self.unit}", "", ""
        sign, is_met = (
            (">=", self.value >= self.target)
            if self.is_floor
            else (
                "<",
                self.value < self.target,
            )
        )
        verdict = "met" if is_met else "missed"
        return (
            self.what,
            f"{self.value:.4g} {self.unit}",
            f"{sign} {self.target:g} {self.unit}",
            verdict,
        )


@dataclass
class Figures:
    """All figures of one session, in the order of the benches."""

    found: list[Figure] = field(default_factory=list)

    def add(self, what: str, value: float, unit: str) -> None:
        """Note a figure without a target."""
        self.found.append(Figure(what, value, unit))

    def reach(self, what: str, value: float, unit: str, *, target: float) -> None:
        """Note a figure that should be at least the target."""
        self.found.append(Figure(what, value, unit, target, is_floor=True))

    def keep(self, what: str, value: float, unit: str, *, below: float) -> None:
        """Note a figure that should stay below the target."""
        self.found.append(Figure(what, value, unit, below))

    def table(self) -> str:
        """Everything as text, with what else the machine had to do meanwhile."""
        rows = [("figure", "measured", "target", ""), *(figure.columns() for figure in self.found)]
        widths = [max(len(row[n]) for row in rows) for n in range(4)]
        lines = [
            "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip()
            for row in rows
        ]
        load = ", ".join(f"{part:.1f}" for part in os.getloadavg())
        lines.append(f"load average {load} on {os.cpu_count()} processors")
        return "\n".join(lines)


def median_cpu_s(work: Callable[[], object], *, rounds: int = 5) -> float:
    """Median processor time of this process for one run of some work [s]."""
    return statistics.median(cpu_s(work) for _ in range(rounds))


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of this process for one run of some work [s]."""
    began_s = time.process_time()
    work()
    return time.process_time() - began_s


def percentile(values: Sequence[float], share: float) -> float:
    """The value that so large a share of the values does not exceed.

    Examples
    --------
    >>> percentile([3.0, 1.0, 2.0], 0.5)
    2.0
    """
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]
