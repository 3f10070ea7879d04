"""Several copies of the service on one store: what one has planned the others show, and nothing is done twice."""

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, func
from sqlmodel import select

from frostshift_service import demo
from frostshift_service.jobs import PLAN_AGE, Jobs
from frostshift_service.log_lines import write_log
from frostshift_service.schedule_file import read_schedule
from frostshift_service.site_turns import LONGEST, SiteTurns
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.sites import save_site, touch
from frostshift_service.store.tables import PlanRow, SiteTurnRow
from frostshift_service.store.turns import LEASE

NOW = datetime(2026, 1, 12, 21, 30, tzinfo=UTC)


class Clock:
    def __init__(self) -> None:
        self.at = NOW

    def __call__(self) -> datetime:
        return self.at


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(store_url: str) -> Iterator[Engine]:
    engine = open_store(store_url)
    yield engine
    engine.dispose()


@pytest.fixture
def copy(store: Engine, clock: Clock, tmp_path: Path) -> Callable[..., Jobs]:
    """Makes a copy of the service on the store, which holds the demo's job and its forecast."""
    site = demo.demo_site(NOW)
    read = read_schedule(demo.demo_schedule(NOW), "week.csv", site, NOW, 10**7, 1000)
    with writing(store) as session:
        save_site(session, site, show_units="us", feed="file")
        import_joints(session, site.id, read.joints[:8], now=NOW, file_name="week.csv", by="test")
    payload = tmp_path / "forecast.json"
    payload.write_bytes(demo.demo_payload(NOW))

    def make(**options: Any) -> Jobs:
        return Jobs(store, clock, get=None, jitter=lambda: 0.0, **options)

    make().take_payload(site.id, payload)
    return make


def plans_kept(store: Engine) -> int:
    with reading(store) as session:
        return session.exec(select(func.count()).select_from(PlanRow)).one()


def test_a_plan_is_made_once_and_is_the_same_for_all(store: Engine, copy: Callable[..., Jobs]) -> None:
    first, second = copy(), copy()
    made = first.current_plan(demo.SITE_ID)
    assert made is not None
    assert made.joints
    assert second.current_plan(demo.SITE_ID) == made
    assert plans_kept(store) == 1
    assert second.weather(demo.SITE_ID).weather.feed == first.weather(demo.SITE_ID).weather.feed
    assert second.forecast_hours(demo.SITE_ID) is not None


def test_a_copy_makes_a_plan_anew_where_something_changed_or_it_is_old(
    store: Engine, copy: Callable[..., Jobs], clock: Clock
) -> None:
    first, second = copy(), copy()
    first.current_plan(demo.SITE_ID)
    with writing(store) as session:
        touch(session, demo.SITE_ID)
    second.current_plan(demo.SITE_ID)
    assert plans_kept(store) == 2
    first.current_plan(demo.SITE_ID)
    assert plans_kept(store) == 2
    clock.at += PLAN_AGE
    first.current_plan(demo.SITE_ID)
    second.current_plan(demo.SITE_ID)
    assert plans_kept(store) == 3


def test_a_clock_that_was_ahead_does_not_make_plans_without_end(
    store: Engine, copy: Callable[..., Jobs], clock: Clock
) -> None:
    jobs = copy()
    clock.at += timedelta(hours=1)
    for _ in range(25):
        jobs.replan(demo.SITE_ID)
        clock.at += timedelta(seconds=1)
    clock.at = NOW
    jobs.current_plan(demo.SITE_ID)
    kept = plans_kept(store)
    for _ in range(3):
        plan = jobs.current_plan(demo.SITE_ID)
    assert plan is not None
    assert plan.made_utc == NOW
    assert plans_kept(store) == kept


def test_what_is_held_in_memory_has_an_end(store: Engine, copy: Callable[..., Jobs]) -> None:
    jobs = copy(joints_in_hand=10)
    site = demo.demo_site(NOW)
    with writing(store) as session:
        save_site(session, replace(site, id="dry-dock"), show_units="us", feed="file")
        read = read_schedule(demo.demo_schedule(NOW), "week.csv", site, NOW, 10**7, 1000)
        import_joints(session, "dry-dock", read.joints[:8], now=NOW, file_name="week.csv", by="test")
    for _ in range(2):
        assert jobs.current_plan(demo.SITE_ID) is not None
        assert jobs.current_plan("dry-dock") is not None
    assert list(jobs._current) == ["dry-dock"]
    assert plans_kept(store) == 2  # and what is not in memory is read, not made again


def test_two_copies_share_the_turns(store: Engine, copy: Callable[..., Jobs], clock: Clock) -> None:
    first, second = copy(name="first"), copy(name="second")
    first.tick()
    second.tick()
    assert plans_kept(store) == 1
    clock.at += timedelta(minutes=1)
    second.tick()
    with reading(store) as session:
        row = session.exec(select(SiteTurnRow)).one()
    assert row.number == 1  # left to the first, which has the plan in hand ...
    clock.at += timedelta(seconds=6)
    second.tick()
    with reading(store) as session:
        assert session.exec(select(SiteTurnRow)).one().number == 2  # ... but not for long
    assert plans_kept(store) == 1


def test_the_log_and_the_store_call_a_copy_by_the_same_name(
    store: Engine, copy: Callable[..., Jobs], capsys: pytest.CaptureFixture[str]
) -> None:
    logs = [logging.getLogger(name) for name in ("", "apscheduler.scheduler", "frostshift_service")]
    before = [(log, log.level, list(log.handlers)) for log in logs]
    try:
        write_log("json", "info")
        logs[0].warning("one line")
    finally:
        for log, level, handlers in before:
            log.setLevel(level)
            log.handlers[:] = handlers
    copy().tick()
    with reading(store) as session:
        taken_by = session.exec(select(SiteTurnRow.copy_name)).one()
    assert json.loads(capsys.readouterr().err.splitlines()[0])["copy"] == taken_by


def test_a_site_that_hangs_holds_no_second_worker_of_the_copy(store: Engine, clock: Clock) -> None:
    with writing(store) as session:
        save_site(session, demo.demo_site(NOW), show_units="us", feed="file")
    begun, go_on, taken = threading.Event(), threading.Event(), list[str]()

    def hang(_site_id: str) -> None:
        begun.set()
        go_on.wait(60)

    here = SiteTurns(store, clock, "here", hang, threading.Event())
    worker = threading.Thread(target=here.run)
    worker.start()
    assert begun.wait(20)
    clock.at += LONGEST + 2 * LEASE  # its claim has run out
    try:
        assert here.run() == 0
        SiteTurns(store, clock, "there", taken.append, threading.Event()).run()
        assert taken == [demo.SITE_ID]
    finally:
        go_on.set()
        worker.join()
    clock.at += timedelta(minutes=2)
    assert here.run() == 1, "once it is free it has its turn here, too"


WORKER = """
import sys, threading, time
from datetime import UTC, datetime, timedelta
from frostshift_service import clock
from frostshift_service.store import turns
from frostshift_service import site_turns
turns.LEASE = timedelta(seconds=2)
site_turns.BEAT_S = 0.4
from frostshift_service.store.engine import open_store
engine = open_store(sys.argv[1])
def work(site_id):
    print(site_id, flush=True)
    time.sleep(float(sys.argv[2]))
loop = site_turns.SiteTurns(engine, clock.utc_now, sys.argv[3], work, threading.Event())
while True:
    loop.run()
    time.sleep(0.1)
"""


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGSTOP], ids=["dies", "freezes"])
def test_a_copy_that_dies_or_freezes_is_taken_over(store: Engine, store_url: str, end: signal.Signals) -> None:
    """Two real processes; the claim runs out after 2 s here instead of 40."""
    with writing(store) as session:
        save_site(session, demo.demo_site(NOW), show_units="us", feed="file")

    def start(name: str, seconds: float) -> subprocess.Popen[str]:
        command = [sys.executable, "-u", "-c", WORKER, store_url, str(seconds), name]
        return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={**os.environ})

    first = start("first", 60.0)
    second = None
    try:
        assert first.stdout is not None
        assert first.stdout.readline().strip() == demo.SITE_ID
        second = start("second", 60.0)
        assert second.stdout is not None
        time.sleep(4.0)  # twice the lease: while the first lives its claim is renewed
        with reading(store) as session:
            assert session.exec(select(SiteTurnRow)).one().copy_name == "first"
        first.send_signal(end)
        assert second.stdout.readline().strip() == demo.SITE_ID
        with reading(store) as session:
            assert session.exec(select(SiteTurnRow)).one().copy_name == "second"
    finally:
        for one in (first, second):
            if one is not None:
                one.kill()
                one.wait()
                assert one.stdout is not None
                one.stdout.close()
