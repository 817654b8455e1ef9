"""What became of the parts of a span: totals, ranges of suspects, and what each zone gave them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedPart

UNDECIDED = "undecided"
"""Stands for parts about which nobody has decided."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """Counter values that follow each other, both ends included."""

    first: int
    last: int

    def __str__(self) -> str:
        return f"{self.first}" if self.first == self.last else f"{self.first}\N{EN DASH}{self.last}"


@dataclass(frozen=True, slots=True)
class Total:
    """Parts of one verdict."""

    verdict: Verdict
    count: int
    numbers: tuple[Numbers, ...]


@dataclass(frozen=True, slots=True)
class Suspects:
    """Neighbouring parts against which the same is said.

    Attributes
    ----------
    epoch
        How often the counter had begun anew.
    from_ns, to_ns
        Begin of the first and count of the last. [ns]
    rules
        What speaks against them, each with its zone or "".
    because
        Why they were judged again; empty for a first judgement.
    charges
        Charges they are of.
    reworkable_until_ns
        Until when the first of them can be reworked; None where it is not known. [ns]
    decided
        Parts by what was decided about them, ``undecided`` among it.
    """

    verdict: Verdict
    epoch: int
    numbers: Numbers
    from_ns: int
    to_ns: int
    rules: tuple[tuple[PartRule, str], ...]
    because: str
    charges: tuple[str, ...]
    reworkable_until_ns: int | None
    decided: tuple[tuple[str, int], ...]

    @property
    def count(self) -> int:
        """How many parts."""
        return self.numbers.last - self.numbers.first + 1

    @property
    def undecided(self) -> int:
        """Of how many of them nobody has said what becomes."""
        return dict(self.decided).get(UNDECIDED, 0)


@dataclass(frozen=True, slots=True, eq=False)
class OfParts:
    """What one zone gave the parts, those that cannot be told apart left out.

    Attributes
    ----------
    at_ns : (n,) int64
        When each was counted. [ns]
    mean_c, coverage : (n,) float64
        Mean while dispensing, nan where not seen, and share seen. [degC, 1]
    low_c, high_c
        Lowest and highest while dispensing; None where nothing was seen. [degC]
    """

    at_ns: NDArray[np.int64]
    mean_c: NDArray[np.float64]
    coverage: NDArray[np.float64]
    low_c: float | None
    high_c: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """The parts of a span in their newest judgement.

    Attributes
    ----------
    totals
        Of each verdict, from bad to good, all named.
    suspects
        Ranges of suspects, in order of time.
    reworkable_ns
        Until when each undecided suspect can be reworked, sorted. [ns]
    marks_ns, marks : (n,) arrays
        When each suspect was counted, and the place of its verdict in ``WORST_FIRST``. [ns]
    rejudged
        Parts whose newest judgement is not their first.
    zones
        By name, what each gave the parts.
    part_at_ns, age_s, life_used : (n,) arrays
        Count of each part, age of its charge and share of pot life used, nan where not known.
        [ns, s, 1]
    tip_low_c, tip_high_c
        Extremes of the estimated tip while dispensing; None where not known. [degC]
    charges
        Parts of each charge, with the lowest and the highest of their numbers.
    """

    totals: tuple[Total, ...]
    suspects: tuple[Suspects, ...]
    reworkable_ns: tuple[int, ...]
    marks_ns: NDArray[np.int64]
    marks: NDArray[np.int64]
    rejudged: int
    zones: dict[str, OfParts]
    part_at_ns: NDArray[np.int64]
    age_s: NDArray[np.float64]
    life_used: NDArray[np.float64]
    tip_low_c: float | None
    tip_high_c: float | None
    charges: dict[str, tuple[int, Numbers]]

    @property
    def count(self) -> int:
        """All parts."""
        return sum(total.count for total in self.totals)

    @property
    def suspect_count(self) -> int:
        """All suspects."""
        return sum(total.count for total in self.totals if total.verdict.is_suspect)


WORST_FIRST = tuple(reversed(Verdict))


def made(
    parts: Iterable[RecordedPart], zones: Sequence[str], decided: Sequence[ledger.Disposition] = ()
) -> Made:
    """Everything that is told of the parts, from one pass over them."""
    gathered = _Gathered(zones)
    for part in parts:
        gathered.take(part)
    return gathered.made(decided)


@dataclass(slots=True)
class _Gathered:
    """What is kept of each part while they pass by."""

    names: Sequence[str]
    judged: dict[Verdict, list[tuple[int, int, int]]] = field(default_factory=dict)
    bad: list[RecordedPart] = field(default_factory=list)
    rejudged: int = 0
    at_ns: list[int] = field(default_factory=list)
    age_s: list[float] = field(default_factory=list)
    life_used: list[float] = field(default_factory=list)
    tips: list[tuple[float, float]] = field(default_factory=list)
    charges: dict[str, tuple[int, Numbers]] = field(default_factory=dict)
    values: list[list[float]] = field(default_factory=list)
    """Of each part: mean, coverage, lowest and highest of each zone, one after the other."""

    def take(self, part: RecordedPart) -> None:
        """One more part."""
        self.judged.setdefault(part.verdict, []).append((part.epoch, part.first, part.last))
        if part.verdict.is_suspect:
            self.bad.append(part)
        self.rejudged += part.count * (part.judgement > 1)
        if part.tip_min_c is not None and part.tip_max_c is not None:
            self.tips.append((part.tip_min_c, part.tip_max_c))
        if part.charge_id is not None:
            count, known = self.charges.get(part.charge_id, (0, Numbers(part.first, part.last)))
            known = Numbers(min(known.first, part.first), max(known.last, part.last))
            self.charges[part.charge_id] = count + part.count, known
        if part.count > 1:
            return
        self.at_ns.append(part.at.utc_ns)
        self.age_s.append(_number(part.age_s))
        self.life_used.append(_number(part.life_used))
        row = []
        for name in self.names:
            zone = part.zones.get(name)
            if zone is None:
                row += [np.nan, 0.0, np.nan, np.nan]
            else:
                row += [_number(zone.mean_c), zone.coverage]
                row += [_number(zone.min_c), _number(zone.max_c)]
        self.values.append(row)

    def made(self, decided: Sequence[ledger.Disposition]) -> Made:
        """What it comes to."""
        order = np.argsort(np.array(self.at_ns, dtype=np.int64), kind="stable")
        at_ns = np.array(self.at_ns, dtype=np.int64)[order]
        values = np.array(self.values, dtype=np.float64).reshape(-1, 4 * len(self.names))[order]
        bad = sorted(self.bad, key=lambda part: (part.epoch, part.first))
        words = [_word(part, decided) for part in bad]
        suspects = _grouped(bad, words)
        is_open = [word == (UNDECIDED,) * part.count for part, word in zip(bad, words, strict=True)]
        return Made(
            totals=tuple(
                Total(verdict, _count(rows), _ranges(rows))
                for verdict in WORST_FIRST
                for rows in [self.judged.get(verdict, [])]
            ),
            suspects=suspects,
            reworkable_ns=tuple(
                sorted(
                    until_ns
                    for part, is_so in zip(bad, is_open, strict=True)
                    if is_so and (until_ns := part.reworkable_until_utc_ns) is not None
                )
            ),
            marks_ns=np.array([part.at.utc_ns for part in bad], dtype=np.int64),
            marks=np.array([WORST_FIRST.index(part.verdict) for part in bad], dtype=np.int64),
            rejudged=self.rejudged,
            zones={
                name: _of_parts(at_ns, values[:, 4 * place : 4 * place + 4])
                for place, name in enumerate(self.names)
            },
            part_at_ns=at_ns,
            age_s=np.array(self.age_s, dtype=np.float64)[order],
            life_used=np.array(self.life_used, dtype=np.float64)[order],
            tip_low_c=min((low for low, _ in self.tips), default=None),
            tip_high_c=max((high for _, high in self.tips), default=None),
            charges=self.charges,
        )


def _number(value: float | None) -> float:
    return np.nan if value is None else value


def _of_parts(at_ns: NDArray[np.int64], values: NDArray[np.float64]) -> OfParts:
    mean_c, coverage, low_c, high_c = values.T
    return OfParts(
        at_ns,
        mean_c,
        coverage,
        float(np.nanmin(low_c)) if np.isfinite(low_c).any() else None,
        float(np.nanmax(high_c)) if np.isfinite(high_c).any() else None,
    )


def _count(rows: Sequence[tuple[int, int, int]]) -> int:
    return sum(last - first + 1 for _, first, last in rows)


def _ranges(rows: Sequence[tuple[int, int, int]]) -> tuple[Numbers, ...]:
    """Counter values without holes; a counter that began anew begins a new range."""
    ranges: list[list[int]] = []
    for epoch, first, last in sorted(rows):
        if ranges and (epoch, first) == (ranges[-1][0], ranges[-1][2] + 1):
            ranges[-1][2] = last
        else:
            ranges.append([epoch, first, last])
    return tuple(Numbers(first, last) for _, first, last in ranges)


def _word(part: RecordedPart, decided: Sequence[ledger.Disposition]) -> tuple[str, ...]:
    """What was decided about each number of a part, by the newest decision after it."""
    found = [UNDECIDED] * part.count
    for each in decided:
        if each.at.utc_ns >= part.at.utc_ns:
            start, stop = max(each.first, part.first), min(each.last, part.last)
            for number in range(start, stop + 1):
                found[number - part.first] = each.word
    return tuple(found)


def _grouped(bad: Sequence[RecordedPart], words: Sequence[tuple[str, ...]]) -> tuple[Suspects, ...]:
    """Neighbours of one verdict and of the same reasons together, in order of time."""
    groups: list[list[int]] = []
    for place, part in enumerate(bad):
        before = bad[place - 1] if groups else None
        is_next = before is not None and (
            (before.epoch, before.last + 1, before.verdict, set(before.rules), before.because)
            == (part.epoch, part.first, part.verdict, set(part.rules), part.because)
        )
        if is_next:
            groups[-1].append(place)
        else:
            groups.append([place])
    found = []
    for group in groups:
        of = [bad[place] for place in group]
        until_ns = [
            part.reworkable_until_utc_ns for part in of if part.reworkable_until_utc_ns is not None
        ]
        found.append(
            Suspects(
                of[0].verdict,
                of[0].epoch,
                Numbers(of[0].first, of[-1].last),
                min(part.begun_utc_ns for part in of),
                max(part.at.utc_ns for part in of),
                of[0].rules,
                of[0].because,
                tuple(dict.fromkeys(part.charge_id for part in of if part.charge_id is not None)),
                min(until_ns, default=None),
                tuple(Counter(word for place in group for word in words[place]).items()),
            )
        )
    return tuple(sorted(found, key=lambda each: each.from_ns))
