"""Who is at the door, and whether he may: sessions, one-time links and tokens, and the guard before the whole app.

`door.Door` knows people by what they bring. `Guard` refuses a foreign
host name (so that no other site can reach us by rebinding its name to us), a change that was sent from another site's
page, a body that is too large, and everybody it does not know; `check_right` then holds what the path asks for
(`rights.ASKED`) against what he may do. Paths that stand on a secret of their own (a device's post, an answer link, the
link of a crew) pass on to their routes, which ask for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from math import ceil
from typing import Final
from urllib.parse import urlsplit

from fastapi import HTTPException
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from frostshift_service.door import ENTER_PATH, Door, brought_in, cookie_name, is_secure
from frostshift_service.rate import Limits, address_of
from frostshift_service.rights import ASKED, RIGHTS, Actor
from frostshift_service.store.accounts import digest_of
from frostshift_service.store.records import UnknownSite

OPEN_PATHS: Final = ("/sign-in", "/sign-in/link", ENTER_PATH)
"""Where people come in."""
HEALTH_PATHS: Final = ("/healthz", "/readyz")
"""Asked by what watches over us, by whatever name or number it reaches us: neither host nor session is looked at."""
METRICS_PATH: Final = "/metrics"
STATIC: Final = "/static/"
"""Files of ours that hold nothing of the job; the page that refuses needs its style sheet."""
DEVICE_BYTES: Final = 50_000
"""Longest body of a device's post, and of one with a secret link; 200 readings take less than half of it."""
DRAINED_BYTES: Final = 100_000_000
"""A body that is refused as too large is read, and thrown away, up to here."""

_HOST: Final = re.compile(r"(localhost|127\.0\.0\.1|\[::1\])(:[0-9]{1,5})?", re.IGNORECASE)
_SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
_SECRET: Final = r"[A-Za-z0-9_-]{20,100}"
_LINK_PATH: Final = re.compile(rf"/(answer/{_SECRET}|calendar/{_SECRET}\.ics|crew/{_SECRET}(\.json|/.{{1,300}})?)")
_DEVICE_PATH: Final = re.compile(r"/sites/[^/]{1,300}/thermometer")

NOBODY: Final = Actor("a link")
"""Who passes by a secret alone: his route asks for it, and says whose it is."""

THIS_MACHINE: Final = Actor("this machine", owner=True)
"""Who reads `/metrics`, and nothing else, from this machine without a token."""

Refuse = Callable[[Request, int, str], Response]
"""Makes the answer to a refused request from its status and a sentence."""


class Guard:
    """ASGI middleware that stands before the whole app.

    It leaves who asks in `request.state.actor`, and the browser he is signed in on in `request.state.browser`. A route
    that looks a secret up says with `web.note_secret` whether it opens anything; wrong ones are slowed by that alone.

    Attributes:
        app: what it guards.
        door: knows people.
        max_body_bytes: longest body of a request.
        refuse: makes the answer to a refused request.
        pages_url: address under which others reach us. None: there is none, and this machine's names alone are served.
        limits: how often one client may ask.
        metrics_on_loopback: whether a program on this machine reads `/metrics` without a token.
    """

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        max_body_bytes: int,
        refuse: Refuse,
        limits: Limits,
        pages_url: str | None = None,
        *,
        metrics_on_loopback: bool = False,
    ) -> None:
        self.app = app
        self.door = door
        self.max_body_bytes = max_body_bytes
        self.refuse = refuse
        self.limits = limits
        self.metrics_on_loopback = metrics_on_loopback
        self.pages_url = pages_url
        self.public_host = None if pages_url is None else urlsplit(pages_url).netloc.lower()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no websockets here
            raise RuntimeError(f"unexpected connection of type {scope['type']}")
        request = Request(scope)
        answer = await self._checked(request)
        if answer is not None and answer.status_code == 413 and _is_let_send(request.headers):
            # A browser shows our answer only once it could send its file; we let it and keep nothing.
            while (await receive()).get("more_body", False):
                pass
        try:
            await (self.app if answer is None else answer)(scope, receive, send)
        finally:
            self._note_secret(request)

    def _note_secret(self, request: Request) -> None:
        """Note what the route found: no status says whether it looked the secret up, or what else was not there."""
        right: bool | None = request.state.secret_is_right
        if right is not None:
            secret = _secret_of(request)
            self.limits.was_right(secret) if right else self.limits.was_wrong(_unknown_as(request), secret)

    def _later(self, request: Request, wait_s: float) -> Response | None:
        """The answer to who asks too often; None: he does not."""
        if not wait_s:
            return None
        seconds = ceil(wait_s)
        answer = self.refuse(request, 429, f"Too many requests from here: wait {seconds} s.")
        answer.headers["Retry-After"] = str(seconds)
        return answer

    async def _checked(self, request: Request) -> Response | None:
        """None where the request may pass."""
        request.state.actor, request.state.browser, request.state.secret_is_right = None, None, None
        if request.url.path in HEALTH_PATHS and request.method in ("GET", "HEAD"):
            request.state.actor = NOBODY
            return None
        host = request.headers.get("host", "")
        if not (_HOST.fullmatch(host) or host.lower() == self.public_host):
            return self.refuse(request, 400, "This address is not served here; use localhost or 127.0.0.1.")
        if request.url.path.startswith(STATIC) and request.method in _SAFE_METHODS:
            return None
        if self.metrics_on_loopback and is_metrics_from_here(request):
            request.state.actor = THIS_MACHINE
            return None
        return await self._let_in(request)

    async def _let_in(self, request: Request) -> Response | None:
        unknown, secret = _unknown_as(request), _secret_of(request)
        if secret and (later := self._later(request, self.limits.wait_to_guess_s(unknown, secret))):
            return later
        # A link is itself, whoever opens it: what is written by it stands under the link's name. A device is, too.
        cookie = cookie_name(secure=is_secure(request.headers.get("host", ""), self.pages_url))
        brought = None if secret else brought_in(request.headers, cookie)
        key = secret if brought is None else digest_of(brought.secret)
        client = self.limits.counted_by(key, unknown)
        if later := self._later(request, self.limits.wait_s(client)):  # before anything is looked up
            return later
        found = None if brought is None else await run_in_threadpool(self.door.who, brought)
        if found is not None:
            self.limits.was_right(key)
            if client != key:  # the first time it counts for both
                self.limits.wait_s(key)
        elif brought is not None:
            self.limits.forget(key)
        if found is not None:
            request.state.actor, request.state.browser = found.actor, found.browser
        elif secret or request.url.path in OPEN_PATHS:
            request.state.actor = NOBODY
        else:
            return self.refuse(request, 401, "You are not signed in on this browser, or your session has ended.")
        if request.method in _SAFE_METHODS:
            return None
        without_page = is_device_post(request) or (found is not None and found.browser is None)
        if not without_page and not same_origin(request.headers, self.public_host):
            return self.refuse(request, 403, "The form was not sent from one of our own pages; nothing was changed.")
        problem = self._body_problem(request.headers, self.max_body_bytes if found is not None else DEVICE_BYTES)
        return None if problem is None else self.refuse(request, *problem)

    def _body_problem(self, headers: Headers, most_bytes: int) -> tuple[int, str] | None:
        length = headers.get("content-length", "")
        # A body in chunks may be of any length, whatever length is stated beside it (RFC 9112, 6.3).
        if not length.isdecimal() or "transfer-encoding" in headers:
            return 411, "The request does not say how long it is."
        if int(length) > most_bytes:
            most = f"{most_bytes / 1e6:.0f} MB" if most_bytes >= 1e6 else f"{most_bytes:,} bytes"
            return 413, f"{'The file' if most_bytes >= 1e6 else 'The post'} is too large: more than {most}."
        return None


def _address(request: Request) -> str:
    return address_of(request.client.host if request.client else None)


def _unknown_as(request: Request) -> str:
    """Whom what nobody knows is counted for: his address; programs and devices apart from people and their links.

    A device with a dead token that nobody looks after must keep nobody from his link, or from signing in.
    """
    is_program = not is_secret_link(request) and "authorization" in request.headers
    return f"program {_address(request)}" if is_program or is_device_post(request) else _address(request)


def _secret_of(request: Request) -> str:
    """What stands for a secret that only a route looks up, a link's or a device's; empty where there is none."""
    if is_secret_link(request):
        return digest_of(re.split(r"[/.]", request.url.path)[2])
    return digest_of(request.headers.get("authorization", "")) if is_device_post(request) else ""


def _is_let_send(headers: Headers) -> bool:
    """Whether a refused body is read to its end; who asks before he sends, or sends without end, is not waited for."""
    return int(headers["content-length"]) <= DRAINED_BYTES and "expect" not in headers


async def check_right(request: Request) -> None:
    """Refuse where whoever asks may not do what the path is for; stands before every route of the app.

    Not in a thread: whether we are alive is answered while all threads are at work.

    A site at which he is nothing is not there for him, so that nobody learns which sites there are.

    Raises:
        HTTPException: he may not.
        UnknownSite: the site is not there for him.
    """
    actor: Actor = request.state.actor
    asked = ASKED.get(f"{request.method} {request.scope['route'].path}")
    if asked in ("open", "link", "device"):
        return
    site_id: str = request.path_params.get("site_id") or request.query_params.get("site") or ""
    if site_id and not actor.knows(site_id):
        raise UnknownSite(f"there is no site {site_id!r}")
    if asked == "signed_in":
        may = True
    elif asked == "account":
        may = actor.account_id is not None
    elif asked == "watch_some":
        may = actor.owner or any("watch" in rights for rights in actor.rights.values())
    elif asked in RIGHTS:
        may = bool(site_id) and actor.may(asked, site_id)
    else:  # `own`, and a path that nobody put into the table
        may = asked == "own" and actor.owner
    if not may:
        raise HTTPException(403, "You may not do this here; ask the superintendent, or the owner of this installation.")


def is_device_post(request: Request) -> bool:
    """Whether this is a device that posts air readings: the one change that is made without a session.

    Its route asks for a token in a header that no form sends, and that a foreign page may not set, so that neither
    cookie nor origin would add anything.
    """
    return request.method == "POST" and _DEVICE_PATH.fullmatch(request.url.path) is not None


def is_metrics_from_here(request: Request) -> bool:
    """Whether a program on this machine asks for `/metrics`, directly.

    What a proxy on this machine hands on also comes from here: it has another host's name, or says for whom it asks.
    """
    handed_on = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-real-ip")
    return (
        request.method == "GET"
        and request.url.path == METRICS_PATH
        and request.client is not None
        and request.client.host in ("127.0.0.1", "::1")
        and _HOST.fullmatch(request.headers.get("host", "")) is not None
        and not any(name in request.headers for name in handed_on)
    )


def is_secret_link(request: Request) -> bool:
    """Whether this is the answer page of a notice, or the calendar or pages of a crew: their route asks for the secret.

    What is written by it is still sent from our own page only.
    """
    reads_only = request.url.path.startswith("/calendar/")
    methods = ("GET", "HEAD") if reads_only else ("GET", "HEAD", "POST")
    return request.method in methods and _LINK_PATH.fullmatch(request.url.path) is not None


def same_origin(headers: Headers, public_host: str | None = None) -> bool:
    """Whether a browser says that the request comes from a page of this very address.

    `public_host` counts as this address, where something stands between that gives us another host's name.

    Browsers send `Origin` with every form that changes something, and `Sec-Fetch-Site` with every request. Neither
    means no browser, or one that hides where it comes from: refused.
    """
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    if origin is not None:
        return urlsplit(origin).scheme in ("http", "https") and (
            urlsplit(origin).netloc in (headers.get("host"), public_host)
        )
    return site is not None
