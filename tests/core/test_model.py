"""The nouns: blocks of readings, entries, events."""

from __future__ import annotations

import numpy as np
import pytest

from support.cells import TEMPERATURE, UTC_NS, instant, nozzle
from watchedpot.core.model import (
    ARRAY_FIELDS,
    NO_TIME_NS,
    Block,
    Event,
    EventKind,
    Quality,
    Reading,
    Reason,
    block_row,
    join_blocks,
    missing_row,
    not_good,
)
from watchedpot.errors import DataError


def columns(rows: int, width: int) -> dict[str, np.ndarray]:
    """Columns of a block of this size."""
    types = {"mono_ns": np.int64, "seen_ns": np.int64, "value": np.float64}
    return {
        name: np.zeros(rows if name in {"mono_ns", "seen_ns"} else (rows, width), types.get(name))
        for name in ARRAY_FIELDS
    }


def test_a_block_has_as_many_rows_as_times() -> None:
    """None is a block too."""
    assert len(Block("plc", ("a", "b"), **columns(3, 2))) == 3
    assert len(Block("plc", ("a", "b"), **columns(0, 2))) == 0


@pytest.mark.parametrize("name", [n for n in ARRAY_FIELDS if n not in {"mono_ns", "seen_ns"}])
def test_a_column_of_another_shape_is_refused(name: str) -> None:
    """The error names the source, the column and both shapes."""
    wrong = columns(3, 2) | {name: np.zeros((3, 1))}
    with pytest.raises(DataError) as caught:
        Block("plc", ("a", "b"), **wrong)
    assert str(caught.value) == f"plc: expected {name} of shape (3, 2), got (3, 1)"


@pytest.mark.parametrize(
    "wrong", [{"seen_ns": np.zeros(2, np.int64)}, {"mono_ns": np.zeros((3, 1), np.int64)}]
)
def test_time_columns_of_another_shape_are_refused(wrong: dict[str, np.ndarray]) -> None:
    """Both clocks have one moment a row."""
    with pytest.raises(DataError, match=r"^plc: expected one time column of n >= 0 rows$"):
        Block("plc", ("a", "b"), **columns(3, 2) | wrong)


def test_rows_are_a_view_and_selected_rows_a_copy() -> None:
    """Cutting costs nothing, picking does."""
    whole = nozzle([1.0, 2.0, 3.0])
    part = whole.rows(1, 3)
    assert part.value[:, 0].tolist() == [2.0, 3.0]
    assert np.shares_memory(part.value, whole.value)
    picked = whole.select(np.array([True, False, True]))
    assert picked.mono_ns.tolist() == [0, 2_000_000_000]
    assert not np.shares_memory(picked.value, whole.value)
    assert (picked.source, picked.channels) == (whole.source, whole.channels)


def test_joined_blocks_are_their_rows_one_after_the_other() -> None:
    """Every column of them."""
    whole = nozzle([1.0, None, 3.0])
    joined = join_blocks([whole.rows(0, 1), whole.rows(1, 1), whole.rows(1, 3)])
    for name in ARRAY_FIELDS:
        np.testing.assert_array_equal(getattr(joined, name), getattr(whole, name))


def test_no_blocks_cannot_be_joined() -> None:
    """Nothing has no channels."""
    with pytest.raises(DataError, match=r"^join_blocks: expected at least one block, got none$"):
        join_blocks([])


@pytest.mark.parametrize("change", [{"source": "other"}, {"channels": ("x", "y", "z")}])
def test_blocks_of_different_sources_or_channels_cannot_be_joined(change: dict[str, str]) -> None:
    """They would not be one series."""
    one = nozzle([1.0])
    other = Block(
        **{"source": one.source, "channels": one.channels}
        | change
        | {name: getattr(one, name) for name in ARRAY_FIELDS}
    )
    with pytest.raises(DataError, match=r"^plc: expected blocks of one source and one channel"):
        join_blocks([one, other])


def test_a_row_is_built_from_one_reading_a_channel() -> None:
    """Value, quality, reason, code and both device times each in its column."""
    good = Reading(115.5, source_ns=5, server_ns=6)
    bad = not_good(Quality.BAD, Reason.STATUS, 0x80310000)
    row = block_row("plc", instant(2.0), {TEMPERATURE: good, "lens_4/parts": bad})
    assert row.channels == (TEMPERATURE, "lens_4/parts")
    assert (row.mono_ns.tolist(), row.seen_ns.tolist()) == ([2 * 10**9], [UTC_NS + 2 * 10**9])
    assert row.value[0, 0] == 115.5
    assert np.isnan(row.value[0, 1])
    assert row.quality.tolist() == [[Quality.GOOD, Quality.BAD]]
    assert row.reason.tolist() == [[Reason.NONE, Reason.STATUS]]
    assert row.status.tolist() == [[0, 0x80310000]]
    assert row.source_ns.tolist() == [[5, NO_TIME_NS]]
    assert row.server_ns.tolist() == [[6, NO_TIME_NS]]
    assert [getattr(row, name).dtype.name for name in ARRAY_FIELDS] == [
        "int64",
        "int64",
        "float64",
        "uint8",
        "uint8",
        "uint32",
        "int64",
        "int64",
    ]


def test_a_missing_row_says_that_nothing_could_be_read() -> None:
    """Every channel missing, for one reason."""
    row = missing_row("plc", ("a", "b"), instant(0.0), Reason.NO_CONNECTION)
    assert np.isnan(row.value).all()
    assert row.quality.tolist() == [[Quality.MISSING, Quality.MISSING]]
    assert row.reason.tolist() == [[Reason.NO_CONNECTION, Reason.NO_CONNECTION]]


def test_a_detail_is_found_by_name() -> None:
    """None where the event has none of that name."""
    event = Event(EventKind.WIPED, instant(0.0), details=(("who", "operator"), ("build_up_s", 1.5)))
    assert event.detail("build_up_s") == 1.5
    assert event.detail("parts") is None
