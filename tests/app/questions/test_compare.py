"""What other limits would have concluded from the same readings."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from app.questions.plant import run
from support.cells import DISPENSING, PARTS, TEMPERATURE, UTC_NS, Cells, alarm, block, cell, zone
from support.replay import record
from watchedpot.app.config import Configuration, Service, load
from watchedpot.app.questions import compare
from watchedpot.app.questions.compare import Answer, Difference, Question
from watchedpot.core.engine import CellPlan, plan_cell
from watchedpot.core.model import Block
from watchedpot.core.rules import AlarmKind, CellRules
from watchedpot.core.units import NANO
from watchedpot.errors import ConfigError
from watchedpot.outputs import ledger

CONFIG = Path(__file__).parents[3] / "config" / "lens_4.toml"
CYCLE_S = 10
TEMPS_C: list[float] = [120.0] * 300 + [113.0] * 120 + [120.0] * 180
ASKED = Question(UTC_NS + 600 * NANO)


def plan(low_c: float = 115.0) -> CellPlan:
    """A nozzle, cold for two minutes after five, by a window that begins at 115 degC or not."""
    return cell(zone(alarm(AlarmKind.COLD), low_c=low_c, high_c=125.0, setpoint=None), parts=PARTS)


def rows(start_s: int = 0, temps_c: list[float] | None = None) -> Block:
    """A part every ten seconds, dispensed in the first half of them."""
    temps = TEMPS_C if temps_c is None else temps_c
    times = range(start_s, start_s + len(temps))
    told: dict[str, Cells] = {
        TEMPERATURE: temps,
        DISPENSING: [float(second % CYCLE_S < CYCLE_S // 2) for second in times],
        PARTS: [float((second + CYCLE_S // 2) // CYCLE_S) for second in times],
    }
    return block(told, start_s=float(start_s))


def text_of(*cells: CellRules) -> str:
    """Text of a configuration as the ledger keeps it."""
    return json.dumps(
        {"cells": TypeAdapter(tuple[CellRules, ...]).dump_python(cells, mode="json"), "sources": []}
    )


def configured(*plans: CellPlan) -> Configuration:
    """A configuration of some cells."""
    cells = tuple(one.rules for one in plans)
    return Configuration((), cells, _SERVICE, text_of(*cells), "new", (), ())


_SERVICE = Service("127.0.0.1", 0, 1000, Path("cell.ledger"), 1.0, 400.0, 4000.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of one run."""
    path = tmp_path / "cell.ledger"
    record(path, plan(), [rows()], config=text_of(plan().rules))
    return path


def figures(answer: Answer) -> dict[str, tuple[int, int]]:
    """What differs or not."""
    return {one.what: (one.recorded, one.compared) for one in answer.differences}


def test_the_same_limits_conclude_the_same(path: Path) -> None:
    """And what was concluded live."""
    answer = compare.ask(path, configured(plan()), ASKED)
    assert answer.changes == ()
    assert all(one.recorded == one.compared for one in answer.differences)
    counted = ledger.verdicts(path)
    found = figures(answer)
    assert {name: found.get(f"parts, {name}", (0, 0))[0] for name in counted} == counted


def test_a_wider_window_would_have_passed_the_parts(path: Path) -> None:
    """No excursion, no alarm, no part held; the setting that does it is named."""
    answer = compare.ask(path, configured(plan(low_c=110.0)), ASKED)
    assert [(one.path, one.old, one.new) for one in answer.changes] == [
        ("cells.lens_4.zones.nozzle.window_low_c", 115.0, 110.0)
    ]
    found = figures(answer)
    assert found["excursions of nozzle, low"] == (1, 0)
    assert found["alarms of nozzle, cold"] == (1, 0)
    held = found["parts, quarantine"]
    assert held[0] >= 12
    assert held[1] == 0
    assert sum(one.recorded for one in answer.differences if one.what.startswith("parts")) == sum(
        one.compared for one in answer.differences if one.what.startswith("parts")
    )


def test_a_span_begins_with_what_was_known_before_it(tmp_path: Path) -> None:
    """From a state that was kept; what lies outside the span does not count."""
    path = tmp_path / "cell.ledger"
    later_s = 7 * 3600
    quiet = rows(0, [120.0] * 60)
    record(path, plan(), [quiet, rows(later_s)], config=text_of(plan().rules))
    end_ns = UTC_NS + (later_s + 600) * NANO
    asked = Question(end_ns, since_ns=UTC_NS + (later_s + 500) * NANO)
    found = figures(compare.ask(path, configured(plan(low_c=110.0)), asked))
    assert "excursions of nozzle, low" not in found
    asked = Question(end_ns, since_ns=UTC_NS + later_s * NANO)
    found = figures(compare.ask(path, configured(plan(low_c=110.0)), asked))
    assert found["excursions of nozzle, low"] == (1, 0)
    asked = replace(asked, until_ns=UTC_NS + (later_s + 200) * NANO)
    found = figures(compare.ask(path, configured(plan(low_c=110.0)), asked))
    assert "excursions of nozzle, low" not in found
    early = Question(end_ns, since_ns=UTC_NS - 100 * NANO)
    assert figures(compare.ask(path, configured(plan()), early))["alarms of nozzle, cold"] == (1, 1)


def test_what_the_record_lacks_is_told(path: Path) -> None:
    """A signal that was not wired then was not seen."""
    wired = cell(zone(low_c=115.0, high_c=125.0), parts=PARTS)
    answer = compare.ask(path, configured(wired), ASKED)
    assert answer.unrecorded == ("lens_4/nozzle/setpoint",)
    assert "not seen: lens_4/nozzle/setpoint" in compare.text(answer)


def test_the_cell_must_be_one_of_both(path: Path) -> None:
    """One that nobody named, or that one of them does not know."""
    other = cell(zone(), id="housing_7")
    with pytest.raises(ConfigError, match="expected one of lens_4, housing_7"):
        compare.ask(path, configured(plan(), other), ASKED)
    with pytest.raises(ConfigError, match="expected one of lens_4"):
        compare.ask(path, configured(plan()), replace(ASKED, cell="housing_7"))


def test_the_answer_is_told_to_people_and_programs(path: Path) -> None:
    """With a mark where something differs; the verdicts stand from the best to the worst."""
    answer = compare.ask(path, configured(plan(low_c=110.0)), ASKED)
    lines = compare.text(answer).splitlines()
    assert max(map(len, lines)) <= 100
    assert "with 1 other setting" in lines[0] + lines[1]
    (alarm,) = [line for line in lines if "alarms of nozzle, cold" in line]
    assert alarm.split()[-3:] == ["1", "0", "*"]
    told = compare.as_json(answer)
    assert told["cell"] == "lens_4"
    names, table = compare.as_table(answer)
    assert len(names) == len(table[0])
    parts = [one.what for one in answer.differences if one.what.startswith("parts")]
    assert parts.index("parts, clear") < parts.index("parts, quarantine")
    noted = replace(
        answer, notes=("a state was passed over",), differences=(Difference("x", 1, 1),)
    )
    assert "a state was passed over" in compare.text(noted)


def test_the_command_reads_a_configuration(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As it is typed, for people and for programs."""
    path = tmp_path / "cell.ledger"
    found = load(CONFIG)
    record(path, plan_cell(found.cells[0]), [rows()], config=found.text)
    assert run("compare", path, str(CONFIG)) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "with 0 other settings, 0 figures would differ" in told
    assert run("compare", path, str(CONFIG), "--json") == 0
    assert json.loads(capsys.readouterr().out)["settings"] == []
    assert run("compare", path, str(CONFIG), "--csv") == 0
    assert capsys.readouterr().out.startswith("cell,what,recorded,compared")
