"""The stock of gas cylinders over HTTP and in a real browser: its page, its form, JSON and CSV."""

import csv
import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from tests.service.web.conftest import enter
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.gas import cylinders
from frostshift_rules.gas_setup import GasSetup, OwnCylinder
from frostshift_rules.stock_entry import MOVEMENTS, ByState, StockEntry
from frostshift_service.stock_form import WAYS, kinds_of
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.stock import add_entry, entries_of
from frostshift_service.views.show import Show
from frostshift_service.views.stock import NEWEST, what_text

SITE = "north-yard"
PATH = f"/sites/{SITE}/stock"
LB = 0.45359237
"""International avoirdupois pound [kg], exact by the agreement of 1959 (NIST Special Publication 811, B.8)."""
KIND = "propane-100"
CONTENTS = {KIND: 100.0 * LB, "oxygen-251": None, "gone-9": None}
BY = {"by": "Q. Arden"}


def keep(web: Any, movement: str, count: int | None = None, **fields: Any) -> StockEntry:
    """An entry straight into the ledger."""
    values = {"kind": KIND, "movement": movement, "at_utc": web.clock[0] - timedelta(hours=1), "by": "L. Voss"}
    entry = StockEntry(**values | {"count": count} | fields)
    with writing(web.engine) as session:
        number = len(entries_of(session, SITE))
        return add_entry(session, SITE, entry, entry_key=f"k{number}", contents_kg=CONTENTS, now=web.clock[0])


def opened(web: Any, full: int = 4, in_use: int = 2, empty: int = 1, **fields: Any) -> None:
    keep(web, "opening", by_state=ByState(full, in_use, empty), at_utc=web.clock[0] - timedelta(days=7), **fields)


def ledger(web: Any) -> list[StockEntry]:
    with reading(web.engine) as session:
        return entries_of(session, SITE)


def key_of(html: str) -> str:
    found = re.search(r'name="entry_key" value="([^"]+)"', html)
    assert found is not None
    return unescape(found[1])


async def send(web: Any, what: str, **typed: str) -> httpx.Response:
    """The form of a movement as a browser sends it: shown first, then filled in."""
    async with web.client() as client:
        shown = await client.get(f"{PATH}?what={what}")
        assert Tags(shown.text).open == []
        answer: httpx.Response = await client.post(
            PATH, data={"what": what, "entry_key": key_of(shown.text), **BY, **typed}
        )
        return answer


async def refused(web: Any, what: str, **typed: str) -> dict[str, str]:
    """What stands beside the fields of a form that is not taken; nothing is kept then."""
    before = ledger(web)
    answer = await send(web, what, **typed)
    assert answer.status_code == 422
    assert Tags(answer.text).open == []
    assert ledger(web) == before
    found = re.findall(r'<p class="wrong" id="wrong-(\w+)">(.*?)</p>', answer.text)
    for name, _ in found:
        assert f'name="{name}"' in answer.text
        assert f'aria-describedby="wrong-{name}"' in answer.text
    return {name: unescape(text) for name, text in found}


# The page -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_site_without_cylinders_begins_with_the_first_count(web: Any) -> None:
    async with web.client() as client:
        page = await client.get(PATH)
    words = words_of(page.text)
    assert "Nothing was counted yet. Begin with one kind" in words
    assert "Not known: no cylinders were counted yet." in words
    offered = re.findall(r'<option value="([^"]+)"', page.text)
    assert set(offered) == {*cylinders().fuel, *cylinders().oxygen}


@pytest.mark.anyio
@pytest.mark.parametrize("what", ["", *MOVEMENTS])
async def test_every_form_is_whole_and_without_script_or_style_inside(web: Any, what: str) -> None:
    opened(web)
    keep(web, "ordered", 3, order_no="K-<1>")
    async with web.client() as client:
        tags = Tags((await client.get(f"{PATH}?what={what}")).text)
    assert tags.open == tags.inside == []
    assert len(tags.ids) == len(set(tags.ids))


def test_every_movement_has_its_form() -> None:
    assert set(WAYS) == set(MOVEMENTS)


@pytest.mark.anyio
async def test_what_there_is_in_the_units_of_the_site(web: Any) -> None:
    opened(web)
    opened(web, 6, 1, 0, kind="oxygen-251")
    keep(web, "ordered", 6, order_no="K-7")
    keep(web, "delivered", 4, order_no="K-7")
    keep(web, "connected", 1)
    async with web.client() as client:
        words = words_of((await client.get(PATH)).text)
        data = (await client.get(f"{PATH}.json")).json()
        with writing(web.engine) as session:
            save_site(session, load_site(session, SITE).site, show_units="si")
        metric = words_of((await client.get(PATH)).text)
    assert "100 lb propane first counted Thu 10 Dec 05:30 7 3 1 2 2 on K-7, Thu 17 Dec 04:30" in words
    assert "100-300 lb, likely 200" in words, "two that nobody weighed, and a full one"
    assert "45-137 kg, likely 91" in metric
    assert "251 ft³ oxygen first counted Thu 10 Dec 05:30 6 1 0 0 unknown: oxygen is counted in whole" in words
    propane, oxygen = data["kinds"]
    assert (propane["left"]["low"], propane["left"]["high"]) == pytest.approx((100.0 * LB, 300.0 * LB))
    assert (oxygen["left"], oxygen["weighed"]) == (None, None)
    assert data["entries"][0]["what"] == "1 put in use"


@pytest.mark.anyio
async def test_a_kind_that_is_no_longer_known_goes_by_its_id(web: Any) -> None:
    opened(web, kind="gone-9")
    async with web.client() as client:
        words = words_of((await client.get(PATH)).text)
    assert "gone-9 first counted" in words
    assert "How much gas a full one holds is not known, and so not what is left in those in use." in words


def test_kinds_of_the_site_stand_before_those_that_ship(web: Any) -> None:
    own = OwnCylinder("tall-33", "Tall 33 kg propane", "propane", contents_kg=33.0, tare_kg=30.0)
    with reading(web.engine) as session:
        site = replace(load_site(session, SITE).site, gas=GasSetup(own_cylinders=(own,)))
    first = next(iter(kinds_of(site).values()))
    assert (first.id, first.name, first.contents_kg, first.tare_kg, first.oxygen) == (
        "tall-33",
        "Tall 33 kg propane",
        33.0,
        30.0,
        False,
    )


@pytest.mark.anyio
async def test_problems_are_sentences_in_the_units_of_the_site(web: Any) -> None:
    opened(web, 4, 1, 0)
    keep(web, "weighed", left_kg=20.0 * LB)
    keep(web, "used", used_kg=50.0 * LB)
    async with web.client() as client:
        words = words_of((await client.get(PATH)).text)
    assert "30 lb more gas was used or sent back since weighing 2 than there was in the cylinders in use" in words


@pytest.mark.anyio
async def test_the_newest_entries_and_all_of_them(web: Any) -> None:
    opened(web, 50)
    for _ in range(NEWEST + 4):
        keep(web, "connected", 1)
    async with web.client() as client:
        newest, every = await client.get(PATH), await client.get(f"{PATH}?all=1")
        data = (await client.get(f"{PATH}.json?all=1")).json()
    assert len(re.findall(r'<tr id="entry-', newest.text)) == NEWEST
    assert f"The newest {NEWEST} of {NEWEST + 5} entries" in words_of(newest.text)
    assert len(re.findall(r'<tr id="entry-', every.text)) == len(data["entries"]) == NEWEST + 5
    assert [one["number"] for one in data["entries"]] == list(range(NEWEST + 5, 0, -1))


@pytest.mark.anyio
async def test_the_ledger_as_csv_is_whole_and_guarded(web: Any) -> None:
    opened(web, 50)
    for n in range(NEWEST + 4):
        keep(web, "connected", 1, note="=1+1" if n == 0 else "", by="+crew")
    keep(web, "correction", corrects=2, by_state=ByState(1, -1), note="-one")
    async with web.client() as client:
        answer = await client.get(f"{PATH}.csv")
    assert answer.headers["content-disposition"] == f'attachment; filename="{SITE}-stock.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text.removeprefix("\ufeff"))))
    assert [int(one["number"]) for one in rows] == list(range(1, NEWEST + 7))
    assert (rows[1]["note"], rows[1]["by"], rows[-1]["note"]) == ("'=1+1", "'+crew", "'-one")
    assert (rows[-1]["in_use_change"], rows[-1]["corrects"]) == ("-1", "2")
    assert (rows[1]["left_kg"], rows[1]["full_change"]) == ("", ""), "what an entry does not state is empty, not 0"


@pytest.mark.anyio
async def test_a_site_that_is_not_there_and_nobody_signed_in(web: Any) -> None:
    async with web.client() as client:
        for path in ("/sites/nowhere/stock", "/sites/nowhere/stock.json", "/sites/nowhere/stock.csv"):
            assert (await client.get(path)).status_code == 404
        assert (await client.post("/sites/nowhere/stock", data={"what": "opening"})).status_code == 404
        paths = (await client.get("/openapi.json")).json()["paths"]
    assert {f"/sites/{{site_id}}/stock.{kind}" for kind in ("json", "csv")} <= set(paths)
    assert "/sites/{site_id}/stock" not in paths
    async with web.client(signed_in=False) as client:
        assert (await client.get(PATH)).status_code == 401
        assert (await client.post(PATH, data={"what": "opening"})).status_code == 401


# The form -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_an_entry_of_every_movement(web: Any) -> None:
    at = "2026-12-16T06:00"  # 12:00 UTC
    sent = [
        ("opening", {"kind": KIND, "full": "4", "in_use": "2", "empty": "1", "at": at}),
        ("ordered", {"kind": KIND, "count": "6", "order_no": "K-7"}),
        ("delivered", {"kind": KIND, "count": "4", "order_no": "K-7"}),
        ("delivered", {"kind": KIND, "count": "1", "order_no": ""}),
        ("cancelled", {"kind": KIND, "count": "1", "order_no": "K-7"}),
        ("connected", {"kind": KIND, "count": "2"}),
        ("weighed", {"kind": KIND, "count": "", "net": "240", "unit": "lb"}),
        ("used", {"kind": KIND, "net": "12.5", "unit": "kg", "note": "row B"}),
        ("returned_part_used", {"kind": KIND, "count": "1", "unit": "lb"}),
        ("emptied", {"kind": KIND, "count": "1"}),
        ("returned_empty", {"kind": KIND, "count": "2"}),
        ("returned_full", {"kind": KIND, "count": "1"}),
        ("correction", {"corrects": "8", "net": "-0.5", "unit": "kg", "note": "misread"}),
        ("correction", {"corrects": "6", "full": "1", "in_use": "\N{MINUS SIGN}1", "note": "one only"}),
    ]
    for number, (what, typed) in enumerate(sent, 1):
        answer = await send(web, what, **typed)
        assert (answer.status_code, answer.headers.get("location")) == (303, f"{PATH}?did={number}"), what
    kept = ledger(web)
    assert [one.movement for one in kept] == [what for what, _ in sent]
    assert kept[0].at_utc == datetime(2026, 12, 16, 12, tzinfo=UTC)
    assert kept[1].at_utc == web.clock[0], "without a time it is now"
    assert kept[6].left_kg == pytest.approx(240.0 * LB)
    assert (kept[6].count, kept[7].used_kg, kept[8].residual_kg) == (None, 12.5, None)
    assert (kept[12].kind, kept[12].used_kg, kept[13].by_state) == (KIND, -0.5, ByState(1, -1, 0))
    async with web.client() as client:
        [line] = (await client.get(f"{PATH}.json")).json()["kinds"]
    assert (line["full"], line["in_use"], line["empty"], line["on_order"]) == (7, 1, 0, 1)


@pytest.mark.anyio
async def test_after_an_entry_the_page_says_what_was_kept(web: Any) -> None:
    opened(web)
    answer = await send(web, "connected", kind=KIND, count="2", note="<b>north</b>")
    async with web.client() as client:
        page = await client.get(answer.headers["location"])
    assert "Entry 2 is in the ledger: 100 lb propane, 2 put in use. <b>north</b>" in words_of(page.text)
    assert "<b>north" not in page.text


@pytest.mark.anyio
async def test_a_scale_is_read_with_the_cylinders_on_it(web: Any) -> None:
    """68 lb is what the table of cylinders has for one; the arithmetic is done here by hand."""
    opened(web, 4, 3, 0)
    async with web.client() as client:
        words = words_of((await client.get(f"{PATH}?what=weighed")).text)
    assert "100 lb propane: 3 in use x 68 lb = 204 lb" in words
    assert (await send(web, "weighed", kind=KIND, count="3", scale="392", unit="lb")).status_code == 303
    assert (await send(web, "weighed", kind=KIND, count="3", scale="392", tare="71.5", unit="lb")).status_code == 303
    assert (
        await send(web, "weighed", kind=KIND, count="3", scale="180 kg", tare="72 lb", note="A.")
    ).status_code == 303
    usual, stamped, mixed = ledger(web)[1:]
    assert usual.left_kg == pytest.approx(188.0 * LB)
    assert usual.note == "On the scale 392 lb, less 3 x 68 lb: 188 lb."
    assert stamped.left_kg == pytest.approx(177.5 * LB)
    assert stamped.note == "On the scale 392 lb, less 3 x 71.5 lb as stamped: 177.5 lb."
    assert mixed.left_kg == pytest.approx(180.0 - 3 * 72.0 * LB)
    assert mixed.note.startswith("A. On the scale 396.8 lb, less 3 x 72 lb as stamped: 180.8 lb.")
    answer = await send(web, "returned_part_used", kind=KIND, count="1", scale="100", unit="lb")
    assert answer.status_code == 303
    assert ledger(web)[-1].residual_kg == pytest.approx(32.0 * LB)


@pytest.mark.anyio
async def test_the_same_form_sent_twice_is_one_entry(web: Any) -> None:
    opened(web)
    async with web.client() as client:
        key = key_of((await client.get(f"{PATH}?what=weighed")).text)
        form = {"what": "weighed", "kind": KIND, "count": "2", "scale": "300", "unit": "lb", "entry_key": key, **BY}
        first = await client.post(PATH, data=form)
        keep(web, "connected", 1)  # by now three are in use
        web.clock[0] += timedelta(minutes=50)  # the line was down for long
        again = await client.post(PATH, data=form)
        assert [one.headers["location"] for one in (first, again)] == [f"{PATH}?did=2"] * 2
        assert len(ledger(web)) == 3
        other = await client.post(PATH, data={**form, "scale": "310"})
    assert other.status_code == 422
    assert "this form was sent before with something else in it" in other.text
    assert key_of(other.text) != key, "it may be another entry"
    assert len(ledger(web)) == 3


@pytest.mark.anyio
async def test_every_showing_of_a_form_has_another_key(web: Any) -> None:
    async with web.client() as client:
        keys = {key_of((await client.get(PATH)).text) for _ in range(3)}
        refused = await client.post(PATH, data={"what": "opening", "entry_key": "a<b>", **BY})
    assert len(keys) == 3
    assert key_of(refused.text) == "a<b>", "a form that was refused may be sent again"


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("what", "typed", "said"),
    [
        ("connected", {"kind": KIND, "count": "5"}, {"count": "4 are full."}),
        ("connected", {"kind": KIND, "count": "-1"}, {"count": "-1 is outside 1 to 10,000."}),
        ("connected", {"kind": KIND, "count": "two"}, {"count": "'two' is no whole number."}),
        ("connected", {"kind": KIND, "count": "1.5"}, {"count": "'1.5' is no whole number."}),
        ("connected", {"kind": KIND, "count": "9" * 400}, {"count": f"'{'9' * 30}' is no whole number."}),
        (
            "connected",
            {"kind": "", "count": "", "by": " "},
            {"kind": "Choose the cylinders.", "count": "A whole number is needed.", "by": "Say who says so."},
        ),
        (
            "connected",
            {"kind": "helium-9", "count": "1"},
            {"kind": "These were not counted yet: count them for the first time, 0 where there is none."},
        ),
        (
            "delivered",
            {"kind": KIND, "count": "1", "order_no": "K-9"},
            {"order_no": "There is no such order of these cylinders: orders of this kind are none."},
        ),
        ("cancelled", {"kind": KIND, "count": "1"}, {"order_no": "The order number is needed."}),
        (
            "opening",
            {"kind": "propane-40", "full": "", "in_use": "-2", "empty": "0"},
            {"full": "A whole number is needed.", "in_use": "-2 is outside 0 to 10,000."},
        ),
        (
            "connected",
            {"kind": KIND, "count": "1", "at": "2026-12-17T05:36"},
            {"at": "That is later than now, 2026-12-17 05:30."},
        ),
        (
            "connected",
            {"kind": KIND, "count": "1", "at": "2026-12-10T05:29"},
            {"at": "That is before these cylinders were first counted, 2026-12-10 05:30."},
        ),
        ("connected", {"kind": KIND, "count": "1", "at": "soon"}, {"at": "Expected a date and a time."}),
        (
            "connected",
            {"kind": KIND, "count": "1", "at": "0001-01-01T00:00"},
            {"at": "That is more than 10 years ago."},
        ),
        (
            "connected",
            {"kind": KIND, "count": "1", "at": "2026-11-01T01:30"},
            {"at": "The clock changes there, so the time comes twice or never: choose one before or after that hour."},
        ),
        (
            "connected",
            {"kind": KIND, "count": "1", "at": "2026-03-08T02:30"},
            {"at": "The clock changes there, so the time comes twice or never: choose one before or after that hour."},
        ),
        ("weighed", {"kind": KIND, "unit": "lb"}, {"scale": "A weight is needed."}),
        ("weighed", {"kind": KIND, "net": "-4", "unit": "lb"}, {"net": "-4 is below 0."}),
        (
            "weighed",
            {"kind": KIND, "net": "heavy", "unit": "lb"},
            {"net": "'heavy' is no weight: write a number such as 120 or 54.5."},
        ),
        ("weighed", {"kind": KIND, "net": "5", "unit": "stone"}, {"unit": "Lb or kg."}),
        (
            "weighed",
            {"kind": KIND, "net": "211", "unit": "lb"},
            {"net": "211 lb of gas is more than 2 of 100 lb can hold."},
        ),
        (
            "weighed",
            {"kind": KIND, "net": "5", "scale": "200", "count": "2", "unit": "lb"},
            {"net": "One of the two: on the scale, or the gas alone."},
        ),
        (
            "weighed",
            {"kind": KIND, "scale": "135", "count": "2", "unit": "lb"},
            {"scale": "Less than the cylinders weigh without gas: 2 x 68 lb = 136 lb."},
        ),
        (
            "weighed",
            {"kind": KIND, "scale": "200", "count": "1", "unit": "lb"},
            {
                "count": "By the ledger 2 are in use: weigh all of them, or enter first what was put in use or taken "
                "off.",
                "scale": "132 lb of gas is more than 1 of 100 lb can hold.",
            },
        ),
        (
            "weighed",
            {"kind": "oxygen-251", "net": "5", "unit": "lb"},
            {"kind": "Oxygen is counted in whole cylinders, not by weight."},
        ),
        ("used", {"kind": KIND, "unit": "lb"}, {"net": "A weight is needed."}),
        (
            "correction",
            {"corrects": "77", "full": "1"},
            {"corrects": "There is no entry 77.", "note": "Say what was wrong."},
        ),
        (
            "correction",
            {"corrects": "1", "note": "x"},
            {"full": "Say by how many, or by what weight, the entry was wrong."},
        ),
        (
            "correction",
            {"corrects": "1", "note": "x", "full": "-9"},
            {"corrects": "It would leave less than none of that entry."},
        ),
        (
            "opening",
            {"kind": KIND, "full": "1", "in_use": "0", "empty": "0"},
            {"kind": "The kind is open already: a correction is needed."},
        ),
        ("correction", {"corrects": "1", "note": "x", "net": "3", "unit": "lb"}, {"net": "Entry 1 states no weight."}),
    ],
)
async def test_what_is_wrong_stands_beside_its_field(
    web: Any, what: str, typed: dict[str, str], said: dict[str, str]
) -> None:
    opened(web)
    opened(web, kind="oxygen-251")
    assert await refused(web, what, **typed) == said


@pytest.mark.anyio
async def test_what_was_typed_is_kept(web: Any) -> None:
    opened(web)
    at = "2026-12-17T04:10"
    answer = await send(
        web, "delivered", kind=KIND, count="x", order_no='K"<9>', at=at, note="<script>alert(1)</script>"
    )
    assert answer.status_code == 422
    assert Tags(answer.text).inside == []
    kept = dict(re.findall(r'<input id="f-(\w+)"[^>]* value="([^"]*)"', answer.text))
    assert kept == {
        "count": "x",
        "by": "Q. Arden",
        "at": at,
        "note": "&lt;script&gt;alert(1)&lt;/script&gt;",
    }
    chosen = re.findall(r'<option value="([^"]*)" selected', answer.text)
    assert chosen == [KIND, "K&#34;&lt;9&gt;"]


@pytest.mark.anyio
@pytest.mark.parametrize("what", ["", "stolen", "opening\x00"])
async def test_a_movement_that_there_is_not(web: Any, what: str) -> None:
    opened(web)
    async with web.client() as client:
        answer = await client.post(PATH, data={"what": what, "entry_key": "k", **BY})
    assert answer.status_code == 422
    assert "Not kept: choose what happened." in words_of(answer.text)


@pytest.mark.anyio
async def test_hostile_text_is_shown_as_text_or_refused(web: Any) -> None:
    opened(web)
    bad = "<img src=x onerror=alert(1)>"
    answer = await send(web, "ordered", kind=KIND, count="1", order_no=bad, by=bad, note=f"{bad}\r\n{{{{ 7 * 7 }}}}")
    assert answer.status_code == 303
    for query in ("", "?what=delivered", "?did=2", "?what=correction&corrects=2"):
        async with web.client() as client:
            page = await client.get(f"{PATH}{query}")
        tags = Tags(page.text)
        assert tags.open == tags.inside == []
        assert "<img" not in page.text
        assert "{{ 7 * 7 }}" in page.text
    for field in ("by", "note", "order_no"):
        typed = {"kind": KIND, "count": "1", "order_no": "K", field: "a\u202eb\x00"}
        assert list(await refused(web, "ordered", **typed)) == [field]


@pytest.mark.anyio
async def test_a_field_without_end_is_not_taken(web: Any) -> None:
    opened(web)
    async with web.client() as client:
        answer = await client.post(PATH, data={"what": "connected", "note": "x" * 2001, "entry_key": "k", **BY})
    assert answer.status_code == 422
    assert len(ledger(web)) == 1


@pytest.mark.anyio
async def test_a_correction_shows_what_it_is_for_and_asks_only_what_fits(web: Any) -> None:
    opened(web)
    keep(web, "used", used_kg=3.0)
    keep(web, "connected", 1)

    async def fields(number: int) -> tuple[str, set[str]]:
        async with web.client() as client:
            page = (await client.get(f"{PATH}?what=correction&corrects={number}")).text
        return words_of(page), set(re.findall(r'<(?:input|select) id="f-(\w+)"', page))

    always = {"corrects", "by", "at", "note"}
    words, asked = await fields(2)
    assert "Entry 2, L. Voss, Thu 17 Dec 2026 04:30: 100 lb propane, 6.6 lb of gas used, by a heat report." in words
    assert asked == always | {"net", "unit"}
    assert (await fields(3))[1] == always | {"full", "in_use", "empty"}
    assert (await fields(9))[1] == always | {"full", "in_use", "empty", "net", "unit"}


def test_every_entry_in_words(show: Show, now: datetime) -> None:
    said = {
        what_text(StockEntry(KIND, movement, now, "x", count=1, order_no="K", by_state=ByState(1, 0, 2)), show)
        for movement in MOVEMENTS
        if movement not in ("weighed", "used")
    }
    assert len(said) == len(MOVEMENTS) - 2
    correction = StockEntry(KIND, "correction", now, "x", corrects=3, by_state=ByState(-1, 1), left_kg=2.0 * LB)
    assert what_text(correction, show) == "entry 3 put right: -1 full, +1 in use, +2 lb of gas"


def test_tares_are_those_of_the_table(web: Any) -> None:
    with reading(web.engine) as session:
        kinds = kinds_of(load_site(session, SITE).site)
    assert kinds[KIND].tare_kg == pytest.approx(68.0 * LB)
    assert kinds[KIND].contents_kg == pytest.approx(100.0 * LB)
    assert kinds["oxygen-251"].oxygen
    assert kinds["oxygen-251"].contents_kg is None


# In a browser ---------------------------------------------------------------------------------------------------------


def signed_in(browser: Browser, base_url: str, web: Any, width: int, *, script: bool = True) -> Page:
    context = browser.new_context(
        base_url=base_url, viewport={"width": width, "height": 844}, java_script_enabled=script
    )
    page = context.new_page()
    enter(page, web.app)
    return page


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_an_opening_and_a_delivery_without_script(browser: Browser, base_url: str, web: Any, width: int) -> None:
    page = signed_in(browser, base_url, web, width, script=False)
    page.goto(PATH)
    page.get_by_label("Cylinders").select_option(label="100 lb propane")
    for name, count in (("Full", "4"), ("In use", "2"), ("Empty", "0")):
        page.get_by_label(name, exact=True).fill(count)
    page.get_by_label("By whom").fill("Q. Arden")
    page.get_by_role("button", name="Keep it").click()
    assert "4 full, 2 in use, 0 empty" in page.get_by_role("status").inner_text()
    page.get_by_role("link", name="Delivered").click()
    page.get_by_label("How many").fill("3")
    page.get_by_label("By whom").fill("L. Voss")
    page.get_by_role("button", name="Keep it").click()
    assert "3 delivered, without an order" in page.get_by_role("status").inner_text()
    counts = page.locator(".stock .number .big").all_inner_texts()
    assert counts == ["7", "2", "0"]
    page.context.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [320, 390, 820, 1280])
def test_no_form_is_wider_than_its_screen_and_axe_finds_no_fault(
    browser: Browser, base_url: str, web: Any, width: int
) -> None:
    opened(web)
    opened(web, kind="oxygen-251")
    keep(web, "ordered", 3, order_no="ORDER-" + "9" * 54, by="x" * 60, note="y" * 400)
    keep(web, "weighed", left_kg=20.0 * LB)
    keep(web, "used", used_kg=50.0 * LB)
    page = signed_in(browser, base_url, web, width)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    wider, faults = [], {}
    for query in ("", "?did=3", *(f"?what={one}" for one in MOVEMENTS)):
        page.goto(f"{PATH}{query}")
        found = page.evaluate("document.documentElement.scrollWidth")
        wider += [(query, found)] if found > width else []
        if width in (390, 1280) and query in ("", "?did=3", "?what=weighed", "?what=delivered"):
            for one in Axe().run(page).response["violations"]:
                faults[query, one["id"]] = [node["html"] for node in one["nodes"]][:3]
    page.goto(f"{PATH}?what=weighed")
    page.get_by_label("By whom").fill("Q. Arden")
    page.get_by_label("Cylinders").select_option(KIND)
    page.get_by_label("On the scale", exact=True).fill("1" * 12)
    page.get_by_role("button", name="Keep it").click()
    assert page.get_by_role("alert").is_visible()
    for one in Axe().run(page).response["violations"]:
        faults["refused", one["id"]] = [node["html"] for node in one["nodes"]][:3]
    wider += [("refused", found)] if (found := page.evaluate("document.documentElement.scrollWidth")) > width else []
    page.context.close()
    assert (wider, faults) == ([], {})
    assert [text for text in said if "422" not in text] == []
