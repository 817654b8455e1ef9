"""The command line."""

from __future__ import annotations

import asyncio
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

import potsim
from potsim.__main__ import main

SIMULATOR = Path(potsim.__file__).parent.parent


def command(*arguments: str) -> list[str]:
    """The command in a process of its own, importing from the source tree."""
    code = "from potsim.__main__ import main; sys.exit(main())"
    path = f"import sys; sys.path.insert(0, {str(SIMULATOR)!r}); "
    return [sys.executable, "-c", path + code, *arguments]


def free_ports() -> tuple[str, str]:
    """Two ports that nobody listens on."""
    with socket.socket() as one, socket.socket() as two:
        one.bind(("127.0.0.1", 0))
        two.bind(("127.0.0.1", 0))
        return str(one.getsockname()[1]), str(two.getsockname()[1])


def test_the_list_names_every_bundled_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    """Name, length, cells and title."""
    assert main(["--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (typo,) = [line for line in lines if line.startswith("setpoint_typo_modbus ")]
    assert typo.split()[1:4] == ["1500", "s", "housing_7"]
    assert len(lines) >= 9


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        ([], "expected a scenario"),
        (["demo", "--speed", "601"], "expected 1 to 600, got 601"),
        (["demo", "--speed", "0.5"], "expected 1 to 600, got 0.5"),
        (["demo", "--start", "noon"], "noon"),
        (["demo", "--start", "2027-01-15T08:00:00"], "expected a time with an offset"),
    ],
)
def test_wrong_arguments_are_told(
    arguments: list[str], problem: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and what was expected."""
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    assert caught.value.code == 2
    assert problem in capsys.readouterr().err


def test_an_unknown_scenario_starts_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 1 and one line."""
    assert main(["no_such_scenario"]) == 1
    captured = capsys.readouterr()
    assert captured.err.startswith("potsim: scenario no_such_scenario: neither a bundled name")
    assert captured.err.count("\n") == 1
    assert captured.out == ""


@pytest.mark.integration
def test_help_imports_neither_protocol_library() -> None:
    """What makes help slow is not loaded for it."""
    code = (
        f"import sys; sys.path.insert(0, {str(SIMULATOR)!r})\n"
        "from potsim.__main__ import parser\n"
        "parser().format_help()\n"
        "heavy = {'asyncua', 'pymodbus', 'numpy'} & set(sys.modules)\n"
        "sys.exit(1 if heavy else 0)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.integration
async def test_a_run_says_when_it_is_ready_and_ends_by_itself(tmp_path: Path) -> None:
    """One line on stdout with both addresses; after for_s it ends with 0 and a whole log."""
    opcua, modbus = free_ports()
    process = await asyncio.create_subprocess_exec(
        *command("demo", "--speed", "600", "--for-s", "120", "--truth", str(tmp_path)),
        *("--opcua-port", opcua, "--modbus-port", modbus),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    async with asyncio.timeout(15.0):
        out, err = await process.communicate()
    assert out.decode() == (
        f"potsim ready opcua=opc.tcp://127.0.0.1:{opcua}/potsim modbus=127.0.0.1:{modbus}\n"
    )
    assert err == b""
    assert process.returncode == 0
    last = (tmp_path / "lens_4.csv").read_text(encoding="utf-8").splitlines()[-1]
    assert 100.0 <= float(last.split(",")[0]) <= 1000.0


@pytest.mark.integration
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_a_signal_ends_the_run_cleanly(number: signal.Signals) -> None:
    """Exit code 0, nothing on stderr."""
    _, modbus = free_ports()
    process = await asyncio.create_subprocess_exec(
        *command("setpoint_typo_modbus", "--modbus-port", modbus),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    async with asyncio.timeout(15.0):
        line = await process.stdout.readline()
        process.send_signal(number)
        _, err = await process.communicate()
    assert line.decode() == f"potsim ready modbus=127.0.0.1:{modbus}\n"
    assert err == b""
    assert process.returncode == 0


@pytest.mark.integration
async def test_a_taken_port_ends_the_command() -> None:
    """Exit code 1 and one line with the address."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        process = await asyncio.create_subprocess_exec(
            *command("setpoint_typo_modbus", "--modbus-port", port),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        async with asyncio.timeout(15.0):
            _, err = await process.communicate()
    assert process.returncode == 1
    assert err.decode() == f"potsim: modbus 127.0.0.1:{port}: cannot listen; choose another port\n"
