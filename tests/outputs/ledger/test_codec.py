"""Blocks as bytes."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as stn

from outputs.ledger.samples import modbus_block, opcua_block, same
from watchedpot.core.model import ARRAY_FIELDS, NO_TIME_NS, Block
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec

INT64 = st.integers(-(2**63), 2**63 - 1)
STAMPS = st.one_of(
    st.just(NO_TIME_NS),
    INT64,
    st.integers(0, 50).map(lambda tick: 1_750_000_000_000_000_000 + 100 * tick),
)


@st.composite
def any_blocks(draw: st.DrawFn) -> Block:
    """Any content of the right types: values of any bits, times in any order."""
    rows, columns = draw(st.integers(0, 12)), draw(st.integers(0, 4))
    shape = (rows, columns)
    bits = draw(stn.arrays(np.int64, shape, elements=INT64))
    plain = draw(stn.arrays(np.float64, shape, elements=st.floats(allow_nan=False)))
    use_bits = draw(st.booleans())
    return Block(
        "lens_4",
        tuple(f"lens_4/signal_{column}" for column in range(columns)),
        draw(stn.arrays(np.int64, rows, elements=INT64)),
        draw(stn.arrays(np.int64, rows, elements=INT64)),
        bits.view(np.float64) if use_bits else plain,
        draw(stn.arrays(np.uint8, shape)),
        draw(stn.arrays(np.uint8, shape)),
        draw(stn.arrays(np.uint32, shape)),
        draw(stn.arrays(np.int64, shape, elements=STAMPS)),
        draw(stn.arrays(np.int64, shape, elements=STAMPS)),
    )


def with_one_nan(block: Block) -> Block:
    """The block with each nan replaced by numpy's own."""
    value = np.where(np.isnan(block.value), np.nan, block.value)
    columns = {name: getattr(block, name) for name in ARRAY_FIELDS} | {"value": value}
    return Block(block.source, block.channels, *columns.values())


def through(block: Block) -> Block:
    """The block encoded and decoded."""
    return codec.decode(codec.encode(block), source=block.source, channels=block.channels)


@settings(max_examples=60, deadline=None)
@given(any_blocks())
def test_encoding_keeps_every_bit(block: Block) -> None:
    """Any block comes back the same in every bit of every column, but for the payload of a nan."""
    assert same(through(block), with_one_nan(block))


@settings(max_examples=40, deadline=None)
@given(any_blocks())
def test_packing_keeps_every_bit(block: Block) -> None:
    """A packed block comes back the same in every bit of every column."""
    parts = [(len(part), codec.pack(part)) for part in (block.rows(0, 3), block.rows(3, 12))]
    assert same(codec.unpack(parts, source="lens_4", channels=block.channels), block)


@pytest.mark.parametrize("block", [opcua_block(600), modbus_block(600)], ids=lambda b: b.source)
def test_a_usual_block_keeps_every_bit(block: Block) -> None:
    """Ten minutes of a cell come back the same in every bit."""
    assert same(through(block), block)


@pytest.mark.parametrize(
    ("block", "limit_bytes"),
    [(opcua_block(3600), 1_000_000), (modbus_block(3600), 300_000)],
    ids=["opcua", "modbus"],
)
def test_a_zone_day_fits_its_share_of_the_disk(block: Block, limit_bytes: int) -> None:
    """At 1 Hz and 0.1 K a day of a zone with four channels takes less than 1 MB."""
    zones = len(block.channels) / 4
    size = sum(len(codec.encode(block.rows(start, start + 600))) for start in range(0, 3600, 600))
    zone_day_bytes = 24 * size / zones
    print(f"{block.source}: {zone_day_bytes:.0f} bytes per zone-day")
    assert zone_day_bytes < limit_bytes


def test_a_stamp_that_stands_still_costs_nearly_nothing() -> None:
    """Stamps that change only with the value do not bring back the jitter of the polls."""
    block = modbus_block(600)
    moving = np.broadcast_to(block.seen_ns[:, None], block.value.shape)
    held = np.broadcast_to(block.seen_ns[::60].repeat(60)[:, None], block.value.shape)
    sizes = []
    for source_ns in (np.full(held.shape, NO_TIME_NS), held, moving + np.arange(12) * 1_000_000):
        columns = {name: getattr(block, name) for name in ARRAY_FIELDS} | {"source_ns": source_ns}
        changed = Block(block.source, block.channels, *columns.values())
        assert same(through(changed), changed)
        sizes.append(len(codec.encode(changed)))
    assert max(sizes) < 1.1 * sizes[0]


def test_lost_polls_among_others_keep_every_bit() -> None:
    """Rows without any answer, in the middle of a block with stamps, come back the same."""
    block = opcua_block(100)
    for name, filler in (
        ("value", np.nan),
        ("quality", 4),
        ("reason", 3),
        ("source_ns", NO_TIME_NS),
        ("server_ns", NO_TIME_NS),
    ):
        getattr(block, name)[40:60] = filler
    block.source_ns[70:, 3] = NO_TIME_NS
    assert same(through(block), block)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"no zlib",
        zlib.compress(b""),
        zlib.compress(b"\x01\x02\x00"),
        zlib.compress(zlib.decompress(codec.encode(opcua_block(5)))[:-1]),
        zlib.compress(b"\x02" + zlib.decompress(codec.encode(opcua_block(5)))[1:]),
    ],
)
def test_other_bytes_are_refused(payload: bytes) -> None:
    """Bytes that no block was encoded to raise an error of ours."""
    block = opcua_block(5)
    with pytest.raises(LedgerError):
        codec.decode(payload, source=block.source, channels=block.channels)


def test_another_number_of_channels_is_refused() -> None:
    """A payload read with the channels of another block says what it holds."""
    with pytest.raises(LedgerError) as caught:
        codec.decode(codec.encode(opcua_block(5)), source="lens_4", channels=("lens_4/flow",))
    assert str(caught.value) == (
        "recorded block of source lens_4: expected format 1 and 1 channels, got format 1 and 12"
    )


@pytest.mark.parametrize("rows", [4, 6])
def test_another_number_of_rows_is_refused(rows: int) -> None:
    """Packed rows are exactly as long as their number says."""
    block = opcua_block(5)
    with pytest.raises(LedgerError):
        codec.unpack([(rows, codec.pack(block))], source="lens_4", channels=block.channels)
