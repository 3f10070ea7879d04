"""From every schema that there was to the newest, with rows in every table; and starting while another migrates."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect, text
from tests.service.store.made_rows import COUNT, all_rows, fill

from frostshift_service.store.engine import building, open_store, reading
from frostshift_service.store.migrations.run import config, run_steps
from frostshift_service.store.records import StoreError
from frostshift_service.store.sites import load_sites

ROOT = Path(__file__).parents[3]
STEPS = sorted(step.revision for step in ScriptDirectory.from_config(config()).walk_revisions())

ADDED: dict[tuple[str, str], Any] = {
    ("site", "own_tables"): "[]",
    ("site", "gas"): "{}",
    ("site", "work"): "{}",
    ("acceptance", "fingerprint"): "",
    ("procedure", "steels"): "[]",
    ("reading", "entered_by"): "",
    ("reading", "sense"): "measured",
    ("reading", "stage"): "before_heat",
    ("reading", "point"): "",
    ("crew_link", "opens"): "page",
}
"""What rows have in columns that came after them; in others nothing, or what `_added` says."""


def _added(table: str, column: str, row: dict[str, Any], rows: dict[str, list[dict[str, Any]]]) -> Any:
    if column == "altitude_m":  # the site's, as nobody wrote down the height that was asked for
        return next(site["altitude_m"] for site in rows["site"] if site["id"] == row["site_id"])
    if (table, column) == ("reading", "entered_utc"):
        return row["at_utc"]
    return ADDED.get((table, column))


def _moved(before: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    """Rows that the steps put into other tables: links to calendars, and a turn for every site."""
    moved = {}
    if "calendar_link" in before:
        moved["crew_link"] = [
            {**link, "opens": "calendar", "made_by": "", "revoked_by": ""} for link in before["calendar_link"]
        ]
    if "site_turn" not in before:
        none = {"copy_name": "", "held_until_utc": None, "number": 0, "revision": 0}
        moved["site_turn"] = [{**none, "site_id": site["id"]} for site in before["site"]]
    return moved


def _without_keys(rows: list[dict[str, Any]], *names: str) -> list[dict[str, Any]]:
    """Sorted, without what the database gives."""
    return sorted(({key: value for key, value in row.items() if key not in names} for row in rows), key=str)


def at(url: str, schema: str) -> None:
    """A database at a schema with odd rows in every table."""
    with building(url) as connection:
        run_steps(connection, schema)
        fill(connection)


def differences(before: dict[str, list[dict[str, Any]]], after: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Tables of the newest schema that do not hold what follows from the rows of an older one."""
    before, after = ({name: rows for name, rows in of.items() if name != "alembic_version"} for of in (before, after))
    moved = _moved(before)
    lacking = [name for name in before if name not in after and name != "calendar_link"]
    return lacking + [name for name, found in after.items() if not _follows(name, found, before, moved)]


def _follows(
    name: str,
    found: list[dict[str, Any]],
    before: dict[str, list[dict[str, Any]]],
    moved: dict[str, list[dict[str, Any]]],
) -> bool:
    rows = found
    if name in moved:
        held = {str(row["id"]) for row in before.get(name, []) if "id" in row}
        new = [row for row in found if name not in before or str(row["id"]) not in held]
        gives = ("id", "due_utc")
        columns = set(found[0]) if found else set()
        expected = [{key: value for key, value in row.items() if key in columns} for row in moved[name]]
        if _without_keys(new, *gives) != _without_keys(expected, *gives):
            return False
        rows = [row for row in found if row not in new]
    if name not in before:
        return rows == []
    return len(rows) == len(before[name]) and rows == [
        {column: row[column] if column in row else _added(name, column, row, before) for column in rows[0]}
        for row in before[name]
        if set(row) <= set(rows[0])
    ]


@pytest.mark.parametrize("schema", STEPS)
def test_every_row_of_every_schema_comes_through(store_url: str, schema: str) -> None:
    at(store_url, schema)
    before = all_rows(store_url)
    assert all(len(rows) == COUNT for name, rows in before.items() if name != "alembic_version")
    open_store(store_url).dispose()
    after = all_rows(store_url)
    assert after["alembic_version"] == [{"version_num": STEPS[-1]}]
    assert differences(before, after) == []
    for name in before:
        if name in after and name != "alembic_version":  # and a row that is not there would be seen
            assert name in differences(before, {**after, name: after[name][1:]})


def test_a_row_that_is_lost_would_be_found(tmp_path: Path) -> None:
    url = f"sqlite:///{(tmp_path / 'store.db').as_posix()}"
    at(url, STEPS[0])
    before = all_rows(url)
    with building(url) as connection:
        connection.execute(text("UPDATE reading SET note = note || '!' WHERE id = 4"))
    after = all_rows(url)
    assert [name for name in before if before[name] != after[name]] == ["reading"]


@pytest.mark.parametrize("schema", STEPS[-1:])
def test_a_newer_schema_is_refused_in_a_sentence(store_url: str, schema: str) -> None:
    at(store_url, schema)
    with building(store_url) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    before = all_rows(store_url)
    with pytest.raises(StoreError, match=r"^the database has schema 9999, .* written by a newer version\. Install "):
        open_store(store_url)
    assert all_rows(store_url) == before


_STARTS = """
import sys
from frostshift_service.store import engine
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.sites import load_sites
engine.BUSY_TIMEOUT_MS = 500
print("starts", flush=True)
store = open_store(sys.argv[1])
with reading(store) as session:
    print(len(load_sites(session)), flush=True)
"""

_MIGRATES = """
import sys, time
from sqlalchemy import text
from frostshift_service.store.engine import building
from frostshift_service.store.migrations.run import hold_schema, upgrade_to_head
with building(sys.argv[1]) as connection:
    hold_schema(connection)
    print("holds", flush=True)
    sys.stdin.readline()
    upgrade_to_head(connection)
print("done", flush=True)
"""


def _process(script: str, url: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", script, url], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("dies", [False, True])
def test_a_copy_that_starts_while_another_migrates_waits_and_then_serves(store_url: str, dies: bool) -> None:
    """Two processes; the one that waits does so longer than writers of SQLite usually do, and works where one dies."""
    with building(store_url) as connection:
        run_steps(connection, STEPS[0])
    with ExitStack() as both:
        first = both.enter_context(_process(_MIGRATES, store_url))
        assert first.stdin is not None
        assert first.stdout is not None
        assert first.stdout.readline() == "holds\n"
        second = both.enter_context(_process(_STARTS, store_url))
        assert second.stdout is not None
        assert second.stdout.readline() == "starts\n"
        time.sleep(2)
        assert second.poll() is None
        if dies:
            first.kill()
        else:
            first.stdin.write("go\n")
            first.stdin.flush()
            assert first.stdout.readline() == "done\n"
        assert second.stdout.readline() == "0\n"
        assert second.wait(timeout=60) == 0
    raw = create_engine(store_url)
    assert "schedule_draft" in inspect(raw).get_table_names()
    raw.dispose()
    store = open_store(store_url)
    with reading(store) as session:
        assert load_sites(session) == []
    store.dispose()
