"""Who may act: named tokens, kept as hashes in a file.

A line of the file is ``NAME SHA256HEX``; empty lines and lines that begin with ``#`` say nothing.
A token is 256 random bits. Such a secret cannot be guessed from its hash, however fast the hash,
so SHA-256 is enough; a slow one would protect passwords, which people choose.

The file is read again as soon as it has changed: a line that was taken out lets nobody in any
more. While it cannot be read, nobody may act.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from watchedpot.errors import ConfigError

LARGEST_BYTES = 1_000_000
"""A file that is larger is no file of tokens. [B]"""

LONGEST = 200
"""A text that is longer is no token. [1]"""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@-]{0,63}")
_LINE = re.compile(rf"(?P<name>{_NAME.pattern})\s+(?P<digest>[0-9a-f]{{64}})")

_Stamp: TypeAlias = tuple[int, int, int, int]


def is_name(text: str) -> bool:
    """Whether a text can name the holder of a token: letters, digits and ``_.@-``."""
    return _NAME.fullmatch(text) is not None


def new_token() -> str:
    """A token that nobody has."""
    return secrets.token_urlsafe(32)


def digest_of(token: str) -> str:
    """What the file holds of a token."""
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


def line_of(name: str, token: str) -> str:
    """The line of the file that lets a token in."""
    return f"{name} {digest_of(token)}"


@dataclass(frozen=True, slots=True)
class Holder:
    """Who has a token, and the hash that says so."""

    name: str
    digest: str


class Tokens:
    """The tokens of a file, as it is now.

    Parameters
    ----------
    path
        The file.
    report
        Told once of each new problem with the file, and with an empty text when it is over.
    """

    def __init__(self, path: Path, report: Callable[[str], None] = lambda _: None) -> None:
        self._path = path
        self._report = report
        self._stamp: _Stamp | None = None
        self._holders: tuple[Holder, ...] = ()
        self._problem = ""

    def check(self) -> bool:
        """Read the file as a start does, every line of it; whether anybody has a token.

        Raises
        ------
        ConfigError
            It cannot be read, or a line is none.
        """
        where = f"tokens file {self._path}"
        try:
            text = self._text()
        except (OSError, ValueError) as exc:
            problem = exc.strerror if isinstance(exc, OSError) else exc
            raise ConfigError(where, [f"{where}: it cannot be read ({problem})"]) from exc
        holders, faults = _parsed(text)
        if faults:
            raise ConfigError(where, [f"{where}: {fault}" for fault in faults])
        return bool(holders)

    def holder(self, token: str) -> Holder | None:
        """Who has a token; None if nobody has it.

        Every line is compared, each in a time that does not depend on what it holds.
        """
        self._refresh()
        digest = digest_of(token)
        found = None
        for one in self._holders:
            if hmac.compare_digest(one.digest, digest):
                found = one
        return found if len(token) <= LONGEST else None

    def is_valid(self, holder: Holder) -> bool:
        """Whether a token that was good before still is."""
        self._refresh()
        return holder in self._holders

    def _refresh(self) -> None:
        """Read the file if it is another than before; without one nobody has a token."""
        problem = ""
        try:
            stamp = self._stamped()
            if stamp == self._stamp:
                return
            # Stamped before it is read: what is written meanwhile is read the next time.
            self._holders, faults = _parsed(self._text())
            self._stamp = stamp
            problem = "; ".join(faults)
        except (OSError, ValueError) as exc:
            self._holders, self._stamp = (), None
            problem = str((exc.strerror if isinstance(exc, OSError) else exc) or exc)
        if problem != self._problem:
            self._report(problem)
        self._problem = problem

    def _stamped(self) -> _Stamp:
        found = self._path.stat()
        return found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_ino

    def _text(self) -> str:
        with self._path.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
        if len(content) > LARGEST_BYTES:
            raise ValueError(f"it is larger than {LARGEST_BYTES} bytes")
        return content.decode()


def _parsed(text: str) -> tuple[tuple[Holder, ...], list[str]]:
    """The tokens of a file, and what is wrong with its other lines."""
    holders, faults = list[Holder](), list[str]()
    for number, line in enumerate(text.splitlines(), start=1):
        told = line.strip()
        if not told or told.startswith("#"):
            continue
        found = _LINE.fullmatch(told)
        if found is None:
            faults.append(f"line {number}: expected a name and 64 lower-case hex digits")
        else:
            holders.append(Holder(found["name"], found["digest"]))
    return tuple(holders), faults
