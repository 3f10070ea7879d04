"""The US feed: payloads against a record worked out by hand, broken payloads, and the way to the grid."""

import importlib.util
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
import stamina
from hypothesis import given
from hypothesis import strategies as st

from frostshift_service import http
from frostshift_service.http import Answer, BadStatus, Validators
from frostshift_service.weather import FeedError, nws
from frostshift_service.weather.feeds import FEEDS, choose
from frostshift_service.weather.fetching import coordinate
from frostshift_service.weather.file import read_payload_file
from frostshift_service.weather.quality import Mark, runs_of, worst

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
POINTS_URL = "https://api.weather.gov/points/46.5,-94"
GRID_URL = "https://api.weather.gov/gridpoints/XYZ/101,66"
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)


def payload(name: str) -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def test_the_files_are_what_the_generator_writes() -> None:
    for name, content in make_payloads.payloads().items():
        assert (FIXTURES / name).read_bytes() == content, name


def test_example_against_the_record_worked_out_by_hand() -> None:
    # Interval rules of the service's documentation applied by hand to the intervals of the fixture:
    # wind 16.668 km/h = 9 kn (exactly 1.852 km/h each) = 4.63 m/s; 1.524 mm and 25.4 mm of snow over six hours.
    forecast = nws.parse(payload("nws_example.json"), NOW)
    hours = forecast.hours
    assert hours.start_utc == datetime(2027, 1, 14, 20, tzinfo=UTC)
    rows = slice(1, 7)  # 21:00 to 02:00
    np.testing.assert_allclose(hours.air_c[rows], [-6.111, -7.222, -8.889, -8.889, -8.889, NAN], atol=6e-4)
    np.testing.assert_allclose(hours.wind_10m_ms[rows], [4.63] * 5 + [NAN], atol=1e-9)
    np.testing.assert_allclose(hours.gust_10m_ms[rows], [8.7456] * 5 + [NAN], atol=5e-5)
    np.testing.assert_allclose(hours.precip_mm[rows], [0.254] * 3 + [0.0] * 3, atol=1e-9)
    np.testing.assert_allclose(hours.snow_cm[rows], [0.423] * 3 + [NAN] * 3, atol=5e-4)
    np.testing.assert_allclose(hours.cloud[rows], [0.84] + [0.2] * 4 + [NAN])
    np.testing.assert_allclose(hours.dew_c[rows], [-10.556, -10.556, -12.222, -12.222, -12.222, NAN], atol=6e-4)
    assert np.isnan(hours.sun_wm2).all()
    assert forecast.issued_utc == datetime(2027, 1, 14, 20, 12, 30, tzinfo=UTC)
    assert forecast.fetched_utc == NOW
    runs = runs_of(forecast.quality)
    assert runs["air_c"] == (("native", 6), ("missing", 4))
    assert runs["precip_mm"] == (("spread", 10),)
    assert runs["snow_cm"] == (("spread", 4), ("missing", 6))
    assert runs["sun_wm2"] == (("missing", 10),)
    assert "US National Weather Service" in forecast.attribution


def test_a_whole_grid_keeps_its_past_and_says_what_ends_early() -> None:
    hours = (forecast := nws.parse(payload("nws_long.json"), NOW)).hours
    assert len(hours) == 190
    assert hours.start_utc == datetime(2027, 1, 14, 14, tzinfo=UTC)
    assert np.isfinite(hours.air_c).all()
    # Dew point ends four hours before the end, humidity two: derived between, then unknown.
    assert np.isfinite(hours.dew_c[:188]).all()
    assert np.isnan(hours.dew_c[188:]).all()
    assert (hours.dew_c[186:188] < hours.air_c[186:188]).all()
    assert runs_of(forecast.quality)["dew_c"] == (("native", 186), ("estimated", 2), ("missing", 2))
    assert np.isnan(hours.precip_mm[77:]).all()
    assert any("precipitation (precip_mm) is missing in 112 of 189 hours" in text for text in forecast.warnings)


def test_a_null_hour_is_unknown() -> None:
    hours = nws.parse(payload("nws_null_hour.json"), NOW).hours
    assert np.isnan(hours.air_c[2])
    assert np.isfinite(hours.air_c[[1, 3]]).all()


def test_a_missing_dew_point_comes_from_the_humidity() -> None:
    forecast = nws.parse(payload("nws_missing_layer.json"), NOW)
    # Magnus over water (WMO-No. 8, annex 4.B: 17.62 and 243.12), -6.1111 °C at 76 %, on paper:
    # L = ln 0.76 + 17.62 (-6.1111) / 237.009 = -0.72876; 243.12 L / (17.62 - L) = -9.656.
    assert forecast.hours.dew_c[0] == pytest.approx(-9.656, abs=0.001)
    assert worst(forecast.quality, "dew_c") is Mark.ESTIMATED


def test_a_layer_that_is_empty_or_gone_is_unknown() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["skyCover"] = {"values": []}
    broken["properties"]["snowfallAmount"] = None
    del broken["properties"]["windSpeed"]
    forecast = nws.parse(broken, NOW)
    for name in ("cloud", "snow_cm", "wind_10m_ms"):
        assert np.isnan(getattr(forecast.hours, name)).all()
        assert worst(forecast.quality, name) is Mark.MISSING


def test_200_degrees_is_rejected_and_named() -> None:
    forecast = nws.parse(payload("nws_absurd.json"), NOW)
    assert np.isnan(forecast.hours.air_c[2])
    assert "air temperature (air_c) outside -60 to 50 °C, left out: 2027-01-14 22:00 UTC: 200" in forecast.warnings[0]


@pytest.mark.parametrize(
    ("layer", "uom"),
    [("windSpeed", "wmoUnit:m_s-1"), ("temperature", "wmoUnit:degF"), ("quantitativePrecipitation", None)],
)
def test_another_unit_is_refused(layer: str, uom: str | None) -> None:
    broken = payload("nws_example.json")
    broken["properties"][layer]["uom"] = uom
    with pytest.raises(FeedError, match=f"{layer}: unit .*, expected"):
        nws.parse(broken, NOW)


def test_older_unit_prefixes_are_understood() -> None:
    text = (FIXTURES / "nws_example.json").read_text(encoding="utf-8").replace("wmoUnit:", "unit:")
    expected = nws.parse(payload("nws_example.json"), NOW)
    assert_same(nws.parse(json.loads(text), NOW).hours, expected.hours)


@pytest.mark.parametrize(
    ("duration", "hours"),
    [("PT1H", 1), ("PT21H", 21), ("P1D", 24), ("P1DT6H", 30), ("P7DT13H", 181), ("P2D", 48), ("PT120M", None),
     ("PT1H30M", None), ("P1W", None), ("P1Y", None), ("PT0H", None), ("", None), ("NOW", None), ("P9999D", None),
     ("2027-01-15T00:00:00+00:00", None), ("PT1H\n", None)],
)  # fmt: skip
def test_durations(duration: str, hours: int | None) -> None:
    """ISO 8601 durations as the service writes them; days are 24 h because the axis is UTC."""
    assert nws._whole_hours(duration) == hours


def test_an_interval_we_cannot_place_is_left_out_with_a_warning() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["temperature"]["values"][1]["validTime"] = "2027-01-14T22:30:00+00:00/PT1H"
    forecast = nws.parse(broken, NOW)
    assert np.isnan(forecast.hours.air_c[2])
    assert any("'2027-01-14T22:30:00+00:00/PT1H' is not in full hours" in text for text in forecast.warnings)


def test_where_intervals_overlap_the_later_entry_wins() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["temperature"]["values"].append({"validTime": "2027-01-14T21:00:00+00:00/PT1H", "value": -6.5})
    assert nws.parse(broken, NOW).hours.air_c[:3] == pytest.approx([-6.111, -6.5, -7.222], abs=1e-3)


def test_a_jump_rejects_the_hour() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["temperature"]["values"][1]["value"] = 10.0
    forecast = nws.parse(broken, NOW)
    assert np.isnan(forecast.hours.air_c[2])
    assert np.isnan(forecast.hours.wind_10m_ms[2])
    assert np.isfinite(forecast.hours.air_c[[0, 1, 3, 4]]).all()
    assert any("jumps from -6.1 °C at 2027-01-14 21:00 UTC to 10.0 °C" in text for text in forecast.warnings)


def test_a_change_across_an_unknown_hour_is_judged_by_the_time_it_had() -> None:
    broken = payload("nws_null_hour.json")
    broken["properties"]["temperature"]["values"][2]["value"] = -26.0
    assert (nws.parse(broken, NOW).hours.air_c[3:6] == -26.0).all()


def test_a_jump_at_the_start_rejects_both_hours() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["temperature"]["values"][0]["validTime"] = "2027-01-14T21:00:00+00:00/PT1H"
    broken["properties"]["temperature"]["values"][0]["value"] = 12.0
    assert np.isnan(nws.parse(broken, NOW).hours.air_c[:2]).all()


def test_a_gust_is_no_less_than_the_wind_and_dew_no_more_than_the_air() -> None:
    broken = payload("nws_example.json")
    broken["properties"]["windGust"]["values"][0]["value"] = 1.0
    broken["properties"]["dewpoint"]["values"][0]["value"] = -5.5
    broken["properties"]["relativeHumidity"]["values"] = []
    forecast = nws.parse(broken, NOW)
    assert forecast.hours.gust_10m_ms[0] == pytest.approx(4.63)
    assert runs_of(forecast.quality)["gust_10m_ms"][0] == ("estimated", 6)
    assert np.isnan(forecast.hours.dew_c[:3]).all()
    assert any("dew point (dew_c) more than 0.5 K above the air" in text for text in forecast.warnings)


@pytest.mark.parametrize("value", ["6 to 10", True, [1], {}, 10**400, "NaN"])
def test_what_is_no_number_is_unknown(value: object) -> None:
    broken = payload("nws_example.json")
    broken["properties"]["windSpeed"]["values"][0]["value"] = value
    forecast = nws.parse(broken, NOW)
    assert np.isnan(forecast.hours.wind_10m_ms).all()
    assert any("windSpeed at 2027-01-14 20:00 UTC" in text for text in forecast.warnings)


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({}, "properties is missing"),
        ({"properties": []}, "properties is missing"),
        ({"properties": {"temperature": {"uom": "wmoUnit:degC", "values": {}}}}, "values is missing"),
        ({"properties": {"temperature": {"values": [{"validTime": None}]}}}, "is not a time|no air temperature"),
        (
            {"properties": {"temperature": {"values": [{"validTime": "2027-01-14T20:00:00/PT1H", "value": 1}]}}},
            "no time zone",
        ),
    ],
)
def test_another_shape_is_refused(broken: dict[str, Any], said: str) -> None:
    with pytest.raises(FeedError, match=said):
        nws.parse(broken, NOW)


@pytest.mark.parametrize(
    ("valid_time", "said"),
    [
        ("2028-12-31T00:00:00+00:00/PT1H", "limit 1 to"),
        ("9999-12-31T23:00:00-10:00/P7D", "not in the years 2000 to 2199"),
        ("0001-01-01T00:00:00+23:59/PT1H", "not in the years 2000 to 2199"),
    ],
)
def test_a_far_away_date_is_refused(valid_time: str, said: str) -> None:
    broken = payload("nws_example.json")
    broken["properties"]["skyCover"]["values"][1]["validTime"] = valid_time
    with pytest.raises(FeedError, match=said):
        nws.parse(broken, NOW)


def test_a_grid_that_has_run_out_is_refused_and_an_old_one_warned_about() -> None:
    with pytest.raises(FeedError, match="no usable air temperature for 2027-01-16"):
        nws.parse(payload("nws_example.json"), NOW + timedelta(days=2))
    late = nws.parse(payload("nws_long.json"), NOW + timedelta(hours=7))
    assert any("more than 6 h before it was fetched" in text for text in late.warnings)
    early = nws.parse(payload("nws_long.json"), NOW - timedelta(hours=2))
    assert any("clock right?" in text for text in early.warnings)


def assert_same(hours: Any, expected: Any) -> None:
    assert hours.start_utc == expected.start_utc
    for name in ("air_c", "dew_c", "wind_10m_ms", "cloud", "precip_mm", "snow_cm", "gust_10m_ms"):
        np.testing.assert_array_equal(getattr(hours, name), getattr(expected, name), err_msg=name)


# The nights on which US clocks change in 2027: 14 March at 08:00 UTC and 7 November at 07:00 UTC in US Central Time
# (Energy Policy Act of 2005, sec. 110: second Sunday of March, first of November, 02:00 local).
@pytest.mark.parametrize("start", [datetime(2027, 3, 13, 21, tzinfo=UTC), datetime(2027, 11, 6, 21, tzinfo=UTC)])
def test_no_hole_on_a_night_when_clocks_change(start: datetime) -> None:
    plain = make_payloads.nws_long(start)
    local = json.loads(json.dumps(plain))
    for name in nws.LAYERS:
        for item in local["properties"][name]["values"]:
            at, _, duration = item["validTime"].partition("/")
            item["validTime"] = (
                f"{datetime.fromisoformat(at).astimezone(ZoneInfo('America/Chicago')).isoformat()}/{duration}"
            )
    hours = nws.parse(plain, start).hours
    assert len(hours) == 190
    assert np.isfinite(hours.air_c).all()
    assert hours.time_utc(189) - hours.time_utc(0) == timedelta(hours=189)
    assert_same(nws.parse(local, start).hours, hours)


@st.composite
def tilings(draw: st.DrawFn) -> list[tuple[int, float]]:
    return draw(
        st.lists(
            st.tuples(st.integers(1, 40), st.floats(0.0, 90.0, allow_nan=False).map(lambda v: round(v, 3))),
            min_size=1,
            max_size=9,
        )
    )


@given(tilings())
def test_amounts_keep_their_sum_and_states_stay_flat(tiling: list[tuple[int, float]]) -> None:
    start = datetime(2027, 1, 14, tzinfo=UTC)
    intervals, at = [], start
    for length, value in tiling:
        intervals.append(nws._Interval(at, length, value))
        at += timedelta(hours=length)
    count = sum(length for length, _ in tiling)
    amounts, marks = nws._expand(nws.LAYERS["quantitativePrecipitation"], intervals, start, count)
    states, _ = nws._expand(nws.LAYERS["temperature"], intervals, start, count)
    assert amounts.sum() == pytest.approx(sum(value for _, value in tiling))
    first = 0
    for length, value in tiling:
        assert amounts[first : first + length].sum() == pytest.approx(value)
        assert (marks[first : first + length] == (Mark.SPREAD if length > 1 else Mark.NATIVE)).all()
        assert (states[first : first + length] == value).all()
        first += length


@given(tilings(), st.integers(-30, 60))
def test_hours_outside_the_intervals_stay_unknown(tiling: list[tuple[int, float]], shift: int) -> None:
    start = datetime(2027, 1, 14, tzinfo=UTC)
    length, value = tiling[0]
    interval = nws._Interval(start + timedelta(hours=shift), length, value)
    column, _ = nws._expand(nws.LAYERS["temperature"], [interval], start, 24)
    known = {i for i in range(24) if shift <= i < shift + length}
    assert {i for i in range(24) if np.isfinite(column[i])} == known


# Places by their published coordinates, to a tenth of a degree (common geography, no source).
@pytest.mark.parametrize(
    ("latitude", "longitude", "feed"),
    [
        (45.0, -93.3, "nws"), (42.3, -83.1, "nws"), (42.9, -78.9, "nws"), (47.6, -122.3, "nws"), (44.8, -68.8, "nws"),
        (46.5, -84.3, "nws"), (31.8, -106.4, "nws"), (25.8, -80.2, "nws"), (25.9, -97.5, "nws"), (32.7, -117.1, "nws"),
        (61.2, -149.9, "nws"), (58.3, -134.4, "nws"), (21.3, -157.9, "nws"), (18.4, -66.1, "nws"), (13.5, 144.8, "nws"),
        (43.7, -79.4, "met_norway"), (45.5, -73.6, "met_norway"), (49.9, -97.1, "met_norway"),
        (48.4, -89.2, "met_norway"), (60.7, -135.1, "met_norway"), (49.3, -123.1, "met_norway"),
        (25.7, -100.3, "met_norway"), (23.1, -82.4, "met_norway"), (59.9, 10.8, "met_norway"),
        (-33.9, 151.2, "met_norway"),
    ],
)  # fmt: skip
def test_the_feed_of_a_place(latitude: float, longitude: float, feed: str) -> None:
    place = SimpleNamespace(latitude=latitude, longitude=longitude, altitude_m=None)
    assert choose(place) == feed
    assert FEEDS[feed].name == feed


def test_a_place_elsewhere_gets_a_clear_answer_and_no_request() -> None:
    place = SimpleNamespace(latitude=61.12344, longitude=9.6, altitude_m=None)
    with pytest.raises(FeedError, match=r"61\.1234, 9\.6 is outside the United States") as caught:
        nws.fetch(lambda *_: pytest.fail("asked"), place, {}, NOW)
    assert caught.value.permanent


def answer(url: str, status: int = 200, body: bytes = b"", **more: Any) -> Answer:
    plain = Answer(status, body, "application/geo+json", None, None, None, None, None, None, url)
    return replace(plain, **more)


class FakeServer:
    """Answers by address and remembers what was asked."""

    def __init__(self, **more: Any) -> None:
        self.grid = answer(GRID_URL, body=(FIXTURES / "nws_long.json").read_bytes(), last_modified="then", **more)
        self.points = answer(POINTS_URL, body=(FIXTURES / "nws_points.json").read_bytes())
        self.gone: list[int] = []
        self.asked: list[tuple[str, Validators]] = []

    def get(self, url: str, headers: Mapping[str, str], validators: Validators) -> Answer:
        assert headers == {"Accept": "application/geo+json"}
        self.asked.append((url, validators))
        if url == POINTS_URL:
            return self.points
        assert url == GRID_URL
        if self.gone:
            raise BadStatus(answer(url, self.gone.pop(), b"gone"))
        return self.grid if validators == Validators() else answer(url, 304)


def test_points_then_grid_then_not_modified() -> None:
    server = FakeServer(max_age_s=1200.0)
    first = nws.fetch(server.get, PLACE, {}, NOW)
    assert first.forecast is not None
    assert len(first.forecast.hours) == 190
    assert first.answer.body == server.grid.body
    assert first.ask_again_utc == NOW + timedelta(minutes=20)
    assert [url for url, _ in server.asked] == [POINTS_URL, GRID_URL]

    second = nws.fetch(server.get, PLACE, first.kept, NOW + timedelta(hours=1))
    assert second.forecast is None
    assert server.asked[2:] == [(GRID_URL, Validators("then"))]
    third = nws.fetch(server.get, PLACE, second.kept, NOW + timedelta(hours=2))
    assert third.forecast is None, "a 304 without validators keeps the earlier ones"
    assert json.loads(json.dumps(dict(third.kept))) == third.kept


def test_the_grid_is_looked_up_again_after_a_month_and_for_another_place() -> None:
    server = FakeServer()
    kept = nws.fetch(server.get, PLACE, {}, NOW).kept
    nws.fetch(server.get, PLACE, kept, NOW + timedelta(days=31))
    assert [url for url, _ in server.asked] == [POINTS_URL, GRID_URL] * 2
    moved = SimpleNamespace(latitude=46.6, longitude=-94.0, altitude_m=None)
    with pytest.raises(AssertionError):
        nws.fetch(server.get, moved, kept, NOW)
    assert server.asked[-1][0] == "https://api.weather.gov/points/46.6,-94"


def test_a_grid_that_is_gone_is_looked_up_once() -> None:
    server = FakeServer()
    kept = nws.fetch(server.get, PLACE, {}, NOW).kept
    server.gone = [404]
    fetched = nws.fetch(server.get, PLACE, kept, NOW)
    assert fetched.answer.status == 304
    assert [url for url, _ in server.asked[2:]] == [GRID_URL, POINTS_URL, GRID_URL]
    server.gone = [404, 404]
    with pytest.raises(FeedError, match="404"):
        nws.fetch(server.get, PLACE, kept, NOW)
    server.gone = [503]
    asked = len(server.asked)
    with pytest.raises(FeedError, match="503") as caught:
        nws.fetch(server.get, PLACE, kept, NOW)
    assert not caught.value.permanent
    assert len(server.asked) == asked + 1


@pytest.mark.parametrize(
    ("grid_url", "said"),
    [
        (None, "no forecast grid"),
        ("https://elsewhere.example/x", "on another server"),
        ("http://127.0.0.1/", "another"),
    ],
)
def test_a_grid_address_is_not_followed_anywhere(grid_url: str | None, said: str) -> None:
    server = FakeServer()
    points = payload("nws_points.json")
    points["properties"]["forecastGridData"] = grid_url
    server.points = answer(POINTS_URL, body=json.dumps(points).encode())
    with pytest.raises(FeedError, match=said):
        nws.fetch(server.get, PLACE, {}, NOW)


@pytest.mark.parametrize(
    ("degrees", "text"),
    [(44.95, "44.95"), (-93.2, "-93.2"), (46.0, "46"), (-93.123456, "-93.1235"), (-0.00001, "0"), (100.0, "100")],
)
def test_coordinates_are_short(degrees: float, text: str) -> None:
    assert coordinate(degrees) == text


# Statuses as the service gives them, through the real client.
@pytest.mark.parametrize(
    ("response", "said", "permanent", "retry_after_s"),
    [
        (httpx.Response(400, json={"title": "Bad Request", "detail": "no"}), "400: Bad Request: no", True, None),
        (httpx.Response(403, html="<html>Access Denied</html>"), "403: <html>Access.*contact", True, None),
        (httpx.Response(404, json={"title": "Data Unavailable For Requested Point"}), "may lie outside", True, None),
        (httpx.Response(429), "429", False, 60.0),
        (httpx.Response(429, headers={"Retry-After": "5"}), "429", False, 5.0),
        (
            httpx.Response(429, headers={"Retry-After": "Thu, 14 Jan 2027 21:00:00 GMT"}),
            "429",
            False,
            600.0,
        ),
        (httpx.Response(500), "500", False, None),
        (
            httpx.Response(
                503,
                headers={"Content-Type": "application/problem+json"},
                content=(FIXTURES / "nws_problem_503.json").read_bytes(),
            ),
            "503: Forecast Grid Expired: The requested",
            False,
            None,
        ),
        (httpx.Response(200, html=(FIXTURES / "gateway.html").read_text()), "with text/html.*, not JSON", False, None),
        (
            httpx.Response(200, json=None, headers={"Content-Type": "application/json"}, content=b'{"a": [1, '),
            "not valid JSON, or cut off",
            False,
            None,
        ),
        (httpx.Response(200, json=[]), "a JSON object is expected", False, None),
        (httpx.Response(204), "answered 204 with no type", False, None),
    ],
)
def test_what_the_service_answers(
    response: httpx.Response, said: str, permanent: bool, retry_after_s: float | None
) -> None:
    wire = httpx.MockTransport(lambda _: response)
    client = http.make_client("crew@site.example", "1", wire)
    with client, stamina.set_testing(True, attempts=3), pytest.raises(FeedError, match=said) as caught:
        nws.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert (caught.value.permanent, caught.value.retry_after_s) == (permanent, retry_after_s)


def test_a_payload_from_a_file() -> None:
    forecast, body = read_payload_file(FIXTURES / "nws_long.json", NOW)
    assert body == (FIXTURES / "nws_long.json").read_bytes()
    assert forecast.feed == "file"
    assert forecast.issued_utc == datetime(2027, 1, 14, 20, 12, 30, tzinfo=UTC)
    assert_same(forecast.hours, nws.parse(payload("nws_long.json"), NOW).hours)


def test_a_file_without_an_issue_time_is_as_old_as_its_first_hour(tmp_path: Path) -> None:
    grid = payload("nws_long.json")
    del grid["properties"]["updateTime"]
    path = tmp_path / "grid.json"
    path.write_text(json.dumps(grid), encoding="utf-8")
    forecast, _ = read_payload_file(path, NOW)
    assert forecast.issued_utc == forecast.hours.start_utc


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\n ", "is empty"),
        (b"\xff\xfe{\x00}\x00", "not UTF-8"),
        (b"<html>", "not valid JSON"),
        (b'{"type": "Feature", "properties": {"temp', "cut off"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a": ' + b"9" * 5000 + b"}", "a number that is too long"),
        (b"[]", "a JSON object is expected"),
        (b"{}", "neither a raw grid"),
        (b'{"properties": {"temperature": 3}}', "neither a raw grid"),
        (b" " * 20_000_001, "larger than 20000000 bytes"),
    ],
)
def test_a_file_that_holds_no_forecast(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "forecast.json"
    path.write_bytes(content)
    with pytest.raises(FeedError, match=f"forecast.json: .*{said}"):
        read_payload_file(path, NOW)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match=r"none\.json: cannot be read"):
        read_payload_file(tmp_path / "none.json", NOW)
    with pytest.raises(FeedError, match="cannot be read"):
        read_payload_file(tmp_path, NOW)


# One degree of latitude is 111.2 km on a sphere of 6371 km (pi * 6371 / 180).
@pytest.mark.parametrize(
    ("name", "north", "near"),
    [
        ("nws_long.json", 0.08, True),
        ("nws_long.json", 0.1, False),
        ("met_norway_example.json", 0.08, True),
        ("met_norway_example.json", 0.1, False),
        ("open_meteo_long.json", 0.34, True),
        ("open_meteo_long.json", 0.38, False),
    ],
)
def test_a_file_for_another_place_is_said(name: str, north: float, near: bool) -> None:
    place = SimpleNamespace(latitude=46.5 + north, longitude=-94.0, altitude_m=None)
    forecast, _ = read_payload_file(FIXTURES / name, datetime(2027, 1, 14, 20, 50, tzinfo=UTC), place)
    assert any("from the site" in warning for warning in forecast.warnings) != near


@pytest.mark.parametrize("geometry", [None, 3, {"type": "Point"}, {"type": "Polygon", "coordinates": [[[200, 3]]]}])
def test_a_file_that_does_not_say_its_place(tmp_path: Path, geometry: object) -> None:
    path = tmp_path / "grid.json"
    path.write_text(json.dumps(payload("nws_long.json") | {"geometry": geometry}), encoding="utf-8")
    forecast, _ = read_payload_file(path, NOW, SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=None))
    assert forecast.warnings[0].startswith("the payload does not say for which place it is")
