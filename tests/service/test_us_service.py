"""Alerts and station observations, whole: the loops against the simulated service, and what the pages say of it."""

import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import httpx
import pytest
from sqlalchemy import Engine
from tests.service.weather_site import Clock
from tests.weather_services.control import Control, running
from tests.weather_services.truth import fronts
from tests.weather_services.week import START, joints_of, site_of

from frostshift_rules.workload import Plan
from frostshift_service import http, us_service
from frostshift_service.jobs import Jobs
from frostshift_service.pulls import STATIONS
from frostshift_service.store import forecasts, joints
from frostshift_service.store.alerts import load_alerts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import ImportedJoint, KeptSite
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.desk import show_for
from frostshift_service.views.forecast import forecast_notes
from frostshift_service.views.show import Show
from frostshift_service.views.weather import SiteWeather, WeatherPage, hour_by_hour, weather_page
from frostshift_service.weather import nws_alerts, nws_stations

pytestmark = pytest.mark.usefixtures("one_attempt")
NAME = "ore-shed"


@pytest.fixture(scope="module")
def control() -> Iterator[Control]:
    with running() as made:
        yield made


def page_of(site: KeptSite, found: SiteWeather, now: datetime) -> WeatherPage:
    show = show_for(site)
    return weather_page(site, found, show, now, hour_by_hour(site, found, show, now))


class Loop:
    """The loops of one site against the simulated service; both clocks move together."""

    def __init__(self, engine: Engine, control: Control, client: httpx.Client, clock: Clock, start: datetime) -> None:
        self.engine, self.control, self.clock = engine, control, clock
        control.forget()
        control.set_faults([])
        self.at(start)
        get = lambda now: http.bind(client, now)  # noqa: E731
        self.jobs = Jobs(engine, clock, get=get, jitter=lambda: 0.0, base_urls=control.base_urls)

    def at(self, now: datetime) -> None:
        self.clock.now = now
        self.control.set_clock(now)

    def after(self, **later: float) -> None:
        """A tick so much later."""
        self.at(self.clock.now + timedelta(**later))
        self.jobs.tick()

    def fault(self, endpoint: str, kind: str = "status", **more: object) -> None:
        now = self.clock.now
        times = {"from_utc": now.isoformat(), "to_utc": (now + timedelta(days=9)).isoformat()}
        self.control.set_faults([{"kind": kind, "service": "nws", "endpoints": [endpoint], **times, **more}])

    def plan(self) -> Plan:
        plan = self.jobs.current_plan(NAME)
        assert plan is not None
        return plan

    def page(self) -> WeatherPage:
        with reading(self.engine) as session:
            site = load_site(session, NAME)
        return page_of(site, self.jobs.weather(NAME), self.clock.now)

    def asked(self, endpoint: str) -> int:
        return sum(entry["endpoint"] == endpoint for entry in self.control.log())


@pytest.fixture
def loop(engine: Engine, control: Control, client: httpx.Client, clock: Clock) -> Loop:
    start = fronts(START, START + timedelta(days=6))[0] - timedelta(hours=6)  # an alert has been updated
    with writing(engine) as session:
        save_site(session, site_of(NAME))
    rows = [ImportedJoint(joint, row) for row, joint in enumerate(joints_of(start), 2)]
    with writing(engine) as session:
        joints.import_joints(session, NAME, rows, now=start, file_name="week.csv", by="test")
    return Loop(engine, control, client, clock, start)


def test_a_cold_alert_is_shown_until_it_is_cancelled(loop: Loop) -> None:
    loop.jobs.tick()
    page = loop.page()
    assert len(page.alerts) == 1
    assert page.alerts[0].about == "cold"
    assert page.alerts_text.startswith("As known ")
    loop.after(hours=20)  # cancelled by now
    assert loop.page().alerts == ()
    assert loop.page().alerts_text.startswith("None in force, as known ")


def test_while_a_cold_alert_is_in_force_the_forecast_is_asked_for_more_often(loop: Loop) -> None:
    loop.jobs.tick()
    with reading(loop.engine) as session:
        row = forecasts.feed_row(session, NAME, "nws")
    assert row is not None
    assert row.next_try_utc - loop.clock.now < timedelta(minutes=60)


def test_alerts_are_asked_for_at_most_every_five_minutes(loop: Loop) -> None:
    for _ in range(31):
        loop.after(minutes=1)
    assert 5 <= loop.asked("alerts") <= 7


def test_a_silent_service_leaves_the_alerts_not_known_and_is_said_once(
    loop: Loop, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "frostshift_service.us_service")
    loop.jobs.tick()
    loop.fault("alerts", status=503)
    for _ in range(20):
        loop.after(minutes=1)
    assert loop.page().alerts == ()
    assert loop.page().alerts_text.startswith("Not known now: last known ")
    assert "answered 503" in loop.page().alerts_text
    loop.control.set_faults([])
    loop.after(hours=1)
    assert loop.page().alerts
    said = [record.getMessage() for record in caplog.records]
    assert [text.startswith("site ore-shed: no alerts: ") for text in said] == [True, False]
    assert said[1] == "site ore-shed: alerts are known again"


def test_without_work_ahead_nobody_asks_for_alerts(loop: Loop) -> None:
    with writing(loop.engine) as session:
        for mark in [joint.mark for joint in joints.joints_of(session, NAME)]:
            joints.set_joint_state(session, NAME, mark, "done", now=loop.clock.now, by="test")
    loop.jobs.tick()
    assert loop.asked("alerts") == 0
    assert loop.page().alerts_text.startswith("Not known: they are asked for while")


def test_a_new_site_starts_with_the_hours_that_a_station_near_it_has_measured(loop: Loop) -> None:
    loop.jobs.tick()
    plan = loop.plan()
    assert plan.station is not None
    assert plan.station.hours >= 24
    notes = forecast_notes("nws", "", None, plan.station, None, Show("us", ZoneInfo("America/Chicago")))
    assert notes[0].startswith(f"{plan.station.hours} hours gone by as measured at Sampletown A, ")
    assert " mi from the site and 33 ft higher" in notes[0]
    assert notes[0] in loop.page().notes
    weather = loop.jobs.weather(NAME).weather
    assert weather.hours is not None
    assert weather.hours.start_utc <= loop.clock.now - timedelta(hours=40)
    assert weather.missing_h <= 8
    # Asked once, not at every tick.
    asked = loop.asked("observations")
    for _ in range(10):
        loop.after(minutes=1)
    assert loop.asked("observations") == asked


def test_without_a_station_the_plan_goes_on_and_says_nothing_of_one(loop: Loop) -> None:
    loop.fault("stations", status=500)
    loop.jobs.tick()
    plan = loop.plan()
    assert plan.station is None
    assert plan.freshness == "fresh"
    with reading(loop.engine) as session:
        row = forecasts.feed_row(session, NAME, STATIONS)
    assert row is not None
    assert (row.failures, "answered 500" in row.last_error) == (1, True)


def test_a_site_outside_the_united_states_is_asked_about_nothing(loop: Loop) -> None:
    with writing(loop.engine) as session:
        save_site(session, site_of("dry-dock"))
    loop.jobs.tick()
    with reading(loop.engine) as session:
        assert load_alerts(session, "dry-dock") is None
        assert forecasts.feed_row(session, "dry-dock", STATIONS) is None
        site = load_site(session, "dry-dock")
    page = page_of(site, loop.jobs.weather("dry-dock"), loop.clock.now)
    assert page.alerts_text == ""


def test_a_server_that_asks_for_a_pause_is_left_alone_altogether(loop: Loop) -> None:
    loop.jobs.tick()
    loop.fault("alerts", status=429, retry_after_s=5400)
    loop.after(minutes=10)
    asked = len(loop.control.log())
    for _ in range(8):
        loop.after(minutes=10)
        assert [entry for entry in loop.control.log()[asked:] if entry["service"] == "nws"] == []
    loop.control.set_faults([])
    loop.after(minutes=11)
    assert {entry["endpoint"] for entry in loop.control.log()[asked:]} >= {"alerts", "grid"}


def test_what_nobody_foresaw_in_alerts_or_stations_stops_no_forecast(
    loop: Loop, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(nws_alerts, "fetch", broken)
    monkeypatch.setattr(nws_stations, "fetch", broken)
    loop.jobs.tick()
    assert loop.plan().freshness == "fresh"
    assert loop.page().alerts_text.startswith("Not known")
    logged = len(caplog.records)
    loop.after(minutes=1)
    assert len(caplog.records) == logged, "it waits its turn"


def test_an_answer_that_cannot_be_kept_waits_its_turn_and_stops_no_forecast(
    loop: Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(nws_alerts, "after_answer", broken)
    monkeypatch.setattr(us_service, "put_observed", broken)
    loop.jobs.tick()
    assert loop.plan().freshness == "fresh"
    assert loop.page().alerts_text.startswith("Not known")
    asked = loop.asked("alerts"), loop.asked("stations"), loop.asked("observations")
    for _ in range(3):
        loop.after(minutes=1)
    assert (loop.asked("alerts"), loop.asked("stations"), loop.asked("observations")) == asked
    monkeypatch.undo()
    loop.after(hours=1)
    assert not loop.page().alerts_text.startswith("Not known")
    assert loop.plan().station is not None


def test_alerts_that_break_down_altogether_stop_no_forecast(loop: Loop, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(us_service, "put_alerts", broken)  # the failure cannot be written either
    loop.jobs.tick()
    assert loop.plan().freshness == "fresh"


def test_a_pause_holds_for_every_site_that_asks_the_same_server(loop: Loop) -> None:
    loop.jobs.tick()
    loop.fault("alerts", status=429, retry_after_s=5400)
    loop.after(minutes=10)
    with writing(loop.engine) as session:
        save_site(session, site_of("river-bridge"))
    asked = len(loop.control.log())
    loop.after(minutes=10)
    assert [entry for entry in loop.control.log()[asked:] if entry["service"] == "nws"] == []
    loop.control.set_faults([])
    loop.after(minutes=85)
    assert {entry["place"] for entry in loop.control.log()[asked:]} >= {"ore-shed", "river-bridge"}
