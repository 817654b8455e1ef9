"""A daemon that is killed loses at most a commit interval, and says that it did not watch."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from integration.kill import SPEED, Series, figures
from support.plant import Plant
from watchedpot.app.cli import main
from watchedpot.core.model import EventKind


@pytest.mark.integration
@pytest.mark.parametrize(
    ("kills", "seed"),
    [
        pytest.param(10, 7, marks=pytest.mark.timeout(120)),
        pytest.param(200, 1, marks=[pytest.mark.soak, pytest.mark.timeout(3600)]),
    ],
)
def test_a_kill_loses_no_more_than_a_commit_interval(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kills: int, seed: int
) -> None:
    """After each kill the ledger is whole and no total is less; the gaps are blind."""
    with Plant(tmp_path, "healthy_shift", speed=SPEED) as plant:
        plant.start_cells()
        series = Series(plant, random.Random(seed))
        for _ in range(kills):
            series.kill_once()
            assert not plant.ledger.exists() or main(["verify", str(plant.ledger)]) == 0
        gaps_s = series.check_record()
        assert len(gaps_s) >= kills // 4
        starts = plant.events(EventKind.DAEMON_STARTED)
        watched = sum(kill.watched_s is not None for kill in series.kills)
        assert kills // 2 < watched <= kills
        assert len(starts) <= watched
        assert not plant.events(EventKind.DAEMON_STOPPED)
        with capsys.disabled():
            print(f"\n{figures(series, gaps_s)}")
