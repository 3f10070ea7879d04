"""Steel properties and steel temperature against published figures and independent solutions."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from scipy.constants import Stefan_Boltzmann
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from frostshift_rules.steel import (
    DENSITY_KG_M3,
    SIGMA_WM2K4,
    Knots,
    SteelClass,
    SteelForecast,
    conductivity_wmk,
    enthalpy_jkg,
    halves_of,
    hour_step,
    predict,
    specific_heat_jkgk,
    steel_class,
)
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import (
    Floats,
    Hours,
    Surroundings,
    frost_point_c,
    sky_c,
    vapour_pressure_hpa,
    wet_bulb_c,
)

FIXTURES = Path(__file__).parents[2] / "fixtures"
OPEN = Surroundings(1.0)


def weather(count: int, air_c: float = -5.0, dew_below_k: float = 4.0, wind: float = 3.0, cloud: float = 0.5) -> Hours:
    """Steady weather without sun and precipitation."""
    series = (np.full(count, value) for value in (air_c, air_c - dew_below_k, wind, cloud, 0.0, 0.0, wind, 0.0))
    return Hours(datetime(2025, 12, 6, 15, tzinfo=UTC), *series)


def changing(count: int) -> Hours:
    """Weather that changes from hour to hour, invented."""
    hour = np.arange(count)
    air = -5.0 + 4.0 * np.sin(hour / 3.0)
    return replace(weather(count), air_c=air, dew_c=air - 3.0, wind_10m_ms=3.0 + 2.0 * np.cos(hour))


def forecast(hours: Hours, classes: list[SteelClass], **changes: Any) -> SteelForecast:
    """`predict` at a place of no meaning."""
    return predict(
        hours, classes, **({"latitude": 55.3, "longitude": 0.0, "h_band": 0.3, "least_rain_mm_h": 0.2} | changes)
    )


@pytest.mark.parametrize(
    ("steel_c", "expected"),
    # EN 1993-1-2:2005, 3.4.1.2: the printed polynomial worked by hand.
    [(20.0, 439.80), (100.0, 487.62), (200.0, 529.76), (400.0, 605.88), (600.0, 759.92)],
)
def test_specific_heat_of_en_1993_1_2(steel_c: float, expected: float) -> None:
    assert specific_heat_jkgk(steel_c) == pytest.approx(expected, abs=0.005)


def test_specific_heat_meets_the_next_branch_at_600_c() -> None:
    # EN 1993-1-2:2005, 3.4.1.2: from 600 °C on 666 + 13002 / (738 - T).
    assert specific_heat_jkgk(600.0) == pytest.approx(666.0 + 13002.0 / 138.0, abs=0.5)


@pytest.mark.parametrize(("steel_c", "expected"), [(20.0, 53.334), (800.0, 27.36)])
def test_conductivity_of_en_1993_1_2(steel_c: float, expected: float) -> None:
    # 3.4.1.3; at 800 °C the next branch of the standard is 27.3.
    assert conductivity_wmk(steel_c) == pytest.approx(expected, abs=0.001)
    assert conductivity_wmk(800.0) == pytest.approx(27.3, abs=0.1)


@pytest.mark.parametrize("steel_c", [-40.0, 0.0, 110.0, 400.0])
def test_enthalpy_is_the_integral_of_specific_heat(steel_c: float) -> None:
    integral, _ = quad(specific_heat_jkgk, 0.0, steel_c)
    assert enthalpy_jkg(steel_c) == pytest.approx(integral, rel=1e-12, abs=1e-9)


def test_properties_take_arrays() -> None:
    steel_c = np.array([-20.0, 20.0, 150.0])
    for f in (specific_heat_jkgk, enthalpy_jkg, conductivity_wmk):
        assert np.asarray(f(steel_c)) == pytest.approx([f(t) for t in steel_c.tolist()], rel=1e-14)


def test_constants() -> None:
    assert DENSITY_KG_M3 == 7850.0  # EN 1993-1-2:2005, 3.2.2
    assert pytest.approx(Stefan_Boltzmann, rel=1e-9) == SIGMA_WM2K4  # CODATA as shipped with scipy


# The hour step against independent solutions ---------------------------------------------------------------------

REFERENCE = json.loads((FIXTURES / "reference" / "ambient.json").read_text(encoding="utf-8"))["cases"]


def reference_run(case: dict[str, Any], thickness_m: str) -> Floats:
    """Our hour step on the series of a reference case (its sky, wind at the joint and absorbed sun are given)."""
    air, wind, sky, sun = (np.array(case["inputs"][name]) for name in ("Ta", "v", "Tsky", "G"))
    halves = halves_of(
        Knots(air[:-1], wind[:-1], sky[:-1], sun[:-1]), Knots(air[1:], wind[1:], sky[1:], sun[1:]), 1.0, 0.85
    )
    steel = [air[0]]
    for keep, add in zip(*hour_step(halves, 1e3 * float(thickness_m)), strict=True):
        steel.append(keep * steel[-1] + add)
    return np.array(steel)


@pytest.mark.parametrize("case", REFERENCE, ids=lambda case: case["id"])
@pytest.mark.parametrize("thickness_m", ["0.006", "0.012", "0.025", "0.050", "0.075", "0.100", "0.125"])
def test_hour_step_against_the_reference_solver(case: dict[str, Any], thickness_m: str) -> None:
    # Computed by an independent solver, see fixtures/reference/README.md.
    error = np.abs(reference_run(case, thickness_m) - case["lumped_C"][thickness_m])
    assert error.max() < 0.12
    assert error.mean() < 0.005


@pytest.mark.parametrize("case", REFERENCE, ids=lambda case: case["id"])
@pytest.mark.parametrize("thickness_m", ["0.050", "0.125"])
@pytest.mark.parametrize("where", ["mean", "face_sun", "face_back"])
def test_one_temperature_through_the_thickness_is_enough(case: dict[str, Any], thickness_m: str, where: str) -> None:
    error = np.abs(reference_run(case, thickness_m) - case["slab1d_C"][thickness_m][where])
    assert error.max() < 0.2
    assert error.mean() < 0.02


def winter_hours(count: int) -> Hours:
    """A cold winter spell of the TMY3 file of Sand Point, Alaska, that ships with pvlib (public domain, NREL).

    TMY3 rows are stamped at the end of their hour: temperatures and wind are taken as read at the stamp, and the sun,
    a mean of the hour that ended, belongs to the stamp before.
    """
    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    rows = pd.read_csv(path, skiprows=1).iloc[8142 : 8142 + count + 1]
    column = {name: rows[name].to_numpy(dtype=np.float64) for name in rows.columns[2:] if "source" not in name}
    return replace(
        weather(count),
        air_c=column["Dry-bulb (C)"][:-1],
        dew_c=column["Dew-point (C)"][:-1],
        wind_10m_ms=column["Wspd (m/s)"][:-1],
        cloud=column["TotCld (tenths)"][:-1] / 10.0,
        sun_wm2=column["GHI (W/m^2)"][1:],
    )


def radau(hours: Hours, thickness_mm: list[float], sky_view: float) -> Floats:
    """The full equation, radiation and specific heat at the steel temperature, hour by hour with scipy's Radau."""
    mass = 7850.0 * np.array(thickness_mm) * 1e-3
    air, sky = hours.air_c + 273.15, sky_c(hours.air_c, hours.dew_c, hours.cloud) + 273.15
    wind, sun = hours.wind_10m_ms, 0.85 * sky_view * hours.sun_wm2
    steel = [np.full(len(mass), hours.air_c[0])]
    for k in range(len(hours) - 1):

        def rise(t: float, c: Floats, k: int = k) -> Floats:
            a, s, v = (x[k] + t / 3600.0 * (x[k + 1] - x[k]) for x in (air, sky, wind))
            kelvin = c + 273.15
            radiation = sky_view * (s**4 - kelvin**4) + (2.0 - sky_view) * (a**4 - kelvin**4)
            gain = 2.0 * (4.0 + 4.0 * v) * (a - kelvin) + 0.85 * 5.670374419e-8 * radiation + sun[k]
            return gain / (mass * (425.0 + 0.773 * c - 1.69e-3 * c**2 + 2.22e-6 * c**3))

        solution = solve_ivp(rise, (0.0, 3600.0), steel[-1], method="Radau", rtol=1e-6, atol=1e-6)
        steel.append(solution.y[:, -1])
    return np.array(steel).T


@pytest.mark.parametrize("sky_view", [1.0, 0.0])
def test_prediction_against_radau_on_published_winter_weather(sky_view: float) -> None:
    hours, thickness = winter_hours(240), [6.0, 12.0, 25.0, 50.0, 75.0, 100.0, 125.0]
    classes = [steel_class(mm, Surroundings(sky_view, sun=True)) for mm in thickness]
    error = np.abs(forecast(hours, classes).steel_c - radau(hours, thickness, sky_view))
    assert error.max() < 0.12
    assert error.mean(axis=1).max() < 0.01


def test_wind_that_springs_up_from_calm_within_the_hour() -> None:
    hours = replace(weather(4, air_c=0.0, dew_below_k=3.0, cloud=0.0), wind_10m_ms=np.array([0.0, 0.0, 20.0, 20.0]))
    thickness = [6.0, 25.0, 100.0]
    got = forecast(hours, [steel_class(mm, OPEN) for mm in thickness]).steel_c
    assert got == pytest.approx(radau(hours, thickness, 1.0), abs=0.07)


# Textbook cases ----------------------------------------------------------------------------------------------------

UNDER_DECK = Surroundings(0.0)


def time_constant_h(thickness_mm: float, wind_ms: float, air_c: float) -> float:
    exchange = 2.0 * (4.0 + 4.0 * wind_ms) + 8.0 * 0.85 * 5.670374419e-8 * (air_c + 273.15) ** 3
    c = 425.0 + 0.773 * air_c - 1.69e-3 * air_c**2 + 2.22e-6 * air_c**3
    return 7850.0 * thickness_mm * 1e-3 * c / exchange / 3600.0


def test_step_response_is_exponential() -> None:
    # Lumped capacitance, e.g. Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 5.1.
    got = forecast(weather(24, air_c=-10.0, wind=2.0), [steel_class(50.0, UNDER_DECK)], start_c=-25.0)
    expected = -10.0 - 15.0 * np.exp(-np.arange(24) / time_constant_h(50.0, 2.0, -10.0))
    assert got.steel_c[0] == pytest.approx(expected, abs=1e-9)


def test_steel_lags_a_steady_fall_by_rate_times_time_constant() -> None:
    # First-order system under a ramp, any control textbook.
    air = -0.5 * np.arange(60.0)
    hours = replace(weather(60, wind=3.0), air_c=air, dew_c=air - 3.0)
    got = forecast(hours, [steel_class(25.0, UNDER_DECK)])
    lag = got.steel_c[0] - air
    assert lag[40] == pytest.approx(0.5 * time_constant_h(25.0, 3.0, air[40]), rel=0.01)


@pytest.mark.parametrize("sky_view", [1.0, 0.5, 0.0])
@pytest.mark.parametrize(("air_c", "wind"), [(5.0, 0.0), (-10.0, 0.0), (-10.0, 2.0), (-25.0, 8.0)])
def test_clear_night_balance(air_c: float, wind: float, sky_view: float) -> None:
    # By the exposure: both faces together see one whole sky, half of one, or none.
    hours = weather(200, air_c=air_c, wind=wind, dew_below_k=3.0, cloud=0.0)
    a, sky = air_c + 273.15, float(sky_c(air_c, air_c - 3.0, 0.0)) + 273.15

    def gain(steel_c: float) -> float:
        s = steel_c + 273.15
        seen = sky_view * sky**4 + (2 - sky_view) * a**4
        return 2 * (4 + 4 * wind) * (a - s) + 0.85 * 5.670374419e-8 * (seen - 2 * s**4)

    assert forecast(hours, [steel_class(25.0, Surroundings(sky_view))]).steel_c[0, -1] == pytest.approx(
        brentq(gain, air_c - 30.0, air_c + 1.0), abs=0.1
    )


# What is missing ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["air_c", "dew_c", "wind_10m_ms"])
def test_a_hole_is_unknown_and_starts_the_chain_anew(name: str) -> None:
    hours = changing(48)
    holed = replace(hours, **{name: np.where(np.arange(48) == 20, np.nan, getattr(hours, name))})
    classes = [steel_class(50.0, OPEN)]
    got, whole = forecast(holed, classes, start_c=-9.0), forecast(hours, classes, start_c=-9.0)
    for field in ("steel_c", "coldest_c", "warmest_c", "start_weight"):
        values = getattr(got, field)[0]
        assert np.flatnonzero(np.isnan(values)).tolist() == [20]
        assert (values[:20] == getattr(whole, field)[0, :20]).all()
    assert got.steel_c[0, 21] == min(-9.0, hours.air_c[21])
    assert got.start_weight[0, 21] == 1.0
    assert not got.wet[0, 20]


def test_the_start_is_the_colder_of_the_given_value_and_the_air() -> None:
    hours = weather(5, air_c=-10.0)
    classes = [steel_class(50.0, UNDER_DECK)]
    starts = [forecast(hours, classes, start_c=start).steel_c[0, 0] for start in (None, 5.0, -15.0)]
    assert starts == [-10.0, -10.0, -15.0]


def test_a_stated_shelter_wind_needs_no_wind_of_the_feed() -> None:
    hours = replace(weather(5), wind_10m_ms=np.full(5, np.nan))
    got = forecast(hours, [steel_class(50.0, Surroundings(1.0, 1.0, 0.5)), steel_class(50.0, OPEN)])
    assert np.isfinite(got.steel_c[0]).all()
    assert np.isnan(got.steel_c[1]).all()


def test_missing_cloud_is_clear_on_the_cold_side_and_overcast_on_the_warm_side() -> None:
    classes = [steel_class(12.0, OPEN)]
    got, clear, overcast = (forecast(weather(48, cloud=cloud), classes) for cloud in (np.nan, 0.0, 1.0))
    assert (got.steel_c == clear.steel_c).all()
    assert (got.coldest_c == clear.coldest_c).all()
    assert (got.warmest_c >= overcast.warmest_c).all()
    assert got.warmest_c[0, -1] > clear.warmest_c[0, -1]


def test_nothing_known() -> None:
    got = forecast(weather(6, air_c=np.nan), [steel_class(50.0, OPEN)], start_c=-5.0, anchors={0: (2.0, 3.0)})
    assert np.isnan([got.steel_c, got.coldest_c, got.warmest_c, got.start_weight]).all()
    assert not got.wet.any()
    assert not got.frost.any()


def test_one_hour_no_hour_no_class() -> None:
    one = forecast(weather(1, air_c=-4.0), [steel_class(50.0, OPEN)])
    assert one.steel_c.tolist() == [[-4.0]]
    assert one.start_weight.tolist() == [[1.0]]
    assert forecast(weather(0), [steel_class(50.0, OPEN)]).steel_c.shape == (1, 0)
    assert forecast(weather(7), []).steel_c.shape == (0, 7)


# Rain, dew, frost, sun ---------------------------------------------------------------------------------------------


def test_rain_takes_the_cold_side_to_the_wet_bulb() -> None:
    hours = weather(12, air_c=6.0, dew_below_k=4.0, wind=5.0, cloud=1.0)
    rainy = replace(hours, precip_mm=np.where(np.arange(12) == 6, 1.0, 0.1))
    classes = [steel_class(100.0, OPEN), steel_class(100.0, UNDER_DECK)]
    dry, got = forecast(hours, classes), forecast(rainy, classes)
    wet_bulb = float(wet_bulb_c(6.0, 2.0))
    assert (got.coldest_c[0, :6] == dry.coldest_c[0, :6]).all()
    assert got.coldest_c[0, 6:8] == pytest.approx([wet_bulb, wet_bulb])
    assert wet_bulb < got.coldest_c[0, 8] < dry.coldest_c[0, 8]
    assert (got.coldest_c[1] == dry.coldest_c[1]).all()
    assert (got.steel_c == dry.steel_c).all()
    assert (got.warmest_c == dry.warmest_c).all()


def test_a_missing_amount_counts_as_rain_on_the_cold_side() -> None:
    hours = replace(weather(3, air_c=6.0, dew_below_k=4.0), precip_mm=np.array([0.0, np.nan, 0.0]))
    got = forecast(hours, [steel_class(100.0, OPEN)])
    assert (got.coldest_c[0, 1:] <= wet_bulb_c(6.0, 2.0)).all()


def test_dew_and_frost() -> None:
    cases = [  # air, dew point, start: wet, frost
        (6.0, 4.0, 1.0, True, False),
        (6.0, 4.0, 4.5, False, False),
        (1.0, -3.0, -5.0, True, True),
        (-9.5, -10.0, -9.4, True, True),  # above the dew point over water, below the frost point of -8.9 °C
        (-8.0, -10.0, -8.4, False, False),
    ]
    for air_c, dew_c, start_c, wet, frost in cases:
        hours = weather(1, air_c=air_c, dew_below_k=air_c - dew_c)
        got = forecast(hours, [steel_class(50.0, UNDER_DECK)], start_c=start_c)
        assert (got.wet[0, 0], got.frost[0, 0]) == (wet, frost), (air_c, dew_c, start_c)


def test_a_warm_front_wets_thick_steel_longer() -> None:
    air = np.concatenate([np.full(24, -10.0), np.full(36, 6.0)])
    hours = replace(weather(60, wind=2.0), air_c=air, dew_c=air - 1.0)
    wet = forecast(hours, [steel_class(mm, UNDER_DECK) for mm in (6.0, 50.0, 125.0)]).wet.sum(axis=1)
    assert wet[0] < wet[1] < wet[2]


@pytest.mark.parametrize("air_after_c", [6.0, -1.0])
def test_wet_hours_are_an_upper_bound_as_the_heat_of_settling_is_left_out(air_after_c: float) -> None:
    """The same plates with that heat: mass flux by the analogy of heat and mass transfer (Lewis number 1).

    E.g. Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, 6.7; heat of vaporisation 2.5 MJ/kg, of deposition
    2.83 MJ/kg.
    """
    air = np.concatenate([np.full(24, -12.0), np.full(48, air_after_c)])
    hours = replace(weather(72, wind=2.0), air_c=air, dew_c=air - 1.0)
    thickness = [6.0, 50.0, 125.0]
    got = forecast(hours, [steel_class(mm, UNDER_DECK) for mm in thickness])
    mass, convection = 7850.0 * np.array(thickness) * 1e-3, 4.0 + 4.0 * 2.0

    def rise(t: float, c: Floats) -> Floats:
        a = float(np.interp(t, 3600.0 * np.arange(72), air))
        over_ice = 6.112 * np.exp(22.46 * c / (272.62 + c))  # WMO-No. 8, annex 4.B
        at_steel = np.where(c < 0.0, over_ice, vapour_pressure_hpa(c))
        settles = np.maximum(float(vapour_pressure_hpa(a - 1.0)) - at_steel, 0.0)
        latent = convection / 1005.0 * 0.622 / 1013.25 * settles * np.where(c < 0.0, 2.83e6, 2.5e6)
        radiation = 0.85 * 5.670374419e-8 * ((a + 273.15) ** 4 - (c + 273.15) ** 4)
        return 2.0 * (convection * (a - c) + latent + radiation) / (mass * (425.0 + 0.773 * c))

    at = 3600.0 * np.arange(72)
    exact = solve_ivp(rise, (0.0, at[-1]), np.full(3, air[0]), "LSODA", at, max_step=900.0, rtol=1e-6, atol=1e-6).y
    dew = air - 1.0
    wet = exact < np.where(exact < 0.0, frost_point_c(dew), dew)
    assert (got.wet | ~wet).all()
    assert got.wet.sum() > wet.sum()
    assert (got.steel_c <= exact + 0.1).all()  # and the steel is predicted no warmer than with it


def test_sun_warms_where_it_is_stated_and_never_the_cold_side() -> None:
    hours = replace(weather(12), sun_wm2=np.full(12, 150.0))
    got = forecast(hours, [steel_class(25.0, Surroundings(1.0)), steel_class(25.0, Surroundings(1.0, sun=True))])
    assert got.steel_c[1, -1] > got.steel_c[0, -1] + 1.0
    assert (got.coldest_c[1] == got.coldest_c[0]).all()
    assert got.warmest_c[1, -1] > got.warmest_c[0, -1] + 1.0


def test_missing_sun_is_estimated_from_elevation_and_cloud() -> None:
    noon = replace(weather(4, cloud=0.0), sun_wm2=np.full(4, np.nan), start_utc=datetime(2025, 3, 20, 10, tzinfo=UTC))
    night = replace(noon, start_utc=datetime(2025, 3, 20, 22, tzinfo=UTC))
    classes = [steel_class(25.0, Surroundings(1.0, sun=True)), steel_class(25.0, OPEN)]
    at_noon, at_night = (forecast(hours, classes).steel_c for hours in (noon, night))
    assert at_noon[0, -1] > at_noon[1, -1] + 1.0
    assert (at_night[0] == at_night[1]).all()
    cloudless = replace(noon, cloud=np.full(4, np.nan))
    assert (forecast(cloudless, classes).steel_c[0] == forecast(cloudless, classes).steel_c[1]).all()


def test_the_result_does_not_depend_on_the_clock_used() -> None:
    hours = replace(weather(4), sun_wm2=np.full(4, np.nan), start_utc=datetime(2025, 3, 20, 10, tzinfo=UTC))
    local = replace(hours, start_utc=hours.start_utc.astimezone(timezone(timedelta(hours=-9))))
    classes = [steel_class(25.0, Surroundings(1.0, sun=True))]
    assert (forecast(hours, classes).steel_c == forecast(local, classes).steel_c).all()


# Readings ----------------------------------------------------------------------------------------------------------


def test_a_reading_between_stamps_is_carried_on_through_the_rest_of_the_hour() -> None:
    hours = weather(12, air_c=-10.0, wind=2.0)
    got = forecast(hours, [steel_class(50.0, UNDER_DECK)], anchors={0: (3.25, 4.0)})
    tau = time_constant_h(50.0, 2.0, -10.0)
    assert got.steel_c[0, 4:] == pytest.approx(-10.0 + 14.0 * np.exp(-(np.arange(4, 12) - 3.25) / tau), abs=1e-9)
    assert (got.steel_c[0, :4] == -10.0).all()
    assert (got.start_weight[0, 4:] == 0.0).all()


@pytest.mark.parametrize("position", [-0.5, 11.5, 30.0, float("nan")])
def test_a_reading_outside_the_axis_is_left_out(position: float) -> None:
    classes = [steel_class(50.0, OPEN)]
    got, without = forecast(changing(12), classes, anchors={0: (position, 4.0)}), forecast(changing(12), classes)
    assert (got.steel_c == without.steel_c).all()
    assert (got.start_weight == without.start_weight).all()


@pytest.mark.parametrize("position", [4.0, 4.5, 3.5])
def test_a_reading_in_a_hole_is_left_out(position: float) -> None:
    hours = changing(12)
    hours = replace(hours, air_c=np.where(np.arange(12) == 4, np.nan, hours.air_c))
    classes = [steel_class(50.0, OPEN)]
    got, without = forecast(hours, classes, anchors={0: (position, 4.0)}), forecast(hours, classes)
    assert np.array_equal(got.steel_c, without.steel_c, equal_nan=True)
    assert got.start_weight[0, 5] == 1.0


# Refusals ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("thickness_mm", [0.0, -5.0, float("nan"), float("inf")])
def test_a_class_needs_a_thickness(thickness_mm: float) -> None:
    with pytest.raises(OutOfRange, match="thickness"):
        steel_class(thickness_mm, OPEN)


def test_classes_round_to_a_tenth_of_a_millimetre() -> None:
    assert steel_class(38.1, OPEN) == steel_class(38.0999, OPEN) == SteelClass(38.1, OPEN)


@pytest.mark.parametrize("h_band", [-0.1, 1.0, float("nan")])
def test_h_band_has_a_range(h_band: float) -> None:
    with pytest.raises(OutOfRange, match="h_band"):
        forecast(weather(3), [steel_class(50.0, OPEN)], h_band=h_band)
