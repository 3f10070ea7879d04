"""kill -9 at random moments over every step that writes: nothing half, nothing lost; and the look itself can fail.

`python -m tests.faults.run 500` does it five hundred times.
"""

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, text
from tests.faults.invariants import (
    Unpacked,
    Vouched,
    bad_backups,
    half_imports,
    half_migration,
    half_readings,
    half_restore,
    orphans,
)
from tests.faults.made import (
    ORDERED,
    ORDERED_UTC,
    READ_AT,
    SCHEDULED,
    TOGETHER,
    act_of,
    entry_keys,
    old_store,
    planned_rows,
    prepare_order,
    reading_of,
    schedule_of,
    target_of,
)
from tests.faults.orders import half_orders, half_takings
from tests.faults.run import NAMES, kill_all_over, running_on
from tests.notices.made import notice
from tests.service.store.made_rows import all_rows
from tests.service.store.test_migrations_keep_rows import STEPS
from tests.service.weather_site import NOW
from tests.weather_services.week import START, site_of

from frostshift_rules.notice_events import Told
from frostshift_rules.reading_check import Asked
from frostshift_service.jobs import Jobs
from frostshift_service.order_pages import take_moves
from frostshift_service.rights import Actor
from frostshift_service.store import joints, notices
from frostshift_service.store.backup import make_backup, restore_backup
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.readings import add_reading
from frostshift_service.store.records import NewNotice, Recipient
from frostshift_service.store.schedule_acts import write_edits
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import Table
from frostshift_service.views.desk import Desk

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="workers are forked, and SIGKILL is of POSIX")

TURNS, KILLS = 2, 2 * len(NAMES)


def test_kills_in_every_step(store_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with running_on(store_url, tmp_path, seed=4, turns=TURNS) as run:
        found = kill_all_over(run, KILLS)
    assert run.all_offences == []
    assert {step: row.kills for step, row in run.rows.items()} == dict.fromkeys(NAMES, KILLS // len(NAMES))
    assert sum(row.inside for row in run.rows.values()) >= 1, "some hit a step"
    assert all(row.acknowledged >= TURNS for row in run.rows.values())
    assert found.arrived == found.deliveries + found.duplicates


@pytest.fixture
def filled(blank_url: str) -> Iterator[Engine]:
    """A store with something of everything that is looked at."""
    engine = open_store(blank_url)
    with writing(engine) as session:
        for name in (READ_AT, SCHEDULED):
            save_site(session, site_of(name))
        joints.import_joints(session, READ_AT, planned_rows(), now=START, file_name="week.csv", by="")
        for number in (1, 2):
            rows = schedule_of(number)
            joints.import_joints(session, SCHEDULED, rows, now=START, file_name=f"s{number}.csv", by="")
        edits = act_of(3, joints.kept_joints(session, SCHEDULED))
        write_edits(session, SCHEDULED, edits, now=START, by="a3", text="a3")
        key, asked = entry_keys(5)[0], Asked(10.0, 10.0, None)
        add_reading(session, READ_AT, reading_of(key, START), now=START, entry_key=key, asked=asked)
        new = NewNotice(notice(), (Recipient("rowan", NOW, ("email:rowan@site.example",)),))
        notices.add_notices(session, READ_AT, [new], plan_id=None, now=NOW)
    yield engine
    engine.dispose()


def look(engine: Engine) -> list[str]:
    with reading(engine) as session:
        return [
            *orphans(session),
            *half_imports(session),
            *half_readings(session),
            *Unpacked().unreadable(session),
        ]


def spoil(engine: Engine, *statements: str) -> None:
    """Write past everything that guards the store, the database's own keys included."""
    raw = create_engine(engine.url)  # on SQLite without its foreign keys
    with raw.begin() as connection:
        if raw.dialect.name == "postgresql":
            for table in Table.metadata.sorted_tables:
                for key in table.foreign_key_constraints:
                    connection.execute(text(f'ALTER TABLE "{table.name}" DROP CONSTRAINT "{key.name}"'))
        for statement in statements:
            assert connection.execute(text(statement)).rowcount >= 1, statement
    raw.dispose()


FIRST = f"(SELECT min(id) FROM schedule_import WHERE site_id = '{SCHEDULED}')"


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM joint WHERE mark = 'C-7'", "orphan: reading .* points at no joint"),
        ("DELETE FROM site_turn", "orphan: site ore-shed has no turns"),
        ("DELETE FROM notice", "orphan: notice_delivery .* points at no notice"),
        ("DELETE FROM notice_recipient", "orphan: notice_delivery 1 goes to nobody"),
        ("UPDATE notice_delivery SET site_id = 'river-bridge'", "orphan: notice_delivery .* of another site"),
        ("UPDATE schedule_import SET added = '[\"X-1\"]' WHERE site_id = 'ore-shed'", "names no joint X-1"),
        ("INSERT INTO audit (at_utc, by, site_id, what, detail) VALUES ('2026-01-12 18:00:00+00', '', 'x', '', '')",
         "orphan: audit names no site x"),
        # Halves of an import: half of the joints, one joint, one that is left, its record, and that of a change.
        (f"UPDATE joint SET crew = 's1', import_id = {FIRST} WHERE crew = 's2' AND mark < 'D-150'",
         "half import: joints D-"),
        (f"UPDATE joint SET import_id = {FIRST} WHERE mark = (SELECT min(mark) FROM joint WHERE crew = 's2')",
         "half import: joints D-"),
        ("UPDATE joint SET present = (1 = 1) WHERE crew = 's1'", "half import: the joints present are not those"),
        ("DELETE FROM joint WHERE mark = (SELECT max(mark) FROM joint WHERE crew = 's2')",
         "half import: 3.. joints, 3"),
        ("UPDATE schedule_import SET joints = 299 WHERE file_name = 's2.csv'", "half import: schedule s2 .*joints"),
        ("UPDATE schedule_import SET vanished = '[]' WHERE file_name = 's2.csv'",
         "half import: schedule s2 .*vanished"),
        ("DELETE FROM schedule_act", "half import: joints were changed by a3, and there is no such"),
        ("DELETE FROM joint_change WHERE id = (SELECT min(id) FROM joint_change)", "half import: change a3 is not in"),
        ("UPDATE reading SET steel_c = 1.5", "half reading: reading-000005-0 is not what was posted"),
        ("UPDATE reading SET asked = NULL", "half reading: reading-000005-0 is not what was posted"),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_named(filled: Engine, statement: str, said: str) -> None:
    assert look(filled) == []
    spoil(filled, statement)
    found = look(filled)
    assert [text for text in found if re.search(said, text)], found


@pytest.fixture(scope="module")
def ordered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two orders of work that ended; two moves of the first were taken."""
    folder = tmp_path_factory.mktemp("ordered")
    engine = open_store(f"sqlite:///{(folder / 'store.db').as_posix()}")
    prepare_order(engine, folder)
    jobs = Jobs(engine, lambda: ORDERED_UTC, get=None, jitter=lambda: 0.0)
    for number in (1, 2):
        assert jobs.begin_order(ORDERED, f"order {number}") == number
        jobs.orders.wait()
    desk = Desk(engine, jobs, lambda: ORDERED_UTC, Actor("take 1 of 1", owner=True))
    assert take_moves(desk, ORDERED, 1, list(TOGETHER)).status_code == 303
    engine.dispose()
    return folder / "store.db"


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        # An order of work: a state that does not go with the rest, an answer that is not there or not of this run.
        ("UPDATE order_run SET state = 'failed', ended_utc = NULL WHERE id = 1", "order of work: 1 is failed"),
        ("UPDATE order_run SET state = 'running', ended_utc = NULL WHERE id = 1", "1 still runs beside a newer one"),
        ("UPDATE order_run SET ended_utc = NULL WHERE id = 2", "order of work: 2 is ended, and ended at None"),
        ("UPDATE order_run SET state = 'running' WHERE id = 2", "order of work: 2 is running, and ended at 2026"),
        ("UPDATE order_run SET advice = NULL WHERE id = 2", "order of work: 2 ended without its last answer"),
        ("UPDATE order_run SET advice = substr(advice, 1, 900) WHERE id = 2", "order of work: 2 cannot be read"),
        ("UPDATE order_run SET forecast_id = 99 WHERE id = 2", "order of work: 2 is made from no forecast 99"),
        ("UPDATE order_run SET forecast_id = NULL WHERE id = 2", "2 has an answer, and says nothing of what"),
        ("UPDATE order_run SET asked_utc = '2026-01-14 12:31:00.000000' WHERE id = 2", "2 was asked for at"),
        # A taking: each of the places it is written to without it.
        ("UPDATE order_run SET taken = '[]' WHERE id = 1", "taking: change 1 is not noted in order of work 1"),
        ("UPDATE order_run SET taken = replace(taken, 'GP-04', 'GP-01') WHERE id = 1", "taking: change 1 is not what"),
        ("DELETE FROM audit WHERE what = 'order of work'", "taking: change 1 is not in the log of changes"),
        ("DELETE FROM joint_change WHERE mark = 'GP-04'", "taking: change 1 is not in the record of each"),
        ("UPDATE joint SET start_utc = schedule_start_utc WHERE mark = 'GP-04'", "taking: joints GP-04 stand neither"),
        ("DELETE FROM schedule_act", "taking: order of work 1 notes change 1, and there is none"),
        ("DELETE FROM schedule_act", "taking: the log has one by take 1 of 1, and there is no such"),
        ("DELETE FROM schedule_act", "taking: joints were changed by take 1 of 1, and there is no such"),
        ("DELETE FROM schedule_act", "taking: joints BP-A4, GP-04 stand neither"),
    ],
)
def test_half_orders_of_work_and_half_takings_are_named(
    ordered: Path, tmp_path: Path, statement: str, said: str
) -> None:
    shutil.copy(ordered, tmp_path / "store.db")
    engine = open_store(f"sqlite:///{(tmp_path / 'store.db').as_posix()}")
    with reading(engine) as session:
        assert half_orders(session) + half_takings(session) == []
    spoil(engine, statement)
    with reading(engine) as session:
        found = half_orders(session) + half_takings(session)
    engine.dispose()
    assert [text for text in found if re.search(said, text)], found


@pytest.mark.parametrize(("table", "column"), [("notice", "notice"), ("notice_told", "told")])
def test_what_cannot_be_unpacked_is_named(filled: Engine, table: str, column: str) -> None:
    with writing(filled) as session:
        notices.save_told(session, READ_AT, Told(), plan_made_utc=None)
    assert look(filled) == []
    of = Table.metadata.tables[table]
    with filled.begin() as connection:
        whole = connection.execute(of.select()).one()._mapping[column]
        connection.execute(of.update().values({column: bytes(whole)[: len(whole) // 2]}))
    assert [text for text in look(filled) if "cannot be read" in text]


def test_what_was_acknowledged_and_is_gone_is_named(filled: Engine) -> None:
    vouched = Vouched()
    vouched.add("schedule", "import", 2, {})
    vouched.add("schedule", "act", 3, {})
    vouched.add("readings", "warm", 5, {"kept": entry_keys(5)[:1]})
    vouched.add("deliver", "deliver", 1, {"notices": [1]})
    with reading(filled) as session:
        assert vouched.lost(session) == []
    statements = ("schedule_import", "schedule_act", "reading", "notice")
    spoil(filled, *(f"DELETE FROM {table}" for table in statements))
    vouched.add("pull", "", 1, {"forecast": 1})
    vouched.add("plan", "", 1, {"plan": 1})
    vouched.add("order", "order", 1, {"order": 1})
    vouched.add("take", "page", 1, {"taking": 1})
    with reading(filled) as session:
        assert [text.partition(" was ")[0] for text in vouched.lost(session)] == [
            "lost: import s2.csv",
            "lost: change of joints a3",
            "lost: reading reading-000005-0",
            "lost: notice 1",
            "lost: forecast 1",
            "lost: plan 1",
            "lost: order of work 1",
            "lost: taking of moves 1",
        ]


def test_a_backup_that_is_cut_off_and_a_restore_that_is_half_done_are_named(
    filled: Engine, blank_url: str, tmp_path: Path
) -> None:
    path = tmp_path / "1.backup"
    head = make_backup(filled, path, version="1", now=NOW)
    assert bad_backups(tmp_path) == []
    target = target_of(blank_url, tmp_path, "restored", make=True)
    assert half_restore(target, head, done=False) == [], "nothing yet, and nobody said so"
    assert half_restore(target, head, done=True) != []
    restore_backup(target, path)
    assert half_restore(target, head, done=True) == []
    raw = create_engine(target)
    with raw.begin() as connection:
        connection.execute(text("DELETE FROM reading"))
    raw.dispose()
    assert [text_ for text_ in half_restore(target, head, done=False) if "reading not as in the backup" in text_]
    whole = path.read_bytes()
    path.write_bytes(whole[:-1])
    [said] = bad_backups(tmp_path)
    assert said.startswith("half backup: ")
    assert "1.backup" in said


def test_a_migration_that_is_half_done_is_named(store_url: str) -> None:
    old_store(store_url, STEPS[3])
    before = all_rows(store_url)
    assert half_migration(store_url, before, done=False) == []
    assert half_migration(store_url, before, done=True) == ["lost: a migration was acknowledged, and was not done"]
    open_store(store_url).dispose()
    assert half_migration(store_url, before, done=True) == []
    raw = create_engine(store_url)
    with raw.begin() as connection:
        connection.execute(text("DELETE FROM reading WHERE id = (SELECT max(id) FROM reading)"))
    assert half_migration(store_url, before, done=False) == ["half migration: rows of reading differ"]
    with raw.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = :old"), {"old": STEPS[3]})
    raw.dispose()
    assert "half migration: rows of site differ" in half_migration(store_url, before, done=False)
