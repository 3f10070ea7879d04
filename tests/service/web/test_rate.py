"""How often one client may ask, at the guard of a real app, and the buckets by themselves."""

import json
import sys
from contextlib import asynccontextmanager
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.service.web.conftest import HandPlanner, make_plan, token_of

from frostshift_service.app import create_app
from frostshift_service.rate import MOST_KEPT, Buckets, Limits, address_of
from frostshift_service.settings import Settings
from frostshift_service.store import crew_links
from frostshift_service.store.engine import writing
from frostshift_service.store.thermometer import add_token, revoke_token

PAGE = "/sites/north-yard/morning"


@pytest.fixture
def slow(web: Any, tmp_path: Any) -> Any:
    """An app that takes one request a second, thirty at once, and three wrong secrets."""
    planner = HandPlanner(make_plan(), engine=web.engine, clock=web.clock)
    settings = Settings(data_dir=tmp_path, requests_per_second=1)
    return create_app(settings, web.engine, lambda: web.clock[0], planner)


@asynccontextmanager
async def browser(app: Any, address: str = "192.0.2.7") -> Any:
    transport = httpx.ASGITransport(app, client=(address, 1))
    headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost:8765", headers=headers) as client:
        yield client


@pytest.mark.anyio
async def test_who_asks_too_often_has_to_wait_and_nobody_else(slow: Any) -> None:
    async with browser(slow) as one, browser(slow) as other:
        for client in (one, other):
            assert (await client.post("/enter", data=token_of(slow))).status_code == 303
        codes = [(await one.get("/account")).status_code for _ in range(31)]
        assert codes[:30] == [200] * 30
        assert codes[30] == 429
        refused = await one.get("/account.json")
        assert refused.status_code == 429
        assert refused.headers["content-type"] == "application/problem+json"
        assert refused.json()["detail"].startswith("Too many requests from here: wait ")
        assert 1 <= int(refused.headers["retry-after"]) <= 2
        for path in ("/healthz", "/static/app.css"):  # what is not counted
            assert (await one.get(path)).status_code == 200
        assert (await other.get("/account")).status_code == 200  # behind the same address, with a session of its own


@pytest.mark.anyio
async def test_who_is_not_known_is_counted_by_his_address(slow: Any) -> None:
    async with browser(slow) as one, browser(slow, "192.0.2.8") as elsewhere:
        codes = [
            (await one.get("/", headers={"cookie": f"frostshift_session=made-up-{number}"})).status_code
            for number in range(31)
        ]
        assert codes == [401] * 30 + [429]
        assert (await elsewhere.get("/sign-in")).status_code == 200


@pytest.mark.anyio
@pytest.mark.parametrize("header", ["cookie", "authorization"])
async def test_what_is_refused_is_not_looked_up(slow: Any, header: str, monkeypatch: pytest.MonkeyPatch) -> None:
    looked_up: list[Any] = []
    found = slow.state.door.who
    monkeypatch.setattr(slow.state.door, "who", lambda brought: looked_up.append(brought) or found(brought))
    made_up = "frostshift_session=made-up-{}" if header == "cookie" else "Bearer made-up-{}"
    async with browser(slow) as one:
        codes = [
            (await one.get("/account", headers={header: made_up.format(number)})).status_code for number in range(40)
        ]
        assert codes == [401] * 30 + [429] * 10
        assert len(looked_up) == 30


@pytest.mark.anyio
async def test_a_program_with_a_dead_token_keeps_nobody_from_signing_in(slow: Any) -> None:
    async with browser(slow) as program, browser(slow) as person:
        dead = {"authorization": "Bearer dead"}
        codes = [(await program.get("/account.json", headers=dead)).status_code for _ in range(31)]
        assert codes == [401] * 30 + [429]
        assert (await person.post("/enter", data=token_of(slow))).status_code == 303
        assert (await person.get("/account")).status_code == 200


@pytest.mark.anyio
async def test_a_session_that_ended_is_nobody_known(slow: Any) -> None:
    async with browser(slow) as one:
        assert (await one.post("/enter", data=token_of(slow))).status_code == 303
        cookie = {"cookie": f"frostshift_session={one.cookies['frostshift_session']}"}
        assert (await one.get("/account")).status_code == 200
        assert (await one.post("/account/sign-out")).status_code == 303
        one.cookies.clear()
        codes = [(await one.get("/account", headers=cookie)).status_code for _ in range(40)]
        assert (codes[0], codes[-1]) == (401, 429)
        assert (await one.get("/sign-in")).status_code == 429  # it was counted for the address


@pytest.mark.anyio
async def test_guessing_links_is_slowed_and_a_phone_with_a_right_one_is_not(slow: Any, web: Any) -> None:
    with writing(web.engine) as session:
        secrets = [
            crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t") for _ in "ab"
        ]
    async with browser(slow) as phone:
        assert (await phone.get(f"/crew/{secrets[0]}")).status_code == 200
        codes = [(await phone.get(f"/crew/{'x' * 30}{number}.json")).status_code for number in range(4)]
        assert codes == [404] * 3 + [429]
        assert (await phone.get(f"/crew/{secrets[0]}")).status_code == 200  # was right before
        assert (await phone.get(f"/crew/{secrets[1]}")).status_code == 429  # nobody can know yet
        assert (await phone.get(f"/calendar/{'y' * 30}.ics")).status_code == 429
        assert (await phone.get("/sign-in")).status_code == 200
    async with browser(slow, "192.0.2.8") as elsewhere:
        assert (await elsewhere.get(f"/crew/{secrets[1]}")).status_code == 200


@pytest.mark.anyio
async def test_a_link_that_was_ended_is_no_right_one_any_more(slow: Any, web: Any) -> None:
    with writing(web.engine) as session:
        secret = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
    async with browser(slow) as phone:
        assert (await phone.get(f"/crew/{secret}")).status_code == 200
        with writing(web.engine) as session:
            (link,) = crew_links.crew_links_of(session, "north-yard", "page")
            crew_links.revoke_crew_link(session, "north-yard", "page", link.id, now=web.clock[0], by="t")
            fresh = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
        codes = [(await phone.get(f"/crew/{secret}")).status_code for _ in range(6)]
        assert codes == [404] * 6
        guesses = [(await phone.get(f"/crew/{'x' * 30}{number}.json")).status_code for number in range(3)]
        assert guesses == [404] * 2 + [429], "the ended one was one guess, however often it came"
    async with browser(slow, "192.0.2.8") as beside:
        assert [(await beside.get(f"/crew/{secret}")).status_code for _ in range(6)] == [404] * 6
        assert (await beside.get(f"/crew/{fresh}")).status_code == 200


@pytest.mark.anyio
async def test_a_device_with_a_dead_token_keeps_nobody_from_a_link(slow: Any, web: Any) -> None:
    with writing(web.engine) as session:
        secret = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
    async with browser(slow) as trailer:
        dead = {"authorization": "Bearer dead"}
        codes = [
            (await trailer.post("/sites/north-yard/thermometer", content=b"{}", headers=dead)).status_code
            for _ in range(5)
        ]
        assert codes == [401] * 5
        assert (await trailer.get(f"/crew/{secret}")).status_code == 200


@pytest.mark.anyio
async def test_a_device_whose_token_was_revoked_has_no_right_one_any_more(slow: Any, web: Any) -> None:
    with writing(web.engine) as session:
        secret = add_token(session, "north-yard", "mast", now=web.clock[0])
    post = {"url": "/sites/north-yard/thermometer", "headers": {"authorization": f"Bearer {secret}"}}
    async with browser(slow) as device:
        posted = {"content": json.dumps({"air_c": -12.3, "at_utc": web.clock[0].isoformat()})}
        assert (await device.post(**post, **posted)).status_code == 200
        assert [(await device.post(**post, content=b"{}")).status_code for _ in range(5)] == [422] * 5  # a right one
        with writing(web.engine) as session:
            revoke_token(session, "north-yard", 1, now=web.clock[0])
        assert [(await device.post(**post, **posted)).status_code for _ in range(4)] == [403] * 4


@pytest.mark.anyio
async def test_what_is_not_there_behind_a_right_link_is_no_wrong_link(slow: Any, web: Any) -> None:
    with writing(web.engine) as session:
        page = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
        calendar = crew_links.new_crew_token(session, "north-yard", "calendar", "", now=web.clock[0], by="t")
        unopened = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
    slow.state.desk.planner.plan = None  # nothing is planned yet
    async with browser(slow) as phone:
        for path in (f"/crew/{page}/joints/GONE", f"/calendar/{calendar}.ics"):
            assert [(await phone.get(path)).status_code for _ in range(4)] == [404] * 4
        assert (await phone.get(f"/crew/{unopened}")).status_code == 404  # looked up: the site has no plan
        codes = [(await phone.get(f"/crew/{'x' * 30}{number}.json")).status_code for number in range(4)]
        assert codes == [404] * 3 + [429]  # not one of the three was taken by the right ones
        assert (await phone.get(f"/calendar/{calendar}.ics")).status_code == 404  # and they are known


@pytest.mark.anyio
async def test_an_answer_without_a_look_up_makes_no_guess_a_right_link(slow: Any) -> None:
    async with browser(slow) as phone:
        for number in range(4):  # a slash too many leads on, whatever the secret
            assert (await phone.get(f"/crew/{'y' * 30}{number}/readings/")).status_code == 307
        codes = [(await phone.get(f"/crew/{'y' * 30}{number}.json")).status_code for number in range(4)]
        assert codes == [404] * 3 + [429]


@given(
    held=st.integers(1, 50),
    per_s=st.floats(0.1, 50),
    pauses=st.lists(st.floats(0, 20), max_size=200),
)
def test_no_bucket_ever_gives_more_than_it_held_and_was_filled_with(
    held: int, per_s: float, pauses: list[float]
) -> None:
    clock = [0.0]
    buckets = Buckets(held, per_s, lambda: clock[0])
    given_out = 0
    for pause in pauses:
        clock[0] += pause
        wait_s = buckets.wait_s("a")
        if not wait_s:
            buckets.take("a")
            given_out += 1
        else:
            clock[0] += wait_s + 1e-9
            assert buckets.wait_s("a") < 1e-6  # the wait that is said is the wait there is
    assert given_out <= held + per_s * clock[0] + 1e-6


def test_memory_is_bounded_whatever_asks() -> None:
    limits = Limits(20)
    for number in range(MOST_KEPT * 3):
        limits.wait_s(f"a{number}")
        limits.was_wrong(f"b{number}", f"x{number}")
        limits.was_right(f"c{number}")
    kept = (limits._requests._kept, limits._guesses._kept, limits._right, limits._wrong)
    assert [len(one) for one in kept] == [MOST_KEPT] * 4
    assert sum(sys.getsizeof(one) for one in kept) < 5_000_000


@pytest.mark.parametrize(
    ("host", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        (None, "unknown"),
        ("testclient", "testclient"),
    ],
)
def test_what_an_address_is_counted_by(host: str | None, counted: str) -> None:
    assert address_of(host) == counted
