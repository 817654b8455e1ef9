"""What was configured: looking up alarms and channels."""

from __future__ import annotations

import pytest

from support.cells import (
    AMBIENT,
    CHARGE_ID,
    DEW_POINT,
    DISPENSING,
    HOSE,
    OUTPUT,
    PARTS,
    SETPOINT,
    SYRINGE,
    SYRINGE_OUTPUT,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    WIPED,
    alarm,
    cell,
    full_cell,
    hose,
    tank_cell,
    thermal_cell,
    zone,
)
from watchedpot.core.rules import AlarmKind, CellRules, ZoneKind


def test_an_alarm_is_found_by_its_kind() -> None:
    """Of a zone and of a cell alike."""
    cold, unseen = alarm(AlarmKind.COLD), alarm(AlarmKind.UNSEEN)
    assert zone(alarm(AlarmKind.HOT), cold).alarm(AlarmKind.COLD) is cold
    assert cell(zone(), alarms=(unseen,)).rules.alarm(AlarmKind.UNSEEN) is unseen


def test_an_alarm_that_is_not_configured_is_none() -> None:
    """No rules, no alarm."""
    assert zone().alarm(AlarmKind.COLD) is None
    assert cell(zone()).rules.alarm(AlarmKind.UNSEEN) is None


def test_channels_name_what_the_cell_uses_zones_first() -> None:
    """In flow order, and nothing for a signal that is not configured."""
    rules = full_cell().rules
    assert rules.channels() == (
        TEMPERATURE,
        SETPOINT,
        OUTPUT,
        HOSE,
        DISPENSING,
        PARTS,
        CHARGE_ID,
        WIPED,
        AMBIENT,
    )
    assert CellRules("lens_4", (hose(),)).channels() == (HOSE,)


def test_channels_of_a_charge_and_its_air_are_named_too() -> None:
    """Syringe before nozzle; the dew point, or the two signals it is computed from, last."""
    names = thermal_cell().rules.channels()
    assert names[:3] == (SYRINGE, SYRINGE_SETPOINT, SYRINGE_OUTPUT)
    assert names[-1] == DEW_POINT
    assert tank_cell().rules.channels()[-2:] == (
        "housing_7/air_temperature",
        "housing_7/air_humidity",
    )


@pytest.mark.parametrize("kind", list(ZoneKind))
def test_a_charge_lies_in_a_tank_a_cartridge_or_a_syringe(kind: ZoneKind) -> None:
    """Hoses and nozzles only pass it on."""
    is_reservoir = kind not in {ZoneKind.HOSE, ZoneKind.NOZZLE}
    assert zone(kind=kind).is_reservoir is is_reservoir
    rules = cell(hose(), zone(kind=kind)).rules
    assert (rules.reservoir is rules.zones[1]) is is_reservoir
    assert (rules.reservoir is None) is not is_reservoir


def test_the_first_reservoir_is_the_one_with_the_charge() -> None:
    """In the direction of flow."""
    first, second = zone(kind=ZoneKind.TANK), zone(id="second", kind=ZoneKind.SYRINGE)
    assert cell(first, second).rules.reservoir is first


def test_rules_are_values_that_nobody_changes() -> None:
    """Equal by content, hashable, frozen."""
    assert zone() == zone()
    assert hash(zone()) == hash(zone())
    with pytest.raises(AttributeError):
        zone().low_c = 0.0  # type: ignore[misc]
