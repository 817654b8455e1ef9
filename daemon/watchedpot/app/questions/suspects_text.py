"""The suspects in words: what a person needs first, then each range with its reasons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import tzinfo

from watchedpot.app.questions.gaps import total_s
from watchedpot.app.questions.lines import CAUTION, beside, counted, numbers, prose, shortened
from watchedpot.app.questions.ranges import Extremes, Range, number_ranges
from watchedpot.app.questions.settings import Settings
from watchedpot.app.questions.suspects import Answer
from watchedpot.app.questions.times import clock, local, local_span, offset
from watchedpot.core.doubts import evidence
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.core.units import NANO
from watchedpot.outputs.wording import duration, percent, plain, rule_words

WORST_FIRST = (Verdict.QUARANTINE, Verdict.UNKNOWN, Verdict.REVIEW, Verdict.NOTE, Verdict.CLEAR)

MOST_RANGES = 6
"""Ranges of numbers named in the first sentence. [1]"""

RECENT_S = 60.0
"""What is missing at the end of the record is told above this [s]: parts may have been made."""

MOST_TOLD = 100
"""Ranges told one by one, the most urgent ones. [1]"""

MOST_GAPS = 8
"""Gaps told one by one. [1]"""

_OF_TEMPERATURE = {
    PartRule.OUTSIDE_WINDOW,
    PartRule.OVER_CEILING,
    PartRule.TIP_SETTLING,
    PartRule.NEAR_EDGE,
    PartRule.BEFORE_READY,
    PartRule.SENSOR_DOUBT,
}
_OF_COVERAGE = {PartRule.BLIND, PartRule.LOST_READINGS}


def sentence(answer: Answer, tz: tzinfo | None = None) -> str:
    """The answer in one sentence.

    First how many and which, then how bad, what was decided, what can still be done.
    """
    suspects = answer.suspects
    if not suspects:
        return _none(answer, tz)
    count = sum(one.count for one in suspects)
    cells = {one.said.cell for one in suspects}
    named = [
        f"{'' if len(cells) == 1 else f'{cell} '}{numbers(first, last)}"
        for cell, first, last in number_ranges(suspects)
    ]
    of = f" of {next(iter(cells))}" if len(cells) == 1 else ""
    verdicts = [
        f"{number:,} {_verdict(verdict)}"
        for verdict in WORST_FIRST
        if (number := sum(one.count for one in suspects if one.said.verdict is verdict))
    ]
    settled = sum(one.count for one in suspects if one.is_settled)
    return "; ".join(
        part
        for part in (
            f"{counted(count, 'part')}{of} {'is' if count == 1 else 'are'} suspect:"
            f" {shortened(named, MOST_RANGES)}",
            ", ".join(verdicts),
            f"{settled:,} decided about" if settled else "",
            _still(answer, tz),
        )
        if part
    ) + _numberless(answer)


def _none(answer: Answer, tz: tzinfo | None) -> str:
    judged = sum(answer.counts.values())
    if answer.span_ns[0] == answer.span_ns[1]:
        return "Nothing was recorded in this span, so nothing is known of its parts"
    blind_s = total_s(answer.gaps, *answer.span_ns)
    watched = f"; {duration(blind_s)} of it not watched" if blind_s else ""
    made = f"of {counted(judged, 'part')}" if judged else "and none was counted"
    none = f"No part is suspect, {made}, {local_span(*answer.span_ns, tz)}{watched}"
    return f"{none}{_numberless(answer)}"


def _numberless(answer: Answer) -> str:
    """Parts that no range can name."""
    if not answer.uncounted:
        return ""
    return f"; {counted(answer.uncounted, 'part')} made without a number: treat as suspect"


def _still(answer: Answer, tz: tzinfo | None) -> str:
    """How many can still be reworked, and until when."""
    open_ranges = [one for one in answer.suspects if one.reworkable]
    ends = [one.in_time_ends_ns for one in open_ranges if one.in_time_ends_ns is not None]
    if ends:
        count = sum(one.reworkable for one in open_ranges)
        until = _when(min(ends), answer.question.asked_ns, tz)
        return f"{count:,} can still be reworked{', the first' if count > 1 else ''} until {until}"
    waiting = [one for one in answer.suspects if not one.is_settled]
    if any(one.ends_ns is None for one in waiting):
        return "how long parts can be reworked is not configured"
    return "none can be reworked any more" if waiting else ""


def _when(utc_ns: int, asked_ns: int, tz: tzinfo | None, *, form: str = "%H:%M") -> str:
    """Time of day, with the day where it is another."""
    at, asked = clock(utc_ns, tz), clock(asked_ns, tz)
    return at.strftime(form if at.date() == asked.date() else f"%Y-%m-%d {form}")


def _verdict(verdict: Verdict) -> str:
    return verdict.value.replace("_", " ")


def text(answer: Answer, tz: tzinfo | None = None) -> str:
    """The whole answer as it is printed."""
    asked_ns = answer.question.asked_ns
    asked = clock(asked_ns, tz)
    sections: list[list[str]] = [prose(f"{sentence(answer, tz)}.")]
    sections += [_range_lines(one, answer, tz) for one in answer.ranges[:MOST_TOLD]]
    if len(answer.ranges) > MOST_TOLD:
        more = counted(len(answer.ranges) - MOST_TOLD, "more range", "more ranges")
        sections.append(prose(f"And {more}; --csv and --json have them all."))
    judged = sum(answer.counts.values())
    counts = ", ".join(
        f"{answer.counts.get(verdict, 0):,} {_verdict(verdict)}" for verdict in WORST_FIRST
    )
    facts = [
        *beside(
            "Judged", f"{counted(judged, 'part')}, {local_span(*answer.span_ns, tz)}", column=12
        ),
        *beside("Verdicts", f"{counts} (newest judgement)", column=12),
        *beside("Not seen", _unseen(answer, tz), column=12),
        *beside("Counter", _counting(answer, tz), column=12),
    ]
    for material, (time_s, caution) in answer.rework.items():
        within = f"within {duration(time_s)} of dispensing" if time_s is not None else ""
        said = ": ".join(part for part in (within, plain(caution)) if part)
        facts += beside("Rework", f"{material}, {said}", column=12)
    times = f"Times are local, {offset(asked)}; rework as of {local(asked_ns, tz)}."
    until_ns = min(answer.question.until_ns or asked_ns, asked_ns)
    ends_ns = answer.record_ends_ns
    if ends_ns is not None and (until_ns - ends_ns) / NANO > RECENT_S:
        times += f" The record ends at {local(ends_ns, tz)}: what came after is not known."
    sections += [facts, [*prose(times), *prose(CAUTION)]]
    return "\n\n".join("\n".join(lines) for lines in sections if lines)


def _unseen(answer: Answer, tz: tzinfo | None) -> str:
    if not answer.gaps:
        return "no gap in the record"
    until_ns = answer.span_ns[1]
    told = [gap.words(until_ns, tz) for gap in answer.gaps[:MOST_GAPS]]
    rest = len(answer.gaps) - len(told)
    total = duration(total_s(answer.gaps, *answer.span_ns))
    more = f"; and {counted(rest, 'gap')} more, see history" if rest else ""
    return f"{counted(len(answer.gaps), 'gap')}, {total} in all: {'; '.join(told)}{more}"


def _counting(answer: Answer, tz: tzinfo | None) -> str:
    if not answer.jumps:
        return "no reset, rollover or jump of the part counter; every count has its part"
    told = [
        f"{event.cell} {event.detail('what')} from {event.detail('before')} to"
        f" {event.detail('after')} at {local(event.at.utc_ns, tz)}"
        for event in answer.jumps
    ]
    return shortened(told, MOST_GAPS) + (_numberless(answer) or "; no part without a number")


def _range_lines(one: Range, answer: Answer, tz: tzinfo | None) -> list[str]:
    """One range for people."""
    said = one.said
    again = f", counter begun anew {said.epoch} x" if said.epoch else ""
    lines = beside(
        _verdict(said.verdict).upper(),
        f"{said.cell} {numbers(one.first, one.last)}, {counted(one.count, 'part')}{again}",
        column=12,
    )
    told = [
        ("rework", _rework(one, answer.question.asked_ns, tz) if said.verdict.is_suspect else ""),
        ("made", local_span(one.begun_ns, one.made_ns, tz)),
        ("charge", _charge(one)),
        *(("because", words) for words in reasons(one, answer.settings)),
        ("again", _again(one)),
        ("decided", _decided(one, tz)),
    ]
    for label, words in told:
        if words:
            lines += beside(label, words, column=12, indent=2)
    return lines


def _rework(one: Range, asked_ns: int, tz: tzinfo | None) -> str:
    if one.is_settled:
        return ""
    if one.in_time_ends_ns is not None:
        until = _when(one.in_time_ends_ns, asked_ns, tz, form="%H:%M:%S")
        left = duration((one.in_time_ends_ns - asked_ns) / NANO)
        which = "" if one.count == 1 else f"{one.in_time:,} of {one.count:,}, the first "
        return f"{which}until {until}, {left} left"
    if one.ends_ns is None:
        return "how long is not configured"
    return f"no longer, since {local(one.ends_ns, tz)}"


def _charge(one: Range) -> str:
    named = one.said.charge_id or "not known"
    if one.age_s.high is None:
        return f"{named}, age not known"
    low, high = duration(one.age_s.low or 0.0), duration(one.age_s.high)
    aged = high if low == high else f"{low} to {high}"
    used = one.life_used.high
    life = f", {percent(used)} of its pot life" if used is not None else ""
    return f"{named}, aged {aged}{life}"


def _again(one: Range) -> str:
    if one.said.earlier is None and not one.said.because:
        return ""
    was = f", was {_verdict(one.said.earlier)}" if one.said.earlier is not None else ""
    why = f" ({plain(one.said.because)})" if one.said.because else ""
    return f"judged again{why}{was}"


def _decided(one: Range, tz: tzinfo | None) -> str:
    decided = one.said.decided
    if decided is None:
        return ""
    why = f": {plain(decided.why)}" if decided.why else ""
    return f"{decided.word} by {plain(decided.who)}, {local(decided.at.utc_ns, tz)}{why}"


def reasons(one: Range, settings: Settings) -> list[str]:
    """Each rule in words with its figures, the worst first."""
    return [
        rule_words(rule.value, zone) + _figures(rule, zone, one, settings)
        for rule, zone in one.said.rules
    ]


def _figures(rule: PartRule, zone: str, one: Range, settings: Settings) -> str:
    """The figures that a rule was about."""
    met = one.zones.get(zone)
    limits = settings.zone(one.run, one.said.cell, zone)
    if rule in _OF_TEMPERATURE and met is not None:
        return _listed([_temps(met.temp_c), _limit(rule, limits), _tip(one, limits)])
    if rule in _OF_COVERAGE and met is not None:
        return f": {percent(met.coverage)} of it seen"
    if rule is PartRule.SPENT_CHARGE and one.life_used.high is not None:
        return f": {percent(one.life_used.high)} used"
    if rule is PartRule.OPEN_TIME and one.joined_s.high is not None:
        return f": {duration(one.joined_s.high)} after dispensing began"
    if rule is PartRule.AFTER_IDLE:
        pause_s = settings.cell(one.run, one.said.cell).get("purge_after_idle_s")
        return f": longer than {duration(pause_s)}" if isinstance(pause_s, float) else ""
    found = plain(evidence(one.said.findings, rule))
    return f": {found}" if found else ""


def _limit(rule: PartRule, limits: Mapping[str, object]) -> str:
    low, high = limits.get("low_c"), limits.get("high_c")
    if rule is PartRule.OVER_CEILING:
        material = limits.get("material")
        ceiling = material.get("ceiling_c") if isinstance(material, dict) else None
        return f"limit {ceiling:.1f}" if isinstance(ceiling, float) else ""
    if isinstance(low, float) and isinstance(high, float):
        return f"window {low:.1f} to {high:.1f}"
    return ""


def _tip(one: Range, limits: Mapping[str, object]) -> str:
    """The tip of a nozzle that has one."""
    tip, temps = limits.get("tip"), _temps(one.tip_c)
    if not isinstance(tip, dict) or not temps:
        return ""
    low_c = tip.get("low_c")
    return f"tip {temps}" + (f", at least {low_c:.1f}" if isinstance(low_c, float) else "")


def _temps(temp_c: Extremes) -> str:
    if temp_c.low is None or temp_c.high is None:
        return ""
    low, high = f"{temp_c.low:.1f}", f"{temp_c.high:.1f}"
    return f"{low} degC" if low == high else f"{low} to {high} degC"


def _listed(parts: Iterable[str]) -> str:
    told = ", ".join(part for part in parts if part)
    return f": {told}" if told else ""
