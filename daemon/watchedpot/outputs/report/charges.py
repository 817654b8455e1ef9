"""The charges of a span: when each was loaded, what was said of it, how old it became."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np

from watchedpot.core.model import Detail, Event, EventKind
from watchedpot.core.snapshot import ChargeState
from watchedpot.outputs.report.verdicts import Made, Numbers

SAME = "kept"
"""How a charge is told of that is still the one before."""


@dataclass(frozen=True, slots=True)
class Charge:
    """One charge, or one refill of a tank.

    Attributes
    ----------
    loaded_ns, ended_ns
        When it was known to be there, and when the next one was; None while it is in use. [ns]
    how
        How it became known, as its event says.
    said
        What a person said of it when loading; empty where nobody did.
    begin_age_s, end_age_s
        At loading, and at its last part in the span; None where not known. [s]
    life_used
        Share of the pot life at its last part; None where not known. [1]
    end_state
        How it stood when it ended, or stands; empty where nothing was told of that.
    parts, numbers
        Parts made of it in the span, and the lowest and highest of their numbers.
    """

    id: str
    loaded_ns: int
    ended_ns: int | None
    how: str
    who: str
    lot: str
    expires_ns: int | None
    unfit: str
    said: dict[str, Detail]
    begin_age_s: float | None
    end_age_s: float | None
    life_used: float | None
    end_state: str
    is_overheated: bool
    parts: int
    numbers: Numbers | None


def charges(
    told: Sequence[Event], entered: Sequence[Event], made: Made, *, from_ns: int, to_ns: int
) -> tuple[Charge, ...]:
    """Charges of which any time lies in the span, from all that was ever told of charges."""
    changes = [
        event
        for event in told
        if event.kind is EventKind.CHARGE_CHANGED and event.detail("how") != SAME
    ]
    ends: list[int | None] = [event.at.utc_ns for event in changes[1:]]
    return tuple(
        _charge(change, end_ns, told, entered, made, to_ns=to_ns)
        for change, end_ns in zip_longest(changes, ends)
        if change.at.utc_ns < to_ns and (end_ns is None or end_ns > from_ns)
    )


def _charge(
    change: Event,
    ended_ns: int | None,
    told: Sequence[Event],
    entered: Sequence[Event],
    made: Made,
    *,
    to_ns: int,
) -> Charge:
    since_ns, name = change.at.utc_ns, change.detail("charge_id")
    until_ns = to_ns if ended_ns is None else min(ended_ns, to_ns)
    during = [event for event in told if since_ns <= event.at.utc_ns < until_ns]
    states = [
        str(event.detail("to"))
        for event in during
        if event.kind is EventKind.CHARGE_STATE_CHANGED and event.detail("charge_id") == name
    ]
    is_overheated = ChargeState.OVERHEATED.value in states or any(
        event.kind is EventKind.CHARGE_OVERHEATED for event in during
    )
    said = next(
        (
            dict(event.details)
            for event in reversed(entered)
            if event.detail("entry") == "charge_loaded"
            and event.at.utc_ns <= since_ns
            and event.detail("subject") == name
        ),
        {},
    )
    is_its = (made.part_at_ns >= since_ns) & (made.part_at_ns < until_ns)
    count, numbers = made.charges.get(str(name), (0, None))
    return Charge(
        id="" if name is None else str(name),
        loaded_ns=since_ns,
        ended_ns=ended_ns if ended_ns is not None and ended_ns <= to_ns else None,
        how=str(change.detail("how") or ""),
        who=str(change.detail("who") or said.get("who") or ""),
        lot=str(change.detail("lot") or said.get("lot") or ""),
        expires_ns=_whole(change.detail("expires_utc_ns") or said.get("expires_utc_ns")),
        unfit=str(change.detail("unfit") or ""),
        said=said,
        begin_age_s=_real(change.detail("age_s")),
        end_age_s=_last(made.age_s[is_its]),
        life_used=_last(made.life_used[is_its]),
        end_state=states[-1] if states else "",
        is_overheated=is_overheated,
        parts=count,
        numbers=numbers,
    )


def _last(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float | None:
    """The last value that is known."""
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else None


def _real(value: Detail) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _whole(value: Detail) -> int | None:
    return value if isinstance(value, int) else None
