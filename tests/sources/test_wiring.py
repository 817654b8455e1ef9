"""What was configured, as the sources see it."""

from __future__ import annotations

import pytest

from watchedpot.sources.wiring import ModbusChannel, RegisterTable, ValueType


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
