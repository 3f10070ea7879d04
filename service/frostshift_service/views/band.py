"""The band to heat and the points to measure: a drawing that is not to scale, and a line for each part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from frostshift_rules.arrangements import CATALOGUE
from frostshift_rules.code_table import CodeTable
from frostshift_rules.figures import measuring_distance_text
from frostshift_rules.job import Arrangement, CodeUnits, Joint
from frostshift_rules.preheat import MeasuringPoints, Requirement, measuring_points
from frostshift_rules.units import in_from_mm
from frostshift_rules.workload import HeatPlan
from frostshift_service.views.show import Show

FLAT: Final = (None, "butt")
"""Arrangements that the drawing of a plate is true of; the others have their own sketch."""
TALL: Final = 56
"""Height of the thickest part in the drawing."""


@dataclass(frozen=True, slots=True)
class BandPart:
    """One part: its name, its thickness, and how wide it is heated on each side; empty where no time was worked out."""

    name: str
    thickness: str
    heated: str


@dataclass(frozen=True, slots=True)
class BandDrawing:
    """What the drawing says; texts in the site's units.

    Attributes:
        arrangement: whose sketch shows how the parts lie; None: two plates side by side, drawn here.
        extent: warm on each side of the weld.
        heated: heated on each side of the weld, the widest of the parts; empty where no time was worked out.
        measure_at: from the groove edge to the point to measure.
        at_edge: the edge of the warm zone lies farther out and is measured as well.
        parts: what is heated of each.
        heights: of the parts left and right of the weld in the drawing, the thicker one `TALL`.
        both_faces: heated from both faces.
        summary: all of it in sentences, for who does not see the drawing.
    """

    arrangement: Arrangement | None
    extent: str
    heated: str
    measure_at: str
    at_edge: bool
    parts: tuple[BandPart, ...]
    heights: tuple[int, int]
    both_faces: bool
    summary: str


def band_drawing(
    joint: Joint, asked: Requirement, heat: HeatPlan | None, table: CodeTable, show: Show, code: CodeUnits
) -> BandDrawing:
    """The drawing of a joint: its first two parts left and right of the weld, a lone one on both sides.

    Where to measure is that of the thickest part (ISO 13916), as its instruction says; what is heated is what the
    heating time was worked out for, which is more than what has to be warm.
    """
    points = _points(joint, asked, table)
    measure_at, at_edge = measuring_distance_text(points.distance_mm, show.system), points.edge_mm is not None
    bands_mm = {} if heat is None else {part.part_no: part.band_mm for part in heat.parts}
    heated = _wide(max(bands_mm.values()), show) if bands_mm else ""
    names = _names(joint)
    thickest_mm = max(part.thickness_mm for part in joint.parts[:2])
    left, right = joint.parts[0], joint.parts[min(1, len(joint.parts) - 1)]
    return BandDrawing(
        None if joint.arrangement in FLAT else joint.arrangement,
        show.least_length_text(asked.extent_mm),
        heated,
        measure_at,
        at_edge,
        tuple(
            BandPart(name, show.length_text(part.thickness_mm), _wide(bands_mm[no], show) if no in bands_mm else "")
            for no, (name, part) in enumerate(zip(names, joint.parts, strict=True), 1)
        ),
        (_height(left.thickness_mm, thickest_mm), _height(right.thickness_mm, thickest_mm)),
        joint.both_faces,
        _summary(joint, show.least_length_text(asked.extent_mm, code), heated, measure_at, at_edge=at_edge),
    )


def measuring_text(joint: Joint, asked: Requirement, table: CodeTable, show: Show) -> str:
    """How far from the weld to measure, in as few points as meet standard and code."""
    points = _points(joint, asked, table)
    distance = measuring_distance_text(points.distance_mm, show.system)
    if points.edge_mm is None:
        return distance
    # On thick parts the edge of the zone is a point of the standard as well.
    edge = show.least_length_text(points.edge_mm)
    return edge if points.at_least else f"{distance} and {edge}"


def _points(joint: Joint, asked: Requirement, table: CodeTable) -> MeasuringPoints:
    return measuring_points(max(part.thickness_mm for part in joint.parts), asked, table)


def _summary(joint: Joint, extent: str, heated: str, measure_at: str, *, at_edge: bool) -> str:
    faces = "from both faces" if joint.both_faces else "from one face"
    warm = f"at least {extent} on each side of the weld is warm, through the thickness"
    wide = f"{heated} on each side of the weld {faces}, so that" if heated else f"{faces} until"
    edge = f" and at the edge of the warm zone, {extent} from it" if at_edge else ""
    where = "once the heat has been off for a while" if joint.both_faces else "on the face away from the heat"
    return f"Heat {wide} {warm}. Measure {measure_at} from the groove edge{edge}, {where}."


def _names(joint: Joint) -> list[str]:
    roles = () if joint.arrangement is None else CATALOGUE[joint.arrangement].roles
    named = [role.name for role in roles] if len(roles) == len(joint.parts) else [""] * len(joint.parts)
    return [f"Part {no}, {name}" if name else f"Part {no}" for no, name in enumerate(named, 1)]


def _height(thickness_mm: float, thickest_mm: float) -> int:
    return max(round(TALL * thickness_mm / thickest_mm), TALL // 4)


def _wide(mm: float, show: Show) -> str:
    """A band as wide as it is heated, rounded so that it can be marked with a rule."""
    return f"{in_from_mm(mm):.1f} in" if show.system == "us" else f"{mm:.0f} mm"
