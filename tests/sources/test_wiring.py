"""What was configured, as the sources see it."""

from __future__ import annotations

import pytest

from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusSource,
    OpcuaSecurity,
    Parity,
    RegisterTable,
    SecurityMode,
    SecurityPolicy,
    SerialLine,
    ValueType,
)


@pytest.mark.parametrize(
    ("value_type", "width"),
    [
        (ValueType.BOOL, 1),
        (ValueType.INT16, 1),
        (ValueType.UINT16, 1),
        (ValueType.INT32, 2),
        (ValueType.UINT32, 2),
        (ValueType.FLOAT32, 2),
        (ValueType.INT64, 4),
        (ValueType.UINT64, 4),
        (ValueType.FLOAT64, 4),
    ],
)
def test_a_value_takes_as_many_registers_as_its_bits_need(
    value_type: ValueType, width: int
) -> None:
    """Sixteen bits a register; a bool takes one place."""
    channel = ModbusChannel("cell/x", RegisterTable.HOLDING_REGISTERS, 0, value_type)
    assert channel.width == width


@pytest.mark.parametrize(
    ("parity", "stop_bits", "bits"),
    [(Parity.NONE, 1, 10), (Parity.EVEN, 1, 11), (Parity.ODD, 1, 11), (Parity.NONE, 2, 11)],
)
def test_a_character_is_as_long_as_its_bits(parity: Parity, stop_bits: int, bits: int) -> None:
    """A start bit, eight bits, parity and stop bits: eleven in the standard form, even parity."""
    assert SerialLine(9600, parity, stop_bits).character_s == pytest.approx(bits / 9600)


def test_a_source_names_its_address_and_protocol() -> None:
    """Host and port over TCP, in either framing; the path of the port on a line."""
    tcp = ModbusSource("plc", "10.0.0.7", 502, 1, ())
    over_tcp = ModbusSource("plc", "10.0.0.7", 4001, 1, (), framing=Framing.RTU)
    line = SerialLine(9600, path="/dev/ttyUSB0")
    serial = ModbusSource("plc", "", 0, 1, (), framing=Framing.RTU, line=line)
    assert [(one.address, one.protocol) for one in (tcp, over_tcp, serial)] == [
        ("10.0.0.7:502", "modbus_tcp"),
        ("10.0.0.7:4001", "modbus_rtu_tcp"),
        ("/dev/ttyUSB0", "modbus_rtu"),
    ]


@pytest.mark.parametrize(
    ("policy", "mode", "is_encrypted"),
    [
        (SecurityPolicy.NONE, SecurityMode.SIGN_AND_ENCRYPT, False),
        (SecurityPolicy.BASIC256SHA256, SecurityMode.SIGN, False),
        (SecurityPolicy.BASIC256SHA256, SecurityMode.SIGN_AND_ENCRYPT, True),
    ],
)
def test_only_a_policy_that_also_encrypts_keeps_a_secret(
    policy: SecurityPolicy, mode: SecurityMode, is_encrypted: bool
) -> None:
    """Neither a mode without a policy nor a signature alone."""
    assert OpcuaSecurity(policy, mode, "ours.der", "ours.pem").is_encrypted is is_encrypted
