"""From a snapshot to what the interface answers about now."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import reduce
from math import isfinite
from operator import add

from watchedpot.core.model import Instant, Reason
from watchedpot.core.rules import AlarmKind, Verdict
from watchedpot.core.snapshot import (
    Advice,
    CellSnapshot,
    ChargeSnapshot,
    CoreSnapshot,
    Exposure,
    FindingSnapshot,
    LeavingSnapshot,
    LedgerSnapshot,
    Phase,
    Snapshot,
    SourceSnapshot,
    TipSnapshot,
    Why,
    ZoneSnapshot,
)
from watchedpot.core.units import NANO, ns, seconds
from watchedpot.outputs.advice import (
    advice_sentence,
    charge_sentence,
    outdated_sentence,
    tip_sentence,
)
from watchedpot.outputs.freshness import is_outdated
from watchedpot.outputs.web.alarms import alarm, is_standing
from watchedpot.outputs.web.health import health
from watchedpot.outputs.web.model import (
    CandidateCause,
    Cell,
    Charge,
    Core,
    ExposureSums,
    Finding,
    Leaving,
    Ledger,
    Level,
    NumberNow,
    Position,
    Source,
    State,
    Tip,
    Zone,
    iso,
    iso_or_none,
)
from watchedpot.outputs.wording import duration, finding_sentence

_LEVELS: Mapping[Advice, Level] = {
    Advice.CUT_HEAT: "act",
    Advice.HOLD: "act",
    Advice.CHECK_SENSOR: "attention",
    Advice.CHECK_DATA: "unknown",
    Advice.CHANGE_CHARGE: "attention",
    Advice.WAIT: "wait",
    Advice.PURGE_FIRST: "wait",
    Advice.RUN: "normal",
}


def state(
    snapshot: Snapshot,
    now: Instant,
    *,
    stand_still_limit_s: float,
    speed: float,
    parts_since: Callable[[str], int | None],
) -> State:
    """All that is known now.

    Parameters
    ----------
    snapshot
        The newest one.
    now
        The present moment: a cell of which nothing new has come for long is told as unknown.
    stand_still_limit_s
        See ``health``. [s]
    speed
        Cell time per real time. [1]
    parts_since
        Suspect parts since an alarm was raised, by its id; None where that is not known.
    """
    found = health(snapshot, now, limit_s=stand_still_limit_s)
    return State(
        at=iso(now.utc_ns),
        started=iso(snapshot.started.utc_ns),
        version=snapshot.version,
        config_revision=snapshot.config_revision,
        is_well=found.is_healthy,
        stands_still=found.stands_still,
        speed=speed,
        cells=tuple(_cell(cell, now, parts_since) for cell in snapshot.cells),
        sources=tuple(map(_source, snapshot.sources)),
        ledger=_ledger(snapshot.ledger),
    )


def _cell(cell: CellSnapshot, now: Instant, parts_since: Callable[[str], int | None]) -> Cell:
    is_old = is_outdated(cell, now)
    sentence = outdated_sentence(cell) if is_old else advice_sentence(cell)
    age_s = seconds(now.mono_ns - cell.at.mono_ns)
    if is_old:
        cell = _forgotten(cell)
    advice = cell.advice
    word = advice.advice.value.replace("_", " ").upper()
    return Cell(
        id=cell.id,
        at=iso(cell.at.utc_ns),
        age_s=max(0.0, age_s),
        is_outdated=is_old,
        word=word,
        advice=advice.advice.value,
        why=advice.why.value,
        zone=advice.zone,
        reason=sentence.removeprefix(f"{cell.id}: {word}: "),
        sentence=sentence,
        level="wait" if advice.why is Why.NEAR_LIMIT else _LEVELS[advice.advice],
        ready_at=_in(cell.at, advice.ready_in_s),
        number=_number(cell, age_s),
        is_dispensing=cell.is_dispensing,
        is_in_production=cell.is_in_production,
        parts=cell.parts,
        ambient_c=_finite(cell.ambient_c),
        idle_since=iso_or_none(cell.idle_since),
        charge=_charge(cell, is_old=is_old),
        zones=tuple(_zone(zone, cell) for zone in cell.zones),
        alarms=tuple(alarm(one, parts_since(one.id)) for one in cell.alarms if is_standing(one)),
        judged={
            verdict.value: number
            for verdict, number in zip(Verdict, cell.judged or (0,) * len(Verdict), strict=True)
        },
        findings=None if cell.findings is None else tuple(map(_finding, cell.findings)),
    )


def _finding(finding: FindingSnapshot) -> Finding:
    return Finding(
        id=finding.id,
        severity=finding.severity,
        sentence=finding_sentence(finding),
        onset=iso(finding.onset.utc_ns),
        told=iso(finding.told.utc_ns),
        ended=iso_or_none(finding.ended),
        zones=finding.zones,
        alarms=finding.alarms,
        numbers=finding.numbers,
        candidates=tuple(
            CandidateCause(
                cause=one.cause,
                certainty=one.certainty,
                speaks_for=one.speaks_for,
                speaks_against=one.speaks_against,
            )
            for one in finding.candidates
        ),
        not_ruled_out=finding.not_ruled_out,
        first_action=finding.first_action,
    )


def _forgotten(cell: CellSnapshot) -> CellSnapshot:
    """A cell of the past without anything that may no longer be so."""
    return replace(
        cell,
        zones=tuple(
            replace(
                zone,
                phase=Phase.UNKNOWN,
                phase_since=zone.last_good,
                temp_c=None,
                setpoint_c=None,
                output_percent=None,
                core=None,
                tip=None,
                leaving=None,
            )
            for zone in cell.zones
        ),
        advice=replace(
            cell.advice, advice=Advice.CHECK_DATA, why=Why.NOT_SEEN, zone="", ready_in_s=None
        ),
        is_dispensing=None,
        is_in_production=None,
        parts=None,
        ambient_c=None,
        findings=None,
    )


def _number(cell: CellSnapshot, age_s: float) -> NumberNow:
    """The one number that matters now, by the advice."""
    advice = cell.advice
    if advice.advice is Advice.CHECK_DATA:
        return NumberNow(label="nothing seen for", text=duration(max(0.0, age_s)))
    if advice.advice is Advice.WAIT and advice.ready_in_s:
        return NumberNow(label="ready in", text=duration(advice.ready_in_s))
    zone = next((zone for zone in cell.zones if zone.id == advice.zone), None)
    if zone is not None and _finite(zone.temp_c) is not None:
        return NumberNow(label=zone.id, text=f"{zone.temp_c:.1f} degC")
    charge = cell.charge
    left_s = [
        left_s
        for left_s in (
            charge.expires_in_s if charge.is_age_known else None,
            charge.empty_in_s,
        )
        if _finite(left_s) is not None and left_s is not None
    ]
    text = duration(max(0.0, min(left_s))) if left_s else "not known"
    return NumberNow(label="charge left", text=text)


def _charge(cell: CellSnapshot, *, is_old: bool) -> Charge:
    charge: ChargeSnapshot = cell.charge
    is_forecast = charge.is_age_known and not is_old
    return Charge(
        id=charge.id,
        state=charge.state.value,
        sentence=outdated_sentence(cell) if is_old else charge_sentence(cell),
        life_used=_finite(charge.life_used),
        is_age_known=charge.is_age_known,
        is_overheated=charge.is_overheated,
        loaded=iso_or_none(charge.loaded),
        expires_at=_in(cell.at, charge.expires_in_s) if is_forecast else None,
        empty_at=None if is_old else _in(cell.at, charge.empty_in_s),
        left_at_expiry=_finite(charge.left_at_expiry) if is_forecast else None,
        mass_kg=_finite(charge.mass_kg),
        pot_life_s=charge.pot_life_s,
    )


def _zone(zone: ZoneSnapshot, cell: CellSnapshot) -> Zone:
    limits = {(one.zone, one.kind): one.limit_s for one in cell.alarms}
    return Zone(
        id=zone.id,
        kind=zone.kind.value,
        phase=zone.phase.value,
        phase_since=iso_or_none(zone.phase_since),
        temp_c=_finite(zone.temp_c),
        quality=zone.quality.name.lower(),
        reason=zone.reason.name.lower(),
        status=f"0x{zone.status:08X}",
        last_good=iso_or_none(zone.last_good),
        setpoint_c=_finite(zone.setpoint_c),
        output_percent=_finite(zone.output_percent),
        low_c=zone.low_c,
        high_c=zone.high_c,
        ceiling_c=zone.ceiling_c,
        position=_position(zone),
        exposure=_exposure(reduce(add, zone.exposure.values(), Exposure())),
        build_up_s=zone.build_up_ns / NANO,
        degradation_s=zone.degradation_ns / NANO,
        build_up_limit_s=limits.get((zone.id, AlarmKind.BUILD_UP)),
        degradation_limit_s=limits.get((zone.id, AlarmKind.DEGRADATION)),
        core=None if zone.core is None else _core(zone.core, cell.at),
        tip=None if zone.tip is None else _tip(zone.tip, tip_sentence(zone, cell=cell.id)),
        transport_delay_s=_finite(zone.transport_delay_s),
        leaving=None if zone.leaving is None else _leaving(zone.leaving, cell.at),
        readings={quality.name.lower(): count for quality, count in zone.readings.items()},
    )


def _leaving(leaving: LeavingSnapshot, at: Instant) -> Leaving:
    return Leaving(
        edge=leaving.edge,
        at=_in(at, leaving.in_s),
        earliest=_in(at, leaving.earliest_s),
        latest=_in(at, leaving.latest_s),
        toward_c=leaving.toward_c,
        time_constant_s=leaving.time_constant_s,
    )


def _position(zone: ZoneSnapshot) -> Position:
    temp_c = _finite(zone.temp_c)
    if temp_c is None:
        return "unknown"
    if temp_c > zone.ceiling_c:
        return "over_ceiling"
    if temp_c > zone.high_c:
        return "above"
    return "below" if temp_c < zone.low_c else "inside"


def _exposure(total: Exposure) -> ExposureSums:
    return ExposureSums(
        below_s=total.below_ns / NANO,
        inside_s=total.inside_ns / NANO,
        above_s=total.above_ns / NANO,
        blind_s=total.blind_ns / NANO,
        under_ks=total.under_nks / NANO,
        over_ks=total.over_nks / NANO,
        coverage=total.coverage,
    )


def _core(core: CoreSnapshot, at: Instant) -> Core:
    return Core(
        centre_c=_finite(core.centre_c),
        mean_c=_finite(core.mean_c),
        centre_low_c=_finite(core.centre_low_c),
        centre_high_c=_finite(core.centre_high_c),
        ready_c=core.ready_c,
        is_soaked=core.is_soaked,
        ready_at=None if core.is_soaked else _in(at, core.ready_in_s),
        is_assumed=core.is_assumed,
    )


def _tip(tip: TipSnapshot, sentence: str) -> Tip:
    return Tip(
        temp_c=_finite(tip.temp_c),
        uncertainty_k=_finite(tip.uncertainty_k),
        low_c=tip.low_c,
        is_measured=tip.is_measured,
        sentence=sentence,
    )


def _source(source: SourceSnapshot) -> Source:
    expires_ns = source.certificate_expires_ns
    return Source(
        id=source.id,
        protocol=source.protocol,
        is_up=source.is_up,
        link=source.link,
        diagnosis=source.diagnosis,
        last_answer=iso_or_none(source.last_answer),
        lateness_s=source.lateness_s,
        round_trip_s=source.round_trip_s,
        polls=source.polls,
        requests=source.requests,
        failures=_by_name(source.failures),
        rejected=_by_name(source.rejected),
        skew_s=_finite(source.skew_s),
        certificate_expires=None if expires_ns is None else iso(expires_ns),
    )


def _by_name(counts: dict[Reason, int]) -> dict[str, int]:
    return {reason.name.lower(): count for reason, count in counts.items()}


def _ledger(ledger: LedgerSnapshot) -> Ledger:
    return Ledger(
        is_writing=ledger.is_writing,
        last_commit=iso_or_none(ledger.last_commit),
        pending=ledger.pending,
        dropped=ledger.dropped,
        size_bytes=ledger.size_bytes,
    )


def _finite(value: float | None) -> float | None:
    """A number that can be told, else None."""
    return value if value is not None and isfinite(value) else None


LONGEST_AHEAD_S = 10 * 366 * 86_400.0
"""A forecast beyond it says nothing. [s]"""


def _in(at: Instant, in_s: float | None) -> str | None:
    """The moment so long after another, None where that is not known or says nothing."""
    ahead_s = _finite(in_s)
    if ahead_s is None or ahead_s > LONGEST_AHEAD_S:
        return None
    return iso(at.utc_ns + ns(ahead_s))
