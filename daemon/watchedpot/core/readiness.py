"""May we dispense? One advice for the cell, the worst that applies, and its reason.

The order is that of the harm: heat that runs away, melt that is wrong now, what cannot be
believed or is not known, a charge that is over, what only takes time, a stale nozzle. An alarm
that was put aside or acknowledged is still a reason: acknowledging does not warm a nozzle.
Where the cause of an alarm is known, the cause is the reason: it says more than that a limit is
passed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from watchedpot.core.model import Quality, Reason
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import (
    Advice,
    AdviceSnapshot,
    AlarmSnapshot,
    AlarmState,
    Cause,
    ChargeSnapshot,
    ChargeState,
    FindingSnapshot,
    Phase,
    Severity,
    Why,
    ZoneSnapshot,
)

_OF_SENSOR = frozenset(
    {
        *(Reason.STATUS, Reason.NULL, Reason.NOT_FINITE, Reason.FILL_VALUE, Reason.IMPLAUSIBLE),
        *(Reason.FROZEN, Reason.SLEW, Reason.TEN_TIMES_TOO_LARGE, Reason.TEN_TIMES_TOO_SMALL),
        *(Reason.LOOKS_LIKE_DEGF, Reason.LOOKS_LIKE_DEGC),
    }
)
"""Reasons for which a reading that did arrive is not good."""

_WAITING = {
    Phase.OFF: Why.OFF,
    Phase.COOLING: Why.COOLING,
    Phase.SETBACK: Why.SETBACK,
    Phase.HEATING: Why.HEATING,
    Phase.RECOVERING: Why.RECOVERING,
    Phase.SOAKING: Why.SOAKING,
}
"""What each phase makes one wait for; the first in this order is told."""

_CUT = {
    Cause.SENSOR_LOW: Why.READS_LOW,
    Cause.STUCK_ON: Why.HEAT_RUNS_ON,
    Cause.FROZEN_AT_CONTROLLER: Why.LOOP_BLIND,
}
"""Causes for which the heat is cut where they are critical."""

_CHECK_SENSOR = frozenset({Cause.SENSOR_SLIPPED, Cause.SENSOR_BREAK})
_CHECK_DATA = frozenset(
    {Cause.FROZEN_IN_DATA, Cause.LINK, Cause.CLOCK, Cause.SCALE_OR_UNIT, Cause.PLC_RESTART}
)
_HOLD = {
    Cause.NO_HEAT: Why.NO_HEAT,
    Cause.ALL_HEAT_LOST: Why.NO_HEAT,
    Cause.WRONG_SETPOINT: Why.WRONG_SETPOINT,
    Cause.FROZEN_AT_CONTROLLER: Why.LOOP_BLIND,
}

_LATCHED = frozenset({AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})


def advice(
    zones: Sequence[ZoneSnapshot],
    alarms: Sequence[AlarmSnapshot],
    charge: ChargeSnapshot,
    *,
    is_stale_melt: bool,
    is_new_charge: bool,
    findings: Sequence[FindingSnapshot] = (),
) -> AdviceSnapshot:
    """The worst advice that applies.

    Parameters
    ----------
    zones, alarms, charge
        As they are shown.
    is_stale_melt
        Whether melt has stood in the nozzle for longer than it may.
    is_new_charge
        Whether nothing was dispensed or wiped since the charge came.
    findings
        The worst first; ended ones and notes ask for nothing.
    """
    lasting = [one for one in findings if one.ended is None and one.severity is not Severity.NOTE]
    searches: tuple[Callable[[], Iterator[AdviceSnapshot]], ...] = (
        lambda: _too_hot(zones),
        lambda: _cut(lasting),
        lambda: _held(lasting),
        lambda: _alarmed(alarms),
        lambda: _unseen(zones),
        lambda: _to_check(lasting),
        lambda: _of_charge(charge),
        lambda: _waits(zones),
        lambda: _stale(alarms, is_stale_melt=is_stale_melt, is_new_charge=is_new_charge),
    )
    for search in searches:
        for found in search():
            return found
    is_near = charge.state is ChargeState.NEAR_LIMIT
    return AdviceSnapshot(Advice.RUN, Why.NEAR_LIMIT if is_near else Why.ALL_WELL)


def _too_hot(zones: Sequence[ZoneSnapshot]) -> Iterator[AdviceSnapshot]:
    for zone in zones:
        if zone.temp_c is not None and zone.temp_c > zone.ceiling_c:
            yield AdviceSnapshot(Advice.CUT_HEAT, Why.OVER_CEILING, zone.id)


def _cut(findings: Sequence[FindingSnapshot]) -> Iterator[AdviceSnapshot]:
    for finding in findings:
        cause = _cause(finding)
        if finding.severity is Severity.CRITICAL:
            yield AdviceSnapshot(Advice.CUT_HEAT, _CUT.get(cause, Why.FINDING), _zone(finding))


def _held(findings: Sequence[FindingSnapshot]) -> Iterator[AdviceSnapshot]:
    for finding in findings:
        cause = _cause(finding)
        if finding.severity is Severity.HOLD and cause not in _CHECK_SENSOR | _CHECK_DATA:
            yield AdviceSnapshot(Advice.HOLD, _HOLD.get(cause, Why.FINDING), _zone(finding))


def _to_check(findings: Sequence[FindingSnapshot]) -> Iterator[AdviceSnapshot]:
    for causes, check, why in (
        (_CHECK_SENSOR, Advice.CHECK_SENSOR, Why.READING_DOUBTED),
        (_CHECK_DATA, Advice.CHECK_DATA, Why.DATA_DOUBTED),
    ):
        for finding in findings:
            if _cause(finding) in causes:
                yield AdviceSnapshot(check, why, _zone(finding))


def _cause(finding: FindingSnapshot) -> Cause:
    """The likeliest."""
    return finding.candidates[0].cause


def _zone(finding: FindingSnapshot) -> str:
    """Where it shows most, empty for the whole cell."""
    return finding.zones[0] if finding.zones else ""


def _alarmed(alarms: Sequence[AlarmSnapshot]) -> Iterator[AdviceSnapshot]:
    reasons = {
        AlarmKind.HOT: Why.ZONE_HOT,
        AlarmKind.OVER_CEILING: Why.ZONE_HOT,
        AlarmKind.COLD: Why.ZONE_COLD,
    }
    for alarm in alarms:
        if alarm.kind in reasons and alarm.stage:
            yield AdviceSnapshot(Advice.HOLD, reasons[alarm.kind], alarm.zone)


def _unseen(zones: Sequence[ZoneSnapshot]) -> Iterator[AdviceSnapshot]:
    unseen = [zone for zone in zones if zone.phase is Phase.UNKNOWN]
    for zone in unseen:
        if zone.quality in {Quality.BAD, Quality.UNCERTAIN} and zone.reason in _OF_SENSOR:
            yield AdviceSnapshot(Advice.CHECK_SENSOR, Why.READING_BAD, zone.id)
    for zone in unseen:
        yield AdviceSnapshot(Advice.CHECK_DATA, Why.NOT_SEEN, zone.id)


def _of_charge(charge: ChargeSnapshot) -> Iterator[AdviceSnapshot]:
    if charge.state is ChargeState.AGE_UNKNOWN and charge.pot_life_s is not None:
        yield AdviceSnapshot(Advice.CHECK_DATA, Why.AGE_UNKNOWN)
    if charge.state is ChargeState.OVERHEATED:
        yield AdviceSnapshot(Advice.CHANGE_CHARGE, Why.OVERHEATED)
    if charge.state is ChargeState.SPENT:
        yield AdviceSnapshot(Advice.CHANGE_CHARGE, Why.SPENT)


def _waits(zones: Sequence[ZoneSnapshot]) -> Iterator[AdviceSnapshot]:
    forecasts = [
        zone.core.ready_in_s
        for zone in zones
        if zone.core is not None and zone.core.ready_in_s is not None
    ]
    for phase, why in _WAITING.items():
        for zone in zones:
            if zone.phase is phase:
                is_warming = why in {Why.HEATING, Why.RECOVERING, Why.SOAKING}
                # A core that is warm says nothing about when its wall, or another zone, will be.
                ready_in_s = max(forecasts, default=0.0) or None if is_warming else None
                yield AdviceSnapshot(Advice.WAIT, why, zone.id, ready_in_s)


def _stale(
    alarms: Sequence[AlarmSnapshot], *, is_stale_melt: bool, is_new_charge: bool
) -> Iterator[AdviceSnapshot]:
    for alarm in alarms:
        if alarm.kind is AlarmKind.BUILD_UP and (alarm.stage or alarm.state in _LATCHED):
            yield AdviceSnapshot(Advice.PURGE_FIRST, Why.BUILT_UP, alarm.zone)
    if is_new_charge:
        yield AdviceSnapshot(Advice.PURGE_FIRST, Why.NEW_CHARGE)
    if is_stale_melt:
        yield AdviceSnapshot(Advice.PURGE_FIRST, Why.IDLE)
