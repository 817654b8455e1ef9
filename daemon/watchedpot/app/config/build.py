"""From the tables of all files to one configuration."""

from __future__ import annotations

import hashlib
import ipaddress
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from watchedpot.app.config import model
from watchedpot.app.config.cells import Cells
from watchedpot.app.config.channels import Wiring
from watchedpot.app.config.faults import Faults, Place
from watchedpot.app.config.files import Document, by_id
from watchedpot.app.config.origins import origins
from watchedpot.app.config.security import protection
from watchedpot.core.rules import CellRules
from watchedpot.sources.wiring import Source


@dataclass(frozen=True, slots=True)
class Service:
    """What the daemon needs besides rules and sources.

    Attributes
    ----------
    queue_capacity
        Batches that may wait between reading and judging. [1]
    commit_interval_s
        Longest time between two commits of the ledger. [s]
    retention_days, retention_mb
        Age and size above which recorded readings are removed. [days], [MB]
    tokens_path
        File of those who may act; None where none is named.
    open_reading
        Whether other computers may read without a token.
    tls_certificate_path, tls_key_path
        Both or none: None is without TLS.
    """

    host: str
    port: int
    queue_capacity: int
    ledger_path: Path
    commit_interval_s: float
    retention_days: float
    retention_mb: float
    tokens_path: Path | None = None
    open_reading: bool = False
    tls_certificate_path: Path | None = None
    tls_key_path: Path | None = None

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        return _is_loopback(self.host)


@dataclass(frozen=True, slots=True)
class Configuration:
    """All that was configured, checked.

    Attributes
    ----------
    text
        Sources and rules in force, and which file each of them stands in, as JSON: what the
        ledger keeps of a revision.
    revision
        Short hash of ``text``: two runs that judge alike by the same files have the same.
    notices
        What lowers the claims that can be made; nothing that stops a start.
    files
        Every file read, the one asked for first.
    """

    sources: tuple[Source, ...]
    cells: tuple[CellRules, ...]
    service: Service
    text: str
    revision: str
    notices: tuple[str, ...]
    files: tuple[Path, ...]


def build(documents: Sequence[Document], faults: Faults) -> Configuration:
    """Configuration of the files; meaningless where faults were found."""
    notices: list[str] = []
    sources = by_id(
        "sources", ((one, source) for one in documents for source in one.tables.sources), faults
    )
    _check_devices(sources, faults)
    declared = [source_id for document in documents for source_id in document.ids("sources")]
    wired_to = {source_id: source for source_id, (_, source) in sources.items()}
    wiring = Wiring(wired_to, declared, faults, notices)
    cells = Cells(documents, wiring, faults, notices).built()
    if not cells and not faults.found:
        faults.add(Place(documents[0].name), "expected at least one cell, got none")
    protections = {
        source_id: protection(source, place, faults, notices)
        for source_id, (place, source) in sources.items()
    }
    built = tuple(protections[one.id].of(one) for one in wiring.built())
    text = json.dumps(
        {
            "sources": [asdict(one) for one in built],
            "cells": [asdict(one) for one in cells],
            "files": origins(documents, built, cells),
        },
        sort_keys=True,
    )
    return Configuration(
        sources=built,
        cells=cells,
        service=_service(documents, faults, notices),
        text=text,
        revision=hashlib.sha256(text.encode()).hexdigest()[:12],
        notices=tuple(notices),
        files=tuple(Path(document.name) for document in documents),
    )


def _check_devices(sources: dict[str, tuple[Place, model.Source]], faults: Faults) -> None:
    """One connection to a device: two would load it twice and could disagree."""
    seen: dict[str, str] = {}
    links: dict[str, tuple[str, str]] = {}
    for place, source in sources.values():
        if isinstance(source, model.OpcuaSource):
            device = source.url
        else:
            address, manner = _link_of(source)
            device = f"{address} unit {source.unit}"
            earlier, first = links.setdefault(address, (manner, source.id))
            if earlier != manner:
                faults.add(
                    place,
                    f"expected {earlier} at {address}, as source {first} has it, got {manner}",
                    "all units at one address share one connection; correct one of the two",
                )
        other = seen.setdefault(device, source.id)
        if other != source.id:
            faults.add(
                place,
                f"expected a device of its own, got {device}, which source {other} reads too",
                "let all channels of a device name one source",
            )


def _link_of(source: model.ModbusTables) -> tuple[str, str]:
    """Where the connection of a Modbus source goes, and how it speaks there."""
    if isinstance(source, model.ModbusRtuSource):
        settings = f"{source.baud_rate} bit/s, {source.parity} parity, {source.stop_bits} stop bits"
        return source.serial_port, f"{source.protocol} with {settings}"
    return f"{source.host}:{source.port}", source.protocol


def _service(documents: Sequence[Document], faults: Faults, notices: list[str]) -> Service:
    """Settings of the service and the ledger, each from the one file that has them."""
    found: dict[str, Document] = {}
    for document in documents:
        for key in ("service", "ledger"):
            if getattr(document.tables, key) is None:
                continue
            if key in found:
                where = Place(found[key].name).at(key)
                faults.add(
                    Place(document.name).at(key),
                    f"expected this table in one file only, {where} has it too",
                    "put both together",
                )
            else:
                found[key] = document
    of_service, of_ledger = found.get("service"), found.get("ledger", next(iter(documents), None))
    service = of_service.tables.service if of_service else None
    ledger = of_ledger.tables.ledger if of_ledger else None
    service, ledger = service or model.Service(), ledger or model.Ledger()
    if not _is_loopback(service.host):
        notices.append(f"service.host: {service.host} can be reached from other computers")
        if service.tls_certificate_path is None:
            notices.append("service: without TLS tokens can be read on the way")
    if of_service and (service.tls_certificate_path is None) != (service.tls_key_path is None):
        faults.add(
            Place(of_service.name).at("service"),
            "expected tls_certificate_path and tls_key_path, got one of the two",
            "name both, or none for no TLS",
        )
    folder = of_service.folder if of_service else Path()
    tokens, certificate, tls_key = (
        None if path is None else folder / path
        for path in (service.tokens_path, service.tls_certificate_path, service.tls_key_path)
    )
    return Service(
        host=service.host,
        port=service.port,
        queue_capacity=service.queue_capacity,
        ledger_path=(of_ledger.folder if of_ledger else Path()) / ledger.path,
        commit_interval_s=ledger.commit_interval_s,
        retention_days=ledger.retention_days,
        retention_mb=ledger.retention_mb,
        tokens_path=tokens,
        open_reading=service.open_reading,
        tls_certificate_path=certificate,
        tls_key_path=tls_key,
    )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
