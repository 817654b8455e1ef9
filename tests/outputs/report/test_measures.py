"""Figures of a report: coverage, time, temperatures, inspection."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from pathlib import Path

import numpy as np

from outputs.report import sample
from outputs.report.reading import rows_of, words_of
from outputs.report.sample import BEGIN_NS
from watchedpot.core.units import NANO
from watchedpot.outputs.report import measures
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.inspection import Comparison, Inspection, Quantity
from watchedpot.outputs.report.readings import spans
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)
DASH = "\N{EN DASH}"


def test_coverage_names_each_gap(facts: Facts) -> None:
    """31 s of 1200 s in one gap."""
    markup = measures.coverage(facts, STYLE)
    figures = ["97.42 %", "31.0 s", "1", "31.0 s", "3.0 s"]
    assert rows_of(markup) == [["syringe", *figures], ["nozzle", *figures]]
    assert "nozzle, gaps: 06:14:59 (31.0 s)." in words_of(markup)


def test_of_many_gaps_the_longest_are_named(facts: Facts) -> None:
    """In order of time, with a word that there are more."""
    starts = [BEGIN_NS + 60 * n * NANO for n in range(15)]
    gaps = spans((start, start + (n + 1) * NANO) for n, start in enumerate(starts))
    zone = replace(facts.zones[0], trace=replace(facts.zones[0].trace, gaps=gaps))
    text = words_of(measures.coverage(replace(facts, zones=(zone,)), STYLE))
    assert "syringe, the 12 longest gaps: 06:03:00 (4.0 s), 06:04:00 (5.0 s)" in text


def test_a_zone_without_gaps_needs_no_list(sample_ledger: Path) -> None:
    """All of it seen."""
    markup = measures.coverage(sample.facts_of(sample_ledger, to_s=800), STYLE)
    assert rows_of(markup)[0] == ["syringe", "100 %", "0.0 s", "0", DASH, "3.0 s"]
    assert "gaps:" not in words_of(markup)


def test_time_is_split_in_shares_of_the_whole(facts: Facts) -> None:
    """384 s of 1200 s are 32 %."""
    assert rows_of(measures.split(facts))[1] == [
        *("nozzle", "6 min 24 s (32.0 %)", "12 min 05 s (60.4 %)", "1 min 00 s (5.0 %)"),
        *(DASH, DASH, "31.0 s (2.6 %)"),
    ]


def test_an_index_is_withheld_with_its_reason(facts: Facts) -> None:
    """48 parts are too few; formulas have their source."""
    markup = measures.temperatures(facts, STYLE)
    nozzle = rows_of(markup)[1]
    assert nozzle[:3] == ["nozzle", "48", "115.0 to 126.0 °C"]
    assert nozzle[6:] == ["111.5 °C", "120.7 °C", DASH, DASH]
    assert "nozzle: no index, 48 parts, fewer than 50." in words_of(markup)
    assert "NIST/SEMATECH e-Handbook" in words_of(markup)
    assert "Tip of the nozzle while dispensing, estimated: 115.0 °C" in words_of(markup)


def test_an_index_stands_where_there_are_enough(facts: Facts) -> None:
    """Figures as the capability gives them."""
    zone = facts.zones[1]
    found = replace(zone.capability, cpk=1.234, ppk=0.987, withheld="")
    made = replace(facts.made, tip_low_c=None)
    other = replace(facts, zones=(replace(zone, capability=found),), made=made)
    markup = measures.temperatures(other, STYLE)
    assert rows_of(markup)[0][-2:] == ["1.23", "0.99"]
    assert "no index" not in words_of(markup)
    assert "Tip of the nozzle" not in words_of(markup)


def test_too_few_misses_are_said_to_be_too_few(facts: Facts) -> None:
    """Three misses: means, and no correlation."""
    markup = measures.inspection(facts, STYLE)
    assert "48 parts carry a result: 45 passed, 3 missed (6.2 %)." in words_of(markup)
    assert "too few to compare" in words_of(markup)
    nozzle = next(row for row in rows_of(markup) if row[0] == "nozzle temperature")
    assert nozzle == [
        *("nozzle temperature", "45", "120.1 °C", "3", "112.0 °C", DASH, "too few to say"),
    ]


def test_enough_misses_lie_somewhere(facts: Facts) -> None:
    """Higher, lower or neither, each quantity in its unit."""
    low, high = np.arange(10.0), np.arange(10.0) + 100.0
    found = Inspection(
        *(10, 10),
        comparisons=(
            Comparison(Quantity.TEMP, "nozzle", low, high),
            Comparison(Quantity.AGE, "", high, low),
            Comparison(Quantity.IDLE, "", low, low),
            Comparison(Quantity.WIDTH, "", low, np.array([])),
        ),
    )
    rows = rows_of(measures.inspection(replace(facts, inspection=found), STYLE))
    assert rows == [
        ["nozzle temperature", "10", "4.5 °C", "10", "104.5 °C", "+1.00", "higher"],
        ["age of the charge", "10", "1 min 44 s", "10", "4.5 s", "-1.00", "lower"],
        [
            "pause before the part",
            "10",
            "4.5 s",
            "10",
            "4.5 s",
            "+0.00",
            "neither higher nor lower",
        ],
        ["width of the bead", "10", "4.50 mm", "0", DASH, DASH, "too few to say"],
    ]


def test_without_inspection_there_is_no_section(facts: Facts) -> None:
    """Nothing to compare."""
    assert measures.inspection(replace(facts, inspection=None), STYLE) == ""
