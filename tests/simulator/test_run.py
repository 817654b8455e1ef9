"""The run: every scan is played, none twice, and links follow the world."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path

from potsim.clock import NS_PER_S, CellClock
from potsim.plants import Wire
from potsim.run import Run, Settings
from potsim.scenarios import load, parse
from potsim.world import Link, World

START_NS = 1_800_000_000 * NS_PER_S


@dataclass
class FakeTime:
    """Real time that moves only when told."""

    ns: int = START_NS

    def __call__(self) -> int:
        """Real time. [ns]."""
        return self.ns


@dataclass
class FakeServer:
    """Keeps the links it was brought into."""

    links: list[Link] = field(default_factory=list)
    is_closed: bool = False

    async def set_link(self, link: Link) -> None:
        """Note a change."""
        if not self.links or self.links[-1] is not link:
            self.links.append(link)

    async def close(self) -> None:
        """Note the end."""
        self.is_closed = True


def a_run(settings: Settings, real: FakeTime, *, text: str | None = None) -> tuple[Run, FakeServer]:
    """A run whose servers and time are fakes."""
    scenario = load("demo") if text is None else parse(text, "fake")
    run = Run(scenario, settings)
    run.clock = CellClock(START_NS, settings.speed, real)
    run.world = World(scenario, start_ns=START_NS, truth=settings.truth)
    server = FakeServer()
    run.servers[Wire.OPCUA] = server
    return run, server


async def test_no_scan_is_skipped_after_a_stall() -> None:
    """Ten real seconds at speed 60 are 1200 scans, also when nobody looked meanwhile."""
    real = FakeTime()
    run, _ = a_run(Settings(speed=60.0), real)
    real.ns += 10 * NS_PER_S
    await run.catch_up(None)
    assert run.world.scans == 1200
    assert run.world.cells["lens_4"].panel.t_ns == START_NS + 600 * NS_PER_S


async def test_before_the_start_the_world_stands_still() -> None:
    """A start that lies ahead holds every scan back."""
    real = FakeTime(START_NS - 5 * NS_PER_S)
    run, _ = a_run(Settings(speed=60.0), real)
    await run.catch_up(None)
    assert run.world.scans == 0
    assert run.world.cells["lens_4"].panel.heartbeat == 1


async def test_the_same_instant_plays_no_scan_twice() -> None:
    """Time that does not move moves nothing."""
    real = FakeTime(START_NS + NS_PER_S)
    run, _ = a_run(Settings(), real)
    await run.catch_up(None)
    await run.catch_up(None)
    assert run.world.scans == 2


async def test_a_link_loss_is_passed_on_even_when_it_is_over_already() -> None:
    """Catching up across a whole loss still cuts and restores the link."""
    real = FakeTime()
    text = """
title = "short loss"
end_s = 60.0
[cells.lens_4]
faults = [{what = "link_loss", at_s = 10.0, for_s = 5.0}]
"""
    run, server = a_run(Settings(speed=60.0), real, text=text)
    real.ns += NS_PER_S
    await run.catch_up(None)
    assert server.links == [Link.UP, Link.DROPPED, Link.UP]


async def test_the_run_ends_at_the_scenario_time_asked_for(tmp_path: Path) -> None:
    """until_s = 30 plays 60 scans, writes them and returns."""
    real = FakeTime(START_NS + 100 * NS_PER_S)
    run, server = a_run(Settings(until_s=30.0, truth=tmp_path), real)
    await run.play(asyncio.Event())
    assert run.world.scans == 60
    lines = (tmp_path / "lens_4.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1 + 61
    await run.close()
    assert server.is_closed


async def test_the_length_counts_from_when_the_run_is_ready() -> None:
    """for_s begins now, or at a start that lies ahead; the earlier end wins."""
    real = FakeTime(START_NS + 10 * NS_PER_S)
    run, _ = a_run(Settings(for_s=5.0), real)
    assert run.end_ns() == START_NS + 15 * NS_PER_S
    real.ns = START_NS - 10 * NS_PER_S
    assert run.end_ns() == START_NS + 5 * NS_PER_S
    both, _ = a_run(Settings(for_s=5.0, until_s=3.0), real)
    assert both.end_ns() == START_NS + 3 * NS_PER_S
    endless, _ = a_run(Settings(), real)
    assert endless.end_ns() is None


async def test_a_stop_ends_the_run() -> None:
    """A set event ends play before another scan."""
    real = FakeTime(START_NS + 100 * NS_PER_S)
    run, _ = a_run(Settings(), real)
    stop = asyncio.Event()
    stop.set()
    await run.play(stop)
    assert run.world.scans == 0
