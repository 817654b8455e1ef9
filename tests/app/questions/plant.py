"""A small record for the questions: two cells, parts of every kind, a dip, a restart, people."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from datetime import timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np

from outputs.ledger.samples import SECOND_NS, UTC_NS, at, recording
from watchedpot.app.questions import add_parser
from watchedpot.core.entries import entered
from watchedpot.core.model import (
    NO_TIME_NS,
    Block,
    Detail,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Quality,
    Reason,
)
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs.ledger import RecordedPart, ZoneOfPart
from watchedpot.outputs.ledger.record import Batch

ZONE = timezone(timedelta(hours=2))
"""Of the readers."""

CHANNELS = ("lens_4/nozzle/temperature", "lens_4/nozzle/output", "lens_4/parts")

REWORK_S = 600.0


def configuration(*, low_c: float = 115.0, caution: str = "Warm it only under the hood.") -> str:
    """Text of a configuration as the ledger keeps it, as far as the questions read it."""
    material = {
        "id": "demo_silicone",
        "ceiling_c": 140.0,
        "rework_s": REWORK_S,
        "rework_caution": caution,
    }
    nozzle = {
        "id": "nozzle",
        "low_c": low_c,
        "high_c": 126.0,
        "tip": {"low_c": 110.0},
        "material": material,
        "alarms": [{"kind": "cold", "on_delay_s": 15.0}],
    }
    units = ("degF", "%", "1")
    return json.dumps(
        {
            "cells": [
                {
                    "id": "lens_4",
                    "bead_width": None,
                    "purge_after_idle_s": 600.0,
                    "judging": {"verdicts": []},
                    "zones": [nozzle],
                },
                {"id": "housing_7", "bead_width": "housing_7/bead", "zones": []},
            ],
            "sources": [
                {
                    "id": "lens_4",
                    "channels": [
                        {"name": name, "conversion": {"unit": unit}}
                        for name, unit in zip(CHANNELS, units, strict=True)
                    ],
                },
                {
                    "id": "housing_7",
                    "channels": [{"name": "housing_7/bead", "conversion": {"unit": "1"}}],
                },
            ],
        },
        sort_keys=True,
    )


def made(
    number: int,
    seconds: float,
    verdict: Verdict = Verdict.CLEAR,
    rules: str = "",
    *,
    last: int | None = None,
    epoch: int = 0,
    because: str = "",
    cell: str = "lens_4",
    low_c: float = 117.0,
    **told: Detail,
) -> Event:
    """A judged part, counted so many seconds after the tests' epoch."""
    begun_ns = at(seconds - 8.0).utc_ns
    details: dict[str, Detail] = {
        "first": number,
        "last": number if last is None else last,
        "epoch": epoch,
        "part_id": None,
        "begun_utc_ns": begun_ns,
        "dispensing_s": 8.0,
        "charge_id": "51",
        "age_s": 3600.0 + seconds,
        "life_used": 0.04,
        "is_ready": True,
        "coverage": 1.0,
        "verdict": verdict.value,
        "rules": rules,
        "because": because,
        "inspection": None,
        "bead_width_mm": None,
        "joined_s": None,
        "reworkable_until_utc_ns": begun_ns + round(REWORK_S * SECOND_NS),
        "tip_min_c": low_c - 4.0,
        "tip_max_c": 116.0,
        "nozzle_min_c": low_c,
        "nozzle_mean_c": 118.0,
        "nozzle_max_c": 120.0,
        "nozzle_coverage": 1.0,
    }
    details |= told
    return Event(EventKind.PART_MADE, at(seconds), cell, "", tuple(details.items()))


def recorded(
    number: int,
    verdict: Verdict = Verdict.QUARANTINE,
    rules: tuple[tuple[PartRule, str], ...] = ((PartRule.OUTSIDE_WINDOW, "nozzle"),),
    **told: Any,
) -> RecordedPart:
    """A judged part as the ledger gives it back, made ``number`` times ten seconds in."""
    fields: dict[str, Any] = {
        "seq": number,
        "run": 1,
        "judgement": 1,
        "at": at(10.0 * number),
        "cell": "lens_4",
        "epoch": 0,
        "first": number,
        "last": number,
        "part_id": None,
        "begun_utc_ns": at(10.0 * number - 8.0).utc_ns,
        "dispensing_s": 8.0,
        "charge_id": "51",
        "age_s": 3600.0 + number,
        "life_used": 0.04,
        "is_ready": True,
        "coverage": 1.0,
        "verdict": verdict,
        "rules": rules,
        "because": "",
        "inspection": None,
        "bead_width_mm": None,
        "joined_s": None,
        "reworkable_until_utc_ns": at(10.0 * number + 600.0).utc_ns,
        "tip_min_c": None,
        "tip_max_c": None,
        "zones": {"nozzle": ZoneOfPart(112.0 + number, 117.0, 118.0 + number, 1.0)},
    }
    return RecordedPart(**(fields | told))


def told(
    kind: EventKind, seconds: float, *, cell: str = "lens_4", zone: str = "", **details: Detail
) -> Event:
    """Any other event."""
    return Event(kind, at(seconds), cell, zone, tuple(details.items()))


def alarm(
    seconds: float, before: str, after: str, cause: str, *, onset: float, **details: Detail
) -> Event:
    """A change of the alarm for a cold nozzle."""
    told_: dict[str, Detail] = {
        "alarm": "cold",
        "from": before,
        "to": after,
        "input": cause,
        "stage": int(cause in ("on", "acknowledge")),
        "temp_c": 113.0,
        "limit": 115.0,
        "onset_utc_ns": at(onset).utc_ns,
        "response": "Hold dispensing.",
    }
    return Event(
        EventKind.ALARM_CHANGED, at(seconds), "lens_4", "nozzle", tuple((told_ | details).items())
    )


def said(seconds: float, kind: EntryKind, subject: str, word: str = "", why: str = "") -> Event:
    """What a person said of lens_4."""
    entry = Entry(kind, "lens_4", at(seconds), "kim", why, subject, word=word)
    return entered(entry, "lens_4")


def polls(first: int, count: int, *, bad: Sequence[int] = ()) -> Block:
    """Polls of lens_4 at 1 Hz; the temperature of some of them is not believable."""
    shape = (count, len(CHANNELS))
    second = first + np.arange(count)
    value = np.stack([118.0 + 0.1 * (second % 7), 21.5 + 0.0 * second, 41000.0 + second], axis=1)
    quality, reason = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    for each in bad:
        value[each - first, 0] = 900.0
        quality[each - first, 0], reason[each - first, 0] = Quality.BAD, Reason.IMPLAUSIBLE
    none = np.full(shape, NO_TIME_NS)
    start = at(0.0)
    return Block(
        "lens_4",
        CHANNELS,
        start.mono_ns + second * SECOND_NS,
        start.utc_ns + second * SECOND_NS + 7,
        value,
        quality,
        reason,
        np.zeros(shape, np.uint32),
        none,
        none,
    )


OUTSIDE = "outside_window:nozzle"

FIRST_RUN = (
    told(EventKind.DAEMON_STARTED, 0.0, cell="", version="0.1.0", revision="one"),
    told(EventKind.SOURCE_UP, 1.0, cell="", source="lens_4"),
    told(EventKind.EXCURSION_OPENED, 100.0, zone="nozzle", edge="low", limit_c=115.0, parts=3),
    alarm(115.0, "normal", "unacknowledged", "on", onset=100.0),
    alarm(145.0, "unacknowledged", "acknowledged", "acknowledge", onset=100.0, who="kim"),
    said(146.0, EntryKind.NOTE, "the gate stood open"),
    told(
        EventKind.EXCURSION_ENDED,
        160.0,
        zone="nozzle",
        edge="low",
        limit_c=115.0,
        onset_utc_ns=at(100.0).utc_ns,
        duration_s=60.0,
        peak_c=112.0,
        exposure_ks=90.0,
    ),
    alarm(180.0, "acknowledged", "normal", "off", onset=100.0),
    told(EventKind.SOURCE_LOST, 300.0, cell="", source="lens_4", problem="no answer"),
    told(EventKind.SOURCE_UP, 330.0, cell="", source="lens_4"),
    told(EventKind.COUNTER_JUMPED, 340.0, before=9, after=0, epoch=1, what="reset", uncounted=2),
    *(made(number, 20.0 * number) for number in (1, 2, 3, 4)),
    *(made(number, 20.0 * number, Verdict.QUARANTINE, OUTSIDE, low_c=112.0) for number in (5, 6)),
    made(7, 140.0, Verdict.QUARANTINE, OUTSIDE, low_c=111.0),
    made(8, 160.0),
    made(9, 320.0, Verdict.UNKNOWN, "blind:nozzle", nozzle_coverage=0.25, age_s=None),
    made(8, 160.0, Verdict.REVIEW, "before_loss:nozzle", because="readings lost"),
    made(1, 350.0, Verdict.REVIEW, "after_idle", epoch=1, charge_id="52"),
    made(12, 200.0, Verdict.REVIEW, "spent_charge", cell="housing_7", life_used=1.04),
    said(355.0, EntryKind.DISPOSITION, "9", "scrapped", "glued wrong"),
)

SECOND_RUN = (
    told(EventKind.DAEMON_STARTED, 1000.0, cell="", version="0.1.0", revision="two"),
    told(EventKind.CONFIGURATION_CHANGED, 1000.0, cell="", revision="two", files="lens_4.toml"),
    told(EventKind.EXCURSION_OPENED, 1100.0, zone="nozzle", edge="low", limit_c=116.0),
    alarm(1115.0, "normal", "unacknowledged", "on", onset=1100.0),
)


def record(path: Path) -> Path:
    """The ledger, whose first run ended unannounced at 399 s."""
    with recording(path, now=lambda: at(0.0), config=configuration()) as recorder:
        recorder.write([Batch((polls(0, 400, bad=(200,)),), FIRST_RUN)])
    with recording(path, now=lambda: at(1000.0), config=configuration(low_c=116.0)) as recorder:
        recorder.write([Batch((polls(1000, 200),), SECOND_RUN)])
    return path


def run(*arguments: str | Path) -> int:
    """One command, as the command line runs it."""
    parser = argparse.ArgumentParser(prog="watchedpot")
    add_parser(parser.add_subparsers(required=True))
    options = parser.parse_args([str(each) for each in arguments])
    return int(options.command(options))


def iso(seconds: float) -> str:
    """A moment for the command line."""
    whole, rest = divmod(UTC_NS + round(seconds * SECOND_NS), SECOND_NS)
    text = str(np.datetime64(whole, "s"))
    return f"{text}.{rest // 1000:06}Z" if rest else f"{text}Z"


def instant_ns(seconds: float) -> int:
    """A moment in UTC. [ns]."""
    moment: Instant = at(seconds)
    return moment.utc_ns
