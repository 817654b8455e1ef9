"""The short demo: the simulated cells in one process, the daemon in another, and a verdict.

What is printed while it runs comes from the daemon: events from its ledger, and what it advises.
At the end everything that the simulator wrote into its truth log is held against what the ledger
says was concluded: that it was named, that nothing else was, and how late.
"""

from __future__ import annotations

import argparse
import csv
import os
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watchedpot.app.config import Configuration, load
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import AlarmKind, CellRules, SoakRules, ZoneRules
from watchedpot.core.snapshot import AlarmState, Phase
from watchedpot.errors import LedgerError
from watchedpot.outputs import ledger
from watchedpot.outputs.wording import sentence, time_of_day

ROOT = Path(__file__).resolve().parent.parent
SPEED = 30.0
LENGTH_S = 2400.0
LEAD_S = 12.0  # real seconds for both programs to start before cell time does
SETTLING_S = 0.2  # reading, judging, writing: real seconds granted beyond poll and on-delay

LATEST_SHARE = 0.25
"""Ready may be said so much later than the core is warm, of the time it takes [1]."""

TEMPERATURES = "watchedpot_heat_zone_temperature_celsius{"
"""How the lines of the temperatures begin."""

QUIET = frozenset({EventKind.EXCURSION_OPENED, EventKind.DAEMON_STOPPED})
"""Kinds that the demo does not print; they are in the ledger all the same."""

NUMBERS = re.compile(r"(?<!charge )\b[\d.:]+")
"""What moves in a line while it says the same; the id of a charge is none of it."""


@dataclass(frozen=True)
class Truth:
    """Something the simulator did, from its truth log."""

    at_ns: int
    cell: str
    zone: str
    what: str
    detail: str


@dataclass(frozen=True)
class Finding:
    """One thing that had to be concluded, and whether it was."""

    injected: str
    concluded: str
    late_s: float | None
    bound_s: float | None
    is_right: bool


def main() -> int:
    """Run the demo; 0 only if everything was concluded rightly."""
    parser = argparse.ArgumentParser(prog="deploy/demo.sh", description=__doc__)
    parser.add_argument(
        "--keep", action="store_true", help="keep both programs running until interrupted"
    )
    parser.add_argument("--folder", type=Path, default=ROOT / ".demo", help="where it writes")
    options = parser.parse_args()
    folder: Path = options.folder.resolve()
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(ROOT / "config", folder / "config")
    configuration = load(folder / "config" / "demo.toml")
    with Programs(folder) as programs:
        programs.start()
        print_opening(configuration, folder)
        follow(programs, configuration)
        if options.keep:
            keep(programs, configuration)
        scrape = scraped(configuration)
    findings = judge(configuration, folder, scrape)
    print_summary(findings, folder)
    return 0 if findings and all(finding.is_right for finding in findings) else 1


class Programs:
    """The simulator and the daemon, started together and ended together."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.start_at = datetime.now(UTC) + timedelta(seconds=LEAD_S)
        self._running: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> Programs:
        return self

    def __exit__(self, *_: object) -> None:
        for program in reversed(self._running):
            if program.poll() is None:
                program.send_signal(signal.SIGTERM)
                try:
                    program.wait(10)
                except subprocess.TimeoutExpired:
                    program.kill()

    def start(self) -> None:
        """Both programs with one time: a start instant and a speed; the simulator first."""
        timing = ["--speed", f"{SPEED:g}", "--start", self.start_at.isoformat()]
        self._run("potsim", "demo", *timing, "--truth", str(self.folder / "truth"))
        while "ready" not in (self.folder / "potsim.log").read_text():
            self.check()
            time.sleep(0.1)
        self._run("watchedpot", "run", str(self.folder / "config" / "demo.toml"), *timing)

    def _run(self, name: str, *arguments: str) -> None:
        program = Path(sys.executable).with_name(name)
        with (self.folder / f"{name}.log").open("wb") as log:
            started = subprocess.Popen([program, *arguments], stdout=log, stderr=log)
        self._running.append(started)

    def cell_s(self) -> float:
        """Cell time since the start [s]."""
        return (datetime.now(UTC) - self.start_at).total_seconds() * SPEED

    def utc_ns(self) -> int:
        """Cell time, UTC [ns]."""
        return round((self.start_at.timestamp() + self.cell_s()) * 1e9)

    def check(self) -> None:
        """Stop with the reason if one of the programs has ended."""
        for program in self._running:
            if program.poll() is not None:
                name = Path(str(program.args[0])).name  # type: ignore[index]
                log = (self.folder / f"{name}.log").read_text(errors="replace")
                sys.exit(f"{name} ended by itself with code {program.returncode}:\n{log[-2000:]}")


def print_opening(configuration: Configuration, folder: Path) -> None:
    """What is about to happen."""
    service = configuration.service
    print("Demo: two simulated cells with invented materials; forty minutes in eighty seconds.")
    print("  potsim      serves lens_4 over OPC UA and housing_7 over Modbus TCP")
    print(f"  watchedpot  reads both and serves http://{service.host}:{service.port}/metrics")
    print(f"  files       {os.path.relpath(folder)}")
    print("Times are UTC as the cells' clocks say, which run 30 times as fast.\n", flush=True)


def follow(programs: Programs, configuration: Configuration) -> None:
    """Print what the daemon says, as it says it, until the demo is over."""
    news = News(configuration.service.ledger_path)
    advice = Advice(configuration)
    while programs.cell_s() < LENGTH_S:
        programs.check()
        news.tell()
        if programs.cell_s() > 0.0:
            advice.tell(programs.utc_ns())
        time.sleep(0.2)
    news.tell()


def keep(programs: Programs, configuration: Configuration) -> None:
    """Go on until interrupted."""
    service = configuration.service
    print(f"\nStill running: http://{service.host}:{service.port}/metrics; Ctrl-C ends it.")
    news = News(configuration.service.ledger_path)
    news.skip()
    try:
        while True:
            programs.check()
            news.tell()
            time.sleep(0.5)
    except KeyboardInterrupt:
        print()


class News:
    """Events of the ledger that have not been told yet."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._told = 0

    def skip(self) -> None:
        """Take all that is there as told."""
        self._told = sum(1 for _ in self._new())

    def tell(self) -> None:
        """Print the new ones."""
        for event in list(self._new()):
            self._told += 1
            if event.kind not in QUIET and not is_routine(event):
                told = f"{time_of_day(event.at.utc_ns)}  {sentence(event)}"
                print(textwrap.fill(told, 100, subsequent_indent=" " * 10), flush=True)

    def _new(self) -> Iterator[Event]:
        try:
            for place, recorded in enumerate(ledger.events(self._path)):
                if place >= self._told:
                    yield recorded.event
        except LedgerError:
            return  # not created yet


class Advice:
    """What the daemon advises, and how the charges stand, where it says something else."""

    def __init__(self, configuration: Configuration) -> None:
        self._host, self._port = configuration.service.host, configuration.service.port
        self._seen: dict[str, str] = {}
        self._told: dict[str, str] = {}

    def tell(self, utc_ns: int) -> None:
        """Print each line that says something else, once it has said so twice."""
        for name, line in self._lines():
            said = NUMBERS.sub("", line)
            if name.endswith("charge"):  # its forecasts change their wording all the time
                said = f"{said.partition(';')[0]} {'overheated' in said}"
            if said == self._seen.get(name) and said != self._told.get(name):
                self._told[name] = said
                told = f"{time_of_day(utc_ns)}  > {line}"
                print(textwrap.fill(told, 100, subsequent_indent=" " * 12), flush=True)
            self._seen[name] = said

    def _lines(self) -> Iterator[tuple[str, str]]:
        """The lines of advice and charge, each with its beginning."""
        url = f"http://{self._host}:{self._port}/advice"
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                text: str = answer.read().decode()
        except (urllib.error.URLError, ConnectionError):
            return  # not served yet
        for line in text.splitlines():
            if begin := re.match(r"\w+(: | charge\b)", line):
                yield begin[0], line


def is_routine(event: Event) -> bool:
    """Alarms put aside and taken up again by design, phases of zones without a charge."""
    is_phase = event.kind is EventKind.PHASE_CHANGED
    return event.detail("input") in ("suppress", "unsuppress") or (
        is_phase and event.detail("ready_c") is None
    )


def scraped(configuration: Configuration) -> str:
    """The metrics with temperatures in them; without, if 2 s brought none.

    At this speed a reading is too old to be shown after 0.1 s, about the time between two
    commits, so a single scrape may well find none.
    """
    service = configuration.service
    url = f"http://{service.host}:{service.port}/metrics"
    text = ""
    for _ in range(40):
        with urllib.request.urlopen(url, timeout=5) as answer:
            text = answer.read().decode()
        if TEMPERATURES in text:
            break
        time.sleep(0.05)
    return text


def judge(configuration: Configuration, folder: Path, scrape: str) -> list[Finding]:
    """Every injected thing against the ledger, and the ledger against every injected thing."""
    path = configuration.service.ledger_path
    record = Record(configuration, folder, [one.event for one in ledger.events(path)])
    findings = [finding for truth in record.truths for finding in _expect(record, truth)]
    findings += record.cold_beads()
    findings.append(record.nothing_else())
    findings += [parts_found(path, folder, cell) for cell in configuration.cells]
    report = ledger.verify(path)
    findings.append(Finding("-", "the record is whole and unaltered", None, None, report.is_whole))
    served = TEMPERATURES in scrape
    findings.append(Finding("-", "the temperatures were served", None, None, served))
    return findings


def _expect(record: Record, truth: Truth) -> list[Finding]:
    """What has to be concluded from one injected thing."""
    what = truth.detail.split(" ")[0] if truth.what == "fault_on" else truth.what
    charge = truth.detail.removeprefix("charge_id=")
    expected: dict[str, Callable[[], list[Finding]]] = {
        "heater_open": lambda: [
            record.alarm(truth, AlarmKind.COLD, 1),
            record.alarm(truth, AlarmKind.BUILD_UP, 1),
            record.latched(truth, AlarmKind.BUILD_UP),
        ],
        "setpoint_typo": lambda: [
            record.alarm(truth, AlarmKind.HOT, 1),
            record.alarm(truth, AlarmKind.HOT, 2),
            record.alarm(truth, AlarmKind.DEGRADATION, 1),
            record.latched(truth, AlarmKind.DEGRADATION),
        ],
        "plc_restart": lambda: [record.unseen(truth)],
        "link_loss": lambda: [record.lost(truth), record.unseen(truth)],
        "wiped": lambda: [record.event(truth, EventKind.WIPED, "nozzle wiped, index back to 0")],
        "charge_changed": lambda: [
            record.event(truth, EventKind.CHARGE_CHANGED, f"charge {charge}", charge),
            *record.soaked(truth),
        ],
        "setback_on": lambda: [
            record.event(
                truth, EventKind.PHASE_CHANGED, "setback, which is no excursion", "setback"
            )
        ],
        "setback_off": lambda: [
            record.event(
                truth, EventKind.PHASE_CHANGED, "recovering until the core is warm", "recovering"
            )
        ],
    }
    return expected.get(what, list)()


class Record:
    """Truth log and ledger of one demo, side by side."""

    def __init__(self, configuration: Configuration, folder: Path, events: list[Event]) -> None:
        self.cells = {cell.id: cell for cell in configuration.cells}
        self.poll_s = max(source.poll_period_s for source in configuration.sources)
        self.answer_s = {source.id: source.answer_timeout_s for source in configuration.sources}
        self.folder = folder
        self.events = events
        self.truths = [truth for cell in self.cells for truth in read_truth(folder, cell)]
        self.truths.sort(key=lambda truth: truth.at_ns)
        self.explained: set[int] = set()

    def alarm(self, truth: Truth, kind: AlarmKind, stage: int) -> Finding:
        """An alarm raised for the fault, dated by the crossing of what the sensor showed."""
        found = self._find(
            truth,
            lambda event: (
                event.kind is EventKind.ALARM_CHANGED
                and event.zone == truth.zone
                and event.detail("alarm") == kind.value
                and event.detail("stage") == stage
                and event.detail("input") in ("on", "worse")
            ),
        )
        zone = next(zone for zone in self.cells[truth.cell].zones if zone.id == truth.zone)
        name = AlarmKind.OVER_CEILING if stage == 2 else kind
        rules = zone.alarm(name)
        text = f"{truth.zone} {name.value.replace('_', ' ')}"
        if found is None or rules is None:
            return self._missed(truth, text)
        limit_c = {
            AlarmKind.COLD: zone.low_c,
            AlarmKind.HOT: zone.high_c,
            AlarmKind.OVER_CEILING: zone.material.ceiling_c,
        }.get(name)
        if limit_c is None:  # a wear index: the sensor crossed its edge long before
            return self._right(truth, text, None, None, is_right=True)
        crossed_ns = self._crossing(truth, limit_c, is_above=name is not AlarmKind.COLD)
        onset_s = abs(int(found.detail("onset_utc_ns") or 0) - crossed_ns) / 1e9
        late_s = (found.at.utc_ns - crossed_ns) / 1e9
        bound_s = self.poll_s + rules.on_delay_s + SETTLING_S * SPEED
        is_right = onset_s <= self.poll_s and late_s <= bound_s
        text += f", onset within {onset_s:.1f} s of the truth"
        return self._right(truth, text, late_s, bound_s, is_right=is_right)

    def latched(self, truth: Truth, kind: AlarmKind) -> Finding:
        """The same alarm still standing when its condition was gone."""
        found = self._find(
            truth,
            lambda event: (
                event.zone == truth.zone
                and event.detail("alarm") == kind.value
                and event.detail("to") == AlarmState.LATCHED_UNACKNOWLEDGED.value
            ),
        )
        text = f"{truth.zone} {kind.value.replace('_', ' ')} latched after the return"
        if found is None:
            return self._missed(truth, text)
        return self._right(truth, text, None, None, is_right=True)

    def unseen(self, truth: Truth) -> Finding:
        """The cell not seen, and seen again."""
        found = self._find(
            truth,
            lambda event: (
                event.detail("alarm") == AlarmKind.UNSEEN.value and event.detail("input") == "on"
            ),
        )
        text = "not seen, no number shown; seen again"
        rules = self.cells[truth.cell].alarm(AlarmKind.UNSEEN)
        returned = found is not None and self._find(
            truth,
            lambda event: (
                event.detail("alarm") == AlarmKind.UNSEEN.value and event.detail("input") == "off"
            ),
        )
        if found is None or not returned or rules is None:
            return self._missed(truth, text)
        late_s = (found.at.utc_ns - truth.at_ns) / 1e9
        bound_s = self.poll_s + rules.on_delay_s + SETTLING_S * SPEED
        return self._right(truth, text, late_s, bound_s, is_right=late_s <= bound_s)

    def lost(self, truth: Truth) -> Finding:
        """The source known to be lost."""
        found = self._find(truth, lambda event: event.kind is EventKind.SOURCE_LOST, of_cell=False)
        return (
            self._missed(truth, "source lost")
            if found is None
            # A connection that breaks under a request is noticed when its answer is due. In the
            # demo a source has the name of its cell.
            else self._timed(
                truth,
                "source lost, with the reason",
                found,
                more_s=self.answer_s[truth.cell] * SPEED,
            )
        )

    def soaks(self, cell: str) -> tuple[ZoneRules, SoakRules] | None:
        """The zone of a cell whose core is followed by a model, with its rules."""
        zone = self.cells[cell].reservoir
        if zone is None or zone.soak is None or zone.soak.radius_m is None:
            return None
        return zone, zone.soak

    def soaked(self, truth: Truth) -> list[Finding]:
        """Ready said of a new charge: not before its core is warm, and not long after."""
        followed = self.soaks(truth.cell)
        if followed is None:
            return []
        zone, rules = followed
        found = self._find(
            truth,
            lambda event: (
                event.kind is EventKind.PHASE_CHANGED
                and event.zone == zone.id
                and event.detail("to") == Phase.READY.value
            ),
        )
        core_c = {
            int(row["utc_ns"]): float(row["core_c"])
            for row in rows(self.folder / "truth" / f"{truth.cell}.csv")
            if int(row["utc_ns"]) > truth.at_ns
        }
        warm_ns = next((at_ns for at_ns, c in core_c.items() if c >= rules.ready_c), None)
        if found is None or warm_ns is None:
            return [self._missed(truth, "ready when the core is warm")]
        then_c = next(c for at_ns, c in core_c.items() if at_ns >= found.at.utc_ns)
        late_s = (found.at.utc_ns - warm_ns) / 1e9
        taken_s = (warm_ns - truth.at_ns) / 1e9
        bound_s = LATEST_SHARE * taken_s
        is_right = then_c >= rules.ready_c - rules.tolerance_k and late_s <= bound_s
        text = (
            f"{zone.id} ready with the true core at {then_c:.1f} degC,"
            f" {taken_s + late_s:.0f} s after loading"
        )
        return [self._right(truth, text, late_s, bound_s, is_right=is_right)]

    def cold_beads(self) -> Iterator[Finding]:
        """Dispensing before ready told if it happened by the true core, and only then."""
        for cell in self.cells:
            if (followed := self.soaks(cell)) is None:
                continue
            _, rules = followed
            coldest_c = min(
                float(row["core_c"])
                for row in rows(self.folder / "truth" / f"{cell}.csv")
                if row["dispensing"] == "1"
            )
            is_cold = coldest_c < rules.ready_c - rules.tolerance_k
            is_told = any(
                event.cell == cell
                and event.detail("alarm") == AlarmKind.BEFORE_READY.value
                and event.detail("input") == "on"
                for event in self.events
            )
            text = (
                f"{'told' if is_told else 'no alarm'}, the true core was at {coldest_c:.1f} degC"
                " or more in every bead"
            )
            yield Finding(f"{cell}: before ready", text, None, None, is_told == is_cold)

    def event(self, truth: Truth, kind: EventKind, text: str, word: str = "") -> Finding:
        """An event of a kind, near the moment."""
        found = self._find(
            truth,
            lambda event: (
                event.kind is kind and (not word or word in [value for _, value in event.details])
            ),
        )
        return self._missed(truth, text) if found is None else self._timed(truth, text, found)

    def nothing_else(self) -> Finding:
        """No alarm was raised that no injected fault explains."""
        raised = [
            event
            for place, event in enumerate(self.events)
            if event.kind is EventKind.ALARM_CHANGED
            and event.detail("input") in ("on", "worse")
            and place not in self.explained
        ]
        text = "no alarm without a fault behind it"
        if raised:
            text = "unexplained: " + "; ".join(sentence(event) for event in raised)
        return Finding("nothing else", text, None, None, not raised)

    def _timed(self, truth: Truth, text: str, found: Event, *, more_s: float = 0.0) -> Finding:
        late_s = (found.at.utc_ns - truth.at_ns) / 1e9
        bound_s = 2 * self.poll_s + SETTLING_S * SPEED + more_s
        return self._right(truth, text, late_s, bound_s, is_right=late_s <= bound_s)

    def _find(
        self, truth: Truth, matches: Callable[[Event], bool], *, of_cell: bool = True
    ) -> Event | None:
        """The first matching event of the cell since the fault; it then counts as explained."""
        since_ns = truth.at_ns - round(self.poll_s * 1e9)
        for place, event in enumerate(self.events):
            is_near = event.at.utc_ns >= since_ns and (event.cell == truth.cell or not of_cell)
            if is_near and matches(event):
                self.explained.add(place)
                return event
        return None

    def _crossing(self, truth: Truth, limit_c: float, *, is_above: bool) -> int:
        """When the value that the controller served crossed a limit after the fault [ns]."""
        before: tuple[int, float] | None = None
        for row in rows(self.folder / "truth" / f"{truth.cell}.csv"):
            at_ns, shown_c = int(row["utc_ns"]), float(row[f"{truth.zone}.shown_c"])
            is_beyond = shown_c > limit_c if is_above else shown_c < limit_c
            if at_ns > truth.at_ns and is_beyond and before is not None:
                share = (limit_c - before[1]) / (shown_c - before[1])
                return before[0] + round(share * (at_ns - before[0]))
            before = at_ns, shown_c
        return truth.at_ns

    def _missed(self, truth: Truth, text: str) -> Finding:
        return Finding(injected(truth), f"NOT CONCLUDED: {text}", None, None, is_right=False)

    def _right(
        self,
        truth: Truth,
        text: str,
        late_s: float | None,
        bound_s: float | None,
        *,
        is_right: bool,
    ) -> Finding:
        return Finding(injected(truth), text, late_s, bound_s, is_right)


def parts_found(path: Path, folder: Path, cell: CellRules) -> Finding:
    """Every part that was really made has a judgement, and none that was wrong is let through."""
    judged = list(ledger.parts(path, cell=cell.id))
    missing, let_through, wrong = 0, 0, 0
    until_ns = max((one.event.at.utc_ns for one in ledger.events(path)), default=0)
    until_ns -= round(SETTLING_S * SPEED * 1e9)  # the simulator runs on when the daemon has ended
    all_made = parts_made(folder / "truth" / f"{cell.id}.csv", cell)
    made = [(ended_ns, was_right) for ended_ns, was_right in all_made if ended_ns < until_ns]
    for ended_ns, was_right in made:
        near_ns = round(SETTLING_S * SPEED * 1e9)
        found = [one for one in judged if one.begun_utc_ns <= ended_ns <= one.at.utc_ns + near_ns]
        missing += not found
        wrong += not was_right
        let_through += bool(found) and not was_right and not found[0].verdict.is_suspect
    held = sum(one.count for one in judged if one.verdict.is_suspect)
    text = f"{len(made)} made, {wrong} wrong, {let_through} let through, {held} held back"
    is_right = not missing and not let_through
    if missing:
        text = f"{text}, {missing} WITHOUT A JUDGEMENT"
    return Finding(f"{cell.id}: parts", text, None, None, is_right)


def parts_made(truth: Path, cell: CellRules) -> Iterator[tuple[int, bool]]:
    """End of each part that was finished [ns], and whether all was right while melt flowed."""
    before: dict[str, str] = {}
    is_right = True
    for row in rows(truth):
        if row["dispensing"] == "1":
            is_right = is_right and stood_right(row, cell)
        elif before.get("dispensing") == "1":
            if int(row["parts"]) > int(before["parts"]):
                yield int(before["utc_ns"]), is_right
            is_right = True
        before = row


def stood_right(row: dict[str, str], cell: CellRules) -> bool:
    """Whether every true block stood in its window, and the core was as warm as it must be."""
    blocks = ((zone, float(row[f"{zone.id}.block_c"])) for zone in cell.zones)
    soak = cell.zones[0].soak
    is_warm = soak is None or float(row["core_c"]) >= soak.ready_c - soak.tolerance_k
    return is_warm and all(zone.low_c <= block_c <= zone.high_c for zone, block_c in blocks)


def injected(truth: Truth) -> str:
    """What the simulator did, in words."""
    what = truth.detail.split(" ")[0] if truth.what == "fault_on" else truth.what
    where = f"{truth.cell} {truth.zone}".strip()
    return f"{where}: {what.split('=')[0].replace('_', ' ')}"


def rows(path: Path) -> Iterator[dict[str, str]]:
    """Rows of a CSV file."""
    with path.open(newline="") as file:
        yield from csv.DictReader(file)


def read_truth(folder: Path, cell: str) -> list[Truth]:
    """What the simulator did to one cell."""
    return [
        Truth(int(row["utc_ns"]), cell, row["zone"], row["what"], row["detail"])
        for row in rows(folder / "truth" / f"{cell}.events.csv")
    ]


def print_summary(findings: list[Finding], folder: Path) -> None:
    """The verdict, for a person."""
    print("\nWhat was done to the cells, and what was concluded ('late' in cell time, after what")
    print(
        "the sensor showed had crossed its limit; bound = poll + on-delay + 0.2 s real time, for\n"
        "a lost source two polls + answer timeout + 0.2 s real time, for ready a quarter of the\n"
        "time that the true core took to be warm):\n"
    )
    width = max(len(finding.injected) for finding in findings)
    for finding in findings:
        late = "" if finding.late_s is None else f"  late {finding.late_s:.1f} s"
        bound = "" if finding.bound_s is None else f" (bound {finding.bound_s:.1f} s)"
        mark = "ok   " if finding.is_right else "WRONG"
        print(f"  {mark} {finding.injected:<{width}}  {finding.concluded}{late}{bound}")
    wrong = sum(not finding.is_right for finding in findings)
    verdict = "all of it concluded rightly" if not wrong else f"{wrong} not concluded rightly"
    print(
        f"\n{len(findings)} checks: {verdict}. Ledger, logs and truth log: "
        f"{os.path.relpath(folder)}"
    )


if __name__ == "__main__":
    sys.exit(main())
