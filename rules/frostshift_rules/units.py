"""The only unit conversions of the project.

Inside, every quantity is SI with the unit in its name (`steel_c`, `thickness_mm`, `heat_mj`). Other units
exist at the edges alone: schedule files, pages, messages, code tables printed in US units.

Exact factors: NIST SP 811 (2008), appendix B.8 (inch, foot, pound, mile, Btu of the International Table);
psi from the pound-force and the inch. All functions take and return a float or a numpy array alike.
`MEASURES` says which US unit the trade has for an SI unit, for figures that are shown and typed by their unit alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
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


def gal_from_l(litres: Number) -> Number:
    """Volume in US gallons (231 cubic inches) from litres."""
    return litres * 1e6 / (231.0 * MM_PER_IN**3)


def mi_from_km(km: Number) -> Number:
    """Kilometres to international miles (1.609344 km, exact)."""
    return km / KMH_PER_MPH


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


def btu_from_mj(mj: Number) -> Number:
    """Heat in Btu (International Table) from MJ."""
    return mj * 1e6 / J_PER_BTU


def kj_in_from_kj_mm(kj_mm: Number) -> Number:
    """Heat input in kJ/in from kJ/mm."""
    return kj_mm * MM_PER_IN


def kj_mm_from_kj_in(kj_in: Number) -> Number:
    """Heat input in kJ/mm from kJ/in."""
    return kj_in / MM_PER_IN


def btu_h_ft2_from_kw_m2(kw_m2: Number) -> Number:
    """Heat rate of an area in Btu (International Table) per hour and square foot from kW/m2."""
    return btu_h_from_kw(kw_m2) * M2_PER_FT2


def btu_h_ft2_f_from_w_m2k(w_m2k: Number) -> Number:
    """Heat transfer in Btu (International Table) per hour, square foot and °F from W/(m2 K)."""
    return btu_h_ft2_from_kw_m2(w_m2k / 1000.0) / 1.8


def btu_lb_from_mj_kg(mj_kg: Number) -> Number:
    """Heat of a mass in Btu (International Table) per pound from MJ/kg."""
    return btu_from_mj(mj_kg) * KG_PER_LB


def lb_ft3_from_kg_m3(kg_m3: Number) -> Number:
    """Density in pounds per cubic foot from kg/m3."""
    return kg_m3 / KG_PER_LB * M3_PER_FT3


@dataclass(frozen=True, slots=True)
class Measure:
    """What an SI unit is in US units: the unit as it is written, and the way there and back."""

    us: str
    us_from_si: Callable[[float], float]
    si_from_us: Callable[[float], float]


MEASURES: Final[Mapping[str, Measure]] = {
    "°C": Measure("°F", f_from_c, c_from_f),
    "K": Measure("°F", df_from_k, k_from_df),
    "mm": Measure("in", in_from_mm, mm_from_in),
    "mm/h": Measure("in/h", in_from_mm, mm_from_in),
    "m": Measure("ft", ft_from_m, lambda ft: ft * M_PER_FT),
    "m²": Measure("ft²", ft2_from_m2, lambda ft2: ft2 * M2_PER_FT2),
    "m³": Measure("ft³", ft3_from_m3, m3_from_ft3),
    "kg": Measure("lb", lb_from_kg, kg_from_lb),
    "kPa": Measure("psi", psi_from_kpa, lambda psi: psi * KPA_PER_PSI),
    "m/s": Measure("mph", mph_from_ms, ms_from_mph),
    "kJ/mm": Measure("kJ/in", kj_in_from_kj_mm, kj_mm_from_kj_in),
    "kW": Measure("Btu/h", btu_h_from_kw, kw_from_btu_h),
}
"""SI unit -> what it is in US units. A unit that stands nowhere here is the same in both systems."""


def unit_in(unit: str, system: System) -> str:
    """An SI unit as a system has it: `mm` is `in` in US units; one that is no measure stays as it is."""
    return MEASURES[unit].us if system == "us" and unit in MEASURES else unit


def from_si(value: float, unit: str, system: System) -> float:
    """A value of an SI unit in the unit that a system has for it."""
    return MEASURES[unit].us_from_si(value) if system == "us" and unit in MEASURES else value


def to_si(value: float, unit: str, system: System) -> float:
    """A value in the unit that a system has for an SI unit, in that SI unit."""
    return MEASURES[unit].si_from_us(value) if system == "us" and unit in MEASURES else value
