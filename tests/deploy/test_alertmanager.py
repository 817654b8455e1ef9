"""The example for Alertmanager: who hears of what, and what stands for what."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from deploy.exposition import RULES
from deploy.queries import expressions

CONFIG = Path(__file__).parents[2] / "deploy" / "alertmanager" / "alertmanager.yml"
ALERTS = [name for what, name, _ in expressions(RULES.read_text("utf-8")) if what == "alert"]

needs_amtool = pytest.mark.skipif(
    shutil.which("amtool") is None,
    reason="amtool is not installed (Debian package prometheus-alertmanager)",
)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Outcome of one call of Alertmanager's own tool."""
    return subprocess.run(
        ["amtool", *arguments], capture_output=True, text=True, timeout=15, check=False
    )


@pytest.mark.integration
@needs_amtool
def test_the_example_is_well_formed() -> None:
    """Alertmanager's own tool has nothing against it."""
    outcome = run("check-config", str(CONFIG))
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


@pytest.mark.integration
@needs_amtool
@pytest.mark.parametrize(
    ("severity", "receiver"),
    [("critical", "at_once"), ("warning", "maintenance"), ("info", "list_of_the_day")],
)
def test_each_severity_has_its_receiver(severity: str, receiver: str) -> None:
    """An alert goes where its severity says."""
    labels = ("alertname=WatchedpotAlarmWarning", f"severity={severity}")
    outcome = run("config", "routes", "test", f"--config.file={CONFIG}", *labels)
    assert (outcome.returncode, outcome.stdout.strip()) == (0, receiver)


def test_every_severity_of_the_rules_is_routed() -> None:
    """The rules know no severity but the three that have a receiver."""
    severities = set(re.findall(r"severity: (\w+)", RULES.read_text("utf-8")))
    assert severities == {"critical", "warning", "info"}


def test_receivers_are_placeholders_on_this_computer() -> None:
    """Nothing leaves the computer before somebody has said where to."""
    urls = re.findall(r"url: (\S+)", CONFIG.read_text("utf-8"))
    assert len(urls) == 3
    assert all(url.startswith("http://127.0.0.1:") for url in urls)


def test_what_stands_for_what_names_alerts_that_exist() -> None:
    """Each pattern of names matches some alerts, and suspect parts are never kept back."""
    text = CONFIG.read_text("utf-8").partition("inhibit_rules:")[2]
    conditions = re.findall(r'alertname(=~|!~|!=|=)"([^"]+)"', text)
    assert conditions
    for _, pattern in conditions:
        assert any(re.fullmatch(pattern, alert) for alert in ALERTS), pattern
    targets = re.findall(r"target_matchers:(.*?)equal:", text, re.DOTALL)
    assert len(targets) == 4
    for target in targets:
        names = re.findall(r'alertname(=~|!~|!=|=)"([^"]+)"', target)
        kept_back = [
            (re.fullmatch(pattern, "WatchedpotSuspectParts") is not None) is ("!" not in operator)
            for operator, pattern in names
        ]
        assert not all(kept_back), target
