"""What a device posts: every error by row and field, and never a traceback."""

import json
import math
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import AirReading
from frostshift_service.air_post import MAX_PROBLEMS, MAX_READINGS, PostError, PostProblem, read_post

NOW = datetime(2026, 1, 15, 6, 12, tzinfo=UTC)
GOOD = {"air_c": -12.3, "at_utc": "2026-01-15T06:10:00Z"}


def problems(value: Any) -> tuple[PostProblem, ...]:
    with pytest.raises(PostError, match=r"^Nothing was taken in\.$") as caught:
        read_post(json.dumps(value).encode(), NOW)
    return caught.value.problems


def test_one_reading_or_a_list_in_celsius_or_fahrenheit() -> None:
    at = datetime(2026, 1, 15, 6, 10, tzinfo=UTC)
    assert read_post(json.dumps(GOOD).encode(), NOW) == (AirReading(-12.3, at),)
    both = [{"air_f": 14, "at_utc": "2026-01-15T00:10:00.5-06:00"}, GOOD]
    assert read_post(json.dumps(both).encode(), NOW) == (
        AirReading(-10.0, at + timedelta(seconds=0.5)),
        AirReading(-12.3, at),
    )
    assert read_post(b"\xef\xbb\xbf" + json.dumps(GOOD).encode(), NOW) == (AirReading(-12.3, at),)


@pytest.mark.parametrize(
    ("row", "field", "said"),
    [
        (GOOD | {"air_c": -60.1}, "air_c", "air_c is -60.1, a number within -60 to 50 °C is needed"),
        (GOOD | {"air_c": 50.01}, "air_c", "air_c is 50.01, a number within -60 to 50 °C is needed"),
        ({"air_f": 122.1, "at_utc": GOOD["at_utc"]}, "air_f", "a number within -76 to 122 °F is needed"),
        (GOOD | {"air_c": "-12.3"}, "air_c", 'air_c is "-12.3", a number within'),
        (GOOD | {"air_c": True}, "air_c", "air_c is true, a number within"),
        (GOOD | {"air_c": None}, "air_c", "air_c is missing, a number within"),
        (GOOD | {"air_c": math.nan}, "air_c", "air_c is NaN, a number within"),
        (GOOD | {"air_c": 10**400}, "air_c", "a number within"),
        ({"at_utc": GOOD["at_utc"]}, "air_c", "air_c is missing, a number within"),
        (GOOD | {"air_f": 9}, "air_f", "air_f is 9, air_c or air_f, not both, is needed"),
        ({"air_c": -12.3}, "at_utc", "at_utc is missing, a time with its zone"),
        (GOOD | {"at_utc": "2026-01-15T06:10:00"}, "at_utc", "a time with its zone such as 2026-01-15T06:10:00Z"),
        (GOOD | {"at_utc": "this morning"}, "at_utc", 'at_utc is "this morning", a time with its zone'),
        (GOOD | {"at_utc": 1768457400}, "at_utc", "at_utc is 1768457400, a time with its zone"),
        (GOOD | {"at_utc": "0001-01-01T00:00:00+10:00"}, "at_utc", "a time with its zone"),
        (
            GOOD | {"at_utc": "2026-01-15T06:17:01Z"},
            "at_utc",
            "a time within 2026-01-08T06:12Z to 2026-01-15T06:17Z is needed",
        ),
        (GOOD | {"at_utc": "2026-01-08T06:11:59Z"}, "at_utc", "a time within 2026-01-08T06:12Z to"),
        (GOOD | {"temp": 3}, "temp", "temp is 3, no other key than air_c, air_f, at_utc is needed"),
        (None, "", "it is null, an object such as"),
        ("-12.3C", "", 'it is "-12.3C", an object such as'),
    ],
)
def test_what_is_wrong_is_named_with_row_field_value_and_limit(row: Any, field: str, said: str) -> None:
    (found,) = problems([GOOD, row])
    assert (found.row, found.field) == (2, field)
    assert found.message.startswith("reading 2: ")
    assert said in found.message
    assert found.limit in found.message
    assert found.value in found.message


def test_all_errors_are_said_at_once_up_to_a_limit() -> None:
    assert [(one.row, one.field) for one in problems([{"air_c": 99, "x": 1}, GOOD, {}])] == [
        (1, "x"),
        (1, "air_c"),
        (1, "at_utc"),
        (3, "air_c"),
        (3, "at_utc"),
    ]
    assert len(problems([{}] * MAX_READINGS)) == MAX_PROBLEMS


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "The post is no JSON: line 1, column 1"),
        (b"{", "The post is no JSON: line 1"),
        (b"\xff\xfe", "Byte 1 of the post is not UTF-8"),
        (b"[" * 49_000, "The post is no JSON that can be read"),
        (b"1" * 49_000, "The post is no JSON that can be read"),
        (b"[]", "The list of readings is empty"),
        (json.dumps([GOOD] * 201).encode(), "There are 201 readings, more than 200 at a time"),
        (b'{"air_c": -12, "air_c": -2, "at_utc": "2026-01-15T06:10:00Z"}', "Nothing was taken in"),
    ],
)
def test_a_post_that_is_no_list_of_readings(data: bytes, said: str) -> None:
    with pytest.raises(PostError, match=said):
        read_post(data, NOW)


def test_as_many_as_are_allowed() -> None:
    assert len(read_post(json.dumps([GOOD] * MAX_READINGS).encode(), NOW)) == MAX_READINGS


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["air_c", "air_f", "at_utc", "x"]), inner, max_size=4)
    ),
    max_leaves=8,
)


@given(st.binary(max_size=60) | json_values.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_are_readings_or_an_error_for_people(data: bytes) -> None:
    with suppress(PostError):
        assert all(-60.0 <= one.air_c <= 50.0 for one in read_post(data, NOW))
