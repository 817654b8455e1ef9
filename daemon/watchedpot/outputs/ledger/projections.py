"""Alarms, excursions, charges and decisions, projected from events as they are written."""

from __future__ import annotations

import sqlite3
from importlib.resources import files

from watchedpot.core.entries import part_ranges
from watchedpot.core.model import Detail, EntryKind, Event, EventKind
from watchedpot.outputs.ledger.chain import details_text

PROJECTED = (
    EventKind.ALARM_CHANGED,
    EventKind.EXCURSION_OPENED,
    EventKind.EXCURSION_ENDED,
    EventKind.CHARGE_CHANGED,
    EventKind.ENTERED,
)
"""Kinds of events that have a projection."""

TABLES = ("alarm_transitions", "excursions", "charges", "dispositions")

ALARM_DETAILS = ("alarm", "from", "to", "stage", "priority")
"""Details of ``alarm_changed`` that have a column, in the order of the columns."""

EXCURSION_DETAILS = (
    "limit_c",
    "onset_utc_ns",
    "duration_s",
    "peak_c",
    "exposure_ks",
    "dispensing_s",
    "blind_s",
    "parts_from",
    "parts_to",
    "ended_by",
)
"""Details of ``excursion_opened`` and ``excursion_ended`` that have a column of their name,
beside ``edge``."""

_NAMES = ", ".join(EXCURSION_DETAILS)
_MARKS = ", ".join("?" * len(EXCURSION_DETAILS))

FIRST_SCHEMA, ADDED_SCHEMA = (
    (files(__package__) / name).read_text(encoding="utf-8")
    for name in ("projections.sql", "decisions.sql")
)
SCHEMA = FIRST_SCHEMA + ADDED_SCHEMA


def project(connection: sqlite3.Connection, event: Event, *, seq: int, run: int) -> None:
    """Row of an event just recorded under ``seq``; nothing for other kinds of events."""
    if event.kind is EventKind.ALARM_CHANGED:
        _insert_transition(connection, event, seq=seq, run=run)
    elif event.kind is EventKind.EXCURSION_OPENED:
        _insert_excursion(connection, event, seq=seq, run=run)
    elif event.kind is EventKind.EXCURSION_ENDED:
        _end_excursion(connection, event, seq=seq, run=run)
    elif event.kind is EventKind.CHARGE_CHANGED:
        _insert_charge(connection, event, seq=seq, run=run)
    elif event.detail("entry") == EntryKind.DISPOSITION.value:
        _insert_dispositions(connection, event, seq=seq)


def _insert_charge(connection: sqlite3.Connection, event: Event, *, seq: int, run: int) -> None:
    connection.execute(
        "INSERT INTO charges VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            *(seq, run, event.at.utc_ns, event.at.mono_ns, event.cell),
            *_named(event, ("charge_id", "how")),
            details_text(event),
        ),
    )


def _insert_dispositions(connection: sqlite3.Connection, event: Event, *, seq: int) -> None:
    connection.executemany(
        "INSERT INTO dispositions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                *(seq, event.at.utc_ns, event.at.mono_ns, event.cell, first, last),
                *_named(event, ("word", "who", "why")),
            )
            for first, last in part_ranges(str(event.detail("subject") or ""))
        ],
    )


def _named(event: Event, names: tuple[str, ...]) -> tuple[Detail, ...]:
    return tuple(event.detail(name) for name in names)


def _insert_transition(connection: sqlite3.Connection, event: Event, *, seq: int, run: int) -> None:
    connection.execute(
        "INSERT INTO alarm_transitions VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            *(seq, run, event.at.utc_ns, event.at.mono_ns, event.cell, event.zone),
            *_named(event, ALARM_DETAILS),
            details_text(event),
        ),
    )


def _insert_excursion(connection: sqlite3.Connection, event: Event, *, seq: int, run: int) -> None:
    connection.execute(
        "INSERT INTO excursions (seq, run, cell, zone, edge, opened_utc_ns, opened_mono_ns,"  # noqa: S608
        f" {_NAMES}, details) VALUES (?, ?, ?, ?, ?, ?, ?, {_MARKS}, ?)",
        (
            *(seq, run, event.cell, event.zone, event.detail("edge")),
            *(event.at.utc_ns, event.at.mono_ns),
            *_named(event, EXCURSION_DETAILS),
            details_text(event),
        ),
    )


def _end_excursion(connection: sqlite3.Connection, event: Event, *, seq: int, run: int) -> None:
    """Close the newest open one of the edge; without one its opening was lost, and is NULL."""
    edge = event.detail("edge")
    (opened,) = connection.execute(
        "SELECT max(seq) FROM excursions"
        " WHERE ended_seq IS NULL AND cell = ? AND zone = ? AND edge IS ?",
        (event.cell, event.zone, edge),
    ).fetchone()
    if opened is None:
        opened = seq
        connection.execute(
            "INSERT INTO excursions (seq, run, cell, zone, edge, details)"
            " VALUES (?, ?, ?, ?, ?, '')",
            (seq, run, event.cell, event.zone, edge),
        )
    connection.execute(
        "UPDATE excursions SET ended_seq = ?, ended_run = ?, ended_utc_ns = ?, ended_mono_ns = ?,"  # noqa: S608
        f" ({_NAMES}) = ({_MARKS}), details = ? WHERE seq = ?",
        (
            *(seq, run, event.at.utc_ns, event.at.mono_ns),
            *_named(event, EXCURSION_DETAILS),
            *(details_text(event), opened),
        ),
    )
