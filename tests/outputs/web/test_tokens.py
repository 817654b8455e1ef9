"""Named tokens in a file of hashes: who is let in, and when no longer."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from watchedpot.errors import ConfigError
from watchedpot.outputs.web import tokens
from watchedpot.outputs.web.tokens import Holder, Tokens, digest_of, is_name, line_of, new_token

ANNA, BEN = "anna-has-this-one", "ben-has-this-one"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A file with two holders, a comment and an empty line."""
    file = tmp_path / "tokens"
    file.write_text(f"# shift A\n{line_of('anna', ANNA)}\n\n  {line_of('ben.k', BEN)}  \n")
    return file


def name_of(found: Holder | None) -> str | None:
    """Whose token it is."""
    return None if found is None else found.name


def test_a_token_is_256_bits_and_no_two_are_alike() -> None:
    """43 letters of 6 bits, from the operating system's randomness."""
    assert len({new_token() for _ in range(100)}) == 100
    assert {len(new_token()) for _ in range(100)} == {43}


def test_the_file_holds_the_published_hash_of_a_token() -> None:
    """SHA-256 of "abc" is the example of FIPS 180-4, as NIST publishes it."""
    assert digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert line_of("anna", "abc") == f"anna {digest_of('abc')}"


def test_a_token_names_its_holder(path: Path) -> None:
    """Each by its own, nobody by any other text, nor by the hash itself."""
    known = Tokens(path)
    assert name_of(known.holder(ANNA)) == "anna"
    assert name_of(known.holder(BEN)) == "ben.k"
    for other in ("", ANNA.upper(), f"{ANNA} ", digest_of(ANNA), "\udc80", "x" * 10**6):
        assert known.holder(other) is None


def test_a_token_that_is_longer_than_any_is_none(tmp_path: Path) -> None:
    """Even if the file has its hash."""
    path = tmp_path / "tokens"
    path.write_text(line_of("anna", "x" * (tokens.LONGEST + 1)))
    assert Tokens(path).holder("x" * (tokens.LONGEST + 1)) is None


def test_a_line_that_is_taken_out_lets_nobody_in_any_more(path: Path) -> None:
    """At the next question, and who was let in before no longer is."""
    known = Tokens(path)
    anna = known.holder(ANNA)
    assert anna is not None
    assert known.is_valid(anna)
    path.write_text(line_of("ben.k", BEN))
    assert not known.is_valid(anna)
    assert known.holder(ANNA) is None
    assert name_of(known.holder(BEN)) == "ben.k"


def test_a_file_that_is_replaced_within_one_tick_is_read_again(path: Path, tmp_path: Path) -> None:
    """Same size, same time of change: another file all the same."""
    known = Tokens(path)
    assert known.holder(ANNA) is not None
    other = tmp_path / "other"
    other.write_text(path.read_text().replace(digest_of(ANNA), digest_of("another")))
    found = path.stat()
    os.utime(other, ns=(found.st_atime_ns, found.st_mtime_ns))
    other.replace(path)
    assert path.stat().st_mtime_ns == found.st_mtime_ns
    assert known.holder(ANNA) is None
    assert name_of(known.holder("another")) == "anna"


def test_a_file_that_does_not_change_is_read_once(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asking a hundred times costs a look at its time only."""
    known = Tokens(path)
    reads: list[str] = []
    read = Tokens._text

    def read_and_note(known: Tokens) -> str:
        reads.append("read")
        return read(known)

    monkeypatch.setattr(Tokens, "_text", read_and_note)
    for _ in range(100):
        known.holder(ANNA)
    assert reads == ["read"]


@pytest.mark.parametrize("content", [None, b"\xff", b"x" * (tokens.LARGEST_BYTES + 1)])
def test_without_a_readable_file_nobody_has_a_token(path: Path, content: bytes | None) -> None:
    """What cannot be read lets nobody in, and is told once until it is over."""
    told: list[str] = []
    known = Tokens(path, told.append)
    before = path.read_bytes()
    if content is None:
        path.unlink()
    else:
        path.write_bytes(content)
    assert known.holder(ANNA) is None
    assert known.holder(BEN) is None
    assert len(told) == 1
    assert told[0]
    path.write_bytes(before)
    assert name_of(known.holder(ANNA)) == "anna"
    assert told[1:] == [""]


def test_a_line_that_is_none_lets_nobody_in_and_stops_no_other(path: Path) -> None:
    """A slip of the pen while the daemon runs shall not lock everybody out."""
    told: list[str] = []
    path.write_text(f"anna {digest_of(ANNA)[:-1]}\n{line_of('ben', BEN)}\n")
    known = Tokens(path, told.append)
    assert known.holder(ANNA) is None
    assert name_of(known.holder(BEN)) == "ben"
    assert told == ["line 1: expected a name and 64 lower-case hex digits"]


@pytest.mark.parametrize(
    "line",
    [
        "anna",
        f"anna {'0' * 63}",
        f"anna {'A' * 64}",
        f"anna {'0' * 64} more",
        f"an na {'0' * 64}",
        f"-anna {'0' * 64}",
        f"{'a' * 65} {'0' * 64}",
    ],
)
def test_a_start_names_each_line_that_is_none(path: Path, line: str) -> None:
    """Before anything is started, with the number of the line and not its content."""
    path.write_text(f"# comment\n{line}\n")
    with pytest.raises(ConfigError) as caught:
        Tokens(path).check()
    assert caught.value.faults == (
        f"tokens file {path}: line 2: expected a name and 64 lower-case hex digits",
    )


def test_a_start_needs_a_file_that_can_be_read(tmp_path: Path, path: Path) -> None:
    """A file that is not there is said; a good one says nothing."""
    assert Tokens(path).check()
    with pytest.raises(ConfigError, match="cannot be read"):
        Tokens(tmp_path / "nowhere").check()


def test_a_name_is_letters_digits_and_a_few_signs() -> None:
    """It stands in the record as who said it, so it is one plain word."""
    assert all(map(is_name, ("anna", "A", "shift_b", "ben.k@line-2", "7")))
    assert not any(map(is_name, ("", "an na", "_a", "ännchen", "a\n", "a" * 65)))
