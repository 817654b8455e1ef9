"""From a channel as written to a channel as wired: it must fit its signal, source and type."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from watchedpot.app.config import model
from watchedpot.app.config.faults import Faults, Place, nearest, shown
from watchedpot.sources.wiring import (
    Conversion,
    Doubt,
    Framing,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    OpcuaSource,
    RegisterTable,
    SerialLine,
    Source,
    Unit,
    ValueType,
    WordOrder,
)

WiredChannel = ModbusChannel | OpcuaChannel

_BITS = (RegisterTable.COILS, RegisterTable.DISCRETE_INPUTS)
_LAST_ADDRESS = 65535
INTEGERS = tuple(kind for kind in ValueType if "int" in kind.value)
_NUMBERS = (*INTEGERS, ValueType.FLOAT32, ValueType.FLOAT64)
_OPCUA_KEYS = ("node", "uncertain_is_good", "source_time_within_s")
_MODBUS_KEYS = ("table", "address", "word_order", "swap_bytes")

MAX_K_PER_S = 10.0
"""Fastest change of a measured temperature that is believed at once [K/s].

A heated block makes 1 K/s; a bare thin sensor that leaves its bore at 180 degC begins to cool at
8 K/s (160 K, 20 s). Estimates, and a change that is faster is believed one poll later.
"""

MOVES_WITHIN_S = 10.0
"""How long a heartbeat may stand still [s]: as long as a reading may be fresh."""


@dataclass(frozen=True, slots=True)
class _Form:
    """What a signal is, so that a wrong wire is noticed."""

    what: str
    types: tuple[ValueType, ...]
    units: tuple[Unit, ...]
    needs_range: bool = False
    is_measured: bool = False
    keeps_moving: bool = False


_SETPOINT = _Form(
    "a number of degrees", _NUMBERS, (Unit.CELSIUS, Unit.FAHRENHEIT), needs_range=True
)
_TEMPERATURE = replace(_SETPOINT, is_measured=True)
_OUTPUT = _Form("a heater output", _NUMBERS, (Unit.PERCENT,))
_HUMIDITY = _Form("a relative humidity", _NUMBERS, (Unit.PERCENT,), needs_range=True)
_COUNT = _Form("a number that counts or names", INTEGERS, (Unit.NONE,))
_STATE = _Form("a yes or no", (ValueType.BOOL,), (Unit.NONE,))
_RESULT = _Form("a yes or no, or 1 or 0", (ValueType.BOOL, *INTEGERS), (Unit.NONE,))
_WIDTH = _Form("a width in mm", _NUMBERS, (Unit.MILLIMETRE,))
_HEARTBEAT = _Form(
    "a bit or a number that keeps changing",
    (ValueType.BOOL, *INTEGERS),
    (Unit.NONE,),
    keeps_moving=True,
)

_FORMS = {
    "temperature": _TEMPERATURE,
    "setpoint": _SETPOINT,
    "ambient": _TEMPERATURE,
    "dew_point": _TEMPERATURE,
    "air_temperature": _TEMPERATURE,
    "air_humidity": _HUMIDITY,
    "output": _OUTPUT,
    "parts": _COUNT,
    "part_id": _COUNT,
    "joined": _RESULT,
    "inspection": _RESULT,
    "bead_width": _WIDTH,
    "charge_id": _COUNT,
    "dispensing": _STATE,
    "wiped": _STATE,
    "heartbeat": _HEARTBEAT,
}


def _celsius(value: float, unit: Unit | None) -> float:
    """Temperature in degC; other units as they are."""
    return (value - 32.0) * 5.0 / 9.0 if unit is Unit.FAHRENHEIT else value


def bounds(integer: ValueType) -> tuple[int, int]:
    """Lowest and highest raw number that an integer type can hold."""
    bits = int(integer.lstrip("uint"))
    return (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if integer[0] == "i" else (0, 2**bits - 1)


def _one_of(words: Collection[str]) -> str:
    return " or ".join(f'"{word}"' for word in words)


@dataclass(slots=True)
class Wiring:
    """The sources and what has been wired to them so far.

    Attributes
    ----------
    sources
        By id, those that can be used.
    declared
        Ids of all sources, also of the faulty ones.
    """

    sources: Mapping[str, model.Source]
    declared: Collection[str]
    faults: Faults
    notices: list[str]
    _channels: dict[str, list[WiredChannel]] = field(default_factory=dict)
    _owners: dict[tuple[str, str, str | int], str] = field(default_factory=dict)

    def add(self, name: str, channel: model.Channel, place: Place) -> WiredChannel | None:
        """Wire one channel; None if it is faulty or its source is."""
        known = len(self.faults.found)
        self._check_form(name.rsplit("/", 1)[-1], channel, place)
        source = self.sources.get(channel.source)
        if source is None:
            if channel.source not in self.declared:
                self.faults.add(
                    place.at("source"),
                    f"expected the id of a source, got {shown(channel.source)}",
                    nearest(channel.source, self.declared),
                )
            return None
        self._check_protocol(channel, source, place)
        if isinstance(source, model.OpcuaSource):
            wired = self._opcua_channel(name, channel, source, place)
        else:
            wired = self._modbus_channel(name, channel, source, place)
        if wired is None or len(self.faults.found) > known:
            return None
        self._channels.setdefault(source.id, []).append(wired)
        return wired

    def poll_period_s(self, source_id: str) -> float:
        """Poll period of a source [s]; 1 s where the source is faulty."""
        source = self.sources.get(source_id)
        return source.poll_period_s if source else 1.0

    def built(self) -> tuple[Source, ...]:
        """Sources with their channels, without those that no channel uses."""
        self.notices.extend(
            f"sources.{source_id}: no channel uses it, it will not be read"
            for source_id in self.sources
            if source_id not in self._channels
        )
        return tuple(
            _source(source, self._channels[source.id])
            for source in self.sources.values()
            if source.id in self._channels
        )

    def _check_form(self, signal: str, channel: model.Channel, place: Place) -> None:
        """Type, unit and range against what the signal is."""
        form = _FORMS[signal]
        if channel.type not in form.types:
            self.faults.add(
                place.at("type"),
                f'expected {_one_of(form.types)}, got "{channel.type}"',
                f"{signal} is {form.what}",
            )
        unit = channel.unit or (Unit.NONE if Unit.NONE in form.units else None)
        if unit not in form.units:
            came = f'"{unit}"' if unit else "none"
            self.faults.add(
                place.at("unit"),
                f"expected {_one_of(form.units)}, got {came}",
                f"{signal} is {form.what}; say what the device gives",
            )
        if form.needs_range and channel.plausible is None:
            self._absent(
                place.at("plausible"),
                "[low, high]",
                "lowest and highest value that the sensor can return",
            )
        is_bit = form is _STATE or (
            form in (_RESULT, _HEARTBEAT) and channel.type is ValueType.BOOL
        )
        if is_bit and (channel.scale, channel.offset) != (1.0, 0.0):
            self.faults.add(place, "expected no scale and no offset for a bit", "take them out")
        if channel.scale == 0.0:
            self.faults.add(place.at("scale"), "expected another number than 0", "1.0 is none")
        self._check_fill_values(channel, place)
        self._check_doubt(signal, form, channel, place)

    def _check_doubt(self, signal: str, form: _Form, channel: model.Channel, place: Place) -> None:
        """What is doubted must be what the signal can be doubted for."""
        keys = {
            "max_k_per_s": (form.is_measured, "a measured temperature"),
            "frozen_after_s": (form.is_measured, "a measured temperature"),
            "moves_within_s": (form.keeps_moving, "a heartbeat"),
        }
        for key, (is_fitting, what) in keys.items():
            if getattr(channel, key) is not None and not is_fitting:
                self.faults.add(
                    place.at(key),
                    f"expected no such key, got {shown(getattr(channel, key))}",
                    f"{signal} is {form.what}; the key is of {what}",
                )
        poll_s = self.poll_period_s(channel.source)
        for key in ("frozen_after_s", "source_time_within_s", "moves_within_s"):
            span_s = getattr(channel, key)
            if span_s is not None and span_s <= poll_s:
                self.faults.add(
                    place.at(key),
                    f"expected more than poll_period_s = {poll_s} s of the source, got {span_s} s",
                    "what moves with each poll would seem to stand still; 3 polls are usual",
                )

    def _check_fill_values(self, channel: model.Channel, place: Place) -> None:
        """Fill values are raw: each must be one that the type can hold."""
        if channel.type not in INTEGERS:
            return
        low, high = bounds(channel.type)
        for at, value in enumerate(channel.fill_values):
            if not (value.is_integer() and low <= value <= high):
                self.faults.add(
                    place.at("fill_values", at),
                    f"expected a whole number from {low} to {high}, as {channel.type} can hold, "
                    f"got {shown(value)}",
                    "fill values are raw numbers, before scale and offset",
                )

    def _check_protocol(self, channel: model.Channel, source: model.Source, place: Place) -> None:
        """No key of the other protocol."""
        foreign = _MODBUS_KEYS if isinstance(source, model.OpcuaSource) else _OPCUA_KEYS
        for key in foreign:
            if key in channel.model_fields_set:
                self.faults.add(
                    place.at(key),
                    f"expected no such key for {source.protocol} (source {source.id}), "
                    f"got {shown(getattr(channel, key))}",
                    "take it out, or name another source",
                )

    def _opcua_channel(
        self, name: str, channel: model.Channel, source: model.OpcuaSource, place: Place
    ) -> WiredChannel | None:
        if channel.node is None:
            hint = f"source {source.id} speaks opcua"
            self._absent(place.at("node"), "s=text or i=number", hint)
            return None
        self._claim(name, (source.id, "node", channel.node), place.at("node"))
        if channel.uncertain_is_good:
            self.notices.append(f"{place.path}: values of uncertain status count as good")
        return OpcuaChannel(
            name=name,
            namespace_uri=source.namespace_uri,
            identifier=channel.node,
            type=channel.type,
            conversion=_conversion(channel),
            doubt=_doubt(name, channel),
            uncertain_is_good=channel.uncertain_is_good,
        )

    def _modbus_channel(
        self, name: str, channel: model.Channel, source: model.ModbusTables, place: Place
    ) -> WiredChannel | None:
        if channel.table is None:
            tables = _one_of([table.value for table in RegisterTable])
            self._absent(place.at("table"), tables, f"source {source.id} speaks {source.protocol}")
        elif (channel.type is ValueType.BOOL) != (channel.table in _BITS) and (
            not self.faults.concern(place.at("type"))
        ):
            self.faults.add(
                place.at("type"),
                f'expected a type that fits table = "{channel.table}", got "{channel.type}"',
                "coils and discrete inputs hold bits, registers hold numbers",
            )
        if channel.address is None:
            base = f"counted from address_base = {source.address_base}"
            self._absent(place.at("address"), "a register or bit number", base)
        if channel.table is None or channel.address is None:
            return None
        wired = ModbusChannel(
            name=name,
            table=channel.table,
            address=channel.address - source.address_base,
            type=channel.type,
            conversion=_conversion(channel),
            doubt=_doubt(name, channel),
            word_order=channel.word_order or WordOrder.HIGH_FIRST,
            swap_bytes=channel.swap_bytes,
        )
        self._check_words(channel, wired, place)
        self._check_address(channel.address, wired, source, place)
        return wired

    def _check_words(self, channel: model.Channel, wired: ModbusChannel, place: Place) -> None:
        """Word order where there are words, bytes where there are bytes."""
        if wired.width > 1 and channel.word_order is None:
            self._absent(
                place.at("word_order"),
                _one_of([order.value for order in WordOrder]),
                f"{wired.type} takes {wired.width} registers and the order cannot be guessed",
            )
        if wired.width == 1 and channel.word_order is not None:
            self.faults.add(
                place.at("word_order"),
                f'expected none for {wired.type}, got "{channel.word_order}"',
                "it takes one register or bit, there is nothing to order",
            )
        if wired.table in _BITS and channel.swap_bytes:
            self.faults.add(place.at("swap_bytes"), "expected false for a bit, got true")

    def _check_address(
        self, address: int, wired: ModbusChannel, source: model.ModbusTables, place: Place
    ) -> None:
        """Inside the table, and nobody else's."""
        base, last = source.address_base, wired.address + wired.width - 1
        if wired.address < 0 or last > _LAST_ADDRESS:
            highest = _LAST_ADDRESS + base - wired.width + 1
            self.faults.add(
                place.at("address"),
                f"expected {base} to {highest} for {wired.type}, got {address}",
                f"addresses count from address_base = {base} of source {source.id}",
            )
            return
        leading = {RegisterTable.HOLDING_REGISTERS: 4, RegisterTable.INPUT_REGISTERS: 3}
        if address > 30_000 and address // 10_000 == leading.get(wired.table):
            self.notices.append(
                f"{place.path}: address {address} looks like a number from a manual whose first "
                f"digit names the table; it is read as register {wired.address} on the wire"
            )
        for register in range(wired.address, last + 1):
            if not self._claim(wired.name, (source.id, wired.table, register), place.at("address")):
                return

    def _claim(self, name: str, key: tuple[str, str, str | int], place: Place) -> bool:
        """Whether nobody else reads the same thing, two cells with one such signal excepted."""
        owner = self._owners.setdefault(key, name)
        signal = name.split("/")[1:]
        if owner == name or (len(signal) == 1 and owner.split("/")[1:] == signal):
            return True
        source_id, table, address = key
        what = f"{shown(address)}" if table == "node" else f"{table} {address} on the wire"
        self.faults.add(
            place,
            f"expected an address of its own, got {what} of source {source_id}, "
            f"which {owner} reads too",
            "correct one of the two",
        )
        return False

    def _absent(self, place: Place, expected: str, hint: str) -> None:
        """Note a missing key, unless the key is there and already known to be faulty."""
        if not self.faults.concern(place):
            self.faults.add(place, f"expected {expected}, got none", hint)


def _conversion(channel: model.Channel) -> Conversion:
    edges = [_celsius(value, channel.unit) for value in channel.plausible or ()]
    low, high = edges or (None, None)
    return Conversion(
        scale=channel.scale,
        offset=channel.offset,
        unit=channel.unit or Unit.NONE,
        plausible_low=low,
        plausible_high=high,
        fill_values=tuple(channel.fill_values),
    )


def _doubt(name: str, channel: model.Channel) -> Doubt:
    """What is doubted of a channel, with what is usual for its signal."""
    form = _FORMS[name.rsplit("/", 1)[-1]]
    max_k_per_s = channel.max_k_per_s or MAX_K_PER_S
    moves_within_s = channel.moves_within_s or MOVES_WITHIN_S
    return Doubt(
        max_k_per_s=max_k_per_s if form.is_measured else None,
        frozen_after_s=channel.frozen_after_s,
        source_time_within_s=channel.source_time_within_s,
        moves_within_s=moves_within_s if form.keeps_moving else None,
    )


def _source(source: model.Source, channels: Sequence[WiredChannel]) -> Source:
    """Source with its channels; the keys that are not of a channel have the same names.

    What protects it is added by ``security``.
    """
    if isinstance(source, model.OpcuaSource):
        return OpcuaSource(
            channels=tuple(one for one in channels if isinstance(one, OpcuaChannel)),
            **source.model_dump(
                exclude={"protocol", "namespace_uri", "security", "user", "identity"}
            ),
        )
    return ModbusSource(
        channels=tuple(one for one in channels if isinstance(one, ModbusChannel)),
        **_modbus_link(source),
    )


def _modbus_link(source: model.ModbusTables) -> dict[str, Any]:
    """Keys of a Modbus source as the sources name them."""
    keys = source.model_dump(
        exclude={
            *("protocol", "address_base", "identity"),
            *("serial_port", "baud_rate", "parity", "stop_bits"),
        }
    )
    if isinstance(source, model.ModbusRtuSource):
        line = SerialLine(source.baud_rate, source.parity, source.stop_bits, source.serial_port)
        return {**keys, "host": "", "port": 0, "framing": Framing.RTU, "line": line}
    if isinstance(source, model.ModbusRtuTcpSource):
        line_behind = SerialLine(source.baud_rate) if source.baud_rate else None
        return {**keys, "framing": Framing.RTU, "line": line_behind}
    return keys
