"""The hydrogen-control method of AWS D1.1: its tables typed twice, what always holds, and the checker with bad tables.

The tables are from memory but for one cell that was read in a public answer: the second typing guards against slips of
the keyboard and is no reference.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import replace
from fractions import Fraction
from importlib import resources
from itertools import pairwise, product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.composition import RESTRAINTS, Composition, Restraint, pcm_percent
from frostshift_rules.hydrogen_control import (
    HYDROGEN_CONTROLS,
    LETTERS,
    LEVELS,
    SYSTEMS,
    HydrogenLevel,
    Letter,
    broken_hydrogen_control,
    hydrogen_control_cell,
    hydrogen_level,
    index_group,
    least_sure_source,
    load_hydrogen_control,
    parse_hydrogen_control,
)
from frostshift_rules.strict import BASES, OutOfRange, TableError
from frostshift_rules.units import System, c_from_f, mm_from_in

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"
ANNEX_H = "aws_d1_1_2015_annex_h"
SHIPPED = resources.files("frostshift_rules").joinpath("tables", f"{ANNEX_H}.toml").read_text(encoding="utf-8")
CONTROL = load_hydrogen_control(ANNEX_H)

levels = st.sampled_from(LEVELS)
letters = st.sampled_from(LETTERS)
restraints = st.sampled_from(RESTRAINTS)
systems = st.sampled_from(SYSTEMS)
pcms = st.floats(0.05, 0.3799)


def typed(name: str) -> list[dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def least(restraint: Restraint, group: Letter, thickness: float, system: System) -> tuple[float, bool]:
    """Figure in the system's unit, and whether it stands without "<": of two equal figures that asks for more."""
    cell = hydrogen_control_cell(CONTROL, restraint, group, thickness, system)
    return (cell.min_f if system == "us" else cell.min_c), not cell.lower_may_do


# ---------------------------------------------------------------- the tables, typed twice (from memory)


@pytest.mark.parametrize(("system", "edge"), [("us", "to_in"), ("si", "to_mm")])
def test_every_cell_is_as_typed_twice(system: System, edge: str) -> None:
    rows = typed(f"d1_1_annex_hydrogen_control_{system}.csv")
    assert [(row["restraint"], row[edge]) for row in rows] == [
        (restraint, "" if math.isinf(to) else f"{to:g}")
        for restraint in RESTRAINTS
        for to in [(band.to_in if system == "us" else band.to_mm) for band in CONTROL.bands]
    ]
    bands = {to: index for index, to in enumerate(dict.fromkeys(row[edge] for row in rows))}
    for row, group in product(rows, LETTERS):
        table_row = CONTROL.row(row["restraint"], CONTROL.bands[bands[row[edge]]])  # type: ignore[arg-type]
        sign = "<" if table_row.lower_may_do(group, system) else ""
        assert f"{sign}{table_row.minimum(group, system):g}" == row[group], (row["restraint"], row[edge], group)


def test_every_index_group_is_as_typed_twice() -> None:
    rows = typed("d1_1_annex_index_groups.csv")
    assert [(f"{band.below_percent:g}", *band.letters) for band in CONTROL.pcm_bands] == [
        (row["below_percent"], *(row[level] for level in LEVELS)) for row in rows
    ]


def test_the_public_example() -> None:
    # A public answer that quotes Table XI-2 of D1.1:2004, second hand: Pcm 0.25 to 0.28, H2, high restraint, 2 in is
    # group D and 300 °F.
    for pcm in (0.25, 0.2625, 0.2799):
        group = index_group(pcm, "H2", CONTROL)
        assert group.by_table == "D"
        assert group.letter == "D"
        cell = hydrogen_control_cell(CONTROL, "high", group.letter, 2.0, "us")
        assert (cell.min_f, cell.lower_may_do, cell.band_text) == (300.0, False, "over 1-1/2 through 3 in")
        assert cell.source.basis == "second hand"
        # The group is from memory, and a figure is no surer than the least sure fact it rests on.
        assert least_sure_source(group, cell).basis == "from memory"
    # The cell in °C was not in it, nor was any other.
    assert hydrogen_control_cell(CONTROL, "high", "D", 50.0, "si").source.basis == "from memory"
    assert hydrogen_control_cell(CONTROL, "high", "C", 2.0, "us").source.basis == "from memory"


def test_the_worked_composition() -> None:
    # Arithmetic check with a composition of ours, no reference: Pcm 0.2535, index 4.04 with H2.
    steel = Composition(c=0.16, si=0.25, mn=1.20, cu=0.25, ni=0.10, cr=0.10, mo=0.03, v=0.04, b=0.0)
    group = index_group(pcm_percent(steel), "H2", CONTROL)
    assert group.susceptibility_index == pytest.approx(4.042, abs=5e-4)
    # Rounded to the tenth that is printed, 4.0 would be C; 4.04 is past the end of C, so we read D.
    assert (group.letter, group.by_table, group.by_formula) == ("D", "D", "D")
    found = [least(r, "D", t, "us") for r, t in (("medium", 1.25), ("low", 1.25), ("high", 2.0))]  # type: ignore[arg-type]
    assert found == [(230.0, True), (175.0, True), (300.0, True)]


def test_the_file_says_what_it_is() -> None:
    assert CONTROL.name == "AWS D1.1/D1.1M:2015"
    assert any("hardness control" in text and "charts" in text for text in CONTROL.coverage.left_out)
    assert any("from memory" in text for text in CONTROL.coverage.checked_against)
    sources = [
        *(level.source for level in CONTROL.levels),
        *(band.source for band in CONTROL.pcm_bands),
        CONTROL.index.source,
        *(restraint.source for restraint in CONTROL.restraints),
        *(band.source for band in CONTROL.bands),
        *(row.source for row in CONTROL.rows),
        *(cell.source for cell in CONTROL.confirmed),
    ]
    assert all(source.clause and source.basis in BASES for source in sources)
    # No copy of the annex was at hand, so nothing may call itself seen.
    assert {source.basis for source in sources} == {"second hand", "from memory"}
    assert {row.source.basis for row in CONTROL.rows} == {"from memory"}
    assert all(level.source.basis == "second hand" for level in CONTROL.levels)


# ---------------------------------------------------------------- hydrogen levels


@pytest.mark.parametrize(
    ("hydrogen_ml", "level"),
    # H1 below 5, H2 below 10: a published article on hydrogen designators, second hand.
    [(4.0, "H1"), (4.99, "H1"), (5.0, "H2"), (8.0, "H2"), (9.99, "H2"), (10.0, "H3"), (16.0, "H3"), (None, "H3")],
)
def test_hydrogen_levels(hydrogen_ml: float | None, level: str) -> None:
    assert hydrogen_level(hydrogen_ml, CONTROL) == level


@pytest.mark.parametrize("hydrogen_ml", [0.0, -1.0, math.nan, math.inf])
def test_hydrogen_that_is_none_is_refused(hydrogen_ml: float) -> None:
    with pytest.raises(OutOfRange, match=r"^hydrogen_ml is .* mL/100 g, expected a number above 0"):
        hydrogen_level(hydrogen_ml, CONTROL)


# ---------------------------------------------------------------- index groups


@pytest.mark.parametrize(
    ("pcm", "level", "by_table", "by_formula"),
    [
        # The edge of a Pcm band belongs to the next one ("below").
        (0.1799, "H1", "A", "A"),
        (0.18, "H1", "B", "A"),
        (0.2299, "H2", "C", "C"),
        (0.23, "H2", "D", "C"),
        # Here the formula is the worse.
        (0.276, "H1", "C", "D"),
        (0.325, "H1", "D", "E"),
        (0.37, "H1", "E", "F"),
        (0.379, "H2", "F", "G"),
        (0.379, "H3", "G", "G"),
        # The printed end of a letter belongs to it: 12 x 0.25 + 1 = 4.0 is C.
        (0.25, "H2", "D", "C"),
    ],
)
def test_the_worse_letter_counts_and_both_are_shown(
    pcm: float, level: HydrogenLevel, by_table: str, by_formula: str
) -> None:
    group = index_group(pcm, level, CONTROL)
    assert (group.by_table, group.by_formula) == (by_table, by_formula)
    assert group.letter == max(by_table, by_formula)
    decides = CONTROL.index.source if by_formula > by_table else CONTROL.pcm_bands[0].source
    assert group.source == decides


def test_noise_of_a_sum_does_not_make_a_group_milder() -> None:
    noisy = math.nextafter(0.28, 0.0)
    assert index_group(noisy, "H2", CONTROL).letter == index_group(0.28, "H2", CONTROL).letter == "E"
    with pytest.raises(OutOfRange):
        index_group(math.nextafter(0.38, 0.0), "H1", CONTROL)


@given(pcms, levels)
def test_no_letter_is_below_either_reading(pcm: float, level: HydrogenLevel) -> None:
    group = index_group(pcm, level, CONTROL)
    assert group.letter >= group.by_table
    assert group.letter >= group.by_formula
    assert group.letter in (group.by_table, group.by_formula)


@given(pcms, pcms, levels)
def test_more_pcm_is_never_a_milder_group(a: float, b: float, level: HydrogenLevel) -> None:
    assert index_group(min(a, b), level, CONTROL).letter <= index_group(max(a, b), level, CONTROL).letter


@given(pcms)
def test_more_hydrogen_is_never_a_milder_group(pcm: float) -> None:
    found = [index_group(pcm, level, CONTROL).letter for level in LEVELS]
    assert found == sorted(found)


@pytest.mark.parametrize("pcm", [0.38, 0.45, 0.0, -0.1, math.nan])
def test_pcm_outside_the_table_has_no_group(pcm: float) -> None:
    with pytest.raises(OutOfRange, match=r"^Pcm is .* %, outside above 0 to below 0\.38 % of Annex H"):
        index_group(pcm, "H1", CONTROL)


def test_an_unknown_level_is_refused_with_those_there_are() -> None:
    with pytest.raises(OutOfRange, match="hydrogen level is 'H4', expected one of H1, H2, H3"):
        index_group(0.2, "H4", CONTROL)


# ---------------------------------------------------------------- cells


@pytest.mark.parametrize(
    ("thickness", "system", "band"),
    [
        # The first edge belongs to the thicker band, every other edge to the thinner (from memory).
        (0.25, "us", "under 3/8 in"),
        (0.3749, "us", "under 3/8 in"),
        (0.375, "us", "3/8 through 3/4 in"),
        (0.75, "us", "3/8 through 3/4 in"),
        (0.7501, "us", "over 3/4 through 1-1/2 in"),
        (1.5, "us", "over 3/4 through 1-1/2 in"),
        (1.5001, "us", "over 1-1/2 through 3 in"),
        (3.0, "us", "over 1-1/2 through 3 in"),
        (3.0001, "us", "over 3 in"),
        (9.99, "si", "under 10 mm"),
        (10.0, "si", "10 through 20 mm"),
        (20.0, "si", "10 through 20 mm"),
        (20.01, "si", "over 20 through 38 mm"),
        (38.0, "si", "over 20 through 38 mm"),
        (38.1, "si", "over 38 through 75 mm"),
        (75.0, "si", "over 38 through 75 mm"),
        (75.01, "si", "over 75 mm"),
    ],
)
def test_edges_of_the_bands(thickness: float, system: System, band: str) -> None:
    assert hydrogen_control_cell(CONTROL, "medium", "D", thickness, system).band_text == band


def test_the_names_of_the_bands_are_their_edges() -> None:
    def edges(text: str) -> list[float]:
        found = re.findall(r"(?:(\d+)-)?(\d+(?:/\d+)?)", text)
        return [float(Fraction(whole or 0) + Fraction(rest)) for whole, rest in found]

    for number, band in enumerate(CONTROL.bands):
        under = CONTROL.bands[number - 1] if number else None
        ends_in = [under.to_in if under else math.inf, band.to_in]
        ends_mm = [under.to_mm if under else math.inf, band.to_mm]
        assert edges(band.us) == [end for end in ends_in if math.isfinite(end)]
        assert edges(band.si) == [end for end in ends_mm if math.isfinite(end)]
    assert CONTROL.edges_in == (0.375, 0.75, 1.5, 3.0)


def test_the_two_cells_remembered_in_two_versions_are_the_higher_one_in_si_only() -> None:
    # From memory, as 20 and as < 20; °F is < 65 in both.
    for restraint, group, inch, mm in (("medium", "A", 1.0, 25.0), ("high", "C", 0.25, 8.0)):
        assert least(restraint, group, inch, "us") == (65.0, False)  # type: ignore[arg-type]
        assert least(restraint, group, mm, "si") == (20.0, True)  # type: ignore[arg-type]


@given(restraints, letters, st.floats(0.01, 8.0), st.floats(0.01, 8.0), systems)
def test_thicker_never_needs_less(restraint: Restraint, group: Letter, a: float, b: float, system: System) -> None:
    unit = 1.0 if system == "us" else 25.0
    thin, thick = sorted((a * unit, b * unit))
    assert least(restraint, group, thin, system) <= least(restraint, group, thick, system)


@given(restraints, restraints, letters, letters, st.floats(0.01, 8.0), systems)
def test_a_worse_group_or_restraint_never_needs_less(
    r1: Restraint, r2: Restraint, g1: Letter, g2: Letter, thickness: float, system: System
) -> None:
    loose, tight = sorted((r1, r2), key=RESTRAINTS.index)
    mild, harsh = sorted((g1, g2))
    size = thickness if system == "us" else thickness * 25.0
    assert least(loose, mild, size, system) <= least(tight, harsh, size, system)


def test_both_unit_systems_agree_in_every_cell() -> None:
    # The code prints °C to the next 5: 100 °F (37.8 °C) is 40 °C.
    for row in CONTROL.rows:
        for min_f, min_c in zip(row.min_f, row.min_c, strict=True):
            assert abs(c_from_f(min_f) - min_c) <= 3.0
            assert 18.0 <= min_c <= 160.0
    for band in CONTROL.bands[:-1]:
        assert abs(mm_from_in(band.to_in) - band.to_mm) <= 1.5


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (("some", "D", 1.0, "us"), "restraint is 'some', expected one of low, medium, high"),
        (("low", "H", 1.0, "us"), "index group is 'H', expected one of A, B, C"),
        (("low", "D", 1.0, "metric"), "unit system is 'metric', expected one of us, si"),
        (("low", "D", 0.0, "us"), "thickness is 0 in, expected a number above 0"),
        (("low", "D", math.nan, "si"), "thickness is nan mm"),
        (("low", "D", math.inf, "si"), "thickness is inf mm"),
    ],
)
def test_what_the_table_does_not_have_is_refused(asked: tuple[str, str, float, str], said: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        hydrogen_control_cell(CONTROL, *asked)  # type: ignore[arg-type]
    assert said in str(refused.value)


# ---------------------------------------------------------------- the checker, with bad tables

HIGH_TO_3_IN = "min_f = [240, 265, 300, 300, 320, 320, 320]"
LOW_TO_3_8_IN = "min_f = [65, 65, 65, 65, 140, 280, 300]\nmin_c = [20, 20, 20, 20, 60, 140, 150]"
LOW_OVER_3_IN = """band = "over 3 in"
min_f = [65, 65, 100, 200, 250, 280, 300]
min_c = [20, 20, 40, 95, 120, 140, 150]
lower_may_do_f = []"""
ROW_OF_MEDIUM = 'restraint = "medium"\nband = "over 3/4 through 1-1/2 in"'

BAD = [
    # What was changed, the change, what the error has to name.
    (
        "a lost digit",
        HIGH_TO_3_IN,
        HIGH_TO_3_IN.replace("265", "26"),
        "row 14: 'min_f' is 26, outside 32 to 500",
    ),
    (
        "a slip between the unit systems",
        "min_f = [65, 65, 165, 230,",
        "min_f = [65, 65, 165, 320,",
        "medium restraint, over 3/4 through 1-1/2 in, group D: 320 °F and 110 °C are not the same",
    ),
    (
        "a thicker band that needs less",
        HIGH_TO_3_IN,
        "min_f = [180, 265, 300, 300, 320, 320, 320]",
        "high restraint, over 1-1/2 through 3 in, group A: 180 °F and 115 °C are not the same",
    ),
    (
        "a thicker band that needs less in both systems",
        'min_f = [65, 65, 65, 175, 230, 280, 300]\nmin_c = [20, 20, 20, 80, 110, 140, 150]',
        'min_f = [65, 65, 65, 100, 230, 280, 300]\nmin_c = [20, 20, 20, 40, 110, 140, 150]',
        "low restraint, over 3/4 through 1-1/2 in, group D: needs less than low restraint, 3/8 through 3/4 in",
    ),
    (
        "a higher group that needs less",
        LOW_TO_3_8_IN,
        LOW_TO_3_8_IN.replace("140, 280, 300", "140, 280, 140").replace("140, 150", "140, 60"),
        "low restraint, under 3/8 in: group G needs less than F",
    ),
    (
        "a higher restraint that needs less",
        'min_f = [65, 65, 65, 65, 160, 280, 320]\nmin_c = [20, 20, 20, 20, 70, 140, 160]',
        'min_f = [65, 65, 65, 65, 100, 280, 320]\nmin_c = [20, 20, 20, 20, 40, 140, 160]',
        "medium restraint, under 3/8 in, group E: needs less than low restraint, under 3/8 in",
    ),
    (
        "a mark that comes back in a thicker band",
        LOW_OVER_3_IN,
        LOW_OVER_3_IN.replace("lower_may_do_f = []", 'lower_may_do_f = ["A"]'),
        "low restraint, over 3 in, group A: needs less than low restraint, over 1-1/2 through 3 in",
    ),
    (
        "a mark on a figure that is not the least",
        'lower_may_do_f = ["A", "B", "C", "D"]',
        'lower_may_do_f = ["A", "B", "C", "D", "E"]',
        "low restraint, under 3/8 in, group E: marked with < and not the least figure",
    ),
    ("not what was confirmed", "min_f = 300\n", "min_f = 280\n", "group D: not the 280 °F of Table XI-2"),
    ("six groups", HIGH_TO_3_IN, "min_f = [240, 265, 300, 300, 320, 320]", "'min_f' has 6 numbers, expected 7"),
    ("a band misspelt", ROW_OF_MEDIUM, ROW_OF_MEDIUM.replace("3/4 ", "3/5 "), "row 8: 'band' is 'over 3/5 through"),
    ("a row twice", ROW_OF_MEDIUM, ROW_OF_MEDIUM.replace("medium", "low"), "through 1-1/2 in: 2 rows, expected 1"),
    ("a row missing", ROW_OF_MEDIUM, ROW_OF_MEDIUM.replace("medium", "low"), "through 1-1/2 in: 0 rows, expected 1"),
    ("a restraint misspelt", ROW_OF_MEDIUM, ROW_OF_MEDIUM.replace("medium", "middle"), "one of low, medium, high"),
    ("a letter too many", '["A", "B", "C", "D"]', '["A", "B", "C", "H"]', "'lower_may_do_f' has 'H', expected some of"),
    ("a letter twice", '["A", "B", "C", "D"]', '["A", "B", "C", "C"]', "'lower_may_do_f' has a letter twice"),
    ("a key misspelt", "lower_may_do_c =", "lower_may_do_k =", "row 1: key 'lower_may_do_c' is missing"),
    ("a key too many", "pcm_weight = 12", "pcm_weight = 12\npcm_wait = 1", "[index]: unknown key 'pcm_wait'; known"),
    ("no clause", 'clause = "Table H.1"', 'clause = ""', "pcm_band 1: 'clause' is empty"),
    ("no such basis", 'basis = "from memory"', 'basis = "sure"', "expected one of seen, second hand, from memory"),
    ("no such letter", 'H3 = "G"', 'H3 = "K"', "pcm_band 5: 'H3' is 'K', expected one of A, B, C"),
    ("more Pcm is milder", 'H1 = "D"', 'H1 = "B"', "Pcm below 0.33 %, H1: more Pcm is milder"),
    ("more hydrogen is milder", 'H2 = "E"', 'H2 = "C"', "Pcm below 0.33 %: more hydrogen is milder"),
    ("Pcm turned round", "below_percent = 0.23", "below_percent = 0.17", "the limits of Pcm do not rise"),
    ("Pcm a tenth", "below_percent = 0.23", "below_percent = 0.023", "'below_percent' is 0.023, outside 0.05 to 1"),
    ("letters turned round", "[3.0, 3.5,", "[3.5, 3.0,", "the letters of the index do not rise"),
    ("letters too few", ", 5.5, 7.0]", ", 7.0]", "'letters_to' has 6 numbers, expected 7"),
    ("hydrogen turned round", "[5, 10, 30]", "[5, 30, 10]", "the hydrogen of the index does not rise"),
    ("hydrogen too mild", "[5, 10, 30]", "[4, 10, 30]", "the index counts H1 with 4 mL/100 g, less than its limit 5"),
    ("a level misspelt", 'name = "H2"', 'name = "H5"', "level 2: 'name' is 'H5', expected one of H1, H2, H3"),
    ("a level twice", 'name = "H2"', 'name = "H1"', "hydrogen levels are not H1, H2, H3"),
    ("levels turned round", "below_ml = 10", "below_ml = 4", "the limits of the hydrogen levels do not rise"),
    ("a closed last level", 'meaning = "hydrogen not', 'below_ml = 15\nmeaning = "hydrogen not', "level is not open"),
    ("a restraint twice", 'name = "medium"', 'name = "low"', "restraints are not low, medium, high"),
    ("edges mixed up", "to_mm = 38", "to_mm = 65", "band 'over 3/4 through 1-1/2 in': edges 1.5 in and 65 mm"),
    ("edges turned round", "to_in = 1.5", "to_in = 0.7", "of band 'over 3/4 through 1-1/2 in' are not above those"),
    ("half an edge", "to_mm = 38\n", "", "band 3: expected 'below_in' and 'below_mm', or 'to_in' and 'to_mm'"),
    ("a closed last band", 'si = "over 75 mm"', 'si = "over 75 mm"\nto_in = 8\nto_mm = 200', "last band is not open"),
    ("a band named twice", 'si = "over 75 mm"', 'si = "under 10 mm"', "band 'under 10 mm' is there twice"),
    ("no TOML", "[[row]]", "[[row", "not readable as TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), [bad[1:] for bad in BAD], ids=[bad[0] for bad in BAD])
def test_a_bad_table_is_refused_with_file_and_reason(old: str, new: str, said: str) -> None:
    assert old in SHIPPED
    with pytest.raises(TableError, match=r"^bad\.toml") as refused:
        parse_hydrogen_control(SHIPPED.replace(old, new, 1), "bad.toml")
    assert said in str(refused.value)


def test_any_single_figure_that_is_off_is_refused_or_typed_twice() -> None:
    # 40 °F up or down in one cell is over the rounding between the unit systems: the house rules alone see it.
    for number, group, step in product(range(len(CONTROL.rows)), range(len(LETTERS)), (-40.0, 40.0)):
        row = CONTROL.rows[number]
        figures = (*row.min_f[:group], row.min_f[group] + step, *row.min_f[group + 1 :])
        rows = (*CONTROL.rows[:number], replace(row, min_f=figures), *CONTROL.rows[number + 1 :])
        assert broken_hydrogen_control(replace(CONTROL, rows=rows))


@pytest.mark.parametrize("control_id", HYDROGEN_CONTROLS)
def test_house_rules_hold(control_id: str) -> None:
    control = load_hydrogen_control(control_id)
    assert control.id == control_id
    assert broken_hydrogen_control(control) == ()
    assert all(below < above for below, above in pairwise(control.edges_in))


def test_an_unknown_table_is_named_with_those_there_are() -> None:
    with pytest.raises(TableError, match=f"'annex' is not known; known are {ANNEX_H}"):
        load_hydrogen_control("annex")
