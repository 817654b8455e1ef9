"""Alarms for people, and how many suspect parts came since each was raised."""

from __future__ import annotations

from watchedpot.core.rules import Verdict
from watchedpot.core.snapshot import AlarmSnapshot, AlarmState, CellSnapshot, Snapshot
from watchedpot.outputs.alarm_words import title
from watchedpot.outputs.report import performance as figures
from watchedpot.outputs.web.model import Alarm, AlarmTimes, Performance, Target, iso, iso_or_none

_ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED_BY_DESIGN, AlarmState.OUT_OF_SERVICE)


def is_standing(alarm: AlarmSnapshot) -> bool:
    """Whether an alarm is in any state but the normal one."""
    return alarm.state is not AlarmState.NORMAL


def alarm(alarm: AlarmSnapshot, parts_since: int | None) -> Alarm:
    """One alarm for the interface."""
    return Alarm(
        id=alarm.id,
        cell=alarm.cell,
        zone=alarm.zone,
        kind=alarm.kind.value,
        state=alarm.state.value,
        stage=alarm.stage,
        since=iso_or_none(alarm.since),
        raised=alarm.raised,
        priority=alarm.priority.value,
        title=title(alarm),
        cause=alarm.cause,
        consequence=alarm.consequence,
        response=alarm.response,
        time_to_respond_s=alarm.time_to_respond_s,
        limit_s=alarm.limit_s,
        is_put_aside=alarm.state in _ASIDE,
        shelved_until=iso_or_none(alarm.shelved_until),
        is_one_shot=alarm.is_one_shot,
        by=alarm.by or None,
        because=alarm.because or None,
        parts_since=parts_since,
    )


class SuspectsSince:
    """How many parts were judged suspect since each alarm was raised, as far as this run saw.

    Of an alarm that was on before the first snapshot nothing is known.
    """

    def __init__(self) -> None:
        self._raised: dict[str, int] = {}
        self._base: dict[str, int] = {}
        self._suspect: dict[str, int] = {}

    def note(self, snapshot: Snapshot) -> None:
        """Take in the next snapshot."""
        for cell in snapshot.cells:
            suspect = _suspect(cell)
            for one in cell.alarms:
                before = self._raised.get(one.id)
                if before is not None and one.raised > before:
                    # The part that raised it, if any, was counted with it.
                    self._base[one.id] = self._suspect.get(cell.id, suspect)
                self._raised[one.id] = one.raised
            self._suspect[cell.id] = suspect

    def of(self, alarm_id: str) -> int | None:
        """Suspect parts since it was last raised; None where that is not known."""
        base = self._base.get(alarm_id)
        return None if base is None else self._suspect[alarm_id.partition("/")[0]] - base


def _suspect(cell: CellSnapshot) -> int:
    return sum(
        number
        for verdict, number in zip(Verdict, cell.judged or (0,) * len(Verdict), strict=True)
        if verdict.is_suspect
    )


def performance(found: figures.Performance) -> Performance:
    """The figures of a span for the interface."""
    return Performance(
        since=iso(found.since_ns),
        until=iso(found.until_ns),
        observed_s=found.observed_s,
        is_long_enough=found.is_long_enough,
        annunciated=found.annunciated,
        aside=found.aside,
        peak=found.peak,
        peak_at=None if found.peak_ns is None else iso(found.peak_ns),
        floods=len(found.floods),
        flood_share=found.flood_share,
        chattering=_times(found.chattering),
        fleeting=found.fleeting,
        stale=tuple(item.alarm for item in found.stale),
        top=_times(found.top),
        priorities={priority.value: number for priority, number in found.priorities},
        acknowledged=found.acknowledged,
        median_s=found.median_s,
        longest_s=found.longest_s,
        marks={mark.value: number for mark, number in found.marks},
        figures=tuple(
            Target(name=one.name, value=one.value, target=one.target, is_met=one.is_met)
            for one in found.figures
        ),
    )


def _times(pairs: tuple[tuple[str, int], ...]) -> tuple[AlarmTimes, ...]:
    return tuple(AlarmTimes(alarm=name, times=times) for name, times in pairs)
