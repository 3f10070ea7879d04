"""Limits of the gases that do not boil in their cylinder: acetylene by share of contents, oxygen by pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from frostshift_rules.draw_figures import figures
from frostshift_rules.gas import FuelCylinder, OxygenCylinder, gas
from frostshift_rules.published_draw import whole
from frostshift_rules.saturation import STANDARD_KPA
from frostshift_rules.shells import Origin, read_origin
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped
from frostshift_rules.surroundings import Floats
from frostshift_rules.units import KELVIN_0C

AcetyleneRate = Literal["seventh", "tenth", "fifteenth"]
"""Share of the contents that an acetylene cylinder gives in an hour; a `seventh` is printed too, no count takes it."""


# Acetylene ------------------------------------------------------------------------------------------------------------


def acetylene_rate(minutes: float, air_c: float) -> AcetyleneRate:
    """The share an hour that we count on: a tenth; a fifteenth in a continuous draw or below 0 °C.

    Args:
        minutes: longest draw without a pause [min].
        air_c: coldest air [°C].

    Raises:
        OutOfRange: minutes below 0 or no number, or air outside -60 to 55 °C.
    """
    if not 0.0 <= minutes < math.inf:
        raise OutOfRange(f"minutes is {minutes:g} min, a number from 0 min up is needed")
    if not -60.0 <= air_c <= 55.0:
        raise OutOfRange(f"air_c is {air_c:g} °C, outside -60 to 55 °C")
    long = minutes >= figures().acetylene_continuous_minutes.value
    return "fifteenth" if long or air_c < 0.0 else "tenth"


def acetylene_m3_h(cylinder: FuelCylinder, rate: AcetyleneRate) -> float:
    """What one acetylene cylinder may give [m3/h at 15 °C]; more carries solvent along.

    Raises:
        OutOfRange: another gas, or no such rate.
    """
    if cylinder.fuel != "acetylene":
        raise OutOfRange(f"cylinder {cylinder.id} holds {cylinder.fuel}, expected acetylene")
    return acetylene_of_m3_h(cylinder.contents_kg / gas("acetylene").vapour_kg_m3, rate)


def acetylene_of_m3_h(contents_m3: float, rate: AcetyleneRate) -> float:
    """The same by contents [m3 at 15 °C].

    Raises:
        OutOfRange: contents not above 0, or no such rate.
    """
    hours = figures().acetylene_hours
    if rate not in hours:
        raise OutOfRange(f"rate is {rate!r}, expected one of {', '.join(hours)}")
    if not 0.0 < contents_m3 < math.inf:
        raise OutOfRange(f"contents_m3 is {contents_m3:g} m3, contents above 0 m3 are needed")
    return contents_m3 / hours[rate].value


def acetylene_cylinders(flow_m3_h: float, one_m3_h: float) -> int:
    """Cylinders on one line for a flow [m3/h at 15 °C], by what one may give.

    Raises:
        OutOfRange: the flow is negative or no number, or one gives nothing.
    """
    if not 0.0 < one_m3_h < math.inf:
        raise OutOfRange(f"one_m3_h is {one_m3_h:g} m3/h, a rate above 0 m3/h is needed")
    return whole(_flow(flow_m3_h) / one_m3_h)


def check_acetylene_kpa(gauge_kpa: float) -> None:
    """Refuse a set pressure of acetylene that may not be.

    Args:
        gauge_kpa: as set at the regulator [kPa].

    Raises:
        OutOfRange: above 15 psig (29 CFR 1910.253(a)(2)), below 0, or NaN.
    """
    most = figures().acetylene_kpa.value
    if not 0.0 <= gauge_kpa <= most + 0.1:  # 15 psig is 103.42 kPa
        raise OutOfRange(
            f"gauge_kpa of acetylene is {gauge_kpa:.4g} kPa, outside 0 to {most:g} kPa (15 psig, 29 CFR 1910.253(a)(2))"
        )


# Oxygen ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class OxygenTable:
    """Compressibility p / (density R T) of oxygen [temperature, density] on rising grids [°C], [kg/m3]."""

    grid_c: Floats
    grid_kg_m3: Floats
    compressibility: Floats
    gas_constant_kj_kgk: float
    origin: Origin

    def kpa(self, oxygen_c: float, density_kg_m3: float) -> float:
        """Absolute pressure [kPa]; compressibility is linear on the grid, within 0.1 %.

        Raises:
            OutOfRange: temperature or density outside the grid, or NaN.
        """
        if not 0.0 <= density_kg_m3 <= self.grid_kg_m3[-1]:
            raise OutOfRange(f"density_kg_m3 is {density_kg_m3:g} kg/m3, outside 0 to {self.grid_kg_m3[-1]:g} kg/m3")
        return self._kpa(oxygen_c, density_kg_m3, self._row(oxygen_c))

    def density_kg_m3(self, oxygen_c: float, pressure_kpa: float) -> float:
        """Density [kg/m3] at an absolute pressure: the inverse of `kpa`.

        Raises:
            OutOfRange: temperature or pressure outside the grid, or NaN.
        """
        row = self._row(oxygen_c)
        low, high = 0.0, float(self.grid_kg_m3[-1])
        most_kpa = self._kpa(oxygen_c, high, row)
        if not 0.0 <= pressure_kpa <= most_kpa:
            raise OutOfRange(
                f"pressure_kpa is {pressure_kpa:g} kPa, outside 0 to {most_kpa:.5g} kPa at {oxygen_c:g} °C"
            )
        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (middle, high) if self._kpa(oxygen_c, middle, row) < pressure_kpa else (low, middle)
        return (low + high) / 2.0

    def _row(self, oxygen_c: float) -> Floats:
        low, high = self.grid_c[0], self.grid_c[-1]
        if not low <= oxygen_c <= high:
            raise OutOfRange(f"oxygen_c is {oxygen_c:g} °C, the table of oxygen covers {low:g} to {high:g} °C")
        return np.array([np.interp(oxygen_c, self.grid_c, column) for column in self.compressibility.T])

    def _kpa(self, oxygen_c: float, density_kg_m3: float, row: Floats) -> float:
        z = float(np.interp(density_kg_m3, self.grid_kg_m3, row))
        return z * density_kg_m3 * self.gas_constant_kj_kgk * (oxygen_c + KELVIN_0C)


def filled_gauge_kpa(cylinder: OxygenCylinder, oxygen_c: float, barometer_kpa: float = STANDARD_KPA) -> float:
    """Gauge pressure of a full oxygen cylinder at another temperature, nothing drawn [kPa].

    A low gauge on a cold morning is not missing gas. Above 60 °C or below -60 °C nothing is known.

    Args:
        cylinder: a compressed one.
        oxygen_c: temperature of the gas [°C].
        barometer_kpa: of the site [kPa].

    Raises:
        OutOfRange: a temperature outside the table, liquid oxygen, whose pressure its own regulator holds, or a filling
            pressure that is not on file.
    """
    return oxygen_table().kpa(oxygen_c, _filled_kg_m3(cylinder)) - barometer_kpa


def usable_oxygen_m3(
    cylinder: OxygenCylinder,
    oxygen_c: float,
    residual_kpa: float | None = None,
    barometer_kpa: float = STANDARD_KPA,
) -> float:
    """What a full oxygen cylinder gives until its gauge falls to a residual pressure [m3 at 15 °C].

    Args:
        cylinder: a compressed one.
        oxygen_c: temperature of the gas at the end [°C].
        residual_kpa: gauge pressure left [kPa]; None: the figure on file.
        barometer_kpa: of the site [kPa].

    Raises:
        OutOfRange: as `filled_gauge_kpa`, or a residual below 0 or above the pressure of a full one.
    """
    left_kpa = figures().oxygen_residual_kpa.value if residual_kpa is None else residual_kpa
    full_kpa = filled_gauge_kpa(cylinder, oxygen_c, barometer_kpa)
    if not 0.0 <= left_kpa <= full_kpa:
        raise OutOfRange(
            f"residual_kpa is {left_kpa:g} kPa, outside 0 to {full_kpa:.5g} kPa, the pressure of a full one"
        )
    left = oxygen_table().density_kg_m3(oxygen_c, left_kpa + barometer_kpa)
    return cylinder.contents_m3 * (1.0 - left / _filled_kg_m3(cylinder))


def oxygen_dewars(flow_m3_h: float, cylinder: OxygenCylinder) -> int:
    """Dewars of liquid oxygen on one line for a continuous flow [m3/h at 15 °C], by what their vaporiser gives.

    Raises:
        OutOfRange: the flow is negative or no number, or no cylinder whose vaporiser limits it.
    """
    if cylinder.draw is None:
        holds = "compressed oxygen" if cylinder.fill is not None else "oxygen at a pressure that is not on file"
        raise OutOfRange(f"cylinder {cylinder.id} holds {holds}, expected a dewar")
    return whole(_flow(flow_m3_h) / cylinder.draw.m3_h)


def _filled_kg_m3(cylinder: OxygenCylinder) -> float:
    if cylinder.fill is None:
        holds = "liquid oxygen" if cylinder.draw is not None else "oxygen at a pressure that is not on file"
        raise OutOfRange(f"cylinder {cylinder.id} holds {holds}, expected compressed oxygen")
    # What is stamped or printed is a gauge pressure at sea level.
    return oxygen_table().density_kg_m3(cylinder.fill.at_c, cylinder.fill.gauge_kpa + STANDARD_KPA)


def _flow(flow_m3_h: float) -> float:
    if not 0.0 <= flow_m3_h < math.inf:
        raise OutOfRange(f"flow_m3_h is {flow_m3_h:g} m3/h, a number from 0 m3/h up is needed")
    return flow_m3_h


@cache
def oxygen_table() -> OxygenTable:
    """The table that ships with the package."""
    return read_oxygen_table(shipped("oxygen.toml"))


def read_oxygen_table(top: Section) -> OxygenTable:
    """The same from a table.

    Raises:
        TableError: the table lacks something, says something unknown, or its grids do not rise.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    origin, constant = read_origin(head), head.number("gas_constant_kj_kgk", 0.2, 0.3)
    grid_c, grid = (
        np.array(head.numbers("oxygen_c", -100.0, 100.0)),
        np.array(head.numbers("density_kg_m3", 0.0, 600.0)),
    )
    head.done()
    rows = top.each("row", lambda part: (part.number("oxygen_c", -100.0, 100.0), _row(part, len(grid))))
    top.done()
    if [at for at, _ in rows] != list(grid_c):
        raise TableError(f"{top.where}: the rows are not those of oxygen_c")
    for key, values in (("oxygen_c", grid_c), ("density_kg_m3", grid)):
        if not (np.diff(values) > 0.0).all():
            raise TableError(f"{top.where}, [table]: '{key}' does not rise all the way")
    return OxygenTable(grid_c, grid, np.array([row for _, row in rows]), constant, origin)


def _row(part: Section, length: int) -> tuple[float, ...]:
    values = part.numbers("compressibility", 0.1, 2.0)
    if len(values) != length:
        raise TableError(f"{part.where}: 'compressibility' has {len(values)} values, expected {length}")
    return values
