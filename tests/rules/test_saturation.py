"""Saturated propane and propylene: CoolProp, a printed chart, the inverse, edges."""

import csv
import math
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules import units
from frostshift_rules.saturation import Saturation, read_saturations, saturations
from frostshift_rules.strict import OutOfRange, TableError, read_toml

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"
FUELS = ("propane", "propylene")
FINE_C = np.linspace(-60.0, 55.0, 461)


def of(fuel: str) -> Saturation:
    return saturations()[fuel]


def coolprop(what: str, quality: int, fuel: str) -> np.ndarray:
    return np.array([PropsSI(what, "T", c + 273.15, "Q", quality, fuel.capitalize()) for c in FINE_C])


# Against CoolProp: Lemmon, McLinden & Wagner 2009 (propane); Lemmon, Overhoff, McLinden & Wagner (propylene) ----------


@pytest.mark.parametrize("fuel", FUELS)
def test_pressure(fuel: str) -> None:
    expected = coolprop("P", 0, fuel) / 1000.0
    assert np.abs(of(fuel).pressure_kpa(FINE_C) / expected - 1.0).max() < 3e-4


@pytest.mark.parametrize("fuel", FUELS)
def test_latent_heat(fuel: str) -> None:
    expected = (coolprop("H", 1, fuel) - coolprop("H", 0, fuel)) / 1000.0
    assert np.abs(of(fuel).latent_kj_kg(FINE_C) / expected - 1.0).max() < 1e-3


@pytest.mark.parametrize("fuel", FUELS)
def test_density(fuel: str) -> None:
    assert np.abs(of(fuel).density_kg_m3(FINE_C) / coolprop("D", 0, fuel) - 1.0).max() < 5e-4


@pytest.mark.parametrize("fuel", FUELS)
def test_heat_capacity(fuel: str) -> None:
    assert np.abs(of(fuel).heat_kj_kgk(FINE_C) / (coolprop("C", 0, fuel) / 1000.0) - 1.0).max() < 2e-3


@pytest.mark.parametrize(("fuel", "boils_c"), [("propane", -42.11), ("propylene", -47.62)])
def test_normal_boiling_point(fuel: str, boils_c: float) -> None:
    # NIST Chemistry WebBook, recommended values from memory: 231.0 K and 225.5 K.
    assert of(fuel).liquid_c_at(0.0) == pytest.approx(boils_c, abs=0.1)


# Against print --------------------------------------------------------------------------------------------------------


def test_propane_against_a_printed_chart() -> None:
    # The chart is of commercial propane, with a little ethane: it prints more than the pure fuel has, or its rounding.
    with (PUBLISHED / "propane_pressure_chart.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) == 11
    for row in rows:
        got = float(of("propane").gauge_kpa(units.c_from_f(float(row["liquid_f"])))) / units.KPA_PER_PSI
        printed = float(row["psig"])
        assert printed - max(2.3, 0.02 * printed) < got < printed + 0.3


def test_propane_at_minus_20_f() -> None:
    # CoolProp 8: 175.3 kPa absolute, 10.73 psig.
    liquid_c = units.c_from_f(-20.0)
    assert float(of("propane").pressure_kpa(liquid_c)) == pytest.approx(175.3, rel=1e-3)
    assert float(of("propane").gauge_kpa(liquid_c)) / units.KPA_PER_PSI == pytest.approx(10.73, abs=0.02)


@pytest.mark.parametrize(("fuel", "liquid_f"), [("propane", -12.7), ("propylene", -23.5)])
def test_liquid_temperature_for_15_psig(fuel: str, liquid_f: float) -> None:
    # CoolProp 8: 15 psig at a barometer of 101.325 kPa.
    kelvin = PropsSI("T", "P", 15.0 * 6894.757 + 101325.0, "Q", 0, fuel.capitalize())
    got_c = of(fuel).liquid_c_at(15.0 * units.KPA_PER_PSI)
    assert got_c == pytest.approx(kelvin - 273.15, abs=0.02)
    assert units.f_from_c(got_c) == pytest.approx(liquid_f, abs=0.1)


# Invariants -----------------------------------------------------------------------------------------------------------


@given(st.sampled_from(FUELS), st.floats(-60.0, 55.0), st.floats(60.0, 110.0))
def test_the_inverse_is_one(fuel: str, liquid_c: float, barometer_kpa: float) -> None:
    gauge = float(of(fuel).gauge_kpa(liquid_c, barometer_kpa))
    assert of(fuel).liquid_c_at(gauge, barometer_kpa) == pytest.approx(liquid_c, abs=1e-6)


@given(st.sampled_from(FUELS), st.floats(0.0, 1000.0), st.floats(60.0, 109.0))
def test_a_lower_barometer_lets_the_liquid_be_colder(fuel: str, gauge_kpa: float, barometer_kpa: float) -> None:
    assert of(fuel).liquid_c_at(gauge_kpa, barometer_kpa) < of(fuel).liquid_c_at(gauge_kpa, barometer_kpa + 1.0)


@given(st.floats(-60.0, 55.0))
def test_propylene_has_more_pressure_than_propane(liquid_c: float) -> None:
    assert float(of("propylene").pressure_kpa(liquid_c)) > float(of("propane").pressure_kpa(liquid_c))


def test_shapes_are_kept() -> None:
    grid = np.array([[-40.0, -20.0], [0.0, 20.0]])
    for values in (of("propane").pressure_kpa(grid), of("propane").latent_kj_kg(grid)):
        assert values.shape == (2, 2)


# Edges ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [-60.1, 55.1, math.nan, math.inf])
def test_temperatures_outside_the_table_are_refused(bad: float) -> None:
    said = r"liquid_c is .* °C, the table of propane covers -60 to 55 °C"
    for ask in (of("propane").pressure_kpa, of("propane").latent_kj_kg, of("propane").density_kg_m3):
        with pytest.raises(OutOfRange, match=said):
            ask(bad)
    with pytest.raises(OutOfRange, match=said):
        of("propane").heat_kj_kgk([0.0, bad])


@pytest.mark.parametrize("bad", [-70.0, 1900.0, math.nan])
def test_pressures_that_the_fuel_has_not_are_refused(bad: float) -> None:
    with pytest.raises(
        OutOfRange, match=r"gauge_kpa is .* kPa, propane has -58.63 to 1806 kPa gauge between -60 and 55"
    ):
        of("propane").liquid_c_at(bad)


@pytest.mark.parametrize("bad", [59.9, 110.1, math.nan])
def test_barometers_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(OutOfRange, match=r"barometer_kpa is .* kPa, outside 60 to 110 kPa"):
        of("propane").liquid_c_at(100.0, bad)
    with pytest.raises(OutOfRange, match="barometer_kpa"):
        of("propane").gauge_kpa(0.0, bad)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("pressure_kpa = [42.6932, 55.2491", "pressure_kpa = [55.2491, 42.6932", "'pressure_kpa' does not rise"),
        ("latent_kj_kg = [443.63, ", "latent_kj_kg = [", "'latent_kj_kg' has 23 values, expected 24"),
        ("density_kg_m3 = [601.08, 595.52", "density_kg_m3 = [595.52, 601.08", "'density_kg_m3' does not fall"),
        ('id = "propylene"', 'id = "propane"', "'propane' is there twice"),
        ('id = "propylene"', 'id = "butane"', "expected one of propane"),
        ("liquid_c = [-60, -55", "liquid_c = [-60, -65", "'liquid_c' does not rise"),
    ],
)
def test_a_slip_in_the_table_is_refused(old: str, new: str, said: str) -> None:
    text = resources.files("frostshift_rules").joinpath("tables", "saturation.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(TableError, match=said):
        read_saturations(read_toml(text.replace(old, new, 1), "saturation.toml"))
