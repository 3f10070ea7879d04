"""Fronts in the hours of air. The rule is our choice, so that there is no reference for it: hand-made curves."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from frostshift_rules.fronts import fronts
from frostshift_rules.notice_events import FrontSeen
from frostshift_rules.notice_setup import NoticeChoices
from frostshift_rules.surroundings import Floats

from .plan_builders import FIRST, hours

CHOICES = NoticeChoices(front_fall_k=8.0, front_hours=12.0, front_day_fall_k=5.0)
LONG = timedelta(days=30)


def found(air_c: Floats, choices: NoticeChoices = CHOICES) -> tuple[FrontSeen, ...]:
    return fronts(hours(air_c), choices, FIRST - LONG, FIRST + LONG)


def falling(fall_k: float, over_h: int, at_h: int = 40, count: int = 96) -> Floats:
    """3 °C, then a straight fall, then steady."""
    return 3.0 - fall_k * np.clip((np.arange(count, dtype=float) - at_h) / over_h, 0.0, 1.0)


def test_a_fall_is_found_with_its_begin_end_and_steepest_hour() -> None:
    (front,) = found(falling(10.0, 5))
    # 2 K an hour from 40 h on: a tenth has come after half an hour, all but a tenth after four and a half.
    assert front == FrontSeen(FIRST + timedelta(hours=40), FIRST + timedelta(hours=45), 3.0, -7.0, 2.0)


@pytest.mark.parametrize(
    ("fall_k", "over_h", "is_one"),
    [(8.0, 12, True), (7.9, 12, False), (8.0, 13, False), (20.0, 30, True), (18.0, 30, False), (8.0, 1, True)],
)
def test_fall_and_rate(fall_k: float, over_h: int, is_one: bool) -> None:
    assert bool(found(falling(fall_k, over_h))) is is_one


def test_a_long_fall_is_one_front_to_its_lowest_hour() -> None:
    (front,) = found(falling(30.0, 36))
    assert front.to_c == -27.0


def test_nights_are_none() -> None:
    hour = np.arange(120, dtype=float)
    swing = 8.0 * np.cos(hour * np.pi / 12.0)
    assert found(swing)[1:] == ()  # the first has no day before: there the fall alone decides
    assert found(swing)[0].begin_utc < FIRST + timedelta(hours=24)
    assert len(found(swing, replace(CHOICES, front_day_fall_k=-50.0))) == 5


def test_a_night_that_is_colder_than_the_last_by_enough_is_one() -> None:
    hour = np.arange(96, dtype=float)
    air = 3.0 * np.cos(hour * np.pi / 12.0) - np.where(hour >= 50, 6.0, 0.0)
    assert [front.begin_utc for front in found(air)] == [FIRST + timedelta(hours=49)]


def test_a_missing_hour_is_not_bridged() -> None:
    air = falling(10.0, 5)
    air[42:44] = np.nan
    assert found(air) == ()
    before_all = falling(10.0, 5)
    before_all[20:22] = np.nan  # of the day before: then the fall alone decides
    assert len(found(before_all)) == 1


def test_no_hours_and_missing_ones_alone() -> None:
    assert found(np.array([])) == found(np.full(30, np.nan)) == ()


def test_two_falls_with_a_warmer_spell_between_are_two() -> None:
    air = np.concatenate([falling(10.0, 5, at_h=30, count=60), falling(14.0, 5, at_h=20, count=60)])
    assert [front.to_c for front in found(air)] == [-7.0, -11.0]


def test_only_those_that_are_not_over_and_not_far_off() -> None:
    of = hours(falling(10.0, 5))
    begin, end = FIRST + timedelta(hours=40), FIRST + timedelta(hours=45)
    assert fronts(of, CHOICES, end - timedelta(minutes=1), end)
    assert not fronts(of, CHOICES, end, end + LONG)
    assert not fronts(of, CHOICES, FIRST, begin)
    assert fronts(of, CHOICES, FIRST, begin + timedelta(minutes=1))


airs = arrays(np.float64, st.integers(0, 120), elements=st.one_of(st.integers(-40, 30).map(float), st.just(np.nan)))


@given(airs)
def test_every_front_keeps_the_rule_over_known_hours(air: Floats) -> None:
    for front in found(air):
        begin, end = (round((at - FIRST) / timedelta(hours=1)) for at in (front.begin_utc, front.end_utc))
        assert 0 <= begin < end < len(air)
        assert np.isfinite(air[begin : end + 1]).all()
        fall_k = front.from_c - front.to_c
        assert fall_k >= CHOICES.front_fall_k
        assert air[begin] >= front.from_c - 0.1 * fall_k - 1e-9
        assert air[end] <= front.to_c + 0.1 * fall_k + 1e-9
        assert fall_k / max(1, len(air)) <= front.steepest_k_h <= fall_k + 70.0


@given(airs, st.integers(-20, 20))
def test_warmer_or_colder_throughout_has_the_same_fronts(air: Floats, other_k: int) -> None:
    moved = found(air + other_k)
    assert [(one.begin_utc, one.end_utc) for one in moved] == [(one.begin_utc, one.end_utc) for one in found(air)]
    assert [one.to_c for one in moved] == [one.to_c + other_k for one in found(air)]


@given(airs, st.integers(0, 119))
def test_a_missing_hour_brings_no_front_that_reaches_over_it(air: Floats, place: int) -> None:
    holed = air.copy()
    holed[place : place + 1] = np.nan
    gone = FIRST + timedelta(hours=place)
    assert not any(one.begin_utc <= gone <= one.end_utc for one in found(holed) if place < len(air))
