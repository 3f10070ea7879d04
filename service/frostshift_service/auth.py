"""Who may do what: until people have accounts, whoever holds a one-time link printed in the terminal of this machine.

`Door` keeps links and sessions in memory, hashed; a restart ends every session. `Guard` stands before the whole app:
it refuses a foreign host name (so that no other site can reach us by rebinding its name to loopback), a change that was
sent from another site's page, a body that is too large, and everybody without a session; a device that posts air
readings, the answer link of a notice and the link of a crew's calendar pass on to their routes, which ask for a secret.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from frostshift_service.rights import Actor

COOKIE: Final = "frostshift_session"
ENTER_PATH: Final = "/enter"
OPEN_PATHS: Final = ("/static/",)
"""Files of ours that hold nothing of the job; the page that refuses needs its style sheet."""
DEVICE_BYTES: Final = 50_000
"""Longest body of a device's post; 200 readings take less than half of it."""
SESSION: Final = timedelta(days=7)
"""A session ends after this. Our choice."""

_HOST: Final = re.compile(r"(localhost|127\.0\.0\.1|\[::1\])(:[0-9]{1,5})?", re.IGNORECASE)
_SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
_LINK_PATH: Final = re.compile(r"/(answer/[A-Za-z0-9_-]{20,100}|calendar/[A-Za-z0-9_-]{20,100}\.ics)")
_DEVICE_PATH: Final = re.compile(r"/sites/[a-z0-9-]{1,100}/thermometer")

Refuse = Callable[[Request, int, str], Response]
"""Makes the answer to a refused request from its status and a sentence."""


def _digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()


class Door:
    """One-time links and the sessions they opened."""

    def __init__(self) -> None:
        self._links: set[bytes] = set()
        self._sessions: dict[bytes, datetime] = {}

    def new_link(self) -> str:
        """Path and query of a link that opens one session, once."""
        token = secrets.token_urlsafe(32)
        self._links.add(_digest(token))
        return f"{ENTER_PATH}?token={token}"

    def enter(self, token: str, now: datetime) -> str | None:
        """Use a link up: the secret of a new session, or None where the link is not known or was used."""
        link = _digest(token)
        if link not in self._links:
            return None
        self._links.discard(link)
        self._sessions = {key: until for key, until in self._sessions.items() if until > now}
        secret = secrets.token_urlsafe(32)
        self._sessions[_digest(secret)] = now + SESSION
        return secret

    def knows(self, secret: str, now: datetime) -> bool:
        """Whether this is the secret of a session that has not ended."""
        until = self._sessions.get(_digest(secret))
        return until is not None and now < until


class Guard:
    """ASGI middleware that stands before the whole app.

    Attributes:
        app: what it guards.
        door: links and sessions.
        now: reads the clock.
        max_body_bytes: longest body of a request.
        refuse: makes the answer to a refused request.
        pages_url: address under which others reach us; secret links are opened there, too. None: there is none.
    """

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        now: Callable[[], datetime],
        max_body_bytes: int,
        refuse: Refuse,
        pages_url: str | None = None,
    ) -> None:
        self.app = app
        self.door = door
        self.now = now
        self.max_body_bytes = max_body_bytes
        self.refuse = refuse
        self.public_host = None if pages_url is None else urlsplit(pages_url).netloc.lower()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no websockets here
            raise RuntimeError(f"unexpected connection of type {scope['type']}")
        # Whoever passes is known by a name: the holder of a secret is the business of his route.
        scope.setdefault("state", {})["actor"] = Actor("pages", owner=True)
        answer = self._checked(Request(scope))
        if answer is not None and answer.status_code == 413:
            # A browser shows our answer only once it could send its file; we let it and keep nothing.
            while (await receive()).get("more_body", False):
                pass
        await (self.app if answer is None else answer)(scope, receive, send)

    def _checked(self, request: Request) -> Response | None:
        """None where the request may pass."""
        host = request.headers.get("host", "")
        if not (_HOST.fullmatch(host) or (host.lower() == self.public_host and _is_for_anybody(request))):
            return self.refuse(request, 400, "This address is not served here; use localhost or 127.0.0.1.")
        if request.url.path == ENTER_PATH:
            return self._entered(request)
        if request.url.path.startswith(OPEN_PATHS) and request.method in _SAFE_METHODS:
            return None
        if is_device_post(request):
            problem = self._body_problem(request.headers, DEVICE_BYTES)
            return None if problem is None else self.refuse(request, *problem)
        if not self._has_session(request.headers) and not is_secret_link(request):
            return self.refuse(request, 401, "You are not signed in on this browser, or your session has ended.")
        if request.method in _SAFE_METHODS:
            return None
        if not same_origin(request.headers, self.public_host if is_secret_link(request) else None):
            return self.refuse(request, 403, "The form was not sent from one of our own pages; nothing was changed.")
        most_bytes = DEVICE_BYTES if is_secret_link(request) else self.max_body_bytes
        problem = self._body_problem(request.headers, most_bytes)
        return None if problem is None else self.refuse(request, *problem)

    def _body_problem(self, headers: Headers, most_bytes: int) -> tuple[int, str] | None:
        length = headers.get("content-length", "")
        if not length.isdecimal():
            return 411, "The request does not say how long it is."
        if int(length) > most_bytes:
            most = f"{most_bytes / 1e6:.0f} MB" if most_bytes >= 1e6 else f"{most_bytes:,} bytes"
            return 413, f"{'The file' if most_bytes >= 1e6 else 'The post'} is too large: more than {most}."
        return None

    def _has_session(self, headers: Headers) -> bool:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        return COOKIE in cookies and self.door.knows(cookies[COOKIE].value, self.now())

    def _entered(self, request: Request) -> Response:
        fetched_ahead = "prefetch" in request.headers.get("sec-purpose", "")
        secret = None
        if request.method == "GET" and not fetched_ahead:
            secret = self.door.enter(request.query_params.get("token", ""), self.now())
        if secret is None:
            return self.refuse(
                request, 401, "This link is not valid or was used already: a link opens one browser, once."
            )
        answer = RedirectResponse("/", status_code=303)
        answer.set_cookie(COOKIE, secret, max_age=int(SESSION.total_seconds()), httponly=True, samesite="strict")
        return answer


def is_device_post(request: Request) -> bool:
    """Whether this is a device that posts air readings: the one change that is made without a session.

    Its route asks for a token in a header that no form sends, and that a foreign page may not set, so that neither
    cookie nor origin would add anything.
    """
    return request.method == "POST" and _DEVICE_PATH.fullmatch(request.url.path) is not None


def is_secret_link(request: Request) -> bool:
    """Whether this is the answer page of one notice, or the calendar of one crew: their route asks for the secret.

    An answer is still sent from our own page only.
    """
    methods = ("GET", "HEAD", "POST") if request.url.path.startswith("/answer/") else ("GET", "HEAD")
    return request.method in methods and _LINK_PATH.fullmatch(request.url.path) is not None


def _is_for_anybody(request: Request) -> bool:
    """Whether a request needs no session: a secret link, and our files that its page needs."""
    return is_secret_link(request) or (request.url.path.startswith(OPEN_PATHS) and request.method in _SAFE_METHODS)


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
