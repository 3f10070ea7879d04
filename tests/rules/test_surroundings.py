"""Wind, convection, sky, humidity and sun against published figures and reference libraries."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import EXPOSURES, Joint, Shelter, Site, Terrain
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import (
    SIGMA_WM2K4,
    Hours,
    Surroundings,
    absorbed_sun_wm2,
    convection_wm2k,
    dew_point_c,
    estimated_sun_of_hours_wm2,
    estimated_sun_wm2,
    frost_point_c,
    other_sky_c,
    sky_c,
    sun_elevation_deg,
    surroundings_of,
    vapour_pressure_hpa,
    wet_bulb_c,
    wind_at_joint_ms,
    wind_factor,
)

START = datetime(2025, 1, 14, 21, tzinfo=UTC)


def site(terrain: Terrain = "open") -> Site:
    return Site("s", "Weir", 60.0, 10.0, None, "Etc/UTC", "t", "si", (), (), terrain=terrain)


def joint(**changes: object) -> Joint:
    values: dict[str, object] = {
        "mark": "J1",
        "place": "",
        "parts": (),
        "process": None,
        "electrode": None,
        "hydrogen_ml": None,
        "procedure": None,
        "weld_length_mm": 300.0,
        "ends": "inside",
        "start_utc": START,
        "hours": 2.0,
    }
    return Joint(**(values | changes))  # type: ignore[arg-type]


# Wind ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("height_m", "terrain", "expected"),
    # ASHRAE Fundamentals 2005, 16.3, worked by hand: (270/10)^0.14 (z/layer)^exponent.
    [(10.0, "open", 1.0), (50.0, "open", 1.2527), (10.0, "suburban", 0.7168), (10.0, "city", 0.4484)],
)
def test_wind_profile(height_m: float, terrain: Terrain, expected: float) -> None:
    assert wind_factor(height_m, terrain) == pytest.approx(expected, abs=1e-4)


def test_wind_profile_ends() -> None:
    assert wind_factor(0.0, "open") == wind_factor(1.0, "open") > 0.0
    # All terrains share the wind above their layers.
    assert wind_factor(300.0, "open") == wind_factor(270.0, "open") == pytest.approx(27.0**0.14)
    assert wind_factor(900.0, "city") == pytest.approx(27.0**0.14)


@pytest.mark.parametrize("height_m", [-1.0, float("nan"), float("inf")])
def test_wind_profile_refuses(height_m: float) -> None:
    with pytest.raises(OutOfRange, match="height"):
        wind_factor(height_m, "open")


def test_a_stated_shelter_wind_is_the_wind_at_the_joint() -> None:
    wind = np.array([4.0, np.nan])
    assert wind_at_joint_ms(wind, Surroundings(1.0, 0.5)) == pytest.approx([2.0, np.nan], nan_ok=True)
    assert wind_at_joint_ms(wind, Surroundings(1.0, 1.0, 0.5)) == pytest.approx([0.5, 0.5])


def test_surroundings_of_a_joint() -> None:
    views = [surroundings_of(joint(exposure=exposure), site()).sky_view for exposure in EXPOSURES]
    assert views == [1.0, 0.5, 0.0]
    assert surroundings_of(joint(height_m=12.0), site("suburban")).wind_factor == 0.75
    sheltered = surroundings_of(joint(height_m=80.0, shelter=Shelter(wind_ms=0.5), sun=True), site())
    assert sheltered == Surroundings(1.0, 1.34, 0.5, True)


def test_a_stated_shelter_air_temperature_warms_no_steel() -> None:
    assert surroundings_of(joint(shelter=Shelter(air_c=15.0)), site()) == surroundings_of(joint(), site())


def test_like_joints_share_their_surroundings() -> None:
    a, b = surroundings_of(joint(height_m=10.0), site()), surroundings_of(joint(height_m=10.1), site())
    assert len({a, b}) == 1


@pytest.mark.parametrize("wind_ms", [-0.1, float("nan"), float("inf")])
def test_shelter_wind_refuses(wind_ms: float) -> None:
    with pytest.raises(OutOfRange, match="J1.*shelter wind"):
        surroundings_of(joint(shelter=Shelter(wind_ms=wind_ms)), site())


# Convection ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wind_ms", "resistance"),
    # ISO 6946:2017, annex C: printed external surface resistances [m2K/W], emissivity 0.9 at 0 °C.
    [(1.0, 0.08), (2.0, 0.06), (3.0, 0.05), (4.0, 0.04), (5.0, 0.04), (7.0, 0.03), (10.0, 0.02)],
)
def test_convection_meets_iso_6946_surface_resistances(wind_ms: float, resistance: float) -> None:
    radiation = 0.9 * 4.0 * SIGMA_WM2K4 * 273.15**3
    assert round(1.0 / (float(convection_wm2k(wind_ms)) + radiation), 2) == resistance


# Sky -----------------------------------------------------------------------------------------------------------------


def emissivity(air_c: float, dark_c: float) -> float:
    return ((dark_c + 273.15) / (air_c + 273.15)) ** 4


def test_clear_sky_emissivity_at_a_dew_point_of_10_c() -> None:
    # Berdahl & Martin 1984: 0.711 + 0.56 x 0.1 + 0.73 x 0.01.
    assert emissivity(20.0, float(sky_c(20.0, 10.0, 0.0))) == pytest.approx(0.7743, abs=1e-6)
    # Clark & Allen 1978: 0.787 + 0.764 ln(283.15/273).
    assert emissivity(20.0, float(other_sky_c(20.0, 10.0, 0.0))) == pytest.approx(0.8149, abs=1e-4)


@pytest.mark.parametrize(
    ("air_c", "dew_c", "first", "second"),
    # Both formulas worked by hand, to 0.1 K.
    [(20.0, 10.0, 1.8, 5.4), (0.0, -5.0, -24.7, -17.0), (-10.0, -15.0, -37.5, -28.7), (-20.0, -25.0, -48.8, -40.4)],
)
def test_clear_sky_temperature(air_c: float, dew_c: float, first: float, second: float) -> None:
    assert float(sky_c(air_c, dew_c, 0.0)) == pytest.approx(first, abs=0.06)
    assert float(other_sky_c(air_c, dew_c, 0.0)) == pytest.approx(second, abs=0.06)


@pytest.mark.parametrize(
    ("air_c", "dew_c", "swinbank_c"),
    # Swinbank 1963, Q. J. R. Meteorol. Soc. 89, 339-348: 0.0552 T^1.5 [K], by hand (formula from memory; it knows no
    # humidity, and was fitted above 0 °C).
    [(20.0, 10.0, 3.9), (0.0, -5.0, -23.9), (-10.0, -15.0, -37.5), (-20.0, -25.0, -50.8)],
)
def test_clear_sky_against_swinbanks_relation(air_c: float, dew_c: float, swinbank_c: float) -> None:
    assert float(sky_c(air_c, dew_c, 0.0)) == pytest.approx(swinbank_c, abs=2.5)


@pytest.mark.parametrize(
    ("air_c", "dew_c", "brutsaert_c"),
    # Brutsaert 1975, Water Resour. Res. 11, 742-744: emissivity 1.24 (e [hPa] / T [K])^(1/7), by hand (formula seen in
    # the documentation of an open library). Far below 0 °C it runs colder than all others.
    [(20.0, 10.0, 3.1), (10.0, 5.0, -10.4), (0.0, -5.0, -24.8), (-10.0, -15.0, -40.2)],
)
def test_clear_sky_against_brutsaerts_relation(air_c: float, dew_c: float, brutsaert_c: float) -> None:
    assert float(sky_c(air_c, dew_c, 0.0)) == pytest.approx(brutsaert_c, abs=3.0)


def test_sky_temperature_of_a_textbook() -> None:
    # Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, chapter 12, environmental radiation: from about 230 K
    # under a cold clear sky to about 285 K under a warm cloudy one (from memory; the air temperatures are our reading).
    assert float(sky_c(-15.0, -20.0, 0.0)) + 273.15 == pytest.approx(230.0, abs=2.0)
    assert float(sky_c(15.0, 13.0, 1.0)) + 273.15 == pytest.approx(285.0, abs=2.0)


def test_cloudy_sky_temperature() -> None:
    # Walton's polynomial at 5 and 10 tenths by hand: 1.0595 and 1.154.
    assert float(other_sky_c(0.0, -5.0, 0.5)) == pytest.approx(-13.3, abs=0.06)
    assert float(other_sky_c(0.0, -5.0, 1.0)) == pytest.approx(-7.7, abs=0.06)
    clear = emissivity(0.0, float(sky_c(0.0, -5.0, 0.0)))
    assert emissivity(0.0, float(sky_c(0.0, -5.0, 1.0))) == pytest.approx(clear + 0.84 * (1.0 - clear))


def test_no_sky_is_warmer_than_a_black_one() -> None:
    assert float(other_sky_c(30.0, 29.0, 1.0)) <= 30.0 + 1e-9


# Humidity ------------------------------------------------------------------------------------------------------------


def test_dew_point_against_an_open_library() -> None:
    # 21.3094 °C: printed in the documentation of PsychroLib for 25 °C and 80 % (ASHRAE formulation).
    assert float(dew_point_c(25.0, 0.80)) == pytest.approx(21.3094, abs=0.02)


# CoolProp goes over to ice below 0 °C, so these dew points and wet bulbs lie above it.
@pytest.mark.parametrize(("air_c", "humidity"), [(1.0, 0.97), (10.0, 0.6), (10.0, 0.9), (25.0, 0.4), (25.0, 0.9)])
def test_dew_point_against_coolprop(air_c: float, humidity: float) -> None:
    expected = HAPropsSI("D", "T", air_c + 273.15, "P", 101325.0, "R", humidity) - 273.15
    assert float(dew_point_c(air_c, humidity)) == pytest.approx(expected, abs=0.03)


def test_dew_point_of_saturated_and_of_dry_air() -> None:
    assert float(dew_point_c(-7.0, 1.0)) == pytest.approx(-7.0)
    assert np.isnan(dew_point_c([5.0, 5.0, np.nan], [0.0, np.nan, 0.5])).all()


@pytest.mark.parametrize(
    ("dew_c", "frost_c"),
    # Frost point over ice for a dew point over water: Smithsonian Meteorological Tables (from memory), rounded.
    [(0.0, 0.0), (-10.0, -8.9), (-20.0, -18.0), (-30.0, -27.2)],
)
def test_frost_point(dew_c: float, frost_c: float) -> None:
    assert float(frost_point_c(dew_c)) == pytest.approx(frost_c, abs=0.1)


@pytest.mark.parametrize(
    ("air_c", "humidity"), [(2.0, 0.8), (2.0, 0.95), (5.0, 0.5), (5.0, 0.9), (10.0, 0.5), (10.0, 0.8), (20.0, 0.6)]
)
def test_wet_bulb_against_coolprop(air_c: float, humidity: float) -> None:
    expected = HAPropsSI("B", "T", air_c + 273.15, "P", 101325.0, "R", humidity) - 273.15
    # The psychrometer and the thermodynamic wet bulb differ by a tenth or two in dry air.
    assert float(wet_bulb_c(air_c, dew_point_c(air_c, humidity))) == pytest.approx(expected, abs=0.15)


def test_wet_bulb_against_open_libraries() -> None:
    # PsychroLib's own test: 7 °C, 61 %, 1000 hPa -> 3.927 °C; MetPy's: 25 °C, dew point 15 °C -> 18.34 °C at
    # 1000 hPa with the note "18.59 from NWS calculator".
    assert float(wet_bulb_c(7.0, dew_point_c(7.0, 0.61))) == pytest.approx(3.927, abs=0.1)
    assert 18.3 < float(wet_bulb_c(25.0, 15.0)) < 18.65


def test_wet_bulb_lies_between_dew_point_and_air() -> None:
    air, depression = np.meshgrid(np.linspace(-40.0, 35.0, 31), np.linspace(0.0, 25.0, 11))
    wet = wet_bulb_c(air, air - depression)
    assert (wet <= air + 1e-9).all()
    assert (wet >= air - depression - 1e-9).all()
    psychrometer = vapour_pressure_hpa(wet) - 6.53e-4 * (1.0 + 0.000944 * wet) * 1013.25 * (air - wet)
    assert psychrometer == pytest.approx(vapour_pressure_hpa(air - depression), rel=1e-9)


# Sun -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(55.317, -160.517), (60.0, 10.0), (-33.9, 151.2), (0.0, 0.0), (69.6, 18.9)]
)
def test_sun_elevation_against_pvlib(latitude: float, longitude: float) -> None:
    start = datetime(2025, 1, 1, 0, 30, tzinfo=UTC)
    hours = np.arange(0, 365 * 24 * 3, 37)
    times = pd.DatetimeIndex([start + timedelta(hours=int(h)) for h in hours])
    expected = pvlib.solarposition.get_solarposition(times, latitude, longitude)["elevation"].to_numpy()
    got = sun_elevation_deg(start, latitude, longitude, hours)
    assert np.abs(got - expected).max() < 0.02


def test_sun_elevation_does_not_depend_on_the_clock_used() -> None:
    local = START.astimezone(timezone(timedelta(hours=-9)))
    assert sun_elevation_deg(local, 55.0, -160.0) == sun_elevation_deg(START, 55.0, -160.0)


def test_sun_elevation_against_the_published_worked_example() -> None:
    # Reda & Andreas 2004, Solar Energy 76, 577-589 (NREL/TP-560-34302), worked example: 17 October 2003, 12:30:30 at
    # UTC-7, 39.742476 N, 105.1786 W. Zenith 50.11162°, which contains 0.0163° of refraction (figures from memory).
    at = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)
    assert sun_elevation_deg(at, 39.742476, -105.1786) == pytest.approx(90.0 - 50.11162 - 0.0163, abs=0.01)


# One winter day, one summer day, and a place where the sun hardly rises; a whole year at the first.
@pytest.mark.parametrize(
    ("start", "days", "latitude", "longitude"),
    [
        (datetime(2025, 1, 1, tzinfo=UTC), 365, 55.317, -160.517),
        (datetime(2025, 12, 21, tzinfo=UTC), 2, 60.0, 10.0),
        (datetime(2025, 6, 21, 7, tzinfo=UTC), 2, 44.95, -93.2),
        (datetime(2025, 2, 1, tzinfo=UTC), 5, 69.6, 18.9),
    ],
)
def test_the_sun_of_an_hour_is_the_mean_of_its_minutes(
    start: datetime, days: int, latitude: float, longitude: float
) -> None:
    got = estimated_sun_of_hours_wm2(start, latitude, longitude, np.zeros(24 * days))
    minutes = pd.date_range(start, periods=24 * 60 * days, freq="min") + pd.Timedelta(seconds=30)
    # Elevation from pvlib; the clear sky of Kasten & Czeplak typed a second time.
    elevation = pvlib.solarposition.get_solarposition(minutes, latitude, longitude)["elevation"].to_numpy()
    clear = np.maximum(910.0 * np.sin(np.radians(elevation)) - 30.0, 0.0).reshape(-1, 60).mean(axis=1)
    assert np.abs(got - clear).max() < 1.0
    assert (got[elevation.reshape(-1, 60).max(axis=1) < 0.0] == 0.0).all()
    # Another published clear-sky model (Haurwitz 1945) in pvlib, in hours with the sun above 10°.
    other = pvlib.clearsky.haurwitz(pd.Series(90.0 - elevation))["ghi"].to_numpy().reshape(-1, 60).mean(axis=1)
    high = elevation.reshape(-1, 60).min(axis=1) > 10.0
    assert got[high] == pytest.approx(other[high], rel=0.16)


def test_the_sun_of_an_hour_against_a_typical_year() -> None:
    """TMY3 file of Sand Point, Alaska, that ships with pvlib (public domain, NREL): sun and cloud of 8760 hours.

    A row is stamped at the end of its hour, in UTC-9; its sun is the mean of that hour, its cloud that of the stamp.
    """
    rows = pd.read_csv(Path(pvlib.__file__).parent / "data" / "703165TY.csv", skiprows=1)
    sun = rows["GHI (W/m^2)"].to_numpy(dtype=np.float64)[1:]
    cloud = rows["TotCld (tenths)"].to_numpy(dtype=np.float64)[:-1] / 10.0
    got = {
        late: estimated_sun_of_hours_wm2(datetime(2025, 1, 1, 10 + late, tzinfo=UTC), 55.317, -160.517, cloud)
        for late in (-1, 0, 1)
    }
    agrees = {late: float(np.corrcoef(values, sun)[0, 1]) for late, values in got.items()}
    assert agrees[0] > 0.9
    assert agrees[0] > max(agrees[-1], agrees[1]) + 0.02, "an hour early or late"
    assert 0.8 < got[0].mean() / sun.mean() < 1.0  # on the low side there: no warmer than it was


@given(
    st.integers(0, 5 * 8766),
    st.floats(-90.0, 90.0),
    st.floats(-180.0, 180.0),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30),
)
def test_the_sun_of_an_hour_stays_within_what_the_sky_can_give(
    later_h: int, latitude: float, longitude: float, cloud: list[float]
) -> None:
    start = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(hours=later_h)
    got, clear, overcast, unknown = (
        estimated_sun_of_hours_wm2(start, latitude, longitude, np.array(values))
        for values in (cloud, [0.0] * len(cloud), [1.0] * len(cloud), [np.nan] * len(cloud))
    )
    assert (got >= overcast).all()
    assert (got <= clear).all()
    assert (clear <= 880.0).all()
    assert overcast == pytest.approx(0.25 * clear)
    # At night the cloud does not matter; by day nobody knows without it.
    np.testing.assert_array_equal(np.isnan(unknown), clear > 0.0)
    assert (unknown[clear == 0.0] == 0.0).all()


def test_estimated_sun() -> None:
    assert estimated_sun_wm2([-5.0, 0.0, 1.0], 0.0) == pytest.approx(0.0)
    elevation = np.arange(5.0, 70.0, 5.0)
    # Another published clear-sky model (Haurwitz 1945) in pvlib.
    other = pvlib.clearsky.haurwitz(pd.Series(90.0 - elevation))["ghi"].to_numpy()
    assert estimated_sun_wm2(elevation, 0.0) == pytest.approx(other, rel=0.16)
    # Overcast lets a quarter through: Kasten & Czeplak 1980.
    assert estimated_sun_wm2(elevation, 1.0) == pytest.approx(0.25 * estimated_sun_wm2(elevation, 0.0))


def test_sun_only_where_it_is_stated() -> None:
    sun = np.array([200.0, np.nan])
    assert absorbed_sun_wm2(sun, Surroundings(1.0)) == pytest.approx(0.0)
    assert absorbed_sun_wm2(sun, Surroundings(0.0, sun=True)) == pytest.approx(0.0)
    assert absorbed_sun_wm2(sun, Surroundings(0.5, sun=True)) == pytest.approx([85.0, np.nan], nan_ok=True)


# Hours ---------------------------------------------------------------------------------------------------------------


def test_position_and_time_are_inverse() -> None:
    hours = Hours(START, *[np.zeros(3)] * 8)
    assert len(hours) == 3
    assert hours.position(hours.time_utc(2)) == 2.0
    assert hours.position(START - timedelta(minutes=30)) == -0.5
    assert hours.position(START.astimezone(timezone(timedelta(hours=5))) + timedelta(minutes=15)) == 0.25
