"""US National Weather Service, observations of the nearest station: what was measured in the hours gone by.

`observationStations` of a place leads to a list of stations (identifier, name, position, height); `/stations/ID/
observations` to what one measured (temperature, dew point, wind, gust, cloud layers, precipitation of the last hour,
each with its unit and a flag of the quality control).

What we make of it:
- A value counts where its flag is V (verified), S (screened) or C (coarse pass), or where there is no flag, as with
  cloud layers; Z (not checked yet), X and B (bad), Q (questioned) and all others do not. The meaning of the flags is
  that of MADIS, to which the OpenAPI refers (from memory).
- The state at a full hour is that of the observation closest to it, at most 30 minutes away: the routine report at
  about seven minutes to the hour is taken for the hour. Without one the hour stays missing. An observation whose air
  temperature does not count is passed over; nothing else is patched together from two of them.
- Precipitation of the hour that follows comes from reports within 15 minutes of its end. A special report counts only
  since the last routine one, so of several the largest amount is taken (from memory). Null is missing, not dry.
- Cloud is that of the layer that covers most, in eighths. `CLR` of an automatic station says nothing of what is above
  3,700 m (12,000 ft) (from memory). Gust is the report's, not the highest of the hour that follows; new snow and sun
  are not measured.

Temperature is at 2 m, wind at 10 m (from memory). Shapes: OpenAPI of the service, 1.9.0 and 3.8.1
(ObservationStationCollection, ObservationCollection, QuantitativeValue, MetarSkyCoverage); that the list of
observations has pages is from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from urllib.parse import urlencode

import numpy as np

from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.units import c_from_f, ms_from_kmh
from frostshift_service.http import Get, Validators
from frostshift_service.store.records import ObservedHours
from frostshift_service.weather import FeedError, Place, hourly, nws_points
from frostshift_service.weather.distance import distance_km
from frostshift_service.weather.fetching import Kept, ask, read_json
from frostshift_service.weather.payload import Json, as_it_is, child, entries, from_percent, instant, number

TITLE: Final = "US National Weather Service, stations"
BASE_URL: Final = nws_points.BASE_URL
ATTRIBUTION: Final = "Measured by a station near the site; data: US National Weather Service (public domain)."
covers = nws_points.covers

WITHIN_KM: Final = 50.0
"""A station further away says too little about the site [km] (our choice, as the others here)."""
WITHIN_M: Final = 300.0
"""A station so much higher or lower is some 2 K off [m]."""
MAX_STATIONS: Final = 3
"""So many stations are asked at most; the service offers dozens."""
MAX_PAGES: Final = 4
ENOUGH: Final = 0.5
"""A station counts that has at least this share of the wanted hours."""
NEAR: Final = timedelta(minutes=30)
"""An observation further from the full hour does not stand for it."""
NEAR_AMOUNT: Final = timedelta(minutes=15)
MAX_WANTED_H: Final = 7 * 24
"""The service keeps observations for about a week [h]."""

TRUSTED: Final = frozenset({"V", "S", "C"})
EIGHTHS: Final[Mapping[str, float]] = {
    "SKC": 0.0, "CLR": 0.0, "FEW": 1.5, "SCT": 3.5, "BKN": 6.0, "OVC": 8.0, "VV": 8.0,
}  # fmt: skip
"""Middle of what each word means: 1 to 2, 3 to 4, 5 to 7 eighths; `VV`: the sky cannot be seen (from memory)."""

Units = Mapping[str, Callable[[float], float]]


def _mm(metres: float) -> float:
    return metres * 1000.0


_DEGREES: Final[Units] = {"degC": as_it_is, "degF": c_from_f}
_SPEED: Final[Units] = {"km_h-1": ms_from_kmh, "m_s-1": as_it_is}
_STATES: Final[Mapping[str, tuple[str, Units]]] = {
    "temperature": ("air_c", _DEGREES),
    "dewpoint": ("dew_c", _DEGREES),
    "relativeHumidity": (hourly.HUMIDITY, {"percent": from_percent}),
    "windSpeed": ("wind_10m_ms", _SPEED),
    "windGust": ("gust_10m_ms", _SPEED),
}
"""Name upstream -> ours, and the units we take it in; older replies have m/s."""
_AMOUNT: Final[Units] = {"mm": as_it_is, "m": _mm}
_METRES: Final[Units] = {"m": as_it_is}
_STATION_ID: Final = re.compile(r"[A-Za-z0-9_-]{1,16}")
_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Station:
    """A station near a place: identifier, name, distance [km], how much higher than the place it stands [m]."""

    id: str
    title: str
    distance_km: float
    height_m: float


@dataclass(frozen=True, slots=True)
class FetchedObservations:
    """What one call brought: the hours with their station, addresses to keep for the next call, what was odd."""

    observed: ObservedHours
    kept: Kept
    warnings: tuple[str, ...] = ()


def fetch(
    get: Get,
    place: Place,
    kept: Kept,
    now: datetime,
    base_url: str = BASE_URL,
    *,
    first_utc: datetime,
    last_utc: datetime,
) -> FetchedObservations:
    """The hours measured by the nearest station that has at least half of those wanted.

    Args:
        get: makes the request.
        place: where; its altitude has to be known.
        kept: of the last call, or that of the feeds `nws` and `nws_hourly`: the address of the list is in it.
        now: aware.
        base_url: of the service.
        first_utc: first hour wanted, aware, on the full hour.
        last_utc: last hour wanted, the same.

    Raises:
        FeedError: the place is outside the area or its altitude is not known, the server gave no data, or no station
            near enough has enough of the hours.
    """
    wanted = round((last_utc - first_utc) / _HOUR) + 1
    if not 0 < wanted <= MAX_WANTED_H:
        raise FeedError(f"{TITLE}: {wanted} hours wanted; limit 1 to {MAX_WANTED_H}", permanent=True)
    if place.altitude_m is None:
        # Without it a station 1,000 m higher, and 6 K colder, could stand for the site.
        raise FeedError(f"{TITLE}: the site's altitude is not known, so no station can be compared", permanent=True)
    warnings: list[str] = []

    def stations(url: str) -> list[Station]:
        return near_stations(read_json(_ask(get, url), TITLE), place, warnings)

    near, addresses = nws_points.at_address(get, place, kept, now, base_url, "stations_url", stations)
    tried = []
    for station in near[:MAX_STATIONS]:
        try:
            pages = _observations(get, base_url, station, first_utc, warnings)
            hours = parse(pages, first_utc, wanted, warnings)
        except FeedError as error:
            if error.retry_after_s is not None:  # the service asks for a pause
                raise
            tried.append(f"{station.id}: {error}")
            continue
        known = int(np.isfinite(hours.air_c).sum())
        if known >= ENOUGH * wanted:
            observed = ObservedHours(station.id, station.title, station.distance_km, station.height_m, now, hours)
            return FetchedObservations(observed, addresses, tuple(warnings))
        tried.append(f"{station.id} ({station.distance_km:.0f} km) has {known}")
    raise FeedError(
        f"{TITLE}: no station within {WITHIN_KM:g} km and {WITHIN_M:g} m of height has half of the {wanted} hours: "
        + ("; ".join(tried) or "there is none")
    )


def near_stations(payload: Json, place: Place, warnings: list[str]) -> list[Station]:
    """The stations of a list that are near enough in distance and height, nearest first.

    A station without a position or a height is left out: nobody can say how near it is.

    Raises:
        FeedError: not this shape.
    """
    found = []
    for feature in entries(payload, "features", TITLE):
        properties = child(feature, "properties", f"{TITLE}, features")
        identifier = properties.get("stationIdentifier")
        if not isinstance(identifier, str) or not _STATION_ID.fullmatch(identifier):
            warnings.append(f"station {str(identifier)[:40]!r}: no identifier, left out")
            continue
        place_km = _distance_km(place, feature.get("geometry"), identifier, warnings)
        altitude_m = _value(properties.get("elevation"), _METRES, f"{identifier}, elevation", warnings)
        height_m = altitude_m - (math.nan if place.altitude_m is None else place.altitude_m)
        if place_km <= WITHIN_KM and abs(height_m) <= WITHIN_M:
            name = properties.get("name")
            title = name if isinstance(name, str) and name.strip() else identifier
            found.append(Station(identifier, title, place_km, height_m))
    return sorted(found, key=lambda station: (station.distance_km, station.id))


def parse(pages: list[Json], first_utc: datetime, count: int, warnings: list[str]) -> Hours:
    """What was measured at each of `count` full hours from `first_utc` on; NaN where nothing was near the hour.

    Args:
        pages: one or more lists of observations, in any order.
        first_utc: aware, on the full hour.
        count: number of hours.
        warnings: what is odd is added to them.

    Raises:
        FeedError: not this shape, or a value in another unit.
    """
    rows = {name: np.full(count, np.nan) for name in hourly.LIMITS}
    nearest = np.full(count, np.inf)
    features = [feature for page in pages for feature in entries(page, "features", TITLE)]
    observations = [child(feature, "properties", f"{TITLE}, features") for feature in features]
    timed = [(instant(one.get("timestamp"), f"{TITLE}, timestamp"), one) for one in observations]
    for at_utc, properties in sorted(timed, key=lambda pair: pair[0]):  # of two as close, the earlier counts
        _take_state(rows, nearest, properties, at_utc, first_utc, warnings)
        _take_amount(rows["precip_mm"], properties, at_utc, first_utc, warnings)
    odd, _ = hourly.make_sound(rows, first_utc)
    warnings += odd
    broken = np.isnan(rows["air_c"])  # of a station that tells absurd air nothing is believed in that hour
    for name in ("dew_c", "wind_10m_ms", "gust_10m_ms", "cloud"):
        rows[name][broken] = np.nan
    del rows[hourly.HUMIDITY]
    return Hours(first_utc, **rows)


def _ask(get: Get, url: str) -> Any:
    return ask(get, nws_points.SERVICE, TITLE, url, nws_points.ACCEPT, Validators())


def _observations(get: Get, base_url: str, station: Station, first_utc: datetime, warnings: list[str]) -> list[Json]:
    """The pages of a station's observations from shortly before the first hour on."""
    query = urlencode({"start": f"{first_utc - NEAR:%Y-%m-%dT%H:%M:%SZ}"})
    url = f"{base_url}/stations/{station.id}/observations?{query}"
    pages = [read_json(_ask(get, url), TITLE)]
    asked = {url}
    while len(pages[-1].get("features") or []) and (next_url := _next_page(pages[-1])) is not None:
        nws_points.check_same_server(next_url, url, "next page")
        if len(pages) == MAX_PAGES or next_url in asked:
            warnings.append(f"{station.id}: more than {len(pages)} pages of observations; the rest is left out")
            break
        asked.add(next_url)
        pages.append(read_json(_ask(get, next_url), TITLE))
    return pages


def _next_page(page: Json) -> str | None:
    pagination = page.get("pagination")
    url = pagination.get("next") if isinstance(pagination, dict) else None
    return url if isinstance(url, str) and url else None


def _take_state(
    rows: dict[str, Floats],
    nearest: Floats,
    properties: Json,
    at_utc: datetime,
    first_utc: datetime,
    warnings: list[str],
) -> None:
    """Write an observation into the row of the hour it is closest to, where no other is closer."""
    index, away = _full_hour(at_utc, first_utc)
    if not 0 <= index < len(nearest) or away > NEAR or away.total_seconds() >= nearest[index]:
        return
    what = f"{at_utc:%Y-%m-%d %H:%M} UTC"
    values = {
        ours: _value(properties.get(name), units, f"{name} at {what}", warnings)
        for name, (ours, units) in _STATES.items()
    }
    if math.isnan(values["air_c"]):
        return
    nearest[index] = away.total_seconds()
    for name, value in values.items():
        rows[name][index] = value
    rows["cloud"][index] = _cloud(properties.get("cloudLayers"), what, warnings)


def _take_amount(
    precip_mm: Floats, properties: Json, at_utc: datetime, first_utc: datetime, warnings: list[str]
) -> None:
    """Write the precipitation of the last hour into the row of the hour that began then."""
    index, away = _full_hour(at_utc, first_utc)
    if not 0 <= index - 1 < len(precip_mm) or away > NEAR_AMOUNT:
        return
    what = f"precipitationLastHour at {at_utc:%Y-%m-%d %H:%M} UTC"
    amount = _value(properties.get("precipitationLastHour"), _AMOUNT, what, warnings)
    precip_mm[index - 1] = np.fmax(precip_mm[index - 1], amount)


def _full_hour(at_utc: datetime, first_utc: datetime) -> tuple[int, timedelta]:
    """Index of the full hour closest to a moment, and how far away it is; at half past, the hour to come."""
    index = (at_utc - first_utc + NEAR) // _HOUR
    return index, abs(at_utc - (first_utc + index * _HOUR))


def _value(value: Any, units: Units, what: str, warnings: list[str]) -> float:
    """A measured value in our unit; NaN where there is none or its flag does not let it count."""
    if value is None:
        return math.nan
    if not isinstance(value, dict):
        warnings.append(f"{what}: {str(value)[:40]!r} is no number with its unit, left out")
        return math.nan
    plain = number(value.get("value"), what, warnings)
    flag = value.get("qualityControl")
    if math.isnan(plain) or (flag is not None and str(flag).removeprefix("qc:") not in TRUSTED):
        return math.nan
    unit = str(value.get("unitCode")).rpartition(":")[2]
    if unit not in units:
        raise FeedError(
            f"{TITLE}, {what}: unit {value.get('unitCode')!r}, expected one of {', '.join(units)}; payload not used"
        )
    return units[unit](plain)


def _cloud(layers: Any, what: str, warnings: list[str]) -> float:
    """Cloud cover of the layer that covers most, 0 to 1; NaN where none is reported."""
    if not isinstance(layers, list) or not layers:
        return math.nan
    amounts = [layer.get("amount") if isinstance(layer, dict) else layer for layer in layers]
    unknown = [amount for amount in amounts if not isinstance(amount, str) or amount not in EIGHTHS]
    if unknown:
        warnings.append(f"cloudLayers at {what}: amount {str(unknown[0])[:40]!r} is not known, cloud left out")
        return math.nan
    return max(EIGHTHS[str(amount)] for amount in amounts) / 8.0


def _distance_km(place: Place, geometry: Any, what: str, warnings: list[str]) -> float:
    """Great-circle distance to a GeoJSON point (longitude first); infinite with a warning where there is none."""
    coordinates = geometry.get("coordinates") if isinstance(geometry, dict) else None
    pair = coordinates[:2] if isinstance(coordinates, list) else []
    longitude, latitude = (
        (number(value, f"{what}, position", warnings) for value in pair)
        if len(pair) == 2
        else (
            math.nan,
            math.nan,
        )
    )
    if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0):
        warnings.append(f"station {what}: no position, left out")
        return math.inf
    return distance_km(place, latitude, longitude)
