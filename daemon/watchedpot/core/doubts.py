"""Doubts: what a finding says against the parts that are made while it lasts.

Theory of operation
-------------------
A reading is the temperature of a sensor. While a finding says that a zone is not as it reads, no
figure in its window clears a part. Four things can be so:

- the reading tells nothing of the zone: fallen out, standing still, of another unit or zone. That
  is as if nobody had seen it, and its parts are unknown;
- the sensor has slipped and reads some kelvin low: its parts wait for a reference check, with
  which the doubt ends, whatever the check says (one that failed speaks for itself);
- the heat fails or runs on, and the reading tells it: the window decides, and parts inside it get
  a note;
- a draft takes heat from a nozzle. The block is held, the tip outside of the loop is not. What
  the block loses beyond the usual its tip loses in proportion, so it is further from its block:
  offset x (1 + extra loss), and so is what is not certain of it. The offset is that without flow:
  a part begins with melt that has stood in the tip. Parts whose tip may have been below its limit
  by that are reviewed; where no tip is known nothing is said.

What a tank or a hose was speaks when its melt arrives. Its doubts lie on the melt that leaves
while they last, and on what may have left since the onset: no more than if it had flowed all the
time. So they also reach parts that are made after the finding is over.

A doubt begins with the onset of its finding, which is before it was told: parts that were judged
by then are judged again, the newest ``LOOKED_BACK`` of them. It ends with its finding. A note
asks nobody for anything and doubts nothing, but for a draft, which never is more than one.

Decided against: that an end of the finding clears a part (a verdict never becomes better by
itself), and review of every part in a draft (with a mild one the tip stays warm enough).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from watchedpot.core.findings import STICKY, Finding, words
from watchedpot.core.model import Event
from watchedpot.core.parts import FIRST_SHARE, PartPlan, judged_again, rules_of
from watchedpot.core.rules import PartRule
from watchedpot.core.snapshot import Cause, Severity

LATER = "found later"
"""Why a part was judged again."""

RULES: Mapping[Cause, PartRule] = {
    **dict.fromkeys(
        (
            Cause.SENSOR_LOW,
            Cause.FROZEN_AT_CONTROLLER,
            Cause.FROZEN_IN_DATA,
            Cause.SCALE_OR_UNIT,
            Cause.ZONES_CROSSED,
        ),
        PartRule.UNTRUE_READING,
    ),
    Cause.SENSOR_SLIPPED: PartRule.SLIPPED_SENSOR,
    **dict.fromkeys((Cause.NO_HEAT, Cause.ALL_HEAT_LOST, Cause.STUCK_ON), PartRule.HEAT_AT_FAULT),
    Cause.DRAFT: PartRule.TIP_IN_DRAFT,
}
"""What a cause says against parts; the others say nothing that the readings do not."""

_BY_NAME = {cause.value: cause for cause in RULES}


class Doubt(NamedTuple):
    """What one finding says against parts.

    Attributes
    ----------
    finding
        Its id.
    onset_ns
        Parts that ended from then on are meant. [ns]
    extra_percent
        Of a draft: heat lost beyond the usual, as a share of that. [%]
    """

    finding: str
    cause: Cause
    rule: PartRule
    zones: tuple[str, ...]
    onset_ns: int
    extra_percent: int = 0


class Turn(NamedTuple):
    """The doubts from a row of a block on, counted from 0."""

    row: int
    doubts: tuple[Doubt, ...]


def doubts_of(findings: Sequence[Finding], cell: str) -> tuple[Doubt, ...]:
    """What the open findings of a cell say against its parts."""
    return tuple(
        Doubt(
            f"{cell}/{finding.number}",
            finding.cause,
            RULES[finding.cause],
            finding.zones,
            finding.onset.mono_ns,
            finding.extra_percent,
        )
        for finding in findings
        if finding.cause in RULES and _counts(finding)
    )


def _counts(finding: Finding) -> bool:
    """Whether a finding is more than a note, and no check has settled it."""
    if finding.cause is Cause.DRAFT:
        return True
    if finding.cause in STICKY and finding.is_confirmed:
        return False
    return finding.severity is not Severity.NOTE


def begun(before: Sequence[Doubt], after: Sequence[Doubt]) -> list[Doubt]:
    """Doubts that were not there before, or were about less: fewer zones, a later onset."""
    known = {_scope(doubt) for doubt in before}
    return [doubt for doubt in after if _scope(doubt) not in known]


def _scope(doubt: Doubt) -> tuple[str, PartRule, frozenset[str], int]:
    """What a doubt is about, whatever its figures are by now."""
    return doubt.finding, doubt.rule, frozenset(doubt.zones), doubt.onset_ns


def doubted(event: Event, doubts: Sequence[Doubt], because: str, plan: PartPlan) -> Event | None:
    """A judged part with what findings say against it; None where that changes nothing.

    Parameters
    ----------
    event : Event
        The part as it is judged.
    doubts : sequence of Doubt
        Those that may be about it.
    because : str
        Why it is judged again; empty where it is judged for the first time.
    plan : PartPlan
        The cell's.

    Returns
    -------
    Event or None
        With the findings and their causes in its detail ``findings``.
    """
    known = rules_of(str(event.detail("rules") or ""))
    spoken = [
        (doubt, (doubt.rule, zone))
        for doubt in doubts
        if doubt.rule in plan.verdicts
        for zone in _zones(event, doubt, plan, is_first=not because)
    ]
    # Of melt that is followed a first judgement knows already, though not by which finding.
    new = [(doubt, pair) for doubt, pair in spoken if pair not in known]
    named = [f"{doubt.finding} {doubt.cause.value}" for doubt, _ in (new if because else spoken)]
    if not named:
        return None
    earlier = [str(told)] if (told := event.detail("findings")) else []
    evidence = ", ".join(dict.fromkeys([*earlier, *named]))
    pairs = list(dict.fromkeys(pair for _, pair in new))
    if not pairs:
        return replace(event, details=(*event.details, ("findings", evidence)))
    return judged_again(event, pairs, because, plan, findings=evidence)


def evidence(text: str, rule: PartRule) -> str:
    """The findings behind a rule, in words, from the detail ``findings`` of a part.

    A cause that is not known here, of another version, is passed over.

    Examples
    --------
    >>> evidence("lens_4/3 sensor_slipped, lens_4/4 no_heat", PartRule.SLIPPED_SENSOR)
    'finding lens_4/3, sensor slipped'
    """
    pairs = (one.partition(" ") for one in text.split(", ") if one)
    told = [
        f"finding {finding}, {words(_BY_NAME[cause])}"
        for finding, _, cause in pairs
        if cause in _BY_NAME and RULES[_BY_NAME[cause]] is rule
    ]
    return "; ".join(told)


def _zones(event: Event, doubt: Doubt, plan: PartPlan, *, is_first: bool) -> Iterator[str]:
    """The zones in which a doubt speaks against a part.

    Where melt is followed the marks on it have decided at the first judgement; of a part that was
    judged before they lay on it, it counts whether the melt can have arrived by then.
    """
    known = rules_of(str(event.detail("rules") or ""))
    for place, zone in enumerate(plan.zones):
        if zone not in doubt.zones:
            continue
        way = plan.transits[place] if plan.is_followed(place) else None
        if way is not None and is_first:
            is_meant = (doubt.rule, zone) in known
        else:
            below_ns = 0 if way is None else round(1000 * FIRST_SHARE * way.below_us)
            is_meant = event.at.mono_ns >= doubt.onset_ns + below_ns
        if doubt.rule is PartRule.TIP_IN_DRAFT:
            is_meant = is_meant and _is_tip_cold(event, place, doubt, plan)
        if is_meant:
            yield zone


def followed_places(doubt: Doubt, plan: PartPlan) -> tuple[int, ...]:
    """Places of the zones of a doubt that lies on melt on its way."""
    if doubt.rule not in plan.verdicts or doubt.rule is PartRule.TIP_IN_DRAFT:
        return ()
    return tuple(
        place
        for place, zone in enumerate(plan.zones)
        if zone in doubt.zones and plan.is_followed(place)
    )


def _is_tip_cold(event: Event, place: int, doubt: Doubt, plan: PartPlan) -> bool:
    """Whether the tip of a part's nozzle may have been below its limit in a draft.

    The share of the way to the room by which a short fin is colder grows in proportion to its
    loss; with much of it it grows less, so the estimate is on the cold, safe side.
    """
    tips = [nth for nth, limits in enumerate(plan.limits) if limits.has_tip]
    if not tips or place != tips[-1]:
        return False
    wall_c, limits = event.detail(f"{plan.zones[place]}_min_c"), plan.limits[place]
    if not isinstance(wall_c, float):
        return False  # it was not seen
    below_mk = (100 + doubt.extra_percent) * (limits.tip_still_mk + limits.tip_spread_mk) // 100
    return round(1000.0 * wall_c) - below_mk < limits.tip_mk
