"""An alarm as it stands, in one short sentence."""

from __future__ import annotations

from typing import NamedTuple

from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import AlarmSnapshot, AlarmState


class _Words(NamedTuple):
    """What an alarm is about: its name, and the same as it is now and as it was."""

    name: str
    now: str
    past: str


_WORDS = {
    AlarmKind.COLD: _Words("{} too cold", "{} is too cold", "{} was too cold"),
    AlarmKind.HOT: _Words("{} too hot", "{} is too hot", "{} was too hot"),
    AlarmKind.OVER_CEILING: _Words(
        "{} above the limit of the adhesive",
        "{} is above the limit of the adhesive",
        "{} was above the limit of the adhesive",
    ),
    AlarmKind.BUILD_UP: _Words(
        "adhesive built up on {}",
        "adhesive builds up on the cold {}",
        "adhesive has built up on {}",
    ),
    AlarmKind.DEGRADATION: _Words(
        "adhesive damaged by heat in {}",
        "adhesive is being damaged by heat in {}",
        "adhesive was damaged by heat in {}",
    ),
    AlarmKind.UNSEEN: _Words(
        "temperature not seen", "a temperature is not seen", "a temperature was not seen"
    ),
    AlarmKind.BEFORE_READY: _Words(
        "dispensing before ready",
        "the cell dispenses before it is ready",
        "the cell dispensed before it was ready",
    ),
    AlarmKind.POT_LIFE: _Words(
        "pot life used up",
        "the pot life of the charge is used up",
        "the pot life of a charge was used up",
    ),
}
_ENDINGS = {
    AlarmState.UNACKNOWLEDGED: "",
    AlarmState.ACKNOWLEDGED: ", acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: ", to be acknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: ", to be acknowledged and reset",
    AlarmState.LATCHED_ACKNOWLEDGED: ", to be reset",
    AlarmState.SUPPRESSED_BY_DESIGN: "suppressed for now by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}
_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE)


def title(alarm: AlarmSnapshot) -> str:
    """What an alarm says, in the words of the person who must act.

    Where the condition is off and the alarm put aside or normal, it only names the alarm: a zone
    may well be cold while that is no alarm.
    """
    words = _WORDS[_kind(alarm)]
    if alarm.state is AlarmState.NORMAL:
        return f"no alarm: {words.name.format(alarm.zone)}"
    if alarm.state in _ASIDE:
        what = words.now if alarm.stage else words.name
        return f"{what.format(alarm.zone)}, {_aside(alarm)}"
    what = words.now if alarm.stage else words.past
    return f"{what.format(alarm.zone)}{_ENDINGS[alarm.state]}"


def about(kind: AlarmKind, zone: str) -> str:
    """What an alarm says while it is on.

    Examples
    --------
    >>> about(AlarmKind.COLD, "nozzle")
    'nozzle is too cold'
    """
    return _WORDS[kind].now.format(zone)


def _kind(alarm: AlarmSnapshot) -> AlarmKind:
    """What it is about at its present stage."""
    is_worst = alarm.kind is AlarmKind.HOT and alarm.stage == 2
    return AlarmKind.OVER_CEILING if is_worst else alarm.kind


def _aside(alarm: AlarmSnapshot) -> str:
    """What puts it aside."""
    if alarm.state is AlarmState.SHELVED:
        return "shelved until it is over" if alarm.is_one_shot else "shelved"
    return _ENDINGS[alarm.state]
