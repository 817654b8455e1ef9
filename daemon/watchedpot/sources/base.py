"""What all sources share: the schedule, the deadline, the reconnecting, the supervision.

A poller makes one row at each due moment, of readings or of their absence. Connecting runs
beside it, so that a device that is gone still yields its rows on time.
"""

from __future__ import annotations

import asyncio
import math
import random
from bisect import bisect_left
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from watchedpot.core.model import (
    NO_TIME_NS,
    Block,
    Instant,
    Quality,
    Reading,
    Reason,
    block_row,
    missing_row,
)
from watchedpot.core.snapshot import LinkState, SourceSnapshot
from watchedpot.core.units import ns, seconds
from watchedpot.errors import (
    SourceError,
    SourceNotTrusted,
    SourceRefused,
    SourceSlotTaken,
    SourceTimeout,
    SourceUnreachable,
)
from watchedpot.sources.wiring import Source, WordOrder

RECONNECT_BASE_S = 0.5
"""Longest wait before the first new attempt [s]; short, since most losses are short."""

SAFETY_S = 0.1
"""How much later than the library's own bound ours cuts in [s]."""

CLOSE_BOUND_S = 10.0
"""Bound of closing, a net below the devices' own bounds [s]."""

LATENESS_BOUNDS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, math.inf)
"""Upper bounds of the histogram of lateness [s]; 1-2.5-5 steps around the usual 1 s poll."""

FAILURES = (
    Reason.NO_CONNECTION,
    Reason.NO_ANSWER,
    Reason.REFUSED,
    Reason.SHAPE,
    Reason.NOT_WATCHED,
)
"""Why a whole poll can bring nothing; NOT_WATCHED is a fault of this program."""

T = TypeVar("T")


class Clock(Protocol):
    """Tells and awaits cell time."""

    def now(self) -> Instant:
        """Return the present moment."""
        ...

    async def sleep_until(self, mono_ns: int) -> None:
        """Wait for a moment of the monotonic clock; a moment gone by returns at once."""
        ...


class Device(Protocol):
    """One connection to one device, used once: connected, read from, closed.

    Attributes
    ----------
    requests
        Requests sent by ``read`` so far.
    certificate_expires_ns
        When the first certificate of the connection ends, in UTC; None without one. [ns]
    """

    requests: int
    certificate_expires_ns: int | None

    async def connect(self) -> None:
        """Open the connection; raises SourceError. May be cancelled at any await."""
        ...

    async def read(self) -> dict[str, Reading]:
        """Read every channel once; raises SourceError, after which only ``close`` is called."""
        ...

    async def close(self) -> None:
        """Leave nothing open, whatever came before; bounded, never raises SourceError."""
        ...


class Judge(Protocol):
    """Looks at readings in the light of earlier ones and of each other."""

    def __call__(self, at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
        """The same channels, those that are not believed made not good."""
        ...


class Report(Protocol):
    """Takes the changes of a source's state, for the log."""

    def __call__(self, event_name: str, /, **fields: object) -> None:
        """Record one change."""
        ...


class WrongShape(SourceRefused):
    """An answer of another kind or length than asked for."""


@dataclass(frozen=True, slots=True)
class ProbedChannel:
    """What one channel gave when it was read by itself.

    Attributes
    ----------
    raw
        The answer as it came, for a person to read.
    orders
        All four readings of a 32-bit float that is not good, by word order and byte swap.
    took_s
        How long the answer took; nan where it was not measured. [s]
    """

    name: str
    raw: str
    reading: Reading
    orders: dict[tuple[WordOrder, bool], float] = field(default_factory=dict)
    took_s: float = math.nan


@dataclass(frozen=True, slots=True)
class Load:
    """What a source asks of its device.

    Attributes
    ----------
    link
        What its one connection is to.
    requests_per_poll
        When all goes well. [1]
    """

    link: str
    requests_per_poll: int
    poll_period_s: float

    @property
    def requests_per_s(self) -> float:
        """Mean over a poll period [1/s]."""
        return self.requests_per_poll / self.poll_period_s


def next_delay_s(attempt: int, *, base_s: float, cap_s: float, jitter: float) -> float:
    """Wait before a new connection: doubling to a cap, shortened by up to a half by chance.

    Parameters
    ----------
    attempt : int
        Failed attempts since the last good reading, from 1. [1]
    base_s : float
        Longest wait after the first. [s]
    cap_s : float
        Longest wait of all. [s]
    jitter : float
        A random number, 0 to 1, so that many clients do not return at one moment. [1]

    Returns
    -------
    float
        The wait. [s]

    Source
    ------
    Exponential backoff; the jitter is common practice.

    Examples
    --------
    >>> [next_delay_s(n, base_s=0.5, cap_s=5.0, jitter=0.0) for n in (1, 2, 3, 4, 5)]
    [0.5, 1.0, 2.0, 4.0, 5.0]
    >>> next_delay_s(9, base_s=0.5, cap_s=5.0, jitter=1.0)
    2.5
    """
    longest_s = min(cap_s, math.ldexp(base_s, min(attempt - 1, 64)))
    return longest_s * (1.0 - 0.5 * jitter)


async def bounded(where: str, action: Awaitable[T], *, doing: str, bound_s: float) -> T:
    """Await ``action`` for at most ``bound_s`` real seconds; whatever it raises becomes ours.

    A cancel from outside passes through, even one that the action swallowed.

    Raises
    ------
    SourceError
        The action's own, or SourceTimeout, or the plain class for anything unforeseen.
    """
    task = asyncio.current_task()
    cancels = task.cancelling() if task else 0
    limit = asyncio.timeout(bound_s)
    try:
        async with limit:
            return await action
    except SourceError:
        raise
    except TimeoutError as exc:
        raise SourceTimeout(where, f"no {doing} within {bound_s:g} s") from exc
    except asyncio.CancelledError as exc:
        # asyncua 2.1: a cancel at the moment of the answer comes out as a class of its own, in
        # which asyncio.timeout (3.11) does not see its own work; it would end the poller.
        is_ours = limit.expired() and not (task and task.cancelling() > cancels)
        if not is_ours:
            raise
        raise SourceTimeout(where, f"no {doing} within {bound_s:g} s") from exc
    except Exception as exc:
        raise SourceError(
            where,
            f"{doing} ended in {type(exc).__name__}: {exc}",
            hint="this is a fault of the program, not of the device",
        ) from exc
    finally:
        # asyncua 2.1: Client.disconnect swallows a cancel (test_library_facts).
        if task and task.cancelling() > cancels:
            raise asyncio.CancelledError


def link_state(error: SourceError) -> LinkState:
    """How a connection stands that ended in an error."""
    match error:
        case SourceNotTrusted():
            return LinkState.NOT_TRUSTED
        case SourceSlotTaken():
            return LinkState.SLOT_TAKEN
        case WrongShape():
            return LinkState.WRONG_ANSWER
        case SourceTimeout():
            return LinkState.SILENT
        case SourceRefused():
            return LinkState.REFUSED
        case _:
            return LinkState.CONNECTING


def diagnosis(error: SourceError) -> str:
    """What is wrong and what to look at, without the name of the source."""
    return "; ".join(part for part in (error.problem, error.hint) if part)


def as_it_came(at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
    """Believe every reading."""
    del at
    return readings


def failure_reason(error: SourceError) -> Reason:
    """Reason of the readings that an error took away."""
    match error:
        case WrongShape():
            return Reason.SHAPE
        case SourceUnreachable():
            return Reason.NO_CONNECTION
        case SourceTimeout():
            return Reason.NO_ANSWER
        case SourceRefused():
            return Reason.REFUSED
        case _:
            return Reason.NOT_WATCHED


class Poller:
    """Reads one device on a fixed phase, for ever, whatever the device does.

    Parameters
    ----------
    source_id, protocol
        Name of the source, and of what it speaks.
    channels
        Names of the channels, in the order of the blocks' columns.
    make_device
        Makes the device of a new connection.
    clock
        Cell time: due moments and stamps. All bounds and waits below are real time.
    poll_period_s
        Cell time between due moments. [s]
    connect_bound_s, read_bound_s
        Bounds of a connection attempt and of a whole read. [s]
    reconnect_cap_s
        Longest wait between two attempts. [s]
    emit
        Takes each block, one row each.
    report
        Takes ``source_up`` and ``source_lost``, and ``source_link`` where what is wrong with
        a lost one changes; once per change.
    rng
        Jitter of the waits.
    judge
        Says which readings are believed.
    hold
        Keeps what its devices share, for as long as it runs.
    """

    def __init__(
        self,
        source_id: str,
        protocol: str,
        channels: Sequence[str],
        make_device: Callable[[], Device],
        *,
        clock: Clock,
        poll_period_s: float,
        connect_bound_s: float,
        read_bound_s: float,
        reconnect_cap_s: float,
        emit: Callable[[Block], None],
        report: Report,
        rng: random.Random,
        judge: Judge = as_it_came,
        hold: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self.source_id = source_id
        self._protocol = protocol
        self._channels = tuple(channels)
        self._make_device = make_device
        self._clock = clock
        self._period_ns = ns(poll_period_s)
        self._connect_bound_s = connect_bound_s
        self._read_bound_s = read_bound_s
        self._reconnect_cap_s = reconnect_cap_s
        self._emit = emit
        self._report = report
        self._rng = rng
        self._judge = judge
        self._hold = hold
        self._where = f"source {source_id}"

        self._device: Device | None = None
        self._broken = asyncio.Event()
        self._attempt = 0
        self._is_up: bool | None = None
        self._reason = Reason.NO_CONNECTION
        self._link = LinkState.CONNECTING
        self._diagnosis = ""

        self._polls = 0
        self._failures = dict.fromkeys(FAILURES, 0)
        self._overruns = 0
        self._connections = 0
        self._last_answer: Instant | None = None
        self._lateness_s = 0.0
        self._lateness_sum_s = 0.0
        self._lateness_counts = [0] * len(LATENESS_BOUNDS_S)
        self._round_trip_s = 0.0
        self._skew_s: float | None = None
        self._requests = 0
        self._rejected: dict[Reason, int] = {}
        self._certificate_expires_ns: int | None = None

    async def run(self) -> None:
        """Poll until cancelled; leaves no connection open."""
        with self._hold():
            async with asyncio.TaskGroup() as group:
                group.create_task(self._stay_connected())
                await self._poll_on_phase()

    def status(self) -> SourceSnapshot:
        """Counts and times of this source so far."""
        reached = 0
        buckets = []
        for bound_s, count in zip(LATENESS_BOUNDS_S, self._lateness_counts, strict=True):
            reached += count
            buckets.append((bound_s, reached))
        return SourceSnapshot(
            id=self.source_id,
            protocol=self._protocol,
            is_up=self._is_up is True,
            polls=self._polls,
            failures=dict(self._failures),
            overruns=self._overruns,
            connections=self._connections,
            last_answer=self._last_answer,
            lateness_s=self._lateness_s,
            round_trip_s=self._round_trip_s,
            skew_s=self._skew_s,
            lateness_buckets=tuple(buckets),
            lateness_sum_s=self._lateness_sum_s,
            link=self._link,
            diagnosis=self._diagnosis,
            requests=self._requests,
            rejected=dict(self._rejected),
            certificate_expires_ns=self._certificate_expires_ns,
        )

    async def _poll_on_phase(self) -> None:
        start_ns = self._clock.now().mono_ns
        n = 1  # the first period is for connecting
        while True:
            due_ns = start_ns + n * self._period_ns
            await self._clock.sleep_until(due_ns)
            await self._poll(due_ns)
            gone_ns = self._clock.now().mono_ns - start_ns
            following = max(n, gone_ns // self._period_ns) + 1  # no two rows at one moment
            self._overruns += following - n - 1
            n = following

    async def _poll(self, due_ns: int) -> None:
        began_s = asyncio.get_running_loop().time()
        readings: dict[str, Reading] | None = None
        if (device := self._device) is not None:
            earlier = device.requests
            try:
                readings = await bounded(
                    self._where,
                    self._read_in_order(device),
                    doing="complete answer",
                    bound_s=self._read_bound_s,
                )
            except SourceError as exc:
                self._lose(exc)
            self._requests += device.requests - earlier
        took_s = asyncio.get_running_loop().time() - began_s
        at = self._clock.now()
        self._polls += 1
        if readings is not None:
            readings = self._judged(at, readings)
        if readings is None:
            self._failures[self._reason] += 1
            self._emit(missing_row(self.source_id, self._channels, at, self._reason))
            return
        self._round_trip_s = took_s
        self._account(readings, at, due_ns)
        self._emit(block_row(self.source_id, at, readings))

    def _judged(self, at: Instant, readings: dict[str, Reading]) -> dict[str, Reading] | None:
        """The readings as the judge leaves them; a fault of it costs the row, not the poller."""
        try:
            return self._judge(at, readings)
        except Exception as exc:
            error = SourceError(
                self._where,
                f"judging the readings ended in {type(exc).__name__}: {exc}",
                hint="this is a fault of the program, not of the device",
            )
            error.__cause__ = exc
            self._lose(error)
            return None

    async def _read_in_order(self, device: Device) -> dict[str, Reading]:
        readings = await device.read()
        return {name: readings[name] for name in self._channels}

    def _account(self, readings: dict[str, Reading], at: Instant, due_ns: int) -> None:
        self._last_answer = at
        self._lateness_s = seconds(at.mono_ns - due_ns)
        self._lateness_sum_s += self._lateness_s
        self._lateness_counts[bisect_left(LATENESS_BOUNDS_S, self._lateness_s)] += 1
        # The newest server stamp of an answer is as old as the server's last look at any node.
        server_ns = max(reading.server_ns for reading in readings.values())
        self._skew_s = seconds(server_ns - at.utc_ns) if server_ns != NO_TIME_NS else None
        if self._attempt and any(cell.quality is Quality.GOOD for cell in readings.values()):
            self._attempt = 0
        for reading in readings.values():
            if reading.reason:
                self._rejected[reading.reason] = self._rejected.get(reading.reason, 0) + 1
        if self._is_up is not True:
            self._is_up = True
            self._link, self._diagnosis = LinkState.UP, ""
            self._report("source_up", source=self.source_id, connections=self._connections)

    def _lose(self, error: SourceError) -> None:
        self._reason = failure_reason(error)
        earlier, self._link = self._link, link_state(error)
        self._diagnosis = diagnosis(error)
        self._device = None
        self._broken.set()
        if self._is_up is False:
            if self._link is not earlier:
                self._report(
                    "source_link",
                    source=self.source_id,
                    link=self._link.value,
                    diagnosis=self._diagnosis,
                )
            return
        self._is_up = False
        error.effect = (
            f"its {len(self._channels)} channels are missing,"
            f" next try within {self._reconnect_cap_s:g} s"
        )
        self._report(
            "source_lost", source=self.source_id, reason=self._reason.name.lower(), text=str(error)
        )

    async def _stay_connected(self) -> None:
        while True:
            await self._hold_one_connection()
            self._attempt += 1
            await asyncio.sleep(
                next_delay_s(
                    self._attempt,
                    base_s=RECONNECT_BASE_S,
                    cap_s=self._reconnect_cap_s,
                    jitter=self._rng.random(),
                )
            )

    async def _hold_one_connection(self) -> None:
        """Connect, then wait until a read finds the connection broken."""
        device = self._make_device()
        try:
            await bounded(
                self._where,
                device.connect(),
                doing="connection",
                bound_s=self._connect_bound_s,
            )
            self._connections += 1
            self._certificate_expires_ns = device.certificate_expires_ns
            self._broken.clear()
            self._device = device
            await self._broken.wait()
        except SourceError as exc:
            self._lose(exc)
        finally:
            self._device = None
            # What cannot be closed is not used again, and its poller lives on.
            with suppress(SourceError):
                await bounded(self._where, device.close(), doing="end", bound_s=CLOSE_BOUND_S)


def poller_of(
    source: Source,
    protocol: str,
    make_device: Callable[[], Device],
    *,
    clock: Clock,
    emit: Callable[[Block], None],
    report: Report,
    rng: random.Random,
    judge: Judge = as_it_came,
    hold: Callable[[], AbstractContextManager[None]] = nullcontext,
    bound_s: float | None = None,
) -> Poller:
    """Poller of a configured source; our bounds are a little wider than the library's.

    Where a device bounds each of its steps itself, ``bound_s`` is the bound of all of them.
    """
    return Poller(
        source.id,
        protocol,
        [channel.name for channel in source.channels],
        make_device,
        clock=clock,
        poll_period_s=source.poll_period_s,
        connect_bound_s=(bound_s or source.connect_timeout_s) + SAFETY_S,
        read_bound_s=(bound_s or source.answer_timeout_s) + SAFETY_S,
        reconnect_cap_s=source.reconnect_cap_s,
        emit=emit,
        report=report,
        rng=rng,
        judge=judge,
        hold=hold,
    )
