"""Alarm performance: the edges of each definition, and activations from recorded changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from outputs.report import sample
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.model import Detail, Event, EventKind, Instant, Mark
from watchedpot.core.rules import Priority
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import NANO
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import AlarmTransition
from watchedpot.outputs.report.performance import (
    Activation,
    Flood,
    Marking,
    Performance,
    activations,
    marked,
    performance,
    performance_of,
)

START_S = 600 * 3_000_000
"""Beginning of a ten-minute bin on the clock. [s]"""

DAY_S = 86_400.0
COLD = "lens_4/nozzle/cold"


def at(after_s: float) -> int:
    """Moment after the beginning. [ns]."""
    return round((START_S + after_s) * NANO)


def up(
    raised_s: float,
    cleared_s: float | None = None,
    acknowledged_s: float | None = None,
    *,
    alarm: str = COLD,
    priority: Priority = Priority.LOW,
    is_aside: bool = False,
) -> Activation:
    """Activation with times after the beginning."""
    return Activation(
        alarm,
        at(raised_s),
        priority,
        None if cleared_s is None else at(cleared_s),
        None if acknowledged_s is None else at(acknowledged_s),
        is_aside,
    )


def judged(
    *given: Activation,
    span_s: float = DAY_S,
    observed_s: float | None = None,
    markings: tuple[Marking, ...] = (),
) -> Performance:
    """Figures of a span from the beginning on."""
    return performance(
        given, since_ns=at(0.0), until_ns=at(span_s), observed_s=observed_s, markings=markings
    )


def in_bins(*numbers: int) -> list[Activation]:
    """So many activations of as many alarms in each of neighbouring bins."""
    return [
        up(600.0 * place + number, alarm=f"lens_4/{number}")
        for place, count in enumerate(numbers)
        for number in range(count)
    ]


def test_ten_alarms_in_a_bin_are_no_flood() -> None:
    """A flood begins with more than ten."""
    found = judged(*in_bins(10))
    assert (found.floods, found.flood_share) == ((), 0.0)
    assert (found.peak, found.peak_ns) == (10, at(0.0))


def test_eleven_alarms_in_a_bin_are_a_flood() -> None:
    """It lasts for its bin: ten minutes of a day."""
    found = judged(*in_bins(11))
    assert found.floods == (Flood(at(0.0), at(600.0), 11, 11),)
    assert found.flood_share == pytest.approx(600.0 / DAY_S)


@pytest.mark.parametrize(
    ("bins", "stop_s", "alarms"),
    [
        ((11, 6), 1200.0, 17),
        ((11, 6, 4), 1200.0, 17),
        ((11, 5, 4), 1200.0, 16),
        ((11, 4), 600.0, 11),
        ((11, 0, 6), 600.0, 11),
        ((11, 4, 6), 600.0, 11),
    ],
)
def test_a_flood_goes_on_with_five_and_ends_with_four(
    bins: tuple[int, ...], stop_s: float, alarms: int
) -> None:
    """The first bin with fewer than five is not part of it, and six alone begin none."""
    (flood,) = judged(*in_bins(*bins)).floods
    assert flood == Flood(at(0.0), at(stop_s), alarms, 11)


def test_a_second_flood_is_one_of_its_own() -> None:
    """After a quiet bin it takes more than ten again."""
    found = judged(*in_bins(11, 4, 12, 6, 0, 13))
    assert [flood.alarms for flood in found.floods] == [11, 18, 13]
    assert (found.peak, found.peak_ns) == (13, at(3000.0))
    assert found.flood_share == pytest.approx(4 * 600.0 / DAY_S)


def test_bins_lie_on_the_clock() -> None:
    """Eleven alarms around ten past are no flood, though they come within two minutes."""
    given = [up(590.0 + number, alarm=f"lens_4/{number}") for number in range(11)]
    assert judged(*given[:10], given[10]).floods == ()
    assert judged(*given).peak == 10


@pytest.mark.parametrize(
    ("times_s", "chattering"),
    [
        ((0.0, 20.0, 59.0), ((COLD, 3),)),
        ((0.0, 31.0, 62.0), ()),
        ((0.0, 30.0, 60.0), ((COLD, 3),)),
        ((0.0, 20.0), ()),
        ((0.0, 20.0, 59.0, 70.0, 200.0), ((COLD, 4),)),
        ((0.0, 20.0, 59.0, 200.0, 210.0, 220.0), ((COLD, 6),)),
    ],
)
def test_three_activations_in_a_minute_chatter(
    times_s: tuple[float, ...], chattering: tuple[tuple[str, int], ...]
) -> None:
    """Wherever the minute begins; each activation counts once."""
    assert judged(*(up(time_s) for time_s in times_s)).chattering == chattering


def test_three_alarms_do_not_chatter_together() -> None:
    """It takes one and the same alarm, and one that people get to see."""
    assert judged(*(up(10.0 * n, alarm=f"lens_4/{n}") for n in range(3))).chattering == ()
    assert judged(*(up(10.0 * n, is_aside=True) for n in range(3))).chattering == ()


@pytest.mark.parametrize(
    ("given", "number"),
    [
        ((up(0.0, 10.0),), 1),
        ((up(0.0, 10.1),), 0),
        ((up(0.0),), 0),
        ((up(0.0, 5.0, 4.0),), 0),
        ((up(0.0, 5.0, 6.0),), 1),
        ((up(0.0, 5.0), up(65.0)), 0),
        ((up(0.0, 5.0), up(65.1)), 1),
        ((up(0.0, 5.0), up(20.0, alarm="lens_4/nozzle/hot")), 1),
        ((up(0.0, 5.0, is_aside=True),), 0),
        ((up(-1.0, 5.0),), 0),
        ((up(8.0, 5.0),), 0),
    ],
)
def test_what_comes_and_goes_is_fleeting(given: tuple[Activation, ...], number: int) -> None:
    """Gone within 10 s, not acknowledged by then, and not back within a minute."""
    assert judged(*given).fleeting == number


@pytest.mark.parametrize(
    ("given", "is_stale"),
    [
        (up(0.0, 86_340.0), False),
        (up(0.0, 86_400.0), False),
        (up(0.0, 86_401.0), True),
        (up(0.0), True),
        (up(2.0 * DAY_S), False),
        (up(-DAY_S, 3600.0), True),
        (up(-3.0 * DAY_S, -3600.0), False),
        (up(0.0, is_aside=True), False),
    ],
)
def test_more_than_a_day_is_stale(given: Activation, is_stale: bool) -> None:
    """Standing at some moment of the span, also if raised before it."""
    found = judged(given, span_s=2.0 * DAY_S + 3600.0)
    assert found.stale == ((given,) if is_stale else ())


def test_stale_alarms_are_judged_by_how_many_there_are_at_once() -> None:
    """One on each of two days is one at a time; two that overlap after their day are two."""
    one = up(0.0, DAY_S + 10.0)
    later = up(DAY_S, 2.0 * DAY_S + 10.0, alarm="lens_4/nozzle/hot")
    with_it = up(5.0, alarm="lens_4/nozzle/hot")
    apart = judged(one, later, span_s=3.0 * DAY_S)
    assert (len(apart.stale), apart.stale_at_once) == (2, 1)
    assert judged(one, with_it, span_s=3.0 * DAY_S).stale_at_once == 2
    assert judged().stale_at_once == 0


def test_rates_are_per_observed_time() -> None:
    """144 alarms in a day are one in ten minutes; in half a day seen they are two."""
    given = [up(600.0 * number) for number in range(144)]
    whole, half = judged(*given), judged(*given, observed_s=DAY_S / 2.0)
    assert [whole.per(span_s) for span_s in (600.0, 3600.0, DAY_S)] == pytest.approx([1, 6, 144])
    assert half.per(600.0) == pytest.approx(2.0)
    assert judged(*given, observed_s=0.0).per(600.0) == 0.0
    assert judged(*in_bins(11), observed_s=0.0).flood_share == 0.0


def test_only_the_span_counts() -> None:
    """Its beginning belongs to it, its end to the next, and no alarm is in two of them."""
    given = [up(-0.1), up(0.0), up(DAY_S - 0.1), up(DAY_S)]
    assert judged(*given).annunciated == 2


def test_what_was_put_aside_is_counted_apart() -> None:
    """Shelved or suppressed all the time: nobody was called."""
    found = judged(up(0.0), up(10.0, is_aside=True))
    assert (found.annunciated, found.aside) == (1, 1)
    assert found.priorities[-1] == (Priority.LOW, 1)


def test_the_ten_most_frequent_and_their_share() -> None:
    """Twelve alarms, the first twice: the ten most frequent make up 11 of 13."""
    given = [up(60.0 * number, alarm=f"lens_4/{number}") for number in range(12)]
    found = judged(*given, up(3600.0, alarm="lens_4/0"))
    assert found.top[0] == ("lens_4/0", 2)
    assert len(found.top) == 10
    assert found.top_share == pytest.approx(11.0 / 13.0)


def test_the_distribution_of_priorities_names_all() -> None:
    """The same order always, worst first."""
    found = judged(up(0.0, priority=Priority.HIGH), up(1.0), up(2.0))
    assert found.priorities == (
        (Priority.CRITICAL, 0),
        (Priority.HIGH, 1),
        (Priority.MEDIUM, 0),
        (Priority.LOW, 2),
    )


def test_time_to_acknowledge() -> None:
    """Half of those acknowledged waited up to 20 s, the longest 100 s; one never was."""
    found = judged(up(0.0, None, 10.0), up(0.0, None, 20.0), up(0.0, None, 100.0), up(0.0))
    assert (found.acknowledged, found.median_s, found.longest_s) == (3, 20.0, 100.0)


def test_marks_belong_to_the_newest_activation() -> None:
    """A later word replaces an earlier one; what names no activation of the span is left out."""
    given = [up(-100.0), up(0.0), up(1000.0)]
    said = (
        Marking(COLD, at(1500.0), Mark.FALSE),
        Marking(COLD, at(10.0), Mark.REAL),
        Marking(COLD, at(20.0), Mark.EXPECTED),
        Marking(COLD, at(-50.0), Mark.FALSE),
        Marking(COLD, at(-200.0), Mark.FALSE),
        Marking("lens_4/nozzle/hot", at(10.0), Mark.REAL),
    )
    found = judged(*given, markings=said)
    assert found.marks == ((Mark.REAL, 0), (Mark.EXPECTED, 1), (Mark.FALSE, 1))


def test_nothing_raised_gives_zeros() -> None:
    """A quiet span has figures too."""
    found = judged()
    assert (found.annunciated, found.aside, found.peak, found.peak_ns) == (0, 0, 0, None)
    assert (found.top, found.top_share, found.median_s, found.longest_s) == ((), 0.0, None, None)
    assert all(figure.is_met for figure in found.figures)


def test_thirty_days_are_long_enough_to_judge() -> None:
    """What counts is the observed time, not the span."""
    assert judged(span_s=30.0 * DAY_S).is_long_enough
    assert not judged(span_s=30.0 * DAY_S - 1.0).is_long_enough
    assert not judged(span_s=60.0 * DAY_S, observed_s=29.0 * DAY_S).is_long_enough


def test_figures_are_held_against_their_targets() -> None:
    """Two floods of a day and five stale alarms miss three of four targets; the rate is met."""
    stale = [up(-2.0 * DAY_S, alarm=f"lens_4/{number}") for number in range(5)]
    found = judged(*in_bins(11, 0, 11), *stale)
    assert [(figure.name, figure.target, figure.is_met) for figure in found.figures] == [
        ("per_ten_minutes", 1.0, True),
        ("peak_in_ten_minutes", 10.0, False),
        ("flood_share", 0.01, False),
        ("stale", 5.0, False),
    ]
    values = [figure.value for figure in found.figures]
    assert values == pytest.approx([22.0 / 144.0, 11.0, 2.0 / 144.0, 5.0])


NORMAL, UNACKNOWLEDGED = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED
ACKNOWLEDGED, SHELVED = AlarmState.ACKNOWLEDGED, AlarmState.SHELVED
RETURNED, LATCHED = AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED

Row = tuple[float, AlarmState, AlarmInput, AlarmState, int]


def rows(
    *given: Row, priorities: tuple[str, ...] = ("low", "low", "critical")
) -> tuple[Activation, ...]:
    """Activations of rows of one alarm: time, before, input, after, stage."""
    return activations(
        transition(seq, row, priority=priorities[row[4]]) for seq, row in enumerate(given, 1)
    )


def transition(seq: int, row: Row, *, priority: str, zone: str = "nozzle") -> AlarmTransition:
    """A row as the ledger gives it."""
    after_s, before, cause, after, stage = row
    details: dict[str, Detail] = {"input": cause.value, "priority": priority}
    return AlarmTransition(
        *(seq, 1, Instant(at(after_s), at(after_s)), "lens_4", zone),
        *("cold", before.value, after.value, stage, details),
    )


def test_an_activation_from_on_to_off() -> None:
    """Raised, acknowledged and cleared each at its row."""
    assert rows(
        (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (5.0, UNACKNOWLEDGED, AlarmInput.ACKNOWLEDGE, ACKNOWLEDGED, 1),
        (9.0, ACKNOWLEDGED, AlarmInput.OFF, NORMAL, 0),
    ) == (up(0.0, 9.0, 5.0),)


def test_an_alarm_of_the_cell_has_no_zone_in_its_name() -> None:
    """Named as a person names it in an entry."""
    row = (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1)
    assert activations([transition(1, row, priority="low", zone="")])[0].alarm == "lens_4/cold"


def test_a_re_alarm_and_a_worse_stage_are_no_new_alarm() -> None:
    """One activation, with the highest priority it had."""
    assert rows(
        (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (5.0, UNACKNOWLEDGED, AlarmInput.ACKNOWLEDGE, ACKNOWLEDGED, 1),
        (60.0, ACKNOWLEDGED, AlarmInput.RE_ALARM, UNACKNOWLEDGED, 1),
        (70.0, UNACKNOWLEDGED, AlarmInput.WORSE, UNACKNOWLEDGED, 2),
        (80.0, UNACKNOWLEDGED, AlarmInput.EASED, UNACKNOWLEDGED, 1),
        (90.0, UNACKNOWLEDGED, AlarmInput.ACKNOWLEDGE, ACKNOWLEDGED, 1),
    ) == (up(0.0, None, 5.0, priority=Priority.CRITICAL),)


def test_back_before_it_was_acknowledged_is_a_new_alarm() -> None:
    """The acknowledgement belongs to the newest; the one before was never acknowledged."""
    assert rows(
        (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (5.0, UNACKNOWLEDGED, AlarmInput.OFF, RETURNED, 0),
        (9.0, RETURNED, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (12.0, UNACKNOWLEDGED, AlarmInput.OFF, RETURNED, 0),
        (20.0, RETURNED, AlarmInput.ACKNOWLEDGE, NORMAL, 0),
    ) == (up(0.0, 5.0), up(9.0, 12.0, 20.0))


def test_an_alarm_that_began_aside_is_raised_when_it_surfaces() -> None:
    """Shelved until 60 s while its condition was on: people get it then."""
    on = (0.0, SHELVED, AlarmInput.ON, SHELVED, 1)
    assert rows(on, (60.0, SHELVED, AlarmInput.UNSHELVE, UNACKNOWLEDGED, 1)) == (up(60.0),)
    assert rows(
        on,
        (30.0, SHELVED, AlarmInput.ACKNOWLEDGE, SHELVED, 1),
        (60.0, SHELVED, AlarmInput.UNSHELVE, UNACKNOWLEDGED, 1),
        (90.0, UNACKNOWLEDGED, AlarmInput.ACKNOWLEDGE, ACKNOWLEDGED, 1),
    ) == (up(60.0, None, 90.0),)
    assert rows(on, (60.0, SHELVED, AlarmInput.OFF, SHELVED, 0)) == (up(0.0, 60.0, is_aside=True),)


def test_shelving_and_surfacing_is_no_new_alarm() -> None:
    """It had been shown before."""
    assert rows(
        (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (5.0, UNACKNOWLEDGED, AlarmInput.SHELVE, SHELVED, 1),
        (60.0, SHELVED, AlarmInput.UNSHELVE, UNACKNOWLEDGED, 1),
    ) == (up(0.0),)


def test_a_latched_alarm_that_surfaces_is_raised_after_it_cleared() -> None:
    """Its condition came and went while it was aside; the latch still calls people."""
    assert rows(
        (0.0, SHELVED, AlarmInput.ON, SHELVED, 1),
        (9.0, SHELVED, AlarmInput.OFF, SHELVED, 0),
        (60.0, SHELVED, AlarmInput.UNSHELVE, LATCHED, 0),
    ) == (up(60.0, 9.0),)


def test_an_end_that_was_not_recorded_is_the_next_beginning() -> None:
    """After a restart without its state the alarm begins anew."""
    assert rows(
        (0.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
        (90.0, NORMAL, AlarmInput.ON, UNACKNOWLEDGED, 1),
    ) == (up(0.0, 90.0), up(90.0))


def test_what_began_before_the_rows_is_left_out() -> None:
    """Nothing is known of when it began."""
    assert (
        rows(
            (5.0, UNACKNOWLEDGED, AlarmInput.ACKNOWLEDGE, ACKNOWLEDGED, 1),
            (9.0, ACKNOWLEDGED, AlarmInput.OFF, NORMAL, 0),
        )
        == ()
    )


def test_the_figures_of_a_ledger_are_those_of_its_alarms_and_of_the_time_it_covers(
    sample_ledger: Path,
) -> None:
    """The sample is twenty minutes long; nobody watched in the hours around it."""
    span = {"since_ns": sample.at(-3600).utc_ns, "until_ns": sample.at(8 * 3600).utc_ns}
    found = performance_of(sample_ledger, **span)
    given = activations(ledger.alarm_transitions(sample_ledger))
    told = [recorded.event for recorded in ledger.events(sample_ledger)]
    assert found == performance(given, **span, observed_s=found.observed_s, markings=marked(told))
    assert found.observed_s == pytest.approx(sample.SECONDS, abs=2.0)
    assert found.annunciated + found.aside == len(given) > 0


def test_a_span_before_the_ledger_has_no_figures(sample_ledger: Path) -> None:
    """Nothing was watched then."""
    found = performance_of(sample_ledger, since_ns=0, until_ns=NANO)
    assert (found.observed_s, found.annunciated, found.per(600.0)) == (0.0, 0, 0.0)


def test_the_time_between_two_runs_is_not_observed(tmp_path: Path) -> None:
    """A daemon that was away has seen no alarm meanwhile, nor that there was none."""
    path = tmp_path / "two.ledger"
    for begin_s in (0, 3600):
        later = Event(EventKind.LEDGER_RECOVERED, sample.at(begin_s + 600))
        batch = ledger.Batch((), (later,))
        sample.record(path, batch, config="{}", begin=sample.at(begin_s))
    span = {"since_ns": sample.at(0).utc_ns, "until_ns": sample.at(86_400).utc_ns}
    assert performance_of(path, **span).observed_s == pytest.approx(1200.0)
