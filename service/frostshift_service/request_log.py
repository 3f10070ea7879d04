"""One line in the log, and one measurement, for every request; its id goes with all lines in between."""

from __future__ import annotations

import logging
import re
import secrets
from time import perf_counter
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from frostshift_service.log_lines import about
from frostshift_service.metrics import REQUEST_SECONDS

log = logging.getLogger(__name__)

ID_HEADER: Final = "X-Request-Id"
QUIET: Final = ("/static", "/healthz", "/readyz", "/metrics")
"""Routes that are asked all the time and say nothing of the work: in the log only where they fail, or with `debug`."""
UNROUTED: Final = "(none)"
"""Instead of a template where a request was refused before, or no route knows its path."""

_PLAIN_ID: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")
_SITE: Final = re.compile(r"/sites/([^/]{1,100})(?:/|$)")
_METHODS: Final = ("GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE")


class RequestLog:
    """ASGI middleware around the whole app."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and write down how it went."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        asked = Headers(scope=scope).get(ID_HEADER, "")
        request_id = asked if _PLAIN_ID.fullmatch(asked) else secrets.token_hex(8)
        began_s, status = perf_counter(), 0  # 0: the connection ended before there was an answer

        async def sending(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)[ID_HEADER] = request_id
            await send(message)

        site = _SITE.match(scope["path"])
        with about(request=request_id, site=site and site[1]):
            try:
                await self.app(scope, receive, sending)
            finally:
                _write(scope, status, perf_counter() - began_s)


def _write(scope: Scope, status: int, seconds: float) -> None:
    method = scope["method"] if scope["method"] in _METHODS else "other"
    route = "/static" if scope["path"].startswith("/static/") else getattr(scope.get("route"), "path", UNROUTED)
    REQUEST_SECONDS.labels(method, route, str(status)).observe(seconds)
    level = logging.DEBUG if route in QUIET and status < 400 else logging.INFO
    with about(method=method, route=route, status=status, ms=round(seconds * 1000, 1)):
        log.log(level, "answered" if status else "not answered")
