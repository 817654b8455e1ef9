"""Events in plain English: one sentence each, numbers with units, no judgement of people.

A sentence names the place, then what is, then the numbers, then what to do. A detail that an
event does not carry is left out and the sentence still stands. Times are of day, in UTC. What is
estimated and not read is told with "about" and without decimals.
"""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

from watchedpot.core.doubts import RULES as DOUBTING
from watchedpot.core.doubts import evidence
from watchedpot.core.findings import spoken_against
from watchedpot.core.model import Event, EventKind, Instant, Reason
from watchedpot.core.rules import AlarmKind, PartRule, Verdict
from watchedpot.core.snapshot import AlarmState, Cause, ChargeState, FindingSnapshot, Phase
from watchedpot.core.units import NANO

DAY_S = 86_400

FORECAST_DAYS = 30
"""Beyond so many days a forecast is no more than that."""

_ALARM_NAMES = {
    AlarmKind.COLD: "cold",
    AlarmKind.HOT: "hot",
    AlarmKind.OVER_CEILING: "over the material's limit",
    AlarmKind.BUILD_UP: "build-up",
    AlarmKind.DEGRADATION: "degradation",
    AlarmKind.UNSEEN: "not seen",
    AlarmKind.BEFORE_READY: "dispensing before ready",
    AlarmKind.POT_LIFE: "pot life",
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
_CHARGE_STATES = {
    ChargeState.LOADED: "loaded",
    ChargeState.WARMING: "warming up",
    ChargeState.IN_LIFE: "within its pot life",
    ChargeState.NEAR_LIMIT: "near the end of its pot life",
    ChargeState.SPENT: "its pot life is gone",
    ChargeState.OVERHEATED: "overheated",
    ChargeState.AGE_UNKNOWN: "its age is not known",
}
_CHARGE_ACTIONS = {
    ChargeState.NEAR_LIMIT: "prepare the next one",
    ChargeState.SPENT: "change it",
    ChargeState.OVERHEATED: "use it only after it has been released",
    ChargeState.AGE_UNKNOWN: "say when it was loaded, or change it",
}
_PERSONAL_INPUTS = {
    "acknowledge": "acknowledged",
    "reset": "reset",
    "shelve": "shelved",
    "unshelve": "taken off the shelf",
    "take_out_of_service": "taken out of service",
    "return_to_service": "returned to service",
}


_NOT_BELIEVED = {
    Reason.STATUS: ("the controller itself says that it is not good", "the sensor and its wiring"),
    Reason.NO_CONNECTION: (
        "there is no connection to the controller",
        "the network cable and that the controller runs",
    ),
    Reason.NO_ANSWER: (
        "the controller does not answer",
        "that it runs and that the network is not overloaded",
    ),
    Reason.REFUSED: (
        "the controller refuses to tell it",
        "the rights of this program and the settings of the controller",
    ),
    Reason.ADDRESS: (
        "the controller has nothing at this address",
        "the address in the configuration and the program of the controller",
    ),
    Reason.SHAPE: (
        "the answer is of another kind or length than asked for",
        "the unit number and any gateway between",
    ),
    Reason.TYPE: (
        "it is of another type than configured",
        "whether the program of the controller was changed",
    ),
    Reason.NULL: ("it is empty although it is called good", "the sensor and the controller"),
    Reason.NOT_FINITE: ("it is not a number", "the sensor and its wiring"),
    Reason.FILL_VALUE: ("it is the code for no sensor", "the sensor and its wiring"),
    Reason.IMPLAUSIBLE: (
        "it is outside what the sensor can return",
        "the sensor, its wiring, and the word order in the configuration",
    ),
    Reason.SERVER_STATE: (
        "the server of the controller says that it does not run",
        "whether the controller is stopped or in maintenance",
    ),
    Reason.NOT_MOVING: (
        "it is old, since the heartbeat or the time of the controller stands still",
        "whether the program of the controller runs",
    ),
    Reason.NOT_WATCHED: ("this program was not reading at the time", "that it runs all the time"),
    Reason.FROZEN: (
        "it has been the same to its last digit for too long",
        "the sensor's input and any gateway between",
    ),
    Reason.SLEW: (
        "it jumped faster than a zone can change, and no second reading has confirmed it",
        "for a loose contact, if it comes again",
    ),
    Reason.TEN_TIMES_TOO_LARGE: (
        "it is ten times too large",
        "the scale of the channel, and whether the program of the controller was changed",
    ),
    Reason.TEN_TIMES_TOO_SMALL: (
        "it is ten times too small",
        "the scale of the channel, and whether the program of the controller was changed",
    ),
    Reason.LOOKS_LIKE_DEGF: (
        "it looks like degrees Fahrenheit where degrees Celsius are configured",
        "the unit of the channel, and whether the program of the controller was changed",
    ),
    Reason.LOOKS_LIKE_DEGC: (
        "it looks like degrees Celsius where degrees Fahrenheit are configured",
        "the unit of the channel, and whether the program of the controller was changed",
    ),
}
"""What is seen of a reading that is not believed, and what is to be checked."""


def seen_of(reason: Reason) -> str:
    """What is seen of a reading that is not believed; empty for one that is."""
    return _NOT_BELIEVED[reason][0] if reason else ""


def to_check(reason: Reason) -> str:
    """What is to be checked where a reading is not believed; empty where it is."""
    return _NOT_BELIEVED[reason][1] if reason else ""


def not_believed(reason: Reason) -> str:
    """Why a reading is not believed and what to look at; empty for one that is believed.

    Examples
    --------
    >>> not_believed(Reason.FILL_VALUE)
    'it is the code for no sensor; check the sensor and its wiring'
    """
    return f"{seen_of(reason)}; check {to_check(reason)}" if reason else ""


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


def ahead(utc_ns: int, in_s: float) -> str:
    """When something will be: time of day to the minute, with the day where it is another.

    Examples
    --------
    >>> ahead(36_872_900_000_000, 7_200.0), ahead(36_872_900_000_000, 90_000.0)
    ('about 12:14', 'about 11:14 tomorrow')
    >>> ahead(36_872_900_000_000, 200_000.0)
    'in about 2 days'
    """
    if in_s > FORECAST_DAYS * DAY_S:
        return f"not within {FORECAST_DAYS} days"
    now_s = utc_ns // NANO
    due_s = now_s + int(max(in_s, 0.0))
    days = due_s // DAY_S - now_s // DAY_S
    if days > 1:
        return f"in about {days} days"
    return f"about {time_of_day(due_s * NANO)[:5]}{' tomorrow' if days else ''}"


def plain(text: str) -> str:
    """Text of others on one line, without characters that steer a terminal or a page."""
    return " ".join("".join(each if each.isprintable() else " " for each in text).split())


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
    return plain(str(value)) if value is not None else ""


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


def _core(event: Event, pattern: str) -> str:
    """A phrase around the estimated core of a charge, empty where it is not there."""
    core_c = _number(event, "core_c")
    return pattern.format(f"about {core_c:.0f} degC") if core_c is not None else ""


def _share(event: Event, name: str, pattern: str) -> str:
    """A phrase around a share in percent, empty where it is not there."""
    share = _number(event, name)
    return pattern.format(percent(share)) if share is not None else ""


def percent(share: float) -> str:
    """A share of one in whole percent."""
    return f"{100.0 * share:.0f} %"


def ready_about(at: Instant, in_s: float | None) -> str:
    """Forecast of being warm, empty where there is none."""
    if in_s is None or not isfinite(in_s) or in_s <= 0.0:
        return ""
    return f"ready {ahead(at.utc_ns, in_s)} if the heat stays on"


def _span(event: Event, name: str, pattern: str) -> str:
    """A phrase around a duration, empty where it is not there."""
    duration_s = _number(event, name)
    return pattern.format(duration(duration_s)) if duration_s is not None else ""


def _moment(event: Event, name: str, pattern: str) -> str:
    """A phrase around a time of day, empty where it is not there."""
    utc_ns = _number(event, name)
    return pattern.format(time_of_day(int(utc_ns))) if utc_ns is not None else ""


def listed(*phrases: str) -> str:
    """Phrases that say something, with commas."""
    return ", ".join(phrase for phrase in phrases if phrase)


def joined(*parts: str) -> str:
    """Parts that say something, with semicolons."""
    return "; ".join(part for part in parts if part)


def _by(event: Event) -> str:
    """Who said it and why."""
    return _given(event, "who", " by {}") + _given(event, "why", ": {}")


def _phase_changed(event: Event) -> str:
    before, after = _words(event, "from") or "unknown", _words(event, "to") or "unknown"
    core = _core(event, ", the core {}")
    if after == Phase.SOAKING:
        what = f"soaking{_temp(event, 'temp_c', '; the wall is warm at {}')}{core}"
    else:
        what = f"{before} to {after}{_temp(event, 'temp_c', ' at {}')}{core}"
    is_under_way = after in (Phase.SOAKING, Phase.RECOVERING)
    ready = ready_about(event.at, _number(event, "ready_in_s")) if is_under_way else ""
    return joined(f"{_place(event)}: {what}", ready)


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
    return joined(f"{_place(event)}: {_edge(event)} since {since}", parts)


def _excursion_ended(event: Event) -> str:
    area_ks = _number(event, "exposure_ks")
    ending = {
        "return": "back in the window",
        "phase": "no longer counted, the zone left production",
    }
    what = listed(
        f"{_edge(event)}{_span(event, 'duration_s', ' for {}')}"
        f"{_moment(event, 'onset_utc_ns', ' from {}')}",
        _temp(event, "peak_c", "furthest {}"),
        f"{area_ks:.1f} K s" if area_ks is not None else "",
        _span(event, "dispensing_s", "{} of it dispensing"),
        _span(event, "blind_s", "{} of it not seen"),
    )
    return joined(
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
        what = f"{subject}: {done}{_by(event)}"
        return joined(what, _shelving(event), _state_left(event, done), condition)
    if event.detail("to") == AlarmState.UNACKNOWLEDGED:
        again = {"re_alarm": "still on", "worse": "worse", "eased": "eased"}.get(
            _text(event, "input"), ""
        )
        return f"{subject}: {listed(again, condition) or 'on'}{_given(event, 'response', '. {}')}"
    if _text(event, "input") == "suppress" and event.detail("why"):
        return f"{subject}: suppressed for a while, {_text(event, 'why')}"
    return f"{subject}: {listed(_state(event), _temp(event, 'temp_c'))}"


def _shelving(event: Event) -> str:
    """Until when an alarm is shelved, empty where that is not said."""
    if event.detail("is_one_shot") is True:
        return _moment(event, "shelved_until_utc_ns", "until it is over, at the latest {}")
    return _moment(event, "shelved_until_utc_ns", "until {}")


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
    if kind is AlarmKind.BEFORE_READY:
        zones = ", ".join(_text(event, "zones").split()) or "a zone"
        return f"{zones} not ready, dispensing{since}"
    if kind is AlarmKind.POT_LIFE:
        used_up = f"{_given(event, 'charge_id', 'charge {} ')}used up{since}"
        return listed(used_up, _share(event, "life_used", "{} used"))
    if kind in _TEMPERATURE_ALARMS:
        limit = _temp(event, "limit", f"{_BEYOND[kind]} {{}}") or _ALARM_NAMES[kind]
        return listed(_temp(event, "temp_c"), f"{limit}{since}")
    without = "no good reading" if kind is AlarmKind.UNSEEN else "index at or above its limit"
    return f"{_span(event, 'limit', f'{_BEYOND[kind]} {{}}') or without}{since}"


def _charge_changed(event: Event) -> str:
    age_s, start_c = _number(event, "age_s"), _number(event, "start_c")
    return joined(
        f"{_place(event)}: {_which_charge(event)}{_by(event)}",
        "counts as new" if age_s == 0.0 else _span(event, "age_s", "counts as aged by {}"),
        f"its core is taken to begin at {start_c:.0f} degC" if start_c is not None else "",
        _given(event, "unfit", "not fit for use: {}; do not dispense it before somebody decided"),
    )


def _which_charge(event: Event) -> str:
    """What became of the charge, by how it became known."""
    named = _given(event, "charge_id", "charge {}")
    after = _given(event, "previous", " after {}")
    match event.detail("how"):
        case "refill":
            return listed("tank refilled", named)
        case "found":
            return f"{named or 'a charge'} found in place, when it was loaded is not known"
        case "corrected":
            return f"{named or 'the charge'} is older than it was read"
        case "kept":
            return f"{named or 'the charge'} is still the one before, as said"
        case None if not named:
            return f"charge no longer known{after}"
        case _:
            return f"{named or 'another charge'} loaded{after}"


def _charge_state_changed(event: Event) -> str:
    state = next((each for each in ChargeState if each == event.detail("to")), None)
    named = _given(event, "charge_id", "charge {}") or "charge"
    what = listed(
        _CHARGE_STATES[state] if state is not None else "state not known",
        _given(event, "reason", "{}"),
        _share(event, "life_used", "{} used"),
    )
    action = _CHARGE_ACTIONS.get(state, "") if state is not None else ""
    return joined(f"{_place(event)} {named}: {what}", _outlook(event), action)


def _outlook(event: Event) -> str:
    """When a charge will be spent, or empty before that; empty where neither is known."""
    expires_in_s, empty_in_s = _number(event, "expires_in_s"), _number(event, "empty_in_s")
    if expires_in_s is None or expires_in_s <= 0.0:
        return ""
    if empty_in_s is not None and empty_in_s <= expires_in_s:
        return f"empty {ahead(event.at.utc_ns, empty_in_s)}, before its pot life is gone"
    return listed(
        f"at this temperature spent {ahead(event.at.utc_ns, expires_in_s)}",
        _share(event, "left_at_expiry", "with about {} left"),
    )


_LIKELY = {
    Cause.NO_HEAT: "no power reaches its heater",
    Cause.PART_OF_HEAT: "part of its heater is lost",
    Cause.STUCK_ON: "its heater stays on though none is asked for",
    Cause.SENSOR_LOW: "its sensor reads far too low, so that it is hotter than it reads",
    Cause.SENSOR_SLIPPED: "its sensor has lost contact, so that it is hotter than it reads",
    Cause.SENSOR_BREAK: "its sensor is broken",
    Cause.FROZEN_AT_CONTROLLER: "its controller acts on a reading that stands still",
    Cause.FROZEN_IN_DATA: "what is read stands still",
    Cause.OVERSHOOT: "an overshoot",
    Cause.WRONG_SETPOINT: "a wrong setpoint or recipe",
    Cause.DRAFT: "more heat is lost to the air: a draft or an open door",
    Cause.SUPPLY_LOW: "the supply of the heaters is low",
    Cause.ALL_HEAT_LOST: "no power reaches any heater",
    Cause.HANDLING: "it was wiped or touched",
    Cause.CHARGE_CHANGE: "another charge was loaded",
    Cause.REFILL: "the tank was refilled",
    Cause.COLD_START: "it heats up",
    Cause.SETBACK: "setback, or the way back from it",
    Cause.CYCLING: "on/off control, or the controller tunes itself",
    Cause.ZONES_CROSSED: "the sensors or heaters of two zones are exchanged",
    Cause.SCALE_OR_UNIT: "another scale or unit than configured",
    Cause.PLC_RESTART: "the cell's controller restarts",
    Cause.LINK: "the link to the cell's controller is lost",
    Cause.CLOCK: "the computer's clock was set",
    Cause.UNKNOWN: "nothing that is known",
}
"""What each cause is in a sentence that begins with likely."""


def finding_sentence(finding: FindingSnapshot) -> str:
    """What is seen, what it likely is, what speaks against other causes, what to do first.

    Examples
    --------
    >>> from watchedpot.core.snapshot import Candidate, Severity
    >>> now, numbers = Instant(0, 0), "116.2 degC and falling 0.09 K/s, heater at 100 %"
    >>> causes = (Candidate(Cause.NO_HEAT, 0.8, ("no heat arrives",)),)
    >>> for part in finding_sentence(
    ...     FindingSnapshot("lens_4/1", Severity.HOLD, now, now, causes, (), ("nozzle",), (),
    ...     numbers, "Hold dispensing")
    ... ).split(". "):
    ...     print(part)
    nozzle: 116.2 degC and falling 0.09 K/s, heater at 100 %
    Likely no power reaches its heater (80 %): no heat arrives
    Hold dispensing
    """
    likeliest, *others = finding.candidates
    return _finding_words(
        ", ".join(finding.zones) or "the cell",
        finding.numbers,
        f"{_LIKELY[likeliest.cause]} ({percent(likeliest.certainty)})",
        speaks_for="; ".join(likeliest.speaks_for),
        against="; ".join(spoken_against(likeliest, others)),
        not_ruled_out="; ".join(finding.not_ruled_out),
        action=finding.first_action,
    )


def finding_brief(finding: FindingSnapshot) -> str:
    """What a finding comes to for somebody who passes by: where, what is likely, what to do first.

    Examples
    --------
    >>> from watchedpot.core.snapshot import Candidate, Severity
    >>> now, causes = Instant(0, 0), (Candidate(Cause.NO_HEAT, 0.8, ("no heat arrives",)),)
    >>> finding_brief(
    ...     FindingSnapshot("lens_4/1", Severity.HOLD, now, now, causes, (), ("nozzle",), (),
    ...     "116.2 degC", "Hold dispensing")
    ... )
    'nozzle: likely no power reaches its heater (80 %). Hold dispensing'
    """
    likeliest = finding.candidates[0]
    place = ", ".join(finding.zones) or "the cell"
    sure = percent(likeliest.certainty)
    return f"{place}: likely {_LIKELY[likeliest.cause]} ({sure}). {finding.first_action}"


def finding_told(event: Event) -> str:
    """The same sentence from an event of a finding, also of its end, with its cell."""
    return _finding_words(
        _found_at(event),
        _text(event, "numbers"),
        f"{_LIKELY[_cause(event)]}{_share(event, 'certainty', ' ({})')}",
        speaks_for=_text(event, "speaks_for"),
        against=_text(event, "against"),
        not_ruled_out=_text(event, "not_ruled_out"),
        action=_text(event, "action"),
    )


def _finding_words(
    place: str,
    numbers: str,
    likely: str,
    *,
    speaks_for: str,
    against: str,
    not_ruled_out: str,
    action: str,
) -> str:
    """Where, the figures, what is likely and why, what speaks against, what to do first."""
    parts = [
        f"{place}: {numbers}",
        f"Likely {likely}" + (f": {speaks_for}" if speaks_for else ""),
        f"What speaks against: {against}" if against else "",
        f"Not ruled out: {not_ruled_out}" if not_ruled_out else "",
        action,
    ]
    return ". ".join(part for part in parts if part)


def _finding_ended(event: Event) -> str:
    lasted = _span(event, "lasted_s", " after {}")
    return f"{_found_at(event)}: over{lasted}: {_LIKELY[_cause(event)]}"


def _found_at(event: Event) -> str:
    """Cell and zones of a finding, or the zone of its event where they are not told."""
    zones = _text(event, "zones") or event.zone
    return f"{event.cell} {zones}" if zones else event.cell


def _cause(event: Event) -> Cause:
    """The likeliest, or something unknown where its name is not known."""
    return next((each for each in Cause if each == event.detail("cause")), Cause.UNKNOWN)


def _charge_suspected(event: Event) -> str:
    drop_k = _number(event, "drop_k")
    cooled = f"cooled by {drop_k:.1f} K or more" if drop_k is not None else "cooled"
    return joined(
        f"{_place(event)}: {cooled}{_span(event, 'duration_s', ' for {}')}, as if another charge "
        f"had been loaded{_given(event, 'charge_id', ' after {}')}",
        "say whether it was",
        "until then the old age is kept and counts as not known",
    )


def _air_moist(event: Event) -> str:
    dew_point = _temp(event, "dew_point_c", "pressure dew point {}")
    what = listed(dew_point, _temp(event, "limit_c", "above {}"))
    return joined(
        f"{_place(event)}: {listed('dispensing air is moist', what)}",
        "have the air dryer checked",
    )


def _air_dry(event: Event) -> str:
    dew_point = _temp(event, "dew_point_c", "pressure dew point {}")
    what = listed(dew_point, _temp(event, "limit_c", "limit {}"))
    return f"{_place(event)}: {listed('dispensing air is dry again', what)}"


def _charge_overheated(event: Event) -> str:
    what = listed(
        _temp(event, "temp_c"), _temp(event, "ceiling_c", "above the material's limit of {}")
    )
    return f"{_place(event)}: charge overheated{f', {what}' if what else ''}"


def _wiped(event: Event) -> str:
    return joined(
        f"{_place(event)}: nozzle wiped or purged{_by(event)}",
        _span(event, "build_up_s", "build-up index was {}"),
    )


def _part_made(event: Event) -> str:
    verdict = _words(event, "verdict") or "judged"
    against = [
        rule_words(rule, zone) + _met(event, rule, zone)
        for rule, _, zone in (name.partition(":") for name in _text(event, "rules").split(","))
        if rule
    ]
    again = _given(event, "because", ", judged again ({})")
    why = f": {'; '.join(against)}" if against else ""
    is_one = event.detail("first") == event.detail("last")
    action = f"set {'it' if is_one else 'them'} aside until somebody has decided"
    return joined(
        f"{_place(event)}: {_numbers(event)}: {verdict}{again}{why}",
        action if event.detail("verdict") in _SUSPECT else "",
    )


def _met(event: Event, rule: str, zone: str) -> str:
    """What a part met of what speaks against it, in brackets; empty where it is not known."""
    if rule in _OF_TEMPERATURE:
        coldest, hottest = _temp(event, f"{zone}_min_c"), _temp(event, f"{zone}_max_c")
        both = coldest if coldest == hottest else f"{coldest.removesuffix(' degC')} to {hottest}"
        return f" ({both})" if coldest and hottest else ""
    if rule in _OF_COVERAGE:
        return _share(event, f"{zone}_coverage", " ({} of it seen)")
    if rule == PartRule.SPENT_CHARGE:
        return _share(event, "life_used", " ({} used)")
    if rule == PartRule.OPEN_TIME:
        return _span(event, "joined_s", " (after {})")
    if rule in _OF_FINDINGS:
        found = evidence(_text(event, "findings"), PartRule(rule))
        return f" ({found})" if found else ""
    return ""


def _numbers(event: Event) -> str:
    first, last = _text(event, "first"), _text(event, "last")
    if not first:
        return "a part"
    return f"part {first}" if first == last else f"parts {first} to {last}"


def rule_words(rule: str, zone: str = "") -> str:
    """What a rule says of a part, in words; the rule itself where it is not known.

    Examples
    --------
    >>> rule_words("outside_window", "nozzle")
    'nozzle outside its window while dispensing'
    """
    pattern = _RULES.get(rule)
    if pattern is None:
        return f"{rule.replace('_', ' ')} {zone}".strip()
    return pattern.format(zone or "zone")


_SUSPECT = frozenset(verdict.value for verdict in Verdict if verdict.is_suspect)
_OF_TEMPERATURE = (PartRule.OUTSIDE_WINDOW, PartRule.OVER_CEILING, PartRule.NEAR_EDGE)
_OF_COVERAGE = (PartRule.BLIND, PartRule.LOST_READINGS)
_OF_FINDINGS = frozenset(DOUBTING.values())

_RULES = {
    "outside_window": "{} outside its window while dispensing",
    "over_ceiling": "melt of {} above the material's limit",
    "tip_settling": "tip of {} may have been cold, shortly after it was cold or wiped",
    "near_edge": "{} near an edge of its window",
    "before_ready": "dispensed before {} was ready",
    "blind": "{} not seen while dispensing",
    "lost_readings": "single readings of {} missing",
    "sensor_doubt": "the newest check of {} had failed",
    "before_loss": "made just before the readings of {} were lost",
    "untrue_reading": "the reading of {} was not to be believed",
    "slipped_sensor": "the sensor of {} may have slipped, and was not checked since",
    "heat_at_fault": "the heat of {} failed or ran on",
    "tip_in_draft": "the tip of {} was in a draft, by estimate colder than its limit",
    "spent_charge": "pot life of the charge gone",
    "overheated_charge": "charge overheated",
    "unknown_age": "age of the charge not known",
    "doubted_charge": "charge may have been changed unsaid",
    "unfit_charge": "charge not fit for use",
    "after_idle": "melt had stood in the nozzle too long, unpurged",
    "uncounted": "not counted for certain",
    "open_time": "joined after the open time",
}


def _counter_jumped(event: Event) -> str:
    what = {
        "reset": "was reset",
        "rollover": "rolled over",
        "restart": "is back after it was away",
        "jump": "jumped",
    }.get(_text(event, "what"), "moved")
    numbers = _given(event, "before", " from {}") + _given(event, "after", " to {}")
    lost = _number(event, "uncounted")
    return joined(
        f"{_place(event)}: part counter {what}{numbers}",
        f"uncounted parts: {lost:.0f}, find them and set them aside" if lost else "",
    )


def _entered(event: Event) -> str:
    said = _SAID.get(_text(event, "entry"))
    entry = said(event) if said else _asked_of_alarm(event)
    return f"{_place(event)}: {entry}{_by(event)}"


def _asked_of_alarm(event: Event) -> str:
    """What was asked of an alarm; its own event says what became of it."""
    is_long = bool(_number(event, "duration_s"))
    return (
        (_words(event, "entry") or "entry")
        + _given(event, "target", " of {}")
        + (" until it is over" if event.detail("is_one_shot") is True else "")
        + (_span(event, "duration_s", " for {}") if is_long else "")
    )


def _checked(event: Event) -> str:
    true_c, read_c = _number(event, "true_c"), _number(event, "read_c")
    if true_c is None or read_c is None:
        return "checked against a reference"
    off_k = round(read_c - true_c, 1)
    how = f"reads {abs(off_k):.1f} K too {'high' if off_k > 0 else 'low'}" if off_k else "is right"
    return f"checked against a reference: {true_c:.1f} degC, it {how}"


def _loaded(event: Event) -> str:
    """A charge with what makes it fit for use or not; what follows is told by its own event."""
    return listed(
        f"charge {_text(event, 'subject')} entered as loaded",
        _given(event, "lot", "lot {}"),
        _span(event, "out_of_store_s", "{} out of store"),
        _temp(event, "storage_max_c", "stored at up to {}"),
        _span(event, "storage_above_s", "{} of it above the limit"),
    )


_SAID: dict[str, Callable[[Event], str]] = {
    "wiped": lambda _: "wiped",
    "purged": lambda _: "purged",
    "charge_loaded": _loaded,
    "charge_kept": lambda _: "the charge is still the one before",
    "age_corrected": lambda event: "age of the charge raised" + _span(event, "age_s", " by {}"),
    "check": _checked,
    "note": lambda event: "note" + _given(event, "subject", ": {}"),
    "disposition": lambda event: f"parts {_text(event, 'subject')} decided: {_text(event, 'word')}",
    "mark_alarm": lambda event: f"alarm {_text(event, 'target')} marked {_text(event, 'word')}",
}


def _rejudged(event: Event) -> str:
    off_k = _number(event, "error_k")
    wrong = "" if off_k is None else f" by {abs(off_k):.1f} K too {'high' if off_k > 0 else 'low'}"
    age_s, before_s = _number(event, "age_after_s"), _number(event, "age_before_s")
    is_older = age_s is not None and before_s is not None and age_s > before_s
    return joined(
        f"{_place(event)}: {_text(event, 'zone') or 'a zone'} had read wrong{wrong}",
        _given(event, "parts", "{} parts judged again"),
        _given(event, "changed", "{} of them otherwise than before"),
        _span(event, "age_after_s", "the charge counts as aged by {}") if is_older else "",
        "have the sensor checked by qualified people before it is relied on",
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
    what = listed(_what_runs(event), _given(event, "problem", "{}"))
    where = f"{event.cell}: " if event.cell else ""
    return f"{where}configuration changed: {what}".removesuffix(": ")


def _what_runs(event: Event) -> str:
    """Version and revision of the configuration, as far as given."""
    return listed(
        _given(event, "version", "version {}"), _given(event, "revision", "configuration {}")
    )


def _readings_dropped(event: Event) -> str:
    rows = _given(event, "rows", "{} rows of ") + "readings"
    source = _given(event, "source", " of {}")
    return f"daemon: {rows}{source} lost to a full queue; that time counts as not seen"


def _ledger_failed(event: Event) -> str:
    since = time_of_day(event.at.utc_ns)
    return joined(
        f"ledger: cannot be written since {since}{_given(event, 'problem', ', {}')}",
        "judging and alarms go on, the record waits",
    )


def _ledger_recovered(event: Event) -> str:
    return joined("ledger: written again", _given(event, "rows", "{} rows were lost"))


def _record_trimmed(event: Event) -> str:
    above_mb = (_number(event, "above_bytes") or 0.0) / 1e6
    held = f"readings that are still needed keep it {above_mb:.1f} MB above its limit"
    if above_mb and not _number(event, "blocks"):
        return f"ledger: {held}; decide about the suspect parts that they are kept for"
    rows = _given(event, "rows", "{} rows of ") + "recorded readings"
    until = _number(event, "until_utc_ns")
    age = (event.at.utc_ns - until) / NANO if until is not None else None
    older = f" older than {duration(age)}" if age is not None else ""
    removed = f"ledger: {rows}{older} removed to stay within its bounds"
    return joined(removed, held if above_mb else "")


_SENTENCES: dict[EventKind, Callable[[Event], str]] = {
    EventKind.PART_MADE: _part_made,
    EventKind.COUNTER_JUMPED: _counter_jumped,
    EventKind.ENTERED: _entered,
    EventKind.REJUDGED: _rejudged,
    EventKind.PHASE_CHANGED: _phase_changed,
    EventKind.PRODUCTION_STARTED: _production_started,
    EventKind.PRODUCTION_STOPPED: _production_stopped,
    EventKind.EXCURSION_OPENED: _excursion_opened,
    EventKind.EXCURSION_ENDED: _excursion_ended,
    EventKind.ALARM_CHANGED: _alarm_changed,
    EventKind.CHARGE_CHANGED: _charge_changed,
    EventKind.CHARGE_STATE_CHANGED: _charge_state_changed,
    EventKind.CHARGE_OVERHEATED: _charge_overheated,
    EventKind.CHARGE_SUSPECTED: _charge_suspected,
    EventKind.AIR_MOIST: _air_moist,
    EventKind.AIR_DRY: _air_dry,
    EventKind.WIPED: _wiped,
    EventKind.FINDING_OPENED: finding_told,
    EventKind.FINDING_CHANGED: finding_told,
    EventKind.FINDING_ENDED: _finding_ended,
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
