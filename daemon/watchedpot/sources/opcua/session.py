"""One connection to one server: opened, asked, closed; whatever the library raises becomes ours."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UASocketProtocol
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.uaerrors import UaError

from watchedpot.errors import (
    SourceError,
    SourceNotTrusted,
    SourceRefused,
    SourceTimeout,
    SourceUnreachable,
)
from watchedpot.sources.base import WrongShape, bounded
from watchedpot.sources.opcua.refusals import TOO_MUCH, code_of, refusal_of, text_of
from watchedpot.sources.opcua.trust import secure, set_user
from watchedpot.sources.wiring import OpcuaSecurity, OpcuaSource, SecurityPolicy

WATCHDOG_S = 5.0
"""How often the library itself looks after the connection [s], unless our bounds are longer.

Its default of 1 s gives up on a server that is merely slow.
"""

PROBES_PER_SESSION = 3.0
"""Looks of the library within the life of a session, so that it never ends in a pause [1]."""

CABLE = "check the cable and that the controller runs"


class TooMuch(SourceRefused):
    """A request was too large for the server."""


class Session:
    """A session of the library for one connection's lifetime.

    Attributes
    ----------
    expires_ns
        When the first certificate of the connection ends, in UTC; None without one. [ns]
    timeout_s
        How long the server keeps a session that is not used, as it says. [s]
    """

    def __init__(self, source: OpcuaSource) -> None:
        self.expires_ns: int | None = None
        self.timeout_s = source.session_timeout_s
        self._source = source
        self._where = f"source {source.id} ({source.url})"
        self._client: Client | None = None
        self._finder: Client | None = None
        self._fault: BaseException | None = None
        self._token: tuple[int, float] = (0, 0.0)
        self._late: tuple[int, float] | None = None

    async def open(self) -> None:
        """Open socket, channel and session.

        Each step of the library is bounded by the connect timeout; whoever calls bounds the
        whole. A cancel leaves the sockets to ``close``.
        """
        source = self._source
        client = self._client = self._new_client()
        try:
            if source.security is not None and source.security.policy is not SecurityPolicy.NONE:
                await self._secure(client, source.security)
            if source.user is not None:
                set_user(self._where, client, source.user, source.security)
            with _plain_cancel():
                await client.connect()
        except (OSError, UaError, SourceError) as exc:
            # asyncua 2.1 closes the socket after its own failures, not after a cancel.
            self._client = None
            _drop(client, client.uaclient.protocol)
            raise self._not_opened(exc) from exc
        self._settle(client)

    async def ask(self, nodes: Sequence[ua.NodeId], *, bound_s: float) -> list[ua.DataValue]:
        """Answers of one Read, one for each node, both stamps with them.

        Raises
        ------
        SourceError
            There is no answer, or no usable one.
        """
        client = self._client
        if client is None:
            raise SourceUnreachable(self._where, "read without a connection")
        self._check_renewal(client)
        with self._translated(len(nodes), bound_s):
            async with asyncio.timeout(bound_s):
                with _plain_cancel():
                    values = await client.uaclient.read(_parameters(nodes))
        if len(values) != len(nodes):
            raise WrongShape(self._where, f"expected {len(nodes)} values, got {len(values)}")
        return list(values)

    def late_s(self) -> float | None:
        """Seconds for which an answer has been overdue that may still come; None if none is.

        Many servers answer one request after the other: until then they answer no other one.
        """
        client, now_s = self._client, asyncio.get_running_loop().time()
        protocol = None if client is None else client.uaclient.protocol
        # asyncua 2.1 keeps what was given up until its answer comes (test_asyncua_facts).
        waiting = protocol._callbackmap if protocol is not None else {}  # noqa: SLF001
        oldest = min((number for number, one in waiting.items() if one.cancelled()), default=None)
        if oldest is None:
            self._late = None
            return None
        if self._late is None or self._late[0] != oldest:
            self._late = (oldest, now_s)
        return now_s - self._late[1]

    async def close(self) -> None:
        """End the session if the server still listens, then close the sockets in any case."""
        (client, self._client), (finder, self._finder) = (
            (self._client, None),
            (self._finder, None),
        )
        if finder is not None:
            _drop(finder, finder.uaclient.protocol)
        if client is None:
            return
        protocol = client.uaclient.protocol
        try:
            with suppress(SourceError):
                # Also stops the library's three tasks, hence even after a loss.
                await bounded(
                    self._where,
                    _disconnect(client),
                    doing="disconnect",
                    bound_s=2.0 * self._source.answer_timeout_s,
                )
        finally:
            _drop(client, protocol)

    async def _secure(self, client: Client, security: OpcuaSecurity) -> None:
        finder = self._finder = self._new_client()
        with _plain_cancel():
            self.expires_ns = await secure(self._where, client, finder, security)

    def _not_opened(self, error: Exception) -> SourceError:
        """Our error for what ended the opening."""
        source = self._source
        if isinstance(error, SourceError):
            return error
        if isinstance(error, UaError):
            return refusal_of(self._where, error, wait_s=source.session_timeout_s)
        if self.expires_ns is not None and isinstance(error, ConnectionError):
            return SourceNotTrusted(
                self._where,
                "the server answers, but ends the connection when a protected channel is opened"
                f" ({text_of(error)})",
                hint="most likely it does not trust our certificate: look among those it rejected",
            )
        return SourceUnreachable(
            self._where,
            f"no connection within {source.connect_timeout_s:g} s ({text_of(error)})",
            hint=CABLE,
        )

    def _new_client(self) -> Client:
        source = self._source
        client = Client(
            source.url,
            timeout=source.connect_timeout_s,
            watchdog_intervall=self._watchdog_s(source.session_timeout_s),
            auto_reconnect=False,
        )
        client.name = client.description = "watchedpot"
        client.application_uri = "urn:watchedpot"
        client.session_timeout = round(source.session_timeout_s * 1000)
        client.secure_channel_timeout = round(source.channel_lifetime_s * 1000)
        return client

    def _watchdog_s(self, session_s: float) -> float:
        longest_s = max(WATCHDOG_S, self._source.answer_timeout_s)
        return min(longest_s, session_s / PROBES_PER_SESSION)

    def _settle(self, client: Client) -> None:
        """Take over what the server granted, before the library's tasks begin to run."""
        self.timeout_s = client.session_timeout / 1000.0
        # asyncua 2.1 keeps to what was asked for, not to what was granted (test_asyncua_facts).
        client._watchdog_intervall = self._watchdog_s(self.timeout_s)  # noqa: SLF001
        if (protocol := client.uaclient.protocol) is None:
            return
        # The one setting bounds each step of connecting and each answer; from here on, answers.
        protocol.timeout = self._source.answer_timeout_s
        close_socket = protocol.disconnect_socket

        def closing() -> None:
            """Keep the reason for which the library gives up a connection; it only logs it."""
            self._fault = self._fault or sys.exception()
            close_socket()

        protocol.disconnect_socket = closing  # type: ignore[method-assign]

    def _check_renewal(self, client: Client) -> None:
        """Give up a channel whose keys are no longer renewed: the server will cut it, unsaid.

        Either the library's task for it has ended, or the keys are older than they may get.
        """
        task, protocol = client._renew_channel_task, client.uaclient.protocol  # noqa: SLF001
        is_over = task is not None and task.done()
        if protocol is not None:
            now_s = asyncio.get_running_loop().time()
            token = protocol._connection.security_token.TokenId  # noqa: SLF001
            if token != self._token[0] or not self._token[1]:
                self._token = (token, now_s)
            is_over = is_over or now_s - self._token[1] > client.secure_channel_timeout / 1000.0
        if is_over:
            raise SourceUnreachable(self._where, "the secure channel is no longer renewed")

    @contextmanager
    def _translated(self, nodes: int, bound_s: float) -> Iterator[None]:
        try:
            yield
        except TimeoutError as exc:
            raise SourceTimeout(
                self._where,
                f"no answer to a read of {_nodes(nodes)} within {round(bound_s, 2):g} s",
                hint="check that the controller runs",
            ) from exc
        except OSError as exc:
            if self._fault is not None:
                raise WrongShape(
                    self._where,
                    f"an answer that breaks the protocol: {text_of(self._fault)[:200]}",
                    hint="look for what changes answers on the way, or for a fault of the server",
                ) from self._fault
            raise SourceUnreachable(
                self._where, f"the connection broke ({text_of(exc)})", hint=CABLE
            ) from exc
        except UaError as exc:
            kind = TooMuch if code_of(exc) in TOO_MUCH else SourceRefused
            raise kind(
                self._where, f"a read of {_nodes(nodes)} was refused: {text_of(exc)}"
            ) from exc


def _nodes(count: int) -> str:
    return "1 node" if count == 1 else f"{count} nodes"


@contextmanager
def _plain_cancel() -> Iterator[None]:
    """Let a cancel out as what it is.

    asyncua 2.1 waits with a library that raises a subclass where answer and cancel meet. Python
    3.11 takes only the class itself for the end of a bound: the bound would cancel our task for
    good, and nobody would poll any more (test_asyncua_facts).
    """
    try:
        yield
    except asyncio.CancelledError as exc:
        raise asyncio.CancelledError from exc


async def _disconnect(client: Client) -> None:
    with _plain_cancel():
        await client.disconnect()


def _drop(client: Client, protocol: UASocketProtocol | None) -> None:
    """Close a socket that the library may have left open.

    asyncua 2.1 leaves it after a loss and after a cancelled connect (test_asyncua_facts).
    """
    client.disconnect_socket()
    if protocol is not None and protocol.transport is not None:
        protocol.transport.abort()


def _parameters(nodes: Sequence[ua.NodeId]) -> ua.ReadParameters:
    return ua.ReadParameters(
        MaxAge=0,
        TimestampsToReturn=ua.TimestampsToReturn.Both,
        NodesToRead=[ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in nodes],
    )
