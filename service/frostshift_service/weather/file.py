"""A forecast from a file that holds one feed's payload as it was served: for a site without a network, and the demo."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from frostshift_service.weather import FeedError, Forecast, Place, met_norway, nws, open_meteo
from frostshift_service.weather.distance import distance_km
from frostshift_service.weather.payload import Json, load, number

NAME: Final = "file"
MAX_BYTES: Final = 20_000_000


WITHIN_KM: Final = {nws.NAME: 10.0, met_norway.NAME: 10.0, open_meteo.NAME: 40.0}
"""A payload from further away is warned about [km] (our choice). The US service names its cell of 2.5 km, MET Norway
the place that was asked for, on models of up to 9 km; Open-Meteo names the middle of the cell it took, of up to 0.25
degrees (28 km) and by its rule perhaps the next one on land (sizes of cells from memory)."""


def read_payload_file(path: Path, now: datetime, place: Place | None = None) -> tuple[Forecast, bytes]:
    """Read a payload; which feed it is of is seen from its content.

    The forecast is as old as the payload says, however fresh the file; where it does not say, as old as its first hour
    allows. `now` counts as the time it was fetched. Where its own position lies too far from `place`, if that is given,
    a warning says so.

    Returns:
        The forecast, and the bytes it was read from.

    Raises:
        FeedError: no such file, too big, not JSON, the shape of no feed we know, or what the feed's parser refuses;
            the message names the file.
    """
    try:
        body = _read(path)
        payload = load(body, "content")
        forecast = parse(payload, now)
        # Counted from loading, a file without an issue time would be fresh whatever its age.
        issued_utc = forecast.issued_utc or forecast.hours.start_utc
        warnings = (*_elsewhere(payload, forecast.feed, place), *forecast.warnings)
        service = forecast.feed
        return replace(forecast, feed=NAME, service=service, issued_utc=issued_utc, warnings=warnings), body
    except FeedError as error:
        raise FeedError(f"{path}: {error}", permanent=True) from error


def parse(payload: Json, fetched_utc: datetime) -> Forecast:
    """The forecast in a payload of a feed that we know.

    Raises:
        FeedError: the shape of no feed we know, or what the feed's parser refuses.
    """
    properties = payload.get("properties")
    if isinstance(properties, dict) and "timeseries" in properties:
        return met_norway.parse(payload, fetched_utc)
    if isinstance(properties, dict) and isinstance(properties.get("temperature"), dict):
        return nws.parse(payload, fetched_utc)
    if isinstance(payload.get("hourly"), dict) and "hourly_units" in payload:
        return open_meteo.parse_file(payload, fetched_utc)
    raise FeedError(
        f"neither a raw grid of the {nws.TITLE} (properties.temperature) nor a Locationforecast of {met_norway.TITLE} "
        f"(properties.timeseries) nor a forecast of {open_meteo.TITLE} (hourly, hourly_units)"
    )


def _elsewhere(payload: Json, service: str, place: Place | None) -> list[str]:
    """A sentence where the payload is for another place, or does not say for which."""
    if place is None:
        return []
    position = _position(payload)
    if position is None:
        return ["the payload does not say for which place it is: look that it is the site's"]
    away_km = distance_km(place, *position)
    if away_km <= WITHIN_KM[service]:
        return []
    latitude, longitude = position
    return [
        f"the payload is for {latitude:.4f}, {longitude:.4f}, {away_km:.0f} km from the site: is it the right file? "
        f"(limit {WITHIN_KM[service]:g} km)"
    ]


def _position(payload: Json) -> tuple[float, float] | None:
    """Latitude and longitude: Open-Meteo's, a GeoJSON point or the middle of a polygon; None where it gives none."""
    pairs: list[Any] = [[payload.get("longitude"), payload.get("latitude")]]
    geometry = payload.get("geometry")
    if isinstance(geometry, dict):
        pairs = [geometry.get("coordinates")]
        if geometry.get("type") == "Polygon" and isinstance(pairs[0], list) and pairs[0]:
            outer = pairs[0][0]
            pairs = outer if isinstance(outer, list) else []
    middle = []
    for index, most in ((1, 90.0), (0, 180.0)):
        known = [
            number(pair[index], "", []) if isinstance(pair, list) and len(pair) >= 2 else math.nan for pair in pairs
        ]
        if not known or not all(-most <= value <= most for value in known):  # False for NaN
            return None
        middle.append((min(known) + max(known)) / 2.0)
    return middle[0], middle[1]


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            body = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise FeedError(f"cannot be read: {error.strerror}") from error
    if len(body) > MAX_BYTES:
        raise FeedError(f"larger than {MAX_BYTES} bytes")
    if not body.strip():
        raise FeedError("is empty")
    return body
