"""A preheat rule table of one edition of one code, as values: `tables` reads it, `house_rules` holds it to account."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Literal, get_args

from frostshift_rules.composition import MethodB
from frostshift_rules.strict import Coverage, Source

Process = Literal["SMAW", "FCAW-S", "FCAW-G", "GMAW", "GTAW", "SAW"]
PROCESSES: Final[tuple[Process, ...]] = get_args(Process)
"""Welding processes by their AWS A3.0 letters; flux-cored welding self-shielded (S) and gas-shielded (G)."""


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
        return holds(self.names, steel)


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
        return holds(self.names, steel)


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
class ByTest:
    """Steels that need a procedure qualified by test.

    `rows`: the least that such a procedure is expected to ask; they question a lower figure and answer nothing.
    """

    names: frozenset[str]
    source: Source
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class CodeTable:
    """The preheat rule of one edition of one code, with the rules that stand around it.

    The minimum comes either from `rows` by category and thickness, or from `formula`; the other is empty.

    Attributes:
        id: also the name of its file.
        standard, edition, title, clause: what it is.
        group_word: what the standard calls its groups of steels and consumables, such as "category".
        edges_in: every edge of a band [in].
        edge_tolerance_in: how near to an edge a thickness converted from mm counts as the edge [in].
        categories, rows, steels: the table.
        formula: EN 1011-2 method B.
        hydrogen_control_id: the code's method by composition, worked out beside the rows for a joint that states its
            restraint; None: the code has none that ships.
        by_test: steels outside the table.
        fracture_critical: where the rule on fracture-critical members stands; None: the code has none.
        electrodes: which stick electrodes are low hydrogen.
        cold_steel, maxima, extent, measuring, ambient, wind: the rules around the minimum.
        wet: where the rule on wet surfaces stands.
        coverage: how far it was checked.
    """

    id: str
    standard: str
    edition: str
    title: str
    clause: str
    group_word: str
    edges_in: tuple[float, ...]
    edge_tolerance_in: float
    categories: tuple[Category, ...]
    rows: tuple[Row, ...]
    steels: tuple[SteelList, ...]
    formula: MethodB | None
    hydrogen_control_id: str | None
    by_test: ByTest | None
    fracture_critical: Source | None
    electrodes: tuple[ElectrodeKind, ...]
    cold_steel: ColdSteel
    maxima: tuple[Maximum, ...]
    extent: Extent
    measuring: Measuring
    ambient: Ambient
    wind: Wind
    wet: Source
    coverage: Coverage

    @property
    def name(self) -> str:
        """Standard and edition, for people."""
        return f"{self.standard}:{self.edition}"

    def rows_of(self, category: str) -> tuple[Row, ...]:
        """The rows of a category, thinnest first."""
        return tuple(row for row in self.rows if row.category == category)

    def needs_test(self, steel: str) -> bool:
        """Whether the steel is one of those that need a procedure qualified by test."""
        return self.by_test is not None and holds(self.by_test.names, steel)


def holds(names: Collection[str], steel: str) -> bool:
    """Whether a list of steels holds one by its canonical name; `A588-*` stands for every grade and for none named."""
    return steel in names or f"{steel.split('-')[0]}-*" in names
