"""Pollers of OPC UA servers, and the one look at one for commissioning."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable

from asyncua import ua

from watchedpot.core.model import Block, Instant, Quality, Reading, Reason, not_good
from watchedpot.errors import SourceTimeout
from watchedpot.sources.base import (
    SAFETY_S,
    Clock,
    Judge,
    Poller,
    ProbedChannel,
    Report,
    as_it_came,
    bounded,
    poller_of,
)
from watchedpot.sources.opcua.device import Acquaintance, OpcuaDevice, acquaintance, variant_of
from watchedpot.sources.skew import is_off, skew_s, without_future
from watchedpot.sources.wiring import OpcuaSource

SKEW = "source_skew"
"""Report of a clock that has begun or ceased to be too far off; fields source, skew_s, text."""

UNTRUSTING = "source_trusts_any"
"""Report, once, of a source for which any server will do; fields source, text."""


class Stamps:
    """Judges time stamps by what the server's own clock says, then hands on to another judge."""

    def __init__(
        self, source: OpcuaSource, known: Acquaintance, *, report: Report, judge: Judge
    ) -> None:
        self._source = source
        self._known = known
        self._report = report
        self._judge = judge
        self._is_off = False

    def __call__(self, at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
        """Take stamps from the future away; say so if the clock itself is off."""
        ahead_s = skew_s(self._known.server_ns, at)
        if ahead_s is not None:
            self._note(ahead_s)
        return self._judge(at, without_future(readings, at, ahead_s or 0.0))

    def _note(self, ahead_s: float) -> None:
        """Report a change of whether the clock is off, not each poll."""
        limit_s = self._source.skew_alarm_s
        earlier, self._is_off = self._is_off, is_off(ahead_s, limit_s, was_off=self._is_off)
        if self._is_off is earlier:
            return
        way = "ahead of" if ahead_s > 0 else "behind"
        text = (
            f"the clock of the server is {abs(ahead_s):.1f} s {way} ours; set both by one time"
            " server"
            if self._is_off
            else f"the clock of the server is right again, within {limit_s:g} s"
        )
        self._report(SKEW, source=self._source.id, skew_s=round(ahead_s, 3), text=text)


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
    known = acquaintance(source)
    if source.security is not None and source.security.trust_any_server:
        report(
            UNTRUSTING,
            source=source.id,
            text="trust_any_server = true: the values are encrypted, but any server is believed;"
            " name server_certificate_path or trusted_folder",
        )
    return poller_of(
        source,
        "opcua",
        lambda: OpcuaDevice(source, known),
        clock=clock,
        emit=emit,
        report=report,
        rng=rng,
        judge=Stamps(source, known, report=report, judge=judge),
    )


async def probe(source: OpcuaSource) -> tuple[ProbedChannel, ...]:
    """Every channel read once and by itself, on a connection of its own.

    A node that keeps the server waiting costs its own reading only.

    Raises
    ------
    SourceError
        The server could not be reached, or answered for no channel.
    """
    device = OpcuaDevice(source)
    bound_s = source.connect_timeout_s + SAFETY_S
    try:
        await bounded(f"source {source.id}", device.connect(), doing="connection", bound_s=bound_s)
        silent: list[SourceTimeout] = []
        probed = [await _probed(device, channel.name, silent) for channel in source.channels]
    finally:
        await device.close()
    if len(silent) == len(probed):
        raise silent[-1]
    return tuple(probed)


async def _probed(device: OpcuaDevice, name: str, silent: list[SourceTimeout]) -> ProbedChannel:
    """What the node of one channel says; ``silent`` gathers those that say nothing in time."""
    loop = asyncio.get_running_loop()
    began_s, is_late = loop.time(), device.is_late
    try:
        value = await device.alone(name)
    except SourceTimeout as exc:
        silent.append(exc)
        return ProbedChannel(name, exc.problem, not_good(Quality.MISSING, Reason.NO_ANSWER))
    if value is None:
        return ProbedChannel(name, "namespace not there", not_good(Quality.BAD, Reason.ADDRESS))
    took_s = math.nan if is_late else loop.time() - began_s
    return ProbedChannel(name, _shown(value), device.reading(name, value), took_s=took_s)


def _shown(value: ua.DataValue) -> str:
    variant = variant_of(value)
    status = value.StatusCode.name if value.StatusCode is not None else "Good"
    return f"{variant.VariantType.name} {variant.Value!r}, {status}"
