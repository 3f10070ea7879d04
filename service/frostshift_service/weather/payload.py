"""JSON of a feed into checked pieces: every surprise is a `FeedError` that names where, or a NaN with a warning."""

from __future__ import annotations

import json
import math
import re
from datetime import UTC, datetime
from typing import Any, Final

from frostshift_service.http import clean_text
from frostshift_service.weather import FeedError

Json = dict[str, Any]

YEARS: Final = range(2000, 2200)
"""A time outside them is a mistake of the payload, and sums of times near the ends of the calendar overflow."""


def load(body: bytes, where: str) -> Json:
    """The JSON object in `body`; lone surrogates and NUL in its texts are gone (`http.clean_text`).

    Raises:
        FeedError: not UTF-8, not JSON (cut off, HTML), or not an object; the message starts with `where`.
    """
    try:
        text = body.decode("utf-8-sig")
        payload = json.loads(text)
        if _UNCLEAN.search(text):  # rare: a payload is big, and is walked through only where it may be needed
            payload = _clean(payload)
    except UnicodeDecodeError as error:
        raise FeedError(f"{where}: not UTF-8 text (byte {error.start})") from error
    except json.JSONDecodeError as error:
        start = " ".join(error.doc.split())[:60]
        raise FeedError(
            f"{where}: not valid JSON, or cut off (line {error.lineno}, column {error.colno}: {error.msg}); "
            f"it starts {start!r}"
        ) from error
    except ValueError as error:
        raise FeedError(f"{where}: JSON with a number that is too long") from error
    except RecursionError as error:
        raise FeedError(f"{where}: JSON nested too deeply") from error
    if not isinstance(payload, dict):
        raise FeedError(f"{where}: a JSON object is expected, not {type(payload).__name__}")
    return payload


_UNCLEAN: Final = re.compile(r"\\u(?:[dD][89a-fA-F]|0000)")
"""Escapes of surrogates and NUL: neither can stand in JSON itself."""


def _clean(value: Any) -> Any:
    if isinstance(value, str):
        return clean_text(value)
    if isinstance(value, list):
        return [_clean(item) for item in value]
    if isinstance(value, dict):
        return {clean_text(key): _clean(item) for key, item in value.items()}
    return value


def child(parent: Json, key: str, where: str) -> Json:
    """The object under `key`; FeedError where it is missing or something else."""
    value = parent.get(key)
    if not isinstance(value, dict):
        raise FeedError(f"{where}: {key} is missing or is no object")
    return value


def entries(parent: Json, key: str, where: str) -> list[Json]:
    """The list of objects under `key`; FeedError where it is missing or something else."""
    value = parent.get(key)
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise FeedError(f"{where}: {key} is missing or is no list of objects")
    return value


def number(value: object, what: str, warnings: list[str]) -> float:
    """A number, or NaN: silently for null or a missing key, with a warning for anything that is no finite number."""
    if value is None:
        return math.nan
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            result = float(value)
        except OverflowError:
            result = math.inf
        if math.isfinite(result):
            return result
    warnings.append(f"{what}: {str(value)[:40]!r} is not a number, left out")
    return math.nan


def instant(text: object, where: str) -> datetime:
    """A moment with its offset, as UTC; FeedError where it is none or has no offset."""
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError as error:
        raise FeedError(f"{where}: {str(text)[:60]!r} is not a time") from error
    if moment.tzinfo is None:
        raise FeedError(f"{where}: {text!r} has no time zone")
    if moment.year not in YEARS:
        raise FeedError(f"{where}: {text!r} is not in the years {YEARS.start} to {YEARS.stop - 1}")
    return moment.astimezone(UTC)


def whole_hour(moment: datetime) -> bool:
    """Whether a moment lies on a full hour."""
    return (moment.minute, moment.second, moment.microsecond) == (0, 0, 0)


def as_it_is(value: float) -> float:
    """A value that comes in our unit."""
    return value


def from_percent(percent: float) -> float:
    """A share, 0 to 1, from per cent."""
    return percent / 100.0
