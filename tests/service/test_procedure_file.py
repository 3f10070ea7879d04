"""Lists of welding procedures: good and bad ones in, every error by row and column, and the way out and back."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Mapping
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.job import PROCESSES, Procedure
from frostshift_service import procedure_file
from frostshift_service.procedure_file import COLUMNS, MAX_BYTES, MAX_ROWS, ProcedureFile, read_procedures
from frostshift_service.schedule_file import cells
from frostshift_service.site_file import PROCEDURE_MAXIMUM_C, PROCEDURE_MINIMUM_C, PROCEDURE_MM, covered_steel

GOOD: Mapping[str, str] = {
    "procedure": "P-12",
    "steels": "A572-50; A588-*",
    "thickness_from": "3/4 in",
    "thickness_to": "2-1/2 in",
    "process": "SMAW",
    "minimum": "230 F",
    "maximum": "450 F",
    "qualified_by_test": "yes",
}
ANY_C = cells.temperature_c(-1000.0, 1000.0)


def csv_of(*rows: Mapping[str, str], without: str = "", delimiter: str = ",") -> bytes:
    out = io.StringIO()
    names = [name for name in dict.fromkeys(name for row in (GOOD, *rows) for name in row) if name != without]
    writer = csv.DictWriter(out, names, extrasaction="ignore", delimiter=delimiter, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def read(data: bytes) -> ProcedureFile:
    return read_procedures(data, "p.csv")


def good(data: bytes) -> tuple[Procedure, ...]:
    found = read(data)
    assert found.errors == ()
    assert found.error_count == 0
    return found.procedures


def errors(found: ProcedureFile) -> list[str]:
    assert found.procedures == ()
    return [str(error) for error in found.errors]


# --- what is read ---


def test_a_whole_row() -> None:
    (one,) = good(csv_of(GOOD))
    assert one == Procedure(
        name="P-12",
        minimum_c=ANY_C("230 F"),
        maximum_c=ANY_C("450 F"),
        qualified_by_test=True,
        steels=("A572-50", "A588-*"),
        from_mm=cells.read_length("3/4 in").mm,
        to_mm=cells.read_length("2-1/2 in").mm,
        process="SMAW",
    )
    assert one.minimum_c == 110.0


def test_an_empty_cell_is_every_steel_no_limit_every_process_not_stated_and_not_by_test() -> None:
    found = read(csv_of({"procedure": "P-1"}))
    assert found.procedures == (Procedure("P-1"),)
    assert found.warnings == ("minimum in row 2: is empty: the procedure states no minimum",)


@pytest.mark.parametrize(
    ("typed", "steels"),
    [
        ("all", ()),
        ("ALL", ()),
        ("A36", ("A36",)),
        ("ASTM A572 Gr. 50;a588-*", ("A572-50", "A588-*")),
        (" A992 ; S355J2+N ;API5L-*", ("A992", "S355J2+N", "API5L-*")),
    ],
)
def test_steels(typed: str, steels: tuple[str, ...]) -> None:
    assert good(csv_of(GOOD | {"steels": typed}))[0].steels == steels


def test_limits_are_included_and_one_thickness_is_enough() -> None:
    row = GOOD | {"thickness_from": "20 mm", "thickness_to": "2 cm", "minimum": "-20 C", "maximum": "600 C"}
    (one,) = good(csv_of(row))
    assert (one.from_mm, one.to_mm, one.minimum_c, one.maximum_c) == (20.0, 20.0, -20.0, 600.0)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_separators_and_encodings(delimiter: str, encoding: str) -> None:
    data = csv_of(GOOD | {"procedure": "Süd-1"}, delimiter=delimiter).decode().encode(encoding)
    assert good(data)[0].name == "Süd-1"
    assert good(data)[0].steels == ("A572-50", "A588-*")


def test_a_workbook_is_read_too() -> None:
    book = openpyxl.Workbook()
    sheet = book.create_sheet("Procedures")
    for row in (list(GOOD), list(GOOD.values())):
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    assert good(out.getvalue()) == good(csv_of(GOOD))


# --- what is refused ---


@pytest.mark.parametrize(
    ("change", "message", "limit"),
    [
        ({"procedure": ""}, "procedure in row 2: is empty; write text, 60 characters, for example P-12", ""),
        ({"procedure": "x" * 61}, f"procedure in row 2: '{'x' * 40}...' has 61 characters, more than 60",
         "60 characters"),
        ({"procedure": "P\u200b1"}, "procedure in row 2: holds a character that cannot be shown (U+200B)", ""),
        ({"steels": "A36-ish"}, "steels in row 2: 'A36-ish' cannot be read as a steel; write specification and grade, "
         "several with ; between, for example A572-50; A588-*, or all", ""),
        ({"steels": "A36, A992"}, "steels in row 2: 'A36, A992' cannot be read as a steel", ""),
        ({"steels": "A36;"}, "steels in row 2: '' cannot be read as a steel", ""),
        ({"steels": "A36; all"}, "steels in row 2: 'all' cannot be read as a steel", ""),
        ({"steels": "*"}, "steels in row 2: '*' cannot be read as a steel", ""),
        ({"steels": "A36; a 36"}, "steels in row 2: 'A36; a 36' has A36 twice", ""),
        ({"steels": "A572-50-*"}, "steels in row 2: steel 'A572-50-*' has a grade before -*; write A572-* or the grade",
         ""),
        ({"steels": "S355-*"}, "steels in row 2: steel 'S355-*': -* is for specifications with grades", ""),
        ({"steels": "A36;" * 300}, "steels in row 2: has 1200 characters, more than 1000", "1000 characters"),
        ({"thickness_from": "20"}, "thickness_from in row 2: '20' has no unit; write 20 mm or 3/4 in", ""),
        ({"thickness_from": "-1 mm"}, "thickness_from in row 2: '-1 mm' is -1 mm, outside 0 mm to 1 m", "0 mm to 1 m"),
        ({"thickness_to": "1.1 m"}, "thickness_to in row 2: '1.1 m' is 1.1 m, outside 0 mm to 1 m", "0 mm to 1 m"),
        ({"thickness_to": "38,1 mm"}, "thickness_to in row 2: '38,1 mm' has a comma", ""),
        ({"thickness_from": "3 in"}, "thickness_from in row 2: '3 in' is above thickness_to '2-1/2 in'",
         "at most 2-1/2 in"),
        ({"process": "TIG"}, "process in row 2: 'TIG' is not one of: SMAW, FCAW-S, FCAW-G, GMAW, GTAW, SAW",
         "SMAW | FCAW-S | FCAW-G | GMAW | GTAW | SAW"),
        ({"process": "FCAW"}, "process in row 2: 'FCAW' does not say which: write FCAW-S", ""),
        ({"minimum": "230"}, "minimum in row 2: '230' has no unit; write 40 F or 5 C", ""),
        ({"minimum": "401 C", "maximum": ""}, "minimum in row 2: '401 C' is 401 °C, outside -20 °C to 400 °C",
         "-20 °C to 400 °C"),
        ({"maximum": "19 C", "minimum": "0 C"}, "maximum in row 2: '19 C' is 19 °C, outside 20 °C to 600 °C",
         "20 °C to 600 °C"),
        ({"minimum": "451 F"}, "minimum in row 2: '451 F' is not below the maximum '450 F'", "below 450 F"),
        ({"minimum": "450 F"}, "minimum in row 2: '450 F' is not below the maximum '450 F'", "below 450 F"),
        ({"minimum": "230 °F", "maximum": "110 C"}, "minimum in row 2: '230 °F' is not below the maximum '110 C'",
         "below 110 C"),
        ({"qualified_by_test": "maybe"}, "qualified_by_test in row 2: 'maybe' is not one of: yes, no",
         "yes | no | y | n | true | false"),
    ],
)  # fmt: skip
def test_bad_cells(change: Mapping[str, str], message: str, limit: str) -> None:
    found = read(csv_of(GOOD | change))
    (said,) = errors(found)
    assert said.startswith(message)
    assert found.errors[0].limit == limit
    assert found.errors[0].value == next(iter(change.values()))


def test_every_error_of_the_file_is_listed_by_row() -> None:
    found = read(
        csv_of(
            GOOD,
            GOOD | {"procedure": "p-12", "steels": "glass", "minimum": "9 F", "maximum": "9 C"},
            GOOD | {"procedure": "", "thickness_from": "1 m", "process": "MIG"},
        )
    )
    assert [(error.row, error.column) for error in found.errors] == [
        (3, "procedure"),
        (3, "steels"),
        (3, "maximum"),
        (4, "procedure"),
        (4, "process"),
        (4, "thickness_from"),
    ]
    assert errors(found)[0] == "procedure in row 3: 'p-12' is already in row 2 as 'P-12'"


@pytest.mark.parametrize("name", GOOD)
def test_every_column_has_to_be_there(name: str) -> None:
    (said,) = errors(read(csv_of(GOOD, without=name)))
    assert said.startswith(f"row 1: required columns are missing: {name}; the header has ")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "p.csv is empty"),
        (procedure_file.template_csv(), "p.csv has a header and no rows"),
        (csv_of(GOOD)[:-1] + b',"x"', "row 2: 'x' in place 9 stands under no column name"),
        (csv_of(GOOD | {"Minimum": "9 C"}), "minimum in row 1: the column is in the header twice"),
        (csv_of(GOOD)[:40] + b"\0", "p.csv holds NUL bytes"),
        (csv_of(GOOD) + b'"x', "p.csv cannot be read as CSV near line 3"),
        (bytes(MAX_BYTES + 1), "p.csv has 1.0 MB, more than 1 MB"),
        (csv_of(*[GOOD] * (MAX_ROWS + 1)), "row 1002: p.csv has more than 1,000 rows"),
        (b"PK\x03\x04 and nothing more", "p.csv cannot be read as an XLSX workbook"),
    ],
    ids=range(9),
)
def test_files_that_cannot_be_read(data: bytes, message: str) -> None:
    (said,) = errors(read(data))
    assert said.startswith(message)


def test_an_unknown_column_is_said_and_not_read() -> None:
    found = read(csv_of(GOOD | {"Revision": "3"}))
    assert found.warnings == ("row 1: unknown columns are not read: 'Revision'",)
    assert found.procedures == good(csv_of(GOOD))


@pytest.mark.parametrize(
    ("text", "said"), [("", "cannot be read"), ("-*", "cannot be read"), ("A-*", "cannot be read")]
)
def test_a_steel_that_is_none(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        covered_steel(text)


# --- out and back ---

_NAMES = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=20)
_STEELS = st.lists(st.sampled_from(["A36", "A572-50", "A588-*", "A709-HPS70W", "S355J2+N"]), max_size=4, unique=True)


@st.composite
def procedures(draw: st.DrawFn) -> Procedure:
    low, high = draw(st.none() | st.floats(*PROCEDURE_MINIMUM_C)), draw(st.none() | st.floats(*PROCEDURE_MAXIMUM_C))
    if low is not None and high is not None and low >= high:
        high = None
    inches = st.integers(0, 39 * 16).map(lambda n: cells.read_length(f"{n / 16} in").mm)
    thin, thick = (draw(st.none() | st.floats(*PROCEDURE_MM) | inches) for _ in "ab")
    if thin is not None and thick is not None and thin > thick:
        thin, thick = thick, thin
    return Procedure(
        draw(_NAMES),
        low,
        high,
        draw(st.booleans()),
        tuple(draw(_STEELS)),
        thin,
        thick,
        draw(st.none() | st.sampled_from(PROCESSES)),
    )


@pytest.mark.parametrize("show", ["us", "si"])
@settings(max_examples=60)
@given(st.lists(procedures(), min_size=1, max_size=4, unique_by=lambda one: one.name.casefold()))
def test_what_is_written_reads_back_the_same(show: Any, listed: list[Procedure]) -> None:
    assert good(procedure_file.procedures_csv(listed, show)) == tuple(listed)


def test_what_is_written_is_in_the_units_asked_for_and_no_formula() -> None:
    (one,) = good(csv_of(GOOD | {"procedure": "=1+1"}))
    us, si = (procedure_file.procedures_csv([one], show).decode("utf-8-sig").splitlines()[1] for show in ("us", "si"))
    assert us == "'=1+1,A572-50; A588-*,3/4 in,2-1/2 in,SMAW,230 F,450 F,yes"
    assert si.startswith("'=1+1,A572-50; A588-*,")
    assert si.endswith(" mm,SMAW,110 °C,450 F,yes"), "230 F is 110 °C; 450 F reads back the same only so"


def test_the_template_is_the_header_and_every_example_reads() -> None:
    data = procedure_file.template_csv()
    assert data.startswith(codecs.BOM_UTF8)
    assert data.decode("utf-8-sig") == ",".join(column.name for column in COLUMNS) + "\r\n"
    assert good(csv_of({column.name: column.example for column in COLUMNS}))
