"""What was recorded, judged again, gives what was concluded, byte for byte."""

from __future__ import annotations

import pytest

from integration.conftest import OPEN_HEATER, TYPED_SETPOINT, FaultyRun
from support.plant import CELLS
from support.replay import recorded_lines, replay
from watchedpot.outputs.ledger import dump_state

pytestmark = [pytest.mark.integration, pytest.mark.timeout(300)]


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("fault", [OPEN_HEATER, TYPED_SETPOINT])
@pytest.mark.parametrize("rows_each", [1, 7, 1000, 10**9])
def test_a_replay_concludes_what_was_concluded_live(
    faulty_runs: dict[str, FaultyRun], fault: str, cell: str, rows_each: int
) -> None:
    """The same events and the same state, row by row and in blocks of any length."""
    plant = faulty_runs[fault].plant
    rules = next(rules for rules in plant.configuration.cells if rules.id == cell)
    again = replay(plant.ledger, rules, rows_each=rows_each)
    assert again.rows > 800
    assert len(again.lines) > 10
    assert again.lines == recorded_lines(plant.ledger, cell)
    assert dump_state(again.state) == plant.states()[cell]
