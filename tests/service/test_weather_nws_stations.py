"""Observations of the nearest station: which station, which report stands for an hour, which values count."""

import copy
import importlib.util
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import numpy as np
import pytest
import respx
import stamina
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_service import http
from frostshift_service.weather import FeedError, nws_stations
from frostshift_service.weather.nws_stations import near_stations, parse

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
FIRST = datetime(2027, 1, 14, 15, tzinfo=UTC)
LAST = datetime(2027, 1, 14, 20, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
POINTS_URL = "https://api.weather.gov/points/46.5,-94"
LIST_URL = "https://api.weather.gov/gridpoints/XYZ/101,66/stations"
TOWN_URL = "https://api.weather.gov/stations/XTWN/observations"
LAKE_URL = "https://api.weather.gov/stations/XLKE/observations"
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)
observation = make_payloads.nws_observation


def payload(name: str) -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def one(at: str = "15:53", **changes: Any) -> dict[str, Any]:
    """A list with one observation, changed."""
    made = observation(at, -2.0, ["BKN"], rain=1.0)
    made["properties"].update(changes)
    return make_payloads.nws_observations([made])


@pytest.fixture
def one_attempt() -> Iterator[None]:
    with stamina.set_testing(True, attempts=1):
        yield


# Which station


def test_nearest_first_and_only_near_ones() -> None:
    """A tenth of a degree of latitude is 6371 km x pi / 1800 = 11.119 km."""
    warnings: list[str] = []
    town, lake = near_stations(payload("nws_stations.json"), PLACE, warnings)
    assert (town.id, town.title, lake.id) == ("XTWN", "Sampletown Airport", "XLKE")
    assert town.distance_km == pytest.approx(11.119, abs=0.001)
    assert lake.distance_km == pytest.approx(33.358, abs=0.001)
    assert (town.height_m, lake.height_m) == (9.0, 49.0)


def test_distance_east_and_west_and_across_the_date_line() -> None:
    """At 60 degrees north a degree of longitude is half as long: cos 60 = 1/2."""
    for west, east in ((-150.0, -150.8), (-179.7, 179.5)):
        station = make_payloads.nws_station("X", "X", 60.0, east, 10.0)
        place = SimpleNamespace(latitude=60.0, longitude=west, altitude_m=0.0)
        (found,) = near_stations({"features": [station]}, place, [])
        assert found.distance_km == pytest.approx(0.8 * 111.195 / 2.0, abs=0.01)


@pytest.mark.parametrize(
    ("height_m", "near"), [(551.0, True), (551.1, False), (-49.0, True), (-49.1, False), (None, False)]
)
def test_three_hundred_metres_of_height(height_m: float | None, near: bool) -> None:
    station = make_payloads.nws_station("X", "X", 46.5, -94.0, height_m)
    assert bool(near_stations({"features": [station]}, PLACE, [])) == near


@pytest.mark.parametrize(
    "changes",
    [
        {"geometry": None}, {"geometry": {"coordinates": []}}, {"geometry": {"coordinates": [-94.0]}},
        {"geometry": {"coordinates": ["west", 46.5]}}, {"geometry": {"coordinates": [46.5, -94.0]}},
    ],
)  # fmt: skip
def test_a_station_without_a_position_is_left_out(changes: dict[str, Any]) -> None:
    warnings: list[str] = []
    station = make_payloads.nws_station("X", "X", 46.5, -94.0, 251.0) | changes
    assert near_stations({"features": [station]}, PLACE, warnings) == []
    assert "no position, left out" in warnings[-1]


@pytest.mark.parametrize("name", ["../x", "", None, 7, "X?y", "X" * 17])
def test_an_identifier_is_no_path(name: object) -> None:
    station = make_payloads.nws_station("X", "X", 46.5, -94.0, 251.0)
    station["properties"]["stationIdentifier"] = name
    warnings: list[str] = []
    assert near_stations({"features": [station]}, PLACE, warnings) == []
    assert "no identifier" in warnings[0]


# Which report, which value


def test_the_example_by_hand() -> None:
    """Sorted on paper: see the comments of the columns."""
    warnings: list[str] = []
    hours = parse([payload("nws_observations.json")], FIRST, 6, warnings)
    assert hours.start_utc == FIRST
    # 14:53; 15:53, not 16:20; 16:53, not 17:10; 17:53 is questioned; 19:25; 19:53 is not checked, so 20:25.
    np.testing.assert_array_equal(hours.air_c, [-1.1, -2.2, -3.3, NAN, -5.0, -6.0])
    # Dew point 3 K below; at 16:53 it is rejected, so from 80 %. Magnus (17.62, 243.12), -3.3 °C: L = ln 0.8 - 0.24245
    # = -0.46560; 243.12 L / (17.62 - L) = -6.2589.
    np.testing.assert_allclose(hours.dew_c, [-4.1, -5.2, -6.259, NAN, -8.0, -9.0], atol=1e-3)
    np.testing.assert_allclose(hours.wind_10m_ms, [5.1, 5.1, 5.1, NAN, 5.1, 5.1])  # 18.36 km/h
    np.testing.assert_allclose(hours.gust_10m_ms, [NAN, 10.0, NAN, NAN, NAN, NAN])  # 36 km/h
    np.testing.assert_allclose(hours.cloud, [1.0, 0.75, 0.0, NAN, NAN, 3.5 / 8.0])
    # 15:53 tells of 15:00 to 16:00; 16:20 is too far from a full hour; 16:53 and not 17:10 for 16:00 to 17:00.
    np.testing.assert_allclose(hours.precip_mm, [0.3, 0.5, NAN, NAN, NAN, NAN])
    assert np.isnan(hours.snow_cm).all()
    assert np.isnan(hours.sun_wm2).all()
    assert warnings == []


@pytest.mark.parametrize(
    ("at", "hour"),
    [("15:29", 0), ("15:30", 1), ("15:31", 1), ("16:00", 1), ("16:29", 1), ("16:30", 2), ("14:30", 0), ("14:29", None)],
)
def test_half_an_hour_at_most(at: str, hour: int | None) -> None:
    hours = parse([one(at)], FIRST, 6, [])
    assert np.flatnonzero(np.isfinite(hours.air_c)).tolist() == ([] if hour is None else [hour])


@pytest.mark.parametrize(
    ("at", "row"), [("15:44", None), ("15:45", 0), ("15:53", 0), ("16:15", 0), ("16:16", None), ("14:53", None)]
)
def test_an_amount_belongs_to_the_hour_before(at: str, row: int | None) -> None:
    hours = parse([one(at)], FIRST, 6, [])
    assert np.flatnonzero(np.isfinite(hours.precip_mm)).tolist() == ([] if row is None else [row])


def test_of_two_as_close_the_earlier_counts_in_any_order() -> None:
    both = [observation("15:50", -1.0, []), observation("16:10", -2.0, [])]
    for order in (both, both[::-1]):
        assert parse([{"features": order}], FIRST, 6, []).air_c[1] == -1.0


@pytest.mark.parametrize(
    ("flag", "counts"),
    [("V", True), ("S", True), ("C", True), (None, True), ("qc:V", True), ("Z", False), ("X", False), ("Q", False),
     ("B", False), ("G", False), ("T", False), ("", False), (7, False), ("qc:Z", False), ("VV", False)],
)  # fmt: skip
def test_flags_of_the_quality_control(flag: object, counts: bool) -> None:
    value = {"unitCode": "wmoUnit:degC", "value": -4.0, "qualityControl": flag}
    assert np.isfinite(parse([one(temperature=value)], FIRST, 6, []).air_c[1]) == counts
    del value["qualityControl"]
    assert np.isfinite(parse([one(temperature=value)], FIRST, 6, []).air_c[1]), "no flag, as in older replies"


@pytest.mark.parametrize(
    ("field", "name", "unit", "value", "ours"),
    [
        ("temperature", "air_c", "degC", -4.0, -4.0), ("temperature", "air_c", "degF", 23.0, -5.0),
        ("windSpeed", "wind_10m_ms", "km_h-1", 36.0, 10.0), ("windSpeed", "wind_10m_ms", "m_s-1", 7.0, 7.0),
        ("precipitationLastHour", "precip_mm", "mm", 1.5, 1.5),
        ("precipitationLastHour", "precip_mm", "m", 0.0015, 1.5),
    ],
)  # fmt: skip
def test_units(field: str, name: str, unit: str, value: float, ours: float) -> None:
    for prefix in ("wmoUnit:", "unit:", ""):
        given_value = {"unitCode": f"{prefix}{unit}", "value": value, "qualityControl": "V"}
        column = getattr(parse([one(**{field: given_value})], FIRST, 6, []), name)
        assert column[np.isfinite(column)] == pytest.approx([ours])


@pytest.mark.parametrize(
    ("field", "unit"),
    [("temperature", "wmoUnit:K"), ("windSpeed", "wmoUnit:kt"), ("precipitationLastHour", "wmoUnit:in"),
     ("dewpoint", None), ("relativeHumidity", "wmoUnit:1")],
)  # fmt: skip
def test_another_unit_is_refused(field: str, unit: str | None) -> None:
    value = {"unitCode": unit, "value": 1.0, "qualityControl": "V"}
    with pytest.raises(FeedError, match=f"{field} at 2027-01-14 15:53 UTC: unit .*, expected one of"):
        parse([one(**{field: value})], FIRST, 6, [])


@pytest.mark.parametrize(
    ("layers", "cloud"),
    [
        (["CLR"], 0.0), (["SKC"], 0.0), (["FEW"], 1.5 / 8), (["SCT"], 3.5 / 8), (["BKN"], 0.75), (["OVC"], 1.0),
        (["VV"], 1.0), (["FEW", "OVC", "SCT"], 1.0), ([], NAN), (["NSC"], NAN), (["OVC", None], NAN),
    ],
)  # fmt: skip
def test_cloud_of_the_layer_that_covers_most(layers: list[Any], cloud: float) -> None:
    given_layers = [{"base": None, "amount": amount} for amount in layers]
    np.testing.assert_equal(parse([one(cloudLayers=given_layers)], FIRST, 6, []).cloud[1], cloud)
    np.testing.assert_equal(parse([one(cloudLayers=None)], FIRST, 6, []).cloud[1], NAN)


def test_an_absurd_value_is_left_out_and_named() -> None:
    warnings: list[str] = []
    hot = {"unitCode": "wmoUnit:degC", "value": 200.0, "qualityControl": "V"}
    assert np.isnan(parse([one(temperature=hot)], FIRST, 6, warnings).air_c).all()
    assert "2027-01-14 16:00 UTC: 200" in warnings[0]


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({}, "features is missing"), ({"features": [None]}, "features is missing"),
        ({"features": [{}]}, "properties is missing"), ({"features": [{"properties": {}}]}, "is not a time"),
        ({"features": [{"properties": {"timestamp": "2027-01-14T15:53:00"}}]}, "no time zone"),
    ],
)  # fmt: skip
def test_another_shape_is_refused(broken: dict[str, Any], said: str) -> None:
    with pytest.raises(FeedError, match=said):
        parse([broken], FIRST, 6, [])


# The way there


def reply(body: dict[str, Any]) -> httpx.Response:
    return httpx.Response(200, json=body, headers={"Content-Type": "application/geo+json"})


def ask(client: httpx.Client, kept: Any = None) -> nws_stations.FetchedObservations:
    return nws_stations.fetch(http.bind(client, NOW), PLACE, kept or {}, NOW, first_utc=FIRST, last_utc=LAST)


@respx.mock
def test_the_nearest_with_enough_hours(client: httpx.Client) -> None:
    points = respx.get(POINTS_URL).mock(return_value=reply(payload("nws_points.json")))
    respx.get(LIST_URL).mock(return_value=reply(payload("nws_stations.json")))
    town = respx.get(TOWN_URL).mock(return_value=reply(payload("nws_observations.json")))
    fetched = ask(client)
    observed = fetched.observed
    assert (observed.station, observed.title, observed.height_m) == ("XTWN", "Sampletown Airport", 9.0)
    assert observed.distance_km == pytest.approx(11.119, abs=0.001)
    assert (observed.fetched_utc, len(observed.hours)) == (NOW, 6)
    assert dict(town.calls.last.request.url.params) == {"start": "2027-01-14T14:30:00Z"}
    ask(client, kept=fetched.kept)
    assert points.call_count == 1, "the address is kept"


@respx.mock
@pytest.mark.usefixtures("one_attempt")
def test_the_next_where_the_nearest_has_too_few_or_fails(client: httpx.Client) -> None:
    respx.get(POINTS_URL).mock(return_value=reply(payload("nws_points.json")))
    respx.get(LIST_URL).mock(return_value=reply(payload("nws_stations.json")))
    two_hours = make_payloads.nws_observations([observation("14:53", -1.0, []), observation("15:53", -1.0, [])])
    three_hours = make_payloads.nws_observations([observation(f"{h}:53", -1.0, []) for h in (14, 15, 16)])
    respx.get(LAKE_URL).mock(return_value=reply(three_hours))
    for first in (reply(two_hours), httpx.Response(404), httpx.Response(500), reply({"features": [{}]})):
        respx.get(TOWN_URL).mock(return_value=first)
        assert ask(client).observed.station == "XLKE"
    respx.get(LAKE_URL).mock(return_value=reply(two_hours))
    respx.get(TOWN_URL).mock(return_value=reply(two_hours))
    with pytest.raises(FeedError, match=r"no station within 50 km .* XTWN \(11 km\) has 2; XLKE \(33 km\) has 2"):
        ask(client)
    respx.get(TOWN_URL).respond(429, headers={"Retry-After": "30"})
    with pytest.raises(FeedError, match="429") as caught:
        ask(client)
    assert caught.value.retry_after_s == 30.0


@respx.mock
def test_pages_are_followed_a_few_times(client: httpx.Client) -> None:
    respx.get(POINTS_URL).mock(return_value=reply(payload("nws_points.json")))
    respx.get(LIST_URL).mock(return_value=reply(payload("nws_stations.json")))
    later = make_payloads.nws_observations([observation("19:53", -1.0, []), observation("18:53", -1.0, [])])
    earlier = make_payloads.nws_observations([observation("14:53", -1.0, [])])
    second = f"{TOWN_URL}?cursor=2"
    respx.get(TOWN_URL, params={"start": "2027-01-14T14:30:00Z"}).mock(
        return_value=reply(later | {"pagination": {"next": second}})
    )
    page_2 = respx.get(second).mock(return_value=reply(earlier))
    hours = ask(client).observed.hours
    assert np.flatnonzero(np.isfinite(hours.air_c)).tolist() == [0, 4, 5]
    page_2.mock(return_value=reply(earlier | {"pagination": {"next": second}}))
    assert "more than 2 pages" in ask(client).warnings[0]


@respx.mock
def test_no_station_at_all(client: httpx.Client) -> None:
    points = payload("nws_points.json")
    respx.get(POINTS_URL).mock(return_value=reply(points))
    respx.get(LIST_URL).mock(return_value=reply({"features": []}))
    with pytest.raises(FeedError, match="has half of the 6 hours: there is none"):
        ask(client)
    points["properties"]["observationStations"] = None
    respx.get(POINTS_URL).mock(return_value=reply(points))
    with pytest.raises(FeedError, match="no list of stations for this place"):
        ask(client)


def test_what_cannot_be_asked() -> None:
    def nobody(*_: object) -> Any:
        pytest.fail("asked")

    unknown = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=None)
    with pytest.raises(FeedError, match="the site's altitude is not known"):
        nws_stations.fetch(nobody, unknown, {}, NOW, first_utc=FIRST, last_utc=LAST)
    with pytest.raises(FeedError, match="0 hours wanted; limit 1 to 168"):
        nws_stations.fetch(nobody, PLACE, {}, NOW, first_utc=FIRST, last_utc=FIRST - timedelta(hours=1))
    elsewhere = SimpleNamespace(latitude=61.1, longitude=9.6, altitude_m=1.0)
    with pytest.raises(FeedError, match="outside the United States"):
        nws_stations.fetch(nobody, elsewhere, {}, NOW, first_utc=FIRST, last_utc=LAST)


def spots(node: Any) -> list[tuple[Any, Any]]:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [spot for key, value in pairs for spot in [(node, key), *spots(value)]]


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.just([]), st.just({}),
    st.just([None]), st.just(10**400), st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:00:00-10:00"]),
)  # fmt: skip


@pytest.mark.parametrize("name", ["nws_observations.json", "nws_stations.json"])
def test_junk_anywhere_is_a_feed_error_or_sound(name: str) -> None:
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
            if name == "nws_stations.json":
                for station in near_stations(broken, PLACE, []):
                    assert 0.0 <= station.distance_km <= 50.0
                    assert abs(station.height_m) <= 300.0
            else:
                hours = parse([broken], FIRST, 6, [])
                assert len(hours) == 6
                for field in ("dew_c", "wind_10m_ms", "cloud"):
                    assert not np.isfinite(getattr(hours, field)[np.isnan(hours.air_c)]).any()
        except FeedError:
            return

    check()


@given(st.lists(st.tuples(st.integers(-90, 450), st.floats(-7.0, 7.0), st.sampled_from("VSCZX")), max_size=20))
def test_every_hour_is_that_of_the_closest_good_report(reports: list[tuple[int, float, str]]) -> None:
    """Against a search over all reports for each hour, by minutes."""
    features = [
        {
            "properties": {
                "timestamp": (FIRST + timedelta(minutes=minute)).isoformat(),
                "temperature": {"unitCode": "wmoUnit:degC", "value": air_c, "qualityControl": flag},
            }
        }
        for minute, air_c, flag in reports
    ]
    air_c = parse([{"features": features}], FIRST, 6, []).air_c
    for hour in range(6):
        near = [
            (abs(minute - 60 * hour), value)
            for minute, value, flag in reports
            if flag in "VSC" and -30 <= minute - 60 * hour < 30
        ]
        if not near:
            assert np.isnan(air_c[hour])
        else:
            closest = min(away for away, _ in near)
            assert air_c[hour] in {value for away, value in near if away == closest}
