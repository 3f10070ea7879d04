"""Electrodes, special operations and people in the cold, all figures of each, as chapters."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from frostshift_rules.electrodes import ElectrodeTable, ExposureRow, Hours, row_text
from frostshift_rules.operations import Operations
from frostshift_rules.people import Cell, PeopleTable
from frostshift_rules.sentences import capital
from frostshift_service.views.rule_code import coverings, edge_fact
from frostshift_service.views.rule_section import (
    Chapter,
    Section,
    both,
    facts,
    in_order,
    inches,
    names_note,
    plain,
    table,
)
from frostshift_service.views.show import plural

CHILL: Final = "13.12 + 0.6215 T - 11.37 V^0.16 + 0.3965 T V^0.16, air T in °C, wind V in km/h; the result in °C"


# Electrodes -----------------------------------------------------------------------------------------------------------


def electrode_chapters(found: ElectrodeTable) -> tuple[Chapter, ...]:
    """Every figure of the electrode table."""
    return (
        Chapter("Which electrodes", (coverings(found.coverings),)),
        Chapter(
            "Longest time in the open air",
            (
                _exposure(
                    "Column A, for everybody",
                    ((row, row.column_a) for row in found.rows),
                    "M, R and HZR are what the classification adds: M military, R moisture resistant, HZR a hydrogen "
                    "class and R such as H4R. A designator without a row of its own counts for nothing.",
                ),
                _exposure(
                    "Column B, only where tests of the job's own have shown it",
                    ((row, row.column_b) for row in found.rows if row.column_b is not None),
                ),
            ),
        ),
        _storage(found),
    )


def _exposure(heading: str, rows: Iterable[tuple[ExposureRow, Hours]], note: str = "") -> Section:
    return table(
        heading,
        ("Electrode", "Specification", "At most, h"),
        (((row_text(row), row.specification or "every one", plain(hours.h)), hours.source) for row, hours in rows),
        note,
    )


def _storage(found: ElectrodeTable) -> Chapter:
    oven, back, start = found.oven, found.back_in_oven, found.bake_start
    times = "once and no more" if found.rebakes == 1 else f"{plural(found.rebakes, 'time')} and no more"
    return Chapter(
        "Storage and baking",
        (
            facts(
                "Storage",
                [
                    (
                        "After a sealed container is opened",
                        f"into an oven of at least {both(oven.least_f, '°F', oven.least_c, '°C')} what is not given "
                        "out at once",
                        oven.source,
                    ),
                    (
                        "Out for less than column A",
                        f"back in an oven of at least {both(back.warm.least_f, '°F', back.warm.least_c, '°C')} for at "
                        f"least {plain(back.hours)} h, then it may go out again",
                        back.warm.source,
                    ),
                    ("Out for longer", f"baked again, {times}", found.rebake_source),
                    ("Wet electrodes", "scrap, never baked", found.wet),
                ],
            ),
            table(
                "Baking",
                ("Electrodes of", "At least, h", "°F", "°C"),
                (
                    (
                        (
                            bake.specification,
                            plain(bake.hours),
                            f"{plain(bake.from_f)} to {plain(bake.to_f)}",
                            f"{plain(bake.from_c)} to {plain(bake.to_c)}",
                        ),
                        bake.source,
                    )
                    for bake in found.bakes
                ),
            ),
            facts(
                "Before the final heat of a baking",
                [
                    (
                        "First",
                        f"at most {plain(100.0 * start.share_of_final)} % of the final temperature for at least "
                        f"{plain(start.hours)} h",
                        start.source,
                    )
                ],
            ),
        ),
    )


# Operations -----------------------------------------------------------------------------------------------------------


def operation_chapters(found: Operations) -> tuple[Chapter, ...]:
    """Every figure of the special operations."""
    return (
        Chapter("Tacks, repairs, breaks", (_tacks(found),)),
        Chapter("Thermal cutting of access holes and copes", (_cuts(found),)),
        Chapter("Arc-welded studs", (_studs(found),)),
        Chapter("Torch", tuple(_torch(found))),
        Chapter("Layers", (_layers(found),)),
        Chapter("Temperature crayons", (_crayon(found),)),
    )


def _tacks(found: Operations) -> Section:
    repairs = found.repairs
    return facts(
        "Beside the weld itself",
        [
            (
                "Tacks and temporary attachments",
                "the preheat of the weld; without it only a single-pass tack that continuous "
                f"{found.tacks.remelted_by} later remelts whole",
                found.tacks.source,
            ),
            (
                "Repairs",
                "at least the preheat of the joint; many procedures add "
                f"{plain(repairs.often_added_df)} °F / {plain(repairs.often_added_k)} K",
                repairs.source,
            ),
            (
                "After a break",
                "where the joint has cooled below its minimum all of it is heated again before the next arc",
                found.after_break,
            ),
        ],
    )


def _cuts(found: Operations) -> Section:
    _, tolerance, _ = edge_fact(found.edge_tolerance_in)
    return table(
        "Least temperature before the cut",
        ("Part", "Thickness, in", "°F at least", "Thickness, mm", "°C at least"),
        (
            (
                (
                    capital(cut.what),
                    "every thickness" if cut.over_in is None else f"over {inches(cut.over_in)}",
                    plain(cut.min_f),
                    "every thickness" if cut.over_mm is None else f"over {plain(cut.over_mm)}",
                    plain(cut.min_c),
                ),
                cut.source,
            )
            for cut in found.cuts
        ),
        f"Typed in mm on a job in US units, {tolerance} (our choice). Afterwards the cut is ground and tested by "
        "magnetic particles or penetrant.",
    )


def _studs(found: Operations) -> Section:
    studs = found.studs
    return facts(
        "In cold weather",
        [
            (
                "No stud",
                f"on steel below {both(studs.stop_below_f, '°F', studs.stop_below_c, '°C')}, nor on wet or frosted "
                "steel, nor in rain or snow",
                studs.source,
            ),
            (
                f"Below {both(studs.test_below_f, '°F', studs.test_below_c, '°C')}",
                f"bend {plural(studs.extra_tests, 'more stud')} in every {studs.in_each} by about "
                f"{plain(studs.bend_degrees)}° as a test, on top of those at set-up",
                studs.source,
            ),
        ],
        "Studs welded by hand with stick electrodes follow the preheat table instead.",
    )


def _torch(found: Operations) -> Iterable[Section]:
    hot, treated = found.ceiling, found.ceiling_quenched_and_tempered
    yield facts(
        "Hottest that any spot of the steel may get",
        [
            ("Steel", f"at most {both(hot.most_f, '°F', hot.most_c, '°C')}", hot.source),
            (
                "Quenched and tempered steel",
                f"at most {both(treated.most_f, '°F', treated.most_c, '°C')}",
                treated.source,
            ),
        ],
        "The limits are those of straightening by heat.",
    )
    names = found.quenched_and_tempered
    yield facts(
        "What counts as quenched and tempered",
        [(plural(len(names), "steel"), ", ".join(in_order(names)), found.quenched_and_tempered_source)],
        f"Beside these every steel that the job's rule table has a maximum for, EN names with a Q, and a steel that is "
        f"not stated. {names_note(names)}".strip(),
    )


def _layers(found: Operations) -> Section:
    return table(
        "Thickest single layer of a prequalified weld",
        ("Processes", "At most, in", "At most, mm"),
        (
            ((", ".join(layer.processes), inches(layer.most_in), plain(layer.most_mm)), layer.source)
            for layer in found.layers
        ),
        "Only for an estimate of the least number of layers, where the schedule states no passes.",
    )


def _crayon(found: Operations) -> Section:
    crayon = found.crayon
    return facts(
        "What a crayon can show",
        [
            (
                "Coldest crayon",
                f"{both(crayon.least_f, '°F', crayon.least_c, '°C')}: colder steel needs another instrument",
                crayon.source,
            ),
            ("Good to", f"{plain(crayon.good_to_percent)} % of its rating", crayon.source),
        ],
    )


# People ---------------------------------------------------------------------------------------------------------------


def people_chapters(found: PeopleTable) -> tuple[Chapter, ...]:
    """Every figure for people in the cold."""
    chill, bite = found.wind_chill_source, found.frostbite_source
    return (
        Chapter(
            "Wind chill",
            (
                facts(
                    "Where it is defined",
                    [
                        ("Air", f"up to {both(found.air_to_f, '°F', found.air_to_c, '°C')}", chill),
                        (
                            "Wind at 10 m",
                            f"over {both(found.wind_over_mph, 'mph', found.wind_over_kmh, 'km/h')}",
                            chill,
                        ),
                        ("Formula", CHILL, chill),
                    ],
                    "For people, never for steel: no wind takes steel below the temperature of the air.",
                ),
                facts(
                    "Frostbite",
                    [
                        (
                            f"Wind chill of {both(found.frostbite_from_f, '°F', found.frostbite_from_c, '°C')} or less",
                            f"bare skin can freeze within {found.frostbite_minutes} min",
                            bite,
                        )
                    ],
                    "In whole degrees; warmer says nothing.",
                ),
            ),
        ),
        Chapter("Work and warm-up", tuple(_warm_up(found))),
    )


def _warm_up(found: PeopleTable) -> Iterable[Section]:
    schedule = found.schedule
    winds = [
        f"{plain(mph)} mph / {plain(kmh)} km/h" for mph, kmh in zip(schedule.wind_mph, schedule.wind_kmh, strict=True)
    ]
    yield facts(
        schedule.title,
        [
            (
                "Breaks",
                f"so many in {schedule.shift_hours} h, each {schedule.break_minutes} min in a warm place",
                schedule.source,
            ),
            (
                "No noticeable wind",
                f"below {plain(found.calm_under_kmh)} km/h; every other wind is read in the next windier column",
                found.calm_source,
            ),
            (
                "Lighter work, such as welding",
                f"is read {plural(schedule.rows_colder, 'row')} colder",
                schedule.lighter_source,
            ),
        ],
        "Printed for moderate to heavy work in dry clothing, under a sunny sky. Air warmer than the first row and more "
        "wind than the last column are outside the schedule, which never means normal work.",
    )
    yield table(
        "Longest work period and breaks",
        ("Air, °F", "Air, °C", "No noticeable wind", *winds),
        (
            (
                (
                    _degrees(row.from_f, row.to_f),
                    _degrees(row.from_c, row.to_c),
                    *(_cell(cell) for cell in row.cells),
                ),
                row.source,
            )
            for row in schedule.rows
        ),
        "Stop: all work but emergency work ceases.",
    )


def _degrees(warm: float, cold: float) -> str:
    return f"{plain(warm)} and below" if math.isinf(cold) else f"{plain(warm)} to {plain(cold)}"


def _cell(cell: Cell) -> str:
    if cell.breaks is None:
        return "stop"
    breaks = plural(cell.breaks, "break")
    return f"normal, {breaks}" if cell.work_minutes is None else f"{cell.work_minutes} min, {breaks}"
