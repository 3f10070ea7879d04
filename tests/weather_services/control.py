"""Starting the server's process and talking to its control side."""

from __future__ import annotations

import http.client
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

ROOT = Path(__file__).parents[2]


class Control:
    """The control side of a running server; one kept connection."""

    def __init__(self, base_url: str) -> None:
        self.base_url = base_url
        self._connection = http.client.HTTPConnection(urlsplit(base_url).netloc, timeout=30)

    def _call(self, method: str, path: str, body: object = None) -> Any:
        self._connection.request(method, path, None if body is None else json.dumps(body))
        return json.loads(self._connection.getresponse().read())

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def set_clock(self, now: datetime) -> None:
        """The server's time from now on."""
        self._call("POST", "/_clock", {"now": now.isoformat()})

    def set_faults(self, faults: list[dict[str, Any]]) -> None:
        """Replace the fault script; entries are `faults.Fault` with times in ISO 8601."""
        self._call("POST", "/_faults", faults)

    def log(self, first: int = 0) -> list[dict[str, Any]]:
        """The log's entries from number `first` on."""
        entries: list[dict[str, Any]] = self._call("GET", f"/_log?from={first}")["entries"]
        return entries

    def forget(self) -> None:
        """Empty the log."""
        self._call("POST", "/_forget")

    @property
    def base_urls(self) -> dict[str, str]:
        """Feed name -> address, for `Jobs`; names that it does not know yet do no harm."""
        prefixes = {
            "nws": "/nws", "nws_hourly": "/nws", "nws_alerts": "/nws", "nws_stations": "/nws",
            "met_norway": "/weatherapi", "open_meteo": "/open-meteo", "open_meteo_ensemble": "/open-meteo",
        }  # fmt: skip
        return {name: self.base_url + prefix for name, prefix in prefixes.items()}


@contextmanager
def running() -> Iterator[Control]:
    """A server process of its own, ended at the end."""
    command = [sys.executable, "-m", "tests.weather_services"]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        control = Control(process.stdout.readline().strip())
        try:
            yield control
        finally:
            control.close()
            process.stdin.close()
            process.wait(timeout=10)
