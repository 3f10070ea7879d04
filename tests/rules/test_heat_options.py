"""What else could be done at a joint: every option is a whole heat plan, and one that helps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from frostshift_rules.heat_options import HOTTER_K, heat_options, job_of
from frostshift_rules.heat_plan import heat_plans

from .plan_builders import choices, joint, mm
from .test_heat_plan import THICK, TWO, heat_job, there, torch


def test_a_hotter_start_costs_minutes_and_buys_hold() -> None:
    planned = heat_plans([heat_job(TWO)], choices())[0]
    hotter = heat_options(heat_job(TWO), choices()).hotter
    assert [one.value for one in hotter] == list(HOTTER_K)
    minutes = [there(planned.minutes), *(there(one.heat.minutes) for one in hotter)]
    holds = [there(planned.hold_minutes), *(there(one.heat.hold_minutes) for one in hotter)]
    assert minutes[0].high < minutes[1].high < minutes[2].high
    assert holds[0].low < holds[1].low < holds[2].low
    assert [one.heat.target_c - planned.target_c for one in hotter] == pytest.approx(list(HOTTER_K))


def test_a_longer_break_is_colder_and_takes_longer_to_make_good() -> None:
    planned = heat_plans([heat_job(TWO)], choices())[0]
    breaks = heat_options(heat_job(TWO), choices()).breaks
    assert [one.minutes for one in breaks] == [15.0, 30.0, 60.0]
    coldest = [one.coldest_c for one in breaks]
    assert planned.target_c > coldest[0] > coldest[1] > coldest[2] > -8.0
    again = [one.again_minutes for one in breaks]
    assert 0.0 < again[0] <= again[1] <= again[2] <= there(planned.minutes).high + 0.1
    # At the end of the hold it is at its minimum, so a break longer than that is below it.
    assert coldest[0] < planned.minimum_c


def test_too_hot_is_cured_by_wider_slower_or_both_faces() -> None:
    found = heat_options(heat_job(THICK, minimum_c=110.0, maximum_c=300.0), choices())
    assert found.hotter == ()
    assert {"both_faces", "band"} <= {one.change for one in found.remedies}
    for one in found.remedies:
        assert one.heat.hottest_c is not None
        assert one.heat.hottest_c <= 300.0
    assert len({one.change for one in found.remedies}) == len(found.remedies)


def test_nobody_is_told_to_heat_a_face_that_no_flame_reaches() -> None:
    under = replace(THICK, arrangement="base_plate")
    found = heat_options(heat_job(under, minimum_c=110.0, maximum_c=300.0), choices())
    assert "both_faces" not in {one.change for one in found.remedies}


def test_a_weak_flame_is_cured_by_more_fire_on_less_steel() -> None:
    weak = replace(torch(5.0), count=6)
    found = heat_options(heat_job(replace(TWO, torches=1), source=weak), choices())
    assert {one.change for one in found.remedies} >= {"more_torches"}
    assert all(one.heat.status == "ok" for one in found.remedies)
    more = next(one for one in found.remedies if one.change == "more_torches")
    assert 1 < more.value <= 6


def test_no_cure_for_what_is_not_covered() -> None:
    found = heat_options(heat_job(joint(mm(301.0))), choices())
    assert (found.breaks, found.hotter, found.remedies, found.least_fuel) == ((), (), (), None)


def test_the_band_of_least_fuel_takes_less_than_a_far_too_wide_one() -> None:
    # At a fixed flame the optimum is flat, and heated metal far beyond the zone is wasted.
    wide = choices(margin_mm=150.0)
    found = heat_options(heat_job(TWO), wide).least_fuel
    assert found is not None
    assert 10.0 <= found.value <= 60.0
    assert there(found.heat.total_minutes).likely < there(heat_plans([heat_job(TWO)], wide)[0].total_minutes).likely
    assert heat_options(heat_job(TWO), choices(margin_mm=found.value)).least_fuel is None


def test_the_heating_of_a_plan_is_found_again_in_it() -> None:
    job = heat_job(TWO, film="frost", maximum_c=250.0)
    planned = heat_plans([job], choices())[0]
    again = job_of(planned, TWO, job.heaters)
    assert again is not None
    assert heat_plans([again], choices())[0] == replace(planned, earliest_arc_utc=None)
    assert job_of(replace(planned, air_c=None), TWO, job.heaters) is None
