"""Readings in the store: once by their key, and only those of cold steel count as a change to the site."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine

from frostshift_rules.job import Reading, Site
from frostshift_rules.reading_check import Asked
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.readings import EntryKeyTaken, add_reading, readings_of
from frostshift_service.store.records import ImportedJoint, KeptReading
from frostshift_service.store.sites import load_site, save_site

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
HEATED = Reading("A1", 110.0, NOW, "contact thermometer", "R. Moss", "between_passes", "measured", 3, "part 1")
KEY = "kQ3vB7xw91pL"


@pytest.fixture
def filled(store: Engine, site: Site, rows: Callable[..., list[ImportedJoint]]) -> Engine:
    with writing(store) as session:
        save_site(session, site)
        import_joints(session, site.id, rows("A1", "A2"), now=NOW, file_name="x.csv", by="")
    return store


def revision(store: Engine) -> int:
    with reading(store) as session:
        return load_site(session, "ore-shed").revision


def keep(store: Engine, one: Reading, key: str | None = None, **more: object) -> KeptReading:
    with writing(store) as session:
        return add_reading(session, "ore-shed", one, now=NOW, entry_key=key, **more)  # type: ignore[arg-type]


def test_everything_of_a_reading_comes_back(filled: Engine) -> None:
    asked = Asked(65.5, None, 230.0)
    kept = keep(filled, HEATED, KEY, note="windy", entered_by="link of crew north", asked=asked)
    assert kept == KeptReading(HEATED, "windy", NOW, "link of crew north", KEY, asked, kept.id)
    with reading(filled) as session:
        assert readings_of(session, "ore-shed") == [kept]


def test_sent_again_it_is_the_one_that_is_there(filled: Engine) -> None:
    first = keep(filled, HEATED, KEY)
    again = keep(filled, replace(HEATED, at_utc=NOW + timedelta(seconds=2)), KEY, note="other")
    assert again == first
    with pytest.raises(EntryKeyTaken, match=f"entry_key {KEY} is that of another reading, on A1"):
        keep(filled, replace(HEATED, steel_c=90.0), KEY)
    keep(filled, HEATED)
    keep(filled, HEATED)  # without a key each is its own
    with reading(filled) as session:
        assert len(readings_of(session, "ore-shed")) == 3
        assert [one.id for one in readings_of(session, "ore-shed", newest=2)] == [first.id + 1, first.id + 2]


def test_eight_senders_of_the_same_make_one(filled: Engine) -> None:
    with ThreadPoolExecutor(8) as pool:
        ids = {one.id for one in pool.map(lambda _: keep(filled, HEATED, KEY), range(8))}
    assert len(ids) == 1


@pytest.mark.parametrize(
    ("one", "counts"),
    [
        (Reading("A1", -5.0, NOW), True),
        (HEATED, False),
        (replace(HEATED, stage="before_arc", pass_no=None), False),
        (Reading("A1", 40.0, NOW, sense="below"), False),
    ],
)
def test_only_cold_steel_makes_a_new_plan(filled: Engine, one: Reading, counts: bool) -> None:
    before = revision(filled)
    keep(filled, one)
    assert revision(filled) == before + counts
