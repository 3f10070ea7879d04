"""What is told to the outside of how the service stands: ages of pulls and plans, the outbox; and whether it answers.

Few queries whatever the number of sites: they run at every scrape.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Engine, NullPool, create_engine, func, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import Session, col, select

from frostshift_service.store.migrations.run import heads
from frostshift_service.store.tables import FeedStateRow, ForecastRow, NoticeDeliveryRow, PlanRow, SiteRow

LOCKED: Final = "the database is locked"
DAMAGED: Final = "the file of the database is damaged, or is none"
OLD_SCHEMA: Final = "the database has another schema than this version works with"


@dataclass(frozen=True, slots=True)
class FeedStands:
    """How it stands with one feed of one site; `last_answer_utc` None: it never answered."""

    site_id: str
    feed: str
    last_answer_utc: datetime | None
    failures: int


@dataclass(frozen=True, slots=True)
class PlanStands:
    """The latest plan of a site and the forecast it was made from; those fields are None where there was none."""

    site_id: str
    made_utc: datetime
    feed: str | None
    issued_utc: datetime | None
    fetched_utc: datetime | None


@dataclass(frozen=True, slots=True)
class OutboxStands:
    """Messages by state, and since when the oldest that waits or is being sent has been due; None: none is late."""

    count: Mapping[str, int]
    oldest_utc: datetime | None


def feeds_stand(session: Session) -> list[FeedStands]:
    """Every feed of every site that was asked at least once."""
    columns = select(
        col(FeedStateRow.site_id),
        col(FeedStateRow.feed),
        col(FeedStateRow.last_answer_utc),
        col(FeedStateRow.failures),
    ).order_by(col(FeedStateRow.site_id), col(FeedStateRow.feed))
    return [FeedStands(*row) for row in session.exec(columns)]


def plans_stand(session: Session) -> list[PlanStands]:
    """The latest plan of every site that has one."""
    latest = select(func.max(PlanRow.id)).group_by(col(PlanRow.site_id))
    wanted = select(col(PlanRow.site_id), col(PlanRow.made_utc), col(PlanRow.forecast_id))
    plans = session.exec(wanted.where(col(PlanRow.id).in_(latest)).order_by(col(PlanRow.site_id))).all()
    of_forecast = select(
        col(ForecastRow.id), col(ForecastRow.feed), col(ForecastRow.issued_utc), col(ForecastRow.fetched_utc)
    ).where(col(ForecastRow.id).in_({forecast_id for _, _, forecast_id in plans if forecast_id is not None}))
    forecasts = {forecast_id: rest for forecast_id, *rest in session.exec(of_forecast)}
    return [
        PlanStands(site_id, made_utc, *forecasts.get(forecast_id, (None, None, None)))
        for site_id, made_utc, forecast_id in plans
    ]


def outbox_stands(session: Session, now: datetime, site_ids: Sequence[str] | None = None) -> OutboxStands:
    """The outbox, of some sites or of all (None)."""
    of_sites = [] if site_ids is None else [col(NoticeDeliveryRow.site_id).in_(site_ids)]
    counted = select(col(NoticeDeliveryRow.state), func.count()).where(*of_sites).group_by(col(NoticeDeliveryRow.state))
    late = col(NoticeDeliveryRow.state).in_(("waiting", "claimed")), col(NoticeDeliveryRow.first_due_utc) <= now
    oldest = select(func.min(NoticeDeliveryRow.first_due_utc)).where(*late, *of_sites)
    return OutboxStands(dict(session.exec(counted).all()), session.exec(oldest).one())


def site_ids_of(session: Session) -> list[str]:
    """Ids of all sites."""
    return list(session.exec(select(SiteRow.id).order_by(SiteRow.id)))


# Whether the database answers, on a connection of its own: that of the pool may be what is stuck.


class NoAnswer(Exception):
    """The database cannot be worked with now; the message is for people and names neither host nor file."""


def check_answers(engine: Engine, within_s: float) -> None:
    """Ask the database something, on a connection of its own, and on SQLite whether it could be written to.

    May itself take longer than `within_s` where the network swallows what is sent; the caller sees to that.

    Raises:
        NoAnswer: it does not answer, cannot be written to, or its schema is another than ours.
    """
    try:
        found = _sqlite_heads(engine, within_s) if engine.dialect.name == "sqlite" else _pg_heads(engine, within_s)
    except (DBAPIError, sqlite3.Error, OSError) as error:
        raise NoAnswer(_said(error)) from error
    if found != heads():
        raise NoAnswer(OLD_SCHEMA)


def _said(error: Exception) -> str:
    if "is locked" in str(error):
        return LOCKED
    if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.OperationalError):
        return DAMAGED
    reason = type(error.orig if isinstance(error, DBAPIError) else error).__name__
    return f"the database does not answer ({reason})"


def _sqlite_heads(engine: Engine, within_s: float) -> set[str]:
    file = f"{Path(str(engine.url.database)).absolute().as_uri()}?mode=rw"  # never makes a new, empty one
    with closing(sqlite3.connect(file, uri=True, timeout=within_s, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")  # a reader would not notice that nothing can be kept
        try:
            return {str(row[0]) for row in connection.execute("SELECT version_num FROM alembic_version")}
        finally:
            connection.execute("ROLLBACK")


def _pg_heads(engine: Engine, within_s: float) -> set[str]:
    own = create_engine(engine.url, poolclass=NullPool, connect_args={"connect_timeout": max(2, round(within_s))})
    with own.connect() as connection:
        milliseconds = {"ms": str(round(within_s * 1000))}
        connection.execute(text("SELECT set_config('statement_timeout', :ms, false)"), milliseconds)
        return {str(row[0]) for row in connection.execute(text("SELECT version_num FROM alembic_version"))}


def server_facts(engine: Engine) -> dict[str, Any]:
    """Of a PostgreSQL server: `version`, `bytes` of our database, `now_utc` by its clock."""
    with engine.connect() as connection:
        row = connection.execute(
            text("SELECT current_setting('server_version'), pg_database_size(current_database()), clock_timestamp()")
        ).one()
    return {"version": row[0], "bytes": row[1], "now_utc": row[2]}
