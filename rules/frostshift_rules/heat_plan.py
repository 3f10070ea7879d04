"""From a joint that needs heat to its heat plan: band, flux, minutes, light-up, hold, fuel and oxygen.

The arithmetic, in the order in which a page explains it:

    area heated at once = sum over the parts of sides x band x heated length x faces
    flux                = torches x net rate of one torch x share that reaches the steel / area
    minutes             = conduction engine (`heating`), slowest part
    light-up            = start - (slow-end minutes + soak before the reading is true + set-up)
    fuel, oxygen        = torch-minutes x rate of the torch (`gas`)

Every time and amount is given at three places of the doubt: the slow end (small share, strong wind, cold start), the
likely value and the fast end. Equal parts of a site are solved once: starts and air are rounded by half a kelvin,
lengths to 5 mm and convection to 5 %, at the slow end always towards longer times.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np

from frostshift_rules import gas, heating
from frostshift_rules.job import MODELLED_KINDS, Choices, Ends, HeatSource, Joint, Part
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import HeatPlan, HeatStatus, PartHeat, Range

EMISSIVITY_HEATING: Final = 0.8
"""Scaled steel near the torch; infrared tables give 0.6 to 0.8 for mill scale between 20 and 130 °C."""
BELOW_MAXIMUM_K: Final = 5.0
"""The target stays so far below a stated maximum [K]. Our choice: about the error of a temperature crayon."""
MOST_FLUX_WM2: Final = 1.0e6
"""More than a swept flame puts into steel [W/m2]; above it the heated area or the torch is mistyped."""
LEAST_HALF_MM: Final = 5.0
"""Least half width and half length of a heated patch [mm], the engine's own; no flame heats less."""
STATUS_ORDER: Final[tuple[HeatStatus, ...]] = (
    "no_source",
    "no_time",
    "out_of_range",
    "never",
    "unsure",
    "too_hot",
    "ok",
)
"""Worst first: a joint has the worst status of its parts."""

Band = Literal["slow", "likely", "fast"]
BANDS: Final[tuple[Band, ...]] = ("slow", "likely", "fast")


@dataclass(frozen=True, slots=True)
class HeatJob:
    """One joint to be heated.

    Attributes:
        joint: the joint; its parts in the order of `starts_c`.
        source: torch set; None: none on the site.
        minimum_c, maximum_c: [°C]; maximum None where none is stated.
        extent_mm: must be warm on every side [mm].
        soak_minutes: wait before the reading is true [min].
        starts_c: steel temperature of each part at light-up, cold side / likely / warm side [°C].
        air_c: at light-up, cold side / likely / warm side [°C].
        convection_wm2k: low / likely / high [W/m2K].
        present_from_utc: nobody is there before; None: not known.
    """

    joint: Joint
    source: HeatSource | None
    minimum_c: float
    maximum_c: float | None
    extent_mm: float
    soak_minutes: float
    starts_c: tuple[Range, ...]
    air_c: Range
    convection_wm2k: Range
    present_from_utc: datetime | None


@dataclass(frozen=True, slots=True)
class Patch:
    """What of one part is heated at a time, and what of it must be warm. Lengths in m; `inf`: no edge in reach."""

    half_width_m: float
    half_length_m: float
    edge_x_m: float
    edge_y_m: float
    half_weld_m: float
    ends: Ends
    area_m2: float


@dataclass(frozen=True, slots=True)
class Case:
    """One question to the conduction engine. Equal cases are solved once."""

    thickness_m: float
    both_faces: bool
    patch: Patch
    extent_m: float
    flux_wm2: float
    convection_wm2k: float
    air_c: float
    start_c: float
    minimum_c: float
    target_c: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What the engine says to a case; `to_target_s` is inf where it never gets there."""

    to_target_s: float
    hold_s: float
    hottest_c: float
    elasticity: float


def segments(joint: Joint, choices: Choices) -> tuple[int, float]:
    """How many lengths the weld is heated in, one after the other, and each length [mm]."""
    longest = joint.heated_length_mm or choices.segment_mm * joint.torches
    count = max(1, math.ceil(joint.weld_length_mm / longest - 1e-9))
    return count, joint.weld_length_mm / count


def patch_of(joint: Joint, part: Part, extent_mm: float, choices: Choices) -> Patch:
    """The heated band on one part: what must be warm and the margin, cut at a free edge."""
    count, length_mm = segments(joint, choices)
    edge_mm = math.inf if part.reach_mm is None else part.reach_mm
    width_mm = max(min(_rounded(extent_mm + choices.margin_mm, 5.0), edge_mm), LEAST_HALF_MM)
    half_weld_mm = max(_rounded(length_mm, 5.0) / 2.0, LEAST_HALF_MM)
    # The end pieces of a long edge-to-edge seam have one free edge; without it they lose more heat, so more time.
    to_edge = joint.ends == "edge_to_edge" and count == 1
    half_length_mm = half_weld_mm if to_edge else half_weld_mm + _rounded(extent_mm + choices.margin_mm, 5.0)
    faces = 2 if joint.both_faces else 1
    return Patch(
        half_width_m=width_mm / 1000.0,
        half_length_m=half_length_mm / 1000.0,
        edge_x_m=edge_mm / 1000.0,
        edge_y_m=half_weld_mm / 1000.0 if to_edge else math.inf,
        half_weld_m=half_weld_mm / 1000.0,
        ends="edge_to_edge" if to_edge else "inside",
        area_m2=part.sides * faces * width_mm * 2.0 * half_length_mm / 1e6,
    )


def target_c(minimum_c: float, maximum_c: float | None, overheat_k: float) -> float:
    """Torch off at this temperature of the coldest required point; not above the maximum less its margin."""
    wanted = minimum_c + overheat_k
    return wanted if maximum_c is None else max(minimum_c, min(wanted, maximum_c - BELOW_MAXIMUM_K))


def slow_minutes(jobs: Sequence[HeatJob], choices: Choices) -> list[float | None]:
    """Slow-end minutes of the first segment of each job; None where there is no time."""
    asked = _asked(jobs, choices, ("slow",))
    distinct = _distinct(asked)
    seconds = heating.seconds_to_target(_heat_cases(distinct)).tolist() if distinct else []
    known = dict(zip(distinct, seconds, strict=True))
    longest = [max(known[part.cases["slow"]] if part.cases else math.inf for part in parts) for parts in asked]
    return [slowest / 60.0 if math.isfinite(slowest) else None for slowest in longest]


def heat_plans(jobs: Sequence[HeatJob], choices: Choices) -> list[HeatPlan]:
    """The heat plan of each job, in their order."""
    asked = _asked(jobs, choices, BANDS)
    answers = _answers(_distinct(asked))
    return [_heat_plan(job, parts, answers, choices) for job, parts in zip(jobs, asked, strict=True)]


@dataclass(frozen=True, slots=True)
class _Asked:
    """One part of one job: its band, and what the engine is asked about it at each place of the doubt.

    `flux_wm2` is there wherever there is a heat source; `cases` only where the engine covers the part.
    """

    part: Part
    patch: Patch
    flux_wm2: Range | None
    cases: dict[Band, Case]


def _asked(jobs: Sequence[HeatJob], choices: Choices, bands: Sequence[Band]) -> list[list[_Asked]]:
    patches: dict[tuple[object, ...], Patch] = {}
    asked = []
    for job in jobs:
        of_job = []
        for part in job.joint.parts:
            key = (part, job.extent_mm, *_patch_inputs(job.joint))
            if key not in patches:
                patches[key] = patch_of(job.joint, part, job.extent_mm, choices)
            of_job.append(patches[key])
        asked.append(_parts_asked(job, of_job, choices, bands))
    return asked


def _parts_asked(job: HeatJob, patches: Sequence[Patch], choices: Choices, bands: Sequence[Band]) -> list[_Asked]:
    source, area_m2 = job.source, sum(patch.area_m2 for patch in patches)
    if source is None:
        return [_Asked(part, patch, None, {}) for part, patch in zip(job.joint.parts, patches, strict=True)]
    flux = Range(
        *(
            flux_wm2(job.joint.torches, source.net_kw, share, area_m2)
            for share in (source.share_low, source.share_likely, source.share_high)
        )
    )
    parts = []
    for part, patch, start in zip(job.joint.parts, patches, job.starts_c, strict=True):
        covered = _covered(job, part, patch, flux, target_c(job.minimum_c, job.maximum_c, choices.overheat_k))
        cases = {band: _case(job, part, patch, flux, start, choices, band) for band in bands} if covered else {}
        parts.append(_Asked(part, patch, flux, cases))
    return parts


def _covered(job: HeatJob, part: Part, patch: Patch, flux: Range, target: float) -> bool:
    """Whether the engine covers the part; what people typed may lie outside."""
    return (
        part.kind in MODELLED_KINDS
        and 2.0 <= part.thickness_mm <= 300.0
        and flux.high <= MOST_FLUX_WM2
        and patch.half_length_m <= 20.0
        and patch.edge_x_m >= LEAST_HALF_MM / 1000.0
        and target <= heating.HOTTEST_VALID_C
        and job.air_c.low >= -90.0
        and job.air_c.high <= 60.0
        and job.convection_wm2k.high <= 475.0  # rounded up it is still within the engine's 500
    )


def _distinct(asked: Iterable[Iterable[_Asked]]) -> list[Case]:
    return list(dict.fromkeys(case for parts in asked for part in parts for case in part.cases.values()))


def _patch_inputs(joint: Joint) -> tuple[object, ...]:
    return (joint.weld_length_mm, joint.heated_length_mm, joint.torches, joint.ends, joint.both_faces)


def _case(job: HeatJob, part: Part, patch: Patch, flux: Range, start: Range, choices: Choices, band: Band) -> Case:
    into_wm2, convection, begin, air = {
        "slow": (flux.low, job.convection_wm2k.high, start.low, job.air_c.low),
        "likely": (flux.likely, job.convection_wm2k.likely, start.likely, job.air_c.likely),
        "fast": (flux.high, job.convection_wm2k.low, start.high, job.air_c.high),
    }[band]
    colder = {"slow": -1, "likely": 0, "fast": 1}[band]
    return Case(
        thickness_m=part.thickness_mm / 1000.0,
        both_faces=job.joint.both_faces,
        patch=patch,
        extent_m=job.extent_mm / 1000.0,
        flux_wm2=into_wm2,
        convection_wm2k=math.exp(_rounded(math.log(convection), 0.05, -colder)),
        air_c=_rounded(air, 0.5, colder),
        start_c=_rounded(begin, 0.5, colder),
        minimum_c=job.minimum_c,
        target_c=target_c(job.minimum_c, job.maximum_c, choices.overheat_k),
    )


def flux_wm2(torches: int, net_kw: float, share: float, area_m2: float) -> float:
    """Net heat into the steel per heated area, all torches spread over everything heated at once [W/m2]."""
    return torches * net_kw * 1000.0 * share / area_m2


def _heat_cases(cases: Sequence[Case]) -> heating.HeatCases:
    def column(values: Iterable[float]) -> Floats:
        return np.fromiter(values, dtype=np.float64, count=len(cases))

    edge_x_m = column(c.patch.edge_x_m for c in cases)
    point_x_m, point_y_m = heating.zone_points(
        column(c.extent_m for c in cases),
        column(c.patch.half_weld_m for c in cases),
        np.array([c.patch.ends == "edge_to_edge" for c in cases]),
        edge_x_m,
    )
    return heating.HeatCases(
        thickness_m=column(c.thickness_m for c in cases),
        both_faces=np.array([c.both_faces for c in cases]),
        half_width_m=column(c.patch.half_width_m for c in cases),
        half_length_m=column(c.patch.half_length_m for c in cases),
        edge_x_m=edge_x_m,
        edge_y_m=column(c.patch.edge_y_m for c in cases),
        flux_wm2=column(c.flux_wm2 for c in cases),
        convection_wm2k=column(c.convection_wm2k for c in cases),
        emissivity=np.full(len(cases), EMISSIVITY_HEATING),
        air_c=column(c.air_c for c in cases),
        start_c=column(c.start_c for c in cases),
        minimum_c=column(c.minimum_c for c in cases),
        target_c=column(c.target_c for c in cases),
        point_x_m=point_x_m,
        point_y_m=point_y_m,
    )


def _answers(cases: Sequence[Case]) -> dict[Case, Answer]:
    """Ask the engine once for every distinct case."""
    if not cases:
        return {}
    said = heating.heat_up(_heat_cases(cases))
    columns = (said.to_target_s, said.hold_s, said.hottest_c, said.elasticity)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return {case: Answer(*row) for case, row in zip(cases, rows, strict=True)}


def _status(
    asked: _Asked, answers: Sequence[Answer], hottest_limit_c: float, minimum_c: float, maximum_c: float | None
) -> HeatStatus:
    if asked.part.kind not in MODELLED_KINDS:
        return "no_time"
    if asked.flux_wm2 is None:
        return "no_source"
    if not answers:
        return "out_of_range"
    slow, likely, _ = answers
    if not math.isfinite(likely.to_target_s):
        return "never"
    # Mostly the fast end's; not where its start is so warm that it needs little heat or none.
    hottest_c = max(answer.hottest_c for answer in answers if math.isfinite(answer.hottest_c))
    no_room = maximum_c is not None and maximum_c - BELOW_MAXIMUM_K <= minimum_c
    if no_room or hottest_c > hottest_limit_c:
        return "too_hot"
    if not math.isfinite(slow.to_target_s) or max(slow.elasticity, likely.elasticity) > heating.ELASTICITY_REFUSE:
        return "unsure"
    return "ok"


def _part_heat(number: int, job: HeatJob, asked: _Asked, answers: Sequence[Answer], status: HeatStatus) -> PartHeat:
    timed = answers if status in ("ok", "too_hot") else ()
    flux = asked.flux_wm2 or Range(0.0, 0.0, 0.0)
    return PartHeat(
        part_no=number,
        status=status,
        thickness_mm=asked.part.thickness_mm,
        start_c=job.starts_c[number - 1],
        flux_kwm2=Range(flux.low / 1000.0, flux.likely / 1000.0, flux.high / 1000.0),
        convection_wm2k=job.convection_wm2k,
        band_mm=asked.patch.half_width_m * 1000.0,
        band_length_mm=asked.patch.half_length_m * 2000.0,
        minutes=_minutes(answers) if status == "ok" else None,
        hold_minutes=_hold_minutes(answers) if status == "ok" else None,
        hottest_c=max((answer.hottest_c for answer in timed if math.isfinite(answer.hottest_c)), default=None),
        elasticity=timed[BANDS.index("likely")].elasticity if timed else None,
    )


def _minutes(answers: Sequence[Answer]) -> Range:
    slow, likely, fast = (answer.to_target_s / 60.0 for answer in answers)
    return Range(fast, likely, slow)


def _hold_minutes(answers: Sequence[Answer]) -> Range:
    """Shortest / likely / longest; a hold beyond what the engine follows counts as its limit."""
    holds = [min(answer.hold_s, heating.LONGEST_S) / 60.0 for answer in answers]
    return Range(min(holds), holds[BANDS.index("likely")], max(holds))


NOTES: Final[dict[HeatStatus, str]] = {
    "ok": "",
    "no_time": "This kind of part is not modelled yet; a flat plate's time would be too short.",
    "no_source": "No time: the joint names no heat source that the site has.",
    "never": "Does not get there with this heat: more torches, a shorter length at a time, or a wind screen.",
    "out_of_range": "No time: the heated area, the flame or the thickness lies outside what the calculation covers.",
    "unsure": "No time: it hangs too much on how well the flame couples. More torches or a shorter length at a time.",
    "too_hot": "No single time: the hottest metal would pass the maximum. Wider band, slower, or both faces.",
}
WARN_NOTE: Final = "The time hangs strongly on how well the flame couples: measure early."
SHORT_HOLD_NOTE: Final = "Holds no longer than the soak: measure on the far face and keep the torch at hand."


def _heat_plan(job: HeatJob, asked: Sequence[_Asked], known: Mapping[Case, Answer], choices: Choices) -> HeatPlan:
    joint = job.joint
    count, length_mm = segments(joint, choices)
    limit_c = choices.hottest_c if job.maximum_c is None else min(job.maximum_c, choices.hottest_c)
    parts = []
    for number, part in enumerate(asked, 1):
        answers = [known[part.cases[band]] for band in BANDS if band in part.cases]
        status = _status(part, answers, limit_c, job.minimum_c, job.maximum_c)
        parts.append(_part_heat(number, job, part, answers, status))
    status = min((part.status for part in parts), key=STATUS_ORDER.index)
    plan = HeatPlan(
        status=status,
        note=NOTES[status],
        source_id=job.source.id if job.source else None,
        torches=joint.torches,
        segments=count,
        heated_length_mm=length_mm,
        minimum_c=job.minimum_c,
        target_c=target_c(job.minimum_c, job.maximum_c, choices.overheat_k),
        maximum_c=job.maximum_c,
        extent_mm=job.extent_mm,
        minutes=None,
        total_minutes=None,
        soak_minutes=job.soak_minutes,
        light_up_utc=None,
        earliest_arc_utc=None,
        hold_minutes=None,
        hottest_c=max((p.hottest_c for p in parts if p.hottest_c is not None), default=None),
        fuel_kg=None,
        oxygen_m3=None,
        parts=tuple(parts),
    )
    if status != "ok" or job.source is None:
        return plan
    minutes = _most([p.minutes for p in parts if p.minutes])
    holds = [p.hold_minutes for p in parts if p.hold_minutes]
    hold = _least(holds) if len(holds) == len(parts) else None
    total = Range(minutes.low * count, minutes.likely * count, minutes.high * count)
    burned = [
        gas.burn(job.source, total.low * joint.torches, "low"),
        gas.burn(job.source, total.likely * joint.torches, "likely"),
        gas.burn(job.source, total.high * joint.torches, "high"),
    ]
    lead = timedelta(minutes=minutes.high + job.soak_minutes + choices.setup_minutes)
    light_up = joint.start_utc - lead
    late = job.present_from_utc is not None and light_up < job.present_from_utc
    return replace(
        plan,
        note=_ok_note(parts, hold, job.soak_minutes),
        minutes=minutes,
        total_minutes=total,
        light_up_utc=light_up,
        earliest_arc_utc=job.present_from_utc + lead if late and job.present_from_utc else None,
        hold_minutes=hold,
        fuel_kg=Range(*(b.fuel_kg for b in burned)),
        oxygen_m3=Range(*(b.oxygen_m3 for b in burned)),
    )


def _ok_note(parts: Sequence[PartHeat], hold: Range | None, soak_minutes: float) -> str:
    notes = []
    if any(p.elasticity is not None and p.elasticity > heating.ELASTICITY_WARN for p in parts):
        notes.append(WARN_NOTE)
    if hold is not None and hold.low <= soak_minutes:
        notes.append(SHORT_HOLD_NOTE)
    return " ".join(notes)


def _most(ranges: Sequence[Range]) -> Range:
    return Range(max(r.low for r in ranges), max(r.likely for r in ranges), max(r.high for r in ranges))


def _least(ranges: Sequence[Range]) -> Range:
    return Range(min(r.low for r in ranges), min(r.likely for r in ranges), min(r.high for r in ranges))


def _rounded(value: float, step: float, direction: int = 0) -> float:
    """To a multiple of `step`: the nearest for direction 0, down for -1, up for 1."""
    steps = value / step
    whole = math.floor(steps) if direction < 0 else math.ceil(steps) if direction > 0 else round(steps)
    return whole * step
