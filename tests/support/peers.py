"""Programs on other libraries than ours, compiled or installed when a test first needs them."""

from __future__ import annotations

import asyncio
import fcntl
import hashlib
import json
import os
import shutil
import socket
import subprocess
import sys
import tty
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from functools import partial
from pathlib import Path

import pytest

from support.plant import Program, wait_for
from support.running import free_port

FOLDER = Path(__file__).resolve().parents[1] / "peers"
CACHE = Path.home() / ".cache" / "watchedpot-peers"
INSTALL_S = 240.0
"""Bound of an installation, once per change of package.json [s]."""
READY_S = 20.0
"""Bound of a start and of each answer [s]."""


def needed(*programs: str) -> None:
    """Skip the test where a program is not there."""
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"this machine cannot: run {program}, which is not installed")


def compiled(folder: Path) -> Path:
    """Our Modbus server on libmodbus, compiled without a warning; skips where that cannot be."""
    needed("gcc", "pkg-config")
    asked = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"],
        capture_output=True,
        text=True,
        check=False,
    )
    if asked.returncode:
        pytest.skip("this machine cannot: compile against libmodbus, whose headers are not there")
    program = folder / "modbus_server"
    flags = ["-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O1"]
    source = str(FOLDER / "modbus_server.c")
    subprocess.run(["gcc", *flags, "-o", str(program), source, *asked.stdout.split()], check=True)
    return program


def node_modules() -> Path:
    """Where node finds what our scripts need; installed once for each content of package.json."""
    needed("node", "npm")
    package = FOLDER / "package.json"
    home = CACHE / hashlib.sha256(package.read_bytes()).hexdigest()[:12]
    home.mkdir(parents=True, exist_ok=True)
    with _alone(home / "lock"):
        done = home / "installed"
        if not done.exists():
            shutil.copy(package, home)
            command = ["npm", "install", "--ignore-scripts", "--no-audit", "--no-fund"]
            result = subprocess.run(
                command, cwd=home, capture_output=True, text=True, timeout=INSTALL_S, check=False
            )
            if result.returncode:
                pytest.skip(f"this machine cannot: npm install ({result.stderr.strip()[-200:]})")
            done.touch()
    return home / "node_modules"


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Only one process at a time."""
    with path.open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


class Peer:
    """A program that answers lines with lines."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process

    async def hear(self, wanted: str) -> None:
        """Wait for a line; other lines before it are passed over."""
        assert self._process.stdout is not None
        async with asyncio.timeout(READY_S):
            while (line := await self._process.stdout.readline()).decode().strip() != wanted:
                assert line, f"the peer ended before it said {wanted}"

    async def tell(self, **fields: object) -> None:
        """Say one thing and wait until it is done."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(fields).encode() + b"\n")
        await self.hear("done")

    async def end(self) -> None:
        """End it as a power failure would."""
        if self._process.returncode is None:
            self._process.kill()
        await self._process.wait()


@asynccontextmanager
async def running(
    command: Sequence[str | Path], *, node: Path | None = None
) -> AsyncIterator[Peer]:
    """A peer that has said that it is ready; it is ended with the block.

    Parameters
    ----------
    command
        Program and arguments.
    node
        What ``node_modules`` gave, for a script.
    """
    environment = {**os.environ, **({"NODE_PATH": str(node)} if node else {})}
    process = await asyncio.create_subprocess_exec(
        *map(str, command),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        env=environment,
    )
    peer = Peer(process)
    try:
        await peer.hear("ready")
        yield peer
    finally:
        await peer.end()
        if process.stdin is not None:
            process.stdin.close()
        # The transport of a killed process ends with the next turn of the loop.
        await asyncio.sleep(0)


@asynccontextmanager
async def serial_line(folder: Path) -> AsyncIterator[tuple[Path, Path]]:
    """A serial line between two ports, made of two pseudo terminals; the names of its ends."""
    loop = asyncio.get_running_loop()
    ends = [os.openpty(), os.openpty()]
    paths = (folder / "tty_near", folder / "tty_far")
    for (_, port), path in zip(ends, paths, strict=True):
        tty.setraw(port)
        path.symlink_to(os.ttyname(port))
    masters = [master for master, _ in ends]
    for here, there in (masters, masters[::-1]):
        loop.add_reader(here, _carry, here, there)
    try:
        yield paths
    finally:
        for master in masters:
            loop.remove_reader(master)
        for descriptor in (*masters, *(port for _, port in ends)):
            os.close(descriptor)


def _carry(here: int, there: int) -> None:
    os.write(there, os.read(here, 4096))


@contextmanager
def simulated(folder: Path) -> Iterator[tuple[int, int]]:
    """The simulator as a program of its own; its ports of OPC UA and Modbus."""
    opcua_port, modbus_port = free_port(), free_port()
    ports = ["--opcua-port", str(opcua_port), "--modbus-port", str(modbus_port)]
    command = [sys.executable, "-m", "potsim", "healthy_shift", *ports]
    simulator = Program(command, folder / "potsim.log")
    try:
        for port in (opcua_port, modbus_port):
            wait_for("the simulator to listen", partial(listens, port))
        yield opcua_port, modbus_port
    finally:
        simulator.stop()


def listens(port: int) -> bool:
    """Whether something accepts connections there."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
