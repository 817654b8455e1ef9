"""Hand-built snapshots of one cell, an hour after the start of the daemon."""

from __future__ import annotations

from dataclasses import replace

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AlarmKind, Priority, ZoneKind
from watchedpot.core.snapshot import (
    Activity,
    Advice,
    AdviceSnapshot,
    AirSnapshot,
    AlarmSnapshot,
    AlarmState,
    Candidate,
    Cause,
    CellSnapshot,
    ChargeSnapshot,
    ChargeState,
    CoreSnapshot,
    Exposure,
    FindingSnapshot,
    LeavingSnapshot,
    Phase,
    Severity,
    TipSnapshot,
    Why,
    ZoneSnapshot,
)

START_UTC_NS = 1_762_000_000_000_000_000  # 2025-11-01T12:26:40
S = 1_000_000_000

CORE = CoreSnapshot(
    centre_c=108.5,
    mean_c=112.25,
    centre_low_c=104.5,
    centre_high_c=114.0,
    ready_c=105.0,
    is_soaked=True,
    ready_in_s=0.0,
    is_assumed=True,
)
"""Charge of a syringe that has just become warm."""

TIP = TipSnapshot(
    temp_c=110.5,
    uncertainty_k=0.75,
    low_c=105.0,
    is_measured=False,
    viscosity_ratio=1.25,
    flow_ratio=0.8,
    width_ratio=0.875,
    pressure_ratio=None,
)
"""Tip of a nozzle that has just gone cold."""

CHARGE = ChargeSnapshot(
    id="charge_0042",
    state=ChargeState.IN_LIFE,
    loaded=Instant(START_UTC_NS, 0),
    is_age_known=True,
    is_overheated=False,
    dose_low_s=4500.0,
    dose_high_s=5040.0,
    pot_life_s=14_400.0,
    life_used=0.35,
    estimated_share=0.004,
    expires_in_s=7500.0,
    mass_kg=0.0225,
    empty_in_s=12_000.0,
    left_at_expiry=0.34,
    residence_s=None,
    older_share=None,
)
"""Charge of a syringe, by the shape of the outlook of any charge."""

NO_HEAT = FindingSnapshot(
    id="lens_4/3",
    severity=Severity.HOLD,
    onset=Instant(START_UTC_NS + 3400 * S, 3400 * S),
    told=Instant(START_UTC_NS + 3445 * S, 3445 * S),
    candidates=(
        Candidate(Cause.NO_HEAT, 0.84, ("the heater is at 100 % and the nozzle falls",)),
        Candidate(Cause.PART_OF_HEAT, 0.06, (), ("the nozzle goes on falling",)),
    ),
    not_ruled_out=("an output card that does not switch",),
    zones=("nozzle",),
    alarms=("lens_4/nozzle/cold",),
    numbers="108.2 degC and falling 0.09 K/s, heater at 100 %",
    first_action="Hold dispensing; have a qualified person check fuse, plug, relay and heater.",
)
"""A heater without power."""

LEAVING = LeavingSnapshot(
    edge="low",
    in_s=40.0,
    earliest_s=31.0,
    latest_s=55.0,
    toward_c=24.0,
    time_constant_s=610.0,
)

RUN = AdviceSnapshot(Advice.RUN, Why.ALL_WELL)

AIR = AirSnapshot(dew_point_c=-24.5, max_c=-20.0, is_moist=False)


def at(seconds: float) -> Instant:
    """Moment so long after the daemon started."""
    ns = round(seconds * S)
    return Instant(START_UTC_NS + ns, ns)


def make_zone(
    id_: str, kind: ZoneKind, phase: Phase, *, temp_c: float | None, setpoint_c: float | None
) -> ZoneSnapshot:
    """Zone of a cell in the middle of a shift, without core and tip."""
    return ZoneSnapshot(
        id=id_,
        kind=kind,
        phase=phase,
        temp_c=temp_c,
        quality=Quality.GOOD,
        reason=Reason.NONE,
        status=0,
        last_good=at(3599.5),
        setpoint_c=setpoint_c,
        output_percent=22.5,
        low_c=115.0,
        high_c=126.0,
        ceiling_c=130.0,
        stale_after_s=3.0,
        exposure={
            Activity.DISPENSING: Exposure(
                below_ns=12_500_000_000,
                inside_ns=2_400_000_000_000,
                above_ns=0,
                blind_ns=1_500_000_000,
                under_nks=21_250_000_000,
            ),
            Activity.HEATING: Exposure(
                below_ns=300_000_000_000, under_nks=14_250_000_000_000, blind_ns=1
            ),
        },
        build_up_ns=2_750_000_000,
        degradation_ns=0,
        readings={Quality.GOOD: 3590, Quality.MISSING: 10},
        excursions={"low": 2, "high": 0},
    )


def make_alarm(
    cell: str, zone: str, kind: AlarmKind, state: AlarmState, *, stage: int, raised: int
) -> AlarmSnapshot:
    """Alarm of high priority."""
    return AlarmSnapshot(
        id=f"{cell}/{zone}/{kind}" if zone else f"{cell}/{kind}",
        cell=cell,
        zone=zone,
        kind=kind,
        state=state,
        stage=stage,
        since=at(3000.0),
        raised=raised,
        priority=Priority.HIGH,
        cause="no heat reaches the nozzle",
        consequence="parts with too little adhesive",
        response="hold dispensing and check the heater",
        time_to_respond_s=60.0,
    )


def make_cell(id_: str = "lens_4") -> CellSnapshot:
    """Cell of a syringe and a nozzle that has just gone cold."""
    syringe = make_zone("syringe", ZoneKind.SYRINGE, Phase.READY, temp_c=120.25, setpoint_c=120.0)
    nozzle = make_zone("nozzle", ZoneKind.NOZZLE, Phase.READY, temp_c=114.3, setpoint_c=None)
    return CellSnapshot(
        id=id_,
        at=at(3599.5),
        zones=(replace(syringe, core=CORE), replace(nozzle, tip=TIP, transport_delay_s=4.5)),
        alarms=(
            make_alarm(id_, "nozzle", AlarmKind.COLD, AlarmState.UNACKNOWLEDGED, stage=1, raised=2),
            make_alarm(id_, "", AlarmKind.UNSEEN, AlarmState.NORMAL, stage=0, raised=0),
        ),
        is_dispensing=True,
        is_in_production=True,
        parts=41878,
        charge=CHARGE,
        advice=RUN,
        ambient_c=None,
        ignored_rows=3,
        air=AIR,
        judged=(41_000, 12, 3, 2, 1),
    )
