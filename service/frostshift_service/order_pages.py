"""The order of work of a site: page, JSON, CSV of one view; worked out in a thread, taken by the schedule's own way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from typing import Annotated, Any, Final
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Form, Query
from fastapi.responses import HTMLResponse, Response

from frostshift_rules.order_of_work import MOST_SHIFTS, SHIFTS
from frostshift_rules.work_setup import WorkSetup
from frostshift_service.order_taking import edits_of, goes_along, in_the_way, refusals
from frostshift_service.pages import render, see
from frostshift_service.store import joints as kept_joints
from frostshift_service.store import order_runs
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import (
    ChangedSince,
    KeptAdvice,
    KeptJoint,
    OrderRun,
    StoreError,
    TakenMoves,
    UnknownRun,
)
from frostshift_service.store.schedule_acts import write_edits
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import csv_bytes, moves_table
from frostshift_service.views.order import OrderPage, state_of
from frostshift_service.views.show import plural
from frostshift_service.web import DeskDep, SiteId, file_answer, log_change

router = APIRouter()

NAMED: Final = 20
"""Marks in the sentence of what was taken."""
LOOK_S = 4
"""How often the page of a search without an answer looks again [s]."""
LOOK_ANSWERED_S = 20
"""The same where an answer stands there: who reads it is not to be thrown back to the top all the time [s]."""
RunQuery = Annotated[
    int | None, Query(description="number of an order of work; without it the last", ge=1, le=2**31 - 1)
]
RunField = Annotated[int, Form(ge=1, le=2**31 - 1)]
Part = Annotated[int, Query(description="of the moves, the first is 1", ge=1, le=10_000)]
Marks = Annotated[list[str] | None, Form(max_length=20_000)]
_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site or order of work, or no plan yet"},
}


def order_url(site_id: str, kind: str = "", **query: int) -> str:
    """Path of the order of work; `kind` is empty, `.json` or `.csv`."""
    return f"/sites/{quote(site_id, safe='')}/order{kind}" + (f"?{urlencode(query)}" if query else "")


@router.get("/sites/{site_id}/order", include_in_schema=False)
def order(
    desk: DeskDep,
    site_id: SiteId,
    run: RunQuery = None,
    part: Part = 1,
    taken: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0,
    still: Annotated[bool, Query()] = False,
) -> HTMLResponse:
    """The last order of work of the site, how far it is, and the buttons; `still`: it does not look again by itself."""
    return _page(desk, site_id, run, part, taken=taken, still=still)


def _page(
    desk: Desk,
    site_id: str,
    run: int | None,
    part: int = 1,
    *,
    status: int = 200,
    taken: int = 0,
    still: bool = False,
    ticked: Sequence[str] = (),
    problem: str = "",
    along: Sequence[str] = (),
    refused: Sequence[tuple[str, str]] = (),
) -> HTMLResponse:
    page = desk.order(site_id, run, part)
    shown = page.run
    path = order_url(site_id, run=shown.id) if shown is not None and not page.newest else order_url(site_id)
    going = shown is not None and shown.state == "running" and page.newest and not still
    return render(
        "order.html",
        status,
        who=desk.who,
        page=page,
        site_id=site_id,
        order_url=order_url,
        here=path,
        refresh_s=0
        if not going or status != 200
        else LOOK_ANSWERED_S
        if shown is not None and shown.advice
        else LOOK_S,
        taken=taken,
        ticked=frozenset(ticked),
        problem=problem,
        along=along,
        take=sorted({*ticked, *along}),
        refused=refused,
    )


@router.get("/sites/{site_id}/order.json", responses=_ERRORS)
def order_json(desk: DeskDep, site_id: SiteId, run: RunQuery = None) -> OrderPage:
    """The last order of work of the site, or another that is kept, with all its moves."""
    return desk.order(site_id, run, 0)


@router.get("/sites/{site_id}/order.csv", responses=_ERRORS, response_class=Response)
def order_csv(desk: DeskDep, site_id: SiteId, run: RunQuery = None) -> Response:
    """A line for every move as CSV (UTF-8 with its mark)."""
    return file_answer(csv_bytes(moves_table(desk.order(site_id, run, 0))), "csv", f"{site_id}-order-of-work")


@router.post("/sites/{site_id}/order/run", include_in_schema=False)
def run_order(desk: DeskDep, site_id: SiteId, shifts: Annotated[int, Form(ge=1, le=MOST_SHIFTS)]) -> Response:
    """Begin to work out an order of work."""
    page = desk.order(site_id)
    if page.why_none:
        raise StoreError(page.why_none.rstrip("."))
    desk.planner.begin_order(site_id, desk.who.name, shifts or SHIFTS)
    return see(order_url(site_id))


@router.post("/sites/{site_id}/order/cancel", include_in_schema=False)
def cancel_order(desk: DeskDep, site_id: SiteId, run: RunField) -> Response:
    """End a search with the best it has."""
    with writing(desk.engine) as session:
        order_runs.cancel_run(session, site_id, run, by=desk.who.name)
    return see(order_url(site_id))


@router.post("/sites/{site_id}/order/take", include_in_schema=False)
def take_moves(
    desk: DeskDep,
    site_id: SiteId,
    run: RunField,
    mark: Marks = None,
    every: Annotated[bool, Form()] = False,
    part: Annotated[int, Form(ge=1, le=10_000)] = 1,
) -> Response:
    """Take some moves, or all that are left: as one change of the schedule, that one undo takes back."""
    found, kept = _run(desk, site_id, run)
    gone = {one for taken in found.taken if not taken.undone for one in taken.marks}
    moves = {move.mark: move for move in kept.advice.moves if move.mark not in gone}
    marks = list(moves) if every else [one for one in moves if one in set(mark or ())]
    if unknown := sorted(set(mark or ()) - set(moves)) if not every else []:
        problem = f"No moves, or taken already: {', '.join(unknown[:NAMED])}. Nothing was changed."
        return _page(desk, site_id, run, part, status=409, ticked=marks, problem=problem)
    if not marks:
        problem = "No move is ticked: tick some, or take all."
        return _page(desk, site_id, run, part, status=422, problem=problem)
    with reading(desk.engine) as session:
        work = load_site(session, site_id).site.work
        joints = {one.joint.mark: one for one in kept_joints.kept_joints(session, site_id)}
    along = _along(kept, marks, gone & set(kept.seen), joints, work)
    if along:
        problem = (
            "These moves cannot be taken alone: what waits for them, or has no room beside them, has to move too. "
            "Nothing was changed."
        )
        return _page(desk, site_id, run, part, status=409, ticked=[*marks, *along], problem=problem, along=along)
    starts = {one: moves[one].after.start_utc for one in marks}
    known = desk.planner.new_starts(site_id, starts)
    now, text = desk.now(), _text(marks, len(kept.advice.moves))
    refused = refusals(kept, frozenset(marks), joints, known, work, now)
    act = 0
    if not refused:
        act, refused = _write(desk, site_id, run, kept, marks, joints, text)
    if refused:
        problem = f"{plural(len(refused), 'move')} cannot be taken as things stand now. Nothing was changed."
        return _page(desk, site_id, run, part, status=409, ticked=marks, problem=problem, refused=refused)
    desk.replan(site_id)
    return see(order_url(site_id, run=run, part=part, taken=act))


def _run(desk: Desk, site_id: str, run_id: int) -> tuple[OrderRun, KeptAdvice]:
    with reading(desk.engine) as session:
        run = next((one for one in order_runs.runs_of(session, site_id) if one.id == run_id), None)
        if run is None:
            raise UnknownRun(f"site {site_id} has no order of work {run_id}: only the last ones stay")
        kept = order_runs.advice_of(session, site_id, run_id)
    if state_of(run, desk.now()) == "running" or kept is None:
        raise StoreError(f"order of work {run_id} has no last answer yet: wait for it, or cancel it")
    return run, kept


def _along(
    kept: KeptAdvice, marks: Sequence[str], gone: Set[str], joints: Mapping[str, KeptJoint], work: WorkSetup
) -> list[str]:
    """Marks of the moves that have to be taken with some, by what waits for them, minutes and people at one moment.

    `gone` are taken already.
    """
    moves = [move.mark for move in kept.advice.moves]
    chosen = {*marks}
    while True:
        more = {*goes_along(kept, chosen | gone)}
        for others in in_the_way(kept, chosen | gone | more, joints, work).values():
            more |= {*others} & {*moves}
        if not more - chosen - gone:
            return [mark for mark in moves if mark in chosen and mark not in marks]
        chosen |= more - gone


def _write(
    desk: Desk,
    site_id: str,
    run_id: int,
    kept: KeptAdvice,
    marks: Sequence[str],
    joints: Mapping[str, KeptJoint],
    text: str,
) -> tuple[int, list[tuple[str, str]]]:
    """Write the moves down as one change; its number, or who changed meanwhile."""
    now, by = desk.now(), desk.who.name
    try:
        with writing(desk.engine) as session:
            act = write_edits(session, site_id, edits_of(kept, frozenset(marks), joints), now=now, by=by, text=text)
            order_runs.note_taken(session, site_id, run_id, TakenMoves(now, by, tuple(marks), act, False))
            log_change(session, desk, "order of work", text, site_id)
    except ChangedSince as error:
        return 0, [(mark, "it was changed just now") for mark in error.marks]
    return act, []


def _text(marks: Sequence[str], total: int) -> str:
    more = f" and {len(marks) - NAMED} more" if len(marks) > NAMED else ""
    return f"Order of work, {len(marks)} of {plural(total, 'move')} taken: {', '.join(marks[:NAMED])}{more}."
