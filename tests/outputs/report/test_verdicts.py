"""Totals, ranges and decisions about parts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from outputs.report import sample
from outputs.report.sample import at, part
from watchedpot.core.model import Event
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.verdicts import UNDECIDED, WORST_FIRST, Made, Numbers, made


def made_of(path: Path, *events: Event) -> Made:
    """What is told of these parts."""
    sample.record(path, Batch((), events), config=sample.config_text(sample.RULES))
    decided = tuple(ledger.dispositions(path, cell="lens_4"))
    return made(ledger.parts(path, cell="lens_4"), ("syringe", "nozzle"), decided)


def test_ranges_have_no_holes(facts: Facts) -> None:
    """The clear parts are what the suspects leave."""
    shown = {total.verdict: [str(each) for each in total.numbers] for total in facts.made.totals}
    dash = "\N{EN DASH}"
    assert shown[Verdict.QUARANTINE] == [f"126{dash}128"]
    assert shown[Verdict.REVIEW] == ["140"]
    assert shown[Verdict.CLEAR] == [f"101{dash}125", f"129{dash}139", f"143{dash}150"]


def test_totals_are_worst_first() -> None:
    """An auditor reads from the top."""
    assert (WORST_FIRST[0], WORST_FIRST[-1]) == (Verdict.QUARANTINE, Verdict.CLEAR)


def test_suspects_of_one_reason_are_one_range(facts: Facts) -> None:
    """Three ranges in order of time, each with its reason."""
    cold, before, blind = facts.made.suspects
    assert (cold.numbers, cold.rules) == (
        Numbers(126, 128),
        ((PartRule.OUTSIDE_WINDOW, "nozzle"),),
    )
    assert (cold.from_ns, cold.to_ns) == (at(600).utc_ns, at(648).utc_ns)
    assert cold.charges == ("42",)
    assert (before.numbers, before.because) == (Numbers(140, 140), "readings lost")
    assert (blind.numbers, blind.verdict) == (Numbers(141, 142), Verdict.UNKNOWN)


def test_the_newest_judgement_counts_once(facts: Facts) -> None:
    """Part 140 was clear at first."""
    assert facts.made.rejudged == 1
    assert facts.made.count == 50


def test_decisions_reach_their_parts(facts: Facts) -> None:
    """126 and 127 are scrapped, of 128 nobody has said anything."""
    cold = facts.made.suspects[0]
    assert dict(cold.decided) == {"scrapped": 2, UNDECIDED: 1}
    assert cold.undecided == 1


def test_only_undecided_parts_wait_for_rework(facts: Facts) -> None:
    """Four hours after each bead, in order of time."""
    begun = (640, 880, 900, 920)
    assert facts.made.reworkable_ns == tuple(at(s + sample.REWORK_S).utc_ns for s in begun)


def test_a_decision_before_the_part_is_not_about_it(tmp_path: Path) -> None:
    """A counter comes back to its numbers after a reset."""
    said = sample.entered("disposition", 10, subject="5", word="released")
    late = part(5, 100, verdict="review", rules="after_idle")
    (group,) = made_of(tmp_path / "a.ledger", said, late).suspects
    assert dict(group.decided) == {UNDECIDED: 1}


def test_the_newest_decision_counts(tmp_path: Path) -> None:
    """Held first, released later."""
    bad = part(5, 100, verdict="review", rules="after_idle")
    said = [
        sample.entered("disposition", second, subject="1-5", word=word)
        for second, word in ((200, "held"), (300, "released"))
    ]
    (group,) = made_of(tmp_path / "a.ledger", bad, *said).suspects
    assert dict(group.decided) == {"released": 1}


def test_a_counter_that_began_anew_begins_a_range(tmp_path: Path) -> None:
    """Numbers of two epochs never join."""
    parts = [
        part(n, 20 * n, epoch=epoch, verdict="review", rules="after_idle")
        for n, epoch in ((1, 0), (2, 1))
    ]
    found = made_of(tmp_path / "a.ledger", *parts)
    assert [each.numbers for each in found.suspects] == [Numbers(1, 1), Numbers(2, 2)]
    review = next(t for t in found.totals if t.verdict is Verdict.REVIEW)
    assert review.numbers == (Numbers(1, 1), Numbers(2, 2))


def test_parts_that_cannot_be_told_apart_count_but_have_no_value(tmp_path: Path) -> None:
    """Three parts behind one count."""
    found = made_of(
        tmp_path / "a.ledger", part(7, 100, last=9, verdict="unknown", rules="uncounted")
    )
    assert (found.count, found.suspect_count) == (3, 3)
    assert found.suspects[0].count == 3
    assert found.zones["nozzle"].at_ns.size == 0
    assert found.charges == {"42": (3, Numbers(7, 9))}


def test_values_of_zones_are_kept_in_order_of_time(facts: Facts) -> None:
    """Fifty parts, two of them not seen; extremes over all."""
    nozzle = facts.made.zones["nozzle"]
    assert nozzle.at_ns.size == 50
    assert (np.diff(nozzle.at_ns) > 0).all()
    assert int(np.isnan(nozzle.mean_c).sum()) == 2
    assert nozzle.low_c == 111.5
    assert nozzle.high_c == pytest.approx(120.7)
    assert facts.made.tip_low_c == pytest.approx(115.0)


def test_nothing_made_is_nothing_to_tell(tmp_path: Path) -> None:
    """All totals stand at zero."""
    found = made_of(tmp_path / "a.ledger")
    assert (found.count, found.suspects, found.reworkable_ns) == (0, (), ())
    assert (found.zones["nozzle"].low_c, found.tip_low_c) == (None, None)


def test_a_zone_that_a_part_does_not_name_is_unseen(tmp_path: Path) -> None:
    """A zone that was configured later has no value of the part."""
    path = tmp_path / "a.ledger"
    sample.record(path, Batch((), (part(1, 10),)), config=sample.config_text(sample.RULES))
    found = made(ledger.parts(path, cell="lens_4"), ("hose",))
    assert np.isnan(found.zones["hose"].mean_c).all()
    assert found.zones["hose"].coverage.tolist() == [0.0]
