"""Saturation, dew point, pressure dew point: printed values, the reference laws, a weather year."""

from __future__ import annotations

import csv
from importlib.metadata import PackageNotFoundError, distribution
from math import inf, isnan, nan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from watchedpot.core.humidity import (
    ICE,
    WATER,
    Surface,
    dew_point_c,
    pressure_dew_point_c,
    saturation_pressure_pa,
    saturation_temp_c,
)

SURFACES = {"water": WATER, "ice": ICE}
ATMOSPHERE_PA = 101325.0
LINE_PA = 801325.0
"""7 bar above the atmosphere."""

WMO_HPA = [
    (WATER, -45.0, 0.111708, 2e-4),
    (WATER, 0.0, 6.112, 2e-4),
    (WATER, 10.0, 12.2603, 2e-4),
    (WATER, 20.0, 23.3260, 2e-4),
    (WATER, 23.0, 28.0251, 2e-4),
    (WATER, 30.0, 42.3372, 2e-4),
    (WATER, 50.0, 123.4516, 2e-4),
    (ICE, -20.0, 1.03261, 1e-5),
    (ICE, -40.0, 0.128498, 1e-5),
    (ICE, -60.0, 0.010804, 1e-5),
]
"""WMO-No. 8, Annex 4.B, computed elsewhere; the constants over ice from memory."""

ASHRAE_HPA = [
    (WATER, 20.0, 23.388, 3.3e-3),
    (WATER, 25.0, 31.692, 3.3e-3),
    (WATER, 40.0, 73.835, 3.3e-3),
    (ICE, -20.0, 1.0326, 4e-4),
    (ICE, -40.0, 0.12845, 4e-4),
]
"""ASHRAE Handbook Fundamentals (2017), ch. 1, by the library psychrolib; relative tolerances. The
values themselves hold to 6e-4: over water the Magnus form is up to 0.31 % low, 0.05 K."""

DEW_POINTS_C = [
    (20.0, 50.0, 9.27, 0.05),
    (25.0, 60.0, 16.70, 0.05),
    (23.0, 40.0, 8.69, 0.05),
    (50.0, 70.0, 42.99, 0.05),
    (20.0, 5.0, -18.70, 0.05),
    (23.0, 1.0, -32.87, 0.05),
    (10.0, 50.0, 0.048, 0.03),
]
"""Temperature, humidity, dew or frost point: ASHRAE Handbook Fundamentals (2017), ch. 1, by the
libraries psychrolib and CoolProp; the last as printed in the documentation of MetPy."""

PRINTED_DEW_POINTS_C = [
    (50.0, 70.0, 43.0),
    (20.0, 50.0, 9.0),
    (30.0, 50.0, 18.0),
    (40.0, 50.0, 27.0),
    (20.0, 80.0, 16.0),
    (10.0, 90.0, 8.0),
]
"""A dew-point table of a humidity handbook, in whole degrees."""

SATURATED_G_PER_M3 = {50.0: 83.0, 30.0: 30.4, 20.0: 17.3, 10.0: 9.4}
"""Absolute humidity at saturation, from the same table."""

EXPANDED_C = [
    (10.0, -15.67, 0.03),
    (3.0, -20.77, 0.01),
    (-20.0, -39.85, 0.01),
    (-40.0, -56.95, 0.01),
    (-70.0, -83.02, 0.05),
]
"""Pressure dew point at 7 bar above the atmosphere, frost point once expanded: IAPWS R14-08 and
R7-97 with constant vapour fraction, by the library iapws. Those hold to 0.01 K. The Magnus form
is widened at 10 degC, where it is 0.18 % low, and at -70, beyond the range of WMO-No. 8."""


def sublimation_pa(temp_k: float) -> float:
    """Pressure over ice by IAPWS R14-08(2011), eq. 6."""
    share = temp_k / 273.16
    terms = (
        -0.212144006e2 * share**0.333333333e-2
        + 0.273203819e2 * share**0.120666667e1
        - 0.610598130e1 * share**0.170333333e1
    )
    return 611.657 * float(np.exp(terms / share))


def saturation_pa(temp_k: float) -> float:
    """Pressure over water by IAPWS R7-97(2012), region 4, eq. 30."""
    n1, n2, n3, n4, n5 = (
        0.11670521452767e4,
        -0.72421316703206e6,
        -0.17073846940092e2,
        0.12020824702470e5,
        -0.32325550322333e7,
    )
    n6, n7, n8, n9, n10 = (
        0.14915108613530e2,
        -0.48232657361591e4,
        0.40511340542057e6,
        -0.23855557567849,
        0.65017534844798e3,
    )
    theta = temp_k + n9 / (temp_k - n10)
    a = theta**2 + n1 * theta + n2
    b = n3 * theta**2 + n4 * theta + n5
    c = n6 * theta**2 + n7 * theta + n8
    return 1e6 * float(2.0 * c / (-b + np.sqrt(b**2 - 4.0 * a * c))) ** 4


@pytest.mark.parametrize(
    ("temp_k", "pressure_pa", "tolerance_pa"),
    [(300.0, 3.53658941e3, 1e-5), (500.0, 2.63889776e6, 1e-2), (600.0, 12.3443146e6, 1e-1)],
)
def test_the_reference_over_water_has_its_check_values(
    temp_k: float, pressure_pa: float, tolerance_pa: float
) -> None:
    """The law that ours is held against gives what its standard prints.

    Source: IAPWS R7-97(2012), Table 35; from memory, agrees with the library iapws.
    """
    assert saturation_pa(temp_k) == pytest.approx(pressure_pa, abs=tolerance_pa)


def test_the_reference_over_ice_has_its_check_value() -> None:
    """The law that ours is held against gives what its standard prints.

    Source: IAPWS R14-08(2011); from memory, agrees with the library iapws.
    """
    assert sublimation_pa(230.0) == pytest.approx(8.94735, abs=1e-5)


@pytest.mark.parametrize(("over", "temp_c", "pressure_hpa", "tolerance_hpa"), WMO_HPA)
def test_the_magnus_forms_are_those_of_wmo(
    over: Surface, temp_c: float, pressure_hpa: float, tolerance_hpa: float
) -> None:
    """Saturation pressures are the printed ones, to their last digit."""
    found_hpa = saturation_pressure_pa(temp_c, over) / 100.0
    assert found_hpa == pytest.approx(pressure_hpa, abs=tolerance_hpa)


@pytest.mark.parametrize(("over", "temp_c", "pressure_hpa", "tolerance"), ASHRAE_HPA)
def test_saturation_is_near_the_handbook(
    over: Surface, temp_c: float, pressure_hpa: float, tolerance: float
) -> None:
    """A simple form is within a third of a percent of an elaborate one."""
    found_hpa = saturation_pressure_pa(temp_c, over) / 100.0
    assert found_hpa == pytest.approx(pressure_hpa, rel=tolerance)


@pytest.mark.parametrize(
    ("temp_c", "error_k"),
    [(0.01, 0.001), (10.0, 0.03), (25.0, 0.055), (40.0, 0.05), (60.0, 0.055), (100.0, 0.65)],
)
def test_dew_points_over_water_are_true(temp_c: float, error_k: float) -> None:
    """Against the reference within 0.06 K up to 60 degC, within 0.65 K at 100.

    Source: IAPWS R7-97(2012).
    """
    found_c = saturation_temp_c(saturation_pa(temp_c + 273.15), WATER)
    assert found_c == pytest.approx(temp_c, abs=error_k)


@pytest.mark.parametrize(
    ("temp_c", "error_k"),
    [(-0.01, 0.001), (-20.0, 0.003), (-40.0, 0.007), (-65.0, 0.015), (-80.0, 0.05), (-99.0, 0.14)],
)
def test_frost_points_are_true(temp_c: float, error_k: float) -> None:
    """Against the reference within 0.02 K down to -65 degC, within 0.14 K to the end.

    Source: IAPWS R14-08(2011).
    """
    found_c = saturation_temp_c(sublimation_pa(temp_c + 273.15), ICE)
    assert found_c == pytest.approx(temp_c, abs=error_k)


@pytest.mark.parametrize(("temp_c", "humidity_percent", "dew_c", "tolerance_k"), DEW_POINTS_C)
def test_dew_points_are_those_of_the_libraries(
    temp_c: float, humidity_percent: float, dew_c: float, tolerance_k: float
) -> None:
    """Dew points above 0 degC and frost points below agree with other libraries."""
    found_c = dew_point_c(temp_c, humidity_percent=humidity_percent)
    assert found_c == pytest.approx(dew_c, abs=tolerance_k)


@pytest.mark.parametrize(("temp_c", "humidity_percent", "dew_c"), PRINTED_DEW_POINTS_C)
def test_dew_points_are_those_of_a_printed_table(
    temp_c: float, humidity_percent: float, dew_c: float
) -> None:
    """Whole degrees, rounded by somebody, within 0.75 K."""
    assert dew_point_c(temp_c, humidity_percent=humidity_percent) == pytest.approx(dew_c, abs=0.75)


@pytest.mark.parametrize("temp_c", SATURATED_G_PER_M3)
def test_saturated_air_holds_the_printed_water(temp_c: float) -> None:
    """By the gas law of vapour, 461.5 J/(kg K), within 0.3 g/m3."""
    found = 1000.0 * saturation_pressure_pa(temp_c, WATER) / (461.5 * (temp_c + 273.15))
    assert found == pytest.approx(SATURATED_G_PER_M3[temp_c], abs=0.3)


def test_humidity_from_a_dew_point() -> None:
    """Air of 25 degC with a dew point of 12 has 44.25 % relative humidity.

    Source: documentation of MetPy (44.2484765), within 0.1 %.
    """
    found = saturation_pressure_pa(12.0, WATER) / saturation_pressure_pa(25.0, WATER)
    assert 100.0 * found == pytest.approx(44.25, abs=0.1)


def test_frost_and_dew_point_of_dry_air_differ() -> None:
    """Air of 20 degC and 5 % has its dew point over water at -20.89, 2.2 K below the frost point.

    Source: WMO-No. 8, Annex 4.B, computed elsewhere.
    """
    vapour_pa = 0.05 * saturation_pressure_pa(20.0, WATER)
    over_water_c = saturation_temp_c(vapour_pa, WATER)
    assert over_water_c == pytest.approx(-20.89, abs=0.02)
    assert dew_point_c(20.0, humidity_percent=5.0) - over_water_c == pytest.approx(2.2, abs=0.05)


@pytest.mark.parametrize(("line_c", "expanded_c", "tolerance_k"), EXPANDED_C)
def test_expanded_air_has_the_reference_frost_point(
    line_c: float, expanded_c: float, tolerance_k: float
) -> None:
    """The difference is no constant: 26 K for a dew point of 10 degC, 13 K for one of -70."""
    found_c = pressure_dew_point_c(line_c, from_pa=LINE_PA, to_pa=ATMOSPHERE_PA)
    assert found_c == pytest.approx(expanded_c, abs=tolerance_k)


def test_real_air_is_a_quarter_of_a_kelvin_above_ideal() -> None:
    """A pressure dew point of 3 degC expands to -20.53 in real air, 0.25 K above ours.

    Source: the library CoolProp, humid air, to 0.02 K.
    """
    found_c = pressure_dew_point_c(3.0, from_pa=LINE_PA, to_pa=ATMOSPHERE_PA)
    assert -20.53 - found_c == pytest.approx(0.25, abs=0.03)


def test_expanded_air_told_over_water() -> None:
    """The same air is at -23.14 for whoever tells dew points below 0 degC over water.

    Source: WMO-No. 8, Annex 4.B, computed elsewhere.
    """
    vapour_pa = saturation_pressure_pa(3.0, WATER) * ATMOSPHERE_PA / LINE_PA
    assert saturation_temp_c(vapour_pa, WATER) == pytest.approx(-23.14, abs=0.01)


def test_both_surfaces_meet_at_zero() -> None:
    """At 0 degC the dew point and the frost point are one, so the convention has no step."""
    assert saturation_pressure_pa(0.0, WATER) == saturation_pressure_pa(0.0, ICE) == 611.2
    assert dew_point_c(0.0, humidity_percent=100.0) == 0.0
    below_c, above_c = (
        dew_point_c(20.0, humidity_percent=percent)
        for percent in (100.0 * 611.2 / 2332.6 * (1.0 + step) for step in (-1e-4, 1e-4))
    )
    assert -0.01 < below_c < 0.0 < above_c < 0.01


@given(st.floats(0.01, 100.0), st.floats(0.01, 100.0))
def test_no_air_is_wetter_than_its_temperature(temp_c: float, humidity_percent: float) -> None:
    """Above 0 degC the dew point is never above the air, and equal at 100 %."""
    dew_c = dew_point_c(temp_c, humidity_percent=humidity_percent)
    assert dew_c <= temp_c + 1e-9
    assert dew_point_c(temp_c, humidity_percent=100.0) == pytest.approx(temp_c, abs=1e-9)


def test_saturated_cold_air_has_its_frost_point_above_it() -> None:
    """Humidity is over water also at -10 degC, so 100 % there is a frost point of -8.88 degC.

    Source: closed form by hand: -10 * 17.62 / 233.12 = -0.75583, times 272.62 over 23.21583; and
    the vapour at that frost point is by IAPWS R14-08 the same to 0.1 %.
    """
    frost_c = dew_point_c(-10.0, humidity_percent=100.0)
    assert frost_c == pytest.approx(-8.8756, abs=1e-4)
    vapour_pa = saturation_pressure_pa(-10.0, WATER)
    assert sublimation_pa(frost_c + 273.15) == pytest.approx(vapour_pa, rel=1e-3)


@pytest.mark.parametrize("percent", [100.5, 103.0, 105.0])
def test_a_little_more_than_saturated_is_saturated(percent: float) -> None:
    """A sensor in wet air that reads high gives the temperature of the air."""
    assert dew_point_c(20.0, humidity_percent=percent) == pytest.approx(20.0, abs=1e-9)


@pytest.mark.parametrize("percent", [0.0, -0.0, -5.0, 105.1, 200.0, inf, -inf, nan, 5e-324])
def test_what_is_no_humidity_has_no_dew_point(percent: float) -> None:
    """Nan in, nan out, and nan for what no air has."""
    assert isnan(dew_point_c(20.0, humidity_percent=percent))


@pytest.mark.parametrize("temp_c", [-45.1, 100.1, -243.12, -272.62, -273.15, 1e308, inf, -inf, nan])
def test_outside_the_formula_there_is_no_answer(temp_c: float) -> None:
    """Poles and nonsense of the water curve are nan, not numbers."""
    assert isnan(saturation_pressure_pa(temp_c, WATER))
    assert isnan(dew_point_c(temp_c, humidity_percent=50.0))


@pytest.mark.parametrize(
    ("from_pa", "to_pa"),
    [
        (0.0, 1e5),
        (-1e5, 1e5),
        (nan, 1e5),
        (inf, 1e5),
        (1e5, 0.0),
        (1e5, -1e5),
        (1e5, nan),
        (1e5, inf),
        (500.0, 400.0),
    ],
)
def test_what_is_no_pressure_has_no_dew_point(from_pa: float, to_pa: float) -> None:
    """Nor has one that the vapour alone would exceed: 872 Pa at 5 degC."""
    assert isnan(pressure_dew_point_c(5.0, from_pa=from_pa, to_pa=to_pa))


ANY = st.floats()


@given(ANY, ANY, ANY, ANY)
def test_any_floats_give_an_answer_or_none(
    first: float, second: float, from_pa: float, to_pa: float
) -> None:
    """Nothing raises or warns, and an answer is within the range of the curves."""
    found = [
        dew_point_c(first, humidity_percent=second),
        pressure_dew_point_c(first, from_pa=from_pa, to_pa=to_pa),
        *(saturation_temp_c(first, over) for over in SURFACES.values()),
    ]
    assert all(isnan(value) or -100.001 < value < 100.001 for value in found)
    for over in SURFACES.values():
        pressure_pa = saturation_pressure_pa(first, over)
        assert isnan(pressure_pa) == (not over.lowest_c <= first <= over.highest_c)
        assert isnan(pressure_pa) or 0.0 < pressure_pa < 1.1e5


@pytest.mark.parametrize("over", SURFACES.values(), ids=SURFACES)
def test_pressure_and_temperature_are_inverse(over: Surface) -> None:
    """There and back over the whole range, ends included, to 1e-10 K."""
    temps_c = np.linspace(over.lowest_c, over.highest_c, 1001)
    back_c = saturation_temp_c(saturation_pressure_pa(temps_c, over), over)
    np.testing.assert_allclose(back_c, temps_c, rtol=0.0, atol=1e-10)


@given(st.floats(-75.0, 60.0), st.floats(1e5, 1e6), st.floats(1e5, 1e6))
def test_a_pressure_dew_point_leads_back(dew_c: float, from_pa: float, to_pa: float) -> None:
    """Compressed and expanded again, air has the dew point it had; compression raises it."""
    other_c = pressure_dew_point_c(dew_c, from_pa=from_pa, to_pa=to_pa)
    if isnan(other_c):
        assert not -70.0 < dew_c < 20.0
        return
    assert (other_c > dew_c - 1e-9) == (to_pa > from_pa) or other_c == pytest.approx(dew_c)
    back_c = pressure_dew_point_c(other_c, from_pa=to_pa, to_pa=from_pa)
    assert back_c == pytest.approx(dew_c, abs=1e-9)


def columns(rows: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Temperatures and humidities with all that a column may hold."""
    rng = np.random.default_rng(7)
    temps_c, humidities = rng.uniform(-60.0, 110.0, rows), rng.uniform(-5.0, 110.0, rows)
    temps_c[::11], humidities[::7] = np.nan, np.inf
    return temps_c, humidities


def test_a_column_is_its_rows() -> None:
    """Each element alone, as a float, gives bit for bit what it gives in a column."""
    temps_c, humidities = columns(300)
    dew_c = dew_point_c(temps_c, humidity_percent=humidities)
    line_c = pressure_dew_point_c(dew_c, from_pa=ATMOSPHERE_PA, to_pa=LINE_PA)
    alone_c = [
        dew_point_c(float(temp_c), humidity_percent=float(percent))
        for temp_c, percent in zip(temps_c, humidities, strict=True)
    ]
    assert np.isfinite(dew_c).sum() > 150
    np.testing.assert_array_equal(dew_c, alone_c)
    np.testing.assert_array_equal(
        line_c,
        [pressure_dew_point_c(one_c, from_pa=ATMOSPHERE_PA, to_pa=LINE_PA) for one_c in alone_c],
    )
    assert {type(one_c) for one_c in alone_c} == {float}


@pytest.mark.parametrize("cut", [0, 1, 2, 7, 150, 299])
def test_a_cut_does_not_matter(cut: int) -> None:
    """Both parts of a column, also an empty one, are bit for bit those of the whole."""
    temps_c, humidities = columns(300)
    whole_c = dew_point_c(temps_c, humidity_percent=humidities)
    parts_c = [
        dew_point_c(temps_c[rows], humidity_percent=humidities[rows])
        for rows in (slice(cut), slice(cut, None))
    ]
    np.testing.assert_array_equal(np.concatenate(parts_c), whole_c)


@pytest.fixture(scope="module")
def weather() -> dict[str, NDArray[np.float64]]:
    """A typical meteorological year (TMY3, station 723170): 8760 hours; skipped where missing.

    From the data of the library pvlib (BSD-3-Clause), read without importing it.
    """
    try:
        path = Path(str(distribution("pvlib").locate_file("pvlib/data/723170TYA.CSV")))
    except PackageNotFoundError:
        pytest.skip("this machine cannot: read the weather year of pvlib, which is not installed")
    with path.open(encoding="ascii") as file:
        next(file)
        rows = list(csv.DictReader(file))
    names = {"temp_c": "Dry-bulb (C)", "dew_c": "Dew-point (C)", "percent": "RHum (%)"}
    return {name: np.array([float(row[title]) for row in rows]) for name, title in names.items()}


def test_the_weather_year_tells_dew_points_over_water(
    weather: dict[str, NDArray[np.float64]],
) -> None:
    """Below 0 degC the file is three times as near to water as to ice, so it must be converted."""
    vapour_pa = weather["percent"] / 100.0 * saturation_pressure_pa(weather["temp_c"], WATER)
    is_cold = weather["dew_c"] < 0.0
    over_water_k, over_ice_k = (
        np.nanmedian(np.abs(saturation_temp_c(vapour_pa, over) - weather["dew_c"])[is_cold])
        for over in (WATER, ICE)
    )
    assert is_cold.sum() > 2000
    assert over_water_k < 0.14
    assert over_ice_k > 3.0 * over_water_k


def test_a_weather_year_has_its_dew_points(weather: dict[str, NDArray[np.float64]]) -> None:
    """Of 8760 hours half are within 0.065 K, nine in ten within 0.2, all but 1 in 100 within 1.2.

    The file's dew points below 0 degC are converted to frost points. What is left is the rounding
    of its humidity to 1 % and of its temperatures to 0.1 K, and a few rows that contradict
    themselves by up to 6 K.
    """
    frost_c = saturation_temp_c(saturation_pressure_pa(weather["dew_c"], WATER), ICE)
    wanted_c = np.where(weather["dew_c"] > 0.0, weather["dew_c"], frost_c)
    found_c = dew_point_c(weather["temp_c"], humidity_percent=weather["percent"])
    error_k = np.abs(found_c - wanted_c)
    assert error_k.size == 8760
    assert np.isfinite(error_k).all()
    median_k, most_k, nearly_all_k = np.quantile(error_k, [0.5, 0.9, 0.99])
    assert median_k < 0.065
    assert most_k < 0.2
    assert nearly_all_k < 1.2
