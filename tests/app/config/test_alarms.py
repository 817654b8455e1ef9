"""Alarms: complete, each in its place, changed key by key."""

from __future__ import annotations

import pytest

from app.config.plant import Plant, alarm, cell
from watchedpot.core.rules import AlarmKind, AlarmRules, Priority

COLD = "plant.toml, cells.lens_4.zones.nozzle.alarms.cold"


def test_a_general_alarm_holds_in_every_zone(plant: Plant) -> None:
    """Cold is the alarm of each zone, with all that was said of it."""
    expected = AlarmRules(
        kind=AlarmKind.COLD,
        priority=Priority.HIGH,
        cause="Colder than its window.",
        consequence="Thin beads.",
        response="Hold dispensing.",
        time_to_respond_s=300.0,
        on_delay_s=15.0,
        off_delay_s=20.0,
        deadband_k=1.0,
    )
    assert [zone.alarms for zone in plant.load().cells[0].zones] == [(expected,), (expected,)]


def test_build_up_is_for_nozzles_and_unseen_for_the_cell(plant: Plant) -> None:
    """Each kind goes where it belongs, wear alarms with limit and latch."""
    plant.change(
        more=alarm("build_up", "limit_s = 30.0", "latching = true", "re_alarm_s = 600.0")
        + alarm("degradation", "limit_s = 600.0")
        + alarm("unseen")
    )
    (cell,) = plant.load().cells
    syringe, nozzle = ([rules.kind.value for rules in zone.alarms] for zone in cell.zones)
    assert syringe == ["cold", "degradation"]
    assert nozzle == ["cold", "build_up", "degradation"]
    build_up = cell.zones[1].alarm(AlarmKind.BUILD_UP)
    assert build_up is not None
    assert (build_up.limit_s, build_up.is_latching, build_up.re_alarm_s) == (30.0, True, 600.0)
    assert [rules.kind.value for rules in cell.alarms] == ["unseen"]


def test_before_ready_and_pot_life_are_for_the_cell(plant: Plant) -> None:
    """They stand beside unseen, in no zone, and a cell may change single keys."""
    plant.change(
        cell("[cells.alarms.before_ready]", "on_delay_s = 2.0"),
        more=alarm("pot_life") + alarm("before_ready") + alarm("unseen"),
    )
    (rules,) = plant.load().cells
    assert [one.kind.value for one in rules.alarms] == ["unseen", "before_ready", "pot_life"]
    assert [one.on_delay_s for one in rules.alarms] == [15.0, 2.0, 15.0]
    assert {one.kind for zone in rules.zones for one in zone.alarms} == {AlarmKind.COLD}


def test_a_zone_overrides_its_cell_and_the_cell_the_general_alarm(plant: Plant) -> None:
    """Single keys change, the others stay."""
    plant.change(
        (
            '[[cells.zones]]\nid = "nozzle"',
            '[cells.alarms.cold]\non_delay_s = 30.0\npriority = "low"\n'
            '[[cells.zones]]\nid = "nozzle"',
        ),
        more="[cells.zones.alarms.cold]\non_delay_s = 5.0",
    )
    syringe, nozzle = (zone.alarms[0] for zone in plant.load().cells[0].zones)
    assert (syringe.on_delay_s, syringe.priority, syringe.off_delay_s) == (30.0, Priority.LOW, 20.0)
    assert (nozzle.on_delay_s, nozzle.priority, nozzle.off_delay_s) == (5.0, Priority.LOW, 20.0)


def test_an_alarm_without_a_response_is_refused(plant: Plant) -> None:
    """An alarm asks something of a person, or it is none."""
    assert plant.fault(('response = "Hold dispensing."', "")) == (
        "plant.toml, alarms.cold.response: expected a value, got none; nothing was started; "
        "what the person at the cell is to do; without it, it is not an alarm"
    )


@pytest.mark.parametrize(
    "key",
    [
        "priority",
        "cause",
        "consequence",
        "time_to_respond_s",
        "on_delay_s",
        "off_delay_s",
        "deadband_k",
    ],
)
def test_every_other_key_of_an_alarm_is_needed_too(plant: Plant, key: str) -> None:
    """Nothing about an alarm is left to a default that nobody chose."""
    fault = plant.fault((f"\n{key} = ", f"\n# {key} = "))
    assert fault.startswith(
        f"plant.toml, alarms.cold.{key}: expected a value, got none; nothing was started; "
    )


def test_an_alarm_that_only_a_zone_has_must_be_complete_there(plant: Plant) -> None:
    """Single keys of an alarm that is nowhere else are not enough."""
    faults = plant.faults(more="[cells.zones.alarms.degradation]\nlimit_s = 5.0")
    keys = [fault.split(": ")[0].rsplit(".", 1)[1] for fault in faults]
    assert keys == [
        "priority",
        "cause",
        "consequence",
        "response",
        "time_to_respond_s",
        "on_delay_s",
        "off_delay_s",
    ]


@pytest.mark.parametrize(
    ("deadband_k", "problem"),
    [
        (5.5, "5.5 K is not below half the width of the window, 5.5 K"),
        (2.5, "2.5 K is not below half the distance from the limit to setpoint_c, 2.5 K"),
    ],
)
def test_a_deadband_that_could_not_clear_is_refused(
    plant: Plant, deadband_k: float, problem: str
) -> None:
    """Half the window's width, and half the way to the setpoint, are too much."""
    more = f"[cells.zones.alarms.cold]\ndeadband_k = {deadband_k}"
    assert plant.fault(more=more) == (
        f"{COLD}: deadband_k = {problem}; nothing was started; "
        f"the alarm would hardly ever clear; lower it in {COLD}"
    )


def test_a_deadband_is_named_where_it_was_written(plant: Plant) -> None:
    """A general deadband too wide for one zone is a fault of that zone, lowered in general."""
    assert plant.fault(("deadband_k = 1.0", "deadband_k = 2.6")) == (
        f"{COLD}: deadband_k = 2.6 K is not below half the distance from the limit to setpoint_c, "
        "2.5 K; nothing was started; the alarm would hardly ever clear; "
        "lower it in plant.toml, alarms.cold"
    )


def test_the_deadband_below_the_ceiling_is_held_against_the_setpoint(plant: Plant) -> None:
    """From 140 degC to a setpoint of 120 degC are 20 K: 10 K are too much."""
    more = alarm("hot", "deadband_k = 1.0") + alarm("over_ceiling", "deadband_k = 10.0")
    assert plant.fault(more=more) == (
        "plant.toml, cells.lens_4.zones.nozzle.alarms.over_ceiling: deadband_k = 10.0 K is not "
        "below half the distance from the limit to setpoint_c, 10 K; nothing was started; "
        "the alarm would hardly ever clear; lower it in plant.toml, alarms.over_ceiling"
    )


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (
            alarm("unseen", "limit_s = 5.0"),
            "plant.toml, alarms.unseen.limit_s: expected no such key for unseen, got 5.0; "
            "nothing was started; it belongs to build_up, degradation",
        ),
        (
            alarm("degradation", "limit_s = 600.0", "deadband_k = 1.0"),
            "plant.toml, alarms.degradation.deadband_k: expected no such key for degradation, got "
            "1.0; nothing was started; it belongs to cold, hot, over_ceiling",
        ),
        (
            alarm("degradation"),
            "plant.toml, alarms.degradation.limit_s: expected a value, got none; "
            "nothing was started; build_up, degradation: index at which the alarm is raised [s]",
        ),
        (
            alarm("before_ready", "deadband_k = 1.0"),
            "plant.toml, alarms.before_ready.deadband_k: expected no such key for before_ready, "
            "got 1.0; nothing was started; it belongs to cold, hot, over_ceiling",
        ),
        (
            alarm("pot_life", "limit_s = 5.0"),
            "plant.toml, alarms.pot_life.limit_s: expected no such key for pot_life, got 5.0; "
            "nothing was started; it belongs to build_up, degradation",
        ),
        (
            "[cells.zones.alarms.pot_life]\non_delay_s = 5.0",
            "plant.toml, cells.lens_4.zones.nozzle.alarms.pot_life: unknown key, got a table; "
            "nothing was started; known are build_up, cold, degradation, hot, over_ceiling",
        ),
        (
            "[cells.zones.alarms.unseen]\non_delay_s = 5.0",
            "plant.toml, cells.lens_4.zones.nozzle.alarms.unseen: unknown key, got a table; "
            "nothing was started; known are build_up, cold, degradation, hot, over_ceiling",
        ),
    ],
)
def test_a_key_in_an_alarm_that_has_no_use_for_it_is_refused(
    plant: Plant, more: str, sentence: str
) -> None:
    """Deadbands belong to limits of temperature, indices to wear, unseen to the cell."""
    assert plant.fault(more=more) == sentence


def test_build_up_on_another_zone_than_a_nozzle_is_refused(plant: Plant) -> None:
    """Only a nozzle has a tip."""
    fault = plant.fault(
        (
            '[[cells.zones]]\nid = "nozzle"',
            '[cells.zones.alarms.build_up]\nlimit_s = 5.0\n[[cells.zones]]\nid = "nozzle"',
        ),
        more=alarm("build_up", "limit_s = 30.0"),
    )
    assert fault == (
        "plant.toml, cells.lens_4.zones.syringe.alarms.build_up: expected this alarm on a nozzle "
        "only, got it on a syringe; nothing was started; "
        "adhesive builds up on the tip of a nozzle; take it out"
    )


def test_the_worse_stage_needs_the_stage_before_it(plant: Plant) -> None:
    """Over_ceiling without hot is refused in each zone."""
    faults = plant.faults(more=alarm("over_ceiling", "deadband_k = 1.0"))
    assert faults[0] == (
        "plant.toml, cells.lens_4.zones.syringe.alarms.hot: expected an alarm, got none beside "
        "over_ceiling; nothing was started; "
        "over_ceiling is the worse stage of hot; add hot, in general or here"
    )
    assert len(faults) == 2


def test_a_general_alarm_stands_in_one_file(plant: Plant) -> None:
    """Two files that both say what cold is are refused."""
    plant.write("alarms.toml", alarm("cold", "deadband_k = 2.0"))
    assert plant.fault(head='include = ["alarms.toml"]') == (
        "alarms.toml, alarms.cold: expected this alarm in one file only, plant.toml, alarms.cold "
        "has it too; nothing was started; to change single keys, put them below a cell or a zone"
    )


def test_how_long_an_alarm_may_be_shelved_is_said_with_it(plant: Plant) -> None:
    """Eight hours where nothing is said; zone by zone like any other key."""
    more = "[cells.zones.alarms.cold]\nmax_shelving_s = 600.0"
    plant.change(more=more)
    syringe, nozzle = (zone.alarms[0] for zone in plant.load().cells[0].zones)
    assert (syringe.max_shelving_s, nozzle.max_shelving_s) == (28_800.0, 600.0)


@pytest.mark.parametrize("longest_s", [0.0, -1.0, 86_401.0])
def test_no_alarm_may_be_shelved_without_end(plant: Plant, longest_s: float) -> None:
    """A day is the longest bound."""
    more = f"[cells.zones.alarms.cold]\nmax_shelving_s = {longest_s}"
    assert "max_shelving_s: expected" in plant.fault(more=more)


def test_a_changed_setpoint_is_settled_only_where_it_is_said(plant: Plant) -> None:
    """For cold and hot, and for no other alarm."""
    assert plant.load().cells[0].zones[0].alarms[0].setpoint_settle_s == 0.0
    plant.change(more="[cells.zones.alarms.cold]\nsetpoint_settle_s = 60.0")
    assert plant.load().cells[0].zones[1].alarms[0].setpoint_settle_s == 60.0


def test_a_ceiling_is_not_suppressed_by_a_setpoint(plant: Plant) -> None:
    """The key does not belong there."""
    more = alarm("hot", "deadband_k = 1.0")
    more += alarm("over_ceiling", "deadband_k = 1.0", "setpoint_settle_s = 60.0")
    assert plant.fault(more=more) == (
        "plant.toml, alarms.over_ceiling.setpoint_settle_s: expected no such key for over_ceiling, "
        "got 60.0; nothing was started; it belongs to cold, hot"
    )


def test_an_alarm_comes_while_acting_still_helps(plant: Plant) -> None:
    """On-delay and settling together stay below the time to respond; told once."""
    assert plant.fault(("deadband_k = 1.0", "deadband_k = 1.0\nsetpoint_settle_s = 285.0")) == (
        "plant.toml, alarms.cold: on_delay_s + setpoint_settle_s = 300 s is not below "
        "time_to_respond_s, 300 s; nothing was started; people would hear of it when acting no "
        "longer helps; lower the delays"
    )
