"""How parts are judged, and what a material allows, as a file says it."""

from __future__ import annotations

from pathlib import Path

import pytest

from watchedpot.app.config import load
from watchedpot.core.rules import CellRules, PartRule, PartRules, StorageRules, Verdict
from watchedpot.errors import ConfigError

CONFIG = Path(__file__).parents[3] / "config"


def lens(tmp_path: Path, *, cell: str = "", material: str = "") -> CellRules:
    """The example cell with some lines more."""
    (tmp_path / "materials").mkdir()
    for name in ("alarms.toml", "materials/demo_silicone.toml"):
        text = (CONFIG / name).read_text("utf-8")
        if name.startswith("materials"):
            text = text.replace("[materials.ageing]", f"{material}\n[materials.ageing]", 1)
        (tmp_path / name).write_text(text, "utf-8")
    text = (CONFIG / "lens_4.toml").read_text("utf-8")
    text = text.replace("[cells.charge] ", f"{cell}\n[cells.charge] ", 1)
    (tmp_path / "lens_4.toml").write_text(text, "utf-8")
    (rules,) = load(tmp_path / "lens_4.toml").cells
    return rules


def test_the_example_says_how_parts_are_judged() -> None:
    """Each key arrives, in the units of the formulas."""
    (rules,) = load(CONFIG / "lens_4.toml").cells
    assert rules.judging == PartRules(shortest_cycle_s=2.0)
    reservoir = rules.reservoir
    assert reservoir is not None
    material = reservoir.material
    assert material.storage == StorageRules(30.0, 24 * 3600.0, 25.0, 8 * 3600.0)
    assert (material.open_time_s, material.rework_s) == (180.0, 600.0)
    assert material.rework_caution


def test_rules_conclude_what_the_file_says(tmp_path: Path) -> None:
    """Sharper or off; what is off is told when the file is checked."""
    told = '[cells.judging.verdicts]\nnear_edge = "review"\nafter_idle = "clear"\n'
    rules = lens(tmp_path, cell=told)
    assert dict(rules.judging.verdicts) == {
        PartRule.NEAR_EDGE: Verdict.REVIEW,
        PartRule.AFTER_IDLE: Verdict.CLEAR,
    }
    notices = load(tmp_path / "lens_4.toml").notices
    assert any("turned off: after_idle" in notice for notice in notices)


@pytest.mark.parametrize("line", ['too_green = "review"', 'near_edge = "bad"'])
def test_a_rule_or_verdict_that_is_none_is_refused(tmp_path: Path, line: str) -> None:
    """With its place."""
    with pytest.raises(ConfigError, match="judging"):
        lens(tmp_path, cell=f"[cells.judging.verdicts]\n{line}\n")


def test_a_time_for_rework_needs_its_caution(tmp_path: Path) -> None:
    """Half of the truth could hurt."""
    (tmp_path / "x").mkdir()
    text = (CONFIG / "materials" / "demo_silicone.toml").read_text("utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("rework_caution")]
    folder = tmp_path / "x"
    (folder / "materials").mkdir()
    (folder / "materials" / "demo_silicone.toml").write_text("\n".join(lines), "utf-8")
    for name in ("alarms.toml", "lens_4.toml"):
        (folder / name).write_text((CONFIG / name).read_text("utf-8"), "utf-8")
    with pytest.raises(ConfigError, match="rework_caution"):
        load(folder / "lens_4.toml")
