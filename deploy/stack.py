"""Prometheus with our rules on loopback, watching the demo or a daemon that runs.

The examples in deploy/prometheus and deploy/alertmanager are used as they are but for addresses
and intervals. Where the daemon's time is faster than real time, every duration in the rules is
shortened as much, so that an alert takes as long by the clock of the cells as it would anywhere.
"""

from __future__ import annotations

import argparse
import json
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType

DEPLOY = Path(__file__).resolve().parent
DEMO_TARGET = "127.0.0.1:9464"
DEMO_SPEED = 30.0
SHORTEST_INTERVAL_S = 0.5
PATIENCE_S = 60.0
"""Longest wait for a program to serve or to end [s]."""

DURATION = re.compile(r"(\bfor: |\bkeep_firing_for: |\[)(\d+)([smh])\b")
UNIT_S = {"s": 1, "m": 60, "h": 3600}
INTERVAL_S = 5.0
"""Of scrapes and evaluations in the example [s]."""


def main() -> int:
    """Run until interrupted."""
    parser = argparse.ArgumentParser(prog="deploy/stack.sh", description=__doc__)
    parser.add_argument("--target", help="HOST:PORT of a daemon that runs; default: the demo")
    parser.add_argument("--speed", type=float, help="of its time over real time [1]")
    parser.add_argument("--port", type=int, default=9090, help="of Prometheus")
    parser.add_argument("--alertmanager-port", type=int, default=9093, help="of Alertmanager")
    parser.add_argument("--folder", type=Path, help="where it writes; default: removed at the end")
    options = parser.parse_args()
    speed = options.speed or (1.0 if options.target else DEMO_SPEED)
    signal.signal(signal.SIGINT, interrupt)
    signal.signal(signal.SIGTERM, interrupt)
    with tempfile.TemporaryDirectory(prefix="watchedpot_stack_") as temporary:
        folder: Path = options.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        stack = Stack(folder)
        try:
            target = options.target or stack.demo()
            manager = stack.alertmanager(options.alertmanager_port)
            stack.prometheus(target, manager, speed=speed, port=options.port)
            stack.told(target, manager, options.port)
            while True:
                stack.check()
                time.sleep(0.2)
        except KeyboardInterrupt:
            return 0
        finally:
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            stack.stop()


class Stack:
    """The programs that were started here, each ended by its own process id."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._running: list[tuple[str, subprocess.Popen[bytes]]] = []

    def demo(self) -> str:
        """Address of the demo, which is started unless it runs."""
        if not answers(DEMO_TARGET, "/metrics"):
            self._run("demo", sys.executable, str(DEPLOY / "demo.py"), "--keep")
            self._wait("the demo", lambda: answers(DEMO_TARGET, "/metrics"))
        return DEMO_TARGET

    def alertmanager(self, port: int) -> str | None:
        """Address of Alertmanager, None where it is not installed."""
        program = shutil.which("prometheus-alertmanager") or shutil.which("alertmanager")
        if program is None:
            return None
        address = f"127.0.0.1:{port}"
        self._run(
            "alertmanager",
            program,
            f"--config.file={DEPLOY / 'alertmanager' / 'alertmanager.yml'}",
            f"--storage.path={self.folder / 'alertmanager'}",
            f"--web.listen-address={address}",
            "--cluster.listen-address=",
        )
        self._wait("Alertmanager", lambda: answers(address, "/-/ready"))
        return address

    def prometheus(self, target: str, manager: str | None, *, speed: float, port: int) -> None:
        """Start Prometheus and wait until it scrapes its target."""
        program = shutil.which("prometheus")
        if program is None:
            sys.exit("prometheus is not installed; on Debian: apt-get install prometheus")
        config = self.folder / "prometheus.yml"
        rules = (DEPLOY / "prometheus" / "rules.yml").read_text("utf-8")
        (self.folder / "rules.yml").write_text(hurried(rules, speed), "utf-8")
        config.write_text(configured(target, manager, speed), "utf-8")
        self._run(
            "prometheus",
            program,
            f"--config.file={config}",
            f"--storage.tsdb.path={self.folder / 'prometheus'}",
            f"--web.listen-address=127.0.0.1:{port}",
        )
        self._wait(f"Prometheus to scrape {target}", lambda: is_scraping(f"127.0.0.1:{port}"))

    def told(self, target: str, manager: str | None, port: int) -> None:
        """Print where everything is."""
        print(f"daemon        http://{target}/")
        print(f"Prometheus    http://127.0.0.1:{port}/alerts")
        print(f"Alertmanager  http://{manager}/" if manager else "Alertmanager  not installed")
        pids = ", ".join(f"{name} {program.pid}" for name, program in self._running)
        print(f"Ctrl-C ends what was started here: {pids}", flush=True)

    def check(self) -> None:
        """Stop with the reason if one of the programs has ended."""
        for name, program in self._running:
            if program.poll() is not None:
                log = (self.folder / f"{name}.log").read_text("utf-8", errors="replace")
                sys.exit(f"{name} ended by itself with code {program.returncode}:\n{log[-2000:]}")

    def stop(self) -> None:
        """End all, the newest first."""
        for _, program in reversed(self._running):
            with suppress(ProcessLookupError):
                program.send_signal(signal.SIGINT)
            try:
                program.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                program.kill()
                program.wait()

    def _run(self, name: str, *arguments: str) -> None:
        # In a session of its own, so that Ctrl-C at the terminal reaches it only through us.
        with (self.folder / f"{name}.log").open("wb") as log:
            program = subprocess.Popen(arguments, stdout=log, stderr=log, start_new_session=True)
        self._running.append((name, program))

    def _wait(self, what: str, is_so: Callable[[], bool]) -> None:
        began_s = time.monotonic()
        while not is_so():
            self.check()
            if time.monotonic() - began_s > PATIENCE_S:
                sys.exit(f"not within {PATIENCE_S:g} s: {what}")
            time.sleep(0.1)


def interrupt(_number: int, _frame: FrameType | None) -> None:
    """End, whoever asks for it."""
    raise KeyboardInterrupt


def hurried(rules: str, speed: float) -> str:
    """Rules with every duration shortened.

    Parameters
    ----------
    rules
        Text of a rule file.
    speed
        Of the daemon's time over real time. [1]
    """
    if speed == 1.0:
        return rules

    def shortened(found: re.Match[str]) -> str:
        length_s = int(found[2]) * UNIT_S[found[3]] / speed
        return f"{found[1]}{round(length_s * 1000)}ms"

    return DURATION.sub(shortened, rules)


def configured(target: str, manager: str | None, speed: float) -> str:
    """The example configuration with these addresses, and the label of a daemon in fast time."""
    text = (DEPLOY / "prometheus" / "prometheus.yml").read_text("utf-8")
    interval_ms = round(max(INTERVAL_S / speed, SHORTEST_INTERVAL_S) * 1000)
    changes = [
        (f"scrape_interval: {INTERVAL_S:g}s", f"scrape_interval: {interval_ms}ms"),
        (f"evaluation_interval: {INTERVAL_S:g}s", f"evaluation_interval: {interval_ms}ms"),
        ('["127.0.0.1:9464"]', json.dumps([target])),
        ('["127.0.0.1:9093"]', json.dumps([manager] if manager else [])),
    ]
    if speed != 1.0:
        changes.append(("line: assembly_1", "line: assembly_1\n          clock: fast"))
    for old, new in changes:
        if old not in text:
            sys.exit(f"deploy/prometheus/prometheus.yml no longer says {old}")
        text = text.replace(old, new)
    return text


def answers(address: str, path: str) -> bool:
    """Whether something answers there."""
    try:
        with urllib.request.urlopen(f"http://{address}{path}", timeout=5):
            return True
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


def is_scraping(address: str) -> bool:
    """Whether every target of a Prometheus is up."""
    url = f"http://{address}/api/v1/targets?state=active"
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            targets = json.load(answer)["data"]["activeTargets"]
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False
    return bool(targets) and all(target["health"] == "up" for target in targets)


if __name__ == "__main__":
    sys.exit(main())
