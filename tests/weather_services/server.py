"""The server: one process, three services under three prefixes, a clock, a fault script and a log of its own.

Control, as JSON: POST /_clock {"now": ISO 8601}; POST /_faults, a list of `faults.Fault`; POST /_forget empties the
log; GET /_log?from=N gives its entries from the Nth on.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import socket
import struct
import threading
import time
from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from . import met_norway, nws, open_meteo
from .faults import ANSWERED, MUTATED, UNCONDITIONAL, Fault
from .replies import Asked, Found, Reply, http_date
from .truth import BASE

SERVICES = {"nws": nws, "met_norway": met_norway, "open_meteo": open_meteo}
ELSEWHERE = "/elsewhere"
"""Where redirects lead: the same addresses once more below it."""
OF_INTEREST = ("user-agent", "accept", "accept-encoding", "if-modified-since", "if-none-match", "feature-flags")
SENT_OF_INTEREST = ("Expires", "Cache-Control", "Last-Modified", "Retry-After", "Location")
BOMB_BYTES = 40_000_000
PIECES = 6


class WeatherServices(ThreadingHTTPServer):
    """All three services on one port of this machine."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.base_url = f"http://127.0.0.1:{self.server_port}"
        self.lock = threading.Lock()
        self.now = BASE
        self.faults: list[Fault] = []
        self.log: list[dict[str, Any]] = []

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that has gone is no news."""


class _Handler(BaseHTTPRequestHandler):
    server: WeatherServices
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    # Control

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers.get("Content-Length", "0"))) or b"null")
        with self.server.lock:
            if self.path == "/_clock":
                self.server.now = datetime.fromisoformat(body["now"])
            elif self.path == "/_faults":
                self.server.faults = [Fault.read(values) for values in body]
            elif self.path == "/_forget":
                self.server.log = []
        self._send(200, {}, b"{}")

    def _control(self, path: str, query: dict[str, str]) -> None:
        with self.server.lock:
            entries = self.server.log[int(query.get("from", "0")) :] if path == "/_log" else []
            body = json.dumps({"now": self.server.now.isoformat(), "entries": entries}).encode()
        self._send(200, {"Content-Type": "application/json"}, body)

    # The services

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        query = dict(parse_qsl(parts.query, keep_blank_values=True))
        if parts.path.startswith("/_"):
            return self._control(parts.path, query)
        path, elsewhere = parts.path, parts.path.startswith(ELSEWHERE)
        path = path.removeprefix(ELSEWHERE) if elsewhere else path
        name = next((name for name, module in SERVICES.items() if path.startswith(module.PREFIX + "/")), None)
        if name is None:
            return self._send(404, {}, b"")
        module: Any = SERVICES[name]
        headers = {key.lower(): value for key, value in self.headers.items()}
        with self.server.lock:
            now, faults = self.server.now, self.server.faults
            moved = frozenset(f.place or "" for f in faults if f.kind == "moved" and f.from_utc <= now < f.to_utc)
        base_url = self.server.base_url + module.PREFIX
        asked = Asked(base_url, path.removeprefix(module.PREFIX), query, headers, now, now, moved)
        found = module.find(asked)
        fault = self._strike(name, found, now, elsewhere)
        asked = _as_of(asked, fault)
        reply, plain, status = self._reply(module, asked, found, fault)
        return self._deliver(name, asked, found, fault, reply, plain, status)

    def _strike(self, name: str, found: Found, now: datetime, elsewhere: bool) -> Fault | None:
        place = found.place.name if found.place else None
        with self.server.lock:
            for fault in self.server.faults:
                if fault.kind != "moved" and fault.concerns(name, found.endpoint, place, now):
                    if fault.kind == "redirect" and elsewhere:
                        continue
                    if fault.left is not None:
                        fault.left -= 1
                    return fault
        return None

    def _reply(self, module: Any, asked: Asked, found: Found, fault: Fault | None) -> tuple[Reply, bytes, int]:
        """The reply, its body before compression, and the status it is sent with."""
        kind = fault.kind if fault else ""
        if fault and kind == "status":
            reply = module.problem(fault.status)
            if fault.retry_after_s is not None:
                until = http_date(asked.now + timedelta(seconds=fault.retry_after_s))
                reply.headers["Retry-After"] = until if fault.as_date else str(fault.retry_after_s)
            return reply, _body(reply), reply.status
        if fault and kind == "redirect":
            return Reply(301, headers={"Location": ELSEWHERE + self.path}), b"", 301
        if kind == "html":
            page = "<html><head><title>Maintenance</title></head><body>Back soon.</body></html>"
            return Reply(text=page, content_type="text/html"), page.encode(), 200
        reply = module.answer(asked, found)
        if reply.status != 200:
            return reply, _body(reply), reply.status
        if kind in MUTATED:
            reply.payload = MUTATED[kind](reply.payload)
            if "Last-Modified" in reply.headers:  # a body of its own has a stamp of its own
                reply.headers["Last-Modified"] = http_date(asked.now)
        status = 203 if kind == "deprecated" else 200
        stamp = reply.headers.get("Last-Modified")
        if stamp and asked.headers.get("if-modified-since") == stamp and status == 200 and kind not in UNCONDITIONAL:
            return reply, b"", 304
        return reply, _body(reply), status

    def _deliver(
        self, name: str, asked: Asked, found: Found, fault: Fault | None, reply: Reply, plain: bytes, status: int
    ) -> None:
        kind = fault.kind if fault else ""
        seconds = fault.seconds if fault else 0.0
        if kind == "truncated":
            plain = plain[: 2 * len(plain) // 3]
            plain += b"Unexpected error while streaming data: timeout" if name == "open_meteo" else b""
        if kind == "gzip_bomb":
            plain = b" " * BOMB_BYTES
        headers = {"Date": http_date(asked.now), **reply.headers}
        body = plain
        if status != 304:
            headers["Content-Type"] = reply.content_type
            if kind == "gzip_bomb" or "gzip" in asked.headers.get("accept-encoding", ""):
                body = _squeezed(plain)
                headers["Content-Encoding"] = "gzip"
        entry = {
            "at": asked.now.isoformat(),
            "as_of": asked.as_of.isoformat(),
            "service": name,
            "endpoint": found.endpoint,
            "place": found.place.name if found.place else None,
            "method": self.command,
            "path": self.path,
            "headers": {key: asked.headers[key] for key in OF_INTEREST if key in asked.headers},
            "status": status if kind not in ("drop", "hang") else 0,
            "fault": kind,
            "sent": {key: headers[key] for key in SENT_OF_INTEREST if key in headers},
            "issued": reply.issued_utc.isoformat() if reply.issued_utc else None,
            "digest": hashlib.sha256(plain).hexdigest() if status in (200, 203) else None,
            "good": status in (200, 203, 304) and (not kind or kind in ANSWERED),
            "gone": False,
        }
        with self.server.lock:
            self.server.log.append(entry)
        try:
            self._transmit(kind, seconds, status, headers, body)
        except OSError:
            entry["gone"] = True  # the client has hung up
            self.close_connection = True

    def _transmit(self, kind: str, seconds: float, status: int, headers: dict[str, str], body: bytes) -> None:
        if kind in ("latency", "hang"):
            time.sleep(seconds)
        if kind in ("drop", "hang"):
            self._hang_up()
        elif kind == "too_large":
            self._send(status, headers, body[:100], announced=50_000_000)
            self._hang_up()
        elif kind == "half_body":
            self._send(status, headers, body[: len(body) // 2], announced=len(body))
            self._hang_up()
        elif kind == "slow_body":
            step = len(body) // PIECES + 1
            self._send(status, headers, b"", announced=len(body))
            for at in range(0, len(body), step):
                self.wfile.write(body[at : at + step])
                self.wfile.flush()
                time.sleep(seconds)
        else:
            self._send(status, headers, body)

    def _hang_up(self) -> None:
        if self.close_connection is not True:
            self.wfile.flush()
        # The connection is reset, not ended politely.
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.close_connection = True

    def _send(self, status: int, headers: dict[str, str], body: bytes, announced: int | None = None) -> None:
        self.send_response_only(status)
        for key, value in headers.items():
            self.send_header(key, value)
        if status != 304:
            self.send_header("Content-Length", str(len(body) if announced is None else announced))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


def _as_of(asked: Asked, fault: Fault | None) -> Asked:
    """The request to a service that is stuck, or whose replies come from an old copy."""
    if fault is None or fault.kind not in ("stuck", "stale"):
        return asked
    as_of = fault.from_utc if fault.kind == "stuck" else asked.now - timedelta(hours=fault.hours)
    return replace(asked, as_of=as_of)


def _body(reply: Reply) -> bytes:
    if reply.payload is None:
        return reply.text.encode()
    return json.dumps(reply.payload, ensure_ascii=False, separators=(",", ":")).encode()


@lru_cache(maxsize=64)
def _squeezed(plain: bytes) -> bytes:
    return gzip.compress(plain, compresslevel=1, mtime=0)
