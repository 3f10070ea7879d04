"""Which feed is asked, and whose forecast a plan is made from, while feeds fall silent and come back."""

import json
import logging
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from tests.service.weather_site import (
    HEAVY,
    NORTH,
    NOW,
    NWS,
    Clock,
    WeatherServer,
    jobs_of,
    load,
    shown,
    state,
    with_site,
)

from frostshift_rules.surroundings import Hours
from frostshift_service.store import forecasts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.sheet import header
from frostshift_service.views.show import Show
from frostshift_service.weather.age import Freshness, freshness
from frostshift_service.weather.order import Standing, in_use, steps_back, usual_order
from frostshift_service.weather.schedule import FALL_K, NEAR_H, front_near

pytestmark = pytest.mark.usefixtures("one_attempt")

FRESH = Freshness("fresh", 1.0, 0.2, 0.0)
SILENT = Freshness("late", 4.0, 3.0, 0.0)
OLD_ISSUE = Freshness("late", 8.0, 0.2, 2.0)
VERY_OLD_ISSUE = Freshness("late", 13.0, 0.2, 7.0)
USELESS = Freshness("unusable", 30.0, 30.0, 20.0)


@pytest.mark.parametrize(
    ("place", "first", "instead", "order"),
    [
        (NWS, None, None, ("nws", "met_norway", "nws_hourly")),
        (NORTH, None, None, ("met_norway",)),
        (NWS, "met_norway", None, ("met_norway", "nws", "nws_hourly")),
        (NWS, "met_norway", (), ("met_norway",)),
        (NWS, None, ("met_norway",), ("nws", "met_norway")),
        (NWS, "nws", ("nws",), ("nws",)),
        (NWS, "file", None, ("file",)),
        (NWS, "file", ("nws",), ("file",)),  # a file is somebody's choice: nothing is asked beside it
    ],
)
def test_the_order_follows_position_and_choice(
    place: object, first: str | None, instead: tuple[str, ...] | None, order: tuple[str, ...]
) -> None:
    assert usual_order(place, first, instead) == order  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("first", "second", "used"),
    [
        (FRESH, FRESH, "nws"),
        (OLD_ISSUE, FRESH, "nws"),  # late by issue alone: more doubt, but no change of feed
        (VERY_OLD_ISSUE, FRESH, "met_norway"),
        (SILENT, FRESH, "met_norway"),
        (None, FRESH, "met_norway"),
        (SILENT, SILENT, "nws"),
        (SILENT, None, "nws"),
        (USELESS, SILENT, "met_norway"),
        (USELESS, USELESS, "nws"),
        (None, USELESS, "met_norway"),
        (None, None, "nws"),
    ],
)
def test_the_first_that_can_be_planned_on_is_used(first: Freshness | None, second: Freshness | None, used: str) -> None:
    standings = [
        Standing(feed, None if age is None else 1, age) for feed, age in (("nws", first), ("met_norway", second))
    ]
    assert in_use(standings).feed == used


@given(st.lists(st.sampled_from((None, FRESH, SILENT, OLD_ISSUE, VERY_OLD_ISSUE, USELESS)), min_size=1, max_size=4))
def test_no_feed_is_passed_over_for_a_worse_one(ages: list[Freshness | None]) -> None:
    standings = [Standing(str(place), None if age is None else place, age) for place, age in enumerate(ages)]
    used = in_use(standings)
    assert used in standings
    if any(not steps_back(one) for one in standings):
        assert not steps_back(used)
    if any(age is not None and age.state != "unusable" for age in ages):
        assert used.age is not None
        assert used.age.state != "unusable"


def test_stepping_back_follows_the_two_ages() -> None:
    def back(silence_h: float, age_h: float) -> bool:
        answered, issued = NOW - timedelta(hours=silence_h), NOW - timedelta(hours=age_h)
        return steps_back(Standing("nws", 1, freshness(issued, issued, answered, "nws", NOW)))

    assert not back(2.9, 2.9)
    assert back(3.0, 3.0)
    assert not back(0.1, 12.0)
    assert back(0.1, 12.1)


# The front that makes asking more often worth it ----------------------------------------------------------------------


FULL_HOUR = NOW.replace(minute=0)


def air(*temperatures_c: float, start: datetime = FULL_HOUR) -> Hours:
    column = np.array(temperatures_c, dtype=float)
    return Hours(start, column, *(np.full(len(column), np.nan) for _ in range(7)))


def test_a_cold_night_is_no_front_and_a_colder_day_is() -> None:
    hours = np.arange(72)
    night = 6.0 * np.cos(2.0 * np.pi * hours / 24.0)  # 12 K between day and night, every day the same
    assert not front_near(air(*night), NOW)
    assert front_near(air(*(night - np.where(hours >= 30, FALL_K + 0.1, 0.0))), NOW)
    assert not front_near(air(*(night - np.where(hours >= 30, FALL_K - 0.1, 0.0))), NOW)


def test_a_front_gone_by_or_far_off_or_without_a_day_before_is_not_near() -> None:
    hours = np.arange(96)
    assert not front_near(air(*np.where(hours >= 24 + NEAR_H + 1, -20.0, 0.0)), NOW)
    assert front_near(air(*np.where(hours >= 24 + NEAR_H - 24, -20.0, 0.0)), NOW)
    gone = air(*np.where(hours >= 10, -20.0, 0.0), start=FULL_HOUR - timedelta(hours=48))
    assert not front_near(gone, NOW)
    assert not front_near(air(*np.where(hours[:20] >= 5, -20.0, 0.0)), NOW)
    assert not front_near(air(), NOW)
    assert not front_near(air(*np.full(72, np.nan)), NOW)


# The whole path: a silent feed, one that stands in, and the first one back --------------------------------------------


def asked(server: WeatherServer) -> list[str]:
    return [path.split("/")[1] for path, _ in server.seen]


def test_another_feed_stands_in_once_the_first_is_silent_and_goes_when_it_is_back(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "frostshift_service")
    with_site(either, NWS, HEAVY)
    jobs = jobs_of(either, clock, server, client)
    assert jobs.pull(NWS.id).outcome == "new"
    assert shown(jobs).feed == "nws"
    assert set(asked(server)) == {"points", "gridpoints"}  # one service is asked where it answers

    server.only["gridpoints"] = 503
    clock.now += timedelta(hours=2)
    failed = jobs.pull(NWS.id)
    assert (failed.outcome, failed.instead) == ("failed", ())  # two hours of silence are no reason yet
    assert shown(jobs).feed == "nws"

    clock.now += timedelta(hours=1)
    failed = jobs.pull(NWS.id)
    assert failed.outcome == "failed"
    assert [(one.feed, one.outcome) for one in failed.instead] == [("met_norway", "new")]
    plan = shown(jobs)
    assert (plan.feed, plan.instead_of, plan.freshness) == ("met_norway", "nws", "fresh")
    assert plan.feed_changed is not None
    assert (plan.feed_changed.before, plan.feed_changed.since_utc) == ("nws", clock.now)
    head = header(plan, Show("us", ZoneInfo(NWS.zone)), clock.now)
    assert head.feed == "MET Norway"
    assert head.feed_notes[0].startswith("MET Norway stands in for US National Weather Service")
    assert head.feed_notes[1].startswith("From MET Norway since Thu 14 Jan 17:50, before that from US National")

    # A new start of the service changes nothing: the store says which feed is in use.
    again = jobs_of(either, clock, server, client)
    assert shown(again) == plan

    del server.only["gridpoints"]
    server.stamp = "Fri, 15 Jan 2027 00:12:30 GMT"
    clock.now = state(either).next_try_utc
    back = jobs.pull(NWS.id)
    assert (back.outcome, back.instead) == ("new", ())
    plan = shown(jobs)
    assert (plan.feed, plan.instead_of) == ("nws", "")
    assert plan.feed_changed is not None
    assert plan.feed_changed.before == "met_norway"
    clock.now += timedelta(hours=25)
    assert shown(jobs).feed_changed is None


def test_one_plan_is_made_from_one_feed(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    jobs = jobs_of(engine, clock, server, client)
    jobs.pull(NWS.id)
    server.only["gridpoints"] = 503
    clock.now += timedelta(hours=3)
    jobs.pull(NWS.id)
    with reading(engine) as session:
        other = forecasts.last_forecast(session, NWS.id, "met_norway")
    assert other is not None
    hours = jobs._current[NWS.id].inputs.weather.hours if shown(jobs) else None
    assert hours is not None
    assert hours.start_utc == other.hours.start_utc  # none of the other feed's hours before it
    np.testing.assert_array_equal(hours.air_c, other.hours.air_c)


def test_a_site_without_any_forecast_asks_the_next_feed_at_once(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(engine, NWS, HEAVY)
    server.only["points"] = 404
    pulled = jobs_of(engine, clock, server, client).pull(NWS.id)
    assert pulled.outcome == "failed"
    assert [(one.feed, one.outcome) for one in pulled.instead] == [("met_norway", "new")]


def test_where_nothing_may_stand_in_nothing_is_asked(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with writing(engine) as session:
        save_site(session, NWS, instead=())
    with reading(engine) as session:
        assert load_site(session, NWS.id).instead == ()
    server.only["points"] = 404
    pulled = jobs_of(engine, clock, server, client).pull(NWS.id)
    assert (pulled.outcome, pulled.instead) == ("failed", ())
    assert asked(server) == ["points"]


def test_feeds_that_have_nothing_leave_every_joint_unknown(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, tmp_path: Path
) -> None:
    with_site(engine)
    load(engine, NWS, HEAVY)
    server.status = 503
    jobs = jobs_of(engine, clock, server, client)
    for _ in range(3):
        clock.now += timedelta(hours=2)
        pulled = jobs.pull(NWS.id)
        assert [one.outcome for one in (pulled, *pulled.instead)] == ["failed"] * 3
    plan = shown(jobs)
    assert (plan.feed, plan.freshness) == ("", "none")
    assert plan.joints[0].call == "unknown"


def from_now_on(now: datetime, air_c: list[float]) -> bytes:
    """A payload of MET Norway's that begins at the present hour, with nothing but air temperatures."""
    start = now.replace(minute=0)
    series = [
        {
            "time": f"{start + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ}",
            "data": {"instant": {"details": {"air_temperature": value}}},
        }
        for hour, value in enumerate(air_c)
    ]
    meta = {"updated_at": f"{now - timedelta(minutes=30):%Y-%m-%dT%H:%M:%SZ}", "units": {"air_temperature": "celsius"}}
    return json.dumps({"properties": {"meta": meta, "timeseries": series}}).encode()


@pytest.mark.parametrize(("low_c", "minutes"), [(-FALL_K - 0.1, 20), (-FALL_K + 0.1, 60)])
def test_a_front_within_the_first_day_is_seen_by_the_hours_gone_by(
    engine: Engine, clock: Clock, server: WeatherServer, client: httpx.Client, low_c: float, minutes: int
) -> None:
    with_site(engine, NORTH)
    jobs = jobs_of(engine, clock, server, client)
    clock.now = NOW - timedelta(hours=24)
    server.timeseries = from_now_on(clock.now, [0.0] * 60)
    assert jobs.pull(NORTH.id).outcome == "new"
    clock.now, server.stamp = NOW, "Thu, 14 Jan 2027 20:20:00 GMT"
    # Cold from the sixth hour on, and over before the same hours of the next day would tell.
    server.timeseries = from_now_on(NOW, [0.0] * 6 + [low_c] * 12 + [0.0] * 42)
    assert jobs.pull(NORTH.id).outcome == "new"
    assert state(engine, NORTH, "met_norway").next_try_utc == NOW + timedelta(minutes=minutes)
