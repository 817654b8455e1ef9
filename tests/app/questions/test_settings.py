"""What was configured when."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from app.questions.plant import configuration, record
from watchedpot.app.questions.settings import Change, Settings, changes, parsed, shown
from watchedpot.errors import ConfigError


def test_a_changed_limit_has_a_readable_path() -> None:
    """Entries of lists are named, and an edge of a window as it is in the files."""
    assert changes(configuration(), configuration(low_c=116.0)) == (
        Change("cells.lens_4.zones.nozzle.window_low_c", 115.0, 116.0),
    )


def test_a_change_deeper_in_a_zone_keeps_its_name() -> None:
    """Only the window's edges have another name in the files."""
    old = configuration()
    new = old.replace('"tip": {"low_c": 110.0}', '"tip": {"low_c": 111.0}')
    new = new.replace('"on_delay_s": 15.0', '"on_delay_s": 20.0')
    assert changes(old, new) == (
        Change("cells.lens_4.zones.nozzle.alarms.cold.on_delay_s", 15.0, 20.0),
        Change("cells.lens_4.zones.nozzle.tip.low_c", 110.0, 111.0),
    )


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ({"a": 1.0}, {"a": 1.0}, ()),
        ({"a": 1}, {"a": None}, (("a", 1, None),)),
        ({"a": [1.0, 2.0]}, {"a": [1.0]}, (("a", [1.0, 2.0], [1.0]),)),
        ({"a": [{"id": "x", "b": 1}]}, {"a": []}, (("a.x", {"id": "x", "b": 1}, None),)),
        ({"a": [{"b": 1}]}, {"a": [{"b": 2}]}, (("a", [{"b": 1}], [{"b": 2}]),)),
        (
            {"a": [["blind", "unknown"]]},
            {"a": [["blind", "review"], ["open_time", "clear"]]},
            (("a.blind", "unknown", "review"), ("a.open_time", None, "clear")),
        ),
        (
            {"a": [{"id": "x"}, {"id": "x"}]},
            {"a": [{"id": "x"}]},
            (("a", [{"id": "x"}, {"id": "x"}], [{"id": "x"}]),),
        ),
    ],
)
def test_every_difference_is_one_change(old: Any, new: Any, expected: Any) -> None:
    """What has a name is compared by it, what has none as a whole; the same gives nothing."""
    assert changes(json.dumps(old), json.dumps(new)) == expected


def test_changes_lead_back_from_new_to_old() -> None:
    """Compared the other way round, old and new have changed places."""
    there = changes(configuration(), configuration(low_c=114.0, caution=""))
    back = changes(configuration(low_c=114.0, caution=""), configuration())
    assert len(there) == 2
    assert {(each.path, each.new, each.old) for each in there} == set(map(tuple, back))


def test_a_text_that_is_no_configuration_is_empty() -> None:
    """What cannot be read has no values, and one that begins to be read is told as a whole."""
    assert parsed("poll_period_s = 1.0") == parsed("[]") == {}
    assert changes("x", '{"a": 1}') == (Change("a", None, 1),)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "none"),
        (True, "true"),
        (False, "false"),
        (115.0, "115"),
        (0.1, "0.1"),
        (7, "7"),
        ("low", "low"),
        ([1.0], "[1.0]"),
        ({"a": 1}, "a table of its own"),
    ],
)
def test_values_are_told_plainly(value: Any, text: str) -> None:
    """As they would be written."""
    assert shown(value) == text


def test_a_run_has_its_own_limits(tmp_path: Path) -> None:
    """The window of a zone is that of the run that is asked for."""
    settings = Settings.read(record(tmp_path / "cell.ledger"))
    assert settings.zone(1, "lens_4", "nozzle")["low_c"] == 115.0
    assert settings.zone(2, "lens_4", "nozzle")["low_c"] == 116.0
    assert settings.zone(2, "lens_4", "tank") == settings.cell(3, "lens_4") == {}
    assert settings.newest["cells"][0]["zones"][0]["low_c"] == 116.0
    assert settings.revision(1) != settings.revision(2)
    assert settings.revision(3) is None
    assert Settings({}, ()).newest == {}


def test_units_are_those_that_are_recorded(tmp_path: Path) -> None:
    """Fahrenheit was converted, a count has no unit, a bead's width is in millimetres."""
    assert Settings.read(record(tmp_path / "cell.ledger")).units() == {
        "lens_4/nozzle/temperature": "degC",
        "lens_4/nozzle/output": "%",
        "lens_4/parts": "",
        "housing_7/bead": "mm",
    }


def test_cautions_come_from_the_materials_of_the_cells(tmp_path: Path) -> None:
    """A material is named once, and one of another cell not at all."""
    settings = Settings.read(record(tmp_path / "cell.ledger"))
    expected = {"demo_silicone": (600.0, "Warm it only under the hood.")}
    assert settings.rework(["lens_4", "housing_7"]) == expected
    assert settings.rework(["housing_7"]) == {}
    silent = {"id": "lens_4", "zones": [{"material": {"id": "x", "rework_s": None}}]}
    nothing = replace(settings, by_run={run: {"cells": [silent]} for run in settings.by_run})
    assert nothing.rework(["lens_4"]) == {}
    assert settings.sources_of("lens_4") == {"lens_4"}


def test_a_cell_that_was_never_configured_is_refused(tmp_path: Path) -> None:
    """The message names the cells that were."""
    settings = Settings.read(record(tmp_path / "cell.ledger"))
    settings.check_cell("lens_4")
    settings.check_cell(None)
    with pytest.raises(ConfigError, match="expected one of lens_4, housing_7, got 'lens_5'"):
        settings.check_cell("lens_5")
    Settings({}, ()).check_cell("any")
