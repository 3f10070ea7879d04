"""A site with two joints, and a real local server that plays two weather services to it; the clock is moved by hand."""

import json
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import Engine
from sqlmodel import func, select

from frostshift_rules.job import Acceptance, HeatSource, Joint, Part, Shift, Site
from frostshift_rules.workload import JointPlan, Plan
from frostshift_service import http
from frostshift_service.jobs import Jobs
from frostshift_service.outbox import Wiring
from frostshift_service.store import forecasts
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import FeedRow, ImportedJoint
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import ForecastRow, PlanRow

PAYLOADS = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
TABLE = "aws_d1_1_2015_t3_3"

NWS = Site(
    id="ore-shed",
    name="Ore shed, row C",
    latitude=46.5,
    longitude=-94.0,
    altitude_m=251.0,
    zone="America/Chicago",
    table_id=TABLE,
    code_units="us",
    shifts=(Shift("day", time(6, 30), time(16, 30)), Shift("night", time(18), time(2))),
    heat_sources=(HeatSource("tip", "oxy-propane tip", "propane", 45.0, count=4),),
    acceptances=(Acceptance(TABLE, "Q. Arden", NOW.date()),),
    last_nights_low_c=-6.0,
)
NORTH = replace(NWS, id="dry-dock", latitude=69.6, longitude=18.9, zone="Europe/Oslo")


def joint(mark: str, thickness_mm: float, after_h: float, **fields: Any) -> Joint:
    values: dict[str, Any] = {
        "place": "row C",
        "parts": (Part("A572-50", thickness_mm), Part("A572-50", thickness_mm)),
        "process": "SMAW",
        "electrode": "E7018",
        "hydrogen_ml": 4.0,
        "procedure": None,
        "weld_length_mm": 400.0,
        "ends": "inside",
        "start_utc": datetime(2027, 1, 14, 21, tzinfo=UTC) + timedelta(hours=after_h),
        "hours": 2.0,
        **fields,
    }
    return Joint(mark, **values)


HEAVY = joint("C-1", 60.0, 16.0)
THIN = joint("C-2", 12.0, 40.0)
UNSAID = joint("C-3", 12.0, 20.0, electrode=None)
"""Unknown, so that no heat is planned for it."""


class Clock:
    """A clock that is moved by hand."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


class WeatherServer(ThreadingHTTPServer):
    """Both services on one port of this machine: what each address answers, and what was asked."""

    daemon_threads = True

    def __init__(self, clock: Callable[[], datetime]) -> None:
        super().__init__(("127.0.0.1", 0), _Answers)
        self.clock = clock
        self.status = 200
        self.only: dict[str, int] = {}  # first part of the path -> status of that alone
        self.stamp = "Thu, 14 Jan 2027 20:12:30 GMT"
        self.expires_in = timedelta(minutes=20)
        self.grid = (PAYLOADS / "nws_long.json").read_bytes()
        self.timeseries = (PAYLOADS / "met_norway_long.json").read_bytes()
        self.seen: list[tuple[str, int]] = []
        self.asked = threading.Event()
        self.base_url = f"http://127.0.0.1:{self.server_port}"


class _Answers(BaseHTTPRequestHandler):
    server: WeatherServer

    def do_GET(self) -> None:
        server = self.server
        path, _, query = self.path.partition("?")
        server.asked.set()
        status = server.only.get(path.split("/")[1], server.status)
        if status != 200:
            return self._send(status, (PAYLOADS / "nws_problem_503.json").read_bytes())
        if path == "/points/46.5,-94":
            points = json.loads((PAYLOADS / "nws_points.json").read_text(encoding="utf-8"))
            points["properties"]["forecastGridData"] = f"{server.base_url}/gridpoints/XYZ/101,66"
            return self._send(200, json.dumps(points).encode())
        known = {"/gridpoints/XYZ/101,66": server.grid}
        if query in ("lat=69.6&lon=18.9&altitude=251", "lat=46.5&lon=-94&altitude=251"):
            known["/locationforecast/2.0/complete"] = server.timeseries
        if path not in known:
            return self._send(404, b'{"title": "Not Found"}')
        if self.headers.get("If-Modified-Since") == server.stamp:
            return self._send(304, b"")
        return self._send(200, known[path])

    def _send(self, status: int, body: bytes) -> None:
        self.server.seen.append((self.path, status))
        self.send_response(status)
        if status in (200, 304):
            self.send_header("Last-Modified", self.server.stamp)
            self.send_header("Expires", format_datetime(self.server.clock() + self.server.expires_in, usegmt=True))
        self.send_header("Content-Type", "application/geo+json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def date_time_string(self, timestamp: float | None = None) -> str:
        return format_datetime(self.server.clock(), usegmt=True)

    def log_message(self, *_: object) -> None:
        pass


def with_site(engine: Engine, site: Site = NWS, *joints: Joint) -> None:
    with writing(engine) as session:
        save_site(session, site)
    if joints:
        load(engine, site, *joints)


def load(engine: Engine, site: Site, *joints: Joint) -> None:
    rows = [ImportedJoint(one, row) for row, one in enumerate(joints, 2)]
    with writing(engine) as session:
        kept_joints.import_joints(session, site.id, rows, now=NOW, file_name="week.csv", by="test")


def jobs_of(
    engine: Engine,
    clock: Callable[[], datetime],
    server: WeatherServer | None,
    client: httpx.Client,
    jitter: float = 0,
    wiring: Wiring | None = None,
) -> Jobs:
    base_urls = {} if server is None else dict.fromkeys(("nws", "met_norway", "nws_hourly"), server.base_url)
    get = None if server is None else (lambda now: http.bind(client, now))
    return Jobs(engine, clock, get=get, jitter=lambda: jitter, base_urls=base_urls, wiring=wiring)


def state(engine: Engine, site: Site = NWS, feed: str = "nws") -> FeedRow:
    with reading(engine) as session:
        row = forecasts.feed_row(session, site.id, feed)
    assert row is not None
    return row


def issued_of(engine: Engine) -> datetime | None:
    with reading(engine) as session:
        return session.exec(select(ForecastRow.issued_utc)).one()


def count(engine: Engine, table: type[ForecastRow] | type[PlanRow]) -> int:
    with reading(engine) as session:
        return session.exec(select(func.count()).select_from(table)).one()


def shown(jobs: Jobs, site: Site = NWS) -> Plan:
    plan = jobs.current_plan(site.id)
    assert plan is not None
    return plan


def of(plan: Plan, mark: str) -> JointPlan:
    return next(one for one in plan.joints if one.joint.mark == mark)
