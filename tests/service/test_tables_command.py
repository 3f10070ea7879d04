"""The command `frostshift tables` as a process of its own; and nothing of any rule table is left out of its view."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from frostshift_rules.code_table import Band, CodeTable
from frostshift_rules.coverage import coverage_text
from frostshift_rules.electrodes import electrode_table
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, LETTERS, load_hydrogen_control
from frostshift_rules.operations import operations
from frostshift_rules.people import people_table, wind_chill_c
from frostshift_rules.strict import Source
from frostshift_rules.tables import AROUND_TABLES, acceptable_ids, code_table_ids, load_code_table
from frostshift_service.views.rule_around import CHILL
from frostshift_service.views.rule_code import OURS
from frostshift_service.views.rule_section import Section, in_order, inches
from frostshift_service.views.rule_table import WIDTH, TablePage, table_ids, table_page, table_text

ROOT = Path(__file__).parents[2]
TOML = resources.files("frostshift_rules").joinpath("tables")
D1_1 = "aws_d1_1_2015_t3_3"
SHOWN = (*acceptable_ids(), *AROUND_TABLES)


def frostshift(*arguments: str, data: Path, group: str = "tables") -> subprocess.CompletedProcess[bytes]:
    """The real process."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("FROSTSHIFT_")}
    environment["FROSTSHIFT_DATA_DIR"] = str(data)
    command = [sys.executable, "-m", "frostshift_service.cli", group, *arguments]
    return subprocess.run(command, capture_output=True, env=environment, cwd=data, timeout=120, check=False)


def said(*arguments: str, data: Path, group: str = "tables") -> str:
    done = frostshift(*arguments, data=data, group=group)
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout.decode()


def text_of(table_id: str, name: str) -> str:
    """A table that ships under another id, as a site may bring it."""
    shipped = TOML.joinpath(f"{table_id}.toml").read_text(encoding="utf-8")
    return re.sub(r"(?m)^id = .*$", f'id = "{name}"', shipped)


# The process ----------------------------------------------------------------------------------------------------------


def test_the_coverage_page_is_made_by_the_command(tmp_path: Path) -> None:
    done = frostshift("--coverage", data=tmp_path)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout == coverage_text().encode("utf-8")
    assert done.stdout == (ROOT / "rules" / "README.md").read_bytes()


def test_a_table_is_printed_in_full_and_ends_with_how_to_accept_it(tmp_path: Path) -> None:
    text = said("show", D1_1, data=tmp_path)
    assert re.search(r"over 3/4 through 1-1/2 +50 +over 20 through 38 +10 +no\n", text)
    assert "A572-50" in text
    assert text.endswith(f"  frostshift site accept-table --by NAME --table {D1_1}\n")


def test_the_stud_rule_is_found(tmp_path: Path) -> None:
    """AWS D1.1, clause on stud welding: from memory; the figures are not checked here, only that they are shown."""
    text = said("show", "operations", data=tmp_path)
    studs = text[text.index("ARC-WELDED STUDS") : text.index("TORCH")]
    assert "below 0 °F / -17.8 °C" in studs
    assert "Below 32 °F / 0 °C: bend 1 more stud in every 100" in studs
    assert "AWS D1.1, clause on stud welding (7; 9 in the 2020 edition) (from memory)" in studs
    assert "site accept-table" not in text


def test_json_is_the_view(tmp_path: Path) -> None:
    found = json.loads(said("show", "aws_d1_1_2015_annex_h", "--json", data=tmp_path))
    assert found["table"]["id"] == "aws_d1_1_2015_annex_h"
    assert found["table"]["standing"]["accepted_on"] is None
    high = next(one for one in found["chapters"] if one["heading"] == "Minimum, high restraint")
    assert high["sections"][0]["head"] == ["Thickness", *LETTERS]
    assert high["sections"][0]["rows"][1] == ["3/8 through 3/4 in", "< 65", "65", "150", "220", "280", "320", "320"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("show", "nothing"), "There is no rule table 'nothing'; there are aws_d1_1_2015_t3_3, "),
        (("show", "ours"), "'ours'"),
        (("show", D1_1, "--site", "nowhere"), "there is no site 'nowhere'"),
        (("--site", "nowhere", "show", D1_1), "Options go behind show."),
    ],
)
def test_what_is_not_there_is_said(tmp_path: Path, arguments: tuple[str, ...], words: str) -> None:
    done = frostshift(*arguments, data=tmp_path)
    assert (done.returncode, done.stdout) == (1, b"")
    assert words in done.stderr.decode()
    assert b"Traceback" not in done.stderr
    if arguments == ("show", "nothing"):
        assert all(table_id in done.stderr.decode() for table_id in SHOWN)


def test_a_sites_own_table_and_who_accepted_it(tmp_path: Path) -> None:
    said("template", "site.toml", data=tmp_path, group="site")
    site = (tmp_path / "site.toml").read_text(encoding="utf-8")
    own = site.replace(f'table = "{D1_1}"', 'own_tables = ["ours.toml"]\ntable = "ours"')
    (tmp_path / "site.toml").write_text(own, encoding="utf-8")
    (tmp_path / "ours.toml").write_text(text_of(D1_1, "ours").replace("min_f = 225", "min_f = 230"), encoding="utf-8")
    said("load", "site.toml", data=tmp_path, group="site")
    text = said("show", "ours", data=tmp_path)
    assert re.search(r"over 2-1/2 +230 +over 65 +110", text)
    flat = " ".join(text.split())
    assert "not accepted, its own table, the one it uses" in flat
    assert text.endswith("  frostshift site accept-table --by NAME --table ours --site my-site\n")
    said("accept-table", "--by", "Q. Arden", data=tmp_path, group="site")
    text = " ".join(said("show", "ours", "--site", "my-site", data=tmp_path).split())
    assert re.search(r"accepted by Q\. Arden, \d{4}-\d\d-\d\d, its own table, the one it uses\.$", text)
    assert "accept-table" not in text
    assert "not accepted" in said("show", D1_1, data=tmp_path)


# Nothing is left out --------------------------------------------------------------------------------------------------


def values(table_id: str) -> Any:
    around = {"electrodes": electrode_table, "operations": operations, "people": people_table}
    if table_id in around:
        return around[table_id]()
    return load_hydrogen_control(table_id) if table_id in HYDROGEN_CONTROLS else load_code_table(table_id)


def leaves(value: Any) -> Iterator[Any]:
    """Every source, number and text of a table."""
    if isinstance(value, Source) or not isinstance(value, tuple | frozenset) and not is_dataclass(value):
        yield value
    elif isinstance(value, tuple | frozenset):
        for item in value:
            yield from leaves(item)
    else:
        # What no reader of the code would look for: ids, and edges that are those of the rows once more.
        for field in fields(value):
            if field.name not in ("id", "kind", "edges_in", "hydrogen_control_id", "group_word"):
                yield from leaves(getattr(value, field.name))


def sections(page: TablePage) -> list[Section]:
    return [section for chapter in page.chapters for section in chapter.sections]


def sources_shown(page: TablePage) -> set[tuple[str, str]]:
    found = {(one.clause, one.basis) for section in sections(page) for one in (section, *section.facts)}
    for section in sections(page):
        if section.head[-2:] == ("Clause", "Our copy"):
            found |= {row[-2:] for row in section.rows}
        elif section.head[-1:] == ("Our copy",):
            found |= {(section.clause, row[-1]) for row in section.rows}
    return found


def number(text: str) -> float:
    """`1-1/2`, `3/8`, `-18` or `0.005` as a number."""
    whole = re.fullmatch(r"(?:(\d+)-)?(\d+/\d+)", text)
    if whole:
        return int(whole[1] or 0) + float(Fraction(whole[2]))
    return float(text)


def numbers(text: str) -> set[float]:
    return {number(one) for one in re.findall(r"\d+-\d+/\d+|\d+/\d+|(?<![\w.])-?\d+(?:\.\d+)?|\d+(?:\.\d+)?", text)}


def band(text: str) -> tuple[float, float]:
    """Lower and upper edge of a shown band."""
    over, _, to = text.removeprefix("over ").removesuffix(" and over").partition("through ")
    return (number(over.strip()) if over.strip() else 0.0, number(to) if to else math.inf)


@pytest.mark.parametrize("table_id", SHOWN)
def test_every_source_number_and_name_of_a_table_is_shown(table_id: str) -> None:
    page = table_page(table_id, None)
    text = table_text(page)
    assert max(map(len, text.splitlines())) <= WIDTH == 100
    flat = " ".join(
        [
            *(f"{one.label} {one.text}" for section in sections(page) for one in section.facts),
            *(" ".join((section.heading, section.note, *section.head)) for section in sections(page)),
            *(" ".join(row) for section in sections(page) for row in section.rows),
            *(chapter.heading for chapter in page.chapters),
            *page.table.checked_against,
            *page.table.left_out,
            page.table.name,
            page.table.title,
            page.table.clause,
        ]
    )
    sources, figures = sources_shown(page), numbers(flat)
    for value in leaves(values(table_id)):
        if isinstance(value, Source):
            assert any(value.clause in clause and value.basis == basis for clause, basis in sources), value
        elif isinstance(value, str):
            assert not value or value.casefold() in f"{flat} {sources}".casefold(), value
        elif isinstance(value, bool) or value is None or math.isinf(value):
            continue
        else:
            assert value in figures, value


@pytest.mark.parametrize("table_id", code_table_ids())
def test_every_row_of_a_code_table_stands_under_its_category(table_id: str) -> None:
    code, page = load_code_table(table_id), table_page(table_id, None)
    for category in code.categories:
        chapter = next(one for one in page.chapters if one.heading.endswith(f" {category.name}"))
        rows = next(one for one in chapter.sections if one.head).rows
        assert [
            (band(in_), float(f), band(mm), float(c), mark) for in_, f, mm, c, mark in (row[:5] for row in rows)
        ] == [
            ((b.over_in, b.to_in), row.min_f, (b.over_mm, b.to_mm), row.min_c, "yes" if row.cold_mark else "no")
            for row in code.rows_of(category.name)
            for b in [row.band]
        ]
        steels = [one.text for section in chapter.sections if section.heading == "Steels" for one in section.facts]
        assert [frozenset(text.split(", ")) for text in steels] == [
            one.names for one in code.steels if one.category == category.name
        ]
    shown = [row for one in sections(page) if one.head[1:2] == ("°F at most",) for row in one.rows]
    assert sorted((band(row[0]), float(row[1]), band(row[2]), float(row[3])) for row in shown) == sorted(
        (edges(one.band)[0], one.max_f, edges(one.band)[1], one.max_c) for one in code.maxima
    )
    assert {frozenset(one.heading.split(", ")) for one in sections(page) if one.head[1:2] == ("°F at most",)} == {
        one.names for one in code.maxima
    }
    assert_by_test(code, page)


def edges(found: Band) -> tuple[tuple[float, float], tuple[float, float]]:
    return (found.over_in, found.to_in), (found.over_mm, found.to_mm)


def assert_by_test(code: CodeTable, page: TablePage) -> None:
    rows = [row for one in sections(page) if one.heading.startswith("What such a procedure") for row in one.rows]
    expected = () if code.by_test is None else code.by_test.rows
    assert [(band(row[0]), float(row[1]), band(row[2]), float(row[3])) for row in rows] == [
        (edges(row.band)[0], row.min_f, edges(row.band)[1], row.min_c) for row in expected
    ]


def test_every_cell_of_the_hydrogen_control_tables_stands_in_its_place() -> None:
    raw = tomllib.loads(TOML.joinpath("aws_d1_1_2015_annex_h.toml").read_text(encoding="utf-8"))
    bands = {one["us"]: one["si"] for one in raw["band"]}
    page = table_page("aws_d1_1_2015_annex_h", None)
    for restraint in ("low", "medium", "high"):
        chapter = next(one for one in page.chapters if one.heading == f"Minimum, {restraint} restraint")
        for section, unit in zip(chapter.sections, "fc", strict=True):
            assert section.heading == f"In °{unit.upper()}"
            assert section.rows == tuple(
                (
                    row["band"] if unit == "f" else bands[row["band"]],
                    *(
                        f"{'< ' if letter in row[f'lower_may_do_{unit}'] else ''}{figure}"
                        for letter, figure in zip("ABCDEFG", row[f"min_{unit}"], strict=True)
                    ),
                )
                for row in raw["row"]
                if row["restraint"] == restraint
            )


def test_every_hour_of_the_electrode_table_stands_in_its_column() -> None:
    raw = tomllib.loads(TOML.joinpath("electrodes.toml").read_text(encoding="utf-8"))
    shown = [one for one in sections(table_page("electrodes", None)) if one.head[:1] == ("Electrode",)]
    for section, column in zip(shown, ("column_a", "column_b"), strict=True):
        stored = [row[column] for row in raw["row"] if column in row]
        assert [float(row[2]) for row in section.rows] == [one["hours"] for one in stored]
    assert [row[-1] for row in shown[0].rows] == [row["column_a"]["basis"] for row in raw["row"]]


def test_the_warm_up_grid_as_stored() -> None:
    raw = tomllib.loads(TOML.joinpath("people.toml").read_text(encoding="utf-8"))["warm_up"]
    grid = next(one for one in sections(table_page("people", None)) if one.head[:1] == ("Air, °F",))
    assert [head.split() for head in grid.head[3:7]] == [
        [str(mph), "mph", "/", str(kmh), "km/h"] for mph, kmh in zip(raw["wind_mph"], raw["wind_kmh"], strict=True)
    ]
    for shown, row in zip(grid.rows, raw["row"], strict=True):
        cells = [re.sub(r",? breaks?", "", cell).replace(",", "") for cell in shown[2:7]]
        assert cells == row["cells"]
        assert shown[0] == (f"{row['from_f']} to {row['to_f']}" if "to_f" in row else f"{row['from_f']} and below")
        assert shown[1] == (f"{row['from_c']} to {row['to_c']}" if "to_c" in row else f"{row['from_c']} and below")


def test_the_wind_chill_formula_is_the_one_that_is_worked_with() -> None:
    a, b, c, power, d, again = (float(one) for one in re.findall(r"\d+\.\d+", CHILL))
    assert power == again
    air_c, kmh = -20.0, 30.0
    shown = a + b * air_c - c * kmh**power + d * air_c * kmh**power
    assert shown == pytest.approx(float(wind_chill_c(air_c, kmh / 3.6)))


def test_the_formula_of_method_b_as_the_standard_prints_it() -> None:
    """EN 1011-2:2001, Annex C: the equation in public transcriptions (second hand)."""
    text = table_text(table_page("en_1011_2_2001_method_b", None))
    assert "Tp = 697 CET + 160 tanh(d / 35) + 62 HD^0.35 + (53 CET - 32) Q - 328" in text
    cet = re.search(r"CET: (C \+ .+), mass shares", text)
    assert cet is not None
    assert set(cet[1].split(" + ")) == {"C", "Mn/10", "Mo/10", "Cr/20", "Cu/20", "Ni/40"}


@pytest.mark.parametrize(
    ("table_id", "words"),
    [
        # AWS D1.1:2015 as the table file has it: quotations, second hand.
        (D1_1, "steel below 32 °F / 0 °C needs at least 70 °F / 20 °C"),
        (D1_1, "as far as the thickest part is thick, at least 3 in / 75 mm"),
        (D1_1, "Air at the weld: at least 0 °F / -20 °C"),
        (D1_1, "FCAW-G, GMAW, GTAW: at most 5 mph / 8 km/h"),
        ("aws_d1_1_2015_annex_h", "H1 extra low hydrogen below 5 mL/100 g"),
        # ISO 13916, seen.
        (D1_1, "Up to 50 mm: 4 times the thickness from the groove edge, at most 50 mm"),
        (D1_1, "Over 50 mm: at least 75 mm from the groove edge"),
        (D1_1, "wait 2 min for every 25 mm of thickness"),
        # AWS D1.1:2015, 5.3.2: storage seen, baking of A5.1 second hand.
        ("electrodes", "into an oven of at least 250 °F / 120 °C"),
        ("electrodes", "back in an oven of at least 250 °F / 120 °C for at least 4 h"),
        ("electrodes", "AWS A5.1 2 500 to 800 260 to 430 second hand"),
        ("electrodes", "AWS A5.5 1 700 to 800 370 to 430 seen"),
        ("electrodes", "at most 50 % of the final temperature for at least 0.5 h"),
        # From memory or common practice, no copy read.
        ("operations", "many procedures add 50 °F / 28 K"),
        ("operations", "Steel: at most 1200 °F / 650 °C"),
        ("operations", "Quenched and tempered steel: at most 1100 °F / 590 °C"),
        ("operations", "SMAW 3/16 5 SAW, GMAW, FCAW-G, FCAW-S 1/4 6"),
        ("operations", "Coldest crayon: 100 °F / 38 °C"),
        # US National Weather Service, 2001.
        ("people", "Air: up to 50 °F / 10 °C"),
        ("people", "over 3 mph / 4.8 km/h"),
        ("people", "Wind chill of -18 °F / -28 °C or less: bare skin can freeze within 30 min"),
        # EN 1011-2:2001, Annex C: ranges second hand, limits from memory.
        (
            "en_1011_2_2001_method_b",
            "CET 0.2 0.5 % Thickness d 10 90 mm Hydrogen HD 1 20 mL/100 g Heat input Q 0.5 4 kJ/mm",
        ),
        ("en_1011_2_2001_method_b", "C 0.05 0.32 Si 0 0.8 Mn 0.5 1.9"),
    ],
)
def test_figures_stand_beside_their_own_words(table_id: str, words: str) -> None:
    assert words in " ".join(table_text(table_page(table_id, None)).split())


@pytest.mark.parametrize("file", [one.name for one in TOML.iterdir() if b"[converted_edge]" in one.read_bytes()])
def test_the_source_of_the_converted_edge_is_what_the_file_says(file: str) -> None:
    edge = tomllib.loads(TOML.joinpath(file).read_text(encoding="utf-8"))["converted_edge"]
    assert (edge["clause"], edge["basis"]) == (OURS.clause, OURS.basis)


def test_every_table_that_ships_can_be_shown() -> None:
    not_rules = {"cylinders", "gases", "heat_sources", "oxygen", "published_draw", "saturation", "withdrawal"}
    assert {one.name.removesuffix(".toml") for one in TOML.iterdir()} - not_rules == set(table_ids(None))


def test_small_texts() -> None:
    assert [inches(one) for one in (0.125, 0.75, 1.5, 3.0, 1.03125, 0.3)] == [
        "1/8",
        "3/4",
        "1-1/2",
        "3",
        "1.03125",
        "0.3",
    ]
    assert in_order(["A131", "A36", "A53-B", "A1008", "A53-A"]) == ("A36", "A53-A", "A53-B", "A131", "A1008")
