from datetime import timedelta
from typing import Any

import httpx
import pytest
from starlette.datastructures import Headers

from frostshift_service.auth import COOKIE, SESSION, Door, same_origin

PAGE = "/sites/north-yard/morning"
FORM = {"mark": "CR-B4-W", "action": "done"}


def test_a_link_opens_one_session_once(now: Any) -> None:
    door = Door()
    token = door.new_link().split("token=")[1]
    secret = door.enter(token, now)
    assert secret is not None
    assert door.enter(token, now) is None
    assert door.knows(secret, now)
    assert not door.knows(secret + "x", now)
    assert not door.knows(token, now)


def test_a_session_ends(now: Any) -> None:
    door = Door()
    secret = door.enter(door.new_link().split("token=")[1], now)
    assert secret is not None
    assert door.knows(secret, now + SESSION - timedelta(seconds=1))
    assert not door.knows(secret, now + SESSION)


def test_links_are_long_and_never_the_same() -> None:
    door = Door()
    links = {door.new_link() for _ in range(50)}
    assert len(links) == 50
    assert min(map(len, links)) >= len("/enter?token=") + 43  # 32 random bytes


async def _get(web: Any, path: str, **options: Any) -> httpx.Response:
    async with web.client(signed_in=False) as client:
        answer: httpx.Response = await client.get(path, **options)
        return answer


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["/", PAGE, f"{PAGE}.json", f"{PAGE}.csv", "/openapi.json", "/nowhere", "/docs"])
async def test_without_a_session_everything_answers_401_and_how_to_get_in(web: Any, path: str) -> None:
    answer = await _get(web, path)
    assert answer.status_code == 401
    assert "North yard" not in answer.text
    if not path.endswith((".json", ".csv")):
        assert "press Enter in that terminal" in answer.text


@pytest.mark.anyio
async def test_a_link_sets_a_strict_cookie_and_leads_to_the_pages(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        answer = await client.get(web.app.state.door.new_link())
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        cookie = answer.headers["set-cookie"].lower()
        assert cookie.startswith(COOKIE)
        assert {"httponly", "samesite=strict", "path=/"} <= set(cookie.split("; "))
        assert (await client.get(PAGE)).status_code == 200


@pytest.mark.anyio
async def test_a_link_is_not_used_up_by_a_browser_that_fetches_ahead(web: Any) -> None:
    link = web.app.state.door.new_link()
    async with web.client(signed_in=False) as client:
        assert (await client.head(link)).status_code == 401
        assert (await client.get(link, headers={"sec-purpose": "prefetch"})).status_code == 401
        assert (await client.get(link)).status_code == 303
        client.cookies.clear()
        assert (await client.get(link)).status_code == 401


@pytest.mark.anyio
@pytest.mark.parametrize("token", ["", "x", "a" * 5000, "ä"])
async def test_a_wrong_link_answers_401(web: Any, token: str) -> None:
    answer = await _get(web, "/enter", params={"token": token})
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers


@pytest.mark.anyio
@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8765", "[::1]:80", "LOCALHOST:1"])
async def test_loopback_names_are_served(web: Any, host: str) -> None:
    async with web.client() as client:
        assert (await client.get(PAGE, headers={"host": host})).status_code == 200


@pytest.mark.anyio
@pytest.mark.parametrize(
    "host", ["", "site.example", "localhost.site.example", "127.0.0.1.site.example:80", "127.0.0.2", "x@localhost"]
)
async def test_other_names_are_refused_before_anything_else(web: Any, host: str) -> None:
    # A name of somebody else that resolves to loopback (DNS rebinding) would carry our cookie otherwise.
    async with web.client() as client:
        assert (await client.get(PAGE, headers={"host": host})).status_code == 400
        link = web.app.state.door.new_link()
        assert (await client.get(link, headers={"host": host})).status_code == 400


@pytest.mark.anyio
@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"origin": "http://localhost:8765", "sec-fetch-site": "same-origin"}, True),
        ({"origin": "http://localhost:8765"}, True),
        ({"sec-fetch-site": "same-origin"}, True),
        ({}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://localhost:9999"}, False),
        ({"origin": "http://localhost:8765.site.example"}, False),
        ({"origin": "http://site.example", "sec-fetch-site": "same-origin"}, False),
        ({"origin": "http://localhost:8765", "sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "none"}, False),
    ],
)
async def test_a_change_needs_one_of_our_own_pages(web: Any, headers: dict[str, str], allowed: bool) -> None:
    assert same_origin(Headers({"host": "localhost:8765", **headers})) is allowed
    async with web.client() as client:
        del client.headers["sec-fetch-site"]
        answer = await client.post("/sites/north-yard/state", data=FORM, headers=headers)
    assert answer.status_code == (303 if allowed else 403)
    assert bool(web.planner.replanned) is allowed


@pytest.mark.anyio
async def test_a_change_needs_a_session(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        assert (await client.post("/sites/north-yard/state", data=FORM)).status_code == 401
    assert web.planner.replanned == []


@pytest.mark.anyio
async def test_the_session_ends_by_the_clock(web: Any) -> None:
    async with web.client() as client:
        web.clock[0] += SESSION
        assert (await client.get(PAGE)).status_code == 401


@pytest.mark.anyio
@pytest.mark.parametrize("cookie", [f"{COOKIE}=", f"{COOKIE}=made-up", "=;;;", f'{COOKIE}="\\777"', "a[b]=c"])
async def test_a_made_up_cookie_is_no_session(web: Any, cookie: str) -> None:
    assert (await _get(web, PAGE, headers={"cookie": cookie})).status_code == 401


@pytest.mark.anyio
async def test_a_body_that_is_too_long_is_refused(web: Any) -> None:
    async with web.client() as client:
        big = await client.post("/sites/north-yard/schedule", files={"file": ("big.csv", b"x" * 10_200_000)})
        assert big.status_code == 413
        assert "more than 10 MB" in big.text

        async def unmeasured() -> Any:
            yield b"mark=CR-B4-W"

        assert (await client.post("/sites/north-yard/state", content=unmeasured())).status_code == 411
