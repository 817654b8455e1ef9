"""What the web room is given: answers from the record, and who may ask and act."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, takewhile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from watchedpot.app.config import Configuration, Service
from watchedpot.app.questions import suspects, suspects_data
from watchedpot.core.model import Block, EventKind, Instant, Quality
from watchedpot.core.rules import CellRules, ZoneRules
from watchedpot.core.units import NANO, ns
from watchedpot.errors import ConfigError
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import RecordedPart
from watchedpot.outputs.ledger.newest import newest_events, newest_parts
from watchedpot.outputs.report.performance import performance_of
from watchedpot.outputs.web import alarms, model
from watchedpot.outputs.web.gate import Doors, local_doors
from watchedpot.outputs.web.server import Certificate
from watchedpot.outputs.web.tokens import Tokens
from watchedpot.outputs.web.trend import kept_rows, spans
from watchedpot.outputs.wording import rule_words, sentence
from watchedpot.sources.certificates import expires_ns, read_certificates

CREDENTIAL = "tokens"
"""Name under which systemd hands over the tokens file, where none is configured."""

MOST_MARKS = 500
"""Parts and events of a trend [1]; of more the newest."""

JUDGED_S = 8 * 3600.0
"""Span of the alarms' figures. [s]"""


def doors_of(service: Service, report: Callable[[str], None]) -> Doors:
    """Who may ask and act, by the configuration.

    Parameters
    ----------
    service
        Where to listen, and the tokens file.
    report
        Told of problems with the tokens file while running.

    Raises
    ------
    ConfigError
        Other computers could reach the daemon and nobody has a token, or the tokens file cannot
        be used.
    """
    path = service.tokens_path or _credential()
    tokens = None if path is None else Tokens(path, report)
    has_holders = tokens is not None and tokens.check()
    if service.is_local:
        return local_doors(service.host, tokens)
    if not has_holders:
        raise ConfigError(
            "service.tokens_path",
            [
                f"service.host: {service.host} can be reached from other computers, and nobody "
                "has a token; name a file as service.tokens_path (a line of it is printed by: "
                "watchedpot token NAME), or listen on 127.0.0.1"
            ],
        )
    return Doors(tokens, is_reading_open=service.open_reading)


def _credential() -> Path | None:
    """The tokens file as systemd hands it over."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    path = None if folder is None else Path(folder) / CREDENTIAL
    return path if path is not None and path.is_file() else None


def certificate_end_ns(certificate: Certificate) -> int | None:
    """When the first certificate of the chain ends, in UTC. [ns]."""
    return expires_ns(read_certificates(certificate.chain))


def certificate_of(service: Service) -> Certificate | None:
    """What TLS needs; None without TLS.

    Raises
    ------
    ConfigError
        Certificate or key cannot be used.
    """
    chain, key = service.tls_certificate_path, service.tls_key_path
    if chain is None or key is None:
        return None
    certificate = Certificate(chain, key)
    certificate.check()
    return certificate


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """One channel; nan where it was not good. [ns]."""

    at_ns: NDArray[np.int64]
    value: NDArray[np.float64]

    def at(self, moments_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """What was last read at some moments, nan before the first."""
        place = np.searchsorted(self.at_ns, moments_ns, side="right") - 1
        told = self.value[np.maximum(place, 0)] if self.value.size else np.empty(place.size)
        return np.where((place >= 0) & (self.value.size > 0), told, np.nan)


_NOTHING = _Series(np.zeros(0, dtype=np.int64), np.zeros(0))


class Recorded:
    """Answers from the ledger, through connections that cannot write; blocks while it reads.

    Parameters
    ----------
    configuration
        What is read now.
    now
        Gives the present moment of the cells.
    """

    def __init__(self, configuration: Configuration, now: Callable[[], Instant]) -> None:
        self._path = configuration.service.ledger_path
        self._cells = {cell.id: cell for cell in configuration.cells}
        self._sources = {
            channel.name: source.id
            for source in configuration.sources
            for channel in source.channels
        }
        self._now = now

    def trend(self, cell: str, *, minutes: int, points: int) -> model.Trend:
        """Readings of a cell until now."""
        rules, to_ns = self._cells[cell], self._now().utc_ns
        from_ns = to_ns - ns(60.0 * minutes)
        series = self._series(rules, from_ns)
        dispensing = series.get(rules.dispensing or "", _NOTHING)
        parts = list(islice(_since(newest_parts(self._path, cell=cell), from_ns), MOST_MARKS))
        events = islice(newest_events(self._path, since_ns=from_ns, cell=cell), MOST_MARKS)
        return model.Trend(
            cell=cell,
            since=model.iso(from_ns),
            until=model.iso(to_ns),
            zones=[_zone_trend(zone, series, from_ns, points) for zone in rules.zones],
            dispensing=spans(
                _gone_s(dispensing.at_ns, from_ns),
                dispensing.value > 0.0,
                joined_s=60.0 * minutes / points,
            ),
            parts=[
                model.TrendPart(
                    at_s=(part.at.utc_ns - from_ns) / NANO,
                    first=part.first,
                    last=part.last,
                    verdict=part.verdict.value,
                )
                for part in reversed(parts)
            ],
            events=[
                model.TrendEvent(
                    at_s=(one.event.at.utc_ns - from_ns) / NANO,
                    kind=one.event.kind.value,
                    sentence=sentence(one.event),
                )
                for one in reversed(list(events))
            ],
        )

    def _series(self, rules: CellRules, from_ns: int) -> dict[str, _Series]:
        """What was read of the channels that a trend shows."""
        names = {
            name
            for zone in rules.zones
            for name in (zone.temperature, zone.setpoint, zone.output)
            if name is not None
        } | {rules.dispensing or ""}
        found = dict[str, _Series]()
        for source in sorted({self._sources[name] for name in names if name in self._sources}):
            read = ledger.blocks(self._path, source=source, from_ns=from_ns)
            found |= _joined([one.block for one in read], names)
        return found

    def parts(self, cell: str, *, limit: int, before_ns: int | None) -> model.Parts:
        """The newest parts of a cell that were counted before a moment."""
        found = newest_parts(self._path, cell=cell, before_ns=before_ns)
        return model.Parts(parts=[_made(part) for part in islice(found, limit)])

    def suspects(self, cell: str | None, *, since_ns: int | None) -> dict[str, object]:
        """Suspect parts, as ``watchedpot suspects --json`` prints them."""
        asked_ns = self._now().utc_ns
        question = suspects.Question(asked_ns, since_ns=since_ns, cell=cell)
        return suspects_data.as_json(suspects.ask(self._path, question))

    def events(
        self,
        *,
        cell: str | None,
        kinds: Collection[EventKind],
        since_ns: int | None,
        until_ns: int | None,
        limit: int,
    ) -> model.Events:
        """The newest events of a span."""
        found = newest_events(
            self._path, since_ns=since_ns, until_ns=until_ns, cell=cell, kinds=kinds
        )
        return model.Events(
            events=[
                model.Happened(
                    at=model.iso(one.event.at.utc_ns),
                    cell=one.event.cell,
                    zone=one.event.zone,
                    kind=one.event.kind.value,
                    sentence=sentence(one.event),
                    details=dict(one.event.details),
                )
                for one in islice(found, limit)
            ]
        )

    def performance(self) -> model.Performance | None:
        """Figures of the alarms of the last eight hours; None before anything was watched."""
        until_ns = self._now().utc_ns
        first = next(ledger.runs(self._path), None)
        since_ns = until_ns - ns(JUDGED_S)
        since_ns = since_ns if first is None else max(since_ns, first.at.utc_ns)
        if since_ns >= until_ns:
            return None
        found = performance_of(self._path, since_ns=since_ns, until_ns=until_ns)
        return alarms.performance(found)


def _since(parts: Iterable[RecordedPart], from_ns: int) -> Iterator[RecordedPart]:
    """Parts from the newest back to a moment."""
    return takewhile(lambda part: part.at.utc_ns >= from_ns, parts)


def _joined(blocks: list[Block], names: Collection[str]) -> dict[str, _Series]:
    """Channels of blocks of one source; a source may have got others on the way."""
    found = dict[str, _Series]()
    for name in names:
        having = [block for block in blocks if name in block.channels]
        if having:
            columns = [
                np.where(
                    block.quality[:, block.channels.index(name)] == Quality.GOOD,
                    block.value[:, block.channels.index(name)],
                    np.nan,
                )
                for block in having
            ]
            found[name] = _Series(
                np.concatenate([block.seen_ns for block in having]), np.concatenate(columns)
            )
    return found


def _gone_s(at_ns: NDArray[np.int64], from_ns: int) -> NDArray[np.float64]:
    """Time since a moment, to the millisecond. [s]."""
    gone_s: NDArray[np.float64] = np.round((at_ns - from_ns) / NANO, 3)
    return gone_s


def _zone_trend(
    zone: ZoneRules, series: dict[str, _Series], from_ns: int, points: int
) -> model.ZoneTrend:
    """Readings of a zone at the moments at which its temperature was read."""
    read = series.get(zone.temperature, _NOTHING)
    at_ns = read.at_ns
    columns = [
        read.value,
        *(series.get(name or "", _NOTHING).at(at_ns) for name in (zone.setpoint, zone.output)),
    ]
    # Where no row says that nothing was read, the line must break all the same.
    gaps = np.flatnonzero(np.diff(at_ns) > ns(zone.max_gap_s)) + 1
    at_ns = np.insert(at_ns, gaps, (at_ns[gaps - 1] + at_ns[gaps]) // 2)
    columns = [np.insert(column, gaps, np.nan) for column in columns]
    kept = kept_rows(columns, points=points)
    temp_c, setpoint_c, output_percent = (_told(column[kept]) for column in columns)
    return model.ZoneTrend(
        id=zone.id,
        low_c=zone.low_c,
        high_c=zone.high_c,
        at_s=_gone_s(at_ns[kept], from_ns).tolist(),
        temp_c=temp_c,
        setpoint_c=setpoint_c,
        output_percent=output_percent,
    )


def _told(column: NDArray[np.float64]) -> list[float | None]:
    """Numbers that can be told, None for the others."""
    return [
        value if is_told else None
        for value, is_told in zip(
            np.round(column, 3).tolist(), np.isfinite(column).tolist(), strict=True
        )
    ]


def _made(part: RecordedPart) -> model.MadePart:
    """One part for the interface."""
    ends_ns = part.reworkable_until_utc_ns
    return model.MadePart(
        first=part.first,
        last=part.last,
        part_id=part.part_id,
        counted=model.iso(part.at.utc_ns),
        begun=model.iso(part.begun_utc_ns),
        verdict=part.verdict.value,
        rules=[rule_words(rule.value, zone) for rule, zone in part.rules],
        charge_id=part.charge_id,
        reworkable_until=None if ends_ns is None else model.iso(ends_ns),
        zones={
            name: model.ZoneOfPart(
                min_c=zone.min_c, mean_c=zone.mean_c, max_c=zone.max_c, coverage=zone.coverage
            )
            for name, zone in part.zones.items()
        },
    )
