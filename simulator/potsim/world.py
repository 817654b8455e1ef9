"""The world: owns every cell's state and advances it scan by scan.

A scan is: heat moves since the scan before, faults and orders that are due come into force,
sensors read, loops and part cycle decide, the panel for the servers is made, the truth is
logged. What each part really was is kept in `parts.PartBook`, whose noise is drawn from a
generator of its own. Nothing here asks the clock, so the same scans with the same seed give the
same log.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

import numpy as np

from potsim.clock import NS_PER_S
from potsim.controllers import (
    CycleState,
    Happening,
    Order,
    PidState,
    cycle,
    interrupt,
    obey,
    pid,
    switch,
)
from potsim.parts import Now, PartBook
from potsim.physics import (
    Inputs,
    charge_mean,
    holding_power,
    initial_state,
    refill,
    replace_charge,
    temperatures,
    transition,
)
from potsim.plants import Plant, Wire
from potsim.scenarios import MOMENTARY, CellScript, Fault, FaultKind, Scenario, Step
from potsim.sensors import HEALTHY, Break, Reading, SensorFaults, SensorState, observe
from potsim.truth import TruthLog

PRESET_BAND_K = 5.0  # nearer than this to its setpoint a zone counts as having been held there


class Link(Enum):
    """State of a cell's network link."""

    UP = "up"
    SILENT = "silent"
    DROPPED = "drop"


@dataclass(frozen=True, slots=True)
class ZonePanel:
    """One zone as served.

    Parameters
    ----------
    shown_c, setpoint_c : float
        [degC]
    output : float
        [%]
    broken : Break or None
        Sensor open, and how it shows.
    """

    shown_c: float
    setpoint_c: float
    output: float
    broken: Break | None


@dataclass(frozen=True, slots=True)
class Panel:
    """Everything a server may serve of a cell, of one scan.

    Parameters
    ----------
    t_ns : int
        Cell time of the scan. [ns]
    clock_step_ns : int
        What the controller's clock is off by. [ns]
    zones : tuple of ZonePanel
        In flow order.
    is_dispensing, is_wiped : bool
        Signals.
    parts, charge_id, heartbeat : int
        Counters.
    part_id : int
        Serial of the part in the fixture: from its start to the start of the next.
    joined : int
        Counter of joined parts.
    inspection : int
        Of the newest counted part: 1 passed, 0 failed.
    bead_width_mm : float
        Of the newest counted part. [mm]
    ambient_c : float
        Room. [degC]
    link : Link
        Whether it may be served at all.
    """

    t_ns: int
    clock_step_ns: int
    zones: tuple[ZonePanel, ...]
    is_dispensing: bool
    is_wiped: bool
    parts: int
    charge_id: int
    heartbeat: int
    part_id: int
    joined: int
    inspection: int
    bead_width_mm: float
    ambient_c: float
    link: Link


@dataclass(frozen=True, slots=True)
class ZoneEffects:
    """What the active faults make of one zone.

    Parameters
    ----------
    power_share : float
        Of the commanded power that reaches the heater. [1]
    is_stuck_on, is_manual : bool
        Heater on whatever the output; output left where it is.
    switches_k : float or None
        The loop only switches, this far from setpoint. [K]
    sensor : SensorFaults
        Of its sensor.
    setpoint_c : float or None
        Typed over the right one. [degC]
    draft : float
        Multiplier on its losses. [1]
    """

    power_share: float = 1.0
    is_stuck_on: bool = False
    is_manual: bool = False
    switches_k: float | None = None
    sensor: SensorFaults = HEALTHY
    setpoint_c: float | None = None
    draft: float = 1.0


@dataclass(frozen=True, slots=True)
class Effects:
    """What the active faults make of a cell.

    Parameters
    ----------
    zones : tuple of ZoneEffects
        In flow order.
    is_down : bool
        The controller restarts.
    is_joining : bool
        Second halves are placed.
    is_still : bool
        What is served stands still.
    felt : tuple of int
        In whose block each zone's sensor sits.
    link : Link
        State of the network link.
    clock_step_ns : int
        Added to served times. [ns]
    names : str
        Active faults joined by +.
    """

    zones: tuple[ZoneEffects, ...]
    felt: tuple[int, ...]
    is_down: bool = False
    is_joining: bool = True
    is_still: bool = False
    link: Link = Link.UP
    clock_step_ns: int = 0
    names: str = ""


def zone_effects(faults: list[Fault]) -> ZoneEffects:
    """Sum of the active faults of one zone.

    Parameters
    ----------
    faults : list of Fault
        Active, of this zone or of the whole cell.

    Returns
    -------
    ZoneEffects
        Drafts multiply, and so do losses of power; of other faults of one kind the later wins.
    """
    effects = ZoneEffects()
    for fault in faults:
        sensor = _add_reading_fault(_add_sensor_fault(effects.sensor, fault), fault)
        effects = _add_zone_fault(replace(effects, sensor=sensor), fault)
    return effects


def _add_zone_fault(effects: ZoneEffects, fault: Fault) -> ZoneEffects:
    match fault.kind:
        case FaultKind.HEATER_OPEN | FaultKind.SUPPLY_SAG:
            share = effects.power_share * fault.numbers["power_share"]
            effects = replace(effects, power_share=share)
        case FaultKind.LOOP_SWITCHES:
            effects = replace(effects, switches_k=fault.numbers["band_k"])
        case FaultKind.HEATER_STUCK_ON:
            effects = replace(effects, is_stuck_on=True)
        case FaultKind.LOOP_MANUAL:
            effects = replace(effects, is_manual=True)
        case FaultKind.SETPOINT_TYPO:
            effects = replace(effects, setpoint_c=fault.numbers["setpoint_c"])
        case FaultKind.DRAFT | FaultKind.DOOR:
            effects = replace(effects, draft=effects.draft * fault.numbers["factor"])
    return effects


def _add_sensor_fault(sensor: SensorFaults, fault: Fault) -> SensorFaults:
    """What is wrong with the sensor itself and where it sits."""
    numbers = fault.numbers
    match fault.kind:
        case FaultKind.SENSOR_DRIFT:
            sensor = replace(sensor, drift_k_per_h=numbers["k_per_h"])
        case FaultKind.SENSOR_SLIP:
            sensor = replace(sensor, coupling=numbers["coupling"])
        case FaultKind.SENSOR_FALLEN:
            sensor = replace(sensor, fallen_to_c=numbers["to_c"], fallen_tau_s=numbers["tau_s"])
        case FaultKind.SENSOR_REVERSED if fault.words["ends"] == "both":
            sensor = replace(sensor, reversed_share=numbers["share"])
        case FaultKind.SENSOR_REVERSED:
            sensor = replace(sensor, mirror_c=numbers["terminal_c"])
        case FaultKind.COARSE_RESOLUTION:
            sensor = replace(sensor, resolution_k=numbers["resolution_k"])
    return sensor


def _add_reading_fault(sensor: SensorFaults, fault: Fault) -> SensorFaults:
    """What is wrong with the reading on its way to the controller and to the wire."""
    numbers = fault.numbers
    match fault.kind:
        case FaultKind.SENSOR_BREAK:
            code = Break(fault.words["code"])
            sensor = replace(sensor, broken=code, upscale_c=numbers["upscale_c"])
        case FaultKind.SENSOR_FROZEN if fault.words["side"] == "wire":
            sensor = replace(sensor, is_frozen_on_wire=True)
        case FaultKind.SENSOR_FROZEN:
            sensor = replace(sensor, is_frozen=True, frozen_offset_k=numbers["offset_k"])
        case FaultKind.WIRE_SCALE:
            sensor = replace(
                sensor, wire_factor=numbers["factor"], wire_offset_k=numbers["offset_k"]
            )
        case FaultKind.SPIKE:
            sensor = replace(sensor, spike_c=numbers["shows_c"])
    return sensor


def cell_effects(faults: list[Fault], plant: Plant) -> Effects:
    """Sum of the active faults of a cell.

    Parameters
    ----------
    faults : list of Fault
        Active, in the order in which they began.
    plant : Plant
        The cell.

    Returns
    -------
    Effects
        For the next scans.
    """
    zones = tuple(
        zone_effects([f for f in faults if f.zone in {None, zone.name}]) for zone in plant.zones
    )
    is_down, link, clock_step_ns = False, Link.UP, 0
    kinds = {fault.kind for fault in faults}
    is_late = FaultKind.JOINING_LATE in kinds
    is_still = FaultKind.VALUES_STILL in kinds
    felt = list(range(len(zones)))
    names_of_zones = [zone.name for zone in plant.zones]
    for fault in faults:
        match fault.kind:
            case FaultKind.PLC_RESTART:
                is_down = True
                if fault.words["drops_link"] == "true":
                    link = Link.DROPPED
            case FaultKind.LINK_LOSS:
                link = Link(fault.words["mode"])
            case FaultKind.ZONES_CROSSED if fault.zone is not None:
                one = names_of_zones.index(fault.zone)
                other = one - 1 if one else 1
                felt[one], felt[other] = felt[other], felt[one]
            case FaultKind.CLOCK_STEP:
                clock_step_ns += round(fault.numbers["by_s"] * NS_PER_S)
    names = "+".join(fault.kind.value for fault in faults)
    return Effects(
        zones,
        tuple(felt),
        is_down,
        not (is_down or is_late),
        is_still,
        link,
        clock_step_ns,
        names,
    )


@dataclass(frozen=True, slots=True)
class _Due:
    """One entry of the timeline."""

    scan: int
    step: Step | None = None
    begins: Fault | None = None
    ends: Fault | None = None


def timeline(script: CellScript, scan_s: float) -> tuple[_Due, ...]:
    """Every step and both ends of every fault, by scan.

    Parameters
    ----------
    script : CellScript
        One cell of a scenario.
    scan_s : float
        Length of a scan. [s]

    Returns
    -------
    tuple
        In order; each entry comes into force at the first scan not before its time.
    """

    def scan_of(at_s: float) -> int:
        # a time that is a whole number of scans must not slip by a rounding error
        return math.ceil(at_s / scan_s - 1e-6)

    due = [_Due(scan_of(step.at_s), step=step) for step in script.plan]
    for fault in script.faults:
        due.append(_Due(scan_of(fault.at_s), begins=fault))
        if fault.for_s is not None:
            due.append(_Due(scan_of(fault.at_s + fault.for_s), ends=fault))
    return tuple(sorted(due, key=lambda entry: entry.scan))


def standard_normals(rng: np.random.Generator) -> Iterator[float]:
    """Standard normal numbers one by one, drawn in blocks.

    Parameters
    ----------
    rng : Generator
        Their source.

    Yields
    ------
    float
        [1]
    """
    while True:
        yield from rng.standard_normal(4096).tolist()


class Cell:
    """One cell: state, controllers and panel.

    Parameters
    ----------
    script : CellScript
        What happens to it.
    scan_s : float
        Length of a scan. [s]
    start_ns : int
        Cell time of scan 0. [ns]
    rng, bead_rng : Generator
        Sources of the noise of its sensors and of its beads.
    log : TruthLog or None
        Where the truth goes.
    log_every : int
        Scans per row.
    """

    def __init__(
        self,
        script: CellScript,
        *,
        scan_s: float,
        start_ns: int,
        rng: np.random.Generator,
        bead_rng: np.random.Generator,
        log: TruthLog | None,
        log_every: int,
    ) -> None:
        plant = script.plant
        self.plant = plant
        self.scan_s = scan_s
        self.start_ns = start_ns
        self.log = log
        self.log_every = log_every
        self.state = initial_state(
            plant.net,
            zone_c=script.zone_c,
            charge_c=script.charge_c,
            charge_kg=script.charge_kg,
        )
        self._known = self.state, temperatures(self.state, plant.net)
        self.cycle = CycleState(parts=script.parts)
        self.charge_id = script.charge_id
        self._script = script
        self._noise = standard_normals(rng)
        self._bead_noise = standard_normals(bead_rng)
        self._timeline = timeline(script, scan_s)
        self._next_due = 0
        self._active: list[Fault] = []
        self._effects = cell_effects([], plant)
        self._ambient_c = script.ambient_c
        self._next_charge = Step(0.0, None)
        self._sensors = [SensorState(zone_c) for zone_c in script.zone_c]
        self._loops = self._preset_loops()
        self._tripped = [False for _ in plant.zones]
        self._heartbeat = 0
        self._still_panel: Panel | None = None
        self._is_part_ok = True
        self._t_s = 0.0
        self._t_ns = start_ns
        self._heater_w = tuple(0.0 for _ in plant.zones)
        self._now = self._look(self.temp_c)
        self.book = PartBook(
            ageing=plant.ageing,
            bead=plant.bead,
            hold_up_kg=tuple(zone.hold_up_kg for zone in plant.zones),
            join_s=plant.cycle.join_s,
            joined=script.parts,
            charge_age_s=script.charge_age_s,
            now=self._now,
        )
        self.panel = self._run_scan(0, dt_s=0.0)

    @property
    def temp_c(self) -> list[float]:
        """True temperature of every lump, worked out once for each state. [degC]."""
        state, temp_c = self._known
        if state is not self.state:
            temp_c = temperatures(self.state, self.plant.net)
            self._known = self.state, temp_c
        return temp_c

    def _preset_loops(self) -> list[PidState]:
        """Integrals as if the zones had been held at their setpoints before the start."""
        zones = self.plant.zones
        power_w = holding_power(
            self.plant.net,
            zone_c=tuple(zone.setpoint_c for zone in zones),
            ambient_c=self._ambient_c,
        )
        return [
            PidState(integral=min(100.0, max(0.0, 100.0 * w / zone.heater_w)))
            for zone, w in zip(zones, power_w, strict=True)
        ]

    def scan(self, number: int) -> None:
        """Advance by one scan.

        Parameters
        ----------
        number : int
            Counted from the start; one more than in the call before.
        """
        inputs = Inputs(
            self._heater_w,
            tuple([zone.draft for zone in self._effects.zones]),
            self._ambient_c,
            self.plant.flow_kg_per_s if self.cycle.is_dispensing else 0.0,
            self.cycle.is_wiping,
        )
        before_kg = self.state.charge_kg
        self.state = transition(self.state, inputs, self.scan_s, self.plant.net, temp_c=self.temp_c)
        flowed_kg = before_kg - self.state.charge_kg
        self.panel = self._run_scan(number, dt_s=self.scan_s, flowed_kg=flowed_kg)

    def _look(self, temp_c: list[float]) -> Now:
        """The cell as it is."""
        net = self.plant.net
        return Now(
            self._t_s,
            self._t_ns,
            tuple([temp_c[i] for i in net.sensor_lump]),
            temp_c[net.path[-1]],
            temp_c[net.core_lump],
            charge_mean(temp_c, net),
            self._effects.link is Link.UP,
        )

    def _run_scan(self, number: int, *, dt_s: float, flowed_kg: float = 0.0) -> Panel:
        self._t_s = number * self.scan_s
        self._t_ns = self.start_ns + round(self._t_s * NS_PER_S)
        orders = self._take_due(number)
        now = self._now = self._look(self.temp_c)
        block_c = now.block_c
        self.book.advance(now, dt_s=dt_s, flowed_kg=flowed_kg)
        readings = self._read(block_c, dt_s)
        setpoints_c = [self._setpoint(i) for i in range(len(readings))]
        self._control(readings, setpoints_c, block_c, dt_s)
        self._work(readings, setpoints_c, orders, dt_s)
        if self._effects.is_joining:
            part = self.book.join(now)
            if part is not None and self.log is not None:
                self.log.part(part)
        panel = self._still(self._show(readings, setpoints_c))
        self._judge_part(now)
        if self.log is not None and number % self.log_every == 0:
            self.log.row(self._row(panel, readings, now))
        return panel

    def _take_due(self, number: int) -> tuple[Order, ...]:
        """Bring into force what is due; returns the orders."""
        orders: list[Order] = []
        changed = False
        while self._next_due < len(self._timeline) and (
            (due := self._timeline[self._next_due]).scan <= number
        ):
            self._next_due += 1
            if due.step is not None:
                orders.extend(self._take_step(due.step))
            if due.begins is not None:
                self._begin(due.begins)
                changed = True
            if due.ends is not None:
                self._active.remove(due.ends)
                self._event("fault_off", due.ends.zone or "", due.ends.detail)
                changed = True
        if changed:
            was_down = self._effects.is_down
            self._effects = cell_effects(self._active, self.plant)
            if self._effects.is_down and not was_down:
                self.cycle, happened = interrupt(self.cycle)
                self._tell(happened)
        return tuple(orders)

    def _take_step(self, step: Step) -> tuple[Order, ...]:
        if step.ambient_c is not None:
            self._ambient_c = step.ambient_c
        if step.order is None:
            return ()
        if step.order is Order.CHANGE_CHARGE:
            self._next_charge = step
        return (step.order,)

    def _begin(self, fault: Fault) -> None:
        self._event("fault_on", fault.zone or "", fault.detail)
        if fault.kind not in MOMENTARY:
            self._active.append(fault)
            return
        parts = 0
        if fault.kind is FaultKind.COUNTER_JUMP:
            parts = self.cycle.parts + int(fault.numbers["by"])
        self.cycle = replace(self.cycle, parts=parts % 2**self.plant.cycle.counter_bits)
        self._event("fault_off", "", fault.detail)

    def _read(self, block_c: tuple[float, ...], dt_s: float) -> list[Reading]:
        readings = []
        for i, zone in enumerate(self.plant.zones):
            self._sensors[i], reading = observe(
                self._sensors[i],
                self._effects.zones[i].sensor,
                zone.sensor,
                block_c=block_c[self._effects.felt[i]],
                ambient_c=self._ambient_c,
                noise=next(self._noise),
                dt_s=dt_s,
            )
            readings.append(reading)
        return readings

    def _setpoint(self, index: int) -> float:
        typed_c = self._effects.zones[index].setpoint_c
        if typed_c is not None:
            return typed_c
        zone = self.plant.zones[index]
        return zone.setback_c if self.cycle.is_setback else zone.setpoint_c

    def _control(
        self,
        readings: list[Reading],
        setpoints_c: list[float],
        block_c: tuple[float, ...],
        dt_s: float,
    ) -> None:
        """Run the loops and decide the power of every heater until the next scan."""
        power_w = []
        for i, zone in enumerate(self.plant.zones):
            effects = self._effects.zones[i]
            if self._effects.is_down:
                # the integral is retentive, so that a short restart ends without a bump
                self._loops[i] = PidState(self._loops[i].integral)
            elif effects.switches_k is not None:
                self._loops[i] = switch(
                    self._loops[i],
                    seen_c=readings[i].seen_c,
                    setpoint_c=setpoints_c[i],
                    band_k=effects.switches_k,
                )
            else:
                self._loops[i] = pid(
                    self._loops[i],
                    zone.loop,
                    seen_c=readings[i].seen_c,
                    setpoint_c=setpoints_c[i],
                    dt_s=dt_s,
                    is_manual=effects.is_manual,
                )
            w = 0.01 * self._loops[i].output * zone.heater_w * effects.power_share
            if effects.is_stuck_on:
                w = zone.heater_w
            if block_c[i] > zone.limiter_c and not self._tripped[i]:
                self._tripped[i] = True
                self._event("limiter_tripped", zone.name, f"block_c={block_c[i]:.1f}")
            power_w.append(0.0 if self._tripped[i] else w)
        self._heater_w = tuple(power_w)

    def _work(
        self,
        readings: list[Reading],
        setpoints_c: list[float],
        orders: tuple[Order, ...],
        dt_s: float,
    ) -> None:
        """Orders and part cycle; while the controller is down orders wait in the plan."""
        self.cycle, happened = obey(self.cycle, orders)
        self._tell(happened)
        if self._effects.is_down:
            return
        band_k = self.plant.cycle.start_band_k
        # a nan reading compares false, so an open sensor keeps the cell from starting
        is_near = not self.cycle.is_setback and all(
            abs(reading.seen_c - setpoint_c) <= band_k
            for reading, setpoint_c in zip(readings, setpoints_c, strict=True)
        )
        self.cycle, happened = cycle(self.cycle, self.plant.cycle, is_near=is_near, dt_s=dt_s)
        if happened:
            self._tell(happened)

    def _tell(self, happened: tuple[Happening, ...]) -> None:
        for happening in happened:
            detail = ""
            if happening is Happening.CHARGE_CHANGED:
                self._change_charge()
                detail = f"charge_id={self.charge_id}"
                if not self._next_charge.is_announced:
                    detail += " unannounced"
            elif happening is Happening.PART_STARTED:
                self._is_part_ok = True
                self.book.begin(self._now)
                detail = f"part={self.cycle.parts + 1}"
            elif happening is Happening.PART_FINISHED:
                self.book.finish(
                    self._now,
                    counter=self.cycle.parts,
                    charge_id=self.charge_id,
                    noise=next(self._bead_noise),
                )
                detail = f"part={self.cycle.parts} ok={int(self._is_part_ok)}"
            elif happening is Happening.PART_ABORTED:
                self.book.lose()
            elif happening is Happening.WIPED:
                self.book.wipe()
            self._event(happening.value, "", detail)

    def _change_charge(self) -> None:
        swap = refill if self.plant.is_topped_up else replace_charge
        new = self._next_charge
        self.state = swap(
            self.state,
            self.plant.net,
            charge_c=new.charge_c,
            charge_kg=new.charge_kg,
        )
        self.book.change(age_s=new.charge_age_s, share=new.charge_kg / self.state.charge_kg)
        if new.is_announced:
            self.charge_id += 1

    def _show(self, readings: list[Reading], setpoints_c: list[float]) -> Panel:
        effects = self._effects
        if effects.is_down:
            self._heartbeat = 0
            dark = ZonePanel(0.0, 0.0, 0.0, None)
            return Panel(
                t_ns=self._t_ns,
                clock_step_ns=effects.clock_step_ns,
                zones=tuple(dark for _ in readings),
                is_dispensing=False,
                is_wiped=False,
                parts=0,
                charge_id=0,
                heartbeat=0,
                part_id=0,
                joined=0,
                inspection=0,
                bead_width_mm=0.0,
                ambient_c=0.0,
                link=effects.link,
            )
        self._heartbeat += 1
        return Panel(
            self._t_ns,
            effects.clock_step_ns,
            tuple(
                [
                    ZonePanel(reading.shown_c, setpoint_c, loop.output, reading.broken)
                    for reading, setpoint_c, loop in zip(
                        readings, setpoints_c, self._loops, strict=True
                    )
                ]
            ),
            self.cycle.is_dispensing,
            self.cycle.is_wiping,
            self.cycle.parts,
            self.charge_id,
            self._heartbeat,
            self.book.part_id,
            self.book.joined,
            int(self.book.is_passed),
            self.book.bead_width_mm,
            self._ambient_c,
            effects.link,
        )

    def _still(self, panel: Panel) -> Panel:
        """What is served: this, or what stands still since it stood still."""
        if not self._effects.is_still:
            self._still_panel = None
            return panel
        if self._still_panel is None:
            self._still_panel = panel
        return replace(self._still_panel, link=panel.link, clock_step_ns=panel.clock_step_ns)

    def _judge_part(self, now: Now) -> None:
        """Take a part's good name for good once something left its window."""
        if self.cycle.is_dispensing and self._is_part_ok:
            zones = self.plant.zones
            self._is_part_ok = now.core_c >= zones[0].window_low_c and all(
                zone.window_low_c <= c <= zone.window_high_c
                for zone, c in zip(zones, now.block_c, strict=True)
            )

    def _row(self, panel: Panel, readings: list[Reading], now: Now) -> str:
        fields = [f"{self._t_s:.3f},{self._t_ns}"]
        fields += [
            f"{z.shown_c:.3f},{r.sensor_c:.4f},{c:.4f},{z.setpoint_c:.2f},{z.output:.3f}"
            for z, r, c in zip(panel.zones, readings, now.block_c, strict=True)
        ]
        work = self.cycle
        part_ok = str(int(self._is_part_ok)) if work.is_dispensing else ""
        fields.append(
            f"{now.tip_c:.4f},{now.core_c:.4f},{now.charge_c:.4f},"
            f"{self.charge_id},{work.parts},{int(work.is_dispensing)},{int(work.is_wiping)},"
            f"{part_ok},{self._effects.names}"
        )
        return ",".join(fields)

    def _event(self, what: str, zone: str, detail: str) -> None:
        if self.log is not None:
            self.log.event(t_s=self._t_s, utc_ns=self._t_ns, what=what, zone=zone, detail=detail)


class World:
    """All cells of a scenario, advanced together.

    Parameters
    ----------
    scenario : Scenario
        What happens.
    start_ns : int
        Cell time of the scenario's t = 0. [ns]
    seed : int or None
        Instead of the scenario's own.
    truth : Path or None
        Folder of the truth log.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        start_ns: int,
        seed: int | None = None,
        truth: Path | None = None,
    ) -> None:
        self.scenario = scenario
        self.start_ns = start_ns
        self.scans = 0
        self.cells: dict[str, Cell] = {}
        root = scenario.seed if seed is None else seed
        for script in scenario.cells:
            plant = script.plant
            log = None
            if truth is not None:
                log = TruthLog(truth, plant.name, [zone.name for zone in plant.zones])
            # the name's bytes keep a cell's noise the same whether or not it has company
            entropy = [root, *plant.name.encode()]
            self.cells[plant.name] = Cell(
                script,
                scan_s=scenario.scan_s,
                start_ns=start_ns,
                rng=np.random.default_rng(entropy),
                bead_rng=np.random.default_rng([*entropy, *b" beads"]),
                log=log,
                log_every=scenario.log_every,
            )

    @property
    def t_s(self) -> float:
        """Time of the newest scan since the start. [s]."""
        return self.scans * self.scenario.scan_s

    @property
    def next_ns(self) -> int:
        """Cell time at which the next scan is due. [ns]."""
        return self.start_ns + round((self.scans + 1) * self.scenario.scan_s * NS_PER_S)

    def scan(self) -> None:
        """Advance every cell by one scan."""
        self.scans += 1
        for cell in self.cells.values():
            cell.scan(self.scans)

    def link(self, wire: Wire) -> Link:
        """State of the link of the cell on a wire, up when there is none.

        Parameters
        ----------
        wire : Wire
            Protocol.

        Returns
        -------
        Link
            Of the newest scan.
        """
        for cell in self.cells.values():
            if cell.plant.wire is wire:
                return cell.panel.link
        return Link.UP

    def flush(self) -> None:
        """Hand the truth log to the operating system."""
        for cell in self.cells.values():
            if cell.log is not None:
                cell.log.flush()

    def close(self) -> None:
        """Write what still waits and close the truth log."""
        for cell in self.cells.values():
            if cell.log is not None:
                for part in cell.book.waiting:
                    cell.log.part(part)
                cell.log.close()
