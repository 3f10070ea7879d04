"""The weather page: whose forecast it is, how old, how it stands with every feed, and the hours."""

import csv
import io
from dataclasses import replace
from datetime import timedelta
from typing import Any

import openpyxl
import pytest
from pydantic import TypeAdapter
from tests.service.web.conftest import at, site_weather
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.workload import NO_WEATHER, AirBias, FeedChange
from frostshift_service.store.engine import writing
from frostshift_service.store.forecasts import keep_forecast
from frostshift_service.store.records import FeedRow, KeptForecast
from frostshift_service.views.thermometer import SiteAir
from frostshift_service.views.weather import WeatherPage
from frostshift_service.weather.age import Freshness
from frostshift_service.weather.feeds import FEEDS
from frostshift_service.weather.order import Standing

pytestmark = pytest.mark.anyio
PAGE = "/sites/north-yard/weather"


async def words(web: Any) -> str:
    async with web.client() as client:
        answer = await client.get(PAGE)
    assert answer.status_code == 200
    assert Tags(answer.text).open == []
    return words_of(answer.text)


async def test_a_fresh_forecast_names_its_feed_age_credit_and_hours(web: Any) -> None:
    page = await words(web)
    assert "From US National Weather Service, issued 2 h 5 min ago: fresh ; reaches to Sun 20 Dec 22:00" in page
    assert "Forecast data: US National Weather Service (public domain)" in page
    assert "US National Weather Service the site's feed; the plan uses it fresh Thu 17 Dec 03:25 30 min ago" in page
    assert "MET Norway asked only while those above give nothing to plan on no forecast not known never" in page
    # 05:30: the hour that runs is the first one shown; it is not over yet.
    assert "Thu 05:00 10 °F dew -8 °F 10 mph gusts 20 mph 25 % 0 in Thu 06:00" in page
    assert "Thu 17:00" in page
    assert "Thu 04:00" not in page
    assert "0.05 in snow 1 in" in page  # 1.27 mm of water and 2.54 cm of snow
    assert "72 hours of 96" in page


async def test_what_is_missing_is_not_known_and_never_zero(web: Any) -> None:
    page = await words(web)
    assert "Thu 09:00 23 °F dew -8 °F 10 mph gusts not known 25 %" in page


async def test_what_is_not_native_is_said_and_stands_in_the_files(web: Any) -> None:
    page = await words(web)
    assert "Air: drawn between two hours of the feed Sat 11:00 to Sun 04:00." in page
    assert "Gusts: not known Thu 09:00." in page
    assert "Rain: share of an amount that the feed gives for several hours throughout." in page
    assert "Sun: not known throughout." in page
    async with web.client() as client:
        rows = list(csv.DictReader(io.StringIO((await client.get(f"{PAGE}.csv")).text.removeprefix("\ufeff"))))
        hours = (await client.get(f"{PAGE}.json")).json()["hours"]
    assert rows[10]["not_native"] == "precip_mm spread; gust_10m_ms missing; sun_wm2 missing"
    assert hours[60]["marks"]["air_c"] == "interpolated"
    assert hours[0]["marks"]["air_c"] == "native"


async def test_a_feed_that_stands_in_says_for_whom_since_when_and_why(web: Any) -> None:
    usual = site_weather()
    weather = replace(usual.weather, feed="met_norway", instead_of="nws", changed=FeedChange("nws", at(-2.0)))
    rows = {
        "nws": FeedRow("north-yard", "nws", at(0.5), at(-5.0), 7, "https://x.example answered 503: <b>down</b>"),
        "met_norway": FeedRow("north-yard", "met_norway", at(0.9), at(-0.1), issued_utc=at(-3.0)),
    }
    standings = (
        Standing("nws", 1, Freshness("late", 6.0, 5.0, 2.0)),
        Standing("met_norway", 2, Freshness("fresh", 3.0, 0.1, 0.0)),
    )
    web.planner.site_weather = replace(usual, weather=weather, rows=rows, standings=standings)
    page = await words(web)
    assert "MET Norway stands in for US National Weather Service" in page
    assert "From MET Norway since Thu 17 Dec 03:30, before that from US National Weather Service" in page
    assert "5 h 0 min ago 7 tries without an answer since https://x.example answered 503: <b>down</b> Thu 06:00" in page
    assert "MET Norway stands in now; the plan uses it fresh" in page


@pytest.mark.parametrize("feed", ["met_norway", "open_meteo"])
async def test_the_licence_is_a_link_beside_the_data(web: Any, feed: str) -> None:
    usual = site_weather()
    web.planner.site_weather = replace(usual, weather=replace(usual.weather, attribution=FEEDS[feed].attribution))
    async with web.client() as client:
        links = Tags((await client.get(PAGE)).text).links
    assert "https://creativecommons.org/licenses/by/4.0/" in links
    assert ("https://open-meteo.com/" in links) is (feed == "open_meteo")


@pytest.mark.parametrize(
    ("state", "hours_ago", "said"),
    [
        ("late", 7.0, "issued 7 h 0 min ago: late: the doubt of every temperature grows with it"),
        ("unusable", 30.0, "issued 30 h 0 min ago: too old to use: every joint is unknown"),
        ("late", 25.0, "issued 25 h 0 min ago: too old to use: every joint is unknown"),  # grown old since the plan
    ],
)
async def test_a_late_and_an_unusable_forecast_say_so(web: Any, state: Any, hours_ago: float, said: str) -> None:
    usual = site_weather()
    weather = replace(usual.weather, freshness=state, issued_utc=at(-hours_ago))
    web.planner.site_weather = replace(usual, weather=weather)
    assert said in await words(web)


async def test_readings_at_the_site_are_typed_in_and_shown_beside_the_forecast(web: Any) -> None:
    hours = site_weather().weather.hours
    assert hours is not None
    with writing(web.engine) as session:
        keep_forecast(session, "north-yard", KeptForecast("nws", at(-1.0), at(-0.5), hours, b"{}", "credit"))
    async with web.client() as client:
        for minutes, typed in ((-40, "6"), (0, "7")):
            web.clock[0] = at(minutes / 60)
            form = {"value": typed, "unit": "F", "by": "Q. Arden", "back": PAGE}
            assert (await client.post("/sites/north-yard/air-readings", data=form)).headers["location"] == PAGE
    assert web.planner.replanned == ["north-yard"] * 2
    page = await words(web)
    assert "from 2 readings at the site, fading out by" in page
    assert "Thu 05:30 7 °F 12.3 °F -5.3 °F Q. Arden yes" in page


async def test_an_hour_made_colder_shows_the_forecast_beside_it(web: Any) -> None:
    usual = site_weather()
    raw = usual.weather.hours
    assert raw is not None
    colder = replace(raw, air_c=raw.air_c - 2.0)
    weather = replace(usual.weather, hours=colder, air_bias=AirBias(-2.0, 4, at(20.0)))
    web.planner.site_weather = replace(usual, weather=weather, air=SiteAir(forecast=raw))
    page = await words(web)
    assert "Thu 05:00 7 °F forecast 10 °F dew -8 °F" in page
    assert "Forecast corrected by -3.6 °F from 4 readings at the site" in page


async def test_without_a_forecast_every_joint_is_unknown(web: Any) -> None:
    web.planner.site_weather = site_weather(weather=NO_WEATHER, standings=(Standing("nws"),), rows={})
    page = await words(web)
    assert "From none: no forecast: every joint is unknown" in page
    assert "There is no forecast: every joint is unknown. Measure." in page
    assert "Hour by hour" not in page


async def test_json_holds_every_hour_with_its_si_values(web: Any) -> None:
    async with web.client() as client:
        page = TypeAdapter(WeatherPage).validate_python((await client.get(f"{PAGE}.json")).json())
    assert len(page.hours) == 96
    assert [hour.past for hour in page.hours].count(True) == 6
    assert page.hours[0].sun_wm2 is None
    assert page.hours[18].precip_mm == pytest.approx(1.27)
    assert page.hours[10].gust_ms is None
    assert page.hours[1].at.utc - page.hours[0].at.utc == timedelta(hours=1)


async def test_the_hours_are_taken_away_as_csv_and_workbook(web: Any) -> None:
    async with web.client() as client:
        as_csv = await client.get(f"{PAGE}.csv")
        book = openpyxl.load_workbook(io.BytesIO((await client.get(f"{PAGE}.xlsx")).content))
    assert as_csv.headers["content-disposition"] == 'attachment; filename="north-yard-weather.csv"'
    rows = list(csv.DictReader(io.StringIO(as_csv.text.removeprefix("\ufeff"))))
    assert len(rows) == 96
    assert rows[10]["gust_10m_ms"] == rows[0]["sun_wm2"] == ""
    assert rows[18]["precip_mm"] == "1.27"
    assert rows[0]["hour_utc"] == "2026-12-17T05:00Z"
    assert book["weather"].max_row == 97


async def test_a_site_that_is_not_there(web: Any) -> None:
    async with web.client() as client:
        assert (await client.get("/sites/nowhere/weather")).status_code == 404
