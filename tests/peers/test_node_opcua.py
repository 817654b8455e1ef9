"""OPC UA against another library: its server read by our source, its client reading potsim.

Both scripts stand beside this file; what they need is installed once into a cache.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from support.peers import FOLDER, INSTALL_S, READY_S, Peer, node_modules, running, simulated
from support.running import Watch, free_port, is_good, is_missing, reasons, watching
from watchedpot.core.model import NO_TIME_NS, Block, Quality, Reason
from watchedpot.core.units import NANO
from watchedpot.sources import opcua
from watchedpot.sources.wiring import Conversion, OpcuaChannel, OpcuaSource, Unit, ValueType

pytestmark = [pytest.mark.integration, pytest.mark.timeout(90)]

URI = "urn:peer:cell"
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0)
WALL = OpcuaChannel("c/tank/wall", URI, "s=wall", ValueType.FLOAT32, CELSIUS)
TENTHS = OpcuaChannel(
    "c/tank/tenths", URI, "s=tenths", ValueType.INT16, Conversion(scale=0.1, unit=Unit.CELSIUS)
)
PARTS = OpcuaChannel("c/parts", URI, "s=parts", ValueType.UINT32)
PUMP = OpcuaChannel("c/pump", URI, "s=pump", ValueType.BOOL)
DOUBLE = OpcuaChannel("c/tank/double", URI, "s=double", ValueType.FLOAT64, CELSIUS)
ALL = (WALL, TENTHS, PARTS, PUMP, DOUBLE)


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest.fixture(scope="module")
def modules() -> Path:
    """Where node finds its packages."""
    return node_modules()


@pytest.mark.timeout(INSTALL_S + 30.0)
def test_what_the_scripts_need_can_be_installed(modules: Path) -> None:
    """The package manager's own client puts the pinned version there."""
    pinned = json.loads((FOLDER / "package.json").read_text("utf-8"))["dependencies"]["node-opcua"]
    there = json.loads((modules / "node-opcua" / "package.json").read_text("utf-8"))["version"]
    assert there == pinned


@asynccontextmanager
async def peer_server(port: int, keys: Path, modules: Path) -> AsyncIterator[Peer]:
    """The server with a good value in each variable."""
    script = FOLDER / "opcua_server.js"
    async with running(["node", script, str(port), keys], node=modules) as peer:
        for name, kind, value in (
            ("wall", "Float", 181.5),
            ("tenths", "Int16", 1655),
            ("parts", "UInt32", 4_000_000_000),
            ("pump", "Boolean", True),
            ("double", "Double", 180.1),
        ):
            await peer.tell(name=name, type=kind, value=value)
        yield peer


def source(port: int) -> OpcuaSource:
    """Source with short bounds."""
    return OpcuaSource(
        id="peer",
        url=f"opc.tcp://127.0.0.1:{port}/",
        channels=ALL,
        poll_period_s=0.1,
        connect_timeout_s=3.0,
        answer_timeout_s=1.0,
        reconnect_cap_s=0.3,
    )


def values(block: Block) -> dict[str, float]:
    """Values of a row of one."""
    return dict(zip(block.channels, block.value[0].tolist(), strict=True))


async def wall_becomes(watch: Watch, quality: Quality, reason: Reason) -> None:
    """Wait until the wall is so; meanwhile nothing else may change."""

    def is_so(block: Block) -> bool:
        return int(block.quality[0, 0]) == quality and int(block.reason[0, 0]) == reason

    block = await watch.until(is_so)
    assert (block.quality[0, 1:] == Quality.GOOD).all()
    assert np.isnan(block.value[0, 0]) == (quality > Quality.UNCERTAIN)


async def test_values_of_another_server_are_read_with_both_stamps(
    modules: Path, tmp_path: Path
) -> None:
    """Five types, and times of now."""
    port = free_port()
    async with (
        peer_server(port, tmp_path, modules),
        watching(opcua.poller, source(port)) as watch,
    ):
        block = await watch.until(is_good)
    assert values(block) == {
        WALL.name: 181.5,
        TENTHS.name: pytest.approx(165.5),
        PARTS.name: 4e9,
        PUMP.name: 1.0,
        DOUBLE.name: 180.1,
    }
    for stamps in (block.source_ns, block.server_ns):
        assert (stamps != NO_TIME_NS).all()
        assert (np.abs(stamps - time.time_ns()) < 20 * NANO).all()


async def test_faults_of_another_server_are_understood(modules: Path, tmp_path: Path) -> None:
    """Bad with a number beside it, both uncertains, nan, another type, a node that goes and comes.

    This server keeps the number beside a bad status on the wire, which ours does not.
    """
    port = free_port()
    async with (
        peer_server(port, tmp_path, modules) as peer,
        watching(opcua.poller, source(port)) as watch,
    ):
        await watch.until(is_good)
        for status, quality in (
            ("BadSensorFailure", Quality.BAD),
            ("UncertainSensorNotAccurate", Quality.UNCERTAIN),
            ("UncertainLastUsableValue", Quality.STALE),
            ("BadNoCommunication", Quality.STALE),
        ):
            await peer.tell(name="wall", type="Float", value=182.0, status=status)
            await wall_becomes(watch, quality, Reason.STATUS)
        await peer.tell(name="wall", type="Float", value="NaN")
        await wall_becomes(watch, Quality.BAD, Reason.NOT_FINITE)
        await peer.tell(name="wall", type="Int16", value=182)
        await wall_becomes(watch, Quality.BAD, Reason.TYPE)
        await peer.tell(name="wall", type="String", value="181,5")
        await wall_becomes(watch, Quality.BAD, Reason.TYPE)
        await peer.tell(name="wall", type="String", status="gone")
        await wall_becomes(watch, Quality.BAD, Reason.ADDRESS)
        await peer.tell(name="wall", type="Float", value=181.0)
        await watch.until(is_good)
    assert watch.poller.status().connections == 1


async def test_another_server_that_is_started_again_is_read_again(
    modules: Path, tmp_path: Path
) -> None:
    """Killed and started on the same port: missing in between, then as before."""
    port = free_port()
    async with watching(opcua.poller, source(port)) as watch:
        async with peer_server(port, tmp_path, modules):
            await watch.until(is_good, within_s=READY_S)
        await watch.until(is_missing)
        async with peer_server(port, tmp_path, modules):
            block = await watch.until(is_good, within_s=READY_S)
    assert values(block)[WALL.name] == 181.5
    assert reasons(block)[WALL.name] is Reason.NONE


def asked(modules: Path, keys: Path, port: int) -> dict[str, dict[str, object]]:
    """What another client reads of the simulated cell."""
    names = ("heartbeat", "syringe.temperature", "syringe.setpoint", "parts", "dispensing", "none")
    result = subprocess.run(
        [
            *("node", str(FOLDER / "opcua_client.js"), f"opc.tcp://127.0.0.1:{port}/potsim"),
            *(str(keys), "urn:potsim:plc", *(f"lens_4.{name}" for name in names)),
        ],
        capture_output=True,
        text=True,
        timeout=READY_S,
        env={**os.environ, "NODE_PATH": str(modules)},
        check=True,
    )
    answer = json.loads(next(line for line in result.stdout.splitlines() if line[0] == "{"))
    assert answer["state"] == 0  # Running, OPC UA Part 5, 12.6
    values: dict[str, dict[str, object]] = answer["values"]
    return {name.removeprefix("lens_4."): value for name, value in values.items()}


def test_the_simulator_is_read_by_another_client(modules: Path, tmp_path: Path) -> None:
    """Types, statuses and a heartbeat that moves, as its documentation says."""
    with simulated(tmp_path) as (opcua_port, _):
        first = asked(modules, tmp_path, opcua_port)
        second = asked(modules, tmp_path, opcua_port)
    assert {name: (value["type"], value["status"]) for name, value in first.items()} == {
        "heartbeat": ("UInt32", "Good"),
        "syringe.temperature": ("Float", "Good"),
        "syringe.setpoint": ("Float", "Good"),
        "parts": ("UInt32", "Good"),
        "dispensing": ("Boolean", "Good"),
        "none": ("Null", "BadNodeIdUnknown"),
    }
    assert second["heartbeat"]["value"] > first["heartbeat"]["value"]  # type: ignore[operator]
    assert 80.0 < float(str(first["syringe.temperature"]["value"])) < 140.0
