"""How a report writes quantities: metric or imperial, local time with its offset.

Every number that a reader of the report sees is made here, so a unit is converted in one place.
A temperature difference converts by 9/5 only, without the 32 of a temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from watchedpot.core.units import NANO
from watchedpot.outputs.wording import duration

NONE = "\N{EN DASH}"
"""Stands where there is no value."""

F_PER_K = 9.0 / 5.0
"""Degrees Fahrenheit in one kelvin, as a difference; exact by definition (NIST SP 811, B.8)."""

MM_PER_INCH = 25.4
"""Exact by definition (NIST SP 811, B.8)."""

G_PER_OUNCE = 28.349523125
"""Avoirdupois ounce; exact by definition (NIST SP 811, B.8)."""

_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Style:
    """Units and clock of one report.

    Attributes
    ----------
    is_imperial
        Degrees Fahrenheit, inches and ounces instead of degrees Celsius, mm and g.
    tz
        Time zone of the readers; None for that of this computer.
    is_dated
        Whether times of day carry their date: a span of more than one day needs it.
    """

    is_imperial: bool = False
    tz: tzinfo | None = None
    is_dated: bool = False

    @property
    def temp_unit(self) -> str:
        """Unit of a temperature."""
        return "°F" if self.is_imperial else "°C"

    @property
    def difference_unit(self) -> str:
        """Unit of a temperature difference."""
        return "°F" if self.is_imperial else "K"

    def temp_number(self, temp_c: float) -> float:
        """Temperature in the unit of the report."""
        return temp_c * F_PER_K + 32.0 if self.is_imperial else temp_c

    def temp_numbers(self, temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """Temperatures in the unit of the report."""
        return temp_c * F_PER_K + 32.0 if self.is_imperial else temp_c

    def difference_number(self, difference_k: float) -> float:
        """Temperature difference in the unit of the report."""
        return difference_k * F_PER_K if self.is_imperial else difference_k

    def temp(self, temp_c: float | None) -> str:
        """Temperature with its unit."""
        if temp_c is None:
            return NONE
        return f"{self.temp_number(temp_c):.1f} {self.temp_unit}"

    def difference(self, difference_k: float | None, *, digits: int = 1) -> str:
        """Temperature difference with its unit."""
        if difference_k is None:
            return NONE
        return f"{self.difference_number(difference_k):.{digits}f} {self.difference_unit}"

    def exposure(self, exposure_ks: float | None) -> str:
        """Temperature difference times time, with its unit."""
        if exposure_ks is None:
            return NONE
        return f"{self.difference_number(exposure_ks):.0f} {self.difference_unit} s"

    def length(self, length_mm: float | None) -> str:
        """Length with its unit."""
        if length_mm is None:
            return NONE
        return f"{length_mm / MM_PER_INCH:.4f} in" if self.is_imperial else f"{length_mm:.2f} mm"

    def mass(self, mass_kg: float | None) -> str:
        """Mass with its unit."""
        if mass_kg is None:
            return NONE
        if self.is_imperial:
            return f"{1000.0 * mass_kg / G_PER_OUNCE:.2f} oz"
        return f"{1000.0 * mass_kg:.1f} g"

    def local(self, utc_ns: int) -> datetime:
        """A moment as the clock of the readers shows it, to the second."""
        return datetime.fromtimestamp(utc_ns // NANO, UTC).astimezone(self.tz)

    def moment(self, utc_ns: int | None) -> str:
        """Date, time of day and offset."""
        if utc_ns is None:
            return NONE
        return self.local(utc_ns).isoformat(sep=" ")

    def time(self, utc_ns: int | None) -> str:
        """Time of day, with the date where the report needs it."""
        if utc_ns is None:
            return NONE
        return self.local(utc_ns).strftime("%m-%d %H:%M:%S" if self.is_dated else "%H:%M:%S")


def span(duration_s: float | None) -> str:
    """Duration in its two largest units, days included."""
    if duration_s is None:
        return NONE
    if duration_s < 2 * _DAY_S:
        return duration(duration_s)
    hours = round(duration_s / 3600.0)
    return f"{hours // 24} d {hours % 24:02} h"


def percent(share: float | None, *, digits: int = 1) -> str:
    """Share in percent; what is not whole is never shown as 100 %.

    Examples
    --------
    >>> percent(0.99999), percent(1.0), percent(0.5)
    ('99.9 %', '100 %', '50.0 %')
    """
    if share is None:
        return NONE
    if share == 1.0:
        return "100 %"
    shown = round(100.0 * share, digits)
    if share < 1.0 <= shown / 100.0:
        shown = 100.0 - 10.0**-digits
    return f"{shown:.{digits}f} %"


def words(name: str) -> str:
    """A name of ours, to be read as words."""
    return name.replace("_", " ")
