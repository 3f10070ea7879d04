"""Every conversion against the library pint and against the printed values of NIST SP 811 (2008), appendix B.8."""

import math
from collections.abc import Callable

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules import units

REGISTRY = pint.UnitRegistry()
SCALES: list[tuple[Callable[[float], float], str, str]] = [
    (units.in_from_mm, "mm", "inch"),
    (units.mm_from_in, "inch", "mm"),
    (units.mph_from_ms, "m/s", "mile/hour"),
    (units.ms_from_mph, "mile/hour", "m/s"),
    (units.ms_from_kmh, "km/hour", "m/s"),
    (units.gal_from_l, "liter", "US_liquid_gallon"),
    (units.mi_from_km, "km", "mile"),
    (units.lb_from_kg, "kg", "pound"),
    (units.kg_from_lb, "pound", "kg"),
    (units.ft3_from_m3, "m**3", "foot**3"),
    (units.m3_from_ft3, "foot**3", "m**3"),
    (units.ft_from_m, "m", "foot"),
    (units.ft2_from_m2, "m**2", "foot**2"),
    (units.btu_h_from_kw, "kW", "international_british_thermal_unit/hour"),
    (units.psi_from_kpa, "kPa", "psi"),
    (units.btu_from_mj, "MJ", "international_british_thermal_unit"),
    (units.kj_in_from_kj_mm, "kJ/mm", "kJ/inch"),
    (units.kj_mm_from_kj_in, "kJ/inch", "kJ/mm"),
    (units.btu_h_ft2_from_kw_m2, "kW/m**2", "international_british_thermal_unit/hour/foot**2"),
    (
        units.btu_h_ft2_f_from_w_m2k,
        "W/m**2/delta_degree_Celsius",
        "international_british_thermal_unit/hour/foot**2/delta_degree_Fahrenheit",
    ),
    (units.btu_lb_from_mj_kg, "MJ/kg", "international_british_thermal_unit/pound"),
    (units.lb_ft3_from_kg_m3, "kg/m**3", "pound/foot**3"),
    (units.kw_from_btu_h, "international_british_thermal_unit/hour", "kW"),
    (units.df_from_k, "delta_degree_Celsius", "delta_degree_Fahrenheit"),
    (units.k_from_df, "delta_degree_Fahrenheit", "delta_degree_Celsius"),
    (units.f_from_c, "degree_Celsius", "degree_Fahrenheit"),
    (units.c_from_f, "degree_Fahrenheit", "degree_Celsius"),
]
PAIRS: list[tuple[Callable[[float], float], Callable[[float], float]]] = [
    (units.f_from_c, units.c_from_f),
    (units.df_from_k, units.k_from_df),
    (units.in_from_mm, units.mm_from_in),
    (units.mph_from_ms, units.ms_from_mph),
    (units.lb_from_kg, units.kg_from_lb),
    (units.ft3_from_m3, units.m3_from_ft3),
    (units.btu_h_from_kw, units.kw_from_btu_h),
    (units.kj_in_from_kj_mm, units.kj_mm_from_kj_in),
]
figures = st.floats(-1e6, 1e6, allow_subnormal=False)


def name_of(value: object) -> str | None:
    return getattr(value, "__name__", None)


@pytest.mark.parametrize(("convert", "from_unit", "to_unit"), SCALES, ids=name_of)
@pytest.mark.parametrize("value", [-40.0, 0.0, 1.0, 38.1, 1234.5])
def test_agrees_with_pint(convert: Callable[[float], float], from_unit: str, to_unit: str, value: float) -> None:
    expected = REGISTRY.Quantity(value, from_unit).to(to_unit).magnitude
    assert convert(value) == pytest.approx(expected, rel=1e-12, abs=1e-9)


def test_every_conversion_is_checked_against_pint() -> None:
    public = {name for name in vars(units) if "_from_" in name}
    assert {convert.__name__ for convert, _, _ in SCALES} == public


@pytest.mark.parametrize(
    ("got", "printed"),
    [  # NIST SP 811 (2008), appendix B.8, factors as printed there (seven digits)
        (units.mm_from_in(1.0), 2.54e1),
        (1.0 / units.ft_from_m(1.0), 3.048e-1),
        (units.kg_from_lb(1.0), 4.535924e-1),
        (units.m3_from_ft3(1.0), 2.831685e-2),
        (units.ms_from_mph(1.0), 4.4704e-1),
        (units.ms_from_kmh(1.0), 2.777778e-1),
        (units.kw_from_btu_h(1.0), 2.930711e-4),
        (units.KPA_PER_PSI, 6.894757),
        (units.J_PER_BTU, 1.055056e3),
        (units.k_from_df(1.0), 1.0 / 1.8),
        (units.c_from_f(0.0) + units.KELVIN_0C, 459.67 / 1.8),  # T/K = (t/°F + 459.67)/1.8
    ],
)
def test_agrees_with_nist_sp_811(got: float, printed: float) -> None:
    assert got == pytest.approx(printed, rel=2e-7)


@pytest.mark.parametrize(("c", "f"), [(-40.0, -40.0), (0.0, 32.0), (100.0, 212.0), (37.0, 98.6)])
def test_fixed_points_of_the_fahrenheit_scale(c: float, f: float) -> None:
    assert units.f_from_c(c) == pytest.approx(f, abs=1e-12)
    assert units.c_from_f(f) == pytest.approx(c, abs=1e-12)


def test_32_f_is_exactly_0_c() -> None:
    # The cold-steel rule of welding codes turns on this value.
    assert units.c_from_f(32.0) == 0.0
    assert units.f_from_c(0.0) == 32.0


@pytest.mark.parametrize(("there", "back"), PAIRS, ids=name_of)
@given(value=figures)
def test_there_and_back(there: Callable[[float], float], back: Callable[[float], float], value: float) -> None:
    assert back(there(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert there(back(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("convert", "_from", "_to"), SCALES, ids=name_of)
def test_takes_arrays_and_keeps_the_unknown_unknown(
    convert: Callable[[np.ndarray], np.ndarray], _from: str, _to: str
) -> None:
    values = np.array([-3.5, np.nan, 12.0])
    got = convert(values)
    assert got[0] == convert(-3.5)  # type: ignore[arg-type]
    assert math.isnan(got[1])
    assert got[2] == convert(12.0)  # type: ignore[arg-type]


@pytest.mark.parametrize("unit", units.MEASURES)
@given(value=figures)
def test_a_measure_goes_there_and_back_and_is_the_same_in_si(unit: str, value: float) -> None:
    there = units.from_si(value, unit, "us")
    assert units.to_si(there, unit, "us") == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert units.from_si(value, unit, "si") == units.to_si(value, unit, "si") == value
    assert (units.unit_in(unit, "si"), units.unit_in(unit, "us")) == (unit, units.MEASURES[unit].us)


@pytest.mark.parametrize(
    ("unit", "si", "us"),
    [
        ("°C", 100.0, 212.0), ("K", 10.0, 18.0), ("mm", 25.4, 1.0), ("mm/h", 25.4, 1.0), ("m", 0.3048, 1.0),
        ("m²", 0.09290304, 1.0), ("m³", 0.028316846592, 1.0), ("kg", 0.45359237, 1.0), ("kPa", 6.894757293168361, 1.0),
        ("m/s", 0.44704, 1.0), ("kJ/mm", 1.0, 25.4), ("kW", 1.05505585262 / 3.6, 1000.0),
    ],
)  # fmt: skip
def test_every_measure_has_its_own_factor(unit: str, si: float, us: float) -> None:
    assert units.from_si(si, unit, "us") == pytest.approx(us, rel=1e-12)


def test_a_unit_that_is_no_measure_stays() -> None:
    assert units.unit_in("min", "us") == "min"
    assert units.from_si(5.0, "min", "us") == units.to_si(5.0, "min", "us") == 5.0
