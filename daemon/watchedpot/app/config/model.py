"""The configuration as it is written: the tables and keys of a TOML file.

The docstring below a key is its description in the JSON Schema and in the hints of faults; it
names the key's unit. What one key cannot know (sources, materials, other keys) is checked in
``build``.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StringConstraints,
    ValidationInfo,
    field_validator,
)
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import PydanticCustomError, core_schema

from watchedpot.core.rules import Dosing, PartRule, Priority, Verdict, ZoneKind
from watchedpot.sources.wiring import (
    Parity,
    RegisterTable,
    SecurityMode,
    SecurityPolicy,
    Unit,
    ValueType,
    WordOrder,
)

ORDER = "order"
"""Type of the faults about two values that are the wrong way round."""

TEXT_OR_NUMBER = "text_or_number"
"""Type of the faults about a value that is neither."""

Id = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=64)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Positive = Annotated[float, Field(gt=0)]
ModbusBound = Annotated[float, Field(gt=0, le=2)]  # several follow each other within 8 s
BaudRate = Annotated[int, Field(ge=1200, le=921_600)]
NotNegative = Annotated[float, Field(ge=0)]
PollPeriod = Annotated[float, Field(ge=0.05, le=5)]
Energy = Annotated[float, Field(gt=0, le=500)]
Temperature = Annotated[float, Field(ge=-50, le=500)]
Diffusivity = Annotated[float, Field(ge=0.03, le=1)]
Minutes = Annotated[float, Field(gt=0, le=1440)]
Room = Annotated[float, Field(ge=-20, le=60)]
Pressure = Annotated[float, Field(ge=0.8, le=25)]
Node = Annotated[str, StringConstraints(pattern=r"^(s=.+|i=[0-9]+)$")]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]


def _one_of(*keys: str) -> ConfigDict:
    """Tell the schema that exactly one of some keys is needed."""
    return ConfigDict(json_schema_extra={"oneOf": [{"required": [key]} for key in keys]})


def _in_order(low: float, high: float, *, low_key: str, high_key: str) -> None:
    """Raise the fault of two edges that are the wrong way round."""
    if low >= high:
        raise PydanticCustomError(
            ORDER,
            "{low_key} = {low} is not below {high_key} = {high}",
            {"low_key": low_key, "low": low, "high_key": high_key, "high": high},
        )


def _is_salvage(info: ValidationInfo) -> bool:
    """Whether faults have been reported and the rest is only looked through for more."""
    return bool(info.context and info.context.get("is_salvage"))


class Part(BaseModel):
    """A table of the file: no unknown key, nothing converted, no infinity."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
    )


class Service(Part):
    """Where metrics, page and API are served."""

    host: Text = "127.0.0.1"
    """Address to listen on; 127.0.0.1 is this computer only."""
    port: Annotated[int, Field(ge=1, le=65535)] = 9464
    """TCP port to listen on."""
    tokens_path: Text | None = None
    """File of those who may act, a line each as `watchedpot token NAME` prints it; relative to the
    folder of this file, or absolute. Without it a systemd credential named tokens is used."""
    open_reading: bool = False
    """Whether other computers may read without a token where host can be reached by them."""
    tls_certificate_path: Text | None = None
    """Certificate for TLS with its chain, PEM; relative to the folder of this file, or absolute."""
    tls_key_path: Text | None = None
    """Its private key, PEM, without a password."""
    queue_capacity: Annotated[int, Field(ge=1, le=100_000)] = 1000
    """Batches that may wait between reading and judging; when full the oldest is dropped and
    becomes blind time [1]."""


class Ledger(Part):
    """Where readings and events are recorded, and for how long."""

    path: Text = "watchedpot.ledger"
    """File of the ledger, relative to the folder of this file, or absolute."""
    commit_interval_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    """Longest time between two commits: what a power failure can lose [s]."""
    retention_days: Positive = 400.0
    """Age at which recorded readings are removed [days]."""
    retention_mb: Positive = 4000.0
    """Size above which the oldest recorded readings are removed [MB]."""


def _text_or_number(value: object) -> object:
    """Raise the fault of what is neither a text nor a finite number."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if isinstance(value, str) or (is_number and math.isfinite(value)):  # type: ignore[arg-type]
        return value
    raise PydanticCustomError(TEXT_OR_NUMBER, "expected a text or a number")


Expected = Annotated[int | float | str, BeforeValidator(_text_or_number)]


class OpcuaSecurity(Part):
    """How the channel to an OPC UA server is protected, and which server is believed."""

    policy: Annotated[SecurityPolicy, Field(strict=False)] = SecurityPolicy.NONE
    """Security policy; "none" is open to everybody on the way."""
    mode: Annotated[SecurityMode, Field(strict=False)] = SecurityMode.SIGN_AND_ENCRYPT
    """What the policy is used for: "sign", or "sign_and_encrypt"."""
    certificate_path: Text | None = None
    """Our certificate, PEM or DER, as `watchedpot certificate` makes it; relative to the folder of
    this file, or absolute."""
    key_path: Text | None = None
    """Its private key, PEM, without a password."""
    server_certificate_path: Text | None = None
    """The only certificate that the server may show, PEM or DER."""
    trusted_folder: Text | None = None
    """Instead: folder of the certificates of servers, or of the authorities that signed them."""
    crl_folder: Text | None = None
    """Folder of the authorities' lists of revoked certificates; each then needs a current one."""
    trust_any_server: bool = False
    """Instead of both: believe any server. Nobody then knows whose temperatures these are."""
    host_name: Text | None = None
    """Name or address that the server's certificate must carry; left out: not looked at."""
    demand_key_usage: bool = False
    """Whether the server's certificate must name the uses that OPC UA asks for; many do not."""


class OpcuaUser(Part):
    """As whom the daemon logs on to an OPC UA server; only on an encrypted channel."""

    name: Text | None = None
    """Name of the user, with password_path."""
    password_path: Text | None = None
    """File whose first line is the password, readable by its owner only (mode 600); relative to
    the folder of this file, or absolute."""
    certificate_path: Text | None = None
    """Instead: certificate of the user, PEM or DER, with key_path."""
    key_path: Text | None = None
    """Its private key, PEM, without a password."""


class OpcuaIdentity(Part):
    """A variable by which an OPC UA server shows that it is the one that is meant."""

    node: Node
    """OPC UA identifier of it: s=text or i=number."""
    namespace_uri: Text | None = None
    """Its namespace; left out: that of the source."""
    expected: Expected
    """What it must be at each connection, such as a serial number: a text or a number."""


class ModbusIdentity(Part):
    """A register by which a Modbus unit shows that it is the one that is meant."""

    table: Annotated[RegisterTable, Field(strict=False)]
    """Modbus table of it."""
    address: Annotated[int, Field(ge=0, le=65536)]
    """Address of its first register or bit, counted from the source's address_base."""
    type: Annotated[ValueType, Field(strict=False)]
    """Type of the value."""
    word_order: Annotated[WordOrder, Field(strict=False)] | None = None
    """Of a value of two or more registers: which 16-bit word stands at the lower address."""
    swap_bytes: bool = False
    """Whether the two bytes of each register are swapped."""
    expected: float
    """What it must be at each connection, such as a serial number or a version [raw]."""


class OpcuaSource(Part):
    """One connection to an OPC UA server."""

    protocol: Literal["opcua"]
    """Protocol of the source: "opcua", "modbus_tcp", "modbus_rtu_tcp" or "modbus_rtu"."""
    id: Id
    """Name of the source: lower-case letters, digits and underscores."""
    url: Annotated[str, StringConstraints(pattern=r"^opc\.tcp://[^\s/@]+(/[^\s@]*)?$")]
    """Endpoint, opc.tcp://host:port/path, without user or password."""
    namespace_uri: Text
    """Namespace URI of the nodes; the index is looked up at each connection."""
    poll_period_s: PollPeriod = 1.0
    """Time from one read of all channels to the next, 0.05 to 5 [s]."""
    connect_timeout_s: Positive = 4.0
    """Bound of connecting, in real time [s]."""
    answer_timeout_s: Positive = 2.0
    """Bound of one request, in real time [s]."""
    session_timeout_s: Annotated[float, Field(ge=10)] = 60.0
    """Life of a session that is no longer used, in real time [s]."""
    reconnect_cap_s: Positive = 5.0
    """Longest pause between two tries to connect, in real time [s]."""
    skew_alarm_s: Positive = 5.0
    """Difference of the server's clock from ours that is reported [s]."""
    security: OpcuaSecurity | None = None
    """How the channel is protected; left out: not at all."""
    user: OpcuaUser | None = None
    """As whom the daemon logs on; left out: anonymous."""
    identity: OpcuaIdentity | None = None
    """A variable that shows that it is the server that is meant."""


class ModbusSource(Part):
    """What all Modbus sources have: one unit."""

    id: Id
    """Name of the source: lower-case letters, digits and underscores."""
    unit: Annotated[int, Field(ge=0, le=255)]
    """Unit identifier of the device, 0 to 255."""
    address_base: Literal[0, 1]
    """Address of the first register in this file: 0 as on the wire, or 1 as in many manuals."""
    poll_period_s: PollPeriod = 1.0
    """Time from one read of all channels to the next, 0.05 to 5 [s]."""
    connect_timeout_s: ModbusBound = 2.0
    """Bound of connecting, in real time, at most 2 [s]."""
    answer_timeout_s: ModbusBound = 1.0
    """Bound of one request, in real time, at most 2 [s]."""
    max_registers: Annotated[int, Field(ge=4, le=125)] = 125
    """Longest block in one request, in registers [1]."""
    max_gap: Annotated[int, Field(ge=0, le=121)] = 8
    """Unused registers that a block may bridge [1]."""
    reconnect_cap_s: Positive = 5.0
    """Longest pause between two tries to connect, in real time [s]."""
    identity: ModbusIdentity | None = None
    """A register that shows that it is the unit that is meant."""


class ModbusTcpSource(ModbusSource):
    """One unit by Modbus TCP."""

    protocol: Literal["modbus_tcp"]
    """Protocol of the source: "opcua", "modbus_tcp", "modbus_rtu_tcp" or "modbus_rtu"."""
    host: Text
    """Name or address of the device."""
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    """TCP port of the device."""


class ModbusRtuTcpSource(ModbusSource):
    """One unit by RTU frames over TCP, through a converter that passes bytes on as they are."""

    protocol: Literal["modbus_rtu_tcp"]
    """Protocol of the source: "opcua", "modbus_tcp", "modbus_rtu_tcp" or "modbus_rtu"."""
    host: Text
    """Name or address of the converter."""
    port: Annotated[int, Field(ge=1, le=65535)]
    """TCP port of the converter."""
    max_registers: Annotated[int, Field(ge=4, le=125)] = 60
    """Longest block in one request, in registers [1]."""
    baud_rate: BaudRate | None = None
    """Speed of the serial line behind the converter; from it, how long an answer may take
    [bit/s]."""


class ModbusRtuSource(ModbusSource):
    """One unit on a serial port of this computer."""

    protocol: Literal["modbus_rtu"]
    """Protocol of the source: "opcua", "modbus_tcp", "modbus_rtu_tcp" or "modbus_rtu"."""
    unit: Annotated[int, Field(ge=1, le=247)]
    """Unit identifier of the device, 1 to 247."""
    serial_port: Annotated[str, StringConstraints(pattern=r"^/\S+$")]
    """Device file of the port; a name under /dev/serial/by-id stays with the adapter."""
    baud_rate: BaudRate
    """Speed of the line, 1200 to 921600 [bit/s]."""
    parity: Annotated[Parity, Field(strict=False)] = Parity.EVEN
    """Parity bit of the line."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits of the line [1]."""


ModbusTables = ModbusTcpSource | ModbusRtuTcpSource | ModbusRtuSource
Source = Annotated[OpcuaSource | ModbusTables, Discriminator("protocol")]


class Ageing(Part):
    """How fast an adhesive uses up its pot life."""

    pot_life_h: Annotated[float, Field(ge=0.01, le=1000)]
    """Closed, dry pot life at the temperature at_c [h]."""
    at_c: Temperature
    """Temperature that the pot life is stated at [degC]."""
    activation_low_kj_per_mol: Energy = 60.0
    """Lowest activation energy of ageing; both bounds are computed, the stricter is shown
    [kJ/mol]."""
    activation_high_kj_per_mol: Energy = 100.0
    """Highest activation energy of ageing, up to 500 [kJ/mol]."""
    stops_below_c: Temperature = 40.0
    """Below this the adhesive does not age; below every window [degC]."""
    source: Text
    """Where these numbers are from: data sheet with its date, or a trial of your own."""


class Thermal(Part):
    """How heat moves in an adhesive."""

    diffusivity_mm2_per_s: Diffusivity
    """Thermal diffusivity, best value, 0.03 to 1 [mm2/s]."""
    diffusivity_low_mm2_per_s: Diffusivity
    """Lowest diffusivity that may be true: the slowest core [mm2/s]."""
    diffusivity_high_mm2_per_s: Diffusivity
    """Highest diffusivity that may be true: the fastest core [mm2/s]."""
    conductivity_w_per_m_k: Annotated[float, Field(ge=0.05, le=2)]
    """Thermal conductivity, 0.05 to 2 [W/(m K)]."""
    density_kg_per_m3: Annotated[float, Field(ge=500, le=3000)]
    """Density of the melt, 500 to 3000 [kg/m3]."""
    heat_capacity_j_per_kg_k: Annotated[float, Field(ge=800, le=4000)]
    """Specific heat capacity of the melt, 800 to 4000 [J/(kg K)]."""
    source: Text
    """Where these numbers are from: data sheet, measurement, or a table for its chemistry."""


class Storage(Part):
    """How a material may be stored before it is loaded."""

    limit_c: Temperature
    """Temperature above which time in store counts [degC]."""
    above_max_h: NotNegative | None = None
    """Longest time above it [h]."""
    mean_kinetic_max_c: Temperature | None = None
    """Highest mean kinetic temperature [degC]."""
    out_of_store_max_h: NotNegative | None = None
    """Longest time outside the store before loading [h]."""
    activation_kj_per_mol: Energy = 83.144
    """Heat of activation of the mean kinetic temperature [kJ/mol]."""
    source: Text
    """Where the numbers are from."""


class Material(Part):
    """What the thermal account needs to know of an adhesive."""

    model_config = _one_of("flow_activation_kj_per_mol", "viscosity_points")

    id: Id
    """Name of the material: lower-case letters, digits and underscores."""
    ceiling_c: Temperature
    """Limit of the material, above every window; beyond it the charge is overheated [degC]."""
    flow_activation_kj_per_mol: Energy | None = None
    """Activation energy of flow: how steeply viscosity rises when colder, up to 500 [kJ/mol]."""
    viscosity_points: Annotated[list[Pair], Field(min_length=2, max_length=2)] | None = None
    """Instead of flow_activation_kj_per_mol: two points of the data sheet, each
    [temperature, viscosity] [degC, Pa s]."""
    degradation_activation_kj_per_mol: Energy
    """Activation energy of the damage above the window, up to 500 [kJ/mol]."""
    source: Text
    """Where the numbers are from: data sheet with its date, measurement, or common practice."""
    demo: bool = False
    """Whether the numbers are invented for a demonstration."""
    dew_point_max_c: Annotated[float, Field(ge=-100, le=30)] | None = None
    """Highest pressure dew point of the dispensing air; left out: no limit [degC]."""
    storage: Storage | None = None
    """How it may be stored; left out: only its date is looked at."""
    open_time_s: Positive | None = None
    """Longest time from the begin of dispensing to joining; left out: not watched [s]."""
    rework_min: Minutes | None = None
    """How long after dispensing a part can still be taken apart; left out: not told [min]."""
    rework_caution: Text | None = None
    """What must be minded when doing that; needed beside rework_min."""
    ageing: Ageing | None = None
    """Pot life; left out: the age of a charge is not known."""
    thermal: Thermal | None = None
    """How heat moves in it; left out: the core of a charge is judged by time only."""


class Channel(Part):
    """One value of a source."""

    source: Id
    """Id of the source that serves the value."""
    type: Annotated[ValueType, Field(strict=False)]
    """Type of the value on the wire; a value of another type is not believed."""
    node: Node | None = None
    """OPC UA identifier in the source's namespace: s=text or i=number."""
    uncertain_is_good: bool = False
    """OPC UA: whether a value of uncertain status counts as good."""
    table: Annotated[RegisterTable, Field(strict=False)] | None = None
    """Modbus table of the value."""
    address: Annotated[int, Field(ge=0, le=65536)] | None = None
    """Modbus address of the first register or bit, counted from the source's address_base."""
    word_order: Annotated[WordOrder, Field(strict=False)] | None = None
    """Modbus, values of two or more registers: which 16-bit word stands at the lower address."""
    swap_bytes: bool = False
    """Modbus: whether the two bytes of each register are swapped."""
    scale: float = 1.0
    """Factor from the raw number to the unit: value = raw * scale + offset [unit of the value]."""
    offset: float = 0.0
    """Added after scaling: value = raw * scale + offset [unit of the value]."""
    unit: Annotated[Unit, Field(strict=False)] | None = None
    """Unit of the value after scale and offset: degC or degF for temperatures, % for outputs and
    humidity, mm for widths."""
    fill_values: list[float] = []
    """Raw numbers, before scaling, that mean "no reading" [raw]."""
    plausible: Pair | None = None
    """Lowest and highest value that the sensor can return; wider than any window [unit]."""
    max_k_per_s: Annotated[float, Field(gt=0, le=1000)] | None = None
    """Measured temperatures: a faster change must come twice before it is believed; default 10
    [K/s]."""
    frozen_after_s: Annotated[float, Field(ge=10, le=86_400)] | None = None
    """Measured temperatures: the same number to its last digit for longer is not believed; twice
    the longest such time that ended by itself is always granted; left out: not watched [s]."""
    source_time_within_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """OPC UA, where the source time moves with each scan of the controller: one that stands still
    or is older for longer means an old value; left out: not watched [s]."""
    moves_within_s: Annotated[float, Field(gt=0, le=600)] | None = None
    """Heartbeats: standing still for longer makes all values of the source stale; default 10
    [s]."""

    @field_validator("plausible")
    @classmethod
    def _plausible_in_order(
        cls, plausible: list[float] | None, info: ValidationInfo
    ) -> list[float] | None:
        if plausible is not None and not _is_salvage(info):
            _in_order(*plausible, low_key="the first number", high_key="the second")
        return plausible


class ZoneChannels(Part):
    """The signals of a heat zone."""

    model_config = ConfigDict(json_schema_extra={"required": ["temperature"]})

    temperature: Channel | None = None
    """Temperature that the zone's sensor measures [degC or degF]."""
    setpoint: Channel | None = None
    """What the cell's controller aims at [degC or degF]."""
    output: Channel | None = None
    """Heater output [%]."""


class CellChannels(Part):
    """The signals of a cell as a whole."""

    dispensing: Channel | None = None
    """Whether adhesive flows (a bit)."""
    parts: Channel | None = None
    """Counter of finished parts [1]."""
    part_id: Channel | None = None
    """Number of the part that is dispensed; counts the parts where there is no counter [1]."""
    inspection: Channel | None = None
    """Result of the part's inspection as it is counted: 1 passed, 0 failed."""
    bead_width: Channel | None = None
    """Width of the part's bead as it is counted [mm]."""
    joined: Channel | None = None
    """Counter of joined parts, or a bit that is set while one is joined."""
    charge_id: Channel | None = None
    """Number of the charge; another number is another charge [1]."""
    wiped: Channel | None = None
    """Whether the nozzle has been wiped or purged (a bit)."""
    ambient: Channel | None = None
    """Temperature around the cell [degC or degF]."""
    dew_point: Channel | None = None
    """Dew point of the dispensing air at its sensor [degC or degF]."""
    air_temperature: Channel | None = None
    """Instead of dew_point, with air_humidity: temperature of the dispensing air [degC or degF]."""
    air_humidity: Channel | None = None
    """Instead of dew_point, with air_temperature: relative humidity of the dispensing air [%]."""
    heartbeat: Channel | None = None
    """A counter or a bit that keeps changing while the controller's program runs [1]."""


LONGEST_SHELVING_S = 86_400.0
"""Longest bound of a shelving: a day, so that each shift or its next one sees the alarm. [s]"""


class Alarm(Part):
    """One alarm. A cell or a zone may change single keys; together they must be complete."""

    priority: Annotated[Priority, Field(strict=False)] | None = None
    """How soon a person must act, by consequence and time to respond, not by the limit's name."""
    cause: Text | None = None
    """What it usually means, for the person at the cell."""
    consequence: Text | None = None
    """What happens when nobody acts."""
    response: Text | None = None
    """What the person at the cell is to do; without it, it is not an alarm."""
    time_to_respond_s: Positive | None = None
    """How long acting still prevents the consequence [s]."""
    on_delay_s: NotNegative | None = None
    """How long the condition must hold before it counts as on [s]."""
    off_delay_s: NotNegative | None = None
    """How long the condition must be gone before it counts as off [s]."""
    deadband_k: NotNegative | None = None
    """Cold, hot, over_ceiling: how far back inside the limit before it can clear [K]."""
    limit_s: Positive | None = None
    """Build_up, degradation: index at which the alarm is raised [s]."""
    re_alarm_s: Positive | None = None
    """Acknowledged but still on after this long: unacknowledged again; left out: never [s]."""
    latching: bool | None = None
    """Whether the alarm stays after its condition is gone until it is reset."""
    max_shelving_s: Annotated[Positive, Field(le=LONGEST_SHELVING_S)] | None = None
    """Longest time for which it can be shelved at once, until it is over included; left out: 8 h,
    at most a day [s]."""
    setpoint_settle_s: NotNegative | None = None
    """Cold, hot: for how long after a change of the setpoint within the window a new excursion is
    taken for part of the change; left out: not at all [s]."""


class ZoneAlarms(Part):
    """Alarms of one zone."""

    cold: Alarm | None = None
    """Below window_low_c [degC]."""
    hot: Alarm | None = None
    """Above window_high_c [degC]."""
    over_ceiling: Alarm | None = None
    """Above the material's ceiling_c [degC]: the worse stage of hot."""
    build_up: Alarm | None = None
    """Nozzles only: seconds of viscosity excess while dispensing cold [s]."""
    degradation: Alarm | None = None
    """Seconds at the high edge that age the charge as much as its time above it [s]."""


class Alarms(ZoneAlarms):
    """Alarms of a cell and of its zones."""

    unseen: Alarm | None = None
    """Of the cell: a temperature that is not read or not believable."""
    before_ready: Alarm | None = None
    """Of the cell: it dispenses although a zone or the charge is not ready."""
    pot_life: Alarm | None = None
    """Of the cell: the pot life of the charge is used up."""


class Soak(Part):
    """When the core of a charge counts as warm."""

    model_config = _one_of("radius_mm", "timer_min")

    ready_c: Temperature | None = None
    """What the core must reach, inside the window; default window_low_c [degC]."""
    start_c: Room = 23.0
    """Temperature of a charge of which nothing else is known, -20 to 60 [degC]."""
    radius_mm: Annotated[float, Field(ge=1, le=200)] | None = None
    """Inner radius of the container; the core is then computed [mm]."""
    timer_min: Minutes | None = None
    """Where the radius is not known: time in the window from cold [min]."""
    wall_w_per_m2_k: Annotated[float, Field(ge=1, le=10_000)] = 100.0
    """With radius_mm: heat transfer from the sensor's metal through gap and container wall to the
    adhesive [W/(m2 K)]."""
    tolerance_k: Annotated[float, Field(ge=0, le=10)] = 2.0
    """With radius_mm: ready when even the slowest estimate is no further than this below ready_c
    [K]."""


class Tip(Part):
    """How the bare tip of a nozzle is colder than its block."""

    model_config = _one_of("length_mm", "offset_k")

    low_c: Temperature
    """Lowest temperature of the tip at which the melt still flows as it should [degC]."""
    offset_k: Annotated[float, Field(ge=0, le=60)] | None = None
    """Block minus tip as measured at commissioning, without flow [K]."""
    length_mm: Annotated[float, Field(ge=0.1, le=100)] | None = None
    """Instead of offset_k: length of the tip outside the heated block [mm]."""
    gauge: int | None = None
    """Gauge number of a needle tip: its outer diameter and bore by a table [1]."""
    outer_mm: Annotated[float, Field(ge=0.05, le=20)] | None = None
    """Instead of gauge: outer diameter [mm]."""
    bore_mm: Annotated[float, Field(ge=0.01, le=20)] | None = None
    """Instead of gauge: diameter of the bore [mm]."""
    conductivity_w_per_m_k: Annotated[float, Field(ge=0.1, le=500)] = 16.0
    """Thermal conductivity of the tip's metal; stainless steel about 16 [W/(m K)]."""
    emissivity: Annotated[float, Field(ge=0, le=1)] = 0.3
    """Emissivity of its surface: bare metal about 0.3, soiled up to 0.9 [1]."""
    film_w_per_m2_k: Annotated[float, Field(ge=1, le=500)] | None = None
    """Heat transfer to the air, radiation included; default by free convection [W/(m2 K)]."""


class Zone(Part):
    """One heat zone."""

    id: Id
    """Name of the zone, unique in its cell: lower-case letters, digits and underscores."""
    kind: Annotated[ZoneKind, Field(strict=False)]
    """What the zone is."""
    material: Id
    """Id of the material in the zone."""
    window_low_c: Temperature
    """Lower edge of the window [degC]."""
    window_high_c: Temperature
    """Upper edge of the window [degC]."""
    setpoint_c: Temperature | None = None
    """Usual setpoint, inside the window: deadbands and the flow at the tip are held against it
    [degC]."""
    off_below_c: Temperature = 50.0
    """A setpoint (without one, a reading) below this means that the zone is off [degC]."""
    max_gap_s: Positive | None = None
    """Longest step between two good readings that is joined by a line; default 3 polls [s]."""
    stale_after_s: Positive | None = None
    """Age at which a reading says nothing about now; default 3 polls, at most 10 s [s]."""
    channels: ZoneChannels = Field(default_factory=ZoneChannels)
    """Signals of the zone."""
    hold_up_ml: Annotated[float, Field(ge=0.001, le=5000)] | None = None
    """Hose or nozzle: melt that it holds [ml]."""
    soak: Soak | None = None
    """Tank, cartridge or syringe: when the core counts as warm; left out: with its wall."""
    tip: Tip | None = None
    """Nozzle: how its tip is colder than its block; left out: only the block is judged."""
    alarms: ZoneAlarms = Field(default_factory=ZoneAlarms)
    """Keys of alarms that differ in this zone."""

    @field_validator("window_high_c")
    @classmethod
    def _window_in_order(cls, window_high_c: float, info: ValidationInfo) -> float:
        if "window_low_c" in info.data and not _is_salvage(info):
            _in_order(
                info.data["window_low_c"],
                window_high_c,
                low_key="window_low_c",
                high_key="window_high_c",
            )
        return window_high_c


class Charge(Part):
    """What is known of a cell's charges before they come."""

    fill_g: Annotated[float, Field(ge=0.01, le=100_000)] | None = None
    """Mass of a full charge; left out: when it will be empty is not foretold [g]."""
    refill_g: Annotated[float, Field(ge=0.01, le=100_000)] | None = None
    """Tank: mass that one refill adds; left out: a refill never makes the charge younger [g]."""
    flow_mg_per_s: Annotated[float, Field(ge=0.001, le=10_000)] | None = None
    """Mean melt flow while dispensing, by weighing [mg/s]."""
    dosing: Annotated[Dosing, Field(strict=False)] = Dosing.TIME_PRESSURE
    """What the dispenser holds constant: pressure and time, or a pump's flow."""
    preheat_c: Temperature | None = None
    """How every charge is warmed before loading; believed of all that only a signal announces;
    left out: they come cold [degC]."""
    preheat_min: Minutes | None = None
    """How long they are warmed at preheat_c [min]."""
    near_share: Annotated[float, Field(gt=0, lt=1)] = 0.8
    """Share of the pot life from which the charge is near its limit [1]."""
    start_age_h: NotNegative | None = None
    """Age of the charge that lies there when the account begins, as hours at the temperature of
    the pot life; left out: not known [h]."""


class Air(Part):
    """The dispensing air."""

    line_bar_abs: Pressure
    """Absolute pressure at which the air meets the adhesive: what a gauge shows, plus about 1;
    0.8 to 25 [bar]."""
    measured_bar_abs: Pressure | None = None
    """Absolute pressure at the sensor of its moisture; default line_bar_abs [bar]."""


class Judging(Part):
    """How parts are counted and judged."""

    guard_k: NotNegative = 0.5
    """Uncertainty of a reading: what is this near an edge counts as outside [K]."""
    near_k: NotNegative = 1.0
    """A temperature nearer than this to where it counts as outside is noted; with guard_k less
    than half of every window [K]."""
    blind_s: NotNegative = 3.0
    """Longest time without readings while dispensing that is only noted [s]."""
    before_loss_parts: Annotated[int, Field(ge=0, le=20)] = 1
    """Parts before a loss of readings that are doubted with it [1]."""
    shortest_cycle_s: Positive = 1.0
    """Parts do not come faster than this [s]."""
    counter_rolls_over_at: Annotated[int, Field(ge=2)] | None = None
    """Highest value of the part counter plus one; left out: 65536 or 4294967296 [1]."""
    tip_settle_s: NotNegative = 25.0
    """How long a tip is doubted after it was cold or wiped [s]."""
    check_tolerance_k: NotNegative = 1.0
    """A reference check that differs by more has failed [K]."""
    verdicts: Annotated[
        dict[str, Annotated[Verdict, Field(strict=False)]],
        Field(json_schema_extra={"propertyNames": {"enum": [rule.value for rule in PartRule]}}),
    ] = {}
    """What each rule concludes where it is not as usual; "clear" turns a rule off."""


class Cell(Part):
    """One cell."""

    model_config = ConfigDict(json_schema_extra={"required": ["id", "zones"]})

    id: Id
    """Name of the cell: lower-case letters, digits and underscores."""
    production_hold_s: NotNegative = 60.0
    """How long after the last dispensing the cell still counts as in production [s]."""
    gate_hold_s: Positive | None = None
    """How long a signal of the cell is believed after its last good reading; default 3 polls,
    at most 10 s [s]."""
    ambient_c: Room = 23.0
    """Room temperature where no channel tells it, -20 to 60 [degC]."""
    purge_after_idle_min: Minutes = 10.0
    """Longest pause after which the nozzle may dispense unpurged [min]."""
    causes: bool = True
    """Whether it is concluded what moves the temperatures, shown with its evidence and made part of
    the advice and of what is said of parts."""
    charge: Charge = Field(default_factory=Charge)
    """What is known of its charges before they come."""
    air: Air | None = None
    """Its dispensing air, where the moisture of that is measured."""
    judging: Judging = Field(default_factory=Judging)
    """How its parts are counted and judged."""
    channels: CellChannels = Field(default_factory=CellChannels)
    """Signals of the cell."""
    zones: list[Zone] = []
    """Heat zones in the direction of flow."""
    alarms: Alarms = Field(default_factory=Alarms)
    """Keys of alarms that differ in this cell."""


class File(Part):
    """One configuration file of watchedpot."""

    include: list[Text] = []
    """Further files, relative to the folder of this one; each is read once."""
    service: Service | None = None
    """Where metrics, page and API are served; in one file only."""
    ledger: Ledger | None = None
    """Where readings and events are recorded; in one file only."""
    sources: list[Source] = []
    """Connections to devices."""
    materials: list[Material] = []
    """Adhesives."""
    cells: list[Cell] = []
    """Cells to watch."""
    alarms: Alarms = Field(default_factory=Alarms)
    """Alarms of all cells and zones; each in one file only."""


class _WithoutNull(GenerateJsonSchema):
    """TOML has no null: a key that may be missing is only not required."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default") is None:
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)


def json_schema() -> dict[str, Any]:
    """JSON Schema of a configuration file."""
    schema = File.model_json_schema(schema_generator=_WithoutNull)
    return {"$schema": _WithoutNull.schema_dialect, **schema, "title": "watchedpot configuration"}
