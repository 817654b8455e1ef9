"""A scenario over its protocol concludes what it concludes straight through the engine."""

from __future__ import annotations

import pytest

from scenarios.run import WIRES
from scenarios.test_suite import amiss
from scenarios.wire import played_over_wire

pytestmark = [pytest.mark.integration, pytest.mark.soak, pytest.mark.timeout(900)]


@pytest.mark.parametrize("cell", WIRES.values())
def test_a_cold_nozzle_is_told_over_the_wire(cell: str) -> None:
    """Three programs, ten times as fast as real: in time, and no wrong part let through."""
    outcome = played_over_wire(("cold_nozzle_no_heat", cell, 1), spread=0.0, speed=10.0)
    assert outcome.parts_wrong > 10
    assert amiss(outcome) == []
    assert outcome.missed == []
