"""The weather page: whose forecast it is, how old, how it stands with every feed, and the hours."""

import csv
import io
import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
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


# Air and steel of the next hours --------------------------------------------------------------------------------------


def points_of(html: str, width: str) -> list[tuple[float, float]]:
    """The points of the lines of that stroke width, in the first drawing."""
    first = html.split("</svg>")[0]
    found = re.findall(rf'<polyline points="([^"]+)" fill="none" stroke="[^"]+" stroke-width="{width}"', first)
    return [(float(x), float(y)) for text in found for x, y in (pair.split(",") for pair in text.split())]


async def test_the_page_says_when_steel_of_the_planned_thicknesses_is_below_the_limit(web: Any) -> None:
    page = await words(web)
    assert "Air and steel, the next 72 hours" in page
    assert "Thicknesses of the joints that are planned." in page
    # air swings between -4 and -20 °C: no plate ever comes near 32 °F
    first = "from the first hour shown, Thu 05:00, to Sun 05:00 or longer"
    for plate in ("1/2 in", "1 in", "2 in", "3 in"):
        assert f"{plate} plate: below 32 °F {first}." in page
    assert "Cold-steel limit 32 °F: colder steel needs the raised minimum of the table." in page
    assert "Wind limit 5 mph at the weld for FCAW-G, GMAW, GTAW." in page


async def test_a_spell_begins_and_ends_at_hours_rounded_outwards(web: Any) -> None:
    usual = site_weather()
    hours = usual.weather.hours
    assert hours is not None
    number = np.arange(len(hours))
    air = np.where((number >= 20) & (number < 44), -12.0, 14.0)  # 19:00 of the 17th to 19:00 of the 18th
    wet_free = replace(hours, air_c=air, dew_c=air - 20.0, cloud=np.ones(len(hours)))
    web.planner.site_weather = replace(usual, weather=replace(usual.weather, hours=wet_free))
    page = await words(web)
    found = re.search(r"1/2 in plate: below 32 °F from (\w+ \d+:\d+) to (\w+ \d+:\d+)\.", page)
    assert found is not None
    view = web.app.state.desk.weather("north-yard").ahead
    likely = [(hour.at.text, hour.steel[0].likely_c) for hour in view.hours]
    below = [n for n, (_, c) in enumerate(likely) if c < 0.0]
    assert (found[1], found[2]) == (likely[below[0] - 1][0], likely[below[-1] + 1][0])
    # the shape of the sentence where only one end of the cold side differs
    assert "2 in plate: below 32 °F from Thu 19:00 to Fri 20:00 (cold side from Thu 18:00)." in page
    assert view.air_below == ("Air: not below 0 °F, even on the cold side.",)  # -12 °C less 3 K is 5 °F


async def test_the_drawing_has_every_line_and_says_what_it_shows(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get(PAGE)).text
    drawing = html.split('<svg class="chart wide"')[1].split("</svg>")[0]
    drawing, html = drawing.replace("\xa0", " "), html.replace("\xa0", " ")
    for text in ("least air at the weld 0 °F", "Wind at 10 m, mph", ">Day<", ">Night<", ">Wet<"):
        assert text in drawing, text
    assert "cold-steel limit 32 °F" in drawing
    assert "Welding by FCAW-G, GMAW, GTAW, in the open" in drawing
    assert '<rect class="state shelter_needed"' in drawing  # 10 mph
    assert 'stroke-dasharray="3 3"><title>' in drawing  # -4 °F is too near 0 °F to say
    assert "style=" not in drawing
    assert drawing.count('stroke-width="2.5"') == 4
    assert 'aria-label="Air, steel, wind and weather rules. Air from -4 °F at' in html
    y = points_of(f'<svg class="chart wide"{drawing}</svg>', "2.5")
    assert len(y) == 4 * 73


async def test_every_ink_of_the_drawing_turns_in_the_dark_and_every_fill_is_said_in_words(web: Any) -> None:
    """A colour that no rule of the style sheets knows by its class stays as it is on paper."""
    async with web.client() as client:
        html = (await client.get(PAGE)).text
    drawing = html.split('<svg class="chart wide"')[1].split("</svg>")[0]
    known = {"wash", "grid", "ink", "band", "air", "steel", "halo", "on-stop", "state"}
    for tag in re.findall(r"<(?:rect|line|polyline|polygon)[^>]*>", drawing):
        classes = re.findall(r'class="([^"\s]+)', tag)
        assert len(classes) == 1, tag
        assert classes[0] in known, tag
    for tag in re.findall(r"<text[^>]*>", drawing):
        assert ('fill="#ffffff"' in tag) is ("halo" in tag or "on-stop" in tag), tag
    page = words_of(html)
    for text in ("go; dry", "dry first; dew, frost", "shelter needed; rain or snow", "stop", "dashed: unknown"):
        assert text in page, text


async def test_hours_that_are_not_known_are_a_gap(web: Any) -> None:
    usual = site_weather()
    hours = usual.weather.hours
    assert hours is not None
    air = hours.air_c.copy()
    air[30:34] = np.nan
    web.planner.site_weather = replace(usual, weather=replace(usual.weather, hours=replace(hours, air_c=air)))
    async with web.client() as client:
        html = (await client.get(PAGE)).text
    drawing = html.split('<svg class="chart wide"')[1].split("</svg>")[0]
    assert drawing.count('stroke-width="2.5"') == 8  # each line in two pieces
    assert "4 hours of 73 not known, left open in the drawing." in words_of(html)
    ahead = web.app.state.desk.weather("north-yard").ahead
    assert [n for n, hour in enumerate(ahead.hours) if hour.steel[0] is None] == [24, 25, 26, 27]
    assert "or longer" in ahead.plates[0].below[0]


async def test_24_and_120_hours_can_be_asked_for(web: Any) -> None:
    async with web.client() as client:
        day = await client.get(f"{PAGE}?ahead=24")
        assert "Air and steel, the next 24 hours" in words_of(day.text)
        assert f'href="{PAGE}?ahead=120"' in day.text
        assert (await client.get(f"{PAGE}?ahead=0")).status_code == 422
        assert len((await client.get(f"{PAGE}.json?ahead=24")).json()["ahead"]["hours"]) == 25


async def test_steel_stands_in_the_files(web: Any) -> None:
    async with web.client() as client:
        rows = list(csv.DictReader(io.StringIO((await client.get(f"{PAGE}.csv")).text.removeprefix("\ufeff"))))
        ahead = (await client.get(f"{PAGE}.json")).json()["ahead"]
        book = openpyxl.load_workbook(io.BytesIO((await client.get(f"{PAGE}.xlsx")).content))
    assert rows[0]["steel_50.8_mm_likely_c"] == ""  # gone by
    hour = rows[6]
    assert ahead["hours"][0]["at"]["text"] == hour["hour"] == "Thu 05:00"
    assert float(hour["steel_50.8_mm_likely_c"]) == round(ahead["hours"][0]["steel"][2]["likely_c"], 1)
    assert float(hour["air_cold_c"]) < float(hour["air_likely_c"]) < float(hour["air_warm_c"])
    assert hour["weather_with_wind_limit"] == ahead["hours"][0]["limited"]["text"]
    assert rows[-1]["steel_50.8_mm_cold_c"]  # all hours of the forecast, not 72
    assert book["weather"].max_row == len(rows) + 1


async def test_without_a_plan_to_go_by_there_is_no_drawing(web: Any) -> None:
    web.planner.site_weather = site_weather(weather=NO_WEATHER, standings=(Standing("nws"),), rows={})
    page = await words(web)
    assert "Air and steel, the next" not in page
