"""The nouns of what is read and what happened: quality, blocks of readings, entries, events.

What a person configured is in ``rules``, what the outputs may know in ``snapshot``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.errors import DataError

NO_TIME_NS = -(2**63)
"""Stands in a time column where the device gave no time."""


class Quality(IntEnum):
    """Whether a value may be believed. Only GOOD counts."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2
    STALE = 3
    MISSING = 4


class Reason(IntEnum):
    """Why a reading is not good."""

    NONE = 0
    STATUS = 1  # the device itself says so; its code stands beside the reading
    NO_CONNECTION = 2
    NO_ANSWER = 3  # connected, but nothing within the bound
    REFUSED = 4  # an answer that says no
    ADDRESS = 5  # the device has no such register or node
    SHAPE = 6  # an answer of the wrong kind or length
    TYPE = 7  # a value of another type than configured
    NULL = 8  # no value under a good status
    NOT_FINITE = 9
    FILL_VALUE = 10  # the raw code that stands for "no sensor"
    IMPLAUSIBLE = 11  # outside what the sensor can return
    SERVER_STATE = 12  # the server answers but says that it is not running
    NOT_MOVING = 13  # heartbeat or server time stands still
    NOT_WATCHED = 14  # the daemon itself was not running, or lost the reading
    FROZEN = 15  # the same number to its last bit for too long
    SLEW = 16  # a jump that no second reading has confirmed
    TEN_TIMES_TOO_LARGE = 17
    TEN_TIMES_TOO_SMALL = 18
    LOOKS_LIKE_DEGF = 19  # configured as degC
    LOOKS_LIKE_DEGC = 20  # configured as degF


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment on both clocks.

    Attributes
    ----------
    utc_ns
        Nanoseconds since 1970-01-01T00:00 UTC, as the computer's clock says. [ns]
    mono_ns
        Nanoseconds on the clock that never steps; all durations come from it. [ns]
    """

    utc_ns: int
    mono_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Readings of the channels of one source on one time column.

    Attributes
    ----------
    source
        Name of the source.
    channels
        Name of each column, ``cell/zone/signal`` or ``cell/signal``.
    mono_ns : (n,) int64
        When each row was received, increasing. [ns]
    seen_ns : (n,) int64
        The same moments in UTC. [ns]
    value : (n, channels) float64
        Values in the channel's unit; nan where there is none.
    quality : (n, channels) uint8
        A ``Quality`` each.
    reason : (n, channels) uint8
        A ``Reason`` each.
    status : (n, channels) uint32
        The device's raw code: OPC UA status code, Modbus exception code, else 0.
    source_ns, server_ns : (n, channels) int64
        UTC stamps of the data source and of the server, ``NO_TIME_NS`` where not given. [ns]
    """

    source: str
    channels: tuple[str, ...]
    mono_ns: NDArray[np.int64]
    seen_ns: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.uint8]
    reason: NDArray[np.uint8]
    status: NDArray[np.uint32]
    source_ns: NDArray[np.int64]
    server_ns: NDArray[np.int64]

    def __post_init__(self) -> None:
        rows, columns = self.mono_ns.size, len(self.channels)
        if self.mono_ns.shape != (rows,) or self.seen_ns.shape != (rows,):
            raise DataError(self.source, "expected one time column of n >= 0 rows")
        for name in ("value", "quality", "reason", "status", "source_ns", "server_ns"):
            shape = getattr(self, name).shape
            if shape != (rows, columns):
                raise DataError(
                    self.source, f"expected {name} of shape {(rows, columns)}, got {shape}"
                )

    def __len__(self) -> int:
        return int(self.mono_ns.size)

    def rows(self, start: int, stop: int) -> Block:
        """Rows ``start`` to ``stop``, as a view."""
        return Block(
            self.source,
            self.channels,
            *(getattr(self, name)[start:stop] for name in ARRAY_FIELDS),
        )

    def select(self, is_kept: NDArray[np.bool_]) -> Block:
        """The marked rows, as a copy."""
        return Block(
            self.source,
            self.channels,
            *(getattr(self, name)[is_kept] for name in ARRAY_FIELDS),
        )


ARRAY_FIELDS = (
    "mono_ns",
    "seen_ns",
    "value",
    "quality",
    "reason",
    "status",
    "source_ns",
    "server_ns",
)
"""The columns of a block, in the order of its constructor."""


class Reading(NamedTuple):
    """One channel at one moment, before it becomes a cell of a block.

    A named tuple, since one is made for every value that is read, and tuples turn into the
    columns of a row at once.
    """

    value: float
    quality: Quality = Quality.GOOD
    reason: Reason = Reason.NONE
    status: int = 0
    source_ns: int = NO_TIME_NS
    server_ns: int = NO_TIME_NS


def not_good(quality: Quality, reason: Reason, status: int = 0) -> Reading:
    """Reading without a number."""
    return Reading(float("nan"), quality, reason, status)


def block_row(source: str, at: Instant, readings: Mapping[str, Reading]) -> Block:
    """Block of one row from one reading a channel, of which there is at least one."""
    value, quality, reason, status, source_ns, server_ns = zip(*readings.values(), strict=True)
    return Block(
        source,
        tuple(readings),
        np.array([at.mono_ns], dtype=np.int64),
        np.array([at.utc_ns], dtype=np.int64),
        np.array([value], dtype=np.float64),
        np.array([quality], dtype=np.uint8),
        np.array([reason], dtype=np.uint8),
        np.array([status], dtype=np.uint32),
        np.array([source_ns], dtype=np.int64),
        np.array([server_ns], dtype=np.int64),
    )


def missing_row(source: str, channels: Sequence[str], at: Instant, reason: Reason) -> Block:
    """Block of one row that says that nothing could be read."""
    return block_row(source, at, dict.fromkeys(channels, not_good(Quality.MISSING, reason)))


def join_blocks(blocks: Sequence[Block]) -> Block:
    """Rows of several blocks of one source and one channel list, one after the other.

    Raises
    ------
    DataError
        No block, or blocks of different sources or channels.
    """
    if not blocks:
        raise DataError("join_blocks", "expected at least one block, got none")
    first = blocks[0]
    if any((b.source, b.channels) != (first.source, first.channels) for b in blocks):
        raise DataError(first.source, "expected blocks of one source and one channel list")
    return Block(
        first.source,
        first.channels,
        *(np.concatenate([getattr(b, name) for b in blocks]) for name in ARRAY_FIELDS),
    )


class EntryKind(StrEnum):
    """What a person can say."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"
    WIPED = "wiped"
    PURGED = "purged"
    CHARGE_LOADED = "charge_loaded"
    CHARGE_KEPT = "charge_kept"  # the answer to a suspicion: it is the same charge as before
    AGE_CORRECTED = "age_corrected"  # of the charge in use: it aged by more than was read
    CHECK = "check"  # a zone compared with a reference probe
    NOTE = "note"
    DISPOSITION = "disposition"  # what becomes of suspect parts
    MARK_ALARM = "mark_alarm"  # whether it was right to be raised


class Mark(StrEnum):
    """What people found an alarm to be."""

    REAL = "real"
    EXPECTED = "expected"
    FALSE = "false"


class Disposition(StrEnum):
    """What becomes of suspect parts."""

    RELEASED = "released"
    REWORKED = "reworked"
    SCRAPPED = "scrapped"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Storage:
    """What a logger says of the time a charge lay in store.

    Attributes
    ----------
    above_s
        Time above the material's storage limit. [s]
    max_c, mean_kinetic_c
        Highest temperature, and mean kinetic temperature. [degC]
    seen_s, blind_s
        Time that the logger covers, and its gaps. [s]
    """

    above_s: float
    max_c: float
    mean_kinetic_c: float
    seen_s: float
    blind_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Loading:
    """What a person says of a charge that was loaded.

    Attributes
    ----------
    age_s
        What it had aged before, as equivalent time at the material's reference temperature:
        0 for fresh, None where it is not said. [s]
    preheat_c, preheat_s
        How it was warmed; None for not told. [degC, s]
    mass_kg
        What was filled or added; None for the usual. [kg]
    is_refill
        Whether it was added to what is there, as into a tank, and mixes with it.
    is_assumed
        Whether nobody said it of this charge: charges usually are so.
    lot
        Of the material, empty where not said.
    expires_utc_ns
        End of its shelf life; None where not said. [ns]
    out_of_store_s
        How long it lay outside its store, unheated, before it was loaded. [s]
    storage
        Its logger's record; None where there is none.
    """

    age_s: float | None = None
    preheat_c: float | None = None
    preheat_s: float = 0.0
    mass_kg: float | None = None
    is_refill: bool = False
    is_assumed: bool = False
    lot: str = ""
    expires_utc_ns: int | None = None
    out_of_store_s: float | None = None
    storage: Storage | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """A zone's sensor compared with a reference probe, at rest at one temperature.

    Attributes
    ----------
    true_c, read_c
        What the reference said, and what the zone's channel said at that moment. [degC]
    """

    true_c: float
    read_c: float

    @property
    def error_k(self) -> float:
        """By how much the zone reads too high. [K]."""
        return self.read_c - self.true_c


@dataclass(frozen=True, slots=True)
class Entry:
    """What a person said, an input like any other.

    Attributes
    ----------
    target
        The alarm (``cell/zone/kind`` or ``cell/kind``), the zone (``cell/zone``) or the cell
        it concerns; for ``CHARGE_LOADED`` the cell, and the charge's id is in ``subject``.
    duration_s
        How long to shelve; 0 for entries without a duration, and for as long as may be where
        ``is_one_shot``. [s]
    loading
        Of CHARGE_LOADED; None: as charges of this cell usually are. Of AGE_CORRECTED its
        ``age_s`` is what is added to the age.
    check
        Of CHECK, whose target is a zone.
    word
        Of MARK_ALARM a ``Mark``, of DISPOSITION a ``Disposition``; the parts are in ``subject``
        as numbers and ranges: ``41877-41880,41885``.
    id, said_utc_ns
        What tells it from every other, and when it was said; empty and 0 where nobody gave
        them. [ns]
    is_one_shot
        Of SHELVE: until the alarm is over, this time or the next.
    """

    kind: EntryKind
    target: str
    at: Instant
    who: str
    why: str = ""
    subject: str = ""
    duration_s: float = 0.0
    loading: Loading | None = None
    check: Check | None = None
    word: str = ""
    id: str = ""
    said_utc_ns: int = 0
    is_one_shot: bool = False


class EventKind(StrEnum):
    """What can happen. The core makes the first group, the daemon around it the second."""

    PHASE_CHANGED = "phase_changed"
    PRODUCTION_STARTED = "production_started"
    PRODUCTION_STOPPED = "production_stopped"
    EXCURSION_OPENED = "excursion_opened"
    EXCURSION_ENDED = "excursion_ended"
    ALARM_CHANGED = "alarm_changed"
    CHARGE_CHANGED = "charge_changed"
    CHARGE_STATE_CHANGED = "charge_state_changed"
    CHARGE_OVERHEATED = "charge_overheated"
    CHARGE_SUSPECTED = "charge_suspected"
    AIR_MOIST = "air_moist"
    AIR_DRY = "air_dry"
    WIPED = "wiped"
    FINDING_OPENED = "finding_opened"
    FINDING_CHANGED = "finding_changed"
    FINDING_ENDED = "finding_ended"
    PART_MADE = "part_made"
    COUNTER_JUMPED = "counter_jumped"
    ENTERED = "entered"
    ENTRY_REFUSED = "entry_refused"

    DAEMON_STARTED = "daemon_started"
    DAEMON_STOPPED = "daemon_stopped"
    CONFIGURATION_CHANGED = "configuration_changed"
    SOURCE_UP = "source_up"
    SOURCE_LOST = "source_lost"
    READINGS_DROPPED = "readings_dropped"
    LEDGER_FAILED = "ledger_failed"
    LEDGER_RECOVERED = "ledger_recovered"
    RECORD_TRIMMED = "record_trimmed"
    REJUDGED = "rejudged"


Detail: TypeAlias = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, with its time; never changed afterwards.

    Attributes
    ----------
    at
        When it happened, which may be earlier than the row that showed it.
    details
        Names and values in a fixed order, in base units, unit in the name.
    """

    kind: EventKind
    at: Instant
    cell: str = ""
    zone: str = ""
    details: tuple[tuple[str, Detail], ...] = ()

    def detail(self, name: str) -> Detail:
        """Value of one detail, None where the event has none of that name."""
        return next((value for key, value in self.details if key == name), None)
