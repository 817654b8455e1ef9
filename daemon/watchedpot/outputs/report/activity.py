"""How a zone spent its time: what flowed and what nobody saw by the readings, else by phases."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.model import Event, EventKind
from watchedpot.core.snapshot import Activity, Phase
from watchedpot.core.units import NANO
from watchedpot.outputs.report.readings import Readings, Spans, spans

ACTIVITIES = (
    Activity.DISPENSING,
    Activity.READY_IDLE,
    Activity.HEATING,
    Activity.SETBACK,
    Activity.OFF,
    Activity.UNKNOWN,
)


_ACTIVITY_OF = {
    Phase.OFF: Activity.OFF,
    Phase.COOLING: Activity.OFF,
    Phase.HEATING: Activity.HEATING,
    Phase.SOAKING: Activity.HEATING,
    Phase.RECOVERING: Activity.HEATING,
    Phase.READY: Activity.READY_IDLE,
    Phase.SETBACK: Activity.SETBACK,
    Phase.UNKNOWN: Activity.UNKNOWN,
}


def split_s(
    zone: str,
    readings: Readings,
    inside: Sequence[Event],
    phase_before: Mapping[str, Event],
    span_ns: tuple[int, int],
) -> tuple[float, ...]:
    """Time of each activity, in the order of ``ACTIVITIES``. [s]."""
    starts, activities = _phases(zone, inside, phase_before, span_ns[0])
    unseen = spans(_pairs(readings.traces[zone].gaps, readings.unknown))
    flowing = readings.dispensing
    edges: list[NDArray[np.int64]] = [np.array(span_ns), starts, unseen.start_ns, unseen.stop_ns]
    if flowing is not None:
        edges += [flowing.start_ns, flowing.stop_ns]
    borders = np.unique(np.clip(np.concatenate(edges), *span_ns))
    middle = borders[:-1] + np.diff(borders) // 2
    codes = activities[np.searchsorted(starts, middle, side="right") - 1]
    codes[unseen.contain(middle)] = ACTIVITIES.index(Activity.UNKNOWN)
    if flowing is not None:
        codes[flowing.contain(middle)] = ACTIVITIES.index(Activity.DISPENSING)
    total_s = np.bincount(codes, np.diff(borders) / NANO, minlength=len(ACTIVITIES))
    return tuple(total_s.tolist())


def _pairs(*of: Spans | None) -> Iterable[tuple[int, int]]:
    for each in of:
        if each is not None:
            yield from zip(each.start_ns.tolist(), each.stop_ns.tolist(), strict=True)


def _phases(
    zone: str, inside: Sequence[Event], phase_before: Mapping[str, Event], from_ns: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """When each phase began, and what the time in it counts as."""
    changes = [
        event for event in inside if event.kind is EventKind.PHASE_CHANGED and event.zone == zone
    ]
    earlier = phase_before.get(zone)
    if earlier is not None:
        first = str(earlier.detail("to"))
    else:
        first = str(changes[0].detail("from")) if changes else Phase.UNKNOWN.value
    names = [first, *(str(event.detail("to")) for event in changes)]
    known = {phase.value: ACTIVITIES.index(_ACTIVITY_OF[phase]) for phase in Phase}
    unknown = ACTIVITIES.index(Activity.UNKNOWN)
    starts = np.array([from_ns, *(event.at.utc_ns for event in changes)], dtype=np.int64)
    codes = np.array([known.get(name, unknown) for name in names], dtype=np.int64)
    order = np.argsort(starts, kind="stable")
    return starts[order], codes[order]
