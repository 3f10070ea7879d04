"""How the pages are served: how many connections there may be, and how long one may keep us waiting.

uvicorn waits for ever for a client that sends its request a byte now and then, or does not take its answer; each holds
a connection and what was read of it. Here such a client is cut off. Where a reverse proxy stands before us it takes
whole requests first, and its own limits count.
"""

from __future__ import annotations

import asyncio
import logging
from typing import Any, Final

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

log = logging.getLogger(__name__)

MOST_CONNECTIONS: Final = 500
"""With more, requests are answered 503 at once; a process usually may have 1,024 files open."""
HEAD_S: Final = 15.0
"""From the first byte of a request, or from the connection on, until its last header."""
BODY_S: Final = 30.0
"""So long a body may take, and more by its length: see `LEAST_BODY_RATE`."""
LEAST_BODY_RATE: Final = 10_000
"""Slowest line that a file gets through [bytes/s]; a schedule of 5 MB takes nine minutes then. Our choice."""
LONGEST_BODY: Final = 100_000_000
"""A stated length counts up to here [bytes]."""
KEPT_S: Final = 75
"""So long an idle connection stays open: longer than proxies keep theirs (a minute; common practice, no source), so
that none is closed in the moment in which the next request is sent on it."""
TAKEN_S: Final = 30.0
LEAST_TAKEN: Final = 30_000
"""A client that takes less of its answer than this [bytes] in `TAKEN_S` is cut off."""


class Connection(H11Protocol):
    """One connection, with a limit to each wait for the other side."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self._waits: tuple[str, object] = ("", None)
        self._timer: asyncio.TimerHandle | None = None
        self._taking: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """As uvicorn has it, and the wait for a request begins."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """As uvicorn has it; then see what is waited for."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """As uvicorn has it; nothing is waited for any more."""
        super().connection_lost(exc)
        for timer in (self._timer, self._taking):
            if timer is not None:
                timer.cancel()

    def pause_writing(self) -> None:
        """The client takes its answer more slowly than we write it."""
        super().pause_writing()
        if self._taking is None:
            self._taking = self.loop.call_later(TAKEN_S, self._look_how_much_was_taken, self._unsent())

    def resume_writing(self) -> None:
        """It has taken nearly all of it."""
        super().resume_writing()
        if self._taking is not None:
            self._taking.cancel()
            self._taking = None

    def _watch(self) -> None:
        """A new wait gets its time; one that goes on keeps what is left of it, whatever trickles in."""
        states = {h11.IDLE: ("head", None), h11.SEND_BODY: ("body", self.scope)}
        waits = states.get(self.conn.their_state, ("", None))
        if (waits[0], id(waits[1])) == (self._waits[0], id(self._waits[1])):
            return
        self._waits = waits
        if self._timer is not None:
            self._timer.cancel()
        seconds = {"head": HEAD_S, "body": self._body_s()}
        self._timer = self.loop.call_later(seconds[waits[0]], self._cut_off, waits[0]) if waits[0] else None

    def _body_s(self) -> float:
        stated = dict(self.headers or ()).get(b"content-length", b"")
        length = min(int(stated), LONGEST_BODY) if stated.isdigit() else 0
        return BODY_S + length / LEAST_BODY_RATE

    def _unsent(self) -> int:
        return self.transport.get_write_buffer_size()

    def _look_how_much_was_taken(self, unsent: int) -> None:
        left = self._unsent()
        if unsent - left < LEAST_TAKEN:
            self._cut_off("answer")
        else:
            self._taking = self.loop.call_later(TAKEN_S, self._look_how_much_was_taken, left)

    def _cut_off(self, waited_for: str) -> None:
        log.info("a client kept us waiting too long (%s): cut off", waited_for)
        self.transport.abort()


def server_config(app: ASGIApp, **more: Any) -> uvicorn.Config:
    """How uvicorn serves the app; `more` goes before what stands here."""
    return uvicorn.Config(
        app,
        **{
            "http": Connection,
            "ws": "none",
            "log_level": "warning",
            "log_config": None,
            "access_log": False,
            "limit_concurrency": MOST_CONNECTIONS,
            "timeout_keep_alive": KEPT_S,
            **more,
        },
    )
