"""Readings of a site: written down on its pages or sent by a phone, listed, and the preheat record of a joint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.encoders import jsonable_encoder
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from frostshift_rules.sentences import capital
from frostshift_service.air_post import MAX_READINGS, PostError
from frostshift_service.pages import back_to, render, see
from frostshift_service.reading_entry import BadEntry, Entry, read_entries, read_form
from frostshift_service.reading_log import Taken, take, take_typed
from frostshift_service.store.engine import reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import Table, csv_bytes, xlsx_bytes
from frostshift_service.views.readings import IN_FILE, ReadingsPage, readings_table
from frostshift_service.views.record import RecordPage, record_table
from frostshift_service.web import DeskDep, SiteId, file_answer, problem_answer

router = APIRouter()

FIELDS: Final = (
    "mark", "value", "unit", "stage", "tool", "instrument", "pass_no", "point", "point_more", "at", "by", "note",
    "entry_key", "back",
)  # fmt: skip
"""Of the form."""
MAX_FIELD: Final = 500

MarkQuery = Annotated[str, Query(description="mark of a joint; empty: all", max_length=100)]
OneMark = Annotated[str, Query(description="mark of a joint", min_length=1, max_length=100)]
ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or joint"},
}
POSTED: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": f"a reading or a list of up to {MAX_READINGS}; steel_f may stand for steel_c, and age_s "
        "(seconds since) or at_local (clock of the site) for at_utc",
        "content": {
            "application/json": {
                "schema": {"type": ["object", "array"]},
                "example": {
                    "mark": "B4",
                    "steel_c": 110.5,
                    "stage": "between_passes",
                    "pass_no": 3,
                    "at_utc": "2026-01-15T06:10:00Z",
                    "instrument": "contact thermometer",
                    "by": "R. Moss",
                    "entry_key": "kQ3vB7xw91pL",
                },
            }
        },
    },
}


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of every reading of a post; those that are `refused` were not taken in, the others were."""

    results: tuple[Taken, ...]


# Writing down ---------------------------------------------------------------------------------------------------------


async def form_fields(request: Request) -> dict[str, str]:
    """The fields of the form as they were sent, each at most `MAX_FIELD` letters long.

    Raises:
        HTTPException: one of them is longer, or a file.
    """
    form = await request.form(max_fields=len(FIELDS) + 5, max_files=0)
    fields = {name: form.get(name, "") for name in FIELDS}
    for name, value in fields.items():
        if not isinstance(value, str) or len(value) > MAX_FIELD:
            raise HTTPException(422, f"{name}: at most {MAX_FIELD} letters.")
    return {name: value for name, value in fields.items() if isinstance(value, str)}


def zone_of(desk: Desk, site_id: str) -> str:
    """Zone of a site.

    Raises:
        UnknownSite: there is none of that id.
    """
    with reading(desk.engine) as session:
        return load_site(session, site_id).site.zone


def kept_or_refused(taken: Taken) -> int:
    """The id of a reading of the form.

    Raises:
        HTTPException: it was not taken in, with the reasons.
    """
    if taken.id is None:
        said = " ".join(f"{one.message.removeprefix('reading 1: ')}." for one in taken.problems)
        code = 404 if [one.field for one in taken.problems] == ["mark"] and taken.mark else 422
        raise HTTPException(code, f"{capital(said)} Nothing was written down; go back and put it right.")
    return taken.id


def answer_of(entries: Sequence[Entry | BadEntry], results: Sequence[Taken]) -> JSONResponse:
    """The answer to a post: 200 where any of it was taken in, else 422."""
    status = 200 if any(one.state == "kept" for one in results) or not entries else 422
    return JSONResponse(jsonable_encoder(TakenIn(tuple(results))), status)


def no_list(error: PostError) -> JSONResponse:
    """The answer to a post that is no list of readings."""
    return problem_answer(422, str(error))


@router.post("/sites/{site_id}/readings", include_in_schema=False)
async def write_down(request: Request, desk: DeskDep, site_id: SiteId) -> RedirectResponse:
    """Keep one reading of the form, and show what it means."""
    fields = await form_fields(request)

    def kept() -> int:
        entry = read_form(fields, zone_of(desk, site_id), desk.now(), desk.who.name)
        return kept_or_refused(take_typed(desk, site_id, entry, entered_by=desk.who.name))

    return see(back_to(fields["back"], site_id, reading=await run_in_threadpool(kept)))


@router.post(
    "/sites/{site_id}/readings.json",
    responses={
        **ERRORS,
        422: {"description": "no list of readings, or none of them could be taken in", "model": TakenIn},
    },
    response_model=TakenIn,
    openapi_extra=POSTED,
)
async def post_readings(request: Request, desk: DeskDep, site_id: SiteId) -> Response:
    """Keep readings, each by itself: what is wrong with one keeps none of the others back.

    The same reading with the same `entry_key` sent again is the one that is there.
    """
    data = await request.body()

    def answered() -> JSONResponse:
        try:
            entries = read_entries(data, zone_of(desk, site_id), desk.now(), desk.who.name)
        except PostError as error:
            return no_list(error)
        return answer_of(entries, take(desk, site_id, entries, entered_by=desk.who.name))

    return await run_in_threadpool(answered)


# Looking --------------------------------------------------------------------------------------------------------------


@router.get("/sites/{site_id}/readings", include_in_schema=False)
def readings(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> HTMLResponse:
    """The newest readings of a site, or of a joint."""
    return render("readings.html", who=desk.who, page=desk.readings(site_id, mark))


@router.get("/sites/{site_id}/readings.json", responses=ERRORS)
def readings_json(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> ReadingsPage:
    """The newest readings of a site, or of a joint, with their verdicts."""
    return desk.readings(site_id, mark)


@router.get("/sites/{site_id}/readings.csv", responses=ERRORS, response_class=Response)
def readings_csv(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> Response:
    """Readings of a site, or of a joint, as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(_table(desk, site_id, mark)), "csv", f"{site_id}-readings")


@router.get("/sites/{site_id}/readings.xlsx", responses=ERRORS, response_class=Response)
def readings_xlsx(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> Response:
    """The same as a workbook."""
    return file_answer(xlsx_bytes(_table(desk, site_id, mark)), "xlsx", f"{site_id}-readings")


def _table(desk: Desk, site_id: str, mark: str) -> Table:
    return readings_table(desk.readings(site_id, mark, IN_FILE).readings)


@router.get("/sites/{site_id}/record", include_in_schema=False)
def record(desk: DeskDep, site_id: SiteId, mark: OneMark) -> HTMLResponse:
    """The preheat record of a joint, to be printed and signed."""
    return render("record.html", who=desk.who, page=desk.record(site_id, mark))


@router.get("/sites/{site_id}/record.json", responses=ERRORS)
def record_json(desk: DeskDep, site_id: SiteId, mark: OneMark) -> RecordPage:
    """The preheat record of a joint: what is asked, what was predicted, what was measured and by whom."""
    return desk.record(site_id, mark)


@router.get("/sites/{site_id}/record.csv", responses=ERRORS, response_class=Response)
def record_csv(desk: DeskDep, site_id: SiteId, mark: OneMark) -> Response:
    """The same as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(record_table(desk.record(site_id, mark))), "csv", f"{site_id}-record")
