"""A winter in one process: does the memory of the service stay, and how much room does the store take?

    python -m tests.bench.soak [DAYS] [HOURS]

The real loops and the web app run on one store against the simulated weather services (`tests/weather_services`, a
process of its own); only the clock is moved on, by HOURS between two turns. A turn is what the service does by itself:
pull alerts, forecast and station where they are due, plan, decide, deliver, let old rows go where it is time, without
the pauses between its transactions; then people look at the morning sheet, the gas, the weather and a crew's page.
Once a day a superintendent sets to done what is over, and a crew writes down a reading on cold steel, one on heated
steel, and the air. Once a week another schedule of the demo's size comes in, with marks and thicknesses of its own, the
superintendent signs in anew and the crew gets another link. Every fourth week its weather service has the faults of
`week.script`, but those that only take time or memory. Messages go to a sender that takes all of them.

Memory and objects are counted once a week after a full run of Python's collector: `held` is what the system has given
the process, `in use` what of it the service has not given back (`in_use.py`). In use that grows is a leak, or something
kept that fills to its bound; where only held grows, free memory lies in pieces too small to hand back. Memory is let go
once a day, as the service does. The slope is that of least squares through the last three quarters. Places, weather and
job are invented.
"""

from __future__ import annotations

import asyncio
import csv
import gc
import io
import logging
import os
import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path
from statistics import linear_regression
from time import monotonic

import httpx
import stamina
from sqlalchemy import Engine
from sqlmodel import func, select
from tests.bench.in_use import in_use_mb
from tests.bench.load import memory_mb
from tests.weather_services.checks import ATTEMPTS
from tests.weather_services.control import Control, running
from tests.weather_services.truth import PLACES
from tests.weather_services.week import CONTACT, START, script

from frostshift_rules.job import Site
from frostshift_rules.notice_setup import Address
from frostshift_service import demo, http
from frostshift_service.app import create_app
from frostshift_service.jobs import Jobs
from frostshift_service.memory import let_go, share_pools
from frostshift_service.metrics import REGISTRY
from frostshift_service.notice_work import wiring
from frostshift_service.schedule_file import read_schedule
from frostshift_service.senders import Message
from frostshift_service.settings import Settings
from frostshift_service.stock_form import contents_of, kinds_of
from frostshift_service.store.crew_links import new_crew_token
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints, joints_of, set_joint_state
from frostshift_service.store.notices import save_setup
from frostshift_service.store.sites import save_site
from frostshift_service.store.stock import add_entry
from frostshift_service.store.tables import Table
from frostshift_service.tidying import tidy_where_due

HOUR, DAY, WEEK = timedelta(hours=1), timedelta(days=1), timedelta(days=7)
HOURS_BETWEEN = 7
"""Hourly turns would take an hour of a processor. With seven every hour of the day has its turn."""
PLACE = next(place for place in PLACES if place.name == "ore-shed")
ONLY_SLOW_OR_LARGE = {"hang", "slow_body", "latency", "gzip_bomb", "too_large"}
FLAT_SHARE = 0.02
"""Memory that grows by less than this in `WINTER_DAYS` is called flat. Our choice."""
WINTER_DAYS = 150
SITE = f"/sites/{demo.SITE_ID}"


@dataclass
class TakesAll:
    """A channel that takes every message."""

    sent: int = 0

    def send(self, _address: Address, _message: Message, _now: datetime) -> str:
        """Take it."""
        self.sent += 1
        return "taken"


@dataclass
class Sample:
    """What was measured at the end of a simulated week."""

    day: float
    held_mb: float
    in_use_mb: float
    objects: int
    file_mb: float
    plans: int
    wall_s: float


@dataclass
class Winter:
    """The service in this process, people before it, and its clock."""

    engine: Engine
    control: Control
    jobs: Jobs
    browser: httpx.AsyncClient
    runner: asyncio.Runner
    new_link: Callable[[], str]
    clock: list[datetime]
    file: Path
    done: Counter[str] = field(default_factory=Counter)
    samples: list[Sample] = field(default_factory=list)
    luck: random.Random = field(default_factory=lambda: random.Random(7))
    crew: str = ""

    @property
    def now(self) -> datetime:
        """By the clock that is moved on."""
        return self.clock[0]


def site_of() -> Site:
    """The demo's site at a place that all services know."""
    site = demo.demo_site(START)
    return replace(
        site,
        latitude=PLACE.latitude,
        longitude=PLACE.longitude,
        altitude_m=float(PLACE.altitude_m),
        zone=PLACE.zone,
    )


def schedule_of_week(now: datetime, number: int) -> bytes:
    """The demo's schedule from today on, with marks of its own; every third joint is a little thicker each week."""
    rows = list(csv.reader(io.StringIO(demo.demo_schedule(now).decode())))
    mark, thickness = rows[0].index("mark"), rows[0].index("thickness_1")
    for place, row in enumerate(filter(None, rows[1:])):
        row[mark] += f"-w{number}"
        found = re.fullmatch(r"(?:(\d+)-)?(\d+(?:/\d+)?) in", row[thickness])
        if found and place % 3 == 0:
            row[thickness] = f"{float(int(found[1] or 0) + Fraction(found[2])) + 0.01 * number:.2f} in"
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue().encode()


def new_week(winter: Winter, number: int) -> None:
    """Another schedule, a new session, a new link of the crew, and what goes wrong at the weather service."""
    site, now = site_of(), winter.now
    read = read_schedule(schedule_of_week(now, number), f"week-{number}.csv", site, now, 10**7, 1000)
    assert not read.errors, read.errors[:3]
    with writing(winter.engine) as session:
        import_joints(session, site.id, read.joints, now=now, file_name=f"week-{number}.csv", by="soak")
        winter.crew = new_crew_token(session, site.id, "page", "north", now=now, by="soak")
    winter.done["schedules"] += 1
    winter.browser.cookies.clear()
    ask(winter, "POST", "/enter", 303, data={"token": winter.new_link().split("token=")[1]})
    count_requests(winter)
    faults = script(now) if number % 4 == 3 else []
    ours = [one for one in faults if one["place"] == PLACE.name and one["kind"] not in ONLY_SLOW_OR_LARGE]
    winter.control.set_faults(ours)
    winter.done["scripted faults"] += len(ours)


def count_requests(winter: Winter) -> None:
    """What the weather services were asked since the last time."""
    winter.done["requests to weather services"] += len(winter.control.log())
    winter.control.forget()


def ask(winter: Winter, method: str, path: str, status: int, **more: object) -> httpx.Response:
    """An answer of the web app, which has to be the one expected."""
    answer = winter.runner.run(winter.browser.request(method, path, **more))  # type: ignore[arg-type]
    assert answer.status_code == status, (winter.now, path, answer.status_code, answer.text[:500])
    return answer


def new_day(winter: Winter) -> None:
    """Joints that are over are done, and two readings and the air are written down."""
    now = winter.now
    with reading(winter.engine) as session:
        there = [one for one in joints_of(session, demo.SITE_ID) if one.state != "done"]
    over = [one.mark for one in there if one.start_utc + one.hours * HOUR < now]
    with writing(winter.engine) as session:
        for mark in over[1:]:
            set_joint_state(session, demo.SITE_ID, mark, "done", now=now, by="soak")
    for mark in over[:1]:
        ask(winter, "POST", f"{SITE}/state", 303, data={"mark": mark, "action": "done"})
    winter.done["joints set to done"] += len(over)
    left = [one.mark for one in there if one.mark not in over]
    if left:
        cold = {"steel_c": winter.luck.uniform(-12.0, 0.0), "stage": "before_heat"}
        hot = {"steel_c": winter.luck.uniform(80.0, 140.0), "stage": "before_arc"}
        posted = [{"mark": winter.luck.choice(left), "age_s": 60, "by": "R. Moss", **one} for one in (cold, hot)]
        ask(winter, "POST", f"{SITE}/readings.json", 200, json=posted)
        winter.done["readings"] += len(posted)
    air = {"value": f"{winter.luck.uniform(-12.0, 2.0):.0f}", "unit": "C", "by": "R. Moss"}
    ask(winter, "POST", f"{SITE}/air-readings", 303, data=air)
    winter.done["air readings"] += 1


def turn(winter: Winter) -> None:
    """What the service does by itself, and people looking."""
    winter.jobs.tick()
    winter.jobs.deliver()
    gone = tidy_where_due(winter.engine, winter.now, lambda: False)
    winter.done["rows let go"] += sum(gone.values())
    for path in (f"{SITE}/morning", f"{SITE}/gas", f"{SITE}/weather", f"/crew/{winter.crew}"):
        ask(winter, "GET", path, 200)
        winter.done["pages"] += 1
    winter.done["turns"] += 1


def sample(winter: Winter, wall_s: float) -> Sample:
    """Memory and room now."""
    gc.collect()
    files = [winter.file, winter.file.with_name(winter.file.name + "-wal")]
    size_mb = sum(one.stat().st_size for one in files if one.exists()) / 1e6
    plans = int(REGISTRY.get_sample_value("frostshift_plan_seconds_count") or 0)
    day, held_mb = (winter.now - START) / DAY, memory_mb(os.getpid())[0]
    return Sample(day, held_mb, in_use_mb(), len(gc.get_objects()), size_mb, plans, wall_s)


def play(winter: Winter, days: int, hours: int) -> None:
    """The whole winter, a line a week."""
    print(f"{'day':>5} {'held MB':>8} {'in use MB':>10} {'objects':>9} {'store MB':>9} {'plans':>6} {'wall s':>7}")
    begun, end, week, day = monotonic(), START + days * DAY, 0, 0
    while winter.now < end:
        winter.control.set_clock(winter.now)
        if winter.now >= START + week * WEEK:
            new_week(winter, week)
            week += 1
        if winter.now >= START + day * DAY:
            new_day(winter)
            let_go()
            day += 1
        turn(winter)
        winter.clock[0] += hours * HOUR
        if winter.now >= START + week * WEEK or winter.now >= end:
            one = sample(winter, monotonic() - begun)
            winter.samples.append(one)
            line = f"{one.day:5.0f} {one.held_mb:8.1f} {one.in_use_mb:10.1f} {one.objects:9,} {one.file_mb:9.1f}"
            print(f"{line} {one.plans:6} {one.wall_s:7.0f}", flush=True)


def slope(days: Sequence[float], values: Sequence[float]) -> float:
    """Growth a day by least squares."""
    return linear_regression(days, values).slope


def verdict(samples: Sequence[Sample]) -> str:
    """Whether memory is flat over the last three quarters: what is in use, and what is held."""
    if len(samples) > 1 and samples[-1].day - samples[-2].day < WEEK / DAY - 1.0:
        samples = samples[:-1]  # in the middle of a week there are other joints than at its end
    late = samples[len(samples) // 4 :]
    if len(late) < 4:
        return "too short to say whether memory is flat"
    days = [one.day for one in late]
    lines = []
    for name, values in (("in use", [one.in_use_mb for one in late]), ("held", [one.held_mb for one in late])):
        kb_a_day = 1e3 * slope(days, values)
        share = kb_a_day * WINTER_DAYS / 1e3 / values[0]
        said = "flat" if share < FLAT_SHARE else "GROWS"
        lines.append(f"memory {name}: {said}; {kb_a_day:+.1f} kB a simulated day, {share:+.1%} in {WINTER_DAYS} days")
    objects = slope(days, [one.objects for one in late])
    return "\n".join((*lines, f"objects: {objects:+.1f} a simulated day; all over the last {len(late)} weeks"))


def rows_by_table(engine: Engine) -> list[tuple[int, str]]:
    """Rows of every table that has any, most first."""
    with reading(engine) as session:
        counts = [
            (session.exec(select(func.count()).select_from(table)).one(), name)
            for name, table in Table.metadata.tables.items()
        ]
    return sorted(((count, name) for count, name in counts if count), reverse=True)


def count_warnings(said: Counter[str]) -> None:
    """What the service's log says that is worse than news, counted by its text before any figure."""

    class Counting(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said[f"{record.levelname}: {str(record.msg)[:120]}"] += 1

    logging.getLogger().addHandler(Counting(logging.WARNING))


def main() -> None:
    """Play the winter and print it."""
    share_pools()  # as `frostshift serve` does
    os.environ["NO_PROXY"] = "127.0.0.1"
    days = int(sys.argv[1]) if len(sys.argv) > 1 else WINTER_DAYS
    hours = int(sys.argv[2]) if len(sys.argv) > 2 else HOURS_BETWEEN
    said: Counter[str] = Counter()
    count_warnings(said)
    with tempfile.TemporaryDirectory() as name, running() as control, http.make_client(CONTACT, "0.1.0") as client:
        file = Path(name) / "frostshift.db"
        engine, site = open_store(f"sqlite:///{file.as_posix()}"), site_of()
        channel = TakesAll()
        with writing(engine) as session:
            save_site(session, site, show_units="us", instead=("met_norway",))
            people = demo.demo_people()
            reached = tuple(
                replace(one, addresses=(Address("email", f"{one.id}@site.example"),)) for one in people.people
            )
            save_setup(session, site.id, replace(people, people=reached), now=START)
            contents = contents_of(kinds_of(site))
            for number, entry in enumerate(demo.demo_stock(START)):
                add_entry(session, site.id, entry, entry_key=f"soak-{number}", contents_kg=contents, now=START)
        clock = [START]
        jobs = Jobs(
            engine,
            lambda: clock[0],
            get=lambda moment: http.bind(client, moment),
            jitter=random.Random(5).random,
            base_urls=control.base_urls,
            senders={"email": channel},
            wiring=wiring("http://localhost", lambda: clock[0]),
        )
        settings = Settings(data_dir=Path(name), contact=None, requests_per_second=10_000.0)
        app = create_app(settings, engine, lambda: clock[0], jobs)
        with asyncio.Runner() as runner, stamina.set_testing(True, attempts=ATTEMPTS):
            headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
            transport = httpx.ASGITransport(app)
            browser = httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers)
            winter = Winter(engine, control, jobs, browser, runner, app.state.door.new_link, clock, file)
            print(f"{days} days from {START:%Y-%m-%d %H:%M} UTC, a turn every {hours} h")
            play(winter, days, hours)
            runner.run(browser.aclose())
        count_requests(winter)
        winter.done["messages sent"] = channel.sent
        winter.done["plans"] = winter.samples[-1].plans
        print("done: " + ", ".join(f"{count:,} {what}" for what, count in winter.done.items()))
        print(verdict(winter.samples))
        print("rows: " + ", ".join(f"{name} {count:,}" for count, name in rows_by_table(engine)))
        for what, count in said.most_common(20):
            print(f"log, {count} times: {what}")
        engine.dispose()


if __name__ == "__main__":
    main()
