"""The strict reader, the code tables that ship against print, and the house rules over all of them."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import fields, is_dataclass, replace
from importlib import resources
from pathlib import Path

import pytest

from frostshift_rules.code_table import CodeTable
from frostshift_rules.house_rules import broken_rules
from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import BASES, Source, TableError, read_toml
from frostshift_rules.tables import code_table_ids, load_code_table, parse_code_table
from frostshift_rules.units import c_from_f

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"
D1_1 = "aws_d1_1_2015_t3_3"


def published(name: str) -> list[dict[str, str]]:
    """The rows of a fixture typed from print."""
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def number(cell: str) -> float:
    return float(cell) if cell else math.inf


def shipped_text(table_id: str = D1_1) -> str:
    return resources.files("frostshift_rules").joinpath("tables", f"{table_id}.toml").read_text(encoding="utf-8")


@pytest.fixture
def table() -> CodeTable:
    return load_code_table(D1_1)


# ---------------------------------------------------------------- against print


def test_categories_a_and_b_are_those_of_the_printed_table(table: CodeTable) -> None:
    # AWS D1.1/D1.1M:2015, Table 3.3, p. 57; both unit systems, edge by edge.
    printed = [
        (r["category"], *(number(r[key]) for key in ("over_in", "to_in", "over_mm", "to_mm", "min_f", "min_c")))
        for r in published("d1_1_2015_table_3_3.csv")
    ]
    ours = [
        (row.category, row.band.over_in, row.band.to_in, row.band.over_mm, row.band.to_mm, row.min_f, row.min_c)
        for row in table.rows
        if row.category in "AB"
    ]
    assert ours == printed


def test_every_category_is_that_of_the_reproduction_in_us_units(table: CodeTable) -> None:
    # A maker's page that reproduces Table 3.2 of the editions before 2015; second hand, the only source for C and D.
    printed = [
        (r["category"], number(r["over_in"]), number(r["to_in"]), number(r["min_f"]))
        for r in published("d1_1_table_3_2_reproduction.csv")
    ]
    assert [(row.category, row.band.over_in, row.band.to_in, row.min_f) for row in table.rows] == printed


def test_the_army_table_is_ours_in_us_units(table: CodeTable) -> None:
    # TI 809-26, Table 3-1: °C there are the °F figures in whole degrees, but 300 °F (148.9 °C) is printed 150 °C.
    for printed in published("ti_809_26_table_3_1.csv"):
        rows = [row for row in table.rows_of(printed["category"]) if row.min_f == number(printed["min_f"])]
        assert len(rows) == 1
        assert rows[0].band.to_in * 25.4 == pytest.approx(number(printed["to_mm"]), abs=0.05)
        assert c_from_f(rows[0].min_f) == pytest.approx(number(printed["min_c"]), abs=1.2)


@pytest.mark.parametrize(
    ("steel", "category", "listed"),
    [
        # AWS D1.1/D1.1M:2015, Table 3.3, pp. 57 and 58.
        ("A36", "A", True),
        ("A36", "B", True),
        ("A572-50", "A", False),
        ("A572-50", "B", True),
        ("A572-55", "B", True),
        ("A588", "B", True),
        ("A588-K", "B", True),
        ("A992", "B", True),
        ("A516-70", "A", True),
        ("A131-EH36", "A", False),
        ("A131-EH36", "B", True),
        ("A537-1", "B", True),
        # TI 809-26, Table 3-1.
        ("A913-50", "B", True),
        ("A709-50W", "B", True),
        ("A618-III", "B", True),
        # The reproduction of Table 3.2; second hand.
        ("A572-60", "C", True),
        ("A572-65", "C", True),
        ("A572-65", "B", False),
        ("A913-65", "C", True),
        ("API5L-X52", "C", True),
        # In no category: not prequalified, or not sure enough to be in the file.
        ("A514", "C", False),
        ("A514", "B", False),
        ("A710-A-CL2", "B", False),
        ("A572", "B", False),
        ("A572-345", "B", False),
    ],
)
def test_steels_are_listed_where_print_lists_them(table: CodeTable, steel: str, category: str, listed: bool) -> None:
    assert any(s.covers(steel) for s in table.steels if s.category == category) is listed


def test_bases_of_the_rows_say_what_was_read(table: CodeTable) -> None:
    # Page 57 was read whole, the page with C and D only second hand.
    assert {row.category: row.source.basis for row in table.rows} == {
        "A": "seen",
        "B": "seen",
        "C": "second hand",
        "D": "second hand",
    }


def test_steels_that_need_a_procedure_qualified_by_test_are_in_no_list(table: CodeTable) -> None:
    listed = {name for steels in table.steels for name in steels.names}
    assert not {name for name in listed if table.needs_test(name)}
    assert all(table.needs_test(steel) for steel in ("A514", "A514-B", "A517-F", "A709-HPS100W"))
    assert not table.needs_test("A709-50")


def test_bridges_are_what_was_typed_a_second_time() -> None:
    # AASHTO/AWS D1.5, Table 4.3, from memory: no reference, a guard against slips of typing.
    typed = [
        (r["group"], *(number(r[key]) for key in ("over_in", "to_in", "over_mm", "to_mm", "min_f", "min_c")))
        for r in published("d1_5_table_4_3_from_memory.csv")
    ]
    table = load_code_table("aws_d1_5_2015_t4_3")
    ours = [
        (row.category, row.band.over_in, row.band.to_in, row.band.over_mm, row.band.to_mm, row.min_f, row.min_c)
        for row in table.rows
    ]
    assert ours == typed
    assert {row.source.basis for row in table.rows} == {"from memory"}


@pytest.mark.parametrize("table_id", ["aws_d1_1_2010_t3_2", "aws_d1_1_2020_t5_8"])
def test_another_edition_has_the_figures_of_2015_and_is_less_sure(table: CodeTable, table_id: str) -> None:
    # The table moved: 3.2 through 2010, 3.3 in 2015, 5.8 in 2020; its figures for A to D are not known to have changed.
    other = load_code_table(table_id)
    assert [replace(row, source=table.rows[0].source) for row in other.rows] == [
        replace(row, source=table.rows[0].source) for row in table.rows
    ]
    assert [steels.names for steels in other.steels] == [steels.names for steels in table.steels]
    assert not [row for row in other.rows if row.source.basis == "seen" or "Table 3.3" in row.source.clause]
    assert other.measuring == table.measuring  # of ISO 13916, whatever the edition


# ---------------------------------------------------------------- house rules over every table that ships


def sources(value: object) -> list[Source]:
    """Every source inside a table."""
    if isinstance(value, Source):
        return [value]
    if isinstance(value, tuple):
        return [source for item in value for source in sources(item)]
    if is_dataclass(value):
        return [source for field in fields(value) for source in sources(getattr(value, field.name))]
    return []


@pytest.mark.parametrize("table_id", code_table_ids())
def test_house_rules_hold(table_id: str) -> None:
    table = load_code_table(table_id)
    assert table.id == table_id
    assert broken_rules(table) == ()
    assert len(sources(table)) >= len(table.rows) + len(table.steels) + len(table.categories) + len(table.maxima) + 6
    assert all(source.clause.strip() and source.basis in BASES for source in sources(table))
    assert all(text.strip() for text in (*table.coverage.checked_against, *table.coverage.left_out))
    assert all(canonical_steel(n.removesuffix("-*")) == n.removesuffix("-*") for s in table.steels for n in s.names)


def test_every_code_table_file_can_be_chosen() -> None:
    # A code table is a file that states a least air temperature, or another edition of one; none may lie there unused.
    folder = resources.files("frostshift_rules").joinpath("tables")
    texts = {f.name.removesuffix(".toml"): f.read_text("utf-8") for f in folder.iterdir() if f.name.endswith(".toml")}
    files = [name for name, text in texts.items() if "\n[ambient]" in text or "\nsame_figures_as" in text]
    assert sorted(files) == sorted(code_table_ids())


# ---------------------------------------------------------------- the checker, with bad tables

FIRST_ROW_OF_B = """category = "B"
over_in = 0.125
to_in = 0.75
over_mm = 3
to_mm = 20
min_f = 32
min_c = 0
"""
THIRD_ROW_OF_B = """category = "B"
over_in = 1.5
to_in = 2.5
over_mm = 38
to_mm = 65
min_f = 150
min_c = 65
"""

BAD = [
    # What was changed, the change, what the error has to name.
    (
        "the slip of the third band",
        THIRD_ROW_OF_B,
        THIRD_ROW_OF_B.replace("1.5", "1.75"),
        "bands do not touch at 1.5 in",
    ),
    (
        "thicker needs less",
        THIRD_ROW_OF_B,
        THIRD_ROW_OF_B.replace("150", "40").replace("65\n", "5\n", 2),
        "thicker needs less",
    ),
    (
        "a lost digit",
        THIRD_ROW_OF_B,
        THIRD_ROW_OF_B.replace("min_f = 150", "min_f = 50"),
        "50 °F and 65 °C are not the same",
    ),
    ("a mixed-up edge", FIRST_ROW_OF_B, FIRST_ROW_OF_B.replace("to_mm = 20", "to_mm = 38"), "edges 0.75 in and 38 mm"),
    ("out of bounds", "min_f = 300", "min_f = 3000", "'min_f' is 3000, outside 32 to 500"),
    ("unknown key", "min_f = 300", "min_f = 300\nmin_k = 422", "unknown key 'min_k'; known keys are"),
    ("missing key", "min_f = 300\n", "", "key 'min_f' is missing"),
    ("text for a number", "min_f = 300", 'min_f = "300"', "expected int or float"),
    ("no clause", 'clause = "extent of preheat (5.6 in the 2008 edition)"', 'clause = " "', "'clause' is empty"),
    ("no such basis", 'basis = "seen"', 'basis = "sure"', "expected one of seen, second hand"),
    ("a steel twice", '"A53-B", "A106-B", "A131-A",', '"A53-B", "A53-B", "A106-B", "A131-A",', "'A53-B' stands twice"),
    ("a steel in two lists of one category", '["A529-42"]', '["A36"]', "category A lists A36 twice"),
    ("a steel spelt another way", '["A529-42"]', '["A529 Gr 42"]', "has to be spelt 'A529-42'"),
    ("an empty list of steels", '["A529-42"]', "[]", "'names' is empty"),
    ("no steel at all", '["A529-42"]', '["mild steel"]', "'mild steel' cannot be read"),
    ("a covering in two lists", '["48"]', '["18"]', "covering 18 stands in two lists"),
    ("the maximum the wrong way", "max_c = 230", "max_c = 330", "450 °F and 330 °C are not the same"),
    ("the floor at the limit", "floor_f = 70", "floor_f = 32", "the floor of 32 °F is not above the limit"),
    ("cold steel of two minds", "floor_c = 20", "floor_c = 10", "cold steel, floor: 70 °F and 10 °C"),
    ("air of two minds", "least_c = -20", "least_c = -10", "least air temperature: 0 °F and -10 °C"),
    ("wind of two minds", "most_kmh = 8", "most_kmh = 18", "wind: 5 mph and 18 km/h"),
    ("extent of two minds", "least_mm = 75", "least_mm = 57", "extent: 3 in and 57 mm"),
    ("no room under the maximum", "max_f = 400\nmax_c = 200", "max_f = 300\nmax_c = 149", "is not above its minimum"),
    ("prequalified and not", '"A572-60",', '"A572-60", "A517-*",', "lists A517-*, which needs a test"),
    ("FCAW without its shielding", '"GMAW", "GTAW", "FCAW-G"]', '"GMAW", "FCAW"]', "process 'FCAW' is not one of SMAW"),
    ("no process at all", '["GMAW", "GTAW", "FCAW-G"]', "[]", "'processes' is empty"),
    ("a minimum of our own choice", 'basis = "seen"', 'basis = "our choice"', "expected one of seen, second hand"),
    ("a steel in two categories", '"A572-60", "A572-65",', '"A572-60", "A572-50",', "B and C both list A572-50"),
    ("a milder cold-steel rule", "floor_f = 70", "floor_f = 60", "is less than the 32 and 70 °F"),
    (
        "a maximum that begins late",
        "over_in = 0\nto_in = 1.5\nover_mm = 0",
        "over_in = 0.5\nto_in = 1.5\nover_mm = 12",
        "the first band begins",
    ),
    ("no coverage", "[coverage]\n", "[covers]\n", "key 'coverage' is missing"),
    ("no such method", 'annex_h"', 'annex_k"', "expected one of aws_d1_1_2015_annex_h"),
    ("no TOML", "[[category]]", "[[category", "not readable as TOML"),
]


@pytest.mark.parametrize(("old", "new", "said"), [bad[1:] for bad in BAD], ids=[bad[0] for bad in BAD])
def test_a_bad_table_is_refused_with_file_and_reason(old: str, new: str, said: str) -> None:
    text = shipped_text()
    assert old in text
    with pytest.raises(TableError, match="^bad.toml") as refused:
        parse_code_table(text.replace(old, new, 1), "bad.toml")
    assert said in str(refused.value)


def test_an_undefined_category_is_refused() -> None:
    text = shipped_text().replace('category = "D"', 'category = "E"')
    with pytest.raises(TableError, match="category E is used and not defined") as refused:
        parse_code_table(text, "bad.toml")
    assert "category D has no row" in str(refused.value)


def test_a_closed_last_band_is_refused() -> None:
    text = shipped_text().replace(
        "over_in = 2.5\nover_mm = 65\n", "over_in = 2.5\nto_in = 4\nover_mm = 65\nto_mm = 100\n"
    )
    with pytest.raises(TableError, match="category A: the last band is not open"):
        parse_code_table(text, "bad.toml")


def test_a_stick_table_without_electrodes_is_refused() -> None:
    text = re.sub(r"\[\[electrodes\]\]\n(?:\S.*\n)+", "", shipped_text())
    with pytest.raises(TableError, match="no electrodes say which of them are low hydrogen"):
        parse_code_table(text, "bad.toml")


def test_rows_and_a_formula_together_or_neither_are_refused() -> None:
    formula = shipped_text("en_1011_2_2001_method_b")
    start, end = formula.index("[formula]"), formula.index("[converted_edge]")
    with pytest.raises(TableError, match="there are rows and a formula"):
        parse_code_table(f"{shipped_text()}\n{formula[start:end]}", "bad.toml")
    with pytest.raises(TableError, match="there is neither a row nor a formula"):
        parse_code_table(formula[:start] + formula[end:], "bad.toml")


EDITION = """
id = "other"
standard = "S"
edition = "E"
title = "T"
clause = "C"
same_figures_as = "aws_d1_1_2015_t3_3"
basis = "second hand"
[renumbered]
"Table 3.3" = "Table 9.9"
[coverage]
checked_against = []
left_out = []
"""


def test_an_edition_renumbers_what_it_says_and_nothing_else() -> None:
    table = parse_code_table(EDITION, "other.toml")
    assert (table.rows[0].source.clause, table.rows[0].source.basis) == ("Table 9.9, category A", "second hand")
    assert table.extent == load_code_table(D1_1).extent
    assert table.hydrogen_control_id is None  # of one edition alone


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"Table 3.3" =', '"Table 3.4" =', r"no clause of aws_d1_1_2015_t3_3 begins with 'Table 3\.4'"),
        ("aws_d1_1_2015_t3_3", "aws_d1_1_2015_t3_4", "'same_figures_as' is 'aws_d1_1_2015_t3_4', expected one of"),
        ('basis = "second hand"', 'basis = "sure"', "expected one of seen, second hand"),
        ('basis = "second hand"', 'basis = "our choice"', "expected one of seen, second hand"),
        ('edition = "E"', 'edition = "E"\nrow = 1', "unknown key 'row'"),
    ],
)
def test_a_bad_edition_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(TableError, match=rf"^other\.toml.*{said}"):
        parse_code_table(EDITION.replace(old, new), "other.toml")


def test_an_unknown_table_is_named_with_those_there_are() -> None:
    with pytest.raises(TableError, match=r"'d1\.1' is not known; known are aws_d1_1_2015_t3_3"):
        load_code_table("d1.1")


def test_the_reader_refuses_a_boolean_for_a_number_and_nan() -> None:
    section = read_toml("a = true\nb = nan\n", "x.toml")
    with pytest.raises(TableError, match=r"x\.toml: 'a' is True"):
        section.number("a", 0.0, 1.0)
    with pytest.raises(TableError, match="'b' is nan, outside 0 to 1"):
        section.number("b", 0.0, 1.0)
