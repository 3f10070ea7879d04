"""A morning as a story, clicked through in a real browser: load, pull, front, notice, reading, order.

Everything is real: the store, the loops' own functions, the pages over HTTP. The clock stands, and is moved by hand.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from playwright.sync_api import Browser, Page, expect
from tests.service.web.conftest import enter, served

from frostshift_service import demo
from frostshift_service.app import create_app
from frostshift_service.jobs import Jobs
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.notices import save_setup
from frostshift_service.store.readings import readings_of
from frostshift_service.store.sites import save_site

pytestmark = pytest.mark.browser

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)
SITE = f"/sites/{demo.SITE_ID}"
MILDER_K = 14.0


@dataclass
class Morning:
    """The service at work, its clock, and where it is served."""

    app: FastAPI
    jobs: Jobs
    clock: list[datetime]
    folder: Path
    url: str

    def pull(self, payload: bytes) -> None:
        """A forecast comes in as one does from a feed, and people are told what it changes."""
        path = self.folder / "forecast.json"
        path.write_bytes(payload)
        self.jobs.take_payload(demo.SITE_ID, path)
        self.jobs.replan(demo.SITE_ID)
        self.jobs.decide(demo.SITE_ID)


def milder(payload: bytes, kelvin: float) -> bytes:
    """The same forecast with warmer air: the front is not in it yet."""
    found = json.loads(payload)
    for one in found["properties"]["temperature"]["values"]:
        if one["value"] is not None:
            one["value"] += kelvin
    return json.dumps(found).encode()


@pytest.fixture
def morning(tmp_path: Path) -> Iterator[Morning]:
    clock = [NOW]
    settings = Settings(data_dir=tmp_path)
    engine = open_store(settings.database_url)
    jobs = Jobs(engine, lambda: clock[0], get=None, jitter=lambda: 0.0)
    with writing(engine) as session:
        save_site(session, demo.demo_site(NOW), show_units="us", feed="file")
        save_setup(session, demo.SITE_ID, demo.demo_people(), now=NOW)
    app = create_app(settings, engine, lambda: clock[0], jobs)
    with served(app) as url:
        yield Morning(app, jobs, clock, tmp_path, url)
    engine.dispose()


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without script"])
def test_a_morning(browser: Browser, morning: Morning, script: bool) -> None:
    context = browser.new_context(
        base_url=morning.url, viewport={"width": 390, "height": 844}, java_script_enabled=script
    )
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    enter(page, morning.app)
    load(page, morning)
    mild = milder(demo.demo_payload(NOW), MILDER_K)
    morning.pull(mild)
    page.goto(f"{SITE}/morning?day=2026-01-13")
    before = page.get_by_role("main").inner_text()
    assert "BP-A1" in before
    front_comes(page, morning)
    measure(page, morning, script=script)
    order(page)
    assert said == []
    context.close()


def load(page: Page, morning: Morning) -> None:
    """The schedule is loaded, and nothing is saved before it was looked at."""
    file: Any = {"name": "week.csv", "mimeType": "text/csv", "buffer": demo.demo_schedule(NOW)}
    page.goto(f"{SITE}/schedule")
    page.locator("input[type=file]").set_input_files(file)
    page.get_by_role("button", name="Show what would change").last.click()
    expect(page.get_by_role("main")).to_contain_text("week.csv")
    with reading(morning.app.state.desk.engine) as session:
        assert joints_of(session, demo.SITE_ID) == []
    page.get_by_role("button", name="Save this schedule").first.click()
    expect(page.get_by_role("main")).to_contain_text("BP-A1")


def front_comes(page: Page, morning: Morning) -> None:
    """The next forecast has the front: it is told, and the superintendent says that he has seen it."""
    morning.clock[0] += timedelta(hours=1)
    morning.pull(demo.demo_payload(morning.clock[0]))
    page.goto(f"{SITE}/notices")
    expect(page.get_by_role("main")).to_contain_text("not answered yet")
    page.locator("article.open h2 a").first.click()
    page.get_by_role("button", name="I have seen this").click()
    expect(page.get_by_role("main")).to_contain_text("Seen by Owner")


def measure(page: Page, morning: Morning, *, script: bool) -> None:
    """A reading below the minimum is said to be that at once, and again on the joint's page."""
    page.goto(f"{SITE}/joints/BP-A1")
    form = page.locator("form.reading-form")
    form.locator("[name=value]").fill("100")
    choose(form, "unit", "F")
    choose(form, "stage", "before_arc")
    choose(form, "tool", "contact")
    keep = form.get_by_role("button", name="Keep reading")
    if (
        script
    ):  # it stands on the page at once and is on its way; who leaves at once finds it on the next page that sends
        with page.expect_response("**/readings.json"):
            keep.click()
    else:
        keep.click()
    expect(page.get_by_role("main")).to_contain_text("Below the minimum")
    page.goto(f"{SITE}/readings")
    expect(page.get_by_role("main")).to_contain_text("Below the minimum")
    with reading(morning.app.state.desk.engine) as session:
        (kept,) = readings_of(session, demo.SITE_ID)
    assert kept.reading.mark == "BP-A1"
    assert kept.reading.steel_c == pytest.approx(37.78, abs=0.01)


def choose(form: Any, name: str, value: str) -> None:
    """A choice of the form, a list or buttons."""
    one = form.locator(f"select[name={name}]")
    if one.count():
        one.select_option(value)
    else:
        form.locator(f"input[name={name}][value={value}]").check(force=True)


def order(page: Page) -> None:
    """Purchasing sees what to order, and by when."""
    page.goto(f"{SITE}/gas")
    expect(page.get_by_role("main")).to_contain_text("rder")
    page.locator(f"a[href='{SITE}/gas/order']").first.click()
    expect(page.get_by_role("main")).to_contain_text("propane")
