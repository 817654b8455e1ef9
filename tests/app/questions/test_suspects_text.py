"""The suspects in words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from app.questions.plant import ZONE, instant_ns, record, recorded
from outputs.ledger.samples import at
from watchedpot.app.questions.ranges import by_urgency, ranges_of
from watchedpot.app.questions.settings import Settings
from watchedpot.app.questions.suspects import Answer, Question, ask
from watchedpot.app.questions.suspects_text import MOST_TOLD, reasons, sentence, text
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedPart
from watchedpot.outputs.wording import rule_words

ASKED = instant_ns(700.0)


@pytest.fixture
def answer(tmp_path: Path) -> Answer:
    """The suspects of the plant, asked at 700 s."""
    return ask(record(tmp_path / "cell.ledger"), Question(ASKED))


def of(
    *parts: RecordedPart, asked_s: float = 0.0, decided: tuple[ledger.Disposition, ...] = ()
) -> Answer:
    """An answer about parts alone."""
    asked_ns = instant_ns(asked_s)
    ranges = by_urgency(ranges_of(parts, asked_ns=asked_ns, decided=decided))
    counts = dict.fromkeys(Verdict, 0)
    for part in parts:
        counts[part.verdict] += part.count
    span_ns = (instant_ns(0.0), instant_ns(600.0))
    return Answer(Question(asked_ns), span_ns, counts, tuple(ranges), Settings({}, ()))


def test_the_first_sentence_says_it_all(answer: Answer) -> None:
    """Which, how bad, what was decided, what can still be done, and what has no number."""
    assert sentence(answer, ZONE) == (
        "7 parts are suspect: housing_7 12, lens_4 5-9, lens_4 1; 3 quarantine, 1 unknown,"
        " 3 review; 1 decided about; 5 can still be reworked, the first until 17:18;"
        " 2 parts made without a number: treat as suspect"
    )


@pytest.mark.parametrize(
    ("parts", "asked_s", "words"),
    [
        (
            (recorded(41877),),
            0.0,
            "1 part of lens_4 is suspect: 41877; 1 quarantine; 1 can still be reworked until"
            " 2025-06-20 13:36",
        ),
        (
            tuple(recorded(number) for number in range(2, 16, 2)),
            740.0,
            "7 parts of lens_4 are suspect: 2, 4, 6, 8, 10, 12 and 1 more; 7 quarantine;"
            " none can be reworked any more",
        ),
        (
            (recorded(1, reworkable_until_utc_ns=None), recorded(2)),
            900.0,
            "2 parts of lens_4 are suspect: 1-2; 2 quarantine; how long parts can be reworked is"
            " not configured",
        ),
    ],
)
def test_the_sentence_knows_how_urgent_it_is(
    parts: tuple[RecordedPart, ...], asked_s: float, words: str
) -> None:
    """Many ranges are cut short, a moment of another day has its date."""
    assert sentence(of(*parts, asked_s=asked_s), ZONE) == words


def test_what_is_settled_is_not_urgent() -> None:
    """Where all is decided nothing is said of rework."""
    scrapped = ledger.Disposition(1, at(900.0), "lens_4", 1, 2, "scrapped", "kim", "")
    told = sentence(of(recorded(1), recorded(2), decided=(scrapped,)), ZONE)
    assert told == "2 parts of lens_4 are suspect: 1-2; 2 quarantine; 2 decided about"


def test_no_suspect_is_told_with_what_was_watched(answer: Answer) -> None:
    """How many parts, over which time, how much of it was not watched, what has no number."""
    nothing = replace(answer, ranges=())
    assert sentence(nothing, ZONE) == (
        "No part is suspect, of 11 parts, 2025-06-15 17:06:40 to 17:26:39 +02:00;"
        " 10 min 31 s of it not watched; 2 parts made without a number: treat as suspect"
    )
    beside = replace(of(), span_ns=(instant_ns(9.0), instant_ns(9.0)))
    assert sentence(beside, ZONE) == (
        "Nothing was recorded in this span, so nothing is known of its parts"
    )
    assert sentence(of(), ZONE) == (
        "No part is suspect, and none was counted, 2025-06-15 17:06:40 to 17:16:40 +02:00"
    )


def test_the_whole_answer_reads_well(answer: Answer) -> None:
    """Each range with rework, time, charge, reasons and decision, then the facts around it."""
    lines = text(answer, ZONE).splitlines()
    assert max(map(len, lines)) <= 100
    start = lines.index("QUARANTINE  lens_4 5-7, 3 parts")
    assert lines[start + 1 : start + 6] == [
        "  rework    2 of 3, the first until 17:18:32, 12.0 s left",
        "  made      2025-06-15 17:08:12 to 17:09:00 +02:00",
        "  charge    51, aged 1 h 01 min to 1 h 02 min, 4 % of its pot life",
        "  because   nozzle outside its window while dispensing: 111.0 to 120.0 degC, window 115.0"
        " to 126.0,",
        "            tip 107.0 to 116.0 degC, at least 110.0",
    ]
    for line in (
        "  again     judged again (readings lost), was clear",
        "  charge    51, age not known",
        "  decided   scrapped by kim, 2025-06-15 17:12:35 +02:00: glued wrong",
        "REVIEW      lens_4 1, 1 part, counter begun anew 1 x",
        "Judged      11 parts, 2025-06-15 17:06:40 to 17:26:39 +02:00",
        "Verdicts    3 quarantine, 1 unknown, 3 review, 0 clear with note, 4 clear"
        " (newest judgement)",
        "Rework      demo_silicone, within 10 min 00 s of dispensing: Warm it only under the hood.",
        "Times are local, +02:00; rework as of 2025-06-15 17:18:20 +02:00.",
    ):
        assert line in lines
    words = " ".join(" ".join(lines).split())
    assert "2 gaps, 10 min 31 s in all: source lens_4 not read for 30.0 s" in words
    assert "reset from 9 to 0 at 2025-06-15 17:12:20 +02:00; 2 parts made without" in words
    assert "no safety device" in words
    assert "safety data sheet" in words


def test_a_quiet_record_is_told_too() -> None:
    """Without gaps and jumps it says so."""
    lines = text(of(), ZONE).splitlines()
    assert "Not seen    no gap in the record" in lines
    assert any(line.endswith("every count has its part") for line in lines)


def test_an_old_record_says_how_old_it_is(answer: Answer) -> None:
    """Parts may have been made since it ended; a span that was asked for ends where it should."""
    late = replace(answer.question, asked_ns=answer.span_ns[1] + 3_600_000_000_000)
    told = " ".join(text(replace(answer, question=late), ZONE).split())
    assert "The record ends at 2025-06-15 17:26:39 +02:00: what came after is not known." in told
    bounded = replace(late, until_ns=answer.span_ns[1])
    assert "record ends" not in " ".join(text(replace(answer, question=bounded), ZONE).split())
    beyond = replace(late, until_ns=answer.span_ns[1] + 3_600_000_000_000)
    assert "record ends" in " ".join(text(replace(answer, question=beyond), ZONE).split())


def test_what_is_too_late_for_rework_says_since_when() -> None:
    """Each way of rework has its words; parts that are not suspect have none."""
    late = text(of(recorded(1), asked_s=700.0), ZONE)
    assert "  rework    no longer, since 2025-06-15 17:16:50 +02:00" in late
    assert "  rework    until 17:16:50, 10 min 10 s left" in text(of(recorded(1)), ZONE)
    unknown = text(of(recorded(1, reworkable_until_utc_ns=None)), ZONE)
    assert "  rework    how long is not configured" in unknown
    assert "rework  " not in text(of(recorded(1, Verdict.CLEAR, ())), ZONE)


def test_many_ranges_are_cut_short() -> None:
    """The most urgent are told, the others are counted."""
    told = text(of(*(recorded(2 * number) for number in range(1, MOST_TOLD + 3))), ZONE)
    assert told.count("QUARANTINE") == MOST_TOLD
    assert "And 2 more ranges; --csv and --json have them all." in told


def test_many_gaps_are_cut_short(answer: Answer) -> None:
    """Eight are told, the others are counted."""
    told = " ".join(text(replace(answer, gaps=answer.gaps[:1] * 10), ZONE).split())
    assert "10 gaps, 30.0 s in all" in told
    assert "and 2 gaps more, see history" in told


@pytest.mark.parametrize(
    ("rule", "zone", "figures"),
    [
        (PartRule.NEAR_EDGE, "nozzle", ": 113.0 to 119.0 degC, window 115.0 to 126.0"),
        (PartRule.OVER_CEILING, "nozzle", ": 113.0 to 119.0 degC, limit 140.0"),
        (PartRule.BLIND, "nozzle", ": 100 % of it seen"),
        (PartRule.BEFORE_LOSS, "nozzle", ""),
        (PartRule.BLIND, "tank", ""),
        (PartRule.SPENT_CHARGE, "", ": 4 % used"),
        (PartRule.OPEN_TIME, "", ": 12 min 00 s after dispensing began"),
        (PartRule.AFTER_IDLE, "", ": longer than 10 min 00 s"),
        (PartRule.UNKNOWN_AGE, "", ""),
        (PartRule.UNTRUE_READING, "nozzle", ": finding lens_4/3, frozen in data"),
        (PartRule.SLIPPED_SENSOR, "nozzle", ""),
    ],
)
def test_each_rule_has_its_figures(answer: Answer, rule: PartRule, zone: str, figures: str) -> None:
    """The rule in words, and the figure that it is about with its limit."""
    part = recorded(1, rules=((rule, zone),), joined_s=720.0, findings="lens_4/3 frozen_in_data")
    (one,) = ranges_of([part], asked_ns=ASKED)
    assert reasons(one, answer.settings) == [rule_words(rule.value, zone) + figures]


@pytest.mark.parametrize(
    ("change", "rule", "figures"),
    [
        ({}, PartRule.OUTSIDE_WINDOW, ": 113.0 to 119.0 degC"),
        ({"joined_s": None}, PartRule.OPEN_TIME, ""),
        ({"life_used": None}, PartRule.SPENT_CHARGE, ""),
        ({"zones": {}}, PartRule.OUTSIDE_WINDOW, ""),
        ({}, PartRule.AFTER_IDLE, ""),
        ({}, PartRule.OVER_CEILING, ": 113.0 to 119.0 degC"),
    ],
)
def test_figures_that_are_not_known_are_left_out(
    change: dict[str, Any], rule: PartRule, figures: str
) -> None:
    """Without a configuration or a figure the rule stands alone."""
    part = recorded(1, rules=((rule, "nozzle"),), **change)
    (one,) = ranges_of([part], asked_ns=ASKED)
    assert reasons(one, Settings({}, ())) == [rule_words(rule.value, "nozzle") + figures]


def test_a_steady_temperature_is_told_once() -> None:
    """Lowest and highest that show the same are one number; an unseen zone has none."""
    zone = ledger.ZoneOfPart(117.01, 117.0, 117.04, 1.0)
    unseen = ledger.ZoneOfPart(None, None, None, 0.0)
    rules = ((PartRule.NEAR_EDGE, "nozzle"),)
    for given, figures in ((zone, ": 117.0 degC"), (unseen, "")):
        (one,) = ranges_of([recorded(1, rules=rules, zones={"nozzle": given})], asked_ns=ASKED)
        expected = rule_words("near_edge", "nozzle") + figures
        assert reasons(one, Settings({}, ())) == [expected]


def test_a_charge_is_told_as_far_as_it_is_known() -> None:
    """Without a name, without an age, without a pot life."""
    nameless = text(of(recorded(1, charge_id=None, life_used=None)), ZONE)
    assert "  charge    not known, aged 1 h 00 min\n" in nameless


def test_a_material_without_a_time_has_its_caution(answer: Answer) -> None:
    """Time and caution are told as far as they are configured."""
    cautious = replace(answer, rework={"demo_silicone": (None, "Mind\nthe vapours.")})
    assert "Rework      demo_silicone, Mind the vapours." in text(cautious, ZONE)
