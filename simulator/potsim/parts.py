"""Each part as it was really made, whatever the controller's counter shows of it.

What a part met while melt flowed onto it, how old the charge was, how long the melt had stood,
and where the melt itself had been before: it moves through hose and nozzle in plug flow, so what
leaves the tip left the reservoir as many kilograms ago as hose and nozzle hold. The charge ages
by the mean temperature of the charge; melt in hose and nozzle is not aged on its way.

The part's bead is measured and judged when the part is counted, and its second half is placed
some time after. None of this acts back on the heat of the cell.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace

GAS_J_PER_MOL_K = 8.314462618  # CODATA 2018, exact
ZERO_C_KELVIN = 273.15
FIRST_PART_ID = 500_001
RECENT_PARTS = 10_000  # kept for a reader in the same process; the log keeps all
TOUCH = 1e-6  # share of what a slug must overlap with a part to belong to it

Span = tuple[float, float]
"""Lowest and highest of something. [its own]"""


@dataclass(frozen=True, slots=True)
class Ageing:
    """How the adhesive really ages in the heat.

    Parameters
    ----------
    ea_j_per_mol : float
        True activation energy. [J/mol]
    ref_c : float
        Temperature at which a second ages it by a second. [degC]
    """

    ea_j_per_mol: float
    ref_c: float

    def rate(self, temp_c: float) -> float:
        """Equivalent seconds per second.

        Parameters
        ----------
        temp_c : float
            Temperature of the melt. [degC]

        Returns
        -------
        float
            1 at the reference temperature. [1]

        Source
        ------
        Arrhenius's law.
        """
        inverse_per_k = 1.0 / (self.ref_c + ZERO_C_KELVIN) - 1.0 / (temp_c + ZERO_C_KELVIN)
        return math.exp(self.ea_j_per_mol / GAS_J_PER_MOL_K * inverse_per_k)


@dataclass(frozen=True, slots=True)
class Bead:
    """How wide a bead gets, and which beads pass. Invented figures.

    A colder tip gives stiffer melt, which strings and piles up: the bead gets wider and less even
    with the square root of the viscosity. Hotter melt runs thin.

    Parameters
    ----------
    width_mm : float
        At the usual temperature of the tip. [mm]
    tip_c : float
        That temperature. [degC]
    flow_ea_j_per_mol : float
        Activation energy of the viscosity. [J/mol]
    noise_mm : float
        Standard deviation of the width at that temperature. [mm]
    low_mm, high_mm : float
        Between these a bead passes. [mm]
    """

    width_mm: float = 1.2
    tip_c: float = 115.0
    flow_ea_j_per_mol: float = 50e3
    noise_mm: float = 0.03
    low_mm: float = 1.05
    high_mm: float = 1.35

    def measure(self, tip_c: float, noise: float) -> float:
        """Width of a bead.

        Parameters
        ----------
        tip_c : float
            Mean of the lowest and the highest temperature of the tip. [degC]
        noise : float
            A standard normal number. [1]

        Returns
        -------
        float
            Never below 0. [mm]

        Source
        ------
        Andrade's law for the viscosity; the square root is invented.
        """
        inverse_per_k = 1.0 / (tip_c + ZERO_C_KELVIN) - 1.0 / (self.tip_c + ZERO_C_KELVIN)
        stiffer = math.exp(0.5 * self.flow_ea_j_per_mol / GAS_J_PER_MOL_K * inverse_per_k)
        return max(0.0, stiffer * (self.width_mm + self.noise_mm * noise))

    def passes(self, width_mm: float) -> bool:
        """Whether a bead passes its inspection.

        Parameters
        ----------
        width_mm : float
            Its width. [mm]

        Returns
        -------
        bool
            Within both limits.
        """
        return self.low_mm <= width_mm <= self.high_mm


@dataclass(frozen=True, slots=True)
class MadePart:
    """One part that the controller finished.

    Parameters
    ----------
    number : int
        Counted from 1 since the scenario's start, through resets and jumps.
    counter : int
        What the controller's counter shows after it.
    part_id : int
        Serial of the part in the fixture.
    begun_ns, ended_ns : int
        Cell time at which dispensing began and ended. [ns]
    begun_s, ended_s : float
        The same since the scenario's start. [s]
    charge_id : int
        Charge as the controller numbers it.
    tip_c : (low, high)
        End of the tip while dispensing. [degC]
    zones_c : tuple of (low, high)
        Block of each zone while dispensing, in flow order. [degC]
    core_c : float
        Core of the charge at the start. [degC]
    dose_s : float
        Age of the charge at the end: equivalent time at the reference temperature. [s]
    idle_s : float or None
        Since melt last flowed; None for the first. [s]
    is_wiped : bool
        Whether the nozzle was wiped since then.
    melt_c : (low, high)
        Mean of the charge when the melt of this part left it. [degC]
    met_c : tuple of (low, high)
        Per zone but the last: its block while this melt passed; for the reservoir, when it
        left it. [degC]
    bead_width_mm : float
        As measured. [mm]
    is_passed : bool
        Result of the inspection.
    is_link_up : bool
        Whether the link was up from the start to the count.
    joined_s : float or None
        When its second half was placed; None while it waits. [s]
    """

    number: int
    counter: int
    part_id: int
    begun_ns: int
    ended_ns: int
    begun_s: float
    ended_s: float
    charge_id: int
    tip_c: Span
    zones_c: tuple[Span, ...]
    core_c: float
    dose_s: float
    idle_s: float | None
    is_wiped: bool
    melt_c: Span
    met_c: tuple[Span, ...]
    bead_width_mm: float
    is_passed: bool
    is_link_up: bool
    joined_s: float | None = None


class Passage:
    """Lowest and highest of a temperature over stretches of flow that only move forward.

    Entries and questions are given by the melt dispensed so far; both may only grow.
    """

    def __init__(self) -> None:
        self._coming: deque[tuple[float, float, float, float]] = deque()
        self._low: deque[tuple[float, float]] = deque()
        self._high: deque[tuple[float, float]] = deque()

    def add(self, from_kg: float, to_kg: float, temp_c: float) -> None:
        """Note a temperature while melt moved from one mark to another, or stood at one.

        Parameters
        ----------
        from_kg, to_kg : float
            Dispensed before and after. [kg]
        temp_c : float
            Meanwhile. [degC]
        """
        low_c = high_c = temp_c
        if from_kg == to_kg and self._coming and self._coming[-1][:2] == (from_kg, to_kg):
            _, _, low_c, high_c = self._coming.pop()
            low_c, high_c = min(low_c, temp_c), max(high_c, temp_c)
        self._coming.append((from_kg, to_kg, low_c, high_c))

    def over(self, first_kg: float, last_kg: float) -> Span:
        """Lowest and highest while melt moved from one mark to another.

        Parameters
        ----------
        first_kg, last_kg : float
            Not below those of the question before. [kg]

        Returns
        -------
        low_c, high_c : float
            nan where nothing was noted. [degC]
        """
        slack_kg = TOUCH * (last_kg - first_kg)
        while self._coming and self._coming[0][0] < last_kg - slack_kg:
            _, to_kg, low_c, high_c = self._coming.popleft()
            while self._low and self._low[-1][1] >= low_c:
                self._low.pop()
            self._low.append((to_kg, low_c))
            while self._high and self._high[-1][1] <= high_c:
                self._high.pop()
            self._high.append((to_kg, high_c))
        for kept in (self._low, self._high):
            while kept and kept[0][0] <= first_kg + slack_kg:
                kept.popleft()
        if not self._low:
            return math.nan, math.nan
        return self._low[0][1], self._high[0][1]


@dataclass(frozen=True, slots=True)
class Now:
    """The cell at one scan, as it really is.

    Parameters
    ----------
    t_s : float
        Since the scenario's start. [s]
    t_ns : int
        Cell time. [ns]
    block_c : tuple of float
        Per zone. [degC]
    tip_c, core_c, charge_c : float
        End of the tip; core and mean of the charge. [degC]
    is_link_up : bool
        Whether this scan can be read.
    """

    t_s: float
    t_ns: int
    block_c: tuple[float, ...]
    tip_c: float
    core_c: float
    charge_c: float
    is_link_up: bool


@dataclass(slots=True)
class _Begun:
    """The part under way."""

    now: Now
    part_id: int
    idle_s: float | None
    is_wiped: bool
    from_kg: float
    tip_c: Span
    zones_c: list[Span]
    is_link_up: bool


class PartBook:
    """Keeps the truth of parts, charge and melt, scan by scan.

    Parameters
    ----------
    ageing : Ageing
        Of the material.
    bead : Bead
        Of the process.
    hold_up_kg : tuple of float
        Melt that each zone holds between reservoir and tip, 0 for the reservoir itself. [kg]
    join_s : float
        From the end of dispensing to the second half. [s]
    joined : int
        Counter of joined parts at the start.
    charge_age_s : float
        Age of the charge at the start. [s]
    now : Now
        The cell at the start; what hose and nozzle hold had left the reservoir as it was then.
    """

    def __init__(
        self,
        *,
        ageing: Ageing,
        bead: Bead,
        hold_up_kg: tuple[float, ...],
        join_s: float,
        joined: int,
        charge_age_s: float,
        now: Now,
    ) -> None:
        self.ageing = ageing
        self.bead = bead
        self.made: deque[MadePart] = deque(maxlen=RECENT_PARTS)
        self.waiting: deque[MadePart] = deque()
        self.dose_s = charge_age_s
        self.part_id = 0
        self.joined = joined
        self.is_passed = False
        self.bead_width_mm = 0.0
        self._join_s = join_s
        self._number = 0
        self._begun: _Begun | None = None
        self._flowed_s: float | None = None
        self._is_wiped = False
        self._kg = 0.0
        # how far before its part the melt entered each zone, and how far before it left it
        ends_kg = [sum(hold_up_kg[place + 1 :]) for place in range(len(hold_up_kg) - 1)]
        self._ways_kg = [
            (end + held, end) for end, held in zip(ends_kg, hold_up_kg[:-1], strict=True)
        ]
        self._melt = Passage()
        self._zones = [Passage() for _ in self._ways_kg]
        self._melt.add(-self._ways_kg[0][0], 0.0, now.charge_c)
        for place, passage in enumerate(self._zones):
            passage.add(-self._ways_kg[0][0], 0.0, now.block_c[place])

    def advance(self, now: Now, *, dt_s: float, flowed_kg: float) -> None:
        """Take in a scan: what aged, what flowed, what the part under way met.

        Parameters
        ----------
        now : Now
            The cell.
        dt_s : float
            Since the scan before. [s]
        flowed_kg : float
            Melt dispensed meanwhile. [kg]
        """
        self.dose_s += dt_s * self.ageing.rate(now.charge_c)
        before_kg, self._kg = self._kg, self._kg + flowed_kg
        if flowed_kg > 0.0:
            self._flowed_s, self._is_wiped = now.t_s, False
            self._melt.add(before_kg, self._kg, now.charge_c)
            self._zones[0].add(before_kg, self._kg, now.block_c[0])
        for passage, block_c in zip(self._zones[1:], now.block_c[1:-1], strict=True):
            passage.add(before_kg, self._kg, block_c)
        if (begun := self._begun) is not None:
            begun.tip_c = _widened(begun.tip_c, now.tip_c)
            begun.zones_c = [
                _widened(span, c) for span, c in zip(begun.zones_c, now.block_c, strict=True)
            ]
            begun.is_link_up &= now.is_link_up

    def change(self, *, age_s: float, share: float) -> None:
        """Take in a new charge.

        Parameters
        ----------
        age_s : float
            Its age. [s]
        share : float
            Of the whole charge that it makes up afterwards; 1 where it replaced the old. [1]
        """
        self.dose_s += share * (age_s - self.dose_s)

    def wipe(self) -> None:
        """The nozzle is wiped."""
        self._is_wiped = True

    def begin(self, now: Now) -> None:
        """A part begins.

        Parameters
        ----------
        now : Now
            The cell.
        """
        self.part_id = self.part_id + 1 if self.part_id else FIRST_PART_ID
        self._begun = _Begun(
            now,
            self.part_id,
            None if self._flowed_s is None else now.t_s - self._flowed_s,
            self._is_wiped,
            self._kg,
            (now.tip_c, now.tip_c),
            [(c, c) for c in now.block_c],
            now.is_link_up,
        )

    def lose(self) -> None:
        """The part under way comes to nothing."""
        self._begun = None

    def finish(self, now: Now, *, counter: int, charge_id: int, noise: float) -> None:
        """The part under way is counted; it is measured and inspected at once.

        Parameters
        ----------
        now : Now
            The cell.
        counter, charge_id : int
            As the controller has them.
        noise : float
            Of the bead, a standard normal number. [1]
        """
        begun = self._begun
        if begun is None:
            return
        self._begun = None
        self._number += 1
        self.bead_width_mm = self.bead.measure(0.5 * sum(begun.tip_c), noise)
        self.is_passed = self.bead.passes(self.bead_width_mm)
        whole_kg = self._ways_kg[0][0]
        met_c = [
            passage.over(begun.from_kg - entered_kg, self._kg - left_kg)
            for passage, (entered_kg, left_kg) in zip(self._zones, self._ways_kg, strict=True)
        ]
        self.waiting.append(
            MadePart(
                self._number,
                counter,
                begun.part_id,
                begun.now.t_ns,
                now.t_ns,
                begun.now.t_s,
                now.t_s,
                charge_id,
                begun.tip_c,
                tuple(begun.zones_c),
                begun.now.core_c,
                self.dose_s,
                begun.idle_s,
                begun.is_wiped,
                self._melt.over(begun.from_kg - whole_kg, self._kg - whole_kg),
                tuple(met_c),
                self.bead_width_mm,
                self.is_passed,
                begun.is_link_up,
            )
        )

    def join(self, now: Now) -> MadePart | None:
        """Join the part that has waited longest, if it is due; no more than one a scan.

        Parameters
        ----------
        now : Now
            The cell.

        Returns
        -------
        MadePart or None
            With its time.
        """
        if not self.waiting or now.t_s < self.waiting[0].ended_s + self._join_s:
            return None
        part = replace(self.waiting.popleft(), joined_s=now.t_s)
        self.made.append(part)
        self.joined += 1
        return part


def _widened(span: Span, value: float) -> Span:
    low, high = span
    return (min(low, value), max(high, value))
