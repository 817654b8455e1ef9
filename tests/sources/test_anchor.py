"""Whether a device is the one that is meant."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.errors import SourceNotTrusted
from watchedpot.sources.anchor import check_identity


def is_accepted(expected: float | str, got: object) -> bool:
    """Whether a device with this value is taken for the one that is meant."""
    try:
        check_identity("source plc", expected, got)
    except SourceNotTrusted:
        return False
    return True


@pytest.mark.parametrize(
    ("expected", "got", "accepted"),
    [
        (17, 17, True),
        (17, 17.0, True),
        (17.0, 17, True),
        (17, 18, False),
        (1, True, False),
        (0, False, False),
        (0, 0.0, True),
        (0, 1e-9, False),
        (17, "17", False),
        ("17", 17, False),
        ("A-17", "A-17", True),
        ("A-17", "a-17", False),
        ("A-17", "A-17\0\0\0", True),
        ("A-17", "A-17  ", True),
        ("A-17", "A-171", False),
        ("A-17", ["A-17"], False),
        (17, None, False),
        (17, float("nan"), False),
        (2**53 + 1, 2**53, False),
    ],
)
def test_only_the_same_value_is_accepted(
    expected: float | str, got: object, accepted: bool
) -> None:
    """Padding does not count, a bit is no number, and large whole numbers are compared exactly."""
    assert is_accepted(expected, got) is accepted


@given(st.floats(min_value=1e-30, max_value=1e30))
def test_a_32_bit_float_is_recognised_as_what_was_written_in_the_file(value: float) -> None:
    """Rounding to 24 bits (IEEE 754 single, by struct) does not make another device of it."""
    (single,) = struct.unpack("<f", struct.pack("<f", value))
    assert is_accepted(value, single)


@given(st.integers(-(2**63), 2**63 - 1), st.integers(-(2**63), 2**63 - 1))
def test_two_serial_numbers_are_one_only_if_they_are_equal(first: int, second: int) -> None:
    """No tolerance for whole numbers."""
    assert is_accepted(first, second) is (first == second)


def test_the_sentence_names_both_values() -> None:
    """What was expected, what came, and that nothing of it is used."""
    with pytest.raises(SourceNotTrusted) as caught:
        check_identity("source plc", "A-17", "B-" + "9" * 80)
    assert str(caught.value) == (
        "source plc: this is not the device that is meant: expected 'A-17', got"
        f" 'B-{'9' * 34}...; its values are not used; check which device is at this address"
    )


def test_no_value_is_said_to_be_none() -> None:
    """A device that does not have the value is not taken for one that has."""
    with pytest.raises(SourceNotTrusted, match="expected 17, got no value"):
        check_identity("source plc", 17, None)
