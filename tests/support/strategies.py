"""What the wire may bring to a cell: stories as it may live them, and chaos without any sense."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple, TypeVar

import numpy as np
from hypothesis import strategies as st

from support.cells import USUAL_C, UTC_NS
from watchedpot.core.engine import CellPlan
from watchedpot.core.model import NO_TIME_NS, Block, Quality, Reason
from watchedpot.core.units import NANO, ns

_Number = TypeVar("_Number", int, float)

MINUTE_NS = 60 * NANO

_TEMPS_C = (25.0, 49.0, 60.0, 95.0, 109.5, 110.0, 110.5, 111.0, 115.0, 120.0, 121.0, 139.0, 150.0)


class Stretch(NamedTuple):
    """Some rows of a story: temperatures that go in a line, everything else as it is told.

    Attributes
    ----------
    reservoir_c, others_c
        The first zone and all others at its end. [degC]
    grade, others
        Quality of the first zone's temperature, and of everything else. [1]
    is_moist
        Whether the dispensing air is.
    jump_ns
        Step of the computer's UTC clock before it. [ns]
    counter
        What the counter of parts is set to before it; None: it goes on. [1]
    is_joining, has_passed
        Whether a part is joined with each row, and whether parts pass their inspection.
    """

    rows: int = 6
    reservoir_c: float = USUAL_C
    others_c: float = USUAL_C
    setpoint_c: float = USUAL_C
    output: float = 30.0
    is_flowing: bool = False
    grade: int = 0
    others: int = 0
    charge: float = 7.0
    is_wiped: bool = False
    is_moist: bool = False
    step_ns: int = 10 * NANO
    jump_ns: int = 0
    counter: float | None = None
    is_joining: bool = True
    has_passed: bool = True


WARMED_UP = (Stretch(rows=3, step_ns=20 * NANO), Stretch(rows=8, step_ns=30 * NANO))
"""To the usual temperature, and there until the core is warm."""

DIPPED = (
    Stretch(rows=3, reservoir_c=109.0, output=100.0),
    Stretch(rows=3, reservoir_c=116.0, output=100.0),
)
"""What a cold charge does to a warm wall."""

_OUT_OF_SIGHT = Stretch(rows=3, grade=int(Quality.BAD))

_FOUND = (
    Stretch(rows=2, reservoir_c=25.0, others_c=25.0, setpoint_c=0.0),
    Stretch(rows=4, is_flowing=True, step_ns=20 * NANO),
    *WARMED_UP,
    Stretch(rows=4, is_flowing=True, is_moist=True),
    Stretch(rows=3),
    *DIPPED,
    Stretch(rows=6),
)
_SPENT = (
    Stretch(rows=4, is_flowing=True),
    *WARMED_UP,
    Stretch(rows=4, reservoir_c=85.0, others_c=85.0, setpoint_c=85.0),
    *WARMED_UP,
    Stretch(rows=4, reservoir_c=108.0, others_c=108.0, is_flowing=True),
    _OUT_OF_SIGHT._replace(is_wiped=True),
    Stretch(rows=8, step_ns=MINUTE_NS),
)
_OVERHEATED = (
    Stretch(rows=6, reservoir_c=150.0, others_c=125.0, step_ns=MINUTE_NS),
    Stretch(rows=6, reservoir_c=40.0, others_c=40.0, setpoint_c=0.0),
)
DAY = tuple(
    stretch._replace(charge=charge)
    for charge, stretches in enumerate((_FOUND, _SPENT, _OVERHEATED), start=7)
    for stretch in stretches
)
"""All that the life of a charge can bring, one after the other."""


def _steps_ns(plan: CellPlan) -> tuple[int, ...]:
    """Steps between rows: tiny and long ones, and around the longest that is joined."""
    gap_ns = ns(plan.rules.zones[0].max_gap_s)
    some = (gap_ns // 6, gap_ns // 3, gap_ns // 2)
    return (1, NANO // 7, NANO, *some, *some, gap_ns, gap_ns, gap_ns + 1, gap_ns + 17 * NANO)


def _stretches(plan: CellPlan) -> st.SearchStrategy[Stretch]:
    """Any stretch."""
    return st.builds(
        Stretch,
        rows=st.integers(1, 12),
        reservoir_c=st.sampled_from(_TEMPS_C),
        others_c=st.sampled_from((*_TEMPS_C, USUAL_C, USUAL_C)),
        setpoint_c=st.sampled_from((0.0, 85.0, USUAL_C, USUAL_C, USUAL_C, 118.0, 125.0)),
        output=st.sampled_from((0.0, 30.0, 90.0, 100.0)),
        is_flowing=st.booleans(),
        grade=st.sampled_from((0, 0, 0, 0, 0, 1, 2, 3, 4)),
        others=st.sampled_from((0, 0, 0, 0, 2, 4)),
        charge=st.sampled_from((0.0, 7.0, 7.0, 7.0, 8.0)),
        is_wiped=st.booleans(),
        is_moist=st.booleans(),
        step_ns=st.sampled_from(_steps_ns(plan)),
        jump_ns=st.sampled_from((0, 0, 0, -NANO, 5 * NANO)),
        counter=st.sampled_from((None, None, None, 0.0, 3.0, 500.0, 65534.0)),
        is_joining=st.booleans(),
        has_passed=st.booleans(),
    )


def told(plan: CellPlan, stretches: Sequence[Stretch]) -> Block:
    """The rows of a story as the cell's controller would tell them, their times increasing."""
    first, channels = plan.rules.zones[0].temperature, plan.rules.channels()
    now_ns, offset_ns, parts, reached_c = 5, UTC_NS, 0.0, (25.0, 25.0)
    named, joined = 0.0, 0.0
    times, seen, value, quality = [], [], [], []
    for stretch in stretches:
        offset_ns += stretch.jump_ns
        ends_c = stretch.reservoir_c, stretch.others_c
        parts = parts if stretch.counter is None else stretch.counter
        for temps_c in np.linspace(reached_c, ends_c, stretch.rows + 1)[1:].tolist():
            now_ns += stretch.step_ns
            parts = (parts + stretch.is_flowing) % 65536.0
            named += stretch.is_flowing
            joined += stretch.is_joining
            counts = {"parts": parts, "part_id": named, "joined": joined}
            times.append(now_ns)
            seen.append(now_ns + offset_ns)
            value.append([_signal(name, first, temps_c, counts, stretch) for name in channels])
            quality.append(
                [stretch.grade if name == first else stretch.others for name in channels]
            )
        reached_c = ends_c
    return _assembled(channels, times, seen, value, quality)


def _signal(
    name: str,
    first: str,
    temps_c: Sequence[float],
    counts: Mapping[str, float],
    stretch: Stretch,
) -> float:
    """What one channel shows."""
    if name.endswith("/temperature"):
        return temps_c[0] if name == first else temps_c[1]
    return {
        **counts,
        "inspection": float(stretch.has_passed),
        "bead_width": 0.8,
        "setpoint": stretch.setpoint_c,
        "output": stretch.output,
        "dispensing": float(stretch.is_flowing),
        "charge_id": stretch.charge,
        "wiped": float(stretch.is_wiped),
        "ambient": 23.0,
        "dew_point": 5.0 if stretch.is_moist else -40.0,
        "air_temperature": 25.0,
        "air_humidity": 60.0 if stretch.is_moist else 0.05,
    }[name.rpartition("/")[2]]


def stories(plan: CellPlan) -> st.SearchStrategy[Block]:
    """A few stretches as a cell may live them, warm-ups and dips among them."""
    episodes = st.one_of(
        _stretches(plan).map(lambda stretch: (stretch,)),
        _stretches(plan).map(lambda stretch: (stretch,)),
        st.sampled_from((WARMED_UP, WARMED_UP + DIPPED, (_OUT_OF_SIGHT,))),
    )
    return st.lists(episodes, min_size=1, max_size=7).map(
        lambda parts: told(plan, [stretch for part in parts for stretch in part])
    )


def _assembled(
    channels: tuple[str, ...],
    times_ns: Sequence[int],
    seen_ns: Sequence[int],
    value: Sequence[Sequence[float]],
    quality: Sequence[Sequence[int]],
) -> Block:
    shape = (len(times_ns), len(channels))
    grades = np.array(quality, dtype=np.uint8).reshape(shape)
    return Block(
        source="plc",
        channels=channels,
        mono_ns=np.array(times_ns, dtype=np.int64),
        seen_ns=np.array(seen_ns, dtype=np.int64),
        value=np.array(value, dtype=np.float64).reshape(shape),
        quality=grades,
        reason=np.where(grades > 0, Reason.STATUS, Reason.NONE).astype(np.uint8),
        status=grades.astype(np.uint32),
        source_ns=np.full(shape, NO_TIME_NS, dtype=np.int64),
        server_ns=np.full(shape, NO_TIME_NS, dtype=np.int64),
    )


@st.composite
def chaos(draw: st.DrawFn, plan: CellPlan) -> Block:
    """A block without any sense: any float, any quality code, any order of times, repeats."""
    channels = plan.rules.channels()
    rows = draw(st.integers(0, 6))
    latest_ns = 20 * ns(plan.rules.zones[0].max_gap_s)
    times = draw(st.lists(st.integers(-5 * NANO, latest_ns), min_size=rows, max_size=rows))
    usual = (*_TEMPS_C, 0.0, -0.0, float("nan"), float("inf"), -float("inf"))
    numbers = [*usual, *draw(st.lists(st.floats(width=64), max_size=8))]
    value = _scattered(draw, numbers, (rows, len(channels)))
    quality = _scattered(draw, (0, 0, 0, 0, 1, 2, 3, 4, 5, 255), (rows, len(channels)))
    return _assembled(channels, times, [t + UTC_NS for t in times], value, quality)


def _scattered(
    draw: st.DrawFn, items: Sequence[_Number], shape: tuple[int, int]
) -> list[list[_Number]]:
    """Any of the items at each place; as one draw of bytes, since a draw a place is too slow."""
    rows, columns = shape
    picks = draw(st.binary(min_size=rows * columns, max_size=rows * columns))
    return [
        [items[pick % len(items)] for pick in picks[row * columns : (row + 1) * columns]]
        for row in range(rows)
    ]


@st.composite
def cut(draw: st.DrawFn, whole: Block) -> list[Block]:
    """The same rows in pieces, some of them empty."""
    at = sorted(draw(st.lists(st.integers(0, len(whole)), max_size=6)))
    edges = [0, *at, len(whole)]
    return [whole.rows(a, b) for a, b in pairwise(edges)]


def only(rows: Block, channels: Sequence[str], source: str) -> Block:
    """Some columns of a block, as if another source had served them."""
    places = [rows.channels.index(name) for name in channels]
    return Block(
        source,
        tuple(channels),
        rows.mono_ns,
        rows.seen_ns,
        *(
            getattr(rows, name)[:, places]
            for name in ("value", "quality", "reason", "status", "source_ns", "server_ns")
        ),
    )


def without_sight(rows: Block) -> Block:
    """The same rows with every reading missing."""
    shape = rows.value.shape
    return replace(
        rows,
        value=np.full(shape, np.nan),
        quality=np.full(shape, Quality.MISSING, dtype=np.uint8),
        reason=np.full(shape, Reason.NO_ANSWER, dtype=np.uint8),
    )
