"""The order of work over the app, whole: asked for, first and last answer, taken, taken back; what is refused, by name.

Nine joints of the demo, whose front stops welding for some days. What moves save and what they may not do is tested
with the rules; here it is what becomes of them.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import product
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Route, expect
from pydantic import TypeAdapter
from sqlalchemy import Engine
from tests.service.conftest import Said
from tests.service.web.conftest import Web, enter, served
from tests.service.web.page_source import Tags, words_of
from tests.service.web.test_gas_page import NOW as GAS_NOW
from tests.service.web.test_gas_page import SITE, Site, gas_plans_once, loaded  # noqa: F401  # fixtures
from tests.service.web.test_rights import people, sign_in  # noqa: F401  # a fixture

from frostshift_rules.job import Joint
from frostshift_rules.order_moves import Advice
from frostshift_rules.order_moves import advise as advise_whole
from frostshift_rules.order_problem import Weights
from frostshift_rules.order_solve import Progress
from frostshift_rules.work_setup import Crew, WorkSetup
from frostshift_service import demo, order_pages, order_work
from frostshift_service.jobs import Jobs
from frostshift_service.order_taking import in_the_way, refusals
from frostshift_service.schedule_file import read_schedule
from frostshift_service.settings import Settings
from frostshift_service.store import order_runs
from frostshift_service.store.audit import audit_lines
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import changes_of, import_joints, joints_of, kept_joints, move_joint
from frostshift_service.store.records import ImportedJoint, KeptAdvice, StoreError
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.order import NO_CREW, NO_FORECAST, OrderPage, shift_title

pytestmark = pytest.mark.anyio
MARKS = ("BP-A1", "BP-A4", "BP-B2", "CG-2T", "CG-2B", "GP-04", "EP-02", "CS-A4E", "GP-01")
ORDER = f"/sites/{SITE}/order"


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory, loaded: Path) -> Path:  # noqa: F811
    """The demo with a few of its joints, one of which waits for another: both are planned under the stop."""
    folder = tmp_path_factory.mktemp("few")
    shutil.copytree(loaded, folder, dirs_exist_ok=True)
    engine = open_store(f"sqlite:///{(folder / 'demo.db').as_posix()}")
    with writing(engine) as session:
        joints = [one for one in joints_of(session, SITE) if one.mark in MARKS]
        write(session, [replace(one, after=("BP-A4",)) if one.mark == "GP-04" else one for one in joints])
    engine.dispose()
    return folder


def write(session: Any, joints: list[Joint]) -> None:
    rows = [ImportedJoint(one, row) for row, one in enumerate(joints, 2)]
    import_joints(session, SITE, rows, now=GAS_NOW, file_name="few.csv", by="test")


@pytest.fixture
def site(tmp_path: Path, few: Path, monkeypatch: pytest.MonkeyPatch, gas_plans_once: None) -> Iterator[Site]:  # noqa: F811
    monkeypatch.setattr(order_work, "BEAT_S", 0.05)
    made = Site(tmp_path, few)
    yield made
    made.jobs.orders.stop()
    made.engine.dispose()


def view(site: Site, run: int | None = None) -> OrderPage:
    return Desk(site.engine, site.jobs, lambda: site.now).order(SITE, run, 0)


def kept(site: Site) -> KeptAdvice:
    with reading(site.engine) as session:
        (run, *_) = order_runs.runs_of(session, SITE)
        found = order_runs.advice_of(session, SITE, run.id)
    assert found is not None
    return found


def schedule(site: Site) -> dict[str, tuple[datetime, str]]:
    with reading(site.engine) as session:
        return {one.mark: (one.start_utc, one.crew) for one in joints_of(session, SITE)}


async def worked_out(site: Site, client: httpx.AsyncClient) -> OrderPage:
    """The last answer of a run that was asked for on the page."""
    answer = await client.post(f"{ORDER}/run", data={"shifts": 14})
    assert (answer.status_code, answer.headers["location"]) == (303, ORDER)
    site.jobs.orders.wait()
    return view(site)


def take(page: OrderPage, *marks: str, **more: Any) -> dict[str, Any]:
    assert page.run is not None
    return {"run": page.run.id, "mark": list(marks), **more}


# The whole path -------------------------------------------------------------------------------------------------------


async def test_from_the_button_to_the_moves_in_every_form(site: Site) -> None:
    async with site.client() as client:
        before = await client.get(ORDER)
        assert "Work out an order" in words_of(before.text)
        assert "refresh" not in before.text
        page = await worked_out(site, client)
        shown = {form: await client.get(f"{ORDER}{form}") for form in ("", ".json", ".csv")}
    assert {answer.status_code for answer in shown.values()} == {200}
    assert page.run is not None
    advice = page.run.advice
    assert advice is not None
    assert (page.run.state, page.run.by, advice.first, page.newest) == ("ended", "Owner", False, True)
    assert {one.mark for one in advice.moves} == {"BP-A1", "BP-A4", "BP-B2", "CG-2T", "GP-04"}
    tags, words = Tags(shown[""].text), words_of(shown[""].text)
    assert tags.links
    for text in (advice.headline, advice.gap_text, advice.made_text, *(line.what for line in advice.count)):
        assert text in words
    for line in advice.saved:
        assert f"{line.cold_text} {line.likely_text} {line.warm_text}" in words
    for move in advice.moves:
        assert f"Take the move of {move.mark}" in words
        assert move.now.start.text in words
        assert move.then.start.text in words
    for shift in advice.shifts:
        assert shift.title in words
    for stay in advice.staying:
        assert stay.reason in words
    assert "measure the steel before the arc" in words
    assert "never replaces a measurement" in words
    assert "erection sequence is the superintendent's" in words
    assert TypeAdapter(OrderPage).validate_python(json.loads(shown[".json"].text)) == page
    rows = list(csv.DictReader(io.StringIO(shown[".csv"].content.decode("utf-8-sig"))))
    assert [(row["mark"], row["now_start"], row["new_start"]) for row in rows] == [
        (one.mark, one.now.start.text, one.then.start.text) for one in advice.moves
    ]
    saved = {line.what: line.likely for line in advice.moves[0].saved}
    assert float(rows[0]["saved_fuel_kg_likely"]) == pytest.approx(saved.get("fuel", 0.0), abs=0.005)


async def test_the_sheet_after_is_the_plan_once_all_is_taken(site: Site) -> None:
    async with site.client() as client:
        page = await worked_out(site, client)
        told = kept(site)
        answer = await client.post(f"{ORDER}/take", data=take(page, every="true"))
        assert answer.status_code == 303
        assert "Undo" in words_of((await client.get(answer.headers["location"])).text)
    plan = site.jobs.current_plan(SITE)
    assert plan is not None
    then = {one.key: one for one in plan.shifts}
    assert told.after
    assert [then[one.key] for one in told.after] == list(told.after)
    assert told.after != told.before
    planned = {one.joint.mark: one for one in plan.joints}
    for move in told.advice.moves:
        one = planned[move.mark]
        assert (one.joint.start_utc, one.joint.crew) == (move.after.start_utc, move.crew_after)
        assert (one.call, one.weather_state) == (move.after.call, move.after.weather_state)
        assert one.weather_state != "stop"


async def test_some_are_taken_with_what_has_to_move_along_and_one_undo_takes_them_back(site: Site) -> None:
    before = schedule(site)
    async with site.client() as client:
        page = await worked_out(site, client)
        moves = {one.mark: one for one in page.run.advice.moves}  # type: ignore[union-attr]
        assert moves["BP-A4"].along == ("GP-04",)
        alone = await client.post(f"{ORDER}/take", data=take(page, "BP-A4"))
        assert alone.status_code == 409
        assert "These moves cannot be taken alone" in words_of(alone.text)
        assert "With them: GP-04 . They are ticked now." in words_of(alone.text)
        assert alone.text.count(" checked") == 2
        assert schedule(site) == before

        done = await client.post(f"{ORDER}/take", data=take(page, "BP-A4", "GP-04"))
        assert done.status_code == 303
        after = schedule(site)
        assert {mark for mark in after if after[mark] != before[mark]} == {"BP-A4", "GP-04"}
        assert after["BP-A4"][0] == moves["BP-A4"].then.start.utc
        shown = words_of((await client.get(done.headers["location"])).text)
        assert "2 moves taken by Owner" in shown
        assert "The schedule has changed since" in shown
        assert f"Take all {len(moves) - 2}" in shown

        listed = words_of((await client.get(f"/sites/{SITE}/schedule")).text)
        text = f"Order of work, 2 of {len(moves)} moves taken: "
        assert text in listed
        with reading(site.engine) as session:
            (log,) = audit_lines(session, what=["order of work"], newest=5)
            changes = changes_of(session, SITE, "BP-A4")
        assert (log.by, log.site_id) == ("Owner", SITE)
        assert log.detail.startswith(text)
        assert (changes[0].by, changes[0].field) == ("Owner", "start_utc")

        act = done.headers["location"].rpartition("taken=")[2]
        await client.post(f"/sites/{SITE}/schedule/undo", data={"act": act})
        assert schedule(site) == before
        again = words_of((await client.get(done.headers["location"])).text)
        assert "Taken: the schedule is changed" in shown
        assert "Taken: the schedule is changed" not in again
        assert "taken back since" in again
        assert f"Take all {len(moves)}" in again


async def test_nothing_ticked_and_what_is_no_move_is_said(site: Site) -> None:
    async with site.client() as client:
        page = await worked_out(site, client)
        nothing = await client.post(f"{ORDER}/take", data=take(page))
        other = await client.post(f"{ORDER}/take", data=take(page, "EP-02"))
        unknown = await client.post(f"{ORDER}/take", data={"run": 99, "every": "true"})
    assert (nothing.status_code, other.status_code, unknown.status_code) == (422, 409, 404)
    assert "No move is ticked" in words_of(nothing.text)
    assert "No moves, or taken already: EP-02." in words_of(other.text)


# While it runs --------------------------------------------------------------------------------------------------------


class Held:
    """Holds the search after, or before, its first answer until it is let go, or cancelled.

    `far` says how far it is meanwhile; `answer` lets the first answer come.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, answered: bool = True) -> None:
        self.told, self.go, self.answer = threading.Event(), threading.Event(), threading.Event()
        self.far: Callable[[Progress], None] = lambda _: None
        whole = advise_whole

        def advise(task: Any, stop: Any, told: Any, progress: Any, cancelled: Any) -> Advice:
            def hold(advice: Advice) -> None:
                if answered:
                    told(replace(advice, moves=advice.moves[:1]))
                self.far = progress
                progress(Progress(120.0, 90.0, 0.25))
                self.told.set()
                while not self.go.wait(0.02) and not cancelled():
                    if self.answer.is_set():
                        told(replace(advice, moves=advice.moves[:1]))
                        self.answer.clear()

            return whole(task, stop, hold, progress, cancelled)

        monkeypatch.setattr(order_work, "advise", advise)


def beaten(site: Site) -> None:
    """Until a sign of life says how far it is."""
    for _ in range(1_000):
        with reading(site.engine) as session:
            if order_runs.runs_of(session, SITE)[0].gap is not None:
                return
        threading.Event().wait(0.02)
    raise AssertionError("no sign of life")


async def test_the_first_answer_stands_there_while_the_search_goes_on(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = Held(monkeypatch)
    async with site.client() as client:
        await client.post(f"{ORDER}/run", data={"shifts": 14})
        assert held.told.wait(60)
        beaten(site)
        shown = await client.get(ORDER)
        words = words_of(shown.text)
        assert "First answer" in words
        assert (
            "The best order so far counts 120 min. None can count less than 90 min. At most 25 % of this count" in words
        )
        assert 'http-equiv="refresh"' in shown.text
        assert "They come with the last answer." in words
        assert f"{ORDER}?still=1" in Tags(shown.text).links
        assert 'http-equiv="refresh"' not in (await client.get(ORDER, params={"still": 1})).text
        assert "Moves can be taken once the search is over" in words
        page = view(site)
        assert page.run is not None
        assert page.run.state == "running"
        early = await client.post(f"{ORDER}/take", data=take(page, every="true"))
        second = await client.post(f"{ORDER}/run", data={"shifts": 14})
        assert (early.status_code, second.status_code) == (409, 409)
        assert "has no last answer yet" in words_of(early.text)
        assert "already: wait for it, or cancel it" in words_of(second.text)
        held.go.set()
        site.jobs.orders.wait()
        last = await client.get(ORDER)
    assert "What came of it" in words_of(last.text)
    assert "refresh" not in last.text


async def test_a_cancelled_one_keeps_the_best_it_has(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    held = Held(monkeypatch)
    async with site.client() as client:
        await client.post(f"{ORDER}/run", data={"shifts": 14})
        assert held.told.wait(60)
        page = view(site)
        assert page.run is not None
        answer = await client.post(f"{ORDER}/cancel", data={"run": page.run.id})
        assert answer.status_code == 303
        site.jobs.orders.wait()
        words = words_of((await client.get(ORDER)).text)
    assert "Cancelled by Owner, with the best so far." in words
    assert "The plan with the moves taken was not made." in words
    assert "Take all" in words


async def test_a_stop_of_the_service_ends_it(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    held = Held(monkeypatch)
    async with site.client() as client:
        await client.post(f"{ORDER}/run", data={"shifts": 14})
        assert held.told.wait(60)
        site.jobs.stop()
        words = words_of((await client.get(ORDER)).text)
    assert "Broken off: The service was stopped. What it had so far stands below." in words


async def test_a_silent_one_is_said_to_be_broken_off(site: Site) -> None:
    with writing(site.engine) as session:  # another copy, that dies
        order_runs.begin_run(session, SITE, now=site.now, by="Q. Arden", copy="other", shifts=14)
    async with site.client() as client:
        assert "Being worked out." in words_of((await client.get(ORDER)).text)
        site.now += timedelta(seconds=41)
        words = words_of((await client.get(ORDER)).text)
        assert "Broken off: the copy of the service that worked on it has fallen silent." in words
        page = await worked_out(site, client)
        assert page.run is not None
        assert page.run.state == "ended"
        assert [one.text.split(":")[0] for one in page.runs] == ["Worked out.", "Broken off"]
        old = await client.get(ORDER, params={"run": page.runs[1].id})
    assert "An earlier one" in words_of(old.text)


async def test_what_goes_wrong_inside_is_logged_and_said(
    site: Site, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: Any) -> Any:
        raise ZeroDivisionError("inside")

    monkeypatch.setattr(order_work, "order_task", broken)
    async with site.client() as client:
        page = await worked_out(site, client)
    assert page.run is not None
    assert (page.run.state, page.run.advice) == ("failed", None)
    assert page.run.text == "No order of work: Something went wrong here; it is written in the log of the service."
    assert "ZeroDivisionError" in caplog.text


def test_another_copy_sees_it_and_begins_no_second(
    either: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order_work, "BEAT_S", 0.05)
    held = Held(monkeypatch)
    there = demo.demo_site(GAS_NOW)
    read = read_schedule(demo.demo_schedule(GAS_NOW), "week.csv", there, GAS_NOW, 10**8, 1000)
    with writing(either) as session:
        save_site(session, there, show_units="us", feed="file")
        write(session, [one.joint for one in read.joints if one.joint.mark in MARKS])
    payload = tmp_path / "forecast.json"
    payload.write_bytes(demo.demo_payload(GAS_NOW))
    copies = [Jobs(either, lambda: GAS_NOW, get=None, jitter=lambda: 0.0, name=name) for name in "ab"]
    copies[0].take_payload(SITE, payload)
    other = Desk(either, copies[1], lambda: GAS_NOW)
    number = copies[0].begin_order(SITE, "Q. Arden")
    assert held.told.wait(60)
    shown = other.order(SITE).run
    assert shown is not None
    assert shown.advice is not None
    assert (shown.id, shown.state, shown.advice.first, shown.advice.total) == (number, "running", True, 1)
    with pytest.raises(StoreError, match="already"):
        copies[1].begin_order(SITE, "R. Moss")
    with writing(either) as session:  # on the page of the other copy
        order_runs.cancel_run(session, SITE, number, by="R. Moss")
    copies[0].orders.wait()
    last = other.order(SITE).run
    assert last is not None
    assert last.advice is not None
    assert (last.state, last.advice.first, last.text) == ("ended", False, "Cancelled by R. Moss, with the best so far.")
    assert last.advice.total > 1


# What cannot be worked out --------------------------------------------------------------------------------------------


async def test_joints_that_wait_for_each_other_in_a_circle_are_named(site: Site) -> None:
    with writing(site.engine) as session:
        joints = joints_of(session, SITE)
        after = {"BP-A1": ("BP-B2",), "BP-B2": ("BP-A1",)}
        write(session, [replace(one, after=after.get(one.mark, one.after)) for one in joints])
    async with site.client() as client:
        page = await worked_out(site, client)
        words = words_of((await client.get(ORDER)).text)
    assert page.run is not None
    assert page.run.state == "failed"
    assert "No order of work: These joints wait for each other: BP-A1 after BP-B2 after BP-A1." in words


async def test_without_crews_or_forecast_it_says_what_is_missing(site: Site) -> None:
    with writing(site.engine) as session:
        there = load_site(session, SITE)
        bare = replace(there.site, work=WorkSetup((), Weights()))
        save_site(session, bare, show_units=there.show_units, feed=there.feed)
    async with site.client() as client:
        shown = await client.get(ORDER)
        refused = await client.post(f"{ORDER}/run", data={"shifts": 14})
        assert NO_CREW in words_of(shown.text)
        assert f"/sites/{SITE}/set-up/crews" in Tags(shown.text).links
        assert "Work out an order" not in words_of(shown.text)
        assert refused.status_code == 409
        with writing(site.engine) as session:
            save_site(session, there.site, show_units=there.show_units, feed=there.feed)
        site.now += timedelta(days=3)
        assert NO_FORECAST in words_of((await client.get(ORDER)).text)


async def test_where_no_joint_can_be_moved_the_reasons_stand_there(site: Site) -> None:
    with writing(site.engine) as session:
        there = load_site(session, SITE)
        others = replace(there.site, work=WorkSetup((Crew("other"),), Weights()))
        save_site(session, others, show_units=there.show_units, feed=there.feed)
    async with site.client() as client:
        page = await worked_out(site, client)
        words = words_of((await client.get(ORDER)).text)
    assert page.run is not None
    assert page.run.advice is not None
    assert page.run.advice.stay_total == len(MARKS)
    assert "No joint can be moved; why stands below." in words
    assert "3 : crew north is not set up. BP-A1 , BP-A4 , BP-B2" in words
    assert "Take all" not in words


# What is refused by name ----------------------------------------------------------------------------------------------


async def test_a_joint_that_changed_meanwhile_refuses_all_by_name(site: Site) -> None:
    async with site.client() as client:
        page = await worked_out(site, client)
        with writing(site.engine) as session:
            start_utc = kept(site).advice.moves[0].before.start_utc
            move_joint(session, SITE, "BP-B2", start_utc + timedelta(hours=1), now=site.now, by="Q. Arden")
        before = schedule(site)
        answer = await client.post(f"{ORDER}/take", data=take(page, every="true"))
    assert answer.status_code == 409
    assert "1 move cannot be taken as things stand now. Nothing was changed." in words_of(answer.text)
    assert "BP-B2 : its start was changed since." in words_of(answer.text)
    assert schedule(site) == before


@pytest.mark.parametrize(
    ("colder_c", "why"),
    [
        ({"temperature": -35.0, "dewpoint": -40.0}, "the weather stops it at its new start"),
        # Air below its dew point is none: such hours are not known.
        ({"temperature": -35.0}, "its call is not known at its new start"),
    ],
)
async def test_a_newer_forecast_that_stops_it_or_does_not_know_refuses_by_name(
    site: Site, tmp_path: Path, colder_c: dict[str, float], why: str
) -> None:
    async with site.client() as client:
        page = await worked_out(site, client)
        site.now += timedelta(minutes=61)
        payload = json.loads(demo.demo_payload(site.now))
        for name, value_c in colder_c.items():
            for value in payload["properties"][name]["values"]:
                value["value"] = value_c
        colder = tmp_path / "colder.json"
        colder.write_text(json.dumps(payload), encoding="utf-8")
        site.jobs.take_payload(SITE, colder)
        before = schedule(site)
        assert "There is a newer forecast since" in words_of((await client.get(ORDER)).text)
        answer = await client.post(f"{ORDER}/take", data=take(page, "BP-B2"))
    assert answer.status_code == 409
    assert f"BP-B2 : by the newest forecast and readings {why}" in words_of(answer.text)
    assert schedule(site) == before


async def test_work_that_has_begun_a_start_gone_by_and_turns_are_held_against_the_joints_now(site: Site) -> None:
    async with site.client() as client:
        await worked_out(site, client)
    told = kept(site)
    moves = {one.mark: one for one in told.advice.moves}
    with reading(site.engine) as session:
        joints = {one.joint.mark: one for one in kept_joints(session, SITE)}
        work = load_site(session, SITE).site.work
    starts = {mark: move.after.start_utc for mark, move in moves.items()}
    known = site.jobs.new_starts(SITE, starts)

    def refused(marks: set[str], now: datetime | None = None, **changed: Any) -> dict[str, str]:
        mark = changed.pop("of", "")
        there = dict(joints)
        if mark:
            there[mark] = replace(there[mark], joint=replace(there[mark].joint, **changed))
        return dict(refusals(told, marks, there, known, work, now or site.now))

    assert refused(set(moves)) == {}
    assert refused({"BP-B2"}, of="BP-B2", state="in_progress") == {"BP-B2": "it is in progress by now"}
    assert refused({"BP-B2"}, of="BP-B2", crew="south") == {"BP-B2": "its crew was changed since"}
    late = refused({"BP-B2"}, now=starts["BP-B2"])
    assert late == {"BP-B2": "its new start has gone by"}
    assert refused({"BP-A4"}) == {"BP-A4": "GP-04 waits for it and would begin before it is done"}
    # It is to wait for another one since, and that one is in time for its present start alone.
    assert starts["CG-2T"] < moves["CG-2T"].before.start_utc - timedelta(days=1)
    joints["CG-2T"] = replace(joints["CG-2T"], joint=replace(joints["CG-2T"].joint, after=("ep-02",)))
    then = moves["CG-2T"].before.start_utc - timedelta(hours=12)
    waits = refused({"CG-2T"}, of="EP-02", start_utc=then)
    assert waits == {"CG-2T": "it waits for EP-02, which would not be done by then"}
    assert refused({"CG-2T"}, of="EP-02", start_utc=then, state="done") == {}
    assert refused({"CG-2T"}, of="EP-02", start_utc=starts["CG-2T"] - timedelta(hours=2)) == {}
    assert refused({"BP-B2"}, of="EP-02", start_utc=then) == {}


async def test_a_crew_is_given_no_more_at_one_moment_than_it_can_weld(site: Site) -> None:
    """Three of the moves begin together, and the crew can weld three at once."""
    async with site.client() as client:
        page = await worked_out(site, client)
    told = kept(site)
    with reading(site.engine) as session:
        joints = {one.joint.mark: one for one in kept_joints(session, SITE)}
        work = load_site(session, SITE).site.work
    north = {one.mark: one for one in told.advice.moves if one.crew_after == "north"}
    assert len(north) == 3
    assert len({one.after.start_utc for one in north.values()}) == 1
    assert in_the_way(told, north, joints, work) == {}
    fewer = replace(work, crews=tuple(replace(one, at_once=2) for one in work.crews))
    assert set(in_the_way(told, north, joints, fewer)) == set(north)
    assert in_the_way(told, {"BP-A1", "BP-B2"}, joints, fewer) == {}
    # A fourth has come to that hour since: one that can move away, and one that cannot.
    there = replace(joints["EP-02"].joint, crew="North", start_utc=north["BP-B2"].after.start_utc, hours=2.0)
    full = in_the_way(told, north, joints | {"EP-02": replace(joints["EP-02"], joint=there)}, work)
    assert {mark: set(others) for mark, others in full.items()} == {mark: {*north, "EP-02"} - {mark} for mark in north}
    ended = replace(there, start_utc=there.start_utc - timedelta(hours=2))
    assert in_the_way(told, north, joints | {"EP-02": replace(joints["EP-02"], joint=ended)}, work) == {}
    # One that began in the night shift before and runs on is there as well.
    over = replace(there, start_utc=there.start_utc - timedelta(hours=12), hours=14.0)
    assert set(in_the_way(told, north, joints | {"EP-02": replace(joints["EP-02"], joint=over)}, work)) == set(north)
    with writing(site.engine) as session:
        write(session, [there if one.mark == "EP-02" else one for one in joints_of(session, SITE)])
    async with site.client() as client:
        answer = await client.post(f"{ORDER}/take", data=take(page, *north, "GP-04"))
    assert answer.status_code == 409
    assert "can weld no more at once" in words_of(answer.text)


# In a browser ---------------------------------------------------------------------------------------------------------


def test_without_script_on_a_phone_and_no_fault_for_who_cannot_see(site: Site, browser: Browser) -> None:
    with served(site.app) as base_url:
        phone = browser.new_context(
            base_url=base_url, viewport={"width": 360, "height": 780}, java_script_enabled=False
        )
        page = phone.new_page()
        enter(page, site.app)
        page.goto(ORDER)
        page.get_by_role("button", name="Work out an order").click()
        site.jobs.orders.wait()
        page.get_by_role("link", name="Look again now").click()
        page.get_by_label("Take the move of BP-A4").check()
        page.get_by_role("button", name="Take those ticked").click()
        assert "These moves cannot be taken alone" in page.get_by_role("alert").inner_text()
        page.get_by_role("button", name="Take all 2 together").click()
        assert "Taken: the schedule is changed" in page.locator(".changed").inner_text()
        phone.close()
        assert faults_of(site, browser, base_url, "All moves together") == []


def faults_of(site: Site, browser: Browser, base_url: str, *shown: str) -> list[Any]:
    """What axe finds, and what is wider than the screen, on a phone and at a desk, in both schemes.

    `shown` are words that stand there: it is the page that is meant.
    """
    faults: list[Any] = []
    for width, scheme in product((360, 1280), ("light", "dark")):
        context = browser.new_context(
            base_url=base_url,
            viewport={"width": width, "height": 900},
            color_scheme=scheme,  # type: ignore[arg-type]
        )
        page = context.new_page()
        enter(page, site.app)
        page.goto(ORDER)
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        for words in shown:
            assert words in page.locator("main").inner_text()
        if (wide := page.evaluate("document.documentElement.scrollWidth")) != width:
            faults.append((width, scheme, f"{wide} wide"))
        found = Axe().run(page).response["violations"]
        faults += [(width, scheme, one["id"], [node["html"] for node in one["nodes"]][:3]) for one in found]
        context.close()
    return faults


def test_no_fault_where_no_joint_can_be_moved(site: Site, browser: Browser) -> None:
    with writing(site.engine) as session:
        there = load_site(session, SITE)
        others = replace(there.site, work=WorkSetup((Crew("other"),), Weights()))
        save_site(session, others, show_units=there.show_units, feed=there.feed)
    site.jobs.orders.begin(SITE, "Owner", 14)
    site.jobs.orders.wait()
    with served(site.app) as base_url:
        assert faults_of(site, browser, base_url, "No joint can be moved", "crew north is not set up") == []


@pytest.mark.parametrize(
    ("answered", "shown"),
    [(False, ("Being worked out", "Cancel")), (True, ("First answer", "Cancel, keep the best so far"))],
)
def test_no_fault_while_it_is_worked_out(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch, answered: bool, shown: tuple[str, ...]
) -> None:
    """Nothing is renewed under somebody who has it read out: only who has no script gets the page by itself."""
    held = Held(monkeypatch, answered=answered)
    site.jobs.orders.begin(SITE, "Owner", 14)
    assert held.told.wait(60)
    beaten(site)
    with served(site.app) as base_url:
        assert faults_of(site, browser, base_url, *shown, "The best order so far counts 120 min") == []
        for with_script in (True, False):
            context = browser.new_context(base_url=base_url, java_script_enabled=with_script)
            page = context.new_page()
            enter(page, site.app)
            page.goto(ORDER)
            assert page.locator("meta[http-equiv=refresh]").count() == (0 if with_script else 1)
            assert ("let it stand still" in page.locator(".run").inner_text()) is not with_script
            assert page.get_by_role("link", name="Look again now").is_visible()
            context.close()


@contextmanager
def followed(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch, *, answered: bool
) -> Iterator[tuple[Held, Page, list[str]]]:
    """A search that is held, its page, which looks five times a second, and the paths it was asked for."""
    held = Held(monkeypatch, answered=answered)
    site.jobs.orders.begin(SITE, "Owner", 14)
    assert held.told.wait(60)
    beaten(site)

    monkeypatch.setattr(order_pages, "LOOK_S", 0.2)
    monkeypatch.setattr(order_pages, "LOOK_ANSWERED_S", 0.2)
    with served(site.app) as base_url:
        context = browser.new_context(base_url=base_url, viewport={"width": 1280, "height": 500})
        page = context.new_page()
        enter(page, site.app)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url.removeprefix(base_url)))
        page.goto(ORDER)
        page.evaluate("window.same = true")  # gone once the page is loaded again
        try:
            yield held, page, asked
        finally:
            held.go.set()
            site.jobs.orders.wait()
            context.close()


def looks(page: Page, asked: list[str], count: int = 2) -> None:
    """Until the page has looked again so many times, and has taken what it got."""
    before = len(asked)
    for _ in range(200):
        if len(asked) > before + count:
            return
        page.wait_for_timeout(50)
    raise AssertionError("it does not look again")


def no_faults(page: Page) -> bool:
    return not Axe().run(page).response["violations"]


def test_how_far_it_is_goes_on_under_the_reader_and_the_first_answer_comes_by_itself(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    with followed(site, browser, monkeypatch, answered=False) as (held, page, asked):
        run = page.locator(".run")
        expect(run).to_contain_text("The best order so far counts 120 min")
        cancel = page.get_by_role("button", name="Cancel", exact=True)
        cancel.focus()
        held.far(Progress(110.0, 99.0, 0.1))
        expect(run).to_contain_text("The best order so far counts 110 min. None can count less than 99 min.")
        assert cancel.evaluate("one => one === document.activeElement")
        cancel.evaluate("one => one.blur()")

        page.evaluate("Object.defineProperty(document, 'hidden', { value: true, configurable: true })")
        page.wait_for_timeout(500)
        looked = len(asked)
        held.far(Progress(105.0, 99.0, 0.06))
        page.wait_for_timeout(800)
        assert len(asked) == looked
        expect(run).to_contain_text("counts 110 min")
        page.evaluate("delete document.hidden")
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(run).to_contain_text("counts 105 min")

        def lost(route: Route) -> None:
            route.abort()

        page.route("**/order?*", lost)
        looks(page, asked)
        expect(run).to_contain_text("counts 105 min")
        page.unroute("**/order?*", lost)

        held.answer.set()
        expect(page.get_by_role("heading", name="First answer")).to_be_visible()
        expect(page.get_by_role("heading", name="Moves: 1", exact=True)).to_be_visible()
        expect(page.get_by_role("link", name="moves as CSV")).to_be_visible()
        expect(page.get_by_role("button", name="Cancel, keep the best so far")).to_be_visible()
        expect(page.locator("#news")).to_contain_text("The first answer is there.")
        expect(page.get_by_role("link", name="Show it")).to_be_hidden()
        assert "let it stand still" not in run.inner_text()
        assert page.evaluate("window.same")
        assert no_faults(page)


def test_the_last_answer_waits_until_the_reader_wants_it(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    with followed(site, browser, monkeypatch, answered=True) as (held, page, asked):
        page.get_by_role("heading", name="Moves: 1").evaluate("one => one.scrollIntoView()")
        mark = page.locator(".moves tbody th > a").first
        mark.focus()
        looks(page, asked)
        before = mark.bounding_box()
        assert page.evaluate("window.scrollY") > 0
        held.go.set()
        show = page.get_by_role("link", name="Show it")
        expect(show).to_be_in_viewport()
        assert "Worked out." in page.locator("#news").inner_text()
        assert page.get_by_role("status").filter(has=show).get_attribute("aria-live") == "polite"
        after = mark.bounding_box()
        assert before is not None
        assert after is not None
        assert after["y"] == pytest.approx(before["y"], abs=1.0)  # whole pixels are scrolled
        assert mark.evaluate("one => one === document.activeElement")
        expect(page.get_by_role("heading", name="Moves: 1", exact=True)).to_have_count(1)
        expect(page.locator(".run")).to_contain_text("Worked out.")
        expect(page.get_by_text("The best order so far")).to_be_hidden()
        expect(page.get_by_text("You may leave the page")).to_be_hidden()
        assert page.evaluate("window.same")
        assert no_faults(page)
        looked = len(asked)
        page.wait_for_timeout(800)
        assert len(asked) == looked  # it is over: nothing to look for

        show.click()
        expect(page.get_by_role("heading", name="Moves: 5")).to_be_visible()
        assert page.evaluate("window.same") is None
        expect(page.locator("#news")).to_have_count(0)


def test_what_comes_by_itself_can_be_ticked_and_stays_ticked(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    with followed(site, browser, monkeypatch, answered=False) as (held, page, asked):
        held.go.set()
        tick = page.get_by_label("Take the move of BP-A4")
        tick.check()
        looked = len(asked)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        page.wait_for_timeout(800)
        assert tick.is_checked()
        assert len(asked) == looked
        assert page.evaluate("window.same")
        page.get_by_role("button", name="Take those ticked").click()
        assert "These moves cannot be taken alone" in page.get_by_role("alert").inner_text()


@pytest.mark.parametrize("touch", ["focus", "open", "tick"])
def test_no_answer_comes_by_itself_under_somebody_who_is_at_something(
    site: Site, browser: Browser, monkeypatch: pytest.MonkeyPatch, touch: str
) -> None:
    with followed(site, browser, monkeypatch, answered=False) as (held, page, _):
        if touch == "focus":
            page.get_by_role("button", name="Cancel").focus()
        elif touch == "open":
            page.evaluate("document.querySelector('#order details').open = true")
        else:  # a page of a search has no box today: should it get one, it is not taken away
            box = "<input type=checkbox checked>"
            page.locator("#cautions").evaluate("(one, box) => one.insertAdjacentHTML('afterend', box)", box)
        held.answer.set()
        expect(page.locator("#news")).to_contain_text("The first answer is there.")
        expect(page.get_by_role("link", name="Show it")).to_be_in_viewport()
        expect(page.get_by_role("heading", name="First answer")).to_have_count(0)
        assert page.evaluate("document.activeElement.textContent === 'Cancel'") is (touch == "focus")
        held.go.set()
        expect(page.locator("#news")).to_contain_text("Worked out.")
        page.evaluate("document.activeElement.blur()")
        page.wait_for_timeout(500)
        expect(page.locator("table.moves")).to_have_count(0)
        page.get_by_role("link", name="Show it").click()
        expect(page.get_by_role("heading", name="Moves: 5")).to_be_visible()


# Who may, and the command ---------------------------------------------------------------------------------------------


async def test_who_may_look_sees_no_button(people: Web) -> None:  # noqa: F811
    seen = {}
    for who in ("superintendent", "crew", "viewer"):
        async with people.client(signed_in=False) as client:
            await sign_in(client, who)
            shown = words_of((await client.get("/sites/north-yard/order")).text)
            posts = [
                (await client.post(f"/sites/north-yard/order/{what}", data={"run": 1, "shifts": 14})).status_code
                for what in ("run", "cancel", "take")
            ]
            seen[who] = ("No crew is set up" in shown, posts)
    assert seen["crew"] == seen["viewer"] == (True, [403, 403, 403])
    assert seen["superintendent"] == (True, [409, 404, 404])


def test_the_command_says_the_same_and_writes_nothing(
    few: Path,
    run: Callable[..., Said],
    store_rows: Callable[[], Any],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    (tmp_path / "data").mkdir()
    shutil.copy(few / "demo.db", tmp_path / "data" / "frostshift.db")
    monkeypatch.setattr("frostshift_service.clock.utc_now", lambda: GAS_NOW)
    before = store_rows()
    said = run("order")
    assert said.code == 0
    assert "... searches" in said.err
    assert "first answer" in said.err
    as_json = run("order", SITE, "--json", "--shifts", "14", "--seconds", "60")
    page = TypeAdapter(OrderPage).validate_json(as_json.out)
    assert page.run is not None
    assert page.run.advice is not None
    told = " ".join(said.out.split())
    assert page.run.advice.headline in told
    for move in page.run.advice.moves:
        assert f"{move.mark}, {move.place}: {move.why_text}" in told
        assert move.then.start.text in told
    assert "Measure the steel before you strike" in told
    assert store_rows() == before
    engine = open_store(Settings(data_dir=tmp_path / "data").database_url)
    jobs = Jobs(engine, lambda: GAS_NOW, get=None, jitter=lambda: 0.0)
    number = jobs.begin_order(SITE, "Q. Arden")
    jobs.orders.wait()
    of_page = Desk(engine, jobs, lambda: GAS_NOW).order(SITE, number, 0).run
    engine.dispose()
    assert of_page is not None
    assert of_page.advice is not None
    assert of_page.advice.moves == page.run.advice.moves
    assert of_page.advice.shifts == page.run.advice.shifts


def test_shifts_are_named_as_on_other_pages() -> None:
    assert shift_title("2026-01-15 day") == "Thu 15 Jan, day"
