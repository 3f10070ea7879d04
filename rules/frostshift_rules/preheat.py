"""What a rule table and the job's welding procedure ask of a joint.

`requirement` is the whole answer; the small functions above it each answer one question of the table. Nothing here
knows the weather: `minimum_at` adds the cold-steel rule for a given steel temperature, exactly and without a margin.

A job's code is either in US or in SI units; the two are not exact equivalents and are never mixed. Where the contract
does not say (`either`), both are worked out and the higher minimum holds.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Final

from frostshift_rules.by_composition import formula_answer, hydrogen_control_answer
from frostshift_rules.code_table import CodeTable, holds
from frostshift_rules.figures import (
    Answer,
    Ask,
    Gap,
    least_text,
    length_text,
    most_text,
    systems,
)
from frostshift_rules.job import CodeUnits, Joint, Procedure
from frostshift_rules.rows import (
    compared_thickness,
    in_band,
    row_answer,
    row_minimum_c,
    thickest,
    thickness_notes,
)
from frostshift_rules.units import c_from_f, mm_from_in

COVERED_MM: Final = 0.05
"""A thickness so near to the end of a procedure's range counts as within it [mm]: inches were converted."""


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
        method: what the deciding figure comes from, as in `Ask.what`; empty where unknown.
        out_of_range: those of `unknown` that say that a stated value lies outside what the method covers.
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
    method: str = ""
    out_of_range: tuple[str, ...] = ()

    @property
    def threshold_c(self) -> float | None:
        """Steel at or above it needs no heat: the minimum, and never below the cold-steel limit; None: unknown [°C]."""
        return None if self.minimum_c is None else max(self.minimum_c, self.cold_below_c)


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


def weigh(answer: Answer, procedure: Procedure | None) -> Verdict:
    """The table's figures against the procedure's own minimum.

    The procedure raises always. It lowers only where it is marked as qualified by test, and then replaces the row.
    Where the table does not cover the case a procedure qualified by test is the answer; where steel, process or
    electrode is missing it is not, because nobody can tell that it covers the joint. It also carries a joint whose rows
    are not accepted where it asks no less than they do.
    """
    row_c = max((figure.ask.minimum_c for figure in answer.figures), default=None)
    relied = all(figure.relied for figure in answer.figures)
    own_c = None if procedure is None else procedure.minimum_c
    gaps = tuple(gap.text for gap in answer.gaps)
    if gaps and (own_c is None or not all(gap.procedure_settles for gap in answer.gaps)):
        return Verdict(None, gaps, False, False)
    if gaps and procedure is not None and not procedure.qualified_by_test:
        untested = f"Procedure {procedure.name} is not marked as qualified by test, so it does not settle that."
        return Verdict(None, (*gaps, untested), False, False)
    if own_c is not None and procedure is not None and procedure.qualified_by_test:
        return Verdict(own_c, (), True, False)
    if own_c is None or (row_c is not None and own_c < row_c):
        return Verdict(row_c, (), False, not relied)
    return Verdict(own_c, (), row_c is None or own_c > row_c or not relied, False)


def requirement(
    joint: Joint, table: CodeTable, procedure: Procedure | None, units: CodeUnits, accepted: Collection[str]
) -> Requirement:
    """What the table and the procedure ask of a joint, whatever its steel temperature.

    Args:
        joint: the joint; its thickest part counts for every steel of it, and the highest minimum of its steels holds.
        table: the code table of the job.
        procedure: the joint's welding procedure; None where it names none or one that the site does not have.
        units: unit system of the job's code.
        accepted: ids of the tables that the site has checked against its own copy of the code.

    Returns:
        The requirement; `minimum_c` is None where anything needed is missing or contradictory, with the reasons.
    """
    answer = _by_code(joint, table, units, accepted)
    not_covered = () if procedure is None else outside(procedure, joint, units)
    if not_covered:
        procedure = None
    below_c, floor_c = cold_rule_c(table, units)
    maximum_c, maximum_source = maximum_of(joint, table, procedure, units)
    verdict = weigh(answer, procedure)
    unknown = verdict.unknown + not_covered
    if joint.procedure is not None and procedure is None and not not_covered:
        unknown += (f"Welding procedure {joint.procedure} is not among the site's procedures.",)
    if verdict.minimum_c is not None and maximum_c is not None and max(verdict.minimum_c, floor_c) > maximum_c:
        unknown += (
            f"The minimum of {least_text(max(verdict.minimum_c, floor_c), units)} is above the maximum of "
            f"{most_text(maximum_c, units)} ({maximum_source}): ask the engineer.",
        )
    literal_cold = any(figure.cold_mark for figure in answer.figures)
    asks = _asks(answer, procedure, verdict, table, floor_c)
    return Requirement(
        minimum_c=None if unknown else verdict.minimum_c,
        maximum_c=maximum_c,
        maximum_source=maximum_source,
        extent_mm=extent_mm(joint, table, units),
        cold_below_c=below_c,
        cold_floor_c=floor_c,
        literal_cold=literal_cold,
        category=", ".join(sorted({figure.group for figure in answer.figures if figure.group})),
        asks=asks,
        unknown=unknown,
        not_accepted=not unknown and verdict.not_accepted,
        notes=(
            *answer.notes,
            *thickness_notes(joint, table, units),
            *_process_notes(joint),
            *_procedure_notes(answer, procedure, verdict, units),
            *_by_test_notes(joint, table, procedure, units),
            *_cold_notes(verdict, literal_cold, table, units),
        ),
        method="" if unknown else asks[0].what,
        out_of_range=tuple(gap.text for gap in answer.gaps if gap.out_of_range),
    )


def deciding_values(joint: Joint) -> tuple[object, ...]:
    """What of a joint its requirement depends on; joints alike in it have the same requirement."""
    return (
        joint.parts,
        joint.process,
        joint.electrode,
        joint.hydrogen_ml,
        joint.procedure,
        joint.heat_input_kj_mm,
        joint.restraint,
        joint.weld_metal,
        joint.fracture_critical,
    )


def _by_code(joint: Joint, table: CodeTable, units: CodeUnits, accepted: Collection[str]) -> Answer:
    """Every figure of the code: rows or formula, and hydrogen control beside them."""
    if table.formula is not None:
        answer = formula_answer(joint, table, accepted)
    else:
        answer = row_answer(joint, table, units, accepted)
    answer = answer.and_also(hydrogen_control_answer(joint, table, units, accepted))
    return answer.and_also(_fracture_critical(joint, table))


def _fracture_critical(joint: Joint, table: CodeTable) -> Answer:
    rule = table.fracture_critical
    where = "" if rule is None else f" ({rule.clause})"
    if joint.fracture_critical:
        return Answer(gaps=(Gap(f"The member is fracture-critical{where}: ask the welding procedure.", True),))
    if rule is None:
        return Answer()
    said = f"Taken as no fracture-critical member{where}; such a one needs its procedure's minimum."
    return Answer(notes=(said,))


def outside(procedure: Procedure, joint: Joint, units: CodeUnits) -> tuple[str, ...]:
    """Why a procedure does not cover a joint; empty where it does, as far as it says what it covers."""
    said = []
    if procedure.process is not None and joint.process != procedure.process:
        said.append(f"it is for {procedure.process}, the joint is {joint.process or 'of an unknown process'}")
    for part in joint.parts if procedure.steels else ():
        if part.steel is None or not holds(procedure.steels, part.steel):
            said.append(f"it is for {', '.join(procedure.steels)}, a part is {part.steel or 'of unknown steel'}")
    thickest_mm = max(part.thickness_mm for part in joint.parts)
    low_mm, high_mm = procedure.from_mm or 0.0, math.inf if procedure.to_mm is None else procedure.to_mm
    if not low_mm - COVERED_MM <= thickest_mm <= high_mm + COVERED_MM:
        to = "and more" if math.isinf(high_mm) else f"to {length_text(high_mm, units)}"
        thickest = length_text(thickest_mm, units)
        said.append(f"it is for {length_text(low_mm, units)} {to}, the thickest part has {thickest}")
    return tuple(f"Welding procedure {procedure.name} does not cover the joint: {one}." for one in dict.fromkeys(said))


def _asks(
    answer: Answer, procedure: Procedure | None, verdict: Verdict, table: CodeTable, floor_c: float
) -> tuple[Ask, ...]:
    """Every figure, the deciding one first; of equal rows the one that is not relied on, since it is what holds up."""
    rows = [figure.ask for figure in sorted(answer.figures, key=lambda f: (-f.ask.minimum_c, f.relied))]
    cold = table.cold_steel.source
    cold_steel = Ask("cold_steel", floor_c, table.id, "", cold.clause, cold.basis, "Where the steel is colder.")
    if procedure is None or procedure.minimum_c is None:
        return (*rows, cold_steel)
    note = "Qualified by test." if procedure.qualified_by_test else "As stated by the job."
    own = Ask("procedure", procedure.minimum_c, "", f"procedure {procedure.name}", "", "as stated", note)
    return (own, *rows, cold_steel) if verdict.by_procedure else (*rows, own, cold_steel)


def _process_notes(joint: Joint) -> tuple[str, ...]:
    if joint.process != "GMAW":
        return ()
    return (
        "GMAW in short-circuiting transfer is not prequalified: it needs a procedure qualified by test (from memory).",
    )


def _procedure_notes(answer: Answer, procedure: Procedure | None, verdict: Verdict, units: CodeUnits) -> Iterable[str]:
    if procedure is None or procedure.minimum_c is None or verdict.minimum_c is None:
        return
    row_c = max((figure.ask.minimum_c for figure in answer.figures), default=None)
    own = f"Procedure {procedure.name} asks for {least_text(procedure.minimum_c, units)}"
    if row_c is None:
        yield f"{own}; the table gives no figure."
        return
    row = f"the row's {least_text(row_c, units)}"
    if procedure.minimum_c > row_c:
        yield f"{own}, above {row}."
    elif procedure.minimum_c < row_c and procedure.qualified_by_test:
        yield f"{own}, qualified by test, in place of {row}."
    elif procedure.minimum_c < row_c:
        yield f"{own}, below {row} and not marked as qualified by test: the row holds."


def _by_test_notes(joint: Joint, table: CodeTable, procedure: Procedure | None, units: CodeUnits) -> Iterable[str]:
    """Questions a procedure that asks less than such a procedure is expected to; answers nothing."""
    if table.by_test is None or procedure is None or procedure.minimum_c is None:
        return
    if not any(part.steel and table.needs_test(part.steel) for part in joint.parts):
        return
    for system in systems(units):
        at = thickest(joint.parts, table, system)
        row = next((row for row in table.by_test.rows if in_band(row.band, at, system)), None)
        if row is not None and procedure.minimum_c < row_minimum_c(row, system):
            yield (
                f"Procedure {procedure.name} asks for {least_text(procedure.minimum_c, units)}; such steels are "
                f"expected to need {least_text(row_minimum_c(row, system), units)} or more at this thickness "
                f"({row.source.clause}; {row.source.basis}): have the procedure checked."
            )


def _cold_notes(verdict: Verdict, literal_cold: bool, table: CodeTable, units: CodeUnits) -> Iterable[str]:
    below_c, floor_c = cold_rule_c(table, units)
    if verdict.minimum_c is None or verdict.minimum_c >= floor_c or literal_cold:
        return
    below, floor = least_text(below_c, units), least_text(floor_c, units)
    minimum = least_text(verdict.minimum_c, units)
    if verdict.by_procedure:
        yield f"Below {below} the raised {floor} holds over the procedure's {minimum}: our choice."
        return
    if any(row.cold_mark for row in table.rows):
        yield (
            f"Below {below} the raised {floor} is our choice here: read literally, the footnote stands only at rows of "
            f"{below}, and {minimum} would do."
        )
    else:
        yield (
            f"Below {below} the raised {floor} is our choice: {table.standard} has no such rule, and {minimum} would "
            "do."
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


@dataclass(frozen=True, slots=True)
class MeasuringPoints:
    """Where the temperature of a joint is measured.

    Attributes:
        distance_mm: from the groove edge to the standard's point.
        edge_mm: from the weld to the edge of the code's zone where that lies farther out: both have to be warm; None
            where it does not.
        at_least: the standard's point may lie farther out, as it does on thick parts.
    """

    distance_mm: float
    edge_mm: float | None
    at_least: bool


def measuring_points(thickest_mm: float, asked: Requirement, table: CodeTable) -> MeasuringPoints:
    """Where to measure on a joint by its thickest part (ISO 13916:2025) and by what the code asks to be warm."""
    distance_mm = measuring_distance_mm(thickest_mm, table)
    edge_mm = asked.extent_mm if asked.extent_mm > distance_mm + 1e-6 else None
    return MeasuringPoints(distance_mm, edge_mm, thickest_mm > table.measuring.thin_to_mm)
