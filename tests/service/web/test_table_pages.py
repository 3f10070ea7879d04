"""The pages of the rule tables and their JSON: over HTTP, and in a real browser on a phone and on a desk."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from importlib import resources
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.service.web.conftest import enter
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.job import Acceptance
from frostshift_rules.tables import AROUND_TABLES, OwnTable, acceptable_ids
from frostshift_service.pages import words_kept
from frostshift_service.store.engine import writing
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.rule_table import table_page

IDS = (*acceptable_ids(), *AROUND_TABLES)
D1_1 = "aws_d1_1_2015_t3_3"
SITE = "?site=north-yard"


def bring(web: Any, name: str, **changes: object) -> OwnTable:
    """Give the site a table of its own, D1.1 with one figure changed."""
    shipped = resources.files("frostshift_rules").joinpath("tables", f"{D1_1}.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^id = .*$", f'id = "{name}"', shipped).replace("min_f = 225", "min_f = 230")
    with writing(web.engine) as session:
        site = load_site(session, "north-yard").site
        own = OwnTable(name, text)
        save_site(session, replace(site, own_tables=(own,), **changes), show_units="us")
    return own


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["/tables", f"/tables{SITE}", *(f"/tables/{one}{SITE}" for one in IDS)])
async def test_the_page_is_whole_and_without_script_or_style_inside(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path)
        assert answer.status_code == 200
        page = Tags(answer.text)
        assert page.open == []
        assert page.inside == []
        assert len(set(page.ids)) == len(page.ids)
        for link in {link for link in page.links if link.startswith("#")}:
            assert link[1:] in page.ids
        for link in {link for link in page.links if link.startswith("/tables")}:
            assert (await client.get(link)).status_code == 200, link


@pytest.mark.anyio
@pytest.mark.parametrize("table_id", IDS)
async def test_page_and_json_show_the_same_view(web: Any, table_id: str) -> None:
    async with web.client() as client:
        words = words_of((await client.get(f"/tables/{table_id}")).text, spans_join=True)
        twin = (await client.get(f"/tables/{table_id}.json")).json()
    page = table_page(table_id, None)
    assert twin["table"]["id"] == table_id
    assert [one["heading"] for one in twin["chapters"]] == [one.heading for one in page.chapters]
    for chapter in twin["chapters"]:
        assert chapter["heading"] in words
        for section in chapter["sections"]:
            said = [section["heading"], section["note"], section["clause"], section["basis"]]
            said += [text for fact in section["facts"] for text in fact.values()]
            said += [" ".join(row) for row in section["rows"]]
            for text in said:
                assert " ".join(text.split()) in words, text


@pytest.mark.anyio
async def test_the_list_says_what_each_was_checked_against(web: Any) -> None:
    async with web.client() as client:
        words = words_of((await client.get("/tables")).text, spans_join=True)
        twin = (await client.get("/tables.json")).json()
        with_site = words_of((await client.get(f"/tables{SITE}")).text, spans_join=True)
    assert [one["id"] for one in twin["tables"]] == list(IDS)
    assert twin["site_id"] == ""
    for one in twin["tables"]:
        assert one["title"][1:] in words
        assert all(text in words for text in (*one["checked_against"], *one["left_out"]))
    assert "Not accepted" not in words
    assert "Accepted by Q. Arden, 2026-11-03; the site works with it." in with_site
    assert with_site.count("Not accepted.") == len(acceptable_ids()) - 1


@pytest.mark.anyio
async def test_a_table_ends_with_how_it_is_accepted_or_who_accepted_it(web: Any) -> None:
    async with web.client() as client:
        plain = words_of((await client.get(f"/tables/{D1_1}")).text, spans_join=True)
        accepted = words_of((await client.get(f"/tables/{D1_1}{SITE}")).text, spans_join=True)
        other = words_of((await client.get(f"/tables/aws_d1_5_2015_t4_3{SITE}")).text, spans_join=True)
        people = words_of((await client.get(f"/tables/people{SITE}")).text, spans_join=True)
    assert f"frostshift site accept-table --by NAME --table {D1_1}" in plain
    assert "accepted by Q. Arden, 2026-11-03, the one it uses" in accepted
    assert "accept-table" not in accepted
    assert "frostshift site accept-table --by NAME --table aws_d1_5_2015_t4_3 --site north-yard" in other
    assert "No site accepts these figures" in people
    assert "accept-table" not in people


@pytest.mark.anyio
async def test_a_table_of_the_sites_own(web: Any) -> None:
    accepted = Acceptance("ours", "R. Bell <b>", date(2026, 12, 1))
    own = bring(web, "ours", table_id="ours", acceptances=(accepted,))
    async with web.client() as client:  # of another text, or of one that nobody knows
        assert (await client.get(f"/tables/ours.json{SITE}")).json()["table"]["standing"]["accepted_by"] == ""
    bring(web, "ours", table_id="ours", acceptances=(replace(accepted, fingerprint=own.fingerprint),))
    async with web.client() as client:
        html = (await client.get(f"/tables/ours{SITE}")).text
        twin = (await client.get(f"/tables/ours.json{SITE}")).json()
        assert f"/tables/ours{SITE}" in (await client.get(f"/tables{SITE}")).text
        for path in ("/tables/ours", "/tables/ours.json"):
            assert (await client.get(path)).status_code == 404  # of no other site
    assert "R. Bell <b>" not in html
    assert "over 2-1/2 230 over 65 110" in words_of(html, spans_join=True)
    standing = twin["table"]["standing"]
    assert (standing["own"], standing["used"], standing["accepted_by"]) == (True, True, "R. Bell <b>")
    assert standing["accepted_on"] == "2026-12-01"
    assert standing["command"] == ""


@pytest.mark.anyio
async def test_what_is_not_there(web: Any) -> None:
    async with web.client() as client:
        for path in ("/tables?site=nowhere", "/tables.json?site=nowhere", f"/tables/{D1_1}?site=nowhere"):
            assert (await client.get(path)).status_code == 404
        page, twin = await client.get("/tables/<b>x"), await client.get("/tables/x.json")
    assert (page.status_code, twin.status_code) == (404, 404)
    assert "<b>x" not in page.text
    assert "there are aws_d1_1_2015_t3_3, " in words_of(page.text, spans_join=True)
    assert all(table_id in twin.json()["detail"] for table_id in IDS)


@pytest.mark.anyio
async def test_the_tables_stand_behind_the_same_door_and_are_linked(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        for path in ("/tables", "/tables.json", f"/tables/{D1_1}", f"/tables/{D1_1}.json"):
            assert (await client.get(path)).status_code == 401
    async with web.client() as client:
        assert 'href="/tables">Rule tables' in (await client.get("/case")).text
        for path in ("morning", "joints/CR-B4-W"):
            html = (await client.get(f"/sites/north-yard/{path}")).text
            assert f'href="/tables{SITE}">Rule tables' in html
            assert f'<a href="/tables/{D1_1}{SITE}">AWS D1.1/D1.1M:2015' in html


def test_a_name_stays_on_one_line_and_is_no_markup() -> None:
    assert words_kept("over 1-1/2 <b>") == 'over <span class="kept">1-1/2</span> &lt;b&gt;'
    assert words_kept("< 65") == '<span class="kept">&lt; 65</span>'
    assert words_kept("-15 to -19 °F") == "-15 to -19 °F"


# In a browser ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def screen(web: Any, browser: Browser, base_url: str) -> Iterator[Page]:
    """A browser, signed in."""
    context = browser.new_context(base_url=base_url)
    page = context.new_page()
    enter(page, web.app)
    yield page
    context.close()


@pytest.mark.browser
def test_the_pages_fit_and_axe_finds_no_fault(screen: Page) -> None:
    said: list[str] = []
    screen.on("console", lambda message: said.append(message.text))
    wider, faults = [], []
    for width in (390, 1280):
        screen.set_viewport_size({"width": width, "height": 844})
        for path in (f"/tables{SITE}", *(f"/tables/{one}{SITE}" for one in IDS)):
            screen.goto(path)
            screen.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            if screen.evaluate("document.documentElement.scrollWidth") > width:
                wider.append((width, path))
            # Only what has its own box may be wider than the text around it.
            wider += screen.evaluate(
                "[...document.querySelectorAll('table')].filter(one => !one.closest('.own-scroll') && "
                "one.getBoundingClientRect().right > document.querySelector('main').getBoundingClientRect().right)"
                ".map(one => one.caption.innerText)"
            )
            found = Axe().run(screen).response["violations"]
            faults += [(width, path, one["id"], [node["html"] for node in one["nodes"]][:2]) for one in found]
    assert wider == []
    assert faults == []
    assert said == []


@pytest.mark.browser
def test_an_engineer_finds_the_table_from_the_sheet_on_a_phone(screen: Page) -> None:
    screen.set_viewport_size({"width": 390, "height": 844})
    screen.goto("/sites/north-yard/morning")
    screen.get_by_role("link", name="AWS D1.1/D1.1M:2015").first.click()
    screen.get_by_role("link", name="Category B").click()
    row = screen.get_by_role("table", name="Category B: Minimum preheat and interpass temperature").get_by_role("row")
    assert row.nth(3).inner_text().split("\t") == ["over 1-1/2 through 2-1/2", "150", "over 38 through 65", "65", "no"]
    screen.get_by_role("link", name="Rule tables").click()
    screen.get_by_role("link", name="Special operations around a weld").click()
    assert "bend 1 more stud in every 100" in screen.get_by_role("main").inner_text()
