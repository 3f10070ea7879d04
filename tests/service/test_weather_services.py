"""The simulated weather services themselves: they insist on what the real ones insist on, and break in every way."""

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import numpy as np
import pytest
import stamina
from tests.weather_services import open_meteo, truth
from tests.weather_services.checks import Kept, Week, foreign_values
from tests.weather_services.control import ROOT, Control, running
from tests.weather_services.faults import KINDS
from tests.weather_services.truth import HOUR, PLACES
from tests.weather_services.week import SERIES

from frostshift_service import http
from frostshift_service.http import BadStatus, TooBig, Unreachable, Validators
from frostshift_service.weather import FeedError
from frostshift_service.weather.feeds import FEEDS, feeds_with
from frostshift_service.weather.open_meteo_api import Access

NOW = datetime(2026, 10, 31, 5, 50, tzinfo=UTC)
ORE, BRIDGE, DOCK, _, MILL = PLACES
GRID, DOCK_PATH = "/nws/gridpoints/XYZ/101,66", "/weatherapi/locationforecast/2.0/complete?lat=69.6&lon=18.9"
OPEN_METEO = "/open-meteo/v1/forecast?latitude=50.4&longitude=-104.6&timeformat=unixtime&past_hours=2&forecast_hours=30"
FORECAST = {"nws": GRID, "met_norway": DOCK_PATH, "open_meteo": f"{OPEN_METEO}&hourly=temperature_2m,wind_speed_10m"}


@pytest.fixture(scope="module")
def process() -> Iterator[Control]:
    with running() as made:
        yield made


@pytest.fixture
def control(process: Control) -> Control:
    process.set_clock(NOW)
    process.set_faults([])
    process.forget()
    return process


@pytest.fixture(autouse=True)
def one_attempt() -> Iterator[None]:
    with stamina.set_testing(True, attempts=1):
        yield


def ask(client: httpx.Client, control: Control, path: str, **headers: str) -> httpx.Response:
    return client.get(control.base_url + path, headers=headers)


@pytest.mark.parametrize("agent", ["python-httpx/0.28.1", "Frostshift/1.0", ""])
@pytest.mark.parametrize("path", [GRID, DOCK_PATH])
def test_who_gives_no_contact_is_refused(client: httpx.Client, control: Control, path: str, agent: str) -> None:
    assert ask(client, control, path, **{"User-Agent": agent}).status_code == 403
    assert ask(client, control, path).status_code == 200


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/weatherapi/locationforecast/2.0/complete?lat=69.60001&lon=18.9", 403),
        ("/weatherapi/locationforecast/2.0/complete?lat=69.6", 400),
        ("/weatherapi/locationforecast/2.0/complete?lat=69.6&lon=18.9&altitude=12.5", 400),
        ("/weatherapi/locationforecast/2.0/complete?lat=69.6&lon=18.9&units=us", 400),
        ("/weatherapi/locationforecast/2.0/?lat=69.6&lon=18.9", 404),
        ("/nws/points/69.6,18.9", 404),
        ("/nws/gridpoints/XYZ/7,66", 404),
        ("/nws/gridpoints/XYZ/101,66?fresh=1", 400),
        (f"{OPEN_METEO}&hourly=temprature_2m", 400),
        (OPEN_METEO.replace("forecast?", "ensemble?") + "&hourly=temperature_2m", 400),
        ("/open-meteo/v1/forecast?hourly=temperature_2m", 400),
        ("/elsewhere", 404),
    ],
)
def test_what_is_asked_wrongly_is_refused(client: httpx.Client, control: Control, path: str, status: int) -> None:
    assert ask(client, control, path).status_code == status


@pytest.mark.parametrize("written", ["46.50000,-94", "46.5,-94.0", "46.500004,-94"])
def test_a_coordinate_written_too_long_is_sent_on(client: httpx.Client, control: Control, written: str) -> None:
    sent_on = ask(client, control, f"/nws/points/{written}")
    assert (sent_on.status_code, sent_on.headers["location"]) == (301, "/nws/points/46.5,-94")
    assert ask(client, control, sent_on.headers["location"]).json()["properties"]["timeZone"] == "America/Chicago"


@pytest.mark.parametrize("path", [GRID, DOCK_PATH])
def test_not_modified_is_said_to_the_exact_stamp_only(client: httpx.Client, control: Control, path: str) -> None:
    first = ask(client, control, path)
    stamp = first.headers["last-modified"]
    again = ask(client, control, path, **{"If-Modified-Since": stamp})
    assert (again.status_code, again.content, again.headers["last-modified"]) == (304, b"", stamp)
    assert "expires" in again.headers
    assert ask(client, control, path, **{"If-Modified-Since": stamp.replace("GMT", "+0000")}).status_code == 200
    control.set_clock(NOW + timedelta(hours=4))
    assert ask(client, control, path, **{"If-Modified-Since": stamp}).status_code == 200


def test_the_log_tells_what_came(client: httpx.Client, control: Control) -> None:
    ask(client, control, GRID)
    entry = control.log()[-1]
    assert (entry["at"], entry["service"], entry["endpoint"], entry["place"]) == (
        NOW.isoformat(), "nws", "grid", "ore-shed",
    )  # fmt: skip
    assert (entry["method"], entry["path"], entry["status"]) == ("GET", GRID, 200)
    assert "crew@site.example" in entry["headers"]["user-agent"]
    assert "Last-Modified" in entry["sent"]


GIVES: dict[str, Any] = {
    "latency": 200, "slow_body": 200, "deprecated": 203, "redirect": 200, "stuck": 200, "stale": 200, "absurd": 200,
    "wrong_unit": 200, "html": 200, "truncated": 200, "status": BadStatus, "drop": Unreachable, "hang": Unreachable,
    "half_body": Unreachable, "gzip_bomb": TooBig, "too_large": TooBig, "moved": None,
}  # fmt: skip
"""Fault -> the status that our client hands on, or the error that it raises."""


def test_every_fault_is_tried_here() -> None:
    assert set(GIVES) == set(KINDS)


@pytest.mark.parametrize("service", FORECAST)
@pytest.mark.parametrize("kind", [kind for kind, gives in GIVES.items() if gives is not None])
def test_every_fault_of_every_service_against_our_client(
    client: httpx.Client, control: Control, service: str, kind: str
) -> None:
    hour = {"from_utc": NOW.isoformat(), "to_utc": (NOW + HOUR).isoformat()}
    control.set_faults([{"kind": kind, **hour, "service": service, "times": 1, "seconds": 0.02, "hours": 12.0}])
    gives, url = GIVES[kind], control.base_url + FORECAST[service]
    if isinstance(gives, int):
        answer = http.get(client, url, {}, Validators(), NOW)
        assert answer.status == gives
        assert answer.url.endswith(FORECAST[service])
        assert ("/elsewhere/" in answer.url) == (kind == "redirect")
        assert ("html" in answer.content_type) == (kind == "html")
        if kind in ("html", "truncated"):
            with pytest.raises(json.JSONDecodeError):
                json.loads(answer.body)
        else:
            assert json.loads(answer.body)
    else:
        with pytest.raises(gives):
            http.get(client, url, {}, Validators(), NOW)
    assert control.log()[0]["fault"] == kind
    control.set_faults([])
    assert http.get(client, url, {}, Validators(), NOW).status == 200, (
        "and it is well again on the same connection pool"
    )


@pytest.mark.parametrize("as_date", [False, True])
def test_retry_after_in_both_forms(client: httpx.Client, control: Control, as_date: bool) -> None:
    hour = {"from_utc": NOW.isoformat(), "to_utc": (NOW + HOUR).isoformat()}
    control.set_faults([{"kind": "status", **hour, "status": 429, "retry_after_s": 900, "as_date": as_date}])
    with pytest.raises(BadStatus) as caught:
        http.get(client, control.base_url + GRID, {}, Validators(), NOW)
    assert caught.value.answer.retry_after_s == 900.0


def test_a_grid_that_has_moved(client: httpx.Client, control: Control) -> None:
    later = {"from_utc": NOW.isoformat(), "to_utc": (NOW + 99 * HOUR).isoformat()}
    control.set_faults([{"kind": "moved", **later, "place": "ore-shed", "service": "nws"}])
    assert ask(client, control, GRID).status_code == 404
    moved = ask(client, control, "/nws/points/46.5,-94").json()["properties"]["forecastGridData"]
    assert moved != control.base_url + GRID
    assert client.get(moved).status_code == 200


@pytest.mark.parametrize(
    ("feed", "place"), [("nws", ORE), ("nws", BRIDGE), ("met_norway", DOCK), ("met_norway", MILL), ("met_norway", ORE),
     ("open_meteo", MILL), ("open_meteo", ORE)],
)  # fmt: skip
@pytest.mark.parametrize("hours", [0, 7, 26, 31])
def test_our_readers_find_what_the_services_meant(
    client: httpx.Client, control: Control, feed: str, place: Any, hours: int
) -> None:
    """Two readings of the documentation, made apart, agree to the last digit: units, hours, sums, ends of layers."""
    now = NOW + hours * HOUR
    control.set_clock(now)
    fetched = FEEDS[feed].fetch(http.bind(client, now), place, {}, now, control.base_urls[feed])
    assert fetched.forecast is not None
    found = fetched.forecast.hours
    rows = {found.time_utc(i): {name: float(getattr(found, name)[i]) for name in SERIES} for i in range(len(found))}
    entry = control.log()[-1]
    kept = Kept(1, place.name, feed, None, now, entry["digest"], rows)
    week = Week({place.name: (feed,)}, now, now + HOUR, log=[entry], kept=[kept])
    assert foreign_values(week) == []
    later = replace(kept, rows={time + HOUR: row for time, row in rows.items()})
    assert foreign_values(replace(week, kept=[later]))


@pytest.mark.parametrize(("model", "count"), [("ecmwf_ifs025", 51), ("ncep_gefs025", 31)])
def test_our_reader_finds_the_members_that_the_ensemble_meant(
    client: httpx.Client, control: Control, model: str, count: int
) -> None:
    access = Access(control.base_urls["open_meteo"], control.base_urls["open_meteo_ensemble"], model)
    fetched = feeds_with(access)["open_meteo"].fetch(http.bind(client, NOW), MILL, {}, NOW, access.url)
    assert fetched.forecast is not None
    members, run = fetched.forecast.members, open_meteo.run_at(NOW)
    assert members is not None
    assert len(members) == count
    present = round((NOW.replace(minute=0) - members.start_utc) / HOUR)
    for member in (0, 1, count - 1):
        for ahead in (0, 1, 40, 167):
            meant = truth.forecast(MILL, "om", run, NOW.replace(minute=0) + ahead * HOUR, member)
            assert members.air_c[member, present + ahead] == np.float32(round(meant.air_c, 1))
            assert members.wind_10m_ms[member, present + ahead] == np.float32(round(meant.wind_ms, 2))
    assert np.isnan(members.air_c[:, :present]).all()


def test_open_meteo_sums_belong_to_the_hour_before_their_stamp(client: httpx.Client, control: Control) -> None:
    names = "temperature_2m,precipitation,wind_gusts_10m,shortwave_radiation,wind_speed_10m"
    reply = ask(client, control, f"{OPEN_METEO}&hourly={names}&wind_speed_unit=ms").json()
    stamps = [datetime.fromtimestamp(second, UTC) for second in reply["hourly"]["time"]]
    assert stamps[0] == datetime(2026, 10, 31, 3, tzinfo=UTC)
    assert len(stamps) == 32
    assert reply["hourly_units"]["wind_speed_10m"] == "m/s"
    expected = open_meteo.expected(MILL, NOW, stamps)
    for i, stamp in enumerate(stamps):
        assert reply["hourly"]["temperature_2m"][i] == expected[stamp]["air_c"]
        assert reply["hourly"]["wind_speed_10m"][i] == expected[stamp]["wind_10m_ms"]
        if i:
            assert reply["hourly"]["precipitation"][i] == expected[stamps[i - 1]]["precip_mm"]
            assert reply["hourly"]["shortwave_radiation"][i] == expected[stamps[i - 1]]["sun_wm2"]
            assert reply["hourly"]["wind_gusts_10m"][i] == expected[stamps[i - 1]]["gust_10m_ms"]
    assert max(reply["hourly"]["shortwave_radiation"]) > 50.0
    assert not {"expires", "cache-control", "last-modified", "etag"} & set(ask(client, control, OPEN_METEO).headers)


def test_open_meteo_speaks_km_h_where_nobody_asked_and_local_time_by_one_offset(
    client: httpx.Client, control: Control
) -> None:
    week = "/open-meteo/v1/forecast?latitude=46.5&longitude=-94&hourly=wind_speed_10m&forecast_days=3"
    local = ask(client, control, f"{week}&timezone=America/Chicago").json()
    assert local["hourly_units"]["wind_speed_10m"] == "km/h"
    assert local["utc_offset_seconds"] == -5 * 3600  # still summer time, for the whole axis
    assert (local["hourly"]["time"][0], len(local["hourly"]["time"])) == ("2026-10-31T00:00", 72)


def test_the_ensemble_has_a_control_without_suffix_and_nulls_behind_its_horizon(
    client: httpx.Client, control: Control
) -> None:
    path = OPEN_METEO.replace("forecast?", "ensemble?").replace("forecast_hours=30", "forecast_hours=260")
    reply = ask(client, control, f"{path}&hourly=temperature_2m&models=ncep_gefs025").json()["hourly"]
    assert set(reply) == {"time", "temperature_2m", *(f"temperature_2m_member{n:02d}" for n in range(1, 31))}
    assert reply["temperature_2m"][100] != reply["temperature_2m_member07"][100]
    assert {values[-1] for name, values in reply.items() if name != "time"} == {None}


def test_hourly_periods_run_on_through_the_night_in_which_the_clocks_go_back(
    client: httpx.Client, control: Control
) -> None:
    periods = ask(client, control, f"{GRID}/forecast/hourly").json()["properties"]["periods"]
    starts = [datetime.fromisoformat(period["startTime"]) for period in periods]
    assert {start.utcoffset() for start in starts} == {timedelta(hours=-5), timedelta(hours=-6)}
    assert {b.astimezone(UTC) - a.astimezone(UTC) for a, b in zip(starts, starts[1:], strict=False)} == {HOUR}
    assert len({start.replace(tzinfo=None) for start in starts}) == len(starts) - 1, "one wall-clock hour comes twice"
    assert periods[0]["windSpeed"].endswith(" mph")
    numbers = ask(client, control, f"{GRID}/forecast/hourly", **{"Feature-Flags": "forecast_temperature_qv"}).json()
    assert numbers["properties"]["periods"][0]["temperature"]["unitCode"] == "wmoUnit:degC"


def test_alerts_come_update_and_go_with_a_front(client: httpx.Client, control: Control) -> None:
    seen = []
    for hours in range(-12, 100, 4):
        control.set_clock(datetime(2026, 10, 29, tzinfo=UTC) + hours * HOUR)
        features = ask(client, control, "/nws/alerts/active?point=46.5,-94").json()["features"]
        seen += [(f["properties"]["messageType"], f["properties"]["status"]) for f in features]
    assert {kind for kind, status in seen if status == "Actual"} == {"Alert", "Update", "Cancel"}
    assert ("Alert", "Test") in seen


def test_stations_and_their_observations(client: httpx.Client, control: Control) -> None:
    stations = ask(client, control, f"{GRID}/stations").json()
    assert len(stations["observationStations"]) == len(stations["features"]) == 2
    start = (NOW - 6 * HOUR).isoformat().replace("+00:00", "Z")
    found = client.get(f"{stations['observationStations'][0]}/observations", params={"start": start}).json()["features"]
    times = [datetime.fromisoformat(one["properties"]["timestamp"]) for one in found]
    assert times == sorted(times, reverse=True)
    assert len(times) == 6
    assert any(one["properties"]["temperature"]["value"] is None for one in found)


def test_a_wrong_unit_is_refused_by_our_readers_and_absurd_values_are_not_used(
    client: httpx.Client, control: Control
) -> None:
    hour = {"from_utc": NOW.isoformat(), "to_utc": (NOW + HOUR).isoformat()}
    for feed, place in (("nws", ORE), ("met_norway", DOCK), ("open_meteo", MILL)):
        control.set_faults([{"kind": "wrong_unit", **hour}])
        with pytest.raises(FeedError, match="expected"):
            FEEDS[feed].fetch(http.bind(client, NOW), place, {}, NOW, control.base_urls[feed])
        control.set_faults([{"kind": "absurd", **hour}])
        fetched = FEEDS[feed].fetch(http.bind(client, NOW), place, {}, NOW, control.base_urls[feed])
        assert fetched.forecast is not None
        assert max(value for value in fetched.forecast.hours.air_c if value == value) < 10.0


def test_the_process_ends_with_the_one_that_started_it() -> None:
    command = [sys.executable, "-m", "tests.weather_services"]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stdout.readline().startswith("http://127.0.0.1:")
        process.stdin.close()
        assert process.wait(timeout=20) == 0
