"""What is read together of an OPC UA server, learned from how it answers.

Pure. Two things can spoil a whole read although nearly all of it is fine: too many nodes for
the server, and one node behind a dead device for which the server waits. The first is halved
until it fits. The second is found by halving as well, and then asked on its own and seldom,
so that the others stay fresh.

A group is asked for in one or more requests and answers as a whole or not at all. A group that
kept a read waiting goes to the end; a single node is only called slow where another group has
answered in the same poll, since otherwise the server as a whole may be silent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

CALM_POLLS = 10
"""Polls in which all groups answered before they are read together again [1]."""

FIRST_PAUSE_S = 30.0
"""How long a node that kept others waiting is left alone at first [s]; it doubles each time."""

LONGEST_PAUSE_S = 480.0
"""Longest such pause [s]: back within minutes of a repair, and hardly a load before."""

Group = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Slow:
    """A node that kept the others waiting.

    Attributes
    ----------
    strikes
        How often it did. [1]
    due_s
        When it is asked again, on the clock of the caller. [s]
    """

    strikes: int
    due_s: float


@dataclass(frozen=True, slots=True)
class Patience:
    """What has been learned of a server; kept over connections.

    Attributes
    ----------
    groups
        What is read together, in the order in which it is asked for.
    most
        Nodes that one request may hold, where the server refused more. [1]
    slow
        The nodes that are asked on their own.
    """

    groups: tuple[Group, ...]
    most: int | None = None
    slow: Mapping[str, Slow] = field(default_factory=dict)
    strikes: Mapping[str, int] = field(default_factory=dict)
    calm: int = 0

    def fitting(self, limit: int) -> int:
        """Number of nodes that one request may hold, by what the server says and what it took."""
        return max(1, limit if self.most is None else min(limit, self.most))

    def too_many(self, nodes: int) -> Patience:
        """Learn that a request of so many nodes was too large."""
        return replace(self, most=max(1, nodes // 2))

    def timed_out(self, group: Group, *, has_answered: bool, now_s: float) -> Patience:
        """Learn that a group was not answered in time.

        Parameters
        ----------
        group
            One of the groups.
        has_answered
            Whether another group was answered in the same poll.
        now_s : float
            The caller's clock. [s]
        """
        others = tuple(other for other in self.groups if other != group)
        if len(group) > 1:
            half = len(group) // 2
            return replace(self, groups=(*others, group[:half], group[half:]), calm=0)
        if not has_answered:
            return replace(self, groups=(*others, group), calm=0)
        (name,) = group
        strikes = self.strikes.get(name, 0) + 1
        return replace(
            self,
            groups=others,
            slow={**self.slow, name: _struck(strikes, now_s)},
            strikes={**self.strikes, name: strikes},
            calm=0,
        )

    def still_slow(self, name: str, *, now_s: float) -> Patience:
        """Learn that a slow node, asked again, was not answered in time."""
        strikes = self.strikes.get(name, 0) + 1
        return replace(
            self,
            slow={**self.slow, name: _struck(strikes, now_s)},
            strikes={**self.strikes, name: strikes},
        )

    def recovered(self, name: str) -> Patience:
        """Take a slow node back that was answered in time: first as a group of its own."""
        slow = {other: state for other, state in self.slow.items() if other != name}
        return replace(self, groups=(*self.groups, (name,)), slow=slow, calm=0)

    def all_answered(self) -> Patience:
        """Learn that all groups of a poll were answered; after some such polls they are one."""
        if len(self.groups) == 1:
            return self
        if self.calm + 1 < CALM_POLLS:
            return replace(self, calm=self.calm + 1)
        together = tuple(node for group in self.groups for node in group)
        return replace(self, groups=(together,), calm=0, strikes={})

    def due(self, now_s: float) -> str | None:
        """The slow node to ask now, the longest waiting first; one in a poll at most."""
        waiting = [(state.due_s, name) for name, state in self.slow.items()]
        due_s, name = min(waiting, default=(now_s, None))
        return name if due_s <= now_s else None


def _struck(strikes: int, now_s: float) -> Slow:
    pause_s = min(FIRST_PAUSE_S * 2.0 ** min(strikes - 1, 16), LONGEST_PAUSE_S)
    return Slow(strikes, now_s + pause_s)


def patience_for(names: Sequence[str]) -> Patience:
    """All nodes together, nothing learned yet."""
    return Patience(groups=(tuple(names),))
