"""Sheets for paper: crew sheets as pages, pages as PDF; and when the latest plan was made, for open pages to ask."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse, Response

from frostshift_service.pages import new_entry_key, render
from frostshift_service.pdf import NoPdf, Paper, page_pdf, paper_for
from frostshift_service.store import plans
from frostshift_service.store.engine import reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.crew_sheet import CrewSheet, crew_sheet
from frostshift_service.views.desk import Desk, NoPlan
from frostshift_service.views.joint import JointPage
from frostshift_service.web import DeskDep, SiteId

router = APIRouter()

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or joint, or no plan yet"},
}
_PDF_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    **_ERRORS,
    503: {"description": "no PDF can be made on this machine; the pages print the same from a browser"},
}
Day = Annotated[date | None, Query(description="first local day; without it the shift that runs or comes next")]
Shifts = Annotated[int, Query(description="how many shifts", ge=1, le=60)]
Crew = Annotated[str | None, Query(description="one crew; empty: joints without one; not given: all", max_length=100)]
PaperQuery = Annotated[Paper | None, Query(description="paper; without it what the site's country uses")]


@dataclass(frozen=True, slots=True)
class PlanAge:
    """When the latest plan of a site was made."""

    site_id: str
    made_utc: datetime


def pdf_of(page: HTMLResponse, desk: Desk, site_id: str, paper: Paper | None, name: str) -> Response:
    """A rendered page as a PDF to look at or save as `name`, which is of our own making.

    Raises:
        UnknownSite: there is none of that id.
        HTTPException: 503 where no PDF can be made here.
    """
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    try:
        content = page_pdf(bytes(page.body).decode(), paper or paper_for(desk.show(site).units, site.site.zone))
    except NoPdf as error:
        raise HTTPException(503, str(error)) from None
    disposition = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return Response(content, media_type="application/pdf", headers=disposition)


@router.get("/sites/{site_id}/plan.json", responses=_ERRORS)
def plan_age(desk: DeskDep, site_id: SiteId) -> PlanAge:
    """When the latest plan was made; asking does not count as having seen it."""
    with reading(desk.engine) as session:
        load_site(session, site_id)
        made_utc = plans.last_made_utc(session, site_id)
    if made_utc is None:
        raise NoPlan(f"site {site_id} has no plan yet: load a schedule first")
    return PlanAge(site_id, made_utc)


@router.get("/sites/{site_id}/crew-sheet", include_in_schema=False)
def crew_page(desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2) -> HTMLResponse:
    """What one crew heats in the next shifts, with room for readings by hand."""
    page = crew_sheet(desk.morning(site_id, day, shifts), crew)
    return render("crew_sheet.html", who=desk.who, page=page, sheet=None, day=day, shifts=shifts)


@router.get("/sites/{site_id}/crew-sheet.json", responses=_ERRORS)
def crew_json(desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2) -> CrewSheet:
    """The crew sheet page by page."""
    return crew_sheet(desk.morning(site_id, day, shifts), crew)


@router.get("/sites/{site_id}/crew-sheet.pdf", responses=_PDF_ERRORS, response_class=Response)
def crew_pdf(
    desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2, paper: PaperQuery = None
) -> Response:
    """The crew sheet, to print."""
    page = crew_sheet(desk.morning(site_id, day, shifts, "printed"), crew)
    shown = render("crew_sheet.html", who=desk.who, page=page, sheet=None, day=day, shifts=shifts)
    return pdf_of(shown, desk, site_id, paper, f"{site_id}-crew-sheet")


@router.get("/sites/{site_id}/morning.pdf", responses=_PDF_ERRORS, response_class=Response)
def morning_pdf(
    desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2, paper: PaperQuery = None
) -> Response:
    """The morning sheet, to print: the workload of the shifts, then a page a crew and shift."""
    sheet = desk.morning(site_id, day, shifts, "printed")
    page = crew_sheet(sheet, crew)
    shown = render("crew_sheet.html", who=desk.who, page=page, sheet=sheet, day=day, shifts=shifts)
    return pdf_of(shown, desk, site_id, paper, f"{site_id}-morning")


@router.get("/sites/{site_id}/gas/order.pdf", responses=_PDF_ERRORS, response_class=Response)
def order_pdf(desk: DeskDep, site_id: SiteId, paper: PaperQuery = None) -> Response:
    """The gas order, to print."""
    shown = render("gas_order.html", who=desk.who, page=desk.gas(site_id))
    return pdf_of(shown, desk, site_id, paper, f"{site_id}-gas-order")


@router.get("/sites/{site_id}/joints/{mark:path}.pdf", responses=_PDF_ERRORS, response_class=Response)
def joint_pdf(desk: DeskDep, site_id: SiteId, mark: str, paper: PaperQuery = None) -> Response:
    """The page of one joint, to print."""
    page = desk.joint(site_id, mark)
    template = "joint.html" if isinstance(page, JointPage) else "resting.html"
    shown = render(
        template, who=desk.who, page=page, site_id=site_id, change=None, here="", said=None, entry_key=new_entry_key()
    )
    return pdf_of(shown, desk, site_id, paper, f"{site_id}-joint")
