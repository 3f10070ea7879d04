"""Secret links to answer one notice. The store has their SHA-256 alone, as of those in `crew_links.py`."""

from __future__ import annotations

import secrets
from datetime import datetime, timedelta
from typing import Final

from sqlmodel import Session

from frostshift_service.store.accounts import digest_of
from frostshift_service.store.notices import kept_delivery, notice_by_number
from frostshift_service.store.records import KeptDelivery, KeptNotice
from frostshift_service.store.tables import AnswerLinkRow, NoticeDeliveryRow

LINKS_LAST: Final = timedelta(days=30)
"""An answer link opens its notice for so long. Our choice."""


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
