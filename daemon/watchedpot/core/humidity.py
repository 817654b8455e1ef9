"""Moisture of the dispensing air: saturation pressure and dew point, element by element.

Relative humidity is over liquid water at any temperature, as humidity sensors are calibrated. A
dew point is over water above 0 degC and over ice (the frost point) at and below it, as dryers and
the classes of ISO 8573-1 are stated; at -20 degC the two are 2.2 K apart. Where there is no
answer it is nan; nothing here raises.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Values = TypeVar("Values", float, NDArray[np.float64])

TRIPLE_POINT_PA = 611.2
"""Saturation pressure at 0 degC in both curves [Pa]; WMO-No. 8, Annex 4.B."""

SATURATED_UP_TO_PERCENT = 105.0
"""Readings above 100 up to here count as 100 [%]: a sensor in wet air may read a little high, and
no answer would hide the wettest air. Beyond it is no reading of air; common practice, no source.
"""


@dataclass(frozen=True, slots=True)
class Surface:
    """What the vapour is in balance with: its Magnus curve.

    Attributes
    ----------
    slope, offset_c
        Constants of the curve. [1, degC]
    lowest_c, highest_c
        Where the curve is used. [degC]
    """

    slope: float
    offset_c: float
    lowest_c: float
    highest_c: float


WATER = Surface(slope=17.62, offset_c=243.12, lowest_c=-45.0, highest_c=100.0)
"""Liquid water; WMO-No. 8, Annex 4.B, there to 60 degC: the dew point is true to 0.06 K up to
there, and 0.65 K low at 100 degC."""

ICE = Surface(slope=22.46, offset_c=272.62, lowest_c=-100.0, highest_c=0.0)
"""Ice; WMO-No. 8, Annex 4.B, there from -65 degC: the frost point is true to 0.02 K down to
there, and 0.14 K high at -100 degC."""


def saturation_pressure_pa(temp_c: Values, over: Surface) -> Values:
    """Highest pressure of water vapour over liquid water or over ice.

    611.2 Pa exp(a t / (b + t)). That air is present adds 0.5 % at 1 bar and 3 % at 8 bar, which
    is left out: the mixture is taken as ideal.

    Parameters
    ----------
    temp_c : float or (n,) array
        Temperature of the surface, nan where unknown. [degC]
    over : Surface
        ``WATER`` or ``ICE``.

    Returns
    -------
    float or (n,) array
        Saturation pressure; nan outside the surface's range. [Pa]

    Source
    ------
    Magnus forms of WMO-No. 8 (Guide to Instruments and Methods of Observation), Annex 4.B.

    Examples
    --------
    >>> round(saturation_pressure_pa(20.0, WATER), 1)
    2332.6
    >>> saturation_pressure_pa(0.0, ICE)
    611.2
    """
    is_within = (temp_c >= over.lowest_c) & (temp_c <= over.highest_c)
    within_c = np.where(is_within, temp_c, np.nan)
    pressure_pa: Values = _plain(_pressure_pa(within_c, over))
    return pressure_pa


def saturation_temp_c(vapour_pa: Values, over: Surface) -> Values:
    """Temperature at which vapour of this pressure is saturated: the exact inverse.

    Parameters
    ----------
    vapour_pa : float or (n,) array
        Partial pressure of water vapour, nan where unknown. [Pa]
    over : Surface
        ``WATER`` or ``ICE``.

    Returns
    -------
    float or (n,) array
        Dew point or frost point; nan where it is outside the surface's range. [degC]

    Source
    ------
    The Magnus forms of WMO-No. 8, Annex 4.B, solved for the temperature.

    Examples
    --------
    >>> saturation_temp_c(611.2, WATER)
    0.0
    """
    lowest_pa, highest_pa = _pressure_pa(np.array([over.lowest_c, over.highest_c]), over)
    is_within = (vapour_pa >= lowest_pa) & (vapour_pa <= highest_pa)
    exponent = np.log(np.where(is_within, vapour_pa, np.nan) / TRIPLE_POINT_PA)
    temp_c: Values = _plain(over.offset_c * exponent / (over.slope - exponent))
    return temp_c


def dew_point_c(temp_c: Values, humidity_percent: Values) -> Values:
    """Dew point of air, as frost point where it is not above 0 degC.

    Parameters
    ----------
    temp_c : float or (n,) array
        Temperature of the air, nan where unknown. [degC]
    humidity_percent : float or (n,) array
        Its relative humidity over water, nan where unknown; ``SATURATED_UP_TO_PERCENT`` tells
        what becomes of more than 100. [%]

    Returns
    -------
    float or (n,) array
        Dew point at the pressure of this air; nan for a humidity of 0 or less, for one that no
        air has, and outside -100 to 100 degC. [degC]

    Source
    ------
    Definition of relative humidity, WMO-No. 8, Annex 4.A; the frost point below 0 degC as the
    pressure dew points of ISO 8573-1 are stated.

    Examples
    --------
    >>> round(dew_point_c(20.0, humidity_percent=50.0), 1)
    9.3

    Dry air is told by its frost point.

    >>> round(dew_point_c(20.0, humidity_percent=5.0), 1)
    -18.7
    """
    is_humidity = (humidity_percent > 0.0) & (humidity_percent <= SATURATED_UP_TO_PERCENT)
    share = np.minimum(np.where(is_humidity, humidity_percent, np.nan), 100.0) / 100.0
    dew_c: Values = _plain(_dew_point_c(share * saturation_pressure_pa(temp_c, WATER)))
    return dew_c


def pressure_dew_point_c(dew_point_c: Values, *, from_pa: float, to_pa: float) -> Values:
    """Dew point of the same air at another pressure: its share of vapour stays.

    An ideal mixture: the atmospheric dew point of compressed air comes out 0.25 to 0.3 K lower
    than in real air at 8 bar. If the result is warmer than the pipe, water condenses on the way.

    Parameters
    ----------
    dew_point_c : float or (n,) array
        Dew point, as frost point where it is not above 0 degC; nan where unknown. [degC]
    from_pa, to_pa : float
        Absolute pressures that it holds for, and that it is wanted for. [Pa]

    Returns
    -------
    float or (n,) array
        Dew point at the other pressure, frost point where it is not above 0 degC; nan where the
        vapour alone would exceed the first pressure, and outside -100 to 100 degC. [degC]

    Source
    ------
    Dalton's law of partial pressures.

    Examples
    --------
    What a refrigerant dryer gives, +3 degC at 8 bar, is far drier once it has expanded.

    >>> round(pressure_dew_point_c(3.0, from_pa=8e5, to_pa=1e5), 1)
    -20.9
    """
    is_over_water = np.greater(dew_point_c, 0.0)
    vapour_pa = np.where(
        is_over_water,
        saturation_pressure_pa(dew_point_c, WATER),
        saturation_pressure_pa(dew_point_c, ICE),
    )
    # Pressures that are none end as nan by the arithmetic, not by a warning.
    with np.errstate(all="ignore"):
        share = np.where(vapour_pa <= from_pa, vapour_pa, np.nan) / np.float64(from_pa)
        other_c: Values = _plain(_dew_point_c(share * to_pa))
    return other_c


def _plain(found: NDArray[np.float64]) -> Any:
    """A float where a float was given: numpy made an array without dimensions of it."""
    return found if found.ndim else float(found)


def _pressure_pa(temp_c: NDArray[np.float64], over: Surface) -> NDArray[np.float64]:
    """The Magnus curve, wherever it is asked."""
    return TRIPLE_POINT_PA * np.exp(over.slope * temp_c / (over.offset_c + temp_c))


def _dew_point_c(vapour_pa: NDArray[np.float64]) -> NDArray[np.float64]:
    """Dew point over water above 0 degC, over ice at and below."""
    return np.where(
        vapour_pa > TRIPLE_POINT_PA,
        saturation_temp_c(vapour_pa, WATER),
        saturation_temp_c(vapour_pa, ICE),
    )
