"""Gas of the demo job, whole: page, print, JSON, CSV, XLSX and calendar of one view; an order through deliveries."""

from __future__ import annotations

import csv
import io
import json
import pickle
import shutil
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import httpx
import icalendar
import openpyxl
import pytest
from fastapi import FastAPI
from sqlalchemy import Engine
from tests.service.web.conftest import token_of
from tests.service.web.page_source import words_of

from frostshift_rules.gas_plan import GasPlan, make_gas_plan
from frostshift_rules.gas_setup import OtherUse, OwnCylinder
from frostshift_rules.stock_entry import StockEntry
from frostshift_service import demo, gas_plans
from frostshift_service.app import create_app
from frostshift_service.cli import load_demo
from frostshift_service.jobs import Jobs
from frostshift_service.settings import Settings
from frostshift_service.stock_form import contents_of, kinds_of
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.stock import add_entry
from frostshift_service.views.calendar_file import order_calendar
from frostshift_service.views.desk import Desk
from frostshift_service.views.gas import GasPage, OrderView

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 1, 14, 12, 30, tzinfo=UTC)  # 06:30 at the site, a Wednesday
SITE = demo.SITE_ID
FORMS = ("gas", "gas/order", "gas.json", "gas.csv", "gas-order.csv", "gas-order.xlsx", "gas-order.ics")


class Site:
    """The demo with a clock that is moved by hand, on a copy of `loaded`."""

    def __init__(self, folder: Path, loaded: Path) -> None:
        shutil.copytree(loaded, folder, dirs_exist_ok=True)
        self.now = NOW
        self.settings = Settings(data_dir=folder, database_url=f"sqlite:///{(folder / 'demo.db').as_posix()}")
        self.engine: Engine = open_store(self.settings.database_url)
        self.jobs = Jobs(self.engine, lambda: self.now, get=None, jitter=lambda: 0.0)
        self.jobs.replan(SITE)

    @cached_property
    def app(self) -> FastAPI:
        return create_app(self.settings, self.engine, lambda: self.now, self.jobs)

    @property
    def page(self) -> GasPage:
        return Desk(self.engine, self.jobs, lambda: self.now).gas(SITE)

    def order(self, kind: str = "propane-100") -> OrderView:
        return next(one for one in self.page.orders if one.kind == kind)

    def write(self, key: str, movement: Any, count: int | None = None, kind: str = "propane-100", **more: Any) -> None:
        entry = StockEntry(kind, movement, self.now, "Q. Arden", count=count, **more)
        with writing(self.engine) as session:
            contents = contents_of(kinds_of(load_site(session, SITE).site))
            add_entry(session, SITE, entry, entry_key=key, contents_kg=contents, now=self.now)

    def set_gas(self, **fields: Any) -> None:
        with writing(self.engine) as session:
            kept = load_site(session, SITE)
            site = replace(kept.site, gas=replace(kept.site.gas, **fields))
            save_site(session, site, show_units=kept.show_units, feed=kept.feed)

    @asynccontextmanager
    async def client(self) -> AsyncIterator[httpx.AsyncClient]:
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
        async with (
            self.app.router.lifespan_context(self.app),
            httpx.AsyncClient(transport=transport, base_url="http://localhost:8765", headers=headers) as client,
        ):
            await client.post("/enter", data=token_of(self.app))
            yield client


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo as its command loads it: made once, then copied."""
    folder = tmp_path_factory.mktemp("demo")
    settings = Settings(data_dir=folder, database_url=f"sqlite:///{(folder / 'demo.db').as_posix()}")
    engine = open_store(settings.database_url)
    load_demo(engine, Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0), settings, NOW)
    engine.dispose()
    return folder


@cache
def worked_out(inputs: bytes) -> GasPlan:
    return make_gas_plan(*pickle.loads(inputs))


@pytest.fixture
def gas_plans_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same plan, forecast, stock and moment are worked out once a session: it takes seconds, and is pure."""
    monkeypatch.setattr(gas_plans, "make_gas_plan", lambda *inputs: worked_out(pickle.dumps(inputs)))


@pytest.fixture
def site(tmp_path: Path, loaded: Path, gas_plans_once: None) -> Iterator[Site]:
    made = Site(tmp_path, loaded)
    yield made
    made.engine.dispose()


async def test_every_form_of_the_page_says_the_same(site: Site) -> None:
    page = site.page
    async with site.client() as client:
        shown = {path: await client.get(f"/sites/{SITE}/{path}") for path in FORMS}
    assert {answer.status_code for answer in shown.values()} == {200}
    for path in ("gas", "gas/order"):
        words = words_of(shown[path].text)
        for order in page.orders:
            assert order.headline in words
            assert order.there in words
        for caution in page.cautions:
            assert caution.text in words
    gas = words_of(shown["gas"].text)
    assert all(shift.title in gas for shift in page.shifts)
    assert all(text in gas for text in (*page.levers, *page.never, *page.sources))
    as_json = json.loads(shown["gas.json"].text)
    assert [one["headline"] for one in as_json["orders"]] == [one.headline for one in page.orders]
    rows = list(csv.DictReader(io.StringIO(shown["gas-order.csv"].content.decode("utf-8-sig"))))
    assert [(row["kind"], row["what_to_do"], row["count"]) for row in rows] == [
        (one.kind, one.headline, str(one.count)) for one in page.orders
    ]
    book = openpyxl.load_workbook(io.BytesIO(shown["gas-order.xlsx"].content))
    assert [[cell.value for cell in row][:2] for row in book.worksheets[0].iter_rows(min_row=2)] == [
        [one.name, one.headline] for one in page.orders
    ]
    shifts = list(csv.DictReader(io.StringIO(shown["gas.csv"].content.decode("utf-8-sig"))))
    totals = [row for row in shifts if row["use"] == "total" and row["gas"] == "propane"]
    lines = [line for shift in page.shifts for line in shift.gases if line.gas == "propane"]
    assert [float(row["high"]) for row in totals] == [round(line.total.high, 3) for line in lines]


def test_the_front_takes_propane_from_enough_to_another_way_and_back(site: Site) -> None:
    """The demo's air falls from -12 °C to below -25 °C, where propane has no 15 psig, and rises again."""
    verdicts = [bank.verdict for shift in site.page.shifts for bank in shift.banks]
    first = verdicts.index("another_way")
    assert set(verdicts[:first]) == {"enough"}
    assert "enough" in verdicts[first:]
    cold = [bank for shift in site.page.shifts for bank in shift.banks if bank.verdict == "another_way"]
    assert all("another way of heating" in bank.reason for bank in cold)


def test_what_is_worked_out_is_consistent(site: Site) -> None:
    for shift in site.page.shifts:
        for line in shift.gases:
            for end in ("low", "likely", "high"):
                parts = sum(getattr(amount, end) for _, amount in line.uses)
                assert parts == pytest.approx(getattr(line.total, end))


def test_an_order_through_two_plans_a_delivery_and_a_front(site: Site) -> None:
    """Ordered as asked; it counts as coming while two plans are made, is late where nobody writes it down, and is in
    stock once delivered."""
    asked = site.order()
    assert asked.advice in ("order", "too_late")
    assert asked.count > 0
    site.write("o1", "ordered", asked.count, order_no="P-31")
    waiting = site.order()
    assert waiting.coming == (f"{asked.count} on order P-31, expected Fri 16 Jan",)
    assert waiting.count < asked.count
    for hours in (3, 6):  # the front comes, plans are made anew
        site.now = NOW + timedelta(hours=hours)
        site.jobs.replan(SITE)
        assert site.order().coming == waiting.coming
    site.now = NOW + timedelta(days=2, hours=1)
    site.write("d1", "delivered", asked.count - 1, order_no="P-31")
    part = site.order()
    assert part.coming == ("1 on order P-31, expected Fri 16 Jan",)
    assert part.there == f"{11 + asked.count - 1} full, 2 in use, 3 empty"
    site.now = NOW + timedelta(days=3)
    late = site.order()
    assert late.coming == ("1 on order P-31, was expected Fri 16 Jan: late",)
    assert any("nothing is counted on it" in note for note in late.notes)
    site.write("d2", "delivered", 1, order_no="P-31")
    assert site.order().coming == ()


def test_without_a_count_it_says_so_and_orders_nothing(site: Site) -> None:
    site.set_gas(kinds=("propane-420",))
    order = site.order("propane-420")
    assert (order.advice, order.count, order.on_hand) == ("no_stock", 0, None)
    assert order.there == "not written down"
    assert "nobody has written it down" in order.headline


def test_a_site_that_states_nothing_gets_no_day(site: Site) -> None:
    site.set_gas(supply=())
    order = site.order("oxygen-251")
    assert (order.advice, order.order_by) == ("no_terms", None)
    assert "Supply in the set-up" in order.headline


def test_lead_time_beyond_the_forecast_says_how_far_it_is_known(site: Site) -> None:
    terms = tuple(replace(one, lead_days=9) for one in demo.demo_site(NOW).gas.supply)
    site.set_gas(supply=terms)
    order = site.order()
    assert order.advice == "too_late"
    assert "carried on after it by the mean of those shifts" in order.known


def test_a_forecast_that_is_too_old_makes_gas_unknown(site: Site) -> None:
    site.now = NOW + timedelta(days=2)
    site.jobs.replan(SITE)
    page = site.page
    assert page.header.freshness == "unusable"
    assert not any(shift.known for shift in page.shifts)
    assert {order.advice for order in page.orders} == {"unknown"}
    assert {text for order in page.orders for text in (order.runs_out_likely, order.runs_out_high)} == {"not known"}
    assert all("not known" in order.headline for order in page.orders)
    assert page.orders[0].there == "11 full, 2 in use, 3 empty"


async def test_a_kept_setup_that_no_longer_reads_stops_no_page_and_is_said(site: Site) -> None:
    own = OwnCylinder("propane-100", "ours", "propane", contents_kg=30.0)
    site.set_gas(own_cylinders=(own,))
    site.jobs.replan(SITE)
    async with site.client() as client:
        for path in (*FORMS, "morning", "stock"):
            answer = await client.get(f"/sites/{SITE}/{path}")
            assert answer.status_code == 200, path
    assert any("own cylinders are left out" in text for text in site.page.header.warnings)


async def test_use_that_nobody_can_believe_stops_no_page(site: Site) -> None:
    """Two uses of 5,000 kg a shift, each within its limit in the site file."""
    site.set_gas(other_use=tuple(OtherUse(name, "propane", 0.0, 0.0, 5000.0) for name in ("ladle", "dryer")))
    site.jobs.replan(SITE)
    async with site.client() as client:
        assert {(await client.get(f"/sites/{SITE}/{path}")).status_code for path in FORMS} == {200}
    banks = [bank for shift in site.page.shifts for bank in shift.banks]
    assert {bank.headline for bank in banks} == {"Not known."}


async def test_right_after_a_change_the_sheet_says_when_to_look_again_and_the_loop_makes_it_true(site: Site) -> None:
    site.jobs.replan(SITE)
    async with site.client() as client:
        page = (await client.get(f"/sites/{SITE}/morning")).text
        assert "being worked out, look again in a minute" in page
        site.jobs.decide(SITE)  # a step of the loop, which runs every minute
        assert "being worked out" not in (await client.get(f"/sites/{SITE}/morning")).text


async def test_the_order_names_what_how_many_by_when_where_to_and_who_asks(site: Site) -> None:
    async with site.client() as client:
        words = words_of((await client.get(f"/sites/{SITE}/gas/order")).text)
        rows = list(csv.DictReader(io.StringIO((await client.get(f"/sites/{SITE}/gas-order.csv")).text)))
    order = next(one for one in site.page.orders if one.count)
    assert f"{order.name}, full {order.count} {order.order_by_text} {order.delivery_text}" in words
    assert f"Deliver to {site.page.deliver_to}." in words
    assert "Asked for by Owner, from the plan made" in words
    assert rows[0]["deliver_to"] == site.page.deliver_to
    assert rows[0]["forecast"].startswith(site.page.header.feed)


async def test_no_such_site(site: Site) -> None:
    async with site.client() as client:
        for path in ("gas", "gas.json", "gas-order.ics"):
            assert (await client.get(f"/sites/nowhere/{path}")).status_code == 404


# Calendar -------------------------------------------------------------------------------------------------------------


def entries(page: GasPage, now: datetime) -> list[icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(order_calendar(page, now))
    assert calendar.errors == []
    return list(calendar.walk("VEVENT"))


def test_the_calendar_file_is_one_that_calendars_read(site: Site) -> None:
    page = site.page
    due = [one for one in page.orders if one.order_by is not None and one.count]
    assert due
    found = entries(page, site.now)
    assert [one.start for one in found] == [one.order_by for one in due]
    assert [one.end - one.start for one in found] == [timedelta(days=1)] * len(due)
    assert len({str(one["uid"]) for one in found}) == len(due)


def test_an_order_that_moves_takes_the_place_of_its_entry(site: Site) -> None:
    """A calendar replaces an entry by its UID where the sequence is higher, RFC 5545, 3.8.7.4."""
    page = site.page
    order = replace(page.orders[0], count=3, order_by=date(2026, 1, 15), advice="order")
    (before,) = entries(replace(page, orders=(order,)), site.now)
    moved = replace(order, order_by=date(2026, 1, 20), count=5)
    (after,) = entries(replace(page, orders=(moved,)), site.now + timedelta(hours=1))
    assert before["uid"] == after["uid"]
    assert int(after["sequence"]) > int(before["sequence"])
    assert after.start == date(2026, 1, 20)


def test_what_is_too_late_reminds_at_once_and_the_rest_the_morning_before(site: Site) -> None:
    order = replace(site.page.orders[0], count=3, order_by=date(2026, 1, 15), advice="order")
    late = replace(order, advice="too_late")
    triggers = [
        one.walk("VALARM")[0]["trigger"].dt for one in entries(replace(site.page, orders=(order, late)), site.now)
    ]
    assert triggers == [timedelta(hours=-17), site.now + timedelta(minutes=5)]


def test_hostile_text_stays_text_in_the_calendar(site: Site) -> None:
    page = site.page
    odd = replace(
        page.orders[0], count=1, order_by=date(2026, 1, 15), name="x;y,z\\\r\nEND:VCALENDAR", headline="é" * 90
    )
    content = order_calendar(replace(page, orders=(odd,)), site.now)
    assert content.count(b"\r\nEND:VCALENDAR\r\n") == 1
    assert all(len(line) <= 75 for line in content.split(b"\r\n"))
    (entry,) = entries(replace(page, orders=(odd,)), site.now)
    assert str(entry["summary"]).startswith("Order 1 × x;y,z\\ END:VCALENDAR, ")
    assert "é" * 90 in str(entry["description"])


def test_nothing_to_order_is_an_empty_calendar(site: Site) -> None:
    assert entries(replace(site.page, orders=()), site.now) == []
