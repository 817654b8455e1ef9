"""The dashboard is what its script makes, and asks for nothing that is not served."""

from __future__ import annotations

import colorsys
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from deploy.exposition import served
from deploy.queries import TARGET_LABELS, faults, read
from watchedpot.core.model import Quality
from watchedpot.core.rules import Priority, Verdict
from watchedpot.core.snapshot import Advice, ChargeState, Phase

ROOT = Path(__file__).parents[2]
DASHBOARD = ROOT / "deploy" / "dashboard" / "watchedpot.json"

FIGURES, LINES = {"stat", "table"}, {"timeseries", "state-timeline"}
GREYS = {
    "run", "wait", "in life", "loaded", "warming", "off", "heating", "soaking", "ready", "setback",
    "recovering", "cooling", "good", "none", "answers",
}  # fmt: skip
"""Words of what is as it should be, or merely so."""

NEUTRAL = 0.25
"""Highest saturation of what is normal [1]."""


def board() -> dict[str, Any]:
    """The dashboard as it is shipped."""
    found: dict[str, Any] = json.loads(DASHBOARD.read_text("utf-8"))
    return found


def panels(*types: str) -> list[dict[str, Any]]:
    """Panels of some types, of all that show something if none is named."""
    found = [panel for panel in board()["panels"] if panel["type"] != "row"]
    return [panel for panel in found if not types or panel["type"] in types]


def targets() -> list[tuple[str, dict[str, Any]]]:
    """Every query with the title of its panel."""
    return [(panel["title"], target) for panel in panels() for target in panel["targets"]]


def colours(node: object) -> Iterator[tuple[str, str]]:
    """Every colour with the word that it comes with, empty for none."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key in {"color", "fixedColor"} and isinstance(value, str):
                yield value, str(node.get("text", ""))
            yield from colours(value)
    elif isinstance(node, list):
        for value in node:
            yield from colours(value)


def saturation(colour: str) -> float:
    """Saturation of a colour written as #rrggbb [1]."""
    red, green, blue = (int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5))
    return colorsys.rgb_to_hsv(red, green, blue)[1]


@pytest.mark.integration
def test_the_dashboard_is_what_its_script_makes() -> None:
    """Running the script gives the committed file, byte for byte."""
    script = DASHBOARD.with_name("generate.py")
    made = subprocess.run([sys.executable, script], capture_output=True, timeout=15, check=True)
    assert made.stdout.decode() == DASHBOARD.read_text("utf-8")


def test_every_query_asks_for_what_is_served() -> None:
    """Each series, label and value in a query stands on a real page or is recorded from one."""
    known = served()
    assert len(targets()) > 20
    found = {title: faults(target["expr"], known) for title, target in targets()}
    assert not any(found.values()), found


def test_every_legend_names_labels_that_are_left() -> None:
    """A label in a legend is one that the query keeps, or that its series has."""
    known = served()
    for title, target in targets():
        query = read(target["expr"])
        aggregated = re.search(r"\bby \(", target["expr"])
        left = query.kept if aggregated else {label for one in query.series for label in known[one]}
        for label in re.findall(r"\{\{(\w+)\}\}", target.get("legendFormat", "")):
            assert label in left | TARGET_LABELS, (title, label)


def test_the_choice_of_cells_is_served() -> None:
    """The list to choose from is made of a label of a series that is always there."""
    (query,) = (
        variable["query"]
        for variable in board()["templating"]["list"]
        if variable["type"] == "query"
    )
    series, label = re.fullmatch(r"label_values\((\w+), (\w+)\)", query).groups()  # type: ignore[union-attr]
    assert label in served()[series]


@pytest.mark.integration
@pytest.mark.skipif(
    shutil.which("promtool") is None, reason="promtool is not installed (Debian package prometheus)"
)
def test_every_query_is_well_formed(tmp_path: Path) -> None:
    """Prometheus' own tool can read each of them, and finds a broken one."""
    expressions = [target["expr"] for _, target in targets()]
    file = tmp_path / "queries.yml"

    def outcome(texts: list[str]) -> subprocess.CompletedProcess[str]:
        rules = [{"record": f"panel:query:{n}", "expr": text} for n, text in enumerate(texts)]
        file.write_text(json.dumps({"groups": [{"name": "panels", "rules": rules}]}), "utf-8")
        return subprocess.run(
            ["promtool", "check", "rules", str(file)],
            capture_output=True,
            text=True,
            timeout=15,
            check=False,
        )

    good = outcome(expressions)
    assert good.returncode == 0, good.stdout + good.stderr
    assert outcome([*expressions, "sum by (cell) (up"]).returncode != 0


def test_a_figure_of_now_is_never_one_of_before() -> None:
    """Words, figures and the list are asked as of now, and say so when they get nothing."""
    for panel in panels(*FIGURES):
        assert panel["fieldConfig"]["defaults"]["noValue"], panel["title"]
        for target in panel["targets"]:
            assert target["instant"] is True, panel["title"]
            assert target["range"] is False, panel["title"]
    for panel in panels("stat"):
        assert panel["fieldConfig"]["defaults"]["noValue"] == "unknown"
        assert panel["options"]["reduceOptions"]["calcs"] == ["last"]


def test_a_line_has_gaps_where_nothing_is_known() -> None:
    """No line is drawn across a gap, and an empty panel says unknown."""
    assert {panel["type"] for panel in panels()} == FIGURES | LINES
    for panel in panels(*LINES):
        defaults = panel["fieldConfig"]["defaults"]
        assert defaults["noValue"] == "unknown", panel["title"]
        assert defaults["custom"].get("spanNulls", False) is False, panel["title"]


def test_every_state_has_its_word_and_unknown_is_one_of_them() -> None:
    """No state of the daemon is missing from the mapping of its panel, in whatever colour."""
    states = {
        "What to do": [advice.value for advice in Advice],
        "Charge": [state.value for state in ChargeState],
        "Phase": [phase.value for phase in Phase],
        "May the reading be believed": [quality.name.lower() for quality in Quality],
        "Alarms": [priority.value for priority in Priority],
    }
    by_title = {panel["title"]: panel for panel in panels()}
    for title, names in states.items():
        (mapping,) = by_title[title]["fieldConfig"]["defaults"]["mappings"]
        options = mapping["options"]
        assert options["-1"]["text"] == "unknown"
        texts = {option["text"] for code, option in options.items() if code != "-1"}
        assert texts - {"none"} == {name.replace("_", " ") for name in names}, title
        (target,) = by_title[title]["targets"]
        for code, option in options.items():
            if code != "-1" and option["text"] != "none":
                name = option["text"].replace(" ", "_")
                assert re.search(rf'(\(|or ){code} \* [\w:]+{{[^}}]*="{name}"}}', target["expr"])
    parts = by_title["Parts in ten minutes, by verdict"]["fieldConfig"]["overrides"]
    assert {override["matcher"]["options"] for override in parts} == {one.value for one in Verdict}


def test_colour_is_for_what_is_not_normal() -> None:
    """Whatever is as it should be is grey, and so is every line without a word."""
    seen = set()
    for panel in panels():
        for colour, text in colours(panel):
            assert re.fullmatch("#[0-9a-f]{6}", colour), panel["title"]
            if text in GREYS:
                seen.add(text)
                assert saturation(colour) <= NEUTRAL, (panel["title"], text)
            elif text:
                assert saturation(colour) > NEUTRAL, (panel["title"], text)
        if panel["type"] == "timeseries":
            assert panel["fieldConfig"]["defaults"]["color"]["mode"] == "shades"
            assert saturation(panel["fieldConfig"]["defaults"]["color"]["fixedColor"]) <= NEUTRAL
    assert seen == GREYS


def test_panels_do_not_overlap() -> None:
    """Each cell of the grid belongs to one panel at most, and each panel has an id of its own."""
    taken = set()
    for panel in board()["panels"]:
        place = panel["gridPos"]
        assert place["x"] + place["w"] <= 24, panel["title"]
        for column in range(place["x"], place["x"] + place["w"]):
            for line in range(place["y"], place["y"] + place["h"]):
                assert (column, line) not in taken, panel["title"]
                taken.add((column, line))
    ids = [panel["id"] for panel in board()["panels"]]
    assert len(set(ids)) == len(ids)
