"""The band to heat and the points to measure, as labels of a drawing that is not to scale."""

from __future__ import annotations

from dataclasses import dataclass

from frostshift_rules.code_table import CodeTable
from frostshift_rules.job import Joint
from frostshift_rules.preheat import Requirement, measuring_distance_mm
from frostshift_rules.units import in_from_mm
from frostshift_service.views.show import Show


@dataclass(frozen=True, slots=True)
class BandDrawing:
    """What the drawing says; texts in the site's units.

    Attributes:
        extent: warm on each side of the weld.
        measure_at: from the groove edge to the point to measure.
        at_edge: the edge of the warm zone lies farther out and is measured as well.
        thickness: of the part on the left and of the one on the right; the same text twice for like parts.
        more_parts: number of parts that the drawing leaves out.
        both_faces: heated from both faces.
        summary: all of it in a sentence, for who does not see the drawing.
    """

    extent: str
    measure_at: str
    at_edge: bool
    thickness: tuple[str, str]
    more_parts: int
    both_faces: bool
    summary: str


def band_drawing(joint: Joint, asked: Requirement, table: CodeTable, show: Show) -> BandDrawing:
    """The drawing of a joint: its first two parts left and right of the weld, a lone one on both sides.

    Where to measure is that of the thickest part (ISO 13916), as its instruction says.
    """
    distance_mm = measuring_distance_mm(max(part.thickness_mm for part in joint.parts), table)
    at_edge = asked.extent_mm > distance_mm + 1e-6
    extent = show.length_text(asked.extent_mm)
    # As its instruction has it: 75 mm is no fraction of an inch.
    measure_at = f"{in_from_mm(distance_mm):.1f} in" if show.system == "us" else f"{distance_mm:.0f} mm"
    left, right = joint.parts[0], joint.parts[min(1, len(joint.parts) - 1)]
    faces = "from both faces" if joint.both_faces else "from one face, through to the other"
    edge = f" and at the edge of the warm zone, {extent} from it" if at_edge else ""
    where = "once the heat has been off for a while" if joint.both_faces else "on the face away from the heat"
    return BandDrawing(
        extent,
        measure_at,
        at_edge,
        (show.length_text(left.thickness_mm), show.length_text(right.thickness_mm)),
        max(len(joint.parts) - 2, 0),
        joint.both_faces,
        f"Heat {extent} on each side of the weld {faces}. Measure {measure_at} from the groove edge{edge}, {where}.",
    )
