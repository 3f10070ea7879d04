"""Open-Meteo, hourly forecast; off unless the settings give an address, because of the terms of its free host.

Shape: see `open_meteo_api`. States hold AT the stamp; sums, means and gusts stand at the END of the hour they are for,
so that those of the next stamp are ours: the first of the axis is for an hour before it and is dropped, and the last
hour has none. Temperature is at 2 m, wind at 10 m. Snow is centimetres of new snow.

The service fills the hours between the steps of its models itself (three-hourly from the sixth day on at the latest)
and does not say which: everything is marked so. Nor does it say which model run it answers from: there is no issue
time, and the age of a forecast counts from when it was fetched. What was kept on the way, or in a file, counts from the
oldest time at which its axis can have been answered.

Source: documentation of the service's variables (repository open-meteo/open-meteo-website, docs).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from frostshift_service.http import Get
from frostshift_service.weather import FeedError, Forecast, Place, hourly, open_meteo_api, open_meteo_ensemble
from frostshift_service.weather.fetching import Fetched, Kept, asked_utc
from frostshift_service.weather.members import on_axis
from frostshift_service.weather.open_meteo_api import Access
from frostshift_service.weather.payload import Json, child
from frostshift_service.weather.quality import Mark, same_mark

Variables = dict[str, tuple[str, str, float]]
AT: Final[Variables] = {
    "temperature_2m": ("air_c", "°C", 1.0),
    "dew_point_2m": ("dew_c", "°C", 1.0),
    "relative_humidity_2m": (hourly.HUMIDITY, "%", 100.0),
    "wind_speed_10m": ("wind_10m_ms", "m/s", 1.0),
    "cloud_cover": ("cloud", "%", 100.0),
}
"""Variable that holds at the stamp -> our field, the unit it is asked for in, and how many of it are one of ours."""
OVER: Final[Variables] = {
    "wind_gusts_10m": ("gust_10m_ms", "m/s", 1.0),
    "precipitation": ("precip_mm", "mm", 1.0),
    "snowfall": ("snow_cm", "cm", 1.0),
    "shortwave_radiation": ("sun_wm2", "W/m²", 1.0),
}
"""The same for the hour that ENDS at the stamp. Nine variables with those above: a call counts as one."""
BELOW_ZERO: Final = {"sun_wm2": -5.0, "precip_mm": -0.05}
"""Rounding of the models puts sun and precipitation so far below zero: that is zero. Beyond, it is left out as absurd
(our choice)."""
PAST_H: Final = 48
"""Hours asked for before the present one, for the steel's run-in: as many as are kept."""
STALE: Final = timedelta(hours=2)
"""The axis begins a fixed time before the server's present hour; an answer so far off has been kept on the way."""

NAME: Final = open_meteo_api.NAME
TITLE: Final = open_meteo_api.TITLE
BASE_URL: Final = ""
"""None: switched off until the settings give one."""
ATTRIBUTION: Final = (
    "Weather data by Open-Meteo, https://open-meteo.com/, CC BY 4.0, "
    "https://creativecommons.org/licenses/by/4.0/. The values were changed: amounts are moved to the hour that they "
    "are for, values beyond belief are left out, and steel temperatures are computed by Frostshift."
)
SWITCHED_OFF: Final = (
    f"{TITLE} is switched off: its free host is for non-commercial use only. Set FROSTSHIFT_OPEN_METEO_URL to the "
    "address of a plan of yours, a server of your own, or the free host where your use is non-commercial"
)


def covers(latitude: float, longitude: float) -> bool:
    """Whether the service forecasts there: everywhere on earth."""
    return -90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0


def fetch(
    get: Get, place: Place, kept: Kept, now: datetime, base_url: str = BASE_URL, access: Access | None = None
) -> Fetched:
    """Ask for the forecast of a place, and for the ensemble where the settings want it and it is its turn.

    The ensemble is extra: where it fails the forecast stands, with a warning.

    Raises:
        FeedError: switched off, no such place, the server gave no data, or the payload is unusable.
    """
    access = access or Access(base_url)
    if not base_url:
        raise FeedError(SWITCHED_OFF, permanent=True)
    if not covers(place.latitude, place.longitude):
        raise FeedError(f"{TITLE}: {place.latitude}, {place.longitude} is no place on earth", permanent=True)
    url = open_meteo_api.address(base_url, "/v1/forecast", place, (*AT, *OVER), f"&past_hours={PAST_H}")
    answer = open_meteo_api.ask(get, url, access, now)
    forecast = parse(open_meteo_api.read(answer), now)
    stale = _stale(forecast, now)
    extra = open_meteo_ensemble.ask_in_turn(get, place, kept, now, access)
    forecast = replace(
        forecast,
        issued_utc=min(now, _answered_utc(forecast)) if stale else None,
        warnings=(*stale, *forecast.warnings, *extra.warnings),
        members=None if extra.members is None else on_axis(extra.members, forecast.hours),
    )
    return Fetched(forecast, answer, extra.kept, asked_utc(answer, now))


def _answered_utc(forecast: Forecast) -> datetime:
    """The hour in which the axis that we ask for was answered."""
    return forecast.hours.start_utc + timedelta(hours=PAST_H)


def _stale(forecast: Forecast, now: datetime) -> list[str]:
    answered_utc = _answered_utc(forecast)
    if -STALE < now - answered_utc < STALE + timedelta(hours=1):
        return []
    return [
        f"the answer begins as if it were {answered_utc:%Y-%m-%d %H:%M} UTC and not {now:%Y-%m-%d %H:%M} UTC: it was "
        "kept on the way, or this machine's clock is wrong"
    ]


def parse_file(payload: Json, now: datetime) -> Forecast:
    """The record of a payload from a file, its issue time the oldest that its axis allows.

    Nobody knows when a file was fetched. An axis begins with the day or the hour of the answer, or earlier where past
    hours were asked for: the first hour of the axis counts. Only one just as we ask for (its stamps, its length, and
    not ahead of `now`) counts from the hour that we ask from.

    Raises:
        FeedError: as `parse`.
    """
    forecast = parse(payload, now)
    ours = child(payload, "hourly_units", TITLE).get("time") == "unixtime"
    ours = ours and len(forecast.hours) == PAST_H + open_meteo_api.AHEAD_H and _answered_utc(forecast) <= now
    issued_utc = _answered_utc(forecast) if ours else forecast.hours.start_utc
    unsaid = f"the payload does not say when it was issued: its age counts from {issued_utc:%Y-%m-%d %H:%M} UTC"
    return replace(forecast, issued_utc=issued_utc, warnings=(unsaid, *forecast.warnings))


def parse(payload: Json, fetched_utc: datetime) -> Forecast:
    """The hourly record of a payload, from its first stamp to its last.

    Raises:
        FeedError: not this shape, an ensemble, a variable in another unit, or no usable air temperature.
    """
    columns, units = open_meteo_api.columns_of(payload)
    start_utc, count = open_meteo_api.axis(payload, columns, units)
    suffix, runs = open_meteo_api.runs_of(columns, (*AT, *OVER))
    if runs != ("",):
        raise FeedError(f"{TITLE}: members of an ensemble, a forecast is expected; payload not used")
    warnings: list[str] = []
    values = {}
    for name, (ours, unit, parts) in (AT | OVER).items():
        column = open_meteo_api.column(columns, units, name + suffix, unit, count, warnings) / parts
        if ours in BELOW_ZERO:
            column[(column < 0.0) & (column >= BELOW_ZERO[ours])] = 0.0
        values[ours] = column + 0.0  # -0 is printed too
    for ours, _, _ in OVER.values():
        values[ours] = np.append(values[ours][1:], np.nan)
    return hourly.forecast(
        feed=NAME,
        title=TITLE,
        attribution=ATTRIBUTION,
        issued_utc=None,
        fetched_utc=fetched_utc,
        start_utc=start_utc,
        values=values,
        # The service fills the hours between the steps of its models itself, and does not say which.
        quality={ours: same_mark(count, Mark.INTERPOLATED) for ours, _, _ in (AT | OVER).values()}
        | {ours: same_mark(count, Mark.SPREAD) for ours in ("precip_mm", "snow_cm")},
        warnings=warnings,
    )
