"""Each module of daemon and simulator has a test file of its own at the mirrored place."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parents[2]
MIRRORS = {
    ROOT / "daemon" / "watchedpot": PurePosixPath(),
    ROOT / "simulator" / "potsim": PurePosixPath("simulator"),
}
"""Where the tests of a package stand below tests/."""

EXCEPTIONS: Mapping[str, str] = {
    "watchedpot/__main__.py": "calls the command line and holds nothing else",
    "watchedpot/app/config/__init__.py": "load() is the door of the room; its tests go through it",
}
"""Modules without a test file, each with its reason."""


def is_bare(path: Path) -> bool:
    """Whether a file only names a room: an ``__init__`` without a function or class of its own."""
    definitions = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    return path.name == "__init__.py" and not any(
        isinstance(node, definitions) for node in ast.walk(ast.parse(path.read_text("utf-8")))
    )


def mirrored(module: PurePosixPath, place: PurePosixPath) -> PurePosixPath:
    """Test file of a module, both below their folders."""
    return place / module.parent / f"test_{module.stem}.py"


def modules() -> dict[str, PurePosixPath]:
    """Each module with something to test, and where its test file belongs."""
    return {
        str(PurePosixPath(folder.name, inner)): mirrored(inner, place)
        for folder, place in MIRRORS.items()
        for path in sorted(folder.rglob("*.py"))
        if not is_bare(path)
        for inner in [PurePosixPath(path.relative_to(folder).as_posix())]
    }


def test_every_module_has_a_test_file() -> None:
    """No module is without a test file of its own, but for the exceptions."""
    missing = [
        f"{module}: no tests/{test}"
        for module, test in modules().items()
        if module not in EXCEPTIONS and not (ROOT / "tests" / test).is_file()
    ]
    assert not missing, "\n".join(missing)


@pytest.mark.parametrize("module", EXCEPTIONS)
def test_an_exception_is_still_needed(module: str) -> None:
    """An exception names a module there is, and that has no test file."""
    assert not (ROOT / "tests" / modules()[module]).exists()
    assert EXCEPTIONS[module]


@pytest.mark.parametrize(
    ("module", "place", "test"),
    [
        ("errors.py", "", "test_errors.py"),
        ("core/wear.py", "", "core/test_wear.py"),
        ("app/config/build.py", "", "app/config/test_build.py"),
        ("world.py", "simulator", "simulator/test_world.py"),
        ("__main__.py", "simulator", "simulator/test___main__.py"),
    ],
)
def test_the_mirrored_place_of_a_module(module: str, place: str, test: str) -> None:
    """A test file has the folder and the name of its module."""
    assert mirrored(PurePosixPath(module), PurePosixPath(place)) == PurePosixPath(test)


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("__init__.py", '"""A room."""\nfrom a import b\n__all__ = ["b"]\n', True),
        ("__init__.py", "def f() -> None: ...\n", False),
        ("wear.py", '"""Nothing yet."""\n', False),
    ],
)
def test_only_a_file_that_names_a_room_is_bare(
    tmp_path: Path, name: str, text: str, expected: bool
) -> None:
    """A package file with a function is to be tested like any other module."""
    path = tmp_path / name
    path.write_text(text, "utf-8")
    assert is_bare(path) is expected
