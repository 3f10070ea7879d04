"""What the US service offers beside its forecast: alerts, and what a station near the site has measured.

Neither is a forecast, and nothing waits for them: where they are missing the page says so, and the plan goes on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Engine

from frostshift_rules.job import Site
from frostshift_service.http import Get
from frostshift_service.pulls import ALERTS, STATIONS, held_until
from frostshift_service.store import forecasts
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.alerts import load_alerts, put_alerts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.observed import put_observed
from frostshift_service.store.records import FeedRow, KeptAlerts
from frostshift_service.store.sites import load_site
from frostshift_service.weather import FeedError, nws, nws_alerts, nws_stations
from frostshift_service.weather.past import KEEP_HOURS
from frostshift_service.weather.schedule import after_failure, waits

log = logging.getLogger(__name__)

OBSERVE_AGAIN: Final = timedelta(hours=3)
"""Earliest next look for what a station measured, while hours are missing."""


@contextmanager
def _only_feed_errors(site_id: str) -> Iterator[None]:
    """What nobody foresaw is written in the log and has to wait its turn like any failure: the forecast goes on."""
    try:
        yield
    except FeedError:
        raise
    except Exception as error:
        log.exception("site %s: the US service could not be read", site_id)
        raise FeedError("the answer could not be read; it is written in the log.") from error


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
            kept = load_alerts(session, site_id)
            held_utc = held_until(session, ALERTS, now)
            if self._get is None or not self._covers(site) or not nws_alerts.is_due(kept, now):
                return
            if held_utc is not None:
                return
            if not nws_alerts.work_ahead(kept_joints.joints_of(session, site_id), now):
                return
        kept = kept or KeptAlerts(site_id, now)
        try:
            with _only_feed_errors(site_id):
                fetched = nws_alerts.fetch(self._get(now), site, kept.state, now, self._base_url)
        except FeedError as error:
            if not kept.failures:
                log.warning("site %s: no alerts: %s", site_id, error)
            kept = nws_alerts.after_failure(kept, error, now, self._jitter())
            if error.retry_after_s is not None:
                with writing(self._engine) as session:
                    forecasts.put_feed_row(session, after_failure(FeedRow(site_id, ALERTS, now), error, now, 0.0))
        else:
            if kept.failures:
                log.info("site %s: alerts are known again", site_id)
            kept = nws_alerts.after_answer(kept, fetched, now, self._jitter())
        with writing(self._engine) as session:
            put_alerts(session, kept, site.latitude, site.longitude)

    def observe(self, site_id: str) -> bool:
        """Ask a station near a site for the hours gone by, where that is due; whether it brought any.

        To be called while hours of the run-in are missing.
        """
        now = self._now()
        with reading(self._engine) as session:
            site = load_site(session, site_id).site
            row = forecasts.feed_row(session, site_id, STATIONS) or FeedRow(site_id, STATIONS, now)
            held_utc = held_until(session, STATIONS, now)
        if held_utc is not None:
            return False
        if self._get is None or not self._covers(site) or site.altitude_m is None or waits(row.next_try_utc, now):
            return False
        last_utc = now.replace(minute=0, second=0, microsecond=0)
        first_utc = last_utc - timedelta(hours=KEEP_HOURS)
        try:
            with _only_feed_errors(site_id):
                found = nws_stations.fetch(
                    self._get(now), site, row.state, now, self._base_url, first_utc=first_utc, last_utc=last_utc
                )
        except FeedError as error:
            if not row.failures:
                log.warning("site %s: no observations: %s", site_id, error)
            with writing(self._engine) as session:
                forecasts.put_feed_row(session, after_failure(row, error, now, self._jitter()))
            return False
        with writing(self._engine) as session:
            next_try_utc = now + OBSERVE_AGAIN + self._jitter() * timedelta(minutes=10)
            forecasts.put_feed_row(session, FeedRow(site_id, STATIONS, next_try_utc, now, state=found.kept))
            put_observed(session, site_id, found.observed, site.latitude, site.longitude)
        return True

    def _covers(self, site: Site) -> bool:
        return nws.covers(site.latitude, site.longitude)
