"""The page as a whole: its first sentences, its parts in order, and that it is self-contained."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from html.parser import HTMLParser
from pathlib import Path

import pytest

from outputs.report import sample
from outputs.report.sample import NASTY, at, event, part
from watchedpot.core.model import Event, EventKind
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.page import lead, page
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)
VOID = {"meta", "link", "br", "img", "hr"}


class Reader(HTMLParser):
    """What a browser would see: elements in order, and whether all are closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Remember what is open."""
        self.seen.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element that closes itself."""
        self.seen.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        """Close the newest, which must be of this name."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Keep what is to be read, the style sheet aside."""
        if "style" not in self.open:
            self.words.append(data)


def read(text: str) -> Reader:
    """The page as a browser reads it."""
    reader = Reader()
    reader.feed(text)
    reader.close()
    return reader


def words_of(text: str) -> str:
    """What is to be read on a page, in one line."""
    return " ".join(" ".join(read(text).words).split())


@pytest.fixture(scope="module")
def shown(facts: Facts) -> str:
    """The page of the sample."""
    return page(facts, STYLE)


def facts_with(path: Path, *events: Event) -> Facts:
    """Facts of the sample's readings and other events."""
    batch = Batch((sample.readings().rows(0, 800),), events)
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    return sample.facts_of(path, to_s=800)


def test_the_page_is_well_formed(shown: str) -> None:
    """Every element is closed where it must be."""
    assert read(shown).open == []
    assert shown.startswith("<!DOCTYPE html>")


def test_the_page_needs_nothing_from_elsewhere(shown: str) -> None:
    """No script, no link, no source, no handler, no import."""
    reader = read(shown)
    assert not {"script", "link", "img", "iframe", "object"} & set(reader.seen)
    assert not [name for name, _ in reader.attributes if name.startswith("on") or name == "src"]
    assert not [value for name, value in reader.attributes if name == "href" and value[:1] != "#"]  # type: ignore[index]
    assert not re.search(r"https?:|@import|javascript:", shown)


def test_what_people_wrote_is_shown_and_never_run(shown: str) -> None:
    """A note and a reason with markup in them stand there as text."""
    assert "script" not in read(shown).seen
    assert NASTY in words_of(shown)
    assert "by <b>shift</b>" in words_of(shown)


def test_the_same_facts_give_the_same_page(facts: Facts, shown: str) -> None:
    """Byte for byte."""
    assert page(facts, STYLE) == shown


def test_the_parts_of_the_page_are_in_order(shown: str) -> None:
    """What decides comes first, cautions last."""
    assert re.findall(r"<h2>(.*?)</h2>", shown) == [
        "Parts",
        "Timeline",
        "Charges",
        "Excursions",
        "Causes and evidence",
        "Alarms",
        "People, limits and checks",
        "Coverage and gaps",
        "How the time was spent",
        "Temperatures while dispensing",
        "Inspection",
        "What this report cannot know",
        "Proof of the record",
        "Cautions",
    ]


def test_the_first_sentences_say_what_matters(facts: Facts) -> None:
    """How many, which, why, until when, and what was not seen."""
    dash = "\N{EN DASH}"
    assert lead(facts, STYLE) == (
        f"6 of 50 parts are suspect (126{dash}128, 140{dash}142).",
        "3 to quarantine: the nozzle was below its window from 06:10:00 to 06:11:00, at its"
        " furthest 112.0 °C.",
        "2 unknown: not seen while dispensing (syringe, nozzle), 06:15:00 to 06:15:28.",
        "1 to review: made shortly before readings were lost (nozzle), 06:14:40 to 06:14:48.",
        "4 of them can still be reworked: the first until 10:10:40, the last until 10:15:20.",
        "The cell was not seen for 31.0 s of 20 min 00 s.",
    )


def test_one_verdict_is_told_in_one_sentence(sample_ledger: Path) -> None:
    """As a person would say it."""
    some = sample.facts_of(sample_ledger, from_s=500, to_s=800)
    assert lead(some, STYLE)[0] == (
        "3 of 15 parts are suspect (126\N{EN DASH}128): the nozzle was below its window from"
        " 06:10:00 to 06:11:00, at its furthest 112.0 °C."
    )


def test_a_quiet_shift_is_told_as_such(sample_ledger: Path) -> None:
    """No suspect, no excursion, no alarm; without the last a quiet time only."""
    some = sample.facts_of(sample_ledger, from_s=700, to_s=860)
    assert lead(some, STYLE) == ("Quiet shift: no part is suspect, 8 parts made.",)
    alarmed = replace(some, performance=replace(some.performance, annunciated=1))
    assert lead(alarmed, STYLE) == ("Quiet time: no part is suspect, 8 parts made.",)


def test_a_single_suspect_is_one(tmp_path: Path) -> None:
    """Grammar for one."""
    some = facts_with(tmp_path / "a.ledger", part(1, 100, verdict="review", rules="open_time"))
    assert lead(some, STYLE)[0] == (
        "1 of 1 part is suspect (1): joined after the open time, 06:01:40 to 06:01:48."
    )


def test_without_parts_nothing_is_judged(sample_ledger: Path) -> None:
    """No counter is not the same as no part."""
    none = sample.facts_of(sample_ledger, to_s=90)
    assert lead(none, STYLE)[0] == "No part was counted in this time."
    assert lead(replace(none, is_counted=False), STYLE)[0].startswith("No parts are counted")
    assert "nothing to average" in words_of(page(none, STYLE))


def test_what_became_too_late_is_said(facts: Facts) -> None:
    """Five hours later no bead can be opened any more."""
    late = replace(facts, made_ns=at(5 * 3600).utc_ns)
    assert lead(late, STYLE)[4] == (
        "None of them can be reworked any more; about 4 nobody has decided yet."
    )
    assert "ended 10:10:00" in words_of(page(late, STYLE))


def test_parts_without_a_time_for_rework_are_undecided(tmp_path: Path) -> None:
    """The material says nothing of rework."""
    bad = part(1, 100, verdict="review", rules="after_idle", reworkable_until_utc_ns=None)
    some = facts_with(tmp_path / "a.ledger", bad)
    assert lead(some, STYLE)[1] == "About 1 of them nobody has decided yet."
    assert "not known" in words_of(page(some, STYLE))


def test_when_all_is_decided_nobody_is_asked(tmp_path: Path) -> None:
    """The sentence ends the matter."""
    bad = part(1, 100, verdict="review", rules="after_idle")
    said = sample.entered("disposition", 300, subject="1", word="released")
    some = facts_with(tmp_path / "a.ledger", bad, said)
    assert lead(some, STYLE)[1] == "What becomes of each of them has been decided."


def test_a_suspect_without_a_reason_is_still_one(tmp_path: Path) -> None:
    """A record of another version may lack it."""
    some = facts_with(tmp_path / "a.ledger", part(1, 100, verdict="review"))
    assert lead(some, STYLE)[0].endswith("the reasons are listed below.")


def test_other_reasons_are_hinted_at(tmp_path: Path) -> None:
    """Two of three for one reason, and the word that there are more."""
    parts = [
        part(n, 100 + 20 * n, verdict="review", rules=rules)
        for n, rules in ((1, "after_idle"), (2, "after_idle"), (3, "spent_charge"))
    ]
    first = lead(facts_with(tmp_path / "a.ledger", *parts), STYLE)[0]
    assert "for 2 of them, the melt had stood in the nozzle unpurged" in first
    assert first.endswith("; more reasons below.")


def test_two_excursions_are_told_by_their_parts(tmp_path: Path) -> None:
    """No one excursion explains the range, so its own times stand there."""
    opened = EventKind.EXCURSION_OPENED
    ended = EventKind.EXCURSION_ENDED
    told = [
        event(kind, second, "nozzle", edge="low", limit_c=115.0, onset_utc_ns=at(onset).utc_ns,
              duration_s=5.0, peak_c=110.0)
        for onset in (100, 106)
        for kind, second in ((opened, onset + 1), (ended, onset + 6))
    ]  # fmt: skip
    bad = part(1, 100, verdict="quarantine", rules="outside_window:nozzle")
    first = lead(facts_with(tmp_path / "a.ledger", *told, bad), STYLE)[0]
    assert first.endswith("outside the window while dispensing (nozzle), 06:01:40 to 06:01:48.")


def test_a_broken_record_is_said_first_and_last(facts: Facts) -> None:
    """Nobody may miss it."""
    fault = ledger.Fault("events", "7", "the next row", "row 8")
    broken = replace(facts, chain=replace(facts.chain, faults=(fault,)))
    shown = words_of(page(broken, STYLE))
    assert "The record is not whole: see the end of this report." in shown
    assert "events row 7: expected the next row, got row 8" in shown


def test_times_are_local_with_their_offset(facts: Facts) -> None:
    """The same moments on a clock an hour ahead."""
    shown = words_of(page(facts, Style(tz=timezone(timedelta(hours=1)))))
    assert "2026-11-25 07:00:00+01:00 to 2026-11-25 07:20:00+01:00" in shown
    assert "from 07:10:00 to 07:11:00" in shown


def test_imperial_pages_have_no_metric_unit(facts: Facts, shown: str) -> None:
    """And the other way round; the caution's text is the configuration's own."""
    imperial = words_of(page(facts, Style(is_imperial=True, tz=UTC)))
    assert "233.6 °F" in imperial  # 112 degC
    assert "324 °F s" in imperial  # 180 K s
    assert not re.search(r"\d (?:°C|K|mm)\b", imperial)
    assert not re.search(r"°F| in\b(?= )\d", words_of(shown))


def test_suspects_stand_by_urgency(shown: str) -> None:
    """What can be saved soonest first; of the decided ones none is urgent."""
    rows = re.findall(
        r"<tr><td class=\"t\">([^<]+)</td><td class=\"n\">\d+</td><td class=\"t\">", shown
    )
    assert rows == ["126\N{EN DASH}128", "140", "141\N{EN DASH}142"]


def test_print_rules_are_there(shown: str) -> None:
    """Margins, page numbers, and what must not be broken."""
    for rule in ("@page", "counter(page)", "break-inside: avoid", "table-header-group"):
        assert rule in shown


def test_more_ranges_than_fit_are_counted(tmp_path: Path) -> None:
    """Every second part is suspect: the sentence names three ranges."""
    parts = [part(2 * n, 100 + n, verdict="review", rules="after_idle") for n in range(1, 61)]
    some = facts_with(tmp_path / "a.ledger", *parts)
    assert "(2, 4, 6 and 57 more ranges)" in lead(some, STYLE)[0]
    shown = words_of(page(some, STYLE))
    assert "20 more ranges of suspect parts are in the ledger." in shown
