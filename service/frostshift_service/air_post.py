"""Air readings as a device posts them: JSON, one or a list of `{"air_c": -12.3, "at_utc": "2026-01-15T06:10:00Z"}`.

`air_f` may stand for `air_c`. Every error is found at once, with row, field, value and limit; with one of them nothing
is taken in.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from frostshift_rules.air_correction import AHEAD, AIR_LIMITS_C
from frostshift_rules.job import AirReading
from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.http import clean_text

MAX_READINGS: Final = 200
OLDEST: Final = timedelta(days=7)
"""A device that was without a network may post what it kept, but nothing older."""
MAX_PROBLEMS: Final = 20
"""Said at a time."""

_EXAMPLE: Final = '{"air_c": -12.3, "at_utc": "2026-01-15T06:10:00Z"}'
_KEYS: Final = ("air_c", "air_f", "at_utc")


@dataclass(frozen=True, slots=True)
class PostProblem:
    """What is wrong with one field of a post.

    Attributes:
        row: number of the reading, from 1 on; None: the post as a whole.
        field: name of the key; empty for the reading or the post as a whole.
        value: as it was posted, shortened.
        limit: what is asked for.
        message: the same as a sentence.
    """

    row: int | None
    field: str
    value: str
    limit: str
    message: str


class PostError(ValueError):
    """A post that cannot be taken in; `problems` says why, at most `MAX_PROBLEMS` of them."""

    def __init__(self, message: str, problems: tuple[PostProblem, ...] = ()) -> None:
        super().__init__(message)
        self.problems = problems


_Wrong = Callable[[str, Any, str], None]
"""Writes down what is wrong: field, value, what is asked for."""


class Twice(dict[str, Any]):
    """A JSON object with a key that comes twice."""


def read_post(data: bytes, now: datetime) -> tuple[AirReading, ...]:
    """The readings of a post, in its order.

    Args:
        data: JSON in UTF-8.
        now: aware.

    Raises:
        PostError: nothing of it can be taken in.
    """
    rows = rows_of(data)
    readings: list[AirReading] = []
    problems: list[PostProblem] = []
    for number, row in enumerate(rows, 1):
        found = _reading(row, number, now)
        if isinstance(found, AirReading):
            readings.append(found)
        else:
            problems += found
    if problems:
        raise PostError("Nothing was taken in.", tuple(problems[:MAX_PROBLEMS]))
    return tuple(readings)


def rows_of(data: bytes) -> list[Any]:
    """The readings of a post as they stand, a single one as a list of one.

    Raises:
        PostError: no JSON, nothing in it, or too many.
    """
    try:
        found = json.loads(data.decode("utf-8-sig"), object_pairs_hook=_object)
    except UnicodeDecodeError as error:
        raise PostError(f"Byte {error.start + 1} of the post is not UTF-8.") from error
    except json.JSONDecodeError as error:
        raise PostError(f"The post is no JSON: line {error.lineno}, column {error.colno}: {error.msg}.") from error
    except (ValueError, RecursionError) as error:  # a number of thousands of digits; brackets inside brackets
        raise PostError("The post is no JSON that can be read.") from error
    rows = found if isinstance(found, list) else [found]
    if not rows:
        raise PostError("The list of readings is empty.")
    if len(rows) > MAX_READINGS:
        raise PostError(f"There are {len(rows):,} readings, more than {MAX_READINGS} at a time.")
    return rows


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    return made if len(made) == len(pairs) else Twice(made)


def unknown_keys(row: Mapping[str, Any], known: Collection[str]) -> list[str]:
    """The first keys that are not known: nobody reads more of them, and a post may hold tens of thousands."""
    return sorted(set(row) - set(known))[:MAX_PROBLEMS]


def shown_value(value: Any) -> str:
    """A value as it was posted, shortened, and as a text that can be sent."""
    try:
        text = clean_text(json.dumps(value, ensure_ascii=False))
    except (ValueError, RecursionError):
        text = "a value that cannot be shown"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _reading(row: Any, number: int, now: datetime) -> AirReading | list[PostProblem]:
    problems: list[PostProblem] = []

    def wrong(field: str, value: Any, limit: str) -> None:
        shown = "missing" if value is None and field else shown_value(value)
        named = f"{field} is {shown}" if field else f"it is {shown}"
        problems.append(PostProblem(number, field, shown, limit, f"reading {number}: {named}, {limit} is needed"))

    if not isinstance(row, dict):
        wrong("", row, f"an object such as {_EXAMPLE}")
        return problems
    if isinstance(row, Twice):
        wrong("", row, "every key once")
        return problems
    for name in unknown_keys(row, _KEYS):
        wrong(clean_text(name[:60]), row[name], f"no other key than {', '.join(_KEYS)}")
    air_c = _air_c(row, wrong)
    at_utc = _at_utc(row.get("at_utc"), now, wrong)
    if problems or air_c is None or at_utc is None:
        return problems
    return AirReading(air_c, at_utc)


def _air_c(row: Mapping[str, Any], wrong: _Wrong) -> float | None:
    low, high = AIR_LIMITS_C
    if "air_c" in row and "air_f" in row:
        wrong("air_f", row["air_f"], "air_c or air_f, not both,")
        return None
    name = "air_f" if "air_f" in row else "air_c"
    unit, ends = ("°F", (f_from_c(low), f_from_c(high))) if name == "air_f" else ("°C", (low, high))
    limit = f"a number within {ends[0]:g} to {ends[1]:g} {unit}"
    value = row.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool) or not ends[0] <= value <= ends[1]:
        wrong(name, value, limit)
        return None
    return c_from_f(float(value)) if name == "air_f" else float(value)


def _at_utc(value: Any, now: datetime, wrong: _Wrong) -> datetime | None:
    limit = "a time with its zone such as 2026-01-15T06:10:00Z"
    try:
        at = datetime.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        at = None
    if at is None or at.utcoffset() is None:
        wrong("at_utc", value, limit)
        return None
    try:
        at_utc = at.astimezone(UTC)
    except OverflowError:  # the year 1 or 9999, and a zone that leads out of it
        wrong("at_utc", value, limit)
        return None
    earliest, latest = now - OLDEST, now + AHEAD
    if not earliest <= at_utc <= latest:
        wrong("at_utc", value, f"a time within {earliest:%Y-%m-%dT%H:%MZ} to {latest:%Y-%m-%dT%H:%MZ}")
        return None
    return at_utc
