"""Whether what was last found still says anything about now.

Metrics and page ask the same question at the moment they are asked, so they give one answer.
"""

from __future__ import annotations

from watchedpot.core.model import Instant
from watchedpot.core.snapshot import CellSnapshot

SNAPSHOT_LIMIT_S = 10.0
"""Age up to which a cell is shown as it was last found, or longer where readings may be. [s]"""

STALE_AGES = 3.0
"""The same in ages at which a reading of its slowest zone is stale. [1]"""


def is_recent(at: Instant | None, now: Instant, *, within_s: float) -> bool:
    """Whether a moment is at most so long ago; one of another run of the clock is not."""
    return at is not None and 0 <= now.mono_ns - at.mono_ns <= within_s * 1e9


def is_outdated(cell: CellSnapshot, now: Instant) -> bool:
    """Whether nothing new has come of a cell for so long that its advice is one of the past.

    A device that does not answer still gives rows that say so: this is a daemon that no longer
    judges, or a cell that nothing reads.
    """
    slowest_s = max((zone.stale_after_s for zone in cell.zones), default=0.0)
    limit_s = max(SNAPSHOT_LIMIT_S, STALE_AGES * slowest_s)
    return not is_recent(cell.at, now, within_s=limit_s)
