"""What a person said: acknowledgements, wipes, charges; refused where it makes no sense."""

from __future__ import annotations

from dataclasses import replace

from watchedpot.core import tracks
from watchedpot.core.alarms import AlarmInput
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.loads import Stepped, enter_charge, keep_charge, replaced
from watchedpot.core.model import Entry, EntryKind, Event, EventKind, Instant
from watchedpot.core.tracks import AlarmPlan, Track
from watchedpot.core.units import ns
from watchedpot.core.zone import alarm_event, wiped_zone

LONGEST_SHELVING_S = 86_400.0
"""Longest time an alarm can be put aside [s]: a day, so that each shift or its next one sees it."""

_TO_ALARM = {
    EntryKind.ACKNOWLEDGE: AlarmInput.ACKNOWLEDGE,
    EntryKind.RESET: AlarmInput.RESET,
    EntryKind.SHELVE: AlarmInput.SHELVE,
    EntryKind.UNSHELVE: AlarmInput.UNSHELVE,
    EntryKind.TAKE_OUT_OF_SERVICE: AlarmInput.TAKE_OUT_OF_SERVICE,
    EntryKind.RETURN_TO_SERVICE: AlarmInput.RETURN_TO_SERVICE,
}


def enter(state: CellState, entry: Entry, plan: CellPlan) -> Stepped:
    """What a person said."""
    cell, _, rest = entry.target.partition("/")
    if cell == plan.rules.id:
        if entry.kind is EntryKind.WIPED and _has_nozzle(plan, rest):
            return wipe(state, plan, entry.at, zone=rest, who=entry.who)
        if entry.kind is EntryKind.CHARGE_LOADED and not rest and entry.subject:
            return enter_charge(state, plan, entry)
        if entry.kind is EntryKind.CHARGE_KEPT and not rest:
            if not state.charge.is_doubted:
                return state, [_refused(entry, plan, "nobody doubts which charge it is")]
            return keep_charge(state, plan, entry)
        if entry.kind in _TO_ALARM:
            return _tell_alarm(state, entry, plan)
    return state, [_refused(entry, plan, "the cell has no such thing")]


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
    """A person's input to one alarm."""
    for spot, alarm in enumerate(plan.alarms):
        if alarm.id == entry.target:
            track, event = _told(state.tracks[spot], alarm, entry, plan)
            return replace(state, tracks=replaced(state.tracks, spot, track)), [event]
    for place, zone_plan in enumerate(plan.zones):
        for spot, alarm in enumerate(zone_plan.alarms):
            if alarm.id == entry.target:
                zone = state.zones[place]
                track, event = _told(zone.tracks[spot], alarm, entry, plan)
                zone = replace(zone, tracks=replaced(zone.tracks, spot, track))
                return replace(state, zones=replaced(state.zones, place, zone)), [event]
    return state, [_refused(entry, plan, "the cell has no such alarm")]


def _told(track: Track, alarm: AlarmPlan, entry: Entry, plan: CellPlan) -> tuple[Track, Event]:
    """One alarm after a person's input, and the event that says who."""
    cause = _TO_ALARM[entry.kind]
    is_shelving = cause is AlarmInput.SHELVE
    if is_shelving and not 0.0 < entry.duration_s <= LONGEST_SHELVING_S:
        return track, _refused(entry, plan, f"shelving takes up to {LONGEST_SHELVING_S:g} s")
    track, changes = tracks.tell(
        track,
        alarm,
        cause,
        entry.at,
        who=entry.who,
        why=entry.why,
        shelved_until_ns=entry.at.mono_ns + ns(entry.duration_s) if is_shelving else None,
    )
    if not changes:
        return track, _refused(entry, plan, f"the alarm is {track.alarm.state.value}")
    return track, alarm_event(changes[0], temp_c=None, limit=None)


def _refused(entry: Entry, plan: CellPlan, why: str) -> Event:
    """Event of an entry that makes no sense here."""
    details = (
        ("entry", entry.kind.value),
        ("target", entry.target),
        ("who", entry.who),
        ("why", why),
    )
    return Event(EventKind.ENTRY_REFUSED, entry.at, plan.rules.id, "", details)
