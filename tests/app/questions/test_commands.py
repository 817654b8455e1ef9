"""The commands as they are typed."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from app.questions.plant import iso, record, run
from watchedpot.errors import ConfigError

pytestmark = pytest.mark.usefixtures("_two_hours_ahead")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of the plant."""
    return record(tmp_path / "cell.ledger")


def test_suspects_are_printed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The sentence stands first, the caution last, and no line is too wide."""
    assert run("suspects", path, "--at", iso(700.0)) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("7 parts are suspect: housing_7 12, lens_4 5-9, lens_4 1; 3 quar")
    assert lines[-1].endswith("leave work on the cell to qualified people.")
    assert max(map(len, lines)) <= 100


def test_suspects_are_printed_for_programs(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JSON and CSV have the same ranges."""
    assert run("suspects", path, "--at", iso(700.0), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert run("suspects", path, "--at", iso(700.0), "--csv") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [int(row["first"]) for row in rows] == [one["first"] for one in told["ranges"]]
    assert rows[0]["charge"] == "51"


def test_suspects_are_chosen(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By time on this computer's clock or back from the asking, by cell, charge and verdict."""
    assert run("suspects", path, "--since", "2025-06-15T17:08:10", "--until", iso(130.0)) == 0
    assert capsys.readouterr().out.startswith("2 parts of lens_4 are suspect: 5-6;")
    assert run("suspects", path, "--at", iso(400.0), "--since", "5min", "--cell", "lens_4") == 0
    assert capsys.readouterr().out.startswith("6 parts of lens_4 are suspect: 5-9, 1;")
    assert run("suspects", path, "--charge", "52") == 0
    assert capsys.readouterr().out.startswith("1 part of lens_4 is suspect: 1;")
    assert run("suspects", path, "--all-verdicts") == 0
    assert "CLEAR       lens_4 1-4, 4 parts" in capsys.readouterr().out


def test_the_present_is_this_computers_or_the_records(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A record of accelerated time runs ahead: then its end is the present."""
    assert run("suspects", path, "--json") == 0
    assert json.loads(capsys.readouterr().out)["asked_at"] > "2026"
    monkeypatch.setattr("time.time_ns", lambda: 0)
    assert run("suspects", path, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["asked_at"] == "2025-06-15T15:26:39.000000007Z"
    assert told["reworkable"] == 0


def test_the_history_is_printed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As a table, as JSON and as CSV, some kinds of it or all."""
    assert run("history", path, "--kind", "counter,run") == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line[2:23] for line in lines if line[:2] == "  " and line[2].isdigit()] == [
        "17:06:40  run        ",
        "17:12:20  counter    ",
        "17:23:20  run        ",
    ]
    assert run("history", path, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert run("history", path, "--csv") == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["words"] for row in rows] == [row["words"] for row in told["rows"]]


def test_what_happened_before_is_printed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """How often, in all three forms."""
    assert run("history", path, "--like", "nozzle/low") == 0
    assert capsys.readouterr().out.startswith("2 times: excursion of nozzle at the low edge, on 1")
    assert run("history", path, "--like", "cold", "--json") == 0
    assert json.loads(capsys.readouterr().out)["count"] == 2
    assert run("history", path, "--like", "cold", "--csv") == 0
    assert len(capsys.readouterr().out.splitlines()) == 3


def test_readings_are_exported(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command says what it wrote; the name of the file can choose the form."""
    target = path.with_name("out.csv")
    span = ("--from", iso(0.0), "--to", iso(60.0))
    assert run("export", path, *span, "-o", target, "--zones") == 0
    assert capsys.readouterr().out == f"{target}: 60 rows of 2 channels of lens_4\n"
    pytest.importorskip("pyarrow", reason="this machine cannot: no pyarrow")
    for name, options in (("out.parquet", ()), ("out.bin", ("--format", "parquet"))):
        assert run("export", path, *span, "-o", path.with_name(name), *options) == 0
        assert path.with_name(name).read_bytes().startswith(b"PAR1")
    assert run("export", path, *span, "-o", path.with_name("b.parquet"), "--format", "csv") == 0
    assert path.with_name("b.parquet").read_bytes().startswith(b"time_utc,source")


@pytest.mark.parametrize(
    ("arguments", "fault"),
    [
        (("suspects", "--since", "yesterday"), "expected a time such as 2026-11-25T06:00"),
        (("history", "--kind", "alarm,weather"), "expected some of phase, production"),
        (("history", "--like", "weather"), "expected one of cold"),
        (("export", "--from", "1h"), "required: --to"),
        (("suspects", "--json", "--csv"), "not allowed with"),
    ],
)
def test_arguments_that_cannot_be_used_are_told(
    path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], fault: str
) -> None:
    """The exit code is that of arguments, and the message says what is expected."""
    name, *options = arguments
    with pytest.raises(SystemExit) as caught:
        run(name, path, *options)
    assert caught.value.code == 2
    assert fault in capsys.readouterr().err


def test_a_span_that_ends_before_it_begins_is_refused(path: Path) -> None:
    """Nothing could lie in it."""
    with pytest.raises(ConfigError, match="expected an end after the beginning"):
        run("suspects", path, "--since", "1h", "--until", "2h")


def test_a_reader_that_has_seen_enough_ends_it_quietly(path: Path) -> None:
    """A closed pipe is no error."""
    code = (
        "import sys; from app.questions.plant import run;"
        " sys.exit(run('history', sys.argv[1], '--json'))"
    )
    ends = os.pipe()
    os.close(ends[0])
    with os.fdopen(ends[1], "wb") as closed:
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)],
            stdout=closed,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            timeout=15,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, b"")


def test_the_commands_load_nothing_heavy() -> None:
    """Help comes before numpy does."""
    code = (
        "import sys, argparse; from watchedpot.app.questions import add_parser;"
        " add_parser(argparse.ArgumentParser().add_subparsers());"
        " sys.exit(bool({'numpy', 'sqlite3', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        timeout=15,
        check=False,
    )
    assert done.returncode == 0
