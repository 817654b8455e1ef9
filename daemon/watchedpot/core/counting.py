"""Counting parts: what a controller's counter says was made, through every way it can fail.

Theory of operation
-------------------
Only the difference of two good readings says that parts were made, and only as many as can have
been made between them: parts do not come faster than the shortest cycle. A reading that moves

    up, as far as it may              parts were made: each number in between is one
    down, past its highest value      it rolled over: the numbers before and after are parts
    down otherwise                    it was reset: what it shows by now may have been made since
    up, further than it may           back to what it was before a reset: it was only away
    up, further than that             it jumped: somebody wrote to it

Nothing is lost: where a part may have been made and no number says so, the newest numbers that
can be parts are counted as not certain. A count is never negative.

Numbers come again after a reset or a rollover: the epoch, counted from 0, tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

LARGEST = float(2**53)
"""A double counts exactly up to here. [1]"""

ROLLOVERS = (2**16, 2**32)
"""Where counters usually roll over: the unsigned integers of 16 and 32 bits. [1]"""


@dataclass(frozen=True, slots=True)
class Counter:
    """A counter as it was last seen.

    Attributes
    ----------
    value, seen_ns
        Newest good reading, None before the first, and when it was read. [1, ns]
    epoch, newest_epoch
        Which of its beginnings the numbers count from, and the newest there was.
    lost
        Itself before the reset that was last seen, while it can still come back.
    """

    value: int | None = None
    seen_ns: int = 0
    epoch: int = 0
    newest_epoch: int = 0
    lost: Lost | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """Where a counter stood before a reset, and when it was last seen there. [1, ns]."""

    value: int
    seen_ns: int
    epoch: int


class Count(NamedTuple):
    """Parts that one row shows to be made: numbers ``first`` to ``last`` of an epoch."""

    row: int
    first: int
    last: int
    epoch: int
    is_certain: bool = True


class Jump(NamedTuple):
    """A move of the counter that parts do not explain alone."""

    row: int
    before: int
    after: int
    epoch: int
    what: str
    uncounted: int | None = None


class Counted(NamedTuple):
    """Some rows through a counter; rows count from 0."""

    counter: Counter
    counts: list[Count]
    jumps: list[Jump]


def count(
    counter: Counter,
    mono_ns: NDArray[np.int64],
    value: NDArray[np.float64],
    is_good: NDArray[np.bool_],
    *,
    shortest_ns: int,
    rolls_over_at: int | None = None,
) -> Counted:
    """Parts that some rows of a counter show to be made.

    Parameters
    ----------
    counter : Counter
        Before.
    mono_ns, value, is_good : (n,) arrays
        The rows. [ns, 1, 1]
    shortest_ns : int
        Shortest cycle. [ns]
    rolls_over_at : int or None
        Highest value plus one; None: one of ``ROLLOVERS``. [1]

    Returns
    -------
    Counted
        A reading below 0 or beyond 2**53 is passed over like one that is not good.
    """
    rows, read = whole_numbers(value, is_good)
    if not rows.size:
        return Counted(counter, [], [])
    before = read[0] if counter.value is None else counter.value
    moved = np.flatnonzero(np.concatenate(([read[0] != before], read[1:] != read[:-1])))
    counts: list[Count] = []
    jumps: list[Jump] = []
    if counter.value is None:
        counter = replace(counter, value=int(read[0]), seen_ns=int(mono_ns[rows[0]]))
    for place in moved.tolist():
        since_ns = int(mono_ns[rows[place - 1]]) if place else counter.seen_ns
        counter = replace(counter, seen_ns=since_ns)
        move = _Move(counter, int(rows[place]), int(mono_ns[rows[place]]), shortest_ns)
        counter = move.to(int(read[place]), rolls_over_at, counts, jumps)
    return Counted(replace(counter, seen_ns=int(mono_ns[rows[-1]])), counts, jumps)


def whole_numbers(
    value: NDArray[np.float64], is_good: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows that show a number which a counter can have, and these numbers."""
    rows = np.flatnonzero(is_good & (value >= 0.0) & (value <= LARGEST))
    return rows, np.floor(value[rows]).astype(np.int64)


class _Move(NamedTuple):
    """One move of the counter: from its newest good reading to the next."""

    counter: Counter
    row: int
    at_ns: int
    shortest_ns: int

    def _most(self, since_ns: int) -> int:
        """Parts that can have been made since a moment: a new one may end with each reading."""
        return 1 + (self.at_ns - since_ns) // self.shortest_ns

    def to(
        self, after: int, rolls_over_at: int | None, counts: list[Count], jumps: list[Jump]
    ) -> Counter:
        """The counter after it, with what it shows added to the lists."""
        before, most = self.counter.value or 0, self._most(self.counter.seen_ns)
        if after > before:
            if after - before > most:
                return self._leapt(after, before, most, counts, jumps)
            counts.append(Count(self.row, before + 1, after, self.counter.epoch))
            return self._at(after, self.counter.epoch)  # one that counts is there to stay
        for limit in ROLLOVERS if rolls_over_at is None else (rolls_over_at,):
            if before < limit and limit - before + after <= most:
                return self._rolled(after, before, limit, counts, jumps)
        return self._reset(after, before, most, counts, jumps)

    def _at(self, value: int, epoch: int, lost: Lost | None = None) -> Counter:
        """The counter as it stands now."""
        newest_epoch = max(epoch, self.counter.newest_epoch)
        return Counter(value, self.at_ns, epoch, newest_epoch, lost)

    def _rolled(
        self, after: int, before: int, limit: int, counts: list[Count], jumps: list[Jump]
    ) -> Counter:
        """It began at 0 again by counting on."""
        epoch = self.counter.newest_epoch + 1
        if before + 1 < limit:
            counts.append(Count(self.row, before + 1, limit - 1, self.counter.epoch))
        jumps.append(Jump(self.row, before, after, epoch, "rollover"))
        counts.append(Count(self.row, 0, after, epoch))
        return self._at(after, epoch)

    def _reset(
        self, after: int, before: int, most: int, counts: list[Count], jumps: list[Jump]
    ) -> Counter:
        """It was set back; what it shows may have been made since, or it was set there."""
        epoch = self.counter.newest_epoch + 1
        jumps.append(Jump(self.row, before, after, epoch, "reset"))
        counts.append(self._uncertain(min(after, 1), after, most, epoch))
        lost = Lost(before, self.counter.seen_ns, self.counter.epoch)
        return self._at(after, epoch, lost)

    def _leapt(
        self, after: int, before: int, most: int, counts: list[Count], jumps: list[Jump]
    ) -> Counter:
        """It moved up further than parts explain: back from a reset, or written to."""
        lost, epoch = self.counter.lost, self.counter.epoch
        if lost is not None and lost.value <= after <= lost.value + self._most(lost.seen_ns):
            jumps.append(Jump(self.row, before, after, lost.epoch, "restart", after - lost.value))
            if after > lost.value:
                counts.append(Count(self.row, lost.value + 1, after, lost.epoch, is_certain=False))
            return self._at(after, lost.epoch)
        jumps.append(Jump(self.row, before, after, epoch, "jump"))
        counts.append(self._uncertain(before + 1, after, most, epoch))
        return self._at(after, epoch)

    def _uncertain(self, first: int, last: int, most: int, epoch: int) -> Count:
        """The newest of some numbers, as many as can be parts."""
        return Count(self.row, max(first, last + 1 - most), last, epoch, is_certain=False)
