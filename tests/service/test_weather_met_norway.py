"""MET Norway: payloads against a record worked out by hand, the six-hourly end of the series, and the terms of use."""

import importlib.util
import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pvlib
import pytest
import stamina
from hypothesis import given
from hypothesis import strategies as st

from frostshift_service import http
from frostshift_service.http import Answer, Validators
from frostshift_service.weather import FeedError, met_norway
from frostshift_service.weather.file import read_payload_file
from frostshift_service.weather.quality import Mark, runs_of, worst

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=61.123456, longitude=9.6, altitude_m=480.4)
URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete?lat=61.1235&lon=9.6&altitude=480"
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)


def payload(name: str) -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def stamp(broken: dict[str, Any], index: int) -> dict[str, Any]:
    return broken["properties"]["timeseries"][index]["data"]


def test_example_against_the_record_worked_out_by_hand() -> None:
    # The window from 00:00 has its minimum of -14.9 °C below both ends (-9.8, -14.2): the line goes through it in the
    # middle, 03:00, as no sunrise falls into the window. 0.6 mm over six hours are 0.1 mm/h.
    forecast = met_norway.parse(payload("met_norway_example.json"), NOW)
    hours = forecast.hours
    assert hours.start_utc == datetime(2027, 1, 14, 21, tzinfo=UTC)
    assert len(hours) == 10
    np.testing.assert_allclose(hours.air_c[:6], [-6.4, -7.3, -8.6, -9.8, -11.5, -13.2])
    np.testing.assert_allclose(hours.air_c[[6, 9]], [-14.9, -14.2])
    np.testing.assert_allclose(hours.gust_10m_ms[:6], [10.1] + [NAN] * 5)
    np.testing.assert_allclose(hours.precip_mm, [0.1, 0.0, 0.0, *[0.1] * 6, NAN])
    np.testing.assert_allclose(hours.wind_10m_ms[[0, 3, 6, 9]], [5.0, 3.1, 2.7, 2.3])
    np.testing.assert_allclose(hours.cloud[[0, 3, 9]], [0.852, 0.086, 0.031])
    assert (hours.dew_c <= hours.air_c).all()
    assert np.isnan(hours.snow_cm).all()
    assert np.isnan(hours.sun_wm2).all()
    assert forecast.issued_utc == datetime(2027, 1, 14, 20, 31, 7, tzinfo=UTC)
    states = (("native", 4), ("interpolated", 5), ("native", 1))
    assert runs_of(forecast.quality) == {
        "air_c": states,
        "dew_c": states,
        "wind_10m_ms": states,
        "cloud": states,
        "precip_mm": (("native", 3), ("spread", 6), ("missing", 1)),
        "snow_cm": (("missing", 10),),
        "gust_10m_ms": (("native", 1), ("missing", 9)),
        "sun_wm2": (("missing", 10),),
    }
    assert "MET Norway" in forecast.attribution
    assert "CC BY 4.0" in forecast.attribution


def test_a_whole_series_has_no_hole_and_keeps_every_low() -> None:
    whole = payload("met_norway_long.json")
    hours = met_norway.parse(whole, NOW).hours
    assert len(hours) == 238
    assert np.isfinite(hours.air_c).all()
    assert np.isfinite(hours.precip_mm[:-1]).all()
    assert np.isnan(hours.precip_mm[-1])
    series = whole["properties"]["timeseries"]
    for entry in series:
        row = round((datetime.fromisoformat(entry["time"]) - hours.start_utc) / timedelta(hours=1))
        assert hours.air_c[row] == entry["data"]["instant"]["details"]["air_temperature"]
        window = entry["data"].get("next_6_hours")
        if window and "next_1_hours" not in entry["data"]:
            assert hours.air_c[row : row + 7].min() <= window["details"]["air_temperature_min"] + 1e-9
            assert hours.precip_mm[row : row + 6].sum() == pytest.approx(window["details"]["precipitation_amount"])


def test_the_low_of_a_window_is_put_at_sunrise() -> None:
    # Sunrise from pvlib's solar position algorithm (Reda & Andreas 2004, NREL/TP-560-34302).
    whole = payload("met_norway_long.json")
    longitude, latitude = whole["geometry"]["coordinates"][:2]
    morning = pd.DatetimeIndex(["2027-01-18"], tz="UTC")
    sunrise = pvlib.solarposition.sun_rise_set_transit_spa(morning, latitude, longitude)["sunrise"].iloc[0].floor("s")
    window = next(e for e in whole["properties"]["timeseries"] if e["time"] == "2027-01-18T06:00:00Z")
    window["data"]["next_6_hours"]["details"]["air_temperature_min"] = -25.0
    hours = met_norway.parse(whole, NOW).hours
    low = hours.time_utc(int(np.nanargmin(hours.air_c)))
    assert hours.air_c.min() == -25.0
    assert timedelta(0) <= sunrise.to_pydatetime() - low < timedelta(hours=1)


def test_a_low_that_lies_at_an_end_changes_nothing() -> None:
    example = payload("met_norway_example.json")
    stamp(example, 3)["next_6_hours"]["details"]["air_temperature_min"] = -14.2
    np.testing.assert_allclose(met_norway.parse(example, NOW).hours.air_c[3:], np.linspace(-9.8, -14.2, 7))


@given(st.floats(-30.0, 5.0), st.floats(-30.0, 5.0), st.floats(-40.0, 5.0))
def test_between_two_stamps_the_air_stays_between_what_was_said(first: float, last: float, low: float) -> None:
    example = payload("met_norway_example.json")
    for index in range(4):
        stamp(example, index)["instant"]["details"]["air_temperature"] = first
    stamp(example, 4)["instant"]["details"]["air_temperature"] = last
    stamp(example, 3)["next_6_hours"]["details"]["air_temperature_min"] = low
    air_c = met_norway.parse(example, NOW).hours.air_c[3:]
    known = air_c[np.isfinite(air_c)]
    assert known.min() >= min(first, last, low) - 1e-9
    assert known.max() <= max(first, last) + 1e-9


def test_nothing_is_filled_in_across_more_than_six_hours() -> None:
    example = payload("met_norway_example.json")
    example["properties"]["timeseries"][4]["time"] = "2027-01-15T07:00:00Z"
    forecast = met_norway.parse(example, NOW)
    assert np.isnan(forecast.hours.air_c[4:10]).all()
    assert forecast.hours.air_c[10] == -14.2
    np.testing.assert_allclose(forecast.hours.precip_mm[3:11], [0.1] * 6 + [NAN] * 2)
    assert any("no forecast for 7 h after 2027-01-15 00:00 UTC" in text for text in forecast.warnings)
    assert runs_of(forecast.quality)["air_c"] == (("native", 4), ("missing", 6), ("native", 1))


def test_an_amount_is_not_carried_past_the_next_stamp() -> None:
    example = payload("met_norway_example.json")
    del stamp(example, 0)["next_1_hours"]
    del example["properties"]["timeseries"][2]
    np.testing.assert_allclose(met_norway.parse(example, NOW).hours.precip_mm[:4], [0.1 / 6, 0.0, NAN, 0.1])


def test_a_missing_value_is_unknown_and_nothing_is_drawn_from_it() -> None:
    forecast = met_norway.parse(payload("met_norway_missing_hour.json"), NOW)
    assert np.isnan(forecast.hours.air_c[1])
    assert np.isfinite(forecast.hours.air_c[[0, 2]]).all()
    example = payload("met_norway_example.json")
    del stamp(example, 4)["instant"]["details"]["air_temperature"]
    assert np.isnan(met_norway.parse(example, NOW).hours.air_c[4:]).all()


def test_200_degrees_at_a_stamp_leave_no_trace_between_stamps() -> None:
    forecast = met_norway.parse(payload("met_norway_absurd.json"), NOW)
    assert np.isnan(forecast.hours.air_c[4:]).all()
    assert "outside -60 to 50 °C, left out: 2027-01-15 06:00 UTC: 200" in forecast.warnings[0]
    example = payload("met_norway_example.json")
    stamp(example, 3)["next_6_hours"]["details"]["air_temperature_min"] = -200.0
    assert met_norway.parse(example, NOW).hours.air_c.min() == pytest.approx(-14.2)


def test_compact_payloads_get_their_dew_point_from_the_humidity() -> None:
    example = payload("met_norway_example.json")
    for index in range(5):
        del stamp(example, index)["instant"]["details"]["dew_point_temperature"]
    forecast = met_norway.parse(example, NOW)
    assert runs_of(forecast.quality)["dew_c"] == (("estimated", 10),)
    # Magnus over water (WMO-No. 8, annex 4.B: 17.62 and 243.12), -6.4 °C at 74.6 %, on paper:
    # L = ln 0.746 + 17.62 (-6.4) / 236.72 = -0.76941; 243.12 L / (17.62 - L) = -10.172.
    assert forecast.hours.dew_c[0] == pytest.approx(-10.172, abs=0.001)
    # Between the last two stamps, 04:00: -14.9 + (14.9 - 14.2) / 3 = -14.667 °C through the low at 03:00, humidity
    # 80.6 + 4 (80.1 - 80.6) / 6 = 80.267 %: L = ln 0.80267 + 17.62 (-14.667) / 228.453 = -1.35103; dew -17.314.
    assert forecast.hours.dew_c[7] == pytest.approx(-17.314, abs=0.002)


# The legend of the service: words, intensity, showers, thunder, time of day; two codes have a second s. What cover each
# stands for is our choice; the codes are typed from its documentation.
@pytest.mark.parametrize("code", ["cloudy", "fog", "snow", "clearsky_night", "hail", 17, None])
def test_a_missing_cloud_cover_is_not_read_from_the_symbol(code: object) -> None:
    """A symbol may tell more cloud than there is, and cloud keeps steel warm: `measure` became `no_heat` by it."""
    example = payload("met_norway_example.json")
    for index in (0, 3):
        del stamp(example, index)["instant"]["details"]["cloud_area_fraction"]
        for part in ("next_1_hours", "next_6_hours"):
            if part in stamp(example, index):
                stamp(example, index)[part]["summary"] = {"symbol_code": code}
    forecast = met_norway.parse(example, NOW)
    assert runs_of(forecast.quality)["cloud"] == (("missing", 1), ("native", 2), ("missing", 6), ("native", 1))
    assert not any("symbol" in text for text in forecast.warnings)


@pytest.mark.parametrize(
    "windows", [{}, {"next_6_hours": {}}, {"next_6_hours": {"summary": {}}}, {"next_6_hours": {"details": {}}}]
)
def test_windows_may_be_empty_or_absent(windows: dict[str, Any]) -> None:
    example = payload("met_norway_example.json")
    example["properties"]["timeseries"][3]["data"] = {"instant": stamp(example, 3)["instant"], **windows}
    hours = met_norway.parse(example, NOW).hours
    assert np.isnan(hours.precip_mm[3:]).all()
    np.testing.assert_allclose(hours.air_c[3:], np.linspace(-9.8, -14.2, 7))


@pytest.mark.parametrize(
    ("name", "unit"),
    [("wind_speed", "km/h"), ("air_temperature", "fahrenheit"), ("precipitation_amount", "cm"), ("wind_speed", None),
     ("air_temperature_min", "kelvin")],
)  # fmt: skip
def test_another_unit_is_refused(name: str, unit: str | None) -> None:
    example = payload("met_norway_example.json")
    example["properties"]["meta"]["units"][name] = unit
    with pytest.raises(FeedError, match=f"{name} in .*, expected"):
        met_norway.parse(example, NOW)


def test_the_unit_of_a_parameter_that_is_not_there_does_not_matter() -> None:
    example = payload("met_norway_example.json")
    del stamp(example, 0)["instant"]["details"]["wind_speed_of_gust"]
    del example["properties"]["meta"]["units"]["wind_speed_of_gust"]
    assert worst(met_norway.parse(example, NOW).quality, "gust_10m_ms") is Mark.MISSING


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda p: p.pop("meta"), "meta is missing"),
        (lambda p: p["meta"].pop("units"), "units is missing"),
        (lambda p: p.pop("timeseries"), "timeseries is missing"),
        (lambda p: p.update(timeseries=[1]), "no list of objects"),
        (lambda p: p.update(timeseries=[]), "timeseries is empty"),
        (lambda p: p["timeseries"].reverse(), "not in order"),
        (lambda p: p["timeseries"].insert(1, p["timeseries"][0]), "not in order"),
        (lambda p: p["timeseries"][1].pop("data"), "data is missing"),
        (lambda p: p["timeseries"][1]["data"].update(instant=[]), "instant is missing or is no object"),
        (lambda p: p["timeseries"][1]["data"]["instant"].update(details=[]), "details of instant are no object"),
        (lambda p: p["timeseries"][1].update(time="2027-01-14T22:00:00"), "has no time zone"),
        (lambda p: p["timeseries"][1].update(time="tomorrow"), "'tomorrow' is not a time"),
        (lambda p: p["timeseries"][1].update(time="2027-01-14T22:30:00Z"), "not on the full hour"),
        (lambda p: p["timeseries"][4].update(time="2099-01-01T00:00:00Z"), "limit 1 to"),
        (lambda p: p["meta"].pop("updated_at"), "updated_at: 'None' is not a time"),
        (
            lambda p: [e["data"]["instant"]["details"].pop("air_temperature") for e in p["timeseries"]],
            "no usable air temperature",
        ),
    ],
)
def test_another_shape_is_refused(change: Any, said: str) -> None:
    broken = make_payloads.changed(payload("met_norway_example.json"), change)
    with pytest.raises(FeedError, match=said):
        met_norway.parse(broken, NOW)


@pytest.mark.parametrize("geometry", [None, {}, {"coordinates": []}, {"coordinates": [999, 999]}, {"coordinates": "x"}])
def test_without_a_position_the_low_goes_to_the_middle(geometry: object) -> None:
    example = payload("met_norway_example.json")
    example["geometry"] = geometry
    assert met_norway.parse(example, NOW).hours.air_c[6] == pytest.approx(-14.9)


# The nights of the clock change in the European Union in 2027: 28 March and 31 October, 01:00 UTC (Directive
# 2000/84/EC: last Sundays of March and October).
@pytest.mark.parametrize("start", [datetime(2027, 3, 27, 21, tzinfo=UTC), datetime(2027, 10, 30, 21, tzinfo=UTC)])
def test_no_hole_on_a_night_when_clocks_change(start: datetime) -> None:
    hours = met_norway.parse(make_payloads.met_norway_long(start), start).hours
    usual = met_norway.parse(make_payloads.met_norway_long(), NOW).hours
    assert len(hours) == len(usual)
    assert hours.time_utc(len(hours) - 1) - hours.start_utc == timedelta(hours=len(hours) - 1)
    np.testing.assert_array_equal(hours.wind_10m_ms, usual.wind_10m_ms)


def test_the_first_stamp_may_lie_at_any_hour() -> None:
    for later in range(6):
        start = datetime(2027, 1, 14, 21, tzinfo=UTC) + timedelta(hours=later)
        hours = met_norway.parse(make_payloads.met_norway_long(start), start).hours
        assert np.isfinite(hours.air_c).all()
        assert np.isfinite(hours.precip_mm[:-1]).all()


def test_what_is_asked_and_kept() -> None:
    asked: list[tuple[str, Validators]] = []
    body = (FIXTURES / "met_norway_long.json").read_bytes()

    def get(url: str, headers: Mapping[str, str], validators: Validators) -> Answer:
        asked.append((url, validators))
        status = 304 if validators.last_modified else 200
        # The server's clock is five minutes ahead of ours: what counts is Expires - Date.
        date = NOW + timedelta(minutes=5)
        stamp = "Thu, 14 Jan 2027 20:31:07 GMT"
        expires = date + timedelta(minutes=31)
        return Answer(status, body, "application/json", date, expires, None, stamp, None, None, url)

    first = met_norway.fetch(get, PLACE, {}, NOW)
    assert asked == [(URL, Validators())]
    assert first.forecast is not None
    assert first.forecast.feed == "met_norway"
    assert first.answer.body == body
    assert first.ask_again_utc == NOW + timedelta(minutes=31)
    second = met_norway.fetch(get, PLACE, first.kept, NOW)
    assert asked[-1] == (URL, Validators("Thu, 14 Jan 2027 20:31:07 GMT"))
    assert second.forecast is None
    elsewhere = SimpleNamespace(latitude=61.2, longitude=9.6, altitude_m=None)
    assert met_norway.fetch(get, elsewhere, second.kept, NOW).forecast is not None
    assert asked[-1][1] == Validators(), "the validators of one place are not sent for another"
    assert asked[-1][0].endswith("complete?lat=61.2&lon=9.6")


def test_no_place_on_earth() -> None:
    place = SimpleNamespace(latitude=91.0, longitude=0.0, altitude_m=None)
    with pytest.raises(FeedError, match="no place on earth"):
        met_norway.fetch(lambda *_: pytest.fail("asked"), place, {}, NOW)


def call(response: httpx.Response) -> Any:
    wire = httpx.MockTransport(lambda request: response if str(request.url) == URL else httpx.Response(418))
    with stamina.set_testing(True, attempts=3), http.make_client("crew@site.example", "1", wire) as client:
        return met_norway.fetch(http.bind(client, NOW), PLACE, {}, NOW)


def test_a_version_that_ends_is_said_loudly() -> None:
    body = (FIXTURES / "met_norway_long.json").read_bytes()
    headers = {"Content-Type": "application/json", "Last-Modified": "x"}
    fetched = call(httpx.Response(203, content=body, headers=headers))
    assert "203" in fetched.forecast.warnings[0]
    assert "last_modified" not in fetched.kept, "conditional requests do not work on 203"


@pytest.mark.parametrize(
    ("response", "said", "permanent", "retry_after_s"),
    [
        (httpx.Response(400, html="<p>bad request</p>"), "400: <p>bad request</p>", True, None),
        (httpx.Response(403, html="<p>forbidden</p>"), "403: <p>forbidden</p> .*contact", True, None),
        (httpx.Response(404), "404", True, None),
        (httpx.Response(422), "422", True, None),
        (httpx.Response(429), "429", False, 3600.0),
        (httpx.Response(502, html="<html>Bad Gateway</html>"), "502", False, None),
        (httpx.Response(200, html="<html>hello</html>"), "not JSON: <html>hello</html>", False, None),
        (
            httpx.Response(200, content=b'{"type": "Fea', headers={"Content-Type": "application/json"}),
            "cut off",
            False,
            None,
        ),
    ],
)
def test_what_the_service_answers(
    response: httpx.Response, said: str, permanent: bool, retry_after_s: float | None
) -> None:
    with pytest.raises(FeedError, match=said) as caught:
        call(response)
    assert (caught.value.permanent, caught.value.retry_after_s) == (permanent, retry_after_s)


def test_a_payload_from_a_file() -> None:
    forecast, _ = read_payload_file(FIXTURES / "met_norway_long.json", NOW)
    assert forecast.feed == "file"
    assert "MET Norway" in forecast.attribution
    assert len(forecast.hours) == 238
