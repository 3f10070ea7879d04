"""Sheets on paper: PDFs as `pypdf` and `pdftotext` read them, and the same page as Chromium prints it."""

from __future__ import annotations

import io
import logging
import re
import subprocess
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from shutil import which
from threading import Event
from typing import Any

import anyio
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader
from tests.service.web.conftest import DAY_KEY, at, enter, heat_plan, joint, joint_plan, make_plan
from tests.service.web.page_source import words_of

from frostshift_rules.workload import JointPlan, Plan, Range
from frostshift_service import pdf, print_pages
from frostshift_service.pdf import MOST_ROWS, NO_PDF, NotOurs, page_pdf, paper_for, static_file
from frostshift_service.views.sheet import LINES_A_PART
from frostshift_service.views.words import CALLS, WEATHER

pytestmark = pytest.mark.anyio
SITE = "/sites/north-yard"
SIZES_PT = {"letter": (612.0, 792.0), "a4": (595.28, 841.89)}
LONG = "row AA, line 144, bottom flange splice of girder 12"


def heated(number: int, crew: str = "north") -> JointPlan:
    of = joint(f"M{number:03}-W", 1.0 + number / 20.0, crew=crew, place=LONG, torches=2)
    return joint_plan(
        of,
        DAY_KEY,
        call="cold_steel_heat",
        call_by_air="cold_steel_heat",
        weather_state="shelter_needed",
        heat=heat_plan(of, 70.0, Range(12.2, 14.4, 18.6), earliest_arc_utc=None if number % 5 else at(3.0)),
    )


def plan_of(joints: Sequence[JointPlan]) -> Plan:
    return replace(make_plan(), joints=tuple(joints))


def pages_of(content: bytes) -> list[str]:
    """The text of each page, as poppler lays it out."""
    if which("pdftotext") is None:
        pytest.skip("no pdftotext")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=content, capture_output=True, check=True)
    return done.stdout.decode().split("\f")[:-1]


def marks(pages: Sequence[str]) -> Counter[str]:
    return Counter(re.findall(r"M\d{3}-W", "\n".join(pages)))


async def get(web: Any, path: str) -> bytes:
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    content: bytes = answer.content
    return content


@pytest.mark.parametrize(
    ("count", "pages", "paper"),
    [(1, 1, "letter"), (25, 1, "letter"), (26, 2, "letter"), (60, 3, "letter"), (1, 1, "a4"), (60, 3, "a4")],
)
async def test_a_page_a_crew_and_shift_up_to_25_lines(web: Any, count: int, pages: int, paper: str) -> None:
    web.planner.plan = plan_of([heated(n) for n in range(count)])
    content = await get(web, f"{SITE}/crew-sheet.pdf?crew=north&paper={paper}")
    found = pages_of(content)
    with_head = [page for page in found if "Light up" in page and "Heat to" in page]
    assert len(with_head) == pages
    assert len(found) - pages in (0, 1)  # the cautions, where they do not fit below
    assert [sum(marks([page]).values()) for page in with_head] == [25] * (pages - 1) + [count - 25 * (pages - 1)]
    assert marks(found) == Counter(f"M{n:03}-W" for n in range(count))
    reader = PdfReader(io.BytesIO(content))
    for number, page in enumerate(reader.pages, 1):
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(SIZES_PT[paper], abs=0.5)
        text = found[number - 1]
        assert f"page {number} of {len(found)}" in text
        assert "North yard crane runway, Day, Thu 17 Dec, 06:00 to 16:00, crew north" in text
        assert "Plan made Thu 17 Dec 2026 05:18 (America/Chicago)" in text
    assert "Measure the steel before you strike" in " ".join("\n".join(found).split())


async def test_every_crew_and_shift_begins_a_page_of_the_morning_sheet(web: Any) -> None:
    crews = ["north", "south", ""]
    web.planner.plan = plan_of([heated(n, crews[n % 3]) for n in range(9)])
    found = pages_of(await get(web, f"{SITE}/morning.pdf"))
    by_crew = {
        name: [page for page in found if f"{name}" in page and "Heat to" in page]
        for name in ("Crew north", "Crew south", "Joints without a crew")
    }
    assert [len(pages) for pages in by_crew.values()] == [1, 1, 1]
    assert [sum(marks(pages).values()) for pages in by_crew.values()] == [3, 3, 3]
    assert marks(found) == Counter(f"M{n:03}-W" for n in range(9))
    assert "No earlier sheet" in found[0]
    one = pages_of(await get(web, f"{SITE}/morning.pdf?crew=south"))
    assert set(marks(one)) == {"M001-W", "M004-W", "M007-W"}


async def test_nothing_is_cut_off(web: Any, tmp_path: Path) -> None:
    """Every word lies inside the margins of its page."""
    web.planner.plan = plan_of([*(heated(n) for n in range(30)), *make_plan().joints])
    path = tmp_path / "sheet.pdf"
    for url in ("morning.pdf", "crew-sheet.pdf", "joints/CR-B4-W.pdf", "gas/order.pdf"):
        path.write_bytes(await get(web, f"{SITE}/{url}"))
        done = subprocess.run(["pdftotext", "-bbox", path, "-"], capture_output=True, check=True, text=True)
        words = re.findall(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">', done.stdout)
        assert len(words) > 100, url
        for x0, y0, x1, y1 in (tuple(map(float, word)) for word in words):
            assert x0 >= 25.0, url
            assert x1 <= 612.0 - 25.0, url
            assert y0 >= 10.0, url
            assert y1 <= 792.0 - 10.0, url


async def test_what_stands_on_a_line_of_the_crew_sheet(web: Any) -> None:
    reader = PdfReader(io.BytesIO(await get(web, f"{SITE}/crew-sheet.pdf")))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for expected in ("BP-A1", "225 °F", "no time", "no torch", "LN-1", "Outside every shift", "minimum unknown"):
        assert expected in text.replace("\N{NO-BREAK SPACE}", " "), expected
    assert len(PdfReader(io.BytesIO(await get(web, f"{SITE}/joints/CR-B4-W.pdf"))).pages) in range(2, 8)


@pytest.mark.parametrize("state", ["planned", "done"])
async def test_the_page_of_a_joint_on_paper_has_its_figures_and_no_form(web: Any, state: str) -> None:
    """Of a joint in the plan and of one that rests."""
    if state == "done":
        async with web.client() as client:
            answer = await client.post(f"{SITE}/state", data={"mark": "CR-B4-W", "action": "done"})
            assert answer.status_code == 303
        web.planner.plan = plan_of([one for one in make_plan().joints if one.joint.mark != "CR-B4-W"])
    text = " ".join("\n".join(pages_of(await get(web, f"{SITE}/joints/CR-B4-W.pdf"))).split())
    assert "CR-B4-W" in text
    assert "Measured on the steel" in text
    assert "Log a reading" not in text


async def test_the_preheat_record_on_paper_has_its_lines_to_sign(web: Any) -> None:
    async with web.client() as client:
        fields = {
            "mark": "CR-B4-W", "value": "61", "unit": "F", "stage": "before_arc", "tool": "contact thermometer",
            "entry_key": "kQ3vB7xw91pL", "by": "R. Moss",
        }  # fmt: skip
        assert (await client.post(f"{SITE}/readings", data=fields)).status_code == 303
        page = (await client.get(f"{SITE}/record?mark=CR-B4-W")).text
    assert f"{SITE}/record.pdf?mark=CR-B4-W" in page
    text = " ".join("\n".join(pages_of(await get(web, f"{SITE}/record.pdf?mark=CR-B4-W"))).split())
    for expected in ("Preheat record: CR-B4-W", "61", "R. Moss", "signature"):
        assert expected in text, expected
    async with web.client() as client:
        assert (await client.get(f"{SITE}/record.pdf?mark=NONE")).status_code == 404


async def test_a_print_that_takes_too_long_is_refused_with_its_limit(web: Any) -> None:
    web.planner.plan = plan_of([heated(n) for n in range(MOST_ROWS + 1)])
    async with web.client() as client:
        answer = await client.get(f"{SITE}/crew-sheet.pdf")
    assert answer.status_code == 422
    assert f"a PDF of more than {MOST_ROWS} takes this machine too long" in answer.text
    assert "one crew or for fewer shifts" in answer.text


async def test_prints_that_wait_hold_up_no_page(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixty prints, more than the shared pool has threads: one is made, the others are told to come back."""
    made, end = [], Event()

    def slow(html: str, paper: str) -> bytes:
        made.append(paper)
        assert end.wait(30)
        return b"%PDF"

    monkeypatch.setattr(print_pages, "page_pdf", slow)
    monkeypatch.setattr(print_pages, "WAIT_S", 1.0)
    async with web.client() as client, anyio.create_task_group() as tasks:
        statuses: list[int] = []

        async def ask() -> None:
            answer = await client.get(f"{SITE}/gas/order.pdf")
            statuses.append(answer.status_code)
            if answer.status_code == 503:
                assert "Try again in a minute" in answer.text

        for _ in range(60):
            tasks.start_soon(ask)
        with anyio.fail_after(20):
            while not made:
                await anyio.sleep(0.05)
            assert (await client.get(f"{SITE}/gas/order")).status_code == 200
            while len(statuses) < 59:
                await anyio.sleep(0.05)
        end.set()
    assert statuses == [503] * 59 + [200]
    assert made == ["letter"]


async def test_a_page_shows_a_part_of_a_big_shift_says_what_it_leaves_out_and_paper_holds_all(web: Any) -> None:
    joints = [heated(n) for n in range(2 * LINES_A_PART + 3)]
    joints[-1] = replace(joints[-1], weather_state="stop")
    joints[-2] = replace(joints[-2], call="measure")
    web.planner.plan = plan_of(joints)
    async with web.client() as client:
        pages = [(await client.get(f"{SITE}/morning?shifts=1&part={n}")).text for n in (1, 2, 3, 4)]
        every = (await client.get(f"{SITE}/morning?shifts=1&all_rows=true")).text
        sheet = (await client.get(f"{SITE}/crew-sheet")).text
        assert (await client.get(f"{SITE}/morning?shifts=1")).text.count('class="mark"') == LINES_A_PART
    assert [text.count('class="mark"') for text in pages] == [LINES_A_PART, LINES_A_PART, 3, 0]
    found = [mark for text in pages for mark in re.findall(r'class="mark" href="[^"]*">([^<]+)<', text)]
    assert sorted(found) == sorted(one.joint.mark for one in joints)
    assert every.count('class="mark"') == sheet.count('class="mark-on-paper"') == len(joints)
    first, last = words_of(pages[0]), words_of(pages[3])
    assert f"Joints 1 to {LINES_A_PART} of {len(joints)} stand here" in first
    raised, shelter = CALLS["cold_steel_heat"].text, WEATHER["shelter_needed"].text
    others = f"{LINES_A_PART + 2} {raised}, 1 measure first; weather: {LINES_A_PART + 2} {shelter}, 1 stop"
    assert f"Not on this page: {others}." in first, first
    all_of_them = f"{2 * LINES_A_PART + 2} {raised}, 1 measure first; weather: {2 * LINES_A_PART + 2} {shelter}, 1 stop"
    assert f"{all_of_them}." in last, last
    for text in pages:
        assert f'href="{SITE}/morning?shifts=1&amp;all_rows=true#shift-1"' in text
        assert f'href="{SITE}/morning?shifts=1&amp;part=1#shift-1"' in text or text is pages[0]
    assert "Not on this page" not in every


async def test_a_print_is_kept_as_printed(web: Any) -> None:
    asked = []
    plan = web.planner.plan
    web.planner.current_plan = lambda site_id, because="shown": (asked.append(because), plan)[1]
    await get(web, f"{SITE}/morning.pdf")
    async with web.client() as client:
        await client.get(f"{SITE}/morning")
    assert asked == ["printed", "shown"]


async def test_without_the_library_people_are_told_to_print_the_page(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> Any:
        raise pdf.NoPdf(NO_PDF)

    monkeypatch.setattr(pdf, "_library", missing)
    async with web.client() as client:
        answer = await client.get(f"{SITE}/morning.pdf")
    assert answer.status_code == 503
    assert "Print the page from the browser instead" in answer.text


@pytest.mark.parametrize(
    ("units", "zone", "paper"),
    [
        ("us", "America/Chicago", "letter"),
        ("both", "Europe/Berlin", "letter"),
        ("si", "America/Edmonton", "letter"),
        ("si", "Europe/Oslo", "a4"),
    ],
)
def test_the_paper_of_the_country(units: Any, zone: str, paper: str) -> None:
    assert paper_for(units, zone) == paper


@pytest.mark.parametrize(
    "url",
    [
        "file:///etc/passwd",
        "http://127.0.0.1:8765/sites.json",
        "https://frostshift.invalid/static/../settings.py",
        "https://frostshift.invalid/static/..%2fsettings.css",
        "https://frostshift.invalid/sites/north-yard/morning",
        "data:text/css,body{}",
    ],
)
def test_a_print_fetches_nothing_but_our_own_files(url: str) -> None:
    with pytest.raises(NotOurs):
        static_file(url)
    assert static_file("https://frostshift.invalid/static/print.css?v=0f")[1] == "text/css"


def test_a_name_typed_by_somebody_reads_no_file(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    secret = tmp_path / "secret.css"
    secret.write_text("p::after { content: 'leaked' }", encoding="utf-8")
    html = f'<link rel="stylesheet" href="{secret.as_uri()}"><img src="http://127.0.0.1:9/x.png"><p>shown</p>'
    with caplog.at_level(logging.CRITICAL):
        content = page_pdf(html, "a4")
    text = " ".join(pages_of(content))
    assert "shown" in text
    assert "leaked" not in text


@pytest.mark.browser
def test_chromium_prints_the_same_marks(browser: Browser, base_url: str, web: Any, tmp_path: Path) -> None:
    web.planner.plan = plan_of([heated(n, ("north", "south")[n % 2]) for n in range(56)])
    context = browser.new_context(base_url=base_url)
    page = context.new_page()
    enter(page, web.app)
    page.goto(f"{SITE}/crew-sheet")
    printed = page.pdf(format="Letter")
    ours = page.request.get(f"{SITE}/crew-sheet.pdf?paper=letter").body()
    context.close()
    assert marks(pages_of(printed)) == marks(pages_of(ours)) == Counter(f"M{n:03}-W" for n in range(56))
    heads = [sum("Heat to" in text for text in pages_of(content)) for content in (printed, ours)]
    assert heads == [4, 4]  # 28 lines each: a page of 25 and one of three
