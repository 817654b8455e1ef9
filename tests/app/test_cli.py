"""The commands: what they print and how they end."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from support.clock import START_UTC_NS, FakeClock
from watchedpot.app import cli, daemon, log
from watchedpot.app.cli import main
from watchedpot.app.clock import Clock, FastClock, SystemClock
from watchedpot.app.config import Configuration
from watchedpot.core.model import Quality, Reading, Reason, not_good
from watchedpot.errors import ConfigError, SourceUnreachable, WatchedpotError
from watchedpot.outputs.ledger import Ledger
from watchedpot.sources import modbus, opcua
from watchedpot.sources.base import ProbedChannel
from watchedpot.sources.wiring import ModbusSource, OpcuaSource, WordOrder

DEMO = Path(__file__).parents[2] / "config" / "demo.toml"
GOOD = Reading(120.25, source_ns=START_UTC_NS, server_ns=START_UTC_NS + 1_500_000)


@pytest.fixture(autouse=True)
def _log_stays_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """No command changes the log of the tests that follow."""
    monkeypatch.setattr(log, "configure", lambda *_: None)


def test_the_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """As argparse does, with exit code 0."""
    with pytest.raises(SystemExit, match="0"):
        main(["--version"])
    assert capsys.readouterr().out == "watchedpot 0.1.0\n"


def test_a_command_is_needed(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing to do is a wrong argument."""
    with pytest.raises(SystemExit, match="2"):
        main([])
    assert "COMMAND" in capsys.readouterr().err


def test_the_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    """What is printed is a JSON object that describes one."""
    assert main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out)["type"] == "object"


def test_check_prints_the_wiring(capsys: pytest.CaptureFixture[str]) -> None:
    """Every zone is in it, and no device is asked."""
    assert main(["check", str(DEMO)]) == 0
    said = capsys.readouterr()
    assert "housing_7/nozzle/temperature" in said.out
    assert said.err == ""


def test_every_fault_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A configuration that cannot be used ends with 2 and all of its faults."""
    file = tmp_path / "bad.toml"
    file.write_text("[service]\nport = 0\nhots = 'x'\n", "utf-8")
    assert main(["run", str(file)]) == 2
    said = capsys.readouterr().err
    assert "service.port" in said
    assert "service.hots" in said


def test_a_ledger_that_is_not_there_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Verifying ends with 1 and names the file."""
    assert main(["verify", str(tmp_path / "none.ledger")]) == 1
    assert "none.ledger" in capsys.readouterr().err


def make_ledger(path: Path) -> None:
    """An empty ledger with one run."""
    ledger = Ledger.open(path, now=FakeClock().now, version="1", config='{"seed": 1}')
    assert ledger.stop()


def test_a_whole_ledger_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Verifying ends with 0 and says where the chains end."""
    make_ledger(tmp_path / "a.ledger")
    assert main(["verify", str(tmp_path / "a.ledger")]) == 0
    assert "whole" in capsys.readouterr().out


def test_a_broken_ledger_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Verifying ends with 1 and says what was found instead."""
    path = tmp_path / "a.ledger"
    make_ledger(path)
    path.write_bytes(path.read_bytes().replace(b'{"seed": 1}', b'{"seed": 2}'))
    assert main(["verify", str(path)]) == 1
    assert "expected" in capsys.readouterr().out


class ScriptedDaemon:
    """Daemon that does what a test says, between its start and its stop."""

    script: Callable[[ScriptedDaemon], None]

    def __init__(
        self, configuration: Configuration, clock: Clock, rng: random.Random, *, speed: float
    ) -> None:
        self.given = configuration, clock, rng, speed
        self._stop = asyncio.Event()

    def stop(self) -> None:
        """End."""
        self._stop.set()

    async def run(self) -> None:
        """Run the script, then wait for the end."""
        type(self).script(self)
        await self._stop.wait()


@pytest.fixture
def scripted(monkeypatch: pytest.MonkeyPatch) -> type[ScriptedDaemon]:
    """The daemon that the command line starts."""
    monkeypatch.setattr(daemon, "Daemon", ScriptedDaemon)
    return ScriptedDaemon


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_the_daemon(
    scripted: type[ScriptedDaemon], monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    """Either signal asks it to stop, and that is no failure."""
    monkeypatch.setattr(scripted, "script", lambda _: os.kill(os.getpid(), number), raising=False)
    assert main(["run", str(DEMO)]) == 0


def test_the_daemon_gets_what_was_asked_for(
    scripted: type[ScriptedDaemon], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The configuration, and the clock of the options."""
    given = []

    def note(one: ScriptedDaemon) -> None:
        given.append(one.given)
        one.stop()

    monkeypatch.setattr(scripted, "script", note, raising=False)
    assert main(["run", str(DEMO), "--speed", "30", "--start", "2026-01-01T00:00:00Z"]) == 0
    ((configuration, clock, _, speed),) = given
    assert speed == 30.0
    assert [cell.id for cell in configuration.cells] == ["lens_4", "housing_7"]
    assert isinstance(clock, FastClock)
    assert (clock.start_utc_ns, clock.speed) == (START_UTC_NS, 30.0)


def raising(exc: Exception) -> Callable[[ScriptedDaemon], None]:
    """Script of a daemon that ends by itself."""

    def script(_: ScriptedDaemon) -> None:
        raise exc

    return script


def test_what_ends_the_daemon_is_said(
    scripted: type[ScriptedDaemon],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One sentence of ours, from however deep in the groups of tasks, and exit code 1."""
    ours = WatchedpotError("web server x:1", "the port cannot be bound")
    group = ExceptionGroup("tasks", [ExceptionGroup("more", [ours])])
    monkeypatch.setattr(scripted, "script", raising(group), raising=False)
    assert main(["run", str(DEMO)]) == 1
    assert capsys.readouterr().err == "web server x:1: the port cannot be bound\n"


def test_a_fault_of_the_program_is_not_hidden(
    scripted: type[ScriptedDaemon], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is not ours goes through, even beside one that is."""
    group = ExceptionGroup("tasks", [WatchedpotError("a", "b"), ZeroDivisionError()])
    monkeypatch.setattr(scripted, "script", raising(group), raising=False)
    with pytest.raises(ExceptionGroup):
        main(["run", str(DEMO)])


def test_time_is_real_by_default() -> None:
    """Without options cell time is the computer's."""
    assert isinstance(cli._clock(1.0, None), SystemClock)


def test_a_start_alone_runs_at_real_speed() -> None:
    """An offset is as good as a Z."""
    clock = cli._clock(1.0, "2026-01-01T01:00:00+01:00")
    assert isinstance(clock, FastClock)
    assert (clock.start_utc_ns, clock.speed) == (START_UTC_NS, 1.0)


def test_a_speed_alone_starts_now() -> None:
    """Cell time has just begun."""
    clock = cli._clock(2.0, None)
    assert isinstance(clock, FastClock)
    assert 0 <= clock.now().mono_ns < 60_000_000_000


@pytest.mark.parametrize(
    ("speed", "start", "expected"),
    [
        (2.0, "noon", "'noon' is not an ISO 8601 instant"),
        (2.0, "2026-01-01T00:00:00", "does not say UTC"),
        (0.0, None, "expected a number above 0, got 0"),
        (-3.0, None, "expected a number above 0, got -3"),
        (float("nan"), None, "expected a number above 0, got nan"),
        (float("inf"), None, "expected a number above 0, got inf"),
    ],
)
def test_a_time_that_cannot_be_kept_is_said(speed: float, start: str | None, expected: str) -> None:
    """Nothing is started with a start or a speed that means nothing."""
    with pytest.raises(ConfigError, match=expected):
        cli._clock(speed, start)


def probes(
    monkeypatch: pytest.MonkeyPatch, opcua_says: list[ProbedChannel], modbus_says: Exception | None
) -> None:
    """Let both protocols answer as told."""

    async def opcua_probe(_: OpcuaSource) -> list[ProbedChannel]:
        return opcua_says

    async def modbus_probe(_: ModbusSource) -> list[ProbedChannel]:
        if modbus_says is not None:
            raise modbus_says
        return [ProbedChannel("housing_7/parts", "0x0001", Reading(1.0))]

    monkeypatch.setattr(opcua, "probe", opcua_probe)
    monkeypatch.setattr(modbus, "probe", modbus_probe)


def test_connecting_prints_every_channel(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Value, quality, raw answer and times; exit code 0 if all are good."""
    probes(monkeypatch, [ProbedChannel("lens_4/nozzle/temperature", "120.25", GOOD)], None)
    assert main(["check", str(DEMO), "--connect"]) == 0
    _, _, said = capsys.readouterr().out.partition("\nsource lens_4\n")
    lines = said.splitlines()
    assert lines[0].split() == ["lens_4/nozzle/temperature", "120.25", "good", "raw", "120.25"]
    assert lines[1].strip() == (
        "source 2026-01-01T00:00:00.000+00:00, server 2026-01-01T00:00:00.001+00:00"
    )
    assert lines[2:] == [
        "",
        "source housing_7",
        f"  {'housing_7/parts':<34} {'1':<24} {'good':<10} raw 0x0001",
    ]


def test_a_device_that_does_not_answer_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The other one is still asked; exit code 1."""
    lost = SourceUnreachable("source housing_7", "no connection within 2 s")
    probes(monkeypatch, [ProbedChannel("lens_4/parts", "7", Reading(7.0))], lost)
    assert main(["check", str(DEMO), "--connect"]) == 1
    said = capsys.readouterr().out
    assert "lens_4/parts" in said
    assert "\nsource housing_7\n  source housing_7: no connection within 2 s\n" in said


def test_a_value_that_is_not_good_fails_the_check(monkeypatch: pytest.MonkeyPatch) -> None:
    """One channel that is not good is reason enough for exit code 1."""
    poor = ProbedChannel("lens_4/parts", "-", not_good(Quality.BAD, Reason.TYPE))
    probes(monkeypatch, [poor], None)
    assert main(["check", str(DEMO), "--connect"]) == 1


def test_all_orders_of_a_doubtful_number_are_printed() -> None:
    """Beside no value its reason, and below it what each order would make of it."""
    orders = {(order, swap): 1.5 for order in WordOrder for swap in (False, True)}
    reading = not_good(Quality.BAD, Reason.IMPLAUSIBLE)
    lines = cli._probed_lines(ProbedChannel("a/b/temperature", "0x1 0x2", reading, orders))
    assert "no value (implausible)" in lines[0]
    assert [line.strip() for line in lines[1:]] == [
        f"as word_order {order.value}, swap_bytes {swap}: 1.5"
        for order in WordOrder
        for swap in ("false", "true")
    ]
