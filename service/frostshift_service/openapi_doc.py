"""The OpenAPI document: what FastAPI knows of the routes, with errors, ways to sign in, and an example each.

The examples are the demo's own answers, cut short; `fixtures/demo/make_examples.py` writes them.
"""

from __future__ import annotations

import json
from functools import cache
from http import HTTPStatus
from importlib import resources
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from frostshift_service.rights import ASKED, Asked

PROBLEM: Final = "application/problem+json"
_FILES: Final = {
    ".csv": "text/csv",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".ics": "text/calendar",
    ".pdf": "application/pdf",
}
_PROBLEM_SCHEMA: Final[dict[str, Any]] = {
    "title": "Problem",
    "description": "An error (RFC 9457).",
    "type": "object",
    "required": ["type", "title", "status", "detail", "fields"],
    "properties": {
        "type": {"type": "string", "const": "about:blank"},
        "title": {"type": "string", "description": "name of the status"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "a sentence for people"},
        "fields": {
            "type": "array",
            "description": "what is wrong with single fields",
            "items": {
                "type": "object",
                "required": ["field", "message"],
                "properties": {"field": {"type": "string"}, "message": {"type": "string"}},
            },
        },
    },
}
_SAID: Final[dict[int, tuple[str, str]]] = {
    400: ("the request cannot be read", "This address is not served here; use localhost or 127.0.0.1."),
    401: ("nobody we know", "You are not signed in on this browser, or your session has ended."),
    403: ("no right to do this", "You may not do this here; ask the superintendent."),
    404: ("not there, or not there for whoever asks", "There is no site 'north-yard'."),
    409: ("it cannot be done as things stand", "There is no plan yet: load a schedule first."),
    411: ("the request does not say how long it is", "The request does not say how long it is."),
    413: ("too large", "The file is too large: more than 10 MB."),
    422: ("something in the request is wrong; nothing was changed", "The request was not understood."),
    429: ("too many attempts", "Too many attempts: wait 30 seconds."),
    503: ("a part that is asked for is not there", "PDF needs a library that is not installed."),
}
_READING: Final = (400, 401, 403, 404, 409, 422, 503)
_CHANGING: Final = (*_READING, 411, 413, 429)


@cache
def _examples() -> dict[str, Any]:
    text = resources.files("frostshift_service").joinpath("openapi_examples.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def document(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document of the app."""
    found = get_openapi(
        title=app.title,
        version=app.version,
        summary=app.summary,
        description=app.description,
        routes=app.routes,
    )
    components = found.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    schemas["Problem"] = _PROBLEM_SCHEMA
    components["securitySchemes"] = {
        "session": {"type": "apiKey", "in": "cookie", "name": "frostshift_session", "description": "a browser's"},
        "token": {"type": "http", "scheme": "bearer", "description": "of a program: made on the site's page of rights"},
        "device": {"type": "http", "scheme": "bearer", "description": "of a thermometer"},
    }
    for path, operations in found["paths"].items():
        for method, operation in operations.items():
            _complete(operation, path, method.upper())
    return found


def _complete(operation: dict[str, Any], path: str, method: str) -> None:
    asked = ASKED.get(f"{method} {_template(path, method)}")
    operation["security"] = _security(asked)
    responses = operation["responses"]
    for status in _READING if method == "GET" else _CHANGING:
        responses[str(status)] = _with_own(responses.get(str(status), {}), _problem(status))
    media = next((media for ending, media in _FILES.items() if path.endswith(ending)), None)
    if media is not None:
        responses["200"] = {
            "description": "a file",
            "content": {media: {"schema": {"type": "string", "format": "binary"}}},
        }
    example = _examples().get(f"{method} {path}")
    content = responses.get("200", {}).get("content", {}).get("application/json")
    if content is not None and example is not None:
        content["example"] = example


def _template(path: str, method: str) -> str:
    """The route's path; OpenAPI leaves out what kind a parameter is."""
    return next(
        (known.partition(" ")[2] for known in ASKED if _plain(known) == f"{method} {path}"),
        path,
    )


def _plain(path: str) -> str:
    return path.replace(":path}", "}")


def _security(asked: Asked | None) -> list[dict[str, list[str]]]:
    if asked in ("open", "link"):
        return []
    if asked == "device":
        return [{"device": []}]
    return [{"session": []}] if asked in ("account", "own") else [{"session": []}, {"token": []}]


def _with_own(declared: dict[str, Any], problem: dict[str, Any]) -> dict[str, Any]:
    """The problem, beside an answer of its own that a route declares for the same status."""
    own = declared.get("content", {}).get("application/json")
    if own is None or own.get("schema", {}).get("$ref", "").endswith("/HTTPValidationError"):
        return problem
    return {**problem, "content": {"application/json": own, **problem["content"]}}


def _problem(status: int) -> dict[str, Any]:
    said, detail = _SAID[status]
    example = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "fields": [],
    }
    return {
        "description": said,
        "content": {PROBLEM: {"schema": {"$ref": "#/components/schemas/Problem"}, "example": example}},
    }


def install(app: FastAPI) -> None:
    """Let the app serve this document in the place of FastAPI's own; it is made once."""
    made: dict[str, Any] = {}

    def openapi() -> dict[str, Any]:
        if not made:
            made.update(document(app))
        return made

    app.openapi = openapi  # type: ignore[method-assign]
