"""What is asked of a joint: published rows, worked cases, invariants, edges.

Worked cases marked "public case" were answered on trade forums; the rows behind them are those of AWS D1.1/D1.1M:2015,
Table 3.3 (see test_tables for print). Temperatures in °F are converted here by hand, (F - 32) / 1.8.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.code_table import CodeTable
from frostshift_rules.figures import inches_text
from frostshift_rules.job import CodeUnits, Joint, Part, Procedure, Process
from frostshift_rules.preheat import (
    Requirement,
    cold_floor_decides,
    extent_mm,
    measuring_distance_mm,
    minimum_at,
    requirement,
    soak_minutes,
)
from frostshift_rules.rows import read_electrode
from frostshift_rules.tables import load_code_table

TABLE = load_code_table("aws_d1_1_2015_t3_3")
PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"


def inch(steel: str | None, thickness_in: float) -> Part:
    """A part whose thickness was typed in inches."""
    return Part(steel=steel, thickness_mm=thickness_in * 25.4, thickness_in=thickness_in)


def mm(steel: str | None, thickness_mm: float) -> Part:
    return Part(steel=steel, thickness_mm=thickness_mm)


def joint(*parts: Part, process: Process | None = "FCAW-G", **fields: Any) -> Joint:
    typed: dict[str, Any] = {"electrode": None, "hydrogen_ml": None, "procedure": None} | fields
    return Joint(
        mark="J1",
        place="",
        parts=parts,
        process=process,
        weld_length_mm=300.0,
        ends="inside",
        start_utc=datetime(2026, 1, 12, 13, tzinfo=UTC),
        hours=2.0,
        **typed,
    )


def ask(
    *parts: Part,
    units: CodeUnits = "us",
    accepted: bool = False,
    procedure: Procedure | None = None,
    table: CodeTable = TABLE,
    **fields: Any,
) -> Requirement:
    if procedure is not None:
        fields["procedure"] = procedure.name
    return requirement(joint(*parts, **fields), table, procedure, units, {table.id} if accepted else ())


def c(f: float) -> float:
    return (f - 32.0) / 1.8


def known(asked: Requirement) -> float:
    assert asked.unknown == ()
    assert asked.minimum_c is not None
    return asked.minimum_c


# ---------------------------------------------------------------- the printed table, row by row


def _printed(name: str) -> list[dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize(
    "row", _printed("d1_1_2015_table_3_3.csv"), ids=lambda row: f"{row['category']} {row['min_f']}"
)
def test_both_edges_of_every_printed_row_in_both_unit_systems(row: dict[str, str]) -> None:
    # AWS D1.1/D1.1M:2015, Table 3.3, p. 57. A36 is in A and in B; E6010 makes it A.
    electrode = "E6010" if row["category"] == "A" else "E7018"
    first = row["min_f"] == "32"
    for unit, typed, minimum in (("in", inch, c(float(row["min_f"]))), ("mm", mm, float(row["min_c"]))):
        over = float(row[f"over_{unit}"])
        to = float(row[f"to_{unit}"] or 2.0 * over)
        units: CodeUnits = "us" if unit == "in" else "si"
        for thickness in (over if first else over + 1e-6, (over + to) / 2.0, to):
            asked = ask(typed("A36", thickness), process="SMAW", electrode=electrode, units=units)
            assert known(asked) == pytest.approx(minimum)
            assert asked.category == row["category"]
            assert not asked.not_accepted


@pytest.mark.parametrize(
    "row", _printed("ti_809_26_table_3_1.csv"), ids=lambda row: f"{row['category']} {row['min_f']}"
)
def test_the_army_table_in_mm_on_a_job_in_us_units(row: dict[str, str]) -> None:
    # TI 809-26, Table 3-1: its edges 38.1 and 63.5 mm are 1-1/2 and 2-1/2 in and belong to the thinner band.
    electrode = "E6010" if row["category"] == "A" else "E7018"
    to_mm = float(row["to_mm"] or "200")
    asked = ask(mm("A36", to_mm), process="SMAW", electrode=electrode)
    assert known(asked) == pytest.approx(c(float(row["min_f"])))


# ---------------------------------------------------------------- worked cases


@pytest.mark.parametrize(
    ("parts", "fields", "minimum_f"),
    [
        # Lookups in AWS D1.1/D1.1M:2015, Table 3.3, categories A and B.
        pytest.param([inch("A992", 0.75)], {"process": "FCAW-S"}, 32, id="3/4 in exactly is in the first band"),
        pytest.param([inch("A36", 0.8125)], {"process": "SMAW", "electrode": "E7018"}, 50, id="13/16 in"),
        pytest.param([inch("A992", 1.625)], {}, 150, id="the third band begins over 1-1/2 in, not over 1-3/4 in"),
        pytest.param([inch("A572-50", 1.5)], {"process": "GMAW"}, 50, id="1-1/2 in exactly is in the second band"),
        pytest.param([inch("A572-50", 1.5625)], {"process": "GMAW"}, 150, id="1-9/16 in"),
        pytest.param([inch("A36", 2.5)], {"process": "GMAW"}, 150, id="2-1/2 in is in the third band, public case"),
        pytest.param([inch("A36", 2.0), inch("A992", 0.53)], {}, 150, id="base plate to column, public case"),
        pytest.param([inch("A36", 1.0)], {"process": "SMAW", "electrode": "E6010"}, 150, id="other than low hydrogen"),
        pytest.param([inch("A36", 1.0)], {"process": "SMAW", "electrode": "E7018"}, 50, id="the same, low hydrogen"),
        pytest.param([inch("A36", 1.0)], {"process": "SAW"}, 50, id="submerged arc"),
        pytest.param([mm("A572-50", 38.1)], {}, 50, id="38.1 mm is a 1-1/2 in plate on a job in US units"),
        pytest.param([mm("A572-50", 38.3)], {}, 150, id="38.3 mm is not"),
        pytest.param([mm("A572-50", 20.0)], {}, 50, id="20 mm is over 3/4 in"),
        pytest.param([mm("A572-50", 64.0)], {}, 225, id="64 mm is over 2-1/2 in"),
    ],
)  # fmt: skip
def test_worked_cases_in_us_units(parts: list[Part], fields: dict[str, Any], minimum_f: float) -> None:
    asked = ask(*parts, **fields)
    assert known(asked) == pytest.approx(c(minimum_f))
    assert not asked.not_accepted


@pytest.mark.parametrize(
    ("part", "units", "minimum_c"),
    [
        # AWS D1.1/D1.1M:2015, Table 3.3, SI column; the two systems differ between their edges.
        pytest.param(mm("A572-50", 38.0), "si", 10.0, id="over 20 thru 38 incl."),
        pytest.param(mm("A572-50", 20.0), "si", 0.0, id="20 mm incl."),
        pytest.param(mm("A572-50", 64.0), "si", 65.0, id="up to 65 mm incl."),
        pytest.param(mm("A572-50", 38.1), "si", 65.0, id="38.1 mm is over 38 mm"),
        pytest.param(inch("A572-50", 1.5), "si", 65.0, id="so is 1-1/2 in, the safe side"),
        pytest.param(inch("A572-50", 0.75), "si", 0.0, id="3/4 in is 19.05 mm"),
        pytest.param(mm("A572-50", 20.0), "either", c(50), id="unknown units at 20 mm: the US row is higher"),
        pytest.param(mm("A572-50", 64.0), "either", c(225), id="unknown units at 64 mm: the US row is higher"),
        pytest.param(inch("A572-50", 1.5), "either", 65.0, id="unknown units at 1-1/2 in: the SI row is higher"),
        pytest.param(mm("A36", 70.0), "either", 110.0, id="unknown units: 110 °C is above 225 °F"),
    ],
)
def test_worked_cases_in_si_and_either_units(part: Part, units: CodeUnits, minimum_c: float) -> None:
    assert known(ask(part, units=units)) == pytest.approx(minimum_c)


def test_how_a_thickness_was_compared_is_said() -> None:
    assert "38.15 mm counts as 1-1/2 in" in ask(mm("A36", 38.15)).notes[0]
    assert "1-1/2 in counts as 38.1 mm" in ask(inch("A36", 1.5), units="si").notes[0]
    assert "the higher minimum holds" in ask(inch("A36", 1.5), units="either").notes[0]
    assert not any("counts as" in note for note in ask(inch("A36", 1.5)).notes)


@pytest.mark.parametrize(
    ("parts", "fields", "minimum_f"),
    [
        # Category C and D: second hand, so only with the site's acceptance.
        pytest.param([inch("A572-65", 1.0)], {}, 150, id="A572-65 is in C"),
        pytest.param([inch("A913-65", 5.0)], {"hydrogen_ml": 8.0}, 32, id="A913-65 with H8 is in D"),
        pytest.param([inch("A913-65", 5.0)], {"hydrogen_ml": 16.0}, 300, id="with H16 it is in C"),
        pytest.param([inch("A913-65", 5.0)], {}, 300, id="with hydrogen not stated it is in C"),
        pytest.param([inch("A36", 2.0), inch("A572-65", 0.5)], {}, 225, id="the thickest part counts for every steel"),
        pytest.param([inch("A709-HPS70W", 1.25)], {}, 150, id="HPS 70W is in C"),
        pytest.param([inch("A709-HPS70W", 2.0)], {}, 225, id="HPS 70W, 2 in"),
        pytest.param(
            [inch("A913-65", 5.0)], {"process": "SMAW", "electrode": "E8018-C3-H4R"}, 32, id="the electrode says H4"
        ),
        pytest.param(
            [inch("A913-65", 5.0)],
            {"process": "SMAW", "electrode": "E8018-C3 H16", "hydrogen_ml": 8.0},
            300,
            id="two statements of hydrogen: the higher",
        ),
    ],
)
def test_second_hand_rows_hold_when_accepted_and_are_a_hint_before(
    parts: list[Part], fields: dict[str, Any], minimum_f: float
) -> None:
    accepted = ask(*parts, accepted=True, **fields)
    assert known(accepted) == pytest.approx(c(minimum_f))
    assert not accepted.not_accepted
    hint = ask(*parts, **fields)
    assert hint.not_accepted
    assert known(hint) >= c(minimum_f) - 1e-9
    assert hint.asks[0].basis != "seen"


# ---------------------------------------------------------------- acceptance


def test_a_figure_that_is_not_accepted_never_lowers() -> None:
    # A913-50 is in B (read in TI 809-26) and, from memory, in D with H8: 225 °F against 32 °F at 5 in.
    asked = ask(inch("A913-50", 5.0), hydrogen_ml=8.0)
    assert known(asked) == pytest.approx(c(225))
    assert asked.category == "B"
    assert not asked.not_accepted
    assert any("category D" in note and "32 °F" in note for note in asked.notes)
    assert known(ask(inch("A913-50", 5.0), hydrogen_ml=8.0, accepted=True)) == pytest.approx(c(32))


def test_of_figures_that_are_all_not_accepted_the_highest_is_the_hint() -> None:
    # A913-65 with H8 is in C (second hand, 300 °F at 5 in) and in D (from memory, 32 °F).
    hint = ask(inch("A913-65", 5.0), hydrogen_ml=8.0)
    assert known(hint) == pytest.approx(c(300))
    assert hint.not_accepted


def test_one_steel_that_is_not_accepted_is_enough_to_hold_up_the_joint() -> None:
    asked = ask(inch("A36", 2.0), inch("A709-50S", 0.5))
    assert known(asked) == pytest.approx(c(150))
    assert asked.not_accepted
    assert asked.asks[0].basis == "from memory"


def test_the_procedure_carries_a_joint_whose_rows_are_not_accepted() -> None:
    for own in (Procedure("W1", minimum_c=c(150)), Procedure("W1", minimum_c=c(200))):
        asked = ask(inch("A572-65", 1.0), procedure=own)
        assert known(asked) == own.minimum_c
        assert not asked.not_accepted
        assert asked.asks[0].what == "procedure"
    below = ask(inch("A572-65", 1.0), procedure=Procedure("W1", minimum_c=c(100)))
    assert known(below) == pytest.approx(c(150))
    assert below.not_accepted


def test_an_electrode_known_second_hand_needs_acceptance() -> None:
    asked = ask(inch("A36", 1.0), process="SMAW", electrode="E7048")
    assert known(asked) == pytest.approx(c(50))
    assert asked.not_accepted


# ---------------------------------------------------------------- unknown is an answer


@pytest.mark.parametrize(
    ("parts", "fields", "said"),
    [
        ([inch("A36", 1.0)], {"process": None}, "The welding process is not stated."),
        ([inch("A36", 1.0)], {"process": "SMAW"}, "SMAW needs the electrode's classification, such as E7018."),
        ([inch("A36", 1.0)], {"process": "SMAW", "electrode": "ER70S-6"}, "Electrode 'ER70S-6' cannot be read"),
        ([inch("A36", 1.0)], {"process": "SMAW", "electrode": "E7099"}, "covering 99 is not known"),
        ([inch(None, 1.0)], {}, "The steel is not stated."),
        ([inch("A36", 1.0), inch(None, 1.0)], {}, "The steel is not stated."),
    ],
)
def test_missing_data_stay_unknown_whatever_the_procedure_says(
    parts: list[Part], fields: dict[str, Any], said: str
) -> None:
    asked = ask(*parts, **fields)
    assert asked.minimum_c is None
    assert said in asked.unknown[0]
    # Nobody can tell that the procedure covers the joint, and the table could ask for more without being seen.
    for tested in (False, True):
        under = ask(*parts, procedure=Procedure("W1", minimum_c=50.0, qualified_by_test=tested), **fields)
        assert under.minimum_c is None
        assert under.unknown == asked.unknown


@pytest.mark.parametrize("parts", [[inch(None, 1.0)], [inch("A514", 1.0), inch(None, 1.0)]])
@pytest.mark.parametrize("process", ["GTAW", "FCAW-G"])
@pytest.mark.parametrize("tested", [False, True])
def test_a_missing_steel_is_not_hidden_by_what_the_table_does_not_cover(
    parts: list[Part], process: Process, tested: bool
) -> None:
    asked = ask(*parts, process=process, procedure=Procedure("W1", minimum_c=80.0, qualified_by_test=tested))
    assert asked.minimum_c is None
    assert "The steel is not stated." in asked.unknown


@pytest.mark.parametrize(
    ("parts", "fields", "said"),
    [
        # GTAW and the A514 family are not prequalified (from memory); nor are steels that print does not list.
        ([inch("A36", 1.0)], {"process": "GTAW"}, "has no row for GTAW: ask the welding procedure"),
        ([inch("A514", 1.0)], {}, "A514 is not prequalified in AWS D1.1/D1.1M:2015: ask the welding procedure"),
        ([inch("A709-100W", 1.0)], {}, "A709-100W is not prequalified"),
        ([inch("S355J2", 1.0)], {}, "S355J2 is not listed in AWS D1.1/D1.1M:2015 for FCAW-G, low hydrogen"),
        ([inch("A710-A-CL2", 1.0)], {}, "A710-A-CL2 is not listed"),
        (
            [inch("A572-50", 1.0)],
            {"process": "SMAW", "electrode": "E6010"},
            "A572-50 is not listed in AWS D1.1/D1.1M:2015 for SMAW, other than low hydrogen",
        ),
        ([mm("A36", 2.5)], {}, "does not cover parts this thin"),
    ],
)
def test_what_the_table_does_not_cover_is_the_procedures(parts: list[Part], fields: dict[str, Any], said: str) -> None:
    asked = ask(*parts, **fields)
    assert asked.minimum_c is None
    assert said in asked.unknown[0]
    assert "ask the welding procedure" in asked.unknown[0]
    own = Procedure("W1", minimum_c=80.0, qualified_by_test=True)
    assert known(ask(*parts, procedure=own, **fields)) == 80.0
    # Such a procedure has to be qualified by test; one that is not marked so settles nothing.
    untested = ask(*parts, procedure=replace(own, qualified_by_test=False), **fields)
    assert untested.minimum_c is None
    assert "not marked as qualified by test" in untested.unknown[-1]


def test_one_part_not_covered_makes_the_joint_unknown_and_its_procedure_never_lowers_the_other() -> None:
    asked = ask(inch("A36", 2.0), inch("A514", 1.0))
    assert asked.minimum_c is None
    assert [a.what for a in asked.asks] == ["row", "cold_steel"]
    untested = ask(inch("A36", 2.0), inch("A514", 1.0), procedure=Procedure("W1", 30.0))
    assert untested.minimum_c is None
    assert untested.asks[0].minimum_c == pytest.approx(c(150))


def test_a_procedure_that_the_site_does_not_have_is_unknown() -> None:
    asked = requirement(joint(inch("A36", 1.0), procedure="W7"), TABLE, None, "us", {TABLE.id})
    assert asked.minimum_c is None
    assert asked.unknown == ("Welding procedure W7 is not among the site's procedures.",)


def test_the_thinnest_thickness_is_covered() -> None:
    # AWS D1.1/D1.1M:2015, Table 3.3: "1/8 to 3/4 incl.", "3 to 20 incl.".
    assert known(ask(inch("A36", 0.125))) == 0.0
    assert known(ask(mm("A36", 3.175))) == 0.0
    assert known(ask(mm("A36", 3.0), units="si")) == 0.0
    assert ask(mm("A36", 2.9), units="si").minimum_c is None


# ---------------------------------------------------------------- procedure and maximum


def test_a_procedure_raises_always_and_lowers_only_when_qualified_by_test() -> None:
    high = ask(inch("A36", 1.0), procedure=Procedure("W1", minimum_c=100.0))
    assert known(high) == 100.0
    assert high.asks[0].what == "procedure"
    low = ask(inch("A36", 2.0), procedure=Procedure("W1", minimum_c=20.0))
    assert known(low) == pytest.approx(c(150))
    assert low.asks[0].what == "row"
    assert any("the row holds" in note for note in low.notes)
    tested = ask(inch("A36", 2.0), procedure=Procedure("W1", minimum_c=20.0, qualified_by_test=True))
    assert known(tested) == 20.0
    assert any("in place of the row's 150 °F" in note for note in tested.notes)
    # It never replaces the cold-steel floor.
    assert minimum_at(tested, -5.0) == pytest.approx(c(70))


def test_a_procedure_without_a_minimum_changes_nothing() -> None:
    assert known(ask(inch("A36", 1.0), procedure=Procedure("W1"))) == known(ask(inch("A36", 1.0)))


@pytest.mark.parametrize(
    ("parts", "units", "maximum_c"),
    [
        # Quenched and tempered steels, footnote of Table 3.3; from memory, hence only ever a maximum.
        ([inch("A709-HPS70W", 1.25)], "us", c(400)),
        ([inch("A709-HPS70W", 1.5)], "us", c(400)),
        ([inch("A709-HPS70W", 2.0)], "us", c(450)),
        ([mm("A852-70", 40.0)], "si", 200.0),
        ([mm("A852-70", 41.0)], "si", 230.0),
        ([mm("A852-70", 41.0)], "either", 230.0),
        ([inch("A709-HPS70W", 1.0), inch("A36", 4.0)], "us", c(400)),
        # The A514 family has the same two figures (from memory).
        ([inch("A514", 1.5)], "us", c(400)),
        ([inch("A514-B", 1.5625)], "us", c(450)),
        ([inch("A709-100W", 1.0)], "us", c(400)),
        ([mm("A709-HPS100W", 40.0)], "si", 200.0),
        ([mm("A517-F", 41.0)], "si", 230.0),
        ([mm("A709-100", 25.0)], "either", 200.0),
        ([mm("A514", 39.0)], "either", 200.0),
    ],
)
def test_maximum_of_quenched_and_tempered_steels(parts: list[Part], units: CodeUnits, maximum_c: float) -> None:
    asked = ask(*parts, units=units, accepted=True)
    assert asked.maximum_c == pytest.approx(maximum_c)
    assert "from memory" in asked.maximum_source


def test_the_lowest_maximum_holds_and_says_whose_it_is() -> None:
    asked = ask(inch("A709-HPS70W", 2.0), accepted=True, procedure=Procedure("W1", maximum_c=180.0))
    assert (asked.maximum_c, asked.maximum_source) == (180.0, "procedure W1")
    assert ask(inch("A36", 1.0)).maximum_c is None


def test_a_minimum_above_the_maximum_is_unknown() -> None:
    asked = ask(inch("A36", 3.0), procedure=Procedure("W1", maximum_c=c(200)))
    assert asked.minimum_c is None
    assert asked.unknown == ("The minimum of 225 °F is above the maximum of 200 °F (procedure W1): ask the engineer.",)


def test_a_maximum_of_a_steel_that_is_not_prequalified_holds_under_its_procedure() -> None:
    # A maximum only restricts: it gives no minimum, and a procedure that asks for more than it is a contradiction.
    assert ask(inch("A514", 1.0)).minimum_c is None
    own = ask(inch("A514", 1.0), procedure=Procedure("W1", minimum_c=80.0, maximum_c=c(500), qualified_by_test=True))
    assert (known(own), own.maximum_c) == (80.0, pytest.approx(c(400)))
    high = ask(inch("A514", 1.0), procedure=Procedure("W1", minimum_c=c(425), qualified_by_test=True))
    assert high.minimum_c is None
    assert "above the maximum of 400 °F" in high.unknown[0]


# ---------------------------------------------------------------- cold steel


@pytest.mark.parametrize(
    ("part", "fields", "steel_f", "minimum_f", "floor_decides"),
    [
        # Table 3.3, footnote a (second hand): below 32 °F at least 70 °F; strictly below.
        pytest.param(inch("A992", 0.75), {}, 40, 32, False, id="above"),
        pytest.param(inch("A992", 0.75), {}, 32, 32, False, id="exactly 32 °F is not below"),
        pytest.param(inch("A992", 0.75), {}, 31, 70, True, id="31 °F"),
        pytest.param(inch("A36", 0.75), {"process": "SMAW", "electrode": "E6010"}, 20, 70, True, id="category A"),
        pytest.param(inch("A992", 1.0), {}, 20, 70, True, id="our choice over the row of 50 °F"),
        pytest.param(inch("A992", 2.0), {}, 10, 150, False, id="70 °F does not replace a higher row"),
    ],
)
def test_cold_steel(part: Part, fields: dict[str, Any], steel_f: float, minimum_f: float, floor_decides: bool) -> None:
    asked = ask(part, **fields)
    assert minimum_at(asked, c(steel_f)) == pytest.approx(c(minimum_f))
    assert cold_floor_decides(asked, c(steel_f)) is floor_decides


def test_the_literal_reading_of_the_footnote_is_said() -> None:
    # Its letter is printed only at 32 °F (0 °C): p. 57 of the 2015 edition and TI 809-26.
    marked, unmarked = ask(inch("A992", 0.75)), ask(inch("A992", 1.0))
    assert marked.literal_cold
    assert not unmarked.literal_cold
    assert any("read literally" in note and "50 °F would do" in note for note in unmarked.notes)
    assert not any("read literally" in note for note in marked.notes)


def test_cold_rule_by_unit_system() -> None:
    si, us, either = (ask(mm("A36", 10.0), units=units) for units in ("si", "us", "either"))
    assert (si.cold_below_c, si.cold_floor_c) == (0.0, 20.0)
    assert us.cold_floor_c == either.cold_floor_c == pytest.approx(c(70))


def test_minimum_at_keeps_nan_and_unknown() -> None:
    asked = ask(inch("A992", 0.75))
    assert math.isnan(minimum_at(asked, math.nan))
    assert cold_floor_decides(asked, math.nan) is False
    unknown = ask(inch("A514", 0.75))
    assert math.isnan(minimum_at(unknown, -5.0))
    assert cold_floor_decides(unknown, -5.0) is False


def test_gmaw_says_that_short_circuiting_transfer_is_not_prequalified() -> None:
    said = (
        "GMAW in short-circuiting transfer is not prequalified: it needs a procedure qualified by test (from memory)."
    )
    assert said in ask(inch("A36", 1.0), process="GMAW").notes
    assert not any("short-circuiting" in note for note in ask(inch("A36", 1.0), process="FCAW-G").notes)


# ---------------------------------------------------------------- extent and measuring


@pytest.mark.parametrize(
    ("parts", "units", "extent"),
    [
        # AWS D1.1/D1.1M:2015, 5.6 (second hand): the thickest part, not less than 3 in (75 mm).
        ([inch("A36", 4.0)], "us", 101.6),
        ([inch("A36", 2.25)], "us", 76.2),
        ([inch("A36", 0.5), inch("A36", 3.5)], "us", 88.9),
        ([mm("A36", 50.0)], "si", 75.0),
        ([mm("A36", 100.0)], "si", 100.0),
        ([mm("A36", 50.0)], "either", 76.2),
    ],
)
def test_extent(parts: list[Part], units: CodeUnits, extent: float) -> None:
    assert extent_mm(joint(*parts), TABLE, units) == pytest.approx(extent)
    assert ask(*parts, units=units).extent_mm == pytest.approx(extent)


@pytest.mark.parametrize(("thickness_mm", "minutes"), [(25.0, 2.0), (50.0, 4.0), (75.0, 6.0), (100.0, 8.0)])
def test_wait_of_iso_13916(thickness_mm: float, minutes: float) -> None:
    # ISO 13916:2025: about 2 min per 25 mm of parent thickness.
    assert soak_minutes(thickness_mm, TABLE) == pytest.approx(minutes)


@pytest.mark.parametrize(
    ("thickness_mm", "distance_mm"),
    [(8.0, 32.0), (12.5, 50.0), (20.0, 50.0), (50.0, 50.0), (57.0, 75.0), (100.0, 75.0)],
)
def test_where_iso_13916_measures(thickness_mm: float, distance_mm: float) -> None:
    # ISO 13916:2025: 4 t, at most 50 mm, up to 50 mm thick; 75 mm above.
    assert measuring_distance_mm(thickness_mm, TABLE) == distance_mm


# ---------------------------------------------------------------- electrodes and words


@pytest.mark.parametrize(
    ("text", "covering", "hydrogen_ml"),
    [
        # Form of AWS A5.1 and A5.5 as tabulated in TI 809-26, Table C-2; the spellings are common practice, no source.
        ("E7018", "18", None),
        ("e6010", "10", None),
        ("E7018-1 H4R", "18", 4.0),
        ("E7018-H4R", "18", 4.0),
        ("E7018 R", "18", None),
        ("E8018-C3 H8", "18", 8.0),
        ("E8018-C3-H4R", "18", 4.0),
        ("E7018M", "18", None),
        ("E11018-M", "18", None),
        ("E7028 H16", "28", 16.0),
        ("E8018-B2L", "18", None),
        ("E7010-P1", "10", None),
        ("7018", "18", None),
    ],
)
def test_classifications_of_stick_electrodes(text: str, covering: str, hydrogen_ml: float | None) -> None:
    electrode = read_electrode(text)
    assert (electrode.covering, electrode.hydrogen_ml) == (covering, hydrogen_ml)


@pytest.mark.parametrize("text", ["", "E71T-1", "ER70S-6", "E70C-6M", "E7018 H5", "E5018", "E701", "E7018/E6010", "LH"])
def test_what_is_no_stick_electrode_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="expected a classification such as E7018"):
        read_electrode(text)


@pytest.mark.parametrize(
    "electrode", ["E6010", "E6011", "E6012", "E6013", "E7014", "E6019", "E6020", "E6022", "E7024", "E7027"]
)
def test_other_than_low_hydrogen_is_category_a(electrode: str) -> None:
    assert ask(inch("A36", 1.0), process="SMAW", electrode=electrode).category == "A"


@pytest.mark.parametrize("electrode", ["E7015", "E7016", "E7018", "E7018M", "E7028", "E8018-C3", "E11018-M"])
def test_low_hydrogen_is_category_b(electrode: str) -> None:
    asked = ask(inch("A36", 1.0), process="SMAW", electrode=electrode)
    assert asked.category == "B"
    assert not asked.not_accepted


@pytest.mark.parametrize(
    ("value", "text"), [(0.125, "1/8"), (0.75, "3/4"), (1.5, "1-1/2"), (2.0, "2"), (1.5625, "1-9/16"), (1.51, "1.510")]
)
def test_inches_in_words(value: float, text: str) -> None:
    assert inches_text(value) == text


def test_the_row_that_decides_is_said_with_clause_and_basis() -> None:
    first = ask(inch("A992", 1.625)).asks[0]
    assert (first.what, first.row) == ("row", "category B, over 1-1/2 through 2-1/2 in")
    assert (first.clause, first.basis) == ("Table 3.3, category B", "seen")
    assert ask(mm("A36", 80.0), units="si").asks[0].row == "category B, over 65 mm"
    assert ask(mm("A36", 10.0), units="si").asks[0].row == "category B, 3 through 20 mm"


# ---------------------------------------------------------------- invariants

STEELS = ("A36", "A572-50", "A992", "A572-65", "A913-65", "A913-50", "A709-HPS70W")
ELECTRODES = ("E6010", "E7018", "E7018 H8")
thicknesses_mm = st.floats(3.5, 200.0)
all_units = st.sampled_from(("us", "si", "either"))
procedures = st.builds(Procedure, name=st.just("W1"), minimum_c=st.floats(0.0, 190.0), qualified_by_test=st.booleans())


@given(st.sampled_from(STEELS), thicknesses_mm, thicknesses_mm, all_units, st.booleans())
def test_thicker_never_needs_less(steel: str, a_mm: float, b_mm: float, units: CodeUnits, accepted: bool) -> None:
    thin, thick = (ask(mm(steel, t), units=units, accepted=accepted) for t in sorted((a_mm, b_mm)))
    assert known(thin) <= known(thick)
    assert (thin.extent_mm or 0.0) <= (thick.extent_mm or 0.0)


@given(st.sampled_from(STEELS), st.sampled_from(STEELS), thicknesses_mm, thicknesses_mm, all_units, st.booleans())
def test_a_second_part_never_lowers(a: str, b: str, a_mm: float, b_mm: float, units: CodeUnits, accepted: bool) -> None:
    alone = ask(mm(a, a_mm), units=units, accepted=accepted)
    together = ask(mm(a, a_mm), mm(b, b_mm), units=units, accepted=accepted)
    assert known(together) >= known(alone)
    assert together.not_accepted >= alone.not_accepted


@given(st.sampled_from(STEELS), thicknesses_mm, st.booleans(), st.sampled_from((None, 8.0, 16.0)))
def test_either_is_the_higher_of_both(steel: str, t_mm: float, accepted: bool, hydrogen_ml: float | None) -> None:
    us, si, either = (
        known(ask(mm(steel, t_mm), units=units, accepted=accepted, hydrogen_ml=hydrogen_ml))
        for units in ("us", "si", "either")
    )
    assert either == max(us, si)


@given(st.sampled_from(STEELS), thicknesses_mm, st.sampled_from((None, 4.0, 8.0)))
def test_acceptance_only_lowers_and_always_settles(steel: str, t_mm: float, hydrogen_ml: float | None) -> None:
    before, after = (ask(mm(steel, t_mm), accepted=accepted, hydrogen_ml=hydrogen_ml) for accepted in (False, True))
    assert known(after) <= known(before)
    assert not after.not_accepted


@given(st.sampled_from(("A36", "A516-70")), thicknesses_mm, all_units)
def test_other_than_low_hydrogen_never_needs_less(steel: str, t_mm: float, units: CodeUnits) -> None:
    stick, low = (ask(mm(steel, t_mm), units=units, process="SMAW", electrode=e) for e in ("E6010", "E7018"))
    assert known(stick) >= known(low)


@given(st.sampled_from(STEELS), thicknesses_mm, procedures, st.floats(0.0, 50.0), all_units)
def test_a_procedure_never_lowers_unless_by_test_and_more_is_never_less(
    steel: str, t_mm: float, own: Procedure, more_c: float, units: CodeUnits
) -> None:
    row_c = known(ask(mm(steel, t_mm), units=units))
    with_own = known(ask(mm(steel, t_mm), units=units, procedure=own))
    assert own.minimum_c is not None
    assert with_own >= (own.minimum_c if own.qualified_by_test else max(row_c, own.minimum_c))
    raised = Procedure("W1", own.minimum_c + more_c, None, own.qualified_by_test)
    try_raised = ask(mm(steel, t_mm), units=units, procedure=raised)
    if try_raised.maximum_c is None:
        assert known(try_raised) >= with_own


@given(st.sampled_from(STEELS), thicknesses_mm, all_units, st.floats(-60.0, 60.0))
def test_at_a_steel_temperature_never_below_the_minimum_and_colder_never_needs_less(
    steel: str, t_mm: float, units: CodeUnits, steel_c: float
) -> None:
    asked = ask(mm(steel, t_mm), units=units)
    at = minimum_at(asked, steel_c)
    assert at >= known(asked)
    assert minimum_at(asked, steel_c - 5.0) >= at
    if steel_c < 0.0:
        assert at >= asked.cold_floor_c
