"""The temperature logger that lay with a charge in store: its CSV file as times and temperatures.

Loggers write what they like, so the form is found from the whole file, never from a first line
alone: delimiter, decimal sign, header, columns, form of the times. Whatever was concluded is said
in words, and where two readings of the file are possible it is refused: the person who has it can
say which it is. A cell without a temperature is a gap, a row without a time is refused.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from enum import StrEnum
from io import StringIO
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.series import HIGHEST_C, LOWEST_C
from watchedpot.errors import WatchedpotError

_NOT_TAKEN = "the logger's record was not taken"


class LoggerFileError(WatchedpotError):
    """A logger's file that cannot be read in one way only."""


class Unit(StrEnum):
    """Of the temperatures in the file."""

    CELSIUS = "degC"
    FAHRENHEIT = "degF"


class DayOrder(StrEnum):
    """Of dates with slashes."""

    DAY_FIRST = "day_first"
    MONTH_FIRST = "month_first"


@dataclass(frozen=True, slots=True, eq=False)
class LoggerRecord:
    """What a logger recorded.

    Attributes
    ----------
    time_s : (n,) float64
        From the first reading, never backwards. [s]
    temp_c : (n,) float64
        nan where the cell had no temperature. [degC]
    first, last
        Stamps of the first and last row as written, where they say no zone in UTC for want of one.
    gaps
        Cells without a temperature. [1]
    assumed
        What was concluded from the file, a sentence each.
    """

    time_s: NDArray[np.float64]
    temp_c: NDArray[np.float64]
    first: datetime
    last: datetime
    gaps: int
    assumed: tuple[str, ...]

    @property
    def interval_s(self) -> float:
        """Usual time from one reading to the next. [s]."""
        return float(np.median(np.diff(self.time_s)))


@dataclass(frozen=True, slots=True)
class _Row:
    """Cells of one line of the file."""

    line: int
    cells: tuple[str, ...]


def read_logger(
    path: Path,
    *,
    unit: Unit | None = None,
    day_order: DayOrder | None = None,
    column: str | None = None,
) -> LoggerRecord:
    """A logger's CSV file.

    Parameters
    ----------
    path
        The file.
    unit
        Of its temperatures; None where the file itself says it.
    day_order
        Of its dates, if they have slashes; None where one of them has a number above 12.
    column
        Header of the temperatures; None where there is only one column it can be.

    Returns
    -------
    LoggerRecord
        At least two rows, at least one with a temperature.

    Raises
    ------
    LoggerFileError
        Cannot be read in one way only; says the line where there is one.
    """
    text, said = _text(path)
    rows, delimiter = _rows(path, text)
    header, data = _split(path, rows)
    stamps = _Stamps(path, day_order)
    time_column = next(
        place for place, cell in enumerate(data[0].cells) if stamps.shape_of(cell) is not None
    )
    temp_column = _temp_column(path, header, data, time_column=time_column, wanted=column)
    times, said_of_times = stamps.read(data, time_column)
    name = header.cells[temp_column] if header else ""
    temp_c, said_of_temps = _temperatures(path, data, temp_column, name=name, unit=unit)
    gaps = int(np.isnan(temp_c).sum())
    if len(data) < 2 or gaps == len(data):
        raise _fault(path, "expected at least two rows and a temperature, got none such")
    where = f'column {temp_column + 1} ("{name}")' if header else f"column {temp_column + 1}"
    assumed = (
        *said,
        f"columns are divided by {_NAMES[delimiter]}",
        "the first line is a header" if header else "there is no header",
        f"times in column {time_column + 1}, temperatures in {where}",
        *said_of_times,
        *said_of_temps,
        *([f"{gaps} of {len(data)} rows have no temperature and are gaps"] if gaps else []),
    )
    time_s = np.array([(time - times[0]).total_seconds() for time in times])
    return LoggerRecord(time_s, temp_c, times[0], times[-1], gaps, assumed)


def _fault(path: Path, problem: str, *, line: int | None = None, hint: str = "") -> LoggerFileError:
    where = f"{path}" if line is None else f"{path}, line {line}"
    return LoggerFileError(where, problem, effect=_NOT_TAKEN, hint=hint)


_NAMES = {"\t": "tabs", ";": "semicolons", ",": "commas"}
"""Delimiters; the comma last, since it can also be a decimal sign."""


def _text(path: Path) -> tuple[str, list[str]]:
    """The file's text, and what was assumed of its encoding."""
    try:
        raw = path.read_bytes()
    except OSError as exc:
        raise _fault(path, f"expected a file that can be read, got: {exc.strerror}") from exc
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace"), ["the text is UTF-16"]
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        return raw.decode("latin-1"), ["the text is not UTF-8 and was read as Latin-1"]


def _rows(path: Path, text: str) -> tuple[list[_Row], str]:
    """Lines that are not empty, divided by the one delimiter that divides all of them alike."""
    for delimiter in _NAMES:
        rows = _divided(path, text, delimiter)
        if not rows:
            raise _fault(path, "expected rows of times and temperatures, got an empty file")
        if len(rows[0].cells) > 1 and len({len(row.cells) for row in rows}) == 1:
            return rows, delimiter
    raise _ragged(path, text)


def _ragged(path: Path, text: str) -> LoggerFileError:
    """What is wrong with lines that nothing divides alike, by the delimiter that divides most."""
    by_delimiter = {delimiter: _divided(path, text, delimiter) for delimiter in _NAMES}
    delimiter = max(_NAMES, key=lambda d: sum(len(row.cells) > 1 for row in by_delimiter[d]))
    rows = by_delimiter[delimiter]
    ((usual, _),) = Counter(len(row.cells) for row in rows).most_common(1)
    if usual == 1:
        names = " or ".join(_NAMES.values())
        return _fault(path, f"expected columns divided by {names}, got one", line=rows[0].line)
    odd = next(row for row in rows if len(row.cells) != usual)
    return _fault(
        path,
        f"expected {usual} columns divided by {_NAMES[delimiter]}, got {len(odd.cells)}",
        line=odd.line,
        hint="only one line of headers may stand above the readings and nothing below them;"
        " decimal commas need another delimiter than the comma",
    )


def _divided(path: Path, text: str, delimiter: str) -> list[_Row]:
    """The same, ragged or not."""
    reader = csv.reader(
        StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True
    )
    try:
        rows = [_Row(reader.line_num, tuple(cell.strip() for cell in cells)) for cells in reader]
    except csv.Error as exc:
        raise _fault(
            path, f"expected cells of a CSV file, got: {exc}", line=reader.line_num
        ) from exc
    return [row for row in rows if any(row.cells)]


def _split(path: Path, rows: Sequence[_Row]) -> tuple[_Row | None, Sequence[_Row]]:
    """Header, None if there is none, and the rows of readings."""
    stamps = _Stamps(path, None)
    has_time = [any(stamps.shape_of(cell) for cell in row.cells) for row in rows[:2]]
    if has_time[0]:
        return None, rows
    if not has_time[-1]:
        raise _fault(
            path,
            "expected a column of times such as 2026-03-01T06:30:00, got none",
            line=rows[min(1, len(rows) - 1)].line,
            hint="write times as ISO 8601, and at most one line of headers above them",
        )
    return rows[0], rows[1:]


def _unit_named(letter: str, word: str) -> re.Pattern[str]:
    """What says a unit in a header."""
    return re.compile(
        rf"[°º˚]\s*{letter}\b|(?<![a-z])deg\.?\s*{letter}\b|{word}|[(\[]{letter}[)\]]|_{letter}\b",
        re.IGNORECASE,
    )


_UNITS = {
    Unit.CELSIUS: _unit_named("C", "celsius"),
    Unit.FAHRENHEIT: _unit_named("F", "fahrenheit"),
}


def _is_temperature(name: str) -> bool:
    """Whether a header speaks of temperatures."""
    return "temp" in name.lower() or any(unit.search(name) for unit in _UNITS.values())


def _temp_column(
    path: Path,
    header: _Row | None,
    data: Sequence[_Row],
    *,
    time_column: int,
    wanted: str | None,
) -> int:
    """The column of temperatures, if there is only one it can be."""
    others = [place for place in range(len(data[0].cells)) if place != time_column]
    if wanted is not None:
        names = [header.cells[place] if header else "" for place in others]
        fitting = [place for place, name in zip(others, names, strict=True) if name == wanted]
        if len(fitting) != 1:
            raise _fault(path, f'expected one column "{wanted}", got {len(fitting)} of {names}')
        return fitting[0]
    numbers = [p for p in others if any(_NUMBER.fullmatch(row.cells[p]) for row in data)]
    named = [place for place in numbers if header and _is_temperature(header.cells[place])]
    for fitting in (named, numbers):
        if len(fitting) == 1:
            return fitting[0]
    raise _fault(
        path,
        f"expected one column of temperatures, got {len(named or numbers)} it can be",
        line=(header or data[0]).line,
        hint="name the column by its header, or delete the others",
    )


_NUMBER = re.compile(
    r"(?P<number>[+-]?\d+(?:(?P<sign>[.,])\d+)?)\s*(?P<unit>[°º˚]\s*[CF]|deg\s*[CF]|[CF])?",
    re.IGNORECASE,
)


def _temperatures(
    path: Path, data: Sequence[_Row], column: int, *, name: str, unit: Unit | None
) -> tuple[NDArray[np.float64], list[str]]:
    """Temperatures in degC, and what was concluded of how they are written."""
    units = {} if unit is None else {unit: "as was said"}
    for named, pattern in _UNITS.items():
        if pattern.search(name):
            units.setdefault(named, "by the header")
    signs: dict[str, int] = {}
    values = np.full(len(data), np.nan)
    for place, row in enumerate(data):
        match = _NUMBER.fullmatch(row.cells[column])
        if match is None:
            continue
        values[place] = float(match["number"].replace(",", "."))
        if match["sign"]:
            signs.setdefault(match["sign"], row.line)
        if match["unit"]:
            is_f = match["unit"].upper().endswith("F")
            units.setdefault(Unit.FAHRENHEIT if is_f else Unit.CELSIUS, f"by line {row.line}")
    if len(signs) > 1:
        raise _fault(
            path,
            f"expected one decimal sign, got a point in line {signs['.']}"
            f" and a comma in line {signs[',']}",
            line=max(signs.values()),
        )
    found = _one_unit(path, units)
    if found is Unit.FAHRENHEIT:
        values = (values - 32.0) / 1.8
    with np.errstate(invalid="ignore"):
        values[(values < LOWEST_C) | (values > HIGHEST_C)] = np.nan
    written = {".": "a decimal point", ",": "a decimal comma"}.get("".join(signs), "no decimals")
    return values, [f"temperatures are in {found.value} {units[found]}, with {written}"]


def _one_unit(path: Path, units: dict[Unit, str]) -> Unit:
    """The unit, if it was said once or more and always the same."""
    if len(units) == 1:
        return next(iter(units))
    if units:
        said = ", ".join(f"{unit.value} {why}" for unit, why in units.items())
        raise _fault(path, f"expected one unit of temperature, got {said}")
    raise _fault(
        path,
        "expected a unit of temperature in the header, got none",
        hint="say whether the temperatures are in degC or degF",
    )


_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d+))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_SHAPES = {
    "ISO 8601": re.compile(
        r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})[T ]+"
        + _CLOCK
        + r"\s*(?P<zone>Z|[+-]\d{2}(?::?\d{2})?)?"
    ),
    "day.month.year": re.compile(
        r"(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4}),?[T ]+" + _CLOCK
    ),
    "slashes": re.compile(r"(?P<one>\d{1,2})/(?P<two>\d{1,2})/(?P<year>\d{4}),?[T ]+" + _CLOCK),
}


class _Stamps:
    """Times of a file, all of one shape."""

    def __init__(self, path: Path, day_order: DayOrder | None) -> None:
        self._path = path
        self._day_order = day_order

    @staticmethod
    def shape_of(cell: str) -> str | None:
        """Name of the shape a cell has; None for what is no time."""
        return next((name for name, shape in _SHAPES.items() if shape.fullmatch(cell)), None)

    def read(self, data: Sequence[_Row], column: int) -> tuple[list[datetime], list[str]]:
        """The times, and what was concluded of how they are written."""
        shape = self.shape_of(data[0].cells[column]) or ""
        found = []
        for row in data:
            match = _SHAPES[shape].fullmatch(row.cells[column])
            if match is None:
                raise self._unlike(row, column, f"a time written as in line {data[0].line}")
            found.append((row, match))
        order, said = self._order(shape, found)
        times: list[datetime] = []
        zones: set[bool] = set()
        for row, match in found:
            zones.add(bool(match.groupdict().get("zone")))
            if len(zones) > 1:
                raise self._unlike(row, column, "a zone on all times or on none")
            try:
                times.append(_moment(match, order))
            except ValueError as exc:
                raise self._unlike(row, column, f"a time there is ({exc})") from exc
            if len(times) > 1 and times[-1] < times[-2]:
                raise _fault(
                    self._path,
                    f"expected times that never go backwards, got {row.cells[column]}",
                    line=row.line,
                    hint="a logger on local time goes back an hour in autumn: correct the times",
                )
        if not zones.pop():
            said.append("the times say no zone: taken as one steady clock")
        repeated = sum(before == after for before, after in pairwise(times))
        if repeated:
            said.append(f"{repeated} rows repeat the time of the row before")
        return times, said

    def _unlike(self, row: _Row, column: int, expected: str) -> LoggerFileError:
        return _fault(self._path, f'expected {expected}, got "{row.cells[column]}"', line=row.line)

    def _order(
        self, shape: str, found: Iterable[tuple[_Row, re.Match[str]]]
    ) -> tuple[DayOrder, list[str]]:
        """Which of two numbers is the day, from the whole file or as was said."""
        if shape != "slashes":
            return DayOrder.DAY_FIRST, [f"times are written as {shape}"]
        proofs: dict[DayOrder, int] = {}
        for row, match in found:
            if int(match["one"]) > 12:
                proofs.setdefault(DayOrder.DAY_FIRST, row.line)
            if int(match["two"]) > 12:
                proofs.setdefault(DayOrder.MONTH_FIRST, row.line)
        if len(proofs) > 1:
            raise _fault(
                self._path,
                "expected dates of one order, got"
                f" day/month in line {proofs[DayOrder.DAY_FIRST]}"
                f" and month/day in line {proofs[DayOrder.MONTH_FIRST]}",
                line=max(proofs.values()),
            )
        if self._day_order is None and not proofs:
            raise _fault(
                self._path,
                "expected dates of which one has a day above 12, got none: day/month and month/day"
                " are both possible",
                hint="say which it is, or write the times as ISO 8601",
            )
        order = self._day_order or next(iter(proofs))
        if proofs and order not in proofs:
            line = next(iter(proofs.values()))
            raise _fault(
                self._path, f"expected {order.value} as was said, got the other", line=line
            )
        names = {DayOrder.DAY_FIRST: "day/month/year", DayOrder.MONTH_FIRST: "month/day/year"}
        why = "as was said" if self._day_order else f"by line {proofs[order]}"
        return order, [f"times are written as {names[order]}, {why}"]


def _moment(match: re.Match[str], order: DayOrder) -> datetime:
    """The time of a cell; without a zone as if it were UTC, so that it needs no zone's rules."""
    parts = match.groupdict()
    day, month = parts.get("day") or parts["one"], parts.get("month") or parts["two"]
    if "one" in parts and order is DayOrder.MONTH_FIRST:
        day, month = month, day
    hour = int(parts["hour"])
    if parts["half"]:
        if not 1 <= hour <= 12:
            msg = f"hour {hour} with am or pm"
            raise ValueError(msg)
        hour = hour % 12 + (12 if parts["half"].lower() == "p" else 0)
    fraction_us = round(float(f"0.{parts['fraction'] or 0}") * 1e6)
    whole = datetime(
        *(int(parts["year"]), int(month), int(day), hour, int(parts["minute"])),
        second=int(parts["second"] or 0),
        tzinfo=_zone(parts.get("zone")),
    )
    return whole + timedelta(microseconds=fraction_us)


def _zone(text: str | None) -> timezone:
    """Offset from UTC as written; UTC where none is."""
    if text is None or text == "Z":
        return UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return timezone(-offset if text[0] == "-" else offset)
