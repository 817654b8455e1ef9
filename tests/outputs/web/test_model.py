"""How moments are told, and that nothing unknown slips into an answer."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from watchedpot.core.model import Instant
from watchedpot.outputs.web.model import StandStill, iso, iso_or_none


@given(st.integers(-(10**18), 4 * 10**18))
def test_a_moment_is_told_to_the_millisecond(utc_ns: int) -> None:
    """As Python reads it back, cut off and not rounded, with a Z."""
    text = iso(utc_ns)
    told = datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)
    ms = (told.days * 86_400 + told.seconds) * 1000 + told.microseconds // 1000
    assert ms == utc_ns // 1_000_000
    assert text.endswith("Z")
    assert len(text) == len("2026-11-25T08:51:24.123Z")


def test_a_moment_that_is_not_known_is_null() -> None:
    """And one that is, is told."""
    assert iso_or_none(None) is None
    assert iso_or_none(Instant(0, 7)) == "1970-01-01T00:00:00.000Z"


def test_an_answer_holds_nothing_that_is_not_described() -> None:
    """A name that the description does not know is a fault of ours."""
    with pytest.raises(ValidationError):
        StandStill(what="polls", for_s=1.0, more=1)  # type: ignore[call-arg]
