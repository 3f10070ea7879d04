"""Readings as they are entered: every error by row, field, value and limit."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.units import c_from_f
from frostshift_service.air_post import PostError
from frostshift_service.reading_entry import BadEntry, Entry, read_entries, read_entry, read_form

NOW = datetime(2026, 12, 17, 11, 30, tzinfo=UTC)
ZONE = "America/Chicago"
GOOD: dict[str, Any] = {"mark": "B4", "steel_f": 225, "stage": "before_arc", "age_s": 90, "by": "R. Moss"}
FORM = {"mark": "B4", "value": "225", "unit": "F", "stage": "before_arc", "tool": "contact", "by": "R. Moss"}


def read(**changes: Any) -> Entry | BadEntry:
    row = {name: value for name, value in {**GOOD, **changes}.items() if value is not ...}
    return read_entry(row, 3, ZONE, NOW)


def good(found: Entry | BadEntry) -> Entry:
    assert isinstance(found, Entry), found
    return found


def bad(found: Entry | BadEntry) -> list[tuple[str, str]]:
    assert isinstance(found, BadEntry), found
    return [(one.field, one.message) for one in found.problems]


def test_a_whole_reading() -> None:
    entry = good(
        read(
            stage="between_passes", pass_no=3, instrument="contact thermometer", point="75 mm, part 1", note="windy",
            entry_key="kQ3vB7xw91pL",
        )
    )  # fmt: skip
    one = entry.reading
    assert one.steel_c == pytest.approx(c_from_f(225.0))
    assert one.at_utc == NOW - timedelta(seconds=90)
    assert (one.stage, one.sense, one.pass_no, one.point, one.by) == (
        "between_passes", "measured", 3, "75 mm, part 1", "R. Moss",
    )  # fmt: skip
    assert (entry.note, entry.entry_key) == ("windy", "kQ3vB7xw91pL")


@pytest.mark.parametrize(
    ("changes", "field", "said"),
    [
        ({"steel_f": 1500}, "steel_f", "reading 3: steel_f is 1500, a number within -76 to 1472 °F is needed"),
        (
            {"stage": "before_heat", "steel_f": 225},
            "steel_f",
            "a number within -76 to 140 °F before any heat is needed",
        ),
        ({"steel_f": True}, "steel_f", "a number within"),
        ({"steel_f": float("nan")}, "steel_f", "a number within"),
        ({"steel_f": ..., "steel_c": "warm"}, "steel_c", 'steel_c is "warm", a number within -60 to 800 °C is needed'),
        ({"steel_c": 100}, "steel_f", "steel_c or steel_f, not both"),
        ({"mark": ...}, "mark", "the mark of a joint"),
        ({"by": ...}, "by", "a name is needed"),
        ({"by": "x" * 61}, "by", "at most 60 printable letters"),
        ({"note": "a\nb"}, "note", "printable"),
        ({"stage": "later"}, "stage", "one of before_heat, before_arc, between_passes"),
        ({"stage": ...}, "stage", "stage is missing"),
        ({"sense": "about"}, "sense", "one of measured, at_least, below"),
        ({"instrument": "temperature crayon"}, "sense", "a crayon shows no figure"),
        ({"instrument": "thermocouple", "sense": "below"}, "sense", "a thermocouple shows a figure"),
        ({"pass_no": 2}, "pass_no", "not between passes"),
        ({"stage": "between_passes", "pass_no": 0}, "pass_no", "a whole number within 1 to 999"),
        ({"age_s": -1}, "age_s", "seconds within 0 to 2592000"),
        ({"age_s": 2592001}, "age_s", "seconds within 0 to 2592000"),
        ({"age_s": ...}, "at_utc", "at_utc is missing, one of"),
        ({"at_utc": "2026-12-17T11:00:00Z"}, "age_s", "one of at_utc"),
        ({"age_s": ..., "at_utc": "2026-12-17T11:36:00Z"}, "at_utc", "of the last 30 days"),
        ({"age_s": ..., "at_utc": "2026-11-17T11:29:00Z"}, "at_utc", "of the last 30 days"),
        ({"age_s": ..., "at_utc": "2026-12-17T11:00:00"}, "at_utc", "a time with its zone"),
        ({"age_s": ..., "at_local": "soon"}, "at_local", "a time such as 06:10"),
        ({"entry_key": "short"}, "entry_key", "8 to 64 letters"),
        ({"colour": "red"}, "colour", "no other key than"),
    ],
)
def test_what_is_wrong_is_named(changes: dict[str, Any], field: str, said: str) -> None:
    problems = bad(read(**changes))
    assert [name for name, _ in problems] == [field]
    assert said in problems[0][1]


def test_one_bad_reading_keeps_no_good_one_back() -> None:
    found = read_entries(json.dumps([GOOD, {**GOOD, "steel_f": 9999}, 7, GOOD]).encode(), ZONE, NOW, "")
    assert [isinstance(one, Entry) for one in found] == [True, False, False, True]


@pytest.mark.parametrize("data", [b"", b"[]", b"{", b"\xff", b"[" + b"1," * 300 + b"1]"])
def test_what_is_no_list_of_readings_is_refused_as_a_whole(data: bytes) -> None:
    with pytest.raises(PostError):
        read_entries(data, ZONE, NOW, "")


keys = st.sampled_from([*GOOD, "at_utc", "at_local", "pass_no", "entry_key"])
scalars = st.none() | st.booleans() | st.floats() | st.text()
anything = st.recursive(scalars, lambda some: st.lists(some, max_size=3) | st.dictionaries(keys, some, max_size=8))


@given(anything)
def test_whatever_is_posted_is_answered(row: Any) -> None:
    found = read_entry(row, 1, ZONE, NOW)
    assert isinstance(found, Entry) or found.problems


# The form -------------------------------------------------------------------------------------------------------------


def form(**changes: str) -> Entry | BadEntry:
    return read_form({**FORM, **changes}, ZONE, NOW, "")


@pytest.mark.parametrize(
    ("value", "unit", "steel_c"),
    [("32", "F", 0.0), (" -4.5 ", "C", -4.5), ("\N{MINUS SIGN}40", "F", -40.0), ("+3", "C", 3.0), ("140", "F", 60.0)],
)
def test_a_typed_temperature(value: str, unit: str, steel_c: float) -> None:
    assert good(form(value=value, unit=unit, stage="before_heat")).reading.steel_c == pytest.approx(steel_c)


@pytest.mark.parametrize("value", ["", "warm", "1,5", "nan", "inf", "1e2", "0x10", "12 F", "--3", "1_0", "٣"])
def test_a_temperature_that_is_no_number(value: str) -> None:
    [(field, said)] = bad(form(value=value))
    assert field == "steel_f"
    assert said.startswith("Steel temperature: ")


@pytest.mark.parametrize(("value", "unit"), [("61", "C"), ("-60.1", "C"), ("140.1", "F"), ("200", "F")])
def test_a_temperature_that_no_cold_steel_has(value: str, unit: str) -> None:
    [(_, said)] = bad(form(value=value, unit=unit, stage="before_heat"))
    assert "before any heat" in said


def test_a_crayon_says_at_least_or_below() -> None:
    melted = good(form(tool="crayon_melted")).reading
    assert (melted.instrument, melted.sense) == ("temperature crayon", "at_least")
    solid = good(form(tool="crayon_not_melted")).reading
    assert (solid.instrument, solid.sense) == ("temperature crayon", "below")


def test_own_words_and_an_earlier_time() -> None:
    entry = good(
        form(tool="other", instrument="probe 4", point="3 in from the weld", point_more="top flange", at="23:50")
    )
    assert entry.reading.instrument == "probe 4"
    assert entry.reading.point == "3 in from the weld, top flange"
    assert entry.reading.at_utc == datetime(2026, 12, 17, 5, 50, tzinfo=UTC)  # 23:50 of the evening before
    assert good(form()).reading.at_utc == NOW


def test_nothing_is_taken_for_granted() -> None:
    fields = {field for field, _ in bad(read_form({}, ZONE, NOW, ""))}
    assert {"mark", "by", "stage", "steel_f"} <= fields
    assert good(read_form({**FORM, "by": ""}, ZONE, NOW, "Q. Arden")).reading.by == "Q. Arden"
