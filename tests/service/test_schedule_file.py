"""Schedule files: good and messy ones in, every bad input with its answer, and the way out and back."""

from __future__ import annotations

import codecs
import io
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from frostshift_rules.arrangements import CATALOGUE, as_arranged
from frostshift_rules.composition import ELEMENTS, Composition
from frostshift_rules.job import (
    ARRANGEMENTS,
    Arrangement,
    HeatSource,
    Joint,
    Part,
    Procedure,
    Shelter,
    Shift,
    Site,
    SourceUse,
)
from frostshift_service import schedule_file
from frostshift_service.schedule_file import COLUMNS, ScheduleFile, cells, workbook
from frostshift_service.schedule_file.sheet import guarded, unguarded

FIXTURES = Path(__file__).parents[2] / "fixtures" / "schedules"
NOW = datetime(2026, 11, 25, 18, tzinfo=UTC)
SITE = Site(
    id="mill",
    name="Mill building",
    latitude=44.9,
    longitude=-93.2,
    altitude_m=250.0,
    zone="America/Chicago",
    table_id="none",
    code_units="us",
    shifts=(Shift("day", time(7), time(17)), Shift("evening", time(17), time(1))),
    heat_sources=(HeatSource("P1", "propane torch", "propane", 30.0),),
    procedures=(Procedure("P-12"),),
)
GOOD: Mapping[str, str] = {
    "mark": "J-1",
    "start": "2026-11-26 07:30",
    "hours": "2",
    "process": "SMAW",
    "electrode": "E7018",
    "weld_length": "24 in",
    "steel_1": "A572-50",
    "thickness_1": "1-1/2 in",
}


def read(data: bytes, name: str = "s.csv", **limits: int) -> ScheduleFile:
    return schedule_file.read_schedule(data, name, SITE, NOW, **limits)


def csv_of(*rows: Mapping[str, str]) -> bytes:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    lines = [columns, *([row.get(name, "") for name in columns] for row in rows)]
    return "\n".join(",".join('"' + cell.replace('"', '""') + '"' for cell in line) for line in lines).encode()


def xlsx_of(*rows: list[Any], change: Callable[[openpyxl.Workbook], None] | None = None) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if change:
        change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def good_xlsx(change: Callable[[openpyxl.Workbook], None] | None = None, **cells_: object) -> bytes:
    row = GOOD | cells_
    return xlsx_of(list(row), list(row.values()), change=change)


def errors(found: ScheduleFile) -> list[str]:
    assert found.joints == ()
    return [str(error) for error in found.errors]


def only_error(found: ScheduleFile) -> str:
    (error,) = errors(found)
    return error


# --- what is read ---


def test_the_good_file() -> None:
    found = read((FIXTURES / "good.csv").read_bytes())
    assert found.errors == ()
    assert found.warnings == ()
    first, second, third = found.joints
    assert first.joint == Joint(
        mark="BP-A1",
        place="row A, line 1",
        parts=(Part("A572-50", 2 * 25.4, 2.0), Part("A36", cells.read_length("1-1/2 in").mm, 1.5, "plate",
                                                    cells.read_length("12 in").mm, 2)),
        process="SMAW",
        electrode="E7018",
        hydrogen_ml=8.0,
        procedure="P-12",
        weld_length_mm=cells.read_length("24 in").mm,
        ends="inside",
        start_utc=datetime(2026, 11, 26, 13, 30, tzinfo=UTC),
        hours=2.5,
        crew="north",
        shelter=Shelter(cells.temperature_c(-60, 50)("40 F"), cells.speed_ms(0, 40)("3 mph")),
        torches=2,
        heat_source="P1",
        heated_length_mm=cells.read_length("12 in").mm,
    )  # fmt: skip
    assert (first.row, first.defaults, first.problems) == (2, ("reach_1",), ())
    assert second.joint.ends == "edge_to_edge"
    assert second.joint.exposure == "half"
    assert (second.joint.sun, second.joint.both_faces) == (True, True)
    assert second.joint.height_m == pytest.approx(33 * 0.3048)
    assert [part.kind for part in second.joint.parts] == ["flange_with_web", "plate"]
    assert [part.thickness_in for part in second.joint.parts] == [None, 0.75]
    assert third.joint.weld_length_mm == 762.0
    assert third.joint.height_m == 10.0
    assert set(third.defaults) == {
        "hydrogen", "procedure", "weld_ends", "sun", "shelter_air", "shelter_wind", "height", "torches", "heat_source",
        "heated_length", "both_faces", "kind_1", "reach_1", "sides_1",
    }  # fmt: skip


def test_the_messy_file_says_the_same_in_other_spellings() -> None:
    found = read((FIXTURES / "messy.csv").read_bytes())
    assert found.errors == ()
    assert found.warnings == ("row 1: unknown columns are not read: 'Remarks'",)
    assert [one.row for one in found.joints] == [2, 4, 5]
    first, second, third = (one.joint for one in found.joints)
    assert first.place == 'hall "north", bay 2'
    assert (first.mark, first.process, first.electrode, first.hydrogen_ml) == ("A-1", "SMAW", "E7018-1 H4R", 4.0)
    assert [(part.steel, part.thickness_in) for part in first.parts] == [("A572-50", 1.5), ("A36", None)]
    assert first.shelter == Shelter(-5.0, 2.2)
    assert first.height_m == pytest.approx(9.906)
    assert (second.place, second.process, second.sun) == ("Ölkeller", "FCAW-S", True)
    assert second.weld_length_mm == 762.0
    assert (third.process, third.electrode, third.hydrogen_ml) == ("FCAW-G", None, 5.0)
    assert [part.steel for part in third.parts] == ["A709-HPS70W", "A992"]


def test_what_methods_by_composition_ask_for() -> None:
    found = read((FIXTURES / "composition.csv").read_bytes())
    assert found.errors == ()
    assert found.warnings == ()
    first, second, third = (one.joint for one in found.joints)
    assert (first.heat_input_kj_mm, first.restraint, first.passes) == (1.5, "medium", 6)
    assert first.weld_metal == Composition(c=0.08, si=0.4, mn=1.2)
    assert [part.composition for part in first.parts] == [
        Composition(c=0.18, si=0.25, mn=1.4, cu=0.2, ni=0.1, cr=0.05, mo=0.02),
        Composition(c=0.16, si=0.25, mn=1.4, v=0.005, b=0.0005),
    ]
    assert second.heat_input_kj_mm == pytest.approx(40 / 25.4)
    assert (second.restraint, second.passes, second.fracture_critical) == ("high", 12, True)
    assert [part.composition for part in second.parts] == [None, None]
    assert (third.heat_input_kj_mm, third.restraint, third.weld_metal, third.passes) == (None, None, None, None)
    assert third.fracture_critical is False


def test_what_was_never_asked_for_is_no_default_on_the_sheet() -> None:
    """Only some methods and arrangements ask for these; else every sheet would list them on every line."""
    (one,) = read(csv_of(GOOD)).joints
    quiet = {column.name for column in COLUMNS if not column.listed}
    of_parts = {f"{name}_{n}" for name in ("composition", "flange_width", "web", "web_depth") for n in range(1, 5)}
    assert quiet == of_parts | {
        "also_heated", "heat_input", "restraint", "weld_metal", "passes", "fracture_critical", "arrangement", "welded",
        "weld_length", "after", "not_before", "finish_by", "pinned",
    }  # fmt: skip
    assert not quiet & set(one.defaults)
    assert {column.default for column in COLUMNS if column.name in quiet - {"arrangement", "weld_length"}} == {
        "not stated", "nothing else", "estimated in layers", "no",
    }  # fmt: skip


def test_the_hopeless_file_lists_every_error_by_row_and_gives_no_joint() -> None:
    found = read((FIXTURES / "hopeless.csv").read_bytes())
    expected = [
        "shelter_air in row 2: '40' has no unit; write 40 F or 5 C",
        "steel_1 in row 2: 'A36-ish' cannot be read as a steel",
        "thickness_1 in row 2: '38' has no unit; write 38 mm or 1-1/2 in",
        "start in row 3: '11/26/2026 07:30' may be read as day/month or month/day; write it as 2026-11-26 07:30",
        "process in row 3: 'FCAW' does not say which: write FCAW-S",
        "weld_length in row 3: '24' has no unit; write 600 mm",
        "exposure in row 3: 'sunny' is not one of: open, half, covered",
        "torches in row 3: '0' is outside 1 to 20",
        "thickness_1 in row 3: '-38 mm' is -38 mm, outside 1 mm to 300 mm",
        "start in row 4: '2026-11-26' has no time of day",
        "hours in row 4: '0' is 0 hours, outside 0.1 to 72 hours",
        "process in row 4: 'TIG' is not one of: SMAW, FCAW-S, FCAW-G, GMAW, GTAW, SAW",
        "weld_length in row 4: '5 mm' is 5 mm, outside 10 mm to 50 m",
        "torches in row 4: '1.5' is not a whole number from 1 to 20",
        "thickness_1 in row 4: '400 mm' is 400 mm, outside 1 mm to 300 mm",
        "mark in row 5: 'X-1' is already in row 2",
        "start in row 5: '2026-02-30 07:30' is a date or time that does not exist",
        "electrode in row 5: '7018' is no electrode classification",
        "weld_length in row 5: '60 m' is 60 m, outside 10 mm to 50 m",
        "thickness_1 in row 5: '1-3/2' is no proper fraction; write for example 1-1/2 in",
        "start in row 6: '2027-03-14 02:30' does not exist: the clocks go forward over it in America/Chicago",
        "hours in row 6: '99' is 99 hours, outside 0.1 to 72 hours",
        "thickness_1 in row 6: '38,1 mm' has a comma",
        "thickness_2 in row 6: '2027-01-02' is a date",
        "start in row 7: is empty; write year-month-day hour:minute",
        "weld_length in row 7: is empty; write length with unit, 10 mm to 50 m, for example 24 in",
        "thickness_1 in row 7: is empty; write length with unit, 1 mm to 300 mm, for example 1-1/2 in",
    ]
    for said, start in zip(errors(found), expected, strict=True):
        assert said.startswith(start)
    assert found.error_count == len(expected)
    hours = found.errors[10]
    assert (hours.row, hours.column, hours.value, hours.limit) == (4, "hours", "0", "0.1 to 72 hours")


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (b"", "utf-8"),
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ],
)
def test_separators_line_ends_and_encodings(separator: str, newline: str, mark: bytes, encoding: str) -> None:
    row = GOOD | {"place": "Süd"}
    content = newline.join([separator.join(row), separator.join(row.values()), ""])
    found = read(mark + content.encode(encoding))
    assert found.errors == ()
    assert found.warnings == ()
    assert found.joints[0].joint.place == "Süd"


def test_cp1252_is_read_with_a_warning() -> None:
    found = read(csv_of(GOOD | {"place": "Süd"}).decode().encode("cp1252"))
    assert found.joints[0].joint.place == "Süd"
    assert "was read as Windows-1252" in found.warnings[0]


def test_text_such_as_na_stays_text() -> None:
    (one,) = read(csv_of(GOOD | {"mark": "NA", "place": "nan", "crew": "NULL"})).joints
    assert (one.joint.mark, one.joint.place, one.joint.crew) == ("NA", "nan", "NULL")


def test_empty_cells_that_make_a_joint_unknown_are_imported_with_the_reason() -> None:
    row = GOOD | {"process": "", "steel_1": "", "steel_2": "", "thickness_2": "1 in"}
    (one,) = read(csv_of(row, GOOD | {"mark": "J-2"})).joints[:1]
    assert one.joint.process is None
    assert [part.steel for part in one.joint.parts] == [None, None]
    assert one.problems == (
        "the process is not stated",
        "the steel of part 1 is not stated",
        "the steel of part 2 is not stated",
    )


def test_smaw_without_an_electrode_is_imported_with_the_reason() -> None:
    (one,) = read(csv_of(GOOD | {"electrode": ""})).joints
    assert one.problems == ("the electrode is not stated, so SMAW may or may not be low hydrogen",)


def test_procedure_and_heat_source_are_matched_with_the_site() -> None:
    first, second = read(
        csv_of(
            GOOD | {"procedure": "p-12", "heat_source": "p1"},
            GOOD | {"mark": "J-2", "procedure": "P-99", "heat_source": "T9"},
        )
    ).joints
    assert (first.joint.procedure, first.joint.heat_source, first.problems) == ("P-12", "P1", ())
    assert second.problems == (
        "procedure 'P-99' is not known; the site has P-12",
        "heat_source 'T9' is not known; the site has P1",
    )


WITH_PADS = replace(
    SITE, heat_sources=(*SITE.heat_sources, HeatSource("pad", "heating pad", None, 3.6, 0.4, 0.55, 0.65, kind="pad"))
)


@pytest.mark.parametrize(
    ("cell", "uses"),
    [
        ("4 pad, 1 P1", (SourceUse("pad", 4), SourceUse("P1", 1))),
        (" 4 x PAD ;1 p1", (SourceUse("pad", 4), SourceUse("P1", 1))),
        ("20 pad", (SourceUse("pad", 20),)),
        ("", ()),
    ],
)
def test_what_else_heats_a_joint(cell: str, uses: tuple[SourceUse, ...]) -> None:
    found = schedule_file.read_schedule(csv_of(GOOD | {"also_heated": cell}), "s.csv", WITH_PADS, NOW)
    (one,) = found.joints
    assert (one.joint.also_heated, one.problems) == (uses, ())
    out = schedule_file.joints_csv([one.joint], SITE.zone, "us")
    (back,) = schedule_file.read_schedule(out, "s.csv", WITH_PADS, NOW).joints
    assert back.joint == one.joint


def test_a_source_beside_that_the_site_does_not_have_makes_the_joint_unknown() -> None:
    (one,) = read(csv_of(GOOD | {"also_heated": "2 pad"})).joints
    assert one.joint.also_heated == (SourceUse("pad", 2),)
    assert one.problems == ("also_heated 'pad' is not known; the site has P1",)


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("pad", "'pad' cannot be read at 'pad'; write a number and a name for each, such as 4 pad, 1 rosebud"),
        ("4", "'4' cannot be read at '4'"),
        ("4 pad,", "'4 pad,' cannot be read at ''"),
        ("0 pad", "'0 pad' has 0 of 'pad', outside 1 to 20"),
        ("21 pad", "'21 pad' has 21 of 'pad', outside 1 to 20"),
        ("-1 pad", "cannot be read at '-1 pad'"),
        ("1.5 pad", "cannot be read at '1.5 pad'"),
        ("1 pad, 2 PAD", "has 'PAD' twice"),
        ("1 a, 1 b, 1 c, 1 d, 1 e", "has 5 names, more than 4"),
        ("1 " + "a" * 61, "has 61 characters, more than 60"),
    ],
)
def test_what_else_heats_a_joint_is_read_strictly(cell: str, said: str) -> None:
    (error,) = errors(read(csv_of(GOOD | {"also_heated": cell})))
    assert error.startswith("also_heated in row 2: ")
    assert said in error


def test_of_two_names_that_differ_by_capitals_the_one_typed_is_meant() -> None:
    site = replace(SITE, procedures=(Procedure("P-a"), Procedure("P-A")))
    for typed in ("P-a", "P-A"):
        found = schedule_file.read_schedule(csv_of(GOOD | {"procedure": typed}), "s.csv", site, NOW)
        assert found.joints[0].joint.procedure == typed


def test_starts_outside_shifts_long_past_and_far_ahead_are_imported_with_a_warning() -> None:
    found = read(
        csv_of(
            GOOD | {"start": "2026-11-26 03:00"},
            GOOD | {"mark": "J-2", "start": "2026-11-11 07:30"},
            GOOD | {"mark": "J-3", "start": "2026-11-12 07:30"},
            GOOD | {"mark": "J-4", "start": "2028-01-03 07:30"},
        )
    )
    assert len(found.joints) == 4
    assert found.warnings == (
        "start in row 2: 2026-11-26 03:00 of 'J-1' is outside every shift of the site",
        "start in row 3: 2026-11-11 07:30 of 'J-2' is more than 14 days past",
        "start in row 5: 2028-01-03 07:30 of 'J-4' is more than a year ahead",
    )


def test_a_start_in_the_hour_that_occurs_twice_is_imported_with_a_warning() -> None:
    found = read(csv_of(GOOD | {"start": "2026-11-01 01:30"}))
    assert found.joints[0].joint.start_utc == datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    assert found.warnings[0].startswith("start in row 2: '2026-11-01 01:30' occurs twice")


# --- bad files ---


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "s.csv is empty"),
        (b" \r\n\r\n", "s.csv is empty"),
        (codecs.BOM_UTF8, "s.csv is empty"),
        (b",,,\n,,\n", "s.csv is empty"),
        (schedule_file.template_csv(), "s.csv has a header and no rows"),
        (csv_of(GOOD)[:40] + b"\0" + csv_of(GOOD)[40:], "s.csv holds NUL bytes: it is no text file"),
        (csv_of(GOOD).decode().encode("utf-16-le"), "s.csv holds NUL bytes: it is no text file"),
        (b"mark\xff\0\n1", "s.csv holds NUL bytes: it is no text file"),
        (b"mark\x81\n1", "s.csv is neither UTF-8 (byte 4) nor Windows-1252 text; save it as CSV UTF-8"),
        (codecs.BOM_UTF16_LE + b"a", "s.csv is marked as UTF-16 but cannot be read as such"),
        (csv_of(GOOD)[:-1], "s.csv cannot be read as CSV near line 2: unexpected end of data; look for a quote"),
        (csv_of(GOOD) + b"\n" + b'"' + b"x" * 200_000 + b'"', "s.csv cannot be read as CSV near line 3: field larger"),
    ],
    ids=range(12),
)
def test_files_that_cannot_be_read(data: bytes, message: str) -> None:
    assert only_error(read(data)).startswith(message)


def test_a_file_of_50_mb_is_refused() -> None:
    found = read(bytes(50_000_000))
    assert only_error(found) == "s.csv has 50.0 MB, more than 10 MB"
    assert found.errors[0].limit == "10 MB"


def test_too_many_rows_are_refused() -> None:
    rows = [GOOD | {"mark": f"J-{n}"} for n in range(4)]
    assert len(read(csv_of(*rows), max_rows=4).joints) == 4
    assert only_error(read(csv_of(*rows), max_rows=3)) == "row 5: s.csv has more than 3 rows"


def test_only_so_many_errors_are_listed_and_all_are_counted() -> None:
    found = read(csv_of(*(GOOD | {"mark": f"J-{n}", "hours": "0"} for n in range(250))))
    assert len(errors(found)) == 200
    assert found.error_count == 250


# --- bad headers and rows ---


def test_all_missing_columns_are_named_at_once() -> None:
    row = {name: cell for name, cell in GOOD.items() if name not in ("hours", "thickness_1", "process")} | {"Hrs": "2"}
    message = only_error(read(csv_of(row)))
    assert message.startswith("row 1: required columns are missing: hours, process, thickness_1; the header has 'mark'")
    assert "'Hrs'" in message


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("thicknes_2", "thicknes_2 in row 1: unknown column; is thickness_2 meant?"),
        ("Thickness 2 (mm)", "thickness_2_(mm) in row 1: unknown column; is thickness_2 meant?"),
        ("thickness2", "thickness2 in row 1: unknown column; is thickness_2 meant?"),
        ("thickness_5", "thickness_5 in row 1: unknown column; parts are numbered 1 to 4"),
        ("composition_5", "composition_5 in row 1: unknown column; parts are numbered 1 to 4"),
        ("compositon_1", "compositon_1 in row 1: unknown column; is composition_1 meant?"),
        ("Heat Input (kJ/mm)", "heat_input_(kj/mm) in row 1: unknown column; is heat_input meant?"),
        ("exposures", "exposures in row 1: unknown column; is exposure meant?"),
        ("Weld-Length", "weld_length in row 1: the column is in the header twice"),
    ],
)
def test_a_misspelt_column_is_not_passed_over(header: str, message: str) -> None:
    assert only_error(read(csv_of(GOOD | {header: "2 in"}))).startswith(message)


def test_a_cell_under_no_column_is_an_error() -> None:
    assert only_error(read(csv_of(GOOD) + b',"5 in"')).startswith(
        "row 2: '5 in' in place 9 stands under no column name"
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mark": ""}, "mark in row 2: is empty"),
        ({"steel_2": "A36"}, "thickness_2 in row 2: is empty, but steel_2 of part 2 is filled"),
        ({"reach_3": "5 in", "sides_3": "2"}, "thickness_3 in row 2: is empty, but reach_3 and sides_3 of part 3"),
        ({"thickness_3": "5 in"}, "thickness_2 in row 2: is empty, but a later part than 2 has a thickness"),
        ({"electrode": "E71T-8"}, "electrode in row 2: 'E71T-8' is no covered electrode for SMAW"),
        (
            {"process": "FCAW-S", "electrode": "E6010"},
            "electrode in row 2: 'E6010' is a covered electrode, and the process is FCAW-S: one of them is wrong",
        ),
        ({"electrode": "E7O18"}, "electrode in row 2: 'E7O18' is no covered electrode for SMAW"),
        ({"place": "x" * 300}, "place in row 2: has 300 characters, more than 200"),
        ({"mark": "J\u200b1"}, "mark in row 2: holds a character that cannot be shown (U+200B)"),
        ({"sides_1": "3"}, "sides_1 in row 2: '3' is not one of: 1, 2"),
        ({"kind_1": "pipe"}, "kind_1 in row 2: 'pipe' is not one of: plate, flange with web, touching, tube"),
        ({"height": "-1 m"}, "height in row 2: '-1 m' is -1 m, outside 0 mm to 600 m"),
        ({"composition_2": "C 0.2"}, "thickness_2 in row 2: is empty, but composition_2 of part 2 is filled"),
        ({"composition_1": "C 0.2 X 0.02"}, "composition_1 in row 2: 'C 0.2 X 0.02' has 'X', which is no element"),
        ({"weld_metal": "C 0.2 C 0.1"}, "weld_metal in row 2: 'C 0.2 C 0.1' has C twice"),
        ({"heat_input": "1.5"}, "heat_input in row 2: '1.5' has no unit; write 1.5 kJ/mm or 40 kJ/in"),
        ({"heat_input": "11 kJ/mm"}, "heat_input in row 2: '11 kJ/mm' is 11 kJ/mm, outside 0.1 kJ/mm to 10 kJ/mm"),
        ({"restraint": "normal"}, "restraint in row 2: 'normal' is not one of: low, medium, high"),
        ({"passes": "0"}, "passes in row 2: '0' is outside 1 to 500"),
        ({"passes": "501"}, "passes in row 2: '501' is outside 1 to 500"),
        ({"passes": "2.5"}, "passes in row 2: '2.5' is not a whole number from 1 to 500"),
        ({"fracture_critical": "FCM"}, "fracture_critical in row 2: 'FCM' is not one of: yes, no"),
        ({"after": "J-0; J-0"}, "after in row 2: 'J-0; J-0' has 'J-0' twice"),
        ({"after": "J-0; j-0"}, "after in row 2: 'J-0; j-0' has 'J-0' twice"),
        ({"after": ";"}, "after in row 2: ';' has 0 marks, outside 1 to 12"),
        (
            {"after": "; ".join(f"J{n}" for n in range(2, 15))},
            "after in row 2: 'J2; J3; J4; J5; J6; J7; J8; J9; J10; J11...' has 13",
        ),
        ({"after": "j-1"}, "after in row 2: has 'J-1' wait for itself"),
        ({"not_before": "2026-11-26"}, "not_before in row 2: '2026-11-26' has no time of day"),
        ({"finish_by": "26.11.2026 10:00"}, "finish_by in row 2: '26.11.2026 10:00' may be read as day/month"),
        (
            {"not_before": "2026-11-26 07:30", "finish_by": "2026-11-26 09:29"},
            "finish_by in row 2: leaves less than the 2 h of welding after not_before",
        ),
        ({"pinned": "maybe"}, "pinned in row 2: 'maybe' is not one of: yes, no"),
        ({"shelter_air": "500 F"}, "shelter_air in row 2: '500 F' is 260 °C, outside -60 °C to 50 °C"),
    ],
)
def test_bad_cells(change: Mapping[str, str], message: str) -> None:
    assert only_error(read(csv_of(GOOD | change))).startswith(message)


def test_the_sequence_is_read_with_the_spelling_of_the_file() -> None:
    second = GOOD | {"mark": "J-2", "after": "j-1;  Old 7", "not_before": "2026-11-27 07:00", "pinned": "yes"}
    found = read(csv_of(GOOD, second | {"finish_by": "2026-11-26 09:00"} | {"not_before": ""}))
    joint = found.joints[1].joint
    assert (joint.after, joint.pinned, joint.not_before_utc) == (("J-1", "Old 7"), True, None)
    assert joint.finish_by_utc == datetime(2026, 11, 26, 15, tzinfo=UTC)
    said = [str(warning) for warning in found.warnings]
    assert any("'Old 7' is not in this file" in text for text in said)
    assert any("finish_by" in text and "the planned end lies after it" in text for text in said)
    late = read(csv_of(GOOD, second))
    assert any("not_before" in str(text) and "the planned start lies before it" in str(text) for text in late.warnings)


def test_a_mark_twice_names_both_rows_whatever_its_capitals() -> None:
    assert only_error(read(csv_of(GOOD, GOOD | {"mark": "j-1"}))) == "mark in row 3: 'j-1' is already in row 2 as 'J-1'"


# --- how the parts meet ---

FLANGES: Mapping[str, str] = {
    f"{name}_{n}": cell
    for n in (1, 2)
    for name, cell in {
        "thickness": "1 in", "steel": "A992", "flange_width": "12 in", "web": "5/8 in", "web_depth": "600 mm",
    }.items()
}  # fmt: skip
BARE: Mapping[str, str] = {name: "" for name in FLANGES if not name.startswith(("thickness", "steel"))}
BASE_PLATE: Mapping[str, str] = {name: "" if name in ("flange_width_1", "web_1", "web_depth_1") else cell
                                 for name, cell in FLANGES.items()}  # fmt: skip
ROWS: Mapping[Arrangement, Mapping[str, str]] = {
    "butt": FLANGES | BARE,
    "flange_splice": FLANGES,
    "tee": FLANGES | {"flange_width_1": "14 in"},
    "stiffener": FLANGES | BARE,
    "column_splice": FLANGES,
    "base_plate": BASE_PLATE,
    "tube": FLANGES | BARE,
}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_a_row_of_each_arrangement(arrangement: Arrangement) -> None:
    meeting = CATALOGUE[arrangement]
    length = "" if meeting.fills_flange else "12 in"
    row = GOOD | ROWS[arrangement] | {"arrangement": arrangement.replace("_", " "), "weld_length": length}
    found = read(csv_of(row))
    assert found.errors == ()
    (one,) = found.joints
    joint = one.joint
    assert (joint.arrangement, joint.weld_length_mm, joint.welded) == (arrangement, 12 * 25.4, False)
    assert [(part.kind, part.sides) for part in joint.parts] == [(role.kind, role.sides) for role in meeting.roles]
    assert joint.ends == meeting.ends[0]
    for part in joint.parts:
        sizes = (part.width_mm, part.web_mm, part.web_depth_mm)
        assert (None not in sizes) == (part.kind == "flange_with_web")
    if arrangement == "tee":
        assert [part.width_mm for part in joint.parts] == pytest.approx([14 * 25.4, 12 * 25.4])
        assert joint.parts[0].web_mm == pytest.approx(15.875)
        assert joint.parts[0].web_depth_mm == 600.0
    # what the arrangement says is no default that was taken
    reaches = {f"reach_{n}" for n, part in enumerate(joint.parts, 1) if part.kind == "plate"}
    of_parts = {name for name in one.defaults if re.match("kind|sides|reach|weld_ends", name)}
    assert of_parts == reaches | ({"weld_ends"} if arrangement == "butt" else set())
    # nor does it matter whether it is written out
    stated = row | {"weld_ends": joint.ends.replace("_", " ")}
    for n, part in enumerate(joint.parts, 1):
        stated |= {f"kind_{n}": part.kind.replace("_", " "), f"sides_{n}": str(part.sides)}
    assert read(csv_of(stated)).joints[0].joint == joint


def test_parts_that_are_welded_already() -> None:
    assert read(csv_of(GOOD | {"welded": "yes"})).joints[0].joint.welded is True


TEE: Mapping[str, str] = GOOD | FLANGES | {"arrangement": "tee", "weld_length": "12 in"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"arrangement": "moment"}, "arrangement in row 2: 'moment' is not one of: butt, flange splice, tee"),
        (
            {"thickness_3": "1 in", "steel_3": "A36"},
            "arrangement in row 2: there are 3 parts, and 'tee' has 2: part 1 the flange that runs through, part 2 the",
        ),
        (
            {"kind_2": "plate"},
            "kind_2 in row 2: is 'plate', and in 'tee' part 2 is the flange that ends on it, of kind",
        ),
        ({"sides_1": "1"}, "sides_1 in row 2: is 1, and in 'tee' part 1 is the flange that runs through, which runs"),
        ({"weld_ends": "inside"}, "weld_ends in row 2: is 'inside', and the weld of 'tee', with flanges of 304.8 mm"),
        ({"weld_length": "11 in"}, "weld_length in row 2: is 279.4 mm (11 in), and the weld runs across the flange of"),
        (
            {"flange_width_1": "11 in"},
            "flange_width_1 in row 2: is 279.4 mm (11 in), narrower than the flange that ends",
        ),
        ({"flange_width_2": "1-1/2 in"}, "flange_width_2 in row 2: is 38.1 mm (1.5 in), less than twice the thickness"),
        ({"flange_width_1": ""}, "flange_width_1 in row 2: is not stated, and the flange that runs through needs it"),
        ({"web_2": "12 in"}, "web_2 in row 2: '12 in' is 304.8 mm, outside 2 mm to 300 mm"),
        ({"web_depth_2": "24"}, "web_depth_2 in row 2: '24' has no unit; write 600 mm or 24 in"),
        (
            {"web_depth_2": ""},
            "web_depth_2 in row 2: is not stated, and the flange that ends on it needs it: the clear",
        ),
        (
            BARE | {"arrangement": "tube", "both_faces": "yes"},
            "both_faces in row 2: is yes, and in 'tube' nobody reaches the inside of a tube or box with a flame",
        ),
        (
            {"arrangement": "", "weld_length": ""},
            "weld_length in row 2: is empty; write length with unit, 10 mm to 50 m",
        ),
        (BARE | {"arrangement": "butt", "weld_length": ""}, "weld_length in row 2: is empty; write length with unit"),
        (
            {"heated_length": "6 in"},
            "heated_length in row 2: is 152.4 mm (6 in), and a flange is heated over its whole",
        ),
        ({"web_4": "1 in"}, "thickness_4 in row 2: is empty, but web_4 of part 4 is filled"),
    ],
)
def test_what_does_not_fit_an_arrangement(change: Mapping[str, str], message: str) -> None:
    found = read(csv_of(TEE | change))
    assert found.joints == ()
    assert str(found.errors[0]).startswith(message)
    assert found.errors[0].column in {column.name for column in COLUMNS}


def test_sizes_of_a_flange_whose_kind_was_forgotten_are_an_error() -> None:
    """A flat plate's time for it would be a third too short."""
    found = read(csv_of(TEE | {"arrangement": ""}))
    assert [one.column for one in found.errors] == [
        "flange_width_1", "web_1", "web_depth_1", "flange_width_2", "web_2", "web_depth_2",
    ]  # fmt: skip


def test_a_width_that_is_no_column_is_not_passed_over() -> None:
    found = read(csv_of(GOOD | {"width_1": "12 in"}))
    assert "unknown column; parts are numbered 1 to 4: thickness_2, flange_width_2" in only_error(found)


# --- workbooks ---


def test_cells_of_a_workbook_of_many_kinds() -> None:
    data = good_xlsx(
        mark=12, hours=2.5, start=datetime(2026, 11, 26, 7, 30), torches=2, sun=True, both_faces=False,  # noqa: DTZ001
        sides_1=2, hydrogen=5, crew=0.1 + 0.2,
    )  # fmt: skip
    joint = read(data, "s.xlsx").joints[0].joint
    assert (joint.mark, joint.hours, joint.torches, joint.sun, joint.both_faces) == ("12", 2.5, 2, True, False)
    assert joint.start_utc == datetime(2026, 11, 26, 13, 30, tzinfo=UTC)
    assert (joint.parts[0].sides, joint.hydrogen_ml, joint.crew) == (2, 5.0, "0.3")


def test_a_date_counted_from_1904_or_a_little_early_is_the_minute_that_was_typed() -> None:
    def from_1904(book: openpyxl.Workbook) -> None:
        book.epoch = CALENDAR_MAC_1904

    early = datetime(2026, 11, 26, 7, 29, 59, 999_000)  # noqa: DTZ001
    joint = read(good_xlsx(from_1904, start=early)).joints[0].joint
    assert joint.start_utc == datetime(2026, 11, 26, 13, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("cells_", "message"),
    [
        ({"thickness_1": 38}, "thickness_1 in row 2: '38' has no unit; write 38 mm or 1-1/2 in"),
        ({"thickness_1": 1.5}, "thickness_1 in row 2: '1.5' has no unit"),
        ({"thickness_1": date(2026, 1, 2)}, "thickness_1 in row 2: '2026-01-02' is a date"),
        ({"hours": time(7, 30)}, "hours in row 2: '07:30:00' is not a number of hours"),
        ({"start": date(2026, 11, 26)}, "start in row 2: '2026-11-26' has no time of day"),
        ({"hours": None}, "hours in row 2: is empty"),
        ({"hours": "=1+1"}, "s.xlsx cell C2 of sheet 'Sheet' holds a formula without a value"),
    ],
)
def test_bad_cells_of_a_workbook(cells_: dict[str, object], message: str) -> None:
    assert only_error(read(good_xlsx(**cells_), "s.xlsx")).startswith(message)


def test_rows_of_a_workbook_are_numbered_as_the_spreadsheet_does() -> None:
    bad = list((GOOD | {"hours": 0}).values())
    data = xlsx_of([], [None, *GOOD], [], [None, *bad])
    assert only_error(read(data)) == "hours in row 4: '0' is 0 hours, outside 0.1 to 72 hours"


def test_the_sheet_named_joints_goes_before_the_first() -> None:
    def add(book: openpyxl.Workbook) -> None:
        sheet = book.create_sheet(" Joints")
        sheet.append(list(GOOD))
        sheet.append(list((GOOD | {"mark": "J-9"}).values()))

    assert read(good_xlsx(add)).joints[0].joint.mark == "J-9"


def test_merged_cells_and_error_values_are_refused() -> None:
    def merge(book: openpyxl.Workbook) -> None:
        book.active.merge_cells("A2:A3")

    def fail(book: openpyxl.Workbook) -> None:
        book.active["C2"] = "#REF!"
        book.active["C2"].data_type = "e"

    assert "has merged cells (A2:A3)" in only_error(read(good_xlsx(merge)))
    assert "cell C2 of sheet 'Sheet' holds the error #REF!" in only_error(read(good_xlsx(fail)))


def with_part(name: str, content: bytes | None, data: bytes | None = None) -> bytes:
    """A good workbook with one part replaced, or left out."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data or good_xlsx())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.namelist():
            if part != name:
                new.writestr(part, old.read(part))
        if content is not None:
            new.writestr(name, content)
    return out.getvalue()


def test_a_zip_bomb_is_refused_by_its_directory() -> None:
    bomb = with_part("xl/media/x.bin", bytes(workbook.MAX_UNPACKED + 1))
    assert len(bomb) < 200_000
    assert only_error(read(bomb)) == "s.csv unpacks to 100 MB, more than 100 MB"


def test_a_zip_that_lies_about_its_sizes_is_refused() -> None:
    data = bytearray(with_part("xl/media/x.bin", bytes(1_000_000)))
    size = (1_000_000).to_bytes(4, "little")
    assert data.count(size) == 2
    assert "it is damaged" in only_error(read(bytes(data.replace(size, (10).to_bytes(4, "little")))))


def test_a_zip_of_very_many_parts_is_refused() -> None:
    out = io.BytesIO(good_xlsx())
    with zipfile.ZipFile(out, "a") as archive:
        for number in range(workbook.MAX_ENTRIES):
            archive.writestr(f"{number}", b"")
    assert re.match(r"s\.csv has 1,0\d\d parts inside, more than 1,000; save", only_error(read(out.getvalue())))


def with_cells(cells: bytes) -> bytes:
    part = "xl/worksheets/sheet1.xml"
    sheet = zipfile.ZipFile(io.BytesIO(good_xlsx())).read(part)
    return with_part(part, sheet.replace(b"</sheetData>", cells + b"</sheetData>"))


@pytest.mark.parametrize("name", ["xl/sharedStrings.xml", "xl/SHAREDSTRINGS.xml"])
def test_a_text_that_is_shared_by_many_cells_counts_for_each_of_them(name: str) -> None:
    # The reader of values copies it: 6 kB of file would take 400 MB and more.
    text = b"<sst><si><r><t>" + b"x" * 500_000 + b"</t></r><r><t>" + b"x" * 500_000 + b"</t></r></si></sst>"
    cells = b"<row>" + b'<c t="s"><v>0</v></c>' * 21 + b"</row>"
    found = read(with_part(name, text, with_part("xl/sharedStrings.xml", None, with_cells(cells))))
    assert found.errors[0].limit == "20,000,000 letters"


def test_texts_in_the_cells_themselves_count_as_well() -> None:
    cells = b'<row><c t="inlineStr"><is><t>' + b"x" * (workbook.MAX_TEXT + 1) + b"</t></is></c></row>"
    assert "holds more than 20 million letters" in only_error(read(with_cells(cells)))


def test_rows_are_counted_before_any_value_is_read() -> None:
    one = b"<row><c><v>1</v></c></row>"
    found = read(with_cells(one * 4 + b"<row/>" * 50), "s.xlsx", max_rows=5)
    assert found.errors[0].limit != "5 rows"  # one of the good workbook and four: as many as may be
    found = read(with_cells(one * 5), "s.xlsx", max_rows=5)
    assert (found.errors[0].limit, found.errors[0].row) == ("5 rows", 7)


def test_a_lone_cell_far_away_is_refused_before_it_asks_for_the_memory_of_a_full_sheet() -> None:
    def far(book: openpyxl.Workbook) -> None:
        book.active["XFD1048576"] = "x"

    found = read(good_xlsx(far))
    assert "reaches to cell XFD1048576; delete the empty rows and columns" in only_error(found)
    assert found.errors[0].limit == "5,000,000 cells"


@pytest.mark.parametrize("cell", [b'<c t="inlineStr"><is><t>x</t></is></c>', b'<c r="xfd1048576"><v>1</v></c>'])
def test_a_far_row_is_seen_without_cell_names_and_in_small_letters(cell: bytes) -> None:
    row = b'<row r="1048576">' + b"<c><v>1</v></c>" * 5 + cell + b"</row>"
    sheet = zipfile.ZipFile(io.BytesIO(good_xlsx())).read("xl/worksheets/sheet1.xml")
    data = with_part("xl/worksheets/sheet1.xml", sheet.replace(b"</sheetData>", row + b"</sheetData>"))
    assert "delete the empty rows and columns" in only_error(read(data))


def test_xml_that_expands_itself_is_refused() -> None:
    entities = b"".join(b'<!ENTITY e%d "%s">' % (n, b"&e%d;" % (n - 1) * 10) for n in range(1, 12))
    bomb = (
        b'<!DOCTYPE x [<!ENTITY e0 "xxxxxxxxxx">' + entities + b"]><worksheet><sheetData>&e11;</sheetData></worksheet>"
    )
    assert "it is damaged" in only_error(read(with_part("xl/worksheets/sheet1.xml", bomb)))


@pytest.mark.parametrize(
    "data",
    [
        good_xlsx()[:2000],
        b"PK\x03\x04 and nothing more",
        with_part("xl/workbook.xml", None),
        with_part("xl/workbook.xml", b"<workbook"),
        with_part("xl/_rels/workbook.xml.rels", None),
        with_part("xl/worksheets/sheet1.xml", None),
        with_part("xl/worksheets/sheet1.xml", b"<worksheet><sheetData>"),
    ],
    ids=range(7),
)
def test_damaged_workbooks(data: bytes) -> None:
    message = only_error(read(data, "s.xlsx"))
    assert message.startswith("s.xlsx cannot be read as an XLSX workbook: it is damaged or of another kind")


def test_a_workbook_with_a_password_or_of_the_old_kind() -> None:
    message = only_error(read(workbook.COMPOUND_START + bytes(600), "s.xlsx"))
    assert message == "s.xlsx has a password or is an old .xls workbook; save it as .xlsx without a password"


# --- out and back ---

_MARKS = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=20).map(
    lambda text: " ".join(text.split())
)
_TEXTS = st.one_of(st.just(""), st.sampled_from(["=1+1", "'=x", "-5", "@home", "+", "''-", "NA", "007"]), _MARKS)
_HUNDREDTHS = st.integers(0, 3000).map(lambda n: n / 100)
_SIXTEENTHS = st.integers(2, 150).map(lambda n: n / 16)


def _typed(texts: st.SearchStrategy[str]) -> st.SearchStrategy[float]:
    return texts.map(lambda text: cells.read_length(text).mm)


_LENGTHS = _typed(
    st.one_of(
        st.integers(500, 9000).map(lambda tenths: f"{tenths / 10} mm"),
        _SIXTEENTHS.map(lambda inch: f"{inch + 3} in"),
        st.integers(1, 30).map(lambda feet: f"{feet} ft"),
    )
)
_COMPOSITIONS = st.none() | st.dictionaries(
    st.sampled_from([element.lower() for element in ELEMENTS]),
    st.integers(0, 50_000).map(lambda n: n / 1e4),
    min_size=1,
).map(lambda shares: Composition(**shares))
_SIZES = st.tuples(
    _typed(st.integers(24, 70).map("{} in".format) | st.integers(600, 1900).map("{} mm".format)),
    _typed(_SIXTEENTHS.map("{} in".format) | st.integers(20, 990).map(lambda n: f"{n / 10} mm")),
    _typed(st.integers(24, 190).map("{} in".format) | st.integers(200, 4900).map("{} mm".format)),
)
_PARTS = st.builds(
    lambda steel, typed, kind, reach, sides, shares, sizes: Part(
        steel, typed.mm, typed.inch, kind, reach, sides, shares, *(sizes if kind == "flange_with_web" else ())
    ),
    st.sampled_from([None, "A572-50", "A709-HPS70W", "S355J2+N"]),
    st.one_of(_SIXTEENTHS.map(lambda n: f"{n} in"), st.integers(10, 3000).map(lambda n: f"{n / 10} mm")).map(
        cells.read_length
    ),
    st.sampled_from(["plate", "flange_with_web", "touching", "tube"]),
    st.none() | _LENGTHS,
    st.sampled_from([1, 2]),
    _COMPOSITIONS,
    _SIZES | st.just(()),
)
_SHELTERS = st.builds(
    Shelter,
    st.none() | st.integers(-40, 100).map(lambda f: cells.temperature_c(-60, 50)(f"{f} F")) | _HUNDREDTHS,
    st.none() | st.integers(0, 30).map(lambda mph: cells.speed_ms(0, 40)(f"{mph} mph")) | _HUNDREDTHS,
).filter(lambda shelter: shelter != Shelter())
_MOMENTS = st.integers(0, 40_000_000).map(lambda s: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=s))
_JOINTS = (
    st.builds(
        Joint,
        mark=_MARKS.filter(bool),
        place=_TEXTS,
        parts=st.lists(_PARTS, min_size=1, max_size=4).map(tuple),
        process=st.sampled_from([None, "SMAW", "FCAW-S", "SAW"]),
        electrode=st.sampled_from([None, "E7018", "E7018-1 H4R"]),
        hydrogen_ml=st.none() | st.sampled_from([4.0, 8.0]) | _HUNDREDTHS.filter(lambda ml: ml >= 0.5),
        procedure=_TEXTS.map(lambda text: text or None),
        weld_length_mm=_LENGTHS,
        ends=st.sampled_from(["inside", "edge_to_edge", "all_round"]),
        welded=st.booleans(),
        start_utc=_MOMENTS,
        hours=_HUNDREDTHS.filter(lambda hours: hours >= 0.1),
        crew=_TEXTS,
        exposure=st.sampled_from(["open", "half", "covered"]),
        sun=st.booleans(),
        shelter=st.none() | _SHELTERS,
        height_m=_typed(st.integers(2, 1900).map("{} ft".format) | _HUNDREDTHS.map(lambda m: f"{m + 0.5:.2f} m")).map(
            lambda mm: mm / 1000
        ),
        torches=st.integers(1, 20),
        heat_source=st.sampled_from([None, "P1", "=T9"]),
        heated_length_mm=st.none() | _LENGTHS,
        both_faces=st.booleans(),
        heat_input_kj_mm=st.none()
        | st.floats(0.1, 10.0)
        | st.integers(3, 254).map(lambda n: cells.heat_input_kj_mm(f"{n} kJ/in")),
        restraint=st.sampled_from([None, "low", "medium", "high"]),
        weld_metal=_COMPOSITIONS,
        passes=st.none() | st.integers(1, 500),
        fracture_critical=st.booleans(),
        after=st.lists(_MARKS.filter(lambda mark: mark and ";" not in mark), max_size=3, unique=True).map(tuple),
        not_before_utc=st.none() | _MOMENTS,
        finish_by_utc=st.none() | _MOMENTS.map(lambda moment: moment + timedelta(days=500)),
        pinned=st.booleans(),
    )
    .filter(lambda joint: joint.mark not in joint.after)
    .map(lambda joint: joint if joint.process in (None, "SMAW") else replace(joint, electrode=None))
)


def _completed(arrangement: Arrangement, joint: Joint, sizes: tuple[float, float, float]) -> Joint:
    """The joint with parts that fit an arrangement."""
    meeting = CATALOGUE[arrangement]
    width_mm, web_mm, depth_mm = sizes
    parts = []
    for role in meeting.roles:
        bare = replace(joint.parts[0], kind="plate", sides=1, width_mm=None, web_mm=None, web_depth_mm=None)
        if role.kind == "flange_with_web":
            bare = replace(bare, width_mm=width_mm, web_mm=web_mm, web_depth_mm=depth_mm)
        parts.append(bare)
    length_mm = width_mm if meeting.fills_flange else joint.weld_length_mm
    made = replace(joint, parts=tuple(parts), ends="inside", weld_length_mm=length_mm, both_faces=False)
    if meeting.fills_flange:
        made = replace(made, heated_length_mm=None)
    return as_arranged(replace(made, arrangement=arrangement))


_ARRANGED = st.builds(_completed, st.sampled_from(ARRANGEMENTS), _JOINTS, _SIZES)


@pytest.mark.parametrize("show", ["us", "si"])
@pytest.mark.parametrize("write", [schedule_file.joints_csv, schedule_file.joints_xlsx])
@settings(max_examples=25, deadline=None)
@given(joints=st.lists(_JOINTS | _ARRANGED, min_size=1, max_size=5, unique_by=lambda joint: joint.mark.casefold()))
def test_what_is_written_reads_back_the_same(write: Any, show: Any, joints: list[Joint]) -> None:
    found = read(write(joints, SITE.zone, show))
    assert found.errors == ()
    assert [one.joint for one in found.joints] == joints


@pytest.mark.parametrize("hour", [6, 7])
def test_both_halves_of_the_hour_that_occurs_twice_come_back(hour: int) -> None:
    joint = replace(read(csv_of(GOOD)).joints[0].joint, start_utc=datetime(2026, 11, 1, hour, 30, tzinfo=UTC))
    found = read(schedule_file.joints_csv([joint], SITE.zone, "us"))
    assert found.joints[0].joint == joint
    assert not any("occurs twice" in warning for warning in found.warnings)


def test_values_are_written_in_the_units_asked_for_and_thickness_as_typed() -> None:
    row = GOOD | {"shelter_air": "40 F", "shelter_wind": "2 m/s", "height": "33 ft", "reach_1": "30 cm"}
    joint = read(csv_of(row)).joints[0].joint

    def written(show: Any) -> dict[str, str]:
        header, line = schedule_file.joints_csv([joint], SITE.zone, show).decode("utf-8-sig").splitlines()
        return dict(zip(header.split(","), line.split(","), strict=True))

    us, si = written("us"), written("si")
    names = ("weld_length", "thickness_1", "shelter_air", "shelter_wind", "height", "reach_1", "start")
    assert [us[name] for name in names] == [
        "24 in", "1-1/2 in", "40 F", "2 m/s", "33 ft", "300 mm", "2026-11-26 07:30",
    ]  # fmt: skip
    assert [si[name] for name in names[1:4]] == ["1-1/2 in", "40 F", "2 m/s"]


def test_what_a_spreadsheet_would_take_for_a_formula_is_written_as_text() -> None:
    joint = replace(read(csv_of(GOOD)).joints[0].joint, mark="=2+3", place="@x", crew="-1")
    book = openpyxl.load_workbook(io.BytesIO(schedule_file.joints_xlsx([joint], SITE.zone, "us")))
    cells_ = [cell for row in book["joints"].iter_rows() for cell in row if cell.value is not None]
    assert all(cell.data_type == "s" and str(cell.value)[0] not in "=+-@" for cell in cells_)
    assert not any(line.startswith(b"=") for line in schedule_file.joints_csv([joint], SITE.zone, "us").splitlines())


@given(st.text(alphabet="'=+-@ab", max_size=6))
def test_the_guard_can_always_be_taken_off(typed: str) -> None:
    assert unguarded(guarded(typed)) == typed
    assert guarded(typed)[:1] not in tuple("=+-@")


def test_the_template_explains_every_column_and_its_examples_read() -> None:
    book = openpyxl.load_workbook(io.BytesIO(schedule_file.template_xlsx()))
    assert [cell.value for cell in book["joints"][1]] == [column.name for column in COLUMNS]
    assert book["joints"].max_row == 1
    explained = list(book["columns"].iter_rows(values_only=True))[1:]
    assert [row[0] for row in explained] == [column.name for column in COLUMNS]
    examples = {column.name: column.example for column in COLUMNS}
    assert [column.name for column in COLUMNS if column.read(column.example) is None] == []
    one_kind = {name: cell for name, cell in examples.items() if not re.match("arrangement|flange_width|web_", name)}
    found = read(csv_of(one_kind))
    assert found.errors == ()
    assert len(found.joints[0].joint.parts) == 4
    other_kind = {name: cell for name, cell in examples.items() if not re.match("kind|sides|weld_|.*_[34]", name)}
    found = read(csv_of(other_kind | {"weld_length": ""}))
    assert found.errors == ()
    assert found.joints[0].joint.arrangement == "tee"
    assert only_error(read(schedule_file.template_xlsx(), "t.xlsx")) == "t.xlsx has a header and no rows"
