"""The OpenAPI document against the app: examples, errors, and schemathesis on every operation."""

from collections.abc import Iterator
from typing import Any, Final

import httpx
import jsonschema_rs
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from tests.service.web.conftest import Web, token_of

from frostshift_service.door import COOKIE
from frostshift_service.openapi_doc import PROBLEM, document
from frostshift_service.rights import ASKED

EXAMPLES: Final = 12
"""Requests that are made up for each operation."""
PATIENCE_S: Final = 300.0
"""Machines are shared: no answer is too late here."""
CHECKS: Final = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
)


def operations(found: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, by_method in found["paths"].items():
        for method, operation in by_method.items():
            yield method.upper(), path, operation


def is_valid(found: dict[str, Any], schema: dict[str, Any], value: Any) -> list[str]:
    whole = {**schema, "components": found["components"]}
    return [str(error)[:300] for error in jsonschema_rs.Draft202012Validator(whole).iter_errors(value)]


def test_every_answer_in_json_has_an_example_and_it_fits_its_schema(web: Web) -> None:
    found = document(web.app)
    without, wrong = [], {}
    for method, path, operation in operations(found):
        for status, answer in operation["responses"].items():
            for media, content in answer.get("content", {}).items():
                if media not in ("application/json", PROBLEM) or "{token}" in path or "{draft_id}" in path:
                    continue
                if "example" not in content:
                    without.append((method, path, status))
                    continue
                errors = is_valid(found, content.get("schema", {}), content["example"])
                if errors:
                    wrong[method, path, status] = errors[:2]
    assert wrong == {}
    assert [one for one in without if one[0] == "GET"] == []


def test_every_operation_says_who_may_and_what_may_go_wrong(web: Web) -> None:
    for method, path, operation in operations(document(web.app)):
        assert operation["summary"], (method, path)
        assert "security" in operation, (method, path)
        statuses = set(operation["responses"])
        assert {"401", "403", "404", "422"} <= statuses, (method, path)


def test_every_page_for_a_site_has_its_twin_in_json() -> None:
    forms = {
        "GET /enter",
        "GET /set-up/new",
        "GET /sign-in",
        "GET /",
        "GET /answer/{token}",
        "GET /schedule-template.{kind}",
        "GET /healthz",
        "GET /readyz",
        "GET /metrics",
    }
    pages = {
        path
        for path in ASKED
        if path.startswith("GET ") and not path.rpartition("/")[2].count(".") and path not in forms
    }
    pages -= {"GET /sites/{site_id}/notices/{number}", "GET /sites/{site_id}/gas/order"}  # in notices.json, gas.json
    without = {page for page in pages if f"{page}.json" not in ASKED}
    assert without == set()


def test_made_up_requests_get_the_answers_that_the_document_names(web: Web, base_url: str) -> None:
    # Over a real connection, signed in as the owner. Half of the requests are for what is there.
    with httpx.Client(base_url=base_url, headers={"sec-fetch-site": "same-origin"}, timeout=PATIENCE_S) as client:
        client.post("/enter", data=token_of(web.app))
        cookie = client.cookies[COOKIE]
    headers = {"cookie": f"{COOKIE}={cookie}", "sec-fetch-site": "same-origin"}
    schema = schemathesis.openapi.from_url(f"{base_url}/openapi.json", headers=headers, timeout=PATIENCE_S)
    there = {"site_id": "north-yard", "mark": "CR-B4-W", "table_id": "aws_d1_1_2015_t3_3"}
    asked = 0

    for result in schema.get_all_operations():
        operation = result.ok()

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(), real=st.booleans())
        def check(case: Any, real: bool) -> None:
            nonlocal asked
            asked += 1
            if real:
                case.path_parameters.update({name: there[name] for name in case.path_parameters if name in there})
            case.call_and_validate(headers=headers, checks=list(CHECKS), timeout=PATIENCE_S)

        check()
    print(f"schemathesis: {asked} requests to {len(list(operations(document(web.app))))} operations")
    assert asked >= 100
