"""The US parts against a real server on this machine: sockets, headers, validators, redirects, gzip."""

import gzip
import importlib.util
import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import numpy as np
import pytest

from frostshift_service import http
from frostshift_service.weather import FeedError, nws, nws_alerts, nws_hourly, nws_stations

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=251.0)
STAMP = "Thu, 14 Jan 2027 20:12:30 GMT"

_spec = importlib.util.spec_from_file_location("make_payloads", FIXTURES / "make_payloads.py")
assert _spec is not None
assert _spec.loader is not None
make_payloads = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make_payloads)


class Service(ThreadingHTTPServer):
    """The addresses of the service, each with a payload; remembers what was asked."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Answers)
        self.base_url = f"http://127.0.0.1:{self.server_port}"
        self.seen: list[str] = []
        grid = "/gridpoints/XYZ/101,66"
        self.bodies: dict[str, Any] = {
            "/points/46.5,-94": make_payloads.nws_points(self.base_url),
            grid: make_payloads.nws_long(),
            f"{grid}/forecast/hourly": make_payloads.nws_hourly_long(),
            f"{grid}/stations": make_payloads.nws_stations(),
            "/stations/XTWN/observations": make_payloads.nws_observations_example(),
            "/alerts/active": make_payloads.nws_alerts_example(),
        }


class _Answers(BaseHTTPRequestHandler):
    server: Service

    def do_GET(self) -> None:
        path = self.path.partition("?")[0]
        self.server.seen.append(path)
        if path not in self.server.bodies:
            return self._send(404, {"title": "Not Found"})
        if "geo+json" not in self.headers["Accept"] or "(" not in self.headers["User-Agent"]:
            return self._send(403, {})
        if path.endswith("/hourly") and "forecast_wind_speed_qv" not in self.headers["Feature-Flags"]:
            return self._send(400, {})
        if self.headers.get("If-Modified-Since") == STAMP:
            return self._send(304, None)
        return self._send(200, self.server.bodies[path])

    def _send(self, status: int, body: Any) -> None:
        packed = b"" if body is None else gzip.compress(json.dumps(body).encode())
        self.send_response(status)
        self.send_header("Content-Type", "application/geo+json")
        self.send_header("Last-Modified", STAMP)
        if packed:
            self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", str(len(packed)))
        self.end_headers()
        self.wfile.write(packed)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def service() -> Iterator[Service]:
    made = Service()
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()


def test_the_hourly_forecast_where_the_grid_is_gone(client: httpx.Client, service: Service) -> None:
    del service.bodies["/gridpoints/XYZ/101,66"]
    get = http.bind(client, NOW)
    with pytest.raises(FeedError, match="404"):
        nws.fetch(get, PLACE, {}, NOW, service.base_url)
    first = nws_hourly.fetch(get, PLACE, {}, NOW, service.base_url)
    assert first.forecast is not None
    assert np.isfinite(first.forecast.hours.air_c).all()
    again = nws_hourly.fetch(get, PLACE, first.kept, NOW, service.base_url)
    assert (again.forecast, again.answer.status) == (None, 304)
    assert service.seen[-3:] == ["/points/46.5,-94", *["/gridpoints/XYZ/101,66/forecast/hourly"] * 2]


def test_alerts(client: httpx.Client, service: Service) -> None:
    get = http.bind(client, NOW)
    first = nws_alerts.fetch(get, PLACE, {}, NOW, service.base_url)
    assert first.alerts is not None
    assert [alert.event for alert in first.alerts] == ["Cold Weather Advisory", "Winter Storm Warning", "Flood Watch"]
    assert nws_alerts.fetch(get, PLACE, first.kept, NOW, service.base_url).alerts is None


def test_observations_with_the_addresses_of_the_grid(client: httpx.Client, service: Service) -> None:
    get = http.bind(client, NOW)
    kept = nws.fetch(get, PLACE, {}, NOW, service.base_url).kept
    fetched = nws_stations.fetch(
        get, PLACE, kept, NOW, service.base_url,
        first_utc=datetime(2027, 1, 14, 15, tzinfo=UTC), last_utc=datetime(2027, 1, 14, 20, tzinfo=UTC),
    )  # fmt: skip
    assert fetched.observed.station == "XTWN"
    assert int(np.isfinite(fetched.observed.hours.air_c).sum()) == 5
    assert service.seen.count("/points/46.5,-94") == 1
