"""Outside values: printed examples, open traces, and the worked examples of OPC 10000-13.

The examples of OPC 10000-13 (Schema/AggregateExamples.csv of the OPC Foundation's UA-Nodeset,
MIT) are numeric, sloped histories 1, 2 and 5. TimeAverage2, Total2, DurationGood and DurationBad
are compared in every interval; ours is mean and area above 0, seen and blind time. Where ours is
stricter, the tables below say by how much, worked out by hand from one rule: we credit nothing on
a step towards, or away from, a reading that is not good. OPC 10000-13

- holds the last good value up to a bad reading:                   value x time is more,
- (histories 1 and 5) takes an uncertain reading as usable:         two steps beside it are more,
- credits one tick of its clock (1 ms) behind the last sample:      value x 0.001 s is more.

Rows left out: stepped histories 3 and 4 (we join by straight lines). History 2 at 1:30 the file
itself gives as bad, as we do, though the bare rules would hold it for a tick.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from support.cells import TEMPERATURE, block, cell, run, series, zone
from watchedpot.core.exposure import beyond
from watchedpot.core.series import Series
from watchedpot.core.units import NANO

INCREMENTAL_AREA = (
    "Brouns et al., Nutr. Res. Rev. 18 (2005) 145-171, incremental area under the curve, p. 162; "
    "ISO 26642:2010"
)
DEGREE_DAYS = (
    "Zalom et al., Degree-days (Univ. California, 1983), single-triangle method; "
    "formula from memory, values computed"
)
DEGREE_DAYS_PRINTED = "the same method; value printed in ipm.ucanr.edu/PMG/FIG/cit-t01.html"
CLOSED_FORM = "closed form"
HEATER = "github jckantor/TCLab, notebooks/step_test_data.csv (Apache-2.0), commit 196c74e5"
MACHINE = "Numenta Anomaly Benchmark 1.1, machine_temperature_system_failure.csv (MIT), ea702d75"

MEAL_1 = ((0, 30, 45, 60, 120, 180), (89, 133, 138, 125, 92, 88))
MEAL_2 = ((0, 30, 45, 60, 120, 180), (92, 136, 132, 121, 90, 82))
DAY = ((0, 12, 24), (45, 75, 45))


@dataclass(frozen=True)
class Printed:
    """A value above an edge; times in units of ``unit_s``."""

    id: str
    points: tuple[tuple[float, ...], tuple[float, ...]]
    edge: float
    what: str
    value: float
    tolerance: float
    source: str
    unit_s: float = 60.0
    per: float = 1.0


PRINTED = (
    Printed("A01", ((0, 30), (89, 133)), 89, "area", 660, 1e-9, INCREMENTAL_AREA),
    Printed("A02", ((120, 180), (92, 88)), 89, "area", 67.5, 1e-9, INCREMENTAL_AREA),
    Printed("A03", ((120, 180), (92, 88)), 89, "time", 45, 1e-9, CLOSED_FORM),
    # The page that prints the two segments above gives 1980 here: it halves the inner trapezia.
    Printed("A04", MEAL_1, 89, "area", 3232.5, 1e-9, INCREMENTAL_AREA),
    Printed("A05", MEAL_1, 89, "time", 165, 1e-9, CLOSED_FORM),
    Printed("A06", MEAL_2, 92, "area", 2621.370968, 1e-6, INCREMENTAL_AREA),
    Printed("A07", MEAL_2, 92, "time", 116.129032, 1e-6, CLOSED_FORM),
    Printed("A08", DAY, 50, "area", 10.416667, 1e-6, DEGREE_DAYS, 3600.0, 24.0),
    Printed(
        "A09", ((0, 12, 24), (56, 72, 56)), 53, "area", 11, 1e-9, DEGREE_DAYS_PRINTED, 3600.0, 24.0
    ),
    Printed("A10", DAY, 50, "time", 0.833333333, 1e-9, CLOSED_FORM, 3600.0, 24.0),
    Printed("A12", ((0, 10), (100, 100)), 100, "area", 0, 0, CLOSED_FORM),
    Printed("A13", ((0, 5, 10), (90, 100, 90)), 100, "area", 0, 0, CLOSED_FORM),
)

SINE_T = tuple(np.linspace(0.0, 1.0, 20_001).tolist())
SINE = (SINE_T, tuple(np.sin(2.0 * np.pi * np.array(SINE_T)).tolist()))
SINES = (
    Printed("A14", SINE, 0.5, "time", 0.333333333, 1e-6, CLOSED_FORM, 3600.0),
    Printed("A15", SINE, 0.5, "area", 0.108997781, 1e-6, CLOSED_FORM, 3600.0),
)

TRACE_VALUES = (
    ("A16", 50.0, "time", 818.3275, 1e-4),
    ("A17", 50.0, "area", 10194.744625, 1e-3),
    ("A18", 60.0, "time", 667.0346875, 1e-4),
    ("A19", 60.0, "area", 2651.0440922, 1e-3),
    ("A20", 40.0, "time", 893.34875, 1e-4),
    ("A21", 40.0, "area", 18781.0308063, 1e-3),
)


def above(rows: Series, edge: float, what: str) -> float:
    """Seconds or unit-seconds above an edge."""
    time_ns, area_nks = beyond(rows, edge, is_high=True)
    return int((time_ns if what == "time" else area_nks).sum()) / NANO


@pytest.mark.parametrize("case", [*PRINTED, *SINES], ids=lambda case: f"{case.id}: {case.source}")
def test_a_printed_value_above_an_edge(case: Printed) -> None:
    """Exceedance of straight lines, as the source named in the id has it."""
    times, values = case.points
    rows = series(values, at_s=[t * case.unit_s for t in times], max_gap_s=1e6)
    found = above(rows, case.edge, case.what) / case.unit_s / case.per
    assert found == pytest.approx(case.value, abs=case.tolerance or 1e-300, rel=0)


def test_degree_days_between_two_thresholds() -> None:
    """A11: the horizontal cut-off is the difference of two exceedances, 10 degree-days.

    Zalom et al., Degree-days (Univ. California, 1983); formula from memory.
    """
    times, values = DAY
    rows = series(values, at_s=[t * 3600.0 for t in times], max_gap_s=1e6)
    found = (above(rows, 50.0, "area") - above(rows, 70.0, "area")) / 86_400.0
    assert found == pytest.approx(10.0, abs=1e-6)


def existing(folder: Path, name: str) -> Path:
    """One data set, or a skip that names it."""
    path = folder / name
    if not path.is_file():
        pytest.skip(f"no {path}; WATCHEDPOT_DATASETS names its folder")
    return path


@pytest.mark.parametrize(
    ("edge", "what", "value", "tolerance"),
    [case[1:] for case in TRACE_VALUES],
    ids=[f"{case[0]}: {HEATER}" for case in TRACE_VALUES],
)
def test_a_real_heater_trace(
    datasets: Path, edge: float, what: str, value: float, tolerance: float
) -> None:
    """1001 rows, slightly irregular, quantised; values of two independent implementations."""
    with existing(datasets, "heater_step_test.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    found = series([float(row["T1"]) for row in rows], at_s=[float(row["Time"]) for row in rows])
    assert len(rows) == 1001
    assert above(found, edge, what) == pytest.approx(value, abs=tolerance)


@pytest.fixture(scope="module")
def machine(datasets: Path) -> tuple[list[float], list[float]]:
    """Seconds and values of the machine trace."""
    with existing(datasets, "machine_temperature.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    first = datetime.fromisoformat(rows[0]["timestamp"])
    times = [(datetime.fromisoformat(row["timestamp"]) - first).total_seconds() for row in rows]
    return times, [float(row["value"]) for row in rows]


@pytest.mark.parametrize(
    ("what", "value"),
    [("time", 5562.234384), ("area", 10893.846772)],
    ids=[f"A22: {MACHINE}", f"A23: {MACHINE}"],
)
def test_a_real_machine_trace(
    machine: tuple[list[float], list[float]], what: str, value: float
) -> None:
    """Minutes and degree-minutes above 100, rows 0 to 10148: before its clock steps back."""
    times, values = (column[:10_149] for column in machine)
    found = above(series(values, at_s=times, max_gap_s=1e9), 100.0, what) / 60.0
    assert found == pytest.approx(value, abs=1e-3)


def test_a_clock_that_steps_back_repeats_twelve_rows(
    machine: tuple[list[float], list[float]],
) -> None:
    """A24: one backward step of 55 minutes (counted by NumPy); the engine drops its 12 rows.

    Numenta Anomaly Benchmark 1.1 (MIT), commit ea702d75: 22695 rows, one backward step, 12
    repeated stamps.
    """
    times, values = machine
    backward = np.diff(times)[np.diff(times) < 0]
    assert (len(times), backward.tolist()) == (22_695, [-3300.0])
    plan = cell(zone(max_gap_s=1e9))
    state, _ = run(plan, block({TEMPERATURE: values}, at_s=times))
    assert state.ignored_rows == 12
    assert sum(state.zones[0].readings) == 22_695 - 12


# OPC 10000-13

SLOPED = ("Historian1", "Historian2", "Historian5")

MORE_AREA = {
    "Historian1": {
        30.0: 30.0 * 5.0,  # 30 held towards the bad reading at 40 s
        35.0: 30.0 * 5.0,
        60.0: 62.5 * 5.0,  # 60 to 70, an uncertain reading at 70 s, to 80
        65.0: 67.5 * 5.0,
        70.0: 72.5 * 5.0,
        75.0: 77.5 * 5.0,
        90.0: 90.0 * 0.001,  # one tick behind the last sample
    },
    "Historian2": {
        35.0: 30.0 * 1.0,  # 30 held from 39 s towards the bad reading at 42 s
        70.0: 60.0 * 3.0,  # 60 held from 72 s towards the uncertain reading at 77 s
    },
    "Historian5": {
        35.0: 30.0 * 1.0,
        40.0: 30.0 * 2.0,
        70.0: 42.0 * 3.0,  # 30 at 72 s to 70 (uncertain) at 77 s: 54 at 75 s
        75.0: 62.0 * 2.0 + 70.0 * 3.0,
        80.0: 70.0 * 3.0,  # to 70 at 83 s
        90.0: 70.0 * 0.001,
    },
}
"""What Total2 has more than our area above 0, by history and start of its 5 s. [s, value x s]"""

MORE_GOOD_S = {
    "Historian1": {16.0: 2.0, 48.0: 4.0, 80.0: 0.001},
    "Historian2": {32.0: 3.0, 64.0: 5.0, 80.0: 0.001},
    "Historian5": {32.0: 3.0, 64.0: 5.0, 80.0: 0.001},
}
"""What DurationGood has more than our seen time, by history and start of its 16 s: the steps
from a good reading to one that is not, and the tick. [s, s]"""

MORE_BLIND_S = {
    "Historian1": {16.0: 2.0, 32.0: 8.0, 48.0: 4.0, 64.0: 16.0},
    "Historian2": {32.0: 3.0, 64.0: 5.0},
    "Historian5": {32.0: 3.0, 64.0: 8.0, 80.0: 3.0},
}
"""What our blind time has more than DurationBad: the same steps, and those from a reading that
is uncertain, which is neither good nor bad there. [s, s]"""


@dataclass(frozen=True)
class Raw:
    """A raw history in seconds, None where the value is not good."""

    at_s: list[float]
    values: list[float | None]


def second_of(stamp: str) -> float:
    """Seconds after twelve."""
    hours, minutes, seconds = stamp.split(":")
    return (int(hours) - 12) * 3600.0 + int(minutes) * 60.0 + float(seconds)


@dataclass(frozen=True)
class Examples:
    """What the file holds: raw histories, and results by (aggregate, history)."""

    raw: dict[str, Raw]
    results: dict[tuple[str, str], dict[float, float | None]]


@pytest.fixture(scope="module")
def examples(datasets: Path) -> Examples:
    """The worked examples."""
    path = existing(datasets, "opcua_part13_aggregate_examples.csv")
    raw: dict[str, Raw] = {}
    results: dict[tuple[str, str], dict[float, float | None]] = {}
    aggregate = history = ""
    with path.open(encoding="utf-8-sig") as file:
        for row in csv.reader(file):
            match row:
                case ["Aggregate", name, *_]:
                    aggregate = name.strip()
                case [name] if name.startswith("Historian"):
                    history = name.strip()
                case [stamp, value, status, *_] if stamp.startswith("12:"):
                    is_good = status.strip() == "Good"
                    if aggregate:
                        found = results.setdefault((aggregate, history), {})
                        found[second_of(stamp)] = number(value)
                    else:
                        rows = raw.setdefault(history, Raw([], []))
                        rows.at_s.append(second_of(stamp))
                        rows.values.append(number(value) if is_good else None)
    return Examples(raw, results)


def number(text: str) -> float | None:
    """A value of the file, None where it has none."""
    try:
        return float(text)
    except ValueError:
        return None


@dataclass(frozen=True)
class Interval:
    """What our rules give for one interval."""

    seen_s: float
    blind_s: float
    area: float


def intervals(raw: Raw, width_s: float) -> dict[float, Interval]:
    """Our seen and blind time and area above 0 in each interval up to the last sample.

    A boundary inside a straight line is a row on it; inside a blind step it is not good.
    """
    known = dict(zip(raw.at_s, raw.values, strict=True))
    starts = np.arange(0.0, raw.at_s[-1] + width_s, width_s).tolist()
    for start_s in starts:
        if start_s not in known and start_s < raw.at_s[-1]:
            after = int(np.searchsorted(raw.at_s, start_s))
            (t0, v0), (t1, v1) = ((raw.at_s[n], raw.values[n]) for n in (after - 1, after))
            is_line = v0 is not None and v1 is not None
            share = (start_s - t0) / (t1 - t0)
            known[start_s] = (v0 or 0.0) + ((v1 or 0.0) - (v0 or 0.0)) * share if is_line else None
    times = sorted(known)
    rows = series([known[t] for t in times], at_s=times, max_gap_s=1e6)
    _, area = beyond(rows, 0.0, is_high=True)
    seen_ns = np.where(rows.is_joined, rows.step_ns, 0)
    begins_s = rows.mono_ns[:-1] / NANO
    found = {}
    for start_s in starts:
        is_in = (begins_s >= start_s) & (begins_s < start_s + width_s)
        passed_ns, seen = int(rows.step_ns[is_in].sum()), int(seen_ns[is_in].sum())
        found[start_s] = Interval(
            seen / NANO, (passed_ns - seen) / NANO, int(area[is_in].sum()) / NANO
        )
    return found


@pytest.mark.parametrize("history", SLOPED)
def test_total2_of_opc_10000_13_is_our_area_and_what_we_do_not_credit(
    examples: Examples, history: str
) -> None:
    """Every 5 s interval, to the last printed digit: equal, or more by exactly the table."""
    ours = intervals(examples.raw[history], 5.0)
    theirs = examples.results["Total2", history]
    assert set(MORE_AREA[history]) <= set(theirs)
    assert len(theirs) == 20
    for start_s, total2 in theirs.items():
        more = MORE_AREA[history].get(start_s, 0.0)
        area = ours[start_s].area if start_s in ours else 0.0
        assert (total2 or 0.0) - area == pytest.approx(more, abs=5.1e-4), start_s


@pytest.mark.parametrize("history", SLOPED)
def test_time_average2_of_opc_10000_13_is_our_mean_where_the_regions_are_the_same(
    examples: Examples, history: str
) -> None:
    """Area above 0 by seen time, wherever the table above is silent and something was seen."""
    ours = intervals(examples.raw[history], 5.0)
    theirs = examples.results["TimeAverage2", history]
    compared = 0
    for start_s, average in theirs.items():
        if average is None or start_s in MORE_AREA[history]:
            continue
        mean = ours[start_s].area / ours[start_s].seen_s
        assert mean == pytest.approx(average, abs=5.1e-4), start_s
        compared += 1
    assert compared == {"Historian1": 8, "Historian2": 14, "Historian5": 13}[history]


@pytest.mark.parametrize("history", SLOPED)
def test_good_time_of_opc_10000_13_is_our_seen_time_and_what_we_do_not_credit(
    examples: Examples, history: str
) -> None:
    """Every 16 s interval, to the millisecond."""
    ours = intervals(examples.raw[history], 16.0)
    for start_s, good_ms in examples.results["DurationGood", history].items():
        more_s = MORE_GOOD_S[history].get(start_s, 0.0)
        seen_s = ours[start_s].seen_s if start_s in ours else 0.0
        assert (good_ms or 0.0) / 1000.0 - seen_s == pytest.approx(more_s, abs=1e-9), start_s


@pytest.mark.parametrize("history", SLOPED)
def test_bad_time_of_opc_10000_13_is_our_blind_time_but_for_what_we_do_not_credit(
    examples: Examples, history: str
) -> None:
    """Every 16 s interval up to the last sample, to the millisecond."""
    ours = intervals(examples.raw[history], 16.0)
    for start_s, bad_ms in examples.results["DurationBad", history].items():
        more_s = MORE_BLIND_S[history].get(start_s, 0.0)
        blind_s = ours[start_s].blind_s if start_s in ours else 0.0
        assert blind_s - (bad_ms or 0.0) / 1000.0 == pytest.approx(more_s, abs=1e-9), start_s
