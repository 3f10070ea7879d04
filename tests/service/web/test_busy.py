"""A database that is busy: whoever waits at a page is told so in time, and nothing is half."""

import threading
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from tests.service.web.conftest import NOW, HandPlanner, site, token_of

from frostshift_service.app import create_app
from frostshift_service.settings import Settings
from frostshift_service.store import engine as store
from frostshift_service.store.engine import is_busy, reading, waited_for, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.sites import hold_site, save_site

HEADERS = {"sec-fetch-site": "same-origin", "accept": "application/json"}


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
