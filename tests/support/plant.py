"""The simulator and the daemon as programs of their own, on free ports, with one cell time."""

from __future__ import annotations

import csv
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray
from prometheus_client.parser import text_string_to_metric_families

from potsim.scenarios import bundled
from support.running import free_port
from watchedpot.app.config import Configuration, load
from watchedpot.core.engine import CellState
from watchedpot.core.model import Block, Event, EventKind
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import load_state, store
from watchedpot.outputs.ledger.record import resumed

ROOT = Path(__file__).resolve().parents[2]
CELLS = ("lens_4", "housing_7")
SETTLING_S = 0.2
"""Granted to reading, judging and recording beyond poll and on-delay, in real time [s]."""
PATIENCE_S = 15.0
"""Longest wait for a program to start, to answer or to end [s]."""


def wait_for(what: str, is_so: Callable[[], bool], *, within_s: float = PATIENCE_S) -> float:
    """Real seconds until something is so; fails if it takes longer than the bound."""
    began_s = time.monotonic()
    while not is_so():
        if time.monotonic() - began_s > within_s:
            msg = f"not within {within_s:g} s: {what}"
            raise AssertionError(msg)
        time.sleep(0.01)
    return time.monotonic() - began_s


def joined_scenario(*names: str) -> str:
    """Scenarios of different cells as one: what is not of a cell comes from the first."""
    heads = [bundled()[name].partition("[cells.")[0] for name in names]
    cells = [bundled()[name].removeprefix(head) for name, head in zip(names, heads, strict=True)]
    return heads[0] + "\n".join(cells)


class Scrape:
    """One answer of /metrics."""

    def __init__(self, text: str) -> None:
        self._samples = [
            sample for family in text_string_to_metric_families(text) for sample in family.samples
        ]

    def values(self, name: str, **labels: str) -> list[float]:
        """Values of a metric under some of its labels."""
        return [
            sample.value
            for sample in self._samples
            if sample.name == name and labels.items() <= sample.labels.items()
        ]

    def total(self, name: str, **labels: str) -> float:
        """Sum over the other labels; fails where the metric is absent."""
        values = self.values(name, **labels)
        assert values, (name, labels)
        return sum(values)


class Program:
    """One program, ended by its own process id."""

    def __init__(self, arguments: Sequence[str], log: Path) -> None:
        self.log = log
        with log.open("ab") as stream:
            self.process = subprocess.Popen(arguments, stdout=stream, stderr=stream)

    @property
    def is_running(self) -> bool:
        """Whether it has not ended."""
        return self.process.poll() is None

    def says(self) -> str:
        """All that it has written."""
        return self.log.read_text("utf-8", errors="replace")

    def signal(self, number: signal.Signals) -> None:
        """Send a signal, if it still runs."""
        if self.is_running:
            self.process.send_signal(number)

    def ended(self, within_s: float = PATIENCE_S) -> tuple[int, float]:
        """Exit code, and how long it took from now on [s]."""
        began_s = time.monotonic()
        return self.process.wait(within_s), time.monotonic() - began_s

    def kill(self) -> None:
        """End it as a power failure would."""
        self.signal(signal.SIGKILL)
        self.process.wait(PATIENCE_S)

    def stop(self) -> int:
        """End it as a person would; the exit code."""
        self.signal(signal.SIGTERM)
        return self.process.wait(4 * PATIENCE_S)


class Plant:
    """A folder with a derived configuration, a simulator and a daemon.

    Parameters
    ----------
    folder
        Where everything is written.
    scenario
        Name of a bundled scenario, or the text of one.
    speed
        Cell seconds per real second; 1 leaves the daemon on real time. [1]
    lead_s
        Real seconds from now until cell time begins; both programs start in it. [s]
    changes
        Texts of the configuration and what stands in their place.
    ports
        Of OPC UA, Modbus and the daemon, where they are another plant's; free ones otherwise.
    """

    def __init__(
        self,
        folder: Path,
        scenario: str,
        *,
        speed: float = 1.0,
        lead_s: float = 0.0,
        changes: Sequence[tuple[str, str]] = (),
        ports: tuple[int, int, int] | None = None,
    ) -> None:
        self.folder = folder
        self.speed = speed
        self.start_at = datetime.now(UTC) + timedelta(seconds=lead_s)
        self.start_ns = round(self.start_at.timestamp() * 1e6) * 1000
        self.scenario = scenario
        if "\n" in scenario:
            self.scenario = str(folder / "scenario.toml")
            Path(self.scenario).write_text(scenario, "utf-8")
        self.ports = ports or (free_port(), free_port(), free_port())
        self.opcua_port, self.modbus_port, self.web_port = self.ports
        self.config_file = self._derived_configuration(changes)
        self.programs: list[Program] = []

    def _derived_configuration(self, changes: Sequence[tuple[str, str]]) -> Path:
        """Copy of the demonstration's configuration with these ports and changes."""
        shutil.copytree(ROOT / "config", self.folder / "config")
        ports = (
            ("127.0.0.1:48440", f"127.0.0.1:{self.opcua_port}"),
            ("port = 15020", f"port = {self.modbus_port}"),
            ("port = 9464", f"port = {self.web_port}"),
        )
        found = set()
        files = [*(self.folder / "config").glob("*.toml")]
        for file in files:
            text = file.read_text("utf-8")
            for old, new in (*ports, *changes):
                if old in text:
                    found.add(old)
                    text = text.replace(old, new)
            file.write_text(text, "utf-8")
        missing = {old for old, _ in (*ports, *changes)} - found
        assert not missing, f"the configuration no longer says {missing}"
        return self.folder / "config" / "demo.toml"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for program in self.programs:
            program.signal(signal.SIGCONT)
            program.kill()

    def run(self, name: str, *arguments: str) -> Program:
        """Start one of the programs of this environment; its output is in a file of its own."""
        path = Path(sys.executable).with_name(name)
        log = self.folder / f"{name}_{len(self.programs)}.log"
        program = Program([str(path), *arguments], log)
        self.programs.append(program)
        return program

    def start_cells(self, *, is_waiting: bool = True) -> Program:
        """Start the simulator, and wait until it serves."""
        program = self.run(
            "potsim",
            *(self.scenario, "--speed", f"{self.speed:g}", "--start", self.start_at.isoformat()),
            *("--opcua-port", str(self.opcua_port), "--modbus-port", str(self.modbus_port)),
            *("--truth", str(self.folder / "truth")),
        )
        if is_waiting:
            wait_for("the simulator to serve", lambda: "potsim ready" in alive(program).says())
        return program

    def start_daemon(self, *, is_waiting: bool = True) -> Program:
        """Start the daemon, and wait until it answers over HTTP."""
        timing: tuple[str, ...] = ()
        if self.speed != 1.0:
            timing = ("--speed", f"{self.speed:g}", "--start", self.start_at.isoformat())
        program = self.run("watchedpot", "run", str(self.config_file), *timing)
        if is_waiting:
            wait_for("the daemon to serve", lambda: alive(program).is_running and self.is_serving())
        return program

    def cell_ns(self) -> int:
        """Cell time now, UTC [ns]."""
        return self.start_ns + round((time.time_ns() - self.start_ns) * self.speed)

    def cell_s(self) -> float:
        """Cell time since the start [s]."""
        return (self.cell_ns() - self.start_ns) / 1e9

    def wait_until(self, cell_s: float) -> None:
        """Wait for a moment of cell time while every program goes on running."""
        while self.cell_s() < cell_s:
            for program in self.programs:
                alive(program)
            time.sleep(0.05)

    def get(self, path: str) -> str:
        """Body of an answer of the daemon."""
        url = f"http://127.0.0.1:{self.web_port}{path}"
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            body: bytes = answer.read()
        return body.decode()

    def is_serving(self) -> bool:
        """Whether the daemon answers."""
        try:
            return bool(self.get("/metrics"))
        except (urllib.error.URLError, ConnectionError):
            return False

    def metrics(self) -> Scrape:
        """The metrics as they stand."""
        return Scrape(self.get("/metrics"))

    @property
    def configuration(self) -> Configuration:
        """What the daemon was told."""
        return load(self.config_file)

    @property
    def ledger(self) -> Path:
        """File of the ledger."""
        return self.folder / "config" / "watchedpot.ledger"

    def events(self, *kinds: EventKind, cell: str | None = None) -> list[Event]:
        """Recorded events, of some kinds only if any are named."""
        found = (recorded.event for recorded in ledger.events(self.ledger, cell=cell))
        return [event for event in found if not kinds or event.kind in kinds]

    def blocks(self, source: str, *, from_ns: int | None = None) -> list[Block]:
        """Recorded readings of one source, from a moment of cell time on."""
        found = ledger.blocks(self.ledger, source=source, from_ns=from_ns)
        return [recorded.block for recorded in found]

    def states(self) -> dict[str, bytes]:
        """Newest recorded state of each cell, as it was written."""
        with store.reading(self.ledger) as connection:
            found = resumed(connection)
        assert not found.damaged
        return found.states

    def state(self, cell: str) -> CellState:
        """Newest recorded state of a cell."""
        return load_state(CellState, self.states()[cell])

    def truth(self, cell: str, column: str) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """UTC [ns] and one column of the simulator's own log."""
        with (self.folder / "truth" / f"{cell}.csv").open(newline="") as file:
            rows = list(csv.DictReader(file))
        at_ns = np.array([int(row["utc_ns"]) for row in rows], dtype=np.int64)
        return at_ns, np.array([float(row[column]) for row in rows])

    def made(self, cell: str) -> list[dict[str, str]]:
        """What the simulator's own log knows of each part, joined ones first."""
        with (self.folder / "truth" / f"{cell}.parts.csv").open(newline="") as file:
            return list(csv.DictReader(file))

    def faults(self, cell: str) -> list[tuple[int, str, str]]:
        """UTC [ns], kind and detail of what the simulator did to a cell."""
        with (self.folder / "truth" / f"{cell}.events.csv").open(newline="") as file:
            return [(int(r["utc_ns"]), r["what"], r["detail"]) for r in csv.DictReader(file)]


def alive(program: Program) -> Program:
    """The program, unless it has ended by itself, which fails with what it said."""
    if not program.is_running:
        msg = f"{program.log.name}: ended with {program.process.returncode}:\n{program.says()}"
        raise AssertionError(msg)
    return program


def shown_crossing_ns(
    plant: Plant, cell: str, zone: str, limit_c: float, *, since_ns: int, is_above: bool
) -> int:
    """When what the controller showed crossed a limit, between two of its scans, UTC [ns]."""
    at_ns, shown_c = plant.truth(cell, f"{zone}.shown_c")
    is_beyond = (shown_c > limit_c) if is_above else (shown_c < limit_c)
    row = int(np.flatnonzero(is_beyond & (at_ns > since_ns))[0])
    share = (limit_c - shown_c[row - 1]) / (shown_c[row] - shown_c[row - 1])
    return int(at_ns[row - 1]) + round(float(share) * int(at_ns[row] - at_ns[row - 1]))


def cpu_s(program: Program) -> float:
    """Processor time that a running program has used [s]."""
    fields = Path(f"/proc/{program.process.pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
