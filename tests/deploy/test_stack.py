"""What the stack makes of the examples before it starts them."""

from __future__ import annotations

import re
import runpy
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from deploy.exposition import RULES

DEPLOY = RULES.parents[1]
EXAMPLE = RULES.with_name("prometheus.yml")


@pytest.fixture(scope="module")
def stack() -> dict[str, Any]:
    """The names of the script, which is not run."""
    return runpy.run_path(str(DEPLOY / "stack.py"))


def test_durations_are_shortened_as_much_as_time_is_fast(stack: dict[str, Any]) -> None:
    """Pending time, holding time and ranges become shorter; names and numbers stay."""
    rules = "expr: cell:pot:increase10m + rate(pot[10m]) > 30\n for: 30s\n keep_firing_for: 1m\n"
    hurried = stack["hurried"](rules, 30.0)
    assert hurried == (
        "expr: cell:pot:increase10m + rate(pot[20000ms]) > 30\n for: 1000ms\n"
        " keep_firing_for: 2000ms\n"
    )


def test_real_time_leaves_the_rules_alone(stack: dict[str, Any]) -> None:
    """At the speed of real time the rules are those that are shipped."""
    rules = RULES.read_text("utf-8")
    assert stack["hurried"](rules, 1.0) == rules


def test_the_examples_take_other_addresses(stack: dict[str, Any]) -> None:
    """Target, Alertmanager and intervals are replaced, and a fast clock is said to be one."""
    text = stack["configured"]("127.0.0.1:1", "127.0.0.1:2", 30.0)
    assert '["127.0.0.1:1"]' in text
    assert '["127.0.0.1:2"]' in text
    assert re.findall(r"interval: (\w+)", text) == ["500ms", "500ms"]
    assert "\n          clock: fast" in text
    real = stack["configured"]("127.0.0.1:1", None, 1.0)
    assert "clock" not in real
    assert "targets: []" in real
    assert re.findall(r"interval: (\w+)", real) == ["5000ms", "5000ms"]


def test_an_example_that_changed_is_noticed(
    stack: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A text that is to be replaced and is not there ends the script with that text."""
    (tmp_path / "prometheus").mkdir()
    text = EXAMPLE.read_text("utf-8").replace("127.0.0.1:9464", "127.0.0.1:9465")
    (tmp_path / "prometheus" / "prometheus.yml").write_text(text, "utf-8")
    monkeypatch.setitem(stack["configured"].__globals__, "DEPLOY", tmp_path)
    with pytest.raises(SystemExit, match="no longer says"):
        stack["configured"]("127.0.0.1:1", None, 1.0)


def test_the_speed_of_the_demo_is_known(stack: dict[str, Any]) -> None:
    """The stack takes the demo for as fast as the demo is."""
    demo = (DEPLOY / "demo.py").read_text("utf-8")
    assert f"\nSPEED = {stack['DEMO_SPEED']}\n" in demo


@pytest.mark.integration
def test_the_script_can_be_parsed() -> None:
    """The shell finds no fault in its syntax."""
    script = str(DEPLOY / "stack.sh")
    outcome = subprocess.run(["sh", "-n", script], capture_output=True, timeout=15, check=False)
    assert outcome.returncode == 0, outcome.stderr


@pytest.mark.integration
@pytest.mark.skipif(
    shutil.which("promtool") is None, reason="promtool is not installed (Debian package prometheus)"
)
def test_prometheus_takes_what_is_made(stack: dict[str, Any], tmp_path: Path) -> None:
    """Its own tool has nothing against the hurried rules and the configuration."""
    hurried = stack["hurried"](RULES.read_text("utf-8"), 30.0)
    (tmp_path / "rules.yml").write_text(hurried, "utf-8")
    (tmp_path / "prometheus.yml").write_text(
        stack["configured"]("127.0.0.1:1", "127.0.0.1:2", 30.0), "utf-8"
    )
    outcome = subprocess.run(
        ["promtool", "check", "config", str(tmp_path / "prometheus.yml")],
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
    )
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr
