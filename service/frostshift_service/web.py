"""What pages and JSON share: what a request brings, what is typed into a form, and a file as an answer."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from http import HTTPStatus
from typing import Annotated, Any, Final, Literal

from fastapi import Depends, HTTPException, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from sqlmodel import Session

from frostshift_rules.job import Site
from frostshift_rules.sentences import capital
from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.rights import Actor
from frostshift_service.store.audit import write_audit
from frostshift_service.store.engine import reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.rule_table import TablePage, UnknownTable, table_page

FileKind = Literal["csv", "xlsx"]

_NUMBER: Final = re.compile(r"[+-]?[0-9]{1,4}(\.[0-9]{1,3})?")
_MEDIA_TYPES: Final[dict[FileKind, str]] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def actor_of(request: Request) -> Actor:
    """Who asks, as the guard found him."""
    actor: Actor = request.state.actor
    return actor


def note_secret(request: Request, *, right: bool) -> None:
    """Tell the guard whether the secret that this request came with opens anything, once it was looked up."""
    request.state.secret_is_right = right


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return replace(desk, who=actor_of(request))


DeskDep = Annotated[Desk, Depends(_desk)]
"""The desk of whoever asks: his units, his name beside what he changes."""
SiteId = Annotated[str, Path(description="id of a site", max_length=100)]
TableId = Annotated[str, Path(description="id of a rule table", max_length=100)]
SiteQuery = Annotated[str | None, Query(description="id of a site; without it none is asked for", max_length=100)]

MOST_AHEAD: Final = 400
"""Hours ahead that may be asked for at a time; more than any feed gives."""
SpanQuery = Annotated[int, Query(description="hours ahead of steel and drawing", ge=6, le=MOST_AHEAD)]


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


def sentence(error: Exception) -> str:
    """What an error of ours says, as a sentence for people."""
    text = str(error)
    return f"{capital(text)}."


def log_change(session: Session, desk: Desk, what: str, detail: str, site_id: str = "") -> None:
    """A line in the log of changes under the name of whoever asks, in the transaction of what it tells of."""
    write_audit(session, now=desk.now(), by=desk.who.name, site_id=site_id, what=what, detail=detail)


@dataclass(frozen=True, slots=True)
class Problem:
    """An error as programs get it (RFC 9457, `application/problem+json`).

    Attributes:
        type: always `about:blank`: the status says what kind it is.
        title: name of the status.
        status: of the answer.
        detail: a sentence for people.
        fields: what is wrong with single fields, each with `field` and `message`, readings with row, value and limit.
    """

    type: str
    title: str
    status: int
    detail: str
    fields: list[dict[str, Any]]


def problem_answer(status: int, detail: str, fields: Sequence[Mapping[str, Any]] = ()) -> JSONResponse:
    """An error as programs get it."""
    problem = Problem("about:blank", HTTPStatus(status).phrase, status, detail, [dict(one) for one in fields])
    return JSONResponse(asdict(problem), status, media_type="application/problem+json")


def file_answer(content: bytes, kind: FileKind, name: str) -> Response:
    """A file to save as `name` (of our own making, no text that somebody typed) with the ending of its kind."""
    disposition = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, media_type=_MEDIA_TYPES[kind], headers=disposition)


def typed_c(value: str, unit: Literal["F", "C"], what: str, limits_c: tuple[float, float], more: str = "") -> float:
    """A temperature typed into a form [°C].

    Args:
        value: as it was typed.
        unit: of it.
        what: its name, for the error.
        limits_c: the least and the most that is believed [°C].
        more: said after the limits.

    Raises:
        ValueError: no number, or outside the limits; names what, value and limits in the unit that was typed.
    """
    typed = value.strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(typed):
        raise ValueError(f"{what}: {value!r} is no number; write for example 23 or -4.5.")
    taken_c = c_from_f(float(typed)) if unit == "F" else float(typed)
    if not limits_c[0] <= taken_c <= limits_c[1]:
        low, high = (f_from_c(limit) if unit == "F" else limit for limit in limits_c)
        raise ValueError(f"{what}: {typed} °{unit} is outside {low:g} °{unit} to {high:g} °{unit}.{more}")
    return taken_c
