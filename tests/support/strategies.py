"""Hypothesis strategies for what the wire may bring: any quality, value, order, gap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

from support.cells import (
    AMBIENT,
    CHARGE_ID,
    DISPENSING,
    HOSE,
    OUTPUT,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    UTC_NS,
    WIPED,
)
from watchedpot.core.model import NO_TIME_NS, Block, Quality, Reason
from watchedpot.core.units import NANO

CHANNELS = (TEMPERATURE, SETPOINT, OUTPUT, DISPENSING, PARTS, CHARGE_ID, WIPED, AMBIENT, HOSE)

_TEMPS_C = (25.0, 49.0, 60.0, 95.0, 109.5, 110.0, 110.5, 111.0, 115.0, 120.0, 121.0, 139.0, 150.0)
_STEPS_NS = (1, NANO // 7, NANO // 2, NANO, NANO, NANO, 3 * NANO, 3 * NANO + 1, 20 * NANO)
_STRETCHES = st.lists(
    st.tuples(
        st.integers(1, 12),  # rows
        st.sampled_from(_TEMPS_C),  # temperature at its end
        st.sampled_from((0.0, 85.0, 115.0, 115.0, 115.0)),  # setpoint
        st.booleans(),  # dispensing
        st.sampled_from((0, 0, 0, 0, 0, 1, 2, 3, 4)),  # quality of the temperature
        st.sampled_from((0, 0, 0, 0, 2, 4)),  # quality of all other signals
        st.sampled_from((0.0, 7.0, 7.0, 8.0)),  # charge
        st.booleans(),  # wiped
        st.sampled_from(_STEPS_NS),
        st.sampled_from((0, 0, 0, -NANO, 5 * NANO)),  # step of the computer's UTC clock
    ),
    min_size=1,
    max_size=8,
)


def _assembled(
    times_ns: Sequence[int],
    seen_ns: Sequence[int],
    value: Sequence[Sequence[float]],
    quality: Sequence[Sequence[int]],
    source: str = "plc",
) -> Block:
    shape = (len(times_ns), len(CHANNELS))
    grades = np.array(quality, dtype=np.uint8).reshape(shape)
    return Block(
        source=source,
        channels=CHANNELS,
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
def stories(draw: st.DrawFn) -> Block:
    """A block of a few stretches as a cell may live them, its times increasing."""
    now_ns, offset_ns, temp_c, parts = 5, UTC_NS, 25.0, 0.0
    times, seen, value, quality = [], [], [], []
    for rows, end_c, setpoint, flows, grade, others, charge, wiped, step_ns, jump_ns in draw(
        _STRETCHES
    ):
        offset_ns += jump_ns
        for reached_c in np.linspace(temp_c, end_c, rows + 1)[1:]:
            now_ns += step_ns
            parts += flows
            times.append(now_ns)
            seen.append(now_ns + offset_ns)
            signals = [setpoint, 30.0, float(flows), parts, charge, float(wiped), 23.0]
            value.append([float(reached_c), *signals, float(reached_c) + 2.0])
            quality.append([grade, *[others] * (len(CHANNELS) - 1)])
        temp_c = end_c
    return _assembled(times, seen, value, quality)


@st.composite
def chaos(draw: st.DrawFn) -> Block:
    """A block without any sense: any float, any quality code, any order of times, repeats."""
    rows = draw(st.integers(0, 6))
    times = draw(st.lists(st.integers(-5 * NANO, 50 * NANO), min_size=rows, max_size=rows))
    numbers = st.one_of(
        st.sampled_from((*_TEMPS_C, 0.0, -0.0, float("nan"), float("inf"), -float("inf"))),
        st.floats(width=64),
    )
    value = draw(
        st.lists(
            st.lists(numbers, min_size=len(CHANNELS), max_size=len(CHANNELS)),
            min_size=rows,
            max_size=rows,
        )
    )
    grades = st.sampled_from((0, 0, 0, 0, 1, 2, 3, 4, 5, 255))
    quality = draw(
        st.lists(
            st.lists(grades, min_size=len(CHANNELS), max_size=len(CHANNELS)),
            min_size=rows,
            max_size=rows,
        )
    )
    return _assembled(times, [t + UTC_NS for t in times], value, quality)


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
