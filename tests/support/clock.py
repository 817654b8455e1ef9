"""Time that a test owns: a loop that jumps instead of waiting, and a clock that follows it."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

from watchedpot.core.model import Instant
from watchedpot.core.units import ns, seconds

T = TypeVar("T")

START_UTC_NS = 1_767_225_600_000_000_000
"""2026-01-01T00:00:00 UTC [ns]."""


class _JumpingSelector(selectors.DefaultSelector):
    """Lets the whole timeout pass at once, since no test on it waits for a real file."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Advance the time instead of waiting."""
        if timeout is None:
            msg = "every task waits for something that no timer will bring"
            raise RuntimeError(msg)
        self.now_s += max(0.0, timeout)
        return super().select(0.0)


class VirtualLoop(asyncio.SelectorEventLoop):
    """Event loop whose time starts at 0 and jumps from timer to timer."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Return the virtual time in seconds."""
        return self._jumping.now_s


def run_virtual(main: Coroutine[Any, Any, T]) -> T:
    """Result of a coroutine whose every wait takes no real time."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)


class FakeClock:
    """Cell time that follows a virtual loop, ``speed`` times as fast, and ``advance``."""

    def __init__(self, *, start_utc_ns: int = START_UTC_NS, speed: float = 1.0) -> None:
        self._start_utc_ns = start_utc_ns
        self._speed = speed
        self._advanced_ns = 0

    def now(self) -> Instant:
        """Return the present moment of the cell."""
        mono_ns = self._advanced_ns + ns(_loop_s() * self._speed)
        return Instant(self._start_utc_ns + mono_ns, mono_ns)

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the cell, in a virtual loop."""
        gone_s = seconds(mono_ns - self.now().mono_ns) / self._speed
        await asyncio.sleep(max(0.0, gone_s))

    def advance(self, duration_s: float) -> None:
        """Let cell time pass, or jump if a loop runs."""
        self._advanced_ns += ns(duration_s)


def _loop_s() -> float:
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        return 0.0
    return loop.time() if isinstance(loop, VirtualLoop) else 0.0
