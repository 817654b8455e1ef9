"""Scenarios: TOML -> a timed list of orders and faults per cell.

A scenario is one file; times count in cell seconds from its start.

    key                     meaning                                             default
    title                   one line                                            (required)
    seed                    of the noise                                        1
    scan_s                  scan of the simulated controller [s]                0.5
    log_every               scans per row of the truth log                      1
    end_s                   length of the script [s]                            (required)
    expect                  table for whoever judges a monitor; not looked at here
    cells.NAME              lens_4, housing_7 or both
      ambient_c             room [degC]                                         25
      parts, charge_id      counter and charge at the start                     0, 1
      charge_c              charge at the start [degC]                          reservoir's start
      charge_kg             its mass [kg]                                       full
      charge_age_s          its age, as equivalent time at the material's
                            reference temperature [s]                           0
      conductivity_factor, wall_factor, heat_capacity_factor
                            of the charge: how far the truth is from the
                            figures that everybody was told             1, 1, 1
      part_period_s, dispense_s, setback_after_s, change_s, join_s              of the plant
      counter_bits          width of the counter of parts, 8 to 32              of the plant
      spread, plant_seed    the zones as built and the room differ from the
                            round figures: each factor below and that of the
                            room lies within 1 -+ spread, drawn by this seed    0, 1
      zones.ZONE            initial_c, setpoint_c, setback_c [degC],
                            noise_k, resolution_k [K]                           of the plant
                            heater_factor, loss_factor, capacity_factor,
                            lag_factor (sensor), gain_factor, times_factor
                            (of the loop), on top of the spread                 1
      plan                  list: at_s, do = an order (controllers.py) or "ambient"
                            change_charge takes charge_c, charge_kg, charge_age_s and
                            announced (true): false leaves the charge's number as it was;
                            ambient takes ambient_c
      faults                list: what, at_s, for_s (absent: to the end), zone and the keys below

    fault             zone  keys
    heater_open       yes   power_share: what still reaches the heater (0)
    heater_stuck_on   yes
    loop_manual       yes
    loop_switches     yes   band_k: on and off this far from setpoint (1.0)
    sensor_break      yes   code: "status", "upscale" or "nan" ("status"); upscale_c (1372)
    sensor_frozen     yes   side: "controller" or "wire" ("controller"); offset_k: how far from
                            the live reading the controller's value froze (-0.2), since one
                            frozen exactly at setpoint moves nothing
    sensor_drift      yes   k_per_h
    sensor_slip       yes   coupling (0.95)
    sensor_fallen     yes   to_c (35), tau_s (20)
    sensor_reversed   yes   ends: "one" or "both" of its extension lead ("one"); terminal_c (30) for
                            one, share (0.16) for both: how much of the block's excess over
                            ambient reaches the connection head
    zones_crossed     yes   its sensor and that of its neighbour upstream exchanged; of the
                            first zone the neighbour downstream
    wire_scale        yes   factor (10), offset_k (0): of the number served only
    spike             yes   shows_c: what is served meanwhile
    coarse_resolution yes   resolution_k (1.0)
    setpoint_typo     yes   setpoint_c
    draft             yes   factor (2.0)
    door              no    factor (2.0), on every zone
    supply_sag        no    power_share: of every heater's power that is left (0.81, which is
                            10 % less voltage)
    values_still      no    whatever is served stands still, the heartbeat too
    plc_restart       no    drops_link (false); the length is for_s
    link_loss         no    mode: "drop" or "silent" ("drop")
    counter_reset     no    for a moment, takes no for_s
    counter_jump      no    by: whole parts that were never made; for a moment, takes no for_s
    joining_late      no    no second half is placed while it lasts; those due follow then
    clock_step        no    by_s: served times only
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from enum import Enum
from importlib import resources
from pathlib import Path
from typing import Any

from potsim.controllers import Order
from potsim.errors import ScenarioError
from potsim.physics import MAX_DRAFT, MIN_FILL
from potsim.plants import (
    BUILDERS,
    PLANTS,
    Factors,
    Plant,
    ZoneFactors,
    ZonePlant,
    as_built,
    drawn,
)
from potsim.sensors import UPSCALE_C

DAY_S = 86_400.0
REFILL_KG = 0.3


class FaultKind(Enum):
    """What can go wrong."""

    HEATER_OPEN = "heater_open"
    SUPPLY_SAG = "supply_sag"
    HEATER_STUCK_ON = "heater_stuck_on"
    LOOP_MANUAL = "loop_manual"
    LOOP_SWITCHES = "loop_switches"
    SENSOR_BREAK = "sensor_break"
    SENSOR_FROZEN = "sensor_frozen"
    SENSOR_DRIFT = "sensor_drift"
    SENSOR_SLIP = "sensor_slip"
    SENSOR_FALLEN = "sensor_fallen"
    SENSOR_REVERSED = "sensor_reversed"
    ZONES_CROSSED = "zones_crossed"
    WIRE_SCALE = "wire_scale"
    SPIKE = "spike"
    VALUES_STILL = "values_still"
    COARSE_RESOLUTION = "coarse_resolution"
    SETPOINT_TYPO = "setpoint_typo"
    DRAFT = "draft"
    DOOR = "door"
    PLC_RESTART = "plc_restart"
    LINK_LOSS = "link_loss"
    COUNTER_RESET = "counter_reset"
    COUNTER_JUMP = "counter_jump"
    JOINING_LATE = "joining_late"
    CLOCK_STEP = "clock_step"


CELL_FAULTS = frozenset(
    {
        FaultKind.DOOR,
        FaultKind.SUPPLY_SAG,
        FaultKind.VALUES_STILL,
        FaultKind.PLC_RESTART,
        FaultKind.LINK_LOSS,
        FaultKind.COUNTER_RESET,
        FaultKind.COUNTER_JUMP,
        FaultKind.JOINING_LATE,
        FaultKind.CLOCK_STEP,
    }
)
MOMENTARY = frozenset({FaultKind.COUNTER_RESET, FaultKind.COUNTER_JUMP})


@dataclass(frozen=True, slots=True)
class Number:
    """A number that a table may hold; without a default it must.

    Parameters
    ----------
    low, high : float
        Allowed range, ends included. [its own]
    default : float or None
        Taken when the key is absent. [its own]
    """

    low: float
    high: float
    default: float | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One word out of a few; the first is the default.

    Parameters
    ----------
    words : tuple of str
        Allowed.
    """

    words: tuple[str, ...]


FAULT_NUMBERS: dict[FaultKind, dict[str, Number]] = {
    FaultKind.HEATER_OPEN: {"power_share": Number(0.0, 0.99, 0.0)},
    FaultKind.SUPPLY_SAG: {"power_share": Number(0.0, 1.0, 0.81)},
    FaultKind.LOOP_SWITCHES: {"band_k": Number(0.0, 20.0, 1.0)},
    FaultKind.SENSOR_BREAK: {"upscale_c": Number(0.0, 9999.0, UPSCALE_C)},
    FaultKind.SENSOR_REVERSED: {
        "terminal_c": Number(0.0, 80.0, 30.0),
        "share": Number(0.0, 0.4, 0.16),
    },
    FaultKind.WIRE_SCALE: {
        "factor": Number(0.01, 100.0, 10.0),
        "offset_k": Number(-500.0, 500.0, 0.0),
    },
    FaultKind.SPIKE: {"shows_c": Number(-40_000.0, 40_000.0)},
    FaultKind.SENSOR_FROZEN: {"offset_k": Number(-50.0, 50.0, -0.2)},
    FaultKind.SENSOR_DRIFT: {"k_per_h": Number(-100.0, 100.0)},
    FaultKind.SENSOR_SLIP: {"coupling": Number(0.1, 1.0, 0.95)},
    FaultKind.SENSOR_FALLEN: {
        "to_c": Number(-40.0, 200.0, 35.0),
        "tau_s": Number(0.5, 600.0, 20.0),
    },
    FaultKind.COARSE_RESOLUTION: {"resolution_k": Number(0.1, 10.0, 1.0)},
    FaultKind.SETPOINT_TYPO: {"setpoint_c": Number(0.0, 400.0)},
    FaultKind.DRAFT: {"factor": Number(1.0, MAX_DRAFT, 2.0)},
    FaultKind.DOOR: {"factor": Number(1.0, MAX_DRAFT, 2.0)},
    FaultKind.CLOCK_STEP: {"by_s": Number(-DAY_S, DAY_S)},
}
FAULT_WHOLE: dict[FaultKind, dict[str, Number]] = {
    FaultKind.COUNTER_JUMP: {"by": Number(-1e6, 1e6)},
}
FAULT_CHOICES: dict[FaultKind, dict[str, Choice]] = {
    FaultKind.SENSOR_BREAK: {"code": Choice(("status", "upscale", "nan"))},
    FaultKind.SENSOR_REVERSED: {"ends": Choice(("one", "both"))},
    FaultKind.SENSOR_FROZEN: {"side": Choice(("controller", "wire"))},
    FaultKind.LINK_LOSS: {"mode": Choice(("drop", "silent"))},
    FaultKind.PLC_RESTART: {"drops_link": Choice(("false", "true"))},
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault on the timeline.

    Parameters
    ----------
    kind : FaultKind
        What goes wrong.
    zone : str or None
        Where; None for the cell.
    at_s : float
        From when. [s]
    for_s : float or None
        How long; None to the end. [s]
    numbers : dict of float
        Its keys with numbers.
    words : dict of str
        Its keys with words.
    """

    kind: FaultKind
    zone: str | None
    at_s: float
    for_s: float | None
    numbers: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)

    @property
    def detail(self) -> str:
        """Name and settings as the event log shows them."""
        settings = [f"{key}={value:g}" for key, value in self.numbers.items()]
        settings += [f"{key}={value}" for key, value in self.words.items()]
        return " ".join([self.kind.value, *settings])


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the plan.

    Parameters
    ----------
    at_s : float
        When. [s]
    order : Order or None
        What the cell is told; None for a change of the room.
    charge_c, charge_kg, charge_age_s : float
        Of the new charge. [degC, kg, s]
    is_announced : bool
        Whether the charge's number moves with it.
    ambient_c : float or None
        New room temperature. [degC]
    """

    at_s: float
    order: Order | None
    charge_c: float = 0.0
    charge_kg: float = 0.0
    charge_age_s: float = 0.0
    is_announced: bool = True
    ambient_c: float | None = None


@dataclass(frozen=True, slots=True)
class CellScript:
    """One cell of a scenario.

    Parameters
    ----------
    plant : Plant
        The cell, with the scenario's own setpoints, sensors and factors of the charge.
    ambient_c : float
        Room at the start. [degC]
    parts, charge_id : int
        Counter and charge at the start.
    zone_c : tuple of float
        Temperature per zone at the start. [degC]
    charge_c, charge_kg, charge_age_s : float
        Charge at the start. [degC, kg, s]
    plan : tuple of Step
        In time order.
    faults : tuple of Fault
        In time order.
    """

    plant: Plant
    ambient_c: float
    parts: int
    charge_id: int
    zone_c: tuple[float, ...]
    charge_c: float
    charge_kg: float
    charge_age_s: float
    plan: tuple[Step, ...]
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole script.

    Parameters
    ----------
    name, title : str
        What it is called and what it shows.
    seed : int
        Of the noise.
    scan_s : float
        Scan of the simulated controller. [s]
    log_every : int
        Scans per row of the truth log.
    end_s : float
        Length of the script; the cells go on after it. [s]
    cells : tuple of CellScript
        One or both.
    """

    name: str
    title: str
    seed: int
    scan_s: float
    log_every: int
    end_s: float
    cells: tuple[CellScript, ...]


class _Table:
    """Reads one TOML table and notes every fault instead of stopping at the first."""

    def __init__(self, raw: dict[str, Any], path: str, problems: list[str]) -> None:
        self.raw = raw
        self.path = path
        self.problems = problems
        self.known: set[str] = set()

    def complain(self, key: str, expected: str, *, came: object) -> None:
        self.problems.append(f"{self.path}{key}: expected {expected}, got {came!r}")

    def number(self, key: str, rule: Number) -> float:
        self.known.add(key)
        value = self.raw.get(key, rule.default)
        expected = f"a number from {rule.low:g} to {rule.high:g}"
        if value is None:
            self.problems.append(f"{self.path}{key}: missing, expected {expected}")
            return rule.low
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not rule.low <= value <= rule.high:
            self.complain(key, expected, came=value)
            return rule.low
        return float(value)

    def whole(self, key: str, rule: Number) -> int:
        value = self.number(key, rule)
        if value != int(value):
            self.complain(key, "a whole number", came=value)
        return int(value)

    def text(self, key: str) -> str:
        self.known.add(key)
        value = self.raw.get(key)
        if not isinstance(value, str) or not value:
            self.complain(key, "a text", came=value)
            return ""
        return value

    def word(self, key: str, choice: Choice, *, is_required: bool = False) -> str:
        self.known.add(key)
        value = self.raw.get(key, None if is_required else choice.words[0])
        if isinstance(value, bool):
            value = str(value).lower()
        if value not in choice.words:
            self.complain(key, "one of " + ", ".join(choice.words), came=value)
            return choice.words[0]
        return str(value)

    def table(self, key: str) -> _Table:
        self.known.add(key)
        value = self.raw.get(key, {})
        if not isinstance(value, dict):
            self.complain(key, "a table", came=value)
            value = {}
        return _Table(value, f"{self.path}{key}.", self.problems)

    def tables(self, key: str) -> list[_Table]:
        self.known.add(key)
        value = self.raw.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.complain(key, "a list of tables", came=value)
            value = []
        return [
            _Table(item, f"{self.path}{key}[{index}].", self.problems)
            for index, item in enumerate(value)
        ]

    def done(self) -> None:
        self.problems.extend(
            f"{self.path}{key}: not a key here, known are {', '.join(sorted(self.known))}"
            for key in self.raw
            if key not in self.known
        )


def bundled() -> dict[str, str]:
    """Text of every scenario that comes with the package.

    Returns
    -------
    dict of str
        TOML text by name.
    """
    folder = resources.files("potsim") / "scenarios"
    return {
        entry.name.removesuffix(".toml"): entry.read_text(encoding="utf-8")
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".toml")
    }


def load(name_or_path: str) -> Scenario:
    """A scenario by its bundled name or from a file.

    Parameters
    ----------
    name_or_path : str
        A bundled name, else a path.

    Returns
    -------
    Scenario
        Checked.

    Raises
    ------
    ScenarioError
        Not found, not TOML, or with keys that cannot be played.
    """
    texts = bundled()
    if name_or_path in texts:
        return parse(texts[name_or_path], name_or_path)
    path = Path(name_or_path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        known = ", ".join(texts)
        raise ScenarioError(
            name_or_path,
            (f"neither a bundled name nor a file that can be read; bundled are {known}",),
        ) from exc
    return parse(text, path.stem)


def parse(text: str, name: str) -> Scenario:
    """A scenario from its TOML text.

    Parameters
    ----------
    text : str
        The file.
    name : str
        What to call it.

    Returns
    -------
    Scenario
        Checked.

    Raises
    ------
    ScenarioError
        Not TOML, or with keys that cannot be played; all of them in one message.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ScenarioError(name, (f"not TOML: {exc}",)) from exc
    problems: list[str] = []
    top = _Table(raw, "", problems)
    title = top.text("title")
    seed = top.whole("seed", Number(0, 2**31, 1))
    scan_s = top.number("scan_s", Number(0.05, 10.0, 0.5))
    log_every = top.whole("log_every", Number(1, 1000, 1))
    end_s = top.number("end_s", Number(1.0, 30 * DAY_S))
    top.table("expect")
    cells_table = top.table("cells")
    top.done()
    cells = tuple(
        _cell(cells_table.table(cell), plant)
        for cell, plant in PLANTS.items()
        if cell in raw.get("cells", {})
    )
    cells_table.known.update(PLANTS)
    cells_table.done()
    if not cells:
        problems.append(f"cells: missing, expected at least one of {', '.join(PLANTS)}")
    if problems:
        raise ScenarioError(name, tuple(problems))
    return Scenario(name, title, seed, scan_s, log_every, end_s, cells)


def _cell(table: _Table, plant: Plant) -> CellScript:
    ambient_c = table.number("ambient_c", Number(0.0, 45.0, 25.0))
    spread = table.number("spread", Number(0.0, 0.5, 0.0))
    plant_seed = table.whole("plant_seed", Number(0, 2**31, 1))
    parts = table.whole("parts", Number(0, 2**31, 0))
    charge_id = table.whole("charge_id", Number(0, 2**31, 1))
    plant = BUILDERS[plant.name](_factors(table))
    rhythm = plant.cycle
    cycle = replace(
        rhythm,
        part_period_s=table.number("part_period_s", Number(0.2, 3600.0, rhythm.part_period_s)),
        dispense_s=table.number("dispense_s", Number(0.1, 3600.0, rhythm.dispense_s)),
        setback_after_s=table.number("setback_after_s", Number(1.0, DAY_S, rhythm.setback_after_s)),
        change_s=table.number("change_s", Number(1.0, 3600.0, rhythm.change_s)),
        join_s=table.number("join_s", Number(0.0, 3600.0, rhythm.join_s)),
        counter_bits=table.whole("counter_bits", Number(8, 32, rhythm.counter_bits)),
    )
    if cycle.dispense_s >= cycle.part_period_s:
        table.complain("dispense_s", "less than part_period_s", came=cycle.dispense_s)
    if parts >= 2**cycle.counter_bits:
        table.complain("parts", f"a number of {cycle.counter_bits} bits", came=parts)
    zones_table = table.table("zones")
    room, draws = drawn(plant.name, len(plant.zones), spread=spread, seed=plant_seed)
    zones, zone_c, factors = [], [], []
    for zone, draw in zip(plant.zones, draws, strict=True):
        zone_table = zones_table.table(zone.name)
        factors.append(_zone_factors(zone_table, draw))
        changed, initial_c = _zone(zone_table, zone)
        zones.append(changed)
        zone_c.append(initial_c)
    zones_table.done()
    plant = as_built(replace(plant, zones=tuple(zones), cycle=cycle), tuple(factors))
    full_kg = plant.net.full_charge_kg
    charge_c = table.number("charge_c", Number(0.0, 200.0, zone_c[0]))
    charge_kg = table.number("charge_kg", Number(MIN_FILL * full_kg, 2.0 * full_kg, full_kg))
    charge_age_s = table.number("charge_age_s", Number(0.0, 365 * DAY_S, 0.0))
    plan = tuple(sorted((_step(t, plant) for t in table.tables("plan")), key=lambda s: s.at_s))
    faults = tuple(sorted((_fault(t, plant) for t in table.tables("faults")), key=lambda f: f.at_s))
    table.done()
    return CellScript(
        plant,
        room * ambient_c,
        parts,
        charge_id,
        tuple(zone_c),
        charge_c,
        charge_kg,
        charge_age_s,
        plan,
        faults,
    )


def _factors(table: _Table) -> Factors:
    factor = Number(0.2, 5.0, 1.0)
    return Factors(
        conductivity=table.number("conductivity_factor", factor),
        wall=table.number("wall_factor", factor),
        heat_capacity=table.number("heat_capacity_factor", factor),
    )


def _zone_factors(table: _Table, draw: ZoneFactors) -> ZoneFactors:
    factor = Number(0.2, 5.0, 1.0)
    return ZoneFactors(
        **{
            name: getattr(draw, name) * table.number(f"{name}_factor", factor)
            for name in ZoneFactors.__slots__
        }
    )


def _zone(table: _Table, zone: ZonePlant) -> tuple[ZonePlant, float]:
    setpoint_c = table.number("setpoint_c", Number(0.0, 250.0, zone.setpoint_c))
    initial_c = table.number("initial_c", Number(0.0, 250.0, setpoint_c))
    changed = replace(
        zone,
        setpoint_c=setpoint_c,
        setback_c=table.number("setback_c", Number(0.0, 250.0, zone.setback_c)),
        sensor=replace(
            zone.sensor,
            noise_k=table.number("noise_k", Number(0.0, 5.0, zone.sensor.noise_k)),
            resolution_k=table.number("resolution_k", Number(0.1, 10.0, zone.sensor.resolution_k)),
        ),
    )
    table.done()
    return changed, initial_c


def _step(table: _Table, plant: Plant) -> Step:
    at_s = table.number("at_s", Number(0.0, 30 * DAY_S))
    do = table.word("do", Choice((*(o.value for o in Order), "ambient")), is_required=True)
    if do == "ambient":
        step = Step(at_s, None, ambient_c=table.number("ambient_c", Number(0.0, 45.0)))
    elif do == Order.CHANGE_CHARGE.value:
        usual_kg = REFILL_KG if plant.is_topped_up else plant.net.full_charge_kg
        step = Step(
            at_s,
            Order.CHANGE_CHARGE,
            charge_c=table.number("charge_c", Number(0.0, 200.0, plant.zones[0].setpoint_c - 5.0)),
            charge_kg=table.number(
                "charge_kg", Number(0.001, 2.0 * plant.net.full_charge_kg, usual_kg)
            ),
            charge_age_s=table.number("charge_age_s", Number(0.0, 365 * DAY_S, 0.0)),
            is_announced=table.word("announced", Choice(("true", "false"))) == "true",
        )
    else:
        step = Step(at_s, Order(do))
    table.done()
    return step


def _fault(table: _Table, plant: Plant) -> Fault:
    kind = FaultKind(
        table.word("what", Choice(tuple(k.value for k in FaultKind)), is_required=True)
    )
    at_s = table.number("at_s", Number(0.0, 30 * DAY_S))
    for_s = None
    if "for_s" in table.raw and kind not in MOMENTARY:
        for_s = table.number("for_s", Number(0.5, 30 * DAY_S))
    elif kind is FaultKind.PLC_RESTART:
        table.complain("for_s", "the length of the restart in seconds", came=None)
    zone = None
    if kind not in CELL_FAULTS:
        zone = table.word("zone", Choice(tuple(z.name for z in plant.zones)), is_required=True)
    numbers = {k: table.number(k, rule) for k, rule in FAULT_NUMBERS.get(kind, {}).items()}
    numbers |= {k: table.whole(k, rule) for k, rule in FAULT_WHOLE.get(kind, {}).items()}
    words = {k: table.word(k, choice) for k, choice in FAULT_CHOICES.get(kind, {}).items()}
    table.done()
    return Fault(kind, zone, at_s, for_s, numbers, words)
