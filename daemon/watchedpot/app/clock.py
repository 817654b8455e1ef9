"""The only place that asks the time."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from typing import Protocol

from watchedpot.core.model import Instant
from watchedpot.core.units import NANO


class Clock(Protocol):
    """Tells and awaits cell time."""

    def now(self) -> Instant:
        """Return the present moment."""
        ...

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the monotonic clock; a moment gone by returns at once."""
        ...


@dataclass(frozen=True, slots=True)
class SystemClock:
    """Cell time is real time."""

    def now(self) -> Instant:
        """Return the present moment."""
        return Instant(time.time_ns(), time.monotonic_ns())

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the monotonic clock."""
        await asyncio.sleep(max(0.0, (mono_ns - time.monotonic_ns()) / NANO))


@dataclass(frozen=True, slots=True)
class FastClock:
    """Cell time runs ``speed`` times as fast as real time and agrees with it at ``start``.

    Before ``start`` it stands still. The simulator keeps the same rule, so polls, delays and
    stamps of both are in one time.
    """

    start_utc_ns: int
    speed: float
    _offset_ns: int = field(default_factory=lambda: time.time_ns() - time.monotonic_ns())

    def now(self) -> Instant:
        """Return the present moment of the cell."""
        gone_ns = max(0, time.monotonic_ns() + self._offset_ns - self.start_utc_ns)
        cell_ns = round(gone_ns * self.speed)
        return Instant(self.start_utc_ns + cell_ns, cell_ns)

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the cell."""
        due_ns = self.start_utc_ns + round(mono_ns / self.speed)
        real_ns = due_ns - time.monotonic_ns() - self._offset_ns
        await asyncio.sleep(max(0.0, real_ns / NANO))


@dataclass(frozen=True, slots=True)
class ContinuedClock:
    """A clock whose monotonic side goes on where an earlier run of the daemon stopped.

    The monotonic clock of a computer begins anew at each start of it. Between two runs only UTC
    is left to tell how long nobody watched; a step backwards of it counts as no time.
    """

    clock: Clock
    shift_ns: int

    def now(self) -> Instant:
        """Return the present moment."""
        at = self.clock.now()
        return Instant(at.utc_ns, at.mono_ns + self.shift_ns)

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the continued monotonic clock."""
        await self.clock.sleep_until(mono_ns - self.shift_ns)


def continued(clock: Clock, last: Instant | None) -> Clock:
    """The clock behind the last recorded moment; the clock itself in a new ledger."""
    if last is None:
        return clock
    at = clock.now()
    return ContinuedClock(clock, last.mono_ns + max(1, at.utc_ns - last.utc_ns) - at.mono_ns)
