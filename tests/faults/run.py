"""kill -9 at random moments over every step that writes, and after each kill what has to hold is looked at.

`python -m tests.faults.run [KILLS] [STORE_URL] [--seed N]` from the repository's root does it and prints a table; exit
code 1 where anything did not hold. STORE_URL is of an empty database; without it a SQLite file is made.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import defaultdict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any, Final

import psycopg
from sqlalchemy import Engine, make_url, text
from sqlmodel import select
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
from tests.faults.made import SCHEDULED, drop_target, old_store, prepare, target_of
from tests.faults.orders import half_orders, half_takings
from tests.notices.killing import Found, halves, lost
from tests.notices.receivers import ROOT, Receivers, receiving
from tests.notices.worker import fast_now, finish
from tests.service.store.made_rows import all_rows
from tests.service.store.test_migrations_keep_rows import STEPS
from tests.weather_services.control import Control, running
from tests.weather_services.killing import Seen, end_with, file_offences, trouble

from frostshift_service.store.backup import make_backup
from frostshift_service.store.backup_file import Head, open_backup
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.tables import ForecastRow, SiteRow

NAMES: Final = {
    "schedule": "import of a schedule",
    "pull": "weather pull",
    "plan": "plan",
    "deliver": "notices and their delivery",
    "readings": "readings posted",
    "order": "order of work",
    "take": "moves taken",
    "backup": "backup",
    "restore": "restore",
    "migrate": "migration",
}
MEASURED_TURNS: Final = 4
"""Of every step before the first kill: they say how long it takes."""
MOST_TURNS: Final = 3
"""A worker is killed in one of its first turns."""
LATEST: Final = 0.95
"""A kill comes within this share of the length of a turn, at random: some turns are shorter than others."""
SOURCE_BYTES: Final = 4_000_000
"""What is restored is the last backup that is no larger, so that a restore stays short."""
GONE_S: Final = 20.0
WORKER: Final = "fault-worker"
"""How PostgreSQL knows a worker's connections."""


@dataclass
class Row:
    """What was seen of one step."""

    kills: int = 0
    inside: int = 0
    late: int = 0
    acknowledged: int = 0
    offences: list[str] = field(default_factory=list)


@dataclass
class Turn:
    """One turn as its worker told of it."""

    number: int
    kind: str
    begun_s: float
    length_s: float | None = None
    done: dict[str, Any] | None = None


class Run:
    """A store, its workers, and the table."""

    def __init__(
        self, store_url: str, folder: Path, control: Control, receivers: Receivers, chance: random.Random
    ) -> None:
        self.store_url, self.folder, self.control, self.receivers = store_url, folder, control, receivers
        self.chance = chance
        self.rows = {step: Row() for step in NAMES}
        self.engine: Engine = open_store(store_url)
        self.is_file = self.engine.dialect.name == "sqlite"
        self._next = dict.fromkeys(NAMES, 1)
        self._lengths: dict[tuple[str, str, bool], deque[float]] = defaultdict(lambda: deque(maxlen=9))
        self._notices: set[int] = set()
        self._vouched, self._unpacked, self._seen = Vouched(), Unpacked(), Seen()
        self._old: dict[str, dict[str, list[dict[str, Any]]]] = {}
        self._parts = 0

    # Set up

    def make_ready(self) -> None:
        """What the steps begin from."""
        with reading(self.engine) as session:
            if session.exec(select(SiteRow.id)).first() is not None:
                raise SystemExit("This database holds sites already: name an empty one.")
        prepare(self.engine, self.receivers, self.folder)
        with reading(self.engine) as session:  # of files: no service has sent them
            self._seen.forecasts |= {one for one in session.exec(select(ForecastRow.id)) if one is not None}
        trouble(self.control)
        self.head = self._backed_up()

    def _backed_up(self) -> Head:
        return make_backup(self.engine, self.folder / "source", version="1", now=fast_now())

    @contextmanager
    def workers(self) -> Iterator[None]:
        """The process that forks workers."""
        told = {
            "store_url": self._as_worker(),
            "base_url": self.control.base_url,
            "smtp": self.receivers.smtp,
            "folder": str(self.folder),
        }
        command = [sys.executable, "-W", "ignore", "-m", "tests.faults.worker", json.dumps(told)]
        with (
            (self.folder / "workers.log").open("w") as log,
            subprocess.Popen(
                command,
                cwd=ROOT,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
            ) as self._process,
        ):
            try:
                yield
            finally:
                assert self._process.stdin is not None
                self._process.stdin.close()
                self._process.wait(timeout=GONE_S)

    def _make_old(self, schema: str) -> None:
        """A store of a schema for the workers to begin from, made once, and what its rows are."""
        if schema not in self._old:
            target = target_of(self.store_url, self.folder, f"old-{schema}", make=True)
            old_store(target, schema)
            self._old[schema] = all_rows(target)
            if not self.is_file:  # workers make their own
                drop_target(self.store_url, self.folder, f"old-{schema}")

    def _as_worker(self) -> str:
        if self.is_file:
            return self.store_url
        address = make_url(self.store_url).update_query_dict({"application_name": WORKER})
        return address.render_as_string(hide_password=False)

    def _tell(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _hear(self) -> dict[str, Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise SystemExit(f"The workers' process has ended: {(self.folder / 'workers.log').read_text()[-2000:]}")
        heard: dict[str, Any] = json.loads(line)
        return heard

    # Kill

    def measure(self, turns: int) -> None:
        """Some turns of every step that nobody disturbs."""
        for step in NAMES:
            self._one(step, turns, kill=False)
            self._look(step)

    def kill(self, step: str) -> None:
        """One worker is killed in its last turn, and everything is looked at."""
        self._one(step, self.chance.randint(1, MOST_TURNS), kill=True)
        self._look(step)

    def _one(self, step: str, turns: int, *, kill: bool) -> None:
        row, first = self.rows[step], self._next[step]
        for number in range(first, first + turns) if step == "migrate" else ():
            self._make_old(STEPS[number % (len(STEPS) - 1)])
        self._tell(json.dumps({"step": step, "first": first, "turns": turns}))
        told: dict[int, Turn] = {}
        while "forked" not in (heard := self._hear()):  # a worker may speak before the one that forked it
            self._note(step, first, told, heard)
        worker = int(heard["forked"])
        while (last := told.get(first + turns - 1)) is None or (not kill and last.done is None):
            if not self._note(step, first, told, self._hear()):
                break
        else:
            if kill:
                time.sleep(self.chance.uniform(0.0, LATEST * self._length(step, last.kind, warm=turns > 1)))
            os.kill(worker, signal.SIGKILL)
        self._tell("gone")
        while "gone" not in (heard := self._hear()):
            self._note(step, first, told, heard)
        if heard["gone"] != -signal.SIGKILL:
            row.offences.append(f"the worker had ended by itself ({heard['gone']})")
        self._backends_gone(row)
        last = told.get(first + turns - 1)
        row.kills += kill
        row.inside += kill and last is not None and last.done is None
        row.late += kill and last is not None and last.done is not None
        # A phone posts again what nobody has acknowledged; everything else goes on.
        again = step == "readings" and last is not None and last.done is None
        self._next[step] = first + turns - again
        for one in told.values():
            self._keep_word(step, one)

    def _note(self, step: str, first: int, told: dict[int, Turn], heard: dict[str, Any]) -> bool:
        """One line of a worker; False where it has failed."""
        if "failed" in heard:
            self.rows[step].offences.append(f"the worker failed: {heard['failed']}")
            return False
        if "begins" in heard:
            told[heard["begins"]] = Turn(heard["begins"], heard["kind"], time.monotonic())
        elif "done" in heard:
            one = told[heard["done"]]
            one.done, one.length_s = heard, time.monotonic() - one.begun_s
            self._lengths[step, one.kind, one.number > first].append(one.length_s)
        return True

    def _length(self, step: str, kind: str, *, warm: bool) -> float:
        """How long a turn takes, by the last ones of its kind, else of its step."""
        alike = self._lengths.get((step, kind, warm)) or self._lengths.get((step, kind, not warm))
        return median(alike or [one for key, some in self._lengths.items() if key[0] == step for one in some])

    def _backends_gone(self, row: Row) -> None:
        """PostgreSQL notices only after a while that a client is gone; until then a transaction may still end."""
        if self.is_file:
            return
        until = time.monotonic() + GONE_S
        asked = text("SELECT count(*) FROM pg_stat_activity WHERE application_name = :name")
        while time.monotonic() < until:
            with reading(self.engine) as session:
                if session.connection().execute(asked, {"name": WORKER}).scalar_one() == 0:
                    return
            time.sleep(0.02)
        row.offences.append(f"PostgreSQL still has a connection of a dead worker after {GONE_S:g} s")

    def _keep_word(self, step: str, one: Turn) -> None:
        """What a worker vouched for is to be found from now on."""
        if one.done is None:
            return
        row, said = self.rows[step], one.done
        row.acknowledged += 1
        self._vouched.add(step, one.kind, one.number, said)
        row.offences += [f"reading refused: {why}" for why in said.get("refused", ())]
        if step == "backup" and not (self.folder / said["file"]).exists():
            row.offences.append(f"lost: backup {said['file']} was acknowledged, and is not there")
        elif step == "restore":
            row.offences += self._of_restore(one.number, done=True)
        elif step == "migrate":
            row.offences += self._of_migration(one.number, done=True)

    # Look

    def _look(self, step: str) -> None:
        row = self.rows[step]
        number = self._next[step] - 1
        if step == "backup":
            row.offences += self._of_backups()
        elif step == "restore":
            row.offences += self._of_restore(number, done=False)
        elif step == "migrate":
            row.offences += self._of_migration(number, done=False)
        row.offences += self.offences()

    def offences(self) -> list[str]:
        """What does not hold of the store."""
        found = file_offences(str(self.engine.url.database)) if self.is_file else []
        with reading(self.engine) as session:
            found += orphans(session)
            found += half_imports(session, SCHEDULED)
            found += half_readings(session)
            found += half_orders(session)
            found += half_takings(session)
            found += self._vouched.lost(session)
            found += self._unpacked.unreadable(session)
        return [*found, *halves(self.engine, self._notices), *self._seen.offences(self.engine, self.control)]

    def _of_backups(self) -> list[str]:
        found = bad_backups(self.folder)
        for path in sorted(self.folder.glob("*.backup"), key=lambda one: int(one.stem)):
            if not found and path.stat().st_size <= SOURCE_BYTES:
                path.replace(self.folder / "source")
                with open_backup(self.folder / "source") as kept:
                    self.head = kept.head
            else:
                path.unlink()
        for part in self.folder.glob(".*.part"):
            self._parts += 1
            part.unlink()
        return found

    def _of_restore(self, number: int, *, done: bool) -> list[str]:
        name = f"r{number}"
        if not self._there(name):
            return []
        found = half_restore(target_of(self.store_url, self.folder, name), self.head, done=done)
        drop_target(self.store_url, self.folder, name)
        return found

    def _of_migration(self, number: int, *, done: bool) -> list[str]:
        """As it was left; and then it is opened, and is at the newest schema with all rows."""
        name, schema = f"m{number}", STEPS[number % (len(STEPS) - 1)]
        if not self._there(name):
            return []
        target = target_of(self.store_url, self.folder, name)
        found = half_migration(target, self._old[schema], done=done)
        if not done:
            open_store(target).dispose()
            found += half_migration(target, self._old[schema], done=True)
        if self.is_file:
            # Rows of an old store that no key was checked of may point at none: only the file itself is looked at.
            found += file_offences(str(make_url(target).database))
        drop_target(self.store_url, self.folder, name)
        return [f"from schema {schema}: {text}" for text in found]

    def _there(self, name: str) -> bool:
        if self.is_file:
            return (self.folder / f"{name}.db").exists()
        with psycopg.connect(
            make_url(self.store_url).set(drivername="postgresql").render_as_string(hide_password=False)
        ) as connection:
            asked = connection.execute("SELECT 1 FROM pg_namespace WHERE nspname = %s", (name,))
            return asked.fetchone() is not None

    # The end

    def deliver_all(self) -> Found:
        """Everything that waits is delivered, and held against what arrived."""
        found, row = Found(), self.rows["deliver"]
        self.receivers.log.with_name("calm").touch()
        finish(self.engine, self.receivers.smtp)
        row.offences += [f"lost event: {text}" for text in lost(self.engine, self.receivers, found)]
        row.offences += self.offences()
        return found

    @property
    def all_offences(self) -> list[str]:
        return [f"{NAMES[step]}: {text}" for step, row in self.rows.items() for text in row.offences]

    def table(self) -> str:
        """Step by step."""
        lines = [
            "step | kills | inside the step | too late | acknowledged | offences",
            "--- | ---: | ---: | ---: | ---: | ---:",
        ]
        total = Row()
        for step, row in self.rows.items():
            lines.append(_line(NAMES[step], row))
            total.kills += row.kills
            total.inside += row.inside
            total.late += row.late
            total.acknowledged += row.acknowledged
            total.offences += row.offences
        return "\n".join([*lines, _line("all", total)])


def _line(name: str, row: Row) -> str:
    return f"{name} | {row.kills} | {row.inside} | {row.late} | {row.acknowledged} | {len(row.offences)}"


@contextmanager
def running_on(store_url: str, folder: Path, seed: int, turns: int = MEASURED_TURNS) -> Iterator[Run]:
    """A run that is ready to kill."""
    with running() as control, receiving(folder) as receivers:
        run = Run(store_url, folder, control, receivers, random.Random(seed))
        try:
            with run.workers():  # which read their modules meanwhile
                run.make_ready()
                run.measure(turns)
                yield run
        finally:
            run.engine.dispose()


def kill_all_over(run: Run, kills: int) -> Found:
    """So many kills, spread over the steps in any order; then all is delivered."""
    steps = [list(NAMES)[number % len(NAMES)] for number in range(kills)]
    run.chance.shuffle(steps)
    for step in steps:
        run.kill(step)
    return run.deliver_all()


def main() -> None:
    """Kill as often as asked, 100 times where nothing is said."""
    asked = argparse.ArgumentParser(prog="python -m tests.faults.run", description=__doc__)
    asked.add_argument("kills", nargs="?", type=int, default=100)
    asked.add_argument("store_url", nargs="?")
    asked.add_argument("--seed", type=int, default=9)
    given = asked.parse_args()
    os.environ["NO_PROXY"] = "127.0.0.1"
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store_url = given.store_url or f"sqlite:///{(folder / 'store.db').as_posix()}"
        with running_on(store_url, folder, given.seed) as run:
            found = kill_all_over(run, given.kills)
            kind = run.engine.dialect.name
    print(f"{given.kills} kills on {kind} in {time.monotonic() - began:.0f} s, seed {given.seed}\n\n{run.table()}\n")
    print(
        f"{found.notices} notices, {found.deliveries} deliveries, {found.attempts} attempts, {found.arrived} messages "
        f"arrived, {found.duplicates} of them again after an attempt that was broken off"
    )
    end_with(run.all_offences)


if __name__ == "__main__":
    main()
