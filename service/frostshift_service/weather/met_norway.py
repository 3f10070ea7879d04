"""MET Norway, Locationforecast 2.0, method `complete`.

Shape: a series of stamps in UTC, hourly for two to three days, then every six hours. `instant` values hold at the
stamp; `next_1_hours` and `next_6_hours` are windows that START at it, which is our convention too. Temperature is at
2 m, wind the 10-minute mean at 10 m. A parameter that is missing is an absent key. `compact` payloads parse as well;
their dew point is derived from the humidity. A missing cloud cover stays missing: read from the weather symbol it could
be greater than the truth, and cloud keeps steel warm.

Between stamps up to six hours apart the states run linearly, the air temperature through the window's minimum where
that lies below both ends: a night's low between two stamps must not be smoothed away.

Only `complete` is asked for. Both methods are one product of one model run at one address and version, so whatever
takes `complete` away takes `compact` with it; what helps then is another feed (`order.py`).

Source: documentation of the service (repository metno/weatherapi-docs: data model, how-to, terms of service).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.surroundings import Floats, sun_elevation_deg
from frostshift_service.http import Get
from frostshift_service.weather import FeedError, Forecast, Place, hourly
from frostshift_service.weather.fetching import (
    Fetched,
    Kept,
    ask,
    asked_utc,
    coordinate,
    keep,
    kept_validators,
    read_json,
)
from frostshift_service.weather.payload import Json, as_it_is, child, entries, from_percent, instant, number, whole_hour
from frostshift_service.weather.quality import Mark, same_mark

INSTANT: Final[dict[str, tuple[str, str, Callable[[float], float]]]] = {
    "air_temperature": ("air_c", "celsius", as_it_is),
    "dew_point_temperature": ("dew_c", "celsius", as_it_is),
    "relative_humidity": (hourly.HUMIDITY, "%", from_percent),
    "wind_speed": ("wind_10m_ms", "m/s", as_it_is),
    "wind_speed_of_gust": ("gust_10m_ms", "m/s", as_it_is),
    "cloud_area_fraction": ("cloud", "%", from_percent),
}
"""Parameter at the stamp -> our field, the only unit we take it in, and the way to our unit."""
WINDOW_UNITS: Final = {"precipitation_amount": "mm", "air_temperature_min": "celsius"}
"""Parameters of the windows that we use, and their units."""
RUNNING: Final = ("air_c", "dew_c", hourly.HUMIDITY, "wind_10m_ms", "cloud")
"""Fields that run linearly between stamps. A gust is a maximum and does not."""
LONGEST_STEP_H: Final = 6

NAME: Final = "met_norway"
TITLE: Final = "MET Norway"
BASE_URL: Final = "https://api.met.no/weatherapi"
ATTRIBUTION: Final = (
    "Based on data from MET Norway, CC BY 4.0, https://creativecommons.org/licenses/by/4.0/. Hours between the "
    "forecast's steps are filled in and steel temperatures are computed by Frostshift."
)


@dataclass(frozen=True, slots=True)
class _Stamp:
    """One entry of the series: its row, the hours to the next entry (0: the last), its details."""

    row: int
    step_h: int
    instant: Json
    next_1_hours: Json
    next_6_hours: Json


def covers(latitude: float, longitude: float) -> bool:
    """Whether the service forecasts there: everywhere on earth."""
    return -90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0


def fetch(get: Get, place: Place, kept: Kept, now: datetime, base_url: str = BASE_URL) -> Fetched:
    """Ask for the forecast of a place, conditionally.

    Without the site's altitude the service takes the height of its own coarse terrain (1 km outside the Nordics).

    Raises:
        FeedError: no such place, the server gave no data, or the payload is unusable.
    """
    if not covers(place.latitude, place.longitude):
        raise FeedError(f"{TITLE}: {place.latitude}, {place.longitude} is no place on earth", permanent=True)
    url = f"{base_url}/locationforecast/2.0/complete?lat={coordinate(place.latitude)}&lon={coordinate(place.longitude)}"
    if place.altitude_m is not None:
        url += f"&altitude={round(place.altitude_m)}"
    answer = ask(get, NAME, TITLE, url, {}, kept_validators(kept, url))
    forecast = None if answer.status == 304 else parse(read_json(answer, TITLE), now)
    if forecast is not None and answer.status == 203:
        ends_soon = f"{TITLE} says that this version of its service will end (status 203): Frostshift needs an update"
        forecast = replace(forecast, warnings=(ends_soon, *forecast.warnings))
    return Fetched(forecast, answer, keep(answer, url, kept), asked_utc(answer, now))


def parse(payload: Json, fetched_utc: datetime) -> Forecast:
    """The hourly record of a payload, from its first stamp to its last.

    Raises:
        FeedError: not this shape, a parameter in another unit, or no usable air temperature.
    """
    properties = child(payload, "properties", TITLE)
    meta = child(properties, "meta", TITLE)
    start_utc, stamps = _stamps(properties)
    _check_units(child(meta, "units", f"{TITLE}, meta"), stamps)

    warnings: list[str] = []
    count = stamps[-1].row + 1
    values = {ours: np.full(count, np.nan) for ours, _, _ in INSTANT.values()}
    for stamp in stamps:
        when = f"{start_utc + timedelta(hours=stamp.row):%Y-%m-%d %H:%M} UTC"
        for name, (ours, _, convert) in INSTANT.items():
            values[ours][stamp.row] = convert(number(stamp.instant.get(name), f"{name} at {when}", warnings))
        if stamp.step_h > LONGEST_STEP_H:
            warnings.append(f"no forecast for {stamp.step_h} h after {when}: those hours are unknown")
    # Before filling in, so that an absurd value is not drawn out into believable ones beside it.
    warnings += hourly.reject_outside(values, start_utc)
    marks = {name: same_mark(count) for name in [*values, "precip_mm"]}
    place = _place(payload)
    for stamp in stamps:
        if 1 < stamp.step_h <= LONGEST_STEP_H:
            _fill_between(values, marks, stamp, start_utc, place, warnings)
    values["precip_mm"] = np.full(count, np.nan)
    for stamp in stamps:
        _fill_precipitation(values["precip_mm"], marks["precip_mm"], stamp, warnings)

    return hourly.forecast(
        feed=NAME,
        title=TITLE,
        attribution=ATTRIBUTION,
        issued_utc=instant(meta.get("updated_at"), f"{TITLE}, updated_at"),
        fetched_utc=fetched_utc,
        start_utc=start_utc,
        values=values,
        quality=marks,
        warnings=warnings,
    )


def _stamps(properties: Json) -> tuple[datetime, list[_Stamp]]:
    series = entries(properties, "timeseries", TITLE)
    if not series:
        raise FeedError(f"{TITLE}: timeseries is empty")
    times = [instant(entry.get("time"), f"{TITLE}, timeseries") for entry in series]
    for before, after in zip(times, times[1:], strict=False):
        if after <= before:
            raise FeedError(f"{TITLE}: times are not in order at {after:%Y-%m-%d %H:%M} UTC")
    for time in times:
        if not whole_hour(time):
            raise FeedError(f"{TITLE}: {time:%Y-%m-%d %H:%M:%S} UTC is not on the full hour")
    hourly.axis_hours(times[0], times[-1] + timedelta(hours=1), TITLE)
    rows = [round((time - times[0]) / timedelta(hours=1)) for time in times]
    steps = [after - before for before, after in zip(rows, rows[1:], strict=False)] + [0]
    stamps = []
    for row, step_h, entry in zip(rows, steps, series, strict=True):
        data = child(entry, "data", f"{TITLE}, timeseries")
        state, next_1, next_6 = (_details(data, part) for part in ("instant", "next_1_hours", "next_6_hours"))
        stamps.append(_Stamp(row, step_h, state, next_1, next_6))
    return times[0], stamps


def _details(data: Json, part: str) -> Json:
    """The details of a part; a part that is absent, or has none, has no parameters."""
    if part not in data:
        return {}
    found = child(data, part, TITLE).get("details", {})
    if not isinstance(found, dict):
        raise FeedError(f"{TITLE}: the details of {part} are no object")
    return found


def _check_units(units: Json, stamps: list[_Stamp]) -> None:
    expected = {name: unit for name, (_, unit, _) in INSTANT.items()} | WINDOW_UNITS
    used = {
        name for stamp in stamps for part in (stamp.instant, stamp.next_1_hours, stamp.next_6_hours) for name in part
    }
    for name, unit in expected.items():
        if name in used and units.get(name) != unit:
            raise FeedError(f"{TITLE}: {name} in {units.get(name)!r}, expected {unit!r}; payload not used")


def _place(payload: Json) -> tuple[float, float] | None:
    """Latitude and longitude of the payload; None where it does not say."""
    geometry = payload.get("geometry")
    coordinates = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if not isinstance(coordinates, list) or len(coordinates) < 2:
        return None
    longitude, latitude = (number(value, "coordinates", []) for value in coordinates[:2])
    return (latitude, longitude) if covers(latitude, longitude) else None


def _fill_between(
    values: dict[str, Floats],
    marks: dict[str, NDArray[np.uint8]],
    stamp: _Stamp,
    start_utc: datetime,
    place: tuple[float, float] | None,
    warnings: list[str],
) -> None:
    """Fill the rows between a stamp and the next; NaN at either end leaves them NaN."""
    first, last = stamp.row, stamp.row + stamp.step_h
    between = np.arange(first + 1, last)
    for name in RUNNING:
        column = values[name]
        column[between] = np.interp(between, [first, last], [column[first], column[last]])
        marks[name][between] = Mark.INTERPOLATED
    air_c = values["air_c"]
    low_c = number(stamp.next_6_hours.get("air_temperature_min"), "air_temperature_min", warnings)
    below_both = low_c < air_c[first] and low_c < air_c[last]
    if below_both and stamp.step_h == LONGEST_STEP_H and low_c >= hourly.LIMITS["air_c"].low:
        at = _coldest_row(first, last, start_utc, place)
        air_c[between] = np.interp(between, [first, at, last], [air_c[first], low_c, air_c[last]])
    # Where our own line for the air dips below the one for the dew point, the air is saturated. A missing dew point
    # stays missing: it is derived from the humidity later.
    dew_c = values["dew_c"]
    dew_c[between] = np.where(air_c[between] < dew_c[between], air_c[between], dew_c[between])


def _coldest_row(first: int, last: int, start_utc: datetime, place: tuple[float, float] | None) -> int:
    """Where to put a window's minimum: the last full hour before sunrise inside the window, else its middle."""
    middle = (first + last) // 2
    if place is None:
        return middle
    up = sun_elevation_deg(start_utc, *place, hours_later=np.arange(first, last + 1)) > 0.0
    rises = np.flatnonzero(~up[:-1] & up[1:])
    # The window's extremes leave its first moment out.
    return first + max(int(rises[0]), 1) if rises.size else middle


def _fill_precipitation(column: Floats, marks: NDArray[np.uint8], stamp: _Stamp, warnings: list[str]) -> None:
    """Fill the rows from a stamp to the next with its shortest window's amount, spread where that is six hours."""
    amount = number(stamp.next_1_hours.get("precipitation_amount"), "precipitation_amount", warnings)
    if np.isfinite(amount):
        column[stamp.row] = amount
        return
    amount = number(stamp.next_6_hours.get("precipitation_amount"), "precipitation_amount", warnings)
    inside = slice(stamp.row, stamp.row + min(max(stamp.step_h, 1), 6))
    column[inside] = amount / 6.0
    marks[inside] = Mark.SPREAD
