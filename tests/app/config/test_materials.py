"""Adhesives: what each number may be, alone and beside the others."""

from __future__ import annotations

import math

import pytest

from app.config.plant import AGEING, MATERIAL, REWORK, STORAGE, THERMAL, Plant, material
from watchedpot.core.rules import AgeingRules, MaterialRules, StorageRules

PLACE = "plant.toml, materials.demo_silicone"
FLOW = "flow_activation_kj_per_mol = 50.0"


def rules_of(plant: Plant) -> MaterialRules:
    """The material of the plant's zones."""
    return plant.load().cells[0].zones[0].material


def test_what_is_not_told_of_a_material_is_not_known(plant: Plant) -> None:
    """No pot life, no heat numbers, no viscosity, no limit for the air, the store or rework."""
    rules = rules_of(plant)
    assert (rules.storage, rules.open_time_s, rules.rework_s) == (None, None, None)
    assert rules.rework_caution == ""
    assert (rules.ageing, rules.thermal, rules.dew_point_max_c) == (None, None, None)
    assert (rules.viscosity_pa_s, rules.viscosity_at_c, rules.is_demo) == (None, None, False)


def test_all_that_is_told_arrives_in_si_units(plant: Plant) -> None:
    """Hours, kJ/mol and mm2/s become s, J/mol and m2/s."""
    plant.change(
        material(
            "dew_point_max_c = -40.0",
            AGEING,
            "activation_low_kj_per_mol = 70.0",
            "activation_high_kj_per_mol = 90.0",
            "stops_below_c = 55.0",
            THERMAL,
        )
    )
    rules = rules_of(plant)
    assert rules.ageing == AgeingRules(
        pot_life_s=28_800.0,
        ref_c=110.0,
        ea_low_j_per_mol=70e3,
        ea_high_j_per_mol=90e3,
        stops_below_c=55.0,
    )
    thermal = rules.thermal
    assert thermal is not None
    assert (
        thermal.diffusivity_m2_per_s,
        thermal.diffusivity_low_m2_per_s,
        thermal.diffusivity_high_m2_per_s,
    ) == pytest.approx((0.115e-6, 0.098e-6, 0.132e-6), rel=1e-12)
    assert thermal.conductivity_w_per_m_k == 0.19
    assert (thermal.density_kg_per_m3, thermal.heat_capacity_j_per_kg_k) == (1100.0, 1500.0)
    assert rules.dew_point_max_c == -40.0


def test_ageing_has_both_bounds_and_a_lower_end_by_default(plant: Plant) -> None:
    """60 and 100 kJ/mol, and nothing below 40 degC."""
    plant.change(material(AGEING))
    assert rules_of(plant).ageing == AgeingRules(28_800.0, 110.0, 60e3, 100e3, 40.0)


def test_two_points_stand_for_the_activation_energy_of_flow(plant: Plant) -> None:
    """In any order; the first of them is the known viscosity."""
    for points in ("[[100, 22.7], [120.0, 10]]", "[[120.0, 10], [100, 22.7]]"):
        plant.change((FLOW, f"viscosity_points = {points}"))
        rules = rules_of(plant)
        # R ln(22.7/10) / (1/373.15 K - 1/393.15 K)
        by_hand = 8.31446261815324 * math.log(2.27) / (1 / 373.15 - 1 / 393.15)
        assert rules.flow_ea_j_per_mol == pytest.approx(by_hand, rel=1e-12)
        assert rules.flow_ea_j_per_mol == pytest.approx(50e3, rel=1e-4)
        first = (100.0, 22.7) if points.startswith("[[100,") else (120.0, 10.0)
        assert (rules.viscosity_at_c, rules.viscosity_pa_s) == first


def test_where_the_numbers_are_from_is_told_of_each_table(plant: Plant) -> None:
    """Sources that differ from the material's own are named by their table."""
    plant.change(material(AGEING, THERMAL))
    assert rules_of(plant).source == (
        "demo: use your supplier's data sheet; ageing: demo: own trial; thermal: demo: table"
    )
    same = THERMAL.replace("demo: table", "demo: use your supplier's data sheet")
    plant.change(material(same))
    assert rules_of(plant).source == "demo: use your supplier's data sheet"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            FLOW,
            "",
            f"{PLACE}: expected flow_activation_kj_per_mol or viscosity_points, got none; "
            "nothing was started; how steeply it stiffens when colder, told as one number or by "
            "two points",
        ),
        (
            FLOW,
            f"{FLOW}\nviscosity_points = [[100.0, 22.7], [120.0, 10.0]]",
            f"{PLACE}: expected flow_activation_kj_per_mol or viscosity_points, got both; "
            "nothing was started; how steeply it stiffens when colder, told as one number or by "
            "two points",
        ),
        (
            FLOW,
            "viscosity_points = [[100.0, 10.0], [120.0, 22.7]]",
            f"{PLACE}.viscosity_points: expected a viscosity that falls from the colder point to "
            "the hotter, got 10.0 Pa s at 100.0 degC and 22.7 Pa s at 120.0 degC; "
            "nothing was started; each point is [temperature, viscosity] [degC, Pa s]",
        ),
        (
            FLOW,
            "viscosity_points = [[100.0, 22.7], [120.0, 0.0]]",
            f"{PLACE}.viscosity_points: expected viscosities above 0 Pa s at temperatures above "
            "-273.15 degC, got 0.0 Pa s at 120.0 degC; nothing was started; "
            "each point is [temperature, viscosity] [degC, Pa s]",
        ),
        (
            FLOW,
            "viscosity_points = [[119.0, 22.7], [120.0, 10.0]]",
            f"{PLACE}.viscosity_points: expected an activation energy of 500 kJ/mol or less "
            "between the points, got 1051 kJ/mol; nothing was started; take points further "
            "apart, and look for a slip in one of them",
        ),
        (
            FLOW,
            "viscosity_points = [[120.0, 10.0]]",
            f"{PLACE}.viscosity_points: expected 2 entries, got [[120.0, 10.0]]; "
            "nothing was started; instead of flow_activation_kj_per_mol: two points of the data "
            "sheet, each [temperature, viscosity] [degC, Pa s]",
        ),
        (
            FLOW,
            "viscosity_points = [[100.0, 22.7], [120.0]]",
            f"{PLACE}.viscosity_points[1]: expected 2 entries, got [120.0]; nothing was started",
        ),
        (
            "degradation_activation",
            "dew_point_max_c = 60.0\ndegradation_activation",
            f"{PLACE}.dew_point_max_c: expected 30 degC or less, got 60.0 degC; "
            "nothing was started; highest pressure dew point of the dispensing air; left out: no "
            "limit [degC]",
        ),
        (
            'source = "demo: use your supplier\'s data sheet"',
            'source = "democratic vote"\ndemo = true',
            f'{PLACE}.source: expected a text with the word demo, got "democratic vote"; '
            "nothing was started; demo = true says that the numbers are invented",
        ),
    ],
)
def test_a_material_that_contradicts_itself_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """One way to tell how it flows, points that fall with heat, invented numbers said to be."""
    assert plant.fault((old, new)) == sentence


def test_a_faulty_energy_of_flow_is_one_fault(plant: Plant) -> None:
    """It is there, so it is not called missing as well."""
    fault = plant.fault((FLOW, "flow_activation_kj_per_mol = -5"))
    assert fault.startswith(f"{PLACE}.flow_activation_kj_per_mol: expected more than 0 kJ/mol")
    faults = plant.faults((FLOW, 'viscosity_points = [["100", 22.7], [120.0, 10.0]]'))
    assert faults == [
        f'{PLACE}.viscosity_points[0][0]: expected a number, got "100"; nothing was started'
    ]


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "pot_life_h = 8.0",
            "",
            f"{PLACE}.ageing.pot_life_h: expected a value, got none; nothing was started; "
            "closed, dry pot life at the temperature at_c [h]",
        ),
        (
            "pot_life_h = 8.0",
            "pot_life_h = 0.0",
            f"{PLACE}.ageing.pot_life_h: expected 0.01 h or more, got 0.0 h; nothing was started; "
            "closed, dry pot life at the temperature at_c [h]",
        ),
        (
            "at_c = 110.0",
            "at_c = 141.0",
            f"{PLACE}.ageing.at_c: expected more than stops_below_c = 40.0 degC and at most "
            "ceiling_c = 140.0 degC, got 141.0 degC; nothing was started; "
            "a pot life is stated where the adhesive is used",
        ),
        (
            "at_c = 110.0",
            "at_c = 60.0\nstops_below_c = 60.0",
            f"{PLACE}.ageing.at_c: expected more than stops_below_c = 60.0 degC and at most "
            "ceiling_c = 140.0 degC, got 60.0 degC; nothing was started; "
            "a pot life is stated where the adhesive is used",
        ),
        (
            "at_c = 110.0",
            "at_c = 110.0\nactivation_low_kj_per_mol = 110.0",
            f"{PLACE}.ageing: activation_low_kj_per_mol = 110.0 kJ/mol is above "
            "activation_high_kj_per_mol = 100.0 kJ/mol; nothing was started; "
            "correct one of the two",
        ),
        (
            'source = "demo: own trial"',
            'source = ""',
            f'{PLACE}.ageing.source: expected a text that is not empty, got ""; '
            "nothing was started; where these numbers are from: data sheet with its date, or a "
            "trial of your own",
        ),
    ],
)
def test_ageing_that_cannot_be_is_refused(plant: Plant, old: str, new: str, sentence: str) -> None:
    """Its life, its bounds and the temperature it holds for, each with its reason."""
    assert plant.fault(material(AGEING.replace(old, new))) == sentence


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "diffusivity_mm2_per_s = 0.115",
            "diffusivity_mm2_per_s = 1.15",
            f"{PLACE}.thermal.diffusivity_mm2_per_s: expected 1 mm2/s or less, got 1.15 mm2/s; "
            "nothing was started; thermal diffusivity, best value, 0.03 to 1 [mm2/s]",
        ),
        (
            "diffusivity_mm2_per_s = 0.115",
            "diffusivity_mm2_per_s = 0.133",
            f"{PLACE}.thermal: diffusivity_mm2_per_s = 0.133 mm2/s is outside its range, "
            "diffusivity_low_mm2_per_s = 0.098 to diffusivity_high_mm2_per_s = 0.132 mm2/s; "
            "nothing was started; correct one of the three",
        ),
        (
            "heat_capacity_j_per_kg_k = 1500.0",
            "heat_capacity_j_per_kg_k = 1900.0",
            f"{PLACE}.thermal: expected conductivity / (density * heat capacity) from 0.098 to "
            "0.132 mm2/s, as the diffusivity is said to be, got 0.0909 mm2/s; "
            "nothing was started; both are the same quantity; correct the range or one of the "
            "three numbers",
        ),
        (
            "conductivity_w_per_m_k = 0.19",
            "conductivity_w_per_m_k = 0.019",
            f"{PLACE}.thermal.conductivity_w_per_m_k: expected 0.05 W/(m K) or more, got "
            "0.019 W/(m K); nothing was started; thermal conductivity, 0.05 to 2 [W/(m K)]",
        ),
        (
            "density_kg_per_m3 = 1100.0",
            "density_kg_per_m3 = 1.1",
            f"{PLACE}.thermal.density_kg_per_m3: expected 500 kg/m3 or more, got 1.1 kg/m3; "
            "nothing was started; density of the melt, 500 to 3000 [kg/m3]",
        ),
        (
            "heat_capacity_j_per_kg_k = 1500.0",
            "heat_capacity_j_per_kg_k = 5000.0",
            f"{PLACE}.thermal.heat_capacity_j_per_kg_k: expected 4000 J/(kg K) or less, got "
            "5000.0 J/(kg K); nothing was started; specific heat capacity of the melt, 800 to "
            "4000 [J/(kg K)]",
        ),
        (
            'source = "demo: table"',
            "",
            f"{PLACE}.thermal.source: expected a value, got none; nothing was started; "
            "where these numbers are from: data sheet, measurement, or a table for its chemistry",
        ),
    ],
)
def test_heat_numbers_that_cannot_be_are_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """A slip of a power of ten, a range that does not hold, numbers that do not fit."""
    assert plant.fault(material(THERMAL.replace(old, new))) == sentence


def test_storage_open_time_and_rework_arrive_in_seconds(plant: Plant) -> None:
    """Hours and minutes become s, and the caution stands as it was written."""
    plant.change(material(REWORK, STORAGE))
    rules = rules_of(plant)
    assert rules.storage == StorageRules(30.0, 86_400.0, 25.0, 28_800.0)
    assert (rules.open_time_s, rules.rework_s) == (180.0, 600.0)
    assert rules.rework_caution == "Hot parts and vapours: qualified people only."


def test_a_store_may_be_limited_in_one_way_only(plant: Plant) -> None:
    """What is not told is not limited; the mean kinetic temperature has its usual energy."""
    told = '[materials.storage]\nlimit_c = 28.0\nout_of_store_max_h = 0.0\nsource = "trial"'
    plant.change(material(told))
    assert rules_of(plant).storage == StorageRules(28.0, None, None, 0.0, 83_144.0)


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            '[materials.storage]\nlimit_c = 30.0\nsource = "trial"',
            f"{PLACE}.storage: expected above_max_h, mean_kinetic_max_c or out_of_store_max_h, got "
            "none; nothing was started; nothing would be limited; add one of them, or take the "
            "table out",
        ),
        (
            STORAGE.replace("limit_c = 30.0", "limit_c = 140.0"),
            f"{PLACE}.storage.limit_c: expected less than ceiling_c = 140.0 degC, got 140.0 degC; "
            "nothing was started; a store is colder than the melt",
        ),
        (
            STORAGE.replace("max_c = 25.0", "max_c = 250.0"),
            f"{PLACE}.storage.mean_kinetic_max_c: expected less than ceiling_c = 140.0 degC, got "
            "250.0 degC; nothing was started; a store is colder than the melt",
        ),
        (
            STORAGE.replace("above_max_h = 24.0", "above_max_h = -1.0"),
            f"{PLACE}.storage.above_max_h: expected 0 h or more, got -1.0 h; nothing was started; "
            "longest time above it [h]",
        ),
        (
            '[materials.storage]\nlimit_c = 30.0\nabove_max_h = "1"\nsource = "trial"',
            f'{PLACE}.storage.above_max_h: expected a number, got "1"; nothing was started; '
            "longest time above it [h]",
        ),
        (
            "rework_min = 10.0",
            f"{PLACE}.rework_caution: expected a text, got none; nothing was started; "
            "say what must be minded: heat, vapours, tools, who may do it",
        ),
        (
            'rework_min = 10.0\nrework_caution = ""',
            f'{PLACE}.rework_caution: expected a text that is not empty, got ""; '
            "nothing was started; what must be minded when doing that; needed beside rework_min",
        ),
        (
            "open_time_s = 0.0",
            f"{PLACE}.open_time_s: expected more than 0 s, got 0.0 s; nothing was started; "
            "longest time from the begin of dispensing to joining; left out: not watched [s]",
        ),
    ],
)
def test_storage_and_rework_that_would_tell_half_are_refused(
    plant: Plant, told: str, sentence: str
) -> None:
    """A store without a limit, a limit no store has, a rework time without its caution."""
    assert plant.fault(material(told)) == sentence


def test_invented_numbers_are_said_to_be_in_every_table(plant: Plant) -> None:
    """A demo material names the demo in each of its sources."""
    told = [
        AGEING.replace("demo: own trial", "trial"),
        THERMAL.replace("demo: table", "table"),
        STORAGE.replace("demo: own rule", "rule"),
    ]
    assert plant.faults(material("demo = true", *told)) == [
        f'{PLACE}.{table}.source: expected a text with the word demo, got "{source}"; '
        "nothing was started; demo = true says that the numbers are invented"
        for table, source in (("ageing", "trial"), ("thermal", "table"), ("storage", "rule"))
    ]


def test_a_material_that_no_zone_uses_is_checked_all_the_same(plant: Plant) -> None:
    """A slip is told before the day it is needed, and a good one is not noted."""
    other = MATERIAL.replace("demo_silicone", "spare")
    assert plant.fault(more=other + AGEING.replace("110.0", "150.0")).startswith(
        "plant.toml, materials.spare.ageing.at_c: expected"
    )
    plant.change(more=other + "demo = true")
    assert not any("spare" in notice for notice in plant.load().notices)


def test_a_demo_material_is_noted_once(plant: Plant) -> None:
    """Both zones have it."""
    plant.change(material("demo = true"))
    assert rules_of(plant).is_demo
    notice = "materials.demo_silicone: demo material, use your supplier's data sheet"
    assert plant.load().notices.count(notice) == 1
