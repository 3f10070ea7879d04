"""What comes in is bounded: every parameter by its declaration, and posts that are deep, huge or of very many parts."""

from collections.abc import Iterator
from time import monotonic
from typing import Any

import pytest
from annotated_types import Le, Lt, MaxLen
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from pydantic.fields import FieldInfo

from frostshift_service.app import ROUTERS
from frostshift_service.store import crew_links
from frostshift_service.store.engine import writing

READING = b'[{"mark": "CR-B4-W", "steel_c": 1, "stage": "before_arc", "age_s": 0}]'
BODIES = {
    "lists in lists": b"[" * 100_000 + b"]" * 100_000,
    "objects in objects": b'{"a":' * 100_000 + b"1" + b"}" * 100_000,
    "deep inside a reading": READING.replace(b'"CR-B4-W"', b"[" * 100_000 + b"]" * 100_000),
    "a number of very many digits": READING.replace(b"1,", b"9" * 300_000 + b","),
    "a number beyond all": READING.replace(b"1,", b"1e999999999,"),
    "no number": READING.replace(b"1,", b"NaN,"),
    "a long text": READING.replace(b"CR-B4-W", b"x" * 800_000),
    "a letter that is none": READING.replace(b"CR-B4-W", rb"\ud800\u0000"),
    "very many keys": b"{" + b",".join(b'"k%d": 1' % number for number in range(60_000)) + b"}",
    "very many keys, one of them twice": b'{"k0": 1,'
    + b",".join(b'"k%d": 1' % number for number in range(60_000))
    + b"}",
    "very many readings": b"[" + b",".join([READING[1:-1]] * 10_000) + b"]",
    "no JSON": b"\xff\xfe\x00",
}


def fields(dependant: Dependant) -> Iterator[tuple[str, FieldInfo]]:
    for found in (dependant.path_params, dependant.query_params, dependant.header_params, dependant.body_params):
        yield from ((field.name, field.field_info) for field in found)
    for inner in dependant.dependencies:
        yield from fields(inner)


def test_every_text_and_number_of_a_request_has_a_longest() -> None:
    # The mark in a path is as long as a path may be; lists are as long as their parameter says.
    unbounded = {
        (route.path, name)
        for module in ROUTERS
        for route in module.router.routes
        if isinstance(route, APIRoute)
        for name, info in fields(route.dependant)
        if any(kind in str(info.annotation) for kind in ("str", "int", "float"))
        and "Literal" not in str(info.annotation)
        and "UploadFile" not in str(info.annotation)  # bounded by the body
        and not any(isinstance(one, Le | Lt | MaxLen) for one in info.metadata)
        and "{" + name + ":path}" not in route.path
    }
    assert unbounded == set()


@pytest.mark.anyio
@pytest.mark.parametrize("kind", BODIES)
async def test_a_post_of_json_that_is_no_honest_one_is_refused_in_time(web: Any, kind: str) -> None:
    with writing(web.engine) as session:
        secret = crew_links.new_crew_token(session, "north-yard", "page", "north", now=web.clock[0], by="t")
    paths = ("/sites/north-yard/readings.json", f"/crew/{secret}/readings.json", "/sites/north-yard/schedule/bulk.json")
    async with web.client() as client:
        for path in (*paths, "/cases.json", "/sites/north-yard/schedule.json", "/sites/north-yard/thermometer"):
            began_s = monotonic()
            headers = {"accept": "application/json", "content-type": "application/json"}
            answer = await client.post(path, content=BODIES[kind], headers=headers)
            assert answer.status_code in (401, 413, 422) or (path == "/cases.json" and answer.status_code == 200), path
            assert answer.status_code != 401 or path.endswith("thermometer")
            assert len(answer.content) < 1_000_000, path
            assert monotonic() - began_s < 10  # this machine may be at work


@pytest.mark.anyio
@pytest.mark.parametrize("path", ["state", "readings", "schedule/bulk", "set-up/site", "stock", "schedule"])
async def test_forms_of_very_many_fields_or_parts_are_refused(web: Any, path: str) -> None:
    part = b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n'
    forms = {
        "application/x-www-form-urlencoded": b"a=1&" * 1_000_000,
        "multipart/form-data; boundary=x": part * 50_000 + b"--x--\r\n",
        "multipart/form-data; boundary=y": part.replace(b"--x", b"--y").replace(
            b'name="a"', b'name="a"; filename="f"'
        ) * 50_000 + b"--y--\r\n",
    }  # fmt: skip
    async with web.client() as client:
        for kind, body in forms.items():
            began_s = monotonic()
            answer = await client.post(f"/sites/north-yard/{path}", content=body, headers={"content-type": kind})
            assert answer.status_code in (400, 413, 422), (path, kind)
            assert monotonic() - began_s < 10


@pytest.mark.anyio
@pytest.mark.parametrize(
    "path",
    [
        "/sites/north-yard/stock?did=99999999999999999999",
        "/sites/north-yard/schedule?page=99999999999999999999",
        "/sites/north-yard/schedule?day=99999-01-01",
        "/sites/north-yard/morning?shifts=1000000",
        "/sites/north-yard/morning?part=" + "9" * 4000,
        "/sites/north-yard/readings?mark=" + "x" * 5000,
        "/sites/north-yard/compare?" + "&".join(["joint=CR-B4-W"] * 2000),
        "/sites/north-yard/hours?" + "&".join(f"joint={number}" for number in range(2000)),
        "/sites/north-yard/hours?shifts=99999999999999999999&ahead=1",
        "/sites/north-yard/hours?part=9999&text=" + "x" * 5000,
        "/sites/north-yard/joints/" + "x" * 10_000,
        "/case?" + "&".join(f"thickness_{number}=1 in" for number in range(1000)),
    ],
)
async def test_a_query_beyond_all_is_answered_like_a_wrong_one(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.status_code in (200, 404, 422)
    assert len(answer.content) < 3_000_000


@pytest.mark.anyio
@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/settings.py",
        "/static//etc/passwd",
        "/static/..%5capp.py",
        "/tables/..%2f..%2fpyproject",
        "/tables/aws_d1_1_2015_t3_3%00",
        "/tables/%2fetc%2fpasswd.json",
        "/sites/..%2f..%2fetc%2fpasswd/morning",
        "/sites/north-yard/joints/..%2f..%2fapp.py",
        "/case.json?site=..%2f..%2fx",
    ],
)
async def test_no_path_of_a_request_reaches_the_file_system(web: Any, path: str) -> None:
    async with web.client() as client:
        answer = await client.get(path)
    assert answer.status_code in (404, 422)
    for ours in ("FastAPI", "BaseSettings", "root:", "[project]"):
        assert ours not in answer.text


@pytest.mark.anyio
async def test_the_name_of_a_file_that_is_sent_is_no_path(web: Any) -> None:
    async with web.client() as client:
        name = "../../../etc/cron.d/x.csv"
        files = {"file": (name, b"mark,start\nA,2026-12-18 07:30\n")}
        answer = await client.post("/sites/north-yard/schedule", files=files)
    assert answer.status_code == 422
    assert "x.csv" in answer.text
    assert "cron.d" not in answer.text
