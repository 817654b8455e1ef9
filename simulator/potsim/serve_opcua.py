"""The OPC UA server of a cell, without security, for anonymous readers on one address.

Namespace ``urn:potsim:plc``; string node ids under Objects/CELL:

    node                     type     unit, range
    CELL.ZONE.temperature    Float    degC; BadSensorFailure, 1372 or nan when the sensor is open
    CELL.ZONE.setpoint       Float    degC
    CELL.ZONE.output         Float    %, 0 to 100
    CELL.dispensing          Boolean
    CELL.parts               UInt32   finished parts
    CELL.charge_id           UInt32
    CELL.wiped               Boolean  true for some seconds while the nozzle is wiped
    CELL.heartbeat           UInt32   one more each scan
    CELL.ambient             Float    degC
    CELL.part_id             UInt32   serial of the part in the fixture: set when dispensing begins,
                                      kept until the next begins; 0 before the first
    CELL.joined              UInt32   joined parts: second half placed; from the start's parts on
    CELL.inspection          Boolean  true: the newest counted part passed its inspection
    CELL.bead_width          Float    mm, of the newest counted part; 0 before the first

Source time is the scan's cell time, server time is cell time at the read. While the controller
restarts every node reads 0 or false. Values are made when they are read: subscriptions get no
changes. Nothing can be written.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from typing import Any

import asyncua
from asyncua.server.server import Server
from asyncua.ua import NodeId

from potsim.clock import CellClock, as_datetime
from potsim.errors import ServeError
from potsim.plants import Plant
from potsim.sensors import Break
from potsim.world import Link, Panel, ZonePanel

# asyncua 2.1 annotates its constructors with wrapper types (String, DateTime) that nobody passes
ua: Any = asyncua.ua

NAMESPACE = "urn:potsim:plc"
OTHER_NAMESPACE = "urn:potsim:diagnostics"
GOOD = ua.StatusCode(ua.StatusCodes.Good)
SENSOR_FAILURE = ua.StatusCode(ua.StatusCodes.BadSensorFailure)

Signal = Callable[[Panel], object]


class _Connections(list[Any]):
    """Transports of the server's connections; while silent a new one is not read from.

    asyncua 2.1 appends each new transport to ``InternalServer.asyncio_transports`` before it
    is read for the first time, which is the one public place to reach it.
    """

    is_silent = False

    def append(self, transport: Any) -> None:
        super().append(transport)
        if self.is_silent:
            transport.pause_reading()


class OpcUaServer:
    """Serves one cell.

    Parameters
    ----------
    plant : Plant
        The cell.
    host, port : str, int
        Address to listen on.
    panel : callable
        Returns the newest panel.
    clock : callable
        Returns the clock, which exists only once the scenario's start is known.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        host: str,
        port: int,
        panel: Callable[[], Panel],
        clock: Callable[[], CellClock],
    ) -> None:
        self.url = f"opc.tcp://{host}:{port}/potsim"
        self._plant = plant
        self._panel = panel
        self._clock = clock
        self._server = Server()
        self._connections = _Connections()
        self._link = Link.UP

    async def prepare(self) -> None:
        """Build the address space: the slow part, before the scenario starts.

        Waits for no peer; leaves nothing open.
        """
        logging.getLogger("asyncua").setLevel(logging.CRITICAL)
        server = self._server
        server.disable_clock()
        await server.init()
        server.set_endpoint(self.url)
        server.set_server_name("potsim")
        await server.set_application_uri("urn:potsim:server")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        server.set_identity_tokens([ua.AnonymousIdentityToken])
        server.allow_remote_admin(allow=False)
        server.iserver.asyncio_transports = self._connections
        await server.register_namespace(OTHER_NAMESPACE)
        index = await server.register_namespace(NAMESPACE)
        name = self._plant.name
        folder = await server.nodes.objects.add_object(ua.NodeId(name, index), name)
        for path, variant_type, signal in self._signals():
            zero = False if variant_type is ua.VariantType.Boolean else 0
            node = await folder.add_variable(
                ua.NodeId(f"{name}.{path}", index), path, ua.Variant(zero, variant_type)
            )
            server.iserver.set_attribute_value_callback(
                node.nodeid, self._value(variant_type, signal)
            )
        for i, zone in enumerate(self._plant.zones):
            path = f"{zone.name}.temperature"
            node = await folder.add_variable(
                ua.NodeId(f"{name}.{path}", index), path, ua.Variant(0.0, ua.VariantType.Float)
            )
            server.iserver.set_attribute_value_callback(node.nodeid, self._temperature(i))

    def _signals(self) -> list[tuple[str, Any, Signal]]:
        """Path, type and getter of every node but the temperatures."""
        kinds = ua.VariantType
        signals: list[tuple[str, Any, Signal]] = [
            ("dispensing", kinds.Boolean, lambda panel: panel.is_dispensing),
            ("parts", kinds.UInt32, lambda panel: panel.parts),
            ("charge_id", kinds.UInt32, lambda panel: panel.charge_id),
            ("wiped", kinds.Boolean, lambda panel: panel.is_wiped),
            ("heartbeat", kinds.UInt32, lambda panel: panel.heartbeat),
            ("ambient", kinds.Float, lambda panel: panel.ambient_c),
            ("part_id", kinds.UInt32, lambda panel: panel.part_id),
            ("joined", kinds.UInt32, lambda panel: panel.joined),
            ("inspection", kinds.Boolean, lambda panel: bool(panel.inspection)),
            ("bead_width", kinds.Float, lambda panel: panel.bead_width_mm),
        ]
        for i, zone in enumerate(self._plant.zones):
            signals.append((f"{zone.name}.setpoint", kinds.Float, _setpoint(i)))
            signals.append((f"{zone.name}.output", kinds.Float, _output(i)))
        return signals

    def _times(self, panel: Panel) -> tuple[datetime, datetime]:
        """Source and server time; before the start both run while values stand still."""
        now_ns = self._clock().now_ns()
        source_ns = min(panel.t_ns, now_ns)
        step_ns = panel.clock_step_ns
        return as_datetime(source_ns + step_ns), as_datetime(now_ns + step_ns)

    def _value(self, kind: int, signal: Signal) -> Callable[..., Any]:
        def read(_node: NodeId, _attribute: int) -> Any:
            panel = self._panel()
            source, server = self._times(panel)
            return ua.DataValue(ua.Variant(signal(panel), kind), GOOD, source, server)

        return read

    def _temperature(self, index: int) -> Callable[..., Any]:
        def read(_node: NodeId, _attribute: int) -> Any:
            panel = self._panel()
            source, server = self._times(panel)
            zone: ZonePanel = panel.zones[index]
            if zone.broken is Break.STATUS:
                empty = ua.Variant(None, ua.VariantType.Null)
                return ua.DataValue(empty, SENSOR_FAILURE, source, server)
            number = ua.Variant(zone.shown_c, ua.VariantType.Float)
            return ua.DataValue(number, GOOD, source, server)

        return read

    async def listen(self) -> None:
        """Open the socket.

        Raises
        ------
        ServeError
            The address cannot be had.
        """
        try:
            await self._server.start()
        except OSError as exc:
            message = f"opcua {self.url}: cannot listen: {exc.strerror}; choose another port"
            raise ServeError(message) from exc
        self._serve_status_in_cell_time()

    def _serve_status_in_cell_time(self) -> None:
        """Server status nodes carry cell time too, or a reader would see two clocks."""
        iserver = self._server.iserver
        ids = ua.ObjectIds
        value: Any = iserver.read_attribute_value(ua.NodeId(ids.Server_ServerStatus)).Value
        status = value.Value

        def whole(_node: NodeId, _attribute: int) -> Any:
            source, server = self._times(self._panel())
            status.CurrentTime = server
            return ua.DataValue(ua.Variant(status), GOOD, source, server)

        def time_only(_node: NodeId, _attribute: int) -> Any:
            source, server = self._times(self._panel())
            return ua.DataValue(ua.Variant(server, ua.VariantType.DateTime), GOOD, source, server)

        def state(_node: NodeId, _attribute: int) -> Any:
            source, server = self._times(self._panel())
            running = ua.Variant(int(ua.ServerState.Running), ua.VariantType.Int32)
            return ua.DataValue(running, GOOD, source, server)

        for object_id, callback in (
            (ids.Server_ServerStatus, whole),
            (ids.Server_ServerStatus_CurrentTime, time_only),
            (ids.Server_ServerStatus_State, state),
        ):
            iserver.set_attribute_value_callback(ua.NodeId(object_id), callback)

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
        self._connections.is_silent = link is Link.SILENT
        if before is Link.DROPPED:
            await self._socket_server().start()
        if before is Link.SILENT:
            for transport in self._connections:
                transport.resume_reading()
        if link is Link.SILENT:
            for transport in self._connections:
                transport.pause_reading()
        if link is Link.DROPPED:
            for transport in tuple(self._connections):
                transport.abort()
            await self._socket_server().stop()

    def _socket_server(self) -> Any:
        """The part of the library that owns the socket; it exists once listening."""
        return self._server.bserver

    async def close(self) -> None:
        """Close the socket and every connection."""
        with suppress(OSError):
            await self._server.stop()


def _setpoint(index: int) -> Signal:
    return lambda panel: panel.zones[index].setpoint_c


def _output(index: int) -> Signal:
    return lambda panel: panel.zones[index].output
