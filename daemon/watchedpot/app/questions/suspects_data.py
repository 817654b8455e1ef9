"""The suspects for programs.

Keys of the JSON; times are UTC in ISO 8601, figures in base units, null is not known:

``asked_at``, ``since``, ``until``, ``cell``, ``charge``
    What was asked, and when; time for rework is judged at ``asked_at``.
``sentence``, ``caution``
    As they are printed first and last.
``judged``, ``verdicts``
    Number of parts, and of each verdict, by the newest judgement.
``suspect``, ``settled``, ``reworkable``, ``reworkable_until``
    Number of suspect parts, of those decided about, of those undecided that can still be
    reworked, and until when the first of these can.
``ranges``
    A list, most urgent first. Each has ``cell``, ``epoch``, ``first``, ``last``, ``count``,
    ``part_id_first``, ``part_id_last``, ``verdict``, ``rules`` (a list of ``rule``, ``zone``,
    ``words``), ``begun``, ``made``, ``charge``, ``age_min_s``, ``age_max_s``, ``life_used_max``,
    ``joined_max_s``, ``coverage_min``, ``tip_min_c``, ``tip_max_c``, ``zones`` (by name:
    ``min_c``, ``max_c``, ``coverage_min``), ``rework_in_time`` (parts), ``rework_first_ends``,
    ``rework_last_ends``, ``disposition`` (null, or ``word``, ``at``, ``who``, ``why``),
    ``earlier_verdict``, ``judged_again_because``, ``configuration``.
``gaps``, ``not_watched_s``
    Of the record: ``kind``, ``of``, ``from``, ``to``, ``duration_s``; and their length without
    overlaps.
``counter_jumps``, ``uncounted``
    Moves of the part counter (``at``, ``cell``, ``what``, ``before``, ``after``, ``uncounted``),
    and parts that were certainly made and have no number.
``rework``
    By material: ``time_s`` and ``caution``.

The CSV has a row for each range, with the same names; nested ones are joined by ``_``, and
``words`` stands beside ``rules``.
"""

from __future__ import annotations

from datetime import tzinfo

from watchedpot.app.questions.gaps import total_s
from watchedpot.app.questions.lines import CAUTION
from watchedpot.app.questions.ranges import Range
from watchedpot.app.questions.settings import Settings
from watchedpot.app.questions.suspects import Answer
from watchedpot.app.questions.suspects_text import reasons, sentence
from watchedpot.app.questions.times import iso, iso_or_none
from watchedpot.core.rules import Verdict

COLUMNS = (
    *("cell", "epoch", "first", "last", "count", "part_id_first", "part_id_last", "verdict"),
    *("rules", "words", "begun", "made", "charge", "age_min_s", "age_max_s", "life_used_max"),
    *("joined_max_s", "coverage_min", "tip_min_c", "tip_max_c", "rework_in_time"),
    *("rework_first_ends", "rework_last_ends", "disposition_word", "disposition_at"),
    *("disposition_who", "disposition_why", "earlier_verdict", "judged_again_because"),
    "configuration",
)
"""Of the CSV; three of each zone come after them."""


def as_json(answer: Answer, tz: tzinfo | None = None) -> dict[str, object]:
    """The answer for programs."""
    question, suspects = answer.question, answer.suspects
    ends = [
        one.in_time_ends_ns
        for one in suspects
        if one.reworkable and one.in_time_ends_ns is not None
    ]
    return {
        "asked_at": iso(question.asked_ns),
        "since": iso(answer.span_ns[0]),
        "until": iso(answer.span_ns[1]),
        "cell": question.cell,
        "charge": question.charge,
        "sentence": sentence(answer, tz),
        "judged": sum(answer.counts.values()),
        "verdicts": {verdict.value: answer.counts.get(verdict, 0) for verdict in Verdict},
        "suspect": sum(one.count for one in suspects),
        "settled": sum(one.count for one in suspects if one.is_settled),
        "reworkable": sum(one.reworkable for one in suspects),
        "reworkable_until": iso_or_none(min(ends, default=None)),
        "ranges": [_plain(one, answer.settings) for one in answer.ranges],
        "gaps": [gap.plain(answer.span_ns[1]) for gap in answer.gaps],
        "not_watched_s": total_s(answer.gaps, *answer.span_ns),
        "counter_jumps": [
            {
                "at": iso(event.at.utc_ns),
                "cell": event.cell,
                **{name: event.detail(name) for name in ("what", "before", "after", "uncounted")},
            }
            for event in answer.jumps
        ],
        "uncounted": answer.uncounted,
        "rework": {
            material: {"time_s": time_s, "caution": caution}
            for material, (time_s, caution) in answer.rework.items()
        },
        "caution": CAUTION,
    }


def _plain(one: Range, settings: Settings) -> dict[str, object]:
    said, decided = one.said, one.said.decided
    return {
        "cell": said.cell,
        "epoch": said.epoch,
        "first": one.first,
        "last": one.last,
        "count": one.count,
        "part_id_first": one.part_ids.low,
        "part_id_last": one.part_ids.high,
        "verdict": said.verdict.value,
        "rules": [
            {"rule": rule.value, "zone": zone, "words": words}
            for (rule, zone), words in zip(said.rules, reasons(one, settings), strict=True)
        ],
        "begun": iso(one.begun_ns),
        "made": iso(one.made_ns),
        "charge": said.charge_id,
        "age_min_s": one.age_s.low,
        "age_max_s": one.age_s.high,
        "life_used_max": one.life_used.high,
        "joined_max_s": one.joined_s.high,
        "coverage_min": one.coverage,
        "tip_min_c": one.tip_c.low,
        "tip_max_c": one.tip_c.high,
        "zones": {
            name: {
                "min_c": zone.temp_c.low,
                "max_c": zone.temp_c.high,
                "coverage_min": zone.coverage,
            }
            for name, zone in one.zones.items()
        },
        "rework_in_time": one.in_time,
        "rework_first_ends": iso_or_none(one.in_time_ends_ns),
        "rework_last_ends": iso_or_none(one.ends_ns),
        "disposition": None
        if decided is None
        else {
            "word": decided.word,
            "at": iso(decided.at.utc_ns),
            "who": decided.who,
            "why": decided.why,
        },
        "earlier_verdict": None if said.earlier is None else said.earlier.value,
        "judged_again_because": said.because or None,
        "configuration": said.revision,
    }


def as_table(answer: Answer) -> tuple[list[str], list[list[object]]]:
    """Names of the columns and one row for each range."""
    zones = dict.fromkeys(zone for one in answer.ranges for zone in one.zones)
    figures = ("min_c", "max_c", "coverage_min")
    names = [*COLUMNS, *(f"{zone}_{figure}" for zone in zones for figure in figures)]
    rows = []
    for one in answer.ranges:
        told = _plain(one, answer.settings)
        for group in ("disposition", "zones"):
            told |= _flat(told.pop(group), f"{group}_" if group == "disposition" else "")
        told["rules"] = ",".join(
            f"{rule.value}:{zone}" if zone else rule.value for rule, zone in one.said.rules
        )
        told["words"] = "; ".join(reasons(one, answer.settings))
        rows.append([told.get(name) for name in names])
    return names, rows


def _flat(value: object, prefix: str) -> dict[str, object]:
    """Nested tables as one, their names joined."""
    found: dict[str, object] = {}
    for name, item in value.items() if isinstance(value, dict) else ():
        if isinstance(item, dict):
            found |= _flat(item, f"{prefix}{name}_")
        else:
            found[f"{prefix}{name}"] = item
    return found
