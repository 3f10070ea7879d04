"""What stands around the steel: hourly weather, wind at the joint, convection, sky, sun, dew and frost.

Every function takes and returns arrays (numpy broadcasts them) and passes NaN through: missing stays missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from frostshift_rules.job import Exposure, Joint, Site, Terrain
from frostshift_rules.strict import OutOfRange
from frostshift_rules.units import KELVIN_0C

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SIGMA_WM2K4: Final = 5.670374419e-8
"""Stefan-Boltzmann constant [W/(m2 K4)]. Source: CODATA 2018, exact in the SI."""

WEATHER_EMISSIVITY: Final = 0.85
"""Long-wave emissivity of scaled, rusted or primed steel in the weather (our choice; bright zinc is far lower)."""

WEATHER_ABSORPTANCE: Final = 0.85
"""Share of the sun that such steel absorbs (our choice)."""

AIR_PRESSURE_HPA: Final = 1013.25
"""For the wet-bulb temperature; at 2,000 m a wet bulb at 0 °C in dry air is some tenths of a kelvin lower."""

_SKY_VIEW: Final[Mapping[Exposure, float]] = {"open": 1.0, "half": 0.5, "covered": 0.0}
_TERRAIN: Final[Mapping[Terrain, tuple[float, float]]] = {
    "open": (0.14, 270.0),
    "suburban": (0.22, 370.0),
    "city": (0.33, 460.0),
}
_WITHIN_HOUR: Final = (np.arange(6) + 0.5) / 6.0
"""Moments that stand for an hour [h]: within 1 W/m2 of the mean of its minutes, sunrise and sunset too."""
_WATER: Final = (17.62, 243.12)
_ICE: Final = (22.46, 272.62)


@dataclass(frozen=True)
class Hours:
    """Hourly weather, one value per UTC hour from `start_utc` on, without holes in the axis; NaN: missing.

    State values (`air_c`, `dew_c`, `wind_10m_ms`, `cloud`) hold AT the hour; sums and means (`precip_mm`, `snow_cm`,
    `gust_10m_ms` as the maximum, `sun_wm2`) over the FOLLOWING hour.

    Attributes:
        start_utc: first hour, aware UTC, on the full hour.
        air_c: air temperature at 2 m [°C].
        dew_c: dew point over water at 2 m [°C].
        wind_10m_ms: mean wind at 10 m [m/s].
        cloud: cloud cover, 0 to 1.
        precip_mm: precipitation, water equivalent, in the hour that follows [mm].
        snow_cm: new snow in the hour that follows [cm].
        gust_10m_ms: highest gust in the hour that follows [m/s].
        sun_wm2: mean global horizontal irradiance of the hour that follows [W/m2].
    """

    start_utc: datetime
    air_c: Floats
    dew_c: Floats
    wind_10m_ms: Floats
    cloud: Floats
    precip_mm: Floats
    snow_cm: Floats
    gust_10m_ms: Floats
    sun_wm2: Floats

    def __len__(self) -> int:
        return len(self.air_c)

    def time_utc(self, index: int) -> datetime:
        """The UTC time of hour `index`."""
        return self.start_utc + timedelta(hours=index)

    def position(self, at_utc: datetime) -> float:
        """Hours from the start of the axis to `at_utc`; may lie outside the axis."""
        return (at_utc - self.start_utc).total_seconds() / 3600.0


def on_axis(column: Floats, from_utc: datetime, to_utc: datetime, count: int) -> Floats:
    """A column of hours on another axis.

    Args:
        column: one value an hour from `from_utc` on.
        from_utc: first hour of the column, aware, on the full hour.
        to_utc: first hour of the other axis, the same.
        count: hours of the other axis.

    Returns:
        The value of each hour; NaN where the column has none.
    """
    moved = np.full(count, np.nan)
    shift = round((from_utc - to_utc) / timedelta(hours=1))
    low, high = max(shift, 0), min(shift + len(column), count)
    if low < high:
        moved[low:high] = column[low - shift : high - shift]
    return moved


@dataclass(frozen=True)
class Members:
    """The members of an ensemble forecast: arrays [member, hour], on the same axis of hours as the `Hours` beside them.

    Single precision: what a feed gives with one decimal keeps it, and steel differs by less than 0.001 K. NaN: missing.
    A member may begin later than the `Hours` (NaN before): the hours before it are the same for all. All values hold
    AT the hour.

    Attributes:
        start_utc: first hour, aware UTC, on the full hour.
        air_c: air temperature at 2 m [°C].
        dew_c: dew point over water at 2 m [°C].
        wind_10m_ms: mean wind at 10 m [m/s].
        cloud: cloud cover, 0 to 1.

    Raises:
        OutOfRange: arrays that are not float32 [member, hour], of different shapes or without a member, a start that is
            not aware or not on the full hour, an infinite value, a wind below 0, a cloud cover outside 0 to 1.
    """

    start_utc: datetime
    air_c: Singles
    dew_c: Singles
    wind_10m_ms: Singles
    cloud: Singles

    def __post_init__(self) -> None:
        """Check."""
        start = self.start_utc
        if start.utcoffset() is None or (start.minute, start.second, start.microsecond) != (0, 0, 0):
            raise OutOfRange(f"members start at {start.isoformat()}, a full hour with its time zone is needed")
        for name, least, most in MEMBER_SERIES:
            values = getattr(self, name)
            if values.dtype != np.float32 or values.ndim != 2:
                raise OutOfRange(f"members: {name} is {values.dtype} {values.shape}, float32 [member, hour] is needed")
            if values.shape != self.air_c.shape or len(values) == 0:
                raise OutOfRange(f"members: {name} is {values.shape}, {self.air_c.shape} with a member is needed")
            wrong = np.argwhere((values < least) | (values > most) | np.isinf(values))
            if len(wrong):
                member, hour = wrong[0]
                raise OutOfRange(
                    f"members: {name} of member {member} at hour {hour} is {values[member, hour]:g}, "
                    f"{least:g} to {most:g} is needed"
                )

    def __len__(self) -> int:
        return len(self.air_c)


MEMBER_SERIES: Final = (
    ("air_c", -np.inf, np.inf),
    ("dew_c", -np.inf, np.inf),
    ("wind_10m_ms", 0.0, np.inf),
    ("cloud", 0.0, 1.0),
)
"""The series of `Members` with their limits, in order."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """How a joint stands in the weather. Joints that stand alike have equal, hashable records.

    Attributes:
        sky_view: sum of the sky view factors of both faces: 1 for a plate in the open at any tilt, 0 under a deck.
        wind_factor: wind at the joint over the 10 m wind.
        shelter_wind_ms: wind at the joint where the shelter states it [m/s]; goes before `wind_factor`.
        sun: True where the joint says that the sun shines on it.
        emissivity: long-wave, of both faces.
    """

    sky_view: float
    wind_factor: float = 1.0
    shelter_wind_ms: float | None = None
    sun: bool = False
    emissivity: float = WEATHER_EMISSIVITY


def surroundings_of(joint: Joint, site: Site) -> Surroundings:
    """How the joint stands in the weather of its site.

    A wind stated for the shelter is used at the joint; the wind outside is kept, because the tent may be put up only
    just before welding. For the same reason an AIR temperature stated for it does not warm the predicted steel. The
    wind factor is rounded to 0.01 so that like joints share one record.

    Raises:
        OutOfRange: height or shelter wind below 0 or not a number.
    """
    wind_ms = joint.shelter.wind_ms if joint.shelter else None
    if wind_ms is not None and not 0.0 <= wind_ms < np.inf:
        raise OutOfRange(f"joint {joint.mark}: shelter wind is {wind_ms:g} m/s, at least 0 is needed")
    factor = round(wind_factor(joint.height_m, site.terrain), 2)
    return Surroundings(_SKY_VIEW[joint.exposure], factor, wind_ms, joint.sun)


def wind_factor(height_m: float, terrain: Terrain) -> float:
    """Wind at a height over the 10 m wind of a weather service.

    Power law from an open weather station to the site's terrain. Heights under 1 m count as 1 m (our choice: the
    law runs to calm at the ground), and above the boundary layer of the terrain the wind grows no more.

    Args:
        height_m: above ground [m].
        terrain: of the site.

    Raises:
        OutOfRange: height below 0 or not a number.

    Source: ASHRAE Handbook Fundamentals 2005, 16.3; exponents and layers as reproduced in an open building-energy
    reference (second hand).
    """
    if not 0.0 <= height_m < np.inf:
        raise OutOfRange(f"height is {height_m:g} m, at least 0 is needed")
    exponent, layer_m = _TERRAIN[terrain]
    station_exponent, station_layer_m = _TERRAIN["open"]
    station = (station_layer_m / 10.0) ** station_exponent
    return float(station * (min(max(height_m, 1.0), layer_m) / layer_m) ** exponent)


def wind_at_joint_ms(wind_10m_ms: Floats, surroundings: Surroundings) -> Floats:
    """Wind at the joint [m/s]: the only place where the 10 m wind is brought down (or up) to it."""
    if surroundings.shelter_wind_ms is not None:
        return np.full_like(wind_10m_ms, surroundings.shelter_wind_ms)
    return wind_10m_ms * surroundings.wind_factor


def convection_wm2k(wind_ms: ArrayLike) -> Floats:
    """Convection coefficient of one face [W/(m2 K)]: 4 + 4 v.

    Valid for members of about 0.2 to 1 m in turbulent site wind; other published forms lie within about 30 % of it
    there, which is the band a plan carries.

    Args:
        wind_ms: at the surface [m/s].

    Source: ISO 6946:2017, annex C (form from memory; its printed surface resistances are met).
    """
    return 4.0 + 4.0 * np.asarray(wind_ms, dtype=np.float64)


def sky_c(air_c: ArrayLike, dew_c: ArrayLike, cloud: ArrayLike) -> Floats:
    """Temperature of the sky as a black body [°C], after Berdahl & Martin with a linear cloud term.

    Valid for dew points above about -15 °C, run on below. In clear air colder than `other_sky_c`, and so the safe one
    for steel at night; other published relations lie within 3 K of it down to -10 °C. The cloud term is weakly founded:
    published programs use 0.47 to 0.9 where we use 0.84.

    Args:
        air_c: air temperature [°C].
        dew_c: dew point [°C].
        cloud: cloud cover, 0 to 1.

    Source: Berdahl & Martin 1984, Solar Energy 32, 663-664 (coefficients second hand, without the daily and the
    pressure term); cloud term in the form of Unsworth & Monteith 1975 (from memory).
    """
    dew = np.asarray(dew_c, dtype=np.float64) / 100.0
    clear = 0.711 + dew * (0.56 + dew * 0.73)
    return _black_body_c(air_c, clear + 0.84 * np.asarray(cloud) * (1.0 - clear))


def other_sky_c(air_c: ArrayLike, dew_c: ArrayLike, cloud: ArrayLike) -> Floats:
    """The same after Clark & Allen with the cloud polynomial of Walton, for the stated range of a prediction.

    Arguments as for `sky_c`; the emissivity is capped at 1.

    Source: Clark & Allen 1978 and Walton 1983 as reproduced in an open building-energy reference (second hand).
    """
    dew_k = np.asarray(dew_c, dtype=np.float64) + KELVIN_0C
    tenths = 10.0 * np.asarray(cloud, dtype=np.float64)
    clear = 0.787 + 0.764 * np.log(dew_k / 273.0)
    cloud_factor = 1.0 + tenths * (0.0224 + tenths * (-0.0035 + tenths * 0.00028))
    return _black_body_c(air_c, np.minimum(clear * cloud_factor, 1.0))


def _black_body_c(air_c: ArrayLike, emissivity: Floats) -> Floats:
    return (np.asarray(air_c, dtype=np.float64) + KELVIN_0C) * np.sqrt(np.sqrt(emissivity)) - KELVIN_0C


def vapour_pressure_hpa(dew_c: ArrayLike) -> Floats:
    """Saturation vapour pressure over water [hPa], also below 0 °C; at the dew point: the vapour pressure.

    Valid for -45 to 60 °C. Source: WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B.
    """
    a, b = _WATER
    dew = np.asarray(dew_c, dtype=np.float64)
    return 6.112 * np.exp(a * dew / (b + dew))


def dew_point_c(air_c: ArrayLike, humidity: ArrayLike) -> Floats:
    """Dew point over water [°C] from air temperature [°C] and relative humidity, 0 to 1; NaN for humidity 0.

    Source and validity as for `vapour_pressure_hpa`.
    """
    share = np.asarray(humidity, dtype=np.float64)
    return _saturated_at_c(vapour_pressure_hpa(air_c) * np.where(share > 0.0, share, np.nan), _WATER)


def frost_point_c(dew_c: ArrayLike) -> Floats:
    """Temperature below which frost settles on steel [°C], from the dew point over water [°C].

    Valid for dew points of -45 to 0 °C; there it lies above the dew point. Source as for `vapour_pressure_hpa`.
    """
    return _saturated_at_c(vapour_pressure_hpa(dew_c), _ICE)


def _saturated_at_c(pressure_hpa: Floats, magnus: tuple[float, float]) -> Floats:
    a, b = magnus
    log = np.log(pressure_hpa / 6.112)
    return b * log / (a - log)


def wet_bulb_c(air_c: ArrayLike, dew_c: ArrayLike) -> Floats:
    """Wet-bulb temperature over water [°C] at standard pressure: what rain or melting snow takes steel to.

    Valid for -45 to 50 °C. Newton's method on the psychrometer formula, from the air temperature downwards; six
    steps settle it to less than 1e-6 K.

    Source: WMO-No. 8, annex 4.B (coefficient of the aspirated psychrometer over water; from memory).
    """
    air = np.asarray(air_c, dtype=np.float64)
    pressure = vapour_pressure_hpa(dew_c)
    a, b = _WATER
    per_k = 6.53e-4 * AIR_PRESSURE_HPA
    wet = air + 0.0 * pressure
    for _ in range(6):
        saturated = vapour_pressure_hpa(wet)
        excess = saturated - per_k * (1.0 + 0.000944 * wet) * (air - wet) - pressure
        slope = saturated * a * b / (b + wet) ** 2 + per_k * (1.0 + 0.000944 * (2.0 * wet - air))
        wet = wet - excess / slope
    return wet


def sun_elevation_deg(at_utc: datetime, latitude: float, longitude: float, hours_later: ArrayLike = 0.0) -> Floats:
    """Elevation of the sun's centre above the horizon, without refraction [°].

    Valid for 1950 to 2050, within 0.02°.

    Args:
        at_utc: aware time.
        latitude: north positive [°].
        longitude: east positive [°].
        hours_later: elevation at `at_utc` plus these hours [h].

    Source: the low-precision formulas of the Astronomical Almanac, as in Michalsky 1988, Solar Energy 40, 227-235.
    """
    noon_2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
    hours = (at_utc - noon_2000).total_seconds() / 3600.0 + np.asarray(hours_later, dtype=np.float64)
    days = hours / 24.0
    mean_longitude_deg = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(mean_longitude_deg + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    sin_declination = np.sin(obliquity) * np.sin(ecliptic)
    sidereal_h = 6.697375 + 0.0657098242 * days + (hours + 12.0) % 24.0
    hour_angle = np.radians(15.0 * sidereal_h + longitude) - ascension
    north = np.radians(latitude)
    cos_declination = np.sqrt(1.0 - sin_declination**2)
    sine = np.sin(north) * sin_declination + np.cos(north) * cos_declination * np.cos(hour_angle)
    elevation: Floats = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return elevation


def estimated_sun_wm2(elevation_deg: ArrayLike, cloud: ArrayLike) -> Floats:
    """Global horizontal irradiance [W/m2] for feeds that give none; 0 with the sun below the horizon.

    Within about 15 % of another published model under a clear sky; large errors in broken cloud.

    Args:
        elevation_deg: of the sun [°].
        cloud: cloud cover, 0 to 1.

    Source: Kasten & Czeplak 1980, Solar Energy 24, 177-189 (formulas second hand).
    """
    clear = np.maximum(910.0 * np.sin(np.radians(elevation_deg)) - 30.0, 0.0)
    return clear * _cloud_factor(cloud)


def estimated_sun_of_hours_wm2(start_utc: datetime, latitude: float, longitude: float, cloud: Floats) -> Floats:
    """Mean global horizontal irradiance of each following hour [W/m2], as `estimated_sun_wm2`.

    0 where the sun gives nothing in the whole hour, whatever the cloud; NaN where it shines and the cloud is missing.

    Args:
        start_utc: aware time of the first hour.
        latitude: north positive [°].
        longitude: east positive [°].
        cloud: cloud cover at each hour, 0 to 1; taken to stay for the hour.
    """
    moments = np.arange(len(cloud))[:, None] + _WITHIN_HOUR
    clear = estimated_sun_wm2(sun_elevation_deg(start_utc, latitude, longitude, moments), 0.0).mean(axis=1)
    return np.where(clear > 0.0, clear * _cloud_factor(cloud), 0.0)


def _cloud_factor(cloud: ArrayLike) -> Floats:
    return 1.0 - 0.75 * np.asarray(cloud, dtype=np.float64) ** 3.4


def absorbed_sun_wm2(global_sun_wm2: Floats, surroundings: Surroundings) -> Floats:
    """Sun absorbed by both faces together per area of one face [W/m2]; none unless the surroundings say sun.

    As on a level plate: which way a joint faces is not known (our choice). It only ever moves the likely figure and
    the warm side.
    """
    share = WEATHER_ABSORPTANCE * surroundings.sky_view if surroundings.sun else 0.0
    return np.zeros_like(global_sun_wm2) if share == 0.0 else share * global_sun_wm2
