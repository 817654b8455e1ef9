"""The configuration as a person checks it against the drawings of a cell."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from watchedpot.app.config.build import Configuration
from watchedpot.core.rules import (
    VERDICTS,
    AlarmKind,
    AlarmRules,
    CellRules,
    MaterialRules,
    SoakRules,
    TipRules,
    ZoneRules,
)
from watchedpot.sources.wiring import (
    Conversion,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    Source,
    Unit,
)

_WIRES = ("channel", "address", "type", "unit", "scale", "plausible", "window", "fill")
_ZONES = (
    *("zone", "kind", "material", "window degC", "setpoint degC", "off below degC"),
    *("gap s", "stale s", "holds ml"),
)
_MATERIALS = ("material", "ceiling degC", "flow kJ/mol", "damage kJ/mol", "source")
_MELTS = ("material", "pot life", "ageing kJ/mol", "diffusivity mm2/s", "viscosity", "dew point")
_SOAKS = ("core", "ready degC", "start degC", "known by", "wall W/(m2 K)", "tolerance K")
_TIPS = ("tip", "low degC", "known by", "W/(m K)", "film")
_CHARGES = ("charge", "full g", "refill g", "flow mg/s", "dosing", "preheat", "near", "at start")
_CELLS = ("cell", "room degC", "purge after", "air at the line", "air at the sensor")
_STORES = (
    *("stored", "limit degC", "above it", "mean kinetic", "out of store", "kJ/mol"),
    *("open time", "rework"),
)
_JUDGINGS = (
    *("parts", "guard K", "near K", "unseen s", "before loss", "cycle s", "rolls over at"),
    *("tip settles s", "check K"),
)
_VERDICTS = ("judged", "concludes", "usually")
_WIDTH = 118
_OF_CELL = {
    AlarmKind.UNSEEN: "not read or not believed",
    AlarmKind.BEFORE_READY: "dispensing before ready",
    AlarmKind.POT_LIFE: "pot life used up",
}
_ALARMS = ("alarm", "limit", "deadband", "on after", "off after", "priority", "latching")


def wiring_table(configuration: Configuration) -> str:
    """What is read from where and judged how, as text of about 120 columns."""
    windows = {zone.temperature: zone for cell in configuration.cells for zone in cell.zones}
    files = "\n".join(f"  {file}" for file in configuration.files)
    parts = [f"configuration {configuration.revision}, read from:\n{files}"]
    for source in configuration.sources:
        rows = [_wire(channel, windows.get(channel.name)) for channel in source.channels]
        parts.append(f"{_device(source)}\n{_grid(_WIRES, rows)}")
    cells = configuration.cells
    zones = [(f"{cell.id}/{zone.id}", zone) for cell in cells for zone in cell.zones]
    materials = list(dict.fromkeys(zone.material for _, zone in zones))
    grids: tuple[tuple[Sequence[str], Sequence[Sequence[str]]], ...] = (
        (_ZONES, [_zone(name, zone) for name, zone in zones]),
        (_SOAKS, [_soak(name, zone.soak) for name, zone in zones if zone.soak]),
        (_TIPS, [_tip(name, zone.tip) for name, zone in zones if zone.tip]),
        (_CHARGES, [_charge(cell) for cell in cells]),
        (_CELLS, [_cell(cell) for cell in cells]),
        (_JUDGINGS, [_judging(cell) for cell in cells]),
        (_VERDICTS, [row for cell in cells for row in _verdicts(cell)]),
        (_MATERIALS, [_material(one) for one in materials]),
        (_MELTS, [_melt(one) for one in materials]),
        (_STORES, [_stored(one) for one in materials]),
        (_ALARMS, [row for cell in cells for row in _alarms(cell)]),
    )
    parts.extend(_grid(head, rows) for head, rows in grids if rows)
    parts.extend(
        textwrap.fill(f"rework of {one.id}: {one.rework_caution}", _WIDTH, subsequent_indent="  ")
        for one in materials
        if one.rework_caution
    )
    service = configuration.service
    parts.append(
        f"served on {service.host}:{service.port}, recorded in {service.ledger_path} "
        f"for {service.retention_days:g} days or {service.retention_mb:g} MB"
    )
    if configuration.notices:
        parts.append("\n".join(("to note:", *(f"  {text}" for text in configuration.notices))))
    return "\n\n".join(parts) + "\n"


def _device(source: Source) -> str:
    if isinstance(source, ModbusSource):
        at = f"{source.protocol} {source.address} unit {source.unit}, addresses as on the wire"
    else:
        at = f"opcua {source.url}, {source.channels[0].namespace_uri}"
    return f"source {source.id}: {at}, every {source.poll_period_s:g} s"


def _wire(channel: ModbusChannel | OpcuaChannel, zone: ZoneRules | None) -> tuple[str, ...]:
    conversion = channel.conversion
    return (
        channel.name,
        _address(channel),
        _type(channel),
        "" if conversion.unit is Unit.NONE else conversion.unit.value,
        _scale(conversion),
        _range(conversion),
        f"{zone.low_c:g} to {zone.high_c:g}" if zone else "",
        ",".join(f"{value:g}" for value in conversion.fill_values),
    )


def _address(channel: ModbusChannel | OpcuaChannel) -> str:
    if isinstance(channel, OpcuaChannel):
        return channel.identifier
    last = channel.address + channel.width - 1
    registers = f"{channel.address}-{last}" if channel.width > 1 else f"{channel.address}"
    return f"{channel.table} {registers}"


def _type(channel: ModbusChannel | OpcuaChannel) -> str:
    if isinstance(channel, OpcuaChannel):
        mark = " uncertain too" if channel.uncertain_is_good else ""
        return channel.type.value + mark
    order = f" {channel.word_order}" if channel.width > 1 else ""
    return channel.type.value + order + (" swapped" if channel.swap_bytes else "")


def _scale(conversion: Conversion) -> str:
    scale = f"x {conversion.scale:g}" if conversion.scale != 1.0 else ""
    offset = f"{conversion.offset:+g}" if conversion.offset else ""
    return " ".join(part for part in (scale, offset) if part)


def _range(conversion: Conversion) -> str:
    """Plausible range; a device that gives degF is judged in degC, which is said."""
    low, high = conversion.plausible_low, conversion.plausible_high
    if low is None or high is None:
        return ""
    return f"{low:g} to {high:g}" + (" degC" if conversion.unit is Unit.FAHRENHEIT else "")


def _zone(name: str, zone: ZoneRules) -> tuple[str, ...]:
    return (
        name,
        zone.kind.value,
        zone.material.id,
        f"{zone.low_c:g} to {zone.high_c:g}",
        _number(zone.setpoint_c),
        f"{zone.off_below_c:g}",
        f"{zone.max_gap_s:g}",
        f"{zone.stale_after_s:g}",
        _number(zone.hold_up_m3, per_unit=1e6),
    )


def _soak(name: str, soak: SoakRules) -> tuple[str, ...]:
    start = (name, f"{soak.ready_c:g}", f"{soak.start_c:g}")
    if soak.radius_m is None:
        return (*start, f"{_number(soak.timer_s, per_unit=1 / 60)} min in the window", "", "")
    known_by = f"radius {soak.radius_m * 1e3:g} mm"
    return (*start, known_by, f"{soak.wall_w_per_m2_k:g}", f"{soak.tolerance_k:g}")


def _tip(name: str, tip: TipRules) -> tuple[str, ...]:
    if tip.fin is None:
        return (name, f"{tip.low_c:g}", f"measured, {_number(tip.offset_k)} K colder", "", "")
    fin = tip.fin
    film = _number(fin.film_w_per_m2_k)
    return (
        name,
        f"{tip.low_c:g}",
        f"{fin.length_m * 1e3:g} mm long, {fin.outer_m * 1e3:g} mm outside, "
        f"bore {fin.bore_m * 1e3:g} mm",
        f"{fin.conductivity_w_per_m_k:g}",
        f"{film} W/(m2 K)" if film else f"still air, emissivity {fin.emissivity:g}",
    )


def _charge(cell: CellRules) -> tuple[str, ...]:
    charge = cell.charge
    preheat = f"{_number(charge.preheat_c)} degC {charge.preheat_s / 60.0:g} min"
    age_h = _number(charge.start_age_s, per_unit=1 / 3600)
    return (
        cell.id,
        _number(charge.fill_kg, per_unit=1e3),
        _number(charge.refill_kg, per_unit=1e3),
        _number(charge.flow_kg_per_s, per_unit=1e6),
        charge.dosing.value,
        preheat if charge.preheat_c is not None else "cold",
        f"{100.0 * charge.near_share:g} %",
        f"{age_h} h old" if age_h else "age not known",
    )


def _cell(cell: CellRules) -> tuple[str, ...]:
    air = cell.air
    return (
        cell.id,
        f"{cell.ambient_c:g}",
        f"{cell.purge_after_idle_s / 60.0:g} min",
        f"{air.line_pa / 1e5:g} bar abs" if air else "not watched",
        f"{air.measured_pa / 1e5:g} bar abs" if air else "",
    )


def _material(material: MaterialRules) -> tuple[str, ...]:
    return (
        material.id,
        f"{material.ceiling_c:g}",
        f"{material.flow_ea_j_per_mol / 1000.0:.4g}",
        f"{material.degradation_ea_j_per_mol / 1000.0:g}",
        material.source,
    )


def _melt(material: MaterialRules) -> tuple[str, ...]:
    ageing, thermal = material.ageing, material.thermal
    viscosity = (
        f"{_number(material.viscosity_pa_s)} Pa s at {_number(material.viscosity_at_c)} degC"
    )
    dew_point = f"at most {_number(material.dew_point_max_c)} degC"
    return (
        material.id,
        f"{ageing.pot_life_s / 3600.0:g} h at {ageing.ref_c:g} degC" if ageing else "",
        f"{ageing.ea_low_j_per_mol / 1e3:g} to {ageing.ea_high_j_per_mol / 1e3:g}"
        if ageing
        else "",
        f"{thermal.diffusivity_m2_per_s * 1e6:g} ({thermal.diffusivity_low_m2_per_s * 1e6:g} to "
        f"{thermal.diffusivity_high_m2_per_s * 1e6:g})"
        if thermal
        else "",
        viscosity if material.viscosity_pa_s is not None else "",
        dew_point if material.dew_point_max_c is not None else "",
    )


def _stored(material: MaterialRules) -> tuple[str, ...]:
    storage = material.storage
    limits = ("not limited", "", "", "", "")
    if storage is not None:
        above_h = _number(storage.above_max_s, per_unit=1 / 3600)
        out_h = _number(storage.out_of_store_max_s, per_unit=1 / 3600)
        mean_c = _number(storage.mean_kinetic_max_c)
        limits = (
            f"{storage.limit_c:g}",
            above_h and f"{above_h} h",
            mean_c and f"{mean_c} degC",
            out_h and f"{out_h} h",
            f"{storage.ea_j_per_mol / 1e3:g}",
        )
    open_s = _number(material.open_time_s)
    rework_min = _number(material.rework_s, per_unit=1 / 60)
    return (
        material.id,
        *limits,
        f"{open_s} s" if open_s else "not known",
        f"{rework_min} min" if rework_min else "not known",
    )


def _judging(cell: CellRules) -> tuple[str, ...]:
    judging = cell.judging
    return (
        cell.id,
        f"{judging.guard_k:g}",
        f"{judging.near_k:g}",
        f"{judging.blind_s:g}",
        f"{judging.before_loss}",
        f"{judging.shortest_cycle_s:g}",
        "2^16 or 2^32" if judging.rolls_over_at is None else f"{judging.rolls_over_at}",
        f"{judging.tip_settle_s:g}",
        f"{judging.check_tolerance_k:g}",
    )


def _verdicts(cell: CellRules) -> Iterable[tuple[str, ...]]:
    """What concludes something else than usual."""
    for rule, verdict in cell.judging.verdicts:
        if verdict is not VERDICTS[rule]:
            yield f"{cell.id}/{rule}", verdict.value, VERDICTS[rule].value


def _number(value: float | None, *, per_unit: float = 1.0) -> str:
    """A number in a unit of which the rules' unit holds so many; empty where there is none."""
    return "" if value is None else f"{value * per_unit:g}"


def _alarms(cell: CellRules) -> Iterable[tuple[str, ...]]:
    for zone in cell.zones:
        limits = {
            AlarmKind.COLD: f"below {zone.low_c:g} degC",
            AlarmKind.HOT: f"above {zone.high_c:g} degC",
            AlarmKind.OVER_CEILING: f"above {zone.material.ceiling_c:g} degC",
        }
        for rules in zone.alarms:
            limit = limits.get(rules.kind, f"index {rules.limit_s:g} s" if rules.limit_s else "")
            yield _alarm(f"{cell.id}/{zone.id}/{rules.kind}", limit, rules)
    for rules in cell.alarms:
        yield _alarm(f"{cell.id}/{rules.kind}", _OF_CELL[rules.kind], rules)


def _alarm(name: str, limit: str, rules: AlarmRules) -> tuple[str, ...]:
    return (
        name,
        limit,
        f"{rules.deadband_k:g} K" if rules.deadband_k else "",
        f"{rules.on_delay_s:g} s",
        f"{rules.off_delay_s:g} s",
        rules.priority.value,
        "until reset" if rules.is_latching else "",
    )


def _grid(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their widest entry, two blanks apart."""
    lines = (head, *rows)
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return "\n".join(
        "  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )
