"""The page of the real daemon, watching a simulated cell: from the sensor to what a person sees."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from browser.conftest import Seen
from potsim.scenarios import bundled
from support.plant import Plant, shown_crossing_ns, wait_for
from watchedpot.outputs.web import static

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

SPEED = 10.0
FAULT_AT_S = 40.0  # some time after production begins, as the alarm asks for
LOW_C, ON_DELAY_S, POLL_S = 115.0, 15.0, 1.0  # of the nozzle, as the demonstration configures it
SETTLING_S = 2.0
"""Granted to recording, the stream (one state a second at most) and drawing, in real time. [s]"""

WARM_START = (
    ("radius_mm = 11.3", "timer_min = 0.1 #"),
    ("wall_w_per_m2_k = 90.0", "#"),
    ("tolerance_k = 2.0", "#"),
)
"""The scenario begins warm, which the daemon cannot know: it waits for a few seconds only."""


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    """One cell whose nozzle heater opens soon."""
    scenario = bundled()["nozzle_heater_open_opcua"].replace("at_s = 300.0", f"at_s = {FAULT_AT_S}")
    return Plant(tmp_path, scenario, speed=SPEED, lead_s=8.0, changes=WARM_START)


def test_from_the_crossing_to_the_page(page: Page, plant: Plant, seen: Seen) -> None:
    """A cold nozzle is on the page within poll, on-delay and 2 s; the link's loss within 5 s."""
    assert static.has_page()
    seen.allowed.append("Failed to load resource|ERR_")  # the daemon is ended at last
    with plant:
        plant.start_cells()
        daemon = plant.start_daemon()
        url = f"http://127.0.0.1:{plant.web_port}/"
        page.goto(url)
        row = page.locator("[data-cell=lens_4]")
        expect(row.locator(".mark")).to_have_count(2, timeout=30_000)
        page.evaluate(
            """() => new MutationObserver((_, watcher) => {
                const titles = [...document.querySelectorAll('[data-cell=lens_4] .alarm-title')];
                if (!titles.some((one) => one.textContent === 'Nozzle is too cold')) return;
                window.shownAt = Date.now();
                watcher.disconnect();
            }).observe(document.body, {childList: true, subtree: true, characterData: true})"""
        )
        expect(row.get_by_text("Nozzle is too cold")).to_be_visible(timeout=40_000)
        shown_ns = plant.start_ns + round(
            (page.evaluate("window.shownAt") * 1e6 - plant.start_ns) * SPEED
        )
        expect(row.locator(".word")).to_have_text("2HOLD")
        since_ns = plant.start_ns + round(FAULT_AT_S * 1e9)
        crossed_ns = shown_crossing_ns(
            plant, "lens_4", "nozzle", LOW_C, since_ns=since_ns, is_above=False
        )
        late_s = (shown_ns - crossed_ns) / 1e9
        print(f"\non the page {late_s:.1f} s of cell time after the sensor showed {LOW_C} degC")
        assert ON_DELAY_S - POLL_S <= late_s <= ON_DELAY_S + POLL_S + SETTLING_S * SPEED
        daemon.kill()
        wait_for(
            "the page says that the link is lost",
            lambda: page.locator(".banner.is-lost").count() == 1,
            within_s=5.0,
        )
        assert row.locator(".mark").count() == 0
