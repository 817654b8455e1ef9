"""Proof of the readings: blocks, what is left of trimmed ones, and the tail."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec
from watchedpot.outputs.ledger.chain import GENESIS
from watchedpot.outputs.ledger.links import Chain, Fault, shown
from watchedpot.outputs.ledger.store import Heads, has_parts

_READINGS = (
    "SELECT seq, run, layouts.source, channels, rows, first_mono_ns, last_mono_ns, first_seen_ns,"
    " last_seen_ns, payload, prev_hash, {} FROM {} JOIN layouts ON layouts.id = layout"
)


def blocks(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    """Faults of the chain of blocks and of what they hold; of a trimmed one the digest stands."""
    chain = Chain("blocks", heads.anchor, heads.anchor_hash)
    digests = trimmed_digests(connection)
    for *fields, previous, link in connection.execute(
        _READINGS.format("hash", "blocks") + " ORDER BY seq"
    ):
        digest = digests.get(fields[0])
        if digest is None:
            yield from chain.follow(fields[0], fields, (previous, link))
            yield from _content("blocks", fields)
            continue
        if fields[-1]:
            yield Fault("blocks", str(fields[0]), "no readings, since it was trimmed", "some")
        yield from chain.follow(fields[0], [*fields[:-1], digest.hex()], (previous, link))
    yield from chain.end(heads.blocks, heads.blocks_hash)


def trimmed_digests(connection: sqlite3.Connection) -> dict[int, bytes]:
    """What stands for the readings of blocks that were trimmed between others."""
    if not has_parts(connection):
        return {}
    return dict(connection.execute("SELECT seq, digest FROM trimmed"))


def tails(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    """Faults of the chain of each tail, and of its end as ``layouts`` has it."""
    layouts = connection.execute("SELECT id, tail_rows, tail_hash FROM layouts ORDER BY id")
    due = {layout: (rows, link) for layout, rows, link in layouts}
    chains = {layout: Chain("tail", 0, GENESIS) for layout in due}
    rows = dict.fromkeys(due, 0)
    for *fields, previous, link, layout in connection.execute(
        _READINGS.format("hash, layout", "tail") + " ORDER BY seq"
    ):
        yield from chains[layout].link_to(fields[0], fields, (previous, link))
        yield from _content("tail", fields)
        rows[layout] += fields[4]
    for layout, (due_rows, due_link) in due.items():
        if rows[layout] != due_rows:
            yield Fault(
                "layouts", str(layout), f"tail_rows {rows[layout]} as in tail", str(due_rows)
            )
        if chains[layout].link != due_link:
            yield Fault(
                "layouts",
                str(layout),
                f"tail_hash {shown(chains[layout].link)} as in tail",
                shown(due_link),
            )


def _content(table: str, row: Sequence[Any]) -> Iterator[Fault]:
    """Faults of what a block holds against what its row says of it."""
    seq, _, source, channels, rows, *spans, payload = row
    try:
        names = tuple(json.loads(channels))
        if table == "tail":
            block = codec.unpack([(rows, payload)], source=source, channels=names)
        else:
            block = codec.decode(payload, source=source, channels=names)
    except (LedgerError, ValueError, TypeError) as exc:
        yield Fault(table, str(seq), "readings", str(exc))
        return
    if len(block) != rows or not rows:
        yield Fault(table, str(seq), f"{rows} rows, at least one", str(len(block)))
        return
    held = [int(part) for time in (block.mono_ns, block.seen_ns) for part in time[[0, -1]]]
    if held != spans:
        yield Fault(table, str(seq), f"times {held} as in its readings", str(spans))
    if (np.diff(block.mono_ns) <= 0).any():
        at = int(np.argmax(np.diff(block.mono_ns) <= 0)) + 1
        yield Fault(
            table,
            str(seq),
            f"monotonic times that increase, after {block.mono_ns[at - 1]} ns",
            f"{block.mono_ns[at]} ns at {at}",
        )


def order(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    """Blocks of a source that begin before the one before has ended."""
    newest: dict[tuple[int, str], int] = {}
    for table in ("blocks", "tail"):
        for seq, run, source, first_ns, last_ns in connection.execute(
            f"SELECT seq, run, layouts.source, first_mono_ns, last_mono_ns FROM {table}"  # noqa: S608
            " JOIN layouts ON layouts.id = layout ORDER BY seq"
        ):
            before_ns = newest.get((run, source))
            if before_ns is not None and first_ns <= before_ns:
                yield Fault(
                    table,
                    str(seq),
                    f"rows of source {source} after {before_ns} ns monotonic",
                    f"{first_ns} ns",
                )
            newest[run, source] = last_ns
