"""Parts as they were really made, beside parts as the engine judged them, without sockets.

The simulator runs scan by scan in this process. What it knows of each part is kept: the true tip,
blocks and core while melt flowed, the true dose, how long the melt had stood. The engine sees
what a controller shows, once a poll, with the link's losses and the controller's restarts; and
it can be killed in the middle and go on from what it had last recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from potsim.physics import charge_mean
from potsim.scenarios import bundled, parse
from potsim.world import Cell, Link, World
from support.cells import UTC_NS
from watchedpot.core import engine
from watchedpot.core.engine import CellState
from watchedpot.core.model import (
    NO_TIME_NS,
    Block,
    Event,
    EventKind,
    Instant,
    Quality,
    Reason,
    missing_row,
)
from watchedpot.core.parts import rules_of
from watchedpot.core.rules import CellRules, PartRule, Verdict, ZoneKind
from watchedpot.core.units import NANO, ZERO_C_KELVIN
from watchedpot.outputs.ledger import dump_state, load_state

GAS_J_PER_MOL_K = 8.314462618
TRUE_EA_J_PER_MOL = 80e3
"""Of the simulated ageing; the daemon is told only that it lies between 60 and 100 kJ/mol."""

UNKNOWN_S = 1e6
"""Long ago. [s]"""

COMMIT_S = 1.0
"""What a kill can take: everything since the newest commit. [s]"""


@dataclass(slots=True)
class Truth:
    """One part as it was made.

    Attributes
    ----------
    number
        Counted by the simulator from its first part on, whatever the counter shows. [1]
    begun_ns, ended_ns, counted_ns
        First and last scan with melt flowing, and the scan that counted it. [ns]
    tip_c, blocks_c
        Lowest and highest of the tip and of each zone while melt flowed. [degC]
    core_c
        Lowest of the charge's core while melt flowed. [degC]
    dose_s
        Age of the charge, as equivalent time at the reference temperature. [s]
    idle_s
        How long melt had stood before it. [s]
    """

    number: int
    begun_ns: int
    ended_ns: int = 0
    counted_ns: int = 0
    tip_c: list[float] = field(default_factory=lambda: [np.inf, -np.inf])
    blocks_c: list[list[float]] = field(default_factory=list)
    core_c: float = np.inf
    dose_s: float = 0.0
    idle_s: float = 0.0
    flowed_s: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Played:
    """A scenario as it happened and as it was judged."""

    rules: CellRules
    truth: list[Truth]
    parts: list[Event]
    jumps: list[Event]
    events: list[Event]
    upstream: dict[str, tuple[np.ndarray, np.ndarray]]

    def newest(self) -> dict[tuple[int, int], Event]:
        """The newest judgement of each part, by epoch and number."""
        return {
            (int(e.detail("epoch") or 0), number): e
            for e in self.parts
            for number in range(int(e.detail("first") or 0), int(e.detail("last") or 0) + 1)
        }

    def judgement_of(self, part: Truth) -> Event | None:
        """The newest judgement of the first parts that a row counts once a part is counted."""
        found = None
        for event in self.parts:
            since_ns = int(event.detail("begun_utc_ns") or 0) - 2 * NANO
            if (
                not since_ns
                <= part.ended_ns + UTC_NS
                <= part.counted_ns + UTC_NS
                <= event.at.utc_ns
            ):
                continue
            if found is None or event.at.mono_ns <= found.at.mono_ns:
                found = event
        return found


def play(
    scenario: str,
    rules: CellRules,
    *,
    seed: int,
    until_s: float,
    poll_s: float = 1.0,
    kill_at_s: float | None = None,
    away_s: float = 30.0,
    stood_s: float = 0.0,
    counter_bits: int = 32,
) -> Played:
    """Run a scenario and judge it on the way.

    Parameters
    ----------
    scenario
        A bundled one by its name, or the text of one.
    seed
        Of the noise, and of where in a scan's second the polls lie.
    kill_at_s, away_s
        When the daemon is killed, and how long it is away. [s]
    stood_s
        How long the cell had stood as it begins, watched, before the scenario: so a core that
        is warm is known to be. [s]
    counter_bits
        Of the counter that the controller serves: it rolls over behind them. [1]
    """
    text = bundled().get(scenario, scenario)
    world = World(parse(text, "told"), start_ns=0, seed=seed)
    cell = world.cells[rules.id]
    watcher = _Watcher(rules, 2**counter_bits)
    if stood_s:
        watcher.stand(cell, round(stood_s))
    recorder = Recorder(cell, rules)
    recorder.last_flow_s = -UNKNOWN_S  # nobody saw what was before
    scan_s = world.scenario.scan_s
    per_poll = max(1, round(poll_s / scan_s))
    phase = seed % per_poll
    scans = round(until_s / scan_s)
    for scan in range(1, scans + 1):
        world.scan()
        now_s = scan * scan_s
        recorder.note(now_s, scan_s)
        if kill_at_s is not None and kill_at_s <= now_s < kill_at_s + away_s:
            watcher.kill()
            continue
        watcher.wake(now_s)
        if scan % per_poll == phase:
            watcher.poll(now_s, cell)
    watcher.flush()
    return Played(
        rules,
        [part for part in recorder.parts if part.ended_ns < (until_s - 2.0 * poll_s) * NANO],
        [e for e in watcher.events if e.kind is EventKind.PART_MADE],
        [e for e in watcher.events if e.kind is EventKind.COUNTER_JUMPED],
        watcher.events,
        recorder.upstream(),
    )


CORE = "the core of the reservoir"
"""Its name beside those of the zones."""


class Recorder:
    """Keeps the truth of every part."""

    def __init__(self, cell: Cell, rules: CellRules) -> None:
        self.cell = cell
        self.rules = rules
        self.parts: list[Truth] = []
        self.now: Truth | None = None
        self.dose_s = 0.0
        self.charge = cell.charge_id
        self.last_flow_s = 0.0
        self.flowed_s = 0.0
        self.counted = cell.cycle.parts
        self.flows: list[float] = []
        self.walls: list[list[float]] = []
        self.cores: list[float] = []

    def note(self, now_s: float, scan_s: float) -> None:
        """One scan."""
        cell = self.cell
        net = cell.plant.net
        temp_c = cell.temp_c
        blocks_c = [temp_c[lump] for lump in net.sensor_lump]
        if cell.charge_id != self.charge:
            self.charge, self.dose_s = cell.charge_id, 0.0
        self._age(charge_mean(temp_c, net), scan_s)
        is_flowing = cell.cycle.is_dispensing
        self.flowed_s += scan_s if is_flowing else 0.0
        self.flows.append(self.flowed_s)
        self.walls.append(blocks_c)
        self.cores.append(temp_c[net.core_lump])
        now_ns = round(now_s * NANO)
        if is_flowing:
            if self.now is None:
                self.now = Truth(len(self.parts) + 1, now_ns, idle_s=now_s - self.last_flow_s)
                self.now.blocks_c = [[c, c] for c in blocks_c]
                self.now.flowed_s = (self.flowed_s - scan_s, self.flowed_s)
            part = self.now
            tip_c = temp_c[net.path[-1]]
            part.tip_c = [min(part.tip_c[0], tip_c), max(part.tip_c[1], tip_c)]
            part.blocks_c = [
                [min(low, c), max(high, c)]
                for (low, high), c in zip(part.blocks_c, blocks_c, strict=True)
            ]
            part.core_c = min(part.core_c, temp_c[net.core_lump])
            part.ended_ns, part.dose_s = now_ns, self.dose_s
            part.flowed_s = (part.flowed_s[0], self.flowed_s)
            self.last_flow_s = now_s
        elif self.now is not None:
            # A part that the controller did not finish was interrupted and is none.
            if cell.cycle.parts != self.counted or cell.panel.parts != self.counted:
                self.now.counted_ns = now_ns
                self.parts.append(self.now)
            self.now = None
        self.counted = cell.cycle.parts
        if cell.cycle.is_wiping:
            self.last_flow_s = now_s

    def _age(self, temp_c: float, scan_s: float) -> None:
        reservoir = self.rules.reservoir
        ageing = None if reservoir is None else reservoir.material.ageing
        if ageing is None or temp_c < ageing.stops_below_c:
            return
        inverse = 1.0 / (ageing.ref_c + ZERO_C_KELVIN) - 1.0 / (temp_c + ZERO_C_KELVIN)
        self.dose_s += scan_s * float(np.exp(TRUE_EA_J_PER_MOL / GAS_J_PER_MOL_K * inverse))

    def upstream(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """Dispensing time with the block of each zone and with the core, scan by scan."""
        flows, walls = np.array(self.flows), np.array(self.walls)
        blocks = {zone.id: (flows, walls[:, n]) for n, zone in enumerate(self.rules.zones)}
        return blocks | {CORE: (flows, np.array(self.cores))}


class _Watcher:
    """The engine as the daemon runs it, without its sockets and its disk."""

    def __init__(self, rules: CellRules, rolls_over_at: int) -> None:
        self.rules = rules
        self.rolls_over_at = rolls_over_at
        self.plan = engine.plan_cell(rules)
        self.state = engine.start(self.plan)
        self.channels = rules.channels()
        self.events: list[Event] = []
        self.rows: list[tuple[int, list[float], list[int]]] = []
        self.kept: tuple[CellState, int] | None = None
        self.is_dead = False

    def stand(self, cell: Cell, seconds: int) -> None:
        """The cell as it stands, once a second until the scenario begins."""
        values = [self._value(cell, name) for name in self.channels]
        for second in range(-seconds, 0):
            self.rows.append((second * NANO, values, [int(not np.isfinite(v)) * 4 for v in values]))
        self.flush()

    def poll(self, now_s: float, cell: Cell) -> None:
        """One poll of every channel."""
        if cell.panel.link is not Link.UP:
            values = [np.nan] * len(self.channels)
        else:
            values = [self._value(cell, name) for name in self.channels]
        quality = [int(Quality.GOOD if np.isfinite(v) else Quality.MISSING) for v in values]
        self.rows.append((round(now_s * NANO), values, quality))
        if len(self.rows) >= 60:
            self.flush()

    def _value(self, cell: Cell, channel: str) -> float:
        """What the controller shows of a channel, its counter within its bits."""
        value = _shown(cell, channel)
        return value % self.rolls_over_at if channel.endswith("/parts") else value

    def flush(self) -> None:
        """Judge what was read."""
        if not self.rows:
            return
        mono_ns = np.array([row[0] for row in self.rows], dtype=np.int64)
        value = np.array([row[1] for row in self.rows])
        quality = np.array([row[2] for row in self.rows], dtype=np.uint8)
        shape = value.shape
        block = Block(
            self.rules.id,
            self.channels,
            mono_ns,
            mono_ns + UTC_NS,
            value,
            quality,
            np.where(quality > 0, Reason.NO_ANSWER, Reason.NONE).astype(np.uint8),
            np.zeros(shape, dtype=np.uint32),
            np.full(shape, NO_TIME_NS, dtype=np.int64),
            np.full(shape, NO_TIME_NS, dtype=np.int64),
        )
        self.state, events = engine.step(self.state, block, self.plan)
        self.events += events
        self.rows = []

    def kill(self) -> None:
        """End as kill -9 ends it: what was not committed yet is lost."""
        if self.is_dead:
            return
        if self.rows:
            newest_ns = self.rows[-1][0]
            self.rows = [row for row in self.rows if row[0] <= newest_ns - COMMIT_S * NANO]
        self.flush()
        self.is_dead = True

    def wake(self, now_s: float) -> None:
        """Start again from what was recorded, if it was killed."""
        if not self.is_dead:
            return
        self.is_dead = False
        state = load_state(CellState, dump_state(self.state))
        self.state = engine.adopt(state, self.plan)
        now_ns = round(now_s * NANO)
        unseen = missing_row(
            self.rules.id, self.channels, Instant(now_ns + UTC_NS, now_ns), Reason.NOT_WATCHED
        )
        self.state, events = engine.step(self.state, unseen, self.plan)
        self.events += events


def _shown(cell: Cell, channel: str) -> float:
    """What the controller shows of a channel, nan where the daemon would not believe it."""
    panel = cell.panel
    *_, zone, signal = ("", *channel.split("/"))
    names = [one.name for one in cell.plant.zones]
    if zone in names:
        shown = panel.zones[names.index(zone)]
        if signal == "temperature":
            return np.nan if shown.broken is not None or shown.shown_c == 0.0 else shown.shown_c
        return {"setpoint": shown.setpoint_c, "output": shown.output}[signal]
    told: dict[str, Any] = {
        "dispensing": panel.is_dispensing,
        "parts": panel.parts,
        "charge_id": panel.charge_id,
        "wiped": panel.is_wiped,
        "ambient": panel.ambient_c,
        "part_id": getattr(panel, "part_id", np.nan),
        "joined": getattr(panel, "joined", np.nan),
        "inspection": getattr(panel, "inspection", np.nan),
        "bead_width": getattr(panel, "bead_width_mm", np.nan),
    }
    value = float(told[signal])
    return np.nan if signal == "ambient" and value == 0.0 else value


def faults(part: Truth, played: Played) -> set[str]:
    """What was really wrong with a part, by the rules that the daemon judges by."""
    rules, found = played.rules, set[str]()
    for place, zone in enumerate(rules.zones):
        low_c, high_c = _met(part, place, played)
        if zone.tip is not None and part.tip_c[0] < zone.tip.low_c:
            found.add("tip")
        if low_c < zone.low_c or high_c > zone.high_c:
            found.add(f"window:{zone.id}")
    reservoir = rules.reservoir
    if reservoir is not None and reservoir.soak is not None:
        needed_c = reservoir.soak.ready_c - reservoir.soak.tolerance_k
        if _core_met(part, rules.zones.index(reservoir), played) < needed_c:
            found.add("core")
    ageing = None if reservoir is None else reservoir.material.ageing
    if ageing is not None and part.dose_s > ageing.pot_life_s:
        found.add("dose")
    if part.idle_s > rules.purge_after_idle_s:
        found.add("idle")
    return found


def _met(part: Truth, place: int, played: Played) -> tuple[float, float]:
    """What the melt of a part met in a zone: now, or when it passed in plug flow."""
    zone = played.rules.zones[place]
    met = _passed(part, place, zone.id, played)
    if met is None or zone.kind is ZoneKind.NOZZLE:
        low_c, high_c = part.blocks_c[place]
        return low_c, high_c
    return (float(met.min()), float(met.max())) if met.size else (np.inf, -np.inf)


def _core_met(part: Truth, place: int, played: Played) -> float:
    """The core of the reservoir: now, or when the melt of a part left it in plug flow."""
    met = _passed(part, place, CORE, played)
    if met is None:
        return part.core_c
    return float(met.min()) if met.size else np.inf


def _passed(part: Truth, place: int, what: str, played: Played) -> np.ndarray | None:
    """What was so while the melt of a part passed a zone; None where it is there at once."""
    way = engine.plan_cell(played.rules).parts.transits[place]
    if way is None:
        return None
    flows, values = played.upstream[what]
    first_us, last_us = way.mean(round(part.flowed_s[0] * 1e6), round(part.flowed_s[1] * 1e6))
    rows = (flows >= first_us / 1e6) & (flows <= last_us / 1e6)
    rows &= np.diff(flows, prepend=flows[0]) > 0.0
    met: np.ndarray = values[rows]
    return met


def suspect(event: Event) -> bool:
    """Whether a judgement holds its part back."""
    return Verdict(str(event.detail("verdict"))).is_suspect


def reasons(event: Event) -> set[PartRule]:
    """Rules that speak against a part."""
    return {rule for rule, _ in rules_of(str(event.detail("rules")))}
