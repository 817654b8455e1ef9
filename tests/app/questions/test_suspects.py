"""The question for suspects, asked of a ledger."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from app.questions.plant import OUTSIDE, configuration, instant_ns, made, record
from outputs.ledger.samples import at, recording
from watchedpot.app.questions.suspects import Answer, Question, ask
from watchedpot.core.rules import Verdict
from watchedpot.errors import ConfigError, LedgerError
from watchedpot.outputs.ledger.record import Batch

ASKED = instant_ns(700.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of the plant."""
    return record(tmp_path / "cell.ledger")


def asked(path: Path, **options: Any) -> Answer:
    """An answer, asked at 700 s."""
    return ask(path, Question(ASKED, **options))


def numbers(answer: Answer) -> list[tuple[str, int, int, str]]:
    """Cell, numbers and verdict of each range."""
    return [(one.said.cell, one.first, one.last, one.said.verdict.value) for one in answer.ranges]


def test_suspects_are_told_most_urgent_first(path: Path) -> None:
    """Begun 8 s before they were counted, parts can be reworked for 600 s."""
    assert numbers(asked(path)) == [
        ("lens_4", 5, 7, "quarantine"),
        ("lens_4", 8, 8, "review"),
        ("housing_7", 12, 12, "review"),
        ("lens_4", 1, 1, "review"),
        ("lens_4", 9, 9, "unknown"),
    ]


def test_all_parts_are_counted(path: Path) -> None:
    """Verdicts are counted by the newest judgement, parts that are clear too."""
    counts = asked(path).counts
    assert counts == {
        Verdict.CLEAR: 4,
        Verdict.NOTE: 0,
        Verdict.REVIEW: 3,
        Verdict.UNKNOWN: 1,
        Verdict.QUARANTINE: 3,
    }


def test_time_cell_and_charge_choose(path: Path) -> None:
    """Each choice narrows ranges and counts alike."""
    early = asked(path, since_ns=instant_ns(90.0), until_ns=instant_ns(130.0))
    assert numbers(early) == [("lens_4", 5, 6, "quarantine")]
    assert sum(early.counts.values()) == 2
    assert early.span_ns == (instant_ns(90.0), instant_ns(130.0))
    other = asked(path, cell="housing_7")
    assert (numbers(other), sum(other.counts.values())) == ([("housing_7", 12, 12, "review")], 1)
    charge = asked(path, charge="52")
    assert (numbers(charge), sum(charge.counts.values())) == ([("lens_4", 1, 1, "review")], 1)
    assert charge.ranges[0].said.epoch == 1


def test_without_choice_it_is_about_the_whole_record(path: Path) -> None:
    """From the first start of the daemon to the newest row."""
    assert asked(path).span_ns == (instant_ns(0.0), instant_ns(1199.0) + 8)


def test_all_verdicts_can_be_asked_for(path: Path) -> None:
    """Clear parts are ranges like the others, and no suspects."""
    answer = asked(path, is_of_all=True)
    assert ("lens_4", 1, 4, "clear") in numbers(answer)
    assert len(answer.suspects) == 5


def test_a_part_that_was_judged_again_tells_its_earlier_verdict(path: Path) -> None:
    """With the reason, and under the configuration of its run; others have no earlier one."""
    earlier = {one.first: one.said.earlier for one in asked(path, cell="lens_4").ranges}
    assert earlier == {5: None, 8: Verdict.CLEAR, 1: None, 9: None}
    (again,) = (one for one in asked(path).ranges if one.first == 8)
    assert again.said.because == "readings lost"
    assert again.said.revision == asked(path).settings.revision(1)
    everything = asked(path, is_of_all=True)
    assert [one.first for one in everything.ranges if one.said.earlier is not None] == [8]


def test_decisions_are_beside_their_parts(path: Path) -> None:
    """A decision is not about the part that bears the number after a reset."""
    found = {
        one.first: one.said.decided.word
        for one in asked(path).ranges
        if one.said.decided is not None
    }
    assert found == {9: "scrapped"}


def test_gaps_and_jumps_come_with_it(path: Path) -> None:
    """What lowers the claim is part of the answer, as far as it lies in the span."""
    answer = asked(path)
    assert [gap.of for gap in answer.gaps] == ["lens_4", ""]
    assert answer.uncounted == 2
    other = asked(path, cell="housing_7")
    assert [gap.of for gap in other.gaps] == [""]
    assert other.jumps == ()
    assert asked(path, until_ns=instant_ns(200.0)).gaps == ()


def test_the_caution_is_that_of_the_suspect_cells(path: Path) -> None:
    """A cell without a material has none."""
    assert list(asked(path, cell="lens_4").rework) == ["demo_silicone"]
    assert asked(path, cell="housing_7").rework == {}


def test_a_ledger_in_use_can_be_asked(tmp_path: Path) -> None:
    """While the daemon writes, each question sees what is recorded by then."""
    path = tmp_path / "cell.ledger"
    with recording(path, config=configuration()) as recorder:
        recorder.write([Batch(events=(made(1, 10.0),))])
        assert numbers(asked(path)) == []
        recorder.write([Batch(events=(made(2, 20.0, Verdict.QUARANTINE, OUTSIDE),))])
        assert numbers(asked(path)) == [("lens_4", 2, 2, "quarantine")]


def test_an_empty_ledger_has_no_suspects(tmp_path: Path) -> None:
    """Nothing was recorded, so nothing was judged."""
    path = tmp_path / "cell.ledger"
    with recording(path):
        pass
    answer = asked(path)
    assert answer.ranges == ()
    assert answer.span_ns == (ASKED, ASKED + 1)


def test_what_cannot_be_asked_is_refused(path: Path) -> None:
    """A cell that is not configured, and a file that is no ledger."""
    with pytest.raises(ConfigError, match="got 'lens_5'"):
        asked(path, cell="lens_5")
    with pytest.raises(LedgerError):
        asked(path.with_name("other.ledger"))


def test_the_moment_of_asking_decides_what_can_be_reworked(path: Path) -> None:
    """A minute later fewer parts are in time."""
    now = sum(one.reworkable for one in asked(path).ranges)
    later = ask(path, Question(at(780.0).utc_ns))
    assert (now, sum(one.reworkable for one in later.ranges)) == (5, 2)
