"""The Modbus TCP server of a cell, unit 1, zero-based wire addresses, read only.

    holding register   what                     form                     unit, range
    0, 1, 2            tank temperature,        int16, int16, uint16     0.1 degC, 0.1 degC, 0.1 %
                       setpoint, output
    3, 4, 5            hose, the same           as above                 as above
    10-11              nozzle temperature       float32, low word first  degC
    12-13              nozzle setpoint          float32, low word first  degC
    14                 nozzle output            uint16                   0.1 %
    20-21              parts                    uint32, high word first  1
    22-23              charge id                uint32, high word first  1
    24                 heartbeat                uint16, wraps            1 per scan
    25                 ambient                  int16                    0.1 degC
    26-27              part id                  uint32, high word first  1
    28-29              joined parts             uint32, high word first  1
    30-31              bead width               float32, low word first  mm
    32                 inspection               uint16                   1 passed, 0 failed

    discrete input     what
    0                  dispensing
    1                  wiped: true for some seconds while the nozzle is wiped

The part id is the serial of the part in the fixture: set when dispensing begins, kept until the
next begins. Bead width and inspection are those of the newest counted part; they stand beside
the counter, so that one request reads them together. All three are 0 before the first part. Joined
parts have had their second half placed; they count on from the counter at the start.

An open sensor reads 32767 as int16 and nan as float32, or 1372 degC in both. While the
controller restarts everything reads 0. Addresses not listed answer exception 2, writes
exception 1, other units exception 11.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Callable
from contextlib import suppress
from math import isnan

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from potsim.errors import ServeError
from potsim.world import Link, Panel

UNIT = 1
FILL = 32767
READ_DISCRETE, READ_HOLDING = 2, 3
DISCRETE_INPUTS = 2
NOWHERE = 0xFFFF  # an address that no table has


def int16(value: float) -> int:
    """Register of a signed number in tenths.

    Parameters
    ----------
    value : float
        In whole units; nan becomes the fill value. [its own]

    Returns
    -------
    int
        0 to 65535.

    Examples
    --------
    >>> int16(-1.0)
    65526
    """
    if isnan(value):
        return FILL
    return max(-32768, min(FILL, round(value * 10.0))) & 0xFFFF


def uint16(value: float) -> int:
    """Register of a positive number in tenths.

    Parameters
    ----------
    value : float
        In whole units. [its own]

    Returns
    -------
    int
        0 to 65535.
    """
    return max(0, min(0xFFFF, round(value * 10.0)))


def float32_low_word_first(value: float) -> tuple[int, int]:
    """Two registers of a float, words swapped (bytes CDAB).

    Parameters
    ----------
    value : float
        Any. [its own]

    Returns
    -------
    tuple of int
        Low word, high word.
    """
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return low, high


def uint32(value: int) -> tuple[int, int]:
    """Two registers of a counter, high word first.

    Parameters
    ----------
    value : int
        Counter.

    Returns
    -------
    tuple of int
        High word, low word.
    """
    return (value >> 16) & 0xFFFF, value & 0xFFFF


def holding_registers(panel: Panel) -> dict[int, tuple[int, ...]]:
    """Runs of registers by their first address.

    Parameters
    ----------
    panel : Panel
        What the cell shows.

    Returns
    -------
    dict
        Registers by address.
    """
    tank, hose, nozzle = panel.zones
    return {
        0: (
            int16(tank.shown_c),
            int16(tank.setpoint_c),
            uint16(tank.output),
            int16(hose.shown_c),
            int16(hose.setpoint_c),
            uint16(hose.output),
        ),
        10: (
            *float32_low_word_first(nozzle.shown_c),
            *float32_low_word_first(nozzle.setpoint_c),
            uint16(nozzle.output),
        ),
        20: (
            *uint32(panel.parts),
            *uint32(panel.charge_id),
            panel.heartbeat & 0xFFFF,
            int16(panel.ambient_c),
            *uint32(panel.part_id),
            *uint32(panel.joined),
            *float32_low_word_first(panel.bead_width_mm),
            panel.inspection,
        ),
    }


class ModbusServer:
    """Serves one cell.

    Parameters
    ----------
    host, port : str, int
        Address to listen on.
    panel : callable
        Returns the newest panel.
    """

    def __init__(self, *, host: str, port: int, panel: Callable[[], Panel]) -> None:
        self.address = f"{host}:{port}"
        self._host = host
        self._port = port
        self._panel = panel
        self._server: ModbusTcpServer | None = None
        self._link = Link.UP

    async def listen(self) -> None:
        """Open the socket.

        Raises
        ------
        ServeError
            The address cannot be had.
        """
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        registers = [
            SimData(start, values=list(run), datatype=DataType.REGISTERS)
            for start, run in holding_registers(self._panel()).items()
        ]
        bits = [SimData(0, count=16, values=False, datatype=DataType.BITS)]
        none = [SimData(0, datatype=DataType.INVALID)]
        server = ModbusTcpServer(
            [
                SimDevice(id=UNIT, simdata=(bits, bits, registers, none), action=self._fill),
                SimDevice(id=0, simdata=registers, action=_refuse),
            ],
            address=(self._host, self._port),
            trace_pdu=_keep_in_range,
            trace_connect=self._hush,
        )
        try:
            await server.serve_forever(background=True)
        except RuntimeError as exc:
            message = f"modbus {self.address}: cannot listen; choose another port"
            raise ServeError(message) from exc
        self._server = server

    async def _fill(
        self,
        function_code: int,
        _start: int,
        _address: int,
        _count: int,
        registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Put the newest panel into the table just before it is read."""
        if set_values is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        panel = self._panel()
        if function_code == READ_HOLDING:
            for start, run in holding_registers(panel).items():
                registers[start : start + len(run)] = run
            return None
        if function_code == READ_DISCRETE:
            registers[0] = int(panel.is_dispensing) | int(panel.is_wiped) << 1
            return None
        return ExcCodes.ILLEGAL_ADDRESS

    def _hush(self, is_connected: bool) -> None:  # noqa: FBT001  (the library's signature)
        """Do not read from a connection that was made while the link is silent."""
        if is_connected and self._link is Link.SILENT:
            self._each_connection("pause_reading")

    def _each_connection(self, what: str) -> None:
        if self._server is not None:
            for connection in tuple(self._server.active_connections.values()):
                if connection.transport is not None:
                    getattr(connection.transport, what)()

    async def set_link(self, link: Link) -> None:
        """Bring the network link into a state.

        Dropped: connections are cut and new ones refused. Silent: connections stay or are
        accepted and nothing is answered; what was asked meanwhile is answered late.

        Parameters
        ----------
        link : Link
            Wanted.
        """
        if link is self._link:
            return
        before, self._link = self._link, link
        if before is Link.DROPPED:
            await self.listen()
        if before is Link.SILENT:
            self._each_connection("resume_reading")
        if link is Link.SILENT:
            self._each_connection("pause_reading")
        if link is Link.DROPPED:
            self._each_connection("abort")
            await self.close()

    async def close(self) -> None:
        """Close the socket and every connection."""
        if self._server is not None:
            with suppress(OSError):
                await self._server.shutdown()  # type: ignore[no-untyped-call]
            self._server = None


async def _refuse(
    _function_code: int,
    _start: int,
    _address: int,
    _count: int,
    _registers: list[int],
    _set_values: list[int] | list[bool] | None,
) -> ExcCodes | None:
    """Answer for every unit that is not there."""
    return ExcCodes.GATEWAY_NO_RESPONSE


def _keep_in_range(is_sending: bool, pdu: ModbusPDU) -> ModbusPDU:  # noqa: FBT001  (the library's signature)
    """Send reads past the last discrete input to an address that does not exist.

    pymodbus 3.16 keeps bits in whole registers, so it would answer for all sixteen.
    """
    is_request = not is_sending and pdu.function_code == READ_DISCRETE
    if is_request and pdu.address + pdu.count > DISCRETE_INPUTS:
        pdu.address = NOWHERE
    return pdu
