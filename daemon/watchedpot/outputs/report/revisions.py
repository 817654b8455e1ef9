"""What was configured when: the rules in force in a span, as the ledger keeps them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from watchedpot.core.model import EventKind
from watchedpot.core.rules import CellRules
from watchedpot.errors import LedgerError
from watchedpot.outputs import ledger


@dataclass(frozen=True, slots=True)
class LimitChange:
    """One value of the configuration that became another.

    Attributes
    ----------
    what
        Which one, as the configuration names it.
    revision
        Of the configuration that has the new value.
    file
        The file it came from; empty where that is not recorded.
    """

    at_ns: int
    what: str
    old: str
    new: str
    revision: str
    file: str = ""


@dataclass(frozen=True, slots=True)
class Revision:
    """Rules in force from a moment on, until the next.

    Attributes
    ----------
    version
        Of the daemon.
    """

    revision: str
    from_ns: int
    version: str
    rules: CellRules


@dataclass(frozen=True, slots=True)
class Window:
    """Edges of a zone's window for a part of the span. [ns, degC]."""

    from_ns: int
    to_ns: int
    low_c: float
    high_c: float


def cells_of(path: Path) -> tuple[str, ...]:
    """Cells of the newest configuration of a ledger."""
    newest = [run.config_revision for run in ledger.runs(path)][-1:]
    for configuration in ledger.configurations(path):
        if configuration.revision in newest:
            return tuple(str(cell.get("id")) for cell in _cells(configuration))
    return ()


def charge_span(path: Path, cell: str, charge_id: str) -> tuple[int, int | None]:
    """From the newest loading of a charge to the next charge, None while it is in use. [ns].

    Raises
    ------
    LedgerError
        The ledger knows no such charge.
    """
    found: tuple[int, int | None] | None = None
    known: dict[str, None] = {}
    for recorded in ledger.events(path, cell=cell):
        event = recorded.event
        if event.kind is not EventKind.CHARGE_CHANGED or event.detail("how") == "kept":
            continue
        name = str(event.detail("charge_id"))
        known[name] = None
        if name == charge_id and (found is None or found[1] is not None):
            found = event.at.utc_ns, None
        elif name != charge_id and found is not None and found[1] is None:
            found = found[0], event.at.utc_ns
    if found is None:
        names = ", ".join(list(known)[-5:]) or "none"
        raise LedgerError(
            str(path),
            f"expected a charge of {cell}, got {charge_id!r}",
            hint=f"the newest charges are: {names}",
        )
    return found


def rules_of(path: Path, cell: str) -> tuple[Revision, ...]:
    """Rules of a cell by each run of the daemon, oldest first.

    Raises
    ------
    LedgerError
        No configuration of the ledger has the cell, or one cannot be read.
    """
    known = {
        configuration.revision: rules
        for configuration in ledger.configurations(path)
        for rules in [_rules(configuration, cell)]
        if rules is not None
    }
    if not known:
        raise LedgerError(
            str(path),
            f"expected a cell of its configuration, got {cell!r}",
            hint=f"its cells are: {', '.join(cells_of(path)) or 'none'}",
        )
    return tuple(
        Revision(run.config_revision, run.at.utc_ns, run.version, known[run.config_revision])
        for run in ledger.runs(path)
        if run.config_revision in known
    )


def _cells(configuration: ledger.Configuration) -> Sequence[dict[str, object]]:
    """Cells of a configuration as they were recorded."""
    try:
        cells = json.loads(configuration.text)["cells"]
    except (ValueError, KeyError, TypeError):
        return ()
    return [cell for cell in cells if isinstance(cell, dict)]


def _rules(configuration: ledger.Configuration, cell: str) -> CellRules | None:
    found = next((each for each in _cells(configuration) if each.get("id") == cell), None)
    if found is None:
        return None
    try:
        return TypeAdapter(CellRules).validate_python(found)
    except ValidationError as exc:
        fault = exc.errors()[0]
        place = ".".join(str(part) for part in fault["loc"])
        raise LedgerError(
            f"configuration {configuration.revision[:12]}",
            f"cell {cell} cannot be read by this version: {place}: {fault['msg']}",
            hint="make the report with the version that wrote the ledger",
        ) from exc


def in_force(runs: Sequence[Revision], from_ns: int, to_ns: int) -> tuple[Revision, ...]:
    """Runs whose rules hold in a span, each change of rules once."""
    before = [run for run in runs if run.from_ns <= from_ns][-1:]
    inside = [run for run in runs if from_ns < run.from_ns < to_ns]
    kept: list[Revision] = []
    for run in (*before, *inside) or tuple(runs[:1]):
        if not kept or kept[-1].revision != run.revision:
            kept.append(run)
    return tuple(kept)


def windows(zone: str, revisions: Sequence[Revision], span_ns: tuple[int, int]) -> Iterable[Window]:
    """Windows of a zone by the rules in force; a zone that rules do not have has none then."""
    starts = [span_ns[0], *(revision.from_ns for revision in revisions[1:])]
    for revision, start_ns, stop_ns in zip(
        revisions, starts, (*starts[1:], span_ns[1]), strict=True
    ):
        for rules in revision.rules.zones:
            if rules.id == zone:
                yield Window(start_ns, stop_ns, rules.low_c, rules.high_c)
