"""The installed programs from outside: how long a command takes, how much memory watching needs."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from bench.figures import Figures
from support.plant import Plant, wait_for

pytestmark = [pytest.mark.bench, pytest.mark.timeout(120)]

WATCHED_S = 20.0
SPEED = 30.0


def test_help(figures: Figures) -> None:
    """Asking for help answers without loading what it does not need."""
    taken_s = []
    for _ in range(9):
        began_s = time.perf_counter()
        answer = subprocess.run(
            [sys.executable, "-m", "watchedpot", "--help"], capture_output=True, check=True
        )
        taken_s.append(time.perf_counter() - began_s)
    assert b"usage: watchedpot" in answer.stdout
    figures.keep("watchedpot --help, median of 9", statistics.median(taken_s), "s", below=0.3)


def test_memory(figures: Figures, tmp_path: Path) -> None:
    """Both demonstration cells, read for twenty seconds at thirty times the speed."""
    with Plant(tmp_path, "demo", speed=SPEED, lead_s=6.0) as plant:
        plant.start_cells()
        daemon = plant.start_daemon()
        process = psutil.Process(daemon.process.pid)
        wait_for("cell time to begin", lambda: plant.cell_s() > 0)
        plant.wait_until(WATCHED_S * SPEED)
        memory = process.memory_info().rss
        # Polls that came too late are left out at such a speed, most must be good all the same.
        good = plant.metrics().total("watchedpot_heat_zone_readings_total", quality="good")
        assert good > 0.5 * 5 * WATCHED_S * SPEED
        assert daemon.stop() == 0
    figures.keep("resident memory, two cells", memory / 1e6, "MB", below=150.0)
