"""Charges and their use: the changes of a shift, the size of a container, the filling of a tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf, log

from watchedpot.app.plan.answer import (
    Answer,
    Known,
    Use,
    known,
    mass_text,
    nowhere,
    prose,
    share_text,
    spent_text,
    time_text,
    use_text,
)
from watchedpot.app.plan.drawing import Axis, Curve, bar, chart, table
from watchedpot.core import supply, tank
from watchedpot.core.dose import Dose
from watchedpot.core.rules import AgeingRules, CellRules, ThermalRules, ZoneKind, ZoneRules
from watchedpot.core.supply import CONTAINERS, DAY_S, Ending, Lot, Stay, TankFill
from watchedpot.core.units import ns
from watchedpot.errors import ConfigError

LEVELS = (1.0, 0.75, 0.5, 0.25)
"""Fillings of a tank that are compared [1]."""

AS_GOOD = 0.02
"""Difference of kept shares that fewer changes outweigh [1]; this project's own choice."""

TOO_OLD = 0.05
"""Share of too old melt that a tank's filling is proposed for [1]; this project's own choice."""

MOST_ROWS = 12
"""Charges of a shift that are shown one by one [1]."""

CUBIC_M_PER_CC = 1e-6
"""By definition of the prefix centi [m3/cc]."""

_ENDINGS = {Ending.IN_USE: "still in use", Ending.SPENT: "spent", Ending.EMPTY: "empty"}
_BAR = 30


def shift(
    cell: CellRules,
    *,
    shift_s: float,
    age_s: float,
    life_used: float,
    left_share: float,
    use: Use,
) -> Answer:
    """When charges are to be changed in a shift and what is thrown away; or how a tank ages.

    Parameters
    ----------
    shift_s
        Length. [s]
    age_s, life_used
        Age of the charge in use, as equivalent time and as a share of the pot life, to be
        added. [s, 1]
    left_share
        What it still holds, of a full one. [1]
    use
        Consumption.
    """
    facts = known(cell)
    is_tank = (
        facts is not None and facts.zone.kind is ZoneKind.TANK and cell.charge.refill_kg is not None
    )
    question = f"which changes in a shift of {time_text(shift_s)}?"
    if is_tank:
        question = f"how old does the melt become in a shift of {time_text(shift_s)}?"
    if facts is None:
        return nowhere(cell, question)
    ageing, use_kg_per_s, fill_kg = facts.ageing(), facts.use_kg_per_s(use), facts.fill_kg()
    if ageing is not None:
        age_s += life_used * ageing.pot_life_s
    if is_tank:
        if ageing is None or use_kg_per_s is None or fill_kg is None:
            return facts.answer(question, [])
        course = supply.tank_age(
            age_s,
            rate=_rate(facts.zone),
            shift_s=shift_s,
            mass_kg=left_share * fill_kg,
            use_kg_per_s=use_kg_per_s,
            pot_life_s=ageing.pot_life_s,
        )
        lines = _tank_words(course, cell, use_kg_per_s, ageing)
        lines = [*prose(use_text(use, use_kg_per_s), lines[0]), *lines[1:]]
        return facts.answer(question, lines, tank=course)
    if ageing is None and (use_kg_per_s is None or fill_kg is None):
        return facts.answer(question, [])
    wait_s = facts.wait_s(facts.zone)
    found = supply.stays(
        shift_s=shift_s,
        first_life_s=_life_s(facts.zone, Dose(ns(age_s), ns(age_s))),
        life_s=_life_s(facts.zone, Dose() if ageing is None else facts.fresh(ageing)),
        first_kg=None if fill_kg is None else left_share * fill_kg,
        fill_kg=fill_kg,
        use_kg_per_s=use_kg_per_s or 0.0,
        wait_s=wait_s,
    )
    lines = [
        *prose(
            *([] if use_kg_per_s is None else [use_text(use, use_kg_per_s)]),
            *([] if ageing is None else [_lives(facts, ageing, age_s)]),
            f"A fresh charge is warm after {time_text(wait_s)}.",
        ),
        "",
        *_stays_table(found, fill_kg),
        "",
        _thrown(found),
        "",
        *_stays_picture(found, shift_s),
    ]
    return facts.answer(question, lines, stays=found)


def _life_s(zone: ZoneRules, used: Dose) -> float:
    """Time until spent [s], infinite also where no pot life is known."""
    left_s = supply.life_left_s(zone, used)
    return inf if left_s is None else left_s


def _rate(zone: ZoneRules) -> float:
    """Ageing per second by the stricter bound [1]; 1 where no pot life is known."""
    return max(supply.ageing_rates(zone) or (1.0,))


def _lives(facts: Known, ageing: AgeingRules, age_s: float) -> str:
    """Pot life at the zone's temperature, of the charge in use and of a fresh one."""
    fresh_s = _life_s(facts.zone, facts.fresh(ageing))
    left_s = _life_s(facts.zone, Dose(ns(age_s), ns(age_s)))
    used = share_text(age_s / ageing.pot_life_s)
    return (
        f"At {facts.usual_c:g} degC a fresh charge is {spent_text(fresh_s)}, the one in use is "
        f"{spent_text(left_s)} ({used} of its pot life gone)."
    )


def _hours(at_s: float) -> str:
    """Moment of a shift, to five minutes."""
    minutes = 5 * round(at_s / 300.0)
    return f"{minutes // 60}:{minutes % 60:02}"


def _stays_table(found: Sequence[Stay], fill_kg: float | None) -> list[str]:
    """One row for each charge."""
    rows = []
    for n, stay in enumerate(found[:MOST_ROWS], start=1):
        left = "-"
        if stay.left_kg is not None and fill_kg is not None:
            left = f"{mass_text(stay.left_kg)} ({share_text(stay.left_kg / fill_kg)})"
        rows.append(
            (f"{n}", _hours(stay.loaded_s), _hours(stay.out_s), _ENDINGS[stay.ending], left)
        )
    more = len(found) - MOST_ROWS
    head = ("charge", "from h:min", "to h:min", "then", "left in it")
    return [*table(head, rows), *([f"and {more} more"] if more > 0 else [])]


def _thrown(found: Sequence[Stay]) -> str:
    """How many changes, and what goes to waste."""
    changes = sum(stay.ending is not Ending.IN_USE for stay in found)
    text = f"{changes} change{'' if changes == 1 else 's'} in the shift"
    spent = [stay.left_kg for stay in found if stay.ending is Ending.SPENT]
    if not spent:
        return f"{text}; nothing is thrown away."
    masses = [left_kg for left_kg in spent if left_kg is not None]
    return f"{text}; {mass_text(sum(masses)) if masses else 'what is left'} thrown away as spent."


def _stays_picture(found: Sequence[Stay], shift_s: float) -> list[str]:
    """Charges over the shift."""
    across = Axis.over(0.0, shift_s / 3600.0)
    rows = [
        across.row(
            f"{n}",
            [
                (stay.warm_s / 3600.0, stay.out_s / 3600.0, "#"),
                *(
                    [(stay.loaded_s / 3600.0, stay.warm_s / 3600.0, "~")]
                    if stay.warm_s > stay.loaded_s
                    else []
                ),
            ],
            _ENDINGS[stay.ending],
        )
        for n, stay in enumerate(found[:MOST_ROWS], start=1)
    ]
    return [*rows, *across.lines("h"), "# in use   ~ warming up"]


def _tank_words(
    course: supply.TankAge, cell: CellRules, use_kg_per_s: float, ageing: AgeingRules
) -> list[str]:
    """How a tank ages that is fed as it is used."""
    refill_kg, life_s = cell.charge.refill_kg or 0.0, ageing.pot_life_s
    start, end = (share_text(course.age_s[n] / life_s) for n in (0, -1))
    settles = course.settles_s / life_s
    spent = "It never passes the pot life."
    if course.spent_in_s is not None:
        spent = f"It passes the pot life after {time_text(course.spent_in_s)}."
    hours = [at_s / 3600.0 for at_s in course.at_s]
    ages = Curve("o", hours, [100.0 * age_s / life_s for age_s in course.age_s])
    return [
        f"Fed as it is used: {mass_text(refill_kg)} every {time_text(refill_kg / use_kg_per_s)}; "
        f"melt stays {time_text(course.residence_s)} on average.",
        "",
        f"Mean age, stricter bound: {start} of the pot life now, {end} at the end of the shift.",
        f"{spent} It would settle at {settles:.1f} times the pot life."
        if settles > 1.0
        else f"{spent} It settles at {share_text(settles)} of it.",
        "",
        *chart([ages], (100.0, "spent"), x_name="h", y_name="%"),
        "o mean age of the tank in % of the pot life",
    ]


def size(cell: CellRules, *, sizes: str, day_s: float, use: Use, lag_s: float) -> Answer:
    """Which container loses the least adhesive and time; or how full a tank should be kept.

    Parameters
    ----------
    sizes
        Nominal contents in cc, each perhaps with its inner radius in mm: ``30,300:23.5``.
    day_s
        How long the cell runs each day. [s]
    use
        Consumption.
    lag_s
        Time constant of the zone's own warm-up in the morning. [s]
    """
    facts = known(cell)
    is_tank = facts is not None and facts.zone.kind is ZoneKind.TANK
    question = "how full should the tank be?" if is_tank else "which container?"
    if facts is None:
        return nowhere(cell, question)
    ageing, use_kg_per_s = facts.ageing(), facts.use_kg_per_s(use)
    if is_tank:
        fill_kg = facts.fill_kg()
        if ageing is None or use_kg_per_s is None or fill_kg is None:
            return facts.answer(question, [])
        words = use_text(use, use_kg_per_s)
        return _tank_answer(
            facts, question, words, ageing=ageing, fill_kg=fill_kg, use_kg_per_s=use_kg_per_s
        )
    containers = _containers(sizes)
    thermal = facts.zone.material.thermal
    if thermal is None:
        facts.note(f"the material {facts.zone.material.id} has no [materials.thermal]: no density")
    if thermal is None or use_kg_per_s is None:
        return facts.answer(question, [])
    life_s = _life_s(facts.zone, Dose() if ageing is None else facts.fresh(ageing))
    if life_s <= 0.0:
        facts.note("the usual preheating alone uses up the pot life")
        return facts.answer(question, [])
    lots = {
        content_cc: supply.lot(
            fill_kg=_fill_kg(content_cc, thermal),
            life_s=life_s,
            use_kg_per_s=use_kg_per_s,
            day_s=day_s,
            wait_s=facts.wait_s(_sized(facts.zone, radius_m)),
            morning_s=facts.morning_s(_sized(facts.zone, radius_m), lag_s=lag_s),
        )
        for content_cc, radius_m in containers.items()
    }
    best_cc = _best(lots)
    rest = " and is cold in between" if day_s < DAY_S else ""
    lines = [
        *prose(
            use_text(use, use_kg_per_s),
            f"The cell runs {time_text(day_s)} a day{rest};",
            f"at {facts.usual_c:g} degC a fresh charge is {spent_text(life_s)}.",
        ),
        "",
        *_lots_table(lots, best_cc, thermal),
        "",
        *_best_words(lots, best_cc),
        "",
        *_lots_picture(lots),
    ]
    return facts.answer(
        question,
        lines,
        best_cc=best_cc,
        lots=[
            {"content_cc": cc, "radius_m": containers[cc], "kept_share": one.kept_share, "lot": one}
            for cc, one in lots.items()
        ],
    )


def _containers(sizes: str) -> dict[float, float]:
    """Contents [cc] with their inner radii [m]."""
    found = {}
    for text in sizes.split(","):
        content, _, radius = text.partition(":")
        try:
            content_cc = float(content)
            radius_m = float(radius) / 1e3 if radius else CONTAINERS[content_cc]
            if not (0.0 < content_cc < inf and 0.0 < radius_m < inf):
                raise ValueError
        except KeyError as exc:
            usual = ", ".join(f"{known_cc:g}" for known_cc in CONTAINERS)
            fault = f"--sizes: expected one of {usual}, or a radius as in 80:15, got {text!r}"
            raise ConfigError("--sizes", [fault]) from exc
        except ValueError as exc:
            fault = f"--sizes: expected cc, or cc:mm with the inner radius, got {text!r}"
            raise ConfigError("--sizes", [fault]) from exc
        found[content_cc] = radius_m
    return found


def _fill_kg(content_cc: float, thermal: ThermalRules) -> float:
    return content_cc * CUBIC_M_PER_CC * thermal.density_kg_per_m3


def _sized(zone: ZoneRules, radius_m: float) -> ZoneRules:
    """The zone with another container in it."""
    if zone.soak is None:
        return zone
    return replace(zone, soak=replace(zone.soak, radius_m=radius_m, timer_s=None))


def _lots_table(lots: dict[float, Lot], best_cc: float, thermal: ThermalRules) -> list[str]:
    """One row for each size."""
    rows = [
        (
            f"{'*' if content_cc == best_cc else ' '} {content_cc:g} cc",
            mass_text(_fill_kg(content_cc, thermal)),
            time_text(one.stay_s),
            "spent" if one.is_spent else "empty",
            f"{one.changes_per_day:.1f}",
            share_text(one.unused_share),
            share_text(one.waiting_share),
            share_text(one.kept_share),
        )
        for content_cc, one in lots.items()
    ]
    head = ("  size", "full", "stays", "until", "changes/day", "thrown away", "waiting", "kept")
    return table(head, rows)


def _best(lots: dict[float, Lot]) -> float:
    """The size with the fewest changes among those that keep as good as the most."""
    most = max(one.kept_share for one in lots.values())
    good = {cc: one for cc, one in lots.items() if one.kept_share >= most - AS_GOOD}
    return min(good, key=lambda content_cc: good[content_cc].changes_per_day)


def _best_words(lots: dict[float, Lot], best_cc: float) -> list[str]:
    """Why one size is the best."""
    best = lots[best_cc]
    if best.kept_share <= 0.0:
        return prose("None of these: each is spent before it is warm.")
    most = max(one.kept_share for one in lots.values())
    why = "keeps most"
    if best.kept_share < most:
        why = f"keeps as good as the most ({share_text(most)}) with the fewest changes"
    return prose(
        f"* {best_cc:g} cc {why}: {share_text(best.unused_share)} of the adhesive is thrown away,",
        f"{share_text(best.waiting_share)} of the time waits for warm charges.",
        "Kept is adhesive used x time producing; what else a change costs is not counted.",
    )


def _lots_picture(lots: dict[float, Lot]) -> list[str]:
    """Waste and waiting side by side."""
    return [
        *(
            f"{content_cc:>7g} |{bar(one.unused_share, columns=_BAR)}|"
            f"{bar(one.waiting_share, columns=_BAR)}|"
            for content_cc, one in lots.items()
        ),
        f"{'cc':>7} |{'thrown away (whole: 100 %)':<{_BAR}}|{'waiting (whole: 100 %)':<{_BAR}}|",
    ]


def _tank_answer(
    facts: Known,
    question: str,
    use_words: str,
    *,
    ageing: AgeingRules,
    fill_kg: float,
    use_kg_per_s: float,
) -> Answer:
    """How old the melt becomes at some fillings."""
    life_s, delay_s = _life_s(facts.zone, Dose()), _delay_s(facts, use_kg_per_s)
    fills = {
        level: supply.tank_fill(
            mass_kg=level * fill_kg,
            use_kg_per_s=use_kg_per_s,
            delay_s=delay_s,
            life_s=life_s,
            rate=_rate(facts.zone),
            pot_life_s=ageing.pot_life_s,
        )
        for level in LEVELS
    }
    rows = [
        (
            share_text(level),
            mass_text(level * fill_kg),
            time_text(fill.residence_s),
            f"{fill.settled_share:.1f} pot lives",
            share_text(fill.older_share),
        )
        for level, fill in fills.items()
    ]
    lines = [
        *prose(
            use_words,
            f"At {facts.usual_c:g} degC melt is {spent_text(life_s)};",
            f"the hose holds it for {time_text(delay_s)} more.",
        ),
        "",
        *table(
            ("kept at", "holds", "melt stays", "mean age settles at", "delivered too old"), rows
        ),
        "",
        *_fill_words(fills, life_s - delay_s, use_kg_per_s, fill_kg),
        "",
        *(
            f"{share_text(level):>7} |{bar(fill.older_share, columns=2 * _BAR)}|"
            for level, fill in fills.items()
        ),
        f"{'full':>7} |{'delivered older than the pot life (whole: 100 %)':<{2 * _BAR}}|",
    ]
    return facts.answer(
        question,
        lines,
        delay_s=delay_s,
        fills=[{"level": level, "fill": fill} for level, fill in fills.items()],
    )


def _delay_s(facts: Known, use_kg_per_s: float) -> float:
    """Time [s] that melt takes through all hoses, at the mean consumption."""
    delay_s = 0.0
    for zone in facts.cell.zones:
        if zone.kind is not ZoneKind.HOSE:
            continue
        thermal = zone.material.thermal
        if zone.hold_up_m3 is None:
            facts.note(f"the zone {zone.id} has no hold_up_ml: no delay of the hose")
        elif thermal is None:
            facts.note(f"the material {zone.material.id} has no [materials.thermal]: no density")
        else:
            delay_s += tank.transport_delay_s(
                hold_up_kg=zone.hold_up_m3 * thermal.density_kg_per_m3, flow_kg_per_s=use_kg_per_s
            )
    return delay_s


def _fill_words(
    fills: dict[float, TankFill], limit_s: float, use_kg_per_s: float, fill_kg: float
) -> list[str]:
    """Which filling would do."""
    if limit_s <= 0.0:
        return prose("The hose alone holds the melt for longer than its pot life.")
    most = max(fill.older_share for fill in fills.values())
    if most <= TOO_OLD:
        return prose(f"Even when it is full, only {share_text(most)} is delivered too old.")
    mass_kg = use_kg_per_s * limit_s / -log(TOO_OLD)
    less = f"{mass_text(mass_kg)} in it would keep that to {share_text(TOO_OLD)} at this use"
    if mass_kg < min(fills) * fill_kg:
        return prose(f"Only {less}: the tank is too large for it.")
    return prose(f"Less in the tank is younger melt: {less}.")
