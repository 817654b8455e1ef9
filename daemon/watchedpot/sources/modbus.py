"""Modbus units: TCP, RTU over TCP, RTU on a serial port; the only module that names pymodbus.

Reads with functions 1 to 4 and has no other. Of the library it takes requests, decoding and
transports; which bytes are an answer is judged in ``frames``, when to ask in ``link``.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.framer import FramerType
from pymodbus.pdu import ExceptionResponse

from watchedpot.core.model import Block, Quality, Reading
from watchedpot.errors import (
    SourceError,
    SourceRefused,
    SourceSlotTaken,
    SourceTimeout,
    SourceUnreachable,
)
from watchedpot.sources.anchor import check_identity
from watchedpot.sources.base import (
    SAFETY_S,
    Clock,
    Judge,
    Load,
    Poller,
    ProbedChannel,
    Report,
    WrongShape,
    as_it_came,
    bounded,
    poller_of,
)
from watchedpot.sources.decode import (
    ADDRESSES,
    BIT_TABLES,
    BITS_PER_REGISTER,
    ILLEGAL_ADDRESS,
    MAX_REGISTERS,
    Request,
    alone,
    exception_reading,
    four_orders,
    halves,
    modbus_decoder,
    plan_requests,
    unpacker,
)
from watchedpot.sources.frames import Seen, Sight, Wanted, is_as_wanted, look
from watchedpot.sources.link import (
    GATEWAY_CODES,
    Answer,
    Ask,
    Link,
    Links,
    fitted,
    seen_by,
)
from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusIdentity,
    ModbusSource,
    Parity,
    RegisterTable,
    ValueType,
)

SPLITS_PER_POLL = 3
"""Requests split in one poll to find a register that is not there [1].

Bounds the length of a poll; what is left is split in the next ones.
"""

BOUND_S = 8.0
"""Bound of a whole read and of a whole connecting; less than the 10 s of the blind limit [s]."""

ASKING_S = 5.0
"""How far into a read a request is still begun, so that it ends by itself [s]."""

BUSY_CODES = frozenset({5, 6})
"""Exceptions by which a unit says that it needs more time (V1.1b, 7)."""

BUSY_WAIT_S = 0.1
"""Pause before a busy unit is asked once more [s]."""

REFUSALS = {1: "illegal function", 3: "illegal data value"}
"""Exceptions that another try does not change (V1.1b, 7)."""

NEVER = 2**31
"""So many timeouts that the library never closes a connection on its own account [1]."""

HEARD_LIMIT = 600
"""Bytes kept to tell what came; two longest frames and a little [bytes]."""

READS: dict[RegisterTable, tuple[int, Callable[..., Any]]] = {
    RegisterTable.COILS: (1, ModbusBaseClient.read_coils),
    RegisterTable.DISCRETE_INPUTS: (2, ModbusBaseClient.read_discrete_inputs),
    RegisterTable.HOLDING_REGISTERS: (3, ModbusBaseClient.read_holding_registers),
    RegisterTable.INPUT_REGISTERS: (4, ModbusBaseClient.read_input_registers),
}
"""Function code and method of each table."""

PARITIES = {Parity.NONE: "N", Parity.EVEN: "E", Parity.ODD: "O"}

LOOK_AT_DEVICE = "check the cable and that the controller runs"


class PymodbusWire:
    """One connection of the library; every byte that comes is looked at before it decodes it."""

    def __init__(self, source: ModbusSource) -> None:
        self.fault: SourceError | None = None
        self.has_ids = source.framing is Framing.MBAP
        self.is_line = bool(source.line and source.line.path)
        self.has_strays = False
        self.heard_s = 0.0
        self._source = source
        self._client: ModbusBaseClient | None = None
        self._wanted: Wanted | None = None
        self._heard = b""
        self._has_heard = False
        self._wrong: Seen | None = None

    async def connect(self, where: str) -> None:
        """Open the connection; bounded by the source's connect timeout."""
        self._where = where
        # A client of its own for each connection: a used one can hold a second socket (pymodbus
        # 3.16, test_library_facts), and its own reconnecting would race with ours.
        client = self._client = self._make_client()
        client.set_max_no_responses(NEVER)
        # pymodbus 3.16: connect() answers False where others raise (test_library_facts, M3).
        if not await client.connect():
            raise self._unreachable(where)

    def _make_client(self) -> ModbusBaseClient:
        source, line = self._source, self._source.line
        if line is not None and line.path:
            return AsyncModbusSerialClient(
                line.path,
                framer=FramerType.RTU,
                baudrate=line.baud_rate,
                parity=PARITIES[line.parity],
                stopbits=line.stop_bits,
                timeout=source.connect_timeout_s,
                retries=0,
                reconnect_delay=0,
                trace_packet=self._pass,
                trace_connect=self._hear_of,
            )
        return AsyncModbusTcpClient(
            source.host,
            port=source.port,
            framer=FramerType.SOCKET if source.framing is Framing.MBAP else FramerType.RTU,
            timeout=source.connect_timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._pass,
            trace_connect=self._hear_of,
        )

    def _unreachable(self, where: str) -> SourceUnreachable:
        """Why it could not be opened."""
        if not self.is_line:
            bound_s = self._source.connect_timeout_s
            return SourceUnreachable(
                where, f"no connection within {bound_s:g} s", hint=LOOK_AT_DEVICE
            )
        if not Path(self._source.address).exists():
            return SourceUnreachable(
                where,
                f"no serial port {self._source.address}",
                hint="check that the adapter is plugged in; under /dev/serial/by-id it keeps its"
                " name",
            )
        return SourceUnreachable(
            where,
            f"the serial port {self._source.address} could not be opened",
            hint="check that no other program uses it and that the daemon may",
        )

    async def ask(self, ask: Ask) -> Answer:
        """Send one request and wait for its answer, at most the request's bound."""
        client = self._client
        if client is None:
            raise SourceUnreachable(ask.where, "read without a connection")
        request = ask.request
        function, method = READS[request.table]
        self._wanted = Wanted(self._source.framing, ask.unit, function, content(request))
        self._heard, self._wrong = b"", None
        client.ctx.comm_params.timeout_connect = ask.bound_s
        try:
            answer = await method(client, request.address, count=request.count, device_id=ask.unit)
        except (ConnectionException, ModbusIOException) as exc:
            raise self._no_answer(ask) from exc
        finally:
            self._wanted = None
        if type(answer) is ExceptionResponse:
            return int(answer.exception_code)
        words: Sequence[int] = (
            answer.bits[: request.count] if request.table in BIT_TABLES else answer.registers
        )
        return words

    def close(self) -> None:
        """Close the socket or port, without waiting for the peer."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _pass(self, is_sending: bool, data: bytes) -> bytes:  # noqa: FBT001 - the library calls it
        """Let only an answer of the right shape through to the library."""
        if is_sending or self._client is None:
            return data
        self._has_heard = True
        self.heard_s = asyncio.get_running_loop().time()
        if self._wanted is None:
            self.has_strays = True
            return b""
        # What comes is all since the request, less what the library took for done.
        is_longer = data.startswith(self._heard)
        self._heard = (data if is_longer else self._heard + data)[:HEARD_LIMIT]
        wanted = self._numbered(self._wanted)
        seen = look(self._heard, wanted)
        if seen.sight is not Sight.ANSWER:
            return b""
        is_out_of_step = not self.has_ids and seen.rest
        is_without_id = self.has_ids and not seen.transaction
        if is_out_of_step or is_without_id or not is_as_wanted(seen.pdu, wanted):
            self._wrong = seen
            self._end(ConnectionException("an answer that is none"))
            return b""
        self._wanted = None  # what follows was not asked for
        return seen.frame

    def _numbered(self, wanted: Wanted) -> Wanted:
        """The same with the transaction id under which the request went out."""
        if self._client is None or wanted.framing is not Framing.MBAP:
            return wanted
        number = self._client.ctx.request_transaction_id
        return Wanted(wanted.framing, wanted.unit, wanted.function, wanted.content, number)

    def _hear_of(self, is_up: bool) -> None:  # noqa: FBT001 - the library calls it
        """Remember that the far end closed, and let nobody wait for its answer."""
        if is_up or self._client is None:
            return
        self.fault = self._closed(self._where)
        self._end(ConnectionException("closed"))

    def _end(self, error: Exception) -> None:
        """End the waiting for an answer."""
        # pymodbus 3.16: after a loss it waits on for the whole timeout (test_library_facts).
        if self._client is not None and self._wanted is not None:
            waiting = self._client.ctx.response_future
            if not waiting.done():
                waiting.set_exception(error)

    def _closed(self, where: str) -> SourceError:
        """What it means that the far end closed."""
        if self.is_line:
            return SourceUnreachable(
                where,
                f"the serial port {self._source.address} is gone",
                hint="check that the adapter is plugged in",
            )
        if self._has_heard:
            problem = "the connection was closed from the other side"
            return SourceUnreachable(where, problem, hint=LOOK_AT_DEVICE)
        return SourceSlotTaken(
            where,
            "it took the connection and closed it before any answer",
            hint="it may serve no more connections than it has now: end one of another program,"
            " or allow this computer in its list",
        )

    def _no_answer(self, ask: Ask) -> SourceError:
        """Why a request ended without an answer."""
        request, framing = ask.request, self._source.framing
        what = f"{request.count} {request.table} from {request.address}"
        function = READS[request.table][0]
        if self._wrong is not None:
            return self._not_as_wanted(ask, f"{what} by function {function} of unit {ask.unit}")
        if self._wanted is None:
            return SourceUnreachable(ask.where, "the connection was closed", hint=LOOK_AT_DEVICE)
        sight = look(self._heard, self._numbered(self._wanted)).sight
        if sight is Sight.GARBAGE:
            return WrongShape(
                ask.where,
                f"answers came that are no {framing} frames: {_hex(self._heard)}",
                hint="check framing and gateway"
                + (", speed, parity and wiring of the line" if framing is Framing.RTU else ""),
            )
        if self.fault is not None:
            return seen_by(ask.where, self.fault)
        begun = "whole answer" if sight is Sight.PART else "answer"
        return SourceTimeout(
            ask.where,
            f"no {begun} to a read of {what} within {ask.bound_s:g} s",
            hint="check that the controller runs, has this unit number and speaks"
            f" {framing} frames",
        )

    def _not_as_wanted(self, ask: Ask, what: str) -> WrongShape:
        """What was wrong with a frame that looked like the answer."""
        seen = self._wrong or Seen(Sight.NOTHING)
        hint = "check the unit number and any gateway between"
        if self.has_ids and not seen.transaction:
            # From now on such a device is read like one whose frames have no number at all.
            self.has_ids = False
            problem = f"expected {what}, got an answer to transaction 0"
        elif seen.rest:
            problem = f"expected {what}, got {seen.rest} bytes more than one answer"
        else:
            problem = f"expected {what}, got {_hex(seen.pdu)}"
        return WrongShape(ask.where, problem, hint=hint)


def _hex(some: bytes) -> str:
    """Bytes for a person; not too many."""
    return some[:16].hex(" ") + (" ..." if len(some) > 16 else "")


class ModbusUnit:
    """One unit, asked over the link that it shares with the others at its address."""

    def __init__(self, source: ModbusSource, links: Links | None = None) -> None:
        self.requests = 0
        self.certificate_expires_ns: int | None = None
        self._source = fitted(source)
        self._where = f"source {source.id} ({source.address} unit {source.unit})"
        self._link = _link(self._source, links or Links())
        self._member = self._link.join(source.id, quiet_s=self._source.answer_timeout_s)
        self._is_open = False
        self._known_on: int | None = None
        self._whole = plan(self._source)
        self._plan = self._whole
        self._decoders = {c.name: (modbus_decoder(c), c.width) for c in source.channels}
        self._absent: tuple[Request, ...] = ()

    async def connect(self) -> None:
        """Have the link stand; a unit that is spared is not asked."""
        if self._link.spares(self._member):
            raise self._link.spared(self._where, self._member)
        if not self._is_open:
            self._is_open = True
            self._link.hold()
        await self._link.open(self._where)
        if self._source.identity is not None:
            await self._check_identity(self._source.identity)

    async def _check_identity(self, identity: ModbusIdentity) -> None:
        """Accept the unit that is meant, at each connection anew.

        Raises
        ------
        SourceError
            It is another one, or does not say which it is.
        """
        self._known_on = None
        channel = identity.channel
        answer = await self.ask(alone(channel))
        if isinstance(answer, int):
            self._check_gateway(answer)
            raise SourceRefused(
                self._where,
                f"it does not tell which unit it is: exception {answer}",
                hint="check the table identity of this source",
            )
        check_identity(self._where, identity.expected, raw_number(channel, answer))
        self._known_on = self._link.connections

    async def read(self) -> dict[str, Reading]:
        """Read every channel once; each request is bounded by the answer timeout.

        A request refused for its address is halved until the channel that is not there stands
        alone. That one is then left out, so that the others stay good, and asked for again in
        its turn, one such channel a poll: a device can answer before its program is loaded.

        Raises
        ------
        SourceError
            No answer, one of another shape, a gateway without the unit behind it, or every
            request refused.
        """
        latest_s = asyncio.get_running_loop().time() + ASKING_S
        readings: dict[str, Reading] = {}
        for request in self._absent:
            self._take(readings, request, ILLEGAL_ADDRESS)
        plan: list[Request] = []
        absent = list(self._absent[1:])
        answers: list[Answer] = []
        splits = 0
        ahead = list(reversed((*self._plan, *self._absent[:1])))
        while ahead:
            if asyncio.get_running_loop().time() > latest_s:
                raise self._too_slow(len(ahead))
            request = ahead.pop()
            answer = await self.ask(request)
            if not answers:
                self._check_gateway(answer)
            answers.append(answer)
            if answer != ILLEGAL_ADDRESS:
                plan.append(request)
            elif request != (shorter := bare(request)):
                ahead.append(shorter)
                continue
            elif len(request.channels) == 1:
                absent.append(request)
            elif splits < SPLITS_PER_POLL:
                splits += 1
                ahead.extend(reversed(halves(request)))
                continue
            else:
                plan.extend(halves(request))
            self._take(readings, request, answer)
        self._check_refused(answers)
        is_whole = bool(self._absent) and not absent
        self._plan = self._whole if is_whole else tuple(plan)
        self._absent = tuple(absent)
        return readings

    async def ask(self, request: Request) -> Answer:
        """Words or bits of one request, or the code of the exception it was answered with.

        A busy unit is asked once more.

        Raises
        ------
        SourceError
            No answer within the timeout, a broken connection, or an answer of another shape.
        """
        if not self._is_open:
            raise SourceUnreachable(self._where, "read without a connection")
        source = self._source
        ask = Ask(self._where, source.unit, request, source.answer_timeout_s)
        self.requests += 1
        answer = await self._link.ask(self._member, ask)
        if isinstance(answer, int) and answer in BUSY_CODES:
            await asyncio.sleep(BUSY_WAIT_S)
            self.requests += 1
            answer = await self._link.ask(self._member, ask)
        if self._known_on not in (None, self._link.connections):
            # Opened anew meanwhile: nobody has looked yet who answers now.
            raise SourceUnreachable(
                self._where, "the connection was renewed", hint="it is looked at again at once"
            )
        return answer

    def _take(self, readings: dict[str, Reading], request: Request, answer: Answer) -> None:
        """Add the readings of the channels of one request."""
        if isinstance(answer, int):
            readings.update(
                dict.fromkeys((c.name for c in request.channels), exception_reading(answer))
            )
            return
        start = request.address
        for channel in request.channels:
            decode, width = self._decoders[channel.name]
            at = channel.address - start
            readings[channel.name] = decode(answer[at : at + width])

    async def close(self) -> None:
        """Let go of the link; it is closed where nobody else holds it."""
        if self._is_open:
            self._is_open = False
            self._link.release()

    def _check_gateway(self, answer: Answer) -> None:
        """A unit whose first answer is the gateway's is not asked further."""
        if isinstance(answer, int) and answer in GATEWAY_CODES:
            source = self._source
            what = "has no way to" if answer == min(GATEWAY_CODES) else "has no answer from"
            raise SourceTimeout(
                self._where,
                f"the gateway {source.address} answers, but {what} unit {source.unit}"
                f" (exception {answer})",
                hint="check that the unit is on, its number and its line",
            )

    def _check_refused(self, answers: Sequence[Answer]) -> None:
        """Whether there is one thing that was not refused for good."""
        codes = [answer for answer in answers if isinstance(answer, int) and answer in REFUSALS]
        if codes and len(codes) == len(answers):
            raise SourceRefused(
                self._where,
                f"every read was refused with exception {codes[0]} ({REFUSALS[codes[0]]})",
                hint="check table, address and unit number of its channels",
            )

    def _too_slow(self, left: int) -> SourceTimeout:
        return SourceTimeout(
            self._where,
            f"no complete answer within {ASKING_S:g} s, {left} requests are left",
            hint="read fewer channels, or in fewer blocks",
        )


def _link(source: ModbusSource, links: Links) -> Link:
    """The link of a fitted source."""
    return links.of(source, lambda: PymodbusWire(source))


def plan(source: ModbusSource) -> tuple[Request, ...]:
    """The requests of one poll, when no register is missing."""
    requests = plan_requests(
        source.channels, max_registers=source.max_registers, max_gap=source.max_gap
    )
    if source.framing is Framing.MBAP:
        return requests
    return told_apart(requests, max_gap=source.max_gap)


def raw_number(channel: ModbusChannel, words: Sequence[int]) -> float:
    """The number that registers or a bit hold, before any scaling [raw]."""
    if channel.type is ValueType.BOOL:
        return int(words[0])
    unpack = unpacker(channel.type, word_order=channel.word_order, swap_bytes=channel.swap_bytes)
    return unpack(words)


def content(request: Request) -> int:
    """Length of the values in an answer [bytes]."""
    return -(-request.count // 8) if request.table in BIT_TABLES else 2 * request.count


def told_apart(requests: Sequence[Request], *, max_gap: int) -> tuple[Request, ...]:
    """The same reads with answers of different lengths, so far as ``max_gap`` allows.

    RTU frames do not say what they answer: one that came twice, or from before, then shows by
    its length. A read grows by unused registers behind its last one; where those do not exist,
    the unit says so and the read is made without them.
    """
    taken: set[tuple[RegisterTable, int]] = set()
    apart = []
    for request in requests:
        limit = MAX_REGISTERS * (BITS_PER_REGISTER if request.table in BIT_TABLES else 1)
        most = min(request.count + max_gap, limit, ADDRESSES - request.address)
        for count in range(request.count, most + 1):
            longer = replace(request, count=count)
            if (request.table, content(longer)) not in taken:
                break
        else:
            longer = request
        taken.add((request.table, content(longer)))
        apart.append(longer)
    return tuple(apart)


def bare(request: Request) -> Request:
    """A read without what was added behind its last channel."""
    end = max(channel.address + channel.width for channel in request.channels)
    return replace(request, count=end - request.address)


def load(source: ModbusSource) -> Load:
    """What a source asks of its unit."""
    wanted = fitted(source)
    link = f"{source.protocol} {source.address} unit {source.unit}"
    return Load(link, len(plan(wanted)), source.poll_period_s)


def poller(
    source: ModbusSource,
    *,
    clock: Clock,
    emit: Callable[[Block], None],
    report: Report,
    rng: random.Random,
    judge: Judge = as_it_came,
    links: Links | None = None,
) -> Poller:
    """Poller of a Modbus source; those with the same ``links`` share connections."""
    shared = links or Links()
    link = _link(fitted(source), shared)
    return poller_of(
        source,
        "modbus",
        lambda: ModbusUnit(source, shared),
        clock=clock,
        emit=emit,
        report=report,
        rng=rng,
        judge=judge,
        hold=link.held,
        bound_s=BOUND_S,
    )


async def probe(source: ModbusSource) -> tuple[ProbedChannel, ...]:
    """Every channel read once and by itself, on a connection of its own.

    Raises
    ------
    SourceError
        The device could not be reached or did not answer.
    """
    device = ModbusUnit(source)
    where = f"source {source.id}"
    loop = asyncio.get_running_loop()
    probed = []
    try:
        await bounded(where, device.connect(), doing="connection", bound_s=BOUND_S + SAFETY_S)
        for channel in source.channels:
            began_s = loop.time()
            answer = await bounded(
                where, device.ask(alone(channel)), doing="answer", bound_s=BOUND_S + SAFETY_S
            )
            took_s = loop.time() - began_s
            if isinstance(answer, int):
                raw, reading = f"exception {answer}", exception_reading(answer)
                probed.append(ProbedChannel(channel.name, raw, reading, took_s=took_s))
                continue
            raw = " ".join(
                str(int(word)) if channel.table in BIT_TABLES else f"0x{word:04X}"
                for word in answer
            )
            reading = modbus_decoder(channel)(answer)
            is_garbled = channel.type is ValueType.FLOAT32 and reading.quality is not Quality.GOOD
            orders = four_orders(answer) if is_garbled else {}
            probed.append(ProbedChannel(channel.name, raw, reading, orders, took_s))
    finally:
        await device.close()
    return tuple(probed)
