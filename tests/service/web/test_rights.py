"""Every role at every path: what is expected is typed here, apart from `rights.py`, and sent over real requests."""

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import httpx
import pytest
from fastapi.routing import APIRoute
from tests.service.web.conftest import NOW, Web
from tests.service.web.test_auth import PASSWORD, account, hashed

from frostshift_service import account_pages, api, app, pages
from frostshift_service.rights import ASKED, ROLES
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.machine_tokens import machine_tokens_of, new_machine_token, revoke_machine_token
from frostshift_service.store.sites import load_site, save_site

SITE: Final = "north-yard"
WHO: Final = ("owner", "superintendent", "purchasing", "crew", "viewer", "elsewhere", "nobody")
"""`elsewhere` is superintendent of another site; `nobody` is not signed in."""

# What each may do, as a person would say it; a letter a column of WHO: y may, n is refused, - is not there for him
# (404), s has to sign in first.
EXPECTED: Final = {
    "read": "yyyyy-s",
    "write readings, states": "yynyn-s",
    "change the schedule": "yynnn-s",
    "enter gas cylinders": "yyynn-s",
    "answer a notice": "yyyyn-s",
    "set up, people, roles": "yynnn-s",
    "anybody signed in": "yyyyyys",
    "figures about the service": "yynnnys",  # each of the sites he watches
    "all accounts": "ynnnnns",
    "open to all": "yyyyyyy",
}
KINDS: Final = {
    "see": "read",
    "work": "write readings, states",
    "plan": "change the schedule",
    "stock": "enter gas cylinders",
    "answer": "answer a notice",
    "set_up": "set up, people, roles",
    "signed_in": "anybody signed in",
    "account": "anybody signed in",
    "watch_some": "figures about the service",
    "own": "all accounts",
    "open": "open to all",
}


def every_route() -> Iterator[tuple[str, str]]:
    """Method and template of every path of the app."""
    for module in app.ROUTERS:
        for route in module.router.routes:
            assert isinstance(route, APIRoute)
            for method in route.methods:
                yield method, route.path


def test_every_path_says_what_it_asks_for_and_nothing_else_is_said() -> None:
    assert {f"{method} {path}" for method, path in every_route()} == set(ASKED)
    assert {pages, api, account_pages} <= set(app.ROUTERS)


def test_what_changes_something_never_asks_for_reading_alone() -> None:
    safe = {
        "POST /cases.json",  # works a case out and keeps nothing
    }
    asked = {path: right for path, right in ASKED.items() if path.startswith("POST ") and path not in safe}
    assert [path for path, right in asked.items() if right in ("see", "signed_in")] == []


def filled(path: str) -> str:
    """A path with something in the place of its parameters; most of it is not there, and that is not asked here."""
    values = {"site_id": SITE, "mark": "CR-B4-W", "table_id": "aws_d1_1_2015_t3_3", "kind": "csv"}
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda found: values.get(found[1], "1"), path)


@pytest.fixture
def people(web: Web) -> Web:
    """An account for everybody in WHO but the owner, who is there, and nobody."""
    with writing(web.engine) as session:
        save_site(session, replace(load_site(session, SITE).site, id="south-yard", name="South yard"), show_units="us")
    for role in ROLES:
        account(web, f"{role}@example.com", role=role)
    with writing(web.engine) as session:
        made = account_pages.kept.add_account(session, "elsewhere@example.com", "Else Where", now=NOW)
        account_pages.kept.set_role(session, "south-yard", made.id, "superintendent")
        link = account_pages.kept.new_entry_link(session, made.id, now=NOW, proves=True)
        assert account_pages.kept.use_entry_link(session, link, now=NOW) is not None
        account_pages.kept.set_password(session, made.id, hashed(PASSWORD))
    return web


async def sign_in(client: httpx.AsyncClient, who: str) -> None:
    if who not in ("owner", "nobody"):
        answer = await client.post("/sign-in", data={"email": f"{who}@example.com", "password": PASSWORD})
        assert answer.status_code == 303


def said(method: str, path: str, answer: httpx.Response) -> str:
    """What an answer says about rights; what else is wrong with the request is let be."""
    if answer.status_code == 401 and path not in ("/sign-in", "/enter"):
        return "s"
    if answer.status_code == 403:
        return "n"
    return "-" if answer.status_code == 404 and f"there is no site &#39;{SITE}" in _text(answer) else "y"


def _text(answer: httpx.Response) -> str:
    return answer.text.replace("There is", "there is").replace("'", "&#39;")


@pytest.mark.anyio
@pytest.mark.parametrize("who", WHO)
async def test_every_role_at_every_path(people: Web, who: str) -> None:
    wrong = []
    column = WHO.index(who)
    ends_the_session = ("/account/sign-out", "/account/sign-out-everywhere")
    async with people.client(signed_in=who == "owner") as client:
        await sign_in(client, who)
        for method, template in sorted(every_route()):
            asked = ASKED[f"{method} {template}"]
            if asked in ("link", "device") or template in ends_the_session:
                continue
            path = filled(template)
            options: dict[str, Any] = {} if method == "GET" else {"data": {"nothing": "1"}}
            answer = await client.request(method, path, **options)
            assert answer.status_code != 500, (method, path)
            found, expected = said(method, path, answer), EXPECTED[KINDS[asked]][column]
            if found != expected:
                wrong.append((who, method, template, found, expected, answer.status_code))
    assert wrong == []
    assert people.planner.replanned == []


@pytest.mark.anyio
async def test_only_the_sites_one_knows_are_listed(people: Web) -> None:
    seen = {}
    for who in WHO[:-1]:
        async with people.client(signed_in=who == "owner") as client:
            await sign_in(client, who)
            seen[who] = [one["id"] for one in (await client.get("/sites.json")).json()["sites"]]
    here = [SITE]
    assert seen == {
        "owner": [SITE, "south-yard"],
        "superintendent": here,
        "purchasing": here,
        "crew": here,
        "viewer": here,
        "elsewhere": ["south-yard"],
    }


@pytest.mark.anyio
async def test_a_site_in_the_query_has_to_be_ones_own(people: Web) -> None:
    async with people.client(signed_in=False) as client:
        await sign_in(client, "elsewhere")
        for path in ("/case", "/tables", "/arrangements", "/tables.json", "/case.json"):
            assert (await client.get(path, params={"site": SITE})).status_code == 404
            assert (await client.get(path, params={"site": "south-yard"})).status_code == 200


# Programs -------------------------------------------------------------------------------------------------------------

TOKENS: Final = {
    "read": {"GET /sites/north-yard/morning.json": True, "POST /sites/north-yard/state": False},
    "readings": {"GET /sites/north-yard/morning.json": False, "POST /sites/north-yard/state": True},
    "schedule": {"GET /sites/north-yard/morning.json": False, "POST /sites/north-yard/undo": True},
    "stock": {"POST /sites/north-yard/stock": True, "POST /sites/north-yard/undo": False},
}


@pytest.mark.anyio
@pytest.mark.parametrize("scope", TOKENS)
async def test_a_token_may_do_what_its_scope_says_and_at_its_site_alone(people: Web, scope: str) -> None:
    with writing(people.engine) as session:
        secret = new_machine_token(session, SITE, "wall display", [scope], by="test", now=NOW)
    headers = {"authorization": f"Bearer {secret}"}
    async with people.client(signed_in=False) as client:
        del client.headers["sec-fetch-site"]  # no browser sends it, and no cookie is looked at
        for request, allowed in TOKENS[scope].items():
            method, path = request.split()
            options: dict[str, Any] = {} if method == "GET" else {"data": {"nothing": "1"}}
            answer = await client.request(method, path, headers=headers, **options)
            assert (answer.status_code != 403) is allowed, request
            other = await client.request(method, path.replace(SITE, "south-yard"), headers=headers, **options)
            assert other.status_code == 404
        assert (await client.get("/accounts.json", headers=headers)).status_code == 403
        assert (await client.get("/account.json", headers=headers)).status_code == 403


@pytest.mark.anyio
async def test_a_token_that_was_ended_or_made_up_is_nobodys(people: Web) -> None:
    with writing(people.engine) as session:
        secret = new_machine_token(session, SITE, "wall display", ["read"], by="test", now=NOW)
        (token,) = machine_tokens_of(session, SITE)
    path = "/sites/north-yard/morning.json"
    async with people.client() as client:  # signed in: the token counts, not the cookie beside it
        assert (await client.get(path, headers={"authorization": f"Bearer {secret}"})).status_code == 200
        for header in ("Bearer made-up", "Basic YTpi", "Bearer ", secret):
            assert (await client.get(path, headers={"authorization": header})).status_code == 401
        with writing(people.engine) as session:
            revoke_machine_token(session, SITE, token.id, now=NOW)
        answer = await client.get(path, headers={"authorization": f"Bearer {secret}"})
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
    with reading(people.engine) as session:
        assert machine_tokens_of(session, SITE)[0].last_used_utc == NOW


# Letting people in ----------------------------------------------------------------------------------------------------


@pytest.mark.anyio
async def test_who_has_an_account_elsewhere_is_let_in_without_a_link_being_shown(people: Web) -> None:
    # A superintendent who saw the link of somebody with more rights elsewhere could sign in as him.
    async with people.client(signed_in=False) as client:
        await sign_in(client, "superintendent")
        form = {"name": "Else Where", "email": "elsewhere@example.com", "role": "viewer"}
        there = await client.post("/sites/north-yard/access", data=form)
        assert "Else Where is viewer here" in there.text
        assert "/enter?token=" not in there.text
        new = await client.post(
            "/sites/north-yard/access", data={"name": "New", "email": "new@example.com", "role": "crew"}
        )
        (link,) = re.findall(r"(/enter\?token=[\w-]+)", new.text)
    async with people.client(signed_in=False) as client:
        await client.post("/enter", data={"token": link.split("=")[1]})
        assert (await client.get("/sites/north-yard/morning")).status_code == 200
        assert (await client.get("/sites/north-yard/access")).status_code == 403


@pytest.mark.anyio
async def test_a_superintendent_changes_the_roles_of_his_site_alone(people: Web) -> None:
    with reading(people.engine) as session:
        ids = {one.email: one.id for one in account_pages.kept.accounts(session)}
    async with people.client(signed_in=False) as client:
        await sign_in(client, "superintendent")
        path = f"/sites/north-yard/access/{ids['elsewhere@example.com']}"
        assert (await client.post(path, data={"role": "viewer"})).status_code == 404
        path = f"/sites/north-yard/access/{ids['crew@example.com']}"
        assert (await client.post(path, data={"role": "king"})).status_code == 422
        assert (await client.post(path, data={"role": "none"})).status_code == 303
        log = (await client.get("/sites/north-yard/access.json")).json()["log"]
        assert [(one["by"], one["what"]) for one in log[:1]] == [("Mara Superintendent", "role")]
    async with people.client(signed_in=False) as client:
        await sign_in(client, "crew")
        assert (await client.get("/sites/north-yard/morning")).status_code == 404


@pytest.mark.anyio
async def test_the_log_is_about_settings_and_never_holds_a_secret(people: Web) -> None:
    async with people.client() as client:
        await client.post("/sites/north-yard/access/tokens", data={"name": "display", "scope": ["read"]})
        lines = (await client.get("/audit.json")).json()["log"]
        page = (await client.get("/audit")).text
    assert [one["what"] for one in lines[:2]] == ["token made", "signed in"]
    assert "fst_" not in page
    assert PASSWORD not in page


@pytest.mark.anyio
async def test_a_role_is_not_given_to_an_account_that_nobody_has_proven(people: Web) -> None:
    # The superintendent of one site makes an account in the name of somebody and keeps the link to himself.
    form = {"name": "Future Boss", "email": "boss@example.com"}
    async with people.client(signed_in=False) as client:
        await sign_in(client, "elsewhere")
        made = await client.post("/sites/south-yard/access", data={**form, "role": "viewer"})
        assert "/enter?token=" in made.text
    async with people.client(signed_in=False) as client:
        await sign_in(client, "superintendent")
        refused = await client.post("/sites/north-yard/access", data={**form, "role": "superintendent"})
        assert refused.status_code == 422
        assert "has not shown yet that this address is his" in refused.text
    async with people.client() as owner:
        given = await owner.post("/sites/north-yard/access", data={**form, "role": "viewer"})
        assert "Future Boss is viewer here" in given.text


@pytest.mark.anyio
async def test_a_crew_says_what_is_done_and_not_when_it_is_a_joints_turn(people: Web) -> None:
    path = "/sites/north-yard/state"
    async with people.client(signed_in=False) as client:
        await sign_in(client, "crew")
        for action in ("postponed", "next_shift"):
            assert (await client.post(path, data={"mark": "CR-B4-W", "action": action})).status_code == 403
        assert people.planner.replanned == []
        assert (await client.post(path, data={"mark": "CR-B4-W", "action": "done"})).status_code == 303
        sheet = (await client.get("/sites/north-yard/morning")).text
        assert 'value="done"' in sheet
        assert 'value="next_shift"' not in sheet
    async with people.client(signed_in=False) as client:
        await sign_in(client, "viewer")
        assert 'value="done"' not in (await client.get("/sites/north-yard/morning")).text
