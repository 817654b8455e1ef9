"""The command: which span, which cell, what is written."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from outputs.report import sample
from outputs.report.reading import words_of
from outputs.report.sample import at
from watchedpot.app import report
from watchedpot.errors import ConfigError, LedgerError, WatchedpotError
from watchedpot.outputs.ledger import Batch


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample of the report's own tests."""
    made: Path = tmp_path_factory.mktemp("report") / "sample.ledger"
    sample.write(made)
    return made


def options(*arguments: str | Path) -> argparse.Namespace:
    """What the parser makes of arguments."""
    parser = argparse.ArgumentParser()
    report.add_parser(parser.add_subparsers())
    return parser.parse_args(["report", *map(str, arguments), "-o", "out.html"])


def made(*arguments: str | Path) -> str:
    """What is to be read on the page, made an hour after the begin of the sample."""
    return words_of(report.report(options(*arguments), made_ns=at(3600).utc_ns, tz=UTC))


@pytest.mark.parametrize(
    ("arguments", "span"),
    [
        (("--shift",), "2026-11-24 22:19:59+00:00 to 2026-11-25 06:19:59+00:00"),
        (
            ("--shift", "2026-11-25T06:00Z"),
            "2026-11-25 06:00:00+00:00 to 2026-11-25 14:00:00+00:00",
        ),
        (("--charge", "41"), "2026-11-25 06:00:01+00:00 to 2026-11-25 06:00:50+00:00"),
        (("--charge", "42"), "2026-11-25 06:00:50+00:00 to 2026-11-25 06:19:59+00:00"),
        (
            ("--from", "2026-11-25T07:05+01:00", "--to", "2026-11-25T06:10:00Z"),
            "2026-11-25 06:05:00+00:00 to 2026-11-25 06:10:00+00:00",
        ),
    ],
)
def test_a_span_is_asked_for_in_one_of_three_ways(
    path: Path, arguments: tuple[str, ...], span: str
) -> None:
    """The last shift ends with the newest record, a charge with the next or with it."""
    assert span in made(path, *arguments)


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("--shift", "--charge", "41"),
        ("--from", "2026-11-25T06:00"),
        ("--to", "2026-11-25T06:00"),
        ("--shift", "--from", "2026-11-25T06:00", "--to", "2026-11-25T07:00"),
    ],
)
def test_anything_else_is_refused(path: Path, arguments: tuple[str, ...]) -> None:
    """None, two, or half of one."""
    with pytest.raises(ConfigError, match="expected one of --shift, --charge ID, or --from T --to"):
        made(path, *arguments)


def test_a_span_has_a_length(path: Path) -> None:
    """Begin and end in order."""
    with pytest.raises(ConfigError, match="--to: expected a time after --from"):
        made(path, "--from", "2026-11-25T06:00Z", "--to", "2026-11-25T06:00Z")


def test_what_is_no_time_is_refused(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By the parser, with an example."""
    with pytest.raises(SystemExit):
        made(path, "--shift", "yesterday")
    assert "expected a time such as 2026-11-25T06:00" in capsys.readouterr().err


def test_times_can_say_how_long_ago(path: Path) -> None:
    """Counted from when the report is made, at 07:00."""
    text = made(path, "--from", "1h", "--to", "30min")
    assert "2026-11-25 06:00:00+00:00 to 2026-11-25 06:30:00+00:00" in text


def test_a_charge_that_is_not_known_is_refused(path: Path) -> None:
    """With those there are."""
    with pytest.raises(LedgerError, match="the newest charges are: 41, 42"):
        made(path, "--charge", "77")


def test_of_several_cells_one_must_be_named(tmp_path: Path) -> None:
    """The names are told; a single cell needs no name."""
    path = tmp_path / "two.ledger"
    other = replace(sample.RULES, id="lens_5")
    config = sample.config_text(sample.RULES, other)
    sample.record(path, Batch((sample.readings(),), ()), config=config)
    with pytest.raises(ConfigError, match="--cell: expected one of lens_4, lens_5"):
        made(path, "--shift")
    assert "Report on cell lens_5" in made(path, "--shift", "--cell", "lens_5")


def test_a_ledger_without_cells_is_refused(tmp_path: Path) -> None:
    """Its configuration names none."""
    path = tmp_path / "none.ledger"
    sample.record(path, Batch((sample.readings(),), ()), config="poll_period_s = 1.0")
    with pytest.raises(ConfigError, match="knows no cell"):
        made(path, "--shift")


def test_an_empty_ledger_is_refused(tmp_path: Path) -> None:
    """Nothing was ever recorded."""
    path = tmp_path / "empty.ledger"
    sample.record(path, config=sample.config_text(sample.RULES))
    with pytest.raises(LedgerError, match="expected readings, got an empty ledger"):
        made(path, "--shift", "--cell", "lens_4")


def test_units_are_asked_for(path: Path) -> None:
    """Degrees Celsius by default."""
    assert "112.0 °C" in made(path, "--shift")
    assert "233.6 °F" in made(path, "--shift", "--imperial")


def test_a_span_of_days_has_dated_times(path: Path) -> None:
    """A time of day alone would not say which day."""
    text = made(path, "--from", "2026-11-23T06:00Z", "--to", "2026-11-26T06:00Z")
    assert "from 11-25 06:10:00 to 11-25 06:11:00" in text


def test_the_page_is_written(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One file, whose size is told."""
    asked = options(path, "--shift")
    asked.output = tmp_path / "shift.html"
    assert asked.command(asked) == 0
    assert asked.output.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert "shift.html: 0." in capsys.readouterr().out


def test_a_file_that_cannot_be_written_is_told(path: Path, tmp_path: Path) -> None:
    """Not as a traceback."""
    asked = options(path, "--shift")
    asked.output = tmp_path / "nowhere" / "shift.html"
    with pytest.raises(WatchedpotError, match="expected a file that can be written"):
        asked.command(asked)


def test_a_changed_limit_stands_in_the_report(tmp_path: Path) -> None:
    """The second run has a narrower window of the nozzle: old, new, and when."""
    path, whole = tmp_path / "changed.ledger", sample.readings()
    nozzle = replace(sample.RULES.zones[1], low_c=116.5)
    narrow = replace(sample.RULES, zones=(sample.RULES.zones[0], nozzle))
    for begin, rules in ((0, sample.RULES), (600, narrow), (900, narrow)):
        batch = Batch((whole.rows(begin, begin + 100),), ())
        sample.record(path, batch, config=sample.config_text(rules), begin=at(begin))
    (found,) = report.changes(path, "lens_4")
    name = "cells.lens_4.zones.nozzle.window_low_c"
    assert (found.at_ns, found.what) == (at(600).utc_ns, name)
    assert (found.old, found.new, found.file) == ("115", "116.5", "")
    assert f"{name} 115 116.5" in made(path, "--shift")


def test_changes_of_other_cells_are_theirs(tmp_path: Path) -> None:
    """A cell that came later is no change of this one."""
    path, other = tmp_path / "two.ledger", replace(sample.RULES, id="lens_5")
    for begin, cells in ((0, (sample.RULES,)), (600, (sample.RULES, other))):
        batch = Batch((sample.readings().rows(begin, begin + 100),), ())
        sample.record(path, batch, config=sample.config_text(*cells), begin=at(begin))
    assert report.changes(path, "lens_4") == ()
    assert report.changes(path, "lens_5") != ()
