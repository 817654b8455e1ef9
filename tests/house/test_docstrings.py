"""Docstrings: units and sources of the quantities, a fact in each test, a use for each file."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
QUANTITIES = tuple(
    ROOT / "daemon" / "watchedpot" / "core" / f"{name}.py"
    for name in (
        *("units", "series", "rates", "exposure", "wear", "dose", "soak", "tip", "tank"),
        *("viscosity", "humidity", "storage", "supply", "whatif", "forecast"),
    )
)
FOLDERS = ("daemon", "simulator", "deploy", "tests")

Function = ast.FunctionDef | ast.AsyncFunctionDef

UNIT = re.compile(r"\[[^\[\]]+\]$")
SHAPE = re.compile(r"\(n[^()]*\)|shape of")
ARRAY = re.compile(r"\barrays?\b")
NUMBER = re.compile(r"\b(?:float|int|bool|arrays?)\b")
SECOND_SENTENCE = re.compile(r"[.!?]\s+[A-Z]")


def sections(docstring: str) -> Mapping[str, str]:
    """The numpydoc sections of a docstring by their titles."""
    parts = re.split(r"^(\S.*)\n-{3,}$", docstring, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def entries(section: str) -> Iterator[tuple[str, str]]:
    """Head line and text of each entry of a Parameters or Returns section."""
    for part in re.split(r"\n(?=\S)", section.strip("\n")):
        head, _, text = part.partition("\n")
        yield head.strip(), " ".join(text.split())


def argument_names(function: Function) -> list[str]:
    """The arguments in their order."""
    arguments = function.args
    return [item.arg for item in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]


def missing_in_quantity(function: Function) -> Iterator[str]:
    """What the docstring of a quantity's function does not say."""
    found = sections(ast.get_docstring(function) or "")
    if argument_names(function) and "Parameters" not in found:
        yield "no Parameters"
    returns_nothing = function.returns is None or ast.unparse(function.returns) == "None"
    if not returns_nothing and "Returns" not in found:
        yield "no Returns"
    if not found.get("Source", "").strip():
        yield "no Source"
    documented = [head.partition(" : ")[0] for head, _ in entries(found.get("Parameters", ""))]
    names = [name.strip() for heads in documented for name in heads.split(",") if name.strip()]
    if "Parameters" in found and names != argument_names(function):
        yield f"Parameters are {names}, the arguments {argument_names(function)}"
    yield from missing_in_entries(found)


def missing_in_entries(found: Mapping[str, str]) -> Iterator[str]:
    """Numbers without a unit and arrays without a shape.

    An object of ours carries the units of its numbers in its own docstring.
    """
    for title in {"Parameters", "Returns"} & set(found):
        for head, text in entries(found[title]):
            name, _, kind = head.rpartition(" : ")
            if NUMBER.search(kind) and not UNIT.search(text):
                yield f"{title}: {name or kind} does not end in a unit in brackets"
            if ARRAY.search(kind) and not SHAPE.search(kind):
                yield f"{title}: {name or kind} has no shape"
            if not text:
                yield f"{title}: {name or kind} is not described"


def quantity_faults(text: str, path: Path) -> list[str]:
    """Faults of the public functions of a quantity module, each with file and line."""
    return [
        f"{path}:{function.lineno}: {function.name}: {fault}"
        for function in ast.parse(text).body
        if isinstance(function, Function) and not function.name.startswith("_")
        for fault in missing_in_quantity(function)
    ]


def facts(tree: ast.Module) -> Iterator[Function]:
    """The test functions of a file, also those in classes."""
    for node in ast.walk(tree):
        if isinstance(node, Function) and node.name.startswith("test_"):
            yield node


def fact_fault(function: Function) -> str | None:
    """What is wrong with the docstring of a test, None if it states a fact in one sentence.

    Further paragraphs may say where the expected values are from.
    """
    docstring = ast.get_docstring(function)
    if not docstring:
        return "no docstring"
    sentence = " ".join(docstring.split("\n\n")[0].split())
    if not sentence.endswith("."):
        return "the first paragraph does not end in a full stop"
    if SECOND_SENTENCE.search(sentence):
        return "the first paragraph is more than one sentence"
    return None


def files(*folders: str) -> list[Path]:
    """Python files of the folders."""
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


@pytest.mark.parametrize("path", QUANTITIES, ids=lambda path: path.stem)
def test_every_quantity_says_its_units_shapes_and_source(path: Path) -> None:
    """Each public function of a quantity module has units, shapes and a source."""
    faults = quantity_faults(path.read_text("utf-8"), path.relative_to(ROOT))
    assert not faults, "\n".join(faults)


def test_every_test_states_a_fact_in_one_sentence() -> None:
    """Each test function has a docstring that opens with one sentence."""
    tests = [
        (path, function)
        for path in files("tests")
        if path.name.startswith("test_")
        for function in facts(ast.parse(path.read_text("utf-8")))
    ]
    faults = [
        f"{path.relative_to(ROOT)}:{function.lineno}: {function.name}: {fault}"
        for path, function in tests
        if (fault := fact_fault(function))
    ]
    assert tests
    assert not faults, "\n".join(faults)


def test_every_file_says_what_it_is_for() -> None:
    """Each Python file opens with a docstring."""
    bare = [
        str(path.relative_to(ROOT))
        for path in files(*FOLDERS)
        if not ast.get_docstring(ast.parse(path.read_text("utf-8")))
    ]
    assert not bare, "\n".join(bare)


WHOLE = '''
def rate(temp_c: NDArray[np.float64], *, ref_c: float) -> NDArray[np.float64]:
    """Speed of ageing.

    Parameters
    ----------
    temp_c : (n,) array
        Temperature, nan where
        unknown. [degC]
    ref_c : float
        Where the rate is 1. [degC]

    Returns
    -------
    rate : (n,) array
        Ageing per second. [1]

    Source
    ------
    Arrhenius.
    """
'''


def test_a_whole_docstring_has_no_fault() -> None:
    """Units, shapes and a source are all that is asked for."""
    assert quantity_faults(WHOLE, Path("given.py")) == []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("unknown. [degC]", "unknown.", "Parameters: temp_c does not end in a unit"),
        ("is 1. [degC]", "is [degC] 1.", "Parameters: ref_c does not end in a unit"),
        ("second. [1]", "second.", "Returns: rate does not end in a unit"),
        ("temp_c : (n,) array", "temp_c : array", "Parameters: temp_c has no shape"),
        ("rate : (n,) array", "array", "Returns: array has no shape"),
        ("        Ageing per second. [1]\n", "", "Returns: rate is not described"),
        ("Arrhenius.", "", "no Source"),
        ("Source\n    ------\n", "", "no Source"),
        ("Returns\n    -------\n", "", "no Returns"),
        ("Parameters\n    ----------\n", "", "no Parameters"),
        ("ref_c : float", "reference_c : float", "Parameters are ['temp_c', 'reference_c']"),
    ],
)
def test_a_gap_in_a_docstring_is_found(old: str, new: str, fault: str) -> None:
    """Whatever a docstring leaves out is reported with file and line."""
    text = WHOLE.replace(old, new)
    assert text != WHOLE
    assert any(
        line.startswith(f"given.py:2: rate: {fault}")
        for line in quantity_faults(text, Path("given.py"))
    )


@pytest.mark.parametrize(
    ("docstring", "fault"),
    [
        ("A steady hour is an hour.", None),
        ("Between 3.5 s and 4 s, e.g. here, nothing\n    is lost.", None),
        ("Half an hour is half the dose.\n\n    Source: definition. By hand.", None),
        ("", "no docstring"),
        ("A steady hour is an hour", "does not end in a full stop"),
        ("It stands. Then it moves.", "more than one sentence"),
    ],
)
def test_a_test_without_a_fact_is_found(docstring: str, fault: str | None) -> None:
    """A test's docstring that is missing, open or too long is reported."""
    (function,) = facts(ast.parse(f'async def test_it():\n    """{docstring}"""\n'))
    found = fact_fault(function)
    assert found is None if fault is None else fault in (found or "")
