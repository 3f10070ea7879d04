"""US National Weather Service, hourly period forecast of `api.weather.gov`: a last resort where the raw grid fails.

Shape: one period an hour, written for people. Values hold at the hour the period starts with; wind is at 10 m,
temperature at 2 m. Times carry the local offset, which changes inside the list on a night when clocks change.
Numbers come with a unit each where the service honours `Feature-Flags`, else as whole degrees and as texts such as
`10 mph`. There are no amounts: precipitation and snow are missing. So is cloud: it is in words only, and a guess at
what they mean could be greater than the truth, where cloud keeps steel warm.

Source: OpenAPI of the service, 1.9.0 and 3.8.1 (GridpointHourlyForecast, QuantitativeValue).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from frostshift_rules.units import c_from_f, ms_from_kmh, ms_from_mph
from frostshift_service.http import Get
from frostshift_service.weather import FeedError, Forecast, Place, hourly, nws_points
from frostshift_service.weather.fetching import Fetched, Kept, ask, asked_utc, keep, kept_validators, read_json
from frostshift_service.weather.payload import Json, as_it_is, child, entries, from_percent, instant, number, whole_hour

NAME: Final = "nws_hourly"
TITLE: Final = "US National Weather Service, hourly forecast"
BASE_URL: Final = nws_points.BASE_URL
ATTRIBUTION: Final = nws_points.ATTRIBUTION
covers = nws_points.covers

HEADERS: Final = {**nws_points.ACCEPT, "Feature-Flags": "forecast_temperature_qv, forecast_wind_speed_qv"}
"""Temperature and wind as numbers with units; a reply that ignores the flags is read all the same."""

Units = dict[str, Callable[[float], float]]
TEMPERATURE: Final[Units] = {"degC": as_it_is, "C": as_it_is, "degF": c_from_f, "F": c_from_f}
WIND: Final[Units] = {"km_h-1": ms_from_kmh, "km/h": ms_from_kmh, "m_s-1": as_it_is, "mph": ms_from_mph}
HUMIDITY: Final[Units] = {"percent": from_percent}

_WIND_TEXT: Final = re.compile(r"(?:\d{1,3} to )?(\d{1,3}) (mph|km/h)")
"""The upper number of a range counts."""


def fetch(get: Get, place: Place, kept: Kept, now: datetime, base_url: str = BASE_URL) -> Fetched:
    """Ask for the hourly forecast of a place: its address first (kept for a month), then conditionally.

    Raises:
        FeedError: the place is outside the area, the server gave no data, or the payload is unusable.
    """

    def periods(url: str) -> Fetched:
        answer = ask(get, NAME, TITLE, url, HEADERS, kept_validators(kept, url))
        forecast = None if answer.status == 304 else parse(read_json(answer, TITLE), now)
        return Fetched(forecast, answer, keep(answer, url, kept), asked_utc(answer, now))

    fetched, addresses = nws_points.at_address(get, place, kept, now, base_url, "hourly_url", periods)
    return replace(fetched, kept={**addresses, **fetched.kept})


def parse(payload: Json, fetched_utc: datetime) -> Forecast:
    """The hourly record of a list of hourly periods.

    The axis runs from the first period to the last; hours without a period are missing. Where two periods start at
    the same hour, the later entry wins.

    Raises:
        FeedError: not this shape, a value in another unit, or no usable air temperature.
    """
    properties = child(payload, "properties", TITLE)
    warnings: list[str] = []
    found: dict[datetime, dict[str, float]] = {}
    for period in entries(properties, "periods", TITLE):
        start_utc = instant(period.get("startTime"), f"{TITLE}, startTime")
        end_utc = instant(period.get("endTime"), f"{TITLE}, endTime")
        if not whole_hour(start_utc) or end_utc - start_utc != timedelta(hours=1):
            warnings.append(f"period {period.get('startTime')!r} is not one full hour, left out")
            continue
        found[start_utc] = _row(period, f"{start_utc:%Y-%m-%d %H:%M} UTC", warnings)
    if not any(math.isfinite(row["air_c"]) for row in found.values()):
        raise FeedError(f"{TITLE}: no air temperature in the payload")
    start_utc = min(found)
    count = hourly.axis_hours(start_utc, max(found) + timedelta(hours=1), TITLE)
    values = {name: np.full(count, np.nan) for name in next(iter(found.values()))}
    for at_utc, row in found.items():
        index = round((at_utc - start_utc) / timedelta(hours=1))
        for name, value in row.items():
            values[name][index] = value

    issued_utc = nws_points.issued_utc(properties, TITLE, fetched_utc, warnings)
    return hourly.forecast(
        feed=NAME,
        title=TITLE,
        attribution=ATTRIBUTION,
        issued_utc=issued_utc,
        fetched_utc=fetched_utc,
        start_utc=start_utc,
        values=values,
        quality={},
        warnings=warnings,
    )


def _row(period: Json, at: str, warnings: list[str]) -> dict[str, float]:
    """The values of one period in our units."""
    temperature, degrees = period.get("temperature"), period.get("temperatureUnit")
    if isinstance(temperature, dict) or temperature is None:
        air_c = _quantity(temperature, TEMPERATURE, f"temperature at {at}", warnings)
    else:
        air_c = _convert(number(temperature, f"temperature at {at}", warnings), degrees, TEMPERATURE, at, "temperature")
    return {
        "air_c": air_c,
        "dew_c": _quantity(period.get("dewpoint"), TEMPERATURE, f"dewpoint at {at}", warnings),
        hourly.HUMIDITY: _quantity(period.get("relativeHumidity"), HUMIDITY, f"relativeHumidity at {at}", warnings),
        "wind_10m_ms": _wind(period.get("windSpeed"), f"windSpeed at {at}", warnings),
        "gust_10m_ms": _wind(period.get("windGust"), f"windGust at {at}", warnings),
        "cloud": math.nan,
    }


def _wind(value: object, what: str, warnings: list[str]) -> float:
    """A wind in m/s: a number with its unit, or a text; NaN with a warning for a text that says something else."""
    if not isinstance(value, str):
        return _quantity(value, WIND, what, warnings)
    match = _WIND_TEXT.fullmatch(value.strip())
    if match is None:
        warnings.append(f"{what}: {value[:40]!r} is no wind with its unit, left out")
        return math.nan
    return WIND[match[2]](float(match[1]))


def _quantity(value: object, units: Units, what: str, warnings: list[str]) -> float:
    """A number with its unit in our unit; of a range its upper end; NaN where there is none."""
    if value is None:
        return math.nan
    if not isinstance(value, dict):
        warnings.append(f"{what}: {str(value)[:40]!r} is no number with its unit, left out")
        return math.nan
    given = value.get("value")
    plain = number(value.get("maxValue") if given is None else given, what, warnings)
    return _convert(plain, str(value.get("unitCode")).rpartition(":")[2], units, what, "unitCode")


def _convert(value: float, unit: object, units: Units, what: str, key: str) -> float:
    if math.isnan(value):
        return value
    if not isinstance(unit, str) or unit not in units:
        raise FeedError(f"{TITLE}, {what}: {key} in {unit!r}, expected one of {', '.join(units)}; payload not used")
    return units[unit](value)
