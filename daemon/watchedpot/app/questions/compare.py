"""What other limits would have concluded: a record replayed as it was and under new rules.

Both ways begin with the same state, one that the daemon kept before the span of time, or with the
record. What people entered goes in again, also what they would perhaps not have done; parts that
were judged again after a check count as first judged. So the answer compares rules and does not
foretell.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path

from watchedpot.app.config import Configuration
from watchedpot.app.config.recorded import rules_of
from watchedpot.app.questions.like import is_raised
from watchedpot.app.questions.lines import CAUTION, counted, prose
from watchedpot.app.questions.settings import Change, Settings, changes, shown
from watchedpot.app.questions.times import iso, local
from watchedpot.app.replay import Begin, begin, recorded_plans, replay
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import Verdict
from watchedpot.errors import ConfigError
from watchedpot.outputs import ledger


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: a cell, a span of time up to and without its end [ns]; None for no bound."""

    asked_ns: int
    since_ns: int | None = None
    until_ns: int | None = None
    cell: str | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """How often something was concluded, and would have been. [1]."""

    what: str
    recorded: int
    compared: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What was found.

    Attributes
    ----------
    span_ns
        Begin and end of what was compared. [ns]
    changes
        What the new configuration sets otherwise than the newest recorded one.
    unrecorded
        Channels of the new configuration that the record does not have.
    """

    cell: str
    span_ns: tuple[int, int]
    changes: tuple[Change, ...]
    differences: tuple[Difference, ...]
    unrecorded: tuple[str, ...]
    notes: tuple[str, ...]


def ask(path: Path, configuration: Configuration, question: Question) -> Answer:
    """Compare a record with what a configuration would have concluded from it.

    Raises
    ------
    ConfigError
        The cell is not known to both, or several are and none was named.
    LedgerError
        The ledger cannot be read.
    """
    settings = Settings.read(path)
    rules = {rules.id: rules for rules in configuration.cells}
    cell = _cell(question.cell, rules, settings)
    plans = recorded_plans(path, cell, rules_of)
    plan = engine.plan_cell(rules[cell])
    span_ns = _span(path, question, settings)
    since, notes = None, tuple[str, ...]()
    if question.since_ns is not None:
        since, notes = begin(path, cell, until_ns=question.since_ns)
    recorded = _concluded(path, cell, plans, since, span_ns)
    adopted = None if since is None else replace(since, state=engine.adopt(since.state, plan))
    compared = _concluded(path, cell, dict.fromkeys(plans, plan), adopted, span_ns)
    known = {name for one in plans.values() for name in one.rules.channels()}
    return Answer(
        cell,
        span_ns,
        tuple(_of_cell(changes(_newest(settings), configuration.text), cell)),
        tuple(
            Difference(what, recorded[what], compared[what])
            for what in _in_order({**recorded, **compared})
        ),
        tuple(name for name in rules[cell].channels() if name not in known),
        notes,
    )


def _cell(asked: str | None, known: Iterable[str], settings: Settings) -> str:
    """The cell to compare."""
    settings.check_cell(asked)
    names = tuple(known)
    if asked is None and len(names) == 1:
        return names[0]
    if asked is None or asked not in names:
        fault = f"--cell: expected one of {', '.join(names)}, got {asked or 'none'}"
        raise ConfigError("--cell", [fault])
    return asked


def _span(path: Path, question: Question, settings: Settings) -> tuple[int, int]:
    begin_ns = settings.runs[0].at.utc_ns if settings.runs else question.asked_ns
    newest_ns = ledger.newest_ns(path)
    end_ns = (question.asked_ns if newest_ns is None else newest_ns) + 1
    from_ns = begin_ns if question.since_ns is None else max(begin_ns, question.since_ns)
    to_ns = end_ns if question.until_ns is None else min(end_ns, question.until_ns)
    return from_ns, max(from_ns, to_ns)


def _newest(settings: Settings) -> str:
    return settings.texts[settings.runs[-1].config_revision] if settings.runs else "{}"


def _of_cell(found: Iterable[Change], cell: str) -> Iterable[Change]:
    """Changes of a cell's own rules: where it reads its signals changes no conclusion here."""
    return (one for one in found if one.path.startswith(f"cells.{cell}."))


def _concluded(
    path: Path,
    cell: str,
    plans: Mapping[int, CellPlan],
    since: Begin | None,
    span_ns: tuple[int, int],
) -> Counter[str]:
    """What the engine concludes within a span, counted by what it is."""
    found = Counter[str]()
    for step in replay(path, cell, plans, since=since):
        for event in step.events:
            if span_ns[0] <= event.at.utc_ns < span_ns[1]:
                found.update(_told(event))
    return found


def _told(event: Event) -> dict[str, int]:
    """What an event counts as: excursions, alarms raised, spoilt charges, parts by verdict."""
    if event.kind is EventKind.EXCURSION_OPENED:
        return {f"excursions of {event.zone}, {event.detail('edge')}": 1}
    if is_raised(event):
        return {f"alarms of {event.zone or 'the cell'}, {event.detail('alarm')}": 1}
    if event.kind is EventKind.CHARGE_OVERHEATED:
        return {"charges, overheated": 1}
    if event.kind is EventKind.PART_MADE and not event.detail("because"):
        count = int(event.detail("last") or 0) + 1 - int(event.detail("first") or 0)
        return {f"parts, {event.detail('verdict')}": count}
    return {}


def _in_order(names: Iterable[str]) -> list[str]:
    """Excursions, alarms, charges, then parts from the best verdict to the worst."""
    parts = [f"parts, {verdict.value}" for verdict in Verdict]
    groups = ("excursions", "alarms", "charges", "parts")
    return sorted(
        names,
        key=lambda name: (
            groups.index(name.split(maxsplit=1)[0].rstrip(",")),
            parts.index(name) if name in parts else 0,
            name,
        ),
    )


def text(answer: Answer, tz: tzinfo | None = None) -> str:
    """The answer as it is printed."""
    from_ns, to_ns = answer.span_ns
    changed = [one for one in answer.differences if one.recorded != one.compared]
    lines = prose(
        f"{answer.cell}, {local(from_ns, tz)} to {local(to_ns, tz)}: with "
        f"{counted(len(answer.changes), 'other setting')}, "
        f"{counted(len(changed), 'figure')} would differ."
    )
    lines += ["", "Settings                                      recorded  compared"]
    for one in answer.changes:
        name = one.path.removeprefix(f"cells.{answer.cell}.")
        lines += [f"  {name:<44}{shown(one.old):>8}{shown(one.new):>10}"]
    lines += ["", "Concluded                                     recorded  compared"]
    for each in answer.differences:
        mark = " *" if each.recorded != each.compared else ""
        name = each.what.replace("_", " ")
        lines += [f"  {name:<44}{each.recorded:>8,}{each.compared:>10,}{mark}"]
    if answer.unrecorded:
        lines += ["", *prose(f"Not in the record, so not seen: {', '.join(answer.unrecorded)}.")]
    for note in answer.notes:
        lines += ["", *prose(note)]
    return "\n".join([*lines, "", *prose(f"{_MEANING} {CAUTION}")])


_MEANING = (
    "Both columns are replays of the same readings and entries; with other limits people might"
    " have acted otherwise. Let the adhesive's data sheet decide about limits, not the number of"
    " alarms."
)


def as_json(answer: Answer) -> dict[str, object]:
    """The answer for programs: ``cell``, ``from``, ``to``, ``settings``, ``concluded``."""
    from_ns, to_ns = answer.span_ns
    return {
        "cell": answer.cell,
        "from": iso(from_ns),
        "to": iso(to_ns),
        "settings": [one._asdict() for one in answer.changes],
        "concluded": {
            one.what: {"recorded": one.recorded, "compared": one.compared}
            for one in answer.differences
        },
        "unrecorded": list(answer.unrecorded),
        "notes": list(answer.notes),
    }


def as_table(answer: Answer) -> tuple[list[str], list[list[object]]]:
    """Names of the columns and one row for each figure."""
    rows: list[list[object]] = [
        [answer.cell, one.what, one.recorded, one.compared] for one in answer.differences
    ]
    return ["cell", "what", "recorded", "compared"], rows
