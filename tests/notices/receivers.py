"""A mail server and a web server in a process of their own, which take messages and misbehave as the address asks.

`python -m tests.notices.receivers LOG` prints its ports as a line of JSON and appends every message that it took, and
every attempt that it refused, to the file LOG. A mail address `FAULT.TIMES.NAME@...` and a path `/FAULT/TIMES/NAME` get
the fault so many times, 0 always, and are taken after that; any other is taken.

It shares nothing with the senders but the standards: SMTP by aiosmtpd, HTTP by the standard library.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import ssl
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email import message_from_bytes
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

ROOT = Path(__file__).parents[2]
SLOW_S = 30.0
USER, PASSWORD = "frost", "pass:w@rd"


class Book:
    """What came, in a file, and how often each address has failed."""

    def __init__(self, file: Path) -> None:
        self.file, self.lock = file, threading.Lock()
        self.calm = file.with_name("calm")
        self.failed: Counter[str] = Counter()

    def write(self, **line: Any) -> None:
        with self.lock, self.file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(line) + "\n")

    def fault_of(self, fault: str, times: str, name: str) -> str:
        """The fault that is due now; empty: none."""
        if not times.isdecimal():
            return ""
        if fault == "any":  # one of those that break off or pass, at random, until there is a file `calm`
            return "" if self.calm.exists() else random.choice(["", "", "passing", "lost", "taken"])
        with self.lock:
            if times != "0" and self.failed[name] >= int(times):
                return ""
            self.failed[name] += 1
        return fault


REFUSALS = {
    "passing": "451 4.3.0 try again later",
    "451": "451 4.3.0 try again later",
    "421": "421 4.3.2 going down",
    "550": "550 5.1.1 no such mailbox",
    "550plain": "550 no such user here",
    "552": "552 5.2.2 mailbox full",
    "policy": "550 5.7.1 not from you",
    "relay": "550 relay not permitted",
    "554": "554 transaction failed",
}


class MailHandler:
    def __init__(self, book: Book) -> None:
        self.book = book

    def _fault(self, address: str) -> str:
        fault, times, name = [*address.partition("@")[0].split(".", 2), "", "", ""][:3]
        return self.book.fault_of(fault, times, address) if name else ""

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        fault = self._fault(address)
        if fault in REFUSALS:
            self.book.write(what="refused", to=address, said=REFUSALS[fault])
            return REFUSALS[fault]
        if fault == "slow":
            await asyncio.sleep(SLOW_S)
        if fault == "drip":  # a byte now and then: no single read takes long
            with suppress(OSError):
                for _ in range(int(SLOW_S * 10)):
                    server.transport.write(b"2")
                    await asyncio.sleep(0.1)
        if fault == "lost":
            self.book.write(what="lost", to=address)
            server.transport.abort()
            return "451 gone"
        envelope.fault = fault  # type: ignore[attr-defined]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        fault = getattr(envelope, "fault", "")
        if fault == "spam":
            return "554 5.7.1 looks like spam"
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=default)
        self.book.write(
            what="mail",
            to=envelope.rcpt_tos[0],
            sender=envelope.mail_from,
            headers=[[name, str(value)] for name, value in mail.items()],
            text=mail.get_body(("plain",)).get_content(),  # type: ignore[union-attr]
            html=mail.get_body(("html",)).get_content(),  # type: ignore[union-attr]
            tls=server.transport.get_extra_info("sslcontext") is not None,
            user=getattr(session, "login_data", None),
        )
        if fault == "taken":  # and nobody is told that it was
            server.transport.abort()
        return "250 2.0.0 taken"


class Hooks(BaseHTTPRequestHandler):
    book: Book

    def log_message(self, *_: object) -> None:
        pass

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        parts = [*self.path.strip("/").partition("?")[0].split("/"), "", "", ""][:3]
        fault = self.book.fault_of(*parts) if parts[2] else ""
        if fault == "lost":
            self.book.write(what="lost", to=self.path)
            self.connection.close()
        elif fault == "drip":
            self.drip()
        else:
            if fault == "slow":
                time.sleep(SLOW_S)
            status = {"passing": 503}.get(fault, int(fault) if fault.isdecimal() else 200)
            self.book.write(
                what="post" if 200 <= status < 300 else "refused",
                to=self.path,
                headers=[[name, value] for name, value in self.headers.items()],
                body=body.decode("utf-8", "replace"),
            )
            if fault == "taken":  # and nobody is told that it was
                self.connection.close()
            else:
                self.answer(status, fault)

    def drip(self) -> None:
        """A byte now and then: no single read takes long."""
        with suppress(OSError):
            for letter in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"y" * int(SLOW_S * 10):
                self.wfile.write(bytes([letter]))
                time.sleep(0.1)

    def answer(self, status: int, fault: str) -> None:
        said = b"said: \x00\xff<b>"
        with suppress(OSError):
            self.send_response(status)
            if status == 429:
                self.send_header("Retry-After", "1200")
            if status in (301, 302, 307):
                self.send_header("Location", "/elsewhere")
            times = {"endless": 20_000, "half": 2}.get(fault, 1)
            self.send_header("Content-Length", str(len(said) * (times if fault != "half" else 99)))
            self.end_headers()
            for _ in range(times):
                self.wfile.write(said)
        if fault == "half":
            self.connection.close()


class Web(ThreadingHTTPServer):
    def handle_error(self, *_: object) -> None:
        pass


class Plain(Controller):
    """Any free port, and its number known."""

    def _trigger_server(self) -> None:
        assert self.server is not None
        self.port = self.server.sockets[0].getsockname()[1]
        super()._trigger_server()


def authenticate(_server: object, _session: object, _envelope: object, _mechanism: str, data: Any) -> AuthResult:
    good = (data.login.decode(), data.password.decode()) == (USER, PASSWORD)
    return AuthResult(success=good, handled=False, auth_data=data.login)


def serve(log: Path, certificate: str, key: str) -> None:
    """Serve until standard input ends."""
    book = Book(log)
    web = Web(("127.0.0.1", 0), type("BookedHooks", (Hooks,), {"book": book}))
    threading.Thread(target=web.serve_forever, daemon=True).start()
    ports = {"web": web.server_port}
    options: dict[str, dict[str, Any]] = {"smtp": {}}
    if certificate:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate, key)
        login = {"authenticator": authenticate, "auth_required": True}
        options["starttls"] = {"tls_context": context, "require_starttls": True, **login}
        options["smtps"] = {"ssl_context": context}
    running = []
    for name, extra in options.items():
        mail = Plain(MailHandler(book), hostname="127.0.0.1", port=0, **extra)
        mail.start()
        running.append(mail)
        ports[name] = mail.port
    print(json.dumps(ports), flush=True)
    sys.stdin.read()
    os._exit(0)


@dataclass
class Receivers:
    """The two servers, as a test sees them: their ports, and what they wrote down."""

    web: int
    smtp: int
    log: Path
    starttls: int = 0
    smtps: int = 0

    def all(self) -> list[dict[str, Any]]:
        if not self.log.exists():
            return []
        return [json.loads(line) for line in self.log.read_text(encoding="utf-8").splitlines()]

    def to(self, part: str) -> list[dict[str, Any]]:
        """What came to an address that contains `part`."""
        return [line for line in self.all() if part in line["to"]]

    def hook(self, path: str) -> str:
        return f"http://127.0.0.1:{self.web}/{path}"


@contextmanager
def receiving(folder: Path, *, tls: bool = False) -> Iterator[Receivers]:
    """Start them, and stop them at the end."""
    log, certificate, key = folder / "received.jsonl", folder / "cert.pem", folder / "key.pem"
    if tls:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "3650", "-subj", "/CN=localhost",
             "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)],
            check=True,
            capture_output=True,
        )  # fmt: skip
    command = [sys.executable, "-W", "ignore", "-m", "tests.notices.receivers", str(log)]
    with subprocess.Popen(
        [*command, *([str(certificate), str(key)] if tls else [])],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield Receivers(log=log, **json.loads(process.stdout.readline()))
        finally:
            process.stdin.close()
            process.wait(timeout=20)


if __name__ == "__main__":
    serve(Path(sys.argv[1]), *([*sys.argv[2:4]] or ["", ""]))
