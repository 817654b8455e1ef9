"""How the daemon ends, what it says when it cannot start, and what it does without its ledger."""

from __future__ import annotations

import re
import resource
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from support.plant import CELLS, Plant, Program, wait_for
from watchedpot.app import log
from watchedpot.app.cli import main
from watchedpot.app.daemon import SHUTDOWN_S
from watchedpot.core.model import EventKind
from watchedpot.outputs import ledger

pytestmark = [pytest.mark.integration, pytest.mark.timeout(90)]

QUICK_S = 3.0
"""Bound of an end in which nothing has to be waited for [s]."""
STAGES = 4
"""Stages of the shutdown, each with its own bound: sources, judging, ledger, web server."""


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    """Simulated cells for all of these tests; each starts a daemon of its own on one ledger."""
    folder = tmp_path_factory.mktemp("shutdown")
    with Plant(folder, "healthy_shift", speed=5.0) as plant:
        plant.start_cells()
        yield plant


def ends_well(plant: Plant, daemon: Program, *, bound_s: float) -> None:
    """The program ends within a bound, having recorded its end in a whole ledger."""
    code, took_s = daemon.ended(bound_s)
    print(f"\nended in {took_s:.2f} s")
    assert code == 0, daemon.says()
    assert "Traceback" not in daemon.says()
    assert ledger.verify(plant.ledger).is_whole
    assert plant.events()[-1].kind is EventKind.DAEMON_STOPPED


@pytest.mark.parametrize(
    ("number", "after_s"), [(signal.SIGTERM, 0.0), (signal.SIGTERM, 0.37), (signal.SIGINT, 0.13)]
)
def test_a_signal_ends_it(plant: Plant, number: signal.Signals, after_s: float) -> None:
    """Soon after it serves, between polls and in the midst of commits: recorded and clean."""
    daemon = plant.start_daemon()
    time.sleep(after_s)
    daemon.signal(number)
    ends_well(plant, daemon, bound_s=QUICK_S)


def test_signals_that_come_twice_end_it_once(plant: Plant) -> None:
    """An impatient second and third signal change nothing."""
    daemon = plant.start_daemon()
    before = len(plant.events(EventKind.DAEMON_STOPPED))
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGTERM):
        daemon.signal(number)
    ends_well(plant, daemon, bound_s=QUICK_S)
    assert len(plant.events(EventKind.DAEMON_STOPPED)) == before + 1


def test_a_signal_while_it_connects_ends_it(tmp_path: Path) -> None:
    """Without any controller, in the midst of an attempt or of the wait before the next."""
    with Plant(tmp_path, "healthy_shift") as plant:
        daemon = plant.start_daemon()
        time.sleep(0.3)
        daemon.signal(signal.SIGTERM)
        ends_well(plant, daemon, bound_s=QUICK_S)


def test_a_signal_while_controllers_are_silent_ends_it(plant: Plant) -> None:
    """Controllers that keep their connections but answer nothing hold it up no longer than told."""
    cells = plant.programs[0]
    daemon = plant.start_daemon()
    wait_for("both sources", lambda: plant.metrics().total("watchedpot_source_up") == 2)
    cells.signal(signal.SIGSTOP)
    try:
        time.sleep(0.5)
        daemon.signal(signal.SIGTERM)
        ends_well(plant, daemon, bound_s=STAGES * SHUTDOWN_S)
    finally:
        cells.signal(signal.SIGCONT)


@pytest.mark.parametrize("after_s", [0.1, 0.5, 0.9, 1.3])
def test_a_signal_before_it_watches_leaves_no_harm(plant: Plant, after_s: float) -> None:
    """At any moment of the start the process ends at once and the ledger stays whole."""
    daemon = plant.start_daemon(is_waiting=False)
    time.sleep(after_s)
    daemon.signal(signal.SIGTERM)
    code, _ = daemon.ended(QUICK_S)
    assert code in (0, -signal.SIGTERM), daemon.says()
    assert "Traceback" not in daemon.says()
    assert not plant.ledger.exists() or ledger.verify(plant.ledger).is_whole


def test_a_port_in_use_is_said_and_ends_it(plant: Plant, tmp_path: Path) -> None:
    """Exit code 1 and one sentence: which port, what is the matter, what to do.

    What it had judged is recorded in its own ledger, and the daemon that has the port goes on.
    """
    first = plant.start_daemon()
    other = Plant(tmp_path, "healthy_shift", ports=plant.ports)
    second = other.start_daemon(is_waiting=False)
    code, _ = second.ended()
    text = last_line(second)
    assert code == 1
    assert text.startswith(f"web server 127.0.0.1:{plant.web_port}: the port cannot be bound")
    assert "configure another port" in text
    assert "Traceback" not in second.says()
    assert ledger.verify(other.ledger).is_whole
    assert [event.kind for event in other.events()][:1] == [EventKind.DAEMON_STARTED]
    assert plant.is_serving()
    first.signal(signal.SIGTERM)
    ends_well(plant, first, bound_s=QUICK_S)


def last_line(program: Program) -> str:
    """Last line of what a program wrote."""
    return program.says().strip().splitlines()[-1]


def test_every_fault_of_a_configuration_is_said(tmp_path: Path) -> None:
    """Exit code 2, each fault on its own, and nothing started: no ledger, no port."""
    changes = [
        ("window_low_c = 104.0", "window_low_c = 204.0"),
        ("poll_period_s = 1.0", "poll_period_s = 0.0"),
        ("commit_interval_s", "commit_interval_z"),
    ]
    plant = Plant(tmp_path, "healthy_shift", changes=changes)
    daemon = plant.start_daemon(is_waiting=False)
    code, _ = daemon.ended()
    text = daemon.says()
    assert code == 2
    assert "window_low_c = 204.0 is not below window_high_c = 118.0" in text
    assert text.count("poll_period_s") >= 2
    assert "commit_interval_z" in text
    assert "Traceback" not in text
    assert not plant.ledger.exists()


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("none/watchedpot.ledger", "its folder cannot be used"),
        ("materials", "unable to open database file"),
        ("alarms.toml", "not a database"),
    ],
)
def test_a_ledger_that_cannot_be_written_is_said(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    path: str,
    expected: str,
) -> None:
    """A folder that is not there, a folder, another file: exit code 1, which file, what to do."""
    changes = [('path = "watchedpot.ledger"', f'path = "{path}"')]
    plant = Plant(tmp_path, "healthy_shift", changes=changes)
    before = (tmp_path / "config" / "alarms.toml").read_text("utf-8")
    monkeypatch.setattr(log, "configure", lambda *_: None)
    assert main(["run", str(plant.config_file)]) == 1
    text = capsys.readouterr().err.strip()
    assert text.startswith(f"ledger {tmp_path / 'config' / path}: ")
    assert expected in text
    assert "check the path" in text
    assert text.count("\n") == 0
    assert (tmp_path / "config" / "alarms.toml").read_text("utf-8") == before


def readings(plant: Plant) -> float:
    """Good readings of all zones so far."""
    return plant.metrics().total("watchedpot_heat_zone_readings_total", quality="good")


def goes_on_without_record(plant: Plant) -> None:
    """The metrics say that the record fails, and everything else goes on."""
    wait_for(
        "the metrics to say that the ledger is not written",
        lambda: plant.metrics().total("watchedpot_ledger_writing") == 0,
    )
    before = readings(plant)
    wait_for("30 more readings of each zone", lambda: readings(plant) >= before + 5 * 30)
    scrape = plant.metrics()
    assert scrape.total("watchedpot_ledger_failures_total") >= 1
    assert scrape.total("watchedpot_ledger_pending_batches") >= 1
    assert len(scrape.values("watchedpot_heat_zone_temperature_celsius")) == 5


def has_recovered(plant: Plant) -> None:
    """The metrics say so, and the record holds all that came in meanwhile."""
    wait_for(
        "the ledger to be written again",
        lambda: plant.metrics().total("watchedpot_ledger_writing") == 1,
    )
    wait_for("its mark in the record", lambda: bool(plant.events(EventKind.LEDGER_RECOVERED)))


@pytest.mark.parametrize("how", ["locked", "full"])
def test_without_its_ledger_it_judges_and_serves(tmp_path: Path, how: str) -> None:
    """While another program locks the file or the disk is full; afterwards nothing is missing.

    The full disk is a limit on the size of files, under which the operating system refuses to
    let a file grow, as on a disk without room.
    """
    with Plant(tmp_path, "healthy_shift", speed=20.0, lead_s=3.0) as plant:
        plant.start_cells()
        daemon = plant.start_daemon()
        wait_for("readings", lambda: readings(plant) > 100)
        pid, hard = daemon.process.pid, resource.RLIM_INFINITY
        if how == "locked":
            with closing(sqlite3.connect(plant.ledger, isolation_level=None)) as other:
                other.execute("BEGIN IMMEDIATE")
                goes_on_without_record(plant)
                other.execute("ROLLBACK")
        else:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (32_768, hard))
            goes_on_without_record(plant)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))
        has_recovered(plant)
        daemon.signal(signal.SIGTERM)
        ends_well(plant, daemon, bound_s=QUICK_S)
        (recovered,) = plant.events(EventKind.LEDGER_RECOVERED)
        assert recovered.detail("dropped_rows") == 0
        failed = plant.events(EventKind.LEDGER_FAILED)
        assert len(failed) == 1
        assert re.search("locked|disk|full", str(failed[0].detail("problem")))
        assert re.search("locked|disk|full", str(recovered.detail("cause")))
        for cell in CELLS:
            rows = sum(len(block) for block in plant.blocks(cell))
            zone = plant.state(cell).zones[0]
            assert rows == sum(zone.readings)


def test_a_signal_while_the_ledger_is_locked_ends_it_in_time(tmp_path: Path) -> None:
    """It gives the record its bound and then ends; what could not be written is not claimed."""
    with Plant(tmp_path, "healthy_shift", speed=5.0) as plant:
        plant.start_cells()
        daemon = plant.start_daemon()
        wait_for("readings", lambda: readings(plant) > 20)
        with closing(sqlite3.connect(plant.ledger, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            daemon.signal(signal.SIGTERM)
            code, took_s = daemon.ended(STAGES * SHUTDOWN_S)
            other.execute("ROLLBACK")
        print(f"\nended in {took_s:.2f} s with {code}")
        assert "the end is missing" in daemon.says()
        assert ledger.verify(plant.ledger).is_whole
        assert not plant.events(EventKind.DAEMON_STOPPED)


def check(plant: Plant) -> subprocess.CompletedProcess[str]:
    """Outcome of ``watchedpot check --connect``."""
    program = Path(sys.executable).with_name("watchedpot")
    return subprocess.run(
        [program, "check", "--connect", plant.config_file],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


OF_A_PART = ("part_id", "bead_width")


def test_check_prints_what_every_channel_says(plant: Plant) -> None:
    """Raw answer, value, quality and times of all channels of both cells.

    Before the first part the controllers give 0 for what a part would tell, which is a fill value
    and so not good: hence exit code 1.
    """
    outcome = check(plant)
    assert (outcome.returncode, outcome.stderr) == (1, "")
    _, _, said = outcome.stdout.partition("\nsource lens_4\n")
    lines = said.splitlines()
    stamp = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00"
    for source in plant.configuration.sources:
        for channel in source.channels:
            place = next(n for n, line in enumerate(lines) if line.split()[:1] == [channel.name])
            if channel.name.partition("/")[2] in OF_A_PART:
                assert "fill value" in lines[place].replace("_", " "), lines[place]
                continue
            good = r" -?\d+(\.\d+)?(e[+-]\d+)? +good +raw \S+"
            assert re.search(good, lines[place]), lines[place]
            if source.id == "lens_4":
                assert re.search(f"source {stamp}, server {stamp}", lines[place + 1])
    assert said.count("as word_order") == 4  # of the bead of 0 mm by Modbus


def test_check_shows_all_orders_of_a_number_in_the_wrong_one(plant: Plant, tmp_path: Path) -> None:
    """With the words the wrong way round the value is not believed, and four readings are shown."""
    changes = [('word_order = "low_first"', 'word_order = "high_first"')]
    outcome = check(Plant(tmp_path, "healthy_shift", changes=changes, ports=plant.ports))
    assert (outcome.returncode, outcome.stderr) == (1, "")
    _, _, nozzle = outcome.stdout.partition("\nsource housing_7\n")[2].partition(
        "housing_7/nozzle/temperature"
    )
    lines = nozzle.splitlines()[:5]
    assert re.search("no value .* bad", lines[0])
    shown = [re.search(r"word_order (\w+), swap_bytes (\w+): (\S+)", line) for line in lines[1:]]
    found = {one.group(1, 2): float(one.group(3)) for one in shown if one is not None}
    assert len(found) == 4
    assert found["low_first", "false"] == pytest.approx(120.0, abs=10.0)


def test_check_says_what_does_not_answer(tmp_path: Path) -> None:
    """Without controllers each source says so in one line below its load; exit code 1."""
    plant = Plant(tmp_path, "healthy_shift")
    outcome = check(plant)
    assert (outcome.returncode, outcome.stderr) == (1, "")
    for source in plant.configuration.sources:
        _, _, said = outcome.stdout.partition(f"\nsource {source.id}\n")
        load, diagnosis = said.splitlines()[:2]
        assert "one connection" in load
        assert diagnosis.startswith(f"  source {source.id} ("), diagnosis
        assert "no connection within" in diagnosis
