"""The pull side: ask the feeds of a site that are due, in their order, and keep what they bring.

One answer is one transaction, and the network is never waited for inside one. A failure touches neither the kept
forecast nor another site.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal

from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.job import Site
from frostshift_rules.surroundings import Hours
from frostshift_service.http import Get
from frostshift_service.store import forecasts, history
from frostshift_service.store.alerts import load_alerts
from frostshift_service.store.deliveries import CLOCKS_APART
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.observed import load_observed
from frostshift_service.store.records import FeedRow, KeptForecast, KeptSite
from frostshift_service.store.sites import hold_site, load_site
from frostshift_service.weather import FeedError, Forecast
from frostshift_service.weather import file as payload_file
from frostshift_service.weather.age import AHEAD_H, freshness
from frostshift_service.weather.derived import fill_sun
from frostshift_service.weather.feeds import FEEDS, Feed
from frostshift_service.weather.fetching import Fetched, only_feed_errors
from frostshift_service.weather.nws_alerts import cold, known_alerts
from frostshift_service.weather.order import Standing, steps_back, usual_order
from frostshift_service.weather.past import run_in
from frostshift_service.weather.quality import runs_of
from frostshift_service.weather.schedule import after_failure, after_success, front_near, waits

log = logging.getLogger(__name__)

STATIONS: Final = "nws_stations"
ALERTS: Final = "nws_alerts"
"""Names among the feed rows of what is no forecast."""
US_FEEDS: Final = ("nws", "nws_hourly", STATIONS, ALERTS)
"""Everything that is asked of one server of the US service."""
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Pulled:
    """What asking one feed brought.

    Attributes:
        feed: its name.
        outcome: `new`, `unchanged`, `not_due`, `failed`, or `no_feed` where a file is used.
        message: a sentence.
        instead: what the feeds brought that stand in for it.
    """

    feed: str
    outcome: Literal["new", "unchanged", "not_due", "failed", "no_feed"]
    message: str
    instead: tuple[Pulled, ...] = ()


def feeds_of(kept_site: KeptSite) -> tuple[str, ...]:
    """Names of the site's feeds in their order."""
    return usual_order(kept_site.site, kept_site.feed, kept_site.instead)


def standings(session: Session, kept_site: KeptSite, now: datetime) -> list[Standing]:
    """How it stands with each of the site's feeds, in their order."""
    return [standing(session, kept_site.site.id, feed, now) for feed in feeds_of(kept_site)]


def standing(session: Session, site_id: str, feed: str, now: datetime) -> Standing:
    """How it stands with one feed of a site."""
    last = forecasts.last_forecast_times(session, site_id, feed)
    if last is None:
        return Standing(feed)
    row = forecasts.feed_row(session, site_id, feed)
    forecast_id, issued_utc, fetched_utc, service = last
    age = freshness(issued_utc, fetched_utc, row.last_answer_utc if row else None, service or feed, now)
    return Standing(feed, forecast_id, age)


def held_until(session: Session, feed: str, now: datetime) -> datetime | None:
    """Until when a feed's server wants to be left alone, whatever it was asked for and for whichever site."""
    names = US_FEEDS if feed in US_FEEDS else (feed,)
    return max((until_utc for until_utc in forecasts.pauses(session, names) if waits(until_utc, now)), default=None)


class Pulls:
    """Asks the feeds of all sites of a store; arguments as for `jobs.Jobs`."""

    def __init__(
        self,
        engine: Engine,
        now: Callable[[], datetime],
        *,
        get: Callable[[datetime], Get] | None,
        jitter: Callable[[], float],
        base_urls: Mapping[str, str] | None = None,
        feeds: Mapping[str, Feed] = FEEDS,
    ) -> None:
        self._engine, self._now, self._get, self._jitter = engine, now, get, jitter
        self._base_urls, self._feeds = dict(base_urls or {}), feeds

    def pull(self, site_id: str, *, again_after_failure: bool = False) -> Pulled:
        """Ask the site's first feed where it is due, and the next ones only while those before have to step back.

        Args:
            site_id: the site.
            again_after_failure: do not wait for the pause after a failure: somebody has mended what was wrong. After
                an answer the feed's own wish when to be asked again always holds.
        """
        with reading(self._engine) as session:
            kept_site = load_site(session, site_id)
        order = feeds_of(kept_site)
        if order[0] not in FEEDS:
            return Pulled(
                order[0], "no_feed", "The forecast comes from a file: load one with `frostshift pull --file`."
            )
        if self._get is None:
            return Pulled(order[0], "failed", "No contact is set: weather services want FROSTSHIFT_CONTACT.")
        brought = []
        for feed in order:
            brought.append(self._pull_one(kept_site, feed, again_after_failure))
            with reading(self._engine) as session:
                if not steps_back(standing(session, site_id, feed, self._now())):
                    break
        return replace(brought[0], instead=tuple(brought[1:]))

    def _pull_one(self, kept_site: KeptSite, feed_name: str, again_after_failure: bool) -> Pulled:
        now, site_id, feed = self._now(), kept_site.site.id, self._feeds[feed_name]
        with reading(self._engine) as session:
            row = _row(session, site_id, feed_name, now)
            last = forecasts.last_forecast_times(session, site_id, feed_name)
            held_utc = held_until(session, feed_name, now)
        if held_utc is not None:
            return Pulled(feed_name, "not_due", f"{feed.title} asked for a pause until {held_utc:%H:%M} UTC.")
        moved = last is None and not row.failures
        # An answer from ahead of us: the clock was wrong when it came, and when the next one was set.
        ahead = row.last_answer_utc is not None and row.last_answer_utc > now + CLOCKS_APART
        anew = moved or ahead or (again_after_failure and bool(row.failures))
        if waits(row.next_try_utc, now) and not anew:
            return Pulled(feed_name, "not_due", f"{feed.title} is asked again after {row.next_try_utc:%H:%M} UTC.")
        try:
            # Without the forecast they belong to, validators would bring "not modified" and nothing to show.
            with only_feed_errors(site_id, feed.title, "read"):
                fetched = self._ask(feed, kept_site.site, row.state if last is not None else {}, now)
        except FeedError as error:
            return self._failed(row, feed, error)
        try:
            with only_feed_errors(site_id, feed.title, "kept"):
                watch = self._front_near(site_id, feed_name, fetched.forecast, now)
                with writing(self._engine) as session:
                    pulled = self._take(session, kept_site.site, feed, row, fetched, watch)
        except FeedError as error:
            return self._failed(row, feed, error)
        if row.failures:
            log.info("site %s: %s answers again", site_id, feed.title)
        return pulled

    def _take(self, session: Session, site: Site, feed: Feed, asked: FeedRow, fetched: Fetched, watch: bool) -> Pulled:
        """Write an answer down, as things stand now: while it was waited for another copy may have had one, too.

        Args:
            session: a writing one.
            site: as it was when the feed was asked.
            feed: that was asked.
            asked: how it stood with the feed then.
            fetched: what it brought.
            watch: whether a front is near.
        """
        hold_site(session, site.id)
        now = self._now()
        row = _row(session, site.id, feed.name, now)
        last = forecasts.last_forecast_times(session, site.id, feed.name)
        said = Pulled(feed.name, "new", f"New forecast from {feed.title}.")
        if _position(load_site(session, site.id).site) != _position(site):
            # No validators of an answer that is not kept: after a move back they would bring "not modified".
            said = Pulled(feed.name, "unchanged", f"The site was moved while {feed.title} answered: not used.")
            fetched = replace(fetched, forecast=None, kept={})
        elif fetched.forecast is None:
            said = Pulled(feed.name, "unchanged", f"{feed.title} has nothing newer.")
            if row.state != asked.state:  # those of a forecast that came meanwhile
                fetched = replace(fetched, kept=row.state)
        elif last is not None and _older(fetched.forecast, *last[1:3], now):
            # An edge of the service may hand out yesterday's copy: it is no news, and no validators either.
            said = Pulled(
                feed.name, "unchanged", f"{feed.title} sent an older forecast than the one in hand: not used."
            )
            fetched = replace(fetched, forecast=None, kept=row.state)
        forecasts.put_feed_row(session, after_success(row, fetched, now, self._jitter(), watch=watch))
        if fetched.forecast is not None:
            _keep(session, site.id, fetched.forecast, fetched.answer.body, now)
        return said

    def _failed(self, asked: FeedRow, feed: Feed, error: FeedError) -> Pulled:
        """Write the failure down; said in the log when a feed breaks, and not again until it is mended.

        Where another copy has been answered since `asked` was read, its answer stands and only a pause counts.
        """
        with writing(self._engine) as session:
            hold_site(session, asked.site_id)
            now = self._now()
            row = _row(session, asked.site_id, asked.feed, now)
            failed = after_failure(row, error, now, self._jitter())
            if row.last_answer_utc != asked.last_answer_utc:
                next_try_utc = max(row.next_try_utc, failed.held_utc or row.next_try_utc)
                failed = replace(row, held_utc=failed.held_utc, next_try_utc=next_try_utc)
            if failed.failures == 1:
                log.warning("site %s: %s gives no forecast: %s", asked.site_id, feed.title, error)
            forecasts.put_feed_row(session, failed)
        return Pulled(feed.name, "failed", str(error))

    def _front_near(self, site_id: str, feed: str, forecast: Forecast | None, now: datetime) -> bool:
        """Whether the forecast, the new one or else the kept one, or an alert tells of a front."""
        with reading(self._engine) as session:
            kept = forecast or forecasts.last_forecast(session, site_id, feed)
            hours = None if kept is None else _with_day_before(session, site_id, feed, kept.hours, now)
            known = known_alerts(load_alerts(session, site_id), now)
        return (hours is not None and front_near(hours, now)) or any(cold(alert) for alert in known or ())

    def _ask(self, feed: Feed, site: Site, kept: Mapping[str, str], now: datetime) -> Fetched:
        """One call of a feed.

        Raises:
            FeedError: no forecast, or one that was issued further ahead of our clock than `age.AHEAD_H`.
        """
        if self._get is None or not feed.covers(site.latitude, site.longitude):
            raise FeedError(f"{feed.title} has no forecast for the site's position.", permanent=True)
        fetched = feed.fetch(self._get(now), site, kept, now, self._base_urls.get(feed.name, feed.base_url))
        issued_utc = None if fetched.forecast is None else fetched.forecast.issued_utc
        # Refused, and not kept without its issue time: that would make it fresh, and nobody knows how old it is.
        if issued_utc is not None and issued_utc - now > timedelta(hours=AHEAD_H):
            raise FeedError(
                f"{feed.title}: issued {issued_utc:%Y-%m-%d %H:%M} UTC, ahead of this machine's clock "
                f"({now:%Y-%m-%d %H:%M} UTC): one of the two is wrong; payload not used"
            )
        return fetched

    def take_payload(self, site_id: str, path: Path) -> Forecast:
        """Keep a forecast from a file that holds one feed's payload.

        Raises:
            FeedError: the file cannot be used; nothing is kept.
        """
        now = self._now()
        with reading(self._engine) as session:
            site = load_site(session, site_id).site
        forecast, payload = payload_file.read_payload_file(path, now, site)
        with writing(self._engine) as session:
            _keep(session, site_id, forecast, payload, now)
        return forecast


def _row(session: Session, site_id: str, feed: str, now: datetime) -> FeedRow:
    return forecasts.feed_row(session, site_id, feed) or FeedRow(site_id, feed, now)


def _older(forecast: Forecast, issued_utc: datetime | None, fetched_utc: datetime, now: datetime) -> bool:
    """Whether a forecast is older than the one in hand, by the latter's times; without an issue time since it came.

    One in hand from ahead of `now` says nothing: a clock was wrong, and it must not shut out all that follow.
    """
    in_hand_utc = issued_utc or fetched_utc
    return (forecast.issued_utc or forecast.fetched_utc) < in_hand_utc <= now


def _with_day_before(session: Session, site_id: str, feed: str, hours: Hours, now: datetime) -> Hours:
    """The hours of a forecast and those gone by, as a plan has them.

    Some feeds begin at the present hour: by itself such a forecast has nothing to hold its first day against. A site's
    first forecast still has not, where no station has measured near it.
    """
    this_hour = now.replace(minute=0, second=0, microsecond=0)
    first_utc = this_hour - _DAY
    stored = forecasts.past_hours(session, site_id, feed, first_utc, this_hour)
    observed = load_observed(session, site_id, first_utc, this_hour)
    return run_in(stored, hours, None if observed is None else observed.hours, now, keep_hours=24).hours


def _position(site: Site) -> tuple[float, float, float | None]:
    """What a forecast is asked for: the height, too, as MET Norway and Open-Meteo forecast for it."""
    return site.latitude, site.longitude, site.altitude_m


def _keep(session: Session, site_id: str, forecast: Forecast, payload: bytes, now: datetime) -> None:
    """Keep a forecast and what it says of the hours ahead; let old ones go that no plan was made from."""
    forecast = fill_sun(forecast, load_site(session, site_id).site)
    kept = KeptForecast(
        feed=forecast.feed,
        issued_utc=forecast.issued_utc,
        fetched_utc=forecast.fetched_utc,
        hours=forecast.hours,
        payload=payload,
        attribution=forecast.attribution,
        warnings=forecast.warnings,
        quality=runs_of(forecast.quality),
        members=forecast.members,
        service=forecast.service,
    )
    forecasts.keep_forecast(session, site_id, kept)
    forecasts.thin_forecasts(session, site_id, now - forecasts.KEPT)
    history.remember(session, site_id, kept, kept.members)
    history.thin(session, site_id, now)
