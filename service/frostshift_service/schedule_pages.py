"""The schedule: its list, a file before and after it is saved, one joint as a form, many joints at once.

Nothing is written before somebody has seen what changes: a file waits in the store (`store/drafts.py`), a change of
many joints is worked out anew from a short form. Each save says what it was looked at with, and is refused where that
is no longer so.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import date
from pathlib import PurePath
from typing import Annotated, Any, Final, Literal
from urllib.parse import parse_qsl, quote

from fastapi import APIRouter, Depends, Form, HTTPException, Path, Query, Request, UploadFile
from fastapi.responses import JSONResponse, Response
from pydantic import TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool

from frostshift_rules.sentences import capital
from frostshift_service.pages import MarkField, SettingsDep, piece, render, see
from frostshift_service.schedule_file import (
    COLUMNS,
    CellError,
    ScheduleFile,
    joints_csv,
    joints_xlsx,
    read_schedule,
)
from frostshift_service.schedule_form import (
    BULK_STATES,
    BulkOutcome,
    BulkProblem,
    bulk_edits,
    bulk_text,
    cells_of,
    edit_of,
    form_groups,
    read_bulk,
    read_cells,
    typed_units,
)
from frostshift_service.settings import Settings
from frostshift_service.store import drafts
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import (
    ChangedSince,
    ImportedJoint,
    JointEdit,
    KeptJoint,
    KeptSite,
    ScheduleDraft,
    UnknownDraft,
)
from frostshift_service.store.schedule_acts import undo_act, write_edits
from frostshift_service.store.sites import hold_site, load_site
from frostshift_service.views.desk import Desk
from frostshift_service.views.schedule import ScheduleFilter, SchedulePage, SortBy
from frostshift_service.views.schedule_change import (
    BulkPage,
    EditPage,
    ImportOutcome,
    PreviewPage,
    bulk_page,
    edit_page,
    previewed,
    refused,
    saved,
)
from frostshift_service.web import DeskDep, FileKind, SiteId, file_answer, sentence

router = APIRouter()

LONGEST_NAME: Final = 120
LONGEST_FILTER: Final = 2000
CHANGED_SINCE: Final = (
    "This joint was changed since the form was opened. What you typed stands below and nothing was saved; what was "
    "changed stands at the end. Saving now puts yours over it."
)
DraftId = Annotated[int, Path(ge=1, le=2**31 - 1)]
_FILTER: Final = TypeAdapter(ScheduleFilter)
_RESPONSES: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site, joint or file that waits"},
}


def _wanted(
    text: Annotated[str, Query(description="part of a mark, place or crew", max_length=120)] = "",
    state: Annotated[str, Query(description="state of the joint", max_length=20)] = "",
    crew: Annotated[str, Query(description="its crew; - for none", max_length=60)] = "",
    day: Annotated[date | Literal[""] | None, Query(description="local day, of the shift's start")] = None,
    shift: Annotated[str, Query(description="name of its shift; outside for none", max_length=100)] = "",
    call: Annotated[str, Query(description="its heat call; not_planned for none", max_length=20)] = "",
    sort: Annotated[SortBy, Query(description="column to sort by")] = "start",
    down: Annotated[bool, Query(description="from the last to the first")] = False,
    page: Annotated[int, Query(description="page of 100 joints; 0 for all", ge=0, le=1_000_000)] = 0,
) -> ScheduleFilter:
    return ScheduleFilter(text, state, crew, day or None, shift, call, sort, down, page)


WantedDep = Annotated[ScheduleFilter, Depends(_wanted)]


def _path(site_id: str, more: str = "") -> str:
    return f"/sites/{quote(site_id, safe='')}/schedule{more}"


# The list -------------------------------------------------------------------------------------------------------------


@router.get("/sites/{site_id}/schedule", include_in_schema=False)
def schedule(
    desk: DeskDep,
    site_id: SiteId,
    wanted: WantedDep,
    did: Annotated[str, Query(max_length=100)] = "",
    loaded: Annotated[bool, Query()] = False,
) -> Response:
    """The joints of the last schedule, and the form to load another."""
    change = desk.last_change(site_id, did) if did else None
    return _list_page(desk, site_id, wanted, change=change, loaded=loaded)


def _list_page(
    desk: Desk,
    site_id: str,
    wanted: ScheduleFilter,
    *,
    outcome: ImportOutcome | None = None,
    status: int = 200,
    change: Any = None,
    loaded: bool = False,
) -> Response:
    if wanted.page == 0:
        wanted = _FILTER.validate_python({**_FILTER.dump_python(wanted), "page": 1})
    page = desk.schedule(site_id, wanted)
    query = wanted.query()
    here = _path(site_id) + (f"?{query}" if query else "")
    with reading(desk.engine) as session:
        shifts = [shift.name for shift in load_site(session, site_id).site.shifts]
    return render(
        "schedule.html",
        status,
        who=desk.who,
        page=page,
        outcome=outcome,
        columns=COLUMNS,
        change=change,
        loaded=loaded,
        here=here,
        joints=piece(desk, "_schedule_list.html", "joints", page, site_id=site_id, here=here),
        bulk_states=BULK_STATES,
        site_shifts=shifts,
    )


@router.get("/sites/{site_id}/schedule.json", responses=_RESPONSES)
def schedule_json(desk: DeskDep, site_id: SiteId, wanted: WantedDep) -> SchedulePage:
    """The joints of the last schedule: those that pass the filter, all of them or a page."""
    return desk.schedule(site_id, wanted)


@router.get("/sites/{site_id}/schedule.{kind}", include_in_schema=False)
def schedule_file(desk: DeskDep, site_id: SiteId, kind: FileKind, wanted: WantedDep) -> Response:
    """The joints as they stand now that pass the filter, in its order, in the columns of a schedule."""
    marks = desk.marks(site_id, wanted)
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        joints = [one.joint for one in kept.kept_joints_of(session, site_id, marks)]
    write = joints_csv if kind == "csv" else joints_xlsx
    name = f"{site_id}-schedule-part" if wanted.is_set else f"{site_id}-schedule"
    return file_answer(write(joints, site.site.zone, typed_units(site)), kind, name)


# A file ---------------------------------------------------------------------------------------------------------------


@router.post("/sites/{site_id}/schedule", include_in_schema=False)
def load_schedule(desk: DeskDep, settings: SettingsDep, site_id: SiteId, file: UploadFile) -> Response:
    """Keep a schedule file until it was looked at, or say by row what is wrong with it."""
    data, name = file.file.read(settings.schedule_bytes + 1), _file_name(file.filename)
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    read = _read(desk, settings, site, data, name)
    if read.errors:
        return _list_page(desk, site_id, ScheduleFilter(), outcome=refused(read, name), status=422)
    with writing(desk.engine) as session:
        draft_id = drafts.keep_draft(session, site_id, data, file_name=name, now=desk.now(), by=desk.who.name)
    return see(_path(site_id, f"/preview/{draft_id}"))


def _file_name(sent: str | None) -> str:
    """What a browser says the file is called, without a folder and cut where it is long."""
    name = PurePath((sent or "").replace("\\", "/")).name
    return "".join(character for character in name if character.isprintable())[:LONGEST_NAME] or "the file"


def _read(desk: Desk, settings: Settings, site: KeptSite, data: bytes, name: str) -> ScheduleFile:
    return read_schedule(data, name, site.site, desk.now(), settings.schedule_bytes, settings.schedule_rows)


@router.get("/sites/{site_id}/schedule/preview/{draft_id}.json", responses=_RESPONSES)
def preview_json(desk: DeskDep, settings: SettingsDep, site_id: SiteId, draft_id: DraftId) -> PreviewPage:
    """What a schedule file that waits would change."""
    return _preview(desk, settings, site_id, draft_id)


@router.get("/sites/{site_id}/schedule/preview/{draft_id}", include_in_schema=False)
def preview(desk: DeskDep, settings: SettingsDep, site_id: SiteId, draft_id: DraftId) -> Response:
    """What a schedule file would change, with the button to save it."""
    return _preview_page(desk, settings, site_id, draft_id)


def _preview_page(
    desk: Desk, settings: Settings, site_id: str, draft_id: int, *, moved_on: bool = False, status: int = 200
) -> Response:
    page = _preview(desk, settings, site_id, draft_id, moved_on=moved_on)
    status = 422 if page.outcome.status == "refused" else status
    return render("schedule_preview.html", status, who=desk.who, page=page)


def _preview(desk: Desk, settings: Settings, site_id: str, draft_id: int, *, moved_on: bool = False) -> PreviewPage:
    draft = _draft(desk, site_id, draft_id)
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    read, show = _read(desk, settings, site, draft.content, draft.file_name), desk.show(site)
    return PreviewPage(
        site_id=site_id,
        site_name=site.site.name,
        draft_id=draft_id,
        loaded=f"{show.moment(draft.at_utc, detail='date').text}, {draft.by}",
        moved_on=moved_on,
        outcome=_outcome(desk, site, read, draft.file_name),
    )


def _draft(desk: Desk, site_id: str, draft_id: int) -> ScheduleDraft:
    try:
        with reading(desk.engine) as session:
            load_site(session, site_id)
            return drafts.load_draft(session, site_id, draft_id, desk.now())
    except UnknownDraft as error:
        raise HTTPException(404, sentence(error)) from None


def _outcome(desk: Desk, site: KeptSite, read: ScheduleFile, name: str) -> ImportOutcome:
    """What a file would do, or its errors."""
    if read.errors:
        return refused(read, name)
    with reading(desk.engine) as session:
        found = kept.preview_import(
            session, site.site.id, read.joints, now=desk.now(), file_name=name, by=desk.who.name
        )
    return previewed(read, found, site, desk.show(site))


@router.post("/sites/{site_id}/schedule/preview/{draft_id}", include_in_schema=False)
def settle_preview(
    desk: DeskDep,
    settings: SettingsDep,
    site_id: SiteId,
    draft_id: DraftId,
    action: Annotated[Literal["save", "throw_away"], Form()],
    version: Annotated[str, Form(max_length=60)] = "",
) -> Response:
    """Save a schedule that was looked at, or throw it away; nothing is saved where the joints changed meanwhile."""
    if action == "throw_away":
        with writing(desk.engine) as session:
            drafts.drop_draft(session, site_id, draft_id)
        return see(_path(site_id))
    draft = _draft(desk, site_id, draft_id)
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    read = _read(desk, settings, site, draft.content, draft.file_name)
    if read.errors:
        return _preview_page(desk, settings, site_id, draft_id)
    with writing(desk.engine) as session:
        hold_site(session, site_id)
        as_seen = kept.schedule_version(session, site_id) == version
        if as_seen:
            kept.import_joints(
                session, site_id, read.joints, now=desk.now(), file_name=draft.file_name, by=desk.who.name
            )
            drafts.drop_draft(session, site_id, draft_id)
    if not as_seen:
        return _preview_page(desk, settings, site_id, draft_id, moved_on=True, status=409)
    desk.replan(site_id)
    return see(_path(site_id, "?loaded=1"))


@router.post(
    "/sites/{site_id}/schedule.json",
    response_model=ImportOutcome,
    responses={
        **_RESPONSES,
        409: {"model": ImportOutcome, "description": "not saved: the schedule is no longer of that version"},
        422: {"model": ImportOutcome, "description": "errors in the file; nothing was saved"},
    },
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "text/csv": {},
                "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": {},
            },
            "description": "the file itself",
        }
    },
)
async def load_json(
    request: Request,
    desk: DeskDep,
    settings: SettingsDep,
    site_id: SiteId,
    preview: Annotated[bool, Query(description="true: only say what it would do, save nothing")] = True,
    version: Annotated[
        str, Query(description="of the preview it was decided on; empty: save whatever changed since", max_length=60)
    ] = "",
    name: Annotated[str, Query(description="of the file, for people", max_length=LONGEST_NAME)] = "posted schedule",
) -> Response:
    """Say what a schedule would change, or save it."""
    data = await request.body()
    return await run_in_threadpool(_load_json, desk, settings, site_id, data, preview, version, _file_name(name))


def _load_json(
    desk: Desk, settings: Settings, site_id: str, data: bytes, preview: bool, version: str, name: str
) -> Response:
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
    read = _read(desk, settings, site, data, name)
    outcome = _outcome(desk, site, read, name)
    if outcome.status == "refused":
        return _json(outcome, 422)
    if preview:
        return _json(outcome, 200)
    with writing(desk.engine) as session:
        hold_site(session, site_id)
        there = kept.schedule_version(session, site_id)
        done = None
        # The outcome was made before the site was held: what it says has to be what is saved.
        if there == (version or outcome.version) and there == outcome.version:
            by = desk.who.name
            done = kept.import_joints(session, site_id, read.joints, now=desk.now(), file_name=name, by=by)
            there = kept.schedule_version(session, site_id)
    if done is None:
        return _json(_outcome(desk, site, read, name), 409)
    desk.replan(site_id)
    return _json(saved(outcome, done, there), 200)


def _json(outcome: ImportOutcome, status: int) -> Response:
    return JSONResponse(TypeAdapter(ImportOutcome).dump_python(outcome, mode="json"), status)


# One joint ------------------------------------------------------------------------------------------------------------

MarkQuery = Annotated[str, Query(description="mark of the joint; empty: a new one", max_length=100)]


@router.get("/sites/{site_id}/edit.json", responses=_RESPONSES)
def edit_json(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> EditPage:
    """One joint as the cells of a schedule, with what was changed of it by hand."""
    return _edit_view(desk, site_id, mark)


@router.get("/sites/{site_id}/edit", include_in_schema=False)
def edit(desk: DeskDep, site_id: SiteId, mark: MarkQuery = "") -> Response:
    """The form of one joint, or of a new one."""
    return render("joint_edit.html", who=desk.who, page=_edit_view(desk, site_id, mark))


def _edit_view(
    desk: Desk,
    site_id: str,
    mark: str,
    *,
    typed: dict[str, str] | None = None,
    errors: Sequence[CellError] = (),
    warnings: tuple[str, ...] = (),
    problem: str = "",
    seen: str | None = None,
) -> EditPage:
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        found = kept.kept_joint(session, site_id, mark) if mark else None
        history = kept.changes_of(session, site_id, mark) if mark else []
    show = desk.show(site)
    values = typed if typed is not None else {} if found is None else cells_of(found, site, show.system)
    return edit_page(
        site,
        found,
        form_groups(values, errors, site.site, show.system, fixed_mark=found is not None),
        show,
        seen=seen if seen is not None else "" if found is None else found.fingerprint,
        history=history,
        warnings=warnings,
        problem=problem,
    )


async def _sent(request: Request) -> list[tuple[str, str]]:
    """The fields of a form, as they were typed."""
    form = await request.form(max_files=0, max_fields=1000)
    return [(name, value) for name, value in form.multi_items() if isinstance(value, str)]


SentDep = Annotated[list[tuple[str, str]], Depends(_sent)]


@router.post("/sites/{site_id}/edit", include_in_schema=False)
def save_edit(desk: DeskDep, site_id: SiteId, sent: SentDep, mark: MarkQuery = "") -> Response:
    """Save one joint as it was typed, or show by field what is wrong; all that was typed stays."""
    typed = dict(sent)
    seen = typed.pop("seen", "")
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        before = kept.kept_joint(session, site_id, mark) if mark else None
        there = {one.mark.casefold(): one.mark for one in kept.listed_joints(session, site_id)}
    if before is not None:
        typed["mark"] = before.joint.mark
    read = read_cells(typed, site.site, desk.now())
    errors = read.errors
    if before is None and (same := there.get(" ".join(typed.get("mark", "").split()).casefold())):
        taken = CellError(None, "mark", same, f"'{same}' is in the schedule already; change it there")
        errors = (*errors, taken)
    if errors or read.joint is None:
        page = _edit_view(desk, site_id, mark, typed=typed, errors=errors, warnings=read.warnings, seen=seen)
        return render("joint_edit.html", 422, who=desk.who, page=page)
    if before is None:  # a mark that left the schedule comes back, with its readings
        with reading(desk.engine) as session:
            before = next(iter(kept.kept_joints_of(session, site_id, [read.joint.joint.mark])), None)
        seen = "" if before is None else before.fingerprint
    wanted = edit_of(before, read.joint, site, seen)
    name = wanted.wanted.joint.mark
    noted = before is not None and (before.defaults, before.problems) == (read.joint.defaults, read.joint.problems)
    if wanted.said or not noted:
        text = f"{name} changed." if mark else f"{name} added."
        try:
            _write(desk, site_id, [wanted], text)
        except ChangedSince:
            now = _edit_view(desk, site_id, mark or name, typed=typed, warnings=read.warnings, problem=CHANGED_SINCE)
            return render("joint_edit.html", 409, who=desk.who, page=now)
    return see(_path(site_id, f"?text={quote(name, safe='')}"))


def _write(desk: Desk, site_id: str, edits: Sequence[JointEdit], text: str) -> None:
    with writing(desk.engine) as session:
        write_edits(session, site_id, edits, now=desk.now(), by=desk.who.name, text=text)
    desk.replan(site_id)


@router.post("/sites/{site_id}/remove", include_in_schema=False)
def remove(desk: DeskDep, site_id: SiteId, mark: MarkField, seen: Annotated[str, Form(max_length=60)] = "") -> Response:
    """Take a joint out of the schedule; its readings stay, and it can be put back."""
    with reading(desk.engine) as session:
        found = kept.kept_joint(session, site_id, mark)
    if not found.present:
        raise HTTPException(409, f"{mark} is not in the schedule any more.")
    _write(desk, site_id, [_out(found, seen)], f"{mark} taken out of the schedule.")
    return see(_path(site_id))


def _out(found: KeptJoint, seen: str) -> JointEdit:
    wanted = ImportedJoint(found.joint, found.row, found.defaults, found.problems)
    return JointEdit(wanted, False, seen or found.fingerprint, (("present", "yes", "no"),))


@router.post("/sites/{site_id}/schedule/undo", include_in_schema=False)
def undo(desk: DeskDep, site_id: SiteId, act: Annotated[int, Form(ge=1, le=2**31 - 1)]) -> Response:
    """Take back a change of one or many joints, as a whole."""
    with writing(desk.engine) as session:
        undo_act(session, site_id, act, now=desk.now(), by=desk.who.name)
    desk.replan(site_id)
    return see(_path(site_id))


# Many joints ----------------------------------------------------------------------------------------------------------

_BULK_FIELDS: Final = ("action", "hours", "shifts", "day", "shift", "crew", "state", "all", "query")


@router.post(
    "/sites/{site_id}/schedule/bulk.json",
    responses={**_RESPONSES, 422: {"model": BulkPage, "description": "it cannot be done to all of them"}},
    response_model=BulkPage,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/x-www-form-urlencoded": {}},
            "description": "fields of the page's form: mark (often), or all=1 with query; action and what it asks for",
        }
    },
)
def bulk_json(desk: DeskDep, site_id: SiteId, sent: SentDep) -> Response:
    """What a change of many joints would do; nothing is written."""
    page, _ = _bulk(desk, site_id, sent)
    status = 422 if page.problem or page.refused else 200
    return JSONResponse(TypeAdapter(BulkPage).dump_python(page, mode="json"), status)


@router.post("/sites/{site_id}/schedule/bulk", include_in_schema=False)
def bulk(desk: DeskDep, site_id: SiteId, sent: SentDep) -> Response:
    """Show what a change of many joints would do."""
    page, _ = _bulk(desk, site_id, sent)
    return render("schedule_bulk.html", 422 if page.problem or page.refused else 200, who=desk.who, page=page)


@router.post("/sites/{site_id}/schedule/bulk/save", include_in_schema=False)
def save_bulk(desk: DeskDep, site_id: SiteId, sent: SentDep) -> Response:
    """Change many joints, all or none, where they are still those that were looked at."""
    page, outcome = _bulk(desk, site_id, sent)
    if page.problem or page.refused or not outcome.edits:
        return render("schedule_bulk.html", 422, who=desk.who, page=page)
    stale = dict(sent).get("seen") != page.seen
    if not stale:
        try:
            _write(desk, site_id, outcome.edits, page.text)
        except ChangedSince:
            stale = True
    if stale:
        page, _ = _bulk(desk, site_id, sent, moved_on=True)
        return render("schedule_bulk.html", 409, who=desk.who, page=page)
    query = _filter_of(dict(sent).get("query", "")).query()
    return see(_path(site_id, f"?{query}" if query else ""))


def _filter_of(query: str) -> ScheduleFilter:
    """A filter from the query of a list's address; what cannot be read is refused, not left out."""
    if len(query) > LONGEST_FILTER:
        raise HTTPException(422, f"The filter has {len(query)} letters, at most {LONGEST_FILTER}; nothing was changed.")
    named = {name: value for name, value in parse_qsl(query) if value}
    try:
        return _FILTER.validate_python(named)
    except ValidationError:
        raise HTTPException(422, f"The filter {query[:80]!r} cannot be read; nothing was changed.") from None


def _bulk(
    desk: Desk, site_id: str, sent: Sequence[tuple[str, str]], *, moved_on: bool = False
) -> tuple[BulkPage, BulkOutcome]:
    typed = dict(sent)
    if typed.get("all"):
        marks = desk.marks(site_id, _filter_of(typed.get("query", "")))
        named: list[tuple[str, str]] = []
    else:
        marks = list(dict.fromkeys(value for name, value in sent if name == "mark"))
        named = [("mark", mark) for mark in marks]
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        joints = [one for one in kept.kept_joints_of(session, site_id, marks) if one.present]
    fields = [(name, typed[name]) for name in _BULK_FIELDS if typed.get(name)] + named
    nothing, show = BulkOutcome((), ()), desk.show(site)
    try:
        if not marks:
            raise BulkProblem("mark", "no joint is ticked: tick some, or choose all that match the filter")
        if len(joints) < len(marks) and not typed.get("all"):
            gone = sorted(set(marks) - {one.joint.mark for one in joints})
            raise BulkProblem("mark", f"no longer in the schedule: {', '.join(gone[:5])}")
        asked = read_bulk(typed, site.site)
        outcome = bulk_edits(asked, joints, site)
    except BulkProblem as problem:
        said = f"{problem.message}{f' ({problem.limit})' if problem.limit else ''}."
        said = f"{capital(said)}"
        return bulk_page(site, "", len(marks), nothing, show, seen="", fields=fields, problem=said), nothing
    looked_at = "\n".join(f"{one.joint.mark} {one.fingerprint} {one.joint.state}" for one in joints)
    page = bulk_page(
        site,
        bulk_text(asked, len(outcome.edits)),
        len(joints),
        outcome,
        show,
        seen=hashlib.sha256(looked_at.encode()).hexdigest()[:32],
        fields=fields,
        moved_on=moved_on,
    )
    return page, outcome
