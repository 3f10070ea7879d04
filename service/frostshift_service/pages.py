"""HTML pages and their forms. Each page is one complete GET; each change is a POST that answers with a redirect."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable, Hashable, Sequence
from datetime import date, datetime, timedelta
from functools import cache, partial
from importlib import resources
from typing import Annotated, Any, Final, Literal
from urllib.parse import parse_qsl, quote, urlencode, urlsplit

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from sqlmodel import Session

from frostshift_rules import shifts
from frostshift_rules.job import JOINT_STATES, Arrangement, Site
from frostshift_rules.sentences import capital
from frostshift_rules.units import System
from frostshift_service.case_form import groups, label_of, name_of, read_form
from frostshift_service.reading_entry import OLDEST, TOOLS
from frostshift_service.rights import RIGHTS, Actor
from frostshift_service.schedule_file import (
    template_csv,
    template_xlsx,
)
from frostshift_service.settings import Settings
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import writing
from frostshift_service.store.readings import LIMITS_C
from frostshift_service.store.sites import load_site
from frostshift_service.views.arrangement import arrangement_list, sketch
from frostshift_service.views.case import NEVER, SAID_ABOVE, FailedCase, answer_lines, case_views
from frostshift_service.views.desk import Desk
from frostshift_service.views.joint import JointPage
from frostshift_service.views.readings import COLD_COUNTS, STAGES
from frostshift_service.views.rule_table import table_list
from frostshift_service.views.sheet import LINES_A_PART, part_of
from frostshift_service.views.weather import HOURS_SHOWN
from frostshift_service.views.words import CAUTIONS
from frostshift_service.web import (
    DeskDep,
    FileKind,
    SiteId,
    SiteQuery,
    SpanQuery,
    TableId,
    file_answer,
    shown_table,
    site_of,
)

router = APIRouter(include_in_schema=False)

LOOK_AHEAD: Final = timedelta(days=60)
"""How far a next shift is looked for."""

Action = Literal["done", "postponed", "planned", "next_shift"]
PLANNING: Final = ("postponed", "next_shift")
"""Actions that change when it is a joint's turn: they ask for the right to plan."""
_OF_PART: Final = ("part", "all_rows", "did", "reading")
"""What the address of another part of a sheet does not take over."""
_ONE_WORD: Final = re.compile(r"([\w/*]+(?:-[\w/*]+)+|&lt; \d+)")


# Rendering


def new_entry_key() -> str:
    """A key for the entries of one form, so that a form sent twice is one entry."""
    return secrets.token_urlsafe(16)


def record_url(site_id: str, mark: str, kind: str = "") -> str:
    """Path of the preheat record of a joint; `kind` is empty, `.json`, `.csv` or `.pdf`."""
    return f"/sites/{quote(site_id, safe='')}/record{kind}?{urlencode({'mark': mark})}"


def joint_url(site_id: str, mark: str) -> str:
    """Path of the page of a joint."""
    return f"/sites/{quote(site_id, safe='')}/joints/{quote(mark, safe='')}"


def table_url(table_id: str, site_id: str) -> str:
    """Path of the page of a rule table, as it stands for a site; without a site for an empty one."""
    return f"/tables/{quote(table_id, safe='')}" + (f"?site={quote(site_id, safe='')}" if site_id else "")


def compare_url(site_id: str, kind: str = "", *, joints: Sequence[str] = (), shift: str | None = None) -> str:
    """Path of the comparison of ways of heating, of some joints or of a shift; `kind` is empty, `.json` or `.csv`."""
    query = urlencode([*(("joint", mark) for mark in joints), *([("shift", shift)] if shift else [])])
    return f"/sites/{quote(site_id, safe='')}/compare{kind}" + (f"?{query}" if query else "")


def in_lines(text: str) -> list[str]:
    """A figure that is given in two units, `150 °F (66 °C)`, as two texts; any other as one."""
    first, bracket, second = text.partition(" (")
    return [first, second.removesuffix(")")] if bracket else [first]


def words_kept(text: str) -> Markup:
    """A text in which `A572-50`, `1-1/2` and `< 65` each stay on one line."""
    return Markup(_ONE_WORD.sub(r'<span class="kept">\1</span>', str(escape(text))))


def sketch_svg(name: Arrangement) -> Markup:
    """The drawing of an arrangement, to stand in the page."""
    return Markup(sketch(name))


def _kept_together(value: Any) -> Any:
    """A figure and its degree sign stay on one line."""
    return value.replace(" °", "\N{NO-BREAK SPACE}°") if isinstance(value, str) else value


@cache
def _static_url(name: str) -> str:
    content = resources.files("frostshift_service").joinpath("static", name).read_bytes()
    return f"/static/{name}?v={hashlib.sha256(content).hexdigest()[:12]}"


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=PackageLoader("frostshift_service"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_kept_together,
    )
    environment.filters.update(capital=capital, in_lines=in_lines, kept=words_kept)
    environment.globals.update(
        joint_url=joint_url,
        record_url=record_url,
        reading_tools=TOOLS,
        reading_stages=STAGES,
        reading_limits_c=LIMITS_C,
        reading_oldest_h=OLDEST // timedelta(hours=1),
        reading_cold_counts_h=COLD_COUNTS // timedelta(hours=1),
        part_of=part_of,
        table_url=table_url,
        compare_url=compare_url,
        static_url=_static_url,
        sketch_svg=sketch_svg,
    )
    return environment


def render(template: str, status: int = 200, *, who: Actor | None, **context: Any) -> HTMLResponse:
    """A template as an answer to somebody; None: nobody we know."""
    return HTMLResponse(_templates().get_template(template).render(context, who=who), status_code=status)


def piece(
    desk: Desk, template: str, macro: str, view: object, *, site_id: str, here: str = "", **told: Hashable
) -> Markup:
    """A piece of a page that hangs on a view, on rights at a site and on a few words; rendered once for all of these.

    The macro learns what whoever asks may do at this site, not who he is, so that nothing of one person can stand on
    the page of another.

    Args:
        desk: of whoever asks.
        template: that holds the macro.
        macro: takes the view, `who`, `site_id` and what is told.
        view: of a keeper, the very same object each time; it does not change.
        site_id: the site.
        here: path to come back to after a change.
        told: what else the macro takes.
    """
    rights = frozenset(right for right in RIGHTS if desk.who.may(right, site_id))
    if here:
        told["here"] = here

    def make() -> Markup:
        write = getattr(_templates().get_template(template).module, macro)
        written: Markup = write(view, who=Actor("", rights={site_id: rights}), site_id=site_id, **told)
        return written

    return desk.keeper.get(
        view, (template, macro, site_id, rights, tuple(sorted(told.items(), key=lambda one: one[0]))), make
    )


def joint_answer(
    desk: Desk, site_id: str, mark: str, *, did: str = "", reading: int = 0, here: str = ""
) -> HTMLResponse:
    """The page of one joint, on a screen or for paper.

    Args:
        desk: of whoever asks.
        site_id: the site.
        mark: of the joint.
        did: mark of the joint that was changed just now; empty: none.
        reading: id of the reading that was written down just now; 0: none.
        here: path to come back to after a change.

    Raises:
        UnknownSite, UnknownJoint, NoPlan: there is none.
    """
    page = desk.joint(site_id, mark)
    return render(
        "joint.html" if isinstance(page, JointPage) else "resting.html",
        who=desk.who,
        page=page,
        site_id=site_id,
        change=desk.last_change(site_id, did) if did else None,
        here=here,
        said=next((one for one in page.readings if one.id == reading), None),
        entry_key=new_entry_key(),
    )


# What a request brings


def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


SettingsDep = Annotated[Settings, Depends(_settings)]
MarkField = Annotated[str, Form(min_length=1, max_length=100)]
BackField = Annotated[str, Form(max_length=500)]


def back_to(back: str, site_id: str, did: str = "", reading: int | None = None) -> str:
    """The page of this site to return to, with the mark that was changed, or the reading that was written down.

    The morning sheet for anything else than a page of this site.
    """
    try:
        parts = urlsplit(back)
    except ValueError:
        parts = urlsplit("")
    path = f"/sites/{quote(site_id, safe='')}/"
    ours = not parts.scheme and not parts.netloc and parts.path.startswith(path) and "\\" not in back
    query = [(name, value) for name, value in parse_qsl(parts.query) if name not in ("did", "reading")] if ours else []
    if did:
        query.append(("did", did))
    if reading is not None:
        query.append(("reading", str(reading)))
    target = quote(parts.path, safe="/%") if ours else f"{path}morning"
    return f"{target}?{urlencode(query)}" if query else target


def see(url: str) -> RedirectResponse:
    """Sends a browser on after a change."""
    return RedirectResponse(url, status_code=303)


def _here(request: Request) -> str:
    return request.url.path + (f"?{request.url.query}" if request.url.query else "")


# Pages


@router.get("/")
def home(desk: DeskDep) -> Response:
    """The sites; with one site alone its morning sheet."""
    listed = desk.sites()
    if len(listed.sites) == 1:
        return see(f"/sites/{listed.sites[0].id}/morning")
    return render("sites.html", who=desk.who, page=listed)


@router.get("/sites/{site_id}/morning")
def morning(
    request: Request,
    desk: DeskDep,
    site_id: SiteId,
    day: date | None = None,
    shifts: Annotated[int, Query(ge=1, le=60)] = 2,
    did: Annotated[str, Query(max_length=100)] = "",
    part: Annotated[int, Query(ge=1, le=10_000)] = 1,
    all_rows: bool = False,
) -> Response:
    """The morning sheet; of a shift with many joints a part, unless all are asked for."""
    sheet = desk.morning(site_id, day, shifts)
    here, path = _here(request), request.url.path
    kept_query = [(name, value) for name, value in parse_qsl(request.url.query) if name not in _OF_PART]
    write = partial(piece, desk, site_id=site_id)
    joints = partial(
        write,
        "_joints.html",
        "joints",
        here=here,
        other=f"{path}?{urlencode(kept_query)}{'&' if kept_query else ''}",
        number=None if all_rows else part,
        warnings=sheet.header.warnings,
    )
    return render(
        "morning.html",
        who=desk.who,
        page=sheet,
        change=desk.last_change(site_id, did) if did else None,
        here=here,
        joints=joints,
        detail=partial(write, "_shift.html", "detail"),
        news=write("_joints.html", "news", sheet.changes),
        in_parts=not all_rows
        and any(len(one) > LINES_A_PART for one in [*(b.lines for b in sheet.shifts), sheet.outside]),
    )


@router.get("/sites/{site_id}/joints/{mark:path}")
def joint(
    request: Request,
    desk: DeskDep,
    site_id: SiteId,
    mark: str,
    did: Annotated[str, Query(max_length=100)] = "",
    reading: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0,
) -> Response:
    """The page of one joint; `reading` is the one that was written down just now."""
    return joint_answer(desk, site_id, mark, did=did, reading=reading, here=_here(request))


@router.get("/sites/{site_id}/weather")
def weather(request: Request, desk: DeskDep, site_id: SiteId, ahead: SpanQuery = HOURS_SHOWN) -> Response:
    """The forecast with steel by it, how it stands with the site's feeds, and the site's thermometer."""
    page = desk.weather(site_id, span_h=ahead)
    write = partial(piece, desk, "_weather_hours.html", site_id=site_id)
    return render(
        "weather.html",
        who=desk.who,
        page=page,
        ahead="" if page.ahead is None else write("ahead", page.ahead),
        hours=write("hours", page.hours, text=page.hours_text, marks=page.marks),
        thermometer=page.thermometer,
        here=_here(request),
    )


@router.get("/case")
def case(request: Request, desk: DeskDep, site: SiteQuery = None) -> Response:
    """The form for one joint, with its answer where it is filled in."""
    query = request.query_params.multi_items()
    found = site_of(desk, site)
    system: System = "si" if (desk.who.units or (found.code_units if found else "us")) == "si" else "us"
    form, read = groups(found, system), read_form(query, found)
    view = None if read is None else case_views([read], alternatives=True)[0]
    problems = view.problems if isinstance(view, FailedCase) else ()
    filled = {name: text for name, text in query if text}
    return render(
        "case.html",
        who=desk.who,
        view=view,
        lines=answer_lines(view) if view is not None and view.extent_mm is not None else [],
        problems=[(label_of(problem.field, form), problem.message) for problem in problems],
        wrong={name_of(problem.field) for problem in problems},
        form=form,
        filled=filled,
        site_id=found.id if found else "",
        site_name=found.name if found else "",
        said_above=SAID_ABOVE,
        cautions=CAUTIONS[1:],
        arranged=None if read is None or read.case is None else read.case.joint.arrangement,
        more_open=any(name in filled for group in form if group.extra for name in (one.name for one in group.fields)),
        never=NEVER,
        query=request.url.query,
    )


@router.get("/arrangements")
def arrangements(desk: DeskDep, site: SiteQuery = None) -> Response:
    """How the parts of a joint meet, with a sketch each."""
    return render("arrangements.html", who=desk.who, page=arrangement_list(site_of(desk, site)))


@router.get("/tables")
def tables(desk: DeskDep, site: SiteQuery = None) -> Response:
    """The rule tables."""
    return render("tables.html", who=desk.who, page=table_list(site_of(desk, site)))


@router.get("/tables/{table_id}")
def table(desk: DeskDep, table_id: TableId, site: SiteQuery = None) -> Response:
    """One rule table in full."""
    return render("rule_table.html", who=desk.who, page=shown_table(desk, table_id, site))


# Files


@router.get("/schedule-template.{kind}")
def template(kind: FileKind) -> Response:
    """An empty schedule to fill in."""
    return file_answer(template_csv() if kind == "csv" else template_xlsx(), kind, "schedule-template")


# Changes


def next_shift_start(site: Site, start_utc: datetime, now: datetime) -> datetime | None:
    """Start of the first shift that begins after the planned start and has not begun yet; None: none in sight."""
    after = max(start_utc, now)
    spans = shifts.spans(site.shifts, site.zone, after, after + LOOK_AHEAD)
    return next((span.start_utc for span in spans if span.start_utc > after), None)


def _change(desk: Desk, site_id: str, mark: str, back: str, write: Callable[[Session], None]) -> Response:
    with writing(desk.engine) as session:
        write(session)
    desk.replan(site_id)
    return see(back_to(back, site_id, did=mark))


@router.post("/sites/{site_id}/state")
def set_state(
    desk: DeskDep, site_id: SiteId, mark: MarkField, action: Annotated[Action, Form()], back: BackField = ""
) -> Response:
    """Mark a joint done, postponed or planned again, or move it to the next shift.

    That a joint is done, or not after all, is the crew's to say; when it is its turn is the planner's.
    """
    now = desk.now()

    def write(session: Session) -> None:
        was = kept.kept_joint(session, site_id, mark).joint.state
        if (action in PLANNING or was == "postponed") and not desk.who.may("plan", site_id):
            raise HTTPException(403, f"When it is {mark}'s turn is for the superintendent to say.")
        if action != "next_shift":
            kept.set_joint_state(session, site_id, mark, action, now=now, by=desk.who.name)
            return
        site, joint = load_site(session, site_id).site, kept.kept_joint(session, site_id, mark).joint
        start_utc = next_shift_start(site, joint.start_utc, now)
        if start_utc is None:
            raise HTTPException(409, f"The site has no shift in the {LOOK_AHEAD.days} days after {mark}'s start.")
        kept.move_joint(session, site_id, mark, start_utc, now=now, by=desk.who.name)

    return _change(desk, site_id, mark, back, write)


@router.post("/sites/{site_id}/undo")
def undo(
    desk: DeskDep,
    site_id: SiteId,
    mark: MarkField,
    number: Annotated[int, Form(ge=1, le=2**31 - 1)],
    back: BackField = "",
) -> Response:
    """Take back the last change by hand of a joint, where it is still that one."""
    now = desk.now()

    def write(session: Session) -> None:
        changes = kept.changes_of(session, site_id, mark)
        if len(changes) != number:
            raise HTTPException(409, f"{mark} was changed again since; look at it before you change it back.")
        last = changes[0]
        if last.field not in ("start_utc", "state"):
            raise HTTPException(409, f"{mark} was changed by hand since; take that back on the schedule's page.")
        if last.field == "start_utc":
            kept.move_joint(session, site_id, mark, datetime.fromisoformat(last.was), now=now, by=desk.who.name)
        else:
            was = next(state for state in JOINT_STATES if state == last.was)
            kept.set_joint_state(session, site_id, mark, was, now=now, by=desk.who.name)

    return _change(desk, site_id, mark, back, write)
