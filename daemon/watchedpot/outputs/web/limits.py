"""How often something may happen: so many at once, then so many a second."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

MOST_KEYS = 1000
"""Addresses or names remembered; the one not heard of for longest is forgotten. [1]"""


@dataclass(slots=True)
class _Bucket:
    """What is left, and when that was so. [1, s]."""

    left: float
    at_s: float


class Limit:
    """A bucket for each key, filled at a steady rate, from which each time takes one.

    Parameters
    ----------
    burst
        What a full bucket holds. [1]
    per_s
        How fast it fills. [1/s]
    now_s
        A real time that never steps. [s]
    """

    def __init__(self, *, burst: float, per_s: float, now_s: Callable[[], float]) -> None:
        self._burst = burst
        self._per_s = per_s
        self._now_s = now_s
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def take(self, key: str) -> float:
        """Take one; 0 if there was one, else after how long there will be. [s]."""
        now_s = self._now_s()
        bucket = self._buckets.setdefault(key, _Bucket(self._burst, now_s))
        self._buckets.move_to_end(key)
        if len(self._buckets) > MOST_KEYS:
            self._buckets.popitem(last=False)
        filled = bucket.left + self._per_s * (now_s - bucket.at_s)
        bucket.left, bucket.at_s = min(self._burst, filled), now_s
        if bucket.left < 1.0:
            return (1.0 - bucket.left) / self._per_s
        bucket.left -= 1.0
        return 0.0
