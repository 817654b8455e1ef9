"""One connection to one address, shared by all units behind it.

What it guards against, and how:

- **An answer taken for another's.** One request at a time. RTU frames do not say what they
  answer, so after a timeout, a cancel or a frame that was not understood, a TCP connection is
  dropped, and nothing is asked until the line has been quiet for as long as an answer may take.
- **A link that is only half there.** Two timeouts in a row, with nothing between, and it is
  opened anew; where a unit is alone on it, one timeout is enough.
- **A unit that is off, and slows those that are not.** After two failed reads in a row it is
  asked once in 30 s, as long as another unit answers; and all silent units together get at most
  a quarter of the link's time. A unit that is alone on its link is never made to wait.

There are no retries here: each would multiply the bound. Library-free; `modbus` makes the wires.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, replace
from typing import Protocol

from watchedpot.errors import SourceError, SourceTimeout, SourceUnreachable
from watchedpot.sources.base import WrongShape
from watchedpot.sources.decode import MAX_REGISTERS, Request
from watchedpot.sources.wiring import Framing, ModbusSource, SerialLine

HALF_OPEN_TIMEOUTS = 2
"""Timeouts in a row, of whichever units, after which a link counts as half open [1]."""

BREAK_AFTER = 2
"""Failed reads in a row after which a unit is spared [1]."""

BREAK_S = 30.0
"""How long a unit is then left alone [s]."""

WASTE = 3.0
"""Time left to the others for each second spent on a silent unit, in seconds [1]."""

QUEUE_QUIETS = 2.0
QUEUE_SLACK_S = 1.0
"""Longest wait for another unit: its timeout and the quiet after it, and a little more."""

LONGEST_QUIET = 2.0
"""How long quiet is waited for, in quiet times; more, and bytes come unasked [1]."""

GATEWAY_CODES = frozenset({10, 11})
"""Exceptions by which a gateway says that the unit behind it is not there (V1.1b, 7)."""

TURNAROUND_S = 0.05
"""What a device takes to think before it answers on a serial line; common practice [s]."""

ANSWER_FRAMES = 3.0
"""Answer timeout of a serial line, in times that the answer itself takes [1]."""

REQUEST_BYTES = 8
ANSWER_BYTES = 5
"""Length of an RTU request, and of an answer beside its values [bytes]."""

LEAST_BLOCK = 4
"""Registers of the widest value, which is never torn [1]."""

SILENT_CHARACTERS = 3.5
LEAST_GAP_S = 0.00175
"""Pause between two RTU frames, and its least length (Modbus over serial line V1.02, 2.5.1.1)."""

Answer = int | Sequence[int]
"""The words or bits of an answer, or the code of an exception."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One request of one unit.

    Attributes
    ----------
    where
        Who asks, as errors name it.
    bound_s
        Longest wait for the answer. [s]
    """

    where: str
    unit: int
    request: Request
    bound_s: float


class Wire(Protocol):
    """One connection of a link, used once.

    Attributes
    ----------
    fault
        Why it is no longer there, from the moment that the far end closed it.
    has_ids
        Whether each answer names its request.
    is_line
        Whether it is a serial port, which keeps what is under way when it is opened anew.
    has_strays
        Whether bytes came that nobody had asked for.
    heard_s
        When the newest byte came, on the loop's clock. [s]
    """

    fault: SourceError | None
    has_ids: bool
    is_line: bool
    has_strays: bool
    heard_s: float

    async def connect(self, where: str) -> None:
        """Open it; bounded, raises SourceError."""
        ...

    async def ask(self, ask: Ask) -> Answer:
        """Send one request and wait for its answer; bounded, raises SourceError."""
        ...

    def close(self) -> None:
        """Leave nothing open, without waiting."""
        ...


@dataclass(slots=True)
class Member:
    """What a link knows of one of its units.

    Attributes
    ----------
    quiet_s
        How long its answer may take. [s]
    failed
        Failed requests in a row.
    next_s
        When it may be asked again if others answer, on the loop's clock. [s]
    """

    quiet_s: float
    failed: int = 0
    has_answered: bool = False
    next_s: float = 0.0


class Link:
    """The connection to one address; opened when first needed, closed when nobody holds it.

    Parameters
    ----------
    make_wire
        Makes the wire of a new connection.
    gap_s
        Pause between two frames. [s]

    Attributes
    ----------
    connections
        How often it was opened.
    """

    def __init__(self, make_wire: Callable[[], Wire], *, gap_s: float = 0.0) -> None:
        self._make_wire = make_wire
        self._gap_s = gap_s
        self._members: dict[str, Member] = {}
        self._lock = asyncio.Lock()
        self._holds = 0
        self._wire: Wire | None = None
        self._must_settle = False
        self._unsettled_s = 0.0
        self._timeouts = 0
        self._spare_until_s = 0.0
        self._lacks_ids = False
        self.connections = 0
        self._failure: SourceError | None = None
        self._failed_s = 0.0

    def join(self, source_id: str, *, quiet_s: float) -> Member:
        """The unit of a source, known from its earlier connections."""
        member = self._members.setdefault(source_id, Member(quiet_s))
        member.quiet_s = quiet_s
        return member

    @contextmanager
    def held(self) -> Iterator[None]:
        """Keep the connection as long as the body runs, also between two uses."""
        self.hold()
        try:
            yield
        finally:
            self.release()

    def hold(self) -> None:
        """Count one more that needs the connection."""
        self._holds += 1

    def release(self) -> None:
        """Count one less; with the last one the connection is closed."""
        self._holds -= 1
        if not self._holds:
            self._close()

    def others(self, member: Member) -> int:
        """How many other units answer on this link."""
        return sum(
            one.has_answered and not one.failed
            for one in self._members.values()
            if one is not member
        )

    def spares(self, member: Member) -> bool:
        """Whether a unit is not to be asked now, for the sake of those that answer."""
        if not member.failed or not self.others(member):
            return False
        until_s = self._spare_until_s
        if member.failed >= BREAK_AFTER:
            until_s = max(until_s, member.next_s)
        return _now_s() < until_s

    def spared(self, where: str, member: Member) -> SourceTimeout:
        """What is said of a unit that is not asked now."""
        others = self.others(member)
        whom = "another unit" if others == 1 else f"{others} other units"
        rhythm = f"once in {BREAK_S:g} s" if member.failed >= BREAK_AFTER else "less often"
        return SourceTimeout(
            where,
            f"no answer; it is asked {rhythm}, so that {whom} on its link stay fresh",
            hint="check that the unit is on, its number and its line",
        )

    async def open(self, where: str) -> None:
        """Have a connection; waits for its turn and for the wire, each within its bound."""
        began_s = _now_s()
        async with self._turn(where):
            await self._ready(where, began_s)

    async def ask(self, member: Member, ask: Ask) -> Answer:
        """Answer to one request, in its turn; opens the connection where it was dropped.

        Waits for its turn at most twice the longest answer timeout on the link and a second, for
        the answer at most the request's bound.
        Cancelled or failed, it leaves no answer under way that the next could take for its own.

        Raises
        ------
        SourceError
            No turn, no connection, no answer, or one that is none.
        """
        began_s = _now_s()
        async with self._turn(ask.where):
            if self.spares(member):  # another silent unit came first
                raise self.spared(ask.where, member)
            wire = await self._ready(ask.where, began_s)
            sent_s = _now_s()
            is_clear = False
            try:
                answer = await wire.ask(ask)
                is_clear = True
            except SourceTimeout:
                self._timeouts += 1
                self._fail(member, sent_s)
                is_clear = (
                    wire.has_ids and self._timeouts < HALF_OPEN_TIMEOUTS and len(self._members) > 1
                )
                raise
            except SourceError:
                self._fail(member, sent_s)
                raise
            finally:
                if not is_clear:
                    self._unsettle(wire)
            self._timeouts = 0
            if isinstance(answer, int) and answer in GATEWAY_CODES:
                self._fail(member, sent_s)
            else:
                member.failed, member.has_answered = 0, True
            return answer

    def _fail(self, member: Member, sent_s: float) -> None:
        """Count a failed request, and what it cost the others."""
        now_s = _now_s()
        member.failed += 1
        member.next_s = now_s + BREAK_S
        self._spare_until_s = now_s + WASTE * (now_s - sent_s)

    @asynccontextmanager
    async def _turn(self, where: str) -> AsyncIterator[None]:
        if self._lock.locked():
            await self._wait_for_turn(where)
        else:
            await self._lock.acquire()  # at once, and without a timer: this is every poll
        try:
            yield
        finally:
            self._lock.release()

    async def _wait_for_turn(self, where: str) -> None:
        limit_s = QUEUE_QUIETS * self._quiet_s() + QUEUE_SLACK_S
        try:
            async with asyncio.timeout(limit_s):
                await self._lock.acquire()
        except TimeoutError as exc:
            raise SourceTimeout(
                where,
                f"its link was busy with other units for {limit_s:g} s",
                hint="read fewer units there, or less often",
            ) from exc

    async def _ready(self, where: str, began_s: float) -> Wire:
        """The wire, open and with nothing under way."""
        if self._wire is not None and self._wire.fault is not None:
            fault = self._wire.fault
            self._close()
            raise seen_by(where, fault)
        if self._wire is None:
            await self._connect(where, began_s)
        wire = self._wire
        if wire is None:  # closed by the last holder while it was being opened
            raise SourceUnreachable(where, "the connection is closed")
        if wire.has_strays and not wire.has_ids:
            self._must_settle = True
        if self._must_settle:
            await self._settle(wire, where)
        elif (wait_s := wire.heard_s + self._gap_s - _now_s()) > 0:
            await asyncio.sleep(wait_s)
        return wire

    async def _connect(self, where: str, began_s: float) -> None:
        if self._failure is not None and self._failed_s > began_s:
            raise seen_by(where, self._failure)  # just tried, while this one waited
        wire = self._make_wire()
        is_open = False
        try:
            await wire.connect(where)
            is_open = self._holds > 0
        except SourceError as exc:
            self._failure, self._failed_s = exc, _now_s()
            for member in self._members.values():  # all are gone, none is worse than another
                member.failed = 0
            raise
        finally:
            if not is_open:
                wire.close()
        if is_open:
            self.connections += 1
            self._wire = wire
            wire.has_ids = wire.has_ids and not self._lacks_ids
            self._timeouts = 0
            # A converter hands on what it kept for whoever comes next.
            self._must_settle = not wire.has_ids
            self._unsettled_s = _now_s()

    async def _settle(self, wire: Wire, where: str) -> None:
        """Wait until the line has been quiet for as long as any answer may take."""
        quiet_s = self._quiet_s()
        latest_s = _now_s() + LONGEST_QUIET * quiet_s
        while (rest_s := max(self._unsettled_s, wire.heard_s) + quiet_s - _now_s()) > 0:
            if _now_s() + rest_s > latest_s:
                self._close()
                raise WrongShape(
                    where,
                    "bytes keep coming although nothing is asked",
                    hint="let nobody else ask on this line",
                )
            await asyncio.sleep(rest_s)
        wire.has_strays = self._must_settle = False

    def _quiet_s(self) -> float:
        return max((member.quiet_s for member in self._members.values()), default=0.0)

    def _unsettle(self, wire: Wire) -> None:
        """After a request that left something under way."""
        self._lacks_ids = not wire.has_ids
        self._must_settle = not wire.has_ids
        self._unsettled_s = _now_s()
        is_half_open = bool(self._timeouts) and self._timeouts % HALF_OPEN_TIMEOUTS == 0
        if not wire.is_line or wire.fault is not None or is_half_open:
            self._close()

    def _close(self) -> None:
        if self._wire is not None:
            self._wire.close()
            self._wire = None


class Links:
    """The links of a daemon, one for each address."""

    def __init__(self) -> None:
        self._links: dict[tuple[str, Framing], Link] = {}

    def of(self, source: ModbusSource, make_wire: Callable[[], Wire]) -> Link:
        """The link of a source; the first one at an address makes it."""
        key = (source.address, source.framing)
        if key not in self._links:
            self._links[key] = Link(make_wire, gap_s=gap_s(source))
        return self._links[key]


def _now_s() -> float:
    return asyncio.get_running_loop().time()


def seen_by(where: str, error: SourceError) -> SourceError:
    """The same error, as another source has it."""
    return type(error)(where, error.problem, hint=error.hint)


def gap_s(source: ModbusSource) -> float:
    """Pause between two frames.

    Parameters
    ----------
    source
        Any Modbus source.

    Returns
    -------
    float
        0 where frames need none. [s]

    Source
    ------
    3.5 characters, 1.75 ms above 19200 bit/s: Modbus over serial line V1.02, 2.5.1.1.
    """
    if source.framing is Framing.MBAP:
        return 0.0
    characters_s = SILENT_CHARACTERS * source.line.character_s if source.line else 0.0
    return max(characters_s, LEAST_GAP_S)


def transfer_s(line: SerialLine, *, registers: int) -> float:
    """Time that a request for registers and its answer are on a serial line.

    Parameters
    ----------
    line
        Speed and form of its characters.
    registers : int
        How many are asked for. [1]

    Returns
    -------
    float
        Without the time that the device takes to think. [s]

    Source
    ------
    Frame lengths of Modbus over serial line V1.02, 2.5.1, and of function 3, V1.1b, 6.3.

    Examples
    --------
    125 registers at 9600 bit/s without parity: 263 characters of 10 bits.

    >>> from watchedpot.sources.wiring import Parity
    >>> round(transfer_s(SerialLine(9600, Parity.NONE), registers=125), 4)
    0.274
    """
    return line.character_s * (REQUEST_BYTES + ANSWER_BYTES + 2 * registers)


def fitted(source: ModbusSource) -> ModbusSource:
    """The source with blocks and an answer timeout that its serial line can keep.

    Blocks shrink until three times the transfer and a device's thinking fit in the answer
    timeout; where even the smallest does not fit, the timeout grows.

    Source
    ------
    The factor three is common practice for lines behind converters.
    """
    line = source.line
    if line is None:
        return source
    longest_s = source.answer_timeout_s / ANSWER_FRAMES - TURNAROUND_S
    registers = int((longest_s / line.character_s - REQUEST_BYTES - ANSWER_BYTES) / 2)
    block = min(source.max_registers, MAX_REGISTERS, max(LEAST_BLOCK, registers))
    needed_s = ANSWER_FRAMES * (transfer_s(line, registers=block) + TURNAROUND_S)
    return replace(
        source, max_registers=block, answer_timeout_s=max(source.answer_timeout_s, needed_s)
    )
