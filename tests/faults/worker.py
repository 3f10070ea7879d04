"""A process that forks workers, which do one step of the service over and over until they are killed.

`python -m tests.faults.worker JOB` reads the job (JSON: addresses and folders) and then a line of JSON for every worker
that it is to fork: the step, the number of its first turn, how many turns. A worker says on standard output when it
begins a turn and when it is done, with what it vouches for; after its last turn it waits to be killed. `gone` waits for
that and answers with its exit code. The first process has imported everything and opened no database.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, Final, cast

import httpx
import stamina
from sqlalchemy import Engine, func, make_url
from sqlmodel import col, select
from tests.faults.made import (
    ORDERED,
    ORDERED_UTC,
    PULLED,
    READ_AT,
    SCHEDULED,
    TOGETHER,
    act_of,
    entries_of,
    old_store,
    schedule_of,
    target_of,
)
from tests.notices.worker import be_patient, delivering, fast_now, turn
from tests.service.store.test_migrations_keep_rows import STEPS
from tests.weather_services.control import Control
from tests.weather_services.week import CONTACT, START

from frostshift_rules.start_hours import JointStarts
from frostshift_service import http, order_work
from frostshift_service.jobs import Jobs
from frostshift_service.order_pages import take_moves
from frostshift_service.outbox import Wiring
from frostshift_service.reading_log import take
from frostshift_service.rights import Actor
from frostshift_service.senders import Senders
from frostshift_service.store import forecasts, joints, order_runs, plans
from frostshift_service.store.backup import make_backup, restore_backup
from frostshift_service.store.engine import open_as_it_is, open_store, reading, writing
from frostshift_service.store.records import KeptAdvice
from frostshift_service.store.schedule_acts import last_act, undo_act, write_edits
from frostshift_service.store.shapes import shapes_at
from frostshift_service.store.tables import FeedStateRow, ForecastRow, PlanRow, ReadingRow
from frostshift_service.views.desk import Desk, Planner

PULL_EVERY = timedelta(minutes=70)
"""So nearly every pull brings a new forecast."""
SIGN_OF_LIFE_S: Final = 0.05
"""An order of work takes no second here, and is to say some times how far it is."""
ORDER_EVERY: Final = timedelta(minutes=1)
"""Longer than a run may be silent; after an hour the clock begins again, so that the forecast stays in use."""


@dataclass(frozen=True)
class Job:
    """Where a run takes place."""

    store_url: str
    base_url: str
    smtp: int
    folder: Path


def say(**line: Any) -> None:
    """One line, whole: it is shorter than what a pipe takes at once."""
    os.write(1, (json.dumps(line) + "\n").encode())


def last_moment(engine: Engine) -> datetime:
    """The latest time that anything of the weather, of plans and of readings is stamped with."""
    asked = (ForecastRow.fetched_utc, FeedStateRow.next_try_utc, PlanRow.made_utc, ReadingRow.entered_utc)
    with reading(engine) as session:
        found = [session.exec(select(func.max(col(column)))).one() for column in asked]
    return max([one for one in found if one is not None], default=START)


@dataclass(frozen=True)
class Told:
    """In the place of the planner: what it says of new starts is known before, and it makes no plan."""

    starts: Mapping[str, JointStarts]

    def new_starts(self, site_id: str, starts: Mapping[str, datetime]) -> Mapping[str, JointStarts]:
        return {mark: self.starts[mark] for mark in starts}

    def replan(self, site_id: str) -> None:
        pass


class Steps:
    """The steps of one worker, on a store that it has opened itself."""

    def __init__(self, job: Job) -> None:
        self.job = job

    @cached_property
    def engine(self) -> Engine:
        return open_store(self.job.store_url)

    @cached_property
    def control(self) -> Control:
        return Control(self.job.base_url)

    @cached_property
    def jobs(self) -> Jobs:
        client = http.make_client(CONTACT, "0.1.0", httpx.HTTPTransport())
        return Jobs(
            self.engine,
            lambda: self.now,
            get=lambda moment: http.bind(client, moment),
            jitter=random.Random(0).random,
            base_urls=self.control.base_urls,
        )

    @cached_property
    def channels(self) -> tuple[Senders, Wiring]:
        return delivering(http.make_sending_client("0.1.0"), self.job.smtp)

    @contextmanager
    def inside(self, number: int, kind: str) -> Iterator[dict[str, Any]]:
        """Says that a turn begins, and that it is done with what was written into the dictionary."""
        done: dict[str, Any] = {}
        say(begins=number, kind=kind)
        yield done
        say(done=number, kind=kind, **done)

    # Each step makes ready, and then does what is inside

    def schedule(self, number: int) -> None:
        """A whole schedule, or a change of many joints at once."""
        site_id, now = SCHEDULED, START + timedelta(minutes=number)
        if number % 3:
            rows = schedule_of(number)
            with self.inside(number, "import"), writing(self.engine) as session:
                joints.import_joints(session, site_id, rows, now=now, file_name=f"s{number}.csv", by="fault run")
            return
        with reading(self.engine) as session:
            kept = joints.kept_joints(session, site_id)
        edits = act_of(number, kept)
        with self.inside(number, "act"), writing(self.engine) as session:
            write_edits(session, site_id, edits, now=now, by=f"a{number}", text=f"a{number}")

    def pull(self, number: int) -> None:
        """The forecast of one site; the clock goes on so far that it is due."""
        site_id = READ_AT if number % 2 else PULLED
        self.now = last_moment(self.engine).replace(second=0, microsecond=0) + PULL_EVERY
        self.control.set_clock(self.now)
        self.jobs  # noqa: B018  # made now: it is no part of what is measured
        with self.inside(number, site_id) as done, stamina.set_testing(True, attempts=1):
            if self.jobs.pull(site_id).outcome == "new":
                done["forecast"] = self._last_forecast(site_id)

    def _last_forecast(self, site_id: str) -> int | None:
        with reading(self.engine) as session:
            last = forecasts.last_forecast(session, site_id)
        return None if last is None else last.id

    def plan(self, number: int) -> None:
        """A plan; every third one is looked at, so that it is kept."""
        self.now = last_moment(self.engine) + timedelta(minutes=1)
        self.jobs  # noqa: B018
        with self.inside(number, "plan") as done:
            self.jobs.replan(READ_AT)
            if number % 3 == 0:
                self.jobs.current_plan(READ_AT)
            with reading(self.engine) as session:
                made = plans.newest_made(session, READ_AT)
            done["plan"] = None if made is None else made.plan_id

    def deliver(self, number: int) -> None:
        """Notices are decided and delivered."""
        be_patient()
        self.engine, self.channels  # noqa: B018
        with self.inside(number, "deliver") as done:
            kept, outcomes = turn(self.engine, *self.channels)
            done |= {"notices": [one.number for one in kept], "sent": outcomes.get("sent", 0)}

    def readings(self, number: int) -> None:
        """A few readings as a phone posts them; the same again where nobody said that they were kept."""
        self.now = last_moment(self.engine) + timedelta(seconds=5)
        desk = Desk(self.engine, self.jobs, lambda: self.now)
        entries = entries_of(number, self.now)
        with self.inside(number, "cold" if number % 4 == 0 else "warm") as done:
            taken = take(desk, READ_AT, entries, entered_by="fault run")
            done["kept"] = [one.entry_key for one in taken if one.state == "kept"]
            done["refused"] = [one.problems[0].message for one in taken if one.state != "kept"]

    def order(self, number: int) -> None:
        """An order of work from the button to its last answer."""
        self._as_scheduled()
        with self.inside(number, "order") as done:
            run_id = self.jobs.begin_order(ORDERED, f"order {number}")
            self.jobs.orders.wait()
            done["order"] = run_id

    def take(self, number: int) -> None:
        """All moves of an order of work, or two of them; as the page does it, or of that only what writes."""
        self._as_scheduled()
        run_id, kept = self._to_take()
        planner = cast("Planner", self.jobs)
        kind = "page" if number % 2 else "write"
        if kind == "write":
            starts = {move.mark: move.after.start_utc for move in kept.advice.moves}
            planner = cast("Planner", Told(self.jobs.new_starts(ORDERED, starts)))
        desk = Desk(self.engine, planner, lambda: self.now, Actor(f"take {number} of {run_id}", owner=True))
        every = number % 4 < 2
        with self.inside(number, kind) as done:
            answer = take_moves(desk, ORDERED, run_id, [] if every else list(TOGETHER), every)
            assert answer.status_code == 303, bytes(answer.body).decode()
            done["taking"] = int(answer.headers["location"].rpartition("taken=")[2])

    def _as_scheduled(self) -> None:
        """Moves that were taken are taken back, and the clock goes on so far that nobody works on a run any more."""
        order_work.BEAT_S = SIGN_OF_LIFE_S  # type: ignore[misc]
        with reading(self.engine) as session:
            runs, act = order_runs.runs_of(session, ORDERED), last_act(session, ORDERED)
        self.now = ORDERED_UTC + (runs[0].id if runs else 0) % 60 * ORDER_EVERY
        if act is not None:
            with writing(self.engine) as session:
                undo_act(session, ORDERED, act.id, now=self.now, by="undo")
        self.jobs.replan(ORDERED)

    def _to_take(self) -> tuple[int, KeptAdvice]:
        """The newest order of work that ended; where there is none it is worked out."""
        while True:
            with reading(self.engine) as session:
                for run in order_runs.runs_of(session, ORDERED):
                    if run.state == "ended" and (kept := order_runs.advice_of(session, ORDERED, run.id)) is not None:
                        return run.id, kept
            self.jobs.begin_order(ORDERED, "for the taking")
            self.jobs.orders.wait()

    def backup(self, number: int) -> None:
        engine = open_as_it_is(self.job.store_url)
        path = self.job.folder / f"{number}.backup"
        with self.inside(number, "backup") as done:
            make_backup(engine, path, version="1", now=fast_now())
            done["file"] = path.name
        engine.dispose()

    def restore(self, number: int) -> None:
        target = target_of(self.job.store_url, self.job.folder, f"r{number}", make=True)
        with self.inside(number, "restore"):
            restore_backup(target, self.job.folder / "source")

    def migrate(self, number: int) -> None:
        """An older store with rows in every table is opened by this version."""
        schema = STEPS[number % (len(STEPS) - 1)]
        target = target_of(self.job.store_url, self.job.folder, f"m{number}", make=True)
        if make_url(target).get_backend_name() == "sqlite":
            shutil.copy(self.job.folder / f"old-{schema}.db", str(make_url(target).database))
        else:
            old_store(target, schema)
        with self.inside(number, schema):
            open_store(target).dispose()


NAMES = ("schedule", "pull", "plan", "deliver", "readings", "order", "take", "backup", "restore", "migrate")


def work(job: Job, step: str, first: int, turns: int) -> None:
    """Some turns of a step; then wait for the end."""
    steps = Steps(job)
    do: Callable[[int], None] = getattr(steps, step)
    for number in range(first, first + turns):
        do(number)
    say(idle=True)
    time.sleep(600)


def main() -> None:
    """Fork workers as asked."""
    told = json.loads(sys.argv[1])
    job = Job(told["store_url"], told["base_url"], told["smtp"], Path(told["folder"]))
    shapes_at(STEPS[-1])  # kept from now on, for all workers; in memory
    child = 0
    for line in sys.stdin:
        if line.strip() == "gone":
            _, status = os.waitpid(child, 0)
            say(gone=os.waitstatus_to_exitcode(status))
            continue
        asked = json.loads(line)
        child = os.fork()
        if child == 0:
            try:
                work(job, asked["step"], asked["first"], asked["turns"])
            except BaseException:
                say(failed=traceback.format_exc()[-2000:])
            finally:
                os._exit(1)  # whatever went wrong, never back into the loop of the first process
        say(forked=child)


if __name__ == "__main__":
    main()
