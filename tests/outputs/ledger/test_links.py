"""Following a chain."""

from __future__ import annotations

from watchedpot.outputs.ledger.chain import GENESIS, row_hash
from watchedpot.outputs.ledger.links import Chain, Fault, shown

FIRST = row_hash(GENESIS, (1, "a"))
SECOND = row_hash(FIRST, (2, "b"))


def test_a_whole_chain_has_no_fault() -> None:
    """Two rows, and the end that meta has."""
    chain = Chain("events", 0, GENESIS)
    assert list(chain.follow(1, (1, "a"), (GENESIS, FIRST))) == []
    assert list(chain.follow(2, (2, "b"), (FIRST, SECOND))) == []
    assert list(chain.end(2, SECOND)) == []


def test_a_row_left_out_is_named_by_its_number() -> None:
    """Before its links are judged, which break with it."""
    chain = Chain("events", 0, GENESIS)
    faults = list(chain.follow(2, (2, "b"), (FIRST, SECOND)))
    assert faults[0] == Fault("events", "1", "the next row", "row 2")
    assert [fault.row for fault in faults[1:]] == ["2", "2"]


def test_another_content_is_told_from_another_predecessor() -> None:
    """Each has a sentence of its own."""
    chain = Chain("events", 0, GENESIS)
    (changed,) = chain.follow(1, (1, "x"), (GENESIS, FIRST))
    content = row_hash(GENESIS, (1, "x")).hex()
    assert (
        str(changed) == f"events row 1: expected hash {content} by its content, got {FIRST.hex()}"
    )
    chain = Chain("events", 0, GENESIS)
    (moved,) = chain.follow(1, (1, "a"), (SECOND, FIRST))
    assert moved.expected == f"previous hash {GENESIS.hex()}"
    assert moved.found == SECOND.hex()


def test_an_end_cut_off_is_named() -> None:
    """By the number of the row that is not there, or by the hash in meta."""
    chain = Chain("parts", 1, FIRST)
    short, other = chain.end(2, SECOND)
    assert str(short) == "parts row 2: expected 2 to be the newest row, got no row"
    assert (other.table, other.row, other.found) == ("meta", "parts_hash", SECOND.hex())


def test_a_hash_that_is_none_is_shown_as_it_is() -> None:
    """People see what stands there."""
    assert shown(b"\x0f") == "0f"
    assert shown("none") == "'none'"
