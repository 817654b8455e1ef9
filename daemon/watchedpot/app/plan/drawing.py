"""Tables and pictures in plain characters, no line wider than ``WIDTH``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np

WIDTH = 100
"""Columns of a line [1]: what a terminal beside a cell shows."""

LEFT = 8
"""Columns for what stands left of a picture [1]."""

FIELD = 72
"""Columns of the picture itself [1]; what is left over is for the names of its lines."""

_ROWS, _STEPS = 12, 8


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale over the field of a picture, ends on whole steps."""

    start: float
    end: float
    step: float

    @classmethod
    def over(cls, low: float, high: float) -> Axis:
        """The axis of about ``_STEPS`` steps that holds a range."""
        step = _step(high - low, _STEPS)
        start = floor(low / step) * step
        return cls(start, max(ceil(high / step) * step, start + step), step)

    def column(self, value: float) -> int:
        """Where a value stands in the field."""
        return round((value - self.start) / (self.end - self.start) * (FIELD - 1))

    def lines(self, name: str) -> list[str]:
        """The axis as it stands below a picture."""
        numbers = [" "] * (LEFT + FIELD)
        for n in range(round((self.end - self.start) / self.step) + 1):
            value = self.start + n * self.step
            text = f"{value:g}"
            place = LEFT + self.column(value) - len(text) // 2
            numbers[place : place + len(text)] = text
        return [f"{'+':>{LEFT}}{'-' * FIELD}", f"{''.join(numbers).rstrip()} {name}"]

    def row(self, name: str, marks: Sequence[tuple[float, float, str]], note: str = "") -> str:
        """A row of a picture: each mark from one value to another, a later one over an earlier."""
        field = [" "] * FIELD
        for low, high, mark in marks:
            first, last = self.column(low), self.column(high)
            field[first : last + 1] = mark * (last + 1 - first)
        return f"{name:>{LEFT - 2}} |{''.join(field)} {note}".rstrip()


@dataclass(frozen=True, slots=True)
class Curve:
    """A line of a chart: its mark, and its points from left to right."""

    mark: str
    x: Sequence[float]
    y: Sequence[float]


def chart(
    curves: Sequence[Curve], limit: tuple[float, str], *, x_name: str, y_name: str
) -> list[str]:
    """Curves from x = 0 on, a later one over an earlier, and below them a limit with its name."""
    across = Axis.over(0.0, max(curve.x[-1] for curve in curves))
    heights = [limit[0], *(value for curve in curves for value in curve.y)]
    step = _step(max(heights) - min(heights), _ROWS)
    bottom, top = floor(min(heights) / step), ceil(max(heights) / step)
    field = [[" "] * FIELD for _ in range(top - bottom + 1)]
    at_limit = round(limit[0] / step) - bottom
    field[at_limit] = ["-"] * FIELD
    x = np.linspace(across.start, across.end, FIELD)
    for curve in curves:
        y = np.interp(x, curve.x, curve.y, right=np.nan)
        for column in np.flatnonzero(np.isfinite(y)).tolist():
            field[round(float(y[column]) / step) - bottom][column] = curve.mark
    rows = [
        f"{(bottom + n) * step:>{LEFT - 2}g} |{''.join(row)}" + f" {limit[1]}" * (n == at_limit)
        for n, row in enumerate(field)
    ]
    return [
        f"{y_name:>{LEFT - 2}}",
        *(row.rstrip() for row in reversed(rows)),
        *across.lines(x_name),
    ]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    r"""Columns two blanks apart, the first to the left and all others to the right.

    Examples
    --------
    >>> print(*table(("size", "waste"), [("30 cc", "4 %"), ("300 cc", "65 %")]), sep="\n")
    size    waste
    30 cc     4 %
    300 cc   65 %
    """
    lines = (head, *rows)
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return [
        "  ".join(
            text.rjust(width) if n else text.ljust(width)
            for n, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    ]


def bar(share: float, *, columns: int) -> str:
    """A share of a whole in so many columns; what is not nothing shows.

    Examples
    --------
    >>> bar(0.5, columns=8), bar(0.001, columns=8), bar(0.0, columns=8)
    ('####    ', '#       ', '        ')
    """
    filled = max(round(share * columns), int(share > 0.0))
    return ("#" * min(filled, columns)).ljust(columns)


def _step(length: float, parts: int) -> float:
    """1, 2 or 5 times a power of ten, of which a length holds so many or fewer."""
    rough = max(length, 1e-6) / parts
    power: float = 10.0 ** floor(log10(rough))
    return next(times * power for times in (1.0, 2.0, 5.0, 10.0) if times * power >= rough)
