"""One pass over the recorded readings of a span: envelopes, gaps, and when adhesive flowed.

A span of weeks has millions of readings and a picture a few hundred columns of pixels, so each
column keeps the lowest and the highest reading that falls into it. Nothing here loops over
readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import Block, Quality
from watchedpot.core.rules import ZoneRules
from watchedpot.core.units import NANO, ns
from watchedpot.outputs import ledger

COLUMNS = 720
"""Columns of an envelope, about the pixels of a printed picture at 100 per inch."""

RESOLUTION_K = 0.05
"""A setpoint that moves by less has not been changed: half of the usual 0.1 K of a display [K]."""


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Stretches of time that do not overlap, in order.

    Attributes
    ----------
    start_ns, stop_ns : (n,) int64
        Begin and end of each, in UTC. [ns]
    """

    start_ns: NDArray[np.int64]
    stop_ns: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.start_ns.size)

    @property
    def total_s(self) -> float:
        """Length of all together. [s]."""
        return int((self.stop_ns - self.start_ns).sum()) / NANO

    @property
    def longest_s(self) -> float:
        """Length of the longest, 0 without any. [s]."""
        return int((self.stop_ns - self.start_ns).max(initial=0)) / NANO

    def contain(self, at_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each moment lies in one of them."""
        if not len(self):
            return np.zeros(at_ns.shape, dtype=np.bool_)
        place = np.searchsorted(self.start_ns, at_ns, side="right") - 1
        return (place >= 0) & (at_ns < self.stop_ns[place])

    def shares(self, edges_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Share of each stretch between two neighbouring edges that they fill."""
        if not len(self):
            return np.zeros(edges_ns.size - 1)
        knots = np.stack((self.start_ns, self.stop_ns), axis=1).ravel() - edges_ns[0]
        lengths = self.stop_ns - self.start_ns
        filled = np.cumsum(np.stack((np.zeros_like(lengths), lengths), axis=1).ravel())
        until = np.interp((edges_ns - edges_ns[0]).astype(np.float64), knots, filled)
        shares: NDArray[np.float64] = np.clip(np.diff(until) / np.diff(edges_ns), 0.0, 1.0)
        return shares


def spans(pairs: Iterable[tuple[int, int]]) -> Spans:
    """Stretches from their begins and ends, in order; what touches or overlaps becomes one."""
    merged: list[list[int]] = []
    for start_ns, stop_ns in sorted(pairs):
        if merged and start_ns <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], stop_ns)
        else:
            merged.append([start_ns, stop_ns])
    columns = np.array(merged, dtype=np.int64).reshape(-1, 2)
    return Spans(columns[:, 0], columns[:, 1])


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What was read of one zone.

    Attributes
    ----------
    low_c, high_c : (columns,)
        Lowest and highest good reading of each column, nan where there is none. [degC]
    gaps
        Time without two neighbouring good readings.
    setpoint_ns : (n,) int64
        When the setpoint changed. [ns]
    """

    low_c: NDArray[np.float64]
    high_c: NDArray[np.float64]
    gaps: Spans
    setpoint_ns: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What was read of one cell in a span.

    Attributes
    ----------
    edges_ns : (columns + 1,) int64
        Borders of the columns. [ns]
    traces
        Of each zone, by its name.
    dispensing, unknown
        When adhesive flowed, and when that is not known; None where the cell has no such signal.
    """

    edges_ns: NDArray[np.int64]
    traces: dict[str, Trace]
    dispensing: Spans | None
    unknown: Spans | None


def read(
    path: Path,
    zones: Sequence[ZoneRules],
    *,
    dispensing: str | None,
    from_ns: int,
    to_ns: int,
    columns: int = COLUMNS,
) -> Readings:
    """Everything that is drawn and counted of the readings, without keeping them."""
    edges_ns = np.linspace(0, to_ns - from_ns, columns + 1).astype(np.int64) + from_ns
    of_zones = {zone.id: _Zone(zone, from_ns, to_ns, columns) for zone in zones}
    flow = None if dispensing is None else _Flow(dispensing, max(z.max_gap_s for z in zones))
    for recorded in ledger.blocks(path, from_ns=from_ns, to_ns=to_ns):
        for zone in of_zones.values():
            zone.take(recorded.run, recorded.block)
        if flow is not None:
            flow.take(recorded.run, recorded.block)
    traces = {name: zone.trace() for name, zone in of_zones.items()}
    if flow is None:
        return Readings(edges_ns, traces, None, None)
    known = spans(flow.pairs(flow.known))
    unknown = _without(known, from_ns, to_ns, least_ns=ns(flow.max_gap_s))
    return Readings(edges_ns, traces, spans(flow.pairs(flow.flowing)), unknown)


def _without(known: Spans, from_ns: int, to_ns: int, *, least_ns: int) -> Spans:
    """What known stretches leave of a span; at its ends a step may be missing that is no gap."""
    starts = np.concatenate(([from_ns], known.stop_ns))
    stops = np.concatenate((known.start_ns, [to_ns]))
    is_any = stops > starts
    is_any[[0, -1]] = (stops - starts)[[0, -1]] > least_ns
    return Spans(starts[is_any], stops[is_any])


@dataclass(slots=True)
class _Zone:
    """What is gathered of one zone, block by block."""

    rules: ZoneRules
    from_ns: int
    to_ns: int
    columns: int
    low_c: NDArray[np.float64] = field(init=False)
    high_c: NDArray[np.float64] = field(init=False)
    gaps: list[tuple[int, int]] = field(default_factory=list)
    last: tuple[int, int, int] | None = None
    """Run, and both times of the newest good reading."""
    setpoint_c: float | None = None
    setpoint_ns: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.low_c = np.full(self.columns, np.inf)
        self.high_c = np.full(self.columns, -np.inf)

    def take(self, run: int, block: Block) -> None:
        """One more block, if it has the zone's temperature."""
        self._note_setpoint(block)
        if self.rules.temperature not in block.channels:
            return
        column = block.channels.index(self.rules.temperature)
        is_good = (block.quality[:, column] == Quality.GOOD) & np.isfinite(block.value[:, column])
        if not is_good.any():
            return
        seen_ns, mono_ns = block.seen_ns[is_good], block.mono_ns[is_good]
        value_c = block.value[is_good, column]
        share = (seen_ns - self.from_ns) / (self.to_ns - self.from_ns)
        place = np.minimum((share * self.columns).astype(np.int64), self.columns - 1)
        np.minimum.at(self.low_c, place, value_c)
        np.maximum.at(self.high_c, place, value_c)
        max_gap_ns = ns(self.rules.max_gap_s)
        if self.last is None:
            self._note_edge(self.from_ns, int(seen_ns[0]))
        elif self.last[0] == run:
            seen_ns = np.concatenate(([self.last[1]], seen_ns))
            mono_ns = np.concatenate(([self.last[2]], mono_ns))
        else:  # readings of two runs are never joined
            self.gaps.append((self.last[1], int(seen_ns[0])))
        far = np.flatnonzero(np.diff(mono_ns) > max_gap_ns)
        self.gaps += zip(seen_ns[far].tolist(), seen_ns[far + 1].tolist(), strict=True)
        self.last = run, int(seen_ns[-1]), int(mono_ns[-1])

    def _note_setpoint(self, block: Block) -> None:
        """When the setpoint moved by more than its sensor's resolution."""
        if self.rules.setpoint is None or self.rules.setpoint not in block.channels:
            return
        column = block.channels.index(self.rules.setpoint)
        is_good = (block.quality[:, column] == Quality.GOOD) & np.isfinite(block.value[:, column])
        value_c = block.value[is_good, column]
        if not value_c.size:
            return
        before_c = value_c[0] if self.setpoint_c is None else self.setpoint_c
        is_moved = np.abs(np.diff(np.concatenate(([before_c], value_c)))) > RESOLUTION_K
        self.setpoint_ns += block.seen_ns[is_good][is_moved].tolist()
        self.setpoint_c = float(value_c[-1])

    def _note_edge(self, start_ns: int, stop_ns: int) -> None:
        """A gap at an end of the span, where it is longer than a step may be."""
        if stop_ns - start_ns > ns(self.rules.max_gap_s):
            self.gaps.append((start_ns, stop_ns))

    def trace(self) -> Trace:
        """What was gathered."""
        self._note_edge(self.from_ns if self.last is None else self.last[1], self.to_ns)
        is_seen = np.isfinite(self.low_c)
        gaps = spans(pair for pair in self.gaps if pair[1] > pair[0])
        return Trace(
            np.where(is_seen, self.low_c, np.nan),
            np.where(is_seen, self.high_c, np.nan),
            gaps,
            np.array(self.setpoint_ns, dtype=np.int64),
        )


@dataclass(slots=True)
class _Flow:
    """When adhesive flowed: each good reading holds until the next, if that comes in time."""

    channel: str
    max_gap_s: float
    flowing: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = field(default_factory=list)
    known: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = field(default_factory=list)
    last: tuple[int, int, int, bool, bool] | None = None
    """Run, both times, whether it flowed and whether that was known, of the newest row."""

    def take(self, run: int, block: Block) -> None:
        """One more block, if it has the signal."""
        if self.channel not in block.channels:
            return
        column = block.channels.index(self.channel)
        is_known = (block.quality[:, column] == Quality.GOOD) & np.isfinite(block.value[:, column])
        is_flowing = is_known & (block.value[:, column] > 0.5)
        seen_ns, mono_ns = block.seen_ns, block.mono_ns
        if self.last is not None and self.last[0] == run:
            seen_ns = np.concatenate(([self.last[1]], seen_ns))
            mono_ns = np.concatenate(([self.last[2]], mono_ns))
            is_flowing = np.concatenate(([self.last[3]], is_flowing))
            is_known = np.concatenate(([self.last[4]], is_known))
        is_joined = np.diff(mono_ns) <= ns(self.max_gap_s)
        for kept, is_so in ((self.flowing, is_flowing), (self.known, is_known)):
            step = np.diff(np.concatenate(([0], (is_so[:-1] & is_joined).astype(np.int8), [0])))
            kept.append((seen_ns[np.flatnonzero(step > 0)], seen_ns[np.flatnonzero(step < 0)]))
        self.last = (
            *(run, int(seen_ns[-1]), int(mono_ns[-1])),
            *(bool(is_flowing[-1]), bool(is_known[-1])),
        )

    @staticmethod
    def pairs(
        kept: list[tuple[NDArray[np.int64], NDArray[np.int64]]],
    ) -> list[tuple[int, int]]:
        """Begins and ends of what was kept."""
        return [
            pair
            for starts, stops in kept
            for pair in zip(starts.tolist(), stops.tolist(), strict=True)
            if pair[1] > pair[0]
        ]
