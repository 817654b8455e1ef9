"""Pictures in characters: the right mark at the right place, and no line too wide."""

from __future__ import annotations

import doctest

import pytest

from watchedpot.app.plan import drawing
from watchedpot.app.plan.drawing import FIELD, LEFT, WIDTH, Axis, Curve, bar, chart, table


def test_the_examples_run() -> None:
    """Each gives what it says."""
    result = doctest.testmod(drawing)
    assert result.failed == 0
    assert result.attempted > 0


@pytest.mark.parametrize(
    ("low", "high", "ends", "step"),
    [
        (0.0, 20.7, (0.0, 25.0), 5.0),
        (0.0, 8.0, (0.0, 8.0), 1.0),
        (104.0, 127.0, (100.0, 130.0), 5.0),
        (0.0, 0.4, (0.0, 0.4), 0.05),
        (5.0, 5.0, (5.0, 5.0), None),
    ],
)
def test_an_axis_ends_on_whole_steps(
    low: float, high: float, ends: tuple[float, float], step: float | None
) -> None:
    """Steps are 1, 2 or 5 times a power of ten, and it is never without length."""
    across = Axis.over(low, high)
    if step is None:
        assert across.start <= low < across.end
    else:
        assert (across.start, across.end) == pytest.approx(ends)
        assert across.step == pytest.approx(step)


def test_values_stand_where_the_axis_says() -> None:
    """The ends in the first and last column, and each number above its own place."""
    across = Axis.over(0.0, 8.0)
    assert (across.column(0.0), across.column(8.0)) == (0, FIELD - 1)
    line, numbers = across.lines("h")
    assert line == " " * (LEFT - 1) + "+" + "-" * FIELD
    assert numbers.endswith("8 h")
    for value in range(9):
        assert numbers[LEFT + across.column(value)] == str(value)


def test_a_row_shows_parts_and_a_note() -> None:
    """A later part stands over an earlier one."""
    row = Axis.over(0.0, 10.0).row("two", [(0.0, 10.0, "#"), (0.0, 0.0, "~")], "empty")
    assert row == "   two |~" + "#" * (FIELD - 1) + " empty"


def test_a_chart_shows_a_rising_line_and_its_limit() -> None:
    """Each row is the rounded value of its curve; the limit is named where it stands."""
    lines = chart(
        [Curve("o", (0.0, 10.0), (0.0, 100.0))], (60.0, "ready"), x_name="min", y_name="degC"
    )
    assert lines[0] == "  degC"
    (limit,) = (line for line in lines if line.endswith("- ready"))
    assert limit.startswith("    60 |---")
    for line in lines[1:-2]:
        label, _, field = line.partition("|")
        for column in (n for n, mark in enumerate(field) if mark == "o"):
            assert abs(float(label) - 100.0 * column / (FIELD - 1)) <= 5.0
    assert sum(line.count("o") for line in lines) == FIELD
    assert max(map(len, lines)) <= WIDTH


def test_a_curve_ends_where_its_points_end() -> None:
    """Nothing is drawn behind the last one, and a later curve covers an earlier one."""
    lines = chart(
        [Curve("a", (0.0, 10.0), (1.0, 1.0)), Curve("b", (0.0, 5.0), (1.0, 1.0))],
        (0.0, "zero"),
        x_name="s",
        y_name="K",
    )
    (row,) = (line for line in lines if "a" in line)
    assert row.partition("|")[2] == "b" * (FIELD // 2) + "a" * (FIELD // 2)


def test_a_table_is_aligned() -> None:
    """The first column to the left, numbers to the right, no blanks at the ends."""
    lines = table(("a", "bbb", "c"), [("xx", "1", ""), ("y", "22", "3")])
    assert lines == ["a   bbb  c", "xx    1", "y    22  3"]


@pytest.mark.parametrize(("share", "marks"), [(0.0, 0), (0.001, 1), (0.5, 5), (1.0, 10), (2.0, 10)])
def test_a_bar_is_as_long_as_its_share(share: float, marks: int) -> None:
    """What is not nothing shows, and nothing is longer than the whole."""
    assert bar(share, columns=10) == "#" * marks + " " * (10 - marks)
