"""The minimum by composition: EN 1011-2 method B, and the hydrogen-control method beside a table of rows."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from frostshift_rules.code_table import CodeTable
from frostshift_rules.composition import (
    Composition,
    MethodB,
    NotStated,
    Restraint,
    cet_percent,
    deciding_cet,
    method_b_arithmetic,
    method_b_minimum_c,
    pcm_percent,
    unchecked_elements,
)
from frostshift_rules.figures import NO_STEEL, SURE, Answer, Ask, Figure, Gap, systems
from frostshift_rules.hydrogen_control import (
    HydrogenControl,
    hydrogen_control_cell,
    hydrogen_level,
    index_group,
    least_sure_source,
    load_hydrogen_control,
)
from frostshift_rules.job import CodeUnits, Joint, Part
from frostshift_rules.rows import consumable_of, hydrogen_ml, inches_of, mm_of
from frostshift_rules.strict import OutOfRange, least_sure
from frostshift_rules.units import System, c_from_f

_WORDS: Final = {
    "heat_input_kj_mm": "heat input",
    "hydrogen_ml": "hydrogen",
    "thickness_mm": "thickness",
    "cet": "CET",
}


def _said(number: int, error: ValueError) -> str:
    """An error of a formula for people: `part 1: heat input is 5 kJ/mm, outside 0.5 to 4 kJ/mm`."""
    field, _, rest = str(error).partition(" ")
    return f"Part {number}: {_WORDS.get(field, field)} {rest}."


# ---------------------------------------------------------------- EN 1011-2 method B


def formula_answer(joint: Joint, table: CodeTable, accepted: Collection[str]) -> Answer:
    """Method B for every part of a joint; each at the thickest part's thickness, in °C and mm whatever the job's units.

    Raises:
        ValueError: the table has no formula.
    """
    method = table.formula
    if method is None:
        raise ValueError(f"{table.id} has no formula")
    missing = _missing(joint)
    if missing or joint.heat_input_kj_mm is None:
        return Answer(gaps=missing)
    answer = Answer()
    for number, part in enumerate(joint.parts, 1):
        answer = answer.and_also(_of_part(number, part, joint, joint.heat_input_kj_mm, table, method, accepted))
    return answer


def _missing(joint: Joint) -> tuple[Gap, ...]:
    """What method B needs and the joint does not state; the welding procedure's own minimum may stand instead."""
    gaps = []
    if joint.process is None:
        gaps.append(Gap("The welding process is not stated.", False))
    if any(part.steel is None for part in joint.parts):
        gaps.append(NO_STEEL)
    if hydrogen_ml(joint) is None:
        gaps.append(
            Gap("Method B needs the diffusible hydrogen of the consumable, such as H5; it is not stated.", True)
        )
    if joint.heat_input_kj_mm is None:
        gaps.append(Gap("Method B needs the heat input, such as 1.5 kJ/mm; it is not stated.", True))
    return tuple(gaps)


def _of_part(
    number: int,
    part: Part,
    joint: Joint,
    heat_input_kj_mm: float,
    table: CodeTable,
    method: MethodB,
    accepted: Collection[str],
) -> Answer:
    thickness_mm = max(one.thickness_mm for one in joint.parts)
    hydrogen = hydrogen_ml(joint)
    if part.composition is None or hydrogen is None:
        return Answer(gaps=(Gap(f"Method B needs the composition of part {number}; it is not stated.", True),))
    try:
        parent = cet_percent(part.composition, method)
        weld_metal = None if joint.weld_metal is None else cet_percent(joint.weld_metal, method, weld_metal=True)
        cet, note = deciding_cet(parent, weld_metal, method)
        given = (cet, thickness_mm, hydrogen, heat_input_kj_mm, method)
        minimum_c, arithmetic = method_b_minimum_c(*given), method_b_arithmetic(*given)
    except NotStated as error:
        return Answer(gaps=(Gap(_said(number, error), True),))
    except OutOfRange as error:
        return Answer(gaps=(Gap(_said(number, error), True, out_of_range=True),))
    basis = least_sure(source.basis for source in method.sources)
    notes = [f"Part {number}: {note[0].lower()}{note[1:]}"] if joint.weld_metal is not None else []
    unchecked = unchecked_elements(part.composition, method)
    if unchecked:
        notes.append(f"Part {number}: {', '.join(unchecked)} not stated, so their limits are not checked.")
    if minimum_c < 0.0:
        notes.append(
            f"Part {number}: the formula gives {minimum_c:.0f} °C, so no preheat by it; cold steel needs some."
        )
    ask = Ask(
        what="formula",
        minimum_c=max(minimum_c, 0.0),
        table_id=table.id,
        row=f"method B, CET {cet:.3f} %, {thickness_mm:g} mm, {hydrogen:g} mL/100 g, {heat_input_kj_mm:g} kJ/mm",
        clause=method.source.clause,
        basis=basis,
        note=f"{part.steel}: {arithmetic}.",
    )
    figure = Figure(ask, "", False, basis in SURE or table.id in accepted)
    return Answer((figure,), () if joint.weld_metal is not None else (_no_weld_metal(method),), tuple(notes))


def _no_weld_metal(method: MethodB) -> Gap:
    return Gap(
        "Method B needs the composition of the weld metal: the parent metal's CET counts only where it is at least "
        f"{method.weld_metal_margin_percent:g} % above that of the weld metal. The figure without it may be too low.",
        True,
    )


# ---------------------------------------------------------------- hydrogen control


def hydrogen_control_answer(joint: Joint, table: CodeTable, units: CodeUnits, accepted: Collection[str]) -> Answer:
    """Hydrogen control for a joint that states its restraint; nothing for one that does not.

    It stands beside the rows and can only raise: what lies below both needs a procedure qualified by test.
    """
    if joint.restraint is None:
        return Answer()
    if table.hydrogen_control_id is None:
        return Answer(notes=(f"The restraint is stated, but {table.name} has no hydrogen control here.",))
    control = load_hydrogen_control(table.hydrogen_control_id)
    consumable = consumable_of(joint, table)
    # An electrode that is not low hydrogen counts as uncontrolled, whatever hydrogen is stated beside it.
    trusted = not isinstance(consumable, Gap) and consumable.low_hydrogen
    stated_ml = hydrogen_ml(joint) if trusted else None
    answer = Answer()
    for number, part in enumerate(joint.parts, 1):
        if part.composition is None:
            gap = Gap(f"Hydrogen control needs the composition of part {number}; it is not stated.", True)
            answer = answer.and_also(Answer(gaps=(gap,)))
            continue
        for system in systems(units):
            found = _controlled(
                number, part, part.composition, joint, joint.restraint, stated_ml, control, system, accepted
            )
            answer = answer.and_also(found)
    return answer


def _controlled(
    number: int,
    part: Part,
    composition: Composition,
    joint: Joint,
    restraint: Restraint,
    stated_ml: float | None,
    control: HydrogenControl,
    system: System,
    accepted: Collection[str],
) -> Answer:
    thickest = max(joint.parts, key=lambda one: one.thickness_mm)
    in_us, in_si = inches_of(thickest, control.edges_in, control.edge_tolerance_in), mm_of(thickest)
    level = hydrogen_level(stated_ml, control)
    try:
        pcm = pcm_percent(composition)
        group = index_group(pcm, level, control)
    except NotStated as error:
        return Answer(gaps=(Gap(_said(number, error), True),))
    except OutOfRange as error:
        return Answer(gaps=(Gap(_said(number, error), True, out_of_range=True),))
    cell = hydrogen_control_cell(control, restraint, group.letter, in_us if system == "us" else in_si, system)
    source = least_sure_source(group, cell)
    ask = Ask(
        what="hydrogen_control",
        minimum_c=c_from_f(cell.min_f) if system == "us" else cell.min_c,
        table_id=control.id,
        row=f"{restraint} restraint, group {group.letter}, {cell.band_text}",
        clause=source.clause,
        basis=source.basis,
        note=(
            f"{part.steel}: Pcm {pcm:.3f} %, hydrogen {level}; group {group.by_table} by the table, "
            f"{group.by_formula} by the formula, the worse counts."
            + (" The cell says that less may do." if cell.lower_may_do else "")
        ),
    )
    return Answer((Figure(ask, "", False, source.basis in SURE or control.id in accepted),))
