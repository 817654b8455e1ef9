"""Another charge: named by the controller, told by a person, or only suspected.

A charge takes the wear and the age of its predecessor with it and brings its own: what a
person says of it, what is remembered of its id, or nothing but its preheating. A refill of a
tank mixes. A charge that was there before the account began is found, not loaded.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeAlias, TypeVar

from watchedpot.core import dose, tank
from watchedpot.core.cell import CellPlan, CellState
from watchedpot.core.charges import (
    Charge,
    Flowed,
    Life,
    judged,
    laid_aside,
    mass_left_kg,
    recalled,
    state_event,
    weighed,
)
from watchedpot.core.columns import Named
from watchedpot.core.dose import Dose
from watchedpot.core.exposure import total
from watchedpot.core.model import Detail, Entry, Event, EventKind, Instant, Loading
from watchedpot.core.rules import MaterialRules, ZoneKind
from watchedpot.core.snapshot import Phase
from watchedpot.core.storage import unfit
from watchedpot.core.units import NANO, ns
from watchedpot.core.walk import ZoneEdge
from watchedpot.core.warming import Start
from watchedpot.core.watch import turned
from watchedpot.core.zone import (
    DIP_K,
    ZonePlan,
    ZoneState,
    cooled_zone,
    recharged_zone,
    shown_c,
)

OWN_DIP_NS = ns(300.0)
"""How long after a charge was named its own dip begins at the latest; common practice, no
source. [ns]"""

_T = TypeVar("_T")
Stepped: TypeAlias = tuple[CellState, list[Event]]


def replaced(items: Iterable[_T], place: int, item: _T) -> tuple[_T, ...]:
    """The items with one of them exchanged."""
    return tuple(item if n == place else old for n, old in enumerate(items))


def name_charge(state: CellState, plan: CellPlan, at: Instant, named: Named) -> Stepped:
    """The controller names another charge than before."""
    is_found = state.named_charge is None or state.charge.id == named.charge_id
    state = replace(state, named_charge=named.charge_id, named_ns=at.mono_ns)
    if is_found:
        return _find(state, plan, at, named.charge_id)
    usual, reservoir = plan.rules.charge, plan.rules.reservoir
    loading = Loading(
        preheat_c=usual.preheat_c,
        preheat_s=usual.preheat_s,
        is_refill=reservoir is not None and reservoir.kind is ZoneKind.TANK,
        is_assumed=True,
    )
    unwatched_ns = at.mono_ns - (at.mono_ns if named.since_ns is None else named.since_ns)
    if unwatched_ns <= plan.gate_hold_ns:
        unwatched_ns = 0
    return _load(state, plan, at, named.charge_id, loading, unwatched_ns=unwatched_ns)


def enter_charge(state: CellState, plan: CellPlan, entry: Entry) -> Stepped:
    """A person says which charge was loaded."""
    usual = plan.rules.charge
    loading = entry.loading or Loading(
        preheat_c=usual.preheat_c, preheat_s=usual.preheat_s, is_assumed=True
    )
    return _load(state, plan, entry.at, entry.subject, loading, who=entry.who)


def _find(state: CellState, plan: CellPlan, at: Instant, charge_id: str) -> Stepped:
    """A charge that was there already gets its name; one that a person named keeps that."""
    if state.charge.id is not None:
        return state, []
    event = _charge_event(plan, at, charge_id, previous=None, how="found")
    return replace(state, charge=replace(state.charge, id=charge_id)), [event]


def _load(
    state: CellState,
    plan: CellPlan,
    at: Instant,
    charge_id: str,
    loading: Loading,
    *,
    who: str = "",
    unwatched_ns: int = 0,
) -> Stepped:
    """Another charge, or more of it."""
    if loading.is_refill:
        return _refill(state, plan, at, charge_id, loading, who=who)
    before, flowed = state.charge, _flowed(state, plan)
    reservoir = _reservoir(state, plan)
    # What lies there is laid aside first: named once more, it is no younger.
    shelf = laid_aside(state.shelf, before, _aged(reservoir))
    remembered = recalled(shelf, charge_id)
    aged = Dose()
    if reservoir is not None:
        aged = (
            _brought(reservoir[1], loading)
            if remembered is None or loading.age_s is not None
            else remembered.dose
        )
        aged += _unwatched(*reservoir, unwatched_ns)
    start = _start(plan, loading)
    zones, events = [], list[Event]()
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        zone, new = recharged_zone(zone, zone_plan, at, who, start=start, dose=aged)  # noqa: PLW2901
        zones.append(zone)
        events += new
    usual_kg = plan.rules.charge.fill_kg
    charge = Charge(
        id=charge_id,
        loaded=at,
        is_age_known=remembered is None or remembered.is_age_known or loading.age_s is not None,
        is_overheated=remembered is not None and remembered.is_overheated,
    )
    charge = _labelled(charge, before, plan, loading, at)
    charge = weighed(charge, flowed, usual_kg if loading.mass_kg is None else loading.mass_kg)
    if plan.charge_zone is not None and plan.reservoir is not None:
        lies_in = zones[plan.reservoir]
        charge = replace(
            judged(
                charge, aged, near_ns=plan.charge_zone.near_ns, spent_ns=plan.charge_zone.spent_ns
            ),
            is_heated=lies_in.is_hot_to_touch,
            is_soaked=lies_in.is_hot_to_touch
            and (lies_in.core is None or lies_in.core.is_soaked)
            and not lies_in.is_below,
        )
    state = replace(state, zones=tuple(zones), charge=charge, shelf=shelf, fresh_ns=None)
    state = _settled(state, plan, at)
    loaded = _charge_event(
        plan,
        at,
        charge_id,
        previous=before.id,
        who=who,
        how="entry" if who else "signal",
        age_s=max(aged.low_ns, aged.high_ns) / NANO,
        start_c=start.start_c if loading.preheat_c is None else loading.preheat_c,
        charge=charge,
    )
    state, marked = _overheated_by_heat_there(state, plan, at)
    return state, [loaded, *events, *marked, *_told(before, state, plan, at)]


def _refill(
    state: CellState,
    plan: CellPlan,
    at: Instant,
    charge_id: str,
    loading: Loading,
    *,
    who: str,
) -> Stepped:
    """More melt on top of what is there: the age is that of the mixture, the rest stays."""
    before, flowed = state.charge, _flowed(state, plan)
    usual = plan.rules.charge
    mass_kg = mass_left_kg(before, flowed, flow_kg_per_s=usual.flow_kg_per_s)
    added_kg = usual.refill_kg if loading.mass_kg is None else loading.mass_kg
    charge = replace(before, id=charge_id, loaded=before.loaded or at)
    charge = _labelled(charge, before, plan, loading, at)
    if mass_kg is not None and added_kg is not None:
        charge = weighed(charge, flowed, mass_kg + added_kg)
        reservoir = _reservoir(state, plan)
        if reservoir is not None and plan.reservoir is not None:
            zone, zone_plan = reservoir
            mixed = _mixed(
                zone.dose, _brought(zone_plan, loading), mass_kg=mass_kg, added_kg=added_kg
            )
            worn_ns = tank.mixed_age(zone.degradation_ns, mass_kg=mass_kg, added_kg=added_kg)
            zone = replace(zone, dose=mixed, degradation_ns=worn_ns)
            state = replace(state, zones=replaced(state.zones, plan.reservoir, zone))
            charge = judged(charge, mixed, near_ns=zone_plan.near_ns, spent_ns=zone_plan.spent_ns)
    state = _settled(replace(state, charge=charge), plan, at)
    event = _charge_event(
        plan,
        at,
        charge_id,
        previous=before.id,
        who=who,
        how="refill",
        age_s=_oldest_s(_aged(_reservoir(state, plan))),
        charge=charge,
    )
    return state, [event, *_told(before, state, plan, at)]


def _labelled(
    charge: Charge, before: Charge, plan: CellPlan, loading: Loading, at: Instant
) -> Charge:
    """The charge with what was said of its lot, its date and its storage.

    The same charge named again keeps what nobody says anew, and a refill what it is added to.
    """
    reservoir = plan.rules.reservoir
    found = unfit(
        loading, None if reservoir is None else reservoir.material.storage, at_utc_ns=at.utc_ns
    )
    is_known = charge.id == before.id or loading.is_refill
    dates = [loading.expires_utc_ns, before.expires_utc_ns if is_known else None]
    known = before if is_known else Charge()
    return replace(
        charge,
        lot=loading.lot or known.lot,
        expires_utc_ns=min((date for date in dates if date is not None), default=None),
        unfit=(*known.unfit, *(reason for reason in found if reason not in known.unfit)),
    )


def suspect_change(state: CellState, plan: CellPlan, at: Instant, edge: ZoneEdge) -> Stepped:
    """It looks as if another charge was loaded unsaid: keep the age, doubt it, soak anew."""
    before, place = state.charge, plan.reservoir
    if place is None or before.is_doubted:
        return state, []
    if before.loaded is not None and edge.since_ns - before.loaded.mono_ns <= OWN_DIP_NS:
        return state, []  # the dip of the charge that was said to be loaded
    details: tuple[tuple[str, Detail], ...] = (
        ("charge_id", before.id),
        ("drop_k", DIP_K if edge.name == "is_dip" else None),
        ("duration_s", (edge.at_ns - edge.since_ns) / NANO),
    )
    events = [Event(EventKind.CHARGE_SUSPECTED, at, plan.rules.id, edge.zone, details)]
    start = _start(plan, Loading(is_assumed=True))
    zone, new = cooled_zone(state.zones[place], plan.zones[place], at, start=start)
    state = replace(
        state,
        zones=replaced(state.zones, place, zone),
        charge=replace(before, is_doubted=True),
        fresh_ns=None,
    )
    state = _settled(state, plan, at)
    return state, [*events, *new, *_told(before, state, plan, at)]


def keep_charge(state: CellState, plan: CellPlan, entry: Entry) -> Stepped:
    """A person answers the suspicion: it is the charge that was there before."""
    before = state.charge
    state = replace(state, charge=replace(before, is_doubted=False))
    event = _charge_event(plan, entry.at, before.id, previous=before.id, who=entry.who, how="kept")
    return state, [event, *_told(before, state, plan, entry.at)]


def correct_age(state: CellState, plan: CellPlan, entry: Entry) -> Stepped:
    """The charge in use is older than was read, by a time at the reference temperature."""
    before, reservoir = state.charge, _reservoir(state, plan)
    added_ns = 0 if entry.loading is None else ns(entry.loading.age_s or 0.0)
    if reservoir is None or plan.reservoir is None or added_ns <= 0:
        return state, []
    zone, zone_plan = reservoir
    zone = replace(zone, dose=zone.dose + Dose(low_ns=added_ns, high_ns=added_ns))
    charge = judged(before, zone.dose, near_ns=zone_plan.near_ns, spent_ns=zone_plan.spent_ns)
    state = replace(state, zones=replaced(state.zones, plan.reservoir, zone), charge=charge)
    state = _settled(state, plan, entry.at)
    event = _charge_event(
        plan,
        entry.at,
        before.id,
        previous=before.id,
        who=entry.who,
        how="corrected",
        age_s=_oldest_s(zone.dose),
        charge=charge,
    )
    return state, [event, *_told(before, state, plan, entry.at)]


def _told(before: Charge, state: CellState, plan: CellPlan, at: Instant) -> list[Event]:
    """The event of a charge that stands otherwise now, if it does."""
    if state.charge.state is before.state:
        return []
    return [state_event(before.state, state.charge, at, life_of(state, plan), plan.rules)]


def life_of(state: CellState, plan: CellPlan) -> Life | None:
    """The reservoir's account as it stands, None for a cell without one."""
    reservoir = _reservoir(state, plan)
    if reservoir is None:
        return None
    zone, _ = reservoir
    return Life(zone.dose, _flowed(state, plan), shown_c(zone))


def _reservoir(state: CellState, plan: CellPlan) -> tuple[ZoneState, ZonePlan] | None:
    """The zone in which the charge lies."""
    if plan.reservoir is None:
        return None
    return state.zones[plan.reservoir], plan.zones[plan.reservoir]


def _aged(reservoir: tuple[ZoneState, ZonePlan] | None) -> Dose:
    """The age of what lies in the reservoir."""
    return Dose() if reservoir is None else reservoir[0].dose


def _oldest_s(aged: Dose) -> float:
    """Equivalent time by the stricter bound, in seconds."""
    return max(aged.low_ns, aged.high_ns) / NANO


def _flowed(state: CellState, plan: CellPlan) -> Flowed:
    """Times of the reservoir's account."""
    reservoir = _reservoir(state, plan)
    if reservoir is None:
        return Flowed()
    zone, _ = reservoir
    return Flowed(zone.dispensed_ns, total(zone.account).elapsed_ns)


def _start(plan: CellPlan, loading: Loading) -> Start:
    """How warm a charge came."""
    zone = plan.charge_zone
    soak = None if zone is None else zone.rules.soak
    start_c = plan.rules.ambient_c if soak is None else soak.start_c
    return Start(start_c, loading.preheat_c, loading.preheat_s, loading.is_assumed)


def _settled(state: CellState, plan: CellPlan, at: Instant) -> CellState:
    """The cell after its charge was another: which zones stand ready, and its own alarms."""
    left = {zone.id for zone in state.zones if zone.phase is not Phase.READY}
    fallen = left.intersection(state.ready_zones)
    cold = {zone.id for zone in state.zones if zone.is_cold_in_production}
    state = replace(
        state,
        ready_zones=tuple(zone for zone in state.ready_zones if zone not in fallen),
        unready_zones=tuple(sorted(fallen.union(state.unready_zones))),
        cold_zones=tuple(zone for zone in state.cold_zones if zone in cold),
    )
    # Before the first row the account is not open, and nothing is worth an alarm.
    return state if state.at is None else turned(state, plan, at)


def _brought(plan: ZonePlan, loading: Loading) -> Dose:
    """The age that a charge brings: what it lived before, and its preheating."""
    lived_ns = ns(loading.age_s or 0.0)
    aged = Dose(low_ns=lived_ns, high_ns=lived_ns)
    if loading.preheat_c is not None:
        aged += _held(loading.preheat_c, ns(loading.preheat_s), plan.rules.material)
    return aged


def _unwatched(zone: ZoneState, plan: ZonePlan, unwatched_ns: int) -> Dose:
    """The age of a time in which nobody saw when a charge came.

    All of it counts, at the higher of the last reading and the setpoint.
    """
    told = (zone.last_good_c, None if zone.setpoint is None else zone.setpoint.value)
    known_c = [temp_c for temp_c in told if temp_c is not None]
    if not unwatched_ns or not known_c:
        return Dose()
    aged = _held(max(known_c), unwatched_ns, plan.rules.material)
    return replace(aged, low_blind_ns=aged.low_ns, high_blind_ns=aged.high_ns)


def _held(temp_c: float, duration_ns: int, material: MaterialRules) -> Dose:
    """The age of a time at one temperature."""
    if material.ageing is None:
        return Dose()
    low_ns, high_ns = dose.held_dose(
        temp_c, duration_ns, material.ageing, ceiling_c=material.ceiling_c
    )
    return Dose(low_ns=low_ns, high_ns=high_ns)


def _mixed(old: Dose, new: Dose, *, mass_kg: float, added_kg: float) -> Dose:
    """The age of a mixture."""
    masses = {"mass_kg": mass_kg, "added_kg": added_kg}
    return Dose(
        tank.mixed_age(old.low_ns, added_age_ns=new.low_ns, **masses),
        tank.mixed_age(old.high_ns, added_age_ns=new.high_ns, **masses),
        tank.mixed_age(old.low_blind_ns, added_age_ns=new.low_blind_ns, **masses),
        tank.mixed_age(old.high_blind_ns, added_age_ns=new.high_blind_ns, **masses),
    )


def _overheated_by_heat_there(state: CellState, plan: CellPlan, at: Instant) -> Stepped:
    """A charge that went into heat beyond its ceiling: no crossing will show it."""
    if state.charge.is_overheated:
        return state, []
    for zone, zone_plan in zip(state.zones, plan.zones, strict=True):
        if zone.is_over_ceiling and zone.id not in plan.parts.followed:
            details = (("temp_c", shown_c(zone)), ("ceiling_c", zone_plan.ceiling.limit))
            event = Event(EventKind.CHARGE_OVERHEATED, at, plan.rules.id, zone.id, details)
            return replace(state, charge=replace(state.charge, is_overheated=True)), [event]
    return state, []


def _charge_event(
    plan: CellPlan,
    at: Instant,
    charge_id: str | None,
    *,
    previous: str | None,
    how: str,
    who: str = "",
    age_s: float | None = None,
    start_c: float | None = None,
    charge: Charge | None = None,
) -> Event:
    """Event of a charge that was loaded, refilled, found, or said to be the old one."""
    details: tuple[tuple[str, Detail], ...] = (
        ("charge_id", charge_id),
        ("previous", previous),
        ("who", who),
        ("how", how),
        ("age_s", age_s),
        ("start_c", start_c),
        ("lot", None if charge is None else charge.lot),
        ("expires_utc_ns", None if charge is None else charge.expires_utc_ns),
        ("unfit", None if charge is None else ", ".join(charge.unfit)),
    )
    return Event(EventKind.CHARGE_CHANGED, at, plan.rules.id, "", details)
