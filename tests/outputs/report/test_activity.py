"""How the time of a zone is split."""

from __future__ import annotations

import numpy as np
import pytest

from outputs.report.sample import BEGIN_NS, at, event
from watchedpot.core.model import Event, EventKind
from watchedpot.core.snapshot import Activity, Phase
from watchedpot.outputs.report.activity import ACTIVITIES, split_s
from watchedpot.outputs.report.readings import Readings, Spans, Trace, spans

SPAN_NS = (BEGIN_NS, at(100).utc_ns)


def readings(*, gaps: Spans, dispensing: Spans | None, unknown: Spans | None) -> Readings:
    """Readings of a nozzle of which only the times matter."""
    trace = Trace(np.array([1.0]), np.array([1.0]), gaps, np.array([], dtype=np.int64))
    return Readings(np.array(SPAN_NS), {"nozzle": trace}, dispensing, unknown)


def between(*pairs: tuple[float, float]) -> Spans:
    """Stretches by their seconds."""
    return spans((at(start).utc_ns, at(stop).utc_ns) for start, stop in pairs)


def changed(second: float, before: Phase, after: Phase) -> Event:
    """A change of phase."""
    return event(
        EventKind.PHASE_CHANGED, second, "nozzle", **{"from": before.value, "to": after.value}
    )


def split(
    *inside: Event,
    before: dict[str, Event] | None = None,
    gaps: Spans | None = None,
    dispensing: Spans | None = None,
    unknown: Spans | None = None,
) -> dict[Activity, float]:
    """The split of 100 s, what is zero left out."""
    found = readings(gaps=gaps or between(), dispensing=dispensing, unknown=unknown)
    parts = split_s("nozzle", found, inside, before or {}, SPAN_NS)
    return {kind: part_s for kind, part_s in zip(ACTIVITIES, parts, strict=True) if part_s}


def test_what_flows_and_what_nobody_saw_comes_before_the_phase() -> None:
    """Flow counts as dispensing in any phase; the rest of a gap is unknown."""
    found = split(
        changed(40, Phase.HEATING, Phase.READY),
        dispensing=between((50, 60)),
        gaps=between((55, 70)),
        unknown=between((65, 75)),
    )
    assert found == {
        Activity.HEATING: 40.0,
        Activity.DISPENSING: 10.0,
        Activity.UNKNOWN: 15.0,
        Activity.READY_IDLE: 35.0,
    }


@pytest.mark.parametrize(
    ("phase", "activity"),
    [
        (Phase.OFF, Activity.OFF),
        (Phase.COOLING, Activity.OFF),
        (Phase.SOAKING, Activity.HEATING),
        (Phase.RECOVERING, Activity.HEATING),
        (Phase.SETBACK, Activity.SETBACK),
        (Phase.UNKNOWN, Activity.UNKNOWN),
    ],
)
def test_every_phase_counts_as_something(phase: Phase, activity: Activity) -> None:
    """The phase before the span holds until the first change in it."""
    earlier = {"nozzle": changed(-50, Phase.READY, phase)}
    assert split(before=earlier) == {activity: 100.0}


def test_without_an_earlier_change_the_first_one_says_what_was() -> None:
    """It names the phase that it ended."""
    found = split(changed(30, Phase.SETBACK, Phase.READY))
    assert found == {Activity.SETBACK: 30.0, Activity.READY_IDLE: 70.0}


def test_without_any_change_nothing_is_known() -> None:
    """No guess."""
    assert split() == {Activity.UNKNOWN: 100.0}


def test_a_phase_of_another_version_is_unknown() -> None:
    """A word nobody knows is not taken for another."""
    strange = event(EventKind.PHASE_CHANGED, 20, "nozzle", **{"from": "ready", "to": "dancing"})
    assert split(strange) == {Activity.READY_IDLE: 20.0, Activity.UNKNOWN: 80.0}


def test_other_zones_do_not_matter() -> None:
    """Only the zone's own phases count."""
    other = event(EventKind.PHASE_CHANGED, 20, "syringe", **{"from": "ready", "to": "off"})
    assert split(other, changed(50, Phase.READY, Phase.OFF)) == {
        Activity.READY_IDLE: 50.0,
        Activity.OFF: 50.0,
    }
