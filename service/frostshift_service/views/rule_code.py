"""A code table and the hydrogen-control method, all of each, as chapters."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from frostshift_rules.code_table import Category, CodeTable, ElectrodeKind, Row
from frostshift_rules.composition import PCM_DIVISORS, MethodB, Span
from frostshift_rules.electrodes import Covering
from frostshift_rules.hydrogen_control import LETTERS, LEVELS, SYSTEMS, HydrogenControl, RestraintBand
from frostshift_rules.job import PROCESSES
from frostshift_rules.sentences import capital
from frostshift_rules.strict import Source
from frostshift_rules.units import System
from frostshift_service.views.rule_section import (
    Chapter,
    Section,
    band,
    both,
    facts,
    in_order,
    inches,
    names_note,
    plain,
    table,
)

OURS: Final = Source("not of the standard", "our choice")
"""Of how a converted thickness is compared with an edge; every table file says the same."""
PCM_SOURCE: Final = Source(
    "Ito and Bessyo's Pcm, in a public list of carbon equivalents by a welding institute", "second hand"
)

_BAND_HEAD: Final = ("Thickness, in", "°F at least", "Thickness, mm", "°C at least")


def code_chapters(code: CodeTable) -> tuple[Chapter, ...]:
    """Every figure of a code table."""
    chapters = [_category(category, code) for category in code.categories]
    if code.formula is not None:
        chapters += _formula(code.formula)
    if code.by_test is not None:
        chapters.append(_by_test(code))
    if code.maxima:
        chapters.append(_maxima(code))
    chapters += [_around(code), _measuring(code)]
    if code.electrodes:
        chapters.append(Chapter("Stick electrodes", (coverings(code.electrodes),)))
    return tuple(chapters)


# Rows -----------------------------------------------------------------------------------------------------------------


def _category(category: Category, code: CodeTable) -> Chapter:
    steels = [one for one in code.steels if one.category == category.name]
    said = [
        ("Covers", category.covers, category.source),
        ("Processes", _processes(category.processes), category.source),
        (
            "Consumables",
            "low hydrogen" if category.low_hydrogen else "stick electrodes other than low hydrogen",
            category.source,
        ),
    ]
    if category.hydrogen_ml is not None:
        said.append(("Diffusible hydrogen", f"at most {plain(category.hydrogen_ml)} mL/100 g", category.source))
    return Chapter(
        f"{capital(code.group_word)} {category.name}",
        (
            facts("What it covers", said),
            table(
                "Minimum preheat and interpass temperature",
                (*_BAND_HEAD, "Mark"),
                (
                    ((*_banded(row, first=n == 0), "yes" if row.cold_mark else "no"), row.source)
                    for n, row in enumerate(code.rows_of(category.name))
                ),
                "Thickest part at the point of welding; the upper edge belongs to a row. US and SI are no exact "
                "equivalents: a job is held to the one it is in. Mark: the footnote on cold steel is printed there.",
            ),
            facts(
                "Steels",
                (
                    (f"{len(one.names)} {'steel' if len(one.names) == 1 else 'steels'}", _listed(one.names), one.source)
                    for one in steels
                ),
                names_note(*(one.names for one in steels)),
            ),
        ),
    )


def _processes(processes: frozenset[str]) -> str:
    """In the usual order; a name that is not known here last."""
    known = [process for process in PROCESSES if process in processes]
    return ", ".join([*known, *sorted(processes - set(known))])


def _listed(names: frozenset[str]) -> str:
    return ", ".join(in_order(names))


def _banded(row: Row, *, first: bool) -> tuple[str, str, str, str]:
    return (
        band(row.band.over_in, row.band.to_in, inches, edge_included=first),
        plain(row.min_f),
        band(row.band.over_mm, row.band.to_mm, plain, edge_included=first),
        plain(row.min_c),
    )


def _by_test(code: CodeTable) -> Chapter:
    found = code.by_test
    assert found is not None
    return Chapter(
        "Steels that need a procedure qualified by test",
        (
            facts(
                "Steels", [(f"{len(found.names)} steels", _listed(found.names), found.source)], names_note(found.names)
            ),
            table(
                "What such a procedure is expected to ask at least",
                _BAND_HEAD,
                ((_banded(row, first=False), row.source) for row in found.rows),
                "It answers nothing: a procedure below it is questioned.",
            ),
        ),
    )


def _maxima(code: CodeTable) -> Chapter:
    lists = dict.fromkeys(maximum.names for maximum in code.maxima)
    return Chapter(
        "Highest preheat and interpass temperature",
        tuple(
            table(
                _listed(names),
                ("Thickness, in", "°F at most", "Thickness, mm", "°C at most"),
                (
                    (
                        (
                            band(one.band.over_in, one.band.to_in, inches),
                            plain(one.max_f),
                            band(one.band.over_mm, one.band.to_mm, plain),
                            plain(one.max_c),
                        ),
                        one.source,
                    )
                    for one in code.maxima
                    if one.names == names
                ),
                names_note(names),
            )
            for names in lists
        ),
    )


# Around the minimum ---------------------------------------------------------------------------------------------------


def _around(code: CodeTable) -> Chapter:
    cold, extent, wind = code.cold_steel, code.extent, code.wind
    said = [
        (
            "Cold steel",
            f"steel below {both(cold.below_f, '°F', cold.below_c, '°C')} needs at least "
            f"{both(cold.floor_f, '°F', cold.floor_c, '°C')}; at exactly the limit it does not. Asked here over every "
            "row and procedure (our choice, never below the code)",
            cold.source,
        ),
        (
            "Warm around the weld",
            "in all directions from the point of welding as far as the thickest part is thick, at least "
            f"{both(extent.least_in, 'in', extent.least_mm, 'mm')}",
            extent.source,
        ),
        (
            "Air at the weld",
            f"at least {both(code.ambient.least_f, '°F', code.ambient.least_c, '°C')}",
            code.ambient.source,
        ),
        (
            "Wind at the weld",
            f"{_processes(wind.processes)}: at most {both(wind.most_mph, 'mph', wind.most_kmh, 'km/h')}; "
            "no figure for other processes",
            wind.source,
        ),
        ("Wet surfaces", "no arc on surfaces that are wet or exposed to rain or snow", code.wet),
    ]
    if code.fracture_critical is not None:
        said.append(("Fracture-critical members", "no figure here: ask the welding procedure", code.fracture_critical))
    if code.rows:
        said.append(edge_fact(code.edge_tolerance_in))
    return Chapter("Around the minimum", (facts("Cold steel, extent, weather", said),))


def edge_fact(tolerance_in: float) -> tuple[str, str, Source]:
    """How a thickness typed in mm is compared on a job in US units."""
    return (
        "Typed in mm, job in US units",
        f"within {plain(tolerance_in)} in of an edge the thickness counts as the edge",
        OURS,
    )


def _measuring(code: CodeTable) -> Chapter:
    found = code.measuring
    source = Source(f"{found.standard}, {found.source.clause}", found.source.basis)
    return Chapter(
        "Where and when to measure",
        (
            facts(
                "Temperature readings",
                [
                    (
                        f"Up to {plain(found.thin_to_mm)} mm",
                        f"{plain(found.thicknesses)} times the thickness from the groove edge, at most "
                        f"{plain(found.thin_at_most_mm)} mm",
                        source,
                    ),
                    (
                        f"Over {plain(found.thin_to_mm)} mm",
                        f"at least {plain(found.thick_at_mm)} mm from the groove edge",
                        source,
                    ),
                    (
                        "On the heated face",
                        f"take the flame away and wait {plain(found.wait_minutes)} min for every "
                        f"{plain(found.wait_per_mm)} mm of thickness",
                        source,
                    ),
                ],
            ),
        ),
    )


def coverings(kinds: Sequence[ElectrodeKind | Covering]) -> Section:
    """Which stick electrodes are low hydrogen."""
    return facts(
        "Last two digits of the classification",
        (
            ("Low hydrogen" if kind.low_hydrogen else "Other", ", ".join(in_order(kind.coverings)), kind.source)
            for kind in kinds
        ),
    )


# Method B -------------------------------------------------------------------------------------------------------------


def _formula(m: MethodB) -> list[Chapter]:
    sums = [f"{element}/{plain(divisor)}" if divisor != 1.0 else str(element) for element, divisor in m.cet_divisors]
    formula = (
        f"Tp = {plain(m.cet_c)} CET + {plain(m.thickness_c)} tanh(d / {plain(m.thickness_scale_mm)}) + "
        f"{plain(m.hydrogen_c)} HD^{plain(m.hydrogen_power)} + ({plain(m.heat_input_cet_c)} CET - "
        f"{plain(m.heat_input_c)}) Q - {plain(m.constant_c)}"
    )
    return [
        Chapter(
            "Minimum by formula",
            (
                facts(
                    "Formula",
                    [
                        ("Minimum", formula, m.source),
                        ("Tp", "minimum preheat, °C; below 0 °C no preheat by this method", m.source),
                        ("CET", "carbon equivalent, %, as below", m.source),
                        ("d", "thickness of the thicker plate, mm; not the combined thickness of method A", m.source),
                        ("HD", "diffusible hydrogen of the weld metal, mL/100 g", m.source),
                        ("Q", "heat input, which is arc energy times efficiency, kJ/mm", m.source),
                    ],
                ),
                facts("Carbon equivalent", [("CET", f"{' + '.join(sums)}, mass shares in %", m.cet_source)]),
                facts(
                    "Weld metal",
                    [
                        (
                            "Which CET",
                            "that of the parent metal where it exceeds the weld metal's by "
                            f"{plain(m.weld_metal_margin_percent)} % or more; otherwise the weld metal's with "
                            f"{plain(m.weld_metal_margin_percent)} % added",
                            m.weld_metal_source,
                        )
                    ],
                ),
                table(
                    "Range of the formula",
                    ("Quantity", "From", "To", "Unit"),
                    [
                        *(
                            ((name, *_ends(span), unit), m.ranges_source)
                            for name, span, unit in (
                                ("CET", m.cet_percent, "%"),
                                ("Thickness d", m.thickness_mm, "mm"),
                                ("Hydrogen HD", m.hydrogen_ml, "mL/100 g"),
                                ("Heat input Q", m.heat_input_kj_mm, "kJ/mm"),
                            )
                        ),
                    ],
                    "Both ends included. Outside it there is no figure; nothing is clamped. Yield strength of the "
                    f"steel: {m.yield_strength}; it enters no calculation.",
                ),
                table(
                    "Composition that the formula covers",
                    ("Element", "From, %", "To, %"),
                    (((element, *_ends(span)), m.limits_source) for element, span in m.limits),
                    "Both ends included. An element that is not stated is not checked, and that is said.",
                ),
            ),
        )
    ]


def _ends(span: Span) -> tuple[str, str]:
    return plain(span.low), plain(span.high)


# Hydrogen control -----------------------------------------------------------------------------------------------------


def control_chapters(control: HydrogenControl) -> tuple[Chapter, ...]:
    """Every figure of the hydrogen-control method."""
    return (
        Chapter("Hydrogen", (_levels(control),)),
        Chapter("Index group", tuple(_groups(control))),
        Chapter("Restraint and thickness", (_restraints(control), _bands(control))),
        *(
            Chapter(
                f"Minimum, {restraint.name} restraint",
                tuple(_cells(control, restraint.name, system) for system in SYSTEMS),
            )
            for restraint in control.restraints
        ),
        *([Chapter("Read elsewhere", (_confirmed(control),))] if control.confirmed else []),
    )


def _levels(control: HydrogenControl) -> Section:
    def said(below_ml: float) -> str:
        return "no limit; also where it is not stated" if math.isinf(below_ml) else f"below {plain(below_ml)} mL/100 g"

    return table(
        "Levels",
        ("Level", "Meaning", "Diffusible hydrogen"),
        (((level.name, level.meaning, said(level.below_ml)), level.source) for level in control.levels),
        "A limit itself belongs to the higher level.",
    )


def _groups(control: HydrogenControl) -> Iterator[Section]:
    pcm = " + ".join(
        str(element)
        if divisor == 1.0
        else f"{element}/{plain(divisor)}"
        if divisor > 1.0
        else f"{plain(1.0 / divisor)} {element}"
        for element, divisor in PCM_DIVISORS.items()
    )
    yield facts("Composition", [("Pcm", f"{pcm}, mass shares in %", PCM_SOURCE)])
    yield table(
        "Group by table",
        ("Pcm, %", *LEVELS),
        (((f"below {plain(one.below_percent)}", *one.letters), one.source) for one in control.pcm_bands),
        "The worse letter of this table and of the formula below counts. A Pcm from the last limit up has no group.",
    )
    index = control.index
    stands = ", ".join(f"{plain(ml)} for {level}" for level, ml in zip(LEVELS, index.hydrogen_ml, strict=True))
    yield facts(
        "Group by formula",
        [
            ("Susceptibility index", f"{plain(index.pcm_weight)} Pcm + log10(H)", index.source),
            ("H", f"{stands}; mL/100 g", index.source),
            *(
                (f"Group {letter}", f"up to {plain(to)}", index.source)
                for letter, to in zip(LETTERS, index.letters_to, strict=True)
            ),
        ],
        "An index over the printed end of a group counts as the next group (our choice, never milder).",
    )


def _restraints(control: HydrogenControl) -> Section:
    return facts("Restraint", ((capital(one.name), one.meaning, one.source) for one in control.restraints))


def _bands(control: HydrogenControl) -> Section:
    def edge(one: RestraintBand, to: float, text: str) -> str:
        if math.isinf(to):
            return "no end"
        return f"{'through' if one.edge_included else 'below'} {text}"

    return table(
        "Thickness of the thicker part welded",
        ("US", "Compared, in", "SI", "Compared, mm"),
        (
            (
                (one.us, edge(one, one.to_in, inches(one.to_in)), one.si, edge(one, one.to_mm, plain(one.to_mm))),
                one.source,
            )
            for one in control.bands
        ),
        f"A thickness typed in mm on a job in US units counts as an edge within {plain(control.edge_tolerance_in)} in "
        "of it (our choice). US and SI are no exact equivalents: a job is held to the one it is in.",
    )


def _cells(control: HydrogenControl, restraint: str, system: System) -> Section:
    said = {one.us: one.text(system) for one in control.bands}
    return table(
        f"In {'°F' if system == 'us' else '°C'}",
        ("Thickness", *LETTERS),
        (
            (
                (
                    said[row.band],
                    *(
                        f"{'< ' if row.lower_may_do(letter, system) else ''}{plain(row.minimum(letter, system))}"
                        for letter in LETTERS
                    ),
                ),
                row.source,
            )
            for row in control.rows
            if row.restraint == restraint
        ),
        '"<" as printed: less may do against hydrogen cracking; the figure is used as it stands.',
    )


def _confirmed(control: HydrogenControl) -> Section:
    return table(
        "Cells that agree with another copy",
        ("Restraint", "Thickness", "Group", "°F at least"),
        (((one.restraint, one.band, one.group, plain(one.min_f)), one.source) for one in control.confirmed),
    )
