"""Facts of a small ledger against figures computed by hand from what ``sample`` says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from outputs.report import sample
from outputs.report.sample import at
from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import Verdict
from watchedpot.errors import LedgerError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report import pictures
from watchedpot.outputs.report.facts import Facts, gather
from watchedpot.outputs.report.revisions import LimitChange
from watchedpot.outputs.report.style import Style


def test_every_part_is_in_one_total(facts: Facts) -> None:
    """50 beads: 3 too cold, 2 unseen, 1 before the loss, the rest clear."""
    counts = {total.verdict: total.count for total in facts.made.totals}
    assert counts == {
        Verdict.QUARANTINE: 3,
        Verdict.UNKNOWN: 2,
        Verdict.REVIEW: 1,
        Verdict.NOTE: 0,
        Verdict.CLEAR: 44,
    }
    assert facts.made.count == 50


def test_a_zone_is_seen_but_for_its_gap(facts: Facts) -> None:
    """From the last good reading at 899 s to the next at 930 s: 31 s of 1200 s."""
    for zone in facts.zones:
        assert zone.blind_s == 31.0
        assert zone.coverage == pytest.approx(1.0 - 31.0 / 1200.0, abs=1e-12)
        assert len(zone.trace.gaps) == 1


def test_the_time_is_split_without_rest(facts: Facts) -> None:
    """48 beads of 8 s, 31 s unseen, 60 s of heating, and what is left of 20 min is idle."""
    for zone in facts.zones:
        assert zone.split_s == (384.0, 725.0, 60.0, 0.0, 0.0, 31.0)
        assert sum(zone.split_s) == facts.span_s


def test_capability_is_of_the_means_of_parts(facts: Facts) -> None:
    """48 parts have a mean, too few for an index; 45 of them alternate by 0.2 K, 3 are at 112."""
    nozzle = facts.zones[1].capability
    warm = [120.0 + 0.2 * (number % 2) for number in range(101, 151)]
    seen = [112.0 if 126 <= n <= 128 else c for n, c in zip(range(101, 151), warm, strict=True)]
    seen = [c for n, c in zip(range(101, 151), seen, strict=True) if n not in (141, 142)]
    assert nozzle.n == 48
    assert nozzle.mean_c == pytest.approx(sum(seen) / 48.0, abs=1e-9)
    assert nozzle.withheld == "48 parts, fewer than 50"


def test_an_excursion_is_told_as_recorded(facts: Facts) -> None:
    """One stay below the window."""
    (excursion,) = facts.excursions
    assert (excursion.zone, excursion.edge) == ("nozzle", "low")
    assert excursion.details["exposure_ks"] == 180.0


def test_an_alarm_is_told_with_who_answered_and_what_it_was(facts: Facts) -> None:
    """Raised at 615 s, acknowledged 15 s later, over at 680 s, found to be real."""
    (alarm,) = facts.alarms
    assert (alarm.zone, alarm.kind, alarm.mark) == ("nozzle", "cold", "real")
    assert (alarm.who, alarm.response) == ("A. Operator", "Hold dispensing.")
    assert alarm.activation.raised_ns == at(615).utc_ns
    assert alarm.activation.cleared_ns == at(680).utc_ns
    assert facts.performance.median_s == 15.0
    assert facts.performance.observed_s == 1169.0


def test_checks_are_held_against_the_tolerance(facts: Facts) -> None:
    """0.6 K is within 1 K, 2 K is not."""
    good, failed = facts.checks
    assert (good.zone, good.is_good) == ("nozzle", True)
    assert good.error_k == pytest.approx(0.6, abs=1e-9)
    assert (failed.zone, failed.is_good, failed.error_k) == ("syringe", False, 2.0)
    assert facts.last_check_ns == at(310).utc_ns


def test_the_last_check_before_a_span_is_known(sample_ledger: Path) -> None:
    """A span without a check says when the last one was; one before any says never."""
    later = sample.facts_of(sample_ledger, from_s=700)
    assert (later.checks, later.last_check_ns) == ((), at(310).utc_ns)
    assert sample.facts_of(sample_ledger, to_s=200).last_check_ns is None


def test_what_people_said_is_there(facts: Facts) -> None:
    """Six entries, in order of time, and one wipe."""
    said = [event.detail("entry") for event in facts.entries]
    assert said == ["charge_loaded", "check", "check", "note", "mark_alarm", "disposition"]
    assert len(facts.wipes) == 1
    assert [event.detail("uncounted") for event in facts.jumps] == [2]


def test_only_what_lies_in_the_span_counts(sample_ledger: Path) -> None:
    """The last minutes have no excursion, no alarm, and the parts from 700 s on."""
    later = sample.facts_of(sample_ledger, from_s=700)
    assert (later.excursions, later.alarms) == ((), ())
    assert later.made.count == 20
    assert later.zones[1].split_s == (18 * 8.0, 500.0 - 18 * 8.0 - 31.0, 0.0, 0.0, 0.0, 31.0)


def test_changes_of_limits_are_those_of_the_span(sample_ledger: Path) -> None:
    """Of two changes the one outside is left out."""
    changes = tuple(
        LimitChange(at(second).utc_ns, "low_c", "115", "116", "abc") for second in (500, 1300)
    )
    found = sample.facts_of(sample_ledger, changes=changes)
    assert found.changes == changes[:1]


def test_the_record_is_verified(facts: Facts, sample_ledger: Path) -> None:
    """The chain's report is the ledger's own."""
    assert facts.chain == ledger.verify(sample_ledger)
    assert facts.chain.is_whole


def test_an_unknown_cell_is_named(sample_ledger: Path) -> None:
    """The error says which cells there are."""
    with pytest.raises(LedgerError, match=r"housing_7.*its cells are: lens_4"):
        gather(
            sample_ledger,
            ledger.verify(sample_ledger),
            cell="housing_7",
            from_ns=0,
            to_ns=1,
            made_ns=2,
            version="0.1.0",
        )


def test_what_other_cells_did_is_theirs(tmp_path: Path) -> None:
    """Events of the daemon itself belong to every cell, those of another cell to none but it."""
    path = tmp_path / "two.ledger"
    told = (
        Event(EventKind.WIPED, at(5), "lens_5", "nozzle", (("who", ""),)),
        Event(EventKind.SOURCE_LOST, at(6), "", "", (("source", "lens_4"),)),
        sample.event(EventKind.PHASE_CHANGED, -60, "nozzle", **{"from": "heating", "to": "off"}),
    )
    batch = Batch((sample.readings().rows(0, 60),), told)
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    found = sample.facts_of(path, to_s=60)
    assert found.wipes == ()
    assert [event.kind for event in found.unmarked] == [EventKind.SOURCE_LOST]
    assert found.zones[1].split_s[4] == 60.0


def test_a_cell_without_signals_has_what_it_has(tmp_path: Path) -> None:
    """No dispensing signal, no counter: temperatures, gaps and phases stay."""
    path = tmp_path / "bare.ledger"
    bare = replace(sample.RULES, dispensing=None, parts=None)
    batch = Batch((sample.readings(),), ())
    sample.record(path, batch, config=sample.config_text(bare))
    found = sample.facts_of(path)
    assert (found.is_counted, found.readings.dispensing) == (False, None)
    assert found.zones[0].blind_s == 31.0
    assert pictures.timeline(found, (), Style()).startswith("<svg")
