"""Cell time: real time from a start instant on, run faster by a whole or broken factor.

    cell now = start + (real now - start) * speed

A daemon that is given the same start and speed reads the same cell time, without talking to
the simulator.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

NS_PER_S = 1_000_000_000
MIN_SPEED = 1.0
MAX_SPEED = 600.0


def steady() -> Callable[[], int]:
    """Real time since 1970 UTC that is not slewed or stepped while the simulator runs. [ns]."""
    offset_ns = time.time_ns() - time.monotonic_ns()
    return lambda: time.monotonic_ns() + offset_ns


@dataclass(frozen=True, slots=True)
class CellClock:
    """Reads cell time.

    Parameters
    ----------
    start_ns : int
        The real instant at which the scenario's t = 0 lies, since 1970 UTC. [ns]
    speed : float
        Cell seconds per real second. [1]
    real_ns : callable
        Reads real time; another one in tests. [ns]
    """

    start_ns: int
    speed: float = 1.0
    real_ns: Callable[[], int] = field(default_factory=steady)

    def now_ns(self) -> int:
        """Cell time now, since 1970 UTC; before the start it runs at the same speed. [ns]."""
        return self.start_ns + round((self.real_ns() - self.start_ns) * self.speed)

    def real_s_until(self, cell_ns: int) -> float:
        """Real seconds until a cell time, 0 when it has passed. [s].

        Parameters
        ----------
        cell_ns : int
            A cell time. [ns]
        """
        return max(0.0, (cell_ns - self.now_ns()) / self.speed / NS_PER_S)


def parse_start(text: str) -> int:
    """Start instant from an ISO 8601 text with its offset.

    Parameters
    ----------
    text : str
        For example ``2026-01-05T06:00:00Z``.

    Returns
    -------
    int
        Since 1970 UTC. [ns]

    Raises
    ------
    ValueError
        Not a time, or without an offset.

    Examples
    --------
    >>> parse_start("1970-01-01T00:00:01.5Z")
    1500000000
    """
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        message = f"expected a time with an offset such as Z, got {text!r}"
        raise ValueError(message)
    since = instant - datetime(1970, 1, 1, tzinfo=UTC)
    # whole microseconds: a float of seconds would lose the last digits of today's date
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000


def as_datetime(ns: int) -> datetime:
    """UTC time with the microsecond below.

    Parameters
    ----------
    ns : int
        Since 1970 UTC. [ns]

    Returns
    -------
    datetime
        Aware, UTC.

    Examples
    --------
    >>> as_datetime(1_500_000_000).isoformat()
    '1970-01-01T00:00:01.500000+00:00'
    """
    seconds, rest_ns = divmod(ns, NS_PER_S)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=rest_ns // 1000)
