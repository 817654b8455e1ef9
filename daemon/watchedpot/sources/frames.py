"""What the bytes are that come after a Modbus request: the answer, part of it, or something else.

Pure. The library looks neither at function code nor at register count, takes any transaction
id for 0, and drops silently what follows an RTU frame. All of that is looked at here, before a
frame reaches it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from watchedpot.sources.wiring import Framing

EXCEPTION_FLAG = 0x80
"""Set in the function code of an answer that is an exception."""

HEADER = 6
"""Transaction, protocol and length; the length counts what follows (MBAP, TCP guide V1.0b)."""

LONGEST_PDU = 253
"""Modbus application protocol V1.1b, 4.1."""

LEADING = 2
"""Bytes that may stand before an RTU frame: a line that changes direction makes up to two."""


class Sight(Enum):
    """What some bytes are."""

    NOTHING = auto()
    PART = auto()  # a frame has begun and may go on
    ANSWER = auto()  # a whole frame that belongs to the request
    OTHER = auto()  # whole frames, but to another request or of another unit
    GARBAGE = auto()  # no frames


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the answer to a request must be.

    Attributes
    ----------
    content
        Length of the values. [bytes]
    transaction
        Id of the request; 0 where frames have none.
    """

    framing: Framing
    unit: int
    function: int
    content: int
    transaction: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """What was found in some bytes.

    Attributes
    ----------
    frame, pdu
        The whole answer, and what it says.
    transaction
        Id that the answer carries.
    rest
        Bytes that follow the answer.
    """

    sight: Sight
    frame: bytes = b""
    pdu: bytes = b""
    transaction: int = 0
    rest: int = 0


def check_sum(content: bytes) -> int:
    """Check sum of an RTU frame, low byte first on the wire.

    Source
    ------
    CRC-16 with the polynomial 0xA001 and start 0xFFFF, Modbus over serial line V1.02, 6.2.2.

    Examples
    --------
    >>> check_sum(bytes([1, 4, 2, 0xFF, 0xFF])).to_bytes(2, "little").hex()
    'b880'
    """
    rest = 0xFFFF
    for byte in content:
        rest = rest >> 8 ^ _TABLE[(rest ^ byte) & 0xFF]
    return rest


def _entry(value: int) -> int:
    for _ in range(8):
        value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


_TABLE = tuple(_entry(byte) for byte in range(256))


def look(heard: bytes, wanted: Wanted) -> Seen:
    """Find the answer in all that was heard since the request was sent."""
    if not heard:
        return Seen(Sight.NOTHING)
    return _look_mbap(heard, wanted) if wanted.framing is Framing.MBAP else _look_rtu(heard, wanted)


def _look_mbap(heard: bytes, wanted: Wanted) -> Seen:
    at, others = 0, 0
    while at < len(heard):
        head = heard[at : at + HEADER]
        length = int.from_bytes(head[4:6], "big")
        if any(head[2:4]) or (len(head) == HEADER and not 3 <= length <= LONGEST_PDU + 1):
            return Seen(Sight.GARBAGE)
        end = at + HEADER + length
        if len(head) < HEADER or end > len(heard):
            return Seen(Sight.PART)
        transaction, unit = int.from_bytes(head[:2], "big"), heard[at + HEADER]
        if transaction in (wanted.transaction, 0) and unit == wanted.unit:
            frame = heard[at:end]
            return Seen(
                Sight.ANSWER, frame, frame[HEADER + 1 :], transaction, rest=len(heard) - end
            )
        at, others = end, others + 1
    return Seen(Sight.OTHER)


def _look_rtu(heard: bytes, wanted: Wanted) -> Seen:
    sights = []
    for at in range(min(LEADING + 1, len(heard))):
        seen = _look_rtu_at(heard[at:], wanted)
        if seen.sight is Sight.ANSWER:
            return seen
        sights.append(seen)
    # A frame is taken for begun only where its first byte is; others may be chance.
    return next((seen for seen in sights if seen.sight is Sight.OTHER), sights[0])


def _look_rtu_at(heard: bytes, wanted: Wanted) -> Seen:
    if len(heard) < 3:
        return Seen(Sight.PART if heard[0] == wanted.unit else Sight.GARBAGE)
    unit, function = heard[0], heard[1]
    if not 1 <= function & ~EXCEPTION_FLAG <= 4:
        return Seen(Sight.GARBAGE)
    size = 5 if function & EXCEPTION_FLAG else 5 + heard[2]
    if len(heard) < size:
        return Seen(Sight.PART if unit == wanted.unit else Sight.GARBAGE)
    frame = heard[:size]
    if check_sum(frame[:-2]).to_bytes(2, "little") != frame[-2:]:
        return Seen(Sight.GARBAGE)
    if unit != wanted.unit:
        return Seen(Sight.OTHER)
    return Seen(Sight.ANSWER, frame, frame[1:-2], rest=len(heard) - size)


def is_as_wanted(pdu: bytes, wanted: Wanted) -> bool:
    """Whether an answer has the function and the length asked for, or is an exception to it."""
    if pdu[:1] == bytes([wanted.function | EXCEPTION_FLAG]):
        return len(pdu) == 2
    return pdu[:2] == bytes([wanted.function, wanted.content]) and len(pdu) == 2 + wanted.content
