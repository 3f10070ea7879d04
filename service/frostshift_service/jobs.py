"""The loops: pull forecasts that are due, keep them, plan again. APScheduler only says when; the store says what.

One piece of work is one transaction, and the network is never waited for inside one. A failure of one site touches
neither its kept forecast nor another site.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from threading import Lock
from typing import Final, Literal

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.air_correction import COUNTS_FOR
from frostshift_rules.electrodes import electrode_table
from frostshift_rules.gas import cylinders, gases
from frostshift_rules.heat_sources import known_sources
from frostshift_rules.job import AirReading, Joint, Reading, Site
from frostshift_rules.operations import operations
from frostshift_rules.outlook import outlook
from frostshift_rules.people import people_table
from frostshift_rules.plan import make_plan
from frostshift_rules.strict import TableError
from frostshift_rules.tables import check_shipped, load_code_table
from frostshift_rules.workload import NO_WEATHER, HeatPlan, Plan, Weather
from frostshift_service.http import Get
from frostshift_service.site_file import check_own_table
from frostshift_service.store import forecasts, plans
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import FeedRow, KeptBecause, KeptForecast, KeptSite, PlanInputs
from frostshift_service.store.sites import load_site, load_sites
from frostshift_service.store.thermometer import air_readings_of
from frostshift_service.views.chart import SteelSeries
from frostshift_service.weather import FeedError, Forecast
from frostshift_service.weather import file as payload_file
from frostshift_service.weather.age import freshness
from frostshift_service.weather.feeds import FEEDS, Feed, choose
from frostshift_service.weather.fetching import Fetched
from frostshift_service.weather.past import KEEP_HOURS, from_first_air, merge_past
from frostshift_service.weather.schedule import after_failure, after_success
from frostshift_service.weather.site_air import held_against

log = logging.getLogger(__name__)

PLAN_AGE: Final = timedelta(minutes=15)
"""A plan older than this is made again before it is shown: time itself makes forecasts late and starts pass."""
READINGS_COUNT: Final = timedelta(days=3)
"""Readings older than this say nothing about the steel any more."""
KEEP_UNSEEN_PLANS: Final = 20
KEEP_FORECASTS: Final = timedelta(days=14)
TORCH_OPTIONS: Final = (1, 2, 3)
HEATERS_MORE: Final = (0, 2, 4)
"""Electric heaters have to cover what is heated: fewer than planned are no choice."""


@dataclass(frozen=True, slots=True)
class Pulled:
    """What one pull brought: `new`, `unchanged`, `not_due`, `failed`, or `no_feed` where a file is used; a sentence."""

    feed: str
    outcome: Literal["new", "unchanged", "not_due", "failed", "no_feed"]
    message: str


@dataclass(frozen=True, slots=True)
class _Current:
    """The plan in hand, and what it was made from."""

    plan_id: int
    revision: int
    forecast_id: int | None
    plan: Plan
    inputs: PlanInputs
    seen: bool


class Jobs:
    """Pulls and plans for all sites of a store."""

    def __init__(
        self,
        engine: Engine,
        now: Callable[[], datetime],
        *,
        get: Callable[[datetime], Get] | None,
        jitter: Callable[[], float],
        base_urls: Mapping[str, str] | None = None,
    ) -> None:
        """Jobs on a store.

        Args:
            engine: of the store.
            now: reads the clock, aware UTC.
            get: makes the outgoing request for a moment; None: no contact is set, so nothing is pulled.
            jitter: random number from 0 to 1, so that installations do not ask at the same minute.
            base_urls: feed name -> other address than the official one, for a mirror or a test.
        """
        self._engine, self._now, self._get, self._jitter = engine, now, get, jitter
        self._base_urls = dict(base_urls or {})
        self._current: dict[str, _Current] = {}
        self._planning = Lock()
        self._scheduler: BackgroundScheduler | None = None

    # The loop

    def start(self) -> None:
        """Run `tick` now and every minute."""
        self._scheduler = BackgroundScheduler(timezone="UTC")
        self._scheduler.add_job(
            self.tick,
            CronTrigger(minute="*", timezone="UTC"),
            next_run_time=self._now(),
            misfire_grace_time=300,
            coalesce=True,
            max_instances=1,
        )
        self._scheduler.start()

    def stop(self) -> None:
        """Let a running tick end, then start no other."""
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=True)
            self._scheduler = None

    def tick(self) -> None:
        """Pull every feed that is due and plan again where something changed. One bad site stops no other."""
        with reading(self._engine) as session:
            site_ids = [kept.site.id for kept in load_sites(session)]
        for site_id in site_ids:
            try:
                self.pull(site_id)
                self._up_to_date(site_id)
            except Exception:
                log.exception("site %s: pull or plan failed", site_id)

    # Forecasts

    def pull(self, site_id: str, *, again_after_failure: bool = False) -> Pulled:
        """Ask the site's feed where it is due; keep what it brings.

        Args:
            site_id: the site.
            again_after_failure: do not wait for the pause after a failure: somebody has mended what was wrong. After
                an answer the feed's own wish when to be asked again always holds.
        """
        now = self._now()
        with reading(self._engine) as session:
            kept_site = load_site(session, site_id)
            feed_name = feed_of(kept_site)
            row = forecasts.feed_row(session, site_id, feed_name) or FeedRow(site_id, feed_name, now)
            last = forecasts.last_forecast_id(session, site_id, feed_name)
        feed = FEEDS.get(feed_name)
        if feed is None:
            return Pulled(
                feed_name, "no_feed", "The forecast comes from a file: load one with `frostshift pull --file`."
            )
        if self._get is None:
            return Pulled(feed_name, "failed", "No contact is set: weather services want FROSTSHIFT_CONTACT.")
        moved = last is None and not row.failures
        if row.next_try_utc > now and not moved and not (again_after_failure and row.failures):
            return Pulled(feed_name, "not_due", f"{feed.title} is asked again after {row.next_try_utc:%H:%M} UTC.")
        try:
            # Without the forecast they belong to, validators would bring "not modified" and nothing to show.
            fetched = self._ask(feed, kept_site.site, row.state if last is not None else {}, now)
        except FeedError as error:
            failed = after_failure(row, error, now, self._jitter())
            if failed.failures == 1:
                log.warning("site %s: %s gives no forecast: %s", site_id, feed.title, error)
            with writing(self._engine) as session:
                forecasts.put_feed_row(session, failed)
            return Pulled(feed_name, "failed", str(error))
        if row.failures:
            log.info("site %s: %s answers again", site_id, feed.title)
        with writing(self._engine) as session:
            forecasts.put_feed_row(session, after_success(row, fetched, now, self._jitter()))
            still_there = _position(load_site(session, site_id).site) == _position(kept_site.site)
            if fetched.forecast is not None and still_there:
                _keep(session, site_id, fetched.forecast, fetched.answer.body, now)
        if fetched.forecast is None:
            return Pulled(feed_name, "unchanged", f"{feed.title} has nothing newer.")
        return Pulled(feed_name, "new", f"New forecast from {feed.title}.")

    def _ask(self, feed: Feed, site: Site, kept: Mapping[str, str], now: datetime) -> Fetched:
        """One call of a feed.

        Raises:
            FeedError: no forecast, for whatever reason: what nobody foresaw has to wait its turn like the rest.
        """
        if self._get is None or not feed.covers(site.latitude, site.longitude):
            raise FeedError(f"{feed.title} has no forecast for the site's position.", permanent=True)
        try:
            return feed.fetch(self._get(now), site, kept, now, self._base_urls.get(feed.name, feed.base_url))
        except FeedError:
            raise
        except Exception as error:
            log.exception("site %s: %s could not be read", site.id, feed.title)
            raise FeedError(f"{feed.title}: the answer could not be read; it is written in the log.") from error

    def take_payload(self, site_id: str, path: Path) -> Forecast:
        """Keep a forecast from a file that holds one feed's payload.

        Raises:
            FeedError: the file cannot be used; nothing is kept.
        """
        now = self._now()
        forecast, payload = payload_file.read_payload_file(path, now)
        with writing(self._engine) as session:
            _keep(session, site_id, forecast, payload, now)
        return forecast

    # Plans

    def replan(self, site_id: str) -> None:
        """Plan again with what is known now."""
        with self._planning:
            self._plan(site_id)

    def current_plan(self, site_id: str, because: KeptBecause = "shown") -> Plan | None:
        """The plan of a site, made again where something changed or it is old; None where there are no joints.

        The plan is kept from now on, with what it was made from, because somebody sees it.
        """
        current = self._up_to_date(site_id)
        if not current.seen:
            with writing(self._engine) as session:
                plans.mark_plan_seen(session, current.plan_id, because)
            with self._planning:
                if self._current.get(site_id) is current:  # or another thread has planned again meanwhile
                    self._current[site_id] = replace(current, seen=True)
        return current.plan if current.plan.joints else None

    def _up_to_date(self, site_id: str) -> _Current:
        with self._planning:
            current = self._current.get(site_id)
            with reading(self._engine) as session:
                kept_site = load_site(session, site_id)
                forecast_id = forecasts.last_forecast_id(session, site_id, feed_of(kept_site))
                there = current is not None and plans.is_kept(session, current.plan_id)  # or thinned by another copy
            if (
                current is not None
                and there
                and (current.revision, current.forecast_id) == (kept_site.revision, forecast_id)
                and timedelta(0) <= self._now() - current.plan.made_utc < PLAN_AGE
            ):
                return current
            return self._plan(site_id)

    def _plan(self, site_id: str) -> _Current:
        now = self._now()
        with reading(self._engine) as session:
            revision, forecast_id, inputs = _inputs(session, site_id, now)
        table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
        plan = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, now)
        before = self._current.get(site_id)
        with writing(self._engine) as session:
            plan_id = plans.keep_plan(session, plan, inputs, forecast_id)
            changed = before is not None and _calls(before.plan) != _calls(plan)
            if changed:
                plans.mark_plan_seen(session, plan_id, "changed")
            plans.thin_plans(session, site_id, KEEP_UNSEEN_PLANS)
        self._current[site_id] = _Current(plan_id, revision, forecast_id, plan, inputs, changed)
        return self._current[site_id]

    # What the page of one joint shows beside its plan

    def steel_series(self, site_id: str, mark: str) -> SteelSeries | None:
        """Hourly temperatures of the joint's coldest part by the latest plan's forecast; None without one."""
        current, joint = self._planned(site_id, mark)
        inputs = current.inputs
        hours = inputs.weather.hours
        if joint is None or hours is None or not len(hours):
            return None
        field = outlook(inputs.site, [joint], inputs.weather, hours, inputs.readings, _measured(inputs, joint))
        row = field.coldest_class(0)
        return SteelSeries(
            times_utc=tuple(hours.time_utc(index) for index in range(len(hours))),
            air_c=tuple(hours.air_c.tolist()),
            steel_c=tuple(field.steel.likely_c[row].tolist()),
            cold_c=tuple(field.steel.cold_c[row].tolist()),
            warm_c=tuple(field.steel.warm_c[row].tolist()),
        )

    def times_for_torches(self, site_id: str, mark: str) -> Mapping[int, HeatPlan]:
        """Number of torches -> heat plan of the joint; empty where no heat is planned."""
        current, joint = self._planned(site_id, mark)
        if joint is None:
            return {}
        inputs, made_utc = current.inputs, current.plan.made_utc
        table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
        measured = _measured(inputs, joint)
        options = {}
        for torches in torch_options(joint, inputs.site):
            joints = [replace(joint, torches=torches), *measured]
            plan = make_plan(inputs.site, table, joints, inputs.weather, inputs.readings, made_utc)
            heat = next((one.heat for one in plan.joints if one.joint.mark == mark), None)
            if heat is not None:
                options[torches] = heat
        return options

    def _planned(self, site_id: str, mark: str) -> tuple[_Current, Joint | None]:
        """The current plan, and one of the joints it was made from."""
        current = self._up_to_date(site_id)
        return current, next((joint for joint in current.inputs.joints if joint.mark == mark), None)


def check_tables(engine: Engine) -> None:
    """Load every table that ships and every own table of a site, so that no plan meets a broken one.

    Raises:
        TableError: names the site where it is one of its own, the file, and place and key in it.
    """
    check_shipped()
    for load in (gases, cylinders, known_sources, electrode_table, operations, people_table):
        load()
    with reading(engine) as session:
        sites = [kept.site for kept in load_sites(session)]
    for site in sites:
        try:
            for table in site.own_tables:
                check_own_table(table)
            load_code_table(site.table_id, site.own_tables)
        except TableError as error:
            raise TableError(f"site {site.id}: {error}") from error


def feed_of(kept_site: KeptSite) -> str:
    """Name of the feed that the site's forecast comes from."""
    return kept_site.feed or choose(kept_site.site)


def torch_options(joint: Joint, site: Site) -> tuple[int, ...]:
    """How many torches, or heaters, of its own source a joint is worked out with for its page."""
    source = site.heat_source(joint.heat_source)
    if source is None or not source.electric:
        return TORCH_OPTIONS
    return tuple(joint.torches + more for more in HEATERS_MORE)


def _measured(inputs: PlanInputs, joint: Joint) -> list[Joint]:
    """The other joints with a reading: it counts for parts like theirs."""
    marks = {reading.mark for reading in inputs.readings} - {joint.mark}
    return [other for other in inputs.joints if other.mark in marks]


def _position(site: Site) -> tuple[float, float]:
    return site.latitude, site.longitude


def _keep(session: Session, site_id: str, forecast: Forecast, payload: bytes, now: datetime) -> None:
    """Keep a forecast, and let old ones go that no plan was made from."""
    kept = KeptForecast(
        feed=forecast.feed,
        issued_utc=forecast.issued_utc,
        fetched_utc=forecast.fetched_utc,
        hours=forecast.hours,
        payload=payload,
        attribution=forecast.attribution,
        warnings=forecast.warnings,
        quality=forecast.quality,
    )
    forecasts.keep_forecast(session, site_id, kept)
    forecasts.thin_forecasts(session, site_id, now - KEEP_FORECASTS)


def _inputs(session: Session, site_id: str, now: datetime) -> tuple[int, int | None, PlanInputs]:
    """Revision of the site, id of the forecast, and everything a plan is made from."""
    kept_site = load_site(session, site_id)
    forecast_id, weather = uncorrected_weather(session, kept_site, now)
    readings: list[Reading] = [
        kept.reading for kept in kept_joints.readings_of(session, site_id, since_utc=now - READINGS_COUNT)
    ]
    inputs = PlanInputs(
        site=kept_site.site,
        joints=tuple(kept_joints.joints_of(session, site_id)),
        readings=tuple(readings),
        weather=held_against(weather, counting_readings(session, site_id, now), kept_site.site.choices, now)[0],
    )
    return kept_site.revision, forecast_id, inputs


def uncorrected_weather(session: Session, kept_site: KeptSite, now: datetime) -> tuple[int | None, Weather]:
    """Id of the latest forecast, and the weather by it alone, as it stands before the site's thermometer is read."""
    site_id, feed = kept_site.site.id, feed_of(kept_site)
    forecast = forecasts.last_forecast(session, site_id, feed)
    if forecast is None:
        return None, NO_WEATHER
    row = forecasts.feed_row(session, site_id, feed)
    return forecast.id, _weather(session, site_id, forecast, row, now)


def counting_readings(session: Session, site_id: str, now: datetime) -> list[AirReading]:
    """Readings of the site's thermometers that are not too old to count."""
    return [kept.reading for kept in air_readings_of(session, site_id, since_utc=now - COUNTS_FOR)]


def _weather(session: Session, site_id: str, forecast: KeptForecast, row: FeedRow | None, now: datetime) -> Weather:
    """The forecast with its age, and with the hours that earlier forecasts of the feed had before it."""
    start = forecast.hours.start_utc
    first, last = start - timedelta(hours=KEEP_HOURS), start - timedelta(hours=1)
    past = forecasts.past_hours(session, site_id, forecast.feed, first, last)
    past = from_first_air(past) if past is not None else None
    age = freshness(forecast.issued_utc, forecast.fetched_utc, row.last_answer_utc if row else None, forecast.feed, now)
    return Weather(
        feed=forecast.feed,
        issued_utc=forecast.issued_utc,
        fetched_utc=forecast.fetched_utc,
        freshness=age.state,
        late_by_h=age.beyond_late_h,
        attribution=forecast.attribution,
        hours=merge_past(past, forecast.hours),
    )


def _calls(plan: Plan) -> dict[str, tuple[str, str]]:
    return {joint.joint.mark: (joint.call, joint.weather_state) for joint in plan.joints}
