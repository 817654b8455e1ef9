"""By which file a value was set."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from app.config.plant import AGEING, COLD, MATERIAL, TEXT, Plant, alarm, changed
from watchedpot.app.config import Configuration, load
from watchedpot.app.config.origins import file_of

SPLIT = 'include = ["lines/cell.toml", "alarms.toml"]\n'


def split(plant: Plant, *changes: tuple[str, str]) -> Configuration:
    """The plant in four files of a folder ``site``, its cell's file changed."""
    of_cell = changed(TEXT.replace(MATERIAL, "").replace(COLD, ""), *changes)
    plant.write("site/plant.toml", SPLIT)
    plant.write("site/lines/cell.toml", 'include = ["../glue.toml"]\n' + of_cell)
    plant.write("site/glue.toml", MATERIAL + AGEING)
    plant.write("site/alarms.toml", COLD)
    return load(Path("site/plant.toml"))


@pytest.mark.parametrize(
    ("path", "file"),
    [
        ("cells.lens_4.zones.nozzle.window_low_c", "lines/cell.toml"),
        ("cells.lens_4.zones.nozzle.material.ceiling_c", "glue.toml"),
        ("cells.lens_4.zones.nozzle.material.ageing.pot_life_s", "glue.toml"),
        ("cells.lens_4.zones.nozzle.material.id", "lines/cell.toml"),
        ("cells.lens_4.zones.nozzle.material", "lines/cell.toml"),
        ("cells.lens_4.zones.nozzle.alarms.cold.deadband_k", "alarms.toml"),
        ("cells.lens_4.zones.nozzle.alarms.cold", "alarms.toml"),
        ("cells.lens_4.zones.syringe.alarms.cold.on_delay_s", "alarms.toml"),
        ("cells.lens_4.judging.verdicts.near_edge", "lines/cell.toml"),
        ("cells.lens_4.ambient_c", "lines/cell.toml"),
        ("cells.lens_4", "lines/cell.toml"),
        ("sources.housing_7.poll_period_s", "lines/cell.toml"),
        ("sources.housing_7.channels.lens_4/parts.address", "lines/cell.toml"),
        ("cells.housing_7.ambient_c", ""),
        ("cells.lens_4.zones.tank.material.ceiling_c", ""),
        ("cells", ""),
        ("", ""),
    ],
)
def test_a_value_leads_back_to_its_file(plant: Plant, path: str, file: str) -> None:
    """Of the cell, of its material, of the alarms of all cells; none where there is no value."""
    assert file_of(split(plant).text, path) == file


def test_a_key_that_a_zone_or_cell_changes_was_set_there(plant: Plant) -> None:
    """The other keys of the same alarm, and the same key elsewhere, are still the general ones."""
    text = split(
        plant,
        (
            "setpoint_c = 120.0\n",
            "setpoint_c = 120.0\n[cells.zones.alarms.cold]\nlatching = true\n",
        ),
        (
            "[cells.channels.dispensing]",
            "[cells.alarms.cold]\non_delay_s = 9.0\n[cells.channels.dispensing]",
        ),
    ).text
    zones = "cells.lens_4.zones"
    assert {
        path: file_of(text, f"{zones}.{path}")
        for path in (
            "nozzle.alarms.cold.is_latching",
            "syringe.alarms.cold.is_latching",
            "nozzle.alarms.cold.on_delay_s",
            "syringe.alarms.cold.on_delay_s",
            "nozzle.alarms.cold.deadband_k",
        )
    } == {
        "nozzle.alarms.cold.is_latching": "lines/cell.toml",
        "syringe.alarms.cold.is_latching": "alarms.toml",
        "nozzle.alarms.cold.on_delay_s": "lines/cell.toml",
        "syringe.alarms.cold.on_delay_s": "lines/cell.toml",
        "nozzle.alarms.cold.deadband_k": "alarms.toml",
    }


def test_an_alarm_that_only_a_cell_has_was_set_there(plant: Plant) -> None:
    """All of its keys, and the alarm as a whole."""
    unseen = alarm("unseen").replace("[alarms.", "[cells.alarms.")
    text = split(plant, ("[cells.channels.dispensing]", f"{unseen}\n[cells.channels.dispensing]"))
    for path in ("cells.lens_4.alarms.unseen", "cells.lens_4.alarms.unseen.on_delay_s"):
        assert file_of(text.text, path) == "lines/cell.toml"


def test_the_same_files_elsewhere_are_the_same_revision(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the folder nor how the first file was named matters; a comment does not either."""
    first = split(plant)
    plant.write("moved/plant.toml", SPLIT)
    for name in ("lines/cell.toml", "glue.toml", "alarms.toml"):
        written = (plant.folder / "site" / name).read_text(encoding="utf-8")
        plant.write(f"moved/{name}", f"# a comment\n{written}")
    assert load(plant.folder / "moved" / "plant.toml").revision == first.revision
    monkeypatch.chdir(plant.folder / "moved" / "lines")
    assert load(Path("../plant.toml")).revision == first.revision


def test_what_no_cell_uses_is_no_revision(plant: Plant) -> None:
    """A spare material or source is not judged by."""
    first = split(plant)
    spare = MATERIAL.replace("demo_silicone", "spare")
    source = TEXT[TEXT.index("[[sources]]") : TEXT.index("[[sources]]", 5)]
    source = source.replace('"housing_7"', '"spare"').replace("15020", "15021")
    plant.write("site/alarms.toml", COLD + spare + source)
    assert load(Path("site/plant.toml")).revision == first.revision


def test_a_material_that_moves_to_another_file_is_another_revision(plant: Plant) -> None:
    """By which file a limit was set is part of what is recorded."""
    first = split(plant)
    plant.write("site/glue.toml", "")
    plant.write("site/alarms.toml", COLD + MATERIAL + AGEING)
    second = load(Path("site/plant.toml"))
    assert second.cells == first.cells
    assert second.revision != first.revision
    path = "cells.lens_4.zones.nozzle.material.ceiling_c"
    assert file_of(second.text, path) == "alarms.toml"


@pytest.mark.parametrize("text", ["", "7", "{}", '{"files": 7}', '{"files": {}, "cells": 7}'])
def test_a_text_that_tells_no_files_leads_to_none(text: str) -> None:
    """That of an older version, or none at all."""
    assert file_of(text, "cells.lens_4.zones.nozzle.material.ceiling_c") == ""


def test_no_folder_and_no_secret_is_recorded(plant: Plant) -> None:
    """Files are named from the folder of the first one."""
    configuration = split(plant)
    assert str(plant.folder) not in configuration.text
    assert json.loads(configuration.text)["files"] == {
        "alarms.cold": "alarms.toml",
        "cells.lens_4": "lines/cell.toml",
        "materials.demo_silicone": "glue.toml",
        "sources.housing_7": "lines/cell.toml",
        "sources.lens_4": "lines/cell.toml",
    }
