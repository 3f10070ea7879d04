"""Set-up on the pages: a new site, what is missing, every topic; errors by field, stale forms, files; in a browser."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from html import unescape
from importlib import resources
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser
from pydantic import TypeAdapter
from tests.service.web.conftest import NOW, TABLE, Web, enter, joint, make_plan, site
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.job import Acceptance
from frostshift_rules.notice_setup import Address, NoticeSetup, Person, Template
from frostshift_rules.order_problem import Weights
from frostshift_rules.tables import OwnTable
from frostshift_rules.work_setup import Crew
from frostshift_service import demo
from frostshift_service.app import create_app
from frostshift_service.jobs import Jobs
from frostshift_service.people_file import read_people, write_people
from frostshift_service.set_up_form import NotTaken
from frostshift_service.set_up_parts import new_site, settings_of, taken
from frostshift_service.set_up_topics import TOPICS
from frostshift_service.settings import Settings
from frostshift_service.site_file import SiteFile, write_site
from frostshift_service.store.audit import audit_lines
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.notices import load_setup, save_setup
from frostshift_service.store.records import KeptSite
from frostshift_service.store.sites import load_site, load_sites, save_site
from frostshift_service.store.thermometer import tokens_of
from frostshift_service.views.set_up import Facts, SetUpPage, set_up_page
from frostshift_service.views.set_up_topic import LINKS, TopicPage

SITE = "north-yard"
PAGE = f"/sites/{SITE}/set-up"
HOOK = "https://hooks.site.example/in?key=SECRETPATH"
SECRET = "a secret of twenty-five"
PEOPLE = NoticeSetup(
    (
        Person("rowan", "Rowan Vale", "foreman", "us", (Address("email", "rowan@site.example"),), ("north",)),
        Person(
            "tamsin", "Tamsin Orr", "superintendent", "si",
            (Address("webhook", HOOK, SECRET, Template('{"m": "$first_line"}', (("Authorization", "Bearer K"),))),),
        ),
    )
)  # fmt: skip
NEW = {
    "name": "Kiln Bay, hoist house",
    "latitude": "46.8",
    "longitude": "-92.1",
    "zone": "America/Chicago",
    "show_units": "us",
    "code_units": "us",
    "table": TABLE,
    "shift_name": "Day",
    "shift_start": "07:00",
    "shift_end": "17:30",
    "shift_days": ["1", "2", "3", "4", "5", "6"],
    "shift_hands": "4",
    "source_1": "oxy-propane-tip",
    "count_1": "2",
    "source_2": "",
    "count_2": "2",
    "last_nights_low_c": "14 F",
}


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Web]:
    """A store without a site, and the loops that plan for real."""
    settings = Settings(data_dir=tmp_path, contact=None)
    engine = open_store(settings.database_url)
    jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
    yield Web(create_app(settings, engine, lambda: NOW, jobs), engine, jobs, [NOW])  # type: ignore[arg-type]
    engine.dispose()


def kept(web: Web) -> KeptSite:
    with reading(web.engine) as session:
        return load_site(session, SITE)


def people(web: Web) -> NoticeSetup:
    with reading(web.engine) as session:
        return load_setup(session, SITE)


async def form_of(client: httpx.AsyncClient, topic: str, item: str = "") -> dict[str, Any]:
    """What a browser would send of the form unless something is typed."""
    if topic == "site":  # its JSON is the settings themselves
        html = (await client.get(f"{PAGE}/{topic}")).text.partition('<form class="set-up-form"')[2]
        found = dict(re.findall(r'<input (?:type="hidden" |id="[^"]*" )name="([^"]+)"[^>]*? value="([^"]*)"', html))
        chosen = re.findall(r'<select id="[^"]*" name="([^"]+)".*?<option value="([^"]*)" selected', html, re.DOTALL)
        return found | dict(chosen)
    form = (await client.get(f"{PAGE}/{topic}.json", params={"item": item})).json()["form"]
    sent: dict[str, Any] = {"item": form["item"], "was": form["mark"], "shown_in": form["system"]}
    for _, fields in form["groups"]:
        for one in fields:
            boxes = one["control"] in ("days", "many")
            sent[one["name"]] = one["ticked"] if boxes else one["value"]
    return {key: value for key, value in sent.items() if value not in ("", [])}


def wrong_fields(html: str) -> set[str]:
    return set(re.findall(r'id="wrong-([^"]+)"', html))


# A new site -----------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_new_site_is_made_and_says_what_is_missing(empty: Web) -> None:
    async with empty.client() as client:
        assert "/set-up/new" in (await client.get("/")).text
        answer = await client.post("/set-up/new", data=NEW)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sites/kiln-bay-hoist-house/set-up")
        overview = (await client.get("/sites/kiln-bay-hoist-house/set-up.json")).json()
    with reading(empty.engine) as session:
        made = load_site(session, "kiln-bay-hoist-house")
    assert (made.site.name, made.site.latitude, made.site.longitude) == ("Kiln Bay, hoist house", 46.8, -92.1)
    assert made.site.last_nights_low_c == pytest.approx(-10.0)
    assert [one.hands for one in made.site.shifts] == [4]
    assert [(one.id, one.count, one.net_kw) for one in made.site.heat_sources] == [("oxy-propane-tip", 2, 45.0)]
    ids = [one["id"] for one in overview["missing"]]
    assert ids[:4] == ["schedule", "table", "contact", "forecast"]
    assert {"people", "stock", "supply", "thermometer"} <= set(ids)
    assert not overview["ready"]


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("name", "", "needed"),
        ("name", "★", "a to z"),
        ("latitude", "95", "outside -90 to 90"),
        ("latitude", "46,8", "no number"),
        ("longitude", "", "needed"),
        ("zone", "Chicago", "IANA"),
        ("show_units", "imperial", "expected one of"),
        ("code_units", "x", "expected one of"),
        ("table", "no_table", "expected one of"),
        ("shift_name", "", "needed"),
        ("shift_start", "25:00", "hour:minute"),
        ("shift_end", "9", "hour:minute"),
        ("shift_days", [], "at least one"),
        ("shift_hands", "500", "outside 0 to 200"),
        ("source_1", "no-source", "choose one"),
        ("source_2", "oxy-propane-tip", "already"),
        ("count_1", "-1", "outside 0 to 500"),
        ("count_1", "", "how many"),
        ("last_nights_low_c", "14", "no unit"),
        ("last_nights_low_c", "900 F", "outside -76 to 122"),
    ],
)
@pytest.mark.anyio
async def test_each_wrong_field_of_a_new_site_says_so_and_nothing_is_written(
    empty: Web, field: str, typed: Any, said: str
) -> None:
    async with empty.client() as client:
        answer = await client.post("/set-up/new", data={**NEW, field: typed})
    assert answer.status_code == 422
    assert wrong_fields(answer.text) == {field}
    assert said in words_of(answer.text)
    assert "Kiln Bay" in answer.text or field == "name"  # what was typed stays
    with reading(empty.engine) as session:
        assert load_sites(session) == []


def test_all_errors_of_a_form_are_found_at_once() -> None:
    typed = {key: [value] if isinstance(value, str) else value for key, value in NEW.items()}
    typed |= {"latitude": ["95"], "longitude": ["x"], "zone": ["nowhere"], "shift_hands": ["-3"], "count_1": ["7000"]}
    with pytest.raises(NotTaken) as error:
        new_site(typed, (), "us")
    assert set(error.value.problems) == {"latitude", "longitude", "zone", "shift_hands", "count_1"}


@pytest.mark.anyio
async def test_a_name_that_is_taken_is_refused(empty: Web) -> None:
    async with empty.client() as client:
        assert (await client.post("/set-up/new", data=NEW)).status_code == 303
        answer = await client.post("/set-up/new", data={**NEW, "name": "kiln bay: HOIST house"})
    assert answer.status_code == 422
    assert wrong_fields(answer.text) == {"name"}


# The overview ---------------------------------------------------------------------------------------------------------


def facts(**changes: Any) -> Facts:
    values: dict[str, Any] = {
        "site": KeptSite(site(), "us", None, None, 1),
        "setup": PEOPLE,
        "joints": [joint("A", 1.0)],
        "plan": None,
        "forecast": True,
        "contact": True,
        "mail": True,
        "stock_entries": 3,
        "tokens": 1,
        "refusing": 0,
        **changes,
    }
    return Facts(**values)


def ids_of(page: SetUpPage) -> list[str]:
    return [one.id for one in page.missing]


def test_the_overview_says_each_thing_that_is_missing() -> None:
    def with_site(**changes: Any) -> KeptSite:
        return KeptSite(replace(site(), **changes), "us", None, None, 1)

    whole = set_up_page(facts())
    assert ids_of(whole) == ["supply"]
    assert whole.ready
    cases: list[tuple[dict[str, Any], str, bool]] = [
        ({"site": with_site(shifts=())}, "shifts", False),
        ({"joints": []}, "schedule", False),
        ({"site": with_site(acceptances=())}, "table", False),
        ({"contact": False}, "contact", False),
        ({"forecast": False}, "forecast", False),
        ({"site": with_site(heat_sources=())}, "sources", True),
        ({"joints": [joint("A", 1.0, procedure="P-99")]}, "procedures", True),
        ({"setup": NoticeSetup()}, "people", True),
        ({"setup": NoticeSetup(PEOPLE.people[:1])}, "superintendent", True),
        ({"mail": False}, "mail", True),
        ({"refusing": 2}, "refusing", True),
        ({"stock_entries": 0}, "stock", True),
        ({"tokens": 0}, "thermometer", True),
    ]
    for change, missing, ready in cases:
        page = set_up_page(facts(**change))
        assert missing in ids_of(page), missing
        assert page.ready is ready, missing
        assert all(one.why.endswith(".") for one in page.missing)


def test_the_overview_counts_why_joints_are_unknown() -> None:
    plan = make_plan()
    unknown = [one for one in plan.joints if one.call == "unknown"]
    page = set_up_page(facts(plan=plan))
    assert unknown
    assert page.unknown_joints == len(unknown)
    assert sum(one.joints for one in page.reasons) >= len(unknown)
    assert [one.joints for one in page.reasons] == sorted((one.joints for one in page.reasons), reverse=True)


@pytest.mark.anyio
async def test_every_page_is_whole_and_has_its_json(web: Web) -> None:
    with writing(web.engine) as session:
        save_setup(session, SITE, PEOPLE, now=NOW)
    async with web.client() as client:
        for path in ("/set-up/new", PAGE, *(f"{PAGE}/{topic}" for topic, _ in LINKS)):
            answer = await client.get(path)
            assert answer.status_code == 200, path
            tags = Tags(answer.text)
            assert (tags.open, tags.inside) == ([], []), path
            assert len(tags.ids) == len(set(tags.ids)), path
            for url in {one for one in tags.links if one.startswith(PAGE) and "#" not in one}:
                assert (await client.get(url)).status_code == 200, url
        assert TypeAdapter(SetUpPage).validate_python((await client.get(f"{PAGE}.json")).json()).site_id == SITE
        for topic, _ in LINKS:
            found = (await client.get(f"{PAGE}/{topic}.json")).json()
            if topic != "site":
                assert TypeAdapter(TopicPage).validate_python(found).topic == topic
        assert (await client.get(f"{PAGE}/nothing")).status_code == 404
        assert (await client.get("/sites/nowhere/set-up")).status_code == 404
        settings = (await client.get(f"{PAGE}/site.json")).json()
    assert settings["latitude"] == 46.8
    assert settings["shift"][1]["name"] == "Night"


# Topics ---------------------------------------------------------------------------------------------------------------


CHANGES: list[tuple[str, str, dict[str, Any], Any, Any]] = [
    ("site", "", {"name": "South yard", "altitude_m": "410 m", "terrain": "city"},
     lambda s: (s.name, s.altitude_m, s.terrain), ("South yard", 410.0, "city")),
    ("shifts", "Night", {"start": "20:00", "days": ["5"], "hands": "1"},
     lambda s: (s.shifts[1].start.hour, s.shifts[1].days, s.shifts[1].hands), (20, frozenset({5}), 1)),
    ("shifts", "", {"name": "Late", "start": "18:00", "end": "03:00", "days": ["6", "7"]},
     lambda s: [one.name for one in s.shifts], ["Day", "Night", "Late"]),
    ("sources", "P1", {"count": "7", "share_likely": "0.4"},
     lambda s: (s.heat_sources[0].count, s.heat_sources[0].share_likely), (7, 0.4)),
    ("sources", "", {"id": "pad", "name": "pad", "kind": "pad", "net_kw": "3.6 kW", "area_m2": "0.08 m2", "count": "8"},
     lambda s: (s.heat_sources[1].kind, s.heat_sources[1].area_m2), ("pad", 0.08)),
    ("table", "", {"table": "aws_d1_1_2020_t5_8"}, lambda s: s.table_id, "aws_d1_1_2020_t5_8"),
    ("procedures", "W-12", {"maximum_c": "230 C", "to_mm": "2-1/2 in", "steels": "A572-50, A588-*",
                            "qualified_by_test": "yes"},
     lambda s: (s.procedures[0].maximum_c, s.procedures[0].to_mm, s.procedures[0].steels,
                s.procedures[0].qualified_by_test), (230.0, 63.5, ("A572-50", "A588-*"), True)),
    ("choices", "", {"doubt_k": "4 K"}, lambda s: (s.choices.doubt_k, s.choices.correct_forecast), (4.0, True)),
    ("gas", "", {"stand": "open", "torch_kpa.propane": "140 kPa", "closed_days": "2026-12-24, 2026-12-25",
                 "kinds": ["propane-100"]},
     lambda s: (s.gas.stand, s.gas.torch_kpa, len(s.gas.closed_days), s.gas.kinds),
     ("open", (("propane", 140.0),), 2, ("propane-100",))),
    ("cylinders", "", {"id": "ours", "name": "ours", "gas": "propane", "contents_kg": "33 kg"},
     lambda s: s.gas.own_cylinders[0].contents_kg, 33.0),
    ("supply", "", {"cylinder": "propane-100", "lead_days": "3", "storage_limit": "24"},
     lambda s: (s.gas.supply[0].lead_days, s.gas.supply[0].storage_limit), (3, 24)),
    ("other-use", "", {"name": "cutting", "gas": "oxygen", "low_m3": "2 m3", "likely_m3": "4 m³", "high_m3": "9 m3",
                       "shifts": ["Day"]},
     lambda s: (s.gas.other_use[0].likely, s.gas.other_use[0].shifts), (4.0, ("Day",))),
    ("crews", "", {"name": "north", "at_once": "2", "shifts": ["Day"], "processes": ["SMAW"], "procedures": "W-12"},
     lambda s: s.work.crews, (Crew("north", 2, ("Day",), ("SMAW",), ("W-12",)),)),
    ("weights", "", {"fuel_kg": "9", "move": "0"},
     lambda s: s.work.weights, Weights(fuel_kg=9.0, move=0.0)),
]  # fmt: skip


@pytest.mark.parametrize(("topic", "item", "typed", "of", "became"), CHANGES)
@pytest.mark.anyio
async def test_a_form_changes_its_part_and_nothing_else(
    web: Web, topic: str, item: str, typed: dict[str, Any], of: Any, became: Any
) -> None:
    before = kept(web)
    async with web.client() as client:
        sent = {**await form_of(client, topic, item), **typed}
        answer = await client.post(f"{PAGE}/{topic}", data=sent)
        assert answer.status_code == 303, words_of(answer.text)
    after = kept(web)
    assert of(after.site) == became
    assert web.planner.replanned == [SITE]
    section = next(one for one in TOPICS if one.id == topic).section
    was, now = (tomllib.loads(write_site(SiteFile(k.site, k.show_units, k.feed, k.instead))) for k in (before, after))
    if section:
        was.pop(section[0], None)
        now.pop(section[0], None)
        assert was == now


@pytest.mark.parametrize(
    ("topic", "item"), [(one.id, "") for one in TOPICS if not one.key] + [("shifts", "Day"), ("procedures", "W-12")]
)
def test_a_form_that_is_sent_as_it_is_shown_changes_nothing(topic: str, item: str) -> None:
    from frostshift_service.set_up_form import text_of, value_at
    from frostshift_service.set_up_parts import form_entry, form_fields

    found = next(one for one in TOPICS if one.id == topic)
    before = settings_of(KeptSite(site(), "us", None, None, 1), NoticeSetup())
    entry = form_entry(found, before.entry(found, item))
    typed: dict[str, list[str]] = {}
    for field in form_fields(before, found, entry, "us"):
        value = value_at(entry or {}, field.key)
        value = field.start if value is None else value
        if field.control in ("days", "many"):
            typed[field.key] = [str(one) for one in value or ()]
        elif text := text_of(field, value):
            typed[field.key] = [text]
    changed = taken(before, found, item, typed, "us").site
    assert changed is not None
    assert changed.site == site()


@pytest.mark.parametrize(
    ("topic", "item", "typed", "wrong"),
    [
        ("site", "", {"latitude": "91"}, {"latitude"}),
        ("site", "", {"altitude_m": "99999"}, {"altitude_m"}),
        ("site", "", {"zone": "x", "terrain": "moon"}, {"zone", "terrain"}),
        ("shifts", "", {"name": "Day"}, {"name"}),
        ("shifts", "Day", {"end": "4 pm"}, {"end"}),
        ("sources", "P1", {"net_kw": "900", "count": "1.5"}, {"net_kw", "count"}),
        ("sources", "P1", {"share_low": "0.9", "share_likely": "0.2"}, {"share_low"}),
        ("sources", "", {"id": "P1", "name": "x", "fuel": "propane", "net_kw": "20 kW"}, {"id"}),
        ("sources", "", {"id": "t", "name": "t", "net_kw": "20 kW"}, {"fuel"}),
        ("procedures", "W-12", {"maximum_c": "10 F"}, {"maximum_c"}),
        ("procedures", "W-12", {"maximum_c": "100 F"}, {"minimum_c"}),
        ("procedures", "W-12", {"steels": "not a steel!"}, {"steels"}),
        ("procedures", "W-12", {"from_mm": "3 in", "to_mm": "1 in"}, {"from_mm"}),
        ("choices", "", {"doubt_k": "0"}, {"doubt_k"}),
        ("feeds", "", {"feed": "nws_hourly"}, {"feed"}),
        ("feeds", "", {"feed_instead": "nobody"}, {"feed_instead"}),
        ("gas", "", {"allowance_kpa": "900", "closed_days": "tomorrow"}, {"allowance_kpa", "closed_days"}),
        ("gas", "", {"torch_kpa.acetylene": "30"}, {"torch_kpa.acetylene"}),
        ("cylinders", "", {"id": "Ours!", "name": "x", "gas": "propane", "contents_kg": "33 kg"}, {"id"}),
        ("cylinders", "", {"id": "ours", "name": "x", "gas": "propane", "contents_kg": "0.1 kg"}, {"contents_kg"}),
        ("crews", "", {"name": "north", "at_once": "0"}, {"at_once"}),
        ("weights", "", {"shift_late": "-1"}, {"shift_late"}),
        ("supply", "", {"cylinder": "propane-100", "lead_days": "100"}, {"lead_days"}),
        ("supply", "", {"cylinder": "propane-100", "least_order": "9", "storage_limit": "3"}, {"least_order"}),
        ("other-use", "", {"name": "c", "gas": "oxygen", "low_m3": "9", "likely_m3": "4", "high_m3": "1"}, {"low_m3"}),
        ("people", "", {"id": "Z Z", "name": "Z"}, {"id"}),
        ("people", "", {"id": "z", "name": "Z", "to_1": "nobody"}, {"to_1"}),
        ("people", "", {"id": "z", "name": "Z", "channel_1": "webhook", "to_1": "https://a.example/x",
                        "secret_1": "short"}, {"secret_1"}),
        ("people", "", {"id": "z", "name": "Z", "channel_1": "webhook", "to_1": "http://127.0.0.1:8765/x"}, {"to_1"}),
        ("people", "", {"id": "z", "name": "Z", "channel_1": "webhook", "to_1": "https://localhost/x"}, {"to_1"}),
        ("people", "", {"id": "z", "name": "Z", "quiet.begin": "20:00"}, {"quiet.until"}),
        ("people", "", {"id": "rowan", "name": "Z"}, {"id"}),
        ("people", "rowan", {"then": "rowan"}, {"then"}),
    ],
)  # fmt: skip
@pytest.mark.anyio
async def test_each_wrong_field_of_a_topic_says_so_and_nothing_is_written(
    web: Web, topic: str, item: str, typed: dict[str, Any], wrong: set[str]
) -> None:
    with writing(web.engine) as session:
        save_setup(session, SITE, PEOPLE, now=NOW)
    before, before_people = kept(web), people(web)
    async with web.client() as client:
        sent = {**await form_of(client, topic, item), **typed}
        answer = await client.post(f"{PAGE}/{topic}", data=sent)
    assert answer.status_code == 422, answer.text[:200]
    assert wrong_fields(answer.text) == wrong, words_of(answer.text)
    secret = typed.get("secret_1")
    assert secret is None or secret not in answer.text
    assert (kept(web), people(web)) == (before, before_people)
    assert web.planner.replanned == []


@pytest.mark.anyio
async def test_a_figure_is_read_in_the_unit_it_was_shown_in(web: Web) -> None:
    async with web.client() as client:
        form = await form_of(client, "choices")
        assert (form["shown_in"], form["margin_mm"]) == ("us", "1.181")
        sent = await client.post(f"{PAGE}/choices", data={**form, "margin_mm": "2"})
        assert sent.status_code == 303
        assert kept(web).site.choices.margin_mm == 50.8
        # a form that was shown in SI, sent after the reader chose US units
        form = await form_of(client, "choices")
        metric = {"was": form["was"], "shown_in": "si", "margin_mm": "75"}
        sent = await client.post(f"{PAGE}/choices", data=metric)
        assert sent.status_code == 303
    assert kept(web).site.choices.margin_mm == 75.0


@pytest.mark.anyio
async def test_a_source_of_the_library_is_kept_as_the_library_has_it_whatever_unit_is_shown(web: Web) -> None:
    async with web.client() as client:
        html = (await client.get(f"{PAGE}/sources", params={"begin": "oxy-propane-tip"})).text
        assert re.search(r'name="net_kw" value="153500"', html)
        assert "[Btu/h]" in html
        sent = {"begin": "oxy-propane-tip", "shown_in": "us", "id": "tip-2", "name": "tip", "kind": "flame",
                "fuel": "propane", "net_kw": "153500", "count": "2"}  # fmt: skip
        assert (await client.post(f"{PAGE}/sources", data=sent)).status_code == 303
        answer = await client.post(f"{PAGE}/sources", data={**sent, "id": "tip-3", "net_kw": "2000000"})
        assert "Heat rate of one [Btu/h] is 2000000, outside 1706.1 to 1023600" in words_of(answer.text)
        assert 'value="2000000"' in answer.text
    assert kept(web).site.heat_sources[-1].net_kw == 45.0


@pytest.mark.anyio
async def test_feeds_are_chosen_and_none_can_stand_in(web: Web) -> None:
    async with web.client() as client:
        form = {**await form_of(client, "feeds"), "feed": "met_norway", "feed_instead": "-"}
        assert (await client.post(f"{PAGE}/feeds", data=form)).status_code == 303
        assert (kept(web).feed, kept(web).instead) == ("met_norway", ())
        form = {**await form_of(client, "feeds"), "feed_instead": "nws, nws_hourly"}
        assert (await client.post(f"{PAGE}/feeds", data=form)).status_code == 303
        assert kept(web).instead == ("nws", "nws_hourly")
        form = {key: text for key, text in (await form_of(client, "feeds")).items() if not key.startswith("feed")}
        assert (await client.post(f"{PAGE}/feeds", data=form)).status_code == 303
    assert (kept(web).feed, kept(web).instead) == (None, None)


@pytest.mark.anyio
async def test_a_list_loses_an_entry_but_not_what_others_rest_on(web: Web) -> None:
    async with web.client() as client:
        items = {one["name"]: one["mark"] for one in (await client.get(f"{PAGE}/shifts.json")).json()["items"]}
        stale = await client.post(f"{PAGE}/shifts/remove", data={"item": "Night", "was": "x"})
        assert stale.status_code == 409
        gone = await client.post(f"{PAGE}/shifts/remove", data={"item": "Night", "was": items["Night"]})
        assert gone.status_code == 303
        last = await client.post(f"{PAGE}/shifts/remove", data={"item": "Day", "was": items["Day"]})
    assert last.status_code == 422
    assert "at least one shift" in words_of(last.text)
    assert [one.name for one in kept(web).site.shifts] == ["Day"]


@pytest.mark.anyio
async def test_two_people_at_one_form(web: Web) -> None:
    async with web.client() as client:
        mine, other = await form_of(client, "shifts", "Day"), await form_of(client, "shifts", "Night")
        theirs = {**mine, "hands": "9"}
        assert (await client.post(f"{PAGE}/shifts", data=theirs)).status_code == 303
        answer = await client.post(f"{PAGE}/shifts", data={**mine, "end": "15:00"})
        assert answer.status_code == 409
        words = words_of(answer.text)
        assert "Somebody changed the same meanwhile" in words
        assert re.search(r"The log of changes has last: Owner, \w{3} \d+ \w{3} \d\d:\d\d: [^.]*Day", words)
        assert "In the settings now: 9" in words
        assert 'value="15:00"' in answer.text
        assert kept(web).site.shifts[0].hands == 9
        # another part of the settings is another matter
        assert (await client.post(f"{PAGE}/shifts", data={**other, "hands": "2"})).status_code == 303
        again = re.search(r'name="was" value="([0-9a-f]+)" autocomplete="off">\s*<section', answer.text)
        assert again is not None
        assert (await client.post(f"{PAGE}/shifts", data={**mine, "end": "15:00", "was": again[1]})).status_code == 303
    assert (kept(web).site.shifts[0].hands, kept(web).site.shifts[0].end.hour) == (3, 15)


# The rule table, the thermometer --------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_table_is_accepted_by_somebody_who_says_so(web: Web) -> None:
    with writing(web.engine) as session:
        save_site(session, replace(site(), acceptances=()))
    async with web.client() as client:
        given = {"table": TABLE, "by": "Q. Arden", "checked": "yes"}
        for left_out in ("by", "checked"):
            answer = await client.post(f"{PAGE}/table/accept", data={**given, left_out: ""})
            assert answer.status_code == 422
            assert wrong_fields(answer.text) == {f"a-{left_out}"}
        assert (await client.post(f"{PAGE}/table/accept", data={**given, "table": "x"})).status_code == 422
        assert kept(web).site.acceptances == ()
        assert (await client.post(f"{PAGE}/table/accept", data=given)).status_code == 303
    assert kept(web).site.acceptances == (Acceptance(TABLE, "Q. Arden", date(2026, 12, 17)),)
    assert web.planner.replanned == [SITE]


@pytest.mark.anyio
async def test_a_table_that_was_changed_since_it_was_shown_is_not_accepted(web: Web) -> None:
    shipped = resources.files("frostshift_rules").joinpath("tables", f"{TABLE}.toml").read_text(encoding="utf-8")
    shown = OwnTable("ours", shipped.replace(f'id = "{TABLE}"', 'id = "ours"'))
    changed = replace(shown, text=f"{shown.text}# another edition\n")
    with writing(web.engine) as session:
        save_site(session, replace(site(), acceptances=(), own_tables=(shown,)))
    async with web.client() as client:
        option = f'value="ours {shown.fingerprint}"'
        assert option in (await client.get(f"{PAGE}/table")).text
        with writing(web.engine) as session:
            save_site(session, replace(site(), acceptances=(), own_tables=(changed,)))
        given = {"table": f"ours {shown.fingerprint}", "by": "Q. Arden", "checked": "yes"}
        for table in (given["table"], "ours"):
            answer = await client.post(f"{PAGE}/table/accept", data={**given, "table": table})
            assert answer.status_code == 409
            assert "has another text than the one you were shown" in words_of(answer.text)
            assert option not in answer.text
        assert kept(web).site.acceptances == ()
        given["table"] = f"ours {changed.fingerprint}"
        assert (await client.post(f"{PAGE}/table/accept", data=given)).status_code == 303
    assert kept(web).site.acceptances == (Acceptance("ours", "Q. Arden", date(2026, 12, 17), changed.fingerprint),)


@pytest.mark.anyio
async def test_a_token_number_beyond_the_store_is_no_token(web: Web) -> None:
    async with web.client() as client:
        assert (await client.post(f"{PAGE}/thermometer/tokens/{2**70}/revoke")).status_code == 422


@pytest.mark.anyio
async def test_a_token_is_shown_once_and_ended(web: Web) -> None:
    async with web.client() as client:
        made = await client.post(f"{PAGE}/thermometer/tokens", data={"name": "mast"})
        found = re.search(r"<code>([A-Za-z0-9_-]{40,})</code>", made.text)
        assert found is not None
        secret = found[1]
        assert secret not in (await client.get(f"{PAGE}/thermometer")).text
        posted = await client.post(
            f"/sites/{SITE}/thermometer", headers={"authorization": f"Bearer {secret}"},
            json={"air_c": -12.3, "at_utc": "2026-12-17T11:00:00Z"},
        )  # fmt: skip
        assert posted.status_code == 200
        twice = await client.post(f"{PAGE}/thermometer/tokens", data={"name": "mast"})
        assert twice.status_code == 422
        with reading(web.engine) as session:
            (token,) = tokens_of(session, SITE)
        assert (await client.post(f"{PAGE}/thermometer/tokens/{token.id}/revoke")).status_code == 303
    with reading(web.engine) as session:
        assert tokens_of(session, SITE)[0].revoked_utc == NOW


# People ---------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_person_is_changed_and_no_secret_is_shown(web: Web) -> None:
    with writing(web.engine) as session:
        save_setup(session, SITE, PEOPLE, now=NOW)
    async with web.client() as client:
        for path in (
            "people",
            "people?item=tamsin",
            "people.json?item=tamsin",
            "people.toml",
            "site.toml",
            "site.json",
        ):
            text = (await client.get(f"{PAGE}/{path}")).text
            assert not [one for one in ("SECRETPATH", SECRET, "Bearer K") if one in unescape(text)], path
        sent = {**await form_of(client, "people", "tamsin"), "name": "T. Orr", "kinds": ["stop", "front"]}
        assert (await client.post(f"{PAGE}/people", data=sent)).status_code == 303
        changed = people(web).person("tamsin")
        assert changed is not None
        assert (changed.name, changed.kinds) == ("T. Orr", ("stop", "front"))
        assert changed.addresses == PEOPLE.people[1].addresses
        sent = {**await form_of(client, "people", "tamsin"), "secret_1": "another secret of many"}
        assert (await client.post(f"{PAGE}/people", data=sent)).status_code == 303
        changed = people(web).person("tamsin")
        assert changed is not None
        assert (changed.addresses[0].to, changed.addresses[0].secret) == (HOOK, "another secret of many")
        hidden = ("SECRETPATH", "another secret of many", "Bearer K")
        for path in ("people", "people.json", "notices", "notices.json", "notices.csv", "access", "set-up/people"):
            answer = await client.get(f"/sites/{SITE}/{path}")
            assert answer.status_code == 200, path
            assert not [one for one in hidden if one in unescape(answer.text)], path
        with reading(web.engine) as session:
            written = repr(audit_lines(session, newest=50))
        assert not [one for one in hidden if one in written]
        assert not [one for one in hidden[1:] if one in repr(changed)]
        # whoever moves an address is not sent its secret headers
        sent = {
            **await form_of(client, "people", "tamsin"),
            "to_1": "https://other.example/x",
            "to_2": "t@site.example",
        }
        assert (await client.post(f"{PAGE}/people", data=sent)).status_code == 303
        changed = people(web).person("tamsin")
        assert changed is not None
        assert changed.addresses == (Address("webhook", "https://other.example/x"), Address("email", "t@site.example"))
        sent = {**await form_of(client, "people", "tamsin"), "drop_1": "yes", "quiet.begin": "21:00",
                "quiet.until": "05:00"}  # fmt: skip
        assert (await client.post(f"{PAGE}/people", data=sent)).status_code == 303
    changed = people(web).person("tamsin")
    assert changed is not None
    assert changed.addresses == (Address("email", "t@site.example"),)
    assert changed.quiet is not None
    assert web.planner.replanned == []  # no plan hangs on it


def test_the_file_of_people_keeps_what_it_does_not_show() -> None:
    written = write_people(PEOPLE)
    assert "SECRETPATH" not in written
    assert SECRET not in written
    assert read_people(written.encode(), "p.toml", PEOPLE) == PEOPLE
    for there in (None, NoticeSetup(PEOPLE.people[:1])):
        with pytest.raises(ValueError, match="'keep' is '[0-9a-f]{16}'"):
            read_people(written.encode(), "p.toml", there)
    moved = written.replace("keep = ", 'to = "https://other.example"\nkeep = ')
    with pytest.raises(ValueError, match="unknown key 'to'"):
        read_people(moved.encode(), "p.toml", PEOPLE)


# Files ----------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_what_is_taken_away_can_be_loaded_again(web: Web) -> None:
    with writing(web.engine) as session:
        save_setup(session, SITE, PEOPLE, now=NOW)
    before, before_people = kept(web).site, people(web)
    async with web.client() as client:
        for topic, name in (
            ("file", "site.toml"), ("people", "people.toml"), ("gas", "gas.toml"), ("procedures", "procedures.csv"),
        ):  # fmt: skip
            data = (await client.get(f"{PAGE}/{name}")).content
            answer = await client.post(f"{PAGE}/{topic}/load", files={"file": (name, data)})
            assert answer.status_code in (200, 303), words_of(answer.text)
    assert (kept(web).site, people(web)) == (before, before_people)


@pytest.mark.parametrize(
    ("topic", "data", "said"),
    [
        ("file", b"\xff\xfe", "not UTF-8"),
        ("file", b"id = ", "not readable as TOML"),
        ("file", b'id = "other"\n', "is missing"),
        ("file", b"x" * 300_000, "at most 200000"),
        ("people", b"[[person]]\nid = 3\n", "Not loaded"),
        ("gas", b'name = "x"\n', "unknown key 'name'"),
        ("gas", b"[gas]\nallowance_kpa = 9999\n", "outside 0 to 200"),
        ("procedures", b"procedure,minimum\nP,hot\n", "Nothing was taken in"),
        ("procedures", b"PK\x03\x04 no workbook", "Nothing was taken in"),
    ],
)
@pytest.mark.anyio
async def test_a_file_that_cannot_be_taken_in_changes_nothing(web: Web, topic: str, data: bytes, said: str) -> None:
    before, before_people = kept(web), people(web)
    async with web.client() as client:
        answer = await client.post(f"{PAGE}/{topic}/load", files={"file": ("f", data)})
    assert answer.status_code == 422
    assert said in words_of(answer.text)
    assert (kept(web), people(web)) == (before, before_people)
    assert web.planner.replanned == []


@pytest.mark.anyio
async def test_errors_of_a_list_stand_by_row(web: Web) -> None:
    async with web.client() as client:
        good = (await client.get(f"{PAGE}/procedures-template.csv")).content
        bad = good + b"P-1,,,,SMAW,hot,,no\r\nP-2,,2 in,1 in,,230 F,,no\r\n"
        answer = await client.post(f"{PAGE}/procedures/load", files={"file": ("p.csv", bad)})
    words = words_of(answer.text)
    assert "2 cells are wrong" in words
    assert '<th scope="row">2</th>' in answer.text
    assert '<th scope="row">3</th>' in answer.text


@pytest.mark.anyio
async def test_a_site_file_for_another_site_is_refused(web: Web) -> None:
    async with web.client() as client:
        data = (await client.get(f"{PAGE}/site.toml")).content.replace(b'"north-yard"', b'"south-yard"')
        answer = await client.post(f"{PAGE}/file/load", files={"file": ("s.toml", data)})
    assert answer.status_code == 422
    assert "'id' is 'south-yard'" in words_of(answer.text)
    with reading(web.engine) as session:
        assert [one.site.id for one in load_sites(session)] == [SITE]


# In a browser ---------------------------------------------------------------------------------------------------------


@pytest.mark.browser
def test_a_newcomer_sees_his_first_sheet_without_script(
    browser: Browser, empty: Web, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from fixtures.demo.make_pictures import served

    schedule = tmp_path / "schedule.csv"
    schedule.write_bytes(demo.demo_schedule(datetime(2026, 12, 17, 11, 30, tzinfo=UTC)))
    clicks = fields = 0
    with served(empty.app) as base:
        page = browser.new_context(base_url=base, java_script_enabled=False).new_page()
        enter(page, empty.app)
        page.get_by_role("link", name="To the sites").click()
        page.get_by_role("link", name="Set up a site").click()
        clicks += 1
        for label, text in (
            ("Name", "Kiln Bay"), ("Latitude", "46.8"), ("Longitude", "-92.1"), ("Time zone", "America/Chicago"),
        ):  # fmt: skip
            page.get_by_label(label).first.fill(text)
            fields += 1
        page.get_by_role("button", name="Make the site").click()
        assert page.url.endswith("/sites/kiln-bay/set-up")
        page.get_by_role("link", name="Load a schedule").click()
        page.get_by_label("CSV or XLSX file").set_input_files(schedule)
        fields += 1
        page.get_by_role("button", name="Show what would change").last.click()
        page.get_by_role("button", name="Save this schedule").first.click()
        clicks += 1
        page.get_by_role("link", name="To the morning sheet").click()
        clicks += 5
        assert "Kiln Bay" in page.locator("main").inner_text()
        assert page.locator(".joints").count() > 0
        page.context.close()
    with capsys.disabled():
        print(f"\nfrom an empty store to the first sheet: {clicks} clicks, {fields} fields")
    assert clicks <= 7
    assert fields <= 5


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390, 320])
def test_no_page_is_wider_than_its_screen_and_axe_finds_no_fault(
    browser: Browser, base_url: str, web: Web, width: int
) -> None:
    with writing(web.engine) as session:
        save_setup(session, SITE, PEOPLE, now=NOW)
    page = browser.new_context(base_url=base_url, viewport={"width": width, "height": 900}).new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    enter(page, web.app)
    faults, wider = [], []
    for path in ("/set-up/new", PAGE, *(f"{PAGE}/{topic}" for topic, _ in LINKS), f"{PAGE}/people?item=tamsin"):
        page.goto(path)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            wider.append(path)
        if width != 320:
            found = Axe().run(page).response["violations"]
            faults += [(path, one["id"], [node["html"] for node in one["nodes"]][:2]) for one in found]
    page.context.close()
    assert (wider, faults, said) == ([], [], [])
