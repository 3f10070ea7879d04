"""kill -9 at any moment of deciding and delivering, again and again; then all is delivered, and looked at.

`python -m tests.notices.killing [TIMES] [STORE_URL]` from the repository's root does it and says what was found.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import Engine
from sqlmodel import col, select
from tests.notices.made import SITE, mail, person
from tests.notices.receivers import ROOT, Receivers, receiving
from tests.notices.worker import fast_now, finish, waiting
from tests.service.weather_site import NWS
from tests.weather_services.killing import end_with, file_offences

from frostshift_rules.notice_setup import Address, NoticeSetup
from frostshift_service.store import notices
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import NoticeDeliveryRow, NoticeLogRow, NoticeRecipientRow, NoticeRow

LONGEST_S = 0.6
"""A worker is killed at random within this, from when it is there."""


@dataclass
class Found:
    """What was seen."""

    offences: list[str] = field(default_factory=list)
    kills: int = 0
    claimed: int = 0
    notices: int = 0
    deliveries: int = 0
    arrived: int = 0
    duplicates: int = 0
    attempts: int = 0


def people(receivers: Receivers) -> NoticeSetup:
    """People whose servers misbehave at random."""
    rowan = person("rowan", mail("any.1.rowan@kill.example"), then="tamsin", role="superintendent")
    tamsin = person("tamsin", mail("tamsin@kill.example"), role="superintendent")
    hook = person("hook", Address("webhook", receivers.hook("any/1/hook"), "sixteen letters.."), then="tamsin")
    return NoticeSetup((rowan, tamsin, hook))


def prepare(engine: Engine, receivers: Receivers) -> None:
    """A site, and its people."""
    with writing(engine) as session:
        save_site(session, NWS)
        notices.save_setup(session, SITE, people(receivers), now=fast_now())


@contextmanager
def workers(receivers: Receivers, store_url: str) -> Iterator[subprocess.Popen[str]]:
    """The process that forks workers."""
    command = [sys.executable, "-W", "ignore", "-m", "tests.notices.worker", store_url]
    with subprocess.Popen(
        [*command, str(receivers.smtp)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
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


def kill_again_and_again(receivers: Receivers, engine: Engine, store_url: str, times: int, luck: int = 9) -> Found:
    """Start, kill, look; `times` times. Then all is delivered, and what arrived is held against what was told."""
    chance, found, seen = random.Random(luck), Found(), set[int]()
    prepare(engine, receivers)
    file = engine.url.database if engine.dialect.name == "sqlite" else None
    with workers(receivers, store_url) as process:
        for number in range(1, times + 1):
            before = _count(engine)
            worker = _tell(process, "start")
            until = time.monotonic() + 60
            while number == 1 and _count(engine) == before and time.monotonic() < until:
                time.sleep(0.01)
            time.sleep(chance.uniform(0.02, LONGEST_S))
            os.kill(worker, signal.SIGKILL)
            code = _tell(process, "gone")
            if code != -signal.SIGKILL:
                found.offences.append(f"kill {number}: the worker had ended by itself ({code})")
            found.kills += 1
            found.offences += [f"kill {number}: {text}" for text in (file_offences(file) if file else [])]
            found.offences += [f"kill {number}: {text}" for text in halves(engine, seen)]
            found.claimed += _claimed(engine)
    receivers.log.with_name("calm").touch()
    finish(engine, receivers.smtp)
    found.offences += lost(engine, receivers, found)
    return found


def _count(engine: Engine) -> int:
    with reading(engine) as session:
        return len(session.exec(select(NoticeRow.number)).all())


def _claimed(engine: Engine) -> int:
    with reading(engine) as session:
        return len(session.exec(select(NoticeDeliveryRow.id).where(NoticeDeliveryRow.state == "claimed")).all())


def halves(engine: Engine, seen: set[int]) -> list[str]:
    """What one transaction holds together: notices, what people know, recipients, deliveries, the log."""
    found = []
    with reading(engine) as session:
        told = set(notices.load_told(session, SITE).joints)
        kept = {row.number: row.key for row in session.exec(select(NoticeRow))}
        marks = sorted(key.removeprefix("told ") for key in kept.values() if key.startswith("told "))
        if set(marks) != told:
            found.append(f"people know of {len(told)} joints, {len(marks)} notices say so")
        if len(set(marks)) != len(marks):
            found.append("a notice was decided twice")
        if seen - set(kept):
            found.append(f"notices {sorted(seen - set(kept))} are gone")
        seen |= {number for number in kept if number is not None}
        rows = session.exec(select(NoticeDeliveryRow)).all()
        first = Counter(row.number for row in rows if row.turn == 0)
        heard = Counter(row.number for row in session.exec(select(NoticeRecipientRow)) if row.turn == 0)
        decided = Counter(row.number for row in session.exec(select(NoticeLogRow)) if row.what == "decided")
        for number, key in kept.items():
            if key.startswith("told ") and (first[number or 0], heard[number or 0], decided[number]) != (3, 3, 1):
                found.append(f"notice {number}: {first[number or 0]} deliveries, {heard[number or 0]} recipients")
        lines = session.exec(select(NoticeLogRow).where(NoticeLogRow.what == "sent"))
        logged = {(line.number, line.detail.split()[1]) for line in lines}
        found += [
            f"delivery {row.id}: sent, and not in the log"
            for row in rows
            if row.state == "sent" and (row.number, row.person_id) not in logged
        ]
    return found


def lost(engine: Engine, receivers: Receivers, found: Found) -> list[str]:
    """Everything that was decided has arrived, at everybody, in every turn; what came twice is counted."""
    offences = []
    arrived: Counter[tuple[str, str]] = Counter()
    for line in receivers.all():
        if line["what"] == "mail":
            ids = [value for name, value in line["headers"] if name == "Message-ID"]
            arrived[line["to"], ids[0].split("@")[0].split(".")[-1]] += 1
        elif line["what"] == "post":
            arrived["hook", line["body"].partition('"delivery": ')[2].partition(",")[0]] += 1
    with reading(engine) as session:
        rows = session.exec(select(NoticeDeliveryRow).order_by(col(NoticeDeliveryRow.id))).all()
        found.notices = len(session.exec(select(NoticeRow.number)).all())
    found.deliveries, found.arrived = len(rows), sum(arrived.values())
    found.attempts = sum(row.attempts for row in rows)
    for row in rows:
        to = "hook" if row.address_key.startswith("webhook") else row.address_key.removeprefix("email:")
        times = arrived[to, str(row.id)]
        found.duplicates += max(0, times - 1)
        if row.state != "sent":
            offences.append(f"delivery {row.id}: {row.state} after {row.attempts} attempts: {row.last_error}")
        elif times == 0:
            offences.append(f"delivery {row.id}: sent, and nothing arrived")
        elif times > row.attempts:  # a second one is documented where an attempt was broken off, and nowhere else
            offences.append(f"delivery {row.id}: arrived {times} times in {row.attempts} attempts")
    known = {str(row.id) for row in rows}
    offences += [f"delivery {number}: arrived, and there is none" for _, number in arrived if number not in known]
    if waiting(engine):
        offences.append(f"{waiting(engine)} deliveries still wait")
    return offences


def main() -> None:
    """Kill as often as asked, 200 times where nothing is said."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    os.environ["NO_PROXY"] = "127.0.0.1"
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, receiving(Path(folder)) as receivers:
        store_url = sys.argv[2] if len(sys.argv) > 2 else f"sqlite:///{(Path(folder) / 'kill.db').as_posix()}"
        engine = open_store(store_url)
        if _count(engine):
            sys.exit("This database holds notices already, which never arrived here: name an empty one.")
        found = kill_again_and_again(receivers, engine, store_url, times)
        engine.dispose()
    print(
        f"{found.kills} kills in {time.monotonic() - began:.0f} s, {found.claimed} messages were being sent at one; "
        f"{found.notices} notices, {found.deliveries} deliveries, {found.attempts} attempts, {found.arrived} messages "
        f"arrived, {found.duplicates} of them duplicates; offences: {len(found.offences)}"
    )
    end_with(found.offences)


if __name__ == "__main__":
    main()
