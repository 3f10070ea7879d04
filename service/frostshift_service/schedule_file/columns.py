"""The columns of a schedule: one table that the reader, the template and the manual share."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from frostshift_rules.arrangements import SIZES
from frostshift_rules.job import ARRANGEMENTS, EXPOSURES, PART_KINDS, Arrangement, Ends, Exposure, PartKind
from frostshift_service.schedule_file import cells

MAX_PARTS: Final = 4
MOST_AT_ONCE: Final = 20
"""Most torches or heaters of one source on one joint."""
MOST_AFTER: Final = 12
"""Most joints that one has to wait for."""
ALSO_HEATED: Final = cells.counted(MOST_AT_ONCE, 60)


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes:
        name: as the template prints it.
        need: `column` where the column has to be in the file, `cell` where each of its cells has to be filled too.
        how: how a cell is written, with its unit and limits.
        default: what an empty cell means, as the sheet prints it; empty where nothing is assumed.
        about: what it is.
        example: one cell.
        read: the reader of a cell that is not empty.
        listed: whether the sheet lists `default` among what was taken where the cell is empty.
    """

    name: str
    need: Literal["column", "cell", "no"]
    how: str
    default: str
    about: str
    example: str
    read: Callable[[str], object]
    listed: bool = True


YES_NO: Final[Mapping[str, bool]] = {"yes": True, "no": False, "y": True, "n": False, "true": True, "false": False}
ENDS: Final[Mapping[str, Ends]] = {"inside": "inside", "edge to edge": "edge_to_edge", "all round": "all_round"}
SIDES: Final[Mapping[str, Literal[1, 2]]] = {"1": 1, "2": 2}
_EXPOSURES: Final[Mapping[str, Exposure]] = {name: name for name in EXPOSURES}
_COMPOSITION: Final = "elements with mass % such as C 0.18 Mn 1.40; C Si Mn Cu Ni Cr Mo V Nb Ti B, 0 to 5 each"
KINDS: Final[Mapping[str, PartKind]] = {name.replace("_", " "): name for name in PART_KINDS}
MEETINGS: Final[Mapping[str, Arrangement]] = {name.replace("_", " "): name for name in ARRANGEMENTS}
FLANGE_WIDTH_MM: Final = (20.0, 2_000.0)
WEB_MM: Final = (2.0, 300.0)
WEB_DEPTH_MM: Final = (20.0, 5_000.0)
"""Limits of what is typed for a flange with a web."""


def _part_columns(number: int) -> tuple[Column, ...]:
    first = number == 1
    return (
        Column(
            f"steel_{number}",
            "column" if first else "no",
            "specification and grade",
            "",
            f"steel of part {number}; left empty, the joint is unknown",
            "A572-50",
            cells.steel,
        ),
        Column(
            f"thickness_{number}",
            "cell" if first else "no",
            "length with unit, 1 mm to 300 mm",
            "" if first else "no such part",
            f"thickness of part {number} at the point of welding",
            "1-1/2 in",
            cells.length(1.0, 300.0, "38 mm or 1-1/2 in"),
        ),
        Column(
            f"kind_{number}",
            "no",
            "plate | flange with web | touching | tube",
            "plate",
            f"kind of part {number}, where its arrangement does not say it",
            "plate",
            cells.choice(KINDS),
        ),
        Column(
            f"flange_width_{number}",
            "no",
            "length with unit, 20 mm to 2 m",
            "not stated",
            f"of part {number}, a flange with a web: {SIZES['flange_width']}",
            "12 in",
            cells.length_mm(*FLANGE_WIDTH_MM, "300 mm or 12 in"),
            listed=False,
        ),
        Column(
            f"web_{number}",
            "no",
            "length with unit, 2 mm to 300 mm",
            "not stated",
            f"of part {number}: {SIZES['web']}",
            "5/8 in",
            cells.length_mm(*WEB_MM, "16 mm or 5/8 in"),
            listed=False,
        ),
        Column(
            f"web_depth_{number}",
            "no",
            "length with unit, 20 mm to 5 m",
            "not stated",
            f"of part {number}: {SIZES['web_depth']}",
            "24 in",
            cells.length_mm(*WEB_DEPTH_MM, "600 mm or 24 in"),
            listed=False,
        ),
        Column(
            f"reach_{number}",
            "no",
            "length with unit, 5 mm to 50 m",
            "wide",
            f"from the weld to the free edge of part {number}, across the weld",
            "12 in",
            cells.length_mm(5.0, 50_000.0, "300 mm or 12 in"),
        ),
        Column(
            f"sides_{number}",
            "no",
            "1 | 2",
            "1",
            f"1 where part {number} ends at the weld, 2 where the weld lies on its face with plate on both sides",
            "1",
            cells.choice(SIDES),
        ),
        Column(
            f"composition_{number}",
            "no",
            _COMPOSITION,
            "not stated",
            f"of part {number} by its certificate; only methods that go by composition ask for it",
            "C 0.18 Mn 1.40 Si 0.25 Cu 0.20 Ni 0.10 Cr 0.05 Mo 0.02",
            cells.composition,
            listed=False,
        ),
    )


COLUMNS: Final[tuple[Column, ...]] = (
    Column("mark", "cell", "text, 60 characters", "", "name of the joint, once in a file", "CR-B4-W", cells.text(60)),
    Column("place", "no", "text, 120 characters", "", "where on the job", "row B, line 4", cells.text(120)),
    Column(
        "start",
        "cell",
        "year-month-day hour:minute, the site's clock",
        "",
        "planned start of welding",
        "2026-11-26 07:30",
        cells.start,
    ),
    Column("hours", "cell", "number, 0.1 to 72", "", "planned hours of welding", "2.5", cells.hours(0.1, 72.0)),
    Column("crew", "no", "text, 60 characters", "", "who welds it", "north", cells.text(60)),
    Column(
        "process",
        "column",
        "SMAW | FCAW-S | FCAW-G | GMAW | GTAW | SAW",
        "",
        "welding process; left empty, the joint is unknown",
        "SMAW",
        cells.process,
    ),
    Column(
        "electrode",
        "no",
        "classification",
        "",
        "consumable; decides for SMAW whether it is low hydrogen, without it the joint is unknown",
        "E7018",
        cells.electrode,
    ),
    Column(
        "hydrogen",
        "no",
        "H4 | H8 | H16, or a number of mL/100 g, 0.5 to 30",
        "not stated",
        "highest diffusible hydrogen of the consumable",
        "H8",
        cells.hydrogen_ml,
    ),
    Column("procedure", "no", "text, 60 characters", "none", "name of the welding procedure", "P-12", cells.text(60)),
    Column(
        "weld_length",
        "column",
        "length with unit, 10 mm to 50 m",
        "the width of the flange where the weld runs across one, else an error",
        "length of the weld; once round for a tube",
        "24 in",
        cells.length_mm(10.0, 50_000.0, "600 mm, 0.6 m or 24 in"),
        listed=False,
    ),
    Column(
        "arrangement",
        "no",
        " | ".join(MEETINGS),
        "not stated, each part as it is described",
        "how the parts meet; it says the kind and sides of each part and how the weld ends",
        "tee",
        cells.choice(MEETINGS),
        listed=False,
    ),
    Column(
        "weld_ends",
        "no",
        "inside | edge to edge | all round",
        "inside",
        "edge to edge where the weld runs from one free edge of the parts to the other, all round on a tube; where its "
        "arrangement does not say it",
        "inside",
        cells.choice(ENDS),
    ),
    Column(
        "welded",
        "no",
        "yes | no",
        "no",
        "whether the parts are one piece already: root pass made, repair, heated again",
        "no",
        cells.choice(YES_NO),
        listed=False,
    ),
    Column(
        "exposure",
        "no",
        "open | half | covered",
        "open",
        "how much of the sky the steel sees",
        "open",
        cells.choice(_EXPOSURES),
    ),
    Column("sun", "no", "yes | no", "no", "whether the sun shines on the steel", "no", cells.choice(YES_NO)),
    Column(
        "shelter_air",
        "no",
        "temperature with unit, -60 °C to 50 °C",
        "not stated",
        "air temperature that a tent or screen keeps at the weld",
        "40 F",
        cells.temperature_c(-60.0, 50.0),
    ),
    Column(
        "shelter_wind",
        "no",
        "speed with unit (mph, m/s, km/h), 0 m/s to 40 m/s",
        "not stated",
        "wind that a tent or screen lets through to the weld",
        "3 mph",
        cells.speed_ms(0.0, 40.0),
    ),
    Column(
        "height",
        "no",
        "length with unit, 0 m to 600 m",
        "10 m",
        "above ground, for the wind",
        "10 m",
        cells.length_mm(0.0, 600_000.0, "10 m or 33 ft"),
    ),
    Column(
        "torches",
        "no",
        "whole number, 1 to 20",
        "1",
        "torches, or heaters, of heat_source on the joint at once",
        "1",
        cells.whole(1, MOST_AT_ONCE),
    ),
    Column("heat_source", "no", "text, 60 characters", "the site's first", "id of a heat source", "P1", cells.text(60)),
    Column(
        "also_heated",
        "no",
        "number and id of a heat source, for each of up to 4, 1 to 20",
        "nothing else",
        "what heats it at the same time beside the torches of heat_source",
        "4 pad, 1 rosebud",
        ALSO_HEATED,
        listed=False,
    ),
    Column(
        "heated_length",
        "no",
        "length with unit, 10 mm to 50 m",
        "the whole weld, up to the site's limit",
        "length of weld heated at a time",
        "24 in",
        cells.length_mm(10.0, 50_000.0, "600 mm, 0.6 m or 24 in"),
    ),
    Column("both_faces", "no", "yes | no", "no", "whether it is heated from both faces", "no", cells.choice(YES_NO)),
    Column(
        "heat_input",
        "no",
        "kJ/mm or kJ/in, 0.1 kJ/mm to 10 kJ/mm",
        "not stated",
        "arc energy times the thermal efficiency of the process; only methods that go by composition ask for it",
        "1.5 kJ/mm",
        cells.heat_input_kj_mm,
        listed=False,
    ),
    Column(
        "restraint",
        "no",
        "low | medium | high",
        "not stated",
        "how little the parts can move while the weld shrinks; stated, hydrogen control is worked out beside the table",
        "medium",
        cells.restraint,
        listed=False,
    ),
    Column(
        "weld_metal",
        "no",
        _COMPOSITION,
        "not stated",
        "composition of the weld metal; only methods that go by composition ask for it",
        "C 0.08 Mn 1.20 Si 0.40",
        cells.composition,
        listed=False,
    ),
    Column(
        "passes",
        "no",
        "whole number, 1 to 500",
        "estimated in layers",
        "number of passes of the weld",
        "6",
        cells.whole(1, 500),
        listed=False,
    ),
    Column(
        "fracture_critical",
        "no",
        "yes | no",
        "no",
        "whether the member is fracture-critical; then only its welding procedure gives the minimum",
        "no",
        cells.choice(YES_NO),
        listed=False,
    ),
    Column(
        "after",
        "no",
        f"marks of joints with a semicolon between them, up to {MOST_AFTER}",
        "not stated",
        "joints that have to be finished in an earlier shift",
        "CR-A4-W; CR-A4-E",
        cells.marks(60, MOST_AFTER),
        listed=False,
    ),
    Column(
        "not_before",
        "no",
        "year-month-day hour:minute, the site's clock",
        "not stated",
        "welding may not start earlier",
        "2026-11-26 07:00",
        cells.start,
        listed=False,
    ),
    Column(
        "finish_by",
        "no",
        "year-month-day hour:minute, the site's clock",
        "not stated",
        "welding has to be over",
        "2026-12-04 17:00",
        cells.start,
        listed=False,
    ),
    Column(
        "pinned",
        "no",
        "yes | no",
        "no",
        "whether the joint has to stay in its shift and with its crew when an order of work is worked out",
        "no",
        cells.choice(YES_NO),
        listed=False,
    ),
    *(column for number in range(1, MAX_PARTS + 1) for column in _part_columns(number)),
)
"""Every column, in the order of the template."""

LABELS: Final[Mapping[str, str]] = {
    "mark": "Mark",
    "place": "Place",
    "start": "Planned start",
    "hours": "Hours of welding",
    "crew": "Crew",
    "process": "Process",
    "electrode": "Electrode",
    "hydrogen": "Hydrogen of the consumable",
    "procedure": "Welding procedure",
    "weld_length": "Length of the weld",
    "arrangement": "Arrangement",
    "weld_ends": "Weld runs",
    "welded": "Welded together already",
    "exposure": "Exposure",
    "sun": "Sun on the steel",
    "shelter_air": "Air in a tent or screen",
    "shelter_wind": "Wind in a tent or screen",
    "height": "Height above ground",
    "torches": "Torches or heaters at once",
    "heat_source": "Heated with",
    "also_heated": "Heated at the same time with",
    "heated_length": "Heated at a time",
    "both_faces": "Heated from both faces",
    "heat_input": "Heat input",
    "restraint": "Restraint",
    "weld_metal": "Composition of the weld metal",
    "passes": "Passes",
    "fracture_critical": "Fracture-critical",
    "after": "After the joints",
    "not_before": "Not before",
    "finish_by": "Finish by",
    "pinned": "Stays in its shift",
    "steel": "Steel",
    "thickness": "Thickness at the weld",
    "kind": "Kind",
    "flange_width": "Width of the flange",
    "web": "Thickness of the web",
    "web_depth": "Clear depth of the web",
    "reach": "From the weld to the free edge",
    "sides": "Sides of the weld it lies on",
    "composition": "Composition",
}
"""Column, without the number of a part -> what people call it."""


def label_of(name: str) -> str:
    """What people call a column: `Thickness at the weld, part 2`."""
    column, _, part = name.rpartition("_")
    return f"{LABELS[column]}, part {part}" if part.isdigit() else LABELS[name]


BY_NAME: Final[Mapping[str, Column]] = {column.name: column for column in COLUMNS}


def column_name(header: str) -> str:
    """A header cell as a column's name: capitals do not matter, spaces, underscores and hyphens are alike."""
    return re.sub(r"[\s_-]+", "_", header.strip().casefold())
