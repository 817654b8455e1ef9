"""What was configured: looking up alarms and channels."""

from __future__ import annotations

import pytest

from support.cells import (
    AMBIENT,
    CHARGE_ID,
    DISPENSING,
    HOSE,
    OUTPUT,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    WIPED,
    alarm,
    cell,
    full_cell,
    hose,
    zone,
)
from watchedpot.core.rules import AlarmKind, CellRules


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


def test_rules_are_values_that_nobody_changes() -> None:
    """Equal by content, hashable, frozen."""
    assert zone() == zone()
    assert hash(zone()) == hash(zone())
    with pytest.raises(AttributeError):
        zone().low_c = 0.0  # type: ignore[misc]
