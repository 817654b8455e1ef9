"""Every exception that crosses a room border.

WatchedpotError                 where, problem, effect, hint; retryable
├── ConfigError                 cannot be used; raised before anything starts; all faults in one
├── DataError (also ValueError) arguments no physical series could have: a bug of the caller
├── SourceError                 retryable
│   ├── SourceUnreachable       no connection, or it broke
│   ├── SourceTimeout           connected, no answer within the bound
│   └── SourceRefused           an answer that says no, or one of the wrong shape
│       ├── SourceNotTrusted    the device does not prove to be the one that is meant
│       └── SourceSlotTaken     it serves no more connections or sessions than it has
└── LedgerError                 could not be written or read back

A bad value is not an error: it is a reading with its quality. Exceptions are for what stops
a read, a start or a write.
"""

from __future__ import annotations

from collections.abc import Sequence


class WatchedpotError(Exception):
    """Base of all errors; its text is ``where: problem; effect; hint``.

    Parameters
    ----------
    where
        The thing concerned, as the configuration names it.
    problem
        What was expected and what came, with units.
    effect
        What the program does now. Empty: left out.
    hint
        What a person can do. Empty: left out.
    """

    retryable = False

    def __init__(self, where: str, problem: str, *, effect: str = "", hint: str = "") -> None:
        super().__init__(where, problem)
        self.where = where
        self.problem = problem
        self.effect = effect
        self.hint = hint

    def __str__(self) -> str:
        parts = (f"{self.where}: {self.problem}", self.effect, self.hint)
        return "; ".join(part for part in parts if part)


class ConfigError(WatchedpotError):
    """A configuration that cannot be used; one line for each of its faults.

    Parameters
    ----------
    where
        The configuration file.
    faults
        The text of each fault, none empty.
    """

    def __init__(self, where: str, faults: Sequence[str]) -> None:
        super().__init__(
            where,
            f"{len(faults)} fault{'s' if len(faults) != 1 else ''}",
            effect="nothing was started",
        )
        self.faults = tuple(faults)

    def __str__(self) -> str:
        return "\n".join((super().__str__(), *self.faults))


class DataError(WatchedpotError, ValueError):
    """Arguments that no physical series could have: a bug of the caller."""


class SourceError(WatchedpotError):
    """A device could not be read; trying again can help."""

    retryable = True


class SourceUnreachable(SourceError):  # noqa: N818 - the family name is in the base
    """No connection, or it broke."""


class SourceTimeout(SourceError):  # noqa: N818
    """Connected, but no answer within the bound."""


class SourceRefused(SourceError):  # noqa: N818
    """An answer that says no, or one of the wrong shape."""


class SourceNotTrusted(SourceRefused):
    """The device does not prove to be the one that is meant, or does not trust us."""


class SourceSlotTaken(SourceRefused):
    """The device has no connection or session left for us."""


class LedgerError(WatchedpotError):
    """The ledger could not be written or read back."""
