"""The cell's own signals over one block: what gates the zones, and what cuts the block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watchedpot.core import humidity
from watchedpot.core.cell import CellPlan, CellState, Gates
from watchedpot.core.model import Block, Instant, Quality, Reason
from watchedpot.core.series import Held, hold
from watchedpot.core.zone import NEVER_NS, Columns, ZonePlan, ZoneRows, newest_of

# Looked up once: these stand on the path of every row.
_GOOD = int(Quality.GOOD)
_WORST_QUALITY = int(max(Quality))
_LAST_REASON = max(Reason)
_WHOLE = slice(None)


@dataclass(frozen=True, slots=True)
class Named:
    """A charge that a row names and the rows before it did not.

    Attributes
    ----------
    since_ns
        The newest row before it that named a charge; None if none ever did. [ns]
    """

    charge_id: str
    since_ns: int | None


class CellColumns:
    """One block as its cell reads it; lives as long as the call."""

    def __init__(self, state: CellState, block: Block, plan: CellPlan) -> None:
        self.block = block
        self.plan = plan
        self.places = {name: n for n, name in enumerate(block.channels)}
        self.quality = np.minimum(block.quality, _WORST_QUALITY)
        self.reason = np.where(block.reason <= _LAST_REASON, block.reason, Reason.NOT_WATCHED)
        self.is_good = (block.quality == _GOOD) & np.isfinite(block.value)
        rules, gates = plan.rules, state.gates
        # Without the signal melt is never known to flow, nor is it ever in doubt.
        unknown = 0 if rules.dispensing is None else -1
        flows = self._held(rules.dispensing, gates.dispensing)
        self.dispensing = np.where(np.isnan(flows), unknown, flows > 0).astype(np.int8)
        self.parts = self._held(rules.parts, gates.parts)
        told_c = self._held(rules.ambient, gates.ambient, limit_ns=NEVER_NS)
        self.ambient_c = np.where(np.isnan(told_c), rules.ambient_c, told_c)
        self.wipes = self._wipe_rows(gates.wiped)
        self.charges = self._charge_rows(state)
        self.in_production = self._in_production(state.last_dispensing_ns)

    def columns(self, name: str | None, piece: slice = _WHOLE) -> Columns | None:
        """Value and goodness of one channel, None where the block has no such channel."""
        place = self.places.get(name or "")
        if place is None:
            return None
        return Columns(self.block.value[piece, place], self.is_good[piece, place])

    def zone_rows(self, piece: slice, plan: ZonePlan) -> ZoneRows | None:
        """What a piece says of one zone, None if nothing of its temperature."""
        place = self.places.get(plan.rules.temperature)
        if place is None:
            return None
        block = self.block
        return ZoneRows(
            mono_ns=block.mono_ns[piece],
            seen_ns=block.seen_ns[piece],
            temp_c=block.value[piece, place],
            quality=self.quality[piece, place],
            reason=self.reason[piece, place],
            status=block.status[piece, place],
            setpoint=self.columns(plan.rules.setpoint, piece),
            output=self.columns(plan.rules.output, piece),
            dispensing=self.dispensing[piece],
            is_in_production=self.in_production[piece],
            parts=self.parts[piece],
            ambient_c=self.ambient_c[piece],
        )

    def gates(self, before: Gates, piece: slice) -> Gates:
        """The cell's own signals as of the end of a piece."""
        mono_ns, rules = self.block.mono_ns[piece], self.plan.rules
        return Gates(
            newest_of(before.dispensing, mono_ns, self.columns(rules.dispensing, piece)),
            newest_of(before.parts, mono_ns, self.columns(rules.parts, piece)),
            newest_of(before.charge_id, mono_ns, self.columns(rules.charge_id, piece)),
            newest_of(before.wiped, mono_ns, self.columns(rules.wiped, piece)),
            newest_of(before.ambient, mono_ns, self.columns(rules.ambient, piece)),
        )

    def dew_point(self, piece: slice) -> Columns | None:
        """Pressure dew point of the dispensing air at the line; None if the block has nothing."""
        rules = self.plan.rules
        if rules.air is None:
            return None
        measured = self.columns(rules.dew_point, piece)
        if measured is None:
            air, moisture = (
                self.columns(name, piece) for name in (rules.air_temperature, rules.air_humidity)
            )
            if air is None or moisture is None:
                return None
            dew_c = humidity.dew_point_c(air.value, moisture.value)
            measured = Columns(dew_c, air.is_good & moisture.is_good)
        line_c = humidity.pressure_dew_point_c(
            measured.value, from_pa=rules.air.measured_pa, to_pa=rules.air.line_pa
        )
        return Columns(line_c, measured.is_good & np.isfinite(line_c))

    def cuts(self) -> list[int]:
        """Rows behind which something is reset, in order."""
        return sorted({*self.wipes, *self.charges})

    def instant(self, row: int) -> Instant:
        """The moment of a row."""
        return Instant(int(self.block.seen_ns[row]), int(self.block.mono_ns[row]))

    def newest_name(self, piece: slice) -> int | None:
        """When a charge was last named in a piece. [ns]."""
        rows, value = self._good_rows(self.plan.rules.charge_id)
        named = rows[(value >= 1) & (rows >= piece.start) & (rows < piece.stop)]
        return int(self.block.mono_ns[named[-1]]) if named.size else None

    def _held(
        self, name: str | None, before: Held | None, *, limit_ns: int | None = None
    ) -> NDArray[np.float64]:
        """Newest good value of a signal at each row, nan where none is known."""
        mono_ns = self.block.mono_ns
        columns = self.columns(name)
        if columns is None:
            nothing = np.zeros(mono_ns.size, dtype=np.bool_)
            columns = Columns(np.zeros(mono_ns.size), nothing)
        limit_ns = self.plan.gate_hold_ns if limit_ns is None else limit_ns
        return hold(before, mono_ns, columns.value, columns.is_good, limit_ns=limit_ns)

    def _in_production(self, before_ns: int | None) -> NDArray[np.bool_]:
        """Whether melt flowed no longer ago than the hold, at each row."""
        mono_ns = self.block.mono_ns
        if self.plan.rules.dispensing is None:
            return np.ones(mono_ns.size, dtype=np.bool_)
        long_ago = int(mono_ns[0]) - self.plan.production_hold_ns - 1
        flowed = np.where(self.dispensing > 0, mono_ns, long_ago)
        flowed[0] = max(int(flowed[0]), long_ago if before_ns is None else before_ns)
        return mono_ns - np.maximum.accumulate(flowed) <= self.plan.production_hold_ns

    def _good_rows(self, name: str | None) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Rows with a good value of a signal, and these values."""
        columns = self.columns(name)
        if columns is None:
            return np.empty(0, dtype=np.int64), np.empty(0)
        rows = np.flatnonzero(columns.is_good)
        return rows, columns.value[rows]

    def _wipe_rows(self, before: Held | None) -> frozenset[int]:
        """Rows where a wipe begins: seen not to be, then seen to be; a gap begins nothing."""
        rows, value = self._good_rows(self.plan.rules.wiped)
        if not (value > 0).any():
            return frozenset()
        is_wiped = np.concatenate(([before is None or before.value > 0], value > 0))
        return frozenset(rows[is_wiped[1:] & ~is_wiped[:-1]].tolist())

    def _charge_rows(self, state: CellState) -> dict[int, Named]:
        """Rows where another charge is named; 0 is no name (a controller that restarts)."""
        rows, value = self._good_rows(self.plan.rules.charge_id)
        rows, value = rows[value >= 1], np.floor(value[value >= 1])
        before = state.named_charge
        if not rows.size or (charge_name(value[0]) == before and (value == value[0]).all()):
            return {}
        changes = np.concatenate(([charge_name(value[0]) != before], value[1:] != value[:-1]))
        named = {}
        for place in np.flatnonzero(changes).tolist():
            since_ns = int(self.block.mono_ns[rows[place - 1]]) if place else state.named_ns
            named[int(rows[place])] = Named(charge_name(value[place]), since_ns)
        return named


def charge_name(number: float) -> str:
    """Name of a charge from the number a controller gives it."""
    return str(int(number))
