"""What a zone's sensor makes of the true temperature: lag, noise, steps and faults."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

UPSCALE_C = 1372.0  # end of the type K range in IEC 60584-1, a usual reading of an open input


class Break(Enum):
    """How an open sensor shows on the wire."""

    STATUS = "status"
    """A bad status where the protocol has one, else the fill value."""
    UPSCALE = "upscale"
    """A number far above every real temperature."""
    NAN = "nan"
    """Not a number where the register can hold it, else the fill value."""


@dataclass(frozen=True, slots=True)
class SensorParams:
    """A healthy sensor.

    Parameters
    ----------
    lag_s : float
        First-order lag between block and sensor. [s]
    noise_k : float
        Standard deviation of the reading's noise. [K]
    resolution_k : float
        Step of the reading. [K]
    """

    lag_s: float
    noise_k: float
    resolution_k: float


@dataclass(frozen=True, slots=True)
class SensorFaults:
    """What is wrong with a sensor now.

    Parameters
    ----------
    broken : Break or None
        Open, and how it shows.
    is_frozen : bool
        The reading stands still for controller and wire alike.
    frozen_offset_k : float
        How far from the live reading it froze. [K]
    is_frozen_on_wire : bool
        Only the served reading stands still; the controller sees the true one.
    drift_k_per_h : float
        Drift while the fault lasts. [K/h]
    coupling : float
        Share of the excess over ambient that still reaches the sensor. [1]
    fallen_to_c : float or None
        Where a fallen sensor settles. [degC]
    fallen_tau_s : float
        How fast it gets there. [s]
    resolution_k : float or None
        A coarser step than the healthy one. [K]
    upscale_c : float
        What a break upscale shows. [degC]
    mirror_c : float or None
        The leads are exchanged at one end: the reading goes down from twice this terminal
        temperature as the block goes up. [degC]
    reversed_share : float
        The extension lead is exchanged at both ends: the reading lacks twice this share of the
        excess over ambient, by which the connection head is warmer than the terminals. [1]
    wire_factor, wire_offset_k : float
        Of the number on the wire only: a wrong scale or unit. [1, K]
    spike_c : float or None
        What the wire shows instead for a moment. [degC]
    """

    broken: Break | None = None
    is_frozen: bool = False
    frozen_offset_k: float = 0.0
    is_frozen_on_wire: bool = False
    drift_k_per_h: float = 0.0
    coupling: float = 1.0
    fallen_to_c: float | None = None
    fallen_tau_s: float = 20.0
    resolution_k: float | None = None
    upscale_c: float = UPSCALE_C
    mirror_c: float | None = None
    reversed_share: float = 0.0
    wire_factor: float = 1.0
    wire_offset_k: float = 0.0
    spike_c: float | None = None


HEALTHY = SensorFaults()


@dataclass(frozen=True, slots=True)
class SensorState:
    """What a sensor remembers.

    Parameters
    ----------
    lagged_c : float
        Temperature of the sensor itself. [degC]
    drift_k : float
        Accumulated drift, 0 again once the fault is repaired. [K]
    frozen_c : float or None
        The reading that stands still, for controller and wire. [degC]
    wire_frozen_c : float or None
        The reading that stands still on the wire only. [degC]
    """

    lagged_c: float
    drift_k: float = 0.0
    frozen_c: float | None = None
    wire_frozen_c: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One observation.

    Parameters
    ----------
    sensor_c : float
        Lagged sensor with drift and noise, full resolution. [degC]
    seen_c : float
        What the controller works with. [degC]
    shown_c : float
        What the wire serves; nan where the break carries no number. [degC]
    broken : Break or None
        Open, and how it shows.
    """

    sensor_c: float
    seen_c: float
    shown_c: float
    broken: Break | None


def observe(
    state: SensorState,
    faults: SensorFaults,
    params: SensorParams,
    *,
    block_c: float,
    ambient_c: float,
    noise: float,
    dt_s: float,
) -> tuple[SensorState, Reading]:
    """One reading, ``dt_s`` after the one before.

    Parameters
    ----------
    state : SensorState
        What the sensor remembers.
    faults : SensorFaults
        What is wrong with it.
    params : SensorParams
        What it is when healthy.
    block_c : float
        True temperature of the block. [degC]
    ambient_c : float
        Room temperature. [degC]
    noise : float
        A standard normal number. [1]
    dt_s : float
        Time since the reading before; 0 for the first. [s]

    Returns
    -------
    state : SensorState
        To be handed to the next call.
    reading : Reading
        For controller, wire and truth log.

    Source
    ------
    Exact answer of a first-order lag to a value held over the step.
    """
    target_c, tau_s = block_c, params.lag_s
    if faults.coupling != 1.0:
        target_c = ambient_c + faults.coupling * (block_c - ambient_c)
    if faults.fallen_to_c is not None:
        target_c, tau_s = faults.fallen_to_c, faults.fallen_tau_s
    lagged_c = target_c + (state.lagged_c - target_c) * math.exp(-dt_s / tau_s)
    drift_k = 0.0
    if faults.drift_k_per_h:
        drift_k = state.drift_k + faults.drift_k_per_h * dt_s / 3600.0
    felt_c = lagged_c - 2.0 * faults.reversed_share * (lagged_c - ambient_c)
    if faults.mirror_c is not None:
        felt_c = 2.0 * faults.mirror_c - felt_c
    sensor_c = felt_c + drift_k + params.noise_k * noise
    live_c = quantise(sensor_c, faults.resolution_k or params.resolution_k)
    frozen_c = None
    if faults.is_frozen:
        frozen_c = _held(state.frozen_c, round(live_c + faults.frozen_offset_k, 6))
    seen_c = live_c if frozen_c is None else frozen_c
    wire_c = _held(state.wire_frozen_c, seen_c) if faults.is_frozen_on_wire else None
    shown_c = _on_the_wire(seen_c if wire_c is None else wire_c, faults)
    if faults.broken is not None:
        shown_c = faults.upscale_c if faults.broken is Break.UPSCALE else math.nan
        seen_c = math.nan
    return (
        SensorState(lagged_c, drift_k, frozen_c, wire_c),
        Reading(sensor_c, seen_c, shown_c, faults.broken),
    )


def _held(held_c: float | None, now_c: float) -> float:
    """The value at which a reading froze: the first one seen."""
    return now_c if held_c is None else held_c


def _on_the_wire(reading_c: float, faults: SensorFaults) -> float:
    """What is served of a reading that the controller has in its own unit."""
    if faults.spike_c is not None:
        return faults.spike_c
    if faults.wire_factor == 1.0 and faults.wire_offset_k == 0.0:
        return reading_c
    return round(faults.wire_factor * reading_c + faults.wire_offset_k, 6)


def quantise(value: float, step: float) -> float:
    """Nearest whole number of steps.

    Parameters
    ----------
    value : float
        Any quantity. [its own]
    step : float
        Above 0, same unit. [its own]

    Returns
    -------
    float
        Rounded. [its own]

    Source
    ------
    Definition of resolution.

    Examples
    --------
    >>> quantise(119.97, 0.1)
    120.0
    """
    return round(round(value / step) * step, 6)
