"""Notices of a site: who hears what, what people know, what was decided, who answered, and the log of it.

Delivering them is in `deliveries`, links to answer them are in `notice_links`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from pydantic import TypeAdapter
from sqlmodel import Session, col, delete, select, update

from frostshift_rules.notice_events import Notice, Told
from frostshift_rules.notice_setup import ORDER, Address, NoticeSetup
from frostshift_service.store.packing import Packing, plain
from frostshift_service.store.plans import mark_plan_seen
from frostshift_service.store.records import (
    KeptDelivery,
    KeptNotice,
    LogWhat,
    NewNotice,
    NoticeLog,
    SwitchedOff,
    UnknownNotice,
    logged_address,
    shown_address,
)
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import (
    AddressOffRow,
    NoticeDeliveryRow,
    NoticeLogRow,
    NoticeRecipientRow,
    NoticeRow,
    NoticeSetupRow,
    NoticeToldRow,
)

SYSTEM: Final = "Frostshift"
"""Who did it, in the log, where nobody did."""
MOST_AT_ONCE: Final = 500
"""Databases take only so many values in one statement."""

_SETUP: Final = TypeAdapter(NoticeSetup)
_TOLD: Final = Packing(Told)
_NOTICE: Final = Packing(Notice)


BEYOND: Final = timedelta(hours=4)
"""A notice counts at least so long, whatever the end of its shift: a weld may run beyond it. Our choice."""

# Who hears what, and what they know


def load_setup(session: Session, site_id: str) -> NoticeSetup:
    """Who hears what of a site; nobody where nothing was said yet."""
    row = session.get(NoticeSetupRow, site_id)
    return NoticeSetup() if row is None else _SETUP.validate_python(row.setup)


def save_setup(session: Session, site_id: str, setup: NoticeSetup, *, now: datetime) -> tuple[str, ...]:
    """Replace who hears what. An address that was switched off counts again where it is new or was changed.

    Returns:
        Addresses, as shown, that stay switched off.

    Raises:
        UnknownSite: there is no site of that id.
    """
    hold_site(session, site_id)
    row = session.get(NoticeSetupRow, site_id)
    before = NoticeSetup() if row is None else _SETUP.validate_python(row.setup)
    values = plain(_SETUP, setup)
    if row is None:
        session.add(NoticeSetupRow(site_id=site_id, setup=values))
    else:
        row.setup = values
        session.add(row)
    session.flush()
    _tell_anew(session, site_id, before, setup)
    was, now_is = _addresses(before), _addresses(setup)
    stays = []
    for off in switched_off(session, site_id):
        if off.address_key in now_is and now_is[off.address_key] == was.get(off.address_key):
            stays.append(shown_address(off.address_key))
        elif off.address_key in now_is:
            switch_on(session, site_id, off.address_key, why="its entry was changed", now=now)
        else:  # nobody has it any more
            session.exec(
                delete(AddressOffRow).where(
                    col(AddressOffRow.site_id) == site_id, col(AddressOffRow.address_key) == off.address_key
                )
            )
    return tuple(stays)


def _tell_anew(session: Session, site_id: str, before: NoticeSetup, setup: NoticeSetup) -> None:
    """Who is new gets the lists of the shifts: what was decided before was told to nobody, or not to this person."""
    heard = [{(one.id, one.crews, one.hears_of) for one in of.people} for of in (before, setup)]
    row = session.get(NoticeToldRow, site_id)
    if row is None or not heard[1] - heard[0]:
        return
    told = _TOLD.unpack(row.told)
    # With nobody there before, nothing of it was told at all.
    told = replace(told, shifts=()) if before.people else Told(number=told.number)
    save_told(session, site_id, told, plan_made_utc=row.plan_made_utc)


def _addresses(setup: NoticeSetup) -> dict[str, list[tuple[str, Address]]]:
    """Address key -> whose, and with what."""
    found: dict[str, list[tuple[str, Address]]] = {}
    for person in setup.people:
        for address in person.addresses:
            found.setdefault(address.key, []).append((person.id, address))
    return found


def load_told(session: Session, site_id: str) -> Told:
    """What people know of a site; nothing where nothing was decided yet."""
    row = session.get(NoticeToldRow, site_id)
    return Told() if row is None else _TOLD.unpack(row.told)


def decided_by(session: Session, site_id: str) -> datetime | None:
    """When the plan was made that was decided by last; None: there was none."""
    row = session.get(NoticeToldRow, site_id)
    return None if row is None else row.plan_made_utc


def save_told(session: Session, site_id: str, told: Told, *, plan_made_utc: datetime | None) -> None:
    """Replace what people know of a site."""
    row = session.get(NoticeToldRow, site_id)
    packed = _TOLD.pack(told)
    if row is None:
        row = NoticeToldRow(site_id=site_id, told=packed, plan_made_utc=plan_made_utc)
    else:
        row.told, row.plan_made_utc = packed, plan_made_utc
    session.add(row)
    session.flush()


# Decided


def add_notices(
    session: Session,
    site_id: str,
    new: Sequence[NewNotice],
    *,
    plan_id: int | None,
    now: datetime,
    told: Told | None = None,
    plan_made_utc: datetime | None = None,
) -> list[KeptNotice]:
    """Keep notices that were decided, with their deliveries and what people know from now on: all of it or nothing.

    A notice whose key the site has already adds nothing. The plan is kept for good.

    Args:
        session: a writing one.
        site_id: the site.
        new: what was decided, with who is to hear of it.
        plan_id: of the plan it was decided by; None for none.
        now: aware.
        told: what people know from now on; None: as before.
        plan_made_utc: of the plan; goes with `told`.

    Returns:
        Those that are new, with their numbers.

    Raises:
        UnknownSite: there is no site of that id.
    """
    hold_site(session, site_id)  # two copies that decide at once follow one another
    there = _keys_there(session, site_id, [one.notice.key for one in new])
    off = {one.address_key for one in switched_off(session, site_id)}
    kept = []
    for one in new:
        if one.notice.key in there:
            continue
        there.add(one.notice.key)
        kept.append(_add_notice(session, site_id, one, plan_id, off, now))
    if kept and plan_id is not None:
        mark_plan_seen(session, plan_id, "sent")
    if told is not None:
        save_told(session, site_id, told, plan_made_utc=plan_made_utc)
    return kept


def _keys_there(session: Session, site_id: str, keys: Sequence[str]) -> set[str]:
    found: set[str] = set()
    for first in range(0, len(keys), MOST_AT_ONCE):
        some = keys[first : first + MOST_AT_ONCE]
        found |= set(
            session.exec(select(NoticeRow.key).where(NoticeRow.site_id == site_id, col(NoticeRow.key).in_(some)))
        )
    return found


def needed_until(notice: Notice) -> datetime | None:
    """After this nobody needs a notice any more: its shift is over, and what ran beyond it; None: no such time."""
    return None if notice.shift_end_utc is None else max(notice.shift_end_utc, notice.decided_utc + BEYOND)


def _add_notice(
    session: Session, site_id: str, new: NewNotice, plan_id: int | None, off: Collection[str], now: datetime
) -> KeptNotice:
    notice = new.notice
    row = NoticeRow(
        site_id=site_id,
        key=notice.key,
        rank=ORDER.index(notice.urgency),
        decided_utc=notice.decided_utc,
        until_utc=needed_until(notice),
        plan_id=plan_id,
        notice=_NOTICE.pack(notice),
        answered_utc=None,
        answered_by="",
    )
    session.add(row)
    session.flush()
    assert row.number is not None
    for one in new.recipients:
        add_recipient(
            session, site_id, row.number, one.person_id, one.address_keys, turn=0, due_utc=one.due_utc, off=off
        )
    names = ", ".join(one.person_id for one in new.recipients) or "nobody"
    about = " and ".join(sorted({event.kind for event in notice.events}))
    write_log(session, site_id, "decided", row.number, by=SYSTEM, detail=f"{about}; to {names}", now=now)
    return KeptNotice(row.number, site_id, notice, plan_id)


def add_recipient(
    session: Session,
    site_id: str,
    number: int,
    person_id: str,
    address_keys: Sequence[str],
    *,
    turn: int,
    due_utc: datetime,
    off: Collection[str],
) -> int:
    """Let a person hear of a notice, at every address that is not switched off; returns at how many."""
    session.add(NoticeRecipientRow(number=number, person_id=person_id, turn=turn, due_utc=due_utc))
    keys = [key for key in dict.fromkeys(address_keys) if key not in off]
    session.add_all(
        NoticeDeliveryRow(
            number=number,
            site_id=site_id,
            person_id=person_id,
            address_key=key,
            turn=turn,
            state="waiting",
            attempts=0,
            first_due_utc=due_utc,
            due_utc=due_utc,
            claimed_utc=None,
            sent_utc=None,
            last_error="",
        )
        for key in keys
    )
    session.flush()
    return len(keys)


def notice_by_number(session: Session, number: int) -> KeptNotice:
    """One notice.

    Raises:
        UnknownNotice: there is none of that number.
    """
    row = session.get(NoticeRow, number, populate_existing=True)
    if row is None:
        raise UnknownNotice(f"there is no notice {number}")
    return kept_notice(row)


def notices_of(session: Session, site_id: str, *, newest: int) -> list[KeptNotice]:
    """The newest notices of a site, the newest first."""
    order = col(NoticeRow.decided_utc).desc(), col(NoticeRow.number).desc()
    rows = session.exec(select(NoticeRow).where(NoticeRow.site_id == site_id).order_by(*order).limit(newest))
    return [kept_notice(row) for row in rows]


def deliveries_of(session: Session, numbers: Sequence[int]) -> list[KeptDelivery]:
    """What is or was on its way of these notices, in the order it was added."""
    found: list[NoticeDeliveryRow] = []
    for first in range(0, len(numbers), MOST_AT_ONCE):
        some = col(NoticeDeliveryRow.number).in_(numbers[first : first + MOST_AT_ONCE])
        found += session.exec(select(NoticeDeliveryRow).where(some).order_by(col(NoticeDeliveryRow.id))).all()
    return [kept_delivery(row) for row in found]


def kept_notice(row: NoticeRow) -> KeptNotice:
    """A row as a record."""
    assert row.number is not None
    return KeptNotice(
        row.number, row.site_id, _NOTICE.unpack(row.notice), row.plan_id, row.answered_utc, row.answered_by
    )


def kept_delivery(row: NoticeDeliveryRow) -> KeptDelivery:
    """A row as a record."""
    assert row.id is not None
    return KeptDelivery(
        id=row.id,
        number=row.number,
        person_id=row.person_id,
        address_key=row.address_key,
        turn=row.turn,
        state=row.state,
        attempts=row.attempts,
        due_utc=row.due_utc,
        sent_utc=row.sent_utc,
        last_error=row.last_error,
    )


# Seen and answered


def mark_seen(session: Session, number: int, *, by: str, how: str, now: datetime) -> None:
    """Write down that somebody opened a notice; once for each person.

    Raises:
        UnknownNotice: there is no notice of that number.
    """
    site_id = _site_of(session, number)
    hold_site(session, site_id)
    seen = select(NoticeLogRow.id).where(
        NoticeLogRow.number == number, NoticeLogRow.what == "seen", NoticeLogRow.by == by
    )
    if session.exec(seen).first() is None:
        write_log(session, site_id, "seen", number, by=by, detail=how, now=now)


def answer(session: Session, number: int, *, by: str, how: str, now: datetime) -> KeptNotice:
    """Somebody says that a notice was understood: nothing is repeated or passed on any more. The first answer stays.

    Args:
        session: a writing one.
        number: of the notice.
        by: name of the person.
        how: such as `link in a message` or `page`.
        now: aware.

    Returns:
        The notice with its first answer.

    Raises:
        UnknownNotice: there is no notice of that number.
    """
    site_id = _site_of(session, number)
    hold_site(session, site_id)
    unanswered = col(NoticeRow.number) == number, col(NoticeRow.answered_utc).is_(None)
    session.exec(update(NoticeRow).where(*unanswered).values(answered_utc=now, answered_by=by))
    again = (
        select(NoticeLogRow.id)
        .where(NoticeLogRow.number == number, NoticeLogRow.what == "answered")
        .where(NoticeLogRow.by == by)
    )
    if session.exec(again).first() is None:
        write_log(session, site_id, "answered", number, by=by, detail=how, now=now)
    more = (
        col(NoticeDeliveryRow.number) == number,
        col(NoticeDeliveryRow.turn) > 0,
        col(NoticeDeliveryRow.state) == "waiting",
    )
    session.exec(update(NoticeDeliveryRow).where(*more).values(state="dropped", last_error=f"answered by {by}"))
    return notice_by_number(session, number)


def _site_of(session: Session, number: int) -> str:
    site_id = session.exec(select(NoticeRow.site_id).where(NoticeRow.number == number)).first()
    if site_id is None:
        raise UnknownNotice(f"there is no notice {number}")
    return site_id


# Addresses that refused


def switched_off(session: Session, site_id: str) -> list[SwitchedOff]:
    """The addresses of a site that nothing is sent to, the latest last."""
    wanted = select(AddressOffRow).where(AddressOffRow.site_id == site_id)
    rows = session.exec(wanted.order_by(col(AddressOffRow.since_utc), col(AddressOffRow.address_key)))
    return [SwitchedOff(row.address_key, row.person_id, row.since_utc, row.reason) for row in rows]


def switch_off(
    session: Session, site_id: str, address_key: str, *, person_id: str, reason: str, number: int | None, now: datetime
) -> bool:
    """Send nothing to an address any more, what waits for it included; False where it is off already."""
    hold_site(session, site_id)
    if session.get(AddressOffRow, (site_id, address_key), populate_existing=True) is not None:
        return False
    session.add(
        AddressOffRow(site_id=site_id, address_key=address_key, person_id=person_id, since_utc=now, reason=reason)
    )
    waiting = (
        col(NoticeDeliveryRow.site_id) == site_id,
        col(NoticeDeliveryRow.address_key) == address_key,
        col(NoticeDeliveryRow.state) == "waiting",
    )
    session.exec(
        update(NoticeDeliveryRow).where(*waiting).values(state="dropped", last_error="its address was switched off")
    )
    detail = f"{logged_address(address_key)} of {person_id}: {reason}"
    write_log(session, site_id, "switched_off", number, by=SYSTEM, detail=detail, now=now)
    return True


def switch_on(session: Session, site_id: str, address_key: str, *, why: str, now: datetime) -> bool:
    """Send to an address again; False where it was not off."""
    hold_site(session, site_id)
    row = session.get(AddressOffRow, (site_id, address_key), populate_existing=True)
    if row is None:
        return False
    session.delete(row)
    session.flush()
    detail = f"{logged_address(address_key)}: {why}"
    write_log(session, site_id, "switched_on", None, by=SYSTEM, detail=detail, now=now)
    return True


# The log


def write_log(
    session: Session, site_id: str, what: LogWhat, number: int | None, *, by: str, detail: str, now: datetime
) -> None:
    """Add a line to the log."""
    session.add(NoticeLogRow(site_id=site_id, at_utc=now, what=what, number=number, by=by, detail=detail))
    session.flush()


def log_of(session: Session, site_id: str, *, newest: int, number: int | None = None) -> list[NoticeLog]:
    """The newest lines of a site's log, or of one notice's, the newest first."""
    wanted = select(NoticeLogRow).where(NoticeLogRow.site_id == site_id)
    if number is not None:
        wanted = wanted.where(NoticeLogRow.number == number)
    order = col(NoticeLogRow.at_utc).desc(), col(NoticeLogRow.id).desc()
    rows = session.exec(wanted.order_by(*order).limit(newest))
    return [NoticeLog(row.at_utc, row.what, row.number, row.by, row.detail) for row in rows]
