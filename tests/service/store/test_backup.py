"""Backups: all rows of a store into a file and into another store, compared one by one; and what is refused."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import resource
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine, make_url, text
from tests.service.store.made_rows import COUNT, all_rows, fill
from tests.service.store.test_migrations_keep_rows import STEPS

from frostshift_rules.job import Site
from frostshift_service.store import backup_file
from frostshift_service.store.audit import write_audit
from frostshift_service.store.backup import make_backup, restore_backup
from frostshift_service.store.backup_file import BackupError, Head, open_backup, write_backup
from frostshift_service.store.engine import building, open_as_it_is, open_store, reading, writing
from frostshift_service.store.migrations.run import run_steps
from frostshift_service.store.records import StoreError
from frostshift_service.store.shapes import shapes_at
from frostshift_service.store.sites import save_site

ROOT = Path(__file__).parents[3]
NOW = datetime(2026, 1, 12, 18, 0, 0, 123_456, UTC)
BOTH = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]


@pytest.fixture
def new_store(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], str]:
    """Gives the address of an empty database of a kind."""

    def make(kind: str) -> str:
        if kind == "sqlite":
            return f"sqlite:///{(tmp_path / uuid4().hex / 'store.db').as_posix()}"
        server = make_url(request.getfixturevalue("postgres_url")).set(drivername="postgresql")
        schema = f"s{uuid4().hex}"
        with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
            connection.execute(f'CREATE SCHEMA "{schema}"')
        return server.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False)

    return make


def filled(url: str, schema: str = STEPS[-1]) -> None:
    with building(url) as connection:
        run_steps(connection, schema)
        fill(connection)


def backed_up(url: str, path: Path) -> Head:
    engine = open_as_it_is(url)
    try:
        return make_backup(engine, path, version="1.2.3", now=NOW)
    finally:
        engine.dispose()


@pytest.mark.parametrize("onto", BOTH)
@pytest.mark.parametrize("of", BOTH)
def test_every_row_comes_back(new_store: Callable[[str], str], tmp_path: Path, of: str, onto: str) -> None:
    old, new, path = new_store(of), new_store(onto), tmp_path / "a.backup"
    filled(old)
    before = all_rows(old)
    head = backed_up(old, path)
    assert (head.version, head.schema, head.made_utc, head.store) == ("1.2.3", STEPS[-1], NOW, of)
    assert set(head.rows.values()) == {COUNT}
    assert set(head.rows) == set(before) - {"alembic_version"}
    restore_backup(new, path)
    assert all_rows(new) == before
    assert all_rows(old) == before
    store = open_store(new)  # the schema is whole: numbers go on after those restored, keys are checked
    with writing(store) as session:
        write_audit(session, now=NOW, by="x", what="y")
    with reading(store) as session:
        assert session.connection().execute(text("SELECT max(id) FROM audit")).scalar_one() == 3 * (COUNT - 1) + 2
    store.dispose()
    again = tmp_path / "b.backup"
    restored = new_store(of)
    backed_up(new, again)
    restore_backup(restored, again)
    assert len(all_rows(restored)["audit"]) == COUNT + 1


@pytest.mark.parametrize("schema", [STEPS[0], STEPS[5], STEPS[10]])
def test_a_backup_of_an_older_schema_is_brought_to_the_newest(
    new_store: Callable[[str], str], store_url: str, tmp_path: Path, schema: str
) -> None:
    old, path = new_store("sqlite"), tmp_path / "a.backup"
    filled(old, schema)
    assert backed_up(old, path).schema == schema
    open_store(store_url).dispose()  # empty, but at the newest schema
    restore_backup(store_url, path)
    open_store(old).dispose()
    assert all_rows(store_url) == all_rows(old)


def damaged(path: Path, change: Callable[[bytes], bytes]) -> None:
    """Change the lines of a backup and put its checksum right."""
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    body = change(b"".join(lines[:-1]))
    end = json.dumps({"sha256": hashlib.sha256(body).hexdigest()}, separators=(",", ":")).encode() + b"\n"
    path.write_bytes(gzip.compress(body + end))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda body: body.replace(b'"schema":"0', b'"schema":"9'), "made by version 1.2.3, with schema 9.* Install"),
        (lambda body: body.replace(b'"frostshift_backup":1', b'"frostshift_backup":2'), "does not know"),
        (lambda body: body.replace(b'"site":12', b'"site":11'), "not where it has to be"),
        (lambda body: body.replace(b'"reading":12', b'"reading":13'), "reading, row 13 of 13, is none"),
        (lambda body: body.replace(b'"reading":12', b'"readings":12'), "does not hold the tables"),
        (lambda body: body.replace(b'"2025-11-03', b'"2025-13-03', 1), "column .*: expected time"),
        (lambda body: body.replace(b"[", b'["x",', 40), "damaged"),
        (lambda body: body.replace(b"AAA=", b"A*A=", 1) if b"AAA=" in body else b"[" * 100_000, "damaged"),
        (lambda body: b"[" * 100_000 + b"\n", "no backup"),
        (lambda body: b"{}\n", "no backup of Frostshift"),
        (lambda body: b"mark,place\n", "no backup"),
    ],
)
def test_a_backup_that_is_damaged_is_refused_and_nothing_is_made(
    new_store: Callable[[str], str], tmp_path: Path, change: Callable[[bytes], bytes], message: str
) -> None:
    old, new, path = new_store("sqlite"), new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    backed_up(old, path)
    damaged(path, change)
    with pytest.raises(BackupError, match=message):
        restore_backup(new, path)
    assert not Path(str(make_url(new).database)).exists()


def test_any_flipped_byte_and_any_cut_is_found(new_store: Callable[[str], str], tmp_path: Path) -> None:
    old, path = new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    backed_up(old, path)
    whole = path.read_bytes()
    body = gzip.decompress(whole)
    step = len(whole) // 40
    found = 0
    for at in range(0, len(whole), step):
        path.write_bytes(flipped := whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
        try:
            with open_backup(path) as kept:
                kept.check()
        except BackupError:
            found += 1
        else:  # a byte of gzip's own heads that means nothing
            assert gzip.decompress(flipped) == body
    assert found > 35
    for at in range(0, len(whole), step):
        path.write_bytes(whole[:at])
        with pytest.raises(BackupError), open_backup(path) as kept:
            kept.check()
    path.write_bytes(gzip.compress(body.replace(b"north line 4", b"north line 5", 1)))
    with pytest.raises(BackupError, match="checksum does not fit"), open_backup(path) as kept:
        kept.check()
    path.write_bytes(whole)
    with open_backup(path) as kept:
        kept.check()


def test_a_store_in_use_and_one_of_somebody_else_are_refused(store_url: str, tmp_path: Path, site: Site) -> None:
    store, path = open_store(store_url), tmp_path / "a.backup"
    with writing(store) as session:
        save_site(session, site)
    store.dispose()
    backed_up(store_url, path)
    before = all_rows(store_url)
    with pytest.raises(StoreError, match=r"in use: \d+ in its table (procedure|site|acceptance)"):
        restore_backup(store_url, path)
    assert all_rows(store_url) == before


def test_a_database_with_tables_of_others_is_refused(
    new_store: Callable[[str], str], store_url: str, tmp_path: Path
) -> None:
    old, path = new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    backed_up(old, path)
    raw = create_engine(store_url)
    with raw.begin() as connection:
        connection.execute(text("CREATE TABLE theirs (id INTEGER)"))
    raw.dispose()
    with pytest.raises(StoreError, match="holds the table theirs, which is not ours"):
        restore_backup(store_url, path)


@pytest.mark.postgres
@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("UPDATE audit SET detail = 'a' || char(0) || 'b' WHERE id = 4", "audit, row 2, column detail: .* NUL"),
        ("UPDATE joint SET row_no = 2147483648 WHERE mark = '0-null'", "joint, row 1, column row_no: .*2147483648"),
    ],
)
def test_what_postgresql_cannot_hold_is_named(
    new_store: Callable[[str], str], tmp_path: Path, change: str, message: str
) -> None:
    old, path = new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    raw = create_engine(old)
    with raw.begin() as connection:
        assert connection.execute(text(change.replace("'0-null'", "(SELECT min(mark) FROM joint)"))).rowcount == 1
    raw.dispose()
    backed_up(old, path)
    with pytest.raises(BackupError, match=message):
        restore_backup(new_store("postgresql"), path)
    new = new_store("sqlite")
    restore_backup(new, path)
    assert all_rows(new) == all_rows(old)


def test_a_row_that_points_at_none_is_refused(store_url: str, new_store: Callable[[str], str], tmp_path: Path) -> None:
    old, path = new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    raw = create_engine(old)
    with raw.begin() as connection:
        connection.execute(text("DELETE FROM procedure"))
        connection.execute(text("UPDATE crew_link SET site_id = 'none' WHERE id = 1"))
    raw.dispose()
    backed_up(old, path)
    with pytest.raises(StoreError, match="crew_link.*nothing was restored"):
        restore_backup(store_url, path)
    assert all_rows(store_url) == {}


def test_nothing_to_keep_and_nothing_to_replace(store_url: str, tmp_path: Path) -> None:
    with building(store_url):
        pass
    path = tmp_path / "a.backup"
    engine = open_as_it_is(store_url)
    with pytest.raises(StoreError, match="the database is empty"):
        make_backup(engine, path, version="1", now=NOW)
    engine.dispose()
    open_store(store_url).dispose()
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(StoreError, match="is there already and stays as it is"):
        backed_up(store_url, path)
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(StoreError, match="cannot be written: No such file"):
        backed_up(store_url, tmp_path / "nowhere" / "a.backup")
    with pytest.raises(StoreError, match="there is no database"):
        open_as_it_is(f"sqlite:///{(tmp_path / 'none.db').as_posix()}")
    assert sorted(one.name for one in tmp_path.iterdir() if "store" not in one.name) == ["a.backup"]


def test_somebody_elses_file_that_comes_meanwhile_stays(tmp_path: Path) -> None:
    path = tmp_path / "a.backup"

    def write() -> None:
        with backup_file.new_file(path) as file:
            file.write(b"ours")
            path.write_bytes(b"theirs")

    with pytest.raises(StoreError, match="is there already"):
        write()
    assert [one.name for one in tmp_path.iterdir()] == ["a.backup"]
    assert path.read_bytes() == b"theirs"


def test_a_backup_is_for_its_owner_alone(store_url: str, tmp_path: Path) -> None:
    open_store(store_url).dispose()
    before = os.umask(0)
    try:
        backed_up(store_url, tmp_path / "a.backup")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a.backup").stat().st_mode) == 0o600


@contextmanager
def full_disk(size: int) -> Iterator[None]:
    """No file gets larger than this: writing fails, as on a full disk."""
    at_first = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, at_first[1]))
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, at_first)
        signal.signal(signal.SIGXFSZ, ignored)


def test_a_disk_that_is_full_is_said_and_leaves_nothing(new_store: Callable[[str], str], tmp_path: Path) -> None:
    old, folder = new_store("sqlite"), tmp_path / "out"
    folder.mkdir()
    filled(old)
    engine = open_as_it_is(old)
    with full_disk(3_000), pytest.raises(StoreError, match=r"a\.backup cannot be written: .*; nothing was kept"):
        make_backup(engine, folder / "a.backup", version="1", now=NOW)
    engine.dispose()
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("size", [40_000, 300_000, 900_000])
def test_a_restore_onto_a_full_disk_is_said_and_leaves_an_empty_store(
    new_store: Callable[[str], str], tmp_path: Path, size: int
) -> None:
    """Wherever it gets to: while it makes the tables, while it writes rows, and at the end, when all is written."""
    old, new, path = new_store("sqlite"), new_store("sqlite"), tmp_path / "a.backup"
    filled(old)
    backed_up(old, path)
    with full_disk(size), pytest.raises(StoreError, match=r"^(the database|table \w+).*(disk|full|large)"):
        restore_backup(new, path)
    assert all_rows(new) == {}
    restore_backup(new, path)
    assert all_rows(new) == all_rows(old)


FLOATS = st.floats(allow_nan=False)
TIMES = st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
TEXTS = st.text(st.characters(blacklist_categories=["Cs"]))
VALUES: dict[str, st.SearchStrategy[Any]] = {
    "text": TEXTS,
    "int": st.integers(-(2**63), 2**63 - 1),
    "float": FLOATS,
    "bool": st.booleans(),
    "time": TIMES,
    "date": st.dates(),
    "bytes": st.binary(),
    "json": st.recursive(st.none() | FLOATS | TEXTS, st.lists).map(json.dumps),
}


@given(st.data())
@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_value_is_read_back_exactly(tmp_path: Path, data: st.DataObject) -> None:
    shapes = shapes_at(STEPS[-1])
    rows = {}
    for shape in shapes:
        kinds = [VALUES[one.kind] if not one.nullable else st.none() | VALUES[one.kind] for one in shape.columns]
        rows[shape.name] = data.draw(st.lists(st.tuples(*kinds), max_size=1)) if shape.name in PICKED else []
    head = Head("1", STEPS[-1], NOW, "sqlite", {name: len(found) for name, found in rows.items()})
    path = tmp_path / "any.backup"
    with path.open("wb") as raw:
        write_backup(raw, head, [(shape, rows[shape.name]) for shape in shapes])
    with open_backup(path) as kept:
        assert kept.head == head
        assert {shape.name: list(found) for shape, found in kept.tables("sqlite")} == rows


PICKED = {"site", "acceptance", "forecast", "reading", "stock_entry"}

_WRITES = """
import sys
from datetime import UTC, datetime
from sqlalchemy import create_engine, text
from frostshift_service.store.engine import open_store, writing
store = open_store(sys.argv[1])
number = 0
print("writes", flush=True)
while True:
    number += 1
    with writing(store) as session:
        for table in ("account", "crew_link", "stock_entry"):  # one after the other, in one transaction
            note = {"account": "name", "crew_link": "crew", "stock_entry": "note"}[table]
            session.connection().execute(text(f"UPDATE {table} SET {note} = :n"), {"n": f"now {number}"})
"""

_BACKS_UP = """
import sys
from datetime import UTC, datetime
from pathlib import Path
import frostshift_service.store.backup as store_backup
from frostshift_service.store.engine import open_as_it_is
what, url, path = sys.argv[1:]
def said(does):
    def first(*given):
        print("inside", flush=True)
        return does(*given)
    return first
store_backup.write_backup = said(store_backup.write_backup)
store_backup._fill = said(store_backup._fill)  # once a table
print("begins", flush=True)
if what == "backup":
    store_backup.make_backup(open_as_it_is(url), Path(path), version="1", now=datetime.now(UTC))
else:
    store_backup.restore_backup(url, Path(path))
print("done", flush=True)
"""


def process(script: str, *arguments: str) -> subprocess.Popen[str]:
    made = subprocess.Popen([sys.executable, "-c", script, *arguments], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert made.stdout is not None
    made.stdout.readline()
    return made


def test_a_backup_while_others_write_sees_one_moment(
    store_url: str, new_store: Callable[[str], str], tmp_path: Path
) -> None:
    filled(store_url)
    seen = set()
    with process(_WRITES, store_url) as writer:
        for number in range(6):
            path = tmp_path / f"{number}.backup"
            backed_up(store_url, path)
            new = new_store("sqlite")
            restore_backup(new, path)
            rows = all_rows(new)
            words = {
                *(row["name"] for row in rows["account"]),
                *(row["crew"] for row in rows["crew_link"]),
                *(row["note"] for row in rows["stock_entry"]),
            }
            if len(words) > 1:
                assert number == 0
                assert not any(word.startswith("now ") for word in words)
            seen |= words
        assert writer.poll() is None
        writer.kill()
    assert sum(word.startswith("now ") for word in seen) >= 3, "somebody did write meanwhile"


MANY = 15_000
KILLS = 3
"""Many more: `python -m tests.faults.run`."""


def _much(url: str) -> None:
    """So much that a backup and a restore take a while."""
    store = open_store(url)
    with writing(store) as session:
        rows = [{"at": "2026-01-12 18:00:00.000000+00:00", "d": os.urandom(200).hex()} for _ in range(MANY)]
        session.connection().execute(
            text("INSERT INTO audit (at_utc, \"by\", site_id, what, detail) VALUES (:at, 'x', '', 'y', :d)"), rows
        )
    store.dispose()


def _broken_off(what: str, url: str, path: Path, after_s: float | None) -> tuple[bool, float]:
    """Back up or restore, and kill it so long after the first row; whether it was not done yet, and how long it ran."""
    with process(_BACKS_UP, what, url, str(path)) as worker:
        assert worker.stdout is not None
        assert worker.stdout.readline() == "inside\n"
        began = time.monotonic()
        if after_s is not None:
            time.sleep(after_s)
            worker.kill()
        said = worker.stdout.read()
        ran_s = time.monotonic() - began
    return "done" not in said, ran_s


def test_a_kill_leaves_no_half_backup_and_no_half_store(
    store_url: str, new_store: Callable[[str], str], tmp_path: Path
) -> None:
    kind = make_url(store_url).get_backend_name()
    _much(new := new_store(kind))
    folder = tmp_path / "out"
    folder.mkdir()
    big = tmp_path / "big.backup"
    inside, length_s = _broken_off("backup", new, big, None)
    assert not inside
    inside_count = 0
    for number in range(KILLS):
        path = folder / f"{number}.backup"
        inside, _ = _broken_off("backup", new, path, length_s * number / KILLS)
        inside_count += inside
        if path.exists():
            with open_backup(path) as kept:
                kept.check()
        else:
            assert [one.name for one in folder.glob(f".{path.name}.*.part")], "it had begun to write"
    assert inside_count >= 1
    inside, length_s = _broken_off("restore", whole := new_store(kind), big, None)
    assert not inside
    assert len(all_rows(whole)["audit"]) == MANY
    inside_count = 0
    for number in range(KILLS):
        target = new_store(kind)
        inside, _ = _broken_off("restore", target, big, length_s * number / KILLS)
        inside_count += inside
        rows = all_rows(target)
        assert rows == {} or len(rows["audit"]) == MANY
    assert inside_count >= 1
