"""The only unit conversions of the project.

Inside, every quantity is SI with the unit in its name (`steel_c`, `thickness_mm`, `heat_mj`). Other units
exist at the edges alone: schedule files, pages, messages, code tables printed in US units.

Exact factors: NIST SP 811 (2008), appendix B.8 (inch, foot, pound, mile, Btu of the International Table);
psi from the pound-force and the inch. All functions take and return a float or a numpy array alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Number = TypeVar("Number", float, "NDArray[np.float64]")

System = Literal["us", "si"]
"""One of the two unit systems of a code."""

MM_PER_IN: Final = 25.4
M_PER_FT: Final = 0.3048
KG_PER_LB: Final = 0.45359237
M2_PER_FT2: Final = M_PER_FT**2
M3_PER_FT3: Final = M_PER_FT**3
KMH_PER_MPH: Final = 1.609344
J_PER_BTU: Final = 1055.05585262
KPA_PER_PSI: Final = 6.894757293168361
KELVIN_0C: Final = 273.15


def f_from_c(c: Number) -> Number:
    """Temperature in °F from °C."""
    return c * 1.8 + 32.0


def c_from_f(f: Number) -> Number:
    """Temperature in °C from °F."""
    return (f - 32.0) / 1.8


def df_from_k(k: Number) -> Number:
    """Temperature difference in °F from K."""
    return k * 1.8


def k_from_df(df: Number) -> Number:
    """Temperature difference in K from °F."""
    return df / 1.8


def in_from_mm(mm: Number) -> Number:
    """Length in inches from mm."""
    return mm / MM_PER_IN


def mm_from_in(inch: Number) -> Number:
    """Length in mm from inches."""
    return inch * MM_PER_IN


def mph_from_ms(ms: Number) -> Number:
    """Speed in miles per hour from m/s."""
    return ms * 3.6 / KMH_PER_MPH


def ms_from_mph(mph: Number) -> Number:
    """Speed in m/s from miles per hour."""
    return mph * KMH_PER_MPH / 3.6


def mi_from_km(km: Number) -> Number:
    """Kilometres to international miles (1.609344 km, exact)."""
    return km / 1.609344


def ms_from_kmh(kmh: Number) -> Number:
    """Speed in m/s from km/h."""
    return kmh / 3.6


def lb_from_kg(kg: Number) -> Number:
    """Mass in pounds from kg."""
    return kg / KG_PER_LB


def kg_from_lb(lb: Number) -> Number:
    """Mass in kg from pounds."""
    return lb * KG_PER_LB


def ft3_from_m3(m3: Number) -> Number:
    """Volume in cubic feet from m3."""
    return m3 / M3_PER_FT3


def m3_from_ft3(ft3: Number) -> Number:
    """Volume in m3 from cubic feet."""
    return ft3 * M3_PER_FT3


def ft_from_m(m: Number) -> Number:
    """Length in feet from m."""
    return m / M_PER_FT


def ft2_from_m2(m2: Number) -> Number:
    """Area in square feet from m2."""
    return m2 / M2_PER_FT2


def btu_h_from_kw(kw: Number) -> Number:
    """Power in Btu (International Table) per hour from kW."""
    return kw * 3.6e6 / J_PER_BTU


def kw_from_btu_h(btu_h: Number) -> Number:
    """Power in kW from Btu (International Table) per hour."""
    return btu_h * J_PER_BTU / 3.6e6


def psi_from_kpa(kpa: Number) -> Number:
    """Pressure in pound-force per square inch from kPa."""
    return kpa / KPA_PER_PSI
