"""The guard: who is let in, what is refused before anything else; sessions, one-time links, throttling."""

import base64
import re
import socket
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import select
from starlette.datastructures import Headers
from tests.service.web.conftest import token_of

from frostshift_service.app import create_app, shown_path
from frostshift_service.auth import same_origin
from frostshift_service.door import COOKIE, SECURE_COOKIE
from frostshift_service.passwords import hash_of, is_outdated, is_password, password_problem
from frostshift_service.settings import Settings
from frostshift_service.store import accounts as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.tables import AttemptRow

PAGE = "/sites/north-yard/morning"
FORM = {"mark": "CR-B4-W", "action": "done"}
PASSWORD = "cold trailer at half past five"


async def _get(web: Any, path: str, **options: Any) -> httpx.Response:
    async with web.client(signed_in=False) as client:
        answer: httpx.Response = await client.get(path, **options)
        return answer


@cache
def hashed(password: str) -> str:
    """A hash takes 64 MiB and some time: once is enough."""
    return hash_of(password)


def account(web: Any, email: str = "mara@example.com", password: str | None = PASSWORD, **roles: Any) -> kept.Account:
    """An account; with a role at the site by `role=`."""
    with writing(web.engine) as session:
        name = "Mara Quist" if email == "mara@example.com" else f"Mara {email.partition(chr(64))[0].title()}"
        made = kept.add_account(session, email, name, now=web.clock[0], owner=roles.get("owner", False))
        if password is not None:
            kept.set_password(session, made.id, hashed(password))
        if "role" in roles:
            kept.set_role(session, "north-yard", made.id, roles["role"])
        return kept.account_of(session, made.id)


# Without a session ----------------------------------------------------------------------------------------------------


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["/", PAGE, f"{PAGE}.json", f"{PAGE}.csv", "/openapi.json", "/nowhere", "/docs"])
async def test_without_a_session_everything_answers_401_and_how_to_get_in(web: Any, path: str) -> None:
    answer = await _get(web, path)
    assert answer.status_code == 401
    assert "North yard" not in answer.text
    if not path.endswith((".json", ".csv")):
        assert "Mail address" in answer.text
        assert f'name="next" value="{path}"' in answer.text


@pytest.mark.anyio
async def test_a_change_needs_a_session(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        assert (await client.post("/sites/north-yard/state", data=FORM)).status_code == 401
    assert web.planner.replanned == []


@pytest.mark.anyio
@pytest.mark.parametrize("cookie", [f"{COOKIE}=", f"{COOKIE}=made-up", "=;;;", f'{COOKIE}="\\777"', "a[b]=c"])
async def test_a_made_up_cookie_is_no_session(web: Any, cookie: str) -> None:
    assert (await _get(web, PAGE, headers={"cookie": cookie})).status_code == 401


# One-time links -------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_link_signs_in_by_its_button_and_sets_a_cookie_that_no_script_reads(web: Any) -> None:
    link = web.app.state.door.new_link()
    async with web.client(signed_in=False) as client:
        page = await client.get(link)  # a mail program that looks at it uses nothing up
        assert page.status_code == 200
        assert "set-cookie" not in page.headers
        answer = await client.post("/enter", data={"token": link.split("token=")[1]})
        assert (answer.status_code, answer.headers["location"]) == (303, "/account")
        cookie = answer.headers["set-cookie"].lower()
        assert cookie.startswith(COOKIE)
        assert {"httponly", "samesite=lax", "path=/"} <= set(cookie.split("; "))
        assert (await client.get(PAGE)).status_code == 200
        client.cookies.clear()
        again = await client.post("/enter", data={"token": link.split("token=")[1]})
        assert again.status_code == 401
        assert "used already" in again.text


@pytest.mark.anyio
async def test_behind_https_the_cookie_is_this_hosts_alone_and_browsers_never_come_without(
    web: Any, tmp_path: Path
) -> None:
    settings = Settings(data_dir=tmp_path, pages_url="https://frost.example")
    app = create_app(settings, web.engine, lambda: web.clock[0], web.planner)
    headers = {"sec-fetch-site": "same-origin"}
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="https://frost.example", headers=headers) as client:
        answer = await client.post("/enter", data=token_of(app))
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith(f"{SECURE_COOKIE}=")
        # What the prefix asks for (RFC 6265bis, 4.1.3.2), or browsers do not keep it.
        parts = set(cookie.lower().split("; "))
        assert {"secure", "httponly", "samesite=lax", "path=/"} <= parts
        assert "domain" not in cookie.lower()
        assert (await client.get(PAGE)).status_code == 200
        assert answer.headers["strict-transport-security"] == "max-age=31536000"
        secret = client.cookies[SECURE_COOKIE]
        client.cookies.clear()  # a name that another server of the domain may set
        assert (await client.get(PAGE, headers={"cookie": f"{COOKIE}={secret}"})).status_code == 401
        by_name = {"cookie": f"{SECURE_COOKIE}={secret}"}
        assert (await client.get(PAGE, headers=by_name)).status_code == 200
        gone = await client.post("/account/sign-out", content=b"", headers=by_name)
        assert gone.headers["set-cookie"].startswith(f'{SECURE_COOKIE}=""')
        assert "secure" in gone.headers["set-cookie"].lower()
        here = await client.get("/sign-in", headers={"host": "localhost"})  # not over https
        assert "strict-transport-security" not in here.headers


@pytest.mark.anyio
async def test_a_link_ends_after_a_day(web: Any) -> None:
    form = token_of(web.app)
    web.clock[0] += kept.LINK_LASTS + timedelta(seconds=1)
    async with web.client(signed_in=False) as client:
        assert (await client.post("/enter", data=form)).status_code == 401


@pytest.mark.anyio
@pytest.mark.parametrize("token", ["", "x", "a" * 5000, "ä"])
async def test_a_wrong_link_signs_nobody_in(web: Any, token: str) -> None:
    async with web.client(signed_in=False) as client:
        answer = await client.post("/enter", data={"token": token})
    assert answer.status_code in (401, 422)
    assert "set-cookie" not in answer.headers


def test_links_are_long_and_never_the_same(web: Any) -> None:
    links = {web.app.state.door.new_link() for _ in range(20)}
    assert len(links) == 20
    assert min(map(len, links)) >= len("/enter?token=") + 43  # 32 random bytes


# Passwords ------------------------------------------------------------------------------------------------------------


def test_hashes_are_argon2id_of_rfc_9106() -> None:
    # RFC 9106, section 4, second recommended option: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    kind, version, parameters, salt, tag = hash_of(PASSWORD).split("$")[1:]
    assert (kind, version, parameters) == ("argon2id", "v=19", "m=65536,t=3,p=4")
    assert (len(base64.b64decode(salt + "==")), len(base64.b64decode(tag + "=="))) == (16, 32)


def test_a_password_is_recognised_and_nothing_else_is() -> None:
    kept_hash = hash_of(PASSWORD)
    assert is_password(kept_hash, PASSWORD)
    assert not is_password(kept_hash, PASSWORD + " ")
    assert not is_password(None, PASSWORD)
    assert not is_password("no hash", PASSWORD)
    assert is_password(hash_of("Schweißnaht über Nacht"), "Schweißnaht über Nacht")  # composed or not: NFKC
    assert is_outdated(PasswordHasher(time_cost=1, memory_cost=1024, parallelism=1).hash(PASSWORD))


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("short", "at least 12"),
        ("x" * 201, "at most 200"),
        ("ababababababab", "repeats itself"),
        ("mara@example.com", "little more than"),
        (PASSWORD, ""),
        ("🔥" * 4 + "weldpreheat", ""),
    ],
)
def test_what_may_be_a_password(password: str, said: str) -> None:
    assert said in password_problem(password, "Mara Quist", "mara@example.com")
    assert bool(said) is bool(password_problem(password, "Mara Quist", "mara@example.com"))


@pytest.mark.anyio
async def test_signing_in_with_a_password_leads_on_to_the_page_that_was_asked_for(web: Any) -> None:
    account(web, role="viewer")
    async with web.client(signed_in=False) as client:
        form = {"email": "Mara@Example.com ", "password": PASSWORD, "next": f"{PAGE}?shifts=3"}
        answer = await client.post("/sign-in", data=form)
        assert (answer.status_code, answer.headers["location"]) == (303, f"{PAGE}?shifts=3")
        assert (await client.get(PAGE)).status_code == 200


@pytest.mark.anyio
@pytest.mark.parametrize(
    "target", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:alert(1)", ""]
)
async def test_signing_in_leads_nowhere_else(web: Any, target: str) -> None:
    account(web)
    async with web.client(signed_in=False) as client:
        answer = await client.post("/sign-in", data={"email": "mara@example.com", "password": PASSWORD, "next": target})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


@pytest.mark.anyio
async def test_a_wrong_password_and_an_unknown_account_get_the_same_answer(web: Any) -> None:
    account(web)
    async with web.client(signed_in=False) as client:
        wrong = await client.post("/sign-in", data={"email": "mara@example.com", "password": "not this one, no"})
        unknown = await client.post("/sign-in", data={"email": "nobody@example.com", "password": "not this one, no"})
    assert wrong.status_code == unknown.status_code == 401
    assert wrong.text.replace("mara@", "nobody@") == unknown.text


@pytest.mark.anyio
async def test_attempts_are_throttled_and_the_pause_grows(web: Any) -> None:
    account(web)
    form = {"email": "mara@example.com", "password": "not this one, no"}
    async with web.client(signed_in=False) as client:
        codes = [(await client.post("/sign-in", data=form)).status_code for _ in range(7)]
        assert codes == [401] * 5 + [429] * 2
        right = {**form, "password": PASSWORD}
        refused = await client.post("/sign-in", data=right)  # the right one has to wait as well
        assert refused.status_code == 429
        assert "wait 31 seconds" in refused.text
        web.clock[0] += timedelta(seconds=31)
        assert (await client.post("/sign-in", data=form)).status_code == 401
        web.clock[0] += timedelta(seconds=31)
        assert "wait 30 seconds" in (await client.post("/sign-in", data=form)).text  # 60 s by now
        web.clock[0] += timedelta(seconds=30)
        assert (await client.post("/sign-in", data=right)).status_code == 303
        assert (await client.post("/sign-in", data=form)).status_code == 401  # and all is forgotten


@given(count=st.integers(0, 10_000), free=st.integers(1, 50))
def test_the_pause_never_shrinks_and_never_passes_a_quarter_of_an_hour(count: int, free: int) -> None:
    assert kept.pause_after(count, free) <= kept.pause_after(count + 1, free) <= timedelta(minutes=15)
    assert (kept.pause_after(count, free) == timedelta(0)) is (count < free)


# Sessions -------------------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_a_browser_that_is_not_used_is_signed_out_and_every_one_after_a_month(web: Any) -> None:
    async with web.client() as client:
        web.clock[0] += kept.IDLE - timedelta(minutes=1)
        assert (await client.get(PAGE)).status_code == 200  # used: another week
        web.clock[0] += kept.IDLE - timedelta(minutes=1)
        assert (await client.get(PAGE)).status_code == 200
        web.clock[0] += kept.IDLE
        assert (await client.get(PAGE)).status_code == 401
    async with web.client() as client:
        for _ in range(10):
            web.clock[0] += timedelta(days=2, hours=23)
            assert (await client.get(PAGE)).status_code == 200
        web.clock[0] += timedelta(hours=11)
        assert (await client.get(PAGE)).status_code == 401


@pytest.mark.anyio
async def test_signing_out_everywhere_ends_every_browser_at_once(web: Any) -> None:
    account(web, role="viewer")
    form = {"email": "mara@example.com", "password": PASSWORD}
    async with web.client(signed_in=False) as one, web.client(signed_in=False) as other:
        await one.post("/sign-in", data=form)
        await other.post("/sign-in", data=form)
        assert (await other.get(PAGE)).status_code == 200
        await one.post("/account/sign-out-everywhere", content=b"")
        assert (await one.get(PAGE)).status_code == (await other.get(PAGE)).status_code == 401


@pytest.mark.anyio
async def test_a_new_password_ends_every_other_browser_and_every_link(web: Any) -> None:
    mara = account(web, role="viewer")
    with writing(web.engine) as session:
        link = kept.new_entry_link(session, mara.id, now=web.clock[0])
    form = {"email": "mara@example.com", "password": PASSWORD}
    new = {"new": "another cold trailer, later", "again": "another cold trailer, later"}
    async with web.client(signed_in=False) as one, web.client(signed_in=False) as other:
        await one.post("/sign-in", data=form)
        await other.post("/sign-in", data=form)
        refused = await one.post("/account/password", data={**new, "old": "not the old one at all"})
        assert refused.status_code == 422
        assert (await one.post("/account/password", data={**new, "old": PASSWORD})).status_code == 200
        assert (await one.get(PAGE)).status_code == 200
        assert (await other.get(PAGE)).status_code == 401
        assert (await other.post("/enter", data={"token": link})).status_code == 401
        assert (await other.post("/sign-in", data=form)).status_code == 401


@pytest.mark.anyio
async def test_closing_an_account_ends_it_at_once(web: Any) -> None:
    mara = account(web, role="viewer")
    async with web.client(signed_in=False) as client, web.client() as owner:
        await client.post("/sign-in", data={"email": "mara@example.com", "password": PASSWORD})
        assert (await client.get(PAGE)).status_code == 200
        assert (await owner.post(f"/accounts/{mara.id}", data={"action": "close"})).status_code == 303
        assert (await client.get(PAGE)).status_code == 401
        again = await client.post("/sign-in", data={"email": "mara@example.com", "password": PASSWORD})
        assert again.status_code == 401


@pytest.mark.anyio
async def test_the_last_owner_stays(web: Any) -> None:
    async with web.client() as owner:
        with reading(web.engine) as session:
            (only,) = kept.accounts(session)
        for action in ("close", "no_owner"):
            refused = await owner.post(f"/accounts/{only.id}", data={"action": action})
            assert refused.status_code == 409
            assert "only owner" in refused.text


# Host, origin, size ---------------------------------------------------------------------------------------------------


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
        assert (await client.get("/sign-in", headers={"host": host})).status_code == 400


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
        sign_in = await client.post("/sign-in", data={"email": "a@b.example", "password": "x"}, headers=headers)
    assert answer.status_code == (303 if allowed else 403)
    assert bool(web.planner.replanned) is allowed
    assert sign_in.status_code == (401 if allowed else 403)  # nobody is signed in as somebody else unawares


@pytest.mark.anyio
async def test_a_body_that_is_too_long_is_refused(web: Any) -> None:
    async with web.client() as client:
        big = await client.post("/sites/north-yard/schedule", files={"file": ("big.csv", b"x" * 10_200_000)})
        assert big.status_code == 413
        assert "more than 10 MB" in big.text

        async def unmeasured() -> Any:
            yield b"mark=CR-B4-W"

        assert (await client.post("/sites/north-yard/state", content=unmeasured())).status_code == 411
    async with web.client(signed_in=False) as client:
        assert (await client.post("/sign-in", data={"email": "x" * 60_000})).status_code == 413


@pytest.mark.anyio
async def test_a_body_in_chunks_is_refused_whatever_length_stands_beside_it(web: Any, base_url: str) -> None:
    # Over a real connection: with both headers the length means nothing (RFC 9112, 6.3).
    host, port = base_url.removeprefix("http://").split(":")
    for path in ("/sign-in", f"/crew/{'a' * 30}/readings.json", "/sites/north-yard/thermometer"):
        with socket.create_connection((host, int(port)), timeout=10) as line:
            head = f"POST {path} HTTP/1.1\r\nHost: {host}:{port}\r\nSec-Fetch-Site: same-origin\r\n"
            line.sendall(f"{head}Content-Length: 10\r\nTransfer-Encoding: chunked\r\n\r\n".encode())
            line.sendall(b"fff0\r\n" + b"x" * 0xFFF0)
            assert line.recv(100).split()[1] in (b"411", b"400")


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["/sign-in?next=//[", "//[", "/sign-in?next=//%E2%84%80.com"])
async def test_an_address_that_is_none_is_no_crash(web: Any, path: str) -> None:
    async with web.client(signed_in=False) as client:
        answer = await client.get(f"http://localhost:8765{path}")
    assert answer.status_code in (200, 401)


@pytest.mark.anyio
async def test_a_trailer_that_signs_in_well_is_not_locked_out(web: Any) -> None:
    account(web)
    form = {"email": "mara@example.com", "password": PASSWORD}
    async with web.client(signed_in=False) as client:
        for _ in range(35):
            web.clock[0] += timedelta(seconds=20)
            assert (await client.post("/sign-in", data=form)).status_code == 303


@pytest.mark.anyio
async def test_who_is_throttled_by_his_network_address_adds_nothing_to_what_is_kept(web: Any) -> None:
    async with web.client(signed_in=False) as client:
        codes = []
        for n in range(40):
            form = {"email": f"{n}@example.com", "password": "not this one, no"}
            codes.append((await client.post("/sign-in", data=form)).status_code)
    assert codes == [401] * 30 + [429] * 10
    with reading(web.engine) as session:
        assert len(session.exec(select(AttemptRow)).all()) == 31


# Mail addresses and names ---------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_nobody_lies_in_wait_under_the_address_of_another(web: Any) -> None:
    account(web, role="crew")
    form = {"name": "Mara Quist", "email": "boss@example.com", "units": "si"}
    async with web.client(signed_in=False) as client:
        with writing(web.engine) as session:
            mara = kept.by_mail(session, "mara@example.com")
            assert mara is not None
            link = kept.new_entry_link(session, mara.id, now=web.clock[0])
        await client.post("/enter", data={"token": link})
        refused = await client.post("/account", data=form)
        assert refused.status_code == 403
        assert "nobody can show that an address is his" in refused.text
        sent: list[tuple[str, str]] = []
        web.app.state.mailer = lambda to, name, subject, text, now: sent.append((to, text))
        try:
            said = await client.post("/account", data=form)
        finally:
            web.app.state.mailer = None
        assert "counts once you have used it" in said.text
        with reading(web.engine) as session:
            assert kept.by_mail(session, "boss@example.com") is None
        ((to, text),) = sent
        assert to == "boss@example.com"
        token = re.findall(r"token=([\w-]+)", text)[0]
        await client.post("/enter", data={"token": token})
        with reading(web.engine) as session:
            moved = kept.by_mail(session, "boss@example.com")
        assert moved is not None
        assert (moved.name, moved.proven, moved.units) == ("Mara Quist", True, "si")


@pytest.mark.anyio
@pytest.mark.parametrize("name", ["owner", "Token display", "This machine", "command line", "", "x" * 101, "a\tb\x00"])
async def test_nobody_signs_with_the_name_of_another_or_of_a_program(web: Any, name: str) -> None:
    account(web, role="crew")
    async with web.client() as owner:
        assert (await owner.get("/account.json")).json()["name"] == "Owner"
    async with web.client(signed_in=False) as client:
        await client.post("/sign-in", data={"email": "mara@example.com", "password": PASSWORD})
        answer = await client.post("/account", data={"name": name, "email": "mara@example.com"})
        assert answer.status_code in (409, 422)
        assert (await client.get("/account.json")).json()["name"] == "Mara Quist"


def test_a_path_in_the_log_holds_no_secret() -> None:
    assert shown_path("/crew/SECRET/joints/X.json") == "/crew/.../joints/X.json"
    assert shown_path("/calendar/SECRET.ics") == "/calendar/....ics"
    assert shown_path("/sites/a/morning") == "/sites/a/morning"
