"""Gas of the next shifts and its order: page, one-page print, JSON, CSV, XLSX and calendar of the same view."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from frostshift_service.pages import render
from frostshift_service.views.calendar_file import order_calendar
from frostshift_service.views.files import csv_bytes, gas_table, order_table, xlsx_bytes
from frostshift_service.views.gas import GasPage
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site, or no plan yet"},
}


@router.get("/sites/{site_id}/gas", include_in_schema=False)
def gas(desk: DeskDep, site_id: SiteId) -> HTMLResponse:
    """What to order by when, what each shift takes, and how many cylinders feed together."""
    return render("gas.html", who=desk.who, page=desk.gas(site_id))


@router.get("/sites/{site_id}/gas/order", include_in_schema=False)
def order(desk: DeskDep, site_id: SiteId) -> HTMLResponse:
    """The order on one page, for purchasing."""
    return render("gas_order.html", who=desk.who, page=desk.gas(site_id))


@router.get("/sites/{site_id}/gas.json", responses=_ERRORS)
def gas_json(desk: DeskDep, site_id: SiteId) -> GasPage:
    """Gas of the next shifts, the cylinders that have to feed together, and the order."""
    return desk.gas(site_id)


@router.get("/sites/{site_id}/gas.csv", responses=_ERRORS, response_class=Response)
def gas_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """What each shift takes, by gas and use, as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(gas_table(desk.gas(site_id))), "csv", f"{site_id}-gas")


@router.get("/sites/{site_id}/gas-order.csv", responses=_ERRORS, response_class=Response)
def order_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """The order as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(order_table(desk.gas(site_id))), "csv", f"{site_id}-gas-order")


@router.get("/sites/{site_id}/gas-order.xlsx", responses=_ERRORS, response_class=Response)
def order_xlsx(desk: DeskDep, site_id: SiteId) -> Response:
    """The order as a workbook."""
    return file_answer(xlsx_bytes(order_table(desk.gas(site_id))), "xlsx", f"{site_id}-gas-order")


@router.get("/sites/{site_id}/gas-order.ics", responses=_ERRORS, response_class=Response)
def order_ics(desk: DeskDep, site_id: SiteId) -> Response:
    """The days to order by, for a calendar."""
    content = order_calendar(desk.gas(site_id), desk.now())
    disposition = {"Content-Disposition": f'attachment; filename="{site_id}-gas-order.ics"'}
    return Response(content, media_type="text/calendar; charset=utf-8", headers=disposition)
