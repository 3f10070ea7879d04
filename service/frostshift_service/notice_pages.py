"""Notices: what was told, to whom, who answered; who hears what; the answer link and the crew calendar.

The answer page and the calendar are opened with a secret link of their own and without a session: whoever holds it can
say that a notice was seen, or read one crew's times, and nothing else.
"""

from __future__ import annotations

from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Form, HTTPException, Path, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from frostshift_service.pages import render
from frostshift_service.stock_form import names_of
from frostshift_service.store import crew_links as links
from frostshift_service.store import notices as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import joints_of
from frostshift_service.store.notice_links import by_answer_token
from frostshift_service.store.records import KeptNotice
from frostshift_service.store.sites import load_site
from frostshift_service.views.crew_calendar import crew_calendar
from frostshift_service.views.desk import Desk, show_for
from frostshift_service.views.files import csv_bytes
from frostshift_service.views.notice_text import Envelope, notice_words
from frostshift_service.views.notices import NoticesPage, PeoplePage, log_table, notices_page, people_page
from frostshift_service.web import DeskDep, SiteId, file_answer, log_change, note_secret

router = APIRouter()

NEWEST: Final = 50
"""Notices that the page shows."""
LOG_LINES: Final = 200
"""Lines of the log that the page shows; the CSV has `LOG_FILE_LINES`."""
LOG_FILE_LINES: Final = 20_000

_ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site"},
}
Number = Annotated[int, Path(ge=1, le=2**31 - 1, description="number of a notice")]
Token = Annotated[str, Path(max_length=200)]
Typed = Annotated[str, Form(max_length=300)]


def _page(desk: Desk, site_id: str, *, numbers: tuple[int, ...] = (), log_lines: int = LOG_LINES) -> NoticesPage:
    """The newest notices and the log; with `numbers` those alone, and what the log says of them."""
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        setup = kept.load_setup(session, site_id)
        if numbers:
            notices = [_of_site(kept.notice_by_number(session, number), site_id) for number in numbers]
            log = [
                line for number in numbers for line in kept.log_of(session, site_id, newest=log_lines, number=number)
            ]
        else:
            notices = kept.notices_of(session, site_id, newest=NEWEST)
            log = kept.log_of(session, site_id, newest=log_lines)
        deliveries = kept.deliveries_of(session, [one.number for one in notices])
    names = names_of(site.site)
    return notices_page(site, setup, notices, deliveries, log, names, desk.show(site), desk.now())


def _of_site(notice: KeptNotice, site_id: str) -> KeptNotice:
    if notice.site_id != site_id:
        raise HTTPException(404, f"There is no notice {notice.number} of this site.")
    return notice


@router.get("/sites/{site_id}/notices", include_in_schema=False)
def notices(desk: DeskDep, site_id: SiteId) -> HTMLResponse:
    """What was told, the newest first, and the log."""
    return render("notices.html", who=desk.who, page=_page(desk, site_id))


@router.get("/sites/{site_id}/notices.json", responses=_ERRORS)
def notices_json(desk: DeskDep, site_id: SiteId) -> NoticesPage:
    """What was told, the newest first, and the log."""
    return _page(desk, site_id)


@router.get("/sites/{site_id}/notices.csv", responses=_ERRORS, response_class=Response)
def notices_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """The log as CSV (UTF-8 with its mark)."""
    return file_answer(
        csv_bytes(log_table(_page(desk, site_id, log_lines=LOG_FILE_LINES))), "csv", f"{site_id}-notices"
    )


@router.get("/sites/{site_id}/notices/{number}", include_in_schema=False)
def notice(desk: DeskDep, site_id: SiteId, number: Number) -> HTMLResponse:
    """One notice: its text to copy, to whom it goes, what became of it."""
    page = _page(desk, site_id, numbers=(number,))
    return render("notice.html", who=desk.who, page=page, one=page.notices[0], log=page.log)


@router.post("/sites/{site_id}/notices/{number}/answer", include_in_schema=False)
def answer(desk: DeskDep, site_id: SiteId, number: Number) -> RedirectResponse:
    """Somebody at the pages has seen it."""
    with writing(desk.engine) as session:
        _of_site(kept.notice_by_number(session, number), site_id)
        kept.answer(session, number, by=desk.who.name, how="page", now=desk.now())
    return RedirectResponse(f"/sites/{quote(site_id, safe='')}/notices/{number}", status_code=303)


# Who hears what


def _people(desk: Desk, site_id: str) -> PeoplePage:
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        setup = kept.load_setup(session, site_id)
        problems = {one.address_key: one.reason for one in kept.switched_off(session, site_id)}
        crews = [joint.crew for joint in joints_of(session, site_id)]
        calendars = [one for one in links.crew_links_of(session, site_id, "calendar") if one.revoked_utc is None]
        pages = links.crew_links_of(session, site_id, "page")
    return people_page(site, setup, problems, crews, calendars, pages, desk.show(site))


@router.get("/sites/{site_id}/people", include_in_schema=False)
def people(desk: DeskDep, site_id: SiteId) -> HTMLResponse:
    """Who hears what."""
    return render("people.html", who=desk.who, page=_people(desk, site_id), said="", link="", link_crew="")


@router.get("/sites/{site_id}/people.json", responses=_ERRORS)
def people_json(desk: DeskDep, site_id: SiteId) -> PeoplePage:
    """Who hears what; addresses are shortened."""
    return _people(desk, site_id)


@router.post("/sites/{site_id}/people/test", include_in_schema=False)
def send_test(
    desk: DeskDep, site_id: SiteId, person: Typed, address: Annotated[int, Form(ge=1, le=100)]
) -> HTMLResponse:
    """Send a test message, once, and say what became of it."""
    said = desk.planner.send_test(site_id, person, address)
    return render("people.html", who=desk.who, page=_people(desk, site_id), said=said, link="", link_crew="")


@router.post("/sites/{site_id}/people/calendar", include_in_schema=False)
def calendar_link(request: Request, desk: DeskDep, site_id: SiteId, crew: Typed = "") -> HTMLResponse:
    """A new calendar link of a crew, shown once."""
    page = _people(desk, site_id)
    if crew and crew not in page.crews:
        raise HTTPException(422, f"There is no crew {crew!r} in the schedule; there are {', '.join(page.crews)}.")
    with writing(desk.engine) as session:
        token = links.new_crew_token(session, site_id, "calendar", crew, now=desk.now(), by=desk.who.name)
        log_change(session, desk, "calendar link made", crew or "all crews", site_id)
    page = _people(desk, site_id)
    base = request.app.state.settings.pages_url or str(request.base_url)
    link = f"{base.rstrip('/')}/calendar/{token}.ics"
    return render("people.html", who=desk.who, page=page, said="", link=link, link_crew=crew)


@router.post("/sites/{site_id}/people/calendar/{link_id}/revoke", include_in_schema=False)
def revoke_link(desk: DeskDep, site_id: SiteId, link_id: Number) -> RedirectResponse:
    """End a calendar link."""
    with writing(desk.engine) as session:
        ended = links.revoke_crew_link(session, site_id, "calendar", link_id, now=desk.now(), by=desk.who.name)
        log_change(session, desk, "calendar link ended", ended.crew or "all crews", site_id)
    return RedirectResponse(f"/sites/{quote(site_id, safe='')}/people#calendar", status_code=303)


# By secret link


@router.api_route("/calendar/{token}.ics", methods=["GET", "HEAD"], include_in_schema=False)
def calendar(request: Request, desk: DeskDep, token: Token) -> Response:
    """Light-up times and weather stops of one crew."""
    with reading(desk.engine) as session:
        found = links.crew_of(session, "calendar", token)
        note_secret(request, right=found is not None)
        if found is None:
            raise HTTPException(404, "This calendar link is not valid any more.")
        site = load_site(session, found.site_id)
    plan = desk.planner.current_plan(found.site_id)
    if plan is None:
        raise HTTPException(404, "Nothing is planned yet.")
    content = crew_calendar(plan, found.crew, show_for(site).system, desk.now())
    return Response(content, media_type="text/calendar; charset=utf-8")


@router.get("/answer/{token}", include_in_schema=False)
def answer_page(request: Request, desk: DeskDep, token: Token) -> HTMLResponse:
    """The notice, and a button to say that it was seen. Opening alone answers nothing: mail programs open links."""
    return _answer_page(request, desk, token, answer_it=False)


@router.post("/answer/{token}", include_in_schema=False)
def answer_by_link(request: Request, desk: DeskDep, token: Token) -> HTMLResponse:
    """The holder of the link has seen it."""
    return _answer_page(request, desk, token, answer_it=True)


def _answer_page(request: Request, desk: Desk, token: str, *, answer_it: bool) -> HTMLResponse:
    now = desk.now()
    with writing(desk.engine) as session:
        linked = by_answer_token(session, token)
        note_secret(request, right=linked is not None)
        if linked is None:
            raise HTTPException(404, "This link is not valid any more.")
        found, delivery = linked
        setup = kept.load_setup(session, found.site_id)
        person = setup.person(delivery.person_id)
        by = person.name if person is not None else delivery.person_id
        if answer_it:
            found = kept.answer(session, delivery.number, by=by, how="link", now=now)
        else:
            kept.mark_seen(session, delivery.number, by=by, how="link", now=now)
        site = load_site(session, found.site_id)
    show = show_for(site)
    names = names_of(site.site)
    units = person.units if person is not None else show.system
    words = notice_words(found.notice, units, Envelope(site.site.name, site.site.zone, found.number, kinds=names), now)
    answered = ""
    if found.answered_utc is not None:
        answered = f"{found.answered_by}, {show.moment(found.answered_utc).text}"
    return render(
        "answer.html",
        who=desk.who,
        number=found.number,
        first_line=words.first_line,
        text=words.text,
        answered=answered,
    )
