"""The page of a report, from its facts alone: one file, no script, nothing from elsewhere."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence

import numpy as np

from watchedpot.core.model import Event
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.core.units import NANO
from watchedpot.outputs.report import closing, measures, pictures, sections
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.markup import (
    Markup,
    document,
    element,
    joined,
    picture,
    section,
    table,
)
from watchedpot.outputs.report.phrases import (
    MEANINGS,
    RULES,
    VERDICTS,
    against,
    flagged,
    phrase,
    real,
    whole,
)
from watchedpot.outputs.report.style import NONE, Style, percent, span
from watchedpot.outputs.report.verdicts import Numbers, Suspects, Total

MOST_ROWS = 40
"""Rows of a table of single things; what is left out is counted below it. [1]"""

_MOST_RANGES = 8


def page(facts: Facts, style: Style) -> str:
    """The whole report as an HTML file."""
    flags, others = flagged(facts.unmarked)
    return document(
        f"{facts.cell} {style.moment(facts.from_ns)[:16]}: report",
        (
            _title(facts, style),
            _lead(facts, style),
            _verdicts(facts, style),
            _timeline(facts, flags, others, style),
            sections.charges(facts, style),
            sections.excursions(facts, style),
            sections.findings(facts, style),
            sections.alarms(facts, style),
            sections.people(facts, style),
            measures.coverage(facts, style),
            measures.split(facts),
            measures.temperatures(facts, style),
            measures.inspection(facts, style),
            closing.unknowable(facts),
            closing.chain(facts, style),
            closing.cautions(),
        ),
    )


def _title(facts: Facts, style: Style) -> Markup:
    revisions = ", ".join(
        f"{each.revision[:12]}"
        + (f" (from {style.moment(each.from_ns)})" if len(facts.revisions) > 1 else "")
        for each in facts.revisions
    )
    materials = {zone.rules.material.id: zone.rules.material for zone in facts.zones}
    named = "; ".join(f"{material.id} ({material.source})" for material in materials.values())
    return joined(
        (
            element("h1", f"Report on cell {facts.cell}"),
            element(
                "p",
                f"{style.moment(facts.from_ns)} to {style.moment(facts.to_ns)}"
                f" ({span(facts.span_s)}), local time with its offset from UTC",
                of="meta",
            ),
            element("p", f"Configuration {revisions}. Material: {named}.", of="meta"),
        )
    )


def _lead(facts: Facts, style: Style) -> Markup:
    """The plain sentence, first."""
    sentences = lead(facts, style)
    is_bad = facts.made.suspect_count > 0 or not facts.chain.is_whole
    return element("div", *(element("p", each) for each in sentences), of=f"lead{' bad' * is_bad}")


def lead(facts: Facts, style: Style) -> tuple[str, ...]:
    """What a reader must know who reads no further."""
    sentences = [*_suspicion(facts, style), _rework(facts, style), _unseen(facts)]
    if not facts.chain.is_whole:
        sentences.append("The record is not whole: see the end of this report.")
    return tuple(sentence for sentence in sentences if sentence)


def _unseen(facts: Facts) -> str:
    """How long something was not seen; empty where all was."""
    blind_s = [zone.blind_s for zone in facts.zones]
    longest_s = max(blind_s, default=0.0)
    if not longest_s:
        return ""
    worst = max(facts.zones, key=lambda zone: zone.blind_s)
    what = "The cell" if min(blind_s) == longest_s else f"The {worst.rules.id}"
    return f"{what} was not seen for {span(longest_s)} of {span(facts.span_s)}."


def _suspicion(facts: Facts, style: Style) -> tuple[str, ...]:
    """Whether parts are suspect, which, and why: one sentence, or one more for each verdict."""
    made = facts.made
    if not facts.is_counted:
        return ("No parts are counted at this cell, so none can be judged.",)
    if not made.count:
        return ("No part was counted in this time.",)
    parts = f"{made.count} {_noun(made.count)}"
    if not made.suspect_count:
        quiet = "Quiet time" if facts.excursions or facts.performance.annunciated else "Quiet shift"
        return (f"{quiet}: no part is suspect, {parts} made.",)
    bad = [total for total in made.totals if total.verdict.is_suspect and total.count]
    where = _ranges(_merged([each for total in bad for each in total.numbers]), most=3)
    verb = "is" if made.suspect_count == 1 else "are"
    count = f"{made.suspect_count} of {parts} {verb} suspect ({where})"
    if len(bad) == 1:
        return (f"{count}: {_reason(bad[0], facts, style)}.",)
    each = (
        f"{total.count} {_FOR[total.verdict]}: {_reason(total, facts, style)}." for total in bad
    )
    return (f"{count}.", *each)


_FOR = {
    Verdict.QUARANTINE: "to quarantine",
    Verdict.UNKNOWN: "unknown",
    Verdict.REVIEW: "to review",
}


def _noun(count: int) -> str:
    return "part" if count == 1 else "parts"


def _merged(ranges: Sequence[Numbers]) -> tuple[Numbers, ...]:
    """Ranges of several verdicts that follow each other as one."""
    merged: list[Numbers] = []
    for each in sorted(ranges, key=lambda one: one.first):
        if merged and merged[-1].last + 1 == each.first:
            merged[-1] = Numbers(merged[-1].first, each.last)
        else:
            merged.append(each)
    return tuple(merged)


def _reason(total: Total, facts: Facts, style: Style) -> str:
    """Why most of the parts of a verdict have it, with the time of what happened."""
    of_verdict = [group for group in facts.made.suspects if group.verdict is total.verdict]
    counts = Counter[PartRule]()
    for group in of_verdict:
        for each in {rule for rule, _ in group.rules}:
            counts[each] += group.count
    if not counts:
        return "the reasons are listed below"
    rule, most = counts.most_common(1)[0]
    groups = [group for group in of_verdict if rule in dict(group.rules)]
    zones = list(dict.fromkeys(zone for g in groups for each, zone in g.rules if each is rule))
    is_left = rule is PartRule.OUTSIDE_WINDOW and len(zones) == 1
    told = _excursion(facts, zones[0], groups, style) if is_left else ""
    if not told:
        first, last = min(g.from_ns for g in groups), max(g.to_ns for g in groups)
        where = f" ({', '.join(zones)})" if any(zones) else ""
        told = f"{RULES[rule]}{where}, {style.time(first)} to {style.time(last)}"
    share = f"for {most} of them, " if most < total.count else ""
    more = "; more reasons below" if len(counts) > 1 else ""
    return f"{share}{told}{more}"


def _excursion(facts: Facts, zone: str, groups: Sequence[Suspects], style: Style) -> str:
    """The stay outside the window in which parts were made; empty where not exactly one fits."""
    found = []
    for each in facts.excursions:
        onset_ns = whole(each.details.get("onset_utc_ns"))
        duration_s = real(each.details.get("duration_s"))
        if each.zone != zone or onset_ns is None or duration_s is None:
            continue
        end_ns = onset_ns + round(duration_s * NANO)
        if any(group.from_ns <= end_ns and group.to_ns >= onset_ns for group in groups):
            found.append((each, onset_ns, end_ns))
    if len(found) != 1:
        return ""
    each, onset_ns, end_ns = found[0]
    side = "below" if each.edge == "low" else "above"
    return (
        f"the {zone} was {side} its window from {style.time(onset_ns)} to {style.time(end_ns)},"
        f" at its furthest {style.temp(real(each.details.get('peak_c')))}"
    )


def _rework(facts: Facts, style: Style) -> str:
    """How many undecided suspects can still be reworked, and until when."""
    until_ns = facts.made.reworkable_ns
    left = len(until_ns) - bisect_right(until_ns, facts.made_ns)
    undecided = sum(group.undecided for group in facts.made.suspects)
    if not facts.made.suspect_count:
        return ""
    if not undecided:
        return "What becomes of each of them has been decided."
    if left:
        first = next(each for each in until_ns if each > facts.made_ns)
        return (
            f"{left} of them can still be reworked: the first until {style.time(first)}, the last"
            f" until {style.time(until_ns[-1])}."
        )
    if until_ns:
        return f"None of them can be reworked any more; about {undecided} nobody has decided yet."
    return f"About {undecided} of them nobody has decided yet."


def _verdicts(facts: Facts, style: Style) -> Markup:
    made = facts.made
    if not made.count:
        return section("Parts", element("p", lead(facts, style)[0]))
    rows = [_total(total, made.count) for total in made.totals]
    suspects: list[str] = []
    if made.suspects:
        in_order = sorted(made.suspects, key=lambda group: _urgency(group, facts.made_ns))
        suspects = [
            element("h3", "Suspect parts, the most urgent first"),
            table(
                ("parts", "n", "verdict", "made", "what speaks against them", "rework", "decided"),
                [_suspect(group, facts, style) for group in in_order[:MOST_ROWS]],
                numeric=(1,),
                tight=(0, 2, 3, 6),
            ),
            sections.left_out(len(in_order) - MOST_ROWS, "ranges of suspect parts"),
            *_handling(facts),
        ]
    again = (
        element(
            "p",
            f"Judged again, with the earlier verdicts kept beside the new: {made.rejudged}"
            f" {_noun(made.rejudged)}.",
        )
        if made.rejudged
        else ""
    )
    return section(
        "Parts",
        table(
            ("verdict", "parts", "share", "counter", "meaning"),
            rows,
            numeric=(1, 2),
            wide=(3,),
            tight=(0,),
        ),
        again,
        *suspects,
        sections.jumps(facts, style),
        sections.decided(facts, style),
    )


def _total(total: Total, count: int) -> tuple[str, ...]:
    return (
        VERDICTS[total.verdict],
        str(total.count),
        percent(total.count / count),
        _ranges(total.numbers, most=_MOST_RANGES) or NONE,
        MEANINGS[total.verdict],
    )


def _ranges(numbers: Sequence[Numbers], *, most: int) -> str:
    """Ranges in a row, with how many more there are."""
    more = len(numbers) - most
    shown = ", ".join(str(each) for each in numbers[:most])
    return f"{shown} and {more} more range{'s' * (more > 1)}" if more > 0 else shown


def _urgency(group: Suspects, now_ns: int) -> tuple[bool, bool, int, int]:
    """First what can still be saved, then what is undecided, each by time."""
    until_ns = group.reworkable_until_ns or 0
    is_savable = group.undecided > 0 and until_ns > now_ns
    return (
        not is_savable,
        group.undecided == 0,
        until_ns if is_savable else 0,
        group.from_ns,
    )


def _suspect(group: Suspects, facts: Facts, style: Style) -> tuple[str, ...]:
    until_ns = group.reworkable_until_ns
    if until_ns is None:
        rework = "not known"
    elif until_ns > facts.made_ns:
        rework = f"until {style.time(until_ns)}"
    else:
        rework = f"ended {style.time(until_ns)}"
    reasons = against(group.rules) or NONE
    because = f" (judged again: {group.because})" if group.because else ""
    decided = ", ".join(
        word if count == group.count else f"{count} {word}" for word, count in group.decided
    )
    return (
        str(group.numbers),
        str(group.count),
        VERDICTS[group.verdict],
        f"{style.time(group.from_ns)} to {style.time(group.to_ns)}",
        f"{reasons}{because}",
        rework,
        decided,
    )


def _handling(facts: Facts) -> list[str]:
    """What must be minded with suspect parts, by the material's own words."""
    reservoir = facts.rules.reservoir or facts.rules.zones[-1]
    material = reservoir.material
    rework = (
        f"Rework of {material.id}: possible until {span(material.rework_s)} after dispensing."
        if material.rework_s is not None
        else f"How long {material.id} can be reworked is not known here."
    )
    caution = f" {material.rework_caution}" if material.rework_caution else ""
    return [
        element(
            "p",
            f"Keep suspect parts apart until somebody has decided about them. {rework}{caution}"
            " Warm rework exposes people to hot surfaces and vapours: follow the safety data sheet"
            " and local codes, and leave it to qualified people.",
            of="caution",
        )
    ]


def _timeline(facts: Facts, flags: Sequence[Event], others: int, style: Style) -> Markup:
    words = "Temperatures of " + ", ".join(zone.rules.id for zone in facts.zones)
    items = [
        element("li", element("time", style.time(event.at.utc_ns)), " ", phrase(event, style))
        for event in flags
    ]
    left = f" {others} less grave events are in the ledger only." if others else ""
    return section(
        "Timeline",
        picture(
            pictures.timeline(facts, flags, style),
            f"{words} over time against their windows; the tables below say the same in numbers.",
            f"Each column of the picture spans {span(_column_s(facts))} and reaches from its lowest"
            " to its highest reading. Shaded with broken edges: the window. Hatched: no readings."
            f" Numbers refer to the list below.{left}",
        ),
        element("ol", *items, of="flags") if items else element("p", "No events to show."),
    )


def _column_s(facts: Facts) -> float:
    return float(np.diff(facts.readings.edges_ns[:2])[0]) / NANO
