"""The runner on findings that were made up: what counts as concluded, as wrong, as a bar held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from potsim.scenarios import bundled
from scenarios.expect import Advised, Entered, Expected, ExpectError, Must, MustNot, expectations
from scenarios.run import (
    as_built,
    bars,
    expected_of,
    main,
    names_with_expectations,
    needs_one_process,
    report,
    rows,
    tasks,
)
from scenarios.score import (
    Outcome,
    Reached,
    Ready,
    conclude,
    conclude_advice,
    conclude_charge,
    conclude_phases,
    findings_of,
    ready_of,
)
from support.cells import UTC_NS
from watchedpot.core.model import Event, EventKind, Instant
from watchedpot.core.snapshot import Cause
from watchedpot.core.units import NANO

ONSET_S = 100.0
HOLD = frozenset({"hold"})

EXPLAINED_AWAY = {Cause.HANDLING, Cause.UNKNOWN}
"""Causes of which nobody has to be told: a scenario only demands that nothing worse is said."""


def at(seconds: float) -> Instant:
    """A moment of the scenario on both clocks."""
    return Instant(UTC_NS + round(seconds * NANO), round(seconds * NANO))


def telling(
    at_s: float,
    cause: str,
    severity: str = "hold",
    *,
    finding: str = "lens_4/1",
    zone: str = "nozzle",
    zones: str = "nozzle",
    others: str = "",
    onset_s: float = ONSET_S,
    kind: EventKind = EventKind.FINDING_OPENED,
) -> Event:
    """An event of a finding as the engine makes it."""
    onset = at(onset_s)
    return Event(
        kind,
        at(at_s),
        "lens_4",
        zone,
        (
            ("finding", finding),
            ("cause", cause),
            ("certainty", 0.8),
            ("severity", severity),
            ("onset_ns", onset.mono_ns),
            ("onset_utc_ns", onset.utc_ns),
            ("zones", zones),
            ("others", others),
        ),
    )


def changed(at_s: float, cause: str, severity: str = "hold") -> Event:
    """The same finding, told otherwise."""
    return telling(at_s, cause, severity, kind=EventKind.FINDING_CHANGED)


def ended(at_s: float) -> Event:
    """The end of the finding."""
    return telling(at_s, "no_heat", kind=EventKind.FINDING_ENDED)


def expected(**changes: object) -> Expected:
    """Expectations about something that begins at 100 s."""
    return replace(Expected("made up", ONSET_S), **changes)  # type: ignore[arg-type]


def must(*causes: str, by_s: float = 60.0, **changes: object) -> Must:
    """A conclusion to be reached."""
    made = Must(frozenset(causes), by_s, onset_s=ONSET_S)
    return replace(made, **changes)  # type: ignore[arg-type]


def judged(events: Sequence[Event], **changes: object) -> Outcome:
    """A run with these events, held against these expectations."""
    outcome = Outcome("made_up", "lens_4", 1)
    conclude(outcome, expected(**changes), findings_of(events))
    return outcome


def test_what_is_told_in_time_is_concluded() -> None:
    """Cause, zone and severity fit, and the time counts from the onset."""
    wanted = must("no_heat", zone="nozzle", severities=HOLD)
    (one,) = judged([telling(140.0, "no_heat")], must=(wanted,)).reached
    assert one == Reached(str(wanted), 40.0, 0.0)
    assert one.is_met


@pytest.mark.parametrize(
    "event",
    [
        telling(161.0, "no_heat"),
        telling(99.0, "no_heat"),
        telling(140.0, "draft"),
        telling(140.0, "no_heat", "soon"),
        telling(140.0, "no_heat", zone="hose", zones="hose"),
        telling(140.0, "draft", others="no_heat 0.20"),
    ],
    ids=["late", "before", "cause", "severity", "zone", "only listed"],
)
def test_what_does_not_fit_is_not_concluded(event: Event) -> None:
    """One thing that differs is enough."""
    outcome = judged([event], must=(must("no_heat", zone="nozzle", severities=HOLD),))
    assert [one.after_s for one in outcome.reached] == [None]


def test_a_begin_that_is_named_wrong_is_not_concluded() -> None:
    """More than ten seconds off the truth is told apart from nothing said at all."""
    for onset_s, is_met in ((110.0, True), (90.0, True), (110.5, False), (89.0, False)):
        (one,) = judged(
            [telling(140.0, "no_heat", onset_s=onset_s)], must=(must("no_heat"),)
        ).reached
        assert one.after_s == 40.0
        assert one.is_met is is_met
    (free,) = judged(
        [telling(140.0, "no_heat", onset_s=0.0)], must=(must("no_heat", has_onset=False),)
    ).reached
    assert free.is_met


def test_of_several_tellings_the_first_with_its_begin_named_counts() -> None:
    """A finding that is corrected in time is concluded when it is corrected."""
    late = replace(changed(150.0, "no_heat"))
    (one,) = judged(
        [telling(120.0, "no_heat", onset_s=60.0), late], must=(must("no_heat"),)
    ).reached
    assert (one.after_s, one.onset_off_s) == (50.0, 0.0)


def test_a_cause_that_is_to_be_listed_may_stand_behind_another() -> None:
    """And one of the whole cell shows in each of its zones."""
    event = telling(140.0, "draft", zone="", zones="syringe, nozzle", others="part_of_heat 0.30")
    (one,) = judged([event], must=(must("part_of_heat", is_listed=True, zone="syringe"),)).reached
    assert one.is_met


def test_a_conclusion_that_has_to_stand_later_may_have_been_told_before() -> None:
    """From 30 s on: told at 10 s it counts while it lasts, and not once it was told otherwise."""
    wanted = must("draft", from_s=30.0)
    first = telling(110.0, "draft")
    assert judged([first], must=(wanted,)).reached[0].after_s == 30.0
    assert judged([first, ended(120.0)], must=(wanted,)).reached[0].after_s is None
    assert judged([first, changed(125.0, "no_heat")], must=(wanted,)).reached[0].after_s is None


@pytest.mark.parametrize(
    ("word", "events", "is_wrong"),
    [
        ("draft", [telling(110.0, "draft")], True),
        ("draft", [telling(110.0, "no_heat", others="draft 0.40")], False),
        ("draft@hose", [telling(110.0, "draft")], False),
        ("draft@nozzle", [telling(110.0, "draft")], True),
        ("hold", [telling(50.0, "unknown")], True),
        ("sounding", [telling(110.0, "draft", "note")], False),
        ("sounding", [telling(110.0, "draft", "soon")], True),
        ("draft>60", [telling(110.0, "draft"), changed(150.0, "no_heat")], False),
        ("draft>60", [telling(110.0, "draft"), changed(170.0, "no_heat")], True),
        ("draft>60", [telling(110.0, "draft"), ended(150.0)], False),
        ("draft<60", [telling(159.0, "draft")], True),
        ("draft<60", [telling(160.0, "draft")], False),
        ("draft@nozzle>20<60", [telling(110.0, "draft"), ended(119.0)], False),
        ("draft@nozzle>20<60", [telling(110.0, "draft")], True),
    ],
)
def test_what_must_not_be_concluded(word: str, events: list[Event], is_wrong: bool) -> None:
    """The likeliest cause and the severity count, in the zone and from the time that is named."""
    text = f"""
[cells.lens_4]
[expect.lens_4]
basis = "made up"
onset_s = {ONSET_S}
must_not = ["{word}"]
"""
    wrongs = expectations(text, "made_up")["lens_4"].must_not
    outcome = judged(events, must_not=wrongs)
    assert bool(outcome.wrong_other) is is_wrong
    assert outcome.wrong_critical == []
    assert bool(judged(events, never=wrongs).wrong_critical) is is_wrong


def test_a_critical_finding_that_nothing_asked_for_is_wrong() -> None:
    """Only a cause that may be critical here may be; each other counts once a finding."""
    events = [telling(110.0, "stuck_on", "critical"), changed(120.0, "stuck_on", "critical")]
    assert judged(events).wrong_critical == ["critical stuck_on"]
    assert judged(events, must=(must("stuck_on"),)).wrong_critical == []
    assert judged(events, must=(must("stuck_on", severities=HOLD),)).wrong_critical == [
        "critical stuck_on"
    ]


def test_findings_that_sound_are_counted_once_each() -> None:
    """A note does not sound, and a finding that is told twice is one."""
    events = [
        telling(110.0, "no_heat"),
        changed(120.0, "all_heat_lost"),
        telling(130.0, "draft", "note", finding="lens_4/2"),
        telling(140.0, "draft", "soon", finding="lens_4/3"),
    ]
    assert judged(events, sounding_at_most=2).wrong_other == []
    assert judged(events, sounding_at_most=1).wrong_other == ["2 findings sound"]


def test_times_of_recorded_events_count_from_the_cells_own_begin() -> None:
    """Where another process watched, only UTC is common: here a scenario that began at 40 s."""
    (finding,) = findings_of([telling(140.0, "no_heat")], zero_utc_ns=at(40.0).utc_ns)
    (one,) = finding.tellings
    assert (one.at_s, one.onset_s) == (100.0, 60.0)


def test_an_advice_counts_while_it_is_given() -> None:
    """Given before and still given it is there at once; given too late it is not."""
    given = [(0.0, "run"), (130.0, "hold"), (150.0, "run")]
    for wanted, after_s in (
        (Advised(HOLD, 30.0), 30.0),
        (Advised(HOLD, 29.0), None),
        (Advised(HOLD, 60.0, 40.0), 40.0),
        (Advised(HOLD, 60.0, 51.0), None),
        (Advised(frozenset({"run"}), 5.0), 0.0),
    ):
        outcome = Outcome("made_up", "lens_4", 1)
        conclude_advice(outcome, expected(advice=(wanted,)), given, slack_s=0.0)
        assert [one.after_s for one in outcome.reached] == [after_s]


def test_a_state_of_the_charge_has_its_time() -> None:
    """Entered within it, it is concluded."""
    event = Event(EventKind.CHARGE_STATE_CHANGED, at(500.0), "lens_4", "", (("to", "near_limit"),))
    for wanted, after_s in (
        (Entered("near_limit", 300.0, 500.0), 400.0),
        (Entered("near_limit", 401.0, 500.0), None),
        (Entered("spent", 300.0, 500.0), None),
    ):
        outcome = Outcome("made_up", "lens_4", 1)
        conclude_charge(outcome, expected(charge=(wanted,)), [event])
        assert [one.after_s for one in outcome.reached] == [after_s]


def test_a_zone_called_ready_too_early_is_wrong() -> None:
    """Also when it was called so before and stayed so."""

    def phase(at_s: float, to: str) -> Event:
        return Event(EventKind.PHASE_CHANGED, at(at_s), "lens_4", "syringe", (("to", to),))

    ready = ready_of([phase(50.0, "ready"), phase(110.0, "recovering"), phase(400.0, "ready")])
    assert ready == [Ready("syringe", 50.0, 110.0), Ready("syringe", 400.0, float("inf"))]
    text = """
[cells.lens_4]
[expect.lens_4]
basis = "made up"
onset_s = 100.0
not_ready = [{zone = "syringe", from_s = 10.0, until_s = %s}]
"""
    for until_s, wrong in (("300.0", []), ("301.0", ["ready@syringe"])):
        outcome = Outcome("made_up", "lens_4", 1)
        conclude_phases(outcome, expectations(text % until_s, "made_up")["lens_4"], ready)
        assert outcome.wrong_other == wrong


def runs(*outcomes: Outcome) -> list[Outcome]:
    """A hundred runs without a fault, some of which are these."""
    fine = [Outcome("fine", "lens_4", n, [Reached("x", 1.0)]) for n in range(100 - len(outcomes))]
    return [*outcomes, *fine]


def with_unmet(count: int) -> list[Outcome]:
    """A hundred runs, so many of which conclude nothing."""
    return runs(*(Outcome("dull", "lens_4", n, [Reached("x", None)]) for n in range(count)))


def wrong(count: int) -> list[Outcome]:
    """A hundred runs, so many of which conclude something wrong."""
    met = [Reached("x", 1.0)]
    return runs(*(Outcome("loud", "lens_4", n, met, wrong_other=["y"]) for n in range(count)))


@pytest.mark.parametrize(
    ("outcomes", "is_held"),
    [
        (with_unmet(5), True),
        (with_unmet(6), False),
        (wrong(2), True),
        (wrong(3), False),
        (runs(Outcome("bad", "lens_4", 1, [Reached("x", 1.0)], ["z"])), False),
        (runs(*(Outcome("off", "lens_4", n, [Reached("x", 1.0, 11.0)]) for n in range(6))), False),
        ([], False),
    ],
    ids=["95 %", "94 %", "2 % wrong", "3 % wrong", "critical", "begins not named", "nothing ran"],
)
def test_the_exit_code_tells_whether_every_bar_is_held(
    outcomes: list[Outcome], is_held: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """0 where each is held, else 1; what was counted is printed."""
    assert report(outcomes) == (0 if is_held else 1)
    assert f"{len(outcomes)} runs: concluded" in capsys.readouterr().out
    assert bars(outcomes)[1] is is_held


def test_the_table_has_a_row_of_each_scenario_and_says_what_went_amiss() -> None:
    """Concluded, when, not, wrong, missed and too many, with the seeds of each remark."""
    outcomes = [
        Outcome(
            *("some", "lens_4", seed),
            reached=[Reached("hold no_heat by 60 s", after_s, off_s), Reached("advice", 5.0)],
            wrong_critical=["critical draft"] if seed == 2 else [],
            missed=["part 3 at +40 s: tip"],
        )
        for seed, after_s, off_s in ((1, 40.0, 3.0), (2, None, None), (3, 44.0, 12.0))
    ]
    header, row, *remarks = rows(outcomes)
    assert header.split()[:3] == ["scenario", "cell", "seeds"]
    assert row.split() == [
        *("some", "lens_4", "3", "4/6", "40", "(40)", "12", "2", "1", "0", "3", "0"),
    ]
    assert remarks == [
        "    missed: part 3 at +40 s: tip (seeds 1, 2, 3)",
        "    not concluded: hold no_heat by 60 s (seeds 2)",
        "    wrong, critical: critical draft (seeds 2)",
        "    begin not named: hold no_heat by 60 s (seeds 3)",
    ]


@pytest.mark.parametrize(
    ("table", "problem"),
    [
        ("colour = 3", "colour is not a key here"),
        ('must = [{cause = "gremlins", by_s = 1}]', r"\.must\.cause: gremlins is not known"),
        ('must = [{cause = "draft", by_s = 1, when = 2}]', r"\.must: when is not a key here"),
        ('must_not = ["loud"]', "loud is not known"),
        ('advice = [{is = "pray", by_s = 1}]', "pray is not known"),
        ('charge = [{to = "eaten", from_s = 0, by_s = 1}]', "eaten is not known"),
        ('parts = "most"', "expected truth or unknowable"),
    ],
)
def test_a_word_that_nobody_knows_is_refused(table: str, problem: str) -> None:
    """A misspelt expectation could never be missed."""
    text = f'[cells.lens_4]\n[expect.lens_4]\nbasis = "x"\nonset_s = 1\n{table}\n'
    with pytest.raises(ExpectError, match=problem):
        expectations(text, "made_up")


def test_expectations_of_a_cell_that_is_not_there_are_refused() -> None:
    """They would never be judged."""
    with pytest.raises(ExpectError, match="the scenario has no such cell"):
        expectations('[cells.lens_4]\n[expect.hose_9]\nbasis = "x"\nonset_s = 1\n', "made_up")


def test_every_cause_is_demanded_by_a_scenario() -> None:
    """Each that people have to be told of, by at least one, and each scenario demands something."""
    demanded: set[str] = set()
    for name in names_with_expectations():
        for cell, wanted in expected_of(name).items():
            demanded |= {
                cause for one in wanted.must if len(one.causes) < 5 for cause in one.causes
            }
            is_about = wanted.must or wanted.must_not or wanted.sounding_at_most is not None
            assert is_about, (name, cell)
            assert wanted.basis, (name, cell)
    assert set(Cause) - demanded == EXPLAINED_AWAY


def test_plants_of_a_seed_are_written_into_the_scenario() -> None:
    """Every cell of the file gets its spread and seed, and nothing else changes."""
    text = as_built("door_open", 7, 0.3)
    assert text.count("spread = 0.3\nplant_seed = 7\n") == 2
    for line in ("spread = 0.3\n", "plant_seed = 7\n"):
        text = text.replace(line, "")
    assert text == bundled()["door_open"]


def test_each_cell_of_each_scenario_is_run_with_each_seed() -> None:
    """And a wire leaves the other cell out."""
    assert tasks(["door_open"], 2, ["lens_4", "housing_7"]) == [
        ("door_open", "lens_4", 1),
        ("door_open", "lens_4", 2),
        ("door_open", "housing_7", 1),
        ("door_open", "housing_7", 2),
    ]
    assert tasks(["syringe_no_heat"], 1, ["housing_7"]) == []


def test_what_is_said_meanwhile_needs_one_process() -> None:
    """And so does a clock that is set; everything else can be played over a wire."""
    every = tasks(names_with_expectations(), 1, ["lens_4"])
    found = {task[0] for task in every if needs_one_process(task)}
    assert found == {"acknowledged_and_run_on", "our_clock_is_set"}


def test_an_unknown_scenario_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """The command names those it knows and ends with 2."""
    with pytest.raises(SystemExit) as caught:
        main(["door_ajar"])
    assert caught.value.code == 2
    assert "no expectations of door_ajar; known: " in capsys.readouterr().err


def test_a_must_not_without_a_zone_is_of_the_whole_cell() -> None:
    """Its text names the zone only where there is one."""
    assert str(MustNot("draft")) == "draft"
    assert str(MustNot("draft", "hose")) == "draft@hose"
