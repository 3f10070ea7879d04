"""What a rule table and the job's welding procedure ask of a joint.

`requirement` is the whole answer; the small functions above it each answer one question of the table. Nothing here
knows the weather: `minimum_at` adds the cold-steel rule for a given steel temperature, exactly and without a margin.

A job's code is either in US or in SI units; the two are not exact equivalents and are never mixed. Where the contract
does not say (`either`), both are worked out and the higher minimum holds.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal, TypeVar

from frostshift_rules.job import CodeUnits, Joint, Part, Procedure
from frostshift_rules.strict import BASES, Basis
from frostshift_rules.tables import Band, Category, CodeTable, Row, SteelList
from frostshift_rules.units import c_from_f, f_from_c, in_from_mm, mm_from_in

System = Literal["us", "si"]
"""One of the two unit systems of a code."""

T = TypeVar("T")

SURE: Final[frozenset[Basis]] = frozenset({"seen", "our choice"})
"""What needs no acceptance by the site: figures read in the standard, and choices of our own above it."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One figure that was asked for, and by whom.

    Attributes:
        what: `row`, `procedure` or `cold_steel`.
        minimum_c: [°C].
        table_id: rule table; empty for a procedure.
        row: which row, for people: `category B, over 38 thru 65 mm`.
        clause: of the standard.
        basis: how sure our figure is.
        note: how it came about, one sentence.
    """

    what: str
    minimum_c: float
    table_id: str
    row: str
    clause: str
    basis: Basis
    note: str


@dataclass(frozen=True, slots=True)
class Requirement:
    """What is asked of a joint, whatever its steel temperature; `minimum_at` adds the cold-steel rule.

    Attributes:
        minimum_c: before the cold-steel rule [°C]; None: unknown, see `unknown`.
        maximum_c: highest preheat and interpass temperature [°C]; None: none stated.
        maximum_source: where the maximum comes from; empty for none.
        extent_mm: must be warm on every side of the weld and through the thickness [mm].
        cold_below_c: steel colder than this needs `cold_floor_c` at least [°C].
        cold_floor_c: [°C].
        literal_cold: False where the printed footnote, read literally, would not raise this row.
        category: for people, such as `B`; empty where unknown.
        asks: every figure that was looked up, the deciding one first.
        unknown: why the minimum is unknown; empty where it is known.
        not_accepted: True where the deciding figures rest on rows that the site has to accept first.
        notes: further sentences for people.
    """

    minimum_c: float | None
    maximum_c: float | None
    maximum_source: str
    extent_mm: float
    cold_below_c: float
    cold_floor_c: float
    literal_cold: bool
    category: str
    asks: tuple[Ask, ...]
    unknown: tuple[str, ...]
    not_accepted: bool
    notes: tuple[str, ...]

    @property
    def threshold_c(self) -> float | None:
        """Steel at or above it needs no heat: the minimum, and never below the cold-steel limit; None: unknown [°C]."""
        return None if self.minimum_c is None else max(self.minimum_c, self.cold_below_c)


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


@dataclass(frozen=True, slots=True)
class Gap:
    """Why the table gives no figure.

    `procedure_settles`: the table does not cover the case, so that the welding procedure's own minimum is the answer.
    False where steel, process or electrode is missing or cannot be read: nobody can tell that a procedure covers such a
    joint, qualified by test or not, and it could lie below the table unseen.
    """

    text: str
    procedure_settles: bool


@dataclass(frozen=True, slots=True)
class Figure:
    """One row that applies to one part; `relied`: nothing in it still needs the site's acceptance."""

    ask: Ask
    row: Row
    relied: bool


def systems(units: CodeUnits) -> tuple[System, ...]:
    """The unit systems a job's code is worked out in."""
    return ("us", "si") if units == "either" else (units,)


def temperature_text(c: float, units: CodeUnits) -> str:
    """A temperature for people, in the units of the job's code."""
    in_f, in_c = f"{f_from_c(c):.0f} °F", f"{c:.0f} °C"
    return {"us": in_f, "si": in_c, "either": f"{in_c} ({in_f})"}[units]


@lru_cache(maxsize=1024)
def inches_text(inch: float) -> str:
    """A length in inches as it is said, such as `1-1/2`; decimals where it is no sixteenth."""
    sixteenths = Fraction(inch) * 16
    if sixteenths.denominator != 1:
        return f"{inch:.3f}"
    whole, rest = divmod(Fraction(inch), 1)
    if not rest:
        return str(whole)
    return f"{whole}-{rest}" if whole else str(rest)


# ---------------------------------------------------------------- thickness


def compared_thickness(part: Part, table: CodeTable, system: System) -> float:
    """The thickness as the code's bands are compared with it, in the system's own unit [in or mm].

    In US units what was typed in inches is compared as typed. What was typed in mm reaches us through a conversion, and
    within the table's tolerance of an edge it counts as the edge: 38.1 mm is a 1-1/2 in plate. In SI units inches
    convert exactly and without tolerance: 1-1/2 in is 38.1 mm, over 38 mm and in the thicker band, the safe side.
    """
    if system == "si":
        return part.thickness_mm if part.thickness_in is None else mm_from_in(part.thickness_in)
    if part.thickness_in is not None:
        return part.thickness_in
    converted = in_from_mm(part.thickness_mm)
    nearest = min(table.edges_in, key=lambda edge: abs(edge - converted))
    return nearest if abs(nearest - converted) <= table.edge_tolerance_in else converted


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


def row_text(row: Row, first: bool, system: System) -> str:
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
    return f"category {row.category}, {span}"


# ---------------------------------------------------------------- category

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
    if len(kinds) == 1:
        return Consumable(kinds.pop(), joint.hydrogen_ml, "seen")
    return _stick_consumable(joint, table)


def _stick_consumable(joint: Joint, table: CodeTable) -> Consumable | Gap:
    if joint.electrode is None:
        return Gap(f"{joint.process} needs the electrode's classification, such as E7018.", False)
    try:
        electrode = read_electrode(joint.electrode)
    except ValueError as error:
        return Gap(f"{str(error)[0].upper()}{str(error)[1:]}.", False)
    kind = next((kind for kind in table.electrodes if electrode.covering in kind.coverings), None)
    if kind is None:
        return Gap(f"Electrode {joint.electrode}: covering {electrode.covering} is not known.", False)
    # Two statements that differ: the higher one, which is the safe side.
    stated = [ml for ml in (joint.hydrogen_ml, electrode.hydrogen_ml) if ml is not None]
    return Consumable(kind.low_hydrogen, max(stated, default=None), kind.source.basis)


def _is_open_to(category: Category, process: str | None, consumable: Consumable) -> bool:
    if process not in category.processes or category.low_hydrogen != consumable.low_hydrogen:
        return False
    if category.hydrogen_ml is None:
        return True
    return consumable.hydrogen_ml is not None and consumable.hydrogen_ml <= category.hydrogen_ml


_NO_STEEL: Final = Gap("The steel is not stated.", False)


def categories_of(
    steel: str | None, process: str | None, consumable: Consumable, table: CodeTable
) -> tuple[tuple[Category, SteelList], ...] | Gap:
    """The categories that list the steel for this process and consumable, with the list; a gap for none."""
    if steel is None:
        return _NO_STEEL
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


def least_sure(bases: Iterable[Basis]) -> Basis:
    """The least sure of some bases: a figure is no surer than the least sure fact it rests on."""
    return max(bases, key=BASES.index)


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
        row=row_text(row, row is table.rows_of(category.name)[0], system),
        clause=row.source.clause,
        basis=basis,
        note=f"{steel} by {steels.source.clause} ({steels.source.basis}); {category.covers}.",
    )
    return Figure(ask, row, accepted or basis in SURE)


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
    part: Part, joint: Joint, consumable: Consumable, table: CodeTable, system: System, accepted: bool
) -> tuple[Figure, ...] | Gap:
    """Every row that may be taken for one part of the joint; a gap for none."""
    listed = categories_of(part.steel, joint.process, consumable, table)
    if isinstance(listed, Gap):
        return listed
    thickness = thickest(joint.parts, table, system)
    found = [(category, steels, row_of(table, category.name, thickness, system)) for category, steels in listed]
    figures = tuple(
        _figure(str(part.steel), category, steels, row, consumable, table, system, accepted)
        for category, steels, row in found
        if row is not None
    )
    return figures or Gap(f"{table.name} does not cover parts this thin: ask the welding procedure.", True)


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """What the table says of a joint: the figure of each part, what it gives no figure for, and why."""

    figures: tuple[Figure, ...]
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]


def table_answer(joint: Joint, table: CodeTable, units: CodeUnits, accepted: bool) -> TableAnswer:
    """The rows that apply to the parts of a joint, in each unit system of the job's code."""
    consumable = consumable_of(joint, table)
    if isinstance(consumable, Gap):
        missing_steel = (_NO_STEEL,) if any(part.steel is None for part in joint.parts) else ()
        return TableAnswer((), (consumable, *missing_steel), ())
    figures: list[Figure] = []
    gaps: list[Gap] = []
    notes: list[str] = []
    for system in systems(units):
        for part in joint.parts:
            found = part_figures(part, joint, consumable, table, system, accepted)
            if isinstance(found, Gap):
                gaps.append(found)
                continue
            chosen = choose(found)
            figures.append(chosen)
            notes += [
                f"{part.steel} in {other.ask.row} would need {temperature_text(other.ask.minimum_c, units)}: counts "
                "only when the site has accepted the table."
                for other in found
                if other.ask.minimum_c < chosen.ask.minimum_c
            ]
    return TableAnswer(_once(figures), _once(gaps), _once(notes))


def _once(values: Iterable[T]) -> tuple[T, ...]:
    return tuple(dict.fromkeys(values))


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


# ---------------------------------------------------------------- maximum, cold steel, extent


def maximum_of(
    joint: Joint, table: CodeTable, procedure: Procedure | None, units: CodeUnits
) -> tuple[float | None, str]:
    """Lowest stated maximum [°C] and where it comes from; None and an empty text for none.

    A part's own thickness counts here, not the thickest: the thinner part may be heated less.
    """
    stated: list[tuple[float, str]] = []
    if procedure is not None and procedure.maximum_c is not None:
        stated.append((procedure.maximum_c, f"procedure {procedure.name}"))
    for system in systems(units):
        for part in joint.parts:
            for maximum in table.maxima:
                thickness = compared_thickness(part, table, system)
                if part.steel and maximum.covers(part.steel) and in_band(maximum.band, thickness, system):
                    most_c = c_from_f(maximum.max_f) if system == "us" else maximum.max_c
                    source = f"{table.name}, {maximum.source.clause} ({maximum.source.basis})"
                    stated.append((most_c, f"{part.steel}: {source}"))
    return min(stated) if stated else (None, "")


def cold_rule_c(table: CodeTable, units: CodeUnits) -> tuple[float, float]:
    """Cold-steel rule: steel colder than the first [°C] needs at least the second [°C]."""
    cold = table.cold_steel
    by_system = {"us": (c_from_f(cold.below_f), c_from_f(cold.floor_f)), "si": (cold.below_c, cold.floor_c)}
    rules = [by_system[system] for system in systems(units)]
    return max(below for below, _ in rules), max(floor for _, floor in rules)


def extent_mm(joint: Joint, table: CodeTable, units: CodeUnits) -> float:
    """How far from the weld in all directions the minimum has to hold [mm]: the thickest part, but at least so much."""
    least = {"us": mm_from_in(table.extent.least_in), "si": table.extent.least_mm}
    return max([part.thickness_mm for part in joint.parts] + [least[system] for system in systems(units)])


# ---------------------------------------------------------------- the whole answer


@dataclass(frozen=True, slots=True)
class Verdict:
    """Minimum [°C] from table and procedure together; None: unknown, with why."""

    minimum_c: float | None
    unknown: tuple[str, ...]
    by_procedure: bool
    not_accepted: bool


def weigh(answer: TableAnswer, procedure: Procedure | None) -> Verdict:
    """The table's figures against the procedure's own minimum.

    The procedure raises always. It lowers only where it is marked as qualified by test, and then replaces the row.
    Where the table does not cover the case the procedure is the answer; where steel, process or electrode is missing it
    is not, because nobody can tell that it covers the joint. It also carries a joint whose rows are not accepted where
    it asks no less than they do.
    """
    row_c = max((figure.ask.minimum_c for figure in answer.figures), default=None)
    relied = all(figure.relied for figure in answer.figures)
    own_c = None if procedure is None else procedure.minimum_c
    gaps = tuple(gap.text for gap in answer.gaps)
    if gaps and (own_c is None or not all(gap.procedure_settles for gap in answer.gaps)):
        return Verdict(None, gaps, False, False)
    if own_c is not None and procedure is not None and procedure.qualified_by_test:
        return Verdict(own_c, (), True, False)
    if own_c is None or (row_c is not None and own_c < row_c):
        return Verdict(row_c, (), False, not relied)
    return Verdict(own_c, (), row_c is None or own_c > row_c or not relied, False)


def requirement(
    joint: Joint, table: CodeTable, procedure: Procedure | None, units: CodeUnits, accepted: bool
) -> Requirement:
    """What the table and the procedure ask of a joint, whatever its steel temperature.

    Args:
        joint: the joint; its thickest part counts for every steel of it, and the highest minimum of its steels holds.
        table: the code table of the job.
        procedure: the joint's welding procedure; None where it names none or one that the site does not have.
        units: unit system of the job's code.
        accepted: the site has checked the table against its own copy of the code.

    Returns:
        The requirement; `minimum_c` is None where anything needed is missing or contradictory, with the reasons.
    """
    answer = table_answer(joint, table, units, accepted)
    below_c, floor_c = cold_rule_c(table, units)
    maximum_c, maximum_source = maximum_of(joint, table, procedure, units)
    verdict = weigh(answer, procedure)
    unknown = verdict.unknown
    if joint.procedure is not None and procedure is None:
        unknown += (f"Welding procedure {joint.procedure} is not among the site's procedures.",)
    if verdict.minimum_c is not None and maximum_c is not None and max(verdict.minimum_c, floor_c) > maximum_c:
        unknown += (
            f"The minimum of {temperature_text(max(verdict.minimum_c, floor_c), units)} is above the maximum of "
            f"{temperature_text(maximum_c, units)} ({maximum_source}): ask the engineer.",
        )
    literal_cold = any(figure.row.cold_mark for figure in answer.figures)
    return Requirement(
        minimum_c=None if unknown else verdict.minimum_c,
        maximum_c=maximum_c,
        maximum_source=maximum_source,
        extent_mm=extent_mm(joint, table, units),
        cold_below_c=below_c,
        cold_floor_c=floor_c,
        literal_cold=literal_cold,
        category=", ".join(sorted({figure.row.category for figure in answer.figures})),
        asks=_asks(answer, procedure, verdict, table, floor_c),
        unknown=unknown,
        not_accepted=not unknown and verdict.not_accepted,
        notes=(
            *answer.notes,
            *thickness_notes(joint, table, units),
            *_process_notes(joint),
            *_procedure_notes(answer, procedure, verdict, units),
            *_cold_notes(verdict, literal_cold, below_c, floor_c, units),
        ),
    )


def _asks(
    answer: TableAnswer, procedure: Procedure | None, verdict: Verdict, table: CodeTable, floor_c: float
) -> tuple[Ask, ...]:
    """Every figure, the deciding one first; of equal rows the one that is not relied on, since it is what holds up."""
    rows = [figure.ask for figure in sorted(answer.figures, key=lambda f: (-f.ask.minimum_c, f.relied))]
    cold = table.cold_steel.source
    cold_steel = Ask("cold_steel", floor_c, table.id, "", cold.clause, cold.basis, "Where the steel is colder.")
    if procedure is None or procedure.minimum_c is None:
        return (*rows, cold_steel)
    note = "Qualified by test." if procedure.qualified_by_test else "As stated by the job."
    own = Ask("procedure", procedure.minimum_c, "", f"procedure {procedure.name}", "", "our choice", note)
    return (own, *rows, cold_steel) if verdict.by_procedure else (*rows, own, cold_steel)


def _process_notes(joint: Joint) -> tuple[str, ...]:
    if joint.process != "GMAW":
        return ()
    return (
        "GMAW in short-circuiting transfer is not prequalified: it needs a procedure qualified by test (from memory).",
    )


def _procedure_notes(
    answer: TableAnswer, procedure: Procedure | None, verdict: Verdict, units: CodeUnits
) -> Iterable[str]:
    if procedure is None or procedure.minimum_c is None or verdict.minimum_c is None:
        return
    row_c = max((figure.ask.minimum_c for figure in answer.figures), default=None)
    own = f"Procedure {procedure.name} asks for {temperature_text(procedure.minimum_c, units)}"
    if row_c is None:
        yield f"{own}; the table gives no figure."
        return
    row = f"the row's {temperature_text(row_c, units)}"
    if procedure.minimum_c > row_c:
        yield f"{own}, above {row}."
    elif procedure.minimum_c < row_c and procedure.qualified_by_test:
        yield f"{own}, qualified by test, in place of {row}."
    elif procedure.minimum_c < row_c:
        yield f"{own}, below {row} and not marked as qualified by test: the row holds."


def _cold_notes(
    verdict: Verdict, literal_cold: bool, below_c: float, floor_c: float, units: CodeUnits
) -> Iterable[str]:
    if verdict.minimum_c is not None and verdict.minimum_c < floor_c and not literal_cold:
        below, floor = temperature_text(below_c, units), temperature_text(floor_c, units)
        yield (
            f"Below {below} the raised {floor} is our choice here: read literally, the footnote stands only at rows of "
            f"{below}, and {temperature_text(verdict.minimum_c, units)} would do."
        )


# ---------------------------------------------------------------- at a steel temperature


def minimum_at(asked: Requirement, steel_c: float) -> float:
    """Minimum preheat and interpass temperature [°C] of steel that is now at `steel_c` [°C].

    Below the limit, strictly, the cold-steel floor holds where it is higher; steel at exactly 32 °F is not below it.
    NaN for NaN, and where the requirement is unknown.
    """
    if asked.minimum_c is None or math.isnan(steel_c):
        return math.nan
    return max(asked.minimum_c, asked.cold_floor_c) if steel_c < asked.cold_below_c else asked.minimum_c


def cold_floor_decides(asked: Requirement, steel_c: float) -> bool:
    """Whether the cold-steel floor and not the row or the procedure sets the minimum of steel at `steel_c` [°C].

    False for NaN and where the requirement is unknown.
    """
    return asked.minimum_c is not None and asked.minimum_c < asked.cold_floor_c and steel_c < asked.cold_below_c


# ---------------------------------------------------------------- measuring


def soak_minutes(thickness_mm: float, table: CodeTable) -> float:
    """Wait after the heat is off before a reading on the heated face is true [min] (ISO 13916:2025)."""
    return table.measuring.wait_minutes * thickness_mm / table.measuring.wait_per_mm


def measuring_distance_mm(thickness_mm: float, table: CodeTable) -> float:
    """How far from the groove edge the temperature is measured [mm] (ISO 13916:2025)."""
    rule = table.measuring
    if thickness_mm > rule.thin_to_mm:
        return rule.thick_at_mm
    return min(rule.thicknesses * thickness_mm, rule.thin_at_most_mm)


def measuring_note(thickness_mm: float, table: CodeTable, units: CodeUnits) -> str:
    """Where and when to measure, one sentence for people."""
    distance_mm = measuring_distance_mm(thickness_mm, table)
    distance = f"{in_from_mm(distance_mm):.1f} in" if units == "us" else f"{distance_mm:.0f} mm"
    if thickness_mm > table.measuring.thin_to_mm:
        distance = f"at least {distance}"
    return (
        f"Measure {distance} from the groove edge, on the face away from the heat; on the heated face only after the "
        f"heat has been off for {soak_minutes(thickness_mm, table):.0f} min "
        f"({table.measuring.standard}, {table.measuring.source.clause})."
    )
