"""Decision tables: gas, cylinders, the forecast's age, readings. The rules are our choice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from frostshift_rules.gas import cylinders_of
from frostshift_rules.gas_bank import Bank, Verdict
from frostshift_rules.gas_demand import ShiftDemand
from frostshift_rules.gas_order import Advice, OrderLine, RunsOut
from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.job import JointState, Reading
from frostshift_rules.notice_events import Event, Notice, Told, ToldJoint
from frostshift_rules.notice_setup import Urgency
from frostshift_rules.workload import Freshness, JointPlan, Range

from .notice_builders import CHOICES, DAY_SHIFT, GROUP, decided, hours_of, kinds, knows, only, plan_of, stands
from .plan_builders import NOW, START

BOTTLE = next(iter(cylinders_of(GasSetup()).fuel.values()))
TODAY = NOW.date()
NOTHING = GasPlan(NOW, (), (), (), (), (), (), None)


def in_days(days: int) -> date:
    return TODAY + timedelta(days=days)


# Gas ------------------------------------------------------------------------------------------------------------------


def order(advice: Advice, out_in: int | None = 5, order_in: int | None = 1, kind: str = "bottle") -> OrderLine:
    out = None if out_in is None else RunsOut("k", "day", in_days(out_in), NOW, 1.0, carried_on=False)
    by = None if order_in is None else in_days(order_in)
    return OrderLine(kind, "propane", 9.0, None, advice=advice, runs_out_high=out, order_by=by, count=4)


def gas_told(told: Told, *lines: OrderLine, now_utc: datetime = NOW) -> tuple[list[Event], Told]:
    notices, after = decided(told, [], now_utc, gas=replace(NOTHING, orders=lines))
    assert all((one.crew, one.shift_key) == ("", None) for one in notices)
    return [event for one in notices for event in one.events], after


@pytest.mark.parametrize(
    ("line", "urgency"),
    [
        (order("enough", None, None), None),
        (order("no_demand", None, None), None),
        (order("too_late"), "soon"),
        (order("too_late", 0, 0), "soon"),
        (order("order", 5, 1), "plain"),
        (order("order", 5, 0), "plain"),
        (order("order", 5, 2), None),  # there is time
        (order("no_terms", 7, None), "plain"),
        (order("no_terms", 8, None), None),
        (order("no_stock", 1, None), None),
        (order("unknown", 1, None), None),
    ],
)
def test_gas_that_runs_out(line: OrderLine, urgency: Urgency | None) -> None:
    events, _ = gas_told(Told(), line)
    assert [(one.kind, one.urgency) for one in events] == ([("gas", urgency)] if urgency else [])


def test_gas_is_told_again_when_earlier_or_too_late_and_not_when_it_wanders() -> None:
    told, seen = Told(), []
    for number, line in enumerate(
        [order("order"), order("order", 6), order("order"), order("order", 4), order("order", 5), order("too_late", 4)]
        + [order("unknown"), order("too_late", 4), order("order", 4), order("too_late", 4)]
    ):
        events, told = gas_told(told, line)
        seen += [number for _ in events]
    assert seen == [0, 3, 5]


def test_gas_that_was_delivered_is_told_afresh() -> None:
    _, told = gas_told(Told(), order("too_late", 2, 0))
    _, told = gas_told(told, order("enough", None, None))
    assert told.gas == {}
    assert told.too_late == ()
    assert len(gas_told(told, order("too_late", 2, 0))[0]) == 1


def test_kinds_of_gas_are_one_notice() -> None:
    notices, _ = decided(Told(), [], gas=replace(NOTHING, orders=(order("too_late"), order("order", kind="big"))))
    (notice,) = notices
    assert [(one.gas.kind, one.urgency) for one in notice.events if one.gas] == [("bottle", "soon"), ("big", "plain")]


def test_the_day_is_that_of_the_site() -> None:
    auckland = replace(plan_of(), site=replace(plan_of().site, zone="Pacific/Auckland"))
    gas = replace(NOTHING, orders=(order("order", 5, 2),))
    assert kinds(decided(Told(), auckland, NOW + hours_of(12.0), gas=gas)[0]) == ["gas"]  # there it is tomorrow
    assert kinds(decided(Told(), plan_of(), NOW + hours_of(12.0), gas=gas)[0]) == []


# Cylinders ------------------------------------------------------------------------------------------------------------


def bank(verdict: Verdict, together: int | None = None) -> GasPlan:
    begins, ends, nothing = NOW + hours_of(6.0), NOW + hours_of(18.0), Range(0.0, 0.0, 0.0)
    demand = ShiftDemand(DAY_SHIFT, "day", TODAY, begins, ends, True, 0, (), nothing, 0.0, nothing)
    return replace(NOTHING, shifts=(demand,), banks=(Bank(DAY_SHIFT, BOTTLE, verdict, "why", together),))


STARVES, NO_MODEL = bank("another_way"), bank("no_model")


@pytest.mark.parametrize(
    ("banks", "told"),
    [
        ([bank("enough", 2)], []),
        ([STARVES], [0]),
        ([bank("enough", 2), bank("enough", 3)], [1]),
        ([bank("enough", 2), bank("enough", 1), bank("enough", 2)], []),
        ([bank("enough", 2), STARVES, bank("enough", 2), STARVES], [1]),
        ([bank("limit", 2), bank("limit", 4), bank("unknown"), bank("limit", 4)], [1]),
        ([NO_MODEL, bank("nothing"), bank("unknown")], []),
    ],
)
def test_cylinders(banks: list[GasPlan], told: list[int]) -> None:
    known, seen = Told(), []
    for number, gas in enumerate(banks):
        notices, known = decided(known, [], gas=gas)
        seen += [number for _ in kinds(notices)]
    assert seen == told


def test_what_is_said_of_cylinders() -> None:
    _, known = decided(Told(), [], gas=bank("enough", 2))
    notices, _ = decided(known, [], gas=bank("enough", 4))
    event = only(notices)
    assert event.starving is not None
    assert (event.kind, event.urgency, event.by_utc) == ("cylinders", "soon", NOW + hours_of(6.0))
    assert (event.starving.together, event.starving.was_together) == (4, 2)
    assert (notices[0].crew, notices[0].shift_key, notices[0].shift_name) == ("", DAY_SHIFT, "day")
    starved = only(decided(known, [], NOW + hours_of(3.0), gas=STARVES)[0])
    assert starved.starving is not None
    assert (starved.urgency, starved.starving.together) == ("now", None)


def test_cylinders_beyond_the_horizon_or_of_a_shift_that_is_over() -> None:
    begins = NOW + hours_of(6.0)
    assert kinds(decided(Told(), [], begins - hours_of(36.1), gas=STARVES)[0]) == []
    assert kinds(decided(Told(), [], begins - hours_of(36.0), gas=STARVES)[0]) == ["cylinders"]
    assert kinds(decided(Told(), [], begins + hours_of(12.0), gas=STARVES)[0]) == []


def test_cylinders_are_told_to_the_crews_of_the_shift_too() -> None:
    joints = [stands("J1"), stands("J2", "no_heat"), stands("J3", crew="Bellows", shift_key="2026-01-12 night")]
    told = replace(knows(), shifts=(GROUP, "Bellows|2026-01-12 night"))
    notices, _ = decided(told, joints, gas=STARVES)
    assert [(one.crew, one.shift_key, kinds([one])) for one in notices if "cylinders" in kinds([one])] == [
        ("", DAY_SHIFT, ["cylinders"]),
        ("Anvil", DAY_SHIFT, ["cylinders"]),
    ]


def of_site(notices: Sequence[Notice]) -> list[Notice]:
    return [one for one in notices if not one.crew]


# Forecast -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("was", "freshness", "urgency"),
    [
        ("fresh", "fresh", None),
        ("fresh", "late", "plain"),
        ("late", "unusable", "now"),
        ("fresh", "unusable", "now"),
        ("fresh", "none", "now"),
        ("unusable", "none", None),
        ("unusable", "late", "plain"),
        ("unusable", "fresh", "plain"),
        ("late", "fresh", None),
    ],
)
def test_forecast(was: Freshness, freshness: Freshness, urgency: Urgency | None) -> None:
    notices, after = decided(knows(forecast=was), plan_of(stands(), freshness=freshness))
    events = [event for one in of_site(notices) for event in one.events]
    assert [(one.kind, one.urgency) for one in events] == ([("forecast", urgency)] if urgency else [])
    assert [one.forecast.was for one in events if one.forecast] == ([was] if urgency else [])
    assert after.forecast == (freshness if urgency or was == "late" else was)


@pytest.mark.parametrize(("before_light_up_h", "urgency"), [(12.0, "now"), (12.1, "soon"), (-1.0, "now")])
def test_a_forecast_that_cannot_be_used(before_light_up_h: float, urgency: Urgency) -> None:
    lit = START - hours_of(2.0)
    notices, _ = decided(knows(), plan_of(stands(), freshness="unusable"), lit - hours_of(before_light_up_h))
    event = only(of_site(notices))
    assert (event.urgency, event.by_utc) == (urgency, lit)
    assert [(one.crew, one.shift_key) for one in notices[1:]] == [("Anvil", DAY_SHIFT)]
    assert only(notices[1:]) == event


def test_a_forecast_that_cannot_be_used_is_told_to_the_crews_that_act_on_it_once_each() -> None:
    lit = START - hours_of(2.0)
    joints = [
        stands("J1"),
        stands("J2", start_utc=START + hours_of(8.0), shift_key="2026-01-12 night"),
        stands("J3", crew="Bellows", start_utc=START + hours_of(1.0)),  # not within 12 h, and nobody told
        stands("J4", crew=""),
    ]
    blind = plan_of(*joints, freshness="none")
    quiet = replace(CHOICES, shift_ahead_hours=1.0)
    notices, _ = decided(Told(), blind, lit - hours_of(12.0), choices=quiet)
    assert [(one.crew, one.shift_key) for one in notices] == [("", None), ("Anvil", DAY_SHIFT)]
    told = Told({"J3": ToldJoint("no_heat", "go", None, told=True, group=f"Bellows|{DAY_SHIFT}")})
    notices, _ = decided(told, blind, lit - hours_of(12.5), choices=quiet)
    assert [(one.crew, one.urgency) for one in notices] == [("", "soon"), ("Bellows", "soon")]
    for better in ("late", "fresh"):
        better_plan = replace(blind, freshness=better)  # type: ignore[arg-type]
        good, _ = decided(Told(forecast="unusable"), better_plan, lit - hours_of(12.0), choices=quiet)
        assert [one.crew for one in good] == [""]


def test_late_is_told_once_in_twelve_hours_and_fresh_only_after_unusable() -> None:
    told, seen = Told(), []
    for number in range(16):
        freshness: Freshness = "late" if number % 2 else "fresh"
        far = stands(start_utc=START + hours_of(20.0), shift_key=None)
        notices, told = decided(told, plan_of(far, freshness=freshness), NOW + hours_of(number))
        seen += [number for kind in kinds(notices) if kind == "forecast"]
    assert seen == [1, 13]


def test_late_that_lasts_is_told_when_twelve_hours_are_over() -> None:
    told = knows(late_told_utc=NOW - hours_of(11.9))
    late = plan_of(stands(), freshness="late")
    notices, told = decided(told, late, NOW)
    assert notices == ()
    assert kinds(decided(told, late, NOW + hours_of(0.1))[0]) == ["forecast"]
    assert kinds(decided(told, plan_of(stands(), freshness="unusable"), NOW)[0])[0] == "forecast"


def test_forty_joints_turned_unknown_by_a_forecast_are_one_notice_and_none_is_forgotten() -> None:
    joints = [stands(f"J{n}") for n in range(40)]
    _, told = decided(Told(), joints)
    blind = [stands(f"J{n}", "unknown", "unknown") for n in range(40)]
    notices, after = decided(told, plan_of(*blind, freshness="unusable"))
    assert kinds(of_site(notices)) == kinds(notices[1:]) == ["forecast"]
    assert after.joints == told.joints
    assert kinds(decided(after, joints, NOW + hours_of(2.0))[0]) == ["forecast"]  # good news, and nothing changed
    harder = [stands(f"J{n}", "cold_steel_heat") for n in range(40)]
    assert sorted(kinds(decided(after, harder, NOW + hours_of(2.0))[0])) == ["forecast", "harder"]


def test_a_shift_is_told_without_a_forecast_too_and_put_right_later() -> None:
    blind = plan_of(stands(call="unknown", state="unknown"), freshness="unusable")
    notices, told = decided(Told(forecast="unusable"), blind)
    assert kinds(notices) == ["shift"]
    _, told = decided(told, plan_of(stands(), freshness="fresh"))
    assert told.joints["J1"].call == "heat_to_minimum"


def test_a_forecast_is_nobodys_business_while_no_joint_is_near() -> None:
    far, near = START - hours_of(60.0), START - hours_of(30.0)
    unusable = plan_of(stands(), freshness="unusable")
    assert decided(Told(), unusable, far) == ((), Told())
    assert kinds(decided(Told(), unusable, near)[0]) == ["forecast"]
    notices, after = decided(Told(forecast="unusable"), plan_of(stands()), far)
    assert notices == ()
    assert after.forecast == "fresh"


def test_a_change_of_feed_is_no_news() -> None:
    other = replace(plan_of(stands()), feed="another", instead_of="test")
    assert decided(knows(), other)[0] == ()


# Readings -------------------------------------------------------------------------------------------------------------


def being(state: JointState) -> JointPlan:
    """25 mm of category B: 10 °C, above the cold-steel limit."""
    joint = stands()
    return replace(joint, joint=replace(joint.joint, state=state))


def low(steel_c: float = 5.0, minutes_ago: float = 10.0, now_utc: datetime = START) -> Reading:
    return Reading("J1", steel_c, now_utc - timedelta(minutes=minutes_ago))


def reading_told(
    state: JointState, *readings: Reading, told: Told | None = None, now_utc: datetime = START
) -> tuple[tuple[Notice, ...], Told]:
    return decided(told or knows(), being(state), now_utc, readings=readings)


@pytest.mark.parametrize(
    ("state", "reading", "told"),
    [
        ("in_progress", low(), True),
        ("heating", low(), True),
        ("planned", low(), False),
        ("in_progress", low(50.0), False),
        ("in_progress", low(minutes_ago=120.0), True),
        ("in_progress", low(minutes_ago=121.0), False),
        ("in_progress", low(minutes_ago=-1.0), False),  # its clock is wrong
        ("in_progress", replace(low(), mark="other"), False),
        ("planned", replace(low(), stage="between_passes"), True),  # it is being welded, whatever its state
        ("planned", replace(low(), stage="before_arc"), False),
        ("in_progress", replace(low(5.0), sense="at_least"), False),  # a crayon that melted: at least so warm
        ("in_progress", replace(low(5.0), sense="below"), True),
        ("in_progress", replace(low(10.0), sense="below"), True),  # did not melt at the minimum
        ("in_progress", replace(low(50.0), sense="below"), False),  # says nothing of the minimum
    ],
)
def test_readings(state: JointState, reading: Reading, told: bool) -> None:
    notices, _ = reading_told(state, reading)
    assert kinds(notices) == (["reading"] if told else [])


def test_exactly_the_minimum_is_not_below_it() -> None:
    minimum_c = being("in_progress").minimum_c
    assert minimum_c is not None
    assert reading_told("in_progress", low(minimum_c))[0] == ()
    event = only(reading_told("in_progress", low(minimum_c - 0.1))[0])
    assert event.reading is not None
    assert (event.urgency, event.by_utc, event.reading.minimum_c) == ("now", START, minimum_c)


def test_each_reading_is_told_once_and_the_newest_counts() -> None:
    notices, told = reading_told("in_progress", low())
    assert len(notices) == 1
    assert reading_told("in_progress", low(), told=told)[0] == ()
    assert reading_told("in_progress", low(), low(80.0, 5.0), told=told)[0] == ()
    assert len(reading_told("in_progress", low(), low(6.0, 5.0), told=told)[0]) == 1
    for both in ([low(80.0), low(5.0)], [low(5.0), low(80.0)]):
        assert len(reading_told("in_progress", *both)[0]) == 1


def test_a_reading_that_comes_in_late_is_told_though_newer_ones_of_other_joints_were() -> None:
    _, told = reading_told("in_progress", replace(low(80.0, 1.0), mark="other"))
    assert len(reading_told("in_progress", low(minutes_ago=30.0), told=told)[0]) == 1


def test_on_its_way_up_it_is_no_news_until_welding_begins() -> None:
    early = START - hours_of(1.0)
    notices, told = reading_told("heating", low(now_utc=early), now_utc=early)
    assert notices == ()
    assert len(reading_told("in_progress", low(now_utc=early), told=told, now_utc=early)[0]) == 1
    assert len(reading_told("heating", low(now_utc=early), told=told, now_utc=START)[0]) == 1


def test_past_its_end_and_without_a_forecast_a_reading_still_counts() -> None:
    late = START + hours_of(6.0)
    assert kinds(reading_told("in_progress", low(now_utc=late), now_utc=late)[0]) == ["reading"]
    blind = replace(being("in_progress"), call="unknown", minimum_c=None)
    notices, _ = decided(knows(), plan_of(blind, freshness="unusable"), START, readings=[low()])
    assert sorted(kinds(notices)) == ["forecast", "forecast", "reading"]


def test_without_a_minimum_nobody_can_say_that_it_is_below() -> None:
    joint = being("in_progress")
    joint = replace(joint, minimum_c=None, requirement=replace(joint.requirement, minimum_c=None))
    assert decided(knows(), joint, START, readings=[low()])[0] == ()


def test_steel_below_the_cold_limit_is_held_against_the_raised_minimum() -> None:
    joint = replace(being("in_progress"), minimum_c=10.0)
    event = only(decided(knows(), joint, START, readings=[low(-4.0)])[0])
    assert event.reading is not None
    # AWS D1.1:2015, footnote of Table 3.3: below 0 °C the steel is heated to 20 °C at least.
    assert event.reading.minimum_c == 20.0


def test_horizons_are_those_of_the_site() -> None:
    near = replace(CHOICES, front_ahead_hours=1.0)
    assert kinds(decided(Told(), [], gas=STARVES, choices=near)[0]) == []
