"""Every link of every page, followed as each role: none leads to an error; no form is shown that would be refused."""

import re
from html.parser import HTMLParser
from typing import Any, Final
from urllib.parse import urljoin, urlsplit

import httpx
import pytest
from tests.service.web.conftest import NOW, Web
from tests.service.web.test_rights import people, sign_in  # noqa: F401  # a fixture

from frostshift_service.rights import ASKED, RIGHTS, RIGHTS_OF, ROLES
from frostshift_service.store.engine import writing
from frostshift_service.store.joints import import_joints, joints_of
from frostshift_service.store.records import ImportedJoint

MOST_PAGES: Final = 3000
MOST_ALIKE: Final = 2
BASE: Final = "http://localhost:8765"


class Links(HTMLParser):
    """What a page leads to: links to follow, and where its forms post to."""

    def __init__(self) -> None:
        super().__init__()
        self.links: set[str] = set()
        self.posts: set[str] = set()
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if "id" in found:
            self.ids.append(found["id"])
        if tag in ("a", "link", "area") and found.get("href"):
            self.links.add(found["href"])
        if tag in ("img", "script") and found.get("src"):
            self.links.add(found["src"])
        if tag == "form":
            (self.posts if found.get("method", "get").lower() == "post" else self.links).add(found.get("action", ""))
        if tag in ("button", "input") and found.get("formaction"):
            self.posts.add(found["formaction"])


def is_ours(url: str) -> bool:
    return url.startswith(BASE + "/")


def alike(url: str) -> str:
    """Pages that differ only in what is asked for in the query, or in the joint, are looked at a few times only."""
    parts = urlsplit(url)
    names = "&".join(sorted(part.partition("=")[0] for part in parts.query.split("&")))
    return re.sub(r"/joints/[^/]+?(\.\w+)?$", r"/joints/*\1", parts.path) + "?" + names


async def crawl(
    client: httpx.AsyncClient, *, files: bool, to_the_first_error: bool = False
) -> tuple[dict[str, int], dict[str, set[str]], dict[str, list[str]]]:
    """URL -> status; where a form posts to -> pages that show it; page -> ids that it has twice."""
    waiting, seen, posts, twice = [f"{BASE}/"], dict[str, int](), dict[str, set[str]](), dict[str, list[str]]()
    counted: dict[str, int] = {}
    while waiting and len(seen) < MOST_PAGES:
        url = waiting.pop(0)
        slow = urlsplit(url).path.endswith((".pdf", ".xlsx"))
        if url in seen or counted.get(alike(url), 0) >= (int(files) if slow else MOST_ALIKE):
            continue
        counted[alike(url)] = counted.get(alike(url), 0) + 1
        answer = await client.get(url)
        seen[url] = answer.status_code
        if to_the_first_error and answer.is_error:
            break
        if answer.is_redirect:
            waiting.append(urljoin(url, answer.headers["location"]))
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        page = Links()
        page.feed(answer.text)
        for link in page.links:
            target = urljoin(url, link).partition("#")[0]
            if is_ours(target):
                waiting.append(target)
        for post in page.posts:
            posts.setdefault(urlsplit(urljoin(url, post)).path, set()).add(url)
        doubled = sorted({one for one in page.ids if page.ids.count(one) > 1})
        if doubled:
            twice[url] = doubled
    return seen, posts, twice


def asked_by(path: str) -> str:
    """What a form's path asks for."""
    for known, asked in ASKED.items():
        method, template = known.split(" ", 1)
        pattern = re.sub(r"\\\{\w+(?::(path))?\\\}", r"[^/]+", re.escape(template).replace("\\:", ":"))
        if method == "POST" and re.fullmatch(pattern, path):
            return asked
    raise AssertionError(f"no route takes a form at {path}")


@pytest.mark.anyio
@pytest.mark.parametrize("who", ["owner", *ROLES])
async def test_no_link_leads_to_an_error_and_no_form_is_refused(people: Web, who: str) -> None:  # noqa: F811
    with writing(people.engine) as session:  # the planner has the same plan for every site
        joints = [ImportedJoint(one, row) for row, one in enumerate(joints_of(session, "north-yard"), 2)]
        import_joints(session, "south-yard", joints, now=NOW, file_name="week-51.csv", by="test")
    async with people.client(signed_in=who == "owner") as client:
        await sign_in(client, who)
        # Prints and workbooks take seconds each, and are the same for all.
        seen, posts, twice = await crawl(client, files=who == "owner")
    assert {url: status for url, status in seen.items() if status >= 400} == {}
    assert twice == {}
    assert len(seen) > 25
    if who != "owner":
        may: set[Any] = {*RIGHTS_OF[who], "signed_in", "account", "open"}
        refused = {path: sorted(shown)[:2] for path, shown in posts.items() if asked_by(path) not in may}
        assert refused == {}
    else:
        assert {asked_by(path) for path in posts} >= set(RIGHTS) - {"see", "watch", "answer"}  # no notice is open here
    print(f"{who}: {len(seen)} addresses, forms to {len(posts)} paths")


@pytest.mark.anyio
async def test_sites_without_a_plan_lead_to_no_error(people: Web) -> None:  # noqa: F811
    people.planner.plan = None
    async with people.client() as client:
        seen, _, _ = await crawl(client, files=False)
    assert {url: status for url, status in seen.items() if status >= 400} == {}
    assert f"{BASE}/sites/north-yard/gas" in seen


@pytest.mark.anyio
async def test_the_crawler_would_find_a_dead_link(people: Web) -> None:  # noqa: F811
    async with people.client() as client:
        seen, _, _ = await crawl(client, files=False, to_the_first_error=True)
    # The planner has the same plan for every site, and this one's schedule none of its joints.
    assert [url for url, status in seen.items() if status == 404 and "/south-yard/joints/" in url]
