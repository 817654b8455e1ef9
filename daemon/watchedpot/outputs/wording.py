"""Events in plain English: one sentence each, numbers with units, no judgement of people.

A sentence names the place, then what is, then the numbers, then what to do. A detail that an
event does not carry is left out and the sentence still stands. Times are of day, in UTC.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

from watchedpot.core.model import Event, EventKind
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.core.units import NANO

DAY_S = 86_400

_ALARM_NAMES = {
    AlarmKind.COLD: "cold",
    AlarmKind.HOT: "hot",
    AlarmKind.OVER_CEILING: "over the material's limit",
    AlarmKind.BUILD_UP: "build-up",
    AlarmKind.DEGRADATION: "degradation",
    AlarmKind.UNSEEN: "not seen",
}
_BEYOND = {
    AlarmKind.COLD: "below",
    AlarmKind.HOT: "above",
    AlarmKind.OVER_CEILING: "above the material's limit of",
    AlarmKind.BUILD_UP: "index at or above its limit of",
    AlarmKind.DEGRADATION: "index at or above its limit of",
    AlarmKind.UNSEEN: "no good reading for more than",
}
_TEMPERATURE_ALARMS = (AlarmKind.COLD, AlarmKind.HOT, AlarmKind.OVER_CEILING)
_STATES = {
    AlarmState.NORMAL: "normal again",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "back to normal, not yet acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "condition over, to be acknowledged and reset",
    AlarmState.LATCHED_ACKNOWLEDGED: "condition over, to be reset",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED_BY_DESIGN: "suppressed while the zone is not in production",
    AlarmState.OUT_OF_SERVICE: "out of service",
}
_PERSONAL_INPUTS = {
    "acknowledge": "acknowledged",
    "reset": "reset",
    "shelve": "shelved",
    "unshelve": "taken off the shelf",
    "take_out_of_service": "taken out of service",
    "return_to_service": "returned to service",
}


def sentence(event: Event) -> str:
    """One sentence that says what happened.

    Examples
    --------
    >>> from watchedpot.core.model import Instant
    >>> details = (("from", "heating"), ("to", "ready"), ("temp_c", 118.04))
    >>> sentence(Event(EventKind.PHASE_CHANGED, Instant(0, 0), "lens_4", "nozzle", details))
    'lens_4 nozzle: heating to ready at 118.0 degC'
    """
    return _SENTENCES[event.kind](event)


def time_of_day(utc_ns: int) -> str:
    """Time of day in UTC, seconds cut off.

    Examples
    --------
    >>> time_of_day(36_872_900_000_000)
    '10:14:32'
    """
    second = utc_ns // NANO % DAY_S
    return f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"


def duration(duration_s: float) -> str:
    """Duration in the two largest units that it fills.

    Examples
    --------
    >>> duration(9.96), duration(75.0), duration(7_500.0)
    ('10.0 s', '1 min 15 s', '2 h 05 min')
    """
    if duration_s < 60.0:
        return f"{duration_s:.1f} s"
    whole_s = round(duration_s)
    if whole_s < 3600:
        return f"{whole_s // 60} min {whole_s % 60:02} s"
    return f"{whole_s // 3600} h {whole_s // 60 % 60:02} min"


def _place(event: Event) -> str:
    """Cell and zone, as far as the event has them."""
    return " ".join(part for part in (event.cell, event.zone) if part) or "daemon"


def _number(event: Event, name: str) -> float | None:
    """A detail that is a finite number, None where it is not there."""
    value = event.detail(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return value if isfinite(value) else None


def _text(event: Event, name: str) -> str:
    """A detail as words, empty where it is not there."""
    value = event.detail(name)
    return str(value) if value is not None else ""


def _words(event: Event, name: str) -> str:
    """A detail that is a name of ours, to be read as words."""
    return _text(event, name).replace("_", " ")


def _given(event: Event, name: str, pattern: str) -> str:
    """A phrase around a detail, empty where it is not there."""
    value = _text(event, name)
    return pattern.format(value) if value else ""


def _temp(event: Event, name: str, pattern: str = "{}") -> str:
    """A phrase around a temperature, empty where it is not there."""
    temp_c = _number(event, name)
    return pattern.format(f"{temp_c:.1f} degC") if temp_c is not None else ""


def _span(event: Event, name: str, pattern: str) -> str:
    """A phrase around a duration, empty where it is not there."""
    duration_s = _number(event, name)
    return pattern.format(duration(duration_s)) if duration_s is not None else ""


def _moment(event: Event, name: str, pattern: str) -> str:
    """A phrase around a time of day, empty where it is not there."""
    utc_ns = _number(event, name)
    return pattern.format(time_of_day(int(utc_ns))) if utc_ns is not None else ""


def _listed(*phrases: str) -> str:
    """Phrases that say something, with commas."""
    return ", ".join(phrase for phrase in phrases if phrase)


def _joined(*parts: str) -> str:
    """Parts that say something, with semicolons."""
    return "; ".join(part for part in parts if part)


def _by(event: Event) -> str:
    """Who said it and why."""
    return _given(event, "who", " by {}") + _given(event, "why", ": {}")


def _phase_changed(event: Event) -> str:
    before, after = _words(event, "from") or "unknown", _words(event, "to") or "unknown"
    return f"{_place(event)}: {before} to {after}{_temp(event, 'temp_c', ' at {}')}"


def _production_started(event: Event) -> str:
    return f"{_place(event)}: production started{_given(event, 'parts', ' at part {}')}"


def _production_stopped(event: Event) -> str:
    return f"{_place(event)}: production stopped{_given(event, 'parts', ' at part {}')}"


def _edge(event: Event) -> str:
    """Side of the window that was left, with its limit."""
    sides = {"low": "below", "high": "above"}
    side = sides.get(_text(event, "edge"), "outside")
    return f"{side} {_temp(event, 'limit_c') or 'the window'}"


def _excursion_opened(event: Event) -> str:
    since = time_of_day(event.at.utc_ns)
    parts = _given(event, "parts", "part {} onwards to be looked at")
    return _joined(f"{_place(event)}: {_edge(event)} since {since}", parts)


def _excursion_ended(event: Event) -> str:
    area_ks = _number(event, "exposure_ks")
    ending = {
        "return": "back in the window",
        "phase": "no longer counted, the zone left production",
    }
    what = _listed(
        f"{_edge(event)}{_span(event, 'duration_s', ' for {}')}"
        f"{_moment(event, 'onset_utc_ns', ' from {}')}",
        _temp(event, "peak_c", "furthest {}"),
        f"{area_ks:.1f} K s" if area_ks is not None else "",
        _span(event, "dispensing_s", "{} of it dispensing"),
        _span(event, "blind_s", "{} of it not seen"),
    )
    return _joined(
        f"{_place(event)}: {what}", _parts(event), ending.get(_text(event, "ended_by"), "")
    )


def _parts(event: Event) -> str:
    """Parts between two counts, empty where either is not known."""
    first, last = _number(event, "parts_from"), _number(event, "parts_to")
    if first is None or last is None:
        return ""
    made = int(last - first)
    if made <= 0:
        return "no part counted"
    return f"{made} part{'s' if made != 1 else ''} ({int(first) + 1} to {int(last)})"


def _alarm_changed(event: Event) -> str:
    kind = _kind(event)
    name = _ALARM_NAMES[kind] if kind is not None else "alarm"
    subject = f"{_place(event)} {name}"
    condition = _condition(event, kind)
    if _text(event, "input") in _PERSONAL_INPUTS:
        done = _PERSONAL_INPUTS[_text(event, "input")]
        return _joined(f"{subject}: {done}{_by(event)}", _state_left(event, done), condition)
    if event.detail("to") == AlarmState.UNACKNOWLEDGED:
        again = {"re_alarm": "still on", "worse": "worse", "eased": "eased"}.get(
            _text(event, "input"), ""
        )
        return f"{subject}: {_listed(again, condition) or 'on'}{_given(event, 'response', '. {}')}"
    return f"{subject}: {_listed(_state(event), _temp(event, 'temp_c'))}"


def _kind(event: Event) -> AlarmKind | None:
    """What an alarm is about; the worse stage of a hot zone is over the material's limit."""
    found = [kind for kind in AlarmKind if kind == event.detail("alarm")]
    if found == [AlarmKind.HOT] and event.detail("stage") == 2:
        return AlarmKind.OVER_CEILING
    return found[0] if found else None


def _state(event: Event) -> str:
    """The state an alarm is in now, as a phrase."""
    found = [phrase for state, phrase in _STATES.items() if state == event.detail("to")]
    return found[0] if found else _words(event, "to") or "changed"


def _state_left(event: Event, done: str) -> str:
    """The state after something a person did, empty where that says it already."""
    if event.detail("to") == AlarmState.UNACKNOWLEDGED:
        return "not acknowledged"
    state = _state(event)
    return "" if state in done else state


def _condition(event: Event, kind: AlarmKind | None) -> str:
    """The condition of an alarm with its numbers, empty while it is off."""
    if kind is None or event.detail("stage") == 0:
        return ""
    since = _moment(event, "onset_utc_ns", " since {}")
    if kind in _TEMPERATURE_ALARMS:
        limit = _temp(event, "limit", f"{_BEYOND[kind]} {{}}") or _ALARM_NAMES[kind]
        return _listed(_temp(event, "temp_c"), f"{limit}{since}")
    without = "no good reading" if kind is AlarmKind.UNSEEN else "index at or above its limit"
    return f"{_span(event, 'limit', f'{_BEYOND[kind]} {{}}') or without}{since}"


def _charge_changed(event: Event) -> str:
    loaded = _given(event, "charge_id", "charge {} loaded") or "charge no longer known"
    return f"{_place(event)}: {loaded}{_given(event, 'previous', ' after {}')}{_by(event)}"


def _charge_overheated(event: Event) -> str:
    what = _listed(
        _temp(event, "temp_c"), _temp(event, "ceiling_c", "above the material's limit of {}")
    )
    return f"{_place(event)}: charge overheated{f', {what}' if what else ''}"


def _wiped(event: Event) -> str:
    return _joined(
        f"{_place(event)}: nozzle wiped or purged{_by(event)}",
        _span(event, "build_up_s", "build-up index was {}"),
    )


def _entry_refused(event: Event) -> str:
    entry = _words(event, "entry") or "entry"
    target = _given(event, "target", " for {}")
    return f"{_place(event)}: {entry}{target} not taken{_given(event, 'why', ': {}')}"


def _source_up(event: Event) -> str:
    return f"source {_text(event, 'source') or 'unknown'}: answers"


def _source_lost(event: Event) -> str:
    since = time_of_day(event.at.utc_ns)
    source = _text(event, "source") or "unknown"
    return f"source {source}: not read since {since}{_given(event, 'problem', ', {}')}"


def _daemon_started(event: Event) -> str:
    return f"daemon started: {_what_runs(event)}".removesuffix(": ")


def _daemon_stopped(_: Event) -> str:
    return "daemon stopped; nothing is watched from now on"


def _configuration_changed(event: Event) -> str:
    what = _listed(_what_runs(event), _given(event, "problem", "{}"))
    where = f"{event.cell}: " if event.cell else ""
    return f"{where}configuration changed: {what}".removesuffix(": ")


def _what_runs(event: Event) -> str:
    """Version and revision of the configuration, as far as given."""
    return _listed(
        _given(event, "version", "version {}"), _given(event, "revision", "configuration {}")
    )


def _readings_dropped(event: Event) -> str:
    rows = _given(event, "rows", "{} rows of ") + "readings"
    source = _given(event, "source", " of {}")
    return f"daemon: {rows}{source} lost to a full queue; that time counts as not seen"


def _ledger_failed(event: Event) -> str:
    since = time_of_day(event.at.utc_ns)
    return _joined(
        f"ledger: cannot be written since {since}{_given(event, 'problem', ', {}')}",
        "judging and alarms go on, the record waits",
    )


def _ledger_recovered(event: Event) -> str:
    return _joined("ledger: written again", _given(event, "rows", "{} rows were lost"))


def _record_trimmed(event: Event) -> str:
    rows = _given(event, "rows", "{} rows of ") + "recorded readings"
    until = _number(event, "until_utc_ns")
    age = (event.at.utc_ns - until) / NANO if until is not None else None
    older = f" older than {duration(age)}" if age is not None else ""
    return f"ledger: {rows}{older} removed to stay within its bounds"


_SENTENCES: dict[EventKind, Callable[[Event], str]] = {
    EventKind.PHASE_CHANGED: _phase_changed,
    EventKind.PRODUCTION_STARTED: _production_started,
    EventKind.PRODUCTION_STOPPED: _production_stopped,
    EventKind.EXCURSION_OPENED: _excursion_opened,
    EventKind.EXCURSION_ENDED: _excursion_ended,
    EventKind.ALARM_CHANGED: _alarm_changed,
    EventKind.CHARGE_CHANGED: _charge_changed,
    EventKind.CHARGE_OVERHEATED: _charge_overheated,
    EventKind.WIPED: _wiped,
    EventKind.ENTRY_REFUSED: _entry_refused,
    EventKind.DAEMON_STARTED: _daemon_started,
    EventKind.DAEMON_STOPPED: _daemon_stopped,
    EventKind.CONFIGURATION_CHANGED: _configuration_changed,
    EventKind.SOURCE_UP: _source_up,
    EventKind.SOURCE_LOST: _source_lost,
    EventKind.READINGS_DROPPED: _readings_dropped,
    EventKind.LEDGER_FAILED: _ledger_failed,
    EventKind.LEDGER_RECOVERED: _ledger_recovered,
    EventKind.RECORD_TRIMMED: _record_trimmed,
}
