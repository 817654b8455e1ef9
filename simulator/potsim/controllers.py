"""What the cell's own controllers do: temperature loops, part cycle, setback.

The loop is a PID with the derivative on the filtered reading. Anti-wind-up: while the output
is at a limit and the deviation pushes further, the integral stands still. A loop without a
reading gives 0 and keeps its integral; a loop in manual keeps its output. A loop that switches
knows only 0 and 100 % and a band between them, as while a controller tunes itself.

The part cycle starts only on an order and with all zones near their setpoints. Once started it
looks at no temperature again: it would go on with a cold nozzle, as a real one does.

    order            what it does
    run              setback ends; parts start once the zones have been near for a while
    stop             the part under way is finished, then no more
    change_charge    like stop, then the charge is changed, then waits for run
    wipe             at the next pause the nozzle is wiped
    setback          setpoints go down at once (else after the idle time)
    recover          setpoints go up again and stay up; parts still wait for run
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum

CLOSE_S = 1e-6  # nearer than this a sum of scans has reached its time


@dataclass(frozen=True, slots=True)
class PidParams:
    """Tuning of one loop.

    Parameters
    ----------
    gain_per_k : float
        Output per kelvin of deviation. [%/K]
    integral_s : float
        Integral time. [s]
    derivative_s : float
        Derivative time. [s]
    filter_s : float
        Lag of the filter on the reading. [s]
    """

    gain_per_k: float
    integral_s: float
    derivative_s: float
    filter_s: float


@dataclass(frozen=True, slots=True)
class PidState:
    """What a loop remembers.

    Parameters
    ----------
    integral : float
        Integral part of the output. [%]
    filtered_c : float or None
        Filtered reading; None before the first. [degC]
    output : float
        Heater output, 0 to 100. [%]
    """

    integral: float = 0.0
    filtered_c: float | None = None
    output: float = 0.0


def pid(
    state: PidState,
    params: PidParams,
    *,
    seen_c: float,
    setpoint_c: float,
    dt_s: float,
    is_manual: bool = False,
) -> PidState:
    """One scan of a temperature loop.

    Parameters
    ----------
    state : PidState
        After the scan before.
    params : PidParams
        Tuning.
    seen_c : float
        Reading; nan where the sensor is open. [degC]
    setpoint_c : float
        Where to go. [degC]
    dt_s : float
        Time since the scan before; 0 for the first. [s]
    is_manual : bool
        The output is left where it is.

    Returns
    -------
    PidState
        With the new output.

    Source
    ------
    Textbook parallel-free ISA form, derivative on measurement, conditional integration; from
    memory.
    """
    if math.isnan(seen_c):
        return PidState(state.integral, None, state.output if is_manual else 0.0)
    before_c = seen_c if state.filtered_c is None else state.filtered_c
    filtered_c = seen_c + (before_c - seen_c) * math.exp(-dt_s / params.filter_s)
    if is_manual:
        return PidState(state.integral, filtered_c, state.output)
    deviation_k = setpoint_c - filtered_c
    slope_k_per_s = (filtered_c - before_c) / dt_s if dt_s > 0.0 else 0.0
    proportional = params.gain_per_k * (deviation_k - params.derivative_s * slope_k_per_s)
    integral = state.integral
    wanted = proportional + integral
    pushes_further = (wanted > 100.0 and deviation_k > 0.0) or (wanted < 0.0 and deviation_k < 0.0)
    if not pushes_further:
        integral += params.gain_per_k / params.integral_s * deviation_k * dt_s
        integral = min(100.0, max(0.0, integral))
    return PidState(integral, filtered_c, min(100.0, max(0.0, proportional + integral)))


def switch(state: PidState, *, seen_c: float, setpoint_c: float, band_k: float) -> PidState:
    """One scan of a loop that switches instead of controlling.

    Parameters
    ----------
    state : PidState
        After the scan before.
    seen_c : float
        Reading; nan where the sensor is open. [degC]
    setpoint_c : float
        Where to go. [degC]
    band_k : float
        On below the setpoint by this, off above it by this. [K]

    Returns
    -------
    PidState
        With 0 or 100 %; the integral is kept for when the loop controls again.

    Source
    ------
    Definition of a two-position controller with hysteresis.
    """
    if math.isnan(seen_c):
        return PidState(state.integral, None, 0.0)
    if seen_c <= setpoint_c - band_k:
        output = 100.0
    elif seen_c >= setpoint_c + band_k:
        output = 0.0
    else:
        output = 100.0 if state.output > 50.0 else 0.0
    return PidState(state.integral, seen_c, output)


class Order(Enum):
    """What the plan of the shift tells the cell to do."""

    RUN = "run"
    STOP = "stop"
    CHANGE_CHARGE = "change_charge"
    WIPE = "wipe"
    SETBACK = "setback"
    RECOVER = "recover"


class Happening(Enum):
    """What the part cycle did in a scan; the names of the truth log's events."""

    PRODUCTION_ON = "production_on"
    PRODUCTION_OFF = "production_off"
    PART_STARTED = "part_started"
    PART_FINISHED = "part_finished"
    PART_ABORTED = "part_aborted"
    CHARGE_CHANGE_STARTED = "charge_change_started"
    CHARGE_CHANGED = "charge_changed"
    WIPED = "wiped"
    SETBACK_ON = "setback_on"
    SETBACK_OFF = "setback_off"


@dataclass(frozen=True, slots=True)
class CycleParams:
    """Rhythm of the cell.

    Parameters
    ----------
    part_period_s : float
        From one part to the next. [s]
    dispense_s : float
        Dispensing within a part. [s]
    start_band_k : float
        How near to setpoint every zone must be to start. [K]
    start_hold_s : float
        For how long. [s]
    wipe_s : float
        Length of a wipe and of its signal. [s]
    change_s : float
        Time to change a charge. [s]
    setback_after_s : float
        Idle time after which setpoints go down. [s]
    join_s : float
        From the end of dispensing to the second half. [s]
    counter_bits : int
        Width of the counter of parts, which starts over at 0 behind its end. [1]
    """

    part_period_s: float = 20.0
    dispense_s: float = 8.0
    start_band_k: float = 3.0
    start_hold_s: float = 10.0
    wipe_s: float = 5.0
    change_s: float = 90.0
    setback_after_s: float = 900.0
    join_s: float = 15.0
    counter_bits: int = 32


@dataclass(frozen=True, slots=True)
class CycleState:
    """Where the cell is in its work.

    Parameters
    ----------
    parts : int
        Parts finished; the counter of the cell.
    is_wanted : bool
        The last order was run.
    is_producing : bool
        Parts follow each other.
    is_setback : bool
        Setpoints are down.
    near_s : float
        For how long all zones have been near their setpoints. [s]
    idle_s : float
        Since anything was done. [s]
    since_start_s : float
        Since the last part began. [s]
    part_s : float or None
        Age of the part being dispensed. [s]
    wipe_left_s : float
        Rest of a wipe. [s]
    change_left_s : float or None
        Rest of a charge change. [s]
    is_wipe_due, is_change_due : bool
        Ordered and not begun.
    is_kept_warm : bool
        No setback however long idle: since the start or a recover, until a stop.
    """

    parts: int
    is_wanted: bool = False
    is_producing: bool = False
    is_setback: bool = False
    near_s: float = 0.0
    idle_s: float = 0.0
    since_start_s: float = 0.0
    part_s: float | None = None
    wipe_left_s: float = 0.0
    change_left_s: float | None = None
    is_wipe_due: bool = False
    is_change_due: bool = False
    is_kept_warm: bool = True

    @property
    def is_dispensing(self) -> bool:
        """Whether melt leaves the tip."""
        return self.part_s is not None

    @property
    def is_wiping(self) -> bool:
        """Whether the nozzle is being wiped."""
        return self.wipe_left_s > 0.0


def obey(state: CycleState, orders: tuple[Order, ...]) -> tuple[CycleState, tuple[Happening, ...]]:
    """Take up orders of the plan.

    Parameters
    ----------
    state : CycleState
        Before.
    orders : tuple of Order
        In the order given.

    Returns
    -------
    state : CycleState
        With what is wanted and due.
    happened : tuple of Happening
        Setback switched.
    """
    before = state
    for order in orders:
        match order:
            case Order.RUN:
                state = replace(state, is_wanted=True, is_setback=False, idle_s=0.0)
            case Order.STOP:
                state = replace(state, is_wanted=False, is_kept_warm=False)
            case Order.CHANGE_CHARGE:
                state = replace(state, is_wanted=False, is_change_due=True, is_kept_warm=False)
            case Order.WIPE:
                state = replace(state, is_wipe_due=True)
            case Order.SETBACK:
                state = replace(state, is_setback=True)
            case Order.RECOVER:
                state = replace(state, is_setback=False, idle_s=0.0, is_kept_warm=True)
    if state.is_setback == before.is_setback:
        return state, ()
    return state, (Happening.SETBACK_ON if state.is_setback else Happening.SETBACK_OFF,)


def cycle(
    state: CycleState, params: CycleParams, *, is_near: bool, dt_s: float
) -> tuple[CycleState, tuple[Happening, ...]]:
    """One scan of the part cycle.

    Parameters
    ----------
    state : CycleState
        After the scan before, orders taken up.
    params : CycleParams
        Rhythm.
    is_near : bool
        Every zone has a reading within the start band of its setpoint.
    dt_s : float
        Time since the scan before; 0 for the first. [s]

    Returns
    -------
    state : CycleState
        After this scan.
    happened : tuple of Happening
        In order.
    """
    happened: list[Happening] = []
    part_s = None if state.part_s is None else state.part_s + dt_s
    parts = state.parts
    if part_s is not None and part_s >= params.dispense_s - CLOSE_S:
        part_s = None
        parts = (parts + 1) % 2**params.counter_bits
        happened.append(Happening.PART_FINISHED)
    since_start_s = state.since_start_s + dt_s
    near_s = state.near_s + dt_s if is_near else 0.0
    wipe_left_s, is_wipe_due = _wipe(state, params, part_s is None, dt_s, happened)
    change_left_s, is_change_due = _change(state, params, part_s is None, dt_s, happened)
    is_held = is_change_due or change_left_s is not None
    is_producing = _production(
        state, params, is_held=is_held, near_s=near_s, part_s=part_s, happened=happened
    )
    is_free = part_s is None and wipe_left_s <= 0.0 and not is_wipe_due
    if is_producing and state.is_wanted and is_free:
        is_first = Happening.PRODUCTION_ON in happened
        if is_first or since_start_s >= params.part_period_s - CLOSE_S:
            part_s = since_start_s = 0.0
            happened.append(Happening.PART_STARTED)
    is_busy = is_producing or is_held or wipe_left_s > 0.0
    idle_s = 0.0 if is_busy else state.idle_s + dt_s
    is_setback = state.is_setback
    is_left = not state.is_wanted and not state.is_kept_warm
    if not is_setback and is_left and idle_s >= params.setback_after_s:
        is_setback = True
        happened.append(Happening.SETBACK_ON)
    return (
        CycleState(
            parts,
            state.is_wanted,
            is_producing,
            is_setback,
            near_s,
            idle_s,
            since_start_s,
            part_s,
            wipe_left_s,
            change_left_s,
            is_wipe_due,
            is_change_due,
            state.is_kept_warm,
        ),
        tuple(happened),
    )


def _wipe(
    state: CycleState,
    params: CycleParams,
    is_pause: bool,  # noqa: FBT001  (a private step of the scan)
    dt_s: float,
    happened: list[Happening],
) -> tuple[float, bool]:
    """Rest of the wipe [s] and whether one is still due."""
    if state.is_wipe_due and is_pause:
        happened.append(Happening.WIPED)
        return params.wipe_s, False
    return max(0.0, state.wipe_left_s - dt_s), state.is_wipe_due


def _change(
    state: CycleState,
    params: CycleParams,
    is_pause: bool,  # noqa: FBT001  (a private step of the scan)
    dt_s: float,
    happened: list[Happening],
) -> tuple[float | None, bool]:
    """Rest of the charge change [s] and whether one is still due."""
    if state.is_change_due and is_pause:
        happened.append(Happening.CHARGE_CHANGE_STARTED)
        return params.change_s, False
    if state.change_left_s is None:
        return None, state.is_change_due
    left_s = state.change_left_s - dt_s
    if left_s > 0.0:
        return left_s, state.is_change_due
    happened.append(Happening.CHARGE_CHANGED)
    return None, state.is_change_due


def _production(
    state: CycleState,
    params: CycleParams,
    *,
    is_held: bool,
    near_s: float,
    part_s: float | None,
    happened: list[Happening],
) -> bool:
    """Whether parts follow each other from this scan on."""
    if state.is_producing:
        if (state.is_wanted and not is_held) or part_s is not None:
            return True
        happened.append(Happening.PRODUCTION_OFF)
        return False
    if state.is_wanted and not is_held and near_s >= params.start_hold_s:
        happened.append(Happening.PRODUCTION_ON)
        return True
    return False


def interrupt(state: CycleState) -> tuple[CycleState, tuple[Happening, ...]]:
    """Production as a controller leaves it that went down: the part under way is lost.

    Parameters
    ----------
    state : CycleState
        Before.

    Returns
    -------
    state : CycleState
        Nothing under way; counter and orders are kept.
    happened : tuple of Happening
        What ended.
    """
    happened: list[Happening] = []
    if state.part_s is not None:
        happened.append(Happening.PART_ABORTED)
    if state.is_producing:
        happened.append(Happening.PRODUCTION_OFF)
    quiet = replace(state, is_producing=False, part_s=None, near_s=0.0, wipe_left_s=0.0)
    return quiet, tuple(happened)
