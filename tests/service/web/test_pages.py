import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, time
from html import unescape
from html.parser import HTMLParser
from typing import Any
from urllib.parse import quote

import openpyxl
import pytest
from pydantic import TypeAdapter
from tests.service.web.page_source import words_of

from frostshift_rules.job import Shift
from frostshift_service.app import way_on
from frostshift_service.pages import back_to, in_lines, next_shift_start
from frostshift_service.rights import Actor
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import changes_of, import_joints, joints_of, kept_joint
from frostshift_service.store.records import ImportedJoint
from frostshift_service.store.sites import save_site
from frostshift_service.views.joint import JointPage, RestingJoint
from frostshift_service.views.schedule import ScheduleFilter, SchedulePage
from frostshift_service.views.sheet import MorningSheet

SITE = "/sites/north-yard"
MORNING, SCHEDULE = f"{SITE}/morning", f"{SITE}/schedule"
ODD = f"{SITE}/joints/{quote('X9/α <3>', safe='')}"
COMPARE = f"{SITE}/compare?joint=CR-B4-W"
PAGES = [
    "/",
    MORNING,
    f"{MORNING}?day=2026-12-18&shifts=1",
    SCHEDULE,
    f"{SITE}/weather",
    f"{SITE}/joints/CR-B4-W",
    ODD,
    f"{SITE}/compare",
    COMPARE,
    f"{SITE}/hours",
    f"{SITE}/hours?joint=CR-B4-W&ahead=168",
    f"{SITE}/order",
    f"{SITE}/crew-sheet",
    f"{SITE}/crew-sheet?crew=north",
]
"""Those of readings and crews stand in `test_readings_pages.py`."""
pytestmark = pytest.mark.anyio


class Outline(HTMLParser):
    """What a page refers to, and whether its tags are closed in order."""

    VOID = frozenset({"meta", "link", "input", "br", "img", "col"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.refers: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.tags: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        self.refers += [value or "" for name, value in attrs if name in ("href", "src", "action")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag


def is_file(url: str) -> bool:
    """Whether it is a table to take away; those have a test of their own, and take seconds to load pandas for."""
    return ".csv" in url or ".xlsx" in url or ".pdf" in url


@pytest.mark.parametrize("path", [*PAGES, f"{SITE}/readings", f"{SITE}/record?mark=CR-B4-W"])
async def test_a_page_is_whole_ours_alone_and_without_script_or_style_inside(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path, follow_redirects=True)
        assert answer.status_code == 200
        page = Outline(answer.text)
        assert page.open == []
        assert not {"style", "iframe"} & set(page.tags)
        assert page.tags.count("script") == len(re.findall(r'<script src="/static/[^"]+" defer></script>', answer.text))
        assert not [name for name, _ in page.attributes if name == "style" or name.startswith("on")]
        assert all(url.startswith(("/", "#")) and not url.startswith("//") for url in page.refers)
        forms = (f"{SITE}/state", f"{SITE}/readings", f"{SITE}/air-readings", f"{SCHEDULE}/bulk")
        for url in {url for url in page.refers if not url.startswith(("#", *forms)) and not is_file(url)}:
            assert (await client.get(url, follow_redirects=True)).status_code == 200, url


@pytest.mark.parametrize("path", [*PAGES, "/nowhere", "/static/app.css", f"{MORNING}.json"])
async def test_every_answer_carries_the_strict_headers(web: Any, path: str) -> None:
    async with web.client() as client:
        headers = (await client.get(path)).headers
    assert headers["content-security-policy"] == (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == ("no-cache" if path.startswith("/static") else "no-store")


@pytest.mark.parametrize("path", PAGES[1:3] + PAGES[4:])
async def test_age_and_cautions_stand_on_every_page_with_figures(web: Any, path: str) -> None:
    async with web.client() as client:
        words = words_of((await client.get(path)).text)
    assert "issued 2 h 5 min ago" in words
    assert "Measure the steel before you strike." in words
    assert "never replaces a measurement, the welding procedure, local codes or licensed practice" in words
    assert "29 CFR 1926.350(a)(5)" in words


async def test_the_sheet_shows_what_the_view_holds(web: Any) -> None:
    async with web.client() as client:
        words = words_of((await client.get(MORNING)).text)
    for expected in (
        "Day, Thu 17 Dec, 06:00 to 16:00",
        "Thu 06:58",
        "cold steel: raised heat",
        "by air alone: no heat",
        "10 to 18 °F",
        "115 °F",
        "minimum 70 °F",
        "12-19 min",
        "2 torches, holds 14 min",
        "Thu 07:00 to 09:00: Wind of 14 mph in the open, at the weld at most 5 mph",
        "(2 without a sure amount: amounts are at least)",
        "at least 96-181 torch-minutes, likely 127",
        "no heat if struck after Thu 13:15",
        "150 °F per Table 3.3, category C, over 1-1/2 thru 2-1/2 in (second hand): accept the table",
        "Outside every shift",
        "Left open in the schedule and taken as stated. Every joint: exposure: open; torches: 1.",
        "ask the supplier",
    ):
        assert expected in words, expected


async def test_the_joint_page_shows_what_is_asked(web: Any) -> None:
    async with web.client() as client:
        words = unescape(words_of((await client.get(f"{SITE}/joints/CR-B4-W")).text))
    page = web.app.state.desk.joint("north-yard", "CR-B4-W")
    assert page.instructions
    for row in page.instructions:
        assert row.heading in words
        assert row.text in words, row.topic
        assert row.source in words, row.topic
    assert words.count("from the groove edge") == 2  # beside the drawing, and among the instructions


async def test_what_people_typed_is_text_and_never_markup(web: Any) -> None:
    async with web.client() as client:
        for path in (MORNING, ODD, SCHEDULE):
            html = (await client.get(path)).text
            assert "somewhere &lt;script&gt;" in html
            assert "<script>" not in html


@pytest.mark.parametrize(
    ("path", "view", "ask"),
    [
        (f"{MORNING}.json", MorningSheet, lambda desk: desk.morning("north-yard")),
        (f"{SITE}/joints/CR-B4-W.json", JointPage, lambda desk: desk.joint("north-yard", "CR-B4-W")),
        (f"{ODD}.json", JointPage, lambda desk: desk.joint("north-yard", "X9/α <3>")),
        (
            f"{SCHEDULE}.json?text=line+5",
            SchedulePage,
            lambda desk: desk.schedule("north-yard", ScheduleFilter("line 5")),
        ),
    ],
)
async def test_the_json_twin_is_the_view(web: Any, path: str, view: type, ask: Any) -> None:
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.headers["content-type"] == "application/json"
    assert TypeAdapter(view).validate_python(answer.json()) == ask(web.app.state.desk)


async def test_openapi_names_the_json_and_no_page(web: Any) -> None:
    async with web.client() as client:
        document = (await client.get("/openapi.json")).json()
    assert set(document["paths"]) == {
        "/account.json",
        "/accounts.json",
        "/accounts.csv",
        "/audit.json",
        "/audit.csv",
        "/sites/{site_id}/access.json",
        "/sites/{site_id}/access.csv",
        "/sites.json",
        "/case.json",
        "/cases.json",
        "/arrangements.json",
        "/tables.json",
        "/tables/{table_id}.json",
        "/sites/{site_id}/morning.json",
        "/sites/{site_id}/morning.csv",
        "/sites/{site_id}/morning.xlsx",
        "/sites/{site_id}/morning.pdf",
        "/sites/{site_id}/crew-sheet.json",
        "/sites/{site_id}/crew-sheet.pdf",
        "/sites/{site_id}/plan.json",
        "/sites/{site_id}/joints/{mark}.pdf",
        "/sites/{site_id}/gas/order.pdf",
        "/sites/{site_id}/record.pdf",
        "/sites/{site_id}/joints/{mark}.json",
        "/sites/{site_id}/schedule.json",
        "/sites/{site_id}/schedule/preview/{draft_id}.json",
        "/sites/{site_id}/schedule/bulk.json",
        "/sites/{site_id}/edit.json",
        "/sites/{site_id}/weather.json",
        "/sites/{site_id}/weather.csv",
        "/sites/{site_id}/weather.xlsx",
        "/sites/{site_id}/air-readings.json",
        "/sites/{site_id}/gas.json",
        "/sites/{site_id}/gas.csv",
        "/sites/{site_id}/gas-order.csv",
        "/sites/{site_id}/gas-order.xlsx",
        "/sites/{site_id}/gas-order.ics",
        "/sites/{site_id}/compare.json",
        "/sites/{site_id}/compare.csv",
        "/sites/{site_id}/hours.json",
        "/sites/{site_id}/hours.csv",
        "/sites/{site_id}/order.json",
        "/sites/{site_id}/order.csv",
        "/sites/{site_id}/notices.json",
        "/sites/{site_id}/notices.csv",
        "/sites/{site_id}/people.json",
        "/sites/{site_id}/readings.json",
        "/sites/{site_id}/readings.csv",
        "/sites/{site_id}/readings.xlsx",
        "/sites/{site_id}/record.json",
        "/sites/{site_id}/record.csv",
        "/crew/{token}.json",
        "/crew/{token}/joints/{mark}.json",
        "/crew/{token}/readings.json",
        "/sites/{site_id}/stock.json",
        "/sites/{site_id}/stock.csv",
        "/sites/{site_id}/thermometer",
        "/sites/{site_id}/set-up.json",
        "/sites/{site_id}/set-up/site.json",
        "/sites/{site_id}/set-up/{topic}.json",
        "/sites/{site_id}/set-up/procedures.csv",
    }
    assert {"MorningSheet", "JointPage", "RestingJoint", "SchedulePage", "TableList", "TablePage"} <= set(
        document["components"]["schemas"]
    )


async def test_files_to_take_away(web: Any) -> None:
    async with web.client() as client:
        sheet = await client.get(f"{MORNING}.csv")
        assert sheet.headers["content-disposition"] == 'attachment; filename="north-yard-morning.csv"'
        assert sheet.text.count("\r\n") == 11
        book = openpyxl.load_workbook(io.BytesIO((await client.get(f"{MORNING}.xlsx")).content))
        assert book["joints"].max_row == 11
        empty = await client.get("/schedule-template.csv")
        assert empty.text.lstrip("\ufeff").startswith("mark,")
        assert (await client.get("/schedule-template.pdf")).status_code == 422
        as_kept = await client.get(f"{SCHEDULE}.csv")
        assert as_kept.text.count("\r\n") == 11


# Sites and errors


async def test_one_site_is_shown_at_once_and_several_are_listed(web: Any) -> None:
    async with web.client() as client:
        answer = await client.get("/")
        assert (answer.status_code, answer.headers["location"]) == (303, MORNING)
        with writing(web.engine) as session:
            save_site(session, replace(web.planner.plan.site, id="south-yard", name="South & yard"))
        listed = await client.get("/")
        assert "South &amp; yard" in listed.text
        sites = (await client.get("/sites.json")).json()["sites"]
        assert [one["id"] for one in sites] == ["north-yard", "south-yard"]


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/nowhere", 404, "no such page"),
        ("/sites/nope/morning", 404, "no site"),
        ("/sites/nope/joints/A", 404, "no site"),
        (f"{SITE}/joints/NOPE", 404, "no joint"),
        (f"{MORNING}?day=yesterday", 422, "day"),
        (f"{MORNING}?shifts=0", 422, "shifts"),
        (f"{MORNING}?shifts=1000000000000000000000", 422, "shifts"),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
async def test_errors_are_pages_and_json_alike(web: Any, path: str, status: int, said: str, as_json: bool) -> None:
    async with web.client() as client:
        answer = await client.get(path, headers={"accept": "application/json" if as_json else "text/html"})
    assert answer.status_code == status
    if as_json:
        body = answer.json()
        assert body["status"] == status
        assert said in json.dumps(body)
    else:
        assert answer.headers["content-type"].startswith("text/html")
        assert said in words_of(answer.text)


@pytest.mark.parametrize(
    ("path", "href"),
    [
        (f"{SITE}/joints/NOPE", MORNING),
        (f"{SITE}/nowhere", MORNING),
        ("/sites/nope/joints/A", "/"),
        ("/nowhere", "/"),
    ],
)
async def test_a_page_that_is_not_there_leads_on(web: Any, path: str, href: str) -> None:
    async with web.client() as client:
        answer = await client.get(path, headers={"accept": "text/html"})
    assert answer.status_code == 404
    main = answer.text.split("<main")[1]
    assert re.findall(r'href="([^"]+)"', main) == [href]


def test_the_way_on_is_to_the_sheet_for_who_may_see_it_and_never_to_the_page_itself() -> None:
    crew = Actor("west", 2, rights={"north-yard": frozenset({"see"}), "a b": frozenset({"see"})})
    assert way_on("/sites/north-yard/set-up", crew).href == MORNING
    assert way_on("/sites/a b/set-up", crew).href == "/sites/a%20b/morning"
    assert way_on("/sites/north-yard/morning", crew).href == "/"
    assert way_on("/sites/south-yard/gas", crew).href == "/"
    assert way_on("/sites/north-yard/gas", None).href == "/"


async def test_a_link_that_ended_leads_nowhere_its_reader_may_not_go(web: Any) -> None:
    async with web.client() as client:
        for path in (f"/crew/{'x' * 43}", f"/answer/{'x' * 43}"):
            answer = await client.get(path, headers={"accept": "text/html"})
            assert answer.status_code == 404
            assert "To the sites" not in answer.text
            assert re.findall(r'<(?:main|nav).*?href="', answer.text, re.S) == []
            assert "Ask the superintendent for the one that holds now." in words_of(answer.text)


@pytest.mark.parametrize("path", [MORNING, f"{MORNING}.json"])
async def test_an_error_nobody_expected_shows_nothing_of_the_inside(
    web: Any, path: str, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: Any) -> None:
        raise RuntimeError("secret detail")

    web.planner.current_plan = broken
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert "content-security-policy" in answer.headers
    assert "secret detail" in caplog.text  # in the log it is


async def test_without_a_plan_the_schedule_asks_for_one(web: Any) -> None:
    web.planner.plan = None
    async with web.client() as client:
        for page in ("morning", "gas", "gas/order", "crew-sheet", "crew-sheet.pdf", "compare", "hours"):
            answer = await client.get(f"{SITE}/{page}", headers={"accept": "text/html"})
            assert (answer.status_code, answer.headers["location"]) == (303, SCHEDULE), page
        missing = await client.get(f"{MORNING}.json")
        assert missing.status_code == 404
        assert "no plan yet" in missing.json()["detail"]


# States


async def test_done_and_back_again(web: Any) -> None:
    async with web.client() as client:
        back = f"{MORNING}?day=2026-12-17&shifts=2"
        answer = await client.post(f"{SITE}/state", data={"mark": "CR-B4-W", "action": "done", "back": back})
        assert answer.status_code == 303
        assert answer.headers["location"] == f"{back}&did=CR-B4-W"
        with reading(web.engine) as session:
            assert kept_joint(session, "north-yard", "CR-B4-W").joint.state == "done"
        assert web.planner.replanned == ["north-yard"]
        page = await client.get(answer.headers["location"])
        assert "CR-B4-W is now done." in words_of(page.text)
        undo = {"mark": "CR-B4-W", "number": "1", "back": MORNING}
        assert (await client.post(f"{SITE}/undo", data=undo)).status_code == 303
        with reading(web.engine) as session:
            assert kept_joint(session, "north-yard", "CR-B4-W").joint.state == "planned"
            assert [(c.was, c.became) for c in changes_of(session, "north-yard", "CR-B4-W")] == [
                ("done", "planned"),
                ("planned", "done"),
            ]
        again = await client.post(f"{SITE}/undo", data=undo)
        assert again.status_code == 409
        assert "changed again since" in again.text


async def test_next_shift_and_back_again(web: Any) -> None:
    before = datetime(2026, 12, 17, 13, 30, tzinfo=UTC)
    async with web.client() as client:
        answer = await client.post(f"{SITE}/state", data={"mark": "CR-B4-W", "action": "next_shift", "back": SCHEDULE})
        with reading(web.engine) as session:
            moved = kept_joint(session, "north-yard", "CR-B4-W")
        assert moved.joint.start_utc == datetime(2026, 12, 17, 22, tzinfo=UTC)  # 16:00 in Chicago
        assert moved.schedule_start_utc == before
        page = words_of((await client.get(answer.headers["location"])).text)
        assert "CR-B4-W now starts Thu 17 Dec 16:00." in page
        assert "moved; schedule says Thu 17 Dec 07:30" in page
        await client.post(f"{SITE}/undo", data={"mark": "CR-B4-W", "number": "1"})
        with reading(web.engine) as session:
            assert kept_joint(session, "north-yard", "CR-B4-W").joint.start_utc == before


def test_the_next_shift_is_one_that_can_still_begin(plan: Any) -> None:
    chicago_noon = datetime(2026, 12, 17, 18, tzinfo=UTC)
    two_days_ago = datetime(2026, 12, 15, 13, tzinfo=UTC)
    assert next_shift_start(plan.site, two_days_ago, chicago_noon) == datetime(2026, 12, 17, 22, tzinfo=UTC)
    assert next_shift_start(replace(plan.site, shifts=()), two_days_ago, chicago_noon) is None
    # a shift at the very start of the joint is not the next one
    at_six = datetime(2026, 12, 18, 12, tzinfo=UTC)
    only = replace(plan.site, shifts=(Shift("Day", time(6), time(16)),))
    assert next_shift_start(only, at_six, chicago_noon) == datetime(2026, 12, 19, 12, tzinfo=UTC)


async def test_a_site_without_shifts_has_no_next_one(web: Any) -> None:
    with writing(web.engine) as session:
        save_site(session, replace(web.planner.plan.site, shifts=()))
    async with web.client() as client:
        answer = await client.post(f"{SITE}/state", data={"mark": "CR-B4-W", "action": "next_shift"})
    assert answer.status_code == 409
    assert "no shift in the 60 days" in answer.text


async def test_a_joint_at_rest_says_why_and_can_be_planned_again(web: Any) -> None:
    async with web.client() as client:
        await client.post(f"{SITE}/state", data={"mark": "CR-B4-W", "action": "postponed"})
        plan = web.planner.plan
        web.planner.plan = replace(plan, joints=tuple(jp for jp in plan.joints if jp.joint.mark != "CR-B4-W"))
        page = words_of((await client.get(f"{SITE}/joints/CR-B4-W")).text)
        assert "It is postponed, so it is not planned." in page
        assert "Plan it again" in page
        body = (await client.get(f"{SITE}/joints/CR-B4-W.json")).json()
        assert TypeAdapter(RestingJoint).validate_python(body).state == "postponed"


async def test_a_joint_that_left_the_schedule_offers_nothing_that_would_not_work(web: Any) -> None:
    with writing(web.engine) as session:
        left = [one for one in joints_of(session, "north-yard") if one.mark != "CR-B4-W"]
        rows = [ImportedJoint(one, row) for row, one in enumerate(left, start=2)]
        import_joints(session, "north-yard", rows, now=web.clock[0], file_name="next.csv", by="test")
    planned = tuple(jp for jp in web.planner.plan.joints if jp.joint.mark != "CR-B4-W")
    web.planner.plan = replace(web.planner.plan, joints=planned)
    async with web.client() as client:
        page = words_of((await client.get(f"{SITE}/joints/CR-B4-W")).text)
    assert "The last schedule no longer holds this mark" in page
    assert "Plan it again" not in page


@pytest.mark.parametrize(
    "form",
    [
        {"mark": "CR-B4-W", "action": "explode"},
        {"mark": "", "action": "done"},
        {"action": "done"},
        {"mark": "x" * 101, "action": "done"},
    ],
)
async def test_a_form_that_makes_no_sense_changes_nothing(web: Any, form: dict[str, str]) -> None:
    async with web.client() as client:
        answer = await client.post(f"{SITE}/state", data=form)
    assert answer.status_code == 422
    assert "nothing was changed" in answer.text
    assert web.planner.replanned == []


async def test_a_state_of_a_joint_that_is_not_there(web: Any) -> None:
    async with web.client() as client:
        assert (await client.post(f"{SITE}/state", data={"mark": "NOPE", "action": "done"})).status_code == 404
    assert web.planner.replanned == []


@pytest.mark.parametrize(
    ("back", "leads_to"),
    [
        ("", MORNING),
        (f"{MORNING}?day=2026-12-17&did=old", f"{MORNING}?day=2026-12-17"),
        (ODD, ODD),
        ("https://site.example/sites/north-yard/morning", MORNING),
        ("//site.example/sites/north-yard/x", MORNING),
        ("/sites/other/morning", MORNING),
        ("/sites/north-yard/\\site.example", MORNING),
        ("javascript:alert(1)", MORNING),
    ],
)
def test_the_way_back_stays_on_the_site(back: str, leads_to: str) -> None:
    assert back_to(back, "north-yard") == leads_to


# Readings


def test_a_figure_in_two_units_stands_on_two_lines() -> None:
    assert in_lines("150 °F (66 °C)") == ["150 °F", "66 °C"]
    assert in_lines("12-19 min") == ["12-19 min"]
