"""The wiring table, whole, of the example files."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.config.plant import FULL, Plant, cell, material
from watchedpot.app.config import load, wiring_table

ROOT = Path(__file__).parents[3]
GOLDEN = Path(__file__).with_name("wiring_table.txt")


def test_the_table_of_the_example_files_is_as_it_was_read_and_approved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All that a person checks at commissioning stands in it, line for line."""
    monkeypatch.chdir(ROOT)
    assert wiring_table(load(Path("config/demo.toml"))) == GOLDEN.read_text(encoding="utf-8")


def test_the_table_of_the_example_files_fits_a_window_of_120_columns() -> None:
    """No line wraps."""
    assert max(map(len, GOLDEN.read_text(encoding="utf-8").splitlines())) <= 120


def test_what_is_unusual_about_a_channel_is_in_its_row(plant: Plant) -> None:
    """Fahrenheit, an offset, swapped bytes and belief in uncertain values are all to be seen."""
    plant.change(
        ('unit = "degC"', 'unit = "degF"\noffset = -40.0\nswap_bytes = true'),
        ("plausible = [-20.0, 300.0]", "plausible = [14.0, 572.0]"),
        ('node = "i=1001"', 'node = "i=1001"\nuncertain_is_good = true'),
    )
    rows = [" ".join(line.split()) for line in wiring_table(plant.load()).splitlines()]
    assert (
        "lens_4/syringe/temperature holding_registers 1 int16 swapped degF x 0.1 -40 "
        "-10 to 300 degC 104 to 118 32767"
    ) in rows
    assert "lens_4/nozzle/output i=1001 float32 uncertain too %" in rows


def test_all_that_is_told_of_the_melt_is_in_its_row(plant: Plant) -> None:
    """Core, tip, charge, air and the material's numbers, in the units of the file."""
    plant.write("plant.toml", FULL)
    rows = [" ".join(line.split()) for line in wiring_table(plant.load()).splitlines()]
    for row in (
        "lens_4/syringe 105 23 radius 11.3 mm 100 2",
        "lens_4/nozzle 110 4 mm long, 1.651 mm outside, bore 1.194 mm 16 30 W/(m2 K)",
        "lens_4 33 4 time_pressure 100 degC 20 min 80 % 1.5 h old",
        "lens_4 23 10 min 7 bar abs 1 bar abs",
        "demo_silicone 8 h at 110 degC 60 to 100 0.115 (0.098 to 0.132) 22.7 Pa s at 100 degC "
        "at most -20 degC",
    ):
        assert row in rows


def test_how_parts_are_judged_is_in_its_row(plant: Plant) -> None:
    """Each number, and each rule that concludes something else than usual."""
    plant.write("plant.toml", FULL)
    table = wiring_table(plant.load())
    rows = [" ".join(line.split()) for line in table.splitlines()]
    for row in (
        "parts guard K near K unseen s before loss cycle s rolls over at tip settles s check K",
        "lens_4 0.25 2 5 2 2 65536 30 1.5",
        "lens_4/near_edge review clear_with_note",
        "stored limit degC above it mean kinetic out of store kJ/mol open time rework",
        "demo_silicone 30 24 h 25 degC 8 h 83.144 180 s 10 min",
        "rework of demo_silicone: Hot parts and vapours: qualified people only.",
        "lens_4/bead_width s=bead_width float32 mm 0 to 10",
    ):
        assert row in rows


def test_what_is_not_told_of_parts_is_shown_as_it_holds(plant: Plant) -> None:
    """The usual numbers, no rule that differs, and limits that nobody knows."""
    plant.change(cell("[cells.judging.verdicts]", 'near_edge = "clear_with_note"'))
    table = wiring_table(plant.load())
    rows = [" ".join(line.split()) for line in table.splitlines()]
    assert "lens_4 0.5 1 3 1 1 2^16 or 2^32 25 1" in rows
    assert "demo_silicone not limited not known not known" in rows
    assert "usually" not in table
    assert "rework of" not in table
    only = '[materials.storage]\nlimit_c = 28.0\nabove_max_h = 1.5\nsource = "own rule"'
    plant.change(material(only))
    rows = [" ".join(line.split()) for line in wiring_table(plant.load()).splitlines()]
    assert "demo_silicone 28 1.5 h 83.144 not known not known" in rows


def test_what_is_not_told_of_the_melt_has_no_table(plant: Plant) -> None:
    """Only what holds by default is shown."""
    table = wiring_table(plant.load())
    assert "tolerance" not in table
    assert "film" not in table
    rows = [" ".join(line.split()) for line in table.splitlines()]
    assert "lens_4 time_pressure cold 80 % age not known" in rows
    assert "lens_4 23 10 min not watched" in rows


def test_without_alarms_there_is_no_table_of_them(plant: Plant) -> None:
    """The notice says it instead."""
    plant.write("plant.toml", (plant.folder / "plant.toml").read_text().split("[alarms.cold]")[0])
    table = wiring_table(plant.load())
    assert "deadband" not in table
    assert "  cells.lens_4: no alarm is configured, nothing will be raised\n" in table
