"""What bytes are, against frames from publications and against the library's own framer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from watchedpot.sources.frames import Sight, Wanted, check_sum, is_as_wanted, look
from watchedpot.sources.wiring import Framing

# Two input registers of unit 5, as transaction 7; the values are 0x4334 and 0.
MBAP = bytes.fromhex("0007 0000 0007 05 04 04 4334 0000")
RTU_BODY = bytes.fromhex("05 04 04 4334 0000")
RTU = RTU_BODY + check_sum(RTU_BODY).to_bytes(2, "little")
BY_MBAP = Wanted(Framing.MBAP, unit=5, function=4, content=4, transaction=7)
BY_RTU = Wanted(Framing.RTU, unit=5, function=4, content=4)


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        # Worked example of the CRC page of a public Modbus reference, from memory.
        ("01 04 02 FF FF", "b880"),
        # Read of ten holding registers of unit 1, the most printed request; from memory.
        ("01 03 00 00 00 0A", "c5cd"),
    ],
)
def test_the_check_sum_is_the_published_one(frame: str, expected: str) -> None:
    """Two frames that are printed all over the world carry these check sums."""
    assert check_sum(bytes.fromhex(frame)).to_bytes(2, "little").hex() == expected


@given(st.binary(max_size=256))
def test_the_check_sum_is_that_of_another_implementation(content: bytes) -> None:
    """Any bytes have the sum that pymodbus 3.16 computes for them."""
    assert check_sum(content).to_bytes(2, "little") == FramerRTU.compute_CRC(content).to_bytes(2)


@pytest.mark.parametrize(("frame", "wanted"), [(MBAP, BY_MBAP), (RTU, BY_RTU)])
def test_a_frame_is_an_answer_only_when_it_is_whole(frame: bytes, wanted: Wanted) -> None:
    """Byte by byte it is nothing, then part of an answer, and with the last byte the answer."""
    sights = [look(frame[:end], wanted).sight for end in range(len(frame) + 1)]
    assert sights == [Sight.NOTHING, *[Sight.PART] * (len(frame) - 1), Sight.ANSWER]
    assert look(frame, wanted).pdu == bytes.fromhex("04 04 4334 0000")


@given(st.binary(min_size=1, max_size=300), st.sampled_from([BY_MBAP, BY_RTU]))
def test_any_bytes_are_something(noise: bytes, wanted: Wanted) -> None:
    """Whatever comes, it is told what it is, and an answer lies within it."""
    seen = look(noise, wanted)
    assert seen.sight is not Sight.NOTHING
    assert seen.frame in noise


@given(st.integers(0, len(RTU) - 1), st.integers(0, 7))
def test_one_turned_bit_makes_no_rtu_answer(at: int, bit: int) -> None:
    """CRC-16 finds every single error (Peterson and Brown 1961); no such frame is taken."""
    garbled = bytearray(RTU)
    garbled[at] ^= 1 << bit
    assert look(bytes(garbled), BY_RTU).sight is not Sight.ANSWER


@given(st.integers(0, 65535).filter(lambda number: number not in (0, 7)))
def test_a_frame_of_another_transaction_is_skipped(number: int) -> None:
    """A late answer before the right one is passed over, and alone it is none."""
    late = number.to_bytes(2, "big") + MBAP[2:]
    assert look(late, BY_MBAP).sight is Sight.OTHER
    assert look(late + MBAP, BY_MBAP).frame == MBAP


def test_a_frame_of_another_unit_is_none() -> None:
    """Unit 6 does not answer for unit 5, in either framing."""
    body = b"\x06" + RTU_BODY[1:]
    other = body + check_sum(body).to_bytes(2, "little")
    assert look(other, BY_RTU).sight is Sight.OTHER
    assert look(MBAP[:6] + b"\x06" + MBAP[7:], BY_MBAP).sight is Sight.OTHER


def test_each_framing_is_garbage_to_the_other() -> None:
    """Frames of one kind are no frames where the other kind is expected."""
    assert look(RTU, BY_MBAP).sight is Sight.GARBAGE
    assert look(MBAP, BY_RTU).sight is Sight.GARBAGE


def test_a_spark_before_an_rtu_frame_is_overlooked() -> None:
    """Up to two bytes of a line that changes direction do not cost the answer; three do."""
    assert look(b"\x00" + RTU, BY_RTU).frame == RTU
    assert look(b"\xff\x00" + RTU, BY_RTU).frame == RTU
    assert look(b"\xff\xff\x00" + RTU, BY_RTU).sight is Sight.GARBAGE


def test_what_follows_an_answer_is_counted() -> None:
    """A second answer in the same breath is not overlooked."""
    assert look(RTU + RTU, BY_RTU).rest == len(RTU)
    assert look(MBAP, BY_MBAP).rest == 0


@pytest.mark.parametrize(
    ("pdu", "is_wanted"),
    [
        ("04 04 4334 0000", True),
        ("84 02", True),
        ("83 02", False),
        ("84 02 00", False),
        ("03 04 4334 0000", False),
        ("04 02 4334", False),
        ("04 04 4334 00", False),
        ("04 03 4334 00", False),
        ("04", False),
        ("", False),
    ],
)
def test_an_answer_has_the_function_and_the_length_asked_for(pdu: str, *, is_wanted: bool) -> None:
    """One register less, half a register, or another function is no answer."""
    assert is_as_wanted(bytes.fromhex(pdu), BY_MBAP) is is_wanted
