"""Which feeds a site has, in which order they are asked, and which one's forecast a plan is made from. Pure.

A plan is made from one payload of one feed: two feeds differ by a kelvin or two, and a seam would look like a front.
A feed stands in for another only while that one has nothing that could be planned on with confidence, and is asked only
then; the first feed is asked all the time and takes its place again with its next good answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_service.weather import Place
from frostshift_service.weather.age import LATE_ISSUE_H, LATE_SILENCE_H, Freshness
from frostshift_service.weather.feeds import FEEDS, choose

STANDS_IN: Final = ("nws", "met_norway", "nws_hourly")
"""Feeds that may stand in for another without being chosen, the best first."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How it stands with the last forecast of a feed; `forecast_id` and `age` are None where there is none."""

    feed: str
    forecast_id: int | None = None
    age: Freshness | None = None


def usual_order(place: Place, first: str | None, instead: Sequence[str] | None) -> tuple[str, ...]:
    """The feeds of a site, the one it wants first, then those that stand in for it.

    Args:
        place: position of the site.
        first: the feed that was chosen; None: by position. A feed that is no service, such as `file`, stands alone.
        instead: feeds that stand in, in order; None: those of `STANDS_IN` that forecast there.
    """
    first = first or choose(place)
    if first not in FEEDS:
        return (first,)
    if instead is None:
        instead = [name for name in STANDS_IN if FEEDS[name].covers(place.latitude, place.longitude)]
    return tuple(dict.fromkeys((first, *instead)))


def steps_back(standing: Standing) -> bool:
    """Whether another feed is to stand in: no forecast, no answer for three hours, or an issue twelve hours old.

    An issue of the US service that is late but younger than that still counts, with more doubt.
    """
    age = standing.age
    return age is None or age.state == "unusable" or age.silence_h >= LATE_SILENCE_H or age.age_h > LATE_ISSUE_H


def in_use(standings: Sequence[Standing]) -> Standing:
    """The feed that a plan is made from.

    The first that need not step back, else the first that is usable, else the first that has a forecast at all, else
    the site's first.

    Args:
        standings: of the site's feeds in their order; not empty.
    """
    for good in (
        lambda one: not steps_back(one),
        lambda one: one.age is not None and one.age.state != "unusable",
        lambda one: one.age is not None,
    ):
        for standing in standings:
            if good(standing):
                return standing
    return standings[0]
