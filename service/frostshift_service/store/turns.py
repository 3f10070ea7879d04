"""Whose turn it is to work on a site: one copy of the service at a time, taken over where that one falls silent.

A copy takes a site that is due, commits, works, and gives it back with the time of the next turn. While it works it
renews its claim; one that is not renewed runs out, so that the site of a copy that died or hangs is another's within a
minute. What a copy that hung still writes when it wakes does no harm: every step holds the site and looks again.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import ColumnElement
from sqlmodel import Session, col, or_, select, update

from frostshift_service.store.tables import SiteRow, SiteTurnRow

FIRST: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""When a new site is due: at once."""
EVERY: Final = timedelta(minutes=1)
"""From the end of one turn to the next, where nothing is changed at the site meanwhile."""
LEASE: Final = timedelta(seconds=40)
"""A claim that was not renewed for so long has run out."""
LEFT_TO_LAST: Final = timedelta(seconds=5)
"""So long a due site is left to the copy that had it last and has its plan in hand. Our choice."""


@dataclass(frozen=True, slots=True)
class Turn:
    """A site in one copy's hands.

    Attributes:
        site_id: the site.
        number: counts the turns of the site; tells this claim from a later one.
        revision: of the site when it was taken.
    """

    site_id: str
    number: int
    revision: int


def add_site(session: Session, site_id: str) -> None:
    """Let a new site have its turns, the first at once."""
    session.add(SiteTurnRow(site_id=site_id, due_utc=FIRST, copy_name="", held_until_utc=None, number=0, revision=0))


def take_turn(session: Session, copy: str, *, now: datetime, skip: Collection[str] = ()) -> Turn | None:
    """Take the site that has waited longest of those that are due; None where none is.

    Due is a site whose time has come, that was changed since its last turn, or whose claim ran out. A time further
    ahead than is ever set was written by a clock that was wrong, and counts as come.

    Args:
        session: a writing one, committed before the work begins.
        copy: name of this copy, its own.
        now: aware.
        skip: sites not to be taken: one that hangs in a worker of this copy would hang in the next one, too.
    """
    turn, site = SiteTurnRow, SiteRow
    free = or_(col(turn.held_until_utc).is_(None), _past(turn.held_until_utc, now, LEASE))
    due = or_(_past(turn.due_utc, now, EVERY), col(site.revision) != col(turn.revision))
    ours = or_(
        col(turn.copy_name).in_(("", copy)),
        col(turn.held_until_utc).is_not(None),  # whoever had it did not give it back
        _past(turn.due_utc, now - LEFT_TO_LAST, EVERY + LEFT_TO_LAST),
    )
    found = session.exec(
        select(turn, site.revision)
        .join(site, col(site.id) == col(turn.site_id))
        .where(free, due, ours, col(turn.site_id).not_in(skip))
        .order_by(col(turn.due_utc), col(turn.site_id))
        .limit(1)
        .with_for_update(skip_locked=True, of=turn)
    ).first()
    if found is None:
        return None
    row, revision = found
    row.copy_name, row.held_until_utc, row.number = copy, now + LEASE, row.number + 1
    session.add(row)
    return Turn(row.site_id, row.number, revision)


def keep_turn(session: Session, turn: Turn, *, now: datetime) -> None:
    """Renew the claim on a site that is still worked on; one that was taken over stays its new owner's."""
    session.exec(update(SiteTurnRow).where(*_still(turn)).values(held_until_utc=now + LEASE))


def end_turn(session: Session, turn: Turn, *, now: datetime) -> bool:
    """Give a site back until its next turn; whether it was still this copy's."""
    values = {"held_until_utc": None, "due_utc": now + EVERY, "revision": turn.revision}
    return session.exec(update(SiteTurnRow).where(*_still(turn)).values(values)).rowcount == 1


def _past(column: datetime | None, now: datetime, ahead: timedelta) -> ColumnElement[bool]:
    """Whether a time has come, or lies more than twice as far ahead as such a time is ever set."""
    return or_(col(column) <= now, col(column) > now + 2 * ahead)


def _still(turn: Turn) -> tuple[ColumnElement[bool], ...]:
    return col(SiteTurnRow.site_id) == turn.site_id, col(SiteTurnRow.number) == turn.number
