"""The simulator's Modbus server, read by a command line tool that stands on libmodbus."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator

import pytest

from support.peers import READY_S, needed, simulated

pytestmark = [pytest.mark.integration, pytest.mark.timeout(60)]


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """Where the simulator serves Modbus."""
    needed("mbpoll")
    with simulated(tmp_path_factory.mktemp("potsim")) as (_, modbus_port):
        yield modbus_port


def polled(port: int, kind: str, address: int, count: int = 1, *more: str) -> list[str]:
    """Texts of the values, or what the tool says is wrong."""
    unit = () if "-a" in more else ("-a", "1")
    result = subprocess.run(
        [
            *("mbpoll", "-m", "tcp", "-p", str(port), "-0", "-1", *unit, *more),
            *("-t", kind, "-r", str(address), "-c", str(count), "127.0.0.1"),
        ],
        capture_output=True,
        text=True,
        timeout=READY_S,
        check=False,
    )
    told = re.findall(r"^\[\d+\]:\s+(\S+)", result.stdout, re.MULTILINE)
    return told if result.returncode == 0 else [result.stdout + result.stderr]


def test_words_floats_and_long_counters_are_as_documented(port: int) -> None:
    """Tenths in one register, a float with its low word first, a counter with its high word first.

    The setpoints are those of the demonstration plant: 110, 115 and 120 degC.
    """
    assert [int(text) for text in polled(port, "4", 1)] == [1100]
    assert [int(text) for text in polled(port, "4", 4)] == [1150]
    assert [float(text) for text in polled(port, "4:float", 12)] == [120.0]
    (parts,) = polled(port, "4:int", 20, 1, "-B")
    (swapped,) = polled(port, "4:int", 20)
    assert int(parts) < 65_536
    assert int(swapped) == int(parts) * 65_536 or int(parts) == 0


def test_the_heartbeat_moves(port: int) -> None:
    """It counts one a scan, and a scan is a second."""
    (before,) = polled(port, "4", 24)
    time.sleep(2.2)
    (after,) = polled(port, "4", 24)
    assert 1 <= int(after) - int(before) <= 4


def test_bits_are_read(port: int) -> None:
    """Dispensing and wiped, each 0 or 1."""
    assert set(polled(port, "1", 0, 2)) <= {"0", "1"}
    assert len(polled(port, "1", 0, 2)) == 2


@pytest.mark.parametrize(
    ("kind", "address", "more", "expected"),
    [
        ("4", 6, (), "Illegal data address"),
        ("4", 200, (), "Illegal data address"),
        ("1", 2, (), "Illegal data address"),
        ("4", 0, ("-a", "2"), "Target device failed to respond"),
    ],
)
def test_what_is_not_there_is_refused_as_documented(
    port: int, kind: str, address: int, more: tuple[str, ...], expected: str
) -> None:
    """Exception 2 for an address, 11 for another unit, in the words of libmodbus."""
    (told,) = polled(port, kind, address, 1, *more)
    assert expected in told
