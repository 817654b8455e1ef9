"""A recorded cell through the engine once more: the same readings and words, the same conclusions.

A replay takes what came in, readings and what people entered, in the order in which the daemon
took it, run by run, each run under its own configuration. It begins with the record, or at a
checkpoint: a state that the daemon kept, with all that came later. Readings can be corrected on
the way; nothing is written.

Rows of several sources are put in order by the time at which they were received, and an entry
goes in before the first row that is later than it. Neighbouring rows of one source are joined
into long blocks, which changes nothing but the speed: any cut of a series gives the same events
and the same state. Only so many rows are held at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import NamedTuple, TypeAlias

import numpy as np

from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.entries import entry_of
from watchedpot.core.model import Block, Entry, Event, EventKind, Instant, join_blocks
from watchedpot.core.rules import CellRules
from watchedpot.errors import LedgerError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedBlock, RecordedEvent, load_state

ROWS_EACH = 6000
"""Rows of a source that go through the engine at once [1]: longer blocks are hardly faster."""

STEPPED_NS = 86_400 * 10**9
"""How far UTC may have been set back unnoticed: a day, since blocks are found by UTC. [ns]"""

Rules: TypeAlias = Callable[[str], tuple[CellRules, ...]]
"""The rules of the cells in the text of a recorded configuration."""


class Place(NamedTuple):
    """A moment of the record: monotonic times compare within one run only."""

    run: int
    mono_ns: int


@dataclass(frozen=True, slots=True)
class Begin:
    """A state to begin with, which has seen all that was recorded until a moment."""

    run: int
    at: Instant
    state: CellState

    @property
    def place(self) -> Place:
        """The moment in the record."""
        return Place(self.run, self.at.mono_ns)


@dataclass(frozen=True, slots=True)
class Replayed:
    """One step of a replay.

    Attributes
    ----------
    state
        After it.
    events
        What the engine concluded.
    rows
        Readings that went in; 0 for an entry. [1]
    """

    run: int
    state: CellState
    events: tuple[Event, ...]
    rows: int


def recorded_plans(path: Path, cell: str, rules_of: Rules) -> dict[int, CellPlan]:
    """The plan of a cell in each run of a ledger; runs that do not know the cell are missing.

    Raises
    ------
    WatchedpotError
        The ledger, or a configuration in it, cannot be read.
    """
    by_revision = {}
    for configuration in ledger.configurations(path):
        rules = next((one for one in rules_of(configuration.text) if one.id == cell), None)
        if rules is not None:
            by_revision[configuration.revision] = engine.plan_cell(rules)
    return {
        run.id: by_revision[run.config_revision]
        for run in ledger.runs(path)
        if run.config_revision in by_revision
    }


def begin(
    path: Path,
    cell: str,
    *,
    until: Place | None = None,
    since_ns: int | None = None,
    until_ns: int | None = None,
    is_newest: bool = True,
) -> tuple[Begin | None, tuple[str, ...]]:
    """The newest state kept of a cell until a moment, or the oldest one.

    Parameters
    ----------
    until
        Not later than this; None: at any place.
    since_ns, until_ns
        Not before and not after, in UTC. [ns]

    Returns
    -------
    Begin or None
        None where there is none.
    tuple of str
        A note on each that was passed over since it cannot be read any more: one that another
        version of the program kept.
    """
    kept = [
        one
        for one in ledger.checkpoints(path, cell=cell)
        if (until is None or (one.run, one.at.mono_ns) <= until)
        and (since_ns is None or one.at.utc_ns >= since_ns)
        and (until_ns is None or one.at.utc_ns <= until_ns)
    ]
    notes = list[str]()
    for one in reversed(kept) if is_newest else kept:
        try:
            return Begin(one.run, one.at, load_state(CellState, one.state)), tuple(notes)
        except LedgerError as exc:
            notes.append(f"{exc}; the state of run {one.run} was passed over")
    return None, tuple(notes)


def replay(
    path: Path,
    cell: str,
    plans: Mapping[int, CellPlan],
    *,
    since: Begin | None = None,
    until: Place | None = None,
    correct: Callable[[RecordedBlock], Block] | None = None,
    is_taken: Callable[[Place, Entry], bool] | None = None,
    rows_each: int = ROWS_EACH,
) -> Iterator[Replayed]:
    """What the engine makes of the record of a cell, step by step.

    Parameters
    ----------
    plans
        Of each run, as ``recorded_plans`` gives them; what other runs recorded is passed over.
    since
        Where to begin; None: at the beginning of the record.
    until
        The last row that goes in, and behind the last entry; None: to the end of the record.
    correct
        Changes readings on the way; keeps rows and channels.
    is_taken
        Whether an entry goes in; None: all do.
    rows_each
        Most rows in a step. [1]

    Raises
    ------
    LedgerError
        The ledger cannot be read.
    """
    state, run, rows_ns = None, 0, dict[str, int]()
    if since is not None:
        state, run, rows_ns = since.state, since.run, dict(since.state.rows)
    begun = run
    said, anew = _said(path, cell, plans, since, until)
    if is_taken is not None:
        said = [(place, entry) for place, entry in said if is_taken(place, entry)]
    for at_run, item in _inputs(_blocks(path, plans, since, until), said, rows_each=rows_each):
        plan = plans[at_run]
        if state is None or (at_run != run and at_run in anew):
            state = engine.start(plan)
        elif at_run != run:
            state = engine.adopt(state, plan)
        run = at_run
        batch = item
        if isinstance(batch, Block):
            if run == begun:
                batch = _later(batch, rows_ns.get(batch.source))
            if correct is not None:
                batch = correct(RecordedBlock(run, batch))
        state, events = engine.step(state, batch, plan)
        yield Replayed(run, state, events, len(batch) if isinstance(batch, Block) else 0)


def _said(
    path: Path,
    cell: str,
    plans: Mapping[int, CellPlan],
    since: Begin | None,
    until: Place | None,
) -> tuple[list[tuple[Place, Entry]], set[int]]:
    """What people entered, in order, and the runs in which the account of the cell began anew."""
    said, anew = [], set[int]()
    since_ns = None if since is None else since.at.utc_ns - STEPPED_NS
    for recorded in ledger.events(path, cell=cell, since_ns=since_ns):
        event, place = recorded.event, _place(recorded)
        if event.kind is EventKind.CONFIGURATION_CHANGED:
            anew.add(recorded.run)  # of a cell: its state was lost
        if event.kind is not EventKind.ENTERED or recorded.run not in plans:
            continue
        if (since is None or place > since.place) and (until is None or place < until):
            said.append((place, entry_of(event)))
    said.sort(key=lambda pair: pair[0])  # stable: those of one moment stay as recorded
    return said, anew


def _place(recorded: RecordedEvent) -> Place:
    return Place(recorded.run, recorded.event.at.mono_ns)


def _blocks(
    path: Path,
    plans: Mapping[int, CellPlan],
    since: Begin | None,
    until: Place | None,
) -> Iterator[RecordedBlock]:
    """Recorded blocks of a cell, by run and by the time of the first row."""
    channels = {run: set(plan.rules.channels()) for run, plan in plans.items()}
    from_ns = None if since is None else since.at.utc_ns - STEPPED_NS
    first_run = 0 if since is None else since.run
    for one in ledger.blocks(path, from_ns=from_ns):
        if until is not None and (one.run, one.block.mono_ns[0]) > until:
            return
        if one.run < first_run or not channels.get(one.run, set()) & set(one.block.channels):
            continue
        if until is not None and one.run == until.run:
            rows = int(np.searchsorted(one.block.mono_ns, until.mono_ns, side="right"))
            yield RecordedBlock(one.run, one.block.rows(0, rows))
        else:
            yield one


def _later(block: Block, before_ns: int | None) -> Block:
    """The rows that a state has not seen yet."""
    if before_ns is None:
        return block
    return block.rows(int(np.searchsorted(block.mono_ns, before_ns, side="right")), len(block))


def _inputs(
    blocks: Iterable[RecordedBlock], said: Sequence[tuple[Place, Entry]], *, rows_each: int
) -> Iterator[tuple[int, Block | Entry]]:
    """Rows and entries in the order in which they came, with their runs."""
    waiting = list(said)[::-1]
    for run, of_run in groupby(blocks, key=lambda one: one.run):
        while waiting and waiting[-1][0].run < run:
            place, entry = waiting.pop()
            yield place.run, entry
        for block in _in_order((one.block for one in of_run), rows_each=rows_each):
            rest = block
            while waiting and waiting[-1][0] < (run, int(rest.mono_ns[-1])):
                place, entry = waiting.pop()
                start = int(np.searchsorted(rest.mono_ns, place.mono_ns, side="right"))
                if start:
                    yield run, rest.rows(0, start)
                yield run, entry
                rest = rest.rows(start, len(rest))
            yield run, rest
    while waiting:
        place, entry = waiting.pop()
        yield place.run, entry


def _in_order(blocks: Iterable[Block], *, rows_each: int) -> Iterator[Block]:
    """Rows of the blocks of one run, which come by their first rows, in order of time.

    They are joined as far as they are of one source, up to ``rows_each``.
    """
    held: list[Block] = []
    for block in blocks:
        if sum(map(len, held)) >= rows_each:
            # All that is still to come is later than the first row of this block.
            cuts = [int(np.searchsorted(one.mono_ns, block.mono_ns[0])) for one in held]
            ready = [one.rows(0, cut) for one, cut in zip(held, cuts, strict=True) if cut]
            held = [
                one.rows(cut, len(one))
                for one, cut in zip(held, cuts, strict=True)
                if cut < len(one)
            ]
            yield from _woven(ready, rows_each=rows_each)
        held.append(block)
    yield from _woven(held, rows_each=rows_each)


def _woven(blocks: Sequence[Block], *, rows_each: int) -> Iterator[Block]:
    """Rows of some blocks in order of time, those of one moment in the order of their sources."""
    by_source: dict[str, list[Block]] = {}
    for block in blocks:
        by_source.setdefault(block.source, []).append(block)
    joined = [join_blocks(by_source[source]) for source in sorted(by_source)]
    if not joined:
        return
    which = np.repeat(np.arange(len(joined)), [len(block) for block in joined])
    order = np.lexsort((which, np.concatenate([block.mono_ns for block in joined])))
    stops = np.flatnonzero(np.diff(which[order], append=-1)) + 1
    taken, start = [0] * len(joined), 0
    for stop in stops.tolist():
        source = int(which[order[start]])
        end = taken[source] + stop - start
        for first in range(taken[source], end, rows_each):
            yield joined[source].rows(first, min(first + rows_each, end))
        taken[source], start = end, stop
