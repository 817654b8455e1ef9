"""One cell: what is planned for it, what it carries from batch to batch, how it starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from watchedpot.core import tracks
from watchedpot.core.charges import Charge, Remembered, judged
from watchedpot.core.diagnosis import (
    Diagnosis,
    DiagnosisPlan,
    adopted_diagnosis,
    plan_diagnosis,
    start_diagnosis,
)
from watchedpot.core.dose import Dose
from watchedpot.core.model import Instant
from watchedpot.core.parts import PartPlan, Parts, adopted_parts, plan_parts
from watchedpot.core.rules import AlarmKind, CellRules, ZoneKind
from watchedpot.core.series import Held, Level, Sample, level
from watchedpot.core.tracks import AlarmPlan, Track
from watchedpot.core.units import ns
from watchedpot.core.zone import ZonePlan, ZoneState, adopted_zone, plan_zone, start_zone

DEW_POINT_DEADBAND_K = 2.0
"""How far the dew point must fall again to count as dry; common practice, no source. [K]"""

_ALARMS = (AlarmKind.UNSEEN, AlarmKind.BEFORE_READY, AlarmKind.POT_LIFE)
"""Alarms of the cell itself."""


@dataclass(frozen=True, slots=True)
class CellPlan:
    """What a cell's rules come to, computed once.

    Attributes
    ----------
    alarms
        Of the cell itself.
    reservoir
        Place of the zone in which the charge lies, None where no zone is one.
    moist
        Where the dispensing air is too moist, None where that is not watched.
    """

    rules: CellRules
    zones: tuple[ZonePlan, ...]
    alarms: tuple[AlarmPlan, ...]
    reservoir: int | None
    moist: Level | None
    production_hold_ns: int
    gate_hold_ns: int
    parts: PartPlan
    diagnosis: DiagnosisPlan

    @property
    def charge_zone(self) -> ZonePlan | None:
        """The zone in which the charge lies."""
        return None if self.reservoir is None else self.zones[self.reservoir]


def plan_cell(rules: CellRules) -> CellPlan:
    """The plan of one cell."""
    alarms = tuple(
        AlarmPlan(f"{rules.id}/{kind.value}", rules.id, "", (alarm,))
        for kind in _ALARMS
        if (alarm := rules.alarm(kind)) is not None
    )
    places = (place for place, zone in enumerate(rules.zones) if zone.is_reservoir)
    return CellPlan(
        rules,
        tuple(plan_zone(rules, zone) for zone in rules.zones),
        alarms,
        next(places, None),
        _moist_level(rules),
        ns(rules.production_hold_s),
        ns(rules.gate_hold_s),
        plan_parts(rules),
        plan_diagnosis(rules),
    )


def _moist_level(rules: CellRules) -> Level | None:
    """Where the dispensing air is too moist for the adhesive."""
    reservoir = rules.reservoir
    limit_c = None if reservoir is None else reservoir.material.dew_point_max_c
    if rules.air is None or limit_c is None:
        return None
    return level(limit_c, deadband=DEW_POINT_DEADBAND_K, is_high=True)


@dataclass(frozen=True, slots=True)
class Gates:
    """The newest good value of each of the cell's own signals."""

    dispensing: Held | None = None
    parts: Held | None = None
    charge_id: Held | None = None
    wiped: Held | None = None
    ambient: Held | None = None


@dataclass(frozen=True, slots=True)
class CellState:
    """All that a cell carries from batch to batch; a value, never changed in place.

    Attributes
    ----------
    tracks
        Alarms of the cell itself.
    at
        The newest row.
    rows
        Monotonic time of the newest row of each source, by name. [ns]
    charge, shelf
        The charge, and those that were taken out.
    named_charge, named_ns
        The charge that the controller last named, and when; a person may have said another
        since. [ns]
    last_dispensing_ns
        The newest row that showed melt flowing, None if none did. [ns]
    fresh_ns
        When melt last moved through the nozzle, or it was wiped; None since the charge came. [ns]
    is_in_production
        None while it is not known.
    is_flowing, is_flow_known
        Whether melt flowed when that was last known, and whether it is known now.
    unseen_zones
        Names of the zones that are not seen.
    ready_zones, unready_zones
        Names of those that stood ready when last seen, and of those that were seen to do
        something else.
    cold_zones
        Names of those that their cold alarm is about, whether or not its delay is over.
    air, is_moist
        Pressure dew point of the dispensing air at the newest row, and whether it is too
        high. [degC]
    failed_checks
        Names of the zones whose newest check against a reference probe failed.
    diagnosis
        Why the temperature moves.
    """

    zones: tuple[ZoneState, ...]
    tracks: tuple[Track, ...]
    charge: Charge
    at: Instant | None = None
    rows: tuple[tuple[str, int], ...] = ()
    gates: Gates = field(default_factory=Gates)
    shelf: tuple[Remembered, ...] = ()
    named_charge: str | None = None
    named_ns: int | None = None
    last_dispensing_ns: int | None = None
    fresh_ns: int | None = None
    is_in_production: bool | None = None
    is_flowing: bool = False
    is_flow_known: bool = False
    unseen_zones: tuple[str, ...] = ()
    ready_zones: tuple[str, ...] = ()
    unready_zones: tuple[str, ...] = ()
    cold_zones: tuple[str, ...] = ()
    air: Sample | None = None
    is_moist: bool = False
    ignored_rows: int = 0
    parts: Parts = field(default_factory=Parts)
    failed_checks: tuple[str, ...] = ()
    diagnosis: Diagnosis = field(default_factory=Diagnosis)


def start(plan: CellPlan) -> CellState:
    """The cell before its first reading: nothing is known, every zone unseen."""
    zones = [start_zone(zone) for zone in plan.zones]
    age_s = plan.rules.charge.start_age_s
    if age_s is not None and plan.reservoir is not None:
        aged = Dose(low_ns=ns(age_s), high_ns=ns(age_s))
        zones[plan.reservoir] = replace(zones[plan.reservoir], dose=aged)
    charge = Charge(is_age_known=age_s is not None, mass_kg=_found_kg(plan.rules))
    return CellState(
        zones=tuple(zones),
        tracks=tuple(tracks.new_track(alarm) for alarm in plan.alarms),
        charge=_judged(charge, zones, plan),
        unseen_zones=tuple(zone.id for zone in zones),
        parts=adopted_parts(Parts(), plan.parts),
        diagnosis=start_diagnosis(plan.diagnosis),
    )


def _judged(charge: Charge, zones: Sequence[ZoneState], plan: CellPlan) -> Charge:
    """The charge with its life judged by the dose it has under a plan."""
    if plan.reservoir is None:
        return charge
    of_charge = plan.zones[plan.reservoir]
    return judged(
        charge,
        zones[plan.reservoir].dose,
        near_ns=of_charge.near_ns,
        spent_ns=of_charge.spent_ns,
    )


def _found_kg(rules: CellRules) -> float | None:
    """Mass of what was there before the account: a tank is kept full, a pack may be part-used."""
    reservoir = rules.reservoir
    is_tank = reservoir is not None and reservoir.kind is ZoneKind.TANK
    return rules.charge.fill_kg if is_tank else None


def adopt(state: CellState, plan: CellPlan) -> CellState:
    """A recorded state under the present configuration, matched by name.

    What the configuration still has goes on; what is new starts; what is gone is forgotten.
    """
    known = {zone.id: zone for zone in state.zones}
    known_tracks = {track.id: track for track in state.tracks}
    fresh = start(plan)
    zones = tuple(
        adopted_zone(known[zone.id], zone_plan) if zone.id in known else zone
        for zone, zone_plan in zip(fresh.zones, plan.zones, strict=True)
    )
    names = {zone.id for zone in zones}
    seen = (names & known.keys()) - set(state.unseen_zones)
    alarmed = {zone.rules.id for zone in plan.zones if zone.rules.alarm(AlarmKind.COLD)}
    return replace(
        state,
        zones=zones,
        tracks=tuple(known_tracks.get(track.id, track) for track in fresh.tracks),
        charge=_judged(state.charge, zones, plan),
        unseen_zones=tuple(sorted(names - seen)),
        ready_zones=tuple(zone for zone in state.ready_zones if zone in names),
        unready_zones=tuple(zone for zone in state.unready_zones if zone in names),
        cold_zones=tuple(zone for zone in state.cold_zones if zone in alarmed),
        parts=adopted_parts(state.parts, plan.parts),
        diagnosis=adopted_diagnosis(state.diagnosis, plan.diagnosis),
    )
