"""How long low-hydrogen stick electrodes may lie in the open air, and how they are kept and baked.

The figures are those of AWS D1.1/D1.1M:2015, 5.3.2 and Table 5.1, each with its basis. They say nothing about preheat:
an electrode that took up moisture brings hydrogen into the weld however warm the steel is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final, Literal, get_args

from frostshift_rules.rows import read_electrode
from frostshift_rules.strict import (
    Coverage,
    Section,
    Source,
    TableError,
    coverage_of,
    read_toml,
    shipped,
    source_of,
)
from frostshift_rules.units import c_from_f

Designator = Literal["", "M", "R", "HZR"]
Specification = Literal["AWS A5.1", "AWS A5.5"]

DESIGNATORS: Final[tuple[Designator, ...]] = get_args(Designator)
SPECIFICATIONS: Final[tuple[Specification, ...]] = get_args(Specification)


@dataclass(frozen=True, slots=True)
class Hours:
    """One cell of the exposure table [h]."""

    h: float
    source: Source


@dataclass(frozen=True, slots=True)
class ExposureRow:
    """One row of the exposure table.

    Attributes:
        strength_ksi: tensile strength that the classification begins with (70 of E7018).
        designator: what it adds; empty for the plain row.
        covering: the only covering the row is for; None: any low-hydrogen one.
        specification: the only specification it is for; None: any.
        column_a: longest exposure.
        column_b: longest exposure that tests of the job's own may establish; None: the row has none.
    """

    strength_ksi: int
    designator: Designator
    covering: str | None
    specification: Specification | None
    column_a: Hours
    column_b: Hours | None


@dataclass(frozen=True, slots=True)
class Covering:
    """Coverings by the last two digits of the classification."""

    coverings: tuple[str, ...]
    low_hydrogen: bool
    source: Source


@dataclass(frozen=True, slots=True)
class Warm:
    """Least temperature of the oven [°F and °C as printed]."""

    least_f: float
    least_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class BackInOven:
    """An electrode that was out for less than its limit stays `hours` [h] in an oven so warm, then goes out again."""

    hours: float
    warm: Warm


@dataclass(frozen=True, slots=True)
class Bake:
    """Baking of the electrodes of one specification: `hours` at least, within the range [°F and °C as printed]."""

    specification: Specification
    hours: float
    from_f: float
    to_f: float
    from_c: float
    to_c: float
    source: Source


@dataclass(frozen=True, slots=True)
class BakeStart:
    """Before the final heat: at most this share of it for at least `hours` [h]."""

    share_of_final: float
    hours: float
    source: Source


@dataclass(frozen=True, slots=True)
class ElectrodeTable:
    """Exposure, storage and baking of low-hydrogen stick electrodes.

    `rebakes` is how often an electrode may be baked again; `wet` is where it stands that wet ones are scrap.
    """

    standard: str
    edition: str
    title: str
    coverings: tuple[Covering, ...]
    rows: tuple[ExposureRow, ...]
    oven: Warm
    back_in_oven: BackInOven
    rebakes: int
    rebake_source: Source
    wet: Source
    bake_start: BakeStart
    bakes: tuple[Bake, ...]
    coverage: Coverage

    @property
    def name(self) -> str:
        """Standard and edition, for people."""
        return f"{self.standard}:{self.edition}"

    def bake(self, specification: Specification) -> Bake:
        """The baking of one specification's electrodes; the loader refuses a table without it."""
        return next(bake for bake in self.bakes if bake.specification == specification)


@dataclass(frozen=True, slots=True)
class ExposureLimit:
    """How long one low-hydrogen stick electrode may be out of its oven or sealed container.

    Attributes:
        strength_ksi, designator, specification: what its classification says.
        most_h: [h]; None: the table has no row for it, so that nobody knows here.
        tested_h: what tests of the job's own may establish [h]; None: nothing longer.
        source: of `most_h`; None with it.
        tested_source: of `tested_h`; None with it.
        note: what else has to be said, one sentence; empty for nothing.
    """

    strength_ksi: int
    designator: Designator
    specification: Specification
    most_h: float | None
    tested_h: float | None
    source: Source | None
    tested_source: Source | None
    note: str


# ---------------------------------------------------------------- the table


def _hours(section: Section) -> Hours:
    return Hours(section.number("hours", 0.1, 24.0), source_of(section))


def _row(section: Section) -> ExposureRow:
    designator: Designator = section.choice("designator", DESIGNATORS)  # type: ignore[assignment]
    strength = section.number("strength_ksi", 60.0, 120.0)
    if strength % 10.0:
        raise TableError(f"{section.where}: 'strength_ksi' is {strength:g}, expected a multiple of 10")
    specification: Specification | None = None
    if section.has("specification"):
        specification = section.choice("specification", SPECIFICATIONS)  # type: ignore[assignment]
    return ExposureRow(
        strength_ksi=int(strength),
        designator=designator,
        covering=section.optional_text("covering"),
        specification=specification,
        column_a=section.one("column_a", _hours),
        column_b=section.one("column_b", _hours) if section.has("column_b") else None,
    )


def _covering(section: Section) -> Covering:
    return Covering(section.texts("coverings"), section.flag("low_hydrogen"), source_of(section))


def _warm(section: Section) -> Warm:
    return Warm(section.number("least_f", 100.0, 500.0), section.number("least_c", 40.0, 260.0), source_of(section))


def _back_in_oven(section: Section) -> BackInOven:
    return BackInOven(section.number("hours", 0.5, 48.0), _warm(section))


def _bake(section: Section) -> Bake:
    specification: Specification = section.choice("specification", SPECIFICATIONS)  # type: ignore[assignment]
    return Bake(
        specification=specification,
        hours=section.number("hours", 0.5, 24.0),
        from_f=section.number("from_f", 200.0, 1000.0),
        to_f=section.number("to_f", 200.0, 1000.0),
        from_c=section.number("from_c", 90.0, 540.0),
        to_c=section.number("to_c", 90.0, 540.0),
        source=source_of(section),
    )


def _bake_start(section: Section) -> BakeStart:
    return BakeStart(section.number("share_of_final", 0.1, 1.0), section.number("hours", 0.1, 24.0), source_of(section))


def _rebake(section: Section) -> tuple[int, Source]:
    return section.whole("times", 0, 3), source_of(section)


def parse_electrodes(text: str, name: str) -> ElectrodeTable:
    """The electrode table from its TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML, a key is missing, unknown or out of bounds, or a house rule is broken.
    """
    return _electrodes(read_toml(text, name))


def _electrodes(top: Section) -> ElectrodeTable:
    top.choice("id", ("electrodes",))
    rebakes, rebake_source = top.one("rebake", _rebake)
    table = ElectrodeTable(
        standard=top.text("standard"),
        edition=top.text("edition"),
        title=top.text("title"),
        coverings=top.each("covering", _covering),
        rows=top.each("row", _row),
        oven=top.one("oven", _warm),
        back_in_oven=top.one("back_in_oven", _back_in_oven),
        rebakes=rebakes,
        rebake_source=rebake_source,
        wet=top.one("wet", source_of),
        bake_start=top.one("bake_start", _bake_start),
        bakes=top.each("bake", _bake),
        coverage=top.one("coverage", coverage_of),
    )
    top.done()
    broken = (*_broken_rows(table), *_broken_storage(table))
    if broken:
        raise TableError(f"{top.where}: {'; '.join(broken)}")
    return table


def _broken_rows(table: ElectrodeTable) -> tuple[str, ...]:
    """What the rows say that they may not: stronger electrodes may never lie out longer, tests never shorten."""
    broken = [
        f"{row_text(row)}: column B of {row.column_b.h:g} h is shorter than column A of {row.column_a.h:g} h"
        for row in table.rows
        if row.column_b is not None and row.column_b.h < row.column_a.h
    ]
    broken += [f"{what} stands in two rows" for what in _twice(row_text(row) for row in table.rows)]
    broken += [
        f"covering {c} stands in two lists" for c in _twice(c for kind in table.coverings for c in kind.coverings)
    ]
    plain = {row.strength_ksi: row for row in table.rows if not row.designator}
    for row in table.rows:
        if row.strength_ksi not in plain:
            broken.append(f"{row_text(row)} has no plain row of its strength")
        elif row.column_a.h < plain[row.strength_ksi].column_a.h:
            broken.append(f"{row_text(row)}: {row.column_a.h:g} h is shorter than without the designator")
    for designator in DESIGNATORS:
        rows = sorted((row for row in table.rows if row.designator == designator), key=lambda row: row.strength_ksi)
        broken += [
            f"{row_text(strong)} may lie out longer than {row_text(weak)}"
            for weak, strong in pairwise(rows)
            if strong.column_a.h > weak.column_a.h or _tested_h(strong) > _tested_h(weak)
        ]
    return tuple(broken)


def _tested_h(row: ExposureRow) -> float:
    return (row.column_a if row.column_b is None else row.column_b).h


def _broken_storage(table: ElectrodeTable) -> tuple[str, ...]:
    """°C as printed is the °F figure to the next 5 or 10; each specification has one baking, with a range."""
    broken = [
        f"{bake.specification}: baking begins above {bake.to_f:g} °F or {bake.to_c:g} °C"
        for bake in table.bakes
        if bake.from_f >= bake.to_f or bake.from_c >= bake.to_c
    ]
    told = [bake.specification for bake in table.bakes]
    broken += [
        f"{name} has {told.count(name)} bakings, expected one" for name in SPECIFICATIONS if told.count(name) != 1
    ]
    pairs = [(warm.least_f, warm.least_c) for warm in (table.oven, table.back_in_oven.warm)]
    pairs += [pair for bake in table.bakes for pair in ((bake.from_f, bake.from_c), (bake.to_f, bake.to_c))]
    broken += [f"{f:g} °F and {c:g} °C are not the same" for f, c in pairs if abs(c_from_f(f) - c) > 5.0]
    return tuple(broken)


def _twice(values: Iterable[str]) -> list[str]:
    listed = list(values)
    return sorted({value for value in listed if listed.count(value) > 1})


def row_text(row: ExposureRow) -> str:
    """A row for people, such as `E70XX` or `E7018M`."""
    return f"E{row.strength_ksi}{row.covering or 'XX'}{row.designator}"


@cache
def electrode_table() -> ElectrodeTable:
    """The table that ships.

    Raises:
        TableError: its file may not be used.
    """
    return _electrodes(shipped("electrodes.toml"))


# ---------------------------------------------------------------- one electrode

_PARTS: Final = re.compile(
    r"E?\s?(?P<strength>[6-9]0|1[0-2]0)\d\d(?P<military>-?M1?)?(?P<alloy>-(?:[A-DGPW]\d?L?|NM\d?))?"
    r".*?(?P<hydrogen>H(?:4|8|16))?[\s-]?(?P<resistant>R)?"
)
"""The parts of a classification that `read_electrode` has already found to be one."""


def _designator(parts: re.Match[str]) -> Designator:
    if parts["resistant"]:
        return "HZR" if parts["hydrogen"] else "R"
    return "M" if parts["military"] else ""


def exposure_limit(electrode: str) -> ExposureLimit | None:
    """How long an electrode may lie in the open air; None: it is no low-hydrogen stick electrode, so no clock runs.

    Args:
        electrode: classification by AWS A5.1 or A5.5 such as `E7018` or `E8018-C3 H4R`.

    Raises:
        ValueError: the text is no such classification, or its covering is not known.

    A designator without a row of its own (R on an E8018) counts for nothing: the plain row, never the longer one.
    """
    covering = read_electrode(electrode).covering
    table = electrode_table()
    kind = next((kind for kind in table.coverings if covering in kind.coverings), None)
    if kind is None:
        known = ", ".join(sorted(c for kind in table.coverings for c in kind.coverings))
        raise ValueError(f"electrode {electrode!r}: covering {covering} is not known; known are {known}")
    if not kind.low_hydrogen:
        return None
    parts = _PARTS.fullmatch(" ".join(electrode.upper().split()))
    if parts is None:  # `read_electrode` reads more than this module does: say so instead of guessing
        raise ValueError(f"electrode {electrode!r}: strength and designator cannot be read")
    strength, designator = int(parts["strength"]), _designator(parts)
    specification: Specification = "AWS A5.5" if strength >= 80 or parts["alloy"] else "AWS A5.1"
    own, plain = (_find(table, strength, one, covering, specification) for one in (designator, ""))
    row = own or plain
    if row is None:
        note = f"{table.name} has no row for E{strength}XX here: ask the welding procedure and the maker."
        return ExposureLimit(strength, designator, specification, None, None, None, None, note)
    return ExposureLimit(
        strength_ksi=strength,
        designator=designator,
        specification=specification,
        most_h=row.column_a.h,
        tested_h=None if row.column_b is None else row.column_b.h,
        source=row.column_a.source,
        tested_source=None if row.column_b is None else row.column_b.source,
        note="" if own else f"The designator {_said(designator)} gives no longer time: no row is known for it.",
    )


def _said(designator: Designator) -> str:
    return "R" if designator == "HZR" else designator


def _find(
    table: ElectrodeTable, strength: int, designator: str, covering: str, specification: str
) -> ExposureRow | None:
    return next(
        (
            row
            for row in table.rows
            if (row.strength_ksi, row.designator) == (strength, designator)
            and row.covering in (None, covering)
            and row.specification in (None, specification)
        ),
        None,
    )
