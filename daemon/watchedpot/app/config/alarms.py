"""From the alarms as written, general, of a cell, of a zone, to the alarms that hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from watchedpot.app.config.faults import Faults, Place, as_hint
from watchedpot.app.config.model import Alarm, Zone, ZoneAlarms
from watchedpot.core.rules import AlarmKind, AlarmRules, MaterialRules

THRESHOLDS = (AlarmKind.COLD, AlarmKind.HOT, AlarmKind.OVER_CEILING)
WEAR = (AlarmKind.BUILD_UP, AlarmKind.DEGRADATION)
OF_CELL = (AlarmKind.UNSEEN, AlarmKind.BEFORE_READY, AlarmKind.POT_LIFE)

_ALWAYS = (
    "priority",
    "cause",
    "consequence",
    "response",
    "time_to_respond_s",
    "on_delay_s",
    "off_delay_s",
)
_ONLY = {"deadband_k": THRESHOLDS, "limit_s": WEAR}
_ONLY_OPTIONAL = {"setpoint_settle_s": (AlarmKind.COLD, AlarmKind.HOT)}
_WITH_DEFAULT = ("max_shelving_s", "setpoint_settle_s")


@dataclass(frozen=True, slots=True)
class Layer:
    """One place that says something about an alarm."""

    place: Place
    alarm: Alarm


def layer(place: Place, alarms: ZoneAlarms, kind: AlarmKind) -> tuple[Layer, ...]:
    """What a table of alarms says about one of them: a layer or none."""
    alarm = getattr(alarms, kind.value, None)
    return (Layer(place.at("alarms", kind.value), alarm),) if alarm else ()


def alarm_rules(kind: AlarmKind, layers: Sequence[Layer], faults: Faults) -> AlarmRules | None:
    """The alarm that holds when later layers change single keys of earlier ones."""
    if not layers:
        return None
    merged: dict[str, Any] = {}
    for one in layers:
        said = {key: getattr(one.alarm, key) for key in one.alarm.model_fields_set}
        for key, kinds in (_ONLY | _ONLY_OPTIONAL).items():
            if key in said and kind not in kinds:
                faults.add(
                    one.place.at(key),
                    f"expected no such key for {kind}, got {said[key]}",
                    f"it belongs to {', '.join(kinds)}",
                )
        merged |= said
    needed = (*_ALWAYS, *(key for key, kinds in _ONLY.items() if kind in kinds))
    missing = [key for key in needed if key not in merged]
    for key in missing:
        _note_missing(key, layers[0].place.at(key), faults)
    if missing:
        return None
    rules = AlarmRules(
        kind=kind,
        **{key: merged[key] for key in _ALWAYS},
        deadband_k=merged.get("deadband_k", 0.0),
        limit_s=merged.get("limit_s"),
        re_alarm_s=merged.get("re_alarm_s"),
        is_latching=merged.get("latching", False),
        **{key: merged[key] for key in _WITH_DEFAULT if key in merged},
    )
    _check_times(rules, layers[-1].place, faults)
    return rules


def _check_times(rules: AlarmRules, place: Place, faults: Faults) -> None:
    """What people may get only when it is too late to act is no alarm."""
    latest_s = rules.on_delay_s + rules.setpoint_settle_s
    if latest_s >= rules.time_to_respond_s and not faults.concern(place):
        faults.add(
            place,
            f"on_delay_s + setpoint_settle_s = {latest_s:g} s is not below time_to_respond_s,"
            f" {rules.time_to_respond_s:g} s",
            "people would hear of it when acting no longer helps; lower the delays",
        )


def _note_missing(key: str, place: Place, faults: Faults) -> None:
    """Note a missing key, unless the key is there and already known to be faulty."""
    if faults.concern(place):
        return
    faults.add(place, "expected a value, got none", as_hint(Alarm.model_fields[key].description))


def check_deadband(
    rules: AlarmRules,
    layers: Sequence[Layer],
    faults: Faults,
    *,
    zone: Zone,
    material: MaterialRules | None,
    place: Place,
) -> None:
    """A deadband that reaches the setpoint would never let the alarm clear."""
    limits = {AlarmKind.COLD: zone.window_low_c, AlarmKind.HOT: zone.window_high_c}
    bounds = {}
    if rules.kind in limits:
        bounds["half the width of the window"] = (zone.window_high_c - zone.window_low_c) / 2
    if material:
        limits[AlarmKind.OVER_CEILING] = material.ceiling_c
    if rules.kind in limits and zone.setpoint_c is not None:
        distance_k = abs(limits[rules.kind] - zone.setpoint_c)
        bounds["half the distance from the limit to setpoint_c"] = distance_k / 2
    said = (one.place for one in reversed(layers) if "deadband_k" in one.alarm.model_fields_set)
    for what, bound_k in bounds.items():
        if rules.deadband_k >= bound_k:
            faults.add(
                place.at("alarms", rules.kind.value),
                f"deadband_k = {rules.deadband_k} K is not below {what}, {bound_k:g} K",
                f"the alarm would hardly ever clear; lower it in {next(said)}",
            )
            return
