"""From adhesives as written to their rules: the numbers of each must agree with one another."""

from __future__ import annotations

import re
from collections.abc import Sequence

from watchedpot.app.config import model
from watchedpot.app.config.faults import Faults, Place, nearest, shown
from watchedpot.app.config.files import Document, by_id
from watchedpot.core.rules import AgeingRules, MaterialRules, StorageRules, ThermalRules
from watchedpot.core.viscosity import flow_ea_from_points
from watchedpot.errors import DataError

FLOW_EA_MAX_KJ_PER_MOL = 500.0
"""Highest activation energy of flow that two points may give [kJ/mol]: as where it is told."""


_STORED = ("above_max_h", "mean_kinetic_max_c", "out_of_store_max_h")


class Materials:
    """The adhesives of all files, each checked once, whether a zone uses it or not."""

    def __init__(self, documents: Sequence[Document], faults: Faults, notices: list[str]) -> None:
        self._faults = faults
        self._notices = notices
        self._declared = [one for document in documents for one in document.ids("materials")]
        entries = ((one, item) for one in documents for item in one.tables.materials)
        self._known = by_id("materials", entries, faults)
        self._rules = {
            material_id: _material_rules(material, place, faults)
            for material_id, (place, material) in self._known.items()
        }

    def of(self, material_id: str, place: Place) -> MaterialRules | None:
        """The material that is named at a place; None if there is none such or it is faulty."""
        material = self._rules.get(material_id)
        if material is None and material_id not in self._declared:
            self._faults.add(
                place,
                f"expected the id of a material, got {shown(material_id)}",
                nearest(material_id, self._declared),
            )
        notice = f"materials.{material_id}: demo material, use your supplier's data sheet"
        if material is not None and material.is_demo and notice not in self._notices:
            self._notices.append(notice)
        return material

    def lacks(self, material: MaterialRules, key: str) -> bool:
        """Whether a table or key of a material was left out, not merely written with a fault."""
        place, _ = self._known[material.id]
        return getattr(material, key) is None and not self._faults.concern(place.at(key))


def _material_rules(material: model.Material, place: Place, faults: Faults) -> MaterialRules:
    """Rules of one adhesive; meaningless where it is faulty."""
    faults.check_one_of(
        material,
        ("flow_activation_kj_per_mol", "viscosity_points"),
        place,
        "how steeply it stiffens when colder, told as one number or by two points",
    )
    flow_kj_per_mol = material.flow_activation_kj_per_mol or 0.0
    at_c = viscosity_pa_s = None
    if material.viscosity_points:
        at_c, viscosity_pa_s = material.viscosity_points[0]
        flow_kj_per_mol = _flow_kj_per_mol(material.viscosity_points, place, faults)
    return MaterialRules(
        id=material.id,
        ceiling_c=material.ceiling_c,
        flow_ea_j_per_mol=flow_kj_per_mol * 1000.0,
        degradation_ea_j_per_mol=material.degradation_activation_kj_per_mol * 1000.0,
        source=_source(material, place, faults),
        is_demo=material.demo,
        ageing=_ageing_rules(material, place.at("ageing"), faults),
        thermal=_thermal_rules(material.thermal, place.at("thermal"), faults),
        viscosity_pa_s=viscosity_pa_s,
        viscosity_at_c=at_c,
        dew_point_max_c=material.dew_point_max_c,
        storage=_storage_rules(material, place.at("storage"), faults),
        open_time_s=material.open_time_s,
        rework_s=None if material.rework_min is None else 60.0 * material.rework_min,
        rework_caution=_caution(material, place, faults),
    )


def _storage_rules(material: model.Material, place: Place, faults: Faults) -> StorageRules | None:
    """How one adhesive may be stored; None where nothing was said."""
    storage = material.storage
    if storage is None:
        return None
    if not any(faults.has(storage, key, place) for key in _STORED):
        faults.add(
            place,
            f"expected {', '.join(_STORED[:-1])} or {_STORED[-1]}, got none",
            "nothing would be limited; add one of them, or take the table out",
        )
    for key in ("limit_c", "mean_kinetic_max_c"):
        value_c = getattr(storage, key)
        if value_c is not None and value_c >= material.ceiling_c:
            faults.add(
                place.at(key),
                f"expected less than ceiling_c = {material.ceiling_c} degC, got {value_c} degC",
                "a store is colder than the melt",
            )
    above_max_h, out_max_h = storage.above_max_h, storage.out_of_store_max_h
    return StorageRules(
        limit_c=storage.limit_c,
        above_max_s=None if above_max_h is None else 3600.0 * above_max_h,
        mean_kinetic_max_c=storage.mean_kinetic_max_c,
        out_of_store_max_s=None if out_max_h is None else 3600.0 * out_max_h,
        ea_j_per_mol=1000.0 * storage.activation_kj_per_mol,
    )


def _caution(material: model.Material, place: Place, faults: Faults) -> str:
    """What must be minded when reworking; a time without it would be half of the truth."""
    if material.rework_min is not None and not faults.has(material, "rework_caution", place):
        faults.add(
            place.at("rework_caution"),
            "expected a text, got none",
            "say what must be minded: heat, vapours, tools, who may do it",
        )
    return material.rework_caution or ""


def _flow_kj_per_mol(points: Sequence[Sequence[float]], place: Place, faults: Faults) -> float:
    """Activation energy of flow [kJ/mol] through two points; 0 where there is none."""
    (temp_1_c, viscosity_1_pa_s), (temp_2_c, viscosity_2_pa_s) = points
    where = place.at("viscosity_points")
    try:
        ea_j_per_mol = flow_ea_from_points(
            temp_1_c=temp_1_c,
            viscosity_1_pa_s=viscosity_1_pa_s,
            temp_2_c=temp_2_c,
            viscosity_2_pa_s=viscosity_2_pa_s,
        )
    except DataError as error:
        faults.add(where, error.problem, "each point is [temperature, viscosity] [degC, Pa s]")
        return 0.0
    ea_kj_per_mol = ea_j_per_mol / 1000.0
    if ea_kj_per_mol > FLOW_EA_MAX_KJ_PER_MOL:
        faults.add(
            where,
            f"expected an activation energy of {FLOW_EA_MAX_KJ_PER_MOL:g} kJ/mol or less between "
            f"the points, got {ea_kj_per_mol:.0f} kJ/mol",
            "take points further apart, and look for a slip in one of them",
        )
    return ea_kj_per_mol


def _source(material: model.Material, place: Place, faults: Faults) -> str:
    """Where all its numbers are from; invented ones say so in every table."""
    said = {"": material.source}
    if material.ageing:
        said["ageing"] = material.ageing.source
    if material.thermal:
        said["thermal"] = material.thermal.source
    if material.storage:
        said["storage"] = material.storage.source
    for table, source in said.items():
        if material.demo and not re.search(r"\bdemo\b", source, re.IGNORECASE):
            faults.add(
                place.at(*filter(None, (table, "source"))),
                f"expected a text with the word demo, got {shown(source)}",
                "demo = true says that the numbers are invented",
            )
    others = (f"{table}: {source}" for table, source in said.items() if source != material.source)
    return "; ".join((material.source, *others))


def _ageing_rules(material: model.Material, place: Place, faults: Faults) -> AgeingRules | None:
    """How it ages; None where nothing was said."""
    ageing = material.ageing
    if ageing is None:
        return None
    low, high = ageing.activation_low_kj_per_mol, ageing.activation_high_kj_per_mol
    if low > high:
        faults.add(
            place,
            f"activation_low_kj_per_mol = {low} kJ/mol is above activation_high_kj_per_mol = "
            f"{high} kJ/mol",
            "correct one of the two",
        )
    if not ageing.stops_below_c < ageing.at_c <= material.ceiling_c:
        faults.add(
            place.at("at_c"),
            f"expected more than stops_below_c = {ageing.stops_below_c} degC and at most "
            f"ceiling_c = {material.ceiling_c} degC, got {ageing.at_c} degC",
            "a pot life is stated where the adhesive is used",
        )
    return AgeingRules(
        pot_life_s=ageing.pot_life_h * 3600.0,
        ref_c=ageing.at_c,
        ea_low_j_per_mol=low * 1000.0,
        ea_high_j_per_mol=high * 1000.0,
        stops_below_c=ageing.stops_below_c,
    )


def _thermal_rules(
    thermal: model.Thermal | None, place: Place, faults: Faults
) -> ThermalRules | None:
    """How heat moves in it; None where nothing was said."""
    if thermal is None:
        return None
    best, low, high = (
        thermal.diffusivity_mm2_per_s,
        thermal.diffusivity_low_mm2_per_s,
        thermal.diffusivity_high_mm2_per_s,
    )
    capacity_j_per_m3_k = thermal.density_kg_per_m3 * thermal.heat_capacity_j_per_kg_k
    implied = thermal.conductivity_w_per_m_k / capacity_j_per_m3_k * 1e6
    if not low <= best <= high:
        faults.add(
            place,
            f"diffusivity_mm2_per_s = {best} mm2/s is outside its range, diffusivity_low_mm2_per_s "
            f"= {low} to diffusivity_high_mm2_per_s = {high} mm2/s",
            "correct one of the three",
        )
    elif not low <= implied <= high:
        faults.add(
            place,
            f"expected conductivity / (density * heat capacity) from {low} to {high} mm2/s, as "
            f"the diffusivity is said to be, got {implied:.3g} mm2/s",
            "both are the same quantity; correct the range or one of the three numbers",
        )
    return ThermalRules(
        diffusivity_m2_per_s=best / 1e6,
        diffusivity_low_m2_per_s=low / 1e6,
        diffusivity_high_m2_per_s=high / 1e6,
        conductivity_w_per_m_k=thermal.conductivity_w_per_m_k,
        density_kg_per_m3=thermal.density_kg_per_m3,
        heat_capacity_j_per_kg_k=thermal.heat_capacity_j_per_kg_k,
    )
