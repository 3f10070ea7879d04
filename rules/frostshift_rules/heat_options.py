"""What else could be done at a joint: hotter at the start, another band, more or less fire; each worked out in full.

Every option is the heat plan of the same joint with one thing changed, so it keeps every rule of a heat plan: an
option that has no time of its own is not offered. For one joint at a time; a plan of a whole site does not need them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from frostshift_rules import heating
from frostshift_rules.arrangements import can_reach_both_faces
from frostshift_rules.delivered import Heaters
from frostshift_rules.heat_plan import HeatJob, heat_plans
from frostshift_rules.heat_questions import Band, Questions, ask, heat_cases
from frostshift_rules.job import Choices, Joint
from frostshift_rules.patches import segments
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import HeatPlan, Range

Change = Literal["hotter", "band", "fewer_torches", "smaller_flame", "both_faces", "more_torches", "shorter_length"]

HOTTER_K: Final = (15.0, 30.0)
"""Beyond the usual target."""
MARGINS_MM: Final = (15.0, 30.0, 45.0, 60.0, 90.0, 120.0)
"""Margins beyond the warm zone that are tried for the band that takes least fuel."""
SMALLER: Final = (0.7, 0.5)
"""Shares of its rate that a flame is turned down to; below about a third a torch overheats and backfires (trade
practice, no source)."""
BREAKS_MINUTES: Final = (15.0, 30.0, 60.0)
"""Lengths of a break that are worked out."""
WORTH_IT: Final = 0.03
"""A band that saves less fuel than this share is no better."""


@dataclass(frozen=True, slots=True)
class Option:
    """One thing done differently.

    Attributes:
        change: what.
        value: kelvin hotter, margin beyond the warm zone [mm], torches, share of the flame, heated length [mm]; 0 for
            both faces.
        heat: the whole heat plan of it, status `ok`.
    """

    change: Change
    value: float
    heat: HeatPlan


@dataclass(frozen=True, slots=True)
class Break:
    """A break after the torch is off: how cold the coldest required point is then, and torch time back to the target.

    On the slow end, as if no arc burned; `again_minutes` is `inf` beyond the first heating's own time.
    """

    minutes: float
    coldest_c: float
    again_minutes: float


@dataclass(frozen=True, slots=True)
class HeatOptions:
    """What else could be done at a joint.

    Attributes:
        breaks: what a break does; empty where the joint has no time.
        hotter: what a hotter start costs and buys in hold; empty where the joint has no time.
        remedies: ways that give a time where the joint as planned has none; one of each kind.
        least_fuel: the band that takes least fuel within every limit; None where it is the planned one, within
            `WORTH_IT`, or the joint has no time.
    """

    breaks: tuple[Break, ...]
    hotter: tuple[Option, ...]
    remedies: tuple[Option, ...]
    least_fuel: Option | None


def job_of(heat: HeatPlan, joint: Joint, heaters: tuple[Heaters, ...] | None) -> HeatJob | None:
    """The heating that a plan was made for; None for a plan that was stored before it said in what air."""
    if heat.air_c is None or heat.wind_ms is None or not heat.parts:
        return None
    return HeatJob(
        joint=joint,
        heaters=heaters,
        minimum_c=heat.minimum_c,
        maximum_c=heat.maximum_c,
        extent_mm=heat.extent_mm,
        soak_minutes=heat.soak_minutes,
        starts_c=tuple(part.start_c for part in heat.parts),
        air_c=heat.air_c,
        wind_ms=heat.wind_ms,
        convection_wm2k=heat.parts[0].convection_wm2k,
        present_from_utc=None,
        film=heat.film,
    )


def heat_options(job: HeatJob, choices: Choices) -> HeatOptions:
    """What else could be done at the joint of a heating."""
    # All at once: one alone takes nearly as long as all of them together.
    tried = [
        choices,
        *(replace(choices, overheat_k=choices.overheat_k + extra_k) for extra_k in HOTTER_K),
        *(replace(choices, margin_mm=margin_mm) for margin_mm in MARGINS_MM),
    ]
    planned, *others = heat_plans([job] * len(tried), tried)
    if planned.status == "ok":
        bands = _timed("band", MARGINS_MM, others[len(HOTTER_K) :])
        return HeatOptions(
            _breaks(job, choices),
            _timed("hotter", HOTTER_K, others[: len(HOTTER_K)]),
            (),
            _least_fuel(bands, planned),
        )
    tries = {"too_hot": _cooler, "never": _stronger, "unsure": _stronger}.get(planned.status)
    remedies = () if tries is None else tuple(_first_of_each(tries(job, choices)))
    return HeatOptions((), (), remedies, None)


def _timed(change: Change, values: Sequence[float], heats: Sequence[HeatPlan]) -> tuple[Option, ...]:
    """Those that have a time."""
    tried = zip(values, heats, strict=True)
    return tuple(Option(change, value, heat) for value, heat in tried if heat.status == "ok")


_STEPS: Final = 8
"""Torch times that are tried at once for each break; twice, so that the answer is known to a sixty-fourth."""


def _breaks(job: HeatJob, choices: Choices) -> tuple[Break, ...]:
    """What breaks do to the joint once its slowest part had its target and all torches are off."""
    _, questions = ask([job], choices)
    cases = heat_cases(questions, ("slow",))
    on_s = float(heating.seconds_to_target(cases).max())
    if not 0.0 < on_s < heating.LONGEST_S:
        return ()
    target = float(cases.target_c.max())
    begin_s = on_s + 60.0 * np.array(BREAKS_MINUTES)
    once = heating.train_c(cases, np.array([(0.0, on_s)]), begin_s).min(axis=(0, 1))
    # Torch time again: too short, and long enough, of each break.
    short_s, enough_s = np.zeros(len(begin_s)), np.full(len(begin_s), math.inf)
    step_s = on_s / _STEPS
    for _ in range(2):
        tried_s = short_s[:, None] + step_s * np.arange(1, _STEPS + 1)
        warm = _after_burst_c(questions, on_s, begin_s, tried_s) >= target
        first = warm.argmax(axis=1)
        found = warm.any(axis=1)
        rows = np.arange(len(begin_s))
        enough_s = np.where(found, np.minimum(enough_s, tried_s[rows, first]), enough_s)
        short_s = np.where(found, tried_s[rows, first] - step_s, short_s)
        step_s /= _STEPS
    ends = zip(BREAKS_MINUTES, once.tolist(), enough_s.tolist(), strict=True)
    return tuple(Break(minutes, coldest_c, again_s / 60.0) for minutes, coldest_c, again_s in ends)


def _after_burst_c(questions: Questions, on_s: float, begin_s: Floats, tried_s: Floats) -> Floats:
    """Coldest required point when a second burst ends, on the slow end [break, torch time again] [°C]."""
    parts, count = len(questions), tried_s.size
    end_s = (begin_s[:, None] + tried_s).ravel()
    bursts = np.zeros((count, 2, 2))
    bursts[:, 0, 1] = on_s
    bursts[:, 1] = np.column_stack([np.repeat(begin_s, tried_s.shape[1]), end_s])
    slow: Band = "slow"
    cases = heat_cases(questions, (slow,) * count)
    points_c = heating.train_c(cases, np.repeat(bursts, parts, axis=0), end_s)
    coldest: Floats = points_c.reshape(count, -1, count).min(axis=1).diagonal().reshape(tried_s.shape)
    return coldest


def _option(change: Change, value: float, job: HeatJob, choices: Choices) -> Option | None:
    (heat,) = heat_plans([job], choices)
    return Option(change, value, heat) if heat.status == "ok" else None


def _least_fuel(bands: Sequence[Option], planned: HeatPlan) -> Option | None:
    sure = [one for one in bands if _fuel(one.heat).high <= _fuel(planned).high]
    best = min(sure, key=lambda one: _fuel(one.heat).likely, default=None)
    if best is None or _fuel(best.heat).likely > (1.0 - WORTH_IT) * _fuel(planned).likely:
        return None
    return best


def _fuel(heat: HeatPlan) -> Range:
    """Torch-minutes: fuel, oxygen and current all go with them."""
    return heat.total_minutes or Range(0.0, 0.0, 0.0)


def _cooler(job: HeatJob, choices: Choices) -> Iterator[Option | None]:
    """Wider, slower, or both faces: what keeps the hottest metal down."""
    joint, flame = job.joint, job.heaters[0].source if job.heaters else None
    for margin in (one for one in MARGINS_MM if one > choices.margin_mm):
        yield _option("band", margin, job, replace(choices, margin_mm=margin))
    for torches in range(joint.torches - 1, 0, -1):
        yield _option("fewer_torches", torches, _with_torches(job, choices, torches), choices)
    if job.heaters and flame is not None and not flame.electric:
        for share in SMALLER:
            smaller = replace(job.heaters[0], source=replace(flame, net_kw=flame.net_kw * share))
            yield _option("smaller_flame", share, replace(job, heaters=(smaller, *job.heaters[1:])), choices)
    if not joint.both_faces and can_reach_both_faces(joint):
        yield _option("both_faces", 0.0, replace(job, joint=replace(joint, both_faces=True)), choices)


def _stronger(job: HeatJob, choices: Choices) -> Iterator[Option | None]:
    """More fire on less steel, or a wider band where the heat runs away at its edges."""
    joint = job.joint
    most = max(job.heaters[0].source.count, joint.torches) if job.heaters else joint.torches
    for torches in range(joint.torches + 1, most + 1):
        yield _option("more_torches", torches, _with_torches(job, choices, torches), choices)
    count, length_mm = segments(joint, choices)
    if all(part.kind != "flange_with_web" for part in joint.parts):
        for parts in (2.0, 3.0, 4.0):
            shorter = replace(joint, heated_length_mm=length_mm / parts)
            yield _option("shorter_length", length_mm / parts, replace(job, joint=shorter), choices)
    for margin in (one for one in MARGINS_MM if one > choices.margin_mm):
        yield _option("band", margin, job, replace(choices, margin_mm=margin))


def _with_torches(job: HeatJob, choices: Choices, torches: int) -> HeatJob:
    """The heating with another number of the joint's own torches or heaters on the same length at a time."""
    joint = replace(job.joint, torches=torches, heated_length_mm=segments(job.joint, choices)[1])
    if not job.heaters:
        return replace(job, joint=joint)
    own, *others = job.heaters
    own = replace(own, count=own.count + torches - job.joint.torches)
    return replace(job, joint=joint, heaters=(own, *others))


def _first_of_each(options: Iterator[Option | None]) -> Iterator[Option]:
    seen = set()
    for option in options:
        if option is not None and option.change not in seen:
            seen.add(option.change)
            yield option
