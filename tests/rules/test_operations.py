"""Tacks, repairs, thermal cutting, studs, torch and layers."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.figures import least_text, most_text
from frostshift_rules.job import CodeUnits, Joint, Part, Process
from frostshift_rules.operations import (
    CutKind,
    access_hole,
    access_hole_minimum_c,
    estimated_layers,
    is_quenched_and_tempered,
    operations,
    parse_operations,
    stud_rule,
    torch_ceiling,
)
from frostshift_rules.strict import TableError
from frostshift_rules.tables import load_code_table
from frostshift_rules.units import c_from_f, mm_from_in

TABLE = load_code_table("aws_d1_1_2015_t3_3")
TEXT = resources.files("frostshift_rules").joinpath("tables", "operations.toml").read_text(encoding="utf-8")


def joint(*thicknesses_mm: float, process: Process | None = "SMAW", steel: str | None = "A36", **fields: Any) -> Joint:
    return Joint(
        mark="J1",
        place="",
        parts=tuple(Part(steel, mm) for mm in thicknesses_mm),
        process=process,
        electrode="E7018",
        hydrogen_ml=None,
        procedure=None,
        weld_length_mm=500.0,
        ends="inside",
        start_utc=datetime(2026, 1, 15, 14, tzinfo=UTC),
        hours=2.0,
        **fields,
    )


# ---------------------------------------------------------------- thermal cutting


@pytest.mark.parametrize(
    ("thickness_in", "kind", "minimum_f"),
    [
        # A W14x500 (flange 3-1/2 in): 150 °F before cutting. AISC 360, M2.2, flange over 2 in: from memory.
        (3.5, "flange", 150.0),
        (2.0, "flange", None),
        (2.0625, "flange", 150.0),
        (2.0, "built_up_part", None),
        (2.25, "built_up_part", 150.0),
        # AWS D1.1:2000, Figure 5.2, second hand: built-up web over 1-1/2 in, every shape of ASTM A6 group 4 and 5.
        (1.5, "built_up_web", None),
        (1.625, "built_up_web", 150.0),
        (1.0, "a6_group_4_or_5", 150.0),
    ],
)
def test_access_holes_in_us_units(thickness_in: float, kind: CutKind, minimum_f: float | None) -> None:
    found = access_hole_minimum_c(mm_from_in(thickness_in), kind, "us")
    assert found == (None if minimum_f is None else pytest.approx(c_from_f(minimum_f)))


@pytest.mark.parametrize(
    ("thickness_mm", "kind", "minimum_c"),
    [
        (50.0, "flange", None),
        (50.1, "flange", 66.0),
        (40.0, "built_up_web", None),
        (40.1, "built_up_web", 65.0),
        (20.0, "a6_group_4_or_5", 65.0),
    ],
)
def test_access_holes_in_si_units(thickness_mm: float, kind: CutKind, minimum_c: float | None) -> None:
    assert access_hole_minimum_c(thickness_mm, kind, "si") == minimum_c


def test_a_unit_system_that_is_not_known_takes_the_lower_trigger_and_the_higher_minimum() -> None:
    # 39 mm is over 1-1/2 in and not over 40 mm; 150 °F is 65.6 °C, printed 65 °C.
    assert access_hole_minimum_c(39.0, "built_up_web") == pytest.approx(c_from_f(150.0))
    assert access_hole_minimum_c(39.0, "built_up_web", "si") is None
    # 50.8 mm is 2 in and over 50 mm; 66 °C is more than 150 °F.
    assert access_hole_minimum_c(50.8, "flange") == 66.0
    assert access_hole_minimum_c(50.8, "flange", "us") is None


@pytest.mark.parametrize("thickness_mm", [0.0, -5.0, math.nan])
def test_a_thickness_that_is_none_is_refused(thickness_mm: float) -> None:
    with pytest.raises(ValueError, match="expected more than 0 mm"):
        access_hole(thickness_mm, "flange", "us")


def test_who_asks_for_the_heat_before_cutting() -> None:
    flange, web = access_hole(100.0, "flange"), access_hole(100.0, "built_up_web")
    assert flange is not None
    assert web is not None
    assert (flange.source.clause, flange.source.basis) == ("AISC 360, M2.2", "from memory")
    assert (web.source.clause, web.source.basis) == ("AWS D1.1:2000, 5.17.2 and Figure 5.2", "second hand")


# ---------------------------------------------------------------- studs


@pytest.mark.parametrize(
    ("steel_f", "state", "extra"),
    [
        # AWS D1.1, stud welding: not below 0 °F, below 32 °F one more test in 100 studs; from memory.
        (28.0, "extra_test", 1),
        (31.9, "extra_test", 1),
        (32.0, "go", 0),
        (60.0, "go", 0),
        (0.0, "extra_test", 1),
        (-0.1, "stop", 0),
    ],
)
def test_studs_on_cold_steel(steel_f: float, state: str, extra: int) -> None:
    answer = stud_rule(c_from_f(steel_f), "us")
    assert (answer.state, answer.extra_tests) == (state, extra)
    assert "wet or frosted" in answer.text


def test_studs_by_unit_system() -> None:
    # 0 °F is -17.8 °C.
    assert stud_rule(-16.9, "si").state == "extra_test"
    assert stud_rule(-17.7, "si").state == "extra_test"
    assert stud_rule(-17.9, "us").state == "stop"
    assert stud_rule(-17.9, "either").state == "stop"
    assert stud_rule(-18.1, "si").state == "stop"
    assert "bend 1 more stud in every 100 by about 15° as a test" in stud_rule(-2.0, "si").text
    assert "below -17 °C (0 °F)" in stud_rule(-30.0, "either").text


def test_steel_that_was_not_measured_gets_no_stud() -> None:
    answer = stud_rule(math.nan, "us")
    assert answer.state == "unknown"
    assert answer.text.startswith("Measure the steel first.")


@given(st.floats(-60.0, 60.0), st.floats(0.0, 60.0), st.sampled_from(("us", "si", "either")))
def test_colder_steel_never_gets_an_easier_answer(steel_c: float, colder_k: float, units: CodeUnits) -> None:
    order = ("go", "extra_test", "stop")
    now, colder = stud_rule(steel_c, units), stud_rule(steel_c - colder_k, units)
    assert order.index(colder.state) >= order.index(now.state)


# ---------------------------------------------------------------- torch


@pytest.mark.parametrize(
    ("steel", "treated"),
    [
        # Quenched and tempered by their ASTM and EN specifications: from memory.
        ("A514-B", True),
        ("A517-F", True),
        ("A709-HPS70W", True),
        ("A852", True),
        ("S690QL", True),
        ("A36", False),
        ("A992", False),
        ("A572-65", False),
        ("S355J2", False),
        ("S355J2+N", False),
        (None, True),  # not stated: the safe side
    ],
)
def test_which_steels_heat_can_spoil(steel: str | None, treated: bool) -> None:
    assert is_quenched_and_tempered(steel, TABLE) is treated


def test_a_steel_with_a_maximum_in_the_table_counts_as_treated() -> None:
    names = replace(TABLE.maxima[0], names=frozenset({"A36"}))
    assert is_quenched_and_tempered("A36", replace(TABLE, maxima=(names,)))


def test_the_torch_ceiling() -> None:
    # 1200 °F (650 °C), quenched and tempered 1100 °F (590 °C): from memory.
    assert torch_ceiling(joint(20.0), TABLE, "us")[0] == pytest.approx(c_from_f(1200.0))
    assert torch_ceiling(joint(20.0), TABLE, "si")[0] == 650.0
    assert torch_ceiling(joint(20.0, steel="A514"), TABLE, "us")[0] == pytest.approx(c_from_f(1100.0))
    assert torch_ceiling(joint(20.0, steel="A514"), TABLE, "either")[0] == 590.0
    mixed = replace(joint(20.0), parts=(Part("A36", 20.0), Part("A514", 20.0)))
    assert torch_ceiling(mixed, TABLE, "si")[0] == 590.0


# ---------------------------------------------------------------- layers


@pytest.mark.parametrize(
    ("thickness_in", "process", "count"),
    [
        # Thickest layer 3/16 in with SMAW, 1/4 in with SAW, GMAW and FCAW (AWS D1.1:2015, Table 3.7): from memory.
        (1.5, "SMAW", 8),
        (1.625, "SMAW", 9),
        (1.125, "SMAW", 6),  # 6.000000000000001 as converted
        (2.25, "SMAW", 12),
        (0.1875, "SMAW", 1),
        (0.125, "SMAW", 1),
        (1.5, "FCAW-G", 6),
        (1.5, "FCAW-S", 6),
        (2.0, "SAW", 8),
        (2.0, "GMAW", 8),
    ],
)
def test_least_number_of_layers(thickness_in: float, process: Process, count: int) -> None:
    layers = estimated_layers(joint(mm_from_in(thickness_in), process=process), "us")
    assert layers is not None
    assert (layers.count, layers.estimated) == (count, True)
    assert layers.source is not None
    assert layers.source.basis == "from memory"


def test_the_thinnest_part_is_filled() -> None:
    layers = estimated_layers(joint(60.0, 20.0), "si")
    assert layers is not None
    assert (layers.count, layers.from_thickness_mm, layers.layer_mm) == (4, 20.0, 5.0)


def test_stated_passes_win_and_are_no_estimate() -> None:
    layers = estimated_layers(joint(60.0, passes=3))
    assert layers is not None
    assert (layers.count, layers.estimated, layers.from_thickness_mm, layers.source) == (3, False, None, None)


@pytest.mark.parametrize("process", ["GTAW", None])
def test_without_a_layer_figure_nobody_can_tell(process: Process | None) -> None:
    assert estimated_layers(joint(20.0, process=process)) is None


@given(
    st.floats(3.0, 200.0),
    st.floats(0.0, 100.0),
    st.sampled_from(("SMAW", "SAW", "GMAW", "FCAW-G", "FCAW-S")),
    st.sampled_from(("us", "si", "either")),
)
def test_thicker_never_has_fewer_layers(t_mm: float, more_mm: float, process: Process, units: CodeUnits) -> None:
    thin, thick = (estimated_layers(joint(t, process=process), units) for t in (t_mm, t_mm + more_mm))
    either = estimated_layers(joint(t_mm, process=process))
    assert thin is not None
    assert thick is not None
    assert either is not None
    assert 1 <= thin.count <= thick.count
    assert thin.count <= either.count
    assert thin.layer_mm is not None
    assert (thin.count - 1) * thin.layer_mm < t_mm + 1e-6
    assert thin.count * thin.layer_mm >= t_mm - 1e-6


# ---------------------------------------------------------------- words


@given(st.floats(-60.0, 700.0))
def test_a_least_temperature_is_never_said_too_low_nor_a_highest_too_high(c: float) -> None:
    assert int(least_text(c, "si").removesuffix(" °C")) >= c - 1e-5
    assert int(most_text(c, "si").removesuffix(" °C")) <= c + 1e-5
    assert c_from_f(int(least_text(c, "us").removesuffix(" °F"))) >= c - 1e-5
    assert c_from_f(int(most_text(c, "us").removesuffix(" °F"))) <= c + 1e-5


# ---------------------------------------------------------------- the table


def test_what_is_second_hand_and_what_from_memory() -> None:
    found = operations()
    assert (found.tacks.remelted_by, found.tacks.source.basis) == ("SAW", "second hand")
    assert (found.repairs.often_added_df, found.repairs.often_added_k) == (50.0, 28.0)  # common practice, no source
    assert found.studs.source.basis == found.ceiling.source.basis == found.crayon.source.basis == "from memory"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("over_mm = 50", "over_mm = 55", "2 in and 55 mm are not the same"),
        ("over_mm = 50\n", "", "access hole of kind flange: over_in and over_mm go together"),
        ('kind = "flange"', 'kind = "built_up_part"', "access hole of kind flange stands 0 times"),
        ('kind = "flange"', 'kind = "flanges"', "'kind' is 'flanges', expected one of"),
        ("min_c = 66", "min_c = 76", "150 °F and 76 °C are not the same"),
        (
            "stop_below_f = 0\nstop_below_c = -17.8",
            "stop_below_f = 32\nstop_below_c = 0",
            "studs: no welding where more",
        ),
        ("extra_tests = 1", "extra_tests = 1.5", "'extra_tests' is 1.5, expected a whole number"),
        ("most_f = 1100\nmost_c = 590", "most_f = 1300\nmost_c = 705", "quenched and tempered steel may get hotter"),
        ("most_c = 650", "most_c = 600", "1200 °F and 600 °C are not the same"),
        ('"A514-*", "A517-*", "A537-2"', '"A514-*", "A537 Cl. 2"', "is spelt"),
        ('processes = ["SMAW"]', 'processes = ["SMAW", "SAW"]', "SAW stands in two layers"),
        ('processes = ["SMAW"]', 'processes = ["STICK"]', "'processes' holds 'STICK', expected one of SMAW"),
        ("most_mm = 5", "most_mm = 6", "0.1875 in and 6 mm are not the same"),
        ("often_added_k = 28", "often_added_k = 10", "50 °F and 10 K are not the same"),
        ('remelted_by = "SAW"', 'remelted_by = "saw"', "'remelted_by' is 'saw', expected one of SMAW"),
        ("[after_break]\nclause", "[after_break]\nclaus", "key 'clause' is missing"),
        ("[crayon]", "[crayons]", "key 'crayon' is missing"),
        ('id = "operations"', 'id = "operations"\nextra = 1', "unknown key 'extra'"),
    ],
)
def test_a_bad_table_is_refused_with_its_place(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(TableError) as refused:
        parse_operations(TEXT.replace(old, new, 1), "own.toml")
    assert str(refused.value).startswith("own.toml")
    assert said in str(refused.value)
