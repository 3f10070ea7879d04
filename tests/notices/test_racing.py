"""Two copies of the service, as processes, on one database: no delivery is claimed twice, nothing is told twice."""

import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from tests.notices.made import NOW, SITE, mail, person
from tests.notices.receivers import ROOT, receiving
from tests.service.weather_site import NWS

from frostshift_rules.notice_setup import Address, NoticeSetup
from frostshift_service.store import notices
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.sites import save_site

COPIES, ROUNDS = 3, 12


def test_copies_that_race(store_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    engine = open_store(store_url)
    with receiving(tmp_path) as receivers:
        people = (
            person("rowan", mail("rowan@race.example")),
            person("hook", Address("webhook", receivers.hook("race"))),
        )
        with writing(engine) as session:
            save_site(session, NWS)
            notices.save_setup(session, SITE, NoticeSetup(people), now=NOW)
        command = [sys.executable, "-W", "ignore", "-m", "tests.notices.racer", store_url]
        command += [str(receivers.smtp), str(ROUNDS)]
        copies = [
            subprocess.Popen(
                [*command, str(ROUNDS)], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
            for _ in range(COPIES)
        ]
        try:
            for one in copies:  # all are ready before any begins
                assert one.stdout is not None
                assert one.stdout.readline() == "ready\n"
            for one in copies:
                assert one.stdin is not None
                one.stdin.close()
            said = [one.stdout.read().split() for one in copies if one.stdout is not None]
            assert [one.wait(timeout=120) for one in copies] == [0] * COPIES
        finally:
            for one in copies:
                one.kill()
                one.wait()
                assert one.stdout is not None
                one.stdout.close()
        decided, sent = [int(one[0]) for one in said], [int(one[1]) for one in said]
        assert sum(decided) == ROUNDS * 4, "each notice by one copy"
        assert sum(sent) == ROUNDS * 4 * 2, "each delivery by one copy"
        with reading(engine) as session:
            rows = notices.deliveries_of(session, [one.number for one in notices.notices_of(session, SITE, newest=999)])
        assert {(row.state, row.attempts) for row in rows} == {("sent", 1)}
        came = Counter(
            next(value for name, value in line["headers"] if name in ("Message-ID", "X-Frostshift-Notice"))
            for line in receivers.all()
            if line["what"] == "mail"
        )
        assert len(came) == ROUNDS * 4
        assert set(came.values()) == {1}
        assert len(receivers.to("/race")) == ROUNDS * 4
    engine.dispose()
