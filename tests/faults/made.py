"""What the workers of a fault run write, each thing following from its number: what lies in a store can be foreseen."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import psycopg
from sqlalchemy import Engine, make_url
from tests.notices.killing import people
from tests.notices.made import SITE
from tests.notices.receivers import Receivers
from tests.notices.worker import fast_now
from tests.service.store.made_rows import fill
from tests.weather_services.week import START, joints_of, site_of

from frostshift_rules.job import Joint, Reading
from frostshift_service import demo
from frostshift_service.jobs import Jobs
from frostshift_service.reading_entry import Entry
from frostshift_service.schedule_file import read_schedule
from frostshift_service.store import joints, notices
from frostshift_service.store.engine import building, writing
from frostshift_service.store.migrations.run import run_steps
from frostshift_service.store.records import ImportedJoint, JointEdit, KeptJoint
from frostshift_service.store.sites import save_site

READ_AT: Final = SITE
"""Is pulled, planned, told of, and read at; its schedule stays."""
PULLED: Final = "dry-dock"
"""Is pulled only."""
SCHEDULED: Final = "river-bridge"
"""Its schedule changes with every import."""
ORDERED: Final = demo.SITE_ID
"""An order of work is worked out for it, and moves of it are taken and taken back; nobody asks for its weather."""
ORDERED_UTC: Final = datetime(2026, 1, 14, 12, 30, tzinfo=UTC)
"""Earlier than everything else here; the front that this site's forecast has stops welding for some days."""
ORDERED_MARKS: Final = ("BP-A1", "BP-A4", "BP-B2", "CG-2T", "CG-2B", "GP-04", "EP-02", "CS-A4E", "GP-01")
TOGETHER: Final = ("BP-A4", "GP-04")
"""The second waits for the first: their moves are taken both or neither."""

WELDS, LEFT_OUT, IN_AN_ACT = 330, 30, 60
MARKS: Final = tuple(f"D-{number:03}" for number in range(WELDS))
PLANNED_JOINTS, PLANNED_DAYS = 40, 60
EACH_POST = 3


def _joint(**fields: object) -> Joint:
    return replace(joints_of(START)[2], **fields)  # type: ignore[arg-type]


def planned_rows() -> list[ImportedJoint]:
    """The schedule of `READ_AT`: joints over two months, so that some are always within reach of a forecast."""
    step = timedelta(days=PLANNED_DAYS) / PLANNED_JOINTS
    starts = [START + number * step for number in range(1, PLANNED_JOINTS + 1)]
    return [ImportedJoint(_joint(mark=f"C-{row}", start_utc=start), row) for row, start in enumerate(starts, 2)]


def marks_of(number: int) -> tuple[str, ...]:
    """The marks of a schedule, in its order."""
    chance = random.Random(number)
    marks = chance.sample(MARKS, WELDS - LEFT_OUT)
    return tuple(marks)


def schedule_of(number: int) -> list[ImportedJoint]:
    """A schedule: every joint of it says which one it is of, and it is never of the same marks as the one before."""
    start_utc = START + timedelta(hours=24 + number % 48)
    return [
        ImportedJoint(_joint(mark=mark, place=f"s{number}", crew=f"s{number}", start_utc=start_utc), row)
        for row, mark in enumerate(marks_of(number), 2)
    ]


def chosen_by(number: int, present: Sequence[str]) -> tuple[str, ...]:
    """The marks that a change of many joints at once is of."""
    return tuple(random.Random(number).sample(sorted(present), min(IN_AN_ACT, len(present))))


def act_of(number: int, kept: Sequence[KeptJoint]) -> list[JointEdit]:
    """A change of many joints at once: they stand in another place, which says which change it was."""
    of_mark = {one.joint.mark: one for one in kept if one.present}
    edits = []
    for mark in chosen_by(number, list(of_mark)):
        one = of_mark[mark]
        wanted = ImportedJoint(replace(one.joint, place=f"a{number}"), one.row, one.defaults, one.problems)
        edits.append(JointEdit(wanted, True, one.fingerprint, (("place", one.joint.place, f"a{number}"),)))
    return edits


def entry_keys(number: int) -> list[str]:
    return [f"reading-{number:06}-{one}" for one in range(EACH_POST)]


def reading_of(key: str, now: datetime) -> Reading:
    """The reading that a key stands for; only its time is another one each time that it is posted."""
    number = int(key.split("-")[1])
    cold = number % 4 == 0
    return Reading(
        mark=f"C-{2 + number % PLANNED_JOINTS}",
        steel_c=(-20.0 if cold else 60.0) + (number * EACH_POST + int(key[-1])) % 37 / 2,
        at_utc=now,
        instrument="contact thermometer",
        by="Q. Arden",
        stage="before_heat" if cold else "before_arc",
    )


def entries_of(number: int, now: datetime) -> list[Entry]:
    """Readings of one post."""
    return [Entry(reading_of(key, now), f"post {number}", key) for key in entry_keys(number)]


def ordered_rows() -> list[ImportedJoint]:
    """The schedule of `ORDERED`."""
    site = demo.demo_site(ORDERED_UTC)
    read = read_schedule(demo.demo_schedule(ORDERED_UTC), "week.csv", site, ORDERED_UTC, 10**8, 1000)
    there = [one.joint for one in read.joints if one.joint.mark in ORDERED_MARKS]
    first, second = TOGETHER
    return [
        ImportedJoint(replace(one, after=(first,)) if one.mark == second else one, row)
        for row, one in enumerate(there, 2)
    ]


def prepare_order(engine: Engine, folder: Path) -> None:
    """`ORDERED` with its schedule, its crews and its only forecast, which comes from a file."""
    with writing(engine) as session:
        save_site(session, demo.demo_site(ORDERED_UTC), show_units="us", feed="file")
        rows = ordered_rows()
        joints.import_joints(session, ORDERED, rows, now=ORDERED_UTC, file_name="few.csv", by="fault run")
    payload = folder / "forecast.json"
    payload.write_bytes(demo.demo_payload(ORDERED_UTC))
    Jobs(engine, lambda: ORDERED_UTC, get=None, jitter=lambda: 0.0).take_payload(ORDERED, payload)


def prepare(engine: Engine, receivers: Receivers, folder: Path) -> None:
    """The sites, their first schedules, and the people."""
    prepare_order(engine, folder)
    with writing(engine) as session:
        for name in (READ_AT, PULLED, SCHEDULED):
            save_site(session, site_of(name))
        rows = planned_rows()
        joints.import_joints(session, READ_AT, rows, now=START, file_name="week.csv", by="fault run")
        notices.save_setup(session, READ_AT, people(receivers), now=fast_now())


def target_of(store_url: str, folder: Path, name: str, *, make: bool = False) -> str:
    """Address of a database of its own beside the store; on PostgreSQL a schema in it, to be made first."""
    address = make_url(store_url)
    if address.get_backend_name() == "sqlite":
        return f"sqlite:///{(folder / f'{name}.db').as_posix()}"
    address = address.set(drivername="postgresql")
    if make:
        with psycopg.connect(address.render_as_string(hide_password=False), autocommit=True) as connection:
            connection.execute(f'CREATE SCHEMA "{name}"')
    return address.update_query_dict({"options": f"-csearch_path={name}"}).render_as_string(hide_password=False)


def drop_target(store_url: str, folder: Path, name: str) -> None:
    """Let go of what `target_of` gave."""
    address = make_url(store_url).set(drivername="postgresql")
    if make_url(store_url).get_backend_name() == "sqlite":
        for file in folder.glob(f"{name}.db*"):
            file.unlink()
        return
    with psycopg.connect(address.render_as_string(hide_password=False), autocommit=True) as connection:
        connection.execute(f'DROP SCHEMA IF EXISTS "{name}" CASCADE')


def old_store(url: str, schema: str) -> None:
    """A store of an older version, with odd rows in every table."""
    with building(url) as connection:
        run_steps(connection, schema)
        fill(connection)
