"""One OPC UA server as a device: all channels, fresh, with status and both time stamps.

What depends on the server is found out anew at each connection: the numbers of its namespaces,
how much it takes at once, and whether it is the one that is meant. After a restart the same
number can stand for another namespace, and another device can answer at the same address.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from asyncua import ua
from asyncua.ua.object_ids import ObjectIds

from watchedpot.core.model import NO_TIME_NS, Quality, Reading, Reason, not_good
from watchedpot.core.units import NANO
from watchedpot.errors import SourceRefused, SourceSlotTaken, SourceTimeout
from watchedpot.sources.anchor import check_identity
from watchedpot.sources.decode import opcua_decoder, status_class
from watchedpot.sources.opcua import refusals
from watchedpot.sources.opcua.session import Session, TooMuch
from watchedpot.sources.patience import Group, Patience, patience_for
from watchedpot.sources.wiring import OpcuaChannel, OpcuaIdentity, OpcuaSource

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

NAMESPACE_ARRAY = ua.NodeId(ua.Int32(ObjectIds.Server_NamespaceArray))
SERVER_STATE = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_State))
SERVER_TIME = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_CurrentTime))
MAX_NODES_PER_READ = ua.NodeId(
    ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
)
HEAD = (SERVER_STATE, SERVER_TIME)
"""Asked for first in each poll: whether the server runs, and what its clock says."""

EMPTY = ua.Variant()

CAUTIOUS_NODES_PER_READ = 100
"""Longest read of a server that does not tell its limit [1]; common on small controllers."""

SLOW_SHARE = 0.5
"""Share of the answer timeout for which a node that is known to be slow may hold up a poll [1]."""

LONGEST_LATE = 4.0
"""For how many answer timeouts a server may be busy with a slow node before it is silent [1]."""

LEAST_BOUND_S = 0.001
"""A bound of nothing would not even send the request [s]."""


@dataclass
class Acquaintance:
    """What is known of a server beyond one connection; shared by the devices of a poller.

    Attributes
    ----------
    patience
        What can be read together.
    refusal, free_at_s
        Why it is left alone: it had no free slot, or refused our user; and until when, on the
        clock of the running loop. [s]
    server_ns
        What its clock said in the newest poll, in UTC. [ns]
    """

    patience: Patience
    refusal: SourceSlotTaken | refusals.UserRefused | None = None
    free_at_s: float = 0.0
    server_ns: int = NO_TIME_NS


class OpcuaDevice:
    """One connection to one server."""

    def __init__(self, source: OpcuaSource, known: Acquaintance | None = None) -> None:
        self.requests = 0
        self.certificate_expires_ns: int | None = None
        self._source = source
        self._where = f"source {source.id} ({source.url})"
        self._known = known or acquaintance(source)
        self._session = Session(source)
        self._decoders = {c.name: opcua_decoder(c) for c in source.channels}
        self._nodes: dict[str, ua.NodeId] = {}
        self._limit = CAUTIOUS_NODES_PER_READ
        self._unresolved: tuple[OpcuaChannel, ...] = source.channels

    async def connect(self) -> None:
        """Open socket, channel and session, find the namespaces, and see which device it is.

        Each step of the library is bounded by the connect timeout; whoever calls bounds the
        whole. A cancel leaves the socket to ``close``.
        """
        loop, known = asyncio.get_running_loop(), self._known
        if known.refusal is not None and loop.time() < known.free_at_s:
            refused = known.refusal
            raise type(refused)(self._where, refused.problem, hint=refused.hint)
        try:
            await self._session.open()
        except (SourceSlotTaken, refusals.UserRefused) as exc:
            is_user = isinstance(exc, refusals.UserRefused)
            pause_s = refusals.USER_PAUSE_S if is_user else self._source.session_timeout_s
            known.refusal, known.free_at_s = exc, loop.time() + pause_s
            raise
        self.certificate_expires_ns = self._session.expires_ns
        index = await self._resolve()
        if self._source.identity is not None:
            await self._check_identity(self._source.identity, index)

    async def read(self) -> dict[str, Reading]:
        """Read every channel once, within the answer timeout.

        A group of nodes that is not answered in time costs its own readings, not those of the
        groups that were; only if there is no answer at all the server is silent.
        """
        if self._unresolved:
            await self._resolve()  # a server can be up before its program is
        loop, bound_s = asyncio.get_running_loop(), self._source.answer_timeout_s
        end_s, late_s = loop.time() + bound_s, self._session.late_s()
        answers: dict[str, ua.DataValue] = {}
        head: list[ua.DataValue] = []
        for group in self._known.patience.groups:
            left_s = end_s - loop.time()
            wanted = [name for name in group if name in self._nodes]
            if left_s < LEAST_BOUND_S or (not wanted and head):
                continue
            nodes = [self._nodes[name] for name in wanted]
            try:
                values = await self._ask_all([*HEAD[len(head) :], *nodes], bound_s=left_s)
            except SourceTimeout:
                if not head and late_s is not None and late_s < LONGEST_LATE * bound_s:
                    break  # still busy with what it was asked for before: no fault of this group
                is_fair = left_s >= SLOW_SHARE * bound_s  # the others left it time enough
                self._blame(group, has_answered=bool(head) and is_fair)
                if not head:
                    raise
                continue
            head, values = (head, values) if head else (values[: len(HEAD)], values[len(HEAD) :])
            answers.update(zip(wanted, values, strict=True))
        if head:
            answers.update(await self._rest(answers, end_s))
        return self._readings(head, answers)

    async def alone(self, name: str) -> ua.DataValue | None:
        """Answer of the node of one channel, read by itself; None where it has no node.

        While the server may still be busy with what it was asked for before, it is asked again.

        Raises
        ------
        SourceError
            There is no answer, or no usable one.
        """
        if name not in self._nodes:
            return None
        bound_s = self._source.answer_timeout_s
        while True:
            late_s = self._session.late_s()
            try:
                (answer,) = await self._ask([self._nodes[name]], bound_s=bound_s)
            except SourceTimeout:
                if late_s is None or late_s >= LONGEST_LATE * bound_s:
                    raise
            else:
                return answer

    @property
    def is_late(self) -> bool:
        """Whether an earlier answer is overdue and may still come."""
        return self._session.late_s() is not None

    def reading(self, name: str, value: ua.DataValue) -> Reading:
        """Reading of one channel from its node's answer."""
        variant = variant_of(value)
        return self._decoders[name](
            variant.Value,
            variant.VariantType.value,
            status_of(value),
            source_ns=utc_ns(value.SourceTimestamp),
            server_ns=utc_ns(value.ServerTimestamp),
        )

    async def close(self) -> None:
        """End the session if the server still listens, then close the socket in any case."""
        await self._session.close()

    def _blame(self, group: Group, *, has_answered: bool) -> None:
        now_s = asyncio.get_running_loop().time()
        self._known.patience = self._known.patience.timed_out(
            group, has_answered=has_answered, now_s=now_s
        )

    async def _rest(
        self, answers: Mapping[str, ua.DataValue], end_s: float
    ) -> dict[str, ua.DataValue]:
        """If all groups were answered: note it, and ask a slow node that is due."""
        asked = [name for group in self._known.patience.groups for name in group]
        if not all(name in answers for name in asked if name in self._nodes):
            return {}
        self._known.patience = self._known.patience.all_answered()
        return await self._slow_answer(end_s)

    async def _slow_answer(self, end_s: float) -> dict[str, ua.DataValue]:
        """Answer of a slow node that is due, if it comes soon enough."""
        loop, known = asyncio.get_running_loop(), self._known
        left_s = min(end_s - loop.time(), SLOW_SHARE * self._source.answer_timeout_s)
        name = known.patience.due(loop.time())
        if name is None or name not in self._nodes or left_s < LEAST_BOUND_S:
            return {}
        try:
            (answer,) = await self._ask([self._nodes[name]], bound_s=left_s)
        except SourceTimeout:
            known.patience = known.patience.still_slow(name, now_s=loop.time())
            return {}
        known.patience = known.patience.recovered(name)
        return {name: answer}

    def _readings(
        self, head: Sequence[ua.DataValue], answers: dict[str, ua.DataValue]
    ) -> dict[str, Reading]:
        """Reading of each channel: from its answer, or why there is none."""
        self._known.server_ns = _clock_ns(head[1]) if head else NO_TIME_NS
        fault = _server_fault(head[0]) if head else None
        readings = {}
        for name in self._decoders:
            if name not in self._nodes:
                readings[name] = not_good(Quality.BAD, Reason.ADDRESS)
            elif name not in answers:
                readings[name] = not_good(Quality.MISSING, Reason.NO_ANSWER)
            else:
                readings[name] = fault or self.reading(name, answers[name])
        return readings

    async def _resolve(self) -> dict[str, int]:
        """Read namespaces and limits, and from them the nodes; gives the namespaces' numbers."""
        source = self._source
        bound_s = source.answer_timeout_s
        answers = await self._ask_all([NAMESPACE_ARRAY, MAX_NODES_PER_READ], bound_s=bound_s)
        uris, limit = (variant_of(answer).Value for answer in answers)
        if not isinstance(uris, list):
            raise SourceRefused(self._where, "the server does not tell its namespaces")
        index = {uri: number for number, uri in enumerate(uris)}
        self._limit = limit if isinstance(limit, int) and limit > 0 else CAUTIOUS_NODES_PER_READ
        self._nodes = {
            channel.name: _node_id(channel.identifier, index[channel.namespace_uri])
            for channel in source.channels
            if channel.namespace_uri in index
        }
        self._unresolved = tuple(c for c in source.channels if c.name not in self._nodes)
        return index

    async def _check_identity(self, identity: OpcuaIdentity, index: dict[str, int]) -> None:
        """Go no further with a device that does not show the value it must have."""
        got = None
        if identity.namespace_uri in index:
            node = _node_id(identity.identifier, index[identity.namespace_uri])
            bound_s = self._source.answer_timeout_s
            (answer,) = await self._ask([node], bound_s=bound_s)
            if status_class(status_of(answer))[0] is Quality.GOOD:
                got = variant_of(answer).Value
        check_identity(self._where, identity.expected, got)

    async def _ask(self, nodes: Sequence[ua.NodeId], *, bound_s: float) -> list[ua.DataValue]:
        self.requests += 1
        return await self._session.ask(nodes, bound_s=bound_s)

    async def _ask_all(self, nodes: Sequence[ua.NodeId], *, bound_s: float) -> list[ua.DataValue]:
        """Answers of nodes, in as many requests as the server needs, all within the bound."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + bound_s
        answers: list[ua.DataValue] = []
        while len(answers) < len(nodes):
            size = self._known.patience.fitting(self._limit)
            part = nodes[len(answers) : len(answers) + size]
            left_s = max(LEAST_BOUND_S, end_s - loop.time())
            try:
                answers += await self._ask(part, bound_s=left_s)
            except TooMuch:
                if len(part) == 1:
                    raise
                self._known.patience = self._known.patience.too_many(len(part))
        return answers


def acquaintance(source: OpcuaSource) -> Acquaintance:
    """What is known of a server that was never met."""
    return Acquaintance(patience_for([channel.name for channel in source.channels]))


def _node_id(identifier: str, namespace: int) -> ua.NodeId:
    """Node id from ``s=text`` or ``i=number``."""
    kind, _, name = identifier.partition("=")
    return ua.NodeId(ua.Int32(name) if kind == "i" else ua.String(name), ua.Int16(namespace))


def utc_ns(at: datetime | None) -> int:
    """UTC stamp in ns; none for what ns cannot hold, such as the empty stamp of 1601."""
    if at is None:
        return NO_TIME_NS
    since = at - EPOCH
    stamp_ns = (since.days * 86_400 + since.seconds) * NANO + since.microseconds * 1000
    return stamp_ns if abs(stamp_ns) < -NO_TIME_NS else NO_TIME_NS


def variant_of(value: ua.DataValue) -> ua.Variant:
    """Value and type of an answer; null where it has none."""
    return value.Value or EMPTY


def status_of(value: ua.DataValue) -> int:
    """Status code of an answer; good where it does not say (OPC UA Part 4, 7.11)."""
    return value.StatusCode.value if value.StatusCode is not None else 0


def _clock_ns(time: ua.DataValue) -> int:
    """What the server's clock says, if it says so and is believable."""
    at = variant_of(time).Value
    is_good = status_class(status_of(time))[0] is Quality.GOOD
    if not is_good or not isinstance(at, datetime):
        return NO_TIME_NS
    return utc_ns(at if at.tzinfo is not None else at.replace(tzinfo=UTC))


def _server_fault(state: ua.DataValue) -> Reading | None:
    """Reading of every channel if the server does not run, or does not say so; else None."""
    quality, _ = status_class(status_of(state))
    if quality is Quality.GOOD and variant_of(state).Value == ua.ServerState.Running:
        return None
    return not_good(Quality.BAD, Reason.SERVER_STATE, status_of(state))
