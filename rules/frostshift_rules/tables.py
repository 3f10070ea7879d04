"""Rule tables: from their TOML files, read strictly, to values.

A table is a file in `tables/`, one an edition, or one that a site brings. An edition whose figures are those of another
is a short file that names the other, what was renumbered, and how sure that is.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache, lru_cache
from typing import Any, Final, TypeVar

from frostshift_rules.code_table import (
    PROCESSES,
    Ambient,
    Band,
    ByTest,
    Category,
    CodeTable,
    ColdSteel,
    ElectrodeKind,
    Extent,
    Maximum,
    Measuring,
    Row,
    SteelList,
    Wind,
)
from frostshift_rules.composition import read_method_b
from frostshift_rules.house_rules import broken_rules
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, load_hydrogen_control
from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import (
    Basis,
    Section,
    Source,
    TableError,
    coverage_of,
    least_sure,
    read_toml,
    shipped,
    source_of,
    standard_source_of,
)

T = TypeVar("T")

CODE_TABLES: Final = (
    "aws_d1_1_2015_t3_3",
    "aws_d1_1_2010_t3_2",
    "aws_d1_1_2020_t5_8",
    "aws_d1_5_2015_t4_3",
    "en_1011_2_2001_method_b",
)
"""Ids of the code tables that ship; the file is named after the id."""

AROUND_TABLES: Final = ("electrodes", "operations", "people")
"""Ids of the tables around the preheat figure; they stand for every job, so nobody accepts them."""


def _steel_names(section: Section) -> frozenset[str]:
    names = section.texts("names")
    if not names:
        raise TableError(f"{section.where}: 'names' is empty")
    for name in names:
        try:
            spelling = canonical_steel(name.removesuffix("-*"))
        except ValueError as error:
            raise TableError(f"{section.where}: {error}") from error
        if spelling != name.removesuffix("-*"):
            raise TableError(f"{section.where}: steel '{name}' has to be spelt '{spelling}'")
    return _once(section, "names", names)


def _once(section: Section, key: str, values: Sequence[str]) -> frozenset[str]:
    twice = sorted({value for value in values if values.count(value) > 1})
    if twice:
        raise TableError(f"{section.where}: '{twice[0]}' stands twice in '{key}'")
    return frozenset(values)


def _band(section: Section) -> Band:
    to_in = section.optional_number("to_in", 0.0, 20.0)
    to_mm = section.optional_number("to_mm", 0.0, 500.0)
    return Band(
        over_in=section.number("over_in", 0.0, 20.0),
        to_in=math.inf if to_in is None else to_in,
        over_mm=section.number("over_mm", 0.0, 500.0),
        to_mm=math.inf if to_mm is None else to_mm,
    )


def _processes(section: Section) -> frozenset[str]:
    names = section.texts("processes")
    if not names:
        raise TableError(f"{section.where}: 'processes' is empty")
    for name in names:
        if name not in PROCESSES:
            raise TableError(f"{section.where}: process '{name}' is not one of {', '.join(PROCESSES)}")
    return _once(section, "processes", names)


def _category(section: Section) -> Category:
    return Category(
        name=section.text("name"),
        covers=section.text("covers"),
        processes=_processes(section),
        low_hydrogen=section.flag("low_hydrogen"),
        hydrogen_ml=section.optional_number("hydrogen_ml", 1.0, 30.0),
        source=standard_source_of(section),
    )


def _row(section: Section) -> Row:
    return Row(
        category=section.text("category"),
        band=_band(section),
        min_f=section.number("min_f", 32.0, 500.0),
        min_c=section.number("min_c", 0.0, 260.0),
        cold_mark=section.flag("cold_mark"),
        source=standard_source_of(section),
    )


def _maximum(section: Section) -> Maximum:
    return Maximum(
        names=_steel_names(section),
        band=_band(section),
        max_f=section.number("max_f", 200.0, 1200.0),
        max_c=section.number("max_c", 95.0, 650.0),
        source=standard_source_of(section),
    )


def _measuring(section: Section) -> Measuring:
    return Measuring(
        standard=section.text("standard"),
        wait_minutes=section.number("wait_minutes", 0.1, 60.0),
        wait_per_mm=section.number("wait_per_mm", 1.0, 100.0),
        thin_to_mm=section.number("thin_to_mm", 1.0, 500.0),
        thicknesses=section.number("thicknesses", 1.0, 20.0),
        thin_at_most_mm=section.number("thin_at_most_mm", 1.0, 500.0),
        thick_at_mm=section.number("thick_at_mm", 1.0, 500.0),
        source=source_of(section),
    )


def parse_code_table(text: str, name: str) -> CodeTable:
    """A code table from its TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML, a key is missing, unknown or out of bounds, or a house rule is broken.
    """
    return _code_table(read_toml(text, name))


def _code_table(top: Section) -> CodeTable:
    if top.has("same_figures_as"):
        return _other_edition(top)
    rows, maxima = top.some("row", _row), top.some("maximum", _maximum)
    by_test = top.one("by_test", _by_test) if top.has("by_test") else None
    bands = [row.band for row in (*rows, *(by_test.rows if by_test else ()))] + [one.band for one in maxima]
    tolerance_in, _ = top.one("converted_edge", lambda s: (s.number("tolerance_in", 0.0, 0.02), source_of(s)))
    table = CodeTable(
        id=top.text("id"),
        standard=top.text("standard"),
        edition=top.text("edition"),
        title=top.text("title"),
        clause=top.text("clause"),
        group_word=top.text("group_word"),
        edges_in=tuple(sorted({band.over_in for band in bands} | {band.to_in for band in bands})),
        edge_tolerance_in=tolerance_in,
        categories=top.some("category", _category),
        rows=rows,
        steels=top.some("steels", lambda s: SteelList(s.text("category"), _steel_names(s), standard_source_of(s))),
        formula=top.one("formula", read_method_b) if top.has("formula") else None,
        hydrogen_control_id=top.choice("hydrogen_control", HYDROGEN_CONTROLS) if top.has("hydrogen_control") else None,
        by_test=by_test,
        fracture_critical=top.one("fracture_critical", source_of) if top.has("fracture_critical") else None,
        electrodes=top.some(
            "electrodes",
            lambda s: ElectrodeKind(_once(s, "coverings", s.texts("coverings")), s.flag("low_hydrogen"), source_of(s)),
        ),
        cold_steel=top.one(
            "cold_steel",
            lambda s: ColdSteel(
                s.number("below_f", 0.0, 60.0),
                s.number("floor_f", 32.0, 150.0),
                s.number("below_c", -18.0, 15.0),
                s.number("floor_c", 0.0, 65.0),
                source_of(s),
            ),
        ),
        maxima=maxima,
        extent=top.one(
            "extent",
            lambda s: Extent(s.number("least_in", 0.0, 12.0), s.number("least_mm", 0.0, 300.0), source_of(s)),
        ),
        measuring=top.one("measuring", _measuring),
        ambient=top.one("ambient", _ambient),
        wind=top.one(
            "wind",
            lambda s: Wind(
                _processes(s),
                s.number("most_mph", 0.5, 40.0),
                s.number("most_kmh", 1.0, 65.0),
                source_of(s),
            ),
        ),
        wet=top.one("wet", source_of),
        coverage=top.one("coverage", coverage_of),
    )
    top.done()
    return _sound(table, top.where)


def _sound(table: CodeTable, where: str) -> CodeTable:
    broken = broken_rules(table)
    if broken:
        raise TableError(f"{where}: {'; '.join(broken)}")
    return table


def _by_test(section: Section) -> ByTest:
    return ByTest(_steel_names(section), source_of(section), section.each("row", _expected_row))


def _expected_row(section: Section) -> Row:
    return Row(
        category="by test",
        band=_band(section),
        min_f=section.number("min_f", 32.0, 500.0),
        min_c=section.number("min_c", 0.0, 260.0),
        cold_mark=False,
        source=standard_source_of(section),
    )


def _ambient(section: Section) -> Ambient:
    return Ambient(section.number("least_f", -60.0, 60.0), section.number("least_c", -50.0, 15.0), source_of(section))


def _other_edition(top: Section) -> CodeTable:
    """The figures of another edition under this one's clauses; none of the standard's is surer than `basis` says."""
    base = _shipped(top.choice("same_figures_as", [name for name in CODE_TABLES if name != top.text("id")]))
    basis = top.standard_basis()
    renumbered = top.section("renumbered")
    clauses = {old: renumbered.text(old) for old in renumbered.names()}
    renumbered.done()
    moved = {
        field.name: _moved(getattr(base, field.name), clauses, basis)
        for field in fields(CodeTable)
        if field.name not in ("measuring", "electrodes")  # of other standards
    }
    strange = [clause for clause in clauses if not _uses(base, clause)]
    if strange:
        raise TableError(f"{top.where}, [renumbered]: no clause of {base.id} begins with '{strange[0]}'")
    if top.has("ambient"):
        moved["ambient"] = top.one("ambient", _ambient)
    table = replace(
        base,
        **moved
        | {
            "hydrogen_control_id": None,  # of one edition
            "id": top.text("id"),
            "standard": top.text("standard"),
            "edition": top.text("edition"),
            "title": top.text("title"),
            "clause": top.text("clause"),
            "coverage": top.one("coverage", coverage_of),
        },
    )
    top.done()
    return _sound(table, top.where)


def _moved(value: Any, clauses: Mapping[str, str], basis: Basis) -> Any:
    """The value with every source in it renumbered and no surer than `basis`; our own choices stay what they are."""
    if isinstance(value, Source):
        old = next((old for old in clauses if _begins(value.clause, old)), None)
        clause = value.clause if old is None else clauses[old] + value.clause.removeprefix(old)
        return Source(clause, least_sure((value.basis, basis)))
    if isinstance(value, tuple):
        return tuple(_moved(item, clauses, basis) for item in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(
            value, **{field.name: _moved(getattr(value, field.name), clauses, basis) for field in fields(value)}
        )
    return value


def _uses(value: Any, clause: str) -> bool:
    if isinstance(value, Source):
        return _begins(value.clause, clause)
    if isinstance(value, tuple):
        return any(_uses(item, clause) for item in value)
    return is_dataclass(value) and any(_uses(getattr(value, field.name), clause) for field in fields(value))


def _begins(clause: str, old: str) -> bool:
    return clause == old or clause.startswith((f"{old},", f"{old} "))


def code_table_ids() -> tuple[str, ...]:
    """The ids of the code tables that ship."""
    return CODE_TABLES


@dataclass(frozen=True, slots=True)
class OwnTable:
    """A rule table that a site brought itself: its id and its TOML text as it was read."""

    id: str
    text: str

    @property
    def fingerprint(self) -> str:
        """Twelve hex digits that change with the text; an acceptance names the text it was given to by them."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:12]


def load_code_table(table_id: str, own: Sequence[OwnTable] = ()) -> CodeTable:
    """A code table by id: one of the site's own, or one that ships.

    Raises:
        TableError: there is no such table, or its file may not be used.
    """
    brought = next((table for table in own if table.id == table_id), None)
    if brought is not None:
        return _brought(brought)
    if table_id not in CODE_TABLES:
        known = ", ".join([*CODE_TABLES, *(table.id for table in own)])
        raise TableError(f"code table {table_id!r} is not known; known are {known}")
    return _shipped(table_id)


def acceptable_ids(own: Sequence[OwnTable] = ()) -> tuple[str, ...]:
    """Ids of everything that a site can accept: code tables that ship, its own, and the methods beside them."""
    return (*CODE_TABLES, *(table.id for table in own), *HYDROGEN_CONTROLS)


def taken_ids() -> tuple[str, ...]:
    """Ids that a site's own table may not have: those of everything that ships."""
    return (*acceptable_ids(), *AROUND_TABLES)


def table_name(table_id: str, own: Sequence[OwnTable] = ()) -> str:
    """Standard and edition of anything acceptable, for people.

    Raises:
        TableError: there is no such table, or its file may not be used.
    """
    if table_id in HYDROGEN_CONTROLS:
        return load_hydrogen_control(table_id).name
    return load_code_table(table_id, own).name


def check_shipped() -> None:
    """Load every table that ships, so that a broken one stops the start.

    Raises:
        TableError: names file, place and key.
    """
    for table_id in CODE_TABLES:
        load_code_table(table_id)
    for control_id in HYDROGEN_CONTROLS:
        load_hydrogen_control(control_id)


@cache
def _shipped(table_id: str) -> CodeTable:
    return _named(_code_table(shipped(f"{table_id}.toml")), table_id)


@lru_cache(maxsize=32)
def _brought(own: OwnTable) -> CodeTable:
    return _named(parse_code_table(own.text, f"{own.id}.toml"), own.id)


def _named(table: CodeTable, table_id: str) -> CodeTable:
    if table.id != table_id:
        raise TableError(f"{table_id}.toml: 'id' is {table.id!r}, expected the file's name")
    return table
