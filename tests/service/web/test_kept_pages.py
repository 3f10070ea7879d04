"""Pages are put together from kept pieces: never an old state, never another's rights, site, units or name."""

from __future__ import annotations

import gc
import re
import subprocess
import sys
import weakref
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlmodel import Session
from tests.service.web.conftest import NOW as WEB_NOW
from tests.service.web.conftest import Web, token_of
from tests.service.web.page_source import words_of
from tests.service.web.test_auth import PASSWORD, account

from frostshift_rules.job import AirReading, Reading
from frostshift_rules.workload import NO_WEATHER
from frostshift_service import demo
from frostshift_service.app import create_app
from frostshift_service.jobs import Jobs
from frostshift_service.rights import Actor
from frostshift_service.schedule_file import read_schedule
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints, kept_joint, move_joint, set_joint_state
from frostshift_service.store.plans import keep_plan, mark_plan_seen, plan_by_id
from frostshift_service.store.readings import add_reading
from frostshift_service.store.records import KeptPlan, PlanInputs
from frostshift_service.store.sites import load_site, save_site, touch
from frostshift_service.store.thermometer import add_typed
from frostshift_service.views import desk as desks

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 1, 12, 13, 30, tzinfo=UTC)
SITE = f"/sites/{demo.SITE_ID}"
KEPT = (
    f"{SITE}/morning",
    f"{SITE}/crew-sheet",
    f"{SITE}/schedule",
    f"{SITE}/weather",
    f"{SITE}/joints/BP-A1",
    f"{SITE}/hours",
)
YARD = "/sites/north-yard"


@pytest.fixture
def url(tmp_path: Path) -> str:
    """Address of a store with the demo job."""
    url = f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    engine, site = open_store(url), demo.demo_site(NOW)
    read = read_schedule(demo.demo_schedule(NOW), "week.csv", site, NOW, 10**8, 1000)
    with writing(engine) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints, now=NOW, file_name="week.csv", by="test")
    (tmp_path / "forecast.json").write_bytes(demo.demo_payload(NOW))
    Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0).take_payload(site.id, tmp_path / "forecast.json")
    engine.dispose()
    return url


def copy_of(url: str, clock: list[datetime]) -> FastAPI:
    """A copy of the service on a store, with nothing in its memory."""
    engine = open_store(url)
    jobs = Jobs(engine, lambda: clock[0], get=None, jitter=lambda: 0.0)
    return create_app(Settings(data_dir=Path(engine.url.database or "").parent), engine, lambda: clock[0], jobs)


@asynccontextmanager
async def reader(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers) as client:
        assert (await client.post("/enter", data=token_of(app))).status_code == 303
        yield client


async def pages(client: httpx.AsyncClient) -> dict[str, str]:
    found = {}
    for path in KEPT:
        answer = await client.get(path)
        assert answer.status_code == 200
        found[path] = re.sub(r'name="entry_key" value="[^"]*"', "", answer.text)
    return found


def first_mark(session: Session) -> str:
    return sorted(one.joint.mark for one in desks.kept.kept_joints(session, demo.SITE_ID))[0]


def done(session: Session) -> None:
    set_joint_state(session, demo.SITE_ID, first_mark(session), "done", now=NOW, by="other")


def moved(session: Session) -> None:
    mark = first_mark(session)
    start_utc = kept_joint(session, demo.SITE_ID, mark).joint.start_utc + timedelta(hours=1)
    move_joint(session, demo.SITE_ID, mark, start_utc, now=NOW, by="other")


def measured(session: Session) -> None:
    add_reading(session, demo.SITE_ID, Reading(first_mark(session), -21.0, NOW - timedelta(minutes=5)), now=NOW)


def air(session: Session) -> None:
    for minutes in (40, 10):
        add_typed(session, demo.SITE_ID, AirReading(-25.0, NOW - timedelta(minutes=minutes)), by="other")


def another_schedule(session: Session) -> None:
    site = load_site(session, demo.SITE_ID).site
    data = demo.demo_schedule(NOW).replace(b",north,", b",east,")
    read = read_schedule(data, "next.csv", site, NOW, 10**8, 1000)
    assert not read.errors
    import_joints(session, demo.SITE_ID, read.joints, now=NOW, file_name="next.csv", by="other")


def set_up(session: Session) -> None:
    kept = load_site(session, demo.SITE_ID)
    save_site(session, replace(kept.site, name="Another name"), show_units="si", feed="file")


CHANGES = {
    done: f"{SITE}/morning",
    moved: f"{SITE}/morning",
    measured: f"{SITE}/morning",
    air: f"{SITE}/weather",
    another_schedule: f"{SITE}/schedule",
    set_up: f"{SITE}/crew-sheet",
}


async def test_whatever_another_copy_changes_stands_on_the_next_page(url: str) -> None:
    clock = [NOW]
    app, other = copy_of(url, clock), open_store(url)
    async with reader(app) as client:
        before = await pages(client)
        assert await pages(client) == before
        for change, where in CHANGES.items():
            clock[0] += timedelta(minutes=1)
            with writing(other) as session:
                change(session)
            after = await pages(client)
            assert words_of(after[where]) != words_of(before[where]), change.__name__
            async with reader(copy_of(url, clock)) as fresh:
                anew = await pages(fresh)
            for path in KEPT:
                # Two copies plan at the same minute, so that the whole page is the same to the last letter.
                assert timeless(after[path]) == timeless(anew[path]), (change.__name__, path)
            before = after


def timeless(page: str) -> str:
    """A page without the moments and ages of its plan, which each copy makes for itself."""
    return re.sub(r'data-(made|age)="[^"]*"', "", page)


async def test_a_change_by_another_process_stands_on_the_next_page(url: str) -> None:
    app = copy_of(url, [NOW])
    async with reader(app) as client:
        before = (await client.get(f"{SITE}/morning")).text
        mark = re.findall(r'class="mark" href="[^"]*">([^<]+)<', before)[0]
        program = (
            "import sys; from datetime import UTC, datetime;"
            "from frostshift_service.store.engine import open_store, writing;"
            "from frostshift_service.store.joints import set_joint_state\n"
            "with writing(open_store(sys.argv[1])) as session:\n"
            "    set_joint_state(session, sys.argv[2], sys.argv[3], 'postponed', now=datetime.now(UTC), by='other')"
        )
        subprocess.run([sys.executable, "-c", program, url, demo.SITE_ID, mark], check=True, timeout=120)
        after = (await client.get(f"{SITE}/morning")).text
        listed = words_of((await client.get(f"{SITE}/schedule?state=postponed")).text)
    assert f">{mark}</a>" in before
    assert f'class="mark" href="{SITE}/joints/{mark}"' not in after
    assert mark in listed


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was worked out, in order."""
    names: list[str] = []

    def counted(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        return lambda *args, **more: (names.append(name), work(*args, **more))[1]

    for name in ("morning_sheet", "schedule_page", "hour_by_hour"):
        monkeypatch.setattr(desks, name, counted(name, getattr(desks, name)))
    return names


async def test_readers_of_one_plan_share_one_sheet_list_and_hours_and_each_is_told_the_age_now(
    web: Web, made: list[str]
) -> None:
    web.planner.site_weather = web.planner.weather("north-yard")
    async with web.client() as client:
        first = words_of((await client.get(f"{YARD}/morning")).text)
        for path in ("crew-sheet", "morning.json", "schedule", "schedule?page=1", "weather"):
            assert (await client.get(f"{YARD}/{path}")).status_code == 200
        web.clock[0] = WEB_NOW + timedelta(minutes=7)
        later = words_of((await client.get(f"{YARD}/morning")).text)
        weather = words_of((await client.get(f"{YARD}/weather")).text)
        await client.get(f"{YARD}/schedule")
    assert made == ["morning_sheet", "schedule_page", "hour_by_hour"]
    assert ", 12 min ago" in first
    assert "issued 2 h 5 min ago" in first
    assert ", 19 min ago" in later
    assert "issued 2 h 12 min ago" in later
    assert "issued 2 h 12 min ago" in weather


async def test_the_clock_takes_a_shift_that_is_over_off_a_kept_sheet_and_past_hours_off_the_weather(web: Web) -> None:
    web.planner.site_weather = web.planner.weather("north-yard")
    async with web.client() as client:
        first = (await client.get(f"{YARD}/morning")).text
        hours = (await client.get(f"{YARD}/weather")).text
        web.clock[0] = WEB_NOW + timedelta(hours=11)
        later = (await client.get(f"{YARD}/morning")).text
        late_hours = (await client.get(f"{YARD}/weather")).text
    assert "Day, Thu 17 Dec" in first
    assert "Day, Thu 17 Dec" not in re.sub(r"(?s)<nav.*?</nav>", "", later)
    assert "From earlier shifts and not marked done" in later
    assert "This plan was made 11 h" in words_of(later)
    this_hour = '<tr>\n<th scope="row"><time datetime="2026-12-17T11:00:00+00:00">'
    assert this_hour in hours
    assert this_hour not in late_hours


async def test_a_change_is_shown_while_the_plan_is_still_the_old_one(web: Web) -> None:
    async def said() -> tuple[str, str]:
        [row] = [one for one in (await client.get(f"{YARD}/schedule.json")).json()["rows"] if one["mark"] == "CR-B4-W"]
        return row["state"], row["start"]["utc"]

    async with web.client() as client:
        before = await said()
        with writing(web.engine) as session:
            set_joint_state(session, "north-yard", "CR-B4-W", "in_progress", now=WEB_NOW, by="test")
        at_work = await said()
        with writing(web.engine) as session:
            move_joint(session, "north-yard", "CR-B4-W", WEB_NOW + timedelta(hours=9), now=WEB_NOW, by="test")
        moved_on = await said()
    assert (before[0], at_work[0]) == ("planned", "in_progress")
    assert before[1] == at_work[1] != moved_on[1]


async def test_a_sheet_that_somebody_saw_meanwhile_is_what_the_next_is_held_against(web: Web) -> None:
    plan = web.planner.plan
    assert plan is not None
    found = []
    async with web.client() as client:
        for ago_h in (None, 24, 12):
            if ago_h is not None:
                with writing(web.engine) as session:
                    seen = replace(plan, made_utc=plan.made_utc - timedelta(hours=ago_h))
                    plan_id = keep_plan(session, seen, PlanInputs(plan.site, (), (), NO_WEATHER), None)
                    mark_plan_seen(session, plan_id, "shown")
            found.append((await client.get(f"{YARD}/morning.json")).json()["changes"]["since"])
    moments = [None if one is None else one["utc"] for one in found]
    assert moments[0] is None
    assert [datetime.fromisoformat(one) for one in moments[1:]] == [
        plan.made_utc - timedelta(hours=24),
        plan.made_utc - timedelta(hours=12),
    ]


async def test_few_earlier_plans_stay_in_memory_and_a_kept_sheet_needs_none(
    web: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = web.planner.plan
    assert plan is not None
    with writing(web.engine) as session:
        for ago_h in range(12, 20):
            seen = replace(plan, made_utc=plan.made_utc - timedelta(hours=ago_h))
            mark_plan_seen(session, keep_plan(session, seen, PlanInputs(plan.site, (), (), NO_WEATHER), None), "shown")
    unpacked: list[int] = []

    def counted(session: Session, plan_id: int) -> KeptPlan:
        unpacked.append(plan_id)
        return plan_by_id(session, plan_id)

    monkeypatch.setattr(desks.plans, "plan_by_id", counted)
    desk = web.app.state.desk
    desk.morning("north-yard")
    found = [desk.plan_before("north-yard", plan.made_utc - timedelta(hours=ago_h)) for ago_h in range(12, 20)]
    assert sorted({one.made_utc for one in found}) == [plan.made_utc - timedelta(hours=h) for h in range(19, 11, -1)]
    refs = [weakref.ref(one) for one in found]
    del found
    gc.collect()
    assert sum(one() is not None for one in refs) <= desks.EARLIER_KEPT
    before = len(unpacked)
    desk.morning("north-yard")
    assert len(unpacked) == before


async def test_rights_and_names_are_of_whoever_asks(web: Web) -> None:
    for role in ("superintendent", "crew", "viewer"):
        account(web, f"{role}@example.com", role=role)
    buttons = {"superintendent": (True, True), "crew": (True, False), "viewer": (False, False)}
    for who in (*buttons, *reversed(buttons)):
        async with web.client(signed_in=False) as client:
            signed = await client.post("/sign-in", data={"email": f"{who}@example.com", "password": PASSWORD})
            assert signed.status_code == 303
            sheet = (await client.get(f"{YARD}/morning")).text
            listed = (await client.get(f"{YARD}/schedule")).text
        found = tuple(f'name="action" value="{action}"' in sheet for action in ("done", "next_shift"))
        assert found == buttons[who], who
        assert ('name="action" value="postponed"' in listed) == (who == "superintendent")
        assert (f"{YARD}/edit?mark=" in listed) == (who == "superintendent")
        names = set(re.findall(r"Mara \w+", sheet + listed))
        assert names == {f"Mara {who.title()}"}


async def test_a_form_comes_back_to_the_page_it_stood_on(web: Web) -> None:
    day = f"{YARD}/morning?day=2026-12-17&shifts=2"
    same_sheet = f"{YARD}/morning?all_rows=true"
    async with web.client() as client:
        for path in (f"{YARD}/morning", day, same_sheet, f"{YARD}/morning"):
            backs = re.findall(r'name="back" value="([^"]+)"', (await client.get(path)).text)
            assert set(backs) == {path.replace("&", "&amp;")}


async def test_sites_and_units_do_not_mix(web: Web) -> None:
    with writing(web.engine) as session:
        site = load_site(session, "north-yard").site
        save_site(session, replace(site, id="south-yard", name="South yard"), show_units="us")
        while load_site(session, "south-yard").revision < load_site(session, "north-yard").revision:
            touch(session, "south-yard")
        session.expire_all()
    with reading(web.engine) as session:
        assert load_site(session, "south-yard").revision == load_site(session, "north-yard").revision
    async with web.client() as client:  # both have the same plan here
        north = (await client.get(f"{YARD}/schedule")).text
        south = (await client.get("/sites/south-yard/schedule")).text
        sheets = [(await client.get(f"/sites/{one}-yard/morning")).text for one in ("north", "south")]
    assert f"{YARD}/joints/CR-B4-W" in north
    assert "/joints/CR-B4-W" not in south
    assert f'action="{YARD}/state"' in sheets[0]
    assert f'action="{YARD}/state"' not in sheets[1]
    desk = web.app.state.desk
    texts = [
        replace(desk, who=Actor("one", owner=True, units=units)).morning("north-yard").shifts[0].lines[-1].minimum.text
        for units in ("us", "si", "both", None, "si")
    ]
    assert ["°F" in text for text in texts] == [True, False, True, True, False]
    assert ["°C" in text for text in texts] == [False, True, True, False, True]
    parts = [
        replace(desk, who=Actor("one", owner=True, units=units)).schedule("north-yard").rows[0].parts[0]
        for units in ("us", "si", "us")
    ]
    assert [(" in" in text, " mm" in text) for text in parts] == [(True, False), (False, True), (True, False)]
