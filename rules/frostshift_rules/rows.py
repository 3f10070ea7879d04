"""The minimum by category and thickness: which row of a code table applies to which part of a joint."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.code_table import Band, Category, CodeTable, Row, SteelList
from frostshift_rules.figures import NO_STEEL, SURE, Answer, Ask, Figure, Gap, inches_text, least_text, once, systems
from frostshift_rules.job import CodeUnits, Joint, Part
from frostshift_rules.sentences import capital
from frostshift_rules.strict import BASES, Basis, least_sure
from frostshift_rules.units import System, c_from_f, in_from_mm, mm_from_in

# ---------------------------------------------------------------- thickness


def compared_thickness(part: Part, table: CodeTable, system: System) -> float:
    """The thickness as the code's bands are compared with it, in the system's own unit [in or mm].

    In US units what was typed in inches is compared as typed. What was typed in mm reaches us through a conversion, and
    within the table's tolerance of an edge it counts as the edge: 38.1 mm is a 1-1/2 in plate. In SI units inches
    convert exactly and without tolerance: 1-1/2 in is 38.1 mm, over 38 mm and in the thicker band, the safe side.
    """
    if system == "si":
        return mm_of(part)
    return inches_of(part, table.edges_in, table.edge_tolerance_in)


def mm_of(part: Part) -> float:
    """Thickness in mm [mm]: as typed, or converted from inches exactly and without a tolerance."""
    return part.thickness_mm if part.thickness_in is None else mm_from_in(part.thickness_in)


def inches_of(part: Part, edges_in: Iterable[float], tolerance_in: float) -> float:
    """Thickness in inches [in]: as typed, or converted and then taken as an edge of bands that it is so near to."""
    if part.thickness_in is not None:
        return part.thickness_in
    converted = in_from_mm(part.thickness_mm)
    nearest = min(edges_in, key=lambda edge: abs(edge - converted), default=math.inf)
    return nearest if abs(nearest - converted) <= tolerance_in else converted


def thickest(parts: Iterable[Part], table: CodeTable, system: System) -> float:
    """The thickest part at the point of welding, in the system's unit [in or mm]; it counts for every steel there."""
    return max(compared_thickness(part, table, system) for part in parts)


def in_band(band: Band, thickness: float, system: System) -> bool:
    """Whether a thickness lies in a band; the upper edge belongs to it, the lower one does not."""
    over, to = (band.over_in, band.to_in) if system == "us" else (band.over_mm, band.to_mm)
    return over < thickness <= to


def row_of(table: CodeTable, category: str, thickness: float, system: System) -> Row | None:
    """The row of a category for a thickness [in or mm]; None below the table's thinnest.

    The thinnest thickness itself ("1/8 to 3/4 in incl.") belongs to the first row.
    """
    rows = table.rows_of(category)
    thinnest = rows[0].band.over_in if system == "us" else rows[0].band.over_mm
    if thickness == thinnest:
        return rows[0]
    return next((row for row in rows if in_band(row.band, thickness, system)), None)


def row_minimum_c(row: Row, system: System) -> float:
    """Minimum of a row [°C]: the °F column converted exactly in US units, the printed °C column in SI units."""
    return c_from_f(row.min_f) if system == "us" else row.min_c


def row_text(row: Row, first: bool, group_word: str, system: System) -> str:
    """A row for people: `category B, over 3/4 through 1-1/2 in`."""
    band = row.band
    if system == "us":
        over, to, unit = inches_text(band.over_in), "" if math.isinf(band.to_in) else inches_text(band.to_in), "in"
    else:
        over, to, unit = f"{band.over_mm:g}", "" if math.isinf(band.to_mm) else f"{band.to_mm:g}", "mm"
    if not to:
        span = f"{over} {unit} and over" if first else f"over {over} {unit}"
    else:
        span = f"{over} through {to} {unit}" if first else f"over {over} through {to} {unit}"
    return f"{group_word} {row.category}, {span}"


# ---------------------------------------------------------------- category


@dataclass(frozen=True, slots=True)
class Electrode:
    """What a stick electrode's classification says.

    `covering` is the pair of digits for position and covering (`18` of E7018); `hydrogen_ml` the diffusible hydrogen
    that its designator states [mL/100 g] (8 for H8), None where it states none.
    """

    covering: str
    hydrogen_ml: float | None


@dataclass(frozen=True, slots=True)
class Consumable:
    """What decides the category beside the steel: low hydrogen or not, stated hydrogen, and how sure that is."""

    low_hydrogen: bool
    hydrogen_ml: float | None
    basis: Basis


_ELECTRODE: Final = re.compile(
    r"E?\s?(?:[6-9]0|1[0-2]0)(\d\d)(?:-?M1?|-1|-(?:[A-DGPW]\d?L?|NM\d?))?(?:[\s-]?H(4|8|16))?(?:[\s-]?R)?"
)


def read_electrode(text: str) -> Electrode:
    """A stick electrode's classification, such as `E7018`, `E8018-C3 H4R` or `E11018-M`.

    The form is that of AWS A5.1 and A5.5: tensile strength, position and covering, alloy, hydrogen designator.

    Raises:
        ValueError: the text is no such classification.
    """
    match = _ELECTRODE.fullmatch(" ".join(text.upper().split()))
    if match is None:
        raise ValueError(f"electrode {text!r} cannot be read; expected a classification such as E7018 or E8018-C3 H4R")
    covering, hydrogen = match.groups()
    return Electrode(covering, None if hydrogen is None else float(hydrogen))


def consumable_of(joint: Joint, table: CodeTable) -> Consumable | Gap:
    """Whether the joint is welded with low hydrogen; a gap where the table or the schedule does not say."""
    if joint.process is None:
        return Gap("The welding process is not stated.", False)
    kinds = {category.low_hydrogen for category in table.categories if joint.process in category.processes}
    if not kinds:
        return Gap(f"{table.name} has no row for {joint.process}: ask the welding procedure.", True)
    # A table for low hydrogen alone still has to be told that a stick electrode is.
    if joint.process == "SMAW" and table.electrodes:
        return _stick_consumable(joint, table)
    return Consumable(kinds.pop(), joint.hydrogen_ml, "seen")


def _stick_consumable(joint: Joint, table: CodeTable) -> Consumable | Gap:
    if joint.electrode is None:
        return Gap(f"{joint.process} needs the electrode's classification, such as E7018.", False)
    try:
        electrode = read_electrode(joint.electrode)
    except ValueError as error:
        return Gap(f"{capital(str(error))}.", False)
    kind = next((kind for kind in table.electrodes if electrode.covering in kind.coverings), None)
    if kind is None:
        return Gap(f"Electrode {joint.electrode}: covering {electrode.covering} is not known.", False)
    return Consumable(kind.low_hydrogen, hydrogen_ml(joint), kind.source.basis)


def hydrogen_ml(joint: Joint) -> float | None:
    """Diffusible hydrogen of the consumable as the joint or the electrode's designator states it [mL/100 g].

    Of two statements that differ the higher one, which is the safe side; None: not stated, or no electrode to read.
    """
    stated = [] if joint.hydrogen_ml is None else [joint.hydrogen_ml]
    if joint.process == "SMAW" and joint.electrode is not None:
        try:
            designated = read_electrode(joint.electrode).hydrogen_ml
        except ValueError:
            designated = None
        stated += [] if designated is None else [designated]
    return max(stated, default=None)


def _is_open_to(category: Category, process: str | None, consumable: Consumable) -> bool:
    if process not in category.processes or category.low_hydrogen != consumable.low_hydrogen:
        return False
    if category.hydrogen_ml is None:
        return True
    return consumable.hydrogen_ml is not None and consumable.hydrogen_ml <= category.hydrogen_ml


def categories_of(
    steel: str | None, process: str | None, consumable: Consumable, table: CodeTable
) -> tuple[tuple[Category, SteelList], ...] | Gap:
    """The categories that list the steel for this process and consumable, with the list; a gap for none."""
    if steel is None:
        return NO_STEEL
    if table.needs_test(steel):
        return Gap(f"{steel} is not prequalified in {table.name}: ask the welding procedure, qualified by test.", True)
    listed = tuple(
        (category, steels)
        for category in table.categories
        if _is_open_to(category, process, consumable)
        for steels in table.steels
        if steels.category == category.name and steels.covers(steel)
    )
    if listed:
        return listed
    hydrogen = "low hydrogen" if consumable.low_hydrogen else "other than low hydrogen"
    return Gap(f"{steel} is not listed in {table.name} for {process}, {hydrogen}: ask the welding procedure.", True)


# ---------------------------------------------------------------- figures of the table


def _figure(
    steel: str,
    category: Category,
    steels: SteelList,
    row: Row,
    consumable: Consumable,
    table: CodeTable,
    system: System,
    accepted: bool,
) -> Figure:
    basis = least_sure((row.source.basis, category.source.basis, steels.source.basis, consumable.basis))
    ask = Ask(
        what="row",
        minimum_c=row_minimum_c(row, system),
        table_id=table.id,
        row=row_text(row, row is table.rows_of(category.name)[0], table.group_word, system),
        clause=row.source.clause,
        basis=basis,
        note=f"{steel} by {steels.source.clause} ({steels.source.basis}); {category.covers}.",
    )
    return Figure(ask, category.name, row.cold_mark, accepted or basis in SURE)


def choose(figures: Sequence[Figure]) -> Figure:
    """The figure that holds where a steel is listed in more than one category (A913 in B or C, and in D with H8).

    The lowest of those that may be relied on, the surest first; where none may, the highest: a figure that the site has
    not accepted never lowers a minimum.
    """
    relied = [figure for figure in figures if figure.relied]
    if relied:
        return min(relied, key=lambda figure: (figure.ask.minimum_c, BASES.index(figure.ask.basis)))
    return max(figures, key=lambda figure: figure.ask.minimum_c)


def part_figures(
    part: Part,
    joint: Joint,
    consumable: Consumable,
    table: CodeTable,
    thickness: float,
    system: System,
    accepted: bool,
) -> tuple[Figure, ...] | Gap:
    """Every row that may be taken for one part at a thickness [in or mm]; a gap for none."""
    listed = categories_of(part.steel, joint.process, consumable, table)
    if isinstance(listed, Gap):
        return listed
    found = [(category, steels, row_of(table, category.name, thickness, system)) for category, steels in listed]
    figures = tuple(
        _figure(str(part.steel), category, steels, row, consumable, table, system, accepted)
        for category, steels, row in found
        if row is not None
    )
    return figures or Gap(f"{table.name} does not cover parts this thin: ask the welding procedure.", True)


def row_answer(joint: Joint, table: CodeTable, units: CodeUnits, accepted: Collection[str]) -> Answer:
    """The rows that apply to the parts of a joint, in each unit system of the job's code.

    Args:
        joint: its thickest part counts for every steel of it.
        table: with rows.
        units: unit system of the job's code.
        accepted: ids of the tables that the site has accepted.
    """
    consumable = consumable_of(joint, table)
    if isinstance(consumable, Gap):
        missing_steel = (NO_STEEL,) if any(part.steel is None for part in joint.parts) else ()
        return Answer(gaps=(consumable, *missing_steel))
    answer = Answer()
    for system in systems(units):
        of_system = _in_system(joint, consumable, table, system, units, table.id in accepted)
        answer = answer.and_also(of_system)
    return answer


def _in_system(
    joint: Joint, consumable: Consumable, table: CodeTable, system: System, units: CodeUnits, accepted: bool
) -> Answer:
    figures: list[Figure] = []
    gaps: list[Gap] = []
    notes: list[str] = []
    own: list[float] = []
    at = thickest(joint.parts, table, system)
    for part in joint.parts:
        found = part_figures(part, joint, consumable, table, at, system, accepted)
        if isinstance(found, Gap):
            gaps.append(found)
            continue
        chosen = choose(found)
        figures.append(chosen)
        notes += [
            f"{part.steel} in {other.ask.row} would need {least_text(other.ask.minimum_c, units)}: counts "
            "only when the site has accepted the table."
            for other in found
            if other.ask.minimum_c < chosen.ask.minimum_c
        ]
        by_itself = compared_thickness(part, table, system)
        of_own = part_figures(part, joint, consumable, table, by_itself, system, accepted)
        own += [] if isinstance(of_own, Gap) else [choose(of_own).ask.minimum_c]
    if not gaps and len(own) == len(figures) and max(own) < max(figure.ask.minimum_c for figure in figures):
        notes.append(
            f"With each steel read at its own thickness {least_text(max(own), units)} would do; the thickest "
            "part counts for every steel here (our choice, never lower)."
        )
    return Answer(once(figures), once(gaps), once(notes))


def thickness_notes(joint: Joint, table: CodeTable, units: CodeUnits) -> tuple[str, ...]:
    """How the thickest part was compared, where the unit it was typed in is not the code's own."""
    part = max(joint.parts, key=lambda part: part.thickness_mm)
    if units == "us" and part.thickness_in is None:
        inch = compared_thickness(part, table, "us")
        if inch != in_from_mm(part.thickness_mm):
            return (f"{part.thickness_mm:g} mm counts as {inches_text(inch)} in, the code being in US units.",)
    if units == "si" and part.thickness_in is not None:
        mm = compared_thickness(part, table, "si")
        return (f"{inches_text(part.thickness_in)} in counts as {mm:g} mm, the code being in SI units.",)
    if units == "either":
        return ("Worked out in US and in SI units; the higher minimum holds, as the job does not say which applies.",)
    return ()
