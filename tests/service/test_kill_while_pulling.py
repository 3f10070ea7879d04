"""kill -9 while a site is pulled and planned: nothing lost, nothing half-stored.

`python -m tests.weather_services.killing 50` does it fifty times.
"""

import os
import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlmodel import col, select
from tests.weather_services.control import Control, running
from tests.weather_services.killing import Seen, file_offences, kill_again_and_again

from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.tables import FeedStateRow, ForecastRow, PlanRow

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="workers are forked, and SIGKILL is of POSIX")


@pytest.fixture
def control(monkeypatch: pytest.MonkeyPatch) -> Iterator[Control]:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with running() as made:
        yield made


def test_twenty_kills_on_a_file(control: Control, tmp_path: Path) -> None:
    url = f"sqlite:///{(tmp_path / 'kill.db').as_posix()}"
    engine = open_store(url)
    found = kill_again_and_again(control, engine, url, 20)
    assert found.offences == []
    assert found.kills == 20
    assert found.in_a_pull >= 1, "some were killed in the middle of an answer"
    assert found.halves >= 1, "some answers broke off by themselves"
    assert found.forecasts > 10
    assert found.plans > 10

    # And the look itself can fail: each thing that one transaction holds together, taken apart.
    seen = Seen()
    assert seen.offences(engine, control) == []
    with writing(engine) as session:
        last = session.exec(select(ForecastRow).order_by(col(ForecastRow.id).desc())).first()
        assert last is not None
        state = session.get_one(FeedStateRow, (last.site_id, last.feed))
        state.state = {**state.state, "last_modified": "Thu, 01 Jan 2026 00:00:00 GMT"}
        session.add(state)
    assert any("validator" in text for text in seen.offences(engine, control))
    with writing(engine) as session:
        state = session.get_one(FeedStateRow, (last.site_id, last.feed))
        state.last_answer_utc = last.fetched_utc - timedelta(hours=1)
        session.add(state)
    assert any("last answer" in text for text in seen.offences(engine, control))
    with writing(engine) as session:
        row = session.get_one(ForecastRow, last.id)
        other = session.exec(
            select(ForecastRow).where(ForecastRow.feed == last.feed, ForecastRow.id != last.id)
        ).first()
        assert other is not None
        row.hours = other.hours
        session.add(row)
    assert any("not those of its payload" in text for text in Seen().offences(engine, control))
    with writing(engine) as session:
        for plan in session.exec(select(PlanRow).where(PlanRow.forecast_id == last.id)):
            session.delete(plan)
        session.flush()
        session.delete(session.get_one(ForecastRow, last.id))
    assert any(f"after {last.id}" in text for text in seen.offences(engine, control))
    engine.dispose()


def test_a_damaged_file_is_found(tmp_path: Path) -> None:
    file = tmp_path / "damaged.db"
    open_store(f"sqlite:///{file.as_posix()}").dispose()
    assert file_offences(str(file)) == []
    content = bytearray(file.read_bytes())
    content[4096:8192] = os.urandom(4096)
    file.write_bytes(content)
    try:
        offences = file_offences(str(file))
    except sqlite3.DatabaseError as error:  # too damaged to be looked through
        offences = [str(error)]
    assert offences


@pytest.mark.postgres
@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_ten_kills_on_postgresql(control: Control, store_url: str) -> None:
    engine = open_store(store_url)
    found = kill_again_and_again(control, engine, store_url, 10)
    engine.dispose()
    assert found.offences == []
    assert found.kills == 10
    assert found.forecasts > 2
