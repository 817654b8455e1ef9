"""What to do with a cell now, and how its charge and its tip stand: one line each.

A line names the place, then what is, then what to do. It is true at the moment of the snapshot;
whoever shows it later asks first whether that is still now. What is estimated and not read is
told with "about" and without decimals.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, isfinite

from watchedpot.core.model import Instant, Reason
from watchedpot.core.snapshot import (
    Advice,
    CellSnapshot,
    ChargeSnapshot,
    CoreSnapshot,
    Why,
    ZoneSnapshot,
)
from watchedpot.core.units import NANO
from watchedpot.outputs.wording import (
    ahead,
    duration,
    finding_brief,
    joined,
    listed,
    percent,
    plain,
    ready_about,
    seen_of,
    time_of_day,
    to_check,
)

UNSEEN_SHARE = 0.01
"""Share of an age above which it is said that it was not seen. [1]"""


def advice_sentence(cell: CellSnapshot) -> str:
    """One line that says what to do with a cell, and why."""
    zone = next((zone for zone in cell.zones if zone.id == cell.advice.zone), None)
    return f"{cell.id}: {_word(cell.advice.advice)}: {_REASONS[cell.advice.why](cell, zone)}"


def outdated_sentence(cell: CellSnapshot) -> str:
    """The line in place of the advice when nothing new has come of a cell for too long."""
    last = cell.advice.advice
    return joined(
        f"{cell.id}: {_word(Advice.CHECK_DATA)}: nothing new since {time_of_day(cell.at.utc_ns)}",
        "hold dispensing and check that this program and the cell's controller run",
        f"the last advice was {_word(last)}" if last in _BEFORE_CHECK_DATA else "",
    )


def unknown_sentence(cell_id: str) -> str:
    """The line in place of the advice for a cell of which nothing was read yet."""
    return f"{cell_id}: {_word(Advice.CHECK_DATA)}: nothing is known of it yet; hold dispensing"


def charge_sentence(cell: CellSnapshot) -> str:
    """One line about the age of a charge and what is to come of it."""
    charge = cell.charge
    return joined(
        f"{cell.id} {_charge_name(charge)}: {_age(charge)}",
        _expiry(charge, cell.at),
        _emptying(charge, cell.at),
        _left(charge),
        _unseen(charge),
        _residence(charge),
        "it was overheated, use it only after it has been released" if charge.is_overheated else "",
    )


def tip_sentence(zone: ZoneSnapshot, *, cell: str) -> str:
    """One line about what is known of the tip of a nozzle."""
    tip, place = zone.tip, f"{cell} {zone.id}"
    if tip is None:
        return f"{place}: block only, the tip itself is not known"
    temp_c, uncertainty_k = _finite(tip.temp_c), _finite(tip.uncertainty_k)
    if temp_c is None:
        return f"{place}: tip not known, its block is not seen"
    within = f" +- {max(ceil(uncertainty_k), 1)}" if uncertainty_k is not None else ""
    origin = "from a measured offset" if tip.is_measured else "from geometry"
    return listed(
        f"{place}: tip about {temp_c:.0f}{within} degC ({origin})",
        f"below its limit of {tip.low_c:.1f} degC" if temp_c < tip.low_c else "",
    )


_OF_DATA = frozenset(
    {Reason.ADDRESS, Reason.TYPE, Reason.SHAPE, Reason.SERVER_STATE, Reason.NOT_MOVING}
)
"""Reasons for which data that do arrive are not those that are meant: a cable is no use there."""

_BEFORE_CHECK_DATA = (Advice.CUT_HEAT, Advice.HOLD, Advice.CHECK_SENSOR)


def _word(advice: Advice) -> str:
    """The advice as it is called out."""
    return advice.value.replace("_", " ").upper()


def _finite(value: float | None) -> float | None:
    """A number that can be told, else None."""
    return value if value is not None and isfinite(value) else None


def _charge_name(charge: ChargeSnapshot) -> str:
    """The charge by its id, as far as it has one."""
    name = plain(charge.id or "")
    return f"charge {name}" if name else "charge"


def _age(charge: ChargeSnapshot) -> str:
    """How much of its pot life a charge has used."""
    life_used = _finite(charge.life_used)
    if life_used is None:
        return "age not known"
    if not charge.is_age_known:
        return f"age not known, counted as {percent(life_used)} of its pot life"
    return f"{percent(life_used)} of its pot life used"


def _expiry(charge: ChargeSnapshot, at: Instant) -> str:
    """When the pot life is gone; empty for a charge without one."""
    expires_in_s = _finite(charge.expires_in_s)
    if charge.pot_life_s is None:
        return ""
    if expires_in_s is None or not charge.is_age_known:
        return "when it expires is not known"
    if expires_in_s <= 0.0:
        return "its pot life is gone"
    return f"at this temperature expires {ahead(at.utc_ns, expires_in_s)}"


def _emptying(charge: ChargeSnapshot, at: Instant) -> str:
    """When a charge is used up."""
    empty_in_s = _finite(charge.empty_in_s)
    if empty_in_s is None:
        return "when it is empty is not known"
    return f"empty {ahead(at.utc_ns, empty_in_s)} at the mean use"


def _left(charge: ChargeSnapshot) -> str:
    """What the pot life leaves over of a charge."""
    left, expires_in_s = _finite(charge.left_at_expiry), _finite(charge.expires_in_s)
    if left is None or expires_in_s is None or not charge.is_age_known:
        return ""
    if expires_in_s <= 0.0:
        return f"about {percent(left)} is left"
    return f"so about {percent(left)} would be left" if left > 0.0 else "so none would be left"


def _unseen(charge: ChargeSnapshot) -> str:
    """Part of the age that was charged for time that nobody saw."""
    share = _finite(charge.estimated_share)
    if share is None or share <= UNSEEN_SHARE:
        return ""
    return f"the age is an estimate, {percent(share)} of it was not seen"


def _residence(charge: ChargeSnapshot) -> str:
    """How long melt stays in a tank; empty where it is none."""
    residence_s, older = _finite(charge.residence_s), _finite(charge.older_share)
    return listed(
        f"melt stays about {duration(residence_s)} in the tank" if residence_s is not None else "",
        f"about {percent(older)} of it is older than its pot life when delivered"
        if older is not None
        else "",
    )


def _named(zone: ZoneSnapshot | None) -> str:
    """A zone by its id."""
    return zone.id if zone is not None else "a zone"


def _at(zone: ZoneSnapshot | None) -> str:
    """Where the temperature of a zone is, empty where that is not known."""
    temp_c = _finite(zone.temp_c) if zone is not None else None
    return f" at {temp_c:.1f} degC" if temp_c is not None else ""


def _at_and(zone: ZoneSnapshot | None) -> str:
    """The same before something else is said of it."""
    return f"{_at(zone)}," if _at(zone) else ""


def _core_of(core: CoreSnapshot | None) -> str:
    """How far the core of a charge is, empty where that is not known."""
    centre_c = _finite(core.centre_c) if core is not None else None
    if core is None or centre_c is None:
        return ""
    return f"the core about {centre_c:.0f} of {core.ready_c:.0f} degC"


def _over_ceiling(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    limit = f" of {zone.ceiling_c:.1f} degC" if zone is not None else ""
    return (
        f"{_named(zone)} is{_at_and(zone)} above the material's limit{limit}; hold dispensing, "
        "switch the heat off at the cell's own controls and keep away"
    )


def _zone_cold(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    tip_c = _cold_tip_c(zone)
    if zone is None or zone.tip is None or tip_c is None:
        return _beyond(zone, "below")
    return (
        f"the tip of {zone.id} is about {tip_c:.0f} degC, below {zone.tip.low_c:.1f} degC; "
        "hold dispensing"
    )


def _cold_tip_c(zone: ZoneSnapshot | None) -> float | None:
    """A tip that is too cold although its block is in the window."""
    if zone is None or zone.tip is None or zone.temp_c is None or zone.temp_c < zone.low_c:
        return None
    tip_c = _finite(zone.tip.temp_c)
    return tip_c if tip_c is not None and tip_c < zone.tip.low_c else None


def _zone_hot(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    return _beyond(zone, "above")


def _beyond(zone: ZoneSnapshot | None, side: str) -> str:
    """A zone outside its window."""
    window = f" of {zone.low_c:.1f} to {zone.high_c:.1f} degC" if zone is not None else ""
    return f"{_named(zone)} is{_at_and(zone)} {side} its window{window}; hold dispensing"


def _built_up(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    index = f", index {duration(zone.build_up_ns / NANO)}" if zone is not None else ""
    return (
        f"adhesive has built up on {_named(zone)}{index}; hold dispensing, then stop the cell, "
        "make it safe and wipe or purge the tip by its own procedure"
    )


def _reading_bad(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    seen = seen_of(zone.reason) if zone is not None else ""
    check = to_check(zone.reason) if zone is not None else ""
    return (
        f"the reading of {_named(zone)} cannot be believed{f': {seen}' if seen else ''}; hold "
        f"dispensing and have a qualified person check {check or 'sensor and wiring'}"
    )


def _not_seen(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    if zone is None:
        what = "no readings arrive"
    elif zone.last_good is None:
        what = f"{zone.id} was never seen"
    else:
        what = f"{zone.id} is not seen since {time_of_day(zone.last_good.utc_ns)}"
    if zone is not None and zone.reason in _OF_DATA:
        return f"{what}: {seen_of(zone.reason)}; hold dispensing and check {to_check(zone.reason)}"
    return (
        f"{what}; hold dispensing and check that the cell's controller runs and that its network "
        "cable is plugged in"
    )


def _age_unknown(cell: CellSnapshot, _: ZoneSnapshot | None) -> str:
    return (
        f"the age of {_charge_name(cell.charge)} is not known; say when it was loaded, or change it"
    )


def _overheated(cell: CellSnapshot, _: ZoneSnapshot | None) -> str:
    return (
        f"{_charge_name(cell.charge)} was overheated; change it, or use it only after it has been "
        "released"
    )


def _spent(cell: CellSnapshot, _: ZoneSnapshot | None) -> str:
    return f"{_charge_name(cell.charge)} has used {_life(cell.charge)}; change it"


def _near_limit(cell: CellSnapshot, _: ZoneSnapshot | None) -> str:
    return f"{_charge_name(cell.charge)} has used {_life(cell.charge)}; prepare the next one"


def _life(charge: ChargeSnapshot) -> str:
    """How much of its pot life is used, as far as known."""
    life_used = _finite(charge.life_used)
    return f"{percent(life_used) if life_used is not None else 'all or most'} of its pot life"


def _off(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    return f"{_named(zone)} is off{_at(zone)}"


def _cooling(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    return f"{_named(zone)} is cooling{_at(zone)}; its surfaces are still hot"


def _setback(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    return f"{_named(zone)} is in setback{_at(zone)}"


def _heating(cell: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    window = f"its window begins at {zone.low_c:.1f} degC" if zone is not None else ""
    what = listed(f"{_named(zone)} is heating{_at(zone)}", window)
    return joined(what, ready_about(cell.at, cell.advice.ready_in_s))


def _soaking(cell: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    wall = f"its wall is warm{_at(zone)}"
    what = listed(wall, _core_of(zone.core) if zone is not None else "")
    return joined(f"{_named(zone)} is soaking", what, ready_about(cell.at, cell.advice.ready_in_s))


def _recovering(cell: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    what = f"{_named(zone)} is recovering from setback{_at(zone)}"
    core = _core_of(zone.core) if zone is not None else ""
    return joined(listed(what, core), ready_about(cell.at, cell.advice.ready_in_s))


def _idle(_: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    place = zone.id if zone is not None else "the nozzle"
    return f"melt stood still in {place}; purge it by the cell's own procedure"


def _new_charge(cell: CellSnapshot, _: ZoneSnapshot | None) -> str:
    return (
        f"{_charge_name(cell.charge)} is new; purge what is left of the one before by the cell's "
        "own procedure"
    )


def _all_well(_: CellSnapshot, __: ZoneSnapshot | None) -> str:
    return "every zone is ready and in its window"


def _found(cell: CellSnapshot, zone: ZoneSnapshot | None) -> str:
    """What the worst finding that lasts comes to, of the zone where it names one."""
    name = zone.id if zone is not None else ""
    lasting = [one for one in cell.findings or () if one.ended is None]
    ours = [one for one in lasting if name in one.zones] or lasting
    return finding_brief(ours[0]) if ours else f"something is wrong at {_named(zone)}"


_REASONS: dict[Why, Callable[[CellSnapshot, ZoneSnapshot | None], str]] = {
    Why.OVER_CEILING: _over_ceiling,
    Why.ZONE_COLD: _zone_cold,
    Why.ZONE_HOT: _zone_hot,
    Why.READS_LOW: _found,
    Why.HEAT_RUNS_ON: _found,
    Why.LOOP_BLIND: _found,
    Why.NO_HEAT: _found,
    Why.WRONG_SETPOINT: _found,
    Why.FINDING: _found,
    Why.READING_DOUBTED: _found,
    Why.DATA_DOUBTED: _found,
    Why.BUILT_UP: _built_up,
    Why.READING_BAD: _reading_bad,
    Why.NOT_SEEN: _not_seen,
    Why.AGE_UNKNOWN: _age_unknown,
    Why.OVERHEATED: _overheated,
    Why.SPENT: _spent,
    Why.OFF: _off,
    Why.COOLING: _cooling,
    Why.HEATING: _heating,
    Why.SOAKING: _soaking,
    Why.SETBACK: _setback,
    Why.RECOVERING: _recovering,
    Why.IDLE: _idle,
    Why.NEW_CHARGE: _new_charge,
    Why.ALL_WELL: _all_well,
    Why.NEAR_LIMIT: _near_limit,
}
