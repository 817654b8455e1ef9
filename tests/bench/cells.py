"""A busy cell of three zones, and readings of it as a controller gives them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from watchedpot.app.config import load
from watchedpot.core.model import NO_TIME_NS, Block
from watchedpot.core.rules import (
    AirRules,
    CellRules,
    ChargeRules,
    FinRules,
    SoakRules,
    TipRules,
    ZoneKind,
)
from watchedpot.core.units import NANO

ROOT = Path(__file__).resolve().parents[2]
DAY_S = 86_400
START_UTC_NS = 1_767_225_600_000_000_000
"""2026-01-01T00:00:00 UTC [ns]."""

NOISE_K = 0.07
LAG_S = 300.0  # of a zone behind its setpoint
SETBACK_K = 30.0
DIP_K = 12.0
DIP_S = 180
DIPS_PER_DAY = 4
SETBACKS_PER_DAY = 2
SETBACK_S = 1800
SETPOINTS_C = {"tank": 110.0, "hose": 115.0, "nozzle": 120.0}


def cell(name: str = "housing_7") -> CellRules:
    """The melt of the demonstration's larger cell in a cartridge, with everything followed.

    Its core by the model, its tip as a fin, its age by both bounds, and the dispensing air.
    """
    rules = next(c for c in load(ROOT / "config" / "demo.toml").cells if c.id == "housing_7")

    def renamed(channel: str | None) -> str | None:
        return channel and channel.replace("housing_7", name)

    zones = [
        replace(
            zone,
            temperature=zone.temperature.replace("housing_7", name),
            setpoint=renamed(zone.setpoint),
            output=renamed(zone.output),
        )
        for zone in rules.zones
    ]
    zones[0] = replace(
        zones[0],
        kind=ZoneKind.CARTRIDGE,
        soak=SoakRules(ready_c=zones[0].low_c, radius_m=0.0235),
    )
    fin = FinRules(length_m=0.007, outer_m=0.0025, bore_m=0.0006)
    zones[-1] = replace(zones[-1], tip=TipRules(low_c=110.0, fin=fin))
    return replace(
        rules,
        id=name,
        zones=tuple(zones),
        dispensing=renamed(rules.dispensing),
        parts=renamed(rules.parts),
        charge_id=renamed(rules.charge_id),
        wiped=renamed(rules.wiped),
        ambient=renamed(rules.ambient),
        dew_point=f"{name}/dew_point",
        air=AirRules(line_pa=7e5, measured_pa=1e5),
    )


def spine(rules: CellRules) -> CellRules:
    """The same cell judged by its sensors alone: no age, no core, no tip, no air."""
    zones = (
        replace(
            zone,
            material=replace(zone.material, ageing=None, thermal=None, dew_point_max_c=None),
            soak=None,
            tip=None,
            setpoint_c=None,
        )
        for zone in rules.zones
    )
    return replace(rules, zones=tuple(zones), dew_point=None, air=None, charge=ChargeRules())


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings of one cell, and how often each of its zones fell out of its window."""

    block: Block
    dips: int


def _setpoint_shift_k(at_s: NDArray[np.int64]) -> NDArray[np.float64]:
    """How much lower the setpoints are: two breaks a day [K]."""
    in_period_s = at_s % (DAY_S // SETBACKS_PER_DAY)
    is_break = (in_period_s >= 18_000) & (in_period_s < 18_000 + SETBACK_S)
    return np.where(is_break, SETBACK_K, 0.0)


def _dips_k(at_s: NDArray[np.int64]) -> NDArray[np.float64]:
    """How far a zone falls and comes back, four times a day, an hour or more from any break [K]."""
    in_dip_s = at_s % (DAY_S // DIPS_PER_DAY) - 7200
    share: NDArray[np.float64] = np.maximum(1.0 - np.abs(in_dip_s / (DIP_S / 2) - 1.0), 0.0)
    return DIP_K * share


def readings(
    rules: CellRules, days: float, *, jitter: bool = False, stamps: bool = False
) -> Readings:
    """Readings at 1 Hz and 0.1 K: noise, 8 s of dispensing in 20, setbacks, excursions.

    Parameters
    ----------
    jitter
        Whether rows come some milliseconds early or late, as polled ones do.
    stamps
        Whether the device gives time stamps, in steps of 100 ns.
    """
    rng = np.random.default_rng(1)
    at_s = np.arange(round(days * DAY_S))
    n = at_s.size
    shift_k = _setpoint_shift_k(at_s)
    reached_k = lfilter([1 / LAG_S], [1, 1 / LAG_S - 1], shift_k)
    is_flowing = (at_s % 20 < 8) & (shift_k == 0.0)
    signals = {
        rules.dispensing: is_flowing.astype(np.float64),
        rules.parts: np.cumsum(np.diff(is_flowing, prepend=False) & is_flowing).astype(np.float64),
        rules.charge_id: 1.0 + at_s // (2 * DAY_S),
        rules.wiped: (at_s % (DAY_S // 3) < 5).astype(np.float64),
        rules.dew_point: np.round(-45.0 + 3.0 * np.sin(at_s / 9000.0), 1),
        rules.ambient: np.round(24.0 + 2.0 * np.sin(at_s / DAY_S * 2 * np.pi), 1),
    }
    for zone in rules.zones:
        setpoint_c = SETPOINTS_C[zone.id]
        wander_k = 0.3 * np.sin(at_s / 700.0) + rng.normal(0.0, NOISE_K, n)
        temp_c = setpoint_c - reached_k - _dips_k(at_s) + wander_k
        signals[zone.temperature] = np.round(temp_c, 1)
        signals[zone.setpoint] = setpoint_c - shift_k
        signals[zone.output] = np.round(22.0 + rng.normal(0.0, 0.5, n), 1)
    names = tuple(name for name in rules.channels() if name in signals)
    value = np.stack([signals[name] for name in names], axis=1)
    late_ns = rng.integers(0, 4_000_000, n) if jitter else np.zeros(n, dtype=np.int64)
    mono_ns = at_s * NANO + late_ns
    seen_ns = mono_ns + START_UTC_NS + (rng.integers(0, 2000, n) if jitter else 0)
    good = np.zeros(value.shape, dtype=np.uint8)
    none = np.full(value.shape, NO_TIME_NS)
    source_ns, server_ns = none, none
    if stamps:
        # The device looks at its sensors every 100 ms, all in one go, and answers a little later.
        looked_ns = (seen_ns - 2_000_000) // 100_000_000 * 100_000_000
        source_ns = np.repeat(looked_ns[:, np.newaxis] + 12_300, len(names), axis=1)
        answered_ns = (seen_ns - rng.integers(300_000, 900_000, n)) // 100 * 100
        server_ns = np.repeat(answered_ns[:, np.newaxis], len(names), axis=1)
    status = good.astype(np.uint32)
    stamps_ns = source_ns, server_ns
    block = Block(rules.id, names, mono_ns, seen_ns, value, good, good, status, *stamps_ns)
    return Readings(block, int(np.count_nonzero(at_s % (DAY_S // DIPS_PER_DAY) == 7200)))
