"""The site's thermometer over HTTP: a device with its token, the form, the JSON, and the fragment of a page."""

from dataclasses import replace
from datetime import datetime, timedelta
from html import unescape
from http import HTTPStatus
from typing import Any

import httpx
import numpy as np
import pytest

from frostshift_rules.air_correction import correct
from frostshift_rules.job import AirReading
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import AirBias
from frostshift_service import pages
from frostshift_service.auth import DEVICE_BYTES
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.forecasts import keep_forecast
from frostshift_service.store.records import KeptAirReading, KeptForecast
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.thermometer import add_token, air_readings_of, revoke_token, tokens_of
from frostshift_service.views.show import Show
from frostshift_service.views.thermometer import SHOWN, SiteAir, bias_text, thermometer_page

SITE = "north-yard"
PATH = f"/sites/{SITE}/thermometer"
JSON = f"/sites/{SITE}/air-readings.json"


def token(web: Any, name: str = "mast", site_id: str = SITE) -> str:
    with writing(web.engine) as session:
        return add_token(session, site_id, name, now=web.clock[0])


def bearer(secret: str) -> dict[str, str]:
    return {"authorization": f"Bearer {secret}"}


def post_of(web: Any, air_c: float = -12.3, minutes_ago: float = 5.0) -> dict[str, object]:
    at = web.clock[0] - timedelta(minutes=minutes_ago)
    return {"air_c": air_c, "at_utc": at.isoformat()}


def kept(web: Any) -> list[KeptAirReading]:
    with reading(web.engine) as session:
        return air_readings_of(session, SITE)


def forecast(web: Any, air_c: float = -10.0) -> None:
    """A day before and two days after now, the same throughout."""
    start, level = web.clock[0].replace(minute=0) - timedelta(hours=24), np.full(73, air_c)
    zero = np.zeros(73)
    hours = Hours(start, level, level - 4.0, zero + 3.0, zero, zero, zero, zero, zero)
    with writing(web.engine) as session:
        keep_forecast(session, SITE, KeptForecast("nws", web.clock[0], web.clock[0], hours, b"{}", "credit"))


async def device(web: Any, **options: Any) -> httpx.Response:
    async with web.client(signed_in=False) as client:
        client.headers.clear()
        answer: httpx.Response = await client.post(PATH, **options)
        return answer


# A device -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_device_posts_with_its_token_and_without_a_session(web: Any) -> None:
    secret = token(web)
    batch = [post_of(web, -12.3, 20.0), {"air_f": 9.5, "at_utc": post_of(web)["at_utc"]}]
    for expected in ({"taken": 2, "already_there": 0}, {"taken": 0, "already_there": 2}):
        answer = await device(web, json=batch, headers=bearer(secret))
        assert (answer.status_code, answer.json()) == (200, expected)
    assert [one.reading.air_c for one in kept(web)] == pytest.approx([-12.3, -12.5])
    assert {(one.by, one.source) for one in kept(web)} == {("mast", "posted")}
    with reading(web.engine) as session:
        assert tokens_of(session, SITE)[0].last_used_utc == web.clock[0]


@pytest.mark.anyio
@pytest.mark.parametrize(
    "headers",
    [
        [],
        [("authorization", "Bearer x")],
        [("authorization", "Bearer ")],
        [("authorization", "Basic {}")],
        [("authorization", "{}")],
        [("authorization", "Bearer {}x")],
        [("authorization", "Bearer {}"), ("authorization", "Bearer {}")],
        [("x-token", "{}")],
    ],
)
async def test_without_its_token_nobody_gets_in(web: Any, headers: list[tuple[str, str]]) -> None:
    secret = token(web)
    answer = await device(web, json=post_of(web), headers=[(name, text.format(secret)) for name, text in headers])
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    assert answer.json()["detail"] == "A token is needed, in one header: Authorization: Bearer TOKEN."
    assert kept(web) == []


@pytest.mark.anyio
async def test_a_revoked_token_and_one_of_another_site(web: Any, site_of_web: Any) -> None:
    with writing(web.engine) as session:
        save_site(session, replace(site_of_web, id="dry-dock"))
    other, secret = token(web, "mast", "dry-dock"), token(web)
    answer = await device(web, json=post_of(web), headers=bearer(other))
    assert (answer.status_code, answer.json()["detail"]) == (403, "This token is for another site.")
    with writing(web.engine) as session:
        revoke_token(session, SITE, tokens_of(session, SITE)[0].id, now=web.clock[0])
    answer = await device(web, json=post_of(web), headers=bearer(secret))
    assert (answer.status_code, answer.json()["detail"]) == (403, "This token was revoked on 2026-12-17.")
    assert kept(web) == []


@pytest.mark.anyio
async def test_a_site_that_is_not_there(web: Any) -> None:
    secret = token(web)
    async with web.client(signed_in=False) as client:
        answer = await client.post("/sites/nowhere/thermometer", json=post_of(web), headers=bearer(secret))
        assert (answer.status_code, answer.json()["detail"]) == (404, "There is no site 'nowhere'.")
        answer = await client.post("/sites/nowhere/thermometer", json=post_of(web))
        assert answer.status_code == 401, "who has no token learns nothing of the sites"


@pytest.mark.anyio
async def test_what_cannot_be_taken_in_is_said_by_row_and_field_and_nothing_is_kept(web: Any) -> None:
    answer = await device(web, json=[post_of(web), post_of(web, 71.0)], headers=bearer(token(web)))
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert answer.json() == {
        "type": "about:blank",
        "title": HTTPStatus(422).phrase,
        "status": 422,
        "detail": "Nothing was taken in.",
        "fields": [
            {
                "row": 2,
                "field": "air_c",
                "value": "71.0",
                "limit": "a number within -60 to 50 °C",
                "message": "reading 2: air_c is 71.0, a number within -60 to 50 °C is needed",
            }
        ],
    }
    assert kept(web) == []


@pytest.mark.anyio
@pytest.mark.parametrize("signed_in", [False, True])
async def test_a_post_that_is_too_long_or_does_not_say_how_long_it_is(web: Any, signed_in: bool) -> None:
    headers = bearer(token(web))

    async def pieces() -> Any:
        yield b"{}"

    async with web.client(signed_in=signed_in) as client:
        answer = await client.post(PATH, content=b" " * (DEVICE_BYTES + 1), headers=headers)
        assert (answer.status_code, answer.json()["detail"]) == (413, "The post is too large: more than 50,000 bytes.")
        answer = await client.post(PATH, content=pieces(), headers=headers)
        assert (answer.status_code, answer.json()["status"]) == (411, 411)


@pytest.mark.anyio
async def test_a_token_opens_nothing_else(web: Any) -> None:
    """The narrowest way in: one method, one path; host names are checked as everywhere."""
    headers = bearer(token(web))
    async with web.client(signed_in=False) as client:
        for path in ("/", JSON, f"/sites/{SITE}/morning.json", PATH, f"{PATH}/", "/sites/a%2Fb/thermometer"):
            assert (await client.get(path, headers=headers)).status_code == 401
        for path in (f"{PATH}/", f"/x{PATH}", "/sites/a/b/thermometer", "/sites/a%2Fb/thermometer", f"{PATH}.json"):
            assert (await client.post(path, json=post_of(web), headers=headers)).status_code == 401
        for path in (f"/sites/{SITE}/air-readings", f"/sites/{SITE}/readings", f"/sites/{SITE}/state"):
            assert (await client.post(path, data={}, headers=headers)).status_code == 401
        for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
            assert (await client.request(method, PATH, headers=headers)).status_code == 401
        answer = await client.post(PATH, json=post_of(web), headers={**headers, "host": "site.example"})
        assert answer.status_code == 400
    assert kept(web) == []


@pytest.mark.anyio
async def test_a_session_alone_posts_nothing_as_a_device(web: Any) -> None:
    async with web.client() as client:
        assert (await client.post(PATH, json=post_of(web))).status_code == 401


def test_a_device_at_a_real_server(web: Any, base_url: str) -> None:
    """As a small device does it: plain HTTP/1.1, no cookie, no origin."""
    with httpx.Client(trust_env=False) as client:
        answer = client.post(f"{base_url}{PATH}", json=post_of(web), headers=bearer(token(web)))
        assert (answer.status_code, answer.json()) == (200, {"taken": 1, "already_there": 0})
        assert client.post(f"{base_url}{PATH}", json=post_of(web)).status_code == 401
        assert client.get(f"{base_url}{JSON}").status_code == 401
    assert len(kept(web)) == 1


# Typed in -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
@pytest.mark.parametrize(("value", "unit", "air_c"), [("9.5", "F", -12.5), ("\N{MINUS SIGN}12.5", "C", -12.5)])
async def test_a_reading_is_typed_in_and_the_site_planned_again(web: Any, value: str, unit: str, air_c: float) -> None:
    form = {
        "value": value,
        "unit": unit,
        "by": " Q. Arden ",
        "note": "north side",
        "back": f"/sites/{SITE}/weather?x=1",
    }
    async with web.client() as client:
        answer = await client.post(f"/sites/{SITE}/air-readings", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, form["back"])
    (one,) = kept(web)
    assert one == KeptAirReading(AirReading(pytest.approx(air_c), web.clock[0]), "Q. Arden", "typed", "north side")
    assert web.planner.replanned == [SITE]


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        ("cold", "C", "Air temperature: 'cold' is no number; write for example 23 or -4.5."),
        ("50.1", "C", "Air temperature: 50.1 °C is outside -60 °C to 50 °C."),
        ("-77", "F", "Air temperature: -77 °F is outside -76 °F to 122 °F."),
        ("1e1", "C", "is no number"),
    ],
)
async def test_what_is_typed_wrong_is_said(web: Any, value: str, unit: str, said: str) -> None:
    async with web.client() as client:
        answer = await client.post(f"/sites/{SITE}/air-readings", data={"value": value, "unit": unit})
    assert answer.status_code == 422
    assert said in unescape(answer.text).replace("\N{NO-BREAK SPACE}", " ")
    assert kept(web) == []


@pytest.mark.anyio
async def test_a_form_of_another_page_or_site_is_refused(web: Any) -> None:
    form, foreign = {"value": "9", "unit": "F"}, {"origin": "http://site.example", "sec-fetch-site": "cross-site"}
    async with web.client() as client:
        answer = await client.post(
            f"/sites/{SITE}/air-readings",
            data=form,
            headers=foreign,
        )
        assert answer.status_code == 403
        assert (await client.post("/sites/nowhere/air-readings", data=form)).status_code == 404
    assert kept(web) == []


# What is shown --------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_the_list_holds_each_reading_with_the_forecast_beside_it(web: Any) -> None:
    forecast(web)
    secret = token(web)
    batch = [post_of(web, -13.0, 60.0), post_of(web, -13.0, 30.0), post_of(web, -40.0, 20.0)]
    await device(web, json=batch, headers=bearer(secret))
    async with web.client() as client:
        found = (await client.get(JSON)).json()
        assert (await client.get("/sites/nowhere/air-readings.json")).status_code == 404
    assert found["outcome"] == "corrected"
    assert found["bias_k"] == pytest.approx(-3.0)
    assert found["text"] == "Forecast corrected by -5.4 °F from 2 readings at the site, fading out by Fri 05:00."
    assert [(one["air"]["text"], one["forecast"]["text"], one["counts"]) for one in found["readings"]] == [
        ("-40 °F", "14 °F", False),
        ("8.6 °F", "14 °F", True),
        ("8.6 °F", "14 °F", True),
    ]
    assert found["readings"][0]["why"].startswith("more than 27 °F from the forecast")
    assert found["readings"][1]["error_text"] == "-5.4 °F"


FRAGMENT = '{% import "_parts.html" as parts %}{% include "_thermometer.html" %}'
"""As a page includes it."""


def in_page(web: Any) -> str:
    made = pages._templates().from_string(FRAGMENT)
    desk = web.app.state.desk
    return made.render(thermometer=desk.weather(SITE).thermometer, here=f"/sites/{SITE}/weather", who=desk.who)


def plain(text: str) -> str:
    return unescape(text).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.anyio
async def test_the_fragment_shows_form_list_words_and_switch(web: Any) -> None:
    forecast(web)
    empty = plain(in_page(web))
    assert "Nothing read yet." in empty
    assert "No reading counts: the forecast stays as it is." in empty
    await device(web, json=[post_of(web, -13.0, 60.0), post_of(web, -13.0, 30.0)], headers=bearer(token(web, "<mast>")))
    text = plain(in_page(web))
    assert "Forecast corrected by -5.4 °F from 2 readings at the site, fading out by Fri 05:00." in text
    assert '/set-up/choices">Choices and margins</a>' in text
    assert '<form class="fields" method="post" action="/sites/north-yard/air-readings">' in text
    assert '<input type="hidden" name="back" value="/sites/north-yard/weather">' in text
    assert text.count('<td data-label="Air">8.6 °F</td>') == 2
    assert "<mast>, device" in text


@pytest.mark.anyio
async def test_the_fragment_escapes_what_people_typed(web: Any) -> None:
    async with web.client() as client:
        form = {"value": "9", "unit": "F", "by": "<b>me</b>", "note": '"><script>'}
        await client.post(f"/sites/{SITE}/air-readings", data=form)
    text = in_page(web)
    assert "<b>me" not in text
    assert "<script>" not in text
    assert "There is no forecast to hold the readings against." in text


@pytest.fixture
def site_of_web(web: Any) -> Any:
    with reading(web.engine) as session:
        return load_site(session, SITE).site


# The words ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def flat(now: datetime) -> Hours:
    level, zero = np.full(73, -10.0), np.zeros(73)
    start = now.replace(minute=0) - timedelta(hours=24)
    return Hours(start, level, level - 4.0, zero, zero, zero, zero, zero, zero)


@pytest.mark.parametrize(
    ("readings", "on", "said"),
    [
        ([(-12.0, 60), (-12.0, 30)], True, "Forecast corrected by -3.6 °F from 2 readings at the site, fading out by"),
        (
            [(-8.0, 60), (-8.0, 30)],
            True,
            "2 readings at the site lie 3.6 °F above the forecast: it stays as it is, since a warmer thermometer takes "
            "no heat away.",
        ),
        ([(-10.0, 60), (-10.0, 30)], True, "2 readings at the site agree with the forecast."),
        (
            [(-12.0, 30)],
            True,
            "One reading counts. Another one, at least 10 minutes from it, is needed before they say anything of the "
            "forecast.",
        ),
        ([(-12.0, 30), (-12.0, 25)], True, "The readings that count lie within 10 minutes."),
        ([(-12.0, 1900)], True, "No reading counts: the forecast stays as it is."),
        ([(-12.0, 60), (-12.0, 30)], False, "The readings lie 3.6 °F below the forecast, which stays as it is."),
        ([(-8.0, 60), (-8.0, 30)], False, "The readings lie 3.6 °F above the forecast, which stays as it is."),
    ],
)
def test_the_correction_in_words(
    flat: Hours, now: datetime, show: Show, web: Any, readings: list[tuple[float, float]], on: bool, said: str
) -> None:
    with reading(web.engine) as session:
        kept_site = load_site(session, SITE)
    choices = replace(kept_site.site.choices, correct_forecast=on)
    site = replace(kept_site, site=replace(kept_site.site, choices=choices))
    taken = [AirReading(air_c, now - timedelta(minutes=ago)) for air_c, ago in readings]
    found = correct(flat, None, taken, now, choices)
    air = SiteAir(flat, tuple(KeptAirReading(one, "", "typed") for one in taken), found)
    page = thermometer_page(site, air, show)
    assert page.text.startswith(said)
    assert page.switched_on is on
    assert ("change nothing" in page.switch_text) is not on


def test_the_sentence_of_a_plan(now: datetime, show: Show) -> None:
    metric = replace(show, units="si")
    bias = AirBias(-1.1667, 4, now + timedelta(hours=8, minutes=30))
    assert (
        bias_text(bias, show) == "Forecast corrected by -2.1 °F from 4 readings at the site, fading out by Thu 14:00."
    )
    assert bias_text(bias, metric).startswith("Forecast corrected by -1.2 K from 4 readings")
    assert bias_text(None, show) == ""


@pytest.mark.anyio
async def test_only_the_newest_are_shown(web: Any) -> None:
    secret = token(web)
    await device(web, json=[post_of(web, -12.0, 2.0 * n) for n in range(40)], headers=bearer(secret))
    page = web.app.state.desk.weather(SITE).thermometer
    assert len(page.readings) == SHOWN
    assert [one.at.utc for one in page.readings] == sorted((one.at.utc for one in page.readings), reverse=True)
