"""What the US service offers beside its forecast: alerts, and what a station near the site has measured.

Neither is a forecast, and nothing waits for them: where they are missing the page says so, and the plan goes on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.job import Site
from frostshift_service.http import Get
from frostshift_service.pulls import ALERTS, STATIONS, held_until
from frostshift_service.store import forecasts
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.alerts import load_alerts, put_alerts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.observed import put_observed
from frostshift_service.store.records import FeedRow, KeptAlerts
from frostshift_service.store.sites import hold_site, load_site
from frostshift_service.weather import FeedError, nws, nws_alerts, nws_stations
from frostshift_service.weather.fetching import only_feed_errors
from frostshift_service.weather.past import KEEP_HOURS
from frostshift_service.weather.schedule import after_failure, waits

log = logging.getLogger(__name__)

OBSERVE_AGAIN: Final = timedelta(hours=3)
"""Earliest next look for what a station measured, while hours are missing."""
_PLACE: Final = "place"
"""Key of the kept state: where the site was when stations were asked."""


class UsService:
    """Asks for alerts and observations; arguments as for `jobs.Jobs`."""

    def __init__(
        self,
        engine: Engine,
        now: Callable[[], datetime],
        *,
        get: Callable[[datetime], Get] | None,
        jitter: Callable[[], float],
        base_urls: Mapping[str, str] | None = None,
    ) -> None:
        self._engine, self._now, self._get, self._jitter = engine, now, get, jitter
        self._base_url = (base_urls or {}).get(nws.NAME, nws.BASE_URL)

    def pull_alerts(self, site_id: str) -> None:
        """Ask for the alerts of a site where they are due and there is work within two days."""
        now = self._now()
        with reading(self._engine) as session:
            site = load_site(session, site_id).site
            if self._get is None or not self._covers(site):
                return
            kept = load_alerts(session, site_id) or KeptAlerts(site_id, now)
            if not nws_alerts.is_due(kept, now) or held_until(session, ALERTS, now) is not None:
                return
            soon = kept_joints.joints_of(session, site_id, at_work_by_utc=now + nws_alerts.WORK_AHEAD)
            if not nws_alerts.work_ahead(soon, now):
                return
        try:
            with only_feed_errors(site_id, nws_alerts.TITLE, "read"):
                fetched = nws_alerts.fetch(self._get(now), site, kept.state, now, self._base_url)
            with only_feed_errors(site_id, nws_alerts.TITLE, "kept"), writing(self._engine) as session:
                answered = nws_alerts.after_answer(kept, fetched, now, self._jitter())
                put_alerts(session, answered, site.latitude, site.longitude)
        except FeedError as error:
            self._no_alerts(kept, site, error, now)
        else:
            if kept.failures:
                log.info("site %s: alerts are known again", site_id)

    def _no_alerts(self, kept: KeptAlerts, site: Site, error: FeedError, now: datetime) -> None:
        if not kept.failures:
            log.warning("site %s: no alerts: %s", site.id, error)
        with writing(self._engine) as session:
            failed = nws_alerts.after_failure(kept, error, now, self._jitter())
            put_alerts(session, failed, site.latitude, site.longitude)
            if error.retry_after_s is not None:
                pause = after_failure(FeedRow(site.id, ALERTS, now), error, now, 0.0)
                forecasts.put_feed_row(session, pause)

    def observe(self, site_id: str) -> bool:
        """Ask a station near a site for the hours gone by, where that is due; whether it brought any.

        To be called while hours of the run-in are missing.
        """
        now = self._now()
        with reading(self._engine) as session:
            site = load_site(session, site_id).site
            row = forecasts.feed_row(session, site_id, STATIONS) or FeedRow(site_id, STATIONS, now)
            place = f"{site.latitude} {site.longitude} {site.altitude_m}"
            if row.state.get(_PLACE) != place:  # the site was moved: what was said of the other place counts no more
                row = FeedRow(site_id, STATIONS, now, row.last_answer_utc, held_utc=row.held_utc)
            if self._get is None or not self._covers(site) or site.altitude_m is None:
                return False
            if waits(row.next_try_utc, now) or held_until(session, STATIONS, now) is not None:
                return False
        last_utc = now.replace(minute=0, second=0, microsecond=0)
        first_utc = last_utc - timedelta(hours=KEEP_HOURS)
        try:
            with only_feed_errors(site_id, nws_stations.TITLE, "read"):
                found = nws_stations.fetch(
                    self._get(now), site, row.state, now, self._base_url, first_utc=first_utc, last_utc=last_utc
                )
            with only_feed_errors(site_id, nws_stations.TITLE, "kept"), writing(self._engine) as session:
                next_try_utc = now + OBSERVE_AGAIN + self._jitter() * timedelta(minutes=10)
                _put_stations(
                    session, FeedRow(site_id, STATIONS, next_try_utc, now, state={**found.kept, _PLACE: place})
                )
                put_observed(session, site_id, found.observed, site.latitude, site.longitude, site.altitude_m)
        except FeedError as error:
            if not row.failures:
                log.warning("site %s: no observations: %s", site_id, error)
            with writing(self._engine) as session:
                failed = after_failure(row, error, now, self._jitter())
                _put_stations(session, replace(failed, state={**failed.state, _PLACE: place}))
            return False
        if row.failures:
            log.info("site %s: observations are known again", site_id)
        return bool(np.isfinite(found.observed.hours.air_c).any())

    def _covers(self, site: Site) -> bool:
        return nws.covers(site.latitude, site.longitude)


def _put_stations(session: Session, row: FeedRow) -> None:
    """Write how it stands with the stations, unless another copy has had a later answer for the same place."""
    hold_site(session, row.site_id)
    there = forecasts.feed_row(session, row.site_id, STATIONS)
    answered = None if there is None or there.state.get(_PLACE) != row.state.get(_PLACE) else there.last_answer_utc
    overtaken = answered is not None and (row.last_answer_utc is None or answered > row.last_answer_utc)
    # One that is later than our next try is of a clock that was wrong.
    if answered is None or not overtaken or answered > row.next_try_utc:
        forecasts.put_feed_row(session, row)
