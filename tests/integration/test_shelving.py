"""What was put aside, through the death of the daemon and of its computer."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.cells import alarm, cell, entry, nozzle, run, zone
from support.plant import PATIENCE_S, Plant, wait_for
from watchedpot.app.cli import main
from watchedpot.app.clock import continued
from watchedpot.core import engine
from watchedpot.core.alarms import Alarm
from watchedpot.core.engine import CellState
from watchedpot.core.model import Block, EntryKind, Event, EventKind, Instant
from watchedpot.core.rules import AlarmKind
from watchedpot.core.units import NANO
from watchedpot.outputs.ledger import dump_state, load_state

SPEED = 30.0
TIMED, ONE_SHOT, OUT = "lens_4/nozzle/hot", "lens_4/nozzle/build_up", "lens_4/syringe/hot"


def said(plant: Plant, what: str, alarm_id: str, *more: str) -> int:
    """Exit code of an entry, once the daemon has answered."""
    told = ("entry", what, str(plant.ledger), "--cell", "lens_4", "--who", "anna")
    return main([*told, "--why", "probe change", "--alarm", alarm_id, *more, "--wait-s", "10"])


def alarm_of(state: CellState, alarm_id: str) -> Alarm:
    """An alarm of a zone."""
    tracks = (track for zone_state in state.zones for track in zone_state.tracks)
    return next(track.alarm for track in tracks if track.id == alarm_id)


def changes(plant: Plant, alarm_id: str, cause: str) -> list[Event]:
    """Recorded changes of an alarm by one input."""
    _, zone_id, kind = alarm_id.split("/")
    return [
        event
        for event in plant.events(EventKind.ALARM_CHANGED, cell="lens_4")
        if (event.zone, event.detail("alarm"), event.detail("input")) == (zone_id, kind, cause)
    ]


@pytest.mark.integration
@pytest.mark.timeout(150)
def test_a_shelving_outlives_a_kill_and_ends_when_it_was_to_end(tmp_path: Path) -> None:
    """Timed, for one shot, out of service: as they were, with who and why; the end on time.

    With the ledger gone nobody knows of them, and every alarm is in view.
    """
    with Plant(tmp_path, "healthy_shift", speed=SPEED) as plant:
        plant.start_cells()
        began_s = time.monotonic()
        daemon = plant.start_daemon()
        # Long enough to last beyond another start, which takes this machine about as long.
        shelved_s = SPEED * (3.0 * (time.monotonic() - began_s) + 4.0)
        assert said(plant, "shelve", TIMED, "--minutes", str(shelved_s / 60.0)) == 0
        assert said(plant, "shelve", ONE_SHOT, "--once") == 0
        assert said(plant, "out-of-service", OUT) == 0
        assert said(plant, "shelve", TIMED, "--minutes", "1") == 1
        before = plant.state("lens_4")
        daemon.kill()
        killed_ns = plant.cell_ns()

        daemon = plant.start_daemon()
        wait_for(
            "a state of the new run",
            lambda: (plant.state("lens_4").at or Instant(0, 0)).utc_ns > killed_ns,
        )
        after = plant.state("lens_4")
        for alarm_id in (TIMED, ONE_SHOT, OUT):
            kept = alarm_of(after, alarm_id)
            assert kept == alarm_of(before, alarm_id)
            assert (kept.by, kept.because) == ("anna", "probe change")
        assert alarm_of(after, ONE_SHOT).is_one_shot
        assert alarm_of(after, OUT).is_out_of_service

        until = alarm_of(after, TIMED).shelved_until
        assert until is not None
        wait_for(
            "the end of the shelving",
            lambda: bool(changes(plant, TIMED, "unshelve")),
            within_s=shelved_s / SPEED + PATIENCE_S,
        )
        (begun,), (ended,) = changes(plant, TIMED, "shelve"), changes(plant, TIMED, "unshelve")
        assert ended.at.utc_ns - begun.at.utc_ns == pytest.approx(shelved_s * NANO, abs=NANO)
        assert begun.at.utc_ns < killed_ns < ended.at.utc_ns
        assert alarm_of(plant.state("lens_4"), ONE_SHOT).is_shelved

        daemon.kill()
        for path in plant.ledger.parent.glob(f"{plant.ledger.name}*"):
            if path.is_file():
                path.unlink()
        plant.start_daemon()
        wait_for("a new ledger", lambda: plant.ledger.exists() and "lens_4" in plant.states())
        fresh = plant.state("lens_4")
        for alarm_id in (TIMED, ONE_SHOT, OUT):
            anew = alarm_of(fresh, alarm_id)
            assert not anew.is_shelved
            assert not anew.is_out_of_service


@dataclass(frozen=True, slots=True)
class Booted:
    """A computer's clock some time after it was switched on."""

    at: Instant

    def now(self) -> Instant:
        """Return the present moment."""
        return self.at

    async def sleep_until(self, mono_ns: int) -> None:
        """Nobody waits here."""


@pytest.mark.parametrize("away_s", [60.0, 500.0, 599.0, 601.0, 4000.0])
def test_a_shelving_ends_when_it_was_to_end_also_behind_a_restart_of_the_computer(
    away_s: float,
) -> None:
    """The monotonic clock begins anew; UTC tells how long the computer was away."""
    plan = cell(zone(alarm(AlarmKind.HOT)))
    state, _ = run(plan, nozzle([115.0] * 5, start_s=1_000_000.0))
    shelve = entry(EntryKind.SHELVE, "lens_4/nozzle/hot", at_s=1_000_004.0, duration_s=600.0)
    state, _ = run(plan, shelve, state=state)
    state = engine.adopt(load_state(CellState, dump_state(state)), plan)
    assert state.at is not None

    booted = Booted(Instant(state.at.utc_ns + round(away_s * NANO), 12 * NANO))
    first = continued(booted, state.at).now()
    rows = nozzle([130.0] * 700)
    shift_ns = first.mono_ns - int(rows.mono_ns[0])
    state, events = run(plan, _shifted(rows, shift_ns, first.utc_ns), state=state)
    shown = [event for event in events if event.detail("to") == "unacknowledged"]
    ends_ns = shelve.at.utc_ns + 600 * NANO
    assert shown[0].at.utc_ns == max(ends_ns, first.utc_ns)


def _shifted(rows: Block, shift_ns: int, first_utc_ns: int) -> Block:
    """Rows as another run reads them."""
    return Block(
        rows.source,
        rows.channels,
        rows.mono_ns + shift_ns,
        rows.seen_ns - rows.seen_ns[0] + first_utc_ns,
        rows.value,
        rows.quality,
        rows.reason,
        rows.status,
        rows.source_ns,
        rows.server_ns,
    )
