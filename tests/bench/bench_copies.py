"""A firm's database: all sites planned again after a new forecast, by 1, 2 and 4 copies of the service.

    FROSTSHIFT_TEST_POSTGRES=postgresql://USER@HOST/NAME python -m tests.bench.bench_copies [SITES] [JOINTS]

Every copy is a process of its own with the service's loop; all they share is PostgreSQL, in a database made for the
run. Each site gets a new forecast, and a run lasts until every site has a plan made from it and has been decided on.
The baseline of the ratio is one copy. Plans are counted: more than sites means that something was done twice.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread
from uuid import uuid4

import psycopg
from sqlalchemy import Engine, func, insert, literal, make_url, text
from sqlmodel import col, select
from tests.bench.bench_pages import schedule

from frostshift_service import demo
from frostshift_service.clock import utc_now
from frostshift_service.jobs import Jobs
from frostshift_service.schedule_file import read_schedule
from frostshift_service.site_turns import WORKERS
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import ForecastRow, JointRow, PlanRow, SiteRow, SiteTurnRow

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)
COPIES = (1, 2, 4)
PATIENCE_S = 7200.0


@contextmanager
def database() -> Iterator[str]:
    """Address of a database of its own."""
    server = make_url(os.environ["FROSTSHIFT_TEST_POSTGRES"]).set(drivername="postgresql")
    name = f"bench_{uuid4().hex[:12]}"
    with psycopg.connect(server.render_as_string(hide_password=False), autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
        yield server.set(database=name).render_as_string(hide_password=False)
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def fill(engine: Engine, sites: int, joints: int) -> None:
    """One site through the service's doors, the others as copies of its rows."""
    site = demo.demo_site(NOW)
    read = read_schedule(schedule(joints), "week.csv", site, NOW, 10**8, 100_000)
    assert not read.errors
    with writing(engine) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints, now=NOW, file_name="week.csv", by="bench")
    with writing(engine) as session:
        for number in range(1, sites):
            _clone(session, SiteRow, "id", site.id, f"site-{number}")
            for table in (SiteTurnRow, JointRow):
                _clone(session, table, "site_id", site.id, f"site-{number}", import_id=None)


def _clone(session, table, key: str, old: str, new: str, **others: object) -> None:  # type: ignore[no-untyped-def]
    columns = [one for one in table.__table__.columns if not (one.name == "id" and key != "id")]
    given = {key: new, **others}
    values = [literal(given[one.name], one.type) if one.name in given else one for one in columns]
    rows = select(*values).where(table.__table__.c[key] == old)
    session.exec(insert(table.__table__).from_select([one.name for one in columns], rows))


def new_forecast(engine: Engine) -> int:
    """A new forecast for every site; the highest id before it."""
    with reading(engine) as session:
        before = session.exec(select(func.max(ForecastRow.id))).one() or 0
    with tempfile.TemporaryDirectory() as folder:
        payload = Path(folder) / "forecast.json"
        payload.write_bytes(demo.demo_payload(NOW))
        Jobs(engine, lambda: NOW, get=None, jitter=lambda: 0.0).take_payload(demo.SITE_ID, payload)
    with writing(engine) as session:
        others = session.exec(select(SiteRow.id).where(SiteRow.id != demo.SITE_ID)).all()
        newest = session.exec(select(func.max(ForecastRow.id))).one()
        columns = [one for one in ForecastRow.__table__.columns if one.name != "id"]  # type: ignore[attr-defined]
        for site_id in others:
            values = [literal(site_id) if one.name == "site_id" else one for one in columns]
            rows = select(*values).where(col(ForecastRow.id) == newest)  # type: ignore[call-overload]
            session.exec(insert(ForecastRow.__table__).from_select([one.name for one in columns], rows))  # type: ignore[attr-defined, call-overload]
        session.exec(text("UPDATE site_turn SET due_utc = '2000-01-01', copy_name = '', held_until_utc = NULL"))  # type: ignore[call-overload]
    return int(before)


def serve(url: str, began: float) -> None:
    """One copy: the service's loop with a clock that began at `NOW`."""
    engine = open_store(url)
    jobs = Jobs(engine, lambda: NOW + (utc_now() - datetime.fromtimestamp(began, UTC)), get=None, jitter=lambda: 0.0)
    print("ready", flush=True)
    sys.stdin.readline()

    def work() -> None:
        while True:
            jobs.tick()
            time.sleep(0.2)

    for _ in range(WORKERS - 1):
        Thread(target=work, daemon=True).start()
    work()


def run(url: str, engine: Engine, sites: int, copies: int) -> tuple[float, int]:
    """Seconds until every site is planned and decided on, and how many plans were made."""
    before = new_forecast(engine)
    with reading(engine) as session:
        last_plan = session.exec(select(func.max(PlanRow.id))).one() or 0
        turned: dict[str, int] = dict(session.exec(select(SiteTurnRow.site_id, SiteTurnRow.number)).all())  # type: ignore[arg-type]
    command = [sys.executable, "-m", "tests.bench.bench_copies", "serve", url, str(utc_now().timestamp())]
    workers = [
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) for _ in range(copies)
    ]
    try:
        for one in workers:
            assert one.stdout is not None
            assert one.stdout.readline().strip() == "ready"
        begun = time.perf_counter()
        for one in workers:
            assert one.stdin is not None
            one.stdin.write("\n")
            one.stdin.flush()
        while time.perf_counter() - begun < PATIENCE_S:
            with reading(engine) as session:
                turns = session.exec(select(SiteTurnRow.site_id, SiteTurnRow.number, SiteTurnRow.held_until_utc)).all()
                # Who is held for the second time has had a whole turn: with many sites some are due again meanwhile.
                done = sum(number - turned[name] > (held is not None) for name, number, held in turns)
                made = session.exec(
                    select(func.count(col(PlanRow.id))).where(
                        col(PlanRow.id) > last_plan, col(PlanRow.forecast_id) > before
                    )
                ).one()
            if done >= sites and made >= sites:
                return time.perf_counter() - begun, made
            time.sleep(0.2)
        raise SystemExit("not done in time")
    finally:
        for one in workers:
            one.kill()
            one.wait()


def main() -> None:
    """Print a line a number of copies."""
    if sys.argv[1:2] == ["serve"]:
        serve(sys.argv[2], float(sys.argv[3]))
        return
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    joints = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    with database() as url:
        engine = open_store(url)
        fill(engine, sites, joints)
        print(f"{sites} sites of {joints} joints")
        print("copies   seconds   of one copy   sites/s   plans made")
        alone_s = None
        for copies in COPIES:
            took_s, made = run(url, engine, sites, copies)
            alone_s = alone_s or took_s
            print(
                f"{copies:6}   {took_s:7.1f}   {took_s / alone_s:11.2f}   {sites / took_s:7.2f}   {made:10}", flush=True
            )
        engine.dispose()


if __name__ == "__main__":
    main()
