"""Fuels that boil in their cylinder: pressure, latent heat, density and heat capacity of the saturated liquid.

Pure fuels. Commercial propane holds a little ethane or butane: charts for it print up to some 4 psi more when full,
and the last of an old cylinder less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final, get_args

import numpy as np
from numpy.typing import ArrayLike

from frostshift_rules.job import FuelName
from frostshift_rules.shells import Origin, read_origin
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped
from frostshift_rules.surroundings import Floats
from frostshift_rules.units import KELVIN_0C

STANDARD_KPA: Final = 101.325
"""Barometer where nothing else is stated [kPa]."""

BAROMETER_KPA: Final = (60.0, 110.0)
"""Barometer readings that are believed [kPa]: sites up to about 4,000 m (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class Saturation:
    """Saturated liquid of one fuel, on a rising grid of temperatures.

    Attributes:
        fuel: which.
        grid_c: liquid temperature [°C].
        pressure: vapour pressure at the grid [kPa absolute].
        latent, density, heat: latent heat [kJ/kg], density [kg/m3], heat capacity [kJ/(kg K)] of the liquid there.
        origin: where the figures come from.
    """

    fuel: FuelName
    grid_c: Floats
    pressure: Floats
    latent: Floats
    density: Floats
    heat: Floats
    origin: Origin

    def pressure_kpa(self, liquid_c: ArrayLike) -> Floats:
        """Vapour pressure [kPa absolute]: its logarithm is interpolated over 1/T, within 0.03 %.

        Args:
            liquid_c: temperature of the liquid [°C], any shape; the answer has the same.

        Raises:
            OutOfRange: a temperature outside the grid, or NaN.
        """
        kelvin = self.checked_c("liquid_c", liquid_c) + KELVIN_0C
        return np.exp(np.interp(-1.0 / kelvin, -1.0 / (self.grid_c + KELVIN_0C), np.log(self.pressure)))

    def gauge_kpa(self, liquid_c: ArrayLike, barometer_kpa: float = STANDARD_KPA) -> Floats:
        """Gauge pressure over the liquid [kPa], below 0 where it boils under vacuum; errors as `pressure_kpa`."""
        return self.pressure_kpa(liquid_c) - checked_barometer_kpa(barometer_kpa)

    def latent_kj_kg(self, liquid_c: ArrayLike) -> Floats:
        """Latent heat [kJ/kg], linear on the grid, within 0.1 %; errors as `pressure_kpa`."""
        return np.interp(self.checked_c("liquid_c", liquid_c), self.grid_c, self.latent)

    def density_kg_m3(self, liquid_c: ArrayLike) -> Floats:
        """Density of the liquid [kg/m3], linear on the grid, within 0.05 %; errors as `pressure_kpa`."""
        return np.interp(self.checked_c("liquid_c", liquid_c), self.grid_c, self.density)

    def heat_kj_kgk(self, liquid_c: ArrayLike) -> Floats:
        """Heat capacity of the liquid [kJ/(kg K)], linear on the grid, within 0.2 %; errors as `pressure_kpa`."""
        return np.interp(self.checked_c("liquid_c", liquid_c), self.grid_c, self.heat)

    def liquid_c_at(self, gauge_kpa: float, barometer_kpa: float = STANDARD_KPA) -> float:
        """Temperature at which the liquid has this gauge pressure [°C]: the inverse of `gauge_kpa`.

        Args:
            gauge_kpa: pressure above the barometer [kPa].
            barometer_kpa: of the site [kPa]; gauges read a little more where it is low.

        Raises:
            OutOfRange: a pressure the fuel has nowhere on the grid, or a barometer that is none.
        """
        barometer = checked_barometer_kpa(barometer_kpa)
        low, high = self.pressure[0] - barometer, self.pressure[-1] - barometer
        if not low <= gauge_kpa <= high:  # also refuses NaN
            raise OutOfRange(
                f"gauge_kpa is {gauge_kpa:g} kPa, {self.fuel} has {low:.4g} to {high:.4g} kPa gauge between "
                f"{self.grid_c[0]:g} and {self.grid_c[-1]:g} °C"
            )
        inverse = np.interp(np.log(gauge_kpa + barometer), np.log(self.pressure), -1.0 / (self.grid_c + KELVIN_0C))
        return float(-1.0 / inverse - KELVIN_0C)

    def checked_c(self, field: str, value_c: ArrayLike) -> Floats:
        """The temperatures as an array.

        Raises:
            OutOfRange: one lies outside the grid or is NaN; names field, value and limits.
        """
        values = np.asarray(value_c, dtype=np.float64)
        low, high = self.grid_c[0], self.grid_c[-1]
        wrong = ~((values >= low) & (values <= high))
        if wrong.any():
            raise OutOfRange(
                f"{field} is {values[wrong].flat[0]:g} °C, the table of {self.fuel} covers {low:g} to {high:g} °C"
            )
        return values


def checked_barometer_kpa(barometer_kpa: float) -> float:
    """The barometer [kPa].

    Raises:
        OutOfRange: outside `BAROMETER_KPA`.
    """
    low, high = BAROMETER_KPA
    if not low <= barometer_kpa <= high:  # also refuses NaN
        raise OutOfRange(f"barometer_kpa is {barometer_kpa:g} kPa, outside {low:g} to {high:g} kPa")
    return barometer_kpa


@cache
def saturations() -> Mapping[str, Saturation]:
    """All fuels of the table that ships with the package, by id. Fuels that do not boil in a cylinder are not there."""
    return read_saturations(shipped("saturation.toml"))


def read_saturations(top: Section) -> Mapping[str, Saturation]:
    """The same from a table.

    Raises:
        TableError: the table lacks something, says something unknown, or its figures do not rise and fall with
            temperature as they do in nature.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    grid_c = _series(head, "liquid_c", None, -200.0, 100.0, rises=True)
    head.done()
    found: dict[str, Saturation] = {}
    for section in top.sections("fuel"):
        fuel: FuelName = section.choice("id", get_args(FuelName))  # type: ignore[assignment]
        if fuel in found:
            raise TableError(f"{section.where}: '{fuel}' is there twice")
        found[fuel] = Saturation(
            fuel,
            grid_c,
            _series(section, "pressure_kpa", len(grid_c), 1.0, 5000.0, rises=True),
            _series(section, "latent_kj_kg", len(grid_c), 10.0, 1000.0, rises=False),
            _series(section, "density_kg_m3", len(grid_c), 100.0, 1000.0, rises=False),
            _series(section, "heat_kj_kgk", len(grid_c), 1.0, 10.0, rises=True),
            read_origin(section),
        )
        section.done()
    top.done()
    return MappingProxyType(found)


def _series(section: Section, key: str, length: int | None, low: float, high: float, *, rises: bool) -> Floats:
    values = np.array(section.numbers(key, low, high))
    if len(values) < 2 or (length is not None and len(values) != length):
        raise TableError(f"{section.where}: '{key}' has {len(values)} values, expected {length or 'at least 2'}")
    steps = np.diff(values) if rises else -np.diff(values)
    if not (steps > 0.0).all():
        raise TableError(f"{section.where}: '{key}' does not {'rise' if rises else 'fall'} all the way")
    return values
