"""Backup and restore of a store with many sites: seconds, megabytes, memory; beside them a plain copy of SQLite's file.

`python -m tests.bench.bench_backup [SITES] [JOINTS] [STORE_URL]`. STORE_URL: an empty PostgreSQL database to restore
into as well; what is in it stays there.
"""

from __future__ import annotations

import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from tests.bench.bench_pages import schedule

from frostshift_service import demo
from frostshift_service.jobs import Jobs
from frostshift_service.schedule_file import read_schedule
from frostshift_service.store.backup import make_backup, restore_backup
from frostshift_service.store.backup_file import open_backup
from frostshift_service.store.engine import open_as_it_is, open_store, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.migrations.run import newest_schema
from frostshift_service.store.shapes import shapes_at
from frostshift_service.store.sites import save_site

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)
PLANS = 10
"""Plans of every site but the first; made once and copied, as it is their bytes that count here."""

T = TypeVar("T")


def timed(what: str, work: Callable[[], T]) -> T:
    """Do it; print its time, the processor's in it, and the most memory that this process had so far."""
    begun, worked = time.perf_counter(), time.process_time()
    done = work()
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    spent, worked = time.perf_counter() - begun, time.process_time() - worked
    print(f"{what:40} {spent:7.2f} s, {worked:7.2f} s of work; {most_mb:6.0f} MB most so far", flush=True)
    return done


def fill(url: str, sites: int, joints: int) -> None:
    """Sites with joints, a forecast and plans: one that is made as a user would, and copies of its rows."""
    engine = open_store(url)
    jobs = Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0)
    site = demo.demo_site(NOW)
    read = read_schedule(schedule(joints), "week.csv", site, NOW, 10**8, 100_000)
    assert not read.errors, read.errors[:3]
    payload = Path(str(engine.url.database)).parent / "forecast.json"
    payload.write_bytes(demo.demo_payload(NOW))
    with writing(engine) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints, now=NOW, file_name="week.csv", by="bench")
    jobs.take_payload(site.id, payload)
    jobs.current_plan(site.id)
    columns = {shape.name: [one.name for one in shape.columns] for shape in shapes_at(str(newest_schema()))}
    with writing(engine) as session:
        for number in range(1, sites):
            for table in ("site", "schedule_import", "joint", "forecast", *["plan"] * PLANS):
                new = {
                    "site_id": f"'site-{number}'",
                    "import_id": f"(SELECT max(id) FROM schedule_import WHERE site_id = 'site-{number}')",
                    "forecast_id": f"(SELECT max(id) FROM forecast WHERE site_id = 'site-{number}')",
                }
                if table == "site":
                    new["id"] = new.pop("site_id")
                of_first = f"{'id' if table == 'site' else 'site_id'} = '{site.id}'"
                names = [name for name in columns[table] if name != "id" or table == "site"]
                session.connection().exec_driver_sql(
                    f"INSERT INTO {table} ({', '.join(map(name_of, names))}) "
                    f"SELECT {', '.join(new.get(name, name_of(name)) for name in names)} FROM {table} "
                    f"WHERE {of_first} {'LIMIT 1' if table == 'plan' else ''}"
                )
    engine.dispose()


def name_of(column: str) -> str:
    """A column in SQL."""
    return f'"{column}"'


def main() -> None:
    """Print a line for each step."""
    sites, joints = (int(one) for one in sys.argv[1:3] or ("50", "200"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file, kept = folder / "store.db", folder / "a.backup"
        url = f"sqlite:///{file.as_posix()}"
        fill(url, sites, joints)

        def copy() -> None:
            shutil.copyfile(file, folder / "copy.db")
            with (folder / "copy.db").open("rb") as copied:
                os.fsync(copied.fileno())

        engine = open_as_it_is(url)
        print(f"{sites} sites of {joints} joints, {PLANS} plans each: {file.stat().st_size / 1e6:.1f} MB of SQLite")
        timed("plain copy of the file", copy)
        timed("backup", lambda: make_backup(engine, kept, version="bench", now=NOW))
        print(f"    {kept.stat().st_size / 1e6:.1f} MB, {kept.stat().st_size / file.stat().st_size:.2f} of the file")
        with open_backup(kept) as backup:
            timed("check", backup.check)
        timed("restore into SQLite", lambda: restore_backup(f"sqlite:///{(folder / 'new.db').as_posix()}", kept))
        if len(sys.argv) > 3:
            timed("restore into PostgreSQL", lambda: restore_backup(sys.argv[3], kept))
            other = open_as_it_is(sys.argv[3])
            timed("backup of PostgreSQL", lambda: make_backup(other, folder / "b.backup", version="bench", now=NOW))
            other.dispose()
        engine.dispose()


if __name__ == "__main__":
    main()
