"""What was forecast for an hour, and how long before: kept so that forecasts can be scored, thinned by age.

One row a forecast, its hours packed, and not one row an hour: it is written and thinned whole, and nobody asks the
database for a single hour. The rows of `forecast` would not do: they go after 14 days unless a plan used them, and then
stay for that plan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil
from typing import Final

import numpy as np
from sqlalchemy import ColumnElement
from sqlalchemy.orm import defer
from sqlmodel import Session, col, delete, select

from frostshift_rules.surroundings import Members, Singles
from frostshift_service.store.packing import pack_singles, unpack_singles
from frostshift_service.store.records import KeptForecast, StoreError, UnknownSite
from frostshift_service.store.tables import HistoryRow, SiteRow

SERIES: Final = ("air_c", "dew_c", "wind_10m_ms", "cloud", "precip_mm")
"""Series of `Hours` that are kept."""
QUANTILES: Final = (("air_low_c", 0.1), ("air_middle_c", 0.5), ("air_high_c", 0.9))
"""Of the air temperature over the members, where there are any."""
FEWEST_MEMBERS: Final = 10
"""Fewer have no member beyond the outer quantiles (our choice)."""

KEEP_ALL: Final = timedelta(days=14)
SIX_HOURLY_UNTIL: Final = timedelta(days=90)
DAILY_UNTIL: Final = timedelta(days=400)
"""A forecast older than this goes; a whole winter and the one before it can be compared (all three our choice)."""
LEAD_STEP_H: Final = 6
"""A lead asked for stands for the hours up to the next of them [h]: what thinning leaves for the first 90 days."""

_HOUR: Final = timedelta(hours=1)
_SIX_HOURS: Final = timedelta(hours=6)
_DAY: Final = timedelta(days=1)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class ForecastLeads:
    """What was forecast for some hours at some leads: arrays [lead, hour], NaN where nothing was.

    Attributes:
        first_utc: first hour, aware UTC, on the full hour.
        leads_h: row L holds forecasts fetched at least L and less than L + `LEAD_STEP_H` hours before the hour [h].
        forecasts: number of forecasts that anything was taken from.
        air_c, dew_c, wind_10m_ms, cloud, precip_mm: as in `Hours`.
        air_low_c, air_middle_c, air_high_c: the 10, 50 and 90 % quantiles of the air over the members [°C].
    """

    first_utc: datetime
    leads_h: tuple[int, ...]
    forecasts: int
    air_c: Singles
    dew_c: Singles
    wind_10m_ms: Singles
    cloud: Singles
    precip_mm: Singles
    air_low_c: Singles
    air_middle_c: Singles
    air_high_c: Singles


_NAMES: Final = (*SERIES, *(name for name, _ in QUANTILES))


def remember(session: Session, site_id: str, forecast: KeptForecast, members: Members | None = None) -> bool:
    """Keep what a forecast says of the hours from its fetching on. Doing it again changes nothing.

    Args:
        session: a writing one.
        site_id: the site, for the place where it is now.
        forecast: kept or not.
        members: of its ensemble, on the axis of its hours; an hour that one of them lacks has no quantiles.

    Returns:
        False where none of its hours lies ahead: nothing is kept.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: members on another axis.
    """
    site = session.get(SiteRow, site_id)
    if site is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    hours = forecast.hours
    if members is not None and (members.start_utc, members.air_c.shape[1]) != (hours.start_utc, len(hours)):
        raise StoreError(f"the forecast of {forecast.feed} and its members are not of the same hours")
    first = max(0, ceil((forecast.fetched_utc - hours.start_utc) / _HOUR))  # hours gone by were not forecast
    if first >= len(hours):
        return False
    rows: dict[str, Singles] = {name: getattr(hours, name)[first:].astype(np.float32) for name in SERIES}
    if members is not None and len(members) >= FEWEST_MEMBERS:
        shares = [share for _, share in QUANTILES]
        quantiles = np.quantile(members.air_c[:, first:].astype(np.float64), shares, axis=0)
        rows |= {name: row.astype(np.float32) for (name, _), row in zip(QUANTILES, quantiles, strict=True)}
    session.merge(
        HistoryRow(
            site_id=site_id,
            feed=forecast.feed,
            fetched_utc=forecast.fetched_utc,
            latitude=site.latitude,
            longitude=site.longitude,
            altitude_m=site.altitude_m,
            first_hour_utc=hours.time_utc(first),
            last_hour_utc=hours.time_utc(len(hours) - 1),
            series=pack_singles(rows),
        )
    )
    session.flush()
    return True


def _of_site(site_id: str) -> tuple[ColumnElement[bool], ...]:
    """Rows of a site for where and how high it is now; those for a place it has left no longer count."""
    return (
        col(HistoryRow.site_id) == site_id,
        col(SiteRow.id) == site_id,
        col(HistoryRow.latitude) == col(SiteRow.latitude),
        col(HistoryRow.longitude) == col(SiteRow.longitude),
        col(HistoryRow.altitude_m).is_not_distinct_from(col(SiteRow.altitude_m)),
    )


def feeds_remembered(session: Session, site_id: str) -> list[str]:
    """Names of the feeds that something is kept of for where the site is."""
    return sorted(session.exec(select(HistoryRow.feed).where(*_of_site(site_id)).distinct()))


def leads(
    session: Session, site_id: str, feed: str, first_utc: datetime, last_utc: datetime, at_leads_h: Sequence[int]
) -> ForecastLeads:
    """What a feed had forecast for some hours, by how long before.

    Where several forecasts fall into one lead the newest counts that has an air temperature for the hour, with all its
    series: they are never mixed.

    Args:
        session: any session.
        site_id: the site.
        feed: one feed only.
        first_utc: first hour, aware, on the full hour.
        last_utc: last hour, the same; not before `first_utc`.
        at_leads_h: leads from 0 on [h]; multiples of `LEAD_STEP_H` share no forecast.

    Raises:
        ValueError: hours that are not full ones or in the wrong order, or a lead below 0.
    """
    for name, at in (("first_utc", first_utc), ("last_utc", last_utc)):
        if at.utcoffset() is None or (at.minute, at.second, at.microsecond) != (0, 0, 0):
            raise ValueError(f"{name} is {at.isoformat()}, expected a full hour with its time zone")
    count = round((last_utc - first_utc) / _HOUR) + 1
    if count < 1:
        raise ValueError(f"last_utc is {last_utc.isoformat()}, expected at least {first_utc.isoformat()}")
    if min(at_leads_h, default=0) < 0:
        raise ValueError(f"at_leads_h has {min(at_leads_h)}, expected at least 0 h")
    block = np.full((len(_NAMES), len(at_leads_h), count), np.nan, dtype=np.float32)
    wanted = select(HistoryRow.fetched_utc, HistoryRow.first_hour_utc, HistoryRow.series).where(
        *_of_site(site_id),
        HistoryRow.feed == feed,
        HistoryRow.first_hour_utc <= last_utc,
        HistoryRow.last_hour_utc >= first_utc,
    )
    used = 0
    for fetched_utc, begins_utc, packed in session.exec(wanted.order_by(col(HistoryRow.fetched_utc))):
        shift = round((begins_utc - first_utc) / _HOUR)  # index of its first hour on our axis
        lead_h = (begins_utc - fetched_utc) / _HOUR  # of its first hour
        series = unpack_singles(packed)
        known = np.isfinite(series["air_c"])
        missing = np.full(len(known), np.nan, dtype=np.float32)
        theirs = np.stack([series.get(name, missing) for name in _NAMES])
        found = False
        for row, least_h in enumerate(at_leads_h):
            low = max(ceil(least_h - lead_h), 0, -shift)
            high = min(ceil(least_h + LEAD_STEP_H - lead_h), len(known), count - shift)
            if low < high and known[low:high].any():
                found = True
                ours = block[:, row, low + shift : high + shift]
                np.copyto(ours, theirs[:, low:high], where=known[low:high])
        used += found
    return ForecastLeads(first_utc.astimezone(UTC), tuple(at_leads_h), used, *block)


def thin(session: Session, site_id: str, now: datetime) -> int:
    """Let go what is `old_rows` of a site; returns how many."""
    return drop_rows(session, old_rows(session, site_id, now))


def old_rows(session: Session, site_id: str, now: datetime) -> list[tuple[str, str, datetime]]:
    """The keys of what `superfluous` names of a site, feed by feed.

    The newest of each feed stays while the site is where it was fetched for. Where all but what was fetched just now
    are older than `DAILY_UNTIL`, nothing goes: a clock that is wrong must destroy nothing.
    """
    site = session.get(SiteRow, site_id)
    if site is None:
        return []
    without_series = select(HistoryRow).options(defer(col(HistoryRow.series)))  # type: ignore[arg-type]
    kept: defaultdict[tuple[str, tuple[float, float, float | None]], list[datetime]] = defaultdict(list)
    for row in session.exec(without_series.where(HistoryRow.site_id == site_id)):
        kept[row.feed, (row.latitude, row.longitude, row.altitude_m)].append(row.fetched_utc)
    old = []
    for (feed, place), times in kept.items():
        here = place == (site.latitude, site.longitude, site.altitude_m)
        if here and all(at >= now or now - at > DAILY_UNTIL for at in times):
            continue
        old += [(site_id, feed, at) for at in superfluous(times, now, keep_newest=here)]
    return old


def drop_rows(session: Session, keys: Iterable[tuple[str, str, datetime]]) -> int:
    """Delete rows by their keys; returns how many."""
    of_feed: defaultdict[tuple[str, str], list[datetime]] = defaultdict(list)
    for site_id, feed, at in keys:
        of_feed[site_id, feed].append(at)
    gone = 0
    for (site_id, feed), times in of_feed.items():
        gone += session.exec(
            delete(HistoryRow).where(
                col(HistoryRow.site_id) == site_id, col(HistoryRow.feed) == feed, col(HistoryRow.fetched_utc).in_(times)
            )
        ).rowcount
    return gone


def superfluous(fetched_utc: Collection[datetime], now: datetime, *, keep_newest: bool = True) -> list[datetime]:
    """Which forecasts, by when they were fetched, have to go at `now`.

    All stay for `KEEP_ALL`; then the first of each six hours of a UTC day until `SIX_HOURLY_UNTIL`; then the first of
    each UTC day until `DAILY_UNTIL`. The spans stand still and their first is kept, so what stays does not hang on how
    often thinning was done. The newest stays however old it is, with `keep_newest`.
    """
    first_of: dict[tuple[timedelta, int], datetime] = {}
    ordered = sorted(set(fetched_utc))
    for at in ordered:
        for span in (_SIX_HOURS, _DAY):
            first_of.setdefault((span, (at - _EPOCH) // span), at)

    def stays(at: datetime) -> bool:
        age = now - at
        if age <= KEEP_ALL:
            return True
        span = _SIX_HOURS if age <= SIX_HOURLY_UNTIL else _DAY
        return age <= DAILY_UNTIL and first_of[span, (at - _EPOCH) // span] == at

    newest = ordered[-1] if ordered and keep_newest else None
    return [at for at in ordered if at != newest and not stays(at)]
