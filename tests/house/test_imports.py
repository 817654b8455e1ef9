"""The walls between the rooms: who may import whom. Reads the sources and runs nothing."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "watchedpot": ROOT / "daemon" / "watchedpot",
    "potsim": ROOT / "simulator" / "potsim",
}

ROOMS: Mapping[str, tuple[str, ...]] = {
    "watchedpot.errors": (),
    "watchedpot.core": ("watchedpot.core", "watchedpot.errors"),
    "watchedpot.sources": ("watchedpot.sources", "watchedpot.core", "watchedpot.errors"),
    "watchedpot.outputs": ("watchedpot.outputs", "watchedpot.core", "watchedpot.errors"),
    "watchedpot.app": ("watchedpot",),
    "watchedpot.__main__": ("watchedpot",),
    "watchedpot": (),
    "potsim": ("potsim",),
}
"""What each room may import of ours; a module lies in the first room that its name begins with."""

PURE_ROOMS = ("watchedpot.errors", "watchedpot.core")
PURE_STANDARD_LIBRARY = (
    *("__future__", "abc", "bisect", "collections", "dataclasses", "enum", "fractions"),
    *("functools", "heapq", "itertools", "math", "operator", "re", "struct", "types", "typing"),
)
"""The modules without clock, chance, files, network, log or tasks."""

OWNERS: Mapping[str, tuple[str, ...]] = {
    "asyncua": ("watchedpot.sources.opcua", "potsim.serve_opcua"),
    "pymodbus": ("watchedpot.sources.modbus", "potsim.serve_modbus"),
    "cryptography": (
        *("watchedpot.sources.certificates", "watchedpot.sources.opcua.trust"),
        "watchedpot.app.certificate",
    ),
    "sqlite3": ("watchedpot.outputs.ledger",),
    "prometheus_client": ("watchedpot.outputs.metrics",),
    "fastapi": ("watchedpot.outputs.web",),
    "starlette": ("watchedpot.outputs.web",),
    "uvicorn": ("watchedpot.outputs.web",),
}
"""The only modules that may name a library."""

POTSIM_LIBRARIES = ("numpy", "asyncua", "pymodbus")
OTHER_LIBRARIES = ("fastapi", "prometheus_client", "pydantic", "scipy", "structlog", "uvicorn")

CORE_ORDER = (
    ("model", "units", "rules", "snapshot"),
    ("series",),
    ("rates", "humidity", "viscosity"),
    ("exposure", "wear", "dose", "soak", "tip", "tank", "storage", "forecast"),
    ("alarms", "phases", "excursions", "tracks", "charges", "warming", "readiness", "counting"),
    ("zone", "walk"),
    ("parts", "steps"),
    ("bins",),
    ("signs",),
    ("causes", "learned"),
    ("findings",),
    ("suspicions", "doubts"),
    ("diagnosis",),
    ("cell", "columns", "watch", "judging", "loads", "entries", "inquiry"),
    ("engine", "supply", "whatif"),
)
"""The core from bottom to top. A quantity stands below the machines, so it cannot import one."""

CORE_LEVELS = {name: level for level, names in enumerate(CORE_ORDER) for name in names}
FORBIDDEN_IN_CORE = ("open", "print", "input", "exec", "eval")
BY_NAME = ("__import__", "import_module")


@dataclass(frozen=True, slots=True)
class Import:
    """One imported module and the line that names it."""

    module: str
    line: int


def module_name(path: Path, package: str, folder: Path) -> str:
    """Dotted name of a source file."""
    parts = path.relative_to(folder).with_suffix("").parts
    return ".".join((package, *(part for part in parts if part != "__init__")))


@cache
def read_sources() -> Mapping[str, tuple[Path, str]]:
    """Path and text of each module of both packages."""
    return {
        module_name(path, package, folder): (path.relative_to(ROOT), path.read_text("utf-8"))
        for package, folder in PACKAGES.items()
        for path in sorted(folder.rglob("*.py"))
    }


def imports_of(tree: ast.Module, known: frozenset[str]) -> Iterator[Import]:
    """Absolute imports anywhere in a file, also those of a function or of a type checker.

    ``from a import b`` names the module a.b where there is one, else a.
    """
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, alias.lineno)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield Import(inner if inner in known else node.module, alias.lineno)


def lies_in(module: str, place: str) -> bool:
    """Whether a module is the place or lies in it."""
    return module == place or module.startswith(f"{place}.")


def broken_rule(module: str, imported: str) -> str | None:
    """The rule that an import breaks, None where it breaks none."""
    library = imported.partition(".")[0]
    if library in PACKAGES:
        return _broken_among_ours(module, imported)
    owners = OWNERS.get(library)
    if owners is not None and not any(lies_in(module, owner) for owner in owners):
        return f"only {' and '.join(owners)} may name {library}"
    if any(lies_in(module, room) for room in PURE_ROOMS):
        if library not in {*PURE_STANDARD_LIBRARY, "numpy"} or lies_in(imported, "numpy.random"):
            return "core and errors import only numpy and the pure standard library"
        if library == "numpy" and module == "watchedpot.errors":
            return "errors import nothing from outside the standard library"
    if lies_in(module, "potsim") and library in OTHER_LIBRARIES:
        return f"potsim imports only {', '.join(POTSIM_LIBRARIES)} and the standard library"
    return None


def _broken_among_ours(module: str, imported: str) -> str | None:
    """The same, for an import of a module of ours."""
    room = next(room for room in ROOMS if lies_in(module, room))
    allowed = ROOMS[room]
    if not any(lies_in(imported, place) for place in allowed):
        return f"{room} imports of ours {' and '.join(allowed) or 'nothing'}"
    if not (lies_in(module, "watchedpot.core") and lies_in(imported, "watchedpot.core")):
        return None
    above, below = (CORE_LEVELS.get(name.rpartition(".")[2]) for name in (module, imported))
    if module == "watchedpot.core" or above is None or below is None or below > above:
        return "core imports from bottom to top: " + " < ".join(map("/".join, CORE_ORDER))
    return None


def broken_calls(module: str, tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Lines that reach round the walls without an import of their own."""
    is_core = lies_in(module, "watchedpot.core")
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.level > 0:
            yield node.lineno, "imports are absolute"
        if isinstance(node, ast.Name) and is_core and node.id in FORBIDDEN_IN_CORE:
            yield node.lineno, f"core uses no {node.id}"
        if isinstance(node, ast.Attribute) and is_core and ast.unparse(node) == "np.random":
            yield node.lineno, "core knows no chance"
        if isinstance(node, ast.Name | ast.Attribute):
            name = node.id if isinstance(node, ast.Name) else node.attr
            if name in BY_NAME:
                yield node.lineno, "no import by a name made at run time"


@lru_cache(maxsize=256)
def look(
    module: str, path: Path, text: str, known: frozenset[str]
) -> tuple[tuple[str, ...], Mapping[str, int]]:
    """Violations of one file, and which modules of ours it imports in which line."""
    tree = ast.parse(text)
    imports = list(imports_of(tree, known))
    calls = tuple(f"{path}:{line}: {module}: {rule}" for line, rule in broken_calls(module, tree))
    walls = tuple(
        f"{path}:{item.line}: {module} imports {item.module}: {rule}"
        for item in imports
        if (rule := broken_rule(module, item.module))
    )
    return calls + walls, {item.module: item.line for item in imports if item.module in known}


def violations(sources: Mapping[str, tuple[Path, str]]) -> list[str]:
    """Every broken wall as ``file:line: what is there: the rule``."""
    known = frozenset(sources)
    seen = {module: look(module, path, text, known) for module, (path, text) in sources.items()}
    graph = {module: edges for module, (_, edges) in seen.items()}
    paths = {module: path for module, (path, _) in sources.items()}
    return [line for lines, _ in seen.values() for line in lines] + cycle(graph, paths)


def cycle(graph: Mapping[str, Mapping[str, int]], paths: Mapping[str, Path]) -> list[str]:
    """The first import cycle, with the line of each of its imports."""
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as exc:
        importers = exc.args[1][::-1]
        steps = [
            f"{paths[module]}:{graph[module][imported]} {module} imports {imported}"
            for module, imported in pairwise(importers)
        ]
        return [f"{'; '.join(steps)}: no import cycle"]
    return []


def test_every_import_keeps_to_the_walls() -> None:
    """No line of daemon or simulator breaks an import rule."""
    found = violations(read_sources())
    assert not found, "\n".join(found)


def test_the_order_of_the_core_names_the_modules_there_are() -> None:
    """Every module of the core has a place in the order, and every place has a module."""
    modules = {
        name.removeprefix("watchedpot.core.")
        for name in read_sources()
        if name.startswith("watchedpot.core.")
    }
    assert modules == set(CORE_LEVELS)


def test_both_packages_are_read() -> None:
    """The check sees the modules of both packages, so it cannot pass by seeing none."""
    names = read_sources()
    assert {"watchedpot.core.engine", "watchedpot.sources.opcua", "potsim.physics"} <= set(names)


def found_in(module: str, text: str) -> list[str]:
    """Violations of a module with this text, beside the real ones."""
    sources = {**read_sources(), module: (Path("given.py"), text)}
    return [line for line in violations(sources) if "given.py:" in line]


@pytest.mark.parametrize(
    ("module", "text", "expected"),
    [
        ("watchedpot.core.wear", "import asyncio", "given.py:1: .*pure standard library"),
        ("watchedpot.core.wear", "\nimport time", "given.py:2: .*pure standard library"),
        ("watchedpot.core.wear", "from datetime import UTC", "pure standard library"),
        ("watchedpot.core.wear", "import random", "pure standard library"),
        ("watchedpot.core.wear", "import logging", "pure standard library"),
        ("watchedpot.core.wear", "import os.path", "pure standard library"),
        ("watchedpot.core.wear", "from pathlib import Path", "pure standard library"),
        ("watchedpot.core.wear", "import pydantic", "pure standard library"),
        ("watchedpot.core.wear", "def f():\n    import time", "given.py:2: .*pure standard"),
        ("watchedpot.core.wear", "from numpy.random import default_rng", "pure standard library"),
        ("watchedpot.core.wear", "import numpy as np\nnp.random.rand()", "given.py:2: .*chance"),
        ("watchedpot.core.wear", "import sqlite3", "only watchedpot.outputs.ledger may name"),
        ("watchedpot.core.wear", "print(1)", "core uses no print"),
        ("watchedpot.core.wear", "def f():\n    return open('x')", "given.py:2: .*no open"),
        ("watchedpot.core.wear", "show = print", "core uses no print"),
        ("watchedpot.core.wear", "import watchedpot.core.alarms", "from bottom to top"),
        ("watchedpot.core.wear", "from watchedpot.core import phases", "from bottom to top"),
        ("watchedpot.core.model", "from watchedpot.core import series", "from bottom to top"),
        ("watchedpot.core.zone", "from watchedpot.core.engine import step", "bottom to top"),
        ("watchedpot.core.dose", "from watchedpot.core import charges", "from bottom to top"),
        ("watchedpot.core.charges", "from watchedpot.core.zone import ZonePlan", "bottom to top"),
        ("watchedpot.core.walk", "from watchedpot.core.watch import watch", "bottom to top"),
        ("watchedpot.core.new", "from watchedpot.core.model import Block", "bottom to top"),
        ("watchedpot.core", "from watchedpot.core.engine import step", "bottom to top"),
        ("watchedpot.core.wear", "from watchedpot.app.clock import Clock", "core imports of ours"),
        ("watchedpot.core.wear", "from .series import Series", "imports are absolute"),
        ("watchedpot.core.wear", "from watchedpot import core", "from bottom to top"),
        ("watchedpot.errors", "import numpy", "errors import nothing from outside"),
        ("watchedpot.errors", "from watchedpot.core import model", "of ours nothing"),
        ("watchedpot.sources.base", "from watchedpot.outputs import metrics", "sources imports of"),
        ("watchedpot.sources.base", "from watchedpot.app import clock", "sources imports of"),
        ("watchedpot.sources.base", "import watchedpot.app.clock", "sources imports of ours"),
        ("watchedpot.sources.base", "import asyncua", "only watchedpot.sources.opcua and"),
        ("watchedpot.sources.base", "from pymodbus import client", "only watchedpot.sources.mod"),
        ("watchedpot.sources.base", "__import__('asyncua')", "no import by a name"),
        ("watchedpot.sources.opcua", "import pymodbus", "only watchedpot.sources.modbus and"),
        ("watchedpot.outputs.metrics", "from watchedpot.sources import base", "outputs imports"),
        ("watchedpot.outputs.metrics", "from watchedpot.app import log", "outputs imports of"),
        ("watchedpot.outputs.metrics", "import sqlite3", "only watchedpot.outputs.ledger may"),
        ("watchedpot.outputs.wording", "import prometheus_client", "only watchedpot.outputs.met"),
        ("watchedpot.outputs.wording", "from fastapi import FastAPI", "only watchedpot.outputs.w"),
        ("watchedpot.app.daemon", "import uvicorn", "only watchedpot.outputs.web may name"),
        ("watchedpot.app.daemon", "import potsim.world", "app imports of ours watchedpot"),
        ("watchedpot.app.daemon", "import importlib\nimportlib.import_module(x)", "given.py:2: "),
        ("potsim.world", "from watchedpot.core import units", "potsim imports of ours potsim"),
        ("potsim.world", "import asyncua", "only watchedpot.sources.opcua and potsim.serve_opc"),
        ("potsim.world", "import pydantic", "potsim imports only numpy"),
        ("potsim.errors", "from potsim import world", "potsim.errors imports potsim.world.*cycle"),
    ],
)
def test_a_broken_wall_is_found(module: str, text: str, expected: str) -> None:
    """A line that breaks a rule is named with its file, its line and the rule."""
    with pytest.raises(AssertionError, match=expected):
        assert not (found := found_in(module, text)), "\n".join(found)


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("watchedpot.core.wear", "import math\nimport numpy as np\nfrom enum import Enum"),
        ("watchedpot.core.wear", "from watchedpot.core.series import Series"),
        ("watchedpot.core.wear", "from watchedpot.errors import DataError"),
        ("watchedpot.sources.opcua", "import asyncio\nfrom asyncua import Client"),
        ("watchedpot.sources.modbus", "from pymodbus.client import AsyncModbusTcpClient"),
        ("watchedpot.outputs.ledger.writer", "import sqlite3"),
        ("watchedpot.outputs.web.server", "import fastapi\nimport uvicorn"),
        ("watchedpot.app.log", "import structlog\nfrom importlib import metadata"),
        ("potsim.serve_opcua", "from asyncua import Server\nimport numpy"),
    ],
)
def test_an_allowed_import_is_no_violation(module: str, text: str) -> None:
    """What the walls allow is not reported."""
    assert found_in(module, text) == []


def test_a_cycle_is_named_with_each_of_its_lines() -> None:
    """An import cycle is reported step by step."""
    sources = {
        "potsim.one": (Path("one.py"), "import potsim.two"),
        "potsim.two": (Path("two.py"), "\ndef f():\n    from potsim import three"),
        "potsim.three": (Path("three.py"), "from potsim.one import x"),
    }
    (line,) = violations(sources)
    assert "one.py:1 potsim.one imports potsim.two" in line
    assert "two.py:3 potsim.two imports potsim.three" in line
    assert "three.py:1 potsim.three imports potsim.one" in line
    assert line.endswith("no import cycle")
