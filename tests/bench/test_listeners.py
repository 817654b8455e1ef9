"""Whether two hundred pages that listen make a poll late."""

from __future__ import annotations

import asyncio
import random
import statistics
import sys
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from bench.figures import Figures, percentile
from outputs import samples
from outputs.web.asking import ScriptedMetrics, at, make_snapshot
from support.devices import Plant
from support.running import RealClock
from watchedpot.core.model import Block, Instant, Reading
from watchedpot.core.snapshot import Snapshot
from watchedpot.outputs.web.app import Newest, create_app
from watchedpot.outputs.web.server import WebServer
from watchedpot.sources.base import Poller

pytestmark = [pytest.mark.bench, pytest.mark.timeout(120)]

LISTEN = Path(__file__).with_name("listen.py")
POLLERS, PERIOD_S = 20, 0.1
CELLS, PUBLISH_S, WATCH_S = 10, 0.25, 8.0
QUICK, SLOW = 190, 10


@dataclass
class Watched:
    """What came of one watch.

    Attributes
    ----------
    late_ms
        How late each poll was answered. [ms]
    events
        What the quick pages had together. [1]
    """

    late_ms: list[float]
    events: int = 0


def shown(number: int) -> Snapshot:
    """Ten cells, each time a little later."""
    cells = [
        replace(samples.make_cell(f"cell_{n}"), at=at(3599.0 + number / 4)) for n in range(CELLS)
    ]
    return replace(make_snapshot(), at=at(3599.0 + number / 4), cells=tuple(cells))


def poller(name: str, late_ms: list[float]) -> Poller:
    """Ten polls a second of a device that answers at once."""

    def note(_: Block) -> None:
        late_ms.append(1e3 * made.status().lateness_s)

    made = Poller(
        name,
        "scripted",
        (name,),
        Plant({name: Reading(120.0)}).device,
        clock=RealClock(),
        poll_period_s=PERIOD_S,
        connect_bound_s=1.0,
        read_bound_s=1.0,
        reconnect_cap_s=1.0,
        emit=note,
        report=lambda *_, **__: None,
        rng=random.Random(1),
    )
    return made


async def watch(quick: int, slow: int) -> Watched:
    """Polls, publications and pages, for some seconds."""
    number = 0

    def now() -> Instant:
        return at(3599.5 + number / 4)

    newest = Newest(shown(0), now, asyncio.get_running_loop().time)
    web = WebServer(create_app(newest, ScriptedMetrics()), shutdown_s=0.5)

    async def publish() -> None:
        nonlocal number
        while True:
            number += 1
            newest.publish(shown(number))
            await asyncio.sleep(PUBLISH_S)

    found = Watched([])
    pollers = [poller(f"device_{n}", found.late_ms) for n in range(POLLERS)]
    work = (web.serve("127.0.0.1", 0), newest.live.run(), publish(), *(p.run() for p in pollers))
    tasks = [asyncio.ensure_future(one) for one in work]
    await web.is_bound.wait()
    pages = await asyncio.create_subprocess_exec(
        *(sys.executable, str(LISTEN), str(web.port), str(quick), str(slow)),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert pages.stdout is not None
    assert await pages.stdout.readline() == b"ready\n"
    assert len(newest.live) == quick + slow
    found.late_ms.clear()
    await asyncio.sleep(WATCH_S)
    late_ms = list(found.late_ms)
    told, _ = await pages.communicate(b"")
    newest.live.close()
    for task in tasks:
        task.cancel()
    for task in tasks:
        with suppress(asyncio.CancelledError):
            await task
    return Watched(late_ms, int(told))


def test_pages_that_listen_make_no_poll_late(figures: Figures) -> None:
    """The same polls without and with 200 pages, ten of which never read: every page is told."""
    alone, crowded = asyncio.run(watch(0, 0)), asyncio.run(watch(QUICK, SLOW))
    for name, found in (("without a page", alone), (f"with {QUICK + SLOW} pages", crowded)):
        label = f"lateness of {POLLERS / PERIOD_S:g} polls a second {name}"
        figures.add(f"{label}, median", statistics.median(found.late_ms), "ms")
        figures.add(f"{label}, 99 of 100", percentile(found.late_ms, 0.99), "ms")
        figures.keep(f"{label}, most", max(found.late_ms), "ms", below=100.0)
    figures.reach(
        "events a second to each page", crowded.events / QUICK / WATCH_S, "1/s", target=0.8
    )
    polls = POLLERS * WATCH_S / PERIOD_S
    assert alone.events == 0
    assert len(crowded.late_ms) > 0.9 * polls
    assert crowded.events >= 0.5 * QUICK * WATCH_S
