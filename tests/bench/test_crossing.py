"""From the crossing in the simulator to the change on the page: both programs and a browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from bench.figures import Figures
from browser.conftest import CHROMIUM, FLAGS
from integration.conftest import FAULT_AT_S, WARM_START
from support.plant import Plant, shown_crossing_ns
from watchedpot.core.model import EventKind

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

SPEED = 10.0
CELL, ZONE, LOW_C = "lens_4", "nozzle", 115.0
TOLD = "Nozzle is too cold"


def test_from_the_crossing_to_the_page(figures: Figures, tmp_path: Path) -> None:
    """A cold nozzle: what of the time is the on-delay, and what is ours."""
    if CHROMIUM is None:
        pytest.skip("this machine cannot: it has no chromium (Debian: apt-get install chromium)")
    scenario = "nozzle_heater_open_opcua"
    with (
        Plant(tmp_path, scenario, speed=SPEED, lead_s=6.0, changes=WARM_START) as plant,
        sync_playwright() as playwright,
    ):
        plant.start_cells(is_waiting=False)
        plant.start_daemon()
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{plant.web_port}/#/cell/{CELL}")
        page.get_by_text(TOLD).first.wait_for(timeout=120_000)
        shown_ns = plant.cell_ns()
        (raised,) = [
            event
            for event in plant.events(EventKind.ALARM_CHANGED, cell=CELL)
            if event.detail("alarm") == "cold" and event.detail("to") == "unacknowledged"
        ]
        since_ns = plant.start_ns + round(FAULT_AT_S * 1e9)
        crossed_ns = shown_crossing_ns(plant, CELL, ZONE, LOW_C, since_ns=since_ns, is_above=False)
        browser.close()
    delay_s = (raised.at.utc_ns - crossed_ns) / 1e9
    figures.keep("crossing to alarm, 15 s of it on-delay", delay_s, "s of the cell", below=17.0)
    ours_s = (shown_ns - raised.at.utc_ns) / 1e9 / SPEED
    figures.keep("alarm to page", ours_s, "s", below=2.0)
