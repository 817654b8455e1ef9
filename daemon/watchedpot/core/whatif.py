"""What would happen: warm-ups, breaks and colder blocks, before anything is tried at a cell.

The laws are those of the account of a running cell, on wall temperatures that are assumed
instead of read. Where the rules do not know enough for a part of an answer, that part is None.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, log

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import soak, tip, viscosity
from watchedpot.core.dose import Dose, dose
from watchedpot.core.rules import AgeingRules, CellRules, Dosing, ZoneRules
from watchedpot.core.series import continue_series
from watchedpot.core.soak import SoakPlan, SoakState
from watchedpot.core.units import NANO, ns, seconds
from watchedpot.core.warming import CorePlan, Start, loaded_core, plan_core
from watchedpot.core.zone import usual_c

STEP_S = 10.0
"""Straight pieces of a wall [s]: with a lag of 3 min each is within 0.04 % of the change."""

HORIZON_S = 86_400.0
"""A charge that is not warm within a day is not foretold. [s]"""

_AT, _WALL, _LOW, _BEST, _HIGH = range(5)
"""Columns of the rows that a charge is followed in: [s, degC, degC, degC, degC]."""


@dataclass(frozen=True, slots=True)
class Wall:
    """A wall whose setpoint has just changed: a first-order lag.

    Attributes
    ----------
    start_c, end_c
        Where it is, and where it goes. [degC]
    lag_s
        Time constant; 0: at once. [s]
    """

    start_c: float
    end_c: float
    lag_s: float = 0.0

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Temperature in degC after each of some times in s."""
        if self.lag_s == 0.0:
            return np.full_like(time_s, self.end_c)
        return self.end_c + (self.start_c - self.end_c) * np.exp(-time_s / self.lag_s)

    def reaches_s(self, temp_c: float) -> float:
        """Time in s until it has risen to a temperature in degC, infinite where it never does."""
        if self.start_c >= temp_c:
            return 0.0
        if self.end_c <= temp_c:
            return inf
        return self.lag_s * log((self.end_c - self.start_c) / (self.end_c - temp_c))


@dataclass(frozen=True, slots=True)
class History:
    """A charge and its wall over time; all columns of one length.

    Attributes
    ----------
    at_s
        Since the question begins. [s]
    wall_c
        What the zone's sensor would read. [degC]
    low_c, best_c, high_c
        The axis: lowest, best and highest of the estimates. [degC]
    """

    at_s: tuple[float, ...]
    wall_c: tuple[float, ...]
    low_c: tuple[float, ...]
    best_c: tuple[float, ...]
    high_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class WarmUp:
    """How a charge becomes warm.

    Attributes
    ----------
    slow_s, best_s, fast_s
        When the axis is warm for good by the lowest, the best and the highest estimate; the
        lowest decides. None: not within ``HORIZON_S``. By a timer all are the same. [s]
    history
        None by a timer.
    """

    slow_s: float | None
    best_s: float | None
    fast_s: float | None
    history: History | None


@dataclass(frozen=True, slots=True)
class Pause:
    """A break, with or without a setback.

    Attributes
    ----------
    setback_c
        None for none. [degC]
    in_break
        Dose of the break; None where the material has no pot life.
    until_ready
        Dose of the break and of the time after it until the zone is ready; None also where
        that is not known.
    axis_c
        Best estimate at the end of the break; None without geometry. [degC]
    ready_in_s
        From the end of the break; None: not within ``HORIZON_S``. [s]
    history
        From the beginning of the break; None without geometry.
    """

    setback_c: float | None
    in_break: Dose | None
    until_ready: Dose | None
    axis_c: float | None
    ready_in_s: float | None
    history: History | None


@dataclass(frozen=True, slots=True)
class TipCase:
    """A nozzle at one temperature of its block.

    Attributes
    ----------
    idle_c, idle_k, flowing_c, flowing_k
        The tip without and with melt flow, and how far that may be off; None where nothing is
        configured of the tip. [degC, K]
    viscosity_ratio
        Over that at the usual setpoint: of the melt that leaves, of the block without a tip. [1]
    flow_ratio, width_ratio
        Flow and bead width where pressure and time are set. [1]
    pressure_ratio
        Pressure where a pump sets the flow. [1]
    drop_pa
        Pressure that the usual flow needs through the tip; None where not known. [Pa]
    """

    block_c: float
    idle_c: float | None
    idle_k: float | None
    flowing_c: float | None
    flowing_k: float | None
    viscosity_ratio: float
    flow_ratio: float
    width_ratio: float
    pressure_ratio: float
    drop_pa: float | None


def warm_up(zone: ZoneRules, wall: Wall, start: Start) -> WarmUp | None:
    """How long a charge needs until its zone counts it as warm.

    Parameters
    ----------
    zone : ZoneRules
        Where it lies.
    wall : Wall
        What the zone's sensor does from the moment of loading.
    start : Start
        How warm the charge comes.

    Returns
    -------
    WarmUp or None
        None where the zone has no soak rules: there a warm wall counts as a warm charge.

    Source
    ------
    The functions of ``soak``, on a wall that is straight for ``STEP_S`` at a time.

    Examples
    --------
    By a timer: 69 s (100 s x ln 2) from 23 degC half of the way to 123, then the ten minutes.

    >>> from watchedpot.core.rules import MaterialRules, SoakRules, ZoneKind
    >>> tank = ZoneRules("tank", ZoneKind.TANK, MaterialRules("demo", 140.0, 50e3, 80e3, "demo"),
    ...     low_c=73.0, high_c=130.0, temperature="a/tank/temperature", setpoint_c=123.0,
    ...     soak=SoakRules(ready_c=73.0, timer_s=600.0))
    >>> round(warm_up(tank, Wall(23.0, 123.0, lag_s=100.0), Start(23.0)).slow_s)
    669
    """
    plan = plan_core(zone)
    if plan is None:
        return None
    at_s = np.zeros(1)
    wall_c = wall.at(at_s)
    core = loaded_core(plan, start, mono_ns=0, wall_c=float(wall_c[0]))
    if core.model is None or plan.model is None:
        warm_s = _by_timer(plan, wall, at_s, wall_c, owed_ns=core.owed_ns)
        return WarmUp(warm_s, warm_s, warm_s, None)
    now = soak.now_c(core.model, plan.model)
    loaded = np.array([[0.0, wall_c[0], now.low_c, now.best_c, now.high_c]])
    rows = np.vstack((loaded, _until_warm(core.model, plan.model, wall, plan.warm_c, since_s=0.0)))
    slow_s, best_s, fast_s = (_warm_s(rows, axis, plan.warm_c) for axis in (_LOW, _BEST, _HIGH))
    return WarmUp(slow_s, best_s, fast_s, _history(rows, slow_s))


def pause(zone: ZoneRules, *, setback_c: float | None, break_s: float, lag_s: float) -> Pause:
    """What a break does to a charge that was warm at the zone's usual temperature.

    Parameters
    ----------
    zone : ZoneRules
        Where it lies.
    setback_c : float or None
        Setpoint during the break; None for the usual one. [degC]
    break_s : float
        Length of the break, above 0. [s]
    lag_s : float
        Time constant of the wall, falling and rising; 0: at once. [s]

    Returns
    -------
    Pause
        Age, core and time until ready.

    Source
    ------
    The functions of ``soak`` and ``dose``, on a wall that is straight for ``STEP_S`` at a time.

    Examples
    --------
    At the reference temperature without setback a break costs its own length.

    >>> from watchedpot.core.rules import MaterialRules, ZoneKind
    >>> ageing = AgeingRules(pot_life_s=8 * 3600.0, ref_c=110.0)
    >>> syringe = ZoneRules("syringe", ZoneKind.SYRINGE,
    ...     MaterialRules("demo", 140.0, 50e3, 80e3, "demo", ageing=ageing),
    ...     low_c=104.0, high_c=118.0, temperature="a/syringe/temperature", setpoint_c=110.0)
    >>> pause(syringe, setback_c=None, break_s=2700.0, lag_s=180.0).in_break.low_ns / 60e9
    45.0
    """
    usual = usual_c(zone)
    away = Wall(usual, usual if setback_c is None else setback_c, lag_s)
    at_s = _moments(break_s)
    wall_c = np.append(usual, away.at(at_s[1:]))
    back = Wall(float(wall_c[-1]), usual, lag_s)
    axis_c, history, warm_s = _core_after(zone, back, at_s, wall_c)
    ready_in_s = None if warm_s is None else max(warm_s - break_s, back.reaches_s(zone.low_c))
    ageing, ceiling_c = zone.material.ageing, zone.material.ceiling_c
    in_break = until_ready = None
    if ageing is not None:
        in_break = _aged(at_s, wall_c, ageing, ceiling_c=ceiling_c)
        if ready_in_s is not None:
            after_s = _moments(ready_in_s)
            until_ready = in_break + _aged(after_s, back.at(after_s), ageing, ceiling_c=ceiling_c)
    return Pause(setback_c, in_break, until_ready, axis_c, ready_in_s, history)


def _core_after(
    zone: ZoneRules, back: Wall, at_s: NDArray[np.float64], wall_c: NDArray[np.float64]
) -> tuple[float | None, History | None, float | None]:
    """Core at the end of a break, its history, and when it is warm again since the beginning."""
    plan = plan_core(zone)
    if plan is None:
        return None, None, float(at_s[-1])
    if plan.model is None:
        return None, None, _by_timer(plan, back, at_s, wall_c, owed_ns=0)
    usual = float(wall_c[0])
    state = soak.start_soak(plan.model, mono_ns=0, wall_c=usual, charge_c=usual, is_assumed=False)
    state, resting = _run(state, plan.model, at_s[1:], wall_c[1:])
    recovering = _until_warm(state, plan.model, back, plan.warm_c, since_s=float(at_s[-1]))
    warm_s = _warm_s(np.vstack((resting[-1:], recovering)), _LOW, plan.warm_c)
    rows = np.vstack((np.array([[0.0, usual, usual, usual, usual]]), resting, recovering))
    return float(resting[-1, _BEST]), _history(rows, warm_s), warm_s


def _moments(duration_s: float) -> NDArray[np.float64]:
    """Moments from 0 to a duration, about ``STEP_S`` apart."""
    return np.linspace(0.0, duration_s, max(ceil(duration_s / STEP_S), 1) + 1)


def _run(
    state: SoakState, model: SoakPlan, at_s: NDArray[np.float64], wall_c: NDArray[np.float64]
) -> tuple[SoakState, NDArray[np.float64]]:
    """The charge along its wall: the state at the end, and a row for each moment."""
    mono_ns = np.rint(at_s * NANO).astype(np.int64)
    after, course = soak.run_soak(state, model, mono_ns, wall_c, np.ones(at_s.size, dtype=np.bool_))
    low_c, high_c = course.centre_c.min(axis=1), course.centre_c.max(axis=1)
    return after, np.column_stack((at_s, wall_c, low_c, course.centre_c[:, 1], high_c))


def _until_warm(
    state: SoakState, model: SoakPlan, wall: Wall, warm_c: float, *, since_s: float
) -> NDArray[np.float64]:
    """Rows from a moment until the axis is warm and stays so, at most for ``HORIZON_S``.

    What happened at the wall before still travels inwards, so it is followed for as long as
    that takes in any case.
    """
    look_s = 2.0 / float(model.rate_per_s.min()) + 3.0 * wall.lag_s
    passed_s, pieces = 0.0, [np.empty((0, 5))]
    while passed_s < HORIZON_S and not (passed_s and pieces[-1][-1, _LOW] >= warm_c):
        at_s = passed_s + _moments(look_s)[1:]
        state, rows = _run(state, model, since_s + at_s, wall.at(at_s))
        pieces.append(rows)
        passed_s += look_s
    return np.vstack(pieces)


def _warm_s(rows: NDArray[np.float64], axis: int, warm_c: float) -> float | None:
    """When an axis is warm for good, None if it is not warm in the end."""
    cold = np.flatnonzero(rows[:, axis] < warm_c)
    if not cold.size:
        return float(rows[0, _AT])
    last = int(cold[-1])
    if last == len(rows) - 1:
        return None
    return float(np.interp(warm_c, rows[last : last + 2, axis], rows[last : last + 2, _AT]))


def _by_timer(
    plan: CorePlan,
    wall: Wall,
    at_s: NDArray[np.float64],
    wall_c: NDArray[np.float64],
    *,
    owed_ns: int,
) -> float | None:
    """When the soak timer has run out: after moments that are given, and then a wall."""
    in_window_s = wall.reaches_s(plan.window_c)
    if in_window_s > HORIZON_S:
        return None
    then_s = _moments(in_window_s)[1:]
    at_ns = np.rint(np.concatenate((at_s, at_s[-1] + then_s)) * NANO).astype(np.int64)
    is_in = np.concatenate((wall_c, wall.at(then_s))) >= plan.window_c
    is_within = is_in[1:] & is_in[:-1]
    owed_ns, _ = soak.run_timer(
        owed_ns,
        at_ns[1:] - at_ns[:-1],
        is_within,
        np.ones_like(is_within),
        full_ns=plan.timer_ns,
    )
    return float(at_s[-1]) + in_window_s + seconds(owed_ns)


def _history(rows: NDArray[np.float64], warm_s: float | None) -> History:
    """The rows, to a little beyond the moment of being warm."""
    end_s = inf if warm_s is None else 1.1 * warm_s + STEP_S
    return History(*(tuple(column.tolist()) for column in rows[rows[:, _AT] <= end_s].T))


def _aged(
    at_s: NDArray[np.float64],
    wall_c: NDArray[np.float64],
    ageing: AgeingRules,
    *,
    ceiling_c: float,
) -> Dose:
    """Dose of a wall that is straight from moment to moment."""
    mono_ns = np.rint(at_s * NANO).astype(np.int64)
    if mono_ns[-1] == 0:
        return Dose()
    is_good = np.ones(at_s.size, dtype=np.bool_)
    series = continue_series(None, mono_ns, wall_c, is_good, max_gap_ns=ns(HORIZON_S))
    low_ns, high_ns = dose(series, series.value[:-1], ageing, ceiling_c=ceiling_c)
    return Dose(int(low_ns.sum()), int(high_ns.sum()))


def tip_case(cell: CellRules, nozzle: ZoneRules, block_c: float) -> TipCase:
    """What a temperature of the block means for the tip and for the bead.

    Parameters
    ----------
    cell : CellRules
        With the room's temperature and the usual flow.
    nozzle : ZoneRules
        Of the cell.
    block_c : float
        What the nozzle's sensor would read. [degC]

    Returns
    -------
    TipCase
        All in the steady state, relative to the usual setpoint.

    Source
    ------
    The functions of ``tip`` and ``viscosity``.

    Examples
    --------
    A block 10 K too cold at 50 kJ/mol: half as thick again, two thirds of the flow.

    >>> from watchedpot.core.rules import MaterialRules, ZoneKind
    >>> nozzle = ZoneRules("nozzle", ZoneKind.NOZZLE,
    ...     MaterialRules("demo", 140.0, 50e3, 80e3, "demo"), low_c=115.0, high_c=126.0,
    ...     temperature="a/nozzle/temperature", setpoint_c=120.0)
    >>> case = tip_case(CellRules("a", (nozzle,)), nozzle, 110.0)
    >>> round(case.viscosity_ratio, 2), round(case.flow_ratio, 2), round(case.width_ratio, 2)
    (1.49, 0.67, 0.82)
    """
    material = nozzle.material
    flow_ea = material.flow_ea_j_per_mol
    idle, flowing = (_tip_c(cell, nozzle, block_c, is_flowing=flows) for flows in (False, True))
    usual = _tip_c(cell, nozzle, usual_c(nozzle), is_flowing=True)
    melt_c = block_c if flowing is None else flowing[0]
    ratio = viscosity.relative_viscosity(
        melt_c,
        ref_c=usual_c(nozzle) if usual is None else usual[0],
        flow_ea_j_per_mol=flow_ea,
    )
    flow_ratio = viscosity.flow_ratio(ratio, Dosing.TIME_PRESSURE)
    return TipCase(
        block_c=block_c,
        idle_c=None if idle is None else idle[0],
        idle_k=None if idle is None else idle[1],
        flowing_c=None if flowing is None else flowing[0],
        flowing_k=None if flowing is None else flowing[1],
        viscosity_ratio=ratio,
        flow_ratio=flow_ratio,
        width_ratio=viscosity.width_ratio(flow_ratio),
        pressure_ratio=viscosity.pressure_ratio(ratio, Dosing.VOLUMETRIC),
        drop_pa=_drop_pa(cell, nozzle, melt_c),
    )


def _tip_c(
    cell: CellRules, nozzle: ZoneRules, block_c: float, *, is_flowing: bool
) -> tuple[float, float] | None:
    """Tip and uncertainty [degC, K], None where nothing is configured of it."""
    if nozzle.tip is None:
        return None
    plan = tip.plan_tip(
        nozzle.tip,
        thermal=nozzle.material.thermal,
        flow_kg_per_s=cell.charge.flow_kg_per_s,
        block_c=usual_c(nozzle),
        ambient_c=cell.ambient_c,
    )
    temp_c = tip.tip_temperature(
        np.array([block_c]),
        ambient_c=np.array([cell.ambient_c]),
        is_flowing=np.array([is_flowing]),
        plan=plan,
    )
    uncertainty_k = tip.tip_uncertainty(
        block_c, ambient_c=cell.ambient_c, is_flowing=is_flowing, plan=plan
    )
    return float(temp_c[0]), uncertainty_k


def _drop_pa(cell: CellRules, nozzle: ZoneRules, melt_c: float) -> float | None:
    """Pressure [Pa] that the usual flow needs through the bare tip, None where not known."""
    material, flow_kg_per_s = nozzle.material, cell.charge.flow_kg_per_s
    fin = None if nozzle.tip is None else nozzle.tip.fin
    if (
        fin is None
        or flow_kg_per_s is None
        or material.thermal is None
        or material.viscosity_pa_s is None
        or material.viscosity_at_c is None
    ):
        return None
    return viscosity.pressure_drop_pa(
        flow_kg_per_s / material.thermal.density_kg_per_m3,
        bore_m=fin.bore_m,
        length_m=fin.length_m,
        viscosity_pa_s=viscosity.viscosity_pa_s(
            melt_c,
            at_c=material.viscosity_at_c,
            viscosity_at_pa_s=material.viscosity_pa_s,
            flow_ea_j_per_mol=material.flow_ea_j_per_mol,
        ),
    )
