"""Alive, ready, figures: what is told to whatever watches over the service, and to whom."""

import socket
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from time import monotonic
from typing import Any

import anyio
import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine, make_url, text
from sqlalchemy.exc import OperationalError
from sqlmodel import select
from tests.service.weather_site import HEAVY, NWS, Clock, with_site
from tests.service.web.conftest import NOW, HandPlanner, Web
from tests.service.web.test_auth import account

from frostshift_service import jobs as loops
from frostshift_service import readiness
from frostshift_service.app import create_app
from frostshift_service.clock import utc_now
from frostshift_service.jobs import Jobs
from frostshift_service.metrics import DATABASE_TIMEOUTS
from frostshift_service.notice_work import wiring
from frostshift_service.readiness import Readiness
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.forecasts import put_feed_row
from frostshift_service.store.machine_tokens import new_machine_token, revoke_machine_token
from frostshift_service.store.plans import newest_made
from frostshift_service.store.records import FeedRow
from frostshift_service.store.sites import load_site, save_site, touch
from frostshift_service.store.tables import NoticeDeliveryRow, NoticeRow, SessionRow, SiteTurnRow

pytestmark = pytest.mark.anyio
SITE, OTHER = "north-yard", "south-yard"


@pytest.fixture(autouse=True)
def looked_at_now(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every question is asked anew, of the test's own database."""
    monkeypatch.setattr(readiness, "HELD_S", 0.0)
    web.app.state.readiness = Readiness(lambda: web.engine, None)


# Alive and ready


@pytest.mark.parametrize("path", ["/healthz", "/readyz"])
async def test_whoever_watches_gets_an_answer_by_any_name_and_leaves_no_trace(web: Web, path: str) -> None:
    async with web.client(signed_in=False) as client:
        for host in ("localhost:8765", "10.1.2.3:8765", "frost.internal"):
            answer = await client.get(path, headers={"host": host, "cookie": "frostshift_session=x"})
            assert answer.status_code == 200
        head = await client.head(path)
        posted = await client.post(path)
    assert answer.json() == ({"alive": True} if path == "/healthz" else {"ready": True, "problems": []})
    assert answer.headers["cache-control"] == "no-store"
    assert (head.status_code, head.content, posted.status_code) == (200, b"", 401)
    assert "set-cookie" not in answer.headers
    with reading(web.engine) as session:
        assert session.exec(select(SessionRow)).all() == []


async def problems_of(web: Web) -> list[str]:
    async with web.client(signed_in=False) as client:
        answer = await client.get("/readyz")
        alive = await client.get("/healthz")
    said: list[str] = answer.json()["problems"]
    assert (answer.status_code, answer.json()["ready"]) == ((503, False) if said else (200, True))
    assert alive.status_code == 200
    return said


async def test_a_locked_database_is_not_ready_until_it_is_free(web: Web) -> None:
    with closing(sqlite3.connect(str(web.engine.url.database), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        began = monotonic()
        assert await problems_of(web) == ["The database is locked."]
        assert monotonic() - began < readiness.WITHIN_S + 5
        other.execute("ROLLBACK")
        assert await problems_of(web) == []


async def test_another_schema_and_a_lost_file_are_not_ready(web: Web) -> None:
    with web.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'newer'"))
    assert await problems_of(web) == ["The database has another schema than this version works with."]
    web.engine.dispose()
    file = Path(str(web.engine.url.database))
    for part in file.parent.glob(f"{file.name}*"):
        part.unlink()
    assert await problems_of(web) == ["The database does not answer (OperationalError)."]
    assert not file.exists()


@pytest.mark.parametrize(
    ("still_s", "said"),
    [
        (None, ["The loop that pulls and plans has taken no step yet."]),
        (readiness.STILL_S - 1, []),
        (readiness.STILL_S + 31, ["The loop that pulls and plans has stood still for 10 min."]),
    ],
)
async def test_a_loop_that_stands_still_is_not_ready(web: Web, still_s: float | None, said: list[str]) -> None:
    web.app.state.readiness = Readiness(lambda: web.engine, lambda: {"pulls and plans": still_s, "sends": 1.0})
    assert await problems_of(web) == said


@pytest.mark.parametrize(
    ("step", "broken", "loop"), [("turns", "_take", "pulls and plans"), ("deliver", "deliver", "sends messages")]
)
async def test_a_loop_that_fails_every_time_is_counted_and_soon_not_ready(
    web: Web, monkeypatch: pytest.MonkeyPatch, step: str, broken: str, loop: str
) -> None:
    clock = Clock(NOW)
    jobs = Jobs(web.engine, clock, get=None, jitter=lambda: 0.5, senders={}, wiring=wiring(None, clock))
    web.app.state.readiness = Readiness(lambda: web.engine, jobs.still_s)

    def fails(*_: object, **_named: object) -> None:
        raise ZeroDivisionError

    async def counted() -> float | None:
        async with web.client() as client:
            return one(samples(await client.get("/metrics")), "frostshift_errors_total", step=step)

    before = await counted()
    assert before is not None, "it begins with its first error"
    jobs.tick()
    jobs.deliver()
    assert await problems_of(web) == []
    monkeypatch.setattr(jobs._turns if step == "turns" else loops, broken, fails)
    monkeypatch.setattr(loops, "monotonic", lambda: monotonic() + readiness.STILL_S + 1)
    jobs.tick()
    jobs.deliver()
    assert await problems_of(web) == [f"The loop that {loop} has stood still for 10 min."]
    assert await counted() == before + 1


async def test_many_who_ask_are_one_question_to_the_database(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []
    release = threading.Event()

    def never(_engine: Engine, within_s: float) -> None:
        asked.append(within_s)
        release.wait(20)

    monkeypatch.setattr(readiness, "check_answers", never)
    monkeypatch.setattr(readiness, "WITHIN_S", 0.3)
    said: list[list[str]] = []

    async def ask() -> None:
        said.append(await web.app.state.readiness.problems())

    async with anyio.create_task_group() as group:
        for _ in range(50):
            group.start_soon(ask)
    await ask()  # and at once for whoever comes while it still hangs
    assert said == [["The database has not answered within 0.3 s."]] * 51
    assert len(asked) == 1
    release.set()


class Relay:
    """Stands between us and a database server; it can swallow what is sent, be away for a while, or be gone."""

    def __init__(self, host: str, port: int) -> None:
        self._to, self.frozen, self._away = (host, port), False, False
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._pairs: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                ours, _ = self._server.accept()
                if self._away:
                    ours.close()
                    continue
                theirs = socket.create_connection(self._to)
                self._pairs += [ours, theirs]
                for pair in ((ours, theirs), (theirs, ours)):
                    threading.Thread(target=self._carry, args=pair, daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if not self.frozen:
                    target.sendall(data)

    def away(self) -> None:
        """End every connection and take no other, as a server that starts again."""
        self._away = True
        self._end(*self._pairs)

    def back(self) -> None:
        self._away = False

    def gone(self) -> None:
        self._end(self._server, *self._pairs)

    def _end(self, *sockets: socket.socket) -> None:
        for one in sockets:
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()


@pytest.fixture
def relayed(postgres_url: str) -> Iterator[tuple[Engine, Relay]]:
    address = make_url(postgres_url)
    relay = Relay(address.host or "127.0.0.1", address.port or 5432)
    engine = open_store(address.set(host="127.0.0.1", port=relay.port).render_as_string(hide_password=False))
    yield engine, relay
    relay.gone()
    engine.dispose()


@pytest.mark.postgres
async def test_postgresql_that_is_silent_or_gone_is_not_ready(relayed: tuple[Engine, Relay]) -> None:
    engine, relay = relayed
    look = Readiness(lambda: engine, None)
    assert await look.problems() == []
    relay.frozen = True
    began = monotonic()
    assert await look.problems() == ["The database does not answer (ConnectionTimeout)."]
    assert monotonic() - began < readiness.WITHIN_S + 5
    relay.frozen = False
    assert await look.problems() == []
    relay.gone()
    fresh = Readiness(lambda: engine, None)
    assert await fresh.problems() == ["The database does not answer (OperationalError)."]


@pytest.mark.postgres
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
async def test_loops_go_on_once_postgresql_is_back(store_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Plans are made before it is away, none while it is, and again after it, without anybody's help."""
    monkeypatch.setattr(loops, "LOOK_EVERY_S", 1)
    address, direct = make_url(store_url), open_store(store_url)
    relay = Relay(address.host or "127.0.0.1", address.port or 5432)
    engine = open_store(address.set(host="127.0.0.1", port=relay.port).render_as_string(hide_password=False))
    jobs, look = Jobs(engine, utc_now, get=None, jitter=lambda: 0.5), Readiness(lambda: engine, None)
    with_site(direct, NWS, HEAVY)

    async def planned() -> None:
        """The site is changed past the relay, and the loop sees it."""
        with writing(direct) as session:
            revision = touch(session, NWS.id)
        until = monotonic() + 90  # a turn that was broken off is taken up when its claim runs out
        made, at_work = None, True
        while (made is None or made.site_revision != revision or at_work) and monotonic() < until:
            await anyio.sleep(0.1)
            with reading(direct) as session:
                made = newest_made(session, NWS.id)
                at_work = session.exec(select(SiteTurnRow.held_until_utc)).one() is not None
        assert made is not None
        assert (made.site_revision, at_work) == (revision, False)

    jobs.start()
    try:
        await planned()
        relay.away()
        assert await look.problems() == ["The database does not answer (OperationalError)."]
        await anyio.sleep(3)  # some turns of the loop that meet nobody
        relay.back()
        assert await look.problems() == []
        await planned()
    finally:
        jobs.stop()
        relay.gone()
        engine.dispose()
        direct.dispose()


@pytest.mark.postgres
async def test_a_lock_on_postgresql_is_waited_for_a_little(
    relayed: tuple[Engine, Relay], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine, _ = relayed
    before = DATABASE_TIMEOUTS._value.get()
    with engine.begin() as connection:
        connection.execute(text("LOCK TABLE alembic_version IN ACCESS EXCLUSIVE MODE"))
        assert await Readiness(lambda: engine, None).problems() == ["The database does not answer (QueryCanceled)."]
        with engine.connect() as other, suppress(Exception):
            other.execute(text("SET statement_timeout = 50"))
            other.execute(text("SELECT * FROM alembic_version"))
    assert DATABASE_TIMEOUTS._value.get() == before + 1
    assert await Readiness(lambda: engine, None).problems() == []


def test_a_lock_of_sqlite_that_is_waited_for_too_long_is_counted(web: Web) -> None:
    before = DATABASE_TIMEOUTS._value.get()
    with closing(sqlite3.connect(str(web.engine.url.database), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with web.engine.connect().execution_options(frostshift_reading=True) as ours:
            ours.exec_driver_sql("PRAGMA busy_timeout = 20")
            ours.exec_driver_sql("PRAGMA query_only = OFF")
            with pytest.raises(OperationalError, match="locked"):
                ours.exec_driver_sql("UPDATE site SET name = 'x'")
    assert DATABASE_TIMEOUTS._value.get() == before + 1


# Figures


def samples(answer: httpx.Response) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Name and labels -> value, as Prometheus's own parser reads them."""
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=")
    found = {}
    for family in text_string_to_metric_families(answer.text):
        assert family.documentation
        for sample in family.samples:
            key = sample.name, frozenset(sample.labels.items())
            assert key not in found
            found[key] = sample.value
    return found


def one(found: dict[Any, float], name: str, **labels: str) -> float | None:
    return found.get((name, frozenset(labels.items())))


def token(web: Web, *scopes: str, site_id: str = SITE) -> dict[str, str]:
    with writing(web.engine) as session:
        secret = new_machine_token(session, site_id, "watch " + "-".join(scopes), scopes, by="test", now=NOW)
    return {"authorization": f"Bearer {secret}"}


@pytest.fixture
def two_sites(web: Web) -> Web:
    with writing(web.engine) as session:
        save_site(session, replace(load_site(session, SITE).site, id=OTHER, name="South yard"), show_units="us")
        for site_id, minutes, failures in ((SITE, 20, 0), (OTHER, 200, 3)):
            answered = NOW - timedelta(minutes=minutes)
            put_feed_row(session, FeedRow(site_id, "nws", NOW, answered, failures=failures))
        notice = NoticeRow(
            site_id=SITE, key="k", rank=0, decided_utc=NOW, until_utc=None, plan_id=None, notice=b"", answered_utc=None,
            answered_by="",
        )  # fmt: skip
        session.add(notice)
        session.flush()
        for turn, (state, minutes) in enumerate((("waiting", 7), ("waiting", -30), ("sent", 90), ("claimed", 9))):
            due = NOW - timedelta(minutes=minutes)
            session.add(
                NoticeDeliveryRow(
                    number=notice.number, site_id=SITE, person_id="p", address_key="email:a@b.example", turn=turn,
                    state=state, attempts=0, first_due_utc=due, due_utc=due, claimed_utc=None, sent_utc=None,
                    last_error="",
                )
            )  # fmt: skip
    return web


async def test_figures_from_the_store_are_those_of_the_store(two_sites: Web) -> None:
    async with two_sites.client() as client:  # the owner
        found = samples(await client.get("/metrics"))
    assert one(found, "frostshift_feed_pull_age_seconds", site=SITE, feed="nws") == 1200
    assert one(found, "frostshift_feed_pull_age_seconds", site=OTHER, feed="nws") == 12000
    assert one(found, "frostshift_feed_failures", site=OTHER, feed="nws") == 3
    assert one(found, "frostshift_plan_age_seconds", site=SITE) is None  # none is kept: no sample, and no zero
    assert one(found, "frostshift_sites") == 2
    assert one(found, "frostshift_outbox_messages", state="waiting") == 2
    assert one(found, "frostshift_outbox_messages", state="sent") == 1
    assert one(found, "frostshift_outbox_messages", state="failed") == 0
    assert one(found, "frostshift_outbox_oldest_seconds") == 540  # what is sent now counts, what is due later not
    assert (one(found, "process_resident_memory_bytes") or 0) > 1e7


async def test_who_may_read_figures_and_of_which_sites(two_sites: Web) -> None:
    account(two_sites, "boss@example.com", role="superintendent")
    headers = token(two_sites, "metrics")
    others = token(two_sites, "metrics", site_id=OTHER)
    wrong = token(two_sites, "read", "readings", "schedule", "stock")
    async with two_sites.client(signed_in=False) as client:
        assert (await client.get("/metrics")).status_code == 401
        assert (await client.get("/metrics", headers=wrong)).status_code == 403
        found = samples(await client.get("/metrics", headers=headers))
        assert (await client.get(f"/sites/{SITE}/morning.json", headers=headers)).status_code == 403
        elsewhere = samples(await client.get("/metrics", headers=others))
    assert {dict(labels)["site"] for _, labels in found if "site" in dict(labels)} == {SITE}
    assert one(found, "frostshift_sites") == 1
    assert one(elsewhere, "frostshift_outbox_messages", state="waiting") == 0
    with writing(two_sites.engine) as session:
        revoke_machine_token(session, SITE, 1, now=NOW)
    async with two_sites.client(signed_in=False) as client:
        assert (await client.get("/metrics", headers=headers)).status_code == 401


FORWARDED = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-real-ip")


@pytest.mark.parametrize("allowed", [False, True])
async def test_this_machine_reads_figures_only_where_a_setting_says_so(web: Web, tmp_path: Path, allowed: bool) -> None:
    settings = Settings(data_dir=tmp_path, metrics_on_loopback=allowed, pages_url="https://frost.example")
    app = create_app(settings, web.engine, lambda: NOW, HandPlanner(None))

    async def status(
        path: str = "/metrics", address: str = "127.0.0.1", host: str = "localhost:8765", **headers: str
    ) -> int:
        transport = httpx.ASGITransport(app, client=(address, 5))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost:8765") as client:
            return (await client.get(path, headers={"host": host, **headers})).status_code

    assert await status() == (200 if allowed else 401)
    assert await status(address="::1") == (200 if allowed else 401)
    assert await status(address="10.0.0.7") == 401
    assert await status(host="frost.example") == 401  # by the proxy that does TLS
    for name in FORWARDED:
        assert await status(**{name: "for=10.0.0.7"}) == 401
    assert await status("/sites.json") == 401
    assert await status("/accounts.json") == 401


async def test_requests_are_counted_by_template_and_never_by_path(web: Web) -> None:
    async with web.client() as client:
        before = samples(await client.get("/metrics"))
        for mark in ("CR-B4-W", "CR-B5-W", "NO-SUCH"):
            await client.get(f"/sites/{SITE}/joints/{mark}")
        for number in range(5):
            await client.get(f"/secret-{number}")
            await client.request(f"BREW{number}", "/")
        await client.get("/static/app.css")
        await client.get("/", headers={"host": "evil.example"})
        answer = await client.get("/metrics")
    after = samples(answer)
    name = "frostshift_http_request_seconds_count"

    def more(route: str, status: str, method: str = "GET") -> float:
        labels = {"method": method, "route": route, "status": status}
        return (one(after, name, **labels) or 0) - (one(before, name, **labels) or 0)

    assert more("/sites/{site_id}/joints/{mark:path}", "200") == 2
    assert more("/sites/{site_id}/joints/{mark:path}", "404") == 1
    assert more("/static", "200") == 1
    assert more("(none)", "404") == 5
    assert more("(none)", "400") == 1
    assert more("(none)", "411", "other") == 5
    assert "secret-" not in answer.text
    assert "CR-B4-W" not in answer.text
    assert "BREW" not in answer.text


async def test_an_error_of_ours_is_counted(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("broken")

    async with web.client() as client:
        before = one(samples(await client.get("/metrics")), "frostshift_errors_total", step="request")
        monkeypatch.setattr(web.planner, "current_plan", broken)
        assert (await client.get(f"/sites/{SITE}/morning")).status_code == 500
        after = one(samples(await client.get("/metrics")), "frostshift_errors_total", step="request")
    assert before is not None
    assert after == before + 1
