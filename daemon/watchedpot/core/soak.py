"""Soak: how warm a charge is inside, from the wall that its sensor measures.

Radial conduction in a long cylinder behind a wall coefficient, exact for a wall that is straight
between its nodes. Heat of fusion is left out: a crystalline polyurethane warms up later than
shown the first time; lower its diffusivity by fitting one warm-up with a sensor on the axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.rules import ThermalRules
from watchedpot.core.units import NANO

RINGS = 80
"""Rings of a cylinder [1]: axis and mean within 0.01 K of the exact series for a step of 97 K."""

MODES = 8
"""Modes followed one by one [1]. The ninth is gone at a t/R^2 = 0.02, when the axis has moved by a
hundred-thousandth; until then the others show as up to 0.1 K of the axis and 0.3 K of the mean
(1.1 K with perfect contact) for a step of 97 K."""

_BEST = 1  # of the estimates slow, best, fast
_MOMENTS = np.linspace(0.0, 1.0, 33)
_ROUNDS = 4  # 32^4: a forecast of ten hours is fine to 0.04 s


@dataclass(frozen=True, slots=True, eq=False)
class SoakPlan:
    """What geometry and material come to, computed once.

    A mode is the wall as seen through a first-order lag, and each temperature of the charge a
    fixed mix of the modes. So a charge of one temperature has all modes at it, a wall that is
    held brings all modes to it, and no step is too long or too stiff.

    Attributes
    ----------
    rate_per_s : (3, m) array
        Of each mode by the low, the best and the high diffusivity: slow, best, fast. [1/s]
    share : (2, m) array
        Of each mode in the temperature of the axis, and in the mean of the cross-section. [1]
    """

    rate_per_s: NDArray[np.float64]
    share: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SoakState:
    """A charge at the newest node of its wall.

    Attributes
    ----------
    mono_ns, wall_c
        The node. [ns, degC]
    modes_c
        Those of the slow estimate, then of the best, then of the fast one. [degC]
    is_assumed
        Whether the start of the charge was assumed rather than known.
    """

    mono_ns: int
    wall_c: float
    modes_c: tuple[float, ...]
    is_assumed: bool


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A charge at each of a row of nodes; columns slow, best, fast.

    Attributes
    ----------
    centre_c, mean_c : (k, 3) arrays
        Axis, and mean of the cross-section. [degC]
    """

    centre_c: NDArray[np.float64]
    mean_c: NDArray[np.float64]


class CoreNow(NamedTuple):
    """A charge at one moment.

    Attributes
    ----------
    low_c, best_c, high_c
        The axis: lowest, best and highest of the three estimates. [degC]
    mean_c
        Best estimate of the mean. [degC]
    """

    low_c: float
    best_c: float
    high_c: float
    mean_c: float


def plan_soak(
    *,
    radius_m: float,
    wall_w_per_m2_k: float,
    thermal: ThermalRules,
    rings: int = RINGS,
    modes: int = MODES,
) -> SoakPlan:
    """Modes of a cylinder whose axis is reached by conduction alone.

    Rings of equal thickness, each at its mean temperature; the links between axis, rings and
    wall are exact for a parabola, so the lag behind a steady ramp is exact. The slowest
    modes are kept. The others act as one for the axis and one for the mean, each with the share
    and the lag that they have together: neither a steady wall, nor a ramp, nor the first moment
    is disturbed. The range of the diffusivity scales time; the Biot number stays.

    Parameters
    ----------
    radius_m : float
        Inner radius of the container, above 0. [m]
    wall_w_per_m2_k : float
        Coefficient from the sensor's metal to the charge, above 0; very large for perfect
        contact. [W/(m2 K)]
    thermal : ThermalRules
        Of the charge.
    rings : int
        Equal rings, more than ``modes``; the error falls with their square. [1]
    modes : int
        Slowest modes to keep. [1]

    Returns
    -------
    SoakPlan
        ``modes`` + 2 modes.

    Source
    ------
    H.S. Carslaw, J.C. Jaeger, Conduction of Heat in Solids, 2nd ed. (1959), 7.6-7.8; finite
    volumes and their eigenvectors instead of Bessel functions. Shares of a lumped remainder:
    this project's own.

    Examples
    --------
    With perfect contact the slowest rate is 5.783 a / R^2 (2.405 is the first zero of J0).

    >>> silicone = ThermalRules(1.15e-7, 1.0e-7, 1.3e-7, 0.2, 1100.0, 1500.0)
    >>> plan = plan_soak(radius_m=0.011, wall_w_per_m2_k=1e9, thermal=silicone)
    >>> round(float(plan.rate_per_s[1, 0]) * 0.011**2 / 1.15e-7, 2)
    5.78
    """
    rates, shares = _cylinder(wall_w_per_m2_k * radius_m / thermal.conductivity_w_per_m_k, rings)
    rest = shares[:, modes:].sum(axis=1)
    rest_rates = rest / (shares[:, modes:] / rates[modes:]).sum(axis=1)
    diffusivities = np.array(
        [
            thermal.diffusivity_low_m2_per_s,
            thermal.diffusivity_m2_per_s,
            thermal.diffusivity_high_m2_per_s,
        ]
    )
    return SoakPlan(
        np.outer(diffusivities / radius_m**2, np.append(rates[:modes], rest_rates)),
        np.hstack((shares[:, :modes], np.diag(rest))),
    )


@lru_cache(maxsize=64)  # cells of one kind are planned one after the other
def _cylinder(biot: float, rings: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rates in units of a/R^2, and shares in axis and mean, of all modes; slowest first."""
    edge = np.linspace(0.0, 1.0, rings + 1)
    root_heat = np.sqrt(edge[1:] ** 2 - edge[:-1] ** 2)
    half = 0.5 / rings * (1.0 - 0.5 / rings)  # from a parabola's ring mean to the wall
    link = np.append(2.0 * rings * edge[1:-1], 2.0 / (half + 1.0 / biot))
    between = np.diag(link[:-1], 1)
    flow = np.diag(link + np.append(0.0, link[:-1])) - between - between.T
    rates, vectors = np.linalg.eigh(flow / np.outer(root_heat, root_heat))
    of_uniform = (root_heat[:, None] * vectors).sum(axis=0)
    first, second = vectors[:2] / root_heat[:2, None]
    centre = of_uniform * (5.0 * first - second) / 4.0  # from a parabola's two ring means
    return rates, np.array([centre, of_uniform**2])


def fits(state: SoakState, plan: SoakPlan) -> bool:
    """Whether a state can be continued by a plan.

    Parameters
    ----------
    state : SoakState
        Of a charge, perhaps under another plan: modes describe the profile over r/R, so they
        keep their meaning when radius or diffusivity are corrected, and nearly so with the
        wall coefficient.
    plan : SoakPlan
        Of its container now.

    Returns
    -------
    bool
        False when the plan has another number of modes. [1]

    Source
    ------
    Definition.

    Examples
    --------
    >>> plan = SoakPlan(np.ones((3, 1)), np.ones((2, 1)))
    >>> fits(start_soak(plan, mono_ns=0, wall_c=23.0, charge_c=23.0, is_assumed=True), plan)
    True
    """
    return len(state.modes_c) == plan.rate_per_s.size


def start_soak(
    plan: SoakPlan,
    *,
    mono_ns: int,
    wall_c: float,
    charge_c: float,
    is_assumed: bool,
    preheat_c: float | None = None,
    preheat_s: float = 0.0,
) -> SoakState:
    """A charge of one temperature, or out of a pre-warmer, that meets its wall.

    Parameters
    ----------
    plan : SoakPlan
        Of its container.
    mono_ns : int
        When. [ns]
    wall_c : float
        The wall from that moment on. [degC]
    charge_c : float
        Of the charge, before the pre-warmer if it was in one. [degC]
    is_assumed : bool
        Whether that is a guess. [1]
    preheat_c : float or None
        Wall of a pre-warmer with the same coefficient; None where there was none. [degC]
    preheat_s : float
        Time in it; no cooling on the way is counted. [s]

    Returns
    -------
    SoakState
        At the moment of loading.

    Source
    ------
    Carslaw and Jaeger, as ``plan_soak``.

    Examples
    --------
    >>> plan = SoakPlan(np.full((3, 1), 0.01), np.ones((2, 1)))
    >>> state = start_soak(plan, mono_ns=0, wall_c=120.0, charge_c=23.0, is_assumed=False,
    ...     preheat_c=100.0, preheat_s=100.0)
    >>> round(now_c(state, plan).best_c, 1)
    71.7
    """
    modes_c = np.full(plan.rate_per_s.shape, charge_c)
    if preheat_c is not None:
        modes_c = preheat_c + (modes_c - preheat_c) * np.exp(-plan.rate_per_s * preheat_s)
    return SoakState(mono_ns, wall_c, tuple(modes_c.ravel().tolist()), is_assumed)


def run_soak(
    state: SoakState,
    plan: SoakPlan,
    mono_ns: NDArray[np.int64],
    wall_c: NDArray[np.float64],
    is_joined: NDArray[np.bool_],
) -> tuple[SoakState, Course]:
    """The charge at further nodes of its wall, exact for a wall straight from node to node.

    In a blind step the wall counts as the lower of its two ends all the while, and the charge
    may cool but never warms: axis and mean each come out at the lower of what they were and of
    what that wall would make of them.

    Parameters
    ----------
    state : SoakState
        The charge at the node before.
    plan : SoakPlan
        Of its container.
    mono_ns : (n,) array
        Times of the nodes, increasing and later than the state's. [ns]
    wall_c : (n,) array
        The wall there. [degC]
    is_joined : (n,) array
        Whether the step to each node is a straight line; blind otherwise. [1]

    Returns
    -------
    tuple of SoakState and Course
        The charge at the last node, and at each. A cut between two nodes changes no bit.

    Source
    ------
    Duhamel's theorem for each mode: Carslaw and Jaeger, 1.14 and 7.6-7.8, from memory. The rule
    for blind steps is this project's own.

    Examples
    --------
    A charge with one mode of 100 s, 100 s and 200 s after a wall of 120 degC.

    >>> plan = SoakPlan(np.full((3, 1), 0.01), np.ones((2, 1)))
    >>> cold = start_soak(plan, mono_ns=0, wall_c=120.0, charge_c=20.0, is_assumed=False)
    >>> state, course = run_soak(cold, plan, np.array([100, 200]) * NANO, np.full(2, 120.0),
    ...     np.array([True, True]))
    >>> course.centre_c[:, 1].round(1).tolist()
    [83.2, 106.5]
    """
    times_ns = np.concatenate((np.array([state.mono_ns]), mono_ns))
    walls_c = np.concatenate((np.array([state.wall_c]), wall_c))
    change_k = walls_c[1:] - walls_c[:-1]
    rise_k = np.where(is_joined, change_k, 0.0)
    from_c = walls_c[:-1] + np.minimum(change_k - rise_k, 0.0)
    span = ((times_ns[1:] - times_ns[:-1]) / NANO)[:, None] * plan.rate_per_s.ravel()
    taken = -np.expm1(-span)
    keep = 1.0 - taken
    pull_c = taken * from_c[:, None] + (1.0 - taken / span) * rise_k[:, None]

    newest_c, kept_c = np.array(state.modes_c), np.empty(span.shape[1])
    for keep_row, row_c, is_seen in zip(keep, pull_c, is_joined.tolist(), strict=True):
        np.multiply(keep_row, newest_c, kept_c)
        before_c, newest_c = newest_c, np.add(row_c, kept_c, row_c)
        if not is_seen:
            newest_c[:] = _cooled(before_c, newest_c, plan)
    seen_c = _seen(pull_c.reshape(-1, *plan.rate_per_s.shape), plan)
    after = SoakState(
        int(times_ns[-1]), float(walls_c[-1]), tuple(newest_c.tolist()), state.is_assumed
    )
    return after, Course(seen_c[..., 0], seen_c[..., 1])


def _seen(modes_c: NDArray[np.float64], plan: SoakPlan) -> NDArray[np.float64]:
    """Axis and mean, in the last axis, by each estimate."""
    # No matrix product: it may round differently for one node and for many.
    seen_c: NDArray[np.float64] = np.add.reduce(modes_c[..., None, :] * plan.share, axis=-1)
    return seen_c


def _cooled(
    before_c: NDArray[np.float64], after_c: NDArray[np.float64], plan: SoakPlan
) -> NDArray[np.float64]:
    """What a blind step leaves of a change: the part that cools.

    The profile goes a share of the way and is lowered as a whole, both so that of axis and mean
    the one that would have warmed stays, and the one that cools does so in full. Nothing happens
    when both would have warmed, all of it when both cool.
    """
    change_k = (after_c - before_c).reshape(plan.rate_per_s.shape)
    seen_k = _seen(change_k, plan)
    gain_k = np.maximum(seen_k.max(axis=1, keepdims=True), 0.0)
    fall_k = np.maximum(-seen_k.min(axis=1, keepdims=True), 0.0)
    share = fall_k / np.where(fall_k > 0.0, fall_k + gain_k, 1.0)
    left_k: NDArray[np.float64] = (share * (change_k - gain_k)).ravel()
    return before_c + left_k


def now_c(state: SoakState, plan: SoakPlan) -> CoreNow:
    """The charge at its newest node.

    Parameters
    ----------
    state : SoakState
        The charge.
    plan : SoakPlan
        Of its container.

    Returns
    -------
    CoreNow
        Axis by all three estimates, mean by the best one.

    Source
    ------
    Carslaw and Jaeger, as ``plan_soak``.

    Examples
    --------
    >>> plan = SoakPlan(np.ones((3, 1)), np.ones((2, 1)))
    >>> now_c(start_soak(plan, mono_ns=0, wall_c=120.0, charge_c=23.0, is_assumed=True), plan)
    CoreNow(low_c=23.0, best_c=23.0, high_c=23.0, mean_c=23.0)
    """
    seen_c = _seen(np.array(state.modes_c).reshape(plan.rate_per_s.shape), plan)
    centre_c, mean_c = (column.tolist() for column in seen_c.T)
    return CoreNow(min(centre_c), centre_c[_BEST], max(centre_c), mean_c[_BEST])


def ready_in_s(state: SoakState, plan: SoakPlan, *, wall_c: float, target_c: float) -> float | None:
    """Time from the newest node until the axis is warm even by the lowest estimate.

    Parameters
    ----------
    state : SoakState
        The charge.
    plan : SoakPlan
        Of its container.
    wall_c : float
        The wall, held from now on. [degC]
    target_c : float
        What the axis must reach. [degC]

    Returns
    -------
    float or None
        0 where it is reached already, None where that wall never brings it there. [s]

    Source
    ------
    Carslaw and Jaeger, as ``plan_soak``; the moment is found by halving, 32 parts at a time.

    Examples
    --------
    One mode of 100 s: half of the way takes 100 s x ln 2.

    >>> plan = SoakPlan(np.full((3, 1), 0.01), np.ones((2, 1)))
    >>> cold = start_soak(plan, mono_ns=0, wall_c=20.0, charge_c=20.0, is_assumed=False)
    >>> round(ready_in_s(cold, plan, wall_c=120.0, target_c=70.0), 2)
    69.31
    >>> ready_in_s(cold, plan, wall_c=120.0, target_c=120.0) is None
    True
    """
    modes_c = np.array(state.modes_c).reshape(plan.rate_per_s.shape)
    short_k = (wall_c - modes_c) * plan.share[0]
    allowed_k = wall_c - target_c
    if short_k.sum(axis=-1).max() <= allowed_k:
        return 0.0
    if allowed_k <= 0.0:
        return None
    # The slowest rate of all bounds how long the sum of all parts can take.
    worst_k = np.abs(short_k).sum(axis=-1).max()
    start_s, end_s = 0.0, float(np.log(worst_k / allowed_k) / plan.rate_per_s.min())
    for _ in range(_ROUNDS):
        moments_s = start_s + (end_s - start_s) * _MOMENTS
        left = np.exp(-plan.rate_per_s * moments_s[:, None, None])
        is_warm = (short_k * left).sum(axis=-1).max(axis=-1) <= allowed_k
        is_warm[-1] = True
        first = 1 + int(np.argmax(is_warm[1:]))
        start_s, end_s = float(moments_s[first - 1]), float(moments_s[first])
    return end_s


def run_timer(
    owed_ns: int,
    step_ns: NDArray[np.int64],
    is_within: NDArray[np.bool_],
    is_joined: NDArray[np.bool_],
    *,
    full_ns: int,
) -> tuple[int, NDArray[np.int64]]:
    """Soak time still owed where the geometry is not known: soaked when it comes to 0.

    It falls as time passes in the window and rises by twice the time out of it or not seen, but
    never beyond the full soak.

    Parameters
    ----------
    owed_ns : int
        Owed before the first step, 0 to ``full_ns``. [ns]
    step_ns : (n,) array
        Steps. [ns]
    is_within : (n,) array
        Whether the whole step lies in the window. [1]
    is_joined : (n,) array
        Whether it is seen. [1]
    full_ns : int
        The soak from cold. [ns]

    Returns
    -------
    owed_ns : int
        After the last step. [ns]
    after_ns : (n,) array
        After each step. [ns]

    Source
    ------
    Common practice, no source: after an interruption as much soak again as twice its length, at
    most the full soak.

    Examples
    --------
    >>> owed, _ = run_timer(100, np.array([60, 10, 30]), np.array([True, False, True]),
    ...     np.array([True, True, True]), full_ns=100)
    >>> owed
    30
    """
    deltas_ns = np.where(is_within & is_joined, -step_ns, 2 * step_ns).tolist()
    after_ns = []
    for delta_ns in deltas_ns:
        owed_ns = min(max(owed_ns + delta_ns, 0), full_ns)
        after_ns.append(owed_ns)
    return owed_ns, np.array(after_ns, dtype=np.int64)
