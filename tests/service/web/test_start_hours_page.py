"""Other starts of the demo job, whole: page, JSON, CSV, command and the joint's page of one view; the strips."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from pydantic import TypeAdapter
from tests.service.web.conftest import token_of
from tests.service.web.page_source import Tags, words_of
from tests.service.web.test_gas_page import NOW, SITE, Site, gas_plans_once, loaded  # noqa: F401  # fixtures

from frostshift_rules.start_hours import JointStarts, StartHour, next_shifts
from frostshift_rules.totals import NONE
from frostshift_rules.workload import HeatCall, Range
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import import_joints, joints_of, move_joint, set_joint_state
from frostshift_service.store.records import ImportedJoint, UnknownJoint
from frostshift_service.views.desk import Desk, TooMuchAsked
from frostshift_service.views.files import hours_table
from frostshift_service.views.hours_text import hours_text
from frostshift_service.views.joint import JointPage
from frostshift_service.views.show import Show
from frostshift_service.views.start_hours import (
    HOW_CHEAPEST,
    ROWS_A_PART,
    HoursAsked,
    HoursPage,
    Strip,
    by_day,
    fill_of,
    head_of,
    line_of,
    starts_of,
)

pytestmark = pytest.mark.anyio
MARKS = ("BP-A2", "CG-1T", "RP-01")
WEEK = HoursAsked(marks=MARKS, span_h=168)
HOUR = timedelta(hours=1)


@pytest.fixture
def site(tmp_path: Any, loaded: Any, gas_plans_once: None) -> Any:  # noqa: F811
    made = Site(tmp_path, loaded)
    yield made
    made.engine.dispose()


def desk(site: Site) -> Desk:
    return Desk(site.engine, site.jobs, lambda: site.now)


# The whole path -------------------------------------------------------------------------------------------------------


async def test_every_form_of_the_page_says_the_same(site: Site) -> None:
    page = desk(site).hours(SITE, WEEK)
    query = {"joint": list(MARKS), "ahead": 168}
    async with site.client() as client:
        shown = {form: await client.get(f"/sites/{SITE}/hours{form}", params=query) for form in ("", ".json", ".csv")}
    assert {answer.status_code for answer in shown.values()} == {200}
    Tags(shown[""].text)
    words = words_of(shown[""].text)
    assert sorted(one.mark for one in page.joints) == sorted(MARKS)
    for one in page.joints:
        cheapest = one.cheapest
        for text in (one.spells_text, cheapest.text, cheapest.saved, cheapest.alike, cheapest.left_out):
            assert text in words
        for run in one.runs:
            assert f"{run.when} {run.text}" in words
            assert all(text in words for text in (run.steel, run.minutes, run.gas, run.why))
        assert one.line is not None
        assert one.line.summary.rstrip(".") in shown[""].text
    assert HOW_CHEAPEST in words
    assert "never replaces a measurement" in words
    assert TypeAdapter(HoursPage).validate_python(json.loads(shown[".json"].text)) == page
    rows = list(csv.DictReader(io.StringIO(shown[".csv"].content.decode("utf-8-sig"))))
    assert len(rows) == len(hours_table(page).rows) == 3 * 168
    for row, figures in zip(rows, (at for one in page.joints for at in one.hours), strict=True):
        assert (row["call"], row["at_middle"], row["weather"]) == (figures.call, figures.at_middle, figures.weather)
        assert row["start"] == figures.start.text
        assert row["fuel_kg_high"] == ("" if figures.fuel_kg_high is None else row["fuel_kg_high"])
        if figures.fuel_kg_high is not None:
            assert float(row["fuel_kg_high"]) == pytest.approx(figures.fuel_kg_high, abs=5e-4)


@pytest.mark.parametrize(
    ("query", "asked"),
    [
        ({}, HoursAsked()),
        ({"joint": ["BP-A2", "RP-01", "BP-A2"]}, HoursAsked(marks=("BP-A2", "RP-01"))),
        ({"crew": "north"}, HoursAsked(crew="north")),
        ({"crew": "-"}, HoursAsked(crew="")),
        ({"text": "bp-"}, HoursAsked(text="bp-")),
        ({"ahead": 24, "shifts": 3, "part": 2}, HoursAsked(span_h=24, shifts=3, part=2)),
    ],
)
async def test_what_the_address_asks_for_is_asked_in_every_form(
    site: Site, monkeypatch: pytest.MonkeyPatch, query: dict[str, Any], asked: HoursAsked
) -> None:
    heard = []
    whole = Desk.hours

    def hours(self: Desk, site_id: str, asked: HoursAsked, **more: Any) -> HoursPage:
        heard.append((site_id, asked))
        return whole(self, site_id, HoursAsked(marks=MARKS[:1], span_h=6), **more)

    monkeypatch.setattr(Desk, "hours", hours)
    async with site.client() as client:
        for form in ("", ".json", ".csv"):
            assert (await client.get(f"/sites/{SITE}/hours{form}", params=query)).status_code == 200
    assert heard == [(SITE, asked)] * 3


@pytest.mark.parametrize(
    "query",
    [
        *({name: value} for name, value in (("ahead", 5), ("ahead", 169), ("shifts", 0), ("shifts", 22), ("part", 0))),
        *({name: "x" * 201} for name in ("crew", "text")),
    ],
)
async def test_what_is_out_of_range_is_refused_in_every_form(site: Site, query: dict[str, Any]) -> None:
    async with site.client() as client:
        for form in ("", ".json", ".csv"):
            assert (await client.get(f"/sites/{SITE}/hours{form}", params=query)).status_code == 422


@pytest.mark.parametrize("mark", MARKS)
def test_an_hour_is_what_the_plan_says_once_the_joint_is_moved_there(site: Site, mark: str) -> None:
    """Moved in the store and planned again at the same moment, as a superintendent would do it."""
    (found,) = desk(site).hours(SITE, HoursAsked(marks=(mark,), span_h=168)).joints
    seen = set()
    for number in (3, 30, 60, 100, 150):
        figures = found.hours[number]
        with writing(site.engine) as session:
            move_joint(session, SITE, mark, figures.start.utc, now=site.now, by="test")
        site.jobs.replan(SITE)
        plan = site.jobs.current_plan(SITE)
        assert plan is not None
        planned = next(one for one in plan.joints if one.joint.mark == mark)
        assert planned.joint.start_utc == figures.start.utc
        heat = planned.heat
        assert (planned.call, planned.weather_state) == (figures.call, figures.weather)
        assert (planned.steel.cold_c if planned.steel else None) == figures.steel_cold_c
        assert (planned.shift_key, planned.minimum_c) == (figures.shift, figures.minimum_c)
        assert (heat.light_up_utc if heat else None) == (figures.light_up.utc if figures.light_up else None)
        if heat is not None:
            assert (heat.minutes.high if heat.minutes else None) == figures.minutes_high
        seen.add((figures.call, figures.weather))
    assert len(seen) > 1


async def test_the_page_of_a_joint_has_the_same_strip_and_words(site: Site) -> None:
    of_joint = desk(site).joint(SITE, "CG-1T")
    assert isinstance(of_joint, JointPage)
    assert of_joint.other_starts is not None
    starts = of_joint.other_starts.starts
    (found,) = desk(site).hours(SITE, HoursAsked(marks=("CG-1T",), span_h=168)).joints
    assert replace(found, hours=()) == starts
    async with site.client() as client:
        html = (await client.get(f"/sites/{SITE}/joints/CG-1T")).text
        words = words_of(html)
        assert starts.spells_text in words
        assert starts.cheapest.text in words
        assert starts.by_day is not None
        assert f'aria-label="CG-1T, calls by start. {starts.by_day.summary}"' in html
        (link,) = (one for one in Tags(html).links if "/hours?" in one)
        assert (await client.get(link)).status_code == 200


def test_the_cheapest_start_does_not_hang_on_how_many_hours_are_shown(site: Site) -> None:
    for shifts in (1, 4, 9):
        few, many = (
            desk(site).hours(SITE, HoursAsked(marks=MARKS, span_h=span_h, shifts=shifts)) for span_h in (6, 168)
        )
        assert [one.cheapest for one in few.joints] == [one.cheapest for one in many.joints]
        assert all(len(one.hours) == 6 for one in few.joints)


def test_levels_crews_and_parts(site: Site) -> None:
    plan = site.jobs.current_plan(SITE)
    assert plan is not None
    everything = desk(site).hours(SITE, HoursAsked(span_h=24))
    assert everything.total == len(plan.joints) > ROWS_A_PART
    assert (everything.part, everything.parts, len(everything.joints)) == (1, 2, ROWS_A_PART)
    second = desk(site).hours(SITE, HoursAsked(span_h=24, part=99))
    assert second.part == 2
    marks = [one.mark for one in (*everything.joints, *second.joints)]
    assert marks == [one.joint.mark for one in plan.joints]  # by light-up, as on the morning sheet
    level = desk(site).hours(SITE, HoursAsked(text=" Gusset ", span_h=24))
    assert {one.mark for one in level.joints} == {
        one.joint.mark for one in plan.joints if "gusset" in one.joint.place or "gusset" in one.joint.mark.lower()
    }
    assert level.joints
    crew = desk(site).hours(SITE, HoursAsked(crew="north", span_h=24))
    assert {one.crew for one in crew.joints} == {"north"}
    assert all(len(one.hours) == 24 for one in crew.joints)
    assert desk(site).hours(SITE, HoursAsked(text="no such place")).joints == ()
    with pytest.raises(TooMuchAsked, match="at most 40"):
        desk(site).hours(SITE, HoursAsked(marks=tuple(marks[: ROWS_A_PART + 1])))
    with pytest.raises(UnknownJoint):
        desk(site).hours(SITE, HoursAsked(marks=("NO-99",)))


async def test_joints_that_rest_or_have_begun_are_named(site: Site) -> None:
    with writing(site.engine) as session:
        set_joint_state(session, SITE, "BP-A2", "postponed", now=site.now, by="test")
        set_joint_state(session, SITE, "CG-1T", "heating", now=site.now, by="test")
    site.jobs.replan(SITE)
    page = desk(site).hours(SITE, WEEK)
    assert page.missing == ("BP-A2 is not in the latest plan: it is postponed.",)
    by_mark = {one.mark: one for one in page.joints}
    begun = by_mark["CG-1T"]
    assert (begun.hours, begun.line, begun.runs) == ((), None, ())
    assert begun.spells_text == begun.cheapest.text == "Work on it has begun: no other start is looked at."
    async with site.client() as client:
        answers = [
            await client.get(f"/sites/{SITE}/hours{form}", params={"joint": MARKS, "ahead": 168})
            for form in ("", ".json", ".csv")
        ]
        assert [answer.status_code for answer in answers] == [200, 200, 200]
        assert "Work on it has begun" in answers[2].text
        assert (await client.get(f"/sites/{SITE}/joints/CG-1T")).status_code == 200


async def test_hours_beyond_the_forecast_are_unknown_and_named(web: Any) -> None:
    """The forecast of the hand-made plan ends within the week."""
    found = web.app.state.desk.hours("north-yard", HoursAsked(marks=("CR-B4-W",), span_h=168)).joints[0]
    last = found.hours[-1]
    assert found.hours[0].call != "unknown"
    assert (last.call, last.at_middle, last.weather, last.fuel_kg_high) == ("unknown", "unknown", "unknown", None)
    assert last.reason == "The forecast ends before the joint's window does."
    assert re.search(r"From \w{3} \d\d:00 on unknown. The forecast ends before", found.spells_text)
    async with web.client() as client:
        assert found.spells_text in words_of((await client.get("/sites/north-yard/joints/CR-B4-W")).text)


async def test_without_a_forecast_everything_is_unknown_and_nothing_crashes(site: Site) -> None:
    site.now = NOW + timedelta(days=9)
    page = desk(site).hours(SITE, WEEK)
    assert page.header.freshness == "unusable"
    assert {at.call for one in page.joints for at in one.hours} == {"unknown"}
    for one in page.joints:
        assert one.spells_text.startswith("Unknown at every hour. ")
        assert one.cheapest.start is None
    async with site.client() as client:
        for path in ("hours", "hours.json", "hours.csv", "joints/RP-01"):
            assert (await client.get(f"/sites/{SITE}/{path}")).status_code == 200


async def test_units_are_those_of_the_reader(site: Site) -> None:
    shown = desk(site)
    us = shown.hours(SITE, HoursAsked(marks=("CG-1T",)))
    si = replace(shown, who=replace(shown.who, units="si")).hours(SITE, HoursAsked(marks=("CG-1T",)))
    assert "°F" in us.joints[0].runs[0].steel
    assert "lb" in us.joints[0].cheapest.text
    assert "°C" in si.joints[0].runs[0].steel
    assert " kg" in si.joints[0].cheapest.text
    assert us.joints[0].hours[0].fuel_kg_high == si.joints[0].hours[0].fuel_kg_high


async def test_what_people_typed_is_text(site: Site) -> None:
    odd = "=1+1 <b>&"
    with reading(site.engine) as session:
        like = next(one for one in joints_of(session, SITE) if one.mark == "RP-01")
    with writing(site.engine) as session:
        typed = [ImportedJoint(replace(like, mark=odd, place="<i>", crew="<u>"), 2, (), ())]
        import_joints(session, SITE, typed, now=site.now, file_name="odd.csv", by="test")
    site.jobs.replan(SITE)
    async with site.client() as client:
        html = (await client.get(f"/sites/{SITE}/hours", params={"joint": odd})).text
        assert not re.search(r"<[biu]>", html)
        assert "=1+1 &lt;b&gt;&amp;" in html
        links = [link for link in Tags(html).links if "/hours." in link]
        assert len(links) == 2
        answers = [await client.get(link) for link in links]
    assert [answer.status_code for answer in answers] == [200, 200]
    rows = list(csv.reader(io.StringIO(answers[0].content.decode("utf-8-sig"))))
    assert not any(cell.startswith("=") for row in rows for cell in row)


def test_over_a_real_connection(base_url: str, web: Any) -> None:
    with httpx.Client(base_url=base_url, headers={"sec-fetch-site": "same-origin"}) as client:
        assert client.get("/sites/north-yard/hours").status_code == 401
        client.post("/enter", data=token_of(web.app))
        answer = client.get("/sites/north-yard/hours.json", params={"joint": ["CR-B4-W"], "ahead": 24})
        assert answer.status_code == 200
        assert len(answer.json()["joints"][0]["hours"]) == 24
        assert client.get("/sites/north-yard/hours", params={"joint": "none"}).status_code == 404
        assert client.get("/sites/north-yard/hours", params={"ahead": 169}).status_code == 422


def test_the_command(run: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("demo", "--no-serve").code == 0
    folder = tmp_path / "data" / "demo"
    monkeypatch.setenv("FROSTSHIFT_DATABASE_URL", f"sqlite:///{(folder / 'demo.db').as_posix()}")
    text = run("hours", *MARKS, "--shifts", "6").good()
    assert max(map(len, text.splitlines())) <= 120
    page = TypeAdapter(HoursPage).validate_json(run("hours", *MARKS, "--shifts", "6", "--json").good())
    assert sorted(one.mark for one in page.joints) == sorted(MARKS)
    assert text.strip() == hours_text(page).strip()
    flat = " ".join(text.split())
    for one in page.joints:
        assert f"without heat, next 168 h: {one.spells_text}" in flat
        assert f"cheapest start: {one.cheapest.text}" in flat
    assert page.shifts_text.count(",") == 5
    rows = list(csv.DictReader(io.StringIO(run("hours", "--text", "gusset", "--ahead", "6", "--csv").good())))
    assert {len([row for row in rows if row["mark"] == mark]) for mark in {row["mark"] for row in rows}} == {6}
    assert "All" not in run("hours", "--crew", "-", "--ahead", "6").good()
    assert run("hours").refused().startswith("Say which joints: frostshift hours MARK")
    assert "one of them" in run("hours", "RP-01", "--crew", "north").refused()
    assert "NO-99" in run("hours", "NO-99").refused()
    assert run("hours", "RP-01", "--json", "--csv").refused() == "--json and --csv: one of them."


# Words and strips by hand ---------------------------------------------------------------------------------------------

CHICAGO = Show("si", ZoneInfo("America/Chicago"))


def hour(start_utc: datetime, call: HeatCall, at_middle: HeatCall | None = None, **more: Any) -> StartHour:
    known = NONE if call == "no_heat" else None if call == "unknown" else Range(1.0, 2.0, 3.0)
    plain: dict[str, Any] = {
        "start_utc": start_utc,
        "end_utc": start_utc + 2 * HOUR,
        "call": call,
        "at_middle": at_middle or call,
        "reason": "Because." if call == "unknown" else "",
        "minimum_c": None,
        "steel": None,
        "status": None,
        "minutes": known,
        "torch_minutes": known,
        "fuel_kg": known,
        "oxygen_m3": known,
        "energy_kwh": None if known is None else NONE,
        "weather_state": "unknown" if call == "unknown" else "go",
        "weather_reason": None,
        "light_up_utc": None,
        "torches_end_utc": None,
        "earliest_arc_utc": None,
        "shift_key": "2026-11-01 Day",
        "ends_in_shift": True,
        "hint": False,
    }
    return StartHour(**(plain | more))


def row(joint: Any, hours: list[StartHour], planned: StartHour | None = None) -> JointStarts:
    return JointStarts(joint, planned or hours[0], tuple(hours))


def covered(strip: Strip, kind: str) -> float:
    return sum(box.width for box in strip.boxes if box.kind == kind)


@pytest.mark.parametrize("first", [datetime(2026, 10, 31, 5, tzinfo=UTC), datetime(2026, 3, 7, 6, tzinfo=UTC)])
def test_a_line_a_day_holds_every_hour_once_on_days_of_25_and_23_hours(plan: Any, first: datetime) -> None:
    """Local midnight of the day before the clock changes, for three days; the hour that comes twice is two halves."""
    calls: list[HeatCall] = ["no_heat", "heat_to_minimum"]
    hours = [hour(first + n * HOUR, calls[n % 2]) for n in range(72)]
    strip = by_day(hours, row(plan.joints[0].joint, hours), None, CHICAGO)
    assert strip is not None
    boxes = [box for box in strip.boxes if box.kind == "heat"]
    assert len(boxes) == 72
    assert len({(box.x, box.y) for box in boxes}) == 72
    halves = [box for box in boxes if box.width == 6.0]
    autumn = first.month == 10
    assert len(halves) == (2 if autumn else 0)
    for y in {box.y for box in boxes}:
        line = sorted((box for box in boxes if box.y == y), key=lambda box: box.x)
        gaps = [after.x - box.x - box.width for box, after in pairwise(line)]
        assert sum(gap > 0.01 for gap in gaps) == (0 if autumn or len(line) != 23 else 1)
        assert all(gap > -0.01 for gap in gaps)
    assert [mark.text for mark in strip.days][:2] == (["Sat 31", "Sun 1"] if autumn else ["Sat 7", "Sun 8"])


@pytest.mark.parametrize("count", [6, 24, 48, 72, 168])
def test_a_line_holds_all_hours_in_its_width_and_the_head_fits(plan: Any, count: int) -> None:
    first = datetime(2026, 12, 17, 12, tzinfo=UTC)
    calls: list[HeatCall] = ["no_heat", "measure", "heat_to_minimum", "cold_steel_heat", "unknown"]
    hours = [hour(first + n * HOUR, calls[n * 5 // count]) for n in range(count)]
    strip, head = line_of(hours, row(plan.joints[0].joint, hours, hours[1]), hours[3], CHICAGO), head_of(hours, CHICAGO)
    assert strip is not None
    assert head is not None
    assert head.width == strip.width
    for kind in ("heat", "weather"):
        assert covered(strip, kind) == pytest.approx(strip.width, abs=0.1)
    assert [box.code for box in strip.boxes if box.kind == "heat"] == list(dict.fromkeys(at.call for at in hours))
    assert strip.planned is not None
    assert strip.cheapest is not None
    assert strip.planned.x == pytest.approx(strip.width / count, abs=0.1)
    assert all(0.0 <= mark.x <= head.width for mark in (*head.hours, *head.days))


def test_calls_differ_by_how_full_their_box_is_never_by_colour_alone() -> None:
    at = datetime(2026, 12, 17, 12, tzinfo=UTC)
    looks = [
        hour(at, "no_heat"),
        hour(at, "measure", "no_heat"),
        hour(at, "measure", "measure"),
        hour(at, "measure", "heat_to_minimum"),
        hour(at, "heat_to_minimum"),
        hour(at, "cold_steel_heat"),
        hour(at, "unknown"),
    ]
    assert len({fill_of(one) for one in looks}) == len(looks)


def test_the_words_of_spells_ties_and_what_is_saved(plan: Any, web: Any) -> None:
    first = datetime(2026, 12, 17, 12, tzinfo=UTC)  # 06:00 in Chicago, when the day shift begins
    site, joint = plan.site, plan.joints[0].joint
    planned = hour(first + 2 * HOUR, "heat_to_minimum", fuel_kg=Range(1.0, 2.0, 3.04))
    hours = [
        hour(first, "measure", "no_heat", weather_state="stop"),
        hour(first + HOUR, "measure", "no_heat"),
        planned,
        hour(first + 3 * HOUR, "no_heat"),
        hour(first + 4 * HOUR, "no_heat", weather_state="dry_first"),
        hour(first + 5 * HOUR, "unknown"),
    ]
    found = starts_of(row(joint, hours, planned), next_shifts(site, first, 1), CHICAGO, first, span_h=6)
    assert found.spells_text == (
        "Thu 09:00 to 10:00, dry first. Perhaps, measure first: Thu 07:00. From Thu 11:00 on unknown. Because."
    )
    cheapest = found.cheapest
    assert cheapest.text == "Thu 17 Dec 09:00: no heat."
    assert cheapest.saved == "On the cold side 3.0 kg and 3 torch-minutes less than the planned start, Thu 08:00."
    assert cheapest.alike == "As little: Thu 10:00."
    assert cheapest.left_out == "Hours left out: 1 under a stop; 1 whose call is unknown."
    later = starts_of(
        row(joint, hours[3:], planned), next_shifts(site, first, 1), CHICAGO, first + 2.5 * HOUR, span_h=6
    )
    assert later.cheapest.saved == "Not held against the planned start, Thu 08:00, which is past."
    nothing = starts_of(row(joint, hours[-1:], hours[-1]), [], CHICAGO, first, span_h=6)
    assert nothing.spells_text == "Unknown at every hour. Because."
    assert nothing.cheapest.text == "The site has no shift ahead."
