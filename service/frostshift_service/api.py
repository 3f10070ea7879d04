"""The views as JSON, and the sheet's lines as CSV and XLSX. Every page has its twin at the same path plus `.json`."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import Response

from frostshift_service.views.desk import SiteList
from frostshift_service.views.files import csv_bytes, sheet_table, xlsx_bytes
from frostshift_service.views.joint import JointPage, RestingJoint
from frostshift_service.views.schedule import SchedulePage
from frostshift_service.views.sheet import MorningSheet
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

Mark = Annotated[str, Path(description="mark of a joint", max_length=100)]
Day = Annotated[date | None, Query(description="first local day; without it the shift that runs or comes next")]
Shifts = Annotated[int, Query(description="how many shifts", ge=1, le=60)]
ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or joint, or no plan yet"},
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


@router.get("/sites/{site_id}/schedule.json", responses=ERRORS)
def schedule(
    desk: DeskDep,
    site_id: SiteId,
    text: Annotated[str, Query(description="part of a mark, place or crew", max_length=120)] = "",
    state: Annotated[str, Query(description="state of the joint; empty for all", max_length=20)] = "",
) -> SchedulePage:
    """The joints of the last schedule."""
    return desk.schedule(site_id, text, state)
