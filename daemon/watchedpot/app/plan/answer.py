"""What every answer is made of: what is known, how it is said, and what is not known."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, field, is_dataclass
from math import ceil, inf, isfinite
from textwrap import wrap

from watchedpot.app.plan.drawing import WIDTH
from watchedpot.core.dose import Dose, held_dose
from watchedpot.core.rules import AgeingRules, CellRules, ZoneRules
from watchedpot.core.units import ns
from watchedpot.core.warming import Start
from watchedpot.core.whatif import HORIZON_S, Wall, warm_up
from watchedpot.core.zone import usual_c

CAUTION = "An estimate, no safety device: your data sheet and a trial at the cell decide."

ALLOWANCE_S = 300.0
"""Durations to plan for are rounded up to a multiple of this [s]."""

_BEFORE_UNIT = re.compile(r"(?<=\d) (?=\S)")


@dataclass(frozen=True, slots=True)
class Answer:
    """What can be said to a question.

    Attributes
    ----------
    lines
        Text, the picture included.
    facts
        The same for a program: nouns of the core, in base units.
    missing
        What could not be said, and what would tell it.
    """

    title: str
    lines: tuple[str, ...]
    facts: dict[str, object]
    missing: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The answer as it is printed."""
        unknown = [line for one in self.missing for line in prose(f"Not known: {one}.")]
        parts = (self.title, "\n".join(self.lines), "\n".join(unknown), CAUTION)
        text = "\n\n".join(part for part in parts if part)
        return re.sub("\n{3,}", "\n\n", text)  # a part of the answer was left out there

    @property
    def plain(self) -> dict[str, object]:
        """The answer as JSON can say it; what is without end is null."""
        facts = {name: _plain(fact) for name, fact in self.facts.items()}
        return {"title": self.title, **facts, "missing": list(self.missing), "caution": CAUTION}


def _plain(value: object) -> object:
    """Nouns as tables, endless numbers as none."""
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def prose(*sentences: str) -> list[str]:
    """Sentences as lines, none too long and no number parted from its unit.

    Examples
    --------
    >>> prose("It takes 4 min.", "Allow 5 min.")
    ['It takes 4 min. Allow 5 min.']
    """
    text = _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", " ".join(sentences))
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in wrap(text, WIDTH)]


def time_text(duration_s: float | None) -> str:
    """Duration as a person would say it; None is one that was not found within a day.

    Examples
    --------
    >>> time_text(20.0), time_text(1234.0), time_text(9000.0), time_text(28800.0), time_text(4e5)
    ('under 1 min', '21 min', '2.5 h', '8 h', '5 days')
    """
    if duration_s is None:
        return "over a day"
    if 0.0 < duration_s < 60.0:
        return "under 1 min"
    if duration_s < 7200.0:
        return f"{duration_s / 60.0:.0f} min"
    if duration_s < 172_800.0:
        return f"{round(duration_s / 3600.0, 1):g} h"
    return f"{duration_s / 86_400.0:.0f} days"


def allowance_text(duration_s: float | None) -> str:
    """Duration to plan for: up to the next five minutes.

    Examples
    --------
    >>> allowance_text(1234.0), allowance_text(0.0), allowance_text(9000.0)
    ('25 min', '0 min', '2 h 30 min')
    """
    if duration_s is None:
        return time_text(None)
    minutes = round(ceil(duration_s / ALLOWANCE_S) * ALLOWANCE_S / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02} min"


def share_text(share: float) -> str:
    """Share of a whole in percent; what is not nothing is not 0, and not all is not 100.

    Examples
    --------
    >>> share_text(0.654), share_text(0.0), share_text(0.001), share_text(0.999)
    ('65 %', '0 %', 'under 1 %', 'over 99 %')
    """
    if 0.0 < share < 0.005:
        return "under 1 %"
    return "over 99 %" if 0.995 <= share < 1.0 else f"{100.0 * share:.0f} %"


def mass_text(mass_kg: float) -> str:
    """Mass in grams, or in kilograms from one on.

    Examples
    --------
    >>> mass_text(0.0031), mass_text(0.33), mass_text(4.7)
    ('3.1 g', '330 g', '4.7 kg')
    """
    if mass_kg >= 1.0:
        return f"{mass_kg:.2g} kg"
    return f"{1e3 * mass_kg:.0f} g" if mass_kg >= 0.01 else f"{1e3 * mass_kg:.2g} g"


@dataclass(frozen=True, slots=True)
class Use:
    """How fast a cell uses adhesive, as far as a person says it.

    Attributes
    ----------
    flow_kg_per_s
        While dispensing; None: as configured. [kg/s]
    duty
        Dispensing share of the time. [1]
    """

    flow_kg_per_s: float | None
    duty: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the reservoir of a cell; each look-up notes what is missing.

    Attributes
    ----------
    missing
        Grows, in the order of the look-ups.
    """

    cell: CellRules
    zone: ZoneRules
    missing: list[str] = field(default_factory=list)

    @property
    def usual_c(self) -> float:
        """Temperature of the zone in production. [degC]."""
        return usual_c(self.zone)

    def note(self, text: str) -> None:
        """Something is missing; said once."""
        if text not in self.missing:
            self.missing.append(text)

    def answer(self, question: str, lines: list[str], **facts: object) -> Answer:
        """What was found."""
        title = f"{self.cell.id} {self.zone.id}: {question}"
        return Answer(title, tuple(lines), facts, tuple(self.missing))

    def ageing(self) -> AgeingRules | None:
        """How the material uses up its pot life."""
        ageing = self.zone.material.ageing
        if ageing is None:
            self.note(f"the material {self.zone.material.id} has no [materials.ageing]: no age")
        return ageing

    def use_kg_per_s(self, use: Use) -> float | None:
        """Mean consumption, pauses included; None where it is not known. [kg/s]."""
        flow = use.flow_kg_per_s or self.cell.charge.flow_kg_per_s
        if flow is None:
            self.note("[cells.charge] has no flow_mg_per_s: say it with --use-mg-per-s")
            return None
        return flow * use.duty

    def fill_kg(self) -> float | None:
        """Mass of a full charge. [kg]."""
        if self.cell.charge.fill_kg is None:
            self.note("[cells.charge] has no fill_g: not when a charge is empty")
        return self.cell.charge.fill_kg

    def fresh(self, ageing: AgeingRules) -> Dose:
        """Age of a fresh charge: that of its usual preheating."""
        charge, ceiling_c = self.cell.charge, self.zone.material.ceiling_c
        if charge.preheat_c is None:
            return Dose()
        low_ns, high_ns = held_dose(
            charge.preheat_c, ns(charge.preheat_s), ageing, ceiling_c=ceiling_c
        )
        return Dose(low_ns, high_ns)

    def wait_s(self, zone: ZoneRules) -> float:
        """Time until a charge is warm that comes as usual into the hot zone. [s]."""
        charge = self.cell.charge
        return self._warm_s(
            zone,
            Wall(self.usual_c, self.usual_c),
            preheat_c=charge.preheat_c,
            preheat_s=charge.preheat_s,
        )

    def morning_s(self, zone: ZoneRules, *, lag_s: float) -> float:
        """Time until a cold charge is warm in the zone that warms up with it. [s]."""
        return self._warm_s(zone, Wall(self.cell.ambient_c, self.usual_c, lag_s))

    def _warm_s(
        self,
        zone: ZoneRules,
        wall: Wall,
        *,
        preheat_c: float | None = None,
        preheat_s: float = 0.0,
    ) -> float:
        if zone.soak is None:
            self.note(f"the zone {zone.id} has no [cells.zones.soak]: no time until warm")
            return 0.0
        warm = warm_up(zone, wall, Start(zone.soak.start_c, preheat_c, preheat_s))
        if warm is not None and warm.slow_s is not None:
            return warm.slow_s
        self.note("a charge is not warm within a day: one day is counted")
        return HORIZON_S


def known(cell: CellRules) -> Known | None:
    """The reservoir of a cell, None where it has none."""
    return None if cell.reservoir is None else Known(cell, cell.reservoir)


def nowhere(cell: CellRules, question: str) -> Answer:
    """The answer for a cell whose charge has no place."""
    missing = "the cell has no tank, cartridge or syringe among its zones"
    return Answer(f"{cell.id}: {question}", (), {}, (missing,))


def spent_text(life_s: float) -> str:
    """When a charge is spent, in words.

    Examples
    --------
    >>> spent_text(28800.0), spent_text(inf), spent_text(0.0)
    ('spent after 8 h', 'never spent', 'spent already')
    """
    if life_s == inf:
        return "never spent"
    return f"spent after {time_text(life_s)}" if life_s > 0.0 else "spent already"


def use_text(use: Use, use_kg_per_s: float) -> str:
    """The consumption in words.

    Examples
    --------
    >>> use_text(Use(4e-6, duty=0.5), 2e-6)
    'Use: 4 mg/s while dispensing, 50 % of the time: 2 mg/s.'
    """
    flow = 1e6 * use_kg_per_s / use.duty
    return (
        f"Use: {flow:.3g} mg/s while dispensing, {share_text(use.duty)} of the time: "
        f"{1e6 * use_kg_per_s:.3g} mg/s."
    )
