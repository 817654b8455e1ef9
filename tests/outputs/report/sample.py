"""A small ledger whose every figure can be computed by hand.

Twenty minutes of one cell at one reading a second, from 06:00 UTC on:

- beads of 8 s begin at 100, 120, ... 1080 s: 50 parts, numbers 101 to 150;
- the nozzle is at 112 degC from 600 s to 659 s, else at 120: parts 126 to 128 are too cold;
- nothing is read from 900 s to 929 s: parts 141 and 142 are unknown, 140 came just before.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from app.plan.plant import LENS_4, NOZZLE, SYRINGE
from watchedpot.core.model import (
    NO_TIME_NS,
    Block,
    Detail,
    Event,
    EventKind,
    Instant,
    Quality,
)
from watchedpot.core.rules import CellRules
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger
from watchedpot.outputs.report.facts import Facts, gather
from watchedpot.outputs.report.revisions import LimitChange

BEGIN_NS = int(datetime(2026, 11, 25, 6, tzinfo=UTC).timestamp()) * NANO
MONO_NS = 7_000 * NANO
SECONDS = 1200
BEADS = range(100, 1100, 20)
BEAD_S = 8
REWORK_S = 14_400.0

DISPENSING = "lens_4/dispensing"
RULES = replace(
    LENS_4,
    zones=(
        replace(
            SYRINGE, material=replace(SYRINGE.material, rework_s=REWORK_S, rework_caution="Slowly.")
        ),
        replace(NOZZLE, setpoint="lens_4/nozzle/setpoint"),
    ),
    dispensing=DISPENSING,
    parts="lens_4/parts",
)

NASTY = "<script>alert('x')</script> & \"quotes\""
"""What must be read and never run."""


def at(second: float) -> Instant:
    """Moment so many seconds after the begin."""
    gone_ns = round(second * NANO)
    return Instant(BEGIN_NS + gone_ns, MONO_NS + gone_ns)


def event(kind: EventKind, second: float, zone: str = "", /, **details: Detail) -> Event:
    """Event of the cell."""
    return Event(kind, at(second), "lens_4", zone, tuple(details.items()))


def entered(entry: str, second: float, zone: str = "", /, **details: Detail) -> Event:
    """What a person said, with all that an entry says."""
    said: dict[str, Detail] = {"entry": entry, "target": "lens_4", "who": "Q. Engineer"}
    said |= {"why": "", "subject": "", "word": "", "duration_s": 0.0}
    return event(EventKind.ENTERED, second, zone, **(said | details))


def readings() -> Block:
    """All readings in one block."""
    second = np.arange(SECONDS)
    nozzle_c = np.where((second >= 600) & (second < 660), 112.0, 120.0)
    is_flowing = (second >= BEADS.start) & (second < BEADS.stop) & (second % 20 < BEAD_S)
    value = np.stack(
        (np.full(SECONDS, 110.0), nozzle_c, np.full(SECONDS, 120.0), is_flowing), axis=1
    ).astype(np.float64)
    is_lost = (second >= 900) & (second < 930)
    value[is_lost] = np.nan
    quality = np.where(is_lost[:, np.newaxis], Quality.MISSING, Quality.GOOD).astype(np.uint8)
    quality = np.broadcast_to(quality, value.shape).copy()
    mono_ns = MONO_NS + second * NANO
    channels = (
        "lens_4/syringe/temperature",
        "lens_4/nozzle/temperature",
        "lens_4/nozzle/setpoint",
        DISPENSING,
    )
    return Block(
        "lens_4",
        channels,
        mono_ns,
        mono_ns - MONO_NS + BEGIN_NS,
        value,
        quality,
        np.zeros(value.shape, np.uint8),
        np.zeros(value.shape, np.uint32),
        np.full(value.shape, NO_TIME_NS),
        np.full(value.shape, NO_TIME_NS),
    )


def part(number: int, begun_s: int, /, **changes: Detail) -> Event:
    """One judged part; odd ones were 0.2 K warmer."""
    mean_c = 120.0 + 0.2 * (number % 2)
    details: dict[str, Detail] = {
        "first": number,
        "last": number,
        "epoch": 0,
        "part_id": None,
        "begun_utc_ns": at(begun_s).utc_ns,
        "dispensing_s": float(BEAD_S),
        "charge_id": "42",
        "age_s": 500.0 + begun_s,
        "life_used": (500.0 + begun_s) / 28_800.0,
        "is_ready": True,
        "coverage": 1.0,
        "verdict": "clear",
        "rules": "",
        "because": "",
        "inspection": 1,
        "bead_width_mm": 0.8,
        "joined_s": None,
        "reworkable_until_utc_ns": at(begun_s + REWORK_S).utc_ns,
        "tip_min_c": mean_c - 5.0,
        "tip_max_c": mean_c - 4.5,
    }
    for zone, c in (("syringe", 110.0), ("nozzle", mean_c)):
        details |= {f"{zone}_min_c": c - 0.5, f"{zone}_mean_c": c, f"{zone}_max_c": c + 0.5}
        details[f"{zone}_coverage"] = 1.0
    return event(EventKind.PART_MADE, begun_s + BEAD_S, **(details | changes))


def parts() -> Iterator[Event]:
    """Every part as it is judged in the end; part 140 is judged twice."""
    for number, begun_s in enumerate(BEADS, start=101):
        changes: dict[str, Detail] = {}
        if 126 <= number <= 128:
            changes = {"verdict": "quarantine", "rules": "outside_window:nozzle", "inspection": 0}
            changes |= {"nozzle_mean_c": 112.0, "nozzle_min_c": 111.5, "nozzle_max_c": 112.5}
        elif number in (141, 142):
            changes = {"verdict": "unknown", "rules": "blind:syringe,blind:nozzle"}
            changes |= {"coverage": 0.0, "inspection": None, "tip_min_c": None, "tip_max_c": None}
            for zone in ("syringe", "nozzle"):
                changes |= {f"{zone}_{of}_c": None for of in ("min", "mean", "max")}
                changes[f"{zone}_coverage"] = 0.0
        yield part(number, begun_s, **changes)
    yield part(140, 880, verdict="review", rules="before_loss:nozzle", because="readings lost")


def alarm(second: float, given: str, before: str, after: str, **details: Detail) -> Event:
    """A change of the alarm for a cold nozzle."""
    stage = 0 if given == "off" else 1
    told: dict[str, Detail] = {"alarm": "cold", "from": before, "to": after, "input": given}
    told |= {"stage": stage, "priority": "high", "temp_c": 112.0, "limit": 115.0}
    told |= {"onset_ns": at(600).mono_ns, "onset_utc_ns": at(600).utc_ns, "who": "", "why": ""}
    return event(EventKind.ALARM_CHANGED, second, "nozzle", **(told | details))


def happened() -> tuple[Event, ...]:
    """Everything else."""
    excursion: dict[str, Detail] = {
        "onset_utc_ns": at(600).utc_ns,
        "duration_s": 60.0,
        "peak_c": 112.0,
        "exposure_ks": 180.0,
        "dispensing_s": 24.0,
        "blind_s": 0.0,
        "parts_from": 125,
        "parts_to": 128,
        "ended_by": "return",
    }
    told = (
        event(EventKind.DAEMON_STARTED, 0, version="0.1.0", revision="abc"),
        event(EventKind.CHARGE_CHANGED, 1, charge_id="41", previous=None, who="", how="found"),
        entered(
            *("charge_loaded", 50),
            subject="42",
            lot="L-7",
            expires_utc_ns=at(86_400 * 100).utc_ns,
            preheat_c=100.0,
            preheat_s=1200.0,
            out_of_store_s=3600.0,
        ),
        event(
            *(EventKind.CHARGE_CHANGED, 50),
            charge_id="42",
            previous="41",
            who="Q. Engineer",
            how="entered",
            age_s=450.0,
            lot="L-7",
            expires_utc_ns=at(86_400 * 100).utc_ns,
        ),
        *(
            event(EventKind.PHASE_CHANGED, 60, zone, **{"from": "heating", "to": "ready"})
            for zone in ("syringe", "nozzle")
        ),
        entered("check", 300, "nozzle", target="lens_4/nozzle", true_c=119.5, read_c=120.1),
        entered("check", 310, "syringe", target="lens_4/syringe", true_c=108.0, read_c=110.0),
        entered("note", 400, why=NASTY, who="<b>shift</b>"),
        event(EventKind.EXCURSION_OPENED, 603, "nozzle", edge="low", limit_c=115.0, parts=125),
        alarm(615, "on", "normal", "unacknowledged", response="Hold dispensing."),
        alarm(630, "acknowledge", "unacknowledged", "acknowledged", who="A. Operator"),
        event(EventKind.EXCURSION_ENDED, 663, "nozzle", edge="low", limit_c=115.0, **excursion),
        alarm(680, "off", "acknowledged", "normal"),
        event(EventKind.WIPED, 700, "nozzle", build_up_s=3.0, who=""),
        entered("mark_alarm", 1000, target="lens_4/nozzle/cold", word="real"),
        event(
            *(EventKind.COUNTER_JUMPED, 1105),
            before=150,
            after=153,
            epoch=0,
            what="jump",
            uncounted=2,
        ),
        entered("disposition", 1150, subject="126-127", word="scrapped", why=NASTY),
    )
    return tuple(sorted((*told, *parts()), key=lambda one: one.at.utc_ns))


def config_text(*cells: CellRules) -> str:
    """What the ledger keeps of a configuration."""
    return json.dumps({"sources": [], "cells": [asdict(cell) for cell in cells]}, sort_keys=True)


def record(path: Path, *batches: Batch, config: str, begin: Instant | None = None) -> None:
    """Write one run into a ledger."""
    begin = begin or at(0)
    writer = Ledger.open(path, now=lambda: begin, version="0.1.0", config=config)
    receipts = [writer.append(batch) for batch in batches]
    assert all(receipt.result(10.0) for receipt in receipts)
    assert writer.stop()


def write(path: Path, *, more: Sequence[Event] = ()) -> None:
    """The whole sample in one run, with some events more."""
    record(path, Batch((readings(),), (*happened(), *more)), config=config_text(RULES))


def facts_of(
    path: Path,
    *,
    from_s: float = 0,
    to_s: float = SECONDS,
    made_s: float = 3600,
    changes: tuple[LimitChange, ...] = (),
) -> Facts:
    """Facts of a span of the sample."""
    return gather(
        path,
        ledger.verify(path),
        cell="lens_4",
        from_ns=at(from_s).utc_ns,
        to_ns=at(to_s).utc_ns,
        made_ns=at(made_s).utc_ns,
        version="0.1.0",
        changes=changes,
    )
