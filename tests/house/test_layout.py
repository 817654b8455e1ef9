"""The shape of the repository: names, scripts, service, licence, and what conftest promises."""

from __future__ import annotations

import ast
import configparser
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TESTS = ROOT / "tests"
FOLDERS = ("daemon", "simulator", "deploy", "tests")
EMPTY_NAMES = {"utils", "util", "common", "helpers", "helper", "misc", "manager"}
SLEEPS = ("asyncio.sleep", "time.sleep", "sleep")
WAITING_ROOMS = ("integration", "soak", "bench", "browser", "support")
"""Where a test may take real time; ``support`` holds what they share."""
NOISE = {
    "an unfinished thought": re.compile(r"#.*\b(?:TODO|FIXME|XXX)\b"),
    "a section banner": re.compile(r"^\s*#\s*[-=#*~]{3,}"),
}


def python_files() -> list[Path]:
    """All Python files of the repository."""
    return sorted(path for folder in FOLDERS for path in (ROOT / folder).rglob("*.py"))


def test_every_module_is_named_for_what_it_holds() -> None:
    """No file or folder has a name that could hold anything."""
    found = [
        str(path.relative_to(ROOT))
        for path in python_files()
        if EMPTY_NAMES & {part.removesuffix(".py") for part in path.relative_to(ROOT).parts}
    ]
    assert not found, "\n".join(found)


def noise(text: str) -> Iterator[tuple[int, str]]:
    """Line and kind of comments that do not say why."""
    for number, line in enumerate(text.splitlines(), start=1):
        for kind, pattern in NOISE.items():
            if pattern.search(line):
                yield number, kind


def test_comments_say_why() -> None:
    """No banner divides a file and no comment puts work off."""
    found = [
        f"{path.relative_to(ROOT)}:{line}: {kind}"
        for path in python_files()
        if path != Path(__file__)
        for line, kind in noise(path.read_text("utf-8"))
    ]
    assert not found, "\n".join(found)


def test_noise_is_found() -> None:
    """A banner and a note of work to be done are seen with their lines."""
    text = "x = 1  # why\n# ---- edges ----\ny = 2  # TODO: more\n"
    assert list(noise(text)) == [(2, "a section banner"), (3, "an unfinished thought")]


def sleeps(node: ast.AST) -> Iterator[int]:
    """Lines that wait in real time outside of what is marked as an integration test.

    A sleep of 0 only lets other tasks run.
    """
    marks: list[ast.expr] = []
    if isinstance(node, ast.Module):
        marks = [item.value for item in node.body if isinstance(item, ast.Assign)]
    elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        marks = node.decorator_list
    if any("pytest.mark.integration" in ast.unparse(mark) for mark in marks):
        return
    if (
        isinstance(node, ast.Call)
        and ast.unparse(node.func) in SLEEPS
        and [ast.unparse(argument) for argument in node.args] != ["0"]
    ):
        yield node.lineno
    for child in ast.iter_child_nodes(node):
        yield from sleeps(child)


VIRTUAL_TIME: Mapping[str, str] = {
    "tests/sources/test_base.py": "its loop jumps to the next timer, so a sleep takes no time",
    "tests/sources/test_link.py": "the same",
    "tests/outputs/web/test_live.py": "the same",
}
"""Files whose sleeps are not real, each with its reason."""


def test_only_integration_tests_wait() -> None:
    """Outside the integration tests no test waits in real time."""
    found = [
        f"{path.relative_to(ROOT)}:{line}"
        for path in sorted(TESTS.rglob("*.py"))
        if path.relative_to(TESTS).parts[0] not in WAITING_ROOMS
        and path.relative_to(ROOT).as_posix() not in VIRTUAL_TIME
        for line in sleeps(ast.parse(path.read_text("utf-8")))
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("name", VIRTUAL_TIME)
def test_a_file_in_virtual_time_still_sleeps(name: str) -> None:
    """An exception from the rule is still needed."""
    assert list(sleeps(ast.parse((ROOT / name).read_text("utf-8"))))


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("await asyncio.sleep(0)\nawait asyncio.sleep(0.1)\ntime.sleep(t)", [2, 3]),
        ("def test_it():\n    def wait():\n        time.sleep(1)", [3]),
        ("@pytest.mark.integration\ndef test_it():\n    time.sleep(1)\ntime.sleep(2)", [4]),
        ("pytestmark = pytest.mark.integration\ntime.sleep(1)", []),
    ],
)
def test_a_sleep_is_found(text: str, lines: list[int]) -> None:
    """A real wait is seen with its line, unless it is part of an integration test."""
    assert list(sleeps(ast.parse(text))) == lines


@pytest.mark.parametrize(
    ("shell", "script"),
    [("sh", "tests/run.sh"), ("sh", "deploy/environment.sh"), ("bash", ".ci/run")],
)
def test_a_script_can_be_parsed(shell: str, script: str) -> None:
    """Its shell understands each script."""
    subprocess.run([shell, "-n", script], cwd=ROOT, check=True)


def test_the_package_names_its_licence() -> None:
    """The licence that the package declares is the one in the repository."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    (name,) = project["license-files"]
    assert (ROOT / name).read_text("utf-8").startswith(f"{project['license']} License\n")


def test_the_service_is_confined() -> None:
    """The service may write only its state folder, gains no privileges and ends on SIGTERM."""
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read(ROOT / "deploy" / "watchedpot.service", "utf-8")
    service = unit["Service"]
    expected = {
        "Type": "exec",
        "DynamicUser": "yes",
        "StateDirectory": "watchedpot",
        "NoNewPrivileges": "yes",
        "ProtectSystem": "strict",
        "RestrictAddressFamilies": "AF_INET AF_INET6 AF_UNIX",
        "Restart": "on-failure",
        "KillSignal": "SIGTERM",
    }
    assert {key: service.get(key) for key in expected} == expected
    assert "ReadWritePaths" not in service


TRIAL = '''
"""A file to try conftest with."""

import random

import pytest
from hypothesis import given, strategies as st


@pytest.mark.integration
def test_slow():
    print("ran slow")


def test_quick():
    print("ran quick")


@pytest.mark.skip(reason="no wish to")
def test_lazy():
    pass


def test_lazy_inside():
    pytest.skip("no wish to")


def test_excused():
    pytest.skip("this machine cannot: hear")


@pytest.mark.xfail
def test_known():
    assert False


@given(st.integers(0, 10**9))
def test_drawn(number):
    print("drew", number)


def test_data(datasets):
    print("data in", datasets)
'''


ABSENT = "import pytest\npytest.skip('no library', allow_module_level=True)\n"


def try_conftest(folder: Path, text: str, **changes: str) -> str:
    """What pytest says of a test file under the conftest of the repository."""
    shutil.copy(TESTS / "conftest.py", folder)
    (folder / "pytest.ini").write_text("[pytest]\nmarkers = integration\n", "utf-8")
    (folder / "test_trial.py").write_text(text, "utf-8")
    answer = subprocess.run(
        [sys.executable, "-m", "pytest", "-sv", "-p", "no:cacheprovider", "-p", "no:asyncio"],
        cwd=folder,
        env={name: os.environ[name] for name in os.environ if name[:6] != "PYTEST"}
        | {"COLUMNS": "200"}
        | changes,
        capture_output=True,
        text=True,
        check=False,
    )
    return answer.stdout + answer.stderr


def closing_line(report: str) -> str:
    """The counts, without the time taken."""
    return re.sub(r" in [^ ]*s\b.*", "", report.strip().splitlines()[-1].strip("= "))


def test_a_skip_needs_an_excuse_in_ci_only(tmp_path: Path) -> None:
    """In CI a skip fails unless the machine is the reason, elsewhere a skip is a skip."""
    in_ci = try_conftest(tmp_path, TRIAL, CI="true", WATCHEDPOT_DATASETS=str(tmp_path))
    assert closing_line(in_ci) == "1 failed, 4 passed, 1 skipped, 1 xfailed, 1 error"
    reason = "skipped in CI (Skipped: no wish to); allowed only as 'this machine"
    assert f"ERROR test_trial.py::test_lazy - {reason}" in in_ci
    assert f"FAILED test_trial.py::test_lazy_inside - {reason}" in in_ci
    none = str(tmp_path / "none")
    elsewhere = try_conftest(tmp_path, TRIAL, CI="", WATCHEDPOT_DATASETS=none)
    assert closing_line(elsewhere) == "3 passed, 4 skipped, 1 xfailed"
    assert f"no data sets in {none}" in elsewhere
    for report in (in_ci, elsewhere):
        assert report.index("ran quick") < report.index("ran slow")
    drawn = re.compile(r"drew \d+")
    assert len(drawn.findall(in_ci)) > 50
    assert drawn.findall(in_ci) == drawn.findall(elsewhere)


def test_a_skipped_file_needs_an_excuse_in_ci(tmp_path: Path) -> None:
    """In CI a file that skips itself as a whole is an error."""
    report = try_conftest(tmp_path, ABSENT, CI="true")
    assert closing_line(report).startswith("1 error")
    assert "skipped in CI (Skipped: no library)" in report
