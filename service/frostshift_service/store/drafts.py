"""Schedule files between a look at what they would change and their saving."""

from __future__ import annotations

import gzip
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session, col, delete, select

from frostshift_service.store.records import ScheduleDraft, UnknownDraft
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import ScheduleDraftRow

KEPT: Final = timedelta(days=1)
MOST_DRAFTS: Final = 20
"""Files of one site that wait at a time; the oldest goes first. Their size is that of a schedule file at most."""


def keep_draft(session: Session, site_id: str, data: bytes, *, file_name: str, now: datetime, by: str) -> int:
    """Keep a file until it is saved, thrown away or a day old; its number.

    Raises:
        UnknownSite: there is no site of that id.
    """
    hold_site(session, site_id)
    session.exec(delete(ScheduleDraftRow).where(col(ScheduleDraftRow.at_utc) < now - KEPT))
    waiting = select(ScheduleDraftRow.id).where(ScheduleDraftRow.site_id == site_id)
    old = session.exec(waiting.order_by(col(ScheduleDraftRow.id).desc()).offset(MOST_DRAFTS - 1)).all()
    session.exec(delete(ScheduleDraftRow).where(col(ScheduleDraftRow.id).in_(old)))
    content = gzip.compress(data, compresslevel=6, mtime=0)
    row = ScheduleDraftRow(site_id=site_id, at_utc=now, by=by, file_name=file_name, content=content)
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id


def load_draft(session: Session, site_id: str, draft_id: int, now: datetime) -> ScheduleDraft:
    """A file that waits.

    Raises:
        UnknownDraft: there is none of that number, or it is older than a day.
    """
    row = session.get(ScheduleDraftRow, draft_id)
    if row is None or row.site_id != site_id or row.at_utc < now - KEPT:
        raise UnknownDraft(f"site {site_id} has no schedule {draft_id} that waits to be saved: load the file again")
    return ScheduleDraft(draft_id, row.at_utc, row.by, row.file_name, gzip.decompress(row.content))


def drop_draft(session: Session, site_id: str, draft_id: int) -> None:
    """Keep a file no longer; nothing where it is gone already."""
    of_site = col(ScheduleDraftRow.site_id) == site_id
    session.exec(delete(ScheduleDraftRow).where(of_site, col(ScheduleDraftRow.id) == draft_id))
