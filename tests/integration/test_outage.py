"""The controllers go away and come back: nothing is shown that is not read, nor credited."""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import numpy as np
import pytest

from support import account
from support.plant import CELLS, Plant, Scrape, wait_for
from watchedpot.core.model import EventKind, Quality

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

POLL_S = 1.0
RECOVERY_S = 10.0
TEMPERATURE = "watchedpot_heat_zone_temperature_celsius"
SEEN = ("below", "inside", "above")


def shows_all(scrape: Scrape, plant: Plant) -> bool:
    """Whether every zone of both cells has a temperature."""
    zones = sum(len(cell.zones) for cell in plant.configuration.cells)
    return len(scrape.values(TEMPERATURE)) == zones


def seen_s(scrape: Scrape) -> float:
    """Seen seconds of all zones together."""
    return sum(scrape.total("watchedpot_heat_zone_seconds_total", range=side) for side in SEEN)


def blind_s(scrape: Scrape) -> float:
    """Blind seconds of all zones together."""
    return scrape.total("watchedpot_heat_zone_seconds_total", range="blind")


def recovery_s(plant: Plant) -> float:
    """Real seconds until every temperature is shown."""
    return wait_for(
        "every temperature to be shown",
        lambda: shows_all(plant.metrics(), plant),
        within_s=RECOVERY_S,
    )


@pytest.mark.parametrize(
    "outages",
    [1, pytest.param(10, marks=[pytest.mark.soak, pytest.mark.timeout(600)])],
)
def test_controllers_that_come_late_go_and_come_back(tmp_path: Path, outages: int) -> None:
    """On real time: a start without controllers, then outages of both protocols at once.

    The daemon starts and serves by itself; a lost controller is missing within three polls and
    its temperatures leave /metrics while their age stays; each recovery takes at most 10 s; and
    nothing between the last good reading and the first one after it is credited as seen.
    """
    with Plant(tmp_path, "healthy_shift") as plant:
        daemon = plant.start_daemon()
        wait_for("a poll", lambda: plant.metrics().total("watchedpot_source_polls_total") >= 2)
        scrape = plant.metrics()
        assert not scrape.values(TEMPERATURE)
        assert scrape.total("watchedpot_source_up") == 0
        assert scrape.total("watchedpot_heat_zone_quality", quality="missing") == 5

        cells = plant.start_cells()
        recoveries_s = [recovery_s(plant)]
        losses_ns, gone_s = [], []
        for _ in range(outages):
            time.sleep(3.0)
            losses_ns.append(time.time_ns())
            cells.kill()
            gone_s.append(
                wait_for(
                    "the temperatures to be gone",
                    lambda: not plant.metrics().values(TEMPERATURE),
                    within_s=3 * POLL_S + 0.5,
                )
            )
            before = plant.metrics()
            time.sleep(4.0)
            after = plant.metrics()
            assert not after.values(TEMPERATURE)
            assert seen_s(after) == seen_s(before)
            assert blind_s(after) > blind_s(before) + 5 * 2.0
            stamps = after.values("watchedpot_heat_zone_last_good_timestamp_seconds")
            assert len(stamps) == 5
            assert all(0.0 < losses_ns[-1] / 1e9 - stamp <= 2 * POLL_S for stamp in stamps)
            cells = plant.start_cells()
            recoveries_s.append(recovery_s(plant))
        time.sleep(2.0)
        assert daemon.stop() == 0

        missing_s = [late for cell in CELLS for late in missing_after(plant, cell, losses_ns)]
        for rules in plant.configuration.cells:
            for zone in rules.zones:
                name = f"{rules.id}/{zone.id}/temperature"
                seen = account.readings(plant.blocks(rules.id), name)
                due = account.account(
                    seen, low_c=zone.low_c, high_c=zone.high_c, max_gap_s=zone.max_gap_s
                )
                state = next(one for one in plant.state(rules.id).zones if one.id == zone.id)
                found_s = sum(exposure.blind_ns for exposure in state.account) / 1e9
                assert found_s == pytest.approx(due.blind_s, abs=1e-6)
                assert found_s >= sum(gaps_s(seen, losses_ns))
        lost = plant.events(EventKind.SOURCE_LOST)
        assert len(lost) == 2 * (outages + 1)
        assert all(event.detail("problem") for event in lost)
        print(
            f"\nmissing after: median {statistics.median(missing_s):.2f} s, worst"
            f" {max(missing_s):.2f} s; gone from /metrics: median"
            f" {statistics.median(gone_s):.2f} s, worst {max(gone_s):.2f} s; recovered in: median"
            f" {statistics.median(recoveries_s):.2f} s, worst {max(recoveries_s):.2f} s"
        )


def missing_after(plant: Plant, cell: str, losses_ns: list[int]) -> list[float]:
    """How long after each loss the first row of nothing came [s]; within three polls."""
    blocks = plant.blocks(cell)
    at_ns = np.concatenate([block.seen_ns for block in blocks])
    is_missing = np.concatenate(
        [(block.quality == Quality.MISSING).all(axis=1) for block in blocks]
    )
    late_s = [float(at_ns[(at_ns > loss) & is_missing][0] - loss) / 1e9 for loss in losses_ns]
    assert max(late_s) <= 3 * POLL_S
    return late_s


def gaps_s(seen: account.Readings, losses_ns: list[int]) -> list[float]:
    """From the last good reading before each loss to the first one after it [s]."""
    good_ns = seen.utc_ns[seen.is_good]
    found = []
    for loss_ns in losses_ns:
        last = int(np.searchsorted(good_ns, loss_ns)) - 1
        found.append(float(good_ns[last + 1] - good_ns[last]) / 1e9)
    assert all(gap_s >= 4.0 for gap_s in found)
    return found
