"""The hydrogen-control method of the alternative annex of AWS D1.1: composition, hydrogen and restraint to preheat.

Pcm and the hydrogen level give an index group, by a table and by a formula; the worse letter counts. Group, restraint
and thickness give the minimum. The tables are data with the strict loader of the code tables. Hardness control, the
annex's other method, is left out: it is read from charts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from itertools import pairwise
from typing import Final, Literal, get_args

from frostshift_rules.composition import RESTRAINTS, Restraint
from frostshift_rules.strict import (
    Coverage,
    OutOfRange,
    Section,
    Source,
    TableError,
    coverage_of,
    least_sure,
    read_toml,
    shipped,
    source_of,
)
from frostshift_rules.units import System, c_from_f, mm_from_in

HydrogenLevel = Literal["H1", "H2", "H3"]
Letter = Literal["A", "B", "C", "D", "E", "F", "G"]

LEVELS: Final[tuple[HydrogenLevel, ...]] = get_args(HydrogenLevel)
"""Least hydrogen first."""
LETTERS: Final[tuple[Letter, ...]] = get_args(Letter)
"""Index groups, the mildest first."""
SYSTEMS: Final[tuple[System, ...]] = get_args(System)

HYDROGEN_CONTROLS: Final = ("aws_d1_1_2015_annex_h",)
"""Ids of the tables that ship; the file is named after the id."""

_NOISE: Final = 1e-9  # of binary fractions: Pcm and the index are sums


@dataclass(frozen=True, slots=True)
class Level:
    """A hydrogen level: diffusible hydrogen below `below_ml` [mL/100 g], infinite for the last."""

    name: HydrogenLevel
    meaning: str
    below_ml: float
    source: Source


@dataclass(frozen=True, slots=True)
class PcmBand:
    """Index groups for a Pcm below `below_percent` [%], one letter for each hydrogen level."""

    below_percent: float
    letters: tuple[Letter, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class IndexFormula:
    """Susceptibility index = `pcm_weight` Pcm [%] + log10(hydrogen [mL/100 g]).

    Attributes:
        pcm_weight: weight of Pcm.
        hydrogen_ml: that stands for each level, least first [mL/100 g].
        letters_to: highest index of each letter, A first.
        source: of the figures.
    """

    pcm_weight: float
    hydrogen_ml: tuple[float, ...]
    letters_to: tuple[float, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class RestraintMeaning:
    """What a degree of restraint means, for people."""

    name: Restraint
    meaning: str
    source: Source


@dataclass(frozen=True, slots=True)
class RestraintBand:
    """A thickness band of the thicker part welded, in both unit systems as they are printed.

    It reaches from the edge of the band before it to its own edge (infinite for the last), which belongs to it where
    `edge_included`, otherwise to the next. `us` and `si` name it for people.
    """

    us: str
    si: str
    to_in: float
    to_mm: float
    edge_included: bool
    source: Source

    def reaches(self, thickness: float, system: System) -> bool:
        """Whether a thickness [in or mm] lies at or below the band's upper edge."""
        to = self.to_in if system == "us" else self.to_mm
        return thickness <= to if self.edge_included else thickness < to

    def text(self, system: System) -> str:
        """The band for people."""
        return self.us if system == "us" else self.si


@dataclass(frozen=True, slots=True)
class ControlRow:
    """Minimums for one restraint and one band, one for each index group, in both unit systems as they are printed.

    `lower_may_do_f` and `lower_may_do_c` are the groups whose cell is printed with "<".
    """

    restraint: Restraint
    band: str
    min_f: tuple[float, ...]
    min_c: tuple[float, ...]
    lower_may_do_f: frozenset[Letter]
    lower_may_do_c: frozenset[Letter]
    source: Source

    def minimum(self, group: Letter, system: System) -> float:
        """The figure of a group as printed [°F or °C]."""
        return (self.min_f if system == "us" else self.min_c)[LETTERS.index(group)]

    def lower_may_do(self, group: Letter, system: System) -> bool:
        """Whether the cell is printed with "<"."""
        return group in (self.lower_may_do_f if system == "us" else self.lower_may_do_c)


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A cell in °F that was read elsewhere, and where."""

    restraint: Restraint
    band: str
    group: Letter
    min_f: float
    source: Source


@dataclass(frozen=True, slots=True)
class HydrogenControl:
    """The hydrogen-control method of one edition; `edge_tolerance_in` as in a code table [in]."""

    id: str
    standard: str
    edition: str
    title: str
    clause: str
    coverage: Coverage
    edge_tolerance_in: float
    levels: tuple[Level, ...]
    pcm_bands: tuple[PcmBand, ...]
    index: IndexFormula
    restraints: tuple[RestraintMeaning, ...]
    bands: tuple[RestraintBand, ...]
    rows: tuple[ControlRow, ...]
    confirmed: tuple[Confirmed, ...]

    @property
    def name(self) -> str:
        """Standard and edition, for people."""
        return f"{self.standard}:{self.edition}"

    @property
    def edges_in(self) -> tuple[float, ...]:
        """Every edge of a thickness band [in]."""
        return tuple(band.to_in for band in self.bands if math.isfinite(band.to_in))

    def row(self, restraint: Restraint, band: RestraintBand) -> ControlRow:
        """The row of a restraint and a band."""
        return next(row for row in self.rows if (row.restraint, row.band) == (restraint, band.us))


@dataclass(frozen=True, slots=True)
class IndexGroup:
    """Index group of a steel and a hydrogen level.

    Attributes:
        letter: the worse of the two readings; it counts.
        by_table: by the table of Pcm and level.
        by_formula: by the susceptibility index.
        susceptibility_index: 12 Pcm + log10(H), with the table's own figures.
        source: of the reading that decides; where both give the same letter, of the table.
    """

    letter: Letter
    by_table: Letter
    by_formula: Letter
    susceptibility_index: float
    source: Source


@dataclass(frozen=True, slots=True)
class Cell:
    """A minimum of the method.

    Attributes:
        min_f, min_c: in both unit systems as printed [°F, °C]; only the one of the job's system applies.
        lower_may_do: printed with "<" in the system asked for: a lower temperature may do against hydrogen cracking.
        band_text: thickness band for people, in the system asked for.
        source: of the cell.
    """

    min_f: float
    min_c: float
    lower_may_do: bool
    band_text: str
    source: Source


# ---------------------------------------------------------------- the method


def hydrogen_level(hydrogen_ml: float | None, control: HydrogenControl) -> HydrogenLevel:
    """Hydrogen level of a diffusible hydrogen [mL/100 g]; None, not stated, is the level without control.

    A limit itself belongs to the higher level: H1 is below 5, so that 5 is H2.

    Raises:
        OutOfRange: the hydrogen is not above 0.
    """
    if hydrogen_ml is None:
        return control.levels[-1].name
    if not 0.0 < hydrogen_ml < math.inf:  # also refuses NaN
        raise OutOfRange(f"hydrogen_ml is {hydrogen_ml:g} mL/100 g, expected a number above 0 mL/100 g")
    return next(level.name for level in control.levels if hydrogen_ml < level.below_ml)


def index_group(pcm_percent: float, level: str, control: HydrogenControl) -> IndexGroup:
    """Index group by table and by formula, and the worse of them.

    The formula's letters are printed to a tenth; an index over a letter's printed end counts as the next letter.

    Args:
        pcm_percent: of the steel [%].
        level: `H1`, `H2` or `H3`.
        control: the method.

    Raises:
        OutOfRange: Pcm lies outside the table, or there is no such level; names field, value and limits.
    """
    if level not in LEVELS:
        raise OutOfRange(f"hydrogen level is {level!r}, expected one of {', '.join(LEVELS)}")
    most = control.pcm_bands[-1].below_percent
    if not 0.0 < pcm_percent < most - _NOISE:  # also refuses NaN
        raise OutOfRange(f"Pcm is {pcm_percent:.4g} %, outside above 0 to below {most:g} % of {control.clause}")
    column = LEVELS.index(level)
    band = next(band for band in control.pcm_bands if pcm_percent < band.below_percent - _NOISE)
    index = control.index.pcm_weight * pcm_percent + math.log10(control.index.hydrogen_ml[column])
    by_table = band.letters[column]
    by_formula = next(
        (letter for letter, to in zip(LETTERS, control.index.letters_to, strict=True) if index <= to + _NOISE), None
    )
    if by_formula is None:
        raise OutOfRange(
            f"susceptibility index is {index:.2f}, above the last letter's {control.index.letters_to[-1]:g}"
        )
    by_table_decides = by_table >= by_formula
    return IndexGroup(
        letter=by_table if by_table_decides else by_formula,
        by_table=by_table,
        by_formula=by_formula,
        susceptibility_index=index,
        source=band.source if by_table_decides else control.index.source,
    )


def hydrogen_control_cell(
    control: HydrogenControl, restraint: Restraint, group: Letter, thickness: float, system: System
) -> Cell:
    """The minimum for a restraint, an index group and a thickness.

    Args:
        control: the method.
        restraint: of the joint.
        group: letter that counts.
        thickness: of the thicker part welded, in the unit of the system [in or mm].
        system: unit system of the job's code.

    Raises:
        OutOfRange: there is no such restraint, group or system, or the thickness is none.
    """
    for field, value, allowed in (
        ("restraint", restraint, RESTRAINTS),
        ("index group", group, LETTERS),
        ("unit system", system, SYSTEMS),
    ):
        if value not in allowed:
            raise OutOfRange(f"{field} is {value!r}, expected one of {', '.join(allowed)}")
    if not 0.0 < thickness < math.inf:  # also refuses NaN
        raise OutOfRange(f"thickness is {thickness:g} {'in' if system == 'us' else 'mm'}, expected a number above 0")
    band = next(band for band in control.bands if band.reaches(thickness, system))
    row = control.row(restraint, band)
    source = row.source
    if system == "us":
        place = (restraint, band.us, group)
        source = next((c.source for c in control.confirmed if (c.restraint, c.band, c.group) == place), source)
    return Cell(
        min_f=row.minimum(group, "us"),
        min_c=row.minimum(group, "si"),
        lower_may_do=row.lower_may_do(group, system),
        band_text=band.text(system),
        source=source,
    )


def least_sure_source(group: IndexGroup, cell: Cell) -> Source:
    """Where a minimum stands (group and cell), and the less sure basis of the two."""
    return Source(f"{group.source.clause}, {cell.source.clause}", least_sure((group.source.basis, cell.source.basis)))


# ---------------------------------------------------------------- reading


def parse_hydrogen_control(text: str, name: str) -> HydrogenControl:
    """The method from its TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML, a key is missing, unknown or out of bounds, or a house rule is broken.
    """
    return _hydrogen_control(read_toml(text, name))


@cache
def load_hydrogen_control(control_id: str) -> HydrogenControl:
    """The method of an edition that ships, by id.

    Raises:
        TableError: there is no such table, or its file may not be used.
    """
    if control_id not in HYDROGEN_CONTROLS:
        raise TableError(f"hydrogen control {control_id!r} is not known; known are {', '.join(HYDROGEN_CONTROLS)}")
    control = _hydrogen_control(shipped(f"{control_id}.toml"))
    if control.id != control_id:
        raise TableError(f"{control_id}.toml: 'id' is {control.id!r}, expected the file's name")
    return control


def _hydrogen_control(top: Section) -> HydrogenControl:
    bands = top.each("band", _band)
    names = tuple(band.us for band in bands)
    control = HydrogenControl(
        id=top.text("id"),
        standard=top.text("standard"),
        edition=top.text("edition"),
        title=top.text("title"),
        clause=top.text("clause"),
        coverage=top.one("coverage", coverage_of),
        edge_tolerance_in=top.one("converted_edge", _tolerance_in),
        levels=top.each("level", _level),
        pcm_bands=top.each("pcm_band", _pcm_band),
        index=top.one("index", _index),
        restraints=top.each("restraint", _restraint),
        bands=bands,
        rows=top.each("row", partial(_row, bands=names)),
        confirmed=top.each("confirmed", partial(_confirmed, bands=names)),
    )
    top.done()
    broken = broken_hydrogen_control(control)
    if broken:
        raise TableError(f"{top.where}: {'; '.join(broken)}")
    return control


def _tolerance_in(section: Section) -> float:
    source_of(section)
    return section.number("tolerance_in", 0.0, 0.02)


def _index(section: Section) -> IndexFormula:
    return IndexFormula(
        section.number("pcm_weight", 1.0, 50.0),
        _so_many(section, "hydrogen_ml", len(LEVELS), 0.5, 100.0),
        _so_many(section, "letters_to", len(LETTERS), 0.0, 20.0),
        source_of(section),
    )


def _so_many(section: Section, key: str, count: int, low: float, high: float) -> tuple[float, ...]:
    values = section.numbers(key, low, high)
    if len(values) != count:
        raise TableError(f"{section.where}: '{key}' has {len(values)} numbers, expected {count}")
    return values


def _letter(section: Section, key: str) -> Letter:
    value: Letter = section.choice(key, LETTERS)  # type: ignore[assignment]
    return value


def _letters(section: Section, key: str) -> frozenset[Letter]:
    values: tuple[Letter, ...] = section.texts(key)  # type: ignore[assignment]
    for value in values:
        if value not in LETTERS:
            raise TableError(f"{section.where}: '{key}' has {value!r}, expected some of {', '.join(LETTERS)}")
    if len(set(values)) != len(values):
        raise TableError(f"{section.where}: '{key}' has a letter twice: {', '.join(values)}")
    return frozenset(values)


def _level(section: Section) -> Level:
    name: HydrogenLevel = section.choice("name", LEVELS)  # type: ignore[assignment]
    below_ml = section.optional_number("below_ml", 0.5, 100.0)
    return Level(name, section.text("meaning"), math.inf if below_ml is None else below_ml, source_of(section))


def _pcm_band(section: Section) -> PcmBand:
    letters = tuple(_letter(section, level) for level in LEVELS)
    return PcmBand(section.number("below_percent", 0.05, 1.0), letters, source_of(section))


def _restraint_name(section: Section, key: str) -> Restraint:
    value: Restraint = section.choice(key, RESTRAINTS)  # type: ignore[assignment]
    return value


def _restraint(section: Section) -> RestraintMeaning:
    return RestraintMeaning(_restraint_name(section, "name"), section.text("meaning"), source_of(section))


def _band(section: Section) -> RestraintBand:
    """`below_in` and `below_mm` where the edge belongs to the next band, otherwise `to_in` and `to_mm`."""
    below_in = section.optional_number("below_in", 0.0, 20.0)
    below_mm = section.optional_number("below_mm", 0.0, 500.0)
    to_in = section.optional_number("to_in", 0.0, 20.0)
    to_mm = section.optional_number("to_mm", 0.0, 500.0)
    pairs = (below_in is not None, below_mm is not None, to_in is not None, to_mm is not None)
    if pairs not in ((True, True, False, False), (False, False, True, True), (False, False, False, False)):
        raise TableError(
            f"{section.where}: expected 'below_in' and 'below_mm', or 'to_in' and 'to_mm', or none of them"
        )
    edge_in, edge_mm = (to_in, to_mm) if below_in is None else (below_in, below_mm)
    return RestraintBand(
        us=section.text("us"),
        si=section.text("si"),
        to_in=math.inf if edge_in is None else edge_in,
        to_mm=math.inf if edge_mm is None else edge_mm,
        edge_included=below_in is None,
        source=source_of(section),
    )


def _row(section: Section, bands: tuple[str, ...]) -> ControlRow:
    return ControlRow(
        restraint=_restraint_name(section, "restraint"),
        band=section.choice("band", bands),
        min_f=_so_many(section, "min_f", len(LETTERS), 32.0, 500.0),
        min_c=_so_many(section, "min_c", len(LETTERS), 0.0, 260.0),
        lower_may_do_f=_letters(section, "lower_may_do_f"),
        lower_may_do_c=_letters(section, "lower_may_do_c"),
        source=source_of(section),
    )


def _confirmed(section: Section, bands: tuple[str, ...]) -> Confirmed:
    return Confirmed(
        restraint=_restraint_name(section, "restraint"),
        band=section.choice("band", bands),
        group=_letter(section, "group"),
        min_f=section.number("min_f", 32.0, 500.0),
        source=source_of(section),
    )


# ---------------------------------------------------------------- house rules


def broken_hydrogen_control(control: HydrogenControl) -> tuple[str, ...]:
    """What a hydrogen-control table says that it may not say; empty for a sound one.

    Every level, restraint and row is there once and in order; edges rise. More Pcm or more hydrogen is never a milder
    group. Thicker, a higher group and a higher restraint never need less; of two equal figures the one with "<" is
    less, and only the least figure of the table may have it. The unit systems agree within 3 K in the cells and 2 mm in
    the edges, which is the rounding of the code.
    """
    return tuple([*_broken_groups(control), *_broken_bands(control)]) or tuple(_broken_rows(control))


def _rises(values: tuple[float, ...]) -> bool:
    return all(below < above for below, above in pairwise(values))


def _rules(*rules: tuple[bool, str]) -> Iterator[str]:
    """The texts of the rules that do not hold."""
    return (text for holds, text in rules if not holds)


def _broken_groups(control: HydrogenControl) -> Iterator[str]:
    levels, bands, index = control.levels, control.pcm_bands, control.index
    yield from _rules(
        (tuple(level.name for level in levels) == LEVELS, f"hydrogen levels are not {', '.join(LEVELS)}"),
        (_rises(tuple(level.below_ml for level in levels)), "the limits of the hydrogen levels do not rise"),
        (math.isinf(levels[-1].below_ml), "the last hydrogen level is not open"),
        (_rises(tuple(band.below_percent for band in bands)), "the limits of Pcm do not rise"),
        (_rises(index.hydrogen_ml), "the hydrogen of the index does not rise"),
        (_rises(index.letters_to), "the letters of the index do not rise"),
    )
    yield from _rules(
        *(
            (list(band.letters) == sorted(band.letters), f"Pcm below {band.below_percent:g} %: more hydrogen is milder")
            for band in bands
        ),
        *(
            (high >= low, f"Pcm below {above.below_percent:g} %, {name}: more Pcm is milder")
            for below, above in pairwise(bands)
            for name, low, high in zip(LEVELS, below.letters, above.letters, strict=True)
        ),
        # An index taken with less hydrogen than a level may hold would be too mild.
        *(
            (
                hydrogen_ml >= level.below_ml or math.isinf(level.below_ml),
                f"the index counts {level.name} with {hydrogen_ml:g} mL/100 g, less than its limit {level.below_ml:g}",
            )
            for level, hydrogen_ml in zip(levels, index.hydrogen_ml, strict=False)
        ),
    )


def _broken_bands(control: HydrogenControl) -> Iterator[str]:
    bands = control.bands
    places = [(row.restraint, row.band) for row in control.rows]
    for names in ([band.us for band in bands], [band.si for band in bands]):
        yield from (f"band '{name}' is there twice" for name in sorted(set(names)) if names.count(name) > 1)
    yield from _rules(
        (tuple(r.name for r in control.restraints) == RESTRAINTS, f"restraints are not {', '.join(RESTRAINTS)}"),
        (math.isinf(bands[-1].to_in), "the last band is not open"),
        *(
            (
                below.to_in < above.to_in and below.to_mm < above.to_mm,
                f"the edges of band '{above.us}' are not above those of '{below.us}'",
            )
            for below, above in pairwise(bands)
        ),
        *(
            (
                abs(mm_from_in(band.to_in) - band.to_mm) <= 2.0,
                f"band '{band.us}': edges {band.to_in:g} in and {band.to_mm:g} mm are not the same",
            )
            for band in bands[:-1]
        ),
        *(
            (
                places.count((restraint, band.us)) == 1,
                f"{restraint} restraint, {band.us}: {places.count((restraint, band.us))} rows, expected 1",
            )
            for restraint in RESTRAINTS
            for band in bands
        ),
    )


def _broken_rows(control: HydrogenControl) -> Iterator[str]:
    """Asked only where every row is there once."""
    least = {system: min(row.minimum(LETTERS[0], system) for row in control.rows) for system in SYSTEMS}
    for row in control.rows:
        yield from _rules(
            *(
                (
                    not row.lower_may_do(group, system) or row.minimum(group, system) == least[system],
                    f"{_place(row)}, group {group}: marked with < and not the least figure, {least[system]:g}",
                )
                for group in LETTERS
                for system in SYSTEMS
            ),
            *(
                (
                    abs(c_from_f(min_f) - min_c) <= 3.0,
                    f"{_place(row)}, group {group}: {min_f:g} °F and {min_c:g} °C are not the same",
                )
                for group, min_f, min_c in zip(LETTERS, row.min_f, row.min_c, strict=True)
            ),
            *(
                (not _milder(row, harsh, row, mild), f"{_place(row)}: group {harsh} needs less than {mild}")
                for mild, harsh in pairwise(LETTERS)
            ),
        )
    grid = [[control.row(restraint, band) for band in control.bands] for restraint in RESTRAINTS]
    thicker = [pair for rows in grid for pair in pairwise(rows)]
    tighter = [pair for loose, tight in pairwise(grid) for pair in zip(loose, tight, strict=True)]
    yield from _rules(
        *(
            (
                not _milder(harsh, group, mild, group),
                f"{_place(harsh)}, group {group}: needs less than {_place(mild)}",
            )
            for mild, harsh in thicker + tighter
            for group in LETTERS
        ),
        *(
            (
                row.minimum(cell.group, "us") == cell.min_f,
                f"{_place(row)}, group {cell.group}: not the {cell.min_f:g} °F of {cell.source.clause}",
            )
            for cell in control.confirmed
            for row in control.rows
            if (row.restraint, row.band) == (cell.restraint, cell.band)
        ),
    )


def _place(row: ControlRow) -> str:
    return f"{row.restraint} restraint, {row.band}"


def _milder(row: ControlRow, group: Letter, than: ControlRow, than_group: Letter) -> bool:
    """Whether a cell asks for less than another; of two equal figures the one with "<" does."""
    return any(
        (row.minimum(group, system), not row.lower_may_do(group, system))
        < (than.minimum(than_group, system), not than.lower_may_do(than_group, system))
        for system in SYSTEMS
    )
