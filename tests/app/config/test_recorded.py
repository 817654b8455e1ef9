"""Rules read back from the text that a ledger keeps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from watchedpot.app.config import load
from watchedpot.app.config.recorded import rules_of
from watchedpot.core.rules import CellRules
from watchedpot.errors import LedgerError

DEMO = Path(__file__).parents[3] / "config" / "demo.toml"


def test_the_rules_read_back_as_they_were() -> None:
    """All of them, of both cells."""
    configuration = load(DEMO)
    assert rules_of(configuration.text) == configuration.cells


def test_an_older_text_has_defaults_for_what_it_did_not_know() -> None:
    """A ledger of an earlier version can still be judged."""
    text = json.loads(load(DEMO).text)
    for cell in text["cells"]:
        for name in ("judging", "part_id", "joined"):
            del cell[name]
    (lens, _) = rules_of(json.dumps(text))
    assert lens.judging == CellRules("lens_4", ()).judging


@pytest.mark.parametrize("text", ["", "{}", '{"cells": [{}]}', '{"cells": 7}'])
def test_another_text_is_refused(text: str) -> None:
    """With what is wrong about it."""
    with pytest.raises(LedgerError, match="recorded configuration: it does not read back"):
        rules_of(text)
