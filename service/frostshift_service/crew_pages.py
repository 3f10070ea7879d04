"""The page of one crew, opened by its secret link and without a session; the links, and the poster with the code.

Whoever holds a link can read this crew's sheet and write readings on its joints, and nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Form, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool

from frostshift_service.air_post import PostError
from frostshift_service.pages import new_entry_key, render, see
from frostshift_service.reading_entry import read_entries, read_form
from frostshift_service.reading_log import take, take_typed
from frostshift_service.readings_pages import POSTED, TakenIn, answer_of, form_fields, kept_or_refused, no_list, zone_of
from frostshift_service.rights import Actor
from frostshift_service.store import crew_links as links
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.records import CrewLink
from frostshift_service.store.sites import load_site
from frostshift_service.views.crew import CrewJointPage, CrewPage, code_svg
from frostshift_service.views.desk import Desk
from frostshift_service.views.words import crew_text
from frostshift_service.web import DeskDep, SiteId, log_change, note_secret

router = APIRouter()

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {404: {"description": "no such link, or one that was ended"}}
Token = Annotated[str, Path(max_length=200, description="secret of a crew's link")]
Number = Annotated[int, Path(ge=1, le=2**31 - 1)]
Typed = Annotated[str, Form(max_length=300)]


def _link_of(request: Request, desk: Desk, token: str) -> CrewLink:
    with reading(desk.engine) as session:
        found = links.crew_of(session, "page", token)
    note_secret(request, right=found is not None)
    if found is None:
        raise HTTPException(404, "This link does not open anything any more: ask the superintendent for a new one.")
    return found


def _desk_of(desk: Desk, link: CrewLink) -> Desk:
    """The desk of whoever holds a link: he sees its site, in the site's units."""
    rights = {link.site_id: frozenset[Any]({"see", "work"})}
    return replace(desk, who=Actor(f"link of {crew_text(link.crew)}", rights=rights))


def crew_url(token: str, mark: str = "") -> str:
    """Path of a crew's page, or of one of its joints."""
    return f"/crew/{quote(token, safe='')}" + (f"/joints/{quote(mark, safe='')}" if mark else "")


# By secret link -------------------------------------------------------------------------------------------------------


@router.get("/crew/{token}.json", responses=_ERRORS)
def crew_json(request: Request, desk: DeskDep, token: Token) -> CrewPage:
    """The sheet of the crew of a link."""
    link = _link_of(request, desk, token)
    return _desk_of(desk, link).crew(link.site_id, link.crew)


@router.get("/crew/{token}", include_in_schema=False)
def crew(request: Request, desk: DeskDep, token: Token) -> HTMLResponse:
    """The sheet of the crew of a link."""
    link = _link_of(request, desk, token)
    own = _desk_of(desk, link)
    page = own.crew(link.site_id, link.crew)
    return render("crew.html", who=own.who, page=page, crew_url=crew_url, token=token, entry_key=new_entry_key())


@router.get("/crew/{token}/joints/{mark:path}.json", responses=_ERRORS)
def crew_joint_json(request: Request, desk: DeskDep, token: Token, mark: str) -> CrewJointPage:
    """One joint of the crew of a link."""
    link = _link_of(request, desk, token)
    return _desk_of(desk, link).crew_joint(link.site_id, link.crew, mark)


@router.get("/crew/{token}/joints/{mark:path}", include_in_schema=False)
def crew_joint(
    request: Request, desk: DeskDep, token: Token, mark: str, reading: Annotated[int, Query(ge=0, le=2**31 - 1)] = 0
) -> HTMLResponse:
    """One joint of the crew of a link; `reading` is the one that was written down just now."""
    link = _link_of(request, desk, token)
    own = _desk_of(desk, link)
    page = own.crew_joint(link.site_id, link.crew, mark)
    lines = () if page.card is None else page.card.readings
    return render(
        "crew_joint.html",
        who=own.who,
        page=page,
        said=next((one for one in lines if one.id == reading), None),
        crew_url=crew_url,
        token=token,
        entry_key=new_entry_key(),
    )


@router.post("/crew/{token}/readings", include_in_schema=False)
async def write_down(request: Request, desk: DeskDep, token: Token) -> RedirectResponse:
    """Keep one reading of the form, and show what it means."""
    fields = await form_fields(request)

    def kept() -> tuple[int, str]:
        link = _link_of(request, desk, token)
        own = _desk_of(desk, link)
        entry = read_form(fields, zone_of(own, link.site_id), own.now(), by="")
        taken = take_typed(own, link.site_id, entry, entered_by=own.who.name, crew=link.crew)
        return kept_or_refused(taken), taken.mark

    reading_id, mark = await run_in_threadpool(kept)
    return see(f"{crew_url(token, mark)}?reading={reading_id}")


@router.post("/crew/{token}/readings.json", responses=_ERRORS, response_model=TakenIn, openapi_extra=POSTED)
async def post_readings(request: Request, desk: DeskDep, token: Token) -> Response:
    """Keep readings on joints of the crew, each by itself, as `POST /sites/{site_id}/readings.json` does."""
    data = await request.body()

    def answered() -> Response:
        link = _link_of(request, desk, token)
        own = _desk_of(desk, link)
        try:
            entries = read_entries(data, zone_of(own, link.site_id), own.now(), by="")
        except PostError as error:
            return no_list(error)
        return answer_of(entries, take(own, link.site_id, entries, entered_by=own.who.name, crew=link.crew))

    return await run_in_threadpool(answered)


# Making and ending links ----------------------------------------------------------------------------------------------


@router.post("/sites/{site_id}/people/crew-pages", include_in_schema=False)
def make_link(request: Request, desk: DeskDep, site_id: SiteId, crew: Typed = "") -> HTMLResponse:
    """A new link to the page of a crew, shown once, as a poster with its code."""
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        crews = sorted({joint.crew for joint in joints_of(session, site_id)})
    if crew not in crews:
        there = ", ".join(crew_text(one) for one in crews)
        raise HTTPException(422, f"There is no {crew_text(crew)} in the schedule; there are: {there or 'none'}.")
    now = desk.now()
    with writing(desk.engine) as session:
        token = links.new_crew_token(session, site_id, "page", crew, now=now, by=desk.who.name)
        log_change(session, desk, "crew page made", crew_text(crew), site_id)
    base = request.app.state.settings.pages_url or str(request.base_url)
    link = f"{base.rstrip('/')}{crew_url(token)}"
    return render(
        "crew_poster.html",
        who=desk.who,
        site_id=site_id,
        site_name=site.site.name,
        crew_text=crew_text(crew),
        link=link,
        code=Markup(code_svg(link)),  # of our own making; the address stands in it as dark and light squares alone
        made=desk.show(site).moment(now, detail="year"),
        made_by=desk.who.name,
    )


@router.post("/sites/{site_id}/people/crew-pages/{link_id}/revoke", include_in_schema=False)
def end_link(desk: DeskDep, site_id: SiteId, link_id: Number) -> RedirectResponse:
    """End a link."""
    with writing(desk.engine) as session:
        ended = links.revoke_crew_link(session, site_id, "page", link_id, now=desk.now(), by=desk.who.name)
        log_change(session, desk, "crew page ended", crew_text(ended.crew), site_id)
    return see(f"/sites/{quote(site_id, safe='')}/people#crew-pages")
