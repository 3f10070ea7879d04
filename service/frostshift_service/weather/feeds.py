"""The feeds by name, and which one a site gets by default."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Protocol

from frostshift_service.http import Get
from frostshift_service.weather import Forecast, Place, met_norway, nws, nws_hourly
from frostshift_service.weather.fetching import Fetched, Kept
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
    for module in (nws, met_norway, nws_hourly)
}


def choose(place: Place) -> str:
    """Name of the feed for a place where nobody chose: the US service inside the United States, else MET Norway."""
    return nws.NAME if nws.covers(place.latitude, place.longitude) else met_norway.NAME
