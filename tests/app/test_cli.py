"""The commands: what they print and how they end."""

from __future__ import annotations

import asyncio
import json
import os
import random
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from support.clock import START_UTC_NS, FakeClock
from watchedpot.app import cli, daemon, log
from watchedpot.app.cli import main
from watchedpot.app.clock import Clock, FastClock, SystemClock
from watchedpot.app.config import Configuration, load
from watchedpot.core.model import Quality, Reading, Reason, not_good
from watchedpot.errors import ConfigError, SourceUnreachable, WatchedpotError
from watchedpot.outputs.ledger import Ledger
from watchedpot.outputs.web.tokens import Tokens
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


def test_a_token_is_printed_once_with_its_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The line lets in whoever has the token, and nobody else has it."""
    assert main(["token", "anna"]) == 0
    first = capsys.readouterr().out.splitlines()
    assert main(["token", "anna"]) == 0
    second = capsys.readouterr().out.splitlines()
    assert first[1] != second[1]
    path = tmp_path / "tokens"
    path.write_text(first[3])
    found = Tokens(path).holder(first[1])
    assert found is not None
    assert found.name == "anna"
    assert Tokens(path).holder(second[1]) is None


def test_a_token_is_for_somebody_with_a_plain_name(capsys: pytest.CaptureFixture[str]) -> None:
    """It stands in the record, and in a file of lines."""
    with pytest.raises(SystemExit, match="2"):
        main(["token", "an na"])
    assert "expected letters, digits and _ . @ -" in capsys.readouterr().err


def test_check_prints_the_wiring(capsys: pytest.CaptureFixture[str]) -> None:
    """Every zone is in it, and no device is asked."""
    assert main(["check", str(DEMO)]) == 0
    said = capsys.readouterr()
    assert "housing_7/nozzle/temperature" in said.out
    assert said.err == ""


def test_alarms_prints_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    """Every alarm of both cells, with its latest time by the period of its source."""
    assert main(["alarms", str(DEMO)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for cell in ("lens_4", "housing_7"):
        assert f"{cell}: nozzle is too cold [high] nozzle/cold" in said
    assert "18.0 s after the crossing at the latest" in said
    assert "no safety device" in said


@pytest.mark.parametrize(
    ("options", "begin"), [((), "<!DOCTYPE html>"), (("--text",), "Alarms of")]
)
def test_alarms_are_written_to_print(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], begin: str
) -> None:
    """As a page, or as text."""
    path = tmp_path / "alarms.out"
    assert main(["alarms", str(DEMO), "-o", str(path), *options]) == 0
    assert path.read_text(encoding="utf-8").startswith(begin)
    assert capsys.readouterr().out == f"{path}: 28 alarms\n"


def test_a_place_where_the_alarms_cannot_be_written_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the reason of the system."""
    assert main(["alarms", str(DEMO), "-o", str(tmp_path)]) == 1
    assert "expected a file that can be written" in capsys.readouterr().err


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


HOUSING_LOAD = (
    "  modbus_tcp 127.0.0.1:15020 unit 1: one connection, 4 requests a poll, 4 a second;"
    " it never browses or scans"
)


def test_connecting_prints_every_channel(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Value, quality, raw answer and times; exit code 0 if all are good."""
    probes(monkeypatch, [ProbedChannel("lens_4/nozzle/temperature", "120.25", GOOD)], None)
    assert main(["check", str(DEMO), "--connect"]) == 0
    _, _, said = capsys.readouterr().out.partition("\nsource lens_4\n")
    lines = said.splitlines()
    assert lines[0].split()[0] == "opcua"
    assert lines[1].split() == ["lens_4/nozzle/temperature", "120.25", "good", "raw", "120.25"]
    assert lines[2].strip() == (
        "source 2026-01-01T00:00:00.000+00:00, server 2026-01-01T00:00:00.001+00:00"
    )
    assert lines[3:] == [
        "",
        "source housing_7",
        HOUSING_LOAD,
        f"  {'housing_7/parts':<34} {'1':<24} {'good':<10} raw 0x0001",
    ]


def test_the_measured_answer_times_are_printed() -> None:
    """Median and worst of 2, 4 and 9 ms, by hand; nothing where nothing was measured."""
    channels = [ProbedChannel("a/b/c", "1", Reading(1.0), took_s=s) for s in (0.002, 0.009, 0.004)]
    assert cli._measured_lines(channels) == ["  answers took 4.0 ms (median), 9.0 ms (worst of 3)"]
    assert cli._measured_lines([ProbedChannel("a/b/c", "1", Reading(1.0))]) == []


def test_a_device_that_does_not_answer_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The other one is still asked; exit code 1."""
    lost = SourceUnreachable("source housing_7", "no connection within 2 s")
    probes(monkeypatch, [ProbedChannel("lens_4/parts", "7", Reading(7.0))], lost)
    assert main(["check", str(DEMO), "--connect"]) == 1
    said = capsys.readouterr().out
    assert "lens_4/parts" in said
    assert f"\nsource housing_7\n{HOUSING_LOAD}\n  source housing_7: no connection within" in said


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


@pytest.mark.parametrize(
    ("question", "essential"),
    [
        ("ready", "charge                                    slowest    best  fastest   allow"),
        ("break", "   setback            age in the break  until ready"),
        ("shift", "charge  from h:min  to h:min"),
        ("size", "  size     full"),
        ("tip", "block                idle tip  flowing tip"),
    ],
)
def test_each_question_has_an_answer(
    question: str, essential: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a complete configuration every question is answered in full, with its caution."""
    assert main(["plan", question, str(DEMO), "--cell", "lens_4"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("lens_4 ")
    assert essential in said
    assert said.endswith("no safety device: your data sheet and a trial at the cell decide.\n")


def plan_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    """What a question about lens_4 answers to a program."""
    question, *options = arguments
    main(["plan", question, str(DEMO), "--cell", "lens_4", "--json", *options])
    plain = json.loads(capsys.readouterr().out)
    assert isinstance(plain, dict)
    return plain


def test_answers_are_in_base_units_for_a_program(capsys: pytest.CaptureFixture[str]) -> None:
    """What a person says in minutes, hours, percent and milligrams is meant so."""
    ready = plan_json(capsys, "ready", "--start-c", "5", "--preheat-c", "80", "--preheat-min", "30")
    assert [case["name"] for case in ready["cases"]] == [
        "from 5 degC, with its zone",
        "from 5 degC, in a hot zone",
        "30 min at 80 degC before, with its zone",
        "30 min at 80 degC before, in a hot zone",
    ]
    pauses = plan_json(capsys, "break", "--break-min", "45", "--setback-c", "90,80")["cases"]
    assert [case["setback_c"] for case in pauses] == [None, 90.0, 80.0]
    assert max(pauses[0]["history"]["at_s"]) == pytest.approx(1.1 * 2700.0, abs=20.0)
    use = ("--use-mg-per-s", "20", "--duty", "0.5")
    shift = plan_json(capsys, "shift", "--shift-h", "2", "--left-percent", "50", *use)
    assert shift["stays"][0]["out_s"] == pytest.approx(0.0165 / 10e-6)
    size = plan_json(capsys, "size", "--sizes", "80:15", "--hours-per-day", "24", *use)
    assert [(lot["content_cc"], lot["radius_m"]) for lot in size["lots"]] == [(80.0, 0.015)]
    assert size["lots"][0]["lot"]["changes_per_day"] == pytest.approx(9.4, abs=0.5)
    assert len(plan_json(capsys, "tip")["cases"]) == 4


def test_an_age_is_told_in_hours_or_percent(capsys: pytest.CaptureFixture[str]) -> None:
    """Both at once would count it twice, and are refused."""
    ageing = load(DEMO).cells[0].zones[0].material.ageing
    assert ageing is not None
    half_h = f"{0.5 * ageing.pot_life_s / 3600.0}"
    hours = plan_json(capsys, "shift", "--age-h", half_h, "--duty", "0.01")["stays"]
    percent = plan_json(capsys, "shift", "--life-used-percent", "50", "--duty", "0.01")["stays"]
    assert hours == percent
    with pytest.raises(SystemExit, match="2"):
        main(["plan", "shift", str(DEMO), "--age-h", "1", "--life-used-percent", "1"])


def test_what_is_not_known_fails_the_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rest is answered, the gap is said with the table that would fill it; it ends with 1."""
    folder = tmp_path / "config"
    shutil.copytree(DEMO.parent, folder, ignore=shutil.ignore_patterns("*.ledger*"))
    file = folder / "materials" / "demo_silicone.toml"
    whole = file.read_text("utf-8")
    before, _, after = whole.partition("[materials.ageing]")
    _, _, rest = after.partition("[materials.thermal]")
    file.write_text(f"{before}[materials.thermal]{rest}", "utf-8")
    assert main(["plan", "break", str(folder / "lens_4.toml")]) == 1
    said = capsys.readouterr().out
    assert "c  70 degC" in said
    assert "Not known: the material demo_silicone has no [materials.ageing]: no age." in said


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ([], "--cell: expected one of lens_4, housing_7, got none"),
        (["--cell", "lens_5"], "--cell: expected one of lens_4, housing_7, got 'lens_5'"),
        (
            ["--cell", "lens_4", "--preheat-c", "80"],
            "--preheat-c: expected together with --preheat-min, got one of the two",
        ),
        (
            ["--cell", "lens_4", "--preheat-min", "30"],
            "--preheat-c: expected together with --preheat-min, got one of the two",
        ),
        (
            ["--cell", "lens_4", "--preheat-c", "180", "--preheat-min", "30"],
            "--preheat-c: expected at most the ceiling of 140 degC, got 180",
        ),
    ],
)
def test_a_question_that_means_nothing_is_refused(
    arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends with 2, as a configuration that cannot be used."""
    assert main(["plan", "ready", str(DEMO), *arguments]) == 2
    said = capsys.readouterr()
    assert said.err.splitlines()[-1] == expected
    assert said.out == ""


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["ready", "--warm-up-min", "-1"], "expected 0 to 120 minutes, got '-1'"),
        (["ready", "--start-c", "warm"], "expected -50 to 400 degC, got 'warm'"),
        (["break", "--break-min", "0"], "expected minutes above 0, at most 1440, got '0'"),
        (["break", "--setback-c", "90,low"], "expected -50 to 400 degC, got 'low'"),
        (["shift", "--duty", "1.5"], "expected a share above 0, at most 1, got '1.5'"),
        (["shift", "--left-percent", "nan"], "expected percent above 0, at most 100, got 'nan'"),
        (["size", "--hours-per-day", "25"], "expected hours above 0, at most 24, got '25'"),
    ],
)
def test_a_number_that_cannot_be_is_refused(
    arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was expected and what came, and exit code 2 of the arguments."""
    with pytest.raises(SystemExit, match="2"):
        main(["plan", *arguments, str(DEMO)])
    assert expected in capsys.readouterr().err


def test_a_configuration_that_cannot_be_used_has_no_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All of its faults are said, as by the other commands."""
    file = tmp_path / "bad.toml"
    file.write_text("[service]\nport = 0\n", "utf-8")
    assert main(["plan", "tip", str(file)]) == 2
    assert "service.port" in capsys.readouterr().err
