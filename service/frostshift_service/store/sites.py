"""Sites with their settings, procedures and acceptances."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError
from sqlmodel import Session, col, delete, select, update

from frostshift_rules.job import Acceptance, Procedure, Site
from frostshift_service.store import turns
from frostshift_service.store.packing import plain
from frostshift_service.store.records import (
    SHOW_UNITS,
    SITE_FEEDS,
    STAND_IN_NAMES,
    FeedName,
    KeptSite,
    ShowUnits,
    StoreError,
    UnknownSite,
)
from frostshift_service.store.tables import AcceptanceRow, ProcedureRow, SiteRow

_SITE: Final = TypeAdapter(Site)

_ID: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def save_site(
    session: Session,
    site: Site,
    *,
    show_units: ShowUnits = "us",
    feed: FeedName | None = None,
    instead: Sequence[FeedName] | None = None,
) -> int:
    """Write a site, new or changed, with its procedures and acceptances.

    Returns:
        The site's new revision.

    Raises:
        StoreError: an id that is no short lower-case name, a procedure or table named twice, or a value of the wrong
            kind; nothing is written.
    """
    values = {
        **_checked(site, show_units, feed, instead),
        "show_units": show_units,
        "feed": feed,
        "instead": None if instead is None else list(instead),
    }
    row = session.get(SiteRow, site.id, with_for_update=True)
    is_new = row is None
    if row is None:
        row = SiteRow(**values, revision=1)
    else:
        row.sqlmodel_update({**values, "revision": row.revision + 1})
    session.add(row)
    session.flush()
    if is_new:
        turns.add_site(session, site.id)
    _write_procedures(session, site.id, site.procedures)
    _write_acceptances(session, site.id, site.acceptances)
    return row.revision


def load_site(session: Session, site_id: str) -> KeptSite:
    """One site.

    Raises:
        UnknownSite: there is none of that id.
    """
    row = session.get(SiteRow, site_id)
    if row is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    return _kept(session, row)


def load_sites(session: Session) -> list[KeptSite]:
    """All sites by id."""
    rows = session.exec(select(SiteRow)).all()
    return [_kept(session, row) for row in sorted(rows, key=lambda row: row.id)]


def touch(session: Session, site_id: str) -> int:
    """Count a change to the site, and hold the site for the rest of the transaction.

    Every writer to a site does this first, so that on PostgreSQL too they follow one another.

    Returns:
        The site's new revision.

    Raises:
        UnknownSite: there is none of that id.
    """
    counted = (
        update(SiteRow)
        .where(col(SiteRow.id) == site_id)
        .values(revision=SiteRow.revision + 1)
        .returning(col(SiteRow.revision))
    )
    revision: int | None = session.exec(counted).scalar_one_or_none()
    if revision is None:
        raise UnknownSite(f"there is no site {site_id!r}")
    return revision


def hold_site(session: Session, site_id: str) -> None:
    """Hold a site for the rest of a writing transaction: what is read after it stays so until the end.

    Without a change to the site's revision, for what no plan hangs on; `touch` counts one.

    Raises:
        UnknownSite: there is no site of that id.
    """
    held = select(SiteRow.id).where(SiteRow.id == site_id).with_for_update(key_share=True)
    if session.exec(held).first() is None:
        raise UnknownSite(f"there is no site {site_id!r}")


def save_procedures(session: Session, site_id: str, procedures: Sequence[Procedure]) -> int:
    """Replace the procedures of a site; returns its new revision.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: a procedure named twice.
    """
    _once("procedure", (procedure.name for procedure in procedures))
    revision = touch(session, site_id)
    _write_procedures(session, site_id, procedures)
    return revision


def accept_table(session: Session, site_id: str, acceptance: Acceptance) -> int:
    """Write down that the site checked a rule table; it replaces an earlier word on the same table.

    Returns:
        The site's new revision.

    Raises:
        UnknownSite: there is no site of that id.
    """
    revision = touch(session, site_id)
    earlier = [kept for kept in _acceptances(session, site_id) if kept.table_id != acceptance.table_id]
    _write_acceptances(session, site_id, (*earlier, acceptance))
    return revision


def _checked(
    site: Site, show_units: ShowUnits, feed: FeedName | None, instead: Sequence[FeedName] | None
) -> dict[str, Any]:
    if not _ID.fullmatch(site.id):
        raise StoreError(f"site id {site.id!r}: expected lower-case letters and digits with single hyphens between")
    if show_units not in SHOW_UNITS:
        raise StoreError(f"site {site.id}: show_units is {show_units!r}, expected one of {', '.join(SHOW_UNITS)}")
    if feed is not None and feed not in SITE_FEEDS:
        raise StoreError(f"site {site.id}: feed is {feed!r}, expected one of {', '.join(SITE_FEEDS)}")
    for name in instead or ():
        if name not in STAND_IN_NAMES:
            raise StoreError(f"site {site.id}: {name!r} stands in, expected one of {', '.join(STAND_IN_NAMES)}")
    try:
        values = plain(_SITE, site)
    except ValueError as error:
        raise StoreError(f"site {site.id}: {error}") from error
    _once("shift", (shift.name for shift in site.shifts))
    _once("heat source", (source.id for source in site.heat_sources))
    _once("procedure", (procedure.name for procedure in site.procedures))
    _once("acceptance of table", (acceptance.table_id for acceptance in site.acceptances))
    _once("own table", (table.id for table in site.own_tables))
    _once("own cylinder", (cylinder.id for cylinder in site.gas.own_cylinders))
    _once("supply of cylinder", (terms.kind for terms in site.gas.supply))
    _once("crew", (crew.name for crew in site.work.crews))
    return {name: value for name, value in values.items() if name not in ("procedures", "acceptances")}


def _once(what: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise StoreError(f"{what} {name!r} is there twice")
        seen.add(name)


def _kept(session: Session, row: SiteRow) -> KeptSite:
    try:
        site = _SITE.validate_python(
            {
                **row.model_dump(exclude={"show_units", "feed", "instead", "revision"}),
                "procedures": _procedures(session, row.id),
                "acceptances": _acceptances(session, row.id),
            }
        )
    except ValidationError as error:  # somebody changed the database by hand
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise StoreError(f"site {row.id} cannot be read from the database: {place}: {first['msg']}") from error
    instead = None if row.instead is None else tuple(row.instead)
    return KeptSite(site, row.show_units, row.feed, instead, row.revision)


def _procedures(session: Session, site_id: str) -> tuple[dict[str, Any], ...]:
    wanted = select(ProcedureRow).where(ProcedureRow.site_id == site_id).order_by(col(ProcedureRow.position))
    return tuple(row.model_dump(exclude={"site_id", "position"}) for row in session.exec(wanted))


def _acceptances(session: Session, site_id: str) -> tuple[Acceptance, ...]:
    wanted = select(AcceptanceRow).where(AcceptanceRow.site_id == site_id).order_by(col(AcceptanceRow.position))
    return tuple(
        Acceptance(row.table_id, row.accepted_by, row.accepted_on, row.fingerprint) for row in session.exec(wanted)
    )


def _write_procedures(session: Session, site_id: str, procedures: Sequence[Procedure]) -> None:
    session.exec(delete(ProcedureRow).where(col(ProcedureRow.site_id) == site_id))
    session.add_all(
        ProcedureRow(
            site_id=site_id,
            position=position,
            name=procedure.name,
            minimum_c=procedure.minimum_c,
            maximum_c=procedure.maximum_c,
            qualified_by_test=procedure.qualified_by_test,
            steels=list(procedure.steels),
            from_mm=procedure.from_mm,
            to_mm=procedure.to_mm,
            process=procedure.process,
        )
        for position, procedure in enumerate(procedures)
    )
    session.flush()


def _write_acceptances(session: Session, site_id: str, acceptances: Sequence[Acceptance]) -> None:
    session.exec(delete(AcceptanceRow).where(col(AcceptanceRow.site_id) == site_id))
    session.add_all(
        AcceptanceRow(
            site_id=site_id,
            position=position,
            table_id=acceptance.table_id,
            accepted_by=acceptance.accepted_by,
            accepted_on=acceptance.accepted_on,
            fingerprint=acceptance.fingerprint,
        )
        for position, acceptance in enumerate(acceptances)
    )
    session.flush()
