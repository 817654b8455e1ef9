"""The parts of a report that follow its verdicts and its timeline."""

from __future__ import annotations

import numpy as np

from watchedpot.core.model import Detail, Event
from watchedpot.core.units import NANO
from watchedpot.outputs.report import pictures
from watchedpot.outputs.report.charges import Charge
from watchedpot.outputs.report.facts import Alarm, Facts, onset_ns
from watchedpot.outputs.report.markup import (
    Markup,
    element,
    joined,
    listed,
    picture,
    section,
    table,
)
from watchedpot.outputs.report.performance import Performance
from watchedpot.outputs.report.phrases import ENDINGS, alarm, phrase, real, whole
from watchedpot.outputs.report.style import NONE, Style, percent, span, words
from watchedpot.outputs.report.verdicts import Numbers
from watchedpot.outputs.wording import finding_told, plain

MOST_ROWS = 40
"""Rows of a table of single things; what is left out is counted below it. [1]"""


def left_out(count: int, what: str) -> str:
    """How much a table does not show; empty where it shows all."""
    return element("p", f"{count} more {what} are in the ledger.", of="small") if count > 0 else ""


def jumps(facts: Facts, style: Style) -> str:
    """Jumps of the counter and parts that cannot be attributed; empty where there are none."""
    if not facts.jumps:
        return ""
    missing = sum(whole(event.detail("uncounted")) or 0 for event in facts.jumps)
    items = [f"{style.time(event.at.utc_ns)} {phrase(event, style)}" for event in facts.jumps]
    return joined(
        (
            element("h3", "Counter"),
            element(
                "p",
                f"The counter jumped {_times(len(facts.jumps))}; "
                + (
                    f"{missing} parts were made that cannot be attributed: treat them as suspect."
                    if missing
                    else "no part is missing."
                ),
            ),
            listed(items[:MOST_ROWS]),
        )
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def decided(facts: Facts, style: Style) -> str:
    """Who decided what about parts; empty where nobody did."""
    spans_of = [total.numbers for total in facts.made.totals if total.verdict.is_suspect]
    rows = [
        (
            style.moment(each.at.utc_ns),
            str(Numbers(each.first, each.last)),
            words(each.word),
            each.who,
            each.why,
        )
        for each in facts.decided
        if each.at.utc_ns >= facts.from_ns
        and any(
            each.first <= numbers.last and each.last >= numbers.first
            for of_verdict in spans_of
            for numbers in of_verdict
        )
    ]
    if not rows:
        return ""
    return joined(
        (
            element("h3", "Decisions about parts"),
            table(("when", "parts", "decision", "who", "why"), rows[-MOST_ROWS:], tight=(0, 1)),
        )
    )


def charges(facts: Facts, style: Style) -> Markup:
    """Charges and their ages."""
    if not facts.charges:
        return section("Charges", element("p", "No charge is known of in this time."))
    rows = [_charge(charge, style) for charge in facts.charges]
    drawn = ""
    if np.isfinite(facts.made.life_used).sum() > 1:
        drawn = picture(
            pictures.ageing(facts, style),
            "Share of the pot life used by the charge, part by part.",
            "Share of the pot life that the charge had used at each part; broken line: all of it."
            " Dotted: another charge.",
        )
    return section(
        "Charges",
        table(
            ("charge", "loaded", "lot, expiry", "before loading", "parts", "age", "end"),
            rows,
        ),
        drawn,
        element(
            "p",
            "Ages are equivalent ages: the time at the material's reference temperature that uses"
            " up as much of the pot life. The activation energy is rarely known, so the stricter of"
            " two bounds counts.",
            of="small",
        ),
    )


def _charge(charge: Charge, style: Style) -> tuple[str, ...]:
    said = charge.said
    loaded = f"{style.time(charge.loaded_ns)}, {words(charge.how) or 'how is not known'}"
    if charge.who:
        loaded += f", by {plain(charge.who)}"
    lot = f"lot {plain(charge.lot)}" if charge.lot else "lot not said"
    expiry = (
        f"expires {style.local(charge.expires_ns):%Y-%m-%d}"
        if charge.expires_ns is not None
        else "expiry not said"
    )
    ages = ((charge.begin_age_s, "at loading"), (charge.end_age_s, "at its last part"))
    used = f", {percent(charge.life_used)} of the pot life" if charge.life_used is not None else ""
    known = [f"{span(age_s)} {when}" for age_s, when in ages if age_s is not None]
    age = ", ".join(known) or "not known"
    numbers = f"{charge.parts} ({charge.numbers})" if charge.numbers is not None else "0"
    state = ENDINGS.get(charge.end_state, "")
    if charge.is_overheated:
        state = ENDINGS["overheated"]
    if charge.ended_ns is None:
        ended = "in use at the end"
    else:
        ended = f"{style.time(charge.ended_ns)}, changed"
    unfit = f"unfit: {charge.unfit}" if charge.unfit else ""
    return (
        plain(charge.id) or "without a name",
        loaded,
        ", ".join(part for part in (lot, expiry, unfit) if part),
        _storage(said, style),
        numbers,
        f"{age}{used}",
        ended + (f": {state}" if state else ""),
    )


def _storage(said: dict[str, Detail], style: Style) -> str:
    """What was said of the time before loading."""

    def read(name: str) -> float | None:
        value = said.get(name)
        return real(value) if isinstance(value, int | float) else None

    parts = []
    if (preheat_c := read("preheat_c")) is not None:
        parts.append(f"warmed at {style.temp(preheat_c)} for {span(read('preheat_s'))}")
    if (out_s := read("out_of_store_s")) is not None:
        parts.append(f"{span(out_s)} out of store")
    if (above_s := read("storage_above_s")) is not None:
        parts.append(
            f"logger: {span(above_s)} above its limit, highest"
            f" {style.temp(read('storage_max_c'))}, mean kinetic"
            f" {style.temp(read('storage_mean_kinetic_c'))},"
            f" {span(read('storage_blind_s'))} not covered"
        )
    return "; ".join(parts) or "not said"


def excursions(facts: Facts, style: Style) -> Markup:
    """Stays outside the window."""
    if not facts.excursions:
        return section(
            "Excursions", element("p", "No zone left its window while it counted as in production.")
        )
    rows = []
    for each in facts.excursions[:MOST_ROWS]:
        told = each.details
        onset_ns, duration_s = whole(told.get("onset_utc_ns")), real(told.get("duration_s"))
        end_ns = None
        if onset_ns is not None and duration_s is not None:
            end_ns = onset_ns + round(duration_s * NANO)
        if onset_ns is None and each.opened is not None:
            onset_ns = each.opened.utc_ns
        side = {"low": "below", "high": "above"}.get(str(each.edge), "outside")
        first, last = whole(told.get("parts_from")), whole(told.get("parts_to"))
        parts = NONE if first is None or last is None else str(max(last - first, 0))
        rows.append(
            (
                each.zone,
                f"{side} {style.temp(real(told.get('limit_c')))}",
                style.time(onset_ns),
                style.time(end_ns) if end_ns is not None else "not yet",
                style.temp(real(told.get("peak_c"))),
                style.exposure(real(told.get("exposure_ks"))),
                span(real(told.get("dispensing_s"))),
                parts,
            )
        )
    return section(
        "Excursions",
        table(
            ("zone", "edge", "onset", "end", "peak", "exposure", "of it dispensing", "parts"),
            rows,
            numeric=(4, 5, 6, 7),
        ),
        left_out(len(facts.excursions) - MOST_ROWS, "excursions"),
        element(
            "p",
            "Onset is when the edge was passed, not when somebody was told. Exposure is the"
            " distance beyond the edge, integrated over time.",
            of="small",
        ),
    )


def findings(facts: Facts, style: Style) -> Markup:
    """What moved the temperatures, with the evidence."""
    title = "Causes and evidence"
    if not facts.findings and not facts.rules.finds_causes:
        return section(title, element("p", "What moves the temperatures was not looked into."))
    if not facts.findings:
        return section(title, element("p", "Nothing was found that moved a temperature unduly."))
    rows = []
    for each in facts.findings[:MOST_ROWS]:
        told = each.told
        sure = percent(real(told.detail("certainty")), digits=0)
        rows.append(
            (
                style.time(onset_ns(told)),
                style.time(each.ended.at.utc_ns) if each.ended is not None else "not yet",
                _said(told, "zones") or "the cell",
                f"{words(_said(told, 'cause'))}, {sure}",
                plain(finding_told(told)).replace("degC", "°C"),
                _said(told, "others") or NONE,
            )
        )
    return section(
        title,
        table(
            ("onset", "end", "where", "likely cause", "what was concluded", "also possible"),
            rows,
        ),
        left_out(len(facts.findings) - MOST_ROWS, "findings"),
        element(
            "p",
            "A cause is concluded from how temperatures, heater outputs, setpoints and zones moved"
            " together; the percentage says how sure that conclusion is, not how bad it is.",
            of="small",
        ),
    )


def _said(event: Event, name: str) -> str:
    """A detail as words, empty where it is not there."""
    value = event.detail(name)
    return "" if value is None else plain(str(value)).replace("degC", "°C")


def alarms(facts: Facts, style: Style) -> Markup:
    """Alarms and how well they served."""
    told = facts.performance
    if not facts.alarms:
        return section("Alarms", element("p", "No alarm was raised."))
    rows = [_alarm(each, style) for each in facts.alarms[:MOST_ROWS]]
    return section(
        "Alarms",
        table(
            ("raised", "alarm", "priority", "over", "acknowledged", "found to be", "response"),
            rows,
            wide=(6,),
        ),
        left_out(len(facts.alarms) - MOST_ROWS, "alarms"),
        element("h3", "How well the alarms served"),
        table(("figure", "value", "target"), _figures(told), numeric=(1,)),
        element(
            "p",
            "Targets after IEC 62682 and ISA-18.2, with their figures from secondary sources: to"
            " judge by, no claim of conformance."
            + (
                ""
                if told.is_long_enough
                else " Less than 30 days were observed, so none of the targets is judged yet."
            ),
            of="small",
        ),
    )


def _alarm(each: Alarm, style: Style) -> tuple[str, ...]:
    one = each.activation
    acknowledged = "nobody"
    if one.acknowledged_ns is not None:
        wait_s = (one.acknowledged_ns - one.raised_ns) / NANO
        acknowledged = f"after {span(wait_s)}" + (f" by {plain(each.who)}" if each.who else "")
    elif one.is_aside:
        acknowledged = "was put aside"
    return (
        style.time(one.raised_ns),
        f"{each.zone} {alarm(each.kind)}".strip(),
        one.priority.value,
        style.time(one.cleared_ns) if one.cleared_ns is not None else "still on",
        acknowledged,
        each.mark or "not marked",
        each.response or NONE,
    )


def _figures(told: Performance) -> list[tuple[str, str, str]]:
    """Figures of the alarms with their targets."""
    names = {
        "per_ten_minutes": "alarms in ten minutes, average",
        "peak_in_ten_minutes": "most alarms in ten minutes",
        "flood_share": "share of the time in flood",
        "stale": "standing longer than a day, at once",
    }
    rows = []
    for figure in told.figures:
        is_share = figure.name == "flood_share"
        value = percent(figure.value) if is_share else f"{figure.value:.3g}"
        target = percent(figure.target) if is_share else f"{figure.target:g}"
        sign = "below" if figure.name in {"flood_share", "stale"} else "at most"
        judged = (", met" if figure.is_met else ", not met") if told.is_long_enough else ""
        rows.append((names.get(figure.name, words(figure.name)), value, f"{sign} {target}{judged}"))
    priorities = ", ".join(f"{count} {priority.value}" for priority, count in told.priorities)
    marks = ", ".join(f"{count} {mark.value}" for mark, count in told.marks)
    rows += [
        ("shown to people", str(told.annunciated), f"by priority: {priorities}"),
        ("put aside all the time", str(told.aside), ""),
        ("chattering", str(len(told.chattering)), "0"),
        ("fleeting", str(told.fleeting), "0"),
        (
            "acknowledged",
            f"{told.acknowledged} of {told.annunciated}",
            f"median {span(told.median_s)}, longest {span(told.longest_s)}",
        ),
        ("marked by people", str(sum(count for _, count in told.marks)), marks),
    ]
    return rows


def people(facts: Facts, style: Style) -> Markup:
    """What people said and changed: entries, limits, checks, wipes."""
    return section(
        "People, limits and checks",
        element("h3", "Changes of limits"),
        _changes(facts, style),
        element("h3", "Reference checks"),
        _checks(facts, style),
        element("h3", "Wipes and purges"),
        _wipes(facts, style),
        element("h3", "Entries by people"),
        _entries(facts, style),
    )


def _changes(facts: Facts, style: Style) -> Markup:
    if not facts.changes:
        return element("p", "No limit and no other value of the configuration was changed.")
    rows = [
        (
            style.moment(each.at_ns),
            each.what,
            each.old,
            each.new,
            each.revision[:12],
            each.file or "not recorded",
        )
        for each in facts.changes[:MOST_ROWS]
    ]
    return joined(
        (
            table(("in force from", "what", "old", "new", "revision", "file"), rows, tight=(0,)),
            left_out(len(facts.changes) - MOST_ROWS, "changes"),
            element("p", "Names and units as in the configuration.", of="small"),
        )
    )


def _checks(facts: Facts, style: Style) -> Markup:
    last = facts.last_check_ns
    if not facts.checks:
        since = "never since the ledger began" if last is None else f"last at {style.moment(last)}"
        return element("p", f"No sensor was compared with a reference probe ({since}).")
    rows = [
        (
            style.time(each.at_ns),
            each.zone,
            style.temp(each.true_c),
            style.temp(each.read_c),
            style.difference(each.error_k),
            ("good" if each.is_good else "FAILED")
            + f", tolerance {style.difference(each.tolerance_k)}",
            each.who,
            each.why,
        )
        for each in facts.checks
    ]
    again = [f"{style.time(one.at.utc_ns)} {phrase(one, style)}" for one in facts.rejudged]
    return joined(
        (
            table(
                ("when", "zone", "reference", "zone read", "error", "result", "who", "why"),
                rows,
                numeric=(2, 3, 4),
            ),
            listed(again) if again else "",
        )
    )


def _wipes(facts: Facts, style: Style) -> Markup:
    if not facts.wipes:
        return element("p", "None.")
    items = [
        f"{style.time(event.at.utc_ns)} {phrase(event, style)}" for event in facts.wipes[:MOST_ROWS]
    ]
    return joined((listed(items), left_out(len(facts.wipes) - MOST_ROWS, "wipes")))


def _entries(facts: Facts, style: Style) -> Markup:
    if not facts.entries:
        return element("p", "None.")
    items = [
        f"{style.time(event.at.utc_ns)} {phrase(event, style)}"
        for event in facts.entries[:MOST_ROWS]
    ]
    return joined((listed(items), left_out(len(facts.entries) - MOST_ROWS, "entries")))
