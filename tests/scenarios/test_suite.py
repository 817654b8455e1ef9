"""Every scenario, played and judged: the most telling ones always, all of them at night.

One plant is as everybody was told; of the others each zone and the room differ by up to 30 %.
"""

from __future__ import annotations

import pytest

from scenarios.run import WIRES, bars, names_with_expectations, played_straight, rows, tasks
from scenarios.score import Outcome, Reached

MOST_TELLING = (
    ("cold_nozzle_no_heat", "lens_4"),
    ("nozzle_relay_stuck", "housing_7"),
    ("all_heat_off", "lens_4"),
    ("sensor_falls_out", "housing_7"),
    ("sensor_slips", "lens_4"),
    ("input_frozen", "lens_4"),
    ("values_stand_still", "housing_7"),
    ("door_open", "lens_4"),
)
SEEDS = 10


def amiss(outcome: Outcome) -> list[str]:
    """All that was not as expected of one run, but for its parts."""
    unmet = [
        f"{one.what}: {one.after_s} s, begin off by {one.onset_off_s} s"
        for one in outcome.reached
        if not one.is_met
    ]
    return [*unmet, *outcome.wrong_critical, *outcome.wrong_other]


@pytest.mark.timeout(120)
@pytest.mark.parametrize(("name", "cell"), MOST_TELLING)
def test_what_must_be_concluded_of_a_plant_as_told_is(name: str, cell: str) -> None:
    """In time, with its begin named, and nothing that must not be."""
    outcome = played_straight((name, cell, 1), spread=0.0)
    assert outcome.parts > 0
    assert amiss(outcome) == []


@pytest.mark.soak
@pytest.mark.timeout(4 * 3600)
def test_every_bar_is_held_over_plants_that_differ() -> None:
    """All scenarios with ten seeds each: the table that the runner prints."""
    todo = tasks(names_with_expectations(), SEEDS, WIRES.values())
    outcomes = [played_straight(task) for task in todo]
    lines, is_held = bars(outcomes)
    print("\n" + "\n".join([*rows(outcomes), *lines]))
    assert is_held


def test_what_is_amiss_is_told() -> None:
    """A late conclusion, a begin named wrong and both kinds of wrong conclusions."""
    outcome = Outcome("x", "lens_4", 1, [Reached("a", None), Reached("b", 3.0, 12.0)], ["c"], ["d"])
    assert amiss(outcome) == [
        "a: None s, begin off by None s",
        "b: 3.0 s, begin off by 12.0 s",
        "c",
        "d",
    ]
