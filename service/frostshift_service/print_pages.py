"""Sheets for paper: crew sheets as pages, pages as PDF; and when the latest plan was made, for open pages to ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Final

import anyio
from anyio import CapacityLimiter, to_thread
from anyio.lowlevel import RunVar
from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool

from frostshift_service.pages import joint_answer, render
from frostshift_service.pdf import MOST_ROWS, NoPdf, Paper, TooLong, page_pdf, paper_for
from frostshift_service.store import plans
from frostshift_service.store.engine import reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.crew_sheet import CrewSheet, crew_sheet
from frostshift_service.views.desk import Desk, NoPlan
from frostshift_service.web import DeskDep, SiteId

router = APIRouter()

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or joint, or no plan yet"},
}
WAIT_S: Final = 30.0
"""How long a print waits for the ones before it [s]; the longest takes about as long."""
BUSY: Final = (
    "Other prints are being made, and this one did not get its turn. Try again in a minute, or print the page from the "
    "browser; it prints the same."
)
_turn: Final[RunVar[anyio.Lock]] = RunVar("_turn")
"""One print at a time: it takes a core and some hundred megabytes, and two at once are no faster."""
_PDF_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    **_ERRORS,
    422: {"description": f"more than {MOST_ROWS} lines: ask for less, or print the page from a browser"},
    503: {"description": "no PDF on this machine, or too many at once; the pages print the same from a browser"},
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


async def pdf_of(
    shown: Callable[[], HTMLResponse], desk: Desk, site_id: str, paper: Paper | None, name: str
) -> Response:
    """A page as a PDF to look at or save as `name`, which is of our own making.

    It waits for its turn without a thread, and is made in one of its own: prints never hold up the pages.

    Args:
        shown: renders the page.
        desk: of whoever asks.
        site_id: the site.
        paper: None: what the site's country uses.
        name: of the file, without its ending.

    Raises:
        UnknownSite: there is none of that id.
        HTTPException: 422 where the page is too long, 503 where no PDF can be made here or others are made.
    """
    html, sheet = await run_in_threadpool(_to_print, shown, desk, site_id, paper)
    turn = _lock()
    try:
        with anyio.fail_after(WAIT_S):
            await turn.acquire()
    except TimeoutError:
        raise HTTPException(503, BUSY) from None
    try:
        content = await to_thread.run_sync(page_pdf, html, sheet, limiter=CapacityLimiter(1))
    except TooLong as error:
        raise HTTPException(422, str(error)) from None
    except NoPdf as error:
        raise HTTPException(503, str(error)) from None
    finally:
        turn.release()
    disposition = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return Response(content, media_type="application/pdf", headers=disposition)


def _to_print(shown: Callable[[], HTMLResponse], desk: Desk, site_id: str, paper: Paper | None) -> tuple[str, Paper]:
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    page = shown()
    return bytes(page.body).decode(), paper or paper_for(desk.show(site).units, site.site.zone)


def _lock() -> anyio.Lock:
    try:
        return _turn.get()
    except LookupError:
        lock = anyio.Lock()
        _turn.set(lock)
        return lock


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
async def crew_pdf(
    desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2, paper: PaperQuery = None
) -> Response:
    """The crew sheet, to print."""

    def shown() -> HTMLResponse:
        page = crew_sheet(desk.morning(site_id, day, shifts, "printed"), crew)
        return render("crew_sheet.html", who=desk.who, page=page, sheet=None, day=day, shifts=shifts)

    return await pdf_of(shown, desk, site_id, paper, f"{site_id}-crew-sheet")


@router.get("/sites/{site_id}/morning.pdf", responses=_PDF_ERRORS, response_class=Response)
async def morning_pdf(
    desk: DeskDep, site_id: SiteId, crew: Crew = None, day: Day = None, shifts: Shifts = 2, paper: PaperQuery = None
) -> Response:
    """The morning sheet, to print: the workload of the shifts, then a page a crew and shift."""

    def shown() -> HTMLResponse:
        sheet = desk.morning(site_id, day, shifts, "printed")
        page = crew_sheet(sheet, crew)
        return render("crew_sheet.html", who=desk.who, page=page, sheet=sheet, day=day, shifts=shifts)

    return await pdf_of(shown, desk, site_id, paper, f"{site_id}-morning")


@router.get("/sites/{site_id}/gas/order.pdf", responses=_PDF_ERRORS, response_class=Response)
async def order_pdf(desk: DeskDep, site_id: SiteId, paper: PaperQuery = None) -> Response:
    """The gas order, to print."""

    def shown() -> HTMLResponse:
        return render("gas_order.html", who=desk.who, page=desk.gas(site_id))

    return await pdf_of(shown, desk, site_id, paper, f"{site_id}-gas-order")


@router.get("/sites/{site_id}/record.pdf", responses=_PDF_ERRORS, response_class=Response)
async def record_pdf(
    desk: DeskDep,
    site_id: SiteId,
    mark: Annotated[str, Query(description="mark of a joint", min_length=1, max_length=100)],
    paper: PaperQuery = None,
) -> Response:
    """The preheat record of a joint, to print and sign."""

    def shown() -> HTMLResponse:
        return render("record.html", who=desk.who, page=desk.record(site_id, mark))

    return await pdf_of(shown, desk, site_id, paper, f"{site_id}-record")


@router.get("/sites/{site_id}/joints/{mark:path}.pdf", responses=_PDF_ERRORS, response_class=Response)
async def joint_pdf(desk: DeskDep, site_id: SiteId, mark: str, paper: PaperQuery = None) -> Response:
    """The page of one joint, to print."""
    return await pdf_of(lambda: joint_answer(desk, site_id, mark), desk, site_id, paper, f"{site_id}-joint")
