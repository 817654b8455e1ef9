"""Messages of the simulator."""

from __future__ import annotations

from potsim.errors import PotsimError, ScenarioError, ServeError


def test_a_scenario_error_tells_every_problem_and_what_was_done() -> None:
    """Where, each problem, and that nothing runs."""
    error = ScenarioError("demo", ("a: expected 1, got 2", "b: missing"))
    assert str(error) == ("scenario demo: a: expected 1, got 2; b: missing; nothing was started")


def test_both_kinds_are_the_users_to_put_right() -> None:
    """The command catches them by their common base."""
    assert isinstance(ScenarioError("x", ()), PotsimError)
    assert isinstance(ServeError("x"), PotsimError)
