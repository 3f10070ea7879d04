"""The page of arrangements, its JSON and its sketches; the sketch beside a joint; in a browser on a phone and a desk.

For the roles of parts there is no outside reference: common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from typing import Any
from urllib.parse import urlencode
from xml.etree import ElementTree

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.service.web.conftest import enter
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.arrangements import CATALOGUE
from frostshift_rules.job import ARRANGEMENTS, Part
from frostshift_service.schedule_file import COLUMNS
from frostshift_service.views.arrangement import NO_LOOK_UP, arrangement_view, sketch
from frostshift_service.views.joint import joint_facts, part_text
from frostshift_service.views.show import Show

SVG = "{http://www.w3.org/2000/svg}"
ALLOWED = {"svg", "title", "desc", "path", "circle", "g", "text"}
FLANGE = {"steel": "A992", "thickness": "1 in", "flange_width": "12 in", "web": "5/8 in", "web_depth": "24 in"}
TEE = {
    "arrangement": "tee",
    "process": "FCAW-S",
    "units": "US",
    "steel_temperature": "20 F",
    "weld_air_temperature": "18 F",
    "weld_wind": "4 mph",
    "heat_source": "oxy-propane-tip",
} | {f"{name}_{n}": text for n in (1, 2) for name, text in FLANGE.items()}


# Sketches -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ARRANGEMENTS)
def test_a_sketch_is_a_drawing_without_script_and_says_what_it_shows(name: Any) -> None:
    text = sketch(name)
    assert len(text.encode()) < 4_000
    root = ElementTree.fromstring(text)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= ALLOWED
    attributes = {key for element in root.iter() for key in element.attrib}
    assert not any(key.startswith("on") or "href" in key or key in ("style", "class") for key in attributes)
    assert root.get("role") == "img"
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert (title.text, title.get("id")) == (CATALOGUE[name].title, f"{name}-title")
    assert root.get("aria-labelledby") == f"{name}-title {description.get('id')}"
    assert description.get("id") == f"{name}-desc"
    assert "coldest metal" in (description.text or "")
    # one ink, that of the text around it
    inks = {element.get(key) for element in root.iter() for key in ("stroke", "fill") if element.get(key)}
    assert inks <= {"currentColor", "none"}
    # every part has its number in the drawing, and text of a size that is read on a phone
    said = [element.text for element in root.iter(f"{SVG}text")]
    assert {"1", "2", "weld", "band", "coldest", "t"} <= set(said)
    assert any("heated" in (text or "") for text in said)
    assert float((root.get("viewBox") or "").split()[2]) <= 360.0
    assert {element.get("font-size") for element in root.iter() if element.get("font-size")} == {"13"}


def test_there_is_no_sketch_of_anything_else() -> None:
    folder = resources.files("frostshift_service").joinpath("static", "arrangements")
    assert {one.name for one in folder.iterdir()} == {f"{name}.svg" for name in ARRANGEMENTS}


@pytest.mark.parametrize("name", [name for name in ARRANGEMENTS if "flange_with_web" in
                                  {role.kind for role in CATALOGUE[name].roles}])  # fmt: skip
def test_a_sketch_of_flanges_names_their_sizes(name: Any) -> None:
    said = {element.text for element in ElementTree.fromstring(sketch(name)).iter(f"{SVG}text")}
    assert {"t", "b", "tw", "h"} <= said


# The page -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["/arrangements", "/arrangements?site=north-yard"])
async def test_the_page_is_whole_and_without_script_or_style_inside(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path)
        assert answer.status_code == 200
        page = Tags(answer.text)
        for link in {link for link in page.links if link.startswith("/arr")}:
            assert (await client.get(link)).status_code == 200, link
    assert page.open == []
    assert page.inside == []
    assert len(set(page.ids)) == len(page.ids)


@pytest.mark.anyio
async def test_page_and_json_show_the_same_view(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get("/arrangements")).text
        twin = (await client.get("/arrangements.json")).json()
        with_site = (await client.get("/arrangements?site=north-yard")).text
        assert (await client.get("/arrangements?site=nowhere")).status_code == 404
        assert (await client.get("/arrangements.json?site=nowhere")).status_code == 404
        for one in twin["arrangements"]:
            drawn = await client.get(one["sketch"])
            assert drawn.status_code == 200
            assert drawn.headers["content-type"] == "image/svg+xml"
            assert drawn.text in html
        paths = (await client.get("/openapi.json")).json()["paths"]
    assert "/arrangements.json" in paths
    assert [one["id"] for one in twin["arrangements"]] == list(ARRANGEMENTS)
    words = words_of(html)
    for text in (twin["source"], *twin["notes"]):
        assert text in words
    for one in twin["arrangements"]:
        for text in (one["title"], one["word"], one["about"], one["weld"], *one["limits"], *one["left_out"]):
            assert text in words
        for part in one["parts"]:
            for text in (part["kind"], part["lies"], *(size["about"] for size in part["sizes"])):
                assert text in words
    assert NO_LOOK_UP in words
    assert 'aria-current="page">Arrangements' in with_site


def test_every_size_is_named_as_the_columns_are() -> None:
    columns = {column.name for column in COLUMNS}
    for name in ARRANGEMENTS:
        for part in arrangement_view(name).parts:
            assert {size.column for size in part.sizes} <= columns


@pytest.mark.anyio
async def test_every_page_leads_there(web: Any) -> None:
    async with web.client() as client:
        assert 'href="/arrangements"' in (await client.get("/tables")).text
        assert 'href="/arrangements?site=north-yard"' in (await client.get("/sites/north-yard/morning")).text
        form = (await client.get("/case")).text
    assert "Sketches, and the sizes each needs" in form


@pytest.mark.anyio
async def test_behind_the_same_door(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        assert (await client.get("/arrangements")).status_code == 401
        assert (await client.get("/arrangements.json")).status_code == 401


# A joint --------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_the_page_of_a_joint_shows_the_sketch_of_its_arrangement(web: Any) -> None:
    plan = web.planner.plan
    bare, *others = plan.joints
    sizes = {"width_mm": 304.8, "web_mm": 15.875, "web_depth_mm": 609.6}
    flange = Part("A992", 25.4, 1.0, "flange_with_web", **sizes)
    tee = replace(bare.joint, arrangement="tee", parts=(replace(flange, sides=2), flange), welded=True)
    web.planner.plan = replace(plan, joints=(replace(bare, joint=tee), *others))
    path = f"/sites/north-yard/joints/{bare.joint.mark}"
    other = f"/sites/north-yard/joints/{others[0].joint.mark}"
    async with web.client() as client:
        html, twin = (await client.get(path)).text, (await client.get(f"{path}.json")).json()
        without, without_twin = (await client.get(other)).text, (await client.get(f"{other}.json")).json()
    assert sketch("tee") in html
    page = Tags(html)
    assert page.open == []
    assert page.inside == []
    words = words_of(html)
    assert "part 1 is the flange that runs through, part 2 is the flange that ends on it" in words
    assert "A992, 1 in, flange with a web (12 in wide, 5/8 in web, 24 in clear depth of web), weld on its face" in words
    assert "one piece already" in words
    assert twin["arrangement"]["id"] == "tee"
    assert sketch("tee") not in without
    assert without_twin["arrangement"] is None


def test_facts_of_a_joint(show: Show, plan: Any) -> None:
    joint = replace(plan.joints[0].joint, arrangement="tube", ends="all_round", welded=True)
    facts = {fact.label: fact.text for fact in joint_facts(joint, show)}
    assert facts["Arrangement"] == "Tube or box end to end"
    assert facts["Weld"].endswith(" long, all round")
    assert facts["Parts"] == "one piece already"
    bare = {fact.label: fact.text for fact in joint_facts(plan.joints[0].joint, show)}
    assert not {"Arrangement", "Parts"} & set(bare)
    assert bare["Weld"].endswith(" long")


def test_a_flange_of_unknown_size_says_no_size(show: Show) -> None:
    """As joints that were kept before there were sizes."""
    assert part_text(Part("A36", 25.4, 1.0, "flange_with_web"), show) == "A36, 1 in, flange with a web, wide"


@pytest.mark.anyio
async def test_a_case_shows_it_too(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get(f"/case?{urlencode(TEE)}")).text
        (twin,) = (await client.get(f"/case.json?{urlencode(TEE)}")).json()
        wrong = (await client.get(f"/case?{urlencode(TEE | {'flange_width_1': '11 in'})}")).text
        plain = (await client.get("/case?thickness_1=1+in")).text
    assert sketch("tee") in html
    assert Tags(html).open == []
    assert '<option value="tee" selected>' in html
    assert 'value="12 in"' in html
    assert "Weld taken to be as long as the flange is wide, as no length is stated." in twin["reasons"]
    assert "Part 1: Flange with a web: width along the weld : is 279.4 mm (11 in), narrower than" in words_of(wrong)
    assert wrong.count('aria-invalid="true"') == 1
    assert 'class="sketch"' not in plain


# In a browser ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def page(web: Any, browser: Browser, base_url: str) -> Iterator[Page]:
    context = browser.new_context(base_url=base_url, viewport={"width": 360, "height": 780})
    page = context.new_page()
    enter(page, web.app)
    yield page
    context.close()


@pytest.mark.browser
@pytest.mark.parametrize("path", ["/arrangements?site=north-yard", "/arrangements", f"/case?{urlencode(TEE)}"])
def test_it_fits_every_screen_and_axe_finds_no_fault(page: Page, path: str) -> None:
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    for width in (360, 320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        page.goto(path)
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for drawn in page.locator(".sketch svg").all():
            box = drawn.bounding_box()
            assert box is not None
            assert box["width"] >= min(280.0, width)  # so that its text of 13 stays above 10 px
        faults = [
            (one["id"], [node["html"] for node in one["nodes"]][:3]) for one in Axe().run(page).response["violations"]
        ]
        assert faults == []
    assert said == []


@pytest.mark.browser
def test_a_sketch_has_a_name_and_is_on_paper(page: Page) -> None:
    page.goto("/arrangements")
    assert page.get_by_role("img", name="Beam flange to column flange").is_visible()
    page.emulate_media(media="print")
    assert page.get_by_role("img", name="Tube or box end to end").is_visible()
    box = page.get_by_role("img", name="Plates end to end").bounding_box()
    assert box is not None
    assert box["width"] <= 341.0  # 90 mm


@pytest.mark.browser
def test_an_arrangement_is_chosen_on_a_phone(page: Page) -> None:
    page.goto("/case")
    page.locator("select[name=arrangement]").select_option(label="Beam flange to column flange")
    for n in (1, 2):
        part = page.get_by_role("group", name=f"Part {n}")
        part.get_by_label("Steel").fill("A992")
        part.get_by_label("Thickness at the weld").fill("1 in")
        part.get_by_label("width along the weld").fill("12 in")
        part.get_by_label("Thickness of its web").fill("5/8 in")
        part.get_by_label("Clear depth of its web").fill("24 in")
    page.get_by_role("button", name="Work it").click()
    assert "as long as the flange is wide" in page.get_by_label("The answer").inner_text()
    page.get_by_text("Sketch of the arrangement").click()
    assert page.get_by_role("img", name="Beam flange to column flange").is_visible()
