"""kill -9 at any moment of pulling and planning, again and again; after each, what lies in the store is looked at.

`python -m tests.weather_services.killing [TIMES]` from the repository's root does it and says what was found.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from sqlalchemy import Engine
from sqlmodel import col, select

from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Hours
from frostshift_rules.tables import load_code_table
from frostshift_service.store import forecasts, joints, plans
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.records import ImportedJoint, KeptForecast
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import FeedStateRow, ForecastRow, PlanRow
from frostshift_service.weather.derived import fill_sun
from frostshift_service.weather.feeds import FEEDS as READERS
from frostshift_service.weather.payload import load

from .control import ROOT, Control, running
from .week import FEEDS, START, joints_of, site_of

FIRST_S = 0.02
"""A worker is killed at random between this and what `_until_forecasts` gives."""
FIRST_FORECASTS, PATIENCE_S = 3, 60.0
SLOW = {"kind": "slow_body", "seconds": 0.004}
SITES = ("ore-shed", "dry-dock")
SERIES = tuple(name for name in Hours.__dataclass_fields__ if name != "start_utc")


@dataclass
class Found:
    """What was seen: offences, kills by what they hit, and how much there is in the end."""

    offences: list[str] = field(default_factory=list)
    kills: int = 0
    in_a_pull: int = 0
    halves: int = 0
    forecasts: int = 0
    plans: int = 0


def prepare(engine: Engine) -> None:
    """The sites and a few joints each."""
    for name in SITES:
        with writing(engine) as session:
            save_site(session, site_of(name))
            rows = [ImportedJoint(joint, row) for row, joint in enumerate(joints_of(START)[:2], 2)]
            joints.import_joints(session, name, rows, now=START, file_name="week.csv", by="test")


def trouble(control: Control) -> None:
    """Every body comes in pieces, and on some days half of it."""
    always = {"from_utc": "2026-01-01T00:00:00+00:00", "to_utc": "2036-01-01T00:00:00+00:00"}
    halves = [
        {"kind": "half_body", "from_utc": f"2026-{month}-{day:02d}T00:00:00+00:00", "to_utc": f"2026-{month}-{day:02d}T04:00:00+00:00"}  # noqa: E501
        for month in (10, 11, 12)
        for day in range(1, 30, 2)
    ]  # fmt: skip
    control.set_faults([*halves, {**SLOW, **always}])


@contextmanager
def workers(control: Control, store_url: str) -> Iterator[subprocess.Popen[str]]:
    """The process that starts workers."""
    command = [sys.executable, "-m", "tests.weather_services.puller", control.base_url, store_url]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        try:
            yield process
        finally:
            assert process.stdin is not None
            process.stdin.close()
            process.wait(timeout=20)


def _tell(process: subprocess.Popen[str], word: str) -> int:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(word + "\n")
    process.stdin.flush()
    return int(process.stdout.readline())


def kill_again_and_again(control: Control, engine: Engine, store_url: str, times: int, luck: int = 9) -> Found:
    """Start, kill, look; `times` times. `luck` decides the moments."""
    chance, found, seen, longest_s = random.Random(luck), Found(), Seen(), PATIENCE_S
    prepare(engine)
    trouble(control)
    file = engine.url.database if engine.dialect.name == "sqlite" else None
    with workers(control, store_url) as process:
        for number in range(1, times + 1):
            worker = _tell(process, "start")
            if number == 1:
                longest_s = _until_forecasts(engine)
            else:
                time.sleep(chance.uniform(FIRST_S, longest_s))
            os.kill(worker, signal.SIGKILL)
            code = _tell(process, "gone")
            if code != -signal.SIGKILL:
                found.offences.append(f"kill {number}: the worker had ended by itself ({code})")
            found.kills += 1
            found.offences += [f"kill {number}: {text}" for text in (file_offences(file) if file else [])]
            found.offences += [f"kill {number}: {text}" for text in seen.offences(engine, control)]
    log = control.log()
    found.in_a_pull = sum(entry["gone"] for entry in log)
    found.halves = sum(entry["fault"] == "half_body" for entry in log)
    found.forecasts, found.plans = len(seen.forecasts), len(seen.plans)
    return found


def _until_forecasts(engine: Engine) -> float:
    """Half as long again as it takes until the first forecasts are there: machines are of any speed, and busy [s]."""
    began = time.monotonic()
    while time.monotonic() < began + PATIENCE_S:
        with reading(engine) as session:
            if len(session.exec(select(ForecastRow.id)).all()) >= FIRST_FORECASTS:
                break
        time.sleep(0.01)
    return 1.5 * (time.monotonic() - began)


def file_offences(file: str) -> list[str]:
    """What SQLite itself finds wrong with its file, by a connection of our own."""
    with closing(sqlite3.connect(file)) as connection:
        answers = [row[0] for row in connection.execute("PRAGMA integrity_check")]
        broken = connection.execute("PRAGMA foreign_key_check").fetchall()
    return [*(f"integrity: {text}" for text in answers if text != "ok"), *(f"foreign key: {row}" for row in broken)]


class Seen:
    """What has been looked at, from kill to kill, so that nothing may vanish."""

    def __init__(self) -> None:
        self.forecasts: set[int] = set()
        self.plans: set[int] = set()
        self.last: dict[str, int] = {}
        self.sent: dict[str, Mapping[str, Any]] = {}
        self.read = 0

    def offences(self, engine: Engine, control: Control) -> list[str]:
        """Look at the store: forecasts whole and in step with the feed's state, none lost, plans whole."""
        log = control.log(self.read)
        self.read += len(log)
        self.sent |= {e["digest"]: e for e in log if e["good"] and e["digest"]}
        found: list[str] = []
        with reading(engine) as session:
            rows = session.exec(select(ForecastRow).order_by(col(ForecastRow.id))).all()
            for row in rows:
                assert row.id is not None
                if row.id not in self.forecasts:
                    found += self._broken(row, forecasts.forecast_by_id(session, row.id))
                    self.forecasts.add(row.id)
            for name in SITES:
                found += self._out_of_step(session, name)
            new = [n for n in session.exec(select(PlanRow.id)).all() if n is not None and n not in self.plans]
            for number in new:
                found += _broken_plan(session, number)
                self.plans.add(number)
        return found

    def _broken(self, row: ForecastRow, kept: KeptForecast) -> list[str]:
        """A forecast is one sound payload, and its hours are those that the payload gives, to the last bit."""
        what = f"forecast {row.id} of {row.site_id}"
        if hashlib.sha256(kept.payload).hexdigest() not in self.sent:
            return [f"{what}: not a payload that was sent whole"]
        again = fill_sun(READERS[kept.feed].parse(load(kept.payload, what), kept.fetched_utc), site_of(row.site_id))
        same = again.hours.start_utc == kept.hours.start_utc and all(
            np.array_equal(getattr(again.hours, name), getattr(kept.hours, name), equal_nan=True) for name in SERIES
        )
        ends = (kept.hours.start_utc, kept.hours.time_utc(len(kept.hours) - 1))
        if not same or ends != (row.first_hour_utc, row.last_hour_utc) or again.issued_utc != kept.issued_utc:
            return [f"{what}: its hours are not those of its payload"]
        return []

    def _out_of_step(self, session: Any, name: str) -> list[str]:
        """The feed's state and the last forecast belong together: one transaction wrote them, or none."""
        feed = FEEDS[name][0]
        last = forecasts.last_forecast(session, name, feed)
        row = session.get(FeedStateRow, (name, feed))
        before = self.last.get(name)
        if last is None:
            gone = [f"{name}: forecast {before} is gone"] if before else []
            stamps = bool(row and row.state.get("last_modified"))
            return [*gone, *([f"{name}: validators without a forecast"] if stamps else [])]
        assert last.id is not None
        found = [f"{name}: forecast {last.id} after {before}"] if before and last.id < before else []
        self.last[name] = last.id
        if row is None:
            return [*found, f"{name}: a forecast without the feed's state"]
        entry = self.sent.get(hashlib.sha256(last.payload).hexdigest())
        stamp = entry["sent"].get("Last-Modified") if entry else None
        if row.state.get("last_modified") != stamp:
            found.append(f"{name}: validator {row.state.get('last_modified')!r}, the last forecast has {stamp!r}")
        answered: datetime | None = row.last_answer_utc
        if answered is None or answered < last.fetched_utc or row.next_try_utc <= last.fetched_utc:
            found.append(f"{name}: fetched {last.fetched_utc}, but last answer {answered}, next try {row.next_try_utc}")
        return found


def _broken_plan(session: Any, number: int) -> list[str]:
    """A plan can be read, its forecast is there, and its inputs make the same plan again."""
    kept, inputs = plans.plan_by_id(session, number), plans.inputs_of(session, number)
    if (kept.forecast_id is None) != (inputs.weather.hours is None):
        return [f"plan {number}: forecast and hours do not belong together"]
    if kept.forecast_id is not None:
        forecast = forecasts.forecast_by_id(session, kept.forecast_id)
        if forecast.fetched_utc != inputs.weather.fetched_utc:
            return [f"plan {number}: made from another forecast than it names"]
    if number % 5:  # the costly part for some
        return []
    table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
    again = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, kept.plan.made_utc)
    return [] if again == kept.plan else [f"plan {number}: its inputs make another plan"]


def end_with(offences: Sequence[str]) -> NoReturn:
    """Say what must not be, each once with its number, and end: exit code 1 where there is any."""
    for text, count in Counter(offences).most_common(40):
        print(f"{count} × {text}")
    sys.exit(1 if offences else 0)


def main() -> None:
    """Kill as often as asked, 50 times where nothing is said."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    os.environ["NO_PROXY"] = "127.0.0.1"
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, running() as control:
        store_url = f"sqlite:///{(Path(folder) / 'kill.db').as_posix()}"
        engine = open_store(store_url)
        found = kill_again_and_again(control, engine, store_url, times)
        engine.dispose()
    print(
        f"{found.kills} kills in {time.monotonic() - began:.0f} s, {found.in_a_pull} in the middle of an answer; "
        f"{found.forecasts} forecasts and {found.plans} plans were looked at; offences: {len(found.offences)}"
    )
    end_with(found.offences)


if __name__ == "__main__":
    main()
