"""Alerts of the US service: what is in force, what replaces what, what is about cold; not known is never "none"."""

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
import respx
import stamina
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.job import Joint, Part
from frostshift_service import http
from frostshift_service.store.records import Alert, KeptAlerts
from frostshift_service.weather import FeedError, nws_alerts
from frostshift_service.weather.nws_alerts import (
    FetchedAlerts,
    after_answer,
    after_failure,
    cold,
    is_due,
    known_alerts,
    parse,
    work_ahead,
)

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
URL = "https://api.weather.gov/alerts/active?point=46.5,-94"
PAGE_2 = "https://api.weather.gov/alerts/active?point=46.5,-94&cursor=2"


def payload(name: str) -> dict[str, Any]:
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


def number(alert: Alert) -> int:
    return int(alert.id.split(".")[-2])


def in_force(example: dict[str, Any], now: datetime = NOW) -> list[int]:
    return [number(alert) for alert in parse([example], now)[0]]


def changed(index: int, **changes: Any) -> dict[str, Any]:
    example = payload("nws_alerts.json")
    example["features"][index]["properties"].update(changes)
    return example


@pytest.fixture
def one_attempt() -> Iterator[None]:
    with stamina.set_testing(True, attempts=1):
        yield


def test_the_example_by_hand() -> None:
    alerts, warnings = parse([payload("nws_alerts.json")], NOW)
    assert [number(alert) for alert in alerts] == [2, 4, 9]
    assert warnings == ()
    advisory, storm, flood = alerts
    assert advisory == Alert(
        id="urn:oid:2.49.0.1.840.0.example.002.1",
        event="Cold Weather Advisory",
        severity="Moderate",
        certainty="Likely",
        urgency="Expected",
        headline="Cold Weather Advisory issued January 14",
        onset_utc=datetime(2027, 1, 15, 6, tzinfo=UTC),
        ends_utc=datetime(2027, 1, 15, 18, tzinfo=UTC),
        sent_utc=datetime(2027, 1, 14, 20, 5, tzinfo=UTC),
        area="Sample County; North Sample",
        phenomena=("CW",),
    )
    assert storm.ends_utc == datetime(2027, 1, 15, 4, 15, tzinfo=UTC), "without an end the message's own"
    assert storm.phenomena == ("WS",)
    assert (flood.onset_utc, flood.headline, flood.severity) == (None, None, None)
    assert [cold(alert) for alert in alerts] == ["cold", "snow", None]


def test_no_alerts_is_an_answer() -> None:
    assert parse([payload("nws_alerts_none.json")], NOW) == ((), ())


def test_an_alert_ends_at_its_end() -> None:
    end = datetime(2027, 1, 15, 18, tzinfo=UTC)
    assert 2 in in_force(payload("nws_alerts.json"), end - timedelta(seconds=1))
    assert 2 not in in_force(payload("nws_alerts.json"), end)
    assert in_force(changed(8, ends=None, expires=None), NOW + timedelta(days=30)) == [9], "no end is not an end"


@pytest.mark.parametrize("status", ["Test", "Exercise", "Draft", "System"])
def test_only_actual_messages_count_or_replace(status: str) -> None:
    assert in_force(changed(1, status=status)) == [1, 4, 9], "the first issue stands where its update is none"
    assert in_force(changed(5, status=status)) == [2, 4, 5, 9], "a test cancels nothing"


def test_a_chain_of_updates_leaves_the_last() -> None:
    example = payload("nws_alerts.json")
    third = copy.deepcopy(example["features"][1])
    third["properties"].update(
        id="urn:oid:2.49.0.1.840.0.example.010.1",
        sent="2027-01-14T14:30:00-06:00",
        references=[{"identifier": "urn:oid:2.49.0.1.840.0.example.002.1"}],
        parameters={},
    )
    example["features"].insert(0, third)
    assert in_force(example) == [10, 4, 9]
    example["features"].reverse()
    assert in_force(example) == [9, 4, 10], "in whatever order they come"


def test_an_event_is_replaced_by_number_without_references() -> None:
    assert in_force(changed(1, references=[])) == [2, 4, 9]
    other = {"VTEC": ["/O.NEW.KXYZ.CW.Y.0004.270115T0600Z-270115T1800Z/"]}
    assert in_force(changed(1, references=[], parameters=other)) == [1, 2, 4, 9], "another number, another event"
    of_two = {"VTEC": [*payload("nws_alerts.json")["features"][0]["properties"]["parameters"]["VTEC"], *other["VTEC"]]}
    assert in_force(changed(0, parameters=of_two) | {}) == [2, 4, 9], "referred to by its update"
    example = changed(0, parameters=of_two)
    example["features"][1]["properties"]["references"] = []
    assert in_force(example) == [1, 2, 4, 9], "one of its two events stands nowhere else"


def test_without_times_nothing_is_dropped() -> None:
    assert in_force(changed(1, sent=None)) == [1, 2, 4, 9]
    assert in_force(changed(0, sent=None)) == [1, 2, 4, 9]


@pytest.mark.parametrize(("action", "stands"), [("CAN", False), ("UPG", False), ("EXP", True), ("EXT", True)])
def test_what_has_ended_by_its_action(action: str, stands: bool) -> None:
    vtec = {"VTEC": [f"/O.{action}.KXYZ.CW.Y.0003.270115T0600Z-270115T1800Z/"]}
    assert (2 in in_force(changed(1, parameters=vtec))) == stands


def test_a_time_that_cannot_be_read_hides_nothing() -> None:
    alerts, warnings = parse([changed(1, ends="soon", onset=7)], NOW)
    assert alerts[0].ends_utc == datetime(2027, 1, 15, 4, 15, tzinfo=UTC)
    assert alerts[0].onset_utc is None
    assert ["onset" in warnings[0], "'soon' is not a time, left out" in warnings[1]] == [True, True]


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({}, "features is missing"),
        ({"features": {}}, "features is missing"),
        ({"features": [None]}, "features is missing or is no list"),
        ({"features": [{}]}, "properties is missing"),
        ({"features": [{"properties": {"id": "x", "event": "y"}}]}, "an alert without status .'x'"),
        ({"features": [{"properties": {"id": "x", "status": "Actual", "event": " "}}]}, "without event"),
        ({"features": [{"properties": {"status": "Actual", "event": "y"}}]}, "without id"),
    ],
)
def test_a_list_that_cannot_be_read_is_not_used(broken: dict[str, Any], said: str) -> None:
    with pytest.raises(FeedError, match=said):
        parse([broken], NOW)


# Names before and after 1 October 2024; the codes from public lists and from memory.
@pytest.mark.parametrize(
    ("event", "phenomena", "topic"),
    [
        ("Extreme Cold Warning", (), "cold"), ("Extreme Cold Watch", (), "cold"), ("Cold Weather Advisory", (), "cold"),
        ("Wind Chill Warning", (), "cold"), ("Wind Chill Advisory", (), "cold"), ("Wind Chill Watch", (), "cold"),
        ("Hard Freeze Warning", (), "cold"), ("Freeze Watch", (), "cold"), ("Frost Advisory", (), "cold"),
        ("Winter Storm Warning", (), "snow"), ("Winter Weather Advisory", (), "snow"), ("Blizzard Warning", (), "snow"),
        ("Snow Squall Warning", (), "snow"), ("Lake Effect Snow Advisory", (), "snow"),
        ("Ice Storm Warning", (), "ice"), ("Freezing Fog Advisory", (), "ice"), ("Freezing Rain Advisory", (), "ice"),
        ("High Wind Watch", (), "wind"), ("Wind Advisory", (), "wind"), ("Extreme Wind Warning", (), "wind"),
        ("Something New", ("EC",), "cold"), ("Something New", ("CW",), "cold"), ("Something New", ("WC",), "cold"),
        ("Something New", ("FZ",), "cold"), ("Something New", ("WS",), "snow"), ("Something New", ("WW",), "snow"),
        ("Something New", ("BZ",), "snow"), ("Something New", ("HW",), "wind"), ("Something New", ("WI",), "wind"),
        ("Something New", ("IS",), "ice"), ("Something New", ("FA", "WI"), "wind"),
        ("Flood Watch", ("FA",), None), ("Heat Advisory", ("HT",), None), ("Extreme Heat Warning", (), None),
        ("Tornado Warning", (), None), ("Special Weather Statement", (), None), ("Wind", (), None), ("", (), None),
        ("Windblown Dust Advisory", (), None),
    ],
)  # fmt: skip
def test_what_an_alert_is_about(event: str, phenomena: tuple[str, ...], topic: str | None) -> None:
    assert cold(Alert("x", event, phenomena=phenomena)) == topic


# The way there


def reply(body: dict[str, Any], **headers: str) -> httpx.Response:
    return httpx.Response(200, json=body, headers={"Content-Type": "application/geo+json", **headers})


@respx.mock
def test_asked_once_and_then_conditionally(client: httpx.Client) -> None:
    cached = {"ETag": '"7"', "Cache-Control": "max-age=30"}
    route = respx.get(URL).mock(return_value=reply(payload("nws_alerts.json"), **cached))
    get = http.bind(client, NOW)
    first = nws_alerts.fetch(get, PLACE, {}, NOW)
    assert first.alerts is not None
    assert [number(alert) for alert in first.alerts] == [2, 4, 9]
    assert first.ask_again_utc == NOW + timedelta(seconds=30)
    assert route.calls.last.request.headers["Accept"] == "application/geo+json"
    route.mock(return_value=httpx.Response(304))
    second = nws_alerts.fetch(get, PLACE, first.kept, NOW)
    assert second.alerts is None
    assert route.calls.last.request.headers["If-None-Match"] == '"7"'
    moved = SimpleNamespace(latitude=46.6, longitude=-94.0, altitude_m=None)
    other = respx.get("https://api.weather.gov/alerts/active?point=46.6,-94").mock(
        return_value=reply(payload("nws_alerts_none.json"))
    )
    assert nws_alerts.fetch(get, moved, second.kept, NOW).alerts == ()
    assert "If-None-Match" not in other.calls.last.request.headers, "another place is asked whole"


@respx.mock
def test_pages_are_followed_and_asked_whole_again(client: httpx.Client) -> None:
    whole = payload("nws_alerts.json")
    first = {**whole, "features": whole["features"][:4], "pagination": {"next": PAGE_2}}
    respx.get(URL).mock(return_value=reply(first, ETag='"7"'))
    respx.get(PAGE_2).mock(return_value=reply({**whole, "features": whole["features"][4:]}))
    fetched = nws_alerts.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert fetched.alerts is not None
    assert [number(alert) for alert in fetched.alerts] == [2, 4, 9]
    assert (fetched.kept, fetched.warnings) == ({}, ())


@respx.mock
@pytest.mark.parametrize("circle", [True, False])
def test_pages_without_end_are_said(client: httpx.Client, circle: bool) -> None:
    def page(request: httpx.Request) -> httpx.Response:
        at = int(request.url.params.get("cursor", "1"))
        following = f"{URL}&cursor={at if circle and at > 1 else at + 1}"
        body = payload("nws_alerts_none.json") | {"pagination": {"next": following}}
        return reply(body)

    route = respx.get(url__startswith=URL).mock(side_effect=page)
    fetched = nws_alerts.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    assert route.call_count == (2 if circle else 5)
    assert "there may be alerts that are not shown" in fetched.warnings[0]


@respx.mock
@pytest.mark.usefixtures("one_attempt")
def test_a_page_that_fails_or_lies_elsewhere_fails_the_whole(client: httpx.Client) -> None:
    first = payload("nws_alerts_none.json") | {"pagination": {"next": PAGE_2}}
    respx.get(URL).mock(return_value=reply(first))
    respx.get(PAGE_2).respond(500)
    with pytest.raises(FeedError, match="500"):
        nws_alerts.fetch(http.bind(client, NOW), PLACE, {}, NOW)
    respx.get(URL).mock(return_value=reply(first | {"pagination": {"next": "https://elsewhere.example/x"}}))
    with pytest.raises(FeedError, match="on another server"):
        nws_alerts.fetch(http.bind(client, NOW), PLACE, {}, NOW)


@respx.mock
@pytest.mark.usefixtures("one_attempt")
@pytest.mark.parametrize(
    ("response", "said"),
    [
        (httpx.Response(400, json={"title": "Bad Request"}), "400: Bad Request"),
        (httpx.Response(403, html="<html>No"), "403"),
        (httpx.Response(404), "404"),
        (httpx.Response(429), "429"),
        (httpx.Response(503), "503"),
        (httpx.Response(200, html="<html>"), "not JSON"),
        (httpx.Response(200, headers={"Content-Type": "application/json"}, content=b'{"features": ['), "cut off"),
    ],
)
def test_what_the_service_answers(client: httpx.Client, response: httpx.Response, said: str) -> None:
    respx.get(URL).mock(return_value=response)
    with pytest.raises(FeedError, match=said):
        nws_alerts.fetch(http.bind(client, NOW), PLACE, {}, NOW)


def test_elsewhere_nothing_is_asked() -> None:
    place = SimpleNamespace(latitude=61.1, longitude=9.6, altitude_m=None)
    with pytest.raises(FeedError, match="outside the United States"):
        nws_alerts.fetch(lambda *_: pytest.fail("asked"), place, {}, NOW)


# When to ask, and what is known

KEPT = KeptAlerts("a", NOW, NOW, alerts=(Alert("x", "Wind Advisory", ends_utc=NOW + timedelta(minutes=10)),))


def test_not_known_is_never_none() -> None:
    assert known_alerts(None, NOW) is None
    assert known_alerts(KeptAlerts("a", NOW), NOW) is None, "never answered"
    assert known_alerts(replace(KEPT, alerts=()), NOW + timedelta(minutes=15)) == ()
    assert known_alerts(replace(KEPT, alerts=()), NOW + timedelta(minutes=15, seconds=1)) is None
    assert known_alerts(KEPT, NOW - timedelta(minutes=16)) is None, "an answer from a day to come"
    assert known_alerts(KEPT, NOW + timedelta(minutes=9)) == KEPT.alerts
    assert known_alerts(KEPT, NOW + timedelta(minutes=10)) == (), "ended since"


def test_after_an_answer() -> None:
    failed = replace(KEPT, failures=3, last_error="x")
    same = after_answer(failed, FetchedAlerts(None, {"url": URL}, None), NOW, 0.0)
    assert same == replace(KEPT, next_try_utc=NOW + timedelta(minutes=5), state={"url": URL})
    none = after_answer(KEPT, FetchedAlerts((), {}, NOW + timedelta(minutes=7), ("odd",)), NOW, 1.0)
    assert (none.alerts, none.warnings) == ((), ("odd",))
    assert none.next_try_utc == NOW + timedelta(minutes=8)
    late = after_answer(KEPT, FetchedAlerts((), {}, NOW + timedelta(days=9)), NOW, 1.0)
    assert known_alerts(late, late.next_try_utc) == (), "asked again before it is too old"


def test_after_failures_the_kept_alerts_grow_old_and_asking_goes_on() -> None:
    kept, waits = KEPT, []
    for _ in range(6):
        kept = after_failure(kept, FeedError("down"), NOW, 0.0)
        waits.append((kept.next_try_utc - NOW) // timedelta(minutes=1))
    assert waits == [5, 10, 20, 30, 30, 30]
    assert (kept.alerts, kept.fetched_utc, kept.failures, kept.last_error) == (KEPT.alerts, NOW, 6, "down")
    asked = after_failure(KEPT, FeedError("slow down", retry_after_s=3600.0), NOW, 0.0)
    assert asked.next_try_utc == NOW + timedelta(hours=1)
    assert after_failure(KEPT, FeedError("no", permanent=True), NOW, 0.0).next_try_utc == NOW + timedelta(minutes=30)


def test_due() -> None:
    assert is_due(None, NOW)
    assert is_due(KEPT, NOW)
    assert not is_due(KEPT, NOW - timedelta(seconds=1))


@pytest.mark.parametrize(
    ("state", "starts_in_h", "ahead"),
    [
        ("planned", 47.9, True), ("planned", 48.1, False), ("planned", -1.9, True), ("planned", -2.1, False),
        ("done", 1.0, False), ("postponed", 1.0, False), ("heating", -9.0, True), ("in_progress", -9.0, True),
    ],
)  # fmt: skip
def test_work_ahead(state: Any, starts_in_h: float, ahead: bool) -> None:
    joint = Joint(
        "A1", "", (Part("A36", 20.0),), None, None, None, None, 450.0, "inside",
        NOW + timedelta(hours=starts_in_h), 2.0, state=state,
    )  # fmt: skip
    assert work_ahead([joint], NOW) == ahead
    assert not work_ahead([], NOW)


def spots(node: Any) -> list[tuple[Any, Any]]:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    return [spot for key, value in pairs for spot in [(node, key), *spots(value)]]


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5), st.just([]), st.just({}),
    st.just([None]),
    st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:00:00-10:00", "Actual", "/O.CAN.KXYZ.CW.Y.0003.x/"]),
)  # fmt: skip
EXAMPLE = payload("nws_alerts.json")


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(spots(EXAMPLE)) - 1), JUNK), min_size=1, max_size=3))
def test_junk_anywhere_is_a_feed_error_or_alerts(changes: list[tuple[int, Any]]) -> None:
    broken = copy.deepcopy(EXAMPLE)
    places = spots(broken)
    for index, value in changes:
        container, key = places[index]
        container[key] = value
    try:
        alerts, _ = parse([broken], NOW)
    except FeedError:
        return
    for alert in alerts:
        cold(alert)
        assert alert.id.strip()
        assert alert.event.strip()
        assert alert.ends_utc is None or alert.ends_utc > NOW


@given(st.lists(st.tuples(st.integers(1, 9), st.sets(st.integers(0, 9), max_size=3), st.integers(0, 3)), max_size=10))
def test_one_message_of_a_chain_always_stands(rows: list[tuple[int, set[int], int]]) -> None:
    """Whatever refers to whatever, what was sent last is not replaced."""
    features = [
        {
            "properties": {
                "id": str(i), "status": "Actual", "event": "Wind Advisory", "sent": f"2027-01-14T0{hour}:00:00Z",
                "references": [{"identifier": str(other)} for other in others],
                "parameters": {"VTEC": [f"/O.CON.KXYZ.WI.Y.000{event}.x/"]},
            }
        }
        for i, (hour, others, event) in enumerate(rows)
    ]  # fmt: skip
    alerts, _ = parse([{"features": features}], NOW)
    last = max((hour for hour, _, _ in rows), default=0)
    expected = {str(i) for i, (hour, _, _) in enumerate(rows) if hour == last}
    assert expected <= {alert.id for alert in alerts}
