"""The pages in a real browser: a desk, a phone, paper; with and without script; checked by axe-core."""

import re
import subprocess
from pathlib import Path
from shutil import which
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.service.web.conftest import NOW, enter, site_weather, token_of

from frostshift_service.store.records import FeedRow

pytestmark = pytest.mark.browser

SIZES = {"desk": (1440, 900), "tablet": (768, 1024), "phone": (360, 780), "small phone": (320, 640)}
SITE = "/sites/north-yard"
PATHS = {
    "morning": f"{SITE}/morning",
    "joint": f"{SITE}/joints/CR-B4-W",
    "unknown joint": f"{SITE}/joints/{quote('X9/α <3>', safe='')}",
    "schedule": f"{SITE}/schedule",
    "weather": f"{SITE}/weather",
    "gas": f"{SITE}/gas",
    "gas order": f"{SITE}/gas/order",
    "crew sheet": f"{SITE}/crew-sheet",
    "compare": f"{SITE}/compare?joint=CR-B4-W&joint={quote('X9/α <3>', safe='')}",
    "what to compare": f"{SITE}/compare",
    "hours": f"{SITE}/hours?ahead=72",
    "hours of a joint": f"{SITE}/hours?joint=CR-B4-W&ahead=168",
    "order": f"{SITE}/order",
    "edit": f"{SITE}/edit?mark=CR-B4-W",
    "readings": f"{SITE}/readings",
    "record": f"{SITE}/record?mark=CR-B4-W",
    "set-up": f"{SITE}/set-up",
    "access": f"{SITE}/access",
    "account": "/account",
    "accounts": "/accounts",
    "audit": "/audit",
}


def signed_in(
    browser: Browser, base_url: str, web: Any, size: str = "desk", *, script: bool = True, dark: bool = False
) -> Page:
    width, height = SIZES[size]
    context = browser.new_context(
        base_url=base_url,
        viewport={"width": width, "height": height},
        java_script_enabled=script,
        color_scheme="dark" if dark else "light",
    )
    page = context.new_page()
    enter(page, web.app)
    return page


def test_no_page_is_wider_than_its_screen_and_the_console_stays_silent(
    browser: Browser, base_url: str, web: Any
) -> None:
    wider, said = [], []
    failed = FeedRow(
        "north-yard", "nws", NOW, NOW, 7, f"https://weather.example/gridpoints/{'XYZ/101,66/' * 8} answered 503"
    )
    web.planner.site_weather = site_weather(rows={"nws": failed})
    for size, (width, _) in SIZES.items():
        page = signed_in(browser, base_url, web, size)
        page.on("console", lambda message: said.append(message.text))
        for name, path in PATHS.items():
            page.goto(path)
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
            found = page.evaluate("document.documentElement.scrollWidth")
            if found > width:
                wider.append((size, name, found))
        page.context.close()
    assert wider == []
    assert said == []  # the content policy reports what it blocks here


@pytest.mark.parametrize(
    ("size", "dark", "names"),
    [
        ("desk", False, list(PATHS)),
        ("phone", False, ["morning", "joint", "weather", "schedule", "hours", "access"]),
        ("phone", True, ["morning", "joint", "weather", "hours", "edit", "account", "access", "set-up"]),
    ],
)
def test_axe_finds_no_fault(browser: Browser, base_url: str, web: Any, size: str, dark: bool, names: list[str]) -> None:
    page = signed_in(browser, base_url, web, size, dark=dark)
    faults = {}
    for name in names:
        page.goto(PATHS[name])
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        found = Axe().run(page).response["violations"]
        faults[name] = [(one["id"], [node["html"] for node in one["nodes"]][:3]) for one in found]
    page.context.close()
    assert faults == {name: [] for name in names}


def test_axe_would_find_a_fault(browser: Browser, base_url: str, web: Any) -> None:
    page = signed_in(browser, base_url, web)
    page.goto("/nowhere")
    page.evaluate("document.documentElement.removeAttribute('lang')")
    found = {one["id"] for one in Axe().run(page).response["violations"]}
    page.context.close()
    assert "html-has-lang" in found


def test_a_morning_without_script(browser: Browser, base_url: str, web: Any) -> None:
    page = signed_in(browser, base_url, web, "phone", script=False)
    page.goto("/")
    assert page.url == f"{base_url}{SITE}/morning"
    page.get_by_role("button", name="Done CR-B4-W").click()
    assert page.url.endswith("/morning?did=CR-B4-W")
    assert "CR-B4-W is now done." in page.get_by_role("status").inner_text()
    page.get_by_role("button", name="Undo").click()
    assert "CR-B4-W is now planned." in page.get_by_role("status").inner_text()
    page.get_by_role("link", name="why CR-B4-W").click()
    page.get_by_role("textbox", name="Steel temperature").fill("14")
    page.get_by_role("radio", name="°F").check()
    page.get_by_role("radio", name="before any heat").check()
    page.get_by_label("Measured with").select_option("contact thermometer")
    page.get_by_role("button", name="Keep reading").click()
    assert "Below the minimum: do not strike." in page.get_by_role("status").inner_text()
    assert "14 °F" in page.locator("section", has_text="Measured on the steel").inner_text().replace("\xa0", " ")
    page.get_by_role("link", name="Schedule").click()
    page.get_by_label("Mark, place or crew").fill("line 5")
    page.get_by_role("button", name="Show", exact=True).click()
    page.get_by_text("1 of 10").wait_for(timeout=10_000)  # the page may still be on its way
    page.context.close()


def test_a_schedule_is_loaded_from_the_page(browser: Browser, base_url: str, web: Any, tmp_path: Path) -> None:
    broken = tmp_path / "broken.csv"
    broken.write_text("mark,start\nA-1,tomorrow\n", encoding="utf-8")
    page = signed_in(browser, base_url, web, script=False)
    page.goto(PATHS["schedule"])
    page.get_by_label("CSV or XLSX file").set_input_files(broken)
    page.get_by_role("button", name="Show what would change").last.click()
    assert "Nothing was imported" in page.get_by_role("main").inner_text()
    page.context.close()


def test_a_schedule_is_looked_at_saved_changed_and_taken_back_without_script(
    browser: Browser, base_url: str, web: Any, tmp_path: Path
) -> None:
    page = signed_in(browser, base_url, web, script=False)
    week = tmp_path / "week 52.csv"
    lines = page.request.get(f"{PATHS['schedule']}.csv").text().splitlines()
    week.write_text("\n".join(line.replace(",south,", ",east,") for line in lines[:-1]), encoding="utf-8")
    page.goto(PATHS["schedule"])
    page.get_by_label("CSV or XLSX file").set_input_files(week)
    page.get_by_role("button", name="Show what would change").last.click()
    shown = page.get_by_role("main").inner_text()
    assert "Nothing is saved yet" in shown
    page.get_by_role("row", name="HP-E2 crew south east").wait_for(timeout=10_000)
    page.get_by_role("button", name="Save this schedule").click()
    assert "Saved: week 52.csv" in page.get_by_role("main").inner_text()
    # two that are ticked, and one undo for both
    page.get_by_label("Tick BP-A1").check()
    page.get_by_label("Tick CR-B4-W").check()
    page.get_by_label("Crew", exact=True).last.check()
    page.get_by_label("name, empty for none").fill("west")
    page.get_by_role("button", name="Show what would change").first.click()
    page.get_by_role("button", name="Change 2 joints").click()
    page.get_by_role("button", name="Undo").click()
    assert "west" not in page.locator("table.schedule").inner_text()
    # one by its form: an error stands by its field, what was typed stays
    page.get_by_role("link", name="Edit BP-A1").click()
    page.get_by_label("hours", exact=False).first.fill("100")
    page.get_by_role("button", name="Save").click()
    assert "'100'" in page.get_by_role("main").inner_text()
    assert page.locator("#f-hours").input_value() == "100"
    page.locator("#f-hours").fill("3")
    page.get_by_role("button", name="Save").click()
    assert "BP-A1 changed." in page.get_by_role("main").inner_text()
    page.context.close()


def test_a_file_that_is_too_large_gets_its_answer_over_a_real_connection(base_url: str, web: Any) -> None:
    with httpx.Client(base_url=base_url, headers={"sec-fetch-site": "same-origin"}) as client:
        client.post("/enter", data=token_of(web.app))
        answer = client.post(PATHS["schedule"], files={"file": ("big.csv", b"x" * 50_000_000)})
    assert answer.status_code == 413
    assert "more than 10 MB" in answer.text


def test_the_sheet_on_paper(browser: Browser, base_url: str, web: Any, tmp_path: Path) -> None:
    page = signed_in(browser, base_url, web)
    page.goto(PATHS["morning"])
    page.emulate_media(media="print")
    assert not page.get_by_role("button", name="Done").first.is_visible()
    assert not page.get_by_role("navigation").first.is_visible()
    assert page.get_by_text("Measured").first.is_visible()
    assert page.get_by_text("Left open in the schedule").is_visible()
    for paper in ("Letter", "A4"):
        printed = tmp_path / f"{paper}.pdf"
        page.pdf(path=printed, format=paper)
        assert len(re.findall(rb"/Type\s*/Page\b", printed.read_bytes())) in (
            2,
            3,
            4,
        )  # a page or two a shift, and cautions
    page.context.close()
    if which("pdftotext"):
        words = subprocess.run(
            ["pdftotext", "-layout", printed, "-"], capture_output=True, text=True, check=True
        ).stdout
        assert "Thu 06:58" in words
        assert "Measure the steel before you strike." in words
        assert re.search(r"Light up +Joint +Heat +Steel +Target +Heating +Weather +Gas +Measured", words)
