"""Is the charge warm to the core? By the model of its container, or by a timer where none fits.

The core is slow, so it is followed on a grid of time: a node is a good row that is the first
in its cell of the grid, the first behind a stretch that is not seen, or the last before one.
The wall is a straight line from node to node. Which rows are nodes does not depend on how a
series is cut, and neither does what is computed from them, to the last digit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import soak
from watchedpot.core.rules import ZoneRules
from watchedpot.core.series import Edge, Sample, Series
from watchedpot.core.soak import SoakPlan, SoakState
from watchedpot.core.units import ns, seconds

NODE_NS = ns(5.0)
"""Cell of the grid: short against the minutes in which the thinnest container warms. [ns]"""

DEADBAND_K = 1.0
"""How far a warm core must fall to count as cold again; common practice, no source. [K]"""


@dataclass(frozen=True, slots=True, eq=False)
class CorePlan:
    """How the core of a charge is followed.

    Attributes
    ----------
    model
        Of its container; None without geometry, then the timer decides.
    warm_c, cold_c
        Where the slowest estimate of the axis counts as warm, and as cold again. [degC]
    window_c
        Wall temperature from which the timer runs. [degC]
    timer_ns
        Time it takes from cold. [ns]
    """

    model: SoakPlan | None
    warm_c: float
    cold_c: float
    window_c: float
    timer_ns: int


def plan_core(rules: ZoneRules) -> CorePlan | None:
    """How the core is followed, None where a warm wall counts as a warm charge."""
    rules_of_soak, thermal = rules.soak, rules.material.thermal
    if rules_of_soak is None:
        return None
    model = None
    if rules_of_soak.radius_m is not None and thermal is not None:
        model = soak.plan_soak(
            radius_m=rules_of_soak.radius_m,
            wall_w_per_m2_k=rules_of_soak.wall_w_per_m2_k,
            thermal=thermal,
        )
    warm_c = rules_of_soak.ready_c - rules_of_soak.tolerance_k
    timer_ns = ns(rules_of_soak.timer_s or 0.0)
    return CorePlan(model, warm_c, warm_c - DEADBAND_K, rules.low_c, timer_ns)


@dataclass(frozen=True, slots=True)
class CoreState:
    """The core at its newest node.

    Attributes
    ----------
    is_soaked
        Whether the charge counts as warm to the core.
    model
        None before the first node, and without a model.
    node, owed_ns
        Of the timer: the newest node, and the time it still asks for. [ns]
    """

    is_soaked: bool = False
    model: SoakState | None = None
    node: Sample | None = None
    owed_ns: int = 0


def unknown_core(plan: CorePlan) -> CoreState:
    """The core before anything is known: cold by a timer, by a model from its first node."""
    return CoreState(owed_ns=plan.timer_ns)


def adopted_core(state: CoreState | None, plan: CorePlan | None) -> CoreState | None:
    """The core under another configuration: what still fits goes on."""
    if plan is None:
        return None
    if state is None:
        return unknown_core(plan)
    if plan.model is None:
        if not state.is_soaked and state.node is None and not state.owed_ns:
            return unknown_core(plan)  # it was followed by a model
        owed_ns = min(state.owed_ns, plan.timer_ns)
        return CoreState(state.is_soaked, node=state.node, owed_ns=owed_ns)
    if state.model is None or not soak.fits(state.model, plan.model):
        return unknown_core(plan)
    return state


@dataclass(frozen=True, slots=True)
class Start:
    """How warm a charge came.

    Attributes
    ----------
    start_c
        All of it, before any warming. [degC]
    preheat_c, preheat_s
        A warmer it was kept in; None for none. [degC, s]
    is_assumed
        Whether that is how charges usually come, and not said of this one.
    """

    start_c: float
    preheat_c: float | None = None
    preheat_s: float = 0.0
    is_assumed: bool = True


def loaded_core(plan: CorePlan, start: Start, *, mono_ns: int, wall_c: float) -> CoreState:
    """The core of a charge that is loaded now."""
    if plan.model is None:
        return CoreState(is_soaked=plan.timer_ns == 0, owed_ns=plan.timer_ns)
    model = soak.start_soak(
        plan.model,
        mono_ns=mono_ns,
        wall_c=wall_c,
        charge_c=start.start_c,
        is_assumed=start.is_assumed,
        preheat_c=start.preheat_c,
        preheat_s=start.preheat_s,
    )
    return CoreState(soak.now_c(model, plan.model).low_c >= plan.warm_c, model)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected of a core, the wall staying where it is held.

    Attributes
    ----------
    core_c
        The axis now; None where not known. [degC]
    ready_in_s
        0 when soaked, None where it is not known or never. [s]
    """

    core_c: float | None
    ready_in_s: float | None


def forecast(state: CoreState, plan: CorePlan, *, wall_c: float) -> Forecast:
    """The core at its newest node, and when it is warm with the wall held from then on."""
    if plan.model is None:
        return Forecast(None, seconds(state.owed_ns))
    if state.model is None:
        return Forecast(None, None)
    now = soak.now_c(state.model, plan.model)
    ready_in_s = soak.ready_in_s(state.model, plan.model, wall_c=wall_c, target_c=plan.warm_c)
    return Forecast(now.best_c, 0.0 if state.is_soaked else ready_in_s)


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The core over one block.

    Attributes
    ----------
    state
        After the block.
    edges
        Where it became warm, or cold again: at nodes, dated and shown by their own rows.
    state_at
        The core as the rows until a moment have shown it; of use where something happens.
    """

    state: CoreState
    edges: tuple[Edge, ...]
    state_at: Callable[[int, int], CoreState]


def follow(before: CoreState, series: Series, plan: CorePlan, start_c: float) -> Followed:
    """The core over the rows of a block.

    Parameters
    ----------
    before : CoreState
        At its newest node before these rows.
    series : Series
        n + 1 rows of the wall.
    plan : CorePlan
        How it is followed.
    start_c : float
        Temperature of a charge that nothing is known of. [degC]

    Returns
    -------
    Followed
        With the edges in time order.

    Source
    ------
    The conduction is that of ``soak``.
    """
    newest = before.model if before.model is not None else before.node
    nodes = _nodes(series, None if newest is None else newest.mono_ns)
    if not nodes.row.size:
        return Followed(before, (), lambda _at_ns, _row: before)
    if plan.model is None:
        return _by_timer(before, nodes, plan)
    return _by_model(before, nodes, plan, plan.model, start_c)


@dataclass(frozen=True, slots=True, eq=False)
class _Nodes:
    """The nodes among the rows of a series.

    Attributes
    ----------
    row, mono_ns, wall_c, is_joined : (k,)
        Row, time, wall temperature, and whether the step to the node is seen. [1, ns, degC, 1]
    is_shown : (k,)
        Whether the node's own row makes it one; else that is known only from the next.
    """

    row: NDArray[np.int64]
    mono_ns: NDArray[np.int64]
    wall_c: NDArray[np.float64]
    is_joined: NDArray[np.bool_]
    is_shown: NDArray[np.bool_]

    def until(self, at_ns: int, row: int) -> int:
        """How many of the nodes the rows until a moment have shown."""
        is_past = self.is_shown & (self.row <= row) & (self.mono_ns <= at_ns)
        known = np.flatnonzero(is_past)
        return int(known[-1]) + 1 if known.size else 0

    def first(self, count: int) -> _Nodes:
        """The first of the nodes."""
        part = slice(0, count)
        return _Nodes(
            self.row[part],
            self.mono_ns[part],
            self.wall_c[part],
            self.is_joined[part],
            self.is_shown[part],
        )


def _nodes(series: Series, newest_ns: int | None) -> _Nodes:
    """The nodes behind the newest one."""
    mono_ns, joined = series.mono_ns, series.is_joined
    cell = mono_ns // NODE_NS
    is_shown = np.concatenate(([False], series.is_good[1:] & ((cell[1:] != cell[:-1]) | ~joined)))
    is_last_seen = np.concatenate((series.is_good[:-1] & ~joined, [False]))
    is_node = is_shown | is_last_seen
    if newest_ns is not None:
        is_node &= mono_ns > newest_ns
    row = np.flatnonzero(is_node)
    return _Nodes(
        row,
        mono_ns[row],
        series.value[row],
        np.concatenate(([True], joined))[row],
        is_shown[row],
    )


def _by_timer(before: CoreState, nodes: _Nodes, plan: CorePlan) -> Followed:
    """By the time that the wall was in its window."""
    first = before.node or Sample(int(nodes.mono_ns[0]), float(nodes.wall_c[0]), is_good=True)
    mono_ns = np.concatenate(([first.mono_ns], nodes.mono_ns))
    is_in = np.concatenate(([first.value], nodes.wall_c)) >= plan.window_c
    is_within = is_in[1:] & is_in[:-1]
    # What is not seen proves nothing: no time is earned in it, and none lost if it ends well.
    step_ns = np.where(is_within & ~nodes.is_joined, 0, mono_ns[1:] - mono_ns[:-1])
    newest_ns, owed_ns = soak.run_timer(
        before.owed_ns, step_ns, is_within, nodes.is_joined, full_ns=plan.timer_ns
    )
    marks = np.where(owed_ns == 0, 1, -1).astype(np.int8)
    edges, is_soaked = _edges(before, nodes, marks)
    last = Sample(int(nodes.mono_ns[-1]), float(nodes.wall_c[-1]), is_good=True)

    def state_at(at_ns: int, row: int) -> CoreState:
        count = nodes.until(at_ns, row)
        return replace(before, owed_ns=int(owed_ns[count - 1])) if count else before

    return Followed(CoreState(is_soaked, None, last, newest_ns), edges, state_at)


def _by_model(
    before: CoreState, nodes: _Nodes, plan: CorePlan, model: SoakPlan, start_c: float
) -> Followed:
    """By conduction from the wall."""
    state = before.model or soak.start_soak(
        model,
        mono_ns=int(nodes.mono_ns[0]),
        wall_c=float(nodes.wall_c[0]),
        charge_c=start_c,
        is_assumed=True,
    )
    rest = nodes if before.model is not None else _behind_first(nodes)
    after, course = soak.run_soak(state, model, rest.mono_ns, rest.wall_c, rest.is_joined)
    low_c = course.centre_c.min(axis=1)
    if rest is not nodes:
        low_c = np.concatenate(([soak.now_c(state, model).low_c], low_c))
    marks = (low_c >= plan.warm_c).astype(np.int8) - (low_c < plan.cold_c)
    edges, is_soaked = _edges(before, nodes, marks)

    def state_at(at_ns: int, row: int) -> CoreState:
        count = nodes.until(at_ns, row)
        if not count:
            return before
        part = rest.first(count - (rest is not nodes))
        then, _ = soak.run_soak(state, model, part.mono_ns, part.wall_c, part.is_joined)
        return replace(before, model=then)

    return Followed(CoreState(is_soaked, after), edges, state_at)


def _behind_first(nodes: _Nodes) -> _Nodes:
    """All nodes but the first."""
    return _Nodes(
        nodes.row[1:],
        nodes.mono_ns[1:],
        nodes.wall_c[1:],
        nodes.is_joined[1:],
        nodes.is_shown[1:],
    )


def _edges(
    before: CoreState, nodes: _Nodes, marks: NDArray[np.int8]
) -> tuple[tuple[Edge, ...], bool]:
    """Where the core became warm (marks 1) or cold (-1), and what it is in the end."""
    said = np.flatnonzero(nodes.is_shown & (marks != 0))
    held = np.concatenate(([1 if before.is_soaked else -1], marks[said]))
    changed = said[held[1:] != held[:-1]]
    edges = tuple(
        Edge(int(nodes.mono_ns[place]), int(nodes.row[place]), is_on=bool(marks[place] > 0))
        for place in changed.tolist()
    )
    return edges, bool(held[-1] > 0)
