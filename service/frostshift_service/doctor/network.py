"""Looks at what is reached over the network: weather services, mail server, the pages under their own name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import urlsplit

from frostshift_service.doctor.findings import Bench, Finding, broken, clock_against, look_at_it, ok
from frostshift_service.http import Get, HttpError, Validators
from frostshift_service.pulls import feeds_of, held_until
from frostshift_service.senders import SendError
from frostshift_service.store.engine import reading
from frostshift_service.store.records import KeptSite
from frostshift_service.weather import FeedError
from frostshift_service.weather.feeds import Feed

MOST_ASKED: Final = 30
"""Requests to weather services in one run: they are for all."""


def feeds_look(bench: Bench) -> Iterator[Finding]:
    """Every feed of every site is asked once, as the service asks it; nothing of the answer is kept."""
    if bench.get is None:
        why = "no contact is set" if bench.settings.contact is None else "--offline"
        yield ok("weather", f"No weather service was asked: {why}.")
        return
    asked = 0
    clocks: set[str] = set()
    for kept in bench.sites:
        for name in feeds_of(kept):
            if name not in bench.feeds:
                yield ok(f"site {kept.site.id}", "Its forecast comes from a file; no weather service is asked.")
                continue
            if asked >= MOST_ASKED:
                yield look_at_it("weather", f"{MOST_ASKED} requests were made; the other sites were not asked for.", "")
                return
            asked += 1
            yield from _asked(bench, bench.get, kept, bench.feeds[name], clocks)


def _asked(bench: Bench, get: Get, kept: KeptSite, feed: Feed, clocks: set[str]) -> Iterator[Finding]:
    assert bench.engine is not None
    about = f"site {kept.site.id}"
    with reading(bench.engine) as session:
        pause_utc = held_until(session, feed.name, bench.now)
    if pause_utc is not None:
        yield look_at_it(
            about, f"{feed.title} asked to be left alone until {pause_utc:%H:%M} UTC.", "Wait; it is asked then."
        )
        return
    try:
        base_url = bench.base_urls.get(feed.name, feed.base_url)
        fetched = feed.fetch(get, kept.site, {}, bench.now, base_url)
    except FeedError as error:
        do = "See whether this machine reaches the internet, and its address is let through by the firewall."
        yield broken(about, f"{feed.title} gives no forecast: {error}", do)
        return
    yield ok(about, f"{feed.title} answers with a forecast.")
    if fetched.answer.date is not None and feed.name not in clocks:
        clocks.add(feed.name)
        yield clock_against(f"that of {feed.title}", fetched.answer.date, bench.now)


def mail_look(bench: Bench) -> Iterator[Finding]:
    """The mail server lets us sign in; no message is sent."""
    if bench.settings.smtp_url is None:
        return
    host = urlsplit(bench.settings.smtp_url.get_secret_value()).hostname
    if bench.mail_check is None:
        yield ok("mail", f"The mail server {host} was not asked: --offline.")
        return
    try:
        bench.mail_check()
    except SendError as error:
        do = "See host, port, user and password in FROSTSHIFT_SMTP_URL, and whether a firewall lets mail out."
        yield broken("mail", f"{error}", do)
    else:
        yield ok("mail", f"The mail server {host} lets us sign in. No message was sent.")


def pages_look(bench: Bench) -> Iterator[Finding]:
    """The pages answer under the name that others use."""
    base = bench.settings.pages_url
    if base is None:
        return
    if bench.get is None:
        yield ok(
            "pages", f"{base} was not asked: {'no contact is set' if bench.settings.contact is None else '--offline'}."
        )
        return
    try:
        ours = bench.get(f"{base}/healthz", {}, Validators()).body == b'{"alive":true}'
    except HttpError as error:
        do = "See whether the service runs, and the proxy before it; some networks do not reach it from inside."
        yield look_at_it("pages", f"{base} does not answer here: {error}", do)
        return
    if ours:
        yield ok("pages", f"{base} answers.")
    else:
        yield broken("pages", f"Something else than Frostshift answers at {base}.", "See where the proxy sends it.")
