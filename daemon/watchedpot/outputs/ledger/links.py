"""Following a chain: what a row must be if nothing was changed, and what to say if it is not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from watchedpot.outputs.ledger.chain import Field, row_hash


@dataclass(frozen=True, slots=True)
class Fault:
    """The first row of a table that is not as it must be.

    Attributes
    ----------
    row
        Sequence number or key of the row; empty where the whole table or file is concerned.
    """

    table: str
    row: str
    expected: str
    found: str

    def __str__(self) -> str:
        where = f"{self.table} row {self.row}" if self.row else self.table
        return f"{where}: expected {self.expected}, got {self.found}"


@dataclass(slots=True)
class Chain:
    """Follows the links of one table."""

    table: str
    seq: int
    link: bytes

    def follow(
        self,
        seq: int,
        fields: Sequence[Field],
        links: tuple[bytes, bytes],
    ) -> Iterator[Fault]:
        """Faults of the next row, whose number must be the next one."""
        if seq != self.seq + 1:
            yield Fault(self.table, str(self.seq + 1), "the next row", f"row {seq}")
        yield from self.link_to(seq, fields, links)
        self.seq = seq

    def link_to(
        self,
        seq: int,
        fields: Sequence[Field],
        links: tuple[bytes, bytes],
    ) -> Iterator[Fault]:
        """Faults of the next row, whatever its number."""
        previous, link = links
        if previous != self.link:
            yield Fault(self.table, str(seq), f"previous hash {shown(self.link)}", shown(previous))
        content = row_hash(self.link, fields)
        if link != content:
            yield Fault(self.table, str(seq), f"hash {shown(content)} by its content", shown(link))
        self.link = content

    def end(self, seq: int, link: bytes) -> Iterator[Fault]:
        """Faults of the end of the chain, as ``meta`` has it."""
        if self.seq != seq:
            yield Fault(self.table, str(self.seq + 1), f"{seq} to be the newest row", "no row")
        if self.link != link:
            yield Fault("meta", f"{self.table}_hash", shown(self.link), shown(link))


def shown(content: object) -> str:
    """A hash as people compare it."""
    return content.hex() if isinstance(content, bytes) else repr(content)
