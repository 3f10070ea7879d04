"""One reading held against what is asked of its joint; where nobody can know it says so.

A figure is compared as it stands, without a margin for the instrument: a crayon is good to about 1 % of its rating and
a pocket thermometer to a degree or two (from memory). A crayon is no figure: one that melted says "at least", one that
did not says "below". AWS D1.1 asks for the minimum as a least, before welding and between passes (5.6 of 2015, 7.6
later; second hand), so steel at it passes; steel at a maximum passes likewise (our reading). A crayon of the maximum
must not melt (common practice, from memory), so that one that did counts as above.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

from frostshift_rules.job import Reading, Sense
from frostshift_rules.preheat import Requirement

Finding = Literal["below_minimum", "above_maximum", "within", "minimum_met", "unknown"]
"""`minimum_met`: the steel is warm enough; whether it is too warm nobody can say."""
Why = Literal[
    "below", "above", "both_kept", "no_maximum", "maximum_not_shown", "no_minimum", "not_settled", "minimum_not_shown"
]
"""Which case of a finding it is; every sentence for people hangs on it."""

FINDINGS: Final[tuple[Finding, ...]] = get_args(Finding)
FINDING_OF: Final[Mapping[Why, Finding]] = {
    "below": "below_minimum",
    "above": "above_maximum",
    "both_kept": "within",
    "no_maximum": "minimum_met",
    "maximum_not_shown": "minimum_met",
    "no_minimum": "unknown",
    "not_settled": "unknown",
    "minimum_not_shown": "unknown",
}
SAME_K: Final = 1e-6
"""Figures so near to each other are the same [K]: one may have been converted from °F and the other not."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a reading of a joint is held against [°C].

    Attributes:
        minimum_c: steel colder than this is below the minimum, whatever else is not known; None: unknown.
        met_from_c: steel from here on meets the minimum; above `minimum_c` or None where that is not settled.
        maximum_c: steel warmer than this is too warm; None: none is stated.
    """

    minimum_c: float | None
    met_from_c: float | None
    maximum_c: float | None


def asked_of(requirement: Requirement, planned_c: float | None, readings: Iterable[Reading]) -> Asked:
    """What readings of a joint are held against.

    Args:
        requirement: what table and procedure ask of it.
        planned_c: its minimum by the plan, the cold-steel rule at the predicted steel included [°C]; None: unknown.
        readings: of the last days; one of cold steel lets the cold-steel rule count, whatever was predicted.

    Returns:
        Nothing is settled where the site has not accepted the figures. Without a prediction and without a reading
        before any heat nobody knows whether the cold-steel rule counts: then its floor has to be met, too.
    """
    readings = list(readings)
    was_cold = any(is_cold(one, requirement.cold_below_c) for one in readings)
    seen = planned_c is not None or any(one.is_of_cold_steel for one in readings)
    return _asked(requirement, planned_c, was_cold=was_cold, seen=seen)


def asked_once_cold(requirement: Requirement, planned_c: float | None) -> Asked:
    """What they are held against once `is_cold` holds for one of them; arguments as in `asked_of`."""
    return _asked(requirement, planned_c, was_cold=True, seen=True)


def is_cold(reading: Reading, cold_below_c: float) -> bool:
    """Whether a reading before any heat shows steel to which the cold-steel rule applies."""
    return reading.stage == "before_heat" and reading.sense != "at_least" and reading.steel_c < cold_below_c


def _asked(requirement: Requirement, planned_c: float | None, *, was_cold: bool, seen: bool) -> Asked:
    most_c = requirement.maximum_c
    if requirement.minimum_c is None:
        return Asked(planned_c, None, most_c)
    least_c = max(requirement.minimum_c, requirement.minimum_c if planned_c is None else planned_c)
    if was_cold:
        least_c = max(least_c, requirement.cold_floor_c)
    if requirement.not_accepted:
        return Asked(least_c, None, most_c)
    return Asked(least_c, least_c if seen else max(least_c, requirement.cold_floor_c), most_c)


def check(steel_c: float, sense: Sense, asked: Asked) -> Why:
    """What a reading says about its joint.

    Too cold counts before too warm, and either before what is not known.

    Args:
        steel_c: figure, or rating of the crayon [°C].
        sense: what it says.
        asked: of the joint.
    """
    least_c, met_c, most_c = asked.minimum_c, asked.met_from_c, asked.maximum_c
    if least_c is not None and _is_below(steel_c, sense, least_c):
        return "below"
    if most_c is not None and _is_above(steel_c, sense, most_c):
        return "above"
    if least_c is None:
        return "no_minimum"
    if sense == "below":
        return "minimum_not_shown"
    if met_c is None or steel_c < met_c - SAME_K:
        # A crayon rated below the minimum shows nothing of it; a figure lies between two minimums that may hold.
        shows_little = sense == "at_least" and steel_c < least_c - SAME_K
        return "minimum_not_shown" if shows_little else "not_settled"
    if most_c is None:
        return "no_maximum"
    return "maximum_not_shown" if sense == "at_least" else "both_kept"


def _is_below(steel_c: float, sense: Sense, least_c: float) -> bool:
    """Whether steel of this reading is surely colder than the least."""
    if sense == "measured":
        return steel_c < least_c - SAME_K
    return sense == "below" and steel_c <= least_c + SAME_K


def _is_above(steel_c: float, sense: Sense, most_c: float) -> bool:
    """Whether steel of this reading is warmer than the most."""
    if sense == "measured":
        return steel_c > most_c + SAME_K
    return sense == "at_least" and steel_c >= most_c - SAME_K
