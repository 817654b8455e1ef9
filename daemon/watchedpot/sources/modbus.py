"""Devices that speak Modbus TCP; the only module that names pymodbus.

Reads with functions 1 to 4 and has no other. The library checks neither function code nor
register count of an answer, so both are checked here, before any value is looked at.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsResponse, ReadDiscreteInputsResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersResponse,
    ReadInputRegistersResponse,
)

from watchedpot.core.model import Block, Quality, Reading
from watchedpot.errors import SourceTimeout, SourceUnreachable
from watchedpot.sources.base import (
    SAFETY_S,
    Clock,
    Judge,
    Poller,
    ProbedChannel,
    Report,
    WrongShape,
    as_it_came,
    bounded,
    poller_of,
)
from watchedpot.sources.decode import (
    BIT_TABLES,
    ILLEGAL_ADDRESS,
    Request,
    alone,
    exception_reading,
    four_orders,
    halves,
    modbus_decoder,
    plan_requests,
)
from watchedpot.sources.wiring import ModbusSource, RegisterTable, ValueType

SPLITS_PER_POLL = 3
"""Requests split in one poll to find a register that is not there [1].

Bounds the length of a poll; what is left is split in the next ones.
"""

EXCEPTION_FLAG = 0x80
"""Set in the function code of an answer that is an exception."""

READS: dict[RegisterTable, tuple[int, Callable[..., Any], type[ModbusPDU]]] = {
    RegisterTable.COILS: (1, AsyncModbusTcpClient.read_coils, ReadCoilsResponse),
    RegisterTable.DISCRETE_INPUTS: (
        2,
        AsyncModbusTcpClient.read_discrete_inputs,
        ReadDiscreteInputsResponse,
    ),
    RegisterTable.HOLDING_REGISTERS: (
        3,
        AsyncModbusTcpClient.read_holding_registers,
        ReadHoldingRegistersResponse,
    ),
    RegisterTable.INPUT_REGISTERS: (
        4,
        AsyncModbusTcpClient.read_input_registers,
        ReadInputRegistersResponse,
    ),
}
"""Function code, method and answer of each table."""


class ModbusDevice:
    """One connection to one unit."""

    def __init__(self, source: ModbusSource) -> None:
        self.requests = 0
        self.certificate_expires_ns: int | None = None
        self._source = source
        self._where = f"source {source.id} ({source.host}:{source.port} unit {source.unit})"
        self._client: AsyncModbusTcpClient | None = None
        self._whole = plan_requests(
            source.channels, max_registers=source.max_registers, max_gap=source.max_gap
        )
        self._plan = self._whole
        self._decoders = {c.name: (modbus_decoder(c), c.width) for c in source.channels}
        self._absent: tuple[Request, ...] = ()

    async def connect(self) -> None:
        """Open the connection; bounded by the source's connect timeout."""
        source = self._source
        self._client = AsyncModbusTcpClient(
            source.host,
            port=source.port,
            timeout=source.connect_timeout_s,
            retries=0,
            reconnect_delay=0,
        )
        # pymodbus 3.16: connect() answers False where others raise (test_library_facts, M3).
        if not await self._client.connect():
            raise SourceUnreachable(
                self._where,
                f"no connection within {source.connect_timeout_s:g} s",
                hint="check the cable and that the controller runs",
            )
        # The one setting bounds the connecting and each answer; from here on, answers.
        self._client.ctx.comm_params.timeout_connect = source.answer_timeout_s

    async def read(self) -> dict[str, Reading]:
        """Read every channel once; each request is bounded by the answer timeout.

        A request refused for its address is halved until the channel that is not there stands
        alone. That one is then left out, so that the others stay good, and asked for again in
        its turn, one such channel a poll: a device can answer before its program is loaded.
        """
        readings: dict[str, Reading] = {}
        for request in self._absent:
            self._take(readings, request, ILLEGAL_ADDRESS)
        plan: list[Request] = []
        absent = list(self._absent[1:])
        splits = 0
        ahead = list(reversed((*self._plan, *self._absent[:1])))
        while ahead:
            request = ahead.pop()
            answer = await self.ask(request)
            if answer != ILLEGAL_ADDRESS:
                plan.append(request)
            elif len(request.channels) == 1:
                absent.append(request)
            elif splits < SPLITS_PER_POLL:
                splits += 1
                ahead.extend(reversed(halves(request)))
                continue
            else:
                plan.extend(halves(request))
            self._take(readings, request, answer)
        is_whole = bool(self._absent) and not absent
        self._plan = self._whole if is_whole else tuple(plan)
        self._absent = tuple(absent)
        return readings

    async def ask(self, request: Request) -> int | Sequence[int]:
        """Words or bits of one request, or the code of the exception it was answered with.

        Raises
        ------
        SourceError
            No answer within the timeout, a broken connection, or an answer of another shape.
        """
        if self._client is None:
            raise SourceUnreachable(self._where, "read without a connection")
        _, method, _ = READS[request.table]
        self.requests += 1
        try:
            answer = await method(
                self._client,
                request.address,
                count=request.count,
                device_id=self._source.unit,
            )
        except ConnectionException as exc:
            raise self._broken() from exc
        except ModbusIOException as exc:
            if not self._client.connected:
                raise self._broken() from exc
            raise SourceTimeout(
                self._where,
                f"no answer to a read of {request.count} {request.table} from {request.address}"
                f" within {self._source.answer_timeout_s:g} s",
                hint="check that the controller runs and has this unit number",
            ) from exc
        return self._content(request, answer)

    def _content(self, request: Request, answer: ModbusPDU) -> int | Sequence[int]:
        """Words, bits or exception code of an answer, if it is one to this request."""
        function, _, kind = READS[request.table]
        unit = self._source.unit
        what = (type(answer), answer.function_code, answer.dev_id)
        if what == (ExceptionResponse, function | EXCEPTION_FLAG, unit):
            return answer.exception_code
        if what == (kind, function, unit):
            if request.table in BIT_TABLES:
                if len(answer.bits) == -(-request.count // 8) * 8:  # whole bytes
                    return answer.bits[: request.count]
            elif len(answer.registers) == request.count:
                return answer.registers
        raise WrongShape(
            self._where,
            f"expected {request.count} {request.table} from {request.address} by function"
            f" {function} of unit {unit}, got {answer}",
            hint="check the unit number and any gateway between",
        )

    def _take(
        self, readings: dict[str, Reading], request: Request, answer: int | Sequence[int]
    ) -> None:
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
        """Close the socket, without waiting for the peer."""
        if self._client is not None:
            self._client.close()
            self._client = None

    def _broken(self) -> SourceUnreachable:
        return SourceUnreachable(
            self._where,
            "the connection was closed from the other side",
            hint="check the cable and that the controller runs",
        )


def poller(
    source: ModbusSource,
    *,
    clock: Clock,
    emit: Callable[[Block], None],
    report: Report,
    rng: random.Random,
    judge: Judge = as_it_came,
) -> Poller:
    """Poller of a Modbus source."""
    return poller_of(
        source,
        "modbus",
        lambda: ModbusDevice(source),
        clock=clock,
        emit=emit,
        report=report,
        rng=rng,
        judge=judge,
    )


async def probe(source: ModbusSource) -> tuple[ProbedChannel, ...]:
    """Every channel read once and by itself, on a connection of its own.

    Raises
    ------
    SourceError
        The device could not be reached or did not answer.
    """
    device = ModbusDevice(source)
    where = f"source {source.id}"
    probed = []
    try:
        await bounded(
            where,
            device.connect(),
            doing="connection",
            bound_s=source.connect_timeout_s + SAFETY_S,
        )
        for channel in source.channels:
            answer = await bounded(
                where,
                device.ask(alone(channel)),
                doing="answer",
                bound_s=source.answer_timeout_s + SAFETY_S,
            )
            if isinstance(answer, int):
                raw, reading = f"exception {answer}", exception_reading(answer)
                probed.append(ProbedChannel(channel.name, raw, reading))
                continue
            raw = " ".join(
                str(int(word)) if channel.table in BIT_TABLES else f"0x{word:04X}"
                for word in answer
            )
            reading = modbus_decoder(channel)(answer)
            is_garbled = channel.type is ValueType.FLOAT32 and reading.quality is not Quality.GOOD
            orders = four_orders(answer) if is_garbled else {}
            probed.append(ProbedChannel(channel.name, raw, reading, orders))
    finally:
        await device.close()
    return tuple(probed)
