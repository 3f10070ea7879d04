"""What goes after how long, and what never does; it is done once a day, by one copy (`tidying.py`).

What can be replaced goes early, what somebody may be asked about stays for two winters, evidence stays for good. Of
every rule the rows are found without holding anybody up, and dropped by a few at a time under the same condition: what
has been used or seen meanwhile stays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import ColumnElement, func, text
from sqlalchemy.orm import aliased
from sqlmodel import Session, SQLModel, col, delete, select

from frostshift_service.store import accounts, drafts, forecasts, history, notice_links, plans, thermometer
from frostshift_service.store.audit import write_audit
from frostshift_service.store.notices import SYSTEM
from frostshift_service.store.tables import (
    AirReadingRow,
    AnswerLinkRow,
    AttemptRow,
    AuditRow,
    EntryLinkRow,
    ForecastRow,
    NoticeDeliveryRow,
    NoticeLogRow,
    NoticeRecipientRow,
    NoticeRow,
    PlanRow,
    ScheduleActRow,
    ScheduleDraftRow,
    SessionRow,
    SiteRow,
)

TOLD: Final = timedelta(days=730)
"""Notices, with what became of them, and the log of changes: this winter and the one before. Our choice."""
ACTS: Final = timedelta(days=60)
"""Only a site's last change of joints can be taken back. Our choice."""
EVERY: Final = timedelta(hours=23)
"""Less than a day, so that the hour at which it is done does not move on."""
CLOCK_JUMPED: Final = timedelta(days=7)
"""After so long without it, nothing goes at first: the clock may be wrong."""

_LOCK: Final = 0x66726F7375  # any number that nobody else of the database takes
_TIDY: Final = "tidy"

STAYS: Final = {
    "reading": "the preheat record",
    "joint": "a reading may point at it",
    "joint_change": "who changed what of a joint",
    "schedule_import": "what was scheduled, and when",
    "stock_entry": "a ledger",
    "site": "settings",
    "site_turn": "one row a site",
    "procedure": "settings",
    "acceptance": "who took responsibility for a table",
    "account": "names stand beside what they changed",
    "site_role": "settings",
    "notice_setup": "settings",
    "notice_told": "one row a site",
    "address_off": "until somebody switches it on again",
    "feed_state": "one row a feed of a site",
    "feed_in_use": "one row a site",
    "alerts": "one row a site",
    "order_run": "the newest ten of a site; older ones go where one is added",
    "observed_hours": "one row a station; its hours are thinned where they are written",
    "device_token": "air readings point at it; at most some of a site",
    "machine_token": "who could read or write, and until when; at most some of a site",
    "crew_link": "who could read or write, and until when",
}
"""Tables that nothing is ever deleted from for its age, and why."""

Find = Callable[[Session, datetime], list[Any]]
Drop = Callable[[Session, Sequence[Any], datetime], int]


@dataclass(frozen=True, slots=True)
class Rule:
    """What goes.

    Attributes:
        what: for people, plural.
        tables: that rows are deleted from.
        kept: how long, for people.
        why: for people.
        find: keys of what may go now.
        drop: deletes what of some keys may still go, in the caller's transaction; returns how many.
        at_once: keys for one transaction.
    """

    what: str
    tables: tuple[str, ...]
    kept: str
    why: str
    find: Find
    drop: Drop
    at_once: int = 200


def _rows(
    row: type[SQLModel], key: Any, where: Callable[[datetime], Sequence[ColumnElement[bool]]]
) -> tuple[Find, Drop]:
    """Finds and drops rows of one table by a condition."""

    def find(session: Session, now: datetime) -> list[Any]:
        return list(session.exec(select(key).where(*where(now))))

    def drop(session: Session, keys: Sequence[Any], now: datetime) -> int:
        return session.exec(delete(row).where(key.in_(keys), *where(now))).rowcount

    return find, drop


def _find_plans(session: Session, _now: datetime) -> list[int]:
    sites = session.exec(select(SiteRow.id)).all()
    return [one for site_id in sites for one in plans.superfluous(session, site_id, plans.KEEP_UNSEEN)]


def _drop_plans(session: Session, keys: Sequence[int], _now: datetime) -> int:
    # Held, so that a page of another copy cannot show one between the look and the end of this transaction.
    held = select(PlanRow.site_id).where(col(PlanRow.id).in_(keys)).order_by(col(PlanRow.id)).with_for_update()
    sites = set(session.exec(held))
    still = {one for site_id in sites for one in plans.superfluous(session, site_id, plans.KEEP_UNSEEN)}
    return plans.drop_plans(session, [one for one in keys if one in still])


def _find_history(session: Session, now: datetime) -> list[tuple[str, str, datetime]]:
    return [
        key for site_id in session.exec(select(SiteRow.id)).all() for key in history.old_rows(session, site_id, now)
    ]


def _drop_history(session: Session, keys: Sequence[tuple[str, str, datetime]], now: datetime) -> int:
    sites = {site_id for site_id, _, _ in keys}
    still = {key for site_id in sites for key in history.old_rows(session, site_id, now)}
    return history.drop_rows(session, [one for one in keys if one in still])


def _old_notices(now: datetime) -> tuple[ColumnElement[bool], ...]:
    on_its_way = select(NoticeDeliveryRow.number).where(col(NoticeDeliveryRow.state).in_(("waiting", "claimed")))
    newest = select(func.max(col(aliased(NoticeRow).number))).scalar_subquery()  # so that no number is used again
    return (
        col(NoticeRow.decided_utc) < now - TOLD,
        col(NoticeRow.number).not_in(on_its_way),
        col(NoticeRow.number) < newest,
    )


def _find_notices(session: Session, now: datetime) -> list[int | None]:
    return list(session.exec(select(NoticeRow.number).where(*_old_notices(now))))


def _drop_notices(session: Session, keys: Sequence[int], now: datetime) -> int:
    """Notices with all that points at them."""
    some = select(NoticeRow.number).where(col(NoticeRow.number).in_(keys), *_old_notices(now)).with_for_update()
    numbers = session.exec(some).all()
    of_them = select(NoticeDeliveryRow.id).where(col(NoticeDeliveryRow.number).in_(numbers))
    session.exec(delete(AnswerLinkRow).where(col(AnswerLinkRow.delivery_id).in_(of_them)))
    for row in (NoticeDeliveryRow, NoticeRecipientRow, NoticeLogRow, NoticeRow):
        session.exec(delete(row).where(col(row.number).in_(numbers)))
    return len(numbers)


def _unused_forecasts(now: datetime) -> tuple[ColumnElement[bool], ...]:
    used = select(PlanRow.forecast_id).where(col(PlanRow.forecast_id).is_not(None))
    return col(ForecastRow.fetched_utc) < now - forecasts.KEPT, col(ForecastRow.id).not_in(used)


def _old_posted(now: datetime) -> tuple[ColumnElement[bool], ...]:
    """As `thermometer.add_posted`: where a site has no newer ones the clock may be wrong."""
    posted, since = col(AirReadingRow.source) == "posted", now - thermometer.KEPT
    newer = aliased(AirReadingRow)
    lively = select(newer.site_id).where(col(newer.source) == "posted", col(newer.at_utc) >= since)
    return posted, col(AirReadingRow.at_utc) < since, col(AirReadingRow.site_id).in_(lively)


def _old_acts(now: datetime) -> tuple[ColumnElement[bool], ...]:
    any_act = aliased(ScheduleActRow)
    last = select(func.max(col(any_act.id))).group_by(col(any_act.site_id))
    return col(ScheduleActRow.at_utc) < now - ACTS, col(ScheduleActRow.id).not_in(last)


def _old_audit(now: datetime) -> tuple[ColumnElement[bool], ...]:
    newest = select(func.max(col(aliased(AuditRow).id))).scalar_subquery()
    return col(AuditRow.at_utc) < now - TOLD, col(AuditRow.id) < newest


RULES: Final = (
    Rule(
        "plans", ("plan",), "printed and sent ones for good; shown ones too: after 2 days one an hour, then one a day",
        "a plan that somebody acted on can be made again; one that nobody saw cannot be asked about",
        _find_plans, _drop_plans, at_once=20,
    ),
    Rule(
        "forecasts", ("forecast",), "14 days, and as long as a plan that was made from it",
        "nothing is planned on older ones",
        *_rows(ForecastRow, col(ForecastRow.id), _unused_forecasts), at_once=20,
    ),
    Rule(
        "forecasts to be scored", ("forecast_history",), "14 days all, 90 days every six hours, 400 days daily",
        "one winter is held against the one before",
        _find_history, _drop_history,
    ),
    Rule(
        "air readings of devices", ("air_reading",), "400 days; typed ones for good",
        "forecasts are scored no further back",
        *_rows(AirReadingRow, col(AirReadingRow.id), _old_posted),
    ),
    Rule(
        "notices", ("notice", "notice_recipient", "notice_delivery", "notice_log", "answer_link"),
        "730 days, and while one is on its way", "who was told what, and who answered, is asked for that long",
        _find_notices, _drop_notices, at_once=50,
    ),
    Rule(
        "lines of the notices' log", ("notice_log",), "730 days", "as the notices",
        *_rows(NoticeLogRow, col(NoticeLogRow.id),
               lambda now: (col(NoticeLogRow.at_utc) < now - TOLD, col(NoticeLogRow.number).is_(None))),
    ),
    Rule(
        "answer links", ("answer_link",), "30 days", "what they answer is over",
        *_rows(AnswerLinkRow, col(AnswerLinkRow.digest),
               lambda now: (col(AnswerLinkRow.made_utc) < now - notice_links.LINKS_LAST,)),
    ),
    Rule(
        "lines of the log of changes", ("audit",), "730 days", "who changed rights and settings is asked for that long",
        *_rows(AuditRow, col(AuditRow.id), _old_audit),
    ),
    Rule(
        "changes of joints to take back", ("schedule_act",), "60 days, and a site's last",
        "only the last can be taken back; what was changed stays written down joint by joint",
        *_rows(ScheduleActRow, col(ScheduleActRow.id), _old_acts),
    ),
    Rule(
        "schedules that wait to be saved", ("schedule_draft",), "1 day", "it can be loaded again",
        *_rows(ScheduleDraftRow, col(ScheduleDraftRow.id),
               lambda now: (col(ScheduleDraftRow.at_utc) < now - drafts.KEPT,)), at_once=5,
    ),
    Rule(
        "browsers signed in", ("session",), "7 days unused, 30 days in all", "they are signed out by then",
        *_rows(SessionRow, col(SessionRow.digest), lambda now: (accounts.is_over(now),)),
    ),
    Rule(
        "one-time links", ("entry_link",), "until they end", "they open nothing any more",
        *_rows(EntryLinkRow, col(EntryLinkRow.digest), lambda now: (col(EntryLinkRow.until_utc) < now,)),
    ),
    Rule(
        "failed attempts to sign in", ("entry_attempt",), "as long as they count", "they hold nobody up any more",
        *_rows(AttemptRow, col(AttemptRow.key), lambda now: (col(AttemptRow.last_utc) < now - accounts.FORGOTTEN,)),
    ),
)  # fmt: skip


def take_turn(session: Session, *, now: datetime) -> bool:
    """Whether it is time, and nobody else does it; a line in the log of changes says that it was begun.

    The first time, and where the last one lies oddly far back or ahead, nothing goes yet: a clock that is wrong for
    less than a day destroys nothing.
    """
    if session.connection().dialect.name == "postgresql":
        session.connection().execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
    of_us = col(AuditRow.site_id) == "", col(AuditRow.what) == _TIDY, col(AuditRow.by) == SYSTEM
    last = select(AuditRow.at_utc).where(*of_us).order_by(col(AuditRow.id).desc()).limit(1)
    last_utc = session.exec(last).first()
    if last_utc is not None and timedelta(0) <= now - last_utc < EVERY:
        return False
    begins = last_utc is not None and timedelta(0) <= now - last_utc <= CLOCK_JUMPED
    detail = "old rows go" if begins else "nothing yet: the next time it is clear that the clock is right"
    write_audit(session, now=now, by=SYSTEM, what=_TIDY, detail=detail)
    return begins
