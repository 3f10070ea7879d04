"""What is asked of a joint by other tables than D1.1's: bridges, method B, hydrogen control, procedures with ranges.

The methods themselves are held to their sources in test_composition and test_hydrogen_control; here it is how they are
used.
"""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.code_table import CodeTable
from frostshift_rules.composition import RESTRAINTS, Composition
from frostshift_rules.job import CodeUnits, Joint, Part, Procedure
from frostshift_rules.preheat import Requirement, deciding_values, minimum_at, requirement
from frostshift_rules.tables import load_code_table

D1_1 = load_code_table("aws_d1_1_2015_t3_3")
BRIDGES = load_code_table("aws_d1_5_2015_t4_3")
METHOD_B = load_code_table("en_1011_2_2001_method_b")
EVERY_TABLE = frozenset({D1_1.id, BRIDGES.id, METHOD_B.id, str(D1_1.hydrogen_control_id)})

# A published worked example of method B: 1-1/4 in, 5 mL/100 g, 40 kJ/in at an efficiency of 0.8; 109.7 °C (229 °F).
EXAMPLE = Composition(c=0.18, mn=1.4, cu=0.2, ni=0.1, cr=0.0, mo=0.0)
# Weld metal well below any of the steels here, so that the parent metal decides; invented.
LEAN_WELD = Composition(c=0.04, mn=0.8, cu=0.0, ni=0.0, cr=0.0, mo=0.0)
# Pcm 0.2535: between 0.25 and 0.28, as in the public answer on the annex of D1.1:2004.
PUBLIC_CASE = Composition(c=0.16, si=0.25, mn=1.2, cu=0.25, ni=0.1, cr=0.1, mo=0.03, v=0.04, b=0.0)


def c(f: float) -> float:
    return (f - 32.0) / 1.8


def inch(steel: str | None, thickness_in: float, composition: Composition | None = None) -> Part:
    return Part(steel, thickness_in * 25.4, thickness_in, composition=composition)


def mm(steel: str | None, thickness_mm: float, composition: Composition | None = None) -> Part:
    return Part(steel, thickness_mm, composition=composition)


def joint(*parts: Part, **given: Any) -> Joint:
    plain: dict[str, Any] = {
        "mark": "J1",
        "place": "",
        "parts": parts,
        "process": "FCAW-G",
        "electrode": None,
        "hydrogen_ml": None,
        "procedure": None,
        "weld_length_mm": 300.0,
        "ends": "inside",
        "start_utc": datetime(2026, 1, 12, 13, tzinfo=UTC),
        "hours": 2.0,
    }
    return Joint(**(plain | given))


def ask(
    *parts: Part,
    table: CodeTable = D1_1,
    units: CodeUnits = "us",
    accepted: frozenset[str] = EVERY_TABLE,
    procedure: Procedure | None = None,
    **given: Any,
) -> Requirement:
    if procedure is not None:
        given["procedure"] = procedure.name
    return requirement(joint(*parts, **given), table, procedure, units, accepted)


# ---------------------------------------------------------------- bridges


@pytest.mark.parametrize(
    ("part", "units", "minimum_c"),
    [
        # From memory, D1.5 Table 4.3. The first is the case that sets it apart from D1.1, which asks 50 °F there.
        (inch("A709-50W", 1.0), "us", c(70)),
        (inch("A709-50W", 0.75), "us", c(50)),
        (inch("A709-HPS70W", 1.0), "us", c(125)),
        (inch("A709-100W", 2.0), "us", c(175)),
        # Its SI edges are 20, 40 and 60 mm; D1.1 has 38 and 65.
        (mm("A709-50", 40.0), "si", 20.0),
        (mm("A709-50", 60.0), "si", 65.0),
        (mm("A709-50", 60.1), "si", 110.0),
    ],
)
def test_bridges_by_their_own_edges(part: Part, units: CodeUnits, minimum_c: float) -> None:
    asked = ask(part, table=BRIDGES, units=units)
    assert asked.minimum_c == pytest.approx(minimum_c)
    assert asked.method == "row"


def test_bridges_are_a_hint_until_accepted() -> None:
    asked = ask(inch("A709-50W", 1.0), table=BRIDGES, accepted=frozenset({D1_1.id}))
    assert asked.not_accepted
    assert asked.minimum_c == pytest.approx(c(70))
    assert asked.asks[0].basis == "from memory"


def test_a_table_for_low_hydrogen_alone_still_asks_for_the_electrode() -> None:
    other = ask(inch("A709-50W", 1.0), table=BRIDGES, process="SMAW", electrode="E6010")
    assert other.minimum_c is None
    assert "other than low hydrogen" in other.unknown[0]
    assert "classification" in ask(inch("A709-50W", 1.0), table=BRIDGES, process="SMAW").unknown[0]
    assert ask(inch("A709-50W", 1.0), table=BRIDGES, process="SMAW", electrode="E7018").minimum_c == pytest.approx(
        c(70)
    )


@pytest.mark.parametrize("table", [BRIDGES, D1_1])
def test_a_fracture_critical_member_asks_for_its_procedure(table: CodeTable) -> None:
    part = inch("A709-50W", 1.0)
    asked = ask(part, table=table, fracture_critical=True)
    assert asked.minimum_c is None
    assert "fracture-critical" in asked.unknown[0]
    own = Procedure("F-1", minimum_c=120.0, qualified_by_test=True)
    assert ask(part, table=table, fracture_critical=True, procedure=own).minimum_c == 120.0
    untested = ask(part, table=table, fracture_critical=True, procedure=replace(own, qualified_by_test=False))
    assert untested.minimum_c is None
    assert "not marked as qualified by test" in untested.unknown[-1]


def test_a_bridge_joint_that_says_nothing_is_said_to_be_taken_as_not_fracture_critical() -> None:
    assert any("no fracture-critical member" in note for note in ask(inch("A709-50W", 1.0), table=BRIDGES).notes)
    assert not any("fracture" in note for note in ask(inch("A709-50W", 1.0)).notes)


def test_quenched_and_tempered_bridge_steel_has_its_maximum() -> None:
    # From memory: 400 °F through 1-1/2 in, 450 °F above.
    assert ask(inch("A709-HPS70W", 1.25), table=BRIDGES).maximum_c == pytest.approx(c(400))
    assert ask(inch("A709-HPS70W", 2.0), table=BRIDGES).maximum_c == pytest.approx(c(450))


# ---------------------------------------------------------------- method B


def by_formula(*parts: Part, **given: Any) -> Requirement:
    stated: dict[str, Any] = {
        "table": METHOD_B,
        "units": "si",
        "hydrogen_ml": 5.0,
        "heat_input_kj_mm": 1.26,
        "weld_metal": LEAN_WELD,
    }
    return ask(*parts, **(stated | given))


def test_a_joint_by_method_b_is_the_published_example() -> None:
    # Published worked example: CET 0.3325, 109.7 °C.
    asked = by_formula(inch("S355J2", 1.25, EXAMPLE))
    assert asked.minimum_c == pytest.approx(109.7, abs=0.06)
    assert asked.method == "formula"
    assert "CET 0.333 %" in asked.asks[0].row
    assert "697" in asked.asks[0].note


def test_method_b_without_the_weld_metal_is_unknown_and_shows_what_it_would_be() -> None:
    # The parent metal's CET counts only where it is 0.03 % above the weld metal's (from memory).
    asked = by_formula(inch("S355J2", 1.25, EXAMPLE), weld_metal=None)
    assert asked.minimum_c is None
    assert "composition of the weld metal" in asked.unknown[0]
    assert asked.asks[0].minimum_c == pytest.approx(109.7, abs=0.06)
    rich = Composition(c=0.08, mn=1.6, ni=1.0, mo=0.3, cr=0.1, cu=0.1)
    lean = Composition(c=0.12, mn=1.2, cu=0.0, ni=0.0, cr=0.0, mo=0.0)
    parent, by_weld = (by_formula(mm("S355J2", 30.0, lean), weld_metal=one).minimum_c for one in (LEAN_WELD, rich))
    assert parent is not None
    assert by_weld is not None
    assert by_weld > parent + 50.0


def test_method_b_is_a_hint_until_accepted() -> None:
    asked = by_formula(mm("S355J2", 30.0, EXAMPLE), accepted=frozenset())
    assert asked.not_accepted
    assert asked.minimum_c is not None


def test_the_worst_part_decides_and_each_counts_at_the_thickest() -> None:
    lean = Composition(c=0.12, mn=1.2, cu=0.0, ni=0.0, cr=0.0, mo=0.0)
    thin, thick = mm("S355J2", 15.0, EXAMPLE), mm("S355J2", 50.0, lean)
    both = by_formula(thin, thick).minimum_c
    assert both == by_formula(mm("S355J2", 50.0, EXAMPLE)).minimum_c
    assert both is not None
    assert both > (by_formula(thick).minimum_c or 0.0)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"hydrogen_ml": None}, "diffusible hydrogen"),
        ({"heat_input_kj_mm": None}, "heat input"),
        ({"process": None}, "process is not stated"),
    ],
)
def test_method_b_says_what_it_misses(given: dict[str, Any], said: str) -> None:
    asked = by_formula(mm("S355J2", 30.0, EXAMPLE), **given)
    assert asked.minimum_c is None
    assert any(said in text for text in asked.unknown)


@pytest.mark.parametrize(
    ("part", "given", "said"),
    [
        (mm("S355J2", 30.0), {}, "composition of part 1"),
        (mm(None, 30.0, EXAMPLE), {}, "steel is not stated"),
        (mm("S355J2", 30.0, replace(EXAMPLE, mo=None)), {}, "Mo"),
    ],
)
def test_method_b_says_what_a_part_misses(part: Part, given: dict[str, Any], said: str) -> None:
    asked = by_formula(part, **given)
    assert asked.minimum_c is None
    assert any(said in text for text in asked.unknown)
    assert asked.out_of_range == ()


@pytest.mark.parametrize(
    ("part", "given", "said"),
    [
        (mm("S355J2", 30.0, replace(EXAMPLE, c=0.4)), {}, "0.05 to 0.32"),
        (mm("S355J2", 30.0, replace(EXAMPLE, c=0.06, mn=0.6)), {}, "0.2 to 0.5"),
        (mm("S355J2", 9.0, EXAMPLE), {}, "10 to 90"),
        (mm("S355J2", 91.0, EXAMPLE), {}, "10 to 90"),
        (mm("S355J2", 30.0, EXAMPLE), {"hydrogen_ml": 25.0}, "1 to 20"),
        (mm("S355J2", 30.0, EXAMPLE), {"heat_input_kj_mm": 4.5}, "0.5 to 4"),
    ],
)
def test_outside_its_ranges_method_b_gives_no_figure_and_names_the_limit(
    part: Part, given: dict[str, Any], said: str
) -> None:
    asked = by_formula(part, **given)
    assert asked.minimum_c is None
    assert said in asked.out_of_range[0]
    # The job's procedure answers there.
    assert by_formula(part, procedure=Procedure("W-1", 125.0, qualified_by_test=True), **given).minimum_c == 125.0


def test_cold_steel_holds_over_method_b() -> None:
    lean = Composition(c=0.10, mn=1.0, cu=0.0, ni=0.0, cr=0.0, mo=0.0)
    asked = by_formula(mm("S235", 12.0, lean), heat_input_kj_mm=2.0)
    assert asked.minimum_c == 0.0  # the formula is below 0 °C: no preheat by it
    assert any("no preheat by it" in note for note in asked.notes)
    assert minimum_at(asked, -0.1) == 20.0
    assert minimum_at(asked, 0.0) == 0.0


# ---------------------------------------------------------------- hydrogen control


def test_hydrogen_control_is_the_public_case() -> None:
    # Public answer quoting Table XI-2 of D1.1:2004: Pcm 0.25 to 0.28, H2, high restraint, 2 in: 300 °F.
    asked = ask(inch("A572-50", 2.0, PUBLIC_CASE), restraint="high", hydrogen_ml=8.0)
    assert asked.minimum_c == pytest.approx(c(300))
    assert asked.method == "hydrogen_control"
    assert "group D" in asked.asks[0].row


def test_hydrogen_control_stands_beside_the_rows_and_never_lowers() -> None:
    lean = replace(PUBLIC_CASE, c=0.04, mn=0.6, si=0.1, cu=0.0, ni=0.0, cr=0.0, mo=0.0, v=0.0)
    asked = ask(inch("A572-50", 2.0, lean), restraint="low", hydrogen_ml=4.0)
    assert asked.minimum_c == pytest.approx(c(150))  # the row of category B
    assert asked.method == "row"
    assert any(one.what == "hydrogen_control" for one in asked.asks)


def test_without_a_restraint_there_is_no_hydrogen_control() -> None:
    assert {one.what for one in ask(inch("A572-50", 2.0, PUBLIC_CASE)).asks} == {"row", "cold_steel"}


def test_hydrogen_control_asks_for_its_own_acceptance() -> None:
    asked = ask(inch("A572-50", 2.0, PUBLIC_CASE), restraint="high", hydrogen_ml=8.0, accepted=frozenset({D1_1.id}))
    assert asked.not_accepted


def test_hydrogen_control_names_what_it_misses_or_does_not_cover() -> None:
    assert "composition of part 1" in ask(inch("A572-50", 2.0), restraint="low").unknown[0]
    rich = ask(inch("A572-50", 2.0, replace(PUBLIC_CASE, c=0.30)), restraint="low")
    assert "0.38" in rich.out_of_range[0]


def test_an_unlisted_steel_stays_unknown_with_hydrogen_control_as_a_hint() -> None:
    asked = ask(inch("A913-80", 2.0, PUBLIC_CASE), restraint="high", hydrogen_ml=8.0)
    assert asked.minimum_c is None
    assert any(one.what == "hydrogen_control" and one.minimum_c == pytest.approx(c(300)) for one in asked.asks)


@given(
    restraint=st.sampled_from(RESTRAINTS),
    t_in=st.floats(0.125, 6.0),
    hydrogen_ml=st.none() | st.floats(1.0, 30.0),
    units=st.sampled_from(["us", "si", "either"]),
)
def test_a_stated_restraint_never_lowers(
    restraint: Any, t_in: float, hydrogen_ml: float | None, units: CodeUnits
) -> None:
    part = inch("A572-50", t_in, PUBLIC_CASE)
    without = ask(part, units=units, hydrogen_ml=hydrogen_ml)
    beside = ask(part, units=units, hydrogen_ml=hydrogen_ml, restraint=restraint)
    assert without.minimum_c is not None
    assert beside.minimum_c is not None
    assert beside.minimum_c >= without.minimum_c


# ---------------------------------------------------------------- procedures and what they cover

COVERS = Procedure("W-2", minimum_c=60.0, steels=("A572-50", "A588-*"), from_mm=3.175, to_mm=38.1, process="FCAW-G")


@pytest.mark.parametrize(
    ("part", "given", "said"),
    [
        (inch("A572-50", 1.5), {}, ""),
        (inch("A588-K", 0.125), {}, ""),
        (inch("A992", 1.0), {}, "A992"),
        (inch("A572-50", 1.5625), {}, "1-1/2 in"),
        (mm("A572-50", 3.0), {}, "1/8 in"),
        (inch("A572-50", 1.0), {"process": "GMAW"}, "FCAW-G"),
    ],
)
def test_a_procedure_answers_only_what_it_covers(part: Part, given: dict[str, Any], said: str) -> None:
    asked = ask(part, procedure=COVERS, **given)
    if said:
        assert asked.minimum_c is None
        assert any("does not cover the joint" in text and said in text for text in asked.unknown)
    else:
        assert asked.minimum_c == 60.0


def test_every_part_has_to_be_covered() -> None:
    asked = ask(inch("A572-50", 1.0), inch("A36", 0.5), procedure=COVERS)
    assert asked.minimum_c is None
    assert "A36" in asked.unknown[0]


def test_a_procedure_outside_its_range_gives_no_maximum_either() -> None:
    asked = ask(inch("A992", 1.0), procedure=replace(COVERS, maximum_c=150.0))
    assert asked.maximum_c is None


def test_a_procedure_below_what_such_steels_are_expected_to_need_is_questioned() -> None:
    # From memory: 125 °F for A514 over 3/4 through 1-1/2 in.
    low = ask(inch("A514", 1.0), procedure=Procedure("Q-1", minimum_c=c(100), qualified_by_test=True))
    assert low.minimum_c == pytest.approx(c(100))
    assert any("125 °F or more" in note for note in low.notes)
    enough = ask(inch("A514", 1.0), procedure=Procedure("Q-1", minimum_c=c(125), qualified_by_test=True))
    assert not any("expected" in note for note in enough.notes)


# ---------------------------------------------------------------- readings of the code


def test_of_unlike_parts_the_reading_by_own_thickness_is_said() -> None:
    # A36 2 in with A572-65 1/2 in: category C at 2 in is 225 °F; each at its own thickness it would be 150 °F.
    asked = ask(inch("A36", 2.0), inch("A572-65", 0.5))
    assert asked.minimum_c == pytest.approx(c(225))
    assert any("own thickness 150 °F" in note for note in asked.notes)
    assert not any("own thickness" in note for note in ask(inch("A36", 2.0), inch("A992", 0.5)).notes)


def test_what_decides_a_requirement_is_in_its_key() -> None:
    # A plan looks like joints up once: a deciding field that is not in the key would give one joint another's figure.
    said = joint(inch("A572-50", 2.0, PUBLIC_CASE))
    changed: dict[str, Any] = {
        "parts": (inch("A572-50", 1.0, PUBLIC_CASE),),
        "process": "SMAW",
        "electrode": "E7018",
        "hydrogen_ml": 4.0,
        "procedure": "W-1",
        "heat_input_kj_mm": 1.0,
        "restraint": "low",
        "weld_metal": EXAMPLE,
        "fracture_critical": True,
    }
    for name, value in changed.items():
        assert deciding_values(replace(said, **{name: value})) != deciding_values(said), name
    others = {field.name for field in fields(Joint)} - set(changed)
    assert others == {
        "mark", "place", "weld_length_mm", "ends", "start_utc", "hours", "crew", "exposure", "sun", "shelter",
        "height_m", "torches", "heat_source", "heated_length_mm", "both_faces", "state", "passes",
        "arrangement", "welded", "also_heated", "after", "not_before_utc", "finish_by_utc", "pinned",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("table_id", "clause", "basis"),
    [
        ("aws_d1_1_2010_t3_2", "Table 3.2, category B", "second hand"),
        ("aws_d1_1_2020_t5_8", "Table 5.8, category B", "from memory"),
    ],
)
def test_other_editions_ask_the_same_under_their_own_clauses_and_less_sure(
    table_id: str, clause: str, basis: str
) -> None:
    table = load_code_table(table_id)
    asked = ask(inch("A992", 1.0), table=table, accepted=frozenset())
    assert asked.minimum_c == pytest.approx(c(50))
    assert (asked.asks[0].clause, asked.asks[0].basis) == (clause, basis)
    assert asked.not_accepted
    assert not ask(inch("A992", 1.0), table=table, accepted=frozenset({table_id})).not_accepted


# ---------------------------------------------------------------- invariants over every table

STEELS = {D1_1.id: ("A36", "A572-65", "A913-65"), BRIDGES.id: ("A709-50W", "A709-HPS70W"), METHOD_B.id: ("S355J2",)}
EVERY = [D1_1, BRIDGES, METHOD_B, load_code_table("aws_d1_1_2010_t3_2"), load_code_table("aws_d1_1_2020_t5_8")]


@st.composite
def steel_and_table(draw: st.DrawFn) -> tuple[CodeTable, str, str]:
    table = draw(st.sampled_from(EVERY))
    steels = st.sampled_from(STEELS.get(table.id, STEELS[D1_1.id]))
    return table, draw(steels), draw(steels)


def by_any(table: CodeTable, *parts: Part, units: CodeUnits, **given: Any) -> Requirement:
    stated: dict[str, Any] = {"hydrogen_ml": 8.0, "heat_input_kj_mm": 1.5, "weld_metal": LEAN_WELD}
    return ask(*parts, table=table, units=units, accepted=EVERY_TABLE | {table.id}, **(stated | given))


UNITS = st.sampled_from(["us", "si", "either"])


@given(of=steel_and_table(), a_mm=st.floats(10.0, 90.0), b_mm=st.floats(10.0, 90.0), units=UNITS)
def test_thicker_never_needs_less_by_any_table(
    of: tuple[CodeTable, str, str], a_mm: float, b_mm: float, units: CodeUnits
) -> None:
    table, steel, _ = of
    thin, thick = (by_any(table, mm(steel, t, EXAMPLE), units=units).minimum_c for t in sorted((a_mm, b_mm)))
    assert thin is not None
    assert thick is not None
    assert thick >= thin


@given(of=steel_and_table(), a_mm=st.floats(10.0, 90.0), b_mm=st.floats(10.0, 90.0), units=UNITS)
def test_mixed_parts_never_need_less_than_either_by_any_table(
    of: tuple[CodeTable, str, str], a_mm: float, b_mm: float, units: CodeUnits
) -> None:
    table, one, other = of
    parts = mm(one, a_mm, EXAMPLE), mm(other, b_mm, PUBLIC_CASE)
    together = by_any(table, *parts, units=units)
    assert together.minimum_c is not None
    for part in parts:
        alone = by_any(table, part, units=units).minimum_c
        assert alone is not None
        assert together.minimum_c >= alone


@given(
    of=steel_and_table(), t_mm=st.floats(10.0, 90.0), units=UNITS, a_c=st.floats(-40.0, 40.0), b_c=st.floats(-40, 40)
)
def test_colder_never_needs_less_by_any_table(
    of: tuple[CodeTable, str, str], t_mm: float, units: CodeUnits, a_c: float, b_c: float
) -> None:
    table, steel, _ = of
    asked = by_any(table, mm(steel, t_mm, EXAMPLE), units=units)
    cold, warm = sorted((a_c, b_c))
    assert minimum_at(asked, cold) >= minimum_at(asked, warm)


@given(
    of=steel_and_table(), t_mm=st.floats(10.0, 90.0), units=UNITS, ml=st.floats(1.0, 20.0), more=st.floats(1.0, 20.0)
)
def test_more_hydrogen_never_needs_less_by_any_table(
    of: tuple[CodeTable, str, str], t_mm: float, units: CodeUnits, ml: float, more: float
) -> None:
    table, steel, _ = of
    low, high = (
        by_any(table, mm(steel, t_mm, PUBLIC_CASE), units=units, hydrogen_ml=h).minimum_c for h in sorted((ml, more))
    )
    assert low is not None
    assert high is not None
    assert high >= low
