"""A forecast from a file that holds one feed's payload as it was served: for a site without a network, and the demo."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

from frostshift_service.weather import FeedError, Forecast, met_norway, nws, open_meteo
from frostshift_service.weather.payload import Json, load

NAME: Final = "file"
MAX_BYTES: Final = 20_000_000


def read_payload_file(path: Path, now: datetime) -> tuple[Forecast, bytes]:
    """Read a payload; which feed it is of is seen from its content.

    The forecast is as old as the payload says, however fresh the file; where it does not say, as old as its first hour
    allows. `now` counts as the time it was fetched.

    Returns:
        The forecast, and the bytes it was read from.

    Raises:
        FeedError: no such file, too big, not JSON, the shape of no feed we know, or what the feed's parser refuses;
            the message names the file.
    """
    try:
        body = _read(path)
        forecast = parse(load(body, "content"), now)
        # Counted from loading, a file without an issue time would be fresh whatever its age.
        issued_utc = forecast.issued_utc or forecast.hours.start_utc
        return replace(forecast, feed=NAME, issued_utc=issued_utc), body
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
