"""Rules read back from the text that a ledger keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from app.config.plant import FULL, Plant
from watchedpot.app.config import load
from watchedpot.app.config.recorded import rules_of
from watchedpot.core.rules import PartRule, PartRules, Verdict
from watchedpot.errors import LedgerError

DEMO = Path(__file__).parents[3] / "config" / "demo.toml"


def test_the_rules_read_back_as_they_were() -> None:
    """All of them, of both cells."""
    configuration = load(DEMO)
    assert rules_of(configuration.text) == configuration.cells


def test_all_that_can_be_told_reads_back(plant: Plant) -> None:
    """Verdicts, storage, rework, air, and the alarms of a cell."""
    plant.write("plant.toml", FULL)
    configuration = plant.load()
    (rules,) = rules_of(configuration.text)
    assert (rules,) == configuration.cells
    assert rules.judging.verdicts == ((PartRule.NEAR_EDGE, Verdict.REVIEW),)


def test_no_file_and_no_source_is_needed_to_read_back(plant: Plant) -> None:
    """The cells alone are enough, wherever the configuration has gone since."""
    configuration = plant.load()
    (plant.folder / "plant.toml").unlink()
    cells = {"cells": json.loads(configuration.text)["cells"]}
    assert rules_of(json.dumps(cells)) == configuration.cells


def test_an_older_text_has_defaults_for_what_it_did_not_know() -> None:
    """A ledger of an earlier version can still be judged."""
    text = json.loads(load(DEMO).text)
    for cell in text["cells"]:
        for name in ("judging", "part_id", "inspection", "bead_width", "joined"):
            del cell[name]
        for zone in cell["zones"]:
            for name in ("storage", "open_time_s", "rework_s", "rework_caution"):
                del zone["material"][name]
    (lens, _) = rules_of(json.dumps(text))
    assert lens.judging == PartRules()
    assert (lens.part_id, lens.joined) == (None, None)
    material = lens.zones[0].material
    assert (material.storage, material.open_time_s, material.rework_s) == (None, None, None)
    assert material.rework_caution == ""


@pytest.mark.parametrize("text", ["", "{}", '{"cells": [{}]}', '{"cells": 7}'])
def test_another_text_is_refused(text: str) -> None:
    """With what is wrong about it."""
    with pytest.raises(LedgerError, match="recorded configuration: it does not read back"):
        rules_of(text)
