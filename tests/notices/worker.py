"""A process that decides and delivers until it is killed: `python -m tests.notices.worker STORE_URL SMTP_PORT`.

Its clock runs far too fast, so that pauses and stale claims happen. It forks a worker for every line `start`, and
answers with its process id; `gone` waits for its end and answers with its exit code.
"""

from __future__ import annotations

import os
import random
import sys
from collections.abc import Mapping
from datetime import datetime, timedelta

import httpx
from sqlalchemy import Engine
from tests.notices.made import SITE, notice, told_of, words

from frostshift_rules.job import Site
from frostshift_rules.notice_events import Notice, Told
from frostshift_rules.notice_setup import NoticeSetup, Person
from frostshift_service.clock import utc_now
from frostshift_service.http import make_sending_client
from frostshift_service.mail_address import MailServer
from frostshift_service.outbox import Outcome, Telling, Wiring, decide_site, deliver
from frostshift_service.senders import Senders
from frostshift_service.senders.email import EmailSender
from frostshift_service.senders.webhook import WebhookSender
from frostshift_service.store import deliveries
from frostshift_service.store.engine import open_store
from frostshift_service.store.records import KeptNotice, KeptSite, Words

FAST = 300
BEGAN = datetime.fromisoformat("2026-01-01T00:00:00+00:00")
PEOPLE = ("rowan", "tamsin", "hook")


def fast_now() -> datetime:
    """Real time since 2026, that many times as fast."""
    return BEGAN + FAST * (utc_now() - BEGAN)


def told_words(telling: Telling) -> Words:
    return words(telling.site, telling.kept.notice, telling.person, telling.kept.number, telling.answer_link)


def due(_site: Site, one: Notice, _to: Person) -> datetime:
    return one.decided_utc


def next_told(now: datetime) -> object:
    """What a plan gives: one or two notices, and what people know counts them, so that a lost half would be seen."""

    def decide(_site: KeptSite, _setup: NoticeSetup, told: Told) -> tuple[list[Notice], Told]:
        count = len(told.joints)
        new = random.choice([1, 2])
        marks = [f"J{number:05d}" for number in range(count + new)]
        decided = [
            notice(f"told {mark}", urgency=random.choice(["now", "soon", "plain"]), decided_utc=now, shift_end_utc=None)
            for mark in marks[count:]
        ]
        return decided, told_of(marks)

    return decide


def delivering(client: httpx.Client, smtp: int) -> tuple[Senders, Wiring]:
    """Senders to the receivers' mail server and to any web address, and the words."""
    senders: Senders = {
        "email": EmailSender(MailServer("127.0.0.1", smtp, tls="none"), "preheat@site.example"),
        "webhook": WebhookSender(client),
    }
    return senders, Wiring(told_words, due, "https://pages.example")


def be_patient() -> None:
    """A claim is stale after a second of ours, not at once, and nothing is given up; for a process of its own."""
    deliveries.STALE = timedelta(minutes=5)  # type: ignore[misc]
    deliveries.LONGEST = timedelta(days=365)  # type: ignore[misc]  # a day is over in less than five minutes here


def turn(engine: Engine, senders: Senders, wiring: Wiring) -> tuple[list[KeptNotice], Mapping[Outcome, int]]:
    """Decide and deliver once: the notices that are new, and what became of deliveries."""
    now = fast_now()
    kept = decide_site(engine, SITE, next_told(now), due, plan_id=None, plan_made_utc=now, now=now)  # type: ignore[arg-type]
    return kept, deliver(engine, senders, wiring, fast_now, workers=2)


def work(engine: Engine, smtp: int) -> None:
    """Decide and deliver for ever."""
    be_patient()
    senders, wiring = delivering(make_sending_client("1.2.3"), smtp)
    while True:
        turn(engine, senders, wiring)


def finish(engine: Engine, smtp: int, still_s: float = 120.0) -> None:
    """Deliver until nothing waits; no pause is longer than a few seconds of ours."""
    client = make_sending_client("1.2.3")
    senders, wiring = delivering(client, smtp)
    until = utc_now() + timedelta(seconds=still_s)
    while utc_now() < until and deliver(engine, senders, wiring, fast_now, workers=2) is not None:
        if not waiting(engine):
            break
    client.close()


def waiting(engine: Engine) -> int:
    """Deliveries that are not over yet."""
    with engine.connect() as connection:
        return int(
            connection.exec_driver_sql(
                "SELECT count(*) FROM notice_delivery WHERE state IN ('waiting', 'claimed')"
            ).scalar_one()
        )


def main() -> None:
    """Fork workers as asked."""
    url, smtp = sys.argv[1], int(sys.argv[2])
    for line in sys.stdin:
        if line.strip() == "start":
            child = os.fork()
            if child == 0:
                sys.stdin.close()
                try:
                    work(open_store(url), smtp)
                finally:
                    os._exit(1)
            print(child, flush=True)
        else:
            _, status = os.waitpid(child, 0)
            print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
