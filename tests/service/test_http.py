"""The outgoing HTTP: statuses, retries, addresses and limits, against a mock and against a real local server."""

import contextlib
import gzip
import socket
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from time import sleep
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
import respx
import stamina

from frostshift_service import http
from frostshift_service.http import AddressRefused, BadStatus, NoContact, TooBig, Unreachable, Validators
from frostshift_service.weather import nws

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
URL = "https://weather.example/forecast"
FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NO_VALIDATORS = Validators()


@pytest.fixture(autouse=True)
def no_pauses() -> Iterator[None]:
    with stamina.set_testing(True, attempts=3):
        yield


def ask(client: httpx.Client, url: str = URL, validators: Validators = NO_VALIDATORS) -> http.Answer:
    return http.get(client, url, {"X-Test": "1"}, validators, NOW)


@respx.mock
def test_an_answer_carries_what_the_server_says(client: httpx.Client) -> None:
    route = respx.get(URL).respond(
        200,
        json={"a": 1},
        headers={
            "Date": "Thu, 14 Jan 2027 20:49:00 GMT",
            "Expires": "Thu, 14 Jan 2027 21:20:00 GMT",
            "Cache-Control": "public, s-maxage=3600, max-age=900",
            "Last-Modified": "Thu, 14 Jan 2027 20:31:07 GMT",
            "ETag": 'W/"abc"',
        },
    )
    answer = ask(client)
    assert (answer.status, answer.body, answer.url) == (200, b'{"a":1}', URL)
    assert answer.content_type == "application/json"
    assert answer.date == datetime(2027, 1, 14, 20, 49, tzinfo=UTC)
    assert answer.expires == datetime(2027, 1, 14, 21, 20, tzinfo=UTC)
    assert answer.max_age_s == 900.0
    assert answer.validators == Validators("Thu, 14 Jan 2027 20:31:07 GMT", 'W/"abc"')
    assert answer.retry_after_s is None
    sent = route.calls.last.request.headers
    assert sent["User-Agent"] == "Frostshift/1.2.3 (crew@site.example)"
    assert sent["Accept-Encoding"] == "gzip"
    assert sent["X-Test"] == "1"
    assert "If-Modified-Since" not in sent
    assert "If-None-Match" not in sent


@respx.mock
def test_a_deprecated_version_still_answers(client: httpx.Client) -> None:
    respx.get(URL).respond(203, json={})
    assert ask(client).status == 203


@respx.mock
def test_not_modified_with_the_exact_stored_strings(client: httpx.Client) -> None:
    route = respx.get(URL).respond(304)
    answer = ask(client, validators=Validators("Thu, 14 Jan 2027 20:31:07 GMT", '"x"'))
    assert (answer.status, answer.body) == (304, b"")
    assert route.calls.last.request.headers["If-Modified-Since"] == "Thu, 14 Jan 2027 20:31:07 GMT"
    assert route.calls.last.request.headers["If-None-Match"] == '"x"'


@respx.mock
def test_not_modified_that_nobody_asked_for_is_an_error(client: httpx.Client) -> None:
    respx.get(URL).respond(304)
    with pytest.raises(BadStatus, match="304"):
        ask(client)


@pytest.mark.parametrize("status", [400, 401, 403, 404, 410, 422, 429, 501])
@respx.mock
def test_a_refusal_is_not_retried(client: httpx.Client, status: int) -> None:
    route = respx.get(URL).respond(status, html="<html>\n<b>No</b></html>")
    with pytest.raises(BadStatus, match=f"answered {status}: <html> <b>No</b></html>"):
        ask(client)
    assert route.call_count == 1


# The two forms and this date are the examples of RFC 9110, 10.2.3.
@pytest.mark.parametrize(
    ("header", "now", "seconds"),
    [
        ("120", NOW, 120.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", datetime(1999, 12, 31, 23, 59, 0, tzinfo=UTC), 59.0),
        ("Fri, 31 Dec 1999 23:59:59 GMT", NOW, 0.0),
        ("soon", NOW, None),
        (None, NOW, None),
    ],
)
@respx.mock
def test_throttled_says_how_long(
    client: httpx.Client, header: str | None, now: datetime, seconds: float | None
) -> None:
    respx.get(URL).respond(429, headers={"Retry-After": header} if header else {})
    with pytest.raises(BadStatus) as caught:
        http.get(client, URL, {}, NO_VALIDATORS, now)
    assert caught.value.answer.retry_after_s == seconds


# The three date formats are the examples of RFC 9110, 5.6.7; "0" is named in RFC 9111, 5.3, as common and invalid.
@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("Sun, 06 Nov 1994 08:49:37 GMT", datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        ("Sunday, 06-Nov-94 08:49:37 GMT", datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        ("Sun Nov  6 08:49:37 1994", datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        ("0", None),
        ("", None),
    ],
)
@respx.mock
def test_dates(client: httpx.Client, text: str, moment: datetime | None) -> None:
    respx.get(URL).respond(200, json={}, headers={"Expires": text})
    assert ask(client).expires == moment


@pytest.mark.parametrize("status", [500, 502, 503, 504])
@respx.mock
def test_a_passing_fault_is_retried(client: httpx.Client, status: int) -> None:
    route = respx.get(URL)
    route.side_effect = [httpx.Response(status), httpx.Response(200, json={})]
    assert ask(client).status == 200
    assert route.call_count == 2


@respx.mock
def test_a_lasting_fault_shows_the_problem_in_its_own_words(client: httpx.Client) -> None:
    route = respx.get(URL).respond(
        503,
        headers={"Content-Type": "application/problem+json"},
        content=b'{"title": "Forecast Grid Expired", "detail": "It was issued long ago."}',
    )
    with pytest.raises(BadStatus, match=r"answered 503: Forecast Grid Expired: It was issued long ago\.$"):
        ask(client)
    assert route.call_count == http.ATTEMPTS


@pytest.mark.parametrize(("asked", "calls"), [("1", http.ATTEMPTS), ("600", 1)])
@respx.mock
def test_a_long_pause_asked_for_is_left_to_the_schedule(client: httpx.Client, asked: str, calls: int) -> None:
    route = respx.get(URL).respond(503, headers={"Retry-After": asked})
    with pytest.raises(BadStatus) as caught:
        ask(client)
    assert caught.value.answer.retry_after_s == float(asked)
    assert route.call_count == calls


@pytest.mark.parametrize("fault", [httpx.ConnectError, httpx.ConnectTimeout, httpx.ReadTimeout, httpx.ReadError])
@respx.mock
def test_no_connection_is_retried_then_said(client: httpx.Client, fault: type[httpx.TransportError]) -> None:
    route = respx.get(URL).mock(side_effect=fault)
    with pytest.raises(Unreachable, match=rf"weather\.example/forecast: {fault.__name__}"):
        ask(client)
    assert route.call_count == http.ATTEMPTS


@respx.mock
def test_redirects_keep_the_question(client: httpx.Client) -> None:
    respx.get(URL).respond(301, headers={"Location": "/moved"})
    route = respx.get("https://weather.example/moved").respond(200, json={})
    answer = ask(client, validators=Validators("Thu, 14 Jan 2027 20:31:07 GMT"))
    assert answer.url == "https://weather.example/moved"
    assert route.calls.last.request.headers["If-Modified-Since"] == "Thu, 14 Jan 2027 20:31:07 GMT"
    assert route.calls.last.request.headers["X-Test"] == "1"


@respx.mock
def test_redirects_end(client: httpx.Client) -> None:
    route = respx.get(URL).respond(302, headers={"Location": URL})
    with pytest.raises(AddressRefused, match="more than 5"):
        ask(client)
    assert route.call_count == http.MAX_REDIRECTS + 1


@pytest.mark.parametrize(
    "target",
    [
        "http://weather.example/plain",
        "http://127.0.0.1:8765/",
        "https://localhost/",
        "https://[::1]/",
        "https://127.9.9.9/",
        "ftp://weather.example/",
        "https://10.0.0.5/",
        "https://192.168.1.1:8443/",
        "https://169.254.169.254/latest/meta-data/",
        "https://[fd00::1]/",
        "https://[::ffff:10.0.0.5]/",
        "https://0.0.0.0/",
        "https://100.64.0.1/",
        "https://[64:ff9b::a00:1]/",
        "https://[64:ff9b:1::808:808]/",
        "https://[2002:a00:1::1]/",
        "https://[::10.0.0.1]/",
        "https://[::127.0.0.1]/",
        "https://[fec0::1]/",
    ],
)
@respx.mock
def test_a_server_cannot_send_us_anywhere(client: httpx.Client, target: str) -> None:
    respx.get(URL).respond(302, headers={"Location": target})
    inner = respx.route(url=target).respond(200)
    with pytest.raises((AddressRefused, Unreachable)):
        ask(client)
    assert not inner.called


@pytest.mark.parametrize("host", ["8.8.8.8", "[2606:4700::1]", "[64:ff9b::808:808]", "[2002:808:808::1]"])
@respx.mock
def test_a_public_address_is_asked_however_it_is_written(client: httpx.Client, host: str) -> None:
    respx.get(URL).respond(302, headers={"Location": f"https://{host}/"})
    respx.get(f"https://{host}/").respond(200, json={})
    assert ask(client).status == 200


@pytest.mark.parametrize("url", ["http://weather.example/", "file:///etc/passwd", "weather.example", "", "https://"])
def test_only_https_is_asked(client: httpx.Client, url: str) -> None:
    with pytest.raises(AddressRefused):
        ask(client, url)


@pytest.mark.parametrize("contact", [None, "", "me", "python", "a@b\r\nX: y", "a b@c.example", "ftp://x.example"])
def test_nobody_asks_without_a_contact(contact: str | None) -> None:
    with pytest.raises(NoContact, match="set an e-mail or web address"):
        http.make_client(contact, "1.2.3")


@respx.mock
def test_keys_in_an_address_stay_out_of_messages(client: httpx.Client) -> None:
    respx.get(URL).respond(403, text="no")
    with pytest.raises(BadStatus) as caught:
        ask(client, URL + "?apikey=secret")
    assert "secret" not in str(caught.value)


@respx.mock
def test_an_endless_trickle_is_cut(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http, "TRANSFER_S", 0.2)
    respx.get(URL).mock(side_effect=lambda _: httpx.Response(200, stream=_Trickle()))
    with pytest.raises(Unreachable, match="still sending"):
        ask(client)


class _Trickle(httpx.SyncByteStream):
    def __iter__(self) -> Iterator[bytes]:
        while True:
            sleep(0.01)
            yield b" "


# A real server from here on.

Reply = Callable[[BaseHTTPRequestHandler], None]


class _Server(ThreadingHTTPServer):
    """Answers by path; remembers the headers of every request as they came over the wire."""

    daemon_threads = True

    def __init__(self) -> None:
        self.replies: dict[str, Reply] = {}
        self.seen: list[tuple[str, list[tuple[str, str]]]] = []
        super().__init__(("127.0.0.1", 0), _Handler)

    def url(self, path: str) -> str:
        return f"http://127.0.0.1:{self.server_port}{path}"


class _Handler(BaseHTTPRequestHandler):
    server: _Server

    def do_GET(self) -> None:
        self.server.seen.append((self.path, list(self.headers.items())))
        self.server.replies[self.path](self)

    def log_message(self, *_: object) -> None:
        pass


def reply(handler: BaseHTTPRequestHandler, status: int, body: bytes = b"", **headers: str) -> None:
    handler.send_response(status)
    for name, value in headers.items():
        handler.send_header(name.replace("_", "-"), value)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


@pytest.fixture
def server() -> Iterator[_Server]:
    made = _Server()
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()


def test_the_life_of_a_forecast_on_a_real_server(server: _Server, client: httpx.Client) -> None:
    # Odd but legal: kept and sent back to the byte, never parsed and printed anew.
    stamp = "thu, 14 Jan 2027 20:31:07  GMT"
    body = b'{"a": "' + b"x" * 50_000 + b'"}'

    def forecast(handler: BaseHTTPRequestHandler) -> None:
        if handler.headers.get("If-Modified-Since") == stamp:
            reply(handler, 304, Expires=format_datetime(NOW + timedelta(minutes=31), usegmt=True))
        else:
            packed = gzip.compress(body)
            reply(handler, 200, packed, Content_Type="application/json", Content_Encoding="gzip", Last_Modified=stamp)

    server.replies["/old"] = lambda handler: reply(handler, 301, b"moved", Location="/new")
    server.replies["/new"] = forecast
    first = ask(client, server.url("/old"))
    assert first.body == body
    assert first.url == server.url("/new")
    assert first.last_modified == stamp

    second = ask(client, server.url("/old"), first.validators)
    assert (second.status, second.body) == (304, b"")
    assert second.expires == NOW + timedelta(minutes=31)
    assert [path for path, _ in server.seen] == ["/old", "/new"] * 2
    assert ("If-Modified-Since", stamp) in server.seen[-1][1]
    assert dict(server.seen[-1][1])["User-Agent"] == "Frostshift/1.2.3 (crew@site.example)"


def test_a_feed_from_end_to_end_on_a_real_server(server: _Server, client: httpx.Client) -> None:
    base_url = server.url("")
    points = (FIXTURES / "nws_points.json").read_bytes().replace(nws.BASE_URL.encode(), base_url.encode())
    grid = (FIXTURES / "nws_long.json").read_bytes()
    stamp = "Thu, 14 Jan 2027 20:12:30 GMT"

    def answer_grid(handler: BaseHTTPRequestHandler) -> None:
        if handler.headers.get("If-Modified-Since") == stamp:
            reply(handler, 304)
        else:
            headers = {"Content_Type": "application/geo+json", "Content_Encoding": "gzip", "Last_Modified": stamp}
            reply(handler, 200, gzip.compress(grid), Cache_Control="public, max-age=1800", **headers)

    server.replies["/points/46.5,-94"] = lambda h: reply(h, 301, Location="/points/46.50,-94")
    server.replies["/points/46.50,-94"] = lambda h: reply(h, 200, points, Content_Type="application/geo+json")
    server.replies["/gridpoints/XYZ/101,66"] = answer_grid
    place = SimpleNamespace(latitude=46.5, longitude=-94.0, altitude_m=None)

    first = nws.fetch(http.bind(client, NOW), place, {}, NOW, base_url)
    assert first.forecast is not None
    assert first.forecast.hours.start_utc == datetime(2027, 1, 14, 14, tzinfo=UTC)
    assert first.answer.body == grid
    assert first.ask_again_utc == NOW + timedelta(minutes=30)
    second = nws.fetch(http.bind(client, NOW), place, first.kept, NOW, base_url)
    assert second.forecast is None
    assert second.kept == first.kept
    assert [path for path, _ in server.seen[2:]] == ["/gridpoints/XYZ/101,66"] * 2
    assert dict(server.seen[-1][1])["Accept"] == "application/geo+json"


def test_a_body_without_end_is_aborted(server: _Server, client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http, "MAX_BYTES", 200_000)
    sent = []

    def endless(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.end_headers()
        try:
            for _ in range(100_000):
                handler.wfile.write(b"x" * 10_000)
                sent.append(10_000)
        except OSError:
            return

    server.replies["/"] = endless
    with pytest.raises(TooBig, match="larger than 200000 bytes"):
        ask(client, server.url("/"))
    assert len(server.seen) == 1
    assert sum(sent) < 100_000 * 10_000


def test_a_body_that_is_declared_too_big_is_not_read(server: _Server, client: httpx.Client) -> None:
    def declared(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", str(http.MAX_BYTES + 1))
        handler.end_headers()

    server.replies["/"] = declared
    with pytest.raises(TooBig):
        ask(client, server.url("/"))


def test_a_small_body_that_unpacks_to_a_huge_one_is_aborted(
    server: _Server, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http, "MAX_BYTES", 100_000)
    packed = gzip.compress(b" " * 2_000_000)
    assert len(packed) < 5_000
    server.replies["/"] = lambda handler: reply(handler, 200, packed, Content_Encoding="gzip")
    with pytest.raises(TooBig):
        ask(client, server.url("/"))


def test_a_body_that_breaks_off_is_no_answer(server: _Server, client: httpx.Client) -> None:
    def cut(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        handler.wfile.write(b'{"a": ')

    server.replies["/"] = cut
    with pytest.raises(Unreachable):
        ask(client, server.url("/"))
    assert len(server.seen) == http.ATTEMPTS


@pytest.mark.usefixtures("one_attempt")
@pytest.mark.parametrize("private", [False, True])
@pytest.mark.parametrize("part", ["status", "headers", "redirects", "body", "body that ends with the connection"])
def test_whatever_trickles_is_cut(server: _Server, monkeypatch: pytest.MonkeyPatch, part: str, private: bool) -> None:
    """Every byte comes within the time-out of a read, and the end never comes."""
    monkeypatch.setattr(http, "TRANSFER_S", 0.5)
    over = threading.Event()

    def trickle(handler: BaseHTTPRequestHandler) -> None:
        if part == "redirects":
            over.wait(0.2)
            with contextlib.suppress(OSError):
                reply(handler, 302, Location="/")
            return
        handler.wfile.write(
            {
                "status": b"HTTP/1.",
                "headers": b"HTTP/1.0 200 OK\r\n",
                "body": b"HTTP/1.0 200 OK\r\nContent-Length: 100000\r\n\r\n",
            }.get(part, b"HTTP/1.0 200 OK\r\n\r\n{")
        )
        with contextlib.suppress(OSError):
            while not over.wait(0.02):
                handler.wfile.write(b"X")

    server.replies["/"] = trickle
    hosts = frozenset({"127.0.0.1"}) if private else frozenset[str]()
    client = http.make_client("crew@site.example", "1", private_hosts=hosts)
    failed = list[Exception]()

    def asks() -> None:
        with pytest.raises(Unreachable) as caught:
            ask(client, server.url("/"))
        failed.append(caught.value)

    worker = threading.Thread(target=asks, daemon=True)
    worker.start()
    worker.join(20)
    over.set()
    worker.join(20)
    client.close()
    assert [str(one).partition(": ")[2] for one in failed] == ["still sending after 0.5 s"]


def refused_by(server: _Server, client: httpx.Client, answer: Reply) -> BadStatus:
    """The refusal, for which the server is asked once and no more."""
    server.replies["/"] = answer
    with pytest.raises(BadStatus) as refused:
        ask(client, server.url("/"))
    assert len(server.seen) == 1
    return refused.value


def test_a_refusal_whose_body_breaks_off_still_says_how_long_to_wait(server: _Server, client: httpx.Client) -> None:
    def broken(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(429)
        handler.send_header("Retry-After", "3600")
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        handler.wfile.write(b"slow down")

    asked = refused_by(server, client, broken)
    assert asked.answer.retry_after_s == 3600.0
    assert "slow down" in str(asked)


def test_a_refusal_whose_body_cannot_be_unpacked_still_says_how_long_to_wait(
    server: _Server, client: httpx.Client
) -> None:
    def broken(handler: BaseHTTPRequestHandler) -> None:
        reply(handler, 429, b"no gzip at all", **{"Retry-After": "3600", "Content-Encoding": "gzip"})

    assert refused_by(server, client, broken).answer.retry_after_s == 3600.0


@respx.mock
def test_the_complaint_of_a_server_that_trickles_is_cut(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http, "TRANSFER_S", 0.2)
    respx.get(URL).mock(side_effect=lambda _: httpx.Response(403, stream=_Trickle()))
    with pytest.raises(BadStatus) as refused:
        ask(client)
    assert len(refused.value.answer.body) < 100


@respx.mock
def test_a_date_at_the_end_of_the_calendar_is_none_and_loses_no_answer(client: httpx.Client) -> None:
    respx.get(URL).respond(200, json={}, headers={"Expires": "Fri, 31 Dec 9999 23:59:59 -0100"})
    assert ask(client).expires is None


def test_nobody_listens(client: httpx.Client) -> None:
    with pytest.raises(Unreachable, match="ConnectError"):
        ask(client, "http://127.0.0.1:9/")


# Private networks -----------------------------------------------------------------------------------------------------


@pytest.fixture
def inside(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, list[bytes]]]:
    """An address whose name leads to this machine, as it could into any private network, and what was sent there."""
    monkeypatch.setenv("NO_PROXY", "weather.example")
    got: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def listen() -> None:
            while True:
                try:
                    line, _ = listener.accept()
                except OSError:
                    return
                with line, contextlib.suppress(OSError):
                    line.settimeout(2)
                    got.append(line.recv(1000))

        thread = threading.Thread(target=listen, daemon=True)
        thread.start()
        found = socket.getaddrinfo

        def names(host: Any, *args: Any, **named: Any) -> Any:
            name = host.decode() if isinstance(host, bytes) else host
            return found("127.0.0.1" if name == "weather.example" else host, *args, **named)

        monkeypatch.setattr(socket, "getaddrinfo", names)
        yield f"https://weather.example:{listener.getsockname()[1]}/", got
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(5)


def test_a_name_that_leads_into_a_private_network_is_sent_nothing(inside: tuple[str, list[bytes]]) -> None:
    url, got = inside
    with http.make_client("crew@site.example", "1") as client, pytest.raises(AddressRefused, match="private network"):
        http.get(client, url, {}, Validators(), NOW)
    assert b"".join(got) == b""


@pytest.mark.usefixtures("one_attempt")
def test_a_server_of_ones_own_there_is_asked_where_the_settings_say_so(inside: tuple[str, list[bytes]]) -> None:
    url, got = inside
    hosts = frozenset({"weather.example"})
    with http.make_client("crew@site.example", "1", private_hosts=hosts) as client, pytest.raises(Unreachable):
        http.get(client, url, {}, Validators(), NOW)
    assert got[0].startswith(b"\x16\x03")  # TLS began


@respx.mock
def test_such_a_server_may_send_us_to_itself_and_to_no_other_there() -> None:
    hosts = frozenset({"10.0.0.5"})
    respx.get("https://10.0.0.5/a").respond(302, headers={"Location": "https://10.0.0.5/b"})
    respx.get("https://10.0.0.5/b").respond(302, headers={"Location": "https://10.0.0.6/"})
    other = respx.get("https://10.0.0.6/").respond(200)
    with http.make_client("crew@site.example", "1", private_hosts=hosts) as client, pytest.raises(AddressRefused):
        http.get(client, "https://10.0.0.5/a", {}, Validators(), NOW)
    assert not other.called


@respx.mock
def test_no_other_server_may_send_us_to_such_a_one() -> None:
    respx.get(URL).respond(302, headers={"Location": "https://10.0.0.5/"})
    own = respx.get("https://10.0.0.5/").respond(200)
    hosts = frozenset({"10.0.0.5"})
    with http.make_client("crew@site.example", "1", private_hosts=hosts) as client, pytest.raises(AddressRefused):
        http.get(client, URL, {}, Validators(), NOW)
    assert not own.called
