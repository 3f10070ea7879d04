from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Column, Connection, Engine, Integer, MetaData, create_engine, inspect, text

from frostshift_rules.job import Site
from frostshift_service.store import engine, joints, sites
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.migrations.run import config
from frostshift_service.store.records import ImportedJoint, StoreError
from frostshift_service.store.tables import Table

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)


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


def test_the_way_back_removes_every_table(store_url: str) -> None:
    open_store(store_url).dispose()
    raw = create_engine(store_url)
    with raw.begin() as connection:
        settings = config()
        settings.attributes["connection"] = connection
        command.downgrade(settings, "base")
    assert inspect(raw).get_table_names() == ["alembic_version"]
    raw.dispose()
