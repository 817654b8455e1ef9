"""Excursions: dated by their crossings, ended only by a return that is seen and lasts."""

from __future__ import annotations

import pytest

from support.cells import (
    DISPENSING,
    HIGH_C,
    LOW_C,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    alarm,
    block,
    cell,
    instant,
    line,
    nozzle,
    of_kind,
    run,
    second,
    zone,
)
from watchedpot.core.excursions import (
    ExcursionTrack,
    Totals,
    closing_details,
    opened,
    peaked,
    returned,
)
from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.rules import AlarmKind

PLAN = cell(
    zone(
        alarm(AlarmKind.COLD, off_delay_s=5.0, deadband_k=1.0),
        alarm(AlarmKind.HOT, off_delay_s=5.0, deadband_k=2.0),
    ),
    parts=PARTS,
)


def ended(events: list[Event]) -> list[dict[str, Detail]]:
    """Details of the excursions that ended."""
    return [dict(e.details) for e in of_kind(events, EventKind.EXCURSION_ENDED)]


def test_an_excursion_is_the_triangle_beyond_the_edge() -> None:
    """115 to 105 and back in 20 s: below 110 from 5 to 15 s, 25 K s, back by the deadband."""
    temps = line((0, 115.0), (10, 105.0), (20, 115.0), (30, 115.0))
    parts = [float(n) for n in range(31)]
    rows = block({TEMPERATURE: temps, SETPOINT: 115.0, DISPENSING: 1.0, PARTS: parts})
    _, events = run(PLAN, rows)
    (start,) = of_kind(events, EventKind.EXCURSION_OPENED)
    assert second(start) == 5.0
    assert (start.detail("edge"), start.detail("limit_c")) == ("low", LOW_C)
    (end,) = of_kind(events, EventKind.EXCURSION_ENDED)
    assert second(end) == 21.0
    assert dict(end.details) == {
        "edge": "low",
        "limit_c": LOW_C,
        "onset_ns": 5 * 10**9,
        "onset_utc_ns": instant(5.0).utc_ns,
        "duration_s": 11.0,
        "peak_c": 105.0,
        "exposure_ks": 25.0,
        "dispensing_s": 10.0,
        "blind_s": 0.0,
        "parts_from": 6,
        "parts_to": 16,
        "ended_by": "return",
    }


def test_the_high_edge_has_excursions_in_every_phase() -> None:
    """A zone that is switched off and still too hot is too hot."""
    temps = line((0, 115.0), (5, 125.0), (30, 100.0))
    _, events = run(PLAN, nozzle(temps, setpoint_c=0.0))
    (end,) = ended(events)
    assert (end["edge"], end["limit_c"], end["peak_c"]) == ("high", HIGH_C, 125.0)
    assert end["exposure_ks"] == pytest.approx(0.5 * 5.0 * (2.5 + 5.0), abs=1e-6)


def test_a_short_return_does_not_end_it() -> None:
    """Inside for less than the off-delay: one excursion, whose peak is that of both parts."""
    temps = line((0, 115.0), (5, 105.0), (10, 115.0), (16, 103.0), (25, 115.0), (35, 115.0))
    state, events = run(PLAN, nozzle(temps))
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1
    (end,) = ended(events)
    assert end["peak_c"] == 103.0
    assert end["duration_s"] == pytest.approx(22.0 - 2.5, abs=1e-9)
    assert state.zones[0].low.count == 1


def test_a_return_within_the_deadband_does_not_end_it() -> None:
    """110.5 is above the edge and not yet back; its time is inside the window all the same."""
    temps = line((0, 115.0), (5, 105.0), (10, 110.5), (60, 110.5))
    state, events = run(PLAN, nozzle(temps))
    assert not ended(events)
    assert state.zones[0].low.current is not None
    assert sum(part.inside_ns for part in state.zones[0].account) > 50 * 10**9


def test_losing_sight_does_not_end_it() -> None:
    """The blind stretch is told with it; the return is dated by the row that sees it."""
    temps: list[float | None] = [115.0, 115.0, 105.0, 105.0, *[None] * 20, *[115.0] * 10]
    _, events = run(PLAN, nozzle(temps))
    assert len(of_kind(events, EventKind.EXCURSION_OPENED)) == 1
    (end,) = ended(events)
    assert end["blind_s"] == 21.0
    assert end["duration_s"] == 24.0 - 1.5
    assert second(of_kind(events, EventKind.EXCURSION_ENDED)[0]) == 29.0


def test_an_excursion_first_seen_behind_a_gap_begins_at_its_row() -> None:
    """No crossing is guessed into the blind step."""
    temps: list[float | None] = [115.0, 115.0, None, 105.0, 105.0, 112.0, *[112.0] * 6]
    _, events = run(PLAN, nozzle(temps))
    (start,) = of_kind(events, EventKind.EXCURSION_OPENED)
    assert second(start) == 3.0
    (end,) = ended(events)
    assert end["blind_s"] == 0.0
    assert end["exposure_ks"] == pytest.approx(5.0 + 0.5 * 5.0 * 5.0 / 7.0, abs=1e-6)


def test_leaving_ready_ends_a_cold_excursion_there_and_then() -> None:
    """Told to be colder, it is no longer too cold; that is not a return."""
    setpoints = [115.0] * 10 + [85.0] * 5
    temps = line((0, 115.0), (3, 105.0), (14, 105.0))
    _, events = run(PLAN, nozzle(temps, setpoint_c=setpoints))
    (end,) = ended(events)
    assert (end["ended_by"], end["duration_s"]) == ("phase", 10.0 - 1.5)
    assert second(of_kind(events, EventKind.EXCURSION_ENDED)[0]) == 10.0


def test_without_alarms_an_excursion_ends_with_its_crossing() -> None:
    """The usual deadband of one kelvin, no delay."""
    _, events = run(cell(zone()), nozzle(line((0, 115.0), (10, 105.0), (20, 115.0))))
    (end,) = ended(events)
    assert end["duration_s"] == 11.0
    assert (end["parts_from"], end["parts_to"]) == (None, None)


def test_a_track_without_an_excursion_has_no_return_and_no_peak() -> None:
    """Nothing under way, nothing to change."""
    track = ExcursionTrack()
    assert returned(track, instant(1.0), Totals(0, 0, 0, None)) is track
    assert peaked(track, 100.0, is_high=False) is track


@pytest.mark.parametrize(
    ("is_high", "peaks", "furthest"),
    [(True, (121.0, 125.0, 122.0), 125.0), (False, (9.0, 11.0), 9.0)],
)
def test_a_peak_only_moves_outwards(
    is_high: bool, peaks: tuple[float, ...], furthest: float
) -> None:
    """Up beyond the high edge, down beyond the low one."""
    track = opened(ExcursionTrack(), instant(0.0), Totals(0, 0, 0, None), peaks[0])
    for peak_c in peaks:
        track = peaked(track, peak_c, is_high=is_high)
    assert track.current is not None
    assert track.current.peak_c == furthest
    assert track.count == 1


def test_an_excursion_closed_without_a_return_has_no_length() -> None:
    """It was only just opened: no time, no area."""
    track = opened(ExcursionTrack(), instant(3.0), Totals(5, 6, 7, 8), 121.0)
    assert track.current is not None
    details = dict(closing_details(track.current, edge="high", limit_c=HIGH_C, ended_by="phase"))
    assert (details["duration_s"], details["exposure_ks"], details["blind_s"]) == (0.0, 0.0, 0.0)
    assert (details["parts_from"], details["parts_to"]) == (8, 8)
