"""From the simulated controller over the wire to the alarm, and eight hours without one."""

from __future__ import annotations

from pathlib import Path

import pytest

from integration.conftest import OPEN_HEATER, TYPED_SETPOINT, FaultyRun
from support.plant import CELLS, Plant, shown_crossing_ns
from watchedpot.core import engine
from watchedpot.core.model import Event, EventKind, Quality
from watchedpot.core.rules import AlarmKind, AlarmRules, CellRules, ZoneRules
from watchedpot.core.snapshot import AlarmState, Exposure
from watchedpot.outputs import ledger

pytestmark = [pytest.mark.integration, pytest.mark.timeout(300)]

both_cells = pytest.mark.parametrize("cell", CELLS)


def rules_of(plant: Plant, cell: str) -> CellRules:
    """Rules of a cell."""
    return next(rules for rules in plant.configuration.cells if rules.id == cell)


def nozzle_of(plant: Plant, cell: str) -> ZoneRules:
    """Rules of its nozzle."""
    return next(zone for zone in rules_of(plant, cell).zones if zone.id == "nozzle")


def alarm_of(zone: ZoneRules, kind: AlarmKind) -> AlarmRules:
    """Rules of an alarm that the demonstration configures."""
    found = zone.alarm(kind)
    assert found is not None
    return found


def raised(plant: Plant, cell: str, kind: AlarmKind, stage: int = 1) -> Event:
    """The one event that raised an alarm of the nozzle to a stage."""
    (event,) = [
        event
        for event in plant.events(EventKind.ALARM_CHANGED, cell=cell)
        if event.zone == "nozzle"
        and event.detail("alarm") == kind.value
        and event.detail("input") in ("on", "worse")
        and event.detail("stage") == stage
    ]
    return event


def fault_ns(plant: Plant, cell: str) -> int:
    """When the simulator began its fault, UTC [ns]."""
    return next(at_ns for at_ns, what, _ in plant.faults(cell) if what == "fault_on")


def state_of(plant: Plant, cell: str, kind: AlarmKind) -> AlarmState:
    """State of an alarm of the nozzle at the end of the run."""
    plan = engine.plan_cell(rules_of(plant, cell))
    snapshot = engine.snapshot(plant.state(cell), plan)
    assert snapshot is not None
    name = f"{cell}/nozzle/{kind.value}"
    return next(alarm.state for alarm in snapshot.alarms if alarm.id == name)


def check_timing(
    run: FaultyRun, cell: str, event: Event, rules: AlarmRules, limit_c: float
) -> None:
    """Onset and alarm against the moment at which the shown value crossed the limit."""
    plant = run.plant
    poll_s = plant.configuration.sources[0].poll_period_s
    crossed_ns = shown_crossing_ns(
        plant,
        cell,
        "nozzle",
        limit_c,
        since_ns=fault_ns(plant, cell),
        is_above=rules.kind is not AlarmKind.COLD,
    )
    onset_s = (int(event.detail("onset_utc_ns") or 0) - crossed_ns) / 1e9
    counted_s = (event.at.utc_ns - crossed_ns) / 1e9
    stage = int(event.detail("stage") or 0)
    alarm = str(event.detail("alarm"))
    shown_s = (run.shown_ns[cell, alarm, stage] - crossed_ns) / 1e9
    bound_s = poll_s + rules.on_delay_s + run.settling_s * plant.speed
    print(
        f"\n{cell} {rules.kind.value}: onset {onset_s:+.2f} s, counted on after {counted_s:.2f} s,"
        f" in /metrics after {shown_s:.2f} s (bound {bound_s:.1f} s of cell time)"
    )
    assert abs(onset_s) <= poll_s
    assert rules.on_delay_s - poll_s <= counted_s <= poll_s + rules.on_delay_s
    assert counted_s <= shown_s <= bound_s


@both_cells
def test_an_open_nozzle_heater_raises_cold(faulty_runs: dict[str, FaultyRun], cell: str) -> None:
    """Cold on the nozzle, dated within a poll of the truth and shown within the bound."""
    run = faulty_runs[OPEN_HEATER]
    zone = nozzle_of(run.plant, cell)
    event = raised(run.plant, cell, AlarmKind.COLD)
    check_timing(run, cell, event, alarm_of(zone, AlarmKind.COLD), zone.low_c)


@both_cells
def test_dispensing_cold_raises_build_up_which_latches(
    faulty_runs: dict[str, FaultyRun], cell: str
) -> None:
    """Build-up comes after cold, and stands latched when the nozzle is warm again."""
    plant = faulty_runs[OPEN_HEATER].plant
    cold, build_up = (raised(plant, cell, kind) for kind in (AlarmKind.COLD, AlarmKind.BUILD_UP))
    assert cold.at.mono_ns < build_up.at.mono_ns
    latched = [
        event
        for event in plant.events(EventKind.ALARM_CHANGED, cell=cell)
        if event.detail("alarm") == "build_up"
        and event.detail("to") == AlarmState.LATCHED_UNACKNOWLEDGED.value
    ]
    assert len(latched) == 1
    wiped = plant.events(EventKind.WIPED, cell=cell)
    expected = AlarmState.RETURNED_UNACKNOWLEDGED if wiped else AlarmState.LATCHED_UNACKNOWLEDGED
    assert state_of(plant, cell, AlarmKind.BUILD_UP) is expected
    assert all(event.at.mono_ns > latched[0].at.mono_ns for event in wiped)


@both_cells
def test_a_typed_setpoint_raises_hot_and_its_worse_stage(
    faulty_runs: dict[str, FaultyRun], cell: str
) -> None:
    """Hot above the window, its second stage above the ceiling; the melt answers for itself."""
    run = faulty_runs[TYPED_SETPOINT]
    zone = nozzle_of(run.plant, cell)
    hot = raised(run.plant, cell, AlarmKind.HOT)
    check_timing(run, cell, hot, alarm_of(zone, AlarmKind.HOT), zone.high_c)
    over = raised(run.plant, cell, AlarmKind.HOT, 2)
    rules = alarm_of(zone, AlarmKind.OVER_CEILING)
    check_timing(run, cell, over, rules, zone.material.ceiling_c)
    # The nozzle's melt is followed into the parts that get it: the charge itself is as it was.
    assert run.plant.events(EventKind.CHARGE_OVERHEATED, cell=cell) == []


@both_cells
def test_a_typed_setpoint_raises_degradation(faulty_runs: dict[str, FaultyRun], cell: str) -> None:
    """Degradation comes after hot, and stands latched at the end."""
    plant = faulty_runs[TYPED_SETPOINT].plant
    hot, spent = (raised(plant, cell, kind) for kind in (AlarmKind.HOT, AlarmKind.DEGRADATION))
    assert hot.at.mono_ns < spent.at.mono_ns
    assert state_of(plant, cell, AlarmKind.DEGRADATION) is AlarmState.LATCHED_UNACKNOWLEDGED


@both_cells
@pytest.mark.parametrize("fault", [OPEN_HEATER, TYPED_SETPOINT])
def test_a_fault_raises_nothing_else(
    faulty_runs: dict[str, FaultyRun], fault: str, cell: str
) -> None:
    """No alarm but those of the fault, each once, and on no other zone."""
    run = faulty_runs[fault]
    events = [
        event
        for event in run.plant.events(EventKind.ALARM_CHANGED, cell=cell)
        if event.detail("input") in ("on", "worse", "re_alarm")
        and event.detail("alarm") != AlarmKind.UNSEEN.value
    ]
    found = sorted(
        (str(event.detail("alarm")), int(event.detail("stage") or 0)) for event in events
    )
    assert found == sorted(run.wanted)
    assert {event.zone for event in events} == {"nozzle"}


def test_the_records_are_whole(faulty_runs: dict[str, FaultyRun]) -> None:
    """Both ledgers verify, and each ends with the daemon's own end."""
    for run in faulty_runs.values():
        report = ledger.verify(run.plant.ledger)
        assert report.is_whole, report.sentences()
        assert run.plant.events()[-1].kind is EventKind.DAEMON_STOPPED


SLOW_POLLS = (
    ("poll_period_s = 1.0", "poll_period_s = 2.0"),
    ("max_gap_s = 3.0", "max_gap_s = 6.0"),
    ("stale_after_s = 3.0", "stale_after_s = 6.0"),
)
"""Polls of 2 s, so that a hundredfold speed leaves 20 ms of real time for each."""


@pytest.mark.parametrize(
    "hours",
    [
        pytest.param(1.02, id="1h"),
        pytest.param(8.0, id="8h", marks=[pytest.mark.soak, pytest.mark.timeout(600)]),
    ],
)
def test_a_healthy_shift_raises_no_alarm(tmp_path: Path, hours: float) -> None:
    """Not one alarm on either cell, with breaks, wipes and a new charge in eight hours.

    A machine that starves the programs would make the cells unseen, and that fails too: what was
    not seen was not shown to be healthy.
    """
    with Plant(tmp_path, "healthy_shift", speed=100.0, lead_s=8.0, changes=SLOW_POLLS) as plant:
        plant.start_cells()
        daemon = plant.start_daemon()
        assert plant.cell_s() < 0.0, "this machine is too slow to be ready in time"
        plant.wait_until(hours * 3600.0)
        scrape = plant.metrics()
        assert daemon.stop() == 0
        raised_ever = {
            event.detail("alarm"): event
            for event in plant.events(EventKind.ALARM_CHANGED)
            if event.detail("input") in ("on", "worse", "re_alarm")
        }
        for cell in CELLS:
            blocks = plant.blocks(cell)
            rows = sum(len(block) for block in blocks)
            coverage = min(
                sum(zone.account, start=Exposure()).coverage for zone in plant.state(cell).zones
            )
            poor = sum(int((block.quality != Quality.GOOD).any(axis=1).sum()) for block in blocks)
            overruns = scrape.total("watchedpot_source_overruns_total", source=cell)
            print(
                f"\n{cell}: {rows} rows, {poor} not good, {overruns:g} overruns,"
                f" {coverage:.2%} seen"
            )
            assert coverage >= 0.95
        assert not raised_ever
        assert scrape.total("watchedpot_alarm_raised_total") == 0
        charges = plant.events(EventKind.CHARGE_CHANGED)
        wipes = plant.events(EventKind.WIPED)
        print(f"{len(charges)} charges named, {len(wipes)} wipes")
        assert {event.cell for event in charges} == set(CELLS)
        if hours >= 8.0:
            assert [event.cell for event in charges].count("lens_4") == 3
            assert len(wipes) >= 3
