"""What pages and JSON share: what a request brings, and a file as an answer."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from fastapi import Depends, Path, Request
from fastapi.responses import Response

from frostshift_service.views.desk import Desk

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


def file_answer(content: bytes, kind: FileKind, name: str) -> Response:
    """A file to save as `name` (of our own making, no text that somebody typed) with the ending of its kind."""
    disposition = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, media_type=_MEDIA_TYPES[kind], headers=disposition)
