"""The invented weather behind all services: what really comes, and what a service forecast of it at a given issue.

Everything is a function of place, time and names, so that the same question always has the same answer, in any process.
The error of a forecast is nothing at its issue and grows with the lead; each issue is wrong in another way. Places and
weather are invented.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache

HOUR = timedelta(hours=1)
BASE = datetime(2026, 10, 29, tzinfo=UTC)
FIRST_FRONT_H, FRONT_EVERY_H = 38.0, 84.0
"""A cold front passes every so many hours, the first one so many hours after `BASE`."""


@dataclass(frozen=True)
class Place:
    """A place that is asked about; `grid_x` is None where the US service has no grid, `nordic` where MET is finer."""

    name: str
    latitude: float
    longitude: float
    altitude_m: int
    zone: str
    mean_c: float
    grid_x: int | None = None
    hourly_qpf: bool = False
    nordic: bool = False


PLACES = (
    Place("ore-shed", 46.5, -94.0, 251, "America/Chicago", -4.0, grid_x=101),
    Place("river-bridge", 44.8, -68.8, 38, "America/New_York", -1.0, grid_x=48, hourly_qpf=True),
    Place("dry-dock", 69.6, 18.9, 12, "Europe/Oslo", -3.0, nordic=True),
    Place("canal-lock", 43.1, -75.2, 130, "America/New_York", -3.0, grid_x=77),
    Place("prairie-mill", 50.4, -104.6, 577, "America/Regina", -7.0),
)


def place_at(latitude: float, longitude: float) -> Place:
    """The place of the table there, else one without a name that only the world-wide services know."""
    for place in PLACES:
        if abs(place.latitude - latitude) < 5e-5 and abs(place.longitude - longitude) < 5e-5:
            return place
    return Place(f"{latitude:g},{longitude:g}", latitude, longitude, 100, "Etc/UTC", -2.0)


@dataclass(frozen=True)
class Weather:
    """One hour: states at its start, amounts, mean sun and highest gust over it. Units as in the names."""

    air_c: float
    dew_c: float
    wind_ms: float
    cloud: float
    precip_mm: float
    snow_cm: float
    gust_ms: float
    sun_wm2: float

    @property
    def humidity_percent(self) -> float:
        """From air and dew point (Magnus over water)."""
        at = {c: 17.62 * c / (243.12 + c) for c in (self.air_c, self.dew_c)}
        return 100.0 * math.exp(at[self.dew_c] - at[self.air_c])


@lru_cache(maxsize=50_000)
def chance(*names: object) -> float:
    """A number from 0 to 1 that hangs on the names alone."""
    return int.from_bytes(hashlib.blake2b(repr(names).encode(), digest_size=6).digest()) / 2**48


def fronts(start_utc: datetime, end_utc: datetime) -> list[datetime]:
    """When cold fronts pass between two moments."""
    number = math.ceil(((start_utc - BASE) / HOUR - FIRST_FRONT_H) / FRONT_EVERY_H)
    found = []
    while (at := BASE + (FIRST_FRONT_H + number * FRONT_EVERY_H) * HOUR) < end_utc:
        found.append(at)
        number += 1
    return found


def truth(place: Place, at_utc: datetime) -> Weather:
    """What really comes in the hour from `at_utc` on."""
    return _weather(place, at_utc, 0.0, 0.0, 0.0)


def forecast(place: Place, who: str, issued_utc: datetime, at_utc: datetime, member: int = 0) -> Weather:
    """What `who` forecast at `issued_utc` for the hour from `at_utc` on; `member` of an ensemble, 0 the control."""
    lead_h = max(0.0, (at_utc - issued_utc) / HOUR)
    grown = 1.0 - math.exp(-lead_h / 60.0)

    def error(quantity: str, size: float) -> float:
        names = (place.name, who, issued_utc.isoformat(), member, quantity)
        turns = chance(*names, "phase") + lead_h / (30.0 + 20.0 * chance(*names, "period"))
        return size * grown * math.sin(2.0 * math.pi * turns)

    return _weather(place, at_utc, error("air", 4.0), error("wind", 0.4), error("cloud", 0.5))


def _weather(place: Place, at_utc: datetime, air_k: float, wind_share: float, cloud_off: float) -> Weather:
    hour = (at_utc - BASE) / HOUR
    own = chance(place.name)
    since_front = (hour - FIRST_FRONT_H - 6.0 * own) % FRONT_EVERY_H
    behind = math.exp(-since_front / 40.0) / (1.0 + math.exp(-(since_front - 3.0) / 1.2))
    near = math.exp(-(((since_front - 3.0) / 6.0) ** 2))
    solar_hour = hour + place.longitude / 15.0
    day_c = 3.5 * math.cos(2.0 * math.pi * (solar_hour - 15.0) / 24.0)
    air_c = place.mean_c + day_c + 2.5 * math.sin(2.0 * math.pi * (hour / 131.0 + own)) - 11.0 * behind + air_k
    cloud = min(1.0, max(0.0, 0.45 + 0.35 * math.sin(2.0 * math.pi * (hour / 37.0 + own)) + 0.6 * near + cloud_off))
    wind_ms = (3.5 + 1.5 * math.sin(2.0 * math.pi * (hour / 29.0 + own)) + 6.0 * near) * (1.0 + wind_share)
    precip_mm = max(0.0, 1.6 * near - 0.5) + max(0.0, 0.8 * math.sin(2.0 * math.pi * (hour / 53.0 + own)) - 0.55)
    return Weather(
        air_c=air_c,
        dew_c=air_c - 1.2 - 4.0 * (1.0 - cloud),
        wind_ms=wind_ms,
        cloud=cloud,
        precip_mm=precip_mm,
        snow_cm=precip_mm * 0.9 if air_c < 0.5 else 0.0,
        gust_ms=1.5 * wind_ms + 1.0,
        sun_wm2=_sun_wm2(place, at_utc + HOUR / 2, cloud),
    )


def _sun_wm2(place: Place, at_utc: datetime, cloud: float) -> float:
    day = at_utc.timetuple().tm_yday
    declination = math.radians(-23.44 * math.cos(2.0 * math.pi * (day + 10) / 365.0))
    angle = math.radians(15.0 * (at_utc.hour + at_utc.minute / 60.0 - 12.0) + place.longitude)
    latitude = math.radians(place.latitude)
    height = math.sin(latitude) * math.sin(declination)
    height += math.cos(latitude) * math.cos(declination) * math.cos(angle)
    return max(0.0, 910.0 * height - 30.0) * (1.0 - 0.75 * cloud**3.4)
