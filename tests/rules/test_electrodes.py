"""Exposure, storage and baking of low-hydrogen stick electrodes."""

from __future__ import annotations

from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.electrodes import electrode_table, exposure_limit, parse_electrodes
from frostshift_rules.strict import TableError
from frostshift_rules.tables import code_table_ids, load_code_table

TEXT = resources.files("frostshift_rules").joinpath("tables", "electrodes.toml").read_text(encoding="utf-8")


# ---------------------------------------------------------------- one electrode


@pytest.mark.parametrize(
    ("electrode", "most_h", "basis"),
    [
        # AWS D1.1/D1.1M:2015, Table 5.1, column A: trade articles quote 4 h and, with R, 9 h.
        ("E7018", 4.0, "second hand"),
        ("E7018 R", 9.0, "second hand"),
        # The rest of the column: from memory.
        ("E7018-1 H4R", 9.0, "from memory"),
        ("E7018M", 9.0, "from memory"),
        ("E8018-C3", 2.0, "from memory"),
        ("E9018-M", 1.0, "from memory"),
        ("E10018-D2", 0.5, "from memory"),
        ("E11018-M", 0.5, "from memory"),
        # The plain row, where the designator has no row or is not the one that the row names.
        ("E7018 H4", 4.0, "second hand"),
        ("E7018-1", 4.0, "second hand"),
        ("7018", 4.0, "second hand"),
        ("E8018-C3 H4R", 2.0, "from memory"),
        ("E7018-A1 H4R", 4.0, "second hand"),
        ("E7016M", 4.0, "second hand"),
    ],
)
def test_hours_out_of_the_oven(electrode: str, most_h: float, basis: str) -> None:
    limit = exposure_limit(electrode)
    assert limit is not None
    assert limit.source is not None
    assert (limit.most_h, limit.source.basis) == (most_h, basis)


@pytest.mark.parametrize(
    ("electrode", "tested_h"),
    # AWS D1.1/D1.1M:2015, Table 5.1, column B: from memory.
    [("E7018", 10.0), ("E7018 R", None), ("E8018-C3", 10.0), ("E9018-M", 5.0), ("E10018-D2", 4.0), ("E11018-M", 4.0)],
)
def test_hours_that_tests_may_establish(electrode: str, tested_h: float | None) -> None:
    limit = exposure_limit(electrode)
    assert limit is not None
    assert limit.tested_h == tested_h
    assert limit.tested_source is None or limit.tested_source.basis == "from memory"


@pytest.mark.parametrize("electrode", ["E6010", "E6011", "E6013", "E7014", "E7024", "E7010-P1"])
def test_no_clock_for_other_electrodes(electrode: str) -> None:
    assert exposure_limit(electrode) is None


@pytest.mark.parametrize("electrode", ["E6018", "E12018-M"])
def test_a_strength_without_a_row_is_unknown_and_never_the_nearest(electrode: str) -> None:
    limit = exposure_limit(electrode)
    assert limit is not None
    assert (limit.most_h, limit.tested_h, limit.source) == (None, None, None)
    assert "no row for E" in limit.note


@pytest.mark.parametrize("electrode", ["", "E71T-1", "ER70S-6", "E7018 H5", "LH"])
def test_what_cannot_be_read_is_refused(electrode: str) -> None:
    with pytest.raises(ValueError, match="expected a classification such as E7018"):
        exposure_limit(electrode)


def test_a_covering_that_is_not_known_is_no_electrode_without_a_clock() -> None:
    with pytest.raises(ValueError, match="covering 99 is not known; known are 10, 11"):
        exposure_limit("E7099")


def test_a_designator_that_counts_for_nothing_is_said() -> None:
    limit = exposure_limit("E8018-C3 H4R")
    assert limit is not None
    assert limit.note == "The designator R gives no longer time: no row is known for it."
    plain = exposure_limit("E7018")
    assert plain is not None
    assert plain.note == ""


@pytest.mark.parametrize(
    ("electrode", "specification"),
    # AWS A5.1 holds carbon steel electrodes, A5.5 low-alloy ones: from memory.
    [("E7018", "AWS A5.1"), ("E7018-1 H4R", "AWS A5.1"), ("E7018M", "AWS A5.1"), ("E7018-A1", "AWS A5.5")]
    + [("E8018-C3", "AWS A5.5"), ("E11018-M", "AWS A5.5")],
)
def test_which_specification_bakes_it(electrode: str, specification: str) -> None:
    limit = exposure_limit(electrode)
    assert limit is not None
    assert limit.specification == specification


# ---------------------------------------------------------------- the table


def test_storage_and_baking_are_those_of_the_page() -> None:
    # AWS D1.1/D1.1M:2015, 5.3.2.1 to 5.3.2.5, a page copy; the baking of A5.1 second hand.
    table = electrode_table()
    assert (table.oven.least_f, table.oven.least_c) == (250.0, 120.0)
    back = table.back_in_oven
    assert (back.hours, back.warm.least_f, back.warm.least_c) == (4.0, 250.0, 120.0)
    assert table.rebakes == 1
    assert (table.bake_start.share_of_final, table.bake_start.hours) == (0.5, 0.5)
    bakes = {b.specification: (b.hours, b.from_f, b.to_f, b.from_c, b.to_c, b.source.basis) for b in table.bakes}
    assert bakes == {
        "AWS A5.1": (2.0, 500.0, 800.0, 260.0, 430.0, "second hand"),
        "AWS A5.5": (1.0, 700.0, 800.0, 370.0, 430.0, "seen"),
    }


@pytest.mark.parametrize("table_id", code_table_ids())
def test_the_code_tables_call_the_same_coverings_low_hydrogen(table_id: str) -> None:
    ours = {c: kind.low_hydrogen for kind in electrode_table().coverings for c in kind.coverings}
    for kind in load_code_table(table_id).electrodes:
        assert {c: ours[c] for c in kind.coverings} == dict.fromkeys(kind.coverings, kind.low_hydrogen)


ROW_80 = """strength_ksi = 80
designator = ""
column_a = { hours = 2,"""
E80_B = """column_a = { hours = 2, clause = "Table 5.1, column A", basis = "from memory" }
column_b = { hours = 10,"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (ROW_80, ROW_80.replace("hours = 2", "hours = 5"), "E80XX may lie out longer than E70XX"),
        (ROW_80, ROW_80.replace("hours = 2", "hours = 0.6"), "E90XX may lie out longer than E80XX"),
        (E80_B, E80_B.replace("hours = 10", "hours = 1.5"), "E80XX: column B of 1.5 h is shorter than column A of 2 h"),
        (E80_B, E80_B.replace("hours = 10", "hours = 11"), "E80XX may lie out longer than E70XX"),
        ("hours = 9, clause", "hours = 3, clause", "E70XXR: 3 h is shorter than without the designator"),
        ("strength_ksi = 110", "strength_ksi = 100", "E100XX stands in two rows"),
        ("strength_ksi = 110", "strength_ksi = 105", "'strength_ksi' is 105, expected a multiple of 10"),
        ('designator = "HZR"', 'designator = "HZ"', "'designator' is 'HZ', expected one of"),
        ('coverings = ["48"]', 'coverings = ["48", "18"]', "covering 18 stands in two lists"),
        ("hours = 4, clause", "hours = 40, clause", "'hours' is 40, outside 0.1 to 24"),
        ("hours = 4, clause", "hour = 4, clause", "'hours' is missing"),
        ("least_c = 120", "least_c = 130", "250 °F and 130 °C are not the same"),
        ("from_f = 700\nto_f = 800", "from_f = 800\nto_f = 800", "AWS A5.5: baking begins above"),
        ('specification = "AWS A5.5"\nhours', 'specification = "AWS A5.1"\nhours', "AWS A5.5 has 0 bakings"),
        ("times = 1", "times = 1.5", "'times' is 1.5, expected a whole number"),
        ('basis = "seen"', 'basis = "sean"', "'basis' is 'sean', expected one of"),
        ("[wet]", "[wett]", "key 'wet' is missing"),
        ('id = "electrodes"', 'id = "electrodes"\nnote = "x"', "unknown key 'note'"),
        ('id = "electrodes"', "id = electrodes", "not readable as TOML"),
    ],
)
def test_a_bad_table_is_refused_with_its_place(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(TableError) as refused:
        parse_electrodes(TEXT.replace(old, new, 1), "own.toml")
    assert str(refused.value).startswith("own.toml")
    assert said in str(refused.value)


def test_a_row_without_its_plain_row_is_refused() -> None:
    bad = TEXT.replace('strength_ksi = 70\ndesignator = "R"', 'strength_ksi = 120\ndesignator = "R"')
    with pytest.raises(TableError, match="E120XXR has no plain row of its strength"):
        parse_electrodes(bad, "own.toml")


# ---------------------------------------------------------------- invariants

STRENGTHS = (70, 80, 90, 100, 110)


@given(
    st.sampled_from(STRENGTHS),
    st.sampled_from(STRENGTHS),
    st.sampled_from(("15", "16", "18", "28", "48")),
    st.sampled_from(("", "M", " R", " H4", " H4R", " H8R", "-D2", "-C3 H4R")),
)
def test_a_stronger_electrode_never_lies_out_longer(a: int, b: int, covering: str, rest: str) -> None:
    weak, strong = (exposure_limit(f"E{strength}{covering}{rest}") for strength in sorted((a, b)))
    assert weak is not None
    assert strong is not None
    assert weak.most_h is not None
    assert strong.most_h is not None
    assert strong.most_h <= weak.most_h
    assert strong.tested_h is None or strong.tested_h >= strong.most_h


@given(st.text(max_size=14))
def test_any_text_is_an_answer_or_a_value_error(text: str) -> None:
    try:
        limit = exposure_limit(text)
    except ValueError:
        return
    assert limit is None or limit.most_h is None or limit.most_h > 0.0
