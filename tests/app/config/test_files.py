"""Files, what they include, and what cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.config.plant import MATERIAL, TEXT, Plant
from watchedpot.app.config import load
from watchedpot.errors import ConfigError


def fault_of(name: str) -> str:
    """The only fault of a file."""
    with pytest.raises(ConfigError) as caught:
        load(Path(name))
    (fault,) = caught.value.faults
    return fault


def test_included_files_are_joined_with_paths_relative_to_each(plant: Plant) -> None:
    """Lists of all files are joined; each path starts in the folder of the file it stands in."""
    plant.write("config/plant.toml", 'include = ["lines/a.toml"]')
    plant.write("config/lines/a.toml", 'include = ["../materials.toml"]' + _without_material())
    plant.write("config/materials.toml", MATERIAL)
    configuration = load(Path("config/plant.toml"))
    assert [cell.id for cell in configuration.cells] == ["lens_4"]
    assert configuration.files == (
        Path("config/plant.toml"),
        Path("config/lines/a.toml"),
        Path("config/lines/../materials.toml"),
    )


def test_a_file_that_several_include_is_read_once(plant: Plant) -> None:
    """Two files may need one material without a duplicate."""
    plant.write("materials.toml", MATERIAL)
    plant.write("a.toml", 'include = ["materials.toml"]' + _without_material())
    plant.write("plant.toml", 'include = ["a.toml", "materials.toml", "./a.toml"]')
    assert [file.name for file in plant.load().files] == ["plant.toml", "a.toml", "materials.toml"]


def test_files_that_include_each_other_are_refused(plant: Plant) -> None:
    """The circle is named."""
    plant.write("a.toml", 'include = ["b.toml"]')
    plant.write("b.toml", 'include = ["plant.toml"]')
    assert plant.fault(head='include = ["a.toml"]') == (
        "b.toml, include[0]: expected no circle, got plant.toml -> a.toml -> b.toml -> plant.toml; "
        "nothing was started; take one include out"
    )


def test_a_missing_file_is_named_where_it_is_asked_for(plant: Plant) -> None:
    """With the name it probably has, or with the folder that is not there."""
    plant.write("lens_4.toml", "")
    assert plant.fault(head='include = ["lens_5.toml"]') == (
        "plant.toml, include[0]: expected a file lens_5.toml, found none; nothing was started; "
        "did you mean lens_4.toml?"
    )
    assert plant.fault(head='include = ["cells/lens_4.toml"]') == (
        "plant.toml, include[0]: expected a file cells/lens_4.toml, found none; "
        "nothing was started; there is no folder cells"
    )
    assert fault_of("plnt.toml") == (
        "plnt.toml: expected a file plnt.toml, found none; nothing was started; "
        "did you mean plant.toml?"
    )


def test_a_folder_is_not_a_file(plant: Plant) -> None:
    """What the operating system says stands in the sentence."""
    (plant.folder / "cells.toml").mkdir()
    assert fault_of("cells.toml") == (
        "cells.toml: expected a readable file cells.toml, got: Is a directory; nothing was started"
    )


def test_a_slip_in_the_syntax_is_named_by_line_and_column(plant: Plant) -> None:
    """One fault, since nothing after it can be understood."""
    plant.write("slip.toml", '[[cells]]\nid = "lens_4\n')
    assert fault_of("slip.toml") == (
        "slip.toml, line 2, column 13: expected TOML, got: Illegal character '\\n'; "
        "nothing was started; nothing after it was read"
    )
    plant.write("open.toml", "cells = [")
    assert fault_of("open.toml") == (
        "open.toml, end of document: expected TOML, got: Invalid value; nothing was started; "
        "nothing after it was read"
    )


def test_a_file_that_is_not_text_is_refused(plant: Plant) -> None:
    """TOML is UTF-8; the first byte that is not is counted."""
    (plant.folder / "latin.toml").write_bytes(b"# \xb0C")
    assert fault_of("latin.toml") == (
        "latin.toml: expected UTF-8 text, got byte 2 that is not; nothing was started"
    )


def test_faults_of_all_files_come_together(plant: Plant) -> None:
    """Faults of an included file, and between two files, stand beside those of the first."""
    plant.write("more.toml", MATERIAL + '[[cells]]\nid = "lens_5"\nzones = 5\n')
    assert plant.faults(("port = 15020", "port = 0"), head='include = ["more.toml"]') == [
        "plant.toml, sources.housing_7.port: expected 1 or more, got 0; nothing was started; "
        "TCP port of the device",
        "more.toml, cells.lens_5.zones: expected a list, got 5; nothing was started; "
        "heat zones in the direction of flow",
        "more.toml, materials.demo_silicone: expected an id of its own, plant.toml, "
        "materials.demo_silicone has it too; nothing was started; rename one of the two",
    ]


@pytest.mark.parametrize("key", ["sources", "materials", "cells"])
def test_an_id_is_taken_only_once(plant: Plant, key: str) -> None:
    """Sources, materials and cells each have their own ids over all files."""
    found = plant.faults(more=TEXT[: TEXT.index("[alarms.cold]")])
    assert any(
        fault.startswith(f"plant.toml, {key}.") and "expected an id of its own" in fault
        for fault in found
    )


def _without_material() -> str:
    return TEXT.replace(MATERIAL, "")
