"""What a person said: acknowledgements, wipes, charges; refused where it makes no sense."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from watchedpot.core import tracks
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.loads import Stepped, correct_age, enter_charge, keep_charge, replaced
from watchedpot.core.model import (
    Check,
    Detail,
    Disposition,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Instant,
    Loading,
    Mark,
    Storage,
)
from watchedpot.core.series import HIGHEST_C, LOWEST_C
from watchedpot.core.tracks import AlarmPlan, Track
from watchedpot.core.units import ns
from watchedpot.core.zone import alarm_event, wiped_zone

COLDEST_C, HOTTEST_C = -50.0, 400.0
"""Between these a reference probe or a warmer at a cell can be. [degC]"""

_YEARS_S = 10 * 366 * 86_400.0
_MOST_NS = 2**63 - 1
_OF_AN_ENTRY: Mapping[str, tuple[float, float]] = {
    "duration_s": (0.0, _YEARS_S),
    "said_utc_ns": (0, _MOST_NS),
}
_OF_A_CHECK: Mapping[str, tuple[float, float]] = {
    "true_c": (COLDEST_C, HOTTEST_C),
    "read_c": (COLDEST_C, HOTTEST_C),
}
_OF_A_LOADING: Mapping[str, tuple[float, float]] = {
    "age_s": (0.0, _YEARS_S),
    "preheat_c": (COLDEST_C, HOTTEST_C),
    "preheat_s": (0.0, 86_400.0),
    "mass_kg": (1e-6, 1000.0),
    "expires_utc_ns": (0, _MOST_NS),
    "out_of_store_s": (0.0, _YEARS_S),
}
_OF_A_STORAGE: Mapping[str, tuple[float, float]] = {
    "above_s": (0.0, _YEARS_S),
    "max_c": (LOWEST_C, HIGHEST_C),
    "mean_kinetic_c": (LOWEST_C, HIGHEST_C),
    "seen_s": (0.0, _YEARS_S),
    "blind_s": (0.0, _YEARS_S),
}
"""Least and most of each number that can be said, in the unit of its name."""

_RANGE = re.compile(r"\s*(\d{1,15})\s*(?:-\s*(\d{1,15})\s*)?")

_OF_ZONE = frozenset({EntryKind.CHECK, EntryKind.WIPED, EntryKind.PURGED, EntryKind.NOTE})
_OF_LOADING = (
    *("age_s", "preheat_c", "preheat_s", "mass_kg", "is_refill", "is_assumed", "lot"),
    *("expires_utc_ns", "out_of_store_s"),
)
_OF_STORAGE = ("above_s", "max_c", "mean_kinetic_c", "seen_s", "blind_s")

_TO_ALARM = {
    EntryKind.ACKNOWLEDGE: AlarmInput.ACKNOWLEDGE,
    EntryKind.RESET: AlarmInput.RESET,
    EntryKind.SHELVE: AlarmInput.SHELVE,
    EntryKind.UNSHELVE: AlarmInput.UNSHELVE,
    EntryKind.TAKE_OUT_OF_SERVICE: AlarmInput.TAKE_OUT_OF_SERVICE,
    EntryKind.RETURN_TO_SERVICE: AlarmInput.RETURN_TO_SERVICE,
}
_OF_ALARM = frozenset({*_TO_ALARM, EntryKind.MARK_ALARM})


def enter(state: CellState, entry: Entry, plan: CellPlan) -> Stepped:
    """What a person said: first that it was said, then what follows from it.

    Never raises, whatever was said.
    """
    refusal = nonsense(entry, plan)
    if not refusal and entry.kind is EntryKind.CHARGE_KEPT and not state.charge.is_doubted:
        refusal = "nobody doubts which charge it is"
    if refusal:
        return state, [refused(entry, plan.rules.id, refusal)]
    after, events = _followed(state, entry, plan)
    if [event.kind for event in events] == [EventKind.ENTRY_REFUSED]:
        return after, events  # by the alarm itself
    return after, [entered(entry, plan.rules.id), *events]


def nonsense(entry: Entry, plan: CellPlan) -> str:
    """Why an entry can make no sense in a cell, however that stands; empty if it can."""
    cell, _, rest = entry.target.partition("/")
    if cell != plan.rules.id or not _is_there(entry, rest, plan):
        is_known = cell == plan.rules.id and entry.kind in _OF_ALARM
        return f"the cell has no such {'alarm' if is_known else 'thing'}"
    if not entry.who.strip():
        return "nobody is named who says it"
    return _fault(entry, plan) or _odd_number(entry)


def _is_there(entry: Entry, rest: str, plan: CellPlan) -> bool:
    """Whether what an entry is about exists in the cell."""
    zones = {zone.rules.id for zone in plan.zones}
    alarms = {alarm.id for alarm in _alarms(plan)}
    match entry.kind:
        case EntryKind.WIPED | EntryKind.PURGED:
            return _has_nozzle(plan, rest)
        case EntryKind.CHECK:
            return rest in zones
        case EntryKind.NOTE:
            return rest in zones | {""} or entry.target in alarms
        case kind if kind in _OF_ALARM:
            return entry.target in alarms
    return not rest


def _alarms(plan: CellPlan) -> Iterator[AlarmPlan]:
    """Every alarm of a cell, those of its zones first."""
    for zone in plan.zones:
        yield from zone.alarms
    yield from plan.alarms


def _longest_s(entry: Entry, plan: CellPlan) -> float:
    """Longest shelving of the alarm that an entry is about, the shortest of its stages. [s]."""
    alarm = next(alarm for alarm in _alarms(plan) if alarm.id == entry.target)
    return min(rules.max_shelving_s for rules in alarm.stages)


def _ill_put_aside(entry: Entry, plan: CellPlan) -> str:
    """Why an alarm cannot be put aside as it was said, empty if it can."""
    if not entry.why.strip():
        return "nobody says why it is to be put aside"
    if entry.kind is not EntryKind.SHELVE or (entry.is_one_shot and entry.duration_s == 0.0):
        return ""
    longest_s = _longest_s(entry, plan)
    if 0.0 < entry.duration_s <= longest_s:
        return ""
    return f"this alarm is shelved for more than 0 and at most {longest_s / 60.0:g} min"


def _fault(entry: Entry, plan: CellPlan) -> str:
    """What is wrong with what an entry of its kind says, empty if nothing is."""
    fault = ""
    match entry.kind:
        case EntryKind.SHELVE | EntryKind.TAKE_OUT_OF_SERVICE:
            fault = _ill_put_aside(entry, plan)
        case EntryKind.CHARGE_LOADED if not entry.subject.strip():
            fault = "the charge has no id"
        case EntryKind.NOTE if not entry.why.strip() and not entry.subject.strip():
            fault = "the note is empty"
        case EntryKind.CHECK if entry.check is None:
            fault = "a check has two temperatures"
        case EntryKind.DISPOSITION if not part_ranges(entry.subject):
            fault = "expected numbers and ranges of parts, such as 41877-41880,41885"
        case EntryKind.DISPOSITION:
            fault = _unknown_word(entry, Disposition)
        case EntryKind.MARK_ALARM:
            fault = _unknown_word(entry, Mark)
    return fault


def _unknown_word(entry: Entry, words: type[Mark | Disposition]) -> str:
    """What is wrong with the word of an entry, empty if nothing is."""
    known = [word.value for word in words]
    return "" if entry.word in known else f"expected one of {', '.join(known)}"


def _odd_number(entry: Entry) -> str:
    """Which number of an entry cannot be, empty if all can; what is not said is no fault."""
    loading = entry.loading
    for said, bounds in (
        (entry, _OF_AN_ENTRY),
        (entry.check, _OF_A_CHECK),
        (loading, _OF_A_LOADING),
        (None if loading is None else loading.storage, _OF_A_STORAGE),
    ):
        for name, (least, most) in bounds.items():
            value = getattr(said, name, None)
            if value is not None and not least <= value <= most:
                return f"expected {name} of {least:g} to {most:g}"
    return ""


def _followed(state: CellState, entry: Entry, plan: CellPlan) -> Stepped:
    """What follows from an entry that makes sense."""
    zone = entry.target.partition("/")[2]
    after: Stepped = state, []  # of words that are only kept
    match entry.kind:
        case EntryKind.WIPED | EntryKind.PURGED:
            after = wipe(state, plan, entry.at, zone=zone, who=entry.who)
        case EntryKind.CHARGE_LOADED:
            after = enter_charge(state, plan, entry)
        case EntryKind.CHARGE_KEPT:
            after = keep_charge(state, plan, entry)
        case EntryKind.AGE_CORRECTED:
            after = correct_age(state, plan, entry)
        case EntryKind.CHECK if entry.check is not None:
            failed = set(state.failed_checks) - {zone}
            if abs(entry.check.error_k) > plan.rules.judging.check_tolerance_k:
                failed.add(zone)
            after = replace(state, failed_checks=tuple(sorted(failed))), []
        case kind if kind in _TO_ALARM:
            after = _tell_alarm(state, entry, plan)
    return after


def part_ranges(text: str) -> tuple[tuple[int, int], ...]:
    """First and last number of each range of parts; empty if the text is not made of such.

    Examples
    --------
    >>> part_ranges("41877-41880, 41885")
    ((41877, 41880), (41885, 41885))
    >>> part_ranges("41880-41877")
    ()
    """
    ranges = []
    for item in text.split(","):
        found = _RANGE.fullmatch(item)
        if found is None or int(found[2] or found[1]) < int(found[1]):
            return ()
        ranges.append((int(found[1]), int(found[2] or found[1])))
    return tuple(ranges)


def entered(entry: Entry, cell: str) -> Event:
    """The event of an entry, with all that was said."""
    loading, check = entry.loading, entry.check
    storage = None if loading is None else loading.storage
    details: list[tuple[str, Detail]] = [
        ("entry", entry.kind.value),
        ("target", entry.target),
        ("who", entry.who),
        ("why", entry.why),
        ("subject", entry.subject),
        ("word", entry.word),
        ("duration_s", entry.duration_s),
        ("is_one_shot", entry.is_one_shot),
        *((name, None if loading is None else getattr(loading, name)) for name in _OF_LOADING),
        *(
            (f"storage_{name}", None if storage is None else getattr(storage, name))
            for name in _OF_STORAGE
        ),
        ("true_c", None if check is None else check.true_c),
        ("read_c", None if check is None else check.read_c),
        ("id", entry.id),
        ("said_utc_ns", entry.said_utc_ns),
    ]
    zone = entry.target.partition("/")[2].partition("/")[0]
    is_zone = entry.target.count("/") > 1 or entry.kind in _OF_ZONE
    return Event(EventKind.ENTERED, entry.at, cell, zone if is_zone else "", tuple(details))


def entry_of(event: Event) -> Entry:
    """The entry again from its event, for a replay."""
    told: dict[str, Any] = dict(event.details)
    loading = check = None
    if told["is_refill"] is not None:
        storage = {name: told[f"storage_{name}"] for name in _OF_STORAGE}
        loading = Loading(
            **{name: told[name] for name in _OF_LOADING},
            storage=None if storage["seen_s"] is None else Storage(**storage),
        )
    if told["true_c"] is not None:
        check = Check(told["true_c"], told["read_c"])
    return Entry(
        EntryKind(told["entry"]),
        told["target"],
        event.at,
        told["who"],
        told["why"],
        told["subject"],
        told["duration_s"],
        loading,
        check,
        told["word"],
        told["id"],
        told["said_utc_ns"],
        told.get("is_one_shot", False),  # nobody could say it before
    )


def wipe(
    state: CellState, plan: CellPlan, at: Instant, *, zone: str = "", who: str = ""
) -> Stepped:
    """Nozzles wiped or purged: the named one, or all of the cell."""
    zones, events = list(state.zones), list[Event]()
    for place, zone_plan in enumerate(plan.zones):
        if zone in ("", zone_plan.rules.id):
            zones[place], new = wiped_zone(zones[place], zone_plan, at, who)
            events += new
    return replace(state, zones=tuple(zones), fresh_ns=at.mono_ns), events


def _has_nozzle(plan: CellPlan, zone: str) -> bool:
    """Whether the named zone is a nozzle; without a name, whether the cell has one."""
    return any(zone_plan.is_nozzle and zone in ("", zone_plan.rules.id) for zone_plan in plan.zones)


def _tell_alarm(state: CellState, entry: Entry, plan: CellPlan) -> Stepped:
    """A person's input to one alarm, which the cell has."""
    for place, zone_plan in enumerate(plan.zones):
        for spot, alarm in enumerate(zone_plan.alarms):
            if alarm.id == entry.target:
                zone = state.zones[place]
                track, event = _told(zone.tracks[spot], alarm, entry, plan)
                zone = replace(zone, tracks=replaced(zone.tracks, spot, track))
                return replace(state, zones=replaced(state.zones, place, zone)), [event]
    spot = next(n for n, alarm in enumerate(plan.alarms) if alarm.id == entry.target)
    track, event = _told(state.tracks[spot], plan.alarms[spot], entry, plan)
    return replace(state, tracks=replaced(state.tracks, spot, track)), [event]


def _told(track: Track, alarm: AlarmPlan, entry: Entry, plan: CellPlan) -> tuple[Track, Event]:
    """One alarm after a person's input, and the event that says who."""
    cause = _TO_ALARM[entry.kind]
    longest_s = _longest_s(entry, plan)
    track, changes = tracks.tell(
        track,
        alarm,
        cause,
        entry.at,
        who=entry.who,
        why=entry.why,
        shelved_until=_later(entry.at, entry.duration_s or longest_s),
        is_one_shot=entry.is_one_shot,
    )
    if not changes:
        return track, refused(entry, plan.rules.id, f"the alarm is {track.alarm.state.value}")
    return track, alarm_event(changes[0], temp_c=None, limit=None)


def _later(at: Instant, after_s: float) -> Instant:
    """A moment so much later on both clocks."""
    return Instant(at.utc_ns + ns(after_s), at.mono_ns + ns(after_s))


def refused(entry: Entry, cell: str, why: str) -> Event:
    """Event of an entry that makes no sense there."""
    details = (
        ("entry", entry.kind.value),
        ("target", entry.target),
        ("who", entry.who),
        ("why", why),
        ("id", entry.id),
    )
    return Event(EventKind.ENTRY_REFUSED, entry.at, cell, "", details)
