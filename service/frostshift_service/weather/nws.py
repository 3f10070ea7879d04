"""US National Weather Service, raw forecast grid of `api.weather.gov`.

Shape: one layer a quantity, each a list of intervals `start/duration` with one value; layers end at different times.
A state value holds at every hour inside its interval and is held flat, not smoothed; an amount is the total of its
interval and is spread evenly over its hours. Wind is at 10 m, temperature at 2 m. Intervals start on the full UTC
hour, so that an interval is the hours FROM its start on, which is our convention too.

Source: API documentation and general FAQ of the service (repository weather-gov/api), OpenAPI 3.8.1.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.surroundings import Floats
from frostshift_rules.units import ms_from_kmh
from frostshift_service.http import Get
from frostshift_service.weather import FeedError, Forecast, Place, hourly, nws_points
from frostshift_service.weather.fetching import Fetched, Kept, ask, asked_utc, keep, kept_validators, read_json
from frostshift_service.weather.payload import Json, as_it_is, child, entries, from_percent, instant, number, whole_hour
from frostshift_service.weather.quality import Mark, same_mark


@dataclass(frozen=True, slots=True)
class _Layer:
    """Our field for a layer, the only unit we take it in, what its value means, and the way to our unit."""

    ours: str
    unit: str
    kind: Literal["state", "amount"]
    convert: Callable[[float], float]


def _cm(mm: float) -> float:
    return mm / 10.0


LAYERS: Final = {
    "temperature": _Layer("air_c", "degC", "state", as_it_is),
    "dewpoint": _Layer("dew_c", "degC", "state", as_it_is),
    "relativeHumidity": _Layer(hourly.HUMIDITY, "percent", "state", from_percent),
    "windSpeed": _Layer("wind_10m_ms", "km_h-1", "state", ms_from_kmh),
    "windGust": _Layer("gust_10m_ms", "km_h-1", "state", ms_from_kmh),
    "skyCover": _Layer("cloud", "percent", "state", from_percent),
    "quantitativePrecipitation": _Layer("precip_mm", "mm", "amount", as_it_is),
    "snowfallAmount": _Layer("snow_cm", "mm", "amount", _cm),
}
"""Name upstream -> ours. `snowfallAmount` is depth of new snow, not water."""

NAME: Final = "nws"
TITLE: Final = nws_points.TITLE
BASE_URL: Final = nws_points.BASE_URL
ATTRIBUTION: Final = nws_points.ATTRIBUTION
covers = nws_points.covers
_DURATION: Final = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)S)?)?")


@dataclass(frozen=True, slots=True)
class _Interval:
    start_utc: datetime
    hours: int
    value: float


def fetch(get: Get, place: Place, kept: Kept, now: datetime, base_url: str = BASE_URL) -> Fetched:
    """Ask for the grid of a place: its address first (kept for a month), then the layers, conditionally.

    Raises:
        FeedError: the place is outside the area, the server gave no data, or the payload is unusable.
    """

    def grid(url: str) -> Fetched:
        answer = ask(get, NAME, TITLE, url, nws_points.ACCEPT, kept_validators(kept, url))
        forecast = None if answer.status == 304 else parse(read_json(answer, TITLE), now)
        return Fetched(forecast, answer, keep(answer, url, kept), asked_utc(answer, now))

    fetched, addresses = nws_points.at_address(get, place, kept, now, base_url, "grid_url", grid)
    return replace(fetched, kept={**addresses, **fetched.kept})


def parse(payload: Json, fetched_utc: datetime) -> Forecast:
    """The hourly record of a raw grid.

    The axis runs from the first hour with an air temperature to the end of the last interval of any layer we use.

    Raises:
        FeedError: not this shape, a layer in another unit, no usable air temperature, or a grid that has run out.
    """
    properties = child(payload, "properties", TITLE)
    warnings: list[str] = []
    layers = {name: _intervals(name, properties, warnings) for name in LAYERS}
    air = [interval for interval in layers["temperature"] if np.isfinite(interval.value)]
    if not air:
        raise FeedError(f"{TITLE}: no air temperature in the payload")
    start_utc = min(interval.start_utc for interval in air)
    end_utc = max(_end_utc(interval) for intervals in layers.values() for interval in intervals)
    count = hourly.axis_hours(start_utc, end_utc, TITLE)
    values: dict[str, Floats] = {}
    marks: dict[str, NDArray[np.uint8]] = {}
    for name, layer in LAYERS.items():
        values[layer.ours], marks[layer.ours] = _expand(layer, layers[name], start_utc, count)

    issued_utc = nws_points.issued_utc(properties, TITLE, fetched_utc, warnings)
    return hourly.forecast(
        feed=NAME,
        title=TITLE,
        attribution=ATTRIBUTION,
        issued_utc=issued_utc,
        fetched_utc=fetched_utc,
        start_utc=start_utc,
        values=values,
        quality=marks,
        warnings=warnings,
    )


def _end_utc(interval: _Interval) -> datetime:
    return interval.start_utc + timedelta(hours=interval.hours)


def _intervals(name: str, properties: Json, warnings: list[str]) -> list[_Interval]:
    """The intervals of a layer in our unit; an absent or empty layer has none."""
    where = f"{TITLE}, {name}"
    if properties.get(name) is None:
        return []
    layer = child(properties, name, TITLE)
    found = []
    for item in entries(layer, "values", where):
        start_text, _, duration = str(item.get("validTime")).partition("/")
        hours = _whole_hours(duration)
        start_utc = instant(start_text, where)
        if hours is None or not whole_hour(start_utc):
            warnings.append(f"{name}: interval {item.get('validTime')!r} is not in full hours, left out")
            continue
        value = number(item.get("value"), f"{name} at {start_utc:%Y-%m-%d %H:%M} UTC", warnings)
        found.append(_Interval(start_utc, hours, LAYERS[name].convert(value)))
    if found:
        unit = str(layer.get("uom")).rpartition(":")[2]
        if unit != LAYERS[name].unit:
            raise FeedError(f"{where}: unit {layer.get('uom')!r}, expected {LAYERS[name].unit!r}; payload not used")
    return found


def _whole_hours(duration: str) -> int | None:
    """Hours of an ISO 8601 duration; None for one that is not in full hours, or longer than any forecast."""
    match = _DURATION.fullmatch(duration)
    if match is None:
        return None
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    whole = 24 * days + hours
    return whole if 0 < whole <= hourly.MAX_AXIS_H and minutes == seconds == 0 else None


def _expand(
    layer: _Layer, intervals: list[_Interval], start_utc: datetime, count: int
) -> tuple[Floats, NDArray[np.uint8]]:
    """One value an hour and its mark; NaN where no interval lies. Where two overlap, the later entry wins."""
    column, marks = np.full(count, np.nan), same_mark(count)
    for interval in intervals:
        first = round((interval.start_utc - start_utc) / timedelta(hours=1))
        spread = layer.kind == "amount" and interval.hours > 1
        inside = slice(max(first, 0), max(first + interval.hours, 0))
        column[inside] = interval.value / interval.hours if spread else interval.value
        marks[inside] = Mark.SPREAD if spread else Mark.NATIVE
    return column, marks
