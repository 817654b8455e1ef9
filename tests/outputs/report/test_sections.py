"""What happened: charges, excursions, alarms, people, in words and tables."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from pathlib import Path

from outputs.report import sample
from outputs.report.reading import rows_of, words_of
from outputs.report.sample import NASTY, at, event
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report import sections
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.revisions import LimitChange
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)
DASH = "\N{EN DASH}"


def test_charges_tell_their_life(facts: Facts) -> None:
    """What was said at loading, the ages, the parts, and how it stands."""
    found, used = rows_of(sections.charges(facts, STYLE))
    assert found[0] == "41"
    assert found[4:] == ["0", "not known", "06:00:50, changed"]
    assert used == [
        "42",
        "06:00:50, entered, by Q. Engineer",
        "lot L-7, expires 2027-03-05",
        "warmed at 100.0 °C for 20 min 00 s; 1 h 00 min out of store",
        f"50 (101{DASH}150)",
        "7 min 30 s at loading, 26 min 20 s at its last part, 5.5 % of the pot life",
        "in use at the end",
    ]


def test_a_storage_record_and_an_unfit_charge_are_told(facts: Facts) -> None:
    """The logger's figures, and why the charge is unfit or over."""
    said = {
        "storage_above_s": 1200.0,
        "storage_max_c": 9.4,
        "storage_mean_kinetic_c": 5.1,
        "storage_blind_s": 600.0,
    }
    charge = replace(
        facts.charges[1],
        said=dict(said),
        unfit="out of date",
        is_overheated=True,
        ended_ns=at(600).utc_ns,
        life_used=None,
    )
    (row,) = rows_of(sections.charges(replace(facts, charges=(charge,)), STYLE))
    assert row[2].endswith("unfit: out of date")
    assert row[3] == (
        "logger: 20 min 00 s above its limit, highest 9.4 °C, mean kinetic 5.1 °C,"
        " 10 min 00 s not covered"
    )
    assert row[6] == "06:10:00, changed: it was overheated"


def test_without_charges_that_is_said(facts: Facts) -> None:
    """No table without rows."""
    assert "No charge is known" in words_of(sections.charges(replace(facts, charges=()), STYLE))


def test_an_excursion_has_its_figures(facts: Facts) -> None:
    """As the events told them: 60 s at 3 K below 115 degC are 180 K s."""
    assert rows_of(sections.excursions(facts, STYLE)) == [
        [
            *("nozzle", "below 115.0 °C", "06:10:00", "06:11:00", "112.0 °C", "180 K s"),
            *("24.0 s", "3"),
        ]
    ]


def found(kind: EventKind, second: float, /, **details: Detail) -> Event:
    """What is told of a heater that lost its power."""
    told: dict[str, Detail] = {
        "finding": "lens_4/3",
        "cause": "no_heat",
        "certainty": 0.84,
        "severity": "hold",
        "onset_utc_ns": at(600).utc_ns,
        "zones": "nozzle",
        "numbers": "112.0 degC and falling 0.09 K/s",
        "speaks_for": "the heater is at 100 % and the nozzle falls",
        "others": "part_of_heat 0.06",
        "action": "Hold dispensing.",
    }
    return event(kind, second, "nozzle", **(told | details))


def test_a_finding_is_told_as_it_was_last_said(tmp_path: Path) -> None:
    """From its onset, which is before it was told, to its end; one that lasts has none."""
    events = (
        found(EventKind.FINDING_OPENED, 640, cause="unknown", certainty=0.4),
        found(EventKind.FINDING_CHANGED, 660),
        found(EventKind.FINDING_ENDED, 700, lasted_s=100.0),
        found(EventKind.FINDING_OPENED, 720, finding="lens_4/4", zones="", certainty=None,
              onset_utc_ns=None, speaks_for=None, others=None),
    )  # fmt: skip
    path = tmp_path / "found.ledger"
    sample.write(path, more=events)
    over, lasting = rows_of(sections.findings(sample.facts_of(path), STYLE))
    assert over == [
        *("06:10:00", "06:11:40", "nozzle", "no heat, 84 %"),
        "lens_4 nozzle: 112.0 °C and falling 0.09 K/s. Likely no power reaches its heater (84 %): "
        "the heater is at 100 % and the nozzle falls. Hold dispensing.",
        "part_of_heat 0.06",
    ]
    assert lasting[:4] == ["06:12:00", "not yet", "the cell", f"no heat, {DASH}"]
    assert lasting[4].startswith("lens_4 nozzle: 112.0 °C")
    assert lasting[5] == DASH


def test_a_finding_from_before_the_span_is_told_by_its_end(tmp_path: Path) -> None:
    """The end says all that the beginning did."""
    path = tmp_path / "found.ledger"
    sample.write(path, more=(found(EventKind.FINDING_ENDED, 700, lasted_s=900.0),))
    (row,) = rows_of(sections.findings(sample.facts_of(path), STYLE))
    assert row[:4] == ["06:10:00", "06:11:40", "nozzle", "no heat, 84 %"]


def test_without_findings_that_is_said(facts: Facts) -> None:
    """No table without rows; and where nobody looked, that is said instead."""
    assert "was not looked into" in words_of(sections.findings(facts, STYLE))
    last = facts.revisions[-1]
    looking = replace(last, rules=replace(last.rules, finds_causes=True))
    looked = replace(facts, revisions=(*facts.revisions[:-1], looking))
    assert "Nothing was found" in words_of(sections.findings(looked, STYLE))


def test_an_open_excursion_has_no_end(tmp_path: Path) -> None:
    """Only what is known so far."""
    path = tmp_path / "open.ledger"
    opened = event(EventKind.EXCURSION_OPENED, 603, "nozzle", edge="high", limit_c=126.0, parts=5)
    batch = Batch((sample.readings().rows(0, 700),), (opened,))
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    (row,) = rows_of(sections.excursions(sample.facts_of(path), STYLE))
    assert row == ["nozzle", "above 126.0 °C", "06:10:03", "not yet", *[DASH] * 4]


def test_an_alarm_tells_who_answered(facts: Facts) -> None:
    """When, how fast, what it was, and what was asked."""
    (row, *_) = rows_of(sections.alarms(facts, STYLE))
    assert row == [
        *("06:10:15", "nozzle cold", "high", "06:11:20", "after 15.0 s by A. Operator"),
        *("real", "Hold dispensing."),
    ]


def test_an_alarm_nobody_answered_says_so(facts: Facts) -> None:
    """Neither acknowledged nor marked nor over; or put aside all the time."""
    (alarm,) = facts.alarms
    alone = replace(alarm.activation, acknowledged_ns=None, cleared_ns=None)
    aside = replace(alone, is_aside=True)
    alarms = tuple(replace(alarm, activation=one, mark="", response="") for one in (alone, aside))
    first, second, *_ = rows_of(sections.alarms(replace(facts, alarms=alarms), STYLE))
    assert first[3:] == ["still on", "nobody", "not marked", DASH]
    assert second[4] == "was put aside"


def test_figures_of_alarms_are_not_judged_too_soon(facts: Facts) -> None:
    """One alarm in 1169 s seen; targets are judged from 30 days on."""
    rows = {row[0]: row[1:] for row in rows_of(sections.alarms(facts, STYLE))}
    assert rows["alarms in ten minutes, average"] == ["0.513", "at most 1"]
    assert rows["acknowledged"] == ["1 of 1", "median 15.0 s, longest 15.0 s"]
    assert rows["marked by people"] == ["1", "1 real, 0 expected, 0 false"]
    long = replace(facts, performance=replace(facts.performance, observed_s=40 * 86_400.0))
    rows = {row[0]: row[1:] for row in rows_of(sections.alarms(long, STYLE))}
    assert rows["share of the time in flood"] == ["0.0 %", "below 1.0 %, met"]


def test_quiet_hours_have_sentences_instead_of_tables(sample_ledger: Path) -> None:
    """No excursion, no alarm, no check, no wipe, no entry, no change."""
    quiet = sample.facts_of(sample_ledger, from_s=1010, to_s=1100)
    assert "No alarm was raised." in words_of(sections.alarms(quiet, STYLE))
    assert "No zone left its window" in words_of(sections.excursions(quiet, STYLE))
    people = words_of(sections.people(quiet, STYLE))
    assert "No limit and no other value of the configuration was changed." in people
    assert "(last at 2026-11-25 06:05:10+00:00)" in people
    assert people.count("None.") == 2
    assert (sections.jumps(quiet, STYLE), sections.decided(quiet, STYLE)) == ("", "")
    never = sample.facts_of(sample_ledger, to_s=40)
    assert "(never since the ledger began)" in words_of(sections.people(never, STYLE))


def test_checks_say_good_or_failed(facts: Facts) -> None:
    """With their tolerance, in a word and not in a colour."""
    rows = [row for row in rows_of(sections.people(facts, STYLE)) if len(row) == 8]
    assert [row[4:6] for row in rows] == [
        ["0.6 K", "good, tolerance 1.0 K"],
        ["2.0 K", "FAILED, tolerance 1.0 K"],
    ]


def test_what_a_check_changed_stands_below_it(facts: Facts) -> None:
    """The parts that were judged again because of it."""
    again = event(EventKind.REJUDGED, 320, "syringe", error_k=2.0, parts=30, changed=4)
    text = words_of(sections.people(replace(facts, rejudged=(again,)), STYLE))
    assert "06:05:20 syringe: 30 parts judged again, 4 with another verdict" in text


def test_a_changed_limit_has_old_and_new(facts: Facts) -> None:
    """When, what, from what, to what, by which revision."""
    change = LimitChange(
        at(500).utc_ns, "zones.nozzle.low_c", "115", "116", "0123456789abcdef", "a.toml"
    )
    rows = rows_of(sections.people(replace(facts, changes=(change,)), STYLE))
    assert rows[0] == [
        *(
            "2026-11-25 06:08:20+00:00",
            "zones.nozzle.low_c",
            "115",
            "116",
            "0123456789ab",
            "a.toml",
        ),
    ]


def test_decisions_of_the_span_are_told(facts: Facts) -> None:
    """Who scrapped what, and why, as they wrote it."""
    (row,) = rows_of(sections.decided(facts, STYLE))
    assert row == [
        *("2026-11-25 06:19:10+00:00", f"126{DASH}127", "scrapped", "Q. Engineer", NASTY),
    ]


def test_a_jump_of_the_counter_is_told(facts: Facts) -> None:
    """Two parts that cannot be attributed; none missing; none jumped."""
    text = words_of(sections.jumps(facts, STYLE))
    assert "The counter jumped once; 2 parts were made that cannot be attributed" in text
    reset = event(EventKind.COUNTER_JUMPED, 0, before=9, after=0, what="reset", uncounted=0)
    text = words_of(sections.jumps(replace(facts, jumps=(reset, reset)), STYLE))
    assert "The counter jumped 2 times; no part is missing." in text
    assert sections.jumps(replace(facts, jumps=()), STYLE) == ""


def test_what_is_left_out_is_counted() -> None:
    """Nothing left out, nothing said."""
    assert words_of(sections.left_out(3, "wipes")) == "3 more wipes are in the ledger."
    assert sections.left_out(0, "wipes") == sections.left_out(-4, "wipes") == ""
