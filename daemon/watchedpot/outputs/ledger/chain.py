"""Hashes that tie each recorded row to the one before it, and the text they are taken of.

The hash of a row is SHA-256 over the 32 bytes of the hash before it, followed by the row's
fields as a JSON array without spaces, in ASCII; a field of bytes stands there as the hex
SHA-256 of its content. The first row of a chain follows ``GENESIS``.

A chain shows that a row was changed, removed or put in between. Who can write the file can also
compute a whole new chain; against that, keep the newest hash in another place.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from hashlib import sha256
from typing import TypeAlias

from watchedpot.core.model import Detail, Event
from watchedpot.errors import DataError

GENESIS = bytes(32)
"""Stands before the first row of a chain."""

Field: TypeAlias = str | int | float | bytes | None


def row_hash(previous: bytes, fields: Iterable[Field]) -> bytes:
    """Hash of a row that follows another.

    Examples
    --------
    >>> row_hash(GENESIS, (1, "lens_4")) == sha256(bytes(32) + b'[1,"lens_4"]').digest()
    True
    """
    text = json.dumps(list(fields), separators=(",", ":"), default=_digest)
    return sha256(previous + text.encode("ascii")).digest()


def state_hash(cell: str, payload: bytes, *, run: int, utc_ns: int, mono_ns: int) -> bytes:
    """Hash of a row of ``states``, which stands for itself."""
    return row_hash(GENESIS, (cell, run, utc_ns, mono_ns, payload))


def _digest(content: bytes) -> str:
    return sha256(content).hexdigest()


def details_text(event: Event) -> str:
    """Details of an event as a JSON object, names in their order; a number not finite is null.

    Raises
    ------
    DataError
        A name twice, a value of another type than ``Detail``, or a time beyond 64 bits.

    Examples
    --------
    >>> from watchedpot.core.model import EventKind, Instant
    >>> details_text(Event(EventKind.WIPED, Instant(0, 0), details=(("peak_c", 118.5),)))
    '{"peak_c":118.5}'
    """
    details = {name: _finite(value) for name, value in event.details}
    if len(details) != len(event.details):
        raise DataError(f"event {event.kind}", "expected each detail once, got a name twice")
    if not all(-(2**63) <= time_ns < 2**63 for time_ns in (event.at.utc_ns, event.at.mono_ns)):
        raise DataError(f"event {event.kind}", f"expected a time of 64 bits, got {event.at}")
    try:
        return json.dumps(details, separators=(",", ":"), allow_nan=False)
    except TypeError as exc:
        raise DataError(f"event {event.kind}", f"details cannot be written: {exc}") from exc


def _finite(value: Detail) -> Detail:
    return None if isinstance(value, float) and not math.isfinite(value) else value
