"""A list of observed temperatures: read strictly, every error with its row."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import AirReading
from frostshift_rules.units import c_from_f
from frostshift_service.observed_file import ObservedFile, read_observed

AT = datetime(2026, 1, 15, 6, tzinfo=UTC)
GOOD = "2026-01-15T06:00Z"


def read(text: str) -> ObservedFile:
    found = read_observed(text.encode(), "air.csv")
    assert bool(found.readings) <= (found.error_count == 0)
    return found


def said(text: str) -> list[str]:
    found = read(text)
    assert found.readings == ()
    return [str(error) for error in found.errors]


def test_celsius_with_any_offset() -> None:
    found = read(f"time_utc,air_c\n{GOOD},-12.3\n2026-01-15 01:00-06:00,+4\n2026-01-15T08:30:00+00:00,-.5\n")
    assert found.readings == (
        AirReading(-12.3, AT),
        AirReading(4.0, AT + timedelta(hours=1)),
        AirReading(-0.5, AT + timedelta(hours=2.5)),
    )
    assert (found.errors, found.warnings) == ((), ())


def test_fahrenheit_and_a_separator_of_a_spreadsheet() -> None:
    assert read(f"Air F;Time UTC\n9.5;{GOOD}\n").readings == (AirReading(c_from_f(9.5), AT),)


def test_a_row_without_a_temperature_is_no_reading() -> None:
    found = read(f"time_utc,air_c,note\n{GOOD},,dead battery\n2026-01-15T07:00Z,-3,\n")
    assert found.readings == (AirReading(-3.0, AT + timedelta(hours=1)),)
    assert found.warnings == ("row 1: unknown columns are not read: 'note'",)


@pytest.mark.parametrize(
    ("row", "error"),
    [
        (
            "2026-01-15T06:00,-1",
            "time_utc in row 3: '2026-01-15T06:00' has no offset from UTC; write 2026-01-15T06:00Z",
        ),
        ("15.1.2026 06:00,-1", "time_utc in row 3: '15.1.2026 06:00' is not a time; write 2026-01-15T06:00Z"),
        ("2026-02-30T06:00Z,-1", "time_utc in row 3: '2026-02-30T06:00Z' is not a time; write 2026-01-15T06:00Z"),
        (",-1", "time_utc in row 3: is empty; write date and time with its offset, for example 2026-01-15T06:00Z"),
        ("2026-01-15T05:00Z,cold", "air_c in row 3: 'cold' is not a number of °C; write for example -12.3"),
        ("2026-01-15T05:00Z,nan", "air_c in row 3: 'nan' is not a number of °C; write for example -12.3"),
        ("2026-01-15T05:00Z,9 F", "air_c in row 3: '9 F' is not a number of °C; write for example -12.3"),
        ("2026-01-15T05:00Z,50.1", "air_c in row 3: '50.1' is outside -60 to 50 °C"),
        ("2026-01-15T05:00Z,-60.1", "air_c in row 3: '-60.1' is outside -60 to 50 °C"),
        ("2026-01-15T00:00-06:00,-1", "time_utc in row 3: '2026-01-15T06:00:00+00:00' is already in row 2"),
        (
            "2026-01-15T05:00Z,-1,-2",
            "row 3: '-2' in place 3 stands under no column name; is a separator typed inside a cell?",
        ),
    ],
)
def test_what_cannot_be_read_is_said_with_its_row(row: str, error: str) -> None:
    assert said(f"time_utc,air_c\n{GOOD},-12.3\n{row}\n") == [error]


def test_the_limit_in_fahrenheit_is_that_in_celsius() -> None:
    assert said(f"time_utc,air_f\n{GOOD},122.1\n") == ["air_f in row 2: '122.1' is outside -76 to 122 °F"]
    assert read(f"time_utc,air_f\n{GOOD},122\n").readings[0].air_c == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", "air.csv is empty"),
        ("time_utc,air_c\n", "air.csv has a header and no rows"),
        (f"time_utc\n{GOOD}\n", "row 1: the header has neither of air_c and air_f; write one"),
        (f"time_utc,air_c,air_f\n{GOOD},1,2\n", "row 1: the header has both of air_c and air_f; write one"),
        (f"time,air_c\n{GOOD},1\n", "row 1: required columns are missing: time_utc; the header has 'time', 'air_c'"),
    ],
)
def test_a_file_that_is_no_list_is_refused(text: str, error: str) -> None:
    assert said(text)[0] == error


def test_every_error_of_a_file_is_found() -> None:
    assert len(said("time_utc,air_c\nx,y\n2026-01-15T06:00,99\n")) == 4


@given(st.binary(max_size=300))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    found = read_observed(b"time_utc,air_c\n" + data, "air.csv")
    assert not (found.error_count and found.readings)
