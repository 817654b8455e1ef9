"""A device that does what a test tells it, and the contract that it shares with real ones."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from watchedpot.core.model import Reading
from watchedpot.errors import SourceUnreachable
from watchedpot.sources.base import Device


@dataclass
class Plant:
    """What the far end does, over all connections to it; a test changes it at will.

    Attributes
    ----------
    connect_s, read_s, close_s
        How long each step takes. [s]
    connect_error, read_error
        Raised at the end of the step, if any.
    opened, closed
        Connections whose opening began, and those that are closed.
    certificate_expires_ns
        What the next connection says of its certificates. [ns]
    """

    readings: dict[str, Reading]
    connect_s: float = 0.0
    read_s: float = 0.0
    close_s: float = 0.0
    connect_error: Exception | None = None
    read_error: Exception | None = None
    opened: int = 0
    closed: int = 0
    certificate_expires_ns: int | None = None
    opened_at_s: list[float] = field(default_factory=list)

    def device(self) -> ScriptedDevice:
        """Make the device of a new connection."""
        return ScriptedDevice(self)

    def later(self, at_s: float, **changes: object) -> None:
        """Change attributes at a moment of the running loop."""

        def change() -> None:
            for name, value in changes.items():
                setattr(self, name, value)

        asyncio.get_running_loop().call_at(at_s, change)


class ScriptedDevice:
    """One connection to a plant."""

    def __init__(self, plant: Plant) -> None:
        self.requests = 0
        self.certificate_expires_ns = plant.certificate_expires_ns
        self._plant = plant
        self._is_open = False

    async def connect(self) -> None:
        """Take as long as the plant says, then succeed or not."""
        plant = self._plant
        self._is_open = True
        plant.opened += 1
        plant.opened_at_s.append(asyncio.get_running_loop().time())
        await asyncio.sleep(plant.connect_s)
        if plant.connect_error is not None:
            raise plant.connect_error

    async def read(self) -> dict[str, Reading]:
        """Return the plant's readings after as long as it says."""
        plant = self._plant
        if not self._is_open:
            raise SourceUnreachable("scripted", "read without a connection")
        self.requests += 1
        await asyncio.sleep(plant.read_s)
        if plant.read_error is not None:
            raise plant.read_error
        return dict(plant.readings)

    async def close(self) -> None:
        """Close, even when cancelled meanwhile."""
        if not self._is_open:
            return
        self._is_open = False
        try:
            await asyncio.sleep(self._plant.close_s)
        finally:
            self._plant.closed += 1


async def keeps_contract(make_device: Callable[[], Device], channels: Sequence[str]) -> None:
    """Hold a device with a willing peer to what pollers rely on."""
    unused = make_device()
    await unused.close()

    device = make_device()
    await device.connect()
    readings = await device.read()
    assert set(readings) == set(channels)
    await device.close()
    await device.close()
    try:
        await device.read()
    except SourceUnreachable:
        pass
    else:
        msg = "a closed device still reads"
        raise AssertionError(msg)
