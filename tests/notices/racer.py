"""One copy of the service that decides and delivers: `python -m tests.notices.racer STORE_URL SMTP_PORT ROUNDS`.

It says `ready`, begins when its standard input ends, and prints how many notices and how many messages were its own.
"""

from __future__ import annotations

import sys
from datetime import timedelta

from tests.notices.made import NOW, SITE, notice, told_of
from tests.notices.worker import due, told_words

from frostshift_service.http import make_sending_client
from frostshift_service.mail_address import MailServer
from frostshift_service.outbox import Wiring, decide_site, deliver
from frostshift_service.senders import Senders
from frostshift_service.senders.email import EmailSender
from frostshift_service.senders.webhook import WebhookSender
from frostshift_service.store.engine import open_store


def main() -> None:
    """Race."""
    url, smtp, rounds = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    engine, client = open_store(url), make_sending_client("1.2.3")
    senders: Senders = {
        "email": EmailSender(MailServer("127.0.0.1", smtp, tls="none"), "preheat@site.example"),
        "webhook": WebhookSender(client),
    }
    wiring = Wiring(told_words, due)
    print("ready", flush=True)
    sys.stdin.read()
    decided = sent = 0
    for number in range(rounds):
        new = [notice(f"round {number} {n}", urgency="soon", shift_end_utc=None) for n in range(4)]
        kept = decide_site(
            engine,
            SITE,
            lambda _site, _setup, told, new=new: (new, told_of([str(len(told.joints))])),  # type: ignore[misc]
            due,
            plan_id=None,
            plan_made_utc=NOW,
            now=NOW,
        )
        decided += len(kept)
        sent += deliver(engine, senders, wiring, lambda: NOW + timedelta(seconds=1), workers=2).get("sent", 0)
    print(decided, sent, flush=True)
    client.close()
    engine.dispose()


if __name__ == "__main__":
    main()
