"""Readings as people and phones enter them: JSON, one or a list, and the fields of a form; errors by row and field.

A reading that cannot be taken in does not hold up the others: a phone that was without a network must not keep good
ones back because of a bad one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, cast, get_args

from frostshift_rules.job import SENSES, STAGES, Reading, Sense, Stage
from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.air_post import PostProblem, Twice, rows_of, shown_value, unknown_keys
from frostshift_service.http import clean_text
from frostshift_service.store.readings import LIMITS_C
from frostshift_service.typed import local_moment

OLDEST: Final = timedelta(days=30)
"""A reading may come so late, for the record: a phone that lay in a locker over a turn of shifts. Our choice."""
AHEAD: Final = timedelta(minutes=5)
"""So much the clock it was read by may run ahead of ours."""
MAX_PASS: Final = 999
LENGTHS: Final = {"mark": 100, "instrument": 60, "point": 120, "by": 60, "note": 200}
"""Most letters of a text."""

CRAYON: Final = "temperature crayon"
Tool = Literal["contact", "thermocouple", "infrared", "crayon_melted", "crayon_not_melted", "other"]
TOOLS: Final[Mapping[Tool, tuple[str, str, Sense]]] = {
    "contact": ("contact thermometer", "contact thermometer", "measured"),
    "thermocouple": ("thermocouple", "thermocouple", "measured"),
    "infrared": ("infrared thermometer", "infrared thermometer", "measured"),
    "crayon_melted": ("crayon, it melted", CRAYON, "at_least"),
    "crayon_not_melted": ("crayon, it did not melt", CRAYON, "below"),
    "other": ("something else", "", "measured"),
}
"""Choice of the form -> its words, the instrument, and what such a reading says."""
_FIGURES: Final = frozenset(name for _, name, sense in TOOLS.values() if name and sense == "measured")
_KEYS: Final = (
    "mark", "steel_c", "steel_f", "stage", "sense", "at_utc", "age_s", "at_local", "instrument", "pass_no", "point",
    "by", "note", "entry_key",
)  # fmt: skip
_ENTRY_KEY: Final = re.compile(r"[A-Za-z0-9_-]{8,64}")
_NUMBER: Final = re.compile(r"[+-]?[0-9]{1,4}(\.[0-9]{1,3})?")
_WHOLE: Final = re.compile(r"[0-9]{1,4}")
_LABELS: Final = {
    "steel_c": "Steel temperature",
    "steel_f": "Steel temperature",
    "stage": "When in the work",
    "sense": "What it says",
    "at_local": "Measured at",
    "instrument": "Measured with",
    "pass_no": "Pass",
    "point": "Where",
    "by": "Read by",
    "note": "Note",
    "mark": "Joint",
    "entry_key": "Key of the entry",
}

_Wrong = Callable[[str, Any, str], None]
"""Writes down what is wrong: field, value, what is asked for."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One reading to be taken in; `entry_key` None: it was given none."""

    reading: Reading
    note: str
    entry_key: str | None


@dataclass(frozen=True, slots=True)
class BadEntry:
    """One that cannot be; `entry_key` as far as it can be read."""

    problems: tuple[PostProblem, ...]
    entry_key: str | None


def read_entries(data: bytes, zone: str, now: datetime, by: str) -> list[Entry | BadEntry]:
    """The readings of a post, in its order.

    Args:
        data: JSON in UTF-8.
        zone: clock of the site, for `at_local`.
        now: aware.
        by: name where a reading has none; empty: each has to have one.

    Raises:
        PostError: it is no list of readings at all.
    """
    return [read_entry(row, number, zone, now, by) for number, row in enumerate(rows_of(data), 1)]


def read_form(fields: Mapping[str, str], zone: str, now: datetime, by: str) -> Entry | BadEntry:
    """One reading from the fields of the form, which are texts; empty ones count as left out.

    Args:
        fields: `mark`, `value`, `unit`, `stage`, `tool`, `instrument`, `pass_no`, `point`, `point_more`, `at`, `by`,
            `note`, `entry_key`.
        zone: clock of the site.
        now: aware.
        by: name where none is typed; empty: it has to be.
    """
    given = {name: text.strip() for name, text in fields.items() if text.strip()}
    row: dict[str, Any] = {name: given[name] for name in ("mark", "stage", "by", "note", "entry_key") if name in given}
    number = given.get("value", "").replace("\N{MINUS SIGN}", "-")
    figure = float(number) if _NUMBER.fullmatch(number) else given.get("value")
    row["steel_c" if given.get("unit") == "C" else "steel_f"] = figure if given.get("unit") in ("F", "C") else None
    tool = given.get("tool", "")
    if tool in get_args(Tool):
        _, name, sense = TOOLS[cast(Tool, tool)]
        row |= {"sense": sense, "instrument": name or given.get("instrument", "")}
    else:
        row["instrument"] = given.get("instrument", tool)
    if "pass_no" in given:
        row["pass_no"] = int(given["pass_no"]) if _WHOLE.fullmatch(given["pass_no"]) else given["pass_no"]
    point = ", ".join(given[name] for name in ("point", "point_more") if name in given)
    row |= {"point": point} if point else {}
    row |= {"at_local": given["at"]} if "at" in given else {"age_s": 0}
    read = read_entry(row, 1, zone, now, by)
    if isinstance(read, Entry):
        return read
    said = tuple(
        PostProblem(None, one.field, one.value, one.limit, f"{_LABELS.get(one.field, one.field)}: {_said(one)}")
        for one in read.problems
    )
    return BadEntry(said, read.entry_key)


def _said(problem: PostProblem) -> str:
    return f"{problem.value}, but {problem.limit} is needed"


def read_entry(row: Any, number: int, zone: str, now: datetime, by: str = "") -> Entry | BadEntry:
    """One reading as JSON has it; see `read_entries`."""
    problems: list[PostProblem] = []

    def wrong(field: str, value: Any, limit: str) -> None:
        shown = "missing" if value is None and field else shown_value(value)
        named = f"{field} is {shown}" if field else f"it is {shown}"
        problems.append(PostProblem(number, field, shown, limit, f"reading {number}: {named}, {limit} is needed"))

    if not isinstance(row, dict):
        wrong("", row, "an object with mark, steel_c or steel_f, stage")
        return BadEntry(tuple(problems), None)
    if isinstance(row, Twice):
        wrong("", row, "every key once")
        return BadEntry(tuple(problems), None)
    for name in unknown_keys(row, _KEYS):
        wrong(clean_text(name[:60]), row[name], f"no other key than {', '.join(_KEYS)}")
    entry_key = _entry_key(row, wrong)
    texts = {name: _text(row, name, wrong) for name in LENGTHS}
    for name, text in (("mark", texts["mark"]), ("by", texts["by"] or by)):
        if not text and name not in {one.field for one in problems}:
            wrong(name, row.get(name), "a name" if name == "by" else "the mark of a joint")
    stage = _one_of(row, "stage", STAGES, None, wrong)
    sense = _one_of(row, "sense", SENSES, "measured", wrong)
    _check_tool(texts["instrument"], sense, row, wrong)
    pass_no = _pass_no(row, stage, wrong)
    steel_c = _steel_c(row, cast(Stage, stage) if stage else "before_arc", wrong)
    at_utc = _at_utc(row, zone, now, wrong)
    if problems or steel_c is None or at_utc is None:
        return BadEntry(tuple(problems), entry_key)
    reading = Reading(
        mark=texts["mark"],
        steel_c=steel_c,
        at_utc=at_utc,
        instrument=texts["instrument"],
        by=texts["by"] or by,
        stage=cast(Stage, stage),
        sense=cast(Sense, sense),
        pass_no=pass_no,
        point=texts["point"],
    )
    return Entry(reading, texts["note"], entry_key)


def _entry_key(row: Mapping[str, Any], wrong: _Wrong) -> str | None:
    value = row.get("entry_key")
    if value is None:
        return None
    if isinstance(value, str) and _ENTRY_KEY.fullmatch(value):
        return value
    wrong("entry_key", value, "8 to 64 letters, digits, - or _")
    return None


def _text(row: Mapping[str, Any], name: str, wrong: _Wrong) -> str:
    value = row.get(name, "")
    if isinstance(value, str) and len(value.strip()) <= LENGTHS[name] and value.strip().isprintable():
        return value.strip()
    wrong(name, value, f"a text of at most {LENGTHS[name]} printable letters")
    return ""


def _one_of(
    row: Mapping[str, Any], name: str, choices: tuple[str, ...], otherwise: str | None, wrong: _Wrong
) -> str | None:
    value = row.get(name, otherwise)
    if isinstance(value, str) and value in choices:
        return value
    wrong(name, value, f"one of {', '.join(choices)}")
    return None


def _check_tool(instrument: str, sense: str | None, row: Mapping[str, Any], wrong: _Wrong) -> None:
    if instrument == CRAYON and sense == "measured":
        wrong("sense", row.get("sense"), "at_least (it melted) or below (it did not), as a crayon shows no figure,")
    elif instrument in _FIGURES and sense in ("at_least", "below"):
        wrong("sense", sense, f"measured, as a {instrument} shows a figure,")


def _pass_no(row: Mapping[str, Any], stage: str | None, wrong: _Wrong) -> int | None:
    value = row.get("pass_no")
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= MAX_PASS:
        wrong("pass_no", value, f"a whole number within 1 to {MAX_PASS}")
        return None
    if stage is not None and stage != "between_passes":
        wrong("pass_no", value, "none where the reading is not between passes: none")
        return None
    return value


def _steel_c(row: Mapping[str, Any], stage: Stage, wrong: _Wrong) -> float | None:
    low, high = LIMITS_C[stage]
    if "steel_c" in row and "steel_f" in row:
        wrong("steel_f", row["steel_f"], "steel_c or steel_f, not both,")
        return None
    name = "steel_f" if "steel_f" in row else "steel_c"
    unit, ends = ("°F", (f_from_c(low), f_from_c(high))) if name == "steel_f" else ("°C", (low, high))
    when = " before any heat" if stage == "before_heat" else ""
    value = row.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool) or not ends[0] <= value <= ends[1]:
        wrong(name, value, f"a number within {ends[0]:g} to {ends[1]:g} {unit}{when}")
        return None
    return c_from_f(float(value)) if name == "steel_f" else float(value)


def _at_utc(row: Mapping[str, Any], zone: str, now: datetime, wrong: _Wrong) -> datetime | None:
    """When it was measured: a time, an age by the clock it was read by, or a local time; one of them."""
    given = [name for name in ("at_utc", "age_s", "at_local") if name in row]
    if len(given) != 1:
        limit = "one of at_utc (with its zone), age_s (seconds since), at_local (clock of the site)"
        wrong(given[1] if given else "at_utc", row[given[1]] if given else None, limit)
        return None
    name, value = given[0], row[given[0]]
    limit = {
        "at_utc": "a time with its zone such as 2026-01-15T06:10:00Z",
        "age_s": f"seconds within 0 to {OLDEST.total_seconds():.0f}",
        "at_local": "a time such as 06:10 or 2026-01-15 06:10, which the clock shows once,",
    }[name]
    at_utc: datetime | None = None
    try:
        if name == "age_s":
            if isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= OLDEST.total_seconds():
                at_utc = now - timedelta(seconds=value)
        elif isinstance(value, str) and name == "at_local":
            at_utc = local_moment(value, zone, now)
            if ":" in value and len(value.strip()) == 5 and at_utc > now + AHEAD:
                at_utc = local_moment(value, zone, now - timedelta(days=1))  # a clock time of before midnight
        elif isinstance(value, str):
            at = datetime.fromisoformat(value)
            at_utc = None if at.utcoffset() is None else at.astimezone(UTC)
    except (ValueError, OverflowError):
        at_utc = None
    if at_utc is None:
        wrong(name, value, limit)
        return None
    if not now - OLDEST <= at_utc <= now + AHEAD:
        wrong(name, value, f"a time of the last {OLDEST.days} days")
        return None
    return at_utc
