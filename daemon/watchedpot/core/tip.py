"""Tip temperature: how much colder than its block a bare needle is, idle and with melt flow.

All is quasi-steady: the tip is taken to be where its block, room and flow would bring it in the
end. A needle's own time constant (some 5 s when thin, a minute when thick) is not modelled: the
estimate drops the moment the flow stops, and is up to a minute too warm after a restart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi, sqrt, tanh

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.rules import FinRules, ThermalRules, TipRules
from watchedpot.core.units import kelvin
from watchedpot.errors import DataError

GAUGES: Mapping[int, tuple[float, float]] = {
    14: (2.108e-3, 1.600e-3),
    16: (1.651e-3, 1.194e-3),
    18: (1.270e-3, 0.838e-3),
    20: (0.9081e-3, 0.603e-3),
    21: (0.8192e-3, 0.514e-3),
    22: (0.7176e-3, 0.413e-3),
    23: (0.6414e-3, 0.337e-3),
    25: (0.5144e-3, 0.260e-3),
    27: (0.4128e-3, 0.210e-3),
    30: (0.3112e-3, 0.159e-3),
}
"""Gauge: outer diameter, bore [m, m] of regular-wall needle tubing, by the Birmingham (Stubs)
gauge (en.wikipedia.org/wiki/Needle_gauge_comparison_chart). Thin-wall tubing has wider bores."""

NUSSELT = 3.66
"""Fully developed laminar flow in a tube of constant wall temperature [1] (Graetz; 3.6568)."""

FILM_SPREAD = 0.25
"""How far the film coefficient may be off [1]. The same needle upright rather than level is 13 %
off either way (slender cylinder of Le Fevre and Ede), an emissivity between 0.1 and 0.9 up to
23 % with a thick needle; a draught can be worse, and is the one thing this does not cover."""

MEASURED_OFFSET_K = 1.5
"""Uncertainty of an offset measured at commissioning [K]: the class 1 tolerance of the type K
thermocouple it is measured with (IEC 60584-1, from memory)."""

GRAVITY_M_PER_S2 = 9.80665
"""Standard acceleration of free fall (CGPM 1901)."""

STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8
"""CODATA 2018, exact in the SI."""

AIR_PA = 101_325.0
"""Standard atmosphere [Pa]."""

AIR_GAS_CONSTANT_J_PER_KG_K = 287.05
"""Of dry air: 8.314 J/(mol K) over 28.965 g/mol."""

AIR_HEAT_CAPACITY_J_PER_KG_K = 1010.0
"""Of air at constant pressure: 1006 at 0 degC, 1025 at 200 degC."""


@dataclass(frozen=True, slots=True)
class TipPlan:
    """What makes a tip colder: tip = block - offset - share x (block - ambient).

    Attributes
    ----------
    still_share, flowing_share
        Part of the way from block to ambient, without and with melt flow. [1]
    still_uncertainty, flowing_uncertainty
        Of the shares, by the spread of the film coefficient. [1]
    offset_k, offset_uncertainty_k
        Measured at commissioning; 0 where the geometry is used instead. [K]
    """

    still_share: float = 0.0
    flowing_share: float = 0.0
    still_uncertainty: float = 0.0
    flowing_uncertainty: float = 0.0
    offset_k: float = 0.0
    offset_uncertainty_k: float = 0.0


def film_coefficient(
    outer_m: float, *, surface_c: float, ambient_c: float, emissivity: float
) -> float:
    """Heat that a bare needle gives to still air and to the walls, per area and kelvin.

    Free convection of a level cylinder (Churchill and Chu) plus radiation, with air at the mean
    of surface and ambient. Its properties are within 1.5 % of tables from 0 to 200 degC.

    Parameters
    ----------
    outer_m : float
        Outer diameter. [m]
    surface_c : float
        Temperature of the surface. [degC]
    ambient_c : float
        Of the air, and of the walls around. [degC]
    emissivity : float
        Of the surface. [1]

    Returns
    -------
    float
        Film coefficient, radiation included. [W/(m2 K)]

    Source
    ------
    S.W. Churchill, H.H.S. Chu, Int. J. Heat Mass Transfer 18 (1975) 1049. Air: Sutherland's
    formula for viscosity and for conductivity with the constants of F.M. White, Viscous Fluid
    Flow, from memory; ideal gas.

    Examples
    --------
    The thinner, the more: this is what makes a fine needle cold.

    >>> round(film_coefficient(2.108e-3, surface_c=100.0, ambient_c=23.0, emissivity=0.3), 1)
    22.2
    >>> round(film_coefficient(0.3112e-3, surface_c=100.0, ambient_c=23.0, emissivity=0.3), 1)
    66.4
    """
    surface, ambient = kelvin(surface_c), kelvin(ambient_c)
    mean = 0.5 * (surface + ambient)
    conductivity, viscosity, diffusivity = _air(mean)
    buoyancy = GRAVITY_M_PER_S2 * abs(surface - ambient) / mean
    rayleigh = buoyancy * outer_m**3 / (viscosity * diffusivity)
    damping = (1.0 + (0.559 * diffusivity / viscosity) ** (9 / 16)) ** (8 / 27)
    nusselt: float = (0.60 + 0.387 * rayleigh ** (1 / 6) / damping) ** 2
    radiation = STEFAN_BOLTZMANN_W_PER_M2_K4 * (surface**2 + ambient**2) * (surface + ambient)
    return nusselt * conductivity / outer_m + emissivity * radiation


def _air(temp_kelvin: float) -> tuple[float, float, float]:
    """Conductivity [W/(m K)], kinematic viscosity [m2/s], thermal diffusivity [m2/s] of air."""
    rise = (temp_kelvin / 273.0) ** 1.5
    conductivity = 0.0241 * rise * (273.0 + 194.0) / (temp_kelvin + 194.0)
    viscosity_pa_s = 1.716e-5 * rise * (273.0 + 111.0) / (temp_kelvin + 111.0)
    density = AIR_PA / (AIR_GAS_CONSTANT_J_PER_KG_K * temp_kelvin)
    diffusivity = conductivity / (density * AIR_HEAT_CAPACITY_J_PER_KG_K)
    return conductivity, viscosity_pa_s / density, diffusivity


def fin_parameter(
    *,
    perimeter_m: float,
    area_m2: float,
    conductivity_w_per_m_k: float,
    film_w_per_m2_k: float,
) -> float:
    """How fast a fin cools along its length.

    m = sqrt(h P / (k A)).

    Parameters
    ----------
    perimeter_m : float
        Of the surface that meets the air. [m]
    area_m2 : float
        Cross-section of the metal. [m2]
    conductivity_w_per_m_k : float
        Of the metal. [W/(m K)]
    film_w_per_m2_k : float
        Coefficient to the air. [W/(m2 K)]

    Returns
    -------
    float
        The parameter m; a fin of 3/m is cold at its end. [1/m]

    Source
    ------
    One-dimensional fin equation, as in J.H. Lienhard, A Heat Transfer Textbook, ch. 4.

    Examples
    --------
    A steel pin of 3 mm: perimeter pi d, cross-section pi d2/4.

    >>> m = fin_parameter(perimeter_m=9.4248e-3, area_m2=7.0686e-6,
    ...     conductivity_w_per_m_k=15.0, film_w_per_m2_k=10.0)
    >>> round(m * 0.03, 4)
    0.8944
    """
    return sqrt(film_w_per_m2_k * perimeter_m / (conductivity_w_per_m_k * area_m2))


def end_share(fin_lengths: float) -> float:
    """How far towards ambient the insulated end of a fin has come.

    (T_base - T_end)/(T_base - T_ambient) = 1 - 1/cosh(m L), written as tanh(m L) tanh(m L/2),
    which is the same but loses no digits for short fins and never overflows for long ones.

    Parameters
    ----------
    fin_lengths : float
        Length times fin parameter, m L. [1]

    Returns
    -------
    float
        0 at base temperature, 1 at ambient. [1]

    Source
    ------
    One-dimensional fin equation with an adiabatic end, as in J.H. Lienhard, A Heat Transfer
    Textbook, ch. 4.

    Examples
    --------
    The end of a steel pin between 120 and 20 degC.

    >>> round(120.0 - 100.0 * end_share(0.8944), 2)
    90.06
    """
    return tanh(fin_lengths) * tanh(0.5 * fin_lengths)


def still_share(rules: FinRules, film_w_per_m2_k: float) -> float:
    """How far towards ambient the tip comes while no melt flows.

    The melt in the bore is left out: it conducts a fiftieth of what the metal does, or less.

    Parameters
    ----------
    rules : FinRules
        The needle.
    film_w_per_m2_k : float
        Coefficient to the air. [W/(m2 K)]

    Returns
    -------
    float
        (T_block - T_tip)/(T_block - T_ambient). [1]

    Source
    ------
    One-dimensional fin equation with an adiabatic end.

    Examples
    --------
    >>> needle = FinRules(length_m=0.013, outer_m=1.27e-3, bore_m=0.838e-3)
    >>> round(120.0 - 97.0 * still_share(needle, 20.0), 2)
    81.81
    """
    parameter = fin_parameter(
        perimeter_m=pi * rules.outer_m,
        area_m2=_section(rules),
        conductivity_w_per_m_k=rules.conductivity_w_per_m_k,
        film_w_per_m2_k=film_w_per_m2_k,
    )
    return end_share(parameter * rules.length_m)


def _section(rules: FinRules) -> float:
    """Cross-section of the metal [m2]."""
    return 0.25 * pi * (rules.outer_m**2 - rules.bore_m**2)


def flowing_share(
    rules: FinRules, film_w_per_m2_k: float, *, flow_kg_per_s: float, thermal: ThermalRules
) -> float:
    """How far towards ambient the melt has come where it leaves the needle.

    The wall is a fin that exchanges heat with the melt in its bore; the melt comes in at block
    temperature and moves as a plug. With x = 1 at the end, w and u the excess of wall and melt
    over ambient as shares of the block's:

        w'' = fins w + exchange (w - u),   u' = units (w - u),   w(0) = u(0) = 1,   w'(1) = 0

    The three eigenvalues are real and distinct, one positive, and the solution is the sum of
    their exponentials, each scaled to 1 at its larger end so that none overflows. The result is
    the mixing-cup temperature, which falls to that of the still tip as the flow goes to zero. A
    constant Nusselt number leaves out the entry of the bore: from a block at 120 degC the melt
    leaves up to 0.2 K colder.

    Parameters
    ----------
    rules : FinRules
        The needle.
    film_w_per_m2_k : float
        Coefficient to the air. [W/(m2 K)]
    flow_kg_per_s : float
        Melt flow; the still share at 0. [kg/s]
    thermal : ThermalRules
        Heat in the melt.

    Returns
    -------
    float
        (T_block - T_exit)/(T_block - T_ambient). [1]

    Source
    ------
    Fin equation and plug-flow enthalpy balance; Nusselt number of Graetz.

    Examples
    --------
    Ten milligrams a second keep a tip warm that would be at 82 degC without.

    >>> needle = FinRules(length_m=0.013, outer_m=1.27e-3, bore_m=0.838e-3)
    >>> melt = ThermalRules(1e-7, 1e-7, 1e-7, conductivity_w_per_m_k=0.2,
    ...     density_kg_per_m3=1100.0, heat_capacity_j_per_kg_k=1500.0)
    >>> share = flowing_share(needle, 20.0, flow_kg_per_s=10e-6, thermal=melt)
    >>> round(120.0 - 97.0 * share, 1)
    115.0
    """
    if flow_kg_per_s <= 0.0:
        return still_share(rules, film_w_per_m2_k)
    metal = rules.conductivity_w_per_m_k * _section(rules) / rules.length_m
    to_melt = NUSSELT * pi * thermal.conductivity_w_per_m_k * rules.length_m
    fins = film_w_per_m2_k * pi * rules.outer_m * rules.length_m / metal
    exchange = to_melt / metal
    units = to_melt / (flow_kg_per_s * thermal.heat_capacity_j_per_kg_k)
    system = np.array([[0.0, 1.0, 0.0], [fins + exchange, 0.0, -exchange], [units, 0.0, -units]])
    rates, modes = np.linalg.eig(system)
    at_block, at_end = np.exp(-np.maximum(rates, 0.0)), np.exp(np.minimum(rates, 0.0))
    wall, slope, melt = modes
    edges = np.array([wall * at_block, melt * at_block, slope * at_end])
    amounts = np.linalg.solve(edges, np.array([1.0, 1.0, 0.0]))
    return 1.0 - float(melt * at_end @ amounts)


def plan_tip(
    rules: TipRules,
    *,
    thermal: ThermalRules | None,
    flow_kg_per_s: float | None,
    block_c: float,
    ambient_c: float,
) -> TipPlan:
    """How a tip is to be told from its block.

    A measured offset goes before a geometry, and holds with flow and without, near the state it
    was measured in; a block far colder than that makes it too large. Without melt properties or
    flow the flowing share is the still one: colder, the safe side.

    Parameters
    ----------
    rules : TipRules
        The tip.
    thermal : ThermalRules or None
        Heat in the melt; None where not known.
    flow_kg_per_s : float or None
        Mean melt flow while dispensing; None where not known. [kg/s]
    block_c, ambient_c : float
        Where the film coefficient is taken: all of the needle as hot as its block, which is the
        colder, safe side; a needle halfway to ambient has 10 to 13 % less. [degC]

    Returns
    -------
    TipPlan
        Shares, offset and their uncertainties.

    Raises
    ------
    DataError
        Neither a geometry nor an offset.

    Source
    ------
    The functions above, each at the film coefficient and at both ends of its spread.

    Examples
    --------
    >>> plan_tip(TipRules(low_c=100.0, offset_k=4.0), thermal=None, flow_kg_per_s=None,
    ...     block_c=120.0, ambient_c=23.0).offset_k
    4.0
    """
    if rules.offset_k is not None:
        return TipPlan(offset_k=rules.offset_k, offset_uncertainty_k=MEASURED_OFFSET_K)
    fin = rules.fin
    if fin is None:
        raise DataError("plan_tip", "expected a geometry or a measured offset, got neither")
    film = fin.film_w_per_m2_k
    if film is None:
        film = film_coefficient(
            fin.outer_m, surface_c=block_c, ambient_c=ambient_c, emissivity=fin.emissivity
        )
    films = [film * spread for spread in (1.0, 1.0 - FILM_SPREAD, 1.0 + FILM_SPREAD)]
    still = [still_share(fin, each) for each in films]
    flowing = still
    if thermal is not None and flow_kg_per_s is not None:
        flowing = [
            flowing_share(fin, each, flow_kg_per_s=flow_kg_per_s, thermal=thermal) for each in films
        ]
    return TipPlan(
        still_share=still[0],
        flowing_share=flowing[0],
        still_uncertainty=_farthest(still),
        flowing_uncertainty=_farthest(flowing),
    )


def _farthest(shares: list[float]) -> float:
    """Largest distance of any share from the first."""
    return max(abs(share - shares[0]) for share in shares)


def tip_temperature(
    block_c: NDArray[np.float64],
    *,
    ambient_c: NDArray[np.float64],
    is_flowing: NDArray[np.bool_],
    plan: TipPlan,
) -> NDArray[np.float64]:
    """Temperature of the tip: of its metal while idle, of the melt that leaves it in flow.

    Parameters
    ----------
    block_c : (n,) array
        What the zone's sensor reads. [degC]
    ambient_c : (n,) array
        Of the room. [degC]
    is_flowing : (n,) array of bool
        Whether melt flows. [1]
    plan : TipPlan
        How the tip follows.

    Returns
    -------
    (n,) array
        Estimate, quasi-steady. [degC]

    Source
    ------
    Definition of the shares.

    Examples
    --------
    >>> tip_temperature(np.array([120.0, 120.0]), ambient_c=np.array([20.0, 20.0]),
    ...     is_flowing=np.array([False, True]),
    ...     plan=TipPlan(still_share=0.3, flowing_share=0.05)).tolist()
    [90.0, 115.0]
    """
    share = np.where(is_flowing, plan.flowing_share, plan.still_share)
    return block_c - plan.offset_k - share * (block_c - ambient_c)


def tip_uncertainty(block_c: float, *, ambient_c: float, is_flowing: bool, plan: TipPlan) -> float:
    """How far the estimate may be off, quasi-steady.

    Parameters
    ----------
    block_c : float
        What the zone's sensor reads. [degC]
    ambient_c : float
        Of the room. [degC]
    is_flowing : bool
        Whether melt flows. [1]
    plan : TipPlan
        How the tip follows.

    Returns
    -------
    float
        Either way. [K]

    Source
    ------
    Spread of the film coefficient, or the thermometer of the measured offset.

    Examples
    --------
    >>> plan = TipPlan(still_share=0.3, still_uncertainty=0.06)
    >>> tip_uncertainty(120.0, ambient_c=20.0, is_flowing=False, plan=plan)
    6.0
    """
    share = plan.flowing_uncertainty if is_flowing else plan.still_uncertainty
    return plan.offset_uncertainty_k + share * abs(block_c - ambient_c)
