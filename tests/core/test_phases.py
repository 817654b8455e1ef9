"""The zone machine: a total table, and heating up that never alarms cold."""

from __future__ import annotations

from itertools import product

import pytest

from support.cells import (
    DISPENSING,
    SETPOINT,
    SYRINGE,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    alarm,
    alarm_story,
    block,
    cell,
    line,
    nozzle,
    of_kind,
    run,
    second,
    syringe,
    zone,
)
from watchedpot.core import engine
from watchedpot.core.model import Event, EventKind
from watchedpot.core.phases import TABLE, Demand, PhaseInput, next_phase
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import Phase

PHASES = [phase for phase in Phase if phase is not Phase.UNKNOWN]
STAYING: dict[Phase, Phase] = dict(zip(PHASES, PHASES, strict=True))

EXPECTED: dict[PhaseInput, dict[Phase, Phase]] = {
    PhaseInput.WANT_OFF: {Phase.OFF: Phase.OFF}
    | dict.fromkeys(
        (
            Phase.HEATING,
            Phase.SOAKING,
            Phase.READY,
            Phase.SETBACK,
            Phase.RECOVERING,
            Phase.COOLING,
        ),
        Phase.COOLING,
    ),
    PhaseInput.WANT_SETBACK: dict.fromkeys(PHASES, Phase.SETBACK),
    PhaseInput.WANT_PRODUCTION: {
        Phase.OFF: Phase.HEATING,
        Phase.HEATING: Phase.HEATING,
        Phase.SOAKING: Phase.SOAKING,
        Phase.READY: Phase.READY,
        Phase.SETBACK: Phase.RECOVERING,
        Phase.RECOVERING: Phase.RECOVERING,
        Phase.COOLING: Phase.HEATING,
    },
    PhaseInput.WARM: STAYING | {Phase.HEATING: Phase.SOAKING, Phase.READY: Phase.RECOVERING},
    PhaseInput.SOAKED: STAYING
    | dict.fromkeys((Phase.HEATING, Phase.SOAKING, Phase.RECOVERING), Phase.READY),
    PhaseInput.CHARGED: STAYING | {Phase.READY: Phase.SOAKING, Phase.RECOVERING: Phase.SOAKING},
    PhaseInput.COLD: STAYING | {Phase.READY: Phase.RECOVERING},
    PhaseInput.COOL: STAYING | {Phase.COOLING: Phase.OFF},
}
"""What each input means, written down here on its own."""


def phases(events: list[Event]) -> list[str]:
    """Phases that a zone came into."""
    return [str(e.detail("to")) for e in of_kind(events, EventKind.PHASE_CHANGED)]


@pytest.mark.parametrize(("cause", "phase"), list(product(PhaseInput, PHASES)))
def test_every_cell_of_the_table_is_as_expected(cause: PhaseInput, phase: Phase) -> None:
    """Seven phases, eight inputs."""
    assert TABLE[phase, cause] is EXPECTED[cause][phase]


def test_the_table_is_total_and_knows_no_unknown() -> None:
    """UNKNOWN is how an unseen zone is shown, not a phase it is in."""
    assert set(TABLE) == set(product(PHASES, PhaseInput))
    assert Phase.UNKNOWN not in TABLE.values()


SEEN = [
    dict(zip(("is_warm", "is_soaked", "is_standing", "is_cool"), told, strict=True))
    for told in product((False, True), repeat=4)
]
"""All that a reading can say."""


@pytest.mark.parametrize(("phase", "demand", "seen"), list(product(PHASES, Demand, SEEN)))
def test_a_phase_is_at_its_fixed_point(phase: Phase, demand: Demand, seen: dict[str, bool]) -> None:
    """The same reading once more changes nothing."""
    once = next_phase(phase, demand, **seen)
    assert next_phase(once, demand, **seen) is once


@pytest.mark.parametrize(("phase", "seen"), list(product(PHASES, SEEN)))
def test_ready_is_reached_by_a_warm_core_alone_and_never_left_by_the_cold_of_production(
    phase: Phase, seen: dict[str, bool]
) -> None:
    """In the window READY is a warm core; below it READY stays so while the cell produces."""
    after = next_phase(phase, Demand.PRODUCTION, **seen)
    stays_ready = phase is Phase.READY and not seen["is_standing"]
    assert (after is Phase.READY) == (seen["is_soaked"] if seen["is_warm"] else stays_ready)


def test_a_day_of_a_zone() -> None:
    """Off, heating, ready, setback, recovering, ready, cooling, off."""
    temps = line((0, 25.0), (10, 115.0), (20, 85.0), (30, 115.0), (40, 25.0))
    setpoints = [115.0] * 11 + [85.0] * 10 + [115.0] * 10 + [0.0] * 10
    _, events = run(cell(zone()), nozzle(temps, setpoint_c=setpoints))
    assert phases(events) == [
        "heating",
        "ready",
        "setback",
        "recovering",
        "ready",
        "cooling",
        "off",
    ]
    ready = [second(e) for e in of_kind(events, EventKind.PHASE_CHANGED)][1]
    assert ready == pytest.approx((111.0 - 25.0) / 9.0, abs=1e-9)


def test_heating_up_never_alarms_cold() -> None:
    """An hour below the window while dispensing: no alarm, no excursion, until it was warm."""
    plan = cell(zone(alarm(AlarmKind.COLD)))
    temps = line((0, 25.0), (3600, 109.0))
    state, events = run(plan, nozzle(temps))
    assert phases(events) == ["heating"]
    assert not alarm_story(events, AlarmKind.COLD)
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    _, events = run(plan, nozzle([112.0, 112.0, 105.0, 105.0], start_s=3601.0), state=state)
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == ["normal", "unacknowledged"]
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1


def test_setback_and_recovering_are_no_excursion() -> None:
    """A zone that is told to be colder is not too cold."""
    plan = cell(zone(alarm(AlarmKind.COLD)))
    temps = line((0, 115.0), (10, 85.0), (20, 85.0), (29, 109.0))
    setpoints = [115.0, *[85.0] * 20, *[115.0] * 9]
    _, events = run(plan, nozzle(temps, setpoint_c=setpoints))
    assert phases(events) == ["ready", "setback", "recovering"]
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == [
        "normal",
        "suppressed_by_design",
    ]


def test_a_restarting_controller_that_shows_zeros_has_said_nothing() -> None:
    """Its temperature is bad and its setpoint 0: phase, alarm and excursion stay as they were."""
    plan = cell(zone(alarm(AlarmKind.COLD)))
    temps: list[float | None] = [115.0, 115.0, 105.0, 105.0, None, None, None, 105.0, 105.0]
    setpoints = [115.0] * 4 + [0.0] * 3 + [115.0] * 2
    _, events = run(plan, nozzle(temps, setpoint_c=setpoints))
    assert phases(events) == ["ready"]
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1
    assert not of_kind(events, EventKind.EXCURSION_ENDED)
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)] == ["normal", "unacknowledged"]


def test_a_zone_that_is_not_seen_is_shown_as_unknown_and_goes_on_where_it_was() -> None:
    """Its machine keeps the phase."""
    plan = cell(zone())
    state, _ = run(plan, nozzle([115.0, 115.0, None]))
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.zones[0].phase is Phase.UNKNOWN
    assert state.zones[0].phase is Phase.READY
    again, events = run(plan, nozzle([115.0], start_s=3.0), state=state)
    shown = engine.snapshot(again, plan)
    assert shown is not None
    assert shown.zones[0].phase is Phase.READY
    assert not phases(events)


def test_without_a_setpoint_the_reading_itself_stands_in() -> None:
    """Hot to the touch wants the window; below it the zone is off, without a time of cooling."""
    plan = cell(zone(setpoint=None))
    temps = line((0, 25.0), (10, 115.0), (30, 25.0))
    _, events = run(plan, block({TEMPERATURE: temps}))
    assert phases(events) == ["heating", "ready", "recovering", "off"]
    _, events = run(plan, block({TEMPERATURE: temps, DISPENSING: 1.0}))
    assert phases(events) == ["heating", "ready", "off"]


def test_a_setpoint_that_is_not_known_changes_nothing() -> None:
    """Nothing is wanted of a zone before it was told; and what was told stays."""
    plan = cell(zone())
    _, events = run(plan, block({TEMPERATURE: [115.0] * 5, SETPOINT: None}))
    assert not phases(events)
    _, events = run(plan, block({TEMPERATURE: [115.0] * 10, SETPOINT: [115.0, *[None] * 9]}))
    assert phases(events) == ["ready"]


def test_a_zero_setpoint_told_while_the_temperature_was_bad_is_not_held() -> None:
    """What a restarting controller showed is not looked at later either, beside a good reading."""
    temps: list[float | None] = [115.0, None, 115.0]
    setpoints: list[float | None] = [115.0, 0.0, None]
    _, events = run(cell(zone()), nozzle(temps, setpoint_c=setpoints))
    assert phases(events) == ["ready"]


def test_a_zone_that_gets_cold_while_the_cell_stands_recovers() -> None:
    """Nobody dispenses from it: it waits until it is warm, and its excursion is told."""
    temps = line((0, 115.0), (5, 115.0), (15, 105.0), (25, 115.0))
    _, events = run(cell(zone()), nozzle(temps, dispensing=0.0))
    assert phases(events) == ["ready", "recovering", "ready"]
    fell, back = of_kind(events, EventKind.PHASE_CHANGED)[1:]
    assert (second(fell), second(back)) == (10.0, 21.0)
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1


def test_a_zone_that_gets_cold_in_production_is_in_an_excursion_and_stays_ready() -> None:
    """Once the hold is over the cell stands, and only then the zone recovers."""
    temps = line((0, 115.0), (5, 115.0), (15, 105.0), (60, 105.0))
    flows = [1.0] * 21 + [0.0] * 40
    _, events = run(cell(zone(), production_hold_s=10.0), nozzle(temps, dispensing=flows))
    assert phases(events) == ["ready", "recovering"]
    assert second(of_kind(events, EventKind.PHASE_CHANGED)[1]) == 31.0
    assert [second(e) for e in of_kind(events, EventKind.EXCURSION_OPENED)] == [10.0]


def test_a_warm_wall_is_no_warm_charge() -> None:
    """HEATING ends with the wall, SOAKING with the axis: minutes later, and at a reading."""
    plan = cell(syringe())
    temps = line((0, 25.0), (60, 115.0), (400, 115.0))
    _, events = run(plan, block({SYRINGE: temps, SYRINGE_SETPOINT: 115.0}))
    assert phases(events) == ["heating", "soaking", "ready"]
    _, soaking, ready = of_kind(events, EventKind.PHASE_CHANGED)
    assert second(soaking) == pytest.approx((111.0 - 25.0) / 1.5, abs=1e-9)
    forecast_s = float(str(soaking.detail("ready_in_s")))
    assert second(ready) == pytest.approx(second(soaking) + forecast_s, abs=20.0)
    assert second(ready) - second(soaking) > 120.0


def test_a_setback_goes_back_over_recovering_until_the_core_is_warm() -> None:
    """The wall is in its window again long before."""
    plan = cell(syringe())
    temps = line((0, 115.0), (400, 115.0), (430, 85.0), (800, 85.0), (830, 115.0), (1300, 115.0))
    setpoints = [115.0] * 401 + [85.0] * 400 + [115.0] * 500
    _, events = run(plan, block({SYRINGE: temps, SYRINGE_SETPOINT: setpoints}))
    assert phases(events) == ["soaking", "ready", "setback", "recovering", "ready"]
    recovering, ready = of_kind(events, EventKind.PHASE_CHANGED)[3:]
    assert second(recovering) == 801.0
    assert second(ready) > 830.0 + 60.0
