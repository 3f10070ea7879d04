"""kill -9 while notices are decided and delivered: nothing lost, nothing half-written, duplicates counted.

`python -m tests.notices.killing 200` does it two hundred times.
"""

import os
from pathlib import Path

import pytest
from sqlmodel import col, delete, select
from tests.notices.killing import Found, halves, kill_again_and_again, lost
from tests.notices.receivers import receiving

from frostshift_service.store.engine import open_store, writing
from frostshift_service.store.tables import AnswerLinkRow, NoticeDeliveryRow, NoticeLogRow

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="workers are forked, and SIGKILL is of POSIX")


def test_fifteen_kills(store_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with receiving(tmp_path) as receivers:
        engine = open_store(store_url)
        found = kill_again_and_again(receivers, engine, store_url, 15)
        assert found.offences == []
        assert found.kills == 15
        assert found.claimed >= 1, "some were killed while they sent"
        assert found.notices >= 1  # how many depends on how fast the machine is
        assert found.arrived == found.deliveries + found.duplicates

        # And the look itself can fail: each thing that one transaction holds together, taken apart.
        with writing(engine) as session:
            row = session.exec(select(NoticeDeliveryRow).where(NoticeDeliveryRow.turn == 0)).first()
            assert row is not None
            row.address_key = "email:elsewhere@kill.example"
            session.add(row)
        assert any("nothing arrived" in text for text in lost(engine, receivers, Found()))
        with writing(engine) as session:
            session.exec(delete(AnswerLinkRow).where(col(AnswerLinkRow.delivery_id) == row.id))
            session.delete(session.get_one(NoticeDeliveryRow, row.id))
        assert any("2 deliveries, 3 recipients" in text for text in halves(engine, set()))
        with writing(engine) as session:
            session.exec(delete(NoticeLogRow).where(col(NoticeLogRow.what) == "sent"))
        assert any("not in the log" in text for text in halves(engine, set()))
        assert any("are gone" in text for text in halves(engine, {99_999}))
        engine.dispose()
