"""The scripted OPC UA server as a program, as somebody runs it who tries a client out."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from support.opcua_bench import messages, service_of, with_request_id
from support.running import free_port
from watchedpot.core.model import Quality, Reason
from watchedpot.errors import SourceSlotTaken
from watchedpot.sources import opcua
from watchedpot.sources.wiring import OpcuaChannel, OpcuaSource, ValueType

pytestmark = pytest.mark.integration

ROOT = Path(__file__).parents[2]
PROGRAM = ROOT / "tests" / "support" / "opcua_bench.py"


@asynccontextmanager
async def running(*arguments: str) -> AsyncIterator[str]:
    """The program, as long as the body takes; gives its first line."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        str(PROGRAM),
        *arguments,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    try:
        yield (await process.stdout.readline()).decode()
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


def source(port: int, *names: str) -> OpcuaSource:
    """Source of Float variables of the program."""
    channels = tuple(
        OpcuaChannel(f"cell/{name}", "urn:demo:plant", f"s={name}", ValueType.FLOAT32)
        for name in names
    )
    return OpcuaSource("plc", f"opc.tcp://127.0.0.1:{port}/", channels)


async def test_it_explains_itself() -> None:
    """--help ends well and names what can be asked for."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, str(PROGRAM), "--help", stdout=asyncio.subprocess.PIPE
    )
    told, _ = await process.communicate()
    assert process.returncode == 0
    for option in (b"--status", b"--type", b"--wait", b"--most", b"--refuse-sessions"):
        assert option in told


async def test_it_serves_faults_as_it_was_told() -> None:
    """A good value, one of bad status, one of another type, in a namespace after another one."""
    port = free_port()
    arguments = (
        *("--port", str(port), "--uri", "urn:demo:other", "--uri", "urn:demo:plant"),
        *("--value", "wall=110.5", "--value", "tip=99", "--value", "hose=7", "--most", "2"),
        *("--status", "tip=BadSensorFailure", "--type", "hose=Int16"),
    )
    async with running(*arguments) as line:
        assert "serves urn:demo:other, urn:demo:plant" in line
        wall, tip, hose = await opcua.probe(source(port, "wall", "tip", "hose"))
    assert (wall.reading.value, wall.reading.quality) == (110.5, Quality.GOOD)
    assert (tip.reading.reason, hose.reading.reason) == (Reason.STATUS, Reason.TYPE)
    assert hose.raw == "Int16 7, Good"


async def test_it_refuses_sessions_as_it_was_told() -> None:
    """The code that was named comes out at the client."""
    port = free_port()
    async with running("--port", str(port), "--refuse-sessions", "BadTooManySessions"):
        with pytest.raises(SourceSlotTaken):
            await opcua.probe(source(port, "wall"))


def test_messages_are_told_apart() -> None:
    """Two whole messages and a piece: the piece is left (header by OPC UA Part 6, 7.1.2)."""
    whole = b"MSGF" + (32).to_bytes(4, "little") + bytes(16) + b"\x01\x00\x77\x02" + bytes(4)
    assert messages(whole + whole + whole[:20]) == [whole, whole]
    assert service_of(whole) == 631
    assert service_of(b"ACKF" + whole[4:]) is None
    assert int.from_bytes(with_request_id(whole, 4711)[20:24], "little") == 4711
