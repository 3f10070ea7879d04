"""Joints at other starts than the planned ones: page, JSON and CSV of one view."""

from __future__ import annotations

from typing import Annotated, Any, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Query
from fastapi.responses import HTMLResponse, Response

from frostshift_rules.start_hours import HOURS, MOST_SHIFTS_AHEAD
from frostshift_service.pages import render
from frostshift_service.views.files import csv_bytes, hours_table
from frostshift_service.views.start_hours import SHIFTS_AHEAD, SPAN_H, HoursAsked, HoursPage
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or joint, or no plan yet"},
    422: {"description": "more joints by name than are worked out at a time"},
}


def _asked(
    joint: Annotated[
        list[str] | None, Query(description="mark of a joint; several are allowed", max_length=500)
    ] = None,
    crew: Annotated[str, Query(description="name of a crew; `-`: joints without one; empty: all", max_length=200)] = "",
    text: Annotated[
        str, Query(description="part of a mark or place, such as a level; empty: all", max_length=200)
    ] = "",
    ahead: Annotated[int, Query(description="hours ahead that are shown", ge=6, le=HOURS)] = SPAN_H,
    shifts: Annotated[
        int, Query(description="the cheapest start is looked for in so many shifts", ge=1, le=MOST_SHIFTS_AHEAD)
    ] = SHIFTS_AHEAD,
    part: Annotated[int, Query(description="of the joints, the first is 1", ge=1, le=10_000)] = 1,
) -> HoursAsked:
    return HoursAsked(
        marks=tuple(dict.fromkeys(joint or ())),
        crew=None if not crew else "" if crew == "-" else crew,
        text=text,
        span_h=ahead,
        shifts=shifts,
        part=part,
    )


AskedDep = Annotated[HoursAsked, Depends(_asked)]


def hours_url(site_id: str, kind: str, page: HoursPage, **changes: Any) -> str:
    """Path of the same joints with another span, part or number of shifts; `kind` is empty, `.json` or `.csv`."""
    wanted = {"ahead": page.span_h, "shifts": page.shifts, "part": page.part} | changes
    usual = {"ahead": SPAN_H, "shifts": SHIFTS_AHEAD, "part": 1}
    query = [
        *(("joint", mark) for mark in page.marks),
        *([] if page.crew is None else [("crew", page.crew or "-")]),
        *([("text", page.text)] if page.text else []),
        *((name, value) for name, value in wanted.items() if value != usual[name]),
    ]
    return f"/sites/{quote(site_id, safe='')}/hours{kind}" + (f"?{urlencode(query)}" if query else "")


@router.get("/sites/{site_id}/hours", include_in_schema=False)
def hours(desk: DeskDep, site_id: SiteId, asked: AskedDep) -> HTMLResponse:
    """Joints at other starts, a picture of a level or a crew."""
    page = desk.hours(site_id, asked, figures=False)
    return render("hours.html", who=desk.who, page=page, site_id=site_id, hours_url=hours_url)


@router.get("/sites/{site_id}/hours.json", responses=_ERRORS)
def hours_json(desk: DeskDep, site_id: SiteId, asked: AskedDep) -> HoursPage:
    """Joints at other starts: call, heating, gas and weather hour by hour, hours without heat, the cheapest start."""
    return desk.hours(site_id, asked)


@router.get("/sites/{site_id}/hours.csv", responses=_ERRORS, response_class=Response)
def hours_csv(desk: DeskDep, site_id: SiteId, asked: AskedDep) -> Response:
    """A line for every joint and hour as CSV (UTF-8 with its mark)."""
    table = hours_table(desk.hours(site_id, asked))
    return file_answer(csv_bytes(table), "csv", f"{site_id}-hours")
