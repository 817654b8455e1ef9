"""From what came over the wire to a reading: registers, OPC UA values and statuses.

Pure. Also plans which registers are read together, since a value torn over two requests, or
decoded from the wrong words, is the worst kind of wrong number: one that looks right.
"""

from __future__ import annotations

import math
import struct
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from watchedpot.core.model import Quality, Reading, Reason, not_good
from watchedpot.errors import DataError
from watchedpot.sources.wiring import (
    Conversion,
    ModbusChannel,
    OpcuaChannel,
    RegisterTable,
    Unit,
    ValueType,
    WordOrder,
)

MAX_REGISTERS = 125
"""Longest read of registers (0x7D), Modbus application protocol V1.1b, 6.3 and 6.4 [1]."""

BITS_PER_REGISTER = 16
"""Takes the limit of registers to that of bits: 2000 (0x7D0), the same document, 6.1 [1]."""

ADDRESSES = 65_536
"""Size of each table of a Modbus unit [1]."""

LEAST_TEMPERATURE = 1e-3
"""A float temperature nearer to zero, in degC or degF, but not zero, is words in a wrong order.

180.0 with swapped words or bytes reads 2.4e-41 or 1.8e-7. No sensor resolves a thousandth.
"""

SMALLEST_NORMAL = {ValueType.FLOAT32: 2.0**-126, ValueType.FLOAT64: 2.0**-1022}
"""Below it a float is denormal (IEEE 754); no measurement is, integers in float clothes are."""

LARGEST = sys.float_info.max
LARGEST_FLOAT32 = (2.0 - 2.0**-23) * 2.0**127
"""Beyond it there is only infinity (IEEE 754)."""

FINE = (Quality.GOOD, Reason.NONE)

BIT_TABLES = frozenset({RegisterTable.COILS, RegisterTable.DISCRETE_INPUTS})

LAYOUTS = {
    ValueType.INT16: ">h",
    ValueType.UINT16: ">H",
    ValueType.INT32: ">i",
    ValueType.UINT32: ">I",
    ValueType.INT64: ">q",
    ValueType.UINT64: ">Q",
    ValueType.FLOAT32: ">f",
    ValueType.FLOAT64: ">d",
}

BUILT_IN_TYPES: dict[ValueType, tuple[int, type]] = {
    ValueType.BOOL: (1, bool),
    ValueType.INT16: (4, int),
    ValueType.UINT16: (5, int),
    ValueType.INT32: (6, int),
    ValueType.UINT32: (7, int),
    ValueType.INT64: (8, int),
    ValueType.UINT64: (9, int),
    ValueType.FLOAT32: (10, float),
    ValueType.FLOAT64: (11, float),
}
"""Number of each built-in type in OPC UA (Part 6, 5.1.2) and its type in Python."""

CODE_MASK = 0xFFFF_0000
"""The low half of an OPC UA status holds flags that never change its meaning (Part 4, 7.39)."""

LAST_GOOD = 0x3FFF_FFFF
LAST_UNCERTAIN = 0x7FFF_FFFF
"""Statuses are ordered by severity, which is in their two highest bits."""

SPECIAL_STATUSES = {
    0x408F_0000: (Quality.STALE, Reason.STATUS),  # UncertainNoCommunicationLastUsableValue
    0x4090_0000: (Quality.STALE, Reason.STATUS),  # UncertainLastUsableValue
    0x8005_0000: (Quality.STALE, Reason.STATUS),  # BadCommunicationError
    0x800A_0000: (Quality.STALE, Reason.STATUS),  # BadTimeout
    0x800D_0000: (Quality.STALE, Reason.STATUS),  # BadServerNotConnected
    0x8031_0000: (Quality.STALE, Reason.STATUS),  # BadNoCommunication
    0x801F_0000: (Quality.BAD, Reason.REFUSED),  # BadUserAccessDenied
    0x803A_0000: (Quality.BAD, Reason.REFUSED),  # BadNotReadable
    0x8033_0000: (Quality.BAD, Reason.ADDRESS),  # BadNodeIdInvalid
    0x8034_0000: (Quality.BAD, Reason.ADDRESS),  # BadNodeIdUnknown
    0x8035_0000: (Quality.BAD, Reason.ADDRESS),  # BadAttributeIdInvalid
}
"""Statuses that say more than their severity.

STALE where the server still answers but has lost the device behind it: what it has is old.
"""

EXCEPTION_CODES = {
    1: (Quality.BAD, Reason.REFUSED),  # illegal function
    2: (Quality.BAD, Reason.ADDRESS),  # illegal data address
    3: (Quality.BAD, Reason.REFUSED),  # illegal data value
    4: (Quality.BAD, Reason.STATUS),  # device failure
    5: (Quality.MISSING, Reason.REFUSED),  # acknowledge: come back later
    6: (Quality.MISSING, Reason.REFUSED),  # busy
    8: (Quality.BAD, Reason.STATUS),  # memory parity
    10: (Quality.MISSING, Reason.NO_CONNECTION),  # gateway path unavailable
    11: (Quality.MISSING, Reason.NO_ANSWER),  # the unit behind the gateway is silent
}
"""What each Modbus exception says about the values asked for (V1.1b, 7)."""

ILLEGAL_ADDRESS = 2


class Implausible(Reading):
    """A reading outside its range: without a number, but it knows which one came.

    So that what is judged in the light of earlier readings can say what is wrong with it.

    Attributes
    ----------
    came
        The number in the channel's unit that is not believed, degC for degF.
    """

    came: float


def implausible(came: float, reading: Reading) -> Implausible:
    """The same reading with the number that came beside it."""
    remembering = Implausible(*reading)
    remembering.came = came
    return remembering


@dataclass(frozen=True, slots=True)
class Request:
    """One read of consecutive registers or bits, and the channels it serves."""

    table: RegisterTable
    address: int
    count: int
    channels: tuple[ModbusChannel, ...]


def unpacker(
    value_type: ValueType, *, word_order: WordOrder, swap_bytes: bool
) -> Callable[[Sequence[int]], float]:
    """Function from registers to the number that they stand for.

    Parameters
    ----------
    value_type
        Any but BOOL.
    word_order
        Whether the high word stands at the lower address.
    swap_bytes
        Whether the two bytes of each word are exchanged.

    Returns
    -------
    callable
        As many 16-bit words as the type is wide, the lower address first [1] -> the number, an
        int for integer types, nan and infinities included [any].

    Source
    ------
    IEEE 754 and two's complement; big-endian words as in Modbus V1.1b, 4.2.

    Examples
    --------
    >>> unpacker(ValueType.INT16, word_order=WordOrder.HIGH_FIRST, swap_bytes=False)([0xFFFE])
    -2
    >>> low_first = unpacker(ValueType.FLOAT32, word_order=WordOrder.LOW_FIRST, swap_bytes=False)
    >>> low_first([0x0000, 0x4334])
    180.0
    """
    layout = struct.Struct(LAYOUTS[value_type])
    unpack = layout.unpack
    pack = struct.Struct(f"{'<' if swap_bytes else '>'}{layout.size // 2}H").pack
    step = 1 if word_order is WordOrder.HIGH_FIRST else -1

    def number(registers: Sequence[int]) -> float:
        return unpack(pack(*registers[::step]))[0]  # type: ignore[no-any-return]

    return number


def four_orders(registers: Sequence[int]) -> dict[tuple[WordOrder, bool], float]:
    """Every reading of a 32-bit float: by word order and whether bytes are swapped.

    For commissioning: a person who knows the temperature sees which order is right.

    Parameters
    ----------
    registers : sequence of 2 int
        The words, the lower address first. [1]

    Returns
    -------
    dict
        The number under each (word order, swap bytes). [any]

    Source
    ------
    The four orders in which devices are known to send a float.

    Examples
    --------
    >>> four_orders([0x47F1, 0x2000])[WordOrder.HIGH_FIRST, False]
    123456.0
    """
    return {
        (word_order, swap_bytes): unpacker(
            ValueType.FLOAT32, word_order=word_order, swap_bytes=swap_bytes
        )(registers)
        for word_order in WordOrder
        for swap_bytes in (False, True)
    }


def converter(
    value_type: ValueType, conversion: Conversion
) -> Callable[[float], tuple[float, Quality, Reason]]:
    """Function from the number on the wire to the value in the channel's unit.

    It gives BAD and the first test that was not passed for a fill value, for what is not finite,
    for a float too near to zero, and for what lies outside the plausible range; of the last two
    it tells the number, that others may say what is wrong with it, else nan. Made once for each
    channel, since it runs for every sample.

    Parameters
    ----------
    value_type
        What the number is on the wire; a BOOL is not converted.
    conversion
        Fill values, scale, unit and range of the channel.

    Returns
    -------
    callable
        raw [any] -> value [conversion.unit, degC for degF], quality, reason.

    Source
    ------
    0 degC = 32 degF and 1 K = 1.8 degF, exact by definition.

    Examples
    --------
    >>> converter(ValueType.INT16, Conversion(scale=0.1, unit=Unit.FAHRENHEIT))(3560)
    (180.0, <Quality.GOOD: 0>, <Reason.NONE: 0>)
    """
    if value_type is ValueType.BOOL:
        return lambda raw: (float(raw), *FINE)
    scale, offset = conversion.scale, conversion.offset
    is_fahrenheit = conversion.unit is Unit.FAHRENHEIT
    low = -LARGEST if conversion.plausible_low is None else conversion.plausible_low
    high = LARGEST if conversion.plausible_high is None else conversion.plausible_high
    fills = _fills(value_type, conversion.fill_values)
    least = SMALLEST_NORMAL.get(value_type, 0.0)
    if least and conversion.unit in (Unit.CELSIUS, Unit.FAHRENHEIT):
        least = LEAST_TEMPERATURE

    def convert(raw: float) -> tuple[float, Quality, Reason]:
        value = raw * scale + offset
        if is_fahrenheit:
            value = (value - 32.0) / 1.8
        # Written so that nan and infinities are outside.
        if low <= value <= high and (raw == 0 or abs(raw) >= least) and raw not in fills:
            return value, *FINE
        if raw in fills:
            return math.nan, Quality.BAD, Reason.FILL_VALUE
        if not math.isfinite(value):
            return math.nan, Quality.BAD, Reason.NOT_FINITE
        return value, Quality.BAD, Reason.IMPLAUSIBLE

    return convert


def _fills(value_type: ValueType, fill_values: Sequence[float]) -> frozenset[float]:
    """Fill values as they look in a type: -3276.8 is not a float32, its neighbour is sent."""
    if value_type is not ValueType.FLOAT32:
        return frozenset(fill_values)
    return frozenset(
        struct.unpack(">f", struct.pack(">f", fill))[0]
        for fill in fill_values
        if abs(fill) <= LARGEST_FLOAT32
    )


def modbus_decoder(channel: ModbusChannel) -> Callable[[Sequence[int]], Reading]:
    """Function from the registers of a channel, or from its bit, to its reading.

    A BOOL in a register is 0 or 1; any other word there is of another type.
    """
    if channel.type is ValueType.BOOL:
        return _decode_bool
    convert = converter(channel.type, channel.conversion)
    number = unpacker(channel.type, word_order=channel.word_order, swap_bytes=channel.swap_bytes)

    def decode(words: Sequence[int]) -> Reading:
        value, quality, reason = convert(number(words))
        if reason is Reason.IMPLAUSIBLE:
            return implausible(value, not_good(quality, reason))
        return Reading(value, quality, reason)

    return decode


def _decode_bool(words: Sequence[int]) -> Reading:
    if words[0] not in (0, 1):
        return not_good(Quality.BAD, Reason.TYPE)
    return Reading(float(words[0]))


def exception_reading(code: int) -> Reading:
    """Reading of every channel of a request that was answered by a Modbus exception."""
    quality, reason = EXCEPTION_CODES.get(code, (Quality.BAD, Reason.REFUSED))
    return not_good(quality, reason, code)


def status_class(status: int) -> tuple[Quality, Reason]:
    """Quality that an OPC UA status stands for, by its code or else by its severity bits.

    The unused severity 11 counts as bad (Part 4, 7.39).
    """
    if status <= LAST_GOOD:
        return FINE
    by_severity = Quality.UNCERTAIN if status <= LAST_UNCERTAIN else Quality.BAD
    return SPECIAL_STATUSES.get(status & CODE_MASK, (by_severity, Reason.STATUS))


class OpcuaDecoder(Protocol):
    """Makes the reading of one channel from what its node answered."""

    def __call__(
        self, value: object, type_number: int, status: int, *, source_ns: int, server_ns: int
    ) -> Reading:
        """Judge one answer.

        Parameters
        ----------
        value
            What came, None for none.
        type_number : int
            Number of the value's built-in type. [1]
        status : int
            The 32-bit status code. [1]
        source_ns, server_ns : int
            UTC stamps of the data source and of the server. [ns]
        """
        ...


def opcua_decoder(channel: OpcuaChannel) -> OpcuaDecoder:
    """Function from the answer of a channel's node to its reading.

    A value beside a bad or stale status is never used; one beside an uncertain status is kept
    but does not count, unless the channel says that it does. The type must be the configured
    one: a string, an array or a bool is never made a number.
    """
    convert = converter(channel.type, channel.conversion)
    expected_number, expected_type = BUILT_IN_TYPES[channel.type]

    def decode(
        value: object, type_number: int, status: int, *, source_ns: int, server_ns: int
    ) -> Reading:
        quality, reason = FINE if status <= LAST_GOOD else status_class(status)
        if quality is Quality.UNCERTAIN and channel.uncertain_is_good:
            quality, reason = FINE
        content = came = math.nan
        if quality <= Quality.UNCERTAIN:
            if type(value) is expected_type and type_number == expected_number:
                came, fitness, fault = convert(value)  # type: ignore[arg-type]
                if fault:
                    quality, reason = fitness, fault
                else:
                    content = came
            else:
                quality = Quality.BAD
                reason = Reason.NULL if value is None else Reason.TYPE
        reading = Reading(content, quality, reason, status, source_ns, server_ns)
        return implausible(came, reading) if reason is Reason.IMPLAUSIBLE else reading

    return decode


def plan_requests(
    channels: Sequence[ModbusChannel], *, max_registers: int = MAX_REGISTERS, max_gap: int
) -> tuple[Request, ...]:
    """Fewest reads, in order of address, that serve every channel once and tear no value.

    Parameters
    ----------
    channels
        In any order; the plan does not depend on it.
    max_registers : int
        Longest read, 1 to 125; of bits, 16 times as many. [1]
    max_gap : int
        Unused registers or bits that a read may bridge. [1]

    Raises
    ------
    DataError
        A limit that the protocol does not have, or a channel that fits no read.
    """
    if not 1 <= max_registers <= MAX_REGISTERS or max_gap < 0:
        raise DataError(
            "plan_requests",
            f"expected max_registers from 1 to {MAX_REGISTERS} and max_gap >= 0,"
            f" got {max_registers} and {max_gap}",
        )
    requests: list[Request] = []
    for table in RegisterTable:
        limit = max_registers * (BITS_PER_REGISTER if table in BIT_TABLES else 1)
        group: list[ModbusChannel] = []
        start = end = 0
        for channel in sorted(
            (c for c in channels if c.table is table), key=lambda c: (c.address, c.width, c.name)
        ):
            _check_place(channel, limit)
            after = max(end, channel.address + channel.width)
            if group and (channel.address - end > max_gap or after - start > limit):
                requests.append(Request(table, start, end - start, tuple(group)))
                group = []
            if not group:
                start, after = channel.address, channel.address + channel.width
            group.append(channel)
            end = after
        if group:
            requests.append(Request(table, start, end - start, tuple(group)))
    return tuple(requests)


def _check_place(channel: ModbusChannel, limit: int) -> None:
    if not 0 <= channel.address <= ADDRESSES - channel.width or channel.width > limit:
        raise DataError(
            f"channel {channel.name}",
            f"expected {channel.width} addresses within 0 to {ADDRESSES - 1} and within one"
            f" read of {limit}, got {channel.address}",
        )
    if channel.table in BIT_TABLES and channel.type is not ValueType.BOOL:
        raise DataError(
            f"channel {channel.name}", f"expected bool in {channel.table}, got {channel.type}"
        )


def halves(request: Request) -> tuple[Request, Request]:
    """Both halves, by channels, of a request that serves at least two."""
    middle = len(request.channels) // 2
    first, second = (
        _spanning(request.table, part)
        for part in (request.channels[:middle], request.channels[middle:])
    )
    return first, second


def alone(channel: ModbusChannel) -> Request:
    """Request for one channel."""
    return _spanning(channel.table, (channel,))


def _spanning(table: RegisterTable, channels: tuple[ModbusChannel, ...]) -> Request:
    start = min(channel.address for channel in channels)
    end = max(channel.address + channel.width for channel in channels)
    return Request(table, start, end - start, channels)
