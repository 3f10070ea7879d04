"""The outbox: what was decided is kept, what is kept is delivered. Deciding is in the rules, words are in the views.

Deciding and keeping are one transaction (`decide_site`). Delivering is three steps, each of them committed (`deliver`):
a claim with its attempt, the sending, the result. So nothing is lost, whatever breaks, and something may come twice;
every message has the number of its notice.
"""

from __future__ import annotations

import hashlib
import html
import logging
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from threading import Lock
from typing import Final, Literal

from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.job import Site
from frostshift_rules.notice_events import AddressOff, Event, ForecastAge, Notice, Told
from frostshift_rules.notice_setup import Address, Channel, NoticeSetup, Person, Urgency
from frostshift_rules.notice_together import together
from frostshift_service.heartbeat import Heartbeat
from frostshift_service.metrics import DELIVERIES
from frostshift_service.senders import ANSWER_PATH, Message, SendError, Senders
from frostshift_service.store import deliveries, notices
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import (
    Claimed,
    KeptNotice,
    KeptSite,
    NewNotice,
    Recipient,
    StoreError,
    Words,
    shown_address,
)
from frostshift_service.store.sites import hold_site, load_site

log = logging.getLogger(__name__)

WORKERS: Final = 4
"""Messages that are sent at once: a server that is slow holds up one of them."""
BEAT_S: Final = deliveries.STALE.total_seconds() / 4
HANGS: Final = timedelta(minutes=5)
"""Whatever takes longer than this to send hangs: its claim is renewed no more, so that it is sent again. Our choice."""
MOST_IN_A_RUN: Final = 2000

Outcome = Literal["sent", "waiting", "failed", "dropped"]


@dataclass(frozen=True, slots=True)
class Telling:
    """One notice on its way to one person.

    Attributes:
        site: of the notice.
        kept: the notice with its number.
        person: who reads it.
        turn: 0 first, 1 again, 2 passed on from somebody who has not answered.
        answer_link: where the person answers; empty: on the pages.
        pages_url: what links to the pages begin with; None: others do not reach them.
        now: aware.
    """

    site: KeptSite
    kept: KeptNotice
    person: Person
    turn: int
    answer_link: str
    pages_url: str | None
    now: datetime


Due = Callable[[Site, Notice, Person], datetime | None]
"""When a person is to be told of a notice; None: it is not for this person."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """What the outbox is told from outside.

    Attributes:
        words: a notice in the words of one person.
        due: see `Due`.
        pages_url: setting; None: messages hold no links.
    """

    words: Callable[[Telling], Words]
    due: Due
    pages_url: str | None = None


Decide = Callable[[KeptSite, NoticeSetup, Told], tuple[Sequence[Notice], Told]]
"""What is to be told now, and what people know once it is: the decision of the rules with its plan filled in."""


def decide_site(
    engine: Engine,
    site_id: str,
    decide: Decide,
    due: Due,
    *,
    plan_id: int | None,
    plan_made_utc: datetime,
    now: datetime,
) -> list[KeptNotice]:
    """Decide what is to be told of a site, and keep it, in one transaction that holds the site.

    Of two copies that decide by the same plan the second finds that all is told. One with an older plan than was
    decided by before decides nothing: what it knows is out of date.

    Args:
        engine: of the store.
        site_id: the site.
        decide: see `Decide`.
        due: see `Due`.
        plan_id: of the plan, which is kept for good where something is told by it; None: it is in no store.
        plan_made_utc: when it was made.
        now: aware.

    Returns:
        The notices that are new.

    Raises:
        UnknownSite: there is no site of that id.
    """
    with writing(engine) as session:
        hold_site(session, site_id)
        before = notices.decided_by(session, site_id)
        # One from the future was made by a clock that was wrong: it must not silence the site until then.
        if before is not None and plan_made_utc < before <= now + deliveries.CLOCKS_APART:
            return []
        site, setup = load_site(session, site_id), notices.load_setup(session, site_id)
        decided, told = decide(site, setup, notices.load_told(session, site_id))
        new = told_to(site.site, setup, decided, due)
        return notices.add_notices(
            session, site_id, new, plan_id=plan_id, now=now, told=told, plan_made_utc=plan_made_utc
        )


def told_to(site: Site, setup: NoticeSetup, decided: Sequence[Notice], due: Due) -> list[NewNotice]:
    """What was decided, with who is to hear of it; who hears of all crews hears of several of them in one notice."""
    crews = [one for one in decided if one.crew]
    if len({one.crew for one in crews}) < 2:
        return [NewNotice(one, recipients(site, setup, one, due)) for one in decided]
    of_crews = replace(setup, people=tuple(one for one in setup.people if one.crews))
    of_all = replace(setup, people=tuple(one for one in setup.people if not one.crews))
    whole = together(crews)
    new = [NewNotice(one, recipients(site, of_crews if one.crew else setup, one, due)) for one in decided]
    heard = recipients(site, of_all, whole, due)
    return [*new, NewNotice(whole, heard)] if heard else new


def tell_of_failure(engine: Engine, site_id: str, problem: str, due: Due, now: datetime) -> None:
    """Let those who hear of the forecast know that nothing is planned; once a day (UTC).

    Args:
        engine: of the store.
        site_id: the site.
        problem: in a few words; what went wrong stands in the log.
        due: see `Due`.
        now: aware.

    Raises:
        UnknownSite: there is no site of that id.
    """
    event = Event("forecast", "soon", None, forecast=ForecastAge("none", "fresh", None, None, problem))
    notice = Notice(f"failing|{now:%Y-%m-%d}", "", None, "", None, None, None, (event,), now, "none", None)
    with writing(engine) as session:
        site, setup = load_site(session, site_id), notices.load_setup(session, site_id)
        new = NewNotice(notice, recipients(site.site, setup, notice, due))
        notices.add_notices(session, site_id, [new], plan_id=None, now=now)


def recipients(site: Site, setup: NoticeSetup, notice: Notice, due: Due) -> tuple[Recipient, ...]:
    """Who is to hear of a notice, when and where."""
    return tuple(
        Recipient(person.id, due_utc, tuple(address.key for address in person.addresses))
        for person in setup.people
        if (due_utc := due(site, notice, person)) is not None
    )


# Delivering


@dataclass
class _Run:
    """One run of `deliver`: what all its workers share."""

    engine: Engine
    senders: Senders
    wiring: Wiring
    now: Callable[[], datetime]
    stopping: Callable[[], bool]
    moved: Callable[[], None]
    lock: Lock = field(default_factory=Lock)
    outcomes: Counter[Outcome] = field(default_factory=Counter)
    skip_addresses: set[tuple[str, str]] = field(default_factory=set)
    skip_channels: set[Channel] = field(default_factory=set)
    busy: set[tuple[str, str]] = field(default_factory=set)
    claims: int = 0


def deliver(
    engine: Engine,
    senders: Senders,
    wiring: Wiring,
    now: Callable[[], datetime],
    *,
    workers: int = WORKERS,
    stopping: Callable[[], bool] = lambda: False,
    moved: Callable[[], None] = lambda: None,
) -> Mapping[Outcome, int]:
    """Send everything that is due; repeat and pass on what nobody has answered.

    An address that fails is not tried again in this run, and where a channel fails as a whole nor is the channel: a
    failure stops nothing else.

    Args:
        engine: of the store.
        senders: by channel; addresses of a channel that is missing are not sent to, and the log says so.
        wiring: words and links.
        now: reads the clock, aware UTC.
        workers: messages sent at once.
        stopping: whether to begin no other message; what is left is due in the next run.
        moved: called after every message, whatever came of it.

    Returns:
        Outcome -> number of deliveries.
    """
    with writing(engine) as session:
        stale = deliveries.give_back_stale(session, now=now())
        ahead = deliveries.bring_forward(session, now=now())
    if ahead:
        log.warning("the clock was ahead: %d messages that would have waited for it are due now", ahead)
    if stale:
        log.warning("%d messages were being sent when their worker stopped; they are sent again", stale)
    with reading(engine) as session:
        waiting = deliveries.sites_waiting_for_answers(session, now=now())
    for site_id in waiting:
        try:
            with writing(engine) as session:
                deliveries.follow_up(session, site_id, now=now())
        except Exception:
            log.exception("site %s: what nobody answered could not be passed on", site_id)
    run = _Run(engine, senders, wiring, now, stopping, moved)
    if workers == 1:
        _work(run)
    else:
        with ThreadPoolExecutor(workers) as pool:
            for one in [pool.submit(_work, run) for _ in range(workers)]:
                one.result()
    return dict(run.outcomes)


def _renew(run: _Run, claimed: Claimed, since: datetime) -> None:
    now = run.now()
    if now - since < HANGS:
        with writing(run.engine) as session:
            deliveries.keep_claim(session, claimed, now=now)


def _work(run: _Run) -> None:
    while True:
        # One after the other, so that no two workers are at one address: what one of them learns of it counts for all.
        with run.lock:
            run.claims += 1
            if run.claims > MOST_IN_A_RUN or run.stopping():
                return
            with writing(run.engine) as session:
                claimed = deliveries.claim_next(
                    session,
                    now=run.now(),
                    skip_addresses=run.skip_addresses | run.busy,
                    skip_channels=run.skip_channels,
                )
            if claimed is None:  # what waits for a busy address is its worker's
                return
            address = claimed.site_id, claimed.delivery.address_key
            run.busy.add(address)
        try:
            with Heartbeat(BEAT_S, partial(_renew, run, claimed, run.now())):
                outcome = _attempt(run, claimed)
        except Exception:
            # Nothing is known: the claim goes stale and it is sent again.
            log.exception("site %s: notice %d could not be recorded", claimed.site_id, claimed.delivery.number)
            outcome = "waiting"
            with run.lock:
                run.skip_addresses.add(address)
        DELIVERIES.labels(claimed.delivery.address_key.partition(":")[0], outcome).inc()
        with run.lock:
            run.busy.discard(address)
            run.outcomes[outcome] += 1
        run.moved()


def _attempt(run: _Run, claimed: Claimed) -> Outcome:
    now = run.now()
    with reading(run.engine) as session:
        site, setup = load_site(session, claimed.site_id), notices.load_setup(session, claimed.site_id)
        off = {one.address_key for one in notices.switched_off(session, claimed.site_id)}
        kept = notices.notice_by_number(session, claimed.delivery.number)
    person = setup.person(claimed.delivery.person_id)
    address = None if person is None else _address(person, claimed.delivery.address_key)
    needless = _needless(kept, claimed, address, off, now)
    if needless or person is None or address is None:
        return _record_failure(run, claimed, needless, dropped=True)
    sender = run.senders.get(address.channel)
    if sender is None:
        return _record_failure(run, claimed, NO_SENDER[address.channel], dropped=True)
    try:
        message = _message(run.wiring, site, kept, person, claimed, now)
        how = sender.send(address, message, now)
    except SendError as error:
        with run.lock:
            run.skip_addresses.add((claimed.site_id, address.key))
            if error.whole_channel:
                run.skip_channels.add(address.channel)
        if error.permanent:
            return _record_refusal(run, claimed, site.site, setup, person, address, str(error))
        return _record_failure(run, claimed, str(error), retry_after=error.retry_after)
    except Exception as error:
        log.exception("site %s: notice %d could not be sent", claimed.site_id, claimed.delivery.number)
        with run.lock:
            run.skip_addresses.add((claimed.site_id, address.key))
        return _record_failure(run, claimed, f"a fault of ours, {type(error).__name__}; it is written in the log")
    with writing(run.engine) as session:
        deliveries.mark_sent(session, claimed, how=how, now=run.now())
    return "sent"


NO_SENDER: Final[Mapping[Channel, str]] = {
    "email": "no mail server is set (FROSTSHIFT_SMTP_URL)",
    "webhook": "nothing is posted to web addresses here",
}
"""Why an address of a channel without a sender is not sent to."""


def _address(person: Person, key: str) -> Address | None:
    return next((one for one in person.addresses if one.key == key), None)


def _needless(kept: KeptNotice, claimed: Claimed, address: Address | None, off: set[str], now: datetime) -> str:
    """Why nobody needs this delivery any more; empty: somebody does."""
    if address is None:
        return "the person or the address is no longer there"
    if address.key in off:
        return "its address was switched off"
    until_utc = notices.needed_until(kept.notice)
    if until_utc is not None and until_utc <= now:
        return "the shift is over"
    if claimed.delivery.turn > 0 and kept.answered_utc is not None:
        return f"answered by {kept.answered_by}"
    return ""


def _message(
    wiring: Wiring, site: KeptSite, kept: KeptNotice, person: Person, claimed: Claimed, now: datetime
) -> Message:
    notice, turn = kept.notice, claimed.delivery.turn
    link = "" if wiring.pages_url is None else f"{wiring.pages_url}{ANSWER_PATH}{claimed.link_token}"
    # Words of our own where the notice is about an address: it has nothing to do with steel.
    words = address_words(kept) or wiring.words(Telling(site, kept, person, turn, link, wiring.pages_url, now))
    return Message(
        number=kept.number,
        delivery_id=claimed.delivery.id,
        turn=turn,
        site_id=site.site.id,
        site_name=site.site.name,
        crew=notice.crew,
        kinds=tuple(dict.fromkeys(event.kind for event in notice.events)),
        urgency=notice.urgency,
        person=person.name,
        first_line=words.first_line,
        text=words.text,
        html=words.html,
        answer_link=link,
        made_utc=notice.decided_utc,
        by_utc=notice.by_utc,
    )


def _record_failure(run: _Run, claimed: Claimed, error: str, **fields: object) -> Outcome:
    with writing(run.engine) as session:
        state = deliveries.mark_failed(session, claimed, error, now=run.now(), **fields)  # type: ignore[arg-type]
    return "waiting" if state == "claimed" else state


# An address that refuses for good


def _record_refusal(
    run: _Run, claimed: Claimed, site: Site, setup: NoticeSetup, person: Person, address: Address, error: str
) -> Outcome:
    """Switch the address off, and let those who hear of such a thing know: one transaction."""
    now = run.now()
    with writing(run.engine) as session:
        hold_site(session, claimed.site_id)
        deliveries.mark_failed(session, claimed, error, now=now, permanent=True)
        if notices.switch_off(
            session,
            claimed.site_id,
            address.key,
            person_id=person.id,
            reason=error,
            number=claimed.delivery.number,
            now=now,
        ):
            urgency = claimed.notice.notice.urgency
            _tell_of_it(session, site, setup, run.wiring.due, person, address, error, now, urgency)
    return "failed"


def _tell_of_it(
    session: Session,
    site: Site,
    setup: NoticeSetup,
    due: Due,
    person: Person,
    address: Address,
    error: str,
    now: datetime,
    urgency: Urgency,
) -> None:
    # It cannot go round for ever: every address is switched off once, and what is off is not sent to.
    digest = hashlib.sha256(address.key.encode()).hexdigest()[:16]
    notice = Notice(
        key=f"address|{digest}|{now.isoformat()}",
        crew="",
        shift_key=None,
        shift_name="",
        shift_day=None,
        shift_start_utc=None,
        shift_end_utc=None,
        events=(
            Event(
                "address",
                "now" if urgency == "now" else "soon",
                None,
                address=AddressOff(person.name, shown_address(address.key), error),
            ),
        ),
        decided_utc=now,
        freshness="none",
        issued_utc=None,
    )
    # It concerns no crew, and whoever looks after one may be the only one there is.
    everybody = replace(setup, people=tuple(replace(one, crews=()) for one in setup.people))
    new = NewNotice(notice, recipients(site, everybody, notice, due))
    notices.add_notices(session, site.id, [new], plan_id=None, now=now)


def address_words(kept: KeptNotice) -> Words | None:
    """What a notice about an address says; None where it is about something else."""
    off = kept.notice.events[0].address
    if off is None:
        return None
    first = f"Tell {off.person} yourself: nothing is sent to {off.address} any more"
    lines = [
        first,
        f"Its server refused: {off.reason}",
        "Put the address right in the file of people and load it, or send a test message once it works again.",
        f"Notice {kept.number}",
    ]
    body = "".join(f"<p>{html.escape(line)}</p>" for line in lines)
    return Words(first, "\n".join(lines) + "\n", f"<!doctype html><html><body>{body}</body></html>")


# A test message


def send_test(engine: Engine, senders: Senders, site_id: str, person_id: str, address_key: str, now: datetime) -> str:
    """Send a test message to one address, once, and say what came of it; it is in the log, too.

    An address that was switched off and takes the message is switched on again.

    Args:
        engine: of the store.
        senders: by channel.
        site_id: the site.
        person_id: who.
        address_key: where.
        now: aware.

    Returns:
        A sentence for people.

    Raises:
        StoreError: there is no such site, person or address.
    """
    with reading(engine) as session:
        site = load_site(session, site_id).site
        person = notices.load_setup(session, site_id).person(person_id)
    if person is None:
        raise StoreError(f"site {site_id} has no person {person_id!r}")
    address = _address(person, address_key)
    if address is None:
        raise StoreError(f"{person_id} has no address {shown_address(address_key)}")
    shown, sender = shown_address(address.key), senders.get(address.channel)
    if sender is None:
        return f"Not sent to {shown}: {NO_SENDER[address.channel]}."
    try:
        how, good = sender.send(address, _test_message(site, person, now), now), True
    except SendError as error:
        how, good = str(error), False
    with writing(engine) as session:
        outcome = "sent" if good else "failed"
        detail = f"to {person_id} at {shown}: {outcome}, {how}"
        notices.write_log(session, site_id, "test", None, by=notices.SYSTEM, detail=detail[:500], now=now)
        if good:
            notices.switch_on(session, site_id, address.key, why="it took a test message", now=now)
    return f"{'Sent' if good else 'Not sent'} to {shown}: {how}."


def _test_message(site: Site, person: Person, now: datetime) -> Message:
    first = f"Test message of {site.name}"
    lines = [first, f"For {person.name}. Nothing has to be done: notices of this site will come this way."]
    body = "".join(f"<p>{html.escape(line)}</p>" for line in lines)
    return Message(
        number=0,
        delivery_id=0,
        turn=0,
        site_id=site.id,
        site_name=site.name,
        crew="",
        kinds=("test",),
        urgency="plain",
        person=person.name,
        first_line=first,
        text="\n".join(lines) + "\n",
        html=f"<!doctype html><html><body>{body}</body></html>",
        answer_link="",
        made_utc=now,
    )
