"""Whose forecast it is and how old, in words: the same on sheet, joint, weather page and terminal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from frostshift_rules.workload import AirBias, FeedChange, Freshness, StationHours
from frostshift_service.views.show import Show, age, plural
from frostshift_service.views.thermometer import bias_text
from frostshift_service.views.words import AHEAD, FEED_TITLES, FRESHNESS
from frostshift_service.weather.age import UNUSABLE_H


@dataclass(frozen=True, slots=True)
class ForecastAge:
    """How old a forecast is at a moment.

    Attributes:
        text: `issued 2 h 10 min ago`; empty where there is no forecast.
        state: its freshness, never better than when the plan was made.
        state_text: in words.
        outgrown: it has become too old since the plan was made.
    """

    text: str
    state: Freshness
    state_text: str
    outgrown: bool


def forecast_age(
    issued_utc: datetime | None, fetched_utc: datetime | None, freshness: Freshness, now: datetime
) -> ForecastAge:
    """The age at `now` of a forecast that was `freshness` when the plan was made; times aware UTC."""
    text, ahead, outgrown = "", False, False
    since_utc = issued_utc or fetched_utc  # as in `weather.age`
    if since_utc is not None:
        age_h = (now - since_utc) / timedelta(hours=1)
        ahead = freshness == "unusable" and age_h < 0.0  # this machine's clock, or the feed's, is wrong
        text = f"{age(-age_h)} from now" if ahead else f"{age(age_h)} ago"
        text = f"fetched {text}; its issue time is not known" if issued_utc is None else f"issued {text}"
        outgrown = age_h > UNUSABLE_H and freshness != "unusable"
    state: Freshness = "unusable" if outgrown else freshness
    return ForecastAge(text, state, AHEAD if ahead else FRESHNESS[state], outgrown)


def feed_title(name: str) -> str:
    """A feed's name for people."""
    return FEED_TITLES.get(name, name)


def forecast_notes(
    feed: str,
    instead_of: str,
    changed: FeedChange | None,
    station: StationHours | None,
    bias: AirBias | None,
    show: Show,
) -> tuple[str, ...]:
    """What people should know about where the forecast comes from; empty in the usual case."""
    notes = []
    if instead_of:
        notes.append(
            f"{feed_title(feed)} stands in for {feed_title(instead_of)}, which has given no forecast that can be "
            "planned on lately."
        )
    if changed is not None:
        since = show.moment(changed.since_utc, detail="date")
        notes.append(
            f"From {feed_title(feed)} since {since.text}, before that from {feed_title(changed.before)}: feeds differ "
            "by a few degrees, so that a call that changed at that time need not be a change of weather."
        )
    if station is not None:
        side = "higher" if station.height_m >= 0.0 else "lower"
        notes.append(
            f"{plural(station.hours, 'hour')} gone by as measured at {station.title}, "
            f"{show.distance_text(station.distance_km)} from the site and {show.height_text(abs(station.height_m))} "
            f"{side}: steel carries them into the plan; the air at the site may have differed by a few degrees."
        )
    if bias is not None:
        notes.append(bias_text(bias, show))
    return tuple(notes)
