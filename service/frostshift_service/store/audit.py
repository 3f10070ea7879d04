"""The log of who changed what about people, rights and settings. Lines are added and never changed."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlmodel import Session, col, select

from frostshift_service.store.tables import AuditRow

MOST_DETAIL: Final = 500


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line.

    Attributes:
        at_utc, by: when, and who did it.
        site_id: of what site; empty: of none.
        what: a short fixed word or two.
        detail: about what, for people; never a secret.
    """

    at_utc: datetime
    by: str
    site_id: str
    what: str
    detail: str


def write_audit(session: Session, *, now: datetime, by: str, what: str, detail: str = "", site_id: str = "") -> None:
    """Add a line, in the transaction of what it tells of."""
    session.add(AuditRow(at_utc=now, by=by, site_id=site_id, what=what, detail=detail[:MOST_DETAIL]))


def audit_lines(
    session: Session, *, site_id: str | None = None, what: Collection[str] = (), newest: int
) -> list[AuditLine]:
    """The newest lines first; of one site, or all; with `what` those alone."""
    wanted = select(AuditRow).order_by(col(AuditRow.id).desc()).limit(newest)
    if site_id is not None:
        wanted = wanted.where(AuditRow.site_id == site_id)
    if what:
        wanted = wanted.where(col(AuditRow.what).in_(what))
    return [AuditLine(row.at_utc, row.by, row.site_id, row.what, row.detail) for row in session.exec(wanted)]
