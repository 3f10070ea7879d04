"""The feeds by name, and which one a site gets by default."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Protocol

from frostshift_service.http import Get
from frostshift_service.weather import Forecast, Place, met_norway, nws, nws_hourly, open_meteo
from frostshift_service.weather.fetching import Fetched, Kept
from frostshift_service.weather.open_meteo_api import Access
from frostshift_service.weather.payload import Json


class Fetch(Protocol):
    """Ask a feed's server for a place; `base_url` other than the official one for a mirror or a test."""

    def __call__(self, get: Get, place: Place, kept: Kept, now: datetime, base_url: str = ...) -> Fetched: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Feed:
    """One weather service: its name in the store, its title for people, where it forecasts, how to ask and read it."""

    name: str
    title: str
    base_url: str
    attribution: str
    covers: Callable[[float, float], bool]
    fetch: Fetch
    parse: Callable[[Json, datetime], Forecast]


FEEDS: Final[Mapping[str, Feed]] = {
    module.NAME: Feed(
        module.NAME, module.TITLE, module.BASE_URL, module.ATTRIBUTION, module.covers, module.fetch, module.parse
    )
    for module in (nws, met_norway, nws_hourly, open_meteo)
}
"""Every feed as it is without settings: Open-Meteo is switched off."""


def feeds_with(access: Access) -> Mapping[str, Feed]:
    """`FEEDS` with Open-Meteo as the settings have it (`open_meteo_api.access_of`)."""

    def fetch(get: Get, place: Place, kept: Kept, now: datetime, base_url: str = access.url) -> Fetched:
        return open_meteo.fetch(get, place, kept, now, base_url, access)

    return {**FEEDS, open_meteo.NAME: replace(FEEDS[open_meteo.NAME], base_url=access.url, fetch=fetch)}


def choose(place: Place) -> str:
    """Name of the feed for a place where nobody chose: the US service inside the United States, else MET Norway.

    Never Open-Meteo: its free host is for non-commercial use only, which nobody but the operator can know.
    """
    return nws.NAME if nws.covers(place.latitude, place.longitude) else met_norway.NAME
