"""Notices on the pages: told, sent, opened, answered, copied; the answer link, the crew's calendar, who hears what."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import httpx
import icalendar
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect
from tests.notices.made import notice, person
from tests.service.web.conftest import NOW, Web, enter
from tests.service.web.page_source import words_of

from frostshift_rules.notice_events import Event, ForecastAge
from frostshift_rules.notice_setup import Address, NoticeSetup, Quiet
from frostshift_service.app import create_app
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.notice_links import new_answer_token
from frostshift_service.store.notices import add_notices, deliveries_of, log_of, save_setup, switch_off
from frostshift_service.store.records import KeptNotice, NewNotice, Recipient

SITE = "north-yard"
PAGE = f"/sites/{SITE}/notices"
ROWAN = person(
    "rowan",
    Address("email", "rowan.reed@site.example"),
    then="tamsin",
    quiet=Quiet(time(21), time(5)),
    crews=("row C",),
)
TAMSIN = person("tamsin", Address("webhook", "https://hooks.site.example/in?key=1"), role="superintendent", units="si")
UNUSABLE = Event("forecast", "now", NOW + timedelta(hours=3), forecast=ForecastAge("unusable", "fresh", NOW, NOW))
LATE = Event("forecast", "plain", None, forecast=ForecastAge("late", "fresh", NOW, NOW))


def tell(web: Web, key: str, event: Event = UNUSABLE, *people: Any) -> KeptNotice:
    told = replace(notice(key), events=(event,), decided_utc=web.clock[0])
    to = tuple(Recipient(one.id, web.clock[0], tuple(a.key for a in one.addresses)) for one in people)
    with writing(web.engine) as session:
        (kept,) = add_notices(session, SITE, [NewNotice(told, to)], plan_id=None, now=web.clock[0])
    return kept


@pytest.fixture
def told(web: Web) -> KeptNotice:
    with writing(web.engine) as session:
        save_setup(session, SITE, NoticeSetup((ROWAN, TAMSIN)), now=NOW)
    return tell(web, "first", UNUSABLE, ROWAN, TAMSIN)


@pytest.mark.anyio
async def test_nothing_yet_says_what_to_do(web: Web) -> None:
    async with web.client() as client:
        words = words_of((await client.get(PAGE)).text)
        people = words_of((await client.get(f"/sites/{SITE}/people")).text)
    assert "Nobody is told yet" in words
    assert "frostshift people template people.toml" in words
    assert "Nobody yet: notices stand on the pages only." in people


@pytest.mark.anyio
async def test_page_json_and_csv_say_the_same_and_show_no_address_whole(web: Web, told: KeptNotice) -> None:
    async with web.client() as client:
        page = (await client.get(PAGE)).text
        one = (await client.get(f"{PAGE}/{told.number}")).text
        as_json = json.loads((await client.get(f"{PAGE}.json")).text)
        table = (await client.get(f"{PAGE}.csv")).content.decode("utf-8-sig")
        people = (await client.get(f"/sites/{SITE}/people")).text
        people_json = (await client.get(f"/sites/{SITE}/people.json")).text
    (shown,) = as_json["notices"]
    assert shown["first_line"] == "The forecast is too old to use: every joint is unknown. Measure."
    assert shown["first_line"] in words_of(page)
    assert "Nobody has answered." in words_of(page)
    assert f"Notice {told.number}" in words_of(one)
    assert "r…@site.example" in one
    assert as_json["unanswered"] == 1
    rows = list(csv.DictReader(io.StringIO(table)))
    assert [(row["what"], row["notice"]) for row in rows] == [("notice made", str(told.number))]
    (line,) = rows
    assert line["detail"] == "a forecast that is late or too old; for Rowan, Tamsin", "no codes and no ids"
    assert line["detail"] in words_of(page)
    assert "21:00 to 05:00" in words_of(people)
    for text in (page, one, people, people_json, json.dumps(as_json)):
        assert "rowan.reed" not in text
        assert "key=1" not in text


@pytest.mark.anyio
async def test_an_answer_at_the_page_ends_the_asking(web: Web, told: KeptNotice) -> None:
    async with web.client() as client:
        answered = await client.post(f"{PAGE}/{told.number}/answer", data={})
        page = words_of((await client.get(PAGE)).text)
        foreign = await client.post(f"/sites/other/notices/{told.number}/answer", data={})
        nowhere = await client.post(f"{PAGE}/999/answer", data={})
    assert answered.status_code == 303
    assert "Seen by Owner" in page
    assert "I have seen this" not in page
    assert (foreign.status_code, nowhere.status_code) == (404, 404)


@pytest.mark.anyio
async def test_the_answer_link_needs_no_session_and_opening_it_answers_nothing(web: Web, told: KeptNotice) -> None:
    with writing(web.engine) as session:
        delivery = deliveries_of(session, [told.number])[0]
        secret = new_answer_token(session, delivery.id, now=NOW)
    async with web.client(signed_in=False) as client:
        opened = await client.get(f"/answer/{secret}")
        after_opening = words_of(opened.text)
        refused = await client.post(f"/answer/{secret}", headers={"sec-fetch-site": "cross-site"}, data={})
        answered = words_of((await client.post(f"/answer/{secret}", data={})).text)
        wrong = await client.get(f"/answer/{'x' * 43}")
        short = await client.get("/answer/abc")
        rest = await client.get(PAGE)
    assert opened.status_code == 200
    assert "Say that you have seen it" in after_opening
    assert "too old to use" in after_opening
    assert refused.status_code == 403
    assert "Seen by Rowan" in answered
    assert (wrong.status_code, short.status_code, rest.status_code) == (404, 401, 401)
    with reading(web.engine) as session:
        log = [(line.what, line.by) for line in log_of(session, SITE, newest=10)]
    assert log == [("answered", "Rowan"), ("seen", "Rowan"), ("decided", log[-1][1])]


@pytest.mark.anyio
async def test_links_are_opened_under_the_address_of_the_pages_and_nothing_else_is(web: Web, told: KeptNotice) -> None:
    with writing(web.engine) as session:
        secret = new_answer_token(session, deliveries_of(session, [told.number])[0].id, now=NOW)
    settings = web.app.state.settings.model_copy(update={"pages_url": "https://pages.example"})
    app = create_app(settings, web.engine, lambda: web.clock[0], web.planner)
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    inside = {"origin": "https://pages.example", "sec-fetch-site": "same-origin", "host": "localhost:8765"}
    async with httpx.AsyncClient(transport=transport, base_url="https://pages.example") as client:
        opened = await client.get(f"/answer/{secret}")
        style = await client.get("/static/app.css")
        rest = await client.get(PAGE)
        foreign = await client.get(f"/answer/{secret}", headers={"host": "evil.example"})
        crossed = await client.post(f"/answer/{secret}", headers={"origin": "https://evil.example"}, data={})
        # As a proxy hands it on that gives the name of this machine.
        proxied = await client.post(f"/answer/{secret}", headers=inside, data={})
        answered = await client.post(f"/answer/{secret}", headers={"origin": "https://pages.example"}, data={})
    assert (opened.status_code, style.status_code, answered.status_code, proxied.status_code) == (200, 200, 200, 200)
    assert (rest.status_code, foreign.status_code, crossed.status_code) == (401, 400, 403)


@pytest.mark.anyio
async def test_a_crews_calendar_is_read_by_its_link_until_that_is_ended(web: Web) -> None:
    async with web.client() as client:
        crews = json.loads((await client.get(f"/sites/{SITE}/people.json")).text)["crews"]
        made = words_of((await client.post(f"/sites/{SITE}/people/calendar", data={"crew": crews[0]})).text)
        unknown = await client.post(f"/sites/{SITE}/people/calendar", data={"crew": "no such crew"})
        link = next(word for word in made.split() if "/calendar/" in word)
        path = link[link.index("/calendar/") :]
        links = json.loads((await client.get(f"/sites/{SITE}/people.json")).text)["links"]
    async with web.client(signed_in=False) as client:
        calendar = await client.get(path)
        posted = await client.post(path, data={})
    assert unknown.status_code == 422
    assert calendar.status_code == 200
    assert calendar.headers["content-type"] == "text/calendar; charset=utf-8"
    assert icalendar.Calendar.from_ical(calendar.content).errors == []
    assert posted.status_code == 401
    async with web.client() as client:
        await client.post(f"/sites/{SITE}/people/calendar/{links[0]['id']}/revoke", data={})
    async with web.client(signed_in=False) as client:
        assert (await client.get(path)).status_code == 404


@pytest.mark.anyio
async def test_an_address_that_was_switched_off_is_said_with_its_reason(web: Web, told: KeptNotice) -> None:
    with writing(web.engine) as session:
        key = ROWAN.addresses[0].key
        switch_off(session, SITE, key, person_id="rowan", reason="550 no such user", number=told.number, now=NOW)
    async with web.client() as client:
        people = words_of((await client.get(f"/sites/{SITE}/people")).text)
        one = words_of((await client.get(f"{PAGE}/{told.number}")).text)
    assert "switched off: 550 no such user" in people
    assert "its address was switched off" in one


# In a browser ---------------------------------------------------------------------------------------------------------


def opened(browser: Browser, base_url: str, web: Web, width: int, *, script: bool = True) -> Page:
    context = browser.new_context(
        base_url=base_url, viewport={"width": width, "height": 900}, java_script_enabled=script
    )
    page = context.new_page()
    enter(page, web.app)
    return page


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 820, 390, 320])
def test_the_pages_fit_and_axe_finds_no_fault(
    browser: Browser, base_url: str, web: Web, told: KeptNotice, width: int
) -> None:
    with writing(web.engine) as session:
        delivery = deliveries_of(session, [told.number])[0]
        secret = new_answer_token(session, delivery.id, now=NOW)
    page = opened(browser, base_url, web, width)
    for path in (PAGE, f"{PAGE}/{told.number}", f"/sites/{SITE}/people", f"/answer/{secret}"):
        page.goto(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert Axe().run(page).response["violations"] == [], path


@pytest.mark.browser
def test_a_notice_is_copied_with_script_and_its_text_is_there_without(
    browser: Browser, base_url: str, web: Web, told: KeptNotice
) -> None:
    page = opened(browser, base_url, web, 390)
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.goto(f"{PAGE}/{told.number}")
    page.get_by_role("button", name="Copy as text").click()
    expect(page.get_by_text("Copied.")).to_be_visible()
    copied = page.evaluate("navigator.clipboard.readText()")
    assert copied.startswith("The forecast is too old to use")
    plain = opened(browser, base_url, web, 390, script=False)
    plain.goto(f"{PAGE}/{told.number}")
    assert plain.get_by_label("As text, to copy").input_value().startswith("The forecast is too old to use")
    expect(plain.get_by_role("button", name="Copy as text")).to_be_hidden()
    plain.get_by_role("button", name="I have seen this").click()
    expect(plain.get_by_text("Seen by Owner")).to_be_visible()


@pytest.mark.browser
def test_a_new_notice_appears_without_reload(browser: Browser, base_url: str, web: Web, told: KeptNotice) -> None:
    page = opened(browser, base_url, web, 1280)
    page.goto(PAGE)
    page.evaluate("window.stays = true")
    tell(web, "second", LATE, ROWAN)
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # as when the phone is taken out again
    expect(page.get_by_text("The forecast is late")).to_be_visible()
    assert page.evaluate("window.stays") is True
