"""Hashes of rows and the text of details."""

from __future__ import annotations

import math
from hashlib import sha256

import numpy as np
import pytest

from outputs.ledger.samples import event
from watchedpot.core.model import Event, EventKind, Instant
from watchedpot.errors import DataError
from watchedpot.outputs.ledger.chain import GENESIS, details_text, row_hash


def test_the_hash_is_that_of_the_stated_text() -> None:
    """Anybody can make the hash again: 32 bytes, then a JSON array; bytes as their SHA-256."""
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # FIPS 180-4, ""
    text = f'[1,"lens_4",null,1.5,"{empty}"]'
    link = row_hash(b"\x07" * 32, (1, "lens_4", None, 1.5, b""))
    assert link == sha256(b"\x07" * 32 + text.encode()).digest()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ((1, "ab", "c"), (1, "a", "bc")),
        ((1, "a"), ("1", "a")),
        ((1, None), (1, "")),
        ((1, b"a"), (1, b"b")),
    ],
)
def test_other_fields_have_another_hash(one: tuple[int, ...], other: tuple[int, ...]) -> None:
    """No field can give to its neighbour, change its type or its content unseen."""
    assert row_hash(GENESIS, one) != row_hash(GENESIS, other)


def test_details_keep_their_order_and_exact_numbers() -> None:
    """Names stand as the event has them, floats as the shortest text that reads back."""
    told = event(EventKind.EXCURSION_ENDED, 1.0, peak_c=0.1 + 0.2, edge="low", parts=3, seen=True)
    text = '{"peak_c":0.30000000000000004,"edge":"low","parts":3,"seen":true}'
    assert details_text(told) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_detail_that_is_no_number_is_null(value: float) -> None:
    """JSON has no nan, so the detail says that there is no value."""
    assert details_text(event(EventKind.WIPED, 0.0, peak_c=value)) == '{"peak_c":null}'


@pytest.mark.parametrize(
    "wrong",
    [
        Event(EventKind.WIPED, Instant(0, 0), details=(("a", 1), ("a", 2))),
        Event(EventKind.WIPED, Instant(0, 0), details=(("a", np.int64(1)),)),  # type: ignore[arg-type]
        Event(EventKind.WIPED, Instant(2**63, 0)),
        Event(EventKind.WIPED, Instant(0, -(2**63) - 1)),
    ],
    ids=["name twice", "type", "utc", "mono"],
)
def test_an_event_that_cannot_be_written_is_refused(wrong: Event) -> None:
    """The caller hears of it, not the writer's thread."""
    with pytest.raises(DataError, match="event wiped"):
        details_text(wrong)
