"""Secret links: to answer one notice, and to read the calendar of one crew. The store has their SHA-256 alone.

That is enough for a secret of 32 random bytes, which nobody can guess from its digest.
"""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, col, delete, select

from frostshift_service.store.accounts import digest_of
from frostshift_service.store.notices import kept_delivery, notice_by_number
from frostshift_service.store.records import CalendarLink, KeptDelivery, KeptNotice, StoreError, UnknownToken
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import AnswerLinkRow, CalendarLinkRow, NoticeDeliveryRow

LINKS_LAST: Final = timedelta(days=30)
"""An answer link opens its notice for so long. Our choice."""
MAX_CREW: Final = 100
MAX_LINKS: Final = 200
"""Links of one kind at one site that count; ours, so that a script that runs wild is noticed."""


def new_answer_token(session: Session, delivery_id: int, *, now: datetime) -> str:
    """A secret for the answer to one delivery; those that it had before count as well.

    Every attempt has its own, as none is kept: the message of an attempt that was broken off may have arrived.
    """
    secret = secrets.token_urlsafe(32)
    session.add(AnswerLinkRow(digest=digest_of(secret), delivery_id=delivery_id, made_utc=now))
    session.flush()
    return secret


def by_answer_token(session: Session, secret: str) -> tuple[KeptNotice, KeptDelivery] | None:
    """The notice that a secret answers, and to whom and where it was sent; None for no such secret."""
    link = session.get(AnswerLinkRow, digest_of(secret))
    row = None if link is None else session.get(NoticeDeliveryRow, link.delivery_id)
    return None if row is None else (notice_by_number(session, row.number), kept_delivery(row))


def forget_old_links(session: Session, *, now: datetime) -> None:
    """Answer links end some time: what they answer is long over."""
    session.exec(delete(AnswerLinkRow).where(col(AnswerLinkRow.made_utc) < now - LINKS_LAST))


def check_crew(crew: str) -> None:
    """Refuse what cannot be the name of a crew.

    Raises:
        StoreError: too long, or letters that cannot be printed.
    """
    if len(crew) > MAX_CREW or not crew.isprintable():
        raise StoreError(f"crew is {crew[:MAX_CREW]!r}, at most {MAX_CREW} printable letters")


def new_calendar_token(session: Session, site_id: str, crew: str, *, now: datetime) -> str:
    """Make a secret link to the calendar of a crew; returns its secret, which cannot be had again.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a crew's name that cannot be, or too many links.
    """
    check_crew(crew)
    hold_site(session, site_id)
    counting = [one for one in calendar_links_of(session, site_id) if one.revoked_utc is None]
    if len(counting) >= MAX_LINKS:
        raise StoreError(f"site {site_id} has {len(counting)} calendar links, at most {MAX_LINKS} may count")
    secret = secrets.token_urlsafe(32)
    session.add(CalendarLinkRow(site_id=site_id, crew=crew, digest=digest_of(secret), made_utc=now, revoked_utc=None))
    session.flush()
    return secret


def calendar_crew_of(session: Session, secret: str) -> CalendarLink | None:
    """The calendar link of a secret, of whatever site; None for none, or one that was revoked."""
    row = session.exec(select(CalendarLinkRow).where(CalendarLinkRow.digest == digest_of(secret))).first()
    return None if row is None or row.revoked_utc is not None else _link(row)


def calendar_links_of(session: Session, site_id: str) -> list[CalendarLink]:
    """The calendar links of a site, revoked ones too, in the order they were made."""
    wanted = select(CalendarLinkRow).where(CalendarLinkRow.site_id == site_id).order_by(col(CalendarLinkRow.id))
    return [_link(row) for row in session.exec(wanted)]


def revoke_calendar_link(session: Session, site_id: str, link_id: int, *, now: datetime) -> CalendarLink:
    """Let a calendar link count no more. One that was revoked stays so.

    Raises:
        UnknownToken: the site has none of that id.
    """
    row = session.get(CalendarLinkRow, link_id, with_for_update=True)
    if row is None or row.site_id != site_id:
        raise UnknownToken(f"site {site_id} has no calendar link {link_id}")
    if row.revoked_utc is None:
        row.revoked_utc = now
        session.add(row)
        session.flush()
    return _link(row)


def _link(row: CalendarLinkRow) -> CalendarLink:
    assert row.id is not None
    return CalendarLink(row.id, row.site_id, row.crew, row.made_utc, row.revoked_utc)
