"""What is found in a query, and what is found wrong with it."""

from __future__ import annotations

import pytest

from deploy.queries import expressions, faults, read, with_recorded

SERVED = {
    "pot_seconds_total": {
        "cell": frozenset({"lens_4"}),
        "range": frozenset({"blind", "inside"}),
    },
    "up": {},
}


def test_names_are_told_from_the_language() -> None:
    """Series, conditions and labels are found; functions, ranges and numbers are none of them."""
    query = read(
        'sum by (cell) (rate(pot_seconds_total{range="blind",cell=~"$cell"}[10m])) / 1e9'
        " or on (instance) up"
    )
    assert query.series == {"pot_seconds_total", "up"}
    assert query.matchers == (
        ("pot_seconds_total", "range", "=", "blind"),
        ("pot_seconds_total", "cell", "=~", "$cell"),
    )
    assert query.kept == {"cell", "instance"}
    assert query.dropped == frozenset()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("sum by (cell) (rate(pot_seconds_total[5m]))", []),
        ('pot_seconds_total{cell=~"$cell",range=~"blind|inside"} and on (instance) up', []),
        ('up{job="watchedpot"}', []),
        ("rate(pot_second_total[5m])", ["series pot_second_total"]),
        ("sum by (zone) (pot_seconds_total)", ["label zone"]),
        ("sum without (zone) (pot_seconds_total)", ["label zone"]),
        ('pot_seconds_total{zone="nozzle"}', ["label zone of pot_seconds_total"]),
        ('pot_seconds_total{range="blnd"}', ["range=blnd of pot_seconds_total"]),
        ('pot_seconds_total{range=~"blind|outside"}', ["range=outside of pot_seconds_total"]),
    ],
)
def test_what_nobody_serves_is_found(text: str, found: list[str]) -> None:
    """A wrong series, label or value of a label is named, and nothing else."""
    assert faults(text, SERVED) == found


def test_a_recorded_series_has_the_labels_that_are_left() -> None:
    """The labels of what it is made from, less those that are summed away."""
    rules = """
      - record: cell:pot_seconds:rate5m
        expr: |
          sum without (range) (
            rate(pot_seconds_total[5m])
          )

      - alert: Something
        expr: cell:pot_seconds:rate5m > 1
    """
    assert [(what, name) for what, name, _ in expressions(rules)] == [
        ("record", "cell:pot_seconds:rate5m"),
        ("alert", "Something"),
    ]
    known = with_recorded(SERVED, rules)
    assert known["cell:pot_seconds:rate5m"] == {"cell": frozenset({"lens_4"})}
