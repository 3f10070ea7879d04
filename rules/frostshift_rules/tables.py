"""Rule tables as data, with a strict loader.

A table is a TOML file beside this module, one file an edition. The loader refuses what it does not know and names
file, place and key in every error, so that a typing slip stops the service at the start and never a decision.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import pairwise
from typing import Final, TypeVar

from frostshift_rules.steel_names import canonical_steel
from frostshift_rules.strict import Section, Source, TableError, read_toml, shipped, source_of
from frostshift_rules.units import c_from_f, mm_from_in

T = TypeVar("T")

CODE_TABLES: Final = ("aws_d1_1_2015_t3_3",)
"""Ids of the code tables that ship; the file is named after the id."""


@dataclass(frozen=True, slots=True)
class Category:
    """What a category of the code table covers.

    Attributes:
        name: such as `B`.
        covers: processes and consumables, for people.
        processes: that it lists.
        low_hydrogen: it is for low-hydrogen consumables; only SMAW has others.
        hydrogen_ml: highest diffusible hydrogen of the consumable [mL/100 g]; None: no limit of its own.
        source: of the coverage.
    """

    name: str
    covers: str
    processes: frozenset[str]
    low_hydrogen: bool
    hydrogen_ml: float | None
    source: Source


@dataclass(frozen=True, slots=True)
class Band:
    """A thickness band in both unit systems of the code, as they are printed.

    It reaches from over its lower edge to its upper edge inclusive (infinite for the last); the lower edge of the first
    band belongs to it too.
    """

    over_in: float
    to_in: float
    over_mm: float
    to_mm: float


@dataclass(frozen=True, slots=True)
class Row:
    """Minimum for one category and one thickness band, in both unit systems as they are printed.

    `cold_mark`: the footnote on cold steel is printed in this cell.
    """

    category: str
    band: Band
    min_f: float
    min_c: float
    cold_mark: bool
    source: Source


@dataclass(frozen=True, slots=True)
class SteelList:
    """Steels of one category by canonical name; `A588-*` stands for every grade of A588 and for none named."""

    category: str
    names: frozenset[str]
    source: Source

    def covers(self, steel: str) -> bool:
        """Whether the list holds the steel."""
        return _holds(self.names, steel)


@dataclass(frozen=True, slots=True)
class ElectrodeKind:
    """Stick electrodes by the last two digits of their classification (position and covering)."""

    coverings: frozenset[str]
    low_hydrogen: bool
    source: Source


@dataclass(frozen=True, slots=True)
class ColdSteel:
    """Steel colder than `below` needs at least `floor` [°F and °C as printed]."""

    below_f: float
    floor_f: float
    below_c: float
    floor_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class Maximum:
    """Highest preheat and interpass temperature of some steels in one thickness band."""

    names: frozenset[str]
    band: Band
    max_f: float
    max_c: float
    source: Source

    def covers(self, steel: str) -> bool:
        """Whether the maximum is for this steel."""
        return _holds(self.names, steel)


@dataclass(frozen=True, slots=True)
class Extent:
    """Least distance from the weld that must be warm; more where the thickest part is thicker."""

    least_in: float
    least_mm: float
    source: Source


@dataclass(frozen=True, slots=True)
class Measuring:
    """Where and when the temperature is measured.

    Up to `thin_to_mm` at `thicknesses` times the thickness from the groove edge, at most `thin_at_most_mm`; thicker, at
    `thick_at_mm`. On the heated face after waiting `wait_minutes` for every `wait_per_mm` of thickness.
    """

    standard: str
    wait_minutes: float
    wait_per_mm: float
    thin_to_mm: float
    thicknesses: float
    thin_at_most_mm: float
    thick_at_mm: float
    source: Source


@dataclass(frozen=True, slots=True)
class Ambient:
    """Least air temperature at the weld [°F and °C as printed]."""

    least_f: float
    least_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class Wind:
    """Highest wind at the weld for the processes named [mph and km/h as printed]; the others have no figure."""

    processes: frozenset[str]
    most_mph: float
    most_kmh: float
    source: Source


@dataclass(frozen=True, slots=True)
class CodeTable:
    """One preheat table of one edition of one code, with the rules that stand around it.

    `by_test` are steels that need a procedure qualified by test; `edges_in` every edge of a band [in], and
    `edge_tolerance_in` how near to one a thickness converted from mm counts as the edge [in]; `wet` is where the rule
    on wet surfaces stands.
    """

    id: str
    standard: str
    edition: str
    title: str
    clause: str
    edges_in: tuple[float, ...]
    edge_tolerance_in: float
    categories: tuple[Category, ...]
    rows: tuple[Row, ...]
    steels: tuple[SteelList, ...]
    by_test: frozenset[str]
    by_test_source: Source
    electrodes: tuple[ElectrodeKind, ...]
    cold_steel: ColdSteel
    maxima: tuple[Maximum, ...]
    extent: Extent
    measuring: Measuring
    ambient: Ambient
    wind: Wind
    wet: Source

    @property
    def name(self) -> str:
        """Standard and edition, for people."""
        return f"{self.standard}:{self.edition}"

    def rows_of(self, category: str) -> tuple[Row, ...]:
        """The rows of a category, thinnest first."""
        return tuple(row for row in self.rows if row.category == category)

    def needs_test(self, steel: str) -> bool:
        """Whether the steel is one of those that need a procedure qualified by test."""
        return _holds(self.by_test, steel)


def _holds(names: frozenset[str], steel: str) -> bool:
    return steel in names or f"{steel.split('-')[0]}-*" in names


def _steel_names(section: Section) -> frozenset[str]:
    names = section.texts("names")
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


def _category(section: Section) -> Category:
    return Category(
        name=section.text("name"),
        covers=section.text("covers"),
        processes=_once(section, "processes", section.texts("processes")),
        low_hydrogen=section.flag("low_hydrogen"),
        hydrogen_ml=section.optional_number("hydrogen_ml", 1.0, 30.0),
        source=source_of(section),
    )


def _row(section: Section) -> Row:
    return Row(
        category=section.text("category"),
        band=_band(section),
        min_f=section.number("min_f", 32.0, 500.0),
        min_c=section.number("min_c", 0.0, 260.0),
        cold_mark=section.flag("cold_mark"),
        source=source_of(section),
    )


def _maximum(section: Section) -> Maximum:
    return Maximum(
        names=_steel_names(section),
        band=_band(section),
        max_f=section.number("max_f", 200.0, 1200.0),
        max_c=section.number("max_c", 95.0, 650.0),
        source=source_of(section),
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


def _one(top: Section, key: str, read: Callable[[Section], T]) -> T:
    section = top.section(key)
    value = read(section)
    section.done()
    return value


def _each(top: Section, key: str, read: Callable[[Section], T]) -> tuple[T, ...]:
    sections = top.sections(key)
    values = tuple(read(section) for section in sections)
    for section in sections:
        section.done()
    return values


def parse_code_table(text: str, name: str) -> CodeTable:
    """A code table from its TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML, a key is missing, unknown or out of bounds, or a house rule is broken.
    """
    return _code_table(read_toml(text, name))


def _code_table(top: Section) -> CodeTable:
    by_test, by_test_source = _one(top, "by_test", lambda s: (_steel_names(s), source_of(s)))
    tolerance_in, _ = _one(top, "converted_edge", lambda s: (s.number("tolerance_in", 0.0, 0.02), source_of(s)))
    rows = _each(top, "row", _row)
    maxima = _each(top, "maximum", _maximum)
    bands = [row.band for row in rows] + [maximum.band for maximum in maxima]
    table = CodeTable(
        id=top.text("id"),
        standard=top.text("standard"),
        edition=top.text("edition"),
        title=top.text("title"),
        clause=top.text("clause"),
        edges_in=tuple(sorted({band.over_in for band in bands} | {band.to_in for band in bands})),
        edge_tolerance_in=tolerance_in,
        categories=_each(top, "category", _category),
        rows=rows,
        steels=_each(top, "steels", lambda s: SteelList(s.text("category"), _steel_names(s), source_of(s))),
        by_test=by_test,
        by_test_source=by_test_source,
        electrodes=_each(
            top,
            "electrodes",
            lambda s: ElectrodeKind(_once(s, "coverings", s.texts("coverings")), s.flag("low_hydrogen"), source_of(s)),
        ),
        cold_steel=_one(
            top,
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
        extent=_one(
            top,
            "extent",
            lambda s: Extent(s.number("least_in", 0.0, 12.0), s.number("least_mm", 0.0, 300.0), source_of(s)),
        ),
        measuring=_one(top, "measuring", _measuring),
        ambient=_one(
            top,
            "ambient",
            lambda s: Ambient(s.number("least_f", -60.0, 60.0), s.number("least_c", -50.0, 15.0), source_of(s)),
        ),
        wind=_one(
            top,
            "wind",
            lambda s: Wind(
                _once(s, "processes", s.texts("processes")),
                s.number("most_mph", 0.5, 40.0),
                s.number("most_kmh", 1.0, 65.0),
                source_of(s),
            ),
        ),
        wet=_one(top, "wet", source_of),
    )
    top.done()
    broken = broken_rules(table)
    if broken:
        raise TableError(f"{top.where}: {'; '.join(broken)}")
    return table


def broken_rules(table: CodeTable) -> tuple[str, ...]:
    """What a code table says that no code table may say; empty for a sound one.

    Names are used once and defined. Bands touch. Thicker never needs less. The two
    unit systems agree within the rounding of the code: it prints °C to the next 5 or 10, up to 2.8 K from the °F column
    in the rows (225 °F is 107.2 °C, printed 110) and up to 4.5 K in the maxima, and edges within 2 mm (2-1/2 in is
    63.5 mm, printed 65).
    """
    broken: list[str] = []
    names = [category.name for category in table.categories]
    broken += [f"category {name} is defined twice" for name in sorted(set(names)) if names.count(name) > 1]
    used = {row.category for row in table.rows} | {steels.category for steels in table.steels}
    broken += [f"category {name} is used and not defined" for name in sorted(used - set(names))]
    for name in names:
        rows = table.rows_of(name)
        broken += _broken_bands(f"category {name}", [row.band for row in rows])
        broken += [
            f"category {name}: thicker needs less than {thin.min_f:g} °F or {thin.min_c:g} °C"
            for thin, thick in pairwise(rows)
            if thick.min_f < thin.min_f or thick.min_c < thin.min_c
        ]
        listed = [steel for steels in table.steels if steels.category == name for steel in steels.names]
        broken += [f"category {name} lists {s} twice" for s in sorted(set(listed)) if listed.count(s) > 1]
    broken += [
        f"category {row.category}: {row.min_f:g} °F and {row.min_c:g} °C are not the same"
        for row in table.rows
        if abs(c_from_f(row.min_f) - row.min_c) > 3.0
    ]
    for steels_of_one in sorted({maximum.names for maximum in table.maxima}, key=sorted):
        bands = [maximum.band for maximum in table.maxima if maximum.names == steels_of_one]
        broken += _broken_bands(f"maximum of {min(steels_of_one)}", bands)
    broken += [
        f"maximum of {min(maximum.names)}: {maximum.max_f:g} °F and {maximum.max_c:g} °C are not the same"
        for maximum in table.maxima
        if abs(c_from_f(maximum.max_f) - maximum.max_c) > 5.0
    ]
    coverings = [covering for kind in table.electrodes for covering in kind.coverings]
    broken += [f"covering {c} stands in two lists" for c in sorted(set(coverings)) if coverings.count(c) > 1]
    return tuple(broken)


def _broken_bands(what: str, bands: Sequence[Band]) -> list[str]:
    if not bands:
        return [f"{what} has no row"]
    broken = [
        f"{what}: bands do not touch at {below.to_in:g} in, {below.to_mm:g} mm"
        for below, above in pairwise(bands)
        if (below.to_in, below.to_mm) != (above.over_in, above.over_mm)
    ]
    broken += [
        f"{what}: the band over {band.over_in:g} in, {band.over_mm:g} mm is empty"
        for band in bands
        if not (band.over_in < band.to_in and band.over_mm < band.to_mm)
    ]
    edges = [(band.over_in, band.over_mm) for band in bands] + [(band.to_in, band.to_mm) for band in bands[:-1]]
    broken += [
        f"{what}: edges {inch:g} in and {mm:g} mm are not the same"
        for inch, mm in edges
        if not abs(mm_from_in(inch) - mm) <= 2.0
    ]
    if math.isfinite(bands[-1].to_in) or math.isfinite(bands[-1].to_mm):
        broken.append(f"{what}: the last band is not open")
    return broken


def code_table_ids() -> tuple[str, ...]:
    """The ids of the code tables that ship."""
    return CODE_TABLES


@dataclass(frozen=True, slots=True)
class OwnTable:
    """A rule table that a site brought itself: its id and its TOML text as it was read."""

    id: str
    text: str


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
