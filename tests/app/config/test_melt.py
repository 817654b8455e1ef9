"""Soak, tip, charge and air: defaults, SI units, and what contradicts what."""

from __future__ import annotations

import pytest

from app.config.plant import (
    AGEING,
    DEW_POINT,
    HUMIDITY,
    THERMAL,
    Plant,
    cell,
    material,
    nozzle,
    syringe,
)
from watchedpot.core.rules import (
    AirRules,
    ChargeRules,
    Dosing,
    FinRules,
    SoakRules,
    TipRules,
    ZoneRules,
)

CELL = "plant.toml, cells.lens_4"
SYRINGE = f"{CELL}.zones.syringe"
NOZZLE = f"{CELL}.zones.nozzle"
SOAK = "[cells.zones.soak]"
TIP = "[cells.zones.tip]\nlow_c = 110.0"
CHARGE = "[cells.charge]"
AIR = "[cells.air]\nline_bar_abs = 7.0"
DRY = "dew_point_max_c = -20.0"
PARTS = "[cells.channels.parts]"


def zones_of(plant: Plant) -> tuple[ZoneRules, ZoneRules]:
    """Syringe and nozzle of the plant."""
    first, second = plant.load().cells[0].zones
    return first, second


def test_what_is_not_told_of_the_melt_is_not_known(plant: Plant) -> None:
    """No soak, no tip, no hold-up, no air; a charge of which nothing is known."""
    (rules,) = plant.load().cells
    assert rules.charge == ChargeRules()
    assert rules.air is None
    assert [(zone.soak, zone.tip, zone.hold_up_m3) for zone in rules.zones] == [(None,) * 3] * 2


def test_a_radius_is_enough_for_a_soak(plant: Plant) -> None:
    """Ready at the low edge of the window, from 23 degC, by 100 W/(m2 K), within 2 K."""
    plant.change(material(THERMAL), syringe(SOAK, "radius_mm = 10"))
    soak = zones_of(plant)[0].soak
    assert soak == SoakRules(104.0, 23.0, 0.01, 100.0, None, 2.0)
    assert not any("soak" in notice for notice in plant.load().notices)


def test_a_soak_may_be_told_in_full(plant: Plant) -> None:
    """Each key has its place in the rules, lengths in m."""
    keys = ("radius_mm = 12.5", "ready_c = 108.0", "start_c = 5.0", "wall_w_per_m2_k = 40.0")
    plant.change(material(THERMAL), syringe(SOAK, *keys, "tolerance_k = 0.0"))
    assert zones_of(plant)[0].soak == SoakRules(108.0, 5.0, 0.0125, 40.0, None, 0.0)


def test_a_timer_needs_no_heat_numbers(plant: Plant) -> None:
    """Minutes become seconds."""
    plant.change(syringe(SOAK, "timer_min = 20.0"))
    assert zones_of(plant)[0].soak == SoakRules(104.0, timer_s=1200.0)


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            "",
            f"{SYRINGE}.soak: expected radius_mm or timer_min, got none; nothing was started; "
            "with the radius the core is computed, without it a time must do",
        ),
        (
            "radius_mm = 11.3\ntimer_min = 20.0",
            f"{SYRINGE}.soak: expected radius_mm or timer_min, got both; nothing was started; "
            "with the radius the core is computed, without it a time must do",
        ),
        (
            "radius_mm = 0.0113",
            f"{SYRINGE}.soak.radius_mm: expected 1 mm or more, got 0.0113 mm; "
            "nothing was started; inner radius of the container; the core is then computed [mm]",
        ),
        (
            "timer_min = 0",
            f"{SYRINGE}.soak.timer_min: expected more than 0 min, got 0 min; nothing was started; "
            "where the radius is not known: time in the window from cold [min]",
        ),
        (
            "timer_min = 20.0\nwall_w_per_m2_k = 90.0",
            f"{SYRINGE}.soak.wall_w_per_m2_k: expected no such key beside timer_min, got 90.0; "
            "nothing was started; take one of the two out",
        ),
        (
            "timer_min = 20.0\ntolerance_k = 1.0",
            f"{SYRINGE}.soak.tolerance_k: expected no such key beside timer_min, got 1.0; "
            "nothing was started; take one of the two out",
        ),
        (
            "radius_mm = 11.3\nready_c = 103.0",
            f"{SYRINGE}.soak.ready_c: expected a value inside the window, 104.0 to 118.0 degC, "
            "got 103.0 degC; nothing was started; correct the window or ready_c",
        ),
        (
            "radius_mm = 11.3\nready_c = 118.0",
            f"{SYRINGE}.soak.ready_c: expected a value inside the window, 104.0 to 118.0 degC, "
            "got 118.0 degC; nothing was started; correct the window or ready_c",
        ),
        (
            "radius_mm = 11.3\nready_c = 110.0",
            f"{SYRINGE}.soak.ready_c: expected less than setpoint_c = 110.0 degC, got 110.0 degC; "
            "nothing was started; a core comes near the setpoint, never to it",
        ),
        (
            "radius_mm = 11.3\nstart_c = 61.0",
            f"{SYRINGE}.soak.start_c: expected 60 degC or less, got 61.0 degC; "
            "nothing was started; temperature of a charge of which nothing else is known, "
            "-20 to 60 [degC]",
        ),
    ],
)
def test_a_soak_that_contradicts_itself_is_refused(plant: Plant, keys: str, sentence: str) -> None:
    """Radius or time, and start, ready and setpoint in their order."""
    assert plant.fault(material(THERMAL), syringe("setpoint_c = 110.0", SOAK, keys)) == sentence


def test_a_charge_from_the_shelf_may_not_count_as_warm(plant: Plant) -> None:
    """A start at or above what the core must reach is refused."""
    keys = ("timer_min = 20.0", "start_c = 40.0")
    low = ("window_low_c = 104.0", "window_low_c = 39.0\noff_below_c = 30.0")
    assert plant.fault(low, syringe(SOAK, *keys)) == (
        f"{SYRINGE}.soak.start_c: expected less than ready_c = 39.0 degC, got 40.0 degC; "
        "nothing was started; every new charge would count as warm"
    )


def test_a_radius_needs_the_materials_heat_numbers(plant: Plant) -> None:
    """Without them there is nothing to compute with; faulty ones are not called missing."""
    assert plant.fault(syringe(SOAK, "radius_mm = 11.3")) == (
        f"{SYRINGE}.soak.radius_mm: expected a table thermal of material demo_silicone beside it, "
        "got none; nothing was started; add [materials.thermal], or give timer_min instead"
    )
    faulty = material(THERMAL.replace("density_kg_per_m3 = 1100.0", ""))
    assert plant.fault(faulty, syringe(SOAK, "radius_mm = 11.3")).startswith(
        "plant.toml, materials.demo_silicone.thermal.density_kg_per_m3: expected a value, got none"
    )


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            nozzle(SOAK, "timer_min = 5.0"),
            f"{NOZZLE}.soak: expected it on a tank or cartridge or syringe only, got it on a "
            "nozzle; nothing was started; a charge lies in a reservoir; take it out",
        ),
        (
            syringe(TIP, "offset_k = 5.0"),
            f"{SYRINGE}.tip: expected it on a nozzle only, got it on a syringe; "
            "nothing was started; only a nozzle has a tip; take it out",
        ),
        (
            syringe("hold_up_ml = 30.0"),
            f"{SYRINGE}.hold_up_ml: expected it on a hose or nozzle only, got it on a syringe; "
            "nothing was started; a reservoir holds the charge itself; take it out",
        ),
    ],
)
def test_a_table_stands_in_a_zone_that_has_a_use_for_it(
    plant: Plant, change: tuple[str, str], sentence: str
) -> None:
    """Soaks of reservoirs, tips of nozzles, hold-up of what the melt only passes."""
    assert plant.fault(change) == sentence


def test_a_hold_up_arrives_in_cubic_metres(plant: Plant) -> None:
    """A millilitre is a millionth."""
    plant.change(nozzle("hold_up_ml = 0.5"))
    assert zones_of(plant)[1].hold_up_m3 == 0.5e-6


def test_a_tip_by_its_gauge_is_of_stainless_steel_in_still_air(plant: Plant) -> None:
    """Outer diameter and bore by the table of gauges (regular wall, Birmingham gauge)."""
    plant.change(nozzle(TIP, "length_mm = 4.0", "gauge = 16"))
    assert zones_of(plant)[1].tip == TipRules(
        110.0, FinRules(0.004, 1.651e-3, 1.194e-3, 16.0, 0.3, None), None
    )


def test_a_tip_may_be_told_in_full(plant: Plant) -> None:
    """A tip of brass in a draught."""
    keys = ("length_mm = 8", "outer_mm = 4.0", "bore_mm = 0.5", "film_w_per_m2_k = 60.0")
    plant.change(nozzle(TIP, *keys, "conductivity_w_per_m_k = 110.0", "emissivity = 0.8"))
    assert zones_of(plant)[1].tip == TipRules(
        110.0, FinRules(0.008, 0.004, 0.0005, 110.0, 0.8, 60.0), None
    )


def test_a_measured_offset_is_enough_for_a_tip(plant: Plant) -> None:
    """No geometry beside it."""
    plant.change(nozzle(TIP, "offset_k = 5.0"))
    assert zones_of(plant)[1].tip == TipRules(110.0, None, 5.0)
    assert not any("tip" in notice for notice in plant.load().notices)


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            "",
            f"{NOZZLE}.tip: expected length_mm or offset_k, got none; nothing was started; "
            "the tip's geometry, or how much colder it was measured to be",
        ),
        (
            "length_mm = 6.0\ngauge = 16\noffset_k = 5.0",
            f"{NOZZLE}.tip: expected length_mm or offset_k, got both; nothing was started; "
            "the tip's geometry, or how much colder it was measured to be",
        ),
        (
            "offset_k = 5.0\ngauge = 16",
            f"{NOZZLE}.tip.gauge: expected no such key beside offset_k, got 16; "
            "nothing was started; take one of the two out",
        ),
        (
            "length_mm = 6.0",
            f"{NOZZLE}.tip: expected gauge, or outer_mm and bore_mm, beside length_mm, got none; "
            "nothing was started; how thick the tip is, and how wide its bore",
        ),
        (
            "length_mm = 6.0\nouter_mm = 2.5",
            f"{NOZZLE}.tip: expected gauge, or outer_mm and bore_mm, beside length_mm, got "
            "outer_mm; nothing was started; how thick the tip is, and how wide its bore",
        ),
        (
            "length_mm = 6.0\nouter_mm = 2.5\nbore_mm = 0.0",
            f"{NOZZLE}.tip.bore_mm: expected 0.01 mm or more, got 0.0 mm; nothing was started; "
            "instead of gauge: diameter of the bore [mm]",
        ),
        (
            "length_mm = 6.0\nouter_mm = 0.6\nbore_mm = 2.5",
            f"{NOZZLE}.tip: bore_mm = 2.5 mm is not below outer_mm = 0.6 mm by 0.02 mm or more; "
            "nothing was started; there would be no wall",
        ),
        (
            "length_mm = 6.0\ngauge = 16\nbore_mm = 0.6",
            f"{NOZZLE}.tip.bore_mm: expected no such key beside gauge, got 0.6; "
            "nothing was started; take one of the two out",
        ),
        (
            "length_mm = 6.0\ngauge = 17",
            f"{NOZZLE}.tip.gauge: expected one of 14, 16, 18, 20, 21, 22, 23, 25, 27, 30, got 17; "
            "nothing was started; or give outer_mm and bore_mm",
        ),
        (
            "length_mm = 6.0\ngauge = 16\nemissivity = 1.2",
            f"{NOZZLE}.tip.emissivity: expected 1 or less, got 1.2; nothing was started; "
            "emissivity of its surface: bare metal about 0.3, soiled up to 0.9 [1]",
        ),
        (
            "length_mm = 0.006\ngauge = 16",
            f"{NOZZLE}.tip.length_mm: expected 0.1 mm or more, got 0.006 mm; "
            "nothing was started; instead of offset_k: length of the tip outside the heated "
            "block [mm]",
        ),
        (
            "offset_k = -5.0",
            f"{NOZZLE}.tip.offset_k: expected 0 K or more, got -5.0 K; nothing was started; "
            "block minus tip as measured at commissioning, without flow [K]",
        ),
    ],
)
def test_a_tip_that_contradicts_itself_is_refused(plant: Plant, keys: str, sentence: str) -> None:
    """Geometry or offset, gauge or diameters, a wall between outside and bore."""
    assert plant.fault(nozzle(TIP, keys)) == sentence


def test_a_tip_below_the_high_edge_of_the_window(plant: Plant) -> None:
    """A limit that no tip can reach is refused; low_c is needed."""
    assert plant.fault(nozzle("[cells.zones.tip]\nlow_c = 126.0\noffset_k = 5.0")) == (
        f"{NOZZLE}.tip.low_c: expected less than window_high_c = 126.0 degC, got 126.0 degC; "
        "nothing was started; a tip is never hotter than its block"
    )
    assert plant.fault(nozzle("[cells.zones.tip]\noffset_k = 5.0")) == (
        f"{NOZZLE}.tip.low_c: expected a value, got none; nothing was started; "
        "lowest temperature of the tip at which the melt still flows as it should [degC]"
    )


@pytest.mark.parametrize(
    ("keys", "still_c"),
    [
        # 120 degC less the offset
        ("offset_k = 10.5", "109.5"),
        # fin of 18G, 6 mm, film 20 W/(m2 K), 16 W/(m K), 23 degC around: closed form 108.98 degC,
        # gauge by the Birmingham table
        ("length_mm = 6.0\ngauge = 18\nfilm_w_per_m2_k = 20.0", "109.0"),
    ],
)
def test_a_tip_that_is_cold_at_its_setpoint_is_noted(plant: Plant, keys: str, still_c: str) -> None:
    """Where only flow brings it above its limit, the person who wires it is told."""
    plant.change(nozzle(TIP, keys))
    assert (
        f"cells.lens_4.zones.nozzle: at setpoint_c = 120.0 degC and without flow the tip is at "
        f"{still_c} degC, below its low_c = 110.0 degC"
    ) in plant.load().notices
    plant.change(("setpoint_c = 120.0\n", f"{TIP}\n{keys}\n"))
    assert not any("without flow" in notice for notice in plant.load().notices)


def test_a_charge_arrives_in_si_units(plant: Plant) -> None:
    """Grams, mg/s, minutes and hours become kg, kg/s and s."""
    keys = ("fill_g = 5000.0", "refill_g = 300", "flow_mg_per_s = 30.0", 'dosing = "volumetric"')
    warm = ("preheat_c = 100.0", "preheat_min = 20.0", "near_share = 0.5", "start_age_h = 1.5")
    plant.change(
        material(AGEING), cell(CHARGE, *keys, *warm), ('kind = "syringe"', 'kind = "tank"')
    )
    assert plant.load().cells[0].charge == ChargeRules(
        fill_kg=5.0,
        refill_kg=0.3,
        flow_kg_per_s=30e-6,
        dosing=Dosing.VOLUMETRIC,
        preheat_c=100.0,
        preheat_s=1200.0,
        near_share=0.5,
        start_age_s=5400.0,
    )


@pytest.mark.parametrize(
    ("keys", "sentence"),
    [
        (
            "refill_g = 5.0",
            f"{CELL}.charge.refill_g: expected it for a tank only, got it for a syringe; "
            "nothing was started; any other charge is changed as a whole; take it out",
        ),
        (
            "fill_g = 0.0",
            f"{CELL}.charge.fill_g: expected 0.01 g or more, got 0.0 g; nothing was started; "
            "mass of a full charge; left out: when it will be empty is not foretold [g]",
        ),
        (
            "flow_mg_per_s = 0",
            f"{CELL}.charge.flow_mg_per_s: expected 0.001 mg/s or more, got 0 mg/s; "
            "nothing was started; mean melt flow while dispensing, by weighing [mg/s]",
        ),
        (
            'dosing = "time-pressure"',
            f'{CELL}.charge.dosing: expected "time_pressure" or "volumetric", got '
            '"time-pressure"; nothing was started; did you mean time_pressure?',
        ),
        (
            "preheat_c = 100.0",
            f"{CELL}.charge.preheat_min: expected a value beside preheat_c, got none; "
            "nothing was started; a preheat is a temperature for a time",
        ),
        (
            "preheat_min = 20.0",
            f"{CELL}.charge.preheat_c: expected a value beside preheat_min, got none; "
            "nothing was started; a preheat is a temperature for a time",
        ),
        (
            "preheat_c = 140.5\npreheat_min = 20.0",
            f"{CELL}.charge.preheat_c: expected ceiling_c = 140.0 degC of material demo_silicone "
            "or less, got 140.5 degC; nothing was started; every charge would come overheated",
        ),
        (
            "preheat_c = 23.0\npreheat_min = 20.0",
            f"{CELL}.charge.preheat_c: expected more than ambient_c = 23.0 degC, got 23.0 degC; "
            "nothing was started; leave it out where charges come cold",
        ),
        (
            "near_share = 1.0",
            f"{CELL}.charge.near_share: expected less than 1, got 1.0; nothing was started; "
            "share of the pot life from which the charge is near its limit [1]",
        ),
        (
            "start_age_h = 1.0",
            f"{CELL}.charge.start_age_h: expected a table ageing of material demo_silicone beside "
            "it, got none; nothing was started; an age is counted against a pot life; "
            "add [materials.ageing]",
        ),
    ],
)
def test_a_charge_that_cannot_be_is_refused(plant: Plant, keys: str, sentence: str) -> None:
    """Refills of tanks only, preheats with temperature and time, shares below one."""
    assert plant.fault(cell(CHARGE, keys)) == sentence


def test_a_material_that_does_not_age_is_noted_once(plant: Plant) -> None:
    """Two cells with it are one notice."""
    second = """
[[cells]]
id = "lens_5"
[[cells.zones]]
id = "syringe"
kind = "syringe"
material = "demo_silicone"
window_low_c = 104.0
window_high_c = 118.0
[cells.zones.channels.temperature]
source = "lens_4"
node = "s=lens_5.syringe.temperature"
type = "float32"
unit = "degC"
plausible = [-20.0, 300.0]
"""
    plant.change(more=second)
    notice = "materials.demo_silicone: no ageing table, the age of a charge is not known"
    assert plant.load().notices.count(notice) == 1
    plant.change(material(AGEING), more=second)
    assert notice not in plant.load().notices


def test_a_charge_may_be_preheated_to_the_ceiling(plant: Plant) -> None:
    """At it, not above it."""
    plant.change(cell(CHARGE, "preheat_c = 140.0", "preheat_min = 20.0"))
    assert plant.load().cells[0].charge.preheat_c == 140.0


def test_a_refill_is_no_more_than_a_tank_holds(plant: Plant) -> None:
    """A full tank may be refilled from empty."""
    tank = ('kind = "syringe"', 'kind = "tank"')
    assert plant.fault(tank, cell(CHARGE, "fill_g = 5000.0", "refill_g = 5001.0")) == (
        f"{CELL}.charge: refill_g = 5001.0 g is above fill_g = 5000.0 g; nothing was started; "
        "correct one of the two"
    )
    plant.change(tank, cell(CHARGE, "fill_g = 5000.0", "refill_g = 5000.0"))
    assert plant.load().cells[0].charge.refill_kg == 5.0


def test_air_is_measured_at_the_line_unless_told_otherwise(plant: Plant) -> None:
    """Pressures in Pa; the dew point, or temperature and humidity, from their channels."""
    plant.change(material(DRY), cell(AIR), (PARTS, DEW_POINT + PARTS))
    (rules,) = plant.load().cells
    assert rules.air == AirRules(7e5, 7e5)
    assert (rules.dew_point, rules.air_temperature) == ("lens_4/dew_point", None)
    plant.change(material(DRY), cell(AIR, "measured_bar_abs = 1.0"), (PARTS, HUMIDITY + PARTS))
    (rules,) = plant.load().cells
    assert rules.air == AirRules(7e5, 1e5)
    assert rules.air_temperature == "lens_4/air_temperature"
    assert rules.air_humidity == "lens_4/air_humidity"


TEMPERATURE_ONLY = HUMIDITY[: HUMIDITY.index("[cells.channels.air_humidity]")]


@pytest.mark.parametrize(
    ("channels", "came"),
    [
        ("", "none"),
        (TEMPERATURE_ONLY, "air_temperature"),
        (DEW_POINT + TEMPERATURE_ONLY, "dew_point and air_temperature"),
        (DEW_POINT + HUMIDITY, "dew_point and air_temperature and air_humidity"),
    ],
)
def test_air_is_known_in_one_way(plant: Plant, channels: str, came: str) -> None:
    """By its dew point, or by temperature and humidity, not by half of it or by both."""
    assert plant.fault(material(DRY), cell(AIR), (PARTS, channels + PARTS)) == (
        f"{CELL}.air: expected the channel dew_point, or both air_temperature and air_humidity, "
        f"got {came}; nothing was started; one way to know how moist the air is"
    )


def test_a_faulty_channel_of_the_air_is_not_called_missing(plant: Plant) -> None:
    """Only its own fault is told."""
    faulty = DEW_POINT.replace('type = "float32"', 'type = "float23"')
    assert plant.fault(material(DRY), cell(AIR), (PARTS, faulty + PARTS)).startswith(
        f"{CELL}.channels.dew_point.type: expected"
    )


def test_channels_of_the_air_need_its_pressures(plant: Plant) -> None:
    """A dew point alone says nothing of another pressure; faulty pressures are not missing."""
    assert plant.fault(material(DRY), (PARTS, HUMIDITY + PARTS)) == (
        f"{CELL}.air: expected a table beside air_temperature and air_humidity, got none; "
        "nothing was started; a dew point holds for a pressure: that of the line, and at the "
        "sensor"
    )
    gauge = AIR.replace("7.0", "0.6")
    assert plant.fault(material(DRY), cell(gauge), (PARTS, HUMIDITY + PARTS)) == (
        f"{CELL}.air.line_bar_abs: expected 0.8 bar or more, got 0.6 bar; nothing was started; "
        "absolute pressure at which the air meets the adhesive: what a gauge shows, plus about 1; "
        "0.8 to 25 [bar]"
    )


def test_air_needs_a_limit_of_the_material(plant: Plant) -> None:
    """Without one it could never be too moist."""
    assert plant.fault(cell(AIR), (PARTS, DEW_POINT + PARTS)) == (
        f"{CELL}.air: expected dew_point_max_c of material demo_silicone beside it, got none; "
        "nothing was started; there is nothing to hold the air against"
    )


def test_air_needs_a_reservoir(plant: Plant) -> None:
    """In a hose it meets nothing; a reservoir with a fault is not called missing."""
    air = (material(DRY), cell(AIR), (PARTS, DEW_POINT + PARTS))
    assert plant.fault(*air, ('kind = "syringe"', 'kind = "hose"')) == (
        f"{CELL}.air: expected a tank, cartridge or syringe among the zones, got none; "
        "nothing was started; there the air meets the adhesive"
    )
    assert plant.fault(*air, ('kind = "syringe"', 'kind = "syrinje"')).startswith(
        f"{SYRINGE}.kind: expected"
    )


@pytest.mark.parametrize(
    ("pressure", "plausible", "limit_c"),
    [
        ("measured_bar_abs = 7.0", "-80.0, -20.0", "-20.0"),
        ("measured_bar_abs = 7.0", "-20.0, 20.0", "-20.0"),
        # a seventh of 103.3 Pa over ice at -20 degC is 14.75 Pa, between 12.84 Pa at -40 degC and
        # 16.06 Pa at -38 degC (tables of vapour pressure over ice, from memory)
        ("measured_bar_abs = 1.0", "-80.0, -40.0", "-38.8"),
    ],
)
def test_a_range_that_ends_before_the_limit_is_refused(
    plant: Plant, pressure: str, plausible: str, limit_c: str
) -> None:
    """What is not believed could not be judged; the limit is that at the sensor's pressure."""
    wired = DEW_POINT.replace("-80.0, 20.0", plausible)
    low, high = (f"{float(edge):g}" for edge in plausible.split(", "))
    assert plant.fault(material(DRY), cell(AIR, pressure), (PARTS, wired + PARTS)) == (
        f"{CELL}.channels.dew_point.plausible: expected a range beyond {limit_c} degC, which "
        f"dew_point_max_c = -20.0 degC is at the sensor, got {low} to {high} degC; "
        "nothing was started; a reading outside it is not believed and could not be judged"
    )


def test_a_range_that_is_not_told_causes_no_second_fault(plant: Plant) -> None:
    """A dew point without a plausible range is one fault."""
    wired = DEW_POINT.replace("plausible = [-80.0, 20.0]\n", "")
    assert plant.fault(material(DRY), cell(AIR), (PARTS, wired + PARTS)).startswith(
        f"{CELL}.channels.dew_point.plausible: expected [low, high], got none"
    )


def test_a_range_the_wrong_way_round_causes_no_second_fault(plant: Plant) -> None:
    """It is refused for itself, not held against the limit as well."""
    wired = DEW_POINT.replace("-80.0, 20.0", "-30.0, -80.0")
    assert plant.fault(material(DRY), cell(AIR), (PARTS, wired + PARTS)) == (
        f"{CELL}.channels.dew_point.plausible: the first number = -30.0 is not below the second = "
        "-80.0; nothing was started; correct one of the two"
    )
