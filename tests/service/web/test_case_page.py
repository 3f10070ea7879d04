"""The page of one joint and its JSON: over HTTP, and in a real browser at the width of a phone."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.service.web.conftest import enter
from tests.service.web.page_source import Tags, words_of

from frostshift_service.case_file import MAX_BYTES

EVIDENCE = Path(__file__).parents[3] / "fixtures" / "cases" / "evidence.json"
QUERY = {
    "name": "BP-B4",
    "steel_1": "A572-50",
    "thickness_1": "1-5/8 in",
    "steel_2": "A992",
    "thickness_2": "7/8 in",
    "process": "FCAW-S",
    "units": "US",
    "steel_temperature": "20 F",
    "weld_air_temperature": "18 F",
    "weld_wind": "4 mph",
    "weld_length": "16 in",
    "heat_source": "oxy-propane-tip",
}
BAD = {"steel_1": "A36", "thickness_1": "1-5/8", "steel_temperature": "20", "thicknes_2": "1 in"}
CASE = f"/case?{urlencode(QUERY)}"


@pytest.mark.anyio
@pytest.mark.parametrize(
    "path", ["/case", CASE, f"/case?{urlencode(BAD)}", f"{CASE}&site=north-yard", "/case?site=north-yard"]
)
async def test_the_page_is_whole_and_without_script_or_style_inside(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.status_code == 200
    page = Tags(answer.text)
    assert page.open == []
    assert page.inside == []


@pytest.mark.anyio
async def test_the_page_answers_first_and_keeps_what_was_stated(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get(CASE)).text
        words = words_of(html)
        places = [words.index(one) for one in ("BP-B4", "heat to minimum", "150 °F", "What to do", "State it again")]
        assert "never replaces a measurement" in words
        assert 'value="1-5/8 in"' in html
        assert '<option value="FCAW-S" selected>' in html
        twin = (await client.get(CASE.replace("/case?", "/case.json?"))).json()
    assert places[0] < places[1] < places[2] < places[3]
    assert [one["name"] for one in twin] == ["BP-B4"]
    assert twin[0]["call"] == "heat_to_minimum"
    assert all(reason in words for reason in twin[0]["reasons"])


@pytest.mark.anyio
async def test_an_empty_form_asks_nothing(web: Any) -> None:
    async with web.client() as client:
        words = words_of((await client.get("/case")).text)
        assert (await client.get("/case.json")).json() == []
    assert "What do you see?" in words
    assert "Cannot be worked" not in words


@pytest.mark.anyio
async def test_what_is_wrong_stands_above_the_form(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get(f"/case?{urlencode(BAD)}")).text
        (twin,) = (await client.get(f"/case.json?{urlencode(BAD)}")).json()
    words = words_of(html)
    assert "Part 1: Thickness at the weld : '1-5/8' has no unit" in words.replace("&#39;", "'")
    assert "thicknes_2 : unknown key" in words
    assert html.count('aria-invalid="true"') == 2
    assert {one["field"] for one in twin["problems"]} == {"parts[1].thickness", "steel_temperature", "thicknes_2"}


@pytest.mark.anyio
async def test_what_was_typed_is_never_markup(web: Any) -> None:
    bad = {"steel_1": '"><script>alert(1)</script>', "thickness_1": "<b>1 in</b>", "units": "<i>", "<u>": "x"}
    async with web.client() as client:
        html = (await client.get(f"/case?{urlencode(bad)}")).text
    for tag in ("<script>", "<b>", "<i>", "<u>"):
        assert tag not in html


@pytest.mark.anyio
async def test_a_site_brings_its_torches_and_an_unknown_one_is_not_there(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get("/case?site=north-yard")).text
        assert 'name="site" value="north-yard"' in html
        assert 'aria-current="page">Work out a joint' in html
        assert (await client.get("/case?site=nowhere")).status_code == 404
        assert (await client.get("/case.json?site=nowhere")).status_code == 404
        assert (await client.post("/cases.json?site=nowhere", content=b"{}")).status_code == 404


@pytest.mark.anyio
async def test_a_list_of_cases_is_worked(web: Any) -> None:
    async with web.client() as client:
        answer = await client.post("/cases.json", content=EVIDENCE.read_bytes())
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "application/json"
        stated = json.loads(EVIDENCE.read_bytes())
        assert [one["name"] for one in answer.json()] == [one["name"] for one in stated]
        mixed = (await client.post("/cases.json", json=[stated[0], {"parts": 3}])).json()
    assert "error" not in mixed[0]
    assert "where a list of parts is expected" in mixed[1]["error"]


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        (b"{", 422, "no JSON"),
        (b"[]", 422, "empty"),
        (b"[" * 10_000, 422, "deep"),
        (b" " * (MAX_BYTES + 1), 413, "more than 1,000,000"),
    ],
)
async def test_a_body_that_is_no_list_of_cases_is_refused(web: Any, body: bytes, status: int, words: str) -> None:
    async with web.client() as client:
        answer = await client.post("/cases.json", content=body)
    assert answer.status_code == status
    assert words in answer.json()["detail"]


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("signed_in", "headers", "status"),
    [
        (False, {}, 401),
        (True, {"sec-fetch-site": "cross-site"}, 403),
        (True, {"origin": "http://elsewhere.example"}, 403),
        (True, {"host": "elsewhere.example"}, 400),
    ],
)
async def test_cases_stand_behind_the_same_door(
    web: Any, signed_in: bool, headers: dict[str, str], status: int
) -> None:
    async with web.client(signed_in=signed_in) as client:
        answer = await client.post("/cases.json", content=EVIDENCE.read_bytes(), headers=headers)
        assert answer.status_code == status
        if not signed_in:
            assert (await client.get("/case")).status_code == 401
            assert (await client.get("/case.json")).status_code == 401


@pytest.mark.anyio
async def test_cases_are_described(web: Any) -> None:
    async with web.client() as client:
        paths = (await client.get("/openapi.json")).json()["paths"]
    assert "post" in paths["/cases.json"]
    assert {one["name"] for one in paths["/case.json"]["get"]["parameters"]} >= {"thickness_1", "weld_wind", "site"}


# In a browser ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def phone(web: Any, browser: Browser, base_url: str) -> Iterator[Page]:
    """A phone without script, signed in."""
    context = browser.new_context(base_url=base_url, viewport={"width": 390, "height": 844})
    page = context.new_page()
    enter(page, web.app)
    yield page
    context.close()


@pytest.mark.browser
def test_a_joint_is_worked_on_a_phone(phone: Page) -> None:
    phone.goto("/case")
    phone.get_by_label("Steel", exact=True).nth(0).fill("20 F")
    phone.get_by_label("Air, inside a tent").fill("18 F")
    phone.get_by_label("Wind, behind a screen").fill("4 mph")
    part = phone.get_by_role("group", name="Part 1")
    part.get_by_label("Steel").fill("A572-50")
    part.get_by_label("Thickness at the weld").fill("1-5/8 in")
    phone.get_by_label("The code is in").select_option("US")
    phone.get_by_label("Process").select_option("FCAW-S")
    phone.get_by_label("Length of the weld").fill("16 in")
    phone.get_by_label("Heated with").select_option("oxy-propane-tip")
    phone.get_by_role("button", name="Work it").click()
    answer = phone.get_by_label("The answer")
    words = answer.inner_text().replace("\xa0", " ")
    for expected in ("heat to minimum", "go", "150 °F", "195 °F", "propane"):
        assert expected in words
    box = answer.bounding_box()
    assert box is not None
    assert box["y"] < 300.0  # the answer stands on the first screen
    assert phone.get_by_label("Thickness at the weld").nth(0).input_value() == "1-5/8 in"
    address = phone.url
    phone.goto("/case")
    phone.goto(address)  # the address can be kept
    assert phone.get_by_label("The answer").inner_text().replace("\xa0", " ") == words


@pytest.mark.browser
@pytest.mark.parametrize("path", ["/case", CASE, f"/case?{urlencode(BAD)}"])
def test_the_page_fits_the_phone_and_axe_finds_no_fault(phone: Page, path: str) -> None:
    said: list[str] = []
    phone.on("console", lambda message: said.append(message.text))
    for width in (390, 320, 1280):
        phone.set_viewport_size({"width": width, "height": 844})
        phone.goto(path)
        phone.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert phone.evaluate("document.documentElement.scrollWidth") <= width
        faults = [
            (one["id"], [node["html"] for node in one["nodes"]][:3]) for one in Axe().run(phone).response["violations"]
        ]
        assert faults == []
    assert said == []
