"""The parts of a report with figures: coverage, time, temperatures, inspection."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.units import NANO
from watchedpot.outputs.report import pictures
from watchedpot.outputs.report.activity import ACTIVITIES
from watchedpot.outputs.report.facts import Facts, Zone
from watchedpot.outputs.report.inspection import FEWEST_MISSES, Comparison, Quantity
from watchedpot.outputs.report.markup import Markup, element, picture, section, table
from watchedpot.outputs.report.phrases import ACTIVITIES as ACTIVITY_WORDS
from watchedpot.outputs.report.readings import Spans
from watchedpot.outputs.report.style import NONE, Style, percent, span

_MOST_GAPS = 12


def coverage(facts: Facts, style: Style) -> Markup:
    """What was seen of each zone, and the gaps."""
    rows = [
        (
            zone.rules.id,
            percent(zone.coverage, digits=2),
            span(zone.blind_s),
            str(len(zone.trace.gaps)),
            span(zone.trace.gaps.longest_s) if len(zone.trace.gaps) else NONE,
            span(zone.rules.max_gap_s),
        )
        for zone in facts.zones
    ]
    return section(
        "Coverage and gaps",
        table(
            ("zone", "seen", "not seen", "gaps", "longest", "joined up to"),
            rows,
            numeric=(1, 2, 3, 4, 5),
        ),
        *(_gaps(zone, style) for zone in facts.zones if len(zone.trace.gaps)),
        element(
            "p",
            "Two good readings further apart than the last column are not joined: nobody knows"
            " what was between them, and parts made then are suspect.",
            of="small",
        ),
    )


def _gaps(zone: Zone, style: Style) -> Markup:
    """The longest gaps of a zone, in order of time."""
    gaps: Spans = zone.trace.gaps
    lengths = gaps.stop_ns - gaps.start_ns
    longest = np.sort(np.argsort(-lengths, kind="stable")[:_MOST_GAPS])
    shown = ", ".join(
        f"{style.time(int(gaps.start_ns[place]))} ({span(int(lengths[place]) / NANO)})"
        for place in longest
    )
    more = len(gaps) - _MOST_GAPS
    which = f"the {_MOST_GAPS} longest gaps" if more > 0 else "gaps"
    return element("p", f"{zone.rules.id}, {which}: {shown}.", of="small")


def split(facts: Facts) -> Markup:
    """What the time was spent with, by zone."""
    rows = [
        (zone.rules.id, *(_share(part_s, facts.span_s) for part_s in zone.split_s))
        for zone in facts.zones
    ]
    heads = ("zone", *(ACTIVITY_WORDS[activity] for activity in ACTIVITIES))
    return section(
        "How the time was spent",
        table(heads, rows, numeric=range(1, len(heads))),
        element(
            "p",
            "Heating includes soaking and recovering; off includes cooling down.",
            of="small",
        ),
    )


def _share(part_s: float, whole_s: float) -> str:
    return f"{span(part_s)} ({percent(part_s / whole_s)})" if part_s else NONE


def temperatures(facts: Facts, style: Style) -> Markup:
    """Temperatures while dispensing, and capability."""
    if not facts.made.count:
        return section(
            "Temperatures while dispensing",
            element("p", "No part was counted, so there is nothing to average over."),
        )
    rows = [_temperature(zone, style) for zone in facts.zones]
    tip = ""
    if facts.made.tip_low_c is not None:
        tip = element(
            "p",
            f"Tip of the nozzle while dispensing, estimated: {style.temp(facts.made.tip_low_c)} to"
            f" {style.temp(facts.made.tip_high_c)}.",
        )
    charts = [
        picture(
            pictures.chart(facts, zone, style),
            f"Mean temperature of {zone.rules.id} of each part against its window.",
            f"{zone.rules.id}, mean of each part while dispensing. Shaded: window. Solid: mean of"
            f" all. Dash-dotted: mean and three sigma of neighbours; {zone.capability.chart.beyond}"
            " points lie beyond.",
        )
        for zone in facts.zones
        if zone.capability.n > 1
    ]
    return section(
        "Temperatures while dispensing",
        table(
            (
                *("zone", "parts", "window", "mean", "sigma", "sigma of neighbours"),
                *("lowest", "highest", "Cpk", "Ppk"),
            ),
            rows,
            numeric=range(1, 10),
        ),
        *(
            element("p", f"{zone.rules.id}: no index, {zone.capability.withheld}.", of="small")
            for zone in facts.zones
            if zone.capability.withheld
        ),
        tip,
        *charts,
        element(
            "p",
            "The value of a part is the zone's mean while it was dispensed; single polls are never"
            " used, since they follow each other too closely. Sigma of neighbours = mean moving"
            " range / 1.128. Cpk = distance from the mean to the nearer edge of the window / (3"
            " sigma of neighbours); Ppk the same with the sigma of all parts. Formulas:"
            " NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 and 6.3.2.2. They suppose a"
            " stable process: points beyond the dash-dotted lines say that it was not.",
            of="small",
        ),
    )


def _temperature(zone: Zone, style: Style) -> tuple[str, ...]:
    found = zone.capability
    window = zone.windows[-1]
    edges = [f"{style.temp_number(edge):.1f}" for edge in (window.low_c, window.high_c)]
    return (
        zone.rules.id,
        str(found.n),
        f"{edges[0]} to {edges[1]} {style.temp_unit}",
        style.temp(found.mean_c),
        style.difference(found.overall_k, digits=2),
        style.difference(found.within_k, digits=2),
        style.temp(zone.parts.low_c),
        style.temp(zone.parts.high_c),
        NONE if found.cpk is None else f"{found.cpk:.2f}",
        NONE if found.ppk is None else f"{found.ppk:.2f}",
    )


def inspection(facts: Facts, style: Style) -> str:
    """Whether misses follow temperature, age or idle time; empty where nothing was inspected."""
    found = facts.inspection
    if found is None:
        return ""
    count = found.passed + found.missed
    rows = [_comparison(each, style) for each in found.comparisons]
    few = (
        f" Fewer than {FEWEST_MISSES} of one kind are too few to compare: the means stand alone."
        if min(found.passed, found.missed) < FEWEST_MISSES
        else ""
    )
    return section(
        "Inspection",
        element(
            "p",
            f"{count} parts carry a result: {found.passed} passed, {found.missed} missed"
            f" ({percent(found.missed / count)}).{few}",
        ),
        table(
            ("compared by", "passed: n", "mean", "missed: n", "mean", "r", "misses lie"),
            rows,
            numeric=(1, 2, 3, 4, 5),
        ),
        element(
            "p",
            "r is the rank-biserial correlation: +1 where every missed part had a higher value than"
            " every passed one, -1 where a lower one, 0 where as often the one as the other. It"
            " shows that misses go along with something, not that they come from it: parts of one"
            " excursion are not independent, so no significance is given.",
            of="small",
        ),
    )


_NAMES = {
    Quantity.TEMP: "temperature",
    Quantity.AGE: "age of the charge",
    Quantity.IDLE: "pause before the part",
    Quantity.WIDTH: "width of the bead",
}


def _comparison(each: Comparison, style: Style) -> tuple[str, ...]:
    r = each.rank_biserial
    if r is None:
        lie = "too few to say"
    elif abs(r) < 0.1:
        lie = "neither higher nor lower"
    else:
        lie = "higher" if r > 0.0 else "lower"
    return (
        f"{each.zone} {_NAMES[each.quantity]}".strip(),
        str(each.passed.size),
        _mean(each.quantity, each.passed, style),
        str(each.missed.size),
        _mean(each.quantity, each.missed, style),
        NONE if r is None else f"{r:+.2f}",
        lie,
    )


def _mean(quantity: Quantity, values: NDArray[np.float64], style: Style) -> str:
    if not values.size:
        return NONE
    mean = float(values.mean())
    if quantity is Quantity.TEMP:
        return style.temp(mean)
    return style.length(mean) if quantity is Quantity.WIDTH else span(mean)
