"""Prometheus with our rules beside a daemon that watches simulated cells, all of it for real."""

from __future__ import annotations

import json
import re
import shutil
import signal
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest

from integration.conftest import FAULT_AT_S, WARM_START
from support.plant import ROOT, Plant, Program, alive, joined_scenario, wait_for
from support.running import free_port

pytestmark = [
    pytest.mark.integration,
    pytest.mark.timeout(120),
    pytest.mark.skipif(
        shutil.which("prometheus") is None or shutil.which("prometheus-alertmanager") is None,
        reason="prometheus and prometheus-alertmanager are not installed (Debian packages)",
    ),
]

SPEED = 30.0
FAULT_S, LASTS_S = 200.0, 180.0
"""When the nozzle's heater opens and for how long, earlier and shorter than bundled [s]."""

NOZZLE = {"cell": "lens_4", "heat_zone": "nozzle"}
COLD = {**NOZZLE, "alarm": "cold"}
STALE = "WatchedpotReadingTooOld"
QUIET = frozenset(
    {
        *("watchedpot_charge_expires_in_seconds", "watchedpot_charge_empty_in_seconds"),
        "watchedpot_source_certificate_expires_timestamp_seconds",
    }
)
"""Shown only once the age of a charge and its use are known, which takes longer than this run, or
where there is a certificate, which this plant has none of."""


class Prometheus:
    """Answers of a Prometheus and of its Alertmanager."""

    def __init__(self, port: int, manager_port: int) -> None:
        self.port, self.manager_port = port, manager_port

    def _get(self, port: int, path: str, **query: str) -> Any:
        url = f"http://127.0.0.1:{port}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(url, timeout=10) as answer:
            return json.load(answer)

    def firing(self, name: str, **labels: str) -> list[dict[str, str]]:
        """Labels of the alerts of a name that fire."""
        alerts = self._get(self.port, "/api/v1/alerts")["data"]["alerts"]
        wanted = {"alertname": name, **labels}.items()
        return [
            alert["labels"]
            for alert in alerts
            if alert["state"] == "firing" and wanted <= alert["labels"].items()
        ]

    def query(self, expression: str) -> list[Any]:
        """Series that an expression gives now."""
        answer = self._get(self.port, "/api/v1/query", query=expression)
        found: list[Any] = answer["data"]["result"]
        return found

    def inhibited(self, name: str) -> list[bool]:
        """Of each alert of a name that reached the Alertmanager, whether another stands for it."""
        alerts = self._get(self.manager_port, "/api/v2/alerts")
        return [
            bool(alert["status"]["inhibitedBy"])
            for alert in alerts
            if alert["labels"]["alertname"] == name
        ]


def faulty_scenario() -> str:
    """Both cells with an open nozzle heater, sooner and for less long than bundled."""
    text = joined_scenario("nozzle_heater_open_opcua", "nozzle_heater_open_modbus")
    for old, new in (
        (f"at_s = {FAULT_AT_S}", f"at_s = {FAULT_S}"),
        ("for_s = 600.0", f"for_s = {LASTS_S}"),
    ):
        assert text.count(old) == 2
        text = text.replace(old, new)
    return text


def panel_queries() -> list[str]:
    """Every query of the dashboard, for all cells."""
    board = json.loads((ROOT / "deploy" / "dashboard" / "watchedpot.json").read_text("utf-8"))
    return [
        target["expr"].replace("$cell", ".+")
        for panel in board["panels"]
        for target in panel.get("targets", [])
    ]


def test_a_cold_nozzle_alerts_and_resolves_and_a_dead_daemon_alerts(tmp_path: Path) -> None:
    """The alert comes and goes with the alarm; a stale reading and a dead daemon are told."""
    server = Prometheus(free_port(), free_port())
    with (
        Plant(tmp_path, faulty_scenario(), speed=SPEED, lead_s=14.0, changes=WARM_START) as plant,
        stacked(plant, server) as stack,
    ):
        cells = plant.start_cells()
        daemon = plant.start_daemon()
        wait_for(
            "the stack to say where it is",
            lambda: "Ctrl-C ends" in alive(stack).says(),
            within_s=30.0,
        )
        assert not server.firing("WatchedpotAlarmWarning", **COLD)
        assert plant.cell_s() < FAULT_S, "this machine is too slow to be ready in time"

        wait_for(
            "the alert of the cold nozzle",
            lambda: bool(server.firing("WatchedpotAlarmWarning", **COLD)),
            within_s=30.0,
        )
        fired_s = plant.cell_s()
        (labels,) = server.firing("WatchedpotAlarmWarning", **COLD)
        assert (labels["severity"], labels["priority"]) == ("warning", "high")
        wait_for(
            "Alertmanager to hear of it", lambda: bool(server.inhibited("WatchedpotAlarmWarning"))
        )

        wait_for(
            "the nozzle to be warm again",
            lambda: plant.metrics().total("watchedpot_alarm_stage", **COLD) == 0.0,
            within_s=30.0,
        )
        acknowledge(plant)
        wait_for(
            "the alert to resolve",
            lambda: not server.firing("WatchedpotAlarmWarning", **COLD),
            within_s=20.0,
        )
        resolved_s = plant.cell_s()
        for expression in panel_queries():
            if not QUIET & set(re.findall(r"\w+", expression)):
                assert server.query(f"count_over_time(({expression})[1m:500ms])"), expression

        # A controller that freezes: nobody knows the temperature, and one alert says it for all.
        cells.signal(signal.SIGSTOP)
        wait_for("the alert of the stale reading", lambda: bool(server.firing(STALE, **NOZZLE)))
        stale_s = plant.cell_s()
        wait_for(
            "the cell's own alarm to stand for it", lambda: set(server.inhibited(STALE)) == {True}
        )

        daemon.kill()
        wait_for(
            "the alert of the dead daemon", lambda: bool(server.firing("WatchedpotInstanceDown"))
        )
        gone = "watchedpot_heat_zone_last_good_timestamp_seconds"
        wait_for("its series to go stale", lambda: not server.query(gone))
        dead_s = plant.cell_s()

        children = psutil.Process(stack.process.pid).children()
        names = sorted(child.name() for child in children)
        assert names == ["prometheus", "prometheus-alertmanager"]
        stack.signal(signal.SIGINT)
        code, took_s = stack.ended()
        assert code == 0
        assert not any(child.is_running() for child in children)
    print(
        f"\ncell time: heater open {FAULT_S:.0f} s, alert {fired_s:.0f} s, resolved"
        f" {resolved_s:.0f} s, stale reading {stale_s:.0f} s, daemon's death {dead_s:.0f} s;"
        f" stopped in {took_s:.1f} s"
    )


@contextmanager
def stacked(plant: Plant, server: Prometheus) -> Iterator[Program]:
    """The stack beside the daemon of a plant; whatever becomes of the test, it ends its own."""
    stack = plant.run(
        "python",
        str(ROOT / "deploy" / "stack.py"),
        *("--target", f"127.0.0.1:{plant.web_port}", "--speed", f"{SPEED:g}"),
        *("--port", str(server.port), "--alertmanager-port", str(server.manager_port)),
        *("--folder", str(plant.folder / "stack")),
    )
    try:
        yield stack
    finally:
        stack.signal(signal.SIGINT)
        stack.ended()


def acknowledge(plant: Plant) -> None:
    """Say that the cold nozzle was seen, as a person does."""
    told = plant.run(
        "watchedpot",
        *("entry", "acknowledge", str(plant.ledger), "--cell", "lens_4"),
        *("--alarm", "nozzle/cold", "--who", "ann", "--why", "the heater is on again"),
    )
    assert told.ended()[0] == 0, told.says()
