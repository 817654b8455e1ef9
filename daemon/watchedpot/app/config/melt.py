"""From what is said of the melt on its way through a cell to rules: soak, tip, charge, air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watchedpot.app.config import model
from watchedpot.app.config.channels import WiredChannel
from watchedpot.app.config.faults import Faults, Place, shown
from watchedpot.app.config.materials import Materials
from watchedpot.core.humidity import pressure_dew_point_c
from watchedpot.core.rules import (
    AirRules,
    ChargeRules,
    FinRules,
    MaterialRules,
    SoakRules,
    TipRules,
    ZoneKind,
)
from watchedpot.core.tip import GAUGES, plan_tip

_PASCALS_PER_BAR = 1e5
_LEAST_WALLS_MM = 0.02  # both walls of the finest needles together are about 0.1 mm thick
_RESERVOIRS = (ZoneKind.TANK, ZoneKind.CARTRIDGE, ZoneKind.SYRINGE)
_PLACES = {
    "soak": (_RESERVOIRS, "a charge lies in a reservoir"),
    "tip": ((ZoneKind.NOZZLE,), "only a nozzle has a tip"),
    "hold_up_ml": ((ZoneKind.HOSE, ZoneKind.NOZZLE), "a reservoir holds the charge itself"),
}
_OF_RADIUS = ("wall_w_per_m2_k", "tolerance_k")
_DIAMETERS = ("gauge", "outer_mm", "bore_mm")
_OF_LENGTH = (*_DIAMETERS, "conductivity_w_per_m_k", "emissivity", "film_w_per_m2_k")
_AIR = ("dew_point", "air_temperature", "air_humidity")


def reservoir(cell: model.Cell) -> model.Zone | None:
    """The zone in which the charge lies, None where no zone is one."""
    return next((zone for zone in cell.zones if zone.kind in _RESERVOIRS), None)


@dataclass(frozen=True, slots=True)
class Melt:
    """What the rules of the melt are checked against."""

    materials: Materials
    faults: Faults
    notices: list[str]

    def check_kind(self, zone: model.Zone, place: Place) -> None:
        """Each table stands in a zone of a kind that has a use for it."""
        for key, (kinds, reason) in _PLACES.items():
            if zone.kind not in kinds and getattr(zone, key) is not None:
                self.faults.add(
                    place.at(key),
                    f"expected it on a {' or '.join(kinds)} only, got it on a {zone.kind}",
                    f"{reason}; take it out",
                )

    def soak(
        self, zone: model.Zone, material: MaterialRules | None, place: Place
    ) -> SoakRules | None:
        """When the core counts as warm; None where nothing was said."""
        soak, where = zone.soak, place.at("soak")
        if soak is None:
            if zone.kind in _RESERVOIRS:
                self.notices.append(
                    f"{place.path}: no soak table, warm at the sensor counts as warm to the core"
                )
            return None
        ready_c = zone.window_low_c if soak.ready_c is None else soak.ready_c
        self._check_soak_temperatures(soak, zone, where, ready_c=ready_c)
        self.faults.check_one_of(
            soak,
            ("radius_mm", "timer_min"),
            where,
            "with the radius the core is computed, without it a time must do",
        )
        if soak.timer_min is not None and not self.faults.has(soak, "radius_mm", where):
            self._refuse(soak, _OF_RADIUS, where, beside="timer_min")
        if soak.radius_mm and material and self.materials.lacks(material, "thermal"):
            self.faults.add(
                where.at("radius_mm"),
                f"expected a table thermal of material {material.id} beside it, got none",
                "add [materials.thermal], or give timer_min instead",
            )
        return SoakRules(
            ready_c=ready_c,
            start_c=soak.start_c,
            radius_m=None if soak.radius_mm is None else soak.radius_mm / 1e3,
            wall_w_per_m2_k=soak.wall_w_per_m2_k,
            timer_s=None if soak.timer_min is None else soak.timer_min * 60.0,
            tolerance_k=soak.tolerance_k,
        )

    def _check_soak_temperatures(
        self, soak: model.Soak, zone: model.Zone, place: Place, *, ready_c: float
    ) -> None:
        """Start, ready and setpoint in their order, ready inside the window."""
        low_c, high_c = zone.window_low_c, zone.window_high_c
        is_told = soak.ready_c is not None
        if is_told and low_c < high_c and not low_c <= ready_c < high_c:
            self.faults.add(
                place.at("ready_c"),
                f"expected a value inside the window, {low_c} to {high_c} degC, got {ready_c} degC",
                "correct the window or ready_c",
            )
        elif is_told and zone.setpoint_c is not None and ready_c >= zone.setpoint_c:
            self.faults.add(
                place.at("ready_c"),
                f"expected less than setpoint_c = {zone.setpoint_c} degC, got {ready_c} degC",
                "a core comes near the setpoint, never to it",
            )
        if soak.start_c >= ready_c:
            self.faults.add(
                place.at("start_c"),
                f"expected less than ready_c = {ready_c} degC, got {soak.start_c} degC",
                "every new charge would count as warm",
            )

    def tip(self, zone: model.Zone, place: Place, *, ambient_c: float) -> TipRules | None:
        """How the tip is colder than its block; None where nothing was said."""
        tip, where = zone.tip, place.at("tip")
        if tip is None:
            if zone.kind is ZoneKind.NOZZLE:
                self.notices.append(f"{place.path}: no tip table, only its block is judged")
            return None
        if tip.low_c >= zone.window_high_c:
            self.faults.add(
                where.at("low_c"),
                f"expected less than window_high_c = {zone.window_high_c} degC, "
                f"got {tip.low_c} degC",
                "a tip is never hotter than its block",
            )
        self.faults.check_one_of(
            tip,
            ("length_mm", "offset_k"),
            where,
            "the tip's geometry, or how much colder it was measured to be",
        )
        if tip.offset_k is not None and not self.faults.has(tip, "length_mm", where):
            self._refuse(tip, _OF_LENGTH, where, beside="offset_k")
        fin = None if tip.length_mm is None else self._fin(tip, tip.length_mm, where)
        rules = TipRules(low_c=tip.low_c, fin=fin, offset_k=tip.offset_k)
        self._note_cold_tip(rules, zone, place, ambient_c=ambient_c)
        return rules

    def _note_cold_tip(
        self, rules: TipRules, zone: model.Zone, place: Place, *, ambient_c: float
    ) -> None:
        """Say that a tip is below its limit although the block is at its usual setpoint."""
        block_c = zone.setpoint_c
        if block_c is None or (rules.fin is None and rules.offset_k is None):
            return
        plan = plan_tip(
            rules, thermal=None, flow_kg_per_s=None, block_c=block_c, ambient_c=ambient_c
        )
        still_c = block_c - plan.offset_k - plan.still_share * (block_c - ambient_c)
        if still_c < rules.low_c:
            self.notices.append(
                f"{place.path}: at setpoint_c = {block_c} degC and without flow the tip is at "
                f"{still_c:.1f} degC, below its low_c = {rules.low_c} degC"
            )

    def _fin(self, tip: model.Tip, length_mm: float, place: Place) -> FinRules | None:
        """The tip's geometry; None where it is not known."""
        if tip.gauge is not None:
            self._refuse(tip, ("outer_mm", "bore_mm"), place, beside="gauge")
            if tip.gauge not in GAUGES:
                self.faults.add(
                    place.at("gauge"),
                    f"expected one of {', '.join(map(str, GAUGES))}, got {tip.gauge}",
                    "or give outer_mm and bore_mm",
                )
                return None
            outer_m, bore_m = GAUGES[tip.gauge]
        elif tip.outer_mm is not None and tip.bore_mm is not None:
            if tip.bore_mm > tip.outer_mm - _LEAST_WALLS_MM:
                self.faults.add(
                    place,
                    f"bore_mm = {tip.bore_mm} mm is not below outer_mm = {tip.outer_mm} mm by "
                    f"{_LEAST_WALLS_MM} mm or more",
                    "there would be no wall",
                )
                return None
            outer_m, bore_m = tip.outer_mm / 1e3, tip.bore_mm / 1e3
        else:
            self._note_no_diameters(tip, place)
            return None
        return FinRules(
            length_m=length_mm / 1e3,
            outer_m=outer_m,
            bore_m=bore_m,
            conductivity_w_per_m_k=tip.conductivity_w_per_m_k,
            emissivity=tip.emissivity,
            film_w_per_m2_k=tip.film_w_per_m2_k,
        )

    def _note_no_diameters(self, tip: model.Tip, place: Place) -> None:
        """Note that the diameters are missing, unless they are there and known to be faulty."""
        if any(self.faults.concern(place.at(key)) for key in _DIAMETERS):
            return
        came = [key for key in _DIAMETERS if self.faults.has(tip, key, place)]
        self.faults.add(
            place,
            f"expected gauge, or outer_mm and bore_mm, beside length_mm, got {_listed(came)}",
            "how thick the tip is, and how wide its bore",
        )

    def charge(self, cell: model.Cell, material: MaterialRules | None, place: Place) -> ChargeRules:
        """What is known of the charges before they come."""
        charge, place = cell.charge, place.at("charge")
        self._check_refill(cell, place)
        self._check_preheat(cell, material, place)
        if material and self.materials.lacks(material, "ageing"):
            self._note_ageless(charge, material, place)
        return ChargeRules(
            fill_kg=None if charge.fill_g is None else charge.fill_g / 1e3,
            refill_kg=None if charge.refill_g is None else charge.refill_g / 1e3,
            flow_kg_per_s=None if charge.flow_mg_per_s is None else charge.flow_mg_per_s / 1e6,
            dosing=charge.dosing,
            preheat_c=charge.preheat_c,
            preheat_s=0.0 if charge.preheat_min is None else charge.preheat_min * 60.0,
            near_share=charge.near_share,
            start_age_s=None if charge.start_age_h is None else charge.start_age_h * 3600.0,
        )

    def _note_ageless(self, charge: model.Charge, material: MaterialRules, place: Place) -> None:
        """Say that no age can be told; an age that was told is a fault."""
        if charge.start_age_h is not None:
            self.faults.add(
                place.at("start_age_h"),
                f"expected a table ageing of material {material.id} beside it, got none",
                "an age is counted against a pot life; add [materials.ageing]",
            )
        notice = f"materials.{material.id}: no ageing table, the age of a charge is not known"
        if notice not in self.notices:
            self.notices.append(notice)

    def _check_refill(self, cell: model.Cell, place: Place) -> None:
        """Only a tank is refilled, and never with more than it holds."""
        charge, zone = cell.charge, reservoir(cell)
        if charge.refill_g is None:
            return
        if zone is not None and zone.kind is not ZoneKind.TANK:
            self.faults.add(
                place.at("refill_g"),
                f"expected it for a tank only, got it for a {zone.kind}",
                "any other charge is changed as a whole; take it out",
            )
        if charge.fill_g is not None and charge.refill_g > charge.fill_g:
            self.faults.add(
                place,
                f"refill_g = {charge.refill_g} g is above fill_g = {charge.fill_g} g",
                "correct one of the two",
            )

    def _check_preheat(
        self, cell: model.Cell, material: MaterialRules | None, place: Place
    ) -> None:
        """Temperature and time together, warmer than the room, no hotter than the ceiling."""
        charge, pair = cell.charge, ("preheat_c", "preheat_min")
        written = [key for key in pair if self.faults.has(charge, key, place)]
        for key in pair if len(written) == 1 else ():
            if key not in written:
                self.faults.add(
                    place.at(key),
                    f"expected a value beside {written[0]}, got none",
                    "a preheat is a temperature for a time",
                )
        if charge.preheat_c is None:
            return
        if charge.preheat_c <= cell.ambient_c:
            self.faults.add(
                place.at("preheat_c"),
                f"expected more than ambient_c = {cell.ambient_c} degC, "
                f"got {charge.preheat_c} degC",
                "leave it out where charges come cold",
            )
        if material and charge.preheat_c > material.ceiling_c:
            self.faults.add(
                place.at("preheat_c"),
                f"expected ceiling_c = {material.ceiling_c} degC of material {material.id} or "
                f"less, got {charge.preheat_c} degC",
                "every charge would come overheated",
            )

    def air(
        self,
        cell: model.Cell,
        material: MaterialRules | None,
        dew_point: WiredChannel | None,
        place: Place,
    ) -> AirRules | None:
        """The dispensing air; None where nothing was said."""
        air, where = cell.air, place.at("air")
        channels = place.at("channels")
        wired = tuple(key for key in _AIR if self.faults.has(cell.channels, key, channels))
        if air is None:
            if wired and not self.faults.concern(where):
                self.faults.add(
                    where,
                    f"expected a table beside {_listed(wired)}, got none",
                    "a dew point holds for a pressure: that of the line, and at the sensor",
                )
            return None
        if wired not in (_AIR[:1], _AIR[1:]):
            self.faults.add(
                where,
                f"expected the channel dew_point, or both air_temperature and air_humidity, "
                f"got {_listed(wired)}",
                "one way to know how moist the air is",
            )
        if reservoir(cell) is None and not self.faults.concern(place.at("zones")):
            self.faults.add(
                where,
                "expected a tank, cartridge or syringe among the zones, got none",
                "there the air meets the adhesive",
            )
        if material and self.materials.lacks(material, "dew_point_max_c"):
            self.faults.add(
                where,
                f"expected dew_point_max_c of material {material.id} beside it, got none",
                "there is nothing to hold the air against",
            )
        measured = air.line_bar_abs if air.measured_bar_abs is None else air.measured_bar_abs
        rules = AirRules(
            line_pa=air.line_bar_abs * _PASCALS_PER_BAR, measured_pa=measured * _PASCALS_PER_BAR
        )
        if dew_point and material and material.dew_point_max_c is not None:
            self._check_dew_point(dew_point, rules, material.dew_point_max_c, channels)
        return rules

    def _check_dew_point(
        self, wired: WiredChannel, rules: AirRules, max_c: float, place: Place
    ) -> None:
        """What is not believed cannot alarm: the plausible range must reach past the limit."""
        low_c, high_c = wired.conversion.plausible_low, wired.conversion.plausible_high
        limit_c = pressure_dew_point_c(max_c, from_pa=rules.line_pa, to_pa=rules.measured_pa)
        if low_c is None or high_c is None or low_c >= high_c:  # a fault of its own
            return
        if low_c >= limit_c or high_c <= limit_c:
            self.faults.add(
                place.at("dew_point", "plausible"),
                f"expected a range beyond {limit_c:.1f} degC, which dew_point_max_c = {max_c} degC "
                f"is at the sensor, got {low_c:g} to {high_c:g} degC",
                "a reading outside it is not believed and could not be judged",
            )

    def _refuse(self, part: model.Part, keys: Sequence[str], place: Place, *, beside: str) -> None:
        """Note keys that have no meaning beside another one."""
        for key in keys:
            if key in part.model_fields_set:
                self.faults.add(
                    place.at(key),
                    f"expected no such key beside {beside}, got {shown(getattr(part, key))}",
                    "take one of the two out",
                )


def _listed(keys: Sequence[str]) -> str:
    return " and ".join(keys) if keys else "none"
