"""Open-Meteo, forecast: payloads against a record worked out by hand, its hours, units, failures, key and switch."""

import importlib.util
import json
import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import numpy as np
import pytest
import respx
import stamina
from hypothesis import given
from hypothesis import strategies as st

from frostshift_service import http
from frostshift_service.http import Get
from frostshift_service.weather import FeedError, open_meteo
from frostshift_service.weather.age import freshness
from frostshift_service.weather.feeds import FEEDS, choose, feeds_with
from frostshift_service.weather.fetching import Fetched
from frostshift_service.weather.file import read_payload_file
from frostshift_service.weather.open_meteo_api import Access, read
from frostshift_service.weather.quality import Mark, worst

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 21, 10, tzinfo=UTC)
START = datetime(2027, 1, 14, 21, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLACE = SimpleNamespace(latitude=46.500049, longitude=-94.0, altitude_m=250.6)
BASE = "https://open-meteo.example"
FREE = Access(BASE)
KEY = "k3y-that-nobody-sees"
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)


def payload(name: str = "open_meteo_example.json") -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def changed(change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    broken = payload()
    change(broken)
    return broken


def test_example_against_the_record_worked_out_by_hand() -> None:
    # What a variable means at its stamp: documentation of the service (instant; "preceding hour" for gusts as maximum,
    # precipitation and snowfall as sums, radiation as mean), applied by hand to the numbers of the fixture.
    forecast = open_meteo.parse(payload(), NOW)
    hours = forecast.hours
    assert (hours.start_utc, len(hours)) == (START, 6)
    assert hours.air_c.tolist() == [-6.2, -7.4, -8.9, -10.1, -11.0, -11.6]
    assert hours.dew_c.tolist() == [-10.3, -10.9, -11.8, -12.6, -13.2, -13.7]
    assert hours.wind_10m_ms.tolist() == [5.12, 4.6, 3.9, 3.21, 2.8, 2.44]
    assert hours.cloud.tolist() == [0.88, 0.6, 0.25, 0.1, 0.05, 0.0]
    np.testing.assert_array_equal(hours.gust_10m_ms, [9.4, 8.1, 6.9, 5.8, NAN, NAN])
    np.testing.assert_array_equal(hours.precip_mm, [0.1, 0.0, 0.0, 0.0, 0.0, NAN])
    np.testing.assert_array_equal(hours.snow_cm, [0.07, 0.0, 0.0, 0.0, 0.0, NAN])
    np.testing.assert_array_equal(hours.sun_wm2, [47.2, 3.1, 0.0, 0.0, 0.0, NAN])
    assert not np.signbit(hours.sun_wm2[:5]).any(), "-0 is printed by the service, never by us"
    assert (forecast.feed, forecast.issued_utc, forecast.fetched_utc) == ("open_meteo", None, NOW)
    assert forecast.members is None
    assert {name: mark.word for name in forecast.quality if (mark := worst(forecast.quality, name)) is not None} == {
        **dict.fromkeys(("air_c", "dew_c", "wind_10m_ms", "cloud", "gust_10m_ms", "sun_wm2"), "interpolated"),
        "precip_mm": "spread",
        "snow_cm": "spread",
    }
    for said in ("CC BY 4.0", "https://open-meteo.com/", "https://creativecommons.org/licenses/by/4.0/", "changed"):
        assert said in forecast.attribution


amounts = st.lists(st.none() | st.floats(0.0, 20.0), min_size=2, max_size=60)


@given(amounts)
def test_every_amount_goes_to_the_hour_before_its_stamp_and_none_is_lost(given_mm: list[float | None]) -> None:
    count = len(given_mm)
    columns = {"temperature_2m": [-5.0] * count, "precipitation": given_mm}
    hours = open_meteo.parse(make_payloads.open_meteo_payload(START, columns), NOW).hours
    assert len(hours) == count
    assert hours.time_utc(count - 1) == START + (count - 1) * HOUR
    expected = [NAN if value is None else value for value in given_mm[1:]] + [NAN]
    np.testing.assert_array_equal(hours.precip_mm, expected)


@given(
    st.lists(st.integers(0, 30), unique=True, min_size=1),
    st.sampled_from(["dew_point_2m", "wind_speed_10m", "cloud_cover"]),
)
def test_a_null_is_a_hole_and_no_other_hour_changes(holes: list[int], name: str) -> None:
    whole = make_payloads.open_meteo_long(past=0, ahead=31)
    broken = make_payloads.open_meteo_changed(
        whole,
        lambda p: p["hourly"].update({name: [None if i in holes else v for i, v in enumerate(p["hourly"][name])]}),
    )
    field = open_meteo.AT[name][0]
    before, after = (getattr(open_meteo.parse(one, NOW).hours, field) for one in (whole, broken))
    stays = [i for i in range(31) if i not in holes]
    np.testing.assert_array_equal(after[stays], before[stays])
    if field != "dew_c":  # taken from the humidity, and marked so
        assert np.isnan(after[holes]).all()


# Clocks change in Chicago on 8 March and 1 November 2026 (second Sunday of March, first of November: Energy Policy Act
# of 2005, section 110). The service applies the one offset that holds when it answers: documentation, `timezone`.
@pytest.mark.parametrize(
    ("start", "offset_s"),
    [
        (datetime(2026, 3, 7, 6, tzinfo=UTC), -21600),
        (datetime(2026, 3, 8, 6, tzinfo=UTC), -18000),
        (datetime(2026, 10, 31, 5, tzinfo=UTC), -18000),
        (datetime(2026, 11, 1, 5, tzinfo=UTC), -21600),
    ],
)
def test_local_stamps_across_a_change_of_clocks(start: datetime, offset_s: int) -> None:
    plain = make_payloads.open_meteo_long(start, past=0, ahead=60)
    local = make_payloads.open_meteo_local(plain, offset_s)
    assert local["hourly"]["time"][0] == f"{start + timedelta(seconds=offset_s):%Y-%m-%dT%H:%M}"
    expected, found = (open_meteo.parse(one, start).hours for one in (plain, local))
    assert (found.start_utc, len(found)) == (start, 60)
    np.testing.assert_array_equal(found.air_c, expected.air_c)
    np.testing.assert_array_equal(found.precip_mm, expected.precip_mm)


def test_stamps_of_a_zone_that_is_half_an_hour_off_are_refused() -> None:
    # Documented in the server's source: the stamps shift by the fraction, the data do not.
    with pytest.raises(FeedError, match="21:30:00 UTC is not on the full hour"):
        open_meteo.parse(changed(lambda p: p["hourly"].update(time=[t + 1800 for t in p["hourly"]["time"]])), NOW)


def test_a_variable_that_the_model_does_not_have_is_missing() -> None:
    forecast = open_meteo.parse(payload("open_meteo_undefined.json"), NOW)
    assert np.isnan(forecast.hours.gust_10m_ms).all()
    assert worst(forecast.quality, "gust_10m_ms") is Mark.MISSING


@pytest.mark.parametrize("name", [*open_meteo.AT, *open_meteo.OVER])
@pytest.mark.parametrize("unit", ["km/h", "°F", "inch", "undefined", "", None])
def test_another_unit_is_refused(name: str, unit: str | None) -> None:
    with pytest.raises(FeedError, match=f"{name} in .*, expected .*payload not used"):
        open_meteo.parse(changed(lambda p: p["hourly_units"].update({name: unit})), NOW)


def test_a_reply_in_kilometres_an_hour_is_refused() -> None:
    with pytest.raises(FeedError, match="wind_speed_10m in 'km/h', expected 'm/s'"):
        open_meteo.parse(payload("open_meteo_wrong_unit.json"), NOW)


@pytest.mark.parametrize("name", [*open_meteo.AT, *open_meteo.OVER])
def test_a_missing_column_is_missing_and_never_zero(name: str) -> None:
    if name == "temperature_2m":
        with pytest.raises(FeedError, match="no temperature_2m"):
            open_meteo.parse(changed(lambda p: p["hourly"].pop(name)), NOW)
        return
    forecast = open_meteo.parse(changed(lambda p: p["hourly"].pop(name)), NOW)
    field = (open_meteo.AT | open_meteo.OVER)[name][0]
    if field == "dew_c":
        assert worst(forecast.quality, "dew_c") is Mark.ESTIMATED
    elif field != "humidity":
        assert worst(forecast.quality, field) is Mark.MISSING


def suffixed(models: dict[str, float]) -> dict[str, Any]:
    """The example in the keys of an answer for these models; each adds so much to the air [K]."""

    def change(whole: dict[str, Any]) -> None:
        columns, units = whole["hourly"], whole["hourly_units"]
        for name in [name for name in columns if name != "time"]:
            values, unit = columns.pop(name), units.pop(name)
            for model, warmer_k in models.items():
                more = warmer_k if name == "temperature_2m" else 0.0
                columns[f"{name}_{model}"] = [None if v is None else v + more for v in values]
                units[f"{name}_{model}"] = unit

    return changed(change)


def test_the_name_of_one_model_behind_every_key() -> None:
    found, plain = (open_meteo.parse(one, NOW).hours for one in (suffixed({"gfs_seamless": 0.0}), payload()))
    for name in ("air_c", "wind_10m_ms", "gust_10m_ms", "precip_mm", "sun_wm2"):
        np.testing.assert_array_equal(getattr(found, name), getattr(plain, name))


def test_two_models_are_never_mixed_and_none_is_picked() -> None:
    both = suffixed({"gfs_seamless": 0.0, "ecmwf_ifs025": 1.0})
    with pytest.raises(FeedError, match=r"several models \(ecmwf_ifs025, gfs_seamless\), of one is expected"):
        open_meteo.parse(both, NOW)


def test_other_variables_and_the_members_of_an_ensemble() -> None:
    more = changed(lambda p: p["hourly"].update(cloud_cover_low=[100] * 6, temperature_2m_previous_day1=[30.0] * 6))
    np.testing.assert_array_equal(open_meteo.parse(more, NOW).hours.cloud, open_meteo.parse(payload(), NOW).hours.cloud)
    with pytest.raises(FeedError, match="members of an ensemble, a forecast is expected"):
        open_meteo.parse(payload("open_meteo_ensemble_example.json"), NOW)


def test_a_little_below_zero_is_zero_and_far_below_is_missing() -> None:
    columns = {"shortwave_radiation": [0, -0.2, -5.0, -5.1, -999, 7], "precipitation": [0, -0.01, -0.05, -0.06, -9, 1]}
    forecast = open_meteo.parse(changed(lambda p: p["hourly"].update(columns)), NOW)
    np.testing.assert_array_equal(forecast.hours.sun_wm2, [0.0, 0.0, NAN, NAN, 7.0, NAN])
    np.testing.assert_array_equal(forecast.hours.precip_mm, [0.0, 0.0, NAN, NAN, 1.0, NAN])
    assert any("sun (sun_wm2) outside" in said and "-999" in said for said in forecast.warnings)


def test_200_degrees_are_left_out_and_said() -> None:
    forecast = open_meteo.parse(payload("open_meteo_absurd.json"), NOW)
    assert np.isnan(forecast.hours.air_c[3])
    assert np.isfinite(forecast.hours.air_c[[2, 4]]).all()
    assert any("2027-01-15 00:00 UTC: 200" in said for said in forecast.warnings)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p: p.pop("hourly"), "hourly is missing"),
        (lambda p: p.pop("hourly_units"), "hourly_units is missing"),
        (lambda p: p.update({"error": True, "reason": "Something went wrong."}), "Open-Meteo: Something went wrong"),
        (lambda p: p["hourly"].pop("time"), "time is missing"),
        (lambda p: p["hourly"].update(time=[]), "time is missing, empty"),
        (lambda p: p["hourly_units"].update(time="ms"), "time in 'ms', expected 'unixtime' or 'iso8601'"),
        (lambda p: p["hourly"]["time"].__setitem__(2, "2027-01-14T23:00"), "is no time in seconds"),
        (lambda p: p["hourly"]["time"].__setitem__(2, 10**40), "years 2000 to 2199 are expected"),
        (lambda p: p["hourly"]["time"].__setitem__(2, float("nan")), "is no time in seconds"),
        (lambda p: p["hourly"]["time"].__setitem__(2, True), "is no time in seconds"),
        (lambda p: p["hourly"]["time"].pop(2), "expected one hour later"),
        (lambda p: p["hourly"]["time"].reverse(), "expected one hour later"),
        (lambda p: p["hourly"]["temperature_2m"].pop(), "temperature_2m is no list of 6 values"),
        (lambda p: p["hourly"].update(cloud_cover={}), "cloud_cover is no list of 6 values"),
        (lambda p: p["hourly"].update(temperature_2m=[None] * 6), "no usable air temperature"),
        (lambda p: make_payloads.open_meteo_local(p, 0) and p["hourly_units"].update(time="iso8601"), "is not a time"),
    ],
)
def test_another_shape_is_refused(change: Any, said: str) -> None:
    with pytest.raises(FeedError, match=said):
        open_meteo.parse(changed(change), NOW)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p: p.pop("utc_offset_seconds"), "utc_offset_seconds is 'None'"),
        (lambda p: p.update(utc_offset_seconds=10**9), "-86400 to 86400 is expected"),
        (lambda p: p.update(utc_offset_seconds=True), "utc_offset_seconds is 'True'"),
        (lambda p: p["hourly"]["time"].__setitem__(0, "2027-01-14T21:00Z"), "a time without a zone"),
        (lambda p: p["hourly"]["time"].__setitem__(0, "0001-01-01T00:00"), "in the years 2000 to 2199"),
        (lambda p: p["hourly"]["time"].__setitem__(0, "tomorrow"), "'tomorrow' is not a time"),
    ],
)
def test_local_stamps_that_cannot_be_read(change: Any, said: str) -> None:
    local = make_payloads.open_meteo_local(payload(), -21600)
    change(local)
    with pytest.raises(FeedError, match=said):
        open_meteo.parse(local, NOW)


def test_a_forecast_longer_than_any_is_refused() -> None:
    with pytest.raises(FeedError, match="limit 1 to"):
        open_meteo.parse(make_payloads.open_meteo_long(past=0, ahead=500), NOW)


def test_a_payload_from_a_file() -> None:
    forecast, _ = read_payload_file(FIXTURES / "open_meteo_long.json", NOW)
    assert forecast.feed == "file"
    assert "Open-Meteo" in forecast.attribution
    assert len(forecast.hours) == 216
    for name, said in (
        ("open_meteo_two_places.json", "a JSON object is expected, not list"),
        ("open_meteo_broken_stream.json", "not valid JSON, or cut off"),
        ("open_meteo_problem_400.json", "nor a forecast of Open-Meteo"),
        ("open_meteo_ensemble_example.json", "members of an ensemble"),
    ):
        with pytest.raises(FeedError, match=said):
            read_payload_file(FIXTURES / name, NOW)


def in_local_stamps(payload: dict[str, Any]) -> dict[str, Any]:
    payload["hourly_units"]["time"] = "iso8601"
    times = payload["hourly"]["time"]
    payload["hourly"]["time"] = [f"{datetime.fromtimestamp(time, UTC):%Y-%m-%dT%H:%M}" for time in times]
    return payload


# What the axis begins with (past_hours, past_days, forecast_days, forecast_hours): documentation of the service.
@pytest.mark.parametrize(
    ("payload", "issued_utc"),
    [
        (make_payloads.open_meteo_long(), START),
        (make_payloads.open_meteo_long(START - 40 * HOUR), START - 40 * HOUR),
        (make_payloads.open_meteo_long(START - 20 * HOUR, past=0), START - 20 * HOUR),
        (make_payloads.open_meteo_long(past=24), START - 24 * HOUR),
        # As long as we ask for, but from elsewhere, or answered in the future: nine days without the past.
        (in_local_stamps(make_payloads.open_meteo_long()), START - 48 * HOUR),
        (make_payloads.open_meteo_long(START - 8 * HOUR, past=0, ahead=216), START - 8 * HOUR),
    ],
)
def test_a_file_is_as_old_as_its_axis_allows(tmp_path: Path, payload: dict[str, Any], issued_utc: datetime) -> None:
    path = tmp_path / "kept.json"
    path.write_text(json.dumps(payload), encoding="utf-8")
    forecast, _ = read_payload_file(path, NOW)
    assert forecast.issued_utc == issued_utc
    assert forecast.warnings[0].endswith(f"its age counts from {issued_utc:%Y-%m-%d %H:%M} UTC")
    later = freshness(forecast.issued_utc, forecast.fetched_utc, None, "file", NOW)
    assert (later.state == "unusable") == (NOW - issued_utc >= 24 * HOUR)


# Asking


def fetched(get: Get, access: Access = FREE) -> Fetched:
    return feeds_with(access)["open_meteo"].fetch(get, PLACE, {}, NOW, access.url)


def call(response: httpx.Response, access: Access = FREE) -> Fetched:
    with respx.mock(assert_all_called=True) as wire:
        wire.get(host="open-meteo.example", path="/v1/forecast").mock(return_value=response)
        with stamina.set_testing(True, attempts=2), http.make_client("crew@site.example", "1") as client:
            return fetched(http.bind(client, NOW), access)


def served(content: bytes, kind: str = "application/json; charset=utf-8") -> httpx.Response:
    return httpx.Response(200, content=content, headers={"Content-Type": kind})


LONG = (FIXTURES / "open_meteo_long.json").read_bytes()


def test_what_is_asked() -> None:
    with respx.mock as wire:
        route = wire.get(host="open-meteo.example").mock(return_value=served(LONG))
        with http.make_client("crew@site.example", "1") as client:
            brought = fetched(http.bind(client, NOW), Access(BASE, key=KEY))
    (asked,) = (one.request for one in route.calls)
    assert dict(asked.url.params) == {
        "latitude": "46.5",
        "longitude": "-94",
        "elevation": "251",
        "hourly": ",".join((*open_meteo.AT, *open_meteo.OVER)),
        "wind_speed_unit": "ms",
        "timeformat": "unixtime",
        "forecast_hours": "168",
        "past_hours": "48",
    }
    assert asked.headers["X-Api-Key"] == KEY
    assert asked.url.path == "/v1/forecast"
    forecast = brought.forecast
    assert forecast is not None
    assert (forecast.feed, len(forecast.hours), forecast.warnings) == ("open_meteo", 216, ())
    assert forecast.hours.start_utc == START - 48 * HOUR
    assert brought.answer.body == LONG
    assert (brought.kept, brought.ask_again_utc) == ({}, None), "no ensemble; our own interval"


def test_no_more_than_four_decimals_and_no_height_where_none_is_known() -> None:
    asked: list[str] = []

    def get(url: str, *_: object) -> Any:
        asked.append(url)
        raise http.Unreachable("nobody there")

    place = SimpleNamespace(latitude=-0.00001, longitude=179.999961, altitude_m=None)
    with pytest.raises(FeedError, match="Open-Meteo: nobody there"):
        open_meteo.fetch(get, place, {}, NOW, BASE)
    assert asked[0].startswith(f"{BASE}/v1/forecast?latitude=0&longitude=180&hourly=")
    with pytest.raises(FeedError, match="no place on earth"):
        open_meteo.fetch(get, SimpleNamespace(latitude=91.0, longitude=0.0, altitude_m=None), {}, NOW, BASE)
    assert len(asked) == 1


TWO, STREAM, REFUSED = (
    (FIXTURES / f"open_meteo_{name}.json").read_bytes() for name in ("two_places", "broken_stream", "problem_400")
)


@pytest.mark.parametrize(
    ("response", "said", "permanent"),
    [
        (
            httpx.Response(400, content=REFUSED, headers={"Content-Type": "application/json"}),
            "answered 400: Cannot initialize ForecastVariable from invalid String value temprature_2m for key hourly$",
            True,
        ),
        (
            httpx.Response(401, json={"error": True, "reason": "no key"}),
            "401: no key .*FROSTSHIFT_OPEN_METEO_KEY",
            True,
        ),
        (httpx.Response(403, json={"error": True, "reason": "plan"}), "403: plan .*does its plan include this", True),
        (httpx.Response(404), "404", True),
        (httpx.Response(500, json={"error": True, "reason": "Something went wrong."}), "Something went wrong", False),
        (httpx.Response(502, html="<html>Bad Gateway</html>"), "502: <html>Bad Gateway</html>", False),
        (httpx.Response(503, json={"reason": "The service is overloaded", "error": True}), "is overloaded", False),
        (httpx.Response(504, html="<html>late</html>"), "504", False),
        (httpx.Response(200, html="<html>hello</html>"), "not JSON: <html>hello</html>", False),
        (served(LONG[:5000]), "cut off", False),
        (served(STREAM), "cut off", False),
        (served(LONG.rstrip() + b"Unexpected error while streaming data: x"), "not valid JSON.*Extra data", False),
        (served(TWO), "an array, as for several places, where one was asked for", False),
        (served(b'{"error": true, "reason": "No data is available for this location"}'), "No data is available", False),
        (httpx.Response(304), "304", False),
    ],
)
def test_what_the_service_answers(response: httpx.Response, said: str, permanent: bool) -> None:
    with pytest.raises(FeedError, match=said) as caught:
        call(response, Access(BASE, key=KEY))
    assert (caught.value.permanent, caught.value.retry_after_s) == (permanent, None)
    assert KEY not in str(caught.value)


# Counters begin anew with the clock's minute, hour and day: source of the service (RateLimiter). 20:59:30 by its clock.
@pytest.mark.parametrize(
    ("reason", "headers", "wait_s"),
    [
        ("Minutely API request limit exceeded. Please try again in one minute.", {}, 30.0),
        ("Hourly API request limit exceeded. Please try again in the next hour.", {}, 30.0),
        ("Daily API request limit exceeded. Please try again tomorrow.", {}, 3 * 3600.0 + 30.0),
        ("Too many concurrent requests", {}, 60.0),
        ("Daily API request limit exceeded. Please try again tomorrow.", {"Retry-After": "120"}, 120.0),
    ],
)
def test_how_long_a_429_makes_us_wait(reason: str, headers: dict[str, str], wait_s: float) -> None:
    clock = {"Date": "Thu, 14 Jan 2027 20:59:30 GMT"}
    with pytest.raises(FeedError, match="429: ") as caught:
        call(httpx.Response(429, json={"error": True, "reason": reason}, headers={**clock, **headers}))
    assert (caught.value.permanent, caught.value.retry_after_s) == (False, wait_s)


def test_without_the_servers_clock_ours_counts() -> None:
    with pytest.raises(FeedError) as caught:
        call(httpx.Response(429, json={"error": True, "reason": "Hourly API request limit exceeded."}))
    assert caught.value.retry_after_s == 50 * 60.0


def test_an_answer_that_was_kept_on_the_way_is_said() -> None:
    stale = json.dumps(make_payloads.open_meteo_long(START - 5 * HOUR)).encode()
    forecast = call(served(stale)).forecast
    assert forecast is not None
    assert "as if it were 2027-01-14 16:00 UTC and not 2027-01-14 21:10 UTC" in forecast.warnings[0]
    assert forecast.issued_utc == START - 5 * HOUR, "its age counts from the answer, not from when it came"


def test_only_an_answer_that_was_kept_on_the_way_has_an_issue_time() -> None:
    for start, issued_utc in ((START, None), (START + 30 * HOUR, NOW)):
        forecast = call(served(json.dumps(make_payloads.open_meteo_long(start)).encode())).forecast
        assert forecast is not None
        assert forecast.issued_utc == issued_utc


# The switch


def test_it_is_off_until_the_settings_give_an_address() -> None:
    feed = FEEDS["open_meteo"]
    assert feed.base_url == ""
    with pytest.raises(FeedError, match="non-commercial use only.*FROSTSHIFT_OPEN_METEO_URL") as caught:
        feed.fetch(lambda *_: pytest.fail("asked"), PLACE, {}, NOW, feed.base_url)
    assert caught.value.permanent
    on = feeds_with(Access(BASE, key=KEY))
    assert on["open_meteo"].base_url == BASE
    assert {name: feed for name, feed in on.items() if name != "open_meteo"} == {
        name: feed for name, feed in FEEDS.items() if name != "open_meteo"
    }
    assert KEY not in repr(Access(BASE, key=KEY))
    assert KEY not in repr(on)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_nobody_gets_it_without_choosing_it(latitude: float, longitude: float) -> None:
    assert choose(SimpleNamespace(latitude=latitude, longitude=longitude, altitude_m=None)) != "open_meteo"
    assert open_meteo.covers(latitude, longitude)


# The key on a real server


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.seen: list[tuple[str, str | None]] = []
        self.status, self.body, self.sent_on_to = 200, LONG, ""
        self.base_url = f"http://127.0.0.1:{self.server_port}"


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def do_GET(self) -> None:
        self.server.seen.append((self.path, self.headers.get("X-Api-Key")))
        self.send_response(self.server.status)
        if self.server.sent_on_to:
            self.send_header("Location", self.server.sent_on_to + self.path)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(self.server.body)))
        self.end_headers()
        self.wfile.write(self.server.body)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def two_servers() -> Iterator[tuple[_Server, _Server]]:
    made = (_Server(), _Server())
    threads = [threading.Thread(target=one.serve_forever, kwargs={"poll_interval": 0.02}) for one in made]
    for thread in threads:
        thread.start()
    yield made
    for one, thread in zip(made, threads, strict=True):
        one.shutdown()
        thread.join()
        one.server_close()


def test_the_key_is_a_header_and_stands_nowhere_else(
    two_servers: tuple[_Server, _Server], client: httpx.Client, caplog: pytest.LogCaptureFixture
) -> None:
    server, _ = two_servers
    caplog.set_level(logging.DEBUG)
    access = Access(server.base_url, server.base_url, key=KEY)
    brought = fetched(http.bind(client, NOW), access)
    (path, key), (_, with_ensemble) = server.seen
    assert (key, with_ensemble) == (KEY, KEY)
    assert KEY not in path
    assert KEY not in json.dumps(dict(brought.kept))
    server.status, server.body = 403, b'{"error": true, "reason": "API key invalid"}'
    with pytest.raises(FeedError, match="API key invalid") as caught:
        fetched(http.bind(client, NOW), access)
    assert KEY not in f"{caught.value} {caught.value.__cause__!r} {caught.value.__cause__.__dict__}"
    assert KEY not in caplog.text


def test_the_key_is_not_sent_on_to_another_server(two_servers: tuple[_Server, _Server], client: httpx.Client) -> None:
    first, other = two_servers
    first.status, first.sent_on_to = 301, other.base_url
    assert fetched(http.bind(client, NOW), Access(first.base_url, key=KEY)).forecast is not None
    assert [key for _, key in first.seen] == [KEY]
    assert [key for _, key in other.seen] == [None]


def test_the_key_stays_on_the_same_server(two_servers: tuple[_Server, _Server], client: httpx.Client) -> None:
    server, _ = two_servers
    seen = http.get(client, f"{server.base_url}/a", {"X-Api-Key": KEY}, http.Validators(), NOW)
    assert seen.status == 200
    server.status, server.sent_on_to = 302, ""
    with pytest.raises(http.BadStatus):
        http.get(client, f"{server.base_url}/a", {"X-Api-Key": KEY}, http.Validators(), NOW)
    assert [key for _, key in server.seen] == [KEY, KEY]


def test_an_array_is_named_before_it_is_read() -> None:
    answer = http.Answer(200, b"  [1]", "application/json", None, None, None, None, None, None, BASE)
    with pytest.raises(FeedError, match="an array"):
        read(answer)
    assert read(replace(answer, body=b"{}")) == {}
