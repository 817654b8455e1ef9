"""The suspects for programs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from app.questions.plant import ZONE, instant_ns, record
from watchedpot.app.questions import suspects_data
from watchedpot.app.questions.suspects import Answer, Question, ask
from watchedpot.app.questions.suspects_data import COLUMNS, as_json, as_table
from watchedpot.app.questions.suspects_text import sentence


@pytest.fixture
def answer(tmp_path: Path) -> Answer:
    """The suspects of the plant, asked at 700 s."""
    return ask(record(tmp_path / "cell.ledger"), Question(instant_ns(700.0)))


@pytest.fixture
def told(answer: Answer) -> dict[str, Any]:
    """The same, through JSON and back."""
    read: dict[str, Any] = json.loads(json.dumps(as_json(answer, ZONE)))
    return read


def test_the_keys_are_those_that_are_documented(told: dict[str, Any]) -> None:
    """The module's docstring names every key, on all levels."""
    documented = suspects_data.__doc__ or ""
    (first, *_) = told["ranges"]
    names = [*told, *first, *first["rules"][0], *told["gaps"][0], *told["counter_jumps"][0]]
    names += [*told["ranges"][-1]["disposition"], *told["rework"]["demo_silicone"]]
    names += first["zones"]["nozzle"]
    assert [name for name in names if f"``{name}``" not in documented] == []


def test_the_totals_are_there(answer: Answer, told: dict[str, Any]) -> None:
    """What was asked, how many, and until when something can be done."""
    assert told["asked_at"] == "2025-06-15T15:18:20.000000000Z"
    assert (told["since"], told["until"]) == (
        "2025-06-15T15:06:40.000000000Z",
        "2025-06-15T15:26:39.000000008Z",
    )
    assert told["sentence"] == sentence(answer, ZONE)
    assert (told["judged"], told["suspect"], told["settled"]) == (11, 7, 1)
    assert (told["reworkable"], told["uncounted"]) == (5, 2)
    assert told["reworkable_until"] == "2025-06-15T15:18:32.000000000Z"
    assert told["verdicts"]["quarantine"] == 3
    assert told["not_watched_s"] == pytest.approx(30.0 + 601.0, abs=1e-6)
    assert told["rework"] == {
        "demo_silicone": {"time_s": 600.0, "caution": "Warm it only under the hood."}
    }
    assert told["counter_jumps"] == [
        {
            "at": "2025-06-15T15:12:20.000000000Z",
            "cell": "lens_4",
            "what": "reset",
            "before": 9,
            "after": 0,
            "uncounted": 2,
        }
    ]


def test_a_range_is_told_in_base_units(told: dict[str, Any]) -> None:
    """Times in UTC, ages in seconds, temperatures in degC, the rule beside its words."""
    first = told["ranges"][0]
    assert (first["cell"], first["first"], first["last"], first["count"]) == ("lens_4", 5, 7, 3)
    assert (first["begun"], first["made"]) == (
        "2025-06-15T15:08:12.000000000Z",
        "2025-06-15T15:09:00.000000000Z",
    )
    assert (first["age_min_s"], first["age_max_s"]) == (3700.0, 3740.0)
    assert first["zones"] == {"nozzle": {"min_c": 111.0, "max_c": 120.0, "coverage_min": 1.0}}
    assert (first["rework_in_time"], first["rework_last_ends"]) == (
        2,
        "2025-06-15T15:18:52.000000000Z",
    )
    (rule,) = first["rules"]
    assert (rule["rule"], rule["zone"]) == ("outside_window", "nozzle")
    assert rule["words"].startswith("nozzle outside its window")
    assert first["disposition"] is None
    assert told["ranges"][-1]["disposition"] == {
        "word": "scrapped",
        "at": "2025-06-15T15:12:35.000000000Z",
        "who": "kim",
        "why": "glued wrong",
    }
    assert told["ranges"][1]["earlier_verdict"] == "clear"
    assert told["ranges"][1]["judged_again_because"] == "readings lost"


def test_a_row_of_the_table_is_a_range(answer: Answer, told: dict[str, Any]) -> None:
    """The columns have the names of the keys and the same values."""
    names, rows = as_table(answer)
    assert names == [*COLUMNS, "nozzle_min_c", "nozzle_max_c", "nozzle_coverage_min"]
    assert len(rows) == len(told["ranges"])
    first, last = (dict(zip(names, row, strict=True)) for row in (rows[0], rows[-1]))
    same = [name for name in COLUMNS if name in told["ranges"][0] and name != "rules"]
    assert {name: first[name] for name in same} == {name: told["ranges"][0][name] for name in same}
    assert (first["rules"], first["nozzle_min_c"]) == ("outside_window:nozzle", 111.0)
    assert first["disposition_word"] is None
    assert (last["disposition_word"], last["disposition_why"]) == ("scrapped", "glued wrong")
    assert dict(zip(names, rows[2], strict=True))["rules"] == "spent_charge"


def test_an_empty_table_has_its_columns(tmp_path: Path) -> None:
    """A program finds the names also where there is no suspect."""
    question = Question(instant_ns(700.0), until_ns=instant_ns(50.0))
    answer = ask(record(tmp_path / "cell.ledger"), question)
    assert as_table(answer) == ([*COLUMNS], [])
    assert as_json(answer)["reworkable_until"] is None
