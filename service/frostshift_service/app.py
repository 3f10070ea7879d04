"""The web door: one app from its parts, with its guard, its headers and its error pages."""

from __future__ import annotations

import logging
import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from http import HTTPStatus
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from sqlalchemy import Engine
from sqlalchemy.exc import DataError
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from frostshift_service import (
    account_pages,
    api,
    compare_pages,
    crew_pages,
    gas_order_pages,
    notice_pages,
    openapi_doc,
    order_pages,
    outside_pages,
    pages,
    print_pages,
    readings_pages,
    schedule_pages,
    set_up_pages,
    start_hours_pages,
    stock_pages,
    thermometer,
)
from frostshift_service.auth import Guard, check_right, is_device_post, is_secret_link
from frostshift_service.door import Door, is_secure
from frostshift_service.metrics import count_error
from frostshift_service.rate import Limits
from frostshift_service.readiness import Readiness, StillS
from frostshift_service.request_log import RequestLog
from frostshift_service.rights import Actor
from frostshift_service.senders import Mailer
from frostshift_service.settings import Settings
from frostshift_service.store.accounts import UnknownAccount
from frostshift_service.store.engine import is_busy, waited_for
from frostshift_service.store.records import (
    StoreError,
    UnknownJoint,
    UnknownNotice,
    UnknownRun,
    UnknownSite,
    UnknownToken,
)
from frostshift_service.views.desk import Desk, NoPlan, Planner, TooMuchAsked, UnknownShift
from frostshift_service.web import problem_answer, sentence

log = logging.getLogger(__name__)

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not `no-referrer`: with it a browser sends `Origin: null` with our own forms, and the guard refuses them.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
HTTPS_ONLY: Final = "max-age=31536000"
TITLES: Final = {
    401: "Not signed in",
    403: "Not allowed",
    404: "Not there",
    405: "Not done this way",
    409: "Changed meanwhile",
    413: "Too large",
    422: "Cannot be taken in",
    429: "Too often",
    500: "Something went wrong here",
    503: "Not just now",
}
"""Headings of error pages where the standard's own phrase says nothing to people."""
ROUTERS: Final = (
    api,
    thermometer,
    gas_order_pages,
    compare_pages,
    start_hours_pages,
    order_pages,
    stock_pages,
    notice_pages,
    readings_pages,
    crew_pages,
    schedule_pages,
    print_pages,
    set_up_pages,
    account_pages,
    outside_pages,
    pages,
)
"""The modules whose routes make the app; a path that two of them know is the first one's."""
FORM_BYTES: Final = 100_000
"""Room for what a form sends beside its file."""
BUSY: Final = "The database is busy and did not get to it in time. Try again in a moment."
BUSY_WITH_A_CHANGE: Final = (
    "The database is busy and did not get to it in time. Nothing was saved half: in a moment, look whether it is there "
    "before you enter it again."
)
"""Where something is sent in: it may be kept already when what comes after it takes too long."""
_SITE_PATH: Final = re.compile(r"/sites/(?P<id>[^/]+)(?P<rest>/.*)?")


def _nothing() -> None:
    pass


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """What is wrong with one field of a request."""

    field: str
    message: str


def wants_data(request: Request) -> bool:
    """Whether an error is answered as JSON: a path for programs, a token, or a caller that takes JSON and no HTML."""
    if is_device_post(request) or "authorization" in request.headers:
        return True
    accept = request.headers.get("accept", "")
    path = request.url.path
    if path.endswith((".json", ".csv", ".xlsx")):
        return True
    return "text/html" not in accept and ("application/json" in accept or path.endswith((".ics", ".pdf")))


@dataclass(frozen=True, slots=True)
class WayOn:
    """Where an error page leads: an address, and the words of its link."""

    href: str
    text: str


def way_on(path: str, who: Actor | None) -> WayOn:
    """From a page that is not there or not allowed: to the sheet of its site, for who knows it, else to the sites.

    Args:
        path: that was asked for, decoded.
        who: asks.
    """
    site = _SITE_PATH.match(path)
    if site is None or who is None or not who.may("see", site["id"]) or site["rest"] == "/morning":
        return WayOn("/", "To the sites")
    return WayOn(f"/sites/{quote(site['id'], safe='')}/morning", "To the morning sheet of the site")


def error_answer(
    request: Request, status: int, message: str, problems: Sequence[FieldProblem] = (), *, site_is_there: bool = True
) -> Response:
    """An error as JSON or as a page, without a word of what happened inside.

    Args:
        request: that is answered.
        status: of HTTP.
        message: a sentence for people.
        problems: fields that are wrong.
        site_is_there: whether the site of the path may be linked to.
    """
    if wants_data(request):
        answer: Response = problem_answer(status, message, [asdict(one) for one in problems])
    elif status == HTTPStatus.UNAUTHORIZED:
        answer = account_pages.sign_in_page_for(request, message)
    else:
        who = getattr(request.state, "actor", None)
        title = TITLES.get(status) or HTTPStatus(status).phrase
        on = None if is_secret_link(request) else way_on(request.scope["path"] if site_is_there else "", who)
        answer = pages.render(
            "error.html", status, who=who, code=status, title=title, message=message, problems=problems, on=on
        )
    if status == HTTPStatus.UNAUTHORIZED:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


class _Headers:
    """ASGI middleware that puts `HEADERS` on every answer, and `no-store` on everything but the static files.

    Over https a browser is told never to come without it (RFC 6797); other names of the domain are not ours to say.
    """

    def __init__(self, app: ASGIApp, pages_url: str | None = None) -> None:
        self.app, self.pages_url = app, pages_url

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if is_secure(Headers(scope=scope).get("host", ""), self.pages_url):
                    headers["Strict-Transport-Security"] = HTTPS_ONLY
                headers["Cache-Control"] = "no-cache" if scope["path"].startswith("/static/") else "no-store"
            await send(message)

        await self.app(scope, receive, sending if scope["type"] == "http" else send)


def shown_path(path: str) -> str:
    """A path without the secret of a link in it."""
    return re.sub(r"^(/(?:crew|answer|calendar)/)[^/.]+", r"\1...", path)


class _LastResort:
    """ASGI middleware that turns an error nobody expected into a logged traceback and a plain page."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, sending)
        except ClientDisconnect:
            log.info("%s %r: the connection ended before the request did", scope["method"], shown_path(scope["path"]))
        except Exception as error:
            if scope["type"] != "http" or started:
                raise
            if is_busy(error):
                log.warning("%s %r: the database is busy", scope["method"], shown_path(scope["path"]))
                only_looks = scope["method"] in ("GET", "HEAD")
                answer = error_answer(Request(scope), 503, BUSY if only_looks else BUSY_WITH_A_CHANGE)
                answer.headers["Retry-After"] = "5"
                await answer(scope, receive, send)
                return
            count_error("request")
            log.exception("%s %r failed", scope["method"], shown_path(scope["path"]))  # a path may hold a line end
            message = "Something went wrong here; it is written in the log. Nothing was saved half."
            answer = error_answer(Request(scope), 500, message)
            await answer(scope, receive, send)


def create_app(
    settings: Settings,
    engine: Engine,
    now: Callable[[], datetime],
    jobs: Planner,
    *,
    mailer: Mailer | None = None,
    start: Callable[[], None] = _nothing,
    stop: Callable[[], None] = _nothing,
    still_s: StillS | None = None,
) -> FastAPI:
    """The app. `app.state.door.new_link()` gives a link to get in.

    Args:
        settings: of the service.
        engine: of the store.
        now: reads the clock, aware UTC.
        jobs: holder of the latest plans.
        mailer: sends links to sign in; None: no mail is sent.
        start: called when the app starts to serve, such as the start of the loops.
        stop: called when it ends.
        still_s: seconds since each of the loops moved; None: none are run here.
    """
    desk = Desk(waited_for(engine), jobs, now)
    door = Door(lambda: app.state.desk.engine, now)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        await run_in_threadpool(start)
        try:
            yield
        finally:
            await run_in_threadpool(stop)

    app = FastAPI(
        title="Frostshift",
        version=version("frostshift"),
        summary="Preheat workload for winter steel crews.",
        description="Every page as JSON at the same path plus `.json`. Temperatures in °C, masses in kg, gas volumes "
        "in m3 at 15 °C and 101.325 kPa, times in UTC; `text` fields hold the same in the site's units and clock.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        dependencies=[Depends(check_right)],
    )
    app.state.desk, app.state.door, app.state.settings, app.state.mailer = desk, door, settings, mailer
    app.state.readiness = Readiness(lambda: app.state.desk.engine, still_s)
    for module in ROUTERS:
        app.include_router(module.router)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    _add_error_answers(app)
    openapi_doc.install(app)
    # The last added stands first: the log, headers, then the last resort, then the guard.
    app.add_middleware(
        Guard,
        door=door,
        max_body_bytes=settings.schedule_bytes + FORM_BYTES,
        refuse=error_answer,
        limits=Limits(settings.requests_per_second),
        pages_url=settings.pages_url,
        metrics_on_loopback=settings.metrics_on_loopback,
    )
    app.add_middleware(_LastResort)
    app.add_middleware(_Headers, pages_url=settings.pages_url)
    app.add_middleware(RequestLog)
    return app


def _field(location: Sequence[Any]) -> str:
    """The name of a field without the part of the request it stands in."""
    return ".".join(str(part) for part in location[1:]) or "request"


def _add_error_answers(app: FastAPI) -> None:
    @app.exception_handler(HTTPException)
    def refused(request: Request, error: HTTPException) -> Response:
        message = "There is no such page." if error.status_code == 404 and error.detail == "Not Found" else error.detail
        return error_answer(request, error.status_code, message)

    @app.exception_handler(RequestValidationError)
    def not_understood(request: Request, error: RequestValidationError) -> Response:
        problems = [
            FieldProblem(_field(one["loc"]), f"{one['msg']}; got {str(one.get('input'))[:80]!r}")
            for one in error.errors()
        ]
        return error_answer(request, 422, "The request was not understood; nothing was changed.", problems)

    @app.exception_handler(DataError)
    def cannot_be_kept(request: Request, error: DataError) -> Response:
        log.info("the database refuses a value: %s", type(error.orig).__name__)
        return error_answer(request, 422, "Something in it cannot be kept, such as a letter that is none (NUL).")

    @app.exception_handler(StoreError)
    def store_refused(request: Request, error: StoreError) -> Response:
        if isinstance(error, NoPlan) and not wants_data(request) and not is_secret_link(request):
            # Every page that shows a plan leads to where one begins: the schedule, to be loaded.
            return pages.see(f"/sites/{request.path_params['site_id']}/schedule")
        missing = isinstance(
            error,
            UnknownSite
            | UnknownJoint
            | UnknownNotice
            | UnknownAccount
            | UnknownShift
            | UnknownToken
            | UnknownRun
            | NoPlan,
        )
        code = 404 if missing else 422 if isinstance(error, TooMuchAsked) else 409
        return error_answer(request, code, sentence(error), site_is_there=not isinstance(error, UnknownSite))
