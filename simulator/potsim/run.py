"""One run: world, clock and servers, until told to stop."""

from __future__ import annotations

import asyncio
import signal
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from potsim.clock import NS_PER_S, CellClock
from potsim.plants import Wire
from potsim.scenarios import Scenario
from potsim.serve_modbus import ModbusServer
from potsim.serve_opcua import OpcUaServer
from potsim.world import Link, World

MIN_NAP_S = 0.002  # shorter naps cost more than they are worth at high speed
SCANS_PER_TURN = 40  # scans between two turns of the servers when catching up


class Served(Protocol):
    """A server whose network link can fail."""

    async def set_link(self, link: Link) -> None:
        """Bring the link into a state."""

    async def close(self) -> None:
        """Close everything."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the command line decides.

    Parameters
    ----------
    speed : float
        Cell seconds per real second. [1]
    start_ns : int or None
        Real instant of t = 0; None for as soon as the servers are ready. [ns]
    seed : int or None
        Instead of the scenario's.
    truth : Path or None
        Folder of the truth log.
    host : str
        Address to listen on.
    opcua_port, modbus_port : int
        Ports.
    for_s : float or None
        Cell seconds from the moment the servers are ready. [s]
    until_s : float or None
        Scenario time at which to stop. [s]
    """

    speed: float = 1.0
    start_ns: int | None = None
    seed: int | None = None
    truth: Path | None = None
    host: str = "127.0.0.1"
    opcua_port: int = 48440
    modbus_port: int = 15020
    for_s: float | None = None
    until_s: float | None = None


class Run:
    """Everything of one run.

    Parameters
    ----------
    scenario : Scenario
        What happens.
    settings : Settings
        What the command line decided.
    """

    def __init__(self, scenario: Scenario, settings: Settings) -> None:
        self.scenario = scenario
        self.settings = settings
        self.servers: dict[Wire, Served] = {}
        self.world: World
        self.clock: CellClock

    async def open(self) -> str:
        """Start world and servers.

        Returns
        -------
        str
            The line that says where they are.

        Raises
        ------
        ServeError
            An address cannot be had.
        """
        settings = self.settings
        plants = {script.plant.wire: script.plant for script in self.scenario.cells}
        opcua = modbus = None
        if (plant := plants.get(Wire.OPCUA)) is not None:
            name = plant.name
            opcua = OpcUaServer(
                plant,
                host=settings.host,
                port=settings.opcua_port,
                panel=lambda: self.world.cells[name].panel,
                clock=lambda: self.clock,
            )
            await opcua.prepare()
        start_ns = time.time_ns() if settings.start_ns is None else settings.start_ns
        self.clock = CellClock(start_ns, settings.speed)
        self.world = World(
            self.scenario, start_ns=start_ns, seed=settings.seed, truth=settings.truth
        )
        places = ["potsim ready"]
        if opcua is not None:
            await opcua.listen()
            self.servers[Wire.OPCUA] = opcua
            places.append(f"opcua={opcua.url}")
        if (plant := plants.get(Wire.MODBUS)) is not None:
            other = plant.name
            modbus = ModbusServer(
                host=settings.host,
                port=settings.modbus_port,
                panel=lambda: self.world.cells[other].panel,
            )
            await modbus.listen()
            self.servers[Wire.MODBUS] = modbus
            places.append(f"modbus={modbus.address}")
        return " ".join(places)

    def end_ns(self) -> int | None:
        """Cell time at which to stop, None for never. [ns]."""
        ends = []
        if self.settings.for_s is not None:
            from_ns = max(self.clock.now_ns(), self.clock.start_ns)
            ends.append(from_ns + round(self.settings.for_s * NS_PER_S))
        if self.settings.until_s is not None:
            ends.append(self.clock.start_ns + round(self.settings.until_s * NS_PER_S))
        return min(ends, default=None)

    async def play(self, stop: asyncio.Event) -> None:
        """Advance the world until the end or until ``stop`` is set.

        Waits for the clock between scans; never skips one.

        Parameters
        ----------
        stop : Event
            Ends the run.
        """
        end_ns = self.end_ns()
        while not stop.is_set():
            await self.catch_up(end_ns)
            if end_ns is not None and self.world.next_ns > end_ns:
                return
            nap_s = max(MIN_NAP_S, self.clock.real_s_until(self.world.next_ns))
            with suppress(TimeoutError):
                async with asyncio.timeout(nap_s):
                    await stop.wait()

    async def catch_up(self, end_ns: int | None) -> None:
        """Run every scan that is due, letting the servers answer in between.

        Parameters
        ----------
        end_ns : int or None
            No scan after this cell time. [ns]
        """
        world = self.world
        until_ns = self.clock.now_ns() if end_ns is None else min(self.clock.now_ns(), end_ns)
        if world.next_ns > until_ns:
            return
        scans = 0
        while world.next_ns <= until_ns:
            world.scan()
            for wire, server in self.servers.items():
                await server.set_link(world.link(wire))
            scans += 1
            if scans % SCANS_PER_TURN == 0:
                await asyncio.sleep(0)
        world.flush()

    async def close(self) -> None:
        """Close servers and truth log."""
        for server in self.servers.values():
            await server.close()
        if hasattr(self, "world"):
            self.world.close()


async def run(scenario: Scenario, settings: Settings) -> None:
    """Play a scenario until its end or a signal, and say when the servers are ready.

    Parameters
    ----------
    scenario : Scenario
        What happens.
    settings : Settings
        What the command line decided.

    Raises
    ------
    ServeError
        An address cannot be had.
    """
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    this = Run(scenario, settings)
    try:
        line = await this.open()
        print(line, flush=True)  # noqa: T201  (a starting program waits for this line)
        await this.play(stop)
    finally:
        await this.close()
