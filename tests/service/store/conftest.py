"""A fresh store on each of the two databases (see `blank_url`), and an invented site with a schedule."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, time, timedelta

import pytest
from sqlalchemy import Engine

from frostshift_rules.job import Acceptance, HeatSource, Joint, Part, Procedure, Shift, Site
from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.records import ImportedJoint
from frostshift_service.store.sites import save_site

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)


@pytest.fixture
def store(blank_url: str) -> Iterator[Engine]:
    engine = open_store(blank_url)
    yield engine
    engine.dispose()


@pytest.fixture
def site() -> Site:
    return Site(
        id="ore-shed",
        name="Ore shed, row C",
        latitude=47.5,
        longitude=-91.9,
        altitude_m=430.0,
        zone="America/Chicago",
        table_id="invented-table",
        code_units="us",
        shifts=(
            Shift("day", time(6), time(16, 30), frozenset({1, 2, 3, 4, 5})),
            Shift("night", time(16, 30), time(2), frozenset({1, 3}), hands=1),
        ),
        heat_sources=(HeatSource("ring", "Ring torch", "propane", 24.0, oxygen_ratio=0.0, count=3),),
        procedures=(Procedure("P-7", 93.0, 230.0), Procedure("P-2", qualified_by_test=True)),
        acceptances=(Acceptance("invented-table", "Q. Arden", NOW.date()),),
        last_nights_low_c=-21.5,
    )


@pytest.fixture
def joint() -> Callable[..., Joint]:
    """Makes a joint of a mark; keywords replace fields."""

    def make(mark: str, **fields: object) -> Joint:
        values: dict[str, object] = {
            "place": "column line 4",
            "parts": (Part("A572-50", 38.1, 1.5), Part("A36", 20.0, sides=2, reach_mm=150.0)),
            "process": "SMAW",
            "electrode": "E7018",
            "hydrogen_ml": 4.0,
            "procedure": "P-7",
            "weld_length_mm": 450.0,
            "ends": "inside",
            "start_utc": NOW + timedelta(hours=18),
            "hours": 2.5,
            **fields,
        }
        return Joint(mark, **values)  # type: ignore[arg-type]

    return make


@pytest.fixture
def rows(joint: Callable[..., Joint]) -> Callable[..., list[ImportedJoint]]:
    """A schedule of joints of these marks; keywords replace fields of all of them."""

    def make(*marks: str, **fields: object) -> list[ImportedJoint]:
        return [ImportedJoint(joint(mark, **fields), row) for row, mark in enumerate(marks, 2)]

    return make


@pytest.fixture
def sited(store: Engine, site: Site) -> Engine:
    """The store with the site in it."""
    with writing(store) as session:
        save_site(session, site)
    return store
