"""What a server's refusal means for people."""

from __future__ import annotations

import pytest
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from watchedpot.errors import SourceNotTrusted, SourceRefused, SourceSlotTaken
from watchedpot.sources.opcua.refusals import (
    NO_SLOT,
    NOT_THIS_USER,
    NOT_US,
    TOO_MUCH,
    UserRefused,
    code_of,
    refusal_of,
    text_of,
)


@pytest.mark.parametrize(
    ("code", "kind", "problem"),
    [
        (0x80560000, SourceSlotTaken, "the server has no session left for us: "),
        (0x80B70000, SourceSlotTaken, "the server has no session left for us: "),
        (0x80810000, SourceSlotTaken, "the server has no session left for us: "),
        (0x801A0000, SourceNotTrusted, "the server does not trust our certificate: "),
        (0x80130000, SourceNotTrusted, "the server does not trust our certificate: "),
        (0x80210000, UserRefused, "the server does not accept our user: "),
        (0x801F0000, UserRefused, "the server does not accept our user: "),
        (0x80250000, SourceRefused, "session refused: "),
    ],
)
def test_a_code_has_its_class_and_sentence(
    code: int, kind: type[SourceRefused], problem: str
) -> None:
    """Codes from OPC UA Part 6, Annex A.2 (StatusCode.csv), from memory, as numbers."""
    error = UaStatusCodeError(code)  # type: ignore[no-untyped-call]
    refusal = refusal_of("source plc", error, wait_s=60.0)
    assert type(refusal) is kind
    assert refusal.problem.startswith(problem)


def test_a_server_without_a_slot_is_left_alone_and_it_is_said() -> None:
    """How long and why stands in the problem, since that is what people are shown."""
    error = UaStatusCodeError(StatusCodes.BadTooManySessions)  # type: ignore[no-untyped-call]
    refusal = refusal_of("source plc", error, wait_s=60.0)
    assert refusal.problem.endswith(
        "; it is left alone for 60 s, so that sessions nobody uses can end"
    )
    assert refusal.hint == "close other clients of it, or allow it more sessions"


def test_the_numbers_of_too_large_requests() -> None:
    """Four codes of OPC UA Part 6, Annex A.2 (from memory), and the one of the transport."""
    assert {0x80100000, 0x80080000, 0x80B90000, 0x80B80000, 0x80800000} == TOO_MUCH


def test_no_code_means_two_things() -> None:
    """The sets of codes have nothing in common."""
    sets = (NO_SLOT, NOT_US, NOT_THIS_USER, TOO_MUCH)
    assert sum(map(len, sets)) == len(frozenset().union(*sets))


def test_an_error_without_a_code_or_text_still_says_what_it_is() -> None:
    """The library raises plain errors, and some without any text."""
    assert code_of(UaError("odd")) == 0
    assert text_of(UaError("odd")) == "odd"
    assert text_of(TimeoutError()) == "TimeoutError"
