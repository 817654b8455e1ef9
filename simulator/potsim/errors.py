"""What stops the simulator from starting, told in one sentence."""

from __future__ import annotations


class PotsimError(Exception):
    """Something the person who started the simulator can put right."""


class ScenarioError(PotsimError):
    """A scenario cannot be played; every fault of the file is in the one message.

    Parameters
    ----------
    where : str
        The scenario as the user named it.
    problems : tuple of str
        One line per fault: key path, what was expected, what came.
    """

    def __init__(self, where: str, problems: tuple[str, ...]) -> None:
        super().__init__(where, problems)
        self.where = where
        self.problems = problems

    def __str__(self) -> str:
        return f"scenario {self.where}: " + "; ".join(self.problems) + "; nothing was started"


class ServeError(PotsimError):
    """A server could not listen on its address."""
