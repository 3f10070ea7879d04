"""From the parts of a joint to what is heated of each at a time, as the conduction engine takes it.

Every part is heated over a band: what must be warm, and a margin beyond it. Lengths of the band are rounded to 5 mm, so
that like parts share their geometry.

- A flat part ends at the weld, or runs through under it; then the part that stands there is in the torch's way.
- A flange with its web is heated on its outer face over its whole width, as the weld runs.
- A tube or box is heated outside, all round or over a length, and loses nothing inside: that is the half of a plate of
  twice the wall, heated from both faces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from frostshift_rules.job import Choices, Joint, Part

LEAST_HALF_MM: Final = 5.0
"""Least half width and half length of a heated patch [mm], the engine's own; no flame heats less."""
THICKEST_MM: Final = 150.0
"""Thickest plate that the engine is valid for [mm]; one narrower than twice its thickness is not covered either."""
_LONGEST_HALF_M: Final = 20.0
"""Half the longest heated length, the engine's own; a band all round a tube has no end and takes it."""


@dataclass(frozen=True, slots=True)
class Patch:
    """What of one part is heated at a time, and what of it must be warm. Lengths in m; `inf`: no edge in reach.

    Attributes:
        half_width_m: heated up to here from the weld line, on each side.
        inner_m: not heated nearer to the weld line than this.
        half_length_m: heated along the weld from its middle.
        edge_x_m, edge_y_m: free edges across and along.
        half_weld_m: weld along which must be warm; 0 where the band has no ends.
        to_edge: the band has no ends of its own: it runs from edge to edge or all round.
        web_m, web_depth_m: of a flange's web; 0: none.
        inside_insulated: the far face loses nothing.
        band_m, length_m: of the area that the torch goes over, of one side and face.
        area_m2: of all sides and faces.
    """

    half_width_m: float
    inner_m: float
    half_length_m: float
    edge_x_m: float
    edge_y_m: float
    half_weld_m: float
    to_edge: bool
    web_m: float
    web_depth_m: float
    inside_insulated: bool
    band_m: float
    length_m: float
    area_m2: float


def segments(joint: Joint, choices: Choices) -> tuple[int, float]:
    """How many lengths the weld is heated in, one after the other, and each length [mm].

    A flange with its web is heated over its whole width at once.
    """
    if any(part.kind == "flange_with_web" for part in joint.parts):
        return 1, joint.weld_length_mm
    longest = joint.heated_length_mm or choices.segment_mm * joint.torches
    count = max(1, math.ceil(joint.weld_length_mm / longest - 1e-9))
    return count, joint.weld_length_mm / count


def patch_of(joint: Joint, part: Part, extent_mm: float, choices: Choices) -> Patch:
    """The heated band on one part: what must be warm and the margin, cut at a free edge."""
    count, length_mm = segments(joint, choices)
    inner_mm = _in_the_way_mm(joint, part)
    edge_mm = math.inf if part.reach_mm is None else part.reach_mm
    beyond_mm = 5.0 * math.ceil((extent_mm + choices.margin_mm) / 5.0 - 1e-9)
    width_mm = max(min(inner_mm + beyond_mm, edge_mm), inner_mm + LEAST_HALF_MM)
    half_weld_mm = max(_rounded(length_mm, 5.0) / 2.0, LEAST_HALF_MM)
    flange = part.kind == "flange_with_web" and part.width_mm is not None
    if flange and part.width_mm is not None:
        half_weld_mm = part.width_mm / 2.0
    all_round = joint.ends == "all_round" and count == 1 and not flange  # a flange has its free edges, however welded
    # The end pieces of a long edge-to-edge seam have one free edge; without it they lose more heat, so more time.
    to_edge = flange or all_round or (joint.ends == "edge_to_edge" and count == 1)
    half_length_mm = half_weld_mm if to_edge else half_weld_mm + beyond_mm
    length_m = 2.0 * half_length_mm / 1000.0
    band_m = (width_mm - inner_mm) / 1000.0
    return Patch(
        half_width_m=width_mm / 1000.0,
        inner_m=inner_mm / 1000.0,
        half_length_m=_LONGEST_HALF_M if all_round else half_length_mm / 1000.0,
        edge_x_m=edge_mm / 1000.0,
        edge_y_m=half_weld_mm / 1000.0 if to_edge and not all_round else math.inf,
        half_weld_m=0.0 if all_round else half_weld_mm / 1000.0,
        to_edge=to_edge,
        web_m=(part.web_mm or 0.0) / 1000.0 if flange else 0.0,
        web_depth_m=(part.web_depth_mm or 0.0) / 1000.0 if flange else 0.0,
        inside_insulated=part.kind == "tube",
        band_m=band_m,
        length_m=length_m,
        area_m2=heated_area_m2(joint, part, band_m * 1000.0, length_m * 1000.0),
    )


def heated_area_m2(joint: Joint, part: Part, band_mm: float, band_length_mm: float) -> float:
    """Area that the flame goes over on one part [m2], every side and face of it."""
    faces = 2 if joint.both_faces and part.kind != "tube" else 1
    return part.sides * faces * band_mm * band_length_mm / 1e6


def sizes_missing(part: Part) -> bool:
    """Whether a flange's width or web is not stated, without which it has no time."""
    return part.kind == "flange_with_web" and None in (part.width_mm, part.web_mm, part.web_depth_mm)


def outside(part: Part, patch: Patch) -> bool:
    """Whether a part lies outside what the engine covers; what people typed may."""
    thickest_mm = THICKEST_MM / 2.0 if part.kind == "tube" else THICKEST_MM
    widest_mm = min(patch.edge_x_m, patch.edge_y_m if part.kind == "flange_with_web" else math.inf) * 1000.0
    return not (
        2.0 <= part.thickness_mm <= thickest_mm
        and patch.half_length_m <= _LONGEST_HALF_M
        and widest_mm >= max(LEAST_HALF_MM, part.thickness_mm)
        and patch.half_width_m <= patch.edge_x_m
        and (patch.web_m == 0.0 or (patch.web_m < patch.edge_y_m and 0.01 <= patch.web_depth_m <= 5.0))
        and patch.web_m <= 2.0 * part.thickness_mm / 1000.0
        and patch.inner_m <= 0.3
        and patch.half_width_m <= 5.0
        and (part.kind != "flange_with_web" or patch.web_m > 0.0)
    )


def _in_the_way_mm(joint: Joint, part: Part) -> float:
    """Half the thickness of the thickest part that stands on this one, where it runs through under the weld [mm]."""
    standing = [other.thickness_mm for other in joint.parts if other.sides == 1]
    return max(standing, default=0.0) / 2.0 if part.sides == 2 else 0.0


def _rounded(value: float, step: float) -> float:
    return round(value / step) * step
