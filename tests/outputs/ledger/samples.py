"""Readings, events and waits for the tests of the ledger."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from support.cells import zone
from watchedpot.core.counting import Count
from watchedpot.core.model import ARRAY_FIELDS, NO_TIME_NS, Block, Detail, Event, EventKind, Instant
from watchedpot.core.parts import BIT, Made, OpenPart, Tally, judged, plan_parts
from watchedpot.core.rules import CellRules, PartRule
from watchedpot.outputs.ledger.record import Batch, Recorder
from watchedpot.outputs.ledger.retention import Retention
from watchedpot.outputs.ledger.store import connect_writer, prepare

SECOND_NS = 1_000_000_000
UTC_NS = 1_750_000_000 * SECOND_NS
MONO_NS = 5_000 * SECOND_NS


def at(seconds: float) -> Instant:
    """Moment so many seconds after the tests' epoch."""
    gone_ns = round(seconds * SECOND_NS)
    return Instant(UTC_NS + gone_ns, MONO_NS + gone_ns)


def opcua_block(
    rows: int,
    *,
    first: int = 0,
    step: int = 1,
    source: str = "lens_4",
    channels: int = 12,
    seed: int = 1,
) -> Block:
    """Polls of a 0.1 K sensor, some of them late, with stamps of 1 us and 100 ns.

    The controller writes its channels one after the other, 20 to 80 us apart, in a scan of
    100 ms; the server stamps them one by one as it answers.
    """
    rng = np.random.default_rng(seed)
    shape = (rows, channels)
    lateness_ns = rng.gamma(2.0, 2e5, rows).astype(np.int64)
    mono_ns = MONO_NS + (first + step * np.arange(rows)) * SECOND_NS + lateness_ns
    seen_ns = mono_ns - MONO_NS + UTC_NS + rng.integers(80, 400, rows)
    scan_ns = (seen_ns - 3_000_000) // 100_000_000 * 100_000_000
    in_scan_us = rng.integers(0, 400, rows)[:, None] + np.cumsum(rng.integers(20, 80, shape), 1)
    answer_ticks = np.cumsum(rng.integers(10, 80, shape), 1) - rng.integers(0, 8000, rows)[:, None]
    drift_c = 0.3 * np.cumsum(rng.normal(0.0, 0.03, shape), 0)
    temp_c = np.round(118.0 + drift_c + rng.normal(0.0, 0.05, shape), 1)
    return Block(
        source,
        tuple(f"{source}/zone_{column // 4}/signal_{column % 4}" for column in range(channels)),
        mono_ns,
        seen_ns,
        temp_c.astype(np.float32).astype(np.float64),
        np.zeros(shape, np.uint8),
        np.zeros(shape, np.uint8),
        np.zeros(shape, np.uint32),
        scan_ns[:, None] + 1000 * in_scan_us,
        (seen_ns[:, None] - 1_000_000) // 100 * 100 + 100 * answer_ticks,
    )


def modbus_block(rows: int, *, source: str = "housing_7", seed: int = 2) -> Block:
    """Polls at 1 Hz of registers in 0.1 K; the protocol has no stamps."""
    like = opcua_block(rows, source=source, seed=seed)
    none = np.full(like.value.shape, NO_TIME_NS)
    columns = {name: getattr(like, name) for name in ARRAY_FIELDS}
    columns |= {"value": np.rint(like.value * 10.0) * 0.1, "source_ns": none, "server_ns": none}
    return Block(source, like.channels, *columns.values())


def row(second: int, *, source: str = "lens_4", channels: int = 2) -> Block:
    """One poll."""
    return opcua_block(1, first=second, source=source, channels=channels, seed=second)


def same(one: Block, other: Block) -> bool:
    """Whether two blocks agree in every bit and every type."""
    return (one.source, one.channels) == (other.source, other.channels) and all(
        getattr(one, name).tobytes() == getattr(other, name).tobytes()
        and getattr(one, name).dtype == getattr(other, name).dtype
        for name in ARRAY_FIELDS
    )


def event(kind: EventKind, seconds: float, **details: Detail) -> Event:
    """Event of the nozzle of lens_4."""
    return Event(kind, at(seconds), "lens_4", "nozzle", tuple(details.items()))


def alarm_changed(seconds: float, state: str = "unacknowledged") -> Event:
    """Change of the alarm for a cold nozzle."""
    details: dict[str, Detail] = {"alarm": "cold", "from": "normal", "to": state}
    return event(EventKind.ALARM_CHANGED, seconds, **details, stage=1, priority="high")


def state(second: int) -> dict[str, bytes]:
    """State of lens_4 that has seen so many seconds."""
    return {"lens_4": b'{"seen_s":%d}' % second}


def batch(second: int, *events: Event) -> Batch:
    """One poll of lens_4, what happened then, and the state after it."""
    return Batch((row(second),), events, state(second))


@dataclass
class Now:
    """Clock that stands where it was set."""

    seconds: float = 0.0

    def __call__(self) -> Instant:
        """Return the moment set."""
        return at(self.seconds)


class ManualCondition(threading.Condition):
    """Condition whose waits end by what they wait for, or when the test says so."""

    def __init__(self) -> None:
        super().__init__()
        self._elapsed = 0

    def wait_for(self, predicate: Callable[[], object], timeout: float | None = None) -> bool:  # type: ignore[override]
        """Wait for a fact; a wait with a bound also ends by ``elapse``."""
        if timeout is None:
            return bool(super().wait_for(predicate))
        super().wait_for(lambda: predicate() or self._elapsed)
        is_so = bool(predicate())
        if not is_so:
            self._elapsed -= 1
        return is_so

    def elapse(self) -> None:
        """End one bounded wait, the present or the next one."""
        with self:
            self._elapsed += 1
            self.notify_all()


@contextmanager
def recording(
    path: Path,
    *,
    now: Callable[[], Instant] | None = None,
    rows_per_block: int = 10,
    retention: Retention | None = None,
    config: str = "poll_period_s = 1.0",
) -> Iterator[Recorder]:
    """Recorder on a file, new or not."""
    with closing(connect_writer(path)) as connection:
        prepare(connection, path)
        yield Recorder(
            connection,
            now=now or Now(),
            version="0.1.0",
            config=config,
            rows_per_block=rows_per_block,
            retention=retention or Retention(),
        )


PLAN = plan_parts(CellRules("lens_4", (zone(),)))
GOOD = Tally(0, 115_000, 116_000, sum_mk_us=231_000_000_000, seen_us=2_000_000)


def part(number: int, *rules: PartRule, last: int | None = None, charge: str = "42") -> Event:
    """A part as the core judges it."""
    marks = 0
    for rule in rules:
        marks |= BIT[rule]
    met = Tally(marks, *[getattr(GOOD, name) for name in list(GOOD.__slots__)[1:]])
    under_way = OpenPart(at(number), (met,), (0,), begun=at(number))
    counted = Count(0, number, number if last is None else last, 0)
    made = Made(counted, at(number + 0.5), under_way, 0, charge, 3600.0, 1, 0.8)
    return judged(made, (), PLAN)
