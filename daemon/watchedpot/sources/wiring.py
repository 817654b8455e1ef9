"""What was configured, as the sources see it: devices, channels, addresses.

``app.config`` builds these from files; all addresses are those of the wire.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias


class Unit(StrEnum):
    """Unit in which a device gives a value."""

    CELSIUS = "degC"
    FAHRENHEIT = "degF"
    NONE = "1"
    PERCENT = "%"
    MILLIMETRE = "mm"


class ValueType(StrEnum):
    """Type of a value on the wire; pinned for each channel."""

    BOOL = "bool"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    INT64 = "int64"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"


class RegisterTable(StrEnum):
    """The four address spaces of Modbus, each with its read function."""

    COILS = "coils"  # function 1
    DISCRETE_INPUTS = "discrete_inputs"  # function 2
    HOLDING_REGISTERS = "holding_registers"  # function 3
    INPUT_REGISTERS = "input_registers"  # function 4


class WordOrder(StrEnum):
    """Which 16-bit word of a longer value stands at the lower address."""

    HIGH_FIRST = "high_first"
    LOW_FIRST = "low_first"


@dataclass(frozen=True, slots=True)
class Conversion:
    """From the number on the wire to the number in the channel's unit.

    value = raw * scale + offset, then from ``unit`` to degC; checked before (``fill_values``,
    on the raw number) and after (``plausible_low`` to ``plausible_high``, in the final unit).
    """

    scale: float = 1.0
    offset: float = 0.0
    unit: Unit = Unit.NONE
    plausible_low: float | None = None
    plausible_high: float | None = None
    fill_values: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Doubt:
    """When a value that could be true is not believed in the light of others; None: never.

    Attributes
    ----------
    max_k_per_s
        Faster than this it must come twice, and a wrong scale or unit is named. [K/s]
    frozen_after_s
        The same number to its last bit for longer than this is not believed. [s]
    source_time_within_s
        OPC UA: a source stamp that stands still for longer, or is older, means an old value. [s]
    moves_within_s
        Only of a heartbeat: standing still for longer, it makes its whole source stale. [s]
    """

    max_k_per_s: float | None = None
    frozen_after_s: float | None = None
    source_time_within_s: float | None = None
    moves_within_s: float | None = None


@dataclass(frozen=True, slots=True)
class ModbusChannel:
    """One value behind a Modbus unit; ``address`` counts from 0 as on the wire."""

    name: str
    table: RegisterTable
    address: int
    type: ValueType
    conversion: Conversion = Conversion()
    word_order: WordOrder = WordOrder.HIGH_FIRST
    swap_bytes: bool = False
    doubt: Doubt = Doubt()

    @property
    def width(self) -> int:
        """Registers (or bits) the value takes."""
        return {"16": 1, "32": 2, "64": 4}.get(self.type.value[-2:], 1)


@dataclass(frozen=True, slots=True)
class OpcuaChannel:
    """One variable of an OPC UA server: identifier ``s=text`` or ``i=number`` in a namespace."""

    name: str
    namespace_uri: str
    identifier: str
    type: ValueType
    conversion: Conversion = Conversion()
    uncertain_is_good: bool = False
    doubt: Doubt = Doubt()


Channel: TypeAlias = ModbusChannel | OpcuaChannel


@dataclass(frozen=True, slots=True)
class ModbusSource:
    """One Modbus TCP connection to one unit.

    Attributes
    ----------
    answer_timeout_s
        Bound of one request, in real seconds. [s]
    max_registers, max_gap
        Longest block, and how many unused registers a block may bridge.
    """

    id: str
    host: str
    port: int
    unit: int
    channels: tuple[ModbusChannel, ...]
    poll_period_s: float = 1.0
    connect_timeout_s: float = 2.0
    answer_timeout_s: float = 1.0
    max_registers: int = 125
    max_gap: int = 8
    reconnect_cap_s: float = 5.0


@dataclass(frozen=True, slots=True)
class OpcuaSource:
    """One OPC UA connection.

    Attributes
    ----------
    answer_timeout_s
        Bound of one request, in real seconds. [s]
    session_timeout_s
        Life of a session that we no longer use, so that a crash frees its slot. [s]
    """

    id: str
    url: str
    channels: tuple[OpcuaChannel, ...]
    poll_period_s: float = 1.0
    connect_timeout_s: float = 4.0
    answer_timeout_s: float = 2.0
    session_timeout_s: float = 60.0
    reconnect_cap_s: float = 5.0


Source: TypeAlias = ModbusSource | OpcuaSource
