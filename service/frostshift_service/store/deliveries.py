"""Notices on their way: claimed by one worker, sent, and what came of it; repeated and passed on where nobody answers.

A worker claims a delivery and commits before it sends, so that no two send the same and a crash leaves a trace. A claim
that goes stale returns, so that every delivery is made at least once: for a crew, twice is better than never.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import ColumnElement, func
from sqlmodel import Session, col, select, update

from frostshift_rules.notice_setup import Channel, NoticeSetup, Person
from frostshift_service.store.notice_links import new_answer_token
from frostshift_service.store.notices import (
    MOST_AT_ONCE,
    SYSTEM,
    add_recipient,
    kept_delivery,
    load_setup,
    notice_by_number,
    switched_off,
    write_log,
)
from frostshift_service.store.records import Claimed, DeliveryState, KeptDelivery, logged_address
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import NoticeDeliveryRow, NoticeRecipientRow, NoticeRow

STALE: Final = timedelta(seconds=40)
"""A claim that was not renewed for so long returns: whoever made it is gone."""
PAUSES: Final = tuple(timedelta(minutes=minutes) for minutes in (1, 2, 5, 15, 30, 60))
"""After so many attempts that failed; the last again and again. Our choice."""
LONGEST: Final = timedelta(days=1)
"""After this it is not tried any more. Our choice."""
ASKED: Final = timedelta(hours=6)
"""Longest pause that a server may ask for ..."""
ASKED_NOW: Final = timedelta(minutes=15)
"""... and for what cannot wait. Our choice."""
CLOCKS_APART: Final = timedelta(minutes=5)
"""Copies on several machines differ by no more than this: what is further ahead is of a clock that was wrong."""
URGENT: Final = 0
MAX_ERROR: Final = 300
FORGOTTEN: Final = timedelta(days=1)
"""What nobody answered is not repeated after this."""


def give_back_stale(session: Session, *, now: datetime) -> int:
    """Let claims wait again whose worker is gone; returns how many."""
    claimed_utc = col(NoticeDeliveryRow.claimed_utc)
    silent = (claimed_utc < now - STALE) | (claimed_utc > now + CLOCKS_APART)
    stale = col(NoticeDeliveryRow.state) == "claimed", silent
    # Those that another copy gives back at this moment are left to it: neither waits for the other.
    found = session.exec(select(NoticeDeliveryRow.id).where(*stale).with_for_update(skip_locked=True)).all()
    values = {
        "state": "waiting",
        "due_utc": now,
        "claimed_utc": None,
        "last_error": "sending was broken off; it may have arrived",
    }
    for first in range(0, len(found), MOST_AT_ONCE):
        some = col(NoticeDeliveryRow.id).in_(found[first : first + MOST_AT_ONCE])
        session.exec(update(NoticeDeliveryRow).where(some, *stale).values(values))
    return len(found)


def bring_forward(session: Session, *, now: datetime) -> int:
    """Let be due now what waits only because the clock was ahead when it was decided or tried; returns how many."""
    found = session.exec(
        select(NoticeDeliveryRow, NoticeRow.rank, NoticeRow.decided_utc)
        .join(NoticeRow, col(NoticeRow.number) == col(NoticeDeliveryRow.number))
        .where(NoticeDeliveryRow.state == "waiting", NoticeDeliveryRow.due_utc > now + CLOCKS_APART)
        .with_for_update(skip_locked=True, of=NoticeDeliveryRow)
    ).all()
    count = 0
    for row, rank, decided_utc in found:
        if row.attempts:
            longest = max(_pause(row.attempts), ASKED_NOW if rank == URGENT else ASKED)
            wrong = row.due_utc > now + longest + CLOCKS_APART
        else:
            wrong = _due_by_wrong_clock(row.turn, row.due_utc, decided_utc, now)
        if wrong:
            row.due_utc, row.first_due_utc = now, min(row.first_due_utc, now)
            session.add(row)
            count += 1
    return count


def _due_by_wrong_clock(turn: int, due_utc: datetime, decided_utc: datetime, now: datetime) -> bool:
    """Whether something lies ahead that was due at once; only what is told first may wait for quiet hours to end."""
    if due_utc <= now + CLOCKS_APART:
        return False
    return turn > 0 or (decided_utc > now + CLOCKS_APART and due_utc <= decided_utc + CLOCKS_APART)


def _pause(attempts: int) -> timedelta:
    return PAUSES[min(attempts, len(PAUSES)) - 1]


def claim_next(
    session: Session,
    *,
    now: datetime,
    skip_addresses: Collection[tuple[str, str]] = (),
    skip_channels: Collection[Channel] = (),
) -> Claimed | None:
    """Take the next delivery that is due, what cannot wait first; None where there is none to take.

    The caller commits before it sends: from then on it is nobody else's until `STALE` is over.

    Args:
        session: a writing one.
        now: aware.
        skip_addresses: site and address key of those not to be taken.
        skip_channels: the same.
    """
    due = (
        select(NoticeDeliveryRow)
        .join(NoticeRow, col(NoticeRow.number) == col(NoticeDeliveryRow.number))
        .where(NoticeDeliveryRow.state == "waiting", NoticeDeliveryRow.due_utc <= now)
        .order_by(col(NoticeRow.rank), col(NoticeDeliveryRow.due_utc), col(NoticeDeliveryRow.id))
        .limit(1)
        .with_for_update(skip_locked=True, of=NoticeDeliveryRow)
        .execution_options(populate_existing=True)
    )
    for site_id, key in skip_addresses:
        due = due.where((col(NoticeDeliveryRow.site_id) != site_id) | (col(NoticeDeliveryRow.address_key) != key))
    for channel in skip_channels:
        due = due.where(~col(NoticeDeliveryRow.address_key).startswith(f"{channel}:", autoescape=True))
    row = session.exec(due).first()
    if row is None:
        return None
    free = (
        col(NoticeDeliveryRow.id) == row.id,
        col(NoticeDeliveryRow.state) == "waiting",
        col(NoticeDeliveryRow.due_utc) <= now,
    )
    claim = {"state": "claimed", "claimed_utc": now, "attempts": col(NoticeDeliveryRow.attempts) + 1}
    if session.exec(update(NoticeDeliveryRow).where(*free).values(claim)).rowcount != 1:
        return None
    session.refresh(row)
    assert row.id is not None
    token = new_answer_token(session, row.id, now=now)
    return Claimed(row.site_id, kept_delivery(row), notice_by_number(session, row.number), row.first_due_utc, token)


def keep_claim(session: Session, claimed: Claimed, *, now: datetime) -> None:
    """Renew the claim on a delivery that is still being sent; one that another has claimed since stays that one's."""
    one = claimed.delivery
    ours = (
        col(NoticeDeliveryRow.id) == one.id,
        col(NoticeDeliveryRow.attempts) == one.attempts,
        col(NoticeDeliveryRow.state) == "claimed",
    )
    session.exec(update(NoticeDeliveryRow).where(*ours).values(claimed_utc=now))


def mark_sent(session: Session, claimed: Claimed, *, how: str, now: datetime) -> None:
    """It was taken over by its server. Counts also where the claim went stale meanwhile and nobody else has it."""
    one = claimed.delivery
    ours = (
        col(NoticeDeliveryRow.id) == one.id,
        col(NoticeDeliveryRow.attempts) == one.attempts,
        col(NoticeDeliveryRow.state).in_(("claimed", "waiting")),
    )
    values = {"state": "sent", "sent_utc": now, "claimed_utc": None, "last_error": ""}
    ours_still = session.exec(update(NoticeDeliveryRow).where(*ours).values(values)).rowcount == 1
    tried = f", attempt {one.attempts}" if one.attempts > 1 else ""
    twice = "" if ours_still else "; more than once, as the sending took too long"
    detail = f"to {one.person_id} at {logged_address(one.address_key)}{tried}: {how}{twice}"
    write_log(session, claimed.site_id, "sent", one.number, by=SYSTEM, detail=detail, now=now)


def mark_failed(
    session: Session,
    claimed: Claimed,
    error: str,
    *,
    now: datetime,
    permanent: bool = False,
    dropped: bool = False,
    retry_after: timedelta | None = None,
) -> DeliveryState:
    """It was not taken over: tried again after a pause, unless its address refuses or a day has passed.

    The first failure of a delivery is written into the log, and the last.

    Args:
        session: a writing one.
        claimed: what was tried.
        error: why, for people.
        now: aware.
        permanent: trying again cannot help.
        dropped: nobody needs it any more.
        retry_after: pause that the server asked for.

    Returns:
        How it stands now.
    """
    one = claimed.delivery
    pause = _pause(one.attempts)
    if retry_after is not None:
        pause = max(pause, min(retry_after, ASKED_NOW if claimed.notice.notice.urgency == "now" else ASKED))
    state: DeliveryState = "waiting"
    if dropped:
        state = "dropped"
    elif permanent or now + pause - claimed.first_due_utc > LONGEST:
        state = "failed"
    text = error[:MAX_ERROR]
    ours = (
        col(NoticeDeliveryRow.id) == one.id,
        col(NoticeDeliveryRow.attempts) == one.attempts,
        col(NoticeDeliveryRow.state) == "claimed",
    )
    values = {"state": state, "due_utc": now + pause, "claimed_utc": None, "last_error": text}
    session.exec(update(NoticeDeliveryRow).where(*ours).values(values))
    if one.attempts == 1 or state != "waiting":
        end = {"waiting": "tried again", "dropped": "not tried again"}.get(state, "given up")
        detail = f"to {one.person_id} at {logged_address(one.address_key)}: {text}; {end}"
        write_log(session, claimed.site_id, "failed", one.number, by=SYSTEM, detail=detail, now=now)
    return state


def sites_waiting_for_answers(session: Session, *, now: datetime) -> list[str]:
    """Sites with notices that cannot wait and that nobody has answered."""
    wanted = select(NoticeRow.site_id).where(*_unanswered(now)).distinct()
    return sorted(session.exec(wanted))


def _unanswered(now: datetime) -> tuple[ColumnElement[bool], ...]:
    return (
        col(NoticeRow.rank) == URGENT,
        col(NoticeRow.answered_utc).is_(None),
        col(NoticeRow.decided_utc) > now - FORGOTTEN,
        col(NoticeRow.until_utc).is_(None) | (col(NoticeRow.until_utc) > now),
    )


def follow_up(session: Session, site_id: str, *, now: datetime) -> int:
    """Send again, and pass on, what cannot wait and nobody at the site has answered; each once. Returns how many.

    It is sent again so long after it went out, and passed on so long after it was due: a person whose address gives no
    answer has heard nothing, and the next one is to.
    """
    hold_site(session, site_id)
    setup = load_setup(session, site_id)
    off = {one.address_key for one in switched_off(session, site_id)}
    numbers = select(NoticeRow.number, NoticeRow.decided_utc).where(NoticeRow.site_id == site_id, *_unanswered(now))
    added = 0
    for number, decided_utc in sorted((one, at) for one, at in session.exec(numbers) if one is not None):
        rows = session.exec(select(NoticeRecipientRow).where(NoticeRecipientRow.number == number)).all()
        told = {(row.person_id, row.turn) for row in rows}
        for row in sorted((row for row in rows if row.turn != 1), key=lambda row: (row.turn, row.person_id)):
            if _due_by_wrong_clock(row.turn, row.due_utc, decided_utc, now):
                row.due_utc = now
                session.add(row)
            person = setup.person(row.person_id)
            if person is None:
                continue
            if row.turn == 0 and (person.id, 1) not in told and _sent_long_ago(session, number, person.id, setup, now):
                told.add((person.id, 1))
                _again(session, site_id, number, person, off, now)
                added += 1
            passed = _passed_to(setup, person, told, off)
            if passed is not None and row.due_utc + timedelta(minutes=setup.choices.then_minutes) <= now:
                told.add((passed.id, 2))
                _pass_on(session, site_id, number, person, passed, off, now)
                added += 1
    return added


def _sent_long_ago(session: Session, number: int, person_id: str, setup: NoticeSetup, now: datetime) -> bool:
    first_sent = select(func.min(NoticeDeliveryRow.sent_utc)).where(
        NoticeDeliveryRow.number == number, NoticeDeliveryRow.person_id == person_id, NoticeDeliveryRow.turn == 0
    )
    sent_utc: datetime | None = session.exec(first_sent).one()
    if sent_utc is None:
        return False
    # Nobody knows when it was, where the clock was wrong: twice is better than never.
    return sent_utc + timedelta(minutes=setup.choices.repeat_minutes) <= now or sent_utc > now + CLOCKS_APART


def _passed_to(
    setup: NoticeSetup, person: Person, told: Collection[tuple[str, int]], off: Collection[str]
) -> Person | None:
    """Who is told instead: the next in the row whom a message reaches, the last of them for want of one.

    None where there is nobody, or who comes next has heard of it anyway.
    """
    asked, passed = {person.id}, None
    while person.then is not None and person.then not in asked:
        asked.add(person.then)
        after = setup.person(person.then)
        if after is None:
            break
        if any((after.id, turn) in told for turn in (0, 2)):
            return None
        passed = person = after
        if any(address.key not in off for address in after.addresses):
            break
    return passed


def _again(session: Session, site_id: str, number: int, person: Person, off: Collection[str], now: datetime) -> None:
    keys = [address.key for address in person.addresses]
    count = add_recipient(session, site_id, number, person.id, keys, turn=1, due_utc=now, off=off)
    detail = f"to {person.id}, as nobody has answered" + ("" if count else "; no address is left")
    write_log(session, site_id, "again", number, by=SYSTEM, detail=detail, now=now)


def _pass_on(
    session: Session, site_id: str, number: int, person: Person, to: Person, off: Collection[str], now: datetime
) -> None:
    keys = [address.key for address in to.addresses]
    count = add_recipient(session, site_id, number, to.id, keys, turn=2, due_utc=now, off=off)
    detail = f"from {person.id} to {to.id}, as nobody has answered" + ("" if count else "; without an address")
    write_log(session, site_id, "passed_on", number, by=SYSTEM, detail=detail, now=now)


def waiting_of(session: Session, site_id: str) -> list[KeptDelivery]:
    """What waits or is being sent at a site, by when it is due."""
    wanted = select(NoticeDeliveryRow).where(
        NoticeDeliveryRow.site_id == site_id, col(NoticeDeliveryRow.state).in_(("waiting", "claimed"))
    )
    return [kept_delivery(row) for row in session.exec(wanted.order_by(col(NoticeDeliveryRow.due_utc)))]
