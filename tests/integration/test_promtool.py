"""What is served and shipped for Prometheus, held against its own tool and against each other."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

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


def test_each_alert_is_tested_firing_and_silent() -> None:
    """One moment at which it fires, one before and one after at which it does not."""
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    cases = (PROMETHEUS / "rules_test.yml").read_text(encoding="utf-8")
    alerts = re.findall(r"- alert: (\w+)", rules)
    tested = re.findall(r"alertname: (\w+)\n\s+exp_alerts:(.*)", cases)
    assert alerts
    for alert in alerts:
        outcomes = [expected.strip() == "[]" for name, expected in tested if name == alert]
        assert outcomes.count(True) >= 2, alert
        assert outcomes.count(False) >= 1, alert


def test_the_rules_read_only_what_is_served() -> None:
    """Every metric and every label value in a rule stands on the golden page."""
    page = GOLDEN.read_text(encoding="utf-8")
    served = set(re.findall(r"^# TYPE (\w+)", page, re.MULTILINE))
    for name in ("rules.yml", "rules_test.yml"):
        text = (PROMETHEUS / name).read_text(encoding="utf-8")
        read = set(re.findall(r"\bwatchedpot_\w+", text)) - set(re.findall(r"- name: (\w+)", text))
        assert read
        assert read <= served
    rules = (PROMETHEUS / "rules.yml").read_text(encoding="utf-8")
    for label, pattern in re.findall(r"\b(state|quality)=~\"([^\"]+)\"", rules):
        for value in pattern.split("|"):
            assert f'{label}="{value}"' in page


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
