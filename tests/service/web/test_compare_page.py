"""Ways of heating of the demo job, whole: page, JSON, CSV and command of one view; what cannot be compared says why."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from typing import Any

import httpx
import pytest
from pydantic import TypeAdapter
from tests.service.conftest import CLOCK
from tests.service.web.conftest import token_of
from tests.service.web.page_source import Tags, words_of
from tests.service.web.test_gas_page import NOW, SITE, Site, gas_plans_once, loaded  # noqa: F401  # fixtures

from frostshift_rules.heat_compare import MOST_JOINTS
from frostshift_rules.units import ft3_from_m3, lb_from_kg
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import import_joints, joints_of, set_joint_state
from frostshift_service.store.records import ImportedJoint, UnknownJoint
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.compare import ComparePage, WayView, ways_of
from frostshift_service.views.compare_text import compare_text
from frostshift_service.views.desk import Desk, TooMuchAsked, UnknownShift
from frostshift_service.views.files import compare_table

pytestmark = pytest.mark.anyio
MARKS = ("BP-A2", "CG-1T", "RP-01")
ASKED = "joint=BP-A2&joint=CG-1T&joint=RP-01"
DAY = "2026-01-15 day"


@pytest.fixture
def site(tmp_path: Any, loaded: Any, gas_plans_once: None) -> Any:  # noqa: F811
    made = Site(tmp_path, loaded)
    yield made
    made.engine.dispose()


def desk(site: Site) -> Desk:
    return Desk(site.engine, site.jobs, lambda: site.now)


def way(page: ComparePage, name: str) -> WayView:
    return next(one for one in page.ways if one.name == name)


async def test_every_form_of_the_page_says_the_same(site: Site) -> None:
    page = desk(site).compare(SITE, MARKS)
    async with site.client() as client:
        shown = {form: await client.get(f"/sites/{SITE}/compare{form}?{ASKED}") for form in ("", ".json", ".csv")}
    assert {answer.status_code for answer in shown.values()} == {200}
    Tags(shown[""].text)
    words = words_of(shown[""].text)
    assert [one.name for one in page.ways][:4] == [
        "as planned", "oxy-propane multi-flame tip", "air-propane hand torch", "resistance pad",
    ]  # fmt: skip
    for one in page.ways:
        assert one.where_text in words
        for text in (one.without_text, one.hands_text, one.cost_text, one.power, *one.notes):
            assert text in words
        for gas in one.gases:
            assert f"{gas.gas} {gas.total.text}" in words
            assert gas.cylinders in words
            assert gas.together in words
        for line in one.joints:
            assert (line.reason or line.taken) in words
    assert all(text in words for text in (*page.left_out, *page.sources, *(one.text for one in page.cautions)))
    assert TypeAdapter(ComparePage).validate_python(json.loads(shown[".json"].text)) == page
    rows = list(csv.DictReader(io.StringIO(shown[".csv"].content.decode("utf-8-sig"))))
    assert len(rows) == len(compare_table(page).rows)
    for one in page.ways:
        together = {row["what"]: row for row in rows if row["way"] == one.name and not row["joint"]}
        assert one.longest is not None
        assert float(together["heating, longest joint"]["high"]) == round(one.longest.high, 3)
        assert together["cost"]["text"] == one.cost_text
        for gas in one.gases:
            assert together[gas.gas]["unit"] == gas.total.unit
            assert float(together[gas.gas]["high"]) == round(gas.total.high, 3)
        each = {(row["joint"], row["what"]): row["text"] for row in rows if row["way"] == one.name and row["joint"]}
        for line in one.joints:
            if line.status == "timed":
                assert each[line.mark, "heated with"] == line.heaters_text
            else:
                assert each[line.mark, line.status] == line.reason


def test_the_planned_way_is_what_the_other_pages_say(site: Site) -> None:
    """The joint's page for its time, torches and heaters beside them; the gas page for the shift's amounts."""
    page = desk(site).compare(SITE, (), DAY)
    planned = page.ways[0]
    for line in planned.joints:
        sheet = desk(site).joint(SITE, line.mark).line  # type: ignore[union-attr]
        assert line.minutes == sheet.minutes
        assert (line.light_up.utc if line.light_up else None) == (sheet.light_up.utc if sheet.light_up else None)
        if line.status == "timed":
            assert line.heaters_text == sheet.heaters_text
    assert "2 torches and 2 heating pads" in [line.heaters_text for line in planned.joints]
    of_shift = next(one for one in desk(site).gas(SITE).shifts if one.key == DAY)
    for gas in of_shift.gases:
        (taken,) = (one for one in planned.gases if one.gas == gas.gas)
        other = next((amount.high for use, amount in gas.uses if use == "other use"), 0.0)
        assert taken.total.high == pytest.approx(gas.total.high - other)
    assert planned.energy == of_shift.energy


def test_a_cost_is_gas_and_current_by_the_sites_prices(site: Site) -> None:
    """The demo pays 96 for 100 lb of propane, 34 for 251 ft3 (at 70 °F) of oxygen and 0.19 a kWh."""
    page = desk(site).compare(SITE, ("CG-1T", "RP-01"))
    planned, induction = page.ways[0], way(page, "induction heater")
    assert planned.cost is not None
    assert induction.cost is not None
    amounts = {gas.gas: gas.total.likely for gas in planned.gases}
    to_70f = 294.26 / 288.15
    by_hand = lb_from_kg(amounts["propane"]) * 0.96 + ft3_from_m3(amounts["oxygen"]) * to_70f * 34.0 / 251.0
    assert planned.cost.likely == pytest.approx(by_hand, rel=1e-3)
    assert planned.cost.unit == "USD"
    assert induction.energy is not None
    assert induction.cost.likely == pytest.approx(0.19 * induction.energy.likely)
    assert way(page, "oxy-acetylene heating tip").cost_text == "The site states no price of acetylene."
    site.set_gas(supply=(), kwh_price=None)
    page = desk(site).compare(SITE, ("CG-1T", "RP-01"))
    assert {one.cost for one in page.ways} == {None}
    assert "no price of current" in way(page, "induction heater").cost_text


def test_a_joint_that_a_way_gives_no_time_for_is_named_and_takes_the_cost_away(site: Site) -> None:
    page = desk(site).compare(SITE, ("BB-01", "RP-01"))
    planned = page.ways[0]
    assert planned.without == ("BB-01",)
    assert planned.without_text == "No time for 1 of 2: BB-01."
    assert planned.cost_text == "No cost of a part of the work: no time for BB-01."
    lines = [line for _, line in ways_of(page, "BB-01")]
    assert all(line.reason.startswith("No time") for line in lines)
    assert compare_text(page).count("! No time for 1 of 2: BB-01.") == len(page.ways)


async def test_a_joint_that_nothing_is_known_of_makes_the_amounts_at_least(site: Site) -> None:
    """EP-01 does not state its electrode: by no way can anything be counted for it."""
    page = desk(site).compare(SITE, ("EP-01", "RP-01"))
    assert page.at_least == "At least: nothing is counted, by any way, for EP-01."
    assert "electrode" in page.joints[0].note
    assert {line.status for one in page.ways for line in one.joints if line.mark == "EP-01"} == {"unknown"}
    assert page.ways[0].cost is not None
    async with site.client() as client:
        words = words_of((await client.get(f"/sites/{SITE}/compare?joint=EP-01&joint=RP-01")).text)
    assert page.at_least in words
    assert page.at_least in compare_text(page)
    assert any("at least" in row for row in compare_table(page).rows)


def test_cylinders_that_starve_are_said_beside_the_way(site: Site) -> None:
    """On the second day the air falls below what propane can be drawn in for a torch: said in the site's units."""
    page = desk(site).compare(SITE, (), "2026-01-16 day")
    planned = page.ways[0]
    assert "Its cylinders do not give enough propane in this cold." in planned.notes
    (propane,) = (gas for gas in planned.gases if gas.gas == "propane")
    assert propane.verdict == "another_way"
    assert "°F" in propane.together
    assert "°C" not in propane.together
    assert not any("do not give enough" in note for note in way(page, "induction heater").notes)


def test_units_are_the_sites(site: Site) -> None:
    us = desk(site).compare(SITE, MARKS)
    with writing(site.engine) as session:
        kept = load_site(session, SITE)
        save_site(session, kept.site, show_units="si", feed=kept.feed)
    si = desk(site).compare(SITE, MARKS)
    assert all("lb" in gas.total.text or "ft³" in gas.total.text for one in us.ways for gas in one.gases)
    assert all("kg" in gas.total.text or "m³" in gas.total.text for one in si.ways for gas in one.gases)
    assert [one.cost for one in us.ways] == [one.cost for one in si.ways]


def test_heaters_have_no_cylinder_no_hands_and_no_word_of_flames(site: Site) -> None:
    page = desk(site).compare(SITE, MARKS)
    for name in ("resistance pad", "induction heater"):
        one = way(page, name)
        assert (one.gases, one.hands) == ((), 0)
        assert "nobody holds them" in one.hands_text
        said = " ".join([*one.notes, *(line.reason + line.heaters_text for line in one.joints)])
        assert not re.search(r"flame|torch|burn", said)
    assert any("not stated" in note for note in way(page, "induction heater").notes)


def test_more_torches_than_people_or_than_there_are_is_said(site: Site) -> None:
    with writing(site.engine) as session:
        kept = load_site(session, SITE)
        few = replace(
            kept.site,
            shifts=tuple(replace(one, hands=1) for one in kept.site.shifts),
            heat_sources=tuple(replace(one, count=1) for one in kept.site.heat_sources),
        )
        save_site(session, few, show_units="us", feed=kept.feed)
    notes = " ".join(way(desk(site).compare(SITE, MARKS), "oxy-propane multi-flame tip").notes)
    assert "are needed at once, 1 are on the site." in notes
    assert "torches at once are more than the 1 person who can hold one in the day shift of Thu 15 Jan." in notes


async def test_a_shift_is_compared_by_the_key_of_the_other_pages(site: Site) -> None:
    page = desk(site).compare(SITE, (), DAY)
    sheet = desk(site).morning(SITE, None, 4)
    block = next(one for one in sheet.shifts if one.key == DAY)
    assert page.title == "Thu 15 Jan, day shift"
    # The sheet goes by light-up, this page by start.
    assert {one.mark for one in page.joints} == {line.mark for line in block.lines if line.call.code != "no_heat"}
    async with site.client() as client:
        gas, joint = await client.get(f"/sites/{SITE}/gas"), await client.get(f"/sites/{SITE}/joints/RP-01")
        links = [link for link in Tags(gas.text).links + Tags(joint.text).links if "/compare" in link]
        assert f"/sites/{SITE}/compare?shift=2026-01-15+day" in links
        assert f"/sites/{SITE}/compare?joint=RP-01" in links
        for link in links:
            assert (await client.get(link)).status_code == 200


def test_joints_of_a_shift_that_need_no_heat_are_named(site: Site) -> None:
    plan = site.jobs.current_plan(SITE)
    assert plan is not None
    warm = {one.shift_key for one in plan.joints if one.call == "no_heat" and one.shift_key}
    for key in sorted(warm):
        page = desk(site).compare(SITE, (), key)
        marks = [one.joint.mark for one in plan.joints if one.shift_key == key and one.call == "no_heat"]
        assert all(mark in page.no_heat_text for mark in marks)
        assert not {one.mark for one in page.joints} & set(marks)
        assert page.ways or page.nothing == "No joint of this shift needs heat."
    assert warm


async def test_without_a_question_the_page_offers_what_can_be_compared(site: Site) -> None:
    page = desk(site).compare(SITE, ())
    assert (page.ways, page.joints, page.title) == ((), (), "")
    plan = site.jobs.current_plan(SITE)
    assert plan is not None
    assert sorted(mark for one in page.choices for mark, _, _ in one.joints) == sorted(
        one.joint.mark for one in plan.joints
    )
    async with site.client() as client:
        html = (await client.get(f"/sites/{SITE}/compare")).text
    assert html.count('name="joint"') == len(plan.joints)
    assert "checked" not in html


# Bad input ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "code", "said"),
    [
        ("joint=RP-01&joint=NO-99", 404, "NO-99"),
        ("shift=2026-01-15+dawn", 404, "no shift '2026-01-15 dawn' in its plan"),
        (f"joint=RP-01&shift={DAY.replace(' ', '+')}", 422, "Joints and a shift are asked for"),
        ("&".join(f"joint=J{n}" for n in range(MOST_JOINTS + 1)), 422, "41 joints are asked for, at most 40"),
        (f"shift={'x' * 300}", 422, "shift"),
    ],
)
async def test_what_cannot_be_compared_is_refused_by_name(site: Site, query: str, code: int, said: str) -> None:
    async with site.client() as client:
        for form in ("", ".json", ".csv"):
            answer = await client.get(f"/sites/{SITE}/compare{form}?{query}")
            assert answer.status_code == code
            assert said in words_of(answer.text)
        assert (await client.get(f"/sites/nowhere/compare?{query}")).status_code in (404, 422)


async def test_a_joint_at_rest_is_refused(site: Site) -> None:
    with writing(site.engine) as session:
        set_joint_state(session, SITE, "RP-01", "done", now=site.now, by="test")
    site.jobs.replan(SITE)
    async with site.client() as client:
        answer = await client.get(f"/sites/{SITE}/compare.json?joint=RP-01&joint=CG-1T")
    assert answer.status_code == 409
    assert "Joint RP-01 cannot be compared: it is done." in answer.text


async def test_without_a_forecast_to_plan_on_nothing_is_compared(site: Site) -> None:
    site.now = NOW.replace(day=17)
    site.jobs.replan(SITE)
    async with site.client() as client:
        answer = await client.get(f"/sites/{SITE}/compare?joint=CG-2B")
        assert answer.status_code == 409
        assert "too old to be used" in words_of(answer.text)
        joint = await client.get(f"/sites/{SITE}/joints/CG-2B")
        assert "/compare?" not in joint.text
        assert (await client.get(f"/sites/{SITE}/compare")).status_code == 200


def test_more_than_are_compared_at_a_time_are_never_left_out_silently(site: Site) -> None:
    """A shift of 41 joints that need heat is refused whole, and by its number."""
    with reading(site.engine) as session:
        like = next(one for one in joints_of(session, SITE) if one.mark == "RP-01")
    many = [ImportedJoint(replace(like, mark=f"M-{n}"), n + 2, (), ()) for n in range(MOST_JOINTS + 1)]
    with writing(site.engine) as session:
        import_joints(session, SITE, many, now=site.now, file_name="many.csv", by="test")
    site.jobs.replan(SITE)
    with pytest.raises(TooMuchAsked, match="41 joints are asked for, at most 40"):
        desk(site).compare(SITE, (), DAY)
    marks = tuple(one.joint.mark for one in many[:MOST_JOINTS])
    assert [one.mark for one in desk(site).compare(SITE, marks).joints] == list(marks)


def test_the_jobs_refuse_a_mark_that_the_plan_has_not(site: Site) -> None:
    with pytest.raises(UnknownJoint, match="NO-99"):
        site.jobs.compare(SITE, ["NO-99"])
    with pytest.raises(UnknownShift):
        desk(site).compare(SITE, (), "")


def test_a_shift_without_joints_says_so(site: Site) -> None:
    plan = site.jobs.current_plan(SITE)
    assert plan is not None
    page = desk(site).compare(SITE, (), next(one.key for one in plan.shifts if not one.joints))
    assert (page.nothing, page.ways) == ("No joint starts in this shift.", ())
    assert "No joint starts in this shift." in compare_text(page)


async def test_what_people_typed_is_text(site: Site) -> None:
    """Marks come from schedules: markup stays text, and a formula is no formula in CSV."""
    odd = "=1+1 <b>&"
    with reading(site.engine) as session:
        like = next(one for one in joints_of(session, SITE) if one.mark == "RP-01")
    typed = [ImportedJoint(replace(like, mark=odd), 2, (), ())]
    with writing(site.engine) as session:
        import_joints(session, SITE, typed, now=site.now, file_name="odd.csv", by="test")
    site.jobs.replan(SITE)
    async with site.client() as client:
        html = (await client.get(f"/sites/{SITE}/compare", params={"joint": odd})).text
        assert "<b>" not in html
        assert "=1+1 &lt;b&gt;&amp;" in html
        links = [link for link in Tags(html).links if "compare." in link and "static" not in link]
        assert len(links) == 2
        answers = [await client.get(link) for link in links]
    assert [answer.status_code for answer in answers] == [200, 200]
    rows = list(csv.reader(io.StringIO(answers[0].content.decode("utf-8-sig"))))
    assert not any(cell.startswith("=") for row in rows for cell in row)
    assert any(odd in cell for row in rows for cell in row)


# Over a real connection, and the command ------------------------------------------------------------------------------


def test_over_a_real_connection(base_url: str, web: Any) -> None:
    with httpx.Client(base_url=base_url, headers={"sec-fetch-site": "same-origin"}) as client:
        assert client.get("/sites/north-yard/compare?joint=CR-B4-W").status_code == 401
        client.post("/enter", data=token_of(web.app))
        answer = client.get("/sites/north-yard/compare.json", params={"joint": ["CR-B4-W"]})
        assert answer.status_code == 200
        assert answer.json()["ways"][0]["name"] == "as planned"
        assert client.get("/sites/north-yard/compare", params={"joint": "none"}).status_code == 404


def test_the_command(run: Any, tmp_path: Any, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    assert run("demo", "--no-serve").code == 0
    folder = tmp_path / "data" / "demo"
    monkeypatch.setenv("FROSTSHIFT_DATABASE_URL", f"sqlite:///{(folder / 'demo.db').as_posix()}")
    asked = [word for mark in MARKS for word in ("--joint", mark)]
    text = run("compare", *asked).good()
    assert "As planned (each joint as the schedule has it)" in text
    assert all(f"    {mark}: " in text for mark in MARKS)
    assert max(map(len, text.splitlines())) <= 120
    page = TypeAdapter(ComparePage).validate_json(run("compare", *asked, "--json").good())
    assert [one.mark for one in page.joints] == list(MARKS)
    rows = list(csv.DictReader(io.StringIO(run("compare", *asked, "--csv").good())))
    assert {row["way"] for row in rows} == {one.name for one in page.ways}
    key = next(one.key for one in page.choices if len(one.joints) > 3)
    assert compare_text(TypeAdapter(ComparePage).validate_json(run("compare", "--shift", key, "--json").good()))
    assert key[:10] >= CLOCK.date().isoformat()
    assert run("compare").refused().startswith("Say what to compare: --joint MARK")
    assert "NO-99" in run("compare", "--joint", "NO-99").refused()
    assert "no shift 'x'" in run("compare", "--shift", "x").refused()
    assert "one of them" in run("compare", "--joint", "RP-01", "--shift", key).refused()
    assert run("compare", "--joint", "RP-01", "--json", "--csv").refused() == "--json and --csv: one of them."
