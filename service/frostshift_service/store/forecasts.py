"""Forecasts as they were fetched, the hours gone by, and how it stands with each feed."""

from __future__ import annotations

import gzip
from collections.abc import Collection, Iterator
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy import ColumnElement
from sqlmodel import Session, col, delete, select

from frostshift_rules.surroundings import Hours, Members
from frostshift_service.store.packing import SERIES, holds_members, pack_hours, unpack_hours, unpack_weather
from frostshift_service.store.records import FeedInUse, FeedRow, KeptForecast, Runs, StoreError, UnknownSite
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import FeedInUseRow, FeedStateRow, ForecastRow, PlanRow, SiteRow

KEPT: Final = timedelta(days=14)
"""Forecasts fetched longer ago go, unless a plan was made from them."""
_HOUR: Final = timedelta(hours=1)


def keep_forecast(session: Session, site_id: str, forecast: KeptForecast) -> int:
    """Keep a forecast; returns its id.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a forecast without hours.
    """
    site = session.get(SiteRow, site_id)
    if site is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    if len(forecast.hours) == 0:
        raise StoreError(f"the forecast of {forecast.feed} has no hours")
    row = ForecastRow(
        site_id=site_id,
        latitude=site.latitude,
        longitude=site.longitude,
        altitude_m=site.altitude_m,
        feed=forecast.feed,
        issued_utc=forecast.issued_utc,
        fetched_utc=forecast.fetched_utc,
        payload=gzip.compress(forecast.payload, compresslevel=6, mtime=0),
        first_hour_utc=forecast.hours.start_utc,
        last_hour_utc=forecast.hours.time_utc(len(forecast.hours) - 1),
        hours=pack_hours(forecast.hours, forecast.members),
        attribution=forecast.attribution,
        warnings=list(forecast.warnings),
        quality={name: [list(run) for run in runs] for name, runs in forecast.quality.items()},
        service=forecast.service,
    )
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id


def _of_site(site_id: str) -> tuple[ColumnElement[bool], ...]:
    """Forecasts of a site for where and how high it is now; those for a place it has left no longer count."""
    return (
        col(ForecastRow.site_id) == site_id,
        col(SiteRow.id) == site_id,
        col(ForecastRow.latitude) == col(SiteRow.latitude),
        col(ForecastRow.longitude) == col(SiteRow.longitude),
        col(ForecastRow.altitude_m).is_not_distinct_from(col(SiteRow.altitude_m)),
    )


_NEWEST: Final = (col(ForecastRow.id).desc(),)
"""In the order they came, whatever the clock of this machine said: one that was wrong for a while must not leave a
forecast from the future before all that follow."""


def last_forecast(session: Session, site_id: str, feed: str | None = None) -> KeptForecast | None:
    """The forecast that came last for where the site is, of one feed where given; None where there is none."""
    wanted = select(ForecastRow).where(*_of_site(site_id))
    if feed is not None:
        wanted = wanted.where(ForecastRow.feed == feed)
    row = session.exec(wanted.order_by(*_NEWEST).limit(1)).first()
    return None if row is None else _kept(row)


def last_forecast_times(
    session: Session, site_id: str, feed: str
) -> tuple[int, datetime | None, datetime, str | None] | None:
    """Id, issue time, fetch time and service of that forecast, without its hours; None where there is none."""
    columns = select(
        col(ForecastRow.id), col(ForecastRow.issued_utc), col(ForecastRow.fetched_utc), col(ForecastRow.service)
    )
    wanted = columns.where(*_of_site(site_id), col(ForecastRow.feed) == feed).order_by(*_NEWEST).limit(1)
    row = session.exec(wanted).first()
    if row is None:
        return None
    forecast_id, issued_utc, fetched_utc, service = row
    assert forecast_id is not None  # only a row that was not written has none
    return forecast_id, issued_utc, fetched_utc, service


def forecast_by_id(session: Session, forecast_id: int) -> KeptForecast:
    """One forecast.

    Raises:
        StoreError: there is none of that id.
    """
    row = session.get(ForecastRow, forecast_id)
    if row is None:
        raise StoreError(f"there is no forecast {forecast_id}")
    return _kept(row)


def past_hours(session: Session, site_id: str, feed: str, first_utc: datetime, last_utc: datetime) -> Hours | None:
    """Hours gone by, each value from the newest forecast of the feed that has it.

    They are forecasts with a short lead, not observations.

    Args:
        session: any session.
        site_id: the site.
        feed: one feed only; feeds are not mixed. Of files those of the service that the newest is of.
        first_utc: first hour, aware, on the full hour.
        last_utc: last hour, the same; not before `first_utc`.

    Returns:
        Hours from first to last, NaN where no forecast has a value; None where no forecast reaches into them.
    """
    count = round((last_utc - first_utc) / _HOUR) + 1
    of_feed = (*_of_site(site_id), col(ForecastRow.feed) == feed)
    service = session.exec(select(ForecastRow.service).where(*of_feed).order_by(*_NEWEST).limit(1)).first()
    wanted = (
        select(ForecastRow.hours)
        .where(
            *of_feed,
            col(ForecastRow.service).is_not_distinct_from(service),
            ForecastRow.first_hour_utc <= last_utc,
            ForecastRow.last_hour_utc >= first_utc,
        )
        .order_by(*_NEWEST)
    )
    block = np.full((len(SERIES), count), np.nan)
    found = False
    for packed in session.exec(wanted):
        found = True
        hours = unpack_hours(packed)
        shift = round((hours.start_utc - first_utc) / _HOUR)  # index of its first hour on our axis
        low, high = max(shift, 0), min(shift + len(hours), count)
        ours = block[:, low:high]
        theirs = np.stack([getattr(hours, name)[low - shift : high - shift] for name in SERIES])
        np.copyto(ours, theirs, where=np.isnan(ours))
        if not np.isnan(block).any():
            break
    return Hours(first_utc, *block) if found else None


def issues_before(session: Session, site_id: str, forecast_id: int, first_utc: datetime) -> Iterator[Hours]:
    """Hours of the forecasts that a feed gave before one of its forecasts, the newest first; files of one service.

    Args:
        session: any session; each is read when it is asked for.
        site_id: the site.
        forecast_id: of the forecast.
        first_utc: those that end before it are left out.
    """
    row = session.get(ForecastRow, forecast_id)
    if row is None:
        return
    wanted = select(ForecastRow.hours).where(
        *_of_site(site_id),
        ForecastRow.feed == row.feed,
        col(ForecastRow.service).is_not_distinct_from(row.service),
        ForecastRow.last_hour_utc >= first_utc,
        col(ForecastRow.id) < forecast_id,
    )
    for packed in session.exec(wanted.order_by(*_NEWEST)):
        yield unpack_hours(packed)


def last_members(session: Session, site_id: str, feed: str, since_utc: datetime) -> Members | None:
    """Members of the newest forecast of a feed that has any, on its own axis.

    An ensemble is asked less often than the forecast beside it: between two of its answers the last one stands.

    Args:
        session: any session.
        site_id: the site.
        feed: one feed only.
        since_utc: those of forecasts fetched before it no longer count.
    """
    wanted = select(ForecastRow.hours).where(
        *_of_site(site_id), ForecastRow.feed == feed, ForecastRow.fetched_utc >= since_utc
    )
    for packed in session.exec(wanted.order_by(*_NEWEST)):
        if holds_members(packed):
            return unpack_weather(packed)[1]
    return None


def thin_forecasts(session: Session, site_id: str, before_utc: datetime) -> int:
    """Delete forecasts fetched before `before_utc` that no plan was made from; returns how many."""
    used = select(PlanRow.forecast_id).where(col(PlanRow.forecast_id).is_not(None))
    old = delete(ForecastRow).where(
        col(ForecastRow.site_id) == site_id,
        col(ForecastRow.fetched_utc) < before_utc,
        col(ForecastRow.id).not_in(used),
    )
    return session.exec(old).rowcount


def feed_row(session: Session, site_id: str, feed: str) -> FeedRow | None:
    """How it stands with a feed; None where it was never asked."""
    row = session.get(FeedStateRow, (site_id, feed))
    if row is None:
        return None
    return FeedRow(
        site_id=row.site_id,
        feed=row.feed,
        next_try_utc=row.next_try_utc,
        last_answer_utc=row.last_answer_utc,
        failures=row.failures,
        last_error=row.last_error,
        issued_utc=row.issued_utc,
        held_utc=row.held_utc,
        state=dict(row.state),
    )


def pauses(session: Session, feeds: Collection[str]) -> list[datetime]:
    """Until when servers have asked to be left alone, by the rows of some feeds at any site."""
    wanted = select(FeedStateRow.held_utc).where(
        col(FeedStateRow.feed).in_(feeds), col(FeedStateRow.held_utc).is_not(None)
    )
    return [held_utc for held_utc in session.exec(wanted) if held_utc is not None]


def put_feed_row(session: Session, feed: FeedRow) -> None:
    """Write how it stands with a feed, new or changed; holds the site, so that two copies follow one another."""
    hold_site(session, feed.site_id)
    session.merge(
        FeedStateRow(
            site_id=feed.site_id,
            feed=feed.feed,
            next_try_utc=feed.next_try_utc,
            last_answer_utc=feed.last_answer_utc,
            failures=feed.failures,
            last_error=feed.last_error,
            issued_utc=feed.issued_utc,
            held_utc=feed.held_utc,
            state=dict(feed.state),
        )
    )
    session.flush()


def feed_in_use(session: Session, site_id: str) -> FeedInUse | None:
    """The feed that the site's plans are made from; None before the first plan with a forecast."""
    row = session.get(FeedInUseRow, site_id)
    return None if row is None else FeedInUse(row.feed, row.since_utc, row.before)


def put_feed_in_use(session: Session, site_id: str, used: FeedInUse) -> None:
    """Write the feed that the site's plans are made from; holds the site, so that two copies follow one another."""
    hold_site(session, site_id)
    session.merge(FeedInUseRow(site_id=site_id, feed=used.feed, since_utc=used.since_utc, before=used.before))
    session.flush()


def _kept(row: ForecastRow) -> KeptForecast:
    hours, members = unpack_weather(row.hours)
    return KeptForecast(
        feed=row.feed,
        issued_utc=row.issued_utc,
        fetched_utc=row.fetched_utc,
        hours=hours,
        payload=gzip.decompress(row.payload),
        attribution=row.attribution,
        warnings=tuple(row.warnings),
        quality={name: _runs(said, len(hours)) for name, said in row.quality.items()},
        id=row.id,
        members=members,
        service=row.service,
    )


def _runs(said: str | list[tuple[str, int]], count: int) -> Runs:
    """Runs of a field; a forecast kept before every hour had its mark has one word for all of them."""
    return ((said, count),) if isinstance(said, str) else tuple((word, n) for word, n in said)
