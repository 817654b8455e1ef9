"""From how parts are judged, as written, to rules; what is then no longer held back is said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watchedpot.app.config import model
from watchedpot.app.config.channels import INTEGERS, bounds
from watchedpot.app.config.faults import Faults, Place, nearest, shown
from watchedpot.core.rules import VERDICTS, MaterialRules, PartRule, PartRules, Verdict

_RULES = {rule.value: rule for rule in PartRule}
_LET_THROUGH = {
    PartRule.OUTSIDE_WINDOW: "parts that were dispensed outside the window are not held back",
    PartRule.BLIND: "parts that were dispensed while nobody saw the zone are not held back",
    PartRule.UNCOUNTED: "parts that cannot be told apart are not held back",
}
"""What it comes to when a rule holds no part back, where that deserves plainer words."""
_OF_PARTS = ("inspection", "bead_width", "joined")


@dataclass(frozen=True, slots=True)
class Judging:
    """What the rules about parts are checked against."""

    faults: Faults
    notices: list[str]

    def rules(self, cell: model.Cell, material: MaterialRules | None, place: Place) -> PartRules:
        """How the parts of one cell are counted and judged."""
        judging, where = cell.judging, place.at("judging")
        self._check_widths(cell, where)
        self._check_rollover(cell, where)
        self._note_unread(cell.channels, material, place)
        return PartRules(
            verdicts=self._verdicts(judging.verdicts, where.at("verdicts")),
            guard_k=judging.guard_k,
            near_k=judging.near_k,
            blind_s=judging.blind_s,
            before_loss=judging.before_loss_parts,
            shortest_cycle_s=judging.shortest_cycle_s,
            rolls_over_at=judging.counter_rolls_over_at,
            tip_settle_s=judging.tip_settle_s,
            check_tolerance_k=judging.check_tolerance_k,
        )

    def _verdicts(
        self, said: Mapping[str, Verdict], place: Place
    ) -> tuple[tuple[PartRule, Verdict], ...]:
        """The rules that conclude something else than usual, in their own order."""
        for name in said:
            if name not in _RULES:
                self.faults.add(
                    place.at(name),
                    f"expected a rule about parts, got {shown(name)}",
                    nearest(name, _RULES),
                )
        told = {rule: said[name] for name, rule in _RULES.items() if name in said}
        for rule, verdict in told.items():
            if VERDICTS[rule].is_suspect and not verdict.is_suspect:
                effect = _LET_THROUGH.get(rule, "no part is held back for it")
                self.notices.append(f'{place.at(rule.value).path}: "{verdict}", {effect}')
        return tuple(told.items())

    def _check_widths(self, cell: model.Cell, place: Place) -> None:
        """Between what is outside and what is near an edge there must be something left."""
        judging = cell.judging
        told = sorted(judging.model_fields_set & {"guard_k", "near_k"})
        for zone in cell.zones:
            half_k = (zone.window_high_c - zone.window_low_c) / 2
            if not 0 < half_k <= judging.guard_k + judging.near_k:
                continue
            if told:
                self.faults.add(
                    place.at(told[-1]),
                    f"guard_k = {judging.guard_k} K and near_k = {judging.near_k} K together are "
                    f"not below half the width of the window of zone {zone.id}, {half_k:g} K",
                    "no part could be clear; lower one of them, or correct the window",
                )
            else:
                self.notices.append(
                    f"{place.path}: by guard_k = {judging.guard_k} K and near_k = "
                    f"{judging.near_k} K no part can be clear in the window of zone {zone.id}"
                )

    def _check_rollover(self, cell: model.Cell, place: Place) -> None:
        """A counter rolls over within what its type can hold."""
        counter = cell.channels.parts or cell.channels.part_id
        rolls_over_at = cell.judging.counter_rolls_over_at
        if counter is None or rolls_over_at is None or counter.type not in INTEGERS:
            return
        _, highest = bounds(counter.type)
        if rolls_over_at > highest + 1:
            self.faults.add(
                place.at("counter_rolls_over_at"),
                f"expected {highest + 1} or less, as {counter.type} can hold, got {rolls_over_at}",
                "the counter's highest value plus one",
            )

    def _note_unread(
        self, channels: model.CellChannels, material: MaterialRules | None, place: Place
    ) -> None:
        """Say what is told of parts, and cannot be joined with them."""
        wired = {signal for signal, channel in channels if channel is not None}
        if not wired & {"parts", "part_id"}:
            self.notices.extend(
                f"{place.path}: no parts or part_id channel, {signal} is not used"
                for signal in _OF_PARTS
                if signal in wired
            )
        if material is None:
            return
        if material.open_time_s is not None and "joined" not in wired:
            self.notices.append(
                f"{place.path}: no joined channel, open_time_s of material {material.id} is not "
                "watched"
            )
        if material.open_time_s is None and "joined" in wired:
            self.notices.append(
                f"{place.path}: material {material.id} has no open_time_s, no part is held back "
                "for being joined late"
            )
