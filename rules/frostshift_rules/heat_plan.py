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
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import numpy as np

from frostshift_rules import arc, delivered, heating
from frostshift_rules.arrangements import can_reach_both_faces
from frostshift_rules.conduction import Bools, Ints
from frostshift_rules.delivered import Heaters
from frostshift_rules.drying import drying_minutes
from frostshift_rules.heat_questions import BANDS as BANDS
from frostshift_rules.heat_questions import BELOW_MAXIMUM_K, Asked, Questions, ask, each_with, heat_cases
from frostshift_rules.heat_questions import HeatJob as HeatJob
from frostshift_rules.heat_questions import target_c as target_c
from frostshift_rules.job import Choices
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import HeatPlan, HeatStatus, PartHeat, Range, SourceAmounts, added

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


_LIKELY: Final = BANDS.index("likely")
_NOTHING: Final = Range(0.0, 0.0, 0.0)


def slow_minutes(jobs: Sequence[HeatJob], choices: Choices) -> list[float | None]:
    """Slow-end minutes of the first segment of each job, drying included; None where there is no time."""
    asked, questions = ask(jobs, choices)
    seconds = heating.seconds_to_target(heat_cases(questions, ("slow",))).tolist() if len(questions) else []
    longest = [max(math.inf if row is None else seconds[row] for row in one.rows) for one in asked]
    return [
        slowest / 60.0 + dry.high if math.isfinite(slowest) else None
        for slowest, dry in zip(longest, _drying(jobs, asked), strict=True)
    ]


def heat_plans(jobs: Sequence[HeatJob], choices: Choices | Sequence[Choices]) -> list[HeatPlan]:
    """The heat plan of each job, in their order; `choices` are those of all jobs, or one a job."""
    asked, questions = ask(jobs, choices)
    answers = _answers(questions)
    drying = _drying(jobs, asked)
    parts = [_parts(job, one, answers, of_drying) for job, one, of_drying in zip(jobs, asked, drying, strict=True)]
    statuses = [min((part.status for part in of_job), key=STATUS_ORDER.index) for of_job in parts]
    timed = [place for place, status in enumerate(statuses) if status == "ok" and jobs[place].heaters]
    times = dict(zip(timed, _times(timed, jobs, asked, answers, drying), strict=True))
    return [
        _heat_plan(job, one, of_job, status, times.get(place), chosen)
        for place, ((job, chosen), one, of_job, status) in enumerate(
            zip(each_with(jobs, choices), asked, parts, statuses, strict=True)
        )
    ]


# Parts ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answers:
    """What the engine says of each question; arrays [question, slow / likely / fast] and lists by question.

    Attributes:
        minutes: to the target; `inf` where it never gets there.
        hold_minutes: a hold beyond what the engine follows counts as its limit.
        reheat_minutes: torch time after each hold; 0 where the hold has no end or the steel was warm.
        keep_minutes: torch time that keeps it warm while one segment is welded.
        status: of the part.
        to_target, hold, reheat: shortest / likely / longest.
        hottest_c: of slow, likely and fast end; None where no end gets there.
        elasticity: the worse of slow and likely end.
    """

    minutes: Floats
    hold_minutes: Floats
    reheat_minutes: Floats
    keep_minutes: Floats
    status: list[HeatStatus]
    to_target: list[Range]
    hold: list[Range]
    reheat: list[Range]
    hottest_c: list[float | None]
    elasticity: list[float]


def _answers(questions: Questions) -> _Answers:
    if not len(questions):
        none = np.empty((0, len(BANDS)))
        return _Answers(none, none, none, none, [], [], [], [], [], [])
    said = heating.heat_up(heat_cases(questions, BANDS))

    def by_question(values: Floats) -> Floats:
        return values.reshape(len(BANDS), -1).T

    def known_minutes(seconds: Floats) -> Floats:
        """In minutes, bounded; 0 where there is none."""
        bounded: Floats = np.where(np.isnan(seconds), 0.0, np.minimum(seconds, heating.LONGEST_S)) / 60.0
        return by_question(bounded)

    minutes = by_question(said.to_target_s) / 60.0
    hold = np.minimum(by_question(said.hold_s), heating.LONGEST_S) / 60.0
    reheat, keep = known_minutes(said.reheat_s), known_minutes(said.keep_s)
    hottest = by_question(said.hottest_c)
    hottest_c = np.where(np.isfinite(hottest), hottest, -np.inf).max(axis=1)
    elasticity = by_question(said.elasticity)
    return _Answers(
        minutes=minutes,
        hold_minutes=hold,
        reheat_minutes=reheat,
        keep_minutes=keep,
        status=_statuses(questions, minutes, hottest_c, elasticity),
        to_target=_ranges(minutes[:, ::-1]),
        hold=_ranges(_spread(hold)),
        reheat=_ranges(_spread(reheat)),
        hottest_c=[one if math.isfinite(one) else None for one in hottest_c.tolist()],
        elasticity=elasticity[:, [BANDS.index("slow"), _LIKELY]].max(axis=1).tolist(),
    )


def _statuses(questions: Questions, minutes: Floats, hottest_c: Floats, elasticity: Floats) -> list[HeatStatus]:
    """The status of each part that was asked about."""
    slow, likely = BANDS.index("slow"), _LIKELY
    maximum_c = questions.maximum_c  # NaN, where none is stated, compares False
    no_room = maximum_c - BELOW_MAXIMUM_K <= questions.minimum_c
    unsure = np.maximum(elasticity[:, slow], elasticity[:, likely]) > heating.ELASTICITY_REFUSE
    # The hottest is mostly the fast end's; not where its start is so warm that it needs little heat or none.
    found: list[tuple[HeatStatus, Bools]] = [
        ("never", ~np.isfinite(minutes[:, likely])),
        ("too_hot", no_room | (hottest_c > np.fmin(maximum_c, questions.hottest_c))),
        ("unsure", ~np.isfinite(minutes[:, slow]) | unsure),
    ]
    names: list[HeatStatus] = [*(name for name, _ in found), "ok"]
    codes = np.select([holds for _, holds in found], list(range(len(found))), len(found))
    return [names[code] for code in codes.tolist()]


def _status(asked: Asked, place: int, answers: _Answers) -> HeatStatus:
    row = asked.rows[place]
    if row is not None:
        return answers.status[row]
    if not asked.make.sized[place]:
        return "no_time"
    if asked.supply.flux_wm2 is None:
        return "no_source"
    return "out_of_range" if asked.supply.lain_on else "not_covered"


def _parts(job: HeatJob, asked: Asked, answers: _Answers, drying: Range) -> tuple[PartHeat, ...]:
    made = []
    for place, body in enumerate(asked.make.bodies):
        status, row = _status(asked, place, answers), asked.rows[place]
        # A row in the answers, or -1, which is never looked up.
        hot = -1 if row is None or status not in ("ok", "too_hot") else row
        ok = hot if status == "ok" else -1
        made.append(
            PartHeat(
                part_no=place + 1,
                status=status,
                thickness_mm=body.part.thickness_mm,
                start_c=job.starts_c[place],
                flux_kwm2=asked.supply.flux_kwm2 or _NOTHING,
                convection_wm2k=job.convection_wm2k,
                band_mm=body.patch.band_m * 1000.0,
                band_length_mm=body.patch.length_m * 1000.0,
                minutes=answers.to_target[ok] if ok >= 0 else None,
                hold_minutes=answers.hold[ok] if ok >= 0 else None,
                hottest_c=answers.hottest_c[hot] if hot >= 0 else None,
                elasticity=answers.elasticity[hot] if hot >= 0 else None,
                reheat_minutes=answers.reheat[ok] if ok >= 0 else None,
                drying_minutes=drying if ok >= 0 else None,
            )
        )
    return tuple(made)


def _drying(jobs: Sequence[HeatJob], asked: Sequence[Asked]) -> list[Range]:
    """Time to dry the steel of each job: shortest / likely / longest."""
    known: dict[tuple[object, ...], Range] = {}
    found = []
    for job, one in zip(jobs, asked, strict=True):
        flux = one.supply.flux_wm2
        both = job.joint.both_faces and all(part.kind != "tube" for part in job.joint.parts)
        if job.film is None or flux is None:
            found.append(_NOTHING)
            continue
        key = job.film, both, flux
        drying = known.get(key)
        if drying is None:
            ends = (flux.high, flux.likely, flux.low)
            drying = known[key] = Range(*(drying_minutes(job.film, end, both_faces=both) for end in ends))
        found.append(drying)
    return found


def _spread(values: Floats) -> Floats:
    """Least / likely / most of each row."""
    return np.column_stack([values.min(axis=1), values[:, _LIKELY], values.max(axis=1)])


def _ranges(ends: Floats) -> list[Range]:
    """Rows of low / likely / high as ranges."""
    return list(map(Range, *ends.T.tolist()))


NOTES: Final[dict[HeatStatus, str]] = {
    "ok": "",
    "no_time": "No time: the flange's width, its web's thickness and its web's depth are needed; without the web the "
    "time would be a third too short.",
    "no_source": "No time: the joint names a heat source that the site does not have, or the site has none.",
    "not_covered": "No time: the heaters cover too little of what has to be heated at once. More heaters, a shorter "
    "length at a time, or a torch over the rest.",
    "never": "Does not get there with this heat. Widen the band, shelter it, or add heat: more torches or a shorter "
    "length at a time.",
    "out_of_range": "No time: the heated area, the flame or the thickness lies outside what the calculation covers, "
    "more than two parts are one piece, or one of two parts end to end that are one piece is more than one and a "
    "half times as thick as the other.",
    "unsure": "No time: it depends too much on how well the flame heats the steel. Widen the band, shelter it, or add "
    "heat: more torches or a shorter length at a time.",
    "too_hot": "No single time: the hottest metal would pass its limit (the maximum; where none is stated, the site's "
    "choice). Wider band, slower, or both faces.",
}
WARN_NOTE: Final = "The time depends strongly on how well the flame heats the steel: measure early."
UNLIKE_NOTE: Final = "Lead the flame to part {slowest}; part {early} is warm first: do not overheat it, keep it warm."
ONE_PIECE_NOTE: Final = "Parts that are one piece: keep the flame on all of them until part {slowest} is warm."
SHORT_HOLD_NOTE: Final = "Holds no longer than the soak: measure on the far face and keep the torch at hand."
SHORT_HOLD_INSIDE_NOTE: Final = (
    "Holds no longer than the soak, and nobody reaches the far face to measure: go hotter at the start, or reheat "
    "right before the arc."
)
LENGTHS_NOTE: Final = "Heated in {count} lengths, one after the other; the heating time is of one."


# Joints ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Times:
    """Times and amounts of a job whose parts all have a time, as in `HeatPlan`."""

    minutes: Range
    total_minutes: Range
    hold_minutes: Range
    reheats: Range
    reheat_minutes: Range
    keep_minutes: Range
    amounts: tuple[SourceAmounts, ...]
    kept: tuple[SourceAmounts, ...]


def _times(
    timed: Sequence[int],
    jobs: Sequence[HeatJob],
    asked: Sequence[Asked],
    answers: _Answers,
    drying: Sequence[Range],
) -> list[_Times]:
    """Times and amounts of the jobs `timed`, every part of which has a row in `answers`."""
    if not timed:
        return []
    rows, first = _rows([asked[place].rows for place in timed])
    dry = np.array([(one.low, one.likely, one.high) for one in (drying[place] for place in timed)])
    minutes = np.maximum.reduceat(answers.minutes[rows, ::-1], first) + dry
    count = np.array([asked[place].make.segments for place in timed], dtype=np.float64)[:, None]
    total = minutes * count
    hold = np.minimum.reduceat(_spread(answers.hold_minutes[rows]), first)
    each = np.maximum.reduceat(answers.reheat_minutes[rows], first)
    keep = np.maximum.reduceat(answers.keep_minutes[rows], first)
    often = _times_again(keep, each)
    keep = _from_nothing(keep * count)
    heaters = [jobs[place].heaters or () for place in timed]
    columns = (minutes, total, hold, _from_nothing(often), _spread(each), keep)
    return list(
        map(_Times, *(_ranges(column) for column in columns), _amounts(heaters, total), _amounts(heaters, keep))
    )


def _rows(of_jobs: Sequence[tuple[int | None, ...]]) -> tuple[Ints, Ints]:
    """The rows of all jobs one after the other, and where those of each begin."""
    rows = np.array([row for of_job in of_jobs for row in of_job], dtype=np.intp)
    counts = np.array([len(of_job) for of_job in of_jobs])
    return rows, np.cumsum(counts) - counts


MOST_REHEATS: Final = 200.0
"""More often than this the flame does not leave the joint."""


def _times_again(keep_minutes: Floats, each_minutes: Floats) -> Floats:
    """How often a segment is heated again while it is welded, as if no arc burned; all [job, places].

    The first reheat stands for each: later ones are shorter.
    """
    again = np.divide(keep_minutes, each_minutes, out=np.full(keep_minutes.shape, np.inf), where=each_minutes > 0.0)
    often: Floats = np.where(keep_minutes > 0.0, np.minimum(np.ceil(again), MOST_REHEATS), 0.0)
    return often


def _from_nothing(values: Floats) -> Floats:
    """Nothing, since the arc may keep it warm by itself / likely / most of each row [job, places]."""
    return np.column_stack([np.zeros(len(values)), values[:, _LIKELY], values.max(axis=1)])


def _amounts(heaters: Sequence[tuple[Heaters, ...]], minutes: Floats) -> list[tuple[SourceAmounts, ...]]:
    """Fuel, oxygen and energy of each source of each job; `minutes` [job, low / likely / high].

    They grow evenly with the minutes, so that what a minute takes is asked once for jobs with the same heaters.
    """
    alike: dict[tuple[Heaters, ...], list[int]] = {}
    for place, one in enumerate(heaters):
        alike.setdefault(one, []).append(place)
    found: list[tuple[SourceAmounts, ...]] = [()] * len(heaters)
    for of_heaters, places in alike.items():
        spent = minutes[places]
        by_source = [_scaled(one, spent) for one in delivered.amounts(of_heaters, Range(1.0, 1.0, 1.0))]
        for place, amounts in zip(places, zip(*by_source, strict=True), strict=True):
            found[place] = amounts
    return found


def _scaled(per_minute: SourceAmounts, minutes: Floats) -> list[SourceAmounts]:
    """What one source uses in each row of minutes [job, low / likely / high]."""

    def times(one: Range) -> list[Range]:
        if one == _NOTHING:
            return [_NOTHING] * len(minutes)
        return _ranges(minutes * np.array([one.low, one.likely, one.high]))

    rows = zip(times(per_minute.fuel_kg), times(per_minute.oxygen_m3), times(per_minute.energy_kwh), strict=True)
    return [SourceAmounts(per_minute.source_id, per_minute.count, *row) for row in rows]


def _heat_plan(
    job: HeatJob,
    asked: Asked,
    parts: tuple[PartHeat, ...],
    status: HeatStatus,
    times: _Times | None,
    choices: Choices,
) -> HeatPlan:
    return HeatPlan(
        status=status,
        source_id=job.heaters[0].source.id if job.heaters else None,
        torches=job.joint.torches,
        segments=asked.make.segments,
        heated_length_mm=asked.make.length_mm,
        minimum_c=job.minimum_c,
        target_c=asked.target_c,
        maximum_c=job.maximum_c,
        extent_mm=job.extent_mm,
        soak_minutes=job.soak_minutes,
        hottest_c=max((p.hottest_c for p in parts if p.hottest_c is not None), default=None),
        parts=parts,
        flame_in_wind=delivered.flame_in_wind(job.wind_ms),
        film=job.film,
        air_c=job.air_c,
        wind_ms=job.wind_ms,
        **(_without_time(status) if times is None else _with_time(job, asked, parts, times, choices)),
    )


def _without_time(status: HeatStatus) -> dict[str, Any]:
    """The figures of a plan without a time, by field of `HeatPlan`."""
    return {"note": NOTES[status]} | dict.fromkeys(_TIMES)


_TIMES: Final = (
    "minutes",
    "total_minutes",
    "light_up_utc",
    "earliest_arc_utc",
    "hold_minutes",
    "fuel_kg",
    "oxygen_m3",
)


def _with_time(
    job: HeatJob, asked: Asked, parts: Sequence[PartHeat], times: _Times, choices: Choices
) -> dict[str, Any]:
    """The figures of a plan with a time, by field of `HeatPlan`."""
    joint, amounts = job.joint, times.amounts
    lead = timedelta(minutes=times.minutes.high + job.soak_minutes + choices.setup_minutes)
    light_up = joint.start_utc - lead
    late = job.present_from_utc is not None and light_up < job.present_from_utc
    said = delivered.notes(job.heaters or (), job.wind_ms)
    return {
        "note": " ".join(filter(None, (_ok_note(job, asked, parts, times.hold_minutes), *said))),
        "minutes": times.minutes,
        "total_minutes": times.total_minutes,
        "light_up_utc": light_up,
        "earliest_arc_utc": job.present_from_utc + lead if late and job.present_from_utc else None,
        "hold_minutes": times.hold_minutes,
        "drying_minutes": parts[0].drying_minutes if job.film else None,
        "arc_wait_minutes": arc_wait_minutes(job, asked, parts),
        "fuel_kg": _total([one.fuel_kg for one in amounts]),
        "oxygen_m3": _total([one.oxygen_m3 for one in amounts]),
        "energy_kwh": _total([one.energy_kwh for one in amounts]),
        "amounts": amounts,
        **({} if math.isnan(joint.hours) else _keeping(times)),
    }


def _keeping(times: _Times) -> dict[str, Any]:
    """The figures of keeping warm, where the hours of welding are stated."""
    return {
        "reheats": times.reheats,
        "reheat_minutes": times.reheat_minutes,
        "keep_minutes": times.keep_minutes,
        "keep_fuel_kg": _total([one.fuel_kg for one in times.kept]),
        "keep_oxygen_m3": _total([one.oxygen_m3 for one in times.kept]),
        "keep_energy_kwh": _total([one.energy_kwh for one in times.kept]),
        "keep_amounts": times.kept,
    }


def _total(ranges: Sequence[Range]) -> Range:
    return ranges[0] if len(ranges) == 1 else added(ranges)


_CONDUCTIVITY_WMK: Final = 50.0
"""Of warm steel, for what the flux sets up through the thickness."""


def arc_wait_minutes(job: HeatJob, asked: Asked, parts: Sequence[PartHeat]) -> float | None:
    """Least minutes from pass to pass that keep the weld at or below its maximum before each pass, on the safe side.

    None where the maximum, the heat input or the number of passes is not stated; `inf` where no wait up to four hours
    is long enough. The weld starts as warm as the hottest metal is in mid-thickness when the torch goes off, and stays
    so; the thinnest part counts, with the nearest free edge.
    """
    joint = job.joint
    if job.maximum_c is None or joint.heat_input_kj_mm is None or joint.passes is None:
        return None
    at_weld_c = [asked.target_c]
    for part in parts:
        if part.hottest_c is not None:
            depth_m = part.thickness_mm / 1000.0 / (2.0 if joint.both_faces else 1.0)
            # The hottest of all ends, less what the least flux sets up: never too cool.
            at_weld_c.append(part.hottest_c - part.flux_kwm2.low * 1000.0 * depth_m / (2.0 * _CONDUCTIVITY_WMK))
    faces = 1.0 if any(part.kind == "tube" for part in joint.parts) else 2.0
    return (
        arc.least_wait_s(
            joint.heat_input_kj_mm,
            min(part.thickness_mm for part in joint.parts),
            max(at_weld_c),
            job.maximum_c,
            joint.passes,
            loss_wm2k=faces * job.convection_wm2k.low,
            edge_mm=min((part.reach_mm for part in joint.parts if part.reach_mm is not None), default=math.inf),
        )
        / 60.0
    )


def _ok_note(job: HeatJob, asked: Asked, parts: Sequence[PartHeat], hold: Range) -> str:
    notes = []
    minutes = [part.minutes.likely for part in parts if part.minutes]
    most = max(minutes)
    slowest = parts[minutes.index(most)].part_no
    early = [part.part_no for part, likely in zip(parts, minutes, strict=True) if likely < 0.7 * most]
    if asked.make.paired and min(minutes) < 0.9 * most:
        notes.append(ONE_PIECE_NOTE.format(slowest=slowest))
    elif early and not asked.make.paired:
        notes.append(UNLIKE_NOTE.format(slowest=slowest, early=", ".join(map(str, early))))
    if any(p.elasticity is not None and p.elasticity > heating.ELASTICITY_WARN for p in parts):
        notes.append(WARN_NOTE)
    if hold.low <= job.soak_minutes:
        notes.append(SHORT_HOLD_NOTE if can_reach_both_faces(job.joint) else SHORT_HOLD_INSIDE_NOTE)
    if asked.make.segments > 1:
        notes.append(LENGTHS_NOTE.format(count=asked.make.segments))
    return " ".join(notes)
