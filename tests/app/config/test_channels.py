"""A channel against its signal, its source and its type."""

from __future__ import annotations

import pytest

from app.config.plant import Plant
from watchedpot.sources.wiring import (
    Conversion,
    Doubt,
    Framing,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    OpcuaSource,
    Parity,
    RegisterTable,
    SerialLine,
    Unit,
    ValueType,
    WordOrder,
)

PARTS = "plant.toml, cells.lens_4.channels.parts"
DISPENSING = "plant.toml, cells.lens_4.channels.dispensing"
SYRINGE = "plant.toml, cells.lens_4.zones.syringe.channels.temperature"
OUTPUT = "plant.toml, cells.lens_4.zones.nozzle.channels.output"


def test_sources_carry_their_channels_by_the_wire(plant: Plant) -> None:
    """Addresses count from 0 whatever the file counts from; defaults are those of the wiring."""
    assert plant.load().sources == (
        ModbusSource(
            id="housing_7",
            host="127.0.0.1",
            port=15020,
            unit=1,
            channels=(
                ModbusChannel(
                    "lens_4/syringe/temperature",
                    RegisterTable.HOLDING_REGISTERS,
                    1,
                    ValueType.INT16,
                    Conversion(0.1, 0.0, Unit.CELSIUS, -20.0, 300.0, (32767.0,)),
                    doubt=Doubt(max_k_per_s=10.0),
                ),
                ModbusChannel(
                    "lens_4/dispensing", RegisterTable.DISCRETE_INPUTS, 0, ValueType.BOOL
                ),
                ModbusChannel(
                    "lens_4/parts",
                    RegisterTable.HOLDING_REGISTERS,
                    20,
                    ValueType.UINT32,
                    word_order=WordOrder.HIGH_FIRST,
                ),
            ),
        ),
        OpcuaSource(
            id="lens_4",
            url="opc.tcp://127.0.0.1:48440/potsim",
            channels=(
                OpcuaChannel(
                    "lens_4/nozzle/temperature",
                    "urn:potsim:plc",
                    "s=lens_4.nozzle.temperature",
                    ValueType.FLOAT32,
                    Conversion(1.0, 0.0, Unit.CELSIUS, -10.0, 290.0),
                    doubt=Doubt(max_k_per_s=10.0),
                ),
                OpcuaChannel(
                    "lens_4/nozzle/output",
                    "urn:potsim:plc",
                    "i=1001",
                    ValueType.FLOAT32,
                    Conversion(unit=Unit.PERCENT),
                ),
            ),
        ),
    )


RTU_TCP = (
    ('protocol = "modbus_tcp"', 'protocol = "modbus_rtu_tcp"'),
    ("port = 15020", "port = 4001\nbaud_rate = 9600"),
)
RTU = (
    ('protocol = "modbus_tcp"', 'protocol = "modbus_rtu"'),
    ('host = "127.0.0.1"', 'serial_port = "/dev/ttyUSB0"'),
    ("port = 15020", 'baud_rate = 19200\nparity = "none"\nstop_bits = 2'),
)


def test_a_converter_is_wired_with_its_framing_and_line(plant: Plant) -> None:
    """RTU over TCP: shorter blocks than by TCP, and the line behind for its timing."""
    plant.change(*RTU_TCP)
    wired = plant.load().sources[0]
    assert isinstance(wired, ModbusSource)
    assert (wired.framing, wired.line) == (Framing.RTU, SerialLine(9600))
    assert (wired.address, wired.protocol) == ("127.0.0.1:4001", "modbus_rtu_tcp")
    assert wired.max_registers == 60


def test_a_serial_port_is_wired_with_its_settings(plant: Plant) -> None:
    """The path stands for the address, and the settings are those of the file."""
    plant.change(*RTU)
    wired = plant.load().sources[0]
    assert isinstance(wired, ModbusSource)
    assert wired.line == SerialLine(19200, Parity.NONE, 2, "/dev/ttyUSB0")
    assert (wired.address, wired.protocol) == ("/dev/ttyUSB0", "modbus_rtu")
    assert wired.framing is Framing.RTU


@pytest.mark.parametrize(
    ("changes", "protocol"), [(RTU_TCP, "modbus_rtu_tcp"), (RTU, "modbus_rtu")]
)
def test_a_fault_names_the_protocol_of_its_source(
    plant: Plant, changes: tuple[tuple[str, str], ...], protocol: str
) -> None:
    """A key of another protocol is refused for each of the Modbus ones."""
    more = ("address = 21", "address = 21\nuncertain_is_good = true")
    assert plant.fault(*changes, more) == (
        f"{PARTS}.uncertain_is_good: expected no such key for {protocol} (source housing_7), "
        "got true; nothing was started; take it out, or name another source"
    )


def test_a_range_in_fahrenheit_becomes_one_in_celsius(plant: Plant) -> None:
    """14 degF is -10 degC and 572 degF is 300 degC, by definition of the degree Fahrenheit."""
    plant.change(
        ('unit = "degC"', 'unit = "degF"'),
        ("plausible = [-20.0, 300.0]", "plausible = [14.0, 572.0]"),
    )
    conversion = plant.load().sources[0].channels[0].conversion
    assert conversion.unit is Unit.FAHRENHEIT
    assert (conversion.plausible_low, conversion.plausible_high) == (-10.0, 300.0)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'source = "housing_7"\ntable = "discrete_inputs"',
            'source = "housing_8"\ntable = "discrete_inputs"',
            f'{DISPENSING}.source: expected the id of a source, got "housing_8"; '
            "nothing was started; did you mean housing_7?",
        ),
        (
            'unit = "degC"',
            "",
            f'{SYRINGE}.unit: expected "degC" or "degF", got none; nothing was started; '
            "temperature is a number of degrees; say what the device gives",
        ),
        (
            'unit = "%"',
            'unit = "degC"',
            f'{OUTPUT}.unit: expected "%", got "degC"; nothing was started; '
            "output is a heater output; say what the device gives",
        ),
        (
            "plausible = [-20.0, 300.0]",
            "",
            f"{SYRINGE}.plausible: expected [low, high], got none; nothing was started; "
            "lowest and highest value that the sensor can return",
        ),
        (
            'type = "uint32"',
            'type = "float32"',
            f'{PARTS}.type: expected "int16" or "uint16" or "int32" or "uint32" or "int64" or '
            '"uint64", got "float32"; nothing was started; parts is a number that counts or names',
        ),
        (
            'table = "discrete_inputs"',
            'table = "input_registers"',
            f'{DISPENSING}.type: expected a type that fits table = "input_registers", got "bool"; '
            "nothing was started; coils and discrete inputs hold bits, registers hold numbers",
        ),
        (
            'table = "holding_registers"',
            'table = "coils"',
            f'{PARTS}.type: expected a type that fits table = "coils", got "uint32"; '
            "nothing was started; coils and discrete inputs hold bits, registers hold numbers",
        ),
        (
            "address = 21",
            "address = 65536",
            f"{PARTS}.address: expected 1 to 65535 for uint32, got 65536; nothing was started; "
            "addresses count from address_base = 1 of source housing_7",
        ),
        (
            "address = 21",
            "address = 0",
            f"{PARTS}.address: expected 1 to 65535 for uint32, got 0; nothing was started; "
            "addresses count from address_base = 1 of source housing_7",
        ),
        (
            "address = 21",
            "address = 1",
            f"{PARTS}.address: expected an address of its own, got holding_registers 1 on the "
            "wire of source housing_7, which lens_4/syringe/temperature reads too; "
            "nothing was started; correct one of the two",
        ),
        (
            'node = "i=1001"',
            'node = "s=lens_4.nozzle.temperature"',
            f'{OUTPUT}.node: expected an address of its own, got "s=lens_4.nozzle.temperature" of '
            "source lens_4, which lens_4/nozzle/temperature reads too; nothing was started; "
            "correct one of the two",
        ),
        (
            "address = 21",
            "",
            f"{PARTS}.address: expected a register or bit number, got none; nothing was started; "
            "counted from address_base = 1",
        ),
        (
            'table = "discrete_inputs"',
            "",
            f'{DISPENSING}.table: expected "coils" or "discrete_inputs" or "holding_registers" or '
            '"input_registers", got none; nothing was started; source housing_7 speaks modbus_tcp',
        ),
        (
            'node = "i=1001"',
            "",
            f"{OUTPUT}.node: expected s=text or i=number, got none; nothing was started; "
            "source lens_4 speaks opcua",
        ),
        (
            'node = "i=1001"',
            'node = "i=1001"\naddress = 4',
            f"{OUTPUT}.address: expected no such key for opcua (source lens_4), got 4; "
            "nothing was started; take it out, or name another source",
        ),
        (
            "address = 21",
            "address = 21\nuncertain_is_good = true",
            f"{PARTS}.uncertain_is_good: expected no such key for modbus_tcp (source housing_7), "
            "got true; nothing was started; take it out, or name another source",
        ),
        (
            'word_order = "high_first"',
            "",
            f'{PARTS}.word_order: expected "high_first" or "low_first", got none; '
            "nothing was started; uint32 takes 2 registers and the order cannot be guessed",
        ),
        (
            "scale = 0.1",
            'scale = 0.1\nword_order = "low_first"',
            f'{SYRINGE}.word_order: expected none for int16, got "low_first"; '
            "nothing was started; it takes one register or bit, there is nothing to order",
        ),
        (
            'type = "bool"',
            'type = "bool"\nswap_bytes = true',
            f"{DISPENSING}.swap_bytes: expected false for a bit, got true; nothing was started",
        ),
        (
            'type = "bool"',
            'type = "bool"\noffset = 1.0',
            f"{DISPENSING}: expected no scale and no offset for a bit; nothing was started; "
            "take them out",
        ),
        (
            "scale = 0.1",
            "scale = 0.0",
            f"{SYRINGE}.scale: expected another number than 0; nothing was started; 1.0 is none",
        ),
        (
            "fill_values = [32767]",
            "fill_values = [32767, 65535]",
            f"{SYRINGE}.fill_values[1]: expected a whole number from -32768 to 32767, as int16 can "
            "hold, got 65535.0; nothing was started; fill values are raw numbers, before scale and "
            "offset",
        ),
    ],
)
def test_a_channel_that_does_not_fit_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """Each refusal names the channel, what it would have to be, and what it is."""
    assert plant.fault((old, new)) == sentence


def test_the_last_register_is_the_last_one_that_holds_the_whole_value(plant: Plant) -> None:
    """With base 1, a value of two registers may start at 65535 and end at the last register."""
    plant.change(("address = 21", "address = 65535"))
    channel = plant.load().sources[0].channels[-1]
    assert isinstance(channel, ModbusChannel)
    assert channel.address + channel.width - 1 == 65535


def test_two_cells_may_share_a_signal_of_their_surroundings(plant: Plant) -> None:
    """One ambient sensor can serve two cells; a zone's temperature cannot serve two zones."""
    ambient = """
        [cells.channels.ambient]
        source = "lens_4"
        node = "s=hall.ambient"
        type = "float32"
        unit = "degC"
        plausible = [-20.0, 60.0]
        """
    nozzle = """
        [[cells]]
        id = "lens_5"
        [[cells.zones]]
        id = "nozzle"
        kind = "nozzle"
        material = "demo_silicone"
        window_low_c = 115.0
        window_high_c = 126.0
        [cells.zones.channels.temperature]
        source = "lens_4"
        node = "s=lens_5.nozzle.temperature"
        type = "float32"
        unit = "degC"
        plausible = [-20.0, 300.0]
        """
    plant.change(more=ambient + nozzle + ambient)
    assert [cell.ambient for cell in plant.load().cells] == ["lens_4/ambient", "lens_5/ambient"]
    fault = plant.fault(more=nozzle.replace("lens_5.", "lens_4."))
    assert "which lens_4/nozzle/temperature reads too" in fault


@pytest.mark.parametrize(("address", "is_noted"), [(40101, True), (30101, False), (21, False)])
def test_an_address_that_looks_like_one_from_a_manual_is_noted(
    plant: Plant, address: int, *, is_noted: bool
) -> None:
    """It is never converted in silence: 40101 in a table of holding registers may be meant so."""
    plant.change(("address = 21", f"address = {address}"))
    notice = (
        "cells.lens_4.channels.parts: address 40101 looks like a number from a manual whose first "
        "digit names the table; it is read as register 40100 on the wire"
    )
    assert (notice in plant.load().notices) is is_noted


def test_believing_uncertain_values_is_noted(plant: Plant) -> None:
    """Whoever lowers the bar is told so at each start."""
    plant.change(('node = "i=1001"', 'node = "i=1001"\nuncertain_is_good = true'))
    assert (
        "cells.lens_4.zones.nozzle.channels.output: values of uncertain status count as good"
        in plant.load().notices
    )


def test_a_source_that_no_channel_uses_is_left_out_and_noted(plant: Plant) -> None:
    """Nothing is connected to for nothing."""
    plant.change(
        more='[[sources]]\nid = "spare"\nprotocol = "modbus_tcp"\nhost = "127.0.0.1"\n'
        "unit = 2\naddress_base = 0"
    )
    configuration = plant.load()
    assert [source.id for source in configuration.sources] == ["housing_7", "lens_4"]
    assert "sources.spare: no channel uses it, it will not be read" in configuration.notices


HEARTBEAT = """
[cells.channels.heartbeat]
source = "lens_4"
node = "s=lens_4.heartbeat"
type = "uint32"
"""
BEAT = "plant.toml, cells.lens_4.channels.heartbeat"


def doubts(plant: Plant) -> dict[str, Doubt]:
    """What is doubted of each channel, where anything is."""
    return {
        channel.name: channel.doubt
        for source in plant.load().sources
        for channel in source.channels
        if channel.doubt != Doubt()
    }


def test_a_measured_temperature_is_held_to_its_past(plant: Plant) -> None:
    """Ten kelvin a second where nothing is said; setpoints, outputs and counters are free."""
    usual = Doubt(max_k_per_s=10.0)
    assert doubts(plant) == {
        "lens_4/syringe/temperature": usual,
        "lens_4/nozzle/temperature": usual,
    }


def test_what_is_doubted_can_be_said(plant: Plant) -> None:
    """Each key reaches the wiring as it is written."""
    plant.change(
        (
            "plausible = [-10.0, 290.0]",
            "plausible = [-10.0, 290.0]\nmax_k_per_s = 4.0\nfrozen_after_s = 900.0\n"
            "source_time_within_s = 5.0",
        )
    )
    assert doubts(plant)["lens_4/nozzle/temperature"] == Doubt(4.0, 900.0, 5.0)


@pytest.mark.parametrize(("more", "within_s"), [("", 10.0), ("moves_within_s = 3.0", 3.0)])
def test_a_heartbeat_is_of_its_source(plant: Plant, more: str, within_s: float) -> None:
    """It is wired with its patience, 10 s where nothing is said, and no rule of a cell needs it."""
    plant.change(
        ("[cells.channels.parts]", f"{HEARTBEAT}{more}\n[cells.channels.parts]"),
    )
    assert doubts(plant)["lens_4/heartbeat"] == Doubt(moves_within_s=within_s)
    assert not any("heartbeat" in notice for notice in plant.load().notices)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'node = "i=1001"',
            'node = "i=1001"\nmax_k_per_s = 5.0',
            f"{OUTPUT}.max_k_per_s: expected no such key, got 5.0; nothing was started; "
            "output is a heater output; the key is of a measured temperature",
        ),
        (
            'node = "i=1001"',
            'node = "i=1001"\nfrozen_after_s = 60.0',
            f"{OUTPUT}.frozen_after_s: expected no such key, got 60.0; nothing was started; "
            "output is a heater output; the key is of a measured temperature",
        ),
        (
            'node = "i=1001"',
            'node = "i=1001"\nmoves_within_s = 60.0',
            f"{OUTPUT}.moves_within_s: expected no such key, got 60.0; nothing was started; "
            "output is a heater output; the key is of a heartbeat",
        ),
        (
            "plausible = [-20.0, 300.0]",
            "plausible = [-20.0, 300.0]\nsource_time_within_s = 5.0",
            f"{SYRINGE}.source_time_within_s: expected no such key for modbus_tcp (source "
            "housing_7), got 5.0; nothing was started; take it out, or name another source",
        ),
        (
            "plausible = [-10.0, 290.0]",
            "plausible = [-10.0, 290.0]\nsource_time_within_s = 1.0",
            "plant.toml, cells.lens_4.zones.nozzle.channels.temperature.source_time_within_s: "
            "expected more than poll_period_s = 1.0 s of the source, got 1.0 s; nothing was "
            "started; what moves with each poll would seem to stand still; 3 polls are usual",
        ),
        (
            "[cells.channels.parts]",
            HEARTBEAT.replace("uint32", "float32") + "[cells.channels.parts]",
            f'{BEAT}.type: expected "bool" or "int16" or "uint16" or "int32" or "uint32" or '
            '"int64" or "uint64", got "float32"; nothing was started; heartbeat is a bit or a '
            "number that keeps changing",
        ),
        (
            "[cells.channels.parts]",
            HEARTBEAT.replace("uint32", "bool") + "scale = 2.0\n[cells.channels.parts]",
            f"{BEAT}: expected no scale and no offset for a bit; nothing was started; "
            "take them out",
        ),
    ],
)
def test_a_doubt_that_fits_no_signal_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """Only what moves by itself can stand still, and only a temperature has a rate."""
    assert plant.fault((old, new)) == sentence
