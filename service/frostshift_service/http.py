"""The only outgoing HTTP: address rules, time-outs, size limit, conditional requests, retries, typed errors.

One synchronous `httpx.Client` made by `make_client`; every question goes through `get`. Nothing here knows weather.
What the server says about caching (RFC 9111, RFC 9110 section 13) is handed on in `Answer`; deciding when to ask
again is the caller's work. Messages go out through `post` with a client of its own, made by `make_sending_client`.
"""

from __future__ import annotations

import ipaddress
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import partial
from socket import socket
from typing import Any, Final
from urllib.request import getproxies, proxy_bypass

import httpx
import stamina

from frostshift_service.deadline import Deadline

CONNECT_S: Final = 10.0
READ_S: Final = 20.0
TRANSFER_S: Final = 60.0
"""Longest time for one request to its last byte, with its redirects: a server that sends a byte now and then must not
hold the caller for ever."""
MAX_BYTES: Final = 10_000_000
MAX_COMPLAINT_BYTES: Final = 4_000
MAX_REDIRECTS: Final = 5
RETRIED_STATUS: Final = frozenset({500, 502, 503, 504})
ATTEMPTS: Final = 3
LONGEST_RETRY_WAIT_S: Final = 10.0
CUT_CONNECTIONS: Final = httpx.Limits(max_keepalive_connections=0)
"""Every request has a connection of its own, which is watched from its beginning and can be cut."""
SECRET_HEADERS: Final = ("X-Api-Key",)
"""Sent to the server they were set for; not to another that it sends us on to."""


_IPV4_AT_THE_END: Final = (ipaddress.IPv6Network("64:ff9b::/96"), ipaddress.IPv6Network("::/96"))
"""NAT64 (RFC 6052), and the IPv4-compatible addresses of old (RFC 4291, 2.5.5.1)."""
_LOCAL_NAT64: Final = ipaddress.IPv6Network("64:ff9b:1::/48")
"""Translated inside a network (RFC 8215); where in it the IPv4 address stands is that network's own."""


class HttpError(Exception):
    """A request gave no usable answer."""


class NoContact(HttpError):
    """No e-mail or web address is set under which a weather service can reach the operator."""


class AddressRefused(HttpError):
    """The address, or one that the server sent us on to, is not one we may ask."""


class Unreachable(HttpError):
    """No connection, a time-out, or a transfer that broke off."""


class TooBig(HttpError):
    """The body is larger than the limit; nothing of it is kept."""


@dataclass(frozen=True, slots=True)
class Validators:
    """What a server gave us to ask "changed since?" with: the exact strings, never computed with."""

    last_modified: str | None = None
    etag: str | None = None

    def headers(self) -> dict[str, str]:
        """The conditional request headers; empty where there is nothing to ask with."""
        pairs = {"If-Modified-Since": self.last_modified, "If-None-Match": self.etag}
        return {name: value for name, value in pairs.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer as the caller needs it.

    Attributes:
        status: HTTP status.
        body: decoded body (gzip undone); empty for 304.
        content_type: the header as sent, lower case; empty where there is none.
        date: the server's clock.
        expires: `Expires`.
        max_age_s: `max-age` of `Cache-Control` [s].
        last_modified: the header's exact string.
        etag: the header's exact string.
        retry_after_s: `Retry-After` in seconds from `now`, whichever form it had [s].
        url: the address that answered, after redirects.
    """

    status: int
    body: bytes
    content_type: str
    date: datetime | None
    expires: datetime | None
    max_age_s: float | None
    last_modified: str | None
    etag: str | None
    retry_after_s: float | None
    url: str

    @property
    def validators(self) -> Validators:
        """The validators of this answer."""
        return Validators(self.last_modified, self.etag)


class BadStatus(HttpError):
    """The server answered with a status that brings no data; `answer` holds it, with `retry_after_s`."""

    def __init__(self, answer: Answer) -> None:
        super().__init__(f"{_shown(answer.url)} answered {answer.status}: {_complaint(answer)}")
        self.answer = answer


Get = Callable[[str, Mapping[str, str], Validators], Answer]
"""`get` with client and time filled in: (url, headers, validators) -> Answer."""


class FeedClient(httpx.Client):
    """The client of weather services; `private_hosts` are those that may have an address of a private network."""

    private_hosts: frozenset[str] = frozenset()


def make_client(
    contact: str | None,
    version: str,
    transport: httpx.BaseTransport | None = None,
    *,
    private_hosts: frozenset[str] = frozenset(),
) -> FeedClient:
    """The client for all outgoing requests.

    Args:
        contact: e-mail or web address under which the operator can be reached; free weather services ask for it.
        version: our version.
        transport: other than the network, for tests.
        private_hosts: names of servers that may have an address of a private network.

    Raises:
        NoContact: `contact` names neither an e-mail nor a web address.
    """
    if contact is None or not re.fullmatch(r"[!-~]+@[!-~]+|https?://[!-~]+", contact):
        raise NoContact(
            f"contact {contact!r}: set an e-mail or web address under which the weather service can reach you"
        )
    client = FeedClient(
        headers={
            "User-Agent": f"Frostshift/{version} ({contact})",
            "Accept": "application/json",
            "Accept-Encoding": "gzip",
        },
        timeout=httpx.Timeout(READ_S, connect=CONNECT_S),
        limits=CUT_CONNECTIONS,
        follow_redirects=False,
        transport=transport,
    )
    client.private_hosts = private_hosts
    return client


def clean_text(text: str) -> str:
    """A text that every database takes: lone surrogates replaced, NUL dropped."""
    return re.sub("[\ud800-\udfff]", "\ufffd", text).replace("\0", "")


def bind(client: FeedClient, now: datetime) -> Get:
    """`get` with `client` and `now` filled in."""
    return lambda url, headers, validators: get(client, url, headers, validators, now)


def get(client: FeedClient, url: str, headers: Mapping[str, str], validators: Validators, now: datetime) -> Answer:
    """Ask for `url`; follow redirects; retry what may mend itself within seconds.

    Connection errors and the statuses 500, 502, 503, 504 are tried `ATTEMPTS` times with growing, jittered pauses,
    unless `Retry-After` asks for a longer pause than is worth waiting for here. Nothing else is retried.

    Args:
        client: from `make_client`.
        url: https, or http where the host is this machine. Neither it nor what it leads on to may be in a private
            network, unless its host, and the first one, is of the client's `private_hosts`; behind a proxy of the
            environment that is the proxy's to refuse.
        headers: added to the client's.
        validators: of the copy we hold; empty for an unconditional request.
        now: aware, to turn a `Retry-After` date into seconds.

    Returns:
        An answer with a 2xx status, or 304 where validators were sent.

    Raises:
        HttpError: one of its kinds above.
    """
    sent = {**headers, **validators.headers()}
    for attempt in stamina.retry_context(
        on=_worth_a_retry, attempts=ATTEMPTS, timeout=60.0, wait_initial=1.0, wait_max=8.0, wait_jitter=1.0
    ):
        with attempt:
            answer = _ask_once(client, url, sent, now)
            unasked = answer.status == 304 and not validators.headers()
            if unasked or not (answer.status == 304 or 200 <= answer.status < 300):
                raise BadStatus(answer)
    return answer


def make_sending_client(version: str, transport: httpx.BaseTransport | None = None) -> httpx.Client:
    """The client for messages to web addresses that people have entered.

    Args:
        version: ours.
        transport: other than the network, for tests.
    """
    return httpx.Client(
        headers={"User-Agent": f"Frostshift/{version}", "Accept-Encoding": "identity"},
        timeout=httpx.Timeout(READ_S, connect=CONNECT_S),
        limits=CUT_CONNECTIONS,
        follow_redirects=False,
        transport=transport,
    )


def check_postable(url: str, *, loopback: bool = True) -> httpx.URL:
    """A web address that people have entered, as far as its text says whether we may post to it.

    https, or http where the host is this machine; no user or password in it; no address of a private network.

    Args:
        url: as it was entered.
        loopback: whether this machine may be posted to; not where somebody enters it who has only the pages, as what
            else listens here is not his.

    Raises:
        AddressRefused: we may not; the message names the host alone, as the rest may hold a secret.
    """
    try:
        parts = httpx.URL(url)
    except httpx.InvalidURL as error:
        raise AddressRefused(f"no web address: {error}") from error
    if not parts.host or parts.scheme not in ("http", "https"):
        raise AddressRefused("no web address such as https://HOST/PATH")
    if parts.userinfo:
        raise AddressRefused(f"{parts.host}: a web address holds no user and no password here, put them into a header")
    if _is_loopback(parts.host):
        if not loopback:
            raise AddressRefused(
                f"{parts.host}: this machine itself is posted to only where a file says so that was loaded on its "
                "command line (`frostshift people load FILE`)"
            )
        return parts
    if parts.scheme != "https":
        raise AddressRefused(f"{parts.host}: only https addresses are posted to")
    _refuse_private(parts.host, parts.host)
    return parts


def post(
    client: httpx.Client,
    url: str,
    body: bytes,
    headers: Mapping[str, str],
    now: datetime,
    *,
    seconds: float = TRANSFER_S,
) -> Answer:
    """Post `body` once: no second try, no redirect. Errors name the host alone, as the rest may hold a secret.

    The address that is connected to is held against the rules, too: a public name may point into a private network.
    Behind a proxy of the environment it is the proxy's to refuse.

    Args:
        client: from `make_sending_client`.
        url: see `check_postable`.
        body: what is sent.
        headers: added to the client's.
        now: aware, to turn a `Retry-After` date into seconds.
        seconds: longest time for all of it [s].

    Returns:
        An answer with a 2xx status; the body may be cut off.

    Raises:
        AddressRefused: we may not post there.
        BadStatus: another status.
        Unreachable: no connection, or no whole answer in time.
    """
    address = check_postable(url)
    origin = f"{address.scheme}://{address.host}"
    with Deadline(seconds) as deadline:
        try:
            extensions = {"trace": partial(_trace, deadline, address)}
            request = client.build_request("POST", address, content=body, headers=dict(headers), extensions=extensions)
            response = client.send(request, stream=True)
            try:
                answer = replace(_answer(response, now, deadline, whole=False), url=origin)
            finally:
                response.close()
        except (httpx.RequestError, ValueError) as error:  # ValueError: a header that cannot be sent
            late = f", cut off after {seconds:g} s" if deadline.passed else ""
            raise Unreachable(f"{address.host}: {type(error).__name__}{late}") from error
    if not 200 <= answer.status < 300:
        raise BadStatus(answer)
    return answer


def _check_peer(connection: socket, url: httpx.URL) -> None:
    """Refuse a connection to a private network, whatever name led there.

    Raises:
        AddressRefused: the connection is closed, and nothing was sent.
    """
    if _is_loopback(url.host) or _is_proxied(url):
        return
    try:
        _refuse_private(connection.getpeername()[0], url.host)
    except AddressRefused:
        connection.close()
        raise


def _refuse_private(ip: str, host: str) -> None:
    """Refuse what is an IP address, and none of the public internet."""
    try:
        found = ipaddress.ip_address(ip.partition("%")[0])
    except ValueError:  # a name
        return
    if not _is_public(found):
        raise AddressRefused(f"{host}: an address of a private network is neither asked nor posted to")


def _is_public(ip: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Whether an address is one of the public internet; of IPv6 that stands for IPv4, by what it stands for."""
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.is_site_local or ip in _LOCAL_NAT64:
            return False
        last_32 = ipaddress.IPv4Address(int(ip) & 0xFFFF_FFFF)
        ip = ip.ipv4_mapped or ip.sixtofour or (last_32 if any(ip in one for one in _IPV4_AT_THE_END) else ip)
    return ip.is_global and not ip.is_multicast


def _is_proxied(url: httpx.URL) -> bool:
    """Whether a proxy of the environment stands between, so that it is the proxy that we connect to."""
    proxies = getproxies()
    return (url.scheme in proxies or "all" in proxies) and not proxy_bypass(url.host)


def _worth_a_retry(error: Exception) -> bool | float:
    """Whether to try again within this call, or after how many seconds."""
    if isinstance(error, Unreachable):
        return True
    if not isinstance(error, BadStatus) or error.answer.status not in RETRIED_STATUS:
        return False
    asked_s = error.answer.retry_after_s
    if asked_s is None:
        return True
    return asked_s if asked_s <= LONGEST_RETRY_WAIT_S else False


def _ask_once(client: FeedClient, url: str, headers: Mapping[str, str], now: datetime) -> Answer:
    # The redirects are followed here and not by httpx: it reads their bodies without a limit and goes anywhere.
    try:
        request = client.build_request("GET", url, headers=dict(headers))
    except (httpx.InvalidURL, httpx.UnsupportedProtocol) as error:
        raise AddressRefused(f"{url!r} is no web address: {error}") from error
    from_loopback, from_private = _is_loopback(request.url.host), request.url.host in client.private_hosts
    with Deadline(TRANSFER_S) as deadline:
        try:
            for _ in range(MAX_REDIRECTS + 1):
                _check_address(request.url, from_loopback)
                may_be_private = from_private and request.url.host in client.private_hosts
                if not from_loopback and not may_be_private:
                    _refuse_private(request.url.host, request.url.host)
                request.extensions["trace"] = partial(_trace, deadline, None if may_be_private else request.url)
                response = client.send(request, stream=True)
                try:
                    if response.next_request is None:
                        return _answer(response, now, deadline)
                    request = _without_secrets(response.next_request, request.url)
                finally:
                    response.close()
        except httpx.RequestError as error:
            if deadline.passed:
                raise _late(url) from error
            raise Unreachable(f"{_shown(url)}: {type(error).__name__} {error}".rstrip()) from error
    raise AddressRefused(f"{_shown(url)}: sent on more than {MAX_REDIRECTS} times")


def _trace(deadline: Deadline, public: httpx.URL | None, event: str, info: Mapping[str, Any]) -> None:
    """Told by the connection pool what happens: a new connection is watched, and checked before anything is sent.

    Args:
        deadline: cuts it.
        public: where it leads to, if it may not lead into a private network; None: it may.
        event: what happens.
        info: about it.
    """
    if event == "connection.connect_tcp.complete":
        connection = info["return_value"].get_extra_info("socket")
        deadline.watch(connection)
        if public is not None:
            _check_peer(connection, public)


def _late(url: str) -> Unreachable:
    return Unreachable(f"{_shown(url)}: still sending after {TRANSFER_S:g} s")


def _without_secrets(request: httpx.Request, before: httpx.URL) -> httpx.Request:
    """A request that a server sent us on to; to another server without `SECRET_HEADERS`."""
    origins = {(url.scheme, url.host, url.port) for url in (request.url, before)}
    if len(origins) > 1:
        for name in SECRET_HEADERS:
            request.headers.pop(name, None)
    return request


def _check_address(url: httpx.URL, from_loopback: bool) -> None:
    """Https only; this machine (http too) only where the first address was this machine."""
    if _is_loopback(url.host):
        if from_loopback and url.scheme in ("http", "https"):
            return
        raise AddressRefused(f"{_shown(str(url))}: a server elsewhere may not send us to this machine")
    if url.scheme != "https" or not url.host:
        raise AddressRefused(f"{_shown(str(url))}: only https addresses are asked")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _answer(response: httpx.Response, now: datetime, deadline: Deadline, *, whole: bool = True) -> Answer:
    headers = response.headers
    body = _body(response, deadline) if whole and response.is_success else _start_of_body(response, deadline)
    max_age = re.search(r"(?:^|[\s,])max-age=\"?(\d{1,9})", headers.get("cache-control", ""), re.IGNORECASE)
    return Answer(
        status=response.status_code,
        body=body,
        content_type=headers.get("content-type", "").lower(),
        date=_http_date(headers.get("date")),
        expires=_http_date(headers.get("expires")),
        max_age_s=float(max_age[1]) if max_age else None,
        last_modified=headers.get("last-modified"),
        etag=headers.get("etag"),
        retry_after_s=_retry_after_s(headers.get("retry-after"), now),
        url=str(response.url),
    )


def _body(response: httpx.Response, deadline: Deadline) -> bytes:
    declared = response.headers.get("content-length", "")
    too_big = TooBig(f"{_shown(str(response.url))}: body larger than {MAX_BYTES} bytes")
    if declared.isdecimal() and int(declared) > MAX_BYTES:
        raise too_big
    body = bytearray()
    for chunk in response.iter_bytes():
        body += chunk
        if len(body) > MAX_BYTES:
            raise too_big
        if deadline.passed:
            break
    if deadline.passed:  # a connection that we cut may look like the end of the body
        raise _late(str(response.url))
    return bytes(body)


def _start_of_body(response: httpx.Response, deadline: Deadline) -> bytes:
    """Enough of an error's body to show; what has come where it breaks off: status and headers are what counts."""
    body = bytearray()
    try:
        for chunk in response.iter_bytes():
            body += chunk
            if len(body) >= MAX_COMPLAINT_BYTES or deadline.passed:
                break
    except httpx.RequestError:
        pass
    return bytes(body[:MAX_COMPLAINT_BYTES])


def _http_date(text: str | None) -> datetime | None:
    """A date header as aware UTC; None where there is none or it is none (`Expires: 0` is common)."""
    try:
        moment = parsedate_to_datetime(text or "")
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _retry_after_s(text: str | None, now: datetime) -> float | None:
    """`Retry-After` in seconds: a number or a date (RFC 9110, 10.2.3)."""
    if text is None:
        return None
    if re.fullmatch(r"\d{1,9}", text.strip()):
        return float(text)
    moment = _http_date(text)
    return None if moment is None else max(0.0, (moment - now).total_seconds())


def _complaint(answer: Answer) -> str:
    """The server's own words: a problem's title and detail (RFC 9457) or its reason, else the first 200 characters."""
    text = answer.body.decode("utf-8", errors="replace")
    if "json" in answer.content_type:
        try:
            problem = json.loads(text)
        except (ValueError, RecursionError):
            problem = None
        if isinstance(problem, dict):
            said = [str(problem[key]) for key in ("title", "detail", "reason") if problem.get(key)]
            text = ": ".join(said) or text
    return " ".join(clean_text(text).split())[:200] or "(empty)"


def _shown(url: str) -> str:
    """An address for messages and logs: without its query, where keys stand."""
    return url.partition("?")[0]
