"""`frostshift serve` is stopped as systemd and container engines do it: a SIGTERM, and then they wait."""

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGTERM")

SERVE = "from frostshift_service import cli; cli.main()"
HANGS = """
import time
from frostshift_service import cli
from frostshift_service.jobs import Jobs
def tick(self):
    print("at work", flush=True)
    time.sleep(600)
Jobs.tick = tick
cli.STOP_WITHIN_S = 1.0
cli.main()
"""
MIGRATES = """
import time
from frostshift_service import cli
from frostshift_service.commands import line
def open_store(url):
    print("at work", flush=True)
    time.sleep(600)
line.open_store = open_store
cli.main()
"""


@contextmanager
def serving(program: str, data: Path, port: int) -> Iterator[subprocess.Popen[str]]:
    """A `serve` of this program, ended for certain."""
    ours = {name: value for name, value in os.environ.items() if not name.startswith("FROSTSHIFT_")}
    process = subprocess.Popen(
        [sys.executable, "-c", program, "serve"],
        env={**ours, "FROSTSHIFT_DATA_DIR": str(data), "FROSTSHIFT_PORT": str(port)},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def wait_for(process: subprocess.Popen[str], words: str) -> None:
    assert process.stdout is not None
    assert any(words in line for line in process.stdout), "it ended before it said so"


def stopped(process: subprocess.Popen[str]) -> list[str]:
    """What it says on the way out, after the usual line; its exit code is 0."""
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    return [line for line in said.splitlines() if "no forecast is pulled" not in line]


@pytest.fixture
def port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number: int = free.getsockname()[1]
        return number


def test_a_stop_is_quiet(tmp_path: Path, port: int) -> None:
    with serving(SERVE, tmp_path, port) as process:
        wait_for(process, "Press Enter")
        with httpx.Client(trust_env=False) as browser:  # keeps its connection
            assert browser.get(f"http://127.0.0.1:{port}/static/app.css").status_code == 200
            assert stopped(process) == []


def test_a_client_that_never_ends_its_request_holds_no_stop_up(tmp_path: Path, port: int) -> None:
    with serving(SERVE, tmp_path, port) as process:
        wait_for(process, "Press Enter")
        with socket.create_connection(("127.0.0.1", port)) as slow:
            head = (
                "POST /enter HTTP/1.1",
                f"Host: 127.0.0.1:{port}",
                "Sec-Fetch-Site: same-origin",
                "Content-Type: application/x-www-form-urlencoded",
                "Content-Length: 9",
            )
            slow.sendall("\r\n".join((*head, "", "token")).encode())
            slow.settimeout(1)
            with pytest.raises(TimeoutError):  # it is being answered: it waits for the rest
                slow.recv(1)
            said = stopped(process)
    assert "graceful shutdown exceeded" in said[0]
    assert not any("cut off" in line for line in said)


def test_work_that_hangs_is_cut_off(tmp_path: Path, port: int) -> None:
    with serving(HANGS, tmp_path, port) as process:
        wait_for(process, "at work")
        wait_for(process, "Press Enter")
        (said,) = stopped(process)
    assert said.endswith(" WARNING still at work 1 s after we were stopped: cut off, to be done again")


def test_a_stop_before_the_pages_are_served(tmp_path: Path, port: int) -> None:
    with serving(MIGRATES, tmp_path, port) as process:
        wait_for(process, "at work")
        assert stopped(process) == []
