"""What the conduction engine is asked about the joints that need heat.

A joint gives one question a part. What hangs on how a joint is made alone (`Make`: bands, area, lengths) is worked out
once for all joints that are made alike; what hangs on the weather stands in one row of numbers a question.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import repeat
from typing import Any, Final, Literal

import numpy as np

from frostshift_rules import delivered, heating
from frostshift_rules.conduction import Ints
from frostshift_rules.delivered import Heaters
from frostshift_rules.drying import Film
from frostshift_rules.job import Choices, Joint, Part
from frostshift_rules.patches import Patch, outside, patch_of, segments, sizes_missing
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import Range

EMISSIVITY_HEATING: Final = 0.8
"""Scaled steel near the torch; infrared tables give 0.6 to 0.8 for mill scale between 20 and 130 °C."""
BELOW_MAXIMUM_K: Final = 5.0
"""The target stays so far below a stated maximum [K]. Our choice: about the error of a temperature crayon."""
MOST_FLUX_WM2: Final = 1.0e6
"""More than a swept flame puts into steel [W/m2]; above it the heated area or the torch is mistyped."""
MOST_UNLIKE: Final = 1.5
"""Two parts end to end that are one piece: the thicker is at most so many times as thick. What the thinner gives is
taken to enter over the whole end of the thicker. By finite elements the time of the thicker is up to 6 % short at 1.5
times, 9 % at 2 times, 15 % at 3 times, 24 % at 4 times."""

Band = Literal["slow", "likely", "fast"]
BANDS: Final[tuple[Band, ...]] = ("slow", "likely", "fast")


@dataclass(frozen=True, slots=True)
class HeatJob:
    """One joint to be heated.

    Attributes:
        joint: the joint; its parts in the order of `starts_c`.
        heaters: all that heats it at once, the joint's own source first; None: one of them is not known.
        minimum_c, maximum_c: [°C]; maximum None where none is stated.
        extent_mm: must be warm on every side [mm].
        soak_minutes: wait before the reading is true [min].
        starts_c: steel temperature of each part at light-up, cold side / likely / warm side [°C].
        air_c: at light-up, cold side / likely / warm side [°C].
        wind_ms: strongest at the joint while it is heated [m/s].
        convection_wm2k: low / likely / high [W/m2K].
        present_from_utc: nobody is there before; None: not known.
        film: what has to be dried off the steel first; None: nothing that is known of.
    """

    joint: Joint
    heaters: tuple[Heaters, ...] | None
    minimum_c: float
    maximum_c: float | None
    extent_mm: float
    soak_minutes: float
    starts_c: tuple[Range, ...]
    air_c: Range
    wind_ms: float
    convection_wm2k: Range
    present_from_utc: datetime | None
    film: Film = None


def target_c(minimum_c: float, maximum_c: float | None, overheat_k: float) -> float:
    """Torch off at this temperature of the coldest required point; not above the maximum less its margin."""
    wanted = minimum_c + overheat_k
    return wanted if maximum_c is None else max(minimum_c, min(wanted, maximum_c - BELOW_MAXIMUM_K))


def one_piece(joint: Joint) -> bool:
    """Whether the parts share their heat: already welded to each other, and not the walls of a tube."""
    touching = joint.welded or any(part.kind == "touching" for part in joint.parts)
    return touching and len(joint.parts) > 1 and all(part.kind != "tube" for part in joint.parts)


# Joints that are made alike -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Body:
    """One part as the engine takes it."""

    part: Part
    patch: Patch
    extent_mm: float
    both_faces: bool


@dataclass(frozen=True, slots=True)
class Make:
    """What joints that are made alike have in common.

    Attributes:
        bodies: one a part.
        area_m2: heated at once, of all parts, sides and faces.
        segments, length_mm: the weld is heated in so many lengths, of so much each.
        sized: of each part, whether the sizes that its time hangs on are stated.
        covered: of each part, whether the engine covers its sizes; what people typed may lie outside.
        paired: two parts that are one piece; of three or four that are, none is covered, nor of two too unlike.
    """

    bodies: tuple[Body, ...]
    area_m2: float
    segments: int
    length_mm: float
    sized: tuple[bool, ...]
    covered: tuple[bool, ...]
    paired: bool


def make_of(joint: Joint, extent_mm: float, choices: Choices) -> Make:
    """The make of a joint."""
    bodies = tuple(
        Body(part, patch_of(joint, part, extent_mm, choices), extent_mm, joint.both_faces) for part in joint.parts
    )
    count, length_mm = segments(joint, choices)
    sized = tuple(not sizes_missing(part) for part in joint.parts)
    knotted = one_piece(joint) and (len(joint.parts) > 2 or _too_unlike(joint))
    return Make(
        bodies=bodies,
        area_m2=sum(body.patch.area_m2 for body in bodies),
        segments=count,
        length_mm=length_mm,
        sized=sized,
        covered=tuple(
            known and not knotted and not outside(body.part, body.patch)
            for known, body in zip(sized, bodies, strict=True)
        ),
        paired=one_piece(joint) and len(joint.parts) == 2,
    )


def _too_unlike(joint: Joint) -> bool:
    """Whether parts that end at the weld are one piece and so unlike that the thick one has no sure time."""
    ending_mm = [part.thickness_mm for part in joint.parts if part.sides == 1]
    return len(ending_mm) > 1 and max(ending_mm) > MOST_UNLIKE * min(ending_mm)


def _deciding_values(joint: Joint, extent_mm: float) -> tuple[object, ...]:
    """What of a joint its make hangs on."""
    return (
        joint.parts,
        joint.weld_length_mm,
        joint.heated_length_mm,
        joint.torches,
        joint.ends,
        joint.both_faces,
        joint.welded,
        extent_mm,
    )


@dataclass(frozen=True, slots=True)
class Supply:
    """What heats joints of one make with the same heaters in like wind.

    `flux_wm2` and `flux_kwm2` are None without a heat source; `lain_on` is False where electric heaters cover too
    little of the joint; `usable`: the engine can be asked.
    """

    flux_wm2: Range | None
    flux_kwm2: Range | None
    lain_on: bool
    usable: bool


def supply_of(heaters: Sequence[Heaters] | None, wind_ms: float, area_m2: float) -> Supply:
    """What some heaters bring into an area."""
    if not heaters:
        return Supply(None, None, lain_on=True, usable=False)
    flux, lain_on = delivered.flux_wm2(heaters, wind_ms, area_m2), delivered.covers(heaters, area_m2)
    in_kw = Range(flux.low / 1000.0, flux.likely / 1000.0, flux.high / 1000.0)
    return Supply(flux, in_kw, lain_on, lain_on and flux.high <= MOST_FLUX_WM2)


# Questions ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked about one job: `rows` of the questions about its parts, None where none is asked."""

    make: Make
    supply: Supply
    target_c: float
    rows: tuple[int | None, ...]


@dataclass(frozen=True)
class Questions:
    """The questions about some jobs.

    Attributes:
        bodies: the parts, like parts of joints that are made alike once.
        body: of each question, its part in `bodies`.
        partner: of each question, the one about the part that it is one piece with; -1: none.
        flux_wm2, start_c, air_c, convection_wm2k: low / likely / high [question, 3].
        minimum_c, target_c, maximum_c: [question]; maximum NaN where none is stated.
        hottest_c: the site's choice for the hottest metal where no maximum is stated [question].
        weld_s: how long one segment is welded [question]; 0 where the hours are not stated.
    """

    bodies: list[Body]
    body: Ints
    partner: Ints
    flux_wm2: Floats
    start_c: Floats
    air_c: Floats
    convection_wm2k: Floats
    minimum_c: Floats
    target_c: Floats
    maximum_c: Floats
    hottest_c: Floats
    weld_s: Floats

    def __len__(self) -> int:
        return len(self.body)


_NUMBERS: Final = 17
"""Numbers that each question adds to the flat list of all: four ranges, minimum, target, maximum, hottest metal, time
of welding."""


def each_with(jobs: Sequence[HeatJob], choices: Choices | Sequence[Choices]) -> list[tuple[HeatJob, Choices]]:
    """Each job with its choices: the same for all, or one a job."""
    of_each = repeat(choices, len(jobs)) if isinstance(choices, Choices) else choices
    return list(zip(jobs, of_each, strict=True))


def ask(jobs: Sequence[HeatJob], choices: Choices | Sequence[Choices]) -> tuple[list[Asked], Questions]:
    """What is asked about each job, and the questions about those parts that the engine covers.

    `choices` are those of all jobs, or one a job.
    """
    makes: dict[tuple[object, ...], tuple[int, Make]] = {}
    supplies: dict[tuple[object, ...], Supply] = {}
    bodies: list[Body] = []
    body: list[int] = []
    partner: list[int] = []
    numbers: list[float] = []
    asked = []
    for job, chosen in each_with(jobs, choices):
        # Keys are looked up once: their hash, over all the values of the parts, costs more than the rest.
        alike = (*_deciding_values(job.joint, job.extent_mm), chosen.margin_mm, chosen.segment_mm)
        known = makes.get(alike)
        if known is None:
            known = makes[alike] = len(bodies), make_of(job.joint, job.extent_mm, chosen)
            bodies += known[1].bodies
        first, make = known
        supplied = first, job.heaters, delivered.flame_in_wind(job.wind_ms)  # all that the flux hangs on
        supply = supplies.get(supplied)
        if supply is None:
            supply = supplies[supplied] = supply_of(job.heaters, job.wind_ms, make.area_m2)
        target = target_c(job.minimum_c, job.maximum_c, chosen.overheat_k)
        rows: list[int | None] = [None] * len(make.bodies)
        if supply.usable and supply.flux_wm2 is not None and _covered(job, target):
            maximum_c = math.nan if job.maximum_c is None else job.maximum_c
            hours = job.joint.hours
            weld_s = 0.0 if math.isnan(hours) else hours * 3600.0 / make.segments
            flux, air, loss = _ends(supply.flux_wm2), _ends(job.air_c), _ends(job.convection_wm2k)
            of_all = (*air, *loss, job.minimum_c, target, maximum_c, chosen.hottest_c, weld_s)
            for place, (covered, start) in enumerate(zip(make.covered, job.starts_c, strict=True)):
                if not covered:
                    continue
                rows[place] = len(body)
                body.append(first + place)
                partner.append(-1)
                numbers += (*flux, start.low, start.likely, start.high, *of_all)
            if make.paired and None not in rows:
                partner[-2:] = len(body) - 1, len(body) - 2
        asked.append(Asked(make, supply, target, tuple(rows)))
    table = np.array(numbers, dtype=np.float64).reshape(-1, _NUMBERS)
    flux_wm2, start_c, air_c, convection, limits = np.split(table, [3, 6, 9, 12], axis=1)
    index, partners = np.array(body, dtype=np.intp), np.array(partner, dtype=np.intp)
    return asked, Questions(bodies, index, partners, flux_wm2, start_c, air_c, convection, *limits.T)


def _ends(of: Range) -> tuple[float, float, float]:
    return of.low, of.likely, of.high


def _covered(job: HeatJob, target: float) -> bool:
    """Whether the engine covers the temperatures, the hours and the wind; what people typed may lie outside."""
    return (
        target <= heating.HOTTEST_VALID_C
        and job.minimum_c >= -50.0
        and all(start.low >= -90.0 and start.high <= 600.0 for start in job.starts_c)
        and (math.isnan(job.joint.hours) or 0.0 <= job.joint.hours <= 168.0)
        and job.air_c.low >= -90.0
        and job.air_c.high <= 60.0
        and job.convection_wm2k.high <= 500.0
    )


_HEAT_END: Final[dict[Band, int]] = {"slow": 0, "likely": 1, "fast": 2}
_LOSS_END: Final[dict[Band, int]] = {"slow": 2, "likely": 1, "fast": 0}


def heat_cases(questions: Questions, bands: Sequence[Band]) -> heating.HeatCases:
    """The questions at each place of the doubt, one place after the other."""
    n = len(questions)
    body = np.tile(questions.body, len(bands))
    known = _of_bodies(questions.bodies)

    def at(ends: Mapping[Band, int], values: Floats) -> Floats:
        return np.concatenate([values[:, ends[band]] for band in bands])

    at_first = np.repeat(np.arange(len(bands)) * n, n)
    partner = np.tile(questions.partner, len(bands))
    return heating.HeatCases(
        **{name: values[body] for name, values in known.items()},
        flux_wm2=at(_HEAT_END, questions.flux_wm2),
        convection_wm2k=at(_LOSS_END, questions.convection_wm2k),
        emissivity=np.full(len(body), EMISSIVITY_HEATING),
        air_c=at(_HEAT_END, questions.air_c),
        start_c=at(_HEAT_END, questions.start_c),
        minimum_c=np.tile(questions.minimum_c, len(bands)),
        target_c=np.tile(questions.target_c, len(bands)),
        weld_s=np.tile(questions.weld_s, len(bands)),
        partner=np.where(partner >= 0, partner + at_first, -1),
    )


def _of_bodies(bodies: Sequence[Body]) -> dict[str, Any]:
    """The sizes of each body and the points of it that must be warm, as `heating.HeatCases` names them."""

    def column(pick: Callable[[Body], float]) -> Floats:
        return np.fromiter(map(pick, bodies), dtype=np.float64, count=len(bodies))

    edge_x_m, inner_m, web_m = (
        column(pick) for pick in (lambda b: b.patch.edge_x_m, lambda b: b.patch.inner_m, lambda b: b.patch.web_m)
    )
    point_x_m, point_y_m = heating.zone_points(
        column(lambda b: b.extent_mm / 1000.0),
        column(lambda b: b.patch.half_weld_m),
        column(lambda b: float(b.patch.to_edge)).astype(np.bool_),
        edge_x_m - inner_m,
    )
    point_x_m = np.where(point_x_m > 0.0, point_x_m + inner_m[:, None], 0.0)
    # A flange is coldest on its web, or on its free edges.
    point_y_m[:, 1:] = np.where(web_m[:, None] > 0.0, 0.0, point_y_m[:, 1:])
    if np.any(inner_m > 0.0):
        # A thin part that runs through may be coldest under the one that stands in the torch's way.
        under = inner_m > 0.0
        point_x_m = np.column_stack([point_x_m, np.where(under, 0.0, point_x_m[:, 0])])
        half_weld_m = column(lambda b: b.patch.half_weld_m)
        point_y_m = np.column_stack([point_y_m, np.where(under, half_weld_m * (web_m == 0.0), point_y_m[:, 0])])
    inside = column(lambda b: float(b.patch.inside_insulated)).astype(np.bool_)
    return {
        "thickness_m": column(lambda b: b.part.thickness_mm / 1000.0) * np.where(inside, 2.0, 1.0),
        "both_faces": column(lambda b: float(b.both_faces)).astype(np.bool_) | inside,
        "half_width_m": column(lambda b: b.patch.half_width_m),
        "half_length_m": column(lambda b: b.patch.half_length_m),
        "edge_x_m": edge_x_m,
        "edge_y_m": column(lambda b: b.patch.edge_y_m),
        "point_x_m": point_x_m,
        "point_y_m": point_y_m,
        "inner_m": inner_m,
        "web_m": web_m,
        "web_depth_m": column(lambda b: b.patch.web_depth_m),
    }
