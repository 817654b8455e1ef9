"""Readings as a table."""

from __future__ import annotations

import csv
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.questions.plant import CHANNELS, configuration, instant_ns, polls, record
from outputs.ledger.samples import modbus_block, recording
from watchedpot.app.questions import export
from watchedpot.app.questions.export import Question, Written
from watchedpot.core.model import Block
from watchedpot.errors import LedgerError, WatchedpotError
from watchedpot.outputs.ledger.record import Batch


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of the plant."""
    return record(tmp_path / "cell.ledger")


def exported(
    path: Path, from_s: float, to_s: float, *, form: str = "csv", **options: Any
) -> tuple[Written, Path]:
    """A span of a ledger as a file."""
    target = path.with_name(f"out.{form}")
    question = Question(instant_ns(from_s), instant_ns(to_s), **options)
    return export.export(path, question, target, form=form), target


def table(target: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Names and rows of a CSV."""
    with target.open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        rows = list(reader)
    return list(reader.fieldnames or ()), rows


def test_a_row_is_what_one_poll_saw(path: Path) -> None:
    """Time to the nanosecond, values with their unit in the heading, quality and reason."""
    written, target = exported(path, 10.0, 12.0)
    names, rows = table(target)
    assert written == Written(2, 3, ("lens_4",))
    assert names == [
        *("time_utc", "source", "lens_4/nozzle/temperature [degC]"),
        *("lens_4/nozzle/temperature quality", "lens_4/nozzle/temperature reason"),
        *("lens_4/nozzle/output [%]", "lens_4/nozzle/output quality"),
        *("lens_4/nozzle/output reason", "lens_4/parts"),
        *("lens_4/parts quality", "lens_4/parts reason"),
    ]
    assert rows[0] == dict(
        zip(
            names,
            [
                "2025-06-15T15:06:50.000000007Z",
                "lens_4",
                "118.3",
                "good",
                "",
                "21.5",
                "good",
                "",
                "41010",
                "good",
                "",
            ],
            strict=True,
        )
    )


def test_a_bad_reading_is_empty_and_says_why(path: Path) -> None:
    """Its number is not told, its quality and reason are."""
    _, target = exported(path, 200.0, 201.0)
    _, (row,) = table(target)
    assert row["lens_4/nozzle/temperature [degC]"] == ""
    assert row["lens_4/nozzle/temperature quality"] == "bad"
    assert row["lens_4/nozzle/temperature reason"] == "implausible"
    assert row["lens_4/nozzle/output [%]"] == "21.5"


def test_the_span_begins_with_its_first_moment(path: Path) -> None:
    """The first moment is included and the last one is not; a gap has no rows."""
    exact = Question(instant_ns(10.0) + 7, instant_ns(12.0) + 7)
    assert export.export(path, exact, path.with_name("out.csv"), form="csv").rows == 2
    assert exported(path, 398.0, 1001.0)[0].rows == 3


def test_every_value_reads_back_the_same(path: Path) -> None:
    """The text of a number is exact, and nothing is lost between blocks and tail."""
    _, target = exported(path, 0.0, 400.0)
    _, rows = table(target)
    expected = polls(0, 400).value
    good = [second for second in range(400) if second != 200]
    for column, name in enumerate(
        ("lens_4/nozzle/temperature [degC]", "lens_4/nozzle/output [%]", "lens_4/parts")
    ):
        found = [float(rows[second][name]) for second in good]
        assert found == expected[good, column].tolist()


def two_sources(path: Path) -> Path:
    """A ledger of lens_4 and of housing_7, polled in turn."""
    with recording(path, config=configuration()) as recorder:
        recorder.write([Batch((polls(0, 30), modbus_block(30)))])
    return path


def test_rows_of_sources_come_in_order_of_time(tmp_path: Path) -> None:
    """The columns of the other source are empty, its quality too."""
    written, target = exported(two_sources(tmp_path / "cell.ledger"), -1.0, 100.0)
    names, rows = table(target)
    assert written == Written(60, 15, ("housing_7", "lens_4"))
    times = [row["time_utc"] for row in rows]
    assert times == sorted(times)
    assert {row["source"] for row in rows[:2]} == {"lens_4", "housing_7"}
    for row in rows:
        others = [name for name in names[2:] if not name.startswith(row["source"])]
        assert {row[name] for name in others} == {""}
        assert row[f"{row['source']}/{'parts' if row['source'] == 'lens_4' else 'zone_0/signal_0'}"]


def test_cell_source_and_zones_choose_columns(tmp_path: Path) -> None:
    """Only rows and columns that were asked for are written."""
    path = two_sources(tmp_path / "cell.ledger")
    assert exported(path, 0.0, 100.0, cell="lens_4")[0] == Written(30, 3, ("lens_4",))
    assert exported(path, 0.0, 100.0, source="housing_7")[0] == Written(30, 12, ("housing_7",))
    zones, target = exported(path, 0.0, 100.0, cell="lens_4", is_of_zones=True)
    assert zones == Written(30, 2, ("lens_4",))
    assert "lens_4/parts" not in table(target)[0]


def test_a_span_without_readings_is_no_table(path: Path) -> None:
    """The message tells the span, and no file is left."""
    with pytest.raises(LedgerError, match="expected readings from 2025-06-15T15:16:40"):
        exported(path, 600.0, 700.0)
    assert not path.with_name("out.csv").exists()


def test_rows_of_a_stepped_clock_are_held_against_the_span(tmp_path: Path) -> None:
    """A row whose own time lies outside is left out, also between others that are inside."""
    path = tmp_path / "cell.ledger"
    block = polls(0, 5)
    stepped = np.array(block.seen_ns)
    stepped[2] += 3600 * 10**9
    columns = {name: getattr(block, name) for name in block.__slots__}
    with recording(path, config=configuration()) as recorder:
        recorder.write([Batch((Block(**(columns | {"seen_ns": stepped})),))])
    assert exported(path, 0.0, 10.0)[0].rows == 4


def test_channels_that_change_meanwhile_stop_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is written rather than a table without the new channel."""
    monkeypatch.setattr(export, "channels", lambda *_: {"lens_4": list(CHANNELS[:1])})
    with pytest.raises(LedgerError, match="channels changed while the ledger was read"):
        exported(path, 0.0, 10.0)
    assert [each.name for each in path.parent.glob("*out*")] == []


def test_a_folder_that_is_not_there_is_told(path: Path) -> None:
    """The message names the file and the reason."""
    target = path.parent / "none" / "out.csv"
    question = Question(instant_ns(0.0), instant_ns(5.0))
    with pytest.raises(WatchedpotError, match="expected a file that can be written, got: No such"):
        export.export(path, question, target, form="csv")


def test_an_older_file_stays_until_the_new_one_is_whole(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What fails in the middle leaves the file as it was."""
    target = path.with_name("out.csv")
    target.write_text("old", encoding="utf-8")
    monkeypatch.setattr(export, "iso", lambda _: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        exported(path, 0.0, 5.0)
    assert target.read_text(encoding="utf-8") == "old"
    assert [each.name for each in path.parent.glob(".out*")] == []


def test_memory_does_not_grow_with_the_span(tmp_path: Path) -> None:
    """Eight times as many rows need no more than twice the memory at its highest."""
    path = tmp_path / "cell.ledger"
    with recording(path, config=configuration(), rows_per_block=250) as recorder:
        for hundred in range(0, 4000, 500):
            recorder.write([Batch((polls(hundred, 500),))])
    exported(path, 0.0, 10.0)
    peaks = []
    for to_s in (500.0, 4000.0):
        tracemalloc.start()
        exported(path, 0.0, to_s)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 2 * peaks[0]


def test_parquet_has_the_same_table(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Times are timestamps in UTC, values are numbers, what is not good is null."""
    parquet = pytest.importorskip("pyarrow.parquet", reason="this machine cannot: no pyarrow")
    monkeypatch.setattr(export, "ROWS_PER_GROUP", 7)
    written, target = exported(path, 190.0, 210.0, form="parquet")
    found = parquet.read_table(target)
    assert written == Written(20, 3, ("lens_4",))
    assert str(found.schema.field("time_utc").type) == "timestamp[ns, tz=UTC]"
    columns = found.to_pydict()
    temps = columns["lens_4/nozzle/temperature [degC]"]
    assert [place for place, temp_c in enumerate(temps) if temp_c is None] == [10]
    assert columns["lens_4/nozzle/temperature reason"][10] == "implausible"
    assert columns["lens_4/parts"] == [41190.0 + second for second in range(20)]
    stamps = found.column("time_utc").cast("int64").to_pylist()
    assert stamps[0] == instant_ns(190.0) + 7


def test_parquet_without_its_library_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message says what to install and what works without it."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(WatchedpotError) as caught:
        exported(path, 0.0, 10.0, form="parquet")
    assert str(caught.value) == (
        "--format parquet: expected the library pyarrow, it is not installed; nothing was"
        " written; install watchedpot[parquet], or export CSV"
    )
