"""Steel and air of the joints through the hours: classes, readings, start values, sun, positions between hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from frostshift_rules.job import Joint, Reading, Shelter, Site
from frostshift_rules.outlook import Outlook, between, outlook
from frostshift_rules.surroundings import Floats, Hours

from .plan_builders import FIRST, HOURS, NOW, START, at, choices, hours, joint, mm, reading, site, weather


def looked(joints: Sequence[Joint], of: Hours, readings: Sequence[Reading] = (), where: Site | None = None) -> Outlook:
    return outlook(where or site(), joints, weather(of), of, readings)


def steel_of(found: Outlook, number: int = 0) -> Floats:
    """Likely steel temperature of a joint's first part."""
    values: Floats = found.steel.likely_c[found.part_class[found.parts_of(number)][0]]
    return values


SINE = -5.0 + 6.0 * np.sin(np.arange(HOURS) / 4.0)


def test_like_parts_share_a_row_and_unlike_ones_do_not() -> None:
    joints = [
        joint(mm(25.0), mm(25.0), mark="A"),
        joint(mm(25.0), mm(60.0), mark="B"),
        joint(mm(25.0), mark="C", exposure="open"),
    ]
    found = looked(joints, hours(SINE))
    assert found.part_class.tolist() == [0, 0, 0, 1, 2]
    assert found.part_joint.tolist() == [0, 0, 1, 1, 2]
    assert [found.parts_of(n) for n in range(3)] == [slice(0, 2), slice(2, 4), slice(4, 5)]
    assert len(found.steel.likely_c) == len(found.wet) == len(found.start_weight) == 3


def test_heavy_steel_lags_the_air() -> None:
    front = np.where(np.arange(HOURS) < at(START), 10.0, -10.0)
    found = looked([joint(mm(10.0), mark="A"), joint(mm(125.0), mark="B")], hours(front))
    later = at(START) + 1
    assert steel_of(found, 0)[later] < 0.0 < steel_of(found, 1)[later]


def test_the_coldest_class_is_the_one_with_the_coldest_hour() -> None:
    front = np.where(np.arange(HOURS) < at(START), 10.0, -10.0)
    found = looked([joint(mm(125.0), mm(10.0))], hours(front))
    assert found.coldest_class(0) == found.part_class[1]


def test_air_takes_the_forecasts_doubt_and_the_steel_at_least_that() -> None:
    found = looked([joint(mm(25.0), exposure="open")], hours(SINE, cloud=np.full(HOURS, 0.3)))
    assert found.air.likely_c[0] - found.air.cold_c[0] == pytest.approx(found.air.warm_c[0] - found.air.likely_c[0])
    half = found.air.likely_c - found.air.cold_c
    assert np.all(found.steel.likely_c - found.steel.cold_c >= half - 1e-9)
    assert np.all(found.steel.warm_c - found.steel.likely_c >= half - 1e-9)
    assert half[0, at(NOW)] == choices().doubt_k
    assert half[0, -1] > choices().doubt_k


def test_the_doubt_runs_from_the_issue_and_not_from_when_the_forecast_was_fetched() -> None:
    of = hours(SINE)
    given = weather(of)

    def half(issued_utc: datetime | None, fetched_utc: datetime) -> float:
        found = outlook(site(), [joint()], replace(given, issued_utc=issued_utc, fetched_utc=fetched_utc), of, [])
        return float((found.air.likely_c - found.air.cold_c)[0, at(START)])

    plain, day = choices(), timedelta(hours=24)
    assert half(NOW, NOW) == plain.doubt_k
    assert half(START - 2 * day, START) == pytest.approx(plain.doubt_k + plain.doubt_per_day_k)
    assert half(None, START - 2 * day) == pytest.approx(plain.doubt_k + plain.doubt_per_day_k)


# Readings ---------------------------------------------------------------------------------------------------------


def test_a_reading_re_anchors_its_joint_and_every_part_like_it_and_no_other() -> None:
    joints = [joint(mm(60.0), mark="A"), joint(mm(60.0), mark="B"), joint(mm(60.0), mark="C", exposure="open")]
    plain, read = looked(joints, hours(SINE)), looked(joints, hours(SINE), [reading(-20.0, NOW, "A")])
    for number in (0, 1):
        assert steel_of(read, number)[at(NOW)] == -20.0
        assert read.start_weight[read.part_class[number], at(NOW)] == 0.0
    assert np.array_equal(steel_of(read, 0), steel_of(read, 1))
    assert np.array_equal(steel_of(read, 2), steel_of(plain, 2))
    assert np.array_equal(steel_of(read)[: at(NOW)], steel_of(plain)[: at(NOW)])  # nothing changes before it


def test_the_newest_reading_counts_in_whatever_order_they_come() -> None:
    readings = [reading(-20.0, NOW), reading(3.0, NOW - timedelta(hours=5))]
    for given in (readings, readings[::-1]):
        assert steel_of(looked([joint(mm(60.0))], hours(SINE), given))[at(NOW)] == -20.0


def test_a_joints_own_reading_goes_before_a_newer_one_of_a_like_joint() -> None:
    joints = [joint(mm(60.0), mark="A"), joint(mm(60.0), mark="B"), joint(mm(60.0), mark="C")]
    later = NOW + timedelta(hours=1)
    found = looked(joints, hours(SINE), [reading(-20.0, NOW, "A"), reading(0.0, later, "B")])
    assert steel_of(found, 0)[at(NOW)] == -20.0
    assert steel_of(found, 0)[at(later)] < -10.0
    assert steel_of(found, 1)[at(later)] == 0.0
    assert steel_of(found, 2)[at(later)] == 0.0  # without a reading of its own: the newest of the like


def test_a_reading_before_the_forecast_counts_as_start_for_a_day() -> None:
    cold = hours(0.0)
    for age_h, counts in ((1.0, True), (24.0, True), (24.1, False)):
        found = looked([joint(mm(125.0))], cold, [reading(-20.0, FIRST - timedelta(hours=age_h))])
        assert (steel_of(found)[0] == -20.0) == counts
        assert found.start_weight[0, 0] == 1.0  # it is an assumption about this joint, no measurement now


def test_the_start_is_the_coldest_of_the_readings_the_last_nights_and_the_first_hour() -> None:
    def start(air_c: float, low_c: float | None, read_c: float | None) -> float:
        readings = [] if read_c is None else [reading(read_c, FIRST - timedelta(hours=2))]
        return float(steel_of(looked([joint()], hours(air_c), readings, site(last_nights_low_c=low_c)))[0])

    assert start(-5.0, None, None) == -5.0
    assert start(-5.0, -9.0, None) == -9.0
    assert start(-5.0, -9.0, -12.0) == -12.0
    assert start(-5.0, -2.0, 4.0) == -5.0


def test_readings_of_a_mark_that_is_not_there_and_of_times_after_the_forecast_change_nothing() -> None:
    plain = looked([joint()], hours(SINE))
    odd = [reading(-30.0, NOW, "gone"), reading(-30.0, FIRST + timedelta(hours=HOURS + 5))]
    assert np.array_equal(plain.steel.cold_c, looked([joint()], hours(SINE), odd).steel.cold_c)


@pytest.mark.parametrize(
    "changes", [{"stage": "before_arc"}, {"stage": "between_passes"}, {"sense": "at_least"}, {"sense": "below"}]
)
def test_what_was_measured_with_the_heat_in_or_by_a_crayon_changes_nothing(changes: dict[str, str]) -> None:
    plain = looked([joint()], hours(SINE))
    for at_utc in (NOW, FIRST - timedelta(hours=1)):
        told = replace(reading(-20.0, at_utc), **changes)  # type: ignore[arg-type]
        assert np.array_equal(plain.steel.cold_c, looked([joint()], hours(SINE), [told]).steel.cold_c)


# Sun --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("readings", [[], [reading(2.0, NOW + timedelta(hours=8))]])
def test_sun_lifts_the_likely_figure_and_never_the_cold_side(readings: list[Reading]) -> None:
    bright = hours(SINE, cloud=np.full(HOURS, 0.2), sun_wm2=np.full(HOURS, 400.0))
    shade = looked([joint(mm(25.0), exposure="open")], bright, readings)
    sunny = looked([joint(mm(25.0), exposure="open", sun=True)], bright, readings)
    assert np.all(steel_of(sunny)[at(NOW) + 10 :] > steel_of(shade)[at(NOW) + 10 :] + 3.0)
    assert np.array_equal(sunny.steel.cold_c, shade.steel.cold_c)
    assert np.all(sunny.steel.warm_c >= shade.steel.warm_c)


@pytest.mark.parametrize("sun_wm2", [400.0, np.nan])
@pytest.mark.parametrize("air_c", [8.0, -8.0])
def test_sun_keeps_neither_dew_nor_frost_off(air_c: float, sun_wm2: float) -> None:
    """A clear spring day in damp air: in the shade a plate is wet or frosted, in the sun it would be dry."""
    damp = hours(
        air_c,
        start_utc=FIRST.replace(month=4),
        dew_c=np.full(HOURS, air_c - 0.5),
        cloud=np.zeros(HOURS),
        wind_10m_ms=np.full(HOURS, 1.0),
        sun_wm2=np.full(HOURS, sun_wm2),
    )
    joints = [joint(mm(10.0), mark="A", exposure="open"), joint(mm(10.0), mark="B", exposure="open", sun=True)]
    found = looked(joints, damp)
    shade, sunny = (found.part_class[found.parts_of(number)][0] for number in (0, 1))
    dry_by_sun = found.steel.likely_c[sunny] > air_c
    assert (dry_by_sun & found.wet[shade]).any()
    assert np.array_equal(found.wet[sunny], found.wet[shade])
    assert np.array_equal(found.frost[sunny], found.frost[shade])
    assert found.frost[shade].any() == (air_c < 0.0)


def test_a_reading_taken_in_the_sun_does_not_warm_the_joints_in_the_shade() -> None:
    joints = [joint(mm(25.0), mark="A", sun=True, exposure="open"), joint(mm(25.0), mark="B", exposure="open")]
    plain, read = looked(joints, hours(SINE)), looked(joints, hours(SINE), [reading(15.0, NOW, "A")])
    assert np.array_equal(plain.steel.cold_c[plain.part_class[1]], read.steel.cold_c[read.part_class[1]])


# Shelter ----------------------------------------------------------------------------------------------------------


def test_a_stated_air_temperature_does_not_warm_the_predicted_steel_a_stated_wind_counts() -> None:
    front = np.where(np.arange(HOURS) < at(START), 10.0, -10.0)
    joints = [
        joint(mm(25.0), mark="A"),
        joint(mm(25.0), mark="B", shelter=Shelter(air_c=15.0)),
        joint(mm(25.0), mark="C", shelter=Shelter(wind_ms=0.0)),
    ]
    found = looked(joints, hours(front))
    later = at(START) + 1
    assert np.array_equal(steel_of(found, 1), steel_of(found, 0))
    assert steel_of(found, 2)[later] > steel_of(found, 0)[later]  # calm air takes the heat away slower


# Between hours ----------------------------------------------------------------------------------------------------


def test_between_two_hours_the_value_is_linear_and_beyond_the_forecast_it_is_unknown() -> None:
    values = np.array([[0.0, 10.0, np.nan, 4.0]])
    rows = np.zeros(8, dtype=np.intp)
    found = between(values, rows, np.array([0.0, 0.25, 1.0, 1.5, 3.0, 3.01, -0.01, 2.0]))
    assert found[[0, 1, 2, 4]].tolist() == [0.0, 2.5, 10.0, 4.0]
    assert np.isnan(found[[3, 5, 6, 7]]).all()


def test_a_forecast_of_a_single_hour_is_that_hour_and_nothing_else() -> None:
    found = between(np.array([[7.0]]), np.zeros(3, dtype=np.intp), np.array([0.0, 0.5, -0.5]))
    assert found[0] == 7.0
    assert np.isnan(found[1:]).all()
    one = replace(hours(SINE[:1]), start_utc=FIRST)
    assert looked([joint()], one).steel.likely_c.shape == (1, 1)
