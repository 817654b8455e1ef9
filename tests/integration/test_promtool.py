"""What is served and shipped for Prometheus, held against its own tool and against each other."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from deploy.exposition import served
from deploy.queries import expressions, faults

ROOT = Path(__file__).parent.parent.parent
PROMETHEUS = ROOT / "deploy" / "prometheus"
GOLDEN = ROOT / "tests" / "golden" / "metrics.txt"

promtool = shutil.which("promtool")
needs_promtool = pytest.mark.skipif(
    promtool is None, reason="promtool is not installed (Debian package prometheus)"
)


def run(*arguments: str, stdin: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Outcome of one call of the tool beside the rules."""
    text = stdin.read_text(encoding="utf-8") if stdin is not None else None
    return subprocess.run(
        [str(promtool), *arguments],
        input=text,
        capture_output=True,
        text=True,
        cwd=PROMETHEUS,
        timeout=15,
        check=False,
    )


@pytest.mark.integration
@needs_promtool
def test_the_metrics_on_record_pass_the_linter() -> None:
    """The golden page parses and keeps the naming rules, without a remark."""
    outcome = run("check", "metrics", stdin=GOLDEN)
    assert (outcome.returncode, outcome.stdout + outcome.stderr) == (0, "")


@pytest.mark.integration
@needs_promtool
def test_the_rules_pass_the_linter() -> None:
    """Every alert rule is well-formed and there is no remark about any."""
    outcome = run("check", "rules", "--lint=all", "--lint-fatal", "rules.yml")
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


@pytest.mark.integration
@needs_promtool
def test_the_rules_fire_when_they_should() -> None:
    """Each alert keeps what its unit tests say."""
    outcome = run("test", "rules", "rules_test.yml")
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


@pytest.mark.integration
@needs_promtool
def test_the_example_configuration_is_one() -> None:
    """The scrape example can be loaded, with the rules beside it."""
    outcome = run("check", "config", "prometheus.yml")
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


def test_each_alert_is_tested_firing_not_yet_and_stale() -> None:
    """One moment at which it fires, one before it, and one after its series went stale."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    cases = (PROMETHEUS / "rules_test.yml").read_text(encoding="utf-8").split("\n  - name: ")[1:]
    alerts = [name for what, name, _ in expressions(rules) if what == "alert"]
    assert len(alerts) > 10
    for alert in alerts:
        whole = []
        for case in cases:
            tested = re.findall(rf"alertname: {alert}\n\s+exp_alerts:(.*)", case)
            is_firing = [expected.strip() != "[]" for expected in tested]
            if True in is_firing:
                is_stale = bool(re.search(r"values: .*\bstale", case))
                whole.append(is_stale and not is_firing[0] and not is_firing[-1])
        assert any(whole), alert


def test_each_recorded_series_is_tested() -> None:
    """The value of every recording rule is in a unit test."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    cases = (PROMETHEUS / "rules_test.yml").read_text(encoding="utf-8")
    tested = re.findall(r"- expr: (.*)", cases)
    recorded = [name for what, name, _ in expressions(rules) if what == "record"]
    assert recorded
    for name in recorded:
        assert re.fullmatch(r"[a-z_]+:watchedpot_[a-z_]+:[a-z]+(\d+[mh])?", name)
        assert any(name in expression for expression in tested), name


def test_the_rules_read_only_what_is_served() -> None:
    """Every series, label and value of a label in a rule is on a page of the daemon."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    known = served()
    found = {name: faults(text, known) for _, name, text in expressions(rules)}
    assert len(found) == len(re.findall(r"^\s+expr: ", rules, re.MULTILINE))
    assert not any(found.values()), found
    cases = (PROMETHEUS / "rules_test.yml").read_text(encoding="utf-8")
    fed = set(re.findall(r"- series: (\w+)", cases))
    assert fed <= known.keys()


def test_no_rule_repeats_a_limit_of_the_daemon() -> None:
    """Temperatures, exposures and wear are judged by the daemon alone."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    assert not re.search(r"celsius|kelvin|_build_up_|_degradation_|_phase\b", rules)


def test_every_alert_has_a_name_a_severity_and_two_texts() -> None:
    """CamelCase with one first word, a known severity, a summary that is one sentence."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    blocks = rules.split("- alert: ")[1:]
    for block in blocks:
        assert re.match(r"Watchedpot([A-Z][a-z]+)+\n", block)
        assert re.search(r"severity: (critical|warning|info)\n", block)
        assert re.search(r"summary: [A-Z][^.]*\.\n", block)
        assert "description: " in block


def test_every_alert_has_its_page_in_the_runbook() -> None:
    """Each links the heading that bears its name, and no heading is without its alert."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    blocks = rules.split("- alert: ")[1:]
    alerts = [block.partition("\n")[0] for block in blocks]
    for alert, block in zip(alerts, blocks, strict=True):
        assert f"runbook: deploy/README.md#{alert.lower()}\n" in block
    runbook = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"^### (Watchedpot\w+)$", runbook, re.MULTILINE) == alerts
