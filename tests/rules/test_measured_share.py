"""The share from a measured heating time: there and back, its doubt, and every heating that says nothing.

The way back is checked against the way there, which `test_heating` checks against references that are not ours.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from frostshift_rules.delivered import Heaters
from frostshift_rules.heat_plan import HeatJob, heat_plans
from frostshift_rules.job import HeatSource
from frostshift_rules.measured_share import SHARES, NotMeasurable, band_of, measured_share
from frostshift_rules.workload import Range

from .plan_builders import TORCH, choices, joint, minutes, mm

PAD = HeatSource("pad", "heating pad", None, 3.6, 0.4, 0.55, 0.65, kind="pad", area_m2=0.0774)


def job(source: HeatSource = TORCH, count: int = 2, thickness_mm: float = 50.0, **fields: Any) -> HeatJob:
    one = joint(mm(thickness_mm), mm(thickness_mm), weld_length_mm=300.0, torches=count)
    plain: dict[str, Any] = {
        "joint": one,
        "heaters": (Heaters(source, count),),
        "minimum_c": 65.0,
        "maximum_c": None,
        "extent_mm": 75.0,
        "soak_minutes": 4.0,
        "starts_c": (Range(-5.0, -5.0, -5.0),) * 2,
        "air_c": Range(-5.0, -5.0, -5.0),
        "wind_ms": 2.0,
        "convection_wm2k": Range(8.4, 12.0, 15.6),
        "present_from_utc": None,
    }
    return HeatJob(**(plain | fields))


def taken(at: HeatJob, share: float) -> float:
    """Minutes that the plan itself gives as likely at this share."""
    assert at.heaters is not None
    (one,) = at.heaters
    source = replace(one.source, share_low=share * 0.9, share_likely=share, share_high=min(1.0, share * 1.1))
    (found,) = heat_plans([replace(at, heaters=(Heaters(source, one.count),))], choices(hottest_c=450.0))
    assert found.minutes is not None, found.status
    return found.minutes.likely


@pytest.mark.parametrize("wind_ms", [0.0, 2.0, 6.0, 9.0])
@pytest.mark.parametrize("share", [0.2, 0.35, 0.5])
def test_there_and_back(share: float, wind_ms: float) -> None:
    at = job(wind_ms=wind_ms)
    found = measured_share(at, taken(at, share), choices())
    assert found.likely == pytest.approx(share, rel=1e-5)
    assert found.low < found.likely < found.high


def test_there_and_back_with_pads_which_wind_takes_nothing_from() -> None:
    at = job(PAD, 3, 20.0, wind_ms=9.0)
    assert measured_share(at, taken(at, 0.6), choices()).likely == pytest.approx(0.6, rel=1e-5)


@settings(max_examples=15, deadline=None)
@given(st.floats(4.0, 30.0), st.floats(1.05, 1.5))
def test_a_longer_time_says_a_smaller_share(some: float, longer: float) -> None:
    try:
        short, long = (measured_share(job(), time, choices()) for time in (some, some * longer))
    except NotMeasurable:
        assume(False)
    assert long.likely < short.likely
    assert long.low <= short.low
    assert long.high <= short.high


def test_the_doubt_grows_with_wind_and_with_a_short_time() -> None:
    def width(found: Range) -> float:
        return (found.high - found.low) / found.likely

    calm, fresh = job(convection_wm2k=Range(0.0, 4.0, 0.0)), job(convection_wm2k=Range(0.0, 40.0, 0.0))
    assert width(measured_share(calm, 12.0, choices())) < width(measured_share(fresh, 12.0, choices()))
    assert width(measured_share(job(), 20.0, choices())) < width(measured_share(job(), 4.0, choices()))
    # At 4 m/s +- 30 % a flame may or may not have stood in the wind that takes a fifth of it.
    assert measured_share(job(wind_ms=4.0), 12.0, choices()).high > 1.2 * measured_share(job(), 12.0, choices()).likely


@pytest.mark.parametrize(
    ("at", "time", "words"),
    [
        (job(), 0.5, "even with all of its heat in the steel"),
        (job(replace(TORCH, net_kw=300.0)), 200.0, "2 % of its heat would do it"),
        (job(replace(TORCH, net_kw=300.0)), 0.6, "more than is calculated"),
        (job(replace(TORCH, net_kw=4.0)), 400.0, "so close to where it gets no warmer"),
        (job(heaters=(Heaters(TORCH, 1), Heaters(PAD, 2))), 14.0, "one kind of source alone"),
        (job(heaters=None), 14.0, "one kind of source alone"),
        (job(joint=joint(mm(50.0, kind="flange_with_web"), mm(50.0))), 14.0, "no heating time can be worked out"),
        (job(PAD, 1), 14.0, "no heating time can be worked out"),
        (job(), 0.0, "measured time is 0 min"),
        (job(), math.nan, "measured time is nan min"),
        (job(), 1441.0, "measured time is 1441 min, expected above 0 to 1440"),
    ],
)
def test_a_heating_that_says_nothing_is_refused_with_the_reason(at: HeatJob, time: float, words: str) -> None:
    with pytest.raises(NotMeasurable, match=words):
        measured_share(at, time, choices())


def test_the_ends_are_the_shares_of_the_doubt_taken_to_one_side_all_at_once() -> None:
    """30 % of wind and loss, 1 K of start, half a minute; more loss, colder start, short clock: more heat needed."""
    found = measured_share(job(), 14.0, choices())
    more = job(convection_wm2k=Range(0.0, 15.6, 0.0), starts_c=(Range(-6.0, -6.0, -6.0),) * 2)
    less = job(convection_wm2k=Range(0.0, 8.4, 0.0), starts_c=(Range(-4.0, -4.0, -4.0),) * 2)
    assert found.high == pytest.approx(measured_share(more, 13.5, choices()).likely, rel=1e-5)
    assert found.low == pytest.approx(measured_share(less, 14.5, choices()).likely, rel=1e-5)


def test_the_band_of_a_mean_narrows_with_heatings_and_stays_a_share() -> None:
    assert band_of(0.4, 1) == Range(pytest.approx(0.30), 0.4, pytest.approx(0.50))
    assert band_of(0.4, 2) == Range(pytest.approx(0.32), 0.4, pytest.approx(0.48))
    assert band_of(0.4, 3) == band_of(0.4, 30) == Range(pytest.approx(0.34), 0.4, pytest.approx(0.46))
    assert band_of(0.95, 1).high == SHARES[1]
    assert band_of(0.02, 1).low == SHARES[0]


def test_the_answer_holds_in_a_plan() -> None:
    """A site that enters what 14 min say gets 14 min as likely the next time."""
    at = job()
    found = measured_share(at, 14.0, choices())
    source = replace(TORCH, share_low=found.low, share_likely=found.likely, share_high=found.high)
    (again,) = heat_plans([replace(at, heaters=(Heaters(source, 2),))], choices())
    assert again.minutes is not None
    assert again.minutes.likely == pytest.approx(14.0, rel=1e-4)
    assert again.minutes.low < 14.0 < again.minutes.high
    assert again.light_up_utc == at.joint.start_utc - minutes(again.minutes.high + 4.0 + choices().setup_minutes)
