"""The strict reader, the code tables that ship against print, and the house rules over all of them."""

from __future__ import annotations

import csv
import math
from importlib import resources
from pathlib import Path

import pytest

from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import BASES, TableError, read_toml
from frostshift_rules.tables import CodeTable, broken_rules, code_table_ids, load_code_table, parse_code_table
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


# ---------------------------------------------------------------- house rules over every table that ships


@pytest.mark.parametrize("table_id", code_table_ids())
def test_house_rules_hold(table_id: str) -> None:
    table = load_code_table(table_id)
    assert table.id == table_id
    assert broken_rules(table) == ()
    sources = [
        *(row.source for row in table.rows),
        *(steels.source for steels in table.steels),
        *(category.source for category in table.categories),
        *(kind.source for kind in table.electrodes),
        *(maximum.source for maximum in table.maxima),
        table.by_test_source,
        table.cold_steel.source,
        table.extent.source,
        table.measuring.source,
        table.ambient.source,
        table.wind.source,
        table.wet,
    ]
    assert all(source.clause.strip() and source.basis in BASES for source in sources)
    assert all(canonical_steel(n.removesuffix("-*")) == n.removesuffix("-*") for s in table.steels for n in s.names)


def test_every_code_table_file_can_be_chosen() -> None:
    # A code table is a file with rows and categories; none may lie there unused.
    folder = resources.files("frostshift_rules").joinpath("tables")
    files = [f for f in folder.iterdir() if f.name.endswith(".toml") and "[[category]]" in f.read_text("utf-8")]
    assert sorted(f.name.removesuffix(".toml") for f in files) == sorted(code_table_ids())


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
    ("no clause", 'clause = "5.6"', 'clause = " "', "'clause' is empty"),
    ("no such basis", 'basis = "seen"', 'basis = "sure"', "expected one of seen, second hand"),
    ("a steel twice", '"A53-B", "A106-B", "A131-A",', '"A53-B", "A53-B", "A106-B", "A131-A",', "'A53-B' stands twice"),
    ("a steel in two lists of one category", '["A529-42"]', '["A36"]', "category A lists A36 twice"),
    ("a steel spelt another way", '["A529-42"]', '["A529 Gr 42"]', "has to be spelt 'A529-42'"),
    ("no steel at all", '["A529-42"]', '["mild steel"]', "'mild steel' cannot be read"),
    ("a covering in two lists", '["48"]', '["18"]', "covering 18 stands in two lists"),
    ("the maximum the wrong way", "max_c = 230", "max_c = 330", "450 °F and 330 °C are not the same"),
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


def test_an_unknown_table_is_named_with_those_there_are() -> None:
    with pytest.raises(TableError, match=r"'d1\.1' is not known; known are aws_d1_1_2015_t3_3"):
        load_code_table("d1.1")


def test_the_reader_refuses_a_boolean_for_a_number_and_nan() -> None:
    section = read_toml("a = true\nb = nan\n", "x.toml")
    with pytest.raises(TableError, match=r"x\.toml: 'a' is True"):
        section.number("a", 0.0, 1.0)
    with pytest.raises(TableError, match="'b' is nan, outside 0 to 1"):
        section.number("b", 0.0, 1.0)
