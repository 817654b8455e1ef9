"""The interface under requests made from its own description: no answer is a fault of ours."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode

from app.test_serving import at, configuration  # noqa: F401 - the fixture with its record
from outputs.web.asking import ScriptedMetrics
from watchedpot.app.config import Configuration
from watchedpot.app.serving import Recorded
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import Entry, EventKind, Instant, Reason, missing_row
from watchedpot.core.snapshot import LedgerSnapshot, Snapshot
from watchedpot.outputs.ledger.chain import details_text
from watchedpot.outputs.web.actions import Outcome
from watchedpot.outputs.web.app import Newest, create_app
from watchedpot.outputs.web.gate import Doors
from watchedpot.outputs.web.tokens import Tokens, line_of
from watchedpot.outputs.wording import sentence

pytestmark = [pytest.mark.integration, pytest.mark.timeout(240)]

TOKEN = "annas-token"
EXAMPLES = 60


@dataclass
class Core:
    """The core and the record's own check of events, behind the actions."""

    plan: CellPlan
    state: CellState
    said: int = 0

    async def __call__(self, entry: Entry) -> Outcome:
        """Judge an entry at the next second."""
        self.said += 1
        entry = replace(entry, at=at(2000.0 + self.said))
        self.state, events = engine.step(self.state, entry, self.plan)
        for event in events:
            details_text(event)
        is_taken = all(event.kind is not EventKind.ENTRY_REFUSED for event in events)
        return Outcome(
            is_taken=is_taken, is_recorded=True, sentence="; ".join(map(sentence, events))
        )


class Ticking:
    """A real time that goes on so fast that no limit is ever reached."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def __call__(self) -> float:
        """A quarter of an hour later. [s]."""
        self._now_s += 900.0
        return self._now_s


@pytest.fixture(scope="module")
def core(configuration: Configuration) -> Core:  # noqa: F811 - as pytest names fixtures
    """The cell with the syringe, after one row that says that nothing is known."""
    rules = next(rules for rules in configuration.cells if rules.id == "lens_4")
    plan = engine.plan_cell(rules)
    row = missing_row("lens_4", rules.channels(), at(1799.0), Reason.NO_ANSWER)
    state, _ = engine.step(engine.start(plan), row, plan)
    return Core(plan, state)


@pytest.fixture(scope="module")
def app(
    configuration: Configuration,  # noqa: F811
    core: Core,
    tmp_path_factory: pytest.TempPathFactory,
) -> FastAPI:
    """All routes over a record of half an hour and the core."""
    path: Path = tmp_path_factory.mktemp("fuzz") / "tokens"
    path.write_text(line_of("anna", TOKEN))
    cell = engine.snapshot(core.state, core.plan)
    assert cell is not None
    ledger = LedgerSnapshot(True, 1, 0, 0, 0, 0, 1, 0, 0, at(1799.0))
    snapshot = Snapshot(at(1799.0), at(0.0), "1", "3f2a", (cell,), (), ledger)

    def now() -> Instant:
        return at(1800.0)

    return create_app(
        Newest(snapshot, now, Ticking(), cells=("lens_4", "housing_7")),
        ScriptedMetrics(),
        record=Recorded(configuration, now),
        enter=core,
        doors=Doors(Tokens(path)),
    )


@pytest.fixture(scope="module")
def description(app: FastAPI) -> schemathesis.BaseSchema:
    """What the app says of itself."""
    return schemathesis.openapi.from_asgi("/openapi.json", app)


OPERATIONS = (
    *("GET /advice", "GET /metrics", "GET /healthz", "GET /api/v1/state", "GET /api/v1/alarms"),
    *("GET /api/v1/cells/{cell}/trend", "GET /api/v1/cells/{cell}/parts", "GET /api/v1/suspects"),
    *("GET /api/v1/events", "POST /api/v1/actions", "GET /api/v1/who"),
)
ENDLESS = "GET /api/v1/live"
"""A stream, whose tests are those of its own room."""

CHECKS = [
    schemathesis.checks.not_a_server_error,
    schemathesis.checks.status_code_conformance,
    schemathesis.checks.content_type_conformance,
    schemathesis.checks.response_schema_conformance,
]


def test_every_path_of_the_description_is_tried(description: schemathesis.BaseSchema) -> None:
    """But for the one that never ends."""
    found = {
        one.ok().label  # type: ignore[union-attr]
        for one in description.get_all_operations()
    }
    assert found == {*OPERATIONS, ENDLESS}


@pytest.mark.parametrize("mode", list(GenerationMode))
@pytest.mark.parametrize("name", OPERATIONS)
def test_no_request_makes_a_fault_and_no_answer_is_undescribed(
    description: schemathesis.BaseSchema, name: str, mode: GenerationMode
) -> None:
    """Good and bad requests alike: never 500, and status, type and body as described."""
    method, path = name.split()
    operation = description[path][method]
    statuses = set[int]()

    @settings(max_examples=EXAMPLES, suppress_health_check=list(HealthCheck))
    @given(operation.as_strategy(generation_mode=mode))
    def ask(case: Any) -> None:
        answer = case.call_and_validate(headers={"authorization": f"Bearer {TOKEN}"}, checks=CHECKS)
        statuses.add(answer.status_code)

    try:
        ask()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE  # nothing can be wrong with so plain a request
        assert not operation.body
    assert not {status for status in statuses if status >= 500}
