"""The views as JSON, and the sheet's lines as CSV and XLSX. Every page has its twin at the same path plus `.json`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Path, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from frostshift_service.case_file import MAX_BYTES, CaseFileError, read_cases
from frostshift_service.case_form import QUERY, read_form
from frostshift_service.views.arrangement import ArrangementList, arrangement_list
from frostshift_service.views.case import AnyCase, case_views, cases_json
from frostshift_service.views.desk import Desk, SiteList
from frostshift_service.views.files import csv_bytes, sheet_table, weather_table, xlsx_bytes
from frostshift_service.views.joint import JointPage, RestingJoint
from frostshift_service.views.rule_table import TableList, TablePage, table_list
from frostshift_service.views.sheet import MorningSheet
from frostshift_service.views.weather import HOURS_SHOWN, WeatherPage
from frostshift_service.web import (
    MOST_AHEAD,
    DeskDep,
    SiteId,
    SiteQuery,
    SpanQuery,
    TableId,
    file_answer,
    shown_table,
    site_of,
)

router = APIRouter()

Mark = Annotated[str, Path(description="mark of a joint", max_length=100)]
Day = Annotated[date | None, Query(description="first local day; without it the shift that runs or comes next")]
Shifts = Annotated[int, Query(description="how many shifts", ge=1, le=60)]
ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site, joint or rule table, or no plan yet"},
}


@router.get("/sites.json", responses={401: ERRORS[401]})
def sites(desk: DeskDep) -> SiteList:
    """All sites."""
    return desk.sites()


@router.get("/sites/{site_id}/morning.json", responses=ERRORS)
def morning(desk: DeskDep, site_id: SiteId, day: Day = None, shifts: Shifts = 2) -> MorningSheet:
    """The morning sheet: what the next shifts need, one line a joint, totals a shift."""
    return desk.morning(site_id, day, shifts)


@router.get("/sites/{site_id}/morning.csv", responses=ERRORS, response_class=Response)
def morning_csv(desk: DeskDep, site_id: SiteId, day: Day = None, shifts: Shifts = 2) -> Response:
    """The lines of the morning sheet as CSV (UTF-8 with its mark)."""
    content = csv_bytes(sheet_table(desk.morning(site_id, day, shifts)))
    return file_answer(content, "csv", f"{site_id}-morning")


@router.get("/sites/{site_id}/morning.xlsx", responses=ERRORS, response_class=Response)
def morning_xlsx(desk: DeskDep, site_id: SiteId, day: Day = None, shifts: Shifts = 2) -> Response:
    """The lines of the morning sheet as a workbook."""
    content = xlsx_bytes(sheet_table(desk.morning(site_id, day, shifts)))
    return file_answer(content, "xlsx", f"{site_id}-morning")


@router.get("/sites/{site_id}/joints/{mark:path}.json", responses=ERRORS)
def joint(desk: DeskDep, site_id: SiteId, mark: Mark) -> JointPage | RestingJoint:
    """One joint: every figure with its reason, its source and its arithmetic."""
    return desk.joint(site_id, mark)


@router.get("/sites/{site_id}/weather.json", responses=ERRORS)
def weather(desk: DeskDep, site_id: SiteId, ahead: SpanQuery = HOURS_SHOWN) -> WeatherPage:
    """The forecast with all its hours, past ones too, steel by it, and how it stands with the site's feeds."""
    return desk.weather(site_id, span_h=ahead, all_hours=True)


@router.get("/sites/{site_id}/weather.csv", responses=ERRORS, response_class=Response)
def weather_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """The hours of the forecast as CSV (UTF-8 with its mark)."""
    content = csv_bytes(weather_table(desk.weather(site_id, span_h=MOST_AHEAD, all_hours=True)))
    return file_answer(content, "csv", f"{site_id}-weather")


@router.get("/sites/{site_id}/weather.xlsx", responses=ERRORS, response_class=Response)
def weather_xlsx(desk: DeskDep, site_id: SiteId) -> Response:
    """The hours of the forecast as a workbook."""
    content = xlsx_bytes(weather_table(desk.weather(site_id, span_h=MOST_AHEAD, all_hours=True)))
    return file_answer(content, "xlsx", f"{site_id}-weather")


# Rule tables ----------------------------------------------------------------------------------------------------------


@router.get("/arrangements.json", responses=ERRORS)
def arrangements(desk: DeskDep, site: SiteQuery = None) -> ArrangementList:
    """How the parts of a joint meet: sketch, parts, sizes to state, limits, what is left out."""
    return arrangement_list(site_of(desk, site))


@router.get("/tables.json", responses=ERRORS)
def tables(desk: DeskDep, site: SiteQuery = None) -> TableList:
    """All rule tables: what each was checked against, what it leaves out, and with a site who accepted it."""
    return table_list(site_of(desk, site))


@router.get("/tables/{table_id}.json", responses=ERRORS)
def table(desk: DeskDep, table_id: TableId, site: SiteQuery = None) -> TablePage:
    """One rule table in full, every figure with its source."""
    return shown_table(desk, table_id, site)


# Cases ----------------------------------------------------------------------------------------------------------------

_FORM: Final[dict[str, Any]] = {
    "parameters": [
        {"name": name, "in": "query", "schema": {"type": "string"}, "description": about}
        for name, about in QUERY.items()
    ]
}
_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": {"type": "array", "items": {"type": "object"}}}},
        "description": "a case or a list of cases, every quantity a string with its unit",
    }
}


@router.post(
    "/cases.json",
    response_model=list[AnyCase],
    responses={**ERRORS, 413: {"description": "too many bytes"}, 422: {"description": "no list of cases"}},
    openapi_extra=_BODY,
)
async def cases(request: Request, desk: DeskDep, site: SiteQuery = None) -> Response:
    """Work joints from what was measured at them; a case with an error carries it and does not stop the others."""
    data = await request.body()
    return await run_in_threadpool(_cases, data, desk, site)


def _cases(data: bytes, desk: Desk, site: str | None) -> Response:
    if len(data) > MAX_BYTES:
        raise HTTPException(413, f"The cases take {len(data):,} bytes, more than {MAX_BYTES:,}.")
    try:
        read = read_cases(data, site_of(desk, site))
    except CaseFileError as error:
        raise HTTPException(422, str(error)) from None
    return _json(case_views(read))


@router.get("/case.json", response_model=list[AnyCase], responses=ERRORS, openapi_extra=_FORM)
def case(request: Request, desk: DeskDep, site: SiteQuery = None) -> Response:
    """One joint from the fields of its page; a list as from `cases.json`, empty where no field is filled."""
    read = read_form(request.query_params.multi_items(), site_of(desk, site))
    return _json(case_views([] if read is None else [read], alternatives=True))


def _json(views: Sequence[AnyCase]) -> Response:
    return Response(cases_json(views), media_type="application/json")
