"""The US hourly forecast: both forms of its numbers against a record worked out by hand, words, and clock changes."""

import copy
import importlib.util
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
import respx
import stamina
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_service import http
from frostshift_service.site_file import SiteFileError, read_site, template
from frostshift_service.store.records import FEED_NAMES, SITE_FEEDS
from frostshift_service.weather import FeedError, nws, nws_hourly
from frostshift_service.weather.age import freshness
from frostshift_service.weather.feeds import FEEDS, choose
from frostshift_service.weather.hourly import LIMITS
from frostshift_service.weather.quality import Mark, worst

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
POINTS_URL = "https://api.weather.gov/points/46.5,-94"
HOURLY_URL = "https://api.weather.gov/gridpoints/XYZ/101,66/forecast/hourly"
GRID_URL = "https://api.weather.gov/gridpoints/XYZ/101,66"
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)


def payload(name: str) -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def with_period(index: int, **changes: Any) -> dict[str, Any]:
    """The example with one period changed."""
    broken = payload("nws_hourly_text.json")
    broken["properties"]["periods"][index].update(changes)
    return broken


@pytest.fixture
def one_attempt() -> Iterator[None]:
    with stamina.set_testing(True, attempts=1):
        yield


@pytest.mark.parametrize("name", ["nws_hourly_text.json", "nws_hourly_units.json"])
def test_the_example_by_hand(name: str) -> None:
    """Degrees by (F - 32) / 1.8; 10 mph = 4.4704 m/s, 5 mph = 2.2352 m/s exactly; 4 km/h = 1.1111 m/s."""
    forecast = nws_hourly.parse(payload(name), NOW)
    hours = forecast.hours
    assert (forecast.feed, len(hours)) == ("nws_hourly", 5)
    assert hours.start_utc == datetime(2027, 1, 14, 21, tzinfo=UTC), "15:00 six hours behind UTC"
    np.testing.assert_allclose(hours.air_c, [-6.1111, -7.2222, -8.8889, -10.0, -10.5556], atol=5e-5)
    np.testing.assert_allclose(hours.dew_c, [-10.5556, -11.6667, -13.3333, -14.4444, -15.0], atol=5e-5)
    np.testing.assert_allclose(hours.wind_10m_ms, [4.4704, 4.4704, 1.1111, 2.2352, NAN], atol=5e-5)
    for field in ("cloud", "precip_mm", "snow_cm", "gust_10m_ms", "sun_wm2"):
        assert np.isnan(getattr(hours, field)).all(), "missing, not zero"
        assert set(forecast.quality[field].tolist()) == {Mark.MISSING}
    assert worst(forecast.quality, "air_c") == Mark.NATIVE
    assert forecast.issued_utc == datetime(2027, 1, 14, 20, 12, 30, tzinfo=UTC)


def test_no_word_of_the_sky_is_a_cloud_cover() -> None:
    """Words that tell more cloud than there is would make the steel warmer than it is."""
    example = payload("nws_hourly_text.json")
    for words in ("Cloudy", "Mostly Cloudy", "Snow", "Sunny"):
        for period in example["properties"]["periods"]:
            period["shortForecast"] = words
        assert np.isnan(nws_hourly.parse(example, NOW).hours.cloud).all()


@pytest.mark.parametrize(
    ("value", "ms"),
    [
        ("10 mph", 4.4704), ("6 to 10 mph", 4.4704), ("4 km/h", 1.1111), ("10 to 20 km/h", 5.5556), ("0 mph", 0.0),
        ({"unitCode": "wmoUnit:km_h-1", "value": 36}, 10.0), ({"unitCode": "wmoUnit:m_s-1", "value": 3}, 3.0),
        ({"unitCode": "wmoUnit:km_h-1", "minValue": 18, "maxValue": 36}, 10.0),
        ({"unitCode": "wmoUnit:km_h-1", "value": None}, NAN), (None, NAN),
    ],
)  # fmt: skip
def test_winds(value: object, ms: float) -> None:
    forecast = nws_hourly.parse(with_period(0, windSpeed=value, windGust=None), NOW)
    np.testing.assert_allclose(forecast.hours.wind_10m_ms[0], ms, atol=5e-5)
    assert not any("windSpeed" in text for text in forecast.warnings)


@pytest.mark.parametrize("value", ["10", "10 kt", "Calm", "mph", "-5 mph", "10 mph NW", 10, [], True])
def test_a_wind_without_a_unit_we_know_is_unknown(value: object) -> None:
    forecast = nws_hourly.parse(with_period(0, windSpeed=value), NOW)
    assert np.isnan(forecast.hours.wind_10m_ms[0])
    assert any("windSpeed at 2027-01-14 21:00 UTC" in text for text in forecast.warnings)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"temperatureUnit": "K"}, "temperatureUnit|temperature in 'K', expected one of degC"),
        ({"temperatureUnit": None}, "expected one of degC"),
        ({"temperature": {"unitCode": "wmoUnit:K", "value": 262}}, "unitCode in 'K'"),
        ({"windSpeed": {"unitCode": "wmoUnit:kt", "value": 9}}, "unitCode in 'kt', expected one of km_h-1"),
        ({"dewpoint": {"value": -10}}, "dewpoint at .* unitCode in 'None'"),
        ({"relativeHumidity": {"unitCode": "wmoUnit:1", "value": 0.7}}, "expected one of percent"),
        ({"startTime": "2027-01-14T15:00:00"}, "no time zone"),
        ({"startTime": None}, "is not a time"),
        ({"endTime": None}, "is not a time"),
    ],
)
def test_another_unit_or_no_time_is_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(FeedError, match=said):
        nws_hourly.parse(with_period(1, **changes), NOW)


def test_the_wrong_unit_of_the_fixture_is_refused() -> None:
    with pytest.raises(FeedError, match="windSpeed at 2027-01-14 22:00 UTC.*'kt'.*payload not used"):
        nws_hourly.parse(payload("nws_hourly_wrong_unit.json"), NOW)


def test_celsius_in_whole_degrees() -> None:
    assert nws_hourly.parse(with_period(0, temperature=-7, temperatureUnit="C"), NOW).hours.air_c[0] == -7.0


def test_a_missing_period_is_a_hole_and_twelve_hours_are_no_hour() -> None:
    broken = payload("nws_hourly_text.json")
    del broken["properties"]["periods"][2]
    broken["properties"]["periods"][0]["endTime"] = "2027-01-15T03:00:00-06:00"
    forecast = nws_hourly.parse(broken, NOW)
    assert forecast.hours.start_utc == datetime(2027, 1, 14, 22, tzinfo=UTC)
    np.testing.assert_array_equal(np.isfinite(forecast.hours.air_c), [True, False, True, True])
    assert any("is not one full hour, left out" in text for text in forecast.warnings)


@pytest.mark.parametrize("periods", [[], None, {}, [None], "x"])
def test_no_periods_no_forecast(periods: object) -> None:
    with pytest.raises(FeedError):
        nws_hourly.parse({"properties": {"periods": periods}}, NOW)


# The nights on which US clocks change in 2027 (see test_weather_nws.py): 25 and 23 local hours, 24 and 24 of UTC.
@pytest.mark.parametrize("start", [datetime(2027, 3, 13, 21, tzinfo=UTC), datetime(2027, 11, 6, 21, tzinfo=UTC)])
def test_the_local_offset_changes_inside_the_list(start: datetime) -> None:
    local = make_payloads.nws_hourly_long(start, zone=ZoneInfo("America/Chicago"))
    texts = [period["startTime"][-6:] for period in local["properties"]["periods"]]
    assert set(texts) == {"-06:00", "-05:00"}
    hours = nws_hourly.parse(local, start).hours
    plain = nws_hourly.parse(make_payloads.nws_hourly_long(start), start).hours
    assert (len(hours), hours.start_utc) == (156, start)
    assert np.isfinite(hours.air_c).all()
    for field in ("air_c", "dew_c", "wind_10m_ms", "cloud"):
        np.testing.assert_array_equal(getattr(hours, field), getattr(plain, field))


def spots(node: Any) -> list[tuple[Any, Any]]:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [spot for key, value in pairs for spot in [(node, key), *spots(value)]]


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.just([]), st.just({}),
    st.just([None]),
    st.just(10**400),
    st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:00:00Z", "1 to 9999 mph", "999 km/h", "٣ mph"]),
)  # fmt: skip


@pytest.mark.parametrize("name", ["nws_hourly_text.json", "nws_hourly_units.json"])
def test_junk_anywhere_is_a_feed_error_or_a_sound_record(name: str) -> None:
    example = payload(name)
    count = len(spots(example))

    @settings(max_examples=150, deadline=None)
    @given(st.lists(st.tuples(st.integers(0, count - 1), JUNK), min_size=1, max_size=3))
    def check(changes: list[tuple[int, Any]]) -> None:
        broken = copy.deepcopy(example)
        places = spots(broken)
        for index, value in changes:
            container, key = places[index]
            container[key] = value
        try:
            hours = nws_hourly.parse(broken, NOW).hours
        except FeedError:
            return
        assert np.isfinite(hours.air_c).any()
        for field, limit in LIMITS.items():
            if field != "humidity":
                known = getattr(hours, field)[np.isfinite(getattr(hours, field))]
                assert ((limit.low <= known) & (known <= limit.high)).all(), field

    check()


# The way there


def reply(name: str, **headers: str) -> httpx.Response:
    kind = {"Content-Type": "application/geo+json", **headers}
    return httpx.Response(200, headers=kind, content=(FIXTURES / name).read_bytes())


@respx.mock
def test_points_then_hourly_then_not_modified(client: httpx.Client) -> None:
    points = respx.get(POINTS_URL).mock(return_value=reply("nws_points.json"))
    periods = respx.get(HOURLY_URL).mock(return_value=reply("nws_hourly_units.json", **{"Last-Modified": "then"}))
    first = nws_hourly.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert first.forecast is not None
    assert first.forecast.feed == "nws_hourly"
    sent = periods.calls.last.request.headers
    assert sent["Feature-Flags"] == "forecast_temperature_qv, forecast_wind_speed_qv"
    assert sent["Accept"] == "application/geo+json"
    assert sent["User-Agent"] == "Frostshift/1.2.3 (crew@site.example)"

    periods.mock(return_value=httpx.Response(304))
    second = nws_hourly.fetch(http.bind(client, NOW), PLACE, first.kept, NOW)
    assert second.forecast is None
    assert periods.calls.last.request.headers["If-Modified-Since"] == "then"
    assert points.call_count == 1, "the address is kept"
    assert json.loads(json.dumps(dict(second.kept))) == second.kept


@respx.mock
def test_the_grid_and_the_hours_share_one_look_up(client: httpx.Client) -> None:
    points = respx.get(POINTS_URL).mock(return_value=reply("nws_points.json"))
    respx.get(GRID_URL).mock(return_value=reply("nws_long.json", **{"Last-Modified": "grid"}))
    periods = respx.get(HOURLY_URL).mock(return_value=reply("nws_hourly_units.json"))
    get = http.bind(client, NOW)
    kept = nws.fetch(get, PLACE, {}, NOW).kept
    fetched = nws_hourly.fetch(get, PLACE, kept, NOW)
    assert points.call_count == 1
    assert "If-Modified-Since" not in periods.calls.last.request.headers, "the grid's validators are not for the hours"
    assert fetched.kept["grid_url"] == kept["grid_url"]
    assert fetched.kept["url"] == HOURLY_URL
    # A record from before the hourly feed knows the grid alone: the rest is looked up, and the grid still works.
    old = {key: kept[key] for key in ("points_url", "points_utc", "grid_url")}
    nws.fetch(get, PLACE, old, NOW)
    assert points.call_count == 1
    nws_hourly.fetch(get, PLACE, old, NOW)
    assert points.call_count == 2


@respx.mock
@pytest.mark.usefixtures("one_attempt")
@pytest.mark.parametrize(
    ("url", "said"),
    [(None, "no hourly forecast for"), ("https://elsewhere.example/x", "on another server"), ("https://[", "another")],
)
def test_no_address_or_one_elsewhere(client: httpx.Client, url: str | None, said: str) -> None:
    points = payload("nws_points.json")
    points["properties"]["forecastHourly"] = url
    respx.get(POINTS_URL).respond(200, json=points)
    respx.get(GRID_URL).mock(return_value=reply("nws_long.json"))
    with pytest.raises(FeedError, match=said) as caught:
        nws_hourly.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert caught.value.permanent
    assert nws.fetch(http.bind(client, NOW), PLACE, {}, NOW).forecast is not None, "the grid has its own address"


@respx.mock
@pytest.mark.usefixtures("one_attempt")
@pytest.mark.parametrize(
    ("response", "said", "permanent", "retry_after_s"),
    [
        (httpx.Response(403, html="<html>Access Denied"), "403: .*contact", True, None),
        (httpx.Response(404, json={"title": "Not Found"}), "404: Not Found", True, None),
        (httpx.Response(429), "429", False, 60.0),
        (httpx.Response(429, headers={"Retry-After": "7"}), "429", False, 7.0),
        (httpx.Response(500), "500", False, None),
        (httpx.Response(503, json={"title": "Forecast Grid Invalid"}), "503", False, None),
        (httpx.Response(200, html="<html>Bad Gateway"), "with text/html.*, not JSON", False, None),
        (
            httpx.Response(200, headers={"Content-Type": "application/geo+json"}, content=b'{"properties": {"per'),
            "cut off",
            False,
            None,
        ),
    ],
)
def test_what_the_service_answers(
    client: httpx.Client, response: httpx.Response, said: str, permanent: bool, retry_after_s: float | None
) -> None:
    respx.get(POINTS_URL).mock(return_value=reply("nws_points.json"))
    respx.get(HOURLY_URL).mock(return_value=response)
    with pytest.raises(FeedError, match=said) as caught:
        nws_hourly.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert (caught.value.permanent, caught.value.retry_after_s) == (permanent, retry_after_s)


@respx.mock
def test_a_moved_address_is_followed(client: httpx.Client) -> None:
    respx.get(POINTS_URL).respond(301, headers={"Location": "/points/46.5,-94.0001"})
    respx.get("https://api.weather.gov/points/46.5,-94.0001").mock(return_value=reply("nws_points.json"))
    respx.get(HOURLY_URL).mock(return_value=reply("nws_hourly_units.json"))
    assert nws_hourly.fetch(http.bind(client, NOW), PLACE, {}, NOW).forecast is not None


# Its place among the feeds


def test_it_stands_in_and_is_never_chosen() -> None:
    assert FEEDS["nws_hourly"].fetch is nws_hourly.fetch
    assert "nws_hourly" in FEED_NAMES
    assert "nws_hourly" not in SITE_FEEDS
    places = [
        SimpleNamespace(latitude=y, longitude=x, altitude_m=None)
        for y in range(-80, 81, 8)
        for x in range(-180, 181, 9)
    ]
    assert {choose(place) for place in places} == {"nws", "met_norway"}
    with pytest.raises(SiteFileError, match="'feed' is 'nws_hourly', expected one of nws, met_norway, file"):
        read_site(f'feed = "nws_hourly"\n{template(NOW.date())}'.encode(), "t")


def test_it_is_late_after_six_hours_as_the_grid() -> None:
    issued = NOW - timedelta(hours=7)
    assert freshness(issued, NOW, NOW, "nws_hourly", NOW).state == "late"
    forecast = nws_hourly.parse(make_payloads.nws_hourly_long(), NOW + timedelta(hours=6))
    assert any("more than 6 h before it was fetched" in text for text in forecast.warnings)
