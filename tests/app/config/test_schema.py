"""The JSON Schema: current, complete, and of the same opinion as the loader."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from app.config.plant import (
    AGEING,
    FULL,
    STORAGE,
    TEXT,
    THERMAL,
    Plant,
    cell,
    material,
    nozzle,
    syringe,
)
from watchedpot.app.config import json_schema
from watchedpot.app.config.schema import schema_text

CONFIG = Path(__file__).parents[3] / "config"
VALIDATOR = jsonschema.Draft202012Validator(json_schema())
UNITS = {
    "_j_per_kg_k": "[J/(kg K)]",
    "_w_per_m2_k": "[W/(m2 K)]",
    "_w_per_m_k": "[W/(m K)]",
    "_kg_per_m3": "[kg/m3]",
    "_k_per_s": "[K/s]",
    "_kj_per_mol": "[kJ/mol]",
    "_mm2_per_s": "[mm2/s]",
    "_mg_per_s": "[mg/s]",
    "_bar_abs": "[bar]",
    "_points": "[degC, Pa s]",
    "_share": "[1]",
    "_days": "[days]",
    "_min": "[min]",
    "_mb": "[MB]",
    "_ml": "[ml]",
    "_mm": "[mm]",
    "_c": "[degC]",
    "_g": "[g]",
    "_h": "[h]",
    "_k": "[K]",
    "_s": "[s]",
}
"""What the description of a key says by how its name ends; the longer endings first."""


def test_the_schema_in_the_repository_is_current() -> None:
    """``python -m watchedpot.app.config.schema > config/watchedpot.schema.json`` renews it."""
    assert (CONFIG / "watchedpot.schema.json").read_text(encoding="utf-8") == schema_text()


def test_the_command_prints_the_schema() -> None:
    """Nothing but the schema, and no warning."""
    command = [sys.executable, "-W", "error", "-m", "watchedpot.app.config.schema"]
    paths = {"PYTHONPATH": ":".join(sys.path)}
    printed = subprocess.run(command, capture_output=True, text=True, check=True, env=paths)
    assert printed.stdout == schema_text()
    assert printed.stderr == ""


@pytest.mark.parametrize(
    "path", sorted(CONFIG.rglob("*.toml")), ids=lambda path: str(path.relative_to(CONFIG))
)
def test_every_example_file_is_as_the_schema_says(path: Path) -> None:
    """Each file on its own."""
    VALIDATOR.validate(tomllib.loads(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('kind = "syringe"', 'kind = "syrinje"'),
        ("window_low_c = 104.0", ""),
        ("window_low_c = 104.0", "window_low = 104.0"),
        ("port = 15020", "port = 0"),
        ("address_base = 1", "address_base = 2"),
        ("plausible = [-10.0, 290.0]", "plausible = [-10.0]"),
        ("[cells.zones.channels.temperature]", "[cells.zones.channels.setpoint]"),
        ('node = "i=1001"', 'node = "1001"'),
        ("flow_activation_kj_per_mol = 50.0", ""),
        (
            "flow_activation_kj_per_mol = 50.0",
            "flow_activation_kj_per_mol = 50.0\nviscosity_points = [[100, 20], [120, 9]]",
        ),
        ("flow_activation_kj_per_mol = 50.0", "viscosity_points = [[100, 20], [120]]"),
        ("flow_activation_kj_per_mol = 50.0", "viscosity_points = [[100, 20]]"),
        material(AGEING.replace("pot_life_h = 8.0", "pot_life_h = 0")),
        material(THERMAL.replace("density_kg_per_m3 = 1100.0", "density_kg_per_m3 = 1.1")),
        syringe("[cells.zones.soak]"),
        syringe("[cells.zones.soak]", "radius_mm = 11.3", "timer_min = 20"),
        nozzle("[cells.zones.tip]", "offset_k = 5.0"),
        nozzle("[cells.zones.tip]", "low_c = 110.0", "offset_k = 5.0", "length_mm = 6.0"),
        cell("[cells.charge]", 'dosing = "pump"'),
        cell("[cells.charge]", "near_share = 1.0"),
        cell("[cells.air]", "measured_bar_abs = 7.0"),
        cell("[cells.judging]", "guard = 0.5"),
        cell("[cells.judging.verdicts]", 'near_edge = "revue"'),
        cell("[cells.judging.verdicts]", 'near_egde = "review"'),
        material(STORAGE.replace("limit_c = 30.0\n", "")),
    ],
)
def test_the_schema_refuses_what_the_loader_refuses(old: str, new: str) -> None:
    """As far as one key can be judged alone."""
    assert VALIDATOR.is_valid(tomllib.loads(TEXT))
    assert not VALIDATOR.is_valid(tomllib.loads(TEXT.replace(old, new, 1)))


def test_the_schema_takes_what_the_loader_takes(plant: Plant) -> None:
    """All that can be told of the melt and of the parts, at once."""
    plant.write("plant.toml", FULL)
    assert plant.load().cells
    VALIDATOR.validate(tomllib.loads(FULL))


def _tables(schema: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Every table with its keys."""
    tables = {"File": schema, **schema["$defs"]}
    return [(name, table) for name, table in tables.items() if "properties" in table]


def test_every_key_has_a_description_and_its_unit() -> None:
    """A key whose name ends in a unit says it in brackets."""
    tables = _tables(json_schema())
    assert {name for name, _ in tables} >= {"File", "Cell", "Zone", "Channel", "Alarm", "Material"}
    for name, table in tables:
        for key, description in (
            (key, entry.get("description", "")) for key, entry in table["properties"].items()
        ):
            assert description, f"{name}.{key}"
            unit = next((unit for end, unit in UNITS.items() if key.endswith(end)), "")
            assert unit in " ".join(description.split()), f"{name}.{key}"


def test_no_key_may_be_null() -> None:
    """TOML has no null."""
    assert "null" not in json.dumps(json_schema())
