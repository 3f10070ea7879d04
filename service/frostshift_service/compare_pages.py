"""Ways of heating some joints side by side: page, JSON and CSV of one view."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from frostshift_service.pages import render
from frostshift_service.views.compare import ComparePage, heated_marks, ways_of
from frostshift_service.views.files import compare_table, csv_bytes
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

Marks = Annotated[list[str] | None, Query(description="mark of a joint; several are allowed", max_length=500)]
ShiftKey = Annotated[
    str | None, Query(description="key of a shift, such as `2026-12-17 Day`: all its joints", max_length=200)
]
_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site, joint or shift, or no plan yet"},
    409: {"description": "no forecast that can be planned on, or a joint that is not planned"},
    422: {"description": "joints and a shift at the same time, or more joints than are compared at a time"},
}


@router.get("/sites/{site_id}/compare", include_in_schema=False)
def compare(desk: DeskDep, site_id: SiteId, joint: Marks = None, shift: ShiftKey = None) -> HTMLResponse:
    """Ways of heating side by side; without joints and without a shift the choice of them."""
    page = desk.compare(site_id, joint or [], shift)
    return render("compare.html", who=desk.who, page=page, heated=heated_marks(page), ways_of=ways_of)


@router.get("/sites/{site_id}/compare.json", responses=_ERRORS)
def compare_json(desk: DeskDep, site_id: SiteId, joint: Marks = None, shift: ShiftKey = None) -> ComparePage:
    """Ways of heating side by side; without joints and without a shift what can be compared."""
    return desk.compare(site_id, joint or [], shift)


@router.get("/sites/{site_id}/compare.csv", responses=_ERRORS, response_class=Response)
def compare_csv(desk: DeskDep, site_id: SiteId, joint: Marks = None, shift: ShiftKey = None) -> Response:
    """Every figure of every way, a line each, as CSV (UTF-8 with its mark)."""
    table = compare_table(desk.compare(site_id, joint or [], shift))
    return file_answer(csv_bytes(table), "csv", f"{site_id}-compare")
