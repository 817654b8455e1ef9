"""Rules in force, and spans of charges, from a ledger."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from outputs.report import sample
from outputs.report.sample import at, config_text, event, record
from watchedpot.core.model import EventKind
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report.revisions import (
    cells_of,
    charge_span,
    in_force,
    rules_of,
    windows,
)

NARROW = replace(
    sample.RULES, zones=(sample.RULES.zones[0], replace(sample.RULES.zones[1], low_c=116.0))
)


@pytest.fixture
def changed(tmp_path: Path) -> Path:
    """Three runs; the second has a narrower window of the nozzle, the third keeps it."""
    path, whole = tmp_path / "changed.ledger", sample.readings()
    for begin, rules in ((0, sample.RULES), (600, NARROW), (900, NARROW)):
        block = whole.rows(begin, begin + 100)
        record(path, Batch((block,), ()), config=config_text(rules), begin=at(begin))
    return path


def test_rules_read_back_as_they_were(changed: Path) -> None:
    """JSON and back changes no rule."""
    first, second, third = rules_of(changed, "lens_4")
    assert first.rules == sample.RULES
    assert second.rules == third.rules == NARROW
    assert second.revision == third.revision != first.revision
    assert cells_of(changed) == ("lens_4",)


def test_each_change_of_rules_is_one_revision(changed: Path) -> None:
    """Two in the whole time, one in a part, the first before there was any."""
    runs = rules_of(changed, "lens_4")

    def begins(from_s: float, to_s: float) -> list[int]:
        found = in_force(runs, at(from_s).utc_ns, at(to_s).utc_ns)
        return [round((each.from_ns - at(0).utc_ns) / 1e9) for each in found]

    assert begins(0, 1200) == [0, 600]
    assert begins(700, 1200) == [600]
    assert begins(100, 200) == [0]
    assert begins(-100, -50) == [0]
    assert begins(-100, 10) == [0]


def test_windows_follow_the_rules(changed: Path) -> None:
    """The window of the nozzle moves at 600 s."""
    span_ns = (at(100).utc_ns, at(1200).utc_ns)
    found = list(windows("nozzle", in_force(rules_of(changed, "lens_4"), *span_ns), span_ns))
    assert [(each.low_c, each.high_c) for each in found] == [(115.0, 126.0), (116.0, 126.0)]
    assert [(each.from_ns, each.to_ns) for each in found] == [
        (at(100).utc_ns, at(600).utc_ns),
        (at(600).utc_ns, at(1200).utc_ns),
    ]


def test_a_zone_without_rules_has_no_window(changed: Path) -> None:
    """It was not there then."""
    span_ns = (at(0).utc_ns, at(10).utc_ns)
    assert not list(windows("hose", rules_of(changed, "lens_4")[:1], span_ns))


def test_a_configuration_that_is_no_configuration_has_no_cells(tmp_path: Path) -> None:
    """A ledger of something else is refused in words."""
    path = tmp_path / "other.ledger"
    record(path, Batch((sample.readings().rows(0, 1),), ()), config="poll_period_s = 1.0")
    assert cells_of(path) == ()
    with pytest.raises(LedgerError, match="its cells are: none"):
        rules_of(path, "lens_4")


def test_rules_of_another_version_are_refused_in_words(tmp_path: Path) -> None:
    """The fault is named, with what to do."""
    path = tmp_path / "other.ledger"
    config = config_text(sample.RULES).replace('"low_c": 104.0', '"low_c": "warm"')
    record(path, Batch((sample.readings().rows(0, 1),), ()), config=config)
    with pytest.raises(LedgerError, match=r"zones\.0\.low_c.*the version that wrote"):
        rules_of(path, "lens_4")


def test_a_charge_lasts_until_the_next(sample_ledger: Path) -> None:
    """41 was found at 1 s, 42 loaded at 50 s and is still in use."""
    assert charge_span(sample_ledger, "lens_4", "41") == (at(1).utc_ns, at(50).utc_ns)
    assert charge_span(sample_ledger, "lens_4", "42") == (at(50).utc_ns, None)


def test_an_unknown_charge_is_refused_with_those_there_are(sample_ledger: Path) -> None:
    """The newest names help to see a typing error."""
    with pytest.raises(LedgerError, match=r"'43'.*the newest charges are: 41, 42"):
        charge_span(sample_ledger, "lens_4", "43")


def test_of_a_charge_used_twice_the_newer_time_counts(tmp_path: Path) -> None:
    """And that a charge was kept is no change."""
    path = tmp_path / "charges.ledger"
    told = [(0, "1", "found"), (10, "2", "signal"), (20, "1", "signal"), (30, "1", "kept")]
    events = [
        event(EventKind.CHARGE_CHANGED, second, charge_id=name, how=how)
        for second, name, how in told
    ]
    record(path, Batch((), tuple(events)), config=config_text(sample.RULES))
    assert charge_span(path, "lens_4", "1") == (at(20).utc_ns, None)
