"""What pages and JSON share: what a request brings, and a file as an answer."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from fastapi import Depends, HTTPException, Path, Query, Request
from fastapi.responses import Response

from frostshift_rules.job import Site
from frostshift_service.store.engine import reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.rule_table import TablePage, UnknownTable, table_page

FileKind = Literal["csv", "xlsx"]

_MEDIA_TYPES: Final[dict[FileKind, str]] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


DeskDep = Annotated[Desk, Depends(_desk)]
SiteId = Annotated[str, Path(description="id of a site", max_length=100)]
TableId = Annotated[str, Path(description="id of a rule table", max_length=100)]
SiteQuery = Annotated[str | None, Query(description="id of a site; without it none is asked for", max_length=100)]


def site_of(desk: Desk, site_id: str | None) -> Site | None:
    """The site whose table, units and torches a case is worked with; None where none is named.

    Raises:
        UnknownSite: there is none of that id.
    """
    if not site_id:
        return None
    with reading(desk.engine) as session:
        return load_site(session, site_id).site


def shown_table(desk: Desk, table_id: str, site_id: str | None) -> TablePage:
    """A rule table in full; an id that is not known is not there.

    Raises:
        UnknownSite: there is none of that id.
    """
    try:
        return table_page(table_id, site_of(desk, site_id))
    except UnknownTable as error:
        raise HTTPException(404, str(error)) from None


def file_answer(content: bytes, kind: FileKind, name: str) -> Response:
    """A file to save as `name` (of our own making, no text that somebody typed) with the ending of its kind."""
    disposition = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, media_type=_MEDIA_TYPES[kind], headers=disposition)
