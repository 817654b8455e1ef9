"""A simulated cell judged by the engine in one process, without sockets.

What the simulated controller shows goes through the registers and types of its protocol,
the daemon's own decoders and its belief, so that steps, fill values, statuses and doubts are those
of the wire.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from potsim.scenarios import Scenario
from potsim.sensors import Break
from potsim.serve_modbus import holding_registers
from potsim.world import Cell, Link, Panel, World, ZonePanel
from scenarios.expect import Expected
from support.cells import UTC_NS
from support.made import Played, Recorder
from watchedpot.app.config import load
from watchedpot.core import engine
from watchedpot.core.engine import CellState
from watchedpot.core.model import (
    Block,
    Event,
    EventKind,
    Instant,
    Quality,
    Reading,
    Reason,
    block_row,
    join_blocks,
    missing_row,
    not_good,
)
from watchedpot.core.rules import CellRules
from watchedpot.core.units import NANO
from watchedpot.outputs.ledger import dump_state, load_state
from watchedpot.sources.belief import Belief
from watchedpot.sources.decode import BUILT_IN_TYPES, modbus_decoder, opcua_decoder
from watchedpot.sources.wiring import (
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    RegisterTable,
    Source,
    ValueType,
)

CONFIG = Path(__file__).parents[2] / "config" / "demo.toml"
BAD_SENSOR_FAILURE = 0x808C_0000
NEAR_S = 150.0
"""From the onset on for so long, the advice is looked at with every row. [s]"""
FEW_ROWS, SOME_ROWS, MANY_ROWS = 1, 10, 300
"""Judged at a time: how many makes no difference to what is told, only to when advice is seen. [1]
"""

NODES = {
    "dispensing": "is_dispensing",
    "parts": "parts",
    "charge_id": "charge_id",
    "wiped": "is_wiped",
    "heartbeat": "heartbeat",
    "ambient": "ambient_c",
    "part_id": "part_id",
    "joined": "joined",
    "inspection": "inspection",
    "bead_width": "bead_width_mm",
}
"""What the panel calls each node of a cell."""

Read = Callable[[Panel], dict[str, Reading]]
Runs = Mapping[int, Sequence[int]]
"""Runs of registers by their first address."""


def told() -> tuple[Mapping[str, CellRules], Mapping[str, Source]]:
    """Rules and source of each cell of the demonstration, as configured."""
    configuration = load(CONFIG)
    rules = {cell.id: cell for cell in configuration.cells}
    return rules, {source.id: source for source in configuration.sources}


def reader(source: Source, zones: tuple[str, ...]) -> Read:
    """Function from a panel to what a poll of the source would bring."""
    if isinstance(source, ModbusSource):
        decoders = [(c.name, modbus_decoder(c), _words(c)) for c in source.channels]

        def read_registers(panel: Panel) -> dict[str, Reading]:
            runs = holding_registers(panel)
            return {name: decode(words(panel, runs)) for name, decode, words in decoders}

        return read_registers
    made = [(channel.name, _opcua(channel, zones)) for channel in source.channels]

    def read_nodes(panel: Panel) -> dict[str, Reading]:
        at_ns = UTC_NS + panel.t_ns + panel.clock_step_ns
        return {name: read(panel, at_ns) for name, read in made}

    return read_nodes


def _words(channel: ModbusChannel) -> Callable[[Panel, Runs], Sequence[int]]:
    """Registers of a channel, or its bit."""
    if channel.table is RegisterTable.DISCRETE_INPUTS:
        return lambda panel, _: [int((panel.is_dispensing, panel.is_wiped)[channel.address])]
    first, stop = channel.address, channel.address + channel.width

    def words(_: Panel, runs: Runs) -> Sequence[int]:
        for start, run in runs.items():
            if start <= first and stop <= start + len(run):
                return run[first - start : stop - start]
        raise AssertionError(channel)

    return words


def _opcua(channel: OpcuaChannel, zones: tuple[str, ...]) -> Callable[[Panel, int], Reading]:
    """Function from a panel and its stamp [ns] to the reading of one node."""
    decode = opcua_decoder(channel)
    number, kind = BUILT_IN_TYPES[channel.type]
    shown = _shown(channel.identifier.removeprefix("s=").split(".")[1:], zones)
    is_float32 = channel.type is ValueType.FLOAT32

    def read(panel: Panel, at_ns: int) -> Reading:
        value: object = shown(panel)
        status = 0
        if value is None:
            status = BAD_SENSOR_FAILURE
        elif is_float32:
            value = float(np.float32(value))  # type: ignore[arg-type]
        else:
            value = kind(value)
        return decode(value, number, status, source_ns=at_ns, server_ns=at_ns)

    return read


def _shown(path: list[str], zones: tuple[str, ...]) -> Callable[[Panel], float | None]:
    """Function from a panel to the value of a node, None where it has none."""
    if len(path) == 2:
        place, signal = zones.index(path[0]), path[1]
        if signal == "temperature":
            return lambda panel: _temperature(panel.zones[place])
        name = {"setpoint": "setpoint_c", "output": "output"}[signal]
        return lambda panel: float(getattr(panel.zones[place], name))
    name = NODES[path[0]]
    if name == "inspection":
        return lambda panel: float(bool(panel.inspection))
    return lambda panel: float(getattr(panel, name))


def _temperature(zone: ZonePanel) -> float | None:
    return None if zone.broken is Break.STATUS else zone.shown_c


@dataclass(frozen=True, slots=True)
class Told:
    """What was concluded while a cell was watched.

    Attributes
    ----------
    events
        In the order told; their monotonic zero is the scenario's. [ns]
    advice
        Each advice with when it was first given, again after another one. [s]
    played
        The parts as they were made, and all that was told of them.
    """

    events: list[Event]
    advice: list[tuple[float, str]]
    played: Played


class Watcher:
    """The daemon's core at work on one cell.

    Parameters
    ----------
    rules
        Of the cell.
    source
        Which serves the cell alone, with what is doubted of it.
    zones
        Of the cell, in the order of its panel.
    """

    def __init__(self, rules: CellRules, source: Source, zones: tuple[str, ...]) -> None:
        self.rules = rules
        self.source = source
        self.read = reader(source, zones)
        self.plan = engine.plan_cell(rules)
        self.state = engine.start(self.plan)
        self.channels = tuple(channel.name for channel in source.channels)
        self.judge = Belief(source.channels)
        self.events: list[Event] = []
        self.advice: list[tuple[float, str]] = []
        self.rows: list[Block] = []
        self.utc_step_ns = 0
        self.is_away = False

    def poll(self, now_s: float, panel: Panel) -> None:
        """One poll of every channel."""
        at = self._instant(now_s)
        if panel.link is Link.UP:
            readings = self.judge(at, self.read(panel))
        else:
            readings = dict.fromkeys(self.channels, not_good(Quality.MISSING, Reason.NO_ANSWER))
        self.rows.append(block_row(self.rules.id, at, readings))

    def _instant(self, now_s: float) -> Instant:
        mono_ns = round(now_s * NANO)
        return Instant(mono_ns + UTC_NS + self.utc_step_ns, mono_ns)

    def flush(self) -> None:
        """Judge what was read, and look at the advice."""
        if not self.rows:
            return
        block = join_blocks(self.rows)
        self.rows = []
        self._step(block)
        snapshot = engine.snapshot(self.state, self.plan)
        if snapshot is None:
            return
        advice = snapshot.advice.advice.value
        if not self.advice or self.advice[-1][1] != advice:
            self.advice.append((int(block.mono_ns[-1]) / NANO, advice))

    def _step(self, batch: Block) -> None:
        self.state, events = engine.step(self.state, batch, self.plan)
        self.events += events

    def leave(self) -> None:
        """End, with everything judged until now recorded."""
        if not self.is_away:
            self.flush()
            self.is_away = True

    def come_back(self, now_s: float) -> None:
        """Start again from what was recorded, if it was away."""
        if not self.is_away:
            return
        self.is_away = False
        state = load_state(CellState, dump_state(self.state))
        self.state = engine.adopt(state, self.plan)
        self.judge = Belief(self.source.channels)
        at = self._instant(now_s)
        self._step(missing_row(self.rules.id, self.channels, at, Reason.NOT_WATCHED))


def watch(
    scenario: Scenario,
    cell_id: str,
    expected: Expected,
    *,
    rules: CellRules,
    source: Source,
    seed: int,
) -> Told:
    """One cell of a scenario from its begin to its end, judged on the way.

    Parameters
    ----------
    scenario
        With the cell in it; others are left out, which changes nothing for this one.
    expected
        What a person says meanwhile, and when the monitor is away.
    seed
        Of the noise, and of where between two scans the polls fall.
    """
    alone = tuple(script for script in scenario.cells if script.plant.name == cell_id)
    world = World(replace(scenario, cells=alone), start_ns=0, seed=seed)
    cell: Cell = world.cells[cell_id]
    watcher = Watcher(rules, source, tuple(zone.name for zone in cell.plant.zones))
    recorder = Recorder(cell, rules)
    recorder.last_flow_s = -1e6
    scan_s = scenario.scan_s
    per_poll = max(1, round(1.0 / scan_s))
    said = list(expected.entries)
    steps = list(expected.utc_steps)
    for scan in range(1, round(scenario.end_s / scan_s) + 1):
        world.scan()
        now_s = scan * scan_s
        recorder.note(now_s, scan_s)
        if expected.is_away(now_s):
            watcher.leave()
            continue
        watcher.come_back(now_s)
        if steps and steps[0][0] <= now_s:
            watcher.utc_step_ns += round(steps.pop(0)[1] * NANO)
        if scan % per_poll == seed % per_poll:
            watcher.poll(now_s, cell.panel)
        if len(watcher.rows) >= _rows_at_a_time(expected, now_s - expected.onset_s):
            watcher.flush()
        if said and said[0].at_s <= now_s:
            watcher.flush()
            entry = said.pop(0).entry(Instant(round(now_s * NANO) + UTC_NS, round(now_s * NANO)))
            watcher.state, events = engine.step(watcher.state, entry, watcher.plan)
            watcher.events += events
    watcher.flush()
    return Told(watcher.events, watcher.advice, _played(rules, recorder, watcher, scenario.end_s))


def _rows_at_a_time(expected: Expected, after_s: float) -> int:
    """How many rows are judged together, by the time since the onset [s]: few where advice counts.

    Advice from before the onset counts only as it stands then.
    """
    if after_s < 0.0 or after_s > max((one.by_s for one in expected.advice), default=-1.0):
        return MANY_ROWS
    return FEW_ROWS if after_s <= NEAR_S else SOME_ROWS


def _played(rules: CellRules, recorder: Recorder, watcher: Watcher, end_s: float) -> Played:
    return Played(
        rules,
        [part for part in recorder.parts if part.ended_ns < (end_s - 2.0) * NANO],
        [_unset(e) for e in watcher.events if e.kind is EventKind.PART_MADE],
        [e for e in watcher.events if e.kind is EventKind.COUNTER_JUMPED],
        watcher.events,
        recorder.upstream(),
    )


def _unset(made: Event) -> Event:
    """A part's judgement with its times as if the monitor's clock had never been set."""
    off_ns = made.at.utc_ns - made.at.mono_ns - UTC_NS
    told = dict(made.details)
    if off_ns:
        told["begun_utc_ns"] = int(told["begun_utc_ns"] or 0) - off_ns
    at = Instant(made.at.utc_ns - off_ns, made.at.mono_ns)
    return replace(made, at=at, details=tuple(told.items()))


def concluded(
    scenario: Scenario,
    cell_id: str,
    *,
    rules: CellRules,
    source: Source,
    seed: int,
    rows_each: int = 30,
) -> list[Event]:
    """What is told of one cell of a scenario, nothing kept of the parts as they really were.

    Parameters
    ----------
    scenario
        With the cell in it; others are left out.
    rows_each
        Judged at a time: how many makes no difference to what is told. [1]
    """
    alone = tuple(script for script in scenario.cells if script.plant.name == cell_id)
    world = World(replace(scenario, cells=alone), start_ns=0, seed=seed)
    cell = world.cells[cell_id]
    watcher = Watcher(rules, source, tuple(zone.name for zone in cell.plant.zones))
    per_poll = max(1, round(1.0 / scenario.scan_s))
    for scan in range(1, round(scenario.end_s / scenario.scan_s) + 1):
        world.scan()
        if scan % per_poll == seed % per_poll:
            watcher.poll(scan * scenario.scan_s, cell.panel)
        if len(watcher.rows) >= rows_each:
            watcher.flush()
    watcher.flush()
    return watcher.events
