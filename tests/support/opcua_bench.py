"""A scripted OPC UA server on loopback, for tests and for trying out how a client takes faults.

Any value, type, status and time stamp for each variable, past the server's own checks; any order
of namespaces; refused services; limits on the size of a read; nodes that keep the whole read
waiting; granted timeouts; protected channels. Run it by hand with::

    python tests/support/opcua_bench.py --help

``Wire`` stands between a client and a server: it notes which services were asked for, and can
change, hold back or cut what passes.
"""

from __future__ import annotations

import argparse
import asyncio
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from types import TracebackType
from typing import Any, Self, TypeVar
from weakref import WeakKeyDictionary

from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.server import binary_server_asyncio
from asyncua.server.internal_server import InternalServer
from asyncua.server.internal_session import InternalSession
from asyncua.server.server import Server
from asyncua.server.uaprocessor import UaProcessor
from asyncua.ua.object_ids import ObjectIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

URI = "urn:demo:cell"
STAMP = ua.DateTime(2026, 1, 1, 12, 0, tzinfo=UTC)

STATE = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_State))
TIME = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_CurrentTime))
LIMIT = ua.NodeId(ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead))
NAMESPACES = ua.NodeId(ua.Int32(ObjectIds.Server_NamespaceArray))


@dataclass
class Script:
    """What a bench does wrong; a test changes it at will.

    Attributes
    ----------
    most
        Nodes that one read may hold; more are refused with ``most_code``.
    read_code, session_code
        Codes with which every read, or every new session, is refused; 0: none is.
    delay_s
        How long a read waits that holds one of these nodes. [s]
    is_parallel
        Whether other requests of the same client are answered meanwhile; small servers answer
        one after the other.
    """

    most: int = 10_000
    most_code: int = StatusCodes.BadTooManyOperations
    read_code: int = 0
    session_code: int = 0
    delay_s: dict[ua.NodeId, float] = field(default_factory=dict)
    is_parallel: bool = False


class ScriptedProcessor(UaProcessor):
    """Answers requests at the same time where the script says so; it is the library's else."""

    async def process_message(self, seqhdr: Any, body: Any) -> Any:
        """Answer one request, or begin to."""
        bench = _BENCHES.get(self.iserver)
        if bench is None or not bench.script.is_parallel:
            return await super().process_message(seqhdr, body)  # type: ignore[no-untyped-call]
        answering = super().process_message(seqhdr, body)  # type: ignore[no-untyped-call]
        task = asyncio.ensure_future(answering)
        bench.tasks.add(task)
        task.add_done_callback(bench.tasks.discard)
        return True


class OpcuaBench:
    """One server with variables that a test lets answer as it likes.

    Attributes
    ----------
    script
        What goes wrong.
    reads
        Sizes of the reads so far.
    sessions
        Sessions that were asked for so far.
    nodes
        Node of each variable, and of ``state``, ``time``, ``limit`` and ``namespaces``.
    """

    def __init__(self, port: int, server: Server) -> None:
        self.port = port
        self.server = server
        self.script = Script()
        self.reads: list[int] = []
        self.sessions = 0
        self.tasks: set[asyncio.Future[Any]] = set()
        _BENCHES[server.iserver] = self
        self.nodes: dict[str, ua.NodeId] = {
            "state": STATE,
            "time": TIME,
            "limit": LIMIT,
            "namespaces": NAMESPACES,
        }
        self._create = server.iserver.create_session
        server.iserver.create_session = self._scripted  # type: ignore[method-assign]
        self.compute("time", right_time)

    async def add(self, name: str, node: ua.NodeId, value: Any, kind: ua.VariantType) -> None:
        """Make a variable that can be changed from now on."""
        self.nodes[name] = node
        await self.server.nodes.objects.add_variable(node, name, value, kind)

    def write(
        self,
        name: str,
        value: Any,
        kind: ua.VariantType = ua.VariantType.Float,
        *,
        status: int = 0,
        stamp: ua.DateTime | None = STAMP,
        server_stamp: ua.DateTime | None = STAMP,
    ) -> None:
        """Let a variable answer with this, past the server's own checks of type and status."""
        answer = ua.DataValue(
            ua.Variant(value, kind), ua.StatusCode(ua.UInt32(status)), stamp, server_stamp
        )
        self.server.set_attribute_value_callback(self.nodes[name], lambda *_: answer)

    def compute(self, name: str, value: Callable[[], ua.DataValue]) -> None:
        """Let a variable answer with what a function gives at each read."""
        self.server.set_attribute_value_callback(self.nodes[name], lambda *_: value())

    def _scripted(self, *args: Any, **kwargs: Any) -> InternalSession:
        """Session whose reads go by the script."""
        self.sessions += 1
        if self.script.session_code:
            raise ServiceError(self.script.session_code)
        session = self._create(*args, **kwargs)
        read = session.read

        async def scripted(parameters: ua.ReadParameters) -> list[ua.DataValue]:
            asked = [one.NodeId for one in parameters.NodesToRead]
            self.reads.append(len(asked))
            script = self.script
            if script.read_code:
                raise UaStatusCodeError(script.read_code)  # type: ignore[no-untyped-call]
            if len(asked) > script.most:
                raise UaStatusCodeError(script.most_code)  # type: ignore[no-untyped-call]
            if wait_s := max((script.delay_s.get(node, 0.0) for node in asked), default=0.0):
                await asyncio.sleep(wait_s)
            return list(await read(parameters))

        session.read = scripted  # type: ignore[method-assign,assignment]
        return session


_BENCHES: WeakKeyDictionary[InternalServer, OpcuaBench] = WeakKeyDictionary()


def right_time() -> ua.DataValue:
    """What a clock says that is right."""
    return ua.DataValue(ua.Variant(utc(), ua.VariantType.DateTime))


def utc(ahead_s: float = 0.0) -> ua.DateTime:
    """Now in the library's type, and so much later."""
    at = datetime.now(UTC) + timedelta(seconds=ahead_s)
    return ua.DateTime(*at.timetuple()[:6], at.microsecond, tzinfo=UTC)


Bench = TypeVar("Bench", bound=OpcuaBench)


@asynccontextmanager
async def serving(
    *uris: str,
    port: int,
    prepare: Callable[[Server], Awaitable[None]] | None = None,
    kind: type[Bench],
) -> AsyncIterator[Bench]:
    """Server with these namespaces, in this order, from index 2 on.

    ``prepare`` is called with the server before it starts, and awaited: certificates, policies.
    """
    binary_server_asyncio.UaProcessor = ScriptedProcessor  # type: ignore[attr-defined]
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/")
    server.disable_clock()  # it would write over the clock that a test lets it have
    if prepare is not None:
        await prepare(server)
    for uri in uris:
        await server.register_namespace(uri)
    bench = kind(port, server)
    await server.start()
    try:
        yield bench
    finally:
        for task in bench.tasks:
            task.cancel()
        await server.stop()


MESSAGE = b"MSG"
SERVICE_AT = 24
"""Offset of the service's number in an unprotected message (OPC UA Part 6, 6.7.2): 12 bytes of
header and channel, 4 of token, 8 of sequence."""
REQUEST_ID_AT = 20


def messages(received: bytes) -> list[bytes]:
    """Whole messages of the start of a stream, each with its header (OPC UA Part 6, 7.1.2)."""
    found = []
    while len(received) >= 8:
        (size,) = struct.unpack_from("<I", received, 4)
        if len(received) < size:
            break
        found.append(received[:size])
        received = received[size:]
    return found


def service_of(message: bytes) -> int | None:
    """Number of the service that an unprotected message asks for."""
    if message[:3] != MESSAGE or message[SERVICE_AT] != 0x01:
        return None
    return int.from_bytes(message[SERVICE_AT + 2 : SERVICE_AT + 4], "little")


@dataclass
class Wire:
    """A wire to a server on loopback, that can be listened to and spoilt.

    Attributes
    ----------
    alter
        What becomes of each message of the server; nothing passes where it gives nothing.
    mute_up, mute_down
        Whether what the client, or the server, says is swallowed.
    delay_s
        How long each piece is held back. [s]
    said
        All that the client said so far, over all connections.
    """

    target_port: int
    alter: Callable[[bytes], bytes] | None = None
    mute_up: bool = False
    mute_down: bool = False
    delay_s: float = 0.0
    port: int = 0
    open: int = 0
    accepted: int = 0
    said: list[bytes] = field(default_factory=list)
    _writers: set[asyncio.StreamWriter] = field(default_factory=set)
    _idle: asyncio.Event = field(default_factory=asyncio.Event)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.close()
        self.cut()
        await self._server.wait_closed()
        await self.idle()

    def cut(self) -> None:
        """Reset every connection."""
        for writer in self._writers:
            writer.transport.abort()

    async def idle(self) -> None:
        """Wait until no client is connected."""
        while self.open:
            self._idle.clear()
            await self._idle.wait()

    def services(self) -> list[int]:
        """Numbers of all services that were asked for on unprotected channels."""
        found = [service_of(one) for said in self.said for one in messages(said)]
        return [number for number in found if number is not None]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.open += 1
        self.accepted += 1
        number = len(self.said)
        self.said.append(b"")
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target_port)
        except OSError:
            writer.transport.abort()
            self._gone()
            return
        self._writers |= {writer, far_writer}
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._up(number, reader, far_writer))
                group.create_task(self._down(far_reader, writer))
        finally:
            self._writers -= {writer, far_writer}
            self._gone()

    def _gone(self) -> None:
        self.open -= 1
        self._idle.set()

    async def _up(
        self, number: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        try:
            while received := await reader.read(65536):
                self.said[number] += received
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                if not self.mute_up:
                    writer.write(received)
        except ConnectionError:
            pass
        finally:
            writer.close()

    async def _down(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        rest = b""
        try:
            while received := await reader.read(65536):
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                rest += received
                for message in messages(rest):
                    rest = rest[len(message) :]
                    passed = self.alter(message) if self.alter else message
                    if passed and not self.mute_down:
                        writer.write(passed)
        except ConnectionError:
            pass
        finally:
            writer.close()


def with_request_id(message: bytes, request_id: int) -> bytes:
    """An unprotected answer made to belong to another request."""
    if message[:3] != MESSAGE:
        return message
    return message[:REQUEST_ID_AT] + struct.pack("<I", request_id) + message[REQUEST_ID_AT + 4 :]


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description="A scripted OPC UA server on loopback, to see how a client takes faults."
        " Every variable is a Float in the last of the namespaces, called s=NAME."
    )
    parser.add_argument("--port", type=int, default=48440)
    parser.add_argument("--uri", action="append", help=f"namespace, in this order (default {URI})")
    parser.add_argument("--value", action="append", default=[], metavar="NAME=NUMBER")
    parser.add_argument(
        "--status",
        action="append",
        default=[],
        metavar="NAME=CODE",
        help="such as BadSensorFailure",
    )
    parser.add_argument(
        "--type", action="append", default=[], metavar="NAME=TYPE", help="such as Int16, String"
    )
    parser.add_argument("--shift-s", type=float, default=0.0, help="added to every time stamp")
    parser.add_argument("--no-stamps", action="store_true", help="values without time stamps")
    parser.add_argument(
        "--wait", action="append", default=[], metavar="NAME=S", help="reads with it are this slow"
    )
    parser.add_argument("--most", type=int, default=10_000, help="nodes that one read may hold")
    parser.add_argument("--refuse-sessions", metavar="CODE", help="such as BadTooManySessions")
    parser.add_argument("--refuse-reads", metavar="CODE", help="such as BadUserAccessDenied")
    return parser.parse_args(arguments)


def _pairs(texts: Sequence[str]) -> dict[str, str]:
    return {name: value for name, _, value in (text.partition("=") for text in texts)}


async def run(arguments: Sequence[str] | None = None) -> None:
    """Serve as the arguments say until cancelled."""
    options = _arguments(arguments)
    uris = options.uri or [URI]
    kinds, codes = _pairs(options.type), _pairs(options.status)
    async with serving(*uris, port=options.port, kind=OpcuaBench) as bench:
        index = ua.Int16(len(uris) + 1)
        script = bench.script
        script.most = options.most
        for name, text in _pairs(options.value or ["wall=110.0"]).items():
            node = ua.NodeId(ua.String(name), index)
            kind = ua.VariantType[kinds.get(name, "Float")]
            value = text if kind is ua.VariantType.String else _number(text, kind)
            await bench.add(name, node, 0.0, ua.VariantType.Float)
            status = getattr(StatusCodes, codes.get(name, "Good"))
            stamps = None if options.no_stamps else timedelta(seconds=options.shift_s)
            bench.compute(name, partial(_answer, value, kind, status, stamps))
        for name, text in _pairs(options.wait).items():
            script.delay_s[bench.nodes[name]] = float(text)
        if options.refuse_sessions:
            script.session_code = getattr(StatusCodes, options.refuse_sessions)
        if options.refuse_reads:
            script.read_code = getattr(StatusCodes, options.refuse_reads)
        print(f"opc.tcp://127.0.0.1:{options.port}/ serves {', '.join(uris)}", flush=True)
        await asyncio.Event().wait()


def _answer(value: Any, kind: ua.VariantType, status: int, shift: timedelta | None) -> ua.DataValue:
    """Value with stamps of now, shifted; without stamps where there is no shift."""
    at = None if shift is None else utc(shift.total_seconds())
    return ua.DataValue(ua.Variant(value, kind), ua.StatusCode(ua.UInt32(status)), at, at)


def _number(text: str, kind: ua.VariantType) -> float:
    return float(text) if kind in {ua.VariantType.Float, ua.VariantType.Double} else int(text)


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        asyncio.run(run())
