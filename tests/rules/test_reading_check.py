"""Readings held against what is asked; AWS D1.1's minimum is a least, so steel at it passes."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import Reading, Sense
from frostshift_rules.preheat import Requirement
from frostshift_rules.reading_check import FINDING_OF, Asked, asked_of, asked_once_cold, check
from frostshift_rules.units import c_from_f

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
F150, F225, F400 = c_from_f(150.0), c_from_f(225.0), c_from_f(400.0)
ASKED = Asked(F150, F150, F400)


@pytest.mark.parametrize(
    ("steel_f", "sense", "asked", "why"),
    [
        (149.9, "measured", ASKED, "below"),
        (150.0, "measured", ASKED, "both_kept"),
        (400.0, "measured", ASKED, "both_kept"),
        (400.1, "measured", ASKED, "above"),
        (300.0, "measured", replace(ASKED, maximum_c=None), "no_maximum"),
        # A crayon that melted says "at least": at the minimum that is enough, at the maximum it is too much.
        (150.0, "at_least", replace(ASKED, maximum_c=None), "no_maximum"),
        (150.0, "at_least", ASKED, "maximum_not_shown"),
        (125.0, "at_least", ASKED, "minimum_not_shown"),
        (400.0, "at_least", ASKED, "above"),
        (450.0, "at_least", ASKED, "above"),
        # One that did not says "below": no measurement of its rating.
        (150.0, "below", ASKED, "below"),
        (125.0, "below", ASKED, "below"),
        (225.0, "below", ASKED, "minimum_not_shown"),
        (400.0, "below", ASKED, "minimum_not_shown"),
        # Nobody knows the minimum: only too warm can be said.
        (300.0, "measured", Asked(None, None, F400), "no_minimum"),
        (300.0, "at_least", Asked(None, None, None), "no_minimum"),
        (500.0, "measured", Asked(None, None, F400), "above"),
        # A figure that the site has not accepted, or two that may hold: too cold for the least of them is too cold.
        (149.0, "measured", Asked(F150, None, None), "below"),
        (900.0, "measured", Asked(F150, None, None), "not_settled"),
        (200.0, "measured", Asked(F150, F225, None), "not_settled"),
        (225.0, "measured", Asked(F150, F225, None), "no_maximum"),
        (200.0, "at_least", Asked(F150, F225, None), "not_settled"),
    ],
)
def test_cases(steel_f: float, sense: Sense, asked: Asked, why: str) -> None:
    assert check(c_from_f(steel_f), sense, asked) == why


temps = st.floats(-80.0, 900.0)
senses = st.sampled_from(("measured", "at_least", "below"))


@st.composite
def asked_values(draw: st.DrawFn) -> Asked:
    least = draw(st.none() | st.floats(-20.0, 300.0))
    more = draw(st.none() | st.floats(0.0, 100.0))
    met = None if least is None or more is None else least + more
    return Asked(least, met, draw(st.none() | st.floats(100.0, 400.0)))


@given(temps, senses, asked_values())
def test_within_and_met_are_said_only_where_they_are_sure(steel_c: float, sense: Sense, asked: Asked) -> None:
    finding = FINDING_OF[check(steel_c, sense, asked)]
    if finding in ("within", "minimum_met"):
        assert asked.minimum_c is not None
        assert asked.met_from_c is not None
        assert steel_c >= asked.met_from_c - 1e-5
        assert sense != "below"
    if finding == "within":
        assert asked.maximum_c is not None
        assert steel_c <= asked.maximum_c + 1e-5
        assert sense == "measured"
    if sense == "measured" and asked.minimum_c is not None and steel_c < asked.minimum_c - 1e-3:
        assert finding == "below_minimum"
    if asked.minimum_c is None:
        assert finding in ("unknown", "above_maximum")


@given(temps, temps, asked_values())
def test_warmer_steel_is_never_called_too_cold_where_colder_is_not(one: float, two: float, asked: Asked) -> None:
    cold, warm = sorted((one, two))
    if check(warm, "measured", asked) == "below":
        assert check(cold, "measured", asked) == "below"


@given(temps, asked_values(), st.floats(0.0, 300.0))
def test_a_crayon_says_nothing_that_some_steel_it_may_be_on_contradicts(
    rating_c: float, asked: Asked, more_k: float
) -> None:
    """Whatever a crayon says too cold or warm enough, a thermometer on any steel it allows says so too."""
    melted = FINDING_OF[check(rating_c, "at_least", asked)]
    warmer = FINDING_OF[check(rating_c + more_k, "measured", asked)]
    if melted == "minimum_met":
        assert warmer in ("within", "minimum_met", "above_maximum")
    solid = FINDING_OF[check(rating_c, "below", asked)]
    colder = FINDING_OF[check(rating_c - max(more_k, 1e-3), "measured", asked)]
    if solid == "below_minimum":
        assert colder == "below_minimum"
    assert solid not in ("within", "minimum_met", "above_maximum")


# What is asked --------------------------------------------------------------------------------------------------------


def requirement(minimum_c: float | None, **changes: object) -> Requirement:
    values: dict[str, object] = {
        "minimum_c": minimum_c, "maximum_c": None, "maximum_source": "", "extent_mm": 75.0, "cold_below_c": 0.0,
        "cold_floor_c": c_from_f(70.0), "literal_cold": True, "category": "B", "asks": (), "unknown": (),
        "not_accepted": False, "notes": (), **changes,
    }  # fmt: skip
    return Requirement(**values)  # type: ignore[arg-type]


def before_heat(steel_c: float, sense: Sense = "measured") -> Reading:
    return Reading("J", steel_c, NOW, sense=sense)


FLOOR, F50 = c_from_f(70.0), c_from_f(50.0)


def test_the_plans_minimum_counts_where_it_is_higher() -> None:
    assert asked_of(requirement(F50), F50, ()) == Asked(F50, F50, None)
    assert asked_of(requirement(F50), FLOOR, ()) == Asked(FLOOR, FLOOR, None)


def test_cold_steel_that_was_measured_raises_it_whatever_was_predicted() -> None:
    assert asked_of(requirement(F50), F50, [before_heat(-3.0)]) == Asked(FLOOR, FLOOR, None)
    assert asked_of(requirement(F50), F50, [replace(before_heat(-3.0), stage="before_arc")]) == Asked(F50, F50, None)
    assert asked_of(requirement(F150), F150, [before_heat(-3.0)]) == Asked(F150, F150, None)


def test_without_prediction_and_reading_the_floor_has_to_be_met_too() -> None:
    assert asked_of(requirement(F50), None, ()) == Asked(F50, FLOOR, None)
    assert asked_of(requirement(F50), None, [before_heat(4.0)]) == Asked(F50, F50, None)
    assert asked_of(requirement(F50), None, [before_heat(-4.0)]) == Asked(FLOOR, FLOOR, None)


def test_nothing_is_settled_that_is_not_known_or_not_accepted() -> None:
    assert asked_of(requirement(F150, not_accepted=True, maximum_c=F400), F150, ()) == Asked(F150, None, F400)
    assert asked_of(requirement(None), None, [before_heat(-4.0)]) == Asked(None, None, None)
    assert asked_of(requirement(None), FLOOR, ()) == Asked(FLOOR, None, None)


@given(st.none() | temps, st.none() | st.floats(0.0, 300.0), st.lists(temps, max_size=3), st.booleans())
def test_what_is_met_is_never_below_what_is_asked(
    planned_c: float | None, minimum_c: float | None, read: list[float], not_accepted: bool
) -> None:
    asked = asked_of(
        requirement(minimum_c, not_accepted=not_accepted), planned_c, [before_heat(steel_c) for steel_c in read]
    )
    if asked.met_from_c is not None:
        assert asked.minimum_c is not None
        assert minimum_c is not None
        assert asked.met_from_c >= asked.minimum_c >= minimum_c
        assert not not_accepted
        assert math.isfinite(asked.met_from_c)


def test_once_cold_is_what_a_reading_of_cold_steel_makes_of_it() -> None:
    for asked in (requirement(F50), requirement(F150), requirement(None), replace(requirement(F50), not_accepted=True)):
        for planned_c in (None, F50, FLOOR):
            assert asked_once_cold(asked, planned_c) == asked_of(asked, planned_c, [before_heat(-3.0)])
