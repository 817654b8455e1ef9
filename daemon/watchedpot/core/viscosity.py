"""How the melt flows: viscosity by temperature, and what it does to flow, pressure and bead.

One activation energy describes viscosity well over some tens of kelvin, no further.
"""

from __future__ import annotations

from math import exp, inf, log, nan, pi, sqrt

from watchedpot.core.rates import RATE_CAP
from watchedpot.core.rules import Dosing
from watchedpot.core.units import GAS_CONSTANT_J_PER_MOL_K, kelvin
from watchedpot.errors import DataError


def relative_viscosity(temp_c: float, *, ref_c: float, flow_ea_j_per_mol: float) -> float:
    """Viscosity over that at the reference temperature.

    exp(Ef/R (1/T - 1/Tref)), held between 1/``RATE_CAP`` and ``RATE_CAP``: beyond a
    thousandfold the number only says "solid", or that the law does not hold.

    Parameters
    ----------
    temp_c : float
        Temperature of the melt. [degC]
    ref_c : float
        Where the ratio is 1. [degC]
    flow_ea_j_per_mol : float
        Activation energy of flow. [J/mol]

    Returns
    -------
    float
        Viscosity ratio, more than 1 where colder; nan for a temperature that is none. [1]

    Source
    ------
    Andrade's law of viscosity, in the form of Arrhenius.

    Examples
    --------
    At 50 kJ/mol ten kelvin too cold is half as thick again.

    >>> round(relative_viscosity(110.0, ref_c=120.0, flow_ea_j_per_mol=50e3), 2)
    1.49
    """
    if not kelvin(temp_c) > 0.0:
        return nan
    per_kelvin = 1.0 / kelvin(temp_c) - 1.0 / kelvin(ref_c)
    exponent = flow_ea_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * per_kelvin
    return exp(max(min(exponent, log(RATE_CAP)), -log(RATE_CAP)))


def flow_ea_from_points(
    *, temp_1_c: float, viscosity_1_pa_s: float, temp_2_c: float, viscosity_2_pa_s: float
) -> float:
    """Activation energy of flow through two points of a data sheet.

    Ef = R ln(mu1/mu2) / (1/T1 - 1/T2). Points close together magnify their errors: 5 % in one
    viscosity is 4 kJ/mol over 15 K about 120 degC.

    Parameters
    ----------
    temp_1_c : float
        Temperature of one point. [degC]
    viscosity_1_pa_s : float
        Viscosity there. [Pa s]
    temp_2_c : float
        Temperature of the other, hotter or colder. [degC]
    viscosity_2_pa_s : float
        Viscosity there, lower at the hotter. [Pa s]

    Returns
    -------
    float
        Activation energy, above 0. [J/mol]

    Raises
    ------
    DataError
        Viscosities that are not above 0, temperatures that are not above -273.15 degC or are
        equal, or a viscosity that does not fall with heat.

    Source
    ------
    Andrade's law of viscosity, solved for the activation energy.

    Examples
    --------
    Half as thick 20 K hotter, 110 to 130 degC.

    >>> round(flow_ea_from_points(temp_1_c=110.0, viscosity_1_pa_s=20.0,
    ...     temp_2_c=130.0, viscosity_2_pa_s=10.0))
    44511
    """
    points = ((temp_1_c, viscosity_1_pa_s), (temp_2_c, viscosity_2_pa_s))
    for temp_c, mu_pa_s in points:
        if not (0.0 < kelvin(temp_c) < inf and 0.0 < mu_pa_s < inf):
            problem = (
                "expected viscosities above 0 Pa s at temperatures above -273.15 degC, "
                f"got {mu_pa_s} Pa s at {temp_c} degC"
            )
            raise DataError("flow_ea_from_points", problem)
    (cold_c, thick_pa_s), (hot_c, thin_pa_s) = sorted(points)
    if not (cold_c < hot_c and thick_pa_s > thin_pa_s):
        problem = (
            "expected a viscosity that falls from the colder point to the hotter, "
            f"got {thick_pa_s} Pa s at {cold_c} degC and {thin_pa_s} Pa s at {hot_c} degC"
        )
        raise DataError("flow_ea_from_points", problem)
    per_kelvin = 1.0 / kelvin(cold_c) - 1.0 / kelvin(hot_c)
    return GAS_CONSTANT_J_PER_MOL_K * log(thick_pa_s / thin_pa_s) / per_kelvin


def viscosity_pa_s(
    temp_c: float, *, at_c: float, viscosity_at_pa_s: float, flow_ea_j_per_mol: float
) -> float:
    """Viscosity of the melt, from one point and the activation energy.

    Parameters
    ----------
    temp_c : float
        Temperature of the melt. [degC]
    at_c : float
        Where the viscosity is known. [degC]
    viscosity_at_pa_s : float
        The viscosity there. [Pa s]
    flow_ea_j_per_mol : float
        Activation energy of flow. [J/mol]

    Returns
    -------
    float
        Viscosity, within ``RATE_CAP`` of the known one; nan for a temperature that is none.
        [Pa s]

    Source
    ------
    Andrade's law of viscosity.

    Examples
    --------
    >>> round(viscosity_pa_s(110.0, at_c=120.0, viscosity_at_pa_s=15.0,
    ...     flow_ea_j_per_mol=50e3), 1)
    22.4
    """
    ratio = relative_viscosity(temp_c, ref_c=at_c, flow_ea_j_per_mol=flow_ea_j_per_mol)
    return viscosity_at_pa_s * ratio


def flow_ratio(viscosity_ratio: float, dosing: Dosing) -> float:
    """Melt flow over that at the reference viscosity.

    Parameters
    ----------
    viscosity_ratio : float
        Viscosity over the reference, above 0. [1]
    dosing : Dosing
        What the dispenser holds constant.

    Returns
    -------
    float
        1/ratio at constant pressure; 1 from a pump, whatever the viscosity. [1]

    Source
    ------
    Law of Hagen and Poiseuille.

    Examples
    --------
    >>> flow_ratio(1.25, Dosing.TIME_PRESSURE), flow_ratio(1.25, Dosing.VOLUMETRIC)
    (0.8, 1.0)
    """
    return 1.0 / viscosity_ratio if dosing is Dosing.TIME_PRESSURE else 1.0


def pressure_ratio(viscosity_ratio: float, dosing: Dosing) -> float:
    """Pressure before the nozzle over that at the reference viscosity.

    Parameters
    ----------
    viscosity_ratio : float
        Viscosity over the reference. [1]
    dosing : Dosing
        What the dispenser holds constant.

    Returns
    -------
    float
        The ratio itself from a pump; 1 at constant pressure. [1]

    Source
    ------
    Law of Hagen and Poiseuille.

    Examples
    --------
    >>> pressure_ratio(1.25, Dosing.TIME_PRESSURE), pressure_ratio(1.25, Dosing.VOLUMETRIC)
    (1.0, 1.25)
    """
    return viscosity_ratio if dosing is Dosing.VOLUMETRIC else 1.0


def width_ratio(flow_ratio: float) -> float:
    """Bead width over the usual one: a bead of the same shape, laid at the same speed.

    Parameters
    ----------
    flow_ratio : float
        Melt flow over the usual one, not below 0. [1]

    Returns
    -------
    float
        Its square root: the cross-section goes as the flow, the width as its root. [1]

    Source
    ------
    Conservation of volume; that the shape stays is an assumption.

    Examples
    --------
    >>> width_ratio(0.81)
    0.9
    """
    return sqrt(flow_ratio)


def pressure_drop_pa(
    flow_m3_per_s: float, *, bore_m: float, length_m: float, viscosity_pa_s: float
) -> float:
    """Pressure that a laminar flow needs through a round bore.

    128 mu L Q / (pi d^4), fully developed and Newtonian: entrance losses, and the thinning of
    polymers in shear, are left out.

    Parameters
    ----------
    flow_m3_per_s : float
        Volume flow. [m3/s]
    bore_m, length_m : float
        Inner diameter, above 0, and length. [m]
    viscosity_pa_s : float
        Of the melt. [Pa s]

    Returns
    -------
    float
        Pressure drop, of the sign of the flow. [Pa]

    Raises
    ------
    DataError
        The bore is not above 0.

    Source
    ------
    Law of Hagen and Poiseuille.

    Examples
    --------
    10 mm3/s of 15 Pa s through 6 mm of 0.4 mm bore take 14 bar.

    >>> round(pressure_drop_pa(10e-9, bore_m=0.4e-3, length_m=6e-3, viscosity_pa_s=15.0) / 1e5)
    14
    """
    if not bore_m > 0.0:
        raise DataError("pressure_drop_pa", f"expected a bore above 0 m, got {bore_m} m")
    return 128.0 * viscosity_pa_s * length_m * flow_m3_per_s / (pi * bore_m**4)
