"""Whether the daemon itself is well."""

from __future__ import annotations

from watchedpot.core.model import Instant
from watchedpot.core.snapshot import Snapshot
from watchedpot.core.units import seconds
from watchedpot.outputs.web.model import Health, StandStill


def health(snapshot: Snapshot, now: Instant, *, limit_s: float) -> Health:
    """Whether polls, evaluation and commits have advanced lately.

    A device that does not answer still gives rows that say so, and these are evaluated and
    committed: a silent device is not an unhealthy daemon.

    Parameters
    ----------
    snapshot
        The newest one.
    now
        The present moment.
    limit_s
        How long each may stand still. [s]
    """
    committed = snapshot.ledger.last_commit or snapshot.started
    progress = {f"polls of {cell.id}": cell.at.mono_ns for cell in snapshot.cells}
    progress |= {"evaluation": snapshot.at.mono_ns, "commit": committed.mono_ns}
    started_ns = snapshot.started.mono_ns
    stands_still = []
    for what, at_ns in progress.items():
        # A row restored from an earlier run carries a time of that run's clock.
        since_ns = at_ns if started_ns <= at_ns <= now.mono_ns else started_ns
        age_s = seconds(now.mono_ns - since_ns)
        if age_s > limit_s:
            stands_still.append(StandStill(what=what, for_s=age_s))
    return Health(is_healthy=not stands_still, stands_still=tuple(stands_still))
