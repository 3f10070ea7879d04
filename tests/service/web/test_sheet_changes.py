"""What changed since the last sheet, and torches by the hour, as people read them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser
from tests.service.web.conftest import DAY_KEY, NIGHT_KEY, NOW, at, enter, make_plan
from tests.service.web.page_source import words_of

from frostshift_rules.units import c_from_f
from frostshift_rules.workload import JointPlan, Plan, Range, SourceAmounts
from frostshift_service import demo
from frostshift_service.cli import load_demo
from frostshift_service.jobs import Jobs
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import set_joint_state
from frostshift_service.store.plans import last_seen_id, plan_by_id
from frostshift_service.views.changes import FIRST_SHEET, sheet_changes
from frostshift_service.views.desk import Desk
from frostshift_service.views.sheet import MorningSheet, morning_sheet
from frostshift_service.views.show import Show
from frostshift_service.views.terminal import sheet_text

BEFORE = replace(make_plan(), made_utc=NOW - timedelta(hours=12))
KEYS = frozenset({DAY_KEY, NIGHT_KEY, None})
NONE = Range(0.0, 0.0, 0.0)


def other(mark: str, **fields: Any) -> Plan:
    plan = make_plan()
    return replace(plan, joints=tuple(replace(one, **fields) if one.joint.mark == mark else one for one in plan.joints))


def heated(mark: str, **fields: Any) -> Plan:
    found = next(one for one in make_plan().joints if one.joint.mark == mark)
    assert found.heat is not None
    return other(mark, heat=replace(found.heat, **fields))


def limited(mark: str, maximum_c: float) -> Plan:
    found = next(one for one in make_plan().joints if one.joint.mark == mark)
    return other(mark, requirement=replace(found.requirement, maximum_c=maximum_c))


@pytest.mark.parametrize(
    ("after", "mark", "text"),
    [
        (other("BR-C2", call="measure"), "BR-C2", "measure first, was no heat."),
        (other("BR-C2", call="unknown", unknowns=("no hour.",)), "BR-C2", "unknown, was no heat (no hour)."),
        (other("BR-C2", minimum_c=c_from_f(70.0)), "BR-C2", "minimum 70 °F, was 32 °F."),
        (limited("BR-C2", c_from_f(400.0)), "BR-C2", "maximum 400 °F, there was none."),
        (other("CR-B6-N", weather_state="go"), "CR-B6-N", "weather go, was stop."),
        (heated("CR-B4-W", light_up_utc=at(1.0)), "CR-B4-W", "light up Thu 06:30, 28 min earlier."),
        (heated("CR-B4-W", minutes=Range(20.0, 25.0, 40.0)), "CR-B4-W", "heating 20-40 min, was 12-19 min."),
        (other("CR-B4-W", heat=None), "CR-B4-W", "no light-up any more, was Thu 06:58."),
    ],
)
def test_the_sentence_of_a_joint(after: Plan, mark: str, text: str, show: Show) -> None:
    found = sheet_changes(BEFORE, after, KEYS, {}, show)
    assert (found.title, found.text) == ("Since the sheet of Wed 17:30", "1 joint changed.")
    assert [(one.mark, one.text, one.there) for one in found.joints] == [(mark, text, True)]


def test_new_gone_done_and_elsewhere(show: Show) -> None:
    plan = make_plan()
    fewer = replace(plan, joints=plan.joints[2:])
    gone = sheet_changes(BEFORE, fewer, KEYS, {"BP-A1": "done"}, show)
    assert [(one.mark, one.text, one.there) for one in gone.joints] == [
        ("BP-A1", "done, so it is not planned.", False),
        ("CR-B4-W", "no longer on the schedule.", False),
    ]
    new = sheet_changes(replace(fewer, made_utc=BEFORE.made_utc), plan, KEYS, {}, show)
    assert new.joints[0].text == "new: start Thu 06:15, heat to minimum."
    later = sheet_changes(BEFORE, fewer, frozenset({NIGHT_KEY}), {}, show)
    assert (later.joints, later.elsewhere, later.text) == ((), 2, "No joint changed; 2 other joints in other shifts.")


def test_totals_of_a_shift_in_words(show: Show) -> None:
    plan = make_plan()
    day = plan.shifts[0]
    fuel = replace(day.fuels[0], fuel_kg=Range(6.0, 9.0, 13.0))
    changed = replace(day, torches_at_once=5, fuels=(fuel,), hands=2)
    found = sheet_changes(BEFORE, replace(plan, shifts=(changed, *plan.shifts[1:])), KEYS, {}, show)
    assert found.shifts == (
        "Day Thu 06:00: 5 torches at once, was 3; 2 people to hold torches, was 3; "
        "Propane heating torch 13-29 lb, was 6.8-14.6 lb.",
    )


def test_the_first_sheet_says_that_there_is_no_earlier_one(plan: Plan, show: Show, now: datetime) -> None:
    sheet = morning_sheet(plan, show, now)
    assert (sheet.changes.since, sheet.changes.text) == (None, FIRST_SHEET)
    assert FIRST_SHEET[:40] in sheet_text(sheet)


def burning(one: JointPlan) -> JointPlan:
    """The joint of the hand-made plan with what its torches burn."""
    if one.heat is None or one.heat.minutes is None:
        return one
    return replace(one, heat=replace(one.heat, amounts=(SourceAmounts("P1", one.heat.torches, NONE, NONE, NONE),)))


def test_torches_by_the_hour(plan: Plan, show: Show, now: datetime) -> None:
    """BP-A1 is lit at 04:18, CR-B4-W with two torches from 06:58 to 07:30, CR-B5-W from 08:06 to 09:00."""
    plan = replace(plan, joints=tuple(burning(one) for one in plan.joints))
    plan = replace(plan, shifts=(replace(plan.shifts[0], torches_at_once=2), *plan.shifts[1:]))
    found = morning_sheet(plan, show, now).shifts[0].hours
    assert found is not None
    by_hour = {one.at.text: (one.torches, one.lit) for one in found.hours}
    assert by_hour["04:00"] == (1, ("BP-A1",))
    assert by_hour["06:00"] == (2, ("CR-B4-W",))
    assert by_hour["07:00"] == (2, ())
    assert by_hour["08:00"] == (1, ("CR-B5-W",))
    assert by_hour["09:00"] == (0, ())
    assert [bar.text for bar in found.picture.bars][:4] == ["1", "1", "2", "2"]
    assert [level.text for level in found.picture.levels] == ["of 4 on the site", "of 3 on shift"]
    heights = {bar.text: bar.height for bar in found.picture.bars if bar.text}
    assert heights["2"] == pytest.approx(2.0 * heights["1"])
    assert "torches by the hour from 04:00: 1 1 2 2 1 -" in sheet_text(morning_sheet(plan, show, now))


def test_too_few_hands_are_drawn_as_an_outline(plan: Plan, show: Show, now: datetime) -> None:
    plan = replace(plan, joints=tuple(burning(one) for one in plan.joints))
    plan = replace(plan, shifts=(replace(plan.shifts[0], torches_at_once=2, hands=1), *plan.shifts[1:]))
    found = morning_sheet(plan, show, now).shifts[0].hours
    assert found is not None
    assert max(one.short for one in found.hours) == 1
    assert [one.people for one in found.hours] == [one.torches for one in found.hours]
    assert [bar.people_text for bar in found.picture.bars] == [str(one.people or "") for one in found.hours]
    assert {one.people_short for one in found.hours} == {0, 1}  # one on shift, two torches at once
    assert [bar.over_height > 0.0 for bar in found.picture.bars][:4] == [False, False, True, True]


def test_a_plan_that_does_not_say_when_has_no_picture(plan: Plan, show: Show, now: datetime) -> None:
    assert plan.shifts[0].torches_at_once == 3
    assert morning_sheet(plan, show, now).shifts[0].hours is None


# With the loop and the store ------------------------------------------------------------------------------------------


@contextmanager
def job_of(folder: Path, now: datetime) -> Iterator[tuple[Jobs, Desk, list[datetime]]]:
    clock = [now]
    settings = Settings(data_dir=folder, contact=None)
    engine = open_store(settings.database_url)
    jobs = Jobs(engine, lambda: clock[0], get=None, jitter=lambda: 0.0)
    load_demo(engine, jobs, settings, now)
    try:
        yield jobs, Desk(engine, jobs, lambda: clock[0]), clock
    finally:
        engine.dispose()


def test_the_last_sheet_is_the_one_that_somebody_saw_hours_ago(tmp_path: Path) -> None:
    with job_of(tmp_path, datetime(2026, 1, 12, 21, 30, tzinfo=UTC)) as (jobs, desk, clock):
        first = desk.morning(demo.SITE_ID)
        assert first.changes.since is None
        clock[0] += timedelta(hours=2)
        assert desk.morning(demo.SITE_ID).changes.since is None  # looked at a while ago: it is this sheet still
        mark = first.shifts[1].lines[-1].mark
        with writing(desk.engine) as session:
            set_joint_state(session, demo.SITE_ID, mark, "done", now=clock[0], by="somebody")
        clock[0] += timedelta(hours=3)
        found = desk.morning(demo.SITE_ID).changes
        assert found.since is not None
        assert found.since.utc == first.header.made.utc
        assert (mark, "done, so it is not planned.") in [(one.mark, one.text) for one in found.joints]
        jobs.replan(demo.SITE_ID)  # a plan that nobody sees is no sheet
        assert desk.morning(demo.SITE_ID).changes.since == found.since
        with reading(desk.engine) as session:
            seen = last_seen_id(session, demo.SITE_ID, clock[0] + timedelta(seconds=1))
            assert seen is not None
            assert plan_by_id(session, seen).kept_because == "shown"


@pytest.mark.parametrize(
    ("now", "zones"),
    [
        (datetime(2026, 10, 31, 21, 30, tzinfo=UTC), ("CDT", "CST")),
        (datetime(2027, 3, 13, 22, 30, tzinfo=UTC), ("CST", "CDT")),
    ],
)
def test_a_night_on_which_the_clock_is_changed(tmp_path: Path, now: datetime, zones: tuple[str, str]) -> None:
    """Chicago: the clock goes back on 2026-11-01 at 02:00, and forward on 2027-03-14 at 02:00."""
    with job_of(tmp_path, now) as (_, desk, clock):
        desk.morning(demo.SITE_ID)
        clock[0] += timedelta(hours=6)
        sheet: MorningSheet = desk.morning(demo.SITE_ID, shift_count=3)
        zone = ZoneInfo("America/Chicago")
        assert sheet.changes.title.endswith(zones[0])
        for block in sheet.shifts:
            starts = [line.start for line in block.lines]
            for moment in [block.start, block.end, *starts]:
                local = moment.utc.astimezone(zone)
                assert f"{local:%H:%M}" in moment.text
                near = abs(moment.utc - (now + timedelta(hours=10))) < timedelta(hours=8)
                assert not near or moment.text.endswith(local.tzname() or "-")
            if block.hours:
                hours = [one.at.utc for one in block.hours.hours]
                assert all(
                    after - before == timedelta(hours=1) for before, after in zip(hours, hours[1:], strict=False)
                )
                assert len({one.at.text for one in block.hours.hours}) == len(hours)  # 01:00 CDT and 01:00 CST
        assert any(zones[0] in block.title or zones[1] in block.title for block in sheet.shifts)


@pytest.mark.parametrize(
    ("thickness_mm", "text"), [(41.275, "1-5/8 in"), (19.05, "3/4 in"), (38.1, "1-1/2 in"), (40.0, "1.57 in")]
)
def test_fractions_of_an_inch(thickness_mm: float, text: str, show: Show) -> None:
    assert show.length_text(thickness_mm) == text


# In a page ------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_the_page_says_first_what_changed(web: Any) -> None:
    async with web.client() as client:
        html = (await client.get("/sites/north-yard/morning")).text
        words = words_of(html)
        assert FIRST_SHEET in words
        assert words.index("No earlier sheet") < words.index("Day, Thu 17 Dec") < words.index("settle these first")
        assert words.index("GR-D1") < words.index("BP-A1 row A")
        assert "Plan made Thu 17 Dec 2026 05:18 , 12 min ago" in words.replace(" ,", " ,")
        assert re.search(r'issued <span data-age="7500">2 h 5 min</span> ago', html)
        assert (await client.get("/sites/north-yard/plan.json")).status_code == 404  # nothing is planned in the store


@pytest.mark.browser
def test_columns_sort_and_a_newer_plan_is_announced(browser: Browser, base_url: str, web: Any) -> None:
    context = browser.new_context(base_url=base_url)
    page = context.new_page()
    enter(page, web.app)
    answer = {"made_utc": (NOW - timedelta(minutes=12)).isoformat()}
    page.route("**/plan.json", lambda route: route.fulfill(json=answer))
    page.route(
        "**/morning",
        lambda route: route.fulfill(
            response=(found := route.fetch()), body=found.text().replace('data-every="60"', 'data-every="0.2"')
        ),
    )
    page.goto("/sites/north-yard/morning")
    table = page.locator("table.joints").first

    def marks() -> list[str]:
        return table.locator("a.mark").all_inner_texts()

    as_given = marks()
    head = table.get_by_role("button", name="Joint")
    head.focus()
    page.keyboard.press("Enter")
    assert marks() == sorted(as_given)
    assert table.get_by_role("columnheader", name="Joint").get_attribute("aria-sort") == "ascending"
    head.click()
    assert marks() == sorted(as_given, reverse=True)
    head.click()
    assert marks() == as_given
    assert table.locator("tr.group").count() == 2

    newer = page.get_by_text("A newer plan is there.")
    page.wait_for_timeout(600)
    assert not newer.is_visible()
    answer["made_utc"] = (NOW + timedelta(minutes=3)).isoformat()
    newer.wait_for(state="visible", timeout=5000)
    assert page.get_by_role("link", name="Show it").get_attribute("href") == "/sites/north-yard/morning"
    answer["made_utc"] = (NOW - timedelta(minutes=12)).isoformat()
    newer.wait_for(state="hidden", timeout=5000)
    answer["made_utc"] = (NOW - timedelta(minutes=50)).isoformat()  # the server's clock was put back
    newer.wait_for(state="visible", timeout=5000)
    context.close()


@pytest.mark.browser
def test_folded_notes_are_on_paper(browser: Browser, base_url: str, web: Any, tmp_path: Path) -> None:
    plan = web.planner.plan
    web.planner.plan = replace(
        plan,
        joints=tuple(
            replace(one, heat=replace(one.heat, note="A note that is folded.")) if one.heat else one
            for one in plan.joints
        ),
    )
    context = browser.new_context(base_url=base_url, color_scheme="dark")
    page = context.new_page()
    enter(page, web.app)
    page.goto("/sites/north-yard/morning")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(20, 24, 28)"
    folded = page.locator("td.heating").get_by_text("A note that is folded.").first
    row = page.locator("tr.notes-row", has_text="A note that is folded.").first
    assert not folded.is_visible()
    assert not row.is_visible()
    page.emulate_media(media="print", color_scheme="dark")
    assert not folded.is_visible()
    row_box, table_box = row.bounding_box(), page.locator("table.joints").first.bounding_box()
    assert row_box is not None
    assert table_box is not None
    assert row_box["width"] == pytest.approx(table_box["width"], abs=1.0)  # not squeezed into a column
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    context.close()
