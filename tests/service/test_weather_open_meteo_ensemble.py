"""Open-Meteo, ensemble: members from their keys, holes and horizons, turns of asking, and the way to a plan."""

import copy
import importlib.util
import json
from collections.abc import Callable
from dataclasses import replace
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
from sqlalchemy import Engine
from tests.service.weather_site import HEAVY, NWS, THIN, Clock, load, shown, state

from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import MEMBER_SERIES, Hours, Members
from frostshift_rules.tables import load_code_table
from frostshift_service import http
from frostshift_service.jobs import Jobs
from frostshift_service.store import forecasts, plans
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.sites import save_site
from frostshift_service.weather import FeedError, hourly
from frostshift_service.weather.feeds import FEEDS, feeds_with
from frostshift_service.weather.members import MEMBERS_STAND, on_axis
from frostshift_service.weather.open_meteo_api import Access
from frostshift_service.weather.open_meteo_ensemble import ASK_EVERY, VARIABLES, Extra, ask_in_turn, parse

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 21, 10, tzinfo=UTC)
START = datetime(2027, 1, 14, 21, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
ACCESS = Access("https://forecast.example", "https://ensemble.example")
NAN = float("nan")

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)
ensemble = make_payloads.open_meteo_ensemble


def example() -> dict[str, Any]:
    return json.loads((FIXTURES / "open_meteo_ensemble_example.json").read_text(encoding="utf-8"))


def changed(change: Callable[[dict[str, Any]], object], of: dict[str, Any] | None = None) -> dict[str, Any]:
    broken = copy.deepcopy(of or example())
    change(broken)
    return broken


def same(one: Members, other: Members) -> bool:
    return one.start_utc == other.start_utc and all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True) for name, _, _ in MEMBER_SERIES
    )


# Reading


def test_the_control_run_and_thirty_members() -> None:
    # Naming: source of the service; the bare key is the control run, members follow from 01 on with two digits.
    whole = ensemble()
    members, warnings = parse(whole)
    assert (len(members), members.start_utc, members.air_c.shape, warnings) == (31, START, (31, 168), [])
    for row, key in ((0, ""), (1, "_member01"), (30, "_member30")):
        columns = {name: np.array(whole["hourly"][f"{name}{key}"], dtype=np.float32) for name in VARIABLES}
        np.testing.assert_array_equal(members.air_c[row], columns["temperature_2m"])
        np.testing.assert_array_equal(members.dew_c[row], columns["dew_point_2m"])
        np.testing.assert_array_equal(members.wind_10m_ms[row], columns["wind_speed_10m"])
        np.testing.assert_allclose(members.cloud[row], columns["cloud_cover"] / 100.0, rtol=1e-6)


def test_the_name_of_the_model_may_stand_behind_every_key() -> None:
    found, _ = parse(ensemble(members=5, model="ecmwf_ifs025_ensemble"))
    assert same(found, parse(ensemble(members=5))[0])


def test_members_of_two_models_are_not_thrown_together() -> None:
    one, other = ensemble(members=3, model="ncep_gefs_seamless"), ensemble(members=3, model="icon_seamless_eps")
    for part in ("hourly", "hourly_units"):
        one[part] |= {key: value for key, value in other[part].items() if key != "time"}
    with pytest.raises(
        FeedError, match=r"several models \(icon_seamless_eps, ncep_gefs_seamless\), of one is expected"
    ):
        parse(one)


def test_nulls_at_the_end_are_where_the_model_ends() -> None:
    members, warnings = parse(ensemble(ahead=40, members=3, ends=25))
    assert members.air_c.shape == (3, 25)
    assert np.isfinite(members.air_c).all()
    assert warnings == []


def test_zeros_behind_the_end_of_the_air_temperature_are_no_values() -> None:
    whole = ensemble(ahead=40, members=3, ends=25)
    for key in ("cloud_cover_member01", "wind_speed_10m_member01"):
        whole["hourly"][key] = [0 if value is None else value for value in whole["hourly"][key]]
    assert parse(whole)[0].cloud.shape == (3, 25)
    whole["hourly"]["temperature_2m_member02"][20:] = [None] * 20
    members, _ = parse(whole)
    assert members.air_c.shape == (3, 25)
    for name, _, _ in MEMBER_SERIES:
        assert np.isnan(getattr(members, name)[2, 20:]).all(), name
        assert np.isfinite(getattr(members, name)[:2]).all(), name


@pytest.mark.parametrize("name", VARIABLES)
def test_a_member_without_a_variable_is_left_out(name: str) -> None:
    members, warnings = parse(changed(lambda p: p["hourly"].pop(f"{name}_member02")))
    whole, _ = parse(example())
    assert len(members) == 3
    np.testing.assert_array_equal(members.air_c, whole.air_c[[0, 1, 3]])
    title = hourly.LIMITS[VARIABLES[name][0]].title
    assert warnings == [f"1 of 4 members of the ensemble left out: member02 has no {title}"]


def test_an_ensemble_without_a_variable_is_refused() -> None:
    def undefined(whole: dict[str, Any]) -> None:
        for key in whole["hourly"]:
            if key.startswith("dew_point_2m"):
                whole["hourly"][key], whole["hourly_units"][key] = [None] * 6, "undefined"

    with pytest.raises(FeedError, match="no member of the ensemble can be used: control run has no dew point"):
        parse(changed(undefined))


def test_values_beyond_belief_are_left_out_member_by_member() -> None:
    columns = {
        "temperature_2m_member01": [-1.0, -2.0, 200.0, -2.0, -2.0, -2.0],
        "wind_speed_10m_member02": [5, -1, 5, 5, 5, 5],
        "cloud_cover_member03": [101, 50, 50, 50, 50, 50],
    }
    members, warnings = parse(changed(lambda p: p["hourly"].update(columns)))
    assert np.isnan(members.air_c[1]).tolist() == [False, False, True, False, False, False]
    assert np.isnan(members.wind_10m_ms[2]).tolist() == [False, True, False, False, False, False]
    assert np.isnan(members.cloud[3]).tolist() == [True] + [False] * 5
    assert np.isfinite(members.air_c[[0, 2, 3]]).all()
    assert len(warnings) == 1
    assert "values of 3 members of the ensemble left out: member01: air temperature (air_c) outside" in warnings[0]


@pytest.mark.parametrize("unit", ["°F", "undefined", None])
def test_another_unit_of_one_member_is_refused(unit: str | None) -> None:
    with pytest.raises(FeedError, match="temperature_2m_member03 in .*, expected '°C'"):
        parse(changed(lambda p: p["hourly_units"].update(temperature_2m_member03=unit)))


junk = st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=4) | st.just([]) | st.just({})


@settings(max_examples=150)
@given(st.lists(st.tuples(st.integers(0, 10**6), junk), min_size=1, max_size=4))
def test_junk_anywhere_never_raises_anything_else_and_invents_no_hour(changes: list[tuple[int, Any]]) -> None:
    broken = example()
    spots = [(broken[part], key) for part in ("hourly", "hourly_units") for key in broken[part]]
    spots += [(values, i) for values in broken["hourly"].values() for i in range(len(values))]
    spots += [(broken, key) for key in broken]
    for where, value in changes:
        container, key = spots[where % len(spots)]
        container[key] = value
    try:
        members, _ = parse(broken)
    except FeedError:
        return
    assert members.start_utc == START
    assert 1 <= len(members) <= 4
    assert 1 <= members.air_c.shape[1] <= 6
    whole, _ = parse(example())
    assert set(members.air_c[np.isfinite(members.air_c)].tolist()) <= {
        *whole.air_c.ravel().tolist(),
        *(float(np.float32(v)) for _, v in changes if isinstance(v, int | float) and abs(v) < 1e3),
    }


# From one axis to another


def hours_from(start: datetime, count: int) -> Hours:
    return Hours(start, *(np.zeros(count) for _ in range(8)))


@given(st.integers(-80, 80), st.integers(0, 60))
def test_on_another_axis_every_hour_is_its_own_or_nothing(shift: int, count: int) -> None:
    members, _ = parse(ensemble(ahead=30, members=3))
    there = on_axis(members, hours_from(START + shift * HOUR, count))
    assert there.start_utc == START + shift * HOUR
    assert there.air_c.shape == (3, count)
    for hour in range(count):
        of_ours = hour + shift
        for name, _, _ in MEMBER_SERIES:
            found, given_values = getattr(there, name)[:, hour], getattr(members, name)
            if 0 <= of_ours < 30:
                np.testing.assert_array_equal(found, given_values[:, of_ours])
            else:
                assert np.isnan(found).all()


# Asking in turn


class Service:
    """Answers for forecast and ensemble, and counts what was asked."""

    def __init__(self) -> None:
        self.ensemble: httpx.Response | Exception = reply(ensemble())
        self.asked: list[str] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request.url.path)
        if request.url.path == "/v1/forecast":
            return reply(make_payloads.open_meteo_long())
        if isinstance(self.ensemble, Exception):
            raise self.ensemble
        return self.ensemble

    def calls(self) -> int:
        return self.asked.count("/v1/ensemble")


def reply(payload: dict[str, Any], status: int = 200) -> httpx.Response:
    return httpx.Response(status, json=payload)


@pytest.fixture
def service() -> Service:
    return Service()


def turn(service: Service, kept: Any, now: datetime, access: Access = ACCESS, place: Any = PLACE) -> Extra:
    wire = httpx.MockTransport(service)
    with stamina.set_testing(True, attempts=1), http.make_client("crew@site.example", "1", wire) as client:
        return ask_in_turn(http.bind(client, now), place, kept, now, access)


def test_what_is_asked_of_the_ensemble() -> None:
    with respx.mock as wire:
        route = wire.get(host="ensemble.example", path="/v1/ensemble").mock(return_value=reply(ensemble()))
        with http.make_client("crew@site.example", "1") as client:
            extra = ask_in_turn(http.bind(client, NOW), PLACE, {}, NOW, ACCESS)
    (asked,) = (dict(one.request.url.params) for one in route.calls)
    assert asked == {
        "latitude": "46.5",
        "longitude": "-94",
        "elevation": "251",
        "hourly": "temperature_2m,dew_point_2m,wind_speed_10m,cloud_cover",
        "wind_speed_unit": "ms",
        "timeformat": "unixtime",
        "forecast_hours": "168",
        "models": "ecmwf_ifs025",
    }
    assert extra.members is not None
    assert extra.warnings == ()


def test_it_is_asked_every_three_hours_and_not_sooner(service: Service) -> None:
    kept: Any = {}
    brought = []
    for minutes in range(0, 12 * 60, 10):
        now = NOW + timedelta(minutes=minutes)
        extra = turn(service, kept, now)
        kept = extra.kept
        if extra.members is not None:
            brought.append(minutes)
    assert brought == [0, 180, 360, 540]
    assert service.calls() == 4


def test_another_place_or_model_is_asked_at_once(service: Service) -> None:
    kept = turn(service, {}, NOW).kept
    assert turn(service, kept, NOW + HOUR).members is None
    elsewhere = SimpleNamespace(latitude=46.6, longitude=-94.0, altitude_m=251.0)
    assert turn(service, kept, NOW + HOUR, place=elsewhere).members is not None
    assert turn(service, kept, NOW + HOUR, replace(ACCESS, ensemble_model="ncep_gefs025")).members is not None
    assert service.calls() == 3


def test_without_an_address_nothing_is_asked_and_nothing_kept(service: Service) -> None:
    kept = turn(service, {}, NOW).kept
    assert turn(service, kept, NOW + 4 * HOUR, Access("https://forecast.example")) == Extra(None, {})
    assert service.calls() == 1


FAILURES: list[tuple[Any, str]] = [
    (httpx.Response(503, json={"error": True, "reason": "The service is overloaded"}), "The service is overloaded"),
    (httpx.Response(403, json={"error": True, "reason": "Professional plan only"}), "Professional plan only"),
    (httpx.Response(200, html="<html>hello</html>"), "not JSON"),
    (httpx.Response(200, content=b'{"hourly": {', headers={"Content-Type": "application/json"}), "cut off"),
    (httpx.ConnectError("no route"), "no route"),
    (reply({"hourly": {"time": [1]}, "hourly_units": {"time": "unixtime"}}), "is no time in seconds"),
    (reply(ensemble(START - 100 * HOUR, ahead=50, members=2)), "the members end at 2027-01-12 18:00 UTC"),
]


@pytest.mark.parametrize(("failure", "said"), FAILURES)
def test_a_failure_is_a_warning_and_waits_its_three_hours(service: Service, failure: Any, said: str) -> None:
    service.ensemble = failure
    first = turn(service, {}, NOW)
    assert first.members is None
    assert said in first.warnings[0]
    assert "there are no members" in first.warnings[0]
    between = turn(service, first.kept, NOW + HOUR)
    assert between.warnings == first.warnings, "it is said for as long as it is so"
    assert service.calls() == 1
    service.ensemble = reply(ensemble())
    mended = turn(service, between.kept, NOW + ASK_EVERY)
    assert mended.members is not None
    assert (mended.warnings, "ensemble_error" in mended.kept) == ((), False)


def test_members_in_hand_stand_through_a_failure_for_half_a_day(service: Service) -> None:
    good = turn(service, {}, NOW)
    service.ensemble = httpx.Response(503)
    failed = turn(service, good.kept, NOW + ASK_EVERY)
    assert "those fetched 2027-01-14 21:10 UTC stand" in failed.warnings[0]
    late = turn(service, failed.kept, NOW + MEMBERS_STAND + HOUR)
    assert "there are no members" in late.warnings[0]


def test_a_longer_wait_that_the_service_asks_for_is_kept(service: Service) -> None:
    service.ensemble = httpx.Response(429, json={"error": True, "reason": "Daily API request limit exceeded."})
    service.ensemble.headers["Date"] = "Thu, 14 Jan 2027 14:10:00 GMT"
    kept = turn(service, {}, NOW).kept
    assert turn(service, kept, NOW + 9 * HOUR).members is None
    assert service.calls() == 1
    turn(service, kept, NOW + 10 * HOUR)
    assert service.calls() == 2


# The way to a plan


def jobs_of(store: Engine, clock: Clock, service: Service, monkeypatch: pytest.MonkeyPatch, access: Access) -> Jobs:
    monkeypatch.setitem(FEEDS, "open_meteo", feeds_with(access)["open_meteo"])  # type: ignore[arg-type]
    client = http.make_client("crew@site.example", "1", httpx.MockTransport(service))
    return Jobs(store, clock, get=lambda now: http.bind(client, now), jitter=lambda: 0.0)


def test_members_reach_the_plan_between_their_turns_and_after_a_restart(
    store_url: str, service: Service, monkeypatch: pytest.MonkeyPatch, one_attempt: None
) -> None:
    store, clock = open_store(store_url), Clock(NOW)
    with writing(store) as session:
        save_site(session, NWS, feed="open_meteo")
    load(store, NWS, HEAVY, THIN)
    jobs = jobs_of(store, clock, service, monkeypatch, ACCESS)
    assert jobs.pull(NWS.id).outcome == "new"
    sent, _ = parse(ensemble())
    for hours, calls in ((0, 1), (1, 1), (2, 1)):
        clock.now = NOW + hours * timedelta(minutes=61)
        jobs.pull(NWS.id)
        plan = shown(jobs)
        assert plan.feed == "open_meteo"
        assert {one.members for one in plan.joints} == {31}
        assert all(one.chance is not None for one in plan.joints)
        assert service.calls() == calls
    store.dispose()

    store = open_store(store_url)  # a restart
    again = jobs_of(store, clock, service, monkeypatch, ACCESS)
    assert {one.members for one in shown(again).joints} == {31}
    assert service.asked.count("/v1/forecast") == 3
    with reading(store) as session:
        plan_id = plans.last_plan_id(session, NWS.id)
        assert plan_id is not None
        kept, inputs = plans.plan_by_id(session, plan_id).plan, plans.inputs_of(session, plan_id)
        own = forecasts.last_forecast(session, NWS.id, "open_meteo")
    assert own is not None
    assert own.members is None, "the third forecast came without"
    assert inputs.weather.members is not None
    assert inputs.weather.hours is not None
    assert same(inputs.weather.members, on_axis(sent, inputs.weather.hours))
    assert np.isnan(inputs.weather.members.air_c[:, :48]).all(), "the hours gone by are the same for all"
    made = make_plan(
        inputs.site, load_code_table(NWS.table_id), inputs.joints, inputs.weather, inputs.readings, kept.made_utc
    )
    assert made == kept
    store.dispose()


def test_a_forecast_stands_without_its_ensemble(
    engine: Engine, service: Service, monkeypatch: pytest.MonkeyPatch, one_attempt: None
) -> None:
    service.ensemble = httpx.Response(503, json={"error": True, "reason": "The service is overloaded"})
    with writing(engine) as session:
        save_site(session, NWS, feed="open_meteo")
    load(engine, NWS, HEAVY)
    jobs = jobs_of(engine, Clock(NOW), service, monkeypatch, ACCESS)
    assert jobs.pull(NWS.id).outcome == "new"
    assert state(engine, feed="open_meteo").failures == 0
    (joint,) = shown(jobs).joints
    assert (joint.members, joint.chance) == (0, None)
    assert joint.steel is not None
    with reading(engine) as session:
        kept = forecasts.last_forecast(session, NWS.id, "open_meteo")
    assert kept is not None
    assert any("the ensemble gave no members" in said and "overloaded" in said for said in kept.warnings)


def test_a_site_that_chose_it_while_it_is_off_is_told_why(
    engine: Engine, service: Service, monkeypatch: pytest.MonkeyPatch, one_attempt: None
) -> None:
    with writing(engine) as session:
        save_site(session, NWS, feed="open_meteo", instead=())
    pulled = jobs_of(engine, Clock(NOW), service, monkeypatch, Access()).pull(NWS.id)
    assert pulled.outcome == "failed"
    assert "non-commercial use only" in pulled.message
    assert service.asked == []
