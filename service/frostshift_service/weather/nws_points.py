"""US National Weather Service, `/points`: where the addresses of a place come from, shared by everything asked there.

A place's grid cell, its hourly forecast and its stations have addresses that only the service knows. They are asked
for once and kept for a month, because cells are re-drawn now and then.

Source: API documentation and general FAQ of the service (repository weather-gov/api), OpenAPI 3.8.1.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final, Literal, TypeVar
from urllib.parse import urlsplit

from frostshift_service.http import Get, Validators
from frostshift_service.weather import FeedError, Place
from frostshift_service.weather.age import LATE_ISSUE_NWS_H
from frostshift_service.weather.area import in_united_states
from frostshift_service.weather.fetching import Kept, ask, coordinate, read_json
from frostshift_service.weather.payload import Json, child, instant

T = TypeVar("T")
Address = Literal["grid_url", "hourly_url", "stations_url"]

SERVICE: Final = "nws"
"""Name of the service for the pauses of `fetching`."""
TITLE: Final = "US National Weather Service"
BASE_URL: Final = "https://api.weather.gov"
ATTRIBUTION: Final = (
    "Forecast data: US National Weather Service (public domain); steel temperatures are computed by Frostshift."
)
ACCEPT: Final = {"Accept": "application/geo+json"}
"""Sent always: caches of the service have answered with old grids where it was missing."""
ADDRESS_KEPT: Final = timedelta(days=30)
"""The grid cell of a place changes now and then: its addresses are asked for again after this."""

_UPSTREAM: Final[dict[Address, tuple[str, str]]] = {
    "grid_url": ("forecastGridData", "forecast grid"),
    "hourly_url": ("forecastHourly", "hourly forecast"),
    "stations_url": ("observationStations", "list of stations"),
}
"""Key of ours -> name upstream, and what it leads to."""
_KEPT_KEYS: Final = ("points_url", "points_utc", *_UPSTREAM)


def covers(latitude: float, longitude: float) -> bool:
    """Whether the service forecasts there: the United States and territories, by a rough outline."""
    return in_united_states(latitude, longitude)


def check_covered(place: Place) -> None:
    """FeedError where the place is outside the area."""
    if not covers(place.latitude, place.longitude):
        raise FeedError(
            f"{TITLE}: {coordinate(place.latitude)}, {coordinate(place.longitude)} is outside the United States and "
            "its territories; choose another feed for this site",
            permanent=True,
        )


def at_address(
    get: Get, place: Place, kept: Kept, now: datetime, base_url: str, wanted: Address, ask_there: Callable[[str], T]
) -> tuple[T, dict[str, str]]:
    """Find the address of something of a place and ask there.

    Args:
        get: makes the request.
        place: where.
        kept: from the last call, whatever else is in it.
        now: aware.
        base_url: of the service.
        wanted: which address.
        ask_there: asks the address; a FeedError of it that is `gone` may mean that the address has moved.

    Returns:
        What `ask_there` made, and the addresses to keep for the next call.

    Raises:
        FeedError: the place is outside the area or has no such address, or `ask_there` failed.
    """
    check_covered(place)
    points_url = f"{base_url}/points/{coordinate(place.latitude)},{coordinate(place.longitude)}"
    known = (
        kept.get("points_url") == points_url
        and wanted in kept
        and now - datetime.fromisoformat(kept["points_utc"]) < ADDRESS_KEPT
    )
    addresses = {key: kept[key] for key in _KEPT_KEYS if key in kept} if known else _look_up(get, points_url, now)
    try:
        return ask_there(_address(addresses, wanted)), addresses
    except FeedError as error:
        if not (known and error.gone):  # a refusal of any other kind holds at every address
            raise
    # The address may have moved: look it up once more, then give up.
    addresses = _look_up(get, points_url, now)
    return ask_there(_address(addresses, wanted)), addresses


def issued_utc(properties: Json, title: str, fetched_utc: datetime, warnings: list[str]) -> datetime | None:
    """When a forecast was issued; None, with a warning, where it does not say. One that is late gets a warning too.

    Raises:
        FeedError: the time cannot be read.
    """
    said = properties.get("updateTime")
    if said is None:
        warnings.append("the payload does not say when it was issued")
        return None
    issued = instant(said, f"{title}, updateTime")
    if fetched_utc - issued > timedelta(hours=LATE_ISSUE_NWS_H):
        warnings.append(f"issued {issued:%Y-%m-%d %H:%M} UTC, more than {LATE_ISSUE_NWS_H:g} h before it was fetched")
    return issued


def _look_up(get: Get, points_url: str, now: datetime) -> dict[str, str]:
    """All addresses of a place; an empty text where it has none."""
    try:
        answer = ask(get, SERVICE, TITLE, points_url, ACCEPT, Validators())
    except FeedError as error:
        if not error.permanent:
            raise
        raise FeedError(f"{error}; the place may lie outside the United States", permanent=True) from error
    properties = child(read_json(answer, TITLE), "properties", f"{TITLE}, /points")
    addresses = {"points_url": points_url, "points_utc": now.isoformat()}
    for key, (name, _) in _UPSTREAM.items():
        url = properties.get(name)
        addresses[key] = url if isinstance(url, str) else ""
    return addresses


def _address(addresses: Kept, wanted: Address) -> str:
    url, points_url = addresses[wanted], addresses["points_url"]
    _, what = _UPSTREAM[wanted]
    if not url:
        raise FeedError(f"{TITLE}: no {what} for this place ({points_url})", permanent=True)
    check_same_server(url, points_url, what)
    return url


def check_same_server(url: str, asked: str, what: str) -> None:
    """FeedError where an address in an answer of `asked` leads to another server: it is not followed anywhere."""
    try:
        same = urlsplit(url)[:2] == urlsplit(asked)[:2]
    except ValueError:  # such as an unclosed bracket
        same = False
    if not same:
        raise FeedError(f"{TITLE}: {what} address {url!r} is on another server than {asked}", permanent=True)
