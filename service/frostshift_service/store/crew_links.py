"""Secret links to the page of one crew. The store has their SHA-256 alone, as of those in `notice_links.py`."""

from __future__ import annotations

import secrets
from datetime import datetime

from sqlmodel import Session, col, select

from frostshift_service.store.accounts import digest_of
from frostshift_service.store.notice_links import MAX_LINKS, check_crew
from frostshift_service.store.records import CrewLink, StoreError, UnknownToken
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import CrewLinkRow


def new_crew_token(session: Session, site_id: str, crew: str, *, now: datetime, by: str) -> str:
    """Make a secret link to the page of a crew; returns its secret, which cannot be had again.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a crew's name that cannot be, or too many links.
    """
    check_crew(crew)
    hold_site(session, site_id)
    counting = [one for one in crew_links_of(session, site_id) if one.revoked_utc is None]
    if len(counting) >= MAX_LINKS:
        raise StoreError(f"site {site_id} has {len(counting)} links to crews' pages, at most {MAX_LINKS} may count")
    secret = secrets.token_urlsafe(32)
    session.add(
        CrewLinkRow(
            site_id=site_id,
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


def crew_of(session: Session, secret: str) -> CrewLink | None:
    """The link of a secret, of whatever site; None for none, or one that was revoked."""
    row = session.exec(select(CrewLinkRow).where(CrewLinkRow.digest == digest_of(secret))).first()
    return None if row is None or row.revoked_utc is not None else _link(row)


def crew_links_of(session: Session, site_id: str) -> list[CrewLink]:
    """The links of a site, revoked ones too, in the order they were made."""
    wanted = select(CrewLinkRow).where(CrewLinkRow.site_id == site_id).order_by(col(CrewLinkRow.id))
    return [_link(row) for row in session.exec(wanted)]


def revoke_crew_link(session: Session, site_id: str, link_id: int, *, now: datetime, by: str) -> CrewLink:
    """Let a link open nothing more. One that was revoked stays so.

    Raises:
        UnknownToken: the site has none of that id.
    """
    row = session.get(CrewLinkRow, link_id, with_for_update=True)
    if row is None or row.site_id != site_id:
        raise UnknownToken(f"site {site_id} has no crew link {link_id}")
    if row.revoked_utc is None:
        row.revoked_utc, row.revoked_by = now, by
        session.add(row)
        session.flush()
    return _link(row)


def _link(row: CrewLinkRow) -> CrewLink:
    assert row.id is not None
    return CrewLink(row.id, row.site_id, row.crew, row.made_utc, row.made_by, row.revoked_utc, row.revoked_by)
