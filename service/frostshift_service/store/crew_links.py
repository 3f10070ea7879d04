"""Secret links of crews, to their page or their calendar. The store has their SHA-256 alone.

That is enough for a secret of 32 random bytes, which nobody can guess from its digest.
"""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Final

from sqlmodel import Session, col, select

from frostshift_service.store.accounts import digest_of
from frostshift_service.store.records import CrewLink, CrewLinkOpens, StoreError, UnknownToken
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import CrewLinkRow

MAX_CREW: Final = 100
MAX_LINKS: Final = 200
"""Links of one kind at one site that count; ours, so that a script that runs wild is noticed."""
_OPENS: Final[dict[CrewLinkOpens, str]] = {"page": "crews' pages", "calendar": "crews' calendars"}


def new_crew_token(session: Session, site_id: str, opens: CrewLinkOpens, crew: str, *, now: datetime, by: str) -> str:
    """Make a secret link of a crew; returns its secret, which cannot be had again.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a crew's name that cannot be, or too many links.
    """
    if len(crew) > MAX_CREW or not crew.isprintable():
        raise StoreError(f"crew is {crew[:MAX_CREW]!r}, at most {MAX_CREW} printable letters")
    hold_site(session, site_id)
    counting = [one for one in crew_links_of(session, site_id, opens) if one.revoked_utc is None]
    if len(counting) >= MAX_LINKS:
        raise StoreError(f"site {site_id} has {len(counting)} links to {_OPENS[opens]}, at most {MAX_LINKS} may count")
    secret = secrets.token_urlsafe(32)
    session.add(
        CrewLinkRow(
            site_id=site_id,
            opens=opens,
            crew=crew,
            digest=digest_of(secret),
            made_utc=now,
            made_by=by,
            revoked_utc=None,
            revoked_by="",
        )
    )
    session.flush()
    return secret


def crew_of(session: Session, opens: CrewLinkOpens, secret: str) -> CrewLink | None:
    """The link of a secret, of whatever site; None for none, one to something else, or one that was revoked."""
    row = session.exec(
        select(CrewLinkRow).where(CrewLinkRow.digest == digest_of(secret), CrewLinkRow.opens == opens)
    ).first()
    return None if row is None or row.revoked_utc is not None else _link(row)


def crew_links_of(session: Session, site_id: str, opens: CrewLinkOpens) -> list[CrewLink]:
    """The links of one kind of a site, revoked ones too, in the order they were made."""
    wanted = select(CrewLinkRow).where(CrewLinkRow.site_id == site_id, CrewLinkRow.opens == opens)
    return [_link(row) for row in session.exec(wanted.order_by(col(CrewLinkRow.id)))]


def revoke_crew_link(
    session: Session, site_id: str, opens: CrewLinkOpens, link_id: int, *, now: datetime, by: str
) -> CrewLink:
    """Let a link open nothing more. One that was revoked stays so.

    Raises:
        UnknownToken: the site has none of that kind and id.
    """
    row = session.get(CrewLinkRow, link_id, with_for_update=True)
    if row is None or (row.site_id, row.opens) != (site_id, opens):
        raise UnknownToken(f"site {site_id} has no link {link_id} to {_OPENS[opens]}")
    if row.revoked_utc is None:
        row.revoked_utc, row.revoked_by = now, by
        session.add(row)
        session.flush()
    return _link(row)


def _link(row: CrewLinkRow) -> CrewLink:
    assert row.id is not None
    return CrewLink(
        row.id, row.opens, row.site_id, row.crew, row.made_utc, row.made_by, row.revoked_utc, row.revoked_by
    )
