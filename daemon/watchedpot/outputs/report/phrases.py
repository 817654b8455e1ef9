"""Events, rules and verdicts in a reader's words, with the units and the clock of the report."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.rules import AlarmKind, PartRule, Verdict
from watchedpot.core.snapshot import Activity, Severity
from watchedpot.outputs.report.style import Style, percent, span, words
from watchedpot.outputs.wording import plain, sentence

VERDICTS = {
    Verdict.CLEAR: "clear",
    Verdict.NOTE: "clear with note",
    Verdict.REVIEW: "review",
    Verdict.UNKNOWN: "unknown",
    Verdict.QUARANTINE: "quarantine",
}
MEANINGS = {
    Verdict.CLEAR: "nothing speaks against them",
    Verdict.NOTE: "good; something was noted",
    Verdict.REVIEW: "suspect: somebody must look at the circumstances",
    Verdict.UNKNOWN: "suspect: nobody saw how they were made",
    Verdict.QUARANTINE: "suspect: made outside the rules",
}
RULES = {
    PartRule.OUTSIDE_WINDOW: "outside the window while dispensing",
    PartRule.OVER_CEILING: "above the material's limit",
    PartRule.TIP_SETTLING: "the tip may still have been cold",
    PartRule.NEAR_EDGE: "near the edge of the window",
    PartRule.BEFORE_READY: "dispensed before it was ready",
    PartRule.BLIND: "not seen while dispensing",
    PartRule.LOST_READINGS: "readings lost for a moment",
    PartRule.SENSOR_DOUBT: "a reference check of the sensor failed",
    PartRule.BEFORE_LOSS: "made shortly before readings were lost",
    PartRule.UNTRUE_READING: "a finding says that the reading was not to be believed",
    PartRule.SLIPPED_SENSOR: "a finding says that the sensor has slipped; not checked since",
    PartRule.HEAT_AT_FAULT: "a finding says that its heat failed or ran on",
    PartRule.TIP_IN_DRAFT: "a finding says that the tip was in a draft; too cold by estimate",
    PartRule.SPENT_CHARGE: "the pot life of the charge was gone",
    PartRule.OVERHEATED_CHARGE: "the charge had been overheated",
    PartRule.UNKNOWN_AGE: "the age of the charge was not known",
    PartRule.DOUBTED_CHARGE: "another charge may have been loaded unsaid",
    PartRule.UNFIT_CHARGE: "the charge was out of date or badly stored",
    PartRule.AFTER_IDLE: "the melt had stood in the nozzle unpurged",
    PartRule.UNCOUNTED: "the count does not tell the parts apart",
    PartRule.OPEN_TIME: "joined after the open time",
}
ACTIVITIES = {
    Activity.DISPENSING: "dispensing",
    Activity.READY_IDLE: "ready, idle",
    Activity.HEATING: "heating",
    Activity.SETBACK: "setback",
    Activity.OFF: "off",
    Activity.UNKNOWN: "unknown",
}
ALARMS = {
    AlarmKind.COLD.value: "cold",
    AlarmKind.HOT.value: "hot",
    AlarmKind.OVER_CEILING.value: "over the material's limit",
    AlarmKind.BUILD_UP.value: "build-up at the nozzle",
    AlarmKind.DEGRADATION.value: "degradation",
    AlarmKind.UNSEEN.value: "not seen",
    AlarmKind.BEFORE_READY.value: "dispensing before ready",
    AlarmKind.POT_LIFE.value: "pot life",
}
ENDINGS = {
    "spent": "its pot life was gone",
    "overheated": "it was overheated",
    "near_limit": "near the end of its pot life",
    "in_life": "within its pot life",
    "age_unknown": "its age was not known",
    "warming": "before it was warm",
    "loaded": "before it was warm",
}
ENTRIES = {
    "charge_loaded": "charge loaded",
    "charge_kept": "said: still the same charge",
    "check": "reference check",
    "disposition": "decision about parts",
    "mark_alarm": "alarm marked",
    "take_out_of_service": "alarm taken out of service",
    "return_to_service": "alarm returned to service",
    "acknowledge": "alarm acknowledged",
    "reset": "alarm reset",
    "shelve": "alarm shelved",
    "unshelve": "alarm taken off the shelf",
}


def against(rules: Sequence[tuple[PartRule, str]]) -> str:
    """What speaks against parts."""
    return "; ".join(f"{zone}: {RULES[rule]}" if zone else RULES[rule] for rule, zone in rules)


def alarm(name: str) -> str:
    """Kind of an alarm."""
    return ALARMS.get(name, words(name))


def text(event: Event, name: str) -> str:
    """A detail as words, empty where it is not there."""
    value = event.detail(name)
    return "" if value is None else plain(str(value))


def number(event: Event, name: str) -> float | None:
    """A detail that is a number, None where it is not there."""
    return real(event.detail(name))


def real(value: Detail) -> float | None:
    """A number, None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def whole(value: Detail) -> int | None:
    """A whole number, None for anything else."""
    return None if isinstance(value, bool) or not isinstance(value, int) else value


def phrase(event: Event, style: Style) -> str:
    """What happened, without its time; a kind without words of its own has those of the log."""
    words_of = _PHRASES.get(event.kind)
    return sentence(event) if words_of is None else words_of(event, style)


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _by(event: Event) -> str:
    who, why = text(event, "who"), text(event, "why")
    return (f" by {who}" if who else "") + (f": {why}" if why else "")


def _opened(event: Event, style: Style) -> str:
    side = {"low": "below", "high": "above"}.get(text(event, "edge"), "outside")
    return f"{event.zone} {side} {style.temp(number(event, 'limit_c'))}"


def _alarm(event: Event, style: Style) -> str:
    name = alarm(text(event, "alarm"))
    if event.detail("stage") == 2 and event.detail("alarm") == AlarmKind.HOT.value:
        name = ALARMS[AlarmKind.OVER_CEILING.value]
    temp_c = number(event, "temp_c")
    what = {"on": "raised", "worse": "raised to its worse stage", "re_alarm": "raised again"}
    subject = f"{event.zone} {name}".strip()
    priority = text(event, "priority")
    return _joined(
        f"alarm {subject}: {what.get(text(event, 'input'), words(text(event, 'to')))}"
        + (f" ({priority})" if priority else ""),
        style.temp(temp_c) if temp_c is not None else "",
    )


def _charge(event: Event, _: Style) -> str:
    named = f"charge {text(event, 'charge_id')}" if text(event, "charge_id") else "a charge"
    return {
        "refill": f"refilled, {named}",
        "found": f"{named} found in place",
        "kept": f"{named} is still the one before",
    }.get(text(event, "how"), f"{named} loaded") + _by(event)


def _charge_state(event: Event, _: Style) -> str:
    return f"charge {text(event, 'charge_id')}: {words(text(event, 'to'))}".replace("  ", " ")


def _overheated(event: Event, style: Style) -> str:
    return _joined(f"{event.zone}: charge overheated", style.temp(number(event, "temp_c")))


def _wiped(event: Event, _: Style) -> str:
    return f"{event.zone} wiped or purged{_by(event)}"


def _found(event: Event, _: Style) -> str:
    cause, where = words(text(event, "cause")) or "a cause", text(event, "zones") or "the cell"
    sure = number(event, "certainty")
    return _joined(
        f"{where}: {cause}" + ("" if sure is None else f" ({percent(sure, digits=0)})"),
        text(event, "numbers").replace("degC", "°C"),
    )


def _jumped(event: Event, _: Style) -> str:
    before, after = text(event, "before"), text(event, "after")
    missing = whole(event.detail("uncounted"))
    return _joined(
        f"part counter {text(event, 'what') or 'jumped'}: {before} to {after}",
        "" if not missing else f"{missing} parts cannot be attributed",
    )


def _entered(event: Event, style: Style) -> str:
    kind = text(event, "entry")
    what = ENTRIES.get(kind, words(kind)) or "entry"
    if kind == "check":
        true_c, read_c = number(event, "true_c"), number(event, "read_c")
        return (
            f"{event.zone} reference check: reference {style.temp(true_c)}, zone"
            f" {style.temp(read_c)}{_by(event)}"
        )
    said = _joined(
        f"{what} {text(event, 'subject')}".strip(),
        words(text(event, "word")),
        text(event, "target") if kind in {"mark_alarm", "acknowledge", "reset", "shelve"} else "",
    )
    return said + _by(event)


def _rejudged(event: Event, style: Style) -> str:
    changed, parts = text(event, "changed"), text(event, "parts")
    error_k = number(event, "error_k")
    return _joined(
        f"{event.zone}: {parts} parts judged again, {changed} with another verdict",
        f"the check found {style.difference(error_k)} too high" if error_k is not None else "",
    )


def _lost(event: Event, _: Style) -> str:
    return _joined(f"source {text(event, 'source')}: not read any more", text(event, "problem"))


def _configuration(event: Event, _: Style) -> str:
    return _joined(f"configuration {text(event, 'revision')}".strip(), text(event, "problem"))


def _dew(event: Event, style: Style) -> str:
    is_moist = event.kind is EventKind.AIR_MOIST
    return _joined(
        "dispensing air is moist" if is_moist else "dispensing air is dry again",
        f"dew point {style.temp(number(event, 'dew_point_c'))}",
    )


def _suspected(event: Event, style: Style) -> str:
    drop_k, duration_s = number(event, "drop_k"), number(event, "duration_s")
    return (
        f"{event.zone} cooled by {style.difference(drop_k)} or more for {span(duration_s)}, as if"
        " another charge had been loaded"
    )


_PHRASES: dict[EventKind, Callable[[Event, Style], str]] = {
    EventKind.EXCURSION_OPENED: _opened,
    EventKind.ALARM_CHANGED: _alarm,
    EventKind.CHARGE_CHANGED: _charge,
    EventKind.CHARGE_STATE_CHANGED: _charge_state,
    EventKind.CHARGE_OVERHEATED: _overheated,
    EventKind.CHARGE_SUSPECTED: _suspected,
    EventKind.WIPED: _wiped,
    EventKind.COUNTER_JUMPED: _jumped,
    EventKind.FINDING_OPENED: _found,
    EventKind.ENTERED: _entered,
    EventKind.REJUDGED: _rejudged,
    EventKind.SOURCE_LOST: _lost,
    EventKind.CONFIGURATION_CHANGED: _configuration,
    EventKind.AIR_MOIST: _dew,
    EventKind.AIR_DRY: _dew,
}

_GRAVEST_FIRST = (
    EventKind.EXCURSION_OPENED,
    EventKind.FINDING_OPENED,
    EventKind.CHARGE_OVERHEATED,
    EventKind.COUNTER_JUMPED,
    EventKind.ALARM_CHANGED,
    EventKind.SOURCE_LOST,
    EventKind.LEDGER_FAILED,
    EventKind.READINGS_DROPPED,
    EventKind.DAEMON_STOPPED,
    EventKind.CHARGE_SUSPECTED,
    EventKind.CONFIGURATION_CHANGED,
    EventKind.REJUDGED,
    EventKind.CHARGE_CHANGED,
    EventKind.AIR_MOIST,
    EventKind.WIPED,
    EventKind.ENTERED,
    EventKind.DAEMON_STARTED,
    EventKind.CHARGE_STATE_CHANGED,
)
_RAISED = ("on", "worse")
_STATES = ("near_limit", "spent", "age_unknown")
_IN_ENTRIES = ("check", "note", "purged")

MOST_FLAGS = 30
"""Flags in a picture [1]; more cannot be told apart on a page."""


def flagged(events: Sequence[Event]) -> tuple[tuple[Event, ...], int]:
    """Events that deserve a flag in the picture, in order of time, and how many more there are."""
    worthy = [event for event in events if _is_worthy(event)]
    worthy.sort(key=lambda event: _GRAVEST_FIRST.index(event.kind))
    kept = sorted(worthy[:MOST_FLAGS], key=lambda event: event.at.utc_ns)
    return tuple(kept), len(worthy) - len(kept)


def _is_worthy(event: Event) -> bool:
    if event.kind is EventKind.ALARM_CHANGED:
        return event.detail("input") in _RAISED and event.detail("to") == "unacknowledged"
    if event.kind is EventKind.FINDING_OPENED:
        return event.detail("severity") != Severity.NOTE
    if event.kind is EventKind.CHARGE_STATE_CHANGED:
        return event.detail("to") in _STATES
    if event.kind is EventKind.ENTERED:
        return event.detail("entry") in _IN_ENTRIES
    return event.kind in _GRAVEST_FIRST
