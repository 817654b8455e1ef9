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


class Framing(StrEnum):
    """How a Modbus request is packed; the two cannot be told apart by looking at a port."""

    MBAP = "MBAP"  # Modbus TCP: a header with a transaction id
    RTU = "RTU"  # serial: unit first, check sum last, and nothing that names the request


class Parity(StrEnum):
    """Parity bit of a serial line."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


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
class ModbusIdentity:
    """A value by which the unit shows that it is the one that is meant.

    Attributes
    ----------
    channel
        Where the value is read; not one of the source's channels.
    expected
        What it must be, before any scaling. [raw]
    """

    channel: ModbusChannel
    expected: float


@dataclass(frozen=True, slots=True)
class OpcuaIdentity:
    """A variable by which a server shows that it is the one that is meant.

    Attributes
    ----------
    expected
        What its value must be: a text such as a serial number, or a number. [raw]
    """

    namespace_uri: str
    identifier: str
    expected: float | str


class SecurityPolicy(StrEnum):
    """How an OPC UA channel is protected; the names are those of OPC UA Part 7."""

    NONE = "none"
    BASIC256SHA256 = "Basic256Sha256"
    AES128_SHA256_RSAOAEP = "Aes128Sha256RsaOaep"
    AES256_SHA256_RSAPSS = "Aes256Sha256RsaPss"


class SecurityMode(StrEnum):
    """What the policy is used for."""

    SIGN = "sign"
    SIGN_AND_ENCRYPT = "sign_and_encrypt"


@dataclass(frozen=True, slots=True)
class OpcuaSecurity:
    """A protected channel: what we show and whom we believe.

    Files are read at each connection, so a renewed certificate needs no restart. Paths are texts,
    since the record keeps what was configured.

    Attributes
    ----------
    certificate_path, key_path
        Our certificate (PEM or DER, with its chain if it has one) and its key (PEM).
    server_certificate_path
        The one certificate that the server may show; None for ``trusted_folder``.
    trusted_folder
        Certificates of servers, or of those who signed them.
    crl_folder
        Lists of revoked certificates; where it is named, each signer needs a current one.
    trust_any_server
        Whether the server need not be known at all: encrypted, but with whom nobody knows.
    host_name
        Name or address that the server's certificate must carry; None: not looked at.
    demand_key_usage
        Whether the certificate must name the uses that OPC UA asks for.
    """

    policy: SecurityPolicy
    mode: SecurityMode
    certificate_path: str
    key_path: str
    server_certificate_path: str | None = None
    trusted_folder: str | None = None
    crl_folder: str | None = None
    trust_any_server: bool = False
    host_name: str | None = None
    demand_key_usage: bool = False

    @property
    def is_encrypted(self) -> bool:
        """Whether nobody on the way can read along."""
        return self.policy is not SecurityPolicy.NONE and self.mode is SecurityMode.SIGN_AND_ENCRYPT


@dataclass(frozen=True, slots=True)
class OpcuaUser:
    """As whom we log on: a name with a password in a file of its own, or a certificate."""

    name: str | None = None
    password_path: str | None = None
    certificate_path: str | None = None
    key_path: str | None = None


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial line: one of this computer, or the one behind a gateway, for its timing.

    Attributes
    ----------
    path
        Device file of the port; empty for the line of a gateway.
    """

    baud_rate: int
    parity: Parity = Parity.EVEN
    stop_bits: int = 1
    path: str = ""

    @property
    def character_s(self) -> float:
        """Time of one byte: start bit, 8 bits, parity and stop bits [s]."""
        return (9 + (self.parity is not Parity.NONE) + self.stop_bits) / self.baud_rate


@dataclass(frozen=True, slots=True)
class ModbusSource:
    """One Modbus unit, alone or with others at one address.

    Attributes
    ----------
    host, port
        Where it listens; empty and 0 on a serial port of this computer.
    answer_timeout_s
        Bound of one request, in real seconds; longer where the line needs longer. [s]
    max_registers, max_gap
        Longest block, and how many unused registers a block may bridge.
    line
        The serial line, where there is one and its speed is known.
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
    framing: Framing = Framing.MBAP
    line: SerialLine | None = None
    identity: ModbusIdentity | None = None

    @property
    def address(self) -> str:
        """Where it is: host and port, or the path of the serial port."""
        return self.line.path if self.line and self.line.path else f"{self.host}:{self.port}"

    @property
    def protocol(self) -> str:
        """What it speaks, as the configuration names it."""
        if self.framing is Framing.MBAP:
            return "modbus_tcp"
        return "modbus_rtu" if self.line and self.line.path else "modbus_rtu_tcp"


@dataclass(frozen=True, slots=True)
class OpcuaSource:
    """One OPC UA connection.

    Attributes
    ----------
    answer_timeout_s
        Bound of one request, in real seconds. [s]
    session_timeout_s
        Life of a session that we no longer use, so that a crash frees its slot. [s]
    channel_lifetime_s
        How long the keys of the secure channel are used before they are renewed. [s]
    skew_alarm_s
        Difference of the server's clock from ours that is reported. [s]
    """

    id: str
    url: str
    channels: tuple[OpcuaChannel, ...]
    poll_period_s: float = 1.0
    connect_timeout_s: float = 4.0
    answer_timeout_s: float = 2.0
    session_timeout_s: float = 60.0
    reconnect_cap_s: float = 5.0
    channel_lifetime_s: float = 3600.0
    skew_alarm_s: float = 5.0
    security: OpcuaSecurity | None = None
    user: OpcuaUser | None = None
    identity: OpcuaIdentity | None = None


Source: TypeAlias = ModbusSource | OpcuaSource
