"""When the daemon calls itself well."""

from __future__ import annotations

from dataclasses import replace

from outputs.web.asking import at, make_cell, make_snapshot
from watchedpot.outputs.web.health import health
from watchedpot.outputs.web.model import Health, StandStill


def test_all_that_advanced_lately_is_healthy() -> None:
    """Polls, evaluation and commit within the limit are health."""
    assert health(make_snapshot(), at(3600.0), limit_s=1.0) == Health(
        is_healthy=True, stands_still=()
    )


def test_what_stands_still_is_named_with_its_age() -> None:
    """Each part of the daemon is judged alone."""
    snapshot = make_snapshot()
    stuck = replace(snapshot, cells=(make_cell("lens_4", newest_s=3500.0), snapshot.cells[1]))
    assert health(stuck, at(3600.0), limit_s=30.0).stands_still == (
        StandStill(what="polls of lens_4", for_s=100.0),
    )
    full = replace(snapshot, ledger=replace(snapshot.ledger, last_commit=at(3560.0)))
    assert health(full, at(3600.0), limit_s=30.0).stands_still == (
        StandStill(what="commit", for_s=40.0),
    )
    everything = health(snapshot, at(3700.0), limit_s=30.0)
    assert [each.what for each in everything.stands_still] == [
        "polls of lens_4",
        "polls of housing_7",
        "evaluation",
        "commit",
    ]


def test_a_start_is_given_the_whole_limit() -> None:
    """Before the first row and commit, the time runs from the start of the daemon."""
    snapshot = make_snapshot()
    restored = replace(
        snapshot,
        at=at(0.0),
        cells=(make_cell("lens_4", newest_s=-9000.0), make_cell("housing_7", newest_s=9e6)),
        ledger=replace(snapshot.ledger, last_commit=None),
    )
    assert health(restored, at(29.0), limit_s=30.0).is_healthy
    late = health(restored, at(31.0), limit_s=30.0).stands_still
    assert {each.for_s for each in late} == {31.0}
    assert len(late) == 4
