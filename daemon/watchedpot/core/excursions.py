"""Excursions: one unbroken stay outside an edge of the window, from the crossing to the return.

A return shorter than the off-delay, or not inside by the deadband, does not end it; neither
does losing sight of the zone. It is dated by its crossings, not by when anyone noticed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from watchedpot.core.alarms import Delay
from watchedpot.core.model import Detail, Instant
from watchedpot.core.units import NANO


@dataclass(frozen=True, slots=True)
class Totals:
    """Running totals of a zone at one row, as far as an excursion needs them.

    Attributes
    ----------
    area_nks
        Integral of the distance beyond the edge. [nano K s]
    dispensing_ns
        Time beyond the edge while dispensing. [ns]
    blind_ns
        Time not seen. [ns]
    parts
        Part counter, None if not known.
    """

    area_nks: int
    dispensing_ns: int
    blind_ns: int
    parts: int | None


@dataclass(frozen=True, slots=True)
class Excursion:
    """An excursion under way.

    Attributes
    ----------
    onset, start
        The crossing, and the totals then.
    peak_c
        Furthest good reading so far. [degC]
    returned, stop
        The last crossing back, which may yet turn out to be no end, and the totals then.
    """

    onset: Instant
    start: Totals
    peak_c: float
    returned: Instant | None = None
    stop: Totals | None = None


@dataclass(frozen=True, slots=True)
class ExcursionTrack:
    """One edge of one zone: the excursion under way, if any, and how many there were."""

    delay: Delay = field(default_factory=Delay)
    current: Excursion | None = None
    count: int = 0


def opened(track: ExcursionTrack, onset: Instant, start: Totals, peak_c: float) -> ExcursionTrack:
    """The track with a new excursion."""
    return replace(track, current=Excursion(onset, start, peak_c), count=track.count + 1)


def returned(track: ExcursionTrack, at: Instant, stop: Totals) -> ExcursionTrack:
    """The track with a crossing back that may be the end."""
    if track.current is None:
        return track
    return replace(track, current=replace(track.current, returned=at, stop=stop))


def peaked(track: ExcursionTrack, peak_c: float, *, is_high: bool) -> ExcursionTrack:
    """The track with its peak no less than a new reading."""
    if track.current is None:
        return track
    further = max if is_high else min
    peak_c = further(track.current.peak_c, peak_c)
    return replace(track, current=replace(track.current, peak_c=peak_c))


def closing_details(
    excursion: Excursion, *, edge: str, limit_c: float, ended_by: str
) -> tuple[tuple[str, Detail], ...]:
    """What an ended excursion was, in base units."""
    end, stop = excursion.returned or excursion.onset, excursion.stop or excursion.start
    start = excursion.start
    return (
        ("edge", edge),
        ("limit_c", limit_c),
        ("onset_ns", excursion.onset.mono_ns),
        ("onset_utc_ns", excursion.onset.utc_ns),
        ("duration_s", (end.mono_ns - excursion.onset.mono_ns) / NANO),
        ("peak_c", excursion.peak_c),
        ("exposure_ks", (stop.area_nks - start.area_nks) / NANO),
        ("dispensing_s", (stop.dispensing_ns - start.dispensing_ns) / NANO),
        ("blind_s", (stop.blind_ns - start.blind_ns) / NANO),
        ("parts_from", start.parts),
        ("parts_to", stop.parts),
        ("ended_by", ended_by),
    )
