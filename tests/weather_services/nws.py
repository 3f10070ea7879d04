"""US National Weather Service as simulated: points, raw grid, hourly periods, alerts, stations and observations.

Shapes and conventions after the documentation of the service (repository weather-gov/api); those of stations and
observations from memory. Temperatures are whole °F turned into °C, winds whole knots turned into km/h, precipitation
hundredths of an inch turned into mm; equal neighbours are merged into one interval.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from .replies import Asked, Found, Reply, decimals, full_hour, http_date, is_generic, last_issue
from .truth import HOUR, PLACES, Place, Weather, chance, forecast, fronts, place_at, truth

PREFIX = "/nws"
GEO = "application/geo+json"
OFFICE = "XYZ"
STATE_H, AMOUNT_H, PAST_H, PERIODS = 168, 75, 6, 156
"""Hours ahead of states and amounts, hours gone by that a grid still has, number of hourly periods."""


def find(asked: Asked) -> Found:
    """Which product of which place."""
    if match := re.fullmatch(r"/points/(-?[\d.]+),(-?[\d.]+)", asked.path):
        return Found("points", place_at(float(match[1]), float(match[2])))
    if match := re.fullmatch(rf"/gridpoints/{OFFICE}/(\d+),66(/forecast/hourly|/stations)?", asked.path):
        x = int(match[1])
        places = [place for place in PLACES if place.grid_x in (x, x - 500)]
        return Found((match[2] or "/grid").rpartition("/")[2], places[0] if places else None)
    if asked.path == "/alerts/active" and "point" in asked.query:
        latitude, longitude = asked.query["point"].split(",")
        return Found("alerts", place_at(float(latitude), float(longitude)))
    if match := re.fullmatch(r"/stations/K(\d+)[AB]/observations(/latest)?", asked.path):
        places = [place for place in PLACES if place.grid_x == int(match[1])]
        return Found("observations", places[0] if places else None)
    return Found("unknown", None)


def answer(asked: Asked, found: Found) -> Reply:
    """The reply of a service that is well."""
    if is_generic(asked.headers.get("user-agent", "")):
        return Reply(403, text="Access Denied", content_type="text/html")
    known = {"hourly": {"units"}, "alerts": {"point"}, "observations": {"start", "end", "limit"}}
    if odd := set(asked.query) - known.get(found.endpoint, set()):
        return _problem(400, "InvalidParameter", "Bad Request", f"Query parameter {min(odd)} is not recognized")
    place = found.place
    if place is None or place.grid_x is None:
        return _problem(404, "InvalidPoint", "Data Unavailable For Requested Point", "Unable to provide data")
    if found.endpoint == "points":
        return _points(asked, place)
    if found.endpoint in ("grid", "hourly", "stations") and f"/{_grid_x(asked, place)}," not in asked.path:
        return _problem(404, "NotFound", "Not Found", "Forecast grid does not exist")
    makers = {
        "grid": _grid, "hourly": _hourly, "alerts": _alerts, "stations": _stations, "observations": _observations,
    }  # fmt: skip
    return makers[found.endpoint](asked, place)


def issue_at(now: datetime) -> datetime:
    """Issue time of the grid that is out: every three hours."""
    return last_issue(now, 3, timedelta(minutes=12, seconds=30), timedelta(minutes=6))


def problem(status: int) -> Reply:
    """The service's own words for a failure."""
    titles = {500: "Unexpected Problem", 503: "Forecast Grid Expired", 429: "Too Many Requests"}
    return _problem(status, "Problem", titles.get(status, "Problem"), "An unexpected problem has occurred.")


def _problem(status: int, kind: str, title: str, detail: str) -> Reply:
    payload = {
        "correlationId": "1a2b3c4d",
        "title": title,
        "type": f"https://api.weather.gov/problems/{kind}",
        "status": status,
        "detail": detail,
    }
    return Reply(status, payload, content_type="application/problem+json")


def _points(asked: Asked, place: Place) -> Reply:
    texts = asked.path.removeprefix("/points/").split(",")
    short = [f"{round(float(text), 4):.4f}".rstrip("0").rstrip(".") for text in texts]
    if texts != short or max(map(decimals, texts)) > 4:
        return Reply(301, text="", headers={"Location": f"{PREFIX}/points/{','.join(short)}"})
    grid = f"{asked.base_url}/gridpoints/{OFFICE}/{_grid_x(asked, place)},66"
    properties = {
        "@id": f"{asked.base_url}{asked.path}", "@type": "wx:Point", "cwa": OFFICE, "type": "land",
        "forecastOffice": f"{asked.base_url}/offices/{OFFICE}", "gridId": OFFICE, "gridX": _grid_x(asked, place),
        "gridY": 66, "forecast": f"{grid}/forecast", "forecastHourly": f"{grid}/forecast/hourly",
        "forecastGridData": grid, "observationStations": f"{grid}/stations",
        "forecastZone": f"{asked.base_url}/zones/forecast/MNZ000", "county": f"{asked.base_url}/zones/county/MNC000",
        "fireWeatherZone": f"{asked.base_url}/zones/fire/MNZ000", "timeZone": place.zone, "radarStation": "KXYZ",
    }  # fmt: skip
    payload = {
        "@context": ["https://geojson.org/geojson-ld/geojson-context.jsonld", {"@version": "1.1"}],
        "id": f"{asked.base_url}{asked.path}",
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [place.longitude, place.latitude]},
        "properties": properties,
    }
    return Reply(payload=payload, content_type=GEO, headers={"Cache-Control": "public, max-age=86400, s-maxage=120"})


def _grid_x(asked: Asked, place: Place) -> int:
    return (place.grid_x or 0) + (500 if place.name in asked.moved else 0)


def _forecast_headers(asked: Asked, place: Place, issued_utc: datetime) -> dict[str, str]:
    names = (place.name, issued_utc.isoformat(), asked.now.isoformat())
    max_age_s = round(600 + 3000 * chance(*names, "age"))
    # Now and then the stamp lies in the future, as was seen of the real service: it is a text to give back, no time.
    ahead = timedelta(hours=5) if issued_utc.hour % 12 == 9 else timedelta(0)
    return {
        "Cache-Control": f"public, max-age={max_age_s}, s-maxage=3600",
        "Expires": http_date(asked.now + timedelta(seconds=max_age_s)),
        "Last-Modified": http_date(issued_utc + ahead),
        "Vary": "Accept, Feature-Flags, Accept-Language",
    }


# The raw grid ---------------------------------------------------------------------------------------------------------

_Hourly = dict[datetime, float]


def _whole_f(air_c: float) -> int:
    return round(air_c * 9.0 / 5.0 + 32.0)


def _c(fahrenheit: int) -> float:
    return (fahrenheit - 32) * 5 / 9


def _knots(speed_ms: float) -> int:
    return round(speed_ms * 3.6 / 1.852)


def _weathers(place: Place, issued_utc: datetime) -> dict[datetime, Weather]:
    first = full_hour(issued_utc) - PAST_H * HOUR
    times = [first + i * HOUR for i in range(PAST_H + STATE_H)]
    return {time: forecast(place, "nws", issued_utc, time) for time in times}


def _states(weathers: dict[datetime, Weather]) -> dict[str, tuple[str, _Hourly]]:
    """Layer of a state -> its unit and its values an hour, before equal neighbours are merged."""
    last_dew = list(weathers)[-3]  # this layer ends a few hours before the temperature
    return {
        "temperature": ("degC", {t: _c(_whole_f(w.air_c)) for t, w in weathers.items()}),
        "dewpoint": (
            "degC",
            {t: _c(min(_whole_f(w.dew_c), _whole_f(w.air_c))) for t, w in weathers.items() if t < last_dew},
        ),
        "relativeHumidity": ("percent", {t: round(w.humidity_percent) for t, w in weathers.items()}),
        "skyCover": ("percent", {t: round(100 * w.cloud) for t, w in weathers.items()}),
        "windSpeed": ("km_h-1", {t: _knots(w.wind_ms) * 1.852 for t, w in weathers.items()}),
        "windGust": ("km_h-1", {t: _knots(w.gust_ms) * 1.852 for t, w in weathers.items()}),
    }


def _amounts(place: Place, issued_utc: datetime, weathers: dict[datetime, Weather]) -> dict[str, list[Any]]:
    """Layer of an amount -> (start, hours, total): six-hourly at 00/06/12/18, the first one shorter; or hourly."""
    end = full_hour(issued_utc) + AMOUNT_H * HOUR
    blocks: list[tuple[datetime, list[Weather]]] = []
    for time, weather in weathers.items():
        if time >= end:
            break
        if not blocks or place.hourly_qpf or time.hour % 6 == 0:
            blocks.append((time, []))
        blocks[-1][1].append(weather)
    water = [(t, len(b), round(sum(w.precip_mm for w in b) / 25.4, 2) * 25.4) for t, b in blocks]
    snow = [(t, len(b), round(sum(w.snow_cm for w in b) / 2.54, 1) * 25.4) for t, b in blocks]
    return {"quantitativePrecipitation": water, "snowfallAmount": snow}


def expected(place: Place, issued_utc: datetime) -> dict[datetime, dict[str, float]]:
    """What a reader of the grid must find for each hour [°C, m/s, 0 to 1, mm]; a missing key is unknown."""
    weathers = _weathers(place, issued_utc)
    states = {name: values for name, (_, values) in _states(weathers).items()}
    rows: dict[datetime, dict[str, float]] = {}
    for time in weathers:
        row = {"air_c": states["temperature"][time], "cloud": states["skyCover"][time] / 100}
        row["wind_10m_ms"] = states["windSpeed"][time] / 3.6
        row["gust_10m_ms"] = max(states["windGust"][time] / 3.6, row["wind_10m_ms"])
        if time in states["dewpoint"]:
            row["dew_c"] = states["dewpoint"][time]
        rows[time] = row
    for name, ours, unit in (("quantitativePrecipitation", "precip_mm", 1.0), ("snowfallAmount", "snow_cm", 10.0)):
        for start, hours, total in _amounts(place, issued_utc, weathers)[name]:
            for i in range(hours):
                rows[start + i * HOUR][ours] = total / hours / unit
    return rows


def _duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest or not days else "")


def _layer(unit: str, intervals: list[Any]) -> dict[str, Any]:
    values = [{"validTime": f"{start.isoformat()}/{_duration(n)}", "value": value} for start, n, value in intervals]
    return {"uom": f"wmoUnit:{unit}", "values": values}


def _merged(values: _Hourly) -> list[list[Any]]:
    found: list[list[Any]] = []
    for time, value in values.items():
        if found and found[-1][2] == value:
            found[-1][1] += 1
        else:
            found.append([time, 1, value])
    return found


def _extremes(values: _Hourly, pick: Any, first_hour: int) -> list[Any]:
    starts = [time for time in values if time.hour == first_hour]
    windows = [(start, [values[t] for t in values if start <= t < start + 13 * HOUR]) for start in starts]
    return [(start, 13, pick(window)) for start, window in windows]


def _grid(asked: Asked, place: Place) -> Reply:
    issued = issue_at(asked.as_of)
    weathers = _weathers(place, issued)
    states = _states(weathers)
    layers = {name: _layer(unit, _merged(values)) for name, (unit, values) in states.items()}
    layers |= {name: _layer("mm", blocks) for name, blocks in _amounts(place, issued, weathers).items()}
    first, air = next(iter(weathers)), states["temperature"][1]
    layers["maxTemperature"] = _layer("degC", _extremes(air, max, 13))
    layers["minTemperature"] = _layer("degC", _extremes(air, min, 1))
    layers["windChill"] = _layer("degC", [(first, 30, None)])
    layers["iceAccumulation"] = layers["pressure"] = layers["hazards"] = {"values": []}
    snowy = {t: "snow" if w.snow_cm > 0 else "rain" if w.precip_mm > 0 else None for t, w in weathers.items()}
    layers["weather"] = {
        "values": [
            {"validTime": f"{start.isoformat()}/{_duration(n)}", "value": [
                {"coverage": word and "likely", "weather": word, "intensity": word and "light",
                 "visibility": {"unitCode": "wmoUnit:km", "value": None}, "attributes": []}]}
            for start, n, word in _merged(snowy)  # type: ignore[arg-type]
        ]
    }  # fmt: skip
    payload = {
        "id": f"{asked.base_url}{asked.path}",
        "type": "Feature",
        "geometry": _cell(place),
        "properties": {
            "@id": f"{asked.base_url}{asked.path}",
            "@type": "wx:Gridpoint",
            "updateTime": issued.isoformat(),
            "validTimes": f"{first.isoformat()}/{_duration(len(weathers))}",
            "elevation": {"unitCode": "wmoUnit:m", "value": place.altitude_m + 2.9},
            "forecastOffice": f"{asked.base_url}/offices/{OFFICE}",
            "gridId": OFFICE,
            "gridX": str(_grid_x(asked, place)),
            "gridY": "66",
            **layers,
        },
    }
    return Reply(payload=payload, content_type=GEO, headers=_forecast_headers(asked, place, issued), issued_utc=issued)


def _cell(place: Place) -> dict[str, Any]:
    west, east = place.longitude - 0.02, place.longitude + 0.01
    south, north = place.latitude - 0.01, place.latitude + 0.01
    ring = [[west, north], [west, south], [east, south], [east, north], [west, north]]
    return {"type": "Polygon", "coordinates": [ring]}


# Hourly periods, alerts, stations -------------------------------------------------------------------------------------


def _hourly(asked: Asked, place: Place) -> Reply:
    issued, zone = issue_at(asked.as_of), ZoneInfo(place.zone)
    si = asked.query.get("units") == "si"
    as_numbers = asked.headers.get("feature-flags", "")
    periods = []
    for i in range(PERIODS):
        time = full_hour(asked.as_of) + i * HOUR
        weather = forecast(place, "nws", issued, time)
        fahrenheit, knots = _whole_f(weather.air_c), _knots(weather.wind_ms)
        temperature: Any = round(_c(fahrenheit)) if si else fahrenheit
        wind: Any = f"{round(knots * 1.852)} km/h" if si else f"{round(knots * 1.151)} mph"
        if "forecast_temperature_qv" in as_numbers:
            temperature = {"unitCode": "wmoUnit:degC", "value": _c(fahrenheit)}
        if "forecast_wind_speed_qv" in as_numbers:
            wind = {"unitCode": "wmoUnit:km_h-1", "value": knots * 1.852}
        word = "Snow Likely" if weather.snow_cm > 0 else "Rain" if weather.precip_mm > 0 else _sky(weather.cloud)
        local = time.astimezone(zone)
        periods.append({
            "number": i + 1, "name": "", "startTime": local.isoformat(),
            "endTime": (time + HOUR).astimezone(zone).isoformat(), "isDaytime": 6 <= local.hour < 18,
            "temperature": temperature, "temperatureUnit": "C" if si else "F", "temperatureTrend": ("", None)[i % 2],
            "probabilityOfPrecipitation": {"unitCode": "wmoUnit:percent", "value": 60 if weather.precip_mm > 0 else 0},
            "dewpoint": {"unitCode": "wmoUnit:degC", "value": _c(min(_whole_f(weather.dew_c), fahrenheit))},
            "relativeHumidity": {"unitCode": "wmoUnit:percent", "value": round(weather.humidity_percent)},
            "windSpeed": wind, "windDirection": "NW", "icon": f"{asked.base_url}/icons/land/day/snow,60?size=small",
            "shortForecast": word, "detailedForecast": "",
        })  # fmt: skip
    first = full_hour(issued) - PAST_H * HOUR
    payload = {
        "type": "Feature",
        "geometry": _cell(place),
        "properties": {
            "units": "si" if si else "us",
            "forecastGenerator": "HourlyForecastGenerator",
            "generatedAt": asked.as_of.isoformat(),
            "updateTime": issued.isoformat(),
            "validTimes": f"{first.isoformat()}/{_duration(PAST_H + STATE_H)}",
            "elevation": {"unitCode": "wmoUnit:m", "value": place.altitude_m + 2.9},
            "periods": periods,
        },
    }
    return Reply(payload=payload, content_type=GEO, headers=_forecast_headers(asked, place, issued), issued_utc=issued)


def _sky(cloud: float) -> str:
    words = ("Clear", "Mostly Clear", "Partly Cloudy", "Mostly Cloudy", "Cloudy")
    return words[min(4, int(cloud * 5))]


def _alerts(asked: Asked, place: Place) -> Reply:
    """A chain for each front: alert 24 h before, update 8 h before, cancelled 10 h after; a test beside it."""
    features = []
    for front in fronts(asked.as_of - 24 * HOUR, asked.as_of + 24 * HOUR):
        stages = {"Alert": front - 24 * HOUR, "Update": front - 8 * HOUR, "Cancel": front + 10 * HOUR}
        past = [kind for kind, sent in stages.items() if sent <= asked.as_of]
        if not past or asked.as_of > front + 11 * HOUR:
            continue
        features.append(_alert(asked, place, front, past, stages[past[-1]], "Actual"))
        if past[-1] == "Alert":
            features.append(_alert(asked, place, front, past, stages[past[-1]], "Test"))
    payload = {
        "@context": [],
        "type": "FeatureCollection",
        "title": f"Current watches, warnings, and advisories for {asked.query['point']}",
        "updated": full_hour(asked.as_of).isoformat(),
        "features": features,
    }
    headers = {"Cache-Control": "public, max-age=30, s-maxage=30", "Last-Modified": http_date(full_hour(asked.as_of))}
    return Reply(payload=payload, content_type=GEO, headers=headers)


def _alert(asked: Asked, place: Place, front: datetime, past: list[str], sent: datetime, status: str) -> dict[str, Any]:
    zone = ZoneInfo(place.zone)
    name = f"urn:oid:2.49.0.1.840.0.{front:%Y%m%d%H}.{len(past):03d}.{1 if status == 'Actual' else 9}"
    older = f"urn:oid:2.49.0.1.840.0.{front:%Y%m%d%H}.{len(past) - 1:03d}.1"
    sender = "w-nws.webmaster@noaa.gov"
    refers = [] if len(past) == 1 else [
        {"@id": f"{asked.base_url}/alerts/{older}", "identifier": older, "sender": sender, "sent": sent.isoformat()}
    ]  # fmt: skip
    end = (front + 30 * HOUR).astimezone(zone).isoformat()
    return {
        "id": f"{asked.base_url}/alerts/{name}", "type": "Feature", "geometry": None,
        "properties": {
            "@type": "wx:Alert", "id": name, "areaDesc": "Sample County",
            "geocode": {"SAME": ["027000"], "UGC": ["MNZ000"]},
            "affectedZones": [f"{asked.base_url}/zones/forecast/MNZ000"], "references": refers,
            "sent": sent.astimezone(zone).isoformat(), "effective": sent.astimezone(zone).isoformat(),
            "onset": front.astimezone(zone).isoformat(), "expires": (sent + 8 * HOUR).astimezone(zone).isoformat(),
            "ends": end if len(past) > 1 else None, "status": status, "messageType": past[-1], "category": "Met",
            "severity": "Moderate", "certainty": "Likely", "urgency": "Expected", "event": "Cold Weather Advisory",
            "sender": sender, "senderName": "NWS Sampletown", "headline": None, "description": "Invented text.",
            "instruction": None, "response": "Execute",
            "parameters": {"VTEC": [f"/O.CON.KXYZ.CW.Y.{front:%j}0.{front:%y%m%dT%H%MZ}-000000T0000Z/"]},
        },
    }  # fmt: skip


def _stations(asked: Asked, place: Place) -> Reply:
    features = []
    for letter, off in (("A", 0.05), ("B", 0.4)):
        identifier = f"K{place.grid_x}{letter}"
        features.append({
            "id": f"{asked.base_url}/stations/{identifier}", "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [place.longitude + off, place.latitude + off]},
            "properties": {
                "@id": f"{asked.base_url}/stations/{identifier}", "@type": "wx:ObservationStation",
                "elevation": {"unitCode": "wmoUnit:m", "value": place.altitude_m + 10.0},
                "stationIdentifier": identifier, "name": f"Sampletown {letter}", "timeZone": place.zone,
            },
        })  # fmt: skip
    payload = {
        "@context": [],
        "type": "FeatureCollection",
        "features": features,
        "observationStations": [feature["id"] for feature in features],
    }
    return Reply(payload=payload, content_type=GEO, headers={"Cache-Control": "public, max-age=86400"})


def _observations(asked: Asked, place: Place) -> Reply:
    """Newest first, at 53 minutes past every hour of the last week; each fifth has no temperature."""
    station = asked.path.split("/")[2]
    start = asked.query.get("start")
    end = asked.query.get("end")
    first = max(asked.as_of - timedelta(days=7), datetime.fromisoformat(start) if start else asked.as_of - 72 * HOUR)
    last = min(asked.as_of, datetime.fromisoformat(end) if end else asked.as_of)
    at = full_hour(last) + timedelta(minutes=53)
    features = []
    while at >= first:
        if at <= last:
            features.append(_observation(asked, place, station, at))
        at -= HOUR
    features = features[: int(asked.query.get("limit", "500"))]
    headers = {"Cache-Control": "public, max-age=300", "Last-Modified": http_date(full_hour(asked.as_of))}
    payload: Any = {"@context": [], "type": "FeatureCollection", "features": features}
    if asked.path.endswith("/latest"):
        payload = features[0]
    return Reply(payload=payload, content_type=GEO, headers=headers)


def _observation(asked: Asked, place: Place, station: str, at: datetime) -> dict[str, Any]:
    weather = truth(place, at)

    def quantity(unit: str, value: float | None) -> dict[str, Any]:
        return {"unitCode": f"wmoUnit:{unit}", "value": value, "qualityControl": "Z" if value is None else "V"}

    lacking = at.hour % 5 == 0
    address = f"{asked.base_url}/stations/{station}"
    return {
        "id": f"{address}/observations/{at.isoformat()}", "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [place.longitude + 0.05, place.latitude + 0.05]},
        "properties": {
            "@id": f"{address}/observations/{at.isoformat()}", "@type": "wx:ObservationStation",
            "elevation": {"unitCode": "wmoUnit:m", "value": place.altitude_m + 10}, "station": address,
            "timestamp": at.isoformat(), "rawMessage": "", "textDescription": _sky(weather.cloud),
            "temperature": quantity("degC", None if lacking else round(weather.air_c, 1)),
            "dewpoint": quantity("degC", None if lacking else round(weather.dew_c, 1)),
            "windDirection": quantity("degree_(angle)", 310), "windSpeed": quantity("km_h-1", round(3.6 * weather.wind_ms, 2)),  # noqa: E501
            "windGust": quantity("km_h-1", None), "barometricPressure": quantity("Pa", 101900),
            "relativeHumidity": quantity("percent", None if lacking else weather.humidity_percent),
            "precipitationLastHour": quantity("mm", None),
            "cloudLayers": [{"base": {"unitCode": "wmoUnit:m", "value": 900}, "amount": "BKN" if weather.cloud > 0.5 else "CLR"}],  # noqa: E501
        },
    }  # fmt: skip
