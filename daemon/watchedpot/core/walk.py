"""One block through one zone: columns first, then a walk over the edges.

The quantities are computed over whole columns; then a walk visits only the edges (a crossing,
sight lost, another setpoint, an index at its limit) in order of time and runs the machines.
An edge is dated where it happened and filed under the row that shows it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from math import ceil, inf
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import exposure, tip, tracks, warming, wear
from watchedpot.core.charges import Flowed, Life
from watchedpot.core.dose import Dose, dose
from watchedpot.core.excursions import Totals, closing_details, opened, peaked, returned
from watchedpot.core.model import Detail, Event, EventKind, Instant, Quality, Reason
from watchedpot.core.phases import Demand, next_phase
from watchedpot.core.rules import AlarmKind
from watchedpot.core.series import (
    Held,
    Series,
    believable,
    continue_series,
    hold,
    level_edges,
    sight_edges,
)
from watchedpot.core.snapshot import Activity, Phase
from watchedpot.core.tracks import AlarmPlan, Change, Track
from watchedpot.core.units import ns
from watchedpot.core.warming import Followed, Forecast
from watchedpot.core.zone import (
    NEVER_NS,
    Dip,
    ZonePlan,
    ZoneRows,
    ZoneState,
    alarm_event,
    held_wall_c,
    limit_of,
    newest_of,
    phase_event,
)

Filed: TypeAlias = tuple[int, Event]
"""An event with the row that shows it; rows of a block count from 1."""


class ZoneEdge(NamedTuple):
    """A change of a zone that its cell must know of.

    Attributes
    ----------
    row, at_ns
        The row that shows it, and when it happened. [ns]
    name
        ``is_seen``, ``is_ready``, ``is_cold`` (what its cold alarm is about), ``is_heated``,
        ``is_soaked``, ``is_overheated``, ``is_near``, ``is_spent``, ``is_dip``, over by then, or
        ``is_unsaid``, a dip that a finding lays to another charge.
    life
        Of a reservoir.
    since_ns
        Where a dip began. [ns]
    """

    row: int
    at_ns: int
    zone: str
    name: str
    is_on: bool
    temp_c: float | None = None
    life: Life | None = None
    since_ns: int = 0


class ZoneTrace(NamedTuple):
    """What a zone was over a block, for whatever else is to be known of it.

    Attributes
    ----------
    series, tip
        Its temperature, and that of a nozzle's tip; the same where no tip is known.
    phases
        Each phase with the row from which it holds; row 0 is the one before the block.
    low_ns, high_ns : (n,) or (0,) int64
        Dose of each step by both bounds, empty where nothing ages. [ns]
    """

    series: Series
    tip: Series
    phases: list[tuple[int, Phase]]
    low_ns: NDArray[np.int64]
    high_ns: NDArray[np.int64]


class ZoneStep(NamedTuple):
    """One block through one zone: the state after it, events with their rows, edges, trace."""

    state: ZoneState
    filed: list[Filed]
    edges: list[ZoneEdge]
    trace: ZoneTrace


def step_zone(state: ZoneState, rows: ZoneRows, plan: ZonePlan) -> ZoneStep:
    """One block through one zone.

    Parameters
    ----------
    state : ZoneState
        Before.
    rows : ZoneRows
        n >= 1 rows, later than all before.
    plan : ZonePlan
        The zone.

    Returns
    -------
    ZoneStep
        Rows count from 1 as in the series.
    """
    walk = _Walk(state, rows, plan)
    walk.run()
    # Before its first row a zone is taken for off, which nobody has seen.
    phases = walk.phase_rows
    if state.last is None:
        phases = [(0, Phase.UNKNOWN), (1, state.phase), *phases[1:]]
    trace = ZoneTrace(walk.series, walk.tip, phases, walk.low_ns, walk.high_ns)
    return ZoneStep(walk.close(), walk.filed, walk.edges, trace)


@dataclass(frozen=True, slots=True)
class _NamedEdge:
    """An edge of one of the conditions of a zone."""

    row: int
    at_ns: int
    name: str
    value: bool | Demand


FULL_OUTPUT_PERCENT = 90.0
LEAST_FULL_NS, LONGEST_DIP_NS = ns(30.0), ns(1200.0)
"""What tells a cold charge from a draft: the heater at full output for so long within a dip no
longer than this; common practice, no source. [%, ns]"""

SETPOINT_STEP_K = 1.0
"""A setpoint that moves by less has not been changed; common practice, no source. [K]"""

_DEMANDS = (Demand.OFF, Demand.SETBACK, Demand.PRODUCTION)
_ACTIVITY_OF = {
    Phase.OFF: Activity.OFF,
    Phase.COOLING: Activity.OFF,
    Phase.HEATING: Activity.HEATING,
    Phase.SOAKING: Activity.HEATING,
    Phase.RECOVERING: Activity.HEATING,
    Phase.READY: Activity.READY_IDLE,
    Phase.SETBACK: Activity.SETBACK,
}
_ACTIVITY_CODE = {activity: code for code, activity in enumerate(exposure.ACTIVITIES)}


_SETTLING = (AlarmKind.COLD, AlarmKind.HOT)
"""Alarms that a change of the setpoint may set off without anything being wrong."""

_KEPT = frozenset(
    {
        *("is_below", "is_above", "is_over_ceiling", "is_hot_to_touch", "is_in_production"),
        *("is_full", "is_spent", "is_soaked", "is_tip_cold", "is_dipped", "is_changed"),
    }
)
"""Conditions that the walk keeps under the name of their edge."""

_FOR_THE_CELL = {
    "is_over_ceiling": "is_overheated",
    "is_hot_to_touch": "is_heated",
    "is_soaked": "is_soaked",
    "is_near": "is_near",
    "is_life_over": "is_spent",
}
"""Edges that the cell must know of, and by which name."""


class _Walk:
    """One pass over one block; lives as long as the call, and so may change in place."""

    def __init__(self, state: ZoneState, rows: ZoneRows, plan: ZonePlan) -> None:
        self.before = state
        self.rows = rows
        self.plan = plan
        self.filed: list[Filed] = []
        self.edges: list[ZoneEdge] = []
        self.row = 1

        self.is_seen = state.is_seen
        self.is_below = state.is_below
        self.is_above = state.is_above
        self.is_over_ceiling = state.is_over_ceiling
        self.is_hot_to_touch = state.is_hot_to_touch
        self.is_in_production = state.is_in_production
        self.is_cold_in_production = state.is_cold_in_production
        self.is_soaked = state.core is None or state.core.is_soaked
        self.is_tip_cold = state.is_tip_cold
        self.is_dipped = state.is_dipped
        self.dip = state.dip
        self.is_due = state.is_due
        self.dip_ended_ns = state.dip_ended_ns
        self.is_full = state.build_up_ns >= plan.limit_ns.get(AlarmKind.BUILD_UP, inf)
        self.is_spent = state.degradation_ns >= plan.limit_ns.get(AlarmKind.DEGRADATION, inf)
        self.demand = state.demand
        self.phase = state.phase
        self.phase_since = state.phase_since
        self.told_c = state.told_c
        self.is_changed = False
        self.phase_rows = [(0, state.phase)]
        self.tracks = list(state.tracks)
        self.excursions = {"low": state.low, "high": state.high}
        self.peak_from = {"low": 1, "high": 1}

        is_good = believable(rows.temp_c, rows.quality)
        self.series = continue_series(
            state.last, rows.mono_ns, rows.temp_c, is_good, max_gap_ns=plan.max_gap_ns
        )
        self.sight = sight_edges(self.series)
        carried = {True: 1, False: 0, None: -1}[state.is_dispensing]
        self.dispensing = np.concatenate((np.array([carried], dtype=np.int8), rows.dispensing))
        self.tip = self._tip_series()
        self._integrate()
        self._age()
        self.core = self._follow()

    def _follow(self) -> Followed | None:
        """The core of the charge over the block."""
        core, rules = self.plan.core, self.plan.rules.soak
        if core is None or rules is None:
            return None
        before = self.before.core or warming.unknown_core(core)
        return warming.follow(before, self.series, core, rules.start_c)

    def _tip_series(self) -> Series:
        """The temperature at which a nozzle lets go of melt: of its tip, where that is known."""
        series, plan = self.series, self.plan
        if plan.tip is None:
            return series
        new_c = tip.tip_temperature(
            series.value[1:],
            ambient_c=self.rows.ambient_c,
            is_flowing=self.rows.is_in_production,
            plan=plan.tip,
        )
        new_c = np.where(series.is_good[1:], new_c, 0.0)
        value = np.concatenate(([self.before.tip_c], new_c))
        return replace(series, value=value, lowest=float(value.min()), highest=float(value.max()))

    def _integrate(self) -> None:
        """The quantities of each step."""
        rules, series = self.plan.rules, self.series
        self.beyond = {
            "low": exposure.beyond(series, rules.low_c, is_high=False),
            "high": exposure.beyond(series, rules.high_c, is_high=True),
        }
        self.build_up = self.degradation = np.zeros(series.step_ns.size, dtype=np.int64)
        self.build_up_ns, self.degradation_ns = self.before.build_up_ns, self.before.degradation_ns
        low_c = self.plan.tip_low.limit
        if self.plan.is_nozzle and self.tip.may_pass(low_c, is_high=False):
            self.build_up = wear.build_up(
                self.tip,
                self.dispensing[:-1] > 0,
                low_c=low_c,
                flow_ea_j_per_mol=rules.material.flow_ea_j_per_mol,
            )
            self.build_up_ns += int(self.build_up.sum())
        if series.may_pass(rules.high_c, is_high=True):
            self.degradation = wear.degradation(
                series,
                high_c=rules.high_c,
                ceiling_c=rules.material.ceiling_c,
                degradation_ea_j_per_mol=rules.material.degradation_ea_j_per_mol,
            )
            self.degradation_ns += int(self.degradation.sum())

    def _age(self) -> None:
        """The dose of each step of a charge that ages."""
        ageing = self.plan.rules.material.ageing
        self.low_ns = self.high_ns = np.zeros(0, dtype=np.int64)
        if ageing is None or not self.plan.rules.is_reservoir:
            return
        self.low_ns, self.high_ns = dose(
            self.series,
            self._assumed_c(),
            ageing,
            ceiling_c=self.plan.rules.material.ceiling_c,
        )

    def _assumed_c(self) -> NDArray[np.float64]:
        """What a step that is not seen is charged at: the higher of last reading and setpoint."""
        series, rows, state = self.series, self.rows, self.before
        if series.is_joined.all():
            return series.value[:-1]  # nothing is assumed
        last = None if state.last_good_c is None else Held(0, state.last_good_c)
        last_c = hold(
            last,
            series.mono_ns[:-1],
            series.value[:-1],
            series.is_good[:-1],
            limit_ns=NEVER_NS,
        )
        told = rows.setpoint
        nothing = np.zeros(rows.mono_ns.size)
        told_c = hold(
            state.setpoint,
            rows.mono_ns,
            nothing if told is None else told.value,
            nothing > 0 if told is None else told.is_good,
            limit_ns=NEVER_NS,
        )
        return np.fmax(last_c, told_c)

    def run(self) -> None:
        """Visit the edges in order, and what is due between them."""
        for (row, at_ns), group in groupby(self._edges(), key=lambda edge: (edge.row, edge.at_ns)):
            self._advance(at_ns)
            self.row = row
            for edge in group:
                self._take(edge)
            self._evaluate(at_ns)
        self._advance(int(self.series.mono_ns[-1]))

    def _edges(self) -> list[_NamedEdge]:
        """All edges of the block in the order in which they are visited."""
        plan = self.plan
        levels = (
            ("is_below", plan.low, self.is_below),
            ("is_above", plan.high, self.is_above),
            ("is_over_ceiling", plan.ceiling, self.is_over_ceiling),
            ("is_hot_to_touch", plan.touch, self.is_hot_to_touch),
            ("is_dipped", plan.dip, self.is_dipped),
        )
        edges = [
            _NamedEdge(edge.row, edge.at_ns, name, edge.is_on)
            for name, limit, is_beyond in levels
            if limit is not None
            for edge in level_edges(self.series, limit, is_beyond=is_beyond)
        ]
        if plan.is_nozzle:
            edges += [
                _NamedEdge(edge.row, edge.at_ns, "is_tip_cold", edge.is_on)
                for edge in level_edges(self.tip, plan.tip_low, is_beyond=self.is_tip_cold)
            ]
        if self.core is not None:
            edges += [
                _NamedEdge(edge.row, edge.at_ns, "is_soaked", edge.is_on)
                for edge in self.core.edges
            ]
        edges += [_NamedEdge(edge.row, edge.at_ns, "is_seen", edge.is_on) for edge in self.sight]
        edges += self._gate_edges()
        edges += self._limit_edges()
        edges.sort(key=lambda edge: (edge.row, edge.at_ns))
        return edges

    def _gate_edges(self) -> list[_NamedEdge]:
        """Production starting and ending, and the setpoint meaning something else."""
        producing = self.rows.is_in_production
        edges = []
        if (producing != self.is_in_production).any():
            before = np.concatenate(([self.is_in_production], producing[:-1]))
            edges = [
                _NamedEdge(row + 1, int(self.rows.mono_ns[row]), "is_in_production", producing[row])
                for row in np.flatnonzero(producing != before).tolist()
            ]
        if self.plan.rules.setpoint is not None:
            setpoint_c, is_told = self._setpoints()
            # Looked at only where the temperature is good: see the theory in ``phases``.
            said = np.flatnonzero(self.series.is_good[1:] & is_told)
            edges += [
                _NamedEdge(row, int(self.series.mono_ns[row]), "demand", demand)
                for row, demand in self._demands(setpoint_c, said)
            ]
            edges += [
                _NamedEdge(row, int(self.series.mono_ns[row]), "is_changed", value=True)
                for row in self._changes(setpoint_c[said], said)
            ]
        return edges

    def _demands(
        self, setpoint_c: NDArray[np.float64], said: NDArray[np.intp]
    ) -> list[tuple[int, Demand]]:
        """Rows where the setpoint begins to mean something else."""
        rules = self.plan.rules
        wanted = (setpoint_c >= rules.off_below_c).astype(np.int8) + (setpoint_c >= rules.low_c)
        if (wanted == _DEMANDS.index(self.demand)).all():
            return []
        codes = np.concatenate(([_DEMANDS.index(self.demand)], wanted[said]))
        changed = np.flatnonzero(codes[1:] != codes[:-1])
        return [(int(said[n]) + 1, _DEMANDS[codes[n + 1]]) for n in changed]

    def _changes(self, told_c: NDArray[np.float64], said: NDArray[np.intp]) -> list[int]:
        """Rows that show another setpoint, within the window; one outside it is no design."""
        rules, first = self.plan.rules, 0
        rows = list[int]()
        if self.told_c is None and told_c.size:
            self.told_c = float(told_c[0])
        while self.told_c is not None:
            moved = np.flatnonzero(np.abs(told_c[first:] - self.told_c) >= SETPOINT_STEP_K)
            if not moved.size:
                break
            first += int(moved[0])
            self.told_c = float(told_c[first])
            if rules.low_c <= self.told_c <= rules.high_c:
                rows.append(int(said[first]) + 1)
        return rows

    def _setpoints(self) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Setpoint at each new row, and where it is told there: held only from another source."""
        rows = self.rows
        if rows.setpoint is not None:
            return rows.setpoint.value, rows.setpoint.is_good
        nothing = np.zeros(rows.mono_ns.size)
        held_c = hold(
            self.before.setpoint,
            rows.mono_ns,
            nothing,
            nothing > 0,
            limit_ns=self.plan.max_gap_ns,
        )
        return held_c, np.isfinite(held_c)

    def _limit_edges(self) -> list[_NamedEdge]:
        """Wear indexes passing their limits."""
        edges = []
        for kind, name, grown, carried_ns in (
            (AlarmKind.BUILD_UP, "is_full", self.build_up, self.before.build_up_ns),
            (AlarmKind.DEGRADATION, "is_spent", self.degradation, self.before.degradation_ns),
        ):
            limit_ns = self.plan.limit_ns.get(kind)
            if limit_ns is not None:
                when = wear.reached(grown, self.series, carried_ns=carried_ns, limit_ns=limit_ns)
                if when is not None:
                    edges.append(_NamedEdge(when[1], when[0], name, value=True))
        return edges + self._life_edges()

    def _life_edges(self) -> list[_NamedEdge]:
        """The dose passing shares of the pot life, by whichever bound passes first."""
        if not self.low_ns.size:
            return []
        edges = []
        for name, limit_ns in (
            ("is_near", self.plan.near_ns),
            ("is_life_over", self.plan.spent_ns),
        ):
            before = self.before.dose
            if max(before.low_ns, before.high_ns) >= limit_ns:
                continue
            passed = [
                when
                for grown, carried_ns in (
                    (self.low_ns, before.low_ns),
                    (self.high_ns, before.high_ns),
                )
                if (
                    when := wear.reached(
                        grown, self.series, carried_ns=carried_ns, limit_ns=ceil(limit_ns)
                    )
                )
            ]
            if passed:
                at_ns, row = min(passed)
                edges.append(_NamedEdge(row, at_ns, name, value=True))
        return edges

    def _take(self, edge: _NamedEdge) -> None:
        """One condition as it is from now on."""
        name, is_on = edge.name, bool(edge.value)
        if name == "demand":
            self.demand = Demand(edge.value)
        elif name == "is_seen":
            self._see(edge.at_ns, is_seen=is_on)
            self._tell(edge, "is_seen")
        elif name in _FOR_THE_CELL:
            self._tell(edge, _FOR_THE_CELL[name])
        if name in _KEPT:
            setattr(self, name, is_on)
        if name == "is_dipped":
            self._take_dip(edge)

    def _tell(self, edge: _NamedEdge, name: str, *, since_ns: int = 0) -> None:
        """An edge that the cell must know of."""
        self.edges.append(
            ZoneEdge(
                edge.row,
                edge.at_ns,
                self.plan.rules.id,
                name,
                bool(edge.value),
                self._temp_c(edge.row),
                self._life(edge.row) if self.plan.rules.is_reservoir else None,
                since_ns,
            )
        )

    def _life(self, row: int) -> Life:
        """The account of the charge at a row."""
        step_ns = self.series.step_ns[:row]
        flowed = Flowed(
            self.before.dispensed_ns + int(step_ns[self.dispensing[:row] > 0].sum()),
            exposure.total(self.before.account).elapsed_ns + int(step_ns.sum()),
        )
        return Life(self._dose(row), flowed, self._temp_c(row))

    def _dose(self, row: int) -> Dose:
        """The dose of the charge at a row."""
        before = self.before.dose
        if not self.low_ns.size:
            return before
        low_ns, high_ns, joined = self.low_ns[:row], self.high_ns[:row], self.series.is_joined[:row]
        seen = Dose(low_ns=int(low_ns.sum()), high_ns=int(high_ns.sum()))
        if joined.all():
            return before + seen
        blind = Dose(
            low_blind_ns=int(low_ns[~joined].sum()), high_blind_ns=int(high_ns[~joined].sum())
        )
        return before + seen + blind

    def _take_dip(self, edge: _NamedEdge) -> None:
        """A dip below the usual setpoint begins in a zone that had been ready, or it is over."""
        full_ns, flowed_ns = self._running(edge.row)
        if edge.value:
            self.dip = Dip(edge.at_ns, full_ns, flowed_ns) if self.is_due else None
            return
        dip, self.dip = self.dip, None
        self.dip_ended_ns = edge.at_ns
        if (
            dip is not None
            and self.plan.is_pack
            and self.is_due
            and edge.at_ns - dip.since_ns <= LONGEST_DIP_NS
            and full_ns - dip.full_ns >= LEAST_FULL_NS
            and flowed_ns == dip.flowed_ns
        ):
            self._tell(edge, "is_dip", since_ns=dip.since_ns)

    def _running(self, row: int) -> tuple[int, int]:
        """Time of the heater at full output, and of melt that may have flowed, until a row.

        Of use where a charge can be changed unsaid, and counted only there.
        """
        full_ns = self.before.full_ns
        if not self.plan.is_pack:
            return full_ns, self.before.flowed_ns
        step_ns = self.series.step_ns[:row]
        output = self.rows.output
        if output is not None:
            is_full = output.is_good[:row] & (output.value[:row] >= FULL_OUTPUT_PERCENT)
            full_ns += int(step_ns[is_full].sum())
        flowed_ns = self.before.flowed_ns + int(step_ns[self.dispensing[:row] != 0].sum())
        return full_ns, flowed_ns

    def _see(self, at_ns: int, *, is_seen: bool) -> None:
        """Sight lost or regained: the delays pause or go on."""
        self.is_seen = is_seen
        for place, alarm in enumerate(self.plan.alarms):
            track = self.tracks[place]
            seen = tracks.resume(track, alarm, at_ns) if is_seen else tracks.pause(track)
            self.tracks[place] = seen
        for edge, excursion in self.excursions.items():
            off_ns = self.plan.off_delay_ns[edge]
            delay = (
                excursion.delay.resumed(at_ns, off_delay_ns=off_ns)
                if is_seen
                else excursion.delay.paused()
            )
            self.excursions[edge] = replace(excursion, delay=delay)

    def _evaluate(self, at_ns: int) -> None:
        """Run the machines after the edges of one moment."""
        if self.is_seen:
            self._move_phase(at_ns)
        was_cold = self.is_cold_in_production
        self.is_cold_in_production = (
            self.is_due and self.is_below and (was_cold or self.is_in_production)
        )
        if self.is_cold_in_production != was_cold and self.plan.rules.alarm(AlarmKind.COLD):
            self._tell(_NamedEdge(self.row, at_ns, "is_cold", not was_cold), "is_cold")
        for place, alarm in enumerate(self.plan.alarms):
            self.tracks[place] = self._turn(self.tracks[place], alarm, at_ns)
        self.is_changed = False
        self._turn_excursion("low", at_ns, is_out=self.is_due and self.is_below)
        self._turn_excursion("high", at_ns, is_out=self.is_above)
        self._advance(at_ns)

    def _move_phase(self, at_ns: int) -> None:
        """The zone machine after a good reading."""
        if self.plan.rules.setpoint is None:
            self.demand = Demand.PRODUCTION if self.is_hot_to_touch else Demand.OFF
        phase = next_phase(
            self.phase,
            self.demand,
            is_warm=not self.is_below,
            is_soaked=self.is_soaked,
            is_standing=not self.is_in_production,
            is_cool=not self.is_hot_to_touch,
        )
        if phase is not self.phase:
            self.phase_since = self._instant(at_ns)
            event = phase_event(
                self.plan,
                self.phase_since,
                (self.phase, phase),
                temp_c=self._temp_c(self.row),
                told=self._forecast(at_ns),
            )
            self.filed.append((self.row, event))
            if Phase.READY in {phase, self.phase}:
                is_ready = phase is Phase.READY
                self._tell(_NamedEdge(self.row, at_ns, "is_ready", is_ready), "is_ready")
            self.phase = phase
            self.phase_rows.append((self.row, phase))
        if phase is not Phase.RECOVERING:
            self.is_due = phase is Phase.READY
        if not self.is_due:
            self.dip = None

    def _forecast(self, at_ns: int) -> Forecast:
        """What is expected of the core at a moment, from what the rows until then have shown."""
        if self.core is None or self.plan.core is None:
            return Forecast(None, 0.0)
        told_c = None
        if self.plan.rules.setpoint is not None:
            setpoint_c, is_told = self._setpoints()
            told_c = float(setpoint_c[self.row - 1]) if is_told[self.row - 1] else None
        then = self.core.state_at(at_ns, self.row)
        then = replace(then, is_soaked=self.is_soaked)
        return warming.forecast(then, self.plan.core, wall_c=held_wall_c(told_c, self.plan.rules))

    def _turn(self, track: Track, alarm: AlarmPlan, at_ns: int) -> Track:
        """One alarm with its undelayed conditions as they are now."""
        kind = alarm.rules.kind
        conditions = {
            AlarmKind.COLD: (self.is_cold_in_production,),
            AlarmKind.HOT: (self.is_above, self.is_over_ceiling),
            AlarmKind.OVER_CEILING: (self.is_over_ceiling,),
            AlarmKind.BUILD_UP: (self.is_full and self.is_tip_cold,),
            AlarmKind.DEGRADATION: (self.is_spent and self.is_above,),
        }[kind][: len(alarm.stages)]
        at, is_idle = self._instant(at_ns), kind is AlarmKind.COLD and not self.is_due
        track = tracks.turn(track, alarm, at, conditions, at_once=is_idle)
        track, changes = tracks.idle(track, alarm, at, is_idle=is_idle)
        self._file_changes(changes)
        if self.is_changed and kind in _SETTLING:
            track, changes = tracks.settle(track, alarm, at)
            self._file_changes(changes)
        if self.is_over_ceiling:
            track, changes = tracks.settled(track, alarm, at)
            self._file_changes(changes)
        return track

    def _turn_excursion(self, edge: str, at_ns: int, *, is_out: bool) -> None:
        """An edge of the window passed in either direction, or nothing new."""
        track = self.excursions[edge]
        if is_out == track.delay.is_raw:
            return
        # Going to setback or off is not a return: the excursion ends there and then.
        has_left = edge == "low" and not self.is_due
        off_ns = 0 if has_left else self.plan.off_delay_ns[edge]
        at = self._instant(at_ns)
        delay = track.delay.turned(at, is_raw=is_out, on_delay_ns=0, off_delay_ns=off_ns)
        self.excursions[edge] = replace(track, delay=delay)
        if not is_out:
            self.excursions[edge] = returned(
                self.excursions[edge], self._instant(at_ns), self._totals(edge, self.row)
            )
            if has_left:
                self._end_excursion(edge, at_ns, self.row, ended_by="phase")
        elif not delay.is_on:
            self._open_excursion(edge, at_ns)

    def _open_excursion(self, edge: str, at_ns: int) -> None:
        """A new excursion at its crossing."""
        track = self.excursions[edge]
        # Behind a gap the crossing is the row itself, else it lies in the step before the row.
        base = self.row - 1 if self.series.is_joined[self.row - 1] else self.row
        start = replace(self._totals(edge, base), parts=self._parts(self.row))
        limit_c = self._limit_c(edge)
        track = opened(track, self._instant(at_ns), start, limit_c)
        self.excursions[edge] = replace(track, delay=track.delay.fired())
        self.peak_from[edge] = self.row
        self._file(
            EventKind.EXCURSION_OPENED,
            at_ns,
            ("edge", edge),
            ("limit_c", limit_c),
            ("parts", start.parts),
        )

    def _end_excursion(self, edge: str, at_ns: int, row: int, *, ended_by: str) -> None:
        """The excursion under way is over."""
        self._note_peak(edge, row)
        track = self.excursions[edge]
        self.excursions[edge] = replace(track, current=None, delay=track.delay.fired())
        if track.current is not None:  # pragma: no branch - what ends is under way
            details = closing_details(
                track.current, edge=edge, limit_c=self._limit_c(edge), ended_by=ended_by
            )
            self._file(EventKind.EXCURSION_ENDED, at_ns, *details, row=row)

    def _note_peak(self, edge: str, row: int) -> None:
        """Furthest good reading of the rows up to this one."""
        part = slice(min(self.peak_from[edge], row), row + 1)
        seen = self.series.value[part][self.series.is_good[part]]
        if seen.size:
            is_high = edge == "high"
            peak_c = float(seen.max() if is_high else seen.min())
            self.excursions[edge] = peaked(self.excursions[edge], peak_c, is_high=is_high)

    def _advance(self, until_ns: int) -> None:
        """Everything that is due at or before a moment."""
        for place, alarm in enumerate(self.plan.alarms):
            due_ns = tracks.next_due_ns(self.tracks[place])
            if due_ns is not None and due_ns <= until_ns:
                self.tracks[place], changes = tracks.advance(
                    self.tracks[place], alarm, until_ns, self._instant
                )
                self._file_changes(changes)
        for edge in ("low", "high"):
            delay = self.excursions[edge].delay
            if delay.due_ns is not None and delay.due_by(until_ns):
                self._end_excursion(
                    edge, delay.due_ns, self._row_at(delay.due_ns), ended_by="return"
                )

    def close(self) -> ZoneState:
        """State after the block."""
        for edge in ("low", "high"):
            if self.excursions[edge].current is not None:
                self._note_peak(edge, self.rows.mono_ns.size)
        state, rows = self.before, self.rows
        parts = exposure.exposures(
            self.series, self._activity(), self.beyond["low"], self.beyond["high"]
        )
        counts = np.bincount(rows.quality, minlength=len(Quality)).tolist()
        count = rows.mono_ns.size
        full_ns, flowed_ns = self._running(count)
        return ZoneState(
            id=state.id,
            tracks=tuple(self.tracks),
            last=self.series.last,
            is_dispensing={1: True, 0: False}.get(int(self.dispensing[-1])),
            demand=self.demand,
            phase=self.phase,
            is_seen=self.is_seen,
            is_below=self.is_below,
            is_above=self.is_above,
            is_over_ceiling=self.is_over_ceiling,
            is_hot_to_touch=self.is_hot_to_touch,
            is_in_production=self.is_in_production,
            is_cold_in_production=self.is_cold_in_production,
            account=exposure.add(state.account, parts),
            build_up_ns=self.build_up_ns,
            degradation_ns=self.degradation_ns,
            low=self.excursions["low"],
            high=self.excursions["high"],
            readings=tuple(a + b for a, b in zip(state.readings, counts, strict=True)),
            quality=Quality(int(rows.quality[-1])),
            reason=Reason(int(rows.reason[-1])),
            status=int(rows.status[-1]),
            last_good=self._last_good(),
            setpoint=newest_of(state.setpoint, rows.mono_ns, rows.setpoint),
            output=newest_of(state.output, rows.mono_ns, rows.output),
            last_good_c=self._last_good_c(),
            dose=self._dose(count),
            core=None if self.core is None else self.core.state,
            tip_c=float(self.tip.value[-1]),
            is_tip_cold=self.is_tip_cold,
            is_dipped=self.is_dipped,
            dip=self.dip,
            is_due=self.is_due,
            dip_ended_ns=self.dip_ended_ns,
            full_ns=full_ns,
            flowed_ns=flowed_ns,
            phase_since=self.phase_since,
            told_c=self.told_c,
        )

    def _last_good_c(self) -> float | None:
        """The newest good temperature."""
        seen_c = self.series.value[1:][self.series.is_good[1:]]
        return float(seen_c[-1]) if seen_c.size else self.before.last_good_c

    def _last_good(self) -> Instant | None:
        """When a good temperature was last received."""
        row = -1
        if not self.series.is_good[-1]:
            good = np.flatnonzero(self.series.is_good[1:])
            if not good.size:
                return self.before.last_good
            row = good[-1]
        return Instant(int(self.rows.seen_ns[row]), int(self.rows.mono_ns[row]))

    def _activity(self) -> NDArray[np.int8]:
        """What the cell was doing in each step."""
        codes = np.empty(self.series.mono_ns.size, dtype=np.int8)
        for row, phase in self.phase_rows:
            codes[row:] = _ACTIVITY_CODE[_ACTIVITY_OF[phase]]
        codes[self.dispensing > 0] = _ACTIVITY_CODE[Activity.DISPENSING]
        codes[self.dispensing < 0] = _ACTIVITY_CODE[Activity.UNKNOWN]
        return codes[:-1]

    def _totals(self, edge: str, row: int) -> Totals:
        """Running totals of the zone at one row."""
        so_far = exposure.total(self.before.account)
        flowing = self.before.account[_ACTIVITY_CODE[Activity.DISPENSING]]
        out_ns, area_nks = (
            (flowing.below_ns, so_far.under_nks)
            if edge == "low"
            else (flowing.above_ns, so_far.over_nks)
        )
        time, area = (column[:row] for column in self.beyond[edge])
        blind = self.series.step_ns[:row][~self.series.is_joined[:row]]
        return Totals(
            area_nks=area_nks + int(area.sum()),
            dispensing_ns=out_ns + int(time[self.dispensing[:row] > 0].sum()),
            blind_ns=so_far.blind_ns + int(blind.sum()),
            parts=self._parts(row),
        )

    def _limit_c(self, edge: str) -> float:
        """Edge of the window."""
        return self.plan.rules.low_c if edge == "low" else self.plan.rules.high_c

    def _parts(self, row: int) -> int | None:
        """Part counter at a new row."""
        parts = self.rows.parts[max(row - 1, 0)]
        return int(parts) if np.isfinite(parts) else None

    def _temp_c(self, row: int) -> float | None:
        """Temperature at a row, None unless good."""
        return float(self.series.value[row]) if self.series.is_good[row] else None

    def _row_at(self, at_ns: int) -> int:
        """The row that shows what is due at a moment: the first one at or after it.

        Never a row before the one under way, whose edge may be dated into the step before it.
        """
        return max(int(np.searchsorted(self.rows.mono_ns, at_ns)) + 1, self.row)

    def _instant(self, at_ns: int) -> Instant:
        """A moment of this block on both clocks, by the clocks of the row that shows it."""
        row = self._row_at(at_ns) - 1
        return Instant(int(self.rows.seen_ns[row] - (self.rows.mono_ns[row] - at_ns)), at_ns)

    def _file(
        self,
        kind: EventKind,
        at_ns: int,
        *details: tuple[str, Detail],
        row: int | None = None,
    ) -> None:
        """An event of this zone, under the row under way or another."""
        event = Event(kind, self._instant(at_ns), self.plan.cell, self.plan.rules.id, details)
        self.filed.append((self.row if row is None else row, event))

    def _file_changes(self, changes: tuple[Change, ...]) -> None:
        """Events of what the alarm machine did."""
        for change in changes:
            row = self._row_at(change.at.mono_ns)
            event = alarm_event(
                change,
                temp_c=self._temp_c(row),
                limit=limit_of(change, self.plan),
            )
            self.filed.append((row, event))
