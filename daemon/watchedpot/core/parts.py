"""Parts: what each one met while it was dispensed, and what follows from that.

Theory of operation
-------------------
Time is cut into steps between rows. A step in which melt flowed, or may have flowed, lays marks
on the part under way: which rules speak against it, and in which zone. When the part is counted
its marks decide the verdict, the worst that one of its rules concludes. Marks lie on whole
steps, so the range of suspects begins with the last good reading inside the limits and ends with
the first one: when in between the limit was passed is not needed, nor when an alarm told of it.

A verdict never becomes better by itself. What shows only later, that readings were lost just
after a part or that it was joined too late, judges the part again: another event of the same
numbers, which says why; the first one stays.

Melt on its way
---------------
What a tank was does not show in the part of that moment but when its melt has passed hose and
nozzle. The melt is followed in slugs, equal shares of dispensing time, each with what the zones
were while it left. In laminar flow the first of a slug arrives after half of the mean residence
time, and after three of them 97 % of it has passed (E(t) = t_mean^2 / 2 t^3 from t_mean / 2 on;
Levenspiel, Chemical Reaction Engineering, from memory): marks reach over that span, figures are
those of the mean. Overheated melt stays so while it stands; all other marks it meets flowing.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from watchedpot.core.counting import Count, Counter
from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.rules import (
    VERDICTS,
    CellRules,
    PartRule,
    PartRules,
    Verdict,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.units import ns
from watchedpot.core.zone import hold_up_of, tip_plan, usual_c

ZONE_RULES = (
    PartRule.OUTSIDE_WINDOW,
    PartRule.OVER_CEILING,
    PartRule.TIP_SETTLING,
    PartRule.NEAR_EDGE,
    PartRule.BEFORE_READY,
    PartRule.BLIND,
    PartRule.LOST_READINGS,
    PartRule.SENSOR_DOUBT,
    PartRule.BEFORE_LOSS,
    PartRule.UNTRUE_READING,
    PartRule.SLIPPED_SENSOR,
    PartRule.HEAT_AT_FAULT,
    PartRule.TIP_IN_DRAFT,
)
CELL_RULES = (
    PartRule.SPENT_CHARGE,
    PartRule.OVERHEATED_CHARGE,
    PartRule.UNKNOWN_AGE,
    PartRule.DOUBTED_CHARGE,
    PartRule.UNFIT_CHARGE,
    PartRule.AFTER_IDLE,
    PartRule.UNCOUNTED,
    PartRule.OPEN_TIME,
)
BIT = {rule: 1 << n for rules in (ZONE_RULES, CELL_RULES) for n, rule in enumerate(rules)}
"""The mark of each rule; those of zones and of the cell are kept apart."""

MICRO = 1_000_000
"""Microseconds in a second; sums of temperatures over time keep within 64 bits with them."""

SLUGS = 8
"""Slugs of the melt between reservoir and tip [1]: arrivals are known to an eighth of it."""

SLOW_BLIND_US = 300 * MICRO
"""Longest time unseen that melt on its way bears, and no more than half of its own: tanks and hoses
are large and slow to change, and their alarms wait as long; common practice, no source. [us]"""

FIRST_SHARE, LAST_SHARE = 0.5, 3.0
"""When melt begins to arrive and has arrived, as shares of the mean residence time [1]."""

UNJOINED = 32
"""Parts that may wait to be joined [1]; beyond it the oldest counts as never joined."""

NONE_MK = 2**62
"""Stands for a lowest temperature of nothing, and negative for a highest. [mK]"""


@dataclass(frozen=True, slots=True)
class Tally:
    """What a zone was over some steps.

    Attributes
    ----------
    marks
        Of zone rules.
    low_mk, high_mk, tip_low_mk, tip_high_mk
        Lowest and highest of the zone, and of the tip. [mK above 0 degC]
    sum_mk_us
        Integral of the temperature over the seen time. [mK us]
    seen_us, blind_us
        Time seen and not seen. [us]
    """

    marks: int = 0
    low_mk: int = NONE_MK
    high_mk: int = -NONE_MK
    tip_low_mk: int = NONE_MK
    tip_high_mk: int = -NONE_MK
    sum_mk_us: int = 0
    seen_us: int = 0
    blind_us: int = 0

    def __add__(self, other: Tally) -> Tally:
        return Tally(
            self.marks | other.marks,
            min(self.low_mk, other.low_mk),
            max(self.high_mk, other.high_mk),
            min(self.tip_low_mk, other.tip_low_mk),
            max(self.tip_high_mk, other.tip_high_mk),
            self.sum_mk_us + other.sum_mk_us,
            self.seen_us + other.seen_us,
            self.blind_us + other.blind_us,
        )


@dataclass(frozen=True, slots=True)
class Slug:
    """Melt that left together: its place in the row of slugs, and what each zone was then."""

    place: int
    zones: tuple[Tally, ...]


@dataclass(frozen=True, slots=True)
class OpenPart:
    """The part under way, since the count before.

    Attributes
    ----------
    since
        The count before, or the first row; None before that.
    zones
        Over the steps in which melt may have flowed.
    standing
        Marks of each zone over all steps: they count where no flow was seen at all.
    marks
        Of cell rules.
    begun
        The first row that showed melt flowing, or did not show that it stood.
    flowed_us, flowed_before_us
        Dispensing time of this part, and of the cell until it began. [us]
    part_id
        The newest that was named.
    """

    since: Instant | None = None
    zones: tuple[Tally, ...] = ()
    standing: tuple[int, ...] = ()
    marks: int = 0
    begun: Instant | None = None
    flowed_us: int = 0
    flowed_before_us: int = 0
    part_id: int | None = None


@dataclass(frozen=True, slots=True)
class Parts:
    """All that a cell carries for its parts from block to block.

    Attributes
    ----------
    zones
        Names of the zones, in the order of all that is kept of them.
    flow
        Whether melt flowed at the newest row: 1 it did, 0 not, -1 not known.
    flowed_us
        Dispensing time since the account began. [us]
    slugs
        Melt on its way, oldest first.
    recent, unjoined
        The newest judgements, and how many parts of them wait to be joined. [1]
    joined
        Newest reading of the counter of joined parts.
    blind_us
        How long each zone has not been seen. [us]
    chilled_ns
        When a nozzle was last cold or being wiped; None if it never was. [ns]
    judged
        Parts by their first verdict, in the order of ``Verdict``. [1]
    """

    zones: tuple[str, ...] = ()
    counter: Counter = field(default_factory=Counter)
    under_way: OpenPart = field(default_factory=OpenPart)
    flow: int = 0
    flowed_us: int = 0
    slugs: tuple[Slug, ...] = ()
    recent: tuple[Event, ...] = ()
    unjoined: int = 0
    joined: int | None = None
    blind_us: tuple[int, ...] = ()
    chilled_ns: int | None = None
    judged: tuple[int, ...] = (0,) * len(Verdict)


@dataclass(frozen=True, slots=True)
class Transit:
    """How melt of a zone comes to the tip, in dispensing time.

    Attributes
    ----------
    own_us, below_us
        Held by the zone itself, and by those behind it. [us]
    """

    own_us: int
    below_us: int

    def mean(self, from_us: int, to_us: int) -> tuple[int, int]:
        """When the melt dispensed in a span was in the zone, on average. [us]."""
        return from_us - self.below_us - self.own_us, to_us - self.below_us

    def reach(self, from_us: int, to_us: int) -> tuple[int, int]:
        """When the melt dispensed in a span can have been in the zone. [us]."""
        return (
            from_us - round(LAST_SHARE * (self.below_us + self.own_us)),
            to_us - round(FIRST_SHARE * self.below_us),
        )


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the temperature of a zone speaks against a part: beyond these numbers. [mK].

    Attributes
    ----------
    low_mk, high_mk, ceiling_mk
        The edges of its window and its material's ceiling, each with the guard towards the good.
    near_low_mk, near_high_mk
        Where it counts as near an edge.
    has_tip, tip_mk, near_tip_mk
        The same for the lowest temperature of a tip, where one is known.
    tip_still_mk, tip_spread_mk
        How far a tip without flow is below its usual block in still air, and how far that may be
        off either way. [mK]
    """

    low_mk: int
    high_mk: int
    ceiling_mk: int
    near_low_mk: int
    near_high_mk: int
    has_tip: bool
    tip_mk: int = 0
    near_tip_mk: int = 0
    tip_still_mk: int = 0
    tip_spread_mk: int = 0


def limits_of(zone: ZoneRules, judging: PartRules) -> Limits:
    """The limits of one zone."""
    guard_mk = round(1000.0 * judging.guard_k)
    near_mk = guard_mk + round(1000.0 * judging.near_k)
    low_mk, high_mk = round(1000.0 * zone.low_c), round(1000.0 * zone.high_c)
    tip_mk = 0 if zone.tip is None else round(1000.0 * zone.tip.low_c)
    return Limits(
        low_mk=low_mk + guard_mk,
        high_mk=high_mk - guard_mk,
        ceiling_mk=round(1000.0 * zone.material.ceiling_c) - guard_mk,
        near_low_mk=low_mk + near_mk,
        near_high_mk=high_mk - near_mk,
        has_tip=zone.tip is not None,
        tip_mk=tip_mk + guard_mk,
        near_tip_mk=tip_mk + near_mk,
    )


def _with_still_tip(limits: Limits, cell: CellRules, zone: ZoneRules) -> Limits:
    """The limits of a zone with what its tip is like while no melt flows."""
    told = tip_plan(cell, zone)
    if told is None:
        return limits
    above_k = usual_c(zone) - cell.ambient_c
    spread_k = told.offset_uncertainty_k + told.still_uncertainty * above_k
    return replace(
        limits,
        tip_still_mk=round(1000.0 * (told.offset_k + told.still_share * above_k)),
        tip_spread_mk=round(1000.0 * spread_k),
    )


@dataclass(frozen=True, slots=True)
class PartPlan:
    """What a cell's rules come to for its parts, computed once.

    Attributes
    ----------
    verdicts
        What each rule concludes; rules turned off are missing.
    transits
        Of each zone, None where its state at the moment counts.
    slug_us
        Length of a slug, 0 where melt is not followed. [us]
    followed
        Zones behind the reservoir whose melt is followed: what it met speaks against the parts
        that get it, and not against the charge.
    has_doubts
        Whether findings may speak against parts that were judged before they were told.
    """

    cell: str
    verdicts: dict[PartRule, Verdict]
    zones: tuple[str, ...]
    limits: tuple[Limits, ...]
    is_nozzle: tuple[bool, ...]
    transits: tuple[Transit | None, ...]
    slug_us: int
    followed: frozenset[str]
    shortest_ns: int
    settle_ns: int
    blind_us: int
    before_loss: int
    has_doubts: bool
    pot_life_s: float | None
    open_time_s: float | None
    rework_ns: int | None

    def is_followed(self, place: int) -> bool:
        """Whether what a zone was speaks when its melt arrives, and not at its moment."""
        return self.transits[place] is not None and not self.is_nozzle[place]


def plan_parts(rules: CellRules) -> PartPlan:
    """The plan of one cell's parts."""
    judging, reservoir = rules.judging, rules.reservoir
    told = VERDICTS | dict(judging.verdicts)
    material = None if reservoir is None else reservoir.material
    ageing = None if material is None else material.ageing
    transits = _transits(rules)
    longest_us = max((way.own_us + way.below_us for way in transits if way is not None), default=0)
    rework_s = None if material is None else material.rework_s
    return PartPlan(
        cell=rules.id,
        verdicts={rule: verdict for rule, verdict in told.items() if verdict is not Verdict.CLEAR},
        zones=tuple(zone.id for zone in rules.zones),
        limits=tuple(_with_still_tip(limits_of(z, judging), rules, z) for z in rules.zones),
        is_nozzle=tuple(zone.kind is ZoneKind.NOZZLE for zone in rules.zones),
        transits=transits,
        slug_us=-(-longest_us // SLUGS),
        followed=frozenset(
            zone.id
            for zone, way in zip(rules.zones, transits, strict=True)
            if way is not None and not zone.is_reservoir
        ),
        shortest_ns=max(1, ns(judging.shortest_cycle_s)),
        settle_ns=ns(judging.tip_settle_s),
        blind_us=round(judging.blind_s * MICRO),
        before_loss=judging.before_loss,
        has_doubts=rules.finds_causes,
        pot_life_s=None if ageing is None else ageing.pot_life_s,
        open_time_s=None if material is None else material.open_time_s,
        rework_ns=None if rework_s is None else ns(rework_s),
    )


def _transits(rules: CellRules) -> tuple[Transit | None, ...]:
    """How the melt of each zone comes to the tip, as far as hold-ups and flow are known."""
    flow_kg_per_s = rules.charge.flow_kg_per_s
    if flow_kg_per_s is None:
        return (None,) * len(rules.zones)
    held_us = [round((hold_up_of(zone) or 0.0) / flow_kg_per_s * MICRO) for zone in rules.zones]
    ways: list[Transit | None] = []
    for place, zone in enumerate(rules.zones):
        way = Transit(0 if zone.is_reservoir else held_us[place], sum(held_us[place + 1 :]))
        ways.append(way if way.own_us + way.below_us > 0 else None)
    return tuple(ways)


def adopted_parts(parts: Parts, plan: PartPlan) -> Parts:
    """The parts under another configuration; other zones begin with nothing seen of them."""
    if parts.zones == plan.zones:
        return parts
    return replace(
        parts,
        zones=plan.zones,
        under_way=OpenPart(),
        slugs=(),
        blind_us=(0,) * len(plan.zones),
    )


class Made(NamedTuple):
    """A part as counted, before it is judged.

    Attributes
    ----------
    part
        What it met.
    flowed_to_us
        Dispensing time of the cell until it was counted. [us]
    """

    counted: Count
    at: Instant
    part: OpenPart
    flowed_to_us: int
    charge_id: str | None
    age_s: float | None
    inspection: int | None
    bead_width_mm: float | None


def judged(made: Made, slugs: Sequence[Slug], plan: PartPlan) -> Event:
    """The event of a part that was made, with its verdict."""
    part, counted = made.part, made.counted
    span_us = part.flowed_before_us, made.flowed_to_us
    met = [_met(place, part, slugs, plan, span_us) for place in range(len(plan.zones))]
    against = [
        (rule, zone)
        for zone, (_, marks) in zip(plan.zones, met, strict=True)
        if marks
        for rule in ZONE_RULES
        if marks & BIT[rule]
    ]
    marks = part.marks | (0 if counted.is_certain else BIT[PartRule.UNCOUNTED])
    zones = [tally for tally, _ in met]
    if marks:
        against += [(rule, "") for rule in CELL_RULES if marks & BIT[rule]]
    against = [pair for pair in against if pair[0] in plan.verdicts]
    not_ready = any(zone.marks & BIT[PartRule.BEFORE_READY] for zone in part.zones)
    begun = part.begun or part.since or made.at
    coverage = min((_coverage(zone) for zone in zones), default=1.0)
    tips = [zone for zone in zones if zone.tip_low_mk < NONE_MK]
    details: list[tuple[str, Detail]] = [
        ("first", counted.first),
        ("last", counted.last),
        ("epoch", counted.epoch),
        ("part_id", part.part_id if counted.first == counted.last else None),
        ("begun_utc_ns", begun.utc_ns),
        ("dispensing_s", part.flowed_us / MICRO),
        ("charge_id", made.charge_id),
        ("age_s", made.age_s),
        ("life_used", _life_used(made.age_s, plan)),
        ("is_ready", None if part.begun is None else not not_ready),
        ("coverage", coverage),
        ("verdict", worst(against, plan).value),
        ("rules", ",".join(_named(rule, zone) for rule, zone in against)),
        ("because", ""),
        ("inspection", made.inspection),
        ("bead_width_mm", made.bead_width_mm),
        ("joined_s", None),
        ("reworkable_until_utc_ns", _reworkable(begun, plan)),
        ("tip_min_c", _degrees(tips[-1].tip_low_mk) if tips else None),
        ("tip_max_c", _degrees(tips[-1].tip_high_mk) if tips else None),
    ]
    for zone, name in zip(zones, plan.zones, strict=True):
        details += [
            (f"{name}_min_c", _degrees(zone.low_mk)),
            (f"{name}_mean_c", _mean_c(zone)),
            (f"{name}_max_c", _degrees(zone.high_mk)),
            (f"{name}_coverage", _coverage(zone)),
        ]
    return Event(EventKind.PART_MADE, made.at, plan.cell, "", tuple(details))


def _met(
    place: int,
    part: OpenPart,
    slugs: Sequence[Slug],
    plan: PartPlan,
    span_us: tuple[int, int],
) -> tuple[Tally, int]:
    """What the melt of a part met in a zone, and its marks: at its moment, or when it passed."""
    now, way = part.zones[place], plan.transits[place]
    if way is None:
        return now, _settled(now, now.marks, part, place, plan)
    arrived = 0
    for slug in _between(slugs, way.reach(*span_us), plan):
        arrived |= slug.zones[place].marks
    if plan.is_nozzle[place]:
        marks = now.marks | (arrived & BIT[PartRule.OVER_CEILING])
        return now, _settled(now, marks, part, place, plan)
    passed = Tally()
    for slug in _between(slugs, way.mean(*span_us), plan):
        passed += slug.zones[place]
    if not passed.seen_us + passed.blind_us:
        passed = now  # melt from before the account
    marks = arrived | (now.marks & BIT[PartRule.BEFORE_READY])
    return passed, _settled(passed, marks, part, place, plan)


def _between(slugs: Sequence[Slug], span_us: tuple[int, int], plan: PartPlan) -> Sequence[Slug]:
    """Slugs that a span of dispensing time touches."""
    first, last = span_us[0] // plan.slug_us, span_us[1] // plan.slug_us
    return slugs[bisect_left(slugs, first, key=_place) : bisect_right(slugs, last, key=_place)]


def _place(slug: Slug) -> int:
    return slug.place


def _settled(met: Tally, marks: int, part: OpenPart, place: int, plan: PartPlan) -> int:
    """The marks of a zone on a part, with what its unseen time comes to."""
    if part.begun is None:
        marks |= part.standing[place]
    elif met.blind_us:
        bearable_us = plan.blind_us
        if plan.transits[place] is not None and not plan.is_nozzle[place]:
            half_us = (met.seen_us + met.blind_us) // 2
            bearable_us = max(bearable_us, min(half_us, SLOW_BLIND_US))
        lost = PartRule.LOST_READINGS if met.blind_us <= bearable_us else PartRule.BLIND
        marks |= BIT[lost]
    if marks & BIT[PartRule.OUTSIDE_WINDOW]:
        # On the way there and back, which says nothing more.
        marks &= ~(BIT[PartRule.NEAR_EDGE] | BIT[PartRule.TIP_SETTLING])
    return marks


def worst(against: Iterable[tuple[PartRule, str]], plan: PartPlan) -> Verdict:
    """The verdict of the rules that speak against a part, of which none is turned off."""
    order = tuple(Verdict)
    found = [order.index(plan.verdicts[rule]) for rule, _ in against]
    return order[max(found, default=0)]


def judged_again(
    event: Event,
    more: Sequence[tuple[PartRule, str]],
    because: str,
    plan: PartPlan,
    **changed: Detail,
) -> Event | None:
    """A part with more rules against it; None where that changes nothing."""
    told = dict(event.details)
    against = rules_of(str(told["rules"]))
    new = [pair for pair in more if pair[0] in plan.verdicts and pair not in against]
    if not new:
        return None
    against = (*against, *new)
    verdict = worst([pair for pair in against if pair[0] in plan.verdicts], plan)
    names = ",".join(_named(*pair) for pair in against)
    told |= {"verdict": verdict.value, "rules": names, "because": because} | changed
    return replace(event, details=tuple(told.items()))


def rules_of(text: str) -> tuple[tuple[PartRule, str], ...]:
    """Rules with their zones from the detail ``rules`` of a part.

    Examples
    --------
    >>> [(str(rule), zone) for rule, zone in rules_of("outside_window:nozzle,spent_charge")]
    [('outside_window', 'nozzle'), ('spent_charge', '')]
    """
    pairs = (name.partition(":") for name in text.split(",") if name)
    return tuple((PartRule(rule), zone) for rule, _, zone in pairs)


def _named(rule: PartRule, zone: str) -> str:
    return f"{rule.value}:{zone}" if zone else rule.value


def _life_used(age_s: float | None, plan: PartPlan) -> float | None:
    if age_s is None or plan.pot_life_s is None:
        return None
    return age_s / plan.pot_life_s


def _reworkable(begun: Instant, plan: PartPlan) -> int | None:
    return None if plan.rework_ns is None else begun.utc_ns + plan.rework_ns


def _coverage(zone: Tally) -> float:
    """Share of the time that was seen; 1 where melt never flowed for long enough to say."""
    elapsed_us = zone.seen_us + zone.blind_us
    return zone.seen_us / elapsed_us if elapsed_us else 1.0


def _mean_c(zone: Tally) -> float | None:
    return round(zone.sum_mk_us / zone.seen_us) / 1000.0 if zone.seen_us else None


def _degrees(temp_mk: int) -> float | None:
    """Temperature in degC, None for that of nothing."""
    return None if abs(temp_mk) == NONE_MK else temp_mk / 1000.0
