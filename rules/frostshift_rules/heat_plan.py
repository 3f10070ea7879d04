"""From a joint that needs heat to its heat plan: band, flux, minutes, light-up, hold, fuel and oxygen.

The arithmetic, in the order in which a page explains it:

    area heated at once = sum over the parts of sides x band x heated length x faces
    flux                = what torches and heaters bring into the steel (`delivered`) / area
    minutes             = drying + conduction engine (`heating`), slowest part
    light-up            = start - (slow-end minutes + soak before the reading is true + set-up)
    reheats             = how often the steel is down at its minimum while it is welded, less than a hold each time
    fuel, oxygen, kWh   = minutes of heating x what each source takes (`delivered`)

Every time and amount is given at three places of the doubt: the slow end (small share, strong wind, cold start), the
likely value and the fast end. What is heated of each part is in `patches`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np

from frostshift_rules import arc, delivered, heating
from frostshift_rules.delivered import Heaters
from frostshift_rules.drying import Film, drying_minutes
from frostshift_rules.job import Choices, Joint, Part
from frostshift_rules.patches import Patch, outside, patch_of, segments, sizes_missing
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import HeatPlan, HeatStatus, PartHeat, Range

EMISSIVITY_HEATING: Final = 0.8
"""Scaled steel near the torch; infrared tables give 0.6 to 0.8 for mill scale between 20 and 130 °C."""
BELOW_MAXIMUM_K: Final = 5.0
"""The target stays so far below a stated maximum [K]. Our choice: about the error of a temperature crayon."""
MOST_FLUX_WM2: Final = 1.0e6
"""More than a swept flame puts into steel [W/m2]; above it the heated area or the torch is mistyped."""
STATUS_ORDER: Final[tuple[HeatStatus, ...]] = (
    "no_source",
    "no_time",
    "not_covered",
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


@dataclass(frozen=True, slots=True)
class Answer:
    """What the engine says of one part at one place of the doubt; `to_target_s` is inf where it never gets there."""

    to_target_s: float
    hold_s: float
    reheat_s: float
    keep_s: float
    hottest_c: float
    elasticity: float


def target_c(minimum_c: float, maximum_c: float | None, overheat_k: float) -> float:
    """Torch off at this temperature of the coldest required point; not above the maximum less its margin."""
    wanted = minimum_c + overheat_k
    return wanted if maximum_c is None else max(minimum_c, min(wanted, maximum_c - BELOW_MAXIMUM_K))


def slow_minutes(jobs: Sequence[HeatJob], choices: Choices) -> list[float | None]:
    """Slow-end minutes of the first segment of each job; None where there is no time."""
    asked, questions = _asked(jobs, choices)
    seconds = heating.seconds_to_target(_heat_cases(questions, ("slow",))).tolist() if questions else []
    longest = [max(math.inf if part.row is None else seconds[part.row] for part in parts) for parts in asked]
    return [slowest / 60.0 if math.isfinite(slowest) else None for slowest in longest]


def heat_plans(jobs: Sequence[HeatJob], choices: Choices) -> list[HeatPlan]:
    """The heat plan of each job, in their order."""
    asked, questions = _asked(jobs, choices)
    answers = _answers(questions)
    return [_heat_plan(job, parts, answers, choices) for job, parts in zip(jobs, asked, strict=True)]


@dataclass(frozen=True, slots=True)
class _Question:
    """One part that the engine is asked about; `partner` is the row of the part that it is one piece with."""

    job: HeatJob
    part: Part
    patch: Patch
    flux_wm2: Range
    start_c: Range
    target_c: float
    segments: int
    partner: int | None = None


@dataclass(frozen=True, slots=True)
class _Asked:
    """One part of one job.

    `flux_wm2` is None without a heat source, `row` of its question where none is asked; `lain_on` is False where
    electric heaters cover too little of the joint.
    """

    part: Part
    patch: Patch
    flux_wm2: Range | None
    row: int | None
    lain_on: bool


def _asked(jobs: Sequence[HeatJob], choices: Choices) -> tuple[list[list[_Asked]], list[_Question]]:
    """The parts of each job, and the questions about those that the engine covers."""
    patches: dict[tuple[object, ...], Patch] = {}
    questions: list[_Question] = []
    asked = []
    for job in jobs:
        of_job = []
        for part in job.joint.parts:
            key = (part, job.extent_mm, *_of_patches(job.joint))
            if key not in patches:
                patches[key] = patch_of(job.joint, part, job.extent_mm, choices)
            of_job.append(patches[key])
        area_m2 = sum(patch.area_m2 for patch in of_job)
        flux = delivered.flux_wm2(job.heaters, job.wind_ms, area_m2) if job.heaters else None
        lain_on = not job.heaters or delivered.covers(job.heaters, area_m2)
        target = target_c(job.minimum_c, job.maximum_c, choices.overheat_k)
        count = segments(job.joint, choices)[0]
        parts = []
        for part, patch, start in zip(job.joint.parts, of_job, job.starts_c, strict=True):
            row = None
            if flux is not None and lain_on and _covered(job, part, patch, flux, target):
                row = len(questions)
                questions.append(_Question(job, part, patch, flux, start, target, count))
            parts.append(_Asked(part, patch, flux, row, lain_on))
        _pair(questions, parts, job.joint)
        asked.append(parts)
    return asked, questions


def _of_patches(joint: Joint) -> tuple[object, ...]:
    """What of a joint its patches hang on."""
    return joint.parts, joint.weld_length_mm, joint.heated_length_mm, joint.torches, joint.ends, joint.both_faces


def _covered(job: HeatJob, part: Part, patch: Patch, flux: Range, target: float) -> bool:
    """Whether the engine covers the part; what people typed may lie outside."""
    return (
        not sizes_missing(part)
        and not outside(part, patch)
        and flux.high <= MOST_FLUX_WM2
        and target <= heating.HOTTEST_VALID_C
        and job.air_c.low >= -90.0
        and job.air_c.high <= 60.0
        and job.convection_wm2k.high <= 500.0
    )


def one_piece(joint: Joint) -> bool:
    """Whether the parts share their heat: already welded to each other, and not the walls of a tube."""
    touching = joint.welded or any(part.kind == "touching" for part in joint.parts)
    return touching and len(joint.parts) > 1 and all(part.kind != "tube" for part in joint.parts)


def _pair(questions: list[_Question], parts: Sequence[_Asked], joint: Joint) -> None:
    """Make the parts of a joint that is one piece partners.

    Two parts are each other's. Of three or four, each has the part that runs through (else the thickest of the others)
    as a partner of its own; the one that runs through is taken alone, which is on the safe side: the others warm it.
    """
    rows = [part.row for part in parts if part.row is not None]
    if not one_piece(joint) or len(rows) != len(parts):
        return
    if len(rows) == 2:
        first, second = rows
        questions[first] = replace(questions[first], partner=second)
        questions[second] = replace(questions[second], partner=first)
        return
    main = max(rows, key=lambda row: (questions[row].part.sides, questions[row].part.thickness_mm))
    for row in rows:
        if row != main:
            questions.append(replace(questions[main], partner=row))
            questions[row] = replace(questions[row], partner=len(questions) - 1)


End = Literal["low", "likely", "high"]
_HEAT_END: Final[dict[Band, End]] = {"slow": "low", "likely": "likely", "fast": "high"}
_LOSS_END: Final[dict[Band, End]] = {"slow": "high", "likely": "likely", "fast": "low"}


def _heat_cases(questions: Sequence[_Question], bands: Sequence[Band]) -> heating.HeatCases:
    """The questions at each place of the doubt, one after the other."""

    def column(pick: Callable[[_Question], float]) -> Floats:
        return np.fromiter(map(pick, questions), dtype=np.float64, count=len(questions))

    def same(pick: Callable[[_Question], float]) -> Floats:
        return np.tile(column(pick), len(bands))

    def at(ends: Mapping[Band, End], pick: Callable[[_Question], Range]) -> Floats:
        of_each = [pick(question) for question in questions]
        return np.array([getattr(one, ends[band]) for band in bands for one in of_each], dtype=np.float64)

    edge_x_m, inner_m, webbed = (
        same(pick)
        for pick in (lambda q: q.patch.edge_x_m, lambda q: q.patch.inner_m, lambda q: float(q.patch.web_m > 0.0))
    )
    point_x_m, point_y_m = heating.zone_points(
        same(lambda q: q.job.extent_mm / 1000.0),
        same(lambda q: q.patch.half_weld_m),
        same(lambda q: float(q.patch.to_edge)).astype(np.bool_),
        edge_x_m - inner_m,
    )
    point_x_m = np.where(point_x_m > 0.0, point_x_m + inner_m[:, None], 0.0)
    # A flange is coldest on its web, or on its free edges.
    point_y_m[:, 1:] = np.where(webbed[:, None] > 0.0, 0.0, point_y_m[:, 1:])
    inside = same(lambda q: float(q.patch.inside_insulated)).astype(np.bool_)
    at_first = np.repeat(np.arange(len(bands)) * len(questions), len(questions))
    partner = same(lambda q: -1.0 if q.partner is None else float(q.partner)).astype(np.intp)
    return heating.HeatCases(
        thickness_m=same(lambda q: q.part.thickness_mm / 1000.0) * np.where(inside, 2.0, 1.0),
        both_faces=same(lambda q: float(q.job.joint.both_faces)).astype(np.bool_) | inside,
        half_width_m=same(lambda q: q.patch.half_width_m),
        half_length_m=same(lambda q: q.patch.half_length_m),
        edge_x_m=edge_x_m,
        edge_y_m=same(lambda q: q.patch.edge_y_m),
        flux_wm2=at(_HEAT_END, lambda q: q.flux_wm2),
        convection_wm2k=at(_LOSS_END, lambda q: q.job.convection_wm2k),
        emissivity=np.full(len(questions) * len(bands), EMISSIVITY_HEATING),
        air_c=at(_HEAT_END, lambda q: q.job.air_c),
        start_c=at(_HEAT_END, lambda q: q.start_c),
        minimum_c=same(lambda q: q.job.minimum_c),
        target_c=same(lambda q: q.target_c),
        point_x_m=point_x_m,
        point_y_m=point_y_m,
        inner_m=inner_m,
        web_m=same(lambda q: q.patch.web_m),
        web_depth_m=same(lambda q: q.patch.web_depth_m),
        weld_s=same(_weld_s),
        partner=np.where(partner >= 0, partner + at_first, -1),
    )


def _weld_s(question: _Question) -> float:
    """How long one segment is welded [s]; 0 where the hours are not stated."""
    hours = question.job.joint.hours
    return 0.0 if math.isnan(hours) else hours * 3600.0 / question.segments


def _answers(questions: Sequence[_Question]) -> list[tuple[Answer, ...]]:
    """For each question the answers at `BANDS`."""
    if not questions:
        return []
    said = heating.heat_up(_heat_cases(questions, BANDS))
    columns = (said.to_target_s, said.hold_s, said.reheat_s, said.keep_s, said.hottest_c, said.elasticity)
    answers = [Answer(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]
    n = len(questions)
    return list(zip(*(answers[first : first + n] for first in range(0, len(answers), n)), strict=True))


def _status(
    asked: _Asked, answers: Sequence[Answer], hottest_limit_c: float, minimum_c: float, maximum_c: float | None
) -> HeatStatus:
    if sizes_missing(asked.part):
        return "no_time"
    if asked.flux_wm2 is None:
        return "no_source"
    if not asked.lain_on:
        return "not_covered"
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
        band_mm=asked.patch.band_m * 1000.0,
        band_length_mm=asked.patch.length_m * 1000.0,
        minutes=_minutes(answers) if status == "ok" else None,
        hold_minutes=_hold_minutes(answers) if status == "ok" else None,
        hottest_c=max((answer.hottest_c for answer in timed if math.isfinite(answer.hottest_c)), default=None),
        elasticity=timed[BANDS.index("likely")].elasticity if timed else None,
        reheat_minutes=_reheat_minutes(answers) if status == "ok" else None,
        drying_minutes=_drying_minutes(job, flux) if status == "ok" else None,
    )


_NOTHING: Final = Range(0.0, 0.0, 0.0)


def _drying_minutes(job: HeatJob, flux: Range) -> Range:
    if job.film is None:
        return _NOTHING
    both = job.joint.both_faces
    return Range(*(drying_minutes(job.film, one, both_faces=both) for one in (flux.high, flux.likely, flux.low)))


def _reheat_minutes(answers: Sequence[Answer]) -> Range:
    """Torch time after each hold: shortest / likely / longest; 0 where the hold has no end or the steel was warm."""
    times = [
        0.0 if math.isnan(answer.reheat_s) else min(answer.reheat_s, heating.LONGEST_S) / 60.0 for answer in answers
    ]
    return Range(min(times), times[BANDS.index("likely")], max(times))


def _minutes(answers: Sequence[Answer]) -> Range:
    slow, likely, fast = (answer.to_target_s / 60.0 for answer in answers)
    return Range(fast, likely, slow)


def _hold_minutes(answers: Sequence[Answer]) -> Range:
    """Shortest / likely / longest; a hold beyond what the engine follows counts as its limit."""
    holds = [min(answer.hold_s, heating.LONGEST_S) / 60.0 for answer in answers]
    return Range(min(holds), holds[BANDS.index("likely")], max(holds))


NOTES: Final[dict[HeatStatus, str]] = {
    "ok": "",
    "no_time": "No time: the flange's width, its web's thickness and its web's depth are needed; without the web the "
    "time would be a third too short.",
    "no_source": "No time: the joint names a heat source that the site does not have, or the site has none.",
    "not_covered": "No time: the heaters cover too little of what has to be heated at once. More heaters, a shorter "
    "length at a time, or a torch over the rest.",
    "never": "Does not get there with this heat: more torches, a shorter length at a time, or a wind screen.",
    "out_of_range": "No time: the heated area, the flame or the thickness lies outside what the calculation covers.",
    "unsure": "No time: it hangs too much on how well the flame couples. More torches or a shorter length at a time.",
    "too_hot": "No single time: the hottest metal would pass its limit (the maximum; where none is stated, the site's "
    "choice). Wider band, slower, or both faces.",
}
WARN_NOTE: Final = "The time hangs strongly on how well the flame couples: measure early."
UNLIKE_NOTE: Final = "Lead the flame to part {slowest}; part {early} is warm first: do not overheat it, keep it warm."
SHORT_HOLD_NOTE: Final = "Holds no longer than the soak: measure on the far face and keep the torch at hand."


def _heat_plan(
    job: HeatJob, asked: Sequence[_Asked], known: Sequence[tuple[Answer, ...]], choices: Choices
) -> HeatPlan:
    joint = job.joint
    count, length_mm = segments(joint, choices)
    limit_c = choices.hottest_c if job.maximum_c is None else min(job.maximum_c, choices.hottest_c)
    parts = []
    for number, part in enumerate(asked, 1):
        answers = () if part.row is None else known[part.row]
        status = _status(part, answers, limit_c, job.minimum_c, job.maximum_c)
        parts.append(_part_heat(number, job, part, answers, status))
    status = min((part.status for part in parts), key=STATUS_ORDER.index)
    plan = HeatPlan(
        status=status,
        note=NOTES[status],
        source_id=job.heaters[0].source.id if job.heaters else None,
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
        flame_in_wind=delivered.flame_in_wind(job.wind_ms),
        film=job.film,
        air_c=job.air_c,
        wind_ms=job.wind_ms,
    )
    if status != "ok" or not job.heaters:
        return plan
    drying = _most([p.drying_minutes for p in parts if p.drying_minutes])
    minutes = _plus(_most([p.minutes for p in parts if p.minutes]), drying)
    keeping = _keeping(job, [known[part.row] for part in asked if part.row is not None], count)
    if keeping is not None:
        plan = _with_keeping(plan, job, keeping)
    holds = [p.hold_minutes for p in parts if p.hold_minutes]
    hold = _least(holds) if len(holds) == len(parts) else None
    total = Range(minutes.low * count, minutes.likely * count, minutes.high * count)
    amounts = delivered.amounts(job.heaters, total)
    lead = timedelta(minutes=minutes.high + job.soak_minutes + choices.setup_minutes)
    light_up = joint.start_utc - lead
    late = job.present_from_utc is not None and light_up < job.present_from_utc
    said = delivered.notes(job.heaters, job.wind_ms)
    return replace(
        plan,
        note=" ".join(filter(None, (_ok_note(parts, hold, job.soak_minutes), *said))),
        minutes=minutes,
        total_minutes=total,
        light_up_utc=light_up,
        earliest_arc_utc=job.present_from_utc + lead if late and job.present_from_utc else None,
        hold_minutes=hold,
        drying_minutes=drying if job.film else None,
        arc_wait_minutes=arc_wait_minutes(joint, plan.target_c, job.maximum_c),
        fuel_kg=delivered.total([one.fuel_kg for one in amounts]),
        oxygen_m3=delivered.total([one.oxygen_m3 for one in amounts]),
        energy_kwh=delivered.total([one.energy_kwh for one in amounts]),
        amounts=amounts,
    )


@dataclass(frozen=True, slots=True)
class _Keeping:
    """Heating again while it is welded: how often, how long each time, and over all segments [min]."""

    times: Range
    each_minutes: Range
    total_minutes: Range


MOST_REHEATS: Final = 200.0
"""More often than this the flame does not leave the joint."""


def _with_keeping(plan: HeatPlan, job: HeatJob, keeping: _Keeping) -> HeatPlan:
    amounts = delivered.amounts(job.heaters or (), keeping.total_minutes)
    return replace(
        plan,
        reheats=keeping.times,
        reheat_minutes=keeping.each_minutes,
        keep_minutes=keeping.total_minutes,
        keep_fuel_kg=delivered.total([one.fuel_kg for one in amounts]),
        keep_oxygen_m3=delivered.total([one.oxygen_m3 for one in amounts]),
        keep_energy_kwh=delivered.total([one.energy_kwh for one in amounts]),
        keep_amounts=amounts,
    )


def _keeping(job: HeatJob, answers: Sequence[Sequence[Answer]], count: int) -> _Keeping | None:
    """Heating again while a segment is welded; None where the hours of welding are not stated.

    Likely and slow end are as if no arc burned; the low end is nothing, since the arc may keep it warm by itself. Of
    several parts the one that takes most torch time counts. The first reheat stands for each: later ones are shorter.
    """
    if math.isnan(job.joint.hours):
        return None
    times, each, total = [], [], []
    for place in range(len(BANDS)):
        keep, reheat = (
            max(0.0 if math.isnan(one) else min(one, heating.LONGEST_S) / 60.0 for one in of_parts)
            for of_parts in ([one[place].keep_s for one in answers], [one[place].reheat_s for one in answers])
        )
        each.append(reheat)
        total.append(keep * count)
        times.append(0.0 if keep == 0.0 else MOST_REHEATS if reheat == 0.0 else math.ceil(keep / reheat))
    likely = BANDS.index("likely")
    return _Keeping(
        times=Range(0.0, min(times[likely], MOST_REHEATS), min(max(times), MOST_REHEATS)),
        each_minutes=Range(min(each), each[likely], max(each)),
        total_minutes=Range(0.0, total[likely], max(total)),
    )


def arc_wait_minutes(joint: Joint, preheat_c: float, maximum_c: float | None) -> float | None:
    """Least minutes from pass to pass that keep the weld at or below its maximum before each pass, an upper bound.

    None where the maximum, the heat input or the number of passes is not stated; `inf` where no wait up to four hours
    is long enough. The thinnest part counts: it gets hottest.
    """
    if maximum_c is None or joint.heat_input_kj_mm is None or joint.passes is None:
        return None
    thinnest_mm = min(part.thickness_mm for part in joint.parts)
    return arc.least_wait_s(joint.heat_input_kj_mm, thinnest_mm, preheat_c, maximum_c, joint.passes) / 60.0


def _ok_note(parts: Sequence[PartHeat], hold: Range | None, soak_minutes: float) -> str:
    notes = []
    minutes = [part.minutes.likely for part in parts if part.minutes]
    slowest = max(range(len(parts)), key=lambda n: minutes[n])
    early = [part.part_no for part, likely in zip(parts, minutes, strict=True) if likely < 0.7 * minutes[slowest]]
    if early:
        notes.append(UNLIKE_NOTE.format(slowest=parts[slowest].part_no, early=", ".join(map(str, early))))
    if any(p.elasticity is not None and p.elasticity > heating.ELASTICITY_WARN for p in parts):
        notes.append(WARN_NOTE)
    if hold is not None and hold.low <= soak_minutes:
        notes.append(SHORT_HOLD_NOTE)
    return " ".join(notes)


def _most(ranges: Sequence[Range]) -> Range:
    return Range(max(r.low for r in ranges), max(r.likely for r in ranges), max(r.high for r in ranges))


def _plus(one: Range, other: Range) -> Range:
    return Range(one.low + other.low, one.likely + other.likely, one.high + other.high)


def _least(ranges: Sequence[Range]) -> Range:
    return Range(min(r.low for r in ranges), min(r.likely for r in ranges), min(r.high for r in ranges))
