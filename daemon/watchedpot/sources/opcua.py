"""Devices that speak OPC UA; the only module that names asyncua.

All channels in one Read, fresh from the device, with status and both time stamps; the state of
the server in the same list. Node ids are made anew at each connection: after a restart of the
device the same number can stand for another namespace.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.uaerrors import UaError

from watchedpot.core.model import NO_TIME_NS, Block, Quality, Reading, Reason, not_good
from watchedpot.core.units import NANO
from watchedpot.errors import SourceError, SourceRefused, SourceTimeout, SourceUnreachable
from watchedpot.sources.base import (
    SAFETY_S,
    Clock,
    Judge,
    Poller,
    ProbedChannel,
    Report,
    WrongShape,
    as_it_came,
    bounded,
    poller_of,
)
from watchedpot.sources.decode import opcua_decoder, status_class
from watchedpot.sources.wiring import OpcuaChannel, OpcuaSource

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

NAMESPACE_ARRAY = ua.NodeId(ua.Int32(ObjectIds.Server_NamespaceArray))
SERVER_STATE = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_State))
MAX_NODES_PER_READ = ua.NodeId(
    ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
)
EMPTY = ua.Variant()

CAUTIOUS_NODES_PER_READ = 100
"""Longest read of a server that does not tell its limit [1]; common on small controllers."""

WATCHDOG_S = 5.0
"""How often the library itself looks after the connection [s], unless our bounds are longer.

Its default of 1 s gives up on a server that is merely slow.
"""


@dataclass(frozen=True, slots=True)
class Chunk:
    """One Read and the channels it serves; the first node of the first one is the state."""

    parameters: ua.ReadParameters
    channels: tuple[str, ...]


class OpcuaDevice:
    """One connection to one server."""

    def __init__(self, source: OpcuaSource) -> None:
        self.requests = 0
        self.certificate_expires_ns: int | None = None
        self._source = source
        self._where = f"source {source.id} ({source.url})"
        self._client: Client | None = None
        self._decoders = {c.name: opcua_decoder(c) for c in source.channels}
        self._chunks: tuple[Chunk, ...] = ()
        self._unresolved: tuple[OpcuaChannel, ...] = ()

    async def connect(self) -> None:
        """Open socket, channel and session, then find the namespaces.

        Each step of the library is bounded by the connect timeout; whoever calls bounds the
        whole. A cancel leaves the socket to ``close``.
        """
        source = self._source
        client = self._client = Client(
            source.url,
            timeout=source.connect_timeout_s,
            watchdog_intervall=min(
                max(WATCHDOG_S, source.answer_timeout_s), source.session_timeout_s / 3.0
            ),
            auto_reconnect=False,
        )
        client.name = client.description = "watchedpot"
        client.application_uri = "urn:watchedpot"
        client.session_timeout = round(source.session_timeout_s * 1000)
        try:
            await client.connect()
        except OSError as exc:
            self._client = None  # asyncua 2.1 cleans up after its own failures, not after a cancel
            raise SourceUnreachable(
                self._where,
                f"no connection within {source.connect_timeout_s:g} s ({_text(exc)})",
                hint="check the cable and that the controller runs",
            ) from exc
        except UaError as exc:
            self._client = None
            raise SourceRefused(self._where, f"session refused: {_text(exc)}") from exc
        # The one setting bounds each step of connecting and each answer; from here on, answers.
        if (protocol := client.uaclient.protocol) is not None:
            protocol.timeout = source.answer_timeout_s
        await self._resolve()

    async def read(self) -> dict[str, Reading]:
        """Read every channel once; each request is bounded by the answer timeout."""
        if self._unresolved:
            await self._resolve()  # a server can be up before its program is
        readings = dict.fromkeys(
            (channel.name for channel in self._unresolved),
            not_good(Quality.BAD, Reason.ADDRESS),
        )
        fault: Reading | None = None
        for position, chunk in enumerate(self._chunks):
            values = await self._ask(chunk.parameters)
            if position == 0:
                fault = _server_fault(values.pop(0))
            for name, value in zip(chunk.channels, values, strict=True):
                readings[name] = fault or self.reading(name, value)
        return readings

    async def values(self) -> dict[str, ua.DataValue]:
        """Answers of the nodes of all channels as they came; those without a node are absent."""
        answers: dict[str, ua.DataValue] = {}
        for position, chunk in enumerate(self._chunks):
            values = await self._ask(chunk.parameters)
            answers.update(
                zip(chunk.channels, values[1:] if position == 0 else values, strict=True)
            )
        return answers

    def reading(self, name: str, value: ua.DataValue) -> Reading:
        """Reading of one channel from its node's answer."""
        variant = _variant(value)
        return self._decoders[name](
            variant.Value,
            variant.VariantType.value,
            _status(value),
            source_ns=_utc_ns(value.SourceTimestamp),
            server_ns=_utc_ns(value.ServerTimestamp),
        )

    async def close(self) -> None:
        """End the session if the server still listens, then close the socket in any case."""
        client, self._client = self._client, None
        if client is None:
            return
        protocol = client.uaclient.protocol
        try:
            with suppress(SourceError):
                # Also stops the library's three tasks, hence even after a loss.
                await bounded(
                    self._where,
                    client.disconnect(),
                    doing="disconnect",
                    bound_s=2.0 * self._source.answer_timeout_s,
                )
        finally:
            # asyncua 2.1: leaves the socket open after a loss and after a cancelled connect.
            client.disconnect_socket()
            if protocol is not None and protocol.transport is not None:
                protocol.transport.abort()

    async def _resolve(self) -> None:
        """Read namespaces and limits, and build the Reads of this connection from them."""
        answers = await self._ask(_parameters([NAMESPACE_ARRAY, MAX_NODES_PER_READ]))
        uris, limit = (_variant(answer).Value for answer in answers)
        if not isinstance(uris, list):
            raise SourceRefused(self._where, "the server does not tell its namespaces")
        index = {uri: number for number, uri in enumerate(uris)}
        known = [c for c in self._source.channels if c.namespace_uri in index]
        self._unresolved = tuple(c for c in self._source.channels if c.namespace_uri not in index)
        size = limit or CAUTIOUS_NODES_PER_READ
        nodes = [SERVER_STATE, *(_node_id(c.identifier, index[c.namespace_uri]) for c in known)]
        self._chunks = tuple(
            Chunk(
                _parameters(nodes[start : start + size]),
                tuple(c.name for c in known[max(0, start - 1) : start + size - 1]),
            )
            for start in range(0, len(nodes), size)
        )

    async def _ask(self, parameters: ua.ReadParameters) -> list[ua.DataValue]:
        """Answers of one Read, one for each node."""
        if self._client is None:
            raise SourceUnreachable(self._where, "read without a connection")
        self.requests += 1
        with self._translated(len(parameters.NodesToRead)):
            values = await self._client.uaclient.read(parameters)
        if len(values) != len(parameters.NodesToRead):
            raise WrongShape(
                self._where, f"expected {len(parameters.NodesToRead)} values, got {len(values)}"
            )
        return list(values)

    @contextmanager
    def _translated(self, nodes: int) -> Iterator[None]:
        try:
            yield
        except TimeoutError as exc:
            raise SourceTimeout(
                self._where,
                f"no answer to a read of {nodes} nodes within {self._source.answer_timeout_s:g} s",
                hint="check that the controller runs",
            ) from exc
        except OSError as exc:
            raise SourceUnreachable(
                self._where,
                f"the connection broke ({_text(exc)})",
                hint="check the cable and that the controller runs",
            ) from exc
        except UaError as exc:
            raise SourceRefused(
                self._where, f"a read of {nodes} nodes was refused: {_text(exc)}"
            ) from exc


def _text(error: Exception) -> str:
    return str(error) or type(error).__name__


def _node_id(identifier: str, namespace: int) -> ua.NodeId:
    """Node id from ``s=text`` or ``i=number``."""
    kind, _, name = identifier.partition("=")
    return ua.NodeId(ua.Int32(name) if kind == "i" else ua.String(name), ua.Int16(namespace))


def _parameters(nodes: Sequence[ua.NodeId]) -> ua.ReadParameters:
    return ua.ReadParameters(
        MaxAge=0,
        TimestampsToReturn=ua.TimestampsToReturn.Both,
        NodesToRead=[ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in nodes],
    )


def _utc_ns(at: datetime | None) -> int:
    """UTC stamp in ns; none for what ns cannot hold, such as the empty stamp of 1601."""
    if at is None:
        return NO_TIME_NS
    since = at - EPOCH
    stamp_ns = (since.days * 86_400 + since.seconds) * NANO + since.microseconds * 1000
    return stamp_ns if abs(stamp_ns) < -NO_TIME_NS else NO_TIME_NS


def _variant(value: ua.DataValue) -> ua.Variant:
    return value.Value or EMPTY


def _status(value: ua.DataValue) -> int:
    return value.StatusCode.value if value.StatusCode is not None else 0


def _server_fault(state: ua.DataValue) -> Reading | None:
    """Reading of every channel if the server does not run, or does not say so; else None."""
    quality, _ = status_class(_status(state))
    if quality is Quality.GOOD and _variant(state).Value == ua.ServerState.Running:
        return None
    return not_good(Quality.BAD, Reason.SERVER_STATE, _status(state))


def poller(
    source: OpcuaSource,
    *,
    clock: Clock,
    emit: Callable[[Block], None],
    report: Report,
    rng: random.Random,
    judge: Judge = as_it_came,
) -> Poller:
    """Poller of an OPC UA source."""
    return poller_of(
        source,
        "opcua",
        lambda: OpcuaDevice(source),
        clock=clock,
        emit=emit,
        report=report,
        rng=rng,
        judge=judge,
    )


async def probe(source: OpcuaSource) -> tuple[ProbedChannel, ...]:
    """Every channel read once, on a connection of its own.

    Raises
    ------
    SourceError
        The server could not be reached or did not answer.
    """
    device = OpcuaDevice(source)
    where = f"source {source.id}"
    try:
        await bounded(
            where,
            device.connect(),
            doing="connection",
            bound_s=source.connect_timeout_s + SAFETY_S,
        )
        values = await bounded(
            where,
            device.values(),
            doing="complete answer",
            bound_s=source.answer_timeout_s + SAFETY_S,
        )
    finally:
        await device.close()
    return tuple(
        ProbedChannel(name, _shown(values[name]), device.reading(name, values[name]))
        if name in values
        else ProbedChannel(name, "namespace not there", not_good(Quality.BAD, Reason.ADDRESS))
        for name in (channel.name for channel in source.channels)
    )


def _shown(value: ua.DataValue) -> str:
    variant = _variant(value)
    status = value.StatusCode.name if value.StatusCode is not None else "Good"
    return f"{variant.VariantType.name} {variant.Value!r}, {status}"
