"""How far the clock of a device is off, and which of its time stamps can therefore be believed.

Pure. Our account never runs on a device's clock; its stamps only say how old a value is. A stamp
from the future would make a dead value look fresh for ever, so it is taken away.
"""

from __future__ import annotations

from watchedpot.core.model import NO_TIME_NS, Instant, Reading
from watchedpot.core.units import NANO, seconds

FUTURE_S = 2.0
"""How far a source stamp may lie ahead of the device's own clock [s]; a slow clock tick and the
way of the answer fit in, an hour of summer time does not."""

HYSTERESIS = 0.8
"""Share of the limit below which a clock counts as right again, so that none flickers [1]."""


def skew_s(server_ns: int, at: Instant) -> float | None:
    """Seconds that a device's clock is ahead of ours; None where it does not tell."""
    return None if server_ns == NO_TIME_NS else seconds(server_ns - at.utc_ns)


def without_future(readings: dict[str, Reading], at: Instant, ahead_s: float) -> dict[str, Reading]:
    """The readings, without the source stamps that lie in the future.

    Parameters
    ----------
    readings
        By channel.
    at
        When they were taken, by our clocks.
    ahead_s : float
        How far the device's clock is ahead of ours. [s]
    """
    latest_ns = at.utc_ns + round((ahead_s + FUTURE_S) * NANO)
    return {
        name: reading._replace(source_ns=NO_TIME_NS) if reading.source_ns > latest_ns else reading
        for name, reading in readings.items()
    }


def is_off(ahead_s: float, limit_s: float, *, was_off: bool) -> bool:
    """Whether a clock is further off than the limit, either way."""
    return abs(ahead_s) > (limit_s * HYSTERESIS if was_off else limit_s)
