"""The configuration as a person checks it against the drawings of a cell."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from watchedpot.app.config.build import Configuration
from watchedpot.core.rules import AlarmKind, AlarmRules, CellRules, MaterialRules, ZoneRules
from watchedpot.sources.wiring import (
    Conversion,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    Source,
    Unit,
)

_WIRES = ("channel", "address", "type", "unit", "scale", "plausible", "window", "fill")
_ZONES = ("zone", "kind", "material", "window degC", "off below degC", "gap s", "stale s")
_MATERIALS = ("material", "ceiling degC", "flow kJ/mol", "damage kJ/mol", "source")
_ALARMS = ("alarm", "limit", "deadband", "on after", "off after", "priority", "latching")


def wiring_table(configuration: Configuration) -> str:
    """What is read from where and judged how, as text of about 120 columns."""
    windows = {zone.temperature: zone for cell in configuration.cells for zone in cell.zones}
    files = "\n".join(f"  {file}" for file in configuration.files)
    parts = [f"configuration {configuration.revision}, read from:\n{files}"]
    for source in configuration.sources:
        rows = [_wire(channel, windows.get(channel.name)) for channel in source.channels]
        parts.append(f"{_device(source)}\n{_grid(_WIRES, rows)}")
    zones = [_zone(cell, zone) for cell in configuration.cells for zone in cell.zones]
    materials = {zone.material: None for cell in configuration.cells for zone in cell.zones}
    parts.append(_grid(_ZONES, zones))
    parts.append(_grid(_MATERIALS, [_material(one) for one in materials]))
    alarms = [row for cell in configuration.cells for row in _alarms(cell)]
    if alarms:
        parts.append(_grid(_ALARMS, alarms))
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
        at = f"modbus_tcp {source.host}:{source.port} unit {source.unit}, addresses as on the wire"
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


def _zone(cell: CellRules, zone: ZoneRules) -> tuple[str, ...]:
    return (
        f"{cell.id}/{zone.id}",
        zone.kind.value,
        zone.material.id,
        f"{zone.low_c:g} to {zone.high_c:g}",
        f"{zone.off_below_c:g}",
        f"{zone.max_gap_s:g}",
        f"{zone.stale_after_s:g}",
    )


def _material(material: MaterialRules) -> tuple[str, ...]:
    return (
        material.id,
        f"{material.ceiling_c:g}",
        f"{material.flow_ea_j_per_mol / 1000.0:g}",
        f"{material.degradation_ea_j_per_mol / 1000.0:g}",
        material.source,
    )


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
        yield _alarm(f"{cell.id}/{rules.kind}", "not read or not believed", rules)


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
