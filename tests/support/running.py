"""A poller at work on real sockets, and what came out of it."""

from __future__ import annotations

import asyncio
import random
import socket
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from watchedpot.core.model import Block, Instant, Quality, Reason
from watchedpot.core.units import NANO
from watchedpot.sources.base import Poller


class RealClock:
    """Cell time is real time."""

    def now(self) -> Instant:
        """Return the present moment."""
        return Instant(time.time_ns(), time.monotonic_ns())

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the monotonic clock."""
        await asyncio.sleep(max(0.0, (mono_ns - time.monotonic_ns()) / NANO))


@dataclass
class Watch:
    """Rows and reports of one poller, as they come."""

    poller: Poller = field(init=False)
    blocks: list[Block] = field(default_factory=list)
    reports: list[tuple[str, dict[str, object]]] = field(default_factory=list)
    _news: asyncio.Event = field(default_factory=asyncio.Event)

    def take(self, block: Block) -> None:
        """Keep a row and wake whoever waits for it."""
        self.blocks.append(block)
        self._news.set()

    def hear(self, name: str, /, **fields: object) -> None:
        """Keep a report."""
        self.reports.append((name, fields))

    async def until(self, wanted: Callable[[Block], bool], *, within_s: float = 5.0) -> Block:
        """First row from now on that is as wanted."""
        seen = len(self.blocks)
        async with asyncio.timeout(within_s):
            while True:
                for block in self.blocks[seen:]:
                    if wanted(block):
                        return block
                seen = len(self.blocks)
                self._news.clear()
                await self._news.wait()


def is_good(block: Block) -> bool:
    """Whether every channel of the newest row is good."""
    return bool((block.quality == Quality.GOOD).all())


def is_missing(block: Block) -> bool:
    """Whether the row brought nothing."""
    return bool((block.quality == Quality.MISSING).all())


def reasons(block: Block) -> dict[str, Reason]:
    """Reason of each channel of a row of one."""
    return {
        name: Reason(reason) for name, reason in zip(block.channels, block.reason[0], strict=True)
    }


@asynccontextmanager
async def watching(make: Callable[..., Poller], source: object) -> AsyncIterator[Watch]:
    """Run a poller, made by a room's factory, for as long as the body takes."""
    watch = Watch()
    watch.poller = make(
        source, clock=RealClock(), emit=watch.take, report=watch.hear, rng=random.Random(1)
    )
    task = asyncio.ensure_future(watch.poller.run())
    try:
        yield watch
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def free_port() -> int:
    """Port on loopback on which nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
