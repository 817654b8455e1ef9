"""Blocks of readings as bytes and back, exact to the bit (any nan comes back as the one nan).

``pack`` writes the columns as they are, for the tail. ``encode`` makes them small: all columns
become integers close to zero, their bytes are written plane by plane, planes of zeros are left
out, and zlib does the rest. All arithmetic wraps at 64 bits, so no value is out of reach.

- Times: difference to the median, or of their steps to the median step.
- Stamps: in units of the greatest common divisor of their differences, so that a clock of
  100 ns costs no more than it tells; as difference to the time seen, to the stamp of the channel
  before, or to the row before, whichever is smallest. Stamps not given stand in a bit mask.
- Values: index into the sorted distinct values of their channel. That is exact for every
  number, and a sensor with a resolution of 0.1 K repeats itself often.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import ARRAY_FIELDS, NO_TIME_NS, Block
from watchedpot.errors import LedgerError

_FORMAT = 1
_HEADER = struct.Struct("<BII")
_BYTE_PLANES = 8
_DTYPES = {
    "mono_ns": "<i8",
    "seen_ns": "<i8",
    "value": "<f8",
    "quality": "u1",
    "reason": "u1",
    "status": "<u4",
    "source_ns": "<i8",
    "server_ns": "<i8",
}
_TIMES = ("mono_ns", "seen_ns")

Ints: TypeAlias = NDArray[np.int64]


def pack(block: Block) -> bytes:
    """Columns of a block one after the other, little-endian, as they are."""
    return b"".join(
        np.ascontiguousarray(getattr(block, name), dtype=_DTYPES[name]).tobytes()
        for name in ARRAY_FIELDS
    )


def unpack(parts: Sequence[tuple[int, bytes]], *, source: str, channels: tuple[str, ...]) -> Block:
    """Block from packed parts, each given as number of rows and payload.

    Columns are joined as bytes, since a tail is hundreds of parts of one row.

    Raises
    ------
    LedgerError
        The length of a part is not that of so many rows.
    """
    row_bytes = [
        np.dtype(_DTYPES[name]).itemsize * (1 if name in _TIMES else len(channels))
        for name in ARRAY_FIELDS
    ]
    for rows, payload in parts:
        if len(payload) != rows * sum(row_bytes):
            raise _unreadable(
                source,
                f"expected {rows} rows of {sum(row_bytes)} bytes, got {len(payload)} bytes",
            )
    columns: list[NDArray[Any]] = []
    before, count = 0, sum(rows for rows, _ in parts)
    for name, size in zip(ARRAY_FIELDS, row_bytes, strict=True):
        joined = b"".join(
            payload[rows * before : rows * (before + size)] for rows, payload in parts
        )
        dtype = np.dtype(_DTYPES[name])
        flat = np.frombuffer(joined, dtype).astype(dtype.newbyteorder("="))
        columns.append(flat if name in _TIMES else flat.reshape(count, len(channels)))
        before += size
    return Block(source, channels, *columns)


def encode(block: Block) -> bytes:
    """Block as few bytes; source and channel names are kept elsewhere."""
    out = _Writer()
    out.raw(_HEADER.pack(_FORMAT, len(block), len(block.channels)))
    if len(block) and block.channels:
        _put_series(out, block.mono_ns[:, np.newaxis])
        _put_series(out, (block.seen_ns - block.mono_ns)[:, np.newaxis])
        _put_values(out, block.value)
        for flags in (block.quality, block.reason, block.status):
            out.planes(flags.astype(np.int64).T)
        _put_stamps(out, block.source_ns, block.seen_ns)
        _put_stamps(out, block.server_ns, block.seen_ns)
    else:
        out.planes(block.mono_ns)
        out.planes(block.seen_ns)
    return zlib.compress(out.content(), 6)


def decode(payload: bytes, *, source: str, channels: tuple[str, ...]) -> Block:
    """Block from its encoded bytes.

    Raises
    ------
    LedgerError
        The bytes are not what ``encode`` writes, or have another number of channels.
    """
    try:
        read = _Reader(zlib.decompress(payload))
        form, rows, columns = _HEADER.unpack(read.raw(_HEADER.size))
        if (form, columns) != (_FORMAT, len(channels)):
            raise _unreadable(
                source,
                f"expected format {_FORMAT} and {len(channels)} channels, "
                f"got format {form} and {columns}",
            )
        return _decoded(read, source, channels, rows)
    except (zlib.error, struct.error, ValueError, IndexError) as exc:
        raise _unreadable(source, str(exc)) from exc


def _decoded(read: _Reader, source: str, channels: tuple[str, ...], rows: int) -> Block:
    shape = (rows, len(channels))
    if not rows or not channels:
        empty = (np.empty(shape, _DTYPES[name]) for name in ARRAY_FIELDS[len(_TIMES) :])
        return Block(source, channels, read.planes(rows), read.planes(rows), *empty)
    mono_ns = _get_series(read, rows, 1)[:, 0]
    seen_ns = mono_ns + _get_series(read, rows, 1)[:, 0]
    value = _get_values(read, shape)
    quality, reason, status = (_get_matrix(read, shape) for _ in range(3))
    return Block(
        source,
        channels,
        mono_ns,
        seen_ns,
        value,
        quality.astype(np.uint8),
        reason.astype(np.uint8),
        status.astype(np.uint32),
        _get_stamps(read, shape, seen_ns),
        _get_stamps(read, shape, seen_ns),
    )


def _unreadable(source: str, problem: str) -> LedgerError:
    return LedgerError(f"recorded block of source {source}", problem)


class _Writer:
    """Collects the parts of a payload."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def raw(self, part: bytes) -> None:
        self._parts.append(part)

    def ints(self, column: Ints) -> None:
        self._parts.append(column.astype("<i8").tobytes())

    def planes(self, column: Ints) -> None:
        """Bytes of the numbers, all lowest ones first; a mask names the planes that are not 0."""
        flat = np.ascontiguousarray(column).astype("<i8").view(np.uint8)
        by_plane = flat.reshape(-1, _BYTE_PLANES).T
        used = by_plane.any(axis=1)
        self._parts.append(np.packbits(used).tobytes())
        self._parts.append(by_plane[used].tobytes())

    def content(self) -> bytes:
        return b"".join(self._parts)


class _Reader:
    """Takes the parts of a payload in the order in which they were written."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._offset = 0

    def raw(self, size: int) -> bytes:
        part = self._content[self._offset : self._offset + size]
        if len(part) != size:
            raise ValueError(f"ends {size - len(part)} bytes early")
        self._offset += size
        return part

    def ints(self, count: int) -> Ints:
        return np.frombuffer(self.raw(8 * count), "<i8").astype(np.int64)

    def planes(self, count: int) -> Ints:
        used = np.unpackbits(np.frombuffer(self.raw(1), np.uint8))
        column = np.zeros(count, np.int64)
        for plane in np.flatnonzero(used):
            part = np.frombuffer(self.raw(count), np.uint8)
            column |= part.astype(np.int64) << (8 * plane)
        return column


def _get_matrix(read: _Reader, shape: tuple[int, int]) -> Ints:
    rows, columns = shape
    return read.planes(rows * columns).reshape(columns, rows).T


def _folded(signed: Ints) -> Ints:
    """Small numbers of either sign as small numbers: 0, -1, 1, -2 become 0, 1, 2, 3."""
    return (signed << 1) ^ (signed >> 63)


def _unfolded(folded: Ints) -> Ints:
    unsigned = folded.view(np.uint64)
    return (unsigned >> np.uint64(1)).view(np.int64) ^ -(folded & 1)


def _bits(folded: Ints) -> NDArray[np.float64]:
    """About how much information each column holds, to choose between two forms of it."""
    bits: NDArray[np.float64] = np.log2(folded.view(np.uint64) + 1.0).sum(axis=0)
    return bits


def _medians(matrix: Ints) -> Ints:
    """Middle element of each column; a mean of two would leave the integers."""
    medians: Ints = np.sort(matrix, axis=0)[matrix.shape[0] // 2]
    return medians


def _put_series(out: _Writer, matrix: Ints) -> None:
    """Columns that stand nearly still or run nearly evenly, each in its better form."""
    still, running = _forms(matrix)
    runs = _bits(running[2]) < _bits(still[2])
    out.raw(np.packbits(runs).tobytes())
    for standing, moving in zip(still[:2], running[:2], strict=True):
        out.ints(np.where(runs, moving, standing))
    out.planes(np.where(runs, running[2], still[2]).T)


def _forms(matrix: Ints) -> tuple[tuple[Ints, Ints, Ints], tuple[Ints, Ints, Ints]]:
    """Each form as base, step and folded residual."""
    middle = _medians(matrix)
    still = (middle, np.zeros_like(middle), _folded(matrix - middle))
    steps = np.diff(matrix, axis=0)
    step = _medians(steps) if len(steps) else np.zeros_like(middle)
    residual = np.zeros_like(matrix)
    residual[1:] = steps - step
    return still, (matrix[0], step, _folded(residual))


def _get_series(read: _Reader, rows: int, columns: int) -> Ints:
    packed = np.frombuffer(read.raw((columns + 7) // 8), np.uint8)
    runs = np.unpackbits(packed, count=columns).astype(bool)
    base, step = read.ints(columns), read.ints(columns)
    residual = _unfolded(_get_matrix(read, (rows, columns)))
    steps = residual + step
    steps[0] = 0
    return base + np.where(runs, np.cumsum(steps, axis=0), residual)


def _put_values(out: _Writer, value: NDArray[np.float64]) -> None:
    bits = np.where(np.isnan(value), np.nan, value).astype("<f8").view("<i8")
    index = np.empty(value.shape, np.int64)
    distinct = []
    for column in range(value.shape[1]):
        known, index[:, column] = np.unique(bits[:, column], return_inverse=True)
        distinct.append(known)
    out.ints(np.array([len(known) for known in distinct], dtype=np.int64))
    out.planes(_folded(np.diff(np.concatenate(distinct), prepend=np.int64(0))))
    _put_series(out, index)


def _get_values(read: _Reader, shape: tuple[int, int]) -> NDArray[np.float64]:
    rows, columns = shape
    counts = read.ints(columns)
    distinct = np.cumsum(_unfolded(read.planes(int(counts.sum()))))
    starts = np.cumsum(counts) - counts
    index = _get_series(read, rows, columns)
    return distinct[index + starts].view(np.float64)


def _put_stamps(out: _Writer, stamp_ns: Ints, seen_ns: Ints) -> None:
    is_given = stamp_ns != NO_TIME_NS
    out.raw(bytes((bool(is_given.any()), not is_given.all())))
    if not is_given.any():
        return
    if not is_given.all():
        out.raw(np.packbits(is_given.T).tobytes())
    base = stamp_ns[is_given].min()
    beyond = (stamp_ns - base).view(np.uint64)
    unit = np.gcd.reduce(beyond[is_given])
    unit = unit if 0 < unit < 2**63 else np.uint64(1)
    out.ints(np.array([base, unit.astype(np.int64)]))
    seen = (seen_ns - base) // unit.astype(np.int64)
    ticks = np.where(is_given, (beyond // unit).view(np.int64), seen[:, np.newaxis])
    from_seen = ticks - seen[:, np.newaxis]
    from_neighbour = np.diff(ticks, axis=1, prepend=seen[:, np.newaxis])
    bits = [_least_bits(form) for form in (from_seen, from_neighbour, ticks)]
    form = np.argmin(bits, axis=0)
    out.raw(form.astype(np.uint8).tobytes())
    _put_series(out, np.choose(form, (from_seen, from_neighbour, ticks)))


def _least_bits(matrix: Ints) -> NDArray[np.float64]:
    still, running = _forms(matrix)
    return np.minimum(_bits(still[2]), _bits(running[2]))


def _get_stamps(read: _Reader, shape: tuple[int, int], seen_ns: Ints) -> Ints:
    rows, columns = shape
    has_any, has_gaps = read.raw(2)
    if not has_any:
        return np.full(shape, NO_TIME_NS, np.int64)
    is_given = np.ones(shape, bool)
    if has_gaps:
        packed = np.frombuffer(read.raw((rows * columns + 7) // 8), np.uint8)
        is_given = np.unpackbits(packed, count=rows * columns).reshape(columns, rows).T.astype(bool)
    base, unit = read.ints(2)
    form = np.frombuffer(read.raw(columns), np.uint8)
    ticks = _get_series(read, rows, columns)
    seen = (seen_ns - base) // unit
    before = seen
    for column in range(columns):
        if form[column] == 0:
            ticks[:, column] += seen
        elif form[column] == 1:
            ticks[:, column] += before
        before = ticks[:, column]
    stamps: Ints = np.where(is_given, ticks * unit + base, NO_TIME_NS)
    return stamps
