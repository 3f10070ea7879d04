"""The site's thermometer: readings that a device posts with its token, readings typed in, and both as JSON.

A device posts to `/sites/SITE/thermometer` with `Authorization: Bearer TOKEN`. It has no session (see `auth.Guard`), so
that this one route stands on the token alone, and answers in JSON whatever goes wrong. What is posted is in the next
plan, at most a minute later; a device that posts every minute must not make a plan each time.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from frostshift_rules.air_correction import AIR_LIMITS_C
from frostshift_rules.job import AirReading
from frostshift_service.air_post import MAX_READINGS, PostError, PostProblem, read_post
from frostshift_service.auth import DEVICE_BYTES
from frostshift_service.pages import BackField, back_to
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import DeviceToken, UnknownSite, UnknownToken
from frostshift_service.store.sites import load_site
from frostshift_service.store.thermometer import add_posted, add_typed, token_with
from frostshift_service.views.desk import Desk
from frostshift_service.views.thermometer import ThermometerPage
from frostshift_service.web import DeskDep, SiteId, note_secret, problem_answer, sentence, typed_c

router = APIRouter()

_BEARER: Final = re.compile(r"[Bb]earer +([\x21-\x7e]{1,200}) *")

_POST: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": f"a reading or a list of up to {MAX_READINGS}; air_f may stand for air_c",
        "content": {
            "application/json": {
                "schema": {"type": ["object", "array"]},
                "example": {"air_c": -12.3, "at_utc": "2026-01-15T06:10:00Z"},
            }
        },
    },
}


# What a device posts --------------------------------------------------------------------------------------------------


@router.post(
    "/sites/{site_id}/thermometer",
    responses={
        401: {"description": "no token, or one that is not known"},
        403: {"description": "the token was revoked, or is for another site"},
        404: {"description": "no such site"},
        413: {"description": "too many bytes"},
        422: {"description": "readings that cannot be taken in; none of them was"},
    },
    openapi_extra=_POST,
)
async def post_readings(request: Request, desk: DeskDep, site_id: SiteId) -> Response:
    """Take air readings of a device in: all of them, or none. Posting the same again changes nothing."""
    data = await request.body()
    return await run_in_threadpool(_take, request, data, desk, site_id)


def _take(request: Request, data: bytes, desk: Desk, site_id: str) -> Response:
    now = desk.now()
    authorization = request.headers.getlist("authorization")
    bearer = _BEARER.fullmatch(authorization[0]) if len(authorization) == 1 else None
    with reading(desk.engine) as session:
        token = token_with(session, bearer[1]) if bearer else None
        note_secret(request, right=token is not None and token.revoked_utc is None)
        if token is None:
            return _refused(401, "A token is needed, in one header: Authorization: Bearer TOKEN.")
        try:
            load_site(session, site_id)
        except UnknownSite as error:
            return _refused(404, sentence(error))
    forbidden = _forbidden(token, site_id)
    if forbidden:
        return _refused(403, forbidden)
    if len(data) > DEVICE_BYTES:
        return _refused(413, f"The post takes {len(data):,} bytes, more than {DEVICE_BYTES:,}.")
    try:
        readings = read_post(data, now)
    except PostError as error:
        return _refused(422, str(error), error.problems)
    try:
        with writing(desk.engine) as session:
            taken = add_posted(session, token, readings, now=now)
    except UnknownToken:  # revoked while we read
        return _refused(403, "This token was revoked.")
    return JSONResponse(asdict(taken))


def _forbidden(token: DeviceToken, site_id: str) -> str:
    """Why the token does not let its holder post here; empty where it does."""
    if token.revoked_utc is not None:
        return f"This token was revoked on {token.revoked_utc:%Y-%m-%d}."
    return "" if token.site_id == site_id else "This token is for another site."


def _refused(status: int, message: str, problems: Sequence[PostProblem] = ()) -> Response:
    """An error as every other path answers it in JSON, with row, value and limit beside each field."""
    answer = problem_answer(status, message, [asdict(one) for one in problems])
    if status == 401:
        answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


# What is typed in, and the list ---------------------------------------------------------------------------------------


def air_c_of(value: str, unit: Literal["F", "C"]) -> float:
    """A typed air temperature [°C].

    Raises:
        ValueError: no number, or outside what the air can be.
    """
    return typed_c(value, unit, "Air temperature", AIR_LIMITS_C)


@router.post("/sites/{site_id}/air-readings", include_in_schema=False)
def type_reading(
    desk: DeskDep,
    site_id: SiteId,
    value: Annotated[str, Form(max_length=20)],
    unit: Annotated[Literal["F", "C"], Form()],
    by: Annotated[str, Form(max_length=60)] = "",
    note: Annotated[str, Form(max_length=200)] = "",
    back: BackField = "",
) -> Response:
    """Keep an air temperature that was read at the site just now."""
    try:
        air_c = air_c_of(value, unit)
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    with writing(desk.engine) as session:
        add_typed(session, site_id, AirReading(air_c, desk.now()), by=by.strip() or desk.who.name, note=note.strip())
    desk.replan(site_id)
    return RedirectResponse(back_to(back, site_id), status_code=303)


@router.get(
    "/sites/{site_id}/air-readings.json",
    responses={401: {"description": "no session"}, 404: {"description": "no such site"}},
)
def air_readings(desk: DeskDep, site_id: SiteId) -> ThermometerPage:
    """The last readings of the site's thermometers, the forecast beside each, and what they change."""
    return desk.weather(site_id).thermometer
