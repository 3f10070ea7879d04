"""Open-Meteo as simulated: forecast, ensemble, and the times of the model runs.

Shapes after the source and documentation of the service (repositories open-meteo/open-meteo and open-meteo-website):
one column a variable beside `time`; states hold at the stamp, sums, means and gusts over the hour that ENDS there; the
default wind unit is km/h; the control run of an ensemble has no suffix. No caching headers. One answer has no run time.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from .replies import Asked, Found, Reply, full_hour, last_issue
from .truth import HOUR, Place, Weather, forecast, place_at

PREFIX = "/open-meteo"
HORIZON_H = {"ncep_gefs025": 240, "ecmwf_ifs025_ensemble": 360}
MEMBERS = {
    "ncep_gefs025": 31, "ncep_gefs05": 31, "ncep_gefs_seamless": 31, "gfs_seamless": 31, "gfs025": 31,
    "ecmwf_ifs025_ensemble": 51, "ecmwf_ifs025": 51, "icon_seamless_eps": 40, "icon_seamless": 40,
    "icon_global_eps": 40, "gem_global": 21, "gem_global_ensemble": 21, "ukmo_global_ensemble_20km": 18,
}  # fmt: skip
"""Model -> members, the control among them."""

_State = Callable[[Weather], float]
AT: dict[str, tuple[str, int, _State]] = {
    "temperature_2m": ("°C", 1, lambda w: w.air_c),
    "dew_point_2m": ("°C", 1, lambda w: min(w.dew_c, w.air_c)),
    "relative_humidity_2m": ("%", 0, lambda w: w.humidity_percent),
    "wind_speed_10m": ("wind", 2, lambda w: w.wind_ms),
    "wind_direction_10m": ("°", 0, lambda _: 310.0),
    "cloud_cover": ("%", 0, lambda w: 100.0 * w.cloud),
    "weather_code": ("wmo code", 0, lambda w: 71 if w.snow_cm > 0 else 61 if w.precip_mm > 0 else 3 * w.cloud),
    "surface_pressure": ("hPa", 1, lambda _: 985.0),
}
"""Variable -> unit, decimals, value at the stamp."""
OVER: dict[str, tuple[str, int, _State]] = {
    "wind_gusts_10m": ("wind", 2, lambda w: w.gust_ms),
    "precipitation": ("mm", 2, lambda w: w.precip_mm),
    "snowfall": ("cm", 2, lambda w: w.snow_cm),
    "shortwave_radiation": ("W/m²", 1, lambda w: w.sun_wm2 or -0.0),
}
"""The same for the hour that ends at the stamp."""
WIND = {"kmh": ("km/h", 3.6, 1), "ms": ("m/s", 1.0, 2), "mph": ("mp/h", 2.23694, 1), "kn": ("kn", 1.94384, 1)}
"""Parameter -> unit as it is written, factor from m/s, decimals."""


def find(asked: Asked) -> Found:
    """Which product of which place; of the first place where several are asked for at once."""
    endpoint = {"/v1/forecast": "forecast", "/v1/ensemble": "ensemble"}.get(asked.path, "unknown")
    if asked.path.startswith("/data/") and asked.path.endswith("/static/meta.json"):
        return Found("meta", None)
    try:
        latitude, longitude = (float(asked.query[name].split(",")[0]) for name in ("latitude", "longitude"))
    except (KeyError, ValueError):
        return Found(endpoint, None)
    return Found(endpoint, place_at(latitude, longitude))


def answer(asked: Asked, found: Found) -> Reply:
    """The reply of a service that is well."""
    if found.endpoint == "meta":
        return _meta(asked)
    if found.endpoint == "unknown":
        return Reply(404, {"error": True, "reason": "Not Found"})
    if found.place is None:
        return _refused("Parameter 'latitude' and 'longitude' must have the same number of elements")
    mixed = {"past_hours", "forecast_hours", "past_days", "forecast_days"} & set(asked.query)
    if mixed and {"start_date", "start_hour"} & set(asked.query):
        return _refused("Parameter 'start_date' is mutually exclusive with 'forecast_days'")
    variables = [name for name in asked.query.get("hourly", "").split(",") if name]
    for name in variables:
        if name not in AT and name not in OVER:
            return _refused(f"Cannot initialize ForecastVariable from invalid String value {name} for key hourly")
    if asked.query.get("wind_speed_unit", "kmh") not in WIND:
        return _refused("Cannot initialize WindspeedUnit from invalid String value")
    models = [name for name in asked.query.get("models", "").split(",") if name]
    if found.endpoint == "ensemble" and (not models or any(model not in MEMBERS for model in models)):
        return _refused("Cannot initialize EnsembleMultiDomains from invalid String value for key models")
    latitudes, longitudes = (asked.query[name].split(",") for name in ("latitude", "longitude"))
    members = MEMBERS[models[0]] if found.endpoint == "ensemble" else 1
    places = [place_at(float(n), float(e)) for n, e in zip(latitudes, longitudes, strict=True)]
    bodies = [_columns(asked, place, variables, members, models) for place in places]
    for i, body in enumerate(bodies[1:], 1):
        body["location_id"] = i
    payload = bodies[0] if len(bodies) == 1 else bodies
    return Reply(payload=payload, content_type="application/json; charset=utf-8", issued_utc=run_at(asked.as_of))


def problem(status: int) -> Reply:
    """The service's own words for a failure; a gateway's page for 502 and 504."""
    if status in (502, 504):
        return Reply(status, text="<html><h1>Bad Gateway</h1></html>", content_type="text/html")
    words = {
        429: "Minutely API request limit exceeded. Please try again in one minute.",
        503: "The service is overloaded",
    }
    return Reply(status, {"error": True, "reason": words.get(status, "Something went wrong.")})


def _refused(reason: str) -> Reply:
    return Reply(400, {"reason": reason, "error": True})


def run_at(now: datetime) -> datetime:
    """The model run that is out: four a day, three and a half hours after their time."""
    return last_issue(now, 6, timedelta(0), timedelta(hours=3, minutes=30))


def axis(asked: Asked) -> list[datetime]:
    """Stamps, aware UTC: from the present hour or from local midnight, whichever way it was asked."""
    query, offset = asked.query, timedelta(seconds=_offset_s(asked))
    hour = full_hour(asked.now)
    local_midnight = (hour + offset).replace(hour=0) - offset
    start = local_midnight - timedelta(days=int(query.get("past_days", "0")))
    end = local_midnight + timedelta(days=int(query.get("forecast_days", "7")))
    if "past_hours" in query:
        start = hour - int(query["past_hours"]) * HOUR
    elif "forecast_hours" in query:
        start = hour
    if "forecast_hours" in query:
        end = hour + int(query["forecast_hours"]) * HOUR
    return [start + i * HOUR for i in range(round((end - start) / HOUR))]


def _offset_s(asked: Asked) -> int:
    zone = asked.query.get("timezone", "GMT")
    if zone in ("GMT", "UTC"):
        return 0
    found = place_at(float(asked.query["latitude"]), float(asked.query["longitude"])).zone if zone == "auto" else zone
    # One fixed offset for the whole axis, the one that holds now, across a clock change too.
    offset = asked.now.astimezone(ZoneInfo(found)).utcoffset()
    return round(offset.total_seconds()) if offset is not None else 0


def expected(place: Place, now: datetime, stamps: list[datetime]) -> dict[datetime, dict[str, float]]:
    """What a reader of the forecast in m/s must find for each hour [°C, m/s, 0 to 1, mm, cm, W/m2].

    States belong to their stamp, amounts to the hour before it; the first stamp's amounts fall off the axis.
    """
    run = run_at(now)
    rows: dict[datetime, dict[str, float]] = {}
    names = {
        "temperature_2m": "air_c",
        "dew_point_2m": "dew_c",
        "wind_speed_10m": "wind_10m_ms",
        "cloud_cover": "cloud",
    }
    over = {"wind_gusts_10m": "gust_10m_ms", "precipitation": "precip_mm", "snowfall": "snow_cm"}
    over["shortwave_radiation"] = "sun_wm2"
    for time in stamps:
        weather = forecast(place, "om", run, time)
        rows[time] = {ours: round(AT[name][2](weather), AT[name][1]) for name, ours in names.items()}
        rows[time]["cloud"] /= 100
        if time != stamps[-1]:
            rows[time] |= {ours: round(OVER[name][2](weather), OVER[name][1]) for name, ours in over.items()}
    return rows


def _columns(asked: Asked, place: Place, variables: list[str], members: int, models: list[str]) -> dict[str, Any]:
    run, stamps, offset_s = run_at(asked.as_of), axis(asked), _offset_s(asked)
    wind_unit, factor, wind_decimals = WIND[asked.query.get("wind_speed_unit", "kmh")]
    unix = asked.query.get("timeformat") == "unixtime"
    local = [time + timedelta(seconds=offset_s) for time in stamps]
    units: dict[str, str] = {"time": "unixtime" if unix else "iso8601"}
    hourly: dict[str, Any] = {
        "time": [int(t.timestamp()) for t in stamps] if unix else [f"{t:%Y-%m-%dT%H:%M}" for t in local]
    }
    end = run + HORIZON_H.get(models[0] if models else "", 384) * HOUR
    at = [[forecast(place, "om", run, t, m) if t <= end else None for t in stamps] for m in range(members)]
    before = [[forecast(place, "om", run, t - HOUR, m) if t <= end else None for t in stamps] for m in range(members)]
    for name in variables:
        unit, decimals, value = AT.get(name) or OVER[name]
        scale = 1.0
        if unit == "wind":
            unit, scale, decimals = wind_unit, factor, wind_decimals
        for member in range(members):
            key = f"{name}_member{member:02d}" if member else name
            weathers = (at if name in AT else before)[member]
            units[key] = unit
            hourly[key] = [None if w is None else _plain(round(scale * value(w), decimals)) for w in weathers]
    return {
        "latitude": round(place.latitude - 0.0079, 4),
        "longitude": round(place.longitude - 0.0107, 4),
        "generationtime_ms": 0.41,
        "utc_offset_seconds": offset_s,
        "timezone": asked.query.get("timezone", "GMT"),
        "timezone_abbreviation": "GMT" if offset_s == 0 else f"GMT{offset_s // 3600:+d}",
        "elevation": float(place.altitude_m),
        "hourly_units": units,
        "hourly": hourly,
    }


def _plain(value: float) -> float | int:
    """Whole numbers are written without a point, as the service does."""
    return int(value) if value == int(value) else value


def _meta(asked: Asked) -> Reply:
    run = run_at(asked.as_of)
    return Reply(payload={
        "last_run_initialisation_time": int(run.timestamp()),
        "last_run_modification_time": int((run + timedelta(hours=3, minutes=20)).timestamp()),
        "last_run_availability_time": int((run + timedelta(hours=3, minutes=25)).timestamp()),
        "temporal_resolution_seconds": 3600, "update_interval_seconds": 21600,
    })  # fmt: skip
