"""A database that is busy: whoever waits at a page is told so in time, and nothing is half."""

import threading
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from tests.service.web.conftest import NOW, HandPlanner, Web, site, token_of

from frostshift_service.app import BUSY, BUSY_WITH_A_CHANGE, create_app
from frostshift_service.settings import Settings
from frostshift_service.store import engine as store
from frostshift_service.store.engine import is_busy, reading, waited_for, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.sites import hold_site, save_site

HEADERS = {"sec-fetch-site": "same-origin", "accept": "application/json"}


def is_taken(*_args: object) -> Any:
    """What waits for the store while others have it."""
    raise PoolTimeout("QueuePool limit reached")


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("readings", {"mark": "BP-A1", "value": "14", "unit": "F", "stage": "before_heat", "tool": "contact",
                      "by": "R. Moss", "entry_key": "key-of-a-form"}),
        ("air-readings", {"value": "5", "unit": "F"}),
        ("state", {"mark": "BP-A1", "action": "done"}),
    ],
)  # fmt: skip
async def test_a_change_that_is_kept_is_no_error_where_the_plan_after_it_has_to_wait(
    web: Web, path: str, form: dict[str, str], monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async with web.client() as client:
        with monkeypatch.context() as busy:
            busy.setattr(web.planner, "replan", is_taken)
            answer = await client.post(f"/sites/north-yard/{path}", data=form)
        assert answer.status_code == 303
        assert "not planned again yet" in caplog.text
        broken = RuntimeError("a defect")
        monkeypatch.setattr(web.planner, "replan", lambda _site_id: (_ for _ in ()).throw(broken))
        form["entry_key"] = "another-key"
        assert (await client.post(f"/sites/north-yard/{path}", data=form)).status_code == 500  # never hidden


@pytest.mark.anyio
async def test_a_busy_store_promises_nothing_it_does_not_know(web: Web, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web.planner, "current_plan", is_taken)
    async with web.client() as client:
        shown = await client.get("/sites/north-yard/morning.json")
        assert (shown.status_code, shown.json()["detail"]) == (503, BUSY)
        entry = {
            "mark": "BP-A1",
            "steel_f": 230,
            "stage": "before_arc",
            "age_s": 60,
            "by": "R. Moss",
            "entry_key": "key-1",
        }
        sent = await client.post("/sites/north-yard/readings.json", json=[entry])
        assert (sent.status_code, sent.json()["detail"]) == (503, BUSY_WITH_A_CHANGE)
    assert "nothing was changed" not in BUSY + BUSY_WITH_A_CHANGE


ON_POSTGRES = pytest.mark.parametrize(
    "blank_url", [pytest.param("postgresql", marks=pytest.mark.postgres)], indirect=True
)
SCHEDULE = (
    b"mark,start,hours,process,electrode,weld_length,steel_1,thickness_1\n"
    b"J-1,2026-12-18 07:30,2,SMAW,E7018,24 in,A572-50,1 in\n"
)


@ON_POSTGRES
@pytest.mark.parametrize("kind", [reading, writing])
def test_only_those_who_are_waited_for_have_limits(either: Engine, kind: Any) -> None:
    def limits(engine: Engine) -> list[str]:
        with kind(engine) as session:
            return [session.connection().exec_driver_sql(f"SHOW {name}").scalar_one() for name in names]

    names = ("statement_timeout", "lock_timeout")
    assert limits(waited_for(either)) == ["30s", "10s"]
    assert limits(either) == ["0", "0"]  # on the same connection, afterwards


@ON_POSTGRES
def test_a_statement_without_end_is_broken_off_and_is_busy(either: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "WAITED_FOR_S", 1)
    with pytest.raises(DBAPIError) as broken, reading(waited_for(either)) as session:
        session.connection().execute(text("SELECT pg_sleep(20)"))
    assert is_busy(broken.value)
    assert not is_busy(ValueError())


@pytest.mark.anyio
async def test_a_page_that_waits_for_a_lock_answers_503_and_the_next_try_works(
    either: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "LOCK_S", 1)
    monkeypatch.setattr(store, "BUSY_TIMEOUT_MS", 1000)
    either.dispose()  # connections that were made before have waited longer
    with writing(either) as session:
        save_site(session, site(), show_units="us")
    app = create_app(Settings(data_dir=tmp_path), either, lambda: NOW, HandPlanner(None))
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=HEADERS) as client:
        assert (await client.post("/enter", data=token_of(app))).status_code == 303
        held, let_go = threading.Event(), threading.Event()

        def hold() -> None:
            with writing(either) as session:
                hold_site(session, "north-yard")
                held.set()
                let_go.wait(30)

        holder = threading.Thread(target=hold)
        holder.start()
        assert held.wait(10)
        path = "/sites/north-yard/schedule.json?preview=false"
        try:
            answer = await client.post(path, content=SCHEDULE)
        finally:
            let_go.set()
            holder.join()
        assert answer.status_code == 503
        assert answer.headers["retry-after"] == "5"
        assert answer.json()["detail"].startswith("The database is busy")
        with reading(either) as session:
            assert joints_of(session, "north-yard") == []
        assert (await client.post(path, content=SCHEDULE)).status_code == 200
