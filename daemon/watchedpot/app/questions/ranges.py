"""Parts of consecutive numbers of which the same is said, as one range."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from watchedpot.core.model import Disposition
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedPart


@dataclass(frozen=True, slots=True)
class Extremes:
    """Lowest and highest of a figure, None where it is not known."""

    low: float | None = None
    high: float | None = None

    def __or__(self, other: Extremes) -> Extremes:
        lows = [one for one in (self.low, other.low) if one is not None]
        highs = [one for one in (self.high, other.high) if one is not None]
        return Extremes(min(lows, default=None), max(highs, default=None))


@dataclass(frozen=True, slots=True)
class ZoneRange:
    """What the parts of a range met in one zone: temperatures, and the least share seen."""

    temp_c: Extremes
    coverage: float

    def __or__(self, other: ZoneRange) -> ZoneRange:
        return ZoneRange(self.temp_c | other.temp_c, min(self.coverage, other.coverage))


@dataclass(frozen=True, slots=True)
class Said:
    """What all parts of a range have in common.

    Attributes
    ----------
    revision
        Of the configuration that they were judged under.
    earlier
        Verdict before they were judged again.
    decided
        The newest decision about them.
    is_limited
        Whether it is known how long they can be reworked.
    findings
        That speak against them, with their causes.
    """

    cell: str
    epoch: int
    verdict: Verdict
    rules: tuple[tuple[PartRule, str], ...]
    charge_id: str | None
    because: str
    revision: str | None
    earlier: Verdict | None
    decided: ledger.Disposition | None
    is_limited: bool
    findings: str = ""


@dataclass(frozen=True, slots=True)
class Range:
    """Parts ``first`` to ``last``.

    Attributes
    ----------
    run
        Of the first.
    begun_ns, made_ns
        Begin of the first, count of the last. [ns]
    age_s, life_used, joined_s
        Age of the charge [s], used share of its pot life [1], time until they were joined [s].
    in_time
        Parts that can still be reworked. [1]
    in_time_ends_ns, ends_ns
        When the first of those can no longer be reworked, and the last of all; None where there
        is none or it is not known. [ns]
    """

    said: Said
    first: int
    last: int
    run: int
    begun_ns: int
    made_ns: int
    age_s: Extremes
    life_used: Extremes
    joined_s: Extremes
    coverage: float
    tip_c: Extremes
    zones: dict[str, ZoneRange]
    part_ids: Extremes
    in_time: int
    in_time_ends_ns: int | None
    ends_ns: int | None

    @property
    def count(self) -> int:
        """Parts in it. [1]."""
        return self.last + 1 - self.first

    @property
    def is_settled(self) -> bool:
        """Whether somebody decided what becomes of them; holding them leaves that open."""
        return self.said.decided is not None and self.said.decided.word != Disposition.HELD

    @property
    def reworkable(self) -> int:
        """Parts that can still be reworked and wait for somebody to decide. [1]."""
        return 0 if self.is_settled else self.in_time

    def follows(self, other: Range) -> bool:
        """Whether it goes on where another one ends, and the same is said of both."""
        return self.said == other.said and self.first == other.last + 1

    def joined(self, after: Range) -> Range:
        """One range of this one and the one that follows it."""
        ends = [one.in_time_ends_ns for one in (self, after) if one.in_time_ends_ns is not None]
        lasts = [one.ends_ns for one in (self, after) if one.ends_ns is not None]
        return replace(
            self,
            last=after.last,
            begun_ns=min(self.begun_ns, after.begun_ns),
            made_ns=max(self.made_ns, after.made_ns),
            age_s=self.age_s | after.age_s,
            life_used=self.life_used | after.life_used,
            joined_s=self.joined_s | after.joined_s,
            coverage=min(self.coverage, after.coverage),
            tip_c=self.tip_c | after.tip_c,
            zones={
                name: zone | after.zones[name] if name in after.zones else zone
                for name, zone in self.zones.items()
            },
            part_ids=self.part_ids | after.part_ids,
            in_time=self.in_time + after.in_time,
            in_time_ends_ns=min(ends, default=None),
            ends_ns=max(lasts, default=None),
        )


def range_of(
    part: RecordedPart,
    *,
    asked_ns: int,
    revision: str | None = None,
    earlier: Verdict | None = None,
    decided: ledger.Disposition | None = None,
) -> Range:
    """One judged part as a range."""
    ends_ns = part.reworkable_until_utc_ns
    is_in_time = ends_ns is not None and ends_ns > asked_ns
    rules = tuple(sorted(part.rules))
    said = Said(
        *(part.cell, part.epoch, part.verdict, rules, part.charge_id, part.because),
        *(revision, earlier, decided, ends_ns is not None, part.findings),
    )
    return Range(
        said=said,
        first=part.first,
        last=part.last,
        run=part.run,
        begun_ns=part.begun_utc_ns,
        made_ns=part.at.utc_ns,
        age_s=Extremes(part.age_s, part.age_s),
        life_used=Extremes(part.life_used, part.life_used),
        joined_s=Extremes(part.joined_s, part.joined_s),
        coverage=part.coverage,
        tip_c=Extremes(part.tip_min_c, part.tip_max_c),
        zones={
            name: ZoneRange(Extremes(zone.min_c, zone.max_c), zone.coverage)
            for name, zone in part.zones.items()
        },
        part_ids=Extremes(part.part_id, part.part_id),
        in_time=part.count if is_in_time else 0,
        in_time_ends_ns=ends_ns if is_in_time else None,
        ends_ns=ends_ns,
    )


def merged(ranges: Iterable[Range]) -> Iterator[Range]:
    """Neighbours as one range, as far as they come one after the other."""
    newest: Range | None = None
    for one in ranges:
        if newest is not None and one.follows(newest):
            newest = newest.joined(one)
        else:
            if newest is not None:
                yield newest
            newest = one
    if newest is not None:
        yield newest


def all_merged(ranges: Iterable[Range]) -> list[Range]:
    """Neighbours as one range, in whatever order they come; by cell and number."""

    def number(one: Range) -> tuple[str, int, int]:
        return one.said.cell, one.said.epoch, one.first

    return list(merged(sorted(merged(ranges), key=number)))


def by_urgency(ranges: Iterable[Range]) -> list[Range]:
    """Those first whose time for rework ends first.

    Then those of which it is not known how long they can be reworked, then those too late for
    it, and last those about which somebody has decided.
    """

    def urgency(one: Range) -> tuple[int, int]:
        if one.is_settled:
            return 3, one.begun_ns
        if one.in_time_ends_ns is not None:
            return 0, one.in_time_ends_ns
        return (1 if one.ends_ns is None else 2), one.begun_ns

    return sorted(ranges, key=urgency)


def decision(
    part: RecordedPart, decided: Sequence[ledger.Disposition]
) -> ledger.Disposition | None:
    """The newest decision about all numbers of a part; one before it was made is of another."""
    return next(
        (
            each
            for each in reversed(decided)
            if each.cell == part.cell
            and each.first <= part.first
            and part.last <= each.last
            and each.at.utc_ns >= part.at.utc_ns
        ),
        None,
    )


def ranges_of(
    parts: Iterable[RecordedPart],
    *,
    asked_ns: int,
    decided: Sequence[ledger.Disposition] = (),
    revision: Callable[[int], str | None] = lambda _: None,
    earlier: Callable[[RecordedPart], Verdict | None] = lambda _: None,
) -> list[Range]:
    """Judged parts as ranges, by cell and number."""
    return all_merged(
        range_of(
            part,
            asked_ns=asked_ns,
            revision=revision(part.run),
            earlier=earlier(part),
            decided=decision(part, decided),
        )
        for part in parts
    )


def number_ranges(ranges: Iterable[Range]) -> list[tuple[str, int, int]]:
    """Cell, first and last number without holes, whatever is said of them."""
    found: list[tuple[str, int, int]] = []
    epoch = -1
    for one in sorted(ranges, key=lambda one: (one.said.cell, one.said.epoch, one.first)):
        cell, same = one.said.cell, one.said.epoch == epoch
        if found and same and found[-1][0] == cell and found[-1][2] + 1 == one.first:
            found[-1] = (cell, found[-1][1], one.last)
        else:
            found.append((cell, one.first, one.last))
        epoch = one.said.epoch
    return found
