"""The loops, whole: a real local server, a real store, the real planner; only the clock is moved by hand."""

import gc
import json
import logging
import re
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from time import monotonic, sleep
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from sqlalchemy import Engine
from sqlmodel import col, select
from tests.service.weather_site import (
    HEAVY,
    NORTH,
    NOW,
    NWS,
    PAYLOADS,
    TABLE,
    THIN,
    UNSAID,
    Clock,
    WeatherServer,
    count,
    issued_of,
    jobs_of,
    joint,
    load,
    of,
    shown,
    state,
    with_site,
)

from frostshift_rules.job import AirReading, HeatSource, Reading, Site
from frostshift_rules.notice_setup import NoticeSetup, Person
from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Hours, Members
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import JointPlan, Plan
from frostshift_service import http
from frostshift_service import jobs as loops
from frostshift_service.clock import utc_now
from frostshift_service.http import Answer, Get, Validators
from frostshift_service.jobs import PLAN_AGE, Jobs, torch_options
from frostshift_service.notice_work import wiring
from frostshift_service.store import forecasts, plans, thermometer
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.alerts import put_alerts
from frostshift_service.store.engine import NotInTime, is_busy, reading, writing
from frostshift_service.store.notices import log_of, save_setup
from frostshift_service.store.observed import put_observed
from frostshift_service.store.readings import add_reading, readings_of
from frostshift_service.store.records import FeedRow, KeptAlerts, ObservedHours, UnknownSite
from frostshift_service.store.sites import load_site, save_site, touch
from frostshift_service.store.tables import ForecastRow, PlanRow
from frostshift_service.views.show import Show
from frostshift_service.views.weather import hour_by_hour
from frostshift_service.weather import FeedError, nws_alerts, nws_stations
from frostshift_service.weather.feeds import FEEDS
from frostshift_service.weather.payload import load as load_payload
from frostshift_service.weather.site_air import RawWeather

pytestmark = pytest.mark.usefixtures("one_attempt")


# The site's thermometer -----------------------------------------------------------------------------------------------


def test_readings_at_the_site_make_the_next_plan_colder_and_it_can_be_made_again(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(either, NWS, HEAVY, THIN)
    jobs = jobs_of(either, clock, server, client)
    jobs.pull(NWS.id)
    before = shown(jobs)
    with writing(either) as session:
        for minutes in (40, 10):
            at_utc = NOW - timedelta(minutes=minutes)
            thermometer.add_typed(session, NWS.id, AirReading(-12.0, at_utc), by="Q. Arden")
    after = shown(jobs)
    assert before.air_bias is None
    assert after.air_bias is not None
    assert after.air_bias.bias_k < -4.0
    assert (after.air_bias.readings, after.air_bias.until_utc) == (2, NOW + timedelta(hours=24, minutes=-10))
    colder, warmer = (of(plan, "C-1").air for plan in (after, before))
    assert colder is not None
    assert warmer is not None
    assert colder.likely_c < warmer.likely_c, "the coldest hour of tomorrow"
    with reading(either) as session:
        plan_id = plans.last_plan_id(session, NWS.id)
        assert plan_id is not None
        inputs = plans.inputs_of(session, plan_id)
        site = load_site(session, NWS.id)
        raw = loops.uncorrected_weather(session, site, NOW)[2].weather
    assert raw.hours is not None
    assert inputs.weather.hours is not None
    assert raw.air_bias is None
    assert np.nanmin(inputs.weather.hours.air_c - raw.hours.air_c) == pytest.approx(after.air_bias.bias_k)
    again = make_plan(inputs.site, load_code_table(TABLE), inputs.joints, inputs.weather, inputs.readings, NOW)
    assert again == after, "a stored plan holds the corrected hours and why"


def test_the_switch_and_old_readings_leave_the_plan_as_it_was(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    off = replace(NWS, choices=replace(NWS.choices, correct_forecast=False))
    with_site(engine, off, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    with writing(engine) as session:
        for minutes in (40, 10):
            thermometer.add_typed(session, NWS.id, AirReading(-12.0, NOW - timedelta(minutes=minutes)), by="")
    assert shown(jobs).air_bias is None
    with writing(engine) as session:
        save_site(session, NWS)
    assert shown(jobs).air_bias is not None, "the switch alone makes a new plan"
    clock.now += timedelta(hours=6)
    later = shown(jobs).air_bias
    assert later is not None
    assert later.until_utc == NOW + timedelta(hours=24, minutes=-10), "it fades out, and does not fall away"
    clock.now += timedelta(hours=18)
    assert shown(jobs).air_bias is None, "the readings are too old"


def test_the_page_shows_the_forecast_that_the_plan_was_made_from(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    """A plan is up to a quarter of an hour old; the hours of its run-in begin where they began then."""
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    with writing(engine) as session:
        kept_forecast = forecasts.last_forecast(session, NWS.id, "nws")
        assert kept_forecast is not None
        hours, days = kept_forecast.hours, timedelta(days=3)
        early = replace(kept_forecast, hours=replace(hours, start_utc=hours.start_utc - days))
        forecasts.keep_forecast(
            session, NWS.id, replace(early, issued_utc=NOW - days, fetched_utc=NOW - days, members=None)
        )
        forecasts.keep_forecast(session, NWS.id, replace(kept_forecast, fetched_utc=NOW))
        for minutes in (40, 10):
            thermometer.add_typed(session, NWS.id, AirReading(-12.0, NOW - timedelta(minutes=minutes)), by="")
    clock.now = NOW.replace(minute=58)
    jobs.replan(NWS.id)
    clock.now += timedelta(minutes=3)
    found = jobs.weather(NWS.id)
    assert found.weather.hours is not None
    assert found.air.forecast is not None
    assert found.weather.air_bias is not None
    assert found.air.forecast.start_utc == found.weather.hours.start_utc
    with reading(engine) as session:
        site = load_site(session, NWS.id)
    by_hour = hour_by_hour(site, found, Show("us", ZoneInfo(NWS.zone)), clock.now)
    assert any(line.raw_air is not None for line in by_hour.hours)


def test_the_steel_of_a_joint_is_not_drawn_from_a_forecast_that_is_too_old(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    assert jobs.steel_series(NWS.id, "C-1") is not None
    clock.now += timedelta(hours=30)
    assert shown(jobs).freshness == "unusable"
    assert jobs.steel_series(NWS.id, "C-1") is None


def test_reference_plates_are_worked_out_once_a_plan(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    assert jobs.reference_plates(NWS.id) is None, "no forecast yet"
    jobs.pull(NWS.id)
    first = jobs.reference_plates(NWS.id)
    assert first is not None
    assert first.thickness_mm == tuple(sorted({part.thickness_mm for part in HEAVY.parts}))
    assert jobs.reference_plates(NWS.id) is first
    with writing(engine) as session:
        kept_joints.set_joint_state(session, NWS.id, "C-1", "done", now=clock.now, by="test")
    again = jobs.reference_plates(NWS.id)
    assert again is not None
    assert not again.of_schedule
    clock.now += timedelta(hours=30)
    assert jobs.reference_plates(NWS.id) is None, "too old to be used"


# Pulling --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("site", "feed"), [(NWS, "nws"), (NORTH, "met_norway")])
def test_new_then_not_due_then_unchanged_then_new(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, site: Site, feed: str
) -> None:
    with_site(either, site)
    jobs = jobs_of(either, clock, server, client)

    first = jobs.pull(site.id)
    assert (first.feed, first.outcome) == (feed, "new")
    assert first.message.startswith("New forecast from ")
    assert state(either, site, feed).last_answer_utc == NOW
    # These payloads hold a front: asked again after 20 minutes, or when the server wishes.
    assert state(either, site, feed).next_try_utc == NOW + timedelta(minutes=20)
    assert state(either, site, feed).issued_utc == issued_of(either)
    asked = len(server.seen)

    clock.now += timedelta(minutes=19)
    early = jobs.pull(site.id)
    assert early.outcome == "not_due"
    assert early.message.endswith("is asked again after 21:10 UTC.")
    assert len(server.seen) == asked

    clock.now += timedelta(minutes=1)
    server.expires_in = timedelta(hours=2)
    same = jobs.pull(site.id)
    assert same.outcome == "unchanged"
    assert same.message.endswith("has nothing newer.")
    assert server.seen[asked:][0][1] == 304
    assert count(either, ForecastRow) == 1
    assert state(either, site, feed).last_answer_utc == clock.now
    assert state(either, site, feed).issued_utc == issued_of(either)
    assert state(either, site, feed).next_try_utc == clock.now + timedelta(hours=2)  # as the server asked

    clock.now += timedelta(hours=2)
    server.stamp = "Thu, 14 Jan 2027 23:12:30 GMT"
    assert jobs.pull(site.id).outcome == "new"
    assert count(either, ForecastRow) == 2


def test_a_forecast_is_kept_as_it_came(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(either)
    jobs_of(either, clock, server, client).pull(NWS.id)
    with reading(either) as session:
        kept = forecasts.last_forecast(session, NWS.id, "nws")
    assert kept is not None
    assert kept.payload == server.grid
    assert len(kept.hours) == 190
    assert kept.fetched_utc == NOW
    assert any("precipitation (precip_mm) is missing" in text for text in kept.warnings)
    assert "US National Weather Service" in kept.attribution


def test_a_forecast_that_is_lost_is_not_answered_with_not_modified(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    with writing(engine) as session:
        session.exec(select(ForecastRow)).one()
        for row in session.exec(select(ForecastRow)):
            session.delete(row)
    assert jobs.pull(NWS.id).outcome == "new"


def test_a_failure_keeps_the_last_good_forecast_and_the_pause_grows(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    before = shown(jobs)
    server.status = 503
    pauses = []
    clock.now += timedelta(minutes=60)
    for failures in range(1, 8):
        failed = jobs.pull(NWS.id)
        assert failed.outcome == "failed"
        assert "answered 503" in failed.message
        row = state(engine)
        assert (row.failures, row.last_error) == (failures, failed.message)
        assert row.last_answer_utc == NOW
        pauses.append((row.next_try_utc - clock.now) / timedelta(minutes=1))
        clock.now = row.next_try_utc
    assert pauses == [4, 8, 16, 32, 60, 60, 60]  # doubled, and never given up
    assert count(engine, ForecastRow) == 1
    after = shown(jobs)
    assert of(after, "C-1").call == of(before, "C-1").call == "heat_to_minimum"
    assert after.freshness == "late"

    server.status, server.stamp = 200, "Fri, 15 Jan 2027 00:12:30 GMT"
    assert jobs.pull(NWS.id).outcome == "new"
    assert (state(engine).failures, state(engine).last_error) == (0, "")


def test_broken_and_mended_are_logged_once_each(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "frostshift_service")
    with writing(engine) as session:
        save_site(session, NWS, instead=())
    jobs = jobs_of(engine, clock, server, client)
    for status in (200, 503, 503, 503, 200, 200, 503):
        server.status = status
        clock.now += timedelta(hours=2)
        jobs.pull(NWS.id)
    said = [(record.levelname, record.getMessage().split(": http")[0]) for record in caplog.records]
    broken = ("WARNING", "site ore-shed: US National Weather Service gives no forecast: US National Weather Service")
    mended = ("INFO", "site ore-shed: US National Weather Service answers again")
    assert said == [broken, mended, broken]


def test_a_refusal_waits_the_longest_pause_and_says_what_may_be_wrong(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    moved = replace(NWS, latitude=46.6)  # the server has no grid there
    with_site(engine, moved)
    failed = jobs_of(engine, clock, server, client).pull(moved.id)
    assert failed.outcome == "failed"
    assert "answered 404: Not Found; the place may lie outside the United States" in failed.message
    assert state(engine).next_try_utc == NOW + timedelta(minutes=60)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ((PAYLOADS / "nws_truncated.json").read_bytes(), "not valid JSON, or cut off"),
        ((PAYLOADS / "nws_wrong_unit.json").read_bytes(), "windSpeed: unit "),
        (b'{"properties": {}}', "no air temperature in the payload"),
        (b"[]", "a JSON object is expected, not list"),
        (b"", "not valid JSON, or cut off"),
        (b" " * (http.MAX_BYTES + 1), "body larger than 10000000 bytes"),
    ],
    ids=["cut off", "other unit", "no layer", "a list", "empty", "huge"],
)
def test_a_payload_that_cannot_be_used_leaves_everything_as_it_was(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, body: bytes, said: str
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    clock.now += timedelta(hours=2)
    before = shown(jobs)
    server.grid, server.stamp = body, "Thu, 14 Jan 2027 20:40:00 GMT"
    failed = jobs.pull(NWS.id)
    assert failed.outcome == "failed"
    assert said in failed.message
    assert count(engine, ForecastRow) == 1
    assert shown(jobs) == before


def test_no_network_at_all_is_said_and_tried_again(engine: Engine, clock: Clock, client: httpx.Client) -> None:
    with_site(engine, NWS, HEAVY)
    nowhere = dict.fromkeys(
        ("nws", "met_norway", "nws_hourly"), "http://127.0.0.1:9"
    )  # the discard port: nobody listens
    jobs = Jobs(engine, clock, get=lambda now: http.bind(client, now), jitter=lambda: 1.0, base_urls=nowhere)
    failed = jobs.pull(NWS.id)
    assert failed.outcome == "failed"
    assert "http://127.0.0.1:9/points/46.5,-94: ConnectError" in failed.message
    assert state(engine).next_try_utc == NOW + timedelta(minutes=5)  # four, drawn out by a quarter
    joint_plan = of(shown(jobs), "C-1")
    assert (joint_plan.call, joint_plan.weather_state) == ("unknown", "unknown")
    assert joint_plan.unknowns == ("There is no forecast: every joint is unknown. Measure.",)


def test_without_a_contact_nothing_is_asked(engine: Engine, clock: Clock, client: httpx.Client) -> None:
    with_site(engine)
    answer = jobs_of(engine, clock, None, client).pull(NWS.id)
    assert answer.outcome == "failed"
    assert answer.message == "No contact is set: weather services want FROSTSHIFT_CONTACT."
    with reading(engine) as session:
        assert forecasts.feed_row(session, NWS.id, "nws") is None


def test_a_site_outside_the_feeds_area(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with writing(engine) as session:
        save_site(session, NORTH, feed="nws", instead=())
    answer = jobs_of(engine, clock, server, client).pull(NORTH.id)
    assert answer.outcome == "failed"
    assert answer.message == "US National Weather Service has no forecast for the site's position."
    assert state(engine, NORTH).next_try_utc == NOW + timedelta(minutes=60)
    assert server.seen == []


def test_a_site_whose_forecast_comes_from_files_is_not_pulled(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, tmp_path: Path
) -> None:
    with writing(engine) as session:
        save_site(session, NWS, feed="file")
    load(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    assert jobs.pull(NWS.id).outcome == "no_feed"
    assert server.seen == []
    taken = jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    assert (taken.feed, len(taken.hours)) == ("file", 190)
    assert of(shown(jobs), "C-1").call == "heat_to_minimum"
    broken = tmp_path / "broken.json"
    broken.write_bytes((PAYLOADS / "nws_truncated.json").read_bytes())
    with pytest.raises(FeedError, match=re.escape(str(broken))):
        jobs.take_payload(NWS.id, broken)
    assert count(engine, ForecastRow) == 1


def test_old_forecasts_go_unless_a_plan_was_made_from_them(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    shown(jobs)
    server.stamp = "Thu, 14 Jan 2027 20:40:00 GMT"
    clock.now += timedelta(hours=1)
    jobs.pull(NWS.id)
    assert count(engine, ForecastRow) == 2
    clock.now += timedelta(days=15)
    shifted = json.loads(server.grid)
    server.stamp, server.grid = "Sat, 30 Jan 2027 20:40:00 GMT", json.dumps(moved(shifted, timedelta(days=15))).encode()
    jobs.pull(NWS.id)
    with reading(engine) as session:
        fetched = session.exec(select(ForecastRow.fetched_utc).order_by(col(ForecastRow.id))).all()
    assert fetched == [NOW, clock.now], "of the two old ones the plan's stays"


def moved(value: Any, by: timedelta) -> Any:
    """A payload with every time in it moved."""
    if isinstance(value, dict):
        return {key: moved(item, by) for key, item in value.items()}
    if isinstance(value, list):
        return [moved(item, by) for item in value]
    match = re.fullmatch(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00)(/\S+)?", value) if isinstance(value, str) else None
    return (datetime.fromisoformat(match[1]) + by).isoformat() + (match[2] or "") if match else value


def test_past_hours_of_earlier_forecasts_stand_before_the_new_one(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    with reading(engine) as session:
        first = forecasts.last_forecast(session, NWS.id, "nws")
    assert first is not None
    # The next issue begins ten hours later, and is 5 K colder.
    later = json.loads(server.grid)
    begin = first.hours.start_utc + timedelta(hours=10)
    for layer in later["properties"].values():
        if isinstance(layer, dict) and "values" in layer:
            layer["values"] = [
                one for one in layer["values"] if datetime.fromisoformat(one["validTime"].split("/")[0]) >= begin
            ]
    for one in later["properties"]["temperature"]["values"]:
        one["value"] -= 5.0
    server.grid, server.stamp = json.dumps(later).encode(), "Fri, 15 Jan 2027 02:00:00 GMT"
    clock.now = NOW + timedelta(hours=4)
    assert jobs.pull(NWS.id).outcome == "new"
    jobs.replan(NWS.id)
    with reading(engine) as session:
        plan_id = plans.last_plan_id(session, NWS.id)
        assert plan_id is not None
        hours = plans.inputs_of(session, plan_id).weather.hours
    assert hours is not None
    assert hours.start_utc == first.hours.start_utc, "nothing but what was forecast: a hole before it would say nothing"
    np.testing.assert_array_equal(hours.air_c[:10], first.hours.air_c[:10])
    np.testing.assert_allclose(hours.air_c[10:190], first.hours.air_c[10:] - 5.0, atol=1e-9)


# Planning -------------------------------------------------------------------------------------------------------------


def test_a_kept_plan_is_reproduced_to_the_last_digit(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(either, NWS, HEAVY, THIN, UNSAID)
    with writing(either) as session:
        add_reading(session, NWS.id, Reading("C-1", -7.5, NOW - timedelta(hours=1), "probe", "Q. Arden"), now=NOW)
        # What was measured with the heat in, or by a crayon, says nothing of the steel's own temperature.
        for heated in (Reading("C-1", 110.0, NOW, stage="before_arc"), Reading("C-1", 30.0, NOW, sense="below")):
            add_reading(session, NWS.id, heated, now=NOW)
    jobs = jobs_of(either, clock, server, client)
    jobs.pull(NWS.id)
    plan = shown(jobs)
    with reading(either) as session:
        kept = plans.last_plan(session, NWS.id)
        assert kept is not None
        inputs = plans.inputs_of(session, kept.id)
        forecast = forecasts.last_forecast(session, NWS.id, "nws")
    assert forecast is not None
    assert kept.kept_because == "shown"
    assert kept.forecast_id == forecast.id
    assert kept.plan == plan
    assert inputs.readings == (Reading("C-1", -7.5, NOW - timedelta(hours=1), "probe", "Q. Arden"),)
    table = load_code_table(inputs.site.table_id)
    again = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, kept.plan.made_utc)
    assert again == plan


def test_a_plan_made_with_an_ensemble_is_reproduced_too(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def with_members(*args: Any) -> RawWeather:
        raw = plain(*args)
        weather = raw.weather
        assert weather.hours is not None
        of, colder_k = weather.hours, np.linspace(-6.0, 6.0, 11)[:, None]
        series = (of.air_c - colder_k, of.dew_c - colder_k, of.wind_10m_ms + abs(colder_k), of.cloud + 0.0 * colder_k)
        members = Members(of.start_utc, *(values.astype(np.float32) for values in series))
        return replace(raw, weather=replace(weather, members=members))

    with_site(either, NWS, HEAVY, THIN, UNSAID)
    jobs = jobs_of(either, clock, server, client)
    jobs.pull(NWS.id)
    without, plain = shown(jobs), loops._weather
    monkeypatch.setattr(loops, "_weather", with_members)
    clock.now += timedelta(minutes=1)
    jobs.replan(NWS.id)
    plan = shown(jobs)
    assert any(joint.members == 11 for joint in plan.joints)
    assert all(
        one.steel is None or other.steel is None or one.steel.cold_c < other.steel.cold_c
        for one, other in zip(plan.joints, without.joints, strict=True)
    )
    with reading(either) as session:
        kept = plans.last_plan(session, NWS.id)
        assert kept is not None
        inputs = plans.inputs_of(session, kept.id)
    assert kept.plan == plan
    table = load_code_table(inputs.site.table_id)
    again = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, kept.plan.made_utc)
    assert again == plan


def test_plans_that_nobody_saw_are_thinned_and_shown_ones_stay(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "KEEP_UNSEEN_PLANS", 4)
    with_site(engine, NWS, HEAVY)
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    for because in ("shown", "printed"):
        jobs.replan(NWS.id)
        jobs.current_plan(NWS.id, because)  # type: ignore[arg-type]
        clock.now += timedelta(minutes=1)
    for _ in range(6):
        jobs.replan(NWS.id)
        clock.now += timedelta(minutes=1)
    with reading(engine) as session:
        kept = session.exec(select(PlanRow.kept_because).order_by(col(PlanRow.id))).all()
    assert kept == ["shown", "printed", *[""] * 4]


def test_a_plan_that_changes_a_call_is_kept(engine: Engine, clock: Clock) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    jobs.replan(NWS.id)
    with writing(engine) as session:
        save_site(session, NWS, feed="file")
    jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    jobs.replan(NWS.id)
    jobs.replan(NWS.id)
    with reading(engine) as session:
        assert session.exec(select(PlanRow.kept_because).order_by(col(PlanRow.id))).all() == ["", "changed", ""]


def test_it_plans_again_when_something_changed_and_only_then(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY, THIN)
    jobs = jobs_of(engine, clock, server, client)
    plan = shown(jobs)
    assert shown(jobs) is plan

    def changed() -> Plan:
        nonlocal plan
        newer = shown(jobs)
        assert newer is not plan
        assert shown(jobs) is newer
        plan = newer
        return newer

    jobs.pull(NWS.id)
    assert of(changed(), "C-1").call == "heat_to_minimum"

    likely = of(plan, "C-1").steel_now
    with writing(engine) as session:
        add_reading(session, NWS.id, Reading("C-1", -25.0, NOW), now=NOW)
    colder = of(changed(), "C-1").steel_now
    assert likely is not None
    assert colder is not None
    assert colder.likely_c < likely.likely_c

    with writing(engine) as session:
        kept_joints.set_joint_state(session, NWS.id, "C-2", "done", now=NOW, by="test")
    assert [one.joint.mark for one in changed().joints] == ["C-1"]

    load(engine, NWS, HEAVY, THIN, UNSAID)
    assert {one.joint.mark for one in changed().joints} == {"C-1", "C-3"}

    with writing(engine) as session:
        save_site(session, replace(NWS, acceptances=()))
    assert changed().site.acceptances == ()

    clock.now += PLAN_AGE - timedelta(seconds=1)
    assert shown(jobs) is plan
    clock.now += timedelta(seconds=1)
    assert changed().made_utc == clock.now
    clock.now -= timedelta(hours=1)  # a clock that was put back
    assert changed().made_utc == clock.now


def test_a_forecast_grows_old_until_it_says_nothing(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    late_one = joint("C-9", 60.0, 100.0)
    with_site(engine, NWS, late_one)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)

    def at(hours: float) -> tuple[str, JointPlan]:
        clock.now = NOW + timedelta(hours=hours)
        plan = shown(jobs)
        return plan.freshness, of(plan, "C-9")

    freshness, fresh = at(2.7)
    assert freshness == "fresh"
    freshness, late = at(3.0)
    assert freshness == "late"
    freshness, later = at(22.0)
    assert freshness == "late"
    assert fresh.steel is not None
    assert later.steel is not None
    assert later.steel.likely_c - later.steel.cold_c > fresh.steel.likely_c - fresh.steel.cold_c + 1.0
    assert fresh.call == late.call == later.call == "heat_to_minimum"
    freshness, gone = at(24.0)
    assert freshness == "unusable"
    assert (gone.call, gone.weather_state, gone.steel, gone.heat) == ("unknown", "unknown", None, None)
    assert "too old" in " ".join(gone.unknowns)
    assert gone.requirement.minimum_c is not None, "what the code asks is known all the same"

    # An answer without news ends the silence, not the age of the issue.
    jobs.pull(NWS.id)
    assert at(24.0)[0] == "unusable"


def test_no_joints_and_no_site(engine: Engine, clock: Clock) -> None:
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    with pytest.raises(UnknownSite, match="there is no site 'nowhere'"):
        jobs.current_plan("nowhere")
    with_site(engine)
    assert jobs.current_plan(NWS.id) is None
    assert jobs.steel_series(NWS.id, "C-1") is None
    assert jobs.times_for_torches(NWS.id, "C-1") == {}


def test_what_the_page_of_a_joint_shows(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY, UNSAID)
    jobs = jobs_of(engine, clock, server, client)
    assert jobs.steel_series(NWS.id, "C-1") is None, "no forecast yet"
    jobs.pull(NWS.id)
    series = jobs.steel_series(NWS.id, "C-1")
    assert series is not None
    assert len(series.times_utc) == len(series.air_c) == len(series.steel_c) == 190
    assert series.times_utc[0] == datetime(2027, 1, 14, 14, tzinfo=UTC)
    known = np.isfinite(series.steel_c)
    assert known[:70].all()
    assert (np.array(series.cold_c)[known] <= np.array(series.steel_c)[known]).all()
    assert (np.array(series.steel_c)[known] <= np.array(series.warm_c)[known]).all()
    planned = of(shown(jobs), "C-1")
    assert planned.steel is not None
    worst = series.times_utc.index(planned.steel.at_utc)
    assert series.steel_c[worst] == pytest.approx(planned.steel.likely_c)

    options = jobs.times_for_torches(NWS.id, "C-1")
    assert list(options) == [1, 2, 3]
    assert options[1] == planned.heat
    slow = [plan.minutes.high for plan in options.values() if plan.minutes is not None]
    assert slow == sorted(slow, reverse=True)
    assert len(set(slow)) == len(slow) >= 2
    assert jobs.times_for_torches(NWS.id, "C-3") == {}, "no heat is planned"
    assert jobs.steel_series(NWS.id, "no-such") is None
    assert jobs.times_for_torches(NWS.id, "no-such") == {}


@pytest.mark.parametrize("mark", ["C-1", "C-2"])
def test_the_times_of_torches_are_those_of_a_plan_each(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, mark: str
) -> None:
    """Whether the joint was measured itself or only one like it."""
    with_site(engine, NWS, HEAVY, replace(HEAVY, mark="C-2"))
    with writing(engine) as session:
        add_reading(session, NWS.id, Reading("C-1", -25.0, NOW), now=NOW)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    found, (current, joint) = jobs.times_for_torches(NWS.id, mark), jobs._planned(NWS.id, mark)
    assert joint is not None
    inputs = current.inputs
    table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
    for torches, heat in found.items():
        others = [one for one in inputs.joints if one.mark != mark]
        joints = [replace(joint, torches=torches), *others]
        plan = make_plan(inputs.site, table, joints, inputs.weather, inputs.readings, current.plan.made_utc)
        assert heat == next(one.heat for one in plan.joints if one.joint.mark == mark)
    assert list(found) == [1, 2, 3]


def test_a_joint_with_pads_is_worked_out_with_more_of_them_not_with_fewer() -> None:
    pad = HeatSource("pad", "heating pad", None, 3.6, 0.4, 0.55, 0.65, kind="pad", area_m2=0.0774)
    site = replace(NWS, heat_sources=(*NWS.heat_sources, pad))
    assert torch_options(HEAVY, site) == (1, 2, 3)
    assert torch_options(replace(HEAVY, heat_source="pad", torches=4), site) == (4, 6, 8)
    assert torch_options(replace(HEAVY, heat_source="gone"), site) == (1, 2, 3)


# The loop -------------------------------------------------------------------------------------------------------------


def test_the_collector_stands_still_for_a_plan_and_runs_again_after_it() -> None:
    def fails() -> None:
        with loops.without_collector():
            raise ZeroDivisionError

    assert gc.isenabled()
    with loops.without_collector():
        assert not gc.isenabled()
        with loops.without_collector():
            pass
        assert not gc.isenabled()
    assert gc.isenabled()
    with pytest.raises(ZeroDivisionError):
        fails()
    assert gc.isenabled()


def test_one_bad_site_stops_no_other(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    broken = replace(NORTH, id="a-broken-one", table_id="no-such-table")
    with_site(either, broken, HEAVY)
    with_site(either, NWS, HEAVY)
    jobs = jobs_of(either, clock, server, client)
    jobs.tick()
    failed = [r.getMessage() for r in caplog.records if r.levelname == "ERROR"]
    assert failed == ["site a-broken-one: plan failed", "site a-broken-one: notices failed"]
    assert of(shown(jobs), "C-1").call == "heat_to_minimum"
    assert state(either, broken, "met_norway").last_answer_utc == NOW, "its forecast was pulled all the same"
    server.seen.clear()
    jobs.tick()
    assert server.seen == [], "nothing is due"


def test_when_nothing_is_planned_for_an_hour_people_are_told_once(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    broken = replace(NORTH, id="a-broken-one", table_id="no-such-table")
    with_site(either, broken, HEAVY)
    people = (Person("tamsin", "Tamsin", "superintendent", "us"), Person("orme", "Orme", "purchasing", "us"))
    with writing(either) as session:
        save_setup(session, broken.id, NoticeSetup(people), now=NOW)
    jobs = jobs_of(either, clock, server, client, wiring=wiring(None, clock))

    def told() -> list[str]:
        with reading(either) as session:
            return [line.detail for line in log_of(session, broken.id, newest=9) if line.what == "decided"]

    for minutes in (0, 30, 59):
        clock.now = NOW + timedelta(minutes=minutes)
        jobs.tick()
    assert told() == []
    for minutes in (61, 62, 90):
        clock.now = NOW + timedelta(minutes=minutes)
        jobs.tick()
    assert told() == ["forecast; to tamsin"]


def test_a_reading_between_passes_below_the_minimum_is_told_with_the_next_tick(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(either, NWS, HEAVY)
    people = NoticeSetup((Person("tamsin", "Tamsin", "superintendent", "us"),))
    with writing(either) as session:
        save_setup(session, NWS.id, people, now=NOW)
    jobs = jobs_of(either, clock, server, client, wiring=wiring(None, clock))
    jobs.tick()
    made_utc = shown(jobs).made_utc
    clock.now = NOW + timedelta(minutes=10)
    with writing(either) as session:
        cooled = Reading("C-1", 40.0, clock.now, stage="between_passes", pass_no=3)
        add_reading(session, NWS.id, cooled, now=clock.now)
    for minutes in (11, 12):
        clock.now = NOW + timedelta(minutes=minutes)
        jobs.tick()
    with reading(either) as session:
        told = [one.detail for one in log_of(session, NWS.id, newest=20) if one.what == "decided"]
    assert [detail for detail in told if detail.startswith("reading")] == ["reading; to tamsin"]
    assert shown(jobs).made_utc == made_utc  # no plan hangs on it


def test_a_tick_without_any_site_does_nothing(engine: Engine, clock: Clock) -> None:
    Jobs(engine, clock, get=None, jitter=lambda: 0.0).tick()
    assert count(engine, PlanRow) == 0


def test_the_scheduler_ticks_at_once_and_stops(engine: Engine, server: WeatherServer, client: httpx.Client) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, utc_now, server, client)
    threads = set(threading.enumerate())
    jobs.start()
    try:
        assert server.asked.wait(20.0), "the first tick asks the weather service"
    finally:
        jobs.stop()  # waits for the tick to end
    assert count(engine, PlanRow) == 1
    ours = {thread for thread in set(threading.enumerate()) - threads if "process_request" not in thread.name}
    assert not ours, "no thread is left behind"
    jobs.stop()


def test_a_site_that_hangs_holds_up_no_other_and_is_seen(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loops, "LOOK_EVERY_S", 1)
    with_site(engine, NWS, HEAVY)
    with_site(engine, NORTH, THIN)
    jobs, hung_s, go_on = Jobs(engine, utc_now, get=None, jitter=lambda: 0.5), list[float](), threading.Event()

    def pull(site_id: str) -> None:
        if site_id == NWS.id:
            hung_s.append(monotonic())
            go_on.wait(120)

    def planned() -> int | None:
        with reading(engine) as session:
            made = plans.newest_made(session, NORTH.id)
        return made and made.site_revision

    monkeypatch.setattr(jobs, "pull", pull)
    jobs.start()
    try:
        until(lambda: bool(hung_s))
        for _ in range(2):
            with writing(engine) as session:
                revision = touch(session, NORTH.id)
            until(lambda revision=revision: planned() == revision)  # type: ignore[misc]
        since_s = monotonic() - hung_s[0]
        assert (jobs.still_s()[loops.PLANS] or 0.0) >= since_s, "the others move, and hide it"
    finally:
        go_on.set()
        jobs.stop()
    assert len(hung_s) == 1


@pytest.mark.parametrize("hours", [-1, 1])
def test_a_clock_that_is_set_stops_no_loop(engine: Engine, monkeypatch: pytest.MonkeyPatch, hours: int) -> None:
    shift = timedelta(0)

    class Shifted(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return utc_now().astimezone(tz) + shift

    for part in ("schedulers", "executors"):
        monkeypatch.setattr(f"apscheduler.{part}.base.datetime", Shifted)
    monkeypatch.setattr(loops, "utc_now", lambda: utc_now() + shift)
    monkeypatch.setattr(loops, "LOOK_EVERY_S", 1)
    jobs, ticked = Jobs(engine, utc_now, get=None, jitter=lambda: 0.5), threading.Event()
    monkeypatch.setattr(jobs, "tick", ticked.set)
    jobs.start()
    try:
        assert ticked.wait(20.0)
        shift = timedelta(hours=hours)
        for _ in range(3):
            ticked.clear()
            assert ticked.wait(20.0), "it waits for a time that was there already"
    finally:
        jobs.stop()


def test_two_at_work_on_one_store_lose_nothing(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    marks = ["C-1", "C-2"]
    with_site(either, NWS, HEAVY, THIN)
    both = [jobs_of(either, clock, server, client) for _ in range(2)]
    rounds = 4
    failures: list[BaseException] = []
    begin = threading.Barrier(4)

    def pulls(jobs: Jobs) -> None:
        for _ in range(rounds):
            with writing(either) as session:
                forecasts.put_feed_row(session, FeedRow(NWS.id, "nws", NOW))  # due again
            jobs.pull(NWS.id)
            jobs.replan(NWS.id)

    def works(jobs: Jobs, mark: str) -> None:
        for number in range(rounds):
            with writing(either) as session:
                add_reading(session, NWS.id, Reading(mark, -5.0 - number, NOW), now=NOW)
            assert len(shown(jobs).joints) == 2

    def safely(work: Callable[..., None], *arguments: Any) -> None:
        try:
            begin.wait(20.0)
            work(*arguments)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=safely, args=(pulls, jobs)) for jobs in both]
    threads += [threading.Thread(target=safely, args=(works, *pair)) for pair in zip(both, marks, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    # Both show the same in the end: what one wrote, the other read.
    last = [shown(jobs) for jobs in both]
    assert last[0] == last[1]
    with reading(either) as session:
        readings = readings_of(session, NWS.id)
        seen = session.exec(select(PlanRow.id).where(PlanRow.kept_because == "shown")).all()
        kept = [plans.plan_by_id(session, plan_id) for plan_id in seen if plan_id is not None]
        inputs = plans.inputs_of(session, kept[-1].id)
    assert len(readings) == 2 * rounds
    assert inputs.weather.hours is not None
    steel = of(last[0], "C-1").steel_now
    assert steel is not None


@dataclass
class HeldUp:
    """Plans wait until they may go on; they and the looks at the seconds are counted."""

    begun: list[str] = field(default_factory=list)
    looks: int = 0
    may_go_on: threading.Event = field(default_factory=threading.Event)


@pytest.fixture
def held_up(monkeypatch: pytest.MonkeyPatch) -> HeldUp:
    held = HeldUp()

    def planned(site: Site, *args: Any) -> Plan:
        held.begun.append(site.id)
        assert held.may_go_on.wait(60.0)
        return make_plan(site, *args)

    def seconds() -> float:
        held.looks += 1
        return monotonic()

    monkeypatch.setattr(loops, "make_plan", planned)
    monkeypatch.setattr(loops, "monotonic", seconds)
    return held


def until(true: Callable[[], bool]) -> None:
    patience = monotonic() + 60.0
    while not true():
        assert monotonic() < patience
        sleep(0.01)


def test_changes_that_wait_for_a_plan_of_their_site_share_the_next_one(
    engine: Engine, clock: Clock, held_up: HeldUp
) -> None:
    with_site(engine, NWS, HEAVY, THIN)
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    with ThreadPoolExecutor(6) as people:
        first = people.submit(jobs.replan, NWS.id)
        until(lambda: len(held_up.begun) == 1)
        looked = held_up.looks
        with writing(engine) as session:
            kept_joints.set_joint_state(session, NWS.id, "C-2", "done", now=NOW, by="test")
        others = [people.submit(jobs.replan, NWS.id) for _ in range(5)]
        until(lambda: held_up.looks == looked + 5)
        held_up.may_go_on.set()
        for one in [first, *others]:
            one.result(60.0)
    assert held_up.begun == [NWS.id] * 2, "what was begun before the change does not do for it, and one more does"
    assert [one.joint.mark for one in shown(jobs).joints] == ["C-1"]
    jobs.replan(NWS.id)
    assert len(held_up.begun) == 3, "who asks later gets a plan of his own"


def test_nobody_waits_for_the_plan_of_another_site(engine: Engine, clock: Clock, held_up: HeldUp) -> None:
    with_site(engine, NWS, HEAVY)
    with_site(engine, NORTH, THIN)
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    held_up.may_go_on.set()
    jobs.replan(NORTH.id)
    held_up.may_go_on.clear()
    with ThreadPoolExecutor(2) as people:
        planning = people.submit(jobs.replan, NWS.id)
        until(lambda: held_up.begun[-1] == NWS.id)
        try:
            assert len(people.submit(shown, jobs, NORTH).result(10.0).joints) == 1
            assert not planning.done()
        finally:
            held_up.may_go_on.set()


def test_who_waits_too_long_for_a_plan_that_hangs_is_told_so(
    engine: Engine, clock: Clock, held_up: HeldUp, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "PLAN_WAIT_S", 0.2)
    with_site(engine, NWS, HEAVY)
    jobs = Jobs(engine, clock, get=None, jitter=lambda: 0.0)
    with ThreadPoolExecutor(1) as people:
        planning = people.submit(jobs.replan, NWS.id)
        until(lambda: held_up.begun == [NWS.id])
        try:
            with pytest.raises(NotInTime, match=r"within 0\.2 s") as late:
                jobs.current_plan(NWS.id)
        finally:
            held_up.may_go_on.set()
        planning.result(60.0)
    assert is_busy(late.value), "a page answers 503"
    assert len(shown(jobs).joints) == 1


def test_a_plan_thinned_by_another_copy_is_made_again_before_it_is_shown(
    engine: Engine, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(loops, "KEEP_UNSEEN_PLANS", 2)
    with_site(engine, NWS, HEAVY)
    one, other = (Jobs(engine, clock, get=None, jitter=lambda: 0.0) for _ in range(2))
    one.replan(NWS.id)
    for _ in range(3):
        other.replan(NWS.id)
    plan = shown(one)
    with reading(engine) as session:
        kept = session.exec(select(PlanRow.id).where(PlanRow.kept_because == "shown")).one()
        assert kept is not None
        assert plans.plan_by_id(session, kept).plan == plan
    assert one.steel_series(NWS.id, "C-1") is None, "no forecast; and no error over a plan that is gone"


def test_after_a_failure_somebody_who_mended_it_need_not_wait_after_an_answer_everybody_does(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine)
    jobs = jobs_of(engine, clock, server, client)
    server.status = 404
    assert jobs.pull(NWS.id).outcome == "failed"
    server.status = 200
    assert jobs.pull(NWS.id).outcome == "not_due"
    assert jobs.pull(NWS.id, again_after_failure=True).outcome == "new"
    assert jobs.pull(NWS.id, again_after_failure=True).outcome == "not_due"


def test_an_answer_that_cannot_be_kept_is_not_asked_for_at_every_turn(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    with writing(engine) as session:
        save_site(session, NWS, instead=())
    jobs = jobs_of(engine, clock, server, client)
    monkeypatch.setattr("frostshift_service.pulls._keep", broken)
    assert "could not be kept" in jobs.pull(NWS.id).message
    asked = len(server.seen)
    assert jobs.pull(NWS.id).outcome == "not_due"
    assert len(server.seen) == asked
    assert (state(engine).failures, state(engine).last_answer_utc) == (1, None)
    assert count(engine, ForecastRow) == 0


def test_a_clock_that_was_wrong_for_a_while_ends_no_forecast(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW + timedelta(days=300)
    server.status = 503
    jobs.pull(NWS.id)
    clock.now, server.status = NOW, 200
    assert jobs.pull(NWS.id).outcome == "new"


def test_a_forecast_that_a_wrong_clock_fetched_does_not_stay_before_all_that_follow(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW + timedelta(hours=6)
    assert jobs.pull(NWS.id).outcome == "new"
    clock.now = NOW
    assert shown(jobs).freshness == "unusable"  # from the future: nobody knows how old it is
    server.stamp = "Thu, 14 Jan 2027 20:40:00 GMT"
    clock.now = NOW + timedelta(minutes=20)
    with writing(engine) as session:
        forecasts.put_feed_row(session, replace(state(engine), next_try_utc=clock.now))
    assert jobs.pull(NWS.id).outcome == "new"
    assert shown(jobs).freshness == "fresh"


def test_a_clock_that_is_put_back_lets_a_feed_be_asked_at_once_and_then_in_its_turn(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW + timedelta(hours=6)
    assert jobs.pull(NWS.id).outcome == "new"
    clock.now = NOW
    assert jobs.pull(NWS.id).outcome in ("new", "unchanged")
    assert state(engine).last_answer_utc == NOW
    clock.now = NOW + timedelta(minutes=10)
    assert jobs.pull(NWS.id).outcome == "not_due"


def test_a_site_that_moves_starts_without_a_forecast_and_asks_at_once(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    assert shown(jobs).freshness == "fresh"
    with writing(engine) as session:
        save_site(session, replace(NWS, latitude=NWS.latitude + 0.5))
    assert shown(jobs).freshness == "none"
    assert "/points/47,-94" in jobs.pull(NWS.id).message  # the server knows the old place only
    with writing(engine) as session:
        save_site(session, NWS)
    assert shown(jobs).freshness == "fresh"


def test_what_nobody_foresaw_waits_its_turn_like_any_failure(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_site(engine)
    jobs = jobs_of(engine, clock, server, client)

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(FEEDS, "nws", replace(FEEDS["nws"], fetch=broken))
    failed = jobs.pull(NWS.id)
    assert failed.outcome == "failed"
    assert "written in the log" in failed.message
    assert jobs.pull(NWS.id).outcome == "not_due"
    assert state(engine).failures == 1


def grid_issued(issued_utc: datetime) -> bytes:
    grid = json.loads((PAYLOADS / "nws_long.json").read_text(encoding="utf-8"))
    grid["properties"]["updateTime"] = issued_utc.isoformat()
    return json.dumps(grid).encode()


def http_date(moment: datetime) -> str:
    return format_datetime(moment, usegmt=True)


def due(engine: Engine, clock: Clock, server: WeatherServer, issued_utc: datetime) -> None:
    """The next pull is due, and brings a forecast issued at a time."""
    server.grid, server.stamp = grid_issued(issued_utc), http_date(issued_utc)
    with writing(engine) as session:
        forecasts.put_feed_row(session, replace(state(engine), next_try_utc=clock.now))


def test_a_forecast_issued_ahead_of_our_clock_is_refused(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with writing(engine) as session:
        save_site(session, NWS, instead=())
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    kept_utc = issued_of(engine)
    due(engine, clock, server, NOW + timedelta(minutes=61))
    refused = jobs.pull(NWS.id)
    assert refused.outcome == "failed"
    assert "issued 2027-01-14 21:51 UTC, ahead of this machine's clock (2027-01-14 20:50 UTC)" in refused.message
    assert issued_of(engine) == kept_utc, "the last good one stays"
    due(engine, clock, server, NOW + timedelta(minutes=59))
    assert jobs.pull(NWS.id).outcome == "new", "clocks differ by a little"


def test_a_kept_forecast_from_the_future_shuts_out_none_that_follows(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW + timedelta(days=3)  # this machine's clock and the service's were wrong for a while
    server.grid = grid_issued(clock.now)
    assert jobs.pull(NWS.id).outcome == "new"
    clock.now = NOW
    due(engine, clock, server, NOW - timedelta(minutes=10))
    assert jobs.pull(NWS.id).outcome == "new"
    assert shown(jobs).freshness == "fresh"


# Two copies at one feed -----------------------------------------------------------------------------------------------


def slow_copy(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, meanwhile: Callable[[], None]
) -> Jobs:
    """Jobs for whom something happens between a grid's answer and its arrival."""

    def get_at(now: datetime) -> Get:
        def slow(url: str, headers: Mapping[str, str], validators: Validators) -> Answer:
            try:
                return http.get(client, url, headers, validators, now)
            finally:
                if "gridpoints" in url:
                    meanwhile()

        return slow

    return Jobs(engine, clock, get=get_at, jitter=lambda: 0.0, base_urls={"nws": server.base_url})


@pytest.mark.parametrize("first", ["older", "304", "503", "429"])
def test_what_a_slow_copy_brings_takes_nothing_back_that_another_has_written(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, first: str
) -> None:
    with writing(either) as session:
        save_site(session, NWS, instead=())
    server.grid, server.stamp = grid_issued(NOW - timedelta(hours=3)), http_date(NOW - timedelta(hours=3))
    if first == "304":
        assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "new"
        with writing(either) as session:
            forecasts.put_feed_row(session, replace(state(either), next_try_utc=NOW))
    server.only = {} if first in ("older", "304") else {"gridpoints": int(first)}
    written: list[FeedRow] = []

    def meanwhile() -> None:
        clock.now += timedelta(minutes=2)
        server.grid, server.stamp = grid_issued(NOW - timedelta(minutes=5)), http_date(NOW - timedelta(minutes=5))
        server.only = {}
        assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "new"
        written.append(state(either))
        clock.now += timedelta(minutes=1)

    slow = slow_copy(either, clock, server, client, meanwhile).pull(NWS.id)
    (other,), row = written, state(either)
    with reading(either) as session:
        last = forecasts.last_forecast(session, NWS.id, "nws")
    assert last is not None
    assert (last.issued_utc, last.fetched_utc) == (NOW - timedelta(minutes=5), NOW + timedelta(minutes=2))
    assert row.state == other.state
    assert row.state["last_modified"] == server.stamp
    assert (row.failures, row.last_error, row.issued_utc) == (0, "", last.issued_utc)
    if first in ("older", "304"):
        assert slow.outcome == "unchanged"
        assert row.last_answer_utc == clock.now
    else:
        assert slow.outcome == "failed"
        assert row.last_answer_utc == other.last_answer_utc
        pause = timedelta(minutes=1) if first == "429" else None  # the service names none: its own rule
        assert row.held_utc == (None if pause is None else clock.now + pause)
        assert row.next_try_utc == other.next_try_utc


def test_a_pause_that_another_copy_was_asked_for_outlasts_a_late_answer(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with writing(either) as session:
        save_site(session, NWS, instead=())

    def meanwhile() -> None:
        server.only = {"gridpoints": 429}
        assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "failed"

    assert slow_copy(either, clock, server, client, meanwhile).pull(NWS.id).outcome == "new"
    assert state(either).held_utc == NOW + timedelta(minutes=1)


def test_a_site_whose_height_is_corrected_asks_for_the_new_one_at_once(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NORTH, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    assert jobs.pull(NORTH.id).outcome == "new"
    assert shown(jobs, NORTH).freshness == "fresh"
    with writing(engine) as session:
        save_site(session, replace(NORTH, altitude_m=51.0))
    assert shown(jobs, NORTH).freshness == "none"
    assert jobs.pull(NORTH.id).outcome == "failed"  # the server knows the other height only
    assert server.seen[-1][0].endswith("&altitude=51")
    with writing(engine) as session:
        save_site(session, NORTH)
    assert shown(jobs, NORTH).freshness == "fresh"


@pytest.mark.parametrize("kind", ["application/problem+json", "text/html"])
def test_a_pause_is_kept_whatever_text_the_refusal_has(either: Engine, clock: Clock, kind: str) -> None:
    with writing(either) as session:
        save_site(session, NWS, instead=())
    asked = []

    def refuse(url: str, headers: Mapping[str, str], validators: Validators) -> Answer:
        asked.append(url)
        body = b'{"title": "Slow \\ud83d down\\u0000", "detail": "\\ud83d\\ude00"}'
        if kind == "text/html":
            body = b"<p>Slow\0 down"
        raise http.BadStatus(Answer(429, body, kind, None, None, None, None, None, 1800.0, url))

    jobs = Jobs(either, clock, get=lambda now: refuse, jitter=lambda: 0.0)
    refused = jobs.pull(NWS.id)
    assert refused.outcome == "failed"
    assert ("Slow \ufffd down: \U0001f600" if kind != "text/html" else "<p>Slow down") in refused.message
    assert state(either).held_utc == NOW + timedelta(minutes=30)
    assert jobs.pull(NWS.id).outcome == "not_due"
    assert len(asked) == 1


def test_alerts_and_stations_with_broken_texts_are_kept(either: Engine) -> None:
    broken = {"headline": "Cold \ud83d tonight", "areaDesc": "Sample\0 County", "event": "Cold Weather Advisory"}
    message = {"id": "urn:1", "status": "Actual", **broken}
    (alert,), _ = nws_alerts.parse([parsed({"features": [{"properties": message}]})], NOW)
    assert (alert.headline, alert.area) == ("Cold \ufffd tonight", "Sample County")
    stations = json.loads((PAYLOADS / "nws_stations.json").read_text(encoding="utf-8"))
    for feature in stations["features"]:
        feature["properties"]["name"] = "Field \udfff\0"
    near = nws_stations.near_stations(parsed(stations), NWS, [])
    assert {station.title for station in near} == {"Field \ufffd"}
    with writing(either) as session:
        save_site(session, NWS)
        put_alerts(session, KeptAlerts(NWS.id, NOW, NOW, alerts=(alert,)), NWS.latitude, NWS.longitude)
        hours = Hours(NOW.replace(minute=0), *np.zeros((8, 2)))
        observed = ObservedHours(near[0].id, near[0].title, near[0].distance_km, near[0].height_m, NOW, hours)
        put_observed(session, NWS.id, observed, NWS.latitude, NWS.longitude, NWS.altitude_m)


def parsed(payload: Any) -> Any:
    return load_payload(json.dumps(payload).encode(), "here")


def test_alerts_that_cannot_be_read_let_the_answer_wait_its_turn(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    with writing(engine) as session:
        save_site(session, NWS, instead=())
    jobs = jobs_of(engine, clock, server, client)
    monkeypatch.setattr("frostshift_service.pulls.load_alerts", broken)
    failed = jobs.pull(NWS.id)
    assert failed.outcome == "failed"
    assert "could not be kept" in failed.message
    assert jobs.pull(NWS.id).outcome == "not_due"
    assert (state(engine).failures, state(engine).state) == (1, {})


def test_a_site_moved_away_during_a_pull_and_back_after_it_gets_what_it_missed(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    def moved_by(north: float) -> None:
        with writing(either) as session:
            save_site(session, replace(NWS, latitude=NWS.latitude + north), instead=())

    moved_by(0.0)
    assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "new"
    clock.now += timedelta(hours=1)
    newer_utc = NOW + timedelta(minutes=10)
    due(either, clock, server, newer_utc)
    slow = slow_copy(either, clock, server, client, lambda: moved_by(0.5)).pull(NWS.id)
    assert slow.message == "The site was moved while US National Weather Service answered: not used."
    assert count(either, ForecastRow) == 1
    moved_by(0.0)
    clock.now = state(either).next_try_utc
    assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "new"
    with reading(either) as session:
        last = forecasts.last_forecast(session, NWS.id)
    assert last is not None
    assert last.issued_utc == newer_utc


def test_a_file_is_as_late_as_one_of_its_service_and_says_where_it_is_for(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with writing(engine) as session:
        save_site(session, NWS, feed="file")
    load(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW + timedelta(hours=7)  # nearly eight hours after the issue: late for the US service alone
    taken = jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    assert (taken.feed, taken.service) == ("file", "nws")
    assert not any("from the site" in warning for warning in taken.warnings)
    assert shown(jobs).freshness == "late"
    far = jobs.take_payload(NWS.id, PAYLOADS / "met_norway_long.json")
    assert far.service == "met_norway"
    assert far.warnings[0].startswith("the payload is for 61.1000, 9.6000, 6")
    assert jobs.weather(NWS.id).forecast.warnings[0] == far.warnings[0]  # type: ignore[union-attr]
    assert shown(jobs).freshness == "fresh"
