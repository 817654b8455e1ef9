"""Whether what was last found still says anything about now."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outputs.samples import at, make_cell
from watchedpot.outputs.freshness import is_outdated, is_recent


def test_a_moment_is_recent_up_to_its_limit() -> None:
    """The limit itself still counts."""
    assert is_recent(at(10.0), at(13.0), within_s=3.0)
    assert not is_recent(at(10.0), at(13.1), within_s=3.0)
    assert not is_recent(None, at(0.0), within_s=3.0)


def test_a_moment_of_another_run_of_the_clock_is_not_recent() -> None:
    """A monotonic time ahead of now, as after a reboot, does not pass for a new one."""
    assert not is_recent(at(10.1), at(10.0), within_s=3.0)
    assert is_outdated(make_cell(), at(3599.4))


@pytest.mark.parametrize(
    ("stale_after_s", "limit_s"),
    [((3.0, 3.0), 10.0), ((3.0, 5.0), 15.0), ((), 10.0)],
    ids=["quick zones", "a slow zone", "no zone"],
)
def test_a_cell_is_outdated_after_its_slowest_zone(
    stale_after_s: tuple[float, ...], limit_s: float
) -> None:
    """Ten seconds, or three ages at which its slowest zone is stale."""
    cell = make_cell()
    zones = tuple(
        replace(zone, stale_after_s=limit)
        for zone, limit in zip(cell.zones, stale_after_s, strict=False)
    )
    cell = replace(cell, at=at(0.0), zones=zones)
    assert not is_outdated(cell, at(limit_s))
    assert is_outdated(cell, at(limit_s + 0.1))
