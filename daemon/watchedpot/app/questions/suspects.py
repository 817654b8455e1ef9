"""Which parts are suspect, why, and how long they can still be reworked: the question itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from watchedpot.app.questions.gaps import Gap, covered_ns, gaps_of
from watchedpot.app.questions.ranges import Range, by_urgency, ranges_of
from watchedpot.app.questions.settings import Settings
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import Verdict
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedPart


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked.

    Attributes
    ----------
    asked_ns
        When, on the clock of the record. [ns]
    since_ns, until_ns
        Parts counted from the one on and before the other; None without bound. [ns]
    is_of_all
        Whether parts that are not suspect are listed too.
    """

    asked_ns: int
    since_ns: int | None = None
    until_ns: int | None = None
    cell: str | None = None
    charge: str | None = None
    is_of_all: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What the ledger says to it.

    Attributes
    ----------
    span_ns
        Begin and end of what was looked at. [ns]
    record_ends_ns
        End of the record; None where it does not matter. [ns]
    counts
        Parts by their newest verdict. [1]
    ranges
        Most urgent first.
    """

    question: Question
    span_ns: tuple[int, int]
    counts: Mapping[Verdict, int]
    ranges: tuple[Range, ...]
    settings: Settings
    record_ends_ns: int | None = None
    gaps: tuple[Gap, ...] = ()
    jumps: tuple[Event, ...] = ()
    rework: Mapping[str, tuple[float | None, str]] = field(default_factory=dict)

    @property
    def suspects(self) -> list[Range]:
        """Ranges of suspect parts."""
        return [one for one in self.ranges if one.said.verdict.is_suspect]

    @property
    def uncounted(self) -> int:
        """Parts that were certainly made and have no number. [1]."""
        told = [event.detail("uncounted") for event in self.jumps]
        return sum(number for number in told if isinstance(number, int))


def ask(path: Path, question: Question) -> Answer:
    """Answer from a ledger, also from one in use."""
    settings = Settings.read(path)
    settings.check_cell(question.cell)
    from_ns, to_ns, end_ns = covered_ns(
        path,
        begin_ns=settings.runs[0].at.utc_ns if settings.runs else question.asked_ns,
        asked_ns=question.asked_ns,
        since_ns=question.since_ns,
        until_ns=question.until_ns,
    )
    span_ns = from_ns, to_ns
    suspects_only = not question.is_of_all
    earlier = _earlier(path, question, _parts(path, question, suspects_only=suspects_only))
    ranges = ranges_of(
        _parts(path, question, suspects_only=suspects_only),
        asked_ns=question.asked_ns,
        decided=tuple(ledger.dispositions(path, cell=question.cell)),
        revision=settings.revision,
        earlier=lambda part: earlier.get(part.seq),
    )
    cells = {one.said.cell for one in ranges if one.said.verdict.is_suspect}
    sources = frozenset() if question.cell is None else settings.sources_of(question.cell)
    return Answer(
        question=question,
        span_ns=span_ns,
        counts=_counts(path, question),
        ranges=tuple(by_urgency(ranges)),
        settings=settings,
        record_ends_ns=end_ns,
        gaps=gaps_of(
            path, cell=question.cell, sources=sources, since_ns=span_ns[0], until_ns=span_ns[1]
        ),
        jumps=tuple(
            recorded.event
            for recorded in ledger.events(
                path, since_ns=question.since_ns, until_ns=question.until_ns, cell=question.cell
            )
            if recorded.event.kind is EventKind.COUNTER_JUMPED
        ),
        rework=settings.rework(cells),
    )


def _parts(path: Path, question: Question, *, suspects_only: bool) -> Iterator[RecordedPart]:
    """The parts that were asked for, in their newest judgement."""
    return ledger.parts(
        path,
        since_ns=question.since_ns,
        until_ns=question.until_ns,
        cell=question.cell,
        charge=question.charge,
        suspects_only=suspects_only,
    )


def _counts(path: Path, question: Question) -> dict[Verdict, int]:
    """Parts by their newest verdict."""
    if question.charge is None:
        found = ledger.verdicts(
            path, since_ns=question.since_ns, until_ns=question.until_ns, cell=question.cell
        )
        return {verdict: found[verdict.value] for verdict in Verdict}
    counts = dict.fromkeys(Verdict, 0)
    for part in _parts(path, question, suspects_only=False):
        counts[part.verdict] += part.count
    return counts


def _earlier(path: Path, question: Question, parts: Iterable[RecordedPart]) -> dict[int, Verdict]:
    """Verdict before the newest, by the row of the newest, of those that were judged again."""
    moments = [part.at.utc_ns for part in parts if part.judgement > 1]
    if not moments:
        return {}
    newest: dict[tuple[str, int, int], Verdict] = {}
    found = {}
    for part in ledger.parts(
        path,
        since_ns=min(moments),
        until_ns=max(moments) + 1,
        cell=question.cell,
        is_latest=False,
    ):
        key = part.cell, part.epoch, part.first
        if key in newest:
            found[part.seq] = newest[key]
        newest[key] = part.verdict
    return found
