"""A logger's CSV: every form that is read, what is said of it, and every refusal with its line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from watchedpot.app.entry.logger_csv import (
    DayOrder,
    LoggerFileError,
    LoggerRecord,
    Unit,
    read_logger,
)
from watchedpot.core.storage import stored

ISO = """\
time,temperature (°C)
2026-03-01T06:00:00Z,20.5
2026-03-01T06:10:00Z,21
2026-03-01T06:20:00Z,-3.5
"""


def read(
    folder: Path,
    text: str | bytes,
    *,
    unit: Unit | None = None,
    day_order: DayOrder | None = None,
    column: str | None = None,
) -> LoggerRecord:
    """The record of a file with this content."""
    path = folder / "logger.csv"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return read_logger(path, unit=unit, day_order=day_order, column=column)


def stamps(*texts: str, unit: str = "degC") -> str:
    """A file of these times, all at 20 degrees."""
    return f"time;temp {unit}\n" + "".join(f"{text};20\n" for text in texts)


def test_times_and_temperatures_of_a_plain_file(tmp_path: Path) -> None:
    """Seconds from the first row, degC, and all that was concluded."""
    found = read(tmp_path, ISO)
    assert found.time_s.tolist() == [0.0, 600.0, 1200.0]
    assert found.temp_c.tolist() == [20.5, 21.0, -3.5]
    assert (found.first, found.last) == (
        datetime(2026, 3, 1, 6, tzinfo=UTC),
        datetime(2026, 3, 1, 6, 20, tzinfo=UTC),
    )
    assert (found.gaps, found.interval_s) == (0, 600.0)
    assert found.assumed == (
        "columns are divided by commas",
        "the first line is a header",
        'times in column 1, temperatures in column 2 ("temperature (°C)")',
        "times are written as ISO 8601",
        "temperatures are in degC by the header, with a decimal point",
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (ISO.replace(",", ";"), "semicolons"),
        (ISO.replace(",", "\t"), "tabs"),
        (ISO.replace(",", ";").replace(".", ","), "a decimal comma"),
        (ISO.replace(",", "\t").replace(".", ","), "a decimal comma"),
        (ISO.replace(",", ' , "').replace("\n", '"\n'), "commas"),
        (ISO.replace("\n", "\r\n"), "commas"),
        (ISO.replace("\n", "\n\n"), "commas"),
        ("\ufeff" + ISO, "commas"),
    ],
    ids=["semicolons", "tabs", "comma", "tabs, comma", "quotes", "CRLF", "empty lines", "BOM"],
)
def test_one_record_in_many_forms(tmp_path: Path, text: str, said: str) -> None:
    """Delimiter, decimal sign, quotes and line ends change nothing of it."""
    found = read(tmp_path, text)
    assert found.time_s.tolist() == [0.0, 600.0, 1200.0]
    assert found.temp_c.tolist() == [20.5, 21.0, -3.5]
    assert said in " ".join(found.assumed)


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("latin-1", "the text is not UTF-8 and was read as Latin-1"),
        ("utf-16", "the text is UTF-16"),
    ],
)
def test_other_encodings_are_read_and_said(tmp_path: Path, encoding: str, said: str) -> None:
    """The degree sign still says the unit."""
    found = read(tmp_path, ISO.encode(encoding))
    assert found.temp_c.tolist() == [20.5, 21.0, -3.5]
    assert found.assumed[0] == said


def test_a_file_without_a_header_takes_the_unit_that_was_said(tmp_path: Path) -> None:
    """The only column of numbers is that of the temperatures."""
    found = read(tmp_path, ISO.partition("\n")[2], unit=Unit.CELSIUS)
    assert found.temp_c.tolist() == [20.5, 21.0, -3.5]
    assert "there is no header" in found.assumed
    assert "times in column 1, temperatures in column 2" in found.assumed
    assert "temperatures are in degC as was said, with a decimal point" in found.assumed


@pytest.mark.parametrize(
    "header", ["Temp (°F)", "temp degF", "T [F]", "Fahrenheit", "temp_f", "temperature, deg. F"]
)
def test_fahrenheit_becomes_celsius(tmp_path: Path, header: str) -> None:
    """Freezing and boiling water, and where both scales meet."""
    text = f'time;"{header}"\n2026-03-01 06:00;32\n2026-03-01 06:10;212\n2026-03-01 06:20;-40\n'
    found = read(tmp_path, text)
    assert found.temp_c == pytest.approx([0.0, 100.0, -40.0])
    assert "temperatures are in degF by the header, with no decimals" in found.assumed


@pytest.mark.parametrize(
    "header", ["Temp (°C)", "temp degC", "temp_degC", "T [C]", "Celsius", "temp_c", "Temp. º C"]
)
def test_celsius_is_known_by_many_names(tmp_path: Path, header: str) -> None:
    """What stands in the header is enough."""
    text = f"time;{header}\n2026-03-01 06:00;32\n2026-03-01 06:10;212\n"
    assert read(tmp_path, text).temp_c.tolist() == [32.0, 212.0]


def test_cells_can_carry_the_unit(tmp_path: Path) -> None:
    """One cell that says it is enough, if no other says another."""
    text = "2026-03-01 06:00;68 °F\n2026-03-01 06:10;50\n"
    found = read(tmp_path, text)
    assert found.temp_c == pytest.approx([20.0, 10.0])
    assert "temperatures are in degF by line 1, with no decimals" in found.assumed


@pytest.mark.parametrize("cell", ["", "---", "nan", "error", "3276.7", "-999.9", "1.234,5", "2e1"])
def test_a_cell_without_a_temperature_is_a_gap(tmp_path: Path, cell: str) -> None:
    """It is counted and said; its row keeps its time."""
    text = stamps("2026-03-01 06:00", "2026-03-01 06:10") + f"2026-03-01 06:20;{cell}\n"
    found = read(tmp_path, text)
    assert np.isnan(found.temp_c).tolist() == [False, False, True]
    assert found.time_s.tolist() == [0.0, 600.0, 1200.0]
    assert found.gaps == 1
    assert found.assumed[-1] == "1 of 3 rows have no temperature and are gaps"


@pytest.mark.parametrize(
    ("header", "column", "temps_c"),
    [
        ("No.;time;Temp °C;RH %", None, [20.0, 21.0]),
        ("No.;time;°C;RH %", None, [20.0, 21.0]),
        ("No.;time;Temp 1 °C;Temp 2 °C", "Temp 2 °C", [50.0, 51.0]),
    ],
)
def test_the_column_of_temperatures(
    tmp_path: Path, header: str, column: str | None, temps_c: list[float]
) -> None:
    """Found by its header, or by the name that was said; the times need not come first."""
    text = f"{header}\n1;2026-03-01 06:00;20;50\n2;2026-03-01 06:10;21;51\n"
    found = read(tmp_path, text, column=column)
    assert found.temp_c.tolist() == temps_c
    assert "times in column 2" in " ".join(found.assumed)


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ("2026-03-01T06:00:00Z", "2026-03-01T06:10:30Z", "ISO 8601"),
        ("2026-03-01 06:00:00,000", "2026-03-01 06:10:30.000", "ISO 8601"),
        ("2026-03-01T06:00:00+01:00", "2026-03-01T07:10:30+0200", "ISO 8601"),
        ("2026-03-01T06:00:00-05", "2026-03-01T11:10:30Z", "ISO 8601"),
        ("01.03.2026 06:00", "1.3.2026 06:10:30", "day.month.year"),
        ("01.03.2026, 11:55:00 pm", "2.3.2026 12:05:30 AM", "day.month.year"),
        ("03/13/2026 06:00", "03/13/2026 06:10:30", "month/day/year, by line 2"),
        ("13/03/2026 06:00", "13/03/2026 06:10:30", "day/month/year, by line 2"),
        ("12/03/2026 23:55", "13/03/2026 00:05:30", "day/month/year, by line 3"),
        ("03/13/2026 11:55 AM", "3/13/2026 12:05:30 p.m.", "month/day/year, by line 2"),
    ],
)
def test_the_forms_of_times(tmp_path: Path, first: str, second: str, said: str) -> None:
    """Each pair is ten and a half minutes apart."""
    found = read(tmp_path, stamps(first, second))
    assert found.time_s.tolist() == [0.0, 630.0]
    assert f"times are written as {said}" in found.assumed


def test_a_fraction_of_a_second_counts(tmp_path: Path) -> None:
    """A quarter is one, however many digits it has."""
    found = read(tmp_path, stamps("2026-03-01 06:00:00.25", "2026-03-01 06:00:01.500000000"))
    assert found.time_s.tolist() == [0.0, 1.25]


@pytest.mark.parametrize(
    ("day_order", "days"), [(DayOrder.DAY_FIRST, 31), (DayOrder.MONTH_FIRST, 1)]
)
def test_an_order_that_was_said_decides(tmp_path: Path, day_order: DayOrder, days: int) -> None:
    """From 1 March to 1 April, or from 3 to 4 January."""
    text = stamps("01/03/2026 06:00", "01/04/2026 06:00")
    found = read(tmp_path, text, day_order=day_order)
    assert found.last - found.first == timedelta(days=days)
    assert "as was said" in " ".join(found.assumed)


def test_times_without_a_zone_are_said_to_be_so(tmp_path: Path) -> None:
    """With a zone nothing is said of it."""
    said = "the times say no zone: taken as one steady clock"
    assert said in read(tmp_path, stamps("2026-03-01 06:00", "2026-03-01 06:10")).assumed
    assert said not in read(tmp_path, ISO).assumed


def test_repeated_times_are_read_and_said(tmp_path: Path) -> None:
    """A logger that writes minutes only may read twice in one."""
    found = read(tmp_path, stamps("2026-03-01 06:00", "2026-03-01 06:00", "2026-03-01 06:01"))
    assert found.time_s.tolist() == [0.0, 0.0, 60.0]
    assert "1 rows repeat the time of the row before" in found.assumed


HEAD = "time;temp °C\n"


@pytest.mark.parametrize(
    ("text", "where", "said"),
    [
        ("", "logger.csv", "got an empty file"),
        ("\n \n", "logger.csv", "got an empty file"),
        (HEAD, "line 1", "expected a column of times"),
        ("20\n21\n", "line 1", "expected columns divided by tabs or semicolons or commas, got one"),
        ("a;b\nc;d\ne;f\n", "line 2", "expected a column of times"),
        (HEAD + "2026-03-01;20\n", "line 2", "expected a column of times"),
        (HEAD + "2026-03-01 06:00;20\n", "logger.csv", "at least two rows and a temperature"),
        (
            HEAD + "2026-03-01 06:00;20\n2026-03-01 06:10;20;1\n",
            "line 3",
            "expected 2 columns divided by semicolons, got 3",
        ),
        (
            HEAD + "2026-03-01 06:00;20\nhighest 20\n",
            "line 3",
            "expected 2 columns divided by semicolons, got 1",
        ),
        (
            "time,temp °C\n2026-03-01 06:00,20,5\n2026-03-01 06:10,21,5\n",
            "line 1",
            "expected 3 columns divided by commas, got 2",
        ),
        (
            "serial 12\n" + HEAD + "2026-03-01 06:00;20\n",
            "line 1",
            "expected 2 columns divided by semicolons",
        ),
        (
            "2026-03-01 06:00,20,5\n2026-03-01 06:10,21,5\n",
            "line 1",
            "expected one column of temperatures, got 2 it can be",
        ),
        (
            "time;Temp 1 °C;Temp 2 °C\n2026-03-01 06:00;20;5\n2026-03-01 06:10;21;5\n",
            "line 1",
            "expected one column of temperatures, got 2 it can be",
        ),
        (
            "time;temp °C\n2026-03-01 06:00;--\n2026-03-01 06:10;--\n",
            "line 1",
            "expected one column of temperatures, got 0 it can be",
        ),
        (
            "time;temp\n2026-03-01 06:00;20\n2026-03-01 06:10;21\n",
            "logger.csv",
            "expected a unit of temperature in the header, got none",
        ),
        (
            HEAD + "2026-03-01 06:00;20\n2026-03-01 06:10;21 F\n",
            "logger.csv",
            "expected one unit of temperature, got degC by the header, degF by line 3",
        ),
        (
            HEAD + "2026-03-01 06:00;20.5\n2026-03-01 06:10;21,5\n",
            "line 3",
            "expected one decimal sign, got a point in line 2 and a comma in line 3",
        ),
        (
            stamps("2026-03-01 06:00", "then"),
            "line 3",
            'expected a time written as in line 2, got "then"',
        ),
        (
            stamps("2026-03-01 06:00", "01.03.2026 06:10"),
            "line 3",
            'expected a time written as in line 2, got "01.03.2026 06:10"',
        ),
        (
            stamps("2026-03-01T06:00Z", "2026-03-01T06:10"),
            "line 3",
            "expected a zone on all times or on none",
        ),
        (stamps("2026-02-29 06:00", "2026-03-01 06:00"), "line 2", "expected a time there is"),
        (stamps("2026-02-28 24:00", "2026-03-01 06:00"), "line 2", "expected a time there is"),
        (stamps("2026-02-28 13:00 pm", "2026-03-01 06:00 am"), "line 2", "hour 13 with am or pm"),
        (stamps("2026-02-28 06:00+25:00", "2026-03-01 06:00Z"), "line 2", "a time there is"),
        (
            stamps("2026-10-25 02:50", "2026-10-25 02:00"),
            "line 3",
            "expected times that never go backwards, got 2026-10-25 02:00",
        ),
        (
            stamps("01/03/2026 06:00", "12/12/2026 06:00"),
            "logger.csv",
            "day/month and month/day are both possible",
        ),
        (
            stamps("13/03/2026 06:00", "03/14/2026 06:00"),
            "line 3",
            "got day/month in line 2 and month/day in line 3",
        ),
        (HEAD + '2026-03-01 06:00;"20\n', "line 2", "expected cells of a CSV file"),
    ],
)
def test_what_cannot_be_read_in_one_way_is_refused(
    tmp_path: Path, text: str, where: str, said: str
) -> None:
    """The refusal names the line, where there is one, and what was expected."""
    with pytest.raises(LoggerFileError) as caught:
        read(tmp_path, text)
    assert caught.value.where.endswith(where)
    assert said in caught.value.problem
    assert caught.value.effect == "the logger's record was not taken"


def test_what_was_said_must_fit_the_file(tmp_path: Path) -> None:
    """A unit, an order or a name that the file contradicts is refused, not preferred."""
    with pytest.raises(LoggerFileError, match="got degF as was said, degC by the header"):
        read(tmp_path, ISO, unit=Unit.FAHRENHEIT)
    slashes = stamps("13/03/2026 06:00", "14/03/2026 06:00")
    with pytest.raises(LoggerFileError, match="line 2: expected month_first as was said"):
        read(tmp_path, slashes, day_order=DayOrder.MONTH_FIRST)
    with pytest.raises(LoggerFileError, match='expected one column "probe", got 0 of'):
        read(tmp_path, ISO, column="probe")
    with pytest.raises(LoggerFileError, match='expected one column "probe", got 0 of'):
        read(tmp_path, ISO.partition("\n")[2], column="probe")


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """The whole sentence names the file, the reason and what follows."""
    path = tmp_path / "none.csv"
    with pytest.raises(LoggerFileError) as caught:
        read_logger(path)
    assert str(caught.value) == (
        f"{path}: expected a file that can be read, got: No such file or directory;"
        " the logger's record was not taken"
    )


def test_a_record_goes_on_into_the_account_of_the_store(tmp_path: Path) -> None:
    """A quarter of an hour above 25 degC of an even climb and fall, a gap of 20 minutes after."""
    text = (
        "time;temp °C\n2026-03-01 06:00;20\n2026-03-01 06:15;30\n2026-03-01 06:30;20\n"
        "2026-03-01 06:40;--\n2026-03-01 06:50;20\n"
    )
    found = read(tmp_path, text)
    account = stored(found.time_s, found.temp_c, limit_c=25.0, max_gap_s=900.0)
    assert account.above_s == pytest.approx(900.0)
    assert (account.max_c, account.seen_s, account.blind_s) == (30.0, 1800.0, 1200.0)
