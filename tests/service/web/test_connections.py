"""Clients that are slow, or many, or send too much, over real connections to a real server."""

import contextlib
import logging
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import httpx
import pytest
from tests.service.web.conftest import served, token_of

from frostshift_service import connections

HEAD = (
    "POST /sign-in HTTP/1.1\r\nHost: {host}\r\nSec-Fetch-Site: same-origin\r\n"
    "Content-Type: application/x-www-form-urlencoded\r\n"
)


@contextlib.contextmanager
def line_to(url: str) -> Iterator[tuple[socket.socket, str]]:
    host = url.removeprefix("http://")
    name, port = host.split(":")
    with socket.create_connection((name, int(port)), timeout=10) as line:
        yield line, host


def trickled(line: socket.socket, data: bytes, pause_s: float = 0.1) -> float:
    """Seconds until the other side ended the connection while `data` went out byte by byte; it must not last."""
    began_s = monotonic()
    line.settimeout(pause_s)
    for place in range(len(data)):
        try:
            line.sendall(data[place : place + 1])
            if line.recv(100) == b"":
                return monotonic() - began_s
        except TimeoutError:
            continue
        except OSError:
            return monotonic() - began_s
    raise AssertionError("never cut off")


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same limits in tenths of seconds."""
    monkeypatch.setattr(connections, "HEAD_S", 0.5)
    monkeypatch.setattr(connections, "BODY_S", 0.8)
    monkeypatch.setattr(connections, "TAKEN_S", 0.5)


@pytest.mark.usefixtures("hurried")
def test_a_client_that_connects_and_says_nothing_is_cut_off(base_url: str) -> None:
    with line_to(base_url) as (line, _):
        began_s = monotonic()
        with contextlib.suppress(ConnectionResetError):
            assert line.recv(10) == b""
        assert monotonic() - began_s < 8


@pytest.mark.usefixtures("hurried")
def test_headers_byte_by_byte_are_cut_off(base_url: str) -> None:
    with line_to(base_url) as (line, host):
        assert trickled(line, HEAD.format(host=host).encode()) < 8


@pytest.mark.usefixtures("hurried")
def test_a_second_request_on_the_connection_has_the_same_limit(base_url: str) -> None:
    with line_to(base_url) as (line, host):
        line.sendall(f"GET /healthz HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        assert line.recv(1000).startswith(b"HTTP/1.1 200")
        assert trickled(line, HEAD.format(host=host).encode()) < 8


@pytest.mark.usefixtures("hurried")
def test_an_idle_connection_stays_open_longer_than_a_proxy_keeps_it(base_url: str) -> None:
    assert connections.server_config(lambda: None).timeout_keep_alive > 60  # type: ignore[arg-type]
    asked = "GET /static/app.css HTTP/1.1\r\nHost: {host}\r\n\r\n"
    with line_to(base_url) as (line, host), line.makefile("rb") as answers:
        for pause_s in (1.2, 0.0):  # longer than headers may take
            line.sendall(asked.format(host=host).encode())
            assert answers.readline() == b"HTTP/1.1 200 OK\r\n"
            length = 0
            while (header := answers.readline()) != b"\r\n":
                name, _, value = header.partition(b":")
                length = int(value) if name.lower() == b"content-length" else length
            assert len(answers.read(length)) == length > 0
            sleep(pause_s)


@pytest.mark.usefixtures("hurried")
def test_a_body_byte_by_byte_is_cut_off_and_is_no_error(base_url: str, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO), line_to(base_url) as (line, host):
        line.sendall(f"{HEAD.format(host=host)}Content-Length: 900\r\n\r\n".encode())
        assert trickled(line, b"email=" + b"x" * 300) < 8
    assert "kept us waiting too long (body)" in caplog.text
    assert not [one for one in caplog.records if one.levelno >= logging.WARNING]


@pytest.mark.usefixtures("hurried")
def test_a_body_that_nobody_waits_for_any_more_is_cut_off(base_url: str) -> None:
    with line_to(base_url) as (line, host):  # answered 401 before it is read
        head = HEAD.format(host=host).replace("/sign-in", "/sites/north-yard/state")
        line.sendall(f"{head}Content-Length: 900\r\n\r\n".encode())
        assert line.recv(20).startswith(b"HTTP/1.1 401")
        line.settimeout(0.2)
        with contextlib.suppress(TimeoutError):
            while line.recv(100_000):
                pass
        assert trickled(line, b"x" * 300) < 8


def test_a_phone_on_a_slow_line_has_its_time(base_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "BODY_S", 0.1)
    monkeypatch.setattr(connections, "LEAST_BODY_RATE", 10)
    with line_to(base_url) as (line, host):
        body = b"email=a&password=b"  # 1.8 s more by its length
        line.sendall(f"{HEAD.format(host=host)}Content-Length: {len(body)}\r\n\r\n".encode())
        for byte in body[:10]:
            line.sendall(bytes([byte]))
            sleep(0.05)
        line.sendall(body[10:])
        assert line.recv(20).startswith(b"HTTP/1.1 401")


@pytest.mark.usefixtures("hurried")
def test_an_answer_that_is_not_taken_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    async def large(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            return
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": bytes(30_000_000)})

    with served(large) as url, line_to(url) as (line, host):
        line.sendall(f"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        sleep(2.0)
        taken = 0
        with contextlib.suppress(ConnectionResetError):
            while part := line.recv(1_000_000):
                taken += len(part)
        assert taken < 30_000_000


def test_an_answer_that_is_taken_slowly_comes_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "TAKEN_S", 0.3)

    async def large(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "lifespan":
            return
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"12000000")]})
        await send({"type": "http.response.body", "body": bytes(12_000_000)})

    with served(large) as url, line_to(url) as (line, host):
        line.sendall(f"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        taken = 0
        while taken < 12_000_000:
            part = line.recv(500_000)
            assert part
            taken += len(part)
            sleep(0.02)


def test_more_connections_than_there_may_be_are_answered_at_once(web: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "MOST_CONNECTIONS", 5)
    with served(web.app) as url, contextlib.ExitStack() as held:
        for _ in range(5):
            held.enter_context(line_to(url))
        began_s = monotonic()
        assert httpx.get(f"{url}/healthz").status_code == 503
        assert monotonic() - began_s < 5
        held.close()
        sleep(0.5)
        assert httpx.get(f"{url}/healthz").status_code == 200


def test_headers_without_end_are_refused(base_url: str) -> None:
    with line_to(base_url) as (line, host):
        with contextlib.suppress(ConnectionError):
            line.sendall(f"GET /sign-in HTTP/1.1\r\nHost: {host}\r\nX: ".encode() + b"x" * 100_000)
        with contextlib.suppress(ConnectionError):
            assert line.recv(20).startswith(b"HTTP/1.1 400")


def test_who_asks_before_he_sends_or_sends_without_end_is_refused_at_once(base_url: str, web: Any) -> None:
    with httpx.Client(base_url=base_url, headers={"sec-fetch-site": "same-origin"}) as client:
        client.post("/enter", data=token_of(web.app))
        cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
    head = HEAD.replace("/sign-in", "/sites/north-yard/schedule") + f"Cookie: {cookie}\r\n"
    for more in ("Content-Length: 50000000\r\nExpect: 100-continue\r\n", f"Content-Length: {10**15}\r\n"):
        with line_to(base_url) as (line, host):
            line.sendall(f"{head.format(host=host)}{more}\r\n".encode())
            assert line.recv(20).startswith(b"HTTP/1.1 413")


SERVE = """
import sys
from pathlib import Path
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store
from frostshift_service.app import create_app
from frostshift_service.connections import server_config
from datetime import datetime, UTC
import socket, uvicorn
engine = open_store(f"sqlite:///{sys.argv[1]}/s.db")
app = create_app(Settings(data_dir=Path(sys.argv[1])), engine, lambda: datetime(2027, 1, 14, tzinfo=UTC), None)
listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], app.state.door.new_link(), flush=True)
uvicorn.Server(server_config(app)).run([listener])
"""


def _peak_mb(pid: int) -> float:
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert found
    return int(found[1]) / 1000


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak of memory from /proc")
def test_an_upload_of_50_mb_is_refused_and_memory_stays_flat(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", SERVE, str(tmp_path)], stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            port, link = server.stdout.readline().split()
            url = f"http://127.0.0.1:{port}"
            with httpx.Client(base_url=url, headers={"sec-fetch-site": "same-origin"}, timeout=60) as client:
                assert client.post("/enter", data={"token": link.split("token=")[1]}).status_code == 303
                before_mb = _peak_mb(server.pid)
                for path in ("/sites/x/schedule", "/sites/x/schedule.json", "/cases.json"):
                    answer = client.post(path, files={"file": ("big.csv", b"x" * 50_000_000)})
                    assert answer.status_code == 413
                assert _peak_mb(server.pid) - before_mb < 5
        finally:
            server.kill()
