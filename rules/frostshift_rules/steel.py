"""Steel: its thermal properties, and its temperature through the hours of a forecast."""

from __future__ import annotations

from typing import Final

from frostshift_rules.surroundings import SIGMA_WM2K4 as SIGMA_WM2K4
from frostshift_rules.units import Number

DENSITY_KG_M3: Final = 7850.0
"""Density of steel [kg/m3], independent of temperature. Source: EN 1993-1-2:2005, 3.2.2."""


def specific_heat_jkgk(steel_c: Number) -> Number:
    """Specific heat of carbon steel [J/(kg K)].

    Valid for 20 to 600 °C. Below 20 °C the standard gives nothing and the polynomial is run on: 401 J/(kg K) at
    -30 °C, where data for pure iron lie some 4 % higher (from memory). The heat from -30 to 110 °C may so come out
    about 1 % low.

    Args:
        steel_c: steel temperature [°C].

    Source: EN 1993-1-2:2005, 3.4.1.2.
    """
    return 425.0 + steel_c * (0.773 + steel_c * (-1.69e-3 + steel_c * 2.22e-6))


def enthalpy_jkg(steel_c: Number) -> Number:
    """Heat content of carbon steel from 0 °C [J/kg]: the integral of `specific_heat_jkgk`, with its validity."""
    return steel_c * (425.0 + steel_c * (0.3865 + steel_c * (-1.69e-3 / 3.0 + steel_c * 0.555e-6)))


def conductivity_wmk(steel_c: Number) -> Number:
    """Thermal conductivity of carbon steel [W/(m K)].

    Valid for 20 to 800 °C; below 20 °C the line is run on, where the standard gives nothing.

    Args:
        steel_c: steel temperature [°C].

    Source: EN 1993-1-2:2005, 3.4.1.3.
    """
    return 54.0 - 3.33e-2 * steel_c
