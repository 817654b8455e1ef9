"""From cells and zones as written to their rules, and the checks that need more than one key.

Checking and building are one walk: where something is resolved, it is known whether it can be.
What is built while there are faults is thrown away.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from watchedpot.app.config import model
from watchedpot.app.config.alarms import OF_CELL, Layer, alarm_rules, check_deadband, layer
from watchedpot.app.config.channels import WiredChannel, Wiring
from watchedpot.app.config.faults import Faults, Place
from watchedpot.app.config.files import Document, by_id
from watchedpot.app.config.judging import Judging
from watchedpot.app.config.materials import Materials
from watchedpot.app.config.melt import Melt, reservoir
from watchedpot.core.rules import (
    AlarmKind,
    AlarmRules,
    CellRules,
    MaterialRules,
    ZoneKind,
    ZoneRules,
)

FRESH_POLLS = 3
"""Polls that a gap may take, and after which a reading is stale (common practice, no source)."""

FRESH_CAP_S = 10.0
"""Longest a reading stands for now, however slow the polls [s] (common practice, no source)."""

_FLOW_ORDER = {
    ZoneKind.TANK: 0,
    ZoneKind.CARTRIDGE: 0,
    ZoneKind.SYRINGE: 0,
    ZoneKind.HOSE: 1,
    ZoneKind.NOZZLE: 2,
}
_MISSED_BY_ZONE = {
    "setpoint": "setback cannot be told from cooling",
    "output": "whether the heater is driven is not known",
}
_MISSED_BY_CELL = {
    "dispensing": "dispensing cold cannot be told from standing cold",
    "parts": "parts made during an excursion are not counted",
    "charge_id": "a new charge is known only when a person enters it",
    "wiped": "wiping is known only when a person enters it",
    "heartbeat": "a controller whose program stands still looks like one at rest",
}


class Cells:
    """The walk over the cells of all files."""

    def __init__(
        self, documents: Sequence[Document], wiring: Wiring, faults: Faults, notices: list[str]
    ) -> None:
        self._wiring = wiring
        self._faults = faults
        self._notices = notices
        self._materials = Materials(documents, faults, notices)
        self._melt = Melt(self._materials, faults, notices)
        self._judging = Judging(faults, notices)
        self._cells = by_id(
            "cells", ((one, cell) for one in documents for cell in one.tables.cells), faults
        )
        self._general = self._general_alarms(documents)

    def built(self) -> tuple[CellRules, ...]:
        """Rules of all cells; with faults, only of what could be built."""
        cells = tuple(self._cell(cell, place) for place, cell in self._cells.values())
        self._notices.extend(
            f"cells.{cell.id}: no alarm is configured, nothing will be raised"
            for cell in cells
            if not cell.alarms and not any(zone.alarms for zone in cell.zones)
        )
        return cells

    def _general_alarms(self, documents: Sequence[Document]) -> dict[AlarmKind, Layer]:
        """Alarms of all cells, each complete and from one file."""
        general: dict[AlarmKind, Layer] = {}
        said = (
            (kind, one)
            for document in documents
            for kind in AlarmKind
            for one in layer(Place(document.name), document.tables.alarms, kind)
        )
        for kind, one in said:
            if kind in general:
                self._faults.add(
                    one.place,
                    f"expected this alarm in one file only, {general[kind].place} has it too",
                    "to change single keys, put them below a cell or a zone",
                )
            else:
                general[kind] = one
                alarm_rules(kind, (one,), self._faults)
        return general

    def _cell(self, cell: model.Cell, place: Place) -> CellRules:
        self._check_zones(cell, place)
        zones = [self._zone(zone, cell, place) for zone in cell.zones]
        wired = self._wired(cell.id, cell.channels, place)
        self._note_missed(_MISSED_BY_CELL, wired, place)
        poll_s = self._slowest_poll_s(cell.channels)
        gate_hold_s = cell.gate_hold_s or min(FRESH_POLLS * poll_s, FRESH_CAP_S)
        self._check_longer_than_poll("gate_hold_s", gate_hold_s, poll_s, place)
        alarms = (
            alarm_rules(kind, self._layers(kind, (place, cell.alarms)), self._faults)
            for kind in OF_CELL
        )
        holder = reservoir(cell)
        where = place.at("zones", holder.id if holder else "", "material")
        material = self._materials.of(holder.material, where) if holder else None
        return CellRules(
            id=cell.id,
            zones=tuple(zone for zone in zones if zone),
            production_hold_s=cell.production_hold_s,
            gate_hold_s=gate_hold_s,
            alarms=tuple(rules for rules in alarms if rules),
            charge=self._melt.charge(cell, material, place),
            air=self._melt.air(cell, material, wired.get("dew_point"), place),
            ambient_c=cell.ambient_c,
            purge_after_idle_s=cell.purge_after_idle_min * 60.0,
            judging=self._judging.rules(cell, material, place),
            finds_causes=cell.causes,
            # The heartbeat is of the source, not of the cell's account.
            **{signal: f"{cell.id}/{signal}" for signal in wired if signal != "heartbeat"},
        )

    def _check_zones(self, cell: model.Cell, place: Place) -> None:
        """There are some, each with its own id, in the direction of flow."""
        where = place.at("zones")
        if not cell.zones and not self._faults.concern(where):
            self._faults.add(where, "expected at least one zone, got none")
        ids = [zone.id for zone in cell.zones]
        for zone_id in dict.fromkeys(one for one in ids if ids.count(one) > 1):
            self._faults.add(
                where.at(zone_id),
                f"expected an id of its own, {ids.count(zone_id)} zones have it",
                "rename all but one",
            )
        for before, after in zip(cell.zones, cell.zones[1:], strict=False):
            if _FLOW_ORDER[before.kind] > _FLOW_ORDER[after.kind]:
                self._faults.add(
                    where,
                    f"expected zones in the direction of flow, got {before.id} ({before.kind}) "
                    f"before {after.id} ({after.kind})",
                    "tank, cartridge or syringe first, then hoses, then nozzles",
                )

    def _zone(self, zone: model.Zone, cell: model.Cell, cell_place: Place) -> ZoneRules | None:
        place = cell_place.at("zones", zone.id)
        wired = self._wired(f"{cell.id}/{zone.id}", zone.channels, place)
        where = place.at("channels", "temperature")
        if "temperature" not in wired and not self._faults.concern(where):
            self._faults.add(where, "expected a channel, got none", "a zone is its temperature")
        self._note_missed(_MISSED_BY_ZONE, wired, place)
        poll_s = self._slowest_poll_s(zone.channels)
        max_gap_s = zone.max_gap_s or FRESH_POLLS * poll_s
        stale_after_s = zone.stale_after_s or min(FRESH_POLLS * poll_s, FRESH_CAP_S)
        self._check_longer_than_poll("max_gap_s", max_gap_s, poll_s, place)
        self._check_longer_than_poll("stale_after_s", stale_after_s, poll_s, place)
        material = self._materials.of(zone.material, place.at("material"))
        self._check_temperatures(zone, material, place)
        self._check_range(zone, material, wired.get("temperature"), where)
        alarms = self._zone_alarms(zone, material, (cell_place, cell.alarms), place)
        self._melt.check_kind(zone, place)
        soak = self._melt.soak(zone, material, place)
        tip = self._melt.tip(zone, place, ambient_c=cell.ambient_c)
        if material is None or "temperature" not in wired:
            return None
        return ZoneRules(
            id=zone.id,
            kind=zone.kind,
            material=material,
            low_c=zone.window_low_c,
            high_c=zone.window_high_c,
            setpoint_c=zone.setpoint_c,
            off_below_c=zone.off_below_c,
            max_gap_s=max_gap_s,
            stale_after_s=stale_after_s,
            alarms=alarms,
            soak=soak,
            tip=tip,
            hold_up_m3=None if zone.hold_up_ml is None else zone.hold_up_ml / 1e6,
            **{signal: f"{cell.id}/{zone.id}/{signal}" for signal in wired},
        )

    def _wired(
        self, prefix: str, channels: model.CellChannels | model.ZoneChannels, place: Place
    ) -> dict[str, WiredChannel | None]:
        """The signals that are there, wired to their sources."""
        return {
            signal: self._wiring.add(f"{prefix}/{signal}", channel, place.at("channels", signal))
            for signal, channel in channels
            if channel is not None
        }

    def _note_missed(self, missed: Mapping[str, str], wired: Collection[str], place: Place) -> None:
        """Say what cannot be claimed without a signal."""
        self._notices.extend(
            f"{place.path}: no {signal} channel, {effect}"
            for signal, effect in missed.items()
            if signal not in wired and not (signal == "parts" and "part_id" in wired)
        )

    def _slowest_poll_s(self, channels: model.CellChannels | model.ZoneChannels) -> float:
        """Longest poll period [s] among the signals' sources."""
        periods = (self._wiring.poll_period_s(one.source) for _, one in channels if one)
        return max(periods, default=1.0)

    def _check_longer_than_poll(
        self, key: str, value_s: float, poll_s: float, place: Place
    ) -> None:
        if value_s <= poll_s:
            self._faults.add(
                place.at(key),
                f"expected more than poll_period_s = {poll_s} s of the source, got {value_s} s",
                f"shorter than two polls nothing would ever be seen; {FRESH_POLLS} polls are usual",
            )

    def _check_temperatures(
        self, zone: model.Zone, material: MaterialRules | None, place: Place
    ) -> None:
        """Off, window, setpoint and ceiling in their order."""
        low_c, high_c = zone.window_low_c, zone.window_high_c
        if material and material.ceiling_c <= high_c:
            self._faults.add(
                place,
                f"window_high_c = {high_c} degC is not below ceiling_c = {material.ceiling_c} degC "
                f"of material {material.id}",
                "correct one of the two",
            )
        if zone.off_below_c >= low_c:
            self._faults.add(
                place,
                f"off_below_c = {zone.off_below_c} degC is not below window_low_c = {low_c} degC",
                "a zone in its window would count as off",
            )
        if material and material.ageing and material.ageing.stops_below_c >= low_c:
            self._faults.add(
                place,
                f"window_low_c = {low_c} degC is not above stops_below_c = "
                f"{material.ageing.stops_below_c} degC of material {material.id}",
                "a charge in its window would not age",
            )
        if zone.setpoint_c is not None and low_c < high_c and not low_c < zone.setpoint_c < high_c:
            self._faults.add(
                place.at("setpoint_c"),
                f"expected a value inside the window, {low_c} to {high_c} degC, "
                f"got {zone.setpoint_c} degC",
                "correct the window or the setpoint",
            )

    def _check_range(
        self,
        zone: model.Zone,
        material: MaterialRules | None,
        wired: WiredChannel | None,
        place: Place,
    ) -> None:
        """What is not believed cannot alarm: the plausible range must reach past all limits."""
        if wired is None or material is None:
            return
        low_c, high_c = wired.conversion.plausible_low, wired.conversion.plausible_high
        if low_c is None or high_c is None:
            return
        if low_c < high_c and (low_c >= zone.window_low_c or high_c <= material.ceiling_c):
            self._faults.add(
                place.at("plausible"),
                f"expected a range beyond window_low_c = {zone.window_low_c} degC and ceiling_c = "
                f"{material.ceiling_c} degC, got {low_c:g} to {high_c:g} degC",
                "a reading outside it is not believed and could not alarm",
            )

    def _layers(self, kind: AlarmKind, *said: tuple[Place, model.ZoneAlarms]) -> list[Layer]:
        """What is said about an alarm, the general first."""
        general = self._general.get(kind)
        return [
            *([general] if general else []),
            *(one for place, alarms in said for one in layer(place, alarms, kind)),
        ]

    def _zone_alarms(
        self,
        zone: model.Zone,
        material: MaterialRules | None,
        of_cell: tuple[Place, model.ZoneAlarms],
        place: Place,
    ) -> tuple[AlarmRules, ...]:
        """All alarms of a zone."""
        if zone.kind is not ZoneKind.NOZZLE and zone.alarms.build_up:
            self._faults.add(
                place.at("alarms", "build_up"),
                f"expected this alarm on a nozzle only, got it on a {zone.kind}",
                "adhesive builds up on the tip of a nozzle; take it out",
            )
        found: list[AlarmRules] = []
        for kind in AlarmKind:
            is_elsewhere = kind is AlarmKind.BUILD_UP and zone.kind is not ZoneKind.NOZZLE
            if kind in OF_CELL or is_elsewhere:
                continue
            layers = self._layers(kind, of_cell, (place, zone.alarms))
            rules = alarm_rules(kind, layers, self._faults)
            if rules is None:
                continue
            found.append(rules)
            if zone.window_low_c < zone.window_high_c:
                check_deadband(
                    rules, layers, self._faults, zone=zone, material=material, place=place
                )
        self._check_stages(found, place)
        return tuple(found)

    def _check_stages(self, alarms: Sequence[AlarmRules], place: Place) -> None:
        """The worse stage needs the stage before it."""
        kinds = {rules.kind for rules in alarms}
        where = place.at("alarms", "hot")
        is_known = self._general.get(AlarmKind.HOT) or self._faults.concern(where)
        if AlarmKind.OVER_CEILING in kinds and AlarmKind.HOT not in kinds and not is_known:
            self._faults.add(
                where,
                "expected an alarm, got none beside over_ceiling",
                "over_ceiling is the worse stage of hot; add hot, in general or here",
            )
