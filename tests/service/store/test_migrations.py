import json
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from importlib import resources
from pathlib import Path
from typing import Any
from zlib import compress

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Engine,
    Integer,
    LargeBinary,
    MetaData,
    create_engine,
    inspect,
    text,
)
from sqlalchemy import Table as PlainTable
from sqlalchemy.types import TypeEngine

from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.job import Procedure, Reading, Site
from frostshift_service.store import crew_links, engine, forecasts, joints, plans, sites
from frostshift_service.store.accounts import digest_of
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.migrations.run import config
from frostshift_service.store.readings import add_reading, readings_of
from frostshift_service.store.records import ImportedJoint, KeptReading, StoreError
from frostshift_service.store.tables import Table

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
FIXTURES = Path(__file__).parents[3] / "fixtures" / "store"


def differences(store: Engine, metadata: MetaData) -> list[object]:
    with store.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        found: list[object] = compare_metadata(context, metadata)
    return found


def test_the_steps_lead_to_the_tables(store: Engine) -> None:
    assert differences(store, Table.metadata) == []


def test_a_table_without_its_step_would_be_found(store: Engine) -> None:
    changed = MetaData(naming_convention=Table.metadata.naming_convention)
    for table in Table.metadata.sorted_tables:
        table.to_metadata(changed)
    changed.tables["joint"].append_column(Column("tier", Integer))
    ((what, _schema, table_name, column),) = differences(store, changed)  # type: ignore[misc]
    assert (what, table_name, column.name) == ("add_column", "joint", "tier")  # type: ignore[has-type]


def test_the_steps_are_one_line() -> None:
    assert len(ScriptDirectory.from_config(config()).get_heads()) == 1


def test_the_steps_ship_with_the_package() -> None:
    folder = resources.files("frostshift_service.store").joinpath("migrations")
    assert folder.joinpath("script.py.mako").is_file()
    assert folder.joinpath("versions", "0001_first_schema.py").is_file()
    assert folder.joinpath("versions", "0002_own_tables.py").is_file()
    assert folder.joinpath("versions", "0004_thermometer.py").is_file()
    assert folder.joinpath("versions", "0005_alerts_and_observed.py").is_file()
    assert folder.joinpath("versions", "0006_history.py").is_file()
    for name in (
        "0007_stock",
        "0008_altitude",
        "0009_file_service",
        "0010_gas_setup",
        "0011_notices",
        "0012_accounts",
        "0013_readings",
        "0014_schedule_drafts",
        "0015_predictions",
        "0016_crew_links",
        "0017_turns",
        "0018_work_setup",
        "0019_order_runs",
    ):
        assert folder.joinpath("versions", f"{name}.py").is_file()


def test_opening_again_keeps_what_is_there(store_url: str, site: Site) -> None:
    for revision in (1, 2):
        store = open_store(store_url)
        with writing(store) as session:
            assert sites.save_site(session, site) == revision
        store.dispose()


def test_a_newer_schema_is_refused_and_left_alone(store_url: str) -> None:
    store = open_store(store_url)
    with writing(store) as session:
        session.connection().execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StoreError, match="schema 9999, which this version does not know: .* newer version"):
        open_store(store_url)
    with reading(store) as session:
        assert session.connection().execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "9999"
    store.dispose()


def test_starts_at_once_do_not_collide(store_url: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(open_store, [store_url] * 4))
    with reading(stores[0]) as session:
        assert sites.load_sites(session) == []
    for store in stores:
        store.dispose()


def test_a_step_that_fails_leaves_nothing(store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(settings: object, target: str) -> None:
        upgrade(settings, target)
        raise ZeroDivisionError

    upgrade = command.upgrade
    monkeypatch.setattr(command, "upgrade", fail)
    with pytest.raises(ZeroDivisionError):
        open_store(store_url)
    monkeypatch.undo()
    raw = create_engine(store_url)
    assert inspect(raw).get_table_names() == []
    raw.dispose()
    open_store(store_url).dispose()


def test_old_readings_are_figures_of_cold_steel(store_url: str) -> None:
    """What was written down before readings had a stage was measured before any heat, and written down at once."""
    rows = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))
    at = "2026-01-12T17:30:00"
    rows["reading"] = [
        {"id": 1000, "site_id": "ore-shed", "mark": "A-1", "steel_c": -7.5, "at_utc": at, "instrument": "probe",
         "by": "R. Moss", "note": "north flange"}
    ]  # fmt: skip
    at_schema(store_url, "0001", rows)
    store = open_store(store_url)
    at_utc = datetime.fromisoformat(at).replace(tzinfo=UTC)
    with reading(store) as session:
        assert readings_of(session, "ore-shed") == [
            KeptReading(Reading("A-1", -7.5, at_utc, "probe", "R. Moss"), "north flange", at_utc, id=1000)
        ]
    with writing(store) as session:
        add_reading(session, "ore-shed", Reading("A-1", 110.0, NOW, stage="before_arc"), now=NOW, entry_key="key-one-1")
    store.dispose()
    store = create_engine(store_url)  # SQLite rebuilds tables that others point at, so without its foreign keys
    with store.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.downgrade(settings, "0011")
        left = connection.execute(text("SELECT steel_c, note FROM reading")).all()
    store.dispose()
    assert [tuple(row) for row in left] == [(-7.5, "north flange")]  # the heated one would be taken for cold steel


def test_rebuilding_a_parent_table_keeps_its_children(
    tmp_path: Path, site: Site, rows: Callable[..., list[ImportedJoint]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite changes a column by rebuilding the table; here the one that everything else points at."""

    def rebuild(connection: Connection) -> None:
        with Operations(MigrationContext.configure(connection)).batch_alter_table("site", recreate="always") as batch:
            batch.alter_column("name", nullable=True)

    url = f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    store = open_store(url)
    with writing(store) as session:
        sites.save_site(session, site)
        joints.import_joints(session, site.id, rows("A1"), now=NOW, file_name="x.csv", by="")
    store.dispose()
    monkeypatch.setattr(engine, "upgrade_to_head", rebuild)
    store = open_store(url)
    with reading(store) as session:
        assert [joint.mark for joint in joints.joints_of(session, site.id)] == ["A1"]
        assert sites.load_site(session, site.id).site == site
    (((what, *_),),) = differences(store, Table.metadata)  # type: ignore[misc]
    assert what == "modify_nullable"  # type: ignore[has-type]
    store.dispose()


def as_stored(kind: TypeEngine[Any], value: Any) -> Any:
    """A value of a file of rows as the database takes it."""
    if value is None:
        return None
    if isinstance(kind, Boolean):
        return bool(value)
    if isinstance(kind, DateTime):
        return datetime.fromisoformat(value).replace(tzinfo=UTC)
    if isinstance(kind, Date):
        return date.fromisoformat(value)
    return compress(json.dumps(value).encode()) if isinstance(kind, LargeBinary) else value


def at_schema(url: str, revision: str, rows: dict[str, list[dict[str, Any]]], past_ids: Sequence[str] = ()) -> None:
    """A database at an older schema with `rows` in it, table by table; in `past_ids` the next id follows theirs."""
    raw = create_engine(url)
    with raw.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.upgrade(settings, revision)
        for name, lines in rows.items():
            table = PlainTable(name, MetaData(), autoload_with=connection)
            for line in lines:
                assert set(line) == set(table.c.keys()), "the file holds every column of that schema"
                values = {key: as_stored(table.c[key].type, value) for key, value in line.items()}
                connection.execute(table.insert().values(values))
        if connection.dialect.name == "postgresql":  # SQLite goes by the ids that are there
            for name in past_ids:
                connection.execute(text(f"SELECT setval('{name}_id_seq', (SELECT MAX(id) FROM {name}))"))
    raw.dispose()


def test_what_the_first_version_wrote_is_read_after_the_update(store_url: str) -> None:
    """Rows as the version before `own_tables` wrote them: a site, its procedures, a joint and a plan with heat."""
    rows = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))
    at_schema(store_url, "0001", rows)
    store = open_store(store_url)
    with reading(store) as session:
        kept = sites.load_site(session, "ore-shed")
        (joint,) = joints.joints_of(session, "ore-shed")
        plan = plans.last_plan(session, "ore-shed")
        assert plan is not None
        inputs = plans.inputs_of(session, plan.id)
    assert kept.site.own_tables == ()
    assert kept.site.gas == inputs.site.gas == GasSetup()
    assert kept.site.procedures == (Procedure("P-7", 93.0, 230.0, qualified_by_test=True), Procedure("P-2", 66.0))
    assert [one.accepted_by for one in kept.site.acceptances] == ["Q. Arden"]
    assert (joint.mark, joint.process, [part.steel for part in joint.parts]) == ("A-1", "SMAW", ["A572-50", "A36"])
    assert (joint.heat_input_kj_mm, joint.restraint, joint.weld_metal, joint.passes) == (None, None, None, None)
    assert joint.fracture_critical is False
    assert [part.composition for part in joint.parts] == [None, None]
    assert (inputs.site, inputs.joints) == (kept.site, (joint,))
    (planned,) = plan.plan.joints
    assert (planned.joint, planned.call) == (joint, "heat_to_minimum")
    assert planned.heat is not None
    with writing(store) as session:
        assert sites.save_site(session, kept.site, show_units=kept.show_units, feed=kept.feed) == kept.revision + 1
    with reading(store) as session:
        assert sites.load_site(session, "ore-shed").site == kept.site
    store.dispose()


@pytest.mark.parametrize(
    ("feed", "credit", "service"),
    [
        ("file", "Forecast data: US National Weather Service (public domain).", "nws"),
        ("file", "Based on data from MET Norway, CC BY 4.0", "met_norway"),
        ("file", "Weather data by Open-Meteo, CC BY 4.0", "open_meteo"),
        ("file", "Invented weather office", None),
        ("nws", "Forecast data: US National Weather Service (public domain).", None),
    ],
)
def test_a_forecast_from_a_file_gets_its_service(store_url: str, feed: str, credit: str, service: str | None) -> None:
    (site,) = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))["site"]
    site |= {"own_tables": [], "instead": None}
    place = {"site_id": site["id"], "latitude": site["latitude"], "longitude": site["longitude"]}
    row = PLACED["forecast"] | place | {"feed": feed, "attribution": credit}
    at_schema(store_url, "0006", {"site": [site], "forecast": [row]})
    store = open_store(store_url)
    with reading(store) as session:
        last = forecasts.last_forecast_times(session, site["id"], feed)
    assert last is not None
    assert last[3] == service
    store.dispose()


PLACED: dict[str, dict[str, Any]] = {
    "forecast": {
        "id": 1,
        "feed": "nws",
        "issued_utc": None,
        "fetched_utc": "2026-01-12T18:00:00",
        "payload": {},
        "first_hour_utc": "2026-01-12T18:00:00",
        "last_hour_utc": "2026-01-12T19:00:00",
        "hours": {},
        "attribution": "Invented weather office",
        "warnings": [],
        "quality": {},
    },
    "forecast_history": {
        "feed": "nws",
        "fetched_utc": "2026-01-12T18:00:00",
        "first_hour_utc": "2026-01-12T18:00:00",
        "last_hour_utc": "2026-01-12T19:00:00",
        "series": {},
    },
    "observed_hours": {
        "station": "XONE",
        "title": "Invented field",
        "distance_km": 3.0,
        "height_m": 4.0,
        "fetched_utc": "2026-01-12T18:00:00",
        "hours": {},
    },
}
"""Rows for the place of a site as schema 0006 has them, without the site."""


@pytest.mark.parametrize("altitude_m", [431.5, None])
def test_what_was_kept_for_a_place_gets_the_sites_height(store_url: str, altitude_m: float | None) -> None:
    (site,) = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))["site"]
    site |= {"altitude_m": altitude_m, "own_tables": [], "instead": None}
    place = {"site_id": site["id"], "latitude": site["latitude"], "longitude": site["longitude"]}
    at_schema(store_url, "0006", {"site": [site], **{name: [row | place] for name, row in PLACED.items()}})
    store = open_store(store_url)
    with reading(store) as session:
        for name in PLACED:
            kept = session.connection().execute(text(f"SELECT altitude_m FROM {name}")).scalar_one()
            assert kept == altitude_m, name
        assert forecasts.last_forecast_times(session, site["id"], "nws") is not None
    store.dispose()


def test_links_of_two_tables_become_those_of_one(store_url: str) -> None:
    """Pages and calendars of schema 0014: every secret opens what it opened, and goes back where it came from."""
    (site,) = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))["site"]
    site |= {"own_tables": [], "instead": None, "gas": {}}
    at, ended = "2026-01-12T17:30:00", "2026-01-12T17:45:00"
    of = {"site_id": site["id"], "made_utc": at}
    pages = [
        {"id": 2, "crew": "north", "digest": digest_of("page"), "revoked_utc": None, "revoked_by": ""},
        {"id": 5, "crew": "", "digest": digest_of("old"), "revoked_utc": ended, "revoked_by": "S. Reed"},
    ]
    calendars = [
        {"id": 2, "crew": "south", "digest": digest_of("calendar"), "revoked_utc": None},
        {"id": 3, "crew": "", "digest": digest_of("gone"), "revoked_utc": ended},
    ]
    rows = {
        "site": [site],
        "crew_link": [of | {"made_by": "R. Moss"} | one for one in pages],
        "calendar_link": [of | one for one in calendars],
    }
    at_schema(store_url, "0014", rows, past_ids=["crew_link", "calendar_link"])
    store = open_store(store_url)
    with writing(store) as session:
        found = crew_links.crew_of(session, "page", "page")
        assert found is not None
        assert (found.id, found.crew, found.made_by) == (2, "north", "R. Moss")
        found = crew_links.crew_of(session, "calendar", "calendar")
        assert found is not None
        at_utc = datetime.fromisoformat(at).replace(tzinfo=UTC)
        assert (found.site_id, found.crew, found.made_utc, found.made_by) == (site["id"], "south", at_utc, "")
        for opens, secret in (("page", "calendar"), ("calendar", "page"), ("page", "old"), ("calendar", "gone")):
            assert crew_links.crew_of(session, opens, secret) is None, (opens, secret)
        (ended_page,) = crew_links.crew_links_of(session, site["id"], "page")[1:]
        assert (ended_page.revoked_utc, ended_page.revoked_by) == (
            datetime.fromisoformat(ended).replace(tzinfo=UTC),
            "S. Reed",
        )
        assert [one.crew for one in crew_links.crew_links_of(session, site["id"], "calendar")] == ["south", ""]
        crew_links.new_crew_token(session, site["id"], "calendar", "north", now=NOW, by="")
    store.dispose()
    raw = create_engine(store_url)
    with raw.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.downgrade(settings, "0014")
        for name, count in (("crew_link", 2), ("calendar_link", 3)):
            kept = connection.execute(text(f"SELECT crew, digest FROM {name} ORDER BY id")).all()
            assert [tuple(row) for row in kept][:2] == [(one["crew"], one["digest"]) for one in rows[name]]
            assert len(kept) == count
    raw.dispose()


def test_one_step_back_and_forth_keeps_the_rows(store_url: str) -> None:
    rows = json.loads((FIXTURES / "schema_0001.json").read_text(encoding="utf-8"))
    at_schema(store_url, "0001", rows)
    open_store(store_url).dispose()
    raw = create_engine(store_url)
    with raw.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.downgrade(settings, "0001")
        for name in ("site", "procedure"):
            assert set(PlainTable(name, MetaData(), autoload_with=connection).c.keys()) == set(rows[name][0])
    raw.dispose()
    store = open_store(store_url)
    assert differences(store, Table.metadata) == []
    defaults = {
        (table, column["name"]): column["default"]
        for table in ("site", "procedure")
        for column in inspect(store).get_columns(table)
        if column["name"] in ("own_tables", "steels", "gas", "work")
    }
    assert set(defaults) >= {("site", "own_tables"), ("site", "gas"), ("site", "work"), ("procedure", "steels")}
    assert set(defaults.values()) == {None}, "the default was for the rows that were there"
    with reading(store) as session:
        assert len(sites.load_site(session, "ore-shed").site.procedures) == 2
    store.dispose()


def test_the_way_back_removes_every_table(store_url: str) -> None:
    open_store(store_url).dispose()
    raw = create_engine(store_url)
    with raw.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.downgrade(settings, "base")
    assert inspect(raw).get_table_names() == ["alembic_version"]
    raw.dispose()
