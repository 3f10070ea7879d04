"""The share of a source's heat that reaches the steel, from a heating time that somebody measured.

The share is the largest doubt of every heating time, and one measured heating corrects it: here the share is sought at
which the heat conduction of `heating` takes as long as was measured. More heat is never slower, so there is one such
share or none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from frostshift_rules import heating
from frostshift_rules.delivered import Heaters, flame_in_wind
from frostshift_rules.heat_plan import HeatJob, slow_minutes
from frostshift_rules.job import Choices
from frostshift_rules.workload import Range

SHARES: Final = (0.02, 1.0)
"""A share outside is no share of this source: the rate, the time or the joint is mistyped."""
START_DOUBT_K: Final = 1.0
"""Doubt of the measured start [K]. Our choice: a good contact thermometer is no better."""
CLOCK_DOUBT_MINUTES: Final = 0.5
"""Doubt of the measured time [min]. Our choice: it is read in whole minutes."""
_LOOKED_AT: Final = tuple(SHARES[0] * math.pow(SHARES[1] / SHARES[0], n / 24.0) for n in range(25))
_HALVINGS: Final = 18
"""The first look goes by steps of a sixth; so many halvings of one leave a millionth."""
_STEP: Final = 0.02
"""Relative step of the share over which the elasticity is taken."""


def band_of(likely: float, heatings: int) -> Range:
    """Low / likely / high of a share that was measured, where only its mean is stated.

    A quarter to both sides for one heating, a fifth for two, 15 % from three on: our choice, no source. Wind and crew
    change from one heating to the next.

    Args:
        likely: mean of the shares measured, within `SHARES`.
        heatings: so many; at least 1.
    """
    band = 0.25 if heatings < 2 else 0.2 if heatings < 3 else 0.15
    return Range(max(SHARES[0], likely * (1.0 - band)), likely, min(SHARES[1], likely * (1.0 + band)))


class NotMeasurable(ValueError):
    """No share can be had from this heating; the message says why, a sentence for people."""


@dataclass(frozen=True, slots=True)
class _Doubt:
    """One place of the doubt: what is taken for wind, start and time."""

    wind_ms: float
    convection_wm2k: float
    start_k: float
    minutes: float


def measured_share(job: HeatJob, minutes: float, choices: Choices) -> Range:
    """Share of the heat that reached the steel, so that the engine takes as long as was measured.

    Args:
        job: the heating as it was, with one source alone; of its start, air and convection the likely figures count, of
            its source rate, number and kind.
        minutes: from the lit torch until the coldest required point had the target, of the first length [min].
        choices: those that the heating is worked out with; `h_band` is the doubt of the convection and of the wind.

    Returns:
        Low / likely / high: share in little wind, as a heat source states it. Low: the wind took less, the start was
        warmer and the clock read short; high: the other way round.

    Raises:
        NotMeasurable: more than one source; no time that can be worked out for this joint; the answer lies outside
            `SHARES`, or the time hardly depends on a known share (`heating.ELASTICITY_REFUSE`).
    """
    if not 0.0 < minutes <= heating.LONGEST_S / 60.0:  # also refuses NaN
        raise NotMeasurable(f"the measured time is {minutes:g} min, expected above 0 to {heating.LONGEST_S / 60.0:g}.")
    if job.heaters is None or len(job.heaters) != 1:
        raise NotMeasurable("it takes a heating with one kind of source alone.")
    band, likely = choices.h_band, job.convection_wm2k.likely
    plain = _Doubt(job.wind_ms, likely, 0.0, minutes)
    share = _share(job, plain, choices)
    _check_elasticity(job, plain, share, choices)
    # The ends may lie outside what a share can be, and then stop there.
    least = _share(
        job,
        _Doubt(job.wind_ms * (1.0 - band), likely * (1.0 - band), START_DOUBT_K, minutes + CLOCK_DOUBT_MINUTES),
        choices,
        clip=True,
    )
    most = _share(
        job,
        _Doubt(
            job.wind_ms * (1.0 + band),
            likely * (1.0 + band),
            -START_DOUBT_K,
            max(minutes - CLOCK_DOUBT_MINUTES, minutes / 2.0),
        ),
        choices,
        clip=True,
    )
    return Range(min(least, share), share, max(most, share))


def _share(job: HeatJob, doubt: _Doubt, choices: Choices, *, clip: bool = False) -> float:
    """The share at which the engine takes the measured minutes: a first look over `SHARES`, then halving."""
    at = _minutes(job, doubt, _LOOKED_AT, choices)
    # Finite ones stand together: below them the steel never gets there, above them the engine does not follow.
    followed = [n for n, minutes in enumerate(at) if math.isfinite(minutes)]
    if not followed:
        raise NotMeasurable("no heating time can be worked out for this joint.")
    fastest = followed[-1]
    if at[fastest] > doubt.minutes:
        if clip:
            return _LOOKED_AT[fastest]
        if fastest < len(at) - 1:
            raise NotMeasurable("that much heat on so little steel is more than is calculated: check rate and number.")
        raise NotMeasurable(
            f"even with all of its heat in the steel it takes {at[fastest]:.1f} min, longer than measured: check rate, "
            "number and time."
        )
    if at[0] < doubt.minutes:
        if clip:
            return _LOOKED_AT[0]
        raise NotMeasurable(
            f"{100.0 * SHARES[0]:g} % of its heat would do it in {at[0]:.0f} min, sooner than measured: check rate, "
            "number and time."
        )
    above = next(n for n in followed if at[n] <= doubt.minutes)
    low, high = _LOOKED_AT[max(above - 1, 0)], _LOOKED_AT[above]
    for _ in range(_HALVINGS):
        middle = math.sqrt(low * high)
        (at_middle,) = _minutes(job, doubt, (middle,), choices)
        low, high = (middle, high) if at_middle > doubt.minutes else (low, middle)
    return math.sqrt(low * high)


def _minutes(job: HeatJob, doubt: _Doubt, shares: Sequence[float], choices: Choices) -> list[float]:
    """Minutes to the target at some shares; inf where it never gets there or the engine gives no time."""
    found = slow_minutes([_with_share(job, doubt, share) for share in shares], choices)
    return [math.inf if one is None else one for one in found]


def _with_share(job: HeatJob, doubt: _Doubt, share: float) -> HeatJob:
    """The heating without a doubt: one start, one loss, one share."""
    one = (job.heaters or ())[0]
    # In the wind that is taken for it; the share that is sought is the one in little wind.
    reaching = share if one.source.electric else share * flame_in_wind(doubt.wind_ms)
    source = replace(one.source, share_low=reaching, share_likely=reaching, share_high=reaching)
    air_c = job.air_c.likely
    return replace(
        job,
        heaters=(Heaters(source, one.count),),
        starts_c=tuple(Range(*(start.likely + doubt.start_k,) * 3) for start in job.starts_c),
        air_c=Range(air_c, air_c, air_c),
        wind_ms=0.0,
        convection_wm2k=Range(*(doubt.convection_wm2k,) * 3),
    )


def _check_elasticity(job: HeatJob, doubt: _Doubt, share: float, choices: Choices) -> None:
    """Refuse a heating whose time hangs on everything but the share too: near the steady limit nothing can be told."""
    slower, faster = _minutes(job, doubt, (share / (1.0 + _STEP), share * (1.0 + _STEP)), choices)
    elasticity = math.log(slower / faster) / (2.0 * math.log1p(_STEP)) if math.isfinite(slower) else math.inf
    if elasticity > heating.ELASTICITY_REFUSE:
        raise NotMeasurable(
            "the steel was so close to where it gets no warmer that wind and air decided as much as the source: "
            "measure a shorter heating."
        )
