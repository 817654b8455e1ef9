"""Heated zones by the simplest physics there is, as a controller would show them.

A zone is one lump with a heater and a loss to the room; its sensor follows with a lag; a PI loop
holds it. Nothing here comes from the daemon or from its simulator.

Source: first-order lumped model (Newton's law of cooling) and textbook PI loop, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import exp

import numpy as np

from support.cells import block
from watchedpot.core.model import Block

ROOM_C = 23.0


@dataclass(slots=True)
class Lump:
    """One zone, and what is wrong with it now.

    Attributes
    ----------
    heater_w, loss_w_per_k, capacity_j_per_k
        Full power, loss to the room, heat capacity. [W, W/K, J/K]
    lag_s, noise_k, step_k
        Of the sensor, and of what is served of it. [s, K, K]
    gain, integral_s
        Of the loop. [%/K, s]
    power, loss
        Factors on what reaches the zone, and on what it loses. [1]
    extra_w
        Heat that nobody asked for, or that something takes. [W]
    coupling
        Share of the excess over the room that reaches the sensor. [1]
    is_frozen
        Whether the reading stands still, for the loop as well.
    broken
        Whether there is no reading.
    """

    heater_w: float = 30.0
    loss_w_per_k: float = 0.075
    capacity_j_per_k: float = 62.0
    lag_s: float = 4.0
    noise_k: float = 0.06
    step_k: float = 0.1
    gain: float = 8.0
    integral_s: float = 120.0
    setpoint_c: float = 115.0
    temp_c: float = 115.0
    sensor_c: float = 115.0
    integral: float = 0.0
    output: float = 0.0
    reading_c: float = 115.0
    power: float = 1.0
    loss: float = 1.0
    extra_w: float = 0.0
    coupling: float = 1.0
    fallen_tau_s: float = 0.0
    is_frozen: bool = False
    is_broken: bool = False
    is_shown_frozen: bool = False
    is_on: bool = False
    shown_c: float = 115.0

    def __post_init__(self) -> None:
        self.integral = self.holding()
        self.output = self.integral

    def holding(self) -> float:
        """Output that holds the setpoint. [%]."""
        return 100.0 * self.loss_w_per_k * (self.setpoint_c - ROOM_C) / self.heater_w

    def second(self, noise_k: float) -> None:
        """One second later."""
        power_w = self.heater_w * (1.0 if self.is_on else self.power * self.output / 100.0)
        lost_w = self.loss * self.loss_w_per_k * (self.temp_c - ROOM_C)
        self.temp_c += (power_w - lost_w + self.extra_w) / self.capacity_j_per_k
        seen_c = ROOM_C + self.coupling * (self.temp_c - ROOM_C)
        tau_s = self.fallen_tau_s or self.lag_s
        self.sensor_c += (seen_c - self.sensor_c) * (1.0 - exp(-1.0 / tau_s))
        if not self.is_frozen:
            self.reading_c = self.sensor_c + noise_k
        if not self.is_shown_frozen:
            self.shown_c = self.step_k * round(self.reading_c / self.step_k)
        self._control()

    def _control(self) -> None:
        if self.is_broken:
            self.output = 0.0
            return
        off_k = self.setpoint_c - self.reading_c
        wanted = self.gain * off_k + self.integral
        if 0.0 < wanted < 100.0:
            self.integral += self.gain * off_k / self.integral_s
        self.output = min(max(wanted, 0.0), 100.0)


def nozzle_lump(**changes: float) -> Lump:
    """A nozzle block of 62 J/K with 30 W, at rest."""
    return Lump(**changes)  # type: ignore[arg-type]


def syringe_lump(**changes: float) -> Lump:
    """A syringe sleeve of 430 J/K with 120 W, at rest."""
    usual: dict[str, float] = {
        "heater_w": 120.0,
        "loss_w_per_k": 0.26,
        "capacity_j_per_k": 430.0,
        "lag_s": 8.0,
        "gain": 6.0,
        "integral_s": 300.0,
    }
    return Lump(**(usual | changes))  # type: ignore[arg-type]


Happening = Callable[[dict[str, Lump]], None]


def traced(
    zones: Mapping[str, Lump],
    seconds: int,
    happenings: Mapping[int, Happening],
    *,
    cell: str = "lens_4",
    seed: int = 0,
    signals: Mapping[str, Callable[[int], float]] | None = None,
) -> Block:
    """A row a second of some zones; at the seconds told something happens to them."""
    rng = np.random.default_rng(seed)
    lumps = {name: replace(lump) for name, lump in zones.items()}
    for name, lump in lumps.items():
        lump.integral = zones[name].integral
    columns: dict[str, list[float | None]] = {}
    for second in range(seconds):
        if second in happenings:
            happenings[second](lumps)
        noises = rng.normal(0.0, 1.0, len(lumps))
        for (name, lump), noise in zip(lumps.items(), noises, strict=True):
            lump.second(lump.noise_k * noise)
            shown: dict[str, float | None] = {
                "temperature": None if lump.is_broken else round(lump.shown_c, 3),
                "setpoint": lump.setpoint_c,
                "output": round(lump.output, 1),
            }
            for signal, value in shown.items():
                columns.setdefault(f"{cell}/{name}/{signal}", []).append(value)
        for name, value_at in (signals or {}).items():
            columns.setdefault(f"{cell}/{name}", []).append(value_at(second))
    return block(columns)
