"""MET Norway as simulated: Locationforecast 2.0, `complete` and `compact`.

Shapes and terms after the documentation of the service (repository metno/weatherapi-docs): hourly entries, then one
every six hours at 00/06/12/18 UTC; windows start at their stamp, and one shorter than the step to the next entry is
never given; extremes of a window leave its first moment out; a missing parameter is an absent key.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any

from .replies import Asked, Found, Reply, decimals, full_hour, http_date, is_generic, last_issue
from .truth import HOUR, Place, Weather, chance, forecast, place_at

PREFIX = "/weatherapi"
HOURLY, TAIL = 52, 28
"""At least so many hourly entries, then so many six-hourly ones."""
UNITS = {
    "air_pressure_at_sea_level": "hPa", "air_temperature": "celsius", "air_temperature_max": "celsius",
    "air_temperature_min": "celsius", "cloud_area_fraction": "%", "dew_point_temperature": "celsius",
    "precipitation_amount": "mm", "relative_humidity": "%", "wind_from_direction": "degrees", "wind_speed": "m/s",
    "wind_speed_of_gust": "m/s",
}  # fmt: skip
ONLY_COMPLETE = ("dew_point_temperature", "wind_speed_of_gust", "air_temperature_max", "air_temperature_min")


def find(asked: Asked) -> Found:
    """Which product of which place."""
    match = re.fullmatch(r"/locationforecast/2\.0/(complete|compact)", asked.path)
    try:
        place = place_at(float(asked.query["lat"]), float(asked.query["lon"]))
    except (KeyError, ValueError):
        place = None
    return Found(match[1] if match else "unknown", place)


def answer(asked: Asked, found: Found) -> Reply:
    """The reply of a service that is well."""
    if is_generic(asked.headers.get("user-agent", "")):
        return _text(403, "Forbidden: identify yourself with a User-Agent, see the terms of service")
    if found.endpoint == "unknown":
        return _text(404, "Not Found")
    if found.place is None or set(asked.query) - {"lat", "lon", "altitude"}:
        return _text(400, "Bad Request: parameters")
    if max(decimals(asked.query["lat"]), decimals(asked.query["lon"])) > 4:
        return _text(403, "Forbidden: more than 4 decimals, see the terms of service")
    if not asked.query.get("altitude", "0").lstrip("-").isdecimal():
        return _text(400, "Bad Request: altitude is a whole number of metres")
    return _forecast(asked, found.place, found.endpoint == "complete")


def problem(status: int) -> Reply:
    """The service's own words for a failure: a text, not JSON."""
    return _text(status, "Too many requests" if status == 429 else "Something is wrong")


def _text(status: int, words: str) -> Reply:
    return Reply(status, text=f"<html><body><p>{words}</p></body></html>", content_type="text/html; charset=utf-8")


def issue_at(place: Place, now: datetime) -> datetime:
    """Issue of the forecast that is out: hourly in the Nordics, else four a day."""
    return last_issue(now, 1 if place.nordic else 6, timedelta(minutes=31, seconds=7), timedelta(minutes=9))


def generated_at(place: Place, now: datetime) -> datetime:
    """When the reply was made: anew for every issue, and a little after every full hour."""
    cut = full_hour(now) + timedelta(minutes=2, seconds=round(59 * chance(place.name, full_hour(now).isoformat())))
    return max(issue_at(place, now) + timedelta(minutes=9), cut if cut <= now else cut - HOUR)


def stamps(place: Place, now: datetime) -> tuple[list[datetime], list[datetime]]:
    """Stamps of the hourly entries, and of the six-hourly ones after them; the first is the hour that runs."""
    first = full_hour(generated_at(place, now))
    count = HOURLY
    while (first + count * HOUR).hour % 6:
        count += 1
    hourly = [first + i * HOUR for i in range(count)]
    return hourly, [first + count * HOUR + i * 6 * HOUR for i in range(TAIL)]


def _instant(place: Place, weather: Weather, with_gust: bool) -> dict[str, float]:
    details = {
        "air_pressure_at_sea_level": round(1015.0 - weather.wind_ms, 1),
        "air_temperature": round(weather.air_c, 1),
        "cloud_area_fraction": round(100.0 * weather.cloud, 1),
        "dew_point_temperature": round(min(weather.dew_c, weather.air_c), 1),
        "relative_humidity": round(weather.humidity_percent, 1),
        "wind_from_direction": 310.5,
        "wind_speed": round(weather.wind_ms, 1),
    }
    if place.nordic and with_gust:
        details["wind_speed_of_gust"] = round(weather.gust_ms, 1)
    return details


def expected(place: Place, now: datetime) -> dict[datetime, dict[str, float]]:
    """What a reader must find at each stamp [°C, m/s, 0 to 1]; precipitation [mm] where entries are hourly."""
    issued = issue_at(place, now)
    hourly, tail = stamps(place, now)
    rows = {}
    for time in hourly + tail:
        weather = forecast(place, "met", issued, time)
        details = _instant(place, weather, time in hourly or time == tail[0])
        row = {
            "air_c": details["air_temperature"],
            "dew_c": details["dew_point_temperature"],
            "cloud": details["cloud_area_fraction"] / 100,
            "wind_10m_ms": details["wind_speed"],
        }
        if "wind_speed_of_gust" in details:
            row["gust_10m_ms"] = details["wind_speed_of_gust"]
        if time in hourly:
            row["precip_mm"] = round(weather.precip_mm, 1)
        rows[time] = row
    return rows


def _forecast(asked: Asked, place: Place, complete: bool) -> Reply:
    now = asked.as_of
    issued, made = issue_at(place, now), generated_at(place, now)
    hourly, tail = stamps(place, now)
    end = tail[-1]
    weathers = {}
    time = hourly[0]
    while time <= end:
        weathers[time] = forecast(place, "met", issued, time)
        time += HOUR
    to_tail = {time: len(hourly) - i for i, time in enumerate(hourly)}
    series: list[dict[str, Any]] = []
    for time in hourly + tail:
        gust = time in to_tail or time == tail[0]
        data: dict[str, Any] = {"instant": {"details": _instant(place, weathers[time], gust)}}
        left = to_tail.get(time)
        if left is not None:
            data["next_1_hours"] = _window(weathers, time, 1)
        # The last five hourly entries have the shortest window only, the five before the sixth-last no twelve hours.
        if time != end and (left is None or left >= 6):
            data["next_6_hours"] = _window(weathers, time, 6)
        if time not in tail[-2:] and (left is None or left == 6 or left > 11):
            data["next_12_hours"] = {"summary": {"symbol_code": _symbol(weathers[time])}, "details": {}}
        series.append({"time": f"{time:%Y-%m-%dT%H:%M:%SZ}", "data": data})
    units = UNITS if complete else _compact(series)
    altitude = int(asked.query.get("altitude", place.altitude_m))
    payload = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [place.longitude, place.latitude, altitude]},
        "properties": {"meta": {"updated_at": f"{issued:%Y-%m-%dT%H:%M:%SZ}", "units": units}, "timeseries": series},
    }
    wait_s = 1800 + round(120 * chance(place.name, asked.now.isoformat(), "expires"))
    headers = {
        "Expires": http_date(asked.now + timedelta(seconds=wait_s)),
        "Last-Modified": http_date(made),
        "Vary": "Accept, Accept-Encoding",
    }
    return Reply(payload=payload, headers=headers, issued_utc=issued)


def _compact(series: list[dict[str, Any]]) -> dict[str, str]:
    """Take out of the entries what only `complete` has; the units that are left."""
    for entry in series:
        for part in entry["data"].values():
            for name in ONLY_COMPLETE:
                part.get("details", {}).pop(name, None)
    return {name: unit for name, unit in UNITS.items() if name not in ONLY_COMPLETE}


def _window(weathers: dict[datetime, Weather], start: datetime, hours: int) -> dict[str, Any]:
    inside = [weathers[start + i * HOUR] for i in range(hours)]
    later = [round(weathers[start + i * HOUR].air_c, 1) for i in range(1, hours + 1)]
    details: dict[str, float] = {}
    if hours == 6:
        details = {"air_temperature_max": max(later), "air_temperature_min": min(later)}
    details["precipitation_amount"] = round(sum(weather.precip_mm for weather in inside), 1)
    return {"summary": {"symbol_code": _symbol(inside[0])}, "details": details}


def _symbol(weather: Weather) -> str:
    if weather.precip_mm > 0.05:
        return "lightsnow" if weather.snow_cm > 0 else "rain"
    words = ("clearsky_night", "fair_night", "partlycloudy_night", "cloudy")
    return words[min(3, int(weather.cloud * 4))]
